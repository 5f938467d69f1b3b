//! Where felled wood lies: on cut ground only, off every way still to be driven, and all of it accounted for.

use crate::in_memory;
use crate::measured;
use crate::size;

use std::collections::BTreeMap;

use blockwright::batch::{self, Options, Progress};
use blockwright::demo::{DemoOptions, write};
use blockwright::engines::ENGINES;
use blockwright::geometry::area::polygon_area;
use blockwright::geometry::distance::segment_segment;
use blockwright::geometry::frame::azimuth_deg;
use blockwright::geometry::overlay::difference;
use blockwright::model::*;
use blockwright::project;
use gdal::vector::Geometry;
use geo::{Coord, LineString, MultiPolygon};
use in_memory::{block, feature, lay_out, line, rectangle, ring, rules};
use measured::{Boxes, Row, read};

fn settings() -> Settings {
    let mut settings = Settings::default();
    settings.production.stems_per_ha = Some(500.0);
    settings.production.tree_m3 = Some(0.4);
    settings
}

/// Rectangle, L, triangle and a block around a lake, each with a road along its south side, with and without corridors.
fn plans() -> Vec<(String, BlockPlan)> {
    let road = feature(
        LayerKind::Roads,
        None,
        Some(10.0),
        line(&[(-200.0, -6.0), (700.0, -6.0)]),
    );
    let lake = rectangle(180.0, 120.0, 260.0, 170.0);
    let shapes: [(&str, MultiPolygon); 4] = [
        ("rectangle", rectangle(0.0, 0.0, 420.0, 280.0).into()),
        (
            "L",
            difference(
                &rectangle(0.0, 0.0, 420.0, 380.0).into(),
                &[rectangle(200.0, 150.0, 500.0, 500.0)],
            ),
        ),
        (
            "triangle",
            geo::Polygon::new(ring(&[(0.0, 0.0), (400.0, 0.0), (90.0, 350.0)]), vec![]).into(),
        ),
        ("lake", rectangle(0.0, 0.0, 450.0, 300.0).into()),
    ];
    let mut plans = Vec::new();
    for (name, shape) in shapes {
        let mut features = vec![road.clone()];
        if name == "lake" {
            let shape = Shape::Polygons(lake.clone().into());
            features.push(feature(LayerKind::Lakes, Some("L1-B"), None, shape));
        }
        for share in [0.0, 0.12] {
            let block = block(shape.clone());
            let plan = lay_out(ENGINES, &settings(), &rules(share), &features, &block).unwrap();
            assert!(plan.bunches.len() > 50, "{name}: {}", plan.bunches.len());
            plans.push((format!("{name} at {share}"), plan));
        }
    }
    plans
}

fn ends(bunch: &Bunch) -> (Coord, Coord) {
    (bunch.shape.0[0], bunch.shape.0[1])
}

fn clearance_m(of: &Bunch, line: &LineString) -> f64 {
    let (a, b) = ends(of);
    line.0
        .windows(2)
        .map(|w| segment_segment(a, b, w[0], w[1]))
        .fold(f64::INFINITY, f64::min)
}

#[test]
fn all_wood_is_laid_or_reported() {
    for (name, plan) in plans() {
        let mut wood: BTreeMap<(u32, u32), f64> = BTreeMap::new();
        for strip in &plan.strips {
            let m3 = polygon_area(&strip.shape) * 500.0 / 10_000.0 * 0.4;
            *wood.entry((strip.id.part, strip.id.strip_no)).or_default() += m3;
        }
        let felled: f64 = wood.values().sum();
        for bunch in &plan.bunches {
            assert!((bunch.volume_m3 - 0.4 * bunch.trees).abs() < 1e-6, "{name}");
            // Whole trees within 3.4 m3, and less than one more from the end of the drive.
            assert!(bunch.volume_m3 < 3.2 + 0.4, "{name}: {bunch:?}");
            *wood.get_mut(&(bunch.id.part, bunch.id.strip_no)).unwrap() -= bunch.volume_m3;
        }
        let reported: f64 = plan
            .findings
            .iter()
            .filter(|finding| finding.rule_id == "bunch-place")
            .filter_map(|finding| finding.measured)
            .sum();
        for (strip, left) in &wood {
            assert!(left.abs() < 3.4 + reported, "{name}: {strip:?} {left}");
        }
        let left: f64 = wood.values().sum();
        assert!((left - reported).abs() < 1e-6, "{name}: {left}");
        assert!(reported < 0.01 * felled, "{name}: {reported} of {felled}");
    }
}

