//! A page for each shift, for phones: what to do, when it is light, what to mind, and a map of each block. It holds no script
//! and loads nothing. Its ground is light or dark as the phone's, and a box turns it.

use std::collections::BTreeSet;

use super::Roster;
use super::content::{Bound, Content, legend, order};
use super::map::{Mark, ShiftMap, Shown, line, map};
use super::progress::Progress;
use super::rows::ShiftPlan;
use super::words::{self, Words};
use crate::outputs::map::marks::hexagon;
use crate::outputs::map::svg::{PathData, escape, px};
use crate::outputs::sheets::canvas::PT_PER_PX;
use crate::outputs::style::{Hatch, Ink, Kind, Line, Theme};
use crate::outputs::text::fill;

/// Width and height of a map, in units of its own; it is shown as wide as the page, a phone's too.
const SIZE: (f64, f64) = (340.0, 380.0);

pub(super) fn sheet(
    roster: &Roster<'_>,
    progress: &Progress,
    shift: &ShiftPlan,
    content: &Content,
) -> String {
    let words = words::of(roster.layout.language);
    let own = words.sheet;
    let mut out = head(words, &content.title);
    out += &format!(
        "<label class=\"dark\"><input type=\"checkbox\" id=\"dark\"> {}</label>\n<h1>{}</h1>\n\
         <p class=\"when\">{} · {}<br>{}{}<br>{}</p>\n",
        escape(own.dark_ground),
        escape(&content.machine),
        escape(&content.date),
        escape(&content.shift),
        escape(&content.hours),
        escape(content.operator.as_deref().unwrap_or_default()),
        escape(&roster.layout.project)
    );
    work(&mut out, content, words);
    out += &format!("<h2>{}</h2>\n<ul class=\"stop\">", escape(own.runs_out));
    for line in &content.runs_out {
        out += &format!("<li>{}</li>", escape(line));
    }
    out += "</ul>\n";
    maps(&mut out, roster, progress, shift, content, words);
    out += &format!("<h2>{}</h2>\n<ul>", escape(words.mind));
    for (block, said) in &content.mind {
        out += &item(words, block, &said.join(words.semicolon));
    }
    out += "</ul>\n";
    daylight(&mut out, content, words);
    emergency(&mut out, content, words);
    out += &format!(
        "<div class=\"caution\"><b>{}</b><ul>",
        escape(words.map.cautions_head)
    );
    let cautions = words.map.cautions.iter().copied();
    for caution in cautions.chain([words.by_night, words.service]) {
        out += &format!("<li>{}</li>", escape(caution));
    }
    let program = [env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION")];
    out += &format!(
        "</ul></div>\n<p class=\"foot\">{}</p>\n</main></body></html>\n",
        escape(&fill(own.footer, &program))
    );
    out
}

/// The head of the page with its style sheet.
fn head(words: &Words, title: &str) -> String {
    let colours = |theme: Theme| {
        let one = |ink: &Ink| {
            let cover = match theme.cover(*ink, 1.0) {
                1.0 => String::new(),
                cover => format!("--c-{}:{cover};", ink.key()),
            };
            format!("--{}:{};{cover}", ink.key(), ink.colour(theme))
        };
        Ink::ALL.iter().map(one).collect::<String>()
    };
    let classes: String = Ink::ALL
        .iter()
        .map(|ink| {
            format!(
                ".f-{0}{{fill:var(--{0})}}.s-{0}{{stroke:var(--{0})}}",
                ink.key()
            )
        })
        .collect();
    format!(
        "<!DOCTYPE html>\n<html lang=\"{lang}\"><head><meta charset=\"utf-8\">\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"><title>{title}</title>\n<style>\
         :root{{color-scheme:light;{light}}}:root:has(#dark:checked){{color-scheme:dark;{dark}}}\
         @media(prefers-color-scheme:dark){{:root{{color-scheme:dark;{dark}}}:root:has(#dark:checked){{color-scheme:light;{light}}}}}\
         @media print{{:root,:root:has(#dark:checked){{{light}}}.dark{{display:none}}}}\
         body{{font:16px/1.35 system-ui,\"Noto Sans\",\"DejaVu Sans\",Arial,sans-serif;color:var(--words);background:var(--paper);\
         max-width:46rem;margin:0 auto;padding:8px 12px}}html{{background:var(--paper)}}\
         h1{{font-size:1.6rem;margin:0}}h2{{font-size:1.1rem;margin:1.1rem 0 .3rem;border-bottom:1px solid var(--faint)}}\
         p{{margin:.3rem 0}}.when{{font-size:1.05rem}}.dark{{float:right;padding:.4rem;border:1px solid var(--faint)}}\
         ol.work{{list-style:none;margin:0;padding:0}}ol.work li{{border-left:.7rem solid var(--faint);padding:.2rem .6rem;margin:.35rem 0}}\
         ol.work .t{{font-weight:700;font-size:1.1rem}}ol.work .b{{font-weight:700;display:inline-block}}ol.work small{{display:block}}\
         ol.work li.day{{border-left:.7rem solid;border-image:repeating-linear-gradient(45deg,var(--day) 0 5px,#000 5px 7px) 12}}\
         ol.work li.night{{border-left-color:var(--night)}}\
         .tag{{display:inline-block;padding:0 .35rem;font-size:.8rem;font-weight:700;color:#000}}\
         .day .tag{{background:var(--day);outline:2px dashed #000;outline-offset:-2px}}.night .tag{{background:var(--night)}}\
         ul{{margin:.2rem 0;padding-left:1.2rem}}li{{margin:.2rem 0}}.stop{{border:2px solid var(--words);padding:.3rem .4rem .3rem 1.6rem}}\
         figure{{margin:.4rem 0 1rem}}figcaption{{font-weight:700}}svg.map{{width:100%;height:auto;display:block;border:1px solid var(--faint)}}\
         .key{{display:grid;grid-template-columns:repeat(auto-fill,minmax(15rem,1fr));gap:.1rem .6rem;margin:.3rem 0;font-size:.9rem}}\
         .key svg{{vertical-align:-2px;margin-right:.4rem}}\
         .caution{{border:3px solid var(--words);padding:.3rem .6rem;margin-top:1rem}}.foot{{font-size:.8rem}}\
         svg text{{font-family:system-ui,\"Noto Sans\",\"DejaVu Sans\",Arial,sans-serif;font-weight:700;text-anchor:middle}}\
         .rim{{paint-order:stroke;stroke:var(--paper);stroke-width:2.6px;stroke-linejoin:round}}\
         {classes}</style></head><body><main>\n\
         <svg width=\"0\" height=\"0\" style=\"position:absolute\" aria-hidden=\"true\"><defs>\
         {patterns}\
         </defs></svg>\n",
        lang = words.lang,
        title = escape(title),
        light = colours(Theme::Light),
        dark = colours(Theme::Dark),
        patterns = patterns(),
    )
}

/// The patterns of hatches, in the colours of the ground.
fn patterns() -> String {
    let ink = |ink: Ink| format!("var(--{})", ink.key());
    let all = Hatch::ALL.iter().map(|hatch| hatch.pattern(0.0, &ink));
    all.collect::<String>().replace('\n', "")
}

/// A bold label and what is said of it.
fn item(words: &Words, label: &str, said: &str) -> String {
    let label = format!("<b>{}</b>", escape(label));
    format!("<li>{}</li>", fill(words.label, &[&label, &escape(said)]))
}

fn work(out: &mut String, content: &Content, words: &Words) {
    *out += &format!("<h2>{}</h2>\n<ol class=\"work\">\n", escape(words.work));
    for row in &content.rows {
        let (class, tag) = match row.bound {
            Bound::Day => ("day", words.sheet.day_badge),
            Bound::Night => ("night", words.sheet.night_badge),
            Bound::None => ("", ""),
        };
        let tag = match tag {
            "" => String::new(),
            tag => format!(" <span class=\"tag\">{}</span>", escape(tag)),
        };
        *out += &format!(
            "<li class=\"{class}\"><span class=\"t\">{}–{}</span> {} <span class=\"b\">{}</span>{tag}",
            row.from,
            row.to,
            escape(&row.job),
            escape(&row.block),
        );
        if !row.sections.is_empty() {
            *out += &format!("<small>{}</small>", escape(&row.sections));
        }
        if !row.settings.is_empty() {
            *out += &format!(
                "<small>{}</small>",
                escape(&row.settings.join(words.semicolon))
            );
        }
        *out += "</li>\n";
    }
    *out += &format!("</ol>\n<p><small>{}</small></p>\n", escape(words.key));
}

fn daylight(out: &mut String, content: &Content, words: &Words) {
    if content.daylight.is_empty() {
        return;
    }
    *out += &format!("<h2>{}</h2>\n<ul>", escape(words.daylight));
    for [block, date, dawn, rise, set, dusk, light] in &content.daylight {
        let at = |at: usize, time: &str| format!("{} {time}", words.daylight_heads[at]);
        let sun = [at(2, dawn), at(3, rise), at(4, set), at(5, dusk)].join(", ");
        let said = format!("{}{}{sun}", at(6, light), words.semicolon);
        *out += &item(words, &format!("{block} · {date}"), &said);
    }
    *out += &format!("</ul><p>{}</p>\n", escape(&content.margin));
}

fn emergency(out: &mut String, content: &Content, words: &Words) {
    let own = words.sheet;
    *out += &format!("<h2>{}</h2>\n<ul>", escape(own.emergency));
    for (label, said) in &content.emergency {
        let said = said.as_deref().unwrap_or(own.not_given);
        *out += &item(words, label, said);
    }
    *out += &format!("<li>{}</li></ul>\n", escape(own.block_first));
}

fn maps(
    out: &mut String,
    roster: &Roster<'_>,
    progress: &Progress,
    shift: &ShiftPlan,
    content: &Content,
    words: &Words,
) {
    let skids = shift.machine >= roster.problem.machines.len();
    let worked = |block: &&usize| {
        let mut rows = shift.rows.iter();
        rows.any(|row| row.block == Some(**block) && !row.units.is_empty())
    };
    let mut blocks: Vec<&usize> = content.blocks.iter().filter(worked).collect();
    if blocks.is_empty() {
        // Who only moves needs the place all the same.
        blocks = content.blocks.iter().take(1).collect();
    }
    if blocks.is_empty() {
        return;
    }
    *out += &format!("<h2>{}</h2>\n", escape(words.map_head));
    let mut shown: BTreeSet<Shown> = BTreeSet::new();
    for &&block in &blocks {
        let Some(map) = map(roster, progress, shift, block, SIZE) else {
            continue;
        };
        let id = &roster.problem.blocks[block].id;
        let part = match map.is_part {
            true => format!(" ({})", words.sheet.part_of_block),
            false => String::new(),
        };
        *out += &format!(
            "<figure><figcaption>{}{}</figcaption>\n",
            escape(&fill(words.map.block, &[id])),
            escape(&part)
        );
        svg(out, &map, id);
        let order = order(roster, shift, block);
        if !order.is_empty() {
            *out += &format!(
                "<p><b>{}</b> {}</p>",
                escape(words.sheet.order),
                escape(&order.join(" · "))
            );
        }
        *out += "</figure>\n";
        shown.extend(&map.shown);
    }
    *out += "<div class=\"key\">\n";
    for own in shown {
        let word = legend(own, skids, words);
        *out += &format!("<span>{}{}</span>\n", swatch(own), escape(word));
    }
    *out += "</div>\n";
}

fn svg(out: &mut String, map: &ShiftMap, name: &str) {
    let (width, height) = map.size;
    *out += &format!(
        "<svg class=\"map\" viewBox=\"0 0 {w} {h}\" role=\"img\" aria-label=\"{}\"><rect width=\"{w}\" height=\"{h}\" class=\"f-beyond\"/>\n",
        escape(name),
        w = px(width),
        h = px(height)
    );
    let turn = |(x, y): (f64, f64)| (x, height - y);
    for mark in &map.marks {
        svg_mark(out, mark, &turn);
    }
    *out += "</svg>\n";
}

/// Width and dashes of a line, in points.
fn stroke(line: &Line) -> String {
    let pt = |pixels: f64| px(pixels * PT_PER_PX);
    let width = format!(" stroke-width=\"{}\"", pt(line.width));
    match line.dash {
        [] => width,
        dash => {
            let lengths: Vec<String> = dash.iter().map(|length| pt(*length)).collect();
            format!("{width} stroke-dasharray=\"{}\"", lengths.join(" "))
        }
    }
}

fn svg_mark(out: &mut String, mark: &Mark, turn: &dyn Fn((f64, f64)) -> (f64, f64)) {
    match mark {
        Mark::Ground { rings, look } => {
            let mut path = PathData::default();
            for ring in rings {
                path.add(ring.iter().map(|at| turn(*at)), true);
            }
            if path.is_empty() {
                return;
            }
            let class = look.line.map(|line| format!("s-{}", line.ink.key()));
            let class = class.unwrap_or_default();
            let stroke = look.line.map_or(String::new(), |line| stroke(&line));
            match look.fill {
                Some((ink, cover)) => {
                    *out += &format!(
                        "<path d=\"{}\" class=\"f-{} {class}\" style=\"fill-opacity:var(--c-{},{cover})\"{stroke}/>\n",
                        path.0,
                        ink.key(),
                        ink.key(),
                    );
                }
                None => {
                    *out += &format!(
                        "<path d=\"{}\" class=\"{class}\" fill=\"none\"{stroke}/>\n",
                        path.0,
                    );
                }
            }
            if let Some(hatch) = look.hatch {
                let id = hatch.id();
                *out += &format!("<path d=\"{}\" fill=\"url(#{id})\"/>\n", path.0);
            }
        }
        Mark::Line { points, line } => {
            let mut path = PathData::default();
            path.add(points.iter().map(|at| turn(*at)), false);
            if !path.is_empty() {
                *out += &format!(
                    "<path d=\"{}\" class=\"s-{}\" fill=\"none\"{}/>\n",
                    path.0,
                    line.ink.key(),
                    stroke(line)
                );
            }
        }
        Mark::Head(corners) => {
            let mut path = PathData::default();
            path.add(corners.iter().map(|at| turn(*at)), true);
            if !path.is_empty() {
                *out += &format!("<path d=\"{}\" class=\"f-words\"/>\n", path.0);
            }
        }
        Mark::Name {
            at,
            words,
            size,
            ink,
        } => {
            let (x, y) = turn(*at);
            *out += &format!(
                "<text class=\"f-{} rim\" x=\"{}\" y=\"{}\" font-size=\"{}\">{}</text>\n",
                ink.key(),
                px(x),
                px(y + size * 0.36),
                px(*size),
                escape(words)
            );
        }
        Mark::Step { at, number } => {
            let (x, y) = turn(*at);
            let mut path = PathData::default();
            path.add(
                hexagon(8.0).into_iter().map(|(dx, dy)| (x + dx, y + dy)),
                true,
            );
            *out += &format!(
                "<path d=\"{}\" class=\"f-words s-paper\"/><text class=\"f-paper\" x=\"{}\" y=\"{}\" font-size=\"9\">{number}</text>\n",
                path.0,
                px(x),
                px(y + 3.3)
            );
        }
        Mark::Landing(at) => {
            let (x, y) = turn(*at);
            *out += &format!(
                "<circle cx=\"{}\" cy=\"{}\" r=\"4\" class=\"f-paper s-words\"/>\n",
                px(x),
                px(y)
            );
        }
        Mark::Deck(at) => {
            let (x, y) = turn(*at);
            *out += &format!(
                "<rect x=\"{}\" y=\"{}\" width=\"4.5\" height=\"4.5\" class=\"f-words s-paper\" stroke-width=\".6\"/>\n",
                px(x - 2.25),
                px(y - 2.25)
            );
        }
    }
}

/// A sign of what a map shows, beside its word.
fn swatch(shown: Shown) -> String {
    let mut out = "<svg width=\"22\" height=\"14\" role=\"presentation\">".to_owned();
    for mark in sample(shown) {
        svg_mark(&mut out, &mark, &|(x, y)| (x, 14.0 - y));
    }
    out.replace('\n', "") + "</svg>"
}

/// What stands for a thing in the legend, 22 by 14 points.
pub fn sample(shown: Shown) -> Vec<Mark> {
    let frame = || vec![vec![(1.0, 2.5), (21.0, 2.5), (21.0, 11.5), (1.0, 11.5)]];
    let ground = |kind: Kind| {
        vec![Mark::Ground {
            rings: frame(),
            look: kind.look(),
        }]
    };
    let flat = |line: Line| Mark::Line {
        points: vec![(1.0, 7.0), (21.0, 7.0)],
        line,
    };
    match shown {
        Shown::Kind(Kind::Outlet) => [Kind::OutletRim, Kind::Outlet]
            .into_iter()
            .filter_map(|kind| kind.look().line)
            .map(flat)
            .collect(),
        Shown::Kind(Kind::Deck) => vec![Mark::Deck((11.0, 7.0))],
        Shown::Kind(kind) if kind > Kind::Block => kind.look().line.map(flat).into_iter().collect(),
        Shown::Kind(kind) => ground(kind),
        Shown::Other => ground(Kind::Strip),
        Shown::Steps => vec![Mark::Step {
            at: (11.0, 7.0),
            number: 1,
        }],
        Shown::Lines => vec![
            flat(line(Ink::Words, 1.1, &[])),
            Mark::Head([(16.0, 7.0), (9.0, 10.0), (9.0, 4.0)]),
        ],
    }
}
