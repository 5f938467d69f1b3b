//! How well layers are mapped: what the map may be off is kept off too where the project asks for it, and told where it does not.

use crate::audited;
use crate::in_memory;

use std::fs;

use audited::brute::{edges_of_shape, least, outline};
use audited::{as_plan, audit};
use blockwright::compliance;
use blockwright::engines::ENGINES;
use blockwright::geometry::frame::map_polygon;
use blockwright::model::*;
use blockwright::{project, sources};
use geo::{Coord, MultiPolygon, Polygon};
use in_memory::*;

const MM: f64 = 1e-3;

fn said(off_m: f64, mut feature: Feature) -> Feature {
    Accuracy::into_facts(
        Some(off_m),
        Some(0.95),
        Some("survey of 2031"),
        &mut feature.facts,
    );
    feature
}

fn lake() -> Feature {
    let shape = Shape::Polygons(MultiPolygon(vec![rectangle(250.0, 120.0, 350.0, 180.0)]));
    feature(LayerKind::Lakes, Some("L1-B"), None, shape)
}

fn road() -> Feature {
    let along = line(&[(-100.0, 0.0), (700.0, 0.0)]);
    feature(LayerKind::Roads, None, Some(10.0), along)
}

fn ground() -> SourceBlock {
    block(MultiPolygon(vec![rectangle(0.0, 5.0, 600.0, 305.0)]))
}

fn settings(keep: bool) -> Settings {
    let mut settings = Settings::default();
    settings.production.stems_per_ha = Some(550.0);
    settings.production.tree_m3 = Some(0.45);
    settings.layout.level_ground = Some("invented".to_owned());
    settings.layout.keep_for_accuracy = keep;
    settings
}

fn plan_of(keep: bool, features: &[Feature], block: &SourceBlock) -> BlockPlan {
    let plan = lay_out(ENGINES, &settings(keep), &rules(0.0), features, block).unwrap();
    assert_eq!(plan.certificate.fault, None);
    plan
}

fn row<'p>(plan: &'p BlockPlan, id: &str) -> &'p ComplianceRow {
    let found = plan
        .compliance
        .iter()
        .find(|own| own.rule_id.starts_with(id));
    found.unwrap_or_else(|| panic!("no {id}"))
}

fn told<'p>(plan: &'p BlockPlan, id: &str) -> Vec<&'p str> {
    let own = plan.findings.iter().filter(|own| own.rule_id == id);
    own.map(|own| own.message.as_str()).collect()
}

fn cut(plan: &BlockPlan) -> Vec<Polygon> {
    let [x, y] = plan.origin();
    let world = move |c: Coord| c + Coord { x, y };
    let strips = plan.strips.iter();
    strips.map(|own| map_polygon(&own.shape, world)).collect()
}

/// Least distance of anything cut from a shape, vertex by vertex and edge by edge.
fn off_m(plan: &BlockPlan, shape: &Shape) -> f64 {
    least(&outline(&cut(plan)), &edges_of_shape(shape), 200.0)
}

#[test]
fn a_distance_that_holds_only_if_the_map_does_is_told() {
    let features = [road(), said(5.0, lake())];
    let plan = plan_of(false, &features, &ground());
    let own = row(&plan, "reserve:");
    let measured_m = own.measured.unwrap();
    assert_eq!((own.required, own.status), (Some(10.0), Verdict::Pass));
    assert!((off_m(&plan, &features[1].shape) - measured_m).abs() < 0.01);
    assert!(
        (own.with_map_error.unwrap() - (measured_m - 5.0)).abs() < MM,
        "{own:?}"
    );
    let told = told(&plan, "map-error");
    assert!(
        told.iter().any(|own| own.contains("reserve:")
            && own.contains("lakes, feature lakes 1 may be off by 5 m (95.00 %)")
            && own.contains("5.0 m of 10.0 m are sure")),
        "{told:?}"
    );
    // It is no fault of the plan.
    let unsaid = plan_of(false, &[road(), lake()], &ground());
    assert_eq!(plan.status, unsaid.status);
    assert_eq!(row(&unsaid, "reserve:").with_map_error, None);
    let french = in_memory::words_of_map(&plan, Language::French);
    assert!(french.contains("tenu d’après la carte"), "{french}");
}

