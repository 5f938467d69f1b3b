//! Seeded intrusions: a sound layout is changed by a known amount, and the audit must find it and measure it to 1 cm.

use crate::audited;
use crate::in_memory;

use audited::{as_plan, audit, audit_among, of, shown};
use blockwright::audit::{AS_CUT_TOLERANCE_M, BlockAudit, BlockCut, CutPiece, Neighbours};
use blockwright::engines::ENGINES;
use blockwright::geometry::area::polygon_area;
use blockwright::geometry::frame::map_polygon;
use blockwright::model::*;
use blockwright::rulebook::Rulebook;
use geo::{Coord, MultiPolygon, Polygon};
use in_memory::{block, feature, lay_out, line, rectangle, rules};

/// A district of one block: a road along the south, a stream through the east, a lake in the west, another stream north
/// of the block.
struct District {
    rules: Rulebook,
    settings: Settings,
    features: Vec<Feature>,
    block: SourceBlock,
    cut: BlockCut,
}

const EAST: f64 = 600.0;
const NORTH: f64 = 400.0;

fn district() -> District {
    let mut features = vec![
        feature(
            LayerKind::Roads,
            None,
            Some(8.0),
            line(&[(-200., -5.), (800., -5.)]),
        ),
        feature(
            LayerKind::Streams,
            Some("S3"),
            Some(4.0),
            line(&[(450., -100.), (460., 200.), (440., 500.)]),
        ),
        feature(
            LayerKind::Lakes,
            Some("L1-B"),
            None,
            Shape::Polygons(MultiPolygon(vec![rectangle(-120., 150., 40., 260.)])),
        ),
        feature(
            LayerKind::Streams,
            Some("S4"),
            Some(1.2),
            line(&[(-100., 445.), (700., 445.)]),
        ),
    ];
    for (at, feature) in features.iter_mut().enumerate() {
        feature.id = format!("F-{at}");
    }
    let mut rules = rules(0.10);
    // The bands against the road are what is tested, not what memory says.
    for line in &mut rules.lines {
        line.citation.status = blockwright::rulebook::ReadStatus::ReadInSource;
    }
    rules.retention_share.citation.status = blockwright::rulebook::ReadStatus::ReadInSource;
    let mut settings = Settings::default();
    settings.layout.level_ground = Some("invented".to_owned());
    // Many corridors, to take from.
    settings.layout.corridor_spacings = 0.0;
    settings.layout.strips_between_corridors = 4;
    let block = block(MultiPolygon(vec![rectangle(0., 0., EAST, NORTH)]));
    let plan = lay_out(ENGINES, &settings, &rules, &features, &block).unwrap();
    District {
        cut: as_plan(&plan),
        rules,
        settings,
        features,
        block,
    }
}

impl District {
    fn judged(&self, cut: &BlockCut, tolerance_m: f64) -> BlockAudit {
        audit(
            &self.settings,
            &self.rules,
            &self.features,
            None,
            &self.block,
            cut,
            tolerance_m,
        )
    }

    fn with(&self, shape: Polygon) -> BlockCut {
        let mut cut = self.cut.clone();
        cut.pieces.push(CutPiece {
            shape,
            kind: None,
            part: 0,
        });
        cut
    }

    /// What is cut where some ground is left standing.
    fn less<'a>(&'a self, left: &'a [Polygon]) -> impl Iterator<Item = CutPiece> + 'a {
        self.cut.pieces.iter().flat_map(|piece| {
            let shape = MultiPolygon(vec![piece.shape.clone()]);
            let rest = blockwright::geometry::overlay::difference(&shape, left);
            rest.0.into_iter().map(|shape| CutPiece {
                shape,
                ..piece.clone()
            })
        })
    }

    fn required(&self, rule_id: &str) -> f64 {
        of(&self.judged(&self.cut, 0.0), rule_id)
            .row
            .row
            .required
            .unwrap()
    }
}

