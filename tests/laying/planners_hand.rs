//! What a planner fixes beside the settings: strip lines, their way, the order of settings and of strips. Places are invented.

use crate::in_memory;
use crate::run_binary;

use blockwright::engines::ENGINES;
use blockwright::geometry::area::polygon_area;
use blockwright::geometry::distance::point_segment;
use blockwright::model::*;
use gdal::Dataset;
use gdal::vector::LayerAccess;
use geo::{Coord, MultiPolygon};
use in_memory::{block, feature, lay_out, line, rectangle, rules};
use run_binary::{UTM, collection, run, write};

fn road(id: &str, y: f64) -> Feature {
    Feature {
        id: id.to_owned(),
        ..feature(
            LayerKind::Roads,
            None,
            Some(8.0),
            line(&[(-200.0, y), (800.0, y)]),
        )
    }
}

fn stand() -> Feature {
    let shape = MultiPolygon(vec![rectangle(-10.0, -10.0, 610.0, 410.0)]);
    Feature {
        stems_per_ha: Some(700.0),
        tree_m3: Some(0.3),
        ..feature(LayerKind::Stands, None, None, Shape::Polygons(shape))
    }
}

fn strip_line(id: &str, points: &[(f64, f64)], order: Option<f64>) -> Feature {
    let mut drawn = Feature {
        id: id.to_owned(),
        ..feature(LayerKind::StripLines, None, None, line(points))
    };
    if let Some(order) = order {
        drawn.facts.offer(Facts::ORDER, Fact::Number(order));
    }
    drawn
}

fn setting(id: &str, [x0, y0, x1, y1]: [f64; 4], fact: Option<(&str, f64)>) -> Feature {
    let shape = Shape::Polygons(MultiPolygon(vec![rectangle(x0, y0, x1, y1)]));
    let mut drawn = Feature {
        id: id.to_owned(),
        ..feature(LayerKind::Settings, None, None, shape)
    };
    if let Some((name, value)) = fact {
        drawn.facts.offer(name, Fact::Number(value));
    }
    drawn
}

fn plan_with(features: &[Feature], source: SourceBlock) -> BlockPlan {
    let mut all = vec![road("R-S", -4.0), stand()];
    all.extend_from_slice(features);
    let plan = lay_out(ENGINES, &Settings::default(), &rules(0.08), &all, &source).unwrap();
    let books = &plan.books;
    let sum = books.reserve_m2 + books.retained_m2 + books.cut_m2 + books.unworked_m2;
    assert!((sum - books.gross_m2).abs() < 1.0, "{books:?}");
    // What is fixed is judged like the rest.
    for rule in ["reach", "strip-width", "inside-block", "clear-of-trees"] {
        let rows = plan.compliance.iter().filter(|row| row.rule_id == rule);
        for row in rows {
            assert_ne!(row.status, Verdict::Fail, "{row:?}");
        }
    }
    plan
}

/// A block of 600 m x 400 m north of its road.
fn plan_of(features: &[Feature]) -> BlockPlan {
    plan_with(
        features,
        block(MultiPolygon(vec![rectangle(0.0, 0.0, 600.0, 400.0)])),
    )
}

fn told<'p>(plan: &'p BlockPlan, rule: &str) -> Vec<&'p str> {
    let told = plan.findings.iter().filter(|found| found.rule_id == rule);
    told.map(|found| found.message.as_str()).collect()
}

fn strips_of(plan: &BlockPlan, part: u32, strip_no: u32) -> Vec<&StripLine> {
    let lines = plan.lines.iter();
    lines
        .filter(|line| line.kind == StripKind::Interior)
        .filter(|line| (line.id.part, line.id.strip_no) == (part, strip_no))
        .collect()
}

/// How far the line of a strip lies at most from a straight one, which may be shorter, and how long it is, m.
fn along(plan: &BlockPlan, line: &StripLine, [a, b]: [(f64, f64); 2]) -> (f64, f64) {
    let middle = plan.frame.origin();
    let [a, b] = [a, b].map(|(x, y)| Coord { x, y } - middle);
    let [a, b] = [a - (b - a), b + (b - a)];
    let off = line.shape.0.iter().map(|&at| point_segment(at, a, b));
    let ends = [line.shape.0[0], line.shape.0[line.shape.0.len() - 1]];
    let long = ends[1] - ends[0];
    (off.fold(0.0, f64::max), long.x.hypot(long.y))
}

/// The number of the strip along a drawn line, and its setting.
fn number_of(plan: &BlockPlan, id: &str) -> Option<(u32, u32)> {
    plan.parts.iter().find_map(|part| {
        let own = part.strip_lines.iter().find(|(own, _)| own == id)?;
        Some((part.part, own.1))
    })
}

