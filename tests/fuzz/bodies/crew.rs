//! A crew file and, after a line of `====`, a table of sections that are done: both read, the crew's shifts laid on the
//! calendar of three dates, and now and then planned.

use std::path::Path;

use blockwright::batch::read_done;
use blockwright::daylight::{Place, spans};
use blockwright::model::{SectionKey, ShiftClass, StripKind};
use blockwright::project::{Crew, Turn, parse_crew};
use blockwright::schedule::calendar::{self, OneShift};
use blockwright::schedule::time::{intersect, subtract, total, whole_seconds};
use blockwright::schedule::{Block, HOUR, Machine, Problem, Stretch, Unit, Upkeep, check, solve};
use blockwright::sources::{FinishedBlock, FinishedLayout, FinishedSection};
use chrono::{NaiveDate, NaiveTime};
use geo::MultiPolygon;

use super::scratch;

/// Dates of a change of clocks in many zones, at the year's end, and in a leap year.
const PERIODS: [(i32, u32, u32); 3] = [(2026, 3, 28), (2026, 12, 30), (2028, 2, 27)];
const DAYS: u32 = 4;
const PLACE: Place = Place {
    latitude_deg: 54.0,
    longitude_deg: -101.0,
};
/// A plan takes a thousand times as long as all the rest.
const PLAN_ONE_OF: usize = 64;

pub fn run(data: &[u8]) {
    let (crew, done) = parts(data);
    table(done);
    let Ok(text) = std::str::from_utf8(crew) else {
        return;
    };
    match parse_crew(text, Path::new("crew.toml")) {
        Ok(crew) => {
            for (number, (year, month, day)) in PERIODS.into_iter().enumerate() {
                let from = NaiveDate::from_ymd_opt(year, month, day).expect("a date");
                let plan = number == 0 && data.len().is_multiple_of(PLAN_ONE_OF);
                calendar_of(&crew, from, plan);
            }
        }
        Err(error) => {
            let message = error.to_string();
            assert!(message.contains("crew.toml"), "{message}");
            if let Some(place) = &error.place {
                let lines = text.split('\n').count();
                assert!((1..=lines).contains(&place.line), "{message}");
            }
        }
    }
}

/// What stands before and after the first line of `====`.
fn parts(data: &[u8]) -> (&[u8], &[u8]) {
    const MARK: &[u8] = b"\n====\n";
    let found = data.windows(MARK.len()).position(|window| window == MARK);
    found.map_or((data, &[]), |at| (&data[..at], &data[at + MARK.len()..]))
}

fn table(done: &[u8]) {
    let layout = FinishedLayout {
        blocks: vec![finished("A-1"), finished("=B 2")],
        ..FinishedLayout::default()
    };
    let path = scratch::file("done.csv", done);
    match read_done(&path, &layout) {
        Ok(rows) => {
            for row in rows {
                assert!(row.section < layout.blocks[row.block].sections.len());
                assert!(
                    row.hours
                        .is_none_or(|hours| hours.is_finite() && hours >= 0.0)
                );
            }
        }
        Err(error) => {
            let lines = done.split(|byte| *byte == b'\n').count() as u64;
            let lines = lines + done.iter().filter(|byte| **byte == b'\r').count() as u64;
            assert!(
                error.line.is_none_or(|line| (1..=lines).contains(&line)),
                "{error}"
            );
            assert!(error.to_string().contains("done.csv"));
        }
    }
}

fn finished(id: &str) -> FinishedBlock {
    let section = |section_no| FinishedSection {
        part: 1,
        strip_no: 1,
        piece: 1,
        section_no,
        kind: StripKind::Interior,
        order: 1,
        is_outbound: false,
        class: ShiftClass::NightSafe,
        reasons: vec![],
        hours: Some(1.5),
        skid_hours: None,
        volume_m3: Some(10.0),
        cross_slope: None,
        open: Default::default(),
        windows: vec![],
        shape: MultiPolygon(vec![]),
    };
    FinishedBlock {
        falling_m: None,
        people: vec![],
        cut_before: false,
        frame: Default::default(),
        id: id.to_owned(),
        status: "ok".to_owned(),
        shape: MultiPolygon(vec![]),
        centre: [0.0, 0.0],
        place: PLACE,
        slopes_known: false,
        zones: vec![],
        outlets: Default::default(),
        capacities: Default::default(),
        sections: (1..=3).map(section).collect(),
        map: Default::default(),
    }
}

fn shifts_of(crew: &Crew, from: NaiveDate, turns: &[Turn]) -> Vec<OneShift> {
    let mine: Vec<(usize, i64)> = turns.iter().map(|turn| (turn.shift, turn.pace)).collect();
    calendar::shifts(crew.zone, from, DAYS, &crew.shifts, &mine, &crew.days_off)
}

