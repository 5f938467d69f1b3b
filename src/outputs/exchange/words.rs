//! Every word of exchange files that map sheets do not have. `{}` is filled by [`fill`](crate::outputs::text::fill).

use crate::model::Language;
use crate::outputs::text;

#[derive(Clone, Copy, Debug)]
pub struct Words {
    /// What maps say as well.
    pub map: &'static text::Words,
    /// At most ten characters of ASCII, as receivers keep them.
    pub gpx_start: &'static str,
    /// With a number at most thirteen characters of ASCII; so are the next.
    pub gpx_block: &'static str,
    pub gpx_reserve: &'static str,
    pub gpx_no_machine: &'static str,
    pub gpx_hazard: &'static str,
    pub gpx_wet: &'static str,
    pub gpx_power_line: &'static str,
    /// Where other people are, and where nobody says whether they are; with a number at most ten characters of ASCII.
    pub gpx_people: [&'static str; 2],
    /// Likewise: what it is, metres.
    pub people: [&'static str; 2],
    /// Order, setting, strip, piece, heading.
    pub strip: &'static str,
    pub inward: &'static str,
    pub outward: &'static str,
    pub around: &'static str,
    pub strips: &'static str,
    pub blocks: &'static str,
    /// Its wood in m³, and the setting that it comes from.
    pub deck: &'static str,
    /// With a number at most ten characters of ASCII.
    pub gpx_deck: &'static str,
    pub gpx_note: &'static str,
    pub gpx_window: &'static str,
}

pub const ENGLISH: Words = Words {
    map: &text::ENGLISH,
    gpx_start: "START",
    gpx_block: "BLOCK",
    gpx_reserve: "RESERVE",
    gpx_no_machine: "NO-GO",
    gpx_hazard: "HAZARD",
    gpx_wet: "MAYBE WET",
    gpx_power_line: "POWER LINE",
    gpx_people: ["PEOPLE", "PEOPLE?"],
    people: [
        "{}: close or watch it while trees fall within {} m",
        "{}: nobody says whether other people are there; trees fall within {} m",
    ],
    strip: "Order {}, {}, heading {}",
    inward: "in",
    outward: "out",
    around: "around",
    strips: "Strips in the order of work",
    blocks: "Blocks",
    deck: "Deck of {} m³ from setting {}",
    gpx_deck: "DECK",
    gpx_note: "NOTE",
    gpx_window: "OPEN",
};

pub const FRENCH: Words = Words {
    map: &text::FRENCH,
    gpx_start: "DEBUT",
    gpx_block: "BLOC",
    gpx_reserve: "RESERVE",
    gpx_no_machine: "INTERDIT",
    gpx_hazard: "DANGER",
    gpx_wet: "MOUILLE?",
    gpx_power_line: "LIGNE ELEC",
    gpx_people: ["PUBLIC", "PUBLIC?"],
    people: [
        "{} : à fermer ou surveiller pendant que des arbres tombent à moins de {} m",
        "{} : nul ne dit si du public y passe ; des arbres tombent à moins de {} m",
    ],
    strip: "Rang {}, {}, sens {}",
    inward: "aller",
    outward: "retour",
    around: "tour",
    strips: "Bandes dans l’ordre de travail",
    blocks: "Blocs",
    deck: "Pile de {} m³ du secteur {}",
    gpx_deck: "PILE",
    gpx_note: "NOTE",
    gpx_window: "OUVERT",
};

pub fn of(language: Language) -> &'static Words {
    match language {
        Language::English => &ENGLISH,
        Language::French => &FRENCH,
    }
}
