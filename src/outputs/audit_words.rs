//! Words of the page of an audit, in both languages; verdicts are called as in the web report.

use crate::model::{Language, Verdict};

pub struct Words {
    pub lang: &'static str,
    pub title: &'static str,
    /// Blocks, how it was measured, rulebook.
    pub intro: &'static str,
    pub against: &'static str,
    pub turn: &'static str,
    /// Worse, new, mended, gone, in the order of [`Turn`](crate::audit::against::Turn).
    pub turns: [&'static str; 4],
    pub field: &'static str,
    pub field_files: &'static str,
    pub map: &'static str,
    pub blocks: &'static str,
    pub columns: [&'static str; 8],
    pub unlisted: &'static str,
    pub fails: &'static str,
    pub others: &'static str,
    pub untold: &'static str,
    pub block: &'static str,
    pub all_blocks: &'static str,
    pub places: &'static str,
    pub rows: [&'static str; 9],
    pub foot: &'static str,
    /// Met, does not apply, cannot tell, check, falls short.
    verdicts: [&'static str; 5],
}

const ENGLISH: Words = Words {
    lang: "en",
    title: "Audit",
    intro: "{} block(s). {} Rules: {}.",
    against: "Against the earlier audit: {} change(s)",
    turn: "Turn",
    turns: ["worse", "new", "mended", "gone"],
    field: "In the field",
    field_files: "The places stand in field_check.html, to print, field_check.csv and field_check.gpx.",
    map: "All blocks by their worst verdict, north up; each leads to what is said of it",
    blocks: "Blocks",
    columns: [
        "Block",
        "Worst verdict",
        "Gross, ha",
        "Cut, ha",
        "Standing, ha",
        "Falls short",
        "Check",
        "Cannot tell",
    ],
    unlisted: "{} more block(s) stand in compliance.csv.",
    fails: "What falls short",
    others: "Near the limit, or not to be told",
    untold: "{} more block(s) with findings stand in compliance.csv and audit.gpkg.",
    block: "Block {}",
    all_blocks: "All blocks together",
    places: "Block and places of the findings, north up",
    rows: [
        "No",
        "Verdict",
        "Rule",
        "Required",
        "Measured",
        "Tolerance, or ±",
        "Ground, m²",
        "Why",
        "Source",
    ],
    foot: "An audit is an aid: local codes, permits and licensed practice decide.",
    verdicts: [
        "✓ Met",
        "– Does not apply",
        "? Cannot tell",
        "! Check",
        "✕ Falls short",
    ],
};

const FRENCH: Words = Words {
    lang: "fr",
    title: "Vérification",
    intro: "{} bloc(s). {} Règles : {}.",
    against: "Par rapport à la vérification précédente : {} changement(s)",
    turn: "Sens",
    turns: ["pire", "nouveau", "corrigé", "disparu"],
    field: "Sur le terrain",
    field_files: "Les points figurent dans field_check.html, à imprimer, field_check.csv et field_check.gpx.",
    map: "Tous les blocs selon leur pire verdict, nord en haut ; chacun mène à ce qui en est dit",
    blocks: "Blocs",
    columns: [
        "Bloc",
        "Pire verdict",
        "Brut, ha",
        "Coupé, ha",
        "Debout, ha",
        "Non respectée",
        "À vérifier",
        "Indéterminé",
    ],
    unlisted: "{} autre(s) bloc(s) figurent dans compliance.csv.",
    fails: "Ce qui n’est pas respecté",
    others: "Près de la limite, ou indéterminé",
    untold: "{} autre(s) bloc(s) avec constats figurent dans compliance.csv et audit.gpkg.",
    block: "Bloc {}",
    all_blocks: "Tous les blocs ensemble",
    places: "Le bloc et les endroits des constats, nord en haut",
    rows: [
        "N°",
        "Verdict",
        "Règle",
        "Exigé",
        "Mesuré",
        "Tolérance, ou ±",
        "Terrain, m²",
        "Pourquoi",
        "Source",
    ],
    foot: "Une vérification est une aide : règles locales, permis et professionnels habilités décident.",
    verdicts: [
        "✓ Respectée",
        "– Sans objet",
        "? Indéterminé",
        "! À vérifier",
        "✕ Non respectée",
    ],
};

impl Words {
    pub fn of(language: Language) -> &'static Words {
        match language {
            Language::English => &ENGLISH,
            Language::French => &FRENCH,
        }
    }

    /// With a sign, so that it does not rest on colour.
    pub fn verdict(&self, verdict: Verdict) -> &'static str {
        self.verdicts[match verdict {
            Verdict::Pass => 0,
            Verdict::NotApplicable => 1,
            Verdict::Unknown => 2,
            Verdict::Warn => 3,
            Verdict::Fail => 4,
        }]
    }
}

/// The class that a verdict has in style sheets.
pub fn class(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Pass | Verdict::NotApplicable => "pass",
        Verdict::Unknown => "unknown",
        Verdict::Warn => "warn",
        Verdict::Fail => "fail",
    }
}
