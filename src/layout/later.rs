//! What came after the strips of a half-cut block were laid: a nest that was found, an edge that was moved. The block is laid
//! out as if it were not there, so that strips keep their names and places; then all that lies on its ground is taken out.

use std::collections::{BTreeMap, BTreeSet};

use geo::{LineString, MultiLineString, MultiPolygon, Polygon};

use super::Context;
use super::cover;
use super::ground::{self, Ground, MoreBands, counted, retain_bands};
use super::rest;
use super::strips::{Part, least_patch_m2};
use super::taken_out::wider;
use super::working_order::Drive;
use super::write_up::WriteUp;
use super::zones::Zones;
use crate::geometry::area::{Bounds, area, polygon_area};
use crate::geometry::buffer::Source;
use crate::geometry::overlay::{
    clip_lines, difference, intersection, oriented, shared_area, union,
};
use crate::landbase::NearFeature;
use crate::model::{
    Corridor, Finding, LayerKind, PieceId, SoftGround, SourceBlock, Strip, StripKind,
    UnworkedReason, Verdict, ZoneKind,
};
use crate::units::hectares;

/// A block before something came, in its frame.
pub struct Before<'n> {
    pub shape: MultiPolygon,
    pub near: Vec<NearFeature<'n>>,
}

impl<'n> Before<'n> {
    /// None where nothing came later, or nothing is cut yet: then the whole block is laid out around it.
    pub fn of(
        block: &SourceBlock,
        shape: &MultiPolygon,
        near: &[NearFeature<'n>],
    ) -> Option<Before<'n>> {
        let later = &block.came_later;
        let is_later = |near: &NearFeature| later.has(near.feature);
        if !is_cut(near, shape) || !(later.shape.is_some() || near.iter().any(is_later)) {
            return None;
        }
        let shape = match &later.shape {
            Some(before) => block.frame.enter_polygons(before),
            None => shape.clone(),
        };
        let near = near.iter().filter(|near| !is_later(near)).cloned();
        Some(Before {
            shape,
            near: near.collect(),
        })
    }
}

/// Said where strips of a half-cut block cannot be those of before.
pub fn new_names(
    block: &SourceBlock,
    shape: &MultiPolygon,
    near: &[NearFeature],
) -> Option<Finding> {
    let why = block.came_later.anew?;
    is_cut(near, shape).then(|| Finding {
        rule_id: "new-names".to_owned(),
        verdict: Verdict::Warn,
        measured: None,
        required: None,
        unit: "",
        message: format!(
            "strips have new names, and what stands between strips that are cut is not known to this plan: {why}"
        ),
        source: "docs/algorithms.md, Rest of a block".to_owned(),
        shape: None,
    })
}

fn is_cut(near: &[NearFeature], shape: &MultiPolygon) -> bool {
    near.iter()
        .any(|near| near.feature.kind == LayerKind::Felled && cuts(near, shape))
}

fn cuts(near: &NearFeature, shape: &MultiPolygon) -> bool {
    matches!(&near.source, Source::Polygons(cut) if shared_area(shape, &oriented(cut.clone()).0) > 0.0)
}

/// What came, beside the zones of before.
pub struct Later<'s> {
    shape: &'s MultiPolygon,
    zones: &'s Zones<'s>,
    before: &'s Zones<'s>,
    /// On which nothing is cut any more, and what of it is no part of the block any more.
    gone: MultiPolygon,
    outside: MultiPolygon,
    /// On which no machine drives any more, besides.
    off_limits: MultiPolygon,
    /// Both, beyond the block as well.
    shut: MultiPolygon,
}

impl<'s> Later<'s> {
    pub fn new(
        context: Context<'_>,
        (shape, zones): (&'s MultiPolygon, &'s Zones<'s>),
        (planned, before): (&MultiPolygon, &'s Zones<'s>),
    ) -> Later<'s> {
        // A hair farther than what was kept before, and than the block: where edges lie on one another, overlays leave hairs.
        let wider = wider(context.engines);
        let more = |now: &[Polygon], was: &[Polygon]| {
            let here = intersection(planned, now);
            intersection(&MultiPolygon(wider(difference(&here, was))), now)
        };
        let mut kept = more(&zones.uncut(), &before.uncut()).0;
        if context.settings.layout.soft_ground == SoftGround::Leave {
            kept.extend(more(&zones.soft, &before.soft).0);
        }
        let outside = MultiPolygon(wider(difference(planned, &shape.0)));
        let outside = difference(&outside, &shape.0);
        kept.extend(outside.0.iter().cloned());
        let both = |zones: &Zones| -> Vec<Polygon> {
            zones
                .reserve
                .iter()
                .chain(&zones.exclusion)
                .cloned()
                .collect()
        };
        Later {
            shape,
            zones,
            before,
            gone: union(&kept),
            outside,
            shut: difference(&union(&both(zones)), &both(before)),
            off_limits: more(&zones.exclusion, &before.exclusion),
        }
    }

