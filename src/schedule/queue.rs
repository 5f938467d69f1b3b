//! The order of work inside a block.
//!
//! Prework (road clearing, boundary pass) comes first, strictly in order; nothing else begins, and nothing is cut in the
//! dark, before it is finished. Then each piece of a strip falls into three: its *head*, the day-only sections before
//! its first night-safe one; its *body* from the first to the last night-safe section, day-only ones between them
//! included; and its *tail*, the day-only sections after that. A piece without night-safe sections is all head.
//! Bodies are cut in the order of strips, each section in its turn, so that night work runs on through the block. Heads
//! may be cut ahead of the bodies of earlier strips, and tails may be left for later light; heads keep their order among
//! themselves, and so do tails. A body waits for its own head, a tail for its own body.

use super::problem::{Block, Machine, Only, Unit, Work};
use super::time::{Second, Stretch, around};
use crate::model::{ShiftClass, StripKind};

pub const PREWORK: usize = 0;
pub const HEADS: usize = 1;
pub const BODIES: usize = 2;
pub const TAILS: usize = 3;

/// Neighbouring sections of a chain that the same machines may cut at the same times.
#[derive(Clone, Debug)]
pub struct Run {
    pub class: ShiftClass,
    kind: StripKind,
    slope: Option<f64>,
    window: Option<usize>,
    /// Work of the chain up to its end.
    pub end: Work,
    /// Work of the chain before (heads for bodies, bodies for tails) that must be finished first.
    needs: Work,
    /// Work of the chain up to the end of the last of the runs after it that differ in their needs alone.
    alike: Work,
}

/// Sections that are cut one after the other.
#[derive(Clone, Debug, Default)]
pub struct Chain {
    /// Unit and work of the chain up to its end.
    pub units: Vec<(usize, Work)>,
    pub runs: Vec<Run>,
}

impl Chain {
    fn total(&self) -> Work {
        self.units.last().map_or(0, |unit| unit.1)
    }

    fn push(&mut self, index: usize, unit: &Unit, needs: Work) {
        let end = self.total() + unit.work;
        self.units.push((index, end));
        match self.runs.last_mut() {
            Some(last)
                if last.class == unit.class
                    && last.kind == unit.kind
                    && last.slope == unit.slope
                    && last.window == unit.window
                    && last.needs == needs =>
            {
                last.end = end;
            }
            _ => self.runs.push(Run {
                class: unit.class,
                kind: unit.kind,
                slope: unit.slope,
                window: unit.window,
                end,
                needs,
                alike: end,
            }),
        }
    }

    /// Says of each run how far those go that are alike.
    fn close(&mut self) {
        let mut after: Option<Run> = None;
        for run in self.runs.iter_mut().rev() {
            let alike = after.as_ref().filter(|after| {
                let of = |run: &Run| (run.class, run.kind, run.window);
                of(after) == of(run) && after.slope == run.slope
            });
            run.alike = alike.map_or(run.end, |after| after.alike);
            after = Some(run.clone());
        }
    }
}

/// The chains of a block.
#[derive(Clone, Debug, Default)]
pub struct Queue {
    pub chains: [Chain; 4],
    windows: Vec<Vec<Stretch>>,
    /// Machines that the block is kept to.
    only: Only,
}

/// What a machine does next in a block.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Next {
    pub chain: usize,
    pub class: ShiftClass,
    /// Whether it is never cut in the dark: day-only ground, and prework of any class.
    pub needs_light: bool,
    /// How much before something else may be next.
    pub amount: Work,
    /// When its ground is closed; None: it stays open.
    pub until: Option<Second>,
}

/// How far each chain is cut, and the run it stands at.
#[derive(Clone, Copy, Debug, Default)]
pub struct Progress {
    pub done: [Work; 4],
    run: [usize; 4],
}

