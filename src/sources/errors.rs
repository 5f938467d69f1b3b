//! What stops a run before it starts: a file, layer, field, filter or CRS that is not as the project file says.

use std::fmt;

/// Why a source cannot be read at all. Single bad features are no errors but [`crate::model::Problem`]s.
///
/// `Display` gives file and layer, what is wrong and, on a line of its own, what to do.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SourceError {
    #[error(
        "{file} ({role}): there is no such file\n  hint: correct `source` under [layers.{role}]"
    )]
    MissingFile { file: String, role: &'static str },
    #[error(
        "{file} ({role}): {why}\n  hint: unpack or copy the data and name one plain local file as `source`"
    )]
    Forbidden {
        file: String,
        role: &'static str,
        why: String,
    },
    #[error(
        "{whose} ({role}): it has {found}, and {most} are read at most\n  hint: look whether this is the right file; take what \
         lies around the blocks into a file of its own"
    )]
    TooMuch {
        /// File, or `file:layer`.
        whose: String,
        role: &'static str,
        found: String,
        most: String,
    },
    #[error(
        "{file} ({role}): the file cannot be read: {message}\n  hint: these formats are read: {formats}; \
         write the file anew or name another one",
        formats = super::open::DRIVERS.join(", ")
    )]
    Unreadable {
        file: String,
        role: &'static str,
        message: String,
    },
    #[error(
        "{file} (stand_rasters): {message}\n  hint: name a raster of stems or cubic metres per hectare with a place and a \
         CRS, in one of the formats that [layers.terrain] takes"
    )]
    StandRaster { file: String, message: String },
    #[error(
        "{file}: the file was changed while it was read, so the results would be of two states of it; nothing was written\n  hint: run again when nobody writes to it"
    )]
    Changed { file: String },
    #[error("{file} ({role}): it has no layer `{layer}`; it has {}\n  hint: {}", List(&names.available), layer_hint(names.nearest.as_deref(), role))]
    MissingLayer {
        file: String,
        role: &'static str,
        layer: String,
        names: Box<Names>,
    },
    #[error(
        "{file} ({role}): it holds several layers: {}\n  hint: say which with `layer = \"...\"` under [layers.{role}]",
        List(available)
    )]
    LayerNotNamed {
        file: String,
        role: &'static str,
        available: Vec<String>,
    },
    #[error("{layer} ({role}): it has no attribute `{field}` for `{key}`; it has {}\n  hint: {}", List(&names.available), field_hint(names.nearest.as_deref(), key, role))]
    MissingField {
        layer: String,
        role: &'static str,
        /// As it stands in the project file, for example `width` or `facts.fish`.
        key: String,
        field: String,
        names: Box<Names>,
    },
    #[error(
        "{layer} ({role}): the constant `{text}` for `{key}` is no number: {message}\n  hint: correct `{key}` under [layers.{role}]"
    )]
    BadConstant {
        layer: String,
        role: &'static str,
        key: &'static str,
        text: String,
        message: String,
    },
    #[error(
        "{layer} ({role}): the filter `{filter}` is not understood: {message}\n  hint: correct `where` under \
         [layers.{role}]; texts stand in single quotes, attribute names in double quotes"
    )]
    BadFilter {
        layer: String,
        role: &'static str,
        filter: String,
        message: String,
    },
    #[error(
        "{layer} ({role}): reading stopped after {features} feature(s): {message}\n  hint: the file is damaged; write it anew"
    )]
    ReadingStopped {
        layer: String,
        role: &'static str,
        features: u64,
        message: String,
    },
    #[error(
        "{layer} ({role}): {what}\n  hint: it was cut short, or a part of it is of another save; write it anew from where it \
         came from, all files of it together"
    )]
    CountsDiffer {
        layer: String,
        role: &'static str,
        /// Both counts.
        what: String,
    },
    #[error(
        "{layer} ({role}): the project file says {stated} features, and {found} {}\n  hint: look whether the file was cut short \
         or lost features; if it is right, write `features = {found}` under [layers.{role}]",
        if *passing { "pass the filter `where`" } else { "are in it" }
    )]
    OtherCount {
        layer: String,
        role: &'static str,
        stated: u64,
        found: u64,
        /// The layer has a filter.
        passing: bool,
    },
    #[error(
        "{file} ({role}): `{part}`, without which it cannot be read, does not lie beside it\n  hint: copy all files of the \
         layer from where they came from, or write the layer anew"
    )]
    MissingPart {
        file: String,
        role: &'static str,
        part: String,
    },
    #[error(
        "{file} ({role}): too many files are open in this program at once\n  hint: raise the limit (`ulimit -n 4096`), or name \
         fewer files: a raster of many tiles can be merged into one"
    )]
    TooManyFiles { file: String, role: &'static str },
    #[error(
        "{layer} ({role}): no texts in `{encoding}` can be read here\n  hint: correct `encoding` under [layers.{role}]; names \
         such as \"CP1252\", \"ISO-8859-15\" or \"UTF-8\" are understood"
    )]
    BadEncoding {
        layer: String,
        role: &'static str,
        encoding: String,
    },
    #[error(
        "PROJ's list of coordinate reference systems cannot be used: {message}\n  hint: nothing is wrong with the project; `proj.db` \
         is missing or belongs to another version of PROJ: look at the environment's PROJ_DATA and PROJ_LIB, or install PROJ anew"
    )]
    NoCrsDatabase { message: String },
    #[error(
        "{layers}: there is no block to lay out: the layer is empty or its `where` lets nothing through\n  hint: correct `layer` or `where` under [layers.blocks]"
    )]
    NoBlocks { layers: String },
    #[error(
        "{layer} ({role}): the layer names no CRS and its coordinates look like degrees: {bounds}\n  hint: set `crs = \
         \"EPSG:4326\"` (or whatever they are) under [layers.{role}]"
    )]
    DegreesWithoutCrs {
        layer: String,
        role: &'static str,
        bounds: Bounds,
    },
    #[error(
        "{layer} ({role}): the layer names no CRS, and neither does the project: {bounds}\n  hint: set `crs = \"EPSG:...\"` \
         under [layers.{role}]"
    )]
    NoCrs {
        layer: String,
        role: &'static str,
        bounds: Bounds,
    },
    #[error(
        "{layer} ({role}): the layer says {crs}, degrees, but its coordinates are none: {bounds}\n  hint: set `crs = \
         \"EPSG:...\"`, the CRS the coordinates are really in, under [layers.{role}]"
    )]
    NotDegrees {
        layer: String,
        role: &'static str,
        crs: String,
        bounds: Bounds,
    },
    #[error(
        "{whose}: the CRS `{crs}` is not understood: {message}\n  hint: write an authority code such as \"EPSG:32616\", or WKT"
    )]
    BadCrs {
        whose: String,
        crs: String,
        message: String,
    },
    #[error(
        "the work CRS {crs} has no datum: nobody can tell where on the globe its places lie, nor how long its metres are there\n  \
         hint: set `crs` under [project] to a CRS with a datum, projected or in degrees, or leave it out for the UTM zone of \
         the blocks"
    )]
    NoDatum { crs: String },
    #[error(
        "no UTM zone can be told from the blocks: {why}\n  hint: set `crs` under [project] to a projected CRS in metres"
    )]
    NoZone { why: String },
    #[error(
        "{layer} ({role}): no transformation from {from} to {to}: {message}\n  hint: check `crs` under [layers.{role}] and [project]"
    )]
    NoTransform {
        layer: String,
        role: &'static str,
        from: String,
        to: String,
        message: String,
    },
    #[error("{file} (notes): {why}\n  hint: {hint}")]
    Notes {
        file: String,
        why: String,
        hint: String,
    },
    #[error(transparent)]
    Terrain(#[from] super::terrain::TerrainError),
    #[error(transparent)]
    Tracks(#[from] super::tracks::TrackError),
}

impl SourceError {
    /// Whether it is the machine's doing, not that of a file or setting of the user's.
    pub fn is_of_the_machine(&self) -> bool {
        matches!(
            self,
            SourceError::TooManyFiles { .. } | SourceError::NoCrsDatabase { .. }
        )
    }

    /// A stable short name for the reason.
    pub fn code(&self) -> &'static str {
        match self {
            SourceError::MissingFile { .. } => "missing-file",
            SourceError::Forbidden { .. } => "forbidden-path",
            SourceError::TooMuch { .. } => "too-large",
            SourceError::Unreadable { .. } => "unreadable-file",
            SourceError::StandRaster { .. } => "stand-raster",
            SourceError::Changed { .. } => "changed-file",
            SourceError::MissingLayer { .. } => "missing-layer",
            SourceError::LayerNotNamed { .. } => "layer-not-named",
            SourceError::MissingField { .. } => "missing-attribute",
            SourceError::BadConstant { .. } => "bad-constant",
            SourceError::BadFilter { .. } => "bad-filter",
            SourceError::ReadingStopped { .. } => "reading-stopped",
            SourceError::CountsDiffer { .. } => "counts-differ",
            SourceError::OtherCount { .. } => "other-count",
            SourceError::MissingPart { .. } => "missing-part",
            SourceError::TooManyFiles { .. } => "too-many-files",
            SourceError::BadEncoding { .. } => "bad-encoding",
            SourceError::NoCrsDatabase { .. } => "no-crs-database",
            SourceError::NoBlocks { .. } => "no-blocks",
            SourceError::DegreesWithoutCrs { .. } => "degrees-without-crs",
            SourceError::NoCrs { .. } => "no-crs",
            SourceError::NotDegrees { .. } => "not-degrees",
            SourceError::BadCrs { .. } => "bad-crs",
            SourceError::NoDatum { .. } => "crs-without-datum",
            SourceError::NoZone { .. } => "no-zone",
            SourceError::NoTransform { .. } => "no-transform",
            SourceError::Notes { .. } => "notes",
            SourceError::Terrain(error) => error.code(),
            SourceError::Tracks(error) => error.code(),
        }
    }
}

