//! What the sheet of a shift says, for pages and for paper alike.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;

use super::Roster;
use super::map::{self, Shown};
use super::rows::{Job, Row, ShiftPlan, clock};
use super::words::{self, Words, named};
use crate::daylight::{DayKind, day};
use crate::model::{SectionKey, ShiftClass, StripKind, ZoneKind};
use crate::outputs::style::Kind;
use crate::outputs::text::fill;
use crate::outputs::told;
use crate::schedule::calendar::date_of;

/// The mark beside a row: what its ground is bound to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Bound {
    Day,
    Night,
    /// Nothing is cut or brought.
    None,
}

pub struct WorkRow {
    pub from: String,
    pub to: String,
    pub bound: Bound,
    pub job: String,
    pub block: String,
    /// First and last section, and how many.
    pub sections: String,
    /// Each with where its wood goes.
    pub settings: Vec<String>,
}

pub struct Content {
    pub title: String,
    pub project: String,
    pub machine: String,
    pub shift: String,
    pub date: String,
    pub hours: String,
    pub operator: Option<String>,
    pub rows: Vec<WorkRow>,
    pub runs_out: Vec<String>,
    /// By block.
    pub mind: Vec<(String, Vec<String>)>,
    /// Block, date, civil dawn, sunrise, sunset, civil dusk, work light.
    pub daylight: Vec<[String; 7]>,
    pub margin: String,
    /// Blocks of the problem in the order of the shift; none for service alone.
    pub blocks: Vec<usize>,
    /// Phone, radio, muster point: what is said of each.
    pub emergency: Vec<(String, Option<String>)>,
}

/// `next` is the machine's next shift in which there is work.
pub fn content(roster: &Roster<'_>, shift: &ShiftPlan, next: Option<&ShiftPlan>) -> Content {
    let words = words::of(roster.layout.language);
    let zone = roster.zone;
    let mut blocks: Vec<usize> = Vec::new();
    for block in shift.rows.iter().filter_map(|row| row.block) {
        if !blocks.contains(&block) {
            blocks.push(block);
        }
    }
    let date = words.date(shift.date);
    let emergency = &roster.layout.paper.emergency;
    let own = words.sheet;
    Content {
        title: fill(words.title, &[&shift.name, &shift.shift, &date]),
        project: roster.layout.project.clone(),
        machine: shift.name.clone(),
        shift: fill(words.shift, &[&shift.shift]),
        hours: fill(
            words.from_to,
            &[
                &clock(zone, shift.span.from),
                &clock(zone, shift.span.to),
                zone.name(),
            ],
        ),
        date,
        operator: shift
            .operator
            .as_ref()
            .map(|operator| fill(words.operator, &[operator])),
        rows: shift
            .rows
            .iter()
            .map(|row| work_row(roster, row, words))
            .collect(),
        runs_out: runs_out(roster, shift, &blocks, next, words),
        mind: blocks
            .iter()
            .map(|&block| {
                let id = roster.problem.blocks[block].id.clone();
                (id, mind(roster, shift, block, words))
            })
            .collect(),
        daylight: daylight(roster, shift, &blocks, words),
        margin: fill(words.margin, &[&roster.margin_min.to_string()]),
        blocks,
        emergency: vec![
            (own.phone.to_owned(), emergency.phone.clone()),
            (own.radio.to_owned(), emergency.radio.clone()),
            (own.muster_point.to_owned(), emergency.muster_point.clone()),
            (own.access.to_owned(), emergency.access.clone()),
        ],
    }
}

/// Whether a row's ground is worked by daylight only.
pub fn bound(roster: &Roster<'_>, row: &Row) -> Bound {
    match (row.job, row.block) {
        (Job::Cut(ShiftClass::DayOnly), _) => Bound::Day,
        (Job::Cut(ShiftClass::NightSafe), Some(block)) => {
            let units = &roster.problem.blocks[block].units;
            let needs_light = |unit: &usize| units[*unit].kind != StripKind::Interior;
            match row.units.iter().any(needs_light) {
                true => Bound::Day,
                false => Bound::Night,
            }
        }
        (Job::Skid, Some(block)) => {
            let by_day = |unit: &usize| {
                let section = roster.sections[block][*unit];
                roster.skidded_by_day[block][section]
            };
            match row.units.iter().any(by_day) {
                true => Bound::Day,
                false => Bound::Night,
            }
        }
        _ => Bound::None,
    }
}

