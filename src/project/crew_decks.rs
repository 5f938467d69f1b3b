//! What the crew file says of decks: how much they hold, and how much is hauled from them.

use chrono::{NaiveTime, Weekday};

use super::crew::{CrewDeck, Haulage, Reader};
use super::crew_file::CrewFile;
use super::{ProjectError, Reason};
use crate::rulebook::spanned::Spanned;
use crate::schedule::calendar::Shift;

/// More trucks a day than any road takes.
const MOST_LOADS: u32 = 1000;

impl Reader<'_> {
    pub(super) fn haulage(&self, file: &CrewFile) -> Result<Option<Haulage>, ProjectError> {
        let wrong = |at, message: &str, remedy: &str| {
            let reason = Reason::Contradiction {
                message: message.to_owned(),
                remedy: remedy.to_owned(),
            };
            Err(self.0.error(at, reason))
        };
        let Some(written) = &file.haulage else {
            let Some(deck) = file.decks.first() else {
                return Ok(None);
            };
            return wrong(
                deck.span(),
                "`[[decks]]` says what decks hold, and nobody says how much is hauled from them",
                "add a table `[haulage]`, with `loads = 0` where nothing is hauled",
            );
        };
        if file.skidders.is_empty() {
            return wrong(
                written.span(),
                "`[haulage]` takes away what skidders bring, and the crew has no skidder",
                "add a table `[[skidders]]`, or take `[haulage]` out",
            );
        }
        let table = written.get_ref();
        self.0.not_empty("source", &table.source)?;
        let loads = *table.loads.get_ref();
        if loads > MOST_LOADS {
            let reason = Reason::OutOfRange {
                key: "loads".to_owned(),
                value: loads.to_string(),
                lowest: "0".to_owned(),
                highest: MOST_LOADS.to_string(),
            };
            return Err(self.0.error(table.loads.span(), reason));
        }
        let clock = |key, written: &Option<Spanned<String>>| {
            let written = written.as_ref();
            written.map_or(Ok(NaiveTime::MIN), |written| self.clock(key, written))
        };
        let days: Vec<Weekday> = self.days(table.days.as_deref())?;
        Ok(Some(Haulage {
            loads: loads as usize,
            load_m3: self.cubic_metres("load", &table.load)?,
            hours: Shift {
                name: String::new(),
                from: clock("from", &table.from)?,
                to: clock("to", &table.to)?,
                days,
            },
            source: table.source.get_ref().clone(),
            at: written.span(),
        }))
    }

    pub(super) fn decks(&self, file: &CrewFile) -> Result<Vec<CrewDeck>, ProjectError> {
        let mut found: Vec<CrewDeck> = Vec::new();
        for table in file.decks.iter().map(Spanned::get_ref) {
            self.0.not_empty("outlet", &table.outlet)?;
            let volume = |key, written: &Option<Spanned<String>>| {
                let written = written.as_ref();
                written
                    .map(|written| self.cubic_metres(key, written))
                    .transpose()
            };
            let deck = CrewDeck {
                outlet: table.outlet.clone(),
                block: table.block.clone(),
                room_m3: volume("room", &table.room)?,
                lies_m3: volume("lies", &table.lies)?.unwrap_or(0.0),
            };
            let name = |own: &Option<Spanned<String>>| own.as_ref().map(|id| id.get_ref().clone());
            let twice = found.iter().any(|own| {
                own.outlet.get_ref() == deck.outlet.get_ref()
                    && name(&own.block) == name(&deck.block)
            });
            if twice {
                let reason = Reason::Contradiction {
                    message: format!("there is a deck at `{}` already", deck.outlet.get_ref()),
                    remedy:
                        "write one table for each deck; `block` tells apart those along one road"
                            .to_owned(),
                };
                return Err(self.0.error(deck.outlet.span(), reason));
            }
            if let (Some(room), Some(lies)) = (deck.room_m3, &table.lies)
                && deck.lies_m3 > room
            {
                let reason = Reason::Contradiction {
                    message: "more lies on the deck than it has room for".to_owned(),
                    remedy: "correct `lies` or `room`".to_owned(),
                };
                return Err(self.0.error(lies.span(), reason));
            }
            found.push(deck);
        }
        Ok(found)
    }
}