#[test]
fn nothing_is_found_in_a_sound_layout() {
    let district = district();
    let audit = district.judged(&district.cut, 0.0);
    assert!(audit.status <= Verdict::NotApplicable, "{}", shown(&audit));
    assert!(audit.rows.len() >= 8, "{}", shown(&audit));
}

#[test]
fn a_strip_pushed_towards_a_stream_is_measured_to_the_centimetre() {
    let district = district();
    let required_m = district.required("reserve:stream-s3");
    assert_eq!(required_m, 20.0);
    let mut found = 0;
    for by_m in [0.1, 0.5, 1.0, 3.0, 7.5, 15.0, 20.0] {
        // The stream's line passes (453.33, 0) to (460, 200): this edge is parallel to it.
        let along = Coord { x: 10.0, y: 300.0 } / 10.0f64.hypot(300.0);
        let left = Coord {
            x: -along.y,
            y: along.x,
        };
        let on_line = |m: f64| {
            Coord {
                x: 450.0,
                y: -100.0,
            } + along * m
        };
        let edge_m = 2.0 + required_m - by_m;
        let corners = [
            on_line(150.) + left * edge_m,
            on_line(180.) + left * edge_m,
            on_line(180.) + left * (edge_m + 30.0),
            on_line(150.) + left * (edge_m + 30.0),
        ];
        let points: Vec<(f64, f64)> = corners.iter().map(|c| (c.x, c.y)).collect();
        let strip = Polygon::new(in_memory::ring(&points), vec![]);
        let audit = district.judged(&district.with(strip.clone()), 0.0);
        let judged = of(&audit, "reserve:stream-s3");
        assert_eq!(judged.status(), Verdict::Fail, "{by_m}");
        let row = &judged.row;
        assert!(
            (row.short.unwrap() - by_m).abs() < 0.01,
            "{by_m}: {:?}",
            row.short
        );
        assert!((row.row.measured.unwrap() - (required_m - by_m)).abs() < 0.01);
        // A parallel edge of 30 m, pushed in by so much.
        assert!(
            (row.area_m2.unwrap() - 30.0 * by_m).abs() < 0.01 * 30.0,
            "{:?}",
            row.area_m2
        );
        let place = audit.frame.leave(judged.place.unwrap());
        let off = [place.x - 450.0, place.y + 100.0];
        let away_m = (off[0] * left.x + off[1] * left.y).abs();
        assert!((away_m - edge_m).abs() < 0.01, "{away_m} {edge_m}");
        // Within what a measurement may be off it is a warning, beyond it is not.
        let as_cut = district.judged(&district.with(strip), AS_CUT_TOLERANCE_M);
        let expected = if by_m > AS_CUT_TOLERANCE_M {
            Verdict::Fail
        } else {
            Verdict::Warn
        };
        let judged = of(&as_cut, "reserve:stream-s3");
        assert_eq!(judged.status(), expected, "{by_m}");
        assert_eq!(
            judged.row.message.contains("within tolerance"),
            by_m <= AS_CUT_TOLERANCE_M
        );
        found += 1;
    }
    assert_eq!(found, 7);
}

