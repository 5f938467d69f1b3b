//! The wind that throws trees: what stands open to it, and strips that lie along it.

use crate::audited;
use crate::in_memory;
use crate::run_binary as program;
use crate::size;

use std::path::Path;

use audited::{as_plan, audit, of, on_demo};
use blockwright::demo::DemoOptions;
use blockwright::engines::ENGINES;
use blockwright::layout;
use blockwright::model::*;
use blockwright::project::{self, Project};
use blockwright::{audit as auditing, compliance};
use geo::{Contains, Coord, MultiPolygon, Point, Polygon};
use in_memory::*;

fn wind(from_deg: f64) -> Wind {
    Wind::new(from_deg, "wind record (invented)".to_owned())
}

fn settings(from_deg: f64) -> Settings {
    let mut settings = Settings::default();
    settings.layout.boundary_pass = false;
    settings.layout.azimuth = Azimuth::Degrees(0.0);
    settings.production.stems_per_ha = Some(625.0);
    settings.wind = Some(wind(from_deg));
    settings
}

/// The block of the worked example in docs/algorithms.md.
fn plan(settings: &Settings) -> BlockPlan {
    let block = block(MultiPolygon(vec![rectangle(0.0, 0.0, 600.0, 250.0)]));
    lay_out(ENGINES, settings, &rules(0.12), &[], &block).unwrap()
}

fn row<'p>(plan: &'p BlockPlan, rule_id: &str) -> &'p ComplianceRow {
    let found = plan.compliance.iter().find(|row| row.rule_id == rule_id);
    found.unwrap_or_else(|| panic!("no {rule_id}"))
}

/// By hand: five corridors of 14.4 m by 250 m run north. West wind has the long side of each before it, 1250 m; they are 250 m long
/// across it and 14.4 m deep along it. North wind meets forest beyond the block. Northwest wind, 45 degrees off, still has the long
/// sides before it (3600 m2 over 187 m across it are 19 m deep), and a degree more none.
#[test]
fn corridors_across_the_wind_are_open_along_their_long_sides() {
    for (from_deg, edge_m, narrow) in [
        (270.0, 1250.0, 5),
        (90.0, 1250.0, 5),
        (0.0, 0.0, 0),
        (315.0, 1250.0, 5),
        (316.0, 0.0, 0),
    ] {
        let plan = plan(&settings(from_deg));
        let edge = row(&plan, "wind-edge");
        assert!(
            (edge.measured.unwrap() - edge_m).abs() < 0.01,
            "{from_deg}: {edge:?}"
        );
        assert_eq!((edge.status, edge.required), (Verdict::Pass, None));
        assert_eq!(edge.source, "wind record (invented)");
        let pieces = row(&plan, "wind-narrow");
        assert_eq!(pieces.measured, Some(f64::from(narrow)), "{from_deg}");
        let expected = if narrow > 0 {
            Verdict::Warn
        } else {
            Verdict::Pass
        };
        assert_eq!(pieces.status, expected);
        assert_eq!(row(&plan, "wind-corner").measured, Some(0.0));
        if from_deg == 270.0 {
            let measured = &plan.wind.as_ref().unwrap().pieces;
            assert_eq!(measured.len(), 5);
            for piece in measured {
                assert!((piece.across_m - 250.0).abs() < 1e-3, "{piece:?}");
                assert!((piece.deep_m - 14.4).abs() < 0.05, "{piece:?}");
            }
            let finding = plan.findings.iter().find(|f| f.rule_id == "wind-narrow");
            let message = &finding.unwrap().message;
            assert!(message.contains("C1-1-1, C1-2-1"), "{message}");
            assert!(finding.unwrap().shape.is_some());
        }
    }
    // A sector lets wind from beside it in too.
    let mut wide = settings(325.0);
    wide.wind.as_mut().unwrap().sector_deg = 30.0;
    let edge_m = row(&plan(&wide), "wind-edge").measured.unwrap();
    assert!((edge_m - 1250.0).abs() < 0.01, "{edge_m}");
    // What is no narrower than the project's own figure is none.
    let mut own = settings(270.0);
    own.wind.as_mut().unwrap().narrow_m = 14.0;
    assert_eq!(row(&plan(&own), "wind-narrow").measured, Some(0.0));
    // Without a wind there is nothing to say.
    let mut none = settings(0.0);
    none.wind = None;
    let none = plan(&none);
    assert!(none.wind.is_none());
    assert!(
        none.compliance
            .iter()
            .all(|row| !row.rule_id.starts_with("wind"))
    );
}

