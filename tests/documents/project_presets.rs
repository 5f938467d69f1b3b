//! The presets as a whole: every figure cites a row of the published check values and says how it was read, and the
//! definitions of classes neither overlap nor leave anything out unsaid.

use crate::standards;

use std::collections::{BTreeMap, BTreeSet};

use blockwright::model::{Fact, Facts};
use blockwright::rulebook::{
    self, Citation, Limit, RULED_KINDS, ReadStatus, RuleLine, Rulebook, Test,
};
use standards::{FIXTURES, Rows, fixture};

fn presets() -> Vec<Rulebook> {
    let names = rulebook::preset_names().into_iter();
    names.map(|name| rulebook::preset(name).unwrap()).collect()
}

fn citations(book: &Rulebook) -> Vec<&Citation> {
    let block = &book.block;
    let mut all = vec![&book.retention_share.citation];
    let figures = [
        &block.portfolio_share,
        &block.largest_opening_m2,
        &block.least_patch_m2,
        &block.corridor_min_m,
        &block.corridor_max_m,
        &block.road_band_m,
        &block.road_band_fail_m,
    ];
    all.extend(figures.into_iter().flatten().map(|cited| &cited.citation));
    all.extend(block.influence.iter().map(|rule| &rule.share.citation));
    all.extend(block.occupancy.iter().map(|rule| &rule.most.citation));
    for line in &book.lines {
        all.push(&line.citation);
        all.extend(&line.share_citation);
    }
    all
}

#[test]
fn every_figure_of_a_code_cites_its_row_and_common_practice_cites_none() {
    let rows = Rows::new();
    let mut cited = 0;
    for book in presets().into_iter().chain(FIXTURES.map(fixture)) {
        for citation in citations(&book) {
            if citation.status == ReadStatus::CommonPractice {
                let names_a_row = |id: &String| citation.text.starts_with(id.as_str());
                assert!(!rows.by_id.keys().any(names_a_row), "{}", citation.text);
            } else {
                rows.assert_cited(citation, &[]);
                cited += 1;
            }
        }
    }
    assert!(cited > 80, "{cited}");
}

#[test]
fn a_line_without_a_source_asks_for_nothing() {
    for book in presets() {
        for line in &book.lines {
            let common = line.citation.status == ReadStatus::CommonPractice;
            assert!(
                !common || line.asks_for_nothing(),
                "{}: {}",
                book.preset,
                line.id
            );
        }
    }
}

/// The distances to a road that the trade keeps: 100 to 150 ft, which are 30.48 and 45.72 m.
#[test]
fn common_practice_is_the_road_band_and_nothing_else() {
    let book = rulebook::preset("common-practice").unwrap();
    let metres = |cited: &Option<rulebook::Cited<f64>>| cited.as_ref().unwrap().value;
    assert!((metres(&book.block.road_band_m) - 45.72).abs() < 1e-9);
    assert!((metres(&book.block.road_band_fail_m) - 30.48).abs() < 1e-9);
    assert!(book.lines.iter().all(RuleLine::asks_for_nothing));
    assert_eq!(book.retention_share.value, 0.0);
    assert_eq!(
        book.lines.len(),
        rulebook::preset("bare").unwrap().lines.len()
    );
}

/// The widest channel of a class, from the class definitions in the rows.
#[test]
fn channels_are_as_wide_as_the_class_allows() {
    let rules = rulebook::preset("bc-fppr").unwrap();
    let widest = |class: &str| {
        let line = rules.lines.iter().find(|line| line.class == class);
        line.unwrap().channel_up_to_m
    };
    assert_eq!(widest("S1-A"), None);
    assert_eq!(widest("S1-B"), None);
    assert_eq!(widest("S2"), Some(20.0));
    assert_eq!(widest("S3"), Some(5.0));
    assert_eq!(widest("S4"), Some(1.5));
    assert_eq!(widest("S5"), None);
    assert_eq!(widest("S6"), Some(3.0));
}

