//! What stands around the map: title and verdict, figures, machine, legend, findings, cautions, and where it comes from.

use super::back;
use super::canvas::{Align, BODY, Canvas, Frame, PT_PER_PX, Tone, Type};
use super::font::{self, Weight};
use super::furniture::Norths;
use super::ground;
use super::marks;
use super::paper::Sheet;
use super::settings;
use super::words::Words;
use super::{Compass, Seen, SheetContext};
use crate::model::{BlockPlan, BlockStatus, Finding, PlanMark, SlopesMeasured, Verdict};
use crate::outputs::findings_french::figure;
use crate::outputs::map::{self, panel};
use crate::outputs::style::{self, Ink, Kind, Line, Look};
use crate::outputs::text;
use crate::outputs::told::told;

const ROW: f64 = 9.7;
const LINE: f64 = 9.2;
const LEGEND_ROW: f64 = 9.5;

const BOLD: Type = Type {
    size: 8.0,
    weight: Weight::Bold,
    ..BODY
};

/// Block id, title and verdict across the top, scale and paper below the verdict.
pub fn head(
    canvas: &mut Canvas,
    sheet: &Sheet,
    plan: &BlockPlan,
    context: &SheetContext<'_>,
    part: Option<char>,
) {
    let head = sheet.head;
    let words = context.words.map;
    let name = match part {
        None => text::fill(words.block, &[&plan.id]),
        Some(letter) => text::fill(context.words.part, &[&plan.id, &letter.to_string()]),
    };
    let side = 178.0;
    let big = Type {
        size: 17.0,
        weight: Weight::Bold,
        ..BODY
    };
    let room = head.width - side - 8.0;
    let name = font::fit(&name, big.weight, big.size, room);
    canvas.bytes(big, head.x, head.top() - 15.0, &name);
    let title = plan_line(context);
    let title = font::fit(&title, BODY.weight, 8.5, room);
    canvas.bytes(
        Type { size: 8.5, ..BODY },
        head.x,
        head.top() - 27.0,
        &title,
    );
    let x = head.right() - side;
    let verdict = Type {
        size: 11.0,
        weight: Weight::Bold,
        ..BODY
    };
    if plan.status == BlockStatus::Fail {
        not_for_work(canvas, head, x, context.words);
    } else {
        verdict_sign(canvas, plan.status, x + 8.0, head.top() - 10.0);
        let word = style::status_word(plan.status, words);
        canvas.text(verdict, x + 22.0, head.top() - 14.0, word);
    }
    let scale = text::fill(
        context.words.scale,
        &[
            &format!("{}", sheet.denominator),
            context.settings.outputs.paper.key(),
        ],
    );
    canvas.text(
        Type {
            size: 8.5,
            weight: Weight::Bold,
            ..BODY
        },
        x + 22.0,
        head.top() - 27.0,
        &scale,
    );
}

/// The plan's number and date, if it has any, before the title, which gives way.
pub fn plan_line(context: &SheetContext<'_>) -> String {
    let words = context.words;
    let named = |mark: &PlanMark| {
        let number = mark.number.to_string();
        match &mark.date {
            Some(date) => text::fill(words.plan_of, &[&number, date]),
            None => text::fill(words.plan, &[&number]),
        }
    };
    let mark = context.mark;
    let plan = mark.plan.as_ref().map(named);
    let replaces = mark.replaces.as_ref().map(named);
    let replaces = replaces.map(|old| text::fill(words.replaces, &[&old]));
    let parts = plan.into_iter().chain(replaces);
    let parts = parts.chain([context.title.to_owned()]);
    parts.collect::<Vec<_>>().join(" · ")
}

/// White on red, at the right end of a head from `x` on: nobody works by the sheet of a block that fails.
pub fn not_for_work(canvas: &mut Canvas, head: Frame, x: f64, words: &Words) {
    let [fill, ink] = style::sign_on(canvas.theme(), Verdict::Fail);
    let band = Frame {
        x,
        y: head.top() - 18.0,
        width: head.right() - x,
        height: 17.0,
    };
    canvas.apart(|canvas| {
        canvas.fill_with(Tone::Set(fill));
        canvas.rect(band);
        canvas.fill();
    });
    let kind = Type {
        size: 9.0,
        align: Align::Centre,
        colour: Tone::Set(ink),
        ..BOLD
    };
    let middle = band.x + band.width / 2.0;
    let said = font::fit(words.not_for_work, kind.weight, kind.size, band.width);
    canvas.bytes(kind, middle, band.y + 5.4, &said);
}

