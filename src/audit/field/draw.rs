//! The places to visit: every one that fails, and of the others a sample in strata.

use std::collections::BTreeMap;

use geo::{Coord, MultiPolygon};
use serde::Serialize;

use super::inference::{Risk, allocate, least_faulty, worst_risk};
use super::{Task, code, hash, sense};
use crate::audit::row::{Judged, ROUNDING_M};
use crate::geometry::area::{length, rings};
use crate::model::{GroundFrame, RuleId, Verdict};

const INSIDE: &str = RuleId::InsideBlock.key();
/// A passing place with less to spare is a close one.
const CLOSE_M: f64 = 3.0;

/// By what the layers say of a place.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Stratum {
    /// All are visited.
    Fails,
    /// Short, within tolerance.
    Short,
    Unknown,
    /// The block's line holds by the layers: one place by lot on it.
    Boundary,
    /// Holds with less than 3 m to spare.
    Close,
    Clear,
}

impl Stratum {
    pub const ALL: [Stratum; 6] = [
        Stratum::Fails,
        Stratum::Short,
        Stratum::Unknown,
        Stratum::Boundary,
        Stratum::Close,
        Stratum::Clear,
    ];

    pub fn key(self) -> &'static str {
        match self {
            Stratum::Fails => "fails",
            Stratum::Short => "short",
            Stratum::Unknown => "unknown",
            Stratum::Boundary => "boundary",
            Stratum::Close => "close",
            Stratum::Clear => "clear",
        }
    }

    /// None: nothing can be seen or measured at its place.
    fn of(judged: &Judged) -> Option<Stratum> {
        let row = &judged.row;
        if row.row.rule_id == INSIDE && row.row.status == Verdict::Pass {
            return Some(Stratum::Boundary);
        }
        judged.place?;
        if row.row.status == Verdict::Fail {
            return Some(Stratum::Fails);
        }
        let can_be_measured =
            sense(&row.row.rule_id, row.row.unit).is_some() && row.row.required.is_some();
        if !can_be_measured {
            return None;
        }
        match (row.row.status, row.short) {
            (Verdict::NotApplicable | Verdict::Fail, _) => None,
            (Verdict::Unknown, _) | (_, None) => Some(Stratum::Unknown),
            (_, Some(short)) if short > ROUNDING_M => Some(Stratum::Short),
            (_, Some(short)) if -short < CLOSE_M => Some(Stratum::Close),
            _ => Some(Stratum::Clear),
        }
    }
}

/// A place to visit.
#[derive(Clone, Debug, PartialEq)]
pub struct FieldPlace {
    /// From 1, in the order of blocks and rules.
    pub no: u32,
    pub code: String,
    pub block_id: String,
    pub rule_id: String,
    pub title: String,
    pub stratum: Stratum,
    /// That it is drawn; 1 for those that fail.
    pub probability: f64,
    /// As written, in the work CRS.
    pub x: f64,
    pub y: f64,
    /// In the plane of the work CRS.
    pub plane: Coord,
    pub task: Task,
    pub required: Option<f64>,
    pub unit: &'static str,
}

/// Of one stratum.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct StratumCount {
    pub stratum: Stratum,
    pub places: u64,
    pub drawn: u64,
}

/// What is to be visited, and how it was drawn.
#[derive(Clone, Debug, PartialEq)]
pub struct FieldCheck {
    pub risk: Risk,
    pub seed: u64,
    pub strata: Vec<StratumCount>,
    /// So many faulty places, where the layers see none that fails, are the share that must not go unnoticed.
    pub faulty_places: u64,
    /// That no place of the sample is one of them, as they lie worst.
    pub worst_risk: f64,
    /// Rows that fail and have no place: they are of a block, or of several, as a whole.
    pub failing_without_place: u64,
    /// In the order of blocks and rules.
    pub places: Vec<FieldPlace>,
}

/// Gathers places block by block. Which are drawn depends on the seed, the block's id, the rule and what the layers say, and
/// not on the order of blocks.
pub struct Sampler {
    wanted: Option<(Risk, u64)>,
    found: Vec<(u64, FieldPlace)>,
    failing_without_place: u64,
}

impl Sampler {
    /// None: nothing is gathered.
    pub fn new(wanted: Option<(Risk, u64)>) -> Sampler {
        Sampler {
            wanted,
            found: vec![],
            failing_without_place: 0,
        }
    }

