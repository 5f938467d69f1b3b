//! What helps to read the map: grid, scale bar, north.

use geo::Coord;

use super::canvas::{Align, BODY, Canvas, Frame, PT_PER_MM, Type};
use super::font::Weight;
use super::paper::Sheet;
use super::words::Words;
use crate::geometry::area::Bounds;
use crate::model::{BlockPlan, GroundFrame};
use crate::outputs::map::marks::round_length;
use crate::outputs::style::Ink;
use crate::outputs::{signs, text};

/// Least distance of two grid lines on paper.
const GRID_PT: f64 = 70.0;
const SCALE_BAR_PT: f64 = 150.0;

/// Ways of north on this sheet, in degrees clockwise from grid north.
#[derive(Clone, Copy, Default)]
pub struct Norths {
    pub true_deg: f64,
    pub magnetic_deg: Option<f64>,
}

/// Grid lines at round coordinates of the work CRS, with their figures outside the frame. Returns their distance with its
/// unit.
pub fn grid(canvas: &mut Canvas, sheet: &Sheet, frame: &GroundFrame) -> String {
    let [west, south, east, north] = sheet.ground();
    let map = sheet.map;
    let kind = Type {
        align: Align::Centre,
        ..BODY
    };
    let seen = Bounds {
        min: Coord { x: west, y: south },
        max: Coord { x: east, y: north },
    };
    let there = seen.leaving(frame);
    let unit = 1.0 / frame.unit_m();
    let (low, high) = (there.min * unit, there.max * unit);
    // Lines are far enough apart in the direction in which the grid is drawn smaller.
    let per_unit = |span: f64, units: f64| span * sheet.pt_per_m / units.max(f64::MIN_POSITIVE);
    let least = per_unit(east - west, high.x - low.x).min(per_unit(north - south, high.y - low.y));
    let step = round_up(GRID_PT / least);
    let lines = |low: f64, high: f64| -> Vec<f64> {
        let (first, last) = ((low / step).ceil(), (high / step).floor());
        // A frame of a few hundred points holds few lines; more would be a slip in the scale.
        let count = (last - first + 1.0).clamp(0.0, 100.0) as u32;
        (0..count)
            .map(|index| (first + f64::from(index)) * step)
            .collect()
    };
    let (eastings, northings) = (lines(low.x, high.x), lines(low.y, high.y));
    let place = |x: f64, y: f64| sheet.place(frame.enter(frame.read(Coord { x, y })));
    // Lines of the grid bend by a hair on the ground, and do not run quite upright.
    const STEPS: u32 = 8;
    // A hair beyond the frame at both ends, so that each line crosses its edges.
    let parts = || (0..=STEPS).map(|step| 1.02 * f64::from(step) / f64::from(STEPS) - 0.01);
    let upright = |easting: f64| -> Vec<(f64, f64)> {
        parts()
            .map(|t| place(easting, low.y + t * (high.y - low.y)))
            .collect()
    };
    let level = |northing: f64| -> Vec<(f64, f64)> {
        parts()
            .map(|t| place(low.x + t * (high.x - low.x), northing))
            .collect()
    };
    canvas.apart(|canvas| {
        canvas.rect(map);
        canvas.clip();
        canvas.pen(Ink::Faint, 0.25);
        canvas.opacity(0.7);
        for line in eastings.iter().map(|&e| upright(e)) {
            canvas.path(line.into_iter(), false);
        }
        for line in northings.iter().map(|&n| level(n)) {
            canvas.path(line.into_iter(), false);
        }
        canvas.stroke();
    });
    let decimals = if step < 1.0 {
        (-step.log10()).ceil() as usize
    } else {
        0
    };
    let shown = |value: f64, signs: [&str; 2]| {
        if !frame.is_degrees() {
            return format!("{value:.0} {}", signs[0]);
        }
        let sign = if value < 0.0 { signs[1] } else { signs[0] };
        format!("{:.decimals$}° {sign}", value.abs())
    };
    for &easting in &eastings {
        if let Some(x) = crossing(&upright(easting), |p| (p.1, p.0), map.y)
            && x > map.x + 15.0
            && x < map.right() - 15.0
        {
            canvas.text(kind, x, map.y - 8.5, &shown(easting, ["E", "W"]));
        }
    }
    for &northing in &northings {
        if let Some(y) = crossing(&level(northing), |p| p, map.x)
            && y > map.y + 18.0
            && y < map.top() - 18.0
        {
            canvas.upwards(kind, map.x - 3.0, y, &shown(northing, ["N", "S"]));
        }
    }
    if frame.is_degrees() {
        format!("{step:.decimals$}°")
    } else if frame.unit_m() == 1.0 {
        format!("{step} m")
    } else {
        format!("{step}")
    }
}

