//! The slope of the ground under a feature's edge: of a terrain grid where it has a value, else of slope classes.

use geo::{Coord, MultiPolygon, Polygon};

use super::slope_classes::SlopeClasses;
use crate::geometry::area::Bounds;
use crate::geometry::overlay::{difference, intersection};
use crate::geometry::terrain::{ElevationGrid, Gradient, SlopeGrid, Terrain};
use crate::geometry::terrain_runs::Run;
use crate::model::GroundFrame;
use crate::rulebook::{RuleLine, Width, Widths};

/// A part of a segment and the slope that a grid gives it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SlopeRun {
    /// Beginning and end as parts of the segment, 0 to 1.
    pub from: f64,
    pub to: f64,
    /// Rise over run; None: not known.
    pub slope: Option<f64>,
}

/// A grid of slopes, in work-CRS coordinates.
pub trait SlopeGround: Sync {
    /// The cells that a segment passes, in order and without gaps from 0 to 1; of a segment of no length the cell that
    /// holds it.
    fn runs(&self, a: Coord, b: Coord) -> Vec<SlopeRun>;

    /// The cells that meet `window`, each once, with their slopes; None where unknown.
    fn cells(&self, window: &Bounds) -> Vec<(Bounds, Option<f64>)>;

    /// Of those, the ones that `choose` picks, as polygons that do not overlap.
    fn ground(&self, window: &Bounds, choose: &dyn Fn(Option<f64>) -> bool) -> Vec<Polygon> {
        let cells = self.cells(window).into_iter();
        cells
            .filter(|(_, slope)| choose(*slope))
            .map(|(bounds, _)| bounds.to_polygon())
            .collect()
    }

    /// As [`SlopeGround::runs`], with the slope's direction; empty where the source knows no directions.
    fn gradients(&self, _a: Coord, _b: Coord) -> Vec<Run> {
        vec![]
    }

    /// Gradient of the cell that holds a place.
    fn gradient(&self, _at: Coord) -> Option<Gradient> {
        None
    }

    /// From slopes along the plane's axes to those of the ground. Nothing, where slopes are the ground's own.
    fn on_ground(&mut self, _frame: &GroundFrame) {}
}

/// Where grids of slopes are read from.
pub trait SlopeSource: Sync {
    /// The slopes of a box; None where nothing is known of it.
    ///
    /// # Errors
    /// When they cannot be read; the text names the file.
    fn window(&self, bounds: &Bounds) -> Result<Option<Box<dyn SlopeGround + '_>>, String>;

    /// The elevations of a box; None where nobody knows any.
    ///
    /// # Errors
    /// As [`SlopeSource::window`].
    fn elevations(&self, _bounds: &Bounds) -> Result<Option<ElevationGrid>, String> {
        Ok(None)
    }
}

impl SlopeGround for SlopeGrid {
    fn runs(&self, a: Coord, b: Coord) -> Vec<SlopeRun> {
        let runs = self.along(a, b).into_iter();
        runs.map(|run| SlopeRun {
            from: run.t0,
            to: run.t1,
            slope: run.slope(),
        })
        .collect()
    }

    fn cells(&self, window: &Bounds) -> Vec<(Bounds, Option<f64>)> {
        let cells = SlopeGrid::cells(self).filter(|(bounds, _)| bounds.meets(window));
        cells
            .map(|(bounds, gradient)| (bounds, gradient.map(Gradient::slope)))
            .collect()
    }

    fn ground(&self, window: &Bounds, choose: &dyn Fn(Option<f64>) -> bool) -> Vec<Polygon> {
        self.rectangles(window, |gradient| choose(gradient.map(Gradient::slope)))
    }

    fn gradients(&self, a: Coord, b: Coord) -> Vec<Run> {
        self.along(a, b)
    }

    fn gradient(&self, at: Coord) -> Option<Gradient> {
        self.at(at)
    }

    fn on_ground(&mut self, frame: &GroundFrame) {
        if frame.degree() > 0 {
            self.turn(|at| frame.turn(at));
        }
    }
}

