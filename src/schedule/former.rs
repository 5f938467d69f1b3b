//! The plan before this one: what each machine did in it, so that a new plan can keep to it.

use super::problem::{Machine, Problem};
use super::time::{Second, Stretch};

/// A stretch of a machine's time in the plan before.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stint {
    pub block: usize,
    pub span: Stretch,
    /// Else it cuts.
    pub is_move: bool,
}

/// The plan before, in the numbers of the new problem, and how long it binds.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Former {
    /// By machine, sorted; neighbouring stretches of one block and kind are one.
    pub stints: Vec<Vec<Stint>>,
    /// Until then every shift stays as it was, where it can.
    pub frozen_until: Second,
}

impl Former {
    /// Joins what belongs together.
    pub fn new(mut stints: Vec<Vec<Stint>>, frozen_until: Second) -> Former {
        for own in &mut stints {
            own.sort_by_key(|stint| (stint.span, stint.block));
            own.dedup_by(|next, last| {
                let goes_on = next.block == last.block
                    && next.is_move == last.is_move
                    && next.span.from == last.span.to;
                if goes_on {
                    last.span.to = next.span.to;
                }
                goes_on
            });
        }
        Former {
            stints,
            frozen_until,
        }
    }

    /// Blocks that a machine cut in within a time, in their order, each once for every visit.
    pub fn blocks_within(&self, machine: usize, within: Stretch) -> Vec<usize> {
        let own = self.stints.get(machine).map_or(&[][..], |own| own);
        let cuts = own
            .iter()
            .filter(|stint| !stint.is_move)
            .map(|stint| (stint.block, stint.span));
        visits(cuts, within)
    }

    /// Until when the former plan may be kept: not at all beyond what is frozen, some days more, to its end.
    pub(super) fn horizons(&self) -> Vec<Second> {
        let day = 86_400;
        let mut all = vec![
            self.frozen_until,
            self.frozen_until + 3 * day,
            self.frozen_until + 7 * day,
            self.frozen_until + 14 * day,
            Second::MAX,
        ];
        let last = self
            .stints
            .iter()
            .flatten()
            .map(|stint| stint.span.to)
            .max();
        all.retain(|at| *at == Second::MAX || last.is_some_and(|last| *at < last));
        all
    }
}

/// Blocks of cuts that come by time, within a time, each once for every visit. Less than a minute is no visit: sections end on
/// whole seconds.
pub(super) fn visits(cuts: impl Iterator<Item = (usize, Stretch)>, within: Stretch) -> Vec<usize> {
    let mut found: Vec<(usize, i64)> = Vec::new();
    for (block, span) in cuts {
        let long = span.to.min(within.to) - span.from.max(within.from);
        match found.last_mut() {
            _ if long <= 0 => {}
            Some((last, sum)) if *last == block => *sum += long,
            _ => found.push((block, long)),
        }
    }
    let mut blocks: Vec<usize> = (found.into_iter())
        .filter(|(_, long)| *long >= LEAST_VISIT_S)
        .map(|(block, _)| block)
        .collect();
    blocks.dedup();
    blocks
}

const LEAST_VISIT_S: i64 = 60;

/// Each shift of a machine as one time, from its first window to its last.
pub(super) fn shifts_of(machine: &Machine) -> Vec<(usize, Stretch)> {
    let mut shifts: Vec<(usize, Stretch)> = Vec::new();
    for window in &machine.windows {
        match shifts.last_mut() {
            Some((shift, span)) if *shift == window.shift => span.to = window.span.to,
            _ => shifts.push((window.shift, window.span)),
        }
    }
    shifts
}

/// Shifts of felling machines in which the former plan or a new one cuts somewhere, and how many of them differ.
pub(super) fn changed(
    problem: &Problem,
    former: &Former,
    cuts: &dyn Fn(usize) -> Vec<(usize, Stretch)>,
) -> usize {
    let mut changed = 0;
    for (index, machine) in problem.machines.iter().enumerate() {
        let own = cuts(index);
        let mut first = 0;
        for (_, span) in shifts_of(machine) {
            first += own[first..].partition_point(|(_, cut)| cut.to <= span.from);
            let here = own[first..]
                .iter()
                .take_while(|(_, cut)| cut.from < span.to);
            let now = visits(here.copied(), span);
            changed += usize::from(now != former.blocks_within(index, span));
        }
    }
    changed
}
