//! A GeoPackage written row by row: fields by index, geometry as WKB, one transaction for many rows.
//!
//! GDAL's C functions are called directly because the safe wrapper looks every field up by name and copies every
//! geometry twice; a batch writes millions of rows.

use std::ffi::{CStr, CString, c_char, c_int};
use std::path::{Path, PathBuf};
use std::ptr;

use gdal::spatial_ref::SpatialRef;
use gdal::{Dataset, DriverManager};
use gdal_sys::{CPLErr, OGRErr, OGRFieldType, OGRwkbByteOrder, OGRwkbGeometryType};

use super::OutputError;
use super::gpkg_index::{NODE, Packed};

/// The date GDAL stores as `last_change`: fixed, so that the same input gives the same bytes.
const FIXED_DATE: &CStr = c"1970-01-01T00:00:00.000Z";
/// Rows in one transaction; without an explicit one GDAL commits every row, five times slower.
const ROWS_PER_TRANSACTION: u32 = 50_000;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    Text,
    Whole,
    Number,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum GeometryKind {
    Any,
    Polygon,
    MultiPolygon,
    Line,
}

impl GeometryKind {
    fn code(self) -> OGRwkbGeometryType::Type {
        match self {
            GeometryKind::Any => OGRwkbGeometryType::wkbUnknown,
            GeometryKind::Polygon => OGRwkbGeometryType::wkbPolygon,
            GeometryKind::MultiPolygon => OGRwkbGeometryType::wkbMultiPolygon,
            GeometryKind::Line => OGRwkbGeometryType::wkbLineString,
        }
    }
}

/// One layer: name, geometry, attributes in order.
#[derive(Clone, Copy, Debug)]
pub(super) struct LayerDef {
    pub name: &'static str,
    pub geometry: GeometryKind,
    pub fields: &'static [(&'static str, Kind)],
    pub description: &'static str,
}

/// One attribute's value; its kind must be that of the field.
#[derive(Clone, Copy, Debug)]
pub(super) enum Value<'a> {
    Text(&'a str),
    Whole(u32),
    Number(f64),
    Maybe(Option<f64>),
}

struct Table {
    layer: gdal_sys::OGRLayerH,
    definition: gdal_sys::OGRFeatureDefnH,
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
    tables: Vec<Table>,
    dataset: Option<Dataset>,
    path: PathBuf,
    in_transaction: u32,
    text: Vec<u8>,
}

// SAFETY: layer and definition handles belong to the dataset, which may move between threads as long as one thread at
// a time uses it; `&mut self` on every method sees to that.
unsafe impl Send for GeoPackage {}

/// While it lives, GDAL on this thread stores a fixed date and leaves syncing to the end.
struct FixedDate;

impl FixedDate {
    fn new() -> FixedDate {
        // SAFETY: constant, NUL-terminated strings.
        unsafe {
            gdal_sys::CPLSetThreadLocalConfigOption(
                c"OGR_CURRENT_DATE".as_ptr(),
                FIXED_DATE.as_ptr(),
            );
            // A half-written file is thrown away with its folder: no need to wait for the disk at each commit.
            gdal_sys::CPLSetThreadLocalConfigOption(
                c"OGR_SQLITE_SYNCHRONOUS".as_ptr(),
                c"OFF".as_ptr(),
            );
        }
        FixedDate
    }
}

impl Drop for FixedDate {
    fn drop(&mut self) {
        // SAFETY: undoes what `new` did on this thread; a null value removes an option.
        unsafe {
            gdal_sys::CPLSetThreadLocalConfigOption(c"OGR_CURRENT_DATE".as_ptr(), ptr::null());
            gdal_sys::CPLSetThreadLocalConfigOption(
                c"OGR_SQLITE_SYNCHRONOUS".as_ptr(),
                ptr::null(),
            );
        }
    }
}

/// While it lives, GDAL on this thread prints nothing.
struct Quiet;

impl Quiet {
    fn new() -> Quiet {
        // SAFETY: the handler is GDAL's own.
        unsafe {
            gdal_sys::CPLPushErrorHandler(Some(gdal_sys::CPLQuietErrorHandler));
            gdal_sys::CPLErrorReset();
        }
        Quiet
    }
}

