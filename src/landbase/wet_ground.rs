//! Ground around a block that may be wet: low over the nearest water, by the elevations. It looks as far around the block as
//! it must until every cell of it is decided, and says what stays open.

use geo::{LineString, MultiPolygon, Polygon};

use super::slope::SlopeSource;
use super::{Entry, Landbase, locate};
use crate::geometry::area::Bounds;
use crate::geometry::depth_to_water::{Depths, Waters};
use crate::geometry::overlay::union;
use crate::geometry::terrain::{Cells, ElevationGrid};
use crate::model::{
    GroundFrame, LayerKind, MOST_WET_AROUND_M, Shape, WATER, Wet, WetGround, WetMap,
};

/// How far around a block is looked, one after the other, m; own judgement.
const AROUND_M: [f64; 3] = [500.0, 1_000.0, MOST_WET_AROUND_M];
/// No more than so many cells are looked at to decide what a smaller window left open.
const MOST_GROWN: usize = 2_000_000;
/// Depths of more than so many times the widest figure are not worked out; own judgement.
const DEEP: f64 = 10.0;
/// A plane that draws one way so much longer than the other does not tell slopes.
const UNEVEN: f64 = 0.01;

/// What was found for one block.
#[derive(Clone, Debug, Default)]
pub struct WetFound {
    /// None: no elevation is known of the block.
    pub map: Option<WetMap>,
    /// Why ground is not known to be either; None: all of it is decided.
    pub why: Option<WhyUnknown>,
    /// Soils on the block's ground that no figure is given for, sorted; `-` where none is mapped.
    pub unranked: Vec<String>,
    /// How far around the block was looked, m.
    pub around_m: f64,
    /// Cells that count as water by what drains through them.
    pub channels: usize,
    /// Cells of mapped water that have no elevation.
    pub water_off: usize,
}

/// Why nobody knows.
#[derive(Clone, Debug, PartialEq)]
pub enum WhyUnknown {
    /// The elevations could not be read.
    Fault(String),
    /// None lies there.
    NoElevation,
    /// The work CRS is in degrees, or drawn unevenly in another way.
    Uneven,
    /// Neither mapped water, nor a channel where these count, as far as was looked.
    NoWater,
    /// Water beyond what was looked at, or beyond ground without elevation, may be as near.
    Beyond,
}

/// What was decided of the ground looked at.
struct Window {
    cells: Cells,
    /// The cells over the block, their places among all, and what is said of them; None: none of them meets it.
    held: Option<Cells>,
    places: Vec<usize>,
    wet: Vec<Wet>,
    waters: Waters,
    depths: Depths,
}

impl Window {
    fn map(self, most_m: f64) -> Option<WetMap> {
        let held = self.held?;
        let depths = self.depths.up_to(&self.waters, most_m);
        let depth = |&at: &usize| Some(depths.m(at) as f32).filter(|m| m.is_finite());
        Some(WetMap {
            corner: held.corner.into(),
            cell_m: held.cell_m,
            first: [held.first_column, held.first_row],
            columns: held.columns,
            rows: held.rows,
            depth_m: self.places.iter().map(depth).collect(),
            wet: self.wet,
        })
    }
}

/// What of layers lies in a box of the plane.
struct Near<'f> {
    lines: Vec<LineString>,
    polygons: Vec<&'f Polygon>,
}

