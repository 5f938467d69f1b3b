//! The crew file: shifts, machines, skidders and what moves cost, read and checked.

use std::path::{Path, PathBuf};

use chrono::{NaiveDate, Weekday};
use chrono_tz::Tz;

use super::crew_file::{BlockTable, CrewFile, FuelTable, MovesTable, ServiceTable};
use super::resolve::Context;
use super::{ProjectError, Reason, all_faults, plain_file};
use crate::daylight::{DEFAULT_MARGIN, Edge, parse_zone};
use crate::model::{MachineKind, StripKind};
use crate::rulebook::spanned::Spanned;
use crate::rulebook::values::Share;
use crate::rulebook::{Place, toml_text};
use crate::schedule::calendar::{Every, Fuel, Rest, Service, Shift};
use crate::schedule::{Moves, Only, Stretch};
use crate::units::LengthUnit;

/// A crew, read and checked. Ids of blocks are looked up by whoever has the layout; their places in the file are kept.
#[derive(Clone, Debug)]
pub struct Crew {
    pub path: PathBuf,
    /// The file as written, for messages about what only the layout can tell.
    pub text: String,
    pub zone: Tz,
    pub light_margin: chrono::Duration,
    pub light: Edge,
    pub days_off: Vec<NaiveDate>,
    pub shifts: Vec<Shift>,
    pub machines: Vec<CrewMachine>,
    pub skidders: Vec<CrewSkidder>,
    pub moves: Moves,
    pub rest: Option<Rest>,
    pub stock: Option<Stock>,
    /// By date.
    pub wood: Vec<WoodWanted>,
    pub haulage: Option<Haulage>,
    pub decks: Vec<CrewDeck>,
    pub stops: Vec<Stop>,
    pub blocks: Vec<CrewBlock>,
}

/// What trucks take from all decks together.
#[derive(Clone, Debug, PartialEq)]
pub struct Haulage {
    /// On a day.
    pub loads: usize,
    pub load_m3: f64,
    /// When they come.
    pub hours: Shift,
    pub source: String,
    /// Where the file says so.
    pub at: std::ops::Range<usize>,
}

/// What a deck holds, m³.
#[derive(Clone, Debug)]
pub struct CrewDeck {
    /// As the layout names it.
    pub outlet: Spanned<String>,
    /// None: all whose wood comes there.
    pub block: Option<Spanned<String>>,
    /// None: what the layout says.
    pub room_m3: Option<f64>,
    pub lies_m3: f64,
}

/// Wood wanted at the roadside by the end of a date, beyond what dates before it ask for.
#[derive(Clone, Debug, PartialEq)]
pub struct WoodWanted {
    pub by: NaiveDate,
    pub m3: f64,
    /// Where the file says so.
    pub at: std::ops::Range<usize>,
}

/// Something came up: nobody works, or one machine does not, or not in one block.
#[derive(Clone, Debug)]
pub struct Stop {
    pub why: String,
    pub span: Stretch,
    /// None: every one.
    pub machine: Option<Spanned<String>>,
    /// None: every one.
    pub block: Option<Spanned<String>>,
}

/// Wood that lies felled and not skidded, m³.
#[derive(Clone, Debug, PartialEq)]
pub struct Stock {
    /// In a block before a skidder goes there.
    pub least_m3: f64,
    /// In all blocks together.
    pub most_m3: Option<f64>,
    /// Where the file says so.
    pub at: std::ops::Range<usize>,
}

/// A shift of a machine: which, and milliseconds for a second of work.
#[derive(Clone, Debug, PartialEq)]
pub struct Turn {
    pub shift: usize,
    pub pace: i64,
    pub operator: Option<String>,
}

#[derive(Clone, Debug)]
pub struct CrewMachine {
    pub name: Spanned<String>,
    pub reach_m: Option<Spanned<f64>>,
    /// Rise over run; None: as the layout's.
    pub max_slope: Option<f64>,
    /// None: nobody says.
    pub runs_on: Option<MachineKind>,
    pub kinds: Vec<StripKind>,
    pub night: bool,
    pub turns: Vec<Turn>,
    pub start: Option<Spanned<String>>,
    pub care: Care,
}

