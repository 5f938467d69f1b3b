//! Numbers, orders and writes up what the stages made, as a plan in the block's local frame.

use std::collections::{BTreeMap, BTreeSet};

use geo::{Coord, Geometry, LineString, MultiPolygon, Point, Polygon};

use super::Context;
use super::bunches;
use super::by_hand;
use super::cut_from;
use super::day_ground::DayGround;
use super::ground::Ground;
use super::growth::Growth;
use super::order::Unit;
use super::rest;
use super::retention::{self, Solved};
use super::road_clearing::Clearing;
use super::sections;
use super::shifts;
use super::skidding::{self, RoadEnd};
use super::sorted_trees;
use super::stands_unseen;
use super::strips::{Part, Piece, upright_line};
use super::tiers;
use super::time_range;
use super::timing::{self, Standing};
use super::turned;
use super::whole_sections::{self, WholeSection};
use super::windows;
use super::wood::{self, Home};
use super::working_order::{self, Drive, Ordered, StripDrive, Work};
use crate::geometry::area::{Bounds, area, polygon_area};
use crate::geometry::overlay::{clip_lines, difference, intersection, shared_area, union};
use crate::geometry::sound::{sound, sound_all, sound_each, sound_geometry};
use crate::model::*;

/// How a section is driven, and where its wood leaves the strip; a pass has no road end.
#[derive(Clone)]
pub(super) struct SectionWays {
    pub(super) driven: Vec<LineString>,
    road_end: Option<RoadEnd>,
    /// From the first time that the section is timed.
    standing: Option<Standing>,
}

#[derive(Clone)]
pub(super) struct WriteUp<'w> {
    pub(super) context: Context<'w>,
    pub(super) strips: Vec<Strip>,
    pub(super) drives: Vec<Drive>,
    pub(super) units: Vec<StripDrive>,
    pub(super) corridors: Vec<Corridor>,
    pub(super) sections: Vec<Section>,
    /// Of each section, in their order.
    pub(super) ways: Vec<SectionWays>,
    pub(super) unworked: Vec<Unworked>,
    /// Of each setting the highest number of a pass before anything was taken out.
    pub(super) last_pass: BTreeMap<u32, u32>,
    strips_count: u32,
    time_parts: Option<TimeParts>,
}

/// How often sections that take longer than a shift are divided again.
const MOST_DIVISIONS: u32 = 4;

