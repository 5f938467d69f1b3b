//! Zones around what lies near a block. Everything that owes a legal distance is a certified buffer.

use std::borrow::Cow;

use geo::{Coord, Geometry, Polygon};

use super::boundary_pass::is_small;
use super::doubts::{self, Doubt};
use super::{Context, LayoutError, danger_trees, power_lines};
use crate::geometry::area::Bounds;
use crate::geometry::buffer::{Rung, Source, certified};
use crate::geometry::distance::{
    Segment, SegmentIndex, boundary_segments, inside, point_segment, segment_segment, share_along,
};
use crate::geometry::overlay::{difference, oriented};
use crate::landbase::{NearFeature, Slopes};
use crate::model::*;
use crate::rulebook::{BARRIER_RULE, RuleLine, Widths, counts_as_retained};

/// The zones of one block; polygon lists may overlap and are counter-clockwise.
#[derive(Clone, Default)]
pub struct Zones<'n> {
    pub list: Vec<Zone>,
    pub reserve: Vec<Polygon>,
    /// Along the block's own edge, where that may be off: nothing is cut there, and machines may cross it.
    pub edge: Vec<Polygon>,
    /// Of the reserves: what layer `retain` has and counts, and all others.
    pub counted: Vec<Polygon>,
    pub not_counted: Vec<Polygon>,
    pub exclusion: Vec<Polygon>,
    /// What features that have nothing to say in the block keep machines off, in front of roads.
    pub barred: Vec<Polygon>,
    /// Road ground that machines may run on.
    pub clearing: Vec<Polygon>,
    /// Road ground on which nothing is felled: cleared already, or not for machines.
    pub unfelled: Vec<Polygon>,
    /// Ground in front of roads: a part whose edge lies in it fronts on a road.
    pub frontage: Vec<Polygon>,
    /// Ground in front of roads that machines may run on.
    pub beside_roads: Vec<Polygon>,
    pub road_band: Vec<Polygon>,
    pub hazard: Vec<Polygon>,
    pub brush: Vec<Polygon>,
    pub soft: Vec<Polygon>,
    /// Of the block: low over the nearest water, or not known to be higher.
    pub wet: Vec<Polygon>,
    /// Cut before this plan.
    pub felled: Vec<Polygon>,
    pub managed: Vec<Managed<'n>>,
    pub stands: Vec<&'n NearFeature<'n>>,
    /// Ids of roads of which nobody says how they may be used.
    unsaid: Vec<String>,
    /// Of each feature, until those of a kind are told together.
    doubts: Vec<Doubt>,
    /// Features that keep machines off somewhere, but not in the block.
    aside: Vec<&'n NearFeature<'n>>,
    pub power_lines: Vec<PowerLineNote>,
    pub findings: Vec<Finding>,
    pub rungs: RungCount,
}

/// A feature with a management zone that owes a share.
#[derive(Clone)]
pub struct Managed<'n> {
    pub near: &'n NearFeature<'n>,
    pub share: f64,
    /// Everything within reserve and management zone.
    pub outer: Vec<Polygon>,
    pub parts: Vec<ManagedPart<'n>>,
}

impl Managed<'_> {
    pub fn rule_id(&self) -> Option<&str> {
        self.near.demand.rule.map(|rule| rule.id.as_str())
    }

    /// The widest management zone of any stretch, in metres.
    pub fn widest_m(&self) -> f64 {
        self.parts
            .iter()
            .map(|part| part.management_m)
            .fold(0.0, f64::max)
    }
}

/// What of a feature has a management zone of one width.
#[derive(Clone)]
pub struct ManagedPart<'n> {
    pub source: Cow<'n, Source>,
    /// From the drawn feature to the reserve's edge.
    pub reserve_m: f64,
    pub management_m: f64,
}

/// What of a feature asks for one distance.
struct Asked<'n> {
    source: Cow<'n, Source>,
    widths: Widths,
    /// From the feature's edge.
    distance_m: f64,
}

