//! Every word of shift sheets that map sheets do not have. `{}` is filled by [`fill`](crate::outputs::text::fill).

use super::rows::Job;
use crate::model::{DayReason, Language, ShiftClass};
use crate::outputs::text;

/// What only sheets say: the map's key, and what to do when light or time runs out.
#[derive(Clone, Copy, Debug)]
pub struct SheetWords {
    pub runs_out: &'static str,
    /// Block, time.
    pub light_comes: &'static str,
    /// Block, time, what then.
    pub light_goes: &'static str,
    pub skid_light_goes: &'static str,
    /// First and last section.
    pub go_on: &'static str,
    /// Block.
    pub go_to: &'static str,
    pub no_more: &'static str,
    /// Block.
    pub prework: &'static str,
    pub all_dark: &'static str,
    pub sooner: &'static str,
    /// Time.
    pub time_out: &'static str,
    /// Machine.
    pub no_next: &'static str,
    /// Machine, date, shift, time, where.
    pub next: &'static str,
    /// Block, section.
    pub next_from: &'static str,
    /// Block.
    pub next_at: &'static str,
    pub early: &'static str,
    /// Metres.
    pub keep_away: &'static str,
    pub keep_away_unknown: &'static str,
    pub emergency: &'static str,
    pub phone: &'static str,
    pub radio: &'static str,
    pub muster_point: &'static str,
    pub access: &'static str,
    pub not_given: &'static str,
    /// A block's own muster point may be another.
    pub block_first: &'static str,
    pub order: &'static str,
    pub part_of_block: &'static str,
    /// 1 to this.
    pub scale: &'static str,
    /// Program, version.
    pub footer: &'static str,
    pub page: &'static str,
    pub dark_ground: &'static str,
    pub day_badge: &'static str,
    pub night_badge: &'static str,
    pub key_day: &'static str,
    pub key_night: &'static str,
    pub key_skid_day: &'static str,
    pub key_skid: &'static str,
    pub key_before: &'static str,
    pub key_skidded: &'static str,
    pub key_other: &'static str,
    pub key_steps: &'static str,
    pub key_lines: &'static str,
    pub key_stands: &'static str,
    pub key_wire: &'static str,
    /// Project.
    pub all_sheets: &'static str,
    /// Machine.
    pub sheets_of: &'static str,
}

