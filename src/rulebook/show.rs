//! A rulebook as a page to print: at most 120 columns, one table for each kind of feature, the sources at the end.

use std::fmt::Write as _;

use super::columns::{Row, push_table, wrap};
use super::*;
use crate::units::FOOT_M;

impl ReadStatus {
    pub const ALL: [ReadStatus; 5] = [
        ReadStatus::ReadInSource,
        ReadStatus::Secondary,
        ReadStatus::FromMemory,
        ReadStatus::CommonPractice,
        ReadStatus::Project,
    ];

    /// The words of outputs, the same as in rulebook files.
    pub fn key(self) -> &'static str {
        match self {
            ReadStatus::ReadInSource => "read in source",
            ReadStatus::Secondary => "secondary",
            ReadStatus::FromMemory => "from memory",
            ReadStatus::CommonPractice => "common practice",
            ReadStatus::Project => "project",
        }
    }
}

impl Rulebook {
    /// How many lines were read in this way.
    pub fn lines_of(&self, status: ReadStatus) -> usize {
        let lines = self.lines.iter();
        lines.filter(|line| line.citation.status == status).count()
    }
}

/// Columns of a page.
const PAGE: usize = 120;

/// Stands before everything that was not seen in any source.
const MARK: &str = "(!)";

/// Sources in the order in which they are met, each once.
struct Sources(Vec<String>);

impl Sources {
    /// `secondary [3]`, `(!) from memory [4]`.
    fn cite(&mut self, citation: &Citation) -> String {
        let at = self.0.iter().position(|text| *text == citation.text);
        let at = at.unwrap_or_else(|| {
            self.0.push(citation.text.clone());
            self.0.len() - 1
        });
        let status = citation.status.key();
        match citation.status {
            ReadStatus::FromMemory => format!("{MARK} {status} [{}]", at + 1),
            _ => format!("{status} [{}]", at + 1),
        }
    }
}

/// All rules with their widths, definitions and sources.
pub fn show(rules: &Rulebook) -> String {
    let mut sources = Sources(Vec::new());
    let mut out = format!("{}: {}\n", rules.preset, rules.title);
    out.push_str("\nBLOCKS\n");
    push_blocks(&mut out, rules, &mut sources);
    for kind in RULED_KINDS {
        let lines: Vec<&RuleLine> = rules
            .lines
            .iter()
            .filter(|line| line.kind == kind)
            .collect();
        if !lines.is_empty() {
            let _ = writeln!(out, "\n{}", kind.key().to_uppercase());
            push_lines(&mut out, &lines, &mut sources);
        }
    }
    out.push_str("\nSOURCES\n");
    for (at, text) in sources.0.iter().enumerate() {
        let number = format!("[{}]", at + 1);
        for (row, part) in wrap(text, PAGE - 6).iter().enumerate() {
            let _ = writeln!(out, "{:<6}{part}", if row == 0 { &number } else { "" });
        }
    }
    out.push('\n');
    for part in wrap(&closing(rules), PAGE) {
        let _ = writeln!(out, "{part}");
    }
    out
}

fn closing(rules: &Rulebook) -> String {
    let mut words = "Widths run on the map from the bank or the edge of the feature unless the line says otherwise; a \
                     slope is rise over run. "
        .to_owned();
    if citations(rules).any(|citation| citation.status == ReadStatus::FromMemory) {
        let of = rules.lines.len();
        let from_memory = rules.lines_of(ReadStatus::FromMemory);
        let _ = write!(
            words,
            "{MARK} from memory: the figure was not seen in any source, so look it up before you rely on it ({from_memory} \
             of {of} lines). "
        );
    }
    words.push_str("An aid: local codes, permits and licensed practice decide.");
    words
}

fn citations(rules: &Rulebook) -> impl Iterator<Item = &Citation> {
    let lines = rules.lines.iter();
    lines
        .flat_map(|line| std::iter::once(&line.citation).chain(&line.share_citation))
        .chain(block_citations(rules))
}

fn block_citations(rules: &Rulebook) -> impl Iterator<Item = &Citation> {
    let block = &rules.block;
    let cited = [
        &block.portfolio_share,
        &block.largest_opening_m2,
        &block.deck_share,
        &block.deck_depth_m,
        &block.least_patch_m2,
        &block.corridor_min_m,
        &block.corridor_max_m,
        &block.corridor_spacings,
        &block.road_band_m,
        &block.road_band_fail_m,
    ];
    std::iter::once(&rules.retention_share)
        .chain(cited.into_iter().flatten())
        .chain(block.influence.iter().map(|influence| &influence.share))
        .chain(block.occupancy.iter().map(|occupancy| &occupancy.most))
        .map(|cited| &cited.citation)
}

const BLOCK_COLUMNS: [usize; 3] = [22, 64, 30];

