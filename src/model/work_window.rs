//! Windows: the days on which ground may be worked, since it is frozen, a road bears it, nothing nests, a permit runs.

use std::fmt;
use std::str::FromStr;

use chrono::{Datelike, Days, NaiveDate};
use geo::MultiPolygon;
use serde::{Deserialize, Serialize};

use super::facts::Facts;
use super::plan::PieceId;
use super::words::{self, Word};

/// Longer than the eight years that can lie between two 29ths of February.
const LOOK_DAYS: u64 = 9 * 366;
/// A leap year: whether a day of the year exists is asked of it.
const LEAP_YEAR: i32 = 2000;

/// A day of every year.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct YearDay {
    pub month: u32,
    pub day: u32,
}

impl YearDay {
    fn of(date: NaiveDate) -> YearDay {
        YearDay {
            month: date.month(),
            day: date.day(),
        }
    }
}

/// From one day to another, both included.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum DaySpan {
    /// In every year, over New Year where the second comes first.
    Yearly(YearDay, YearDay),
    /// Once; None: without an end.
    Once(Option<NaiveDate>, Option<NaiveDate>),
}

impl DaySpan {
    pub fn holds(&self, date: NaiveDate) -> bool {
        match *self {
            DaySpan::Yearly(from, to) => {
                let day = YearDay::of(date);
                match from <= to {
                    true => from <= day && day <= to,
                    false => from <= day || day <= to,
                }
            }
            DaySpan::Once(from, to) => {
                from.is_none_or(|from| from <= date) && to.is_none_or(|to| date <= to)
            }
        }
    }
}

impl DaySpan {
    fn spoken(&self) -> String {
        const MONTHS: [&str; 12] = [
            "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
        ];
        let day = |day: &YearDay| {
            let month = MONTHS
                .get(day.month as usize - 1)
                .copied()
                .unwrap_or_default();
            format!("{} {month}", day.day)
        };
        let date = |date: &NaiveDate| format!("{} {}", day(&YearDay::of(*date)), date.year());
        match self {
            DaySpan::Yearly(from, to) if from == to => format!("on {}", day(from)),
            DaySpan::Yearly(from, to) => format!("from {} to {}", day(from), day(to)),
            DaySpan::Once(Some(from), Some(to)) if from == to => format!("on {}", date(from)),
            DaySpan::Once(Some(from), Some(to)) => format!("from {} to {}", date(from), date(to)),
            DaySpan::Once(Some(from), None) => format!("from {} on", date(from)),
            DaySpan::Once(None, Some(to)) => format!("until {}", date(to)),
            DaySpan::Once(None, None) => "on any day".to_owned(),
        }
    }
}

/// Why words are no span of days.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SpanError {
    #[error("`{0}` is no day: write 12-15 for every 15 December, or 2026-12-15")]
    NoDay(String),
    #[error("`{0}` ends before it begins")]
    EndsFirst(String),
    #[error("`{0}` has a year at one end only: give both ends one, or none")]
    HalfDated(String),
    #[error("`{0}` has no end at all")]
    Endless(String),
}

enum Day {
    Open,
    Yearly(YearDay),
    Dated(NaiveDate),
}

/// `12-15`, `--12-15`, `2026-12-15`, `2026/12/15` with or without a time behind it; `..` or nothing for no end.
fn day(written: &str) -> Option<Day> {
    let written = written.trim();
    if written.is_empty() || written == ".." {
        return Some(Day::Open);
    }
    let date = written.split([' ', 'T']).next()?;
    let numbers: Vec<&str> = date.trim_start_matches("--").split(['-', '/']).collect();
    let digits = |text: &&str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    if !numbers.iter().all(digits) {
        return None;
    }
    match numbers[..] {
        [month, day] if month.len() <= 2 && day.len() <= 2 => {
            let (month, day) = (month.parse().ok()?, day.parse().ok()?);
            NaiveDate::from_ymd_opt(LEAP_YEAR, month, day)?;
            Some(Day::Yearly(YearDay { month, day }))
        }
        [year, month, day] if year.len() == 4 => {
            let date = (year.parse().ok()?, month.parse().ok()?, day.parse().ok()?);
            NaiveDate::from_ymd_opt(date.0, date.1, date.2).map(Day::Dated)
        }
        _ => None,
    }
}