impl Drop for Quiet {
    fn drop(&mut self) {
        // SAFETY: undoes what `new` did on this thread.
        unsafe { gdal_sys::CPLPopErrorHandler() };
    }
}

fn last_message() -> String {
    // SAFETY: GDAL returns a NUL-terminated string that lives until the next error on this thread.
    let message = unsafe { CStr::from_ptr(gdal_sys::CPLGetLastErrorMsg()) };
    let message = message.to_string_lossy();
    if message.is_empty() {
        "no reason given".to_owned()
    } else {
        message.into_owned()
    }
}

/// A null-terminated list of C strings, kept alive by the first vector.
fn option_list(options: &[CString]) -> Vec<*mut c_char> {
    options
        .iter()
        .map(|option| option.as_ptr().cast_mut())
        .chain([ptr::null_mut()])
        .collect()
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
        let name = path
            .to_str()
            .and_then(|text| CString::new(text).ok())
            .ok_or_else(|| OutputError::PathNotText {
                path: path.to_owned(),
            })?;
        let (_date, _quiet) = (FixedDate::new(), Quiet::new());
        let options = [c"VERSION=1.3".to_owned()];
        let list = option_list(&options);
        // SAFETY: the driver handle is valid, name and list are NUL-terminated and outlive the call; the list is only
        // read although some bindings ask for a mutable pointer.
        let handle = unsafe {
            gdal_sys::GDALCreate(
                driver.c_driver(),
                name.as_ptr(),
                0,
                0,
                0,
                gdal_sys::GDALDataType::GDT_Unknown,
                list.as_ptr().cast_mut().cast(),
            )
        };
        let mut package = GeoPackage {
            tables: Vec::with_capacity(layers.len()),
            dataset: None,
            path: path.to_owned(),
            in_transaction: 0,
            text: Vec::new(),
        };
        if handle.is_null() {
            return Err(package.error("create".to_owned()));
        }
        // SAFETY: a fresh, non-null dataset handle that nobody else owns.
        package.dataset = Some(unsafe { Dataset::from_c_dataset(handle) });
        for def in layers {
            let table = package.create_table(handle, srs, def)?;
            package.tables.push(table);
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

    /// Takes the filling of a layer's spatial index from GDAL, where it has made one by now of the form we know.
    fn take_index(&self, layer: &str) -> Result<Option<Index>, OutputError> {
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

    fn is_empty_index(&self, table: &str) -> Result<bool, OutputError> {
        let exists = self.ask(&format!(
            "SELECT name FROM sqlite_master WHERE name = '{table}_node'"
        ))?;
        if exists.is_none() {
            return Ok(false);
        }
        let size = self.ask(&format!("SELECT length(data) FROM \"{table}_node\""))?;
        Ok(size == Some(NODE.to_string()))
    }

    fn execute(&self, sql: &str) -> Result<(), OutputError> {
        self.ask(sql).map(|_| ())
    }

    /// The first value of the first row that a statement gives.
    fn ask(&self, sql: &str) -> Result<Option<String>, OutputError> {
        let place = || "spatial index".to_owned();
        let (Some(dataset), Ok(sql)) = (&self.dataset, CString::new(sql)) else {
            return Ok(None);
        };
        let _quiet = Quiet::new();
        // SAFETY: a valid dataset and a NUL-terminated string; the result set is released before the dataset, and what
        // is read from it is copied.
        unsafe {
            let dataset = dataset.c_dataset();
            let rows = gdal_sys::GDALDatasetExecuteSQL(
                dataset,
                sql.as_ptr(),
                ptr::null_mut(),
                ptr::null(),
            );
            if gdal_sys::CPLGetLastErrorType() >= CPLErr::CE_Failure {
                let error = self.error(place());
                gdal_sys::GDALDatasetReleaseResultSet(dataset, rows);
                return Err(error);
            }
            if rows.is_null() {
                return Ok(None);
            }
            let feature = gdal_sys::OGR_L_GetNextFeature(rows);
            let value = (!feature.is_null()).then(|| {
                let text = gdal_sys::OGR_F_GetFieldAsString(feature, 0);
                CStr::from_ptr(text).to_string_lossy().into_owned()
            });
            gdal_sys::OGR_F_Destroy(feature);
            gdal_sys::GDALDatasetReleaseResultSet(dataset, rows);
            Ok(value)
        }
    }

    fn create_table(
        &self,
        dataset: gdal_sys::GDALDatasetH,
        srs: &SpatialRef,
        def: &'static LayerDef,
    ) -> Result<Table, OutputError> {
        let place = || format!("layer {}", def.name);
        let c_text = |text: String| {
            CString::new(text).map_err(|_| OutputError::GeoPackage {
                path: self.path.clone(),
                place: place(),
                message: "a name holds a NUL byte".to_owned(),
            })
        };
        let name = c_text(def.name.to_owned())?;
        let options = [
            c"SPATIAL_INDEX=YES".to_owned(),
            c"GEOMETRY_NAME=geom".to_owned(),
            c"FID=fid".to_owned(),
            c_text(format!("DESCRIPTION={}", def.description))?,
        ];
        let list = option_list(&options);
        // SAFETY: valid dataset and CRS handles; strings and list outlive the call.
        let layer = unsafe {
            gdal_sys::GDALDatasetCreateLayer(
                dataset,
                name.as_ptr(),
                srs.to_c_hsrs(),
                def.geometry.code(),
                list.as_ptr().cast_mut().cast(),
            )
        };
        if layer.is_null() {
            return Err(self.error(place()));
        }
        for (field, kind) in def.fields {
            let field_name = c_text((*field).to_owned())?;
            let code = match kind {
                Kind::Text => OGRFieldType::OFTString,
                Kind::Whole => OGRFieldType::OFTInteger,
                Kind::Number => OGRFieldType::OFTReal,
            };
            // SAFETY: valid layer handle; the field definition is copied by GDAL and destroyed here.
            let outcome = unsafe {
                let field_def = gdal_sys::OGR_Fld_Create(field_name.as_ptr(), code);
                let outcome = gdal_sys::OGR_L_CreateField(layer, field_def, 1);
                gdal_sys::OGR_Fld_Destroy(field_def);
                outcome
            };
            if outcome != OGRErr::OGRERR_NONE {
                return Err(self.error(format!("layer {}, attribute {field}", def.name)));
            }
        }
        // GDAL creates a layer with its first row; counting creates it now, so that the order in the file is that of
        // `layers` whatever the rows are.
        // SAFETY: valid layer handle.
        unsafe { gdal_sys::OGR_L_GetFeatureCount(layer, 1) };
        Ok(Table {
            layer,
            // SAFETY: valid layer handle; the definition lives as long as the layer.
            definition: unsafe { gdal_sys::OGR_L_GetLayerDefn(layer) },
            def,
            rows: 0,
            index: None,
        })
    }

    fn error(&self, place: String) -> OutputError {
        OutputError::GeoPackage {
            path: self.path.clone(),
            place,
            message: last_message(),
        }
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
        let _quiet = Quiet::new();
        if self.in_transaction == 0 {
            self.transact(true)?;
        }
        let Table {
            layer,
            definition,
            def,
            rows,
            ..
        } = self.tables[table];
        debug_assert_eq!(values.len(), def.fields.len(), "layer {}", def.name);
        // SAFETY: handles belong to the open dataset; the feature takes the geometry over and is destroyed below.
        let written = unsafe {
            let feature = gdal_sys::OGR_F_Create(definition);
            for (index, value) in values.iter().enumerate() {
                set_field(feature, index as c_int, *value, &mut self.text);
            }
            let placed = match wkb {
                None => true,
                Some(bytes) => set_geometry(feature, bytes),
            };
            let written =
                placed && gdal_sys::OGR_L_CreateFeature(layer, feature) == OGRErr::OGRERR_NONE;
            if let (true, Some(index)) = (written, &mut self.tables[table].index) {
                let fid = gdal_sys::OGR_F_GetFID(feature);
                index.packed.row(fid.unsigned_abs(), bounds(feature));
            }
            gdal_sys::OGR_F_Destroy(feature);
            written
        };
        if !written {
            return Err(self.error(format!("layer {}, row {}", def.name, rows + 1)));
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
        let _date = FixedDate::new();
        let Some(dataset) = &self.dataset else {
            return Ok(());
        };
        // SAFETY: valid dataset handle.
        let outcome = unsafe {
            if start {
                gdal_sys::GDALDatasetStartTransaction(dataset.c_dataset(), 0)
            } else {
                gdal_sys::GDALDatasetCommitTransaction(dataset.c_dataset())
            }
        };
        if outcome == OGRErr::OGRERR_NONE {
            Ok(())
        } else {
            Err(self.error(if start { "transaction" } else { "commit" }.to_owned()))
        }
    }

    /// Commits, builds the spatial indexes and closes the file.
    ///
    /// # Errors
    /// What GDAL says while doing so.
    pub fn close(mut self) -> Result<(), OutputError> {
        let (_date, _quiet) = (FixedDate::new(), Quiet::new());
        if self.in_transaction == 0 {
            self.transact(true)?;
        }
        self.finish_indexes()?;
        self.transact(false)?;
        let Some(dataset) = self.dataset.take() else {
            return Ok(());
        };
        let closed = dataset.close();
        // Before 3.7 closing returns nothing; the last error tells.
        // SAFETY: reads this thread's error state.
        let failed = unsafe { gdal_sys::CPLGetLastErrorType() } >= CPLErr::CE_Failure;
        if closed.is_err() || failed {
            return Err(self.error("closing".to_owned()));
        }
        Ok(())
    }
}

impl Drop for GeoPackage {
    fn drop(&mut self) {
        // GDAL writes on closing and may complain about an unfinished transaction; the file is thrown away anyway.
        let (_date, _quiet) = (FixedDate::new(), Quiet::new());
        self.dataset = None;
    }
}

/// # Safety
/// `feature` is valid and `index` is one of its fields.
unsafe fn set_field(
    feature: gdal_sys::OGRFeatureH,
    index: c_int,
    value: Value<'_>,
    buffer: &mut Vec<u8>,
) {
    match value {
        Value::Text(text) => {
            // SQLite and GDAL end text at the first NUL; drop such bytes instead of what follows them.
            buffer.clear();
            buffer.extend(text.bytes().filter(|byte| *byte != 0));
            buffer.push(0);
            unsafe { gdal_sys::OGR_F_SetFieldString(feature, index, buffer.as_ptr().cast()) };
        }
        Value::Whole(value) => {
            let value = c_int::try_from(value).unwrap_or(c_int::MAX);
            unsafe { gdal_sys::OGR_F_SetFieldInteger(feature, index, value) };
        }
        Value::Number(value) | Value::Maybe(Some(value)) if value.is_finite() => {
            unsafe { gdal_sys::OGR_F_SetFieldDouble(feature, index, value) };
        }
        Value::Number(_) | Value::Maybe(_) => unsafe {
            gdal_sys::OGR_F_SetFieldNull(feature, index);
        },
    }
}

/// West, east, south, north of a row; None where it has no place.
///
/// # Safety
/// `feature` is valid.
unsafe fn bounds(feature: gdal_sys::OGRFeatureH) -> Option<[f64; 4]> {
    let mut envelope = gdal_sys::OGREnvelope {
        MinX: 0.0,
        MaxX: 0.0,
        MinY: 0.0,
        MaxY: 0.0,
    };
    unsafe {
        let geometry = gdal_sys::OGR_F_GetGeometryRef(feature);
        if geometry.is_null() || gdal_sys::OGR_G_IsEmpty(geometry) != 0 {
            return None;
        }
        gdal_sys::OGR_G_GetEnvelope(geometry, &mut envelope);
    }
    Some([envelope.MinX, envelope.MaxX, envelope.MinY, envelope.MaxY])
}

/// # Safety
/// `feature` is valid.
unsafe fn set_geometry(feature: gdal_sys::OGRFeatureH, wkb: &[u8]) -> bool {
    debug_assert_eq!(wkb.first(), Some(&(OGRwkbByteOrder::wkbNDR as u8)));
    let Ok(length) = c_int::try_from(wkb.len()) else {
        return false;
    };
    let mut geometry = ptr::null_mut();
    unsafe {
        let read = gdal_sys::OGR_G_CreateFromWkb(
            wkb.as_ptr().cast(),
            ptr::null_mut(),
            &mut geometry,
            length,
        );
        read == OGRErr::OGRERR_NONE
            && gdal_sys::OGR_F_SetGeometryDirectly(feature, geometry) == OGRErr::OGRERR_NONE
    }
}
