//! Rules that count trees: shares of stems and basal area, trees by the length of a bank; laid out, measured, audited.

use crate::audited;
use crate::in_memory;

use std::sync::Arc;

use audited::{as_plan, audit, of};
use blockwright::engines::ENGINES;
use blockwright::geometry::wkb;
use blockwright::model::*;
use blockwright::rulebook::{
    Citation, Cited, ReadStatus, RoadUse, RuleLine, Rulebook, ShareOf, TreeCount, TreeUnit,
    TreesPerLength, Width, preset,
};
use gdal::vector::Geometry;
use geo::{MultiPolygon, Polygon};
use in_memory::*;

const INCH_M: f64 = 0.0254;
const DEPTH_M: f64 = 300.0;

fn stand(x0: f64, x1: f64, classes: &[(f64, f64, f64)]) -> Feature {
    let ground = Shape::Polygons(MultiPolygon(vec![rectangle(x0, -50.0, x1, DEPTH_M + 50.0)]));
    let mut stand = feature(LayerKind::Stands, None, None, ground);
    let classes = classes
        .iter()
        .map(|&(from_m, to_m, stems_per_ha)| TreeClass {
            species: "spruce".to_owned(),
            from_m,
            to_m,
            stems_per_ha,
            tree_m3: 0.4,
        });
    let table = StandTable(classes.collect());
    stand.stems_per_ha = Some(table.all().stems);
    stand.tree_m3 = table.tree_m3();
    stand.trees = Some(Arc::new(table));
    stand
}

fn road() -> Feature {
    let shape = line(&[(-500.0, -5.0), (1200.0, -5.0)]);
    feature(LayerKind::Roads, None, Some(10.0), shape)
}

fn settings() -> Settings {
    let mut settings = Settings::default();
    settings.layout.azimuth = Azimuth::SquareToRoad;
    settings
}

fn row<'p>(plan: &'p BlockPlan, rule_id: &str) -> &'p ComplianceRow {
    let mut rows = plan.compliance.iter();
    let row = rows.find(|row| row.rule_id == rule_id);
    row.unwrap_or_else(|| panic!("no row {rule_id}"))
}

fn geos(shape: &Polygon) -> Geometry {
    Geometry::from_wkb(&wkb::write_polygon(shape, [0.0; 2])).unwrap()
}

/// Hectares of `shapes` between two meridians, by GEOS; `shapes` do not overlap.
fn hectares_between(plan: &BlockPlan, shapes: &[Polygon], (x0, x1): (f64, f64)) -> f64 {
    let belt = geos(&rectangle(x0, -1000.0, x1, 1000.0));
    let shapes = shapes.iter().map(|shape| plan.frame.leave_polygon(shape));
    let m2: f64 = shapes
        .map(|shape| {
            geos(&shape)
                .intersection(&belt)
                .map_or(0.0, |own| own.area())
        })
        .sum();
    m2 / 10_000.0
}

fn standing(plan: &BlockPlan) -> Vec<Polygon> {
    let corridors = plan.corridors.iter().map(|corridor| corridor.shape.clone());
    corridors
        .chain(plan.retained_bands.0.iter().cloned())
        .collect()
}

/// A share of the block's trees, and nothing around water.
fn of_trees(share: f64, unit: TreeUnit, least_m: f64) -> Rulebook {
    let mut rules = preset("bare").unwrap();
    rules.retention_share = Cited {
        value: share,
        citation: Citation {
            text: "test".to_owned(),
            status: ReadStatus::ReadInSource,
        },
        origin: "test, line 1".to_owned(),
    };
    rules.share_of = ShareOf::Net;
    rules.share_trees = Some(TreeCount { unit, least_m });
    rules
}

