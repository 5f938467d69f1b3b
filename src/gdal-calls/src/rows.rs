//! A file written row by row: fields by index, geometry as well-known binary, many rows in one transaction.
//!
//! The `gdal` package allocates for each text and geometry of a row and ties a transaction to a borrow of the dataset; a
//! batch writes millions of rows.

use std::ffi::c_int;
use std::path::Path;

use gdal::config::{clear_thread_local_config_option, set_thread_local_config_option};
use gdal::raster::RasterCreationOptions;
use gdal::spatial_ref::SpatialRef;
use gdal::vector::{FieldDefn, LayerAccess, LayerOptions, OGRFieldType, OGRwkbGeometryType};
use gdal::{Dataset, Driver};
use gdal_sys::{OGREnvelope, OGRErr, OGRFeatureDefnH, OGRFeatureH, OGRLayerH};

use crate::{Complaint, OwnedGeometry, Quiet, c_text, fill_c_text, text};

/// What a field holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Text.
    Text,
    /// A whole number of 32 bits.
    Whole,
    /// A number of double precision.
    Number,
}

/// Which geometry a layer declares.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum GeometryKind {
    /// Any.
    Any,
    /// One polygon a row.
    Polygon,
    /// Several polygons a row.
    MultiPolygon,
    /// One line a row.
    Line,
}

/// One field's value; its kind should be that of the field, otherwise GDAL converts it.
#[derive(Clone, Copy, Debug)]
pub enum Value<'a> {
    /// NUL bytes are dropped.
    Text(&'a str),
    /// Above 2³¹ − 1 it becomes that.
    Whole(u32),
    /// Null where it is not finite.
    Number(f64),
    /// Null where it is missing or not finite.
    Maybe(Option<f64>),
}

/// Where a row went.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    /// Its number in the layer.
    pub fid: u64,
    /// West, east, south, north; None without a geometry that has points.
    pub bounds: Option<[f64; 4]>,
}

/// GDAL's options on this thread while a call runs.
type Settings = &'static [(&'static str, &'static str)];

struct Set(Settings);

impl Set {
    fn new(settings: Settings) -> Set {
        for (key, value) in settings {
            // Only fails on a NUL byte.
            let _ = set_thread_local_config_option(key, value);
        }
        Set(settings)
    }
}

impl Drop for Set {
    fn drop(&mut self) {
        for (key, _) in self.0 {
            let _ = clear_thread_local_config_option(key);
        }
    }
}

/// A file of layers being written. Rows go to disk in the order given. Dropped without [`RowFile::close`] the file is
/// of no use.
///
/// Layers are named by their index and looked up at each call: a statement of SQL may have dropped one.
pub struct RowFile {
    dataset: Option<Dataset>,
    settings: Settings,
    /// Used again and again.
    buffer: Vec<u8>,
}

impl RowFile {
    /// Creates a file without layers. `settings` are GDAL's options in force on this thread while the file is created,
    /// committed and closed.
    ///
    /// # Errors
    /// What GDAL says.
    pub fn create(
        driver: &Driver,
        path: &Path,
        options: &[&str],
        settings: Settings,
    ) -> Result<RowFile, Complaint> {
        let (_set, _quiet) = (Set::new(settings), Quiet::new());
        let options = RasterCreationOptions::from_iter(options.iter().copied());
        // Without bands their type says nothing.
        let dataset =
            driver.create_with_band_type_with_options::<u8, _>(path, 0, 0, 0, &options)?;
        Ok(RowFile {
            dataset: Some(dataset),
            settings,
            buffer: Vec::new(),
        })
    }

    fn dataset(&mut self) -> Result<&mut Dataset, Complaint> {
        let closed = || Complaint("the file is closed".to_owned());
        self.dataset.as_mut().ok_or_else(closed)
    }