impl Landbase<'_> {
    /// `block` in the frame. Everything is decided in the plane of the work CRS: heights are the same there.
    pub fn wet_ground(
        &self,
        terrain: Option<&dyn SlopeSource>,
        wanted: &WetGround,
        frame: &GroundFrame,
        block: &MultiPolygon,
    ) -> WetFound {
        let plane = frame.polygons_to_plane(block);
        let bounds = Bounds::of_polygons(&plane);
        let unknown = |why| WetFound {
            why: Some(why),
            ..WetFound::default()
        };
        let Some(terrain) = terrain else {
            return unknown(WhyUnknown::NoElevation);
        };
        if is_uneven(frame) {
            return unknown(WhyUnknown::Uneven);
        }
        let mut found: Option<(WetFound, Window)> = None;
        for around_m in AROUND_M {
            let window = bounds.grown(around_m * frame.plane_per_metre());
            let grid = match terrain.elevations(&window) {
                Ok(Some(grid)) => grid,
                Ok(None) => return unknown(WhyUnknown::NoElevation),
                // A window that is too wide is no fault of the one before.
                Err(_) if found.is_some() => break,
                Err(fault) => return unknown(WhyUnknown::Fault(fault)),
            };
            if let Some((_, before)) = &found
                && (before.cells == grid.cells || grid.cells.count() > MOST_GROWN)
            {
                break;
            }
            let (here, window) = self.decide(&grid, wanted, &plane, frame);
            let is_decided = here.why.is_none();
            found = Some((WetFound { around_m, ..here }, window));
            if is_decided {
                break;
            }
        }
        let Some((found, window)) = found else {
            return unknown(WhyUnknown::NoElevation);
        };
        WetFound {
            map: window.map(DEEP * wanted.widest_m()),
            ..found
        }
    }

    /// All but the map.
    fn decide(
        &self,
        grid: &ElevationGrid,
        wanted: &WetGround,
        plane: &MultiPolygon,
        frame: &GroundFrame,
    ) -> (WetFound, Window) {
        let cells = grid.cells;
        let water = self.in_box(&WATER, &cells.extent());
        let mut at_water: Vec<usize> = (water.polygons.iter())
            .flat_map(|polygon| cells.met_by_polygon(polygon))
            .chain(water.lines.iter().flat_map(|line| cells.met_by_line(line)))
            .collect();
        at_water.sort_unstable();
        at_water.dedup();
        let cell_m = cells.cell_m / frame.plane_per_metre();
        let channel_cells = wanted.channels_m2.map(|m2| m2 / (cell_m * cell_m));
        let waters = Waters::of(grid, &at_water, channel_cells);
        let has_water = waters.mapped[0] + waters.channels > 0;
        let held = cells.cut(&Bounds::of_polygons(plane));
        let places: Vec<usize> = held.as_ref().map_or_else(Vec::new, |(held, from)| {
            (0..held.count()).map(from).collect()
        });
        let (limits, soils) = self.limits(&cells, wanted);
        let widest_m = wanted.widest_m();
        let depths = waters.depths(&places).up_to(&waters, widest_m);
        let beyond = waters.beyond(&places).up_to(&waters, widest_m);
        let wet = |at: usize| match limits[at] {
            _ if !has_water || !waters.is_known(at) => Wet::Unknown,
            // The true depth is no more than the one to the water seen, and no less than the lesser of both.
            limit_m if depths.m(at) <= limit_m => Wet::MayBe,
            limit_m if beyond.m(at) <= limit_m => Wet::Unknown,
            _ => Wet::Beyond,
        };
        let mut on: Vec<usize> = (plane.0.iter())
            .flat_map(|polygon| cells.met_by_polygon(polygon))
            .collect();
        on.sort_unstable();
        on.dedup();
        // Ground of the block off the raster has no cell at all.
        let is_whole = cells.extent().holds(&Bounds::of_polygons(plane));
        let is_open = !is_whole || on.iter().any(|&at| wet(at) == Wet::Unknown);
        let why = is_open.then_some(match has_water {
            true => WhyUnknown::Beyond,
            false => WhyUnknown::NoWater,
        });
        let mut unranked: Vec<String> = match wanted.by_soil.is_empty() {
            true => vec![],
            false => (on.iter())
                .filter_map(|&at| match soils[at] {
                    None => Some("-".to_owned()),
                    Some(soil) => (!wanted.ranks(soil)).then(|| soil.trim().to_owned()),
                })
                .collect(),
        };
        unranked.sort_unstable();
        unranked.dedup();
        let found = WetFound {
            map: None,
            why,
            unranked,
            around_m: 0.0,
            channels: waters.channels,
            water_off: waters.mapped[1],
        };
        let window = Window {
            cells,
            wet: places.iter().map(|&at| wet(at)).collect(),
            held: held.map(|(held, _)| held),
            places,
            waters,
            depths,
        };
        (found, window)
    }

    /// The figure for each cell, and its soil where one is mapped: of several the one with the widest figure.
    fn limits<'s>(&'s self, cells: &Cells, wanted: &WetGround) -> (Vec<f64>, Vec<Option<&'s str>>) {
        let mut soils: Vec<Option<&str>> = vec![None; cells.count()];
        if wanted.by_soil.is_empty() {
            return (vec![wanted.depth_m; cells.count()], soils);
        }
        for (kind, _, tree) in &self.trees {
            if *kind != LayerKind::Soils {
                continue;
            }
            for entry in sorted(locate(tree, &cells.extent())) {
                let feature = &self.features[entry.feature as usize];
                let (Shape::Polygons(polygons), Some(soil)) = (&feature.shape, &feature.class)
                else {
                    continue;
                };
                let Some(polygon) = polygons.0.get(entry.member as usize) else {
                    continue;
                };
                for at in cells.middles_in(polygon) {
                    let wider =
                        |held: &str| wanted.depth_on(Some(soil)) > wanted.depth_on(Some(held));
                    if soils[at].is_none_or(wider) {
                        soils[at] = Some(soil);
                    }
                }
            }
        }
        let limits = soils.iter().map(|soil| wanted.depth_on(*soil)).collect();
        (limits, soils)
    }

    fn in_box(&self, kinds: &[LayerKind], window: &Bounds) -> Near<'_> {
        let mut near = Near {
            lines: vec![],
            polygons: vec![],
        };
        for (kind, _, tree) in &self.trees {
            if !kinds.contains(kind) {
                continue;
            }
            for entry in sorted(locate(tree, window)) {
                let member = entry.member as usize;
                match &self.features[entry.feature as usize].shape {
                    Shape::Points(points) => {
                        let point = points.0.get(member).map(|point| LineString(vec![point.0]));
                        near.lines.extend(point);
                    }
                    Shape::Lines(lines) => {
                        let run = entry.from as usize..=entry.to as usize;
                        let run = lines.0.get(member).and_then(|line| line.0.get(run));
                        near.lines.extend(run.map(|run| LineString(run.to_vec())));
                    }
                    Shape::Polygons(polygons) => near.polygons.extend(polygons.0.get(member)),
                }
            }
        }
        near
    }
}