    /// Ground that was divided before, as it is now. Bands stand on, and what their zones lost is added beside what came.
    pub fn take_in<'g>(&self, context: Context<'_>, divided: &Ground<'g>) -> Ground<'g>
    where
        's: 'g,
    {
        let mut zones = self.zones.clone();
        // A machine crosses a block's edge by roads alone.
        zones.exclusion.extend(self.outside.0.iter().cloned());
        let net = difference(self.shape, &zones.uncut());
        let mut gone = self.gone.0.clone();
        let retained_m2 = shared_area(&divided.retained_bands, &gone);
        let (mut kept, mut scraps) = (vec![], MultiPolygon(vec![]));
        let mut standing: Vec<Polygon> = vec![];
        for zone in &divided.zones.list[self.before.list.len()..] {
            let mut zone = zone.clone();
            if zone.kind == ZoneKind::RetainedBand {
                let (own, small) = (difference(&zone.shape, &gone).0.into_iter())
                    .partition(|piece| polygon_area(piece) >= context.settings.layout.sliver_m2);
                zone.shape = MultiPolygon(own);
                scraps.0.extend::<Vec<Polygon>>(small);
                standing.extend(zone.shape.0.iter().cloned());
            }
            if !zone.shape.0.is_empty() {
                kept.push(zone);
            }
        }
        // What a management zone lost stands beside what came, on ground that is not cut yet.
        let more = MoreBands {
            standing: MultiPolygon(standing),
            near: oriented(
                context
                    .engines
                    .plain(&Source::Polygons(self.gone.clone()), BESIDE_M),
            )
            .0,
        };
        let before = more.standing.clone();
        let retained_bands =
            retain_bands(context, &net, &divided.crossings, &mut zones, Some(more));
        gone.extend(difference(&retained_bands, &before.0).0);
        // What bands lack is said of them as they are now.
        let is_of_no_rule = |found: &&Finding| {
            !context
                .rules
                .lines
                .iter()
                .any(|line| line.id == found.rule_id)
        };
        let told = divided.zones.findings[self.before.findings.len()..].iter();
        zones.findings.extend(told.filter(is_of_no_rule).cloned());
        zones.list.extend(kept);
        let mut soft = MultiPolygon(vec![]);
        if context.settings.layout.soft_ground == SoftGround::Leave {
            soft = difference(&intersection(&net, &zones.soft), &self.before.soft);
            soft = difference(&soft, &retained_bands.0);
        }
        Ground {
            gross_m2: area(self.shape),
            kept_m2: area(&counted(context, self.shape, &zones)),
            net,
            retained_bands,
            came_later: ground::CameLater {
                gone: union(&gone),
                off_limits: self.off_limits.clone(),
                shut: self.shut.clone(),
                outside: self.outside.clone(),
                retained_m2,
                soft,
                scraps,
            },
            zones,
            ..divided.clone()
        }
    }
}

impl<'s> Later<'s> {
    /// The block as it is now.
    pub fn shape(&self) -> &'s MultiPolygon {
        self.shape
    }
}

/// What strips and retention lost to what came later, m2.
pub(super) struct Taken {
    cut_m2: f64,
    retained_m2: f64,
    /// What cannot be reached any more.
    pub(super) beyond_reach_m2: f64,
}

