//! Settings: every piece of ground goes to the outlet that its wood reaches cheapest, and is worked as one with what goes
//! there too.

use geo::{Coord, MultiPolygon, Polygon};

use super::Context;
use super::by_hand::ByHand;
use super::cost::{Access, Headings, Model};
use super::ground::Ground;
use super::hours::Stands;
use super::necks::longest_against;
use super::orientation::{self, RoadSide};
use super::outlets::Outlet;
use super::strips::{ASSUMED_STEMS_PER_HA, ASSUMED_TREE_M3};
use crate::geometry::area::{Bounds, polygon_area};
use crate::geometry::cost_grid::{CLOSED, CostGrid, Reached};
use crate::geometry::distance::{SegmentIndex, line_segments, polygon_segments};
use crate::geometry::overlay::{difference, intersection, union};
use crate::model::AzimuthChoice;
use crate::units::HECTARE_M2;

/// The ground whose wood goes to one outlet.
#[derive(Clone, Debug)]
pub struct Setting {
    pub shape: Polygon,
    /// None: no road or landing is in reach.
    pub outlet: Option<Outlet>,
    /// Id of the planner's polygon that it was taken from.
    pub drawn: Option<String>,
    /// None: strips run through its whole ground.
    pub tier: Option<Tier>,
    /// The direction of its strips, where it was chosen already.
    pub choice: Option<AzimuthChoice>,
    pub by_hand: ByHand,
}

/// Which tier of deep ground a setting is.
#[derive(Clone, Debug)]
pub struct Tier {
    /// The ground before it was divided: wood may come over all of it.
    pub whole: Polygon,
    /// Tiers of one ground have the same number here.
    pub of: usize,
    pub azimuth_deg: f64,
}

impl Setting {
    /// The ground over which its wood may come.
    pub fn ways_over(&self) -> &Polygon {
        self.tier.as_ref().map_or(&self.shape, |tier| &tier.whole)
    }
}

/// Cells of the grid on which ways are compared.
const CELL_M: f64 = 5.0;
const MOST_CELLS: usize = 20_000;
/// Corners of dividing lines are cut by at most this.
const STRAIGHT_M: f64 = 10.0;
/// A setting more costs this much: the machine moves there, cuts in, and begins its strips anew.
const BEGIN_H: f64 = 0.2;
/// Of the ways to where trees are hauled, a metre on ground of slope s costs 1 + this much * s; own judgement.
const PER_SLOPE: f64 = 2.0;
/// And on soft ground this many times as much; own judgement.
const ON_SOFT: f64 = 1.5;
/// Outlets that are weighed against one another; of more, those with the least ground are left out first.
const MOST_OUTLETS: usize = 6;
/// Directions at which a setting is costed for the choice of outlets, from square to its outlet.
const TURNS_DEG: [f64; 6] = [0.0, 30.0, 60.0, 90.0, 120.0, 150.0];