#[test]
fn a_cut_across_the_stream_and_one_into_the_lake_are_as_deep_as_they_are() {
    let district = district();
    // Over the stream and beyond: nothing is left between the two, and the bank itself is cut.
    let audit = district.judged(&district.with(rectangle(430., 300., 480., 310.)), 0.0);
    let row = &of(&audit, "reserve:stream-s3").row;
    assert!((row.row.measured.unwrap() + 2.0).abs() < 0.01, "{row:?}");
    // The stream lies wholly inside: no edge of the cut is near it.
    let audit = district.judged(&district.with(rectangle(330., -200., 580., 600.)), 0.0);
    let row = &of(&audit, "reserve:stream-s3").row;
    assert!((row.row.measured.unwrap() + 2.0).abs() < 0.01, "{row:?}");
    // 12 m into the lake from its north shore, in the middle of it.
    let rule = "reserve:lake-l1-b";
    let required_m = district.required(rule);
    for deep_m in [0.1, 1.0, 12.0] {
        let audit = district.judged(
            &district.with(rectangle(-60., 260. - deep_m, -30., 300.)),
            0.0,
        );
        let row = &of(&audit, rule).row;
        assert!(
            (row.row.measured.unwrap() + deep_m).abs() < 0.01,
            "{deep_m}: {row:?}"
        );
        assert!((row.short.unwrap() - required_m - deep_m).abs() < 0.01);
    }
    // The whole lake: as deep as its middle.
    let audit = district.judged(&district.with(rectangle(-200., 100., 100., 300.)), 0.0);
    let row = &of(&audit, rule).row;
    assert!((row.row.measured.unwrap() + 55.0).abs() < 0.01, "{row:?}");
}

#[test]
fn trespass_is_as_deep_as_its_farthest_point() {
    let district = district();
    for by_m in [0.1, 0.3, 1.0, 5.0, 20.0] {
        let audit = district.judged(
            &district.with(rectangle(550., 100., EAST + by_m, 130.)),
            0.0,
        );
        let judged = of(&audit, "inside-block");
        assert_eq!(judged.status(), Verdict::Fail, "{by_m}");
        assert!(
            (judged.row.short.unwrap() - by_m).abs() < 0.01,
            "{:?}",
            judged.row.short
        );
        assert!((judged.row.area_m2.unwrap() - 30.0 * by_m).abs() < 0.01 * 30.0);
    }
}

#[test]
fn trespass_names_the_block_it_is_in_and_how_much() {
    let district = district();
    let beside = |id: &str, shape: Polygon| SourceBlock {
        id: id.to_owned(),
        ..block(MultiPolygon(vec![shape]))
    };
    let blocks = [
        district.block.clone(),
        beside("B-2", rectangle(EAST, 0., EAST + 200., NORTH)),
        beside("C-3", rectangle(EAST, NORTH, EAST + 200., NORTH + 200.)),
    ];
    // 50 m by 30 m of it in the next block.
    let audit = audit_among(
        &Neighbours::new(&blocks),
        &district.settings,
        &district.rules,
        &district.features,
        None,
        &district.block,
        &district.with(rectangle(550., 100., EAST + 50., 130.)),
        0.0,
    );
    let judged = of(&audit, "inside-block");
    assert_eq!(judged.status(), Verdict::Fail);
    let message = &judged.row.message;
    assert!(
        message.ends_with("0.1500 ha of it in block B-2"),
        "{message}"
    );
}

#[test]
fn what_could_not_be_read_is_said_and_not_passed_over() {
    let district = district();
    let mut cut = district.cut.clone();
    cut.unusable = 2;
    let audit = district.judged(&cut, 0.0);
    let judged = of(&audit, "set-aside-cut");
    assert_eq!(judged.status(), Verdict::Unknown);
    assert_eq!(judged.row.row.measured, Some(2.0));
}

#[test]
fn a_machine_too_near_is_found_where_its_way_is_known_and_doubted_where_only_the_cut_is() {
    use blockwright::rulebook::Width;
    let mut district = district();
    for rule in &mut district.rules.lines {
        rule.machine_exclusion = Width::Metres(5.0);
    }
    // From (453, 100) squarely to the line through (450, -100) and (460, 200), less half of 4 m.
    let expected = (3.0f64 * 300.0 - 200.0 * 10.0).abs() / 10.0f64.hypot(300.0) - 2.0;
    let mut driven = district.cut.clone();
    driven.lines.push(blockwright::audit::DrivenLine {
        shape: geo::LineString::from(vec![(445.0, 100.0), (453.0, 100.0)]),
        part: 1,
        interior: false,
    });
    let pieces = district.with(rectangle(440., 100., 453., 110.)).pieces;
    let cut = BlockCut::of_polygons(pieces.into_iter().map(|piece| piece.shape).collect());
    for (cut, status) in [(driven, Verdict::Fail), (cut, Verdict::Unknown)] {
        let audit = district.judged(&cut, 0.0);
        let judged = of(&audit, "machine-exclusion:stream-s3");
        let (required, measured) = (judged.row.row.required, judged.row.row.measured);
        assert_eq!(judged.status(), status, "{}", shown(&audit));
        assert_eq!(required, Some(5.0));
        assert!(
            (measured.unwrap() - expected).abs() < 0.01,
            "{measured:?} {expected}"
        );
    }
}

