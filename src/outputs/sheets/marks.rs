//! What stands on the ground: strip lines with arrows and numbers, entries, numbered findings.

use std::collections::BTreeMap;

use geo::{Geometry, InteriorPoint, LineString};

use super::canvas::{Align, BODY, Canvas, Frame, PT_PER_PX, Type};
use super::font::{self, Weight};
use super::furniture::{self, Norths};
use super::ground::points;
use super::paper::Sheet;
use super::words::Words;
use crate::model::{BlockPlan, Heading, StripKind, StripLine, Verdict};
use crate::outputs::map::marks::{
    Arrows, along, arrowheads, first_pieces, marker_colours, number_step,
};
use crate::outputs::map::svg::{Area, Room};
use crate::outputs::paint::{Paint, Rgb};
use crate::outputs::style;

const MOST_MARKERS: usize = 40;
/// In points.
const ARROWS: Arrows = Arrows {
    shortest: 10.0,
    every: 120.0,
    head: [(4.0, 0.0), (-3.2, 2.5), (-3.2, -2.5)],
};

/// Which marks were drawn, for the legend.
#[derive(Default)]
pub struct Marks {
    pub lines: bool,
    pub around: bool,
    pub bunches: bool,
    pub findings: bool,
    pub entries: bool,
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
    let (bar, arrow) = (
        furniture::bar_plate(sheet),
        furniture::arrow_plate(sheet, norths),
    );
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
    let mut marks = Marks {
        lines: any_line(false),
        around: any_line(true),
        // On a large block bunches would be a grey veil over all else.
        bunches: !plan.bunches.is_empty() && !crowded,
        ..Marks::default()
    };
    if marks.bunches {
        drawer.thin_lines(
            plan.bunches.iter().map(|bunch| &bunch.shape),
            style::VERMILLION,
            0.3,
        );
    }
    drawer.strip_lines(crowded);
    drawer.finding_outlines();
    marks.entries = drawer.entries();
    marks.findings = drawer.finding_markers();
    drawer.numbers(pitch);
    drawer.arrows(crowded);
    furniture::scale_bar(canvas, sheet, bar, words);
    furniture::north(canvas, arrow, norths, words);
    marks
}

