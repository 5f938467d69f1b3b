//! Writes the district as a GeoPackage with a project file beside it.

use std::path::{Path, PathBuf};

use gdal::spatial_ref::SpatialRef;
use gdal::vector::{
    Defn, Feature, Geometry as Written, LayerAccess, LayerOptions, OGRFieldType, OGRwkbGeometryType,
};
use gdal::{Dataset, DriverManager};
use geo::{
    Area, Contains, Coord, Geometry, InteriorPoint, LineString, MinimumRotatedRect, Point, Polygon,
};

use super::blocks::DemoBlock;
use super::broken::{Broken, BrokenFeature, features};
use super::district::{Scenery, Taker, grow};
use super::elevation::{self, Extent};
use super::notes::Notes;
use super::project_file;
use super::stand_table;
use super::terrain::Terrain;
use crate::geometry::wkb;
use crate::model::DANGER_TREE;
use crate::units::hectares;

/// Where the district lies in EPSG:32616: its middle is on the central meridian, where the scale is 0.9996.
const MIDDLE: [f64; 2] = [500_000.0, 5_400_000.0];
const MOST_BLOCKS: usize = 100_000;

/// How large a district, and which.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DemoOptions {
    /// Good blocks, 1..=100 000; the broken ones come on top.
    pub blocks: usize,
    pub seed: u64,
}

/// What was written.
#[derive(Clone, Debug, PartialEq)]
pub struct DemoReport {
    pub layers: PathBuf,
    /// The elevation raster.
    pub elevation: PathBuf,
    pub project: PathBuf,
    /// A crew to dispatch.
    pub crew: PathBuf,
    /// Good blocks.
    pub blocks: usize,
    /// Features of each layer, the broken ones included.
    pub features: Vec<(&'static str, u64)>,
    /// What was broken on purpose.
    pub broken: Vec<BrokenFeature>,
}

#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    #[error("a district has 1 to {MOST_BLOCKS} blocks, but {0} were asked for")]
    BlockCount(usize),
    #[error("{}: {source}\n  hint: name a folder that can be written to", path.display())]
    File {
        path: PathBuf,
        source: std::io::Error,
    },
    #[error("{}, layer {layer}: {source}\n  hint: see that the disk has room and GDAL its GPKG driver", path.display())]
    Gdal {
        path: PathBuf,
        layer: &'static str,
        source: gdal::errors::GdalError,
    },
    #[error("{}: {source}\n  hint: see that the disk has room and GDAL its GTiff driver", path.display())]
    Raster {
        path: PathBuf,
        source: gdal::errors::GdalError,
    },
}

#[derive(Clone, Copy)]
enum Value<'a> {
    Text(&'a str),
    Number(f64),
    Null,
}

struct Schema {
    name: &'static str,
    geometry: OGRwkbGeometryType::Type,
    fields: &'static [(&'static str, OGRFieldType::Type)],
    /// Leads the ids of the layer.
    mark: &'static str,
}

const TEXT: OGRFieldType::Type = OGRFieldType::OFTString;
const REAL: OGRFieldType::Type = OGRFieldType::OFTReal;
const LINES: OGRwkbGeometryType::Type = OGRwkbGeometryType::wkbLineString;
const AREAS: OGRwkbGeometryType::Type = OGRwkbGeometryType::wkbPolygon;

#[derive(Clone, Copy)]
enum Layer {
    Blocks,
    Streams,
    Banks,
    Lakes,
    Wetlands,
    Roads,
    Landings,
    Crossings,
    Protected,
    Brush,
    SoftGround,
    Hazards,
    Stands,
    Retain,
    PowerLines,
    StripLines,
}

