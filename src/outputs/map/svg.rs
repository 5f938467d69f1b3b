//! Small SVG pieces: escaped text, paths with coordinates rounded to 0.1 px, boxes that must not overlap.

use std::fmt::Write as _;

use crate::outputs::style::{Line, Look, Theme};

/// Text for element content and attribute values. Line ends become spaces; what XML 1.0 forbids, and marks that turn the
/// reading direction around, become the replacement character.
pub fn escape(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '&' => escaped.push_str("&amp;"),
            '<' => escaped.push_str("&lt;"),
            '>' => escaped.push_str("&gt;"),
            '"' => escaped.push_str("&quot;"),
            '\'' => escaped.push_str("&#39;"),
            '\t' | '\n' | '\r' | '\u{2028}' | '\u{2029}' => escaped.push(' '),
            '\0'..='\u{1f}'
            | '\u{7f}'..='\u{9f}'
            | '\u{202a}'..='\u{202e}'
            | '\u{2066}'..='\u{2069}'
            | '\u{fffe}'
            | '\u{ffff}' => escaped.push('\u{fffd}'),
            _ => escaped.push(letter),
        }
    }
    escaped
}

/// At most `longest` characters, the last one an ellipsis when something is missing.
pub fn shorten(text: &str, longest: usize) -> String {
    match text.char_indices().nth(longest) {
        None => text.to_owned(),
        Some(_) => {
            let kept: String = text.chars().take(longest.saturating_sub(1)).collect();
            kept.trim_end().to_owned() + "…"
        }
    }
}

/// Tenths of a pixel. Out-of-range and NaN values saturate.
pub fn tenths(pixels: f64) -> i64 {
    (pixels.clamp(-1e6, 1e6) * 10.0).round() as i64
}

/// Appends a number given in tenths, with a separator where the text needs one.
fn push_tenths(text: &mut String, value: i64) {
    if value >= 0 && text.ends_with(|last: char| last.is_ascii_digit()) {
        text.push(' ');
    }
    // Writing to a String cannot fail.
    let _ = if value % 10 == 0 {
        write!(text, "{}", value / 10)
    } else {
        let sign = if value < 0 { "-" } else { "" };
        write!(text, "{sign}{}.{}", value.abs() / 10, value.abs() % 10)
    };
}

/// A pixel value as text, rounded to 0.1.
pub fn px(value: f64) -> String {
    let mut text = String::new();
    push_tenths(&mut text, tenths(value));
    text
}

/// What a fill looks like, as attributes.
pub fn fill(look: &Look) -> String {
    match look.fill {
        None => "fill=\"none\"".to_owned(),
        Some((ink, 1.0)) => format!("fill=\"{}\"", ink.colour(Theme::Light)),
        Some((ink, cover)) => {
            let colour = ink.colour(Theme::Light);
            format!("fill=\"{colour}\" fill-opacity=\"{cover}\"")
        }
    }
}

/// What a line looks like, as attributes.
pub fn stroke(line: &Line) -> String {
    let mut out = format!(
        "stroke=\"{}\" stroke-width=\"{}\"",
        line.ink.colour(Theme::Light),
        line.width
    );
    if line.round {
        out += " stroke-linecap=\"round\"";
    }
    if !line.dash.is_empty() {
        let lengths: Vec<String> = line.dash.iter().map(f64::to_string).collect();
        out += &format!(" stroke-dasharray=\"{}\"", lengths.join(" "));
    }
    out
}

/// A path as ground looks: one path for its fill, one for its hatch.
pub fn painted(look: &Look, d: &str) -> String {
    let line = look.line.as_ref().map(|line| format!(" {}", stroke(line)));
    let line = line.unwrap_or_default();
    match look.hatch.map(|hatch| hatch.id()) {
        None => format!("<path {}{line} d=\"{d}\"/>\n", fill(look)),
        Some(id) => {
            let below = look
                .fill
                .map(|_| format!("<path {} d=\"{d}\"/>\n", fill(look)));
            format!(
                "{}<path fill=\"url(#{id})\"{line} d=\"{d}\"/>\n",
                below.unwrap_or_default()
            )
        }
    }
}

