//! What stands on the ground: strip lines with arrowheads and numbers, numbered findings, scale bar, north arrow.

use std::collections::BTreeSet;

use geo::{Geometry, InteriorPoint, LineString};

use super::settings;
use super::svg::{self, Area, PathData, Room, px};
use super::view::View;
use crate::model::{BlockPlan, Heading, StripName, Verdict};
use crate::outputs::style::{self, Kind};
use crate::outputs::text::{self, Words};
use crate::outputs::{signs, told};

const SCALE_BAR_PX: f64 = 170.0;
const MOST_MARKERS: usize = 40;

/// Which marks were drawn, for the legend.
#[derive(Default)]
pub struct Marks {
    pub kinds: BTreeSet<Kind>,
    /// Numbers of the first steps.
    pub steps: bool,
}

impl Marks {
    pub fn note(&mut self, is_drawn: bool, kind: Kind) {
        if is_drawn {
            self.kinds.insert(kind);
        }
    }
}

/// Draws everything that must stay legible: what matters most takes its room first.
pub fn draw(svg: &mut String, view: &View, plan: &BlockPlan, words: &Words) -> Marks {
    let mut room = Room::new(view.frame);
    let mut furniture = String::new();
    let (bar, arrow) = view.plates;
    scale_bar(&mut furniture, view, words, bar, &mut room);
    north_arrow(&mut furniture, words, arrow, &mut room);
    let mut marks = Marks::default();
    let mut bunches = PathData::default();
    for bunch in &plan.bunches {
        view.line(&mut bunches, &bunch.shape);
    }
    // On a large block bunches would be a grey veil over all else.
    if !bunches.is_empty() && !view.is_crowded() {
        svg.push_str(&svg::stroked(&Kind::Bunch.look(), &bunches));
        marks.note(true, Kind::Bunch);
    }
    let mut lines = PathData::default();
    let mut around = PathData::default();
    for line in &plan.lines {
        let path = if line.heading == Heading::Around {
            &mut around
        } else {
            &mut lines
        };
        view.line(path, &line.shape);
    }
    let class = if view.is_crowded() { "l f" } else { "l" };
    for (path, class) in [(&lines, class), (&around, "l a")] {
        if !path.is_empty() {
            svg.push_str(&format!("<path class=\"{class}\" d=\"{}\"/>\n", path.0));
        }
    }
    marks.note(!lines.is_empty(), Kind::StripIn);
    marks.note(!around.is_empty(), Kind::StripAround);
    settings::draw(svg, view, plan, &mut marks);
    let mut top = String::new();
    let is_drawn = windows(svg, &mut top, view, (plan, words), &mut room);
    marks.note(is_drawn, Kind::Window);
    marks.note(people(svg, view, plan), Kind::People);
    let is_drawn = power_lines(svg, &mut top, view, plan, &mut room);
    marks.note(is_drawn, Kind::PowerLine);
    marks.steps = start(&mut top, view, plan, words, &mut room);
    steps(&mut top, view, plan, &mut room);
    let is_drawn = notes(svg, &mut top, view, plan, &mut room);
    marks.note(is_drawn, Kind::Note);
    let is_drawn = findings(svg, &mut top, view, plan, &mut room);
    marks.note(is_drawn, Kind::Finding);
    setting_names(&mut top, view, plan, words, &mut room);
    patch_ids(&mut top, view, plan, &mut room);
    numbers(&mut top, view, plan, &mut room);
    arrows(svg, view, plan, &mut room);
    svg.push_str(&top);
    svg.push_str(&furniture);
    marks
}

/// Corners of a flag that flies from a place, and of its pole.
pub fn flag(x: f64, y: f64, size: f64) -> [Vec<(f64, f64)>; 2] {
    let top = y - 1.5 * size;
    let cloth = vec![
        (x, top),
        (x + size, top + size / 3.0),
        (x, top + size / 1.5),
    ];
    [vec![(x, y), (x, top)], cloth]
}

