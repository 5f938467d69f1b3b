//! The planner's settings against the rules: of a wish and a requirement, the stricter one holds.

use crate::model::Settings;
use crate::rulebook::{Cited, Rulebook};

/// The settings that stages work with. The road band is the wider one, a corridor's least width the greater and its
/// greatest width the lesser; where a wish contradicts a rule, the wish gives way.
pub fn effective(settings: &Settings, rules: &Rulebook) -> Settings {
    let mut effective = settings.clone();
    let (layout, rules) = (&mut effective.layout, &rules.block);
    let value = |rule: &Option<Cited<f64>>| rule.as_ref().map(|rule| rule.value);
    let at_least = |wish: &mut f64, rule: &Option<Cited<f64>>| {
        *wish = wish.max(value(rule).unwrap_or(*wish));
    };
    at_least(&mut layout.road_band_fail_m, &rules.road_band_fail_m);
    at_least(&mut layout.road_band_m, &rules.road_band_m);
    // What fails nearer than this cannot be right to lay out there.
    layout.road_band_m = layout.road_band_m.max(layout.road_band_fail_m);
    at_least(&mut layout.corridor_min_m, &rules.corridor_min_m);
    at_least(&mut layout.corridor_spacings, &rules.corridor_spacings);
    at_least(&mut layout.least_patch_m2, &rules.least_patch_m2);
    let most = value(&rules.corridor_max_m).unwrap_or(f64::INFINITY);
    layout.corridor_max_m = layout.corridor_max_m.min(most);
    if layout.corridor_min_m > layout.corridor_max_m {
        if value(&rules.corridor_min_m) == Some(layout.corridor_min_m) {
            layout.corridor_max_m = layout.corridor_min_m;
        } else {
            layout.corridor_min_m = layout.corridor_max_m;
        }
    }
    effective
}

/// The rule, where the value in force is the rule's own; None: the planner's wish is stricter, or there is no rule.
pub fn decided_by(rule: &Option<Cited<f64>>, in_force: f64) -> Option<&Cited<f64>> {
    rule.as_ref().filter(|rule| rule.value == in_force)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rulebook::{Citation, ReadStatus, preset};

    fn rule(value: f64) -> Option<Cited<f64>> {
        Some(Cited {
            value,
            citation: Citation {
                text: "a permit".to_owned(),
                status: ReadStatus::Project,
            },
            origin: "project file, line 3".to_owned(),
        })
    }

    #[test]
    fn the_stricter_of_wish_and_rule_holds() {
        let mut rules = preset("bare").unwrap();
        let wish = Settings::default();
        assert_eq!(effective(&wish, &rules), wish, "no rule, no change");
        rules.block.road_band_m = rule(40.0);
        rules.block.road_band_fail_m = rule(35.0);
        rules.block.corridor_min_m = rule(4.0);
        rules.block.corridor_max_m = rule(25.0);
        let layout = effective(&wish, &rules).layout;
        assert_eq!((layout.road_band_m, layout.road_band_fail_m), (45.72, 35.0));
        assert_eq!((layout.corridor_min_m, layout.corridor_max_m), (4.0, 20.0));
        assert!(decided_by(&rules.block.road_band_m, layout.road_band_m).is_none());
        assert!(decided_by(&rules.block.road_band_fail_m, layout.road_band_fail_m).is_some());
        rules.block.road_band_fail_m = rule(60.0);
        assert_eq!(effective(&wish, &rules).layout.road_band_m, 60.0);
    }

    #[test]
    fn a_wish_that_contradicts_a_rule_gives_way() {
        let mut rules = preset("bare").unwrap();
        let mut wish = Settings::default();
        (wish.layout.corridor_min_m, wish.layout.corridor_max_m) = (6.0, 8.0);
        rules.block.corridor_min_m = rule(10.0);
        let layout = effective(&wish, &rules).layout;
        assert_eq!((layout.corridor_min_m, layout.corridor_max_m), (10.0, 10.0));
        rules.block.corridor_min_m = None;
        rules.block.corridor_max_m = rule(5.0);
        let layout = effective(&wish, &rules).layout;
        assert_eq!((layout.corridor_min_m, layout.corridor_max_m), (5.0, 5.0));
    }
}
