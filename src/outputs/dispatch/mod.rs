//! What `dispatch` leaves behind: tables, calendar, picture and a sheet for each shift. Whole or not at all.

mod calendar_file;
mod content;
mod decks;
mod french;
mod map;
mod paper;
mod picture;
mod progress;
mod report;
mod rows;
mod season;
mod sheet;
mod stock;
mod table;
mod words;

pub use decks::skidding_waits_s;
pub use season::{Used, used};
pub use stock::most_stock;

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::fs;
use std::path::Path;

use chrono::NaiveDate;
use chrono_tz::Tz;
use gdal::spatial_ref::SpatialRef;

use super::OutputError;
use super::sheets::file::PdfFile;
use super::sheets::georeference::Georeference;
use super::staging::{DISPATCH_FILE, Earlier, Outputs, Staging, is_among};
use super::style::Theme;
use super::text::fill;
use crate::schedule::calendar::{OneShift, Rest};
use crate::schedule::decks::Decks;
use crate::schedule::idle::Idle;
use crate::schedule::outlook::{Outlook, Warning};
use crate::schedule::skidding::{Lying, Skidder, Skidding};
use crate::schedule::stock::Limits;
use crate::schedule::{Nearest, Problem, Second, Solved, Stretch};
use crate::sources::FinishedLayout;

const DISPATCH: Outputs = Outputs {
    marker: DISPATCH_FILE,
    sheets: "sheets",
    endings: &["html", "pdf"],
};

const SHIFTS: &str = "shifts.csv";
pub const CALENDAR: &str = "shifts.ics";
const PICTURE: &str = "shifts.svg";
const SEASON: &str = "season.html";
const SET_ASIDE: &str = "set_aside.csv";
const STOCK: &str = "stock.csv";
const DECKS: &str = "decks.csv";
const CHANGES: &str = "changes.csv";
/// The papers of all shifts.
const ALL: &str = "all";
pub const CALENDAR_TAKEN_BACK: &str = "shifts-cancelled.ics";

/// What dispatch may put into its folder.
pub(super) const OWN: [&str; 11] = [
    SHIFTS,
    CALENDAR,
    PICTURE,
    SEASON,
    SET_ASIDE,
    STOCK,
    DECKS,
    CHANGES,
    CALENDAR_TAKEN_BACK,
    DISPATCH.marker,
    DISPATCH.sheets,
];

/// Whether outputs into `dir` would replace the file at `path`.
pub fn would_replace(dir: &Path, path: &Path) -> bool {
    is_among(&OWN, dir, path)
}

/// A plan with everything that its outputs tell.
pub struct Roster<'a> {
    pub layout: &'a FinishedLayout,
    pub zone: Tz,
    pub from: NaiveDate,
    pub days: u32,
    /// Taken off the light at both ends, minutes.
    pub margin_min: i64,
    pub shift_names: Vec<String>,
    pub problem: &'a Problem,
    /// For each block and unit of the problem: which section of the layout it is.
    pub sections: &'a [Vec<usize>],
    /// Hours left of each section of the layout, by block; None where nobody knows them.
    pub left: &'a [Vec<Option<f64>>],
    /// Whether the wood of each section of the layout is brought by daylight only, by block.
    pub skidded_by_day: &'a [Vec<bool>],
    pub solved: &'a Solved,
    /// Shifts of the felling machines, then of the skidders.
    pub shifts: &'a [Vec<OneShift>],
    /// Likewise, who drives.
    pub operators: &'a [Vec<Option<String>>],
    pub skidders: &'a [Skidder],
    pub skidding: &'a Skidding,
    /// Where skidding came nearest to felling; None: never at once.
    pub nearest: Option<Nearest>,
    /// Where it is written how far it keeps off.
    pub apart_source: &'static str,
    pub outlook: &'a Outlook,
    /// Why machines stand still within their shifts.
    pub idle: &'a [Idle],
    /// Rules that are not kept, and what would help.
    pub breaches: &'a [Warning],
    pub set_aside: &'a [SetAside],
    /// Hours that were done before, and sections finished.
    pub done: DoneBefore,
    /// How long people may work, as the crew file says; None: it says nothing of that.
    pub rest: Option<&'a Rest>,
    pub people: &'a [Person],
    pub stock: &'a StockPlan,
    /// Where wood is decked and hauled from; None: the crew file says nothing of that.
    pub haulage: Option<&'a HaulagePlan>,
    /// Wood wanted by dates, and what comes of it.
    pub wood: &'a [WoodDue],
    /// What it changes of the plan before; None: it keeps to none.
    pub moved: Option<&'a Moved>,
    /// Its calendar; None: it keeps to none.
    pub calendar_before: Option<CalendarBefore<'a>>,
}

