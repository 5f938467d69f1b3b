//! What a machine's track says is done: sections whose ground it drove along.

use std::path::PathBuf;

use geo::{
    BoundingRect, Coord, Intersects, LineString, MultiLineString, MultiPolygon, Polygon, Rect,
};
use rayon::prelude::*;

use super::DispatchError;
use super::done::{Done, take};
use crate::audit::tracks::{End, Sweep, Way, ends, follow_by, swept_area};
use crate::batch::calibration_tracks::Places;
use crate::geometry::area::{Bounds, area};
use crate::geometry::distance::inside;
use crate::geometry::overlay::{clip_lines, joined, shared_area};
use crate::schedule::outlook::Warning;
use crate::sources::crs::WorkCrs;
use crate::sources::tracks::{self, TrackColumns};
use crate::sources::{FinishedBlock, FinishedError, FinishedLayout};

/// From here on all of a section is done: corners lie beyond the reach. Own judgement.
const WHOLE: f64 = 0.95;
/// Up to here none of it is: who turns on it, or drives over a corner, cuts nothing there. Own judgement.
const NOTHING: f64 = 0.05;
/// Fixes of a track that are looked at together.
const CHUNK: usize = 40;

/// Takes off the sections along which tracks were driven.
///
/// A machine cuts to both sides what its strip holds. A track within a section counts for the ground beside it as far as the
/// machine reaches and fixes may be off, and for no ground of another section: beside the track of one strip lies the next,
/// which the same fixes would touch.
///
/// # Errors
/// A file that cannot be read or holds no tracks.
pub(super) fn take_driven(
    layout: &FinishedLayout,
    paths: &[PathBuf],
    done: &mut Done,
) -> Result<(), DispatchError> {
    if paths.is_empty() {
        return Ok(());
    }
    let work = WorkCrs::new(&layout.crs)?;
    let how = Sweep::of_width(2.0 * layout.reach_m);
    let places = Places::new(&layout.blocks, how.width_m);
    let metres = |a: Coord, b: Coord| places.metres(a, b);
    let mut all = Sum::default();
    for path in paths {
        let read = tracks::read(path, TrackColumns::default(), &work)?;
        let way = follow_by(&read.tracks, &how, &metres).map_err(|error| {
            DispatchError::Layout(FinishedError::NoLayout {
                path: path.clone(),
                why: error.to_string(),
            })
        })?;
        let mut inside_m = 0.0;
        let found: Vec<Vec<Driven>> = (layout.blocks.par_iter())
            .map(|block| driven(block, &way, &how))
            .collect();
        for (b, own) in found.into_iter().enumerate() {
            for (s, own) in own.into_iter().enumerate() {
                inside_m += own.long_m;
                all.count(&layout.blocks[b], s, own.share, done, b);
            }
        }
        for note in read.notes {
            done.told.push(Warning {
                what: format!("{}: {note}", path.display()),
                help: "look whether that is right".to_owned(),
            });
        }
        let driven_m: f64 = way.legs.iter().map(|leg| long_m(&leg.shape, &metres)).sum();
        if inside_m == 0.0 {
            done.lost.push(Warning {
                what: format!("the tracks in {} come into no section", path.display()),
                help:
                    "name tracks of a felling machine in this layout, in the CRS that they are in"
                        .to_owned(),
            });
            continue;
        }
        let gaps = way.gaps.iter().filter(|gap| gap.distance_m > how.noise_m);
        let gaps = match gaps.count() {
            0 => String::new(),
            count => format!("; across {count} gap(s) in them nothing is taken for cut"),
        };
        done.told.push(Warning {
            what: format!(
                "{}: {:.0} m of {driven_m:.0} m were driven in sections, the rest on roads, trails, kept ground or away{gaps}",
                path.display(),
                inside_m
            ),
            help: "name what was cut all the same in a table, with --done".to_owned(),
        });
    }
    if let Some(told) = all.told() {
        done.told.push(told);
    }
    Ok(())
}

fn long_m(line: &LineString, metres: &dyn Fn(Coord, Coord) -> f64) -> f64 {
    line.0.windows(2).map(|ends| metres(ends[0], ends[1])).sum()
}

/// What tracks say of all sections.
#[derive(Default)]
struct Sum {
    whole: usize,
    half: usize,
    hours_left: f64,
    first: Option<String>,
}