    /// Adds the rows of one block, as the layers judge them; `outline` is the block in the plane, where it is one.
    pub fn add(
        &mut self,
        block_id: &str,
        rows: &[Judged],
        frame: &GroundFrame,
        outline: Option<&MultiPolygon>,
    ) {
        let Some((_, seed)) = self.wanted else {
            return;
        };
        let mut seen: BTreeMap<&str, usize> = BTreeMap::new();
        for judged in rows {
            let own = &judged.row.row;
            let nth = seen.entry(&own.rule_id).or_default();
            let at = *nth;
            *nth += 1;
            let stratum = Stratum::of(judged);
            let place = judged.place.or_else(|| {
                let outline = outline.filter(|_| stratum == Some(Stratum::Boundary))?;
                let lot = hash(seed, &[block_id, "line"]);
                along(&frame.enter_polygons(outline), lot)
            });
            let (Some(stratum), Some(place)) = (stratum, place) else {
                self.failing_without_place += u64::from(own.status == Verdict::Fail);
                continue;
            };
            let lot = hash(seed, &[block_id, &own.rule_id, &at.to_string()]);
            let place = FieldPlace {
                no: 0,
                code: code(seed, block_id, &own.rule_id, at),
                block_id: block_id.to_owned(),
                rule_id: own.rule_id.clone(),
                title: own.title.clone(),
                stratum,
                probability: 1.0,
                x: frame.told(place).x,
                y: frame.told(place).y,
                plane: frame.to_plane(place),
                task: Task::of(&own.rule_id, own.unit),
                required: own.required,
                unit: own.unit,
            };
            self.found.push((lot, place));
        }
    }

    /// Draws; None where nothing was asked for.
    pub fn finish(self) -> Option<FieldCheck> {
        let (risk, seed) = self.wanted?;
        let mut strata: BTreeMap<Stratum, Vec<(u64, usize)>> = BTreeMap::new();
        for (index, (lot, place)) in self.found.iter().enumerate() {
            strata.entry(place.stratum).or_default().push((*lot, index));
        }
        let count = |stratum: Stratum| strata.get(&stratum).map_or(0, Vec::len) as u64;
        let sampled = &Stratum::ALL[1..];
        let sizes: Vec<u64> = sampled.iter().map(|&stratum| count(stratum)).collect();
        let drawn = allocate(&sizes, risk);
        let faulty_places = match sizes.iter().sum() {
            0 => 0,
            all => least_faulty(all, risk.faulty_share),
        };
        let pairs: Vec<(u64, u64)> = sizes.iter().copied().zip(drawn.clone()).collect();
        let mut counts = vec![StratumCount {
            stratum: Stratum::Fails,
            places: count(Stratum::Fails),
            drawn: count(Stratum::Fails),
        }];
        counts.extend(
            (sampled.iter().zip(&pairs)).map(|(&stratum, &(places, drawn))| StratumCount {
                stratum,
                places,
                drawn,
            }),
        );
        let mut chosen: Vec<(usize, f64)> = Vec::new();
        for count in &counts {
            let Some(lots) = strata.get_mut(&count.stratum) else {
                continue;
            };
            lots.sort_unstable();
            let probability = count.drawn as f64 / count.places as f64;
            let drawn = lots.iter().take(count.drawn as usize);
            chosen.extend(drawn.map(|&(_, index)| (index, probability)));
        }
        chosen.sort_unstable_by_key(|&(index, _)| index);
        let mut found: Vec<Option<FieldPlace>> = self
            .found
            .into_iter()
            .map(|(_, place)| Some(place))
            .collect();
        let places = (1u32..)
            .zip(chosen)
            .filter_map(|(no, (index, probability))| {
                let place = found[index].take()?;
                Some(FieldPlace {
                    no,
                    probability,
                    ..place
                })
            });
        Some(FieldCheck {
            risk,
            seed,
            strata: counts,
            faulty_places,
            worst_risk: match faulty_places {
                0 => 0.0,
                faulty => worst_risk(&pairs, faulty),
            },
            failing_without_place: self.failing_without_place,
            places: places.collect(),
        })
    }
}

