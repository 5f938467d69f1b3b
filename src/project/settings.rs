//! `[machine]`, `[layout]` and `[production]`: units and ranges.

use std::ops::Range;

use crate::rulebook::spanned::Spanned;

use super::file::{LayoutTable, MachineTable, ProductionTable};
use super::resolve::Context;
use super::{ProjectError, Reason, slope_limits, time_model};
use crate::model::{
    Azimuth, Decking, LayoutSettings, Limbiness, Machine, MachineKind, Pattern, Production,
    Settings, SoftGround, TreeHeight,
};
use crate::rulebook::read::MOST_SPACINGS;
use crate::rulebook::values::{Area, Direction, Length, Share, Written};
use crate::units::Percent;

/// Beyond this a unit is wrong, whatever the stand.
pub const MOST_STEMS_PER_HA: f64 = 100_000.0;
/// Beyond this mean tree volume a unit is wrong.
pub const MOST_TREE_M3: f64 = 100.0;

/// Of trees at breast height.
const DIAMETERS: (f64, f64) = (0.01, 5.0);

/// Longest reach to one side; no tracked felling machine reaches further.
const MOST_REACH_M: f64 = 30.0;
/// Widest belt beside a road, edge or hazard.
const MOST_BELT_M: f64 = 2_000.0;
/// Maps that are off by more are sketches; own judgement.
pub const MOST_ACCURACY_M: f64 = 200.0;
/// The tallest tree that was ever measured is lower; own judgement.
pub const MOST_TREE_HEIGHT_M: f64 = 120.0;
/// Longest way on which access is searched.
const MOST_SEARCH_M: f64 = 20_000.0;

pub fn resolve(
    context: &Context<'_>,
    machine: &MachineTable,
    layout: &LayoutTable,
    production: &ProductionTable,
) -> Result<Settings, ProjectError> {
    let table = machine;
    let machine = self::machine(context, table)?;
    Ok(Settings {
        slopes: slope_limits::resolve(context, table, machine.max_slope)?,
        machine,
        layout: self::layout(context, layout)?,
        production: self::production(context, production)?,
        costs: Default::default(),
        wind: None,
        emergency: Default::default(),
        falling_snow: None,
        windows: Default::default(),
        wet_ground: None,
        outputs: Default::default(),
    })
}

/// A length in metres as messages show it.
pub fn metres(value: f64) -> String {
    format!("{} m", (value * 1000.0).round() / 1000.0)
}

/// Overwrites the default in `slot` by what is written, if it lies within `lowest..=highest` metres.
pub(super) fn length(
    context: &Context<'_>,
    key: &'static str,
    written: &Option<Spanned<Length>>,
    (lowest, highest): (f64, f64),
    slot: &mut f64,
) -> Result<(), ProjectError> {
    let Some(written) = written else {
        return Ok(());
    };
    let value = context.metres(key, written)?;
    if !(lowest..=highest).contains(&value) {
        let reason = Reason::OutOfRange {
            key: key.to_owned(),
            value: metres(value),
            lowest: metres(lowest),
            highest: metres(highest),
        };
        return Err(context.error(written.span(), reason));
    }
    *slot = value;
    Ok(())
}

/// One of two lengths that must not contradict each other.
struct Bound<'a> {
    key: &'static str,
    written: &'a Option<Spanned<Length>>,
    value: f64,
}

impl Bound<'_> {
    fn describe(&self) -> String {
        let default = if self.written.is_none() {
            ", the default"
        } else {
            ""
        };
        format!("`{}` ({}{default})", self.key, metres(self.value))
    }
}

/// Points at the one that was written, at the smaller if both were.
fn must_not_exceed(
    context: &Context<'_>,
    small: Bound<'_>,
    large: Bound<'_>,
) -> Result<(), ProjectError> {
    if small.value <= large.value {
        return Ok(());
    }
    let span = small.written.as_ref().or(large.written.as_ref());
    let span = span.map_or(0..0, Spanned::span);
    let reason = Reason::Contradiction {
        message: format!("{} is more than {}", small.describe(), large.describe()),
        remedy: format!("set both `{}` and `{}`", small.key, large.key),
    };
    Err(context.error(span, reason))
}