/// Many thin trees in the west, few thick ones in the east, 18 ha. By hand, per hectare: of 30 cm and more 0 in the west and
/// 100 in the east; basal area pi/4 times 800 of mean square 0.07/3 m2, and 100 of 0.37/3 m2.
#[test]
fn a_block_keeps_a_share_of_its_stems_or_of_their_basal_area() {
    let west = (-50.0, 300.0);
    let east = (300.0, 700.0);
    let features = [
        road(),
        stand(west.0, west.1, &[(0.1, 0.2, 800.0)]),
        stand(east.0, east.1, &[(0.3, 0.4, 100.0)]),
    ];
    let ground = block(MultiPolygon(vec![rectangle(0.0, 0.0, 600.0, DEPTH_M)]));
    let (thin_m2, thick_m2) = (0.07 / 3.0, 0.37 / 3.0);
    let quarter_pi = std::f64::consts::FRAC_PI_4;
    let basal = [800.0 * quarter_pi * thin_m2, 100.0 * quarter_pi * thick_m2];
    for (unit, least_m, share, [in_west, in_east], wide) in [
        (TreeUnit::Stems, 0.0, 0.12, [800.0, 100.0], false),
        (TreeUnit::Stems, 0.0, 0.12, [800.0, 100.0], true),
        (TreeUnit::Stems, 0.3, 0.08, [0.0, 100.0], false),
        // Half of the class is thinner than 35 cm.
        (TreeUnit::Stems, 0.35, 0.08, [0.0, 50.0], false),
        (TreeUnit::BasalArea, 0.0, 0.10, basal, false),
    ] {
        let rules = of_trees(share, unit, least_m);
        let mut settings = settings();
        if !wide {
            settings.layout.corridor_spacings = 0.0;
            settings.layout.strips_between_corridors = 4;
        }
        let plan = lay_out(ENGINES, &settings, &rules, &features, &ground).unwrap();
        let counted = |shapes: &[Polygon]| {
            hectares_between(&plan, shapes, west) * in_west
                + hectares_between(&plan, shapes, east) * in_east
        };
        let case = format!("{share} of {unit:?} from {least_m} m, wide: {wide}");
        let all = counted(&[rectangle(-300.0, -150.0, 300.0, 150.0)]);
        assert!(
            (all - 9.0 * (in_west + in_east)).abs() < 1e-6 * all,
            "{case}: {all}"
        );
        let left = counted(&standing(&plan)) / all;
        let found = row(&plan, "retention-share");
        assert_eq!(found.status, Verdict::Pass, "{case}: {found:?}");
        assert!(
            (found.measured.unwrap() - left).abs() < 1e-6,
            "{case}: {found:?} {left}"
        );
        assert!((plan.retention_share - left).abs() < 1e-6, "{case}: {left}");
        // As little as does it, and no share of ground by another name.
        assert!((share..share * 1.01).contains(&left), "{case}: {left}");
        let by_ground = plan.books.retained_m2 / plan.books.net_m2;
        assert!(
            (by_ground - left).abs() > 0.002,
            "{case}: {by_ground} {left}"
        );
        assert!(
            found.title.contains(&rules.share_trees.unwrap().words()),
            "{}",
            found.title
        );

        let cut = as_plan(&plan);
        let audited = audit(&settings, &rules, &features, None, &ground, &cut, 0.0);
        let judged = of(&audited, "retention-share");
        assert_eq!(judged.status(), Verdict::Pass, "{case}: {:?}", judged.row);
        let measured = judged.row.row.measured.unwrap();
        assert!((measured - left).abs() < 1e-4, "{case}: {measured} {left}");
        // One corridor less is one too few, in the trees' own measure.
        let mut cut = as_plan(&plan);
        let gone = plan.corridors[0].shape.clone();
        cut.pieces.push(blockwright::audit::CutPiece {
            shape: plan.frame.leave_polygon(&gone),
            kind: None,
            part: 1,
        });
        let audited = audit(&settings, &rules, &features, None, &ground, &cut, 0.0);
        let judged = of(&audited, "retention-share");
        let measured = judged.row.row.measured.unwrap();
        let lost = counted(std::slice::from_ref(&gone)) / all;
        assert!(
            (left - measured - lost).abs() < 1e-3,
            "{case}: {measured} {left} {lost}"
        );
    }
}

