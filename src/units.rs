//! Lengths, areas, shares and hours as people write them.

use std::fmt;

/// One international foot in metres (exact by definition, 1959 agreement).
pub const FOOT_M: f64 = 0.3048;
/// One hectare in square metres.
pub const HECTARE_M2: f64 = 10_000.0;

/// The unit of every bare number of length in a project file.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum LengthUnit {
    #[default]
    Metre,
    Foot,
}

impl LengthUnit {
    pub fn metres(self) -> f64 {
        match self {
            LengthUnit::Metre => 1.0,
            LengthUnit::Foot => FOOT_M,
        }
    }
}

#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum UnitError {
    #[error(
        "`{0}` is not a number with a unit of length; write for example \"45 m\" or \"150 ft\""
    )]
    NotALength(String),
    #[error("`{unit}` is not a unit of length; use m, cm, km, ft or in")]
    UnknownUnit { unit: String },
    #[error("a length may not be negative, but this is {0}")]
    Negative(String),
    #[error("`{0}` is not a share; write for example \"12 %\" or 0.12")]
    NotAShare(String),
    #[error("a share lies between 0 and 100 %, but this is {0}")]
    ShareOutOfRange(String),
}

/// Reads a length such as `45 m`, `150ft`, `1 ft` or a bare number in `unit`; returns metres.
///
/// ```
/// use blockwright::units::{LengthUnit, parse_length};
///
/// assert_eq!(parse_length("150 ft", LengthUnit::Metre), Ok(45.72));
/// assert_eq!(parse_length("10", LengthUnit::Foot), Ok(3.048));
/// assert!(parse_length("10 yards", LengthUnit::Metre).is_err());
/// ```
///
/// # Errors
/// When the text is no finite, non-negative number or its unit is none of m, cm, km, ft, in.
pub fn parse_length(text: &str, unit: LengthUnit) -> Result<f64, UnitError> {
    let text = text.trim();
    let split = text
        .find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | '-' | '+')))
        .unwrap_or(text.len());
    let (number, suffix) = text.split_at(split);
    let value: f64 = number
        .parse()
        .map_err(|_| UnitError::NotALength(text.to_owned()))?;
    let factor = match suffix.trim() {
        "" => unit.metres(),
        "m" => 1.0,
        "cm" => 0.01,
        "km" => 1000.0,
        "ft" => FOOT_M,
        "in" => FOOT_M / 12.0,
        other => {
            return Err(UnitError::UnknownUnit {
                unit: other.to_owned(),
            });
        }
    };
    if !value.is_finite() {
        return Err(UnitError::NotALength(text.to_owned()));
    }
    if value < 0.0 {
        return Err(UnitError::Negative(text.to_owned()));
    }
    Ok(value * factor)
}

/// Reads a share: `12 %` or a bare fraction `0.12`; returns a fraction in 0..=1.
///
/// ```
/// use blockwright::units::parse_share;
///
/// assert_eq!(parse_share("12 %"), Ok(0.12));
/// assert!(parse_share("120 %").is_err());
/// ```
///
/// # Errors
/// When the text is no number or lies outside 0..=100 %.
pub fn parse_share(text: &str) -> Result<f64, UnitError> {
    let trimmed = text.trim();
    let (number, divisor) = match trimmed.strip_suffix('%') {
        Some(percent) => (percent.trim(), 100.0),
        None => (trimmed, 1.0),
    };
    let value: f64 = number
        .parse()
        .map_err(|_| UnitError::NotAShare(text.to_owned()))?;
    let share = value / divisor;
    if !(0.0..=1.0).contains(&share) {
        return Err(UnitError::ShareOutOfRange(text.to_owned()));
    }
    Ok(share)
}

/// Unit of a voltage.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum VoltageUnit {
    Kilovolt,
    Volt,
}

impl VoltageUnit {
    pub const NAMES: [&str; 2] = ["kV", "V"];

    pub fn of(name: &str) -> Option<VoltageUnit> {
        match name.trim().to_ascii_lowercase().as_str() {
            "kv" => Some(VoltageUnit::Kilovolt),
            "v" => Some(VoltageUnit::Volt),
            _ => None,
        }
    }

