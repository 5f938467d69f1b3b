//! Styles for the layers of `layout.gpkg`: one Styled Layer Descriptor (OGC SLD 1.0.0) a layer, from the styles of the
//! map sheets. Files beside the GeoPackage, since its standard has no place for styles that is adopted and open.

use std::fmt::Write as _;
use std::fs;
use std::path::Path;

use super::OutputError;
use super::map::svg::escape;
use super::style::{self, Hatch, Ink, Kind, Line, Look, Theme};
use super::text;
use crate::model::{
    BlockStatus, Heading, Language, RetainedKind, ShiftClass, StripKind, UnworkedReason, Verdict,
    ZoneKind,
};

/// One rule: the value of the layer's attribute it is for (empty: all), what the legend says, and how it looks.
struct Rule {
    value: &'static str,
    title: &'static str,
    looks: Vec<Symbol>,
}

enum Symbol {
    Ground(Look),
    /// A colour and its share of cover.
    Plain(&'static str, f64),
    Line(Line),
    Point(&'static str),
}

struct Layer {
    name: &'static str,
    /// Attribute that tells rules apart.
    attribute: &'static str,
    rules: Vec<Rule>,
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

fn layers(words: &text::Words) -> Vec<Layer> {
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

/// Writes `LAYER.sld` for every layer into folder `dir`, which is created.
///
/// # Errors
/// A folder or file that cannot be written.
pub(super) fn write(dir: &Path, language: Language) -> Result<(), OutputError> {
    fs::create_dir_all(dir).map_err(OutputError::file(dir, "create the folder"))?;
    for layer in layers(text::of(language)) {
        let path = dir.join(format!("{}.sld", layer.name));
        fs::write(&path, document(&layer)).map_err(OutputError::file(&path, "write the file"))?;
    }
    Ok(())
}

fn document(layer: &Layer) -> String {
    let mut out = String::new();
    let name = layer.name;
    // Writing to a String cannot fail.
    let _ = write!(
        out,
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n\
         <StyledLayerDescriptor version=\"1.0.0\" xmlns=\"http://www.opengis.net/sld\" xmlns:ogc=\"http://www.opengis.net/ogc\">\n\
         <NamedLayer>\n<Name>{name}</Name>\n<UserStyle>\n<Name>{name}</Name>\n<FeatureTypeStyle>\n"
    );
    for rule in &layer.rules {
        let title = if rule.value.is_empty() {
            name
        } else {
            rule.value
        };
        let _ = writeln!(
            out,
            "<Rule>\n<Name>{title}</Name>\n<Title>{}</Title>",
            escape(rule.title)
        );
        if !rule.value.is_empty() {
            let _ = writeln!(
                out,
                "<ogc:Filter><ogc:PropertyIsEqualTo><ogc:PropertyName>{}</ogc:PropertyName>\
                 <ogc:Literal>{}</ogc:Literal></ogc:PropertyIsEqualTo></ogc:Filter>",
                layer.attribute, rule.value
            );
        } else if !layer.attribute.is_empty() {
            out.push_str("<ElseFilter/>\n");
        }
        for symbol in &rule.looks {
            out.push_str(&match symbol {
                Symbol::Ground(look) => polygon(look),
                Symbol::Plain(colour, cover) => plain(colour, *cover),
                Symbol::Line(line) => {
                    format!("<LineSymbolizer>{}</LineSymbolizer>\n", stroke_text(line))
                }
                Symbol::Point(colour) => format!(
                    "<PointSymbolizer><Graphic>{}<Size>9</Size></Graphic></PointSymbolizer>\n",
                    mark("circle", colour, true, 1.0)
                ),
            });
        }
        out.push_str("</Rule>\n");
    }
    out.push_str("</FeatureTypeStyle>\n</UserStyle>\n</NamedLayer>\n</StyledLayerDescriptor>\n");
    out
}

fn parameter(name: &str, value: &str) -> String {
    format!("<CssParameter name=\"{name}\">{value}</CssParameter>")
}

fn stroke_text(line: &Line) -> String {
    let mut out = "<Stroke>".to_owned();
    out += &parameter("stroke", line.ink.colour(Theme::Light));
    out += &parameter("stroke-width", &line.width.to_string());
    if !line.dash.is_empty() {
        let dashes: Vec<String> = line.dash.iter().map(f64::to_string).collect();
        out += &parameter("stroke-dasharray", &dashes.join(" "));
    }
    out + "</Stroke>"
}

fn mark(shape: &str, colour: &str, filled: bool, width: f64) -> String {
    let look = if filled {
        format!("<Fill>{}</Fill>", parameter("fill", colour))
    } else {
        format!(
            "<Stroke>{}{}</Stroke>",
            parameter("stroke", colour),
            parameter("stroke-width", &width.to_string())
        )
    };
    format!("<Mark><WellKnownName>{shape}</WellKnownName>{look}</Mark>")
}

fn plain(colour: &str, cover: f64) -> String {
    format!(
        "<PolygonSymbolizer><Fill>{}{}</Fill></PolygonSymbolizer>\n",
        parameter("fill", colour),
        parameter("fill-opacity", &cover.to_string())
    )
}

/// The hatch and the outline lie on the plain fill, as on the map sheets. Hatches are of the marks that SLD 1.0 knows.
fn polygon(look: &Look) -> String {
    let mut out = String::new();
    if let Some((ink, cover)) = look.fill {
        out += &plain(ink.colour(Theme::Light), cover);
    }
    if let Some(hatch) = look.hatch {
        let (shape, filled, size) = match hatch {
            Hatch::Day => ("x", false, 6),
            Hatch::First => ("circle", true, 3),
            Hatch::Kept => ("square", false, 8),
            Hatch::Trees => ("triangle", true, 8),
            Hatch::Cross => ("x", false, 9),
            Hatch::Level => ("cross", false, 8),
            Hatch::Wet => ("circle", false, 8),
            Hatch::Road => ("star", true, 6),
            Hatch::Check => ("square", true, 5),
        };
        let mark = mark(shape, hatch.ink().colour(Theme::Light), filled, 1.0);
        let _ = writeln!(
            out,
            "<PolygonSymbolizer><Fill><GraphicFill><Graphic>{mark}<Size>{size}</Size></Graphic></GraphicFill></Fill></PolygonSymbolizer>"
        );
    }
    if let Some(line) = &look.line {
        let _ = writeln!(
            out,
            "<PolygonSymbolizer>{}</PolygonSymbolizer>",
            stroke_text(line)
        );
    }
    out
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    #[test]
    fn every_layer_of_the_geopackage_has_a_style_that_is_xml() {
        let styled: BTreeSet<&str> = layers(&text::ENGLISH)
            .iter()
            .map(|layer| layer.name)
            .collect();
        let written: BTreeSet<&str> = super::super::layers::LAYERS
            .iter()
            .map(|layer| layer.name)
            .collect();
        assert_eq!(styled, written);
        for layer in layers(&text::ENGLISH) {
            let text = document(&layer);
            let tree = roxmltree::Document::parse(&text).unwrap();
            let of_name = |name: &'static str| {
                let nodes = tree.descendants();
                nodes.filter(move |node| node.has_tag_name(("http://www.opengis.net/sld", name)))
            };
            assert_eq!(of_name("Rule").count(), layer.rules.len());
            let known: Vec<&str> = super::super::layers::LAYERS
                .iter()
                .filter(|def| def.name == layer.name)
                .flat_map(|def| def.fields.iter().map(|(field, _)| *field))
                .collect();
            assert!(layer.attribute.is_empty() || known.contains(&layer.attribute));
        }
    }
}