/// Extent of the coordinates of a layer, in its own CRS.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bounds {
    pub min: [f64; 2],
    pub max: [f64; 2],
}

impl Bounds {
    /// Whether all coordinates could be longitude and latitude.
    pub fn look_like_degrees(&self) -> bool {
        self.min[0] >= -180.0 && self.max[0] <= 180.0 && self.min[1] >= -90.0 && self.max[1] <= 90.0
    }
}

impl fmt::Display for Bounds {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [x0, y0] = self.min;
        let [x1, y1] = self.max;
        write!(f, "x {x0:.3} to {x1:.3}, y {y0:.3} to {y1:.3}")
    }
}

/// The names there are, for a name that is not among them.
#[derive(Clone, Debug, PartialEq)]
pub struct Names {
    pub available: Vec<String>,
    /// The one most like the missing name, if any is like it at all.
    pub nearest: Option<String>,
}

impl Names {
    pub(super) fn around(wanted: &str, available: Vec<String>) -> Box<Names> {
        Box::new(Names {
            nearest: nearest(wanted, &available),
            available,
        })
    }
}

struct List<'a>(&'a [String]);

impl fmt::Display for List<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0.is_empty() {
            return f.write_str("none");
        }
        f.write_str(&self.0.join(", "))
    }
}

fn layer_hint(nearest: Option<&str>, role: &str) -> String {
    match nearest {
        Some(name) => format!("write `layer = \"{name}\"` under [layers.{role}]"),
        None => format!("name one of them as `layer` under [layers.{role}]"),
    }
}

fn field_hint(nearest: Option<&str>, key: &str, role: &str) -> String {
    match nearest {
        Some(name) => format!("write `{key} = \"{name}\"` under [layers.{role}]"),
        None => format!("name one of them as `{key}` under [layers.{role}]"),
    }
}

fn nearest(wanted: &str, names: &[String]) -> Option<String> {
    let wanted = wanted.to_lowercase();
    names
        .iter()
        .map(|name| (strsim::jaro_winkler(&wanted, &name.to_lowercase()), name))
        .filter(|(likeness, _)| *likeness >= 0.75)
        .max_by(|a, b| a.0.total_cmp(&b.0).then_with(|| b.1.cmp(a.1)))
        .map(|(_, name)| name.clone())
}
