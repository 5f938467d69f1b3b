//! The layout's own compliance and the audit measure the same plans by different code: they must agree.

use crate::audited;
use crate::size;

use audited::{as_plan, on_demo};
use blockwright::demo::DemoOptions;
use blockwright::layout;
use blockwright::model::*;
use blockwright::{audit, compliance};

/// How much the two may differ in a row that holds: distances to the millimetre, shares by the arcs' chords.
fn same(unit: &str, a: f64, b: f64) -> bool {
    let by = match unit {
        "m" => 0.0011,
        // Small zones hang on the arcs at their ends, which the layout draws a little too wide.
        "share" => 0.005,
        _ => 0.001,
    };
    (a - b).abs() <= by
}

#[test]
fn layout_and_audit_agree_on_every_demo_block() {
    let options = DemoOptions {
        blocks: size::of(12, 120),
        seed: 11,
    };
    on_demo(
        &options,
        |_| (),
        |batch, context, audit_context| {
            let (mut blocks, mut rows, mut scraps, mut not_shared) =
                (0, 0, 0, std::collections::BTreeSet::new());
            let mut wrong = Vec::new();
            for block in &batch.blocks {
                let Ok(mut plan) = layout::lay_out(context, block) else {
                    continue;
                };
                compliance::judge(context, block, &mut plan);
                let audited = audit::judge(audit_context, block, &as_plan(&plan), None);
                blocks += 1;
                for row in &plan.compliance {
                    let own = audited
                        .rows
                        .iter()
                        .find(|own| own.row.row.rule_id == row.rule_id);
                    let Some(own) = own else {
                        not_shared.insert(row.rule_id.clone());
                        continue;
                    };
                    let (own_row, message) = (&own.row.row, &own.row.message);
                    rows += 1;
                    let figures = row.measured.zip(own_row.measured);
                    let agree = own_row.status == row.status
                        && own_row.required.map(|r| (r * 1e6).round())
                            == row.required.map(|r| (r * 1e6).round())
                        && figures.is_none_or(|(a, b)| same(row.unit, a, b));
                    // Only the audit asks whether the class behind a machine exclusion is known.
                    let stricter = own_row.status == Verdict::Unknown
                        && row.status == Verdict::Pass
                        && message.contains("cannot be told");
                    // A hair of ground beside a corridor, or some square metres that no machine reaches, stand for the audit and
                    // are no retention for the layout, which then is the stricter of the two.
                    // Of reach the audit asks outlines thrice as often, and finds the ground between two places of the layout.
                    let nearer_m = 0.02;
                    let closer = row.rule_id == "reach"
                        && own_row.status == row.status
                        && figures.is_some_and(|(a, b)| (b - a).abs() < nearer_m);
                    let scrap = match row.unit {
                        "m" => {
                            own_row.status == row.status
                                && figures.is_some_and(|(a, b)| a - b < 0.03)
                        }
                        "share" => {
                            row.status == Verdict::Fail
                                && figures.is_some_and(|(a, b)| b - a < 2e-4)
                        }
                        _ => false,
                    };
                    if scrap && !agree && !closer {
                        scraps += 1;
                    }
                    if !(agree || stricter || scrap || closer) {
                        wrong.push(format!(
                            "{} {}: layout {:?} {:?} of {:?}, audit {:?} {:?} of {:?}: {message}",
                            block.id,
                            row.rule_id,
                            row.status,
                            row.measured,
                            row.required,
                            own_row.status,
                            own_row.measured,
                            own_row.required
                        ));
                    }
                }
                for own in &audited.rows {
                    let id = &own.row.row.rule_id;
                    assert!(plan.compliance.iter().any(|row| row.rule_id == *id), "{id}");
                }
            }
            assert!(
                wrong.is_empty(),
                "{} of {rows}:\n{}",
                wrong.len(),
                wrong.join("\n")
            );
            assert!(scraps <= 2, "{scraps} of {rows}");
            assert!(
                blocks >= size::of(9, 100) && rows > 8 * blocks,
                "{blocks} blocks, {rows} rows"
            );
            println!("{blocks} blocks, {rows} rows agree; the audit has no {not_shared:?}");
        },
    );
}