#[test]
fn what_the_map_may_be_off_is_kept_off_too_where_the_project_asks() {
    let features = [road(), said(5.0, lake())];
    let plan = plan_of(true, &features, &ground());
    let cut_m = off_m(&plan, &features[1].shape);
    assert!((15.0 - MM..15.05).contains(&cut_m), "{cut_m}");
    let own = row(&plan, "reserve:");
    assert_eq!((own.required, own.status), (Some(15.0), Verdict::Pass));
    assert!((own.with_map_error.unwrap() - 10.0).abs() < 0.05, "{own:?}");
    assert!(
        own.source
            .contains("; 5 m of it for what the map may be off: survey of 2031")
    );
    assert!(told(&plan, "map-error").is_empty());
    // The rule asks for 10 m, and so does the audit.
    let audited = audit(
        &settings(false),
        &rules(0.0),
        &features,
        None,
        &ground(),
        &as_plan(&plan),
        0.0,
    );
    let judged = audited.rows.iter().map(|own| &own.row);
    let judged = judged.filter(|own| own.row.rule_id.starts_with("reserve:"));
    let judged: Vec<_> = judged.collect();
    assert_eq!(judged[0].row.required, Some(10.0));
    assert!((judged[0].row.with_map_error.unwrap() - 10.0).abs() < 0.05);
}

#[test]
fn one_lake_of_unknown_accuracy_leaves_the_row_without_a_figure() {
    let mut other = lake();
    other.id = "lakes 2".to_owned();
    other.shape = Shape::Polygons(MultiPolygon(vec![rectangle(450.0, 120.0, 500.0, 180.0)]));
    let plan = plan_of(true, &[road(), said(5.0, lake()), other.clone()], &ground());
    assert_eq!(row(&plan, "reserve:").with_map_error, None);
    // What is known is kept off all the same.
    assert!(off_m(&plan, &lake().shape) >= 15.0 - MM);
    let cut_m = off_m(&plan, &other.shape);
    assert!((10.0 - MM..10.05).contains(&cut_m), "{cut_m}");
    let notes: Vec<(u32, Option<f64>)> = (plan.surveys.iter())
        .map(|own| (own.features, own.accuracy.off_m))
        .collect();
    assert_eq!(notes, [(1, None), (1, Some(5.0)), (1, None)]);
}

#[test]
fn the_blocks_own_edge_is_kept_off_but_not_in_front_of_its_road() {
    let mut ground = ground();
    ground.accuracy = Accuracy {
        off_m: Some(4.0),
        confidence: Some(0.95),
        source: "handheld receiver, maker's figure (invented)".to_owned(),
        surveyed: None,
    };
    let (sides, front) = (
        line(&[(0.0, 60.0), (0.0, 305.0), (600.0, 305.0), (600.0, 60.0)]),
        line(&[(0.0, 5.0), (600.0, 5.0)]),
    );
    let plan = plan_of(false, &[road()], &ground);
    assert!(off_m(&plan, &sides) < 0.1);
    let own = row(&plan, "block-edge");
    assert_eq!(
        (own.status, own.required),
        (Verdict::NotApplicable, Some(0.0))
    );
    assert!((own.with_map_error.unwrap() + 4.0).abs() < 0.1, "{own:?}");
    let words = told(&plan, "block-edge");
    assert!(
        words[0].contains("it may be off by 4 m (95.00 %)"),
        "{words:?}"
    );
    let french = in_memory::words_of_map(&plan, Language::French);
    assert!(
        french.contains("La limite du bloc peut être fausse de 4 m (95,00 %)"),
        "{french}"
    );

    let kept = plan_of(true, &[road()], &ground);
    let cut_m = off_m(&kept, &sides);
    assert!((4.0 - MM..4.05).contains(&cut_m), "{cut_m}");
    assert!(off_m(&kept, &front) < 0.1);
    let own = row(&kept, "block-edge");
    assert_eq!((own.status, own.required), (Verdict::Pass, Some(4.0)));
    assert!((4.0 - MM..4.05).contains(&own.measured.unwrap()), "{own:?}");
    // Who cuts up to the edge all the same gets no certificate.
    let mut as_before = plan.clone();
    as_before.compliance.clear();
    let wanted = settings(true);
    let rules = rules(0.0);
    in_context(ENGINES, &wanted, &rules, &[road()], None, |context| {
        compliance::judge(context, &ground, &mut as_before);
    });
    assert_eq!(row(&as_before, "block-edge").status, Verdict::Fail);
    let fault = as_before.certificate.fault.unwrap();
    assert!(
        matches!(
            fault,
            CutFault::TooNear {
                required_m: 4.0,
                ..
            }
        ),
        "{fault}"
    );
    // Both sides and the back, 4 m wide, as far as no road is in front of them.
    let reserve_m2 = kept.books.reserve_m2;
    assert!(
        (3_900.0..4.0 * (600.0 + 2.0 * 300.0)).contains(&reserve_m2),
        "{reserve_m2}"
    );
    assert!(plan.books.reserve_m2 < 1.0);
}

