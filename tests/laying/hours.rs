//! Felling and skidding hours: the published rows, closed forms on plain blocks, and a recount of what a section's hours
//! are made of.

use crate::in_memory;
use crate::standards;

use std::collections::BTreeMap;
use std::path::Path;

use blockwright::engines::ENGINES;
use blockwright::geometry::area::{Bounds, area, length};
use blockwright::landbase::{SlopeGround, SlopeRun, SlopeSource};
use blockwright::layout::ADVANCE_M;
use blockwright::layout::skidding::{
    RoadSides, best_spacing_m, mean_skid_m, road_density_m_per_ha,
};
use blockwright::model::*;
use geo::{Coord, MultiPolygon};
use in_memory::*;
use standards::{Row, assert_near, numbers_of, rows_of, shared_rows};

fn rows() -> BTreeMap<String, Row> {
    rows_of(Path::new("fixtures/standards/production.csv"))
}

fn inputs(id: &str) -> Vec<f64> {
    numbers_of(&rows()[id].inputs)
}

fn expected(id: &str) -> Vec<f64> {
    numbers_of(&rows()[id].expected)
}

#[test]
fn the_fixture_is_a_copy_of_the_full_list() {
    assert_eq!(rows().len(), 9);
    let Some(full) = shared_rows() else { return };
    for (id, row) in rows() {
        assert_eq!(full.get(&id), Some(&row), "{id}");
    }
}

/// Tangent of the middle of a class of degrees.
fn middle_slope(id: &str) -> f64 {
    let numbers = inputs(id);
    let [.., low, high] = numbers[..] else {
        panic!("{numbers:?}")
    };
    ((low + high) / 2.0).to_radians().tan()
}

fn time_rows() -> BTreeMap<String, Row> {
    rows_of(Path::new("fixtures/standards/time.csv"))
}

/// Productive seconds of one tree.
fn seconds(model: &TimeModel, tree_m3: f64, slope: f64) -> f64 {
    model.felling_s(1.0, tree_m3, slope)
}

#[test]
fn tm_01_and_tm_04_the_default_relation_by_volume_and_slope() {
    let model = Production::default().time;
    let rows = time_rows();
    let volumes = numbers_of(&rows["TM-01"].inputs);
    let published = numbers_of(&rows["TM-01"].expected);
    assert_eq!(volumes.len(), 4);
    for (at, &tree_m3) in volumes.iter().enumerate() {
        let seconds = seconds(&model, tree_m3, 0.3);
        assert_near(seconds, published[at], 0.0006, "seconds");
        assert_near(tree_m3 * 3600.0 / seconds, published[4 + at], 0.05, "m3/h");
    }
    let steep = numbers_of(&rows["TM-04"].expected);
    let seconds = seconds(&model, 0.53, 0.40);
    assert_near(seconds, steep[0], 0.0006, "seconds on 40 %");
    assert_near(0.53 * 3600.0 / seconds, steep[1], 0.05, "m3/h on 40 %");
    // Two studies of two machines, which share nothing, lie within 4 %.
    let off = published[6] / expected("PR-01")[0] - 1.0;
    assert!(off < 0.0 && off > -0.0405, "{off}");
    assert_eq!(model.kind, TimeKind::WholeCycle);
    assert_eq!(
        (model.seconds_per_advance, model.seconds_per_bunch),
        (0.0, 0.0)
    );
    assert!(model.source.contains("Forests 2022") && model.status == "secondary");
}

/// The rows that were handed over say the same.
#[test]
fn the_default_relation_is_that_of_the_full_list() {
    let Some(path) = standards::shared("data/productivity.csv") else {
        return;
    };
    let text = std::fs::read_to_string(path).unwrap();
    for words in [
        "18.0; 4.7",
        "0.0115 per %",
        "19.175, 19.880, 20.491, 22.700 s -> 46.9, 72.4, 93.1, 158.6 m3/PMh",
        "22.847 s -> 83.5 m3/PMh",
        "utilisation; cost,0.77",
    ] {
        assert!(text.contains(words), "{words}");
    }
}

