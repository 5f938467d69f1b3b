//! Sections whose trees or ground lie beyond what the time model was made from, or whose trees nobody says the size of.

use geo::{Geometry, InteriorPoint};

use super::sorted_trees::trees_where;
use super::strips::ASSUMED_TREE_M3;
use super::timing::SectionTime;
use crate::model::{Finding, Section, TimeModel, Verdict};

/// Trees of a section count as within the range up to this much beyond it.
const ROUNDING: f64 = 1e-9;

/// A limit, its unit, what is held against it in a section, and to which side it is overstepped.
type Way<'w> = (
    Option<f64>,
    &'static str,
    &'w dyn Fn(usize) -> Option<f64>,
    f64,
);

/// One finding for each way in which sections lie beyond the range, and one for those with trees of unknown size. `times` are in the
/// order of the sections.
pub fn findings(model: &TimeModel, sections: &[Section], times: &[SectionTime]) -> Vec<Finding> {
    let tree_m3 = |at: usize| -> Option<f64> {
        let (trees, volume_m3) = (sections[at].trees?, sections[at].volume_m3?);
        (trees > 0.0).then(|| volume_m3 / trees)
    };
    let ways: [Way; 3] = [
        (model.tree_m3_from, "m3", &tree_m3, -1.0),
        (model.tree_m3_to, "m3", &tree_m3, 1.0),
        (model.slope_to, "share", &|at| times[at].slope, 1.0),
    ];
    let beyond = ways.into_iter().filter_map(|(limit, unit, of, sign)| {
        let limit = limit?;
        let off = |value: f64| sign * (value - limit);
        let mut found: Vec<(usize, f64)> = (0..sections.len())
            .filter_map(|at| Some((at, of(at)?)))
            .filter(|&(_, value)| off(value) > ROUNDING)
            .collect();
        // The farthest first, of equals the first.
        found.sort_by(|a, b| off(b.1).total_cmp(&off(a.1)).then(a.0.cmp(&b.0)));
        let &(farthest, value) = found.first()?;
        let hours = found.iter().filter_map(|&(at, _)| sections[at].hours);
        let hours = hours.fold(0.0, |sum, hours| sum + hours);
        let what = match unit {
            "m3" => format!("trees of {value:.2} m3 on average"),
            _ => format!("slopes of {:.0} %", 100.0 * value),
        };
        Some(Finding {
            rule_id: "time-range".to_owned(),
            verdict: Verdict::Warn,
            measured: Some(value),
            required: Some(limit),
            unit,
            message: format!(
                "{} section(s) with {hours:.1} hours lie beyond what the time model {} holds for ({}), the farthest with {what}",
                found.len(),
                model.name,
                model.range().unwrap_or_default()
            ),
            source: format!("{}; range: {}", model.source, model.range_source),
            shape: sections[farthest].shape.interior_point().map(Geometry::Point),
        })
    });
    beyond.chain(unknown_size(model, sections)).collect()
}

/// Where the model asks how large trees are and nobody says.
fn unknown_size(model: &TimeModel, sections: &[Section]) -> Option<Finding> {
    if !model.needs_volume() {
        return None;
    }
    let (trees, first) = trees_where(sections, |section| section.volume_m3.is_none())?;
    Some(Finding {
        rule_id: "tree-size".to_owned(),
        verdict: Verdict::Unknown,
        measured: None,
        required: None,
        unit: "m3",
        message: format!(
            "nobody says how large {trees:.0} trees are: their time is that of trees of {ASSUMED_TREE_M3} m3 (assumed), and their \
             volume is not known; give `tree_m3` under [production] or of [layers.stands]"
        ),
        source: model.source.clone(),
        shape: first.shape.interior_point().map(Geometry::Point),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layout::sections::untimed;
    use geo::{LineString, Polygon};

    fn section(trees: f64, volume_m3: f64) -> Section {
        let ring = vec![(0., 0.), (10., 0.), (10., 10.), (0., 10.), (0., 0.)];
        Section {
            hours: Some(2.0),
            trees: Some(trees),
            volume_m3: Some(volume_m3),
            ..untimed(Polygon::new(LineString::from(ring), vec![]))
        }
    }

    #[test]
    fn small_trees_large_trees_and_steep_ground_are_told_once_each_with_the_farthest() {
        let model = TimeModel::default();
        // 0.1 m3 is still within.
        let volumes = [1.0, 5.0, 0.5, 8.0, 40.0, 5.0];
        let sections = volumes.map(|m3| section(10.0, m3));
        let slopes = [None, Some(0.6), Some(0.2), Some(0.61), None, Some(0.7)];
        let slopes = slopes.map(|slope| SectionTime { slope, parts: None });
        let found = findings(&model, &sections, &slopes);
        let told: Vec<(f64, f64, &str)> = (found.iter())
            .map(|f| (f.measured.unwrap(), f.required.unwrap(), f.unit))
            .collect();
        assert_eq!(
            told,
            [(0.05, 0.1, "m3"), (4.0, 3.0, "m3"), (0.7, 0.6, "share")]
        );
        assert!(
            found[2].message.contains("2 section(s) with 4.0 hours"),
            "{}",
            found[2].message
        );
        assert!(
            found
                .iter()
                .all(|f| f.shape.is_some() && f.source.contains("Forests 2022"))
        );
        let model = TimeModel {
            tree_m3_from: None,
            tree_m3_to: None,
            slope_to: None,
            ..model
        };
        assert!(findings(&model, &sections, &slopes).is_empty());
    }
}
