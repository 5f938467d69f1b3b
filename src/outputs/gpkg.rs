//! A GeoPackage written row by row: fields by index, geometry as WKB, one transaction for many rows.

use std::path::{Path, PathBuf};

use gdal::DriverManager;
use gdal::spatial_ref::SpatialRef;
use gdal_calls::Complaint;
use gdal_calls::rows::RowFile;
pub(super) use gdal_calls::rows::{GeometryKind, Kind, Value};

use super::OutputError;
use super::gpkg_index::{NODE, Packed};

/// In force while GDAL creates, commits and closes a file.
const SETTINGS: &[(&str, &str)] = &[
    // What it stores as `last_change`: fixed, so that the same input gives the same bytes.
    ("OGR_CURRENT_DATE", "1970-01-01T00:00:00.000Z"),
    // A half-written file is thrown away with its folder: no need to wait for the disk at each commit.
    ("OGR_SQLITE_SYNCHRONOUS", "OFF"),
];
/// Rows in one transaction; without an explicit one GDAL commits every row, five times slower.
const ROWS_PER_TRANSACTION: u32 = 50_000;

/// One layer: name, geometry, attributes in order.
#[derive(Clone, Copy, Debug)]
pub(super) struct LayerDef {
    pub name: &'static str,
    pub geometry: GeometryKind,
    pub fields: &'static [(&'static str, Kind)],
    pub description: &'static str,
}

/// How a layer looks, in the notations that map programs read.
pub(super) struct Style {
    pub layer: &'static str,
    pub qml: String,
    pub sld: String,
}

struct Table {
    def: &'static LayerDef,
    rows: u64,
    index: Option<Index>,
}

/// A spatial index that we fill instead of GDAL.
struct Index {
    table: String,
    /// The trigger that would fill it, to be put back.
    trigger: String,
    packed: Packed,
}

/// An open GeoPackage. Rows go to disk in the order given.
pub(super) struct GeoPackage {
    /// In the order of the file's layers.
    tables: Vec<Table>,
    file: RowFile,
    path: PathBuf,
    in_transaction: u32,
    styles: Vec<Style>,
    /// Whether rows may hold geometries as they were given, sound or not.
    as_given: bool,
}

impl GeoPackage {
    /// Creates the file (version 1.3) with all `layers`, empty.
    ///
    /// # Errors
    /// No GeoPackage driver, a path that is not UTF-8, or what GDAL says.
    pub fn create(
        path: &Path,
        srs: &SpatialRef,
        layers: &'static [LayerDef],
    ) -> Result<GeoPackage, OutputError> {
        let driver = DriverManager::get_driver_by_name("GPKG")
            .map_err(|source| OutputError::NoDriver { source })?;
        if path.to_str().is_none() {
            return Err(OutputError::PathNotText {
                path: path.to_owned(),
            });
        }
        let file = RowFile::create(&driver, path, &["VERSION=1.3"], SETTINGS)
            .map_err(failed(path, "create".to_owned()))?;
        let mut package = GeoPackage {
            tables: Vec::with_capacity(layers.len()),
            file,
            path: path.to_owned(),
            in_transaction: 0,
            styles: vec![],
            as_given: false,
        };
        for def in layers {
            package.create_table(srs, def)?;
        }
        let indexes: Vec<Option<Index>> = layers
            .iter()
            .map(|def| package.take_index(def.name))
            .collect::<Result<_, _>>()?;
        for (table, index) in package.tables.iter_mut().zip(indexes) {
            table.index = index;
        }
        Ok(package)
    }

    /// Lets rows hold geometries as they were given.
    pub fn with_shapes_as_given(self) -> GeoPackage {
        GeoPackage {
            as_given: true,
            ..self
        }
    }

    /// Adds table `layer_styles`, in which map programs look for the style of a layer.
    pub fn with_styles(self, styles: Vec<Style>) -> GeoPackage {
        GeoPackage { styles, ..self }
    }