#[rustfmt::skip]
const SCHEMAS: [Schema; 16] = [
    Schema { name: "blocks", geometry: OGRwkbGeometryType::wkbMultiPolygon, mark: "D07", fields: &[("BLOCK", TEXT), ("AZIMUTH", REAL)] },
    Schema { name: "streams", geometry: LINES, mark: "ST", fields: &[("STREAM_ID", TEXT), ("CLASS", TEXT), ("WIDTH_M", REAL), ("FISH", TEXT)] },
    Schema { name: "stream_banks", geometry: AREAS, mark: "RB", fields: &[("BANK_ID", TEXT), ("CLASS", TEXT), ("FISH", TEXT)] },
    Schema { name: "lakes", geometry: AREAS, mark: "LK", fields: &[("LAKE_ID", TEXT), ("CLASS", TEXT), ("AREA_HA", REAL)] },
    Schema { name: "wetlands", geometry: AREAS, mark: "WT", fields: &[("WETLAND_ID", TEXT), ("CLASS", TEXT), ("AREA_HA", REAL)] },
    Schema { name: "roads", geometry: LINES, mark: "RD", fields: &[("ROAD_ID", TEXT), ("KIND", TEXT), ("ROAD_WIDTH", REAL), ("CLEARED_M", REAL), ("OTHERS", TEXT)] },
    Schema { name: "landings", geometry: AREAS, mark: "LD", fields: &[("LANDING_ID", TEXT)] },
    Schema { name: "crossings", geometry: OGRwkbGeometryType::wkbPoint, mark: "CX", fields: &[("CROSSING_ID", TEXT), ("KIND", TEXT)] },
    Schema { name: "protected", geometry: AREAS, mark: "PA", fields: &[("AREA_ID", TEXT), ("KIND", TEXT)] },
    Schema { name: "brush", geometry: AREAS, mark: "BR", fields: &[("BRUSH_ID", TEXT)] },
    Schema { name: "soft_ground", geometry: AREAS, mark: "SG", fields: &[("SOFT_ID", TEXT), ("SEASON", TEXT)] },
    Schema { name: "hazards", geometry: LINES, mark: "HZ", fields: &[("HAZARD_ID", TEXT), ("KIND", TEXT)] },
    Schema { name: "stands", geometry: AREAS, mark: "SD", fields: &[("STAND_ID", TEXT), ("STEMS_HA", REAL), ("TREE_M3", REAL), ("HEIGHT_M", REAL)] },
    Schema { name: "retain", geometry: OGRwkbGeometryType::wkbPoint, mark: "KP", fields: &[("KEEP_ID", TEXT), ("KIND", TEXT), ("ACROSS_M", REAL), ("COUNTS", TEXT)] },
    Schema { name: "power_lines", geometry: LINES, mark: "PL", fields: &[("LINE_ID", TEXT), ("KIND", TEXT), ("VOLTAGE", TEXT), ("WIRE_M", REAL)] },
    Schema { name: "strip_lines", geometry: LINES, mark: "SL", fields: &[("LINE_ID", TEXT), ("FIRST", REAL)] },
];

struct Writer<'a> {
    dataset: &'a Dataset,
    definitions: Vec<Defn>,
    path: &'a Path,
    written: [u64; SCHEMAS.len()],
    east: f64,
    extent: Extent,
    terrain: Terrain,
    stand_table: String,
    notes: Notes,
}