/// What is kept along the edge for the map's sake is no wall: the way to a road beyond it stays open.
#[test]
fn a_block_whose_road_passes_beside_it_is_worked_all_the_same() {
    let beside = feature(
        LayerKind::Roads,
        None,
        Some(10.0),
        line(&[(-100.0, -40.0), (700.0, -40.0)]),
    );
    let mut ground = ground();
    ground.accuracy.off_m = Some(4.0);
    let plan = plan_of(true, &[beside], &ground);
    assert!(
        plan.unworked
            .iter()
            .all(|own| own.reason != UnworkedReason::CutOff)
    );
    let all_m2 = 592.0 * 292.0;
    assert!((plan.books.cut_m2 + plan.books.retained_m2 - all_m2).abs() < 0.01 * all_m2);
    assert!((plan.books.reserve_m2 - (600.0 * 300.0 - all_m2)).abs() < 10.0);
}

#[test]
fn hazards_and_power_lines_are_kept_off_farther() {
    let across = |kind| feature(kind, None, None, line(&[(300.0, -100.0), (300.0, 500.0)]));
    let hazard = |keep: bool| {
        let plan = plan_of(
            keep,
            &[road(), said(6.0, across(LayerKind::Hazards))],
            &ground(),
        );
        let zones = plan
            .zones
            .iter()
            .filter(|zone| zone.kind == ZoneKind::Hazard);
        zones.map(|zone| zone.width_m).collect::<Vec<f64>>()
    };
    assert_eq!((hazard(false), hazard(true)), (vec![60.0], vec![66.0]));
    let wires = |keep: bool| {
        let mut wires = said(6.0, across(LayerKind::PowerLines));
        wires.facts.offer(Facts::VOLTAGE_KV, Fact::Number(138.0));
        let plan = plan_of(keep, &[road(), wires.clone()], &ground());
        (
            off_m(&plan, &wires.shape),
            row(&plan, "power-line-limit").clone(),
        )
    };
    let (near, far) = (wires(false), wires(true));
    assert!((far.0 - near.0 - 6.0).abs() < 0.1, "{} {}", near.0, far.0);
    assert!((far.1.required.unwrap() - near.1.required.unwrap() - 6.0).abs() < MM);
    let least_m = near.1.with_map_error.unwrap();
    assert!((near.1.measured.unwrap() - 6.0 - least_m).abs() < MM);
}

const BLOCKS: &str = r#"{"type":"FeatureCollection","crs":{"type":"name","properties":{"name":"urn:ogc:def:crs:EPSG::32616"}},"features":[
{"type":"Feature","properties":{"id":"A","off":"3 m"},"geometry":{"type":"Polygon","coordinates":[[[500000,5300000],[500600,5300000],[500600,5300300],[500000,5300300],[500000,5300000]]]}},
{"type":"Feature","properties":{"id":"B","off":"far"},"geometry":{"type":"Polygon","coordinates":[[[501000,5300000],[501600,5300000],[501600,5300300],[501000,5300300],[501000,5300000]]]}}]}"#;
const LAKES: &str = r#"{"type":"FeatureCollection","crs":{"type":"name","properties":{"name":"urn:ogc:def:crs:EPSG::32616"}},"features":[
{"type":"Feature","properties":{"id":"L1"},"geometry":{"type":"Polygon","coordinates":[[[500250,5300120],[500350,5300120],[500350,5300180],[500250,5300180],[500250,5300120]]]}}]}"#;