impl DaySpan {
    /// A span from its two ends as written; None where neither is.
    ///
    /// # Errors
    /// When an end is no day, or they do not go together.
    pub fn between(from: &str, to: &str) -> Result<Option<DaySpan>, SpanError> {
        let read = |written: &str| day(written).ok_or(SpanError::NoDay(written.trim().to_owned()));
        let both = || format!("{}/{}", from.trim(), to.trim());
        match (read(from)?, read(to)?) {
            (Day::Open, Day::Open) => Ok(None),
            (Day::Yearly(from), Day::Yearly(to)) => Ok(Some(DaySpan::Yearly(from, to))),
            (Day::Dated(from), Day::Dated(to)) if to < from => Err(SpanError::EndsFirst(both())),
            (Day::Dated(from), Day::Dated(to)) => Ok(Some(DaySpan::Once(Some(from), Some(to)))),
            (Day::Dated(from), Day::Open) => Ok(Some(DaySpan::Once(Some(from), None))),
            (Day::Open, Day::Dated(to)) => Ok(Some(DaySpan::Once(None, Some(to)))),
            _ => Err(SpanError::HalfDated(both())),
        }
    }
}

impl FromStr for DaySpan {
    type Err = SpanError;

    /// `12-15/03-10`, `2026-12-15/2027-03-10`, `2027-03-10/..`, or one day.
    fn from_str(written: &str) -> Result<DaySpan, SpanError> {
        let (from, to) = written.split_once('/').unwrap_or((written, written));
        DaySpan::between(from, to)?.ok_or(SpanError::Endless(written.to_owned()))
    }
}

impl fmt::Display for YearDay {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:02}-{:02}", self.month, self.day)
    }
}

impl fmt::Display for DaySpan {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let end = |date: &Option<NaiveDate>| date.map_or("..".to_owned(), |date| date.to_string());
        match self {
            DaySpan::Yearly(from, to) => write!(f, "{from}/{to}"),
            DaySpan::Once(from, to) => write!(f, "{}/{}", end(from), end(to)),
        }
    }
}

/// One condition on the days of work.
#[derive(Clone, Debug, PartialEq, PartialOrd)]
pub enum DayCondition {
    /// Only in these.
    Open(Vec<DaySpan>),
    /// In none of these. The 29th of February is closed with the 28th.
    Closed(Vec<DaySpan>),
    /// Only once so many degree-days of frost were measured: nobody knows when.
    Frost(f64),
    /// Nobody knows.
    Unknown,
}

impl DayCondition {
    fn allows(&self, date: NaiveDate) -> bool {
        match self {
            DayCondition::Open(spans) => spans.iter().any(|span| span.holds(date)),
            DayCondition::Closed(spans) => {
                let leap_day = (date.month(), date.day()) == (2, 29);
                let before = date.pred_opt().filter(|_| leap_day).unwrap_or(date);
                let holds = |span: &DaySpan| span.holds(date) || span.holds(before);
                !spans.iter().any(holds)
            }
            DayCondition::Frost(_) | DayCondition::Unknown => false,
        }
    }

    fn spoken(&self) -> String {
        let spans = |spans: &[DaySpan]| {
            let told: Vec<String> = spans.iter().map(DaySpan::spoken).collect();
            told.join(" and ")
        };
        match self {
            DayCondition::Open(own) => format!("open {}", spans(own)),
            DayCondition::Closed(own) => format!("closed {}", spans(own)),
            DayCondition::Frost(sum) => {
                format!("open once {sum} degree-days of frost are measured")
            }
            DayCondition::Unknown => "nobody knows when it is open".to_owned(),
        }
    }

    /// Whether it is not yet known when it allows work.
    pub fn is_unknown(&self) -> bool {
        matches!(self, DayCondition::Frost(_) | DayCondition::Unknown)
    }
}

/// The days on which some ground is open: all conditions hold.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct OpenDays {
    conditions: Vec<DayCondition>,
    written: String,
}

