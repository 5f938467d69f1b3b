//! Small problems for the scheduler, and the order of work inside a block written down a second time.
#![allow(dead_code, reason = "each test file uses its own share")]

use blockwright::model::{SectionKey, ShiftClass, StripKind};
use blockwright::schedule::{
    Block, HOUR, Machine, Moves, Plan, Problem, Stretch, Unit, What, Window, Work,
};

pub const H: i64 = 3600;
pub const DAY: i64 = 24 * H;

pub fn stretch(from: i64, to: i64) -> Stretch {
    Stretch::new(from, to)
}

/// Light from `from` to `to` o'clock on each of some days.
pub fn light(days: i64, from: i64, to: i64) -> Vec<Stretch> {
    (0..days)
        .map(|day| stretch(day * DAY + from * H, day * DAY + to * H))
        .collect()
}

pub fn unit(kind: StripKind, order: u32, section_no: u32, class: ShiftClass, work: Work) -> Unit {
    Unit {
        key: SectionKey {
            part: 1,
            strip_no: if kind == StripKind::Interior {
                order
            } else {
                0
            },
            piece: order,
            section_no,
        },
        kind,
        class,
        order,
        work,
        slope: None,
        window: None,
    }
}

/// `b` a day-only section of the boundary pass, `c` a night-safe one of road clearing, `d` and `n` day-only and night-safe sections of strips, a blank between
/// two strips; each takes `hours`.
pub fn block(id: &str, text: &str, hours: f64, place: [f64; 2], days: i64) -> Block {
    let work = (hours * HOUR as f64) as Work;
    let mut units = Vec::new();
    let pieces = text.split(' ').filter(|piece| !piece.is_empty());
    for (order, piece) in (1..).zip(pieces) {
        for (at, letter) in (1..).zip(piece.chars()) {
            let (kind, class) = match letter {
                'b' => (StripKind::BoundaryPass, ShiftClass::DayOnly),
                'c' => (StripKind::RoadClearing, ShiftClass::NightSafe),
                'd' => (StripKind::Interior, ShiftClass::DayOnly),
                _ => (StripKind::Interior, ShiftClass::NightSafe),
            };
            units.push(unit(kind, order, at, class, work));
        }
    }
    Block {
        near: vec![],
        only: Default::default(),
        needs: Default::default(),
        id: id.to_owned(),
        place,
        light: light(days + 1, 8, 16),
        open: stretch(0, (days + 1) * DAY),
        priority: 0,
        units,
        windows: vec![],
    }
}

pub fn machine(name: &str, windows: Vec<(i64, i64)>, pace: i64) -> Machine {
    Machine {
        name: name.to_owned(),
        kinds: vec![
            StripKind::RoadClearing,
            StripKind::BoundaryPass,
            StripKind::Interior,
        ],
        max_slope: 1.0,
        able: Default::default(),
        night: true,
        windows: (0..)
            .zip(windows)
            .map(|(shift, (from, to))| Window {
                span: stretch(from, to),
                shift,
                pace,
            })
            .collect(),
        upkeep: Default::default(),
        start: None,
    }
}

/// Shifts from `from` o'clock, `long` hours, on each of some days.
pub fn shifts(days: i64, from: i64, long: i64) -> Vec<(i64, i64)> {
    (0..days)
        .map(|day| (day * DAY + from * H, day * DAY + (from + long) * H))
        .collect()
}

/// Every move takes this long, but for blocks at one place.
pub fn moves(hours: i64) -> Moves {
    Moves {
        detour: 1.0,
        walk_up_to_m: 0.5,
        walk_m_per_s: 1.0,
        haul_m_per_s: 1e12,
        haul_fixed_s: hours * H,
    }
    .exact()
}

trait Exact {
    fn exact(self) -> Moves;
}

impl Exact for Moves {
    /// Nothing is added for the way itself.
    fn exact(mut self) -> Moves {
        // The way is rounded up to a second, which is taken off again.
        self.haul_fixed_s = (self.haul_fixed_s - 1).max(0);
        self
    }
}

pub fn problem(days: i64, blocks: Vec<Block>, machines: Vec<Machine>, move_h: i64) -> Problem {
    Problem {
        period: stretch(0, (days + 1) * DAY),
        blocks,
        machines,
        moves: moves(move_h),
        wood: Default::default(),
    }
}

/// For each section those that must be finished before it is begun, from the rule as docs/dispatch.md words it.
pub fn prerequisites(block: &Block) -> Vec<Vec<usize>> {
    let units = &block.units;
    let place = |u: usize| (units[u].order, units[u].key.section_no);
    let prework = |u: usize| units[u].kind != StripKind::Interior;
    let night = |u: usize| units[u].class == ShiftClass::NightSafe;
    let same_piece = |a: usize, b: usize| units[a].order == units[b].order;
    #[derive(PartialEq, Clone, Copy)]
    enum Place {
        Prework,
        Head,
        Body,
        Tail,
    }
    let of = |u: usize| {
        let before = (0..units.len())
            .any(|v| !prework(v) && same_piece(u, v) && night(v) && place(v) <= place(u));
        let after = (0..units.len())
            .any(|v| !prework(v) && same_piece(u, v) && night(v) && place(v) >= place(u));
        match (prework(u), before, after) {
            (true, ..) => Place::Prework,
            (false, false, _) => Place::Head,
            (false, true, true) => Place::Body,
            (false, true, false) => Place::Tail,
        }
    };
    (0..units.len())
        .map(|u| {
            (0..units.len())
                .filter(|&v| v != u && place(v) < place(u))
                .chain((0..units.len()).filter(|&v| prework(v) && !prework(u)))
                .filter(|&v| {
                    of(v) == of(u)
                        || of(v) == Place::Prework
                        || of(u) == Place::Body && of(v) == Place::Head && same_piece(u, v)
                        || of(u) == Place::Tail && of(v) == Place::Body && same_piece(u, v)
                })
                .collect()
        })
        .collect()
}

