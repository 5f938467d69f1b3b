//! Gaps and overlaps by regions against one feature after the other.

use proptest::prelude::*;

use super::*;
use crate::model::{Fact, Facts};

impl Space {
    /// One value of each fact that the region names, as `Facts` holds them.
    fn example(&self, region: &Region) -> Vec<(String, Fact)> {
        let axes = self.axes.iter().zip(&region.0);
        axes.filter_map(|(axis, cells)| {
            let fact = match axis.cells.get(cells.trailing_zeros() as usize)? {
                Cell::Flag(flag) => Fact::Flag(*flag),
                Cell::Word(word) => Fact::Text(word.clone()),
                Cell::OtherWord => Fact::Text("some other word".to_owned()),
                Cell::Number { inside, .. } => Fact::Number(*inside),
            };
            Some((axis.fact.clone(), fact))
        })
        .collect()
    }
}

fn range(text: &str) -> Test {
    let range = Range::parse(text, |n| n.parse().map_err(|_| "no".to_owned())).unwrap();
    Test::Range {
        range,
        unit: Unit::None,
    }
}

fn condition(fact: &str, test: Test) -> Condition {
    Condition {
        fact: fact.to_owned(),
        test,
    }
}

fn streams() -> Vec<Vec<Condition>> {
    let class = |fish: bool, channel: &str| {
        vec![
            condition("channel", range(channel)),
            condition("fish", Test::Flag(fish)),
        ]
    };
    vec![
        class(true, "> 5"),
        class(true, ">= 1.5 and <= 5"),
        class(false, "> 3"),
        class(false, "<= 3"),
    ]
}

fn compare(definitions: &[Vec<Condition>]) -> (Space, Vec<Region>) {
    let parts: Vec<&[Condition]> = definitions.iter().map(Vec::as_slice).collect();
    let space = Space::of(&parts).unwrap();
    let regions = parts.iter().map(|own| space.region(own)).collect();
    (space, regions)
}

#[test]
fn a_gap_is_told_in_few_words() {
    let (space, regions) = compare(&streams());
    let gaps = space.gaps(&regions).unwrap();
    let shown: Vec<String> = gaps.iter().map(|gap| space.show(gap)).collect();
    assert_eq!(shown, ["fish = yes and channel < 1.5"]);
}

#[test]
fn a_limit_that_belongs_to_neither_side_is_a_gap_and_to_both_an_overlap() {
    let (space, regions) = compare(&[
        vec![condition("area", range("< 5"))],
        vec![condition("area", range("> 5"))],
    ]);
    let gaps = space.gaps(&regions).unwrap();
    assert_eq!(gaps.len(), 1);
    assert_eq!(space.show(&gaps[0]), "area = 5");
    let (space, regions) = compare(&[
        vec![condition("area", range("<= 5"))],
        vec![condition("area", range(">= 5"))],
    ]);
    assert!(space.gaps(&regions).unwrap().is_empty());
    let both = regions[0].and(&regions[1]);
    assert_eq!(space.show(&both), "area = 5");
}

#[test]
fn words_and_mixed_facts() {
    let word = |word: &str| condition("flow", Test::OneOf(vec![word.to_owned()]));
    let (space, regions) = compare(&[vec![word("perennial")], vec![word("Intermittent")]]);
    let gaps = space.gaps(&regions).unwrap();
    assert_eq!(
        space.show(&gaps[0]),
        "flow other than perennial, Intermittent"
    );
    assert!(space.needs_other_word(&gaps[0]));
    let mixed = [
        vec![word("perennial")],
        vec![condition("flow", range("> 5"))],
    ];
    let parts: Vec<&[Condition]> = mixed.iter().map(Vec::as_slice).collect();
    let error = Space::of(&parts).unwrap_err();
    assert_eq!(
        error,
        NotCompared::Mixed {
            fact: "flow".to_owned()
        }
    );
}