fn push_blocks(out: &mut String, rules: &Rulebook, sources: &mut Sources) {
    let block = &rules.block;
    let mut rows: Vec<Row<3>> = Vec::new();
    let mut add = |what: &str, words: String, cited: &Cited<f64>| {
        let source = format!(
            "{}\n{}",
            sources.cite(&cited.citation),
            short(&cited.origin)
        );
        rows.push(Row([what.to_owned(), words, source]));
    };
    let of = rules.share_words();
    let share = &rules.retention_share;
    add("retention", format!("{} {of}", percent(share.value)), share);
    if let Some(least) = &block.least_patch_m2 {
        let words = format!(
            "only pieces larger than {} count towards it",
            Unit::Hectare.show(least.value)
        );
        add("retention, in patches", words, least);
    }
    if let Some(share) = &block.portfolio_share {
        let words = format!(
            "{} of the sum of the gross areas of all blocks",
            percent(share.value)
        );
        add("retention, season", words, share);
    }
    if let Some(influence) = &block.influence {
        let words = format!(
            "{} {} of the block within one tree height, {}, of trees that stay; the forest outside {}",
            if influence.more_than {
                "more than"
            } else {
                "at least"
            },
            percent(influence.share.value),
            metres(influence.tree_height_m),
            if influence.forest_outside {
                "counts"
            } else {
                "does not count"
            }
        );
        add("influence of trees", words, &influence.share);
    }
    if let Some(occupancy) = &block.occupancy {
        let words = format!(
            "{} {} of the net area under {}",
            if occupancy.less_than {
                "less than"
            } else {
                "at most"
            },
            percent(occupancy.most.value),
            match occupancy.trail {
                TrailWidth::Track => "the machine's tracks",
                TrailWidth::Strip => "whole strips",
            }
        );
        add("trails", words, &occupancy.most);
    }
    if let Some(most) = &block.largest_opening_m2 {
        add(
            "largest opening",
            format!("at most {}", Unit::Hectare.show(most.value)),
            most,
        );
    }
    if let Some(most) = &block.deck_share {
        let words = format!("at most {} of the road frontage", percent(most.value));
        add("decks, length", words, most);
    }
    if let Some(least) = &block.corridor_spacings {
        let words = format!("at least {} distances from tree to tree", least.value);
        add("corridors, in trees", words, least);
    }
    for (what, words, cited) in [
        ("decks, depth", "at most", &block.deck_depth_m),
        ("narrowest corridor", "at least", &block.corridor_min_m),
        ("widest corridor", "at most", &block.corridor_max_m),
        ("road band", "no retention nearer than", &block.road_band_m),
        (
            "road band, failure",
            "no retention nearer than",
            &block.road_band_fail_m,
        ),
    ] {
        if let Some(cited) = cited {
            add(what, format!("{words} {}", metres(cited.value)), cited);
        }
    }
    push_table(
        out,
        ["rule", "what is asked", "source"],
        BLOCK_COLUMNS,
        &rows,
    );
}

const LINE_COLUMNS: [usize; 6] = [9, 34, 20, 18, 10, 19];

fn push_lines(out: &mut String, lines: &[&RuleLine], sources: &mut Sources) {
    let headings = [
        "class",
        "stands for",
        "reserve",
        "management",
        "no machine",
        "source",
    ];
    let rows: Vec<Row<6>> = lines.iter().map(|line| row(line, sources)).collect();
    push_table(out, headings, LINE_COLUMNS, &rows);
}

fn row(line: &RuleLine, sources: &mut Sources) -> Row<6> {
    let mut stands_for = format!("{}: {}", line.title, line.definition);
    if !line.when.is_empty() {
        let when: Vec<String> = line.when.iter().map(Condition::show).collect();
        let _ = write!(stands_for, "\nif {}", when.join("; "));
    }
    match line.measured_from {
        MeasuredFrom::Bank => {}
        MeasuredFrom::StandEdge => stands_for.push_str("\nmeasured from the first trees"),
        MeasuredFrom::Centreline => stands_for.push_str("\nmeasured from the centreline"),
    }
    if line.distance == Distance::Slope {
        stands_for.push_str("\nmeasured along the ground");
    }
    if let Some(channel) = line.channel_up_to_m {
        let _ = write!(stands_for, "\nchannel up to {}", metres(channel));
    }
    let said = [
        (
            line.road_use.decking,
            "wood decked along it",
            "no wood decked along it",
        ),
        (
            line.road_use.machines,
            "open to machines",
            "no machines on it or across it",
        ),
        (line.road_use.cleared, "cleared already", "not cleared yet"),
    ];
    for (given, yes, no) in said {
        if let Some(given) = given {
            let _ = write!(stands_for, "\n{}", if given { yes } else { no });
        }
    }
    if !line.days.is_always() {
        let _ = write!(
            stands_for,
            "\nworked within {} of it: {}",
            metres(line.window_within_m),
            line.days
        );
    }
    let is_none = |width: &Width| *width == Width::Metres(0.0);
    let or_dash = |width: &Width| {
        if is_none(width) {
            "-".to_owned()
        } else {
            words(width)
        }
    };
    let mut source = sources.cite(&line.citation);
    let mut management = or_dash(&line.management);
    if !is_none(&line.management) {
        let mut owed = Vec::new();
        if line.management_share > 0.0 {
            let of = line
                .share_trees
                .map(|trees| format!(" of the {}", trees.words()));
            let share = percent(line.management_share);
            owed.push(format!("{share}{} stays", of.unwrap_or_default()));
        }
        owed.extend(line.trees_per_length.map(|trees| trees.words()));
        let _ = match &line.share_citation {
            _ if owed.is_empty() => write!(management, "\nno share asked"),
            Some(own) => {
                let own = sources.cite(own);
                write!(management, "\n{}, {own}", owed.join("\n"))
            }
            None => write!(management, "\n{}", owed.join("\n")),
        };
    }
    let _ = write!(source, "\n{}", short(&line.origin));
    Row([
        line.class.clone(),
        stands_for,
        words(&line.reserve),
        management,
        or_dash(&line.machine_exclusion),
        source,
    ])
}