#[test]
fn tm_02_and_tm_03_productive_hours_in_a_scheduled_one() {
    let production = Production::default();
    let rows = time_rows();
    assert_eq!(
        numbers_of(&rows["TM-02"].expected),
        [production.utilisation]
    );
    let skidders = numbers_of(&rows["TM-03"].expected);
    assert!((skidders[0]..=skidders[1]).contains(&production.skid_utilisation));
}

#[test]
fn pr_01_to_pr_03_time_per_tree_by_slope() {
    let model = TimeModel::published("self-levelling-feller-buncher").unwrap();
    let tree_m3 = inputs("PR-01")[0];
    let seconds = ["PR-01", "PR-02"].map(|id| seconds(&model, tree_m3, middle_slope(id)));
    for (id, seconds) in ["PR-01", "PR-02"].into_iter().zip(seconds) {
        let m3_per_hour = inputs(id)[0] * 3600.0 / seconds;
        assert_near(m3_per_hour, expected(id)[0], 1.0, id);
    }
    let published = expected("PR-03");
    for (at, seconds) in seconds.into_iter().enumerate() {
        assert_near(3600.0 / seconds, published[at], 0.05, "trees per hour");
        assert_near(seconds, published[2 + at], 0.01, "seconds per tree");
        assert_near(seconds / 0.6, published[4 + at], 0.01, "cmin per tree");
    }
    assert_near(seconds[0] / seconds[1], published[6], 0.001, "ratio");
    // Gentler ground is not faster.
    assert_eq!(self::seconds(&model, tree_m3, 0.0), published[2]);
    assert!(TimeModel::published("none of these").is_none());
}