/// The calendar of the plan before.
#[derive(Clone, Copy, Debug)]
pub struct CalendarBefore<'a> {
    /// Of its shifts, and of those that it took back.
    pub events: &'a str,
    pub taken_back: &'a str,
    /// Events that are over by then are not taken back.
    pub over: Option<Second>,
}

/// A shift that is not as it was in the plan before.
#[derive(Clone, Debug, PartialEq)]
pub struct Change {
    pub date: NaiveDate,
    pub shift: String,
    pub machine: String,
    /// Ids of blocks in the order of work.
    pub before: Vec<String>,
    pub after: Vec<String>,
    pub why: String,
}

/// What a plan makes of the one before.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Moved {
    /// Shifts with work in one of the two.
    pub compared: usize,
    /// Those with the same blocks in the same order.
    pub kept: usize,
    pub changes: Vec<Change>,
}

/// Wood that is wanted at the roadside by a date; litres from the beginning of the plan.
#[derive(Clone, Debug, PartialEq)]
pub struct WoodDue {
    pub by: NaiveDate,
    /// The first second after it.
    pub end: Second,
    /// Beyond what came before.
    pub wanted: i64,
    pub brought: i64,
    /// Of sections that are felled whole by then.
    pub felled: i64,
    /// Brought before the plan, for these dates.
    pub before: i64,
    /// Whether skidders of the crew bring it; else what is felled counts.
    pub skidded: bool,
}

impl WoodDue {
    /// What is wanted and what is there, in words.
    pub fn words(&self, date: &str) -> String {
        let m3 = |litres: i64| litres as f64 / 1000.0;
        let before = match self.before {
            0 => String::new(),
            before => format!(" beyond {:.1} m³ that came before", m3(before)),
        };
        let (there, whose) = match self.skidded {
            true => ("at the roadside", ""),
            false => ("felled", " (the crew has no skidder)"),
        };
        format!(
            "wood by {date}: {:.1} m³ wanted{before}, {:.1} m³ are {there}{whose}",
            m3(self.wanted),
            m3(self.brought)
        )
    }
}

/// How long somebody is on shift.
#[derive(Clone, Debug, PartialEq)]
pub struct Person {
    pub name: String,
    pub shifts: usize,
    /// The most within 24 hours.
    pub longest_in_a_day_s: i64,
    /// Between two shifts; None: there are not two apart.
    pub least_rest_s: Option<i64>,
}

/// Wood between felling and skidding.
#[derive(Clone, Debug, Default)]
pub struct StockPlan {
    /// By block and unit, 0 where no skidder brings it; None: nobody knows the volume of them all.
    pub litres: Option<Vec<Vec<i64>>>,
    pub limits: Limits,
    /// When felling stands still for skidders.
    pub waits: Vec<Stretch>,
    /// What was felled before the period.
    pub lying: Vec<Lying>,
}

/// A place where wood is decked.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct DeckName {
    /// Id of the landing or road; empty: wherever the wood of the block goes.
    pub outlet: String,
    /// None: all whose wood comes there.
    pub block: Option<String>,
}

impl DeckName {
    pub fn words(&self) -> String {
        match (&*self.outlet, &self.block) {
            (outlet, None) => outlet.to_owned(),
            ("", Some(block)) => block.clone(),
            (outlet, Some(block)) => format!("{outlet} ({block})"),
        }
    }
}

/// Decks, and what trucks take from them.
#[derive(Clone, Debug)]
pub struct HaulagePlan {
    /// Of each deck.
    pub names: Vec<DeckName>,
    pub decks: Decks,
    /// When trucks drive.
    pub hauls: Vec<Stretch>,
    /// Loads in each of these.
    pub loads: usize,
    pub source: String,
}

/// A block that is not planned, or of which some is not.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct SetAside {
    pub block_id: String,
    /// `unreadable-layout`, `no-hours`, or `closed` where only what its windows leave no day for is not planned.
    pub code: &'static str,
    pub why: String,
}

#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct DoneBefore {
    pub sections: usize,
    pub hours: f64,
    /// Sections of which some is done, and the hours that are left of them.
    pub begun: (usize, f64),
    /// Rows of finished sections that are of none of this layout.
    pub rows_elsewhere: usize,
}

impl DoneBefore {
    pub fn add(&mut self, more: &DoneBefore) {
        self.sections += more.sections;
        self.hours += more.hours;
        self.rows_elsewhere += more.rows_elsewhere;
    }
}

