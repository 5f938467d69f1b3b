//! One code of looks: what each kind of ground, line and mark looks like and what it is called, in every output.
//!
//! What is cut is yellow where it needs daylight and orange where it does not, and nothing else is; what is not cut is blue,
//! green or crossed. No meaning rests on colour alone: each kind of ground has a hatch or tone of its own that stays legible
//! in black and white. `sight.rs` computes both.

mod ground;
mod hatch;
mod ink;
#[cfg(test)]
mod sight;

pub use ground::{PaintedGround, grounds};
pub use hatch::{DOTS, Hatch, Motif, TREE};
pub use ink::*;

use super::text;
use crate::model::{
    BlockStatus, Heading, Language, RetainedKind, ShiftClass, StripKind, UnworkedReason, Verdict,
    ZoneKind,
};

/// Lengths in pixels of 1/96 inch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    pub ink: Ink,
    pub width: f64,
    /// Empty: unbroken.
    pub dash: &'static [f64],
    pub round: bool,
}

/// A fill with its share of cover below, a hatch above, a line around.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Look {
    pub fill: Option<(Ink, f64)>,
    pub hatch: Option<Hatch>,
    pub line: Option<Line>,
}

impl Look {
    const NONE: Look = Look {
        fill: None,
        hatch: None,
        line: None,
    };

    const fn filled(self, ink: Ink, cover: f64) -> Look {
        Look {
            fill: Some((ink, cover)),
            ..self
        }
    }

    const fn hatched(self, hatch: Hatch) -> Look {
        Look {
            hatch: Some(hatch),
            ..self
        }
    }

    const fn lined(self, ink: Ink, width: f64, dash: &'static [f64]) -> Look {
        let line = Line {
            ink,
            width,
            dash,
            round: false,
        };
        Look {
            line: Some(line),
            ..self
        }
    }

    const fn round(self, ink: Ink, width: f64, dash: &'static [f64]) -> Look {
        let line = Line {
            ink,
            width,
            dash,
            round: true,
        };
        Look {
            line: Some(line),
            ..self
        }
    }

    /// Without its line.
    pub const fn bare(self) -> Look {
        Look { line: None, ..self }
    }
}

/// What is drawn. The order is that of painting, lowest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    NetArea,
    Reserve,
    RoadClearing,
    Strip,
    NightSafe,
    DayOnly,
    BoundaryPass,
    RetainedBand,
    Corridor,
    Management,
    MachineExclusion,
    MayBeWet,
    Hazard,
    LimitOfApproach,
    Crossing,
    Unworked,
    CutBefore,
    RoadBand,
    Block,
    Bunch,
    StripIn,
    StripOut,
    StripAround,
    Travel,
    SkidTrail,
    Setting,
    OutletRim,
    Outlet,
    Deck,
    Window,
    People,
    PeopleUnknown,
    PowerLine,
    Note,
    Finding,
}

struct Entry {
    kind: Kind,
    /// Name in files and style sheets.
    key: &'static str,
    look: Look,
    /// In English and in French.
    words: [&'static str; 2],
}

const fn entry(kind: Kind, key: &'static str, look: Look, words: [&'static str; 2]) -> Entry {
    Entry {
        kind,
        key,
        look,
        words,
    }
}

const L: Look = Look::NONE;