/// What is worth trying of a fact: each limit and its neighbours, each word and one that no line names, both flags.
fn samples(test: &Test) -> Vec<(String, Fact)> {
    match test {
        Test::Flag(_) => [true, false]
            .map(|up| (if up { "yes" } else { "no" }.to_owned(), Fact::Flag(up)))
            .to_vec(),
        Test::OneOf(words) => words
            .iter()
            .map(String::as_str)
            .chain(["another"])
            .map(|word| (word.to_owned(), Fact::Text(word.to_owned())))
            .collect(),
        Test::Range { range, unit } => [range.low, range.high]
            .into_iter()
            .flatten()
            .flat_map(|Limit { value, .. }| {
                let shown = unit.show(value);
                [
                    (format!("just below {shown}"), value.next_down()),
                    (shown.clone(), value),
                    (format!("just above {shown}"), value.next_up()),
                ]
            })
            .map(|(shown, value)| (shown, Fact::Number(value)))
            .collect(),
    }
}

/// Every combination of samples of the facts that lines of one kind look at, in words and as facts.
fn combinations(lines: &[&RuleLine]) -> Vec<(String, Facts)> {
    let mut by_fact: BTreeMap<&str, Vec<(String, Fact)>> = BTreeMap::new();
    for condition in lines.iter().flat_map(|line| &line.when) {
        for fact in condition.facts() {
            let known = by_fact.entry(fact).or_default();
            for sample in samples(&condition.test) {
                if !known.contains(&sample) {
                    known.push(sample);
                }
            }
        }
    }
    let mut all = vec![(String::new(), Facts::default())];
    for (fact, samples) in by_fact {
        let longer = all.iter().flat_map(|(words, facts)| {
            samples.iter().map(move |(shown, value)| {
                let mut facts = facts.clone();
                facts.offer(fact, value.clone());
                (format!("{words}, {fact} {shown}"), facts)
            })
        });
        all = longer.collect();
    }
    all
}

/// What meets no definition and has no line for every class; the widest line stands in there, and the findings say so.
const IN_NO_CLASS: [&str; 20] = [
    "ak-private lakes, water_type another",
    "ak-private streams, water_type another",
    "ak-public lakes, region another",
    "ak-public lakes, water_type another",
    "ak-public streams, region another",
    "ak-public streams, water_type another",
    "bc-fppr lakes, area just below 0.25 ha, dry_unit no",
    "bc-fppr lakes, area just below 0.25 ha, dry_unit yes",
    "bc-fppr power_lines, voltage_kv 0.75",
    "bc-fppr power_lines, voltage_kv just above 550",
    "bc-fppr power_lines, voltage_kv just below 0.75",
    "bc-fppr wetlands, area just below 0.25 ha, dry_unit no",
    "bc-fppr wetlands, area just below 0.25 ha, dry_unit yes",
    "ky-bmp streams, flow another",
    "mt-smz streams, erosion_risk another",
    "or-east streams, size another",
    "or-east streams, stream_type another",
    "or-west streams, size another",
    "or-west streams, stream_type another",
    "wa-wac streams, site_class another",
];

#[test]
fn definitions_of_classes_do_not_overlap_and_gaps_are_known() {
    let mut in_no_class = BTreeSet::new();
    let mut tried = 0;
    for book in presets() {
        for kind in RULED_KINDS {
            let of_kind = || book.lines.iter().filter(|line| line.kind == kind);
            let defined: Vec<&RuleLine> = of_kind().filter(|line| !line.when.is_empty()).collect();
            let for_all = of_kind().any(|line| line.class == "*" && line.when.is_empty());
            if defined.is_empty() {
                continue;
            }
            for (words, facts) in combinations(&defined) {
                let meets = |line: &&&RuleLine| {
                    let holds = |known: Option<bool>| known.expect("all facts are known");
                    line.when.iter().all(|test| holds(test.holds(&facts)))
                };
                let met: Vec<&str> = defined
                    .iter()
                    .filter(meets)
                    .map(|line| line.id.as_str())
                    .collect();
                let what = format!("{} {}{words}", book.preset, kind.key());
                assert!(met.len() <= 1, "{what}: {met:?}");
                if met.is_empty() && !for_all {
                    // A word that nobody names is told once, whatever else is known.
                    let unnamed = words.split(", ").filter(|part| part.ends_with(" another"));
                    let unnamed: Vec<&str> = unnamed.collect();
                    match unnamed[..] {
                        [] => in_no_class.insert(what),
                        [first, ..] => {
                            in_no_class.insert(format!("{} {}, {first}", book.preset, kind.key()))
                        }
                    };
                }
                tried += 1;
            }
        }
    }
    let known: BTreeSet<String> = IN_NO_CLASS.iter().map(|what| (*what).to_owned()).collect();
    assert_eq!(in_no_class, known);
    assert!(tried >= 150, "{tried}");
}
