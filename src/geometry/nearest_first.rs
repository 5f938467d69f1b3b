//! The queue of a search for shortest ways.

use std::cmp::Ordering;

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