#[test]
fn a_strip_runs_along_the_line_that_was_drawn_and_the_rest_is_fitted_around() {
    for ends in [
        [(203.7, 0.0), (203.7, 400.0)],
        [(150.0, -20.0), (310.0, 420.0)],
        [(420.0, 390.0), (390.0, 5.0)],
    ] {
        let plan = plan_of(&[strip_line("L-1", &ends, None)]);
        let (part, strip) = number_of(&plan, "L-1").expect("a strip along the line");
        let lines = strips_of(&plan, part, strip);
        let longest = lines.iter().map(|line| along(&plan, line, ends));
        let longest = longest.max_by(|a, b| a.1.total_cmp(&b.1)).unwrap();
        assert!(longest.1 > 300.0, "{longest:?}");
        assert!(longest.0 < 0.01, "{longest:?}");
        let own: Vec<&Strip> = (plan.strips.iter())
            .filter(|own| own.id.part == part && own.id.strip_no == strip && !own.gap)
            .collect();
        let full_m = Settings::default().machine.strip_width_m();
        assert!(own.iter().all(|own| (own.width_m - full_m).abs() < 1e-9));
        let note = plan.parts.iter().find(|note| note.part == part).unwrap();
        assert_eq!(note.azimuth_from, AzimuthFrom::StripLine);
        // Strips to both sides, and the share met.
        assert!(
            strip > 1 && note.strips > strip + 2,
            "{strip} of {}",
            note.strips
        );
        assert!(
            plan.retention_share >= 0.08 - 1e-9,
            "{}",
            plan.retention_share
        );
        let cost = told(&plan, "by-hand");
        assert_eq!(cost.len(), 1, "{cost:?}");
        assert!(cost[0].starts_with("fixed by hand: strip lines L-1; felling and skidding take"));
    }
    let free = plan_of(&[]);
    assert!(told(&free, "by-hand").is_empty() && told(&free, "strip-line").is_empty());
    assert_eq!(free.parts[0].azimuth_from, AzimuthFrom::Cost);
}

/// What is fixed costs what the two plans differ by.
#[test]
fn what_is_fixed_is_told_beside_the_free_choice() {
    let hours = |plan: &BlockPlan| {
        let cost = plan.cost();
        cost.felling_hours.unwrap() + cost.skidding_hours.unwrap()
    };
    let free = hours(&plan_of(&[]));
    let fixed = SourceBlock {
        azimuth_deg: Some(90.0),
        ..block(MultiPolygon(vec![rectangle(0.0, 0.0, 600.0, 400.0)]))
    };
    let plan = plan_with(&[], fixed);
    let found = plan
        .findings
        .iter()
        .find(|found| found.rule_id == "by-hand")
        .unwrap();
    assert!(
        found
            .message
            .starts_with("fixed by hand: the block's azimuth;"),
        "{}",
        found.message
    );
    let more_h = found.measured.unwrap();
    assert!((more_h - (hours(&plan) - free)).abs() < 1e-9, "{more_h}");
    assert!(more_h > 0.0, "strips along the road are dearer: {more_h}");
}

#[test]
fn several_lines_of_one_way_are_all_followed_from_left_to_right() {
    let at = [100.0, 152.0, 171.0, 330.0];
    let lines: Vec<Feature> = (at.iter().enumerate())
        .map(|(n, &x)| strip_line(&format!("L-{n}"), &[(x, 20.0), (x, 380.0)], None))
        .collect();
    let plan = plan_of(&lines);
    assert!(
        told(&plan, "strip-line").is_empty(),
        "{:?}",
        told(&plan, "strip-line")
    );
    let mut last = 0;
    for (n, &x) in at.iter().enumerate() {
        let (part, strip) = number_of(&plan, &format!("L-{n}")).unwrap();
        assert!(strip > last, "{strip} after {last}");
        last = strip;
        let ends = [(x, -10.0), (x, 410.0)];
        let lines = strips_of(&plan, part, strip);
        assert!(lines.iter().any(|line| {
            let (off_m, long_m) = along(&plan, line, ends);
            off_m < 0.01 && long_m > 300.0
        }));
    }
    // Cut ground, corridors and what stands fill the block.
    let cut: f64 = plan
        .strips
        .iter()
        .map(|strip| polygon_area(&strip.shape))
        .sum();
    assert!((cut - plan.books.cut_m2).abs() < 0.5);
}