/// Along a straight stream 4 m wide, 20 m of reserve and 20 m of management zone on each side: of its 1.6 ha a quarter
/// stands.
#[test]
fn the_share_of_a_management_zone_is_what_stands_of_it() {
    use blockwright::rulebook::Width;
    let mut district = district();
    let stream = line(&[(300., -100.), (300., 500.)]);
    district.features = vec![feature(LayerKind::Streams, Some("S3"), Some(4.0), stream)];
    let cut = BlockCut::of_polygons(vec![
        rectangle(0., 0., 278., NORTH),
        rectangle(332., 0., EAST, NORTH),
    ]);
    // What stands is 10 m by 400 m: an error of 2 m at its edges is 10.25 % of the zone.
    for (share, tolerance_m, status) in [
        (0.26, 0.0, Verdict::Fail),
        (0.25, 0.0, Verdict::Pass),
        (0.35, 2.0, Verdict::Warn),
        (0.36, 2.0, Verdict::Fail),
    ] {
        let lines = district.rules.lines.iter_mut();
        for rule in lines.filter(|rule| rule.id == "stream-s3") {
            rule.reserve = Width::Metres(20.0);
            rule.management = Width::Metres(20.0);
            rule.management_share = share;
            rule.share_citation = None;
        }
        let audit = district.judged(&cut, tolerance_m);
        let judged = of(&audit, "management-share:stream-s3");
        assert_eq!(judged.status(), status, "{}", shown(&audit));
        let measured = judged.row.row.measured.unwrap();
        assert!((measured - 0.25).abs() < 1e-4, "{measured}");
    }
}

#[test]
fn a_corridor_that_is_cut_is_missed_from_the_share() {
    let district = district();
    let before = of(&district.judged(&district.cut, 0.0), "retention-share")
        .row
        .row
        .measured;
    let corridors = district.cut.corridors.clone().unwrap();
    let net_m2: f64 = {
        let areas = district.judged(&district.cut, 0.0).areas;
        areas.gross_m2 - areas.reserve_m2
    };
    assert!(corridors.len() > 5);
    for (at, corridor) in corridors.iter().enumerate().step_by(3) {
        let mut cut = district.with(corridor.shape.clone());
        cut.corridors = Some(
            corridors
                .iter()
                .enumerate()
                .filter(|(own, _)| *own != at)
                .map(|(_, c)| c.clone())
                .collect(),
        );
        let audit = district.judged(&cut, 0.0);
        let judged = of(&audit, "retention-share");
        assert_eq!(judged.status(), Verdict::Fail, "{}", shown(&audit));
        let lost = polygon_area(&corridor.shape) / net_m2;
        let missing = before.unwrap() - judged.row.row.measured.unwrap();
        assert!((missing - lost).abs() < 1e-4, "{missing} {lost}");
    }
}

