//! Styles for the layers of `layout.gpkg`: one Styled Layer Descriptor (OGC SLD 1.0.0) a layer, from the styles of the
//! map sheets. Files beside the GeoPackage, since its standard has no place for styles that is adopted and open.

use std::fmt::Write as _;
use std::fs;
use std::path::Path;

use super::OutputError;
use super::map::svg::escape;
use super::paint::{Fill, Paint, Rgb, Stroke};
use super::style::{self, Ground};
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
    Ground(Paint),
    Line(Stroke),
    Point(Rgb),
}

struct Layer {
    name: &'static str,
    /// Attribute that tells rules apart.
    attribute: &'static str,
    rules: Vec<Rule>,
}

fn ground(value: &'static str, title: &'static str, ground: &Ground) -> Rule {
    Rule {
        value,
        title,
        looks: vec![Symbol::Ground(Paint::of(ground))],
    }
}

fn pen(colour: &str, width_px: f64, dash_px: &[f64]) -> Stroke {
    Stroke {
        colour: Rgb::parse(colour),
        width_px,
        dash_px: dash_px.to_vec(),
    }
}

fn line(value: &'static str, title: &'static str, stroke: Stroke) -> Rule {
    Rule {
        value,
        title,
        looks: vec![Symbol::Line(stroke)],
    }
}

