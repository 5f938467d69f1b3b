//! The code of looks as a style sheet and patterns of the report, on light ground and on dark.

use std::fmt::Write as _;

use crate::model::{BlockStatus, Language};
use crate::outputs::style::{self, Hatch, Ink, Kind, Theme};

const GREYS: [(&str, &str); 5] = [
    ("black", style::BLACK),
    ("white", style::WHITE),
    ("grey-pale", style::GREY_PALE),
    ("grey-light", style::GREY_LIGHT),
    ("grey-dark", style::GREY_DARK),
];

/// Inks, and colours of verdicts with what is written on them, as variables.
fn variables(css: &mut String, theme: Theme) {
    for ink in Ink::ALL {
        let _ = writeln!(css, "  --ink-{}: {};", ink.key(), ink.colour(theme));
    }
}

/// Variables, and three classes for each kind of ground: `g-` fill, `h-` hatch, `o-` line.
pub fn colours() -> String {
    let mut css = String::from("/* Written from the one code of looks. */\n:root {\n");
    for (name, colour) in GREYS {
        let _ = writeln!(css, "  --{name}: {colour};");
    }
    for status in [BlockStatus::Ok, BlockStatus::Warn, BlockStatus::Fail] {
        let [fill, ink] = style::status_sign(status);
        let _ = writeln!(css, "  --{0}: {fill};\n  --on-{0}: {ink};", status.key());
    }
    variables(&mut css, Theme::Light);
    css += "}\n@media screen and (prefers-color-scheme: dark) {\n:root {\n";
    variables(&mut css, Theme::Dark);
    css += "}\n";
    for kind in Kind::all() {
        if let Some((ink, cover)) = kind.look().fill
            && Theme::Dark.cover(ink, cover) != cover
        {
            let cover = Theme::Dark.cover(ink, cover);
            let _ = writeln!(css, "svg .g-{} {{fill-opacity:{cover};}}", kind.key());
        }
    }
    css += "}\n";
    for kind in Kind::all() {
        let (name, look) = (kind.key(), kind.look());
        let fill = match look.fill {
            None => "fill:none;".to_owned(),
            Some((ink, cover)) => format!("fill:var(--ink-{});fill-opacity:{cover};", ink.key()),
        };
        let _ = writeln!(css, ".g-{name} {{{fill}}}");
        if let Some(hatch) = look.hatch {
            let _ = writeln!(css, ".h-{name} {{fill:url(\"#{}\");}}", hatch.id());
        }
        let line = look.line.map_or(String::new(), |line| {
            let mut text = format!(
                "stroke:var(--ink-{});stroke-width:{};",
                line.ink.key(),
                line.width
            );
            if !line.dash.is_empty() {
                let lengths: Vec<String> = line.dash.iter().map(f64::to_string).collect();
                text += &format!("stroke-dasharray:{};", lengths.join(" "));
            }
            if line.round {
                text += "stroke-linecap:round;";
            }
            text
        });
        let _ = writeln!(css, ".o-{name} {{{line}}}");
    }
    css
}

/// The patterns of the hatches over upright strips; maps turn their own copies.
pub fn patterns() -> String {
    let ink = |ink: Ink| format!("var(--ink-{})", ink.key());
    let all = Hatch::ALL.iter().map(|hatch| hatch.pattern(0.0, &ink));
    all.collect()
}

/// Words of the kinds in a language, and which hatch each has, for the scripts.
pub fn kinds(language: Language) -> serde_json::Map<String, serde_json::Value> {
    let words =
        Kind::all().map(|kind| (format!("kind_{}", kind.key()), kind.word(language).into()));
    words.collect()
}

/// Hatches by kind.
pub fn hatches() -> serde_json::Map<String, serde_json::Value> {
    let hatched = Kind::all().filter_map(|kind| {
        let hatch = kind.look().hatch?;
        Some((kind.key().to_owned(), hatch.id().into()))
    });
    hatched.collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_hatch_has_its_pattern_and_nothing_is_left_to_fill() {
        let patterns = patterns();
        for kind in Kind::all() {
            if let Some(hatch) = kind.look().hatch {
                assert!(
                    patterns.contains(&format!("id=\"{}\"", hatch.id())),
                    "{kind:?}"
                );
            }
        }
        assert!(!patterns.contains("style") && !patterns.contains('{'));
        assert!(colours().contains(".o-road_band {stroke:var(--ink-words);"));
    }
}
