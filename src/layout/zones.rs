//! Zones around what lies near a block. Everything that owes a legal distance is a certified buffer.

use geo::{Geometry, Point, Polygon};

use super::{Context, LayoutError};
use crate::geometry::area::rings;
use crate::geometry::buffer::{Rung, Source, certified};
use crate::geometry::distance::SegmentIndex;
use crate::geometry::overlay::{difference, oriented};
use crate::landbase::NearFeature;
use crate::model::*;
use crate::rulebook::ReadStatus;

/// The zones of one block; polygon lists may overlap and are counter-clockwise.
#[derive(Default)]
pub struct Zones<'n> {
    pub list: Vec<Zone>,
    pub reserve: Vec<Polygon>,
    pub exclusion: Vec<Polygon>,
    pub clearing: Vec<Polygon>,
    /// Ground in front of roads: a part whose edge lies in it fronts on a road.
    pub frontage: Vec<Polygon>,
    pub road_band: Vec<Polygon>,
    pub hazard: Vec<Polygon>,
    pub brush: Vec<Polygon>,
    pub soft: Vec<Polygon>,
    pub managed: Vec<Managed<'n>>,
    pub stands: Vec<&'n NearFeature<'n>>,
    pub findings: Vec<Finding>,
    pub rungs: RungCount,
}

/// A feature with a management zone that owes a share.
pub struct Managed<'n> {
    pub near: &'n NearFeature<'n>,
    /// From the drawn feature to the reserve's edge.
    pub reserve_m: f64,
    pub management_m: f64,
    pub share: f64,
    /// Everything within reserve and management zone.
    pub outer: Vec<Polygon>,
}

/// The block's outline, for asking what really comes near it.
struct Outline<'b> {
    block: &'b geo::MultiPolygon,
    index: SegmentIndex,
}

impl Outline<'_> {
    fn within(&self, source: &Source, radius_m: f64) -> bool {
        let touches = |a, b| self.index.approach(a, b, radius_m + 1e-9).is_some();
        let corner = self
            .block
            .0
            .first()
            .and_then(|polygon| polygon.exterior().0.first());
        source
            .segments(0)
            .iter()
            .any(|s| touches(s.a, s.b) || crate::geometry::distance::inside(s.a, self.block))
            || corner.is_some_and(|&corner| source.contains(corner))
    }
}

pub fn draw<'n>(
    context: Context<'_>,
    block: &geo::MultiPolygon,
    near: &'n [NearFeature<'n>],
) -> Result<Zones<'n>, LayoutError> {
    let outline = Outline {
        block,
        index: SegmentIndex::of_boundary(block),
    };
    let mut zones = Zones::default();
    for feature in near {
        match feature.feature.kind {
            LayerKind::Streams | LayerKind::Lakes | LayerKind::Wetlands | LayerKind::Protected => {
                zones.keep_out(context, &outline, feature)?;
            }
            LayerKind::Roads => zones.road(context, &outline, feature)?,
            LayerKind::Hazards => zones.hazard(context, &outline, feature)?,
            LayerKind::Brush | LayerKind::SoftGround => {
                if let Source::Polygons(polygons) = &feature.source
                    && outline.within(&feature.source, 0.0)
                {
                    let list = if feature.feature.kind == LayerKind::Brush {
                        &mut zones.brush
                    } else {
                        &mut zones.soft
                    };
                    list.extend(oriented(polygons.clone()).0);
                }
            }
            LayerKind::Stands => zones.stands.push(feature),
            LayerKind::Blocks | LayerKind::Landings | LayerKind::SlopeClasses => {}
        }
    }
    Ok(zones)
}

