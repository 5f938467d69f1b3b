//! Ground too deep for the longest strip, and sections that take longer than a shift: invented blocks, common practice.

use crate::in_memory;

use std::collections::BTreeMap;

use blockwright::engines::ENGINES;
use blockwright::geometry::area::{area, length};
use blockwright::layout::ADVANCE_M;
use blockwright::model::*;
use geo::{MultiPolygon, Polygon};
use in_memory::{block, feature, lay_out, line, rectangle, ring, rules, unsound};

fn settings(max_strip_m: Option<f64>, shift_hours: Option<f64>) -> Settings {
    let mut settings = Settings::default();
    settings.production.stems_per_ha = Some(900.0);
    settings.production.tree_m3 = Some(0.4);
    settings.layout.max_strip_m = max_strip_m;
    settings.layout.shift_hours = shift_hours;
    settings
}

/// A road along the south of a block.
fn road(from: (f64, f64), to: (f64, f64)) -> Feature {
    Feature {
        id: "R-1".to_owned(),
        ..feature(LayerKind::Roads, None, Some(8.0), line(&[from, to]))
    }
}

fn plan(shape: Polygon, settings: &Settings) -> BlockPlan {
    let road = road((-200.0, -6.0), (1500.0, -6.0));
    let block = block(MultiPolygon(vec![shape]));
    lay_out(ENGINES, settings, &rules(0.1), &[road], &block).unwrap()
}

fn deep() -> Polygon {
    rectangle(0.0, 0.0, 300.0, 900.0)
}

fn strips(plan: &BlockPlan) -> impl Iterator<Item = &StripLine> {
    plan.lines
        .iter()
        .filter(|line| line.kind == StripKind::Interior)
}

fn longest_m(plan: &BlockPlan) -> f64 {
    strips(plan)
        .map(|line| length(&line.shape))
        .fold(0.0, f64::max)
}

fn told<'p>(plan: &'p BlockPlan, id: &str) -> Vec<&'p Finding> {
    let findings = plan.findings.iter();
    findings.filter(|finding| finding.rule_id == id).collect()
}

#[test]
fn deep_ground_is_parted_into_tiers_that_are_worked_from_the_road_in() {
    let mut wanted = settings(None, None);
    wanted.layout.azimuth = Azimuth::Degrees(0.0);
    let whole = plan(deep(), &wanted);
    assert_eq!(whole.parts.len(), 1);
    assert!(longest_m(&whole) > 850.0);
    wanted.layout.max_strip_m = Some(250.0);
    let tiers = plan(deep(), &wanted);
    assert_eq!(
        tiers.parts.len(),
        4,
        "900 m in tiers of 250 m and a pass each"
    );
    assert!(longest_m(&tiers) <= 250.0, "{}", longest_m(&tiers));
    assert!(told(&tiers, "max-strip").is_empty());
    assert!(told(&tiers, "reachable").is_empty());
    assert_eq!(unsound(&tiers), Vec::<String>::new());
    // Nothing is lost: the tiers are the setting that they were.
    let ground = |plan: &BlockPlan| plan.parts.iter().map(|p| area(&p.shape)).sum::<f64>();
    assert!((ground(&tiers) - ground(&whole)).abs() < 0.1);
    let books = tiers.books;
    let booked = books.retained_m2 + books.cut_m2 + books.unworked_m2;
    assert!((booked - books.net_m2).abs() < 1.0);
    let mut last: BTreeMap<u32, u32> = BTreeMap::new();
    let mut first: BTreeMap<u32, u32> = BTreeMap::new();
    for line in strips(&tiers) {
        first.entry(line.id.part).or_insert(line.order);
        last.insert(line.id.part, line.order);
    }
    for part in &tiers.parts {
        assert!((part.azimuth_deg - whole.parts[0].azimuth_deg).abs() < 1e-9);
        let outlet = part.outlet.as_ref().unwrap();
        assert_eq!(outlet.name, "R-1");
        if part.part > 1 {
            assert!(
                first[&part.part] > last[&(part.part - 1)],
                "tier {}",
                part.part
            );
        }
    }
    // Wood of the farthest tier comes all the way: it lies 675 to 900 m from the road.
    let far = tiers.sections.iter().filter(|section| section.id.part == 4);
    for section in far.filter(|section| section.id.strip_no > 0) {
        let way_m = section.skid_m.unwrap();
        assert!((650.0..950.0).contains(&way_m), "{way_m}");
    }
    assert!(
        tiers
            .trails
            .iter()
            .any(|trail| trail.part == 4 && length(&trail.shape) > 300.0)
    );
}