pub fn note_sign(x: f64, y: f64) -> String {
    let [pole, cloth] = flag(x, y, 9.0);
    let mut paths = [PathData::default(), PathData::default()];
    paths[0].add(pole.into_iter(), false);
    paths[1].add(cloth.into_iter(), true);
    format!(
        "<path fill=\"none\" stroke=\"{white}\" stroke-width=\"3.4\" d=\"{0}{1}\"/><path {fill} stroke=\"{ink}\" d=\"{1}\"/>\
         <path fill=\"none\" stroke=\"{ink}\" stroke-width=\"1.4\" d=\"{0}\"/>\n",
        paths[0].0,
        paths[1].0,
        white = style::WHITE,
        fill = svg::fill(&Kind::Note.look()),
        ink = style::BLACK,
    )
}

/// A flag where a note of the field was taken, its kind beside it where there is room; lines and outlines as they were walked.
fn notes(
    svg: &mut String,
    top: &mut String,
    view: &View,
    plan: &BlockPlan,
    room: &mut Room,
) -> bool {
    let mut path = PathData::default();
    for line in signs::note_lines(plan) {
        view.line(&mut path, line);
    }
    let mut any = stroke(svg, &path, Kind::Note);
    for (kind, at) in signs::note_places(plan) {
        let (x, y) = view.place(at);
        if !view.frame.holds(&Area::around(x, y, 1.0, 1.0)) {
            continue;
        }
        any = true;
        // It stands whatever lies below; later signs give way to it.
        room.take(Area::around(x + 4.0, y - 7.0, 12.0, 16.0));
        top.push_str(&note_sign(x, y));
        let width = 6.4 * kind.chars().count() as f64 + 4.0;
        let (left, right) = (x - width / 2.0 - 3.0, x + 12.0 + width / 2.0);
        let places = [
            (right, y - 8.0),
            (left, y - 8.0),
            (right, y + 6.0),
            (left, y + 6.0),
        ];
        let free = places
            .into_iter()
            .find(|(x, y)| room.take(Area::around(*x, *y, width, 12.0)));
        if let Some((x, y)) = free.filter(|_| !kind.is_empty()) {
            top.push_str(&format!(
                "<text class=\"n\" x=\"{}\" y=\"{}\">{}</text>\n",
                px(x),
                px(y + 3.9),
                svg::escape(&kind)
            ));
        }
    }
    any
}

/// Ground that is open on some days only, with the days inside where there is room.
fn windows(
    svg: &mut String,
    top: &mut String,
    view: &View,
    (plan, words): (&BlockPlan, &Words),
    room: &mut Room,
) -> bool {
    let mut path = PathData::default();
    for note in plan.windows.iter().filter(|note| note.is_drawn()) {
        for ring in note.shape.0.iter().flat_map(crate::geometry::area::rings) {
            view.line(&mut path, ring);
        }
        let Some(at) = signs::middle(&note.shape) else {
            continue;
        };
        let (x, y) = view.place(at);
        let label = told::days(&note.days, words.language);
        let width = 6.4 * label.chars().count() as f64 + 4.0;
        if room.take(Area::around(x, y, width, 12.0)) {
            top.push_str(&format!(
                "<text class=\"n\" x=\"{}\" y=\"{}\">{}</text>\n",
                px(x),
                px(y + 3.9),
                svg::escape(&label)
            ));
        }
    }
    stroke(svg, &path, Kind::Window)
}

/// Where other people pass so near that a stretch is to be closed or watched.
fn people(svg: &mut String, view: &View, plan: &BlockPlan) -> bool {
    let mut path = PathData::default();
    let notes = plan.people.iter().filter(|note| note.said);
    for line in notes.flat_map(|note| note.lines()) {
        view.line(&mut path, line);
    }
    stroke(svg, &path, Kind::People)
}