    /// Adds a layer without fields after those there are.
    ///
    /// # Errors
    /// What GDAL says.
    pub fn add_layer(
        &mut self,
        name: &str,
        geometry: GeometryKind,
        srs: &SpatialRef,
        options: &[&str],
    ) -> Result<(), Complaint> {
        let (_set, _quiet) = (Set::new(self.settings), Quiet::new());
        self.dataset()?.create_layer(LayerOptions {
            name,
            srs: Some(srs),
            ty: match geometry {
                GeometryKind::Any => OGRwkbGeometryType::wkbUnknown,
                GeometryKind::Polygon => OGRwkbGeometryType::wkbPolygon,
                GeometryKind::MultiPolygon => OGRwkbGeometryType::wkbMultiPolygon,
                GeometryKind::Line => OGRwkbGeometryType::wkbLineString,
            },
            options: Some(options),
        })?;
        Ok(())
    }

    /// Adds a field to layer number `layer`.
    ///
    /// # Errors
    /// No such layer, or what GDAL says.
    pub fn add_field(&mut self, layer: usize, name: &str, kind: Kind) -> Result<(), Complaint> {
        let (_set, _quiet) = (Set::new(self.settings), Quiet::new());
        let layer = self.dataset()?.layer(layer)?;
        let code = match kind {
            Kind::Text => OGRFieldType::OFTString,
            Kind::Whole => OGRFieldType::OFTInteger,
            Kind::Number => OGRFieldType::OFTReal,
        };
        FieldDefn::new(name, code)?.add_to_layer(&layer)?;
        Ok(())
    }

    /// Rows in layer number `layer`. A driver that creates a layer with its first row creates it now.
    ///
    /// # Errors
    /// No such layer.
    pub fn count(&mut self, layer: usize) -> Result<u64, Complaint> {
        let (_set, _quiet) = (Set::new(self.settings), Quiet::new());
        Ok(self.dataset()?.layer(layer)?.feature_count())
    }

    /// The first value of the first row that a statement of SQL gives, as text; None where it gives no row.
    ///
    /// # Errors
    /// What GDAL says.
    pub fn ask(&mut self, sql: &str) -> Result<Option<String>, Complaint> {
        let (_set, quiet) = (Set::new(self.settings), Quiet::new());
        let sql = c_text(sql);
        let dataset = self.dataset()?;
        // SAFETY: a living dataset, borrowed exclusively, and a NUL-terminated text; no filter and no dialect.
        let rows = unsafe {
            gdal_sys::GDALDatasetExecuteSQL(
                dataset.c_dataset(),
                sql.as_ptr(),
                std::ptr::null_mut(),
                std::ptr::null(),
            )
        };
        // Before the rows go, which may say something itself.
        let said = quiet.checked();
        let rows = Rows { dataset, rows };
        said.map(|()| rows.first())
    }

    /// Begins a transaction.
    ///
    /// # Errors
    /// What GDAL says.
    pub fn begin(&mut self) -> Result<(), Complaint> {
        let (_set, _quiet) = (Set::new(self.settings), Quiet::new());
        let dataset = self.dataset()?.c_dataset();
        // SAFETY: a living dataset, borrowed exclusively.
        succeeded(unsafe { gdal_sys::GDALDatasetStartTransaction(dataset, 0) })
    }

    /// Ends a transaction and keeps what it wrote.
    ///
    /// # Errors
    /// What GDAL says.
    pub fn commit(&mut self) -> Result<(), Complaint> {
        let (_set, quiet) = (Set::new(self.settings), Quiet::new());
        let dataset = self.dataset()?.c_dataset();
        // SAFETY: a living dataset, borrowed exclusively.
        succeeded(unsafe { gdal_sys::GDALDatasetCommitTransaction(dataset) })?;
        quiet.checked()
    }

