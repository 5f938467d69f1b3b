//! Settings that a planner drew are taken as drawn, and what cannot be done so is told. Places are invented.

use crate::in_memory;
use crate::run_binary;

use blockwright::engines::ENGINES;
use blockwright::geometry::area::area;
use blockwright::geometry::overlay::difference;
use blockwright::model::*;
use gdal::Dataset;
use gdal::vector::LayerAccess;
use geo::MultiPolygon;
use in_memory::{block, feature, lay_out, line, rectangle, rules};
use run_binary::{UTM, collection, polygon, run, write};

fn road(id: &str, points: &[(f64, f64)]) -> Feature {
    Feature {
        id: id.to_owned(),
        ..feature(LayerKind::Roads, None, Some(8.0), line(points))
    }
}

/// Roads along the south and the north of a block of 600 m x 400 m.
fn two_roads() -> Vec<Feature> {
    vec![
        road("R-S", &[(-200.0, -4.0), (800.0, -4.0)]),
        road("R-N", &[(-200.0, 404.0), (800.0, 404.0)]),
    ]
}

fn drawn(id: &str, outlet: Option<&str>, [x0, y0, x1, y1]: [f64; 4]) -> Feature {
    let shape = Shape::Polygons(MultiPolygon(vec![rectangle(x0, y0, x1, y1)]));
    let mut drawn = Feature {
        id: id.to_owned(),
        ..feature(LayerKind::Settings, None, None, shape)
    };
    if let Some(outlet) = outlet {
        drawn
            .facts
            .offer(Facts::OUTLET, Fact::Text(outlet.to_owned()));
    }
    drawn
}

fn plan_of(features: &[Feature], outlets: &[&str]) -> BlockPlan {
    let source = SourceBlock {
        outlets: outlets.iter().map(|id| (*id).to_owned()).collect(),
        ..block(MultiPolygon(vec![rectangle(0.0, 0.0, 600.0, 400.0)]))
    };
    let plan = lay_out(
        ENGINES,
        &Settings::default(),
        &rules(0.08),
        features,
        &source,
    )
    .unwrap();
    let books = &plan.books;
    let sum = books.reserve_m2 + books.retained_m2 + books.cut_m2 + books.unworked_m2;
    assert!((sum - books.gross_m2).abs() < 1.0, "{books:?}");
    // Every piece of ground that is worked belongs to one setting.
    let settings: f64 = plan.parts.iter().map(|part| area(&part.shape)).sum();
    assert!(
        (settings - books.net_m2).abs() < 0.01 * books.net_m2,
        "{settings} {books:?}"
    );
    plan
}

fn told(plan: &BlockPlan) -> Vec<&Finding> {
    plan.findings
        .iter()
        .filter(|f| f.rule_id == "drawn-setting")
        .collect()
}

/// How much of a rectangle and of the settings drawn as `id` is not the other, m².
fn off_m2(plan: &BlockPlan, id: &str, [x0, y0, x1, y1]: [f64; 4]) -> f64 {
    let middle = plan.frame.origin();
    let wanted = MultiPolygon(vec![rectangle(
        x0 - middle.x,
        y0 - middle.y,
        x1 - middle.x,
        y1 - middle.y,
    )]);
    let own = plan
        .parts
        .iter()
        .filter(|part| part.drawn.as_deref() == Some(id));
    let own = MultiPolygon(own.flat_map(|part| part.shape.0.clone()).collect());
    area(&difference(&own, &wanted.0)) + area(&difference(&wanted, &own.0))
}

fn outlet_of<'p>(plan: &'p BlockPlan, id: &str) -> &'p OutletNote {
    let part = plan
        .parts
        .iter()
        .find(|part| part.drawn.as_deref() == Some(id));
    part.and_then(|part| part.outlet.as_ref())
        .expect("an outlet")
}