/// The stretches of a feature by the distance they ask for, those of one distance together; `distance` is None where a
/// stretch asks for nothing.
fn asked<'n>(
    near: &'n NearFeature<'n>,
    distance: impl Fn(Widths) -> Option<f64>,
    same: impl Fn(Widths, Widths) -> bool,
) -> Vec<Asked<'n>> {
    let mut found: Vec<Asked> = Vec::new();
    for (source, widths) in near.stretches() {
        let Some(distance_m) = distance(widths) else {
            continue;
        };
        // The outline of a polygon asks for nothing that the polygon itself does not give at the same distance.
        let given = |held: &Asked| {
            matches!(*held.source, Source::Polygons(_)) && held.distance_m >= distance_m
        };
        if found.iter().any(given) {
            continue;
        }
        let alike = found.iter_mut().find(|held| same(held.widths, widths));
        let merged = alike.is_some_and(|held| merge(held.source.to_mut(), source));
        if !merged {
            found.push(Asked {
                source: Cow::Borrowed(source),
                widths,
                distance_m,
            });
        }
    }
    found
}

/// Adds `more` to a source of the same kind; a polygon and its outline stay apart.
fn merge(source: &mut Source, more: &Source) -> bool {
    match (source, more) {
        (Source::Lines(lines), Source::Lines(more)) => lines.0.extend(more.0.iter().cloned()),
        (Source::Points(points), Source::Points(more)) => points.extend(more),
        _ => return false,
    }
    true
}

/// An outline, the block's or that of ground beside it, for asking what really comes near it.
pub struct Outline<'b> {
    pub(super) block: &'b geo::MultiPolygon,
    index: SegmentIndex,
}

/// Where something comes nearest to a block, on its outline or inside.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Touch {
    pub distance_m: f64,
    pub place: Coord,
}

impl Touch {
    pub fn shape(self) -> Geometry {
        Geometry::Point(self.place.into())
    }
}

impl Outline<'_> {
    /// Where a feature touches the block: a place of its own inside, or the place of the outline that lies nearest to it. None:
    /// it has no places.
    pub(super) fn touch(&self, source: &Source) -> Option<Touch> {
        let segments = source.segments(0);
        let here = |place: Coord| Touch {
            distance_m: 0.0,
            place,
        };
        let in_block = |c: &Coord| inside(*c, self.block);
        if let Some(place) = segments.iter().map(|s| s.a).find(in_block) {
            return Some(here(place));
        }
        let corners = self.block.0.iter().filter_map(|p| p.exterior().0.first());
        if let Some(place) = corners.copied().find(|&c| source.contains(c)) {
            return Some(here(place));
        }
        let mut nearest: Option<(f64, Segment)> = None;
        for segment in &segments {
            let within = nearest.map_or(f64::INFINITY, |(distance, _)| distance);
            if let Some(approach) = self.index.approach(segment.a, segment.b, within) {
                nearest = Some((approach.distance, *segment));
            }
        }
        let (distance_m, segment) = nearest?;
        let edges = boundary_segments(self.block, 0);
        let edge = edges.min_by(|one, other| {
            let away = |edge: &Segment| segment_segment(segment.a, segment.b, edge.a, edge.b);
            away(one).total_cmp(&away(other))
        })?;
        Some(Touch {
            distance_m,
            place: nearest_on(&edge, &segment),
        })
    }

    /// Whether any stretch comes within its own distance, counted from the feature's edge.
    fn within_any(&self, near: &NearFeature, distance: impl Fn(Widths) -> f64) -> bool {
        near.stretches()
            .any(|(source, widths)| self.within(source, near.demand.half_m + distance(widths)))
    }

    pub fn within(&self, source: &Source, radius_m: f64) -> bool {
        let touches = |a, b| self.index.approach(a, b, radius_m + 1e-9).is_some();
        // What crosses no outline may still hold a piece of the block whole.
        let mut corners = self
            .block
            .0
            .iter()
            .filter_map(|polygon| polygon.exterior().0.first());
        source
            .segments(0)
            .iter()
            .any(|s| touches(s.a, s.b) || inside(s.a, self.block))
            || corners.any(|&corner| source.contains(corner))
    }
}