/// The examples of docs/algorithms.md, each by the program's own code.
#[test]
fn every_worked_example_comes_out_as_printed() {
    let text = std::fs::read_to_string("docs/algorithms.md").unwrap();
    let section = text.split("\n## Worked examples\n").nth(1).unwrap();
    let section = section.split("\n## ").next().unwrap();
    let rows = section.lines().filter(|line| line.starts_with("| WE-"));
    let printed: BTreeMap<&str, &str> = rows
        .map(|row| {
            let cells: Vec<&str> = row.trim_matches('|').split(" | ").map(str::trim).collect();
            (cells[0], *cells.last().unwrap())
        })
        .collect();
    let production = Production::default();
    let model = &production.time;
    let work = WorkDone {
        trees: 120.0,
        volume_m3: 120.0 * 0.4,
        slope: 0.35,
        across: 0.1,
        advances: 76.2 / ADVANCE_M,
        again: [0.0; 2],
        bunch_share: None,
    };
    let turns_and_travel_s =
        2.0 * production.seconds_per_turn + 150.0 / production.travel_m_per_min * 60.0;
    let elements = Production {
        time: TimeModel {
            kind: TimeKind::Elements,
            seconds_per_tree: 12.0,
            seconds_per_m3: 3.0,
            steep_factor: 1.0,
            steep_from: 0.3,
            seconds_per_advance: 4.0,
            seconds_per_bunch: 10.0,
            ..TimeModel::default()
        },
        ..Production::default()
    };
    let steep_s = seconds(model, 0.53, 0.4);
    let rates = Rates {
        felling: Some(PUBLISHED_RATES[0].felling),
        skidding: Some(165.0),
    };
    let twenty = twenty();
    let machine = Machine {
        least_in_path_m: Some(0.15),
        ideal_at_reach_m: Some(0.3),
        head_most_m: Some(0.5),
        head_most_factor: 3.0,
        ..Machine::default()
    };
    let treated = twenty.treated(0.25, &machine);
    let again = machine.head_most_factor - 1.0;
    let sorted = WorkDone {
        trees: treated.cut.stems,
        volume_m3: treated.cut.volume_m3,
        again: [treated.large.stems, treated.large.volume_m3].map(|large| large * again),
        ..WorkDone::default()
    };
    let money = WorkCost {
        volume_m3: Some(240.0),
        felling_cost: Some(3.0 / production.utilisation * 289.50),
        skidding_cost: Some(5.0 / production.skid_utilisation * 165.0),
        ..WorkCost::default()
    };
    let by_species = {
        let own = [("Spruce", Limbiness::Heavy), ("pine", Limbiness::Light)];
        let own = own.map(|(species, limbs)| (species.to_lowercase(), limbs));
        let production = Production {
            limbiness_by_species: own.into_iter().collect(),
            ..Production::default()
        };
        let class = |species: &str, stems_per_ha| TreeClass {
            species: species.to_owned(),
            from_m: 0.2,
            to_m: 0.3,
            stems_per_ha,
            tree_m3: 0.4,
        };
        let table = StandTable(vec![class("spruce", 17.5), class("pine", 7.5)]);
        let share = |species: &str| production.bunch_share_of(species);
        let weighed = table.cut_weighted(0.2, &Machine::default(), share);
        let all_m3 = table.cut_weighted(0.2, &Machine::default(), |_| 1.0);
        assert_near(all_m3, 10.0, 1e-9, "m3");
        production.trees_per_load_of(0.4, Some(weighed / all_m3))
    };
    let calibrated = fit(&[(2.0, 2.4), (1.0, 1.1), (3.0, 3.9), (2.0, 2.2)]).unwrap();
    assert_near(calibrated.factor, 1.2, 1e-12, "ratio of sums");
    let found = [
        ("WE-01", seconds(model, 0.53, 0.0), 0.0006),
        ("WE-02", steep_s, 0.0006),
        ("WE-03", 0.53 * 3600.0 / seconds(model, 0.53, 0.0), 0.05),
        (
            "WE-04",
            production.work_s(&work) + turns_and_travel_s,
            0.0006,
        ),
        ("WE-05", elements.work_s(&work) + turns_and_travel_s, 0.0006),
        (
            "WE-06",
            production.used().scheduled(Some(10.0)).unwrap(),
            0.0006,
        ),
        ("WE-07", production.trees_per_load(0.4), 0.0),
        ("WE-08", production.skid_seconds(300.0), 0.0006),
        ("WE-09", 120.0 / production.deck_m3_per_m, 0.0),
        ("WE-11", twenty.all().volume_m3, 1e-9),
        ("WE-12", treated.cut.stems, 1e-9),
        ("WE-13", production.work_s(&sorted), 0.0006),
        ("WE-15", by_species, 0.0),
        ("WE-14", calibrated.high, 0.0006),
        ("WE-10", money.cost_per_m3(rates).unwrap(), 0.0006),
    ];
    assert_eq!(found.len(), printed.len());
    for (id, value, within) in found {
        assert_near(value, numbers_of(printed[id])[0], within, id);
    }
}

#[test]
fn pr_10_to_pr_12_road_density_and_the_ratio_of_spacings() {
    let spacings = |id: &str| inputs(id);
    for (id, within) in [("PR-10", 0.05), ("PR-11", 0.06)] {
        let published = expected(id);
        for (at, spacing_m) in spacings(id).into_iter().enumerate() {
            let density = road_density_m_per_ha(spacing_m);
            assert_near(density, published[at], within, id);
            assert_near(density, published[3 + at], 0.001, id);
        }
    }
    let best = |sides| best_spacing_m(20.0, 0.015, 0.01, sides);
    let theory = best(RoadSides::Both) / best(RoadSides::One);
    let published = expected("PR-12");
    assert_near(theory, published[2], 0.001, "PR-12, theory");
    let pairs = spacings("PR-10").into_iter().zip(spacings("PR-11"));
    for (at, (both, one)) in pairs.enumerate() {
        assert_near(both / one, published[at], 0.001, "PR-12");
        assert_near(both / one, theory, 0.1, "PR-12");
    }
}