/// The lesser distance is 100 ft (30.48 m) and the greater 150 ft (45.72 m); a cut edge may be 2 m off as cut.
#[test]
fn retention_in_the_road_band_is_found_and_placed() {
    let district = district();
    // The road's edge is y = -1; its centre line lies 5 m south of the block.
    for (from_m, tolerance_m, expected, why) in [
        (10.0, 0.0, Verdict::Fail, "beyond tolerance"),
        (30.0, 0.0, Verdict::Fail, "beyond tolerance"),
        (
            35.0,
            0.0,
            Verdict::Warn,
            "between the lesser and the greater",
        ),
        (46.0, 0.0, Verdict::Pass, ""),
        (28.0, 2.0, Verdict::Fail, "beyond tolerance"),
        (29.0, 2.0, Verdict::Warn, "but within tolerance"),
        (
            31.0,
            2.0,
            Verdict::Warn,
            "between the lesser and the greater",
        ),
        (
            45.0,
            2.0,
            Verdict::Warn,
            "no wider than the cut's edge may be off",
        ),
        (46.0, 2.0, Verdict::Pass, ""),
    ] {
        let left = rectangle(200., from_m - 1.0, 215., 90.0);
        let mut cut = district.cut.clone();
        cut.pieces = district.less(&[left]).collect();
        let audit = district.judged(&cut, tolerance_m);
        let judged = of(&audit, "road-band");
        let case = format!("{from_m} {tolerance_m}");
        assert_eq!(judged.status(), expected, "{case} {}", shown(&audit));
        assert!(
            judged.row.message.contains(why),
            "{case} {}",
            judged.row.message
        );
        if expected == Verdict::Pass {
            continue;
        }
        assert!(
            (judged.row.row.measured.unwrap() - from_m).abs() < 0.01,
            "{case} {:?}",
            judged.row
        );
        let short_m = judged.row.short.unwrap();
        assert!(
            (short_m - (45.72 - from_m)).abs() < 0.01,
            "{case} {short_m}"
        );
        let (x, y) = (judged.row.x.unwrap(), judged.row.y.unwrap());
        assert!((199.9..=215.1).contains(&x), "{case} {x}");
        assert!((y - (from_m - 1.0)).abs() < 0.01, "{case} {y}");
    }
}

/// An interior strip drawn anew, 120 m long in the direction driven there. As cut each of its edges may be 2 m off.
#[test]
fn a_strip_wider_than_the_reach_is_measured_and_placed() {
    let district = district();
    let required_m = district.required("strip-width");
    let at = (district.cut.pieces.iter())
        .position(|piece| piece.kind == Some(StripKind::Interior))
        .unwrap();
    let part = district.cut.pieces[at].part;
    let mut lines = district.cut.lines.iter();
    let driven = lines.find(|line| line.interior && line.part == part);
    let [from, .., to] = driven.unwrap().shape.0[..] else {
        panic!("a line of one point");
    };
    let along = (to - from) / (to - from).x.hypot((to - from).y);
    let across = Coord {
        x: -along.y,
        y: along.x,
    };
    let corner = Coord { x: 300.0, y: 100.0 };
    for (width_m, tolerance_m, expected) in [
        (required_m, 0.0, None),
        (required_m + 0.1, 0.0, Some(Verdict::Fail)),
        (required_m + 3.9, 2.0, Some(Verdict::Warn)),
        (required_m + 4.1, 2.0, Some(Verdict::Fail)),
    ] {
        let mut cut = district.cut.clone();
        let ring = [(0.0, 0.0), (width_m, 0.0), (width_m, 120.0), (0.0, 120.0)];
        let turned = ring.map(|(off_m, on_m)| corner + across * off_m + along * on_m);
        cut.pieces[at].shape = Polygon::new(turned.to_vec().into(), vec![]);
        let audit = district.judged(&cut, tolerance_m);
        let judged = of(&audit, "strip-width");
        let Some(expected) = expected else {
            assert!(judged.status() <= Verdict::Pass, "{:?}", judged.row);
            continue;
        };
        assert_eq!(judged.status(), expected, "{width_m} {:?}", judged.row);
        let measured_m = judged.row.row.measured.unwrap();
        assert!(
            (measured_m - width_m).abs() < 1e-5,
            "{measured_m} {width_m}"
        );
        // Where it is told is the middle of its box, on which the middle of a rectangle lies.
        let (x, y) = (judged.row.x.unwrap(), judged.row.y.unwrap());
        let middle = corner + across * (width_m / 2.0) + along * 60.0;
        assert!(
            (x - middle.x).hypot(y - middle.y) < 1e-3,
            "{x} {y} {middle:?}"
        );
    }
}

