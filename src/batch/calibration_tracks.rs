//! Hours that finished sections took, from the tracks of the machine that cut them.

use std::collections::BTreeSet;

use geo::{Coord, LineString, MultiPolygon, Polygon};
use rayon::prelude::*;
use rstar::RTree;
use rstar::primitives::{GeomWithData, Rectangle};

use super::calibration::{BELIEVED, Taken, ToModel};
use crate::audit::ground::Ground;
use crate::audit::tracks::dwell::{Dwell, Spot, dwell};
use crate::audit::tracks::{Sweep, Way, ends, follow_by, swept_area};
use crate::geometry::area::{Bounds, area};
use crate::geometry::overlay::{shared_area, union};
use crate::model::{GroundFrame, TrackHours};
use crate::project::TracksSource;
use crate::sources::crs::WorkCrs;
use crate::sources::tracks::{self, TrackColumns};
use crate::sources::{FinishedBlock, FinishedLayout, SourceError};

/// A section of which tracks cover less was not worked while they ran. Own judgement.
const LEAST_COVERED: f64 = 0.8;
/// From here on all of it was worked: corners of a strip lie beyond its reach. Own judgement.
const WHOLE: f64 = 0.95;

type Boxed = GeomWithData<Rectangle<[f64; 2]>, usize>;

/// Blocks and sections of a finished layout, to look places up in.
pub(super) struct Places<'l> {
    blocks: &'l [FinishedBlock],
    tree: RTree<Boxed>,
    /// By block.
    shapes: Vec<Ground>,
    sections: Vec<Vec<Ground>>,
    /// Number of a block's first section among all.
    first: Vec<usize>,
    /// How far beside a block the machine still turns for it.
    beside_m: f64,
    /// Block and section looked up last: the next place is mostly there too.
    last: Option<(usize, usize)>,
}

