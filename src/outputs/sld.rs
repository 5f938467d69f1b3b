//! Styles for the layers of `layout.gpkg` in an open standard: one Styled Layer Descriptor (OGC SLD 1.0.0) a layer.

use std::fmt::Write as _;
use std::fs;
use std::path::Path;

use super::gpkg::Style;
use super::layer_looks::{Layer, Symbol, layers};
use super::map::svg::escape;
use super::style::{Hatch, Line, Look, Theme};
use super::{OutputError, qml, text};
use crate::model::Language;

/// Writes `LAYER.sld` for every layer into folder `dir`, which is created. Returns them with the same looks in QML, for the
/// GeoPackage itself.
///
/// # Errors
/// A folder or file that cannot be written.
pub(super) fn write(dir: &Path, language: Language) -> Result<Vec<Style>, OutputError> {
    fs::create_dir_all(dir).map_err(OutputError::file(dir, "create the folder"))?;
    let layers = layers(text::of(language)).into_iter();
    let written = layers.map(|layer| {
        let path = dir.join(format!("{}.sld", layer.name));
        let sld = document(&layer);
        fs::write(&path, &sld).map_err(OutputError::file(&path, "write the file"))?;
        Ok(Style {
            layer: layer.name,
            qml: qml::document(&layer),
            sld,
        })
    });
    written.collect()
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
            roxmltree::Document::parse_with_options(
                &qml::document(&layer),
                roxmltree::ParsingOptions {
                    allow_dtd: true,
                    ..Default::default()
                },
            )
            .unwrap();
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