fn layers(words: &text::Words) -> Vec<Layer> {
    let status = |status: BlockStatus, colour: &str| Rule {
        value: status.key(),
        title: super::map::panel::verdict_word(status, words),
        looks: vec![Symbol::Ground(Paint {
            fill: Some(Fill {
                colour: Rgb::parse(colour),
                opacity: 0.15,
            }),
            hatch: "",
            stroke: Some(pen(style::BLACK, 2.2, &[])),
        })],
    };
    let finding = |verdict: Verdict, title, colour: &str, dash: &[f64]| {
        let stroke = pen(colour, 2.0, dash);
        Rule {
            value: verdict.key(),
            title,
            looks: vec![
                Symbol::Ground(Paint {
                    fill: None,
                    hatch: "",
                    stroke: Some(stroke.clone()),
                }),
                Symbol::Line(stroke),
                Symbol::Point(Rgb::parse(colour)),
            ],
        }
    };
    let layer = |name, attribute, rules| Layer {
        name,
        attribute,
        rules,
    };
    vec![
        layer(
            "blocks",
            "status",
            vec![
                status(BlockStatus::Ok, style::GREEN),
                status(BlockStatus::Warn, style::ORANGE),
                status(BlockStatus::Fail, style::VERMILLION),
            ],
        ),
        layer(
            "zones",
            "kind",
            [
                (
                    ZoneKind::Management,
                    words.legend_management,
                    style::MANAGEMENT,
                ),
                (ZoneKind::Reserve, words.legend_reserve, style::RESERVE),
                (
                    ZoneKind::RoadClearing,
                    words.legend_road_clearing,
                    style::ROAD_CLEARING,
                ),
                (
                    ZoneKind::RetainedBand,
                    words.legend_retained_band,
                    style::RETAINED_BAND,
                ),
                (
                    ZoneKind::MachineExclusion,
                    words.legend_machine_exclusion,
                    style::MACHINE_EXCLUSION,
                ),
                (ZoneKind::MayBeWet, words.legend_wet, style::MAY_BE_WET),
                (ZoneKind::Hazard, words.legend_hazard, style::HAZARD),
                (
                    ZoneKind::LimitOfApproach,
                    words.legend_limit,
                    style::LIMIT_OF_APPROACH,
                ),
                (ZoneKind::Crossing, words.legend_crossing, style::CROSSING),
                (ZoneKind::RoadBand, words.legend_road_band, style::ROAD_BAND),
            ]
            .map(|(kind, title, of)| ground(kind.key(), title, &of))
            .into(),
        ),
        layer(
            "net_area",
            "",
            vec![ground("", words.legend_net, &style::NET_AREA)],
        ),
        layer(
            "strips",
            "kind",
            vec![
                ground(
                    StripKind::RoadClearing.key(),
                    words.legend_road_clearing,
                    &style::ROAD_CLEARING,
                ),
                ground(
                    StripKind::BoundaryPass.key(),
                    words.legend_boundary_pass,
                    &style::BOUNDARY_PASS,
                ),
                ground(StripKind::Interior.key(), words.strips, &style::STRIP_IN),
            ],
        ),
        layer(
            "strip_lines",
            "heading",
            vec![
                line(
                    Heading::In.key(),
                    words.legend_strip_in,
                    pen(style::BLUE, 1.2, &[]),
                ),
                line(
                    Heading::Out.key(),
                    words.legend_strip_out,
                    pen(style::VERMILLION, 1.2, &[]),
                ),
                line(
                    Heading::Around.key(),
                    words.legend_around,
                    pen(style::GREY_DARK, 1.2, &[4.0, 2.0]),
                ),
            ],
        ),
        layer(
            "corridors",
            "",
            vec![ground("", words.legend_corridor, &style::CORRIDOR)],
        ),
        layer(
            "retained",
            "kind",
            vec![
                ground(
                    RetainedKind::Corridor.key(),
                    words.legend_corridor,
                    &style::CORRIDOR,
                ),
                ground(
                    RetainedKind::Band.key(),
                    words.legend_retained_band,
                    &style::RETAINED_BAND,
                ),
                ground(
                    RetainedKind::Patch.key(),
                    words.legend_retained_band,
                    &style::RETAINED_BAND,
                ),
                ground(
                    RetainedKind::Kept.key(),
                    words.legend_reserve,
                    &style::RESERVE,
                ),
            ],
        ),
        layer(
            "sections",
            "shift_class",
            vec![
                ground(
                    ShiftClass::DayOnly.key(),
                    words.legend_day_only,
                    &style::SECTION_DAY_ONLY,
                ),
                ground(
                    ShiftClass::NightSafe.key(),
                    words.legend_night_safe,
                    &style::SECTION_NIGHT_SAFE,
                ),
            ],
        ),
        layer(
            "unworked",
            "reason",
            vec![
                ground(
                    UnworkedReason::CutBefore.key(),
                    words.legend_felled,
                    &style::FELLED,
                ),
                ground("", words.legend_unworked, &style::UNWORKED),
            ],
        ),
        layer(
            "bunches",
            "",
            vec![line(
                "",
                words.legend_bunch,
                pen(style::VERMILLION, 0.8, &[]),
            )],
        ),
        layer(
            "findings",
            "status",
            vec![
                finding(Verdict::Fail, words.verdict_fail, style::VERMILLION, &[]),
                finding(
                    Verdict::Warn,
                    words.verdict_warn,
                    style::ORANGE,
                    &[3.0, 2.0],
                ),
                finding(
                    Verdict::Unknown,
                    words.legend_finding,
                    style::GREY_MIDDLE,
                    &[1.0, 2.0],
                ),
            ],
        ),
        layer(
            "travel",
            "",
            vec![line(
                "",
                words.legend_travel,
                pen(style::PURPLE, 1.0, &[2.0, 3.0]),
            )],
        ),
        layer(
            "settings",
            "",
            vec![Rule {
                value: "",
                title: words.legend_setting,
                looks: vec![Symbol::Ground(Paint {
                    fill: None,
                    hatch: "",
                    stroke: Some(pen(style::BLACK, 2.0, &[6.0, 3.0])),
                })],
            }],
        ),
        layer(
            "skid_trails",
            "",
            vec![line(
                "",
                words.legend_trail,
                pen(style::GREY_MIDDLE, 1.5, &[1.0, 2.0]),
            )],
        ),
        layer(
            "decks",
            "",
            vec![Rule {
                value: "",
                title: words.legend_deck,
                looks: vec![Symbol::Point(Rgb::parse(style::GREY_DARK))],
            }],
        ),
        layer(
            "outlets",
            "",
            vec![Rule {
                value: "",
                title: words.legend_outlet,
                looks: vec![
                    Symbol::Line(pen(style::BLACK, 5.4, &[])),
                    Symbol::Line(pen(style::YELLOW, 2.8, &[])),
                ],
            }],
        ),
        layer(
            "notes",
            "",
            vec![Rule {
                value: "",
                title: words.legend_note,
                looks: vec![
                    Symbol::Line(pen(style::PURPLE, 2.0, &[6.0, 2.0])),
                    Symbol::Point(Rgb::parse(style::PURPLE)),
                ],
            }],
        ),
        layer(
            "power_lines",
            "",
            vec![line(
                "",
                words.legend_power_line,
                pen(style::BLACK, 2.6, &[14.0, 3.0, 2.0, 3.0]),
            )],
        ),
        layer(
            "people",
            "",
            vec![Rule {
                value: "",
                title: words.legend_people,
                looks: vec![
                    Symbol::Line(pen(style::VERMILLION, 4.0, &[])),
                    Symbol::Point(Rgb::parse(style::VERMILLION)),
                ],
            }],
        ),
        layer(
            "windows",
            "",
            vec![line(
                "",
                words.legend_window,
                pen(style::BROWN, 2.2, &[7.0, 3.0]),
            )],
        ),
    ]
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
                Symbol::Ground(paint) => polygon(paint),
                Symbol::Line(stroke) => {
                    format!("<LineSymbolizer>{}</LineSymbolizer>\n", stroke_text(stroke))
                }
                Symbol::Point(colour) => format!(
                    "<PointSymbolizer><Graphic>{}<Size>9</Size></Graphic></PointSymbolizer>\n",
                    mark("circle", *colour, true, 1.0)
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

fn stroke_text(stroke: &Stroke) -> String {
    let mut out = "<Stroke>".to_owned();
    out += &parameter("stroke", &stroke.colour.hex());
    out += &parameter("stroke-width", &stroke.width_px.to_string());
    if !stroke.dash_px.is_empty() {
        let dashes: Vec<String> = stroke.dash_px.iter().map(f64::to_string).collect();
        out += &parameter("stroke-dasharray", &dashes.join(" "));
    }
    out + "</Stroke>"
}

fn mark(shape: &str, colour: Rgb, filled: bool, width_px: f64) -> String {
    let colour = colour.hex();
    let look = if filled {
        format!("<Fill>{}</Fill>", parameter("fill", &colour))
    } else {
        format!(
            "<Stroke>{}{}</Stroke>",
            parameter("stroke", &colour),
            parameter("stroke-width", &width_px.to_string())
        )
    };
    format!("<Mark><WellKnownName>{shape}</WellKnownName>{look}</Mark>")
}

/// The hatch and the outline lie on the plain fill, as on the map sheets.
fn polygon(paint: &Paint) -> String {
    let mut out = String::new();
    if let Some(fill) = &paint.fill {
        let _ = writeln!(
            out,
            "<PolygonSymbolizer><Fill>{}{}</Fill></PolygonSymbolizer>",
            parameter("fill", &fill.colour.hex()),
            parameter("fill-opacity", &fill.opacity.to_string())
        );
    }
    let hatch = match paint.hatch {
        "h-day" => Some((mark("x", Rgb::parse(style::GREY_DARK), false, 0.9), 6)),
        "h-cross" => Some((mark("x", Rgb::parse(style::VERMILLION), false, 0.9), 8)),
        "h-level" => Some((mark("cross", Rgb::parse(style::PURPLE), false, 1.0), 8)),
        "h-wet" => Some((mark("circle", Rgb::parse(style::BLUE), false, 1.0), 8)),
        "h-dots" => Some((mark("circle", Rgb::parse(style::BLUE), true, 1.0), 3)),
        "h-trees" => Some((mark("triangle", Rgb::parse(style::GREEN), true, 1.0), 8)),
        "h-check" => Some((mark("square", Rgb::parse(style::VERMILLION), true, 1.0), 5)),
        _ => None,
    };
    if let Some((mark, size)) = hatch {
        let _ = writeln!(
            out,
            "<PolygonSymbolizer><Fill><GraphicFill><Graphic>{mark}<Size>{size}</Size></Graphic></GraphicFill></Fill></PolygonSymbolizer>"
        );
    }
    if let Some(stroke) = &paint.stroke {
        let _ = writeln!(
            out,
            "<PolygonSymbolizer>{}</PolygonSymbolizer>",
            stroke_text(stroke)
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