/// A path as lines look; nothing where there is no line.
pub fn stroked(look: &Look, path: &PathData) -> String {
    match &look.line {
        Some(line) if !path.is_empty() => {
            format!("<path fill=\"none\" {} d=\"{}\"/>\n", stroke(line), path.0)
        }
        _ => String::new(),
    }
}

/// The `d` of a path.
#[derive(Debug, Default)]
pub struct PathData(pub String);

impl PathData {
    /// Adds one ring or line given in pixels; points that fall together after rounding are dropped.
    pub fn add(&mut self, points: impl Iterator<Item = (f64, f64)>, closed: bool) {
        let before = self.0.len();
        let mut last = None;
        let mut steps = 0;
        for (x, y) in points {
            let here = (tenths(x), tenths(y));
            match last {
                None => {
                    self.0.push('M');
                    push_tenths(&mut self.0, here.0);
                    push_tenths(&mut self.0, here.1);
                }
                Some(there) if there == here => continue,
                Some((x, y)) => {
                    if steps == 0 {
                        self.0.push('l');
                    }
                    push_tenths(&mut self.0, here.0 - x);
                    push_tenths(&mut self.0, here.1 - y);
                    steps += 1;
                }
            }
            last = Some(here);
        }
        if steps < if closed { 2 } else { 1 } {
            self.0.truncate(before);
        } else if closed {
            self.0.push('z');
        }
    }

    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

/// A box in pixels.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Area {
    pub x: f64,
    pub y: f64,
    pub width: f64,
    pub height: f64,
}

impl Area {
    pub fn around(x: f64, y: f64, width: f64, height: f64) -> Area {
        Area {
            x: x - width / 2.0,
            y: y - height / 2.0,
            width,
            height,
        }
    }

    pub fn meets(&self, other: &Area) -> bool {
        self.x < other.x + other.width
            && other.x < self.x + self.width
            && self.y < other.y + other.height
            && other.y < self.y + self.height
    }

    pub fn holds(&self, other: &Area) -> bool {
        other.x >= self.x
            && other.y >= self.y
            && other.x + other.width <= self.x + self.width
            && other.y + other.height <= self.y + self.height
    }
}

/// Room already taken inside a frame.
pub struct Room {
    frame: Area,
    taken: Vec<Area>,
}

/// Beyond this many boxes nothing more is placed: a sheet that full helps nobody.
const MOST_BOXES: usize = 600;

impl Room {
    pub fn new(frame: Area) -> Room {
        Room {
            frame,
            taken: Vec::new(),
        }
    }

    /// Takes the room if it lies inside the frame and is free.
    pub fn take(&mut self, area: Area) -> bool {
        let free = self.taken.len() < MOST_BOXES
            && self.frame.holds(&area)
            && !self.taken.iter().any(|other| other.meets(&area));
        if free {
            self.taken.push(area);
        }
        free
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hostile_text_is_harmless() {
        assert_eq!(
            escape("<script>\"&'\u{0}\u{202e}"),
            "&lt;script&gt;&quot;&amp;&#39;\u{fffd}\u{fffd}"
        );
        assert_eq!(shorten("abcdef", 4), "abc…");
        assert_eq!(shorten("abcd", 4), "abcd");
    }

    #[test]
    fn paths_are_relative_and_rounded() {
        let mut path = PathData::default();
        path.add(
            [(1.04, 2.0), (1.0, 2.0), (3.25, 1.5), (0.0, -1.0)].into_iter(),
            true,
        );
        assert_eq!(path.0, "M1 2l2.3-0.5-3.3-2.5z");
        path.add([(5.0, 5.0), (5.01, 5.0)].into_iter(), false);
        assert_eq!(path.0, "M1 2l2.3-0.5-3.3-2.5z");
    }

    #[test]
    fn boxes_do_not_overlap_and_stay_in_the_frame() {
        let mut room = Room::new(Area::around(50.0, 50.0, 100.0, 100.0));
        assert!(room.take(Area::around(20.0, 20.0, 10.0, 10.0)));
        assert!(!room.take(Area::around(25.0, 25.0, 10.0, 10.0)));
        assert!(!room.take(Area::around(98.0, 50.0, 10.0, 10.0)));
    }
}
