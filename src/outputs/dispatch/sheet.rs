//! A page for each shift: what to do, when it is light, what to mind, and a map of each block.

use std::collections::{BTreeMap, BTreeSet};

use geo::{BoundingRect, Rect};

use super::Roster;
use super::rows::{Job, Row, ShiftPlan, clock, label};
use super::words::{self, Words, named};
use crate::daylight::{DayKind, day};
use crate::model::{ShiftClass, ZoneKind};
use crate::outputs::map::svg::{PathData, escape, px};
use crate::outputs::style::{
    self, BLACK, GREY_DARK, GREY_LIGHT, GREY_MIDDLE, GREY_PALE, ORANGE, SKY_BLUE, WHITE,
};
use crate::outputs::text::fill;
use crate::outputs::told;

/// The page, without anything from outside.
pub(super) fn sheet(roster: &Roster<'_>, shift: &ShiftPlan) -> String {
    let zone = roster.zone;
    let words = words::of(roster.layout.language);
    let title = fill(
        words.title,
        &[&shift.name, &shift.shift, &shift.date.to_string()],
    );
    let mut out = format!(
        "<!DOCTYPE html>\n<html lang=\"{}\"><head><meta charset=\"utf-8\">\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\
         <meta name=\"viewport\" content=\"width=device-width\"><title>{}</title>\n<style>\
         @page{{size:A4;margin:12mm}}body{{font:13px system-ui,\"Noto Sans\",\"DejaVu Sans\",Arial,sans-serif;color:{GREY_DARK};\
         max-width:190mm;margin:8px auto}}h1{{font-size:19px;margin:0 0 4px}}h2{{font-size:14px;margin:10px 0 4px}}\
         table{{border-collapse:collapse;width:100%}}td,th{{border:1px solid {GREY_LIGHT};padding:2px 6px;text-align:left;\
         vertical-align:top}}.n{{text-align:right}}ul{{margin:2px 0;padding-left:18px}}.maps{{display:flex;flex-wrap:wrap;gap:8px}}\
         figure{{margin:0}}figcaption{{font-weight:700}}.caution{{border:2px solid {BLACK};padding:4px 8px;margin-top:8px}}\
         p{{margin:2px 0}}</style></head><body>\n",
        words.lang,
        escape(&title)
    );
    out += &format!("<h1>{}</h1>\n<p>", escape(&title));
    out += &fill(
        words.from_to,
        &[
            &clock(zone, shift.span.from),
            &clock(zone, shift.span.to),
            &escape(zone.name()),
        ],
    );
    if let Some(operator) = &shift.operator {
        out += &fill(words.operator, &[&escape(operator)]);
    }
    out += &format!(". {}</p>\n", escape(&roster.layout.project));
    let mut blocks: Vec<usize> = Vec::new();
    for row in &shift.rows {
        if let Some(block) = row.block
            && !blocks.contains(&block)
        {
            blocks.push(block);
        }
    }
    daylight(&mut out, roster, shift, &blocks, words);
    tasks(&mut out, roster, shift, words);
    hazards(&mut out, roster, shift, &blocks, words);
    maps(&mut out, roster, shift, &blocks, words);
    out += &format!(
        "<div class=\"caution\"><b>{}</b><ul>",
        escape(words.map.cautions_head)
    );
    for caution in words.map.cautions {
        out += &format!("<li>{}</li>", escape(caution));
    }
    out += &format!(
        "<li>{}</li><li>{}</li></ul></div>\n</body></html>\n",
        escape(words.by_night),
        escape(words.service)
    );
    out
}

/// A table's row of headings.
fn heads(out: &mut String, head: &str, heads: &[&str]) {
    *out += &format!("<h2>{}</h2>\n<table><tr>", escape(head));
    for head in heads {
        *out += &format!("<th>{}</th>", escape(head));
    }
    *out += "</tr>\n";
}

