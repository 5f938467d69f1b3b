//! Patches of forest that stay where corridors cannot give a block's share: off the road band, larger than the least patch,
//! first on ground that no machine works anyway, then where the machines' work costs least without them.

use std::cell::OnceCell;
use std::rc::Rc;

use geo::{Coord, MultiPolygon, Polygon};

use super::Context;
use super::ground::Ground;
use super::hours::Stands;
use super::orientation;
use super::outlets::Outlet;
use super::patch_cells::{Cells, Prices, cut_out};
use super::spread::{self, Place, Points};
use super::strips::{ASSUMED_STEMS_PER_HA, ASSUMED_TREE_M3, Part};
use crate::geometry::area::{Bounds, area, polygon_area};
use crate::geometry::buffer::Source;
use crate::geometry::frame::Frame;
use crate::geometry::overlay::{difference, intersection, oriented};
use crate::landbase::NearFeature;
use crate::model::{Unworked, UnworkedReason};
use crate::units::HECTARE_M2;

/// A block is not cut up by more of them.
const MOST_PATCHES: usize = 12;
/// With a hair to spare: what an audit makes of a patch differs by rounding.
const SPARE_M2: f64 = 0.01;
/// Places along an outlet's front, so far apart.
const STEP_M: f64 = 3.0;

/// Ground of a setting on which a patch may stand, or ground that is not worked.
#[derive(Clone)]
pub struct Field {
    whole: MultiPolygon,
    may: MultiPolygon,
    /// Of `may`, what is no narrower than a corridor, once it was asked for: of copies of the same ground too.
    wide: Rc<OnceCell<MultiPolygon>>,
    azimuth_deg: f64,
    /// None where it is not worked, or where nobody knows where its wood goes.
    outlet: Option<Outlet>,
    is_worked: bool,
    prices: Prices,
}

/// Ground left for another reason than that it is too small or cut off stands whatever is decided here, and does not count.
fn may_be_kept(unworked: &Unworked) -> bool {
    matches!(
        unworked.reason,
        UnworkedReason::CutOff | UnworkedReason::SmallPart
    )
}

/// Where patches may stand in a block, by settings.
pub fn fields(context: Context<'_>, ground: &Ground, parts: &[Part]) -> Vec<Field> {
    let zones = &ground.zones;
    let crossings = ground.crossings.iter();
    let crossings = crossings.flat_map(|crossing| crossing.shape.iter().chain(&crossing.lane));
    let mut shut: Vec<Polygon> = zones.road_band.clone();
    shut.extend(zones.clearing.iter().chain(&zones.unfelled).cloned());
    shut.extend(crossings.cloned());
    let production = &context.settings.production;
    let machine = &context.settings.machine;
    let stands = Stands::new(&zones.stands, production);
    let field = |shape: &Polygon, azimuth_deg: f64, outlet: Option<&Outlet>, is_worked: bool| {
        let whole = MultiPolygon(vec![shape.clone()]);
        let (stems_per_ha, tree_m3) = stands.trees(orientation::middle(shape));
        let stems = stems_per_ha.unwrap_or(ASSUMED_STEMS_PER_HA) / HECTARE_M2;
        let loads = production.loads(stems, stems * tree_m3.unwrap_or(ASSUMED_TREE_M3));
        let way_s = production.skid_seconds(1.0) - production.skid_seconds(0.0);
        let turn_s = production.seconds_per_turn / machine.strip_width_m();
        Field {
            may: difference(&whole, &shut),
            wide: Rc::default(),
            whole,
            azimuth_deg,
            outlet: outlet.cloned(),
            is_worked,
            prices: Prices {
                skid_s_per_m3: loads * way_s,
                edge_s_per_m: turn_s + 60.0 / production.travel_m_per_min,
                least_part_m2: context.settings.layout.least_part_m2,
            },
        }
    };
    let worked = parts.iter().map(|part| {
        let outlet = part.setting.outlet.as_ref();
        field(part.shape, part.azimuth_deg, outlet, true)
    });
    let left = ground
        .unworked
        .iter()
        .filter(|unworked| may_be_kept(unworked));
    let left = left.map(|unworked| field(&unworked.shape, 0.0, None, false));
    worked.chain(left).collect()
}