/// Power lines, each with its figures beside it.
fn power_lines(
    svg: &mut String,
    top: &mut String,
    view: &View,
    plan: &BlockPlan,
    room: &mut Room,
) -> bool {
    let mut path = PathData::default();
    for note in &plan.power_lines {
        for line in note.lines() {
            view.line(&mut path, line);
        }
        let label = note.label();
        let width = 6.8 * label.chars().count() as f64 + 6.0;
        let at = |line: &&LineString| label_places(&pixels(view, line), 14.0);
        let places: Vec<(f64, f64)> = note.lines().iter().flat_map(at).collect();
        let free = places
            .into_iter()
            .find(|&(x, y)| room.take(Area::around(x, y, width, 14.0)));
        if let Some((x, y)) = free {
            top.push_str(&format!(
                "<text class=\"n\" x=\"{}\" y=\"{}\">{}</text>\n",
                px(x),
                px(y + 3.9),
                svg::escape(&label)
            ));
        }
    }
    stroke(svg, &path, Kind::PowerLine)
}

/// Draws lines, if there are any; whether there are.
fn stroke(out: &mut String, path: &PathData, kind: Kind) -> bool {
    out.push_str(&svg::stroked(&kind.look(), path));
    !path.is_empty()
}

/// Where the name of a long line may stand: beside it, every so often along it.
pub fn label_places(line: &[(f64, f64)], beside: f64) -> Vec<(f64, f64)> {
    let shares = (1..40).map(|step| f64::from(step * 17 % 40) / 40.0);
    let places = shares.filter_map(|share| along(line, share));
    places
        .flat_map(|((x, y), (dx, dy))| {
            let aside = |side: f64| (x - side * beside * dy, y + side * beside * dx);
            [aside(1.0), aside(-1.0)]
        })
        .collect()
}

/// Where order 1 begins: step 1, with the word.
fn start(top: &mut String, view: &View, plan: &BlockPlan, words: &Words, room: &mut Room) -> bool {
    let Some((x, y)) = signs::start(plan).map(|at| view.place(at)) else {
        return false;
    };
    let width = 8.6 * words.start.chars().count() as f64 + 8.0;
    room.take(Area::around(x, y, 17.0, 17.0));
    let aside = width / 2.0 + 10.0;
    let places = [(0.0, -16.0), (0.0, 17.0), (aside, 0.0), (-aside, 0.0)];
    let free = places
        .into_iter()
        .find(|(dx, dy)| room.take(Area::around(x + dx, y + dy, width, 14.0)));
    let (dx, dy) = free.unwrap_or(places[0]);
    top.push_str(&step_sign(1, x, y));
    top.push_str(&format!(
        "<text class=\"n\" style=\"font-size:12px\" x=\"{}\" y=\"{}\">{}</text>\n",
        px(x + dx),
        px(y + dy + 4.2),
        svg::escape(words.start),
    ));
    true
}

/// Where the number of a step may stand: along its line from the beginning, else beside the beginning.
pub fn step_places(line: &[(f64, f64)], beside: f64) -> Vec<(f64, f64)> {
    let along_it = [0.08, 0.2, 0.35, 0.5, 0.7, 0.9].map(|share| along(line, share));
    let mut places: Vec<(f64, f64)> = along_it.into_iter().flatten().map(|(at, _)| at).collect();
    let Some(&(x, y)) = line.first() else {
        return places;
    };
    places.extend((0..24).map(|step| {
        let turn = f64::from(step % 8) * std::f64::consts::FRAC_PI_4;
        let away = beside * f64::from(1 + step / 8);
        (x + away * turn.cos(), y + away * turn.sin())
    }));
    places
}

/// Numbers of the steps after the first, each on the line with which it begins.
fn steps(top: &mut String, view: &View, plan: &BlockPlan, room: &mut Room) {
    for (index, line) in signs::first_steps(plan).into_iter().enumerate().skip(1) {
        let points = pixels(view, &line.shape);
        for (x, y) in step_places(&points, 18.0) {
            if room.take(Area::around(x, y, 17.0, 17.0)) {
                top.push_str(&step_sign(index + 1, x, y));
                break;
            }
        }
    }
}

