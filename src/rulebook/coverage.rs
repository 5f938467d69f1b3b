//! Which features the definitions of classes stand for: gaps between them, and features that two of them claim.
//!
//! A definition changes its mind only at the limits and words that some definition names. So every fact is cut there:
//! a number into the limits themselves and what lies below, between and above them, words into each word and any other
//! word, a flag into yes and no. One cell of each fact makes a combination; a definition is a box of them. Boxes are
//! compared as a whole, so nothing is left out and few steps are needed.

use super::{Condition, Limit, Range, Test, Unit};

/// Most cells of one fact: the bits of a set.
const MOST_CELLS: usize = 128;
/// Most pieces that a gap may be cut into on the way.
const MOST_PIECES: usize = 20_000;

/// Why definitions can't be compared.
#[derive(Clone, Debug, PartialEq)]
pub enum NotCompared {
    /// The fact is a number here and a word or flag there, or numbers of different units.
    Mixed {
        fact: String,
    },
    TooMany,
}

/// Cells of one fact as bits.
type Cells = u128;

/// The cells of a flag.
const YES: Cells = 1;
const NO: Cells = 2;

/// For each fact of the space, the cells that are meant.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Region(Vec<Cells>);

impl Region {
    pub fn is_empty(&self) -> bool {
        self.0.contains(&0)
    }

    pub fn and(&self, other: &Region) -> Region {
        Region(self.0.iter().zip(&other.0).map(|(a, b)| a & b).collect())
    }

    fn is_within(&self, other: &Region) -> bool {
        self.0.iter().zip(&other.0).all(|(a, b)| a & !b == 0)
    }

    /// What is left without `other`, as regions that do not overlap.
    fn without(mut self, other: &Region) -> Vec<Region> {
        if self.and(other).is_empty() {
            return vec![self];
        }
        let mut left = Vec::new();
        for fact in 0..self.0.len() {
            let outside = self.0[fact] & !other.0[fact];
            if outside != 0 {
                let mut piece = self.clone();
                piece.0[fact] = outside;
                left.push(piece);
            }
            self.0[fact] &= other.0[fact];
        }
        left
    }
}

#[derive(Clone, Debug, PartialEq)]
enum Cell {
    Flag(bool),
    Word(String),
    OtherWord,
    Number { range: Range, inside: f64 },
}

#[derive(Clone, Debug)]
struct Axis {
    fact: String,
    unit: Unit,
    cells: Vec<Cell>,
}

/// Everything that features of one kind can be, as far as the definitions tell it apart.
#[derive(Clone, Debug)]
pub struct Space {
    axes: Vec<Axis>,
}

impl Space {
    /// Cuts every fact at the limits and words of these definitions.
    ///
    /// # Errors
    /// When one fact is compared in ways that don't go together, or has too many limits.
    pub fn of(definitions: &[&[Condition]]) -> Result<Space, NotCompared> {
        let mut facts: Vec<&str> = Vec::new();
        let conditions = || definitions.iter().flat_map(|own| own.iter());
        for condition in conditions() {
            if !facts.contains(&condition.fact.as_str()) {
                facts.push(&condition.fact);
            }
        }
        let axes = facts.into_iter().map(|fact| {
            let tests: Vec<&Test> = conditions()
                .filter(|condition| condition.fact == fact)
                .map(|condition| &condition.test)
                .collect();
            let axis = axis(fact, &tests).ok_or_else(|| NotCompared::Mixed {
                fact: fact.to_owned(),
            })?;
            if axis.cells.len() > MOST_CELLS {
                return Err(NotCompared::TooMany);
            }
            Ok(axis)
        });
        let mut axes = axes.collect::<Result<Vec<Axis>, NotCompared>>()?;
        // Messages read better with the numbers last: `fish = yes and channel < 1.5 m`.
        axes.sort_by_key(|axis| matches!(axis.cells.first(), Some(Cell::Number { .. })));
        Ok(Space { axes })
    }

