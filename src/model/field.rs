//! What somebody measured in the field at a place of an audit.

use serde::Serialize;

/// One filled row of a field sheet.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FieldMeasure {
    /// Code of the place, as the audit gives it: `XXXX-XXXX`.
    pub code: String,
    /// In the row's unit; None: nobody could measure, only a note or a photo is there.
    pub measured: Option<f64>,
    /// How far that may be off, to both sides, in the row's unit; None: not told.
    pub error: Option<f64>,
    pub on: String,
    pub by: String,
    pub photo: String,
    pub note: String,
    /// Where it stands in its file, for messages: a line, or a waypoint.
    pub place: String,
    /// Longitude and latitude on WGS 84 where it was taken, in degrees; None: not told.
    pub taken_at: Option<[f64; 2]>,
}