fn work_row(roster: &Roster<'_>, row: &Row, words: &Words) -> WorkRow {
    let zone = roster.zone;
    let sections = match (&row.first, &row.last) {
        (Some(first), Some(last)) if row.units.len() > 1 => {
            let count = row.units.len().to_string();
            fill(
                words.sections,
                &[&first.to_string(), &last.to_string(), &count],
            )
        }
        (Some(first), _) => first.to_string(),
        _ => String::new(),
    };
    let bound = bound(roster, row);
    let job = match (row.job, bound) {
        // Night-safe ground of a pass is cut by day all the same.
        (Job::Cut(_), Bound::Day) => words.job(Job::Cut(ShiftClass::DayOnly)),
        (Job::Skid, Bound::Day) => words.skid_by_day,
        (job, _) => words.job(job),
    };
    WorkRow {
        from: clock(zone, row.span.from),
        to: clock(zone, row.span.to),
        bound,
        job: job.to_owned(),
        block: row.block_id.clone(),
        sections,
        settings: settings(roster, row, words),
    }
}

/// `setting 2, wood to road R-7`, of each setting of a row.
fn settings(roster: &Roster<'_>, row: &Row, words: &Words) -> Vec<String> {
    let outlets = row.block.map(|block| &roster.layout.blocks[block].outlets);
    let name = |setting: u32| match outlets.and_then(|outlets| outlets.get(&setting)) {
        _ if setting == 0 => words.road_clearing.to_owned(),
        Some(outlet) if !outlet.name.is_empty() => {
            let kind = named(&words.outlet_kinds, &outlet.kind);
            let name = outlet.name.replace(';', ", ");
            fill(words.wood_to, &[&setting.to_string(), &kind, &name])
        }
        Some(outlet) if outlet.kind == "access" => {
            fill(words.wood_to_nearest, &[&setting.to_string()])
        }
        _ => setting.to_string(),
    };
    row.settings(roster).into_iter().map(name).collect()
}

fn daylight(
    roster: &Roster<'_>,
    shift: &ShiftPlan,
    blocks: &[usize],
    words: &Words,
) -> Vec<[String; 7]> {
    let zone = roster.zone;
    let mut dates = vec![shift.date];
    let last = date_of(zone, shift.span.to - 1);
    if last != shift.date {
        dates.push(last);
    }
    let mut rows = Vec::new();
    for &block in blocks {
        let ground = &roster.problem.blocks[block];
        for &date in &dates {
            let mut cells = [const { String::new() }; 4];
            if let Ok(sun) = day(roster.layout.blocks[block].place, zone, date) {
                let events = [sun.civil_dawn, sun.sunrise, sun.sunset, sun.civil_dusk];
                for (at, (cell, event)) in cells.iter_mut().zip(events).enumerate() {
                    let kind = if matches!(at, 1 | 2) {
                        sun.kind
                    } else {
                        sun.civil_kind
                    };
                    *cell = match (event, kind) {
                        (Some(event), _) => clock(zone, event.timestamp()),
                        (None, DayKind::PolarDay) => words.light_all_day.to_owned(),
                        (None, DayKind::PolarNight) => words.dark_all_day.to_owned(),
                        (None, _) => "–".to_owned(),
                    };
                }
            }
            let of_day = |at: i64| date_of(zone, at) == date;
            let light: Vec<String> = ground
                .light
                .iter()
                .filter(|light| of_day(light.from) || of_day(light.to - 1))
                .map(|light| format!("{}–{}", clock(zone, light.from), clock(zone, light.to)))
                .collect();
            let light = match light.is_empty() {
                true => words.no_light.to_owned(),
                false => light.join(", "),
            };
            let [dawn, rise, set, dusk] = cells;
            rows.push([
                ground.id.clone(),
                words.date(date),
                dawn,
                rise,
                set,
                dusk,
                light,
            ]);
        }
    }
    rows
}

/// Work by daylight that ends so long before the light goes is not cut short by it, seconds.
const LATE_S: i64 = 3 * 3600;

