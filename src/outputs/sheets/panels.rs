//! What stands around the map: title and verdict, figures, machine, legend, findings, cautions, and where it comes from.

use super::SheetContext;
use super::canvas::{Align, BODY, Canvas, Frame, Type};
use super::font::{self, Weight};
use super::furniture::Norths;
use super::ground::{self, Drawn};
use super::marks::{self, Marks};
use super::paper::Sheet;
use super::words::Words;
use crate::model::{BlockPlan, BlockStatus, SlopesMeasured};
use crate::outputs::map::panel;
use crate::outputs::paint::{Fill, Paint, Rgb, Stroke};
use crate::outputs::{style, text};

const ROW: f64 = 10.2;
const LINE: f64 = 8.6;
/// Twenty-one rows must fit below the map.
const LEGEND_ROW: f64 = 9.6;

const BOLD: Type = Type {
    size: 8.0,
    weight: Weight::Bold,
    ..BODY
};
const SMALL: Type = Type { size: 7.0, ..BODY };

/// Block id, title and verdict across the top, scale and paper below the verdict.
pub fn head(canvas: &mut Canvas, sheet: &Sheet, plan: &BlockPlan, context: &SheetContext<'_>) {
    let head = sheet.head;
    let words = context.words.map;
    let side = 150.0;
    let big = Type {
        size: 17.0,
        weight: Weight::Bold,
        ..BODY
    };
    let room = head.width - side - 8.0;
    let name = font::fit(
        &text::fill(words.block, &[&plan.id]),
        big.weight,
        big.size,
        room,
    );
    canvas.bytes(big, head.x, head.top() - 15.0, &name);
    let title = font::fit(context.title, BODY.weight, 8.5, room);
    canvas.bytes(
        Type { size: 8.5, ..BODY },
        head.x,
        head.top() - 27.0,
        &title,
    );
    let x = head.right() - side;
    verdict_sign(canvas, plan.status, x + 8.0, head.top() - 10.0);
    let verdict = Type {
        size: 11.0,
        weight: Weight::Bold,
        ..BODY
    };
    canvas.text(
        verdict,
        x + 22.0,
        head.top() - 14.0,
        panel::verdict_word(plan.status, words),
    );
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

/// Disc, triangle, square: the verdict is told by shape and word, not by colour.
fn verdict_sign(canvas: &mut Canvas, status: BlockStatus, x: f64, y: f64) {
    canvas.apart(|canvas| {
        canvas.pen(Rgb::parse(style::BLACK), 0.7);
        match status {
            BlockStatus::Ok => {
                canvas.fill_colour(Rgb::parse(style::GREEN));
                canvas.circle(x, y, 8.0);
                canvas.fill();
                canvas.pen(Rgb::parse(style::WHITE), 1.9);
                let tick = [(x - 4.0, y), (x - 1.0, y - 3.5), (x + 4.3, y + 3.2)];
                canvas.path(tick.into_iter(), false);
                canvas.stroke();
            }
            BlockStatus::Warn => {
                canvas.fill_colour(Rgb::parse(style::ORANGE));
                let sides = [(x, y + 9.0), (x + 9.5, y - 7.5), (x - 9.5, y - 7.5)];
                canvas.path(sides.into_iter(), true);
                canvas.fill_and_stroke();
                canvas.pen(Rgb::parse(style::BLACK), 1.8);
                canvas.path([(x, y + 4.0), (x, y - 2.5)].into_iter(), false);
                canvas.path([(x, y - 4.3), (x, y - 6.0)].into_iter(), false);
                canvas.stroke();
            }
            BlockStatus::Fail => {
                canvas.fill_colour(Rgb::parse(style::VERMILLION));
                canvas.rect(Frame {
                    x: x - 8.0,
                    y: y - 8.0,
                    width: 16.0,
                    height: 16.0,
                });
                canvas.fill();
                canvas.pen(Rgb::parse(style::WHITE), 2.0);
                canvas.path([(x - 4.0, y - 4.0), (x + 4.0, y + 4.0)].into_iter(), false);
                canvas.path([(x - 4.0, y + 4.0), (x + 4.0, y - 4.0)].into_iter(), false);
                canvas.stroke();
            }
        }
    });
}

fn heading(canvas: &mut Canvas, area: Frame, y: f64, word: &str) {
    canvas.text(BOLD, area.x, y, word);
    canvas.apart(|canvas| {
        canvas.pen(Rgb::parse(style::GREY_MIDDLE), 0.5);
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
    drawn: &[Drawn],
    marks: &Marks,
    norths: Norths,
) {
    let [first, second, third] = sheet.panels;
    let y = figures(canvas, first, plan, context.words.map);
    if sheet.is_upright() {
        machine(canvas, first, y - 6.0, plan, context, norths);
        legend(canvas, second, second.top(), drawn, marks, context.words);
        findings(canvas, third, third.top(), plan, context.words);
    } else {
        let y = machine(canvas, first, y - 6.0, plan, context, norths);
        let y = legend(canvas, second, y - 8.0, drawn, marks, context.words);
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
    let level = context.settings.layout.level_ground.as_deref();
    rows.extend(slopes(plan.slopes_measured(), level.is_some(), words));
    for (label, value) in rows {
        y -= ROW;
        pair(canvas, area, y, label, &value);
    }
    if let Some(source) = level {
        y -= ROW;
        let line = text::fill(words.level_source, &[source]);
        let line = font::fit(&line, BODY.weight, BODY.size, area.width);
        canvas.bytes(BODY, area.x, y, &line);
    }
    if let (Some(declination), Some(magnetic)) = (
        context.settings.outputs.declination_deg,
        norths.magnetic_deg,
    ) {
        let side = |degrees: f64, plus, minus| if degrees < 0.0 { minus } else { plus };
        for line in [
            text::fill(
                words.declination,
                &[
                    &format!("{:.1}", declination.abs()),
                    side(declination, words.east, words.west),
                ],
            ),
            text::fill(
                words.magnetic,
                &[
                    &format!("{:.1}", magnetic.abs()),
                    side(magnetic, words.right, words.left),
                ],
            ),
        ] {
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

fn legend(
    canvas: &mut Canvas,
    area: Frame,
    from: f64,
    drawn: &[Drawn],
    marks: &Marks,
    words: &Words,
) -> f64 {
    let text = words.map;
    let mut y = from - 8.0;
    heading(canvas, area, y, text.legend);
    y -= 2.0;
    let row = |canvas: &mut Canvas, y: f64, word: &str| {
        let room = area.width - SWATCH.0 - 6.0;
        let word = font::fit(word, BODY.weight, BODY.size, room);
        canvas.bytes(BODY, area.x + SWATCH.0 + 6.0, y, &word);
    };
    for (index, item) in drawn.iter().enumerate() {
        // The same ground may be drawn from two lists, for example road clearing as a zone and as a strip.
        if drawn[..index].iter().any(|other| other.word == item.word) {
            continue;
        }
        y -= LEGEND_ROW;
        swatch(canvas, item, area.x, y - 1.4);
        row(canvas, y, item.word);
    }
    for (shown, dashed, word) in [
        (marks.lines, false, text.legend_line),
        (marks.around, true, text.legend_around),
    ] {
        if !shown {
            continue;
        }
        y -= LEGEND_ROW;
        canvas.apart(|canvas| {
            canvas.pen(Rgb::parse(style::GREY_DARK), 0.55);
            canvas.fill_colour(Rgb::parse(style::GREY_DARK));
            if dashed {
                canvas.dash(&[4.0, 2.0]);
            }
            let line = y + 2.4;
            canvas.path(
                [(area.x, line), (area.x + SWATCH.0, line)].into_iter(),
                false,
            );
            canvas.stroke();
            let (x, tip) = (area.x + 7.0, area.x + 14.0);
            canvas.path(
                [(tip, line), (x, line + 2.5), (x, line - 2.5)].into_iter(),
                true,
            );
            canvas.fill();
        });
        row(canvas, y, word);
    }
    if marks.bunches {
        y -= LEGEND_ROW;
        canvas.apart(|canvas| {
            canvas.pen(Rgb::parse(style::VERMILLION), 0.4);
            for index in 0..3 {
                let x = area.x + 1.0 + 6.0 * f64::from(index);
                canvas.path([(x, y - 1.0), (x + 6.0, y + 5.0)].into_iter(), false);
            }
            canvas.stroke();
        });
        row(canvas, y, text.legend_bunch);
    }
    if marks.entries {
        y -= LEGEND_ROW + 1.0;
        marks::entry_sign(canvas, area.x + SWATCH.0 / 2.0, y + 2.4, words);
        row(canvas, y, words.entry);
    }
    if marks.findings {
        y -= LEGEND_ROW + 2.0;
        let verdict = crate::model::Verdict::Warn;
        marks::marker(canvas, 1, verdict, area.x + SWATCH.0 / 2.0, y + 2.4);
        row(canvas, y, text.legend_finding);
    }
    y
}

fn swatch(canvas: &mut Canvas, item: &Drawn, x: f64, y: f64) {
    let frame = Frame {
        x,
        y,
        width: SWATCH.0,
        height: SWATCH.1,
    };
    let mut below = Paint::of(&style::STRIP_IN);
    let mut top = Paint::of(&item.ground);
    top.stroke.get_or_insert(Stroke {
        colour: Rgb::parse(style::GREY_MIDDLE),
        width_px: 0.5,
        dash_px: vec![],
    });
    if item.on_strip {
        // What lies on a strip is a hatch, or nothing.
        top.fill = None;
    } else {
        below.fill = None::<Fill>;
    }
    below.stroke = None;
    for paint in [&below, &top] {
        ground::paint(canvas, paint, &mut |canvas| canvas.rect(frame), frame, 45.0);
    }
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
    for (index, finding) in plan.findings.iter().enumerate() {
        let left = plan.findings.len() - index;
        let room = area.width - 16.0;
        let lines = font::wrap(&finding.message, SMALL.weight, SMALL.size, room, 3);
        let after = y - LINE * lines.len().max(1) as f64 - 4.0;
        let reserved = if left == 1 { 0.0 } else { LINE };
        if after < area.y + reserved {
            let more = text::fill(words.more_findings, &[&left.to_string()]);
            canvas.text(SMALL, area.x, (y - LINE).max(area.y), &more);
            return;
        }
        marks::marker(canvas, index + 1, finding.verdict, area.x + 6.5, y - 6.5);
        for (row, line) in lines.iter().enumerate() {
            canvas.bytes(SMALL, area.x + 16.0, y - 9.0 - LINE * row as f64, line);
        }
        y = after;
    }
}

/// Cautions across the bottom; they stand on every sheet.
pub fn cautions(canvas: &mut Canvas, area: Frame, words: &text::Words) {
    canvas.apart(|canvas| {
        canvas.opacity(0.35);
        canvas.fill_colour(Rgb::parse(style::YELLOW));
        canvas.rect(area);
        canvas.fill();
    });
    canvas.apart(|canvas| {
        canvas.pen(Rgb::parse(style::GREY_DARK), 0.7);
        canvas.rect(area);
        canvas.stroke();
    });
    canvas.text(BOLD, area.x + 5.0, area.top() - 9.5, words.cautions_head);
    for (row, line) in caution_lines(area, words).iter().enumerate() {
        canvas.bytes(
            Type { size: 7.5, ..BODY },
            area.x + 5.0,
            area.top() - 19.5 - 9.2 * row as f64,
            line,
        );
    }
}

fn caution_lines(area: Frame, words: &text::Words) -> Vec<Vec<u8>> {
    let lines = ((area.height - 13.0) / 9.2) as usize;
    font::wrap(
        &words.cautions.join(" "),
        Weight::Plain,
        7.5,
        area.width - 10.0,
        lines,
    )
}

/// Grid and CRS, version and input.
pub fn foot(
    canvas: &mut Canvas,
    sheet: &Sheet,
    grid: &str,
    (plan, norths): (&BlockPlan, Norths),
    context: &SheetContext<'_>,
) {
    let foot = sheet.foot;
    let kind = Type { size: 6.5, ..BODY };
    let y = foot.y + 2.0;
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
    let left = text::fill(words.grid, &[grid, context.crs, &scale, &north, side]);
    let left = font::fit(&left, kind.weight, kind.size, foot.width * 0.56);
    canvas.bytes(kind, foot.x, y, &left);
    let right = text::fill(
        context.words.footer,
        &[
            env!("CARGO_PKG_NAME"),
            env!("CARGO_PKG_VERSION"),
            context.input,
        ],
    );
    let right = font::fit(&right, kind.weight, kind.size, foot.width * 0.42);
    canvas.bytes(
        Type {
            align: Align::Right,
            ..kind
        },
        foot.right(),
        y,
        &right,
    );
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
