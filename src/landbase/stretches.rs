//! Cuts the edge of a feature whose distances follow the slope into stretches that each ask for one set of distances.

use geo::{Coord, LineString, MultiLineString};

use super::slope::{GroundRun, Slope, Slopes};
use crate::geometry::area::rings;
use crate::geometry::buffer::Source;
use crate::rulebook::{RuleLine, Widths};

/// A part of a feature's edge with one set of distances.
#[derive(Clone)]
pub struct Stretch {
    pub source: Source,
    pub widths: Widths,
    /// Steepest slope of the ground along it, rise over run; None: not known of all of it.
    pub slope: Option<f64>,
}

/// Distances that take any value are rounded up to the next step, or a stream would fall into hundreds of pieces.
pub const STEP_M: f64 = 0.5;

/// The stretches of one feature and what of its edge lies on ground of unknown slope.
pub(super) struct Cut {
    pub stretches: Vec<Stretch>,
    pub unknown: Option<Source>,
}

/// Cuts lines and rings at the changes of slope; a polygon stays whole at the least distances, and what asks for more
/// is added as lines along its edge.
pub(super) fn cut(source: &Source, rule: &RuleLine, slopes: &Slopes) -> Cut {
    let mut pieces = Pieces {
        rule,
        groups: vec![],
        unknown: vec![],
    };
    match source {
        Source::Points(points) => {
            for &point in points {
                pieces.line(slopes, &[point]);
            }
        }
        Source::Lines(lines) => {
            for line in &lines.0 {
                pieces.line(slopes, &line.0);
            }
        }
        Source::Polygons(polygons) => {
            for ring in polygons.0.iter().flat_map(rings) {
                pieces.line(slopes, &ring.0);
            }
        }
    }
    pieces.finish(source)
}

/// Pieces of the edge by what they ask for.
struct Pieces<'r> {
    rule: &'r RuleLine,
    groups: Vec<Group>,
    unknown: Vec<LineString>,
}

struct Group {
    widths: Widths,
    /// None: not known of all of it.
    steepest: Option<f64>,
    pieces: Vec<LineString>,
}

impl Pieces<'_> {
    /// One line, or one point.
    fn line(&mut self, slopes: &Slopes, coords: &[Coord]) {
        let single = [coords.first().copied(), coords.first().copied()];
        let single: Vec<Coord> = single.into_iter().flatten().collect();
        let segments = if coords.len() == 1 { &single } else { coords };
        // The piece being drawn, by its group, and the piece of unknown ground.
        let mut open: Option<(usize, Vec<Coord>)> = None;
        let mut unknown: Vec<Coord> = vec![];
        for segment in segments.windows(2) {
            if segment[0] == segment[1] && coords.len() > 1 {
                continue;
            }
            // Two runs of one segment that ask for the same are one straight line.
            let mut first = true;
            for run in slopes.along(segment[0], segment[1]) {
                let group = self.group(&run);
                match &mut open {
                    Some((own, piece)) if *own == group => lengthen(piece, run.b, first),
                    _ => {
                        self.close(open.take());
                        open = Some((group, vec![run.a, run.b]));
                    }
                }
                if run.slope != Slope::Unknown {
                    self.unknown.extend(ended(&mut unknown));
                } else if unknown.is_empty() {
                    unknown.extend([run.a, run.b]);
                } else {
                    lengthen(&mut unknown, run.b, first);
                }
                first = false;
            }
        }
        self.close(open);
        self.unknown.extend(ended(&mut unknown));
    }

    fn close(&mut self, open: Option<(usize, Vec<Coord>)>) {
        if let Some((group, mut piece)) = open {
            self.groups[group].pieces.extend(ended(&mut piece));
        }
    }

    fn group(&mut self, run: &GroundRun) -> usize {
        let widths = rounded(run.slope.widths(self.rule), self.rule);
        let steepest = run.slope.steepest();
        if let Some(index) = self.groups.iter().position(|g| g.widths == widths) {
            let held = &mut self.groups[index].steepest;
            *held = held.zip(steepest).map(|(a, b)| a.max(b));
            return index;
        }
        self.groups.push(Group {
            widths,
            steepest,
            pieces: vec![],
        });
        self.groups.len() - 1
    }

    fn finish(mut self, source: &Source) -> Cut {
        let key = |w: &Widths| [w.reserve_m, w.management_m, w.machine_exclusion_m];
        self.groups.sort_by(|a, b| {
            let (a, b) = (key(&a.widths), key(&b.widths));
            a.iter()
                .zip(&b)
                .map(|(a, b)| a.total_cmp(b))
                .find(|order| order.is_ne())
                .unwrap_or(std::cmp::Ordering::Equal)
        });
        let unknown = (!self.unknown.is_empty()).then(|| of_kind(source, self.unknown));
        let least = self.groups.iter().map(|group| group.widths).reduce(less);
        let mut stretches = Vec::with_capacity(self.groups.len() + 1);
        if let (Some(widths), true) = (least, matches!(source, Source::Polygons(_))) {
            let slopes = self.groups.iter().map(|group| group.steepest);
            stretches.push(Stretch {
                source: source.clone(),
                widths,
                slope: slopes.reduce(|a, b| Some(a?.max(b?))).flatten(),
            });
            self.groups.retain(|group| group.widths != widths);
        }
        stretches.extend(self.groups.into_iter().map(|group| Stretch {
            source: of_kind(source, group.pieces),
            widths: group.widths,
            slope: group.steepest,
        }));
        Cut { stretches, unknown }
    }
}

fn lengthen(piece: &mut Vec<Coord>, to: Coord, new_segment: bool) {
    match piece.last_mut().filter(|_| !new_segment) {
        Some(last) => *last = to,
        None => piece.push(to),
    }
}

/// What has been drawn of a piece; empties it.
fn ended(piece: &mut Vec<Coord>) -> Option<LineString> {
    (!piece.is_empty()).then(|| LineString(std::mem::take(piece)))
}

/// Pieces of points are points, pieces of lines and rings are lines.
fn of_kind(source: &Source, pieces: Vec<LineString>) -> Source {
    match source {
        Source::Points(_) => Source::Points(
            pieces
                .iter()
                .filter_map(|piece| piece.0.first().copied())
                .collect(),
        ),
        Source::Lines(_) | Source::Polygons(_) => Source::Lines(MultiLineString(pieces)),
    }
}

fn less(a: Widths, b: Widths) -> Widths {
    Widths {
        reserve_m: a.reserve_m.min(b.reserve_m),
        management_m: a.management_m.min(b.management_m),
        machine_exclusion_m: a.machine_exclusion_m.min(b.machine_exclusion_m),
    }
}

/// Rounded up to the step where distances take any value, but never beyond the rule's widest.
fn rounded(widths: Widths, rule: &RuleLine) -> Widths {
    if !rule.is_continuous() {
        return widths;
    }
    let up = |width_m: f64, widest_m: f64| ((width_m / STEP_M).ceil() * STEP_M).min(widest_m);
    let widest = rule.widest();
    Widths {
        reserve_m: up(widths.reserve_m, widest.reserve_m),
        management_m: up(widths.management_m, widest.management_m),
        machine_exclusion_m: up(widths.machine_exclusion_m, widest.machine_exclusion_m),
    }
}
