//! Patches of forest that stay where corridors cannot give a block's share. Places are invented; what they are held to is
//! the block's own share, the road band of common practice, and arithmetic by hand.

use crate::audited;
use crate::in_memory;

use audited::{as_plan, audit, of};
use blockwright::engines::ENGINES;
use blockwright::geometry::area::{Bounds, polygon_area};
use blockwright::geometry::distance::{inside_polygon, polygon_segments, segment_segment};
use blockwright::geometry::overlay::shared_area;
use blockwright::model::*;
use geo::{Coord, LineString, MultiPolygon, Polygon};
use in_memory::{block, feature, lay_out, line, rectangle, rules, unsound};

/// Along the south edge of blocks that begin at y = 0; its edge lies 1 m south of them.
fn road() -> Feature {
    feature(
        LayerKind::Roads,
        None,
        Some(6.0),
        line(&[(-200.0, -4.0), (300.0, -4.0)]),
    )
}

fn settings(pattern: Pattern) -> Settings {
    let mut settings = Settings::default();
    settings.layout.pattern = pattern;
    settings.production.stems_per_ha = Some(600.0);
    settings.production.tree_m3 = Some(0.4);
    settings
}

fn plan_of(share: f64, settings: &Settings, features: &[Feature], shape: Polygon) -> BlockPlan {
    let block = block(MultiPolygon(vec![shape]));
    let plan = lay_out(ENGINES, settings, &rules(share), features, &block).unwrap();
    assert_eq!(plan.certificate.fault, None);
    assert_eq!(unsound(&plan), Vec::<String>::new());
    let books = &plan.books;
    let sum = books.reserve_m2 + books.retained_m2 + books.cut_m2 + books.unworked_m2;
    assert!((sum - books.gross_m2).abs() < 1.0, "{books:?}");
    plan
}

fn patches(plan: &BlockPlan) -> Vec<&Polygon> {
    let zones = plan.zones.iter().filter(|zone| zone.is_patch());
    zones.flat_map(|zone| &zone.shape.0).collect()
}

fn row<'p>(plan: &'p BlockPlan, rule_id: &str) -> &'p ComplianceRow {
    let mut rows = plan.compliance.iter();
    rows.find(|row| row.rule_id == rule_id).expect("a row")
}

fn meets(plan: &BlockPlan) -> bool {
    let row = row(plan, "retention-share");
    row.status != Verdict::Fail && row.measured >= row.required
}

/// Lines and ways that come nearer to a patch than half the machine's width, or lead through it.
fn too_near<'p>(plan: &'p BlockPlan, patch: &Polygon, half_m: f64) -> Vec<&'p LineString> {
    let lines = plan.lines.iter();
    let driven = lines.flat_map(|line| [Some(&line.shape), line.travel.as_ref()]);
    let near = |w: &[Coord]| {
        inside_polygon(w[0], patch)
            || polygon_segments(patch)
                .any(|s| segment_segment(w[0], w[1], s.a, s.b) < half_m - 0.01)
    };
    let driven = driven.flatten();
    driven.filter(|line| line.0.windows(2).any(near)).collect()
}

