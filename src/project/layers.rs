//! `[layers]`: paths, attributes, constants and classes of each source.

use std::ops::Range;
use std::path::{Path, PathBuf};

use toml::Spanned;

use super::file::{AttributeItem, AttributeText, LayerTable};
use super::plain_file::{Found, beside, look, why_not_plain};
use super::resolve::{Context, crs};
use super::settings::{MOST_STEMS_PER_HA, MOST_TREE_M3};
use super::{Attribute, AttributeSource, LayerSource, ProjectError, Reason};
use crate::model::LayerKind;
use crate::rulebook::toml_text::nearest;
use crate::rulebook::values::{Constant, Length, Written};
use crate::rulebook::{RULED_KINDS, Rulebook};

pub struct Resolver<'a> {
    pub context: &'a Context<'a>,
    /// Key under `[layers]`.
    pub role: &'static str,
    pub look_for_files: bool,
}

impl Resolver<'_> {
    /// The path of a source, if it is plain and, should files be looked for, there.
    pub fn path(&self, source: &Spanned<String>) -> Result<PathBuf, ProjectError> {
        let text = source.get_ref();
        let not_plain = |why| {
            let reason = Reason::NotAPlainFile {
                role: self.role.to_owned(),
                source_text: text.clone(),
                why,
            };
            self.context.error(source.span(), reason)
        };
        if let Some(why) = why_not_plain(text) {
            return Err(not_plain(why));
        }
        let folder = self.context.path.parent().unwrap_or(Path::new(""));
        let path = folder.join(text);
        if !self.look_for_files {
            return Ok(path);
        }
        match look(&path) {
            Found::File => {}
            Found::NoFile => return Err(not_plain("it is a folder, a device or a pipe")),
            Found::Nothing => {
                let name = path.file_name().map(|name| name.to_string_lossy());
                let beside = beside(&path);
                let near = name.and_then(|name| nearest(&name, &beside).map(str::to_owned));
                let reason = Reason::MissingFile {
                    role: self.role.to_owned(),
                    resolved: path.display().to_string(),
                    near,
                };
                return Err(self.context.error(source.span(), reason));
            }
        }
        Ok(path)
    }

    pub fn layer(
        &self,
        kind: LayerKind,
        table: &LayerTable,
        rules: &Rulebook,
        warnings: &mut Vec<String>,
    ) -> Result<LayerSource, ProjectError> {
        let context = self.context;
        let layer = LayerSource {
            kind,
            path: self.path(&table.source)?,
            source: table.source.get_ref().clone(),
            layer: table.layer.clone(),
            filter: table.filter.clone(),
            crs: crs(context, &table.crs)?,
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
                let length = Length(constant.get_ref().0.clone());
                context
                    .metres("width", &Spanned::new(constant.span(), length))
                    .map(drop)
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
        };
        for class in table.class_map.values() {
            self.known_class(kind, class.get_ref(), class.span(), rules)?;
        }
        self.warn_of_idle_keys(&layer, warnings);
        Ok(layer)
    }

    fn attribute(
        &self,
        key: &str,
        written: &Option<Spanned<AttributeText>>,
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

    fn warn_of_idle_keys(&self, layer: &LayerSource, warnings: &mut Vec<String>) {
        let kind = layer.kind;
        let idle = [
            (
                "class",
                &layer.class,
                RULED_KINDS.contains(&kind) || kind == LayerKind::Hazards,
            ),
            (
                "width",
                &layer.width,
                matches!(kind, LayerKind::Streams | LayerKind::Roads),
            ),
            ("azimuth", &layer.azimuth, kind == LayerKind::Blocks),
            (
                "stems_per_ha",
                &layer.stems_per_ha,
                kind == LayerKind::Stands,
            ),
            ("tree_m3", &layer.tree_m3, kind == LayerKind::Stands),
        ];
        for (key, attribute, used) in idle {
            if !attribute.0.is_empty() && !used {
                warnings.push(format!(
                    "[layers.{}] `{key}` means nothing for this role and is not used",
                    self.role
                ));
            }
        }
    }
}
