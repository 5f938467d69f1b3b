//! How far what a layer maps may lie from where it really is.

use serde::{Deserialize, Serialize};

use super::{Fact, Facts};
use crate::units::Percent;

/// What a layer or feature says of how it was surveyed.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Accuracy {
    /// It may be off by so much, m; None: nobody says.
    pub off_m: Option<f64>,
    /// At this confidence, 0 to 1; None: nobody says.
    pub confidence: Option<f64>,
    /// Where that is written.
    pub source: String,
    /// How it was surveyed, in words.
    pub surveyed: Option<String>,
}

impl Accuracy {
    pub fn of(facts: &Facts) -> Accuracy {
        let text = |name| facts.text(name).map(str::to_owned);
        Accuracy {
            off_m: facts.number(Facts::ACCURACY),
            confidence: facts.number(Facts::ACCURACY_CONFIDENCE),
            source: text(Facts::ACCURACY_SOURCE).unwrap_or_default(),
            surveyed: text(Facts::SURVEYED),
        }
    }

    /// Adds what a layer says of all its features.
    pub fn into_facts(
        off_m: Option<f64>,
        confidence: Option<f64>,
        source: Option<&str>,
        facts: &mut Facts,
    ) {
        let Some(off_m) = off_m else {
            return;
        };
        facts.offer(Facts::ACCURACY, Fact::Number(off_m));
        if let Some(confidence) = confidence {
            facts.offer(Facts::ACCURACY_CONFIDENCE, Fact::Number(confidence));
        }
        if let Some(source) = source {
            facts.offer(Facts::ACCURACY_SOURCE, Fact::Text(source.to_owned()));
        }
    }

    /// `5 m (95 %)`, in figures alone; None where nobody says it.
    pub fn figures(&self) -> Option<String> {
        let off_m = self.off_m?;
        let confidence = self.confidence;
        let confidence = confidence.map_or(String::new(), |own| format!(" ({})", Percent(own)));
        Some(format!("{} m{confidence}", (off_m * 100.0).round() / 100.0))
    }
}

/// Features of one layer beside or in a block that were surveyed alike.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SurveyNote {
    /// Role of the layer; `blocks` for the block's own edge.
    pub role: String,
    pub layer: String,
    pub features: u32,
    pub accuracy: Accuracy,
}
