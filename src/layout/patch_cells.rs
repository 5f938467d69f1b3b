//! Where a patch of a wanted size costs least: ground as cells in the frame of its strips, and forms laid over it.

use geo::{Coord, MultiPolygon, Polygon};

use crate::geometry::area::{Bounds, area, polygon_area};
use crate::geometry::cost_grid::CostGrid;
use crate::geometry::distance::inside_polygon;
use crate::geometry::frame::Frame;
use crate::geometry::overlay::{DUST_M2, difference, intersection, oriented, union};

/// Cells are this wide, or wider where ground had more than [`MOST_CELLS`] of them.
const CELL_M: f64 = 1.5;
const MOST_CELLS: usize = 1_600;
/// Places around which boxes are laid.
const MOST_MIDDLES: usize = 60;
/// Half widths of boxes by half heights, as a root: squares, and boxes 4 and 16 times as long as wide, either way.
const STRETCHES: [f64; 5] = [1.0, 2.0, 0.5, 4.0, 0.25];
/// Directions from which ground is cut off by a line.
const DIRECTIONS: u32 = 16;
/// Machine seconds that a square metre is worth which can no longer be worked; own judgement, ten times what felling it takes.
const LOST_S_PER_M2: f64 = 10.0;

/// Ground that a patch pockets goes with it up to this share of it.
const POCKETS_SHARE: f64 = 0.5;
/// Cells tell an area only roughly.
const LEAST_TIMES: f64 = 1.1;

/// A shape that grows with a number.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Form {
    /// Beyond a line square to a direction.
    Beyond { direction: Coord },
    /// A box around a place, `stretch` squared times as high as wide.
    Around { middle: Coord, stretch: f64 },
}

impl Form {
    /// The number from which on the form holds a place.
    fn holds_from(&self, at: Coord) -> f64 {
        match *self {
            Form::Beyond { direction } => -(direction.x * at.x + direction.y * at.y),
            Form::Around { middle, stretch } => {
                let d = at - middle;
                (d.x.abs() * stretch).max(d.y.abs() / stretch)
            }
        }
    }

    /// As far as `far_m` around `middle`.
    fn shape(&self, number: f64, ground: &Bounds) -> Polygon {
        let corners = match *self {
            Form::Beyond { direction: d } => {
                let far_m = (ground.max.x - ground.min.x) + (ground.max.y - ground.min.y) + 10.0;
                let off = |c: Coord| c.x * d.x + c.y * d.y;
                let middle = ground.middle();
                let foot = middle + d * (-number - off(middle));
                let side = Coord { x: d.y, y: -d.x } * far_m;
                // Never behind its own line.
                let back = d * (off(ground.max).max(far_m) + far_m + number.abs());
                [
                    foot - side,
                    foot + side,
                    foot + side + back,
                    foot - side + back,
                ]
            }
            Form::Around { middle, stretch } => {
                let half = Coord {
                    x: number / stretch,
                    y: number * stretch,
                };
                let bounds = Bounds::of(&[middle - half, middle + half]);
                return bounds.to_polygon();
            }
        };
        let ring = corners.into_iter().chain([corners[0]]).collect();
        let shape = Polygon::new(geo::LineString(ring), vec![]);
        oriented(MultiPolygon(vec![shape])).0.remove(0)
    }
}

/// What seconds depend on.
#[derive(Clone, Copy, Debug)]
pub struct Prices {
    /// Skidding a square metre's wood over a metre, there and back.
    pub skid_s_per_m3: f64,
    /// A metre of edge to ground that is cut: turns of the strips that end there, and the way around it.
    pub edge_s_per_m: f64,
    /// Smaller ground is not worked.
    pub least_part_m2: f64,
}

/// Ground of one setting, or ground that is not worked.
pub struct Cells {
    grid: CostGrid,
    /// Ground of the setting.
    whole: Vec<bool>,
    /// Where a patch may stand, no narrower than a corridor, and ground beside that, which goes with it.
    may: Vec<usize>,
    ends: Vec<usize>,
    /// Seconds saved where a cell stands.
    saved_s: Vec<f64>,
    /// Where its wood leaves it; none where it is not worked.
    sources: Vec<usize>,
    prices: Prices,
    is_worked: bool,
}

