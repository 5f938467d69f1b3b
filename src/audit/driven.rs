//! Where the machine drove against where it was planned to: trails beside those of the plan, lines that nobody drove, and
//! crossings that the plan does not use.

use geo::{Coord, LineString};

use super::cut::{BlockCut, CutInput};
use super::row::{Judged, ROUNDING_M, row, shown};
use super::scene::Scene;
use crate::geometry::buffer::Source;
use crate::geometry::distance::{SegmentIndex, line_segments};
use crate::landbase::{Crossing, crossings};
use crate::model::{RuleId, Verdict};

/// Ways are asked this often how far off they are.
const STEP_M: f64 = 1.0;

/// A way in steps: the middle of each, and its length.
fn steps(line: &LineString) -> impl Iterator<Item = (Coord, f64)> {
    line.0.windows(2).flat_map(|w| {
        let along = w[1] - w[0];
        let long_m = along.x.hypot(along.y);
        let count = (long_m / STEP_M).ceil().max(1.0);
        let middle = move |step: u32| w[0] + along * ((f64::from(step) + 0.5) / count);
        (0..count as u32).map(move |step| (middle(step), long_m / count))
    })
}

/// What of some ways lies farther than a distance from all others.
#[derive(Default)]
struct Off {
    off_m: f64,
    all_m: f64,
    /// The farthest place, and how far off it is.
    worst: Option<(f64, Coord)>,
}

fn off<'l>(
    ways: impl Iterator<Item = &'l LineString>,
    from: &SegmentIndex,
    within_m: f64,
    may_be: impl Fn(Coord) -> bool,
) -> Off {
    let mut found = Off::default();
    for (at, long_m) in ways.flat_map(steps) {
        found.all_m += long_m;
        if from.distance(at, within_m + ROUNDING_M).is_some() || may_be(at) {
            continue;
        }
        found.off_m += long_m;
        let away_m = from.distance(at, f64::MAX / 4.0).unwrap_or(f64::INFINITY);
        if found.worst.is_none_or(|(most_m, _)| away_m > most_m) {
            found.worst = Some((away_m, at));
        }
    }
    found
}

/// How often ways go over a crossing: over the line square to it in its middle, as wide as it is.
fn passes<'l>(over: &Crossing, wide_m: f64, ways: impl Iterator<Item = &'l LineString>) -> u64 {
    let Some((middle, heading)) = middle(&over.line) else {
        return 0;
    };
    let to_side = Coord {
        x: -heading.y,
        y: heading.x,
    };
    let place = |at: Coord| {
        let off = at - middle;
        let along = off.x * heading.x + off.y * heading.y;
        let beside = off.x * to_side.x + off.y * to_side.y;
        (along, beside)
    };
    let is_over = |w: &&[Coord]| {
        let ((from, a), (to, b)) = (place(w[0]), place(w[1]));
        if (from > 0.0) == (to > 0.0) {
            return false;
        }
        let share = from / (from - to);
        (a + (b - a) * share).abs() <= wide_m / 2.0
    };
    let pairs = ways.flat_map(|way| way.0.windows(2));
    pairs.filter(is_over).count() as u64
}

/// The place half way along a line, and where it heads there.
fn middle(line: &LineString) -> Option<(Coord, Coord)> {
    let long = |w: &[Coord]| (w[1] - w[0]).x.hypot((w[1] - w[0]).y);
    let mut rest_m = line.0.windows(2).map(long).sum::<f64>() / 2.0;
    for w in line.0.windows(2) {
        let own_m = long(w);
        if own_m >= rest_m && own_m > 0.0 {
            let heading = (w[1] - w[0]) / own_m;
            return Some((w[0] + heading * rest_m, heading));
        }
        rest_m -= own_m;
    }
    None
}

/// `C-2 (3 ×)`.
fn times(id: &str, count: u64) -> String {
    format!("{id} ({count} ×)")
}