    fn kilovolts(self) -> f64 {
        match self {
            VoltageUnit::Kilovolt => 1.0,
            VoltageUnit::Volt => 1e-3,
        }
    }
}

/// More than any line that was ever built, kV; own judgement.
pub const MOST_KV: f64 = 2_000.0;

/// Reads a voltage such as `138 kV` or `25000 V`; a bare number is in `unit`, if one is stated. Returns kilovolts.
///
/// # Errors
/// When the text is no positive number, has no unit where none is stated, or one that is none of kV and V, or is more than
/// [`MOST_KV`]. Ranges and lists are not understood: which of their figures counts is not for a program to say.
pub fn parse_voltage(text: &str, unit: Option<VoltageUnit>) -> Result<f64, String> {
    let text = text.trim();
    let number = |c: char| c.is_ascii_digit() || c == '.';
    let split = text.find(|c| !number(c)).unwrap_or(text.len());
    let (value, suffix) = text.split_at(split);
    let value: f64 = value
        .parse()
        .map_err(|_| format!("`{text}` is no voltage; write for example \"138 kV\""))?;
    let unit = match suffix.trim() {
        "" => unit.ok_or_else(|| {
            format!(
                "`{text}` has no unit; write \"{text} kV\" or \"{text} V\", or state `voltage_unit`"
            )
        })?,
        other => VoltageUnit::of(other)
            .ok_or_else(|| format!("`{text}` is no voltage; write for example \"138 kV\""))?,
    };
    let kilovolts = value * unit.kilovolts();
    if !(kilovolts > 0.0 && kilovolts <= MOST_KV) {
        return Err(format!("`{text}` is not between 0 and {MOST_KV} kV"));
    }
    Ok(kilovolts)
}

/// Hectares of an area in square metres.
pub fn hectares(area_m2: f64) -> f64 {
    area_m2 / HECTARE_M2
}

/// Shows a share as `12.34 %`.
pub struct Percent(pub f64);

impl fmt::Display for Percent {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.2} %", self.0 * 100.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_read_in_either_unit() {
        // Common practice: the road band is 150 ft, which is 45.72 m; 100 ft is 30.48 m.
        assert!((parse_length("150 ft", LengthUnit::Metre).unwrap() - 45.72).abs() < 1e-12);
        assert!((parse_length("100", LengthUnit::Foot).unwrap() - 30.48).abs() < 1e-12);
        assert_eq!(parse_length("45 m", LengthUnit::Foot).unwrap(), 45.0);
    }

    #[test]
    fn voltages_need_a_unit_and_one_figure() {
        let volt = Some(VoltageUnit::Volt);
        assert_eq!(parse_voltage("138 kV", None), Ok(138.0));
        assert_eq!(parse_voltage("34.5kv", volt), Ok(34.5));
        assert_eq!(parse_voltage("25000 V", None), Ok(25.0));
        assert_eq!(parse_voltage("750", volt), Ok(0.75));
        for wrong in [
            "138",
            "high",
            "69/138 kV",
            "60-138 kV",
            "-25 kV",
            "0 kV",
            "9e9 kV",
            "3000 kV",
            "12 A",
        ] {
            assert!(parse_voltage(wrong, None).is_err(), "{wrong}");
        }
    }

    #[test]
    fn wrong_units_are_refused() {
        assert!(matches!(
            parse_length("3 chains", LengthUnit::Metre),
            Err(UnitError::UnknownUnit { .. })
        ));
        assert!(matches!(
            parse_length("-3 m", LengthUnit::Metre),
            Err(UnitError::Negative(_))
        ));
        assert!(matches!(
            parse_share("120 %"),
            Err(UnitError::ShareOutOfRange(_))
        ));
    }

    #[test]
    fn shares_read_as_percent_or_fraction() {
        assert!((parse_share("12 %").unwrap() - 0.12).abs() < 1e-15);
        assert_eq!(parse_share("0.12").unwrap(), 0.12);
        // Divided, not multiplied by 0.01, so that the fraction is the one nearest to what was written.
        assert_eq!(parse_share("35 %").unwrap(), 0.35);
    }
}
