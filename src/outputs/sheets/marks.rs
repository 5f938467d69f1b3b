//! What stands on the ground: strip lines with arrows and numbers, entries, numbered findings.

use geo::{Coord, Geometry, InteriorPoint, LineString};

use super::canvas::{Align, BODY, Canvas, Frame, PT_PER_PX, Tone, Type};
use super::details::Part;
use super::font::{self, Weight};
use super::furniture::{self, Norths};
use super::ground::{self, points};
use super::paper::Sheet;
use super::settings;
use super::words::Words;
use crate::model::{BlockPlan, Heading, StripKind, StripName, Verdict};
use crate::outputs::map::marks::{
    Arrows, Marks, SIDESTEPS, along, arrowheads, flag, hexagon, label_places, number_step,
    step_places,
};
use crate::outputs::map::svg::{Area, Room};
use crate::outputs::style::{self, Ink, Kind};
use crate::outputs::{signs, text, told};

const MOST_MARKERS: usize = 40;
/// In points.
const ARROWS: Arrows = Arrows {
    shortest: 10.0,
    every: 120.0,
    head: [(4.0, 0.0), (-3.2, 2.5), (-3.2, -2.5)],
};

/// Numbers of strips; larger for what matters more.
const LABEL: Type = Type {
    weight: Weight::Bold,
    align: Align::Centre,
    halo: true,
    ..BODY
};

fn width_of(kind: Type, label: &str) -> f64 {
    font::width(&font::encode(label), kind.weight, kind.size) + 2.0
}

struct Drawer<'s> {
    canvas: &'s mut Canvas,
    sheet: &'s Sheet,
    plan: &'s BlockPlan,
    words: &'s Words,
    room: Room,
}

/// Draws everything that must stay legible: what matters most takes its room first.
pub fn draw(
    canvas: &mut Canvas,
    sheet: &Sheet,
    plan: &BlockPlan,
    norths: Norths,
    words: &Words,
    parts: &[Part],
) -> Marks {
    let map = sheet.map;
    let mut drawer = Drawer {
        canvas,
        sheet,
        plan,
        words,
        room: Room::new(Area {
            x: map.x,
            y: map.y,
            width: map.width,
            height: map.height,
        }),
    };
    let pitch = pitch(sheet, plan);
    let crowded = pitch < 9.0;
    // The furniture's room is taken now and drawn on top of all else.
    let (bar, arrow) = sheet.plates;
    for plate in [bar, arrow] {
        drawer.room.take(Area {
            x: plate.x,
            y: plate.y,
            width: plate.width,
            height: plate.height,
        });
    }
    let any_line = |around: bool| {
        plan.lines
            .iter()
            .any(|line| (line.heading == Heading::Around) == around)
    };
    let mut marks = Marks::default();
    marks.note(any_line(false), Kind::StripIn);
    marks.note(any_line(true), Kind::StripAround);
    // On a large block bunches would be a grey veil over all else.
    if !plan.bunches.is_empty() && !crowded {
        marks.note(true, Kind::Bunch);
        drawer.lines(Kind::Bunch, plan.bunches.iter().map(|bunch| &bunch.shape));
    }
    drawer.strip_lines(crowded);
    settings::draw(drawer.canvas, sheet, plan, &mut marks);
    drawer.finding_outlines();
    marks.note(drawer.windows(), Kind::Window);
    marks.note(drawer.people(), Kind::People);
    marks.note(drawer.power_lines(), Kind::PowerLine);
    drawer.parts(parts);
    marks.steps = drawer.start();
    drawer.steps();
    marks.note(drawer.notes(), Kind::Note);
    marks.note(drawer.finding_markers(), Kind::Finding);
    drawer.setting_names();
    drawer.patch_ids();
    drawer.numbers(pitch);
    drawer.arrows(crowded);
    furniture::scale_bar(canvas, sheet, bar, words);
    furniture::north(canvas, arrow, norths, words);
    marks
}

/// Room in points for the longest number of a strip; 0 without strips.
pub fn widest_number(plan: &BlockPlan) -> f64 {
    (signs::strips_from_outlets(plan).keys())
        .map(|(part, strip_no)| width_of(LABEL, &StripName(*part, *strip_no).to_string()))
        .fold(0.0, f64::max)
}

