//! Styles for the layers of `layout.gpkg` as the common open desktop GIS reads them from table `layer_styles` beside the layers:
//! rules with the looks of [`layer_looks`](super::layer_looks), hatches drawn out as on the sheets.

use super::layer_looks::{Layer, Symbol};
use super::map::svg::escape;
use super::style::{Hatch, Ink, Line, Look, Motif, Rgb, Theme};

/// Of the version that first had all that is used here.
const VERSION: &str = "3.4.0";
/// Millimetres of a pixel of `style`.
const MM_PER_PX: f64 = 25.4 / 96.0;

/// One style as a document.
pub fn document(layer: &Layer) -> String {
    let mut rules = String::new();
    let mut symbols = Vec::new();
    let several = layer.rules.iter().any(|rule| {
        let mut kinds = rule.looks.iter().map(kind_of);
        let first = kinds.next();
        kinds.any(|kind| Some(kind) != first)
    });
    for rule in &layer.rules {
        // A symbol draws one sort of shape; a layer with several asks each feature which it is.
        for kind in ["fill", "line", "marker"] {
            let looks = rule.looks.iter().filter(|look| kind_of(look) == kind);
            let drawn: Vec<String> = looks.flat_map(symbol_layers).collect();
            if drawn.is_empty() {
                continue;
            }
            let mut filter = Vec::new();
            let is = format!("\"{}\" = '{}'", layer.attribute, rule.value);
            if !rule.value.is_empty() {
                filter.push(is);
            }
            if several {
                filter.push(of_kind(kind).to_owned());
            }
            let filter = match (filter.is_empty(), layer.attribute.is_empty()) {
                (false, _) => filter.join(" AND "),
                (true, true) => String::new(),
                (true, false) => "ELSE".to_owned(),
            };
            let filter = match filter.is_empty() {
                true => filter,
                false => format!(" filter=\"{}\"", escape(&filter)),
            };
            let at = symbols.len();
            rules += &format!(
                "<rule key=\"r{at}\" label=\"{}\" symbol=\"{at}\"{filter}/>\n",
                escape(rule.title)
            );
            symbols.push(symbol(&at.to_string(), kind, &drawn.concat()));
        }
    }
    format!(
        "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n\
         <qgis version=\"{VERSION}\" styleCategories=\"Symbology\">\n\
         <renderer-v2 type=\"RuleRenderer\" symbollevels=\"0\" enableorderby=\"0\" forceraster=\"0\">\n\
         <rules key=\"root\">\n{rules}</rules>\n<symbols>\n{}</symbols>\n</renderer-v2>\n</qgis>\n",
        symbols.concat()
    )
}

fn kind_of(symbol: &Symbol) -> &'static str {
    match symbol {
        Symbol::Ground(_) | Symbol::Plain(..) => "fill",
        Symbol::Line(_) => "line",
        Symbol::Point(_) => "marker",
    }
}

/// Whether a feature is of a sort of shape, in expressions that every version knows.
fn of_kind(kind: &str) -> &'static str {
    match kind {
        "fill" => "area($geometry) > 0",
        "marker" => "num_points($geometry) = 1",
        _ => "num_points($geometry) > 1 AND coalesce(area($geometry), 0) = 0",
    }
}

fn symbol(name: &str, kind: &str, layers: &str) -> String {
    format!(
        "<symbol name=\"{name}\" type=\"{kind}\" alpha=\"1\" clip_to_extent=\"1\" force_rhr=\"0\">\n{layers}</symbol>\n"
    )
}

fn layer(class: &str, props: &[(&str, String)], inside: &str) -> String {
    let props: String = props
        .iter()
        .map(|(key, value)| format!("<prop k=\"{key}\" v=\"{value}\"/>"))
        .collect();
    format!(
        "<layer class=\"{class}\" enabled=\"1\" locked=\"0\" pass=\"0\">{props}{inside}</layer>\n"
    )
}

/// Thousandths.
fn mm(pixels: f64) -> String {
    format!("{}", (pixels * MM_PER_PX * 1000.0).round() / 1000.0)
}

fn rgba(colour: &str, cover: f64) -> String {
    let [r, g, b] = Rgb::parse(colour).0;
    let alpha = (cover.clamp(0.0, 1.0) * 255.0).round();
    format!("{r},{g},{b},{alpha}")
}

fn own(ink: Ink) -> &'static str {
    ink.colour(Theme::Light)
}

fn symbol_layers(look: &Symbol) -> Vec<String> {
    match look {
        Symbol::Ground(look) => ground(look),
        Symbol::Plain(colour, cover) => vec![filled(colour, *cover)],
        Symbol::Line(line) => vec![stroke(line)],
        Symbol::Point(colour) => vec![marker("circle", colour, 9.0, Some(0.6))],
    }
}

