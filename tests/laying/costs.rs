//! Costs of a cubic metre: by block, setting and kind of work they are the same money, and the report says what makes it dear.

use crate::in_memory;
use crate::run_binary;

use std::collections::BTreeMap;

use blockwright::engines::ENGINES;
use blockwright::model::*;
use geo::MultiPolygon;
use in_memory::*;
use run_binary::{run, small_project, table, write};
use serde_json::Value;

fn near(found: f64, wanted: f64) {
    assert!(
        (found - wanted).abs() < 1e-6 * wanted.abs().max(1.0),
        "{found} {wanted}"
    );
}

const RATES: Rates = Rates {
    felling: Some(300.0),
    skidding: Some(150.0),
};

#[test]
fn what_takes_time_adds_up_to_the_cost_of_the_hours() {
    let mut settings = Settings::default();
    settings.production.stems_per_ha = Some(500.0);
    settings.production.tree_m3 = Some(0.4);
    settings.costs.rates = RATES;
    let shape = line(&[(-5000.0, -3.0), (5000.0, -3.0)]);
    let road = feature(LayerKind::Roads, None, Some(6.0), shape);
    let block = block(MultiPolygon(vec![rectangle(0.0, 0.0, 400.0, 300.0)]));
    let plan = lay_out(ENGINES, &settings, &rules(0.1), &[road], &block).unwrap();
    let cost = plan.cost();
    let hours = plan.day_hours.unwrap() + plan.night_hours.unwrap();
    near(cost.felling_cost.unwrap(), hours / 0.77 * 300.0);
    near(
        cost.skidding_cost.unwrap(),
        plan.skid_hours.unwrap() / 0.70 * 150.0,
    );
    let parts = plan.time_parts.unwrap().money(plan.rates, plan.utilisation);
    near(parts.iter().sum(), cost.cost(plan.rates).unwrap());
    // Level ground, whole cycles: neither slope nor bunches, but trees, turns and the way to the road.
    assert!(parts[0] > 0.0 && parts[3] > 0.0 && parts[4] > 0.0);
    assert_eq!((parts[1], parts[2]), (0.0, 0.0));
    let works = plan.costs_by_work();
    assert!(works.len() >= 2, "{works:?}");
    near(
        works.iter().map(|w| w.2.felling_cost.unwrap()).sum(),
        cost.felling_cost.unwrap(),
    );
    near(
        works.iter().map(|w| w.2.volume_m3.unwrap()).sum(),
        cost.volume_m3.unwrap(),
    );
    near(
        plan.cost_of(1).cost_per_m3(plan.rates).unwrap(),
        cost.cost_per_m3(plan.rates).unwrap(),
    );
}

fn money(row: &BTreeMap<String, String>, name: &str) -> f64 {
    row[name]
        .parse()
        .unwrap_or_else(|_| panic!("{name}: {row:?}"))
}

#[test]
fn tables_comparison_and_report_say_the_same_costs() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    small_project(folder);
    let plain = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    let costs = "\n[costs]\nfelling = 300\nskidding = 150\ncurrency = \"CA$\"\nyear = 2031\nsource = \"contract 7\"\n";
    let plain = plain.replace("stems_per_ha = 500", "stems_per_ha = 500\ntree_m3 = 0.4");
    write(folder, "project.toml", &format!("{plain}{costs}"));
    let ended = run(folder, &["layout", "project.toml", "--out", "out"]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    let blocks = table(&folder.join("out/blocks.csv"));
    let works = table(&folder.join("out/costs.csv"));
    for block in &blocks {
        let own: Vec<_> = works
            .iter()
            .filter(|work| work["block_id"] == block["block_id"])
            .collect();
        assert!(
            own.iter()
                .all(|work| work["currency"] == "CA$" && work["year"] == "2031")
        );
        for name in ["felling_cost", "skidding_cost"] {
            let sum: f64 = own.iter().map(|work| money(work, name)).sum();
            assert!(
                (sum - money(block, name)).abs() < 0.05,
                "{name}: {sum} {block:?}"
            );
        }
        let whole = money(block, "felling_cost") + money(block, "skidding_cost");
        let per_m3 = whole / money(block, "volume_m3");
        assert!(
            (per_m3 - money(block, "cost_per_m3")).abs() < 0.01,
            "{per_m3} {block:?}"
        );
    }
    let dearest = blocks.iter().map(|block| money(block, "cost_per_m3"));
    let dearest = (dearest.fold(0.0, f64::max) * 100.0).round() / 100.0;
    let overview = std::fs::read_to_string(folder.join("out/report/data/overview.js"));
    if let Ok(overview) = overview {
        let said = overview.split("\"dearest\":[").nth(1).unwrap();
        assert!(
            said.contains(&format!("\"cost_per_m3\":{dearest}")),
            "{dearest} {said}"
        );
    }

    let more = costs.replace("skidding = 150", "skidding = [150, 300]");
    write(folder, "project.toml", &format!("{plain}{more}"));
    let ended = run(folder, &["layout", "project.toml", "--compare", "--json"]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    let told: Value = serde_json::from_str(&ended.stdout).unwrap();
    let cost = |at: usize| told["rows"][at]["result"]["cost"].as_f64().unwrap();
    let sum = |name: &str| blocks.iter().map(|block| money(block, name)).sum::<f64>();
    assert!(
        (cost(0) - sum("felling_cost") - sum("skidding_cost")).abs() < 0.1,
        "{told}"
    );
    assert!(
        (cost(1) - cost(0) - sum("skidding_cost")).abs() < 0.1,
        "{told}"
    );

    // Without rates nothing is said of money, and the table of an earlier run goes.
    write(folder, "project.toml", &plain);
    let ended = run(folder, &["layout", "project.toml", "--out", "out"]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    assert!(!folder.join("out/costs.csv").exists());
    assert_eq!(table(&folder.join("out/blocks.csv"))[0]["cost_per_m3"], "");
}
