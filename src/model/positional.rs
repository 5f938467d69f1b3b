//! What sources say of how far positions may be off, and what published figures say of kinds of sources that state none.

use std::str::FromStr;

use serde::{Serialize, Serializer};

use crate::units::{LengthUnit, parse_length};

/// Radial error at 95 %, for each metre of standard error along one direction (FGDC-STD-007.3-1998, NSSDA, appendix 3-A).
pub const RADIAL_95: f64 = 2.4477;
/// The same for each metre of radial root mean square error.
pub const RADIAL_95_OF_RMSE: f64 = 1.7308;
/// The same for each metre of radial error at 90 %.
const RADIAL_95_OF_90: f64 = 2.4477 / 2.1460;
const INCH_M: f64 = 0.0254;

/// How a source's positions were found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum PositionKind {
    /// Measured by a surveyor: no published figure holds for all.
    Survey,
    /// A handheld satellite receiver under trees.
    Handheld,
    /// A satellite receiver on a machine under trees.
    Machine,
    /// Drawn from a map or image, at a scale of 1 to this.
    Digitised(f64),
    /// Cells of an image or grid, so many metres wide.
    Cell(f64),
}

/// What a source says of its positions.
#[derive(Clone, Debug, PartialEq)]
pub enum Position {
    /// So far off at most, m, radially, with 95 %.
    Radial95(f64),
    /// Radial root mean square error, m.
    Rmse(f64),
    Kind(PositionKind),
    /// Nobody knows.
    Unknown,
}

impl Position {
    /// Standard error along any one direction, m; None: nobody knows.
    pub fn error_m(&self) -> Option<f64> {
        let radial_95_m = match self {
            Position::Radial95(m) => *m,
            Position::Rmse(m) => RADIAL_95_OF_RMSE * m,
            Position::Kind(PositionKind::Survey) | Position::Unknown => return None,
            // RMSE with 95 % of one fix, by the less choosy of two settings.
            Position::Kind(PositionKind::Handheld) => 9.1,
            // The worse end of receivers on one frequency, in motion.
            Position::Kind(PositionKind::Machine) => RADIAL_95_OF_RMSE * 9.3,
            Position::Kind(PositionKind::Digitised(scale)) => {
                RADIAL_95_OF_90 * map_standard_m(*scale)
            }
            // What lies anywhere in a cell as likely.
            Position::Kind(PositionKind::Cell(side_m)) => return Some(side_m / 12f64.sqrt()),
        };
        Some(radial_95_m / RADIAL_95)
    }

    /// Where the figure is published; empty for one that was stated, or none.
    pub fn published(&self) -> &'static str {
        match self {
            Position::Radial95(_) | Position::Rmse(_) | Position::Unknown => "",
            Position::Kind(kind) => match kind {
                PositionKind::Survey => "",
                PositionKind::Handheld => {
                    "Balancing horizontal accuracy and data collection efficiency with mapping-grade GPS receivers: 9.1 m at 95 % for \
                     one position under second-growth trees (abstract read)"
                }
                PositionKind::Machine => {
                    "Forests 2015, 6(9), 3218-3236: 4.2 to 9.3 m RMSE of receivers on one frequency, driven under trees; the worse is \
                     taken (abstract read)"
                }
                PositionKind::Digitised(_) => {
                    "United States National Map Accuracy Standards, 1947: nine of ten well-defined points within 1/30 inch on the map, \
                     from 1:20,000 on 1/50; brought to 95 % by FGDC-STD-007.3-1998"
                }
                PositionKind::Cell(_) => {
                    "an edge lies anywhere in its cell as likely: side over the square root of 12"
                }
            },
        }
    }
}

/// What nine of ten well-defined points keep to, m on the ground.
fn map_standard_m(scale: f64) -> f64 {
    let inches = if scale < 20_000.0 {
        1.0 / 30.0
    } else {
        1.0 / 50.0
    };
    scale * inches * INCH_M
}

/// Radial error at 95 %, m, of a kind of source that has a published figure, by its name; None: the text names no kind.
///
/// # Errors
/// A kind without a published figure.
pub fn published_m(text: &str) -> Option<Result<f64, String>> {
    let position: Position = text.parse().ok()?;
    let Position::Kind(_) = position else {
        return None;
    };
    let error_m = position
        .error_m()
        .map(|m| (m * RADIAL_95 * 1e3).round() / 1e3);
    Some(error_m.ok_or_else(|| {
        format!("`{text}` has no published figure: say how far it may be off, in metres")
    }))
}

impl std::fmt::Display for Position {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Position::Radial95(m) => write!(f, "{m} m at 95 %"),
            Position::Rmse(m) => write!(f, "{m} m RMSE"),
            Position::Unknown => f.write_str("unknown"),
            Position::Kind(PositionKind::Survey) => f.write_str("survey"),
            Position::Kind(PositionKind::Handheld) => f.write_str("handheld"),
            Position::Kind(PositionKind::Machine) => f.write_str("machine"),
            Position::Kind(PositionKind::Digitised(scale)) => write!(f, "digitised at 1:{scale}"),
            Position::Kind(PositionKind::Cell(m)) => write!(f, "cell of {m} m"),
        }
    }
}