fn daylight(
    out: &mut String,
    roster: &Roster<'_>,
    shift: &ShiftPlan,
    blocks: &[usize],
    words: &Words,
) {
    let zone = roster.zone;
    heads(out, words.daylight, &words.daylight_heads);
    let mut dates = vec![shift.date];
    let last = crate::schedule::calendar::date_of(zone, shift.span.to - 1);
    if last != shift.date {
        dates.push(last);
    }
    for &block in blocks {
        let ground = &roster.problem.blocks[block];
        for &date in &dates {
            let mut cells = [const { String::new() }; 4];
            if let Ok(sun) = day(roster.layout.blocks[block].place, zone, date) {
                let events = [sun.civil_dawn, sun.sunrise, sun.sunset, sun.civil_dusk];
                for (at, (cell, event)) in cells.iter_mut().zip(events).enumerate() {
                    let kind = if matches!(at, 1 | 2) {
                        sun.kind
                    } else {
                        sun.civil_kind
                    };
                    *cell = match (event, kind) {
                        (Some(event), _) => clock(zone, event.timestamp()),
                        (None, DayKind::PolarDay) => words.light_all_day.to_owned(),
                        (None, DayKind::PolarNight) => words.dark_all_day.to_owned(),
                        (None, _) => "–".to_owned(),
                    };
                }
            }
            let of_day = |at: i64| crate::schedule::calendar::date_of(zone, at) == date;
            let light: Vec<String> = ground
                .light
                .iter()
                .filter(|light| of_day(light.from) || of_day(light.to - 1))
                .map(|light| format!("{}–{}", clock(zone, light.from), clock(zone, light.to)))
                .collect();
            let light = if light.is_empty() {
                words.no_light.to_owned()
            } else {
                light.join(", ")
            };
            *out += &format!("<tr><td>{}</td><td>{date}</td>", escape(&ground.id));
            for cell in &cells {
                *out += &format!("<td>{cell}</td>");
            }
            *out += &format!("<td><b>{light}</b></td></tr>\n");
        }
    }
    *out += &format!(
        "</table><p>{}</p>\n",
        escape(&fill(words.margin, &[&roster.margin_min.to_string()]))
    );
}

/// `setting 2, wood to road R-7`, of each setting of a row.
fn settings(roster: &Roster<'_>, row: &Row, words: &Words) -> String {
    let outlets = row.block.map(|block| &roster.layout.blocks[block].outlets);
    let name = |setting: u32| match outlets.and_then(|outlets| outlets.get(&setting)) {
        _ if setting == 0 => words.road_clearing.to_owned(),
        Some(outlet) if !outlet.name.is_empty() => {
            let kind = named(&words.outlet_kinds, &outlet.kind);
            let name = outlet.name.replace(';', ", ");
            escape(&fill(words.wood_to, &[&setting.to_string(), &kind, &name]))
        }
        Some(outlet) if outlet.kind == "access" => {
            fill(words.wood_to_nearest, &[&setting.to_string()])
        }
        _ => setting.to_string(),
    };
    let names = row.settings(roster).into_iter().map(name);
    names.collect::<Vec<_>>().join("<br>")
}

fn tasks(out: &mut String, roster: &Roster<'_>, shift: &ShiftPlan, words: &Words) {
    let zone = roster.zone;
    heads(out, words.work, &words.work_heads);
    for row in &shift.rows {
        let sections = match (&row.first, &row.last) {
            (Some(first), Some(last)) if row.units.len() > 1 => {
                let count = row.units.len().to_string();
                fill(words.sections, &[&label(first), &label(last), &count])
            }
            (Some(first), _) => label(first),
            _ => String::new(),
        };
        *out += &format!(
            "<tr><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td class=\"n\">{:.2}</td></tr>\n",
            clock(zone, row.span.from),
            clock(zone, row.span.to),
            escape(words.job(row.job)),
            escape(&row.block_id),
            settings(roster, row, words),
            sections,
            row.hours()
        );
    }
    *out += &format!("</table><p>{}</p>\n", escape(words.key));
}

