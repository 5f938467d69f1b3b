//! Blocks that are far too large: set aside with a reason, while the others go on.

mod in_memory;

use blockwright::engines::ENGINES;
use blockwright::landbase::Landbase;
use blockwright::layout::{self, Context, LayoutError, MOST_VERTICES};
use blockwright::model::{Settings, SourceBlock};
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
    let landbase = Landbase::new(&[], &rules, &settings.layout);
    let context = Context {
        landbase: &landbase,
        settings: &settings,
        rules: &rules,
        engines: ENGINES,
        terrain: None,
    };
    let refused = layout::lay_out(context, &round_block(MOST_VERTICES + 1))
        .err()
        .unwrap();
    assert!(matches!(refused, LayoutError::TooLarge { vertices } if vertices == MOST_VERTICES + 2));
    assert!(refused.to_string().contains("500002"), "{refused}");
    assert!(layout::lay_out(context, &round_block(400)).is_ok());
}