/// Corners of a step's sign about its middle: six, so that no finding's sign looks like it.
pub fn hexagon(r: f64) -> [(f64, f64); 6] {
    let high = r * 0.866;
    [
        (r, 0.0),
        (r / 2.0, high),
        (-r / 2.0, high),
        (-r, 0.0),
        (-r / 2.0, -high),
        (r / 2.0, -high),
    ]
}

pub fn step_sign(number: usize, x: f64, y: f64) -> String {
    let mut path = PathData::default();
    path.add(
        hexagon(9.0).into_iter().map(|(dx, dy)| (x + dx, y + dy)),
        true,
    );
    format!(
        "<path fill=\"{ink}\" stroke=\"{white}\" d=\"{}\"/>\
         <text class=\"s c\" style=\"fill:{white};font-weight:700\" x=\"{}\" y=\"{}\">{number}</text>\n",
        path.0,
        px(x),
        px(y + 3.9),
        ink = style::BLACK,
        white = style::WHITE,
    )
}

/// Names of settings, where a block has several.
fn setting_names(top: &mut String, view: &View, plan: &BlockPlan, words: &Words, room: &mut Room) {
    for (number, at) in signs::setting_places(plan) {
        let name = text::fill(words.setting, &[&number.to_string()]);
        let width = 7.6 * name.chars().count() as f64 + 6.0;
        let (x, y) = view.place(at);
        let free = SIDESTEPS
            .into_iter()
            .map(|(dx, dy)| (x + 18.0 * dx, y + 18.0 * dy))
            .find(|(x, y)| room.take(Area::around(*x, *y, width, 16.0)));
        if let Some((x, y)) = free {
            top.push_str(&format!(
                "<text class=\"n\" style=\"font-size:13px\" x=\"{}\" y=\"{}\">{}</text>\n",
                px(x),
                px(y + 4.6),
                svg::escape(&name)
            ));
        }
    }
}

/// Where a name may give way to, in steps of its height.
pub const SIDESTEPS: [(f64, f64); 9] = [
    (0.0, 0.0),
    (0.0, 1.0),
    (0.0, -1.0),
    (1.0, 0.0),
    (-1.0, 0.0),
    (1.0, 1.0),
    (-1.0, -1.0),
    (1.0, -1.0),
    (-1.0, 1.0),
];

/// The place and direction (unit vector, pixels) at a share of a line's length.
pub fn along(points: &[(f64, f64)], share: f64) -> Option<((f64, f64), (f64, f64))> {
    let length = |a: (f64, f64), b: (f64, f64)| (b.0 - a.0).hypot(b.1 - a.1);
    let whole: f64 = points.windows(2).map(|edge| length(edge[0], edge[1])).sum();
    let mut left = whole * share;
    for edge in points.windows(2) {
        let (a, b) = (edge[0], edge[1]);
        let here = length(a, b);
        if here > 0.0 && left <= here {
            let direction = ((b.0 - a.0) / here, (b.1 - a.1) / here);
            return Some((
                (a.0 + direction.0 * left, a.1 + direction.1 * left),
                direction,
            ));
        }
        left -= here;
    }
    None
}

fn pixels(view: &View, line: &LineString) -> Vec<(f64, f64)> {
    line.0.iter().map(|coord| view.place(*coord)).collect()
}

/// How arrowheads stand along lines, in the units of the drawing.
pub struct Arrows {
    /// Lines shorter than this have none.
    pub shortest: f64,
    pub every: f64,
    /// Corners of a head: ahead along the line, and to its side.
    pub head: [(f64, f64); 3],
}

/// In pixels.
const ARROWS: Arrows = Arrows {
    shortest: 16.0,
    every: 170.0,
    head: [(5.0, 0.0), (-4.0, 3.2), (-4.0, -3.2)],
};