fn machine(context: &Context<'_>, table: &MachineTable) -> Result<Machine, ProjectError> {
    let mut machine = Machine::default();
    let reach = (1.0, MOST_REACH_M);
    length(context, "reach", &table.reach, reach, &mut machine.reach_m)?;
    length(
        context,
        "reach_margin",
        &table.reach_margin,
        (0.0, MOST_REACH_M),
        &mut machine.reach_margin_m,
    )?;
    length(
        context,
        "half_width",
        &table.half_width,
        (0.5, 5.0),
        &mut machine.half_width_m,
    )?;
    if slope_limits::kind(context, "feller", &table.feller)? == Some(MachineKind::Wheeled) {
        // A machine made for steep ground gets no more than any other unless its maker's limit is written.
        machine.max_slope = MachineKind::Wheeled.published().0;
        machine.slope_of_wheels = table.max_slope.is_none();
        machine.night_slope = machine.night_slope.min(machine.max_slope);
    }
    if let Some(written) = &table.max_slope {
        machine.max_slope = slope(context, "max_slope", written)?;
        // A lower limit for the machine holds by night too.
        machine.night_slope = machine.night_slope.min(machine.max_slope);
    }
    if let Some(written) = &table.night_slope {
        machine.night_slope = slope(context, "night_slope", written)?;
        if machine.night_slope > machine.max_slope {
            let reason = Reason::Contradiction {
                message: format!(
                    "`night_slope` ({}) is more than `max_slope` ({})",
                    Percent(machine.night_slope),
                    Percent(machine.max_slope)
                ),
                remedy: "ground that is not entered by day is not entered by night".to_owned(),
            };
            return Err(context.error(written.span(), reason));
        }
    }
    let diameters = [
        (
            "least_in_path",
            &table.least_in_path,
            &mut machine.least_in_path_m,
        ),
        (
            "ideal_at_reach",
            &table.ideal_at_reach,
            &mut machine.ideal_at_reach_m,
        ),
        ("head_most", &table.head_most, &mut machine.head_most_m),
    ];
    for (key, written, slot) in diameters {
        if written.is_some() {
            let mut diameter_m = 0.0;
            length(context, key, written, DIAMETERS, &mut diameter_m)?;
            *slot = Some(diameter_m);
        }
    }
    match (&table.head_most, &table.head_most_factor) {
        (_, Some(factor)) => {
            machine.head_most_factor = number(context, "head_most_factor", factor, (1.0, 20.0))?;
        }
        (Some(most), None) => {
            let reason = Reason::Contradiction {
                message: "`head_most` is given, but no `head_most_factor`".to_owned(),
                remedy: "give how many times the time of another tree one beyond the head's capacity takes: such trees need \
                         several cuts"
                    .to_owned(),
            };
            return Err(context.error(most.span(), reason));
        }
        (None, None) => {}
    }
    if let (Some(least), Some(written)) = (machine.ideal_at_reach_m, &table.least_in_path)
        && machine
            .least_in_path_m
            .is_some_and(|in_path| in_path > least)
    {
        let reason = Reason::Contradiction {
            message: "`least_in_path` is more than `ideal_at_reach`".to_owned(),
            remedy: "in its own path the machine cuts at least what it reaches for beside it"
                .to_owned(),
        };
        return Err(context.error(written.span(), reason));
    }
    if machine.half_strip_m() < machine.half_width_m {
        let written = [&table.reach, &table.reach_margin, &table.half_width];
        let span = written.into_iter().flatten().next();
        let message = format!(
            "`reach` ({}) less `reach_margin` ({}) is less than `half_width` ({}): a strip would be narrower than the \
             machine",
            metres(machine.reach_m),
            metres(machine.reach_margin_m),
            metres(machine.half_width_m)
        );
        let remedy = "reach runs from the machine's centre to one side; set all three".to_owned();
        let reason = Reason::Contradiction { message, remedy };
        return Err(context.error(span.map_or(0..0, Spanned::span), reason));
    }
    Ok(machine)
}

