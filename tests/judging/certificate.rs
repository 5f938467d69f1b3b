//! The certificate of what is cut: given for sound plans, refused for every fault that a lying overlay engine makes, and
//! repaired by the other engine.

use crate::in_memory;

use blockwright::compliance::certified_plan;
use blockwright::engines::{ENGINES, GeosOverlay, OVERLAYS};
use blockwright::geometry::area::area;
use blockwright::geometry::distance::{point_segment, segment_segment};
use blockwright::geometry::grid_overlay::GridOverlay;
use blockwright::geometry::overlay_engine::{Op, Overlay};
use blockwright::layout::{Context, LayoutError};
use blockwright::model::*;
use blockwright::rulebook::{Rulebook, Width};
use geo::{Coord, MultiLineString, MultiPoint, MultiPolygon, Point, Polygon};
use in_memory::*;
use proptest::prelude::*;

/// An engine that is `i_overlay` but for one kind of fault.
struct Lying(fn(&MultiPolygon, &[Polygon], Op, MultiPolygon) -> MultiPolygon);

impl Overlay for Lying {
    fn name(&self) -> &'static str {
        "lying"
    }

    fn areas(&self, subject: &MultiPolygon, clip: &[Polygon], op: Op) -> Option<MultiPolygon> {
        let right = GridOverlay.areas(subject, clip, op)?;
        Some((self.0)(subject, clip, op, right))
    }

    fn lines(
        &self,
        lines: &MultiLineString,
        polygons: &[Polygon],
        inside: bool,
    ) -> Option<MultiLineString> {
        GridOverlay.lines(lines, polygons, inside)
    }
}

/// Leaves small things uncut, such as the reserve of a spring.
static BLIND_TO_SMALL: Lying = Lying(|subject, clip, op, right| {
    let small = |clip: &&Polygon| area(&MultiPolygon(vec![(*clip).clone()])) < 2_000.0;
    if op == Op::Difference && clip.iter().any(|clip| small(&clip)) {
        let rest: Vec<Polygon> = clip.iter().filter(|clip| !small(clip)).cloned().collect();
        return GridOverlay.areas(subject, &rest, op).unwrap_or(right);
    }
    right
});
/// Cuts nothing off.
static BLIND: Lying = Lying(|subject, _, op, right| match op {
    Op::Difference => subject.clone(),
    _ => right,
});
/// Gives a piece of 133 m2 back wherever much is cut off.
static GIVING_BACK: Lying = Lying(|subject, clip, op, mut right| {
    if op == Op::Difference
        && clip.len() > 1
        && area(subject) > 50_000.0
        && let Some(corner) = clip[0].exterior().0.first()
    {
        right.0.push(rectangle(
            corner.x - 3.0,
            corner.y - 3.0,
            corner.x + 16.0,
            corner.y + 4.0,
        ));
    }
    right
});
/// Loses the smallest piece of what has several.
static FORGETFUL: Lying = Lying(|_, _, op, mut right| {
    if op == Op::Intersection && right.0.len() > 1 {
        right.0.pop();
    }
    right
});
/// Moves everything a little.
static SHAKY: Lying = Lying(|_, _, op, right| match op {
    Op::Difference => {
        let moved = |c: Coord| Coord {
            x: c.x + 0.05,
            y: c.y,
        };
        blockwright::geometry::frame::map_polygons(&right, moved)
    }
    _ => right,
});
static NOT_A_NUMBER: Lying = Lying(|_, _, op, right| match op {
    Op::Difference => blockwright::geometry::frame::map_polygons(&right, |c| Coord {
        x: c.x,
        y: if c.y > 150.0 { f64::NAN } else { c.y },
    }),
    _ => right,
});
static CRASHING: Lying = Lying(|_, _, op, right| {
    assert!(op != Op::Difference, "on purpose");
    right
});

const FAULTS: [(&str, &Lying); 7] = [
    ("blind to small", &BLIND_TO_SMALL),
    ("blind", &BLIND),
    ("giving back", &GIVING_BACK),
    ("forgetful", &FORGETFUL),
    ("shaky", &SHAKY),
    ("not a number", &NOT_A_NUMBER),
    ("crashing", &CRASHING),
];

/// A block with a road along its south, a stream across, a pond, and a spring far from everything else.
fn district() -> (Vec<Feature>, SourceBlock, Rulebook) {
    let shape = MultiPolygon(vec![rectangle(0.0, 0.0, 500.0, 400.0)]);
    let stream = line(&[(-50., 260.), (120., 250.), (300., 280.), (560., 255.)]);
    let pond = Shape::Polygons(MultiPolygon(vec![rectangle(350., 60., 390., 110.)]));
    let spring = Shape::Points(MultiPoint(vec![Point::new(150.0, 120.0)]));
    let road = line(&[(-50., -6.), (560., -6.)]);
    let features = vec![
        feature(LayerKind::Streams, Some("S3"), Some(3.0), stream),
        feature(LayerKind::Lakes, None, None, pond),
        feature(LayerKind::Protected, None, None, spring),
        feature(LayerKind::Roads, None, Some(12.0), road),
    ];
    let mut rules = rules(0.1);
    for line in &mut rules.lines {
        if line.kind == LayerKind::Protected {
            line.reserve = Width::Metres(15.0);
        }
    }
    (features, block(shape), rules)
}