/// The place of an edge that lies nearest to a segment; where they cross, the crossing.
fn nearest_on(edge: &Segment, segment: &Segment) -> Coord {
    let (along, other) = (edge.b - edge.a, segment.b - segment.a);
    let across = along.x * other.y - along.y * other.x;
    let between = segment.a - edge.a;
    let share = (between.x * other.y - between.y * other.x) / across;
    let share_of_other = (between.x * along.y - between.y * along.x) / across;
    if [share, share_of_other]
        .iter()
        .all(|at| (0.0..=1.0).contains(at))
    {
        return edge.a + along * share;
    }
    let onto = |p: Coord| edge.a + along * share_along(p, edge.a, edge.b);
    let ends = [onto(segment.a), onto(segment.b), edge.a, edge.b];
    let away = |p: &Coord| point_segment(*p, segment.a, segment.b);
    let nearest = |held: Coord, next: Coord| match away(&next) < away(&held) {
        true => next,
        false => held,
    };
    ends.into_iter().fold(ends[0], nearest)
}

pub fn draw<'n>(
    context: Context<'_>,
    block: &geo::MultiPolygon,
    near: &'n [NearFeature<'n>],
    slopes: &Slopes,
) -> Result<Zones<'n>, LayoutError> {
    let outline = Outline {
        block,
        index: SegmentIndex::of_boundary(block),
    };
    let mut zones = Zones::default();
    for feature in near {
        match feature.feature.kind {
            LayerKind::PowerLines => zones.power_line(context, &outline, feature)?,
            _ if feature.keeps_out() => zones.keep_out(context, &outline, feature, slopes)?,
            LayerKind::Roads => zones.road(context, &outline, feature)?,
            LayerKind::Hazards => zones.hazard(context, &outline, feature, slopes)?,
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
            LayerKind::Felled => {
                if let Source::Polygons(polygons) = &feature.source
                    && outline.within(&feature.source, 0.0)
                {
                    zones.felled.extend(oriented(polygons.clone()).0);
                }
            }
            LayerKind::Stands => zones.stands.push(feature),
            _ => {}
        }
    }
    let others = std::mem::take(&mut zones.findings);
    zones.findings = doubts::told(std::mem::take(&mut zones.doubts));
    zones.findings.extend(others);
    zones.bar_fronts(context)?;
    zones.say_road_use();
    Ok(zones)
}

impl<'n> Zones<'n> {
    /// What is assumed of roads is said once a block.
    fn say_road_use(&mut self) {
        self.unsaid.sort();
        self.unsaid.dedup();
        if self.unsaid.is_empty() {
            return;
        }
        self.findings.push(Finding {
            rule_id: "road-use".to_owned(),
            verdict: Verdict::NotApplicable,
            measured: Some(self.unsaid.len() as f64),
            required: None,
            unit: "",
            message: format!(
                "nobody says how roads may be used ({}): taken as open to machines and to decks of wood, and still to be cleared",
                self.unsaid.join(", ")
            ),
            source: "docs/project-file.md, Roads".to_owned(),
            shape: None,
        });
    }

