//! How many places to measure for a stated risk, and what the measured ones say of all. No place is drawn twice, so
//! numbers of faulty places in a sample follow the hypergeometric distribution.

use serde::Serialize;
use statrs::distribution::{Beta, ContinuousCDF};

/// Confidence of intervals, both sides together.
pub const CONFIDENCE: f64 = 0.95;
/// Places of a stratum at least, so that its spread can be told.
const LEAST: u64 = 2;
const ROUNDING: f64 = 1e-9;

/// The risk that a sample has to keep to.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Risk {
    /// Share of faulty places that must not go unnoticed; above 0, below 1.
    pub faulty_share: f64,
    /// Probability of finding none of them, at most; above 0, below 1.
    pub miss_risk: f64,
}

/// Places of a stratum, those of them drawn, measured, and found faulty.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Count {
    pub places: u64,
    pub drawn: u64,
    pub measured: u64,
    pub faulty: u64,
}

/// Faulty places among those that were not all visited.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Estimate {
    /// By Horvitz & Thompson, places not measured taken for like the others of their stratum; None: in some stratum nothing
    /// was measured.
    pub faulty: Option<f64>,
    /// With [`CONFIDENCE`]; drawn places that nobody measured taken as sound for the lower end and as faulty for the upper.
    pub from: f64,
    pub to: f64,
    /// How `from` and `to` were found: `census`, `none_found`, `effective_sample`.
    pub method: &'static str,
}

/// The least number of faulty places that is a share.
pub fn least_faulty(places: u64, share: f64) -> u64 {
    ((places as f64 * share - ROUNDING).ceil() as u64).clamp(1, places.max(1))
}

/// Probability of drawing none of `faulty` places, as they lie worst over the strata, each given as its places and those of
/// them drawn.
///
/// The logarithm of a stratum's probability falls ever faster with each faulty place more, so that putting the next one
/// where it costs least finds the worst.
pub fn worst_risk(strata: &[(u64, u64)], faulty: u64) -> f64 {
    let mut put = vec![0u64; strata.len()];
    let mut risk_ln = 0.0;
    let factor = |stratum: usize, put: u64| {
        let (places, drawn) = strata[stratum];
        let left = places.saturating_sub(put);
        let unseen = left.saturating_sub(drawn);
        if unseen == 0 {
            0.0
        } else {
            unseen as f64 / left as f64
        }
    };
    for _ in 0..faulty {
        let best = (0..strata.len()).max_by(|&a, &b| {
            let of = |stratum: usize| factor(stratum, put[stratum]);
            of(a).total_cmp(&of(b)).then(b.cmp(&a))
        });
        let Some(best) = best.filter(|&best| factor(best, put[best]) > 0.0) else {
            return 0.0;
        };
        risk_ln += factor(best, put[best]).ln();
        put[best] += 1;
    }
    risk_ln.exp()
}

/// The most places that may be faulty although none was found, with a probability above `risk`.
fn most_unseen(strata: &[(u64, u64)], risk: f64) -> u64 {
    let unseen: u64 = strata.iter().map(|(places, drawn)| places - drawn).sum();
    // Risk falls with each faulty place more.
    let (mut holds, mut fails) = (0, unseen + 1);
    while fails - holds > 1 {
        let middle = holds + (fails - holds) / 2;
        if worst_risk(strata, middle) > risk {
            holds = middle;
        } else {
            fails = middle;
        }
    }
    holds
}

/// Places to draw of each stratum: the same share of each, for nobody knows where faulty ones lie, at least two, and so few
/// that [`worst_risk`] still keeps to the risk.
pub fn allocate(places: &[u64], risk: Risk) -> Vec<u64> {
    let all: u64 = places.iter().sum();
    if all == 0 {
        return vec![0; places.len()];
    }
    let faulty = least_faulty(all, risk.faulty_share);
    let share = |drawn: u64| -> Vec<u64> {
        let of = |&own: &u64| {
            let even = (u128::from(drawn) * u128::from(own)).div_ceil(u128::from(all)) as u64;
            even.max(LEAST).min(own)
        };
        places.iter().map(of).collect()
    };
    let keeps = |drawn: u64| {
        let strata: Vec<(u64, u64)> = places.iter().copied().zip(share(drawn)).collect();
        worst_risk(&strata, faulty) <= risk.miss_risk + ROUNDING
    };
    let (mut short, mut enough) = (0, all);
    if keeps(0) {
        return share(0);
    }
    while enough - short > 1 {
        let middle = short + (enough - short) / 2;
        if keeps(middle) {
            enough = middle;
        } else {
            short = middle;
        }
    }
    share(enough)
}