#[test]
fn a_fact_that_stands_for_two_goes_with_them() {
    let flag = |fact: &str, asked: bool| condition(fact, Test::Flag(asked));
    let (space, regions) = compare(&[
        vec![flag("fish", true)],
        vec![flag("fish or watershed", false)],
    ]);
    assert_eq!(space.both(&regions[0], &regions[1]), Ok(None));
    let gaps = space.gaps(&regions).unwrap();
    let shown: Vec<String> = gaps.iter().map(|gap| space.show(gap)).collect();
    assert_eq!(shown, ["fish = no and fish or watershed = yes"]);
    let (space, regions) = compare(&[
        vec![flag("fish or watershed", false)],
        vec![flag("fish", true)],
        vec![flag("watershed", true)],
    ]);
    assert!(space.gaps(&regions).unwrap().is_empty());
    assert_eq!(space.both(&regions[0], &regions[2]), Ok(None));
    assert!(space.both(&regions[1], &regions[2]).unwrap().is_some());
}

fn any_test(fact: usize) -> BoxedStrategy<Test> {
    match fact {
        0 => any::<bool>().prop_map(Test::Flag).boxed(),
        1 => prop::sample::subsequence(vec!["I", "II", "III"], 1..=2)
            .prop_map(|words| Test::OneOf(words.into_iter().map(str::to_owned).collect()))
            .boxed(),
        _ => (0..4i32, 0..3i32, any::<bool>(), any::<bool>())
            .prop_map(|(low, more, a, b)| {
                let limit = |value: i32, included| Limit {
                    value: f64::from(value),
                    included,
                };
                let range = Range {
                    low: Some(limit(low, a)),
                    high: Some(limit(low + more, b || more == 0)),
                };
                let range = if range.is_empty() {
                    Range { low: None, ..range }
                } else {
                    range
                };
                Test::Range {
                    range,
                    unit: Unit::None,
                }
            })
            .boxed(),
    }
}

fn any_definition() -> impl Strategy<Value = Vec<Condition>> {
    const FACTS: [&str; 4] = ["fish", "site", "channel", "area"];
    prop::collection::vec(any::<bool>(), 4).prop_flat_map(|named| {
        let conditions: Vec<BoxedStrategy<Condition>> = (0..4)
            .filter(|at| named[*at])
            .map(|at| {
                any_test(at)
                    .prop_map(move |test| condition(FACTS[at], test))
                    .boxed()
            })
            .collect();
        conditions
    })
}

proptest! {
    /// Against every combination of values, tested one by one as the layout does it.
    #[test]
    fn gaps_and_overlaps_are_those_of_single_features(definitions in prop::collection::vec(any_definition(), 1..5)) {
        let (space, regions) = compare(&definitions);
        let gaps = space.gaps(&regions).unwrap();
        let numbers: Vec<f64> = (0..14)
            .map(|at| f64::from(at) / 2.0)
            .chain([7.0, 9.0, 11.0, 13.0])
            .collect();
        for fish in [true, false] {
            for site in ["i", "II", "III", "IV"] {
                for &channel in &numbers {
                    for &area in &numbers {
                        let facts = vec![
                            ("fish".to_owned(), Fact::Flag(fish)),
                            ("site".to_owned(), Fact::Text(site.to_owned())),
                            ("channel".to_owned(), Fact::Number(channel)),
                            ("area".to_owned(), Fact::Number(area)),
                        ];
                        let here = space.region(&facts.iter().map(|(name, fact)| {
                            let test = match fact {
                                Fact::Flag(flag) => Test::Flag(*flag),
                                Fact::Text(word) => Test::OneOf(vec![word.clone()]),
                                Fact::Number(n) => Test::Range {
                                    range: Range {
                                        low: Some(Limit { value: *n, included: true }),
                                        high: Some(Limit { value: *n, included: true }),
                                    },
                                    unit: Unit::None,
                                },
                            };
                            condition(name, test)
                        }).collect::<Vec<_>>());
                        // Between limits no cell stands for one number; only cells that do are compared.
                        if here.is_empty() {
                            continue;
                        }
                        let facts = Facts(facts);
                        let holds = |own: &Vec<Condition>| own.iter().all(|c| c.holds(&facts) == Some(true));
                        let held = definitions.iter().filter(|own| holds(own)).count();
                        let in_gap = gaps.iter().any(|gap| here.is_within(gap));
                        prop_assert_eq!(held == 0, in_gap, "{:?}", facts);
                        let claims = regions.iter().filter(|own| here.is_within(own)).count();
                        prop_assert_eq!(held, claims);
                    }
                }
            }
        }
        for gap in &gaps {
            let facts = Facts(space.example(gap));
            for own in &definitions {
                prop_assert!(own.iter().any(|c| c.holds(&facts) == Some(false)));
            }
        }
    }
}