/// As docs/algorithms.md, Bunches, says.
#[test]
fn a_bunch_is_as_long_as_its_trees_and_in_a_boundary_pass_lies_on_the_side_of_the_edge() {
    let full_m = settings().production.bunch_length_m;
    let (mut whole, mut all, mut edge, mut astray) = (0, 0, 0, 0);
    for (name, plan) in plans() {
        let outline: Vec<&LineString> = plan.shape.0.iter().map(|p| p.exterior()).collect();
        for bunch in &plan.bunches {
            let (butt, top) = ends(bunch);
            let share = (top - butt).x.hypot((top - butt).y) / full_m;
            let drawn = [1.0, 0.75, 0.5, 0.25];
            assert!(
                drawn.iter().any(|part| (share - part).abs() < 1e-9),
                "{name}: {share}"
            );
            all += 1;
            whole += u32::from(share > 0.99);
            let drives = plan.lines.iter().filter(|line| line.id == bunch.id);
            let line = drives.min_by(|a, b| {
                clearance_m(bunch, &a.shape).total_cmp(&clearance_m(bunch, &b.shape))
            });
            let line = line.expect("a bunch has a drive");
            // The same bunch on the other side of the drive.
            let other = Bunch {
                shape: mirrored(&bunch.shape, line),
                ..bunch.clone()
            };
            // Around the lake the edge is that of its reserve.
            if bunch.placement == Placement::AgainstEdge && !name.starts_with("lake") {
                edge += 1;
                let off_m = |of: &Bunch| {
                    let each = outline.iter().map(|ring| clearance_m(of, ring));
                    each.fold(f64::INFINITY, f64::min)
                };
                // In a corner both sides may lie along an edge, and so they do along a spur.
                let (own_m, other_m) = (off_m(bunch), off_m(&other));
                if own_m >= 6.0 && own_m > other_m + 1e-6 {
                    astray += 1;
                    println!("{name}: {own_m} {other_m} {bunch:?}");
                }
            }
        }
    }
    assert!(f64::from(whole) > 0.8 * f64::from(all), "{whole} of {all}");
    assert!(edge > 100, "{edge}");
    assert!(astray * 100 <= edge, "{astray} of {edge}");
}

/// A line through the nearest leg of a drive to its other side.
fn mirrored(shape: &LineString, drive: &StripLine) -> LineString {
    let off_m = |w: &[Coord]| segment_segment(shape.0[0], shape.0[1], w[0], w[1]);
    let leg = drive
        .shape
        .0
        .windows(2)
        .min_by(|a, b| off_m(a).total_cmp(&off_m(b)));
    let (a, b) = (leg.unwrap()[0], leg.unwrap()[1]);
    let along = (b - a) / (b - a).x.hypot((b - a).y);
    let across = |c: &Coord| {
        let from = *c - a;
        let ahead = from.x * along.x + from.y * along.y;
        a + along * (2.0 * ahead) - from
    };
    LineString(shape.0.iter().map(across).collect())
}

#[test]
fn no_bunch_lies_on_a_way_still_to_be_driven() {
    let half_width_m = Machine::default().half_width_m;
    for (name, plan) in plans() {
        let mut last: BTreeMap<PieceId, u32> = BTreeMap::new();
        let mut first: BTreeMap<PieceId, u32> = BTreeMap::new();
        for line in &plan.lines {
            last.insert(line.id, line.order);
            first.entry(line.id).or_insert(line.order);
        }
        for bunch in &plan.bunches {
            // Which drive of its piece laid it is not told: later than the last of them is later in any case.
            let from = if first[&bunch.id] == last[&bunch.id] {
                first[&bunch.id]
            } else {
                last[&bunch.id] + 1
            };
            for line in plan.lines.iter().filter(|line| line.order >= from) {
                let ways = [Some(&line.shape), line.travel.as_ref()];
                for way in ways.into_iter().flatten() {
                    let clear_m = clearance_m(bunch, way);
                    assert!(clear_m >= half_width_m, "{name}: {bunch:?} {clear_m}");
                }
            }
        }
    }
}