#[test]
fn ground_in_a_polygon_is_the_setting_that_was_drawn() {
    let (west, east) = ([0.0, 0.0, 220.0, 400.0], [400.0, 0.0, 600.0, 400.0]);
    let mut features = two_roads();
    // Beyond the block's edges by less than anybody minds.
    features.push(drawn("S-W", None, [-0.01, 0.0, 220.0, 400.0]));
    features.push(drawn("S-E", Some("R-N"), east));
    let plan = plan_of(&features, &[]);
    assert!(
        off_m2(&plan, "S-W", west) < 20.0,
        "{}",
        off_m2(&plan, "S-W", west)
    );
    assert!(
        off_m2(&plan, "S-E", east) < 20.0,
        "{}",
        off_m2(&plan, "S-E", east)
    );
    let outlet = outlet_of(&plan, "S-E");
    assert_eq!(
        (outlet.kind, outlet.name.as_str()),
        (OutletKind::Road, "R-N")
    );
    // The middle falls to settings as ever.
    let rest = plan.parts.iter().filter(|part| part.drawn.is_none());
    let rest: Vec<f64> = rest.map(|part| area(&part.shape)).collect();
    assert!(
        (rest.iter().sum::<f64>() - 180.0 * 400.0).abs() < 40.0,
        "{rest:?}"
    );
    assert!(told(&plan).is_empty(), "{:?}", told(&plan));
    // Strips of the eastern setting begin or end in the north, at its outlet.
    let number = plan
        .parts
        .iter()
        .find(|p| p.drawn.as_deref() == Some("S-E"))
        .unwrap()
        .part;
    let mut reach: std::collections::BTreeMap<u32, f64> = Default::default();
    // What is cut between strips in the road band of the other road goes to no outlet of its own.
    let gaps: Vec<PieceId> = (plan.strips.iter().filter(|strip| strip.gap))
        .map(|strip| strip.id)
        .collect();
    let strips = plan.lines.iter().filter(|line| !gaps.contains(&line.id));
    for line in strips.filter(|l| l.id.part == number && l.kind == StripKind::Interior) {
        let most = reach.entry(line.id.strip_no).or_insert(f64::MIN);
        *most = line.shape.0.iter().fold(*most, |most, at| most.max(at.y));
    }
    // Slanting strips across a corner end at the line to the next setting.
    let at_outlet = reach.values().filter(|y| **y > 190.0).count();
    assert!(at_outlet > 3 && at_outlet + 2 >= reach.len(), "{reach:?}");
}

#[test]
fn what_cannot_be_done_as_drawn_is_told() {
    let mut features = two_roads();
    features.push(drawn("S-1", None, [-50.0, 0.0, 300.0, 200.0]));
    features.push(drawn("S-2", Some("R-9"), [200.0, 0.0, 600.0, 200.0]));
    // In the middle of the block, beside no road; then one that is nowhere near it.
    features.push(drawn("S-3", Some("R-N"), [100.0, 200.0, 500.0, 300.0]));
    features.push(drawn("S-4", None, [900.0, 0.0, 1000.0, 100.0]));
    let plan = plan_of(&features, &[]);
    let said: Vec<&str> = told(&plan).iter().map(|f| f.message.as_str()).collect();
    for (part, verdict) in [
        (
            "setting S-1: 1.00 ha of it lie outside the block",
            Verdict::NotApplicable,
        ),
        (
            "settings S-1 and S-2 overlap by 2.00 ha; the ground goes to S-1",
            Verdict::Warn,
        ),
        (
            "setting S-2 names outlet R-9, which is no landing and no road",
            Verdict::Warn,
        ),
        (
            "setting S-3: wood of 4.00 ha of it reaches R-N only over ground of other settings",
            Verdict::Warn,
        ),
    ] {
        let found = told(&plan)
            .into_iter()
            .find(|f| f.message.starts_with(part));
        let found = found.unwrap_or_else(|| panic!("{part}: {said:?}"));
        assert_eq!(found.verdict, verdict, "{part}");
        assert!(found.shape.is_some(), "{part}");
    }
    assert_eq!(said.len(), 4, "{said:?}");
    assert!(off_m2(&plan, "S-1", [0.0, 0.0, 300.0, 200.0]) < 40.0);
    assert!(off_m2(&plan, "S-2", [300.0, 0.0, 600.0, 200.0]) < 40.0);
    // Wood of all settings is decked.
    let decked: std::collections::BTreeSet<u32> = plan.decks.iter().map(|deck| deck.part).collect();
    let settings: std::collections::BTreeSet<u32> =
        plan.parts.iter().map(|part| part.part).collect();
    if !plan.decks.is_empty() {
        assert_eq!(decked, settings);
    }
}

#[test]
fn ground_without_a_way_to_the_outlet_named_goes_where_it_is_cheapest() {
    // A stream parts the block; the road named lies on the other side of it.
    let stream = Feature {
        id: "ST-1".to_owned(),
        ..feature(
            LayerKind::Streams,
            Some("S3"),
            Some(3.0),
            line(&[(-200.0, 200.0), (800.0, 200.0)]),
        )
    };
    let mut features = two_roads();
    features.push(stream);
    features.push(drawn("S-1", Some("R-N"), [0.0, 0.0, 300.0, 200.0]));
    let plan = plan_of(&features, &[]);
    let said = told(&plan);
    assert_eq!(said.len(), 1, "{said:?}");
    assert!(said[0].message.contains("no way leads from") && said[0].message.contains("to R-N"));
    assert_eq!(outlet_of(&plan, "S-1").name, "R-S");
}