impl Writer<'_> {
    fn add(&mut self, layer: Layer, shape: &Geometry, values: &[Value]) -> Result<(), DemoError> {
        let count = self.written[layer as usize] + 1;
        let id = id_of(layer as usize, count);
        self.put(layer as usize, Some(shape), &id, values)
    }

    fn put(
        &mut self,
        at: usize,
        shape: Option<&Geometry>,
        id: &str,
        values: &[Value],
    ) -> Result<(), DemoError> {
        let write = || -> gdal::errors::Result<()> {
            let layer = self.dataset.layer(at)?;
            let mut feature = Feature::new(&self.definitions[at])?;
            if let Some(shape) = shape {
                feature.set_geometry(Written::from_wkb(&wkb::write(shape, MIDDLE))?)?;
            }
            feature.set_field_string(0, id)?;
            for (field, value) in (1..).zip(values) {
                match value {
                    Value::Text(text) => feature.set_field_string(field, text)?,
                    Value::Number(number) => feature.set_field_double(field, *number)?,
                    Value::Null => {}
                }
            }
            feature.create(&layer)
        };
        write().map_err(|source| failed(self.path, SCHEMAS[at].name, source))?;
        self.written[at] += 1;
        Ok(())
    }

    fn area(&mut self, layer: Layer, outline: &Polygon, values: &[Value]) -> Result<(), DemoError> {
        self.add(layer, &Geometry::Polygon(outline.clone()), values)
    }

    fn put_broken(&mut self, broken: &Broken) -> Result<(), DemoError> {
        let shape = broken.geometry.as_ref();
        let id = broken.note.id.as_str();
        match broken.note.layer {
            "streams" => {
                let width = broken.width.map_or(Value::Null, Value::Number);
                let values = [Value::Text(broken.class), width, Value::Text("no")];
                self.put(Layer::Streams as usize, shape, id, &values)
            }
            "lakes" => self.put(
                Layer::Lakes as usize,
                shape,
                id,
                &[Value::Text(broken.class)],
            ),
            _ => self.put(Layer::Blocks as usize, shape, id, &[]),
        }
    }
}

fn id_of(layer: usize, count: u64) -> String {
    format!("{}-{count:04}", SCHEMAS[layer].mark)
}

fn yes_no(yes: bool) -> Value<'static> {
    Value::Text(if yes { "yes" } else { "no" })
}

fn area_ha(polygon: &Polygon) -> Value<'static> {
    Value::Number((hectares(polygon.unsigned_area()) * 100.0).round() / 100.0)
}

/// Every so many blocks one thing is kept in it.
const KEPT_EVERY: u64 = 9;

/// In one of so many blocks that thing is a dangerous tree.
const DANGER_EVERY: u64 = 45;

/// What a planner found in a block that is to stay: a tree with ground around it in some, a den in others, and once in a while a
/// dangerous tree of which nobody judged how far it reaches.
fn kept(block: &DemoBlock, number: u64) -> Option<(&'static str, Coord, Option<f64>)> {
    let at = block.shape.interior_point()?.0;
    match (number % DANGER_EVERY, number % KEPT_EVERY) {
        (31, _) => Some((DANGER_TREE, at, None)),
        (_, 4) => Some(("tree", at, Some(16.0))),
        (_, 7) => Some(("den", at, Some(4.0))),
        _ => None,
    }
}

/// One of so many pieces of soft ground is worked in winter only.
const FROZEN_EVERY: u64 = 41;
const FROZEN_AT: u64 = 7;

/// Every so many blocks lie over a hollow that nobody mapped.
const HOLLOW_EVERY: u64 = 24;

/// The middle of the hollow that some blocks lie over.
fn hollow(block: &DemoBlock, number: u64) -> Option<Coord> {
    let middle = || block.shape.interior_point().map(|point| point.0);
    (number % HOLLOW_EVERY == 15).then(middle).flatten()
}

/// Every so many blocks a planner drew the line of a strip.
const DRAWN_EVERY: u64 = 24;
/// Of a line, its ends stay so far inside the block, m.
const INSIDE_M: f64 = 15.0;

/// The line that a planner drew in some blocks: through the middle, and across the block.
fn drawn(block: &DemoBlock, number: u64) -> Option<LineString> {
    if number % DRAWN_EVERY != 5 || block.azimuth.is_some() {
        return None;
    }
    let at = block.shape.interior_point()?.0;
    let rectangle = MinimumRotatedRect::minimum_rotated_rect(&block.shape)?;
    let sides = rectangle.exterior().0.windows(2).map(|w| w[1] - w[0]);
    let short = sides.min_by(|a, b| a.x.hypot(a.y).total_cmp(&b.x.hypot(b.y)))?;
    let way = short / short.x.hypot(short.y).max(1.0);
    let end = |sign: f64| {
        let steps = (1u32..).map(|step| f64::from(step) * sign);
        let inside = steps.take_while(|&m| {
            block
                .shape
                .contains(&Point(at + way * (m + INSIDE_M * sign)))
        });
        inside.last().map(|m| super::curve::rounded(at + way * m))
    };
    Some(LineString(vec![end(-1.0)?, end(1.0)?]))
}