impl OpenDays {
    pub fn new(conditions: Vec<DayCondition>) -> OpenDays {
        let mut own = OpenDays {
            conditions,
            written: String::new(),
        };
        own.sort();
        own
    }

    /// Open in the first spans, if there are any, and not in the second.
    pub fn of_spans(open: Vec<DaySpan>, closed: Vec<DaySpan>) -> OpenDays {
        let mut conditions = Vec::new();
        if !open.is_empty() {
            conditions.push(DayCondition::Open(open));
        }
        if !closed.is_empty() {
            conditions.push(DayCondition::Closed(closed));
        }
        OpenDays::new(conditions)
    }

    fn sort(&mut self) {
        for condition in &mut self.conditions {
            if let DayCondition::Open(spans) | DayCondition::Closed(spans) = condition {
                spans.sort();
                spans.dedup();
            }
        }
        self.conditions
            .sort_by(|a, b| a.partial_cmp(b).unwrap_or(std::cmp::Ordering::Equal));
        self.conditions.dedup();
        let shown: Vec<String> = self
            .conditions
            .iter()
            .map(DayCondition::to_string)
            .collect();
        self.written = shown.join("; ");
    }

    /// `closed 2027-02-01/2027-02-14; open 11-01/11-20, 12-15/03-10`; nothing where it is always open.
    pub fn written(&self) -> &str {
        &self.written
    }

    /// As [`OpenDays::written`], in plain English: `open from 15 Dec to 10 Mar`.
    pub fn spoken(&self) -> String {
        let told: Vec<String> = self.conditions.iter().map(DayCondition::spoken).collect();
        told.join("; ")
    }

    pub fn conditions(&self) -> &[DayCondition] {
        &self.conditions
    }

    /// Open on every day.
    pub fn is_always(&self) -> bool {
        self.conditions.is_empty()
    }

    pub fn is_open(&self, date: NaiveDate) -> bool {
        self.conditions
            .iter()
            .all(|condition| condition.allows(date))
    }

    /// Whether nobody knows yet when it is open.
    pub fn is_unknown(&self) -> bool {
        self.conditions.iter().any(DayCondition::is_unknown)
    }

    /// Open where both are.
    pub fn and(&mut self, other: &OpenDays) {
        self.conditions.extend_from_slice(&other.conditions);
        self.sort();
    }

    /// The first open day from `date` on; None: there is none.
    pub fn next(&self, date: NaiveDate) -> Option<NaiveDate> {
        let from = |start: NaiveDate| {
            let days = start.iter_days().take(LOOK_DAYS as usize);
            days.into_iter().find(|day| self.is_open(*day))
        };
        // Between its own dates and beyond them every year is like the other.
        let dates = self.dates().into_iter().filter(|own| *own > date);
        std::iter::once(date).chain(dates).find_map(from)
    }

    /// The open days from one date to another, both included, as first and last days.
    pub fn spans(&self, from: NaiveDate, to: NaiveDate) -> Vec<(NaiveDate, NaiveDate)> {
        let mut spans: Vec<(NaiveDate, NaiveDate)> = Vec::new();
        for date in from.iter_days().take_while(|date| *date <= to) {
            if !self.is_open(date) {
                continue;
            }
            match spans.last_mut() {
                Some((_, last)) if last.succ_opt() == Some(date) => *last = date,
                _ => spans.push((date, date)),
            }
        }
        spans
    }

    /// Whether there is no such day, as far as is known.
    pub fn is_never(&self) -> bool {
        let first = self.dates().first().copied();
        let first = first.or(NaiveDate::from_ymd_opt(LEAP_YEAR, 1, 1));
        let before = first.and_then(|date| date.checked_sub_days(Days::new(LOOK_DAYS)));
        before.is_none_or(|date| self.next(date).is_none())
    }

