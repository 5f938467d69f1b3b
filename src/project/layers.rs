//! `[layers]`: paths, attributes, constants and classes of each source.

use std::ops::Range;
use std::path::{Path, PathBuf};

use crate::rulebook::spanned::Spanned;

use super::file::{AttributeItem, AttributeText, LayerTable};
use super::filter;
use super::plain_file::{Found, beside, look, why_not_plain};
use super::resolve::{Context, crs};
use super::settings::{MOST_STEMS_PER_HA, MOST_TREE_M3};
use super::{Attribute, AttributeSource, LayerSource, ProjectError, Reason, SlopeUnit, Whose};
use crate::model::{DaySpan, Facts, LayerKind, Position, WindowWords, published_m};
use crate::rulebook::toml_text::{did_you_mean, nearest};
use crate::rulebook::values::{Constant, Length, Share, Written};
use crate::rulebook::{KEPT_FACTS, RULED_KINDS, RoadUse, Rulebook};
use crate::units::Percent;

/// More wood than a whole season's, m3.
pub const MOST_CAPACITY_M3: f64 = 1e6;
/// Places in an order that a planner gives.
pub const MOST_ORDER: f64 = 9999.0;

/// As many as are read of one layer.
pub const MOST_FEATURES: u64 = 20_000_000;

/// Only the tables of these leave their code page open.
pub fn is_shapefile(source: &str) -> bool {
    let ending = Path::new(source).extension();
    ending.is_some_and(|own| ["shp", "dbf"].iter().any(|e| own.eq_ignore_ascii_case(e)))
}

pub struct Resolver<'a> {
    pub context: &'a Context<'a>,
    /// Key under `[layers]`.
    pub role: &'static str,
    pub look_for_files: bool,
    /// Names of the project's windows.
    pub windows: &'a [&'a str],
}

/// A path taken from the project file's folder, if it is plain and, should files be looked for, there.
pub fn plain_path(
    context: &Context<'_>,
    whose: Whose,
    source: &Spanned<String>,
    look_for_files: bool,
) -> Result<PathBuf, ProjectError> {
    let text = source.get_ref();
    let not_plain = |why| {
        let reason = Reason::NotAPlainFile {
            whose,
            source_text: text.clone(),
            why,
        };
        context.error(source.span(), reason)
    };
    if let Some(why) = why_not_plain(text) {
        return Err(not_plain(why));
    }
    let folder = context.path.parent().unwrap_or(Path::new(""));
    let path = folder.join(text);
    if !look_for_files || context.excused.contains(&source.span().start) {
        return Ok(path);
    }
    match look(&path) {
        Found::File => Ok(path),
        Found::NoFile => Err(not_plain("it is a folder, a device or a pipe")),
        Found::Nothing => {
            let name = path.file_name().map(|name| name.to_string_lossy());
            let beside = beside(&path);
            let near = name.and_then(|name| nearest(&name, &beside).map(str::to_owned));
            let reason = Reason::MissingFile {
                whose,
                resolved: path.display().to_string(),
                near,
            };
            Err(context.error(source.span(), reason))
        }
    }
}

/// Published figures are radial errors at this confidence.
const AT_95: f64 = 0.95;

/// The kind of source that all of a layer comes from, where its accuracy names one.
fn named(table: &LayerTable) -> Option<Position> {
    let written = table.accuracy.as_ref()?;
    let AttributeText::One(AttributeItem::Constant(constant)) = written.get_ref() else {
        return None;
    };
    let position: Position = constant.get_ref().0.to_string().parse().ok()?;
    matches!(position, Position::Kind(_)).then_some(position)
}

