//! The colours and hatches of the map sheets, as a style sheet and patterns of the report.

use std::fmt::Write as _;

use crate::outputs::style::{self, Ground};

const COLOURS: [(&str, &str); 13] = [
    ("black", style::BLACK),
    ("orange", style::ORANGE),
    ("sky-blue", style::SKY_BLUE),
    ("green", style::GREEN),
    ("yellow", style::YELLOW),
    ("blue", style::BLUE),
    ("vermillion", style::VERMILLION),
    ("purple", style::PURPLE),
    ("white", style::WHITE),
    ("grey-pale", style::GREY_PALE),
    ("grey-light", style::GREY_LIGHT),
    ("grey-middle", style::GREY_MIDDLE),
    ("grey-dark", style::GREY_DARK),
];

/// Kinds of ground by the class that the scripts give them.
const GROUNDS: [(&str, Ground); 23] = [
    ("net", style::NET_AREA),
    ("reserve", style::RESERVE),
    ("management", style::MANAGEMENT),
    ("retained_band", style::RETAINED_BAND),
    ("machine_exclusion", style::MACHINE_EXCLUSION),
    ("road_clearing", style::ROAD_CLEARING),
    ("road_band", style::ROAD_BAND),
    ("hazard", style::HAZARD),
    ("may_be_wet", style::MAY_BE_WET),
    ("limit_of_approach", style::LIMIT_OF_APPROACH),
    ("power_line", style::POWER_LINE),
    ("people", style::PEOPLE),
    ("window", style::WINDOW),
    ("people_unknown", style::PEOPLE_UNKNOWN),
    ("crossing", style::CROSSING),
    ("strip_in", style::STRIP_IN),
    ("strip_out", style::STRIP_OUT),
    ("boundary_pass", style::BOUNDARY_PASS),
    ("day_only", style::DAY_ONLY),
    ("corridor", style::CORRIDOR),
    ("unworked", style::UNWORKED),
    ("block", style::BLOCK),
    ("finding", style::FINDING),
];

/// `name="value" name="value"` of a drawing as declarations of a style sheet.
fn declarations(attributes: &str) -> String {
    let mut text = String::new();
    let mut rest = attributes;
    while let Some((name, after)) = rest.split_once("=\"") {
        let Some((value, after)) = after.split_once('"') else {
            break;
        };
        let _ = write!(text, "{}:{value};", name.trim());
        rest = after;
    }
    text
}

/// Colours as variables, and three classes for each kind of ground: `g-` fill, `h-` hatch, `o-` outline.
pub fn colours() -> String {
    let mut css = String::from("/* Written from the colours of the map sheets. */\n:root {\n");
    for (name, colour) in COLOURS {
        let _ = writeln!(css, "  --{name}: {colour};");
    }
    css += "}\n";
    for (name, ground) in GROUNDS {
        let fill = if ground.fill.is_empty() {
            "fill:none;".to_owned()
        } else {
            declarations(ground.fill)
        };
        let _ = writeln!(css, ".g-{name} {{{fill}}}");
        if !ground.hatch.is_empty() {
            let _ = writeln!(css, ".h-{name} {{fill:url(\"#{}\");}}", ground.hatch);
        }
        let _ = writeln!(css, ".o-{name} {{{}}}", declarations(ground.outline));
    }
    css
}

/// The patterns of the hatches, from the definitions of the map sheets.
pub fn patterns() -> String {
    let between = |text: &'static str| {
        let (_, after) = text.split_once("<defs>")?;
        after.split_once("<clipPath").map(|(patterns, _)| patterns)
    };
    // Upright strips; maps turn their own copies.
    between(style::DEFS)
        .unwrap_or_default()
        .trim()
        .replace("{hatch}", "-45")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn attributes_become_declarations() {
        assert_eq!(
            declarations(r##"fill="#0072B2" fill-opacity=".3""##),
            "fill:#0072B2;fill-opacity:.3;"
        );
        assert_eq!(declarations(""), "");
    }

    #[test]
    fn every_hatch_has_its_pattern() {
        let patterns = patterns();
        let mut hatched = 0;
        for (name, ground) in GROUNDS {
            if !ground.hatch.is_empty() {
                assert!(
                    patterns.contains(&format!("id=\"{}\"", ground.hatch)),
                    "{name}"
                );
                hatched += 1;
            }
        }
        assert!(hatched >= 6);
        assert!(!patterns.contains("style") && !patterns.contains('{'));
        assert!(colours().contains(".o-road_band {stroke:#252525;"));
    }
}