impl<'n> Zones<'n> {
    fn buffer(
        &mut self,
        context: Context<'_>,
        near: &NearFeature,
        width_m: f64,
    ) -> Result<geo::MultiPolygon, LayoutError> {
        let buffered = certified(context.engines, &near.source, width_m).map_err(|source| {
            LayoutError::Uncertified {
                layer: near.feature.source_layer.clone(),
                feature_id: near.feature.id.clone(),
                reason: source,
            }
        })?;
        match buffered.rung {
            Rung::Engine => self.rungs.engine += 1,
            Rung::Cleaned => self.rungs.cleaned += 1,
            Rung::OtherEngine => self.rungs.other_engine += 1,
            Rung::Capsules => self.rungs.capsules += 1,
        }
        Ok(buffered.shape)
    }

    fn record(
        &mut self,
        near: &NearFeature,
        kind: ZoneKind,
        width_m: f64,
        shape: geo::MultiPolygon,
    ) {
        self.list.push(Zone {
            kind,
            source_layer: near.feature.source_layer.clone(),
            source_id: near.feature.id.clone(),
            class: near.feature.class.clone().unwrap_or_default(),
            rule_id: rule_id(near),
            width_m,
            shape,
        });
    }

    fn keep_out(
        &mut self,
        context: Context<'_>,
        outline: &Outline,
        near: &'n NearFeature<'n>,
    ) -> Result<(), LayoutError> {
        let demand = near.demand;
        let widest = demand.widest();
        let (reserve_m, management_m) = (widest.reserve_m, widest.management_m);
        let inner_m = demand.half_m + reserve_m;
        let outer_m = inner_m + management_m;
        let exclusion_m = demand.half_m + widest.machine_exclusion_m;
        let widest_m = outer_m.max(exclusion_m);
        // The machine may stand on a road up to half a strip outside the block, and must keep off there too.
        let keep_off_m = inner_m.max(exclusion_m) + context.settings.machine.half_strip_m();
        let decides = outline.within(&near.source, widest_m);
        if !decides && !outline.within(&near.source, keep_off_m) {
            return Ok(());
        }
        if decides {
            self.doubts(near);
        }
        let inner = self.buffer(context, near, inner_m)?;
        if !inner.0.is_empty() {
            self.reserve.extend(inner.0.iter().cloned());
            self.record(near, ZoneKind::Reserve, reserve_m, inner.clone());
        }
        if management_m > 0.0 {
            let outer = self.buffer(context, near, outer_m)?;
            let share = demand.rule.map_or(0.0, |rule| rule.management_share);
            self.record(
                near,
                ZoneKind::Management,
                management_m,
                difference(&outer, &inner.0),
            );
            if share > 0.0 {
                self.managed.push(Managed {
                    near,
                    reserve_m: inner_m,
                    management_m,
                    share,
                    outer: outer.0,
                });
            }
        }
        if widest.machine_exclusion_m > reserve_m {
            let excluded = self.buffer(context, near, exclusion_m)?;
            self.record(
                near,
                ZoneKind::MachineExclusion,
                widest.machine_exclusion_m,
                excluded.clone(),
            );
            self.exclusion.extend(excluded.0);
        }
        Ok(())
    }

    fn road(
        &mut self,
        context: Context<'_>,
        outline: &Outline,
        near: &'n NearFeature<'n>,
    ) -> Result<(), LayoutError> {
        let layout = &context.settings.layout;
        let half_m = near.demand.half_m;
        if !outline.within(
            &near.source,
            half_m + layout.road_band_m.max(layout.frontage_distance_m),
        ) {
            return Ok(());
        }
        let clearing = self.buffer(context, near, half_m)?;
        if !clearing.0.is_empty() {
            self.record(near, ZoneKind::RoadClearing, half_m, clearing.clone());
            self.clearing.extend(clearing.0);
        }
        if layout.road_band_m > 0.0 {
            let band = self.buffer(context, near, half_m + layout.road_band_m)?;
            self.record(near, ZoneKind::RoadBand, layout.road_band_m, band.clone());
            self.road_band.extend(band.0);
        }
        let front = context
            .engines
            .plain(&near.source, half_m + layout.frontage_distance_m);
        self.frontage.extend(oriented(front).0);
        Ok(())
    }

