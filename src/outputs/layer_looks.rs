//! How the layers of `layout.gpkg` look in map programs, from the styles of the map sheets: what styles in every notation say.

use super::style::{self, Ink, Kind, Line, Look, Theme};
use super::text;
use crate::model::{
    BlockStatus, Heading, Language, RetainedKind, ShiftClass, StripKind, UnworkedReason, Verdict,
    ZoneKind,
};

/// One rule: the value of the layer's attribute it is for (empty: all), what the legend says, and how it looks.
pub struct Rule {
    pub value: &'static str,
    pub title: &'static str,
    pub looks: Vec<Symbol>,
}

pub enum Symbol {
    Ground(Look),
    /// A colour and its share of cover.
    Plain(&'static str, f64),
    Line(Line),
    Point(&'static str),
}

pub struct Layer {
    pub name: &'static str,
    /// Attribute that tells rules apart.
    pub attribute: &'static str,
    pub rules: Vec<Rule>,
}

/// What a layer's shapes are.
#[derive(Clone, Copy)]
enum Shape {
    Ground,
    Line,
    /// Lines and places.
    Mixed,
    Point,
}

/// Layers, the attribute that tells their kinds apart, and each kind with its value.
type Of = (&'static str, &'static str, Shape, Vec<(&'static str, Kind)>);

fn of() -> Vec<Of> {
    let one = |kind: Kind| vec![("", kind)];
    let zones = ZoneKind::ALL.map(|kind| (kind.key(), Kind::from(kind)));
    let strips = [
        StripKind::RoadClearing,
        StripKind::BoundaryPass,
        StripKind::Interior,
    ];
    let headings = [Heading::In, Heading::Out, Heading::Around];
    let retained = [
        RetainedKind::Corridor,
        RetainedKind::Band,
        RetainedKind::Patch,
        RetainedKind::Kept,
    ];
    let classes = [ShiftClass::DayOnly, ShiftClass::NightSafe];
    let before = UnworkedReason::CutBefore;
    vec![
        ("zones", "kind", Shape::Ground, zones.into()),
        ("net_area", "", Shape::Ground, one(Kind::NetArea)),
        (
            "strips",
            "kind",
            Shape::Ground,
            strips.map(|kind| (kind.key(), kind.into())).into(),
        ),
        (
            "strip_lines",
            "heading",
            Shape::Line,
            headings.map(|way| (way.key(), way.into())).into(),
        ),
        ("corridors", "", Shape::Ground, one(Kind::Corridor)),
        (
            "retained",
            "kind",
            Shape::Ground,
            retained.map(|kind| (kind.key(), kind.into())).into(),
        ),
        (
            "sections",
            "shift_class",
            Shape::Ground,
            classes.map(|class| (class.key(), class.into())).into(),
        ),
        (
            "unworked",
            "reason",
            Shape::Ground,
            vec![(before.key(), before.into()), ("", Kind::Unworked)],
        ),
        ("bunches", "", Shape::Line, one(Kind::Bunch)),
        ("travel", "", Shape::Line, one(Kind::Travel)),
        ("settings", "", Shape::Ground, one(Kind::Setting)),
        ("skid_trails", "", Shape::Line, one(Kind::SkidTrail)),
        ("decks", "", Shape::Point, one(Kind::Deck)),
        ("outlets", "", Shape::Line, one(Kind::Outlet)),
        ("notes", "", Shape::Mixed, one(Kind::Note)),
        ("power_lines", "", Shape::Line, one(Kind::PowerLine)),
        ("people", "", Shape::Mixed, one(Kind::People)),
        ("windows", "", Shape::Line, one(Kind::Window)),
    ]
}

fn rule(shape: Shape, value: &'static str, kind: Kind, language: Language) -> Rule {
    let look = kind.look();
    let rim = (kind == Kind::Outlet).then(|| Kind::OutletRim.look());
    let lines = rim.into_iter().chain([look]).filter_map(|look| look.line);
    let point = || Symbol::Point(kind.ink().colour(Theme::Light));
    let looks = match shape {
        Shape::Ground => vec![Symbol::Ground(look)],
        Shape::Line => lines.map(Symbol::Line).collect(),
        Shape::Mixed => lines.map(Symbol::Line).chain([point()]).collect(),
        Shape::Point => vec![Symbol::Point(Ink::Words.colour(Theme::Light))],
    };
    Rule {
        value,
        title: kind.word(language),
        looks,
    }
}

/// All layers of `layout.gpkg`.
pub fn layers(words: &text::Words) -> Vec<Layer> {
    let mut layers: Vec<Layer> = (of().into_iter())
        .map(|(name, attribute, shape, kinds)| Layer {
            name,
            attribute,
            rules: (kinds.into_iter())
                .map(|(value, kind)| rule(shape, value, kind, words.language))
                .collect(),
        })
        .collect();
    let all = [BlockStatus::Ok, BlockStatus::Warn, BlockStatus::Fail];
    let status = all.map(|status| Rule {
        value: status.key(),
        title: style::status_word(status, words),
        looks: vec![
            Symbol::Plain(style::status_sign(status)[0], 0.4),
            Symbol::Ground(Kind::Block.look()),
        ],
    });
    layers.push(Layer {
        name: "blocks",
        attribute: "status",
        rules: status.into(),
    });
    let verdicts = [
        (Verdict::Fail, words.verdict_fail, &[][..]),
        (Verdict::Warn, words.verdict_warn, &[3.0, 2.0]),
        (Verdict::Unknown, words.verdict_unknown, &[1.0, 2.0]),
    ];
    let line = Kind::Finding.look().line;
    let findings = verdicts.map(|(verdict, title, dash)| Rule {
        value: verdict.key(),
        title,
        looks: (line.into_iter())
            .map(|line| Line { dash, ..line })
            .flat_map(|line| {
                let look = Look {
                    line: Some(line),
                    ..Kind::Management.look()
                };
                [Symbol::Ground(look), Symbol::Line(line)]
            })
            .chain([Symbol::Point(style::sign(verdict)[0])])
            .collect(),
    });
    layers.push(Layer {
        name: "findings",
        attribute: "status",
        rules: findings.into(),
    });
    layers
}
