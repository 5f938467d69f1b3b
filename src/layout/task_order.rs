//! In which order the passes and the strips of settings that hang together are worked, so that the machine travels little
//! between them.

/// A pass, or all strips of a setting: something that is begun at one place and left at another.
pub struct Task {
    /// Places at which it may be begun, each with the place at which it is left then.
    pub ways: Vec<[usize; 2]>,
    /// Tasks that must be done before.
    pub after: Vec<usize>,
}

/// Tasks that are put in order together at most.
pub const MOST_TASKS: usize = 128;
/// Sequences kept at each step.
const BEAM: usize = 64;
/// Stands in for travel where there is no way.
const NO_WAY_M: f64 = 1e6;

/// A sequence under way.
struct Partial {
    done: u128,
    at: Option<usize>,
    travel_m: f64,
    /// Index of its last step.
    last: Option<usize>,
}

/// Tasks with the way in which each is done, in the order with the least travel that a beam search finds. `metres` gives what
/// it is to each place from one, or from where the machine stands, once some tasks are done; what is infinite is no way.
pub fn shortest(
    tasks: &[Task],
    mut metres: impl FnMut(u128, Option<usize>) -> Vec<f64>,
) -> Vec<(usize, usize)> {
    let mut steps: Vec<(Option<usize>, (usize, usize))> = Vec::new();
    let mut open = vec![Partial {
        done: 0,
        at: None,
        travel_m: 0.0,
        last: None,
    }];
    for _ in tasks {
        let mut next: Vec<(f64, usize, (usize, usize))> = Vec::new();
        for (parent, partial) in open.iter().enumerate() {
            let there = metres(partial.done, partial.at);
            for (number, task) in tasks.iter().enumerate() {
                let is_done = |task: usize| partial.done >> task & 1 == 1;
                if is_done(number) || !task.after.iter().all(|&before| is_done(before)) {
                    continue;
                }
                for (way, &[begin, _]) in task.ways.iter().enumerate() {
                    let travel_m = partial.travel_m + there[begin].min(NO_WAY_M);
                    next.push((travel_m, parent, (number, way)));
                }
            }
        }
        next.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.2.cmp(&b.2)).then(a.1.cmp(&b.1)));
        let mut made: Vec<Partial> = Vec::new();
        let mut seen = std::collections::BTreeSet::new();
        for (travel_m, parent, (number, way)) in next {
            let done = open[parent].done | 1 << number;
            let at = tasks[number].ways[way][1];
            if !seen.insert((done, at)) {
                continue;
            }
            steps.push((open[parent].last, (number, way)));
            made.push(Partial {
                done,
                at: Some(at),
                travel_m,
                last: Some(steps.len() - 1),
            });
            if made.len() == BEAM {
                break;
            }
        }
        if made.is_empty() {
            break;
        }
        open = made;
    }
    let mut found = Vec::new();
    let mut at = open.first().and_then(|best| best.last);
    while let Some((before, step)) = at.map(|at| steps[at]) {
        found.push(step);
        at = before;
    }
    found.reverse();
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The least travel of any order, by trying them all.
    fn least_m(
        tasks: &[Task],
        from_start: &[f64],
        between: &[Vec<f64>],
        done: u128,
        at: Option<usize>,
    ) -> f64 {
        let mut best = if done.count_ones() as usize == tasks.len() {
            0.0
        } else {
            f64::INFINITY
        };
        for (number, task) in tasks.iter().enumerate() {
            let is_done = |task: usize| done >> task & 1 == 1;
            if is_done(number) || !task.after.iter().all(|&before| is_done(before)) {
                continue;
            }
            for &[begin, end] in &task.ways {
                let there_m = at.map_or(from_start[begin], |at| between[at][begin]);
                let rest_m = least_m(tasks, from_start, between, done | 1 << number, Some(end));
                best = best.min(there_m + rest_m);
            }
        }
        best
    }

    #[test]
    fn the_order_found_travels_no_more_than_the_best_of_all() {
        let mut state = 5u64;
        let mut draw = |count: u64| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) % count
        };
        for _ in 0..60 {
            let count = 3 + draw(4) as usize;
            let mut places: Vec<(f64, f64)> = Vec::new();
            let mut tasks: Vec<Task> = Vec::new();
            for number in 0..count {
                let a = places.len();
                for _ in 0..2 {
                    places.push((draw(500) as f64, draw(500) as f64));
                }
                let strips = number % 2 == 1;
                tasks.push(Task {
                    ways: if strips {
                        vec![[a, a + 1]]
                    } else {
                        vec![[a, a + 1], [a + 1, a]]
                    },
                    after: if strips { vec![number - 1] } else { vec![] },
                });
            }
            let off = |a: (f64, f64), b: (f64, f64)| (a.0 - b.0).hypot(a.1 - b.1);
            let between: Vec<Vec<f64>> = (places.iter())
                .map(|&a| places.iter().map(|&b| off(a, b)).collect())
                .collect();
            let from_start: Vec<f64> = places.iter().map(|&b| off((0.0, 0.0), b)).collect();
            let metres = |_, at: Option<usize>| at.map_or(&from_start, |at| &between[at]).clone();
            let order = shortest(&tasks, metres);
            assert_eq!(order.len(), count);
            let (mut at, mut travel_m) = (None, 0.0);
            for &(number, way) in &order {
                let [begin, end] = tasks[number].ways[way];
                travel_m += at.map_or(from_start[begin], |at: usize| between[at][begin]);
                at = Some(end);
            }
            let least_m = least_m(&tasks, &from_start, &between, 0, None);
            assert!(travel_m < least_m + 1e-6, "{travel_m} instead of {least_m}");
        }
    }
}
