//! What is taken out of a plan of the whole block: ground that is cut already, and ground that is left standing in the place of
//! retention that was cut.

use std::collections::{BTreeMap, BTreeSet};

use geo::{LineString, MultiLineString, MultiPolygon, Polygon};

use super::ground::Ground;
use super::rest::{self, Divided};
use super::shifts;
use super::strips::Part;
use super::working_order::{Drive, StripDrive};
use super::write_up::WriteUp;
use crate::geometry::area::length;
use crate::geometry::buffer::{Engines, Source};
use crate::geometry::overlay::{clip_lines, difference, intersection, oriented};
use crate::model::{Corridor, Heading, PieceId, Strip, StripKind, StripLine, UnworkedReason};

/// Strips of which some ground is gone.
#[derive(Default)]
struct DividedStrips {
    touched: BTreeSet<PieceId>,
    /// Of every piece, what is left.
    left: BTreeMap<PieceId, Vec<Polygon>>,
    /// What of each piece that was touched is cut or scraps, with its setting.
    pieces: Vec<(u32, Divided)>,
}

/// Ground with a hair more all round.
pub(super) fn wider(engines: Engines<'_>) -> impl Fn(MultiPolygon) -> Vec<Polygon> {
    move |ground| oriented(engines.plain(&Source::Polygons(ground), rest::HAIR_M)).0
}