impl Field {
    /// The largest ground on which a patch of more than `least_m2` may stand, at least as wide all along as a corridor.
    fn room(&self, context: Context<'_>, least_m2: f64) -> Option<&Polygon> {
        // Buffers are dear, and most ground that is left is small.
        if self
            .may
            .0
            .iter()
            .all(|polygon| polygon_area(polygon) <= least_m2)
        {
            return None;
        }
        let wide = self.wide(context);
        let holds = |polygon: &&Polygon| {
            let own = MultiPolygon(vec![(*polygon).clone()]);
            polygon_area(polygon) > least_m2 && area(&intersection(&own, &wide.0)) > least_m2
        };
        let rooms = self.may.0.iter().filter(holds);
        rooms.reduce(|a, b| {
            if polygon_area(b) > polygon_area(a) {
                b
            } else {
                a
            }
        })
    }

    /// Whether no patch may stand anywhere in it.
    pub fn is_shut(&self) -> bool {
        self.may.0.is_empty()
    }

    /// Of where a patch may stand what is no narrower than a corridor.
    fn wide(&self, context: Context<'_>) -> &MultiPolygon {
        let half_m = context.settings.layout.corridor_min_m / 2.0;
        let broad = || context.engines.broad(&self.may, half_m, 0.0);
        self.wide
            .get_or_init(|| intersection(&self.may, &broad().0))
    }

    /// The cheapest patch of `want_m2` and what it costs, in machine seconds.
    fn cheapest(&self, context: Context<'_>, want_m2: f64) -> Option<(f64, Polygon)> {
        let frame = Frame::new(self.azimuth_deg);
        let enter = |shape: &MultiPolygon| frame.enter_polygons(shape);
        let fronts = self.outlet.iter().flat_map(|outlet| &outlet.front.0);
        let places: Vec<Coord> = fronts
            .flat_map(|line| line.0.windows(2))
            .flat_map(|w| {
                let step = w[1] - w[0];
                let count = (step.x.hypot(step.y) / STEP_M).ceil().max(1.0) as u32;
                (0..=count).map(move |k| w[0] + step * (f64::from(k) / f64::from(count)))
            })
            .map(|at| frame.enter(at))
            .collect();
        let way_m = |at: Coord| -> f64 {
            let at = frame.leave(at);
            let way = self.outlet.as_ref().and_then(|outlet| {
                let off = outlet.nearest(at)? - at;
                Some(off.x.hypot(off.y) + outlet.beyond_m())
            });
            way.unwrap_or(0.0)
        };
        let cells = Cells::new(
            &enter(&self.whole),
            (&enter(&self.may), &enter(self.wide(context))),
            &places,
            way_m,
            self.prices,
            self.is_worked,
        );
        let found = cells.cheapest(want_m2)?;
        let ground = (&self.may, &self.whole);
        let sizes = (want_m2, self.prices.least_part_m2);
        Some((found.cost_s, cut_out(&frame, ground, &found, sizes)?))
    }

    fn take(&mut self, patch: &Polygon) {
        let patch = std::slice::from_ref(patch);
        self.may = difference(&self.may, patch);
        self.wide = Rc::default();
        self.whole = difference(&self.whole, patch);
    }
}

/// Ground that must come within a tree height of patches.
pub struct Wanted<'w> {
    pub bare: &'w MultiPolygon,
    /// So much of it.
    pub want_m2: f64,
    pub height_m: f64,
}

/// Patches are tried at so many places of a block.
const MOST_PLACES: f64 = 500.0;
/// Sizes of patches are adapted to the share this often.
const SIZES: u32 = 4;
const BOX_HALVINGS: u32 = 8;

