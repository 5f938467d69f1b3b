//! Machine hours of each section: its trees by the time model, and the turns and the travel that lead to it.

use geo::{LineString, MultiPolygon};

use super::growth::{Felled, Growth};
use super::hours::ADVANCE_M;
use super::strips::ASSUMED_TREE_M3;
use crate::geometry::area::{area, length};
use crate::geometry::distance::{boundary_segments, inside, point_segment};
use crate::landbase::Slopes;
use crate::model::{Machine, PieceId, Production, Section, StripLine, TimeParts, WorkDone};

/// How far in a line is asked in which section it begins.
const BEGIN_M: f64 = 0.01;

/// What a section's hours rest on.
pub struct SectionTime {
    /// Under the machine, as far as it is known; rise over run.
    pub slope: Option<f64>,
    /// None where hours are not known. Skidding is not in it.
    pub parts: Option<TimeParts>,
}

/// What a section's ground holds, whatever is done before it.
#[derive(Clone)]
pub struct Standing {
    slope: Option<f64>,
    driven_m: f64,
    tree_height_m: Option<f64>,
    felled: Option<Felled>,
}

impl Standing {
    /// `driven` are the machine's ways through the ground.
    pub fn on(
        shape: &MultiPolygon,
        driven: &[LineString],
        (production, machine): (&Production, &Machine),
        growth: &Growth<'_>,
        slopes: &Slopes<'_>,
    ) -> Standing {
        let driven_m = driven.iter().map(length).fold(0.0, |sum, m| sum + m);
        let path_m2 = driven_m * 2.0 * machine.half_width_m;
        let path = (path_m2 / area(shape).max(1e-9)).min(1.0);
        Standing {
            slope: mean_slope(slopes, driven),
            driven_m,
            tree_height_m: growth.tree_height_m(shape, production.bunch_length_m),
            felled: growth.felled(shape, path),
        }
    }
}

/// Fills in trees, volume and hours, and gives what they rest on. `standing` is of each section; `lines` the working order,
/// with the slope across each. Where nobody says how large trees are, [`ASSUMED_TREE_M3`] stands in for the time alone.
pub fn fill(
    (production, machine): (&Production, &Machine),
    standing: &[&Standing],
    lines: &[StripLine],
    sections: &mut [Section],
) -> Vec<SectionTime> {
    let mut times: Vec<SectionTime> = (standing.iter())
        .map(|standing| SectionTime {
            slope: standing.slope,
            parts: None,
        })
        .collect();
    let mut empty_s = vec![0.0; sections.len()];
    let mut travel_m = 0.0;
    for line in lines {
        if let Some(begun) = begun_in(line, sections) {
            empty_s[begun] +=
                production.seconds_per_turn + 60.0 * travel_m / production.travel_m_per_min;
        }
        travel_m = line.travel_to_next_m.unwrap_or(0.0);
    }
    for (((section, standing), time), empty_s) in (sections.iter_mut().zip(standing))
        .zip(&mut times)
        .zip(empty_s)
    {
        section.tree_height_m = standing.tree_height_m;
        let Some(felled) = &standing.felled else {
            continue;
        };
        section.treated = felled.treated;
        section.bunch_share = felled.bunch_share;
        let again = machine.head_most_factor - 1.0;
        section.trees = Some(felled.trees);
        section.volume_m3 = felled.volume_m3;
        let work = WorkDone {
            trees: felled.trees,
            volume_m3: (felled.volume_m3).unwrap_or(felled.trees * ASSUMED_TREE_M3),
            again: felled.large.map(|large| large * again),
            slope: time.slope.unwrap_or(0.0),
            across: mean_across(section.id, lines).unwrap_or(0.0),
            advances: standing.driven_m / ADVANCE_M,
            bunch_share: felled.bunch_share,
        };
        let published = TimeParts {
            empty_s,
            ..production.work_parts(&work)
        };
        let parts = published * production.time.factor();
        section.hours = Some((parts.work_s() + parts.empty_s) / 3600.0);
        time.parts = Some(parts);
    }
    times
}

/// The section in which a line begins: where the machine turns in, and where its travel ends.
fn begun_in(line: &StripLine, sections: &[Section]) -> Option<usize> {
    // A little in, since the first place may lie on the line between two sections.
    let (first, next) = (*line.shape.0.first()?, *line.shape.0.get(1)?);
    let step = next - first;
    let start = first + step * (BEGIN_M / step.x.hypot(step.y)).min(1.0);
    let off_m = |shape: &MultiPolygon| {
        if inside(start, shape) {
            return 0.0;
        }
        boundary_segments(shape, 0)
            .map(|edge| point_segment(start, edge.a, edge.b))
            .fold(f64::INFINITY, f64::min)
    };
    let own = sections
        .iter()
        .enumerate()
        .filter(|(_, section)| section.id == line.id);
    own.map(|(index, section)| (index, off_m(&section.shape)))
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(index, _)| index)
}

/// Mean slope of the ground under the machine's ways, as far as it is known.
fn mean_slope(slopes: &Slopes<'_>, driven: &[LineString]) -> Option<f64> {
    let (mut sum, mut known_m) = (0.0, 0.0);
    for w in driven.iter().flat_map(|way| way.0.windows(2)) {
        for run in slopes.along(w[0], w[1]) {
            if let Some(slope) = run.slope.steepest() {
                let length_m = (run.b.x - run.a.x).hypot(run.b.y - run.a.y);
                sum += slope * length_m;
                known_m += length_m;
            }
        }
    }
    (known_m > 0.0).then(|| sum / known_m)
}

/// Mean slope across the lines of a piece, by length, as far as it is known.
fn mean_across(id: PieceId, lines: &[StripLine]) -> Option<f64> {
    let (mut sum, mut known_m) = (0.0, 0.0);
    for line in lines.iter().filter(|line| line.id == id) {
        if let Some(across) = line.cross_slope {
            let length_m = length(&line.shape);
            sum += across * length_m;
            known_m += length_m;
        }
    }
    (known_m > 0.0).then(|| sum / known_m)
}