/// Corners of the arrowheads along a line, where there is room for squares of `size`.
pub fn arrowheads(
    points: &[(f64, f64)],
    arrows: &Arrows,
    size: f64,
    room: &mut Room,
) -> Vec<[(f64, f64); 3]> {
    let length: f64 = points
        .windows(2)
        .map(|edge| (edge[1].0 - edge[0].0).hypot(edge[1].1 - edge[0].1))
        .sum();
    if length < arrows.shortest {
        return vec![];
    }
    let count = ((length / arrows.every).round() as usize).max(1);
    let places = (0..count).filter_map(|index| {
        let share = (index as f64 + 0.55) / count as f64;
        let ((x, y), (dx, dy)) = along(points, share)?;
        room.take(Area::around(x, y, size, size)).then(|| {
            let corner = |(ahead, aside): (f64, f64)| {
                (x + ahead * dx - aside * dy, y + ahead * dy + aside * dx)
            };
            arrows.head.map(corner)
        })
    });
    places.collect()
}

fn arrows(svg: &mut String, view: &View, plan: &BlockPlan, room: &mut Room) {
    let mut path = PathData::default();
    let size = if view.is_crowded() { 26.0 } else { 9.0 };
    for line in &plan.lines {
        for head in arrowheads(&pixels(view, &line.shape), &ARROWS, size, room) {
            path.add(head.into_iter(), true);
        }
    }
    if !path.is_empty() {
        svg.push_str(&format!("<path class=\"t\" d=\"{}\"/>\n", path.0));
    }
}

/// The id of every patch inside it, where there is room.
fn patch_ids(svg: &mut String, view: &View, plan: &BlockPlan, room: &mut Room) {
    for (id, at) in signs::patch_places(plan) {
        let (x, y) = view.place(at);
        let width = 7.0 * id.len() as f64 + 3.0;
        if room.take(Area::around(x, y, width, 12.0)) {
            let (x, y) = (px(x), px(y + 3.9));
            svg.push_str(&format!(
                "<text class=\"n\" x=\"{x}\" y=\"{y}\">{id}</text>\n"
            ));
        }
    }
}

/// One number per strip at its outlet end, beyond the end of the line if there is room, else on the line, else none.
fn numbers(svg: &mut String, view: &View, plan: &BlockPlan, room: &mut Room) {
    let strips = signs::strips_from_outlets(plan);
    let width_of = |label: &str| 7.0 * label.len() as f64 + 3.0;
    let widest = strips
        .keys()
        .map(|(part, strip_no)| width_of(&StripName(*part, *strip_no).to_string()))
        .fold(0.0, f64::max);
    let step = number_step(view.pitch, widest);
    let places: &[f64] = if step == 1 { &[-9.0, 10.0] } else { &[-9.0] };
    for ((part, strip_no), line) in strips {
        if strip_no != 1 && strip_no % step != 0 {
            continue;
        }
        let label = StripName(part, strip_no).to_string();
        let points: Vec<(f64, f64)> = line.iter().map(|at| view.place(*at)).collect();
        let Some(((x, y), (dx, dy))) = along(&points, 0.0) else {
            continue;
        };
        let width = width_of(&label);
        for ahead in places {
            let (x, y) = (x + ahead * dx, y + ahead * dy);
            if room.take(Area::around(x, y, width, 12.0)) {
                svg.push_str(&format!(
                    "<text class=\"n\" x=\"{}\" y=\"{}\">{label}</text>\n",
                    px(x),
                    px(y + 3.9)
                ));
                break;
            }
        }
    }
}

/// Every how many strips a number of this width stands, so that they do not crowd.
pub fn number_step(pitch: f64, width: f64) -> u32 {
    [1, 2, 5, 10, 20, 50, 100]
        .into_iter()
        .find(|step| f64::from(*step) * pitch >= width)
        .unwrap_or(200)
}

