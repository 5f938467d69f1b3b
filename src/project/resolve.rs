//! From the file as written to the project in metres: units, CRS, and the order in which things are checked.

use std::collections::BTreeSet;
use std::ops::Range;
use std::path::Path;

use chrono::NaiveDate;

use crate::rulebook::spanned::Spanned;

use super::file::{CalibrationTable, ProjectFile, ProjectTable, TerrainFiles};
use super::layers::Resolver;
use super::{
    CalibrationSource, HoursTaken, Project, ProjectError, Reason, StandRasterSources, TableSource,
    TracksSource,
};
use super::{
    costs, emergency, notes, outputs, rules, settings, terrain, wet_ground, wind, windows,
};
use crate::model::{LONGEST_STOP_MIN, LayerKind, MachineKind, PlanMark};
use crate::rulebook::values::{Length, Share};
use crate::rulebook::{LIMITS_PRESET, Place};
use crate::units::LengthUnit;

/// What every check needs in order to say where it failed.
pub struct Context<'a> {
    pub text: &'a str,
    pub path: &'a Path,
    pub unit: LengthUnit,
    /// Bytes at which missing files are named that are told already.
    pub excused: &'a BTreeSet<usize>,
}

impl Context<'_> {
    pub fn error(&self, span: Range<usize>, reason: Reason) -> ProjectError {
        ProjectError {
            path: self.path.to_owned(),
            place: Some(Place::of(self.text, span)),
            reason: Box::new(reason),
            also: vec![],
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

    pub fn not_empty(&self, key: &str, text: &Spanned<String>) -> Result<(), ProjectError> {
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
    excused: &BTreeSet<usize>,
) -> Result<Project, ProjectError> {
    let mut context = Context {
        text,
        path,
        unit: LengthUnit::Metre,
        excused,
    };
    context.unit = unit(&context, "unit", &file.project.unit)?;
    if let Some(role) = file.layers.unknown.first() {
        let reason = Reason::UnknownRole {
            role: role.get_ref().clone(),
            valid: role_names(),
        };
        return Err(context.error(role.span(), reason));
    }
    let mut warnings = Vec::new();
    let (mut rules, rules_file) = rules::resolve(&context, &file.rules, &mut warnings)?;
    let mut settings = settings::resolve(&context, &file.machine, &file.layout, &file.production)?;
    settings.costs = costs::resolve(&context, &file.costs)?;
    settings.wind = wind::resolve(&context, &file.wind)?;
    settings.emergency = emergency::resolve(&context, &file.emergency)?;
    settings.falling_snow = emergency::falling_snow(&context, &file.weather)?;
    settings.windows = windows::resolve(&context, &file.windows)?;
    let windows: Vec<&str> = settings.windows.names().collect();
    settings.wet_ground = wet_ground::resolve(&context, &file, &mut warnings)?;
    settings.outputs = outputs::resolve(&context, &file.outputs)?;
    if settings.slopes.feller == Some(MachineKind::SteepGround) && file.machine.max_slope.is_none()
    {
        warnings.push(
            "[machine] a `feller` made for steep ground may have a higher limit (SF-03: 50 %, only where the maker's is not known); nothing \
             steeper than the default is opened by that: write `max_slope`, with the maker's limit"
                .to_owned(),
        );
    }
    if file.layers.roles.contains_key(&LayerKind::PowerLines) && rules.keep_off_power_lines() {
        warnings.push(format!(
            "[rules] says nothing of power lines: the limits of approach of British Columbia, as preset `{LIMITS_PRESET}` has them, \
             stand in; your own code and the line's owner decide"
        ));
    }
    let mut layers = Vec::new();
    for (kind, tables) in &file.layers.roles {
        for table in tables {
            let source = Resolver {
                context: &context,
                role: kind.key(),
                look_for_files,
                windows: &windows,
            };
            layers.push(source.layer(*kind, table, &rules, &mut warnings)?);
        }
    }
    let notes = notes::resolve(&context, file.notes.as_ref(), look_for_files)?;
    if !notes.files.is_empty() {
        rules.keep_off_power_lines();
    }
    if layers.iter().any(|layer| layer.kind == LayerKind::Retain) || !notes.files.is_empty() {
        rules.keep_all();
    }
    if !layers.iter().any(|layer| layer.kind == LayerKind::Blocks) {
        return Err(ProjectError {
            path: path.to_owned(),
            place: None,
            reason: Box::new(Reason::NoBlocks),
            also: vec![],
        });
    }
    let stand_table = match &file.stand_table {
        None => None,
        Some(table) => {
            let resolver = Resolver {
                context: &context,
                role: "stand_table",
                look_for_files,
                windows: &windows,
            };
            if !layers.iter().any(|layer| layer.kind == LayerKind::Stands) {
                warnings
                    .push("[stand_table] is not used: no layer plays the role `stands`".to_owned());
            }
            Some(TableSource {
                path: resolver.path(&table.source)?,
                source: table.source.get_ref().clone(),
                layer: table.layer.clone(),
            })
        }
    };
    let stand_rasters = match &file.stand_rasters {
        None => StandRasterSources::default(),
        Some(table) => {
            let resolver = Resolver {
                context: &context,
                role: "stand_rasters",
                look_for_files,
                windows: &windows,
            };
            let named = |source: &Option<Spanned<String>>| {
                let named = |source: &Spanned<String>| -> Result<TableSource, ProjectError> {
                    Ok(TableSource {
                        path: resolver.path(source)?,
                        source: source.get_ref().clone(),
                        layer: None,
                    })
                };
                source.as_ref().map(named).transpose()
            };
            let rasters = StandRasterSources {
                stems_per_ha: named(&table.stems_per_ha)?,
                volume_m3_per_ha: named(&table.volume_m3_per_ha)?,
                height_m: named(&table.height_m)?,
            };
            if rasters.all().next().is_none() {
                warnings.push(
                    "[stand_rasters] names no raster: give `stems_per_ha`, `volume_m3_per_ha` or `height_m`"
                        .to_owned(),
                );
            }
            rasters
        }
    };
    let calibration = match &file.production.calibration {
        None => None,
        Some(written) => {
            let resolver = Resolver {
                context: &context,
                role: "calibration",
                look_for_files,
                windows: &windows,
            };
            let span = written.span();
            let written = written.get_ref();
            let named = |source: &Spanned<String>| -> Result<TableSource, ProjectError> {
                Ok(TableSource {
                    path: resolver.path(source)?,
                    source: source.get_ref().clone(),
                    layer: None,
                })
            };
            Some(CalibrationSource {
                layout: named(&Spanned::new(
                    written.layout.span(),
                    format!(
                        "{}/layout.gpkg",
                        written.layout.get_ref().trim_end_matches('/')
                    ),
                ))?,
                hours: hours_taken(&context, &resolver, written, span)?,
                apply: written.apply,
            })
        }
    };
    if !settings.production.limbiness_by_species.is_empty() && stand_table.is_none() {
        warnings.push(
            "[production]: `limbiness_by_species` asks for species, which only a [stand_table] has"
                .to_owned(),
        );
    }
    if settings.machine.sorts_trees() && stand_table.is_none() {
        warnings.push(
            "[machine]: `least_in_path`, `ideal_at_reach` and `head_most` ask for diameters, which only a [stand_table] has"
                .to_owned(),
        );
    }
    let terrain = (file.layers.terrain.as_ref())
        .map(|table| terrain::resolve(&context, table, look_for_files))
        .transpose()?;
    let stem = || path.file_stem().map(|stem| stem.to_string_lossy().into());
    Ok(Project {
        felled_tracks: vec![],
        notes,
        plan: plan(&context, &file.project)?,
        path: path.to_owned(),
        name: file.project.name.or_else(stem).unwrap_or_default(),
        crs: crs(&context, &file.project.crs)?,
        unit: context.unit,
        layers,
        terrain,
        settings,
        rules,
        rules_file,
        stand_table,
        stand_rasters,
        calibration,
        warnings,
    })
}

/// A machine advances every minute or two; what stands for half a day is not at work.
const STOP_RANGE_MIN: (f64, f64) = (1.0, 240.0);

/// The table or the tracks that a calibration names: one of the two.
fn hours_taken(
    context: &Context<'_>,
    resolver: &Resolver<'_>,
    written: &CalibrationTable,
    span: Range<usize>,
) -> Result<HoursTaken, ProjectError> {
    let contradiction = |message: &str, remedy: &str| {
        let reason = Reason::Contradiction {
            message: message.to_owned(),
            remedy: remedy.to_owned(),
        };
        Err(context.error(span.clone(), reason))
    };
    let named = |source: &Spanned<String>, layer: Option<String>| {
        Ok::<_, ProjectError>(TableSource {
            path: resolver.path(source)?,
            source: source.get_ref().clone(),
            layer,
        })
    };
    let of_tracks = [
        ("layer", written.layer.is_some()),
        ("time", written.time.is_some()),
        ("track", written.track.is_some()),
        ("longest_stop_min", written.longest_stop_min.is_some()),
    ];
    let (table, tracks) = (&written.finished, &written.tracks);
    match (table, tracks) {
        (None, None) => contradiction(
            "`calibration` names no hours that sections took",
            "give `finished`, a table of hours, or `tracks`, recorded tracks of the felling machine",
        ),
        (Some(_), Some(_)) => contradiction(
            "`calibration` names both `finished` and `tracks`, and hours would count twice",
            "keep one of them",
        ),
        (Some(table), None) => match of_tracks.into_iter().find(|(_, given)| *given) {
            Some((key, _)) => contradiction(
                &format!("`{key}` speaks of tracks, but `calibration` names none"),
                "remove it, or give `tracks` instead of `finished`",
            ),
            None => Ok(HoursTaken::Table(named(table, None)?)),
        },
        (None, Some(tracks)) => {
            let span = tracks.span();
            let one = |source: &Spanned<String>| named(source, written.layer.clone());
            let files = match tracks.get_ref() {
                TerrainFiles::One(source) => vec![one(&Spanned::new(span, source.clone()))?],
                TerrainFiles::Several(sources) if sources.is_empty() => {
                    let key = "tracks".to_owned();
                    return Err(context.error(span, Reason::Empty { key }));
                }
                TerrainFiles::Several(sources) => {
                    sources.iter().map(one).collect::<Result<_, _>>()?
                }
            };
            let longest_stop_min = (written.longest_stop_min.as_ref())
                .map_or(Ok(LONGEST_STOP_MIN), |minutes| {
                    settings::number(context, "longest_stop_min", minutes, STOP_RANGE_MIN)
                })?;
            Ok(HoursTaken::Tracks(TracksSource {
                files,
                time: written.time.clone(),
                track: written.track.clone(),
                longest_stop_min,
            }))
        }
    }
}

/// Number and date of the plan.
fn plan(context: &Context<'_>, table: &ProjectTable) -> Result<Option<PlanMark>, ProjectError> {
    let date = match &table.plan_date {
        None => None,
        Some(written) => {
            let date = NaiveDate::parse_from_str(written.get_ref(), "%Y-%m-%d");
            let reason = || Reason::NotA {
                key: "plan_date".to_owned(),
                value: written.get_ref().clone(),
                wanted: "a date such as 2031-02-05",
            };
            let date = date.map_err(|_| context.error(written.span(), reason()))?;
            Some((date.to_string(), written.span()))
        }
    };
    match (&table.plan_number, date) {
        (None, None) => Ok(None),
        (None, Some((_, span))) => {
            let reason = Reason::Contradiction {
                message: "`plan_date` is the date of a plan that has no number".to_owned(),
                remedy: "give `plan_number`, too".to_owned(),
            };
            Err(context.error(span, reason))
        }
        (Some(written), date) => {
            let number = u32::try_from(*written.get_ref()).ok();
            let number = number.filter(|number| (1..=MOST_PLANS).contains(number));
            let Some(number) = number else {
                let reason = Reason::OutOfRange {
                    key: "plan_number".to_owned(),
                    value: written.get_ref().to_string(),
                    lowest: "1".to_owned(),
                    highest: MOST_PLANS.to_string(),
                };
                return Err(context.error(written.span(), reason));
            };
            let date = date.map(|(date, _)| date);
            Ok(Some(PlanMark { number, date }))
        }
    }
}

/// What a sheet has room for.
pub const MOST_PLANS: u32 = 99_999;

fn role_names() -> Vec<String> {
    let roles = LayerKind::ALL.into_iter().map(LayerKind::key);
    roles.chain(["terrain"]).map(str::to_owned).collect()
}

pub fn unit(
    context: &Context<'_>,
    key: &str,
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
                key: key.to_owned(),
                value: other.to_owned(),
                valid: vec!["m".to_owned(), "ft".to_owned()],
            };
            Err(context.error(written.span(), reason))
        }
    }
}

/// GDAL would take a file or an address for a CRS too; neither is let through.
pub fn crs(
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