impl<'l> Places<'l> {
    pub(super) fn new(blocks: &'l [FinishedBlock], beside_m: f64) -> Places<'l> {
        let boxed = blocks.iter().enumerate().map(|(index, block)| {
            let shape = block.frame.polygons_to_plane(&block.shape);
            let b = Bounds::of_polygons(&shape).grown(beside_m * block.frame.plane_per_metre());
            let rectangle = Rectangle::from_corners([b.min.x, b.min.y], [b.max.x, b.max.y]);
            GeomWithData::new(rectangle, index)
        });
        let mut first = Vec::with_capacity(blocks.len());
        let mut count = 0;
        for block in blocks {
            first.push(count);
            count += block.sections.len();
        }
        let ground = |shape: &MultiPolygon| Ground::new(shape.0.iter().cloned());
        Places {
            blocks,
            tree: RTree::bulk_load(boxed.collect()),
            shapes: blocks.iter().map(|block| ground(&block.shape)).collect(),
            sections: (blocks.iter())
                .map(|block| block.sections.iter().map(|s| ground(&s.shape)).collect())
                .collect(),
            first,
            beside_m,
            last: None,
        }
    }

    /// Where a place of the plane lies; of blocks that overlap the first.
    fn spot(&mut self, at: Coord) -> Spot {
        if let Some((block, section)) = self.last
            && self.sections[block][section].holds(self.blocks[block].frame.enter(at))
        {
            return self.ground(block, section);
        }
        let mut near: Vec<usize> = (self.tree.locate_all_at_point([at.x, at.y]))
            .map(|boxed| boxed.data)
            .collect();
        near.sort_unstable();
        let mut beside = None;
        for block in near {
            let local = self.blocks[block].frame.enter(at);
            let held = self.sections[block].iter().position(|g| g.holds(local));
            if let Some(section) = held {
                self.last = Some((block, section));
                return self.ground(block, section);
            }
            let shape = &self.shapes[block];
            let close = || shape.edges().distance(local, self.beside_m).is_some();
            if beside.is_none() && (shape.holds(local) || close()) {
                beside = Some(block);
            }
        }
        beside.map_or(Spot::Away, Spot::Beside)
    }

    fn ground(&self, block: usize, section: usize) -> Spot {
        Spot::Ground {
            unit: block,
            ground: self.first[block] + section,
        }
    }

    pub(super) fn metres(&self, from: Coord, to: Coord) -> f64 {
        let nearest = self.tree.nearest_neighbor([from.x, from.y]);
        let frame = nearest.map_or(&GroundFrame::SAME, |boxed| &self.blocks[boxed.data].frame);
        let d = frame.enter(to) - frame.enter(from);
        d.x.hypot(d.y)
    }
}

/// What the tracks tell of the sections of a layout.
///
/// # Errors
/// When a file cannot be read or holds no tracks.
pub(super) fn taken(
    source: &TracksSource,
    layout: &FinishedLayout,
    to_model: ToModel,
) -> Result<Taken, SourceError> {
    let work = WorkCrs::new(&layout.crs)?;
    let mut found = Vec::new();
    for file in &source.files {
        let columns = TrackColumns {
            layer: file.layer.as_deref(),
            time: source.time.as_deref(),
            track: source.track.as_deref(),
        };
        found.extend(tracks::read(&file.path, columns, &work)?.tracks);
    }
    let how = Sweep::of_width(2.0 * layout.reach_m);
    let mut places = Places::new(&layout.blocks, how.width_m);
    let way = follow_by(&found, &how, &|a, b| places.metres(a, b));
    // Only widths and limits that are not above 0 are refused, and a reach is.
    let Ok(way) = way else {
        return Ok(Taken::of_tracks(&Dwell::default(), source));
    };
    let count = layout.blocks.iter().map(|b| b.sections.len()).sum();
    let around = Places::new(&layout.blocks, how.width_m);
    let spent = dwell(
        &way,
        &how,
        source.longest_stop_min * 60.0,
        count,
        &mut |at| places.spot(at),
        &|a, b| around.metres(a, b),
    );
    let worked: Vec<Vec<f64>> = (layout.blocks.par_iter().zip(&places.first))
        .map(|(block, &first)| {
            let spent = &spent.ground_s[first..first + block.sections.len()];
            covered(block, spent, &way, how.width_m)
        })
        .collect();
    let mut taken = Taken::of_tracks(&spent, source);
    let mut counted = 0.0;
    let mut passed_over = 0.0;
    for (b, block) in layout.blocks.iter().enumerate() {
        for (s, section) in block.sections.iter().enumerate() {
            let hours = spent.ground_s[places.first[b] + s] / 3600.0;
            if hours <= 0.0 {
                continue;
            }
            let share = match worked[b][s] {
                share if share >= WHOLE => 1.0,
                share => share,
            };
            let model = to_model.section(section).map(|model| model * share);
            let believed = |model: &f64| {
                share >= LEAST_COVERED && (BELIEVED[0]..=BELIEVED[1]).contains(&(hours / model))
            };
            match model.filter(believed) {
                Some(model) => {
                    taken.pairs.push((model, hours));
                    taken.blocks.insert(b);
                    counted += hours;
                }
                None => {
                    taken.passed_over += 1;
                    passed_over += hours;
                }
            }
        }
    }
    if let Some(hours) = &mut taken.tracks {
        (hours.counted, hours.passed_over) = (counted, passed_over);
    }
    Ok(taken)
}

impl Taken {
    fn of_tracks(spent: &Dwell, source: &TracksSource) -> Taken {
        Taken {
            pairs: vec![],
            blocks: BTreeSet::new(),
            passed_over: 0,
            tracks: Some(TrackHours {
                counted: 0.0,
                passed_over: 0.0,
                stopped: spent.stopped_s / 3600.0,
                gaps: spent.gaps_s / 3600.0,
                elsewhere: spent.elsewhere_s / 3600.0,
                longest_stop_min: source.longest_stop_min,
            }),
        }
    }
}

/// Of each section of a block, the share of its ground within reach of the tracks; 0 where no time was spent.
fn covered(block: &FinishedBlock, spent_s: &[f64], way: &Way, width_m: f64) -> Vec<f64> {
    if spent_s.iter().all(|spent| *spent == 0.0) {
        return vec![0.0; spent_s.len()];
    }
    let around = Bounds::of_polygons(&block.shape).grown(2.0 * width_m);
    let inside = |at: Coord| Bounds::of([&at]).meets(&around);
    let mut lines: Vec<LineString> = Vec::new();
    for leg in &way.legs {
        let leg = block.frame.enter_each(&leg.shape);
        let runs = leg.0.chunk_by(|a, b| inside(*a) && inside(*b));
        lines.extend(
            runs.filter(|run| run.len() > 1)
                .map(|run| LineString(run.to_vec())),
        );
    }
    let mut ground: Vec<Polygon> = swept_area(lines.iter(), width_m).0;
    ground.extend(ends(lines.iter(), width_m).into_iter().map(|end| end.shape));
    let ground = union(&ground);
    (block.sections.iter().zip(spent_s))
        .map(|(section, spent)| match area(&section.shape) {
            all if all > 0.0 && *spent > 0.0 => shared_area(&section.shape, &ground.0) / all,
            _ => 0.0,
        })
        .collect()
}