#[test]
fn pr_15_and_pr_16_best_spacing() {
    // PR-15 is known from memory only: so the minimum is also looked for, not only computed.
    assert_eq!(rows()["PR-15"].status, "from memory, unverified");
    let numbers = inputs("PR-16");
    let (road, volume, skid) = (numbers[0], numbers[2], numbers[3]);
    let published = expected("PR-16");
    let best = best_spacing_m(road, volume, skid, RoadSides::Both);
    assert_near(best, published[0], 0.01, "PR-16");
    let road_cost = |spacing_m: f64| road / (spacing_m * volume);
    for sides in [RoadSides::One, RoadSides::Both] {
        let skid_cost = |spacing_m: f64| skid * mean_skid_m(spacing_m, sides);
        let best = best_spacing_m(road, volume, skid, sides);
        assert_near(road_cost(best), skid_cost(best), 1e-9, "PR-15");
        let total = |spacing_m: f64| road_cost(spacing_m) + skid_cost(spacing_m);
        for off in [0.9, 0.99, 1.01, 1.1] {
            assert!(total(best * off) > total(best), "{sides:?} {off}");
        }
        if sides == RoadSides::Both {
            assert_near(road_cost(best), published[1], 1e-5, "PR-16");
        }
    }
}

fn road(y: f64, width_m: f64) -> Feature {
    let shape = line(&[(-5000.0, y), (5000.0, y)]);
    feature(LayerKind::Roads, None, Some(width_m), shape)
}

fn plain_settings(boundary_pass: bool) -> Settings {
    let mut settings = Settings::default();
    settings.layout.boundary_pass = boundary_pass;
    settings.layout.azimuth = Azimuth::SquareToRoad;
    settings.production.stems_per_ha = Some(500.0);
    settings.production.tree_m3 = Some(0.3);
    settings
}

fn laid_out(
    settings: &Settings,
    share: f64,
    features: &[Feature],
    (width, y0, y1): (f64, f64, f64),
) -> BlockPlan {
    let block = block(MultiPolygon(vec![rectangle(0.0, y0, width, y1)]));
    lay_out(ENGINES, settings, &rules(share), features, &block).unwrap()
}

/// The road's edge is the block's edge, and strips run square to it from edge to edge, so that a strip's wood comes half
/// the depth to its road end and half the road's width to the centre line: the closed form is exact, whatever the
/// width of the last strip.
#[test]
fn pr_17_the_mean_way_is_half_the_depth_with_the_road_on_one_side() {
    const ROAD_M: f64 = 6.0;
    for depth in [150.0, 300.0, 420.0] {
        let features = [road(-ROAD_M / 2.0, ROAD_M)];
        let wanted = mean_skid_m(depth, RoadSides::One);
        assert_near(wanted, depth / 2.0, 1e-9, "S / 2");
        for (boundary_pass, within) in [(false, 1e-3), (true, 0.04 * wanted)] {
            let settings = plain_settings(boundary_pass);
            let plan = laid_out(&settings, 0.0, &features, (400.0, 0.0, depth));
            assert_eq!(plan.corridors.len(), 0);
            let found = plan.skid_m.unwrap();
            assert_near(found, wanted, within, "mean way");
            // Time grows evenly with the way, so the mean way gives the hours.
            let trees: f64 = plan.sections.iter().map(|s| s.trees.unwrap()).sum();
            // A payload of 4 m3, 0.85 of it used, holds eleven whole trees of 0.3 m3.
            let seconds = settings.production.skid_seconds(found);
            let hours = trees / 11.0 * seconds / 3600.0;
            assert_near(plan.skid_hours.unwrap(), hours, 1e-6, "skidder hours");
        }
    }
}

