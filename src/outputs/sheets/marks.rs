//! What stands on the ground: grid, strip lines with arrows and numbers, entries, numbered findings, scale bar, north.

use std::collections::BTreeMap;

use geo::{Coord, Geometry, InteriorPoint, LineString};

use super::canvas::{Align, BODY, Canvas, Frame, PT_PER_PX, Type};
use super::font::{self, Weight};
use super::ground::points;
use super::paper::Sheet;
use super::words::Words;
use crate::model::{BlockPlan, Heading, StripKind, StripLine, Verdict};
use crate::outputs::map::marks::{along, marker_colours, number_step, round_length};
use crate::outputs::map::svg::{Area, Room};
use crate::outputs::paint::{Paint, Rgb};
use crate::outputs::{style, text};

/// Least distance of two grid lines on paper.
const GRID_PT: f64 = 70.0;
const SCALE_BAR_PT: f64 = 150.0;
const MOST_MARKERS: usize = 40;

/// Which marks were drawn, for the legend.
#[derive(Default)]
pub struct Marks {
    pub lines: bool,
    pub around: bool,
    pub bunches: bool,
    pub findings: bool,
    pub entries: bool,
}

/// Ways of north on this sheet, in degrees clockwise from grid north.
#[derive(Clone, Copy, Default)]
pub struct Norths {
    pub magnetic_deg: Option<f64>,
}

/// Grid lines at round coordinates of the work CRS, with their figures outside the frame. Returns their distance in
/// metres.
pub fn grid(canvas: &mut Canvas, sheet: &Sheet, origin: [f64; 2]) -> f64 {
    let step = round_up(GRID_PT / sheet.pt_per_m);
    let [west, south, east, north] = sheet.ground();
    let map = sheet.map;
    let kind = Type {
        size: 6.0,
        align: Align::Centre,
        ..BODY
    };
    let lines = |low: f64, high: f64, offset: f64| -> Vec<f64> {
        let (first, last) = (
            ((low + offset) / step).ceil(),
            ((high + offset) / step).floor(),
        );
        // A frame of a few hundred points holds few lines; more would be a slip in the scale.
        let count = (last - first + 1.0).clamp(0.0, 100.0) as u32;
        (0..count)
            .map(|index| (first + f64::from(index)) * step)
            .collect()
    };
    let (eastings, northings) = (lines(west, east, origin[0]), lines(south, north, origin[1]));
    canvas.apart(|canvas| {
        canvas.pen(Rgb::parse(style::GREY_MIDDLE), 0.25);
        canvas.opacity(0.7);
        for easting in &eastings {
            let (x, _) = sheet.place(Coord {
                x: easting - origin[0],
                y: 0.0,
            });
            canvas.path([(x, map.y), (x, map.top())].into_iter(), false);
        }
        for northing in &northings {
            let (_, y) = sheet.place(Coord {
                x: 0.0,
                y: northing - origin[1],
            });
            canvas.path([(map.x, y), (map.right(), y)].into_iter(), false);
        }
        canvas.stroke();
    });
    for easting in &eastings {
        let (x, _) = sheet.place(Coord {
            x: easting - origin[0],
            y: 0.0,
        });
        if x > map.x + 15.0 && x < map.right() - 15.0 {
            canvas.text(kind, x, map.y - 7.0, &format!("{easting:.0} E"));
        }
    }
    for northing in &northings {
        let (_, y) = sheet.place(Coord {
            x: 0.0,
            y: northing - origin[1],
        });
        if y > map.y + 18.0 && y < map.top() - 18.0 {
            canvas.upwards(kind, map.x - 3.0, y, &format!("{northing:.0} N"));
        }
    }
    step
}