/// Disc, triangle, square: the verdict is told by shape and word, not by colour.
fn verdict_sign(canvas: &mut Canvas, status: BlockStatus, x: f64, y: f64) {
    let [fill, ink] = style::status_sign_on(canvas.theme(), status);
    let drawn: &[&[(f64, f64)]] = match status {
        BlockStatus::Ok => &[&[(-4.0, 0.0), (-1.0, -3.5), (4.3, 3.2)]],
        BlockStatus::Warn => &[&[(0.0, 4.0), (0.0, -2.5)], &[(0.0, -4.3), (0.0, -6.0)]],
        BlockStatus::Fail => &[&[(-4.0, -4.0), (4.0, 4.0)], &[(-4.0, 4.0), (4.0, -4.0)]],
    };
    canvas.apart(|canvas| {
        canvas.pen(Ink::Words, 0.7);
        canvas.fill_with(Tone::Set(fill));
        match status {
            BlockStatus::Ok => canvas.circle(x, y, 8.0),
            BlockStatus::Warn => {
                let sides = [(x, y + 9.0), (x + 9.5, y - 7.5), (x - 9.5, y - 7.5)];
                canvas.path(sides.into_iter(), true);
            }
            BlockStatus::Fail => canvas.rect(Frame {
                x: x - 8.0,
                y: y - 8.0,
                width: 16.0,
                height: 16.0,
            }),
        }
        canvas.fill_and_stroke();
        canvas.pen(Tone::Set(ink), 1.9);
        for line in drawn {
            canvas.path(line.iter().map(|(dx, dy)| (x + dx, y + dy)), false);
        }
        canvas.stroke();
    });
}

pub fn heading(canvas: &mut Canvas, area: Frame, y: f64, word: &str) {
    canvas.text(BOLD, area.x, y, word);
    canvas.apart(|canvas| {
        canvas.pen(Ink::Faint, 0.5);
        canvas.path(
            [(area.x, y - 2.6), (area.right(), y - 2.6)].into_iter(),
            false,
        );
        canvas.stroke();
    });
}

/// A label and its value on one line; the label gives way.
fn pair(canvas: &mut Canvas, area: Frame, y: f64, label: &str, value: &str) {
    let value = font::encode(value);
    let width = font::width(&value, BODY.weight, BODY.size);
    let label = font::fit(label, BODY.weight, BODY.size, area.width - width - 4.0);
    canvas.bytes(BODY, area.x, y, &label);
    let right = Type {
        align: Align::Right,
        ..BODY
    };
    canvas.bytes(right, area.right(), y, &value);
}

/// All panels.
pub fn side(
    canvas: &mut Canvas,
    sheet: &Sheet,
    plan: &BlockPlan,
    context: &SheetContext<'_>,
    seen: &Seen,
    norths: Norths,
    compass: Option<Compass>,
) {
    let [first, second, third] = sheet.panels;
    let y = figures(canvas, first, plan, context.words.map);
    let rows = legend_rows(seen, context.words);
    let y = machine(canvas, first, y - 6.0, plan, context, norths, compass);
    if sheet.is_upright() {
        let room = ((second.height - 10.0) / LEGEND_ROW) as usize;
        let (here, beyond) = rows.split_at(rows.len().min(room));
        legend(canvas, second, second.top(), here, context.words);
        // What is too long for one panel goes on at the top of the next.
        let top = legend_part(canvas, third, third.top() + 2.0, beyond);
        let top = if beyond.is_empty() {
            third.top()
        } else {
            top - 8.0
        };
        findings(canvas, third, top, plan, context.words);
    } else {
        let y = legend(canvas, second, y - 8.0, &rows, context.words);
        findings(canvas, third, y - 8.0, plan, context.words);
    }
}

/// Each returns the baseline of its last line.
fn figures(canvas: &mut Canvas, area: Frame, plan: &BlockPlan, words: &text::Words) -> f64 {
    let mut y = area.top() - 8.0;
    heading(canvas, area, y, words.areas);
    y -= 2.0;
    for (label, value) in panel::figures(plan, words) {
        y -= ROW;
        pair(canvas, area, y, label, &value);
    }
    y
}