    /// Appends one row to layer number `layer`: the first fields get `values`, the rest stay unset. `wkb` None leaves
    /// the geometry null.
    ///
    /// # Errors
    /// No such layer, more values than fields, bytes that are no geometry, or what GDAL says.
    pub fn add_row(
        &mut self,
        layer: usize,
        wkb: Option<&[u8]>,
        values: &[Value<'_>],
    ) -> Result<Place, Complaint> {
        let _quiet = Quiet::new();
        let dataset = self.dataset()?.c_dataset();
        let index = c_int::try_from(layer).unwrap_or(c_int::MAX);
        // SAFETY: a living dataset, borrowed exclusively until the end of the call; null where there is no such layer.
        let layer = unsafe { gdal_sys::GDALDatasetGetLayer(dataset, index) };
        if layer.is_null() {
            return Err(Complaint(format!("there is no layer {index}")));
        }
        // SAFETY: the layer just found; nothing below changes or drops it or its definition.
        let mut row = unsafe { Row::new(gdal_sys::OGR_L_GetLayerDefn(layer))? };
        row.set_fields(values, &mut self.buffer)?;
        if let Some(wkb) = wkb {
            row.set_geometry(wkb)?;
        }
        // SAFETY: the layer whose definition the row was made of, as just found.
        unsafe { row.write(layer) }
    }

    /// Closes the file. What is in a transaction that was not committed is lost.
    ///
    /// # Errors
    /// What GDAL says while it writes the rest.
    pub fn close(mut self) -> Result<(), Complaint> {
        let (_set, quiet) = (Set::new(self.settings), Quiet::new());
        if let Some(dataset) = self.dataset.take() {
            dataset.close()?;
        }
        // Before 3.7 closing returns nothing; the error state tells.
        quiet.checked()
    }
}

impl Drop for RowFile {
    fn drop(&mut self) {
        // GDAL writes on closing and may complain of an unfinished transaction.
        let (_set, _quiet) = (Set::new(self.settings), Quiet::new());
        self.dataset = None;
    }
}

fn succeeded(outcome: OGRErr::Type) -> Result<(), Complaint> {
    if outcome == OGRErr::OGRERR_NONE {
        Ok(())
    } else {
        Err(Complaint::last())
    }
}

/// The rows of a statement; null where it gives none.
struct Rows<'d> {
    dataset: &'d mut Dataset,
    rows: OGRLayerH,
}

impl Rows<'_> {
    fn first(&self) -> Option<String> {
        if self.rows.is_null() {
            return None;
        }
        // SAFETY: rows that live until the drop; gives a feature for its caller to free, or null.
        let row = unsafe { Row::owned(gdal_sys::OGR_L_GetNextFeature(self.rows)) }?;
        if row.count() == 0 {
            return None;
        }
        // SAFETY: a valid feature with at least one field; the text belongs to the feature and is copied at once.
        unsafe { text(gdal_sys::OGR_F_GetFieldAsString(row.feature, 0)) }
    }
}

impl Drop for Rows<'_> {
    fn drop(&mut self) {
        // SAFETY: the dataset that gave them, still open since it is borrowed; once, and null is accepted.
        unsafe { gdal_sys::GDALDatasetReleaseResultSet(self.dataset.c_dataset(), self.rows) };
    }
}

/// A feature that is ours to free; never null.
struct Row {
    feature: OGRFeatureH,
}

impl Row {
    /// # Safety
    /// `definition` is valid, or null. The feature counts as one of its users and keeps it alive.
    unsafe fn new(definition: OGRFeatureDefnH) -> Result<Row, Complaint> {
        if definition.is_null() {
            return Err(Complaint::last());
        }
        // SAFETY: valid as the caller promises; gives a new feature for its caller to free, or null.
        unsafe { Row::owned(gdal_sys::OGR_F_Create(definition)) }.ok_or_else(Complaint::last)
    }

    /// None for null.
    ///
    /// # Safety
    /// GDAL has just made `feature` for its caller, or it is null.
    unsafe fn owned(feature: OGRFeatureH) -> Option<Row> {
        (!feature.is_null()).then_some(Row { feature })
    }

