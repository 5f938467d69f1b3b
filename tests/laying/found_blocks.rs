//! Blocks that once went wrong. Their outlines stand in fixtures/found_blocks.

use crate::in_memory;

use blockwright::engines::ENGINES;
use blockwright::geometry::buffer::Engines;
use blockwright::geometry::wkb;
use blockwright::model::*;
use gdal::vector::Geometry;
use geo::MultiPolygon;
use in_memory::{block, feature, lay_out, line, ring, rules};

fn found(name: &str) -> SourceBlock {
    let path = format!("fixtures/found_blocks/{name}.wkt");
    let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{path}: {error}"));
    let outline = Geometry::from_wkt(text.trim()).unwrap();
    assert!(outline.is_valid());
    block(MultiPolygon(
        wkb::read(&outline.wkb().unwrap()).unwrap().polygons,
    ))
}

fn without_pass() -> Settings {
    let mut settings = Settings::default();
    settings.layout.boundary_pass = false;
    settings
}

fn fails(plan: &BlockPlan) -> Vec<&ComplianceRow> {
    let rows = plan.compliance.iter();
    rows.filter(|row| row.status == Verdict::Fail).collect()
}

/// The comb's phase ends the last strip at the block's right end, but for a rounding.
#[test]
fn no_piece_is_lost_where_the_last_strip_ends_at_the_end_of_the_block() {
    let plan = lay_out(
        ENGINES,
        &without_pass(),
        &rules(0.0),
        &[],
        &found("strip_lost_by_a_rounding"),
    )
    .unwrap();
    assert!(fails(&plan).is_empty(), "{:?}", fails(&plan));
}

/// The corner of a strip is seen along two edges.
#[test]
fn every_strip_is_valid_where_a_corner_stands_on_the_side_of_a_strip() {
    let mut settings = Settings::default();
    settings.layout.azimuth = Azimuth::LongSide;
    let features = [
        feature(
            LayerKind::Streams,
            Some("S4"),
            None,
            line(&[
                (512769.6945734329, 5411665.204229884),
                (512461.94447042735, 5412105.074213697),
                (512235.7775987989, 5412589.105799011),
                (511944.7371162205, 5413038.020822915),
            ]),
        ),
        feature(
            LayerKind::Streams,
            Some("S9"),
            None,
            line(&[
                (512673.83604628907, 5411593.664802325),
                (512495.48962609365, 5412374.012944109),
                (512339.6557680879, 5413158.701290101),
            ]),
        ),
        feature(
            LayerKind::Roads,
            None,
            None,
            line(&[
                (513151.491735, 5412315.661899862),
                (512890.01235300273, 5412368.679840215),
                (512617.46192457445, 5412356.579637276),
                (512353.16756517946, 5412393.040326),
                (512093.9638905906, 5412459.443617236),
                (511839.9141432944, 5412556.161493281),
                (511574.1262309573, 5412583.83733993),
            ]),
        ),
    ];
    let block = found("ring_crossed_by_a_rounding");
    let share = 0.34591303464411793;
    let plan = lay_out(Engines::pure(), &settings, &rules(share), &features, &block).unwrap();
    for strip in &plan.strips {
        let shape = Geometry::from_wkb(&wkb::write_polygon(&strip.shape, [0.0; 2])).unwrap();
        assert!(shape.is_valid(), "{:?}: {}", strip.id, shape.wkt().unwrap());
    }
}

/// The lake keeps its distance from the block, but not from the road outside it, where the machine may stand.
#[test]
fn the_machine_keeps_off_a_reserve_beside_the_road_outside_the_block() {
    let road = line(&[
        (511561.6042271727, 5412516.884146988),
        (511817.35137646855, 5412441.355961931),
        (512073.0985257644, 5412365.8277768735),
        (512328.84567506035, 5412290.299591815),
        (512569.4185339653, 5412163.389508634),
        (512840.3399736521, 5412139.243221699),
        (513096.087122948, 5412063.715036642),
    ]);
    let lake = geo::Polygon::new(
        ring(&[
            (512590.5441089501, 5412123.371078815),
            (512570.36210204236, 5412170.096491537),
            (512581.49902397825, 5412126.310005077),
            (512587.089193922, 5412118.615796234),
        ]),
        vec![],
    );
    let block = found("road_passes_a_lake");
    for width_m in [6.0, 12.0, 20.0] {
        let features = [
            feature(LayerKind::Roads, None, Some(width_m), road.clone()),
            feature(
                LayerKind::Lakes,
                Some("L1-B"),
                None,
                Shape::Polygons(MultiPolygon(vec![lake.clone()])),
            ),
        ];
        let plan = lay_out(ENGINES, &without_pass(), &rules(0.0), &features, &block).unwrap();
        assert!(
            fails(&plan).is_empty(),
            "road of {width_m} m: {:?}",
            fails(&plan)
        );
    }
}