fn machine(
    canvas: &mut Canvas,
    area: Frame,
    from: f64,
    plan: &BlockPlan,
    context: &SheetContext<'_>,
    norths: Norths,
    compass: Option<Compass>,
) -> f64 {
    let (words, machine) = (context.words, &context.settings.machine);
    let mut y = from - 8.0;
    heading(canvas, area, y, words.machine);
    y -= 2.0;
    let metres = |value: f64| text::fill(words.map.metres, &[&format!("{value:.2}")]);
    let mut rows = vec![
        (words.reach, metres(machine.reach_m)),
        (words.reach_margin, metres(machine.reach_margin_m)),
        (words.strip_width, metres(machine.strip_width_m())),
    ];
    if let Some(place) = back::start_place(plan) {
        rows.push((words.map.start, back::position(place, words)));
    }
    let level = context.settings.layout.level_ground.as_deref();
    rows.extend(slopes(plan.slopes_measured(), level.is_some(), words));
    for (label, value) in rows {
        y -= ROW;
        pair(canvas, area, y, label, &figure(value, words.map.language));
    }
    if let Some(source) = level {
        y -= ROW;
        let line = text::fill(words.level_source, &[source]);
        let line = font::fit(&line, BODY.weight, BODY.size, area.width);
        canvas.bytes(BODY, area.x, y, &line);
    }
    if let (Some(compass), Some(magnetic)) = (compass, norths.magnetic_deg) {
        let side = |degrees: f64, plus, minus| if degrees < 0.0 { minus } else { plus };
        let number = |degrees: f64| figure(format!("{:.1}", degrees.abs()), words.map.language);
        let way = number(compass.declination_deg);
        let east = side(compass.declination_deg, words.east, words.west);
        let declination = match compass.computed {
            None => text::fill(words.declination, &[&way, east]),
            Some((doubt, day)) => {
                let figures = [&way, east, &number(doubt), &day.to_string()];
                text::fill(words.declination_computed, &figures)
            }
        };
        let right = side(magnetic, words.right, words.left);
        let magnetic = text::fill(words.magnetic, &[&number(magnetic), right]);
        for line in [declination, magnetic] {
            y -= ROW;
            let line = font::fit(&line, BODY.weight, BODY.size, area.width);
            canvas.bytes(BODY, area.x, y, &line);
        }
    }
    y
}

/// What was measured, never what was asked for.
fn slopes(measured: SlopesMeasured, level: bool, words: &Words) -> Vec<(&'static str, String)> {
    let per_cent = |share: f64| format!("{:.1} %", share * 100.0);
    let driven = match measured.driven {
        Some(slope) if measured.unknown => text::fill(words.where_known, &[&per_cent(slope)]),
        Some(slope) => per_cent(slope),
        None if level => words.stated_level.to_owned(),
        None => words.not_known.to_owned(),
    };
    let by_night = measured.by_night.map(per_cent);
    let by_night = by_night.map(|by_night| (words.steepest_by_night, by_night));
    std::iter::once((words.steepest, driven))
        .chain(by_night)
        .collect()
}

const SWATCH: (f64, f64) = (19.0, 7.4);