/// A form, and what the machines' work costs with its ground left standing, against all of it cut.
#[derive(Clone, Debug)]
pub struct Found {
    pub form: Form,
    number: f64,
    pub cost_s: f64,
    /// In cells of each of these wood leaves the ground, in the turned frame.
    sources: Vec<Coord>,
}

impl Cells {
    /// All shapes turned. `way_m` is the way of wood from a place; `outlets` are places that it goes to, none for ground that
    /// is not worked.
    pub fn new(
        whole: &MultiPolygon,
        (may, wide): (&MultiPolygon, &MultiPolygon),
        outlets: &[Coord],
        way_m: impl Fn(Coord) -> f64,
        prices: Prices,
        is_worked: bool,
    ) -> Cells {
        let bounds = Bounds::of_polygons(whole);
        let mut grid = CostGrid::over(&bounds.grown(3.0 * CELL_M), CELL_M, MOST_CELLS);
        if grid.cell_m() > CELL_M {
            grid = CostGrid::over(
                &bounds.grown(3.0 * grid.cell_m()),
                grid.cell_m(),
                usize::MAX,
            );
        }
        let cell_m2 = grid.cell_m().powi(2);
        let mut inside = vec![false; grid.cost.len()];
        for polygon in &whole.0 {
            for cell in grid.covered(std::slice::from_ref(polygon)) {
                inside[cell] = true;
                grid.cost[cell] = 1.0;
            }
        }
        let cells_of = |shape: &MultiPolygon| -> Vec<usize> {
            let covered =
                (shape.0.iter()).flat_map(|polygon| grid.covered(std::slice::from_ref(polygon)));
            let mut cells: Vec<usize> = covered.filter(|&cell| inside[cell]).collect();
            cells.sort_unstable();
            cells.dedup();
            cells
        };
        let may_stand = cells_of(wide);
        let mut ends = cells_of(may);
        ends.retain(|cell| may_stand.binary_search(cell).is_err());
        let mut saved_s = vec![0.0; grid.cost.len()];
        if is_worked {
            for &cell in may_stand.iter().chain(&ends) {
                saved_s[cell] = cell_m2 * prices.skid_s_per_m3 * way_m(grid.middle(cell));
            }
        }
        let mut sources: Vec<usize> = (outlets.iter())
            .filter_map(|&at| grid.open_near(at, 3))
            .collect();
        if let (true, Some(&at)) = (sources.is_empty(), outlets.first()) {
            // Its wood crosses other ground first.
            let off_m = |cell: usize| {
                let off = grid.middle(cell) - at;
                off.x.hypot(off.y)
            };
            let all = (0..inside.len()).filter(|&cell| inside[cell]);
            sources.extend(all.min_by(|&a, &b| off_m(a).total_cmp(&off_m(b))));
        }
        sources.sort_unstable();
        sources.dedup();
        Cells {
            grid,
            whole: inside,
            may: may_stand,
            ends,
            saved_s,
            sources,
            prices,
            is_worked,
        }
    }

    fn cell_m2(&self) -> f64 {
        self.grid.cell_m().powi(2)
    }

    /// Cells beside one; the grid has room around the ground.
    fn beside(&self, cell: usize) -> [usize; 4] {
        let columns = self.grid.columns();
        [cell - 1, cell + 1, cell - columns, cell + columns]
    }

    /// Connected groups of the cells that are `among`, in the order of their first cells.
    fn groups(&self, among: &[bool]) -> Vec<Vec<usize>> {
        let mut seen = vec![false; among.len()];
        let mut groups = Vec::new();
        for first in (0..among.len()).filter(|&cell| among[cell]) {
            if seen[first] {
                continue;
            }
            seen[first] = true;
            let mut group = vec![first];
            let mut next = 0;
            while next < group.len() {
                for to in self.beside(group[next]) {
                    if among[to] && !seen[to] {
                        seen[to] = true;
                        group.push(to);
                    }
                }
                next += 1;
            }
            groups.push(group);
        }
        groups
    }

