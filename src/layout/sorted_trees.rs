//! What has to be said where the machine does not cut all trees alike.

use geo::{Geometry, InteriorPoint};

use crate::model::{Finding, Machine, Section, Verdict};

/// Trees beyond the head's capacity, with where most of them are in one section; and sections to which limits of diameter
/// cannot be applied, since no table says how thick their trees are.
pub fn findings(machine: &Machine, sections: &[Section]) -> Vec<Finding> {
    let mut findings = Vec::new();
    let large = |section: &Section| section.treated.map_or(0.0, |treated| treated.large.stems);
    let most = (sections.iter()).fold(None, |most: Option<&Section>, section| match most {
        Some(other) if large(other) >= large(section) => most,
        _ => (large(section) > 0.0).then_some(section).or(most),
    });
    if let (Some(most), Some(most_m)) = (most, machine.head_most_m) {
        let with = sections.iter().filter(|section| large(section) > 0.0);
        let (count, trees, m3) = with.fold((0, 0.0, 0.0), |(count, trees, m3), section| {
            let lot = section.treated.unwrap_or_default().large;
            (count + 1, trees + lot.stems, m3 + lot.volume_m3)
        });
        findings.push(Finding {
            rule_id: "large-trees".to_owned(),
            verdict: Verdict::Warn,
            measured: Some(trees),
            required: Some(0.0),
            unit: "trees",
            message: format!(
                "{trees:.1} trees with {m3:.0} m3 in {count} section(s) are thicker than the {:.0} cm that the head cuts at once: each \
                 takes several cuts, daylight and room; {} times the time of another tree is counted",
                100.0 * most_m,
                machine.head_most_factor
            ),
            source: "head_most of [machine]".to_owned(),
            shape: most.shape.interior_point().map(Geometry::Point),
        });
    }
    if machine.sorts_trees()
        && let Some((trees, first)) = trees_where(sections, |section| section.treated.is_none())
    {
        findings.push(Finding {
                rule_id: "no-stand-table".to_owned(),
                verdict: Verdict::Unknown,
                measured: Some(trees),
                required: None,
                unit: "trees",
                message: format!(
                    "no stand table says how thick {trees:.0} trees are: all of them are taken to be cut, and which would stay, be \
                     lost in the path or need several cuts is not known"
                ),
                source: "least_in_path, ideal_at_reach and head_most of [machine]".to_owned(),
                shape: first.shape.interior_point().map(Geometry::Point),
            });
    }
    findings
}

/// Trees of the sections of which something holds, and the first of these; None where no tree stands on any.
pub fn trees_where(
    sections: &[Section],
    holds: impl Fn(&Section) -> bool,
) -> Option<(f64, &Section)> {
    let found = sections.iter().filter(|section| holds(section));
    let mut found = found.filter_map(|section| {
        let trees = section.trees.filter(|trees| *trees > 0.0)?;
        Some((trees, section))
    });
    let (trees, first) = found.next()?;
    Some((found.fold(trees, |sum, (trees, _)| sum + trees), first))
}
