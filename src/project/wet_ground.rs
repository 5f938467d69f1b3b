//! `[wet_ground]`: from which depth to water on ground may be wet.

use std::collections::BTreeMap;

use super::file::{ProjectFile, WetGroundTable};
use super::resolve::Context;
use super::settings::{length, square_metres};
use super::{ProjectError, Reason};
use crate::model::{LayerKind, WetGround};
use crate::rulebook::spanned::Spanned;
use crate::rulebook::values::Length;
use crate::units::HECTARE_M2;

/// Less is the noise of any raster; more is a hill.
const DEPTH_M: (f64, f64) = (0.05, 50.0);
/// Less is a cell or two; more is a river that every map has.
const CHANNELS_M2: (f64, f64) = (0.01 * HECTARE_M2, 10_000.0 * HECTARE_M2);

/// # Errors
/// A figure out of range or without source, no elevation raster to find such ground from, or soils that no layer has.
pub fn resolve(
    context: &Context<'_>,
    file: &ProjectFile,
    warnings: &mut Vec<String>,
) -> Result<Option<WetGround>, ProjectError> {
    let has_soils = file.layers.roles.contains_key(&LayerKind::Soils);
    let Some(written) = &file.wet_ground else {
        if has_soils {
            warnings.push(
                "[layers.soils] is only asked for by [wet_ground], which the project does not have"
                    .to_owned(),
            );
        }
        return Ok(None);
    };
    let table: &WetGroundTable = written.get_ref();
    let contradiction = |span, message: &str, remedy: &str| {
        let reason = Reason::Contradiction {
            message: message.to_owned(),
            remedy: remedy.to_owned(),
        };
        Err(context.error(span, reason))
    };
    context.not_empty("source", &table.source)?;
    let depth = |key: &'static str, written: &Spanned<Length>| {
        let mut found = 0.0;
        let written = Some(written.clone());
        length(context, key, &written, DEPTH_M, &mut found)?;
        Ok::<_, ProjectError>(found)
    };
    let depth_m = depth("depth_to_water", &table.depth_to_water)?;
    let mut by_soil = BTreeMap::new();
    for (soil, written) in &table.by_soil {
        let own = depth("by_soil", written)?;
        if by_soil.insert(soil.trim().to_lowercase(), own).is_some() {
            return contradiction(
                written.span(),
                &format!("`by_soil` names the soil `{}` twice", soil.trim()),
                "keep the figure whose source counts",
            );
        }
    }
    let channels_m2 = match &table.channels_from {
        None => None,
        Some(written) => {
            let (least, most) = CHANNELS_M2;
            let found = square_metres(context, "channels_from", written, most)?;
            if found < least {
                let ha = |m2: f64| format!("{} ha", m2 / HECTARE_M2);
                let reason = Reason::OutOfRange {
                    key: "channels_from".to_owned(),
                    value: ha(found),
                    lowest: ha(least),
                    highest: ha(most),
                };
                return Err(context.error(written.span(), reason));
            }
            Some(found)
        }
    };
    if file.layers.terrain.is_none() {
        return contradiction(
            written.span(),
            "[wet_ground] is found from elevations, and the project names no elevation raster",
            "name one under [layers.terrain], or take [wet_ground] out",
        );
    }
    if !by_soil.is_empty() && !has_soils {
        return contradiction(
            table.by_soil.values().next().map_or(0..0, Spanned::span),
            "`by_soil` has figures for soils, and no layer says which soil is where",
            "name one under [layers.soils], with the attribute of its `class`, or take `by_soil` out",
        );
    }
    if has_soils && by_soil.is_empty() {
        warnings.push(
            "[layers.soils] changes nothing: [wet_ground] has no `by_soil` with a figure for any soil"
                .to_owned(),
        );
    }
    Ok(Some(WetGround {
        depth_m,
        by_soil,
        channels_m2,
        source: table.source.get_ref().clone(),
    }))
}