fn sorted(entries: impl Iterator<Item = Entry>) -> Vec<Entry> {
    let mut entries: Vec<Entry> = entries.collect();
    entries.sort_by_key(|entry| (entry.feature, entry.member, entry.from));
    entries
}

/// Whether the plane draws one way longer than the other.
fn is_uneven(frame: &GroundFrame) -> bool {
    let [a, b, c, d] = frame.turn(frame.origin());
    let (one, other) = (a.hypot(c), b.hypot(d));
    let off = (one / other - 1.0).abs();
    off.is_nan() || off > UNEVEN
}

/// Ground of a map's cells that `choose` picks, as polygons of the frame.
pub fn wet_polygons(
    map: &WetMap,
    frame: &GroundFrame,
    choose: impl Fn(Wet) -> bool,
) -> Vec<Polygon> {
    let cells = Cells {
        corner: map.corner.into(),
        cell_m: map.cell_m,
        first_column: map.first[0],
        first_row: map.first[1],
        columns: map.columns,
        rows: map.rows,
    };
    let ground = cells.rectangles(&cells.extent(), |at| choose(map.wet[at]));
    // In the plane, where their sides meet exactly.
    let ground = union(&ground).0;
    ground
        .iter()
        .map(|ground| frame.enter_polygon(ground))
        .collect()
}