#[test]
fn without_a_stand_table_nobody_says_that_enough_trees_stand() {
    let ground = block(MultiPolygon(vec![rectangle(0.0, 0.0, 600.0, DEPTH_M)]));
    let mut half = [road(), stand(-50.0, 300.0, &[(0.1, 0.2, 800.0)]), {
        let mut east = stand(300.0, 700.0, &[(0.3, 0.4, 100.0)]);
        east.trees = None;
        east
    }];
    let rules = of_trees(0.1, TreeUnit::Stems, 0.2);
    for _ in 0..2 {
        let plan = lay_out(ENGINES, &settings(), &rules, &half, &ground).unwrap();
        let found = row(&plan, "retention-share");
        assert_eq!((found.status, found.measured), (Verdict::Unknown, None));
        assert_eq!(plan.status, BlockStatus::Warn);
        let mut findings = plan.findings.iter();
        let told = findings
            .find(|finding| finding.rule_id == "retention-share")
            .unwrap();
        assert!(told.message.contains("[stand_table]"), "{}", told.message);
        // The same share of the ground stands in.
        let by_ground = plan.books.retained_m2 / plan.books.net_m2;
        assert!((0.1..0.102).contains(&by_ground), "{by_ground}");
        let cut = as_plan(&plan);
        let audited = audit(&settings(), &rules, &half, None, &ground, &cut, 0.0);
        let judged = of(&audited, "retention-share");
        assert_eq!(judged.status(), Verdict::Unknown);
        assert!(
            judged.row.message.contains("[stand_table]"),
            "{}",
            judged.row.message
        );
        // Nor with no table at all.
        half[1].trees = None;
    }
}

/// As Montana asks of the first 50 ft beside a stream of class 1, ARM 36.11.305(2)(a).
fn beside_a_stream(rules: &mut Rulebook) -> String {
    let is_stream = |line: &&mut RuleLine| line.kind == LayerKind::Streams;
    let line = rules.lines.iter_mut().find(is_stream).unwrap();
    line.class = "*".to_owned();
    line.when.clear();
    line.reserve = Width::Metres(0.0);
    line.management = Width::Metres(50.0 * 0.3048);
    line.machine_exclusion = Width::Metres(0.0);
    line.management_share = 0.5;
    let least_m = 8.0 * INCH_M;
    line.share_trees = Some(TreeCount {
        unit: TreeUnit::Stems,
        least_m,
    });
    line.trees_per_length = Some(TreesPerLength {
        trees: 10.0,
        per_m: 100.0 * 0.3048,
        least_m,
    });
    line.id.clone()
}