/// Divides one part of the net area. Settings come in the order of their outlets.
pub fn divide(
    context: Context<'_>,
    ground: &Ground,
    part: &Polygon,
    outlets: Vec<Outlet>,
) -> Vec<Setting> {
    let least_m2 = context.settings.layout.least_setting_m2;
    if outlets.len() < 2 || polygon_area(part) < 2.0 * least_m2 {
        let longest = outlets.into_iter().reduce(|a, b| {
            let front = |outlet: &Outlet| {
                outlet
                    .front
                    .0
                    .iter()
                    .map(crate::geometry::area::length)
                    .sum::<f64>()
            };
            if front(&b) > front(&a) { b } else { a }
        });
        return vec![Setting {
            shape: part.clone(),
            outlet: longest,
            drawn: None,
            tier: None,
            choice: None,
            by_hand: ByHand::default(),
        }];
    }
    let ways = WoodWays::new(ground, part, &outlets);
    let mut kept: Vec<usize> = (0..outlets.len()).collect();
    // An outlet that serves less than a setting's least ground is none of its own.
    loop {
        let cells = ways.cells_of(&kept);
        let least = (0..kept.len()).min_by(|&a, &b| cells[a].cmp(&cells[b]).then(b.cmp(&a)));
        let Some(least) = least.filter(|_| kept.len() > 1) else {
            break;
        };
        let m2 = cells[least] as f64 * ways.grid.cell_m().powi(2);
        if m2 >= least_m2 && kept.len() <= MOST_OUTLETS {
            break;
        }
        kept.remove(least);
    }
    let mut best = Division::of(context, ground, part, &outlets, &ways, kept);
    // Leave out one outlet after the other for as long as that costs less. A road parts ground into its flanks: both of
    // them are left out or none.
    while best.kept.len() > 1 {
        let fewer = (0..best.kept.len()).filter_map(|at| {
            let own = best.kept[at];
            let flank = |&other: &usize| {
                let both = outlets[own].flank_of.is_some();
                other == own || (both && outlets[other].flank_of == outlets[own].flank_of)
            };
            let kept: Vec<usize> = best.kept.iter().copied().filter(|k| !flank(k)).collect();
            // A pair is looked at once, and somewhere wood must go.
            let is_first = best.kept.iter().position(flank) == Some(at);
            (is_first && !kept.is_empty())
                .then(|| Division::of(context, ground, part, &outlets, &ways, kept))
        });
        let Some(next) = fewer.reduce(|a, b| if b.cost_h < a.cost_h { b } else { a }) else {
            break;
        };
        if next.cost_h >= best.cost_h {
            break;
        }
        best = next;
    }
    let pieces = best.pieces.into_iter();
    pieces
        .map(|(outlet, shape)| Setting {
            shape,
            outlet: Some(outlets[outlet].clone()),
            drawn: None,
            tier: None,
            choice: None,
            by_hand: ByHand::default(),
        })
        .collect()
}

/// What it costs wood to come from every cell of a part to each outlet.
struct WoodWays {
    grid: CostGrid,
    open: Vec<usize>,
    reached: Vec<Reached>,
    /// Where each outlet lies.
    outlets: Vec<SegmentIndex>,
}

impl WoodWays {
    fn new(ground: &Ground, part: &Polygon, outlets: &[Outlet]) -> WoodWays {
        let grid = cost_grid(ground, part);
        let open = grid.covered(std::slice::from_ref(part));
        let reached = outlets
            .iter()
            .map(|outlet| grid.reach(&sources(&grid, outlet)))
            .collect();
        let fronts = outlets
            .iter()
            .map(|outlet| line_segments(&outlet.front.0, 0).collect());
        WoodWays {
            grid,
            open,
            reached,
            outlets: fronts.map(SegmentIndex::new).collect(),
        }
    }

    /// The outlet, as a place in `kept`, that each open cell reaches cheapest; the first of equals.
    fn cheapest(&self, kept: &[usize]) -> Vec<(usize, usize)> {
        let nearest = |cell: usize| {
            let costs = kept.iter().map(|&outlet| self.reached[outlet].cost[cell]);
            let least = costs.enumerate().min_by(|(_, a), (_, b)| a.total_cmp(b))?;
            (least.1 < CLOSED).then_some((cell, least.0))
        };
        self.open.iter().filter_map(|&cell| nearest(cell)).collect()
    }

    fn cells_of(&self, kept: &[usize]) -> Vec<usize> {
        let mut cells = vec![0; kept.len()];
        for (_, place) in self.cheapest(kept) {
            cells[place] += 1;
        }
        cells
    }
}

/// What a metre costs on the ground of a shape.
pub fn cost_grid(ground: &Ground, shape: &Polygon) -> CostGrid {
    let bounds = Bounds::of(&shape.exterior().0).grown(2.0 * CELL_M);
    let mut grid = CostGrid::over(&bounds, CELL_M, MOST_CELLS);
    let open = grid.covered(std::slice::from_ref(shape));
    for &cell in &open {
        let slope = ground
            .slopes
            .gradient(grid.middle(cell))
            .map_or(0.0, |g| g.slope());
        grid.cost[cell] = 1.0 + PER_SLOPE * slope;
    }
    if !ground.zones.soft.is_empty() {
        for cell in grid.covered(&union(&ground.zones.soft).0) {
            grid.cost[cell] *= ON_SOFT;
        }
    }
    for cell in grid.covered(&union(&ground.zones.exclusion).0) {
        grid.cost[cell] = CLOSED;
    }
    grid
}

