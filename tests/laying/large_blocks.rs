//! Blocks that are far too large: set aside with a reason, while the others go on.

use crate::in_memory;

use std::cell::Cell;

use blockwright::engines::{ENGINES, GeosEngine};
use blockwright::geometry::buffer::{Engine, Engines, GeoEngine, Source};
use blockwright::geometry::distance::point_segment;
use blockwright::layout::{self, LayoutError, MOST_VERTICES};
use blockwright::model::{LayerKind, Settings, SourceBlock};
use geo::{Coord, LineString, MultiPolygon, Polygon};

fn round_block(vertices: usize) -> SourceBlock {
    let ring = (0..vertices).map(|k| {
        let (sin, cos) = (std::f64::consts::TAU * k as f64 / vertices as f64).sin_cos();
        Coord {
            x: 500_000.0 + 300.0 * cos,
            y: 5_400_000.0 + 300.0 * sin,
        }
    });
    let mut ring = LineString(ring.collect());
    ring.close();
    in_memory::block(MultiPolygon(vec![Polygon::new(ring, vec![])]))
}

#[test]
fn a_block_of_too_many_vertices_is_refused_with_their_number() {
    let (rules, settings) = (in_memory::rules(0.0), Settings::default());
    let laid_out = |vertices: usize| {
        in_memory::in_context(ENGINES, &settings, &rules, &[], None, |context| {
            layout::lay_out(context, &round_block(vertices))
        })
    };
    let refused = laid_out(MOST_VERTICES + 1).err().unwrap();
    assert!(matches!(refused, LayoutError::TooLarge { vertices } if vertices == MOST_VERTICES + 2));
    assert!(refused.to_string().contains("500002"), "{refused}");
    assert!(laid_out(400).is_ok());
}

thread_local! {
    static MOST_NEAR: Cell<usize> = const { Cell::new(0) };
}

/// GEOS; keeps in mind how many edges of a source lie within the distance of one of its vertices, at most.
struct Watched;

impl Engine for Watched {
    fn name(&self) -> &'static str {
        "watched"
    }

    fn buffer(&self, source: &Source, distance_m: f64, quarter: u32) -> Option<MultiPolygon> {
        let segments = source.segments(0);
        let near = |p: Coord| {
            let off_m = segments.iter().map(|s| point_segment(p, s.a, s.b));
            off_m.filter(|&off_m| off_m < distance_m.abs()).count()
        };
        let most = segments.iter().map(|s| near(s.a)).max();
        MOST_NEAR.set(MOST_NEAR.get().max(most.unwrap_or(0)));
        GeosEngine.buffer(source, distance_m, quarter)
    }
}

/// A stream of 800 short bends across a block: the time that GEOS takes over a source grows with the edges in it and with
/// the square of those that lie within the distance of each, which were all.
#[test]
fn no_engine_is_asked_for_what_takes_it_long() {
    let mut rules = in_memory::rules(0.1);
    let line = rules.lines.iter_mut().find(|line| line.class == "S2");
    line.unwrap().management_share = 0.2;
    let zigzag: Vec<(f64, f64)> = (0..800)
        .map(|k| {
            (
                500_000.0 + 0.375 * f64::from(k),
                5_400_100.0 + 0.5 * f64::from(k % 2),
            )
        })
        .collect();
    let stream = in_memory::feature(
        LayerKind::Streams,
        Some("S2"),
        Some(2.0),
        in_memory::line(&zigzag),
    );
    let block = in_memory::block(MultiPolygon(vec![in_memory::rectangle(
        500_000.0,
        5_400_000.0,
        500_300.0,
        5_400_240.0,
    )]));
    let engines = Engines {
        first: &Watched,
        other: &GeoEngine,
    };
    let settings = Settings::default();
    MOST_NEAR.set(0);
    let plan = in_memory::in_context(engines, &settings, &rules, &[stream], None, |context| {
        layout::lay_out(context, &block)
    });
    let plan = plan.unwrap();
    assert!(
        plan.zones.iter().any(|zone| zone.width_m >= 20.0),
        "no reserve was drawn"
    );
    assert!(MOST_NEAR.get() <= 200, "{} edges", MOST_NEAR.get());
}