#[test]
fn butts_point_to_the_road_and_inbound_wood_lies_at_45_degrees() {
    let (mut left, mut right, mut all_out) = (0, 0, 0);
    for (name, plan) in plans() {
        let mut lines: BTreeMap<PieceId, Vec<&StripLine>> = BTreeMap::new();
        for line in &plan.lines {
            lines.entry(line.id).or_default().push(line);
        }
        for bunch in &plan.bunches {
            let &[line] = lines[&bunch.id].as_slice() else {
                continue;
            };
            if line.kind != StripKind::Interior {
                assert_ne!(bunch.placement, Placement::Left, "{name}");
                continue;
            }
            let (from, to) = (line.shape.0[0], line.shape.0[1]);
            let travel = azimuth_deg(to - from);
            let (butt, top) = ends(bunch);
            let turned = (azimuth_deg(top - butt) - travel).rem_euclid(360.0);
            let wanted = match (line.heading, bunch.placement) {
                (Heading::In, Placement::Left) => 315.0,
                (Heading::In, _) => 0.0,
                _ => 180.0,
            };
            let off = (turned - wanted + 180.0).rem_euclid(360.0) - 180.0;
            assert!(off.abs() < 0.01, "{name}: {turned} {bunch:?}");
            let along = (to - from) / (to - from).x.hypot((to - from).y);
            let forward = |c: Coord| along.x * (c.x - from.x) + along.y * (c.y - from.y);
            let aside = along.y * (butt.x - from.x) - along.x * (butt.y - from.y);
            if bunch.placement == Placement::Left {
                left += 1;
                assert!(aside < 0.0);
            }
            if line.heading == Heading::Out {
                all_out += 1;
                right += u32::from(aside > 0.0);
                assert!(forward(butt) > forward(top), "{name}");
            } else {
                assert!(forward(butt) < forward(top), "{name}");
            }
        }
    }
    assert!(left > 50, "{left}");
    assert!(
        f64::from(right) > 0.9 * f64::from(all_out),
        "{right} of {all_out}"
    );
}

/// Metres of a line inside a polygon, by GEOS.
fn shared_m(line: &Geometry, polygon: &Geometry) -> f64 {
    let within = measured::intersection(line, polygon);
    within.length()
}

#[test]
fn in_the_district_no_bunch_lies_where_none_may() {
    let folder = tempfile::tempdir().unwrap();
    let options = DemoOptions {
        blocks: size::of(6, 24),
        seed: 7,
    };
    let report = write(folder.path(), &options).unwrap();
    let out = folder.path().join("layout");
    let options = Options {
        out: out.clone(),
        only: vec![],
        jobs: None,
        progress: Progress::detect(true),
        started: String::new(),
        resume: false,
        kept: Default::default(),
        patience: None,
        plan: None,
        replaces: None,
    };
    let mut project = project::load(&report.project).unwrap();
    measured::lean(&mut project.settings.outputs);
    batch::run(&project, &options).unwrap();
    let layers = read(&out.join("layout.gpkg"));
    let bunches: Vec<(&Row, Geometry)> = layers["bunches"]
        .iter()
        .map(|row| (row, row.geometry()))
        .collect();
    assert!(bunches.len() > size::of(1000, 5000), "{}", bunches.len());
    let zones = layers["zones"].iter().filter(|zone| {
        ["reserve", "retained_band", "machine_exclusion"].contains(&zone.text("kind"))
    });
    let shut: Vec<(&Row, Geometry)> = zones
        .chain(&layers["corridors"])
        .chain(&layers["unworked"])
        .filter(|row| row.wkb.is_some())
        .map(|row| (row, row.geometry()))
        .filter(|(_, shape)| !shape.is_empty())
        .collect();
    let boxes = Boxes::of(shut.iter().map(|(_, shape)| shape));
    let blocks: BTreeMap<&str, Geometry> = layers["blocks"]
        .iter()
        .map(|row| (row.text("block_id"), row.geometry()))
        .collect();
    for (row, shape) in &bunches {
        let id = row.text("block_id");
        let length_m = shape.length();
        let inside_m = shared_m(shape, &blocks[id]);
        assert!(length_m - inside_m < 0.01, "{id}: {inside_m} of {length_m}");
        for at in boxes.near(shape, 0.0) {
            let (other, ground) = &shut[at];
            if other.text("block_id") == id {
                let shared_m = shared_m(shape, ground);
                assert!(
                    shared_m < 0.01,
                    "{id}: {shared_m} m of {row:?} in {other:?}"
                );
            }
        }
    }
}