fn in_context<T>(work: impl FnOnce(Context<'_>, &SourceBlock) -> T) -> T {
    let (features, block, rules) = district();
    let settings = Settings::default();
    in_memory::in_context(ENGINES, &settings, &rules, &features, None, |context| {
        work(context, &block)
    })
}

fn certified(overlays: &[&'static dyn Overlay]) -> Result<BlockPlan, LayoutError> {
    in_context(|context, block| certified_plan(context, block, overlays))
}

fn judged_anew(mut plan: BlockPlan) -> Option<CutFault> {
    plan.compliance.clear();
    in_context(|context, block| blockwright::compliance::judge(context, block, &mut plan));
    plan.certificate.fault
}

#[test]
fn a_sound_plan_has_its_certificate() {
    for overlay in OVERLAYS {
        let plan = certified(&[overlay]).unwrap();
        let certificate = &plan.certificate;
        assert_eq!(certificate.fault, None, "{}", overlay.name());
        assert!(!certificate.other_overlay);
        // Three features: what is cut, and what is driven.
        assert!(certificate.pairs >= 6, "{certificate:?}");
        let margin_m = certificate
            .margin_m
            .expect("something runs along a reserve");
        assert!((-0.001..0.05).contains(&margin_m), "{margin_m}");
        assert!(plan.strips_count > 10);
    }
}

#[test]
fn every_fault_is_refused_and_repaired_by_the_other_engine() {
    let honest = certified(&OVERLAYS).unwrap();
    for (name, lying) in FAULTS {
        let alone = std::panic::catch_unwind(|| certified(&[lying]));
        match alone {
            Ok(alone) => {
                let refused = matches!(alone, Err(LayoutError::CutUncertified { .. }));
                assert!(refused, "{name}: {:?}", alone.map(|plan| plan.certificate));
            }
            Err(_) => assert_eq!(name, "crashing"),
        }
        let repaired = certified(&[lying, &GeosOverlay]).unwrap_or_else(|e| panic!("{name}: {e}"));
        assert!(repaired.certificate.other_overlay, "{name}");
        let differ_m2 = (repaired.books.net_m2 - honest.books.net_m2).abs();
        assert!(differ_m2 < 0.01, "{name}: {differ_m2}");
    }
}

#[test]
fn the_refusal_names_the_feature_and_the_first_engines_fault() {
    let error = certified(&[&BLIND, &FORGETFUL]).unwrap_err();
    let message = error.to_string();
    for word in ["streams, feature streams 1, near (", " m is required"] {
        assert!(message.contains(word), "{message}");
    }
    // The place is the middle of a leg of the stream, or of what of one is near: on the stream, and by the block.
    let (_, place) = message.split_once("near (").unwrap();
    let (place, _) = place.split_once(')').unwrap();
    let place: Vec<f64> = place
        .split(", ")
        .map(|part| part.parse().unwrap())
        .collect();
    let place = Coord {
        x: place[0],
        y: place[1],
    };
    let legs = [(-50., 260.), (120., 250.), (300., 280.), (560., 255.)].map(Coord::from);
    let off_m = legs
        .windows(2)
        .map(|leg| point_segment(place, leg[0], leg[1]));
    let off_m = off_m.fold(f64::INFINITY, f64::min);
    // It is written to a tenth of a metre.
    assert!(off_m < 0.1, "{message}");
    let error = certified(&[&FORGETFUL, &BLIND]).unwrap_err();
    assert!(error.to_string().contains("do not balance"), "{error}");
}

/// A spring in the middle of a wide strip: no edge of the strip comes near it.
#[test]
fn what_a_strip_covers_whole_is_found() {
    let mut plan = certified(&OVERLAYS).unwrap();
    let [x, y] = plan.origin();
    plan.strips[0].shape = rectangle(50. - x, 20. - y, 250. - x, 220. - y);
    let fault = judged_anew(plan).expect("a fault");
    let CutFault::On {
        feature_id, place, ..
    } = &fault
    else {
        panic!("{fault}");
    };
    assert_eq!(
        (feature_id.as_str(), *place),
        ("protected 1", [150.0, 120.0])
    );
}

#[test]
fn what_is_no_number_is_found() {
    let mut plan = certified(&OVERLAYS).unwrap();
    plan.lines[0].shape.0[0].x = f64::NAN;
    assert_eq!(judged_anew(plan), Some(CutFault::NoNumber));
}

/// A block of two pieces, the second wholly inside a protected area that touches neither outline.
#[test]
fn a_piece_that_lies_wholly_inside_protected_ground_is_not_cut() {
    let pieces = vec![
        rectangle(0.0, 0.0, 300.0, 200.0),
        rectangle(400.0, 0.0, 600.0, 200.0),
    ];
    let road = line(&[(-50., -6.), (650., -6.)]);
    let park = Shape::Polygons(MultiPolygon(vec![rectangle(350., -50., 650., 250.)]));
    let features = [
        feature(LayerKind::Roads, None, Some(12.0), road),
        feature(LayerKind::Protected, None, None, park),
    ];
    let settings = Settings::default();
    let block = block(MultiPolygon(pieces));
    let plan = in_memory::lay_out(ENGINES, &settings, &rules(0.1), &features, &block).unwrap();
    assert_eq!(plan.certificate.fault, None);
    assert!((plan.books.reserve_m2 - 40_000.0).abs() < 1.0);
    assert!((plan.books.net_m2 - 60_000.0).abs() < 1.0);
}

/// A block in two parts on one road, and a stream that comes to the road between them, far from either.
#[test]
fn no_road_is_driven_across_a_stream_that_has_nothing_to_say_in_the_block() {
    let part = |x: f64| {
        let corners = [(x, 0.), (x + 200., 0.), (x + 200., 330.), (x, 330.)];
        Polygon::new(ring(&corners), vec![])
    };
    let shape = MultiPolygon(vec![part(0.), part(400.)]);
    let road = line(&[(-50., -6.), (650., -6.)]);
    let stream = [(300., -150.), (300., 100.)];
    for crossed in [false, true] {
        let mut features = vec![feature(LayerKind::Roads, None, Some(12.0), road.clone())];
        if crossed {
            features.push(feature(
                LayerKind::Streams,
                Some("S3"),
                Some(3.0),
                line(&stream),
            ));
        }
        let settings = Settings::default();
        let plan = in_memory::lay_out(
            ENGINES,
            &settings,
            &rules(0.1),
            &features,
            &block(shape.clone()),
        );
        let plan = plan.unwrap();
        assert_eq!(plan.certificate.fault, None);
        let ways = plan.lines.iter().filter_map(|line| line.travel.as_ref());
        // Common practice: 20 m of reserve beside a bank 1.5 m from the centre line.
        let [x, y] = plan.origin();
        let off_m = ways
            .flat_map(|way| way.0.windows(2))
            .map(|w| {
                let stream = stream.map(|(e, n)| Coord { x: e - x, y: n - y });
                segment_segment(w[0], w[1], stream[0], stream[1])
            })
            .fold(f64::INFINITY, f64::min);
        assert_eq!(crossed, off_m >= 21.5 - 1e-3, "{off_m}");
    }
}

fn star(centre: (f64, f64), radii: &[f64]) -> Polygon {
    let step = std::f64::consts::TAU / radii.len() as f64;
    let corners: Vec<(f64, f64)> = (0u32..)
        .zip(radii)
        .map(|(k, r)| {
            let (sin, cos) = (step * f64::from(k)).sin_cos();
            (centre.0 + r * cos, centre.1 + r * sin)
        })
        .collect();
    Polygon::new(ring(&corners), vec![])
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]
    #[test]
    fn both_overlay_engines_agree(
        subject in prop::collection::vec(20.0..100.0f64, 3..12),
        clips in prop::collection::vec(
            ((-60.0..60.0f64, -60.0..60.0f64), prop::collection::vec(5.0..60.0f64, 3..9)), 0..5),
    ) {
        let subject = MultiPolygon(vec![star((0.0, 0.0), &subject)]);
        let clips: Vec<Polygon> = clips.iter().map(|(at, radii)| star(*at, radii)).collect();
        for op in [Op::Union, Op::Intersection, Op::Difference] {
            let [one, other] = OVERLAYS.map(|overlay| overlay.areas(&subject, &clips, op));
            let (one, other) = (area(&one.unwrap()), area(&other.unwrap()));
            prop_assert!((one - other).abs() < 1e-3, "{:?}: {} and {}", op, one, other);
        }
        let across = MultiLineString(vec![geo::LineString::from(vec![(-99., -3.), (99., 5.)])]);
        for inside in [true, false] {
            let length = |overlay: &dyn Overlay| -> f64 {
                let lines = overlay.lines(&across, &clips, inside).unwrap();
                lines.0.iter().map(blockwright::geometry::area::length).sum()
            };
            let [one, other] = OVERLAYS.map(length);
            prop_assert!((one - other).abs() < 1e-3, "{} and {}", one, other);
        }
    }
}
