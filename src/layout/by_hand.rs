//! What a planner fixed beside the settings themselves: lines of strips, their way, and the order of settings.

use geo::{Coord, Geometry, LineString, MultiLineString, MultiPolygon, Polygon};

use super::setting::Setting;
use super::strips::{GivenLine, Part};
use super::{Context, LayoutError};
use crate::geometry::area::length;
use crate::geometry::buffer::Source;
use crate::geometry::distance::point_segment;
use crate::geometry::frame::{Frame, azimuth_deg};
use crate::geometry::overlay::clip_lines;
use crate::landbase::NearFeature;
use crate::model::{
    Azimuth, AzimuthFrom, BlockPlan, Facts, Finding, LayerKind, PartNote, SourceBlock, StripKind,
    StripLine, Verdict,
};

/// A strip is straight: a line that bends farther than this from the way between its ends, or that runs so far from the way
/// of its setting's first, is not followed; metres, own judgement.
const OFF_M: f64 = 1.0;
/// Shorter stretches of a line are slips of the hand, m.
const SLIP_M: f64 = 5.0;

/// What is fixed in one setting.
#[derive(Clone, Debug, Default)]
pub struct ByHand {
    /// As its polygon says, degrees clockwise from grid north.
    pub stated_deg: Option<f64>,
    /// What has less is cut first.
    pub order: Option<f64>,
    /// All of them run the same way, within [`OFF_M`].
    pub lines: Vec<DrawnLine>,
}

/// A straight line that a strip is to run along.
#[derive(Clone, Debug)]
pub struct DrawnLine {
    pub id: String,
    pub ends: [Coord; 2],
    pub order: Option<f64>,
}

impl DrawnLine {
    fn long_m(&self) -> f64 {
        let along = self.ends[1] - self.ends[0];
        along.x.hypot(along.y)
    }

    fn azimuth_deg(&self) -> f64 {
        azimuth_deg(self.ends[1] - self.ends[0])
    }

    /// Where it lies across a frame whose y is the way of strips, on the mean of both ends.
    fn x(&self, frame: &Frame) -> f64 {
        let [a, b] = self.ends.map(|end| frame.enter(end).x);
        (a + b) / 2.0
    }

    fn along(&self, frame: &Frame) -> [f64; 2] {
        let [a, b] = self.ends.map(|end| frame.enter(end).y);
        [a.min(b), a.max(b)]
    }

    fn off_m(&self, frame: &Frame) -> f64 {
        let [a, b] = self.ends.map(|end| frame.enter(end).x);
        (a - b).abs() / 2.0
    }
}

impl ByHand {
    /// The way of its strips, where it is fixed: that of its longest line, else the one stated.
    pub fn azimuth_deg(&self) -> Option<f64> {
        self.longest()
            .map(DrawnLine::azimuth_deg)
            .or(self.stated_deg)
    }

    fn longest(&self) -> Option<&DrawnLine> {
        let longer = |a: &&DrawnLine, b: &&DrawnLine| a.long_m().total_cmp(&b.long_m());
        // Of lines as long as each other the first.
        self.lines.iter().rev().max_by(longer)
    }

    /// The way of strips, and who says so: what is drawn for a setting goes before what is said of its block, and that before
    /// what the project says.
    pub fn azimuth(
        &self,
        of_block_deg: Option<f64>,
        of_project: Azimuth,
    ) -> (Azimuth, AzimuthFrom) {
        if let Some(line) = self.longest() {
            return (Azimuth::Degrees(line.azimuth_deg()), AzimuthFrom::StripLine);
        }
        if let Some(degrees) = self.stated_deg {
            return (Azimuth::Degrees(degrees), AzimuthFrom::Setting);
        }
        match (of_block_deg, of_project) {
            (Some(degrees), _) => (Azimuth::Degrees(degrees), AzimuthFrom::Block),
            (None, Azimuth::Auto) => (Azimuth::Auto, AzimuthFrom::Cost),
            (None, said) => (said, AzimuthFrom::Project),
        }
    }

    /// Lines across a frame, from left to right.
    pub fn given(&self, frame: &Frame) -> Vec<GivenLine> {
        let mut given: Vec<GivenLine> = (self.lines.iter())
            .map(|line| GivenLine {
                id: line.id.clone(),
                x: line.x(frame),
                along: line.along(frame),
                order: line.order,
            })
            .collect();
        given.sort_by(|a, b| a.x.total_cmp(&b.x));
        given
    }
}