/// Whatever the shape and the direction: a strip is no longer than asked, or the finding says how long.
#[test]
fn no_strip_is_longer_than_asked_without_a_word() {
    let shapes: [(&str, &[(f64, f64)]); 4] = [
        (
            "slanted",
            &[(0., 0.), (600., 0.), (900., 700.), (300., 700.)],
        ),
        (
            "tapering",
            &[(0., 0.), (700., 0.), (420., 800.), (380., 800.)],
        ),
        (
            "L",
            &[
                (0., 0.),
                (900., 0.),
                (900., 200.),
                (250., 200.),
                (250., 800.),
                (0., 800.),
            ],
        ),
        (
            "a waist",
            &[
                (0., 0.),
                (400., 0.),
                (400., 300.),
                (240., 400.),
                (400., 500.),
                (400., 800.),
                (0., 800.),
            ],
        ),
    ];
    for (name, corners) in shapes {
        for azimuth_deg in [0.0, 35.0, 60.0] {
            let mut wanted = settings(Some(220.0), None);
            wanted.layout.azimuth = Azimuth::Degrees(azimuth_deg);
            let plan = plan(Polygon::new(ring(corners), vec![]), &wanted);
            let longest = longest_m(&plan);
            let told = told(&plan, "max-strip");
            let what = format!("{name} at {azimuth_deg}");
            match told[..] {
                [] => assert!(longest <= 220.01, "{what}: {longest}"),
                [one] => assert!((one.measured.unwrap() - longest).abs() < 1e-6, "{what}"),
                _ => panic!("{what}: told {} times", told.len()),
            }
            let long = strips(&plan)
                .filter(|line| length(&line.shape) > 220.01)
                .count();
            assert!(
                long * 20 <= strips(&plan).count(),
                "{what}: {long} too long"
            );
            for part in &plan.parts {
                assert!(
                    area(&part.shape) >= 9_999.0,
                    "{what}: a sliver of a setting"
                );
            }
            assert_eq!(unsound(&plan), Vec::<String>::new(), "{what}");
        }
    }
}

#[test]
fn ground_that_no_line_may_part_is_told() {
    let mut wanted = settings(Some(220.0), None);
    wanted.layout.azimuth = Azimuth::Degrees(0.0);
    wanted.layout.least_setting_m2 = 200_000.0;
    let plan = plan(deep(), &wanted);
    assert_eq!(plan.parts.len(), 1);
    let told = told(&plan, "max-strip");
    assert_eq!(told.len(), 1);
    assert!((told[0].measured.unwrap() - longest_m(&plan)).abs() < 1e-6);
    assert_eq!(told[0].required, Some(220.0));
}

#[test]
fn sections_longer_than_a_shift_are_divided_into_equal_parts() {
    let whole = plan(deep(), &settings(None, None));
    let divided = plan(deep(), &settings(None, Some(2.0)));
    let scheduled = |plan: &BlockPlan| -> Vec<f64> {
        let hours = plan
            .sections
            .iter()
            .map(|s| plan.utilisation.scheduled(s.hours).unwrap());
        hours.collect()
    };
    let most = |hours: Vec<f64>| hours.into_iter().fold(0.0, f64::max);
    assert!(most(scheduled(&whole)) > 4.0);
    assert!(most(scheduled(&divided)) <= 2.0 + 1e-9);
    assert!(told(&divided, "shift-hours").is_empty());
    let all = |plan: &BlockPlan| scheduled(plan).into_iter().sum::<f64>();
    assert!((all(&whole) / all(&divided) - 1.0).abs() < 1e-3);
    assert_eq!(unsound(&divided), Vec::<String>::new());
    // Lines and their order are those of the whole, and so is the ground of each piece.
    assert_eq!(whole.lines.len(), divided.lines.len());
    let m2 = |plan: &BlockPlan| {
        let mut m2: BTreeMap<PieceId, f64> = BTreeMap::new();
        for section in &plan.sections {
            *m2.entry(section.id).or_default() += area(&section.shape);
        }
        m2
    };
    for ((id, a), (other, b)) in m2(&whole).into_iter().zip(m2(&divided)) {
        assert_eq!(id, other);
        assert!((a - b).abs() < 0.1, "{id:?}: {a} {b}");
    }
    let mut numbers: BTreeMap<PieceId, u32> = BTreeMap::new();
    for section in &divided.sections {
        let number = numbers.entry(section.id).or_default();
        *number += 1;
        assert_eq!(section.section_no, *number, "{:?}", section.id);
    }
    let classes = |plan: &BlockPlan, class| -> f64 {
        let own = plan.sections.iter().filter(|s| s.shift_class == class);
        own.map(|s| area(&s.shape)).sum()
    };
    for class in [ShiftClass::DayOnly, ShiftClass::NightSafe] {
        assert!((classes(&whole, class) - classes(&divided, class)).abs() < 1.0);
    }
}

/// By hand: a strip of 16.79 m and some 850 m, parted after whole advances.
#[test]
fn sections_of_a_strip_end_after_whole_advances() {
    let mut wanted = settings(None, Some(2.0));
    wanted.layout.azimuth = Azimuth::Degrees(0.0);
    // All of a strip may be cut by night, so that a shift alone divides it.
    wanted.layout.level_ground = Some("a drawing".to_owned());
    wanted.layout.edge_distance_m = 0.0;
    let plan = plan(deep(), &wanted);
    let strip = strips(&plan)
        .find(|line| length(&line.shape) > 800.0)
        .unwrap();
    let low = strip
        .shape
        .0
        .iter()
        .map(|c| c.y)
        .fold(f64::INFINITY, f64::min);
    let own = plan
        .sections
        .iter()
        .filter(|section| section.id == strip.id);
    let ends: Vec<f64> = own
        .map(|section| {
            let corners = section.shape.0.iter().flat_map(|p| &p.exterior().0);
            corners.map(|c| c.y).fold(f64::NEG_INFINITY, f64::max)
        })
        .collect();
    assert!(ends.len() > 1);
    for end in &ends[..ends.len() - 1] {
        let advances = (end - low) / ADVANCE_M;
        assert!((advances - advances.round()).abs() < 1e-3, "{advances}");
    }
}

#[test]
fn a_section_too_short_to_be_divided_is_told() {
    let mut wanted = settings(None, Some(1.0));
    wanted.layout.section_min_m = 500.0;
    let plan = plan(deep(), &wanted);
    let told = told(&plan, "shift-hours");
    assert_eq!(told.len(), 1);
    assert!(told[0].measured.unwrap() > 1.0);
}