pub fn marker(number: usize, verdict: Verdict, x: f64, y: f64) -> String {
    let [fill, ink] = style::sign(verdict);
    let shape = if verdict == Verdict::Fail {
        format!(
            "<rect x=\"{}\" y=\"{}\" width=\"16\" height=\"16\"",
            px(x - 8.0),
            px(y - 8.0)
        )
    } else {
        format!("<circle cx=\"{}\" cy=\"{}\" r=\"8\"", px(x), px(y))
    };
    format!(
        "{shape} fill=\"{fill}\" stroke=\"{black}\" stroke-width=\"1.2\"/>\
         <text class=\"s c\" style=\"fill:{ink};font-weight:700\" x=\"{}\" y=\"{}\">{number}</text>\n",
        px(x),
        px(y + 3.7),
        black = style::BLACK,
    )
}

fn findings(
    svg: &mut String,
    top: &mut String,
    view: &View,
    plan: &BlockPlan,
    room: &mut Room,
) -> bool {
    let mut path = PathData::default();
    let mut any = false;
    for (index, finding) in plan.findings.iter().enumerate() {
        let Some(shape) = &finding.shape else {
            continue;
        };
        outline(&mut path, view, shape);
        if index >= MOST_MARKERS {
            continue;
        }
        let Some(place) = shape.interior_point() else {
            continue;
        };
        let (x, y) = view.place(place.0);
        let near = [(0.0, 0.0)].into_iter().chain((0..24).map(|step| {
            let turn = f64::from(step % 8) * std::f64::consts::FRAC_PI_4;
            let away = 19.0 * f64::from(1 + step / 8);
            (away * turn.cos(), away * turn.sin())
        }));
        for (dx, dy) in near {
            if room.take(Area::around(x + dx, y + dy, 18.0, 18.0)) {
                if (dx, dy) != (0.0, 0.0) {
                    top.push_str(&format!(
                        "<path class=\"l\" d=\"M{} {}L{} {}\"/>",
                        px(x),
                        px(y),
                        px(x + dx),
                        px(y + dy)
                    ));
                }
                top.push_str(&marker(index + 1, finding.verdict, x + dx, y + dy));
                any = true;
                break;
            }
        }
    }
    stroke(svg, &path, Kind::Finding);
    any
}

fn outline(path: &mut PathData, view: &View, shape: &Geometry) {
    match shape {
        Geometry::LineString(line) => view.line(path, line),
        Geometry::MultiLineString(lines) => lines.iter().for_each(|line| view.line(path, line)),
        Geometry::Polygon(polygon) => view.polygon(path, polygon),
        Geometry::MultiPolygon(polygons) => polygons
            .iter()
            .for_each(|polygon| view.polygon(path, polygon)),
        Geometry::GeometryCollection(all) => {
            all.iter().for_each(|shape| outline(path, view, shape));
        }
        Geometry::Line(line) => view.line(path, &LineString(vec![line.start, line.end])),
        Geometry::Rect(rect) => view.polygon(path, &rect.to_polygon()),
        Geometry::Triangle(triangle) => view.polygon(path, &triangle.to_polygon()),
        // A point is where its marker stands.
        Geometry::Point(_) | Geometry::MultiPoint(_) => {}
    }
}

/// The longest 1, 2 or 5 times a power of ten that fits.
pub fn round_length(longest_m: f64) -> f64 {
    let power = 10f64.powf(longest_m.log10().floor());
    [5.0, 2.0]
        .into_iter()
        .map(|step| step * power)
        .find(|length| *length <= longest_m)
        .unwrap_or(power)
}

/// Sizes of what the scale bar and the north arrow stand on.
pub fn bar_size(pixels_per_m: f64) -> (f64, f64) {
    let length_m = round_length(SCALE_BAR_PX / pixels_per_m);
    (length_m * pixels_per_m + 48.0, 34.0)
}
pub const ARROW_SIZE: (f64, f64) = (72.0, 78.0);

/// Scale bar and north arrow alone.
pub fn furniture(svg: &mut String, view: &View, words: &Words) {
    let mut room = Room::new(view.frame);
    let (bar, arrow) = view.plates;
    scale_bar(svg, view, words, bar, &mut room);
    north_arrow(svg, words, arrow, &mut room);
}

