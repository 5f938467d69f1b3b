//! What strips, their pieces and sections are called: one name, short enough for a map and a radio.
//!
//! `2-10` is strip 10 of setting 2, `2-10.1` its first piece, `2-10.1/3` the third section of that. `2-P4` is piece 4 of the
//! boundary passes of setting 2, `R1` the first piece of the road clearing, which belongs to no setting, `2-C3` corridor 3 of
//! setting 2.

use std::fmt::{Display, Formatter, Result};
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use super::plan::PieceId;

/// A strip, by its setting and number.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct StripName(pub u32, pub u32);

impl Display for StripName {
    fn fmt(&self, f: &mut Formatter<'_>) -> Result {
        write!(f, "{}-{}", self.0, self.1)
    }
}

/// A corridor, by its setting and number.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct CorridorName(pub u32, pub u32);

impl Display for CorridorName {
    fn fmt(&self, f: &mut Formatter<'_>) -> Result {
        write!(f, "{}-C{}", self.0, self.1)
    }
}

impl Display for PieceId {
    fn fmt(&self, f: &mut Formatter<'_>) -> Result {
        match (self.part, self.strip_no) {
            (0, 0) => write!(f, "R{}", self.piece),
            (part, 0) => write!(f, "{part}-P{}", self.piece),
            (part, strip) => write!(f, "{}.{}", StripName(part, strip), self.piece),
        }
    }
}

/// No name of a piece.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NoName;

impl FromStr for PieceId {
    type Err = NoName;

    fn from_str(text: &str) -> std::result::Result<PieceId, NoName> {
        let number = |text: &str| text.parse::<u32>().ok().filter(|_| !text.starts_with('+'));
        let read = || {
            if let Some(piece) = text.strip_prefix('R') {
                return Some([0, 0, number(piece)?]);
            }
            let (part, rest) = text.split_once('-')?;
            match rest.strip_prefix('P') {
                Some(piece) => Some([number(part)?, 0, number(piece)?]),
                None => {
                    let (strip, piece) = rest.split_once('.')?;
                    Some([number(part)?, number(strip)?, number(piece)?])
                }
            }
        };
        let [part, strip_no, piece] = read().ok_or(NoName)?;
        Ok(PieceId {
            part,
            strip_no,
            piece,
        })
    }
}

/// A section of a piece.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct SectionKey {
    pub part: u32,
    pub strip_no: u32,
    pub piece: u32,
    pub section_no: u32,
}

impl SectionKey {
    pub fn of(piece: PieceId, section_no: u32) -> SectionKey {
        SectionKey {
            part: piece.part,
            strip_no: piece.strip_no,
            piece: piece.piece,
            section_no,
        }
    }

    pub fn piece(&self) -> PieceId {
        PieceId {
            part: self.part,
            strip_no: self.strip_no,
            piece: self.piece,
        }
    }
}

impl Display for SectionKey {
    fn fmt(&self, f: &mut Formatter<'_>) -> Result {
        write!(f, "{}/{}", self.piece(), self.section_no)
    }
}

impl FromStr for SectionKey {
    type Err = NoName;

    fn from_str(text: &str) -> std::result::Result<SectionKey, NoName> {
        let (piece, section_no) = text.trim().split_once('/').ok_or(NoName)?;
        let section_no = section_no.parse().map_err(|_| NoName)?;
        Ok(SectionKey::of(piece.parse()?, section_no))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn piece(part: u32, strip_no: u32, piece: u32) -> PieceId {
        PieceId {
            part,
            strip_no,
            piece,
        }
    }

    #[test]
    fn a_name_says_which_piece_and_is_read_back() {
        for (id, name) in [
            (piece(2, 10, 1), "2-10.1"),
            (piece(2, 0, 4), "2-P4"),
            (piece(0, 0, 1), "R1"),
        ] {
            assert_eq!(id.to_string(), name);
            assert_eq!(name.parse(), Ok(id));
            let section = SectionKey::of(id, 3);
            assert_eq!(section.to_string(), format!("{name}/3"));
            assert_eq!(section.to_string().parse(), Ok(section));
        }
        assert_eq!(StripName(2, 10).to_string(), "2-10");
        assert_eq!(CorridorName(2, 3).to_string(), "2-C3");
    }

    #[test]
    fn what_is_no_name_is_refused() {
        for text in [
            "", "2", "2-10", "2-10.", "-10.1", "2-+1.1", "R", "R-1", "2-P", "2-Q1", "P2 S10.1",
        ] {
            assert_eq!(text.parse::<PieceId>(), Err(NoName), "{text}");
        }
        for text in ["2-10.1", "2-10.1/", "2-10.1/a", "R1"] {
            assert_eq!(text.parse::<SectionKey>(), Err(NoName), "{text}");
        }
    }
}
