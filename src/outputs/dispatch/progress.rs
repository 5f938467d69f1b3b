//! What is done of each section at a moment of the plan.

use std::collections::BTreeSet;

use super::Roster;
use super::rows::ShiftPlan;
use crate::schedule::{Second, What, Work};

/// By block and unit, when the last of it is done; None: not within the period.
pub struct Progress {
    felled: Vec<Vec<Option<Second>>>,
    skidded: Vec<Vec<Option<Second>>>,
}

impl Progress {
    pub fn of(roster: &Roster<'_>) -> Progress {
        let blocks = &roster.problem.blocks;
        let none = || -> Vec<Vec<Option<Second>>> {
            blocks
                .iter()
                .map(|block| vec![None; block.units.len()])
                .collect()
        };
        let mut left: Vec<Vec<Work>> = blocks
            .iter()
            .map(|block| block.units.iter().map(|unit| unit.work).collect())
            .collect();
        let (mut felled, mut skidded) = (none(), none());
        let mut cuts: Vec<_> = roster.solved.plan.tasks.iter().collect();
        cuts.sort_by_key(|task| task.span.to);
        for task in cuts {
            if let What::Cut { unit, done } = task.what {
                left[task.block][unit] -= done;
                if left[task.block][unit] <= 0 {
                    felled[task.block][unit] = Some(task.span.to);
                }
            }
        }
        // Wood that lies from before is felled.
        for own in &roster.stock.lying {
            felled[own.block][own.unit] = Some(own.felled);
        }
        for task in &roster.skidding.tasks {
            if let Some(unit) = task.unit {
                let at = &mut skidded[task.block][unit];
                *at = (*at).max(Some(task.span.to));
            }
        }
        for &(block, unit) in &roster.skidding.begun {
            skidded[block][unit] = None;
        }
        Progress { felled, skidded }
    }

    /// Sections of the layout in which nothing is left when a shift begins: for a skidder, no wood.
    pub fn before(&self, roster: &Roster<'_>, shift: &ShiftPlan, block: usize) -> BTreeSet<usize> {
        let of = &roster.sections[block];
        let done = if shift.machine < roster.problem.machines.len() {
            &self.felled
        } else {
            &self.skidded
        };
        let planned = (done[block].iter().zip(of))
            .filter(|(at, _)| at.is_some_and(|at| at <= shift.span.from))
            .map(|(_, section)| *section);
        let cut = roster.left[block].iter().enumerate();
        let cut = cut
            .filter(|(_, left)| left.is_some_and(|left| left <= 0.0))
            .map(|(section, _)| section)
            // Sections without hours of their own have nothing to be cut.
            .filter(|&section| {
                let hours = roster.layout.blocks[block].sections[section].hours;
                hours.is_some_and(|hours| hours > 0.0) && !of.contains(&section)
            });
        planned.chain(cut).collect()
    }
}