/// Fill, hatch, outline.
fn ground(look: &Look) -> Vec<String> {
    let fill = look.fill.map(|(ink, cover)| filled(own(ink), cover));
    let hatch = look.hatch.map_or_else(Vec::new, hatched);
    let line = look.line.as_ref().map(stroke);
    fill.into_iter().chain(hatch).chain(line).collect()
}

fn filled(colour: &str, cover: f64) -> String {
    layer(
        "SimpleFill",
        &[
            ("color", rgba(colour, cover)),
            ("style", "solid".to_owned()),
            ("outline_style", "no".to_owned()),
        ],
        "",
    )
}

fn stroke(line: &Line) -> String {
    // A dash of no length is none there: dots on a round cap are a hair long.
    let dashes: Vec<String> = line.dash.iter().map(|px| mm(px.max(0.1))).collect();
    let is_dashed = !dashes.is_empty();
    layer(
        "SimpleLine",
        &[
            ("line_color", rgba(own(line.ink), 1.0)),
            ("line_style", "solid".to_owned()),
            ("line_width", mm(line.width)),
            ("line_width_unit", "MM".to_owned()),
            (
                "capstyle",
                if line.round { "round" } else { "flat" }.to_owned(),
            ),
            ("joinstyle", "round".to_owned()),
            ("use_custom_dash", u8::from(is_dashed).to_string()),
            ("customdash", dashes.join(";")),
            ("customdash_unit", "MM".to_owned()),
        ],
        "",
    )
}

fn marker(shape: &str, colour: &str, size_px: f64, outline_px: Option<f64>) -> String {
    let outline = if outline_px.is_some() { "solid" } else { "no" };
    layer(
        "SimpleMarker",
        &[
            ("name", shape.to_owned()),
            ("color", rgba(colour, 1.0)),
            ("size", mm(size_px)),
            ("size_unit", "MM".to_owned()),
            ("outline_style", outline.to_owned()),
            ("outline_color", rgba(own(Ink::Words), 1.0)),
            ("outline_width", mm(outline_px.unwrap_or_default())),
            ("outline_width_unit", "MM".to_owned()),
        ],
        "",
    )
}

fn hatched(hatch: Hatch) -> Vec<String> {
    let colour = own(hatch.ink());
    match hatch.motif() {
        Motif::Lines {
            apart,
            width,
            dash,
            beside,
            crossed,
            ..
        } => {
            let line = |way_deg: f64, offset: f64| {
                let dashes = dash.map_or(String::new(), |[dash, gap]| {
                    format!("{};{}", mm(dash), mm(gap))
                });
                let stroke = layer(
                    "SimpleLine",
                    &[
                        ("line_color", rgba(colour, 1.0)),
                        ("line_width", mm(width)),
                        ("line_width_unit", "MM".to_owned()),
                        ("use_custom_dash", u8::from(dash.is_some()).to_string()),
                        ("customdash", dashes),
                        ("customdash_unit", "MM".to_owned()),
                    ],
                    "",
                );
                // There angles turn left from the level; here right from north.
                let angle = (90.0 - way_deg).rem_euclid(180.0);
                layer(
                    "LinePatternFill",
                    &[
                        ("angle", angle.to_string()),
                        ("distance", mm(apart)),
                        ("distance_unit", "MM".to_owned()),
                        ("offset", mm(offset)),
                        ("offset_unit", "MM".to_owned()),
                    ],
                    &symbol("@", "line", &stroke),
                )
            };
            let way = hatch.way_deg(0.0);
            let mut all = vec![line(way, 0.0)];
            all.extend(beside.map(|beside| line(way, beside)));
            if crossed {
                all.push(line(way + 90.0, 0.0));
            }
            all
        }
        Motif::Dots { side, radius } => vec![points(
            marker("circle", colour, 2.0 * radius, None),
            [side, side / 2.0],
            side / 2.0,
        )],
        Motif::Trees { side } => vec![points(
            marker("triangle", colour, 0.65 * side, None),
            [side, side],
            0.0,
        )],
        Motif::Checks { side } => vec![points(
            marker("square", colour, side, None),
            [2.0 * side, side],
            side,
        )],
    }
}

/// Marks in rows, every other row moved aside.
fn points(mark: String, [x, y]: [f64; 2], aside: f64) -> String {
    layer(
        "PointPatternFill",
        &[
            ("distance_x", mm(x)),
            ("distance_x_unit", "MM".to_owned()),
            ("distance_y", mm(y)),
            ("distance_y_unit", "MM".to_owned()),
            ("displacement_x", mm(aside)),
            ("displacement_x_unit", "MM".to_owned()),
        ],
        &symbol("@", "marker", &mark),
    )
}
