//! A part in its turned frame, and the pieces its comb cuts it into.

use geo::{Coord, InteriorPoint, LineString, MultiPolygon, Polygon};

use super::Context;
use super::boundary_pass::{Pass, not_beside};
use super::comb::Comb;
use super::cost::{Access, Headings, Model};
use super::cover;
use super::ground::Ground;
use super::hours::Stands;
use super::orientation::{self, RoadSide};
use super::outlets::Outlet;
use super::setting::{self, Setting};
use crate::geometry::area::{Bounds, polygon_area};
use crate::geometry::buffer::Source;
use crate::geometry::distance::{inside_polygon, point_segment};
use crate::geometry::frame::Frame;
use crate::geometry::overlay::{boundary, difference, intersection, oriented, union};
use crate::geometry::sweep::{Slab, clip_slabs, upright};
use crate::model::{Azimuth, AzimuthChoice, AzimuthFrom, Machine, SourceBlock};
use crate::units::HECTARE_M2;

/// A part ready for its comb. Everything named `turned` is in `frame`.
pub struct Part<'g> {
    pub number: u32,
    pub shape: &'g Polygon,
    pub setting: &'g Setting,
    pub pass: Pass,
    pub side: RoadSide,
    pub azimuth_deg: f64,
    pub choice: AzimuthChoice,
    pub frame: Frame,
    pub turned_interior: MultiPolygon,
    /// Interior outside the road band: where corridors may stand.
    pub turned_may_stand: MultiPolygon,
    /// Interior inside the road band.
    pub turned_band: MultiPolygon,
    /// Where the machine may drive: part and road clearing, less machine exclusions.
    pub turned_drivable: MultiPolygon,
    /// What the pass leaves beside its own ground: small pieces, and those beyond its reach.
    pub turned_left: [Vec<Polygon>; 2],
    /// Left and right end of the interior.
    pub left: f64,
    pub right: f64,
    /// Lines that were drawn, from left to right.
    pub given: Vec<GivenLine>,
    pub azimuth_from: AzimuthFrom,
}

/// A line that a planner drew for a strip.
#[derive(Clone, Debug)]
pub struct GivenLine {
    pub id: String,
    pub x: f64,
    /// From where to where it was drawn.
    pub along: [f64; 2],
    /// Its place among those that are to be cut first, if it has one.
    pub order: Option<f64>,
}

impl<'g> Part<'g> {
    pub fn prepare(
        context: Context<'_>,
        block: &SourceBlock,
        ground: &Ground,
        setting: &'g Setting,
        number: u32,
        pass: Pass,
    ) -> Part<'g> {
        let layout = &context.settings.layout;
        let shape = &setting.shape;
        let (side, access) = setting::side_of(shape, setting.outlet.as_ref());
        let (wish, azimuth_from) = setting.by_hand.azimuth(block.azimuth_deg, layout.azimuth);
        let wish = (setting.tier.as_ref()).map_or(wish, |tier| Azimuth::Degrees(tier.azimuth_deg));
        let mut choice = (setting.choice)
            .unwrap_or_else(|| choose(context, ground, shape, &pass, (side, &access), wish));
        let pitch_m = context.settings.machine.strip_width_m();
        if leads_away(
            &pass.interior,
            setting.outlet.as_ref(),
            choice.azimuth_deg,
            pitch_m,
        ) {
            choice.azimuth_deg = (choice.azimuth_deg + 180.0) % 360.0;
        }
        let azimuth_deg = choice.azimuth_deg;
        let frame = Frame::new(azimuth_deg);
        let turned_interior = frame.enter_polygons(&pass.interior);
        let band = MultiPolygon(ground.zones.road_band.clone());
        let turned_road = frame.enter_polygons(&band).0;
        let whole = MultiPolygon(vec![shape.clone()]);
        let mut drivable = whole.0;
        drivable.extend(ground.clearing.0.iter().cloned());
        let drivable = difference(&union(&drivable), &ground.zones.exclusion);
        let standing = match pass.at_edge {
            true => beside_standing(context, ground, shape),
            false => vec![],
        };
        let drivable = difference(&drivable, &standing);
        let bounds = Bounds::of_polygons(&turned_interior);
        Part {
            number,
            shape,
            setting,
            side,
            azimuth_deg,
            choice,
            frame,
            turned_may_stand: difference(&turned_interior, &turned_road),
            turned_band: intersection(&turned_interior, &turned_road),
            turned_drivable: frame.enter_polygons(&drivable),
            turned_left: [&pass.slivers, &pass.beyond_reach]
                .map(|left| frame.enter_polygons(&MultiPolygon(left.clone())).0),
            left: bounds.min.x,
            right: bounds.max.x,
            given: setting.by_hand.given(&frame),
            azimuth_from,
            turned_interior,
            pass,
        }
    }

    /// Strips from the left on, or about the lines that were drawn, without corridors.
    pub fn comb(&self, strip_m: f64) -> Comb {
        Comb {
            start: self.left,
            strip_m,
            corridor_m: 0.0,
            every: 0,
            given: self.given.iter().map(|line| line.x).collect(),
        }
    }

    pub fn has_interior(&self) -> bool {
        !self.turned_interior.0.is_empty()
    }
}