    fn write_styles(&mut self) -> Result<(), OutputError> {
        /// Of all times: the same input gives the same bytes.
        const TIME: &str = "1970-01-01T00:00:00.000Z";
        let styles = std::mem::take(&mut self.styles);
        if styles.is_empty() {
            return Ok(());
        }
        self.execute(
            "CREATE TABLE layer_styles (id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256), \
             f_table_schema TEXT(256), f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30), \
             styleQML TEXT, styleSLD TEXT, useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30), \
             update_time DATETIME)",
        )?;
        self.execute(&format!(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change) \
             VALUES ('layer_styles', 'attributes', 'layer_styles', 'How the layers look', '{TIME}')"
        ))?;
        let quoted = |text: &str| text.replace('\'', "''");
        for Style { layer, qml, sld } in &styles {
            self.execute(&format!(
                "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, \
                 styleQML, styleSLD, useAsDefault, description, owner, update_time) \
                 VALUES ('', '', '{layer}', 'geom', '{layer}', '{}', '{}', 1, '', '', '{TIME}')",
                quoted(qml),
                quoted(sld)
            ))?;
        }
        Ok(())
    }

    /// Takes the filling of a layer's spatial index from GDAL, where it has made one by now of the form we know.
    fn take_index(&mut self, layer: &str) -> Result<Option<Index>, OutputError> {
        let table = format!("rtree_{layer}_geom");
        let trigger = self.ask(&format!(
            "SELECT sql FROM sqlite_master WHERE type = 'trigger' AND name = '{table}_insert'"
        ))?;
        let (Some(trigger), true) = (trigger, self.is_empty_index(&table)?) else {
            return Ok(None);
        };
        self.execute(&format!("DROP TRIGGER \"{table}_insert\""))?;
        Ok(Some(Index {
            table,
            trigger,
            packed: Packed::default(),
        }))
    }

    fn is_empty_index(&mut self, table: &str) -> Result<bool, OutputError> {
        let exists = self.ask(&format!(
            "SELECT name FROM sqlite_master WHERE name = '{table}_node'"
        ))?;
        if exists.is_none() {
            return Ok(false);
        }
        let size = self.ask(&format!("SELECT length(data) FROM \"{table}_node\""))?;
        Ok(size == Some(NODE.to_string()))
    }

    fn execute(&mut self, sql: &str) -> Result<(), OutputError> {
        self.ask(sql).map(|_| ())
    }

    /// The first value of the first row that a statement gives.
    fn ask(&mut self, sql: &str) -> Result<Option<String>, OutputError> {
        let place = "spatial index".to_owned();
        self.file.ask(sql).map_err(failed(&self.path, place))
    }

    fn create_table(
        &mut self,
        srs: &SpatialRef,
        def: &'static LayerDef,
    ) -> Result<(), OutputError> {
        let layer = self.tables.len();
        let description = format!("DESCRIPTION={}", def.description);
        let options = [
            "SPATIAL_INDEX=YES",
            "GEOMETRY_NAME=geom",
            "FID=fid",
            &description,
        ];
        let place = format!("layer {}", def.name);
        self.file
            .add_layer(def.name, def.geometry, srs, &options)
            .map_err(failed(&self.path, place.clone()))?;
        for (field, kind) in def.fields {
            let place = format!("{place}, attribute {field}");
            self.file
                .add_field(layer, field, *kind)
                .map_err(failed(&self.path, place))?;
        }
        // GDAL creates a layer with its first row; counting creates it now, so that the order in the file is that of
        // `layers` whatever the rows are.
        self.file.count(layer).map_err(failed(&self.path, place))?;
        self.tables.push(Table {
            def,
            rows: 0,
            index: None,
        });
        Ok(())
    }

    /// Appends one row to layer `table` (its index in `layers`). `wkb` None leaves the geometry null.
    ///
    /// # Errors
    /// What GDAL says, with layer and row.
    pub fn row(
        &mut self,
        table: usize,
        wkb: Option<&[u8]>,
        values: &[Value<'_>],
    ) -> Result<(), OutputError> {
        if self.in_transaction == 0 {
            self.transact(true)?;
        }
        let Table { def, rows, .. } = self.tables[table];
        debug_assert_eq!(values.len(), def.fields.len(), "layer {}", def.name);
        debug_assert!(
            self.as_given || wkb.is_none_or(is_sound),
            "layer {}: not valid, or empty: {values:?} {:?}",
            def.name,
            wkb.map(|wkb| gdal::vector::Geometry::from_wkb(wkb).and_then(|shape| shape.wkt()))
        );
        let row = self.file.add_row(table, wkb, values).map_err(|complaint| {
            let place = format!("layer {}, row {}", def.name, rows + 1);
            failed(&self.path, place)(complaint)
        })?;
        if let Some(index) = &mut self.tables[table].index {
            index.packed.row(row.fid, row.bounds);
        }
        self.tables[table].rows += 1;
        self.in_transaction += 1;
        if self.in_transaction >= ROWS_PER_TRANSACTION {
            self.write_nodes()?;
            self.transact(false)?;
            self.in_transaction = 0;
        }
        Ok(())
    }

    fn write_nodes(&mut self) -> Result<(), OutputError> {
        let ready: Vec<String> = self
            .tables
            .iter_mut()
            .filter_map(|table| table.index.as_mut())
            .filter_map(|index| index.packed.ready(&index.table))
            .collect();
        ready.iter().try_for_each(|sql| self.execute(sql))
    }

    /// Ends the spatial indexes and gives their filling back to GDAL.
    fn finish_indexes(&mut self) -> Result<(), OutputError> {
        self.write_nodes()?;
        for table in 0..self.tables.len() {
            let (layer, rows) = (self.tables[table].def.name, self.tables[table].rows);
            let Some(index) = self.tables[table].index.take() else {
                continue;
            };
            for sql in index.packed.finish(&index.table, layer, rows) {
                self.execute(&sql)?;
            }
            self.execute(&index.trigger)?;
        }
        Ok(())
    }

    fn transact(&mut self, start: bool) -> Result<(), OutputError> {
        let (done, place) = if start {
            (self.file.begin(), "transaction")
        } else {
            (self.file.commit(), "commit")
        };
        done.map_err(failed(&self.path, place.to_owned()))
    }

    /// Commits, builds the spatial indexes and closes the file.
    ///
    /// # Errors
    /// What GDAL says while doing so.
    pub fn close(mut self) -> Result<(), OutputError> {
        if self.in_transaction == 0 {
            self.transact(true)?;
        }
        self.finish_indexes()?;
        self.write_styles()?;
        self.transact(false)?;
        let GeoPackage { file, path, .. } = self;
        file.close().map_err(failed(&path, "closing".to_owned()))
    }
}

/// Whether a geometry is valid by GEOS and not empty; asked of everything written in builds with assertions.
fn is_sound(wkb: &[u8]) -> bool {
    gdal::vector::Geometry::from_wkb(wkb).is_ok_and(|shape| shape.is_valid() && !shape.is_empty())
}

fn failed(path: &Path, place: String) -> impl FnOnce(Complaint) -> OutputError {
    let path = path.to_owned();
    |Complaint(message)| OutputError::GeoPackage {
        path,
        place,
        message,
    }
}
