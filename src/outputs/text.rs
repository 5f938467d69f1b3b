//! Every word that stands on a map sheet, in one place, so that another language is one more constant.

use crate::model::Language;

/// `{}` in a text is filled in order by [`fill`].
#[derive(Clone, Copy, Debug)]
pub struct Words {
    pub language: Language,
    pub block: &'static str,
    pub sheet: &'static str,
    pub description: &'static str,
    pub verdict_ok: &'static str,
    pub verdict_warn: &'static str,
    pub verdict_fail: &'static str,
    pub verdict_unknown: &'static str,
    pub areas: &'static str,
    pub gross: &'static str,
    pub reserve: &'static str,
    pub net: &'static str,
    pub retained: &'static str,
    pub cut: &'static str,
    pub unworked: &'static str,
    pub retention: &'static str,
    pub retention_value: &'static str,
    /// What the share is counted in: stems, basal area, volume.
    pub counted_in: &'static str,
    pub trees_in: [&'static str; 3],
    pub strips: &'static str,
    pub azimuth: &'static str,
    pub corridor_width: &'static str,
    pub hours: &'static str,
    pub hours_by: &'static str,
    pub hours_factor: &'static str,
    pub none: &'static str,
    pub legend: &'static str,
    pub legend_line: &'static str,
    pub legend_steps: &'static str,
    /// Its number.
    pub setting: &'static str,
    pub start: &'static str,
    pub findings: &'static str,
    pub more_findings: &'static str,
    pub north: &'static str,
    pub grid_north: &'static str,
    pub metres: &'static str,
    pub cautions_head: &'static str,
    pub cautions: &'static [&'static str],
}

pub const ENGLISH: Words = Words {
    language: Language::English,
    block: "Block {}",
    sheet: "{}: block {}",
    description: "Felling layout of block {}. {}. Gross {} ha, net {} ha, retained {} ha, cut {} ha. Strips: {}. \
                  Findings: {}. Grid north is up.",
    verdict_ok: "Nothing falls short",
    verdict_warn: "Check the findings",
    verdict_fail: "Falls short of a rule",
    verdict_unknown: "Nobody can tell",
    areas: "Areas and figures",
    gross: "Gross area",
    reserve: "Reserve",
    net: "Net area",
    retained: "Retained",
    cut: "Cut",
    unworked: "Unworked",
    retention: "Retention, kept / required",
    retention_value: "{} / {} %",
    counted_in: "Retention counted in",
    trees_in: ["stems", "basal area", "volume"],
    strips: "Strips",
    azimuth: "Strip azimuth (largest setting)",
    corridor_width: "Corridor width (largest setting)",
    hours: "Machine hours, day / night",
    hours_by: "Hours by",
    hours_factor: "Times, by finished work",
    none: "–",
    legend: "Legend",
    legend_line: "Strip, its way, number at outlet end",
    legend_steps: "Order of the first steps",
    setting: "Setting {}",
    start: "START",
    findings: "Findings",
    more_findings: "and {} more: layer findings of layout.gpkg",
    north: "N",
    grid_north: "grid north",
    metres: "{} m",
    cautions_head: "Before you cut",
    cautions: &[
        "The machine maker's slope limit and local rules come first.",
        "Everyone on foot stands clear of the saw's throw: chain shot and thrown pieces fly far.",
        "Power lines: keep the distance their operator demands, boom raised and trees falling.",
        "Soft ground may have changed since it was mapped: try it before you trust it.",
        "This map never overrides what the operator sees.",
    ],
};

pub const FRENCH: Words = Words {
    language: Language::French,
    block: "Bloc {}",
    sheet: "{} : bloc {}",
    description: "Plan d’abattage du bloc {}. {}. Brute {} ha, nette {} ha, conservée {} ha, coupée {} ha. Bandes : {}. \
                  Constats : {}. Le nord de la grille est en haut.",
    verdict_ok: "Rien ne manque",
    verdict_warn: "Constats à vérifier",
    verdict_fail: "En deçà d’une règle",
    verdict_unknown: "Nul ne peut le dire",
    areas: "Surfaces et chiffres",
    gross: "Surface brute",
    reserve: "Réserve",
    net: "Surface nette",
    retained: "Conservée",
    cut: "Coupée",
    unworked: "Non travaillée",
    retention: "Rétention, gardée / exigée",
    retention_value: "{} / {} %",
    counted_in: "Rétention comptée en",
    trees_in: ["tiges", "surface terrière", "volume"],
    strips: "Bandes",
    azimuth: "Azimut (plus grand secteur)",
    corridor_width: "Corridors (plus grand secteur)",
    hours: "Heures machine, jour / nuit",
    hours_by: "Heures selon",
    hours_factor: "Facteur du travail achevé",
    none: "–",
    legend: "Légende",
    legend_line: "Bande, son sens, numéro côté sortie",
    legend_steps: "Ordre des premières étapes",
    setting: "Secteur {}",
    start: "DÉBUT",
    findings: "Constats",
    more_findings: "et {} de plus : couche findings de layout.gpkg",
    north: "N",
    grid_north: "nord de la grille",
    metres: "{} m",
    cautions_head: "Avant d’abattre",
    cautions: &[
        "La limite de pente du fabricant et les règles locales priment.",
        "Toute personne à pied reste hors de portée de la scie : maillons et éclats sont projetés loin.",
        "Lignes électriques : garder la distance exigée par l’exploitant, flèche levée et arbres en chute.",
        "Un sol mou peut avoir changé depuis le relevé : l’essayer avant de s’y fier.",
        "Cette carte ne prime jamais sur ce que voit l’opérateur.",
    ],
};

pub fn of(language: Language) -> &'static Words {
    match language {
        Language::English => &ENGLISH,
        Language::French => &FRENCH,
    }
}

/// Fills the `{}` of a text in order.
pub fn fill(template: &str, values: &[&str]) -> String {
    let mut filled = String::with_capacity(template.len() + 16);
    let mut pieces = template.split("{}");
    filled.push_str(pieces.next().unwrap_or_default());
    for (index, piece) in pieces.enumerate() {
        filled.push_str(values.get(index).copied().unwrap_or_default());
        filled.push_str(piece);
    }
    filled
}