/// What the strata say of the number of faulty places in all of them.
pub fn estimate(strata: &[Count]) -> Estimate {
    let strata: Vec<Count> = strata.iter().copied().filter(|s| s.places > 0).collect();
    let told = strata.iter().all(|s| s.measured > 0);
    let total = |faulty: &dyn Fn(&Count) -> u64, of: &dyn Fn(&Count) -> u64| -> f64 {
        let strata = strata.iter().filter(|s| of(s) > 0);
        strata
            .map(|s| s.places as f64 * faulty(s) as f64 / of(s) as f64)
            .sum()
    };
    let faulty = told.then(|| total(&|s| s.faulty, &|s| s.measured));
    if strata.iter().all(|s| s.measured == s.places) {
        let faulty = strata.iter().map(|s| s.faulty).sum::<u64>() as f64;
        return Estimate {
            faulty: Some(faulty),
            from: faulty,
            to: faulty,
            method: "census",
        };
    }
    let found: u64 = strata.iter().map(|s| s.faulty).sum();
    let missing: u64 = strata.iter().map(|s| s.drawn - s.measured).sum();
    if found == 0 && missing == 0 {
        let drawn: Vec<(u64, u64)> = strata.iter().map(|s| (s.places, s.drawn)).collect();
        return Estimate {
            faulty,
            from: 0.0,
            to: most_unseen(&drawn, 1.0 - CONFIDENCE) as f64,
            method: "none_found",
        };
    }
    let lower = |s: &Count| s.faulty;
    let upper = |s: &Count| s.faulty + s.drawn - s.measured;
    // What was seen itself is known, whatever the interval says.
    let unseen: u64 = strata.iter().map(|s| s.places - s.drawn).sum();
    let seen_most: u64 = strata.iter().map(upper).sum();
    let all: u64 = strata.iter().map(|s| s.places).sum();
    let (from, _) = interval(&strata, &lower);
    let (_, to) = interval(&strata, &upper);
    Estimate {
        faulty,
        from: (from * all as f64).max(found as f64),
        to: (to * all as f64).min((seen_most + unseen) as f64),
        method: "effective_sample",
    }
}

