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

/// The same for cells of a grid, by whole numbers: cost and cell in one, which is quicker to compare.
#[derive(Default)]
pub struct CellQueue(BinaryHeap<Reverse<u128>>);

impl CellQueue {
    pub fn push(&mut self, cost: f64, cell: u32) {
        // As `f64::total_cmp` has it: all bits of what is below 0 are turned, of others the sign.
        let bits = cost.to_bits();
        let turned = if bits >> 63 == 0 { 1 << 63 } else { u64::MAX };
        self.0.push(Reverse(
            (u128::from(bits ^ turned) << 32) | u128::from(cell),
        ));
    }

    /// The least cost, and of those that cost as much the first cell.
    pub fn pop(&mut self) -> Option<(f64, u32)> {
        self.0.pop().map(|Reverse(both)| {
            let (bits, cell) = ((both >> 32) as u64, both as u32);
            let turned = if bits >> 63 == 1 { 1 << 63 } else { u64::MAX };
            (f64::from_bits(bits ^ turned), cell)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
