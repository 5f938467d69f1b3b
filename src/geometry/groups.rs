//! Which of a row of things belong together: joined pair by pair.

/// Each leads to an earlier one of its group or to itself.
#[derive(Clone, Debug)]
pub struct Groups(Vec<usize>);

impl Groups {
    /// So many things, each by itself.
    pub fn new(count: usize) -> Groups {
        Groups((0..count).collect())
    }

    /// One thing more; its place.
    pub fn add(&mut self) -> usize {
        self.0.push(self.0.len());
        self.0.len() - 1
    }

    /// The first of the group of one.
    pub fn first(&self, mut at: usize) -> usize {
        while self.0[at] != at {
            at = self.0[at];
        }
        at
    }

    /// Joins the groups of two; false if they are one already.
    pub fn join(&mut self, a: usize, b: usize) -> bool {
        let (a, b) = (self.first(a), self.first(b));
        self.0[a.max(b)] = a.min(b);
        a != b
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pairs_become_groups_led_by_their_first() {
        let mut groups = Groups::new(5);
        assert!(groups.join(4, 2) && groups.join(3, 1) && groups.join(2, 3));
        assert!(!groups.join(1, 4));
        assert_eq!([0, 1, 2, 3, 4].map(|at| groups.first(at)), [0, 1, 1, 1, 1]);
        let more = groups.add();
        assert_eq!((more, groups.first(more)), (5, 5));
    }
}