/// A place on some outlines, every metre as likely as any other.
fn along(outlines: &MultiPolygon, lot: u64) -> Option<Coord> {
    let all_m: f64 = outlines.0.iter().flat_map(rings).map(length).sum();
    let mut left_m = all_m * (lot >> 11) as f64 / (1u64 << 53) as f64;
    let mut last = None;
    for ring in outlines.0.iter().flat_map(rings) {
        for w in ring.0.windows(2) {
            let d = w[1] - w[0];
            let long_m = d.x.hypot(d.y);
            if left_m < long_m {
                return Some(w[0] + d * (left_m / long_m));
            }
            left_m -= long_m;
            last = Some(w[1]);
        }
    }
    last
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::row::{Measure, Named, measured};
    use geo::Polygon;

    const RISK: Risk = Risk {
        faulty_share: 0.05,
        miss_risk: 0.05,
    };

    /// A reserve of 20 m of which `short` is missing.
    fn reserve(short: f64) -> Judged {
        let measure = Measure {
            short,
            rounding: ROUNDING_M,
            leeway: crate::audit::row::Leeway::Tolerance(2.0),
            doubt: None,
            doubt_may_save: false,
        };
        let named = Named {
            id: "reserve:stream-s3".to_owned(),
            title: "Reserve".to_owned(),
            unit: "m",
        };
        let judged = measured(named, (20.0, 20.0 - short), measure, "a rule".into());
        let mut judged = judged.at(Some(Coord { x: 1.0, y: 2.0 }));
        (judged.row.x, judged.row.y) = (Some(1.0), Some(2.0));
        judged
    }

    /// Of a thousand blocks every hundredth fails, every fiftieth is short within tolerance, a tenth is close.
    fn season(seed: u64, backwards: bool) -> FieldCheck {
        let mut sampler = Sampler::new(Some((RISK, seed)));
        let mut ids: Vec<usize> = (0..1000).collect();
        if backwards {
            ids.reverse();
        }
        for id in ids {
            let short = match id {
                _ if id % 100 == 0 => 5.0,
                _ if id % 50 == 0 => 1.0,
                _ if id % 10 == 0 => -1.0,
                _ => -10.0,
            };
            let rows = [reserve(short)];
            sampler.add(&format!("B-{id}"), &rows, &GroundFrame::SAME, None);
        }
        sampler.finish().expect("places were asked for")
    }

    #[test]
    fn whatever_fails_is_always_visited_and_the_others_as_likely_as_is_told() {
        let told = season(1, false);
        let of = |stratum| {
            told.strata
                .iter()
                .find(|own| own.stratum == stratum)
                .copied()
        };
        assert_eq!(
            of(Stratum::Fails).map(|own| (own.places, own.drawn)),
            Some((10, 10))
        );
        assert!(told.worst_risk <= 0.05, "{}", told.worst_risk);
        let seeds = 500u32;
        let mut times: BTreeMap<String, (u32, f64)> = BTreeMap::new();
        for seed in 0..u64::from(seeds) {
            let check = season(seed, false);
            let fails = check
                .places
                .iter()
                .filter(|own| own.stratum == Stratum::Fails);
            assert_eq!(fails.count(), 10);
            for place in check.places {
                let entry = times
                    .entry(place.block_id)
                    .or_insert((0, place.probability));
                entry.0 += 1;
            }
        }
        // Every place of the 1000, and each within five standard deviations of its probability.
        assert_eq!(times.len(), 1000);
        for (id, (count, probability)) in times {
            let spread = (probability * (1.0 - probability) / f64::from(seeds)).sqrt();
            let share = f64::from(count) / f64::from(seeds);
            assert!(
                (share - probability).abs() <= 5.0 * spread,
                "{id} {share} {probability}"
            );
        }
    }

    #[test]
    fn what_is_drawn_hangs_on_the_seed_and_not_on_the_order_of_blocks() {
        let drawn = |seed, backwards| {
            let places = season(seed, backwards).places.into_iter();
            places
                .map(|own| own.code)
                .collect::<std::collections::BTreeSet<_>>()
        };
        assert_eq!(drawn(7, false), drawn(7, true));
        assert_ne!(drawn(7, false), drawn(8, false));
    }

    #[test]
    fn a_line_that_holds_is_visited_at_any_of_its_metres() {
        let ring = vec![(0., 0.), (300., 0.), (300., 100.), (0., 100.), (0., 0.)];
        let outline = MultiPolygon(vec![Polygon::new(ring.into(), vec![])]);
        let places: Vec<Coord> = (0..4000)
            .filter_map(|seed| along(&outline, hash(seed, &["B-1", "line"])))
            .collect();
        let share = |here: &dyn Fn(&Coord) -> bool| {
            places.iter().filter(|at| here(at)).count() as f64 / 4000.0
        };
        // 600 of 800 m, and half of 300 m: shares of 4000 stray by 0.8 %.
        assert!((share(&|at| at.y == 0.0 || at.y == 100.0) - 0.75).abs() < 0.03);
        assert!((share(&|at| at.y == 0.0 && (75.0..225.0).contains(&at.x)) - 0.1875).abs() < 0.03);
    }
}
