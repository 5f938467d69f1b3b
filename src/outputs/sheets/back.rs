//! The back of a sheet: what people need in the woods besides the map. Where it does not hold all, it goes on on further pages.

use std::collections::BTreeSet;

use geo::{Coord, Point};
use geographiclib_rs::{DirectGeodesic, Geodesic};

use super::SheetContext;
use super::canvas::{BODY, Canvas, Frame, Tone, Type};
use super::font::{self, Weight};
use super::panels;
use super::paper::Sheet;
use super::words::Words;
use crate::geometry::distance::{SegmentIndex, polygon_segments, share_along};
use crate::model::{
    BlockPlan, BlockStatus, FallingSnow, PieceId, PowerLineNote, StripKind, StripName, SurveyNote,
    Zone, ZoneKind,
};
use crate::outputs::style::{self, Ink};
use crate::outputs::told::told;
use crate::outputs::{signs, text, wind_order};

const SIZE: f64 = 8.5;
const LINE: f64 = 10.6;
const BETWEEN: f64 = 16.0;
/// Where a word is written in by hand.
const BLANK: f64 = 15.0;
/// A text is never longer than this.
const MOST_LINES: usize = 60;
/// Roads farther off are nobody's way out.
const ROAD_WITHIN_M: f64 = 1e5;

/// One page without a map.
#[derive(Clone, Debug)]
pub struct Plain {
    /// Not yet deflated.
    pub content: Vec<u8>,
    pub opacities: BTreeSet<u8>,
}

/// Text that flows through two columns and on to further pages.
struct Flow<'f> {
    sheet: &'f Sheet,
    block_id: &'f str,
    fails: bool,
    context: &'f SheetContext<'f>,
    canvas: Canvas,
    column: usize,
    y: f64,
    done: Vec<Plain>,
}