/// `planned_on` is the ground on which strips were laid: `ground`, less what came later.
#[allow(clippy::too_many_arguments)]
pub fn plan(
    context: Context<'_>,
    block: &SourceBlock,
    shape: MultiPolygon,
    (planned_on, ground): (&Ground, &Ground),
    clearing: &Clearing,
    parts: &[Part],
    solved: &Solved,
) -> BlockPlan {
    let mut work = WriteUp {
        context,
        strips: vec![],
        drives: vec![],
        units: vec![],
        corridors: vec![],
        sections: vec![],
        ways: vec![],
        unworked: ground.unworked.clone(),
        last_pass: BTreeMap::new(),
        strips_count: 0,
        time_parts: None,
    };
    let day = DayGround::of(context, ground, parts, &shape).with_windows(windows::grounds(
        context,
        block,
        &ground.zones.list,
    ));
    work.road_clearing(clearing, &day);
    for part in parts {
        work.boundary_pass(part, &day);
    }
    let mut notes = Vec::new();
    for (part, (pieces, comb)) in parts.iter().zip(solved.pieces.iter().zip(&solved.combs)) {
        let day = day.turned(&part.frame, &part.pass.interior);
        let strips = work.interior(part, pieces, &day);
        let leave = |polygon: &Polygon| part.frame.leave_polygon(polygon);
        work.set_unworked(
            part.number,
            UnworkedReason::Sliver,
            pieces.slivers.iter().map(leave),
        );
        let missed = if planned_on.zones.exclusion.is_empty() {
            UnworkedReason::BeyondReach
        } else {
            UnworkedReason::MachineExclusion
        };
        work.set_unworked(part.number, missed, pieces.beyond_reach.iter().map(leave));
        notes.push(PartNote {
            part: part.number,
            shape: less(part.shape, ground, &block.frame),
            azimuth_deg: part.azimuth_deg,
            choice: part.choice,
            corridor_width_m: if pieces.corridors.is_empty() {
                0.0
            } else {
                comb.corridor_m
            },
            strips,
            no_frontage: part.side.no_frontage,
            outlet: part.setting.outlet.as_ref().map(|outlet| OutletNote {
                kind: outlet.kind,
                name: outlet.name.clone(),
                front: clip_lines(&outlet.front, &ground.came_later.outside.0, false),
                capacity_m3: outlet.capacity_m3,
            }),
            drawn: part.setting.drawn.clone(),
            azimuth_from: part.azimuth_from,
            strip_lines: work.along_drawn(part, pieces),
        });
    }
    // Shapes as planned, less what is cut already.
    let mut bands = ground.retained_bands.clone();
    let felled = match ground.zones.felled.is_empty() {
        true => MultiPolygon(vec![]),
        false => intersection(&shape, &union(&ground.zones.felled).0),
    };
    let mut from = None;
    let (mut driven, mut kept_cut, mut taken) = (vec![], vec![], None);
    if !felled.0.is_empty() {
        let planned = work.as_planned(planned_on, parts, &clearing.ways);
        from = rest::ended_at(&planned, &felled.0);
        if !ground.came_later.is_nothing() {
            taken = Some(work.keep_off(&ground.came_later, parts));
        }
        (driven, kept_cut) = work.take_out(&felled.0, &mut bands);
        work.leave(&ground.made_up.0);
        if taken.is_some() || !ground.made_up.0.is_empty() {
            let beyond_m2 = work.leave_what_is_beyond_reach();
            if let Some(taken) = &mut taken {
                taken.beyond_reach_m2 = beyond_m2;
            }
        }
        work.go_on(&planned);
    }
    work.make_sound(&block.frame);
    let retained_bands = sound_all(bands.clone(), &block.frame);
    let mut open = ground.came_later.clear_of(&clearing.ways);
    open.extend(driven);
    let lines = work.ordered(ground, parts, &open, (felled.clone(), from, bands));
    work.number_along(&lines);
    debug_assert_eq!(
        super::lineless(&work.sections, &work.strips, &lines),
        None,
        "block {}",
        block.id
    );
    let homes: Vec<Home> = parts
        .iter()
        .map(|part| Home::new(ground, part.setting))
        .collect();
    let settings = context.settings;
    let window = Bounds::of_polygons(&shape);
    let growth = Growth::new(
        &ground.zones.stands,
        &window,
        &settings.production,
        &settings.machine,
    )
    .with_rasters(context.landbase.stand_rasters(), &block.frame);
    let mut beyond_study = work.time(ground, &growth, &lines, &homes);
    // Wood does not stand evenly along a section, so one part of it may still take too long.
    for _ in 0..MOST_DIVISIONS {
        if !work.divide_long(&block.frame) {
            break;
        }
        beyond_study = work.time(ground, &growth, &lines, &homes);
    }
    let (bunches, not_laid) = if context.settings.outputs.bunches {
        bunches::lay(context, ground, &lines, &work.strips, &work.sections)
    } else {
        (vec![], vec![])
    };
    let carried = wood::of_pieces(&bunches);
    let (mut trails, mut decks) = (vec![], vec![]);
    for (part, home) in parts.iter().zip(&homes) {
        let production = &context.settings.production;
        let (own, piles) = wood::carry(production, home, part.number, &lines, &carried);
        trails.extend(own);
        decks.extend(piles);
    }
    let mut findings = findings(ground, &notes, context);
    findings.extend(unreachable(&lines));
    findings.extend(by_hand::out_of_order(parts, &notes, &lines));
    findings.extend(moves_by_road(&lines));
    findings.extend(tiers::too_long(&context.settings.layout, &lines));
    findings.extend(shifts::beyond(context.settings, &work.sections));
    findings.extend(not_laid);
    if !felled.0.is_empty() {
        let reserved_m2 = shared_area(&felled, &ground.zones.uncut());
        let made_up_m2 = area(&ground.made_up);
        findings.extend(rest::findings(
            &felled.0,
            (kept_cut, made_up_m2),
            reserved_m2,
        ));
    }
    if let Some(taken) = taken {
        findings.extend(taken.findings(area(&ground.made_up)));
    }
    findings.extend(beyond_study);
    for finding in &mut findings {
        let shape = finding.shape.take();
        finding.shape = shape.and_then(|shape| sound_geometry(shape, &block.frame));
    }
    let largest = notes
        .iter()
        .max_by(|a, b| area(&a.shape).total_cmp(&area(&b.shape)));
    let (azimuth_deg, corridor_width_m) = (
        largest.map(|note| note.azimuth_deg),
        largest.map(|note| note.corridor_width_m),
    );
    let mut rungs = ground.zones.rungs;
    for part in parts {
        match part.pass.skeleton {
            Some(true) => rungs.skeleton += 1,
            Some(false) => rungs.skeleton_fallback += 1,
            None => {}
        }
    }
    let retained_m2 = work
        .corridors
        .iter()
        .map(|c| polygon_area(&c.shape))
        .sum::<f64>()
        + area(&retained_bands);
    let net_m2 = area(&ground.net);
    let books = Books {
        gross_m2: area(&shape),
        reserve_m2: shared_area(&shape, &ground.zones.uncut()),
        kept_m2: ground.kept_m2,
        net_m2,
        retained_m2,
        cut_m2: work
            .strips
            .iter()
            .map(|strip| polygon_area(&strip.shape))
            .fold(0.0, |sum, m2| sum + m2),
        unworked_m2: work
            .unworked
            .iter()
            .map(|unworked| polygon_area(&unworked.shape))
            .fold(0.0, |sum, m2| sum + m2),
        left_m2: retention::left_m2(&work.unworked),
    };
    let hours = |class: ShiftClass| -> Option<f64> {
        work.sections
            .iter()
            .filter(|section| section.shift_class == class)
            .map(|section| section.hours)
            .try_fold(0.0, |sum, hours| Some(sum + hours?))
    };
    BlockPlan {
        id: block.id.clone(),
        portfolio: block.portfolio.clone(),
        frame: block.frame.clone(),
        status: BlockStatus::Ok,
        books,
        retention_share: retention::share_left(context.rules, &books),
        share_with_left: retention::share_with(context.rules, &books, true),
        required_share: context.rules.retention_share.value,
        trees_left: None,
        azimuth_deg,
        corridor_width_m,
        strips_count: work.strips_count,
        day_hours: hours(ShiftClass::DayOnly),
        night_hours: hours(ShiftClass::NightSafe),
        skid_hours: (work.sections.iter())
            .map(|section| section.skid_hours)
            .try_fold(0.0, |sum, hours| Some(sum + hours?)),
        skid_m: skidding::mean_m(&work.sections),
        time_model: context.settings.production.time.label(),
        utilisation: context.settings.production.used(),
        rates: context.settings.costs.rates,
        time_parts: work.time_parts,
        bunches,
        scale: block.scale,
        geodesic_m2: block.geodesic_m2,
        power_lines: ground.zones.power_lines.clone(),
        falling: FallingArea::default(),
        people: vec![],
        windows: vec![],
        zones: sound_zones(&ground.zones.list, &felled.0, &block.frame),
        parts: notes,
        strips: work.strips,
        lines,
        corridors: work.corridors,
        retained_bands,
        sections: work.sections,
        unworked: work.unworked,
        trails,
        decks,
        findings,
        compliance: vec![],
        rungs,
        certificate: Certificate::default(),
        wind: None,
        wet: None,
        surveys: vec![],
        emergency: context.settings.emergency.clone(),
        place: None,
        keeps_names: false,
        notes: vec![],
        shape,
    }
}