impl Roster<'_> {
    /// Name of a felling machine or, after these, of a skidder.
    pub fn machine(&self, index: usize) -> &str {
        let machines = &self.problem.machines;
        match machines.get(index) {
            Some(machine) => &machine.name,
            None => self
                .skidders
                .get(index - machines.len())
                .map_or("", |skidder| &skidder.name),
        }
    }
}

/// Writes everything into `dir`, which is new, empty, or holds an earlier run of dispatch. Returns the number of sheets.
///
/// # Errors
/// `dir` is a file, holds somebody else's files (a layout counts as that), or cannot be written to.
pub fn write(roster: &Roster<'_>, dir: &Path) -> Result<usize, OutputError> {
    let staging = Staging::create(dir, DISPATCH, Earlier::Forget)?;
    let shifts = rows::shifts(roster);
    let put = |name: &str, text: &str| {
        let path = staging.path(name);
        fs::write(&path, text).map_err(OutputError::file(&path, "write the file"))
    };
    table::write(roster, &shifts, &staging.path(SHIFTS))?;
    table::write_set_aside(roster.set_aside, &staging.path(SET_ASIDE))?;
    if let Some(moved) = roster.moved {
        table::write_changes(moved, &staging.path(CHANGES))?;
    }
    stock::write(roster, &staging.path(STOCK))?;
    if let Some(haulage) = roster.haulage {
        decks::write(roster, haulage, &staging.path(DECKS))?;
    }
    let (calendar, taken_back) = calendar_file::calendars(roster, &shifts);
    put(CALENDAR, &calendar)?;
    if let Some(taken_back) = taken_back {
        put(CALENDAR_TAKEN_BACK, &taken_back)?;
    }
    let picture = picture::picture(roster, &shifts);
    put(PICTURE, &picture)?;
    put(SEASON, &season::page(roster, &picture))?;
    write_sheets(roster, &shifts, &staging)?;
    staging.commit(&report::report(roster, &shifts))?;
    Ok(shifts.len())
}

/// A page and a paper for each shift, all papers of a machine in one file, on light ground and on dark, and all of all.
fn write_sheets(
    roster: &Roster<'_>,
    shifts: &[rows::ShiftPlan],
    staging: &Staging,
) -> Result<(), OutputError> {
    if shifts.is_empty() {
        // A document without a page is none.
        return Ok(());
    }
    let words = words::of(roster.layout.language);
    let srs =
        SpatialRef::from_wkt(&roster.layout.crs).map_err(|source| OutputError::Crs { source })?;
    let georeference = Georeference::new(&srs)?;
    let path =
        |stem: &str, ending: &str| staging.path(&format!("{}/{stem}.{ending}", DISPATCH.sheets));
    let create = |stem: &str, title: &str| {
        PdfFile::create(&path(stem, "pdf"), title, &georeference)
            .map(|file| file.in_language(words.lang))
    };
    let all_title = fill(words.sheet.all_sheets, &[&roster.layout.project]);
    let mut all = create(ALL, &all_title)?;
    let mut machines: BTreeMap<usize, [PdfFile; 2]> = BTreeMap::new();
    let progress = progress::Progress::of(roster);
    for (index, shift) in shifts.iter().enumerate() {
        let mut later = shifts[index + 1..].iter();
        let next = later.find(|other| other.machine == shift.machine && !other.is_service_alone());
        let content = content::content(roster, shift, next);
        let page = sheet::sheet(roster, &progress, shift, &content);
        let file = path(&shift.stem, "html");
        fs::write(&file, page).map_err(OutputError::file(&file, "write the file"))?;
        let files = match machines.entry(shift.machine) {
            Entry::Occupied(own) => own.into_mut(),
            Entry::Vacant(slot) => {
                let title = fill(
                    words.sheet.sheets_of,
                    &[&roster.layout.project, &shift.name],
                );
                let [light, dark] = &shift.machine_stems;
                slot.insert([create(light, &title)?, create(dark, &title)?])
            }
        };
        let mut one = create(&shift.stem, &content.title)?;
        for (theme, at) in [(Theme::Light, 0), (Theme::Dark, 1)] {
            let pages = paper::draw(roster, &progress, shift, &content, theme);
            for (number, page) in pages.iter().enumerate() {
                let name = (number == 0).then_some(content.title.as_str());
                if at == 0 {
                    one.named_page(page, name, &georeference)?;
                    all.named_page(page, name, &georeference)?;
                }
                files[at].named_page(page, name, &georeference)?;
            }
        }
        one.close()?;
    }
    for file in machines.into_values().flatten() {
        file.close()?;
    }
    all.close()
}