impl<'f> Flow<'f> {
    fn new(sheet: &'f Sheet, plan: &'f BlockPlan, context: &'f SheetContext<'f>) -> Flow<'f> {
        let mut flow = Flow {
            sheet,
            block_id: &plan.id,
            fails: plan.status == BlockStatus::Fail,
            context,
            canvas: Canvas::new(context.theme),
            column: 0,
            y: 0.0,
            done: vec![],
        };
        flow.begin();
        flow
    }

    /// Head and foot of a page.
    fn begin(&mut self) {
        let (head, words) = (self.sheet.head, self.context.words);
        (self.canvas).ground(self.sheet.width, self.sheet.height);
        let page = (self.done.len() + 1).to_string();
        let name = text::fill(words.back, &[self.block_id, &page]);
        let big = Type {
            size: 14.0,
            weight: Weight::Bold,
            ..BODY
        };
        let name = font::fit(&name, big.weight, big.size, head.width);
        self.canvas.bytes(big, head.x, head.top() - 14.0, &name);
        if self.fails {
            panels::not_for_work(&mut self.canvas, head, head.right() - 178.0, words);
        }
        let small = Type { size: 8.5, ..BODY };
        let line = panels::plan_line(self.context);
        let line = font::fit(&line, small.weight, small.size, head.width);
        self.canvas.bytes(small, head.x, head.top() - 27.0, &line);
        let foot = font::fit(words.back_foot, BODY.weight, BODY.size, head.width);
        (self.canvas).bytes(BODY, head.x, self.sheet.foot.y + 4.0, &foot);
        self.column = 0;
        self.y = self.area().top();
    }

    /// The column in hand.
    fn area(&self) -> Frame {
        let sheet = self.sheet;
        let width = (sheet.head.width - BETWEEN) / 2.0;
        Frame {
            x: sheet.head.x + self.column as f64 * (width + BETWEEN),
            y: sheet.foot.top() + 4.0,
            width,
            height: sheet.head.y - sheet.foot.top() - 8.0,
        }
    }

    fn page(&mut self) {
        let next = Canvas::new(self.context.theme);
        let (content, opacities) = std::mem::replace(&mut self.canvas, next).finish();
        self.done.push(Plain { content, opacities });
    }

    /// Makes room for so much height: the next column, or the next page.
    fn room(&mut self, height: f64) {
        if self.y - height >= self.area().y {
            return;
        }
        if self.column == 0 {
            self.column = 1;
            self.y = self.area().top();
        } else {
            self.page();
            self.begin();
        }
    }

    fn heading(&mut self, word: &str) {
        // With two lines below it.
        self.room(LINE * 4.0);
        if self.y < self.area().top() {
            self.y -= LINE * 0.5;
        }
        let area = self.area();
        self.y -= LINE;
        panels::heading(&mut self.canvas, area, self.y, word);
        self.y -= 3.0;
    }

    fn typed(weight: Weight) -> Type {
        Type {
            size: SIZE,
            weight,
            ..BODY
        }
    }

    fn text(&mut self, words: &str) {
        let width = self.area().width;
        for line in font::wrap(words, Weight::Plain, SIZE, width, MOST_LINES) {
            self.room(LINE);
            self.y -= LINE;
            let area = self.area();
            (self.canvas).bytes(Flow::typed(Weight::Plain), area.x, self.y, &line);
        }
        self.y -= 2.0;
    }

    /// A label, and below it what is said; a line to write on where nothing is.
    fn said(&mut self, label: &str, value: Option<&str>, words: &Words) {
        match value {
            Some(value) => self.text(&text::fill(words.label, &[label, value])),
            None => {
                self.room(LINE + BLANK);
                self.text(&text::fill(words.label, &[label, words.not_given]));
                let area = self.area();
                self.y -= BLANK - 4.0;
                let y = self.y;
                self.canvas.apart(|canvas| {
                    canvas.pen(Ink::Faint, 0.6);
                    canvas.path([(area.x, y), (area.right(), y)].into_iter(), false);
                    canvas.stroke();
                });
                self.y -= 4.0;
            }
        }
    }

    /// A QR code with its words beside it; nothing where a text is too long for one.
    fn dots(&mut self, said: &str, words: &Words) {
        /// What a telephone reads from a hand's breadth.
        const DOT: f64 = 1.6;
        /// Pale dots around, as the standard asks.
        const QUIET: f64 = 4.0;
        let Ok(code) = qrcode::QrCode::new(said.as_bytes()) else {
            return;
        };
        let side = code.width();
        let high = (side as f64 + 2.0 * QUIET) * DOT;
        self.room(high);
        let area = self.area();
        let (left, top) = (area.x + QUIET * DOT, self.y - QUIET * DOT);
        let dark = code.to_colors();
        self.canvas.apart(|canvas| {
            // Cameras look for dark dots on pale ground.
            canvas.fill_with(Tone::Set(style::WHITE));
            canvas.rect(Frame {
                x: area.x,
                y: self.y - high,
                width: high,
                height: high,
            });
            canvas.fill();
            canvas.fill_with(Tone::Set(style::BLACK));
            for (at, colour) in dark.iter().enumerate() {
                if *colour == qrcode::Color::Dark {
                    let (row, column) = (at / side, at % side);
                    canvas.rect(Frame {
                        x: left + column as f64 * DOT,
                        y: top - (row as f64 + 1.0) * DOT,
                        width: DOT,
                        height: DOT,
                    });
                }
            }
            canvas.fill();
        });
        let kind = Flow::typed(Weight::Plain);
        let x = area.x + high + 4.0;
        let lines = font::wrap(words.scan, kind.weight, SIZE, area.right() - x, 4);
        for (row, line) in lines.iter().enumerate() {
            let y = top - LINE * (row as f64 + 1.0);
            self.canvas.bytes(kind, x, y, line);
        }
        self.y -= high;
    }

    fn finish(mut self) -> Vec<Plain> {
        self.page();
        self.done
    }
}

/// The pages of one block.
pub fn draw(plan: &BlockPlan, sheet: &Sheet, context: &SheetContext<'_>) -> Vec<Plain> {
    let words = context.words;
    let mut flow = Flow::new(sheet, plan, context);
    emergency(&mut flow, plan, words);
    work(&mut flow, plan, words);
    who_may_stand(&mut flow, plan, words);
    near_wires(&mut flow, plan, words);
    weather(
        &mut flow,
        plan,
        context.settings.falling_snow.as_ref(),
        words,
    );
    surveyed(&mut flow, &plan.surveys, words);
    findings(&mut flow, plan, words);
    flow.finish()
}