impl Scene<'_> {
    /// Of tracks beside a plan with lines: three rows.
    pub(super) fn driven(&self, plan: &BlockCut) -> Vec<Judged> {
        if self.given.input != CutInput::Tracks || plan.lines.is_empty() || self.lines.is_empty() {
            return vec![];
        }
        let frame = &self.block.frame;
        let lines: Vec<LineString> = (plan.lines.iter())
            .map(|line| frame.enter_line(&line.shape))
            .collect();
        let others: Vec<LineString> = (plan.travel.iter().chain(&plan.trails))
            .map(|way| frame.enter_line(way))
            .collect();
        let planned: Vec<LineString> = lines.iter().chain(&others).cloned().collect();
        let mut rows = vec![self.driven_beyond(&planned), self.planned_undriven(&lines)];
        rows.extend(self.crossings_driven(&planned));
        rows
    }

    /// A track keeps to the plan where some of the ground under the machine is that of a planned way.
    fn keeps_within_m(&self) -> f64 {
        self.context.settings.machine.half_width_m + self.context.limit_m()
    }

    fn driven_beyond(&self, planned: &[LineString]) -> Judged {
        let index = SegmentIndex::new(line_segments(planned, 0).collect());
        let roads: Vec<(SegmentIndex, f64, &Source)> = (self.near.iter())
            .filter(|near| near.is_open_road())
            .map(|near| (near.source.index(), near.demand.half_m, &near.source))
            .collect();
        let on_road = |at: Coord| {
            let mut roads = roads.iter();
            roads.any(|(road, half_m, source)| {
                road.distance(at, *half_m).is_some() || source.contains(at)
            })
        };
        let within_m = self.keeps_within_m();
        let found = off(self.lines.iter(), &index, within_m, on_road);
        let verdict = match found.worst {
            Some((away_m, _)) => (
                Verdict::Warn,
                format!(
                    "beyond tolerance: up to {away_m:.1} m beside every line, way and trail of the plan, of {:.0} m driven",
                    found.all_m
                ),
            ),
            None => (Verdict::Pass, String::new()),
        };
        let named = RuleId::DrivenBeyondPlan.named();
        let figures = (Some(0.0), Some(found.off_m));
        let mut judged = row(
            named,
            figures.0,
            figures.1,
            None,
            verdict,
            "the plan given".into(),
        );
        judged.row.short = Some(shown(found.off_m));
        judged.at(found.worst.map(|(_, at)| at))
    }

    fn planned_undriven(&self, lines: &[LineString]) -> Judged {
        let index = SegmentIndex::new(line_segments(&self.lines, 0).collect());
        let found = off(lines.iter(), &index, self.keeps_within_m(), |_| false);
        let words = format!("for information: {:.0} m of lines are planned", found.all_m);
        let named = RuleId::PlannedUndriven.named();
        let judged = row(
            named,
            Some(0.0),
            Some(found.off_m),
            None,
            (Verdict::NotApplicable, words),
            "the plan given".into(),
        );
        judged.at(found.worst.map(|(_, at)| at))
    }

    /// Crossings that the tracks use and no way of the plan does; None: no crossing is near.
    fn crossings_driven(&self, planned: &[LineString]) -> Option<Judged> {
        let over = crossings(self.near, self.context.settings.layout.crossing_width_m);
        if over.is_empty() {
            return None;
        }
        let more_m = 2.0 * self.context.limit_m();
        let (mut beyond, mut used, mut unused) = (vec![], vec![], vec![]);
        for own in &over {
            let wide_m = own.width_m + more_m;
            let driven = passes(own, wide_m, self.lines.iter());
            let is_planned = passes(own, wide_m, planned.iter()) > 0;
            match (driven, is_planned) {
                (0, true) => unused.push(own.id.clone()),
                (0, false) => {}
                (count, true) => used.push(times(&own.id, count)),
                (count, false) => beyond.push((own, times(&own.id, count))),
            }
        }
        let place = beyond.first().and_then(|(own, _)| middle(&own.line));
        let mut words = Vec::new();
        let listed: Vec<String> = beyond.iter().map(|(_, words)| words.clone()).collect();
        for (what, which) in [
            ("driven over although the plan has no way there", &listed),
            ("driven over as planned", &used),
            ("planned and not driven over", &unused),
        ] {
            if !which.is_empty() {
                words.push(format!("{what}: {}", which.join(", ")));
            }
        }
        let status = match beyond.is_empty() {
            true => Verdict::Pass,
            false => Verdict::Warn,
        };
        let named = RuleId::CrossingBeyondPlan.named();
        let judged = row(
            named,
            Some(0.0),
            Some(beyond.len() as f64),
            None,
            (status, words.join("; ")),
            "the plan given".into(),
        );
        Some(judged.at(place.map(|(at, _)| at)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(places: &[(f64, f64)]) -> LineString {
        places.iter().copied().collect()
    }

    /// By hand: of 100 m driven 4 m beside a line 60 m long, 40 m lead beyond its end; 3 m are allowed at first, then 5.
    #[test]
    fn what_is_driven_beside_a_line_is_counted_by_the_metre() {
        let planned = [line(&[(0., 0.), (60., 0.)])];
        let index = SegmentIndex::new(line_segments(&planned, 0).collect());
        let track = [line(&[(0., 4.), (100., 4.)])];
        let found = off(track.iter(), &index, 3.0, |_| false);
        assert!((found.off_m - 100.0).abs() < 1e-9);
        let found = off(track.iter(), &index, 5.0, |_| false);
        // From x = 63 on it is more than 5 m off: 37 m, to a step.
        assert!((found.off_m - 37.0).abs() <= 1.0, "{}", found.off_m);
        let (away_m, at) = found.worst.unwrap();
        assert!((away_m - 39.5f64.hypot(4.0)).abs() < 1e-9 && at.x == 99.5);
        let on_road = |at: Coord| at.x > 80.0;
        let found = off(track.iter(), &index, 5.0, on_road);
        assert!((found.off_m - 17.0).abs() <= 1.0, "{}", found.off_m);
    }

    #[test]
    fn a_crossing_is_driven_over_where_its_middle_is_passed() {
        let over = Crossing {
            id: "C-1".to_owned(),
            class: None,
            source_layer: "crossings".to_owned(),
            width_m: 6.0,
            beneath: vec![],
            line: line(&[(0., -20.), (0., 20.)]),
            shape: vec![],
            lane: vec![],
        };
        let count = |places: &[(f64, f64)]| passes(&over, 6.0, std::iter::once(&line(places)));
        assert_eq!(count(&[(1., -30.), (1., 30.)]), 1);
        assert_eq!(count(&[(1., -30.), (2., 5.), (-2., -5.)]), 2);
        // Along the bank, at its end, and 4 m beside it.
        assert_eq!(count(&[(-30., -18.), (30., -18.)]), 0);
        assert_eq!(count(&[(4., -30.), (4., 30.)]), 0);
    }
}
