//! What stands beside and below the map: title, verdict, figures, legend, findings, cautions.

use super::changes::ChangeDrawn;
use super::ground::Drawn;
use super::marks::{self, Marks};
use super::settings;
use super::svg::{self, Area, px};
use crate::geometry::area::polygon_area;
use crate::model::{BlockPlan, BlockStatus};
use crate::outputs::style;
use crate::outputs::text::{self, Words};
use crate::outputs::told::told;
use crate::units::hectares;

const ROW: f64 = 14.0;

/// Text that fits a width, by an estimate of 0.54 em a letter.
fn letters(width: f64, size: f64) -> usize {
    (width / (0.54 * size)) as usize
}

pub fn verdict_word(status: BlockStatus, words: &Words) -> &'static str {
    match status {
        BlockStatus::Ok => words.verdict_ok,
        BlockStatus::Warn => words.verdict_warn,
        BlockStatus::Fail => words.verdict_fail,
    }
}

/// Block id, title and verdict across the top.
pub fn head(svg: &mut String, plan: &BlockPlan, title: &str, words: &Words, area: Area) {
    let name = text::fill(words.block, &[&svg::shorten(&plan.id, 40)]);
    svg.push_str(&format!(
        "<text style=\"font-size:22px;font-weight:700\" x=\"{x}\" y=\"{}\">{}</text>\n\
         <text x=\"{x}\" y=\"{}\">{}</text>\n",
        px(area.y + 22.0),
        svg::escape(&name),
        px(area.y + 40.0),
        svg::escape(&svg::shorten(title, 110)),
        x = px(area.x),
    ));
    let (x, y) = (area.x + area.width - 252.0, area.y + 20.0);
    // Disc, triangle, square: the verdict is told by shape and word, not by colour.
    let sign = match plan.status {
        BlockStatus::Ok => format!(
            "<circle cx=\"13\" cy=\"0\" r=\"11\" fill=\"{}\"/><path d=\"M7.5 0l4 4.5 7-8.5\" fill=\"none\" \
             stroke=\"{}\" stroke-width=\"2.6\"/>",
            style::GREEN,
            style::WHITE
        ),
        BlockStatus::Warn => format!(
            "<path d=\"M13-12l13 22h-26z\" fill=\"{}\" stroke=\"{black}\"/><path d=\"M13-5v8M13 5.5v2.5\" \
             stroke=\"{black}\" stroke-width=\"2.4\"/>",
            style::ORANGE,
            black = style::BLACK
        ),
        BlockStatus::Fail => format!(
            "<rect x=\"2\" y=\"-11\" width=\"22\" height=\"22\" fill=\"{}\"/><path d=\"M7.5-5.5l11 11M18.5-5.5l-11 11\" \
             stroke=\"{}\" stroke-width=\"2.8\"/>",
            style::VERMILLION,
            style::WHITE
        ),
    };
    svg.push_str(&format!(
        "<g transform=\"translate({} {})\">{sign}<text style=\"font-size:16px;font-weight:700\" x=\"34\" y=\"5.5\">{}</text></g>\n",
        px(x),
        px(y),
        svg::escape(verdict_word(plan.status, words))
    ));
}

fn heading(svg: &mut String, area: Area, y: f64, word: &str) {
    svg.push_str(&format!(
        "<text class=\"h\" x=\"{}\" y=\"{}\">{}</text><path stroke=\"{}\" d=\"M{} {}h{}\"/>\n",
        px(area.x),
        px(y),
        svg::escape(word),
        style::GREY_MIDDLE,
        px(area.x),
        px(y + 4.0),
        px(area.width)
    ));
}