impl<T: Terrain> SlopeSource for T {
    fn window(&self, bounds: &Bounds) -> Result<Option<Box<dyn SlopeGround + '_>>, String> {
        let grid = Terrain::window(self, bounds)?;
        Ok(grid.map(|grid| Box::new(grid) as Box<dyn SlopeGround>))
    }

    fn elevations(&self, bounds: &Bounds) -> Result<Option<ElevationGrid>, String> {
        Terrain::elevations(self, bounds)
    }
}

/// What is known of the slope at one place, rise over run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Slope {
    /// Of the ground itself.
    Measured(f64),
    /// The ground is in a slope class whose steepest slope this is.
    UpTo(f64),
    Unknown,
}

impl Slope {
    pub fn steepest(self) -> Option<f64> {
        match self {
            Slope::Measured(slope) | Slope::UpTo(slope) => Some(slope),
            Slope::Unknown => None,
        }
    }

    /// What a rule asks on such ground, in metres on the map: on ground of a slope class the most that any slope of it
    /// may ask, since its gentler ground must not come out short; on unknown ground the widest.
    pub fn widths(self, rule: &RuleLine) -> Widths {
        match self {
            Slope::Measured(slope) => rule.widths(Some(slope)),
            Slope::UpTo(slope) => Widths {
                reserve_m: most_up_to(&rule.reserve, slope),
                management_m: most_up_to(&rule.management, slope),
                machine_exclusion_m: most_up_to(&rule.machine_exclusion, slope),
            },
            Slope::Unknown => rule.widest(),
        }
    }
}

/// The widest on any slope from level to `slope`. A distance along the ground is longest on the map where the ground is
/// level, so nothing is taken off it.
fn most_up_to(width: &Width, slope: f64) -> f64 {
    match width {
        Width::BySlope(classes) => classes
            .iter()
            .filter(|class| {
                let begins = |low: &crate::rulebook::Limit| {
                    low.value < slope || (low.included && low.value == slope)
                };
                class.slope.low.as_ref().is_none_or(begins)
            })
            .map(|class| class.width_m)
            .fold(width.at(Some(slope)), f64::max),
        Width::Metres(_) | Width::Formula { .. } => width.at(Some(slope)).max(width.at(Some(0.0))),
    }
}

/// A part of a segment with one slope.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GroundRun {
    /// Ends of the part.
    pub a: Coord,
    pub b: Coord,
    pub slope: Slope,
}

/// A part of a segment with its slope, rise over run, and that of the ways across and along it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Grade {
    /// Ends of the part.
    pub a: Coord,
    pub b: Coord,
    /// None: not known.
    pub steepest: Option<f64>,
    /// Across (never negative) and along (positive: up, from `a` to `b`); None: which way the ground falls is not known.
    pub ways: Option<[f64; 2]>,
}

/// The slopes around one block, in its local frame.
pub struct Slopes<'t> {
    grid: Option<Box<dyn SlopeGround + 't>>,
    classes: SlopeClasses,
    frame: GroundFrame,
    /// True: slopes come from a terrain, so ground without any is a gap in it.
    pub has_terrain: bool,
    /// Why the terrain could not be read.
    pub fault: Option<String>,
}