/// Points from one strip to the next, by the strip of middle width; infinite without strips.
fn pitch(sheet: &Sheet, plan: &BlockPlan) -> f64 {
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
    fn thin_lines<'l>(
        &mut self,
        lines: impl Iterator<Item = &'l LineString>,
        colour: &str,
        width: f64,
    ) {
        let sheet = self.sheet;
        self.canvas.apart(|canvas| {
            canvas.pen(Rgb::parse(colour), width);
            for line in lines {
                canvas.path(points(sheet, line), false);
            }
            canvas.stroke();
        });
    }

    fn strip_lines(&mut self, crowded: bool) {
        let plan = self.plan;
        let width = if crowded { 0.25 } else { 0.55 };
        let of = |around: bool| {
            plan.lines
                .iter()
                .filter(move |line| (line.heading == Heading::Around) == around)
                .map(|line| &line.shape)
        };
        self.thin_lines(of(false), style::GREY_DARK, width);
        let sheet = self.sheet;
        self.canvas.apart(|canvas| {
            canvas.pen(Rgb::parse(style::GREY_DARK), width);
            canvas.dash(&[4.0, 2.0]);
            for line in of(true) {
                canvas.path(points(sheet, line), false);
            }
            canvas.stroke();
        });
    }

    fn arrows(&mut self, crowded: bool) {
        let size = if crowded { 20.0 } else { 7.0 };
        let mut heads = Vec::new();
        for line in &self.plan.lines {
            let places: Vec<(f64, f64)> = points(self.sheet, &line.shape).collect();
            heads.extend(arrowheads(&places, &ARROWS, size, &mut self.room));
        }
        self.canvas.apart(|canvas| {
            canvas.fill_colour(Rgb::parse(style::GREY_DARK));
            for head in heads {
                canvas.path(head.into_iter(), true);
            }
            canvas.fill();
        });
    }

    /// One number per strip at its road end, beyond the end of the line if there is room, else on the line, else none.
    fn numbers(&mut self, pitch: f64) {
        let kind = Type {
            size: 7.5,
            weight: Weight::Bold,
            align: Align::Centre,
            halo: true,
            ..BODY
        };
        let firsts = first_pieces(self.plan);
        let several = firsts
            .keys()
            .any(|(part, _)| firsts.keys().next().is_some_and(|(first, _)| part != first));
        let label = |part: u32, strip_no: u32| {
            if several {
                format!("{part}-{strip_no}")
            } else {
                strip_no.to_string()
            }
        };
        let width_of =
            |label: &str| font::width(&font::encode(label), kind.weight, kind.size) + 2.0;
        let widest = firsts
            .keys()
            .map(|(part, strip_no)| width_of(&label(*part, *strip_no)))
            .fold(0.0, f64::max);
        let step = number_step(pitch, widest);
        let places: &[f64] = if step == 1 { &[-6.5, 7.5] } else { &[-6.5] };
        for ((part, strip_no), line) in firsts {
            if strip_no != 1 && strip_no % step != 0 {
                continue;
            }
            let Some(((x, y), (dx, dy))) = along(&self.road_end_first(line), 0.0) else {
                continue;
            };
            let label = label(part, strip_no);
            let width = width_of(&label);
            for ahead in places {
                let (x, y) = (x + ahead * dx, y + ahead * dy);
                if self.room.take(Area::around(x, y, width, 8.0)) {
                    self.canvas.text(kind, x, y - 2.7, &label);
                    break;
                }
            }
        }
    }

    /// A strip's line on the page, from its road end.
    fn road_end_first(&self, line: &StripLine) -> Vec<(f64, f64)> {
        let mut places: Vec<(f64, f64)> = points(self.sheet, &line.shape).collect();
        if line.heading == Heading::Out {
            places.reverse();
        }
        places
    }

    /// A sign where the first strip of each part begins.
    fn entries(&mut self) -> bool {
        let mut firsts: BTreeMap<u32, &StripLine> = BTreeMap::new();
        for line in &self.plan.lines {
            if line.heading == Heading::In && line.kind == StripKind::Interior {
                let first = firsts.entry(line.id.part).or_insert(line);
                if line.order < first.order {
                    *first = line;
                }
            }
        }
        let mut any = false;
        for line in firsts.into_values() {
            let Some(((x, y), (dx, dy))) = along(&self.road_end_first(line), 0.0) else {
                continue;
            };
            for back in [13.0, 22.0, 4.0] {
                let (x, y) = (x - back * dx, y - back * dy);
                if self.room.take(Area::around(x, y, 11.0, 11.0)) {
                    entry_sign(self.canvas, x, y, self.words);
                    any = true;
                    break;
                }
            }
        }
        any
    }

    fn finding_outlines(&mut self) {
        let (sheet, plan) = (self.sheet, self.plan);
        let Some(stroke) = Paint::of(&style::FINDING).stroke else {
            return;
        };
        self.canvas.apart(|canvas| {
            canvas.stroke_style(&stroke);
            for shape in plan
                .findings
                .iter()
                .filter_map(|finding| finding.shape.as_ref())
            {
                outline(canvas, sheet, shape);
            }
            canvas.stroke();
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
                        canvas.pen(Rgb::parse(style::GREY_DARK), 0.5);
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

pub fn entry_sign(canvas: &mut Canvas, x: f64, y: f64, words: &Words) {
    canvas.apart(|canvas| {
        canvas.fill_colour(Rgb::parse(style::BLACK));
        canvas.pen(Rgb::parse(style::WHITE), 0.8);
        canvas.circle(x, y, 5.2);
        canvas.fill_and_stroke();
        let kind = Type {
            size: 7.0,
            weight: Weight::Bold,
            align: Align::Centre,
            colour: style::WHITE,
            halo: false,
        };
        canvas.text(kind, x, y - 2.5, words.entry_sign);
    });
}

/// A numbered sign: a square where a rule is not met, else a disc.
pub fn marker(canvas: &mut Canvas, number: usize, verdict: Verdict, x: f64, y: f64) {
    let (fill, ink) = marker_colours(verdict);
    let r = 8.0 * PT_PER_PX;
    canvas.apart(|canvas| {
        canvas.fill_colour(Rgb::parse(fill));
        canvas.pen(Rgb::parse(style::BLACK), 0.8);
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
            size: if number < 100 { 7.0 } else { 5.5 },
            weight: Weight::Bold,
            align: Align::Centre,
            colour: ink,
            halo: false,
        };
        canvas.text(kind, x, y - 2.5, &number.to_string());
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