/// The shortest 1, 2 or 5 times a power of ten that is not below.
fn round_up(least: f64) -> f64 {
    let power = 10f64.powf(least.log10().floor());
    [1.0, 2.0, 5.0]
        .into_iter()
        .map(|step| step * power)
        .find(|length| *length >= least)
        .unwrap_or(10.0 * power)
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
    let crowded = pitch < 6.0;
    // The furniture's room is taken now and drawn on top of all else.
    let bar = drawer.bar_plate();
    let arrow = drawer.arrow_plate(norths);
    let mut marks = Marks::default();
    // On a large block bunches would be a grey veil over all else.
    marks.bunches = !plan.bunches.is_empty() && !crowded;
    if marks.bunches {
        drawer.thin_lines(
            plan.bunches.iter().map(|bunch| &bunch.shape),
            style::VERMILLION,
            0.3,
        );
    }
    drawer.strip_lines(crowded);
    marks.lines = plan
        .lines
        .iter()
        .any(|line| line.heading != Heading::Around);
    marks.around = plan
        .lines
        .iter()
        .any(|line| line.heading == Heading::Around);
    drawer.finding_outlines();
    marks.entries = drawer.entries();
    marks.findings = drawer.finding_markers();
    drawer.numbers(pitch);
    drawer.arrows(crowded);
    drawer.scale_bar(bar);
    drawer.north(arrow, norths);
    marks
}