/// What the picture of the season and its page say.
#[derive(Clone, Copy, Debug)]
pub struct SeasonWords {
    /// Project, date, days, time zone.
    pub title: &'static str,
    pub key_day: &'static str,
    pub key_night: &'static str,
    pub key_move: &'static str,
    pub key_service: &'static str,
    pub key_skid: &'static str,
    pub key_dark: &'static str,
    pub key_light: &'static str,
    pub key_idle: &'static str,
    pub stock: &'static str,
    pub light: &'static str,
    /// As [`Why::ALL`].
    pub idle: [&'static str; 11],
    /// As [`Scarce`].
    pub scarce: [&'static str; 6],
    /// Hours.
    pub finished: &'static str,
    /// Hours, why, per cent.
    pub bound: &'static str,
    pub no_bound: &'static str,
    pub nothing_left: &'static str,
    /// Hours.
    pub left: &'static str,
    pub limits: &'static str,
    /// What, hours, because.
    pub limit: &'static str,
    pub limit_beyond: &'static str,
    /// Hours used, hours there are, per cent.
    pub light_used: &'static str,
    /// Hours.
    pub moves: &'static str,
    pub machines: &'static str,
    /// Hours on shift, of work, of moves, of service and fuelling, idle.
    pub machine: &'static str,
    /// Hours, why.
    pub idle_for: &'static str,
    pub wood: &'static str,
    /// Most, m³.
    pub most_lies: &'static str,
    /// Hours.
    pub felling_waits: &'static str,
    pub wood_unknown: &'static str,
    pub decks: &'static str,
    /// Loads, most of a load, all, source.
    pub hauled: &'static str,
    /// Deck, most, room, what lies at the end.
    pub deck: &'static str,
    /// m³.
    pub deck_room: &'static str,
    /// Wherever the wood of this block goes.
    pub deck_of: &'static str,
    /// Hours.
    pub skidding_waits: &'static str,
    pub people: &'static str,
    /// Name, hours, rest.
    pub person: &'static str,
    pub rest_between: &'static str,
    /// Hours on shift, hours of rest, source.
    pub rest_said: &'static str,
    pub rest_unsaid: &'static str,
    pub changes: &'static str,
    /// Kept, compared.
    pub kept: &'static str,
    /// Date, shift, machine, after, before, why.
    pub change: &'static str,
    pub nothing: &'static str,
    pub mind: &'static str,
    pub helps: &'static str,
    pub set_aside: &'static str,
}

#[derive(Clone, Copy, Debug)]
pub struct Words {
    /// What maps say as well.
    pub map: &'static text::Words,
    pub sheet: &'static SheetWords,
    pub season: &'static SeasonWords,
    /// From Monday.
    pub weekdays: [&'static str; 7],
    pub months: [&'static str; 12],
    /// Its name.
    pub shift: &'static str,
    pub skid_by_day: &'static str,
    pub operator_is: &'static str,
    /// First and last section.
    pub from_to_section: &'static str,
    /// Between things that are listed.
    pub semicolon: &'static str,
    /// Label, what is said.
    pub label: &'static str,
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
    /// Windows, and their days.
    pub window: &'static str,
    /// Metres.
    pub within: &'static str,
    pub nobody_says: &'static str,
    pub roles: [(&'static str, &'static str); 2],
    /// Blocks.
    pub nobody_in: &'static str,
    pub nothing_mapped: &'static str,
    pub map_head: &'static str,
}

pub const ENGLISH: Words = Words {
    map: &text::ENGLISH,
    sheet: &SheetWords {
        runs_out: "When the light or the time runs out",
        light_comes: "{}: dark until {}. Until then night-safe ground only.",
        light_goes: "{}: the light goes at {}. Leave day-only ground then, finished or not, and mark where you stopped. {}",
        skid_light_goes: "{}: the light goes at {}. Leave ground of the day then, finished or not. {}",
        go_on: "Go on with night-safe ground: {} to {}.",
        go_to: "Then go on in block {}.",
        no_more: "Nothing more is to be done there in this shift.",
        prework: "{}: until road clearing and boundary pass are all cut, begin nothing else there, and cut nothing there in the dark.",
        all_dark: "This shift has no work light at all: night-safe ground only.",
        sooner: "Light that fails sooner (snow, fog, smoke) counts as dark. In doubt stop.",
        time_out: "The shift ends at {}. Stop at the end of a section where you can. Write down the last section that is whole and how far the next one is cut, \
                   and tell the dispatcher.",
        no_next: "No later shift of {} is planned.",
        next: "Next shift of {}: {}, {} shift, from {}{}.",
        next_from: ", block {}, from {}",
        next_at: ", to block {}",
        early: "Done sooner: call the dispatcher before you begin anything that is not on this sheet. Others may be near it.",
        keep_away: "nobody within {} m of falling trees",
        keep_away_unknown: "nobody says how tall the trees are: nobody within 120 m of falling trees",
        emergency: "In an emergency",
        phone: "Phone",
        radio: "Radio",
        muster_point: "Muster point",
        access: "Way in",
        not_given: "not given; write it in before work begins",
        block_first: "A block’s operator sheet may name its own muster point and way in: they go before these.",
        order: "Order",
        part_of_block: "part of the block",
        scale: "1:{}",
        footer: "{} {} · local codes, permits and the employer’s emergency plan go before this sheet",
        page: "page {}",
        dark_ground: "dark or light ground",
        day_badge: "DAY ONLY",
        night_badge: "NIGHT-SAFE",
        key_day: "Cut in this shift, by day only",
        key_night: "Cut in this shift, night-safe",
        key_skid_day: "Wood of this shift, by day only",
        key_skid: "Wood of this shift, by night too",
        key_before: "Cut before this shift",
        key_skidded: "Wood brought before this shift",
        key_other: "Not in this shift",
        key_steps: "Order in this shift",
        key_lines: "Line driven, number at outlet end",
        key_stands: "Leave standing",
        key_wire: "Power line, nearest approach",
        all_sheets: "{}: shift sheets",
        sheets_of: "{}: shift sheets of {}",
    },
    season: &SeasonWords {
        title: "{}: shifts from {}, {} days, times of {}",
        key_day: "cut, day only (striped)",
        key_night: "cut, night-safe (plain)",
        key_move: "move (low)",
        key_service: "service, fuel (low)",
        key_skid: "skidding",
        key_dark: "dark",
        key_light: "light at a block",
        key_idle: "idle, by its letter:",
        stock: "wood lies, m³",
        light: "light used",
        idle: [
            "stopped by the crew file, or minutes before the service",
            "its tank is empty, and there is no light to fuel it",
            "felling waits for skidders",
            "dark: what is left needs light",
            "others are at work there, or falling trees too near",
            "ground is closed",
            "too steep for it, or not its work or block",
            "no move or rest of light is worth it",
            "nothing is left",
            "no wood lies ready",
            "no room on the deck",
        ],
        scarce: [
            "light",
            "machine hours",
            "moves",
            "one block",
            "days on which ground is open",
            "skidders",
        ],
        finished: "Felling is finished after {} hours.",
        bound: "No plan is done before {} hours ({}): this one takes at most {} % longer than need be.",
        no_bound: "No plan fits into the period: {}.",
        nothing_left: "Nothing is left to be cut.",
        left: "{} hours do not fit into the period.",
        limits: "What limits it, each by itself",
        limit: "{}: not done before {} hours ({})",
        limit_beyond: "{}: not done within the period ({})",
        light_used: "Felling machines cut in {} of the {} hours of light of their shifts ({} %).",
        moves: "{} hours of moves.",
        machines: "Machines",
        machine: "{} h on shift: {} h of work, {} h of moves, {} h of service and fuel, {} h idle",
        idle_for: "{} h: {}",
        wood: "Wood on the ground",
        most_lies: "Up to {} m³ lie felled and not skidded.",
        felling_waits: "Felling waits {} machine hours for skidders.",
        wood_unknown: "Nobody knows the volume of all sections, so none is shown.",
        decks: "Decks",
        hauled: "{} loads of at most {} m³ take {} m³ away ({}).",
        deck: "{}: up to {} m³{}, {} m³ at the end",
        deck_room: " of {} m³",
        deck_of: "wood of {}",
        skidding_waits: "Skidding waits {} hours for room on decks.",
        people: "People",
        person: "{}: up to {} h on shift of 24{}",
        rest_between: ", at least {} h between two shifts",
        rest_said: "Allowed are {} h on shift of 24, and {} h of rest are needed ({}).",
        rest_unsaid: "Nobody says how long people may work: give `[rest]` with its source.",
        changes: "What changed of the plan before",
        kept: "{} of {} shifts stay as they were.",
        change: "{}, {} shift, {}: {} instead of {}: {}",
        nothing: "nothing",
        mind: "What runs out, and rules that are not kept",
        helps: "What helps: {}",
        set_aside: "Not planned",
    },
    weekdays: ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"],
    months: [
        "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
    ],
    shift: "{} shift",
    skid_by_day: "skid, by day only",
    operator_is: "Operator",
    from_to_section: "{} to {}",
    semicolon: "; ",
    label: "{}: {}",
    lang: "en",
    title: "{}, {} shift of {}",
    from_to: "{} to {} ({})",
    operator: ", operator {}",
    by_night: "In the dark cut night-safe sections alone, and only where the cut edge of the boundary pass is seen.",
    service: "Service and fuel the machine by daylight.",
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
};

pub const FRENCH: Words = Words {
    map: &text::FRENCH,
    sheet: &SheetWords {
        runs_out: "Quand la lumière ou le temps manque",
        light_comes: "{} : noir jusqu’à {}. D’ici là, seulement le terrain possible de nuit.",
        light_goes: "{} : la lumière s’en va à {}. Quitter alors le terrain de jour, fini ou non, et marquer où l’on s’est arrêté. {}",
        skid_light_goes: "{} : la lumière s’en va à {}. Quitter alors le terrain de jour, fini ou non. {}",
        go_on: "Continuer dans le terrain possible de nuit : {} à {}.",
        go_to: "Continuer ensuite dans le bloc {}.",
        no_more: "Plus rien à y faire pendant ce quart.",
        prework: "{} : tant que l’emprise de chemin et la passe de périmètre ne sont pas toutes coupées, n’y rien commencer d’autre et n’y rien couper dans l’obscurité.",
        all_dark: "Ce quart n’a aucune lumière de travail : seulement le terrain possible de nuit.",
        sooner: "Une lumière qui baisse plus tôt (neige, brouillard, fumée) compte comme l’obscurité. Dans le doute, arrêter.",
        time_out: "Le quart finit à {}. S’arrêter si possible au bout d’une section. Noter la dernière section finie et jusqu’où la suivante est coupée, \
                   et le dire au répartiteur.",
        no_next: "Aucun autre quart n’est prévu pour {}.",
        next: "Prochain quart de {} : {}, quart {}, à partir de {}{}.",
        next_from: ", bloc {}, à partir de {}",
        next_at: ", vers le bloc {}",
        early: "Fini plus tôt : appeler le répartiteur avant de commencer ce qui n’est pas sur cette fiche. D’autres peuvent être tout près.",
        keep_away: "personne à moins de {} m d’arbres qui tombent",
        keep_away_unknown: "nul ne dit la hauteur des arbres : personne à moins de 120 m d’arbres qui tombent",
        emergency: "En cas d’urgence",
        phone: "Téléphone",
        radio: "Radio",
        muster_point: "Point de rassemblement",
        access: "Accès",
        not_given: "non donné ; à écrire avant le début des travaux",
        block_first: "La fiche d’opérateur d’un bloc peut nommer son propre point de rassemblement et son accès : ils passent avant ceux-ci.",
        order: "Ordre",
        part_of_block: "partie du bloc",
        scale: "1:{}",
        footer: "{} {} · les règles locales, les permis et le plan d’urgence de l’employeur passent avant cette fiche",
        page: "page {}",
        dark_ground: "fond sombre ou clair",
        day_badge: "DE JOUR SEULEMENT",
        night_badge: "POSSIBLE DE NUIT",
        key_day: "À couper ce quart, de jour seulement",
        key_night: "À couper ce quart, possible de nuit",
        key_skid_day: "Bois de ce quart, de jour seulement",
        key_skid: "Bois de ce quart, aussi de nuit",
        key_before: "Coupé avant ce quart",
        key_skidded: "Bois sorti avant ce quart",
        key_other: "Pas dans ce quart",
        key_steps: "Ordre de ce quart",
        key_lines: "Axe parcouru, numéro côté sortie",
        key_stands: "Laisser debout",
        key_wire: "Ligne électrique, approche minimale",
        all_sheets: "{} : fiches de quart",
        sheets_of: "{} : fiches de quart de {}",
    },
    season: &SeasonWords {
        title: "{} : quarts à partir du {}, {} jours, heures de {}",
        key_day: "abattre, de jour seulement (rayé)",
        key_night: "abattre, possible de nuit (uni)",
        key_move: "déplacement (bas)",
        key_service: "entretien, plein (bas)",
        key_skid: "débardage",
        key_dark: "obscurité",
        key_light: "lumière sur un bloc",
        key_idle: "arrêt, selon sa lettre :",
        stock: "bois au sol, m³",
        light: "lumière utilisée",
        idle: [
            "arrêté par le fichier d’équipe, ou minutes avant l’entretien",
            "son réservoir est vide, et il n’y a pas de lumière pour le plein",
            "l’abattage attend les débardeurs",
            "obscurité : ce qui reste a besoin de lumière",
            "d’autres y travaillent, ou des arbres tombent trop près",
            "terrain fermé",
            "trop raide pour elle, ou pas son travail ni son bloc",
            "aucun déplacement ni reste de lumière n’en vaut la peine",
            "il ne reste rien",
            "aucun bois n’est prêt",
            "plus de place à la pile de bois",
        ],
        scarce: [
            "lumière",
            "heures machine",
            "déplacements",
            "un seul bloc",
            "jours où le terrain est ouvert",
            "débardeurs",
        ],
        finished: "L’abattage est fini après {} heures.",
        bound: "Aucun plan ne finit avant {} heures ({}) : celui-ci prend au plus {} % de plus que nécessaire.",
        no_bound: "Aucun plan n’entre dans la période : {}.",
        nothing_left: "Il ne reste rien à couper.",
        left: "{} heures n’entrent pas dans la période.",
        limits: "Ce qui le limite, chaque chose à elle seule",
        limit: "{} : pas fini avant {} heures ({})",
        limit_beyond: "{} : pas fini dans la période ({})",
        light_used: "Les abatteuses coupent pendant {} des {} heures de lumière de leurs quarts ({} %).",
        moves: "{} heures de déplacements.",
        machines: "Machines et leurs heures",
        machine: "{} h de quart : {} h de travail, {} h de déplacements, {} h d’entretien et de plein, {} h d’arrêt",
        idle_for: "{} h : {}",
        wood: "Bois au sol",
        most_lies: "Jusqu’à {} m³ sont abattus et non débardés.",
        felling_waits: "L’abattage attend les débardeurs pendant {} heures machine.",
        wood_unknown: "Nul ne connaît le volume de toutes les sections : aucun n’est montré.",
        decks: "Piles de bois",
        hauled: "{} chargements d’au plus {} m³ emportent {} m³ ({}).",
        deck: "{} : jusqu’à {} m³{}, {} m³ à la fin",
        deck_room: " sur {} m³",
        deck_of: "bois de {}",
        skidding_waits: "Le débardage attend de la place aux piles de bois pendant {} heures.",
        people: "Équipe",
        person: "{} : jusqu’à {} h de quart sur 24{}",
        rest_between: ", au moins {} h entre deux quarts",
        rest_said: "Permis : {} h de quart sur 24 ; il faut {} h de repos ({}).",
        rest_unsaid: "Nul ne dit combien de temps on peut travailler : donner `[rest]` avec sa source.",
        changes: "Ce qui change du plan précédent",
        kept: "{} quarts sur {} restent comme ils étaient.",
        change: "{}, quart {}, {} : {} au lieu de {} : {}",
        nothing: "rien",
        mind: "Ce qui manque, et les règles non tenues",
        helps: "Ce qui aide : {}",
        set_aside: "Non planifié",
    },
    weekdays: ["lun.", "mar.", "mer.", "jeu.", "ven.", "sam.", "dim."],
    months: [
        "janv.", "févr.", "mars", "avril", "mai", "juin", "juill.", "août", "sept.", "oct.",
        "nov.", "déc.",
    ],
    shift: "quart {}",
    skid_by_day: "débarder, de jour seulement",
    operator_is: "Opérateur",
    from_to_section: "{} à {}",
    semicolon: "\u{a0}; ",
    label: "{}\u{a0}: {}",
    lang: "fr",
    title: "{}, quart {} du {}",
    from_to: "{} à {} ({})",
    operator: ", opérateur {}",
    by_night: "Dans l’obscurité, n’abattre que les sections possibles de nuit, et seulement là où la lisière coupée se voit.",
    service: "Entretenir la machine et faire le plein à la lumière du jour.",
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
};

impl Words {
    /// A date as people say it.
    pub fn date(&self, date: chrono::NaiveDate) -> String {
        super::content::date_in(self, date)
    }

    pub fn job(&self, job: Job) -> &'static str {
        match (self.lang, job) {
            ("fr", Job::Cut(ShiftClass::DayOnly)) => "abattre, de jour seulement",
            ("fr", Job::Cut(ShiftClass::NightSafe)) => "abattre, possible de nuit",
            ("fr", Job::Move) => "aller à",
            ("fr", Job::Service) => "entretien",
            ("fr", Job::Fuel) => "faire le plein",
            ("fr", Job::Skid) => "débarder",
            (_, job) => job.words(),
        }
    }

    /// Of a key of [`DayReason`].
    pub fn reason(&self, key: &str) -> String {
        let french = DayReason::of_key(key).map(|reason| match reason {
            DayReason::BoundaryPass => "passe de périmètre",
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Every text of the words, by its field's place, as `Debug` walks them: a field that is new is walked too.
    fn texts(words: &Words) -> Vec<String> {
        let debugged = format!("{words:#?}");
        let strings = debugged.lines().filter_map(|line| {
            let (_, rest) = line.split_once('"')?;
            let (text, _) = rest.rsplit_once('"')?;
            Some(text.replace("\\u{a0}", "\u{a0}"))
        });
        strings.collect()
    }

    #[test]
    fn every_text_stands_in_both_languages_with_the_same_gaps() {
        let (english, french) = (texts(&ENGLISH), texts(&FRENCH));
        assert_eq!(english.len(), french.len());
        assert!(english.len() > 150, "{}", english.len());
        // What is the same word in both, keys and signs.
        let same = [
            "N",
            "–",
            "{} m",
            "{} / {} %",
            "1:{}",
            "page {}",
            "Radio",
            "{} ({})",
            "volume",
            "mars",
            "date",
            "block",
            "crossing",
            "road",
            "landing",
            "access",
            "hazard",
            "may_be_wet",
            "limit_of_approach",
            "machine_exclusion",
            "reserve",
            "roads",
            "hazards",
        ];
        for (here, there) in english.iter().zip(&french) {
            let gaps = |text: &str| text.matches("{}").count();
            assert_eq!(gaps(here), gaps(there), "{here} / {there}");
            assert!(!there.trim().is_empty(), "{here}");
            assert!(here != there || same.contains(&here.as_str()), "{here}");
            // French typography: no straight apostrophe, a gap before `:` and `;`.
            assert!(!there.contains('\''), "{there}");
            let tight = there.match_indices([':', ';']).any(|(at, _)| {
                let before = there[..at].chars().next_back();
                before.is_some_and(|c| c.is_alphabetic() || c == '}')
            });
            assert!(!tight, "{there}");
        }
        for job in [
            Job::Cut(ShiftClass::DayOnly),
            Job::Cut(ShiftClass::NightSafe),
            Job::Move,
            Job::Service,
            Job::Fuel,
            Job::Skid,
        ] {
            assert!(
                job == Job::Service || ENGLISH.job(job) != FRENCH.job(job),
                "{job:?}"
            );
        }
        for reason in DayReason::ALL {
            assert_ne!(ENGLISH.reason(reason.key()), FRENCH.reason(reason.key()));
        }
    }
}
