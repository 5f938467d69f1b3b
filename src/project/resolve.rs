//! From the file as written to the project in metres: layers, attributes, CRS.

use std::ops::Range;
use std::path::Path;

use toml::Spanned;

use super::file::{AttributeItem, AttributeText, LayerTable, ProjectFile};
use super::plain_file::{Found, beside, look, why_not_plain};
use super::{Attribute, AttributeSource, LayerSource, Project, ProjectError, Reason};
use super::{rules, settings};
use crate::model::LayerKind;
use crate::rulebook::toml_text::nearest;
use crate::rulebook::values::{Constant, Length, Share, Written};
use crate::rulebook::{Place, RULED_KINDS, Rulebook};
use crate::units::LengthUnit;

/// What every check needs in order to say where it failed.
pub struct Context<'a> {
    pub text: &'a str,
    pub path: &'a Path,
    pub unit: LengthUnit,
}

impl Context<'_> {
    pub fn error(&self, span: Range<usize>, reason: Reason) -> ProjectError {
        ProjectError {
            path: self.path.to_owned(),
            place: Some(Place::of(self.text, span)),
            reason,
        }
    }

    pub fn metres(&self, key: &str, length: &Spanned<Length>) -> Result<f64, ProjectError> {
        length.get_ref().metres(self.unit).map_err(|source| {
            let key = key.to_owned();
            self.error(length.span(), Reason::Unit { key, source })
        })
    }

    pub fn fraction(&self, key: &str, share: &Spanned<Share>) -> Result<f64, ProjectError> {
        self.fraction_at(key, share.get_ref(), share.span())
    }

    pub fn fraction_at(
        &self,
        key: &str,
        share: &Share,
        span: Range<usize>,
    ) -> Result<f64, ProjectError> {
        share.fraction().map_err(|source| {
            let key = key.to_owned();
            self.error(span, Reason::Unit { key, source })
        })
    }

    fn not_empty(&self, key: &str, text: &Spanned<String>) -> Result<(), ProjectError> {
        if text.get_ref().trim().is_empty() {
            let key = key.to_owned();
            return Err(self.error(text.span(), Reason::Empty { key }));
        }
        Ok(())
    }
}

pub fn resolve(
    file: ProjectFile,
    text: &str,
    path: &Path,
    look_for_files: bool,
) -> Result<Project, ProjectError> {
    let mut context = Context {
        text,
        path,
        unit: LengthUnit::Metre,
    };
    context.unit = unit(&context, &file.project.unit)?;
    if let Some(role) = file.layers.unknown.first() {
        let reason = Reason::UnknownRole {
            role: role.get_ref().clone(),
            valid: role_names(),
        };
        return Err(context.error(role.span(), reason));
    }
    let mut warnings = Vec::new();
    let rules = rules::resolve(&context, &file.rules, &mut warnings)?;
    let settings = settings::resolve(&context, &file.machine, &file.layout, &file.production)?;
    let mut layers = Vec::new();
    for (kind, tables) in &file.layers.roles {
        for table in tables {
            let source = Resolver {
                context: &context,
                role: kind.key(),
                look_for_files,
            };
            layers.push(source.layer(*kind, table, &rules, &mut warnings)?);
        }
    }
    if !layers.iter().any(|layer| layer.kind == LayerKind::Blocks) {
        return Err(ProjectError {
            path: path.to_owned(),
            place: None,
            reason: Reason::NoBlocks,
        });
    }
    if let Some(terrain) = &file.layers.terrain {
        let source = Resolver {
            context: &context,
            role: "terrain",
            look_for_files,
        };
        source.path(&terrain.source)?;
        crs(&context, &terrain.crs)?;
        warnings.push(later_version("terrain"));
    }
    if file.layers.roles.contains_key(&LayerKind::SlopeClasses) {
        warnings.push(later_version(LayerKind::SlopeClasses.key()));
    }
    let stem = || path.file_stem().map(|stem| stem.to_string_lossy().into());
    Ok(Project {
        path: path.to_owned(),
        name: file.project.name.or_else(stem).unwrap_or_default(),
        crs: crs(&context, &file.project.crs)?,
        unit: context.unit,
        layers,
        settings,
        rules,
        warnings,
    })
}

fn later_version(role: &str) -> String {
    format!(
        "[layers.{role}] is checked but not used: slopes are read by a later version, so nothing in the layout depends on them"
    )
}

fn role_names() -> Vec<String> {
    let roles = LayerKind::ALL.into_iter().map(LayerKind::key);
    roles.chain(["terrain"]).map(str::to_owned).collect()
}

fn unit(
    context: &Context<'_>,
    written: &Option<Spanned<String>>,
) -> Result<LengthUnit, ProjectError> {
    let Some(written) = written else {
        return Ok(LengthUnit::default());
    };
    match written.get_ref().as_str() {
        "m" => Ok(LengthUnit::Metre),
        "ft" => Ok(LengthUnit::Foot),
        other => {
            let reason = Reason::UnknownChoice {
                key: "unit".to_owned(),
                value: other.to_owned(),
                valid: vec!["m".to_owned(), "ft".to_owned()],
            };
            Err(context.error(written.span(), reason))
        }
    }
}

/// GDAL would take a file or an address for a CRS too; neither is let through.
fn crs(
    context: &Context<'_>,
    written: &Option<Spanned<String>>,
) -> Result<Option<String>, ProjectError> {
    let Some(written) = written else {
        return Ok(None);
    };
    let text = written.get_ref().trim();
    let code = text.split_once(':').is_some_and(|(authority, code)| {
        !authority.is_empty()
            && !code.is_empty()
            && authority.chars().all(|c| c.is_ascii_alphanumeric())
            && code.chars().all(|c| c.is_ascii_alphanumeric())
    });
    let wkt = text.starts_with(|c: char| c.is_ascii_uppercase())
        && text.ends_with(']')
        && text.contains('[');
    // No slash: a PROJ string may name files.
    let proj = text.starts_with("+proj=")
        && (text.chars()).all(|c| c.is_ascii_alphanumeric() || "+=., _-@".contains(c));
    if code || wkt || proj {
        return Ok(Some(text.to_owned()));
    }
    Err(context.error(written.span(), Reason::WrongCrs(text.to_owned())))
}

struct Resolver<'a> {
    context: &'a Context<'a>,
    role: &'static str,
    look_for_files: bool,
}

impl Resolver<'_> {
    fn path(&self, source: &Spanned<String>) -> Result<std::path::PathBuf, ProjectError> {
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

    fn layer(
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
                self.number("stems_per_ha", constant, settings::MOST_STEMS_PER_HA)
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

/// No felling machine of this kind meets a bigger tree; beyond it a unit is wrong.
const MOST_TREE_M3: f64 = 100.0;
