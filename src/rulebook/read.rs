//! From a rulebook as written to rules in metres. Every fault is collected with its place, so that `rules check` can
//! list them all; whoever needs the rules themselves stops at the first.

use std::collections::BTreeMap;
use std::ops::Range as Span;

use crate::rulebook::spanned::Spanned;

use super::file::*;
use super::toml_text::{Place, did_you_mean};
use super::values::{Area, Length, Share};
use super::*;
use crate::model::{DaySpan, SpanError};
use crate::units::{HECTARE_M2, LengthUnit, parse_length};

/// Widest distance that is believed; beyond it a unit is wrong.
pub const MOST_WIDTH_M: f64 = 2_000.0;
/// Of a corridor, in distances from tree to tree: beyond this it is a stand of its own.
pub const MOST_SPACINGS: f64 = 20.0;
/// Steepest slope (rise over run) that is believed.
pub const MOST_SLOPE: f64 = 10.0;
/// Tallest tree that is believed.
const MOST_TREE_M: f64 = 120.0;
/// Thickest tree that is believed.
const MOST_DIAMETER_M: f64 = 5.0;
/// Most trees for one length of a bank.
const MOST_TREES: f64 = 10_000.0;

/// Whether a fault makes the rulebook unusable.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Severity {
    /// Nothing is wrong, but it may not be what was meant.
    Hint,
    /// The rulebook can be used, but somebody should look.
    Warning,
    Error,
}

/// One thing wrong with a rulebook.
#[derive(Clone, Debug, PartialEq)]
pub struct Fault {
    pub span: Span<usize>,
    pub severity: Severity,
    /// A stable word for the kind of fault.
    pub code: &'static str,
    pub message: String,
}

/// Reads parts of rulebooks; faults pile up in `faults`, and what could not be read is 0 or empty.
pub struct Reader<'a> {
    pub text: &'a str,
    /// What origins name: `preset bc-fppr`, `my-rules.toml`.
    pub origin: &'a str,
    /// The unit of bare numbers of length.
    pub unit: LengthUnit,
    pub documents: &'a BTreeMap<String, Spanned<String>>,
    pub faults: Vec<Fault>,
}

/// The keys that say where a figure is written.
#[derive(Clone, Copy)]
pub struct CitationKeys<'a> {
    pub cites: &'a Option<Spanned<String>>,
    pub document: &'a Option<Spanned<String>>,
    pub section: &'a Option<String>,
    pub source: &'a Option<String>,
    pub status: &'a Spanned<String>,
}

macro_rules! citation_keys {
    ($table:expr) => {
        CitationKeys {
            cites: &$table.cites,
            document: &$table.document,
            section: &$table.section,
            source: &$table.source,
            status: &$table.status,
        }
    };
}

