//! Map sheets: well-formed, deterministic, harmless, complete.

use crate::outputs_fixture;

use blockwright::model::{Language, TreeUnit, TreesLeft};
use blockwright::outputs::render;
use outputs_fixture::{full, small, turned};

/// Parses with GDAL's own small XML reader, which refuses unbalanced tags and broken attributes.
fn is_well_formed(svg: &str) -> bool {
    !svg.contains('\0') && gdal_calls::measure::is_xml(svg)
}

#[test]
fn every_sheet_is_well_formed_and_the_check_can_fail() {
    for plan in [
        small("B-1"),
        full("B-2", 500.0, 22),
        full("B-3", 4000.0, 230),
    ] {
        let svg = render(&plan, "Winter district", Language::English);
        assert!(is_well_formed(&svg), "{}", plan.id);
        assert_eq!(svg, render(&plan, "Winter district", Language::English));
        assert!(!svg.contains("NaN") && !svg.contains("inf"));
        assert!(svg.contains("clip-path=\"url(#frame)\""));
    }
    assert!(!is_well_formed("<svg><g></svg>"));
}

#[test]
fn hostile_ids_are_escaped_and_long_ones_cut() {
    let hostile = "<script>\"&'\u{0}\u{202e}";
    let mut plan = small(hostile);
    plan.findings[1].message = "</text><script>alert(1)</script>".to_owned();
    let svg = render(&plan, hostile, Language::English);
    assert!(is_well_formed(&svg));
    assert!(!svg.contains("<script") && !svg.contains('\u{0}'));
    assert!(svg.contains("&lt;script&gt;"));
    let svg = render(&small(&"long ".repeat(60)), "", Language::English);
    assert!(svg.contains("…</text>"));
}

#[test]
fn the_legend_holds_what_is_drawn_and_nothing_else() {
    let svg = render(&small("B-1"), "", Language::English);
    for word in [
        "Reserve: cut nothing",
        "Strip, its way, number at outlet end",
        "Day only",
        "Night-safe",
    ] {
        assert!(svg.contains(word), "{word}");
    }
    for word in ["Hazard<", "Road clearing", "Boundary pass, first"] {
        assert!(!svg.contains(word), "{word}");
    }
    let svg = render(&full("B-2", 500.0, 22), "", Language::English);
    for word in [
        "Hazard<",
        "Road clearing",
        "Boundary pass, first",
        "Retained band",
    ] {
        assert!(svg.contains(word), "{word}");
    }
}

#[test]
fn figures_say_what_hours_are_by_and_what_retention_is_counted_in() {
    let mut plan = small("B-1");
    let svg = render(&plan, "", Language::English);
    assert!(svg.contains(">tracked-feller-buncher<"));
    for word in ["by finished work", "counted in"] {
        assert!(!svg.contains(word), "{word}");
    }
    plan.time_model = "own x 1.180".to_owned();
    let mut trees = TreesLeft {
        unit: TreeUnit::BasalArea,
        counted: Some([3.0, 25.0]),
    };
    plan.retention_share = 0.12;
    plan.trees_left = Some(trees);
    let svg = render(&plan, "", Language::French);
    for word in [
        ">own<",
        "Facteur du travail achevé",
        ">1,180<",
        "Rétention comptée en",
        ">surface terrière<",
        ">12,00 / 12,00 %<",
    ] {
        assert!(svg.contains(word), "{word}");
    }
    // Of trees that nobody knows no share is told.
    trees.counted = None;
    plan.trees_left = Some(trees);
    let svg = render(&plan, "", Language::English);
    assert!(svg.contains(">– / 12.00 %<"));
}

#[test]
fn an_empty_plan_still_gives_a_sheet() {
    let mut plan = small("B-1");
    plan.shape.0.clear();
    plan.parts.clear();
    plan.strips.clear();
    plan.lines.clear();
    plan.sections.clear();
    plan.corridors.clear();
    plan.zones.clear();
    plan.findings[0].shape = Some(geo::Geometry::GeometryCollection(Default::default()));
    plan.findings[1].shape = Some(outputs_fixture::rect(1.0, 1.0, 1.0, 1.0).into());
    assert!(is_well_formed(&render(&plan, "", Language::English)));
}

/// Writes the sheets to the folder named by the environment, for a look at them.
#[test]
fn sheets_can_be_looked_at() {
    let Some(folder) = std::env::var_os("BLOCKWRIGHT_SHEETS") else {
        println!("skipped: BLOCKWRIGHT_SHEETS names no folder");
        return;
    };
    let folder = std::path::PathBuf::from(folder);
    for (name, plan) in [
        ("small", small("B-1")),
        ("full", full("Block <7> & \"more\"", 500.0, 22)),
        ("wide", full("B-3", 4000.0, 230)),
        ("turned", turned(full("B-4", 700.0, 32), -37.0)),
    ] {
        std::fs::write(
            folder.join(name).with_extension("svg"),
            render(&plan, "Winter district", Language::English),
        )
        .unwrap();
    }
}