/// Cells of the ground along an outlet.
pub fn sources(grid: &CostGrid, outlet: &Outlet) -> Vec<usize> {
    let mut cells = Vec::new();
    for w in outlet.front.0.iter().flat_map(|line| line.0.windows(2)) {
        let step = w[1] - w[0];
        let count = (step.x.hypot(step.y) / CELL_M).ceil().max(1.0) as u32;
        let places = (0..count).map(|k| w[0] + step * ((f64::from(k) + 0.5) / f64::from(count)));
        cells.extend(places.filter_map(|at| grid.open_near(at, 3)));
    }
    cells.sort_unstable();
    cells.dedup();
    cells
}

/// A part divided among some of its outlets.
struct Division {
    kept: Vec<usize>,
    /// Outlet and ground.
    pieces: Vec<(usize, Polygon)>,
    cost_h: f64,
}

impl Division {
    fn of(
        context: Context<'_>,
        ground: &Ground,
        part: &Polygon,
        outlets: &[Outlet],
        ways: &WoodWays,
        kept: Vec<usize>,
    ) -> Division {
        let pieces = shapes(context, part, ways, &kept);
        let cost_h = pieces
            .iter()
            .map(|(outlet, shape)| {
                BEGIN_H + least_cost_h(context, ground, shape, &outlets[*outlet])
            })
            .sum();
        Division {
            kept,
            pieces,
            cost_h,
        }
    }
}

/// The ground of each outlet, cut out of the part by straightened lines: what is taken by one is no longer there for the
/// next, and what is too small for a setting goes to the one that it lies longest against.
fn shapes(
    context: Context<'_>,
    part: &Polygon,
    ways: &WoodWays,
    kept: &[usize],
) -> Vec<(usize, Polygon)> {
    if let [only] = kept {
        return vec![(*only, part.clone())];
    }
    let mut values = vec![None; ways.grid.cost.len()];
    for (cell, place) in ways.cheapest(kept) {
        values[cell] = Some(place as u32);
    }
    let values = ways.grid.spread(values);
    let mut rest = MultiPolygon(vec![part.clone()]);
    let mut found: Vec<(usize, Polygon)> = Vec::new();
    for (place, &outlet) in kept.iter().enumerate() {
        let own = if place + 1 == kept.len() {
            std::mem::replace(&mut rest, MultiPolygon(vec![]))
        } else {
            let inside: Vec<bool> = values.iter().map(|v| *v == Some(place as u32)).collect();
            let outline = ways.grid.outline(&inside, STRAIGHT_M);
            let own = intersection(&rest, &outline.0);
            rest = difference(&rest, &outline.0);
            own
        };
        found.extend(own.0.into_iter().map(|shape| (outlet, shape)));
    }
    let found = without_tails(context, &ways.outlets, found);
    merge_small(found, context.settings.layout.least_setting_m2)
}

/// Tails narrower than a strip this many half strips long are ground of the setting beside them; own judgement.
const LONG_TAIL: f64 = 6.0;
/// An outlet this near to ground is in reach of it.
const AT_OUTLET_M: f64 = 20.0;

/// Parts narrow tails off, which straightened lines leave along the next setting; what leads to the outlet stays.
fn without_tails(
    context: Context<'_>,
    outlets: &[SegmentIndex],
    found: Vec<(usize, Polygon)>,
) -> Vec<(usize, Polygon)> {
    let half_m = context.settings.machine.half_strip_m();
    let mut parted = Vec::with_capacity(found.len());
    for (outlet, shape) in found {
        let whole = MultiPolygon(vec![shape]);
        let body = context.engines.broad(&whole, half_m, TAIL_HAIR_M);
        let is_long = |tail: &Polygon| {
            let bounds = Bounds::of(&tail.exterior().0);
            let across = bounds.max - bounds.min;
            across.x.hypot(across.y) > LONG_TAIL * half_m && polygon_area(tail) > half_m * half_m
        };
        let tails: Vec<Polygon> = match body.0.is_empty() {
            true => vec![],
            false => (difference(&whole, &body.0).0.into_iter())
                .filter(is_long)
                .collect(),
        };
        let rest = difference(&whole, &tails);
        let reaches = |ground: &MultiPolygon| {
            let mut edges = ground.0.iter().flat_map(polygon_segments);
            edges.any(|s| outlets[outlet].approach(s.a, s.b, AT_OUTLET_M).is_some())
        };
        if tails.is_empty() || (reaches(&whole) && !reaches(&rest)) {
            parted.extend(whole.0.into_iter().map(|shape| (outlet, shape)));
        } else {
            parted.extend(rest.0.into_iter().chain(tails).map(|shape| (outlet, shape)));
        }
    }
    parted
}