    /// The combinations for which all conditions hold.
    pub fn region(&self, definition: &[Condition]) -> Region {
        let cells = self.axes.iter().map(|axis| {
            let mut held = full(axis);
            for condition in definition.iter().filter(|own| own.fact == axis.fact) {
                for (at, cell) in axis.cells.iter().enumerate() {
                    if !holds(&condition.test, cell) {
                        held &= !(1 << at);
                    }
                }
            }
            held
        });
        Region(cells.collect())
    }

    /// Combinations that no feature can be: `fish` is so and `fish or community_watershed` is not, or the other way.
    fn impossible(&self) -> Vec<Region> {
        let is_flag = |axis: &Axis| matches!(axis.cells.first(), Some(Cell::Flag(_)));
        let flag = |fact: &str| {
            let mut axes = self.axes.iter();
            axes.position(|axis| axis.fact == fact && is_flag(axis))
        };
        let everything = Region(self.axes.iter().map(full).collect());
        let mut found = Vec::new();
        for (whole, axis) in self.axes.iter().enumerate() {
            let parts: Vec<&str> = axis.fact.split(" or ").map(str::trim).collect();
            if parts.len() < 2 || !is_flag(axis) {
                continue;
            }
            let known: Vec<usize> = parts.iter().filter_map(|part| flag(part)).collect();
            for &part in &known {
                let mut one_of_none = everything.clone();
                one_of_none.0[whole] = NO;
                one_of_none.0[part] = YES;
                found.push(one_of_none);
            }
            if known.len() == parts.len() {
                let mut none_of_one = everything.clone();
                none_of_one.0[whole] = YES;
                known.iter().for_each(|&part| none_of_one.0[part] = NO);
                found.push(none_of_one);
            }
        }
        found
    }

    /// What both hold, as few words as can be; None when no feature is both.
    ///
    /// # Errors
    /// When it falls into too many pieces.
    pub fn both(&self, a: &Region, b: &Region) -> Result<Option<Region>, NotCompared> {
        let both = a.and(b);
        let possible = rest(both.clone(), &self.impossible())?;
        Ok((!possible.is_empty() && !both.is_empty()).then_some(both))
    }

    /// Whether nothing of `region` lies outside all of `others`.
    ///
    /// # Errors
    /// When the rest falls into too many pieces.
    pub fn is_taken(&self, region: &Region, others: &[Region]) -> Result<bool, NotCompared> {
        let mut others = others.to_vec();
        others.extend(self.impossible());
        Ok(rest(region.clone(), &others)?.is_empty())
    }

    /// What none of `regions` holds, as few regions as wide as can be; they may overlap.
    ///
    /// # Errors
    /// When the rest falls into too many pieces.
    pub fn gaps(&self, regions: &[Region]) -> Result<Vec<Region>, NotCompared> {
        let everything = Region(self.axes.iter().map(full).collect());
        let mut taken = regions.to_vec();
        taken.extend(self.impossible());
        let pieces = rest(everything, &taken)?;
        let mut wide: Vec<Region> = Vec::new();
        for piece in &pieces {
            // Which fact is let go first decides what the widest region is; both ends are tried.
            for order in [
                (0..self.axes.len()).collect::<Vec<usize>>(),
                (0..self.axes.len()).rev().collect(),
            ] {
                let widened = self.widened(piece, regions, &order);
                if !wide.contains(&widened) {
                    wide.push(widened);
                }
            }
        }
        let mut left: Vec<&Region> = pieces.iter().collect();
        let mut chosen = Vec::new();
        while !left.is_empty() {
            let taken = |region: &Region| left.iter().filter(|p| p.is_within(region)).count();
            // The first of equals, so from the back.
            let best = wide.iter().rev().max_by_key(|region| {
                let named = self.named(region);
                (taken(region), usize::MAX - named)
            });
            let Some(best) = best.filter(|best| taken(best) > 0).cloned() else {
                break;
            };
            left.retain(|piece| !piece.is_within(&best));
            chosen.push(best);
        }
        Ok(chosen)
    }