/// 40 m wide and 120 m deep: the boundary pass takes 16.79 m on three sides and leaves 6.42 m between, 59.5 m of it off the road
/// band, so that corridors give less than 382 m2. 10 % of 4800 m2 and the quarter that is kept against rounding are 480.25 m2. All of the back is
/// farther from the road than anything else, and an edge of 40 m across is the shortest that parts it off (a corner of as much
/// has 43.8 m), so the patch is the back from 120 - 480.25 / 40 = 107.99 m on.
#[test]
fn the_back_of_a_small_block_is_the_patch_by_hand() {
    let settings = |pattern| {
        let mut settings = settings(pattern);
        settings.layout.azimuth = Azimuth::Degrees(0.0);
        settings
    };
    let shape = || rectangle(0.0, 0.0, 40.0, 120.0);
    let without = plan_of(0.10, &settings(Pattern::Corridors), &[road()], shape());
    assert_eq!(row(&without, "retention-share").status, Verdict::Fail);
    let told = without.findings.iter();
    let told = told.filter(|finding| finding.rule_id == "retention-share");
    let told: Vec<&str> = told.map(|finding| finding.message.as_str()).collect();
    assert!(told[0].contains("of 480 m2 count"), "{told:?}");
    assert!(
        told[0].contains("patches of 480 m2 together would meet it"),
        "{told:?}"
    );

    let plan = plan_of(0.10, &settings(Pattern::Both), &[road()], shape());
    assert!(meets(&plan));
    assert_eq!(row(&plan, "road-band").status, Verdict::Pass);
    let kept = patches(&plan);
    assert_eq!(kept.len(), 1);
    assert!(
        (polygon_area(kept[0]) - 480.25).abs() < 0.5,
        "{}",
        polygon_area(kept[0])
    );
    let bounds = Bounds::of(&kept[0].exterior().0);
    let front = bounds.min.y + plan.frame.origin().y;
    assert!((front - 107.994).abs() < 0.05, "from {front} m on");
    assert_eq!(too_near(&plan, kept[0], 1.75), Vec::<&LineString>::new());
    // Stable names, for ticking off.
    let ids = |plan: &BlockPlan| -> Vec<String> {
        let pieces = plan.retained_pieces().into_iter();
        pieces.map(|piece| piece.id).collect()
    };
    assert_eq!(ids(&plan), ["P1"]);
}

/// Where corridors give the share, nothing changes.
#[test]
fn a_block_that_meets_its_share_with_corridors_keeps_its_plan() {
    let shape = || rectangle(0.0, 0.0, 300.0, 300.0);
    let corridors = plan_of(0.08, &settings(Pattern::Corridors), &[road()], shape());
    let both = plan_of(0.08, &settings(Pattern::Both), &[road()], shape());
    let pieces = |plan: &BlockPlan| -> Vec<Polygon> {
        plan.strips
            .iter()
            .map(|strip| strip.shape.clone())
            .collect()
    };
    assert!(!corridors.corridors.is_empty() && patches(&both).is_empty());
    assert_eq!(pieces(&corridors), pieces(&both));
    // And with patches alone there are none between strips.
    let alone = plan_of(0.08, &settings(Pattern::Patches), &[road()], shape());
    assert!(alone.corridors.is_empty() && !patches(&alone).is_empty());
    assert!(meets(&alone));
}

/// A block says of itself what the project says of all.
#[test]
fn a_pattern_of_its_own_goes_before_the_project() {
    let own = SourceBlock {
        pattern: Some(Pattern::Patches),
        ..block(MultiPolygon(vec![rectangle(0.0, 0.0, 300.0, 300.0)]))
    };
    let settings = settings(Pattern::Corridors);
    let plan = lay_out(ENGINES, &settings, &rules(0.08), &[road()], &own).unwrap();
    assert!(plan.corridors.is_empty() && !patches(&plan).is_empty());
}

/// All of a block of 40 m lies in the road band: neither corridor nor patch can stand, and the finding proves it.
#[test]
fn what_no_pattern_meets_is_said_with_what_takes_the_ground() {
    let shape = rectangle(0.0, 0.0, 200.0, 40.0);
    let plan = plan_of(0.10, &settings(Pattern::Both), &[road()], shape);
    assert!(patches(&plan).is_empty());
    assert_eq!(row(&plan, "retention-share").status, Verdict::Fail);
    let mut told = plan.findings.iter();
    let told = told
        .find(|finding| finding.rule_id == "retention-share")
        .unwrap();
    let message = &told.message;
    assert!(message.contains("0 of 800 m2 count"), "{message}");
    assert!(message.contains("the road band 8000 m2"), "{message}");
    assert!(
        message.contains("no pattern meets it: 0 m2 lie where"),
        "{message}"
    );
}

/// Nobody owes trees where none is felled.
#[test]
fn a_block_in_which_nothing_is_cut_owes_no_share() {
    // Below the least part.
    let shape = rectangle(0.0, 0.0, 30.0, 20.0);
    let plan = plan_of(0.10, &settings(Pattern::Corridors), &[road()], shape);
    assert!(plan.strips.is_empty());
    assert_eq!(row(&plan, "retention-share").status, Verdict::NotApplicable);
}