/// So much wider is what is left of a shape once it was narrowed and widened, against hairs.
const TAIL_HAIR_M: f64 = 0.05;

pub fn merge_small(mut found: Vec<(usize, Polygon)>, least_m2: f64) -> Vec<(usize, Polygon)> {
    for _ in 0..2 * found.len() {
        if found.len() < 2 {
            break;
        }
        let smallest = (found.iter().enumerate())
            .min_by(|(_, a), (_, b)| polygon_area(&a.1).total_cmp(&polygon_area(&b.1)))
            .filter(|(_, (_, shape))| polygon_area(shape) < least_m2)
            .map(|(at, _)| at);
        let Some(small) = smallest else {
            break;
        };
        let (_, shape) = found.remove(small);
        let others = found.iter().map(|(_, other)| other);
        let Some((at, _)) = longest_against(&shape, others) else {
            break;
        };
        let joined = union(&[found[at].1.clone(), shape]);
        // Joined in a corner only they stay two polygons; then each keeps its outlet and the small one stands alone.
        let mut parts = joined.0.into_iter();
        let outlet = found[at].0;
        if let Some(first) = parts.next() {
            found[at].1 = first;
        }
        found.extend(parts.map(|shape| (outlet, shape)));
    }
    found
}

/// The road side of a setting, and where its wood goes.
pub fn side_of(shape: &Polygon, outlet: Option<&Outlet>) -> (RoadSide, Access) {
    let Some(outlet) = outlet else {
        let side = orientation::road_side(shape, &geo::MultiLineString(vec![]), None);
        return (side, Access::new(SegmentIndex::new(vec![]), vec![]));
    };
    let at = outlet
        .front
        .0
        .first()
        .and_then(|line| line.0.first())
        .copied();
    let side = match outlet.kind {
        crate::model::OutletKind::Road => orientation::road_side(shape, &outlet.front, at),
        _ => orientation::road_side(shape, &geo::MultiLineString(vec![]), at),
    };
    (
        side,
        Access::new(SegmentIndex::of_lines(&outlet.front), vec![]),
    )
}

fn least_cost_h(context: Context<'_>, ground: &Ground, shape: &Polygon, outlet: &Outlet) -> f64 {
    let (side, access) = side_of(shape, Some(outlet));
    let whole = MultiPolygon(vec![shape.clone()]);
    let settings = context.settings;
    let stands = Stands::new(&ground.zones.stands, &settings.production);
    let (stems_per_ha, tree_m3) = stands.trees(orientation::middle(shape));
    let gradient = |at: Coord| {
        let gradient = ground.slopes.gradient(at)?;
        Some((gradient.dz_dx, gradient.dz_dy))
    };
    let model = Model {
        ground: &whole,
        access: &access,
        gradient: (ground.slopes.has_gradients()).then_some(&gradient),
        production: &settings.production,
        pitch_m: settings.machine.strip_width_m() + settings.layout.corridor_min_m,
        max_strip_m: settings.layout.max_strip_m,
        stems_per_m2: stems_per_ha.unwrap_or(ASSUMED_STEMS_PER_HA) / HECTARE_M2,
        tree_m3: tree_m3.unwrap_or(ASSUMED_TREE_M3),
        wind: (settings.wind.as_ref()).filter(|wind| wind.seconds_per_m > 0.0),
        headings: Headings::of(&settings.slopes),
    };
    let square = crate::geometry::frame::azimuth_deg(side.inward);
    let costs = TURNS_DEG.map(|turn| model.costs(square + turn).total_h());
    costs.into_iter().fold(f64::INFINITY, f64::min)
}
