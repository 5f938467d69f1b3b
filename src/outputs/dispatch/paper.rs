//! The sheet of a shift on paper: what is to be done with the map of the first block in front, the maps of others and what to
//! mind behind it. Every map is at a true round scale and says where on the globe it lies, as operator sheets do.

use geo::Coord;

use super::Roster;
use super::content::{Bound, Content, legend, order};
use super::map::{Mark, ShiftMap, Shown, map};
use super::progress::Progress;
use super::rows::ShiftPlan;
use super::sheet::sample;
use super::words::{self, Words};
use crate::outputs::map::marks::hexagon;
use crate::outputs::sheets::Page;
use crate::outputs::sheets::canvas::{Align, BODY, Canvas, Frame, PT_PER_MM, Tone, Type};
use crate::outputs::sheets::font::{self, Weight};
use crate::outputs::sheets::ground;
use crate::outputs::sheets::settings;
use crate::outputs::style::{Ink, Kind, Theme};
use crate::outputs::text::fill;

const EDGE: f64 = 8.0 * PT_PER_MM;
const SIZE: f64 = 9.0;
const LINE: f64 = 11.0;
const FOOT: f64 = 12.0;
const LEGEND_ROW: f64 = 11.0;
/// A map with less height helps nobody.
const LEAST_MAP: f64 = 200.0;
/// A text is never longer than this.
const MOST_LINES: usize = 40;

struct Flow<'f> {
    theme: Theme,
    words: &'static Words,
    content: &'f Content,
    size: (f64, f64),
    canvas: Canvas,
    y: f64,
    /// Nothing but the foot stands below.
    bottom: f64,
    /// Of the page in hand.
    map: Option<(Frame, [Coord; 4])>,
    pages: Vec<Page>,
}

/// The pages of a shift; the first has its name.
pub(super) fn draw(
    roster: &Roster<'_>,
    progress: &Progress,
    shift: &ShiftPlan,
    content: &Content,
    theme: Theme,
) -> Vec<Page> {
    let [short, long] = roster.layout.paper.paper.sides_mm();
    let mut flow = Flow {
        theme,
        words: words::of(roster.layout.language),
        content,
        size: (short * PT_PER_MM, long * PT_PER_MM),
        canvas: Canvas::new(theme),
        y: 0.0,
        bottom: EDGE + FOOT,
        map: None,
        pages: vec![],
    };
    flow.begin();
    flow.cautions();
    flow.work();
    flow.boxed(flow.words.sheet.runs_out, &content.runs_out);
    let works = |block: usize| {
        let mut rows = shift.rows.iter();
        rows.any(|row| row.block == Some(block) && !row.units.is_empty())
    };
    let mut blocks: Vec<usize> = content
        .blocks
        .iter()
        .copied()
        .filter(|b| works(*b))
        .collect();
    if blocks.is_empty() {
        // Who only moves needs the place all the same.
        blocks = content.blocks.iter().copied().take(1).collect();
    }
    let skids = shift.machine >= roster.problem.machines.len();
    for block in blocks {
        flow.block(roster, progress, shift, block, skids);
    }
    flow.rest();
    flow.finish()
}