pub fn figures(plan: &BlockPlan, words: &Words) -> Vec<(&'static str, String)> {
    // Small blocks need the square metres.
    let decimals = if hectares(plan.books.gross_m2) < 10.0 {
        3
    } else {
        2
    };
    let ha = |area_m2| format!("{:.decimals$} ha", hectares(area_m2));
    let maybe = |value: Option<f64>, decimals: usize, unit: &str| {
        value.filter(|value| value.is_finite()).map_or_else(
            || words.none.to_owned(),
            |value| format!("{value:.decimals$}{unit}"),
        )
    };
    let books = &plan.books;
    let before_m2 = plan
        .left_unworked(true)
        .map(polygon_area)
        .fold(0.0, |sum, m2| sum + m2);
    let mut rows = vec![
        (words.gross, ha(books.gross_m2)),
        (words.reserve, ha(books.reserve_m2)),
        (words.net, ha(books.net_m2)),
        (words.retained, ha(books.retained_m2)),
        (words.cut, ha(books.cut_m2)),
        (words.unworked, ha(books.unworked_m2 - before_m2)),
    ];
    if plan.is_rest() {
        rows.push((words.legend_felled, ha(before_m2)));
    }
    rows.push((words.retention, retention(plan, words)));
    let unit = plan
        .trees_left
        .map(|trees| words.trees_in[trees.unit as usize].to_owned());
    rows.extend(unit.map(|unit| (words.counted_in, unit)));
    rows.extend([
        (words.strips, plan.strips_count.to_string()),
        (words.azimuth, maybe(plan.azimuth_deg, 1, "°")),
        (words.corridor_width, maybe(plan.corridor_width_m, 2, " m")),
        (
            words.hours,
            format!(
                "{} / {}",
                maybe(plan.day_hours, 1, ""),
                maybe(plan.night_hours, 1, " h")
            ),
        ),
    ]);
    let (model, factor) = match plan.time_model.split_once(" x ") {
        None => (plan.time_model.as_str(), None),
        Some((model, factor)) => (model, Some(factor)),
    };
    rows.push((words.hours_by, model.to_owned()));
    rows.extend(factor.map(|factor| (words.hours_factor, factor.to_owned())));
    rows
}

/// Kept and required.
fn retention(plan: &BlockPlan, words: &Words) -> String {
    let percent = |share: f64| format!("{:.2}", share * 100.0);
    let left = plan
        .share_left()
        .map_or_else(|| words.none.to_owned(), percent);
    text::fill(
        words.retention_value,
        &[&left, &percent(plan.required_share)],
    )
}

