//! Net area, retained bands and parts.

use geo::{LineString, MultiLineString, MultiPolygon, Polygon};

use super::cost::Access;
use super::necks;
use super::steep::{self, UnknownSlope};
use super::tree_share::{self, Need};
use super::zones::{Managed, Zones, class_of};
use super::{Context, LayoutError};
use crate::geometry::area::{Bounds, area, length, polygon_area, rings};
use crate::geometry::overlay::{clip_lines, difference, intersection, oriented, shared_area};
use crate::geometry::sound::sound;
use crate::landbase::{Crossing, Slopes, Stocking};
use crate::model::{Finding, GroundFrame, Unworked, UnworkedReason, Verdict, Zone, ZoneKind};
use crate::units::hectares;

/// What is narrower all along is not there but for the drawing.
const HAIR_M: f64 = 0.05;
/// Less of a management zone is not what its share lacks.
const TAKEN_M2: f64 = 1.0;

fn mean_width_m(polygon: &Polygon) -> f64 {
    2.0 * polygon_area(polygon) / rings(polygon).map(length).sum::<f64>()
}

/// A block divided into what is reserved, retained in bands, cleared for roads, and the parts to be cut.
#[derive(Clone)]
pub struct Ground<'n> {
    pub zones: Zones<'n>,
    pub gross_m2: f64,
    /// Of the reserves, ground of layer `retain` alone that counts as retention.
    pub kept_m2: f64,
    /// Block minus reserves.
    pub net: MultiPolygon,
    /// Patches, too.
    pub retained_bands: MultiPolygon,
    /// Of the bands: what is left of strips in the place of retention that was cut.
    pub made_up: MultiPolygon,
    /// Road clearing inside the net area.
    pub clearing: MultiPolygon,
    /// Largest first is not promised: parts run from south to north, west to east.
    pub parts: Vec<Polygon>,
    pub unworked: Vec<Unworked>,
    /// Where wood is skidded to.
    pub access: &'n Access,
    pub slopes: &'n Slopes<'n>,
    /// Of the parts: steeper than the night limit.
    pub steep_by_night: Vec<Polygon>,
    pub unknown_slope: UnknownSlope,
    pub crossings: Vec<Crossing>,
    /// What was taken from it after strips were laid.
    pub came_later: CameLater,
}

/// What came after strips were laid.
#[derive(Clone)]
pub struct CameLater {
    /// On which nothing is cut any more.
    pub gone: MultiPolygon,
    /// On which no machine drives any more, besides.
    pub off_limits: MultiPolygon,
    /// Both, beyond the block as well.
    pub shut: MultiPolygon,
    /// Of that ground, what is no part of the block any more.
    pub outside: MultiPolygon,
    /// Bands and patches on that ground, m2.
    pub retained_m2: f64,
    /// Of that ground, what is too soft and left for it.
    pub soft: MultiPolygon,
    /// What is left of bands and is too small to stand for any.
    pub scraps: MultiPolygon,
}

impl Default for CameLater {
    fn default() -> CameLater {
        CameLater {
            gone: MultiPolygon(vec![]),
            off_limits: MultiPolygon(vec![]),
            shut: MultiPolygon(vec![]),
            outside: MultiPolygon(vec![]),
            retained_m2: 0.0,
            soft: MultiPolygon(vec![]),
            scraps: MultiPolygon(vec![]),
        }
    }
}

impl CameLater {
    /// Roads, less what leads over it.
    pub fn clear_of(&self, roads: &[LineString]) -> Vec<LineString> {
        match self.shut.0.is_empty() {
            true => roads.to_vec(),
            false => clip_lines(&MultiLineString(roads.to_vec()), &self.shut.0, false).0,
        }
    }

    pub fn is_nothing(&self) -> bool {
        self.gone.0.is_empty() && self.off_limits.0.is_empty()
    }
}

/// Ground of layer `retain` that counts as retention, that no other reserve has and that is not cleared for a road; pieces large
/// enough for the rules.
pub fn counted(context: Context<'_>, block: &MultiPolygon, zones: &Zones) -> MultiPolygon {
    if zones.counted.is_empty() {
        return MultiPolygon(vec![]);
    }
    let counted = intersection(block, &zones.counted);
    let least = context.rules.block.least_patch_m2.as_ref();
    let others = zones.not_counted.iter().chain(&zones.clearing);
    let others: Vec<Polygon> = others.chain(&zones.unfelled).cloned().collect();
    let alone = difference(&counted, &others);
    let is_enough = |piece: &Polygon| least.is_none_or(|least| polygon_area(piece) > least.value);
    MultiPolygon(alone.0.into_iter().filter(is_enough).collect())
}