fn emergency(flow: &mut Flow<'_>, plan: &BlockPlan, words: &Words) {
    flow.heading(words.emergency);
    let own = &plan.emergency;
    flow.said(words.phone, own.phone.as_deref(), words);
    flow.said(words.radio, own.radio.as_deref(), words);
    flow.said(words.muster_point, own.muster_point.as_deref(), words);
    flow.said(words.access, own.access.as_deref(), words);
    let start = signs::start(plan);
    let place = start_place(plan);
    let said = place.map(|place| position(place, words));
    flow.said(words.start_at, said.as_deref(), words);
    if let Some(place) = place {
        flow.dots(&geo_text(place, &plan.id, &flow.context.mark.input), words);
    }
    let near = start.and_then(|start| nearest_road(plan, start).map(|road| (start, road)));
    let road = match near {
        None => words.no_road.to_owned(),
        Some((start, (name, at))) if (at - start).x.hypot((at - start).y) < 1.0 => {
            text::fill(words.road_here, &[name])
        }
        Some((start, (name, at))) => {
            let off = at - start;
            let metres = format!("{:.0}", off.x.hypot(off.y));
            let way = off.x.atan2(off.y).to_degrees() + plan.frame.grid_north_deg();
            let there = degrees(plan, at).map_or(String::new(), |place| {
                text::fill(words.road_place, &[&position(place, words)])
            });
            text::fill(
                words.road_there,
                &[name, &metres, compass(way, words), &there],
            )
        }
    };
    flow.said(words.nearest_road, Some(&road), words);
}

/// Longitude and latitude of START.
pub fn start_place(plan: &BlockPlan) -> Option<Coord> {
    degrees(plan, signs::start(plan)?)
}

/// A place as a `geo:` address (RFC 5870), which telephones open on a map, with the block and the mark of the input as its
/// parameters.
fn geo_text(place: Coord, block_id: &str, input: &str) -> String {
    let mut id = String::new();
    for byte in block_id.bytes() {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' => {
                id.push(char::from(byte));
            }
            _ => id += &format!("%{byte:02X}"),
        }
    }
    format!(
        "geo:{:.6},{:.6};u=5;block={id};input={input}",
        place.y, place.x
    )
}

/// Longitude and latitude on WGS 84 of a place of the frame, by the geodesic from the frame's middle.
pub fn degrees(plan: &BlockPlan, at: Coord) -> Option<Coord> {
    let middle = plan.place?;
    let way_deg = at.x.atan2(at.y).to_degrees() + plan.frame.grid_north_deg();
    let (lat, lon): (f64, f64) =
        Geodesic::wgs84().direct(middle.y, middle.x, way_deg, at.x.hypot(at.y));
    Some(Coord { x: lon, y: lat })
}

/// `47.12345° N, 88.12345° W`: to a metre.
pub fn position(place: Coord, words: &Words) -> String {
    let [north, east, south, west] = [0, 2, 4, 6].map(|eighth| words.compass[eighth]);
    format!(
        "{:.5}° {}, {:.5}° {} (WGS 84)",
        place.y.abs(),
        if place.y < 0.0 { south } else { north },
        place.x.abs(),
        if place.x < 0.0 { west } else { east }
    )
}

fn compass(deg: f64, words: &Words) -> &'static str {
    words.compass[(deg / 45.0).round().rem_euclid(8.0) as usize % 8]
}

/// The nearest road near the block: its id, and the place on its cleared ground that is nearest.
fn nearest_road(plan: &BlockPlan, from: Coord) -> Option<(&str, Coord)> {
    let roads = plan.zones.iter();
    let roads = roads.filter(|zone| zone.kind == ZoneKind::RoadClearing);
    let places = roads.filter_map(|zone| {
        let (at, off_m) = nearest_of(zone, from)?;
        Some((zone.source_id.as_str(), at, off_m))
    });
    let nearest = places.min_by(|a, b| a.2.total_cmp(&b.2).then(a.0.cmp(b.0)))?;
    Some((nearest.0, nearest.1))
}

fn nearest_of(zone: &Zone, from: Coord) -> Option<(Coord, f64)> {
    use geo::Contains;
    if zone.shape.contains(&Point(from)) {
        return Some((from, 0.0));
    }
    let index = SegmentIndex::new(zone.shape.0.iter().flat_map(polygon_segments).collect());
    let off_m = index.distance(from, ROAD_WITHIN_M)?;
    let places = zone.shape.0.iter().flat_map(polygon_segments).map(|s| {
        let at = s.a + (s.b - s.a) * share_along(from, s.a, s.b);
        ((at - from).x.hypot((at - from).y), at)
    });
    let (_, at) = places.min_by(|a, b| a.0.total_cmp(&b.0))?;
    Some((at, off_m))
}

fn work(flow: &mut Flow<'_>, plan: &BlockPlan, words: &Words) {
    flow.heading(words.work);
    for note in words.work_notes {
        flow.text(note);
    }
    if (plan.strips.iter()).any(|strip| strip.kind == StripKind::RoadClearing) {
        flow.text(words.work_clearing);
    }
    flow.text(words.names);
}