impl Wanted<'_> {
    /// Boxes of `each_m2`, cut down to where patches may stand.
    fn places(
        &self,
        context: Context<'_>,
        fields: &[Field],
        points: &Points,
        each_m2: f64,
    ) -> Vec<Place> {
        let least_m2 = context.settings.layout.least_patch_m2 + SPARE_M2;
        let rooms: Vec<(usize, &MultiPolygon)> = (fields.iter().enumerate())
            .filter(|(_, field)| field.room(context, least_m2).is_some())
            .map(|(at, field)| (at, field.wide(context)))
            .collect();
        let all_m2: f64 = rooms.iter().map(|(_, room)| area(room)).sum();
        let side_m = each_m2.sqrt();
        let step_m = (all_m2 / MOST_PLACES).sqrt().max(side_m / 4.0);
        let mut places = Vec::new();
        for (at, room) in &rooms {
            let field = &fields[*at];
            let frame = Frame::new(field.azimuth_deg);
            let may = frame.enter_polygons(&field.may);
            for middle in spread::spread(&frame.enter_polygons(room), step_m) {
                // At an edge a box is cut, and a larger one holds as much.
                let at_times = |times: f64| {
                    let half = Coord { x: 1.0, y: 1.0 } * (times * side_m / 2.0);
                    let whole = Bounds::of(&[middle - half, middle + half]).to_polygon();
                    let whole = oriented(MultiPolygon(vec![whole]));
                    let mut pieces = intersection(&may, &whole.0).0.into_iter();
                    pieces.find(|piece| polygon_area(piece) >= each_m2 - SPARE_M2 / 2.0)
                };
                let cut = at_times(1.0).or_else(|| {
                    let (mut low, mut high) = (1.0, 1.6);
                    let mut least = at_times(high)?;
                    for _ in 0..BOX_HALVINGS {
                        let times = (low + high) / 2.0;
                        match at_times(times) {
                            Some(smaller) => (high, least) = (times, smaller),
                            None => low = times,
                        }
                    }
                    Some(least)
                });
                let Some(cut) = cut else { continue };
                let turned = Bounds::of(&cut.exterior().0);
                let covers = Place::covering(points, &frame, &turned, self.height_m);
                if covers.is_empty() {
                    continue;
                }
                let at_frame = frame.leave(middle);
                let way_m = (field.outlet.as_ref())
                    .and_then(|outlet| {
                        let off = outlet.nearest(at_frame)? - at_frame;
                        Some(off.x.hypot(off.y) + outlet.beyond_m())
                    })
                    .unwrap_or(0.0);
                let cost_s = match field.is_worked {
                    false => 0.0,
                    true => {
                        4.0 * side_m * field.prices.edge_s_per_m
                            - each_m2 * field.prices.skid_s_per_m3 * way_m
                    }
                };
                places.push(Place {
                    shape: frame.leave_polygon(&cut),
                    field: *at,
                    turned,
                    cost_s,
                    covers,
                });
            }
        }
        places
    }

    /// Patches of one size, as few as bring enough of the bare ground within reach; together they hold `share_m2` or more.
    fn chosen(
        &self,
        context: Context<'_>,
        fields: &[Field],
        share_m2: f64,
    ) -> Option<Vec<(usize, Polygon)>> {
        let least_m2 = context.settings.layout.least_patch_m2 + 2.0 * SPARE_M2;
        // Between two patches a strip is cut.
        let gap_m = context.settings.machine.strip_width_m();
        let points = Points::over(self.bare, area(self.bare));
        let want = (self.want_m2 / points.each_m2).ceil().max(1.0) as usize;
        let is_apart =
            |a: &Place, b: &Place| a.field != b.field || !a.turned.grown(gap_m).meets(&b.turned);
        let mut each_m2 = least_m2;
        let mut best = None;
        for _ in 0..SIZES {
            let places = self.places(context, fields, &points, each_m2);
            let Some(chosen) = spread::choose(&places, points.at.len(), want, is_apart) else {
                break;
            };
            let count = chosen.len();
            best = Some(
                (chosen.into_iter())
                    .map(|at| (places[at].field, places[at].shape.clone()))
                    .collect(),
            );
            if count as f64 * each_m2 >= share_m2 {
                break;
            }
            // Larger patches reach farther, so that there may be fewer of them.
            each_m2 = (share_m2 / count as f64).max(1.01 * each_m2);
        }
        best
    }
}