#[test]
fn a_stream_of_another_class_or_of_none_is_judged_anew() {
    let mut district = district();
    // S2 asks for 30 m, S3 for 20 m.
    district.features[1].class = Some("S2".to_owned());
    let audit = district.judged(&district.cut, 0.0);
    let judged = of(&audit, "reserve:stream-s2");
    assert_eq!(judged.status(), Verdict::Fail, "{}", shown(&audit));
    assert!(
        (judged.row.short.unwrap() - 10.0).abs() < 0.03,
        "{:?}",
        judged.row
    );
    district.features[1].class = None;
    let audit = district.judged(&district.cut, 0.0);
    let row = audit
        .rows
        .iter()
        .find(|row| row.row.message.contains("F-1"));
    let row = row.unwrap_or_else(|| panic!("{}", shown(&audit)));
    assert_eq!(row.status(), Verdict::Unknown, "{}", shown(&audit));
    // Whatever class it has: the bank itself may not be cut.
    let audit = district.judged(&district.with(rectangle(430., 300., 480., 310.)), 0.0);
    assert!(
        audit.rows.iter().any(|row| {
            row.status() == Verdict::Fail && row.row.row.rule_id.starts_with("reserve:stream")
        }),
        "{}",
        shown(&audit)
    );
}

#[test]
fn a_line_driven_in_a_reserve_is_found() {
    let district = district();
    let mut cut = district.cut.clone();
    cut.lines.push(blockwright::audit::DrivenLine {
        shape: geo::LineString::from(vec![(445.0, 100.0), (445.0, 120.0)]),
        part: 1,
        interior: false,
    });
    let audit = district.judged(&cut, 0.0);
    let judged = of(&audit, "reserve:stream-s3");
    assert_eq!(judged.status(), Verdict::Fail);
    // From (445, 120) squarely to the line through (450, -100) and (460, 200), less half of 4 m.
    let expected =
        ((445.0 - 450.0) * 300.0 - (100.0f64 + 100.0) * 10.0).abs() / 10.0f64.hypot(300.0) - 2.0;
    assert!(
        (judged.row.row.measured.unwrap() - expected).abs() < 0.01,
        "{:?} {expected}",
        judged.row
    );
}

#[test]
fn places_do_not_depend_on_where_the_block_lies() {
    let mut district = district();
    let far = |c: Coord| {
        c + Coord {
            x: 512_345.0,
            y: 5_412_345.0,
        }
    };
    let strip = rectangle(430., 300., 480., 310.);
    let here = district.judged(&district.with(strip.clone()), 0.0);
    let mut cut = district.with(strip);
    for piece in &mut cut.pieces {
        piece.shape = map_polygon(&piece.shape, far);
    }
    for line in &mut cut.lines {
        line.shape = blockwright::geometry::frame::map_line(&line.shape, far);
    }
    for unworked in &mut cut.unworked {
        unworked.shape = map_polygon(&unworked.shape, far);
    }
    cut.corridors
        .iter_mut()
        .flatten()
        .for_each(|c| c.shape = map_polygon(&c.shape, far));
    for feature in &mut district.features {
        feature.shape = match &feature.shape {
            Shape::Lines(lines) => {
                Shape::Lines(blockwright::geometry::frame::map_lines(lines, far))
            }
            Shape::Polygons(shape) => {
                Shape::Polygons(blockwright::geometry::frame::map_polygons(shape, far))
            }
            Shape::Points(points) => Shape::Points(points.clone()),
        };
    }
    district.block.shape = blockwright::geometry::frame::map_polygons(&district.block.shape, far);
    let there = district.judged(&cut, 0.0);
    let (a, b) = (
        of(&here, "reserve:stream-s3"),
        of(&there, "reserve:stream-s3"),
    );
    assert!((a.row.row.measured.unwrap() - b.row.row.measured.unwrap()).abs() < 1e-5);
    assert!((a.row.x.unwrap() + 512_345.0 - b.row.x.unwrap()).abs() < 0.002);
}