impl Flow<'_> {
    fn typed(&self, size: f64, weight: Weight) -> Type {
        Type {
            size,
            weight,
            ..BODY
        }
    }

    fn width(&self) -> f64 {
        self.size.0 - 2.0 * EDGE
    }

    /// Ground, head and foot of a page.
    fn begin(&mut self) {
        let (width, height) = self.size;
        self.canvas.ground(width, height);
        let top = height - EDGE;
        let content = self.content;
        let first = self.pages.is_empty();
        let big = self.typed(if first { 17.0 } else { 12.0 }, Weight::Bold);
        let head = format!("{} · {} · {}", content.machine, content.shift, content.date);
        let head = font::fit(&head, big.weight, big.size, self.width());
        self.canvas.bytes(big, EDGE, top - big.size, &head);
        self.y = top - big.size - 4.0;
        if first {
            let operator = content.operator.as_deref().unwrap_or_default();
            let line = format!("{}{operator} · {}", content.hours, content.project);
            let kind = self.typed(11.0, Weight::Plain);
            let line = font::fit(&line, kind.weight, kind.size, self.width());
            self.canvas.bytes(kind, EDGE, self.y - 11.0, &line);
            self.y -= 15.0;
        }
        let program = [env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION")];
        let page = (self.pages.len() + 1).to_string();
        let own = self.words.sheet;
        let foot = format!(
            "{} · {}",
            fill(own.page, &[&page]),
            fill(own.footer, &program)
        );
        let small = self.typed(BODY.size, Weight::Plain);
        let foot = font::fit(&foot, small.weight, small.size, self.width());
        self.canvas.bytes(small, EDGE, EDGE - 2.0, &foot);
        self.bottom = EDGE + FOOT;
    }

    fn turn(&mut self) {
        let canvas = std::mem::replace(&mut self.canvas, Canvas::new(self.theme));
        let name = match self.pages.is_empty() {
            true => self.content.title.clone(),
            false => String::new(),
        };
        let map = self.map.take();
        let page = Page::new(self.size, canvas.finish(), map, name);
        self.pages.push(page);
    }

    fn room(&mut self, height: f64) {
        if self.y - height < self.bottom {
            self.turn();
            self.begin();
        }
    }

    fn finish(mut self) -> Vec<Page> {
        self.turn();
        self.pages
    }

    fn heading(&mut self, word: &str) {
        self.room(LINE * 3.5);
        self.y -= LINE + 5.0;
        let kind = self.typed(SIZE + 0.5, Weight::Bold);
        self.canvas.text(kind, EDGE, self.y, word);
        let (y, right) = (self.y - 3.0, self.size.0 - EDGE);
        self.canvas.apart(|canvas| {
            canvas.pen(Ink::Faint, 0.5);
            canvas.path([(EDGE, y), (right, y)].into_iter(), false);
            canvas.stroke();
        });
        self.y -= 4.0;
    }

    fn text(&mut self, words: &str, indent: f64) {
        let kind = self.typed(SIZE, Weight::Plain);
        for line in font::wrap(words, kind.weight, SIZE, self.width() - indent, MOST_LINES) {
            self.room(LINE);
            self.y -= LINE;
            self.canvas.bytes(kind, EDGE + indent, self.y, &line);
        }
        self.y -= 1.5;
    }

    /// Cautions at the foot of the first page; they stand on every sheet.
    fn cautions(&mut self) {
        let words = self.words;
        let kind = self.typed(BODY.size, Weight::Plain);
        let all: Vec<&str> = words
            .map
            .cautions
            .iter()
            .copied()
            .chain([words.by_night, words.service])
            .collect();
        let lines = font::wrap(
            &all.join(" "),
            kind.weight,
            kind.size,
            self.width() - 10.0,
            8,
        );
        let height = 9.4 * (lines.len() as f64 + 1.0) + 7.0;
        let frame = Frame {
            x: EDGE,
            y: self.bottom,
            width: self.width(),
            height,
        };
        self.frame(frame, 0.9);
        let bold = self.typed(BODY.size, Weight::Bold);
        let mut y = frame.top() - 10.0;
        (self.canvas).text(bold, EDGE + 5.0, y, words.map.cautions_head);
        for line in &lines {
            y -= 9.4;
            self.canvas.bytes(kind, EDGE + 5.0, y, line);
        }
        self.bottom = frame.top() + 4.0;
    }

    fn frame(&mut self, frame: Frame, width: f64) {
        self.canvas.apart(|canvas| {
            canvas.pen(Ink::Words, width);
            canvas.rect(frame);
            canvas.stroke();
        });
    }

    /// What is to be done, in its order.
    fn work(&mut self) {
        let words = self.words;
        self.heading(words.work);
        let (times, job, block) = (EDGE + 27.0, EDGE + 92.0, EDGE + 232.0);
        let sections = EDGE + 306.0;
        let right = self.size.0 - EDGE;
        let content = self.content;
        for row in &content.rows {
            let settings = row.settings.join(words.semicolon);
            let room = right - sections;
            let kind = self.typed(SIZE, Weight::Plain);
            let bold = self.typed(SIZE + 0.5, Weight::Bold);
            let said = font::wrap(&row.sections, kind.weight, SIZE, room, 2);
            let ways = font::wrap(&settings, kind.weight, BODY.size, room, 3);
            let lines = (said.len() + ways.len()).max(1) as f64;
            self.room(LINE * lines + 3.0);
            self.y -= LINE;
            let y = self.y;
            self.swatch(row.bound, EDGE, y - 2.0);
            self.canvas
                .text(bold, times, y, &format!("{}–{}", row.from, row.to));
            let fit =
                |words: &str, kind: Type, room: f64| font::fit(words, kind.weight, kind.size, room);
            (self.canvas).bytes(kind, job, y, &fit(&row.job, kind, block - job - 4.0));
            (self.canvas).bytes(
                bold,
                block,
                y,
                &fit(&row.block, bold, sections - block - 4.0),
            );
            for (at, line) in said.iter().chain(&ways).enumerate() {
                let kind = match at < said.len() {
                    true => kind,
                    false => self.typed(BODY.size, Weight::Plain),
                };
                (self.canvas).bytes(kind, sections, y - LINE * at as f64, line);
            }
            self.y -= LINE * (lines - 1.0) + 3.0;
        }
        self.text(words.key, 0.0);
    }

    /// Hatched or plain, as the ground on the map.
    fn swatch(&mut self, bound: Bound, x: f64, y: f64) {
        let shown = match bound {
            Bound::Day => Shown::Kind(Kind::DayOnly),
            Bound::Night => Shown::Kind(Kind::NightSafe),
            Bound::None => return,
        };
        for mark in sample(shown) {
            self.mark(&mark, (x - 2.0, y - 2.0));
        }
    }

    fn boxed(&mut self, head: &str, said: &[String]) {
        let kind = self.typed(SIZE, Weight::Plain);
        let lines: Vec<Vec<Vec<u8>>> = said
            .iter()
            .map(|line| font::wrap(line, kind.weight, SIZE, self.width() - 22.0, 5))
            .collect();
        let count: usize = lines.iter().map(Vec::len).sum();
        let height = LINE * (count as f64 + 1.0) + 9.0;
        self.room(height + 4.0);
        let frame = Frame {
            x: EDGE,
            y: self.y - height - 2.0,
            width: self.width(),
            height,
        };
        self.frame(frame, 1.6);
        let bold = self.typed(SIZE + 0.5, Weight::Bold);
        let mut y = frame.top() - LINE - 1.0;
        self.canvas.text(bold, EDGE + 6.0, y, head);
        for one in &lines {
            for (at, line) in one.iter().enumerate() {
                y -= LINE;
                if at == 0 {
                    self.canvas.text(kind, EDGE + 7.0, y, "•");
                }
                self.canvas.bytes(kind, EDGE + 16.0, y, line);
            }
        }
        self.y = frame.y - 3.0;
    }

    /// A block's map with its order and its legend below; on a page of its own where the one in hand has no room for it.
    fn block(
        &mut self,
        roster: &Roster<'_>,
        progress: &Progress,
        shift: &ShiftPlan,
        block: usize,
        skids: bool,
    ) {
        let words = self.words;
        let id = &roster.problem.blocks[block].id;
        let steps = order(roster, shift, block).join(" · ");
        let steps = match steps.is_empty() {
            true => String::new(),
            false => fill(words.label, &[words.sheet.order, &steps]),
        };
        let kind = self.typed(SIZE, Weight::Plain);
        let lines = font::wrap(&steps, kind.weight, SIZE, self.width(), 5);
        // A legend of so many rows at most stands below the map.
        let below = LINE * (lines.len() as f64) + 6.0 * LEGEND_ROW + 12.0;
        let free = |flow: &Flow<'_>| flow.y - flow.bottom - below - LINE * 1.7;
        if self.map.is_some() || free(self) < LEAST_MAP {
            self.turn();
            self.begin();
        }
        let height = free(self).min(self.width() * 1.25);
        let Some(map) = map(roster, progress, shift, block, (self.width(), height)) else {
            return;
        };
        self.y -= LINE + 3.0;
        let part = match map.is_part {
            true => format!(" ({})", words.sheet.part_of_block),
            false => String::new(),
        };
        let scale = fill(words.sheet.scale, &[&format!("{}", map.denominator)]);
        let bold = self.typed(SIZE + 1.0, Weight::Bold);
        let caption = fill(words.map.block, &[id]);
        (self.canvas).text(bold, EDGE, self.y, &format!("{caption}{part} · {scale}"));
        let frame = Frame {
            x: EDGE,
            y: self.y - 5.0 - height,
            width: map.size.0,
            height: map.size.1,
        };
        self.drawn(&map, frame);
        self.map = Some((frame, map.corners));
        self.y = frame.y - 2.0;
        for line in &lines {
            self.y -= LINE;
            self.canvas.bytes(kind, EDGE, self.y, line);
        }
        self.legend(&map, skids);
    }

    fn drawn(&mut self, map: &ShiftMap, frame: Frame) {
        let held = std::mem::replace(&mut self.canvas, Canvas::new(self.theme));
        let mut held = held;
        held.apart(|canvas| {
            canvas.rect(frame);
            canvas.clip();
            canvas.apart(|canvas| {
                canvas.fill_with(Ink::Beyond);
                canvas.rect(frame);
                canvas.fill();
            });
            std::mem::swap(canvas, &mut self.canvas);
            for mark in &map.marks {
                self.mark(mark, (frame.x, frame.y));
            }
            std::mem::swap(canvas, &mut self.canvas);
        });
        self.canvas = held;
        self.canvas.apart(|canvas| {
            canvas.pen(Ink::Words, 0.8);
            canvas.rect(frame);
            canvas.stroke();
        });
    }

    /// In three columns.
    fn legend(&mut self, map: &ShiftMap, skids: bool) {
        const COLUMNS: usize = 3;
        let wide = self.width() / COLUMNS as f64;
        let kind = self.typed(BODY.size, Weight::Plain);
        let rows = map.shown.len().div_ceil(COLUMNS).max(1);
        let top = self.y - 4.0;
        for (at, shown) in map.shown.iter().enumerate() {
            let (column, row) = (at / rows, at % rows);
            let x = EDGE + column as f64 * wide;
            let y = top - LEGEND_ROW * (row as f64 + 1.0);
            for mark in sample(*shown) {
                self.mark(&mark, (x, y - 4.2));
            }
            let word = legend(*shown, skids, self.words);
            let word = font::fit(word, kind.weight, kind.size, wide - 32.0);
            self.canvas.bytes(kind, x + 26.0, y, &word);
        }
        self.y = top - LEGEND_ROW * rows as f64 - 4.0;
    }

    /// What to mind, the light, and what to do in an emergency.
    fn rest(&mut self) {
        let (words, content) = (self.words, self.content);
        if self.map.is_some() || !self.pages.is_empty() {
            self.turn();
            self.begin();
        }
        if !content.mind.is_empty() {
            self.heading(words.mind);
            for (block, said) in &content.mind {
                self.text(
                    &fill(words.label, &[block, &said.join(words.semicolon)]),
                    0.0,
                );
            }
        }
        if !content.daylight.is_empty() {
            self.heading(words.daylight);
            let wide = self.width() / 7.0;
            let heads = words.daylight_heads.map(str::to_owned);
            for (at, row) in std::iter::once(&heads).chain(&content.daylight).enumerate() {
                self.room(LINE);
                self.y -= LINE;
                for (column, cell) in row.iter().enumerate() {
                    let weight = match at == 0 || column == 6 {
                        true => Weight::Bold,
                        false => Weight::Plain,
                    };
                    let kind = self.typed(BODY.size, weight);
                    let cell = font::fit(cell, kind.weight, kind.size, wide - 3.0);
                    let x = EDGE + column as f64 * wide;
                    self.canvas.bytes(kind, x, self.y, &cell);
                }
            }
            self.y -= 2.0;
            self.text(&content.margin, 0.0);
        }
        self.heading(words.sheet.emergency);
        for (label, said) in &content.emergency {
            let said = said.as_deref().unwrap_or(words.sheet.not_given);
            self.text(&fill(words.label, &[label, said]), 0.0);
        }
        self.text(words.sheet.block_first, 0.0);
    }

    fn mark(&mut self, mark: &Mark, (left, low): (f64, f64)) {
        let at = |(x, y): (f64, f64)| (left + x, low + y);
        match mark {
            Mark::Ground { rings, look } => {
                let mut path = |canvas: &mut Canvas| {
                    for ring in rings {
                        canvas.path(ring.iter().map(|place| at(*place)), true);
                    }
                };
                let bounds = bounds(rings, at);
                ground::paint(&mut self.canvas, look, &mut path, bounds, 0.0);
            }
            Mark::Line { points, line } => {
                self.canvas.apart(|canvas| {
                    canvas.line_style(line);
                    canvas.path(points.iter().map(|place| at(*place)), false);
                    canvas.stroke();
                });
            }
            Mark::Head(corners) => {
                self.canvas.apart(|canvas| {
                    canvas.fill_with(Ink::Words);
                    canvas.path(corners.iter().map(|place| at(*place)), true);
                    canvas.fill();
                });
            }
            Mark::Name {
                at: place,
                words,
                size,
                ink,
            } => {
                let (x, y) = at(*place);
                let kind = Type {
                    colour: Tone::Of(*ink),
                    align: Align::Centre,
                    halo: true,
                    ..self.typed(*size, Weight::Bold)
                };
                self.canvas.text(kind, x, y - size * 0.36, words);
            }
            Mark::Step { at: place, number } => {
                let (x, y) = at(*place);
                self.canvas.apart(|canvas| {
                    canvas.fill_with(Ink::Words);
                    canvas.pen(Ink::Paper, 0.8);
                    canvas.path(
                        hexagon(7.5).into_iter().map(|(dx, dy)| (x + dx, y + dy)),
                        true,
                    );
                    canvas.fill_and_stroke();
                });
                let kind = Type {
                    colour: Tone::Of(Ink::Paper),
                    align: Align::Centre,
                    ..self.typed(BODY.size, Weight::Bold)
                };
                self.canvas.text(kind, x, y - 2.9, &number.to_string());
            }
            Mark::Landing(place) => {
                let (x, y) = at(*place);
                settings::landing_sign(&mut self.canvas, 4.0, x, y);
            }
            Mark::Deck(place) => {
                let (x, y) = at(*place);
                settings::deck_sign(&mut self.canvas, 4.4, x, y);
            }
        }
    }
}

fn bounds(rings: &[Vec<(f64, f64)>], at: impl Fn((f64, f64)) -> (f64, f64)) -> Frame {
    let (mut low, mut high) = ((f64::MAX, f64::MAX), (f64::MIN, f64::MIN));
    for place in rings.iter().flatten() {
        let (x, y) = at(*place);
        low = (low.0.min(x), low.1.min(y));
        high = (high.0.max(x), high.1.max(y));
    }
    Frame {
        x: low.0,
        y: low.1,
        width: (high.0 - low.0).max(0.0),
        height: (high.1 - low.1).max(0.0),
    }
}