    /// Its dates and the days after them, sorted.
    fn dates(&self) -> Vec<NaiveDate> {
        let spans = self
            .conditions
            .iter()
            .flat_map(|condition| match condition {
                DayCondition::Open(spans) | DayCondition::Closed(spans) => &spans[..],
                DayCondition::Frost(_) | DayCondition::Unknown => &[],
            });
        let ends = spans.flat_map(|span| match span {
            DaySpan::Yearly(..) => [None, None],
            DaySpan::Once(from, to) => [*from, *to],
        });
        let ends = ends.flatten();
        let mut dates: Vec<NaiveDate> = ends
            .flat_map(|date| [Some(date), date.succ_opt()])
            .flatten()
            .collect();
        dates.sort();
        dates.dedup();
        dates
    }
}

impl fmt::Display for DayCondition {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let spans = |spans: &[DaySpan]| {
            let told: Vec<String> = spans.iter().map(DaySpan::to_string).collect();
            told.join(", ")
        };
        match self {
            DayCondition::Open(own) => write!(f, "open {}", spans(own)),
            DayCondition::Closed(own) => write!(f, "closed {}", spans(own)),
            DayCondition::Frost(degree_days) => write!(f, "frost {degree_days}"),
            DayCondition::Unknown => write!(f, "unknown"),
        }
    }
}

impl fmt::Display for OpenDays {
    /// As [`OpenDays::written`].
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.written)
    }
}

impl From<OpenDays> for String {
    fn from(days: OpenDays) -> String {
        days.written
    }
}

impl TryFrom<String> for OpenDays {
    type Error = SpanError;

    fn try_from(written: String) -> Result<OpenDays, SpanError> {
        written.parse()
    }
}

impl FromStr for OpenDays {
    type Err = SpanError;

    /// As [`OpenDays`] is shown.
    fn from_str(written: &str) -> Result<OpenDays, SpanError> {
        let mut conditions = Vec::new();
        for part in written.split(';').map(str::trim).filter(|p| !p.is_empty()) {
            let (what, rest) = part.split_once(' ').unwrap_or((part, ""));
            let spans = || -> Result<Vec<DaySpan>, SpanError> {
                rest.split(',').map(|own| own.trim().parse()).collect()
            };
            conditions.push(match what {
                "open" => DayCondition::Open(spans()?),
                "closed" => DayCondition::Closed(spans()?),
                "unknown" if rest.is_empty() => DayCondition::Unknown,
                "frost" => DayCondition::Frost(
                    rest.parse()
                        .map_err(|_| SpanError::NoDay(rest.to_owned()))?,
                ),
                _ => return Err(SpanError::NoDay(part.to_owned())),
            });
        }
        Ok(OpenDays::new(conditions))
    }
}

/// A window that the project or a rule names.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct WorkWindow {
    pub name: String,
    pub days: OpenDays,
    /// Of features that are no ground of a block: how far around them it holds, m.
    pub within_m: f64,
    /// Where it is written.
    pub source: String,
}

/// The windows that a project names.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct WorkWindows(pub Vec<WorkWindow>);

impl WorkWindows {
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.0.iter().map(|window| window.name.as_str())
    }

    fn get(&self, name: &str) -> Option<&WorkWindow> {
        self.0.iter().find(|window| window.name == name)
    }

    /// The windows of what a feature says, those that nobody defines included.
    pub fn of(&self, words: &WindowWords) -> Vec<WorkWindow> {
        let unknown = |name: &str, source: &str| WorkWindow {
            name: name.to_owned(),
            days: OpenDays::new(vec![DayCondition::Unknown]),
            within_m: 0.0,
            source: source.to_owned(),
        };
        let named = words.names().map(|name| {
            let found = self.get(name).cloned();
            found.unwrap_or_else(|| unknown(name, "a name that nobody defines"))
        });
        let mut all: Vec<WorkWindow> = named.collect();
        match words.own_days() {
            Ok(None) => {}
            Ok(Some(days)) => all.push(WorkWindow {
                name: String::new(),
                days,
                within_m: 0.0,
                source: "open_from and open_until of the feature".to_owned(),
            }),
            Err(_) => all.push(unknown(
                "",
                "open_from and open_until that nobody understands",
            )),
        }
        all
    }
}