/// What to do when the light or the time runs out.
fn runs_out(
    roster: &Roster<'_>,
    shift: &ShiftPlan,
    blocks: &[usize],
    next: Option<&ShiftPlan>,
    words: &Words,
) -> Vec<String> {
    let own = words.sheet;
    let zone = roster.zone;
    let skids = shift.machine >= roster.problem.machines.len();
    let mut said = Vec::new();
    let works = |block: usize| {
        let rows = shift.rows.iter();
        rows.filter(move |row| row.block == Some(block) && !row.units.is_empty())
    };
    let mut any_light = false;
    for &block in blocks {
        let ground = &roster.problem.blocks[block];
        let is_lit = (ground.light.iter())
            .any(|light| light.from < shift.span.to && light.to > shift.span.from);
        any_light |= is_lit;
        let Some(first) = works(block).next() else {
            continue;
        };
        let comes = ground
            .light
            .iter()
            .find(|light| light.from > first.span.from && light.from < shift.span.to);
        if let Some(comes) = comes {
            said.push(fill(
                own.light_comes,
                &[&ground.id, &clock(zone, comes.from)],
            ));
        }
        for light in &ground.light {
            let goes = light.to > shift.span.from && light.to < shift.span.to;
            let bound_to_it = works(block).any(|row| {
                bound(roster, row) == Bound::Day
                    && row.span.from < light.to
                    && row.span.to + LATE_S > light.to
            });
            if !goes || !bound_to_it {
                continue;
            }
            let time = clock(zone, light.to);
            let later: Vec<&Row> = works(block)
                .filter(|row| row.span.to > light.to && bound(roster, row) == Bound::Night)
                .collect();
            let others = |row: &&Row| row.span.from >= light.to && row.block.is_some();
            let moved = shift.rows.iter().find(others);
            let go_on = match (later.first(), later.last()) {
                (Some(first), Some(last)) => {
                    let key =
                        |key: &Option<SectionKey>| key.map_or(String::new(), |key| key.to_string());
                    fill(own.go_on, &[&key(&first.first), &key(&last.last)])
                }
                _ => match moved {
                    Some(row) => fill(own.go_to, &[&row.block_id]),
                    None => own.no_more.to_owned(),
                },
            };
            let template = if skids {
                own.skid_light_goes
            } else {
                own.light_goes
            };
            said.push(fill(template, &[&ground.id, &time, &go_on]));
        }
        let prework = works(block).any(|row| {
            let units = &ground.units;
            !skids
                && row
                    .units
                    .iter()
                    .any(|&unit| units[unit].kind != StripKind::Interior)
        });
        if prework {
            said.push(fill(own.prework, &[&ground.id]));
        }
    }
    if !any_light && !blocks.is_empty() {
        said.push(own.all_dark.to_owned());
    }
    said.push(own.sooner.to_owned());
    said.push(fill(own.time_out, &[&clock(zone, shift.span.to)]));
    said.push(match next {
        None => fill(own.no_next, &[&shift.name]),
        Some(next) => {
            let block = next.rows.iter().find(|row| row.block.is_some());
            let place = block.map_or(String::new(), |row| match &row.first {
                Some(first) => fill(own.next_from, &[&row.block_id, &first.to_string()]),
                None => fill(own.next_at, &[&row.block_id]),
            });
            let date = words.date(next.date);
            let from = clock(zone, next.span.from);
            fill(own.next, &[&next.name, &date, &next.shift, &from, &place])
        }
    });
    said.push(own.early.to_owned());
    said
}

