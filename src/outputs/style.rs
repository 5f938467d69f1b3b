//! Colours and hatches of the map sheets.
//!
//! Colours are those of Okabe & Ito, "Color Universal Design" (2008), safe for colour-blind eyes; greys are the
//! `Greys` scheme of ColorBrewer (Harrower & Brewer 2003), the brown one end of its `BrBG`. No meaning rests on colour alone: each kind of ground has a
//! hatch, dash or tone of its own that stays legible in black and white.

pub const BLACK: &str = "#000000";
pub const ORANGE: &str = "#E69F00";
pub const SKY_BLUE: &str = "#56B4E9";
pub const GREEN: &str = "#009E73";
pub const YELLOW: &str = "#F0E442";
pub const BLUE: &str = "#0072B2";
pub const VERMILLION: &str = "#D55E00";
pub const PURPLE: &str = "#CC79A7";
pub const WHITE: &str = "#ffffff";
pub const GREY_PALE: &str = "#f0f0f0";
pub const GREY_LIGHT: &str = "#d9d9d9";
pub const GREY_MIDDLE: &str = "#737373";
pub const GREY_DARK: &str = "#252525";
pub const BROWN: &str = "#8c510a";

/// How one kind of ground is drawn: a fill below, a hatch above, an outline.
#[derive(Clone, Copy, Debug)]
pub struct Ground {
    /// Attributes of the plain fill; empty: none.
    pub fill: &'static str,
    /// Id of a pattern in [`DEFS`]; empty: none.
    pub hatch: &'static str,
    /// Attributes of the outline; empty: none.
    pub outline: &'static str,
}

const fn ground(fill: &'static str, hatch: &'static str, outline: &'static str) -> Ground {
    Ground {
        fill,
        hatch,
        outline,
    }
}