    pub(super) fn buffer(
        &mut self,
        context: Context<'_>,
        near: &NearFeature,
        source: &Source,
        width_m: f64,
    ) -> Result<geo::MultiPolygon, LayoutError> {
        let buffered = certified(context.engines, source, width_m).map_err(|reason| {
            LayoutError::Uncertified {
                layer: near.feature.source_layer.clone(),
                feature_id: near.feature.id.clone(),
                reason,
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

    pub(super) fn record(
        &mut self,
        near: &NearFeature,
        kind: ZoneKind,
        width_m: f64,
        shape: geo::MultiPolygon,
    ) {
        self.record_as(rule_id(near), near, kind, width_m, shape);
    }

    pub(super) fn record_as(
        &mut self,
        rule_id: String,
        near: &NearFeature,
        kind: ZoneKind,
        width_m: f64,
        shape: geo::MultiPolygon,
    ) {
        // A line without width, under a rule that asks for nothing or wholly inside the reserve, has no zone.
        if shape.0.is_empty() {
            return;
        }
        let kept = (kind == ZoneKind::Reserve && near.feature.stays())
            .then(|| counts_as_retained(near.feature));
        self.list.push(Zone {
            kind,
            kept,
            source_layer: near.feature.source_layer.clone(),
            source_id: near.feature.id.clone(),
            class: class_of(near),
            rule_id,
            width_m,
            shape,
        });
    }

    fn keep_out(
        &mut self,
        context: Context<'_>,
        outline: &Outline,
        near: &'n NearFeature<'n>,
        slopes: &Slopes,
    ) -> Result<(), LayoutError> {
        // The machine may stand on a road up to half a strip outside the block, and must keep off there too.
        let aside_m = context.settings.machine.half_strip_m();
        let decides = self.decides(outline, near);
        let keeps_off = |widths: Widths| widths.reserve_m.max(widths.machine_exclusion_m) + aside_m;
        let barred = || {
            let barrier = near.barrier();
            barrier.is_some_and(|(source, barrier_m)| outline.within(source, barrier_m + aside_m))
        };
        if !decides && !outline.within_any(near, keeps_off) && !barred() {
            self.aside.push(near);
            return Ok(());
        }
        if decides {
            doubts::say(&mut self.doubts, near, slopes, outline);
            danger_trees::say(&mut self.findings, near, outline);
            self.say_overruled(context, near);
        }
        self.ruled(context, near, true)
    }

    /// A feature that has nothing to say in the block, but may have beside it.
    pub(super) fn stand_aside(&mut self, near: &'n NearFeature<'n>) {
        self.aside.push(near);
    }

    /// A rule that asks for trees beside a road goes before the road band, which nobody asks for but practice.
    fn say_overruled(&mut self, context: Context<'_>, near: &NearFeature) {
        let rule = near.demand.rule.filter(|rule| rule.owes_trees());
        let band_m = context.settings.layout.road_band_m;
        let (Some(rule), LayerKind::Roads) = (rule, near.feature.kind) else {
            return;
        };
        if band_m <= 0.0 {
            return;
        }
        self.findings.push(Finding {
            rule_id: "road-band-overruled".to_owned(),
            verdict: Verdict::NotApplicable,
            measured: Some(near.demand.widest().management_m),
            required: None,
            unit: "m",
            message: format!(
                "road {}: {} ({}) asks for trees beside it, and the road band of common practice ({band_m:.1} m) for none: the rule goes \
                 before, and there is no road band beside this road",
                near.feature.id, rule.title, rule.citation.text
            ),
            source: rule.share_source().text.clone(),
            shape: None,
        });
    }

    /// Whether any of its distances reaches into the block.
    fn decides(&self, outline: &Outline, near: &NearFeature) -> bool {
        let barrier = near.barrier();
        outline.within_any(near, |widths| widths.reach_m())
            || barrier.is_some_and(|(source, barrier_m)| outline.within(source, barrier_m))
    }

    /// Reserve, management zone and machine exclusion as the rule asks of each stretch, each buffer certified on its own.
    pub(super) fn ruled(
        &mut self,
        context: Context<'_>,
        near: &'n NearFeature<'n>,
        itself: bool,
    ) -> Result<(), LayoutError> {
        let half_m = near.demand.half_m;
        let reserved = |w: Widths| (itself || w.reserve_m > 0.0).then_some(w.reserve_m);
        let mut inner: Vec<Polygon> = Vec::new();
        for asked in asked(near, reserved, |a, b| a.reserve_m == b.reserve_m) {
            let shape = self.buffer(context, near, &asked.source, half_m + asked.distance_m)?;
            inner.extend(shape.0.iter().cloned());
            self.record(near, ZoneKind::Reserve, asked.distance_m, shape);
        }
        if let Some((source, barrier_m)) = near.barrier() {
            let shape = self.buffer(context, near, source, barrier_m)?;
            inner.extend(shape.0.iter().cloned());
            let rule_id = BARRIER_RULE.to_owned();
            self.record_as(rule_id, near, ZoneKind::Reserve, barrier_m, shape);
        }
        let managed = |w: Widths| (w.management_m > 0.0).then_some(w.reserve_m + w.management_m);
        let alike =
            |a: Widths, b: Widths| a.reserve_m == b.reserve_m && a.management_m == b.management_m;
        let mut outer: Vec<Polygon> = Vec::new();
        let mut parts: Vec<ManagedPart> = Vec::new();
        for asked in asked(near, managed, alike) {
            let (reserve_m, management_m) = (asked.widths.reserve_m, asked.widths.management_m);
            let inner_m = half_m + reserve_m;
            let shape = self.buffer(context, near, &asked.source, inner_m + management_m)?;
            let beyond = difference(&shape, &inner);
            self.record(near, ZoneKind::Management, management_m, beyond);
            outer.extend(shape.0);
            parts.push(ManagedPart {
                source: asked.source,
                reserve_m: inner_m,
                management_m,
            });
        }
        let share = near.demand.rule.map_or(0.0, |rule| rule.management_share);
        let owes = near.demand.rule.is_some_and(RuleLine::owes_trees);
        if owes && !parts.is_empty() {
            self.managed.push(Managed {
                near,
                share,
                outer,
                parts,
            });
        }
        let excluded =
            |w: Widths| (w.machine_exclusion_m > w.reserve_m).then_some(w.machine_exclusion_m);
        let alike = |a: Widths, b: Widths| a.machine_exclusion_m == b.machine_exclusion_m;
        for asked in asked(near, excluded, alike) {
            let shape = self.buffer(context, near, &asked.source, half_m + asked.distance_m)?;
            self.exclusion.extend(shape.0.iter().cloned());
            self.record(near, ZoneKind::MachineExclusion, asked.distance_m, shape);
        }
        if near.feature.stays() {
            self.work_past(context, &inner);
        }
        let list = match counts_as_retained(near.feature) {
            true => &mut self.counted,
            false => &mut self.not_counted,
        };
        list.extend(inner.iter().cloned());
        self.reserve.extend(inner);
        Ok(())
    }

    /// Strips go past small things that stay: the machine keeps its own half width off them.
    fn work_past(&mut self, context: Context<'_>, kept: &[Polygon]) {
        let machine = &context.settings.machine;
        for polygon in kept {
            if is_small(&Bounds::of(&polygon.exterior().0), machine.strip_width_m()) {
                let own = Source::Polygons(geo::MultiPolygon(vec![polygon.clone()]));
                let around = context.engines.plain(&own, machine.half_width_m);
                self.exclusion.extend(oriented(around).0);
            }
        }
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
        let clearing = self.buffer(context, near, &near.source, half_m)?;
        self.record(near, ZoneKind::RoadClearing, half_m, clearing.clone());
        if !near.is_to_be_cleared() {
            self.unfelled.extend(clearing.0.iter().cloned());
        }
        if near.takes_machines() {
            self.clearing.extend(clearing.0);
        } else {
            self.barred.extend(clearing.0);
        }
        if !near.demand.road_use.is_said() {
            self.unsaid.push(near.feature.id.clone());
        }
        if layout.road_band_m > 0.0 {
            let band = self.buffer(context, near, &near.source, half_m + layout.road_band_m)?;
            self.record(near, ZoneKind::RoadBand, layout.road_band_m, band.clone());
            self.road_band.extend(band.0);
        }
        let front = context
            .engines
            .plain(&near.source, half_m + layout.frontage_distance_m);
        let front = oriented(front).0;
        if near.takes_machines() {
            self.beside_roads.extend(front.iter().cloned());
        }
        if near.takes_wood() {
            self.frontage.extend(front);
        }
        Ok(())
    }

    /// Where nothing is cut.
    pub fn uncut(&self) -> Cow<'_, [Polygon]> {
        match self.edge.is_empty() {
            true => Cow::Borrowed(&self.reserve),
            false => Cow::Owned(self.reserve.iter().chain(&self.edge).cloned().collect()),
        }
    }

    /// Where no machine may drive.
    pub fn off_limits(&self) -> impl Iterator<Item = &Polygon> {
        let kept = self.exclusion.iter().chain(&self.reserve);
        kept.chain(&self.barred)
    }

    /// A road may lead away from the block, past what has nothing to say in it, and back.
    fn bar_fronts(&mut self, context: Context<'_>) -> Result<(), LayoutError> {
        let aside = std::mem::take(&mut self.aside);
        if self.frontage.is_empty() || aside.is_empty() {
            return Ok(());
        }
        let front = geo::MultiPolygon(self.frontage.clone());
        let around = Bounds::of_polygons(&front);
        let outline = Outline {
            block: &front,
            index: SegmentIndex::of_boundary(&front),
        };
        for near in aside {
            let itself = near.keeps_out();
            let kept = |w: Widths| {
                let distance_m = w.reserve_m.max(w.machine_exclusion_m);
                (itself || distance_m > 0.0).then_some(distance_m)
            };
            let ruled = asked(near, kept, |a, b| kept(a) == kept(b));
            let ruled = ruled
                .iter()
                .map(|asked| (&*asked.source, near.demand.half_m + asked.distance_m));
            for (source, radius_m) in ruled.chain(near.barrier()) {
                let may_meet = source.bounds().grown(radius_m).meets(&around);
                if may_meet && outline.within(source, radius_m) {
                    let shape = self.buffer(context, near, source, radius_m)?;
                    self.barred.extend(oriented(shape).0);
                }
            }
        }
        Ok(())
    }

    fn hazard(
        &mut self,
        context: Context<'_>,
        outline: &Outline,
        near: &'n NearFeature<'n>,
        slopes: &Slopes,
    ) -> Result<(), LayoutError> {
        let distance_m = context.settings.layout.hazard_distance_m + near.demand.more_m;
        let asks = near.demand.asks_for_something();
        let decides = asks && self.decides(outline, near);
        if asks && !decides {
            self.aside.push(near);
        }
        if !decides && !outline.within(&near.source, distance_m) {
            return Ok(());
        }
        let shape = self.buffer(context, near, &near.source, distance_m)?;
        self.record(near, ZoneKind::Hazard, distance_m, shape.clone());
        self.hazard.extend(shape.0);
        self.findings
            .extend(danger_trees::among_hazards(near, outline));
        self.findings.extend(power_lines::among_hazards(near));
        if decides {
            doubts::say(&mut self.doubts, near, slopes, outline);
        }
        // Ground under a hazard is no reserve of itself: trees under a power line may be felled, by day.
        self.ruled(context, near, false)
    }
}

/// The class as given; where none is, the one that the facts tell.
pub fn class_of(near: &NearFeature) -> String {
    let derived = near.demand.rule.filter(|_| near.demand.derived);
    derived.map_or_else(
        || near.feature.class.clone().unwrap_or_default(),
        |rule| rule.class.clone(),
    )
}

fn rule_id(near: &NearFeature) -> String {
    match (near.demand.rule, near.feature.kind) {
        (Some(rule), _) => rule.id.clone(),
        (None, LayerKind::Roads) => "road-band".to_owned(),
        (None, LayerKind::Hazards) => "hazard-distance".to_owned(),
        (None, kind) => format!("{}-unruled", kind.key()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::{LineString, MultiLineString, MultiPolygon};

    fn square(low: f64, high: f64) -> MultiPolygon {
        let ring = [
            (low, low),
            (high, low),
            (high, high),
            (low, high),
            (low, low),
        ];
        MultiPolygon(vec![Polygon::new(LineString::from(ring.to_vec()), vec![])])
    }

    /// A line that begins a kilometre off, by where it touches a block of 100 m.
    #[test]
    fn a_feature_is_told_where_the_block_is_touched() {
        let block = square(0.0, 100.0);
        let outline = Outline {
            block: &block,
            index: SegmentIndex::of_boundary(&block),
        };
        let line = |coords: &[(f64, f64)]| {
            Source::Lines(MultiLineString(vec![LineString::from(coords.to_vec())]))
        };
        let touch = |source: &Source| {
            let touch = outline.touch(source).unwrap();
            (touch.distance_m, (touch.place.x, touch.place.y))
        };
        // Past it, through it without a corner inside, and into it.
        let past = line(&[(-1000.0, 120.0), (1000.0, 120.0), (1000.0, 900.0)]);
        assert_eq!(touch(&past).0, 20.0);
        assert_eq!(touch(&past).1.1, 100.0);
        let through = line(&[(-1000.0, 40.0), (1000.0, 40.0)]);
        let (distance_m, (x, y)) = touch(&through);
        assert_eq!((distance_m, y), (0.0, 40.0));
        assert!(x == 0.0 || x == 100.0, "{x}");
        let into = line(&[(-1000.0, 40.0), (30.0, 50.0), (60.0, 70.0)]);
        assert_eq!(touch(&into), (0.0, (30.0, 50.0)));
        // A point beside it, a lake around it.
        let beside = Source::Points(vec![Coord { x: 130.0, y: 60.0 }]);
        assert_eq!(touch(&beside), (30.0, (100.0, 60.0)));
        let around = Source::Polygons(square(-500.0, 500.0));
        assert_eq!(touch(&around).0, 0.0);
        assert_eq!(outline.touch(&Source::Points(vec![])), None);
    }
}