pub(super) fn slope(
    context: &Context<'_>,
    key: &str,
    written: &Spanned<Share>,
) -> Result<f64, ProjectError> {
    let out_of_range = |value: String| Reason::OutOfRange {
        key: key.to_owned(),
        value,
        lowest: "1 %".to_owned(),
        highest: "100 %".to_owned(),
    };
    let reason = match written.get_ref().fraction() {
        Ok(value) if value >= 0.01 => return Ok(value),
        Ok(value) => out_of_range(Percent(value).to_string()),
        Err(crate::units::UnitError::ShareOutOfRange(text)) => out_of_range(text),
        Err(_) => Reason::NotA {
            key: key.to_owned(),
            value: written.get_ref().0.to_string(),
            wanted: "a slope such as \"40 %\" or 0.40 (rise over run)",
        },
    };
    Err(context.error(written.span(), reason))
}

/// A least width in distances from tree to tree, as `corridor_spacings` writes it.
pub(super) fn spacings(
    context: &Context<'_>,
    value: f64,
    span: Range<usize>,
) -> Result<f64, ProjectError> {
    if (0.0..=MOST_SPACINGS).contains(&value) {
        return Ok(value);
    }
    let reason = Reason::OutOfRange {
        key: "corridor_spacings".to_owned(),
        value: value.to_string(),
        lowest: "0".to_owned(),
        highest: MOST_SPACINGS.to_string(),
    };
    Err(context.error(span, reason))
}