/// A sign, given its left edge and the baseline of its words, and the words.
type LegendRow = (Sign, &'static str);
type Sign = Box<dyn Fn(&mut Canvas, f64, f64)>;

/// Of what is drawn, and of nothing else.
fn legend_rows(seen: &Seen, own: &Words) -> Vec<LegendRow> {
    let words = own.map;
    let mut rows: Vec<LegendRow> = Vec::new();
    let kinds = seen.ground.iter().chain(&seen.marks.kinds).copied();
    // Bare ground shows in slivers only, and needs no word.
    for kind in kinds.filter(|kind| *kind != Kind::NetArea) {
        let word = match kind {
            Kind::StripIn => words.legend_line,
            _ => kind.word(words.language),
        };
        let sign = move |canvas: &mut Canvas, x: f64, y: f64| kind_sign(canvas, kind, x, y);
        rows.push((Box::new(sign), word));
    }
    if seen.parts > 0 {
        let sign = |canvas: &mut Canvas, x: f64, y: f64| {
            let frame = Frame {
                x,
                y: y - 1.4,
                width: SWATCH.0,
                height: SWATCH.1,
            };
            marks::part_frame(canvas, frame);
        };
        rows.push((Box::new(sign), own.legend_parts));
    }
    if seen.marks.steps {
        let sign = |canvas: &mut Canvas, x: f64, y: f64| {
            marks::step_sign(canvas, 1, x + SWATCH.0 / 2.0, y + 2.4);
        };
        rows.push((Box::new(sign), words.legend_steps));
    }
    rows
}

fn kind_sign(canvas: &mut Canvas, kind: Kind, x: f64, y: f64) {
    let (middle, line) = (x + SWATCH.0 / 2.0, y + 2.4);
    let mut flat = |canvas: &mut Canvas| {
        canvas.path([(x, line), (x + SWATCH.0, line)].into_iter(), false);
    };
    match kind {
        Kind::StripIn => arrow_line(canvas, false, x, y),
        Kind::StripAround => arrow_line(canvas, true, x, y),
        Kind::Bunch => settings::outline(canvas, kind, &mut |canvas| {
            for left in [x + 1.0, x + 7.0, x + 13.0] {
                let ends = [(left, y - 1.0), (left + 6.0, y + 5.0)];
                canvas.path(ends.into_iter(), false);
            }
        }),
        Kind::SkidTrail => settings::trail_line(canvas, 1.0, &mut flat),
        Kind::Outlet => {
            for kind in [Kind::OutletRim, Kind::Outlet] {
                settings::outline(canvas, kind, &mut flat);
            }
        }
        Kind::Deck => {
            settings::deck_sign(canvas, map::DECK_PX * PT_PER_PX, middle, line);
        }
        Kind::Note => marks::note_sign(canvas, middle - 3.0, y - 1.0),
        Kind::Finding => {
            marks::marker(canvas, 1, crate::model::Verdict::Warn, middle, y + 1.4);
        }
        _ if kind > Kind::Block => settings::outline(canvas, kind, &mut flat),
        _ => swatch(canvas, kind, x, y - 1.4),
    }
}

fn arrow_line(canvas: &mut Canvas, dashed: bool, x: f64, y: f64) {
    canvas.apart(|canvas| {
        canvas.pen(Ink::Words, 0.55);
        canvas.fill_with(Ink::Words);
        if dashed {
            canvas.dash(&[4.0, 2.0]);
        }
        let line = y + 2.4;
        canvas.path([(x, line), (x + SWATCH.0, line)].into_iter(), false);
        canvas.stroke();
        let (back, tip) = (x + 7.0, x + 14.0);
        canvas.path(
            [(tip, line), (back, line + 2.5), (back, line - 2.5)].into_iter(),
            true,
        );
        canvas.fill();
    });
}

fn legend(canvas: &mut Canvas, area: Frame, from: f64, rows: &[LegendRow], words: &Words) -> f64 {
    let y = from - 8.0;
    heading(canvas, area, y, words.map.legend);
    legend_part(canvas, area, y - 2.0, rows)
}

fn legend_part(canvas: &mut Canvas, area: Frame, from: f64, rows: &[LegendRow]) -> f64 {
    let mut y = from;
    for (sign, word) in rows {
        y -= LEGEND_ROW;
        sign(canvas, area.x, y);
        let word = font::fit(word, BODY.weight, BODY.size, legend_width(area));
        canvas.bytes(BODY, area.x + SWATCH.0 + 6.0, y, &word);
    }
    y
}

fn legend_width(area: Frame) -> f64 {
    area.width - SWATCH.0 - 6.0
}

fn swatch(canvas: &mut Canvas, kind: Kind, x: f64, y: f64) {
    let frame = Frame {
        x,
        y,
        width: SWATCH.0,
        height: SWATCH.1,
    };
    let thin = Line {
        ink: Ink::Faint,
        width: 0.5,
        dash: &[],
        round: false,
    };
    let look = kind.look();
    let look = Look {
        line: look.line.or(Some(thin)),
        ..look
    };
    ground::paint(canvas, &look, &mut |canvas| canvas.rect(frame), frame, 0.0);
}

fn findings(canvas: &mut Canvas, area: Frame, from: f64, plan: &BlockPlan, words: &Words) {
    if plan.findings.is_empty() {
        return;
    }
    let mut y = from - 8.0;
    if y - 2.0 * LINE < area.y {
        return;
    }
    heading(canvas, area, y, words.map.findings);
    y -= 5.0;
    // Where there is no room for all, those that fail are there; numbers are those on the map and on the back.
    let mut listed: Vec<(usize, &Finding)> = plan.findings.iter().enumerate().collect();
    listed.sort_by_key(|(_, finding)| std::cmp::Reverse(finding.verdict));
    for (place, (index, finding)) in listed.into_iter().enumerate() {
        let left = plan.findings.len() - place;
        let room = area.width - 16.0;
        let text = told(plan, finding, words.map.language);
        // What has no room here stands whole on the back.
        let most = ((y - area.y - LINE - 4.0) / LINE).max(1.0) as usize;
        let most = if place == 0 { most } else { usize::MAX };
        let lines = font::wrap(&text, BODY.weight, BODY.size, room, most);
        let after = y - LINE * lines.len().max(1) as f64 - 4.0;
        let reserved = if left == 1 { 0.0 } else { LINE };
        if after < area.y + reserved {
            let more = text::fill(words.more_findings, &[&left.to_string()]);
            canvas.text(BODY, area.x, (y - LINE).max(area.y), &more);
            return;
        }
        marks::marker(canvas, index + 1, finding.verdict, area.x + 6.5, y - 6.5);
        for (row, line) in lines.iter().enumerate() {
            canvas.bytes(BODY, area.x + 16.0, y - 9.0 - LINE * row as f64, line);
        }
        y = after;
    }
}

/// Cautions across the bottom; they stand on every sheet.
pub fn cautions(canvas: &mut Canvas, area: Frame, words: &text::Words) {
    canvas.apart(|canvas| {
        canvas.pen(Ink::Words, 1.4);
        canvas.rect(area);
        canvas.stroke();
    });
    canvas.text(BOLD, area.x + 5.0, area.top() - 9.5, words.cautions_head);
    for (row, line) in caution_lines(area, words).iter().enumerate() {
        canvas.bytes(
            BODY,
            area.x + 5.0,
            area.top() - 19.5 - LINE * row as f64,
            line,
        );
    }
}

fn caution_lines(area: Frame, words: &text::Words) -> Vec<Vec<u8>> {
    let lines = ((area.height - 13.0) / LINE) as usize;
    font::wrap(
        &words.cautions.join(" "),
        BODY.weight,
        BODY.size,
        area.width - 10.0,
        lines,
    )
}

/// Grid and CRS; version and input below.
pub fn foot(
    canvas: &mut Canvas,
    sheet: &Sheet,
    grid: &str,
    (plan, norths): (&BlockPlan, Norths),
    context: &SheetContext<'_>,
) {
    let foot = sheet.foot;
    let words = context.words;
    let side = if norths.true_deg < 0.0 {
        words.left
    } else {
        words.right
    };
    // Degrees are of no length.
    let scale = match plan.frame.is_degrees() {
        true => "–".to_owned(),
        false => format!("{:.5}", plan.scale),
    };
    let north = format!("{:.1}", norths.true_deg.abs());
    let program = [
        env!("CARGO_PKG_NAME"),
        env!("CARGO_PKG_VERSION"),
        &context.mark.input,
    ];
    for (line, y) in [
        (
            text::fill(words.grid, &[grid, context.crs, &scale, &north, side]),
            foot.y + 11.5,
        ),
        (text::fill(words.footer, &program), foot.y + 2.0),
    ] {
        let line = font::fit(&line, BODY.weight, BODY.size, foot.width);
        canvas.bytes(BODY, foot.x, y, &line);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::Paper;

    #[test]
    fn no_caution_is_cut_off_on_any_paper() {
        for paper in Paper::ALL {
            for (upright, [width, height]) in [
                (true, paper.sides_mm()),
                (false, [paper.sides_mm()[1], paper.sides_mm()[0]]),
            ] {
                let area = Sheet::cautions_of(width, height, upright);
                for words in [&text::ENGLISH, &text::FRENCH] {
                    let text = caution_lines(area, words).join(&b' ');
                    let last = font::encode(words.cautions[words.cautions.len() - 1]);
                    assert!(!text.contains(&0x85), "{paper:?} {upright}");
                    assert!(text.ends_with(&last), "{paper:?} {upright}");
                }
            }
        }
    }
}
