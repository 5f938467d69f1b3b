//! `[notes]`: files of notes taken in the field, and what each kind of them becomes.

use super::file::{NoteKindTable, NotesTable, TerrainFiles};
use super::layers::Resolver;
use super::resolve::Context;
use super::settings::length;
use super::{NoteSources, ProjectError, Reason, TableSource};
use crate::model::{LayerKind, NoteKind, NoteRole};
use crate::rulebook::spanned::Spanned;

/// Wider circles are a reserve that somebody should draw.
const RADIUS_M: (f64, f64) = (0.0, 2_000.0);
/// What is farther off says nothing of a place.
const ACCURACY_M: (f64, f64) = (0.0, 200.0);
const CORNER_WITHIN_M: (f64, f64) = (1.0, 200.0);
const PER_HDOP_M: (f64, f64) = (0.1, 100.0);

pub fn resolve(
    context: &Context<'_>,
    table: Option<&NotesTable>,
    look_for_files: bool,
) -> Result<NoteSources, ProjectError> {
    let mut notes = NoteSources::default();
    let Some(table) = table else {
        return Ok(notes);
    };
    notes.files = files(context, table, look_for_files)?;
    let rules = &mut notes.rules;
    for (key, written, slot) in [
        ("kind_column", &table.kind_column, &mut rules.kind_column),
        (
            "accuracy_column",
            &table.accuracy_column,
            &mut rules.accuracy_column,
        ),
    ] {
        if let Some(written) = written {
            context.not_empty(key, written)?;
            *slot = Some(written.get_ref().clone());
        }
    }
    if table.hdop.is_some() {
        let mut metres = 0.0;
        length(context, "hdop", &table.hdop, PER_HDOP_M, &mut metres)?;
        rules.metres_per_hdop = Some(metres);
    }
    length(
        context,
        "corner_within",
        &table.corner_within,
        CORNER_WITHIN_M,
        &mut rules.corner_within_m,
    )?;
    rules.corners_may_add = table.corners_may_add;
    let mut own = Vec::new();
    for (name, written) in &table.kinds {
        own.push(kind(context, name, written)?);
    }
    own.append(&mut rules.kinds);
    rules.kinds = own;
    Ok(notes)
}

fn files(
    context: &Context<'_>,
    table: &NotesTable,
    look_for_files: bool,
) -> Result<Vec<TableSource>, ProjectError> {
    let resolver = Resolver {
        context,
        role: "notes",
        look_for_files,
        windows: &[],
    };
    let one = |source: &Spanned<String>| -> Result<TableSource, ProjectError> {
        Ok(TableSource {
            path: resolver.path(source)?,
            source: source.get_ref().clone(),
            layer: None,
        })
    };
    let Some(written) = &table.file else {
        return Ok(vec![]);
    };
    match written.get_ref() {
        TerrainFiles::One(source) => Ok(vec![one(&Spanned::new(written.span(), source.clone()))?]),
        TerrainFiles::Several(sources) => sources.iter().map(one).collect(),
    }
}

fn kind(
    context: &Context<'_>,
    name: &str,
    written: &Spanned<NoteKindTable>,
) -> Result<NoteKind, ProjectError> {
    let table = written.get_ref();
    let key = |of: &str| format!("notes.kinds.{name}.{of}");
    if name.trim().is_empty() {
        let key = "notes.kinds".to_owned();
        return Err(context.error(written.span(), Reason::Empty { key }));
    }
    let Some(layer) = NoteRole::from_key(table.layer.get_ref()) else {
        let reason = Reason::UnknownChoice {
            key: key("layer"),
            value: table.layer.get_ref().clone(),
            valid: NoteRole::all().map(|role| role.key().to_owned()).collect(),
        };
        return Err(context.error(table.layer.span(), reason));
    };
    let is_feature = matches!(layer, NoteRole::Layer(_));
    for (of, span) in [
        ("radius", table.radius.as_ref().map(Spanned::span)),
        ("class", table.class.as_ref().map(Spanned::span)),
    ] {
        if let Some(span) = span.filter(|_| !is_feature) {
            let reason = Reason::Contradiction {
                message: format!(
                    "`{}` is of features, and a note of layer `{}` is none",
                    key(of),
                    layer.key()
                ),
                remedy: format!("remove `{of}`, or name a layer"),
            };
            return Err(context.error(span, reason));
        }
    }
    let is_retain = layer == NoteRole::Layer(LayerKind::Retain);
    if let Some(counts) = table.counts.as_ref().filter(|_| !is_retain) {
        let reason = Reason::Contradiction {
            message: format!("`{}` is of layer `retain` only", key("counts")),
            remedy: "remove `counts`".to_owned(),
        };
        return Err(context.error(counts.span(), reason));
    }
    let mut radius_m = 0.0;
    length(context, "radius", &table.radius, RADIUS_M, &mut radius_m)?;
    if layer.is_ground() && radius_m == 0.0 {
        let reason = Reason::Contradiction {
            message: format!(
                "`{}` is missing: layer `{}` is of ground, and a point has none",
                key("radius"),
                layer.key()
            ),
            remedy: "give the radius of the ground around a note of the kind".to_owned(),
        };
        return Err(context.error(written.span(), reason));
    }
    let mut accuracy_m = None;
    if table.accuracy.is_some() {
        let mut metres = 0.0;
        length(
            context,
            "accuracy",
            &table.accuracy,
            ACCURACY_M,
            &mut metres,
        )?;
        accuracy_m = Some(metres);
    }
    Ok(NoteKind {
        name: name.trim().to_owned(),
        layer,
        class: table.class.as_ref().map(|class| class.get_ref().clone()),
        radius_m,
        accuracy_m,
        counts: table
            .counts
            .as_ref()
            .is_some_and(|counts| *counts.get_ref()),
    })
}