/// What a feature says of its windows, as written.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct WindowWords {
    /// Names of windows, parted by `,` or `;`.
    pub names: Option<String>,
    pub open_from: Option<String>,
    pub open_until: Option<String>,
}

impl WindowWords {
    pub fn of(facts: &Facts) -> WindowWords {
        let text = |name: &str| facts.text(name).map(str::to_owned);
        WindowWords {
            names: text(Facts::WINDOW),
            open_from: text(Facts::OPEN_FROM),
            open_until: text(Facts::OPEN_UNTIL),
        }
    }

    pub fn is_empty(&self) -> bool {
        *self == WindowWords::default()
    }

    pub fn names(&self) -> impl Iterator<Item = &str> {
        let names = self.names.iter().flat_map(|names| names.split([',', ';']));
        names.map(str::trim).filter(|name| !name.is_empty())
    }

    /// The days between its own dates; None where it has none.
    ///
    /// # Errors
    /// When they are no days.
    pub fn own_days(&self) -> Result<Option<OpenDays>, SpanError> {
        let written = |text: &Option<String>| text.clone().unwrap_or_default();
        let span = DaySpan::between(&written(&self.open_from), &written(&self.open_until))?;
        Ok(span.map(|span| OpenDays::new(vec![DayCondition::Open(vec![span])])))
    }
}

/// How ground comes under a window.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum UnderWindow {
    /// The block has it.
    Block,
    /// It lies on the feature's ground, or near it.
    Ground,
    /// Its wood goes to the road or landing.
    Outlet,
    /// It is reached over the crossing.
    Crossing,
}

impl UnderWindow {
    pub const ALL: [UnderWindow; 4] = [
        UnderWindow::Block,
        UnderWindow::Ground,
        UnderWindow::Outlet,
        UnderWindow::Crossing,
    ];

    pub fn key(self) -> &'static str {
        match self {
            UnderWindow::Block => "block",
            UnderWindow::Ground => "ground",
            UnderWindow::Outlet => "outlet",
            UnderWindow::Crossing => "crossing",
        }
    }
}

/// A window as it holds in a block, with the sections that come under it.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct WindowNote {
    /// As the project or rule names it; of a feature's own dates, nothing.
    pub name: String,
    pub source_layer: String,
    pub id: String,
    #[serde(deserialize_with = "words::known")]
    pub role: Word,
    pub class: String,
    pub under: UnderWindow,
    pub days: OpenDays,
    pub within_m: f64,
    pub source: String,
    /// Of the block's sections.
    pub sections: Vec<(PieceId, u32)>,
    pub day_hours: Option<f64>,
    pub night_hours: Option<f64>,
    /// Ground that comes under it, m2.
    pub cut_m2: f64,
    pub shape: MultiPolygon,
}

impl WindowNote {
    /// Whether a map shows where it holds: not of what the whole block has.
    pub fn is_drawn(&self) -> bool {
        self.under != UnderWindow::Block
    }