    /// The largest group of the first cells of `order`.
    fn largest_of(&self, order: &[usize]) -> Vec<usize> {
        let mut among = vec![false; self.whole.len()];
        for &cell in order {
            among[cell] = true;
        }
        let groups = self.groups(&among).into_iter();
        let larger = |a: Vec<usize>, b: Vec<usize>| if b.len() > a.len() { b } else { a };
        groups.reduce(larger).unwrap_or_default()
    }

    /// Ground that a patch leaves without a way to the outlet, or too small to be worked.
    fn lost(&self, patch: &[usize]) -> Vec<Vec<usize>> {
        if !self.is_worked {
            return vec![];
        }
        let mut rest = self.whole.clone();
        for &cell in patch {
            rest[cell] = false;
        }
        let mut groups = self.groups(&rest);
        groups.retain(|group| {
            let m2 = group.len() as f64 * self.cell_m2();
            let reached = self.sources.is_empty()
                || (group.iter()).any(|cell| self.sources.binary_search(cell).is_ok());
            m2 < LEAST_TIMES * self.prices.least_part_m2 || !reached
        });
        groups
    }

    /// A patch with what it would pocket, where a patch may stand there and there is little of it.
    fn with_pockets(&self, mut patch: Vec<usize>) -> Vec<usize> {
        let may = |cell: &usize| {
            self.may.binary_search(cell).is_ok() || self.ends.binary_search(cell).is_ok()
        };
        let mut pockets = self.lost(&patch);
        pockets.retain(|pocket| pocket.iter().all(may));
        let cells: usize = pockets.iter().map(Vec::len).sum();
        if cells as f64 <= POCKETS_SHARE * patch.len() as f64 {
            patch.extend(pockets.into_iter().flatten());
        }
        patch
    }

    /// What it costs to leave cells standing: edges to drive and ground that is lost, less what need not be skidded.
    pub fn cost_s(&self, patch: &[usize]) -> f64 {
        let mut stands = vec![false; self.whole.len()];
        for &cell in patch {
            stands[cell] = true;
        }
        let is_cut = |&cell: &usize| self.whole[cell] && !stands[cell];
        let edges = patch.iter().flat_map(|&cell| self.beside(cell));
        let edge_m = edges.filter(is_cut).count() as f64 * self.grid.cell_m();
        let saved_s: f64 = patch.iter().map(|&cell| self.saved_s[cell]).sum();
        let lost: usize = self.lost(patch).iter().map(Vec::len).sum();
        self.prices.edge_s_per_m * edge_m - saved_s + LOST_S_PER_M2 * lost as f64 * self.cell_m2()
    }

    /// The least number at which the form holds enough ground in one piece, and that ground.
    fn filled(&self, form: &Form, want_m2: f64) -> Option<(f64, Vec<usize>)> {
        let mut order: Vec<(f64, usize)> = (self.may.iter())
            .map(|&cell| (form.holds_from(self.grid.middle(cell)), cell))
            .collect();
        order.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        let want = (want_m2 / self.cell_m2()).ceil().max(1.0) as usize;
        let cells: Vec<usize> = order.iter().map(|&(_, cell)| cell).collect();
        if cells.len() < want {
            return None;
        }
        let mut high = cells.len();
        let mut patch = self.largest_of(&cells);
        if patch.len() < want {
            return None;
        }
        let mut low = 0;
        while high - low > 1 {
            let middle = (low + high) / 2;
            let own = self.with_pockets(self.largest_of(&cells[..middle]));
            if own.len() >= want {
                (high, patch) = (middle, own);
            } else {
                low = middle;
            }
        }
        let number = order[high - 1].0;
        let held = |&&cell: &&usize| form.holds_from(self.grid.middle(cell)) <= number;
        let ends = self.ends.iter().filter(held);
        let with_ends: Vec<usize> = patch.into_iter().chain(ends.copied()).collect();
        Some((number, self.with_pockets(self.largest_of(&with_ends))))
    }

    fn forms(&self) -> Vec<Form> {
        let mut forms: Vec<Form> = (0..DIRECTIONS)
            .map(|k| {
                let turn = std::f64::consts::TAU * f64::from(k) / f64::from(DIRECTIONS);
                let direction = Coord {
                    x: turn.cos(),
                    y: turn.sin(),
                };
                Form::Beyond { direction }
            })
            .collect();
        let step = self.may.len().div_ceil(MOST_MIDDLES).max(1);
        for &cell in self.may.iter().skip(step / 2).step_by(step) {
            let middle = self.grid.middle(cell);
            forms.extend(STRETCHES.map(|stretch| Form::Around { middle, stretch }));
        }
        forms
    }