/// A strip of protected ground across a block that is cut on both sides: it faces the wind over 300 m, and is no retention.
#[test]
fn edges_of_reserves_are_measured_apart() {
    let block = block(MultiPolygon(vec![rectangle(0.0, 0.0, 300.0, 300.0)]));
    let kept = Shape::Polygons(MultiPolygon(vec![rectangle(-10.0, 140.0, 310.0, 160.0)]));
    let kept = feature(LayerKind::Protected, None, None, kept);
    let plan = lay_out(ENGINES, &settings(0.0), &rules(0.0), &[kept], &block).unwrap();
    let measured = plan.wind.as_ref().unwrap();
    assert!((measured.reserves_m - 300.0).abs() < 1.0, "{measured:?}");
    assert_eq!(measured.retained_m(), 0.0);
}

/// A drawn patch that runs out to a point of 21 degrees, in cut ground.
#[test]
fn a_pointed_patch_is_told() {
    let block = block(MultiPolygon(vec![rectangle(0.0, 0.0, 400.0, 400.0)]));
    let wedge = Polygon::new(ring(&[(120., 180.), (280., 180.), (280., 240.)]), vec![]);
    let mut patch = feature(
        LayerKind::Retain,
        Some("patch"),
        None,
        Shape::Polygons(MultiPolygon(vec![wedge])),
    );
    patch.facts.0.push(("counts".to_owned(), Fact::Flag(true)));
    let mut rules = rules(0.0);
    rules.keep_all();
    for (from_deg, sharp) in [(180.0, 1.0), (340.0, 1.0), (90.0, 0.0)] {
        let plan = lay_out(
            ENGINES,
            &settings(from_deg),
            &rules,
            &[patch.clone()],
            &block,
        )
        .unwrap();
        let corner = row(&plan, "wind-corner");
        assert_eq!(corner.measured, Some(sharp), "{from_deg}: {:?}", plan.wind);
        let warned = corner.status == Verdict::Warn;
        assert_eq!(warned, sharp > 0.0);
    }
}

#[test]
fn a_weight_turns_strips_along_the_wind_and_none_leaves_them() {
    let azimuth = |seconds_per_m: f64, from_deg: f64| {
        let mut settings = settings(from_deg);
        settings.layout.azimuth = Azimuth::Auto;
        settings.wind.as_mut().unwrap().seconds_per_m = seconds_per_m;
        let block = block(MultiPolygon(vec![rectangle(0.0, 0.0, 300.0, 300.0)]));
        let road = feature(
            LayerKind::Roads,
            None,
            Some(8.0),
            line(&[(-50., -4.), (350., -4.)]),
        );
        let plan = lay_out(ENGINES, &settings, &rules(0.12), &[road], &block).unwrap();
        let choice = plan.parts[0].choice;
        (
            plan.azimuth_deg.unwrap(),
            choice.chosen.wind_h,
            choice.square.wind_h,
        )
    };
    let off = |azimuth: f64, other: f64| {
        let off = (azimuth - other).rem_euclid(180.0);
        off.min(180.0 - off)
    };
    let (unweighed, none_h, _) = azimuth(0.0, 270.0);
    assert!(off(unweighed, 0.0) < 3.0, "{unweighed}");
    assert_eq!(none_h, 0.0);
    let (weighed, chosen_h, square_h) = azimuth(30.0, 270.0);
    assert!(off(weighed, 90.0) < 10.0, "{weighed}");
    assert!(chosen_h < 0.2 * square_h, "{chosen_h} {square_h}");
    // Strips that run along the wind anyway stay.
    let (along, _, _) = azimuth(30.0, 180.0);
    assert!(off(along, 0.0) < 3.0, "{along}");
}

