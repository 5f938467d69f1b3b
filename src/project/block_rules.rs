//! `[rules]` but for its lines: the project's own figures for whole blocks, each with its source.

use std::ops::Range;

use crate::rulebook::spanned::Spanned;

use super::figures::{FigureText, InfluenceTable, OccupancyTable, ShareOr};
use super::file::{RulesTable, ShareText};
use super::resolve::Context;
use super::settings::{metres, spacings};
use super::{ProjectError, Reason};
use crate::rulebook::values::{Area, Length, Share};
use crate::rulebook::{
    Citation, Cited, Influence, Occupancy, Place, ReadStatus, Rulebook, ShareOf, TomlFault,
    TrailWidth, TreeCount, TreeUnit,
};
use crate::units::HECTARE_M2;

type Given<T> = Option<Spanned<T>>;

const MOST_BAND_M: f64 = 2_000.0;
const MOST_CORRIDOR_M: f64 = 500.0;
const MOST_TREE_M: f64 = 120.0;
const MOST_DIAMETER_M: f64 = 5.0;
/// Beyond this an opening is a district.
const MOST_OPENING_HA: f64 = 10_000.0;
/// Beyond this a patch is a block.
const MOST_PATCH_HA: f64 = 20.0;

pub struct BlockFigures<'a> {
    pub context: &'a Context<'a>,
    pub common_source: Option<&'a str>,
    pub warnings: &'a mut Vec<String>,
}