    fn widened(&self, piece: &Region, regions: &[Region], order: &[usize]) -> Region {
        let is_gap = |region: &Region| regions.iter().all(|own| own.and(region).is_empty());
        let mut wide = piece.clone();
        for &fact in order {
            let mut free = wide.clone();
            free.0[fact] = full(&self.axes[fact]);
            if is_gap(&free) {
                wide = free;
                continue;
            }
            for cell in 0..self.axes[fact].cells.len() {
                let mut more = wide.clone();
                more.0[fact] |= 1 << cell;
                if is_gap(&more) {
                    wide = more;
                }
            }
        }
        wide
    }

    /// Facts that the region does not leave free.
    fn named(&self, region: &Region) -> usize {
        let axes = self.axes.iter().zip(&region.0);
        axes.filter(|(axis, cells)| **cells != full(axis)).count()
    }

    /// Whether the region is only reached by a word that no definition names.
    pub fn needs_other_word(&self, region: &Region) -> bool {
        self.axes.iter().zip(&region.0).any(|(axis, cells)| {
            let last = axis.cells.len() - 1;
            axis.cells[last] == Cell::OtherWord && *cells == 1 << last
        })
    }

    /// `fish = yes and channel < 1.5 m`; `any features` where nothing is named.
    pub fn show(&self, region: &Region) -> String {
        let named = self
            .axes
            .iter()
            .zip(&region.0)
            .filter(|(axis, cells)| **cells != full(axis))
            .map(|(axis, cells)| axis.show(*cells))
            .collect::<Vec<_>>();
        if named.is_empty() {
            "any facts".to_owned()
        } else {
            named.join(" and ")
        }
    }
}

fn rest(region: Region, others: &[Region]) -> Result<Vec<Region>, NotCompared> {
    let mut left = vec![region];
    for other in others {
        left = left
            .into_iter()
            .flat_map(|own| own.without(other))
            .collect();
        if left.len() > MOST_PIECES {
            return Err(NotCompared::TooMany);
        }
    }
    Ok(left)
}

fn full(axis: &Axis) -> Cells {
    Cells::MAX >> (MOST_CELLS - axis.cells.len())
}

fn holds(test: &Test, cell: &Cell) -> bool {
    match (test, cell) {
        (Test::Flag(asked), Cell::Flag(known)) => asked == known,
        (Test::OneOf(words), Cell::Word(known)) => {
            words.iter().any(|word| word.eq_ignore_ascii_case(known))
        }
        (Test::Range { range, .. }, Cell::Number { inside, .. }) => range.contains(*inside),
        _ => false,
    }
}

/// None when the tests don't go together.
fn axis(fact: &str, tests: &[&Test]) -> Option<Axis> {
    let mut cells = Vec::new();
    let mut unit = Unit::None;
    match tests.first()? {
        Test::Flag(_) => {
            if !tests.iter().all(|test| matches!(test, Test::Flag(_))) {
                return None;
            }
            cells.extend([Cell::Flag(true), Cell::Flag(false)]);
        }
        Test::OneOf(_) => {
            for test in tests {
                let Test::OneOf(words) = test else {
                    return None;
                };
                for word in words {
                    let same = |cell: &Cell| matches!(cell, Cell::Word(own) if own.eq_ignore_ascii_case(word));
                    if !cells.iter().any(same) {
                        cells.push(Cell::Word(word.clone()));
                    }
                }
            }
            cells.push(Cell::OtherWord);
        }
        Test::Range { unit: first, .. } => {
            unit = *first;
            let mut limits = Vec::new();
            for test in tests {
                let Test::Range { range, unit: own } = test else {
                    return None;
                };
                if *own != unit {
                    return None;
                }
                limits.extend(range.low.iter().chain(&range.high).map(|l| l.value));
            }
            cells = number_cells(limits);
        }
    }
    Some(Axis {
        fact: fact.to_owned(),
        unit,
        cells,
    })
}