impl<'a> Reader<'a> {
    pub fn new(
        text: &'a str,
        origin: &'a str,
        unit: LengthUnit,
        documents: &'a BTreeMap<String, Spanned<String>>,
    ) -> Reader<'a> {
        Reader {
            text,
            origin,
            unit,
            documents,
            faults: Vec::new(),
        }
    }

    pub fn fault(&mut self, span: Span<usize>, code: &'static str, message: String) {
        self.faults.push(Fault {
            span,
            severity: Severity::Error,
            code,
            message,
        });
    }

    pub fn warn(&mut self, span: Span<usize>, code: &'static str, message: String) {
        self.faults.push(Fault {
            span,
            severity: Severity::Warning,
            code,
            message,
        });
    }

    /// `preset bc-fppr, line 34`.
    pub fn origin_of(&self, span: &Span<usize>) -> String {
        let line = Place::of(self.text, span.clone()).line;
        format!("{}, line {line}", self.origin)
    }

    pub fn rulebook(&mut self, file: &RulebookFile, name: &str) -> Rulebook {
        let block = &file.block;
        let mut rules = Rulebook {
            preset: name.to_owned(),
            title: file.title.clone(),
            lines: Vec::with_capacity(file.line.len()),
            retention_share: self.cited(&block.retention_share, Reader::share),
            share_of: ShareOf::Net,
            share_trees: None,
            reserves_count: block.reserves_count,
            left_counts: block.left_counts,
            block: self.block(block),
        };
        (rules.share_of, rules.share_trees) = self.share_of(&block.share_of);
        self.least_diameter(&block.least_diameter, &mut rules.share_trees, &mut None);
        for table in &file.line {
            let line = self.line(table.get_ref(), table.span());
            let twin = rules.lines.iter().find(|other| {
                other.id == line.id
                    || (other.kind == line.kind && other.class.eq_ignore_ascii_case(&line.class))
            });
            if let Some(twin) = twin {
                let message = format!(
                    "line `{}` ({} {}) is there twice: see line `{}` ({} {})",
                    line.id,
                    line.kind.key(),
                    line.class,
                    twin.id,
                    twin.kind.key(),
                    twin.class
                );
                self.fault(table.span(), "twice", message);
            }
            rules.lines.push(line);
        }
        rules
    }

    fn block(&mut self, table: &BlockTable) -> BlockRules {
        let mut optional = |written: &Option<Spanned<CitedTable<Length>>>| {
            written
                .as_ref()
                .map(|cited| self.cited(cited, Reader::width_length))
        };
        let corridor_min_m = optional(&table.corridor_min);
        let corridor_max_m = optional(&table.corridor_max);
        let road_band_m = optional(&table.road_band);
        let road_band_fail_m = optional(&table.road_band_fail);
        let deck_depth_m = optional(&table.deck_depth);
        let rules = BlockRules {
            portfolio_share: table
                .portfolio_share
                .as_ref()
                .map(|cited| self.cited(cited, Reader::share)),
            influence: table
                .influence_share
                .as_ref()
                .map(|table| self.influence(table)),
            occupancy: table.occupancy.as_ref().map(|table| self.occupancy(table)),
            largest_opening_m2: table
                .largest_opening
                .as_ref()
                .map(|cited| self.cited(cited, Reader::area)),
            least_patch_m2: table
                .least_patch
                .as_ref()
                .map(|cited| self.cited(cited, Reader::area)),
            deck_share: table
                .deck_share
                .as_ref()
                .map(|cited| self.cited(cited, Reader::share)),
            deck_depth_m,
            corridor_min_m,
            corridor_max_m,
            corridor_spacings: table
                .corridor_spacings
                .as_ref()
                .map(|cited| self.cited(cited, Reader::spacings)),
            road_band_m,
            road_band_fail_m,
        };
        let too_little = |least: &Option<Cited<f64>>, most: &Option<Cited<f64>>| match (least, most)
        {
            (Some(least), Some(most)) => least.value > most.value,
            _ => false,
        };
        if too_little(&rules.corridor_min_m, &rules.corridor_max_m)
            && let Some(at) = &table.corridor_max
        {
            let message = "the widest corridor is narrower than the narrowest".to_owned();
            self.fault(at.span(), "impossible", message);
        }
        if too_little(&rules.road_band_fail_m, &rules.road_band_m)
            && let Some(at) = &table.road_band
        {
            let message =
                "the distance that fails is greater than the one that warns (`road_band`)"
                    .to_owned();
            self.fault(at.span(), "impossible", message);
        }
        rules
    }

    pub fn influence(&mut self, table: &Spanned<InfluenceTable>) -> Influence {
        let own = table.get_ref();
        let tree_height_m = self.length(&own.tree_height);
        if !(tree_height_m > 0.0 && tree_height_m <= MOST_TREE_M) {
            let message = format!("a tree of {tree_height_m} m is not believed");
            self.fault(own.tree_height.span(), "impossible", message);
        }
        Influence {
            share: Cited {
                value: self.share(&own.value),
                citation: self.citation(citation_keys!(own)),
                origin: self.origin_of(&table.span()),
            },
            more_than: own.more_than,
            tree_height_m,
            forest_outside: own.forest_outside,
        }
    }

    pub fn occupancy(&mut self, table: &Spanned<OccupancyTable>) -> Occupancy {
        let own = table.get_ref();
        Occupancy {
            most: Cited {
                value: self.share(&own.value),
                citation: self.citation(citation_keys!(own)),
                origin: self.origin_of(&table.span()),
            },
            less_than: own.less_than,
            trail: self.choice(
                "trail",
                &own.trail,
                &[("track", TrailWidth::Track), ("strip", TrailWidth::Strip)],
            ),
        }
    }

    /// A figure with its source; `read` reads the value.
    pub fn cited<T, V>(
        &mut self,
        cited: &Spanned<CitedTable<T>>,
        read: impl Fn(&mut Reader<'a>, &Spanned<T>) -> V,
    ) -> Cited<V> {
        let own = cited.get_ref();
        Cited {
            value: read(self, &own.value),
            citation: self.citation(citation_keys!(own)),
            origin: self.origin_of(&cited.span()),
        }
    }

    fn line(&mut self, table: &LineTable, span: Span<usize>) -> RuleLine {
        let kind = self.kind(&table.kind);
        for name in [&table.id, &table.class] {
            if name.get_ref().trim().is_empty() {
                let message = "an id or class may not be empty".to_owned();
                self.fault(name.span(), "empty", message);
            }
        }
        let (management_share, share_citation) = match &table.management_share {
            None => (0.0, None),
            Some(written) => match written.get_ref() {
                ShareText::Plain(share) => {
                    let share = Spanned::new(written.span(), share.clone());
                    (self.share(&share), None)
                }
                ShareText::Cited(cited) => (
                    self.share(&cited.value),
                    Some(self.citation(citation_keys!(cited))),
                ),
            },
        };
        let mut share_trees = self.trees_of(&table.share_of);
        let mut trees_per_length =
            (table.trees_per_length.as_ref()).map(|written| self.trees_per_length(written));
        self.least_diameter(
            &table.least_diameter,
            &mut share_trees,
            &mut trees_per_length,
        );
        let reserve = self.width(&table.reserve);
        let before = self.faults.len();
        let management = self.width_or_zero(&table.management);
        if never_narrower(&reserve, &management) {
            // What the zone loses on steeper ground, the reserve gains.
            let own = self.faults.split_off(before);
            self.faults
                .extend(own.into_iter().filter(|fault| fault.code != "narrower"));
        }
        if let Some(written) = table.management_share.as_ref()
            && management_share > 0.0
            && management.widest() == 0.0
        {
            let message =
                "a management share without a management width asks for nothing".to_owned();
            self.warn(written.span(), "idle", message);
        }
        if let Some(written) = &table.trees_per_length
            && management.widest() == 0.0
        {
            let message =
                "trees for each length of a bank ask for nothing without a management width"
                    .to_owned();
            self.warn(written.span(), "idle", message);
        }
        if let Some(written) = &table.share_of
            && table.management_share.is_none()
        {
            let message = "`share_of` without a `management_share` asks for nothing".to_owned();
            self.warn(written.span(), "idle", message);
        }
        RuleLine {
            id: table.id.get_ref().clone(),
            kind,
            class: table.class.get_ref().trim().to_owned(),
            title: table.title.clone(),
            definition: table.definition.clone(),
            when: self.conditions(&table.when),
            reserve,
            management,
            management_share,
            share_trees,
            trees_per_length,
            share_citation,
            machine_exclusion: self.width_or_zero(&table.machine_exclusion),
            distance: self.distance(&table.distance),
            measured_from: self.measured_from(&table.measured_from),
            channel_up_to_m: table
                .channel_up_to
                .as_ref()
                .map(|width| self.width_length(width)),
            road_use: RoadUse {
                decking: table.decking,
                machines: table.machines,
                cleared: table.cleared,
            },
            days: self.days(&table.open, &table.closed),
            window_within_m: table
                .within
                .as_ref()
                .map_or(0.0, |width| self.width_length(width)),
            citation: self.citation(citation_keys!(table)),
            origin: self.origin_of(&span),
        }
    }

    /// Of a block: the ground, and the trees on it if those are meant.
    pub fn share_of(&mut self, written: &Option<Spanned<String>>) -> (ShareOf, Option<TreeCount>) {
        let ground = [("net", ShareOf::Net), ("gross", ShareOf::Gross)];
        let ground = ground.map(|(key, of)| (key, (of, None)));
        let trees = TreeUnit::ALL.map(|unit| {
            let trees = TreeCount { unit, least_m: 0.0 };
            (unit.key(), (ShareOf::Net, Some(trees)))
        });
        let choices: Vec<_> = ground.into_iter().chain(trees).collect();
        self.choice("share_of", written, &choices)
    }

    /// Of a management zone: its ground, or its trees.
    pub fn trees_of(&mut self, written: &Option<Spanned<String>>) -> Option<TreeCount> {
        let trees = TreeUnit::ALL.map(|unit| (unit.key(), Some(TreeCount { unit, least_m: 0.0 })));
        let choices: Vec<_> = [("area", None)].into_iter().chain(trees).collect();
        self.choice("share_of", written, &choices)
    }

    /// The days on which ground may be worked.
    pub fn days(&mut self, open: &[Spanned<String>], closed: &[Spanned<String>]) -> OpenDays {
        let mut spans = |written: &[Spanned<String>]| -> Vec<DaySpan> {
            let mut found = Vec::new();
            for span in written {
                match span.get_ref().parse() {
                    Ok(own) => found.push(own),
                    Err(why) => self.fault(span.span(), "day", SpanError::to_string(&why)),
                }
            }
            found
        };
        OpenDays::of_spans(spans(open), spans(closed))
    }

    pub fn trees_per_length(&mut self, written: &Spanned<TreesPerLengthTable>) -> TreesPerLength {
        let own = written.get_ref();
        let (trees, per_m) = (*own.trees.get_ref(), self.width_length(&own.per));
        if !(trees > 0.0 && trees <= MOST_TREES) {
            let message = format!("{trees} trees are not believed");
            self.fault(own.trees.span(), "impossible", message);
        }
        if per_m <= 0.0 {
            let message = "a length of nothing; write for example \"100 ft\"".to_owned();
            self.fault(own.per.span(), "impossible", message);
        }
        TreesPerLength {
            trees,
            per_m,
            least_m: 0.0,
        }
    }

    /// Sets the diameter of what counts trees.
    pub fn least_diameter(
        &mut self,
        written: &Option<Spanned<Length>>,
        share: &mut Option<TreeCount>,
        per_length: &mut Option<TreesPerLength>,
    ) {
        let Some(written) = written else {
            return;
        };
        let least_m = self.length(written);
        if least_m > MOST_DIAMETER_M {
            let message = format!("a diameter of {least_m} m is not believed; is the unit right?");
            self.fault(written.span(), "impossible", message);
        }
        if share.is_none() && per_length.is_none() {
            let message = "`least_diameter` does nothing where no trees are counted (`share_of`, `trees_per_length`)";
            self.warn(written.span(), "idle-diameter", message.to_owned());
        }
        if let Some(share) = share {
            share.least_m = least_m;
        }
        if let Some(per_length) = per_length {
            per_length.least_m = least_m;
        }
    }

    pub fn kind(&mut self, written: &Spanned<String>) -> LayerKind {
        let known = LayerKind::from_key(written.get_ref()).filter(|k| RULED_KINDS.contains(k));
        known.unwrap_or_else(|| {
            let valid = RULED_KINDS.map(LayerKind::key);
            let hint = did_you_mean(written.get_ref(), &valid);
            let message = format!("no rules stand for `{}`; {hint}", written.get_ref());
            self.fault(written.span(), "unknown-choice", message);
            LayerKind::Streams
        })
    }

    pub fn distance(&mut self, written: &Option<Spanned<String>>) -> Distance {
        let choices = [
            ("horizontal", Distance::Horizontal),
            ("slope", Distance::Slope),
        ];
        self.choice("distance", written, &choices)
    }

    pub fn measured_from(&mut self, written: &Option<Spanned<String>>) -> MeasuredFrom {
        let choices = [
            ("bank", MeasuredFrom::Bank),
            ("stand_edge", MeasuredFrom::StandEdge),
            ("centreline", MeasuredFrom::Centreline),
        ];
        self.choice("measured_from", written, &choices)
    }

    pub fn choice<T: Copy + Default>(
        &mut self,
        key: &str,
        written: &Option<Spanned<String>>,
        choices: &[(&str, T)],
    ) -> T {
        let Some(written) = written else {
            return T::default();
        };
        let found = choices.iter().find(|(name, _)| name == written.get_ref());
        if let Some((_, value)) = found {
            return *value;
        }
        let names: Vec<&str> = choices.iter().map(|(name, _)| *name).collect();
        let hint = did_you_mean(written.get_ref(), &names);
        let message = format!("`{key}` cannot be `{}`; {hint}", written.get_ref());
        self.fault(written.span(), "unknown-choice", message);
        T::default()
    }

    pub fn share(&mut self, share: &Spanned<Share>) -> f64 {
        share.get_ref().fraction().unwrap_or_else(|error| {
            self.fault(share.span(), "wrong-value", error.to_string());
            0.0
        })
    }

    pub fn area(&mut self, area: &Spanned<Area>) -> f64 {
        area.get_ref().square_metres().unwrap_or_else(|| {
            let message = format!(
                "`{}` is no area; write for example \"60 ha\"",
                area.get_ref().0
            );
            self.fault(area.span(), "wrong-value", message);
            0.0
        })
    }

    /// Distances from tree to tree.
    fn spacings(&mut self, written: &Spanned<f64>) -> f64 {
        let spacings = *written.get_ref();
        if !(0.0..=MOST_SPACINGS).contains(&spacings) {
            let message =
                format!("{spacings} is beyond 0 to {MOST_SPACINGS} distances from tree to tree");
            self.fault(written.span(), "impossible", message);
        }
        spacings
    }

    pub fn length(&mut self, length: &Spanned<Length>) -> f64 {
        length.get_ref().metres(self.unit).unwrap_or_else(|error| {
            self.fault(length.span(), "wrong-value", error.to_string());
            0.0
        })
    }

    /// A length that may be the width of a zone.
    pub fn width_length(&mut self, length: &Spanned<Length>) -> f64 {
        let width_m = self.length(length);
        if width_m > MOST_WIDTH_M {
            let message = format!(
                "{width_m} m is beyond the {MOST_WIDTH_M} m that are believed; is the unit right?"
            );
            self.fault(length.span(), "impossible", message);
        }
        width_m
    }

    fn width_or_zero(&mut self, written: &Option<Spanned<WidthText>>) -> Width {
        written
            .as_ref()
            .map_or_else(Width::default, |width| self.width(width))
    }

    pub fn width(&mut self, written: &Spanned<WidthText>) -> Width {
        match written.get_ref() {
            WidthText::Plain(length) => {
                let length = Spanned::new(written.span(), length.clone());
                Width::Metres(self.width_length(&length))
            }
            WidthText::Classes(classes) => self.slope_classes(classes, written.span()),
            WidthText::Formula(formula) => self.formula(formula),
        }
    }

    fn formula(&mut self, formula: &FormulaTable) -> Width {
        let base_m = self.width_length(&formula.base);
        let most_m = self.width_length(&formula.most);
        if most_m < base_m {
            let message = "the formula's greatest width is less than its base".to_owned();
            self.fault(formula.most.span(), "impossible", message);
        }
        Width::Formula {
            base_m,
            from_slope: self.share(&formula.from_slope),
            per_slope_m: self.length(&formula.per_percent) * 100.0,
            most_m,
        }
    }

    /// Classes must take level ground first and follow one another without a gap or an overlap.
    fn slope_classes(&mut self, classes: &[Spanned<SlopeClassTable>], span: Span<usize>) -> Width {
        let mut read = Vec::with_capacity(classes.len());
        let mut all_widths = true;
        for class in classes {
            let own = class.get_ref();
            let faults = self.faults.len();
            let width_m = self.width_length(&own.width);
            // A width that could not be read is 0, and no less than the one before it.
            all_widths &= self.faults.len() == faults;
            match Range::parse(own.slope.get_ref(), slope_number) {
                Ok(slope) => read.push((SlopeClass { slope, width_m }, own.slope.span())),
                Err(message) => self.fault(own.slope.span(), "wrong-value", message),
            }
        }
        let whole = read.len() == classes.len();
        let start = |class: &SlopeClass| {
            let low = class.slope.low.unwrap_or(Limit {
                value: f64::NEG_INFINITY,
                included: true,
            });
            (low.value, !low.included)
        };
        read.sort_by(|(a, _), (b, _)| {
            let (a, b) = (start(a), start(b));
            a.0.total_cmp(&b.0).then(a.1.cmp(&b.1))
        });
        if whole {
            self.seams(&read, span, all_widths);
        }
        Width::BySlope(read.into_iter().map(|(class, _)| class).collect())
    }

    fn seams(
        &mut self,
        classes: &[(SlopeClass, Span<usize>)],
        whole: Span<usize>,
        compare_widths: bool,
    ) {
        let percent = |value: f64| Unit::Percent.show(value);
        let Some(((first, first_span), (last, last_span))) = classes.first().zip(classes.last())
        else {
            self.fault(
                whole,
                "gap",
                "a list of slope classes needs at least one".to_owned(),
            );
            return;
        };
        if first
            .slope
            .low
            .is_some_and(|low| low.value > 0.0 || (low.value == 0.0 && !low.included))
        {
            let message =
                "no class stands for level ground: let the first begin with `<` or `>= 0 %`"
                    .to_owned();
            self.fault(first_span.clone(), "gap", message);
        }
        if let Some(high) = last.slope.high {
            let message = format!("no class stands for slopes beyond {}", percent(high.value));
            self.fault(last_span.clone(), "gap", message);
        }
        for pair in classes.windows(2) {
            let [(below, _), (above, span)] = pair else {
                continue;
            };
            let end = below.slope.high;
            let begin = above.slope.low;
            let (Some(end), Some(begin)) = (end, begin) else {
                let message = format!(
                    "slope classes `{}` and `{}` overlap",
                    below.slope.show(percent),
                    above.slope.show(percent)
                );
                self.fault(span.clone(), "overlap", message);
                continue;
            };
            let both = end.included && begin.included;
            let neither = !end.included && !begin.included;
            if begin.value < end.value || (begin.value == end.value && both) {
                let message = format!(
                    "slope classes `{}` and `{}` overlap",
                    below.slope.show(percent),
                    above.slope.show(percent)
                );
                self.fault(span.clone(), "overlap", message);
            } else if begin.value > end.value {
                let message = format!(
                    "no class stands for slopes between {} and {}",
                    percent(end.value),
                    percent(begin.value)
                );
                self.fault(span.clone(), "gap", message);
            } else if neither {
                let message = format!(
                    "no class stands for a slope of exactly {}",
                    percent(end.value)
                );
                self.fault(span.clone(), "gap", message);
            }
            if compare_widths && above.width_m < below.width_m {
                let message = format!(
                    "steeper ground gets less: {} m after {} m",
                    above.width_m, below.width_m
                );
                self.warn(span.clone(), "narrower", message);
            }
        }
    }

    pub fn conditions(
        &mut self,
        when: &BTreeMap<String, Spanned<ConditionText>>,
    ) -> Vec<Condition> {
        let mut conditions = Vec::with_capacity(when.len());
        for (fact, written) in when {
            let test = match written.get_ref() {
                ConditionText::Flag(flag) => Some(Test::Flag(*flag)),
                ConditionText::Several(words) => Some(Test::OneOf(words.clone())),
                ConditionText::Text(text) if text.trim_start().starts_with(['<', '>', '=']) => {
                    let unit = std::cell::Cell::new(Unit::None);
                    match Range::parse(text, |number| fact_number(number, &unit)) {
                        Ok(range) => Some(Test::Range {
                            range,
                            unit: unit.get(),
                        }),
                        Err(message) => {
                            self.fault(written.span(), "wrong-value", message);
                            None
                        }
                    }
                }
                ConditionText::Text(word) => Some(Test::OneOf(vec![word.clone()])),
            };
            if fact.contains(" or ") && !matches!(test, None | Some(Test::Flag(_))) {
                let message = format!("`{fact}` is compared with true or false");
                self.fault(written.span(), "wrong-value", message);
            }
            if let Some(test) = &test
                && let Some(wanted) = self.wrong_unit(fact, test)
            {
                let message = format!("`{fact}` is compared with {wanted}");
                self.fault(written.span(), "wrong-value", message);
            }
            conditions.extend(test.map(|test| Condition {
                fact: fact.clone(),
                test,
            }));
        }
        conditions
    }

    /// The two facts that come from the feature itself have units of their own.
    fn wrong_unit(&self, fact: &str, test: &Test) -> Option<&'static str> {
        let unit = match test {
            Test::Range { unit, .. } => Some(*unit),
            _ => None,
        };
        match fact {
            "channel" if unit != Some(Unit::Metre) => {
                Some("lengths, for example \"> 5 m and <= 20 m\"")
            }
            "area" if unit != Some(Unit::Hectare) => Some("areas, for example \"> 5 ha\""),
            _ => None,
        }
    }

    /// A published figure needs a document or words; common practice needs words.
    pub fn citation(&mut self, keys: CitationKeys<'_>) -> Citation {
        let span = keys.status.span();
        let valid = [
            ReadStatus::ReadInSource,
            ReadStatus::Secondary,
            ReadStatus::FromMemory,
            ReadStatus::CommonPractice,
        ];
        let known = valid.iter().find(|s| s.key() == keys.status.get_ref());
        let status = known.copied().unwrap_or_else(|| {
            let hint = did_you_mean(keys.status.get_ref(), &valid.map(ReadStatus::key));
            let message = format!("unknown status `{}`; {hint}", keys.status.get_ref());
            self.fault(span.clone(), "unknown-choice", message);
            ReadStatus::FromMemory
        });
        let mut parts = Vec::new();
        if let Some(document) = keys.document {
            match self.documents.get(document.get_ref()) {
                Some(text) if text.get_ref().trim().is_empty() => {
                    let message = format!("document `{}` has no words", document.get_ref());
                    self.fault(text.span(), "no-source", message);
                }
                Some(text) => parts.push(text.get_ref().clone()),
                None => {
                    let names: Vec<&String> = self.documents.keys().collect();
                    let hint = did_you_mean(document.get_ref(), &names);
                    let message = format!("no document `{}`; {hint}", document.get_ref());
                    self.fault(document.span(), "no-source", message);
                }
            }
        }
        parts.extend(keys.section.clone());
        parts.extend(keys.source.clone());
        parts.retain(|part| !part.trim().is_empty());
        if parts.is_empty() && keys.document.is_none() {
            let message = "a figure without a source: give `document` or `source`".to_owned();
            self.fault(span, "no-source", message);
        }
        let text = parts.join(", ");
        let text = match keys.cites {
            Some(cites) => format!("{}: {text}", cites.get_ref()),
            None => text,
        };
        Citation { text, status }
    }
}