/// The place in the order of work, and the way of strips, that a feature states.
pub fn stated(facts: &Facts) -> ByHand {
    ByHand {
        stated_deg: facts.number(Facts::AZIMUTH),
        order: facts.number(Facts::ORDER),
        lines: vec![],
    }
}

fn finding(verdict: Verdict, metres: Option<f64>, message: String, shape: Geometry) -> Finding {
    Finding {
        rule_id: "strip-line".to_owned(),
        verdict,
        measured: metres,
        required: None,
        unit: if metres.is_some() { "m" } else { "" },
        message,
        source: "docs/project-file.md, A planner's hand".to_owned(),
        shape: Some(shape),
    }
}

/// Gives each strip line to the setting in which most of it lies, and tells what of it cannot be followed.
pub fn assign(
    context: Context<'_>,
    block: &MultiPolygon,
    near: &[NearFeature],
    settings: &mut [(usize, Setting)],
) -> Vec<Finding> {
    let mut findings = Vec::new();
    for feature in near {
        let (Source::Lines(lines), LayerKind::StripLines) = (&feature.source, feature.feature.kind)
        else {
            continue;
        };
        let order = feature.feature.facts.number(Facts::ORDER);
        for line in &lines.0 {
            let own = One {
                id: &feature.feature.id,
                line,
                order,
            };
            own.assign(context, block, settings, &mut findings);
        }
    }
    for (_, setting) in settings {
        if setting.by_hand.azimuth_deg().is_some() {
            // What was chosen for its division goes after what was drawn.
            setting.choice = None;
        }
    }
    findings
}

struct One<'l> {
    id: &'l str,
    line: &'l LineString,
    order: Option<f64>,
}

impl One<'_> {
    fn assign(
        &self,
        context: Context<'_>,
        block: &MultiPolygon,
        settings: &mut [(usize, Setting)],
        findings: &mut Vec<Finding>,
    ) {
        let (id, line) = (self.id, self.line);
        let mut tell = |verdict, metres: Option<f64>, message: String| {
            let shape = Geometry::LineString(line.clone());
            findings.push(finding(verdict, metres, message, shape));
        };
        let within_m = |shapes: &[Polygon]| -> f64 {
            let inside = clip_lines(&MultiLineString(vec![line.clone()]), shapes, true);
            inside.0.iter().map(length).sum()
        };
        let in_block_m = within_m(&block.0);
        let (Some(&first), Some(&last)) = (line.0.first(), line.0.last()) else {
            return;
        };
        if in_block_m < SLIP_M {
            return;
        }
        let own_m =
            |(_, setting): &(usize, Setting)| within_m(std::slice::from_ref(&setting.shape));
        let lengths: Vec<f64> = settings.iter().map(own_m).collect();
        let worked_m: f64 = lengths.iter().sum();
        let most = (0..lengths.len())
            .rev()
            .max_by(|&a, &b| lengths[a].total_cmp(&lengths[b]));
        let Some(most) = most.filter(|&most| lengths[most] >= SLIP_M) else {
            let message = format!(
                "strip line {id} is not followed: it lies on ground that is not worked (reserved, left, or no machine gets there)"
            );
            tell(Verdict::Warn, Some(in_block_m), message);
            return;
        };
        let bend_m = line
            .0
            .iter()
            .map(|&corner| point_segment(corner, first, last));
        let bend_m = bend_m.fold(0.0, f64::max);
        if bend_m > OFF_M {
            let message = format!(
                "strip line {id} is not followed: it bends {bend_m:.1} m from the straight way between its ends, and strips are \
                 straight; draw a line for each straight strip, in settings of their own"
            );
            tell(Verdict::Warn, Some(bend_m), message);
            return;
        }
        let own = DrawnLine {
            id: id.to_owned(),
            ends: [first, last],
            order: self.order,
        };
        let by_hand = &mut settings[most].1.by_hand;
        let mut with = by_hand.clone();
        with.lines.push(own);
        let way = with.azimuth_deg().unwrap_or_default();
        let frame = Frame::new(way);
        let stray = with.lines.iter().find(|line| line.off_m(&frame) > OFF_M);
        if let Some(stray) = stray {
            let message = format!(
                "strip line {id} is not followed: strips of a setting run the same way, and {} runs {:.1} m from that of the \
                 longest; draw a setting of its own for it",
                stray.id,
                stray.off_m(&frame)
            );
            tell(Verdict::Warn, Some(stray.off_m(&frame)), message);
            return;
        }
        let least_m = context.settings.machine.strip_width_m() / 2.0;
        let mine = with.lines[with.lines.len() - 1].x(&frame);
        let near = by_hand
            .lines
            .iter()
            .find(|other| (other.x(&frame) - mine).abs() < least_m);
        if let Some(other) = near {
            let apart_m = (other.x(&frame) - mine).abs();
            let message = format!(
                "strip line {id} is not followed: strip line {} lies {apart_m:.1} m beside it, and lines keep {least_m:.1} m, half \
                 a strip, apart",
                other.id
            );
            tell(Verdict::Warn, Some(apart_m), message);
            return;
        }
        *by_hand = with;
        let elsewhere_m = worked_m - lengths[most];
        if elsewhere_m >= SLIP_M {
            let message = format!(
                "strip line {id} is followed in the setting in which most of it lies; {elsewhere_m:.0} m of it lie in other ones, \
                 and are not"
            );
            tell(Verdict::NotApplicable, Some(elsewhere_m), message);
        }
        let unworked_m = in_block_m - worked_m;
        if unworked_m >= SLIP_M {
            let message = format!(
                "{unworked_m:.0} m of strip line {id} lie on ground that is not worked, and are not driven"
            );
            tell(Verdict::NotApplicable, Some(unworked_m), message);
        }
    }
}