/// The audit looks from the cut's side, step by step: on corridors of a plan, and on the same cut without any plan.
#[test]
fn the_audit_finds_the_same_edges_from_the_cut() {
    for from_deg in [270.0, 300.0] {
        let settings = settings(from_deg);
        let block = block(MultiPolygon(vec![rectangle(0.0, 0.0, 600.0, 250.0)]));
        let rules = rules(0.12);
        let plan = lay_out(ENGINES, &settings, &rules, &[], &block).unwrap();
        let mut cut = as_plan(&plan);
        for input in [auditing::CutInput::Plan, auditing::CutInput::Polygons] {
            cut.input = input;
            if input == auditing::CutInput::Polygons {
                cut.corridors = None;
            }
            let audited = audit(&settings, &rules, &[], None, &block, &cut, 0.0);
            let found = of(&audited, "wind-edge").row.row.measured.unwrap();
            assert!(
                (found - 1250.0).abs() < 2.0,
                "{from_deg} {input:?}: {found}"
            );
            let narrow = of(&audited, "wind-narrow");
            let expected = row(&plan, "wind-narrow");
            assert_eq!(narrow.row.row.measured, expected.measured);
            assert_eq!(narrow.row.row.status, expected.status);
        }
    }
}

/// Points a quarter of a metre apart beside every outline, asked one by one whether they lie in a strip.
fn by_points(plan: &BlockPlan, wind: &Wind) -> (Vec<f64>, f64) {
    let (sin, cos) = wind.from_deg.to_radians().sin_cos();
    let strips: Vec<(geo::Rect, &Polygon)> = (plan.strips.iter())
        .filter_map(|strip| {
            Some((
                geo::BoundingRect::bounding_rect(&strip.shape)?,
                &strip.shape,
            ))
        })
        .collect();
    let open_m = |polygon: &Polygon| {
        let shape = geo::orient::Orient::orient(polygon, geo::orient::Direction::Default);
        let rings = std::iter::once(shape.exterior()).chain(shape.interiors());
        let mut sum_m = 0.0;
        for edge in rings.flat_map(|ring| ring.lines()) {
            let (dx, dy) = (edge.dx(), edge.dy());
            let length_m = dx.hypot(dy);
            let out = (dy / length_m, -dx / length_m);
            let off = (out.0 * sin + out.1 * cos)
                .clamp(-1.0, 1.0)
                .acos()
                .to_degrees();
            if length_m == 0.0 || off > wind.facing_deg {
                continue;
            }
            let steps = (length_m / 0.25).ceil();
            for k in 0..steps as u32 {
                let t = (f64::from(k) + 0.5) / steps;
                let at = Coord {
                    x: edge.start.x + t * dx + 0.5 * out.0,
                    y: edge.start.y + t * dy + 0.5 * out.1,
                };
                let at = Point(at);
                if strips
                    .iter()
                    .any(|(bounds, shape)| bounds.contains(&at) && shape.contains(&at))
                {
                    sum_m += length_m / steps;
                }
            }
        }
        sum_m
    };
    let pieces = plan.retained_pieces();
    let each = pieces.iter().map(|piece| open_m(piece.shape)).collect();
    let reserves = (plan.zones.iter())
        .filter(|zone| zone.kind == ZoneKind::Reserve && zone.kept.is_none())
        .map(|zone| geo::BooleanOps::union(&zone.shape, &MultiPolygon(vec![])))
        .reduce(|a, b| geo::BooleanOps::union(&a, &b));
    let reserves = reserves.iter().flat_map(|all| &all.0);
    (each, reserves.map(open_m).sum())
}