/// A stream from south to north through the block, and trees of 8 in and more: by hand, 100 ft of 50 ft hold 0.04645 ha. Of
/// 600 to the hectare half is 14 and decides; of 300 ten of 14 must stay; of 100 there are only 5, and all stay.
#[test]
fn half_of_the_trees_or_ten_for_each_hundred_feet_of_a_bank_stay_whichever_is_more() {
    let ground = block(MultiPolygon(vec![rectangle(0.0, 0.0, 600.0, DEPTH_M)]));
    let mut rules = of_trees(0.0, TreeUnit::Stems, 0.0);
    let id = beside_a_stream(&mut rules);
    let stream = line(&[(300.0, -100.0), (300.0, DEPTH_M + 100.0)]);
    let on_100_ft = 50.0 * 100.0 * 0.3048 * 0.3048 / 10_000.0;
    for (stems_per_ha, share, verdict) in [
        (600.0, 0.5, Verdict::Pass),
        (300.0, 10.0 / (300.0 * on_100_ft), Verdict::Pass),
        (100.0, 1.0, Verdict::Warn),
    ] {
        let features = [
            road(),
            feature(LayerKind::Streams, None, Some(2.0), stream.clone()),
            // As many thinner ones, which do not count.
            stand(
                -50.0,
                700.0,
                &[
                    (0.1, 8.0 * INCH_M, 500.0),
                    (8.0 * INCH_M, 0.5, stems_per_ha),
                ],
            ),
        ];
        let mut wide = settings();
        // So that bands may stand to the edge.
        wide.layout.road_band_m = 0.0;
        wide.layout.road_band_fail_m = 0.0;
        let plan = lay_out(ENGINES, &wide, &rules, &features, &ground).unwrap();
        let of_share = row(&plan, &format!("management-share:{id}"));
        let beside = row(&plan, &format!("management-trees:{id}"));
        let case = format!("{stems_per_ha}: {of_share:?} {beside:?}");
        assert_eq!(of_share.status, Verdict::Pass, "{case}");
        assert_eq!(beside.status, verdict, "{case}");
        let left = of_share.measured.unwrap();
        assert!((left - share).abs() < 0.004, "{left} {share} {case}");
        assert!((beside.required.unwrap() - 10.0 / 0.3048).abs() < 1e-9);
        let wanted = share * stems_per_ha * on_100_ft / 0.3048;
        let found = beside.measured.unwrap();
        assert!((found / wanted - 1.0).abs() < 0.004, "{found} {wanted}");
        if verdict == Verdict::Warn {
            let mut findings = plan.findings.iter();
            let told = findings
                .find(|finding| finding.rule_id == beside.rule_id)
                .unwrap();
            assert!(
                told.message.contains("all of them stay"),
                "{}",
                told.message
            );
        }

        let cut = as_plan(&plan);
        let audited = audit(&wide, &rules, &features, None, &ground, &cut, 0.0);
        for (rule_id, wanted, verdict) in [
            (&of_share.rule_id, left, Verdict::Pass),
            (&beside.rule_id, found, verdict),
        ] {
            let judged = of(&audited, rule_id);
            assert_eq!(judged.status(), verdict, "{case}: {:?}", judged.row);
            let measured = judged.row.row.measured.unwrap();
            assert!(
                (measured / wanted - 1.0).abs() < 0.002,
                "{measured} {wanted}"
            );
        }
    }
    // Nobody knows the trees: half of the ground stands in, and both rows say so.
    let mut features = [
        road(),
        feature(LayerKind::Streams, None, Some(2.0), stream),
        stand(-50.0, 700.0, &[(0.1, 0.5, 500.0)]),
    ];
    features[2].trees = None;
    let plan = lay_out(ENGINES, &settings(), &rules, &features, &ground).unwrap();
    for rule in ["share", "trees"] {
        let found = row(&plan, &format!("management-{rule}:{id}"));
        assert_eq!((found.status, found.measured), (Verdict::Unknown, None));
    }
    let zone_m2 = 2.0 * 50.0 * 0.3048 * DEPTH_M;
    let kept_m2: f64 = standing(&plan).iter().map(|shape| geos(shape).area()).sum();
    assert!(
        (kept_m2 / zone_m2 - 0.5).abs() < 0.01,
        "{kept_m2} {zone_m2}"
    );
}

/// The worked example of docs/algorithms.md: 15 m beside 200 m of a stream, 250 trees to the hectare of 20 to 60 cm, of 30 cm and more half,
/// and 20 for each 100 m of bank.
#[test]
fn the_worked_example_comes_out() {
    let ground = block(MultiPolygon(vec![rectangle(0.0, 0.0, 600.0, 200.0)]));
    let mut rules = of_trees(0.0, TreeUnit::Stems, 0.0);
    let id = beside_a_stream(&mut rules);
    let rule = rules.lines.iter_mut().find(|line| line.id == id).unwrap();
    rule.management = Width::Metres(15.0);
    let least_m = 0.3;
    rule.share_trees = Some(TreeCount {
        unit: TreeUnit::Stems,
        least_m,
    });
    rule.trees_per_length = Some(TreesPerLength {
        trees: 20.0,
        per_m: 100.0,
        least_m,
    });
    let features = [
        road(),
        feature(
            LayerKind::Streams,
            None,
            Some(2.0),
            line(&[(300.0, -100.0), (300.0, 300.0)]),
        ),
        stand(-50.0, 700.0, &[(0.2, 0.6, 250.0)]),
    ];
    let mut wide = settings();
    wide.layout.road_band_m = 0.0;
    wide.layout.road_band_fail_m = 0.0;
    let plan = lay_out(ENGINES, &wide, &rules, &features, &ground).unwrap();
    let kept_ha: f64 = standing(&plan)
        .iter()
        .map(|shape| geos(shape).area())
        .sum::<f64>()
        / 1e4;
    let docs = std::fs::read_to_string("docs/algorithms.md").unwrap();
    let (wanted, trees, all) = (80.0 / 187.5, 80.0, 112.5);
    assert!(docs.contains(&format!("{wanted:.4} ha of the zone must stay")));
    assert!((kept_ha / wanted - 1.0).abs() < 0.002, "{kept_ha} {wanted}");
    let share = row(&plan, &format!("management-share:{id}"))
        .measured
        .unwrap();
    assert!((share - trees / all).abs() < 0.002, "{share}");
    let beside = row(&plan, &format!("management-trees:{id}"))
        .measured
        .unwrap();
    assert!((beside - 20.0).abs() < 0.04, "{beside}");
    assert!(docs.contains("Of the zone's 0.6 ha half of them is 56.25 trees"));
    assert_eq!(all / 2.0, 56.25);
}