impl Taken {
    pub(super) fn findings(&self, made_up_m2: f64) -> Vec<Finding> {
        let mut beyond = String::new();
        if self.beyond_reach_m2 >= rest::TOLD_M2 {
            beyond = format!(
                "; {:.0} m2 beside it are out of reach and stay, too",
                self.beyond_reach_m2
            );
        }
        let ha = hectares(self.cut_m2);
        let mut found = vec![rest::finding(
            "came-later",
            Verdict::NotApplicable,
            (ha, "ha"),
            format!(
                "what came after the strips were laid takes {ha:.2} ha of them: they keep their names and places, and end before it{beyond}"
            ),
            None,
        )];
        if self.retained_m2 >= rest::TOLD_M2 {
            let instead = rest::instead(made_up_m2, "it is reserve now, or no part of the block");
            found.push(rest::finding(
                "retention-reserved",
                Verdict::NotApplicable,
                (self.retained_m2, "m2"),
                format!(
                    "{:.0} m2 of corridors, patches and bands lie on ground that came to be kept later; {instead}",
                    self.retained_m2
                ),
                None,
            ));
        }
        found
    }
}

/// As far beside what came bands of management zones may be added, m: own judgement, about three strips.
const BESIDE_M: f64 = 50.0;

impl WriteUp<'_> {
    /// Takes what came later out of all that was laid. Lines keep half the machine's width off it, and what can then not be reached
    /// stays as well.
    pub(super) fn keep_off(&mut self, later: &ground::CameLater, parts: &[Part]) -> Taken {
        let gone = &later.gone.0;
        let before_m2 = self.cut_m2();
        let mut taken = Taken {
            cut_m2: 0.0,
            retained_m2: later.retained_m2,
            beyond_reach_m2: 0.0,
        };
        self.spare(gone);
        for own in std::mem::take(&mut self.unworked) {
            let left = difference(&MultiPolygon(vec![own.shape]), gone).0;
            self.set_unworked(own.part, own.reason, left.into_iter());
        }
        self.set_unworked(0, UnworkedReason::SoftGround, later.soft.0.iter().cloned());
        self.set_unworked(0, UnworkedReason::Sliver, later.scraps.0.iter().cloned());
        let mut near = self.beside(gone);
        near.extend(later.off_limits.0.iter().cloned());
        let all = MultiLineString(self.all_drives().map(|drive| drive.line.clone()).collect());
        let met = clip_lines(&all, &near, true);
        if !met.0.is_empty() {
            self.clip_strips(&near, |_| true, false);
            self.drives = self
                .drives
                .drain(..)
                .flat_map(|drive| clipped(drive, &near))
                .collect();
            for way in &mut self.ways {
                let lines = MultiLineString(std::mem::take(&mut way.driven));
                way.driven = clip_lines(&lines, &near, false).0;
            }
        }
        taken.retained_m2 += self.clear_corridors(gone, parts);
        taken.cut_m2 = before_m2 - self.cut_m2();
        taken
    }

    fn cut_m2(&self) -> f64 {
        self.strips
            .iter()
            .map(|strip| polygon_area(&strip.shape))
            .sum()
    }

    fn all_drives(&self) -> impl Iterator<Item = &Drive> {
        self.drives
            .iter()
            .chain(self.units.iter().map(|unit| &unit.drive))
    }

    /// What no line reaches any more stays; m2. So does what only lines reached that are driven no more.
    pub(super) fn leave_what_is_beyond_reach(&mut self) -> f64 {
        let mut all_m2 = 0.0;
        loop {
            // Nothing is left to be cut from them.
            let has_ground: BTreeSet<PieceId> = self.strips.iter().map(|strip| strip.id).collect();
            self.drives.retain(|drive| has_ground.contains(&drive.id));
            self.units
                .retain(|unit| has_ground.contains(&unit.drive.id));
            match self.leave_out_of_reach() {
                Some(left_m2) => all_m2 += left_m2,
                None => return all_m2,
            }
        }
    }

    /// None where all is reached.
    fn leave_out_of_reach(&mut self) -> Option<f64> {
        let reach_m = self.context.settings.machine.reach_m;
        let driven: BTreeSet<PieceId> = self.all_drives().map(|drive| drive.id).collect();
        // Strips are cut each from its own line, passes and clearing from the nearest of all.
        let of = |id: PieceId, kind: StripKind| match kind {
            StripKind::Interior => (id, kind),
            _ => (
                PieceId {
                    strip_no: 0,
                    piece: 0,
                    ..id
                },
                kind,
            ),
        };
        let mut lines: BTreeMap<(PieceId, StripKind), Vec<LineString>> = BTreeMap::new();
        for drive in self.all_drives() {
            let own = lines.entry(of(drive.id, drive.kind)).or_default();
            own.push(drive.line.clone());
        }
        let engines = self.context.engines;
        let reached: BTreeMap<(PieceId, StripKind), Vec<Polygon>> = lines
            .into_iter()
            .map(|(of, lines)| (of, cover::reach_of(engines, &lines, reach_m)))
            .collect();
        let sliver_m2 = self.context.settings.layout.sliver_m2;
        let mut beyond_m2 = 0.0;
        let mut touched: BTreeSet<PieceId> = BTreeSet::new();
        let mut left: BTreeMap<PieceId, Vec<Polygon>> = BTreeMap::new();
        let mut strips = Vec::with_capacity(self.strips.len());
        for strip in std::mem::take(&mut self.strips) {
            let reached = reached.get(&of(strip.id, strip.kind));
            // A piece without a line of its own is nowhere in the order of work.
            let reached = reached.filter(|_| driven.contains(&strip.id));
            let reached = reached.map_or(&[][..], Vec::as_slice);
            let whole = MultiPolygon(vec![strip.shape.clone()]);
            let divided = cover::by_reach(&whole, reached);
            if divided.beyond.0.is_empty() {
                left.entry(strip.id).or_default().push(strip.shape.clone());
                strips.push(strip);
                continue;
            }
            touched.insert(strip.id);
            // Where both have an edge in common, hairs of one clip would hold on to ground of the other.
            let within = difference(&whole, &wider(engines)(divided.beyond));
            let beyond = difference(&whole, &within.0);
            beyond_m2 += area(&beyond);
            let (part, own) = (strip.id.part, left.entry(strip.id).or_default());
            let (scraps, within): (Vec<Polygon>, Vec<Polygon>) =
                (within.0.into_iter()).partition(|piece| polygon_area(piece) < sliver_m2);
            own.extend(within.iter().cloned());
            strips.extend(within.into_iter().map(|shape| Strip {
                shape,
                ..strip.clone()
            }));
            self.set_unworked(part, UnworkedReason::BeyondReach, beyond.0.into_iter());
            self.set_unworked(part, UnworkedReason::Sliver, scraps.into_iter());
        }
        self.strips = strips;
        self.keep_sections(&touched, &left);
        (!touched.is_empty()).then_some(beyond_m2)
    }

    /// Corridors end before what came later; what is then too narrow or too small to stand as one is left and counts for nothing.
    fn clear_corridors(&mut self, gone: &[Polygon], parts: &[Part]) -> f64 {
        let layout = &self.context.settings.layout;
        let least_m2 = least_patch_m2(self.context).max(layout.sliver_m2);
        let mut lost_m2 = 0.0;
        let mut left: Vec<(u32, Polygon)> = vec![];
        let mut corridors = Vec::with_capacity(self.corridors.len());
        for corridor in self.corridors.drain(..) {
            let Some(divided) =
                rest::divide(wider(self.context.engines), &corridor.shape, gone, 0.0)
            else {
                corridors.push(corridor);
                continue;
            };
            lost_m2 += divided.cut.iter().map(polygon_area).sum::<f64>();
            let frame = parts
                .iter()
                .find(|part| part.number == corridor.part)
                .map(|part| &part.frame);
            for shape in divided.left.into_iter().chain(divided.scraps) {
                let turned =
                    frame.map(|frame| frame.enter_polygons(&MultiPolygon(vec![shape.clone()])));
                let bounds = turned.map(|turned| Bounds::of_polygons(&turned));
                let width_m = bounds.map_or(corridor.width_m, |own| own.max.x - own.min.x);
                if width_m < layout.corridor_min_m - 1e-6 || polygon_area(&shape) <= least_m2 {
                    lost_m2 += polygon_area(&shape);
                    left.push((corridor.part, shape));
                } else {
                    corridors.push(Corridor {
                        width_m,
                        shape,
                        ..corridor.clone()
                    });
                }
            }
        }
        self.corridors = corridors;
        for (part, shape) in left {
            self.set_unworked(part, UnworkedReason::Sliver, std::iter::once(shape));
        }
        lost_m2
    }
}

fn clipped(drive: Drive, near: &[Polygon]) -> Vec<Drive> {
    let whole = MultiLineString(vec![drive.line.clone()]);
    let clear = clip_lines(&whole, near, false).0.into_iter();
    clear
        .map(|line| Drive {
            line,
            ..drive.clone()
        })
        .collect()
}