/// What of a plan was fixed for its block, in words; empty: nothing was.
pub fn fixed(block: &SourceBlock, plan: &BlockPlan) -> Vec<String> {
    let list = |what: &str, ids: Vec<&str>| {
        let mut seen = Vec::new();
        for id in ids {
            if !seen.contains(&id) {
                seen.push(id);
            }
        }
        (!seen.is_empty()).then(|| format!("{what} {}", seen.join(", ")))
    };
    let parts = plan.parts.iter();
    let drawn = parts.clone().filter_map(|part| part.drawn.as_deref());
    let lines = parts.clone().flat_map(|part| part.strip_lines.iter());
    let mut of_block = parts.filter(|part| part.azimuth_from == AzimuthFrom::Block);
    let outlets = block.outlets.iter().map(String::as_str);
    let all = [
        of_block.next().map(|_| "the block's azimuth".to_owned()),
        list("the block's outlets", outlets.collect()),
        list("settings", drawn.collect()),
        list("strip lines", lines.map(|(id, _)| id.as_str()).collect()),
    ];
    all.into_iter().flatten().collect()
}

/// Layers in which a planner fixes something.
pub const KINDS: [LayerKind; 2] = [LayerKind::Settings, LayerKind::StripLines];

/// The block without what a planner fixed of it.
pub fn freed(block: &SourceBlock) -> SourceBlock {
    SourceBlock {
        azimuth_deg: None,
        outlets: vec![],
        windows: Default::default(),
        accuracy: Default::default(),
        emergency: Default::default(),
        place: None,
        ..block.clone()
    }
}

/// Scheduled felling and skidding hours of a plan.
fn hours(plan: &BlockPlan) -> Option<f64> {
    let cost = plan.cost();
    Some(cost.felling_hours? + cost.skidding_hours?)
}

/// What is fixed, beside the free choice.
pub fn compared(
    fixed: &[String],
    plan: &BlockPlan,
    free: Result<BlockPlan, LayoutError>,
) -> Finding {
    let what = format!("fixed by hand: {}", fixed.join("; "));
    let (measured, message) = match (&free, hours(plan)) {
        (Err(error), _) => (
            None,
            format!("{what}; without that the block could not be laid out: {error}"),
        ),
        (Ok(free), Some(own_h)) if hours(free).is_some() => {
            let free_h = hours(free).unwrap_or_default();
            let more_h = own_h - free_h;
            let percent = 100.0 * more_h / free_h.max(1e-9);
            let message = format!(
                "{what}; felling and skidding take {own_h:.1} h, and {free_h:.1} h by the free choice ({more_h:+.1} h, \
                 {percent:+.1} %)"
            );
            (Some(more_h), message)
        }
        _ => (
            None,
            format!(
                "{what}; what that costs beside the free choice is not known, since hours are not"
            ),
        ),
    };
    Finding {
        rule_id: "by-hand".to_owned(),
        verdict: Verdict::NotApplicable,
        measured,
        required: None,
        unit: if measured.is_some() { "h" } else { "" },
        message,
        source: "docs/project-file.md, A planner's hand".to_owned(),
        shape: None,
    }
}