/// Corridors stand only beyond the road band and take the farthest wood, so the mean is that of the ground less theirs.
#[test]
fn with_corridors_the_mean_way_is_that_of_the_ground_without_them() {
    let (width, depth) = (400.0, 300.0);
    let features = [road(-3.0, 6.0)];
    for boundary_pass in [false, true] {
        let mut settings = plain_settings(boundary_pass);
        settings.layout.strips_between_corridors = 1;
        let plan = laid_out(&settings, 0.1, &features, (width, 0.0, depth));
        assert!(plan.corridors.len() > 5);
        let (mut m2, mut moment) = (width * depth, width * depth * depth / 2.0);
        let origin_y = plan.origin()[1];
        for corridor in &plan.corridors {
            let bounds = Bounds::of(&corridor.shape.exterior().0);
            let (low, high) = (bounds.min.y + origin_y, bounds.max.y + origin_y);
            m2 -= corridor.width_m * (high - low);
            moment -= corridor.width_m * (high * high - low * low) / 2.0;
        }
        let wanted = moment / m2;
        assert!(wanted < depth / 2.0 - 1.0);
        let within = if boundary_pass { 0.04 * wanted } else { 0.1 };
        assert_near(plan.skid_m.unwrap(), wanted, within, "mean way");
    }
}

/// A road through the middle, w wide, serves the ground on each side: (S - w) / 4 from its edge for what is no road, and no way
/// at all for what is.
#[test]
fn pr_17_the_mean_way_is_a_quarter_of_the_spacing_with_the_road_in_the_middle() {
    for spacing in [240.0, 400.0] {
        let settings = plain_settings(false);
        let half = spacing / 2.0;
        let plan = laid_out(&settings, 0.0, &[road(0.0, 2.0)], (500.0, -half, half));
        let wanted = mean_skid_m(spacing, RoadSides::Both);
        let found = plan.skid_m.unwrap();
        assert_near(found, wanted, 0.02 * wanted, "S / 4");
        let off_road = spacing - 2.0;
        let exact = off_road / 4.0 * off_road / spacing;
        assert_near(found, exact, 1e-3, "exact");
    }
}

#[test]
fn hours_are_whole_cycles_turns_and_travel_and_nothing_twice() {
    let settings = plain_settings(true);
    let plan = laid_out(&settings, 0.1, &[road(-3.0, 6.0)], (400.0, 0.0, 300.0));
    let production = &settings.production;
    let m2: f64 = plan.sections.iter().map(|s| area(&s.shape)).sum();
    let trees: f64 = plan.sections.iter().map(|s| s.trees.unwrap()).sum();
    assert_near(trees, 500.0 * m2 / 10_000.0, 1e-3, "trees");
    let volume = plan.volume_m3().unwrap();
    assert_near(volume, trees * 0.3, 1e-3, "volume");
    let travel: f64 = plan.lines.iter().filter_map(|l| l.travel_to_next_m).sum();
    assert!(travel > 0.0);
    let empty = plan.lines.len() as f64 * production.seconds_per_turn
        + travel / production.travel_m_per_min * 60.0;
    // 18 s a tree and 4.7 s a m3, with moving on and bunching in them.
    let seconds = trees * 18.0 + trees * 0.3 * 4.7 + empty;
    let hours = |plan: &BlockPlan| plan.day_hours.unwrap() + plan.night_hours.unwrap();
    assert_near(hours(&plan) * 3600.0, seconds, 1.0, "seconds");
    let scheduled = plan.utilisation.scheduled(Some(hours(&plan))).unwrap();
    assert_near(scheduled * 0.77 * 3600.0, seconds, 1.0, "scheduled");
    // Elements, where the project states them: the same ground, with advances and bunches beside the trees.
    let mut settings = settings.clone();
    settings.production.time = TimeModel {
        kind: TimeKind::Elements,
        seconds_per_tree: 12.0,
        seconds_per_m3: 0.0,
        seconds_per_advance: 4.0,
        seconds_per_bunch: 10.0,
        ..TimeModel::default()
    };
    let by_elements = laid_out(&settings, 0.1, &[road(-3.0, 6.0)], (400.0, 0.0, 300.0));
    assert_eq!(by_elements.lines.len(), plan.lines.len());
    let driven: f64 = by_elements
        .lines
        .iter()
        .map(|line| length(&line.shape))
        .sum();
    let seconds = trees * 12.0 + driven / ADVANCE_M * 4.0 + trees / 11.0 * 10.0 + empty;
    assert_near(hours(&by_elements) * 3600.0, seconds, 1.0, "by elements");
    // The loads of the hours are the bunches that lie there: full ones of eleven trees, and a rest at most for each drive.
    let full = plan.bunches.iter().filter(|b| b.trees > 11.0 - 1e-6);
    let (full, laid) = (full.count() as f64, plan.bunches.len() as f64);
    let loads = trees / 11.0;
    assert!(full <= loads && loads <= laid, "{full} {loads} {laid}");
    assert!(laid - full <= plan.lines.len() as f64, "{full} {laid}");
}

