//! KML 2.3: a document a block with folders and shared styles, and an overview of the outlines of all blocks.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use geo::{Coord, Geometry, Polygon};

use super::gpx;
use super::rows::{LAYERS, Located, What, degrees, polygons};
use super::words::Words;
use crate::model::{BlockPlan, BlockStatus, CorridorName, SectionKey};
use crate::outputs::OutputError;
use crate::outputs::gpkg::Value;
use crate::outputs::map::svg::escape;
use crate::outputs::style::{self, Ink, Kind, Rgb, Theme};
use crate::outputs::text;

const HEAD: &str = "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n\
    <kml xmlns=\"http://www.opengis.net/kml/2.2\" version=\"2.3\">\n<Document>\n";
const TAIL: &str = "</Document>\n</kml>\n";

/// What something is drawn as.
fn kind_of(what: What<'_>) -> Kind {
    match what {
        What::Block => Kind::Block,
        What::Zone(kind, _) => kind.into(),
        What::Section(section) => section.shift_class.into(),
        What::Corridor(_) => Kind::Corridor,
        What::Unworked(piece) => piece.reason.into(),
        What::Setting(_) => Kind::Setting,
        What::Outlet(_) => Kind::Outlet,
        What::Trail(_) => Kind::SkidTrail,
        What::Deck(_) => Kind::Deck,
        What::Window(_) => Kind::Window,
        What::People(note) if note.said => Kind::People,
        What::People(_) => Kind::PeopleUnknown,
        What::PowerLine(_) => Kind::PowerLine,
        What::Note(_) => Kind::Note,
        What::Line(line) => line.heading.into(),
    }
}

/// The document of one block.
pub fn document(plan: &BlockPlan, rows: &[Located<'_>], title: &str, words: &Words) -> String {
    let mut out = String::with_capacity(1 << 16);
    out.push_str(HEAD);
    let name = text::fill(words.map.sheet, &[title, &plan.id]);
    // Writing to a String cannot fail.
    let _ = writeln!(out, "<name>{}</name>", escape(&name));
    let mut folders: BTreeMap<Kind, Vec<&Located<'_>>> = BTreeMap::new();
    for row in rows {
        let kind = match kind_of(row.what) {
            // Strips stand in one folder, in the order of work.
            Kind::StripOut | Kind::StripAround => Kind::StripIn,
            kind => kind,
        };
        folders.entry(kind).or_default().push(row);
    }
    let drawn: BTreeSet<Kind> = rows.iter().map(|row| kind_of(row.what)).collect();
    for kind in drawn {
        ground_style(&mut out, kind);
    }
    let mut reasons = String::new();
    // Strips come last, as what is looked for most.
    let strips = folders.remove_entry(&Kind::StripIn);
    for (kind, rows) in folders.into_iter().chain(strips) {
        let name = match kind {
            Kind::StripIn => words.strips,
            _ => kind.word(words.map.language),
        };
        let _ = writeln!(out, "<Folder><name>{}</name>", escape(name));
        for row in rows {
            placemark(&mut out, plan, row, kind_of(row.what).key(), &mut reasons);
        }
        out.push_str("</Folder>\n");
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

fn ground_style(out: &mut String, kind: Kind) {
    let look = kind.look();
    let rgb = |ink: Ink| ink.rgb(Theme::Light);
    let _ = write!(out, "<Style id=\"{}\">", kind.key());
    if let Some(line) = look.line {
        let _ = write!(
            out,
            "<LineStyle><color>{}</color><width>{}</width></LineStyle>",
            // KML knows no rim: an outlet is as dark as its own.
            colour_text(rgb(kind.ink()), 1.0),
            line.width
        );
    }
    // KML has no hatches: ground that has nothing else gets a thin veil of its hatch's colour.
    let veil = look.hatch.map(|hatch| (hatch.ink(), 0.25));
    let _ = match look.fill.or(veil) {
        Some((ink, cover)) => writeln!(
            out,
            "<PolyStyle><color>{}</color></PolyStyle></Style>",
            colour_text(rgb(ink), cover)
        ),
        None => writeln!(out, "<PolyStyle><fill>0</fill></PolyStyle></Style>"),
    };
}

fn placemark(
    out: &mut String,
    plan: &BlockPlan,
    row: &Located<'_>,
    style: &str,
    reasons: &mut String,
) {
    let name = match row.what {
        What::Block => plan.id.clone(),
        What::Zone(_, zone) => zone.map_or_else(String::new, |zone| {
            format!("{} {}", zone.class, zone.source_id)
                .trim()
                .to_owned()
        }),
        What::Line(line) => gpx::line_name(line),
        What::Section(section) => SectionKey::of(section.id, section.section_no).to_string(),
        What::Corridor(corridor) => CorridorName(corridor.part, corridor.corridor_no).to_string(),
        What::Unworked(piece) => piece.reason.key().to_owned(),
        What::Setting(part) => part.part.to_string(),
        What::Outlet(part) => {
            let name = part.outlet.as_ref().map_or("", |outlet| &outlet.name);
            name.to_owned()
        }
        What::Trail(trail) => format!("{}: {:.0}", trail.part, trail.loads),
        What::PowerLine(note) => note.label(),
        What::People(note) => note.label(),
        What::Window(note) => format!("{}: {}", note.label(), note.days.written()),
        What::Deck(deck) => format!("{:.0} m³", deck.volume_m3),
        What::Note(note) => format!("{} {}", note.kind, note.id),
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

const STATUSES: [BlockStatus; 3] = [BlockStatus::Ok, BlockStatus::Warn, BlockStatus::Fail];

impl Overview {
    pub fn create(path: &Path, title: &str, words: &Words) -> Result<Overview, OutputError> {
        let file = File::create(path).map_err(OutputError::file(path, "create the file"))?;
        let mut overview = Overview {
            path: path.to_owned(),
            file: BufWriter::with_capacity(1 << 16, file),
        };
        let mut head = format!("{HEAD}<name>{}</name>\n", escape(title));
        for status in STATUSES {
            let colour = Rgb::parse(style::status_sign(status)[0]);
            let _ = writeln!(
                head,
                "<Style id=\"{}\"><LineStyle><color>{}</color><width>2</width></LineStyle>\
                 <PolyStyle><color>{}</color></PolyStyle></Style>",
                status.key(),
                colour_text(Ink::Words.rgb(Theme::Light), 1.0),
                colour_text(colour, 0.5)
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
        for row in rows.iter().filter(|row| matches!(row.what, What::Block)) {
            placemark(&mut text, plan, row, plan.status.key(), &mut reasons);
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