/// A landing of about 30 m across.
fn landing(at: Coord) -> Polygon {
    let corner = |&(x, y): &(f64, f64)| super::curve::rounded(at + Coord { x, y });
    let corners = [
        (-14.0, -9.0),
        (-6.0, -15.0),
        (12.0, -13.0),
        (17.0, 2.0),
        (9.0, 14.0),
        (-11.0, 12.0),
    ];
    Polygon::new(corners.iter().map(corner).collect(), vec![])
}

impl Taker for Writer<'_> {
    type Error = DemoError;

    fn block(&mut self, block: &DemoBlock) -> Result<(), DemoError> {
        for part in &block.shape {
            let east = part
                .exterior()
                .0
                .iter()
                .map(|at| at.x)
                .fold(self.east, f64::max);
            self.east = east;
        }
        self.extent.add(&block.shape);
        self.notes.block(&block.shape, MIDDLE);
        let shape = Geometry::MultiPolygon(block.shape.clone());
        let azimuth = block.azimuth.map_or(Value::Null, Value::Number);
        self.add(Layer::Blocks, &shape, &[azimuth])?;
        if let Some(spur) = &block.spur {
            let values = [Value::Text("spur"), Value::Number(5.0), Value::Number(12.0)];
            self.add(Layer::Roads, &Geometry::LineString(spur.clone()), &values)?;
        }
        if let Some((kind, at, across_m)) = kept(block, self.written[Layer::Blocks as usize] - 1) {
            let at = Geometry::Point(super::curve::rounded(at).into());
            let values = [
                Value::Text(kind),
                across_m.map_or(Value::Null, Value::Number),
                yes_no(kind == "tree"),
            ];
            self.add(Layer::Retain, &at, &values)?;
        }
        if let Some(middle) = hollow(block, self.written[Layer::Blocks as usize] - 1) {
            self.extent.dig(self.terrain, middle);
        }
        if let Some(line) = drawn(block, self.written[Layer::Blocks as usize] - 1) {
            let line = Geometry::LineString(line);
            self.add(Layer::StripLines, &line, &[Value::Null])?;
        }
        if let Some(at) = block.landing {
            self.area(Layer::Landings, &landing(at), &[])?;
        }
        if let Some(at) = block.crossing {
            let at = Geometry::Point(super::curve::rounded(at).into());
            self.add(Layer::Crossings, &at, &[Value::Text("temporary")])?;
        }
        Ok(())
    }

    fn scenery(&mut self, scenery: &Scenery) -> Result<(), DemoError> {
        for reach in &scenery.reaches {
            let class = Value::Text(reach.class);
            let width = match reach.width_recorded {
                true => Value::Number(reach.width),
                false => Value::Null,
            };
            let line = Geometry::LineString(reach.line.clone());
            self.add(Layer::Streams, &line, &[class, width, yes_no(reach.fish)])?;
            if let Some(banks) = reach.banks() {
                self.area(Layer::Banks, &banks, &[class, yes_no(reach.fish)])?;
            }
        }
        for (layer, ponds) in [
            (Layer::Lakes, &scenery.lakes),
            (Layer::Wetlands, &scenery.wetlands),
        ] {
            for pond in ponds {
                self.area(
                    layer,
                    &pond.outline,
                    &[Value::Text(pond.class), area_ha(&pond.outline)],
                )?;
            }
        }
        for road in &scenery.roads {
            let values = [
                Value::Text(road.kind),
                Value::Number(road.surface),
                Value::Number(road.cleared),
                Value::Text(match road.kind {
                    "public" | "trunk" => "yes",
                    _ => "no",
                }),
            ];
            self.add(
                Layer::Roads,
                &Geometry::LineString(road.line.clone()),
                &values,
            )?;
        }
        for area in &scenery.protected {
            self.area(Layer::Protected, &area.outline, &[Value::Text(area.kind)])?;
        }
        for area in &scenery.brush {
            self.area(Layer::Brush, &area.outline, &[])?;
        }
        for area in &scenery.soft_ground {
            let number = self.written[Layer::SoftGround as usize] + 1;
            let season = match number % FROZEN_EVERY {
                FROZEN_AT => Value::Text("frozen"),
                _ => Value::Null,
            };
            self.area(Layer::SoftGround, &area.outline, &[season])?;
        }
        for hazard in &scenery.hazards {
            let line = Geometry::LineString(hazard.line.clone());
            self.add(Layer::Hazards, &line, &[Value::Text(hazard.kind)])?;
        }
        for line in &scenery.power_lines {
            let values = [
                Value::Text(line.kind),
                Value::Text(line.voltage),
                Value::Number(line.wire_m),
            ];
            let line = Geometry::LineString(line.line.clone());
            self.add(Layer::PowerLines, &line, &values)?;
        }
        for stand in &scenery.stands {
            let values = [
                Value::Number(stand.stems_per_ha),
                Value::Number(stand.tree_m3),
                Value::Number(stand.height_m),
            ];
            let id = id_of(
                Layer::Stands as usize,
                self.written[Layer::Stands as usize] + 1,
            );
            stand_table::add(
                &mut self.stand_table,
                &id,
                stand.stems_per_ha,
                stand.tree_m3,
            );
            self.area(Layer::Stands, &stand.outline, &values)?;
        }
        Ok(())
    }
}