/// Points from one strip to the next; infinite without strips.
fn pitch(sheet: &Sheet, plan: &BlockPlan) -> f64 {
    let strips = plan
        .strips
        .iter()
        .filter(|strip| strip.kind == StripKind::Interior);
    let narrowest = strips
        .map(|strip| strip.width_m)
        .fold(f64::INFINITY, f64::min);
    (narrowest + plan.corridor_width_m.unwrap_or(0.0)) * sheet.pt_per_m
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
            let length: f64 = places
                .windows(2)
                .map(|edge| (edge[1].0 - edge[0].0).hypot(edge[1].1 - edge[0].1))
                .sum();
            if length < 10.0 {
                continue;
            }
            let count = ((length / 120.0).round() as usize).max(1);
            for index in 0..count {
                let share = (index as f64 + 0.55) / count as f64;
                let Some(((x, y), (dx, dy))) = along(&places, share) else {
                    continue;
                };
                if !self.room.take(Area::around(x, y, size, size)) {
                    continue;
                }
                let corner = |ahead: f64, aside: f64| {
                    (x + ahead * dx - aside * dy, y + ahead * dy + aside * dx)
                };
                heads.push([corner(4.0, 0.0), corner(-3.2, 2.5), corner(-3.2, -2.5)]);
            }
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
            let Some(((x, y), (dx, dy))) = along(&self.from_road(line), 0.0) else {
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
    fn from_road(&self, line: &StripLine) -> Vec<(f64, f64)> {
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
            let Some(((x, y), (dx, dy))) = along(&self.from_road(line), 0.0) else {
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

    fn plate(&mut self, frame: Frame) -> Frame {
        self.room.take(Area {
            x: frame.x,
            y: frame.y,
            width: frame.width,
            height: frame.height,
        });
        frame
    }

    /// Points of a metre on the ground.
    fn ground_pt(&self) -> f64 {
        super::canvas::PT_PER_MM * 1000.0 / self.sheet.denominator
    }

    fn bar_plate(&mut self) -> Frame {
        let length_m = round_length(SCALE_BAR_PT / self.ground_pt());
        let map = self.sheet.map;
        self.plate(Frame {
            x: map.x + 4.0,
            y: map.y + 4.0,
            width: length_m * self.ground_pt() + 34.0,
            height: 22.0,
        })
    }

    fn scale_bar(&mut self, plate: Frame) {
        let length_m = round_length(SCALE_BAR_PT / self.ground_pt());
        let width = length_m * self.ground_pt();
        let (x, y) = (plate.x + 10.0, plate.y + 4.0);
        self.canvas.apart(|canvas| {
            white(canvas, plate);
            canvas.pen(Rgb::parse(style::GREY_DARK), 0.6);
            canvas.fill_colour(Rgb::parse(style::GREY_DARK));
            for (share, filled) in [(0.0, true), (0.5, false)] {
                canvas.rect(Frame {
                    x: x + width * share,
                    y,
                    width: width / 2.0,
                    height: 4.0,
                });
                if filled {
                    canvas.fill_and_stroke();
                } else {
                    canvas.stroke();
                }
            }
            let kind = Type {
                size: 7.0,
                align: Align::Centre,
                ..BODY
            };
            for (share, label) in [
                (0.0, "0".to_owned()),
                (0.5, format!("{}", length_m / 2.0)),
                (
                    1.0,
                    text::fill(text::ENGLISH.metres, &[&length_m.to_string()]),
                ),
            ] {
                canvas.text(kind, x + width * share, y + 7.5, &label);
            }
        });
    }

    fn arrow_plate(&mut self, norths: Norths) -> Frame {
        let map = self.sheet.map;
        let width = if norths.magnetic_deg.is_some() {
            62.0
        } else {
            44.0
        };
        self.plate(Frame {
            x: map.right() - width - 4.0,
            y: map.top() - 62.0,
            width,
            height: 58.0,
        })
    }

    fn north(&mut self, plate: Frame, norths: Norths) {
        let (x, y) = (plate.x + plate.width / 2.0, plate.y + 28.0);
        let words = self.words;
        self.canvas.apart(|canvas| {
            white(canvas, plate);
            canvas.pen(Rgb::parse(style::GREY_DARK), 0.6);
            if let Some(degrees) = norths.magnetic_deg {
                // Small angles are drawn at least so wide that the two arrows part; the figure is in the panel.
                let shown = degrees.signum() * degrees.abs().clamp(12.0, 60.0);
                let (sin, cos) = shown.to_radians().sin_cos();
                let end = (x + 24.0 * sin, y - 12.0 + 24.0 * cos);
                canvas.path([(x, y - 12.0), end].into_iter(), false);
                canvas.stroke();
                let kind = Type {
                    size: 6.5,
                    align: Align::Centre,
                    ..BODY
                };
                let (lx, ly) = (x + 29.0 * sin, y - 14.0 + 29.0 * cos);
                canvas.text(kind, lx + 3.0 * sin.signum(), ly, words.magnetic_sign);
            }
            canvas.fill_colour(Rgb::parse(style::GREY_DARK));
            canvas.path(
                [(x, y + 16.0), (x, y - 10.0), (x - 7.0, y - 15.0)].into_iter(),
                true,
            );
            canvas.fill_and_stroke();
            canvas.fill_colour(Rgb::parse(style::WHITE));
            canvas.path(
                [(x, y + 16.0), (x + 7.0, y - 15.0), (x, y - 10.0)].into_iter(),
                true,
            );
            canvas.fill_and_stroke();
            let bold = Type {
                size: 8.5,
                weight: Weight::Bold,
                align: Align::Centre,
                ..BODY
            };
            canvas.text(bold, x, y + 19.0, text::ENGLISH.north);
            let small = Type {
                size: 6.5,
                align: Align::Centre,
                ..BODY
            };
            canvas.text(small, x, plate.y + 3.5, text::ENGLISH.grid_north);
        });
    }
}

/// The first piece of every interior strip, by part and strip.
fn first_pieces(plan: &BlockPlan) -> BTreeMap<(u32, u32), &StripLine> {
    let mut firsts = BTreeMap::new();
    for line in &plan.lines {
        if line.kind == StripKind::Interior && line.shape.0.len() >= 2 {
            let kept = firsts
                .entry((line.id.part, line.id.strip_no))
                .or_insert(line);
            if line.id.piece < kept.id.piece {
                *kept = line;
            }
        }
    }
    firsts
}

/// A pale plate, so that marks on it stay legible whatever lies below.
fn white(canvas: &mut Canvas, frame: Frame) {
    canvas.apart(|canvas| {
        canvas.opacity(0.88);
        canvas.fill_colour(Rgb::parse(style::WHITE));
        canvas.rect(frame);
        canvas.fill();
    });
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn grid_steps_are_round_and_not_below() {
        for (least, step) in [(30.0, 50.0), (50.0, 50.0), (51.0, 100.0), (150.0, 200.0)] {
            assert_eq!(round_up(least), step);
        }
    }
}
