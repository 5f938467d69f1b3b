//! The slope of the ground under a feature's edge: of a terrain grid where it has a value, else of slope classes.

use geo::Coord;

use super::slope_classes::SlopeClasses;
use crate::geometry::area::Bounds;
use crate::geometry::terrain::{SlopeGrid, Terrain};
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
pub trait SlopeGround {
    /// The cells that a segment passes, in order and without gaps from 0 to 1; of a segment of no length the cell that
    /// holds it.
    fn runs(&self, a: Coord, b: Coord) -> Vec<SlopeRun>;
}

/// Where grids of slopes are read from.
pub trait SlopeSource: Sync {
    /// The slopes of a box; None where nothing is known of it.
    ///
    /// # Errors
    /// When they cannot be read; the text names the file.
    fn window(&self, bounds: &Bounds) -> Result<Option<Box<dyn SlopeGround + '_>>, String>;
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
}

impl<T: Terrain> SlopeSource for T {
    fn window(&self, bounds: &Bounds) -> Result<Option<Box<dyn SlopeGround + '_>>, String> {
        let grid = Terrain::window(self, bounds)?;
        Ok(grid.map(|grid| Box::new(grid) as Box<dyn SlopeGround>))
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

/// The slopes around one block, in its local frame.
pub struct Slopes<'t> {
    grid: Option<Box<dyn SlopeGround + 't>>,
    classes: SlopeClasses,
    origin: Coord,
    /// Why the terrain could not be read.
    pub fault: Option<String>,
}

impl<'t> Slopes<'t> {
    pub(super) fn new(
        terrain: Option<&'t dyn SlopeSource>,
        classes: SlopeClasses,
        window: &Bounds,
        origin: Coord,
    ) -> Slopes<'t> {
        let world = Bounds {
            min: window.min + origin,
            max: window.max + origin,
        };
        let read = terrain.map(|terrain| terrain.window(&world));
        let (grid, fault) = match read {
            None => (None, None),
            Some(Ok(grid)) => (grid, None),
            Some(Err(fault)) => (None, Some(fault)),
        };
        Slopes {
            grid,
            classes,
            origin,
            fault,
        }
    }

    /// Nothing is known.
    pub(super) fn unknown() -> Slopes<'t> {
        Slopes {
            grid: None,
            classes: SlopeClasses::default(),
            origin: Coord { x: 0.0, y: 0.0 },
            fault: None,
        }
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
        self.grid
            .as_ref()
            .map_or_else(Vec::new, |grid| grid.runs(a + self.origin, b + self.origin))
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