fn layout(context: &Context<'_>, table: &LayoutTable) -> Result<LayoutSettings, ProjectError> {
    let mut layout = LayoutSettings::default();
    let belt = (0.0, MOST_BELT_M);
    let lengths = [
        ("road_band", &table.road_band, belt, &mut layout.road_band_m),
        (
            "road_band_fail",
            &table.road_band_fail,
            belt,
            &mut layout.road_band_fail_m,
        ),
        (
            "corridor_min",
            &table.corridor_min,
            (0.1, 500.0),
            &mut layout.corridor_min_m,
        ),
        (
            "corridor_max",
            &table.corridor_max,
            (0.1, 500.0),
            &mut layout.corridor_max_m,
        ),
        (
            "edge_distance",
            &table.edge_distance,
            belt,
            &mut layout.edge_distance_m,
        ),
        (
            "hazard_distance",
            &table.hazard_distance,
            belt,
            &mut layout.hazard_distance_m,
        ),
        (
            "section_min",
            &table.section_min,
            belt,
            &mut layout.section_min_m,
        ),
        (
            "road_width",
            &table.road_width,
            (0.0, 200.0),
            &mut layout.road_width_m,
        ),
        (
            "frontage_distance",
            &table.frontage_distance,
            belt,
            &mut layout.frontage_distance_m,
        ),
        (
            "access_search",
            &table.access_search,
            (0.0, MOST_SEARCH_M),
            &mut layout.access_search_m,
        ),
        (
            "crossing_width",
            &table.crossing_width,
            (2.0, 50.0),
            &mut layout.crossing_width_m,
        ),
    ];
    for (key, written, range, slot) in lengths {
        length(context, key, written, range, slot)?;
    }
    must_not_exceed(
        context,
        Bound {
            key: "road_band_fail",
            written: &table.road_band_fail,
            value: layout.road_band_fail_m,
        },
        Bound {
            key: "road_band",
            written: &table.road_band,
            value: layout.road_band_m,
        },
    )?;
    must_not_exceed(
        context,
        Bound {
            key: "corridor_min",
            written: &table.corridor_min,
            value: layout.corridor_min_m,
        },
        Bound {
            key: "corridor_max",
            written: &table.corridor_max,
            value: layout.corridor_max_m,
        },
    )?;
    let areas = [
        (
            "least_patch",
            &table.least_patch,
            MOST_PATCH_M2,
            &mut layout.least_patch_m2,
        ),
        (
            "sliver",
            &table.sliver,
            MOST_SLIVER_M2,
            &mut layout.sliver_m2,
        ),
        (
            "least_part",
            &table.least_part,
            MOST_PART_M2,
            &mut layout.least_part_m2,
        ),
        (
            "least_setting",
            &table.least_setting,
            MOST_SETTING_M2,
            &mut layout.least_setting_m2,
        ),
    ];
    for (key, written, most_m2, slot) in areas {
        if let Some(written) = written {
            *slot = square_metres(context, key, written, most_m2)?;
        }
    }
    if let Some(written) = &table.corridor_spacings {
        layout.corridor_spacings = spacings(context, *written.get_ref(), written.span())?;
    }
    if table.max_strip.is_some() {
        let mut most_m = 0.0;
        length(
            context,
            "max_strip",
            &table.max_strip,
            MAX_STRIP_M,
            &mut most_m,
        )?;
        layout.max_strip_m = Some(most_m);
    }
    if let Some(written) = &table.shift_hours {
        let hours = *written.get_ref();
        if hours != 0.0 && !(LEAST_SHIFT_H..=MOST_SHIFT_H).contains(&hours) {
            let reason = Reason::OutOfRange {
                key: "shift_hours".to_owned(),
                value: hours.to_string(),
                lowest: format!("{LEAST_SHIFT_H}"),
                highest: format!("{MOST_SHIFT_H}, or 0 where no section is divided"),
            };
            return Err(context.error(written.span(), reason));
        }
        layout.shift_hours = (hours > 0.0).then_some(hours);
    }
    if let Some(written) = &table.strips_between_corridors {
        let count = *written.get_ref();
        if !(1.0..=MOST_STRIPS_BETWEEN).contains(&count) || count.fract() != 0.0 {
            let reason = Reason::OutOfRange {
                key: "strips_between_corridors".to_owned(),
                value: count.to_string(),
                lowest: "1".to_owned(),
                highest: format!("{MOST_STRIPS_BETWEEN}, in whole strips"),
            };
            return Err(context.error(written.span(), reason));
        }
        layout.strips_between_corridors = count as u32;
    }
    if let Some(written) = &table.decking {
        layout.decking = match written.get_ref().as_str() {
            "roadside" => Decking::Roadside,
            "landings" => Decking::Landings,
            "both" => Decking::Both,
            other => {
                let reason = Reason::UnknownChoice {
                    key: "decking".to_owned(),
                    value: other.to_owned(),
                    valid: ["roadside", "landings", "both"].map(str::to_owned).to_vec(),
                };
                return Err(context.error(written.span(), reason));
            }
        };
    }
    if let Some(written) = &table.pattern {
        layout.pattern = pattern(context, written.get_ref(), written.span())?;
    }
    if let Some(written) = &table.azimuth {
        layout.azimuth = azimuth(context, written)?;
    }
    if let Some(written) = &table.soft_ground {
        layout.soft_ground = match written.get_ref().as_str() {
            "day_only" => SoftGround::DayOnly,
            "leave" => SoftGround::Leave,
            other => {
                let reason = Reason::UnknownChoice {
                    key: "soft_ground".to_owned(),
                    value: other.to_owned(),
                    valid: vec!["day_only".to_owned(), "leave".to_owned()],
                };
                return Err(context.error(written.span(), reason));
            }
        };
    }
    layout.boundary_pass = table.boundary_pass.unwrap_or(layout.boundary_pass);
    layout.keep_for_accuracy = (table.keep_for_accuracy).unwrap_or(layout.keep_for_accuracy);
    layout.without_access = table.without_access.unwrap_or(layout.without_access);
    layout.large_trees_day_only =
        (table.large_trees_day_only).unwrap_or(layout.large_trees_day_only);
    layout.road_clearing_day_only = table
        .road_clearing_day_only
        .unwrap_or(layout.road_clearing_day_only);
    if table.tree_height.is_some() {
        let mut height_m = 0.0;
        let range = (1.0, MOST_TREE_HEIGHT_M);
        length(
            context,
            "tree_height",
            &table.tree_height,
            range,
            &mut height_m,
        )?;
        let mut source = "layout.tree_height of the project file".to_owned();
        if let Some(stated) = &table.tree_height_source {
            context.not_empty("tree_height_source", stated)?;
            source = stated.get_ref().clone();
        }
        layout.tree_height = Some(TreeHeight { height_m, source });
    }
    if let Some(written) = &table.level_ground {
        context.not_empty("level_ground", written)?;
        layout.level_ground = Some(written.get_ref().clone());
    }
    Ok(layout)
}