/// Patches of layer `retain` that may stay, the best first; of equals the first read.
pub fn candidates(context: Context<'_>, near: &[NearFeature]) -> Vec<MultiPolygon> {
    let scored = near
        .iter()
        .filter_map(|near| Some((near.feature.score()?, near)));
    let mut scored: Vec<(f64, &NearFeature)> = scored.collect();
    scored.sort_by(|a, b| b.0.total_cmp(&a.0));
    let shape = |near: &NearFeature| match &near.source {
        Source::Polygons(polygons) => oriented(polygons.clone()),
        drawn => oriented(context.engines.plain(drawn, near.demand.half_m)),
    };
    scored.into_iter().map(|(_, near)| shape(near)).collect()
}

/// Patches that together hold `want_m2`, or as much as can stand; each larger than the least patch. `wanted` spreads them first.
///
/// What a planner drew is taken first, as a whole, as far as patches may stand there.
pub fn choose(
    context: Context<'_>,
    mut fields: Vec<Field>,
    candidates: &[MultiPolygon],
    want_m2: f64,
    wanted: Option<&Wanted<'_>>,
) -> Vec<Polygon> {
    let least_m2 = context.settings.layout.least_patch_m2 + SPARE_M2;
    let mut patches: Vec<Polygon> = Vec::new();
    let mut left_m2 = want_m2;
    for candidate in candidates {
        for field in &mut fields {
            if left_m2 <= 0.0 {
                break;
            }
            let pieces = intersection(&field.may, &candidate.0).0.into_iter();
            for piece in pieces.filter(|piece| polygon_area(piece) > least_m2) {
                left_m2 -= polygon_area(&piece);
                field.take(&piece);
                patches.push(piece);
            }
        }
    }
    if let Some(spread) = wanted.and_then(|wanted| wanted.chosen(context, &fields, left_m2)) {
        for (at, patch) in spread {
            left_m2 -= polygon_area(&patch);
            fields[at].take(&patch);
            patches.push(patch);
        }
    }
    for is_worked in [false, true] {
        while left_m2 > 0.0 && patches.len() < MOST_PATCHES {
            let aim_m2 = left_m2.max(least_m2);
            // What a field can give at most costs less to ask than what it gives.
            let gives = |room: &Polygon| polygon_area(room).min(aim_m2);
            let most_of = |field: &Field| {
                let pieces = field.may.0.iter().map(gives);
                pieces.fold(0.0, f64::max)
            };
            let mut asked: Vec<(usize, f64)> = (fields.iter().enumerate())
                .filter(|(_, field)| field.is_worked == is_worked)
                .map(|(at, field)| (at, most_of(field)))
                .collect();
            asked.sort_by(|a, b| b.1.total_cmp(&a.1));
            let mut rooms: Vec<(usize, Polygon)> = Vec::new();
            let mut most_m2 = 0.0f64;
            for (at, at_most_m2) in asked {
                if at_most_m2 < most_m2 {
                    break;
                }
                if let Some(room) = fields[at].room(context, least_m2) {
                    most_m2 = most_m2.max(gives(room));
                    rooms.push((at, room.clone()));
                }
            }
            rooms.sort_by_key(|(at, _)| *at);
            if rooms.is_empty() {
                break;
            }
            let full = rooms.iter().filter(|(_, room)| gives(room) >= most_m2);
            let options = full.map(|(at, room)| {
                let cheapest = (polygon_area(room) > aim_m2)
                    .then(|| fields[*at].cheapest(context, aim_m2))
                    .flatten();
                let (cost_s, patch) = cheapest.unwrap_or((f64::INFINITY, room.clone()));
                (*at, cost_s, patch)
            });
            let best = options.reduce(|best, next| if next.1 < best.1 { next } else { best });
            let Some((at, _, patch)) = best else {
                break;
            };
            left_m2 -= polygon_area(&patch);
            fields[at].take(&patch);
            patches.push(patch);
        }
    }
    let corner = |patch: &Polygon| {
        let bounds = Bounds::of(&patch.exterior().0);
        (bounds.min.y, bounds.min.x)
    };
    patches.sort_by(|a, b| {
        let (a, b) = (corner(a), corner(b));
        a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1))
    });
    patches
}