/// A width as people say it.
fn words(width: &Width) -> String {
    match width {
        Width::Metres(width_m) => metres(*width_m),
        Width::BySlope(classes) => {
            let classes = classes.iter().map(|class| {
                let slope = class.slope.show(|value| Unit::Percent.show(value));
                format!("{} on slopes {slope}", metres(class.width_m))
            });
            classes.collect::<Vec<_>>().join("\n")
        }
        Width::Formula {
            base_m,
            from_slope,
            per_slope_m,
            most_m,
        } => {
            let from = if *from_slope > 0.0 {
                format!(" above {}", percent(*from_slope))
            } else {
                String::new()
            };
            format!(
                "{} + {} per % of slope{from}, at most {}",
                metres(*base_m),
                metres(per_slope_m / 100.0),
                metres(*most_m)
            )
        }
    }
}

/// `30 m`, or `30.48 m (100 ft)` where only the feet are round.
fn metres(value: f64) -> String {
    let round = |value: f64, digits: f64| (value * digits).round() / digits;
    let shown = format!("{} m", round(value, 100.0));
    let feet = value / FOOT_M;
    let is_whole = |value: f64| (value - value.round()).abs() < 1e-6;
    if is_whole(feet) && !is_whole(value) {
        format!("{shown} ({} ft)", feet.round())
    } else {
        shown
    }
}

fn percent(share: f64) -> String {
    Unit::Percent.show(share)
}

/// `line 34` of `preset bc-fppr, line 34`: the page is about one file.
fn short(origin: &str) -> &str {
    origin.rfind("line ").map_or(origin, |at| &origin[at..])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_preset_fits_the_page_and_shows_every_line() {
        for name in preset_names() {
            let rules = preset(name).unwrap();
            let shown = show(&rules);
            for row in shown.lines() {
                assert!(row.chars().count() <= PAGE, "{name}: {row}");
                assert_eq!(row.trim_end(), row, "{name}");
            }
            for line in &rules.lines {
                let starts = |row: &&str| row.starts_with(&line.class);
                assert!(
                    shown.lines().any(|row| starts(&row)) || line.class.len() > 9,
                    "{}",
                    line.id
                );
                let (_, number) = line.origin.split_once(", ").unwrap();
                assert!(shown.contains(number), "{}", line.id);
            }
            let marked = citations(&rules).any(|own| own.status == ReadStatus::FromMemory);
            assert_eq!(shown.contains("not seen in any source"), marked);
        }
    }

    #[test]
    fn feet_are_shown_where_only_they_are_round() {
        assert_eq!(metres(100.0 * FOOT_M), "30.48 m (100 ft)");
        assert_eq!(metres(250.0 * FOOT_M), "76.2 m (250 ft)");
        assert_eq!(metres(1250.0 * FOOT_M), "381 m");
        assert_eq!(metres(1.5), "1.5 m");
        assert_eq!(metres(0.0), "0 m");
    }

    #[test]
    fn formulas_and_slope_classes_are_words() {
        let formula = Width::Formula {
            base_m: 50.0 * FOOT_M,
            from_slope: 0.1,
            per_slope_m: 200.0 * FOOT_M,
            most_m: 230.0 * FOOT_M,
        };
        assert_eq!(
            words(&formula),
            "15.24 m (50 ft) + 0.61 m (2 ft) per % of slope above 10 %, at most 70.1 m (230 ft)"
        );
        let class = |slope: &str, width_m: f64| SlopeClass {
            slope: Range::parse(slope, |n| n.parse::<f64>().map_err(|e| e.to_string())).unwrap(),
            width_m,
        };
        let classes = Width::BySlope(vec![class("< 0.35", 15.0), class(">= 0.35", 30.0)]);
        assert_eq!(
            words(&classes),
            "15 m on slopes < 35 %\n30 m on slopes >= 35 %"
        );
    }
}