/// Shorter strips are all turns.
const MAX_STRIP_M: (f64, f64) = (50.0, 5_000.0);

const LEAST_SHIFT_H: f64 = 1.0;
const MOST_SHIFT_H: f64 = 24.0;

/// A hectare is a block, no sliver.
const MOST_SLIVER_M2: f64 = 10_000.0;
const MOST_PATCH_M2: f64 = 200_000.0;
const MOST_PART_M2: f64 = 100_000.0;
const MOST_SETTING_M2: f64 = 1_000_000.0;
const MOST_STRIPS_BETWEEN: f64 = 100.0;

pub(super) fn square_metres(
    context: &Context<'_>,
    key: &str,
    written: &Spanned<Area>,
    most_m2: f64,
) -> Result<f64, ProjectError> {
    let value = written.get_ref().square_metres().ok_or_else(|| {
        let reason = Reason::NotA {
            key: key.to_owned(),
            value: written.get_ref().0.to_string(),
            wanted: "an area; write for example \"25 m2\" or \"0.01 ha\"",
        };
        context.error(written.span(), reason)
    })?;
    if value > most_m2 {
        let reason = Reason::OutOfRange {
            key: key.to_owned(),
            value: format!("{value} m2"),
            lowest: "0 m2".to_owned(),
            highest: format!("{most_m2} m2"),
        };
        return Err(context.error(written.span(), reason));
    }
    Ok(value)
}

/// How trees are left standing.
pub(super) fn pattern(
    context: &Context<'_>,
    written: &str,
    span: std::ops::Range<usize>,
) -> Result<Pattern, ProjectError> {
    Pattern::from_key(written).ok_or_else(|| {
        let reason = Reason::UnknownChoice {
            key: "pattern".to_owned(),
            value: written.to_owned(),
            valid: Pattern::ALL.map(|own| own.key().to_owned()).to_vec(),
        };
        context.error(span, reason)
    })
}

fn azimuth(context: &Context<'_>, written: &Spanned<Direction>) -> Result<Azimuth, ProjectError> {
    let reason = match &written.get_ref().0 {
        Written::Number(degrees) if (0.0..=360.0).contains(degrees) => {
            return Ok(Azimuth::Degrees(*degrees));
        }
        Written::Number(degrees) => Reason::OutOfRange {
            key: "azimuth".to_owned(),
            value: degrees.to_string(),
            lowest: "0".to_owned(),
            highest: "360 degrees, clockwise from grid north".to_owned(),
        },
        Written::Text(text) => match text.as_str() {
            "auto" => return Ok(Azimuth::Auto),
            "square_to_road" => return Ok(Azimuth::SquareToRoad),
            "long_side" => return Ok(Azimuth::LongSide),
            other if other.trim().parse::<f64>().is_ok() => Reason::NotA {
                key: "azimuth".to_owned(),
                value: other.to_owned(),
                wanted: "a number; write the degrees without quotes",
            },
            other => Reason::UnknownChoice {
                key: "azimuth".to_owned(),
                value: other.to_owned(),
                valid: vec![
                    "auto".to_owned(),
                    "square_to_road".to_owned(),
                    "long_side".to_owned(),
                    "45.0".to_owned(),
                ],
            },
        },
    };
    Err(context.error(written.span(), reason))
}

pub(super) fn number(
    context: &Context<'_>,
    key: &str,
    written: &Spanned<f64>,
    (lowest, highest): (f64, f64),
) -> Result<f64, ProjectError> {
    let value = *written.get_ref();
    if (lowest..=highest).contains(&value) {
        return Ok(value);
    }
    let reason = Reason::OutOfRange {
        key: key.to_owned(),
        value: value.to_string(),
        lowest: lowest.to_string(),
        highest: highest.to_string(),
    };
    Err(context.error(written.span(), reason))
}

/// Below this nobody would run a machine.
const LEAST_USED: f64 = 0.05;

