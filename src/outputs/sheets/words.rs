//! Every word of operator sheets that map sheets do not have. `{}` is filled by [`fill`](crate::outputs::text::fill).

use crate::model::Language;
use crate::outputs::text;

#[derive(Clone, Copy, Debug)]
pub struct Words {
    /// What maps say as well.
    pub map: &'static text::Words,
    pub machine: &'static str,
    pub reach: &'static str,
    pub reach_margin: &'static str,
    pub strip_width: &'static str,
    pub steepest: &'static str,
    pub steepest_by_night: &'static str,
    /// A slope.
    pub where_known: &'static str,
    pub not_known: &'static str,
    pub stated_level: &'static str,
    /// Where it is written.
    pub level_source: &'static str,
    /// Scale, paper.
    pub scale: &'static str,
    /// Degrees, then east or west.
    pub declination: &'static str,
    /// Degrees, then right or left.
    pub magnetic: &'static str,
    pub east: &'static str,
    pub west: &'static str,
    pub right: &'static str,
    pub left: &'static str,
    pub magnetic_sign: &'static str,
    /// Grid interval, CRS, point scale, degrees, then right or left.
    pub grid: &'static str,
    /// Program, version, hash.
    pub footer: &'static str,
    pub more_findings: &'static str,
    pub all_sheets: &'static str,
    /// Number.
    pub plan: &'static str,
    /// Number, date.
    pub plan_of: &'static str,
    /// A plan.
    pub replaces: &'static str,
}

pub const ENGLISH: Words = Words {
    map: &text::ENGLISH,
    machine: "Machine",
    reach: "Reach to one side",
    reach_margin: "Kept in hand",
    strip_width: "Strip width",
    steepest: "Steepest ground driven",
    steepest_by_night: "Steepest driven by night",
    where_known: "{} where known",
    not_known: "not known",
    stated_level: "stated level",
    level_source: "Level where not measured: {}",
    scale: "Scale 1:{} on the ground, on {}",
    declination: "Declination {}° {}, as given",
    magnetic: "Compass north {}° {} of grid north",
    east: "E",
    west: "W",
    right: "right",
    left: "left",
    magnetic_sign: "M",
    grid: "Grid {}, {}: {} of the ground; true north {}° {} of grid north",
    footer: "{} {} · input {} · run.json tells what the input was",
    more_findings: "and {} more",
    all_sheets: "{}: operator sheets",
    plan: "Plan {}",
    plan_of: "Plan {} of {}",
    replaces: "replaces {}",
};

pub const FRENCH: Words = Words {
    map: &text::FRENCH,
    machine: "Machine",
    reach: "Portée d’un côté",
    reach_margin: "Gardée en réserve",
    strip_width: "Largeur de bande",
    steepest: "Pente maximale parcourue",
    steepest_by_night: "Pente maximale de nuit",
    where_known: "{} où elle est connue",
    not_known: "inconnue",
    stated_level: "dite de niveau",
    level_source: "De niveau hors mesure : {}",
    scale: "Échelle 1:{} au sol, sur {}",
    declination: "Déclinaison {}° {}, telle que donnée",
    magnetic: "Nord magnétique {}° à {} de celui de la grille",
    east: "E",
    west: "O",
    right: "droite",
    left: "gauche",
    magnetic_sign: "M",
    grid: "Grille {}, {} : {} du sol ; nord vrai {}° à {} de celui de la grille",
    footer: "{} {} · entrée {} · run.json dit ce qu’était l’entrée",
    more_findings: "et {} de plus",
    all_sheets: "{} : fiches d’opérateur",
    plan: "Plan {}",
    plan_of: "Plan {} du {}",
    replaces: "remplace {}",
};

pub fn of(language: Language) -> &'static Words {
    match language {
        Language::English => &ENGLISH,
        Language::French => &FRENCH,
    }
}