/// Figures, legend and findings down the side.
pub fn side(
    svg: &mut String,
    plan: &BlockPlan,
    drawn: &[Drawn],
    marks: &Marks,
    words: &Words,
    area: Area,
) {
    let mut y = area.y + 12.0;
    heading(svg, area, y, words.areas);
    y += 4.0;
    for (label, value) in figures(plan, words) {
        y += ROW;
        svg.push_str(&format!(
            "<text x=\"{}\" y=\"{y}\">{}</text><text class=\"e\" x=\"{}\" y=\"{y}\">{}</text>\n",
            px(area.x),
            svg::escape(label),
            px(area.x + area.width),
            svg::escape(&value),
            y = px(y),
        ));
    }
    y += 24.0;
    heading(svg, area, y, words.legend);
    y += 5.0;
    for (index, item) in drawn.iter().enumerate() {
        // The same ground may be drawn from two lists, for example road clearing as a zone and as a strip.
        if drawn[..index].iter().any(|other| other.word == item.word) {
            continue;
        }
        y += ROW;
        svg.push_str(&swatch(item, area.x, y - 10.0));
        legend_text(svg, area, y, item.word);
    }
    for (shown, class, word) in [
        (marks.lines, "l", words.legend_line),
        (marks.around, "l a", words.legend_around),
    ] {
        if shown {
            y += ROW;
            let (x, line) = (area.x, y - 4.0);
            svg.push_str(&format!(
                "<path class=\"{class}\" d=\"M{} {line}h26\"/><path class=\"t\" d=\"M{} {}l9 3.2-9 3.2z\"/>",
                px(x),
                px(x + 11.0),
                px(line - 3.2),
                line = px(line),
            ));
            legend_text(svg, area, y, word);
        }
    }
    let middle = area.x + 13.0;
    let line = |y: f64, outlines: &[&str]| -> String {
        let d = format!("M{} {}h26", px(area.x), px(y - 4.0));
        let paths = outlines.iter();
        paths
            .map(|outline| format!("<path fill=\"none\" {outline} d=\"{d}\"/>"))
            .collect()
    };
    let bunches = |y: f64| {
        format!(
            "<path class=\"b\" d=\"M{} {}l8-9m1 9l8-9m1 9l8-9\"/>",
            px(area.x),
            px(y)
        )
    };
    let outlet = [style::OUTLET_RIM.outline, style::OUTLET.outline];
    let rows: [(bool, Sign<'_>, &str); 10] = [
        (
            marks.windows,
            &|y| line(y, &[style::WINDOW.outline]),
            words.legend_window,
        ),
        (
            marks.people,
            &|y| line(y, &[style::PEOPLE.outline]),
            words.legend_people,
        ),
        (
            marks.power_lines,
            &|y| line(y, &[style::POWER_LINE.outline]),
            words.legend_power_line,
        ),
        (
            marks.dividing,
            &|y| line(y, &[style::SETTING.outline]),
            words.legend_dividing,
        ),
        (marks.outlets, &|y| line(y, &outlet), words.legend_outlet),
        (
            marks.trails,
            &|y| line(y, &[style::SKID_TRAIL.outline]),
            words.legend_main_trail,
        ),
        (
            marks.decks,
            &|y| settings::deck_sign(middle, y - 4.0),
            words.legend_deck,
        ),
        (
            marks.steps,
            &|y| marks::step_sign(1, middle, y - 4.0),
            words.legend_steps,
        ),
        (marks.bunches, &bunches, words.legend_bunch),
        (
            marks.notes,
            &|y| marks::note_sign(middle - 4.0, y + 1.0),
            words.legend_note,
        ),
    ];
    for (shown, sign, word) in rows {
        if shown {
            y += ROW;
            svg.push_str(&sign(y));
            legend_text(svg, area, y, word);
        }
    }
    if marks.findings {
        y += ROW + 1.0;
        svg.push_str(&marks::marker(
            1,
            crate::model::Verdict::Warn,
            area.x + 13.0,
            y - 4.0,
        ));
        legend_text(svg, area, y, words.legend_finding);
    }
    if !plan.findings.is_empty() {
        findings(svg, plan, words, area, y + 24.0);
    }
}

/// The list of changes down the side, each with its area.
pub fn changes(svg: &mut String, head: &str, drawn: &[ChangeDrawn<'_>], area: Area) {
    let mut y = area.y + 12.0;
    heading(svg, area, y, head);
    y += 5.0;
    for change in drawn {
        y += ROW + 3.0;
        let item = Drawn {
            ground: change.ground,
            word: "",
            on_strip: false,
        };
        svg.push_str(&swatch(&item, area.x, y - 10.0));
        let width = letters(area.width - 90.0, 11.0);
        let lines = wrap(&change.word, width, 2);
        svg.push_str(&format!(
            "<text class=\"e\" x=\"{}\" y=\"{}\">{}</text>\n",
            px(area.x + area.width),
            px(y),
            svg::escape(&change.figure)
        ));
        for (row, line) in lines.iter().enumerate() {
            y += ROW * f64::from(u8::from(row > 0));
            svg.push_str(&format!(
                "<text class=\"s\" x=\"{}\" y=\"{}\">{}</text>\n",
                px(area.x + 34.0),
                px(y),
                svg::escape(line)
            ));
        }
    }
}

/// Draws a sign of the legend at a height.
type Sign<'s> = &'s dyn Fn(f64) -> String;

fn legend_text(svg: &mut String, area: Area, y: f64, word: &str) {
    svg.push_str(&format!(
        "<text x=\"{}\" y=\"{}\">{}</text>\n",
        px(area.x + 34.0),
        px(y),
        svg::escape(word)
    ));
}

fn swatch(item: &Drawn, x: f64, y: f64) -> String {
    let place = format!(
        "<rect x=\"{}\" y=\"{}\" width=\"26\" height=\"12\"",
        px(x),
        px(y)
    );
    let mut svg = String::new();
    if item.on_strip {
        let below = style::STRIP_IN;
        svg.push_str(&format!("{place} {} {}/>", below.fill, below.outline));
    }
    let ground = item.ground;
    if !ground.fill.is_empty() {
        svg.push_str(&format!("{place} {}/>", ground.fill));
    }
    if !ground.hatch.is_empty() {
        svg.push_str(&format!("{place} fill=\"url(#{})\"/>", ground.hatch));
    }
    let outline = if ground.outline.is_empty() {
        format!("stroke=\"{}\" stroke-width=\".5\"", style::GREY_MIDDLE)
    } else {
        ground.outline.to_owned()
    };
    svg.push_str(&format!("{place} fill=\"none\" {outline}/>"));
    svg
}

/// Breaks text into at most `most` lines of `width` letters; what does not fit ends in an ellipsis.
fn wrap(text: &str, width: usize, most: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let full = lines.len() == most;
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= width => {
                line.push(' ');
                line.push_str(word);
            }
            Some(line) if full => {
                line.push(' ');
                line.push_str(word);
                break;
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines.iter().map(|line| svg::shorten(line, width)).collect()
}

fn findings(svg: &mut String, plan: &BlockPlan, words: &Words, area: Area, from: f64) {
    const LINE: f64 = 13.0;
    let bottom = area.y + area.height;
    let width = letters(area.width - 24.0, 11.0);
    let mut y = from;
    if y + 2.0 * LINE > bottom {
        return;
    }
    heading(svg, area, y, words.findings);
    y += 9.0;
    for (index, finding) in plan.findings.iter().enumerate() {
        let left = plan.findings.len() - index;
        let lines = wrap(&told(plan, finding, words.language), width, 2);
        let after = y + LINE * lines.len().max(1) as f64 + 7.0;
        let last = left == 1;
        if after > bottom - if last { 0.0 } else { LINE } {
            svg.push_str(&format!(
                "<text class=\"s\" x=\"{}\" y=\"{}\">{}</text>\n",
                px(area.x),
                px((y + LINE).min(bottom)),
                svg::escape(&text::fill(words.more_findings, &[&left.to_string()]))
            ));
            return;
        }
        svg.push_str(&marks::marker(
            index + 1,
            finding.verdict,
            area.x + 9.0,
            y + 9.0,
        ));
        for (row, line) in lines.iter().enumerate() {
            svg.push_str(&format!(
                "<text class=\"s\" x=\"{}\" y=\"{}\">{}</text>\n",
                px(area.x + 24.0),
                px(y + 12.0 + LINE * row as f64),
                svg::escape(line)
            ));
        }
        y = after;
    }
}

/// Cautions across the bottom; they stand on every sheet.
pub fn cautions(svg: &mut String, words: &Words, area: Area) {
    svg.push_str(&format!(
        "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" rx=\"3\" fill=\"{}\" fill-opacity=\".35\" stroke=\"{}\"/>\n\
         <text class=\"h\" x=\"{}\" y=\"{}\">{}</text>\n",
        px(area.x),
        px(area.y),
        px(area.width),
        px(area.height),
        style::YELLOW,
        style::GREY_DARK,
        px(area.x + 8.0),
        px(area.y + 16.0),
        svg::escape(words.cautions_head)
    ));
    let lines = wrap(
        &words.cautions.join(" "),
        letters(area.width - 20.0, 11.2),
        4,
    );
    for (row, line) in lines.iter().enumerate() {
        svg.push_str(&format!(
            "<text x=\"{}\" y=\"{}\">{}</text>\n",
            px(area.x + 8.0),
            px(area.y + 32.0 + 15.0 * row as f64),
            svg::escape(line)
        ));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::outputs::text::ENGLISH;

    #[test]
    fn no_caution_is_cut_off() {
        let mut svg = String::new();
        cautions(
            &mut svg,
            &ENGLISH,
            Area {
                x: 0.0,
                y: 0.0,
                width: 968.0,
                height: 68.0,
            },
        );
        assert!(!svg.contains('…'));
        assert!(svg.contains("what the operator sees"));
    }

    #[test]
    fn long_text_wraps_and_ends_in_an_ellipsis() {
        assert_eq!(wrap("one two three four", 8, 2), ["one two", "three f…"]);
        assert_eq!(wrap("", 8, 2), Vec::<String>::new());
    }
}