/// Where no boundary pass runs strips come up to what stands: how near to it the machine may not drive. Corridors of the next
/// setting may end at the line between them.
fn beside_standing(context: Context<'_>, ground: &Ground, shape: &Polygon) -> Vec<Polygon> {
    let half_m = context.settings.machine.half_width_m;
    if half_m <= 0.0 {
        return vec![];
    }
    let rim = boundary(&MultiPolygon(vec![shape.clone()]));
    let dividing = not_beside(&rim, &ground.parts.iter().collect::<Vec<_>>());
    let bounds = Bounds::of(&shape.exterior().0).grown(half_m);
    let bands = (ground.retained_bands.0.iter())
        .filter(|kept| Bounds::of(&kept.exterior().0).meets(&bounds));
    let bands = MultiPolygon(bands.cloned().collect());
    // Ground that hangs together nowhere with this may still come as near at a corner.
    let inside = shape.interior_point().map(Coord::from);
    let others = (ground.parts.iter())
        .filter(|part| Bounds::of(&part.exterior().0).meets(&bounds))
        .filter(|part| !inside.is_some_and(|place| inside_polygon(place, part)));
    let others = MultiPolygon(others.cloned().collect());
    let sources = [
        Source::Lines(dividing),
        Source::Polygons(bands),
        Source::Polygons(others),
    ];
    let sources = sources.into_iter().filter(|source| !source.is_empty());
    sources
        .flat_map(|source| oriented(context.engines.plain(&source, half_m)).0)
        .collect()
}

/// Whether most of what strips of an azimuth are long begins farther from the outlet than it ends: beside a bent road the
/// mean direction in may be the wrong one.
fn leads_away(
    interior: &MultiPolygon,
    outlet: Option<&Outlet>,
    azimuth_deg: f64,
    pitch_m: f64,
) -> bool {
    let Some(outlet) = outlet else {
        return false;
    };
    let frame = Frame::new(azimuth_deg);
    let turned = frame.enter_polygons(interior);
    let bounds = Bounds::of_polygons(&turned);
    let off_m = |x: f64, y: f64| {
        let at = frame.leave(Coord { x, y });
        let nearest = outlet.nearest(at).unwrap_or(at);
        (nearest - at).x.hypot((nearest - at).y)
    };
    let (mut away_m, mut all_m) = (0.0, 0.0);
    let count = ((bounds.max.x - bounds.min.x) / pitch_m).ceil().max(0.0) as u32;
    for x in (0..count).map(|k| bounds.min.x + (f64::from(k) + 0.5) * pitch_m) {
        for [low, high] in upright(&turned, x) {
            all_m += high - low;
            if off_m(x, low) > off_m(x, high) {
                away_m += high - low;
            }
        }
    }
    away_m > all_m / 2.0
}

/// Trees taken for the choice of a direction where nobody says how many stand and how large they are: without wood
/// to skid, turns alone would decide.
pub const ASSUMED_STEMS_PER_HA: f64 = 500.0;
pub const ASSUMED_TREE_M3: f64 = 0.3;