#[test]
fn a_line_that_cannot_be_followed_is_told_with_what_to_do() {
    let reserve = MultiPolygon(vec![rectangle(480.0, 100.0, 600.0, 400.0)]);
    let plan = plan_of(&[
        feature(LayerKind::Protected, None, None, Shape::Polygons(reserve)),
        strip_line("good", &[(200.0, 10.0), (200.0, 390.0)], None),
        strip_line("askew", &[(300.0, 20.0), (330.0, 390.0)], None),
        strip_line(
            "bent",
            &[(100.0, 10.0), (112.0, 200.0), (100.0, 300.0)],
            None,
        ),
        strip_line("near", &[(203.0, 10.0), (203.0, 200.0)], None),
        strip_line("reserved", &[(550.0, 200.0), (550.0, 390.0)], None),
        strip_line("elsewhere", &[(900.0, 200.0), (900.0, 390.0)], None),
    ]);
    let said = told(&plan, "strip-line");
    for (id, part) in [
        (
            "askew",
            "strips of a setting run the same way, and askew runs 15.0 m from that",
        ),
        (
            "bent",
            "it bends 12.0 m from the straight way between its ends",
        ),
        ("near", "strip line good lies 3.0 m beside it"),
        ("reserved", "it lies on ground that is not worked"),
    ] {
        let own = said
            .iter()
            .find(|said| said.contains(&format!("strip line {id} ")));
        let own = own.unwrap_or_else(|| panic!("{id}: {said:?}"));
        assert!(own.contains(part), "{own}");
        assert!(number_of(&plan, id).is_none(), "{id}");
    }
    assert_eq!(said.len(), 4, "{said:?}");
    assert!(number_of(&plan, "good").is_some());
}

#[test]
fn what_of_a_line_lies_in_a_reserve_is_not_driven() {
    let reserve = MultiPolygon(vec![rectangle(150.0, 250.0, 260.0, 420.0)]);
    let plan = plan_of(&[
        feature(LayerKind::Protected, None, None, Shape::Polygons(reserve)),
        strip_line("L-1", &[(200.0, 10.0), (200.0, 390.0)], None),
    ]);
    let said = told(&plan, "strip-line");
    assert!(
        said.iter()
            .any(|said| said.contains("of strip line L-1 lie on ground that is not worked")),
        "{said:?}"
    );
    let middle = plan.frame.origin();
    for line in &plan.lines {
        for at in &line.shape.0 {
            let inside = (150.0..260.0).contains(&(at.x + middle.x)) && at.y + middle.y > 250.0;
            assert!(!inside, "{at:?}");
        }
    }
}

#[test]
fn strips_of_a_setting_run_the_way_that_was_stated() {
    let half = [0.0, 0.0, 300.0, 400.0];
    let plan = plan_of(&[setting("S-1", half, Some((Facts::AZIMUTH, 20.0)))]);
    let own = plan
        .parts
        .iter()
        .find(|part| part.drawn.as_deref() == Some("S-1"))
        .unwrap();
    assert!(
        (own.azimuth_deg % 180.0 - 20.0).abs() < 1e-9,
        "{}",
        own.azimuth_deg
    );
    assert_eq!(own.azimuth_from, AzimuthFrom::Setting);
    let others = plan.parts.iter().filter(|part| part.drawn.is_none());
    assert!(
        others
            .into_iter()
            .all(|part| part.azimuth_from == AzimuthFrom::Cost)
    );
}

/// Whatever order is asked for of settings side by side, their strips are cut in it.
#[test]
fn settings_are_cut_in_the_order_that_was_asked_for() {
    let shapes = [
        [0.0, 0.0, 200.0, 400.0],
        [200.0, 0.0, 400.0, 400.0],
        [400.0, 0.0, 600.0, 400.0],
    ];
    for order in [[1, 2, 3], [3, 1, 2], [2, 3, 1], [3, 2, 1]] {
        let settings: Vec<Feature> = (shapes.iter().zip(order))
            .map(|(&shape, place)| {
                let fact = Some((Facts::ORDER, f64::from(place)));
                setting(&format!("S-{place}"), shape, fact)
            })
            .collect();
        let plan = plan_of(&settings);
        let begun = |place: i32| {
            let id = format!("S-{place}");
            let part = plan
                .parts
                .iter()
                .find(|part| part.drawn.as_deref() == Some(&id));
            let part = part.unwrap().part;
            let own = plan
                .lines
                .iter()
                .filter(|line| line.id.part == part && line.kind == StripKind::Interior);
            own.map(|line| line.order).min().unwrap()
        };
        assert!(begun(1) < begun(2) && begun(2) < begun(3), "{order:?}");
        assert!(told(&plan, "setting-order").is_empty());
    }
}

