//! Places to go and measure: drawn by lot, more likely where more is at stake, and the same for the same seed.

use geo::Coord;

use super::scene::BlockAudit;
use crate::geometry::area::{length, rings};
use crate::model::Verdict;

/// A place to measure in the field.
#[derive(Clone, Debug, PartialEq)]
pub struct SamplePoint {
    pub block_id: String,
    /// Empty: any place of the cut's edge.
    pub rule_id: String,
    /// Work CRS.
    pub x: f64,
    pub y: f64,
    pub weight: f64,
    pub status: &'static str,
    /// What to measure there, and why here.
    pub reason: String,
    pub required: Option<f64>,
    pub measured: Option<f64>,
    pub unit: &'static str,
}

/// Weights by what is at stake.
const FAILS: f64 = 8.0;
const WARNS: f64 = 6.0;
const UNKNOWN: f64 = 5.0;
/// Of a place that has nothing to spare; halved for every so many metres to spare.
const CLOSE: f64 = 4.0;
const HALVED_EVERY_M: f64 = 3.0;
/// Of a place of the cut's edge that nothing speaks for or against.
const ANY: f64 = 0.25;

/// Draws places without putting any back (Efraimidis & Spirakis 2006). Every block offers the place of each row, and one
/// place by lot on the edge of its cut. The order in which blocks are added makes no difference.
pub struct Sampler {
    count: usize,
    seed: u64,
    drawn: Vec<(f64, SamplePoint)>,
}

impl Sampler {
    pub fn new(count: usize, seed: u64) -> Sampler {
        Sampler {
            count,
            seed,
            drawn: vec![],
        }
    }

    pub fn add(&mut self, audit: &BlockAudit) {
        if self.count == 0 {
            return;
        }
        for point in candidates(audit, self.seed) {
            let words = [&audit.id, &point.rule_id, &point.x.to_string()];
            let lot = unit(hash(self.seed, &words.map(String::as_str)));
            // Of the lots' roots of the order of their weights the greatest are drawn; logarithms keep their order.
            self.drawn.push((lot.ln() / point.weight, point));
        }
        if self.drawn.len() > 4 * self.count + 1024 {
            self.keep();
        }
    }

    /// The places drawn, the first draw first.
    pub fn finish(mut self) -> Vec<SamplePoint> {
        self.keep();
        self.drawn.into_iter().map(|(_, point)| point).collect()
    }

    fn keep(&mut self) {
        self.drawn.sort_by(|a, b| {
            let by_block = a.1.block_id.cmp(&b.1.block_id);
            let by_name = by_block.then_with(|| a.1.rule_id.cmp(&b.1.rule_id));
            b.0.total_cmp(&a.0).then(by_name)
        });
        self.drawn.truncate(self.count);
    }
}

fn candidates(audit: &BlockAudit, seed: u64) -> Vec<SamplePoint> {
    let mut found = Vec::new();
    for judged in &audit.rows {
        let (row, Some(x), Some(y)) = (&judged.row, judged.row.x, judged.row.y) else {
            continue;
        };
        let spare = row.short.map_or(0.0, |short| -short);
        let (weight, why) = match row.row.status {
            Verdict::Fail => (FAILS, "falls short"),
            Verdict::Warn => (WARNS, "short, but within tolerance"),
            Verdict::Unknown => (UNKNOWN, "cannot be told from the data"),
            Verdict::Pass if row.row.unit == "m" => {
                let weight = CLOSE * 0.5f64.powf(spare.max(0.0) / HALVED_EVERY_M);
                (weight.max(ANY), "nearest approach")
            }
            Verdict::Pass | Verdict::NotApplicable => continue,
        };
        found.push(SamplePoint {
            block_id: audit.id.clone(),
            rule_id: row.row.rule_id.clone(),
            x,
            y,
            weight,
            status: row.row.status.key(),
            reason: format!("{why}: {}", row.row.title),
            required: row.row.required,
            measured: row.row.measured,
            unit: row.row.unit,
        });
    }
    found.extend(any_place(audit, seed));
    found
}