#[test]
fn a_landing_that_is_named_takes_the_wood_and_a_block_is_held_to_its_outlets() {
    let mut features = two_roads();
    let at = Shape::Points(geo::MultiPoint(vec![geo::Point::new(120.0, 60.0)]));
    features.push(Feature {
        id: "L-1".to_owned(),
        ..feature(LayerKind::Landings, None, None, at)
    });
    features.push(drawn("S-1", Some("L-1"), [0.0, 0.0, 240.0, 400.0]));
    let plan = plan_of(&features, &[]);
    let outlet = outlet_of(&plan, "S-1");
    assert_eq!(
        (outlet.kind, outlet.name.as_str()),
        (OutletKind::Landing, "L-1")
    );

    let names = |plan: &BlockPlan| -> Vec<String> {
        let outlets = plan.parts.iter().filter_map(|part| part.outlet.as_ref());
        outlets.map(|outlet| outlet.name.clone()).collect()
    };
    let free = names(&plan_of(&two_roads(), &[]));
    assert!(
        free.contains(&"R-S".to_owned()) && free.contains(&"R-N".to_owned()),
        "{free:?}"
    );
    let plan = plan_of(&two_roads(), &["R-N"]);
    assert!(
        names(&plan).iter().all(|name| name == "R-N"),
        "{:?}",
        names(&plan)
    );
    assert!(told(&plan).is_empty());
    // A name that nobody knows holds no block to anything.
    let plan = plan_of(&two_roads(), &["R-X"]);
    assert_eq!(names(&plan), free);
    assert!(
        told(&plan)[0].message.contains("names outlet R-X"),
        "{:?}",
        told(&plan)
    );
}

#[test]
fn drawn_settings_are_read_told_and_written() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    let named = |properties: &str, shape: &str| run_binary::feature(properties, shape);
    let blocks = [named(
        r#"{"BLOCK": "A-1"}"#,
        &run_binary::rectangle(0.0, 0.0, 400.0, 300.0),
    )];
    write(folder, "blocks.geojson", &collection(UTM, &blocks));
    let road = r#"{"type": "LineString", "coordinates": [[499900, 5399997], [500700, 5399997]]}"#;
    write(
        folder,
        "roads.geojson",
        &collection(UTM, &[named(r#"{"ROAD": "R-1"}"#, road)]),
    );
    let corners = [
        (0.0, 0.0),
        (200.0, 0.0),
        (200.0, 300.0),
        (0.0, 300.0),
        (0.0, 0.0),
    ];
    let settings = [
        named(r#"{"NAME": "S-1", "TO": "R-1"}"#, &polygon(&corners)),
        named(
            r#"{"NAME": "S-9"}"#,
            &run_binary::rectangle(5000.0, 0.0, 5100.0, 100.0),
        ),
    ];
    write(folder, "settings.geojson", &collection(UTM, &settings));
    let project = run_binary::PROJECT.to_owned()
        + "\n[layers.roads]\nsource = \"roads.geojson\"\nid = \"ROAD\"\n[layers.settings]\nsource = \"settings.geojson\"\n\
           id = \"NAME\"\noutlet = \"TO\"\n";
    write(folder, "project.toml", &project);
    let ended = run(folder, &["inspect", "project.toml"]);
    for said in [
        "outlet: 1 stated; 1 not said, taken as: the one that is cheapest",
        "note[outside-blocks]: settings.geojson:settings, feature S-9",
    ] {
        assert!(ended.stdout.contains(said), "{said}: {}", ended.stdout);
    }
    let ended = run(
        folder,
        &["layout", "project.toml", "--out", "out", "--quiet"],
    );
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let package = Dataset::open(folder.join("out/layout.gpkg")).unwrap();
    let mut layer = package.layer_by_name("settings").unwrap();
    let index = layer.defn().field_index("source_id").unwrap();
    let ids: Vec<String> = layer
        .features()
        .map(|feature| feature.field_as_string(index).unwrap().unwrap_or_default())
        .collect();
    assert!(
        ids.contains(&"S-1".to_owned()) && ids.contains(&String::new()),
        "{ids:?}"
    );
    let data = std::fs::read_to_string(folder.join("out/report/data/blocks/A-1.js")).unwrap();
    assert!(data.contains("\"drawn\":\"S-1\""));
}