impl BlockFigures<'_> {
    pub fn lay_over(
        &mut self,
        table: &RulesTable,
        rules: &mut Rulebook,
    ) -> Result<(), ProjectError> {
        fn put<T>(slot: &mut T, own: Option<T>) {
            if let Some(own) = own {
                *slot = own;
            }
        }
        put(
            &mut rules.retention_share,
            self.share("retention_share", &table.retention_share)?,
        );
        self.choices(table, rules)?;
        let block = &mut rules.block;
        let portfolio = self.share("portfolio_share", &table.portfolio_share)?;
        block.portfolio_share = portfolio.or(block.portfolio_share.take());
        let decks = self.share("deck_share", &table.deck_share)?;
        block.deck_share = decks.or(block.deck_share.take());
        if let Some(written) = &table.influence_share {
            block.influence = Some(self.influence(written, block.influence.as_ref())?);
        }
        if let Some(written) = &table.occupancy {
            block.occupancy = Some(self.occupancy(written, block.occupancy.as_ref())?);
        }
        let opening = ("largest_opening", (0.01, MOST_OPENING_HA));
        let opening = self.area(opening, &table.largest_opening)?;
        block.largest_opening_m2 = opening.or(block.largest_opening_m2.take());
        let patch = self.area(("least_patch", (0.0, MOST_PATCH_HA)), &table.least_patch)?;
        block.least_patch_m2 = patch.or(block.least_patch_m2.take());
        let spacings = self.spacings(&table.corridor_spacings)?;
        block.corridor_spacings = spacings.or(block.corridor_spacings.take());
        let corridor = (0.1, MOST_CORRIDOR_M);
        let band = (0.0, MOST_BAND_M);
        for (key, written, range, slot) in [
            (
                "deck_depth",
                &table.deck_depth,
                corridor,
                &mut block.deck_depth_m,
            ),
            (
                "corridor_min",
                &table.corridor_min,
                corridor,
                &mut block.corridor_min_m,
            ),
            (
                "corridor_max",
                &table.corridor_max,
                corridor,
                &mut block.corridor_max_m,
            ),
            ("road_band", &table.road_band, band, &mut block.road_band_m),
            (
                "road_band_fail",
                &table.road_band_fail,
                band,
                &mut block.road_band_fail_m,
            ),
        ] {
            if let Some(own) = self.length(key, written, range)? {
                *slot = Some(own);
            }
        }
        for (small, large) in [
            (
                ("corridor_min", &table.corridor_min, &block.corridor_min_m),
                ("corridor_max", &table.corridor_max, &block.corridor_max_m),
            ),
            (
                (
                    "road_band_fail",
                    &table.road_band_fail,
                    &block.road_band_fail_m,
                ),
                ("road_band", &table.road_band, &block.road_band_m),
            ),
        ] {
            self.must_not_exceed(small, large)?;
        }
        Ok(())
    }

    /// What the share is a share of; its source joins that of the share itself.
    fn choices(&mut self, table: &RulesTable, rules: &mut Rulebook) -> Result<(), ProjectError> {
        let mut words = Vec::new();
        if let Some(written) = &table.share_of {
            let (name, span, source) = written.get_ref().parts(written.span());
            let trees = TreeUnit::ALL.into_iter().find(|unit| unit.key() == name);
            let least_m = rules.share_trees.map_or(0.0, |trees| trees.least_m);
            (rules.share_of, rules.share_trees) = match (name.as_str(), trees) {
                ("net", _) => (ShareOf::Net, None),
                ("gross", _) => (ShareOf::Gross, None),
                (_, Some(unit)) => (ShareOf::Net, Some(TreeCount { unit, least_m })),
                (other, None) => {
                    let grounds = ["net", "gross"].into_iter();
                    let valid = grounds.chain(TreeUnit::ALL.map(TreeUnit::key));
                    let reason = Reason::UnknownChoice {
                        key: "share_of".to_owned(),
                        value: other.to_owned(),
                        valid: valid.map(str::to_owned).collect(),
                    };
                    return Err(self.context.error(span, reason));
                }
            };
            let of = match rules.share_trees {
                Some(trees) => trees.unit.words().to_owned(),
                None => format!("{name} area"),
            };
            words.push((format!("of the {of}"), source));
        }
        if let Some(written) = &table.least_diameter {
            let (length, span, source) = written.get_ref().parts(written.span());
            let length = Spanned::new(span, length.clone());
            let least_m = self.metres_within("least_diameter", &length, 0.0, MOST_DIAMETER_M)?;
            let Some(trees) = &mut rules.share_trees else {
                let reason = Reason::Contradiction {
                    message: "`least_diameter` is given, but the retention share is one of ground"
                        .to_owned(),
                    remedy: "give `share_of = \"stems\"`, \"basal_area\" or \"volume\", or leave it out; for a \
                             management zone give it in its `[[rules.line]]`"
                        .to_owned(),
                };
                return Err(self.context.error(written.span(), reason));
            };
            trees.least_m = least_m;
            let cm = (least_m * 1000.0).round() / 10.0;
            words.push((format!("of trees of {cm} cm and more"), source));
        }
        for (written, counts, [yes, no]) in [
            (
                &table.reserves_count,
                &mut rules.reserves_count,
                ["reserves count", "reserves do not count"],
            ),
            (
                &table.left_counts,
                &mut rules.left_counts,
                [
                    "ground left as too steep or soft counts",
                    "ground left as too steep or soft does not count",
                ],
            ),
        ] {
            let Some(written) = written else { continue };
            let (count, _, source) = written.get_ref().parts(written.span());
            *counts = *count;
            let said = if *count { yes } else { no };
            words.push((said.to_owned(), source));
        }
        for (said, source) in words {
            let source = match source {
                Some(own) => self.own_source(own)?,
                None => self.common_source.unwrap_or(NO_SOURCE).to_owned(),
            };
            let text = &mut rules.retention_share.citation.text;
            *text = format!("{text}; {said}: {source}");
        }
        let is_net = rules.share_of == ShareOf::Net && rules.share_trees.is_none();
        if table.share_of.is_some() && is_net && rules.reserves_count {
            self.warnings.push(
                "[rules] `share_of = \"net\"` has no effect: where reserves count, the share is one of the gross area"
                    .to_owned(),
            );
        }
        Ok(())
    }

    fn share(
        &mut self,
        key: &str,
        written: &Given<ShareText>,
    ) -> Result<Option<Cited<f64>>, ProjectError> {
        let Some(written) = written else {
            return Ok(None);
        };
        let (share, span, source) = match written.get_ref() {
            ShareText::Plain(share) => (share, written.span(), None),
            ShareText::Cited { value, source } => (value.get_ref(), value.span(), Some(source)),
        };
        let value = self.context.fraction_at(key, share, span)?;
        self.cited(key, value, written.span(), source).map(Some)
    }

    fn length(
        &mut self,
        key: &str,
        written: &Given<FigureText<Length>>,
        (lowest, highest): (f64, f64),
    ) -> Result<Option<Cited<f64>>, ProjectError> {
        let Some(written) = written else {
            return Ok(None);
        };
        let (length, span, source) = written.get_ref().parts(written.span());
        let length = Spanned::new(span, length.clone());
        let value = self.metres_within(key, &length, lowest, highest)?;
        self.cited(key, value, written.span(), source).map(Some)
    }

    fn spacings(
        &mut self,
        written: &Given<FigureText<f64>>,
    ) -> Result<Option<Cited<f64>>, ProjectError> {
        let Some(written) = written else {
            return Ok(None);
        };
        let (value, span, source) = written.get_ref().parts(written.span());
        let value = spacings(self.context, *value, span)?;
        self.cited("corridor_spacings", value, written.span(), source)
            .map(Some)
    }

    fn metres_within(
        &self,
        key: &str,
        length: &Spanned<Length>,
        lowest: f64,
        highest: f64,
    ) -> Result<f64, ProjectError> {
        let value = self.context.metres(key, length)?;
        if (lowest..=highest).contains(&value) {
            return Ok(value);
        }
        let reason = Reason::OutOfRange {
            key: key.to_owned(),
            value: metres(value),
            lowest: metres(lowest),
            highest: metres(highest),
        };
        Err(self.context.error(length.span(), reason))
    }

    fn area(
        &mut self,
        (key, (lowest, highest)): (&str, (f64, f64)),
        written: &Given<FigureText<Area>>,
    ) -> Result<Option<Cited<f64>>, ProjectError> {
        let Some(written) = written else {
            return Ok(None);
        };
        let (area, span, source) = written.get_ref().parts(written.span());
        let Some(value) = area.square_metres() else {
            let reason = Reason::NotA {
                key: key.to_owned(),
                value: area.0.to_string(),
                wanted: "an area; write for example \"60 ha\"",
            };
            return Err(self.context.error(span, reason));
        };
        let hectares = value / HECTARE_M2;
        if !(lowest..=highest).contains(&hectares) {
            let reason = Reason::OutOfRange {
                key: key.to_owned(),
                value: format!("{hectares} ha"),
                lowest: format!("{lowest} ha"),
                highest: format!("{highest} ha"),
            };
            return Err(self.context.error(span, reason));
        }
        self.cited(key, value, written.span(), source).map(Some)
    }

    fn influence(
        &mut self,
        written: &Spanned<ShareOr<InfluenceTable>>,
        base: Option<&Influence>,
    ) -> Result<Influence, ProjectError> {
        let key = "influence_share";
        let no_table = InfluenceTable::default();
        let (own, plain) = match written.get_ref() {
            ShareOr::Plain(share) => (&no_table, Some(share)),
            ShareOr::Table(table) => (table.as_ref(), None),
        };
        let given = [
            ("value", own.value.is_some() || plain.is_some()),
            ("tree_height", own.tree_height.is_some()),
            ("more_than", own.more_than.is_some()),
            ("forest_outside", own.forest_outside.is_some()),
        ];
        let old = base.map(|base| &base.share);
        let share = self.overlaid(
            key,
            written.span(),
            plain,
            &own.value,
            &own.source,
            &given,
            old,
        )?;
        let tree_height_m = match (&own.tree_height, base) {
            (Some(length), _) => self.metres_within("tree_height", length, 0.1, MOST_TREE_M)?,
            (None, Some(base)) => base.tree_height_m,
            (None, None) => {
                let reason = Reason::Contradiction {
                    message: "`influence_share` needs a `tree_height`: the rules have none"
                        .to_owned(),
                    remedy:
                        "write { value = \"...\", tree_height = \"25 m\", source = \"...\" }; trees stand for the ground \
                         within one height of them"
                            .to_owned(),
                };
                return Err(self.context.error(written.span(), reason));
            }
        };
        Ok(Influence {
            share,
            more_than: own
                .more_than
                .or(base.map(|base| base.more_than))
                .unwrap_or_default(),
            tree_height_m,
            forest_outside: own
                .forest_outside
                .or(base.map(|base| base.forest_outside))
                .unwrap_or_default(),
        })
    }

    fn occupancy(
        &mut self,
        written: &Spanned<ShareOr<OccupancyTable>>,
        base: Option<&Occupancy>,
    ) -> Result<Occupancy, ProjectError> {
        let key = "occupancy";
        let no_table = OccupancyTable::default();
        let (own, plain) = match written.get_ref() {
            ShareOr::Plain(share) => (&no_table, Some(share)),
            ShareOr::Table(table) => (table.as_ref(), None),
        };
        let given = [
            ("value", own.value.is_some() || plain.is_some()),
            ("less_than", own.less_than.is_some()),
            ("trail", own.trail.is_some()),
        ];
        let old = base.map(|base| &base.most);
        let most = self.overlaid(
            key,
            written.span(),
            plain,
            &own.value,
            &own.source,
            &given,
            old,
        )?;
        let trail = match &own.trail {
            None => base.map(|base| base.trail).unwrap_or_default(),
            Some(name) => match name.get_ref().as_str() {
                "track" => TrailWidth::Track,
                "strip" => TrailWidth::Strip,
                other => {
                    let reason = Reason::UnknownChoice {
                        key: "trail".to_owned(),
                        value: other.to_owned(),
                        valid: vec!["track".to_owned(), "strip".to_owned()],
                    };
                    return Err(self.context.error(name.span(), reason));
                }
            },
        };
        Ok(Occupancy {
            most,
            less_than: own
                .less_than
                .or(base.map(|base| base.less_than))
                .unwrap_or_default(),
            trail,
        })
    }

    /// A share of which some keys are the project's and the rest the rules'; the citation names both.
    #[expect(
        clippy::too_many_arguments,
        reason = "the parts of one table, taken apart by the two callers"
    )]
    fn overlaid(
        &mut self,
        key: &str,
        span: Range<usize>,
        plain: Option<&Share>,
        value: &Given<Share>,
        source: &Given<String>,
        given: &[(&str, bool)],
        old: Option<&Cited<f64>>,
    ) -> Result<Cited<f64>, ProjectError> {
        let names: Vec<&str> = given
            .iter()
            .filter(|(_, is)| *is)
            .map(|(k, _)| *k)
            .collect();
        if names.is_empty() {
            let keys: Vec<&str> = given.iter().map(|(key, _)| *key).collect();
            let reason = Reason::Contradiction {
                message: format!("`{key}` sets nothing"),
                remedy: format!("give {}, or remove it", keys.join(", ")),
            };
            return Err(self.context.error(span, reason));
        }
        let share = match (plain, value, old) {
            (Some(share), _, _) => self.context.fraction_at(key, share, span.clone())?,
            (None, Some(share), _) => self.context.fraction(key, share)?,
            (None, None, Some(old)) => old.value,
            (None, None, None) => {
                let fault = TomlFault::MissingKey {
                    key: "value".to_owned(),
                };
                return Err(self.context.error(span, Reason::Toml(fault)));
            }
        };
        let mut own = self.cited(key, share, span, source.as_ref())?;
        if let Some(old) = old.filter(|_| names.len() < given.len()) {
            own.citation.text = format!(
                "{} ({}); all else {} [{}]",
                own.citation.text,
                names.join(", "),
                old.citation.text,
                old.citation.status.key()
            );
            // A share known from memory only stays doubtful when the project sets something beside it.
            if names[0] != "value" {
                own.citation.status = old.citation.status;
            }
        }
        Ok(own)
    }

    fn cited(
        &mut self,
        key: &str,
        value: f64,
        span: Range<usize>,
        source: Option<&Spanned<String>>,
    ) -> Result<Cited<f64>, ProjectError> {
        let text = match (source, self.common_source) {
            (Some(own), _) => self.own_source(own)?,
            (None, Some(common)) => common.to_owned(),
            (None, None) => {
                self.warnings.push(format!(
                    "[rules] {key} names no source; write {{ value = \"...\", source = \"permit ...\" }}"
                ));
                NO_SOURCE.to_owned()
            }
        };
        let status = ReadStatus::Project;
        let line = Place::of(self.context.text, span).line;
        Ok(Cited {
            value,
            citation: Citation { text, status },
            origin: format!("project file, line {line}"),
        })
    }

    fn own_source(&self, source: &Spanned<String>) -> Result<String, ProjectError> {
        self.context.not_empty("source", source)?;
        Ok(source.get_ref().clone())
    }

    fn must_not_exceed(
        &self,
        (small_key, small_written, small): Bound<'_>,
        (large_key, large_written, large): Bound<'_>,
    ) -> Result<(), ProjectError> {
        let (Some(small), Some(large)) = (small, large) else {
            return Ok(());
        };
        if small.value <= large.value {
            return Ok(());
        }
        let span = small_written.as_ref().or(large_written.as_ref());
        let reason = Reason::Contradiction {
            message: format!(
                "`{small_key}` ({}, {}) is more than `{large_key}` ({}, {})",
                metres(small.value),
                small.origin,
                metres(large.value),
                large.origin
            ),
            remedy: format!("set both `{small_key}` and `{large_key}`"),
        };
        let span = span.map_or(0..0, Spanned::span);
        Err(self.context.error(span, reason))
    }
}

const NO_SOURCE: &str = "project file, without a source";

/// One of two lengths that must not contradict each other.
type Bound<'a> = (
    &'static str,
    &'a Given<FigureText<Length>>,
    &'a Option<Cited<f64>>,
);