fn mind(roster: &Roster<'_>, shift: &ShiftPlan, block: usize, words: &Words) -> Vec<String> {
    let ground = &roster.layout.blocks[block];
    let mut zones: BTreeMap<(&str, &str), usize> = BTreeMap::new();
    for zone in &ground.zones {
        if words.zones.iter().any(|(kind, _)| *kind == zone.kind) {
            // Why it may be wet is all the same to who works there.
            let class = match zone.kind == ZoneKind::MayBeWet.key() {
                true => "",
                false => &zone.class,
            };
            *zones.entry((&zone.kind, class)).or_default() += 1;
        }
    }
    let mine = || shift.rows.iter().filter(|row| row.block == Some(block));
    let sections = || {
        let units = mine().flat_map(|row| &row.units);
        units.map(|&unit| &ground.sections[roster.sections[block][unit]])
    };
    let mut reasons: BTreeSet<&str> = BTreeSet::new();
    for section in sections() {
        reasons.extend(section.reasons.iter().map(String::as_str));
    }
    let mut said: Vec<String> = zones
        .iter()
        .map(|((kind, class), count)| {
            let kind = named(&words.zones, kind);
            match class.is_empty() {
                true => format!("{count} × {kind}"),
                false => format!("{count} × {kind} ({class})"),
            }
        })
        .collect();
    if !reasons.is_empty() {
        let reasons: Vec<String> = reasons.iter().map(|r| words.reason(r)).collect();
        said.push(fill(words.day_only, &[&reasons.join(", ")]));
    }
    let mut closing: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
    for section in sections().filter(|section| !section.open.is_always()) {
        let names = closing.entry(section.open.written()).or_default();
        names.extend(section.windows.iter().map(String::as_str));
    }
    for (written, names) in closing {
        let names: Vec<&str> = names.into_iter().collect();
        let days = written.parse().unwrap_or_default();
        let days = told::days(&days, roster.layout.language);
        said.push(fill(words.window, &[&names.join(", "), &days]));
    }
    let this: BTreeSet<String> = sections().map(|own| own.key().to_string()).collect();
    for own in &ground.people {
        if !own.sections.iter().any(|section| this.contains(section)) {
            continue;
        }
        let known = if own.said { "" } else { words.nobody_says };
        let metres = own
            .length_m
            .filter(|m| *m > 0.0)
            .map_or(String::new(), |m| format!(", {m:.0} m"));
        let within = own
            .distance_m
            .map_or(String::new(), |m| fill(words.within, &[&format!("{m:.0}")]));
        let role = named(&words.roles, &own.role);
        said.push(fill(
            words.close,
            &[
                &own.id,
                &format!("{role}{metres}"),
                &format!("{within}{known}"),
            ],
        ));
    }
    let near: Vec<&str> = (roster.problem.blocks[block].near.iter())
        .map(|&other| roster.problem.blocks[other].id.as_str())
        .collect();
    if !near.is_empty() {
        said.push(fill(words.nobody_in, &[&near.join(", ")]));
    }
    if said.is_empty() {
        said.push(words.nothing_mapped.to_owned());
    }
    said.push(match ground.falling_m {
        Some(metres) => fill(words.sheet.keep_away, &[&format!("{:.0}", metres.ceil())]),
        None => words.sheet.keep_away_unknown.to_owned(),
    });
    said
}

/// `1 2-3.1/1–4`, of each step of a shift in a block.
pub fn order(roster: &Roster<'_>, shift: &ShiftPlan, block: usize) -> Vec<String> {
    let ground = &roster.layout.blocks[block];
    let worked = map::worked(roster, shift, block);
    let steps = map::steps(ground, &worked).into_iter();
    let key = |at: usize| ground.sections[at].key();
    let said = steps.enumerate().map(|(index, step)| {
        let first = key(step[0]).to_string();
        let last = step.last().copied().filter(|last| *last != step[0]);
        let to = last.map_or(String::new(), |last| {
            let (a, b) = (key(step[0]), key(last));
            match a.piece() == b.piece() {
                true => format!("–{}", b.section_no),
                false => format!("–{b}"),
            }
        });
        format!("{} {first}{to}", index + 1)
    });
    said.collect()
}

/// The word for what a map shows.
pub fn legend(shown: Shown, skids: bool, words: &Words) -> &'static str {
    let own = words.sheet;
    match shown {
        Shown::Kind(Kind::DayOnly) if skids => own.key_skid_day,
        Shown::Kind(Kind::NightSafe) if skids => own.key_skid,
        Shown::Kind(Kind::DayOnly) => own.key_day,
        Shown::Kind(Kind::NightSafe) => own.key_night,
        Shown::Kind(Kind::CutBefore) if skids => own.key_skidded,
        Shown::Kind(Kind::CutBefore) => own.key_before,
        Shown::Kind(Kind::RetainedBand) => own.key_stands,
        Shown::Kind(Kind::PowerLine) => own.key_wire,
        Shown::Kind(kind) => kind.word(words.map.language),
        Shown::Other => own.key_other,
        Shown::Steps => own.key_steps,
        Shown::Lines => own.key_lines,
    }
}

/// A date as people say it.
pub fn date_in(words: &Words, date: NaiveDate) -> String {
    use chrono::Datelike;
    let weekday = words.weekdays[date.weekday().num_days_from_monday() as usize];
    let month = words.months[date.month0() as usize];
    format!("{weekday} {} {month} {}", date.day(), date.year())
}