/// A setting without what is left standing in it.
fn less(shape: &Polygon, ground: &Ground, frame: &GroundFrame) -> MultiPolygon {
    let whole = MultiPolygon(vec![shape.clone()]);
    let standing = ground.made_up.0.iter().chain(&ground.came_later.gone.0);
    let standing: Vec<Polygon> = standing.cloned().collect();
    match standing.is_empty() {
        true => whole,
        false => sound_all(difference(&whole, &standing), frame),
    }
}

/// What falls into several pieces stands as often, with the same numbers.
fn make_sound<T: Clone>(
    items: &mut Vec<T>,
    of: impl Fn(&mut T) -> &mut Polygon,
    frame: &GroundFrame,
) {
    let mut made = Vec::with_capacity(items.len());
    for mut item in items.drain(..) {
        let nothing = Polygon::new(LineString(vec![]), vec![]);
        let shape = std::mem::replace(of(&mut item), nothing);
        for shape in sound(shape, frame) {
            let mut piece = item.clone();
            *of(&mut piece) = shape;
            made.push(piece);
        }
    }
    *items = made;
}

/// Zones as they are written, retained ones less what is cut.
fn sound_zones(zones: &[Zone], felled: &[Polygon], frame: &GroundFrame) -> Vec<Zone> {
    let standing = |zone: &Zone| match zone.kind {
        ZoneKind::RetainedBand if !felled.is_empty() => difference(&zone.shape, felled),
        _ => zone.shape.clone(),
    };
    let sound = zones.iter().map(|zone| Zone {
        shape: sound_all(standing(zone), frame),
        ..zone.clone()
    });
    sound.filter(|zone| !zone.shape.0.is_empty()).collect()
}

