//! What stands beside and below the map: title, verdict, figures, legend, findings, cautions.

use super::changes::ChangeDrawn;
use super::marks::{self, Marks};
use super::settings;
use super::svg::{self, Area, PathData, px};
use crate::geometry::area::polygon_area;
use crate::model::{BlockPlan, BlockStatus};
use crate::outputs::findings_french::figure;
use crate::outputs::style::{self, Ink, Kind, Line, Look};
use crate::outputs::text::{self, Words};
use crate::outputs::told::told;
use crate::units::hectares;

const ROW: f64 = 14.0;

/// Text that fits a width, by an estimate of 0.54 em a letter.
fn letters(width: f64, size: f64) -> usize {
    (width / (0.54 * size)) as usize
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
    let [fill, ink] = style::status_sign(plan.status);
    let (shape, drawn) = match plan.status {
        BlockStatus::Ok => ("<circle cx=\"13\" cy=\"0\" r=\"11\"", "M7.5 0l4 4.5 7-8.5"),
        BlockStatus::Warn => ("<path d=\"M13-12l13 22h-26z\"", "M13-5v8M13 5.5v2.5"),
        BlockStatus::Fail => (
            "<rect x=\"2\" y=\"-11\" width=\"22\" height=\"22\"",
            "M7.5-5.5l11 11M18.5-5.5l-11 11",
        ),
    };
    let sign = format!(
        "{shape} fill=\"{fill}\" stroke=\"{}\"/><path d=\"{drawn}\" fill=\"none\" stroke=\"{ink}\" stroke-width=\"2.6\"/>",
        style::BLACK
    );
    svg.push_str(&format!(
        "<g transform=\"translate({} {})\">{sign}<text style=\"font-size:16px;font-weight:700\" x=\"34\" y=\"5.5\">{}</text></g>\n",
        px(x),
        px(y),
        svg::escape(style::status_word(plan.status, words))
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
        rows.push((Kind::CutBefore.word(words.language), ha(before_m2)));
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
    let as_written = |(label, value)| (label, figure(value, words.language));
    rows.into_iter().map(as_written).collect()
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
    drawn: &[Kind],
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
    for (sign, word) in legend(drawn, marks, words) {
        y += ROW;
        svg.push_str(&sign(area.x, y));
        legend_text(svg, area, y, word);
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
        svg.push_str(&swatch(&change.look, area.x, y - 10.0));
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

/// Draws a sign of the legend, given its left edge and the baseline of its words.
type Sign = Box<dyn Fn(f64, f64) -> String>;

/// Signs and words of what is drawn, and of nothing else.
fn legend(drawn: &[Kind], marks: &Marks, words: &Words) -> Vec<(Sign, &'static str)> {
    let kinds = drawn.iter().chain(&marks.kinds).copied();
    // Bare ground shows in slivers only, and needs no word.
    let kinds = kinds.filter(|kind| *kind != Kind::NetArea);
    let mut rows: Vec<(Sign, &'static str)> = Vec::new();
    for kind in kinds {
        let sign: Sign = Box::new(move |x, y| kind_sign(kind, x, y));
        let word = match kind {
            Kind::StripIn => words.legend_line,
            _ => kind.word(words.language),
        };
        rows.push((sign, word));
    }
    if marks.steps {
        let sign: Sign = Box::new(|x, y| marks::step_sign(1, x + 13.0, y - 4.0));
        rows.push((sign, words.legend_steps));
    }
    rows
}

fn kind_sign(kind: Kind, x: f64, y: f64) -> String {
    let (middle, line) = (x + 13.0, y - 4.0);
    let mut flat = PathData::default();
    flat.add([(x, line), (x + 26.0, line)].into_iter(), false);
    match kind {
        Kind::StripIn | Kind::StripAround => {
            let class = if kind == Kind::StripIn { "l" } else { "l a" };
            format!(
                "<path class=\"{class}\" d=\"{}\"/><path class=\"t\" d=\"M{} {}l9 3.2-9 3.2z\"/>",
                flat.0,
                px(x + 11.0),
                px(line - 3.2)
            )
        }
        Kind::Bunch => {
            let mut ticks = PathData::default();
            for left in [x, x + 9.0, x + 18.0] {
                ticks.add([(left, y), (left + 8.0, y - 9.0)].into_iter(), false);
            }
            svg::stroked(&kind.look(), &ticks)
        }
        Kind::SkidTrail => settings::trail_line(&flat, 2.0),
        Kind::Outlet => {
            let kinds = [Kind::OutletRim, Kind::Outlet];
            kinds.map(|kind| svg::stroked(&kind.look(), &flat)).concat()
        }
        Kind::Deck => settings::deck_sign(middle, line),
        Kind::Note => marks::note_sign(middle - 4.0, y + 1.0),
        Kind::Finding => marks::marker(1, crate::model::Verdict::Warn, middle, line),
        _ if kind > Kind::Block => svg::stroked(&kind.look(), &flat),
        _ => swatch(&kind.look(), x, y - 10.0),
    }
}

fn legend_text(svg: &mut String, area: Area, y: f64, word: &str) {
    svg.push_str(&format!(
        "<text x=\"{}\" y=\"{}\">{}</text>\n",
        px(area.x + 34.0),
        px(y),
        svg::escape(word)
    ));
}

fn swatch(look: &Look, x: f64, y: f64) -> String {
    let thin = Line {
        ink: Ink::Faint,
        width: 0.5,
        dash: &[],
        round: false,
    };
    let look = Look {
        line: look.line.or(Some(thin)),
        ..*look
    };
    svg::painted(&look, &format!("M{} {}h26v12h-26z", px(x), px(y)))
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
        "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" rx=\"3\" fill=\"{}\" stroke=\"{}\" stroke-width=\"1.6\"/>\n\
         <text class=\"h\" x=\"{}\" y=\"{}\">{}</text>\n",
        px(area.x),
        px(area.y),
        px(area.width),
        px(area.height),
        style::WHITE,
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
