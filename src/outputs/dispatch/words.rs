//! Every word of shift sheets that map sheets do not have. `{}` is filled by [`fill`](crate::outputs::text::fill).

use super::rows::Job;
use crate::model::{DayReason, Language, ShiftClass};
use crate::outputs::text;

#[derive(Clone, Copy, Debug)]
pub struct Words {
    /// What maps say as well.
    pub map: &'static text::Words,
    /// ISO 639-1.
    pub lang: &'static str,
    /// Machine, shift, date.
    pub title: &'static str,
    /// Two times of day, time zone.
    pub from_to: &'static str,
    pub operator: &'static str,
    pub by_night: &'static str,
    pub service: &'static str,
    pub daylight: &'static str,
    /// Block, date, civil dawn, sunrise, sunset, civil dusk, work light.
    pub daylight_heads: [&'static str; 7],
    pub light_all_day: &'static str,
    pub dark_all_day: &'static str,
    pub no_light: &'static str,
    /// Minutes.
    pub margin: &'static str,
    pub work: &'static str,
    /// From, to, task, block, setting, sections, hours.
    pub work_heads: [&'static str; 7],
    /// First and last section, how many.
    pub sections: &'static str,
    pub key: &'static str,
    pub road_clearing: &'static str,
    /// Setting, kind of outlet, its name.
    pub wood_to: &'static str,
    /// Setting.
    pub wood_to_nearest: &'static str,
    pub outlet_kinds: [(&'static str, &'static str); 4],
    pub mind: &'static str,
    pub zones: [(&'static str, &'static str); 5],
    /// Reasons.
    pub day_only: &'static str,
    /// Id, role and metres, distance.
    pub close: &'static str,
    /// Metres.
    /// Windows, and their days.
    pub window: &'static str,
    pub within: &'static str,
    pub nobody_says: &'static str,
    pub roles: [(&'static str, &'static str); 2],
    /// Blocks.
    pub nobody_in: &'static str,
    pub nothing_mapped: &'static str,
    pub map_head: &'static str,
    /// Blocks.
    pub more_maps: &'static str,
    /// Three colours.
    pub map_key: &'static str,
}

pub const ENGLISH: Words = Words {
    map: &text::ENGLISH,
    lang: "en",
    title: "{}, {} shift of {}",
    from_to: "{} to {} ({})",
    operator: ", operator {}",
    by_night: "In the dark cut night-safe sections alone, and only where the cut edge of the boundary pass is seen.",
    service: "Service the machine by daylight.",
    daylight: "Daylight",
    daylight_heads: [
        "block",
        "date",
        "civil dawn",
        "sunrise",
        "sunset",
        "civil dusk",
        "work light",
    ],
    light_all_day: "light all day",
    dark_all_day: "dark all day",
    no_light: "none",
    margin: "Work light keeps {} min off both ends. Day-only sections are cut in it alone.",
    work: "Work",
    work_heads: [
        "from",
        "to",
        "task",
        "block",
        "setting",
        "sections, in order",
        "hours",
    ],
    sections: "{} to {} ({})",
    key: "P setting (P0: road clearing), S strip.piece / section.",
    road_clearing: "road clearing",
    wood_to: "{}: wood to {} {}",
    wood_to_nearest: "{}: wood to the nearest road or landing",
    outlet_kinds: [
        ("road", "road"),
        ("landing", "landing"),
        ("access", "by"),
        ("crossing", "crossing"),
    ],
    mind: "Mind",
    zones: [
        ("hazard", "hazard"),
        ("may_be_wet", "ground that may be wet"),
        ("limit_of_approach", "limit of approach"),
        ("machine_exclusion", "machine exclusion"),
        ("reserve", "reserve"),
    ],
    day_only: "day-only ground in this shift: {}",
    close: "close or watch {} ({}){}",
    window: "work here keeps days ({}): {}",
    within: " within {} m of falling trees",
    nobody_says: ", nobody says whether others use it",
    roles: [("roads", "road"), ("hazards", "hazard")],
    nobody_in: "nobody works at the same time in {}",
    nothing_mapped: "no hazard, exclusion or reserve is mapped",
    map_head: "Map",
    more_maps: "{} blocks more: see their map sheets.",
    map_key: "{} day only, this shift, striped; {} night-safe, this shift; {} other sections; crossed: no machine; \
              blue: reserve; level lines: hazard. Grid north is up.",
};

pub const FRENCH: Words = Words {
    map: &text::FRENCH,
    lang: "fr",
    title: "{}, quart {} du {}",
    from_to: "{} à {} ({})",
    operator: ", opérateur {}",
    by_night: "Dans l’obscurité, n’abattre que les sections possibles de nuit, et seulement là où la lisière coupée se voit.",
    service: "Entretenir la machine à la lumière du jour.",
    daylight: "Lumière du jour",
    daylight_heads: [
        "bloc",
        "date",
        "aube civile",
        "lever",
        "coucher",
        "crépuscule civil",
        "lumière de travail",
    ],
    light_all_day: "clair tout le jour",
    dark_all_day: "noir tout le jour",
    no_light: "aucune",
    margin: "La lumière de travail s’arrête {} min avant chaque bout du jour. Les sections de jour ne sont coupées que là.",
    work: "Travail",
    work_heads: [
        "de",
        "à",
        "tâche",
        "bloc",
        "secteur",
        "sections, dans l’ordre",
        "heures",
    ],
    sections: "{} à {} ({})",
    key: "P secteur (P0 : emprise de chemin), S bande.morceau / section.",
    road_clearing: "emprise de chemin",
    wood_to: "{} : bois vers {} {}",
    wood_to_nearest: "{} : bois vers le chemin ou le dépôt le plus proche",
    outlet_kinds: [
        ("road", "chemin"),
        ("landing", "dépôt"),
        ("access", "accès"),
        ("crossing", "passage"),
    ],
    mind: "Attention",
    zones: [
        ("hazard", "danger"),
        ("may_be_wet", "terrain peut-être mouillé"),
        ("limit_of_approach", "limite d’approche de ligne électrique"),
        ("machine_exclusion", "terrain interdit à toute machine"),
        ("reserve", "réserve"),
    ],
    day_only: "terrain de jour seulement dans ce quart : {}",
    close: "à fermer ou surveiller : {} ({}){}",
    window: "le travail y tient des périodes ({}) : {}",
    within: " à moins de {} m d’arbres qui tombent",
    nobody_says: ", nul ne dit si du public y passe",
    roles: [("roads", "chemin"), ("hazards", "danger")],
    nobody_in: "personne ne travaille en même temps dans {}",
    nothing_mapped: "ni danger, ni terrain interdit, ni réserve sur la carte",
    map_head: "Carte",
    more_maps: "{} blocs de plus : voir leurs feuilles de carte.",
    map_key: "{} de jour seulement, ce quart, rayé ; {} possible de nuit, ce quart ; {} autres sections ; croisé : aucune machine ; \
              bleu : réserve ; lignes de niveau : danger. Le nord de la grille est en haut.",
};

impl Words {
    pub fn job(&self, job: Job) -> &'static str {
        match (self.lang, job) {
            ("fr", Job::Cut(ShiftClass::DayOnly)) => "abattre, de jour seulement",
            ("fr", Job::Cut(ShiftClass::NightSafe)) => "abattre, possible de nuit",
            ("fr", Job::Move) => "aller à",
            ("fr", Job::Service) => "entretien",
            ("fr", Job::Skid) => "débarder",
            (_, job) => job.words(),
        }
    }

    /// Of a key of [`DayReason`].
    pub fn reason(&self, key: &str) -> String {
        let french = DayReason::of_key(key).map(|reason| match reason {
            DayReason::BoundaryPass => "passe de lisière",
            DayReason::NearBoundary => "près de la limite",
            DayReason::NearReserve => "près d’une réserve",
            DayReason::NearTooSteep => "près d’un terrain trop raide",
            DayReason::NearSoftGround => "près d’un sol mou laissé sur pied",
            DayReason::NearRetainedBand => "près d’arbres conservés",
            DayReason::Brush => "broussailles",
            DayReason::SoftGround => "sol mou",
            DayReason::MayBeWet => "peut-être mouillé",
            DayReason::Hazard => "danger",
            DayReason::Steep => "pente forte",
            DayReason::UnknownSlope => "pente inconnue",
            DayReason::RoadClearing => "emprise de chemin",
            DayReason::LargeTrees => "arbres trop gros pour une seule coupe",
            DayReason::ShortStretch => "tronçon trop court pour la nuit",
        });
        match (self.lang, french) {
            ("fr", Some(french)) => french.to_owned(),
            _ => key.replace('_', " "),
        }
    }
}

/// What a key is called; a key that no one named says itself.
pub fn named(words: &[(&'static str, &'static str)], key: &str) -> String {
    let own = words.iter().find(|(own, _)| *own == key);
    own.map_or_else(|| key.replace('_', " "), |(_, word)| (*word).to_owned())
}

pub fn of(language: Language) -> &'static Words {
    match language {
        Language::English => &ENGLISH,
        Language::French => &FRENCH,
    }
}
