//! Hatches: what they are drawn with, once for patterns of SVG, for paper and for styles of map programs.

use super::ink::{Ink, Theme};

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Hatch {
    /// By daylight only: thin lines across the strips.
    Day,
    /// The boundary pass: dots.
    First,
    /// Cut nothing: double lines.
    Kept,
    /// Trees stay.
    Trees,
    /// No machine: crossed lines.
    Cross,
    /// Danger: level lines.
    Level,
    /// May be wet: the broken lines of marshes.
    Wet,
    /// A road to be cleared: broad lines.
    Road,
    /// Nobody works it: checks.
    Check,
}

/// Lengths in pixels of 1/96 inch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Motif {
    Lines {
        /// Clockwise from north.
        way_deg: f64,
        apart: f64,
        width: f64,
        /// Lengths of dash and gap; every other line is moved by half of both. None: unbroken.
        dash: Option<[f64; 2]>,
        /// A second line beside each, this far from it.
        beside: Option<f64>,
        /// Lines across them as well.
        crossed: bool,
    },
    /// Two in each square of this side.
    Dots { side: f64, radius: f64 },
    /// One triangle in each square of this side.
    Trees { side: f64 },
    /// Squares of this side.
    Checks { side: f64 },
}

/// Corners of a tree as shares of its square's side, y up.
pub const TREE: [(f64, f64); 3] = [(0.5, 0.85), (0.8, 0.25), (0.2, 0.25)];
/// Middles of the dots as shares of their square's side.
pub const DOTS: [(f64, f64); 2] = [(0.25, 0.25), (0.75, 0.75)];

const fn lines(way_deg: f64, apart: f64, width: f64) -> Motif {
    Motif::Lines {
        way_deg,
        apart,
        width,
        dash: None,
        beside: None,
        crossed: false,
    }
}

/// Hundredths of a pixel.
fn short(pixels: f64) -> f64 {
    (pixels * 100.0).round() / 100.0
}

impl Hatch {
    pub const ALL: [Hatch; 9] = [
        Hatch::Day,
        Hatch::First,
        Hatch::Kept,
        Hatch::Trees,
        Hatch::Cross,
        Hatch::Level,
        Hatch::Wet,
        Hatch::Road,
        Hatch::Check,
    ];