/// How a machine is looked after, by daylight only.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Care {
    pub service: Option<Service>,
    pub fuel: Option<Fuel>,
}

#[derive(Clone, Debug)]
pub struct CrewSkidder {
    pub name: Spanned<String>,
    pub night: bool,
    /// Rise over run; None: what the layout says of its skidder.
    pub max_slope: Option<f64>,
    /// None: nobody says.
    pub runs_on: Option<MachineKind>,
    pub turns: Vec<Turn>,
    pub start: Option<Spanned<String>>,
    pub min_lead_s: i64,
    pub max_lead_s: i64,
    pub care: Care,
}

#[derive(Clone, Debug)]
pub struct CrewBlock {
    pub id: Spanned<String>,
    pub not_before: Option<NaiveDate>,
    pub not_after: Option<NaiveDate>,
    pub priority: i64,
    /// Machines that may work there, of those that the file has.
    pub only: Only,
    /// Work there needs it, m; None: what the layout asks for.
    pub reach_m: Option<f64>,
    /// Work there needs one of these; None: any.
    pub runs_on: Option<Vec<MachineKind>>,
}

impl Crew {
    /// An error that points into the file.
    pub fn error(&self, at: std::ops::Range<usize>, reason: Reason) -> ProjectError {
        ProjectError {
            path: self.path.clone(),
            place: Some(Place::of(&self.text, at)),
            reason: Box::new(reason),
            also: vec![],
        }
    }
}

/// Reads a crew file.
///
/// # Errors
/// When the file can't be read or is not valid. The message names file, line, column and remedy.
pub fn load_crew(path: &Path) -> Result<Crew, ProjectError> {
    let text = plain_file::text(path).map_err(|why| super::unreadable(path, why))?;
    parse_crew(&text, path)
}

/// Reads the text of a crew file; `path` says where it stands, for messages.
///
/// # Errors
/// As [`load_crew`].
pub fn parse_crew(text: &str, path: &Path) -> Result<Crew, ProjectError> {
    all_faults::read_all(text, |round| {
        let read = toml_text::read(&round.text);
        let file: CrewFile = read.map_err(|(fault, span)| ProjectError {
            path: path.to_owned(),
            place: span.map(|span| Place::of(text, span)),
            reason: Box::new(Reason::Toml(fault)),
            also: vec![],
        })?;
        let context = Reader(Context {
            text,
            path,
            unit: LengthUnit::Metre,
            excused: &round.excused,
        });
        context.crew(&file)
    })
}

/// Turns what is written into values, or says where it is wrong.
pub(super) struct Reader<'a>(pub(super) Context<'a>);

const DAYS: [(&str, Weekday); 7] = [
    ("mon", Weekday::Mon),
    ("tue", Weekday::Tue),
    ("wed", Weekday::Wed),
    ("thu", Weekday::Thu),
    ("fri", Weekday::Fri),
    ("sat", Weekday::Sat),
    ("sun", Weekday::Sun),
];
const KINDS: [StripKind; 3] = [
    StripKind::RoadClearing,
    StripKind::BoundaryPass,
    StripKind::Interior,
];
/// Nobody services or fuels a machine more often.
const LEAST_EVERY_S: i64 = 900;
/// Longest lead, service or loading: a year.
pub(super) const MOST_SECONDS: i64 = 366 * 86_400;