/// Small and odd blocks, with a pond and without: every share that is met is met off the road band, in patches that are large
/// enough, that nothing cuts and nothing drives through, and the audit, which sees no zone, measures the same.
#[test]
fn patches_of_small_blocks_hold_against_the_audit() {
    let pond = Shape::Polygons(MultiPolygon(vec![rectangle(60.0, 90.0, 80.0, 110.0)]));
    let pond = feature(LayerKind::Lakes, Some("L3"), None, pond);
    let l_shape = Polygon::new(
        LineString::from(vec![
            (0., 0.),
            (120., 0.),
            (120., 70.),
            (55., 70.),
            (55., 180.),
            (0., 180.),
            (0., 0.),
        ]),
        vec![],
    );
    let mut seen = 0;
    for (shape, features) in [
        (rectangle(0.0, 0.0, 60.0, 90.0), vec![road()]),
        (rectangle(0.0, 0.0, 90.0, 130.0), vec![road()]),
        (rectangle(0.0, 0.0, 140.0, 140.0), vec![road(), pond]),
        (l_shape, vec![road()]),
        (rectangle(0.0, 0.0, 45.0, 60.0), vec![]),
    ] {
        for share in [0.07, 0.12, 0.25] {
            let settings = settings(Pattern::Both);
            let source = block(MultiPolygon(vec![shape.clone()]));
            let plan = plan_of(share, &settings, &features, shape.clone());
            let judged = audit(
                &settings,
                &rules(share),
                &features,
                None,
                &source,
                &as_plan(&plan),
                0.0,
            );
            let own = row(&plan, "retention-share");
            let theirs = &of(&judged, "retention-share").row.row;
            assert_eq!(own.status, theirs.status, "{share} of {shape:?}");
            let cut: Vec<Polygon> = plan.strips.iter().map(|s| s.shape.clone()).collect();
            for patch in patches(&plan) {
                seen += 1;
                assert!(polygon_area(patch) > settings.layout.least_patch_m2);
                let whole = MultiPolygon(vec![patch.clone()]);
                assert!(shared_area(&whole, &cut) < 0.01);
                assert_eq!(too_near(&plan, patch, 1.75), Vec::<&LineString>::new());
            }
            let band = row(&plan, "road-band").status;
            assert!(
                band <= Verdict::NotApplicable,
                "{share} of {shape:?}: {band:?}"
            );
        }
    }
    assert!(seen >= 6, "{seen} patches");
}

/// 30 m by 42 m beside a small stream whose management zone, all of the block, owes a tenth of it: 126 m2 in a band. 12 % are 151 m2,
/// so a patch of 200 m2 comes on top, and 1260 - 126 - 200 = 934 m2 are less than a part that is worked.
#[test]
fn a_band_that_stands_anyway_is_part_of_the_proof() {
    let mut rules = rules(0.12);
    let small =
        (rules.lines.iter_mut()).find(|line| line.kind == LayerKind::Streams && line.class == "S4");
    small.unwrap().management_share = 0.10;
    let stream = feature(
        LayerKind::Streams,
        Some("S4"),
        Some(1.0),
        line(&[(-0.5, -100.0), (-0.5, 200.0)]),
    );
    let block = block(MultiPolygon(vec![rectangle(0.0, 0.0, 30.0, 42.0)]));
    let settings = settings(Pattern::Both);
    let plan = lay_out(ENGINES, &settings, &rules, &[stream], &block).unwrap();
    assert_eq!(row(&plan, "retention-share").status, Verdict::Fail);
    let told = (plan.findings.iter()).find(|own| own.rule_id == "retention-share");
    let message = &told.unwrap().message;
    assert!(
        message.contains("no pattern meets it and leaves ground to work: 93"),
        "{message}"
    );
    assert!(
        message.contains("m2 of bands that rules ask for"),
        "{message}"
    );
}
