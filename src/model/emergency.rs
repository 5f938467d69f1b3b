//! What people need in the woods when something goes wrong, as the project says it.

use serde::{Deserialize, Serialize};

use super::Facts;

/// Nothing of it is guessed: what nobody says is written in by hand.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Emergency {
    pub phone: Option<String>,
    /// Channel or frequency.
    pub radio: Option<String>,
    /// Where all meet.
    pub muster_point: Option<String>,
    /// The way in.
    pub access: Option<String>,
}

impl Emergency {
    /// What a block says of itself.
    pub fn of_block(facts: &Facts) -> Emergency {
        let text = |name| facts.text(name).map(str::to_owned);
        Emergency {
            muster_point: text(Facts::MUSTER_POINT),
            access: text(Facts::ACCESS),
            ..Emergency::default()
        }
    }

    /// With what `other` says of the rest.
    pub fn or(&self, other: &Emergency) -> Emergency {
        let first = |a: &Option<String>, b: &Option<String>| a.clone().or_else(|| b.clone());
        Emergency {
            phone: first(&self.phone, &other.phone),
            radio: first(&self.radio, &other.radio),
            muster_point: first(&self.muster_point, &other.muster_point),
            access: first(&self.access, &other.access),
        }
    }

    pub fn says_nothing(&self) -> bool {
        *self == Emergency::default()
    }
}

/// Whether machines work by night while snow falls, by the project's own rule.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FallingSnow {
    pub night_work: bool,
    pub source: String,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_block_goes_before_the_project() {
        let own = |muster: Option<&str>, phone: Option<&str>| Emergency {
            muster_point: muster.map(str::to_owned),
            phone: phone.map(str::to_owned),
            ..Emergency::default()
        };
        let both = own(Some("gate"), None).or(&own(Some("camp"), Some("112")));
        assert_eq!(both, own(Some("gate"), Some("112")));
        assert!(own(None, None).says_nothing() && !both.says_nothing());
    }
}