#[test]
fn rules_for_the_whole_block_agree_with_the_layouts_own_judgement() {
    use blockwright::rulebook::{Cited, Influence, Occupancy, TrailWidth};
    let mut district = district();
    let cited = |value: f64| Cited {
        value,
        ..district.rules.retention_share.clone()
    };
    let (share, most) = (cited(0.5), cited(0.3));
    for (forest_outside, trail) in [(true, TrailWidth::Track), (false, TrailWidth::Strip)] {
        district.rules.block.influence = Some(Influence {
            share: share.clone(),
            more_than: true,
            tree_height_m: 20.0,
            forest_outside,
        });
        district.rules.block.occupancy = Some(Occupancy {
            most: most.clone(),
            less_than: true,
            trail,
        });
        let plan = lay_out(
            ENGINES,
            &district.settings,
            &district.rules,
            &district.features,
            &district.block,
        )
        .unwrap();
        let audit = district.judged(&as_plan(&plan), 0.0);
        let rule_id = "trail-occupancy";
        let own = plan.compliance.iter().find(|row| row.rule_id == rule_id);
        let (own, audited) = (own.unwrap(), of(&audit, rule_id));
        let (a, b) = (own.measured.unwrap(), audited.row.row.measured.unwrap());
        assert!((a - b).abs() < 1e-3, "{rule_id}: {a} {b}");
        assert_eq!(own.status, audited.status(), "{}", shown(&audit));
        assert!(a > 0.0 && a < 1.0, "{rule_id} {a}");
        let own = plan.compliance.iter();
        let own = own.filter(|row| row.rule_id == "influence-area");
        let a = own.map(|row| row.measured.unwrap()).sum::<f64>();
        let audited = &of(&audit, "influence-area").row.row;
        assert!(
            (a - audited.measured.unwrap()).abs() < 2e-3,
            "{a} {audited:?}"
        );
        assert!(a > 0.3 && a < 1.0, "{a}");
    }
    // Of polygons nobody knows where the machine drove.
    district.rules.block.occupancy = Some(Occupancy {
        most,
        less_than: true,
        trail: TrailWidth::Track,
    });
    let polygons = district.cut.pieces.iter().map(|piece| piece.shape.clone());
    let audit = district.judged(&BlockCut::of_polygons(polygons.collect()), 0.0);
    assert_eq!(of(&audit, "trail-occupancy").status(), Verdict::Unknown);
}

#[test]
fn without_a_plan_a_corridor_beside_the_road_fails_and_unreached_ground_warns() {
    let district = district();
    let polygons = |left: &[Polygon]| {
        BlockCut::of_polygons(district.less(left).map(|piece| piece.shape).collect())
    };
    let status = |left: &[Polygon], tolerance_m: f64| {
        let audit = district.judged(&polygons(left), tolerance_m);
        of(&audit, "road-band").status()
    };
    for tolerance_m in [0.0, AS_CUT_TOLERANCE_M] {
        assert_eq!(status(&[], tolerance_m), Verdict::Pass);
        // A corridor of 5 m that was not stopped, and a patch that a strip would have had room on.
        assert_eq!(
            status(&[rectangle(200., 10., 205., 60.)], tolerance_m),
            Verdict::Fail
        );
        assert_eq!(
            status(&[rectangle(200., 5., 220., 30.)], tolerance_m),
            Verdict::Fail
        );
        // A wedge, narrower than a strip.
        let wedge = Polygon::new(
            in_memory::ring(&[(200., 8.), (240., 8.), (200., 20.)]),
            vec![],
        );
        assert_eq!(status(&[wedge], tolerance_m), Verdict::Warn);
    }
}

