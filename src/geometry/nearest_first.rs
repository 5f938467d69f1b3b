//! The queue of a search for shortest ways.

use std::cmp::{Ordering, Reverse};
use std::collections::BinaryHeap;

/// Least cost first in a heap that gives the greatest; among equals the lower place, so that ways do not depend on chance.
pub struct Queued<T>(pub f64, pub T);

impl<T: Ord> PartialEq for Queued<T> {
    fn eq(&self, other: &Queued<T>) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}
impl<T: Ord> Eq for Queued<T> {}
impl<T: Ord> PartialOrd for Queued<T> {
    fn partial_cmp(&self, other: &Queued<T>) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}
impl<T: Ord> Ord for Queued<T> {
    fn cmp(&self, other: &Queued<T>) -> Ordering {
        other.0.total_cmp(&self.0).then(other.1.cmp(&self.1))
    }
}

/// The same for cells of a grid, where nothing comes that costs less than what was taken last: costs are kept in slots, a
/// range of costs each, and only those of the slot at hand are put in order (a calendar queue: Brown 1988).
#[derive(Clone, Debug)]
pub struct CellQueue {
    /// What the first slot begins at, and slots to a unit of cost.
    from: f64,
    slots_per_cost: f64,
    /// The slot at hand, and the last of what each later one holds; 0 where it holds nothing.
    at: usize,
    slots: Vec<u32>,
    /// What slots hold, each with the place of the one before, plus 1.
    held: Vec<(u128, u32)>,
    /// Places in `held` that are free.
    free: Vec<u32>,
    /// The slot at hand, in order.
    here: BinaryHeap<Reverse<u128>>,
    /// What costs more than all slots.
    beyond: Vec<u128>,
}

impl Default for CellQueue {
    fn default() -> CellQueue {
        CellQueue {
            from: f64::NEG_INFINITY,
            slots_per_cost: f64::INFINITY,
            at: 0,
            slots: vec![],
            held: vec![],
            free: vec![],
            here: BinaryHeap::new(),
            beyond: vec![],
        }
    }
}

/// How many slots are looked at one after the other before what lies beyond them is parted anew.
const SLOTS: usize = 2048;

/// Cost and cell in one number that is quick to compare.
fn both(cost: f64, cell: u32) -> u128 {
    // As `f64::total_cmp` has it: all bits of what is below 0 are turned, of others the sign.
    let bits = cost.to_bits();
    let turned = if bits >> 63 == 0 { 1 << 63 } else { u64::MAX };
    (u128::from(bits ^ turned) << 32) | u128::from(cell)
}

fn parted(both: u128) -> (f64, u32) {
    let (bits, cell) = ((both >> 32) as u64, both as u32);
    let turned = if bits >> 63 == 1 { 1 << 63 } else { u64::MAX };
    (f64::from_bits(bits ^ turned), cell)
}

impl CellQueue {
    /// `cost` is no less than what was popped last.
    pub fn push(&mut self, cost: f64, cell: u32) {
        self.put(cost, both(cost, cell));
    }

    fn put(&mut self, cost: f64, both: u128) {
        let slot = (cost - self.from) * self.slots_per_cost;
        if slot < (self.at + 1) as f64 || cost <= self.from {
            self.here.push(Reverse(both));
        } else if slot < self.slots.len() as f64 {
            let place = self.free.pop().unwrap_or(self.held.len() as u32);
            let last = &mut self.slots[slot as usize];
            let held = (both, std::mem::replace(last, place + 1));
            match self.held.get_mut(place as usize) {
                Some(free) => *free = held,
                None => self.held.push(held),
            }
        } else {
            self.beyond.push(both);
        }
    }

    /// The least cost, and of those that cost as much the first cell.
    pub fn pop(&mut self) -> Option<(f64, u32)> {
        while self.here.is_empty() {
            let later = self
                .slots
                .iter()
                .skip(self.at + 1)
                .position(|&last| last > 0);
            match later {
                Some(later) => {
                    self.at += 1 + later;
                    let mut next = std::mem::take(&mut self.slots[self.at]);
                    while next > 0 {
                        let place = next - 1;
                        let (both, before) = self.held[place as usize];
                        self.here.push(Reverse(both));
                        self.free.push(place);
                        next = before;
                    }
                }
                None if self.beyond.is_empty() => return None,
                None => self.part_beyond(),
            }
        }
        self.here.pop().map(|Reverse(both)| parted(both))
    }

    /// Slots from the least of what lies beyond to the most.
    fn part_beyond(&mut self) {
        let beyond = std::mem::take(&mut self.beyond);
        let (least, most) = (beyond.iter().min(), beyond.iter().max());
        let (Some(&least), Some(&most)) = (least, most) else {
            return;
        };
        let (from, to) = (parted(least).0, parted(most).0);
        // A little less than all slots, so that rounding puts the most into the last.
        let slots_per_cost = (SLOTS as f64 - 0.5) / (to - from);
        self.slots.resize(SLOTS, 0);
        self.held.clear();
        self.free.clear();
        (self.at, self.from) = (0, from);
        // Where all cost as much there are no slots: what costs more lies beyond.
        self.slots_per_cost = match slots_per_cost.is_finite() {
            true => slots_per_cost,
            false => f64::INFINITY,
        };
        for both in beyond {
            self.put(parted(both).0, both);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the heap, with pushes among the pops, many of them as costly as the last.
    #[test]
    fn cells_come_as_from_a_heap_while_others_are_queued() {
        let mut state = 5u64;
        let mut next = |below: u64| {
            state = state
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            (state >> 33) % below
        };
        for steps in [1.0, 0.37, 1e-9] {
            let (mut cells, mut any) = (CellQueue::default(), BinaryHeap::new());
            let mut last = -20.0;
            for _ in 0..5_000 {
                for _ in 0..next(4) {
                    let (cost, cell) = (last + next(9) as f64 * steps, next(50) as u32);
                    cells.push(cost, cell);
                    any.push(Queued(cost, cell));
                }
                let found = cells.pop();
                assert_eq!(found, any.pop().map(|Queued(cost, cell)| (cost, cell)));
                last = found.map_or(last, |(cost, _)| cost);
            }
            assert!(any.len() > 100, "{}", any.len());
        }
    }

    #[test]
    fn cells_come_in_the_order_of_costs_and_then_of_places() {
        let costs = [
            3.5,
            -0.0,
            0.0,
            -7.25,
            f64::INFINITY,
            3.5,
            -7.25,
            1e-300,
            f64::MIN,
        ];
        let mut cells = CellQueue::default();
        let mut any = BinaryHeap::new();
        for (cell, cost) in (0u32..).zip(costs) {
            cells.push(cost, 9 - cell);
            any.push(Queued(cost, 9 - cell));
        }
        let by_cells: Vec<(u64, u32)> = std::iter::from_fn(|| cells.pop())
            .map(|(cost, cell)| (cost.to_bits(), cell))
            .collect();
        let by_any: Vec<(u64, u32)> = std::iter::from_fn(|| any.pop())
            .map(|Queued(cost, cell)| (cost.to_bits(), cell))
            .collect();
        assert_eq!(by_cells, by_any);
        assert_eq!(by_cells.len(), costs.len());
    }
}