impl Sum {
    fn count(
        &mut self,
        block: &FinishedBlock,
        at: usize,
        share: f64,
        done: &mut Done,
        index: usize,
    ) {
        let (Some(left), Some(hours)) = (&mut done.left[index][at], block.sections[at].hours)
        else {
            return;
        };
        if share < NOTHING || *left == 0.0 {
            return;
        }
        let still = if share >= WHOLE {
            0.0
        } else {
            hours * (1.0 - share)
        };
        // What a table says beside it is the same ground.
        let more = *left - still.min(*left);
        take(left, more, &mut done.sum);
        if *left == 0.0 {
            self.whole += 1;
            return;
        }
        self.half += 1;
        self.hours_left += *left;
        let section = &block.sections[at];
        let name = || format!("{} {} ({:.0} %)", block.id, section.key(), share * 100.0);
        self.first.get_or_insert_with(name);
    }

    fn told(&self) -> Option<Warning> {
        let first = self.first.as_ref();
        let half = first.map_or(String::new(), |first| {
            format!(
                "; {} are half done and stay open with {:.1} h, the first {first}",
                self.half, self.hours_left
            )
        });
        (self.whole + self.half > 0).then(|| Warning {
            what: format!(
                "{} section(s) are done by the tracks, {:.0} % of their ground or more{half}",
                self.whole,
                WHOLE * 100.0
            ),
            help: "where half-done ones are finished, name them in a table, with --done".to_owned(),
        })
    }
}

/// How far a section was driven along.
#[derive(Clone, Copy)]
struct Driven {
    long_m: f64,
    /// Of its ground.
    share: f64,
}

/// A few fixes in a row, in the block's frame.
struct Chunk {
    bounds: Rect,
    line: LineString,
}

fn driven(block: &FinishedBlock, way: &Way, how: &Sweep) -> Vec<Driven> {
    let none = Driven {
        long_m: 0.0,
        share: 0.0,
    };
    let around = Bounds::of_polygons(&block.shape).grown(2.0 * how.width_m);
    let near = |at: Coord| Bounds::of([&at]).meets(&around);
    let mut runs: Vec<LineString> = vec![];
    for leg in &way.legs {
        let leg = block.frame.enter_each(&leg.shape);
        let own = leg.0.chunk_by(|a, b| near(*a) && near(*b));
        runs.extend(
            own.filter(|run| run.len() > 1)
                .map(|run| LineString(run.to_vec())),
        );
    }
    let ends: Vec<End> = ends(runs.iter(), how.width_m);
    let chunks = runs.iter().flat_map(|run| {
        let firsts = (0..run.0.len() - 1).step_by(CHUNK);
        firsts.map(|first| LineString(run.0[first..run.0.len().min(first + CHUNK + 1)].to_vec()))
    });
    let chunks: Vec<Chunk> = chunks
        .filter_map(|line| {
            let bounds = line.bounding_rect()?;
            Some(Chunk { bounds, line })
        })
        .collect();
    if chunks.is_empty() {
        return vec![none; block.sections.len()];
    }
    let of_section = |shape: &MultiPolygon| {
        let Some(bounds) = shape.bounding_rect() else {
            return none;
        };
        let own = chunks
            .iter()
            .filter(|chunk| chunk.bounds.intersects(&bounds));
        let lines = MultiLineString(own.map(|chunk| chunk.line.clone()).collect());
        let within = joined(clip_lines(&lines, &shape.0, true));
        let whole_m2 = area(shape);
        let plain = |a: Coord, b: Coord| (a - b).x.hypot((a - b).y);
        let long_m: f64 = within.iter().map(|line| long_m(line, &plain)).sum();
        if long_m == 0.0 || whole_m2 <= 0.0 {
            return none;
        }
        let wide_m = how.width_m + 2.0 * how.noise_m;
        let mut ground: Vec<Polygon> = swept_area(within.iter(), wide_m).0;
        let here = ends.iter().filter(|end| inside(end.at, shape));
        ground.extend(here.map(|end| end.shape.clone()));
        Driven {
            long_m,
            share: shared_area(shape, &ground) / whole_m2,
        }
    };
    let sections = block.sections.iter();
    sections.map(|section| of_section(&section.shape)).collect()
}