    /// The cheapest form that holds `want_m2` in one piece; of equals the first.
    pub fn cheapest(&self, want_m2: f64) -> Option<Found> {
        let found = self.forms().into_iter().filter_map(|form| {
            let (number, patch) = self.filled(&form, want_m2)?;
            // What stands beyond the want is lost too.
            let more_m2 = (patch.len() as f64 - 1.0) * self.cell_m2() - want_m2;
            let cost_s = self.cost_s(&patch) + LOST_S_PER_M2 * more_m2.max(0.0);
            Some(Found {
                form,
                number,
                cost_s,
                sources: vec![],
            })
        });
        let best = found.reduce(|best, next| match next.cost_s < best.cost_s {
            true => next,
            false => best,
        });
        let sources = self.sources.iter().map(|&cell| self.grid.middle(cell));
        best.map(|best| Found {
            sources: sources.collect(),
            ..best
        })
    }
}

/// The largest piece of ground inside a form of the turned frame that has just `want_m2`, with what it pockets of `whole`; None
/// where the form never holds as much.
pub fn cut_out(
    frame: &Frame,
    (may, whole): (&MultiPolygon, &MultiPolygon),
    found: &Found,
    (want_m2, least_part_m2): (f64, f64),
) -> Option<Polygon> {
    let ground = Bounds::of_polygons(&frame.enter_polygons(may));
    let sources: Vec<Coord> = found.sources.iter().map(|&at| frame.leave(at)).collect();
    let with_pockets = |piece: Polygon| -> Polygon {
        let mut pockets = difference(whole, std::slice::from_ref(&piece)).0;
        pockets.retain(|pocket| {
            let small = polygon_area(pocket) < LEAST_TIMES * least_part_m2;
            let reached =
                sources.is_empty() || sources.iter().any(|&at| inside_polygon(at, pocket));
            let own = MultiPolygon(vec![pocket.clone()]);
            (small || !reached) && area(&difference(&own, &may.0)) < DUST_M2
        });
        let pockets_m2: f64 = pockets.iter().map(polygon_area).sum();
        if pockets.is_empty() || pockets_m2 > POCKETS_SHARE * polygon_area(&piece) {
            return piece;
        }
        let joined = union(
            &pockets
                .into_iter()
                .chain([piece.clone()])
                .collect::<Vec<Polygon>>(),
        );
        largest(joined).unwrap_or(piece)
    };
    let at = |number: f64| -> Option<Polygon> {
        let form = frame.leave_polygon(&found.form.shape(number, &ground));
        let form = oriented(MultiPolygon(vec![form]));
        largest(intersection(may, &form.0)).map(with_pockets)
    };
    let large = |piece: &Option<Polygon>| {
        piece
            .as_ref()
            .is_some_and(|piece| polygon_area(piece) >= want_m2)
    };
    let far_m = (ground.max.x - ground.min.x) + (ground.max.y - ground.min.y) + 10.0;
    let least = match found.form {
        Form::Beyond { .. } => found.number - far_m,
        Form::Around { .. } => 0.0,
    };
    let (mut low, mut high) = (least, found.number);
    let mut step_m = 1.0;
    let mut best = at(high);
    while !large(&best) {
        if step_m > 4.0 * far_m {
            return None;
        }
        (low, high) = (high, high + step_m);
        step_m *= 2.0;
        best = at(high);
    }
    for _ in 0..40 {
        let middle = (low + high) / 2.0;
        let own = at(middle);
        if large(&own) {
            (high, best) = (middle, own);
        } else {
            low = middle;
        }
        if high - low < 1e-4 {
            break;
        }
    }
    best
}