    /// What people call it: its name, or the feature whose dates it has.
    pub fn label(&self) -> String {
        match self.name.is_empty() {
            true => format!("{} {}", self.role, self.id),
            false => self.name.clone(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn date(written: &str) -> NaiveDate {
        written.parse().unwrap()
    }

    fn days(written: &str) -> OpenDays {
        written.parse().unwrap()
    }

    #[test]
    fn a_span_without_years_holds_over_new_year_in_every_year() {
        let frozen = days("open 12-15/03-10");
        for (day, open) in [
            ("2026-12-14", false),
            ("2026-12-15", true),
            ("2027-01-01", true),
            ("2031-03-10", true),
            ("2031-03-11", false),
        ] {
            assert_eq!(frozen.is_open(date(day)), open, "{day}");
        }
        assert_eq!(frozen.next(date("2027-03-11")), Some(date("2027-12-15")));
    }

    #[test]
    fn what_is_closed_at_the_end_of_february_is_closed_in_leap_years_too() {
        let ban = days("closed 02-01/02-28");
        assert!(!ban.is_open(date("2028-02-29")) && ban.is_open(date("2028-03-01")));
        assert!(ban.is_open(date("2027-03-01")) && !ban.is_open(date("2027-02-28")));
        // The day after the 28th of February of a leap year that another span closes is open.
        assert!(!days("closed 02-28").is_open(date("2028-02-29")));
        assert!(days("open 02-01/02-28").is_open(date("2028-02-28")));
        assert!(!days("open 02-01/02-28").is_open(date("2028-02-29")));
    }

    #[test]
    fn all_conditions_hold_at_once() {
        let mut frozen = days("open 12-15/03-10");
        frozen.and(&days("closed 2027-02-01/2027-02-14"));
        assert!(!frozen.is_open(date("2027-02-10")) && frozen.is_open(date("2028-02-10")));
        assert_eq!(frozen.next(date("2027-02-01")), Some(date("2027-02-15")));
        let mut once = days("open 2026-06-01/2026-09-30");
        once.and(&frozen);
        assert!(once.is_never() && once.next(date("2020-01-01")).is_none());
        assert!(!frozen.is_never() && !OpenDays::default().is_never());
        let mut permit = days("open ../2040-07-31");
        permit.and(&days("open 08-01/08-31"));
        assert!(!permit.is_never());
        assert_eq!(permit.next(date("2040-08-01")), None);
        assert!(days("open 02-29").next(date("2097-01-01")) == Some(date("2104-02-29")));
    }

    #[test]
    fn what_nobody_knows_is_never_open() {
        for written in ["frost 150", "unknown"] {
            let own = days(written);
            assert!(own.is_unknown() && own.is_never(), "{written}");
            assert!(!own.is_open(date("2027-01-10")));
        }
    }

    #[test]
    fn days_read_back_as_they_are_shown() {
        for written in [
            "",
            "open 11-01/11-20, 12-15/03-10",
            "open 2026-12-15/2027-03-10; closed ../2027-01-01, 04-15/08-15",
            "open 12-15/03-10; frost 150.5",
            "unknown",
        ] {
            let shown = days(written).to_string();
            assert_eq!(days(&shown), days(written));
            assert_eq!(shown.len(), written.len(), "{shown}");
        }
    }

    #[test]
    fn days_are_spoken_plainly() {
        for (written, spoken) in [
            ("open 12-15/03-10", "open from 15 Dec to 10 Mar"),
            (
                "closed 04-15/08-15, 2027-03-01/..",
                "closed from 15 Apr to 15 Aug and from 1 Mar 2027 on",
            ),
            (
                "open ../2027-09-30; frost 150",
                "open until 30 Sep 2027; open once 150 degree-days of frost are measured",
            ),
            (
                "closed 2027-07-14/2027-07-14, 07-01",
                "closed on 1 Jul and on 14 Jul 2027",
            ),
        ] {
            assert_eq!(days(written).spoken(), spoken);
        }
    }

    #[test]
    fn what_is_no_span_is_told() {
        for (written, error) in [
            (
                "13-01/14-01",
                "`13-01` is no day: write 12-15 for every 15 December, or 2026-12-15",
            ),
            (
                "2027-02-30",
                "`2027-02-30` is no day: write 12-15 for every 15 December, or 2026-12-15",
            ),
            (
                "2027-03-01/2027-02-01",
                "`2027-03-01/2027-02-01` ends before it begins",
            ),
            (
                "2027-03-01/05-01",
                "`2027-03-01/05-01` has a year at one end only: give both ends one, or none",
            ),
            (
                "03-01/..",
                "`03-01/..` has a year at one end only: give both ends one, or none",
            ),
            ("../..", "`../..` has no end at all"),
            (
                "winter",
                "`winter` is no day: write 12-15 for every 15 December, or 2026-12-15",
            ),
        ] {
            let found = written.parse::<DaySpan>().unwrap_err();
            assert_eq!(found.to_string(), error);
        }
        // As fields of dates are read.
        let own = DaySpan::between("2026/12/15", "2027/03/10 00:00:00+00").unwrap();
        assert_eq!(own.unwrap().to_string(), "2026-12-15/2027-03-10");
        assert_eq!(DaySpan::between(" ", "").unwrap(), None);
    }
}