impl<'t> Slopes<'t> {
    pub(super) fn new(
        terrain: Option<&'t dyn SlopeSource>,
        classes: SlopeClasses,
        window: &Bounds,
        frame: &GroundFrame,
    ) -> Slopes<'t> {
        let read = terrain.map(|terrain| terrain.window(&window.leaving(frame)));
        let (grid, fault) = match read {
            None => (None, None),
            Some(Ok(mut grid)) => {
                if let Some(grid) = &mut grid {
                    grid.on_ground(frame);
                }
                (grid, None)
            }
            Some(Err(fault)) => (None, Some(fault)),
        };
        Slopes {
            grid,
            classes,
            frame: frame.clone(),
            has_terrain: terrain.is_some(),
            fault,
        }
    }

    /// Whether there is anything to ask: a terrain, or a slope class near the block.
    pub fn given(&self) -> bool {
        self.has_terrain || !self.classes.is_empty()
    }

    /// Side of the cells that a shape is made of; None where no cells lie there.
    pub fn cell_m(&self, shape: &MultiPolygon) -> Option<f64> {
        let grid = self.grid.as_ref()?;
        shape.0.iter().find_map(|polygon| {
            let at = *polygon.exterior().0.first()?;
            let cells = grid.cells(&Bounds { min: at, max: at }.leaving(&self.frame));
            let (cell, _) = cells.first()?;
            Some((cell.max.x - cell.min.x).max(cell.max.y - cell.min.y))
        })
    }

    /// Whether the way the ground falls is known anywhere.
    pub fn has_gradients(&self) -> bool {
        self.grid.is_some()
    }

    /// Which way the ground falls at a place.
    pub fn gradient(&self, at: Coord) -> Option<Gradient> {
        self.grid.as_ref()?.gradient(self.frame.to_plane(at))
    }

    /// What of `ground` is steeper than `limit` (rise over run): whole cells, and classes whose steepest slope is where the
    /// grid has no value.
    pub fn steeper_than(&self, limit: f64, ground: &MultiPolygon) -> MultiPolygon {
        let window = Bounds::of_polygons(ground);
        let cells = self.cells_where(&window, &|slope| slope.is_some_and(|slope| slope > limit));
        let mut steep = intersection(ground, &cells);
        let classes = self.classes.polygons(|slope| slope > limit);
        if !classes.is_empty() {
            let rest = difference(ground, &self.known_cells(&window));
            // Both lie on either side of the cells' edges, so they share no ground.
            steep.0.extend(intersection(&rest, &classes).0);
        }
        steep
    }

    /// What of `ground` has no slope by the grid nor by any class.
    pub fn unknown_in(&self, ground: &MultiPolygon) -> MultiPolygon {
        let mut known = self.known_cells(&Bounds::of_polygons(ground));
        known.extend(self.classes.polygons(|_| true));
        difference(ground, &known)
    }

    /// The steepest slope known anywhere in `ground`; 0 where none is.
    pub fn steepest_in(&self, ground: &MultiPolygon) -> f64 {
        let window = Bounds::of_polygons(ground);
        let cells = self
            .grid
            .as_ref()
            .map_or_else(Vec::new, |grid| grid.cells(&window.leaving(&self.frame)));
        let mut cells: Vec<(f64, Polygon)> = cells
            .into_iter()
            .filter_map(|(bounds, slope)| {
                Some((slope?, self.frame.enter_polygon(&bounds.to_polygon())))
            })
            .collect();
        cells.sort_by(|a, b| b.0.total_cmp(&a.0));
        let meets = |polygon: &Polygon| {
            !intersection(ground, std::slice::from_ref(polygon))
                .0
                .is_empty()
        };
        let of_cells = cells.iter().find(|(_, cell)| meets(cell));
        let rest = difference(ground, &self.known_cells(&window));
        let of_classes = self
            .classes
            .steepest(|class| !rest.0.is_empty() && !intersection(&rest, &class.0).0.is_empty());
        of_cells
            .map_or(0.0, |(slope, _)| *slope)
            .max(of_classes.unwrap_or(0.0))
    }

    /// Mean slope across a track (rise over run, never negative), weighted by length over what of it is known.
    pub fn mean_across(&self, track: &geo::LineString) -> Option<f64> {
        let grid = self.grid.as_ref()?;
        let (mut sum, mut known_m) = (0.0, 0.0);
        for w in track.0.windows(2) {
            let d = w[1] - w[0];
            let length_m = d.x.hypot(d.y);
            if length_m == 0.0 {
                continue;
            }
            let (a, b) = (self.frame.to_plane(w[0]), self.frame.to_plane(w[1]));
            for run in grid.gradients(a, b) {
                if let Some(gradient) = run.gradient {
                    let part_m = (run.t1 - run.t0) * length_m;
                    let across = (gradient.dz_dx * d.y - gradient.dz_dy * d.x) / length_m;
                    sum += part_m * across.abs();
                    known_m += part_m;
                }
            }
        }
        (known_m > 0.0).then(|| sum / known_m)
    }

    /// A segment cut where the slope changes, with the slope across and along it.
    pub fn grades(&self, a: Coord, b: Coord) -> Vec<Grade> {
        let d = b - a;
        let length_m = d.x.hypot(d.y);
        if length_m == 0.0 {
            return vec![];
        }
        let mut found = Vec::new();
        for run in self.along(a, b) {
            let (from, to) = (self.frame.to_plane(run.a), self.frame.to_plane(run.b));
            let runs = self
                .grid
                .as_ref()
                .map_or_else(Vec::new, |grid| grid.gradients(from, to));
            let mut known = false;
            for part in runs {
                let Some(gradient) = part.gradient else {
                    continue;
                };
                known = true;
                let across = (gradient.dz_dx * d.y - gradient.dz_dy * d.x) / length_m;
                let along = (gradient.dz_dx * d.x + gradient.dz_dy * d.y) / length_m;
                found.push(Grade {
                    a: between(run.a, run.b, part.t0),
                    b: between(run.a, run.b, part.t1),
                    steepest: Some(across.hypot(along)),
                    ways: Some([across.abs(), along]),
                });
            }
            if !known {
                found.push(Grade {
                    a: run.a,
                    b: run.b,
                    steepest: run.slope.steepest(),
                    ways: None,
                });
            }
        }
        found
    }

    fn cells_where(&self, window: &Bounds, choose: &dyn Fn(Option<f64>) -> bool) -> Vec<Polygon> {
        let Some(grid) = &self.grid else {
            return vec![];
        };
        let cells = grid.ground(&window.leaving(&self.frame), choose);
        cells
            .iter()
            .map(|cell| self.frame.enter_polygon(cell))
            .collect()
    }

    fn known_cells(&self, window: &Bounds) -> Vec<Polygon> {
        self.cells_where(window, &|slope| slope.is_some())
    }

    /// A segment cut where the slope changes, exactly: in order, without gaps. Of a segment of no length one run.
    pub fn along(&self, a: Coord, b: Coord) -> Vec<GroundRun> {
        let mut runs = Vec::new();
        let mut at = 0.0;
        for run in self.grid_runs(a, b) {
            let (from, to) = (run.from.clamp(at, 1.0), run.to.clamp(at, 1.0));
            if from > at {
                self.of_classes(&mut runs, a, b, [at, from]);
            }
            match run.slope.filter(|slope| slope.is_finite()) {
                _ if to <= from && a != b => {}
                Some(slope) => push(&mut runs, a, b, [from, to], Slope::Measured(slope.abs())),
                None => self.of_classes(&mut runs, a, b, [from, to]),
            }
            at = to;
        }
        if at < 1.0 && (a != b || runs.is_empty()) {
            self.of_classes(&mut runs, a, b, [at, 1.0]);
        }
        runs
    }

    fn grid_runs(&self, a: Coord, b: Coord) -> Vec<SlopeRun> {
        self.grid.as_ref().map_or_else(Vec::new, |grid| {
            grid.runs(self.frame.to_plane(a), self.frame.to_plane(b))
        })
    }

    fn of_classes(&self, runs: &mut Vec<GroundRun>, a: Coord, b: Coord, [from, to]: [f64; 2]) {
        let (start, end) = (between(a, b, from), between(a, b, to));
        for run in self.classes.along(start, end) {
            let slope = run.slope.map_or(Slope::Unknown, Slope::UpTo);
            push(runs, start, end, [run.from, run.to], slope);
        }
    }
}

fn between(a: Coord, b: Coord, part: f64) -> Coord {
    // The ends themselves, to the last bit.
    if part <= 0.0 {
        a
    } else if part >= 1.0 {
        b
    } else {
        a + (b - a) * part
    }
}

/// Adds the part `from..to` of the segment `a`-`b`; it begins where the last one ends, to the last bit.
fn push(runs: &mut Vec<GroundRun>, a: Coord, b: Coord, [from, to]: [f64; 2], slope: Slope) {
    let start = runs
        .last()
        .map_or_else(|| between(a, b, from), |last| last.b);
    runs.push(GroundRun {
        a: start,
        b: between(a, b, to),
        slope,
    });
}