    fn hazard(
        &mut self,
        context: Context<'_>,
        outline: &Outline,
        near: &'n NearFeature<'n>,
    ) -> Result<(), LayoutError> {
        let distance_m = context.settings.layout.hazard_distance_m;
        let exclusion_m = near.demand.widest().machine_exclusion_m;
        if !outline.within(&near.source, distance_m.max(exclusion_m)) {
            return Ok(());
        }
        let shape = self.buffer(context, near, distance_m)?;
        self.record(near, ZoneKind::Hazard, distance_m, shape.clone());
        self.hazard.extend(shape.0);
        if exclusion_m > 0.0 {
            let excluded = self.buffer(context, near, exclusion_m)?;
            self.record(
                near,
                ZoneKind::MachineExclusion,
                exclusion_m,
                excluded.clone(),
            );
            self.exclusion.extend(excluded.0);
        }
        Ok(())
    }

    /// Says aloud what had to be assumed about a feature whose widths decide something here.
    fn doubts(&mut self, near: &NearFeature) {
        let feature = near.feature;
        let Some(rule) = near.demand.rule else {
            self.findings.push(Finding {
                rule_id: format!("{}-unruled", feature.kind.key()),
                verdict: Verdict::Unknown,
                measured: None,
                required: None,
                unit: "m",
                message: format!(
                    "{}, feature {}: the rulebook has no line for {}; only the feature itself is kept",
                    feature.source_layer,
                    feature.id,
                    feature.kind.key()
                ),
                source: String::new(),
                shape: place(near),
            });
            return;
        };
        let mut doubt = |verdict, message: String| {
            self.findings.push(Finding {
                rule_id: rule.id.clone(),
                verdict,
                measured: None,
                required: Some(rule.widest().reserve_m),
                unit: "m",
                message,
                source: rule.citation.text.clone(),
                shape: place(near),
            });
        };
        let who = format!("{}, feature {}", feature.source_layer, feature.id);
        if near.demand.assumed {
            let class = feature.class.as_deref().unwrap_or("none");
            doubt(
                Verdict::Unknown,
                format!(
                    "{who}: class {class} is not in the rulebook; the widest line, {}, stands in",
                    rule.class
                ),
            );
        }
        if near.demand.half_assumed && near.demand.half_m > 0.0 {
            let half_m = near.demand.half_m;
            doubt(
                Verdict::Warn,
                format!(
                    "{who}: no channel width; half of the class's widest channel, {half_m} m, stands in"
                ),
            );
        } else if near.demand.half_assumed {
            doubt(
                Verdict::Unknown,
                format!(
                    "{who}: no channel width, and class {} sets no limit; measured from the line",
                    rule.class
                ),
            );
        }
        if rule.citation.status == ReadStatus::FromMemory {
            doubt(
                Verdict::Warn,
                format!(
                    "{who}: the width of class {} is known from memory only",
                    rule.class
                ),
            );
        }
    }
}

fn rule_id(near: &NearFeature) -> String {
    match (near.demand.rule, near.feature.kind) {
        (Some(rule), _) => rule.id.clone(),
        (None, LayerKind::Roads) => "road-band".to_owned(),
        (None, LayerKind::Hazards) => "hazard-distance".to_owned(),
        (None, kind) => format!("{}-unruled", kind.key()),
    }
}

fn place(near: &NearFeature) -> Option<Geometry> {
    let first = match &near.source {
        Source::Points(points) => points.first().copied(),
        Source::Lines(lines) => lines.0.first().and_then(|line| line.0.first()).copied(),
        Source::Polygons(polygons) => polygons
            .0
            .first()
            .and_then(|p| rings(p).next()?.0.first().copied()),
    };
    first.map(|c| Geometry::Point(Point(c)))
}
