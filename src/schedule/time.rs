//! Stretches of time in whole seconds, and what can be done with sorted lists of them.

use crate::daylight::Span;

/// Seconds since 1970-01-01 00:00 UTC, without leap seconds.
pub type Second = i64;

/// A stretch of time: the start is part of it, the end is not.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Stretch {
    pub from: Second,
    pub to: Second,
}

impl Stretch {
    pub fn new(from: Second, to: Second) -> Stretch {
        Stretch { from, to }
    }

    pub fn contains(&self, at: Second) -> bool {
        self.from <= at && at < self.to
    }

    pub fn seconds(&self) -> i64 {
        (self.to - self.from).max(0)
    }
}

/// Spans of light as stretches that never reach beyond them.
pub fn whole_seconds(spans: &[Span]) -> Vec<Stretch> {
    let later = |at: &chrono::DateTime<chrono::Utc>| {
        at.timestamp() + i64::from(at.timestamp_subsec_nanos() > 0)
    };
    let found = spans
        .iter()
        .map(|span| Stretch::new(later(&span.from), span.to.timestamp()));
    found.filter(|stretch| stretch.seconds() > 0).collect()
}

/// What lies in both of two sorted lists.
pub fn intersect(a: &[Stretch], b: &[Stretch]) -> Vec<Stretch> {
    let (mut i, mut j) = (0, 0);
    let mut both = Vec::new();
    while let (Some(x), Some(y)) = (a.get(i), b.get(j)) {
        let common = Stretch::new(x.from.max(y.from), x.to.min(y.to));
        if common.seconds() > 0 {
            both.push(common);
        }
        if x.to < y.to {
            i += 1;
        } else {
            j += 1;
        }
    }
    both
}

/// What of the sorted list `a` lies outside the sorted list `b`.
pub fn subtract(a: &[Stretch], b: &[Stretch]) -> Vec<Stretch> {
    let mut rest = Vec::new();
    for whole in a {
        let mut from = whole.from;
        let first = b.partition_point(|taken| taken.to <= whole.from);
        for taken in b[first..].iter().take_while(|taken| taken.from < whole.to) {
            if taken.from > from {
                rest.push(Stretch::new(from, taken.from));
            }
            from = from.max(taken.to);
        }
        if from < whole.to {
            rest.push(Stretch::new(from, whole.to));
        }
    }
    rest
}

/// Any stretches as a sorted list without overlaps.
pub fn union(mut all: Vec<Stretch>) -> Vec<Stretch> {
    all.sort();
    let mut joined: Vec<Stretch> = Vec::with_capacity(all.len());
    for next in all {
        match joined.last_mut() {
            Some(last) if next.from <= last.to => last.to = last.to.max(next.to),
            _ => joined.push(next),
        }
    }
    joined
}

/// The stretch of a sorted list that holds a moment.
pub fn around(list: &[Stretch], at: Second) -> Option<Stretch> {
    let index = list.partition_point(|stretch| stretch.to <= at);
    list.get(index)
        .copied()
        .filter(|stretch| stretch.from <= at)
}

/// The first start or end of a sorted list after a moment.
pub fn next_edge(list: &[Stretch], at: Second) -> Option<Second> {
    let index = list.partition_point(|stretch| stretch.to <= at);
    let stretch = list.get(index)?;
    Some(if stretch.from > at {
        stretch.from
    } else {
        stretch.to
    })
}

pub fn total(list: &[Stretch]) -> i64 {
    list.iter().map(Stretch::seconds).sum()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn list() -> impl Strategy<Value = Vec<Stretch>> {
        prop::collection::vec((0..60i64, 1..15i64), 0..8).prop_map(|pairs| {
            union(
                pairs
                    .into_iter()
                    .map(|(from, long)| Stretch::new(from, from + long))
                    .collect(),
            )
        })
    }

    proptest! {
        #[test]
        fn lists_agree_with_asking_second_by_second(a in list(), b in list()) {
            let holds = |list: &[Stretch], at| list.iter().any(|s| s.contains(at));
            let (both, rest) = (intersect(&a, &b), subtract(&a, &b));
            for at in -1..90 {
                prop_assert_eq!(holds(&both, at), holds(&a, at) && holds(&b, at));
                prop_assert_eq!(holds(&rest, at), holds(&a, at) && !holds(&b, at));
                prop_assert_eq!(around(&a, at).is_some(), holds(&a, at));
                let edges = a.iter().flat_map(|s| [s.from, s.to]);
                prop_assert_eq!(next_edge(&a, at), edges.filter(|edge| *edge > at).min());
            }
            prop_assert_eq!(total(&both) + total(&rest), total(&a));
        }
    }
}