/// In the order of [`Kind`].
const TABLE: [Entry; 35] = [
    entry(
        Kind::NetArea,
        "net",
        L.filled(Ink::Paper, 1.0),
        ["Net area without strips", "Surface nette sans bandes"],
    ),
    entry(
        Kind::Reserve,
        "reserve",
        L.filled(Ink::Kept, 0.35)
            .hatched(Hatch::Kept)
            .lined(Ink::Kept, 1.0, &[]),
        ["Reserve: cut nothing", "Réserve : ne rien couper"],
    ),
    entry(
        Kind::RoadClearing,
        "road_clearing",
        L.filled(Ink::Road, 1.0)
            .hatched(Hatch::Road)
            .lined(Ink::Words, 0.6, &[]),
        [
            "Road clearing: cut everything",
            "Emprise de chemin : tout couper",
        ],
    ),
    entry(
        Kind::Strip,
        "strip",
        L.lined(Ink::Faint, 0.3, &[]),
        ["Strip", "Bande"],
    ),
    entry(
        Kind::NightSafe,
        "night_safe",
        L.filled(Ink::Night, 0.85).lined(Ink::Faint, 0.3, &[]),
        ["Night-safe", "Possible de nuit"],
    ),
    entry(
        Kind::DayOnly,
        "day_only",
        L.filled(Ink::Day, 0.35)
            .hatched(Hatch::Day)
            .lined(Ink::Faint, 0.3, &[]),
        ["Day only", "De jour seulement"],
    ),
    entry(
        Kind::BoundaryPass,
        "boundary_pass",
        L.filled(Ink::Day, 0.35)
            .hatched(Hatch::First)
            .lined(Ink::Faint, 0.4, &[]),
        [
            "Boundary pass, first, by day",
            "Passe de périmètre, d’abord, de jour",
        ],
    ),
    entry(
        Kind::RetainedBand,
        "retained_band",
        L.filled(Ink::Standing, 0.6)
            .hatched(Hatch::Trees)
            .lined(Ink::Standing, 1.0, &[]),
        [
            "Retained band or patch: leave standing",
            "Bande ou îlot conservé : laisser debout",
        ],
    ),
    entry(
        Kind::Corridor,
        "corridor",
        L.filled(Ink::Standing, 0.6)
            .hatched(Hatch::Trees)
            .lined(Ink::Standing, 0.4, &[]),
        [
            "Retention corridor: leave standing",
            "Corridor de rétention : laisser debout",
        ],
    ),
    entry(
        Kind::Management,
        "management",
        L.lined(Ink::Standing, 1.4, &[5.0, 2.0]),
        [
            "Management zone: a share stays",
            "Zone d’aménagement : une part reste",
        ],
    ),
    entry(
        Kind::MachineExclusion,
        "machine_exclusion",
        L.hatched(Hatch::Cross).lined(Ink::Stop, 1.0, &[]),
        ["No machine may drive here", "Interdit à toute machine"],
    ),
    entry(
        Kind::MayBeWet,
        "may_be_wet",
        L.hatched(Hatch::Wet).lined(Ink::Words, 0.9, &[1.5, 2.5]),
        [
            "May be wet: by day, look first",
            "Peut-être mouillé : voir d’abord, de jour",
        ],
    ),
    entry(
        Kind::Hazard,
        "hazard",
        L.hatched(Hatch::Level).lined(Ink::Hazard, 1.4, &[]),
        ["Hazard", "Danger"],
    ),
    entry(
        Kind::LimitOfApproach,
        "limit_of_approach",
        L.filled(Ink::Stop, 0.5)
            .hatched(Hatch::Cross)
            .lined(Ink::Stop, 1.2, &[2.0, 2.0]),
        [
            "Power line: nothing may enter",
            "Ligne électrique : rien n’y entre",
        ],
    ),
    entry(
        Kind::Crossing,
        "crossing",
        L.filled(Ink::Paper, 0.85).lined(Ink::Words, 1.4, &[]),
        ["Crossing for machines", "Passage pour machines"],
    ),
    entry(
        Kind::Unworked,
        "unworked",
        L.filled(Ink::Faint, 1.0)
            .hatched(Hatch::Check)
            .lined(Ink::Words, 1.0, &[]),
        ["Unworked ground", "Terrain non travaillé"],
    ),
    entry(
        Kind::CutBefore,
        "cut_before",
        L.filled(Ink::Before, 1.0)
            .lined(Ink::Faint, 0.6, &[3.0, 2.0]),
        ["Cut before", "Déjà coupé"],
    ),
    entry(
        Kind::RoadBand,
        "road_band",
        L.lined(Ink::Words, 1.1, &[9.0, 3.0, 2.0, 3.0]),
        [
            "Road band: no retention inside",
            "Bande de chemin : sans rétention",
        ],
    ),
    entry(
        Kind::Block,
        "block",
        L.lined(Ink::Words, 2.2, &[]),
        ["Block boundary", "Limite du bloc"],
    ),
    entry(
        Kind::Bunch,
        "bunch",
        L.lined(Ink::Wood, 0.5, &[]),
        ["Bunch", "Paquet"],
    ),
    entry(
        Kind::StripIn,
        "strip_in",
        L.lined(Ink::Words, 1.2, &[]),
        ["Strip going in", "Bande à l’aller"],
    ),
    entry(
        Kind::StripOut,
        "strip_out",
        L.lined(Ink::Faint, 1.2, &[]),
        ["Strip coming out", "Bande au retour"],
    ),
    entry(
        Kind::StripAround,
        "strip_around",
        L.lined(Ink::Words, 1.2, &[4.0, 2.0]),
        ["Line of the boundary pass", "Axe de la passe de périmètre"],
    ),
    entry(
        Kind::Travel,
        "travel",
        L.lined(Ink::Faint, 1.2, &[2.0, 3.0]),
        ["Travel that cuts nothing", "Trajet sans coupe"],
    ),
    // Wider where more loads pass.
    entry(
        Kind::SkidTrail,
        "skid_trail",
        L.round(Ink::Words, 2.0, &[0.1, 4.5]),
        [
            "Skid trail, wider for more loads",
            "Piste de débardage, selon les charges",
        ],
    ),
    entry(
        Kind::Setting,
        "setting",
        L.lined(Ink::Words, 2.4, &[8.0, 4.0]),
        ["Line between settings", "Limite entre secteurs"],
    ),
    // A light line in a dark one, which no other line is.
    entry(
        Kind::OutletRim,
        "outlet_rim",
        L.round(Ink::Words, 5.4, &[]),
        [
            "Outlet: where wood is decked",
            "Sortie : là où le bois est empilé",
        ],
    ),
    entry(
        Kind::Outlet,
        "outlet",
        L.round(Ink::Paper, 2.8, &[]),
        [
            "Outlet: where wood is decked",
            "Sortie : là où le bois est empilé",
        ],
    ),
    entry(
        Kind::Deck,
        "deck",
        L.filled(Ink::Words, 1.0).lined(Ink::Paper, 1.0, &[]),
        ["Deck", "Pile de bois"],
    ),
    entry(
        Kind::Window,
        "window",
        L.lined(Ink::Stop, 2.2, &[7.0, 3.0]),
        ["Open on some days only", "Ouvert certains jours seulement"],
    ),
    // A road or trail that other people use, where trees fall near it.
    entry(
        Kind::People,
        "people",
        L.lined(Ink::Hazard, 4.0, &[]),
        [
            "Close or watch: people near",
            "À fermer ou surveiller : public",
        ],
    ),
    // One of which nobody says whether other people use it.
    entry(
        Kind::PeopleUnknown,
        "people_unknown",
        L.lined(Ink::Hazard, 2.4, &[2.0, 4.0]),
        [
            "Nobody says whether people are there",
            "Nul ne dit si du public y passe",
        ],
    ),
    entry(
        Kind::PowerLine,
        "power_line",
        L.lined(Ink::Hazard, 2.6, &[14.0, 3.0, 2.0, 3.0]),
        [
            "Power line · voltage · limit / belt",
            "Ligne électrique · tension · limite / bande",
        ],
    ),
    entry(
        Kind::Note,
        "note",
        L.filled(Ink::Paper, 1.0)
            .lined(Ink::Faint, 2.2, &[7.0, 2.0]),
        ["Field note", "Note de terrain"],
    ),
    entry(
        Kind::Finding,
        "finding",
        L.lined(Ink::Stop, 2.0, &[3.0, 2.0]),
        [
            "Finding, numbered in the list",
            "Constat, numéroté dans la liste",
        ],
    ),
];