fn choose(
    context: Context<'_>,
    ground: &Ground,
    shape: &Polygon,
    pass: &Pass,
    (side, access): (RoadSide, &Access),
    wish: Azimuth,
) -> AzimuthChoice {
    let settings = context.settings;
    let stands = Stands::new(&ground.zones.stands, &settings.production);
    let (stems_per_ha, tree_m3) = stands.trees(orientation::middle(shape));
    let whole;
    let worked = if pass.interior.0.is_empty() {
        whole = MultiPolygon(vec![shape.clone()]);
        &whole
    } else {
        &pass.interior
    };
    let gradient = |at: Coord| {
        let gradient = ground.slopes.gradient(at)?;
        Some((gradient.dz_dx, gradient.dz_dy))
    };
    let model = Model {
        ground: worked,
        access,
        gradient: (ground.slopes.has_gradients()).then_some(&gradient),
        production: &settings.production,
        pitch_m: settings.machine.strip_width_m() + settings.layout.corridor_min_m,
        max_strip_m: settings.layout.max_strip_m,
        stems_per_m2: stems_per_ha.unwrap_or(ASSUMED_STEMS_PER_HA) / HECTARE_M2,
        tree_m3: tree_m3.unwrap_or(ASSUMED_TREE_M3),
        wind: (settings.wind.as_ref()).filter(|wind| wind.seconds_per_m > 0.0),
        headings: Headings::of(&settings.slopes),
    };
    orientation::choose(wish, shape, side, &model)
}

/// One piece to be cut, in the turned frame.
pub struct Piece {
    pub strip: u32,
    /// True: the gap before a corridor, cut because no retention may stand in the road band.
    pub mouth: bool,
    pub width_m: f64,
    pub shape: MultiPolygon,
    /// Upright stretches driven, all at one x.
    pub x: f64,
    /// Where a line was drawn for it.
    pub given: Option<f64>,
    pub drives: Vec<[f64; 2]>,
}

/// Of which strip or gap a piece is.
#[derive(Clone, Copy)]
pub struct Row {
    pub strip: u32,
    /// As of [`Piece`].
    pub mouth: bool,
    pub width_m: f64,
    pub middle: f64,
    /// Where a line was drawn for it.
    pub given: Option<f64>,
}

impl Row {
    /// The gap to the right of a strip.
    pub fn gap(strip: u32, slab: Slab) -> Row {
        Row {
            strip,
            mouth: true,
            width_m: slab.width(),
            middle: slab.middle(),
            given: None,
        }
    }

    fn slab(&self) -> [f64; 2] {
        let half_m = self.width_m / 2.0;
        [self.middle - half_m, self.middle + half_m]
    }
}

/// What a part's comb makes of it, in the turned frame.
#[derive(Default)]
pub struct Pieces {
    pub cut: Vec<Piece>,
    /// Corridor number (index of the strip to its left) and shape.
    pub corridors: Vec<(u32, Polygon)>,
    pub slivers: Vec<Polygon>,
    pub beyond_reach: Vec<Polygon>,
}

/// Corridors must be larger than this to count, in square metres. With a hair to spare: what the audit makes of a
/// corridor differs by rounding.
pub fn least_patch_m2(context: Context<'_>) -> f64 {
    let rule = context.rules.block.least_patch_m2.as_ref();
    rule.map_or(0.0, |rule| rule.value + PATCH_SPARE_M2)
}

const PATCH_SPARE_M2: f64 = 0.01;