/// Where a line passes a place on the first of the axes that `of` tells, on the second.
fn crossing(line: &[(f64, f64)], of: impl Fn((f64, f64)) -> (f64, f64), at: f64) -> Option<f64> {
    line.windows(2).find_map(|w| {
        let ((a, from), (b, to)) = (of(w[0]), of(w[1]));
        let share = (at - a) / (b - a);
        (0.0..=1.0)
            .contains(&share)
            .then_some(from + share * (to - from))
    })
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

/// Points of a metre on the ground.
fn ground_pt(sheet: &Sheet) -> f64 {
    PT_PER_MM * 1000.0 / sheet.denominator
}

fn bar_size(sheet: &Sheet) -> (f64, f64) {
    let length_m = round_length(SCALE_BAR_PT / ground_pt(sheet));
    (length_m * ground_pt(sheet) + 36.0, 23.0)
}

fn arrow_size(magnetic: bool) -> (f64, f64) {
    (if magnetic { 66.0 } else { 52.0 }, 59.0)
}

/// Places in the map's corners: bottom left, bottom right, top right, top left.
fn corners(map: Frame, (width, height): (f64, f64)) -> [Frame; 4] {
    const EDGE: f64 = 4.0;
    let (left, bottom) = (map.x + EDGE, map.y + EDGE);
    let (right, top) = (map.right() - EDGE - width, map.top() - EDGE - height);
    [(left, bottom), (right, bottom), (right, top), (left, top)].map(|(x, y)| Frame {
        x,
        y,
        width,
        height,
    })
}

/// Where scale bar and north arrow stand if nothing lies in their way.
pub fn plates_of_choice(sheet: &Sheet, magnetic: bool) -> (Frame, Frame) {
    let bar = corners(sheet.map, bar_size(sheet))[0];
    (bar, corners(sheet.map, arrow_size(magnetic))[2])
}

/// Corners of the map for scale bar and north arrow in which nothing of the block lies.
pub fn free_plates(sheet: &Sheet, magnetic: bool, plan: &BlockPlan) -> Option<(Frame, Frame)> {
    let free = |plate: &Frame| {
        let (west, south) = sheet.ground_at(plate.x, plate.y);
        let (east, north) = sheet.ground_at(plate.right(), plate.top());
        !signs::covers(plan, [west, south, east, north])
    };
    let [a, b, c, d] = corners(sheet.map, arrow_size(magnetic));
    let arrow = [c, d, b, a].into_iter().find(free)?;
    let bars = corners(sheet.map, bar_size(sheet)).into_iter();
    let bar = bars.filter(|bar| !bar.meets(&arrow)).find(free)?;
    Some((bar, arrow))
}

pub fn scale_bar(canvas: &mut Canvas, sheet: &Sheet, plate: Frame, words: &Words) {
    let length_m = round_length(SCALE_BAR_PT / ground_pt(sheet));
    let width = length_m * ground_pt(sheet);
    let (x, y) = (plate.x + 10.0, plate.y + 4.0);
    canvas.apart(|canvas| {
        white(canvas, plate);
        canvas.pen(Ink::Words, 0.6);
        canvas.fill_with(Ink::Words);
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
            align: Align::Centre,
            ..BODY
        };
        for (share, label) in [
            (0.0, "0".to_owned()),
            (0.5, format!("{}", length_m / 2.0)),
            (1.0, text::fill(words.map.metres, &[&length_m.to_string()])),
        ] {
            canvas.text(kind, x + width * share, y + 7.5, &label);
        }
    });
}

pub fn north(canvas: &mut Canvas, plate: Frame, norths: Norths, words: &Words) {
    let (x, y) = (plate.x + plate.width / 2.0, plate.y + 28.0);
    canvas.apart(|canvas| {
        white(canvas, plate);
        canvas.pen(Ink::Words, 0.6);
        if let Some(degrees) = norths.magnetic_deg {
            // Small angles are drawn at least so wide that the two arrows part; the figure is in the panel.
            let shown = degrees.signum() * degrees.abs().clamp(12.0, 60.0);
            let (sin, cos) = shown.to_radians().sin_cos();
            let end = (x + 24.0 * sin, y - 12.0 + 24.0 * cos);
            canvas.path([(x, y - 12.0), end].into_iter(), false);
            canvas.stroke();
            let kind = Type {
                align: Align::Centre,
                ..BODY
            };
            let (lx, ly) = (x + 29.0 * sin, y - 14.0 + 29.0 * cos);
            canvas.text(kind, lx + 3.0 * sin.signum(), ly, words.magnetic_sign);
        }
        canvas.fill_with(Ink::Words);
        canvas.path(
            [(x, y + 16.0), (x, y - 10.0), (x - 7.0, y - 15.0)].into_iter(),
            true,
        );
        canvas.fill_and_stroke();
        canvas.fill_with(Ink::Paper);
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
        canvas.text(bold, x, y + 19.0, words.map.north);
        let small = Type {
            align: Align::Centre,
            ..BODY
        };
        canvas.text(small, x, plate.y + 3.5, words.map.grid_north);
    });
}

/// A pale plate, so that marks on it stay legible whatever lies below.
fn white(canvas: &mut Canvas, frame: Frame) {
    canvas.apart(|canvas| {
        canvas.opacity(0.88);
        canvas.fill_with(Ink::Paper);
        canvas.rect(frame);
        canvas.fill();
    });
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