impl Kind {
    pub fn all() -> impl Iterator<Item = Kind> {
        TABLE.iter().map(|entry| entry.kind)
    }

    pub fn key(self) -> &'static str {
        TABLE[self as usize].key
    }

    pub fn look(self) -> Look {
        TABLE[self as usize].look
    }

    pub fn word(self, language: Language) -> &'static str {
        let [english, french] = TABLE[self as usize].words;
        match language {
            Language::English => english,
            Language::French => french,
        }
    }

    /// Its colour where there is but one: that of its line, of its fill, or of its hatch.
    pub fn ink(self) -> Ink {
        let look = self.look();
        let fill = look
            .fill
            .map(|(ink, _)| ink)
            .filter(|ink| *ink != Ink::Paper);
        let area = match self {
            Kind::NightSafe | Kind::DayOnly | Kind::BoundaryPass | Kind::RoadClearing => fill,
            _ => None,
        };
        let line = look.line.map(|line| line.ink);
        area.or(line).or(fill).unwrap_or(Ink::Words)
    }
}

impl From<ZoneKind> for Kind {
    fn from(kind: ZoneKind) -> Kind {
        match kind {
            ZoneKind::Reserve => Kind::Reserve,
            ZoneKind::Management => Kind::Management,
            ZoneKind::RetainedBand => Kind::RetainedBand,
            ZoneKind::MachineExclusion => Kind::MachineExclusion,
            ZoneKind::RoadClearing => Kind::RoadClearing,
            ZoneKind::RoadBand => Kind::RoadBand,
            ZoneKind::Hazard => Kind::Hazard,
            ZoneKind::LimitOfApproach => Kind::LimitOfApproach,
            ZoneKind::MayBeWet => Kind::MayBeWet,
            ZoneKind::Crossing => Kind::Crossing,
        }
    }
}