/// Below, at, between and above the limits. Where no limit is negative, no fact is.
fn number_cells(mut limits: Vec<f64>) -> Vec<Cell> {
    limits.sort_by(f64::total_cmp);
    limits.dedup();
    let (Some(&lowest), Some(&highest)) = (limits.first(), limits.last()) else {
        return vec![Cell::Number {
            range: Range::default(),
            inside: 0.0,
        }];
    };
    let limit = |value: f64, included: bool| Some(Limit { value, included });
    let mut cells = Vec::with_capacity(2 * limits.len() + 1);
    if lowest != 0.0 {
        cells.push(Cell::Number {
            range: Range {
                low: None,
                high: limit(lowest, false),
            },
            inside: if lowest > 0.0 {
                lowest / 2.0
            } else {
                lowest * 2.0 - 1.0
            },
        });
    }
    for (at, &value) in limits.iter().enumerate() {
        cells.push(Cell::Number {
            range: Range {
                low: limit(value, true),
                high: limit(value, true),
            },
            inside: value,
        });
        if let Some(&next) = limits.get(at + 1) {
            cells.push(Cell::Number {
                range: Range {
                    low: limit(value, false),
                    high: limit(next, false),
                },
                inside: value + (next - value) / 2.0,
            });
        }
    }
    cells.push(Cell::Number {
        range: Range {
            low: limit(highest, false),
            high: None,
        },
        inside: highest.abs() * 2.0 + 1.0,
    });
    cells
}

impl Axis {
    fn show(&self, cells: Cells) -> String {
        let has = |at: usize| cells & (1 << at) != 0;
        let fact = &self.fact;
        match self.cells.first() {
            Some(Cell::Flag(_)) => format!("{fact} = {}", if has(0) { "yes" } else { "no" }),
            Some(Cell::Number { .. }) => self.show_numbers(cells),
            _ => {
                let words = |held: bool| -> Vec<&str> {
                    let cells = self.cells.iter().enumerate();
                    cells
                        .filter_map(|(at, cell)| match cell {
                            Cell::Word(word) if has(at) == held => Some(word.as_str()),
                            _ => None,
                        })
                        .collect()
                };
                if has(self.cells.len() - 1) {
                    format!("{fact} other than {}", words(false).join(", "))
                } else {
                    format!("{fact} = {}", words(true).join(" or "))
                }
            }
        }
    }

    /// Neighbouring cells as one range.
    fn show_numbers(&self, cells: Cells) -> String {
        let mut ranges: Vec<(usize, Range)> = Vec::new();
        for (at, cell) in self.cells.iter().enumerate() {
            let Cell::Number { range, .. } = cell else {
                continue;
            };
            if cells & (1 << at) == 0 {
                continue;
            }
            match ranges.last_mut() {
                Some((end, run)) if *end + 1 == at => {
                    *end = at;
                    run.high = range.high;
                }
                _ => ranges.push((at, *range)),
            }
        }
        let number = |value: f64| self.unit.show(value);
        let shown = ranges
            .iter()
            .map(|(_, range)| match (range.low, range.high) {
                (Some(low), Some(high)) if low.value == high.value => {
                    format!("{} = {}", self.fact, number(low.value))
                }
                // No fact is below nought, so it need not be said.
                (
                    Some(Limit {
                        value: 0.0,
                        included: true,
                    }),
                    Some(_),
                ) => {
                    let range = Range {
                        low: None,
                        ..*range
                    };
                    format!("{} {}", self.fact, range.show(number))
                }
                _ => format!("{} {}", self.fact, range.show(number)),
            });
        shown.collect::<Vec<_>>().join(" or ")
    }
}

#[cfg(test)]
mod tests;
