//! Every word of operator sheets that map sheets do not have. `{}` is filled by [`fill`](crate::outputs::text::fill).

#[derive(Clone, Copy, Debug)]
pub struct Words {
    pub machine: &'static str,
    pub reach: &'static str,
    pub reach_margin: &'static str,
    pub strip_width: &'static str,
    pub max_slope: &'static str,
    pub night_slope: &'static str,
    /// Scale, paper.
    pub scale: &'static str,
    pub entry: &'static str,
    pub entry_sign: &'static str,
    /// Degrees, then east or west.
    pub declination: &'static str,
    /// Degrees, then right or left.
    pub magnetic: &'static str,
    pub east: &'static str,
    pub west: &'static str,
    pub right: &'static str,
    pub left: &'static str,
    pub magnetic_sign: &'static str,
    /// Grid interval, CRS.
    pub grid: &'static str,
    /// Program, version, hash.
    pub footer: &'static str,
    pub more_findings: &'static str,
    pub all_sheets: &'static str,
}

pub const ENGLISH: Words = Words {
    machine: "Machine",
    reach: "Reach to one side",
    reach_margin: "Kept in hand",
    strip_width: "Strip width",
    max_slope: "Never steeper than",
    night_slope: "By night never steeper than",
    scale: "Scale 1:{} on {}",
    entry: "Entry: a part's first strip",
    entry_sign: "E",
    declination: "Declination {}° {}, as given",
    magnetic: "Compass north {}° {} of grid north",
    east: "E",
    west: "W",
    right: "right",
    left: "left",
    magnetic_sign: "M",
    grid: "Grid {} m, {}",
    footer: "{} {} · input {} · run.json tells what the input was",
    more_findings: "and {} more",
    all_sheets: "{}: operator sheets",
};