fn failed(path: &Path, layer: &'static str, source: gdal::errors::GdalError) -> DemoError {
    DemoError::Gdal {
        path: path.to_owned(),
        layer,
        source,
    }
}

fn create(path: &Path) -> Result<Dataset, DemoError> {
    let make = || -> gdal::errors::Result<Dataset> {
        let srs = SpatialRef::from_epsg(32616)?;
        let mut dataset = DriverManager::get_driver_by_name("GPKG")?.create_vector_only(path)?;
        for schema in &SCHEMAS {
            let layer = dataset.create_layer(LayerOptions {
                name: schema.name,
                srs: Some(&srs),
                ty: schema.geometry,
                options: Some(&["SPATIAL_INDEX=YES"]),
            })?;
            layer.create_defn_fields(schema.fields)?;
        }
        Ok(dataset)
    };
    make().map_err(|source| failed(path, SCHEMAS[0].name, source))
}

/// Writes `layers.gpkg`, `elevation.tif` (EPSG:32616, metres), `trees.csv`, `notes.geojson`, `project.toml` and `crew.toml` into `dir`,
/// which is made if need be; files of these names are replaced, layers and elevations only once the new ones are whole.
///
/// # Errors
/// When the number of blocks is out of range, or a file, layer or raster can't be written.
pub fn write(dir: &Path, options: &DemoOptions) -> Result<DemoReport, DemoError> {
    if !(1..=MOST_BLOCKS).contains(&options.blocks) {
        return Err(DemoError::BlockCount(options.blocks));
    }
    let at = |path: &Path| {
        let path = path.to_owned();
        move |source| DemoError::File { path, source }
    };
    std::fs::create_dir_all(dir).map_err(at(dir))?;
    let (path, unfinished) = (dir.join("layers.gpkg"), dir.join("layers.unfinished.gpkg"));
    let raster = dir.join("elevation.tif");
    let unfinished_raster = dir.join("elevation.unfinished.tif");
    let unfinished_project = dir.join("project.unfinished.toml");
    let unfinished_crew = dir.join("crew.unfinished.toml");
    let unfinished_table = dir.join("trees.unfinished.csv");
    let unfinished_notes = dir.join("notes.unfinished.geojson");
    for left_over in [
        &unfinished,
        &dir.join("layers.unfinished.gpkg-journal"),
        &unfinished_raster,
        &unfinished_project,
        &unfinished_crew,
        &unfinished_table,
        &unfinished_notes,
    ] {
        match std::fs::remove_file(left_over) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                return Err(at(left_over)(error));
            }
            _ => {}
        }
    }
    let make = || {
        let (written, broken, extent, tables) = write_layers(&unfinished, options)?;
        let terrain = Terrain { seed: options.seed };
        elevation::write(&unfinished_raster, terrain, &extent, MIDDLE).map_err(|source| {
            DemoError::Raster {
                path: unfinished_raster.clone(),
                source,
            }
        })?;
        Ok((written, broken, tables))
    };
    let (written, broken, [stand_table, notes]) = make().inspect_err(|_| {
        // The first error is the one to report.
        let _ = std::fs::remove_file(&unfinished);
        let _ = std::fs::remove_file(&unfinished_raster);
    })?;
    std::fs::rename(&unfinished, &path).map_err(at(&path))?;
    std::fs::rename(&unfinished_raster, &raster).map_err(at(&raster))?;
    let project = project_file::path(dir);
    let name = format!(
        "Invented district of {} blocks, seed {}",
        options.blocks, options.seed
    );
    // Moved into place, as the others are: a link that stands there is not written through.
    let text = project_file::text(&name, options.blocks);
    std::fs::write(&unfinished_project, text).map_err(at(&unfinished_project))?;
    std::fs::rename(&unfinished_project, &project).map_err(at(&project))?;
    let trees = project_file::table_path(dir);
    std::fs::write(&unfinished_table, stand_table).map_err(at(&unfinished_table))?;
    std::fs::rename(&unfinished_table, &trees).map_err(at(&trees))?;
    let noted = project_file::notes_path(dir);
    std::fs::write(&unfinished_notes, notes).map_err(at(&unfinished_notes))?;
    std::fs::rename(&unfinished_notes, &noted).map_err(at(&noted))?;
    let crew = project_file::crew_path(dir);
    std::fs::write(&unfinished_crew, project_file::CREW).map_err(at(&unfinished_crew))?;
    std::fs::rename(&unfinished_crew, &crew).map_err(at(&crew))?;
    Ok(DemoReport {
        layers: path,
        elevation: raster,
        project,
        crew,
        blocks: options.blocks,
        features: SCHEMAS
            .iter()
            .map(|schema| schema.name)
            .zip(written)
            .collect(),
        broken,
    })
}

