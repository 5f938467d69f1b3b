//! Two hundred parts of five shapes (convex, L, U, with a pond, between two roads): every piece can be reached over
//! ground that may be driven, left to right, in and out by turns.

use crate::in_memory;
use crate::size;

use blockwright::engines::ENGINES;
use blockwright::geometry::wkb;
use blockwright::model::*;
use gdal::vector::Geometry;
use geo::{Centroid, LineString, MultiPolygon, Polygon};
use in_memory::{block, feature, lay_out, line, rectangle, ring, rules};

struct Draw(u64);

impl Draw {
    fn between(&mut self, low: f64, high: f64) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        low + (high - low) * ((self.0 >> 11) as f64 / (1u64 << 53) as f64)
    }
}

/// A block with its road below the x axis, and what else lies there.
fn site(number: u64) -> (Polygon, Vec<Feature>) {
    let mut draw = Draw(number.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
    let (w, h) = (draw.between(250.0, 550.0), draw.between(180.0, 450.0));
    let (u, v) = (draw.between(0.35, 0.65), draw.between(0.35, 0.65));
    let mut road = vec![(-100.0, -3.0), (w + 100.0, -3.0)];
    let mut others = vec![];
    let outline = match number % 5 {
        0 => vec![
            (0.0, 0.0),
            (w, 0.0),
            (w * draw.between(0.9, 1.1), h * draw.between(0.6, 1.0)),
            (w * u, h * 1.1),
            (0.0, h * draw.between(0.6, 1.0)),
        ],
        1 => vec![
            (0.0, 0.0),
            (w, 0.0),
            (w, h * v),
            (w * u, h * v),
            (w * u, h),
            (0.0, h),
        ],
        2 => {
            let (a, b) = (w * draw.between(0.25, 0.4), w * draw.between(0.6, 0.75));
            let (low, left) = (h * draw.between(0.35, 0.6), h * draw.between(0.7, 1.0));
            vec![
                (0.0, 0.0),
                (w, 0.0),
                (w, h),
                (b, h),
                (b, low),
                (a, low),
                (a, left),
                (0.0, left),
            ]
        }
        3 => {
            let (x, y) = (w * u, h * v);
            let radii = [draw.between(15.0, 60.0), draw.between(15.0, 40.0)];
            let corners: Vec<(f64, f64)> = (0..24)
                .map(|k| {
                    let (sin, cos) = (f64::from(k) * std::f64::consts::TAU / 24.0).sin_cos();
                    (x + radii[0] * cos, y + radii[1] * sin)
                })
                .collect();
            let pond = Shape::Polygons(MultiPolygon(vec![Polygon::new(ring(&corners), vec![])]));
            others.push(feature(LayerKind::Lakes, Some("L1-B"), None, pond));
            vec![(0.0, 0.0), (w, 0.0), (w, h), (0.0, h)]
        }
        _ => {
            road.pop();
            road.extend([(w + 3.0, -3.0), (w + 3.0, h + 100.0)]);
            vec![
                (0.0, 0.0),
                (w, 0.0),
                (w, h),
                (0.0, h * draw.between(0.6, 1.0)),
            ]
        }
    };
    others.push(feature(LayerKind::Roads, None, Some(6.0), line(&road)));
    (Polygon::new(ring(&outline), vec![]), others)
}

fn geos(shape: &MultiPolygon) -> Geometry {
    Geometry::from_wkb(&wkb::write_multi_polygon(shape, [0.0; 2])).unwrap()
}

fn geos_line(line: &LineString) -> Geometry {
    Geometry::from_wkb(&wkb::write_line(line, [0.0; 2])).unwrap()
}

/// Lines that run over more than 2 m of ground cut later, or pass corridors nearer than half the machine's width, by GEOS.
fn strays(plan: &BlockPlan) -> Vec<String> {
    let machine = Machine::default();
    let first = |id: PieceId| {
        let own = plan.lines.iter().filter(|line| line.id == id);
        own.map(|line| line.order).min()
    };
    let pieces: Vec<(PieceId, Option<u32>, Geometry)> = (plan.strips.iter())
        .map(|strip| {
            let shape = geos(&MultiPolygon(vec![strip.shape.clone()]));
            (strip.id, first(strip.id), shape)
        })
        .collect();
    let corridors = plan.corridors.iter().map(|c| c.shape.clone()).collect();
    let standing = geos(&MultiPolygon(corridors));
    let passed = standing.buffer(machine.half_width_m - 0.02, 16).unwrap();
    let mut found = Vec::new();
    for line in &plan.lines {
        let drawn = geos_line(&line.shape);
        let later = pieces.iter().filter(|(id, order, _)| {
            *id != line.id && order.is_none_or(|order| order > line.order)
        });
        let over = later.filter_map(|(_, _, shape)| drawn.intersection(shape));
        let over_m: f64 = over.map(|over| over.length()).sum();
        if over_m > 2.0 {
            found.push(format!(
                "{}: {over_m:.1} m over ground cut later",
                line.order
            ));
        }
        let near_m = drawn
            .intersection(&passed)
            .map_or(0.0, |near| near.length());
        if line.kind == StripKind::BoundaryPass && near_m > 0.1 {
            found.push(format!(
                "{}: {near_m:.2} m too near to a corridor",
                line.order
            ));
        }
    }
    found
}

#[test]
fn pieces_of_two_hundred_parts_are_reached_over_open_ground() {
    let mut settings = Settings::default();
    settings.production.stems_per_ha = Some(600.0);
    settings.production.tree_m3 = Some(0.3);
    let (mut pieces, mut out_of_reach, mut parts) = (0, 0, 0);
    let mut strayed = Vec::new();
    for number in 0..size::of(60, 200) as u64 {
        let (shape, features) = site(number);
        let block = block(MultiPolygon(vec![shape]));
        let plan = lay_out(ENGINES, &settings, &rules(0.06), &features, &block).unwrap();
        parts += plan.parts.len();
        pieces += plan.lines.len();
        let missing = plan
            .findings
            .iter()
            .filter(|f| f.rule_id == "reachable")
            .count();
        let silent = plan.lines.iter().rev().skip(1);
        assert_eq!(
            missing,
            silent.filter(|line| line.travel.is_none()).count(),
            "block {number}"
        );
        out_of_reach += missing;

        // No way and no track enters a reserve or leaves block and roads, by more than grid dust; GEOS says so.
        let of_kind = |kind: ZoneKind| {
            let zones = plan.zones.iter().filter(|zone| zone.kind == kind);
            MultiPolygon(zones.flat_map(|zone| zone.shape.0.clone()).collect())
        };
        let reserve = geos(&of_kind(ZoneKind::Reserve)).buffer(0.0, 8).unwrap();
        let roads = geos(&of_kind(ZoneKind::RoadClearing))
            .buffer(0.02, 8)
            .unwrap();
        let open = geos(&plan.shape)
            .buffer(0.02, 8)
            .unwrap()
            .union(&roads)
            .unwrap();
        strayed.extend(strays(&plan).into_iter().map(|found| (number, found)));
        for line in &plan.lines {
            for shape in [Some(&line.shape), line.travel.as_ref()]
                .into_iter()
                .flatten()
            {
                let drawn = geos_line(shape);
                let length = |g: Option<Geometry>| g.map_or(0.0, |g| g.length());
                let within = length(drawn.intersection(&reserve));
                let outside = length(drawn.difference(&open));
                assert!(
                    within < 0.01,
                    "block {number}, {}: {within} m in a reserve",
                    line.order
                );
                assert!(
                    outside < 0.05,
                    "block {number}, {}: {outside} m outside",
                    line.order
                );
            }
        }
    }
    assert!(strayed.is_empty(), "{strayed:?}");
    let share = 1.0 - f64::from(out_of_reach as u32) / pieces as f64;
    println!("{parts} parts, {pieces} pieces, {out_of_reach} out of reach: {share:.5} reachable");
    assert!(share > 0.995, "{out_of_reach} of {pieces}");
}

/// By hand, on a rectangle with its road in the south: the first strip goes in, the next out again, from west to east, and each
/// way to the next begins where a line ends and leads to where the next begins.
#[test]
fn strips_go_in_and_out_by_turns() {
    let mut block = block(MultiPolygon(vec![rectangle(0., 0., 400., 300.)]));
    block.azimuth_deg = Some(0.0);
    let road = line(&[(-50., -5.), (450., -5.)]);
    let features = [feature(LayerKind::Roads, None, Some(8.0), road)];
    let plan = lay_out(
        ENGINES,
        &Settings::default(),
        &rules(0.0),
        &features,
        &block,
    )
    .unwrap();
    let orders: Vec<u32> = plan.lines.iter().map(|line| line.order).collect();
    let all: Vec<u32> = (1..=plan.lines.len() as u32).collect();
    assert_eq!(orders, all);
    let ends = |line: &StripLine| {
        let coords = &line.shape.0;
        (coords[0], coords[coords.len() - 1])
    };
    let interior = plan.lines.iter();
    let interior: Vec<&StripLine> = interior
        .filter(|line| line.kind == StripKind::Interior)
        .collect();
    assert!(interior.len() > 15, "{}", interior.len());
    for (at, line) in interior.iter().enumerate() {
        let (from, to) = ends(line);
        let heading = if at % 2 == 0 {
            Heading::In
        } else {
            Heading::Out
        };
        assert_eq!(line.heading, heading, "{at}");
        assert_eq!(line.heading == Heading::In, to.y > from.y, "{at}");
        assert!(at == 0 || from.x > ends(interior[at - 1]).0.x, "{at}");
    }
    for pair in plan.lines.windows(2) {
        let Some(travel) = &pair[0].travel else {
            continue;
        };
        let (begins, leads) = (travel.0[0], travel.0[travel.0.len() - 1]);
        let apart = |a: geo::Coord, b: geo::Coord| (a - b).x.hypot((a - b).y);
        assert!(apart(begins, ends(&pair[0]).1) < 1e-6, "{:?}", pair[0].id);
        assert!(apart(leads, ends(&pair[1]).0) < 1e-6, "{:?}", pair[1].id);
        let length_m: f64 = travel.0.windows(2).map(|w| apart(w[0], w[1])).sum();
        let told_m = pair[0].travel_to_next_m.unwrap();
        assert!((length_m - told_m).abs() < 1e-6, "{length_m} {told_m}");
    }
}

/// Sections are numbered as they are come to, on the way out too (docs/schema.md).
#[test]
fn sections_are_numbered_along_the_way() {
    let mut counted = [0, 0];
    for number in 0..10 {
        let (shape, features) = site(number);
        let block = block(MultiPolygon(vec![shape]));
        let mut settings = Settings::default();
        settings.layout.level_ground = Some("invented".to_owned());
        let plan = lay_out(ENGINES, &settings, &rules(0.06), &features, &block).unwrap();
        for line in plan
            .lines
            .iter()
            .filter(|line| line.kind == StripKind::Interior)
        {
            let (from, to) = (line.shape.0[0], line.shape.0[line.shape.0.len() - 1]);
            let along =
                |c: geo::Point| (c.0 - from).x * (to - from).x + (c.0 - from).y * (to - from).y;
            let own = plan.sections.iter().filter(|section| section.id == line.id);
            let own: Vec<(u32, f64)> = own
                .map(|section| (section.section_no, along(section.shape.centroid().unwrap())))
                .collect();
            let numbers: Vec<u32> = own.iter().map(|(number, _)| *number).collect();
            assert_eq!(numbers, (1..=own.len() as u32).collect::<Vec<_>>());
            let rises = own.windows(2).all(|pair| pair[0].1 < pair[1].1);
            assert!(
                rises,
                "site {number}, {:?}, {:?}: {own:?}",
                line.id, line.heading
            );
            counted[usize::from(line.heading == Heading::Out)] += own.len() - 1;
        }
    }
    assert!(counted.iter().all(|pairs| *pairs > 50), "{counted:?}");
}