pub const NET_AREA: Ground = ground(r##"fill="#ffffff""##, "", "");
pub const RESERVE: Ground = ground(
    r##"fill="#0072B2" fill-opacity=".3""##,
    "",
    r##"stroke="#0072B2" stroke-width="1""##,
);
pub const MANAGEMENT: Ground = ground(
    r##"fill="#56B4E9" fill-opacity=".12""##,
    "h-dots",
    r##"stroke="#0072B2" stroke-width=".8" stroke-dasharray="5 2""##,
);
pub const RETAINED_BAND: Ground = ground(
    r##"fill="#009E73" fill-opacity=".3""##,
    "h-trees",
    r##"stroke="#009E73" stroke-width="1""##,
);
pub const MACHINE_EXCLUSION: Ground =
    ground("", "h-cross", r##"stroke="#D55E00" stroke-width="1""##);
pub const ROAD_CLEARING: Ground = ground(
    r##"fill="#d9d9d9""##,
    "",
    r##"stroke="#737373" stroke-width=".8""##,
);
pub const ROAD_BAND: Ground = ground(
    "",
    "",
    r##"stroke="#252525" stroke-width="1.1" stroke-dasharray="9 3 2 3""##,
);
pub const HAZARD: Ground = ground(
    r##"fill="#CC79A7" fill-opacity=".12""##,
    "h-level",
    r##"stroke="#CC79A7" stroke-width="1.2""##,
);
/// Low over the nearest water.
pub const MAY_BE_WET: Ground = ground(
    r##"fill="#56B4E9" fill-opacity=".3""##,
    "h-wet",
    r##"stroke="#0072B2" stroke-width="1" stroke-dasharray="1.5 2.5""##,
);
/// Beside a power line: nothing may enter.
pub const LIMIT_OF_APPROACH: Ground = ground(
    r##"fill="#D55E00" fill-opacity=".45""##,
    "",
    r##"stroke="#D55E00" stroke-width="1.2" stroke-dasharray="2 2""##,
);
/// Long dashes and dots, wider than any other line.
pub const POWER_LINE: Ground = ground(
    "",
    "",
    r##"stroke="#000000" stroke-width="2.6" stroke-dasharray="14 3 2 3""##,
);
/// A road or trail that other people use, where trees fall near it.
pub const PEOPLE: Ground = ground(
    "",
    "",
    r##"stroke="#D55E00" stroke-width="4" stroke-opacity=".8""##,
);
/// One of which nobody says whether other people use it.
pub const PEOPLE_UNKNOWN: Ground = ground(
    "",
    "",
    r##"stroke="#D55E00" stroke-width="2.4" stroke-dasharray="2 4""##,
);
/// Ground that may be worked on some days only.
pub const WINDOW: Ground = ground(
    "",
    "",
    r##"stroke="#8c510a" stroke-width="2.2" stroke-dasharray="7 3""##,
);
pub const CROSSING: Ground = ground(
    r##"fill="#ffffff" fill-opacity=".85""##,
    "",
    r##"stroke="#252525" stroke-width="1.4""##,
);
pub const STRIP_IN: Ground = ground(
    r##"fill="#F0E442" fill-opacity=".28""##,
    "",
    r##"stroke="#737373" stroke-width=".3""##,
);
pub const STRIP_OUT: Ground = ground(
    r##"fill="#E69F00" fill-opacity=".2""##,
    "",
    r##"stroke="#737373" stroke-width=".3""##,
);
pub const BOUNDARY_PASS: Ground = ground(
    r##"fill="#CC79A7" fill-opacity=".3""##,
    "",
    r##"stroke="#737373" stroke-width=".4""##,
);
pub const DAY_ONLY: Ground = ground("", "h-day", "");
/// For outputs without strips below and without hatches: yellow for the day, dark for the night.
pub const SECTION_DAY_ONLY: Ground = ground(
    r##"fill="#F0E442" fill-opacity=".55""##,
    "h-day",
    r##"stroke="#737373" stroke-width=".4""##,
);
pub const SECTION_NIGHT_SAFE: Ground = ground(
    r##"fill="#252525" fill-opacity=".3""##,
    "",
    r##"stroke="#737373" stroke-width=".4""##,
);
pub const CORRIDOR: Ground = ground(
    r##"fill="#009E73" fill-opacity=".75""##,
    "",
    r##"stroke="#009E73" stroke-width=".4""##,
);
pub const UNWORKED: Ground = ground(
    r##"fill="#ffffff""##,
    "h-check",
    r##"stroke="#D55E00" stroke-width="1.2""##,
);
/// Cut before the plan: bare, as no other ground is.
pub const FELLED: Ground = ground(
    r##"fill="#d9d9d9""##,
    "",
    r##"stroke="#737373" stroke-width=".6" stroke-dasharray="3 2""##,
);
pub const BLOCK: Ground = ground(
    "",
    "",
    r##"stroke="#000000" stroke-width="2.2" stroke-linejoin="round""##,
);
/// Line between two settings.
pub const SETTING: Ground = ground(
    "",
    "",
    r##"stroke="#000000" stroke-width="2.4" stroke-dasharray="8 4""##,
);
/// What wood is brought to: a light line in a dark one, which no other line is.
pub const OUTLET_RIM: Ground = ground(
    "",
    "",
    r##"stroke="#000000" stroke-width="5.4" stroke-linecap="round""##,
);
pub const OUTLET: Ground = ground(
    "",
    "",
    r##"stroke="#F0E442" stroke-width="2.8" stroke-linecap="round""##,
);
/// Dots; wider where more loads pass.
pub const SKID_TRAIL: Ground = ground(
    "",
    "",
    r##"stroke="#252525" stroke-width="2" stroke-linecap="round" stroke-dasharray="0.1 4.5""##,
);
pub const DECK: Ground = ground(
    r##"fill="#000000""##,
    "",
    r##"stroke="#ffffff" stroke-width="1""##,
);
/// Lines and outlines of notes of the field, and their flag.
pub const NOTE: Ground = ground(
    r##"fill="#CC79A7""##,
    "",
    r##"stroke="#CC79A7" stroke-width="2.2" stroke-dasharray="7 2""##,
);
pub const FINDING: Ground = ground(
    "",
    "",
    r##"stroke="#D55E00" stroke-width="2" stroke-dasharray="3 2""##,
);

/// Style sheet and patterns. `{clip}` stands for the rectangle of the map frame, `{hatch}` for the turn of the day-only
/// hatch in degrees.
pub const DEFS: &str = r##"<style>
text{font-family:system-ui,"Segoe UI","Noto Sans","DejaVu Sans",Arial,sans-serif;fill:#252525;font-size:11.5px}
.h{font-weight:700;font-size:12.5px}.e{text-anchor:end}.c{text-anchor:middle}.s{font-size:11px}
.n{font-size:11px;font-weight:700;text-anchor:middle;paint-order:stroke;stroke:#ffffff;stroke-width:2.5px;stroke-linejoin:round}
.l{fill:none;stroke:#252525;stroke-width:.7}.f{stroke-width:.3}.b{fill:none;stroke:#D55E00;stroke-width:.4}.a{stroke-dasharray:4 2}.t{fill:#252525}
</style>
<defs>
<pattern id="h-day" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate({hatch})"><path d="M0 3h6" stroke="#252525" stroke-opacity=".65" stroke-width=".9"/></pattern>
<pattern id="h-dots" width="7" height="7" patternUnits="userSpaceOnUse"><circle cx="2" cy="2" r=".9" fill="#0072B2"/><circle cx="5.5" cy="5.5" r=".9" fill="#0072B2"/></pattern>
<pattern id="h-trees" width="10" height="10" patternUnits="userSpaceOnUse"><path d="M5 1.5l2.8 5.5h-5.6z" fill="#009E73"/></pattern>
<pattern id="h-cross" width="8" height="8" patternUnits="userSpaceOnUse"><path d="M0 0l8 8M8 0l-8 8" stroke="#D55E00" stroke-width=".9"/></pattern>
<pattern id="h-level" width="8" height="5" patternUnits="userSpaceOnUse"><path d="M0 2.5h8" stroke="#CC79A7" stroke-width="1.4"/></pattern>
<pattern id="h-wet" width="14" height="9" patternUnits="userSpaceOnUse"><path d="M1 3h6M8 7.5h6" stroke="#0072B2" stroke-width="1.4"/></pattern>
<pattern id="h-check" width="8" height="8" patternUnits="userSpaceOnUse"><path d="M0 0h4v4h-4zM4 4h4v4h-4z" fill="#D55E00" fill-opacity=".75"/></pattern>
<clipPath id="frame"><rect {clip}/></clipPath>
</defs>
"##;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_two_published_palettes_are_used() {
        let allowed = [
            BLACK,
            ORANGE,
            SKY_BLUE,
            GREEN,
            YELLOW,
            BLUE,
            VERMILLION,
            PURPLE,
            WHITE,
            GREY_PALE,
            GREY_LIGHT,
            GREY_MIDDLE,
            GREY_DARK,
            BROWN,
        ];
        let mut text = DEFS.to_owned();
        for ground in [
            NET_AREA,
            RESERVE,
            MANAGEMENT,
            RETAINED_BAND,
            MACHINE_EXCLUSION,
            ROAD_CLEARING,
            ROAD_BAND,
            HAZARD,
            MAY_BE_WET,
            LIMIT_OF_APPROACH,
            POWER_LINE,
            PEOPLE,
            WINDOW,
            CROSSING,
            STRIP_IN,
            STRIP_OUT,
            BOUNDARY_PASS,
            DAY_ONLY,
            SECTION_DAY_ONLY,
            SECTION_NIGHT_SAFE,
            CORRIDOR,
            UNWORKED,
            FELLED,
            BLOCK,
            SETTING,
            OUTLET_RIM,
            OUTLET,
            SKID_TRAIL,
            DECK,
            NOTE,
            FINDING,
        ] {
            text += ground.fill;
            text += ground.outline;
        }
        let mut seen = 0;
        for (start, _) in text.match_indices('#') {
            if let Some(colour) = text.get(start..start + 7)
                && colour[1..].bytes().all(|byte| byte.is_ascii_hexdigit())
            {
                assert!(allowed.contains(&colour), "{colour}");
                seen += 1;
            }
        }
        assert!(seen > 20);
    }
}