type Counts = [u64; SCHEMAS.len()];

fn write_layers(
    path: &Path,
    options: &DemoOptions,
) -> Result<(Counts, Vec<BrokenFeature>, Extent, [String; 2]), DemoError> {
    let mut dataset = create(path)?;
    let whole = |source| failed(path, SCHEMAS[0].name, source);
    let definitions = (0..SCHEMAS.len())
        .map(|layer| dataset.layer(layer).map(|layer| Defn::from_layer(&layer)))
        .collect::<gdal::errors::Result<Vec<_>>>()
        .map_err(whole)?;
    let transaction = dataset.start_transaction().map_err(whole)?;
    let mut writer = Writer {
        dataset: &transaction,
        definitions,
        path,
        written: [0; SCHEMAS.len()],
        east: 0.0,
        extent: Extent::default(),
        terrain: Terrain { seed: options.seed },
        stand_table: stand_table::HEADER.to_owned(),
        notes: Notes::default(),
    };
    grow(options.seed, options.blocks, &mut writer)?;
    // East of everything, so that no broken feature spoils a good block.
    let yard = Coord {
        x: writer.east.round() + 2_000.0,
        y: 0.0,
    };
    let broken = features(yard, &id_of(Layer::Blocks as usize, 1));
    for feature in &broken {
        writer.put_broken(feature)?;
        if let Some(Geometry::MultiPolygon(block)) = &feature.geometry {
            writer.extent.add(block);
        }
    }
    let (written, extent) = (writer.written, writer.extent);
    let tables = [writer.stand_table, writer.notes.text()];
    transaction.commit().map_err(whole)?;
    dataset.close().map_err(whole)?;
    Ok((
        written,
        broken.into_iter().map(|feature| feature.note).collect(),
        extent,
        tables,
    ))
}