/// Points from one strip to the next, by the strip of middle width; infinite without strips.
pub fn pitch(sheet: &Sheet, plan: &BlockPlan) -> f64 {
    let mut widths: Vec<f64> = plan
        .strips
        .iter()
        .filter(|strip| strip.kind == StripKind::Interior && !strip.gap)
        .map(|strip| strip.width_m)
        .collect();
    widths.sort_by(f64::total_cmp);
    let middle = widths.get(widths.len() / 2).copied();
    let corridor_m = plan.corridor_width_m.unwrap_or(0.0);
    middle.map_or(f64::INFINITY, |width_m| {
        (width_m + corridor_m) * sheet.pt_per_m
    })
}

impl Drawer<'_> {
    fn lines<'l>(&mut self, kind: Kind, lines: impl Iterator<Item = &'l LineString>) {
        let sheet = self.sheet;
        let lines: Vec<&LineString> = lines.filter(|line| ground::shows(sheet, *line)).collect();
        self.drawn(kind, &mut |canvas, sheet| {
            for line in &lines {
                canvas.path(points(sheet, line), false);
            }
        });
    }

    fn drawn(&mut self, kind: Kind, path: &mut dyn FnMut(&mut Canvas, &Sheet)) {
        let sheet = self.sheet;
        settings::outline(self.canvas, kind, &mut |canvas| {
            path(canvas, sheet);
        });
    }

    fn strip_lines(&mut self, crowded: bool) {
        let width = if crowded { 0.25 } else { 0.55 };
        for around in [false, true] {
            let lines = self.plan.lines.iter();
            let sheet = self.sheet;
            let lines = lines.filter(|line| {
                (line.heading == Heading::Around) == around && ground::shows(sheet, &line.shape)
            });
            self.canvas.apart(|canvas| {
                canvas.pen(Ink::Words, width);
                if around {
                    canvas.dash(&[4.0, 2.0]);
                }
                for line in lines {
                    canvas.path(points(sheet, &line.shape), false);
                }
                canvas.stroke();
            });
        }
    }

    fn arrows(&mut self, crowded: bool) {
        let size = if crowded { 20.0 } else { 7.0 };
        let mut heads = Vec::new();
        for line in &self.plan.lines {
            let places: Vec<(f64, f64)> = points(self.sheet, &line.shape).collect();
            heads.extend(arrowheads(&places, &ARROWS, size, &mut self.room));
        }
        self.canvas.apart(|canvas| {
            canvas.fill_with(Ink::Words);
            for head in heads {
                canvas.path(head.into_iter(), true);
            }
            canvas.fill();
        });
    }

    /// The id of every patch inside it, where there is room.
    fn patch_ids(&mut self) {
        for (id, at) in signs::patch_places(self.plan) {
            let (x, y) = self.sheet.place(at);
            let width = width_of(LABEL, &id);
            if self.room.take(Area::around(x, y, width, 8.5)) {
                self.canvas.text(LABEL, x, y - 2.9, &id);
            }
        }
    }

    /// One number per strip at its outlet end, beyond the end of the line if there is room, else on the line, else none.
    fn numbers(&mut self, pitch: f64) {
        let strips = signs::strips_from_outlets(self.plan);
        let step = number_step(pitch, widest_number(self.plan));
        let places: &[f64] = if step == 1 { &[-6.5, 7.5] } else { &[-6.5] };
        for ((part, strip_no), line) in strips {
            if strip_no != 1 && strip_no % step != 0 {
                continue;
            }
            let from_outlet: Vec<(f64, f64)> =
                line.iter().map(|at| self.sheet.place(*at)).collect();
            let begins_here = from_outlet
                .first()
                .is_some_and(|at| self.is_on_the_map(*at));
            let (from_outlet, places) = match begins_here {
                true => (from_outlet, places),
                // On a part of the block a strip has its number where it comes in.
                false => (self.entering_the_map(&from_outlet), &[12.0_f64, 24.0][..]),
            };
            let Some(((x, y), (dx, dy))) = along(&from_outlet, 0.0) else {
                continue;
            };
            let label = StripName(part, strip_no).to_string();
            let width = width_of(LABEL, &label);
            for ahead in places {
                let (x, y) = (x + ahead * dx, y + ahead * dy);
                if self.room.take(Area::around(x, y, width, 8.5)) {
                    self.canvas.text(LABEL, x, y - 2.9, &label);
                    break;
                }
            }
        }
    }

    /// Where larger maps of parts lie, with their letters.
    fn parts(&mut self, parts: &[Part]) {
        for part in parts {
            let [west, south, east, north] = part.sheet.ground();
            let place = |x: f64, y: f64| self.sheet.place(Coord { x, y });
            let (low, high) = (place(west, south), place(east, north));
            let frame = Frame {
                x: low.0,
                y: low.1,
                width: high.0 - low.0,
                height: high.1 - low.1,
            };
            part_frame(self.canvas, frame);
            let kind = Type {
                size: 11.0,
                ..LABEL
            };
            let map = self.sheet.map;
            let (x, y) = (frame.x.max(map.x) + 9.0, frame.top().min(map.top()) - 9.0);
            let label = part.letter.to_string();
            self.room.take(Area::around(x, y, 11.0, 11.0));
            self.canvas.text(kind, x, y - 4.0, &label);
        }
    }

    fn is_on_the_map(&self, (x, y): (f64, f64)) -> bool {
        let map = self.sheet.map;
        (map.x..=map.right()).contains(&x) && (map.y..=map.top()).contains(&y)
    }

    /// A line from where it first comes on the map, to a point of the paper; nothing where it does not.
    fn entering_the_map(&self, line: &[(f64, f64)]) -> Vec<(f64, f64)> {
        for (at, edge) in line.windows(2).enumerate() {
            let (a, b) = (edge[0], edge[1]);
            let length = (b.0 - a.0).hypot(b.1 - a.1);
            // A line far longer than any paper is a slip.
            let steps = length.ceil().min(1e4) as u32;
            let on = |step: u32| {
                let share = f64::from(step) / f64::from(steps.max(1));
                (a.0 + share * (b.0 - a.0), a.1 + share * (b.1 - a.1))
            };
            let first = (0..=steps).map(on).find(|place| self.is_on_the_map(*place));
            if let Some(first) = first {
                return std::iter::once(first)
                    .chain(line[at + 1..].iter().copied())
                    .collect();
            }
        }
        vec![]
    }

    /// Ground that is open on some days only, with the days inside where there is room.
    fn windows(&mut self) -> bool {
        let (sheet, plan) = (self.sheet, self.plan);
        let drawn = || plan.windows.iter().filter(|note| note.is_drawn());
        let polygons = drawn().flat_map(|note| note.shape.0.iter());
        self.lines(
            Kind::Window,
            polygons.flat_map(crate::geometry::area::rings),
        );
        for note in drawn() {
            let Some(at) = signs::middle(&note.shape) else {
                continue;
            };
            let (x, y) = sheet.place(at);
            let label = told::days(&note.days, self.words.map.language);
            if self
                .room
                .take(Area::around(x, y, width_of(LABEL, &label), 9.0))
            {
                self.canvas.text(LABEL, x, y - 2.9, &label);
            }
        }
        drawn().next().is_some()
    }

    /// Where other people pass so near that a stretch is to be closed or watched.
    fn people(&mut self) -> bool {
        let notes = self.plan.people.iter().filter(|note| note.said);
        let lines: Vec<&LineString> = notes.flat_map(|note| note.lines()).collect();
        let any = !lines.is_empty();
        self.lines(Kind::People, lines.into_iter());
        any
    }

    /// Power lines, each with its figures beside it.
    fn power_lines(&mut self) -> bool {
        let (sheet, plan) = (self.sheet, self.plan);
        let lines = plan.power_lines.iter().flat_map(|note| note.lines());
        self.lines(Kind::PowerLine, lines);
        for note in &plan.power_lines {
            let label = note.label();
            let width = width_of(LABEL, &label);
            let at = |line: &&LineString| {
                let places: Vec<(f64, f64)> = points(sheet, line).collect();
                label_places(&places, 9.0)
            };
            let places: Vec<(f64, f64)> = note.lines().iter().flat_map(at).collect();
            let free =
                (places.into_iter()).find(|&(x, y)| self.room.take(Area::around(x, y, width, 9.0)));
            if let Some((x, y)) = free {
                self.canvas.text(LABEL, x, y - 2.9, &label);
            }
        }
        !plan.power_lines.is_empty()
    }

    /// The one place where order 1 begins: step 1, with the word.
    fn start(&mut self) -> bool {
        let Some((x, y)) = signs::start(self.plan).map(|at| self.sheet.place(at)) else {
            return false;
        };
        let kind = Type { size: 9.0, ..LABEL };
        let width = width_of(kind, self.words.map.start);
        self.room.take(Area::around(x, y, 13.0, 12.0));
        let aside = width / 2.0 + 8.0;
        let places = [(0.0, 12.0), (0.0, -12.0), (aside, 0.0), (-aside, 0.0)];
        // Where nothing is free, it stands all the same: no other sign matters more.
        let (dx, dy) = places
            .into_iter()
            .find(|(dx, dy)| self.room.take(Area::around(x + dx, y + dy, width, 10.0)))
            .unwrap_or(places[0]);
        step_sign(self.canvas, 1, x, y);
        self.canvas
            .text(kind, x + dx, y + dy - 3.2, self.words.map.start);
        true
    }

    /// Numbers of the steps after the first, each on the line with which it begins.
    fn steps(&mut self) {
        for (index, line) in signs::first_steps(self.plan)
            .into_iter()
            .enumerate()
            .skip(1)
        {
            let places: Vec<(f64, f64)> = points(self.sheet, &line.shape).collect();
            for (x, y) in step_places(&places, 14.0) {
                if self.room.take(Area::around(x, y, 13.0, 12.0)) {
                    step_sign(self.canvas, index + 1, x, y);
                    break;
                }
            }
        }
    }

    /// A flag where a note of the field was taken, its kind beside it where there is room; lines as they were walked.
    fn notes(&mut self) -> bool {
        let (sheet, plan) = (self.sheet, self.plan);
        let lines = signs::note_lines(plan);
        self.lines(Kind::Note, lines.iter().copied());
        let mut any = !lines.is_empty();
        let map = sheet.map;
        for (kind, at) in signs::note_places(plan) {
            let (x, y) = sheet.place(at);
            let inside = x >= map.x && x <= map.right() && y >= map.y && y <= map.top();
            if !inside {
                continue;
            }
            any = true;
            // It stands whatever lies below; later signs give way to it.
            self.room.take(Area::around(x + 3.0, y + 5.0, 9.0, 12.0));
            note_sign(self.canvas, x, y);
            let width = width_of(LABEL, &kind);
            let (left, right) = (x - width / 2.0 - 2.0, x + 9.0 + width / 2.0);
            let places = [
                (right, y + 6.0),
                (left, y + 6.0),
                (right, y - 5.0),
                (left, y - 5.0),
            ];
            let free = places
                .into_iter()
                .find(|(x, y)| self.room.take(Area::around(*x, *y, width, 8.5)));
            if let Some((x, y)) = free.filter(|_| !kind.is_empty()) {
                self.canvas.text(LABEL, x, y - 2.9, &kind);
            }
        }
        any
    }

    /// Names of settings, where a block has several.
    fn setting_names(&mut self) {
        let kind = Type {
            size: 10.0,
            ..LABEL
        };
        for (number, at) in signs::setting_places(self.plan) {
            let name = text::fill(self.words.map.setting, &[&number.to_string()]);
            let width = width_of(kind, &name);
            let (x, y) = self.sheet.place(at);
            let free = SIDESTEPS
                .into_iter()
                .map(|(dx, dy)| (x + 14.0 * dx, y + 14.0 * dy))
                .find(|(x, y)| self.room.take(Area::around(*x, *y, width, 12.0)));
            if let Some((x, y)) = free {
                self.canvas.text(kind, x, y - 3.6, &name);
            }
        }
    }

    fn finding_outlines(&mut self) {
        let findings = &self.plan.findings;
        self.drawn(Kind::Finding, &mut |canvas, sheet| {
            for shape in findings.iter().filter_map(|finding| finding.shape.as_ref()) {
                outline(canvas, sheet, shape);
            }
        });
    }

    fn finding_markers(&mut self) -> bool {
        let mut any = false;
        for (index, finding) in self.plan.findings.iter().enumerate().take(MOST_MARKERS) {
            let Some(place) = finding
                .shape
                .as_ref()
                .and_then(|shape| shape.interior_point())
            else {
                continue;
            };
            let (x, y) = self.sheet.place(place.0);
            let near = [(0.0, 0.0)].into_iter().chain((0..24).map(|step| {
                let turn = f64::from(step % 8) * std::f64::consts::FRAC_PI_4;
                let away = 14.0 * f64::from(1 + step / 8);
                (away * turn.cos(), away * turn.sin())
            }));
            for (dx, dy) in near {
                if !self.room.take(Area::around(x + dx, y + dy, 13.0, 13.0)) {
                    continue;
                }
                if (dx, dy) != (0.0, 0.0) {
                    self.canvas.apart(|canvas| {
                        canvas.pen(Ink::Words, 0.5);
                        canvas.path([(x, y), (x + dx, y + dy)].into_iter(), false);
                        canvas.stroke();
                    });
                }
                marker(self.canvas, index + 1, finding.verdict, x + dx, y + dy);
                any = true;
                break;
            }
        }
        any
    }
}