/// Beside a hole strips are cut in two rows: the one that is asked for first comes before the other, with what lies to its
/// left.
#[test]
fn the_strip_that_is_asked_for_comes_as_soon_as_it_can() {
    let lake = Feature {
        ..feature(
            LayerKind::Protected,
            None,
            None,
            Shape::Polygons(MultiPolygon(vec![rectangle(200.0, 150.0, 420.0, 250.0)])),
        )
    };
    let at = |x: f64, y: f64| [(x, y - 30.0), (x, y + 30.0)];
    let mut sooner = 0;
    for y in [60.0, 340.0] {
        let mut before = Vec::new();
        for order in [None, Some(1.0)] {
            let plan = plan_of(&[lake.clone(), strip_line("L-1", &at(330.0, y), order)]);
            let (part, strip) = number_of(&plan, "L-1").unwrap();
            let longest = strips_of(&plan, part, strip).into_iter();
            let longest = longest.filter(|line| along(&plan, line, at(330.0, y)).1 > 60.0);
            let own_y = |line: &StripLine| line.shape.0[0].y + plan.frame.origin().y;
            let own = longest.min_by(|a, b| {
                let off = |line: &StripLine| (own_y(line) - y).abs();
                off(a).total_cmp(&off(b))
            });
            let own = own.unwrap().order;
            let earlier = plan.lines.iter().filter(|line| {
                line.kind == StripKind::Interior && line.id.part == part && line.order < own
            });
            let earlier: Vec<u32> = earlier.map(|line| line.id.strip_no).collect();
            let told = told(&plan, "strip-line");
            let is_told = told.iter().any(|told| told.contains("was to be cut first"));
            assert_eq!(is_told, order.is_some(), "{told:?}");
            if order.is_some() {
                // Nothing from its right comes before it.
                assert!(earlier.iter().all(|&other| other <= strip), "{earlier:?}");
            }
            before.push(earlier.len());
        }
        assert!(before[1] <= before[0], "{before:?}");
        sooner += usize::from(before[1] < before[0]);
    }
    assert!(sooner > 0, "no strip came sooner for being asked for");
}

#[test]
fn strip_lines_are_read_told_and_written() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    let named = |properties: &str, shape: &str| run_binary::feature(properties, shape);
    let blocks = [named(
        r#"{"BLOCK": "A-1"}"#,
        &run_binary::rectangle(0.0, 0.0, 400.0, 300.0),
    )];
    write(folder, "blocks.geojson", &collection(UTM, &blocks));
    let way = |x0: i32, y0: i32, x1: i32, y1: i32| {
        format!(
            r#"{{"type": "LineString", "coordinates": [[{}, {}], [{}, {}]]}}"#,
            500_000 + x0,
            5_400_000 + y0,
            500_000 + x1,
            5_400_000 + y1
        )
    };
    write(
        folder,
        "roads.geojson",
        &collection(UTM, &[named(r#"{"ROAD": "R-1"}"#, &way(-100, -3, 700, -3))]),
    );
    let lines = [
        named(r#"{"NAME": "L-1", "NTH": 1}"#, &way(150, 0, 150, 300)),
        named(
            r#"{"NAME": "L-9", "NTH": "soon"}"#,
            &way(5000, 0, 5000, 300),
        ),
    ];
    write(folder, "lines.geojson", &collection(UTM, &lines));
    let project = run_binary::PROJECT.to_owned()
        + "\n[layers.roads]\nsource = \"roads.geojson\"\nid = \"ROAD\"\n[layers.strip_lines]\nsource = \"lines.geojson\"\n\
           id = \"NAME\"\norder = \"NTH\"\n";
    write(folder, "project.toml", &project);
    let ended = run(folder, &["inspect", "project.toml"]);
    for said in [
        "order: 1 stated; 1 not said, taken as: from left to right",
        "note[outside-blocks]: lines.geojson:lines, feature L-9",
        "`soon` is not a number",
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
    let of = |layer: &gdal::vector::Layer, name: &str| layer.defn().field_index(name).unwrap();
    let (from, drawn) = (of(&layer, "azimuth_from"), of(&layer, "strip_lines"));
    let rows: Vec<(String, String)> = layer
        .features()
        .map(|row| {
            [from, drawn].map(|index| row.field_as_string(index).unwrap().unwrap_or_default())
        })
        .map(|[from, drawn]| (from, drawn))
        .collect();
    assert!(
        rows.iter()
            .any(|(from, drawn)| from == "strip_line" && drawn.starts_with("L-1: ")),
        "{rows:?}"
    );
    assert!(!rows.iter().any(|(_, drawn)| drawn.contains("L-9")));
}