fn project_of(more: &str) -> (tempfile::TempDir, Result<project::Project, String>) {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("blocks.geojson"), BLOCKS).unwrap();
    fs::write(folder.path().join("lakes.geojson"), LAKES).unwrap();
    let text = format!(
        "[project]\ncrs = \"EPSG:32616\"\n[layers.blocks]\nsource = \"blocks.geojson\"\nid = \"id\"\naccuracy = \"off\"\n\
         accuracy_source = \"receivers (invented)\"\n[layers.lakes]\nsource = \"lakes.geojson\"\nid = \"id\"\n{more}\n\
         [rules]\npreset = \"bc-fppr\"\n"
    );
    let path = folder.path().join("project.toml");
    fs::write(&path, text).unwrap();
    let read = project::load(&path).map_err(|error| error.to_string());
    (folder, read)
}

#[test]
fn accuracies_are_read_of_layers_and_of_features() {
    let (_folder, project) = project_of(
        "accuracy = { value = \"10 ft\" }\naccuracy_confidence = \"90 %\"\naccuracy_source = \"map sheet (invented)\"\n\
         surveyed = { value = \"digitised at 1:20,000\" }",
    );
    let batch = sources::read(&project.unwrap()).unwrap();
    let lake = Accuracy::of(&batch.features[0].facts);
    assert!((lake.off_m.unwrap() - 3.048).abs() < 1e-9);
    assert_eq!(lake.confidence, Some(0.9));
    assert_eq!(lake.source, "map sheet (invented)");
    assert_eq!(lake.surveyed.as_deref(), Some("digitised at 1:20,000"));
    let blocks: Vec<Option<f64>> = batch.blocks.iter().map(|own| own.accuracy.off_m).collect();
    assert_eq!(blocks, [Some(3.0), None]);
    // What cannot be read is told with its feature, and how many say nothing.
    let problem = batch
        .problems
        .iter()
        .find(|own| own.message.contains("far"));
    assert!(
        problem.is_some_and(|own| own.feature_id == "B"),
        "{:?}",
        batch.problems
    );
    let uses = batch.layers.iter().flat_map(|layer| &layer.uses);
    let uses: Vec<(u64, u64)> = uses
        .filter(|own| own.what == "accuracy")
        .map(|own| (own.said.get("stated").copied().unwrap_or(0), own.assumed))
        .collect();
    assert_eq!(uses, [(1, 1), (1, 0)]);
}

#[test]
fn a_kind_of_source_has_its_published_figure() {
    let (_folder, project) = project_of("accuracy = { value = \"digitised 1:24000\" }");
    let batch = sources::read(&project.unwrap()).unwrap();
    let lake = Accuracy::of(&batch.features[0].facts);
    // 1/50 inch at 1:24,000 is 40 ft for nine of ten points, 45.6 ft for 95 of a hundred.
    assert!(
        (lake.off_m.unwrap() - 45.6 * 0.3048).abs() < 0.02,
        "{lake:?}"
    );
    assert_eq!(lake.confidence, Some(0.95));
    assert!(lake.source.contains("National Map Accuracy Standards"));
    for (more, word) in [
        ("accuracy = { value = \"survey\" }", "no published figure"),
        (
            "accuracy = { value = \"handheld\" }\naccuracy_confidence = \"90 %\"",
            "95 %",
        ),
    ] {
        let message = project_of(more).1.unwrap_err();
        assert!(message.contains(word), "{message}");
    }
}

#[test]
fn an_accuracy_without_a_source_and_a_sure_thing_are_refused() {
    for (more, word) in [
        ("accuracy = { value = \"10 m\" }", "accuracy_source"),
        (
            "accuracy = { value = \"10 m\" }\naccuracy_source = \" \"",
            "accuracy_source",
        ),
        (
            "accuracy = { value = \"-1 m\" }\naccuracy_source = \"map\"",
            "accuracy",
        ),
        (
            "accuracy_confidence = \"100 %\"\naccuracy_source = \"map\"",
            "accuracy_confidence",
        ),
    ] {
        let message = project_of(more).1.unwrap_err();
        assert!(
            message.contains(word) && message.contains("hint"),
            "{message}"
        );
    }
    let (_folder, project) =
        project_of("accuracy = { value = \"900 m\" }\naccuracy_source = \"map\"");
    let refused = project.and_then(|project| {
        sources::read(&project)
            .map(drop)
            .map_err(|error| error.to_string())
    });
    assert!(refused.unwrap_err().contains("beyond the 200 m"));
}
