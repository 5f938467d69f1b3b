//! A drawing (DXF) through GDAL: outlines as polylines on layers by kind, in metres of the
//! work CRS, with numbers at the strips and the block's id.

use std::fs::File;
use std::io::{self, BufRead, BufReader, BufWriter, Write};
use std::path::{Path, PathBuf};

use gdal::spatial_ref::SpatialRef;
use gdal::vector::{Defn, Feature, Geometry, LayerOptions, OGRwkbGeometryType};
use gdal::{Dataset, DriverManager};
use geo::{Coord, LineString, Polygon};

use super::shapefile::gdal_error;
use crate::geometry::area::rings;
use crate::geometry::wkb;
use crate::model::{BlockPlan, GroundFrame, OutletNote, StripKind, StripName, shown};
use crate::outputs::OutputError;
use crate::outputs::layers;
use crate::outputs::signs;
use crate::outputs::style::{Kind, Theme};
use crate::sources::crs::plane_of;
use crate::units::FOOT_M;

/// The foot of older United States surveys, exact by definition.
const SURVEY_FOOT_M: f64 = 1200.0 / 3937.0;
/// Height of letters, metres on the ground.
const STRIP_TEXT_M: f64 = 5.0;
const BLOCK_TEXT_M: f64 = 15.0;

pub struct Drawing {
    path: PathBuf,
    dataset: Dataset,
    /// Numbers of [`UNITS`].
    units: [u8; 2],
}

impl Drawing {
    /// # Errors
    /// What GDAL says.
    pub fn create(path: &Path, srs: &SpatialRef) -> Result<Drawing, OutputError> {
        let failed = |source: gdal::errors::GdalError| gdal_error(path, "create", &source);
        let driver = DriverManager::get_driver_by_name("DXF").map_err(failed)?;
        let mut dataset = driver.create_vector_only(path).map_err(failed)?;
        dataset
            .create_layer(LayerOptions {
                name: "entities",
                srs: Some(srs),
                ty: OGRwkbGeometryType::wkbUnknown,
                options: None,
            })
            .map_err(failed)?;
        let of_a_metre = |metres: f64| (plane_of(srs).unit_m() - metres).abs() < 1e-9;
        let units = match (
            of_a_metre(1.0),
            of_a_metre(FOOT_M),
            of_a_metre(SURVEY_FOOT_M),
        ) {
            (true, ..) => [6, 1],
            (_, true, _) => [2, 0],
            (.., true) => [21, 0],
            _ => [0, 1],
        };
        Ok(Drawing {
            path: path.to_owned(),
            dataset,
            units,
        })
    }

    fn add(&mut self, layer: &str, kind: Kind, line: Shape<'_>) -> Result<(), OutputError> {
        let colour = kind.ink().colour(Theme::Light);
        let failed = |source: gdal::errors::GdalError| gdal_error(&self.path, layer, &source);
        let into = self.dataset.layer(0).map_err(failed)?;
        let definition = Defn::from_layer(&into);
        let mut feature = Feature::new(&definition).map_err(failed)?;
        let index = definition.field_index("Layer").map_err(failed)?;
        feature.set_field_string(index, layer).map_err(failed)?;
        let (bytes, tool) = match line {
            Shape::Line(line, frame) => (
                wkb::write_line(&frame.leave_line(line), [0.0; 2]),
                format!("PEN(c:{colour})"),
            ),
            Shape::Label(place, height, text) => (
                wkb::write(&geo::Geometry::Point(place.into()), [0.0; 2]),
                format!("LABEL(t:\"{}\",s:{height}g,p:5,c:{colour})", plain(&text)),
            ),
        };
        feature
            .set_geometry(Geometry::from_wkb(&bytes).map_err(failed)?)
            .map_err(failed)?;
        gdal_calls::features::set_style(&mut feature, &tool);
        feature.create(&into).map_err(failed)
    }

