//! Blocks that are far too large: set aside with a reason, while the others go on.

mod in_memory;

use blockwright::engines::ENGINES;
use blockwright::layout::{self, LayoutError, MOST_VERTICES};
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