/// Cuts a part by its comb. Corridors that would come out narrower than `least_m` do not stand.
pub fn cut(context: Context<'_>, part: &Part, comb: &Comb, least_m: f64) -> Pieces {
    let sliver_m2 = context.settings.layout.sliver_m2;
    let least_m2 = least_patch_m2(context);
    let least_m = least_m.min(comb.corridor_m);
    let [slivers, beyond_reach] = part.turned_left.clone();
    let mut pieces = Pieces {
        slivers,
        beyond_reach,
        ..Pieces::default()
    };
    let strips = comb.strips(part.right);
    let strip_slabs: Vec<Slab> = strips.iter().map(|tooth| tooth.slab).collect();
    for (index, shape) in clip_slabs(&part.turned_interior, &strip_slabs) {
        let tooth = strips[index];
        let row = Row {
            strip: index as u32,
            mouth: false,
            width_m: tooth.width_m,
            middle: tooth.slab.middle(),
            given: tooth.given,
        };
        pieces.add_cut(context, part, row, shape);
    }
    pieces.cut_on_the_way(context);
    let corridors = comb.corridors(part.right);
    let slabs = comb.corridor_slabs(part.right);
    // What of each gap is cut, by the corridor's place.
    let mut mouths: Vec<Vec<Polygon>> = vec![vec![]; slabs.len()];
    for (index, shape) in clip_slabs(&part.turned_may_stand, &slabs) {
        let (strip, _) = corridors[index];
        let bounds = Bounds::of(&shape.exterior().0);
        // A sliced corridor would be narrower than the least width, or not count as retention.
        if polygon_area(&shape) < sliver_m2
            || bounds.max.x - bounds.min.x < least_m - 1e-6
            || polygon_area(&shape) <= least_m2
        {
            mouths[index].push(shape);
        } else {
            pieces.corridors.push((strip, shape));
        }
    }
    for (index, shape) in clip_slabs(&part.turned_band, &slabs) {
        mouths[index].push(shape);
    }
    for (mouths, ((strip, _), slab)) in mouths.into_iter().zip(corridors.iter().zip(&slabs)) {
        // Ground on both sides of the road band's edge is driven in one go.
        let joined = match mouths.len() {
            0 | 1 => mouths,
            _ => union(&mouths).0,
        };
        for shape in joined {
            pieces.add_cut(context, part, Row::gap(*strip, *slab), shape);
        }
    }
    pieces
}

impl Pieces {
    pub fn corridors_m2(&self) -> f64 {
        self.corridors
            .iter()
            .map(|(_, shape)| polygon_area(shape))
            .sum()
    }

    /// Trees that stand where a machine drives are cut, though the piece there is small or lies beyond the reach of its own
    /// drive.
    fn cut_on_the_way(&mut self, context: Context<'_>) {
        let reach_m = context.settings.machine.reach_m;
        let lists = [&mut self.slivers, &mut self.beyond_reach];
        for left in lists {
            for scrap in std::mem::take(left) {
                let bounds = Bounds::of(&scrap.exterior().0);
                let whole = MultiPolygon(vec![scrap]);
                let over = |piece: &Piece| {
                    let within = (bounds.min.x..bounds.max.x).contains(&piece.x);
                    let crossed = within
                        .then(|| upright(&whole, piece.x))
                        .into_iter()
                        .flatten();
                    let mut met = crossed.flat_map(|[low, high]| {
                        let drives = piece.drives.iter();
                        drives.map(move |&[from, to]| high.min(to) - low.max(from))
                    });
                    met.any(|metres| metres > TOUCHED_M)
                };
                let Some(piece) = self.cut.iter_mut().find(|piece| over(piece)) else {
                    left.extend(whole.0);
                    continue;
                };
                let drives = piece.drives.iter();
                let lines: Vec<LineString> =
                    drives.map(|&drive| upright_line(piece.x, drive)).collect();
                let divided = cover::divide(context.engines, &whole, &lines, reach_m);
                let all = piece.shape.0.drain(..).chain(divided.within.0);
                piece.shape = union(&all.collect::<Vec<Polygon>>());
                left.extend(divided.beyond.0);
            }
        }
    }

    pub fn add_cut(&mut self, context: Context<'_>, part: &Part, row: Row, shape: Polygon) {
        if polygon_area(&shape) < context.settings.layout.sliver_m2 {
            self.slivers.push(shape);
            return;
        }
        let machine = &context.settings.machine;
        let (x, drives) = drive(part, machine, &shape, row);
        let whole = MultiPolygon(vec![shape]);
        let reached =
            if drives.len() == 1 && within_reach(&whole.0[0], x, drives[0], machine.reach_m) {
                whole
            } else {
                let lines: Vec<LineString> =
                    drives.iter().map(|&drive| upright_line(x, drive)).collect();
                let divided = cover::divide(context.engines, &whole, &lines, machine.reach_m);
                self.beyond_reach.extend(divided.beyond.0);
                divided.within
            };
        if !reached.0.is_empty() {
            self.cut.push(Piece {
                strip: row.strip,
                mouth: row.mouth,
                width_m: row.width_m,
                given: row.given,
                shape: reached,
                x,
                drives,
            });
        }
    }
}