    fn rings<'p>(
        &mut self,
        kind: Kind,
        polygons: impl IntoIterator<Item = &'p Polygon>,
        frame: &GroundFrame,
    ) -> Result<(), OutputError> {
        for polygon in polygons {
            for ring in rings(polygon) {
                self.add(kind.key(), kind, Shape::Line(ring, frame))?;
            }
        }
        Ok(())
    }

    pub fn block(&mut self, plan: &BlockPlan) -> Result<(), OutputError> {
        let frame = &plan.frame;
        self.rings(Kind::Block, &plan.shape, frame)?;
        if let Some(place) = signs::middle(&plan.shape) {
            let label = self.label(frame, place, BLOCK_TEXT_M, &plan.id);
            self.add("block_id", Kind::Block, label)?;
        }
        for (shape, kind, _) in layers::zones(plan) {
            self.rings(kind.into(), shape, frame)?;
        }
        for note in &plan.power_lines {
            self.lines(Kind::PowerLine, note.lines(), frame)?;
            let starts = note.lines().into_iter().filter_map(|line| line.0.first());
            for start in starts {
                let label = self.label(frame, *start, STRIP_TEXT_M, &note.label());
                self.add("power_line_id", Kind::PowerLine, label)?;
            }
        }
        for note in &plan.people {
            let kind = match note.said {
                true => Kind::People,
                false => Kind::PeopleUnknown,
            };
            self.lines(kind, note.lines(), frame)?;
            let starts = note.lines().into_iter().filter_map(|line| line.0.first());
            for place in note.places().into_iter().chain(starts.copied()) {
                self.named(kind, frame, place, &note.label())?;
            }
        }
        for note in plan.windows.iter().filter(|note| note.is_drawn()) {
            self.rings(Kind::Window, &note.shape, frame)?;
            if let Some(at) = signs::middle(&note.shape) {
                let text = format!("{}: {}", note.label(), note.days.written());
                self.named(Kind::Window, frame, at, &text)?;
            }
        }
        for corridor in &plan.corridors {
            self.rings(Kind::Corridor, [&corridor.shape], frame)?;
        }
        for section in &plan.sections {
            self.rings(section.shift_class.into(), &section.shape, frame)?;
        }
        for piece in &plan.unworked {
            self.rings(piece.reason.into(), [&piece.shape], frame)?;
        }
        for part in &plan.parts {
            self.rings(Kind::Setting, &part.shape.0, frame)?;
            self.lines(
                Kind::Outlet,
                part.outlet.iter().flat_map(OutletNote::edges),
                frame,
            )?;
        }
        let trails = plan.trails.iter().map(|trail| &trail.shape);
        self.lines(Kind::SkidTrail, trails, frame)?;
        for deck in &plan.decks {
            let text = format!("{:.0} m3", deck.volume_m3);
            self.named(Kind::Deck, frame, deck.place.into(), &text)?;
        }
        self.lines(Kind::Note, signs::note_lines(plan), frame)?;
        for note in &plan.notes {
            if let Some(place) = signs::note_place(note) {
                let text = format!("{} {}", note.kind, note.id);
                self.named(Kind::Note, frame, place, &text)?;
            }
        }
        for line in &plan.lines {
            let kind = line.heading.into();
            self.lines(kind, [&line.shape], frame)?;
            let start = line.shape.0.first().filter(|_| line.shape.0.len() >= 2);
            if let (StripKind::Interior, Some(start)) = (line.kind, start) {
                let strip = StripName(line.id.part, line.id.strip_no);
                let text = format!("{}: {strip}", line.order);
                let label = self.label(frame, *start, STRIP_TEXT_M, &text);
                self.add("strip_no", kind, label)?;
            }
        }
        Ok(())
    }

    fn lines<'l>(
        &mut self,
        kind: Kind,
        lines: impl IntoIterator<Item = &'l LineString>,
        frame: &GroundFrame,
    ) -> Result<(), OutputError> {
        for line in lines.into_iter().filter(|line| line.0.len() >= 2) {
            self.add(kind.key(), kind, Shape::Line(line, frame))?;
        }
        Ok(())
    }

    /// Words on the kind's own layer.
    fn named(
        &mut self,
        kind: Kind,
        frame: &GroundFrame,
        place: Coord,
        text: &str,
    ) -> Result<(), OutputError> {
        let label = self.label(frame, place, STRIP_TEXT_M, text);
        self.add(kind.key(), kind, label)
    }

    fn label<'s>(&self, frame: &GroundFrame, place: Coord, height_m: f64, text: &str) -> Shape<'s> {
        Shape::Label(
            frame.leave(place),
            height_m / frame.unit_m(),
            text.to_owned(),
        )
    }

    pub fn close(self) -> Result<(), OutputError> {
        self.dataset
            .close()
            .map_err(|source| gdal_error(&self.path, "close", &source))?;
        corrected(&self.path, self.units).map_err(OutputError::file(&self.path, "write the file"))
    }
}

/// Variables of GDAL's header that came with R2004.
const LATER: [&str; 11] = [
    "$SORTENTS",
    "$INDEXCTL",
    "$HIDETEXT",
    "$XCLIPFRAME",
    "$HALOGAP",
    "$OBSCOLOR",
    "$OBSLTYPE",
    "$INTERSECTIONDISPLAY",
    "$INTERSECTIONCOLOR",
    "$DIMASSOC",
    "$PROJECTNAME",
];

/// Variables that GDAL's header has for a drawing in inches: the unit of a block that is inserted elsewhere (6: metres, 2:
/// feet, 21: feet of older United States surveys, 0: none of these), and whether hatches and line types are metric (1).
const UNITS: [&str; 2] = ["$INSUNITS", "$MEASUREMENT"];

/// GDAL says R2004 (AC1018) and inches in the header of a drawing that has nothing but tables, polylines and texts of R2000:
/// this makes it say R2000 (AC1015), which older programs read too, and its own unit.
fn corrected(path: &Path, units: [u8; 2]) -> io::Result<()> {
    let other = path.with_extension("dxf-corrected");
    let mut from = BufReader::new(File::open(path)?);
    let mut to = BufWriter::new(File::create(&other)?);
    // Lines come in pairs: a code, and a value.
    let mut pair = [String::new(), String::new()];
    let mut kept = true;
    loop {
        for line in &mut pair {
            line.clear();
            from.read_line(line)?;
        }
        let [code, value] = &pair;
        let (code, named) = (code.trim(), value.trim());
        if code == "9" {
            kept = !LATER.contains(&named) && !UNITS.contains(&named);
        }
        let last = code.is_empty() || named == "ENDSEC";
        if named == "ENDSEC" {
            for (name, value) in UNITS.into_iter().zip(units) {
                write!(to, "  9\n{name}\n 70\n{value:>6}\n")?;
            }
        }
        if kept || last {
            to.write_all(pair[0].as_bytes())?;
            to.write_all(value.replace("AC1018", "AC1015").as_bytes())?;
        }
        if last {
            break;
        }
    }
    io::copy(&mut from, &mut to)?;
    to.flush()?;
    std::fs::rename(&other, path)
}

enum Shape<'s> {
    /// In a block's frame.
    Line(&'s LineString, &'s GroundFrame),
    Label(Coord, f64, String),
}

/// Text that can neither end a style string nor be read as a control code of the drawing.
fn plain(text: &str) -> String {
    text.chars()
        .map(|letter| match letter {
            '"' | '\\' | '%' | '^' | '{' | '}' | '|' => '_',
            _ if shown::steers(letter) => '_',
            _ => letter,
        })
        .collect()
}