#[test]
fn what_is_not_known_stays_empty_and_spoils_nothing_else() {
    let features = [road(-3.0, 6.0)];
    let mut settings = plain_settings(true);
    settings.production.tree_m3 = None;
    let of = |settings: &Settings, features: &[Feature]| {
        laid_out(settings, 0.0, features, (400.0, 0.0, 300.0))
    };
    // The default relation asks how large trees are: what is assumed is told.
    let plan = of(&settings, &features);
    let told = |plan: &BlockPlan| -> Vec<Finding> {
        let findings = plan.findings.iter();
        findings
            .filter(|f| f.rule_id == "tree-size")
            .cloned()
            .collect()
    };
    let [finding] = &told(&plan)[..] else {
        panic!("{:?}", plan.findings)
    };
    assert!(finding.message.contains("0.3 m3 (assumed)") && finding.verdict == Verdict::Unknown);
    assert!(plan.volume_m3().is_none());
    settings.production.tree_m3 = Some(0.3);
    let sized = of(&settings, &features);
    assert!(told(&sized).is_empty());
    assert_near(
        sized.day_hours.unwrap(),
        plan.day_hours.unwrap(),
        1e-9,
        "hours",
    );
    settings.production.tree_m3 = None;
    settings.production.time = TimeModel::published("self-levelling-feller-buncher").unwrap();
    let plan = of(&settings, &features);
    assert!(plan.day_hours.is_some() && plan.skid_m.is_some());
    assert!(plan.volume_m3().is_none() && plan.skid_hours.is_none());
    settings.production.stems_per_ha = None;
    let plan = of(&settings, &features);
    assert!(plan.day_hours.is_none() && plan.skid_m.is_some());
    let plan = of(&settings, &[]);
    assert!(plan.skid_m.is_none() && plan.skid_hours.is_none());
}

#[test]
fn stands_give_each_section_its_own_density() {
    let stand = |x0: f64, x1: f64, stems: f64, tree_m3: f64| {
        let shape = Shape::Polygons(MultiPolygon(vec![rectangle(x0, -50.0, x1, 350.0)]));
        let mut stand = feature(LayerKind::Stands, None, None, shape);
        stand.stems_per_ha = Some(stems);
        stand.tree_m3 = Some(tree_m3);
        stand
    };
    let features = [
        road(-3.0, 6.0),
        stand(-50.0, 150.0, 400.0, 0.5),
        stand(150.0, 450.0, 900.0, 0.2),
    ];
    let mut settings = plain_settings(false);
    settings.production.stems_per_ha = None;
    settings.production.tree_m3 = None;
    let plan = laid_out(&settings, 0.0, &features, (400.0, 0.0, 300.0));
    let trees: f64 = plan.sections.iter().map(|s| s.trees.unwrap()).sum();
    // 4.5 ha and 7.5 ha, wherever the strips lie.
    assert_near(trees, 4.5 * 400.0 + 7.5 * 900.0, 0.5, "trees");
    let volume = plan.volume_m3().unwrap();
    assert_near(volume, 4.5 * 200.0 + 7.5 * 180.0, 0.5, "volume");
}