    /// Id of its pattern.
    pub fn id(self) -> &'static str {
        match self {
            Hatch::Day => "h-day",
            Hatch::First => "h-first",
            Hatch::Kept => "h-kept",
            Hatch::Trees => "h-trees",
            Hatch::Cross => "h-cross",
            Hatch::Level => "h-level",
            Hatch::Wet => "h-wet",
            Hatch::Road => "h-road",
            Hatch::Check => "h-check",
        }
    }

    pub const fn ink(self) -> Ink {
        match self {
            Hatch::Day | Hatch::First | Hatch::Wet | Hatch::Check | Hatch::Trees => Ink::Words,
            Hatch::Kept => Ink::Kept,
            Hatch::Road => Ink::Wood,
            Hatch::Cross => Ink::Stop,
            Hatch::Level => Ink::Hazard,
        }
    }

    pub const fn motif(self) -> Motif {
        match self {
            // Turned with the strips, see `turned`.
            Hatch::Day => lines(45.0, 6.0, 0.6),
            Hatch::First => Motif::Dots {
                side: 4.4,
                radius: 1.3,
            },
            Hatch::Kept => Motif::Lines {
                way_deg: 0.0,
                apart: 9.0,
                width: 1.1,
                dash: None,
                beside: Some(2.8),
                crossed: false,
            },
            Hatch::Trees => Motif::Trees { side: 7.0 },
            Hatch::Cross => Motif::Lines {
                way_deg: 45.0,
                apart: 5.7,
                width: 0.9,
                dash: None,
                beside: None,
                crossed: true,
            },
            Hatch::Level => lines(90.0, 5.0, 1.4),
            Hatch::Wet => Motif::Lines {
                way_deg: 90.0,
                apart: 4.5,
                width: 1.2,
                dash: Some([6.0, 8.0]),
                beside: None,
                crossed: false,
            },
            Hatch::Road => lines(135.0, 8.0, 1.6),
            Hatch::Check => Motif::Checks { side: 3.5 },
        }
    }

    /// Clockwise from north, of lines; those of the day cross strips of this azimuth at 45 degrees, so that no line of them
    /// passes for a strip.
    pub fn way_deg(self, azimuth_deg: f64) -> f64 {
        match self.motif() {
            Motif::Lines { way_deg, .. } if self == Hatch::Day => azimuth_deg + way_deg,
            Motif::Lines { way_deg, .. } => way_deg,
            _ => 90.0,
        }
    }

    /// How much of the ground it covers.
    pub fn cover(self) -> f64 {
        match self.motif() {
            Motif::Lines {
                apart,
                width,
                dash,
                beside,
                crossed,
                ..
            } => {
                let drawn = dash.map_or(1.0, |[dash, gap]| dash / (dash + gap));
                let one = width / apart * drawn * if beside.is_some() { 2.0 } else { 1.0 };
                if crossed { 2.0 * one - one * one } else { one }
            }
            Motif::Dots { side, radius } => {
                2.0 * std::f64::consts::PI * radius * radius / (side * side)
            }
            Motif::Trees { .. } => {
                let [top, right, left] = TREE;
                (right.0 - left.0) * (top.1 - right.1) / 2.0
            }
            Motif::Checks { .. } => 0.5,
        }
    }

    /// Its pattern of SVG over strips of this azimuth; `ink` writes the value of a fill or stroke.
    pub fn pattern(self, azimuth_deg: f64, ink: &dyn Fn(Ink) -> String) -> String {
        let colour = ink(self.ink());
        let (width, height, drawn) = match self.motif() {
            Motif::Lines {
                apart,
                width,
                dash,
                beside,
                crossed,
                ..
            } => {
                let mut d = String::new();
                let (long, high) = match dash {
                    Some([dash, gap]) => {
                        let (low, next) = (short(apart / 2.0), short(apart * 1.5));
                        let half = (dash + gap) / 2.0;
                        d += &format!("M0 {low}h{dash}M{half} {next}h{}", dash.min(half));
                        (dash + gap, 2.0 * apart)
                    }
                    None => {
                        d += &format!("M0 {}h{apart}", short(apart / 3.0));
                        if let Some(beside) = beside {
                            d += &format!("M0 {}h{apart}", short(apart / 3.0 + beside));
                        }
                        if crossed {
                            d += &format!("M{} 0v{apart}", short(apart / 3.0));
                        }
                        (apart, apart)
                    }
                };
                let drawn =
                    format!("<path d=\"{d}\" stroke=\"{colour}\" stroke-width=\"{width}\"/>");
                (long, high, drawn)
            }
            Motif::Dots { side, radius } => {
                let dots = DOTS.map(|(x, y)| {
                    format!(
                        "<circle cx=\"{}\" cy=\"{}\" r=\"{radius}\" fill=\"{colour}\"/>",
                        short(x * side),
                        short(y * side)
                    )
                });
                (side, side, dots.concat())
            }
            Motif::Trees { side } => {
                let corner =
                    |(x, y): (f64, f64)| format!("{:.1} {:.1}", x * side, (1.0 - y) * side);
                let [a, b, c] = TREE.map(corner);
                let drawn = format!("<path d=\"M{a}L{b}L{c}z\" fill=\"{colour}\"/>");
                (side, side, drawn)
            }
            Motif::Checks { side } => {
                let drawn = format!(
                    "<path d=\"M0 0h{side}v{side}h-{side}zM{side} {side}h{side}v{side}h-{side}z\" fill=\"{colour}\"/>"
                );
                (2.0 * side, 2.0 * side, drawn)
            }
        };
        // A turn of 0 is a level line.
        let turn = (self.way_deg(azimuth_deg) - 90.0).rem_euclid(180.0).round();
        let turned = match turn == 0.0 {
            true => String::new(),
            false => format!(" patternTransform=\"rotate({turn})\""),
        };
        format!(
            "<pattern id=\"{}\" width=\"{width}\" height=\"{height}\" patternUnits=\"userSpaceOnUse\"{turned}>{drawn}</pattern>\n",
            self.id()
        )
    }

    /// All patterns in the colours of a theme.
    pub fn patterns(azimuth_deg: f64, theme: Theme) -> String {
        let ink = |ink: Ink| ink.colour(theme).to_owned();
        (Hatch::ALL.iter())
            .map(|hatch| hatch.pattern(azimuth_deg, &ink))
            .collect()
    }
}