impl Queue {
    pub fn new(block: &Block) -> Queue {
        let mut queue = Queue {
            windows: block.windows.clone(),
            only: block.only.clone(),
            ..Queue::default()
        };
        let mut order: Vec<usize> = (0..block.units.len()).collect();
        order.sort_by_key(|&index| {
            let unit = &block.units[index];
            (unit.order, unit.key)
        });
        let (prework, interior): (Vec<usize>, Vec<usize>) = order
            .into_iter()
            .partition(|&index| block.units[index].kind != StripKind::Interior);
        for index in prework {
            queue.chains[PREWORK].push(index, &block.units[index], 0);
        }
        let same =
            |a: &usize, b: &usize| block.units[*a].key.piece() == block.units[*b].key.piece();
        for piece in interior.chunk_by(same) {
            let night = |index: &usize| block.units[*index].class == ShiftClass::NightSafe;
            let first = piece.iter().position(night).unwrap_or(piece.len());
            let last = piece
                .iter()
                .rposition(night)
                .map_or(piece.len(), |at| at + 1);
            for &index in &piece[..first] {
                queue.chains[HEADS].push(index, &block.units[index], 0);
            }
            // A body without a head of its own still waits for those of the strips before it, which costs it nothing: the
            // bodies there have waited for them.
            let heads = if first == 0 {
                queue.chains[BODIES].runs.last().map_or(0, |run| run.needs)
            } else {
                queue.chains[HEADS].total()
            };
            for &index in &piece[first..last] {
                queue.chains[BODIES].push(index, &block.units[index], heads);
            }
            let bodies = queue.chains[BODIES].total();
            for &index in &piece[last..] {
                queue.chains[TAILS].push(index, &block.units[index], bodies);
            }
        }
        for chain in &mut queue.chains {
            chain.close();
        }
        queue
    }

    pub fn is_done(&self, progress: &Progress) -> bool {
        (0..4).all(|chain| progress.done[chain] >= self.chains[chain].total())
    }

    /// All work.
    pub fn total(&self) -> Work {
        self.chains.iter().map(Chain::total).sum()
    }

    /// Work left: what needs light, and what can be cut in the dark.
    pub fn left(&self, progress: &Progress) -> [Work; 2] {
        let mut left = [0, 0];
        for (number, (chain, done)) in self.chains.iter().zip(progress.done).enumerate() {
            let mut start = 0;
            for run in &chain.runs {
                let by_night = number != PREWORK && run.class == ShiftClass::NightSafe;
                left[usize::from(by_night)] += (run.end - start.max(done)).max(0);
                start = run.end;
            }
        }
        left
    }

    /// Night-safe work that must come after some work by light, and before other work by light.
    pub fn between_lights(&self) -> Work {
        let bodies = &self.chains[BODIES].runs;
        let by_light = |run: &&Run| run.class == ShiftClass::DayOnly;
        let starts = |at: usize| at.checked_sub(1).map_or(0, |before| bodies[before].end);
        let needs_light = |run: &Run| run.needs > 0 || by_light(&run);
        let from = match self.chains[PREWORK].runs.is_empty() {
            true => bodies.iter().position(needs_light).map(starts),
            false => Some(0),
        };
        let last = bodies.iter().rfind(by_light).map(|run| run.end);
        let to = self.chains[TAILS]
            .runs
            .iter()
            .map(|run| run.needs)
            .chain(last)
            .max();
        let Some((from, to)) = from.zip(to) else {
            return 0;
        };
        let runs = bodies.iter().enumerate();
        let night = runs.filter(|(_, run)| !by_light(run));
        let within = night.map(|(at, run)| (run.end.min(to) - starts(at).max(from)).max(0));
        within.sum()
    }

    /// The run a chain stands at, if what must come before it is cut.
    fn front(&self, chain: usize, progress: &Progress) -> Option<&Run> {
        let run = self.chains[chain].runs.get(progress.run[chain])?;
        let before = match chain {
            BODIES => progress.done[HEADS],
            TAILS => progress.done[BODIES],
            _ => 0,
        };
        let ready = chain == PREWORK
            || (progress.done[PREWORK] >= self.chains[PREWORK].total() && run.needs <= before);
        ready.then_some(run)
    }

    /// Work of a chain up to where it can be cut without a break: the last of the runs alike whose needs are met.
    fn reach(&self, chain: usize, run: &Run, progress: &Progress) -> Work {
        let before = match chain {
            BODIES => HEADS,
            TAILS => BODIES,
            _ => return run.alike,
        };
        let before = progress.done[before];
        let runs = &self.chains[chain].runs[progress.run[chain]..];
        match runs.last() {
            Some(last) if last.needs <= before => run.alike,
            _ => {
                let met = runs.partition_point(|run| run.needs <= before);
                let last = met.checked_sub(1).map_or(run.end, |last| runs[last].end);
                last.clamp(run.end, run.alike)
            }
        }
    }