/// Walks through a plan second by second at its joints and says what is wrong with it.
pub fn faults(problem: &Problem, plan: &Plan) -> Vec<String> {
    let mut faults = Vec::new();
    let holds = |list: &[Stretch], at: i64| list.iter().any(|s| s.from <= at && at < s.to);
    let mut joints: Vec<i64> = plan
        .tasks
        .iter()
        .flat_map(|task| [task.span.from, task.span.to])
        .chain(problem.blocks.iter().flat_map(|b| {
            let light = b.light.iter().flat_map(|s| [s.from, s.to]);
            let windows = b.windows.iter().flatten().flat_map(|s| [s.from, s.to]);
            let light = light.chain([b.open.from, b.open.to]);
            light.chain(windows).collect::<Vec<_>>()
        }))
        .collect();
    joints.sort_unstable();
    joints.dedup();
    let needs: Vec<Vec<Vec<usize>>> = problem.blocks.iter().map(prerequisites).collect();
    let mut done: Vec<Vec<Work>> = problem
        .blocks
        .iter()
        .map(|b| vec![0; b.units.len()])
        .collect();
    for &at in &joints {
        let now: Vec<_> = plan
            .tasks
            .iter()
            .filter(|task| task.span.from <= at && at < task.span.to)
            .collect();
        for (i, task) in now.iter().enumerate() {
            let machine = &problem.machines[task.machine];
            let block = &problem.blocks[task.block];
            if !machine.windows.iter().any(|w| w.span.contains(at)) {
                faults.push(format!("{} runs outside its windows at {at}", machine.name));
            }
            for other in &now[i + 1..] {
                if other.machine == task.machine {
                    faults.push(format!("{} is in two places at {at}", machine.name));
                }
                let both_cut =
                    matches!(task.what, What::Cut { .. }) && matches!(other.what, What::Cut { .. });
                if both_cut && other.block == task.block {
                    faults.push(format!("two machines cut in {} at {at}", block.id));
                }
            }
            if let What::Cut { unit, .. } = task.what {
                let cut = &block.units[unit];
                let lit = holds(&block.light, at);
                if !lit && (cut.class == ShiftClass::DayOnly || !machine.night) {
                    faults.push(format!("{} in the dark at {at}", block.id));
                }
                if !lit && cut.kind != StripKind::Interior {
                    faults.push(format!("prework of {} in the dark at {at}", block.id));
                }
                if !block.open.contains(at) {
                    faults.push(format!("{} is closed at {at}", block.id));
                }
                if cut
                    .window
                    .is_some_and(|own| !holds(&block.windows[own], at))
                {
                    faults.push(format!("ground of {} is closed at {at}", block.id));
                }
                if !machine.may_cut(cut) {
                    faults.push(format!("{} may not cut in {}", machine.name, block.id));
                }
            }
        }
        // What ends by now is done; what begins now needs what is done.
        for task in &plan.tasks {
            if let What::Cut { unit, done: more } = task.what
                && task.span.to == at
            {
                done[task.block][unit] += more;
            }
        }
        for task in plan.tasks.iter().filter(|task| task.span.from == at) {
            if let What::Cut { unit, .. } = task.what {
                for &before in &needs[task.block][unit] {
                    if done[task.block][before] < problem.blocks[task.block].units[before].work {
                        faults.push(format!(
                            "{}: {:?} is begun before {:?} is finished",
                            problem.blocks[task.block].id,
                            problem.blocks[task.block].units[unit].key,
                            problem.blocks[task.block].units[before].key
                        ));
                    }
                }
            }
        }
    }
    let mut undone = 0;
    for (block, done) in problem.blocks.iter().zip(&done) {
        for (unit, done) in block.units.iter().zip(done) {
            if *done > unit.work {
                faults.push(format!("{} {:?} is cut twice", block.id, unit.key));
            }
            undone += unit.work - done;
        }
    }
    if undone != plan.undone {
        faults.push(format!("{undone} are left, not {}", plan.undone));
    }
    for (index, machine) in problem.machines.iter().enumerate() {
        let mut at = machine.start;
        let mut moving: Option<(usize, i64)> = None;
        let mut mine: Vec<_> = plan.tasks.iter().filter(|t| t.machine == index).collect();
        mine.sort_by_key(|task| (task.span.from, task.span.to));
        for task in mine {
            let place = problem.blocks[task.block].place;
            // A move to one block ends before another begins: two short ones may be walked where the long one is hauled.
            if let Some((to, moved)) =
                moving.filter(|&(to, _)| task.what != What::Move || to != task.block)
            {
                let there = problem.blocks[to].place;
                if moved < at.map_or(0, |at| problem.moves.seconds(at, there)) {
                    faults.push(format!("{} moves too fast", machine.name));
                }
                (at, moving) = (Some(there), None);
            }
            match task.what {
                What::Move => {
                    let moved = moving.map_or(0, |(_, moved)| moved);
                    moving = Some((task.block, moved + task.span.to - task.span.from));
                }
                What::Cut { .. } => {
                    if at.is_some_and(|at| problem.moves.seconds(at, place) > 0) {
                        faults.push(format!("{} cuts where it is not", machine.name));
                    }
                    at = Some(place);
                }
            }
        }
    }
    faults
}