#[test]
fn on_demo_blocks_edges_are_those_of_points_beside_them() {
    let options = DemoOptions {
        blocks: size::of(4, 24),
        seed: 11,
    };
    let windy = |project: &mut Project| project.settings.wind = Some(wind(230.0));
    on_demo(&options, windy, |batch, context, audit_context| {
        let (mut edges_m, mut pieces, mut reserved_m) = (0.0, 0, 0.0);
        for block in &batch.blocks {
            let Ok(mut plan) = layout::lay_out(context, block) else {
                continue;
            };
            compliance::judge(context, block, &mut plan);
            let found = plan.wind.clone().unwrap();
            let (each, reserves_m) = by_points(&plan, context.settings.wind.as_ref().unwrap());
            let near = |a: f64, b: f64| (a - b).abs() <= 1.0 + 0.01 * b;
            for (own, wanted) in found.pieces.iter().zip(&each) {
                assert!(
                    near(own.windward_m, *wanted),
                    "{} {own:?} {wanted}",
                    plan.id
                );
            }
            assert_eq!(found.pieces.len(), each.len());
            assert!(
                near(found.reserves_m, reserves_m),
                "{} {found:?} {reserves_m}",
                plan.id
            );
            let audited = auditing::judge(audit_context, block, &as_plan(&plan), None);
            let audited_m = of(&audited, "wind-edge").row.row.measured.unwrap_or(0.0);
            assert!(
                (audited_m - found.windward_m()).abs() <= 5.0 + 0.03 * audited_m,
                "{}: {} by the layout, {audited_m} by the audit",
                plan.id,
                found.windward_m()
            );
            edges_m += found.windward_m();
            reserved_m += found.reserves_m;
            pieces += each.len();
        }
        assert!(
            edges_m > size::of(300, 5_000) as f64
                && reserved_m > size::of(30, 500) as f64
                && pieces > size::of(8, 50),
            "{edges_m} {reserved_m} {pieces}"
        );
    });
}

fn parsed(body: &str) -> Result<Option<Wind>, String> {
    let text = format!(
        "[layers.blocks]\nsource = \"a.gpkg\"\n[rules]\npreset = \"bare\"\n[wind]\n{body}\n"
    );
    let project = project::parse(&text, Path::new("p.toml"));
    project
        .map(|project| project.settings.wind)
        .map_err(|error| error.to_string())
}

#[test]
fn a_project_says_where_the_wind_comes_from_and_who_says_so() {
    let read = |from: &str| {
        parsed(&format!("from = {from}\nsource = \"record\"")).map(|wind| wind.unwrap().from_deg)
    };
    for (from, deg) in [
        ("\"SW\"", 225.0),
        ("\"N\"", 0.0),
        ("\"NNW\"", 337.5),
        ("210", 210.0),
        ("12.5", 12.5),
    ] {
        assert_eq!(read(from), Ok(deg), "{from}");
    }
    for (from, wanted) in [("\"south\"", "NNE"), ("361", "360"), ("\"210\"", "SSW")] {
        let message = read(from).unwrap_err();
        assert!(
            message.contains(wanted) && message.contains("line 6"),
            "{message}"
        );
    }
    let message = parsed("from = \"SW\"").unwrap_err();
    assert!(message.contains("source"), "{message}");
    let message = parsed("from = \"SW\"\nsource = \" \"").unwrap_err();
    assert!(message.contains("source"), "{message}");
    let message = parsed("from = \"SW\"\nsource = \"record\"\nfacing = 120").unwrap_err();
    assert!(
        message.contains("facing") && message.contains("90"),
        "{message}"
    );
    let own = parsed("from = \"W\"\nsource = \"record\"\nnarrow = \"100 ft\"\nseconds_per_m = 2")
        .unwrap();
    let own = own.unwrap();
    assert!((own.narrow_m - 30.48).abs() < 1e-9 && own.seconds_per_m == 2.0);
}