fn who_may_stand(flow: &mut Flow<'_>, plan: &BlockPlan, words: &Words) {
    flow.heading(words.who);
    let falling = &plan.falling;
    let radius = format!("{:.0}", falling.radius_m.ceil());
    let trees = match falling.trees_from {
        "unknown" => words.trees_unknown.to_owned(),
        _ => text::fill(words.trees_known, &[&format!("{:.1}", falling.trees_m)]),
    };
    flow.text(&text::fill(words.keep_away, &[&radius, &trees]));
    if !falling.radius_source.is_empty() {
        flow.text(&falling.radius_source);
    }
    flow.text(words.come_near);
    flow.text(words.where_not);
}

fn near_wires(flow: &mut Flow<'_>, plan: &BlockPlan, words: &Words) {
    flow.heading(words.near_wires);
    if plan.power_lines.is_empty() {
        return flow.text(words.no_wires);
    }
    for line in &plan.power_lines {
        flow.text(&wire(line, words));
    }
    for part in words.on_contact {
        flow.text(part);
    }
}

fn wire(line: &PowerLineNote, words: &Words) -> String {
    let name = format!("{}{}", line.id, line.named());
    let limit = format!("{:.1}", line.limit_m);
    text::fill(words.wire, &[&name, &limit, &line.limit_source])
}

fn weather(flow: &mut Flow<'_>, plan: &BlockPlan, snow: Option<&FallingSnow>, words: &Words) {
    flow.heading(words.weather);
    flow.text(words.wind_why);
    let strip = |id: PieceId| StripName(id.part, id.strip_no).to_string();
    for part in &plan.parts {
        let number = part.part.to_string();
        match wind_order::of(plan, part.part) {
            None => flow.text(&text::fill(words.wind_none, &[&number])),
            Some(order) => {
                let way = |deg: f64| format!("{} ({deg:.0}°)", compass(deg, words));
                flow.text(&text::fill(
                    words.wind_order,
                    &[
                        &number,
                        &way(order.from_deg),
                        &way(order.until_deg),
                        &strip(order.first),
                        &strip(order.last),
                    ],
                ));
            }
        }
    }
    flow.text(&match snow {
        None => words.snow_unsaid.to_owned(),
        Some(rule) if rule.night_work => text::fill(words.snow_yes, &[&rule.source]),
        Some(rule) => text::fill(words.snow_no, &[&rule.source]),
    });
}

fn surveyed(flow: &mut Flow<'_>, surveys: &[SurveyNote], words: &Words) {
    flow.heading(words.surveyed);
    for note in surveys {
        let role = words.roles.iter().find(|(role, _)| *role == note.role);
        let role = role.map_or(note.role.as_str(), |(_, word)| word);
        let own = &note.accuracy;
        let how = own.surveyed.as_deref().unwrap_or(words.survey_unsaid);
        let off = own
            .figures()
            .map_or(words.off_unsaid.to_owned(), |figures| {
                text::fill(words.off, &[&figures, &own.source])
            });
        let row = text::fill(words.survey, &[role, &note.features.to_string(), how, &off]);
        flow.text(&row);
    }
}

fn findings(flow: &mut Flow<'_>, plan: &BlockPlan, words: &Words) {
    if plan.findings.is_empty() {
        return;
    }
    flow.heading(words.all_findings);
    for (index, finding) in plan.findings.iter().enumerate() {
        let said = told(plan, finding, words.map.language);
        flow.text(&format!("{}. {said}", index + 1));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Read by a reader that is not ours.
    #[test]
    fn a_reader_of_dots_reads_where_work_starts() {
        let place = Coord {
            x: -86.965_241_7,
            y: 48.739_339_6,
        };
        let said = geo_text(place, "WS 2/é", "9ed7a242396d");
        assert_eq!(
            said,
            "geo:48.739340,-86.965242;u=5;block=WS%202%2F%C3%A9;input=9ed7a242396d"
        );
        let code = qrcode::QrCode::new(said.as_bytes()).unwrap();
        let (side, dark) = (code.width(), code.to_colors());
        let (dot, quiet) = (4, 4);
        let whole = (side + 2 * quiet) * dot;
        let mut image = rqrr::PreparedImage::prepare_from_greyscale(whole, whole, |x, y| {
            let at = |pixel: usize| (pixel / dot).checked_sub(quiet).filter(|at| *at < side);
            match (at(x), at(y)) {
                (Some(x), Some(y)) if dark[y * side + x] == qrcode::Color::Dark => 0,
                _ => 255,
            }
        });
        let grids = image.detect_grids();
        assert_eq!(grids.len(), 1);
        assert_eq!(grids[0].decode().unwrap().1, said);
    }
}