pub fn divide<'n>(
    context: Context<'_>,
    block: &MultiPolygon,
    frame: &GroundFrame,
    mut zones: Zones<'n>,
    (crossings, patches): (Vec<Crossing>, &[Polygon]),
    access: &'n Access,
    slopes: &'n Slopes<'n>,
) -> Result<Ground<'n>, LayoutError> {
    let layout = &context.settings.layout;
    let gross_m2 = area(block);
    let net = difference(block, &zones.uncut());
    if area(&net) < layout.sliver_m2 {
        return Err(LayoutError::NothingLeft {
            gross_ha: hectares(gross_m2),
        });
    }
    let kept_m2 = area(&counted(context, block, &zones));
    let mut retained_bands = retain_bands(context, &net, &crossings, &mut zones, None);
    keep_patches(&mut retained_bands, &net, &mut zones, patches);
    let work = difference(&net, &retained_bands.0);
    // A block drawn along a road's edge shares hairs with it: that is no road inside the block.
    let enters = |road: &&Polygon| {
        let inside = intersection(&work, std::slice::from_ref(*road));
        inside.0.iter().any(|piece| mean_width_m(piece) > HAIR_M)
    };
    let roads: Vec<Polygon> = zones.clearing.iter().filter(enters).cloned().collect();
    let mut clearing = intersection(&work, &roads);
    let mut rest = difference(&work, &roads);
    let mut unworked = Vec::new();
    let unfelled: Vec<Polygon> = zones.unfelled.iter().filter(enters).cloned().collect();
    if !unfelled.is_empty() {
        clearing = difference(&clearing, &unfelled);
        rest = difference(&rest, &unfelled);
        let left = intersection(&work, &unfelled);
        unworked.extend(left.0.into_iter().map(|shape| Unworked {
            part: 0,
            reason: UnworkedReason::Road,
            shape,
        }));
    }
    if layout.soft_ground == crate::model::SoftGround::Leave && !zones.soft.is_empty() {
        let left = intersection(&rest, &zones.soft);
        rest = difference(&rest, &zones.soft);
        unworked.extend(left.0.into_iter().map(|shape| Unworked {
            part: 0,
            reason: UnworkedReason::SoftGround,
            shape,
        }));
    }
    let mut steep = steep::divide(context, slopes, rest);
    unworked.append(&mut steep.unworked);
    zones.findings.append(&mut steep.findings);
    let mut parts = Vec::new();
    let rest = steep.rest.0.into_iter();
    for shape in rest.flat_map(|shape| sound(shape, frame)) {
        if polygon_area(&shape) < layout.sliver_m2 {
            unworked.push(Unworked {
                part: 0,
                reason: UnworkedReason::Sliver,
                shape,
            });
        } else {
            parts.extend(necks::divide(context, shape));
        }
    }
    let corner = |polygon: &Polygon| {
        let bounds = Bounds::of(&polygon.exterior().0);
        (bounds.min.y, bounds.min.x)
    };
    parts.sort_by(|a, b| {
        corner(a)
            .0
            .total_cmp(&corner(b).0)
            .then(corner(a).1.total_cmp(&corner(b).1))
    });
    Ok(Ground {
        zones,
        gross_m2,
        kept_m2,
        net,
        retained_bands,
        made_up: MultiPolygon(vec![]),
        clearing,
        parts,
        unworked,
        access,
        slopes,
        steep_by_night: steep.night.0,
        unknown_slope: steep.unknown,
        crossings,
        came_later: CameLater::default(),
    })
}

/// Patches are left like bands, each with a number of its own.
fn keep_patches(
    bands: &mut MultiPolygon,
    net: &MultiPolygon,
    zones: &mut Zones,
    patches: &[Polygon],
) {
    for (number, patch) in (1u32..).zip(patches) {
        let own = intersection(net, std::slice::from_ref(patch));
        let shape = difference(&own, &bands.0);
        if shape.0.is_empty() {
            continue;
        }
        zones.list.push(Zone::patch(number, shape.clone()));
        bands.0.extend(shape.0);
    }
}

/// Where trees of a management zone may stand, in words: outside what takes its ground.
fn taken_by(managed: &MultiPolygon, road_band: &[Polygon], lanes: &[Polygon]) -> &'static str {
    let takes = |polygons: &[Polygon]| shared_area(managed, polygons) > TAKEN_M2;
    match (takes(road_band), takes(lanes)) {
        (true, true) => "outside the road band and the ways to crossings",
        (false, true) => "outside the ways to crossings",
        (true, false) => "outside the road band",
        (false, false) => "on the ground that is there",
    }
}