impl Reader<'_> {
    fn crew(&self, file: &CrewFile) -> Result<Crew, ProjectError> {
        let zone = &file.crew.time_zone;
        let zone = parse_zone(zone.get_ref()).map_err(|wrong| {
            let reason = Reason::UnknownChoice {
                key: "time_zone".to_owned(),
                value: wrong.given.clone(),
                valid: vec![wrong.nearest.to_owned()],
            };
            self.0.error(zone.span(), reason)
        })?;
        let margin = (file.crew.light_margin.as_ref())
            .map(|margin| self.seconds("light_margin", margin))
            .transpose()?;
        let light = match &file.crew.light {
            None => Edge::Sun,
            Some(written) => match self.choice("light", written, &["sun", "civil_twilight"])? {
                0 => Edge::Sun,
                _ => Edge::Civil,
            },
        };
        let days_off = file.crew.days_off.iter();
        let days_off = days_off
            .map(|date| self.date("days_off", date))
            .collect::<Result<Vec<_>, _>>()?;
        let shifts = self.shifts(file)?;
        let names: Vec<String> = shifts.iter().map(|shift| shift.name.clone()).collect();
        let operators = self.operators(file)?;
        let all = file.machines.iter().map(|machine| &machine.get_ref().name);
        let all = all.chain(file.skidders.iter().map(|skidder| &skidder.get_ref().name));
        self.names("name", all)?;
        if file.machines.is_empty() {
            return Err(ProjectError {
                path: self.0.path.to_owned(),
                place: None,
                reason: Box::new(Reason::Contradiction {
                    message: "the crew has no machine".to_owned(),
                    remedy: "add a table `[[machines]]` with a `name`".to_owned(),
                }),
                also: vec![],
            });
        }
        let mut machines = Vec::new();
        for table in file.machines.iter().map(Spanned::get_ref) {
            let factor = self.factor(&table.time_factor)?;
            let turns = self.turns(
                &table.shifts,
                &names,
                factor,
                table.operators.as_ref(),
                &operators,
                &table.name,
            )?;
            let reach_m = match &table.reach {
                None => None,
                Some(reach) => Some(Spanned::new(reach.span(), self.0.metres("reach", reach)?)),
            };
            let runs_on = self.runs_on(&table.runs_on)?;
            machines.push(CrewMachine {
                name: table.name.clone(),
                reach_m,
                max_slope: self.max_slope(&table.max_slope, runs_on)?,
                runs_on,
                kinds: self.kinds(&table.kinds)?,
                night: table.night.unwrap_or(true),
                turns,
                start: table.start.clone(),
                care: self.care(&table.service, &table.fuel)?,
            });
        }
        Ok(Crew {
            path: self.0.path.to_owned(),
            text: self.0.text.to_owned(),
            zone,
            light_margin: margin.map_or(DEFAULT_MARGIN, chrono::Duration::seconds),
            light,
            days_off,
            machines,
            skidders: self.skidders(file, &names, &operators)?,
            shifts,
            moves: self.moves(&file.moves)?,
            rest: self.rest(file)?,
            stock: self.stock(file)?,
            wood: self.wood(file)?,
            haulage: self.haulage(file)?,
            decks: self.decks(file)?,
            stops: self.stops(file, zone)?,
            blocks: self.blocks(file)?,
        })
    }

    fn rest(&self, file: &CrewFile) -> Result<Option<Rest>, ProjectError> {
        let Some(written) = &file.rest else {
            return Ok(None);
        };
        let table = written.get_ref();
        self.0.not_empty("source", &table.source)?;
        let hours = |key, written: &Option<Spanned<String>>| {
            let Some(written) = written else {
                return Ok(None);
            };
            let seconds = self.seconds(key, written)?;
            match (1..=86_400).contains(&seconds) {
                true => Ok(Some(seconds)),
                false => Err(self.out_of_range(key, written, "1 min", "24 h")),
            }
        };
        let rest = Rest {
            longest_work_s: hours("longest_work", &table.longest_work)?,
            least_rest_s: hours("least_rest", &table.least_rest)?,
            source: table.source.get_ref().clone(),
        };
        if rest.longest_work_s.or(rest.least_rest_s).is_none() {
            let reason = Reason::Contradiction {
                message: "`[rest]` names a source and neither `longest_work` nor `least_rest`"
                    .to_owned(),
                remedy: "write what that source says".to_owned(),
            };
            return Err(self.0.error(written.span(), reason));
        }
        Ok(Some(rest))
    }

    fn stock(&self, file: &CrewFile) -> Result<Option<Stock>, ProjectError> {
        let Some(written) = &file.stock else {
            return Ok(None);
        };
        let table = written.get_ref();
        let volume = |key, written: &Option<Spanned<String>>| {
            let written = written.as_ref();
            written
                .map(|written| self.cubic_metres(key, written))
                .transpose()
        };
        let least_m3 = volume("least", &table.least)?.unwrap_or(0.0);
        let most_m3 = volume("most", &table.most)?;
        if most_m3.is_some_and(|most| most <= least_m3) {
            let reason = Reason::Contradiction {
                message: "`most` of `[stock]` is no more than `least`".to_owned(),
                remedy: "let more wood lie than a skidder waits for".to_owned(),
            };
            let at = table.most.as_ref().map_or(written.span(), Spanned::span);
            return Err(self.0.error(at, reason));
        }
        if file.skidders.is_empty() {
            let reason = Reason::Contradiction {
                message:
                    "`[stock]` tells skidders and felling how to wait, and the crew has no skidder"
                        .to_owned(),
                remedy: "add a table `[[skidders]]`, or take `[stock]` out".to_owned(),
            };
            return Err(self.0.error(written.span(), reason));
        }
        Ok(Some(Stock {
            least_m3,
            most_m3,
            at: written.span(),
        }))
    }

    fn shifts(&self, file: &CrewFile) -> Result<Vec<Shift>, ProjectError> {
        self.names(
            "name",
            file.shifts.iter().map(|shift| &shift.get_ref().name),
        )?;
        let tables = file.shifts.iter().map(Spanned::get_ref);
        tables
            .map(|table| {
                let days = self.days(table.days.as_deref())?;
                Ok(Shift {
                    name: table.name.get_ref().clone(),
                    from: self.clock("from", &table.from)?,
                    to: self.clock("to", &table.to)?,
                    days,
                })
            })
            .collect()
    }

    pub(super) fn days(
        &self,
        written: Option<&[Spanned<String>]>,
    ) -> Result<Vec<Weekday>, ProjectError> {
        let Some(days) = written else {
            return Ok(DAYS.iter().map(|(_, day)| *day).collect());
        };
        let one = |day| Ok(DAYS[self.choice("days", day, &DAYS.map(|(name, _)| name))?].1);
        days.iter().map(one).collect()
    }

    fn operators(&self, file: &CrewFile) -> Result<Vec<(String, f64)>, ProjectError> {
        self.names("name", file.operators.iter().map(|op| &op.get_ref().name))?;
        let tables = file.operators.iter().map(Spanned::get_ref);
        tables
            .map(|table| {
                let factor = self.factor(&table.time_factor)?;
                Ok((table.name.get_ref().clone(), factor))
            })
            .collect()
    }

    fn skidders(
        &self,
        file: &CrewFile,
        shifts: &[String],
        operators: &[(String, f64)],
    ) -> Result<Vec<CrewSkidder>, ProjectError> {
        let tables = file.skidders.iter().map(Spanned::get_ref);
        tables
            .map(|table| {
                let lead = |key, written: &Option<Spanned<String>>, otherwise| {
                    written
                        .as_ref()
                        .map_or(Ok(otherwise), |written| self.seconds(key, written))
                };
                let min_lead_s = lead("min_lead", &table.min_lead, 0)?;
                let max_lead_s = lead("max_lead", &table.max_lead, MOST_SECONDS)?;
                if min_lead_s > max_lead_s {
                    let at = table.min_lead.as_ref().or(table.max_lead.as_ref());
                    let reason = Reason::Contradiction {
                        message: "`min_lead` is more than `max_lead`".to_owned(),
                        remedy: "exchange the two".to_owned(),
                    };
                    return Err(self.0.error(at.map_or(0..0, Spanned::span), reason));
                }
                let factor = self.factor(&table.time_factor)?;
                let runs_on = self.runs_on(&table.runs_on)?;
                Ok(CrewSkidder {
                    name: table.name.clone(),
                    night: table.night.unwrap_or(true),
                    max_slope: self.max_slope(&table.max_slope, runs_on)?,
                    runs_on,
                    turns: self.turns(
                        &table.shifts,
                        shifts,
                        factor,
                        table.operators.as_ref(),
                        operators,
                        &table.name,
                    )?,
                    start: table.start.clone(),
                    min_lead_s,
                    max_lead_s,
                    care: self.care(&table.service, &table.fuel)?,
                })
            })
            .collect()
    }

    /// As written, else the published limit of what it runs on.
    fn max_slope(
        &self,
        written: &Option<Spanned<Share>>,
        runs_on: Option<MachineKind>,
    ) -> Result<Option<f64>, ProjectError> {
        let slope = written.as_ref();
        let slope = slope.map(|slope| self.0.fraction("max_slope", slope));
        Ok((slope.transpose()?).or(runs_on.map(|kind| kind.published().0)))
    }

    fn runs_on(
        &self,
        written: &Option<Spanned<String>>,
    ) -> Result<Option<MachineKind>, ProjectError> {
        let written = written.as_ref();
        written
            .map(|written| self.machine_kind(written))
            .transpose()
    }

    fn machine_kind(&self, written: &Spanned<String>) -> Result<MachineKind, ProjectError> {
        let keys = MachineKind::ALL.map(MachineKind::key);
        Ok(MachineKind::ALL[self.choice("runs_on", written, &keys)?])
    }

    fn turns(
        &self,
        written: &Option<Vec<Spanned<String>>>,
        shifts: &[String],
        factor: f64,
        drivers: Option<&Vec<Spanned<String>>>,
        operators: &[(String, f64)],
        machine: &Spanned<String>,
    ) -> Result<Vec<Turn>, ProjectError> {
        let mine: Vec<usize> = match written {
            None => (0..shifts.len()).collect(),
            Some(names) => names
                .iter()
                .map(|name| self.choice("shifts", name, shifts))
                .collect::<Result<_, _>>()?,
        };
        if let Some(drivers) = drivers
            && drivers.len() != mine.len()
        {
            let at = drivers.last().unwrap_or(machine).span();
            let reason = Reason::Contradiction {
                message: format!(
                    "machine `{}` has {} shift(s) and {} operator(s)",
                    machine.get_ref(),
                    mine.len(),
                    drivers.len()
                ),
                remedy: "name one operator for each of its shifts, in their order".to_owned(),
            };
            return Err(self.0.error(at, reason));
        }
        let names: Vec<&str> = operators.iter().map(|(name, _)| name.as_str()).collect();
        mine.into_iter()
            .enumerate()
            .map(|(at, shift)| {
                let driver = drivers.map(|drivers| &drivers[at]);
                let driver = driver
                    .map(|name| self.choice("operators", name, &names))
                    .transpose()?;
                let both = factor * driver.map_or(1.0, |index| operators[index].1);
                Ok(Turn {
                    shift,
                    pace: (both * 1000.0).round().max(1.0) as i64,
                    operator: driver.map(|index| operators[index].0.clone()),
                })
            })
            .collect()
    }

    fn kinds(
        &self,
        written: &Option<Vec<Spanned<String>>>,
    ) -> Result<Vec<StripKind>, ProjectError> {
        let Some(written) = written else {
            return Ok(KINDS.to_vec());
        };
        let keys = KINDS.map(StripKind::key);
        let one = |kind| Ok(KINDS[self.choice("kinds", kind, &keys)?]);
        written.iter().map(one).collect()
    }

    fn care(
        &self,
        service: &Option<Spanned<ServiceTable>>,
        fuel: &Option<Spanned<FuelTable>>,
    ) -> Result<Care, ProjectError> {
        let service = match service.as_ref().map(Spanned::get_ref) {
            None => None,
            Some(table) => Some(Service {
                seconds: self.takes(&table.takes)?,
                every: self.every(&table.every)?,
            }),
        };
        let fuel = match fuel.as_ref().map(Spanned::get_ref) {
            None => None,
            Some(table) => {
                self.0.not_empty("source", &table.source)?;
                Some(Fuel {
                    seconds: self.takes(&table.takes)?,
                    every: self.every(&table.every)?,
                    source: table.source.get_ref().clone(),
                })
            }
        };
        Ok(Care { service, fuel })
    }

    fn every(&self, written: &Spanned<String>) -> Result<Every, ProjectError> {
        if written.get_ref() == "day" {
            return Ok(Every::Day);
        }
        let seconds = self.seconds("every", written)?;
        if seconds < LEAST_EVERY_S {
            return Err(self.out_of_range("every", written, "15 min", "366 d"));
        }
        Ok(Every::Seconds(seconds))
    }

    fn takes(&self, written: &Spanned<String>) -> Result<i64, ProjectError> {
        let seconds = self.seconds("takes", written)?;
        if seconds > 12 * 3600 || seconds == 0 {
            return Err(self.out_of_range("takes", written, "1 min", "12 h"));
        }
        Ok(seconds)
    }

    fn moves(&self, table: &MovesTable) -> Result<Moves, ProjectError> {
        let within = |key: &str, written: &Option<Spanned<f64>>, otherwise: f64, most: f64| {
            let Some(written) = written else {
                return Ok(otherwise);
            };
            let value = *written.get_ref();
            let least = if key == "detour" { 1.0 } else { 0.1 };
            if (least..=most).contains(&value) {
                return Ok(value);
            }
            let reason = Reason::OutOfRange {
                key: key.to_owned(),
                value: value.to_string(),
                lowest: least.to_string(),
                highest: most.to_string(),
            };
            Err(self.0.error(written.span(), reason))
        };
        Ok(Moves {
            detour: within("detour", &table.detour, 1.4, 20.0)?,
            walk_up_to_m: match &table.walk_up_to {
                None => 3000.0,
                Some(length) => self.0.metres("walk_up_to", length)?,
            },
            walk_m_per_s: within("walk_km_per_h", &table.walk_km_per_h, 2.5, 30.0)? / 3.6,
            haul_m_per_s: within("haul_km_per_h", &table.haul_km_per_h, 40.0, 130.0)? / 3.6,
            haul_fixed_s: match &table.haul_loading {
                None => 5400,
                Some(written) => self.seconds("haul_loading", written)?,
            },
        })
    }

    fn wood(&self, file: &CrewFile) -> Result<Vec<WoodWanted>, ProjectError> {
        let mut found: Vec<WoodWanted> = Vec::new();
        for table in &file.wood {
            let own = WoodWanted {
                by: self.date("by", &table.get_ref().by)?,
                m3: self.cubic_metres("volume", &table.get_ref().volume)?,
                at: table.get_ref().by.span(),
            };
            if found.iter().any(|held| held.by == own.by) {
                let reason = Reason::Contradiction {
                    message: format!("wood is wanted by {} in another table already", own.by),
                    remedy: "write one table for each date".to_owned(),
                };
                return Err(self.0.error(own.at, reason));
            }
            found.push(own);
        }
        found.sort_by_key(|own| own.by);
        Ok(found)
    }

    fn stops(&self, file: &CrewFile, zone: Tz) -> Result<Vec<Stop>, ProjectError> {
        let machines = file.machines.iter().map(|its| &its.get_ref().name);
        let skidders = file.skidders.iter().map(|its| &its.get_ref().name);
        let names: Vec<&str> = (machines.chain(skidders))
            .map(|name| name.get_ref().as_str())
            .collect();
        let tables = file.stops.iter().map(Spanned::get_ref);
        tables
            .map(|table| {
                self.0.not_empty("why", &table.why)?;
                if let Some(machine) = &table.machine {
                    self.choice("machine", machine, &names)?;
                    if let Some(block) = &table.block {
                        let reason = Reason::Contradiction {
                            message: "a stop names a machine and a block".to_owned(),
                            remedy: "name the machine where it stands still everywhere, or the block where nobody works there"
                                .to_owned(),
                        };
                        return Err(self.0.error(block.span(), reason));
                    }
                }
                let from = self.moment("from", &table.from, zone, false)?;
                let to = self.moment("to", &table.to, zone, true)?;
                if from >= to {
                    let reason = Reason::Contradiction {
                        message: "a stop ends before it begins".to_owned(),
                        remedy: "exchange `from` and `to`".to_owned(),
                    };
                    return Err(self.0.error(table.to.span(), reason));
                }
                Ok(Stop {
                    why: table.why.get_ref().clone(),
                    span: Stretch::new(from, to),
                    machine: table.machine.clone(),
                    block: table.block.clone(),
                })
            })
            .collect()
    }

    fn only(&self, file: &CrewFile, table: &BlockTable) -> Result<Only, ProjectError> {
        let machines = file.machines.iter().map(|its| &its.get_ref().name);
        let skidders = file.skidders.iter().map(|its| &its.get_ref().name);
        let names: Vec<&str> = (machines.chain(skidders))
            .map(|name| name.get_ref().as_str())
            .collect();
        let mut only = Only::default();
        for name in table.machines.iter().flatten() {
            let own = match self.choice("machines", name, &names)? < file.machines.len() {
                true => &mut only.machines,
                false => &mut only.skidders,
            };
            own.get_or_insert_default().push(name.get_ref().clone());
        }
        if let Some([]) = table.machines.as_deref() {
            let reason = Reason::Contradiction {
                message: "a block is kept to no machine".to_owned(),
                remedy: "name machines of the crew, or take `machines` out".to_owned(),
            };
            return Err(self.0.error(table.id.span(), reason));
        }
        Ok(only)
    }

    fn needs(&self, table: &BlockTable) -> Result<Option<Vec<MachineKind>>, ProjectError> {
        let Some(kinds) = &table.runs_on else {
            return Ok(None);
        };
        if kinds.is_empty() {
            let reason = Reason::Contradiction {
                message: "a block is for machines that run on nothing".to_owned(),
                remedy: "name what they may run on, or take `runs_on` out".to_owned(),
            };
            return Err(self.0.error(table.id.span(), reason));
        }
        let kinds = kinds.iter().map(|kind| self.machine_kind(kind));
        Ok(Some(kinds.collect::<Result<Vec<_>, _>>()?))
    }

    fn blocks(&self, file: &CrewFile) -> Result<Vec<CrewBlock>, ProjectError> {
        self.names("id", file.blocks.iter().map(|block| &block.get_ref().id))?;
        let tables = file.blocks.iter().map(Spanned::get_ref);
        tables
            .map(|table| {
                let date = |key, written: &Option<Spanned<String>>| {
                    written
                        .as_ref()
                        .map(|date| self.date(key, date))
                        .transpose()
                };
                let block = CrewBlock {
                    id: table.id.clone(),
                    not_before: date("not_before", &table.not_before)?,
                    not_after: date("not_after", &table.not_after)?,
                    only: self.only(file, table)?,
                    reach_m: (table.reach.as_ref())
                        .map(|reach| self.0.metres("reach", reach))
                        .transpose()?,
                    runs_on: self.needs(table)?,
                    priority: table.priority.as_ref().map_or(0, |value| *value.get_ref()),
                };
                if let (Some(first), Some(last)) = (block.not_before, block.not_after)
                    && first > last
                {
                    let reason = Reason::Contradiction {
                        message: "`not_before` is later than `not_after`".to_owned(),
                        remedy: "exchange the two".to_owned(),
                    };
                    return Err(self.0.error(table.id.span(), reason));
                }
                Ok(block)
            })
            .collect()
    }
}