/// Ground of one slope.
struct Even(f64);

impl SlopeGround for Even {
    fn runs(&self, _: Coord, _: Coord) -> Vec<SlopeRun> {
        let (from, to, slope) = (0.0, 1.0, Some(self.0));
        vec![SlopeRun { from, to, slope }]
    }

    fn cells(&self, window: &Bounds) -> Vec<(Bounds, Option<f64>)> {
        vec![(*window, Some(self.0))]
    }
}

impl SlopeSource for Even {
    fn window(&self, _: &Bounds) -> Result<Option<Box<dyn SlopeGround + '_>>, String> {
        Ok(Some(Box::new(Even(self.0))))
    }
}

/// PR-03 in a layout: only the slope differs, so the hours differ by the trees' time alone.
#[test]
fn pr_03_steep_ground_takes_longer_by_the_published_time_per_tree() {
    let mut settings = plain_settings(true);
    settings.machine.max_slope = 1.0;
    settings.machine.night_slope = 1.0;
    settings.production.cross_slope_factor = 0.0;
    settings.production.time = TimeModel::published("self-levelling-feller-buncher").unwrap();
    let block = block(MultiPolygon(vec![rectangle(0.0, 0.0, 400.0, 300.0)]));
    let hours = |slope: f64| {
        let ground = Even(slope);
        let features = [road(-3.0, 6.0)];
        let rules = rules(0.0);
        let plan = lay_out_on(ENGINES, &settings, &rules, &features, Some(&ground), &block);
        let plan = plan.unwrap();
        (
            plan.day_hours.unwrap() + plan.night_hours.unwrap(),
            plan.sections.iter().map(|s| s.trees.unwrap()).sum::<f64>(),
        )
    };
    let (gentle, trees) = hours(middle_slope("PR-01"));
    let (steep, _) = hours(middle_slope("PR-02"));
    let published = expected("PR-03");
    let seconds = (steep - gentle) * 3600.0 / trees;
    assert_near(seconds, published[3] - published[2], 0.01, "PR-03");
}

/// Trees and ground beyond what the study had are told, with how much rests on it, and their hours stand.
#[test]
fn what_lies_beyond_the_study_is_a_finding() {
    let features = [road(-3.0, 6.0)];
    let of = |tree_m3: f64, slope: f64| {
        let mut settings = plain_settings(true);
        settings.machine.max_slope = 1.0;
        settings.production.tree_m3 = Some(tree_m3);
        let block = block(MultiPolygon(vec![rectangle(0.0, 0.0, 400.0, 300.0)]));
        let (ground, rules) = (Even(slope), rules(0.0));
        let plan = lay_out_on(ENGINES, &settings, &rules, &features, Some(&ground), &block);
        let plan = plan.unwrap();
        assert!(plan.day_hours.is_some());
        let found = plan
            .findings
            .into_iter()
            .filter(|f| f.rule_id == "time-range");
        found.collect::<Vec<Finding>>()
    };
    assert!(of(0.4, 0.2).is_empty());
    let small = of(0.08, 0.2);
    assert_eq!(small.len(), 1);
    assert_near(small[0].measured.unwrap(), 0.08, 1e-6, "mean tree");
    assert_eq!(
        (small[0].required, small[0].verdict),
        (Some(0.1), Verdict::Warn)
    );
    for words in ["tracked-feller-buncher", "0.1 to 3 m3 a tree", "hours"] {
        assert!(small[0].message.contains(words), "{}", small[0].message);
    }
    let steep = of(0.4, 0.7);
    assert_eq!(steep.len(), 1);
    assert_near(steep[0].measured.unwrap(), 0.7, 1e-6, "slope");
}
