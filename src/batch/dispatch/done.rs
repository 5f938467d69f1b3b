//! What of a layout is left to be cut, by a table of finished sections of it, or of the plan that it took the place of.

use std::collections::BTreeMap;

use geo::{BoundingRect, Intersects, MultiPolygon};

use super::former::{FormerPlan, LeftLying};
use super::{DispatchError, DispatchOptions, Left};
use super::{copied, track};
use crate::batch::done_file::{self, DoneError, DoneRow};
use crate::geometry::area::area;
use crate::geometry::frame::map_polygons;
use crate::geometry::overlay::shared_area;
use crate::outputs::dispatch::DoneBefore;
use crate::project::Crew;
use crate::schedule::outlook::Warning;
use crate::sources::{FinishedBlock, FinishedError, FinishedLayout, FinishedSection, finished};

/// Less than a second is nothing.
const LEAST_H: f64 = 1.0 / 3600.0;
/// Uncut ground that overlays of the same edges may leave.
const SPECK_M2: f64 = 1.0;

/// What is left, and what is known of what was done.
pub(super) struct Done {
    /// Hours left of each section.
    pub left: Left,
    pub sum: DoneBefore,
    /// What fits nowhere.
    pub lost: Vec<Warning>,
    /// What people should know of it.
    pub told: Vec<Warning>,
    /// What copies of `shifts.csv` have done; None: there are none.
    pub copied: Option<FormerPlan>,
    /// Wood that they left lying.
    pub lying: Vec<LeftLying>,
}

/// Takes off what tables and tracks say is done.
pub(super) fn left_to_do(
    layout: &FinishedLayout,
    crew: &Crew,
    options: &DispatchOptions,
) -> Result<Done, DispatchError> {
    let hours = |section: &FinishedSection| section.hours;
    let of_block = |block: &FinishedBlock| block.sections.iter().map(hours).collect();
    let mut done = Done {
        left: layout.blocks.iter().map(of_block).collect(),
        sum: DoneBefore::default(),
        lost: vec![],
        told: vec![],
        copied: None,
        lying: vec![],
    };
    let earlier = options.done_of.as_deref().map(|folder| {
        let earlier = finished(folder)?;
        match earlier.crs == layout.crs {
            true => Ok(earlier),
            false => Err(DispatchError::Layout(FinishedError::NoLayout {
                path: folder.to_owned(),
                why: "it is in another work CRS than the layout to dispatch".to_owned(),
            })),
        }
    });
    let earlier = earlier.transpose()?;
    let named = earlier.as_ref().unwrap_or(layout);
    let (mut tasks, mut shortened) = (vec![], 0);
    for path in &options.done {
        let is_copy = copied::is_copy(path);
        let (rows, elsewhere) = match is_copy {
            true => {
                let found = copied::read(path, named, crew)?;
                tasks.extend(found.tasks);
                shortened += found.shortened;
                (found.rows, found.elsewhere)
            }
            false if earlier.is_some() => (done_file::read(path, named)?, vec![]),
            false => done_file::read_known(path, named)?,
        };
        done.sum.rows_elsewhere += elsewhere.len();
        done.lost.extend(elsewhere_told(&elsewhere));
        match (&earlier, is_copy) {
            (Some(earlier), _) => by_ground(layout, earlier, rows, &mut done),
            (None, true) => {}
            (None, false) => by_name(layout, rows, &mut done),
        }
    }
    if shortened > 0 {
        done.told.push(Warning {
            what: format!(
                "{shortened} row(s) of the copied shifts are shorter than what they list takes: so many of their sections count as done as fit in"
            ),
            help: "where more was cut, leave `to` and `hours` as they were and shorten `last_section`".to_owned(),
        });
    }
    if options.done.iter().any(|path| copied::is_copy(path)) {
        let copied = FormerPlan::done(tasks);
        if earlier.is_none() {
            let (sum, lost, lying) = copied.take_done(layout, &mut done.left);
            done.sum.add(&sum);
            done.lost.extend(lost);
            done.lying = lying;
        }
        done.copied = Some(copied);
    }
    track::take_driven(layout, &options.done_track, &mut done)?;
    Ok(done)
}