/// What of the order that was asked for could not be: a setting that is begun before one that was to come first, and strips
/// that have to be cut before the one that was to be the first of its setting.
pub fn out_of_order(parts: &[Part], notes: &[PartNote], lines: &[StripLine]) -> Vec<Finding> {
    let mut findings = Vec::new();
    let strips = |part: u32| {
        let own = lines.iter();
        own.filter(move |line| line.id.part == part && line.kind == StripKind::Interior)
    };
    let begun = |part: &Part| strips(part.number).map(|line| line.order).min();
    let asked = parts.iter().filter_map(|part| {
        let order = part.setting.by_hand.order?;
        Some((order, begun(part)?, part))
    });
    let mut asked: Vec<(f64, u32, &Part)> = asked.collect();
    asked.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    for w in asked.windows(2) {
        let [(first, begun_first, one), (second, begun_second, other)] = [w[0], w[1]];
        if first < second && begun_second < begun_first {
            let message = format!(
                "setting {} (order {second}) is cut before setting {} (order {first}): no machine gets from one to the other over \
                 ground of the block, and what hangs together is cut together",
                other.number, one.number
            );
            let shape = Geometry::Polygon(one.shape.clone());
            findings.push(Finding {
                rule_id: "setting-order".to_owned(),
                ..finding(Verdict::Warn, None, message, shape)
            });
        }
    }
    for (part, note) in parts.iter().zip(notes) {
        let Some(first) = first_given(part) else {
            continue;
        };
        let Some((id, number)) = note.strip_lines.iter().find(|(id, _)| *id == first.id) else {
            continue;
        };
        let Some(own) = strips(part.number).find(|line| line.id.strip_no == *number) else {
            continue;
        };
        let before = strips(part.number).filter(|line| line.order < own.order);
        let mut before: Vec<u32> = before.map(|line| line.id.strip_no).collect();
        before.sort_unstable();
        before.dedup();
        if let (Some(from), Some(to)) = (before.first(), before.last()) {
            let message = format!(
                "strip {number} of setting {}, along strip line {id}, was to be cut first; {} strips ({from} to {to}) come before \
                 it, since they lie to its left or lead there",
                part.number,
                before.len()
            );
            let shape = Geometry::LineString(own.shape.clone());
            findings.push(finding(Verdict::NotApplicable, None, message, shape));
        }
    }
    findings
}

/// The line along which a setting's first strip is to be cut.
pub fn first_given<'p>(part: &'p Part) -> Option<&'p GivenLine> {
    let asked = part
        .given
        .iter()
        .filter_map(|line| Some((line.order?, line)));
    let least = asked.min_by(|a, b| a.0.total_cmp(&b.0));
    least.map(|(_, line)| line)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(ends: [(f64, f64); 2]) -> DrawnLine {
        DrawnLine {
            id: "L".to_owned(),
            ends: ends.map(|(x, y)| Coord { x, y }),
            order: None,
        }
    }

    #[test]
    fn the_longest_line_gives_the_way_and_all_lie_across_it() {
        let hand = ByHand {
            stated_deg: Some(10.0),
            order: None,
            lines: vec![line([(40., 0.), (40., 50.)]), line([(0., 0.), (0., 90.)])],
        };
        assert_eq!(hand.azimuth_deg(), Some(0.0));
        let frame = Frame::new(0.0);
        let given: Vec<f64> = hand.given(&frame).iter().map(|line| line.x).collect();
        assert_eq!(given, [0.0, 40.0]);
        let turned: Vec<f64> = hand
            .given(&Frame::new(180.0))
            .iter()
            .map(|line| line.x)
            .collect();
        assert!((turned[0] + 40.0).abs() < 1e-9 && turned[1].abs() < 1e-9);
    }
}
