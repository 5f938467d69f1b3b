//! A page's drawing in points, y up: paths, paints and text.

use std::collections::BTreeSet;

use pdf_writer::types::{LineCapStyle, LineJoinStyle, TextRenderingMode};
use pdf_writer::{Content, Name, Str};

use super::font::{self, Weight};
use crate::outputs::style::{Ink, Line, Rgb, Theme};

/// Points of one pixel of `style`.
pub const PT_PER_PX: f64 = 0.75;
pub const PT_PER_MM: f64 = 72.0 / 25.4;

/// Names of the two fonts in the page's resources.
pub const PLAIN_FONT: &[u8] = b"F1";
pub const BOLD_FONT: &[u8] = b"F2";

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Frame {
    pub x: f64,
    pub y: f64,
    pub width: f64,
    pub height: f64,
}

impl Frame {
    pub fn right(&self) -> f64 {
        self.x + self.width
    }

    pub fn top(&self) -> f64 {
        self.y + self.height
    }

    pub fn meets(&self, other: &Frame) -> bool {
        self.x < other.right()
            && other.x < self.right()
            && self.y < other.top()
            && other.y < self.top()
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Align {
    Left,
    Centre,
    Right,
}

/// How a line of text looks.
#[derive(Clone, Copy)]
pub struct Type {
    pub size: f64,
    pub weight: Weight,
    pub align: Align,
    pub colour: Tone,
    /// A rim of the paper's colour, so that it stays legible whatever lies below.
    pub halo: bool,
}

/// What something is painted with.
#[derive(Clone, Copy)]
pub enum Tone {
    /// As the page's theme has it.
    Of(Ink),
    /// `#rrggbb`, whatever the page looks like.
    Set(&'static str),
}

impl From<Ink> for Tone {
    fn from(ink: Ink) -> Tone {
        Tone::Of(ink)
    }
}

/// No text of a sheet is smaller: it is read in a cab.
pub const BODY: Type = Type {
    size: 8.0,
    weight: Weight::Plain,
    align: Align::Left,
    colour: Tone::Of(Ink::Words),
    halo: false,
};

/// A hundredth of a point is finer than any printer.
pub fn hundredths(value: f64) -> f64 {
    (value.clamp(-1e6, 1e6) * 100.0).round() / 100.0
}

fn pt(value: f64) -> f32 {
    hundredths(value) as f32
}

pub struct Canvas {
    theme: Theme,
    content: Content,
    /// Opacities in per cent for which the page's resources need a state.
    pub opacities: BTreeSet<u8>,
}

impl Canvas {
    pub fn new(theme: Theme) -> Canvas {
        Canvas {
            theme,
            content: Content::with_capacity(1 << 15),
            opacities: BTreeSet::new(),
        }
    }

    pub fn finish(self) -> (Vec<u8>, BTreeSet<u8>) {
        (self.content.finish().into_vec(), self.opacities)
    }

    /// The ground of a whole page, where it is not that of the paper: draw it first.
    pub fn ground(&mut self, width: f64, height: f64) {
        if self.theme == Theme::Dark {
            self.apart(|canvas| {
                canvas.fill_with(Ink::Paper);
                canvas.rect(Frame {
                    x: 0.0,
                    y: 0.0,
                    width,
                    height,
                });
                canvas.fill();
            });
        }
    }

    /// Draws with a state of its own, so that nothing of it lasts.
    pub fn apart(&mut self, draw: impl FnOnce(&mut Canvas)) {
        self.content.save_state();
        draw(self);
        self.content.restore_state();
    }

    pub fn opacity(&mut self, opacity: f64) {
        let per_cent = (opacity.clamp(0.0, 1.0) * 100.0).round() as u8;
        self.opacities.insert(per_cent);
        self.content
            .set_parameters(Name(opacity_name(per_cent).as_bytes()));
    }

    fn rgb(&self, tone: Tone) -> Rgb {
        match tone {
            Tone::Of(ink) => ink.rgb(self.theme),
            Tone::Set(colour) => Rgb::parse(colour),
        }
    }

    pub fn theme(&self) -> Theme {
        self.theme
    }

    pub fn fill_with(&mut self, tone: impl Into<Tone>) {
        let [r, g, b] = self
            .rgb(tone.into())
            .0
            .map(|channel| f32::from(channel) / 255.0);
        self.content.set_fill_rgb(r, g, b);
    }

    pub fn pen(&mut self, tone: impl Into<Tone>, width: f64) {
        let [r, g, b] = self
            .rgb(tone.into())
            .0
            .map(|channel| f32::from(channel) / 255.0);
        self.content
            .set_stroke_rgb(r, g, b)
            .set_line_width(pt(width));
    }

    pub fn line_style(&mut self, line: &Line) {
        self.pen(line.ink, line.width * PT_PER_PX);
        self.dash(line.dash);
        self.content.set_line_join(LineJoinStyle::RoundJoin);
        if line.round {
            self.content.set_line_cap(LineCapStyle::RoundCap);
        }
    }

    /// Dots this far from middle to middle, in pixels.
    pub fn round_dots(&mut self, apart: f64) {
        self.dash(&[0.0, apart]);
        self.content.set_line_cap(LineCapStyle::RoundCap);
    }

    pub fn dash(&mut self, dash_px: &[f64]) {
        let lengths = dash_px.iter().map(|length| pt(length * PT_PER_PX));
        self.content.set_dash_pattern(lengths, 0.0);
    }

    /// Adds a line or ring to the path; points that fall together after rounding are dropped.
    pub fn path(&mut self, points: impl Iterator<Item = (f64, f64)>, closed: bool) {
        let mut last = None;
        for (x, y) in points {
            let here = (pt(x), pt(y));
            if last == Some(here) {
                continue;
            }
            if last.is_none() {
                self.content.move_to(here.0, here.1);
            } else {
                self.content.line_to(here.0, here.1);
            }
            last = Some(here);
        }
        if closed && last.is_some() {
            self.content.close_path();
        }
    }

    pub fn rect(&mut self, frame: Frame) {
        self.content
            .rect(pt(frame.x), pt(frame.y), pt(frame.width), pt(frame.height));
    }

    pub fn circle(&mut self, x: f64, y: f64, r: f64) {
        // The handle length that makes four curves a circle.
        let k = 0.5523 * r;
        let c = &mut self.content;
        c.move_to(pt(x + r), pt(y));
        for [x1, y1, x2, y2, x3, y3] in [
            [x + r, y + k, x + k, y + r, x, y + r],
            [x - k, y + r, x - r, y + k, x - r, y],
            [x - r, y - k, x - k, y - r, x, y - r],
            [x + k, y - r, x + r, y - k, x + r, y],
        ] {
            c.cubic_to(pt(x1), pt(y1), pt(x2), pt(y2), pt(x3), pt(y3));
        }
        c.close_path();
    }

    pub fn fill(&mut self) {
        self.content.fill_nonzero();
    }

    pub fn stroke(&mut self) {
        self.content.stroke();
    }

    pub fn fill_and_stroke(&mut self) {
        self.content.fill_nonzero_and_stroke();
    }

    pub fn clip(&mut self) {
        self.content.clip_nonzero().end_path();
    }

    /// One line of text with its baseline at `y`.
    pub fn text(&mut self, kind: Type, x: f64, y: f64, text: &str) {
        self.bytes(kind, x, y, &font::encode(text));
    }

    /// As [`Canvas::text`], for encoded text.
    pub fn bytes(&mut self, kind: Type, x: f64, y: f64, bytes: &[u8]) {
        self.turned(kind, (x, y), false, bytes);
    }

    /// Text that reads upwards, its baseline at `x`.
    pub fn upwards(&mut self, kind: Type, x: f64, y: f64, text: &str) {
        self.turned(kind, (x, y), true, &font::encode(text));
    }

    fn turned(&mut self, kind: Type, (x, y): (f64, f64), upwards: bool, bytes: &[u8]) {
        if bytes.is_empty() {
            return;
        }
        let width = font::width(bytes, kind.weight, kind.size);
        let back = match kind.align {
            Align::Left => 0.0,
            Align::Centre => width / 2.0,
            Align::Right => width,
        };
        let font = match kind.weight {
            Weight::Plain => PLAIN_FONT,
            Weight::Bold => BOLD_FONT,
        };
        let matrix = if upwards {
            [0.0, 1.0, -1.0, 0.0, pt(x), pt(y - back)]
        } else {
            [1.0, 0.0, 0.0, 1.0, pt(x - back), pt(y)]
        };
        self.fill_with(kind.colour);
        if kind.halo {
            self.pen(Ink::Paper, 1.8);
            self.content.set_line_join(LineJoinStyle::RoundJoin);
        }
        let modes: &[TextRenderingMode] = if kind.halo {
            &[TextRenderingMode::Stroke, TextRenderingMode::Fill]
        } else {
            &[TextRenderingMode::Fill]
        };
        self.content.begin_text();
        self.content.set_font(Name(font), kind.size as f32);
        for mode in modes {
            self.content.set_text_rendering_mode(*mode);
            self.content.set_text_matrix(matrix);
            self.content.show(Str(bytes));
        }
        self.content.end_text();
    }
}

/// The name of a state in the page's resources.
pub fn opacity_name(per_cent: u8) -> String {
    format!("A{per_cent}")
}