fn findings(ground: &Ground, parts: &[PartNote], context: Context<'_>) -> Vec<Finding> {
    let mut findings = ground.zones.findings.clone();
    for part in parts.iter().filter(|part| part.no_frontage) {
        let number = part.part;
        let (rule_id, verdict, required, message) = match &part.outlet {
            None if !context.landbase.knows_access() => (
                "no-access",
                Verdict::Unknown,
                context.settings.layout.access_search_m,
                format!(
                    "no roads and no landings are given: where the wood of setting {number} goes is not known"
                ),
            ),
            None => (
                "no-access",
                Verdict::Fail,
                context.settings.layout.access_search_m,
                format!(
                    "no road and no landing is in reach of setting {number}: its wood has nowhere to go"
                ),
            ),
            Some(outlet) if outlet.kind == OutletKind::Access => (
                "road-frontage",
                Verdict::Warn,
                context.settings.layout.frontage_distance_m,
                format!(
                    "setting {number} has no road frontage: its wood crosses other ground to the nearest road or landing"
                ),
            ),
            Some(_) => continue,
        };
        findings.push(Finding {
            rule_id: rule_id.to_owned(),
            verdict,
            measured: None,
            required: Some(required),
            unit: "m",
            message,
            source: "common practice".to_owned(),
            shape: Some(Geometry::MultiPolygon(part.shape.clone())),
        });
    }
    findings
}

/// Pieces that no way on open ground leads to from the piece before. A change of part may go by roads outside the block
/// and is none of these.
fn unreachable(lines: &[StripLine]) -> impl Iterator<Item = Finding> + '_ {
    let cut_off = |pair: &&[StripLine]| {
        pair[0].travel_to_next_m.is_none()
            && pair[0].id.part == pair[1].id.part
            && pair[1].id.part > 0
    };
    lines.windows(2).filter(cut_off).map(|pair| {
        let to = &pair[1];
        Finding {
            rule_id: "reachable".to_owned(),
            verdict: Verdict::Warn,
            measured: None,
            required: None,
            unit: "m",
            message: format!(
                "no way on open ground leads to {} (part {}, strip {}, piece {}) from the work before it; see in the field how the machine \
                 gets there",
                to.id, to.id.part, to.id.strip_no, to.id.piece
            ),
            source: "docs/algorithms.md, Order and travel".to_owned(),
            shape: to.shape.0.first().map(|&c| Geometry::Point(Point(c))),
        }
    })
}

/// Where one setting or road clearing is left for another that no way on open ground leads to by then.
fn moves_by_road(lines: &[StripLine]) -> Option<Finding> {
    let is_move = |pair: &&[StripLine]| {
        let (from, to) = (pair[0].id.part, pair[1].id.part);
        pair[0].travel_to_next_m.is_none() && (from != to || to == 0)
    };
    let ends = lines.windows(2).filter(is_move).filter_map(|pair| {
        let from = *pair[0].shape.0.last()?;
        Some((from, *pair[1].shape.0.first()?))
    });
    let ends: Vec<(Coord, Coord)> = ends.collect();
    if ends.is_empty() {
        return None;
    }
    let straight_m = ends
        .iter()
        .map(|(a, b)| (*b - *a).x.hypot((*b - *a).y))
        .sum();
    let places = ends.iter().map(|(_, to)| Point(*to));
    Some(Finding {
        rule_id: "moves-by-road".to_owned(),
        verdict: Verdict::NotApplicable,
        measured: Some(straight_m),
        required: None,
        unit: "m",
        message: format!(
            "moves by road: {}, to settings or road clearings that no open ground leads to by then; the machine goes round by roads or is \
             carried, {straight_m:.0} m at least in a straight line, which is in no hours and no travel",
            ends.len()
        ),
        source: "docs/algorithms.md, Order and travel".to_owned(),
        shape: Some(Geometry::MultiPoint(places.collect())),
    })
}