impl Resolver<'_> {
    /// The path of a source, if it is plain and, should files be looked for, there.
    pub fn path(&self, source: &Spanned<String>) -> Result<PathBuf, ProjectError> {
        let whose = Whose::Layer(self.role);
        plain_path(self.context, whose, source, self.look_for_files)
    }

    pub fn layer(
        &self,
        kind: LayerKind,
        table: &LayerTable,
        rules: &Rulebook,
        warnings: &mut Vec<String>,
    ) -> Result<LayerSource, ProjectError> {
        let context = self.context;
        let slope_unit = self.slope_unit(&table.slope_unit)?;
        let layer = LayerSource {
            kind,
            path: self.path(&table.source)?,
            source: table.source.get_ref().clone(),
            layer: table.layer.clone(),
            filter: self.filter(&table.filter)?,
            crs: crs(context, &table.crs)?,
            encoding: self.encoding(&table.encoding)?,
            features: self.features(&table.features)?,
            id: self.attribute("id", &table.id, |_| Ok(()))?,
            class: self.attribute("class", &table.class, |constant| {
                let class = constant.get_ref().0.to_string();
                if table.class_map.contains_key(&class) {
                    return Ok(());
                }
                self.known_class(kind, &class, constant.span(), rules)
            })?,
            class_map: table
                .class_map
                .iter()
                .map(|(read, class)| (read.clone(), class.get_ref().clone()))
                .collect(),
            width: self.attribute("width", &table.width, |constant| {
                self.length("width", constant)
            })?,
            azimuth: self.attribute("azimuth", &table.azimuth, |constant| {
                self.number("azimuth", constant, 360.0)
            })?,
            stems_per_ha: self.attribute("stems_per_ha", &table.stems_per_ha, |constant| {
                self.number("stems_per_ha", constant, MOST_STEMS_PER_HA)
            })?,
            tree_m3: self.attribute("tree_m3", &table.tree_m3, |constant| {
                self.number("tree_m3", constant, MOST_TREE_M3)
            })?,
            facts: self.facts_and_people(kind, table, rules, warnings)?,
            fringe: self.attribute("fringe", &table.fringe, |constant| {
                self.length("fringe", constant)
            })?,
            slope: self.attribute("slope", &table.slope, |constant| {
                let text = constant.get_ref().0.to_string();
                if table.slope_map.contains_key(&text) {
                    return Ok(());
                }
                self.steepest("slope", constant, slope_unit).map(drop)
            })?,
            slope_unit,
            slope_map: table
                .slope_map
                .iter()
                .map(|(read, slope)| {
                    let slope = self.steepest("slope_map", slope, slope_unit)?;
                    Ok((read.trim().to_owned(), slope))
                })
                .collect::<Result<_, ProjectError>>()?,
            portfolio: self.attribute("portfolio", &table.portfolio, |_| Ok(()))?,
            machine_free: self.attribute("machine_free", &table.machine_free, |constant| {
                self.length("machine_free", constant)
            })?,
            capacity: self.attribute("capacity", &table.capacity, |constant| {
                self.number("capacity", constant, MOST_CAPACITY_M3)
            })?,
            tree_height: self.attribute("tree_height", &table.tree_height, |constant| {
                self.length("tree_height", constant)
            })?,
            accuracy: self.accuracy(kind, table)?,
            accuracy_confidence: match self.confidence(&table.accuracy_confidence)? {
                None if named(table).is_some() => Some(AT_95),
                confidence => confidence,
            },
            accuracy_source: match &table.accuracy_source {
                Some(own) => Some(own.get_ref().clone()),
                None => named(table).map(|kind| kind.published().to_owned()),
            },
            line: self.line_source(kind, table, warnings)?,
            outlet: self.attribute("outlet", &table.outlet, |_| Ok(()))?,
            order: self.attribute("order", &table.order, |constant| {
                self.number("order", constant, MOST_ORDER)
            })?,
            pattern: self.attribute("pattern", &table.pattern, |constant| {
                let written = constant.get_ref().0.to_string();
                super::settings::pattern(context, &written, constant.span()).map(drop)
            })?,
        };
        for class in table.class_map.values() {
            self.known_class(kind, class.get_ref(), class.span(), rules)?;
        }
        self.warn_of_idle_keys(&layer, table, warnings);
        Ok(layer)
    }

    /// Drivers differ in what they make of a second statement: some leave it out without a word.
    fn filter(&self, written: &Option<Spanned<String>>) -> Result<Option<String>, ProjectError> {
        let Some(written) = written else {
            return Ok(None);
        };
        let filter = written.get_ref();
        if filter.trim().is_empty() {
            return Ok(None);
        }
        match filter::why_no_condition(filter) {
            Some(why) => {
                let filter = filter.clone();
                Err(self
                    .context
                    .error(written.span(), Reason::WrongFilter { filter, why }))
            }
            None => Ok(Some(filter.clone())),
        }
    }

    /// How far features may be off, which counts only with where that is written.
    fn accuracy(&self, kind: LayerKind, table: &LayerTable) -> Result<Attribute, ProjectError> {
        let Some(written) = &table.accuracy else {
            return Ok(Attribute::default());
        };
        let accuracy =
            self.attribute(
                Facts::ACCURACY,
                &table.accuracy,
                |constant| match published_m(&constant.get_ref().0.to_string()) {
                    Some(Ok(_)) => Ok(()),
                    Some(Err(message)) => {
                        let reason = Reason::Contradiction {
                            message,
                            remedy: "such as `accuracy = { value = \"0.1 m\" }`, with its source"
                                .to_owned(),
                        };
                        Err(self.context.error(constant.span(), reason))
                    }
                    None => self.length(Facts::ACCURACY, constant),
                },
            )?;
        if let (Some(_), Some(confidence)) = (named(table), &table.accuracy_confidence)
            && self.context.fraction("accuracy_confidence", confidence)? != AT_95
        {
            let reason = Reason::Contradiction {
                message: format!(
                    "[layers.{}] names a kind of source, whose figure is one at 95 %",
                    self.role
                ),
                remedy: "leave `accuracy_confidence` out".to_owned(),
            };
            return Err(self.context.error(confidence.span(), reason));
        }
        match &table.accuracy_source {
            Some(source) => self.context.not_empty("accuracy_source", source)?,
            None if named(table).is_some() => {}
            None if kind.takes_accuracy() => {
                let reason = Reason::Contradiction {
                    message: format!("[layers.{}] has an `accuracy`, and nothing says where that is written", self.role),
                    remedy: "name it as `accuracy_source`: the survey's report, the maker's figure, a standard".to_owned(),
                };
                return Err(self.context.error(written.span(), reason));
            }
            None => {}
        }
        Ok(accuracy)
    }

    fn confidence(&self, written: &Option<Spanned<Share>>) -> Result<Option<f64>, ProjectError> {
        let Some(written) = written else {
            return Ok(None);
        };
        let share = self.context.fraction("accuracy_confidence", written)?;
        if share <= 0.0 || share >= 1.0 {
            let reason = Reason::OutOfRange {
                key: "accuracy_confidence".to_owned(),
                value: Percent(share).to_string(),
                lowest: "more than 0 %".to_owned(),
                highest: "less than 100 %".to_owned(),
            };
            return Err(self.context.error(written.span(), reason));
        }
        Ok(Some(share))
    }

    fn encoding(&self, written: &Option<Spanned<String>>) -> Result<Option<String>, ProjectError> {
        let Some(written) = written else {
            return Ok(None);
        };
        let name = written.get_ref().trim();
        let plain = |letter: char| letter.is_ascii_alphanumeric() || "-_.:".contains(letter);
        if name.is_empty() || !name.chars().all(plain) {
            let reason = Reason::NotA {
                key: "encoding".to_owned(),
                value: name.to_owned(),
                wanted: "the name of a code page, such as \"CP1252\" or \"UTF-8\"",
            };
            return Err(self.context.error(written.span(), reason));
        }
        Ok(Some(name.to_owned()))
    }

    fn features(&self, written: &Option<Spanned<i64>>) -> Result<Option<u64>, ProjectError> {
        let Some(written) = written else {
            return Ok(None);
        };
        let number = *written.get_ref();
        let count = u64::try_from(number).ok().filter(|n| *n <= MOST_FEATURES);
        count.map(Some).ok_or_else(|| {
            let reason = Reason::OutOfRange {
                key: "features".to_owned(),
                value: number.to_string(),
                lowest: "0".to_owned(),
                highest: MOST_FEATURES.to_string(),
            };
            self.context.error(written.span(), reason)
        })
    }

    fn facts_and_people(
        &self,
        kind: LayerKind,
        table: &LayerTable,
        rules: &Rulebook,
        warnings: &mut Vec<String>,
    ) -> Result<Vec<(String, Attribute)>, ProjectError> {
        let mut facts = self.facts(kind, table, rules, warnings)?;
        self.windows(kind, table, &mut facts, warnings)?;
        let surveyed = self.attribute(Facts::SURVEYED, &table.surveyed, |_| Ok(()))?;
        if !surveyed.0.is_empty() && kind.takes_accuracy() {
            facts.retain(|(name, _)| name != Facts::SURVEYED);
            facts.push((Facts::SURVEYED.to_owned(), surveyed));
        }
        for (name, written) in [
            (Facts::MUSTER_POINT, &table.muster_point),
            (Facts::ACCESS, &table.access),
        ] {
            let attribute = self.attribute(name, written, |_| Ok(()))?;
            if !attribute.0.is_empty() && kind == LayerKind::Blocks {
                facts.retain(|(own, _)| own != name);
                facts.push((name.to_owned(), attribute));
            }
        }
        let people = self.attribute("people", &table.people, |_| Ok(()))?;
        if people.0.is_empty() {
            return Ok(facts);
        }
        if !matches!(kind, LayerKind::Roads | LayerKind::Hazards) {
            warnings.push(format!(
                "[layers.{}] `people` means nothing for this role and is not used",
                self.role
            ));
            return Ok(facts);
        }
        facts.retain(|(name, _)| name != Facts::PEOPLE);
        facts.push((Facts::PEOPLE.to_owned(), people));
        Ok(facts)
    }

    /// Adds where the windows of its features are read.
    fn windows(
        &self,
        kind: LayerKind,
        table: &LayerTable,
        facts: &mut Vec<(String, Attribute)>,
        warnings: &mut Vec<String>,
    ) -> Result<(), ProjectError> {
        let day = |key: &str, constant: &Spanned<Constant>| {
            let written = constant.get_ref().0.to_string();
            match DaySpan::between(&written, &written) {
                Ok(_) => Ok(()),
                Err(why) => {
                    let (key, message) = (key.to_owned(), why.to_string());
                    let reason = Reason::WrongValue { key, message };
                    Err(self.context.error(constant.span(), reason))
                }
            }
        };
        let named = |constant: &Spanned<Constant>| {
            let names = WindowWords {
                names: Some(constant.get_ref().0.to_string()),
                ..WindowWords::default()
            };
            let unknown = names.names().find(|name| !self.windows.contains(name));
            unknown.map_or(Ok(()), |name| {
                let reason = Reason::UnknownChoice {
                    key: Facts::WINDOW.to_owned(),
                    value: name.to_owned(),
                    valid: self.windows.iter().map(|name| (*name).to_owned()).collect(),
                };
                Err(self.context.error(constant.span(), reason))
            })
        };
        for (name, attribute) in [
            (
                Facts::WINDOW,
                self.attribute(Facts::WINDOW, &table.window, named)?,
            ),
            (
                Facts::OPEN_FROM,
                self.attribute(Facts::OPEN_FROM, &table.open_from, |own| {
                    day(Facts::OPEN_FROM, own)
                })?,
            ),
            (
                Facts::OPEN_UNTIL,
                self.attribute(Facts::OPEN_UNTIL, &table.open_until, |own| {
                    day(Facts::OPEN_UNTIL, own)
                })?,
            ),
        ] {
            if attribute.0.is_empty() {
                continue;
            }
            if !kind.takes_windows() {
                warnings.push(format!(
                    "[layers.{}] `{name}` means nothing for this role and is not used",
                    self.role
                ));
                continue;
            }
            facts.retain(|(own, _)| own != name);
            facts.push((name.to_owned(), attribute));
        }
        Ok(())
    }

    /// A fact that no rule asks for is most likely misspelt: nothing would ever be derived from it.
    fn facts(
        &self,
        kind: LayerKind,
        table: &LayerTable,
        rules: &Rulebook,
        warnings: &mut Vec<String>,
    ) -> Result<Vec<(String, Attribute)>, ProjectError> {
        let asked = rules.facts_of(kind);
        let mut facts = Vec::with_capacity(table.facts.len());
        for (name, written) in &table.facts {
            let key = format!("facts.{name}");
            let written = Some(written);
            facts.push((name.clone(), self.given(&key, written, |_| Ok(()))?));
            let of_road = kind == LayerKind::Roads && RoadUse::FACTS.contains(&name.as_str());
            let of_kept = kind == LayerKind::Retain && KEPT_FACTS.contains(&name.as_str());
            let is_asked = of_road || of_kept || asked.iter().any(|(asked, _)| asked == name);
            if RULED_KINDS.contains(&kind) && !is_asked {
                let names: Vec<&str> = asked.iter().map(|(name, _)| *name).collect();
                let hint = match names.is_empty() {
                    true => "no class of this kind is defined by facts".to_owned(),
                    false => did_you_mean(name, &names),
                };
                warnings.push(format!(
                    "[layers.{}] no rule asks for the fact `{name}`; {hint}",
                    self.role
                ));
            }
        }
        Ok(facts)
    }

    pub(super) fn length(
        &self,
        key: &str,
        constant: &Spanned<Constant>,
    ) -> Result<(), ProjectError> {
        let length = Length(constant.get_ref().0.clone());
        self.context
            .metres(key, &Spanned::new(constant.span(), length))
            .map(drop)
    }

    fn slope_unit(&self, written: &Option<Spanned<String>>) -> Result<SlopeUnit, ProjectError> {
        let Some(written) = written else {
            return Ok(SlopeUnit::default());
        };
        let mut names = SlopeUnit::NAMES.iter();
        let found = names.find(|(name, _)| name == written.get_ref());
        found.map(|(_, unit)| *unit).ok_or_else(|| {
            let reason = Reason::UnknownChoice {
                key: "slope_unit".to_owned(),
                value: written.get_ref().clone(),
                valid: SlopeUnit::NAMES.map(|(name, _)| name.to_owned()).to_vec(),
            };
            self.context.error(written.span(), reason)
        })
    }

    fn steepest(
        &self,
        key: &str,
        constant: &Spanned<Constant>,
        unit: SlopeUnit,
    ) -> Result<f64, ProjectError> {
        let text = constant.get_ref().0.to_string();
        unit.steepest(&text).map_err(|message| {
            let key = key.to_owned();
            self.context
                .error(constant.span(), Reason::WrongValue { key, message })
        })
    }

    pub(super) fn attribute(
        &self,
        key: &str,
        written: &Option<Spanned<AttributeText>>,
        check: impl Fn(&Spanned<Constant>) -> Result<(), ProjectError>,
    ) -> Result<Attribute, ProjectError> {
        self.given(key, written.as_ref(), check)
    }

    fn given(
        &self,
        key: &str,
        written: Option<&Spanned<AttributeText>>,
        check: impl Fn(&Spanned<Constant>) -> Result<(), ProjectError>,
    ) -> Result<Attribute, ProjectError> {
        let Some(written) = written else {
            return Ok(Attribute::default());
        };
        let one = |item: &AttributeItem, span: Range<usize>| match item {
            AttributeItem::Field(name) => {
                self.context
                    .not_empty(key, &Spanned::new(span, name.clone()))?;
                Ok(AttributeSource::Field(name.clone()))
            }
            AttributeItem::Constant(constant) => {
                check(constant)?;
                let text = constant.get_ref().0.to_string();
                self.context
                    .not_empty(key, &Spanned::new(constant.span(), text.clone()))?;
                Ok(AttributeSource::Constant(text))
            }
        };
        let sources = match written.get_ref() {
            AttributeText::One(item) => vec![one(item, written.span())?],
            AttributeText::Several(items) if items.is_empty() => {
                let key = key.to_owned();
                return Err(self.context.error(written.span(), Reason::Empty { key }));
            }
            AttributeText::Several(items) => items
                .iter()
                .map(|item| one(item.get_ref(), item.span()))
                .collect::<Result<_, _>>()?,
        };
        Ok(Attribute(sources))
    }

    fn number(
        &self,
        key: &str,
        constant: &Spanned<Constant>,
        most: f64,
    ) -> Result<(), ProjectError> {
        let written = &constant.get_ref().0;
        let value = match written {
            Written::Number(number) => Some(*number),
            Written::Text(text) => text.trim().parse().ok(),
        };
        match value {
            Some(value) if (0.0..=most).contains(&value) => Ok(()),
            Some(value) if value.is_finite() => {
                let reason = Reason::OutOfRange {
                    key: key.to_owned(),
                    value: value.to_string(),
                    lowest: "0".to_owned(),
                    highest: most.to_string(),
                };
                Err(self.context.error(constant.span(), reason))
            }
            _ => {
                let reason = Reason::NotA {
                    key: key.to_owned(),
                    value: written.to_string(),
                    wanted: "a number",
                };
                Err(self.context.error(constant.span(), reason))
            }
        }
    }

    /// A class written in the project file must be one that the rules know, or have a line for every class.
    fn known_class(
        &self,
        kind: LayerKind,
        class: &str,
        span: Range<usize>,
        rules: &Rulebook,
    ) -> Result<(), ProjectError> {
        let of_kind = || rules.lines.iter().filter(|line| line.kind == kind);
        let known = of_kind()
            .any(|line| line.class == "*" || line.class.eq_ignore_ascii_case(class.trim()));
        if known || of_kind().next().is_none() {
            return Ok(());
        }
        let reason = Reason::UnknownClass {
            role: self.role.to_owned(),
            class: class.to_owned(),
            valid: of_kind().map(|line| line.class.clone()).collect(),
        };
        Err(self.context.error(span, reason))
    }

    fn warn_of_idle_keys(
        &self,
        layer: &LayerSource,
        table: &LayerTable,
        warnings: &mut Vec<String>,
    ) {
        let kind = layer.kind;
        let ruled = RULED_KINDS.contains(&kind);
        let lines = matches!(
            kind,
            LayerKind::Streams
                | LayerKind::Roads
                | LayerKind::Crossings
                | LayerKind::Retain
                | LayerKind::PowerLines
        );
        let water = matches!(
            kind,
            LayerKind::Streams | LayerKind::Lakes | LayerKind::Wetlands
        );
        let stands = kind == LayerKind::Stands;
        let blocks = kind == LayerKind::Blocks;
        let settings = kind == LayerKind::Settings;
        let slopes = kind == LayerKind::SlopeClasses;
        let given = |attribute: &Attribute| !attribute.0.is_empty();
        let keys = [
            (
                "class",
                given(&layer.class),
                ruled || matches!(kind, LayerKind::Crossings | LayerKind::Soils),
            ),
            ("width", given(&layer.width), lines),
            ("azimuth", given(&layer.azimuth), blocks || settings),
            ("stems_per_ha", given(&layer.stems_per_ha), stands),
            ("tree_m3", given(&layer.tree_m3), stands),
            (
                "tree_height",
                given(&layer.tree_height),
                stands || kind == LayerKind::Retain,
            ),
            ("facts", !table.facts.is_empty(), ruled),
            ("fringe", given(&layer.fringe), water),
            (
                "machine_free",
                given(&layer.machine_free),
                kind == LayerKind::Retain,
            ),
            ("slope", given(&layer.slope), slopes),
            ("slope_unit", table.slope_unit.is_some(), slopes),
            ("slope_map", !layer.slope_map.is_empty(), slopes),
            ("portfolio", given(&layer.portfolio), blocks),
            ("pattern", given(&layer.pattern), blocks),
            (
                "capacity",
                given(&layer.capacity),
                kind == LayerKind::Landings,
            ),
            ("outlet", given(&layer.outlet), blocks || settings),
            (Facts::MUSTER_POINT, table.muster_point.is_some(), blocks),
            (Facts::ACCESS, table.access.is_some(), blocks),
            (
                Facts::ACCURACY,
                given(&layer.accuracy),
                kind.takes_accuracy(),
            ),
            (
                Facts::SURVEYED,
                table.surveyed.is_some(),
                kind.takes_accuracy(),
            ),
            (
                "order",
                given(&layer.order),
                settings || kind == LayerKind::StripLines,
            ),
            (
                "encoding",
                layer.encoding.is_some(),
                is_shapefile(&layer.source),
            ),
        ];
        if slopes && !given(&layer.slope) {
            warnings.push(
                "[layers.slope_classes] names no `slope`: how steep its ground is stays unknown"
                    .to_owned(),
            );
        }
        if kind == LayerKind::Soils && !given(&layer.class) {
            warnings.push(
                "[layers.soils] names no `class`: which soil is where stays unknown".to_owned(),
            );
        }
        for (key, given, used) in keys {
            if given && !used {
                warnings.push(format!(
                    "[layers.{}] `{key}` means nothing for this {} and is not used",
                    self.role,
                    if key == "encoding" { "format" } else { "role" }
                ));
            }
        }
    }
}