fn calendar_of(crew: &Crew, from: NaiveDate, plan: bool) {
    let light = spans(
        PLACE,
        crew.zone,
        from,
        DAYS + 1,
        crew.light_margin,
        crew.light,
    );
    let light = whole_seconds(&light.expect("the place and the dates are sound"));
    sorted(&light);
    let mut machines = Vec::new();
    for machine in &crew.machines {
        let shifts = shifts_of(crew, from, &machine.turns);
        if calendar::overlap(&shifts).is_some() {
            return;
        }
        let hours = calendar::hours(crew.zone, &shifts, machine.care.service, &light);
        let windows: Vec<Stretch> = hours.windows.iter().map(|window| window.span).collect();
        sorted(&windows);
        sorted(&hours.service);
        for window in &windows {
            let inside = |one: &OneShift| one.span.from <= window.from && window.to <= one.span.to;
            assert!(shifts.iter().any(inside), "{window:?} lies in no shift");
            let apart = |service: &Stretch| service.to <= window.from || window.to <= service.from;
            assert!(
                hours.service.iter().all(apart),
                "{window:?} is cut during service"
            );
        }
        if let Some(fuel) = &machine.care.fuel {
            let free = subtract(&light, &hours.service);
            let found = calendar::fuelling(crew.zone, &shifts, &windows, fuel, &free);
            sorted(&found.slots);
            assert!(intersect(&found.slots, &hours.service).is_empty());
            assert_eq!(total(&intersect(&found.slots, &light)), total(&found.slots));
        }
        machines.push(Machine {
            name: machine.name.get_ref().clone(),
            kinds: machine.kinds.clone(),
            max_slope: machine.max_slope.unwrap_or(0.4),
            able: Default::default(),
            night: machine.night,
            windows: hours.windows,
            upkeep: Upkeep {
                service: hours.service,
                ..Upkeep::default()
            },
            start: None,
        });
    }
    for skidder in &crew.skidders {
        let shifts = shifts_of(crew, from, &skidder.turns);
        if calendar::overlap(&shifts).is_none() {
            calendar::hours(crew.zone, &shifts, None, &[]);
        }
    }
    if plan {
        planned(crew, from, light, machines);
    }
}

fn sorted(stretches: &[Stretch]) {
    assert!(
        stretches.iter().all(|one| one.seconds() > 0),
        "{stretches:?}"
    );
    let in_order = |pair: &[Stretch]| pair[0].to <= pair[1].from;
    assert!(stretches.windows(2).all(in_order), "{stretches:?}");
}

fn planned(crew: &Crew, from: NaiveDate, light: Vec<Stretch>, machines: Vec<Machine>) {
    let begin = calendar::second_of(crew.zone, from, NaiveTime::MIN);
    let last = machines.iter().flat_map(|machine| &machine.windows);
    let last = last.map(|window| window.span.to).max().unwrap_or(begin);
    let period = Stretch::new(begin, last.max(begin + i64::from(DAYS + 1) * 86_400));
    let blocks = (0..2).map(|number| block(number, period, light.clone()));
    let problem = Problem {
        period,
        blocks: blocks.collect(),
        machines,
        moves: crew.moves,
        wood: Default::default(),
    };
    let solved = solve(&problem);
    let broken = check(&problem, &solved.plan);
    assert!(broken.is_empty(), "{broken:?}");
}

fn block(number: u32, period: Stretch, light: Vec<Stretch>) -> Block {
    let unit = |(order, (kind, class)): (u32, (StripKind, ShiftClass))| Unit {
        key: SectionKey {
            part: 1,
            strip_no: order,
            piece: order,
            section_no: 1,
        },
        kind,
        class,
        order,
        work: HOUR * i64::from(order),
        slope: Some(0.1 * f64::from(number)),
        // Of the second block, what is cut last waits for the middle of the period.
        window: (number == 1 && order == 4).then_some(0),
    };
    let middle = period.from + period.seconds() / 2;
    let units = [
        (StripKind::RoadClearing, ShiftClass::DayOnly),
        (StripKind::BoundaryPass, ShiftClass::DayOnly),
        (StripKind::Interior, ShiftClass::NightSafe),
        (StripKind::Interior, ShiftClass::DayOnly),
    ];
    Block {
        near: vec![],
        only: Default::default(),
        needs: Default::default(),
        id: format!("A-{number}"),
        place: [4000.0 * f64::from(number), 0.0],
        light,
        open: period,
        priority: 0,
        units: (1..).zip(units).map(unit).collect(),
        windows: vec![vec![Stretch::new(middle, period.to)]],
    }
}