impl WriteUp<'_> {
    /// What would not be valid as written is drawn anew, so that areas are summed of what is written.
    fn make_sound(&mut self, frame: &GroundFrame) {
        make_sound(&mut self.strips, |strip| &mut strip.shape, frame);
        make_sound(&mut self.corridors, |corridor| &mut corridor.shape, frame);
        make_sound(&mut self.unworked, |piece| &mut piece.shape, frame);
        for section in &mut self.sections {
            let shape = std::mem::replace(&mut section.shape, MultiPolygon(vec![]));
            section.shape = MultiPolygon(sound_each(shape.0, frame));
        }
    }

    pub(super) fn set_unworked(
        &mut self,
        part: u32,
        reason: UnworkedReason,
        shapes: impl Iterator<Item = Polygon>,
    ) {
        self.unworked.extend(shapes.map(|shape| Unworked {
            part,
            reason,
            shape,
        }));
    }

    /// Cuts a whole shape, not by a comb: the boundary pass or the road clearing of a part.
    fn whole(
        &mut self,
        part: u32,
        kind: StripKind,
        shape: &MultiPolygon,
        lines: &[LineString],
        day: &DayGround,
    ) {
        let width_m = self.context.settings.machine.strip_width_m();
        let mut drives = Vec::with_capacity(lines.len());
        for (piece, cut) in (1u32..).zip(cut_from::pieces(lines, shape)) {
            let id = PieceId {
                part,
                strip_no: 0,
                piece,
            };
            let polygons: Vec<Polygon> =
                cut.polygons.iter().map(|&at| shape.0[at].clone()).collect();
            let driven: Vec<LineString> = cut.lines.iter().map(|&at| lines[at].clone()).collect();
            for polygon in &polygons {
                self.strips.push(Strip {
                    id,
                    kind,
                    gap: false,
                    width_m,
                    shape: polygon.clone(),
                });
            }
            for (&at, line) in cut.lines.iter().zip(&driven) {
                let drive = Drive {
                    id,
                    kind,
                    heading: Heading::Around,
                    line: line.clone(),
                };
                drives.push((at, drive));
            }
            self.whole_sections(id, kind, &polygons, &driven, day);
        }
        // As they were drawn, whichever piece they cut.
        drives.sort_by_key(|&(at, _)| at);
        self.drives
            .extend(drives.into_iter().map(|(_, drive)| drive));
    }

    fn whole_sections(
        &mut self,
        id: PieceId,
        kind: StripKind,
        polygons: &[Polygon],
        driven: &[LineString],
        day: &DayGround,
    ) {
        let settings = self.context.settings;
        let here = MultiPolygon(polygons.to_vec());
        let (found, always) = match kind {
            StripKind::BoundaryPass => (day.on_pass(&here), Some(DayReason::BoundaryPass)),
            _ => {
                let always = settings.layout.road_clearing_day_only;
                (
                    day.on_road(&here),
                    always.then_some(DayReason::RoadClearing),
                )
            }
        };
        let (reach_m, least_m) = (settings.machine.reach_m, settings.layout.section_min_m);
        let sections = whole_sections::divide_each(polygons, driven, &found, reach_m, least_m);
        for (section_no, section) in (1u32..).zip(sections) {
            let WholeSection {
                shape,
                driven,
                mut reasons,
            } = section;
            if kind == StripKind::BoundaryPass {
                reasons.retain(|reason| *reason != DayReason::ShortStretch);
            }
            reasons.extend(always);
            reasons.sort();
            let class = if reasons.is_empty() {
                ShiftClass::NightSafe
            } else {
                ShiftClass::DayOnly
            };
            let shape = MultiPolygon(vec![shape]);
            self.sections
                .push(Section::untimed(id, section_no, (class, reasons), shape));
            self.ways.push(SectionWays {
                driven,
                road_end: None,
                standing: None,
            });
        }
    }

    fn road_clearing(&mut self, clearing: &Clearing, day: &DayGround) {
        self.whole(
            0,
            StripKind::RoadClearing,
            &clearing.shape,
            &clearing.lines,
            day,
        );
        self.set_unworked(
            0,
            UnworkedReason::BeyondReach,
            clearing.beyond_reach.iter().cloned(),
        );
    }

    fn boundary_pass(&mut self, part: &Part, day: &DayGround) {
        self.whole(
            part.number,
            StripKind::BoundaryPass,
            &part.pass.band,
            &part.pass.lines,
            day,
        );
    }

    /// Lines that were drawn for strips, each with the number of its strip; the strip that is asked for first is told so.
    fn along_drawn(&mut self, part: &Part, pieces: &super::strips::Pieces) -> Vec<(String, u32)> {
        let first = by_hand::first_given(part);
        let mut strips: Vec<u32> = pieces.cut.iter().map(|piece| piece.strip).collect();
        strips.sort_unstable();
        strips.dedup();
        let number_of = |strip: u32| strips.iter().position(|&own| own == strip);
        let mut along = Vec::with_capacity(part.given.len());
        for line in &part.given {
            let own = pieces.cut.iter().find(|piece| piece.given == Some(line.x));
            let Some(at) = own.and_then(|piece| number_of(piece.strip)) else {
                continue;
            };
            let number = at as u32 + 1;
            along.push((line.id.clone(), number));
            let Some([from, to]) = first
                .filter(|first| first.x == line.x)
                .map(|line| line.along)
            else {
                continue;
            };
            let units = (self.units.iter_mut()).map(|strip| (strip.drive.id, &mut strip.unit));
            let own = units
                .filter(|(id, unit)| id.part == part.number && id.strip_no == number && !unit.gap);
            // The piece in which most of the line lies.
            let shared_m = |unit: &Unit| {
                let [low, high] = turned::as_drawn(unit);
                high.min(to) - low.max(from)
            };
            let most = own.max_by(|a, b| shared_m(a.1).total_cmp(&shared_m(b.1)));
            if let Some((_, unit)) = most {
                unit.first = true;
            }
        }
        along
    }

    /// Numbers strips from left to right without gaps, in and out by turns; returns how many.
    fn interior(&mut self, part: &Part, pieces: &super::strips::Pieces, day: &DayGround) -> u32 {
        let before = self.units.len();
        let mut cut: Vec<&Piece> = pieces.cut.iter().collect();
        cut.sort_by_key(|piece| piece.strip);
        let mut number = 0;
        let mut numbers: Vec<(u32, u32)> = vec![];
        for run in cut.chunk_by(|a, b| a.strip == b.strip) {
            number += 1;
            numbers.push((run[0].strip, number));
            self.strip(part, number, run, day);
        }
        if let Some(outlet) = &part.setting.outlet {
            let at_outlet_m = self.context.settings.layout.frontage_distance_m;
            turned::turn_round(&mut self.units[before..], outlet, at_outlet_m);
        }
        let mut corridor_no = 0;
        let mut last = None;
        for (left, shape) in &pieces.corridors {
            if last != Some(*left) {
                corridor_no += 1;
                last = Some(*left);
            }
            let bounds = crate::geometry::area::Bounds::of(&shape.exterior().0);
            self.corridors.push(Corridor {
                part: part.number,
                corridor_no,
                width_m: bounds.max.x - bounds.min.x,
                shape: part.frame.leave_polygon(shape),
            });
        }
        self.strips_count += number;
        number
    }

    fn strip(&mut self, part: &Part, number: u32, run: &[&Piece], day: &DayGround) {
        let bottom = |piece: &Piece| {
            crate::geometry::area::Bounds::of_polygons(&piece.shape)
                .min
                .y
        };
        // From the road up; gaps follow the strip to their left.
        let mut order: Vec<&Piece> = run.to_vec();
        order.sort_by(|a, b| a.mouth.cmp(&b.mouth).then(bottom(a).total_cmp(&bottom(b))));
        for (piece_no, piece) in (1u32..).zip(order) {
            let id = PieceId {
                part: part.number,
                strip_no: number,
                piece: piece_no,
            };
            for polygon in &piece.shape.0 {
                self.strips.push(Strip {
                    id,
                    kind: StripKind::Interior,
                    gap: piece.mouth,
                    width_m: piece.width_m,
                    shape: part.frame.leave_polygon(polygon),
                });
            }
            for &[low, high] in &piece.drives {
                self.units.push(StripDrive {
                    unit: Unit {
                        begun: None,
                        first: false,
                        leg: 0,
                        strip: number,
                        gap: piece.mouth,
                        low,
                        high,
                    },
                    drive: Drive {
                        id,
                        kind: StripKind::Interior,
                        heading: Heading::In,
                        line: part.frame.leave_line(&upright_line(piece.x, [low, high])),
                    },
                });
            }
            let is_turned = self.is_turned(part, piece);
            let mut sections = sections::of_piece(self.context, day, piece);
            if is_turned {
                sections.reverse();
            }
            for (section_no, section) in (1u32..).zip(sections) {
                let shape = part.frame.leave_polygons(&section.shape);
                let stretch = &section.stretch;
                let driven = (piece.drives.iter())
                    .map(|[low, high]| [low.max(stretch.low), high.min(stretch.high)])
                    .filter(|[low, high]| low < high)
                    .map(|drive| part.frame.leave_line(&upright_line(piece.x, drive)));
                self.ways.push(SectionWays {
                    driven: driven.collect(),
                    road_end: road_end(part, piece, is_turned),
                    standing: None,
                });
                let class = (stretch.class, stretch.reasons.clone());
                self.sections
                    .push(Section::untimed(id, section_no, class, shape));
            }
        }
    }

    /// Whether most of a piece is worked from its upper end.
    fn is_turned(&self, part: &Part, piece: &Piece) -> bool {
        let Some(outlet) = &part.setting.outlet else {
            return false;
        };
        let at_outlet_m = self.context.settings.layout.frontage_distance_m;
        let metres = piece.drives.iter().map(|&[low, high]| {
            let line = part.frame.leave_line(&upright_line(piece.x, [low, high]));
            match turned::leads_away(&line.0, outlet, at_outlet_m) {
                true => high - low,
                false => low - high,
            }
        });
        metres.sum::<f64>() > 0.0
    }

    /// Divides sections that take longer than a shift; false: none was.
    fn divide_long(&mut self, frame: &GroundFrame) -> bool {
        let settings = self.context.settings;
        let Some(most_h) = settings.layout.shift_hours else {
            return false;
        };
        let limits = (settings.machine.reach_m, settings.layout.section_min_m);
        let used = settings.production.used();
        let mut divided = false;
        let (mut sections, mut ways) = (Vec::new(), Vec::new());
        let timed = self.sections.drain(..).zip(self.ways.drain(..));
        for (section, way) in timed {
            let hours = used.scheduled(section.hours).unwrap_or(0.0);
            let count = (hours / most_h * (1.0 - 1e-9)).ceil().max(1.0) as u32;
            let shares = match count {
                1 => None,
                _ => shifts::divide(&section.shape, &way.driven, count, limits),
            };
            let Some(shares) = shares else {
                sections.push(section);
                ways.push(way);
                continue;
            };
            divided = true;
            for share in shares {
                sections.push(Section {
                    shape: MultiPolygon(sound_each(share.shape.0, frame)),
                    ..section.clone()
                });
                ways.push(SectionWays {
                    driven: share.driven,
                    road_end: way.road_end,
                    standing: None,
                });
            }
        }
        // Anew within each piece, whose sections follow one another.
        let mut numbers: BTreeMap<PieceId, u32> = BTreeMap::new();
        for section in &mut sections {
            let number = numbers.entry(section.id).or_default();
            *number += 1;
            section.section_no = *number;
        }
        (self.sections, self.ways) = (sections, ways);
        divided
    }

    /// Lines in working order; strips that lead to a pass become part of it.
    fn ordered(
        &mut self,
        ground: &Ground,
        parts: &[Part],
        roads: &[LineString],
        cut_before: (MultiPolygon, Option<Coord>, MultiPolygon),
    ) -> Vec<StripLine> {
        let mut ordered = self.in_order(ground, parts, roads, cut_before);
        for id in ordered.leading {
            self.lead(id, &mut ordered.lines);
        }
        ordered.lines
    }

    /// Sections stand from the outlet on; those of pieces that are cut on the way out come the other way round.
    fn number_along(&mut self, lines: &[StripLine]) {
        let out = lines.iter().filter(|line| line.heading == Heading::Out);
        let out: BTreeSet<PieceId> = out.map(|line| line.id).collect();
        let mut from = 0;
        while from < self.sections.len() {
            let id = self.sections[from].id;
            let own = self.sections[from..].iter().take_while(|own| own.id == id);
            let to = from + own.count();
            if out.contains(&id) {
                let sections = &mut self.sections[from..to];
                sections.reverse();
                let last = sections.iter().map(|own| own.section_no).max().unwrap_or(0);
                for section in sections {
                    section.section_no = last + 1 - section.section_no;
                }
                self.ways[from..to].reverse();
            }
            from = to;
        }
    }

    /// `felled` is open from the beginning, the machine stands at `from`, and `bands` stand.
    pub(super) fn in_order(
        &mut self,
        ground: &Ground,
        parts: &[Part],
        roads: &[LineString],
        (felled, from, bands): (MultiPolygon, Option<Coord>, MultiPolygon),
    ) -> Ordered {
        let corridors = self.corridors.iter().map(|corridor| corridor.shape.clone());
        let stands = |unworked: &&Unworked| {
            use UnworkedReason::{BeyondReach, Sliver};
            matches!(unworked.reason, BeyondReach | Sliver)
        };
        let left = self.unworked.iter().filter(stands);
        let work = Work {
            passes: std::mem::take(&mut self.drives),
            strips: std::mem::take(&mut self.units),
            roads,
            pieces: &self.strips,
            corridors: MultiPolygon(corridors.collect()),
            bands,
            felled,
            left: left.map(|unworked| unworked.shape.clone()).collect(),
            from,
            settings: in_asked_order(parts),
            before: comes_after(parts),
        };
        working_order::put(self.context, ground, work)
    }

    /// Makes a piece of a strip a stretch of the pass that it leads to.
    pub(super) fn lead(&mut self, id: PieceId, lines: &mut [StripLine]) -> PieceId {
        let passes = self
            .strips
            .iter()
            .filter(|s| s.id.part == id.part && s.id.strip_no == 0);
        let last = passes.map(|strip| strip.id.piece).max().unwrap_or(0);
        let last = last.max(self.last_pass.get(&id.part).copied().unwrap_or(0));
        let pass = PieceId {
            part: id.part,
            strip_no: 0,
            piece: last + 1,
        };
        let others = |strip: &&Strip| {
            let own = strip.id.part == id.part && strip.id.strip_no == id.strip_no;
            own && strip.id.piece != id.piece
        };
        if self.strips.iter().find(others).is_none() {
            self.strips_count = self.strips_count.saturating_sub(1);
        }
        for strip in self.strips.iter_mut().filter(|strip| strip.id == id) {
            strip.id = pass;
            strip.kind = StripKind::BoundaryPass;
        }
        for line in lines.iter_mut().filter(|line| line.id == id) {
            line.id = pass;
            line.kind = StripKind::BoundaryPass;
            line.heading = Heading::Around;
        }
        for section in self.sections.iter_mut().filter(|section| section.id == id) {
            section.id = pass;
            section.shift_class = ShiftClass::DayOnly;
            section.reasons.insert(0, DayReason::BoundaryPass);
            section.reasons.sort();
            section.reasons.dedup();
        }
        pass
    }

    /// Trees, hours and skidding of every section; what lies beyond the range of the time model.
    fn time(
        &mut self,
        ground: &Ground,
        growth: &Growth<'_>,
        lines: &[StripLine],
        homes: &[Home],
    ) -> Vec<Finding> {
        let production = &self.context.settings.production;
        let machine = &self.context.settings.machine;
        let rasters = self.context.landbase.stand_rasters();
        let of = (production, machine);
        let standing = self
            .sections
            .iter()
            .zip(&mut self.ways)
            .map(|(section, ways)| {
                let (shape, driven) = (&section.shape, &ways.driven);
                let on = || Standing::on(shape, driven, of, growth, ground.slopes);
                &*ways.standing.get_or_insert_with(on)
            });
        let standing: Vec<&Standing> = standing.collect();
        let sections = &mut self.sections;
        let times = timing::fill(of, &standing, lines, sections);
        let mut beyond = time_range::findings(&production.time, sections, &times);
        beyond.extend(sorted_trees::findings(machine, sections));
        beyond.extend(stands_unseen::finding(growth, rasters, sections));
        let mut all = Some(TimeParts::default());
        for ((section, ways), time) in sections.iter_mut().zip(&self.ways).zip(&times) {
            // Road clearing belongs to no setting: its wood lies beside the road already.
            let home = (section.id.part as usize)
                .checked_sub(1)
                .map(|at| &homes[at]);
            let way_m = |from| match home {
                Some(home) => home.way_m(from),
                None => ground.access.way_m(from),
            };
            skidding::fill(production, &way_m, &ways.driven, ways.road_end, section);
            all = all.zip(time.parts).map(|(mut all, mut parts)| {
                let loads = section.trees.zip(section.volume_m3);
                let loads = loads.map_or(0.0, |(trees, m3)| {
                    production.loads_of(trees, m3, section.bunch_share)
                });
                if let Some(hours) = section.skid_hours {
                    parts.loading_s = loads * production.seconds_per_load;
                    parts.way_s = hours * 3600.0 - parts.loading_s;
                }
                all += parts;
                all
            });
        }
        self.time_parts = all;
        beyond
    }
}