fn used_share(
    context: &Context<'_>,
    key: &str,
    written: &Spanned<Share>,
) -> Result<f64, ProjectError> {
    let value = context.fraction(key, written)?;
    if value >= LEAST_USED {
        return Ok(value);
    }
    let reason = Reason::OutOfRange {
        key: key.to_owned(),
        value: Percent(value).to_string(),
        lowest: Percent(LEAST_USED).to_string(),
        highest: Percent(1.0).to_string(),
    };
    Err(context.error(written.span(), reason))
}

fn production(context: &Context<'_>, table: &ProductionTable) -> Result<Production, ProjectError> {
    let number = |key: &str, written: &Spanned<f64>, range| number(context, key, written, range);
    let mut production = Production::default();
    if let Some(written) = &table.stems_per_ha {
        let range = (0.0, MOST_STEMS_PER_HA);
        production.stems_per_ha = Some(number("stems_per_ha", written, range)?);
    }
    if let Some(written) = &table.tree_m3 {
        production.tree_m3 = Some(number("tree_m3", written, (0.0, MOST_TREE_M3))?);
    }
    const SECONDS: (f64, f64) = (0.0, 3600.0);
    const SPEED: (f64, f64) = (1.0, 1000.0);
    const FACTOR: (f64, f64) = (0.0, 100.0);
    let numbers = [
        (
            "cross_slope_factor",
            &table.cross_slope_factor,
            FACTOR,
            &mut production.cross_slope_factor,
        ),
        (
            "seconds_per_turn",
            &table.seconds_per_turn,
            SECONDS,
            &mut production.seconds_per_turn,
        ),
        (
            "travel_m_per_min",
            &table.travel_m_per_min,
            SPEED,
            &mut production.travel_m_per_min,
        ),
        (
            "payload_m3",
            &table.payload_m3,
            (0.1, 50.0),
            &mut production.payload_m3,
        ),
        (
            "skid_loaded_m_per_min",
            &table.skid_loaded_m_per_min,
            SPEED,
            &mut production.skid_loaded_m_per_min,
        ),
        (
            "skid_empty_m_per_min",
            &table.skid_empty_m_per_min,
            SPEED,
            &mut production.skid_empty_m_per_min,
        ),
        (
            "deck_m3_per_m",
            &table.deck_m3_per_m,
            (0.1, 1000.0),
            &mut production.deck_m3_per_m,
        ),
        (
            "seconds_per_load",
            &table.seconds_per_load,
            SECONDS,
            &mut production.seconds_per_load,
        ),
    ];
    for (key, written, range, slot) in numbers {
        if let Some(written) = written {
            *slot = number(key, written, range)?;
        }
    }
    length(
        context,
        "bunch_length",
        &table.bunch_length,
        (1.0, 80.0),
        &mut production.bunch_length_m,
    )?;
    production.time = time_model::resolve(context, table)?;
    let shares = [
        (
            "utilisation",
            &table.utilisation,
            &mut production.utilisation,
        ),
        (
            "skid_utilisation",
            &table.skid_utilisation,
            &mut production.skid_utilisation,
        ),
    ];
    for (key, written, slot) in shares {
        if let Some(written) = written {
            *slot = used_share(context, key, written)?;
        }
    }
    let limbiness = |key: &str, written: &Spanned<String>| match written.get_ref().as_str() {
        "light" => Ok(Limbiness::Light),
        "medium" => Ok(Limbiness::Medium),
        "heavy" => Ok(Limbiness::Heavy),
        other => {
            let reason = Reason::UnknownChoice {
                key: key.to_owned(),
                value: other.to_owned(),
                valid: ["light", "medium", "heavy"].map(str::to_owned).to_vec(),
            };
            Err(context.error(written.span(), reason))
        }
    };
    if let Some(written) = &table.limbiness {
        production.limbiness = limbiness("limbiness", written)?;
    }
    for (species, written) in &table.limbiness_by_species {
        let own = limbiness(&format!("limbiness_by_species.{species}"), written)?;
        production
            .limbiness_by_species
            .insert(species.to_lowercase(), own);
    }
    Ok(production)
}
