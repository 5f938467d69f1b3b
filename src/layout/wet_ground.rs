//! Ground that may be wet though nobody mapped it soft, for daylight only; and what nobody knows of it.

use geo::{Geometry, InteriorPoint, MultiPolygon, Polygon};

use super::Context;
use super::zones::Zones;
use crate::geometry::area::{area, polygon_area};
use crate::geometry::overlay::{difference, intersection};
use crate::landbase::{WetFound, WhyUnknown, wet_polygons};
use crate::model::*;
use crate::units::hectares;

/// Less is dust of the overlay.
const LEAST_M2: f64 = 1.0;
/// Less is not told as hectares: it rounds to none.
const LEAST_TOLD_M2: f64 = 50.0;
/// What the zones of such ground call themselves as their class.
const LOW: &str = "low";
const NOT_KNOWN: &str = "not_known";

/// Looks for it in a block, if the project asks for it.
pub fn find(context: Context<'_>, block: &SourceBlock, shape: &MultiPolygon) -> Option<WetFound> {
    let wanted = context.settings.wet_ground.as_ref()?;
    Some((context.landbase).wet_ground(context.terrain, wanted, &block.frame, shape))
}

impl Zones<'_> {
    /// Lays what was found into the zones of a block's shape, and says it once.
    pub(super) fn may_be_wet(
        &mut self,
        context: Context<'_>,
        found: &WetFound,
        frame: &GroundFrame,
        shape: &MultiPolygon,
    ) {
        let Some(wanted) = &context.settings.wet_ground else {
            return;
        };
        // Nobody works in reserves.
        let worked = difference(shape, &self.uncut());
        let on = |choose: &dyn Fn(Wet) -> bool| -> MultiPolygon {
            let cells = (found.map.as_ref()).map(|map| wet_polygons(map, frame, choose));
            intersection(&worked, &cells.unwrap_or_default())
        };
        let low = on(&|wet| wet == Wet::MayBe);
        // What no cell says anything of is not known either.
        let known = on(&|wet| wet != Wet::Unknown);
        let unknown = difference(&worked, &known.0);
        let finding = |verdict, shape: &MultiPolygon, message: String| Finding {
            rule_id: MAY_BE_WET_RULE.to_owned(),
            verdict,
            measured: Some(hectares(area(shape))),
            required: None,
            unit: "ha",
            message,
            source: source(wanted),
            // The zones have the ground itself.
            shape: place(shape),
        };
        if area(&low) >= LEAST_TOLD_M2 {
            let channels = match found.channels {
                0 => String::new(),
                _ => format!(
                    ", mapped or in channels that at least {} ha drain through",
                    wanted.channels_m2.map_or(0.0, hectares)
                ),
            };
            self.findings.push(finding(
                // Nothing falls short: it is worked as such ground is.
                Verdict::NotApplicable,
                &low,
                format!(
                    "{:.2} ha may be wet: worked by day only, after a look at the ground; they lie no higher than {} over the nearest \
                     water{channels}; {DEPTH_TO_WATER_LIMITS}",
                    hectares(area(&low)),
                    figures(wanted),
                ),
            ));
        }
        if area(&unknown) >= LEAST_M2 {
            self.findings.push(finding(
                Verdict::Unknown,
                &unknown,
                format!(
                    "whether the ground may be wet is not known on {:.2} ha: {}; they are worked by day only, after a look at the ground",
                    hectares(area(&unknown)),
                    why(found, wanted)
                ),
            ));
        }
        if !found.unranked.is_empty() {
            let named = |soil: &String| match soil.as_str() {
                "-" => "none mapped".to_owned(),
                soil => format!("`{soil}`"),
            };
            let soils: Vec<String> = found.unranked.iter().map(named).collect();
            self.findings.push(Finding {
                measured: None,
                shape: None,
                unit: "m",
                required: Some(wanted.widest_m()),
                ..finding(
                    Verdict::Unknown,
                    &MultiPolygon(vec![]),
                    format!(
                        "soil without a figure of its own in `by_soil` ({}): the widest, {} m, stands in",
                        soils.join(", "),
                        wanted.widest_m()
                    ),
                )
            });
        }
        for (class, ground) in [(LOW, &low), (NOT_KNOWN, &unknown)] {
            let ground = dusted(ground);
            if ground.0.is_empty() {
                continue;
            }
            self.list.push(Zone {
                kind: ZoneKind::MayBeWet,
                source_layer: "terrain".to_owned(),
                source_id: String::new(),
                class: class.to_owned(),
                rule_id: MAY_BE_WET_RULE.to_owned(),
                width_m: 0.0,
                kept: None,
                shape: ground,
            });
        }
        self.wet = low.0.into_iter().chain(unknown.0).collect();
    }
}

/// In the largest piece.
fn place(ground: &MultiPolygon) -> Option<Geometry> {
    let larger = |a: &&Polygon, b: &&Polygon| polygon_area(a).total_cmp(&polygon_area(b));
    let largest = ground.0.iter().max_by(larger)?;
    largest.interior_point().map(Geometry::Point)
}

fn dusted(ground: &MultiPolygon) -> MultiPolygon {
    let is_ground = |polygon: &&Polygon| polygon_area(polygon) >= LEAST_M2;
    MultiPolygon(ground.0.iter().filter(is_ground).cloned().collect())
}

/// `1 m`, or with soils `0.5 to 2.5 m, by soil`.
fn figures(wanted: &WetGround) -> String {
    let least_m = wanted
        .by_soil
        .values()
        .copied()
        .fold(wanted.depth_m, f64::min);
    match wanted.by_soil.is_empty() {
        true => format!("{} m", wanted.depth_m),
        false => format!("{least_m} to {} m, by soil,", wanted.widest_m()),
    }
}

pub fn source(wanted: &WetGround) -> String {
    format!("{}; docs/algorithms.md, Wet ground", wanted.source)
}

fn why(found: &WetFound, wanted: &WetGround) -> String {
    let off = match found.water_off {
        0 => "",
        _ => "; water is mapped where no elevation is known",
    };
    match &found.why {
        Some(WhyUnknown::Fault(fault)) => fault.clone(),
        Some(WhyUnknown::Uneven) => {
            "the work CRS is in degrees, or draws one way longer than the other: name a projected one as `crs`".to_owned()
        }
        Some(WhyUnknown::NoWater) => {
            let channel = match wanted.channels_m2 {
                Some(m2) => format!(", and no channel that {} ha drain through", hectares(m2)),
                None => String::new(),
            };
            format!(
                "no water is mapped within {} m of the block where elevations are known{channel}{off}",
                found.around_m
            )
        }
        Some(WhyUnknown::Beyond) => format!(
            "water beyond the {} m around the block that were looked at, or beyond ground without elevation, may be as near{off}",
            found.around_m
        ),
        Some(WhyUnknown::NoElevation) | None => "no elevation is known there".to_owned(),
    }
}