/// Two blocks of the small project by the program itself: what is written, compared and inspected, in one run and in two shares.
#[test]
fn every_output_knows_the_wind() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    program::small_project(folder);
    let plain = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    let windy = format!("{plain}\n[wind]\nfrom = \"W\"\nsource = \"record 7\"\n");
    program::write(folder, "windy.toml", &windy);
    let run = |words: &[&str]| {
        let ended = program::run(folder, words);
        assert!(
            ended.code == 0 || ended.code == 3,
            "{words:?}: {}",
            ended.stderr
        );
        ended.stdout
    };
    run(&["layout", "windy.toml", "--out", "out"]);
    let blocks = program::table(&folder.join("out/blocks.csv"));
    let number = |text: &str| text.parse::<f64>().unwrap();
    let windward: Vec<f64> = blocks
        .iter()
        .map(|row| number(&row["windward_m"]))
        .collect();
    assert!(windward.iter().all(|m| *m > 50.0), "{windward:?}");
    let rows = program::table(&folder.join("out/compliance.csv"));
    let rows: Vec<_> = (rows.iter())
        .filter(|row| row["rule_id"] == "wind-edge")
        .collect();
    assert_eq!(rows.len(), 2);
    for (row, m) in rows.iter().zip(&windward) {
        assert!((number(&row["measured"]) - m).abs() < 1e-2, "{row:?}");
        assert_eq!(row["source"], "record 7");
    }
    let dataset = gdal::Dataset::open(folder.join("out/layout.gpkg")).unwrap();
    let mut layer =
        gdal::vector::LayerAccess::features(&mut dataset.layer_by_name("retained").unwrap())
            .map(|piece| {
                let at = |name: &str| piece.field_index(name).unwrap();
                let m = |name: &str| piece.field_as_double(at(name)).unwrap().unwrap();
                assert!(m("along_wind_m") > 0.0 && m("across_wind_m") > 0.0);
                m("windward_m")
            })
            .collect::<Vec<f64>>();
    layer.sort_by(f64::total_cmp);
    assert!((layer.iter().sum::<f64>() - windward.iter().sum::<f64>()).abs() < 0.1);
    let pages = program::files(&folder.join("out/report/data/blocks"));
    assert_eq!(pages.len(), 2);
    for page in pages.values() {
        assert!(String::from_utf8_lossy(page).contains("\"windward_m\":["));
    }
    let inspected = run(&["inspect", "windy.toml"]);
    assert!(
        inspected.contains("from 270 degrees (record 7)"),
        "{inspected}"
    );
    // Compared with wind from the south, along the strips.
    program::write(
        folder,
        "both.toml",
        &windy.replace("\"W\"", "[\"W\", \"S\"]"),
    );
    let told: serde_json::Value =
        serde_json::from_str(&run(&["layout", "both.toml", "--compare", "--json"])).unwrap();
    let of = |at: usize| told["rows"][at]["result"]["windward_m"].as_f64().unwrap();
    assert!((of(0) - windward.iter().sum::<f64>()).abs() < 0.1, "{told}");
    assert!(of(1) < of(0), "{told}");
    // Plans that went through files say the same.
    run(&["layout", "windy.toml", "--share", "1/2", "--out", "one"]);
    run(&["layout", "windy.toml", "--share", "2/2", "--out", "two"]);
    run(&["gather", "one", "two", "--out", "joined"]);
    for name in ["blocks.csv", "compliance.csv", "layout.gpkg"] {
        let read = |out: &str| std::fs::read(folder.join(out).join(name)).unwrap();
        assert!(read("out") == read("joined"), "{name} differs");
    }
    // Without a wind nothing is said of it.
    run(&["layout", "project.toml", "--out", "still"]);
    assert_eq!(
        program::table(&folder.join("still/blocks.csv"))[0]["windward_m"],
        ""
    );
}