/// Takes finished hours off; counts a section of which nothing is left.
pub(super) fn take(hours: &mut f64, more: f64, sum: &mut DoneBefore) {
    let was_done = *hours == 0.0;
    let more = more.min(*hours);
    sum.hours += more;
    *hours -= more;
    if *hours < LEAST_H {
        *hours = 0.0;
        sum.sections += usize::from(!was_done);
    }
}

/// The table names sections of this very layout. Rows of others are told and counted: a plan that took the place of another
/// may have no such section any more.
fn by_name(layout: &FinishedLayout, rows: Vec<DoneRow>, done: &mut Done) {
    let begun = rows.iter().find(|row| {
        let some = row.hours.is_some_and(|hours| hours > 0.0);
        some && layout.blocks[row.block].cut_before
    });
    if let Some(row) = begun {
        done.lost.push(Warning {
            what: format!(
                "some of block {} was cut before this layout, and the table of finished sections has hours_done of it",
                layout.blocks[row.block].id
            ),
            help: "hours_done are hours of this layout; begin a new table, or name with --done-of the layout of the old one"
                .to_owned(),
        });
    }
    for row in rows {
        if let Some(hours) = &mut done.left[row.block][row.section] {
            take(hours, row.hours.unwrap_or(*hours), &mut done.sum);
        }
    }
}

fn elsewhere_told(rows: &[DoneError]) -> Option<Warning> {
    let first = rows.first()?;
    let line = first.line.map(|line| format!(" (line {line})"));
    Some(Warning {
        what: format!(
            "{} row(s) of finished sections are of none that this layout has and are passed over; the first{}: {}",
            rows.len(),
            line.unwrap_or_default(),
            first.why
        ),
        help: "where they are of the plan before this one, name its folder with --done-of; else correct them"
            .to_owned(),
    })
}

/// The table names sections of an earlier layout: what is done is its ground, whatever has its name now.
fn by_ground(
    layout: &FinishedLayout,
    earlier: &FinishedLayout,
    rows: Vec<DoneRow>,
    all: &mut Done,
) {
    let index: BTreeMap<&str, usize> = (layout.blocks.iter().enumerate())
        .map(|(at, block)| (block.id.as_str(), at))
        .collect();
    let mut lost: Vec<&str> = vec![];
    let mut ground: BTreeMap<usize, Vec<(MultiPolygon, f64)>> = BTreeMap::new();
    for row in rows {
        let (block, section) = (
            &earlier.blocks[row.block],
            &earlier.blocks[row.block].sections[row.section],
        );
        let Some(&at) = index.get(block.id.as_str()) else {
            all.sum.rows_elsewhere += 1;
            lost.push(&block.id);
            continue;
        };
        let share = match (row.hours, section.hours) {
            (None, _) => 1.0,
            (Some(done), Some(all)) if all > 0.0 => (done / all).min(1.0),
            (Some(_), _) => 0.0,
        };
        let now = &layout.blocks[at].frame;
        let shape = map_polygons(&section.shape, |c| {
            now.enter(now.read(block.frame.leave(c)))
        });
        ground.entry(at).or_default().push((shape, share));
    }
    for (at, done) in ground {
        for (section, hours) in layout.blocks[at].sections.iter().zip(&mut all.left[at]) {
            let (Some(hours), Some(here)) = (hours, section.shape.bounding_rect()) else {
                continue;
            };
            let near = done.iter().filter(|(shape, _)| {
                let there = shape.bounding_rect();
                there.is_some_and(|there| there.intersects(&here))
            });
            let done_m2: f64 = near
                .map(|(shape, share)| share * shared_area(&section.shape, &shape.0))
                .sum();
            let whole_m2 = area(&section.shape);
            let share = match whole_m2 - done_m2 < SPECK_M2 {
                true => 1.0,
                false => (done_m2 / whole_m2).min(1.0),
            };
            if done_m2 >= SPECK_M2 {
                take(hours, share * *hours, &mut all.sum);
            }
        }
    }
    all.lost.extend(lost.first().map(|first| Warning {
        what: format!(
            "{} row(s) of finished sections are of blocks that this layout does not have, the first of block {first}",
            lost.len()
        ),
        help: "nothing needs to be done if these blocks are finished".to_owned(),
    }));
}