impl WriteUp<'_> {
    /// Lines in the order of work of the whole block. Strips that lead to a pass there are named after it.
    pub(super) fn as_planned(
        &mut self,
        ground: &Ground,
        parts: &[Part],
        roads: &[LineString],
    ) -> Vec<StripLine> {
        let nothing = MultiPolygon(vec![]);
        // What is left in the place of retention that was cut was no band of the whole block.
        let bands = difference(&ground.retained_bands, &ground.made_up.0);
        let mut planned = (self.clone()).in_order(ground, parts, roads, (nothing, None, bands));
        for id in planned.leading {
            let pass = self.lead(id, &mut planned.lines);
            let (own, others): (Vec<StripDrive>, _) = std::mem::take(&mut self.units)
                .into_iter()
                .partition(|unit| unit.drive.id == id);
            self.units = others;
            self.drives.extend(own.into_iter().map(|unit| Drive {
                id: pass,
                kind: StripKind::BoundaryPass,
                heading: Heading::Around,
                line: unit.drive.line,
            }));
        }
        for strip in self.strips.iter().filter(|strip| strip.id.strip_no == 0) {
            let last = self.last_pass.entry(strip.id.part).or_default();
            *last = strip.id.piece.max(*last);
        }
        planned.lines
    }

    /// The first strip that is left of each setting is driven the way that it was planned.
    pub(super) fn go_on(&mut self, planned: &[StripLine]) {
        let headings: BTreeMap<PieceId, Heading> =
            planned.iter().map(|line| (line.id, line.heading)).collect();
        let parts: BTreeSet<u32> = self.units.iter().map(|unit| unit.drive.id.part).collect();
        for part in parts {
            let own = self.units.iter_mut();
            let own = own.filter(|unit| unit.drive.id.part == part && !unit.unit.gap);
            let first = own.min_by(|a, b| a.unit.left_to_right(&b.unit));
            if let Some(first) = first {
                let heading = headings.get(&first.drive.id);
                first.unit.begun = heading.map(|&heading| heading == Heading::In);
            }
        }
    }

    /// Takes out what is cut already; gives what was driven there, and what was to stay and is cut.
    pub(super) fn take_out(
        &mut self,
        felled: &[Polygon],
        bands: &mut MultiPolygon,
    ) -> (Vec<LineString>, Vec<Polygon>) {
        let sliver_m2 = self.context.settings.layout.sliver_m2;
        let mut booked: Vec<(u32, UnworkedReason, Vec<Polygon>)> = vec![];
        let divided = self.divide_strips(felled);
        for (part, divided) in divided.pieces {
            booked.push((part, UnworkedReason::CutBefore, divided.cut));
            booked.push((part, UnworkedReason::Sliver, divided.scraps));
        }
        let driven = self.drive_the_rest(felled, &divided.touched, &divided.left);
        self.keep_sections(&divided.touched, &divided.left);
        let mut kept_cut: Vec<Polygon> = vec![];
        let mut corridors = Vec::with_capacity(self.corridors.len());
        for corridor in self.corridors.drain(..) {
            let Some(divided) = rest::divide(
                wider(self.context.engines),
                &corridor.shape,
                felled,
                sliver_m2,
            ) else {
                corridors.push(corridor);
                continue;
            };
            kept_cut.extend(divided.cut.iter().cloned());
            booked.push((corridor.part, UnworkedReason::CutBefore, divided.cut));
            booked.push((corridor.part, UnworkedReason::Sliver, divided.scraps));
            corridors.extend(divided.left.into_iter().map(|shape| Corridor {
                shape,
                ..corridor.clone()
            }));
        }
        self.corridors = corridors;
        let of_bands = intersection(bands, felled).0;
        if !of_bands.is_empty() {
            *bands = difference(bands, felled);
            kept_cut.extend(of_bands.iter().cloned());
            booked.push((0, UnworkedReason::CutBefore, of_bands));
        }
        for unworked in std::mem::take(&mut self.unworked) {
            match rest::divide(wider(self.context.engines), &unworked.shape, felled, 0.0) {
                None => self.unworked.push(unworked),
                Some(divided) => {
                    let (part, reason) = (unworked.part, unworked.reason);
                    booked.push((part, reason, divided.left));
                    booked.push((part, reason, divided.scraps));
                    booked.push((part, UnworkedReason::CutBefore, divided.cut));
                }
            }
        }
        for (part, reason, shapes) in booked {
            self.set_unworked(part, reason, shapes.into_iter());
        }
        (driven, kept_cut)
    }

    /// Leaves ground of strips standing after all: it is no longer theirs, and lines keep half the machine's width off it.
    pub(super) fn leave(&mut self, spared: &[Polygon]) {
        if spared.is_empty() {
            return;
        }
        let touched = self.spare(spared);
        let near = self.beside(spared);
        // A stub before the trees: they are reached from where its ground begins.
        self.clip_strips(&near, |id| touched.contains(&id), true);
    }

    /// Takes ground from strips; gives the pieces that had any.
    pub(super) fn spare(&mut self, spared: &[Polygon]) -> BTreeSet<PieceId> {
        let divided = self.divide_strips(spared);
        for (part, divided) in divided.pieces {
            self.set_unworked(part, UnworkedReason::Sliver, divided.scraps.into_iter());
        }
        self.drive_the_rest(spared, &divided.touched, &divided.left);
        self.keep_sections(&divided.touched, &divided.left);
        divided.touched
    }

    /// Ground on which the middle of a machine would come too near to what stands.
    pub(super) fn beside(&self, standing: &[Polygon]) -> Vec<Polygon> {
        let trees = Source::Polygons(MultiPolygon(standing.to_vec()));
        let half_m = self.context.settings.machine.half_width_m;
        oriented(self.context.engines.plain(&trees, half_m)).0
    }

    /// Cuts drives of strips down to what lies outside of some ground; those of which nothing does stay as they are, or go.
    pub(super) fn clip_strips(
        &mut self,
        near: &[Polygon],
        of: impl Fn(PieceId) -> bool,
        stubs_stay: bool,
    ) {
        let mut units = Vec::with_capacity(self.units.len());
        for unit in self.units.drain(..) {
            if !of(unit.drive.id) {
                units.push(unit);
                continue;
            }
            let whole = MultiLineString(vec![unit.drive.line.clone()]);
            let clear = clip_lines(&whole, near, false).0;
            if clear.is_empty() && stubs_stay {
                units.push(unit);
                continue;
            }
            for line in clear {
                let mut own = unit.clone();
                if let (Some(&whole), Some(&from)) = (unit.drive.line.0.first(), line.0.first()) {
                    let off_m = (from - whole).x.hypot((from - whole).y);
                    own.unit.low = unit.unit.low + off_m;
                    own.unit.high = own.unit.low + length(&line);
                }
                own.drive.line = line;
                units.push(own);
            }
        }
        self.units = units;
    }

    /// Strips, less some ground.
    fn divide_strips(&mut self, gone: &[Polygon]) -> DividedStrips {
        let sliver_m2 = self.context.settings.layout.sliver_m2;
        let mut all = DividedStrips::default();
        let mut strips = Vec::with_capacity(self.strips.len());
        for strip in self.strips.drain(..) {
            let own = all.left.entry(strip.id).or_default();
            let Some(mut divided) =
                rest::divide(wider(self.context.engines), &strip.shape, gone, sliver_m2)
            else {
                own.push(strip.shape.clone());
                strips.push(strip);
                continue;
            };
            all.touched.insert(strip.id);
            own.extend(divided.left.iter().cloned());
            strips.extend(divided.left.drain(..).map(|shape| Strip {
                shape,
                ..strip.clone()
            }));
            all.pieces.push((strip.id.part, divided));
        }
        self.strips = strips;
        all
    }

    /// Sections, and what of their lines is driven, cut down to what is left of strips.
    pub(super) fn keep_sections(
        &mut self,
        touched: &BTreeSet<PieceId>,
        left: &BTreeMap<PieceId, Vec<Polygon>>,
    ) {
        let apart_m = self.context.settings.machine.strip_width_m();
        let sections = self.sections.drain(..).zip(self.ways.drain(..));
        let (mut kept_sections, mut kept_ways) = (vec![], vec![]);
        for (mut section, mut way) in sections {
            if touched.contains(&section.id) {
                section.shape = intersection(&section.shape, &left[&section.id]);
                if section.shape.0.is_empty() {
                    continue;
                }
                let lines: Vec<&LineString> = way.driven.iter().collect();
                let stretches = rest::still_driven(&lines, &section.shape.0, apart_m);
                let rest = (way.driven.iter().zip(stretches))
                    .flat_map(|(line, stretches)| rest::stretches_of(line, &stretches));
                way.driven = rest.collect();
            }
            kept_sections.push(section);
            kept_ways.push(way);
        }
        (self.sections, self.ways) = (kept_sections, kept_ways);
    }

    /// Cuts drives down to what ground is left of their pieces; gives the stretches on cut ground.
    fn drive_the_rest(
        &mut self,
        felled: &[Polygon],
        touched: &BTreeSet<PieceId>,
        left: &BTreeMap<PieceId, Vec<Polygon>>,
    ) -> Vec<LineString> {
        let all = (self.drives.iter()).chain(self.units.iter().map(|unit| &unit.drive));
        let all: Vec<LineString> = (all.filter(|drive| touched.contains(&drive.id)))
            .map(|drive| drive.line.clone())
            .collect();
        let driven = clip_lines(&MultiLineString(all), felled, true).0;
        let apart_m = self.context.settings.machine.strip_width_m();
        let stretches_of = |own: &[&Drive]| {
            let lines: Vec<&LineString> = own.iter().map(|drive| &drive.line).collect();
            rest::still_driven(&lines, &left[&own[0].id], apart_m)
        };
        let mut passes = Vec::with_capacity(self.drives.len());
        let mut done: BTreeMap<PieceId, Vec<Vec<[f64; 2]>>> = BTreeMap::new();
        for &id in touched {
            let passes = self.drives.iter().filter(|drive| drive.id == id);
            let units = self.units.iter().map(|unit| &unit.drive);
            let own: Vec<&Drive> = passes.chain(units.filter(|drive| drive.id == id)).collect();
            if !own.is_empty() {
                done.insert(id, stretches_of(&own).into_iter().rev().collect());
            }
        }
        for drive in self.drives.drain(..) {
            let Some(stretches) = done.get_mut(&drive.id).and_then(Vec::pop) else {
                passes.push(drive);
                continue;
            };
            let lines = rest::stretches_of(&drive.line, &stretches).into_iter();
            passes.extend(lines.map(|line| Drive {
                line,
                ..drive.clone()
            }));
        }
        self.drives = passes;
        let mut units = Vec::with_capacity(self.units.len());
        for unit in self.units.drain(..) {
            let Some(stretches) = done.get_mut(&unit.drive.id).and_then(Vec::pop) else {
                units.push(unit);
                continue;
            };
            for [from_m, to_m] in stretches {
                let mut rest = unit.clone();
                (rest.unit.low, rest.unit.high) = (unit.unit.low + from_m, unit.unit.low + to_m);
                rest.drive.line = shifts::between(&unit.drive.line, from_m, to_m);
                units.push(rest);
            }
        }
        self.units = units;
        driven
    }
}