/// Around the ground of a larger map.
pub fn part_frame(canvas: &mut Canvas, frame: Frame) {
    canvas.apart(|canvas| {
        canvas.pen(Ink::Words, 0.7);
        canvas.dash(&[1.5, 4.0]);
        canvas.rect(frame);
        canvas.stroke();
    });
}

/// A flag that flies from a place.
pub fn note_sign(canvas: &mut Canvas, x: f64, y: f64) {
    // Points grow upwards, pixels of maps downwards.
    let [pole, cloth] = flag(0.0, 0.0, 6.8).map(|part| {
        let part = part.into_iter().map(|(dx, dy)| (x + dx, y - dy));
        part.collect::<Vec<_>>()
    });
    canvas.apart(|canvas| {
        canvas.pen(Ink::Paper, 2.6);
        canvas.path(pole.iter().copied(), false);
        canvas.path(cloth.iter().copied(), true);
        canvas.stroke();
        canvas.fill_with(Ink::Paper);
        canvas.pen(Ink::Words, 0.8);
        canvas.path(cloth.iter().copied(), true);
        canvas.fill_and_stroke();
        canvas.pen(Ink::Words, 1.1);
        canvas.path(pole.iter().copied(), false);
        canvas.stroke();
    });
}

/// A number of a step in a hexagon, so that no finding's sign looks like it.
pub fn step_sign(canvas: &mut Canvas, number: usize, x: f64, y: f64) {
    canvas.apart(|canvas| {
        canvas.fill_with(Ink::Words);
        canvas.pen(Ink::Paper, 0.8);
        let corners = hexagon(6.8).into_iter();
        canvas.path(corners.map(|(dx, dy)| (x + dx, y + dy)), true);
        canvas.fill_and_stroke();
        let kind = Type {
            colour: Tone::Of(Ink::Paper),
            halo: false,
            ..LABEL
        };
        canvas.text(kind, x, y - 2.9, &number.to_string());
    });
}

