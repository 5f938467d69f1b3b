//! KML 2.3: a document a block with folders and shared styles, and an overview of the outlines of all blocks.

use std::fmt::Write as _;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use geo::{Coord, Geometry, Polygon};

use super::gpx;
use super::rows::{LAYERS, Located, What, degrees, polygons};
use super::words::Words;
use crate::model::{BlockPlan, BlockStatus, Heading, ShiftClass, UnworkedReason, ZoneKind};
use crate::outputs::OutputError;
use crate::outputs::gpkg::Value;
use crate::outputs::map::svg::escape;
use crate::outputs::paint::{Paint, Rgb};
use crate::outputs::style::{self, Ground};
use crate::outputs::text;

const HEAD: &str = "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n\
    <kml xmlns=\"http://www.opengis.net/kml/2.2\" version=\"2.3\">\n<Document>\n";
const TAIL: &str = "</Document>\n</kml>\n";

/// Folders of a block's document, from the ground up: their name, style and what stands in them.
struct Layer {
    id: &'static str,
    name: fn(&Words) -> &'static str,
    ground: Ground,
    holds: fn(What<'_>) -> bool,
}

fn is_zone(what: What<'_>, kind: ZoneKind) -> bool {
    matches!(what, What::Zone(found, _) if found == kind)
}

fn is_unworked(what: What<'_>, cut_before: bool) -> bool {
    matches!(what, What::Unworked(piece) if (piece.reason == UnworkedReason::CutBefore) == cut_before)
}

fn is_class(what: What<'_>, class: ShiftClass) -> bool {
    matches!(what, What::Section(section) if section.shift_class == class)
}

const LAYERS_UP: [Layer; 26] = [
    Layer {
        id: "management",
        name: |words| words.map.legend_management,
        ground: style::MANAGEMENT,
        holds: |what| is_zone(what, ZoneKind::Management),
    },
    Layer {
        id: "reserve",
        name: |words| words.map.legend_reserve,
        ground: style::RESERVE,
        holds: |what| is_zone(what, ZoneKind::Reserve),
    },
    Layer {
        id: "road_clearing",
        name: |words| words.map.legend_road_clearing,
        ground: style::ROAD_CLEARING,
        holds: |what| is_zone(what, ZoneKind::RoadClearing),
    },
    Layer {
        id: "day_only",
        name: |words| words.day_only,
        ground: style::SECTION_DAY_ONLY,
        holds: |what| is_class(what, ShiftClass::DayOnly),
    },
    Layer {
        id: "night_safe",
        name: |words| words.night_safe,
        ground: style::SECTION_NIGHT_SAFE,
        holds: |what| is_class(what, ShiftClass::NightSafe),
    },
    Layer {
        id: "retained_band",
        name: |words| words.map.legend_retained_band,
        ground: style::RETAINED_BAND,
        holds: |what| is_zone(what, ZoneKind::RetainedBand),
    },
    Layer {
        id: "corridor",
        name: |words| words.corridors,
        ground: style::CORRIDOR,
        holds: |what| matches!(what, What::Corridor(_)),
    },
    Layer {
        id: "machine_exclusion",
        name: |words| words.map.legend_machine_exclusion,
        ground: style::MACHINE_EXCLUSION,
        holds: |what| is_zone(what, ZoneKind::MachineExclusion),
    },
    Layer {
        id: "may_be_wet",
        name: |words| words.map.legend_wet,
        ground: style::MAY_BE_WET,
        holds: |what| is_zone(what, ZoneKind::MayBeWet),
    },
    Layer {
        id: "hazard",
        name: |words| words.map.legend_hazard,
        ground: style::HAZARD,
        holds: |what| is_zone(what, ZoneKind::Hazard),
    },
    Layer {
        id: "limit_of_approach",
        name: |words| words.map.legend_limit,
        ground: style::LIMIT_OF_APPROACH,
        holds: |what| is_zone(what, ZoneKind::LimitOfApproach),
    },
    Layer {
        id: "power_line",
        name: |words| words.map.legend_power_line,
        ground: style::POWER_LINE,
        holds: |what| matches!(what, What::PowerLine(_)),
    },
    Layer {
        id: "people",
        name: |words| words.people_folders[0],
        ground: style::PEOPLE,
        holds: |what| matches!(what, What::People(note) if note.said),
    },
    Layer {
        id: "people_unknown",
        name: |words| words.people_folders[1],
        ground: style::PEOPLE_UNKNOWN,
        holds: |what| matches!(what, What::People(note) if !note.said),
    },
    Layer {
        id: "window",
        name: |words| words.map.legend_window,
        ground: style::WINDOW,
        holds: |what| matches!(what, What::Window(_)),
    },
    Layer {
        id: "crossing",
        name: |words| words.map.legend_crossing,
        ground: style::CROSSING,
        holds: |what| is_zone(what, ZoneKind::Crossing),
    },
    Layer {
        id: "unworked",
        name: |words| words.unworked,
        ground: style::UNWORKED,
        holds: |what| is_unworked(what, false),
    },
    Layer {
        id: "cut_before",
        name: |words| words.map.legend_felled,
        ground: style::FELLED,
        holds: |what| is_unworked(what, true),
    },
    Layer {
        id: "road_band",
        name: |words| words.map.legend_road_band,
        ground: style::ROAD_BAND,
        holds: |what| is_zone(what, ZoneKind::RoadBand),
    },
    Layer {
        id: "block",
        name: |words| words.map.legend_block,
        ground: style::BLOCK,
        holds: |what| matches!(what, What::Block),
    },
    Layer {
        id: "setting",
        name: |words| words.settings,
        ground: style::SETTING,
        holds: |what| matches!(what, What::Setting(_)),
    },
    Layer {
        id: "outlet",
        name: |words| words.map.legend_outlet,
        ground: style::OUTLET,
        holds: |what| matches!(what, What::Outlet(_)),
    },
    Layer {
        id: "skid_trail",
        name: |words| words.trails,
        ground: style::SKID_TRAIL,
        holds: |what| matches!(what, What::Trail(_)),
    },
    Layer {
        id: "deck",
        name: |words| words.decks,
        ground: style::DECK,
        holds: |what| matches!(what, What::Deck(_)),
    },
    Layer {
        id: "note",
        name: |words| words.map.legend_note,
        ground: style::NOTE,
        holds: |what| matches!(what, What::Note(_)),
    },
    Layer {
        id: "strip_in",
        name: |words| words.strips,
        // Lines are drawn in the colours below.
        ground: style::NET_AREA,
        holds: |what| matches!(what, What::Line(_)),
    },
];

const LINE_STYLES: [(&str, &str); 3] = [
    ("strip_in", style::BLUE),
    ("strip_out", style::VERMILLION),
    ("strip_around", style::PURPLE),
];

/// The document of one block.
pub fn document(plan: &BlockPlan, rows: &[Located<'_>], title: &str, words: &Words) -> String {
    let mut out = String::with_capacity(1 << 16);
    out.push_str(HEAD);
    let name = text::fill(words.map.sheet, &[title, &plan.id]);
    // Writing to a String cannot fail.
    let _ = writeln!(out, "<name>{}</name>", escape(&name));
    for layer in &LAYERS_UP {
        if layer.id != "strip_in" {
            ground_style(&mut out, layer.id, &layer.ground);
        }
    }
    for (id, colour) in LINE_STYLES {
        let _ = writeln!(
            out,
            "<Style id=\"{id}\"><LineStyle><color>{}</color><width>2</width></LineStyle></Style>",
            colour_text(Rgb::parse(colour), 1.0)
        );
    }
    let mut reasons = String::new();
    for layer in &LAYERS_UP {
        let mut any = false;
        for row in rows.iter().filter(|row| (layer.holds)(row.what)) {
            if !any {
                let _ = writeln!(out, "<Folder><name>{}</name>", escape((layer.name)(words)));
            }
            any = true;
            placemark(&mut out, plan, row, layer, &mut reasons);
        }
        if any {
            out.push_str("</Folder>\n");
        }
    }
    out.push_str(TAIL);
    out
}

/// `aabbggrr`.
fn colour_text(colour: Rgb, opacity: f64) -> String {
    let [r, g, b] = colour.0;
    let alpha = (opacity.clamp(0.0, 1.0) * 255.0).round() as u8;
    format!("{alpha:02x}{b:02x}{g:02x}{r:02x}")
}

fn ground_style(out: &mut String, id: &str, ground: &Ground) {
    let paint = Paint::of(ground);
    let _ = write!(out, "<Style id=\"{id}\">");
    if let Some(stroke) = &paint.stroke {
        let _ = write!(
            out,
            "<LineStyle><color>{}</color><width>{}</width></LineStyle>",
            colour_text(stroke.colour, 1.0),
            stroke.width_px
        );
    }
    // KML has no hatches: ground that has nothing else gets a thin veil of its outline's colour.
    let fill = paint.fill.map(|fill| (fill.colour, fill.opacity));
    let veil = paint.stroke.filter(|_| !paint.hatch.is_empty());
    let fill = fill.or(veil.map(|stroke| (stroke.colour, 0.25)));
    let _ = match fill {
        Some((colour, opacity)) => writeln!(
            out,
            "<PolyStyle><color>{}</color></PolyStyle></Style>",
            colour_text(colour, opacity)
        ),
        None => writeln!(out, "<PolyStyle><fill>0</fill></PolyStyle></Style>"),
    };
}

fn placemark(
    out: &mut String,
    plan: &BlockPlan,
    row: &Located<'_>,
    layer: &Layer,
    reasons: &mut String,
) {
    let (name, style) = match row.what {
        What::Block => (plan.id.clone(), layer.id),
        What::Zone(_, zone) => (
            zone.map_or_else(String::new, |zone| {
                format!("{} {}", zone.class, zone.source_id)
                    .trim()
                    .to_owned()
            }),
            layer.id,
        ),
        What::Line(line) => (
            gpx::line_name(line),
            match line.heading {
                Heading::In => LINE_STYLES[0].0,
                Heading::Out => LINE_STYLES[1].0,
                Heading::Around => LINE_STYLES[2].0,
            },
        ),
        What::Section(section) => (
            format!(
                "{}-{}.{} {}",
                section.id.part, section.id.strip_no, section.id.piece, section.section_no
            ),
            layer.id,
        ),
        What::Corridor(corridor) => (
            format!("{}-{}", corridor.part, corridor.corridor_no),
            layer.id,
        ),
        What::Unworked(piece) => (piece.reason.key().to_owned(), layer.id),
        What::Setting(part) => (part.part.to_string(), layer.id),
        What::Outlet(part) => {
            let name = part.outlet.as_ref().map_or("", |outlet| &outlet.name);
            (name.to_owned(), layer.id)
        }
        What::Trail(trail) => (format!("{}: {:.0}", trail.part, trail.loads), layer.id),
        What::PowerLine(note) => (note.label(), layer.id),
        What::People(note) => (note.label(), layer.id),
        What::Window(note) => (
            format!("{}: {}", note.label(), note.days.written()),
            layer.id,
        ),
        What::Deck(deck) => (format!("{:.0} m³", deck.volume_m3), layer.id),
        What::Note(note) => (format!("{} {}", note.kind, note.id), layer.id),
    };
    let _ = write!(
        out,
        "<Placemark><name>{}</name><styleUrl>#{style}</styleUrl><ExtendedData>",
        escape(&name)
    );
    let attributes = LAYERS[row.layer()].attributes.iter();
    for (attribute, value) in attributes.zip(row.values(plan, reasons)) {
        let value = match value {
            Value::Text("") | Value::Maybe(None) => continue,
            Value::Text(text) => escape(text),
            Value::Whole(value) => value.to_string(),
            Value::Number(value) | Value::Maybe(Some(value)) => format!("{value:.4}"),
        };
        let _ = write!(
            out,
            "<Data name=\"{}\"><value>{value}</value></Data>",
            attribute.name
        );
    }
    out.push_str("</ExtendedData>");
    geometry(out, &row.shape);
    out.push_str("</Placemark>\n");
}

fn geometry(out: &mut String, shape: &Geometry) {
    if let Geometry::Point(at) = shape {
        out.push_str("<Point>");
        coordinates(out, &[at.0]);
        out.push_str("</Point>");
        return;
    }
    if let Geometry::LineString(line) = shape {
        out.push_str("<LineString><tessellate>1</tessellate>");
        coordinates(out, &line.0);
        out.push_str("</LineString>");
        return;
    }
    let all = polygons(shape);
    if all.len() != 1 {
        out.push_str("<MultiGeometry>");
    }
    for shape in all {
        polygon(out, shape);
    }
    if all.len() != 1 {
        out.push_str("</MultiGeometry>");
    }
}

fn polygon(out: &mut String, polygon: &Polygon) {
    out.push_str("<Polygon><outerBoundaryIs><LinearRing>");
    coordinates(out, &polygon.exterior().0);
    out.push_str("</LinearRing></outerBoundaryIs>");
    for hole in polygon.interiors() {
        out.push_str("<innerBoundaryIs><LinearRing>");
        coordinates(out, &hole.0);
        out.push_str("</LinearRing></innerBoundaryIs>");
    }
    out.push_str("</Polygon>");
}

fn coordinates(out: &mut String, points: &[Coord]) {
    out.push_str("<coordinates>");
    for (index, point) in points.iter().enumerate() {
        if index > 0 {
            out.push(' ');
        }
        out.push_str(&degrees(point.x));
        out.push(',');
        out.push_str(&degrees(point.y));
    }
    out.push_str("</coordinates>");
}

/// The outlines of all blocks, coloured by status.
pub struct Overview {
    path: PathBuf,
    file: BufWriter<File>,
}

const STATUS_STYLES: [(BlockStatus, &str); 3] = [
    (BlockStatus::Ok, style::GREEN),
    (BlockStatus::Warn, style::ORANGE),
    (BlockStatus::Fail, style::VERMILLION),
];

impl Overview {
    pub fn create(path: &Path, title: &str, words: &Words) -> Result<Overview, OutputError> {
        let file = File::create(path).map_err(OutputError::file(path, "create the file"))?;
        let mut overview = Overview {
            path: path.to_owned(),
            file: BufWriter::with_capacity(1 << 16, file),
        };
        let mut head = format!("{HEAD}<name>{}</name>\n", escape(title));
        for (status, colour) in STATUS_STYLES {
            let colour = Rgb::parse(colour);
            let _ = writeln!(
                head,
                "<Style id=\"{}\"><LineStyle><color>{}</color><width>2</width></LineStyle>\
                 <PolyStyle><color>{}</color></PolyStyle></Style>",
                status.key(),
                colour_text(colour, 1.0),
                colour_text(colour, 0.25)
            );
        }
        let _ = writeln!(head, "<Folder><name>{}</name>", escape(words.blocks));
        overview.write(&head)?;
        Ok(overview)
    }

    fn write(&mut self, text: &str) -> Result<(), OutputError> {
        self.file
            .write_all(text.as_bytes())
            .map_err(OutputError::file(&self.path, "write the file"))
    }

    pub fn block(&mut self, plan: &BlockPlan, rows: &[Located<'_>]) -> Result<(), OutputError> {
        let mut text = String::new();
        let mut reasons = String::new();
        let layer = Layer {
            id: plan.status.key(),
            name: |_| "",
            ground: style::BLOCK,
            holds: |_| true,
        };
        for row in rows.iter().filter(|row| matches!(row.what, What::Block)) {
            placemark(&mut text, plan, row, &layer, &mut reasons);
        }
        self.write(&text)
    }

    pub fn close(mut self) -> Result<(), OutputError> {
        self.write("</Folder>\n")?;
        self.write(TAIL)?;
        self.file
            .flush()
            .map_err(OutputError::file(&self.path, "write the file"))
    }
}
