//! Values as people write them in TOML: numbers with or without a unit, kept as written until the unit is known.

use std::fmt;

use serde::de::{Deserialize, Deserializer, Error, Visitor};

use crate::units::{HECTARE_M2, LengthUnit, UnitError, parse_length, parse_share};

/// A bare number or a text with a unit.
#[derive(Clone, Debug, PartialEq)]
pub enum Written {
    Number(f64),
    Text(String),
}

struct WrittenVisitor(&'static str);

impl Visitor<'_> for WrittenVisitor {
    type Value = Written;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.0)
    }
    fn visit_str<E: Error>(self, text: &str) -> Result<Written, E> {
        Ok(Written::Text(text.to_owned()))
    }
    fn visit_f64<E: Error>(self, number: f64) -> Result<Written, E> {
        Ok(Written::Number(number))
    }
    fn visit_i64<E: Error>(self, number: i64) -> Result<Written, E> {
        Ok(Written::Number(number as f64))
    }
    fn visit_u64<E: Error>(self, number: u64) -> Result<Written, E> {
        Ok(Written::Number(number as f64))
    }
}

macro_rules! written {
    ($(#[$doc:meta])* $name:ident, $expecting:literal) => {
        $(#[$doc])*
        #[derive(Clone, Debug, PartialEq)]
        pub struct $name(pub Written);

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<$name, D::Error> {
                deserializer.deserialize_any(WrittenVisitor($expecting)).map($name)
            }
        }
    };
}

written!(
    /// A length: `"45 m"`, `"150 ft"` or a bare number.
    Length,
    "a length such as \"45 m\", \"150 ft\" or a bare number"
);
written!(
    /// An area: `"25 m2"`, `"0.1 ha"` or a bare number of square metres.
    Area,
    "an area such as \"25 m2\", \"0.1 ha\" or a bare number of square metres"
);
written!(
    /// A share or slope: `"12 %"` or a fraction.
    Share,
    "a share such as \"12 %\" or 0.12"
);
written!(
    /// A choice by name, or a number of degrees.
    Direction,
    "\"auto\", \"square_to_road\", \"long_side\" or a number of degrees"
);
written!(
    /// Where something comes from: a point of the compass, or a number of degrees.
    Compass,
    "a point of the compass such as \"SW\", or a number of degrees"
);
/// The value of an attribute that is the same for every feature: a text, a number, or yes and no.
#[derive(Clone, Debug, PartialEq)]
pub struct Constant(pub Written);

impl<'de> Deserialize<'de> for Constant {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Constant, D::Error> {
        struct ConstantVisitor;

        impl Visitor<'_> for ConstantVisitor {
            type Value = Constant;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a text, a number, true or false")
            }
            fn visit_bool<E: Error>(self, flag: bool) -> Result<Constant, E> {
                Ok(Constant(Written::Text(flag.to_string())))
            }
            fn visit_str<E: Error>(self, text: &str) -> Result<Constant, E> {
                Ok(Constant(Written::Text(text.to_owned())))
            }
            fn visit_f64<E: Error>(self, number: f64) -> Result<Constant, E> {
                Ok(Constant(Written::Number(number)))
            }
            fn visit_i64<E: Error>(self, number: i64) -> Result<Constant, E> {
                Ok(Constant(Written::Number(number as f64)))
            }
        }
        deserializer.deserialize_any(ConstantVisitor)
    }
}

/// Clockwise from north.
pub const COMPASS: [&str; 16] = [
    "N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW",
    "NNW",
];

impl Compass {
    /// Degrees clockwise from north; None where it is no point of the compass, or beyond 0 to 360.
    pub fn degrees(&self) -> Option<f64> {
        match &self.0 {
            Written::Number(degrees) => Some(*degrees).filter(|d| (0.0..=360.0).contains(d)),
            Written::Text(text) => {
                let point = COMPASS.iter().position(|point| *point == text.trim())?;
                Some(point as f64 * 22.5)
            }
        }
    }
}

impl Length {
    /// In metres.
    pub fn metres(&self, unit: LengthUnit) -> Result<f64, UnitError> {
        match &self.0 {
            Written::Text(text) => parse_length(text, unit),
            Written::Number(number) if !number.is_finite() => {
                Err(UnitError::NotALength(number.to_string()))
            }
            Written::Number(number) if *number < 0.0 => {
                Err(UnitError::Negative(number.to_string()))
            }
            Written::Number(number) => Ok(number * unit.metres()),
        }
    }
}

impl Share {
    /// As a fraction in 0..=1.
    pub fn fraction(&self) -> Result<f64, UnitError> {
        match &self.0 {
            Written::Text(text) => parse_share(text),
            Written::Number(number) => parse_share(&number.to_string()),
        }
    }
}

impl Area {
    /// In square metres; None when it is no finite, non-negative number of m2 or ha.
    pub fn square_metres(&self) -> Option<f64> {
        let value = match &self.0 {
            Written::Number(number) => *number,
            Written::Text(text) => {
                let text = text.trim();
                let (number, factor) = if let Some(number) = text.strip_suffix("m2") {
                    (number, 1.0)
                } else if let Some(number) = text.strip_suffix("ha") {
                    (number, HECTARE_M2)
                } else {
                    (text, 1.0)
                };
                number.trim().parse::<f64>().ok()? * factor
            }
        };
        (value.is_finite() && value >= 0.0).then_some(value)
    }
}

impl fmt::Display for Written {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Written::Number(number) => write!(f, "{number}"),
            Written::Text(text) => f.write_str(text),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bare_numbers_take_the_projects_unit() {
        let bare = Length(Written::Number(150.0));
        assert!((bare.metres(LengthUnit::Foot).unwrap() - 45.72).abs() < 1e-12);
        assert_eq!(bare.metres(LengthUnit::Metre).unwrap(), 150.0);
        for bad in [f64::NAN, f64::INFINITY, -1.0] {
            assert!(
                Length(Written::Number(bad))
                    .metres(LengthUnit::Metre)
                    .is_err()
            );
        }
    }

    #[test]
    fn areas_read_in_square_metres_or_hectares() {
        let area = |text: &str| Area(Written::Text(text.to_owned())).square_metres();
        assert_eq!(area("25 m2"), Some(25.0));
        assert_eq!(area("0.01 ha"), Some(100.0));
        assert_eq!(area("25"), Some(25.0));
        assert_eq!(area("25 acres"), None);
        assert_eq!(area("-25 m2"), None);
        assert_eq!(area("nan m2"), None);
    }
}