/// One place on the edge of the cut, every metre of it as likely as any other.
fn any_place(audit: &BlockAudit, seed: u64) -> Option<SamplePoint> {
    let edges = || {
        let rings = audit.cut.0.iter().flat_map(rings);
        rings.flat_map(|ring| ring.0.windows(2))
    };
    let around_m: f64 = audit.cut.0.iter().flat_map(rings).map(length).sum();
    let mut left_m = unit(hash(seed, &[&audit.id, "edge"])) * around_m;
    let mut place: Option<Coord> = None;
    for w in edges() {
        let d = w[1] - w[0];
        let long_m = d.x.hypot(d.y);
        if left_m <= long_m && long_m > 0.0 {
            place = Some(w[0] + d * (left_m / long_m));
            break;
        }
        left_m -= long_m;
    }
    let place = audit.frame.told(place?);
    Some(SamplePoint {
        block_id: audit.id.clone(),
        rule_id: String::new(),
        x: place.x,
        y: place.y,
        weight: ANY,
        status: "",
        reason: "any place of the cut's edge: is it where the data say?".to_owned(),
        required: None,
        measured: None,
        unit: "",
    })
}

/// Even bits for some words (FNV-1a over their bytes, then the finaliser of SplitMix64).
fn hash(seed: u64, words: &[&str]) -> u64 {
    let mut state = 0xcbf2_9ce4_8422_2325u64 ^ seed.wrapping_mul(0x9e37_79b9_7f4a_7c15);
    for word in words {
        for byte in word.bytes().chain([0xff]) {
            state = (state ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3);
        }
    }
    let mut z = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// Above 0, at most 1.
fn unit(bits: u64) -> f64 {
    ((bits >> 11) + 1) as f64 / (1u64 << 53) as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::row::{Measure, Named, ROUNDING_M, measured};
    use crate::audit::scene::Areas;
    use crate::model::GroundFrame;
    use geo::MultiPolygon;

    fn audit(id: usize, short: f64) -> BlockAudit {
        let measure = Measure {
            short,
            rounding: ROUNDING_M,
            tolerance: 0.0,
            doubt: None,
            doubt_may_save: false,
        };
        let named = Named {
            id: "reserve:stream-s3",
            title: "Reserve".to_owned(),
            unit: "m",
        };
        let mut judged = measured(named, (20.0, 20.0 - short), measure, "a rule".into());
        judged.row.x = Some(id as f64);
        judged.row.y = Some(0.0);
        BlockAudit {
            id: format!("B-{id}"),
            portfolio: None,
            frame: GroundFrame::SAME,
            status: judged.status(),
            areas: Areas::default(),
            uncut: false,
            rows: vec![judged],
            cut: MultiPolygon(vec![]),
            shared: None,
        }
    }

    #[test]
    fn a_sample_is_the_same_for_a_seed_and_leans_towards_risk() {
        // Ten blocks fall short, 990 have ten metres and more to spare.
        let audits: Vec<BlockAudit> = (0..1000)
            .map(|id| audit(id, if id % 100 == 0 { 2.0 } else { -10.0 }))
            .collect();
        let draw = |seed| {
            let mut sampler = Sampler::new(40, seed);
            audits.iter().for_each(|audit| sampler.add(audit));
            sampler.finish()
        };
        assert_eq!(draw(7), draw(7));
        assert_ne!(draw(7), draw(8));
        assert_eq!(draw(7).len(), 40);
        let failing: usize = (0..50)
            .map(|seed| draw(seed).iter().filter(|p| p.status == "fail").count())
            .sum();
        // Their weight is 80 of 80 + 990 x 0.4 (about): evenly drawn they would be 20 of 2000.
        assert!(failing > 250 && failing < 450, "{failing}");
    }

    #[test]
    fn any_place_is_on_the_edge_and_every_metre_of_it_as_likely() {
        let ring = vec![(0., 0.), (300., 0.), (300., 100.), (0., 100.), (0., 0.)];
        let mut cut = audit(1, 0.0);
        cut.cut = MultiPolygon(vec![geo::Polygon::new(ring.into(), vec![])]);
        let places: Vec<SamplePoint> = (0..2000)
            .map(|seed| any_place(&cut, seed).expect("the cut has an edge"))
            .collect();
        let share = |here: &dyn Fn(&SamplePoint) -> bool| {
            places.iter().filter(|p| here(p)).count() as f64 / places.len() as f64
        };
        let along = |p: &SamplePoint| (p.y == 0.0 || p.y == 100.0) && (0.0..=300.0).contains(&p.x);
        let across = |p: &SamplePoint| (p.x == 0.0 || p.x == 300.0) && (0.0..=100.0).contains(&p.y);
        assert_eq!(share(&|p| along(p) || across(p)), 1.0);
        // 600 of 800 m, and of the first side 300 of 800 m with half of that in its middle half. A share of 2000 strays
        // by 1.1 %.
        assert!((share(&along) - 0.75).abs() < 0.04);
        let middle = |p: &SamplePoint| p.y == 0.0 && (75.0..=225.0).contains(&p.x);
        assert!((share(&middle) - 0.1875).abs() < 0.04);
    }
}