/// 600 m along a public highway, whose edge is the block's: half of the basal area within 150 ft (45.72 m) stays. In an even stand
/// that is half of the ground, 600 m by 22.86 m, and the road band of common practice would leave none of it.
#[test]
fn trees_that_a_code_asks_for_beside_a_road_go_before_the_road_band() {
    let mut highway = feature(
        LayerKind::Roads,
        Some("public"),
        Some(10.0),
        line(&[(-500.0, -5.0), (1200.0, -5.0)]),
    );
    highway.id = "Highway 1".to_owned();
    let deck = Shape::Polygons(MultiPolygon(vec![rectangle(290.0, 300.0, 310.0, 315.0)]));
    let features = [
        highway,
        feature(LayerKind::Landings, None, None, deck),
        stand(-50.0, 700.0, &[(0.2, 0.4, 500.0)]),
    ];
    let rules = preset("nh-rsa").unwrap();
    let ground = block(MultiPolygon(vec![rectangle(0.0, 0.0, 600.0, DEPTH_M)]));
    let plan = lay_out(ENGINES, &settings(), &rules, &features, &ground).unwrap();
    let found = row(&plan, "management-share:road-public");
    assert_eq!(found.status, Verdict::Pass, "{found:?}");
    let share = found.measured.unwrap();
    assert!((0.5..0.502).contains(&share), "{share}");
    let band_ha = hectares_between(&plan, &plan.retained_bands.0, (-50.0, 700.0));
    assert!((band_ha - 600.0 * 22.86 / 1e4).abs() < 0.01, "{band_ha}");
    let cut = plan.strips.iter().map(|strip| strip.shape.clone());
    let cut: Vec<Polygon> = cut.collect();
    assert!(hectares_between(&plan, &cut, (-50.0, 700.0)) > 14.0);
    let told = plan
        .findings
        .iter()
        .find(|own| own.rule_id == "road-band-overruled");
    let told = told.expect("a finding that names both");
    for words in [
        "Highway 1",
        "RSA 227-J:9",
        "road band of common practice (45.7 m)",
    ] {
        assert!(told.message.contains(words), "{}", told.message);
    }
    assert_eq!(row(&plan, "road-band").status, Verdict::NotApplicable);
    let proved = audit(
        &settings(),
        &rules,
        &features,
        None,
        &ground,
        &as_plan(&plan),
        0.0,
    );
    assert_eq!(
        of(&proved, "management-share:road-public").status(),
        Verdict::Pass
    );
}