    fn count(&self) -> usize {
        // SAFETY: a valid feature.
        let count = unsafe { gdal_sys::OGR_F_GetFieldCount(self.feature) };
        usize::try_from(count).unwrap_or(0)
    }

    fn set_fields(&mut self, values: &[Value<'_>], buffer: &mut Vec<u8>) -> Result<(), Complaint> {
        let count = self.count();
        if values.len() > count {
            let given = values.len();
            return Err(Complaint(format!("{given} values for {count} fields")));
        }
        for (index, value) in (0..).zip(values) {
            self.set_field(index, *value, buffer);
        }
        Ok(())
    }

    /// Field `index` must be there: see `set_fields`. (GDAL looks itself, too, and leaves the feature as it is.)
    fn set_field(&mut self, index: c_int, value: Value<'_>, buffer: &mut Vec<u8>) {
        let feature = self.feature;
        match value {
            Value::Text(text) => {
                fill_c_text(text, buffer);
                // SAFETY: a valid feature; the buffer ends with NUL, and GDAL copies it.
                unsafe { gdal_sys::OGR_F_SetFieldString(feature, index, buffer.as_ptr().cast()) };
            }
            Value::Whole(value) => {
                let value = c_int::try_from(value).unwrap_or(c_int::MAX);
                // SAFETY: a valid feature.
                unsafe { gdal_sys::OGR_F_SetFieldInteger(feature, index, value) };
            }
            Value::Number(value) | Value::Maybe(Some(value)) if value.is_finite() => {
                // SAFETY: a valid feature.
                unsafe { gdal_sys::OGR_F_SetFieldDouble(feature, index, value) };
            }
            Value::Number(_) | Value::Maybe(_) => {
                // SAFETY: a valid feature.
                unsafe { gdal_sys::OGR_F_SetFieldNull(feature, index) };
            }
        }
    }

    fn set_geometry(&mut self, wkb: &[u8]) -> Result<(), Complaint> {
        let too_long = |_| Complaint("the geometry has more than 2 GiB".to_owned());
        let length = c_int::try_from(wkb.len()).map_err(too_long)?;
        let mut made = std::ptr::null_mut();
        // SAFETY: GDAL reads no more than `length` bytes of `wkb`, which is not negative (-1 would stand for no
        // limit), and copies them; no CRS; `made` is a local, which becomes a new geometry for its caller, or stays null.
        let (read, geometry) = unsafe {
            let none = std::ptr::null_mut();
            let read = gdal_sys::OGR_G_CreateFromWkb(wkb.as_ptr().cast(), none, &mut made, length);
            (read, OwnedGeometry::new(made))
        };
        succeeded(read)?;
        let Some(geometry) = geometry else {
            return Err(Complaint::last());
        };
        // SAFETY: a valid feature, which takes the geometry over, and frees it at once if it cannot.
        succeeded(unsafe {
            gdal_sys::OGR_F_SetGeometryDirectly(self.feature, geometry.into_handle())
        })
    }

    /// West, east, south, north.
    fn bounds(&self) -> Option<[f64; 4]> {
        // SAFETY: a valid feature; what comes back belongs to it and is not kept.
        let geometry = unsafe { gdal_sys::OGR_F_GetGeometryRef(self.feature) };
        // SAFETY: not null, and alive with the feature.
        if geometry.is_null() || unsafe { gdal_sys::OGR_G_IsEmpty(geometry) } != 0 {
            return None;
        }
        let mut envelope = OGREnvelope {
            MinX: 0.0,
            MaxX: 0.0,
            MinY: 0.0,
            MaxY: 0.0,
        };
        // SAFETY: as above, and a local that GDAL fills in.
        unsafe { gdal_sys::OGR_G_GetEnvelope(geometry, &mut envelope) };
        Some([envelope.MinX, envelope.MaxX, envelope.MinY, envelope.MaxY])
    }

    /// # Safety
    /// `layer` is valid, and the row was made of its definition.
    unsafe fn write(self, layer: OGRLayerH) -> Result<Place, Complaint> {
        // SAFETY: valid as the caller promises; the layer writes the feature and does not keep it.
        succeeded(unsafe { gdal_sys::OGR_L_CreateFeature(layer, self.feature) })?;
        // SAFETY: a valid feature.
        let fid = unsafe { gdal_sys::OGR_F_GetFID(self.feature) };
        Ok(Place {
            fid: fid.unsigned_abs(),
            bounds: self.bounds(),
        })
    }
}

impl Drop for Row {
    fn drop(&mut self) {
        // SAFETY: ours alone since `owned`, and freed once.
        unsafe { gdal_sys::OGR_F_Destroy(self.feature) };
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use gdal::DriverManager;
    use std::path::PathBuf;

    struct Fixture {
        path: PathBuf,
        file: RowFile,
        _folder: tempfile::TempDir,
    }

    /// A layer `one` with a text and a number, and a layer `two` without fields.
    fn fixture() -> Fixture {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("rows.gpkg");
        let driver = DriverManager::get_driver_by_name("GPKG").unwrap();
        let settings: Settings = &[("OGR_CURRENT_DATE", "1970-01-01T00:00:00.000Z")];
        let mut file = RowFile::create(&driver, &path, &["VERSION=1.3"], settings).unwrap();
        let srs = SpatialRef::from_epsg(32616).unwrap();
        for (layer, name) in ["one", "two"].into_iter().enumerate() {
            file.add_layer(name, GeometryKind::Any, &srs, &["FID=fid"])
                .unwrap();
            if layer == 0 {
                file.add_field(layer, "name", Kind::Text).unwrap();
                file.add_field(layer, "size", Kind::Number).unwrap();
            }
            assert_eq!(file.count(layer), Ok(0));
        }
        Fixture {
            path,
            file,
            _folder: folder,
        }
    }

    fn point(x: f64, y: f64) -> Vec<u8> {
        let mut wkb = vec![1, 1, 0, 0, 0];
        wkb.extend(x.to_le_bytes());
        wkb.extend(y.to_le_bytes());
        wkb
    }

    fn complaint<T: std::fmt::Debug>(of: Result<T, Complaint>) -> String {
        of.unwrap_err().0
    }

    #[test]
    fn rows_come_back_as_written() {
        let Fixture {
            path,
            mut file,
            _folder,
        } = fixture();
        file.begin().unwrap();
        let values = [Value::Text("a\0b"), Value::Number(1.5)];
        let place = file.add_row(0, Some(&point(3.0, 4.0)), &values).unwrap();
        assert_eq!((place.fid, place.bounds), (1, Some([3.0, 3.0, 4.0, 4.0])));
        let values = [Value::Whole(u32::MAX), Value::Maybe(None)];
        let place = file.add_row(0, None, &values).unwrap();
        assert_eq!((place.fid, place.bounds), (2, None));
        let few = [Value::Text("few")];
        assert_eq!(file.add_row(0, None, &few).unwrap().fid, 3);
        let odd = [Value::Text("odd"), Value::Number(f64::NAN)];
        assert_eq!(file.add_row(0, None, &odd).unwrap().fid, 4);
        file.commit().unwrap();
        assert_eq!(file.count(0), Ok(4));
        file.close().unwrap();
        let dataset = Dataset::open(&path).unwrap();
        let mut layer = dataset.layer(0).unwrap();
        let rows: Vec<String> = layer
            .features()
            .map(|row| {
                let name = row.field_as_string(0).unwrap().unwrap();
                format!("{name} {:?}", row.field_as_double(1).unwrap())
            })
            .collect();
        assert_eq!(
            rows,
            ["ab Some(1.5)", "2147483647 None", "few None", "odd None"]
        );
    }

    #[test]
    fn what_is_not_there_is_refused() {
        let Fixture {
            mut file, _folder, ..
        } = fixture();
        for layer in [2, 1_000_000, usize::MAX] {
            assert!(complaint(file.add_row(layer, None, &[])).starts_with("there is no layer"));
            assert!(file.add_field(layer, "more", Kind::Whole).is_err());
            assert!(file.count(layer).is_err());
        }
        let three = [Value::Whole(1); 3];
        assert_eq!(
            complaint(file.add_row(0, None, &three)),
            "3 values for 2 fields"
        );
        assert_eq!(
            complaint(file.add_row(1, None, &three)),
            "3 values for 0 fields"
        );
    }

    #[test]
    fn bytes_that_are_no_geometry_are_refused() {
        let Fixture {
            mut file, _folder, ..
        } = fixture();
        let whole = point(1.0, 2.0);
        for length in 0..whole.len() {
            let part = file.add_row(0, Some(&whole[..length]), &[]);
            assert!(part.is_err(), "{length}: {part:?}");
        }
        // A line that claims two thousand million points.
        let line = [1, 2, 0, 0, 0, 0xff, 0xff, 0xff, 0x7f, 0, 0, 0];
        assert!(file.add_row(0, Some(&line), &[]).is_err());
        assert!(file.add_row(0, Some(&[9; 40]), &[]).is_err());
        assert_eq!(file.count(0), Ok(0));
        // More than is needed does no harm.
        let mut long = whole;
        long.push(0);
        assert_eq!(file.add_row(0, Some(&long), &[]).unwrap().fid, 1);
    }

    #[test]
    fn statements_give_the_first_value() {
        let Fixture {
            mut file, _folder, ..
        } = fixture();
        assert_eq!(file.ask("SELECT 1 + 1"), Ok(Some("2".to_owned())));
        assert_eq!(file.ask("SELECT name FROM one"), Ok(None));
        assert_eq!(file.ask("CREATE TABLE aside (a)"), Ok(None));
        assert!(complaint(file.ask("SELECT nothing FROM nowhere")).contains("nowhere"));
        assert!(file.ask("").is_err() || file.ask("") == Ok(None));
        assert_eq!(file.ask("SELECT\0 'b'"), Ok(Some("b".to_owned())));
    }

    /// The layer that a handle kept from before would lead to is gone.
    #[test]
    fn a_dropped_layer_is_no_layer() {
        let Fixture {
            mut file, _folder, ..
        } = fixture();
        file.add_row(1, Some(&point(1.0, 2.0)), &[]).unwrap();
        for sql in ["DELLAYER:one", "DROP TABLE two"] {
            file.ask(sql).unwrap();
        }
        for layer in [0, 1] {
            let two = [Value::Text("b"), Value::Number(2.0)];
            assert!(file.add_row(layer, Some(&point(1.0, 2.0)), &two).is_err());
        }
    }

    #[test]
    fn transactions_do_not_nest_and_need_a_beginning() {
        let Fixture {
            mut file, _folder, ..
        } = fixture();
        file.begin().unwrap();
        assert!(file.begin().is_err());
        file.commit().unwrap();
        assert!(file.commit().is_err());
        file.close().unwrap();
    }

    #[test]
    fn settings_hold_for_calls_only_and_files_move_between_threads() {
        let Fixture {
            path,
            mut file,
            _folder,
        } = fixture();
        let date = || gdal::config::get_thread_local_config_option("OGR_CURRENT_DATE", "none");
        assert_eq!(date().unwrap(), "none");
        let file = std::thread::spawn(move || {
            file.add_row(0, Some(&point(1.0, 2.0)), &[]).unwrap();
            file
        });
        file.join().unwrap().close().unwrap();
        assert_eq!(date().unwrap(), "none");
        let bytes = std::fs::read(path).unwrap();
        let stamp = b"1970-01-01T00:00:00.000Z";
        assert!(bytes.windows(stamp.len()).any(|part| part == stamp));
    }
}