/// A patch that a strip would have had room on is retention in the road band, unless machines keep off the ground.
#[test]
fn what_stands_on_ground_left_as_too_soft_is_not_held_against_the_road_band() {
    let patch = rectangle(200., 5., 220., 30.);
    let sound = district();
    let rest = sound.less(std::slice::from_ref(&patch));
    let cut = BlockCut::of_polygons(rest.map(|piece| piece.shape).collect());
    for (kind, soft_ground, status) in [
        (LayerKind::SoftGround, SoftGround::Leave, Verdict::Warn),
        (LayerKind::SoftGround, SoftGround::DayOnly, Verdict::Fail),
        (LayerKind::Brush, SoftGround::Leave, Verdict::Fail),
    ] {
        let mut district = district();
        district.settings.layout.soft_ground = soft_ground;
        let shape = Shape::Polygons(MultiPolygon(vec![rectangle(190., 0., 230., 40.)]));
        district.features.push(feature(kind, None, None, shape));
        let audit = district.judged(&cut, 0.0);
        let found = of(&audit, "road-band").status();
        assert_eq!(found, status, "{kind:?} {soft_ground:?}");
    }
}

/// Of 24 ha a belt along the north stands, 600 m long. An error of 2 m at each of its edges is all that is forgiven.
#[test]
fn a_share_may_fall_short_by_what_its_edges_may_err_and_no_more() {
    let mut district = district();
    district.features = vec![];
    let judged = |belt_m: f64| {
        let cut = BlockCut::of_polygons(vec![rectangle(0., 0., EAST, NORTH - belt_m)]);
        let audit = district.judged(&cut, 2.0);
        let judged = of(&audit, "retention-share").clone();
        let (gross_m2, around_m) = (EAST * NORTH, 2.0 * (EAST + belt_m));
        let close = |found: f64, wanted: f64| (found - wanted).abs() < 1e-5;
        let measured = judged.row.row.measured.unwrap();
        assert!(close(measured, EAST * belt_m / gross_m2), "{measured}");
        let tolerance = judged.row.tolerance.unwrap();
        assert!(close(tolerance, 2.0 * around_m / gross_m2), "{tolerance}");
        let missing_m2 = EAST * (40.0 - belt_m);
        let told_m2 = judged.row.area_m2.unwrap_or(0.0);
        assert!((told_m2 - missing_m2.max(0.0)).abs() < 1.0, "{told_m2}");
        judged.status()
    };
    // 10 % is asked for: 40 m, and with 1.06 % of tolerance 36 m.
    assert_eq!(judged(41.0), Verdict::Pass);
    assert_eq!(judged(37.0), Verdict::Warn);
    assert_eq!(judged(35.0), Verdict::Fail);
}

/// Of a stream of no class nobody knows how far a machine must keep off, but that it must not drive in the stream itself.
#[test]
fn beside_a_stream_of_no_class_a_machine_is_doubted_and_in_it_not() {
    use blockwright::rulebook::Width;
    let mut district = district();
    for (at, rule) in district.rules.lines.iter_mut().enumerate() {
        rule.machine_exclusion = Width::Metres(5.0 + at as f64);
    }
    district.features[1].class = None;
    // The stream is 4 m wide; at y = 100 its middle is at x = 456.67.
    for (to_x, status) in [(453.0, Verdict::Unknown), (457.0, Verdict::Fail)] {
        let mut driven = district.cut.clone();
        driven.lines.push(blockwright::audit::DrivenLine {
            shape: geo::LineString::from(vec![(445.0, 100.0), (to_x, 100.0)]),
            part: 1,
            interior: false,
        });
        let audit = district.judged(&driven, 0.0);
        let found = of(&audit, "machine-exclusion:stream-s1-b").status();
        assert_eq!(found, status, "{}", shown(&audit));
    }
}
