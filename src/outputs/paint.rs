//! A [`Ground`] taken apart, for outputs that are no SVG.

use super::style::Ground;

#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Rgb(pub [u8; 3]);

impl Rgb {
    /// From `#rrggbb`; anything else is black.
    pub fn parse(text: &str) -> Rgb {
        let channel = |at: usize| {
            text.get(at..at + 2)
                .and_then(|digits| u8::from_str_radix(digits, 16).ok())
                .unwrap_or(0)
        };
        Rgb([channel(1), channel(3), channel(5)])
    }

    /// `#rrggbb`.
    pub fn hex(self) -> String {
        let [r, g, b] = self.0;
        format!("#{r:02x}{g:02x}{b:02x}")
    }
}

#[derive(Clone, Debug, PartialEq)]
pub(super) struct Fill {
    pub colour: Rgb,
    pub opacity: f64,
}

#[derive(Clone, Debug, PartialEq)]
pub(super) struct Stroke {
    pub colour: Rgb,
    /// In pixels of 1/96 inch, as all of `style`.
    pub width_px: f64,
    pub dash_px: Vec<f64>,
}

#[derive(Clone, Debug, PartialEq)]
pub(super) struct Paint {
    pub fill: Option<Fill>,
    /// Id of the hatch; empty: none.
    pub hatch: &'static str,
    pub stroke: Option<Stroke>,
}

impl Paint {
    pub fn of(ground: &Ground) -> Paint {
        let number = |text: &str, name: &str| attribute(text, name)?.parse::<f64>().ok();
        Paint {
            fill: attribute(ground.fill, "fill").map(|colour| Fill {
                colour: Rgb::parse(colour),
                opacity: number(ground.fill, "fill-opacity").unwrap_or(1.0),
            }),
            hatch: ground.hatch,
            stroke: attribute(ground.outline, "stroke").map(|colour| Stroke {
                colour: Rgb::parse(colour),
                width_px: number(ground.outline, "stroke-width").unwrap_or(1.0),
                dash_px: attribute(ground.outline, "stroke-dasharray")
                    .map(|dashes| {
                        let lengths = dashes.split_whitespace();
                        lengths.filter_map(|length| length.parse().ok()).collect()
                    })
                    .unwrap_or_default(),
            }),
        }
    }
}

/// The value of `name="value"` in a list of attributes.
fn attribute<'a>(text: &'a str, name: &str) -> Option<&'a str> {
    let opening = format!("{name}=\"");
    let at = text
        .match_indices(&opening)
        .map(|(at, _)| at)
        .find(|at| *at == 0 || text[..*at].ends_with(' '))?;
    text[at + opening.len()..].split('"').next()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::outputs::style;

    #[test]
    fn a_ground_comes_apart_as_it_is_written() {
        let reserve = Paint::of(&style::RESERVE);
        assert_eq!(
            reserve.fill,
            Some(Fill {
                colour: Rgb([0x00, 0x72, 0xb2]),
                opacity: 0.3
            })
        );
        let band = Paint::of(&style::ROAD_BAND);
        assert_eq!(band.fill, None);
        let stroke = band.stroke.unwrap();
        assert_eq!(stroke.dash_px, [9.0, 3.0, 2.0, 3.0]);
        assert_eq!(
            (stroke.colour.hex(), stroke.width_px),
            ("#252525".to_owned(), 1.1)
        );
        assert_eq!(Paint::of(&style::DAY_ONLY).hatch, "h-day");
    }
}
