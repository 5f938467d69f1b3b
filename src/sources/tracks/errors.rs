//! Why a file of tracks cannot be read at all.

use super::DRIVERS;

/// `Display` gives file, what is wrong and, on a line of its own, what to do.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum TrackError {
    #[error("{file} (tracks): there is no such file\n  hint: name a file of tracks that exists")]
    MissingFile { file: String },
    #[error(
        "{file} (tracks): {why}\n  hint: unpack or copy the data and name one plain local file"
    )]
    Forbidden { file: String, why: String },
    #[error(
        "{file} (tracks): the file cannot be read: {message}\n  hint: these formats are read: {formats}; write the file \
         anew or name another one",
        formats = DRIVERS.join(", ")
    )]
    Unreadable { file: String, message: String },
    #[error(
        "{file} (tracks): it has no layer `{layer}`; it has {}\n  hint: name one of them",
        available.join(", ")
    )]
    MissingLayer {
        file: String,
        layer: String,
        available: Vec<String>,
    },
    #[error(
        "{file} (tracks): it holds several layers: {}\n  hint: say which",
        available.join(", ")
    )]
    LayerNotNamed {
        file: String,
        available: Vec<String>,
    },
    #[error(
        "{layer} (tracks): it has no attribute `{field}`; it has {}\n  hint: name one of them, or none",
        available.join(", ")
    )]
    MissingField {
        layer: String,
        field: String,
        available: Vec<String>,
    },
    #[error(
        "{layer} (tracks): it holds no track: {why}\n  hint: name a layer of track points or lines; planned routes and \
         waypoints say nothing of where a machine was"
    )]
    NoTracks { layer: String, why: String },
    #[error(
        "{layer} (tracks): the layer names no CRS\n  hint: write it anew with its CRS, or name the columns `lon` and `lat` \
         if they are degrees on WGS 84"
    )]
    NoCrs { layer: String },
    #[error(
        "{layer} (tracks): no transformation from {from} to {to}: {message}\n  hint: check the CRS of the file"
    )]
    NoTransform {
        layer: String,
        from: String,
        to: String,
        message: String,
    },
    #[error(
        "{layer} (tracks): reading stopped after {features} feature(s): {message}\n  hint: the file is damaged; write it \
         anew"
    )]
    ReadingStopped {
        layer: String,
        features: u64,
        message: String,
    },
    #[error(
        "{layer} (tracks): {what}\n  hint: it was cut short, or a part of it is of another save; write it anew from where it came \
         from, all files of it together"
    )]
    CountsDiffer {
        layer: String,
        /// Both counts.
        what: String,
    },
}

impl TrackError {
    /// A stable short name for the reason.
    pub fn code(&self) -> &'static str {
        match self {
            TrackError::MissingFile { .. } => "missing-file",
            TrackError::Forbidden { .. } => "forbidden-path",
            TrackError::Unreadable { .. } => "unreadable-file",
            TrackError::MissingLayer { .. } => "missing-layer",
            TrackError::LayerNotNamed { .. } => "layer-not-named",
            TrackError::MissingField { .. } => "missing-attribute",
            TrackError::NoTracks { .. } => "no-tracks",
            TrackError::NoCrs { .. } => "no-crs",
            TrackError::NoTransform { .. } => "no-transform",
            TrackError::ReadingStopped { .. } => "reading-stopped",
            TrackError::CountsDiffer { .. } => "counts-differ",
        }
    }
}