impl Serialize for Position {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl FromStr for Position {
    type Err = String;

    /// `1.5 m`, `0.8 m rmse`, `survey`, `handheld`, `machine`, `digitised 1:20000`, `cell 10 m` or `unknown`.
    fn from_str(text: &str) -> Result<Position, String> {
        let lower = text.trim().to_lowercase();
        let metres = |text: &str| {
            let metres = parse_length(text.trim(), LengthUnit::Metre);
            let metres = metres.map_err(|error| error.to_string())?;
            match (0.0..=200.0).contains(&metres) {
                true => Ok(metres),
                false => Err(format!("{metres} m lies outside of 0 to 200 m")),
            }
        };
        match lower.as_str() {
            "survey" => return Ok(Position::Kind(PositionKind::Survey)),
            "handheld" => return Ok(Position::Kind(PositionKind::Handheld)),
            "machine" => return Ok(Position::Kind(PositionKind::Machine)),
            "unknown" => return Ok(Position::Unknown),
            _ => {}
        }
        if let Some(rest) = lower.strip_prefix("digitised") {
            let rest = rest.trim().trim_start_matches("at").trim();
            let scale = rest
                .strip_prefix("1:")
                .unwrap_or(rest)
                .replace([',', ' '], "");
            return match scale.parse::<f64>() {
                Ok(scale) if (100.0..=1_000_000.0).contains(&scale) => {
                    Ok(Position::Kind(PositionKind::Digitised(scale)))
                }
                _ => Err("a scale is needed, such as digitised 1:20000".to_owned()),
            };
        }
        if let Some(rest) = lower.strip_prefix("cell") {
            let rest = rest.trim().trim_start_matches("of");
            return match metres(rest) {
                Ok(side_m) if side_m > 0.0 => Ok(Position::Kind(PositionKind::Cell(side_m))),
                _ => Err("the side of a cell is needed, such as cell 10 m".to_owned()),
            };
        }
        if let Some(figure) = lower.strip_suffix("rmse") {
            return Ok(Position::Rmse(metres(figure)?));
        }
        let figure = lower
            .strip_suffix("at 95 %")
            .or(lower.strip_suffix("at 95%"));
        metres(figure.unwrap_or(&lower))
            .map(Position::Radial95)
            .map_err(|error| {
                format!(
                    "{error}; needed is a figure at 95 %, such as 1.5 m, one with rmse behind it, or one of survey, handheld, machine, \
                     digitised 1:20000, cell 10 m, unknown"
                )
            })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Guidelines and Specifications for Flood Hazard Mapping Partners (February 2002), table A-1, in feet: map scale, limit at
    /// 90 %, accuracy at 95 %, RMSE.
    #[test]
    fn map_scales_have_the_figures_of_the_table() {
        for (scale, at_90, at_95, rmse) in [
            (6_000.0, 16.7, 19.0, 11.0),
            (12_000.0, 33.3, 38.0, 22.0),
            (24_000.0, 40.0, 45.6, 26.3),
        ] {
            let foot_m = 0.3048;
            assert!((map_standard_m(scale) / foot_m - at_90).abs() < 0.05);
            let position: Position = format!("digitised 1:{scale}").parse().unwrap();
            let error_m = position.error_m().unwrap();
            assert!(
                (error_m * RADIAL_95 / foot_m - at_95).abs() < 0.06,
                "{scale}"
            );
            // Along two directions alike.
            assert!(
                (error_m * 2f64.sqrt() / foot_m - rmse).abs() < 0.06,
                "{scale}"
            );
        }
    }

    #[test]
    fn figures_are_read_as_written_and_nothing_is_made_up() {
        let error_m = |text: &str| text.parse::<Position>().unwrap().error_m();
        let near = |found: Option<f64>, wanted: f64| (found.unwrap() - wanted).abs() < 1e-4;
        assert!(near(error_m("2.4477 m"), 1.0));
        assert!(near(error_m("2.4477 m at 95 %"), 1.0));
        assert!(near(error_m("1.4142 rmse"), 1.0));
        assert!(near(error_m("cell 10 m"), 2.8868));
        assert!(near(error_m("10 ft"), 3.048 / 2.4477));
        assert!(near(
            error_m("digitised at 1:20,000"),
            20_000.0 / 50.0 * 0.0254 / 2.1460
        ));
        assert_eq!(error_m("survey"), None);
        assert_eq!(error_m("unknown"), None);
        for bad in [
            "",
            "good",
            "digitised",
            "cell",
            "-1 m",
            "500 m",
            "digitised 1:5",
        ] {
            assert!(bad.parse::<Position>().is_err(), "{bad}");
        }
        for text in [
            "1.5 m at 95 %",
            "0.8 m rmse",
            "handheld",
            "digitised at 1:5000",
            "cell of 10 m",
        ] {
            let read: Position = text.parse().unwrap();
            assert_eq!(read, read.to_string().parse().unwrap());
        }
    }
}