/// Blocks too small for corridors leave the trees that a share asks for in a patch, of as many square metres as that takes where it stands.
#[test]
fn patches_hold_the_trees_that_corridors_cannot() {
    // Thick trees stand along the road, thin ones behind: in the back, where patches are cheapest, none counts.
    let front = Shape::Polygons(MultiPolygon(vec![rectangle(-50.0, -50.0, 150.0, 70.0)]));
    let behind = Shape::Polygons(MultiPolygon(vec![rectangle(-50.0, 70.0, 150.0, 300.0)]));
    let of = |ground: Shape, classes: &[(f64, f64, f64)]| Feature {
        shape: ground,
        ..stand(0.0, 1.0, classes)
    };
    let features = [
        road(),
        of(front, &[(0.3, 0.4, 500.0)]),
        of(behind, &[(0.1, 0.2, 500.0), (0.3, 0.4, 100.0)]),
    ];
    let ground = block(MultiPolygon(vec![rectangle(0.0, 0.0, 40.0, 130.0)]));
    for (least_m, share) in [(0.0, 0.10), (0.3, 0.08)] {
        let rules = of_trees(share, TreeUnit::Stems, least_m);
        let lay = |pattern| {
            let mut settings = settings();
            settings.layout.pattern = pattern;
            lay_out(ENGINES, &settings, &rules, &features, &ground).unwrap()
        };
        let corridors = lay(Pattern::Corridors);
        assert_eq!(row(&corridors, "retention-share").status, Verdict::Fail);
        let plan = lay(Pattern::Both);
        let found = row(&plan, "retention-share");
        assert_eq!(found.status, Verdict::Pass, "{least_m}: {found:?}");
        let patches: Vec<Polygon> = (plan.zones.iter().filter(|zone| zone.is_patch()))
            .flat_map(|zone| zone.shape.0.iter().cloned())
            .collect();
        assert!(!patches.is_empty());
        // By GEOS, in belts from south to north.
        let counted = |shapes: &[Polygon]| -> f64 {
            let trees = |low: f64, high: f64, per_ha: f64| {
                let belt = geos(&rectangle(-1000.0, low, 1000.0, high));
                let each = shapes.iter().map(|shape| {
                    let shape = geos(&plan.frame.leave_polygon(shape));
                    shape.intersection(&belt).map_or(0.0, |own| own.area())
                });
                each.sum::<f64>() / 10_000.0 * per_ha
            };
            let thin = if least_m > 0.0 { 100.0 } else { 600.0 };
            trees(-1000.0, 70.0, 500.0) + trees(70.0, 1000.0, thin)
        };
        let all = counted(&plan.shape.0);
        let left = counted(&standing(&plan)) / all;
        assert!(
            (found.measured.unwrap() - left).abs() < 1e-6,
            "{left} {found:?}"
        );
        assert!((share..share * 1.03).contains(&left), "{least_m}: {left}");
        // As a share of ground it is another figure.
        let by_ground = plan.books.retained_m2 / plan.books.net_m2;
        assert!((by_ground - share).abs() > 0.005, "{by_ground}");
        let cut = as_plan(&plan);
        let audited = audit(&settings(), &rules, &features, None, &ground, &cut, 0.0);
        let judged = of_row(&audited);
        assert!((judged - left).abs() < 1e-4, "{judged} {left}");
    }
}

fn of_row(audited: &blockwright::audit::BlockAudit) -> f64 {
    of(audited, "retention-share").row.row.measured.unwrap()
}

/// A patch that a planner knows to stay counts with its trees: 40 m by 50 m among the thick ones, on both sides of the share.
#[test]
fn what_a_planner_keeps_counts_with_its_trees() {
    let (west, east) = ((-50.0, 300.0), (300.0, 700.0));
    let mut kept = feature(
        LayerKind::Retain,
        Some("patch"),
        None,
        Shape::Polygons(MultiPolygon(vec![rectangle(420.0, 120.0, 460.0, 170.0)])),
    );
    let known = [
        stand(west.0, west.1, &[(0.1, 0.2, 800.0)]),
        stand(east.0, east.1, &[(0.3, 0.4, 400.0)]),
    ];
    let ground = block(MultiPolygon(vec![rectangle(0.0, 0.0, 600.0, DEPTH_M)]));
    let mut rules = of_trees(0.10, TreeUnit::Stems, 0.0);
    rules.keep_all();
    let mut corridors = |counts: bool| {
        kept.facts.0 = vec![("counts".to_owned(), Fact::Flag(counts))];
        let features = [road(), known[0].clone(), known[1].clone(), kept.clone()];
        let plan = lay_out(ENGINES, &settings(), &rules, &features, &ground).unwrap();
        let of = |shapes: &[Polygon]| {
            hectares_between(&plan, shapes, west) * 800.0
                + hectares_between(&plan, shapes, east) * 400.0
        };
        // 0.2 ha of 400: 80 trees.
        let own = if counts { 80.0 } else { 0.0 };
        let all = of(&plan.shape.0) - 80.0 + own;
        let left = (of(&standing(&plan)) + own) / all;
        let found = row(&plan, "retention-share");
        assert_eq!(found.status, Verdict::Pass, "{found:?}");
        assert!(
            (found.measured.unwrap() - left).abs() < 1e-4,
            "{found:?} {left}"
        );
        assert!((0.10..0.102).contains(&left), "{left}");
        assert!((plan.retention_share - left).abs() < 1e-4);
        let cut = as_plan(&plan);
        let audited = audit(&settings(), &rules, &features, None, &ground, &cut, 0.0);
        assert!((of_row(&audited) - left).abs() < 1e-4);
        of(&standing(&plan))
    };
    let (with, without) = (corridors(true), corridors(false));
    // A tenth of the trees kept joins what is owed.
    assert!((without - with - 72.0).abs() < 15.0, "{without} {with}");
}