/// Whether reserve and management zone together never reach less far on steeper ground.
fn never_narrower(reserve: &Width, management: &Width) -> bool {
    let mut slopes = vec![0.0];
    for width in [reserve, management] {
        if let Width::BySlope(classes) = width {
            let limits = classes
                .iter()
                .flat_map(|class| [class.slope.low, class.slope.high]);
            slopes.extend(
                limits.flatten().flat_map(|limit| {
                    [limit.value.next_down(), limit.value, limit.value.next_up()]
                }),
            );
        }
    }
    slopes.sort_by(f64::total_cmp);
    let reach = |slope: &f64| reserve.at(Some(*slope)) + management.at(Some(*slope));
    slopes.windows(2).all(|pair| match pair {
        [gentle, steep] => reach(gentle) <= reach(steep),
        _ => true,
    })
}

/// `35 %` or 0.35 as rise over run.
fn slope_number(text: &str) -> Result<f64, String> {
    let (number, divisor) = match text.strip_suffix('%') {
        Some(percent) => (percent.trim(), 100.0),
        None => (text, 1.0),
    };
    let slope = number.parse::<f64>().map(|value| value / divisor);
    match slope {
        Ok(slope) if (0.0..=MOST_SLOPE).contains(&slope) => Ok(slope),
        _ => Err(format!(
            "`{text}` is no slope; write for example \"35 %\" (of rise over run)"
        )),
    }
}

/// A limit of a fact with its unit; both limits of a range must be of one kind.
fn fact_number(text: &str, unit: &std::cell::Cell<Unit>) -> Result<f64, String> {
    let not_a_number = || format!("`{text}` is no number, length, area or percentage");
    let (value, found) = if let Some(number) = text.strip_suffix("ha") {
        let number: f64 = number.trim().parse().map_err(|_| not_a_number())?;
        (number * HECTARE_M2, Unit::Hectare)
    } else if let Some(number) = text.strip_suffix('%') {
        let number: f64 = number.trim().parse().map_err(|_| not_a_number())?;
        (number / 100.0, Unit::Percent)
    } else if let Ok(number) = text.parse::<f64>() {
        (number, Unit::None)
    } else {
        let metres = parse_length(text, LengthUnit::Metre).map_err(|_| not_a_number())?;
        (metres, Unit::Metre)
    };
    if !value.is_finite() {
        return Err(not_a_number());
    }
    unit.set(found);
    Ok(value)
}