/// Lays bands against the reserves until each management zone's own share stands. All features under one rule
/// are solved together, by the same fraction of the management width of each of their stretches, measured on
/// the net area.
pub fn retain_bands(
    context: Context<'_>,
    net: &MultiPolygon,
    crossings: &[Crossing],
    zones: &mut Zones,
    more: Option<MoreBands>,
) -> MultiPolygon {
    let (mut bands, near) = match more {
        None => (MultiPolygon(vec![]), None),
        Some(more) => (more.standing, Some(more.near)),
    };
    let felled = std::mem::take(&mut zones.felled);
    let rule_of = |managed: &Managed| managed.rule_id().map(str::to_owned);
    let counts_trees = |managed: &Managed| {
        let rule = managed.near.demand.rule;
        rule.is_some_and(|rule| rule.share_trees.is_some() || rule.trees_per_length.is_some())
    };
    let counted = zones.managed.iter().any(counts_trees);
    let stands = zones.stands.iter().copied().filter(|_| counted);
    let stocking = Stocking::new(stands, &Bounds::of_polygons(net));
    let mut rules: Vec<(f64, Option<String>)> = zones
        .managed
        .iter()
        .map(|managed| (managed.share, rule_of(managed)))
        .collect();
    // Small shares first: what stands for them counts towards the larger ones.
    rules.sort_by(|a, b| a.0.total_cmp(&b.0).then_with(|| a.1.cmp(&b.1)));
    rules.dedup();
    let lanes: Vec<Polygon> = crossings.iter().flat_map(|c| c.lane.clone()).collect();
    let mut drawn: Vec<Zone> = Vec::new();
    let mut findings: Vec<Finding> = Vec::new();
    for (_, rule) in rules {
        let group: Vec<&Managed> = zones
            .managed
            .iter()
            .filter(|managed| rule_of(managed) == rule)
            .collect();
        let outer: Vec<Polygon> = group
            .iter()
            .flat_map(|managed| managed.outer.iter().cloned())
            .collect();
        let managed_net = intersection(net, &outer);
        let Some(line) = group[0].near.demand.rule else {
            continue;
        };
        let needs = tree_share::of_zone(line, &managed_net, &zones.list, &stocking);
        // No retention may stand in the road band, so a band stops there, nor in the way of a crossing.
        let may_stand = difference(&managed_net, &zones.road_band);
        let mut may_stand = difference(&may_stand, &lanes);
        if let Some(near) = &near {
            may_stand = difference(&intersection(&may_stand, near), &felled);
        }
        let already = tree_share::already(&managed_net, &bands);
        let is_enough = |band: &MultiPolygon| {
            let met = |need: &Need| need.is_met(&stocking, [band, &already]);
            needs.iter().all(met)
        };
        if is_enough(&MultiPolygon(vec![])) {
            continue;
        }
        let band_at = |fraction: f64| {
            let inner: Vec<Polygon> = group
                .iter()
                .flat_map(|managed| &managed.parts)
                .flat_map(|part| {
                    let width_m = part.reserve_m + fraction * part.management_m;
                    oriented(context.engines.plain(&part.source, width_m)).0
                })
                .collect();
            difference(&intersection(&may_stand, &inner), &bands.0)
        };
        let (mut low, mut high) = (0.0, 1.0);
        let mut best = difference(&may_stand, &bands.0);
        if is_enough(&best) {
            for _ in 0..24 {
                let middle = (low + high) / 2.0;
                let band = band_at(middle);
                if is_enough(&band) {
                    (high, best) = (middle, band);
                } else {
                    low = middle;
                }
                if high - low < 1e-4 {
                    break;
                }
            }
        }
        let short = |need: &&Need| need.falls_short(&stocking, [&best, &already]);
        let taken_by = taken_by(&managed_net, &zones.road_band, &lanes);
        for need in needs.iter().filter(short) {
            let what = match need.unit {
                "share" => "share",
                _ => "number of trees",
            };
            findings.push(Finding {
                rule_id: line.id.clone(),
                verdict: Verdict::Fail,
                measured: Some(need.measured(&stocking, [&best, &already])),
                required: Some(need.required),
                unit: need.unit,
                message: format!("the management zone's {what} cannot stand {taken_by}"),
                source: line.share_source().text.clone(),
                shape: None,
            });
        }
        if best.0.is_empty() {
            continue;
        }
        drawn.push(Zone {
            kind: ZoneKind::RetainedBand,
            source_layer: group[0].near.feature.source_layer.clone(),
            source_id: group
                .iter()
                .map(|managed| managed.near.feature.id.as_str())
                .collect::<Vec<_>>()
                .join(";"),
            class: class_of(group[0].near),
            rule_id: line.id.clone(),
            width_m: high * group[0].widest_m(),
            kept: None,
            shape: best.clone(),
        });
        bands.0.extend(best.0);
    }
    zones.felled = felled;
    zones.list.extend(drawn);
    zones.findings.extend(findings);
    bands
}

/// Bands that stand already, and where others may be added.
pub struct MoreBands {
    pub standing: MultiPolygon,
    pub near: Vec<Polygon>,
}