/// A numbered sign: a square where a rule is not met, else a disc.
pub fn marker(canvas: &mut Canvas, number: usize, verdict: Verdict, x: f64, y: f64) {
    let [fill, ink] = style::sign_on(canvas.theme(), verdict);
    let r = 8.5 * PT_PER_PX;
    canvas.apart(|canvas| {
        canvas.fill_with(Tone::Set(fill));
        canvas.pen(Ink::Words, 0.8);
        if verdict == Verdict::Fail {
            canvas.rect(Frame {
                x: x - r,
                y: y - r,
                width: 2.0 * r,
                height: 2.0 * r,
            });
        } else {
            canvas.circle(x, y, r);
        }
        canvas.fill_and_stroke();
        let kind = Type {
            size: BODY.size,
            weight: Weight::Bold,
            align: Align::Centre,
            colour: Tone::Set(ink),
            halo: false,
        };
        canvas.text(kind, x, y - 2.9, &number.to_string());
    });
}

fn outline(canvas: &mut Canvas, sheet: &Sheet, shape: &Geometry) {
    let mut line = |line: &LineString| canvas.path(points(sheet, line), false);
    match shape {
        Geometry::LineString(single) => line(single),
        Geometry::MultiLineString(lines) => lines.iter().for_each(line),
        Geometry::Polygon(polygon) => {
            line(polygon.exterior());
            polygon.interiors().iter().for_each(line);
        }
        Geometry::MultiPolygon(polygons) => {
            for polygon in polygons {
                line(polygon.exterior());
                polygon.interiors().iter().for_each(&mut line);
            }
        }
        Geometry::GeometryCollection(all) => {
            all.iter().for_each(|shape| outline(canvas, sheet, shape));
        }
        Geometry::Line(edge) => line(&LineString(vec![edge.start, edge.end])),
        Geometry::Rect(rect) => line(rect.to_polygon().exterior()),
        Geometry::Triangle(triangle) => line(triangle.to_polygon().exterior()),
        // A point is where its marker stands.
        Geometry::Point(_) | Geometry::MultiPoint(_) => {}
    }
}
