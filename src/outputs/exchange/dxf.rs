//! A drawing (DXF) through GDAL: outlines as polylines on layers by kind, in metres of the
//! work CRS, with numbers at the strips and the block's id.

use std::fs::File;
use std::io::{self, BufRead, BufReader, BufWriter, Write};
use std::path::{Path, PathBuf};

use gdal::spatial_ref::SpatialRef;
use gdal::vector::{Defn, Feature, Geometry, LayerOptions, OGRwkbGeometryType};
use gdal::{Dataset, DriverManager};
use geo::{Coord, LineString, MultiPolygon, Polygon};

use super::shapefile::gdal_error;
use crate::geometry::wkb;
use crate::model::{
    BlockPlan, GroundFrame, Heading, OutletNote, ShiftClass, StripKind, UnworkedReason, ZoneKind,
    shown,
};
use crate::outputs::OutputError;
use crate::outputs::layers;
use crate::outputs::{signs, style};
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

    fn add(&mut self, layer: &str, colour: &str, line: Shape<'_>) -> Result<(), OutputError> {
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
                format!("LABEL(t:\"{}\",s:{height}g,p:5,c:{colour})", plain(text)),
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
        layer: &str,
        colour: &str,
        polygons: impl IntoIterator<Item = &'p Polygon>,
        frame: &GroundFrame,
    ) -> Result<(), OutputError> {
        for polygon in polygons {
            for ring in std::iter::once(polygon.exterior()).chain(polygon.interiors()) {
                self.add(layer, colour, Shape::Line(ring, frame))?;
            }
        }
        Ok(())
    }

    pub fn block(&mut self, plan: &BlockPlan) -> Result<(), OutputError> {
        let frame = &plan.frame;
        self.rings("block", style::BLACK, &plan.shape, frame)?;
        if let Some(place) = middle(&plan.shape) {
            let place = frame.leave(place);
            self.add(
                "block_id",
                style::BLACK,
                Shape::Label(place, BLOCK_TEXT_M / frame.unit_m(), &plan.id),
            )?;
        }
        for (shape, kind, _) in layers::zones(plan) {
            let colour = match kind {
                ZoneKind::Reserve => style::BLUE,
                ZoneKind::Management => style::SKY_BLUE,
                ZoneKind::RetainedBand => style::GREEN,
                ZoneKind::MachineExclusion => style::VERMILLION,
                ZoneKind::RoadClearing | ZoneKind::RoadBand => style::GREY_MIDDLE,
                ZoneKind::Hazard => style::PURPLE,
                ZoneKind::LimitOfApproach => style::ORANGE,
                ZoneKind::MayBeWet => style::SKY_BLUE,
                ZoneKind::Crossing => style::GREY_DARK,
            };
            self.rings(kind.key(), colour, shape, frame)?;
        }
        for note in &plan.power_lines {
            let lines = note.lines().into_iter().filter(|line| line.0.len() >= 2);
            for line in lines {
                self.add("power_line", style::BLACK, Shape::Line(line, frame))?;
                if let Some(start) = line.0.first() {
                    let height = STRIP_TEXT_M / frame.unit_m();
                    let label = Shape::Label(frame.leave(*start), height, &note.label());
                    self.add("power_line_id", style::BLACK, label)?;
                }
            }
        }
        for note in &plan.people {
            let layer = match note.said {
                true => "people",
                false => "people_unknown",
            };
            let lines = note.lines().into_iter().filter(|line| line.0.len() >= 2);
            for line in lines {
                self.add(layer, style::VERMILLION, Shape::Line(line, frame))?;
            }
            let starts = note.lines().into_iter().filter_map(|line| line.0.first());
            for place in note.places().into_iter().chain(starts.copied()) {
                let height = STRIP_TEXT_M / frame.unit_m();
                let text = note.label();
                let label = Shape::Label(frame.leave(place), height, &text);
                self.add(layer, style::VERMILLION, label)?;
            }
        }
        for note in plan.windows.iter().filter(|note| note.is_drawn()) {
            self.rings("window", style::BROWN, &note.shape, frame)?;
            if let Some(at) = signs::middle(&note.shape) {
                let height = STRIP_TEXT_M / frame.unit_m();
                let text = format!("{}: {}", note.label(), note.days.written());
                let label = Shape::Label(frame.leave(at), height, &text);
                self.add("window", style::BROWN, label)?;
            }
        }
        for corridor in &plan.corridors {
            self.rings("corridor", style::GREEN, [&corridor.shape], frame)?;
        }
        for section in &plan.sections {
            let (layer, colour) = match section.shift_class {
                ShiftClass::DayOnly => ("day_only", style::ORANGE),
                ShiftClass::NightSafe => ("night_safe", style::GREY_DARK),
            };
            self.rings(layer, colour, &section.shape, frame)?;
        }
        for piece in &plan.unworked {
            let (layer, colour) = match piece.reason {
                UnworkedReason::CutBefore => ("cut_before", style::GREY_MIDDLE),
                _ => ("unworked", style::VERMILLION),
            };
            self.rings(layer, colour, [&piece.shape], frame)?;
        }
        for part in &plan.parts {
            self.rings("setting", style::BLACK, &part.shape.0, frame)?;
            for edge in part.outlet.iter().flat_map(OutletNote::edges) {
                self.add("outlet", style::ORANGE, Shape::Line(edge, frame))?;
            }
        }
        for trail in plan.trails.iter().filter(|trail| trail.shape.0.len() >= 2) {
            self.add(
                "skid_trail",
                style::GREY_DARK,
                Shape::Line(&trail.shape, frame),
            )?;
        }
        for deck in &plan.decks {
            let place = frame.leave(deck.place.into());
            let text = format!("{:.0} m3", deck.volume_m3);
            self.add(
                "deck",
                style::BLACK,
                Shape::Label(place, STRIP_TEXT_M / frame.unit_m(), &text),
            )?;
        }
        for line in signs::note_lines(plan) {
            self.add("note", style::PURPLE, Shape::Line(line, frame))?;
        }
        for note in &plan.notes {
            let Some(place) = signs::note_place(note) else {
                continue;
            };
            let text = format!("{} {}", note.kind, note.id);
            let height = STRIP_TEXT_M / frame.unit_m();
            let label = Shape::Label(frame.leave(place), height, &text);
            self.add("note", style::PURPLE, label)?;
        }
        for line in plan.lines.iter().filter(|line| line.shape.0.len() >= 2) {
            let (layer, colour) = match line.heading {
                Heading::In => ("strip_in", style::BLUE),
                Heading::Out => ("strip_out", style::VERMILLION),
                Heading::Around => ("strip_around", style::PURPLE),
            };
            self.add(layer, colour, Shape::Line(&line.shape, frame))?;
            if let (StripKind::Interior, Some(start)) = (line.kind, line.shape.0.first()) {
                let label = format!("{}:{}-{}", line.order, line.id.part, line.id.strip_no);
                let place = frame.leave(*start);
                self.add(
                    "strip_no",
                    colour,
                    Shape::Label(place, STRIP_TEXT_M / frame.unit_m(), &label),
                )?;
            }
        }
        Ok(())
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
    Label(Coord, f64, &'s str),
}

fn middle(shape: &MultiPolygon) -> Option<Coord> {
    use geo::InteriorPoint;
    shape.interior_point().map(|point| point.0)
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