fn hazards(
    out: &mut String,
    roster: &Roster<'_>,
    shift: &ShiftPlan,
    blocks: &[usize],
    words: &Words,
) {
    *out += &format!("<h2>{}</h2>\n<ul>", escape(words.mind));
    for &block in blocks {
        let ground = &roster.layout.blocks[block];
        let mut zones: BTreeMap<(&str, &str), usize> = BTreeMap::new();
        for zone in &ground.zones {
            if words.zones.iter().any(|(kind, _)| *kind == zone.kind) {
                // Why it may be wet is all the same to who works there.
                let class = match zone.kind == ZoneKind::MayBeWet.key() {
                    true => "",
                    false => &zone.class,
                };
                *zones.entry((&zone.kind, class)).or_default() += 1;
            }
        }
        let mut reasons: BTreeSet<&str> = BTreeSet::new();
        for row in shift.rows.iter().filter(|row| row.block == Some(block)) {
            for &unit in &row.units {
                let section = &ground.sections[roster.sections[block][unit]];
                reasons.extend(section.reasons.iter().map(String::as_str));
            }
        }
        let mut said: Vec<String> = zones
            .iter()
            .map(|((kind, class), count)| {
                let kind = named(&words.zones, kind);
                if class.is_empty() {
                    format!("{count} × {kind}")
                } else {
                    format!("{count} × {kind} ({class})")
                }
            })
            .collect();
        if !reasons.is_empty() {
            let reasons: Vec<String> = reasons.iter().map(|r| words.reason(r)).collect();
            said.push(fill(words.day_only, &[&reasons.join(", ")]));
        }
        let this: BTreeSet<String> = (shift.rows.iter())
            .filter(|row| row.block == Some(block))
            .flat_map(|row| &row.units)
            .map(|&unit| {
                let own = &ground.sections[roster.sections[block][unit]];
                format!(
                    "{}-{}.{}/{}",
                    own.part, own.strip_no, own.piece, own.section_no
                )
            })
            .collect();
        let mut closing: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
        let worked = shift.rows.iter().filter(|row| row.block == Some(block));
        for &unit in worked.flat_map(|row| &row.units) {
            let section = &ground.sections[roster.sections[block][unit]];
            if !section.open.is_always() {
                let names = closing.entry(section.open.written()).or_default();
                names.extend(section.windows.iter().map(String::as_str));
            }
        }
        for (written, names) in closing {
            let names: Vec<&str> = names.into_iter().collect();
            let days = written.parse().unwrap_or_default();
            let days = told::days(&days, roster.layout.language);
            said.push(fill(words.window, &[&names.join(", "), &days]));
        }
        for own in &ground.people {
            if !own.sections.iter().any(|section| this.contains(section)) {
                continue;
            }
            let known = if own.said { "" } else { words.nobody_says };
            let metres = own
                .length_m
                .filter(|m| *m > 0.0)
                .map_or(String::new(), |m| format!(", {m:.0} m"));
            let within = own
                .distance_m
                .map_or(String::new(), |m| fill(words.within, &[&format!("{m:.0}")]));
            let role = named(&words.roles, &own.role);
            said.push(fill(
                words.close,
                &[
                    &own.id,
                    &format!("{role}{metres}"),
                    &format!("{within}{known}"),
                ],
            ));
        }
        let near: Vec<&str> = (roster.problem.blocks[block].near.iter())
            .map(|&other| roster.problem.blocks[other].id.as_str())
            .collect();
        if !near.is_empty() {
            said.push(fill(words.nobody_in, &[&near.join(", ")]));
        }
        if said.is_empty() {
            said.push(words.nothing_mapped.to_owned());
        }
        *out += &format!(
            "<li><b>{}</b>: {}</li>",
            escape(&ground.id),
            escape(&said.join("; "))
        );
    }
    *out += "</ul>\n";
}

/// Maps beyond so many would fill no one page.
const MOST_MAPS: usize = 4;

fn maps(out: &mut String, roster: &Roster<'_>, shift: &ShiftPlan, blocks: &[usize], words: &Words) {
    *out += &format!(
        "<h2>{}</h2>\n<div class=\"maps\">\n",
        escape(words.map_head)
    );
    // So that the page stays one.
    let side = match blocks.len() {
        1 => 400.0,
        2 => 300.0,
        _ => 215.0,
    };
    for &block in blocks.iter().take(MOST_MAPS) {
        map(out, roster, shift, block, side);
    }
    *out += "</div>\n";
    if blocks.len() > MOST_MAPS {
        let more = (blocks.len() - MOST_MAPS).to_string();
        *out += &format!("<p>{}</p>\n", escape(&fill(words.more_maps, &[&more])));
    }
    let colours = [ORANGE, SKY_BLUE, GREY_LIGHT].map(swatch);
    let key = fill(words.map_key, &colours.each_ref().map(String::as_str));
    *out += &format!("<p>{key}</p>\n");
}

fn swatch(fill: &str) -> String {
    format!(
        "<svg width=\"14\" height=\"10\" role=\"presentation\"><rect width=\"14\" height=\"10\" fill=\"{fill}\" stroke=\"{GREY_MIDDLE}\"/></svg>"
    )
}

/// What a map shows beyond the block's edge, m.
const MARGIN_M: f64 = 25.0;

