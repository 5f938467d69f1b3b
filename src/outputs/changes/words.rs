//! Every word of the list and maps of changes. `{}` is filled by [`fill`](crate::outputs::text::fill).

use crate::model::{GroundUse, Language};
use crate::outputs::text;

pub struct Words {
    pub map: &'static text::Words,
    pub title: &'static str,
    /// Between a head and what it is of.
    pub colon: &'static str,
    /// Number.
    pub plan: &'static str,
    /// Number, date.
    pub plan_of: &'static str,
    /// The new plan, the old one.
    pub in_place_of: &'static str,
    pub unnumbered: &'static str,
    /// Blocks with news, blocks without.
    pub summary: &'static str,
    pub print: &'static str,
    pub print_none: &'static str,
    /// The file, the plan whose sheet it replaces.
    pub replaces: &'static str,
    pub replaces_unnumbered: &'static str,
    pub first_sheet: &'static str,
    pub all_blocks: &'static str,
    pub ground_head: &'static str,
    pub ground_of_map: &'static str,
    pub figure_head: &'static str,
    pub new_block: &'static str,
    pub new_findings: &'static str,
    pub gone_findings: &'static str,
    pub gone_blocks: &'static str,
    pub not_planned: &'static str,
    pub see_map: &'static str,
    /// In the order of [`GroundUse::ALL`].
    pub uses: [&'static str; 7],
    /// In the order of the figures of changes.
    pub figures: [(&'static str, &'static str); 8],
    pub not_known: &'static str,
}

const ENGLISH: Words = Words {
    map: &text::ENGLISH,
    title: "What changed",
    colon: ":",
    plan: "plan {}",
    plan_of: "plan {} of {}",
    in_place_of: "{} in place of {}",
    unnumbered: "the plan before",
    summary: "Blocks with news: {}. Blocks without: {}; their sheets hold.",
    print: "Print anew",
    print_none: "No sheet has to be printed anew.",
    replaces: "{} replaces that of {}",
    replaces_unnumbered: "{} replaces the earlier one",
    first_sheet: "{} is the block's first",
    all_blocks: "All blocks",
    ground_head: "| ground was | ground is | ha |",
    ground_of_map: "Ground that changed use",
    figure_head: "| figure | was | is |",
    new_block: "It was not planned before.",
    new_findings: "New findings",
    gone_findings: "Findings that are gone",
    gone_blocks: "Blocks that are gone",
    not_planned: "Blocks planned before and not laid out in this run",
    see_map: "Map",
    uses: [
        "cut by day",
        "cut by day or night",
        "retained",
        "reserve",
        "cut before",
        "unworked",
        "outside the block",
    ],
    figures: [
        ("gross_ha", "gross area, ha"),
        ("reserve_ha", "reserve, ha"),
        ("retained_ha", "retained, ha"),
        ("cut_ha", "to be cut, ha"),
        ("retention_share", "retention, share"),
        ("day_hours", "machine hours by day"),
        ("night_hours", "machine hours by night"),
        ("skid_hours", "skidder hours"),
    ],
    not_known: "not known",
};

const FRENCH: Words = Words {
    map: &text::FRENCH,
    title: "Ce qui a changé",
    colon: " :",
    plan: "plan {}",
    plan_of: "plan {} du {}",
    in_place_of: "{} au lieu de {}",
    unnumbered: "le plan d’avant",
    summary: "Blocs avec du nouveau : {}. Blocs sans : {} ; leurs fiches restent valables.",
    print: "À réimprimer",
    print_none: "Aucune fiche n’est à réimprimer.",
    replaces: "{} remplace celle de {}",
    replaces_unnumbered: "{} remplace la précédente",
    first_sheet: "{} est la première du bloc",
    all_blocks: "Tous les blocs",
    ground_head: "| terrain avant | terrain maintenant | ha |",
    ground_of_map: "Terrain qui change d’usage",
    figure_head: "| chiffre | avant | maintenant |",
    new_block: "Il n’était pas planifié auparavant.",
    new_findings: "Constats nouveaux",
    gone_findings: "Constats disparus",
    gone_blocks: "Blocs disparus",
    not_planned: "Blocs planifiés auparavant et non tracés cette fois",
    see_map: "Carte",
    uses: [
        "coupé de jour",
        "coupé de jour ou de nuit",
        "conservé",
        "réserve",
        "déjà coupé",
        "non travaillé",
        "hors du bloc",
    ],
    figures: [
        ("gross_ha", "surface brute, ha"),
        ("reserve_ha", "réserve, ha"),
        ("retained_ha", "conservée, ha"),
        ("cut_ha", "à couper, ha"),
        ("retention_share", "rétention, part"),
        ("day_hours", "heures machine de jour"),
        ("night_hours", "heures machine de nuit"),
        ("skid_hours", "heures du débardeur"),
    ],
    not_known: "inconnu",
};

pub fn of(language: Language) -> &'static Words {
    match language {
        Language::English => &ENGLISH,
        Language::French => &FRENCH,
    }
}

impl Words {
    pub fn use_of(&self, ground: GroundUse) -> &'static str {
        self.uses[ground as usize]
    }
}