/// The place of a setting in the order that was asked for: those that have none come last.
fn asked(part: &Part) -> f64 {
    part.setting.by_hand.order.unwrap_or(f64::INFINITY)
}

fn in_asked_order(parts: &[Part]) -> Vec<u32> {
    let mut order: Vec<&Part> = parts.iter().collect();
    order.sort_by(|a, b| asked(a).total_cmp(&asked(b)));
    order.iter().map(|part| part.number).collect()
}

/// Of each setting, those whose strips are cut before: of tiers of deep ground those nearer to the outlet, and what was
/// asked for earlier. Tiers of one ground have one place in the order asked for, so that nothing comes before itself.
fn comes_after(parts: &[Part]) -> BTreeMap<u32, Vec<u32>> {
    let of = |part: &Part| part.setting.tier.as_ref().map(|tier| tier.of);
    let mut all = BTreeMap::new();
    for part in parts {
        let is_before = |other: &&Part| {
            let tier_before = of(part).is_some() && of(other) == of(part);
            asked(other) < asked(part) || (tier_before && other.number < part.number)
        };
        let before: Vec<u32> = parts
            .iter()
            .filter(is_before)
            .map(|other| other.number)
            .collect();
        if !before.is_empty() {
            all.insert(part.number, before);
        }
    }
    all
}

/// Where wood of a piece leaves its strip: the lower end of what is driven there, or the upper one where it is worked from
/// there.
fn road_end(part: &Part, piece: &Piece, is_turned: bool) -> Option<RoadEnd> {
    let (end, up) = if is_turned { (1, -1.0) } else { (0, 1.0) };
    let ends = piece.drives.iter().map(|drive| drive[end]);
    let y = ends.min_by(|a, b| (a * up).total_cmp(&(b * up)))?;
    let at = part.frame.leave(Coord { x: piece.x, y });
    let up = part.frame.leave(Coord {
        x: piece.x,
        y: y + up,
    }) - at;
    Some(RoadEnd { at, up })
}