impl From<ShiftClass> for Kind {
    fn from(class: ShiftClass) -> Kind {
        match class {
            ShiftClass::DayOnly => Kind::DayOnly,
            ShiftClass::NightSafe => Kind::NightSafe,
        }
    }
}

impl From<Heading> for Kind {
    fn from(heading: Heading) -> Kind {
        match heading {
            Heading::In => Kind::StripIn,
            Heading::Out => Kind::StripOut,
            Heading::Around => Kind::StripAround,
        }
    }
}

impl From<StripKind> for Kind {
    fn from(kind: StripKind) -> Kind {
        match kind {
            StripKind::RoadClearing => Kind::RoadClearing,
            StripKind::BoundaryPass => Kind::BoundaryPass,
            StripKind::Interior => Kind::Strip,
        }
    }
}

impl From<UnworkedReason> for Kind {
    fn from(reason: UnworkedReason) -> Kind {
        match reason {
            UnworkedReason::CutBefore => Kind::CutBefore,
            _ => Kind::Unworked,
        }
    }
}

impl From<RetainedKind> for Kind {
    fn from(kind: RetainedKind) -> Kind {
        match kind {
            RetainedKind::Corridor => Kind::Corridor,
            RetainedKind::Band | RetainedKind::Patch => Kind::RetainedBand,
            RetainedKind::Kept => Kind::Reserve,
        }
    }
}

/// Fill of a verdict's sign, and what is written on it. The worse, the darker; its shape tells it too: disc, triangle,
/// square.
pub fn sign(verdict: Verdict) -> [&'static str; 2] {
    sign_on(Theme::Light, verdict)
}

/// As [`sign`], on what a drawing lies on.
pub fn sign_on(theme: Theme, verdict: Verdict) -> [&'static str; 2] {
    match verdict {
        Verdict::Fail if theme == Theme::Plain => [BLACK, WHITE],
        Verdict::Warn if theme == Theme::Plain => [GREY_EVEN, BLACK],
        Verdict::Fail => [RED, WHITE],
        Verdict::Warn => [PURPLE, BLACK],
        Verdict::Pass => [GREY_LIGHT, BLACK],
        Verdict::Unknown | Verdict::NotApplicable => [WHITE, BLACK],
    }
}

/// As [`sign`], of a block.
pub fn status_sign(status: BlockStatus) -> [&'static str; 2] {
    status_sign_on(Theme::Light, status)
}

/// As [`sign_on`], of a block.
pub fn status_sign_on(theme: Theme, status: BlockStatus) -> [&'static str; 2] {
    let verdict = match status {
        BlockStatus::Ok => Verdict::Pass,
        BlockStatus::Warn => Verdict::Warn,
        BlockStatus::Fail => Verdict::Fail,
    };
    sign_on(theme, verdict)
}

/// What is said of a block.
pub fn status_word(status: BlockStatus, words: &text::Words) -> &'static str {
    match status {
        BlockStatus::Ok => words.verdict_ok,
        BlockStatus::Warn => words.verdict_warn,
        BlockStatus::Fail => words.verdict_fail,
    }
}
