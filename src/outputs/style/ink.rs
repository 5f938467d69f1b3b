//! Inks, named by what they mean, and their colours on white paper, on dark ground, and in black and white.
//!
//! Colours are of Okabe & Ito, "Color Universal Design" (2008), and of ColorBrewer (Harrower & Brewer 2003): its `Greys`,
//! browns of `BrBG`, violets of `PuOr`, dark red of `OrRd` and light red of
//! `Reds`.

pub const BLACK: &str = "#000000";
pub const ORANGE: &str = "#E69F00";
pub const SKY_BLUE: &str = "#56B4E9";
pub const GREEN: &str = "#009E73";
pub const YELLOW: &str = "#F0E442";
pub const BLUE: &str = "#0072B2";
pub const PURPLE: &str = "#CC79A7";
pub const WHITE: &str = "#ffffff";
pub const GREY_PALE: &str = "#f0f0f0";
pub const GREY_LIGHT: &str = "#d9d9d9";
pub const GREY_EVEN: &str = "#969696";
pub const GREY_MIDDLE: &str = "#737373";
pub const GREY_DEEP: &str = "#525252";
pub const GREY_DARK: &str = "#252525";
pub const BROWN: &str = "#8c510a";
pub const BROWN_LIGHT: &str = "#bf812d";
pub const VIOLET: &str = "#542788";
pub const VIOLET_LIGHT: &str = "#b2abd2";
pub const RED: &str = "#7f0000";
pub const RED_LIGHT: &str = "#fcae91";

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rgb(pub [u8; 3]);

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

/// What a drawing lies on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Theme {
    /// For paper and for the day.
    Light,
    /// For a cab at night: little light comes from it.
    Dark,
    /// For a printer or copier without colours.
    Plain,
}

impl Theme {
    pub const ALL: [Theme; 3] = [Theme::Light, Theme::Dark, Theme::Plain];

    /// The cover of a fill: large bright areas blind in the dark, and pale ones look alike there.
    pub fn cover(self, ink: Ink, cover: f64) -> f64 {
        match ink {
            _ if self != Theme::Dark => cover,
            Ink::Day => 0.45,
            Ink::Night => 0.9,
            Ink::Road => 0.6,
            Ink::Standing | Ink::Kept => 0.3,
            _ => cover,
        }
    }
}

/// One meaning each, in every output.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Ink {
    /// Lines and words.
    Words,
    /// Faint lines and words.
    Faint,
    /// The ground of a block.
    Paper,
    /// Beyond the block.
    Beyond,
    /// Nothing is left to do here.
    Before,
    /// Cut by daylight only.
    Day,
    /// May be cut by night.
    Night,
    /// Wood that lies, and roads.
    Wood,
    /// The ground of roads.
    Road,
    /// Cut nothing.
    Kept,
    /// Trees that stay.
    Standing,
    /// No machine may enter, or on some days only; a rule is not met.
    Stop,
    /// Danger.
    Hazard,
}

impl Ink {
    pub const ALL: [Ink; 13] = [
        Ink::Words,
        Ink::Faint,
        Ink::Paper,
        Ink::Beyond,
        Ink::Before,
        Ink::Day,
        Ink::Night,
        Ink::Wood,
        Ink::Road,
        Ink::Kept,
        Ink::Standing,
        Ink::Stop,
        Ink::Hazard,
    ];

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
            Ink::Wood => "wood",
            Ink::Road => "road",
            Ink::Kept => "kept",
            Ink::Standing => "standing",
            Ink::Stop => "stop",
            Ink::Hazard => "danger",
        }
    }

    /// On white paper, on dark ground, in black and white.
    const fn colours(self) -> [&'static str; 3] {
        match self {
            Ink::Words => [BLACK, GREY_LIGHT, BLACK],
            Ink::Faint => [GREY_MIDDLE, GREY_MIDDLE, GREY_MIDDLE],
            Ink::Paper => [WHITE, BLACK, WHITE],
            Ink::Beyond => [GREY_PALE, GREY_DARK, WHITE],
            Ink::Before => [GREY_LIGHT, GREY_MIDDLE, GREY_LIGHT],
            Ink::Day => [YELLOW, YELLOW, WHITE],
            Ink::Night => [ORANGE, ORANGE, GREY_EVEN],
            Ink::Wood => [BROWN, BROWN, BLACK],
            Ink::Road => [BROWN_LIGHT, BROWN, WHITE],
            Ink::Kept => [BLUE, SKY_BLUE, BLACK],
            Ink::Standing => [GREEN, GREEN, GREY_DEEP],
            Ink::Stop => [RED, RED_LIGHT, BLACK],
            Ink::Hazard => [VIOLET, VIOLET_LIGHT, BLACK],
        }
    }

    pub const fn colour(self, theme: Theme) -> &'static str {
        self.colours()[theme as usize]
    }

    pub fn rgb(self, theme: Theme) -> Rgb {
        Rgb::parse(self.colour(theme))
    }
}