/// The same highway, which nobody may deck along nor drive on, cleared already or not: its ground and the band beside it stay closed,
/// and half of the basal area stands, by layout, compliance and audit. Where a piece of the band was cut, both say so.
#[test]
fn the_band_of_a_closed_road_holds_in_layout_compliance_and_audit() {
    for cleared in [None, Some(false), Some(true)] {
        let highway = feature(
            LayerKind::Roads,
            Some("public"),
            Some(10.0),
            line(&[(-500.0, 60.0), (1200.0, 60.0)]),
        );
        let deck = Shape::Polygons(MultiPolygon(vec![rectangle(290.0, 300.0, 310.0, 315.0)]));
        let south = Shape::Polygons(MultiPolygon(vec![rectangle(290.0, -215.0, 310.0, -200.0)]));
        let features = [
            highway,
            feature(LayerKind::Landings, None, None, deck),
            feature(LayerKind::Landings, None, None, south),
            stand(-50.0, 700.0, &[(0.2, 0.4, 500.0)]),
        ];
        let mut rules = preset("nh-rsa").unwrap();
        let public = (rules.lines.iter_mut()).find(|line| line.id == "road-public");
        public.unwrap().road_use = RoadUse {
            decking: Some(false),
            machines: Some(false),
            cleared,
        };
        // The road runs through the block: 10 m of it, and trees to both sides.
        let ground = block(MultiPolygon(vec![rectangle(0.0, -40.0, 600.0, DEPTH_M)]));
        let plan = lay_out(ENGINES, &settings(), &rules, &features, &ground).unwrap();
        let found = row(&plan, "management-share:road-public");
        assert_eq!(found.status, Verdict::Pass, "{cleared:?}: {found:?}");
        assert!((0.5..0.502).contains(&found.measured.unwrap()), "{found:?}");
        // Two belts of half of 45.72 m each against the road's edges.
        let bands = &plan.retained_bands.0;
        let band_ha = hectares_between(&plan, bands, (-50.0, 700.0));
        assert!(
            (band_ha - 2.0 * 600.0 * 22.86 / 1e4).abs() < 0.02,
            "{band_ha}"
        );
        let zones = plan.zones.iter();
        assert!(zones.clone().all(|zone| zone.kind != ZoneKind::RoadBand));
        assert!(
            plan.findings
                .iter()
                .any(|own| own.rule_id == "road-band-overruled")
        );
        for driven in plan
            .lines
            .iter()
            .flat_map(|own| [Some(&own.shape), own.travel.as_ref()])
        {
            for at in driven.iter().flat_map(|way| &way.0) {
                let y = at.y + plan.frame.origin().y;
                assert!(!(55.0 - 22.8..65.0 + 22.8).contains(&y), "driven at {y}");
            }
        }
        let mut cut = as_plan(&plan);
        let proved = audit(&settings(), &rules, &features, None, &ground, &cut, 0.0);
        let judged = of(&proved, "management-share:road-public");
        assert_eq!(judged.status(), Verdict::Pass, "{:?}", judged.row);
        let told = judged.row.row.measured.unwrap();
        assert!((told - found.measured.unwrap()).abs() < 2e-3, "{told}");
        // 100 m of one belt less: 2286 of 54 864 m2 of the zone.
        let gone = rectangle(200.0, 65.0, 300.0, 87.86);
        cut.pieces.push(blockwright::audit::CutPiece {
            shape: gone,
            kind: None,
            part: 1,
        });
        let proved = audit(&settings(), &rules, &features, None, &ground, &cut, 0.0);
        let judged = of(&proved, "management-share:road-public");
        assert_eq!(judged.status(), Verdict::Fail, "{:?}", judged.row);
        let short = told - judged.row.row.measured.unwrap();
        assert!((short - 2286.0 / 54_864.0).abs() < 2e-3, "{short}");
    }
}
