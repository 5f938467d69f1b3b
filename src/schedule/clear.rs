//! When nobody fells near a section: whoever works there then is out of reach of what falls.

use super::problem::{Plan, Problem, What};
use super::time::{Second, Stretch};

/// A block and a unit of it.
pub type Ground = (usize, usize);

/// Whether trees that fall on the first ground could hurt who works on the second, or on the way of its wood.
pub type TooNear<'n> = &'n dyn Fn(Ground, Ground) -> bool;

/// The times of felling in every block and around it.
pub struct Felling<'f> {
    problem: &'f Problem,
    /// By block, sorted: in one block nothing is cut at once.
    cuts: Vec<Vec<(Stretch, usize)>>,
    too_near: TooNear<'f>,
}

impl<'f> Felling<'f> {
    pub fn new(problem: &'f Problem, plan: &Plan, too_near: TooNear<'f>) -> Felling<'f> {
        let mut cuts = vec![Vec::new(); problem.blocks.len()];
        for task in &plan.tasks {
            if let What::Cut { unit, .. } = task.what {
                cuts[task.block].push((task.span, unit));
            }
        }
        for own in &mut cuts {
            own.sort();
        }
        Felling {
            problem,
            cuts,
            too_near,
        }
    }

    /// The first stretch from `at` on in which nobody fells near for `least_s` seconds, up to where somebody does again or
    /// `least_s` are over. It begins no later than with the end of all felling around.
    pub fn first_clear(&self, ground: Ground, at: Second, least_s: i64) -> Stretch {
        let mut from = at;
        loop {
            match self.next_near(ground, Stretch::new(from, from + least_s)) {
                Some(felled) => from = felled.to,
                None => return Stretch::new(from, from + least_s),
            }
        }
    }

    /// The first felling near that falls into a time.
    pub fn next_near(&self, ground: Ground, time: Stretch) -> Option<Stretch> {
        let (block, _) = ground;
        let around = std::iter::once(block).chain(self.problem.blocks[block].near.iter().copied());
        around
            .filter_map(|other| {
                let own = &self.cuts[other];
                let first = own.partition_point(|(span, _)| span.to <= time.from);
                own[first..]
                    .iter()
                    .take_while(|(span, _)| span.from < time.to)
                    .find(|(_, unit)| (self.too_near)((other, *unit), ground))
                    .map(|(span, _)| *span)
            })
            .min()
    }
}