    /// When a run's ground closes again; None: it is closed at that moment.
    fn open_until(&self, run: &Run, at: Second) -> Option<Option<Second>> {
        let Some(window) = run.window else {
            return Some(None);
        };
        let spans = self.windows.get(window).map_or(&[][..], |own| own);
        around(spans, at).map(|span| Some(span.to))
    }

    /// What a machine does next here. Day-only work goes first by day; what is closed at that moment holds up what comes
    /// after it.
    pub fn next(
        &self,
        progress: &Progress,
        light: bool,
        machine: &Machine,
        at: Second,
    ) -> Option<Next> {
        if !self.only.takes(&machine.name) {
            return None;
        }
        let may = |run: &Run| {
            machine.kinds.contains(&run.kind)
                && run.slope.is_none_or(|slope| slope <= machine.max_slope)
        };
        let next = |chain: usize, run: &Run| {
            let until = self.open_until(run, at).filter(|_| may(run))?;
            Some(Next {
                chain,
                class: run.class,
                needs_light: chain == PREWORK || run.class == ShiftClass::DayOnly,
                amount: self.reach(chain, run, progress) - progress.done[chain],
                until,
            })
        };
        if !light {
            // Prework is never cut in the dark, and heads and tails are day-only.
            let run = self.front(BODIES, progress)?;
            let fits = machine.night && run.class == ShiftClass::NightSafe;
            return next(BODIES, run).filter(|_| fits);
        }
        if let Some(run) = self.front(PREWORK, progress) {
            return next(PREWORK, run);
        }
        for chain in [HEADS, TAILS, BODIES] {
            if let Some(run) = self.front(chain, progress)
                && (chain != BODIES || run.class == ShiftClass::DayOnly)
                && let Some(next) = next(chain, run)
            {
                return Some(next);
            }
        }
        let run = self.front(BODIES, progress)?;
        let mut next = next(BODIES, run)?;
        if let Some(tail) = self.chains[TAILS].runs.get(progress.run[TAILS])
            && tail.needs > progress.done[BODIES]
        {
            next.amount = next.amount.min(tail.needs - progress.done[BODIES]);
        }
        Some(next)
    }

    pub fn advance(&self, progress: &mut Progress, chain: usize, done: Work) {
        progress.done[chain] += done;
        let runs = &self.chains[chain].runs;
        while runs
            .get(progress.run[chain])
            .is_some_and(|run| run.end <= progress.done[chain])
        {
            progress.run[chain] += 1;
        }
    }

    /// Work that can be cut without a break as things stand at a moment, up to `enough`: in the dark, or day-only work by day.
    pub fn ready(
        &self,
        progress: &Progress,
        light: bool,
        machine: &Machine,
        (moment, enough): (Second, Work),
    ) -> Work {
        let mut at = *progress;
        let mut sum = 0;
        while sum < enough {
            let Some(next) = self.next(&at, light, machine, moment) else {
                break;
            };
            if light && !next.needs_light {
                break;
            }
            sum += next.amount;
            self.advance(&mut at, next.chain, next.amount);
        }
        sum
    }
}

/// Units that no machine could come to while the windows of the block last: ground that is closed for all of the period,
/// and what comes after it in the order of work.
pub fn held_up(block: &Block) -> Vec<usize> {
    let always = |spans: &Vec<Stretch>| match spans.is_empty() {
        true => vec![],
        false => vec![Stretch::new(Second::MIN, Second::MAX)],
    };
    let opened = Block {
        windows: block.windows.iter().map(always).collect(),
        only: Only::default(),
        needs: Default::default(),
        ..block.clone()
    };
    let queue = Queue::new(&opened);
    let any = Machine {
        name: String::new(),
        kinds: vec![
            StripKind::RoadClearing,
            StripKind::BoundaryPass,
            StripKind::Interior,
        ],
        max_slope: f64::INFINITY,
        able: Default::default(),
        night: true,
        windows: vec![],
        upkeep: Default::default(),
        start: None,
    };
    let mut progress = Progress::default();
    while let Some(next) = queue.next(&progress, true, &any, 0) {
        queue.advance(&mut progress, next.chain, next.amount);
    }
    let chains = queue.chains.iter().zip(progress.done);
    let left = chains.flat_map(|(chain, done)| {
        let units = chain.units.iter();
        units.filter(move |unit| unit.1 > done).map(|unit| unit.0)
    });
    let mut left: Vec<usize> = left.collect();
    left.sort_unstable();
    left
}