fn largest(pieces: MultiPolygon) -> Option<Polygon> {
    let pieces = pieces.0.into_iter();
    pieces.max_by(|a, b| polygon_area(a).total_cmp(&polygon_area(b)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Four by five cells, with some of them missing, so that every patch there is can be tried.
    struct Small {
        cells: Cells,
        want: usize,
    }

    const COLUMNS: usize = 4;
    const ROWS: usize = 5;

    fn small(seed: u64) -> Small {
        // The generator of Park and Miller (1988).
        let mut state = seed * 7919 + 17;
        let mut next = |below: u64| {
            state = state * 48_271 % 2_147_483_647;
            state % below
        };
        let mut polygons = Vec::new();
        for k in 0..COLUMNS * ROWS {
            // The lowest row is always there: wood leaves over it.
            if k >= COLUMNS && next(6) == 0 {
                continue;
            }
            let (x, y) = ((k % COLUMNS) as f64, (k / COLUMNS) as f64);
            let low = Coord { x, y } * CELL_M;
            polygons.push(Bounds::of(&[low, low + Coord { x: 1.0, y: 1.0 } * CELL_M]).to_polygon());
        }
        let whole = crate::geometry::overlay::union(&polygons);
        let width_m = COLUMNS as f64 * CELL_M;
        let outlets: Vec<Coord> = (0..COLUMNS)
            .map(|k| Coord {
                x: (k as f64 + 0.5) * CELL_M,
                y: 0.0,
            })
            .collect();
        let slant = (next(100) as f64 - 50.0) / 50.0;
        let far_m = 20.0 + next(300) as f64;
        let prices = Prices {
            skid_s_per_m3: 0.002 + 0.001 * next(20) as f64,
            edge_s_per_m: 1.0 + next(8) as f64,
            least_part_m2: 0.0,
        };
        let way_m = |at: Coord| far_m + 10.0 * (at.y + slant * (at.x - width_m / 2.0)).max(0.0);
        Small {
            cells: Cells::new(&whole, (&whole, &whole), &outlets, way_m, prices, true),
            want: 2 + next(5) as usize,
        }
    }

    /// All connected sets of `want` cells.
    fn all_patches(cells: &Cells, want: usize) -> std::collections::BTreeSet<Vec<usize>> {
        let mut sets: std::collections::BTreeSet<Vec<usize>> =
            cells.may.iter().map(|&cell| vec![cell]).collect();
        for _ in 1..want {
            let mut larger = std::collections::BTreeSet::new();
            for set in &sets {
                for cell in set.iter().flat_map(|&cell| cells.beside(cell)) {
                    if cells.may.binary_search(&cell).is_ok() && !set.contains(&cell) {
                        let mut own = set.clone();
                        own.push(cell);
                        own.sort_unstable();
                        larger.insert(own);
                    }
                }
            }
            sets = larger;
        }
        sets
    }

    /// What the machines do in all, the cheapest patch left standing, against the best of every patch there is.
    #[test]
    fn the_cheapest_form_is_within_5_percent_of_every_connected_set_of_cells() {
        let (mut worst, mut seen) = (0.0f64, 0);
        for seed in 1..=120 {
            let Small { cells, want } = small(seed);
            let want_m2 = want as f64 * cells.cell_m2() - 1e-6;
            let all = all_patches(&cells, want);
            let best = all
                .iter()
                .map(|set| cells.cost_s(set))
                .fold(f64::INFINITY, f64::min);
            let Some(found) = cells.cheapest(want_m2) else {
                assert!(
                    all.is_empty(),
                    "seed {seed}: {} patches, none found",
                    all.len()
                );
                continue;
            };
            // All wood is felled and skidded but for the patch's; felling as under Hours, 600 trees of 18 s to the hectare.
            let ground_m2 =
                cells.whole.iter().filter(|inside| **inside).count() as f64 * cells.cell_m2();
            let felled_s = 0.06 * 18.0 * (ground_m2 - want_m2);
            let skidded_s: f64 = cells.saved_s.iter().sum();
            let work_s = |cost_s: f64| felled_s + skidded_s + cost_s;
            let gap = work_s(found.cost_s) / work_s(best) - 1.0;
            worst = worst.max(gap);
            seen += 1;
            assert!(
                gap <= 0.05,
                "seed {seed}: {:.4} of {want} cells, {} patches",
                gap,
                all.len()
            );
        }
        assert!(seen >= 100, "{seen}");
        assert!(worst <= 0.05, "{worst}");
    }
}
