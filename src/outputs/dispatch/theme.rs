//! Colours of sheets on light ground and on dark: Okabe & Ito, and the `Greys` and `BrBG` of ColorBrewer, as in `style`.

use super::map::Ink;
use crate::outputs::style;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Theme {
    /// For paper and for the day.
    Light,
    /// For a cab at night: little light comes from it.
    Dark,
}

/// Of the `Greys` of ColorBrewer.
const GREY_DEEP: &str = "#525252";

pub const INKS: [Ink; 14] = [
    Ink::Words,
    Ink::Faint,
    Ink::Paper,
    Ink::Beyond,
    Ink::Before,
    Ink::Day,
    Ink::Night,
    Ink::Road,
    Ink::Kept,
    Ink::Wet,
    Ink::Standing,
    Ink::Shut,
    Ink::Hazard,
    Ink::Outlet,
];

impl Ink {
    /// Short name, for style sheets.
    pub fn key(self) -> &'static str {
        match self {
            Ink::Words => "words",
            Ink::Faint => "faint",
            Ink::Paper => "paper",
            Ink::Beyond => "beyond",
            Ink::Before => "before",
            Ink::Day => "day",
            Ink::Night => "night",
            Ink::Road => "road",
            Ink::Kept => "kept",
            Ink::Wet => "wet",
            Ink::Standing => "standing",
            Ink::Shut => "shut",
            Ink::Hazard => "danger",
            Ink::Outlet => "outlet",
        }
    }

    pub fn colour(self, theme: Theme) -> &'static str {
        let light = theme == Theme::Light;
        match self {
            Ink::Words if light => style::GREY_DARK,
            Ink::Words => style::GREY_LIGHT,
            Ink::Faint => style::GREY_MIDDLE,
            Ink::Paper if light => style::WHITE,
            Ink::Paper => style::BLACK,
            Ink::Beyond if light => style::GREY_PALE,
            Ink::Beyond => style::GREY_DARK,
            Ink::Before if light => style::GREY_LIGHT,
            Ink::Before => GREY_DEEP,
            Ink::Day | Ink::Outlet => style::YELLOW,
            Ink::Night => style::ORANGE,
            Ink::Road => style::BROWN,
            Ink::Kept if light => style::BLUE,
            Ink::Kept | Ink::Wet => style::SKY_BLUE,
            Ink::Standing => style::GREEN,
            Ink::Shut => style::VERMILLION,
            Ink::Hazard => style::PURPLE,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::outputs::paint::Rgb;

    fn channels(ink: Ink, theme: Theme) -> [f64; 3] {
        let Rgb(channels) = Rgb::parse(ink.colour(theme));
        channels.map(|channel| f64::from(channel) / 255.0)
    }

    /// Degrees on the circle of hues, and how much of it there is (the hexcone model, A. R. Smith 1978).
    fn hue(ink: Ink, theme: Theme) -> (f64, f64) {
        let [r, g, b] = channels(ink, theme);
        let (most, least) = (r.max(g).max(b), r.min(g).min(b));
        let chroma = most - least;
        if chroma == 0.0 {
            return (0.0, 0.0);
        }
        let sixth = if most == r {
            (g - b) / chroma
        } else if most == g {
            (b - r) / chroma + 2.0
        } else {
            (r - g) / chroma + 4.0
        };
        ((sixth * 60.0).rem_euclid(360.0), chroma)
    }

    /// Relative luminance (WCAG 2.2).
    fn luminance(ink: Ink, theme: Theme) -> f64 {
        let [r, g, b] = channels(ink, theme).map(|channel| match channel <= 0.040_45 {
            true => channel / 12.92,
            false => ((channel + 0.055) / 1.055).powf(2.4),
        });
        0.2126 * r + 0.7152 * g + 0.0722 * b
    }

    #[test]
    fn what_is_cut_has_no_hue_of_what_is_not() {
        for theme in [Theme::Light, Theme::Dark] {
            for cut in [Ink::Day, Ink::Night] {
                for kept in [Ink::Kept, Ink::Wet, Ink::Standing, Ink::Shut, Ink::Hazard] {
                    let ((a, _), (b, _)) = (hue(cut, theme), hue(kept, theme));
                    let apart = (a - b).abs().min(360.0 - (a - b).abs());
                    // Orange and vermillion, the nearest two, are 15 degrees apart; vermillion is only ever a line.
                    let least = if kept == Ink::Shut { 14.0 } else { 60.0 };
                    assert!(apart >= least, "{cut:?} {kept:?}: {apart}");
                }
                assert_eq!(hue(Ink::Before, theme).1, 0.0);
            }
        }
    }

    /// WCAG 2.2, 1.4.3 and 1.4.11: text 4.5 to 1, what must be told apart 3 to 1 or hatched.
    #[test]
    fn words_are_legible_on_both_grounds() {
        let ratio = |a: Ink, b: Ink, theme: Theme| {
            let (a, b) = (luminance(a, theme), luminance(b, theme));
            (a.max(b) + 0.05) / (a.min(b) + 0.05)
        };
        for theme in [Theme::Light, Theme::Dark] {
            for ground in [Ink::Paper, Ink::Beyond] {
                assert!(ratio(Ink::Words, ground, theme) >= 4.5, "{ground:?}");
            }
            assert!(ratio(Ink::Faint, Ink::Paper, theme) >= 3.0);
            assert!(ratio(Ink::Night, Ink::Before, theme) >= 1.4);
        }
    }
}
