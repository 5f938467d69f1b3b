//! `[layers.terrain]`: the raster or its tiles, and how its elevations are to be taken.

use super::file::{TerrainFiles, TerrainTable};
use super::layers::Resolver;
use super::resolve::{Context, crs, unit};
use super::{ProjectError, Reason, TerrainFile, TerrainSource};

/// Slope for machines and buffers is a property of ground of about this size; finer rasters show single stumps and logs.
const CELL_M: f64 = 10.0;
const CELL_RANGE_M: (f64, f64) = (0.1, 1_000.0);
const MOST_BANDS: i64 = 65_535;

pub fn resolve(
    context: &Context<'_>,
    table: &TerrainTable,
    look_for_files: bool,
) -> Result<TerrainSource, ProjectError> {
    let resolver = Resolver {
        context,
        role: "terrain",
        look_for_files,
        windows: &[],
    };
    let one = |source: &crate::rulebook::spanned::Spanned<String>| {
        Ok(TerrainFile {
            path: resolver.path(source)?,
            source: source.get_ref().clone(),
        })
    };
    let span = table.source.span();
    let files = match table.source.get_ref() {
        TerrainFiles::One(source) => vec![one(&crate::rulebook::spanned::Spanned::new(
            span,
            source.clone(),
        ))?],
        TerrainFiles::Several(sources) if sources.is_empty() => {
            let key = "source".to_owned();
            return Err(context.error(span, Reason::Empty { key }));
        }
        TerrainFiles::Several(sources) => sources.iter().map(one).collect::<Result<_, _>>()?,
    };
    let vertical_unit = table.vertical_unit.is_some();
    Ok(TerrainSource {
        files,
        crs: crs(context, &table.crs)?,
        band: band(context, table)?,
        vertical_unit: vertical_unit
            .then(|| unit(context, "vertical_unit", &table.vertical_unit))
            .transpose()?,
        cell_m: cell(context, table)?,
    })
}

fn band(context: &Context<'_>, table: &TerrainTable) -> Result<usize, ProjectError> {
    let Some(written) = &table.band else {
        return Ok(1);
    };
    let value = *written.get_ref();
    usize::try_from(value)
        .ok()
        .filter(|_| (1..=MOST_BANDS).contains(&value))
        .ok_or_else(|| {
            let reason = Reason::OutOfRange {
                key: "band".to_owned(),
                value: value.to_string(),
                lowest: "1".to_owned(),
                highest: MOST_BANDS.to_string(),
            };
            context.error(written.span(), reason)
        })
}

fn cell(context: &Context<'_>, table: &TerrainTable) -> Result<f64, ProjectError> {
    let Some(written) = &table.cell else {
        return Ok(CELL_M);
    };
    let value = context.metres("cell", written)?;
    let (lowest, highest) = CELL_RANGE_M;
    if !(lowest..=highest).contains(&value) {
        let reason = Reason::OutOfRange {
            key: "cell".to_owned(),
            value: format!("{value} m"),
            lowest: format!("{lowest} m"),
            highest: format!("{highest} m"),
        };
        return Err(context.error(written.span(), reason));
    }
    Ok(value)
}