fn scale_bar(svg: &mut String, view: &View, words: &Words, panel: Area, room: &mut Room) {
    let length_m = round_length(SCALE_BAR_PX / view.pixels_per_m);
    let width = length_m * view.pixels_per_m;
    let (x, y) = (panel.x + 16.0, panel.y + 21.0);
    room.take(panel);
    svg.push_str(&plate(panel));
    let half = width / 2.0;
    svg.push_str(&format!(
        "<rect x=\"{x}\" y=\"{y}\" width=\"{half}\" height=\"5\" fill=\"{dark}\" stroke=\"{dark}\"/>\
         <rect x=\"{middle}\" y=\"{y}\" width=\"{half}\" height=\"5\" fill=\"{white}\" stroke=\"{dark}\"/>",
        x = px(x),
        y = px(y),
        half = px(half),
        middle = px(x + half),
        dark = style::GREY_DARK,
        white = style::WHITE,
    ));
    for (share, label) in [
        (0.0, "0".to_owned()),
        (0.5, format!("{}", length_m / 2.0)),
        (1.0, text::fill(words.metres, &[&format!("{length_m}")])),
    ] {
        svg.push_str(&format!(
            "<text class=\"s c\" x=\"{}\" y=\"{}\">{label}</text>",
            px(x + width * share),
            px(y - 5.0)
        ));
    }
    svg.push('\n');
}

fn north_arrow(svg: &mut String, words: &Words, panel: Area, room: &mut Room) {
    let (x, y) = (panel.x + panel.width / 2.0, panel.y + panel.height / 2.0);
    room.take(panel);
    svg.push_str(&plate(panel));
    let mut dark = PathData::default();
    dark.add(
        [(x, y - 20.0), (x, y + 14.0), (x - 9.0, y + 20.0)].into_iter(),
        true,
    );
    let mut light = PathData::default();
    light.add(
        [(x, y - 20.0), (x + 9.0, y + 20.0), (x, y + 14.0)].into_iter(),
        true,
    );
    svg.push_str(&format!(
        "<path fill=\"{ink}\" stroke=\"{ink}\" d=\"{}\"/><path fill=\"{white}\" stroke=\"{ink}\" d=\"{}\"/>\
         <text class=\"h c\" x=\"{x}\" y=\"{}\">{}</text><text class=\"s c\" x=\"{x}\" y=\"{}\">{}</text>\n",
        dark.0,
        light.0,
        px(y - 24.0),
        svg::escape(words.north),
        px(y + 33.0),
        svg::escape(words.grid_north),
        ink = style::GREY_DARK,
        white = style::WHITE,
        x = px(x),
    ));
}

/// A pale plate, so that marks on it stay legible whatever lies below.
fn plate(area: Area) -> String {
    format!(
        "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" rx=\"3\" fill=\"{}\" fill-opacity=\".88\"/>",
        px(area.x),
        px(area.y),
        px(area.width),
        px(area.height),
        style::WHITE
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scale_bars_have_round_lengths() {
        assert_eq!(round_length(170.0), 100.0);
        assert_eq!(round_length(499.0), 200.0);
        assert_eq!(round_length(50.0), 50.0);
        assert_eq!(round_length(9.9), 5.0);
    }

    #[test]
    fn numbers_thin_out_where_strips_crowd() {
        assert_eq!(number_step(f64::INFINITY, 20.0), 1);
        assert_eq!(number_step(10.0, 20.0), 2);
        assert_eq!(number_step(2.6, 22.0), 10);
        assert_eq!(number_step(0.0, 9.0), 200);
    }

    #[test]
    fn a_place_along_a_line_has_its_direction() {
        let (place, direction) = along(&[(0.0, 0.0), (0.0, 0.0), (10.0, 0.0)], 0.5).unwrap();
        assert_eq!((place, direction), ((5.0, 0.0), (1.0, 0.0)));
        assert!(along(&[(1.0, 1.0), (1.0, 1.0)], 0.5).is_none());
    }
}