/// The share by Clopper & Pearson with the size of the simple sample that would have the same variance (Korn & Graubard
/// 1998), no larger than ours.
fn interval(strata: &[Count], faulty: &dyn Fn(&Count) -> u64) -> (f64, f64) {
    let all: f64 = strata.iter().map(|s| s.places as f64).sum();
    let drawn: f64 = strata.iter().map(|s| s.drawn as f64).sum();
    let (mut share, mut variance) = (0.0, 0.0);
    for s in strata {
        let (places, n) = (s.places as f64, s.drawn as f64);
        if n == 0.0 {
            continue;
        }
        let weight = places / all;
        let own = faulty(s) as f64 / n;
        share += weight * own;
        if n > 1.0 {
            variance += weight * weight * (1.0 - n / places) * own * (1.0 - own) / (n - 1.0);
        }
    }
    // A simple sample of so many places without putting back is as good as `most` with putting back.
    let most = drawn * (all - 1.0).max(1.0) / (all - drawn).max(1.0);
    let effective = if variance > 0.0 {
        (share * (1.0 - share) / variance).clamp(1.0, most)
    } else {
        most
    };
    let tail = (1.0 - CONFIDENCE) / 2.0;
    let (hits, misses) = (share * effective, (1.0 - share) * effective);
    let quantile = |a: f64, b: f64, p: f64| Beta::new(a, b).map(|beta| beta.inverse_cdf(p));
    let from = match hits > 0.0 {
        true => quantile(hits, misses + 1.0, tail).unwrap_or(0.0),
        false => 0.0,
    };
    let to = match misses > 0.0 {
        true => quantile(hits + 1.0, misses, 1.0 - tail).unwrap_or(1.0),
        false => 1.0,
    };
    (from, to)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn alone(places: u64, share: f64, risk: f64) -> u64 {
        let risk = Risk {
            faulty_share: share,
            miss_risk: risk,
        };
        allocate(&[places], risk)[0]
    }

    /// Minimum sample sizes, hypergeometric, of ISPM 31 (2008), appendix 2, table 1, at 95 %: units of the lot, level of
    /// detection, size; where the level is a whole number of units. From memory.
    const LOTS: [(u64, f64, u64); 22] = [
        (100, 0.05, 45),
        (100, 0.02, 78),
        (100, 0.01, 95),
        (200, 0.05, 51),
        (200, 0.02, 105),
        (200, 0.01, 155),
        (200, 0.005, 190),
        (400, 0.05, 55),
        (400, 0.02, 124),
        (400, 0.01, 211),
        (600, 0.05, 56),
        (600, 0.02, 132),
        (600, 0.01, 235),
        (600, 0.005, 379),
        (800, 0.05, 57),
        (800, 0.02, 136),
        (800, 0.01, 249),
        (800, 0.005, 421),
        (1000, 0.05, 57),
        (1000, 0.02, 138),
        (1000, 0.01, 258),
        (1000, 0.005, 450),
    ];

    #[test]
    fn sizes_are_those_of_a_published_table() {
        for (places, share, size) in LOTS {
            assert_eq!(alone(places, share, 0.05), size, "{places} {share}");
        }
    }

    /// Figures read in the documentation of R package RSurveillance 0.2.1, n.hypergeo, "Example output": the approximation of Cannon &
    /// Roe (1982), which asks for up to two more than are needed; and one read in "Electronic field survey tables" after
    /// these authors (Hawkins 2003), worked out directly: 1600 animals, 1 %, 99 %.
    #[test]
    fn sizes_are_near_those_of_an_approximation_that_was_read() {
        let of_d = |places: u64, faulty: u64| faulty as f64 / places as f64;
        let cases = [
            (100, 1, 0.05, 95),
            (200, 2, 0.05, 156),
            (500, 5, 0.05, 226),
            (1000, 10, 0.05, 259),
            (10_000, 100, 0.05, 296),
            (100, 5, 0.5, 13),
            (100, 5, 0.2, 28),
            (100, 5, 0.1, 37),
            (100, 5, 0.05, 46),
            (80, 1, 0.05, 76),
            (80, 2, 0.05, 63),
            (80, 5, 0.05, 37),
            (80, 10, 0.05, 21),
        ];
        for (places, faulty, risk, read) in cases {
            let size = alone(places, of_d(places, faulty), risk);
            assert!(
                size <= read && size + 2 >= read,
                "{places} {faulty} {size} {read}"
            );
        }
        assert_eq!(alone(1600, 0.01, 0.01), 399);
    }

    /// Drawing none of D faulty places of N in n: C(N - D, n) / C(N, n), by scipy.stats.hypergeom(N, D, n).pmf(0).
    #[test]
    fn the_risk_of_one_stratum_is_the_hypergeometric_one() {
        for (places, drawn, faulty, risk) in HYPERGEOMETRIC {
            let own = worst_risk(&[(places, drawn)], faulty);
            assert!((own - risk).abs() < 1e-12 + 1e-9 * risk, "{own} {risk}");
        }
    }

    const HYPERGEOMETRIC: [(u64, u64, u64, f64); 5] = [
        (100, 45, 5, 4.620634336208711e-02),
        (40, 7, 3, 5.522267206477732e-01),
        (1000, 57, 50, 4.923683902735092e-02),
        (10000, 294, 100, 4.982792267373396e-02),
        (25, 24, 1, 0.04),
    ];

    #[test]
    fn the_worst_way_to_lie_is_that_of_all_ways() {
        for strata in [[(12u64, 3u64), (5, 2), (20, 4)], [(6, 6), (9, 1), (3, 2)]] {
            for faulty in 0..=10 {
                let miss = |(places, drawn): (u64, u64), own: u64| -> f64 {
                    if own > places {
                        return f64::NAN;
                    }
                    (0..own)
                        .map(|i| (places - i).saturating_sub(drawn) as f64 / (places - i) as f64)
                        .product()
                };
                let mut worst = 0.0f64;
                for a in 0..=faulty {
                    for b in 0..=faulty - a {
                        let risk = miss(strata[0], a)
                            * miss(strata[1], b)
                            * miss(strata[2], faulty - a - b);
                        worst = worst.max(risk);
                    }
                }
                assert!(
                    (worst_risk(&strata, faulty) - worst).abs() < 1e-12,
                    "{faulty}"
                );
            }
        }
    }

    #[test]
    fn strata_keep_to_the_risk_together_and_no_fewer_places_would() {
        let risk = Risk {
            faulty_share: 0.05,
            miss_risk: 0.05,
        };
        let places = [40, 7, 300, 650, 1, 0];
        let drawn = allocate(&places, risk);
        let strata: Vec<(u64, u64)> = places.into_iter().zip(drawn.clone()).collect();
        let faulty = least_faulty(places.iter().sum(), 0.05);
        assert!(worst_risk(&strata, faulty) <= 0.05 && drawn[4] == 1 && drawn[5] == 0);
        let mut fewer = strata;
        fewer[3].1 -= 2;
        assert!(worst_risk(&fewer, faulty) > 0.05);
        assert_eq!(allocate(&[0, 0], risk), [0, 0]);
        assert_eq!(allocate(&[1], risk), [1]);
    }

    /// Clopper & Pearson, scipy.stats.beta.ppf: 3 of 60 out of so many places that it does not matter.
    #[test]
    fn a_simple_sample_has_the_interval_of_clopper_and_pearson() {
        let count = Count {
            places: 6_000_000_000,
            drawn: 60,
            measured: 60,
            faulty: 3,
        };
        let own = estimate(&[count]);
        let share = |faulty: f64| faulty / 6e9;
        assert!((share(own.faulty.unwrap()) - 0.05).abs() < 1e-12);
        // The variance estimated with n - 1 takes a place away.
        let (from, to) = (0.010241013, 0.140303664);
        assert!((share(own.from) - from).abs() < 1e-6, "{}", share(own.from));
        assert!((share(own.to) - to).abs() < 1e-6, "{}", share(own.to));
    }

    /// By hand: 3 of 10 drawn of 100, 1 of 5 drawn of 20: 100 x 3 / 10 + 20 x 1 / 5 = 34.
    #[test]
    fn the_estimate_weighs_by_the_probability_of_being_drawn() {
        let count = |places, drawn, faulty| Count {
            places,
            drawn,
            measured: drawn,
            faulty,
        };
        let own = estimate(&[count(100, 10, 3), count(20, 5, 1)]);
        assert_eq!(own.faulty, Some(34.0));
        assert!(own.from < 34.0 && own.to > 34.0);
        // All visited: nothing is left to estimate.
        let own = estimate(&[count(10, 10, 3), count(5, 5, 0)]);
        assert_eq!((own.from, own.to, own.method), (3.0, 3.0, "census"));
        // None found: what the sample was made for.
        let own = estimate(&[count(1000, 57, 0)]);
        assert_eq!((own.faulty, own.from), (Some(0.0), 0.0));
        assert!(own.to < 50.0 && own.to > 45.0, "{}", own.to);
        // Not measured is not sound.
        let missing = Count {
            measured: 50,
            ..count(1000, 57, 0)
        };
        let own = estimate(&[missing]);
        assert!(own.to > 150.0, "{}", own.to);
        let none = Count {
            measured: 0,
            ..count(1000, 57, 0)
        };
        assert_eq!(estimate(&[none]).faulty, None);
    }

    /// Seasons with known faults, drawn 4,000 times each: intervals hold the truth, and estimates are right on the average.
    #[test]
    fn intervals_hold_the_truth_as_often_as_they_say() {
        let mut bits = 1u64;
        let mut random = move |below: u64| {
            bits = bits.wrapping_add(0x9e37_79b9_7f4a_7c15);
            let mut z = bits;
            z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
            (z ^ (z >> 31)) % below
        };
        let risk = Risk {
            faulty_share: 0.05,
            miss_risk: 0.05,
        };
        for (places, faulty) in [
            ([30, 300, 700], [1, 3, 7]),
            ([30, 300, 700], [10, 20, 20]),
            ([30, 300, 700], [25, 100, 50]),
            ([30, 300, 700], [0, 0, 40]),
            ([60, 40, 20], [6, 4, 2]),
            ([60, 40, 20], [30, 4, 0]),
        ] {
            let drawn = allocate(&places, risk);
            let truth = faulty.iter().sum::<u64>() as f64;
            let (mut held, mut sum) = (0, 0.0);
            let times = 4000;
            for _ in 0..times {
                let count = |at: usize| {
                    let (mut left, mut bad, mut hits) = (places[at], faulty[at], 0);
                    for _ in 0..drawn[at] {
                        let hit = random(left) < bad;
                        (hits, bad, left) = (hits + u64::from(hit), bad - u64::from(hit), left - 1);
                    }
                    hits
                };
                let hits: Vec<u64> = (0..3).map(count).collect();
                let strata: Vec<Count> = (0..3)
                    .map(|at| Count {
                        places: places[at],
                        drawn: drawn[at],
                        measured: drawn[at],
                        faulty: hits[at],
                    })
                    .collect();
                let own = estimate(&strata);
                held += u32::from(own.from <= truth && truth <= own.to);
                sum += own.faulty.unwrap();
            }
            let share = f64::from(held) / f64::from(times);
            assert!(share >= 0.95 - 0.011, "{faulty:?}: {share}");
            assert!(
                (sum / f64::from(times) - truth).abs() < 0.05 * truth,
                "{faulty:?}"
            );
        }
    }
}