fn map(out: &mut String, roster: &Roster<'_>, shift: &ShiftPlan, block: usize, side: f64) {
    let ground = &roster.layout.blocks[block];
    let Some(bounds) = ground.shape.bounding_rect() else {
        return;
    };
    let view = View::new(bounds, side);
    // Names of patterns are those of the page: each map needs its own.
    let name = |pattern: &str| format!("{pattern}-{block}");
    *out += &format!(
        "<figure><figcaption>{}</figcaption><svg viewBox=\"0 0 {s} {s}\" width=\"{s}\" height=\"{s}\" role=\"img\">\
         <defs><clipPath id=\"{clip}\"><rect width=\"{s}\" height=\"{s}\"/></clipPath>\
         <pattern id=\"{cross}\" width=\"8\" height=\"8\" patternUnits=\"userSpaceOnUse\"><path d=\"M0 0l8 8M8 0l-8 8\" stroke=\"{}\" stroke-width=\".9\"/></pattern>\
         <pattern id=\"{level}\" width=\"8\" height=\"5\" patternUnits=\"userSpaceOnUse\"><path d=\"M0 2.5h8\" stroke=\"{}\" stroke-width=\"1.4\"/></pattern>\
         <pattern id=\"{day}\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\"><path d=\"M0 3h6\" stroke=\"{BLACK}\" stroke-width=\".9\"/></pattern>\
         </defs><rect width=\"{s}\" height=\"{s}\" fill=\"{GREY_PALE}\"/><g clip-path=\"url(#{clip})\" fill-rule=\"evenodd\">\n",
        escape(&ground.id),
        style::VERMILLION,
        style::PURPLE,
        s = px(side),
        clip = name("c"),
        cross = name("x"),
        level = name("l"),
        day = name("d"),
    );
    let draw = |shapes: &geo::MultiPolygon, attributes: &str| {
        let path = view.path(shapes);
        if path.is_empty() {
            String::new()
        } else {
            format!("<path d=\"{}\" {attributes}/>\n", path.0)
        }
    };
    *out += &draw(&ground.shape, &format!("fill=\"{WHITE}\""));
    let now = this_shift(roster, shift, block);
    for (index, section) in ground.sections.iter().enumerate() {
        let (fill, striped) = match (now.contains(&index), section.class) {
            (false, _) => (GREY_LIGHT, false),
            (true, ShiftClass::DayOnly) => (ORANGE, true),
            (true, ShiftClass::NightSafe) => (SKY_BLUE, false),
        };
        *out += &draw(
            &section.shape,
            &format!("fill=\"{fill}\" stroke=\"{WHITE}\" stroke-width=\".4\""),
        );
        if striped {
            *out += &draw(&section.shape, &format!("fill=\"url(#{})\"", name("d")));
        }
    }
    for zone in &ground.zones {
        let attributes = match zone.kind.as_str() {
            "reserve" => style::RESERVE.fill.to_owned() + " " + style::RESERVE.outline,
            "machine_exclusion" => {
                format!(
                    "fill=\"url(#{})\" {}",
                    name("x"),
                    style::MACHINE_EXCLUSION.outline
                )
            }
            "hazard" => format!("fill=\"url(#{})\" {}", name("l"), style::HAZARD.outline),
            _ => continue,
        };
        *out += &draw(&zone.shape, &attributes);
    }
    *out += &draw(
        &ground.shape,
        &format!("fill=\"none\" {}", style::BLOCK.outline),
    );
    *out += "</g>";
    scale_bar(out, &view, side);
    *out += "</svg></figure>\n";
}

fn this_shift(roster: &Roster<'_>, shift: &ShiftPlan, block: usize) -> BTreeSet<usize> {
    let rows = shift.rows.iter();
    let rows = rows.filter(|row| row.block == Some(block) && row.job != Job::Move);
    rows.flat_map(|row| row.units.iter().map(|&unit| roster.sections[block][unit]))
        .collect()
}

fn scale_bar(out: &mut String, view: &View, side: f64) {
    let metres = [20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0];
    let fits = metres.iter().rev().find(|m| **m * view.scale < side / 3.0);
    let metres = fits.copied().unwrap_or(20.0);
    let wide = metres * view.scale;
    *out += &format!(
        "<path d=\"M10 {y}h{w}\" stroke=\"{BLACK}\" stroke-width=\"3\"/><text x=\"10\" y=\"{ty}\" font-size=\"11\">{metres} m</text>",
        y = px(side - 8.0),
        w = px(wide),
        ty = px(side - 13.0)
    );
}

struct View {
    scale: f64,
    x: f64,
    top: f64,
}

impl View {
    fn new(bounds: Rect, side: f64) -> View {
        let wide = bounds.width().max(bounds.height()) + 2.0 * MARGIN_M;
        let centre = bounds.center();
        View {
            scale: side / wide,
            x: centre.x - wide / 2.0,
            top: centre.y + wide / 2.0,
        }
    }

    fn path(&self, shapes: &geo::MultiPolygon) -> PathData {
        let mut path = PathData::default();
        for polygon in &shapes.0 {
            for ring in std::iter::once(polygon.exterior()).chain(polygon.interiors()) {
                let points = ring
                    .0
                    .iter()
                    .map(|c| ((c.x - self.x) * self.scale, (self.top - c.y) * self.scale));
                path.add(points, true);
            }
        }
        path
    }
}