/// Ground that a line meets for no more than this is touched.
const TOUCHED_M: f64 = 0.02;

pub fn upright_line(x: f64, [low, high]: [f64; 2]) -> LineString {
    LineString(vec![Coord { x, y: low }, Coord { x, y: high }])
}

/// Distance to a segment is convex, so the corners of a piece bound its inside.
fn within_reach(piece: &Polygon, x: f64, drive: [f64; 2], reach_m: f64) -> bool {
    let (a, b) = (Coord { x, y: drive[0] }, Coord { x, y: drive[1] });
    piece
        .exterior()
        .0
        .iter()
        .all(|&corner| point_segment(corner, a, b) <= reach_m)
}

/// Where the machine drives to cut a piece: along its own middle, or where more of its length can be driven; of a strip,
/// beside which trees stand, with half of the machine's width to either side. A line that was drawn is followed wherever it
/// can be driven at all.
fn drive(part: &Part, machine: &Machine, piece: &Polygon, row: Row) -> (f64, Vec<[f64; 2]>) {
    let ([left, right], gap) = (row.slab(), row.mouth);
    // Trees stand behind a gap: there the machine keeps to what it has cut, and reaches the corners beside it.
    let own = gap.then(|| MultiPolygon(vec![piece.clone()]));
    let bounds = Bounds::of(&piece.exterior().0);
    let own_middle = (bounds.min.x + bounds.max.x) / 2.0;
    let slab_middle = (left + right) / 2.0;
    let spare_m = ((right - left) / 2.0 - machine.half_width_m).max(0.0);
    let clear = |x: f64| match gap {
        true => x,
        false => x.clamp(slab_middle - spare_m, slab_middle + spare_m),
    };
    let quarter = (bounds.max.x - bounds.min.x) / 4.0;
    let mut best: (f64, Vec<[f64; 2]>, f64) = (clear(own_middle), vec![], 0.0);
    let tried = [
        own_middle,
        slab_middle,
        own_middle - quarter,
        own_middle + quarter,
    ];
    let given = row.given.into_iter();
    for x in given.chain(tried.map(clear)) {
        if row.given.is_some() && best.2 > 0.0 {
            break;
        }
        if (x - bounds.min.x).max(bounds.max.x - x) > machine.reach_m {
            continue;
        }
        let keep_to = match &own {
            Some(own) => upright(own, x),
            None => vec![[bounds.min.y, bounds.max.y]],
        };
        let stretches: Vec<[f64; 2]> = upright(&part.turned_drivable, x)
            .into_iter()
            .flat_map(|[low, high]| {
                let within = keep_to.iter();
                within.map(move |&[from, to]| [low.max(from), high.min(to)])
            })
            .filter(|[low, high]| high - low > 1e-6)
            .collect();
        let driven: f64 = stretches.iter().map(|[low, high]| high - low).sum();
        if driven > best.2 + 1e-6 {
            best = (x, stretches, driven);
        }
        if best.2 >= bounds.max.y - bounds.min.y - 1e-6 {
            break;
        }
    }
    if !gap && best.1.len() > 1 {
        keep_to_own(part, piece, best.0, &mut best.1);
    }
    (best.0, best.1)
}

/// Beside an oblique end a line runs on as far as the farthest corner. Where ground that may not be driven lies between,
/// the next piece of the strip comes after it: nobody stands on uncut ground to cut what lies across a stream.
fn keep_to_own(part: &Part, piece: &Polygon, x: f64, stretches: &mut Vec<[f64; 2]>) {
    let own = upright(&MultiPolygon(vec![piece.clone()]), x);
    let interior = upright(&part.turned_interior, x);
    let over = |runs: &[[f64; 2]], [low, high]: [f64; 2]| {
        runs.iter().any(|&[from, to]| low < to && from < high)
    };
    if stretches.iter().any(|&stretch| over(&own, stretch)) {
        stretches.retain(|&stretch| over(&own, stretch) || !over(&interior, stretch));
    }
}
