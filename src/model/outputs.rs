//! Which files a run leaves behind beside the GeoPackage and the tables.

use chrono::NaiveDate;
use serde::{Serialize, Serializer};

/// Settings of what is written beside the GeoPackage and the tables.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct OutputSettings {
    /// Whether a map is drawn of every block.
    pub maps: bool,
    /// Whether the web report is written.
    pub report: bool,
    /// Whether bunches are placed.
    pub bunches: bool,
    /// Whether operator sheets are drawn.
    pub sheets: bool,
    /// The same sheets once more in other inks, in the order of `MoreSheets`, each once.
    pub more_sheets: Vec<MoreSheets>,
    pub paper: Paper,
    /// Of the words on maps, sheets, exchange files and styles; the web report speaks its reader's.
    pub language: Language,
    /// Magnetic declination in degrees, east positive, as somebody gives it.
    pub declination_deg: Option<f64>,
    /// The day for which the declination is computed where none is given; without both it stays off the sheets.
    #[serde(serialize_with = "as_text")]
    pub declination_on: Option<NaiveDate>,
    /// In the order of `ExchangeFormat`, each once.
    pub exchange: Vec<ExchangeFormat>,
}

impl Default for OutputSettings {
    fn default() -> OutputSettings {
        OutputSettings {
            maps: true,
            report: true,
            bunches: true,
            sheets: true,
            more_sheets: vec![],
            paper: Paper::A4,
            language: Language::English,
            declination_deg: None,
            declination_on: None,
            exchange: vec![
                ExchangeFormat::Gpx,
                ExchangeFormat::Kml,
                ExchangeFormat::Geojson,
            ],
        }
    }
}

fn as_text<S: Serializer>(day: &Option<NaiveDate>, serializer: S) -> Result<S::Ok, S::Error> {
    day.map(|day| day.to_string()).serialize(serializer)
}

/// Language of words in outputs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub enum Language {
    #[default]
    #[serde(rename = "en")]
    English,
    #[serde(rename = "fr")]
    French,
}

impl Language {
    pub const ALL: [Language; 2] = [Language::English, Language::French];

    /// ISO 639-1 code, as project files write it.
    pub fn key(self) -> &'static str {
        match self {
            Language::English => "en",
            Language::French => "fr",
        }
    }

    pub fn from_key(key: &str) -> Option<Language> {
        Language::ALL
            .into_iter()
            .find(|language| language.key() == key)
    }
}

/// Inks of operator sheets beside those in colours on white.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum MoreSheets {
    /// Dim inks on dark ground: on a screen in the cab at night.
    Night,
    /// For printers and copiers without colours.
    BlackAndWhite,
}

impl MoreSheets {
    pub const ALL: [MoreSheets; 2] = [MoreSheets::Night, MoreSheets::BlackAndWhite];

    /// As project files write it.
    pub fn key(self) -> &'static str {
        match self {
            MoreSheets::Night => "night",
            MoreSheets::BlackAndWhite => "black-and-white",
        }
    }

    pub fn from_key(key: &str) -> Option<MoreSheets> {
        MoreSheets::ALL.into_iter().find(|inks| inks.key() == key)
    }

    /// The folder that they lie in.
    pub const fn folder(self) -> &'static str {
        match self {
            MoreSheets::Night => "sheets-night",
            MoreSheets::BlackAndWhite => "sheets-black-and-white",
        }
    }
}

/// Paper of the operator sheets.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Paper {
    #[default]
    A4,
    Letter,
    A3,
}

impl Paper {
    pub const ALL: [Paper; 3] = [Paper::A4, Paper::Letter, Paper::A3];

    /// As project files write it.
    pub fn key(self) -> &'static str {
        match self {
            Paper::A4 => "A4",
            Paper::Letter => "letter",
            Paper::A3 => "A3",
        }
    }

    pub fn from_key(key: &str) -> Option<Paper> {
        let named = |paper: &Paper| paper.key().eq_ignore_ascii_case(key);
        Paper::ALL.into_iter().find(named)
    }

    /// Short and long side, mm.
    pub fn sides_mm(self) -> [f64; 2] {
        match self {
            Paper::A4 => [210.0, 297.0],
            Paper::Letter => [215.9, 279.4],
            Paper::A3 => [297.0, 420.0],
        }
    }
}

/// A file format for machines, receivers, phones and drafting offices.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum ExchangeFormat {
    Gpx,
    Kml,
    Kmz,
    Geojson,
    Shapefile,
    Dxf,
}

impl ExchangeFormat {
    pub const ALL: [ExchangeFormat; 6] = [
        ExchangeFormat::Gpx,
        ExchangeFormat::Kml,
        ExchangeFormat::Kmz,
        ExchangeFormat::Geojson,
        ExchangeFormat::Shapefile,
        ExchangeFormat::Dxf,
    ];

    /// As project files write it.
    pub fn key(self) -> &'static str {
        match self {
            ExchangeFormat::Gpx => "gpx",
            ExchangeFormat::Kml => "kml",
            ExchangeFormat::Kmz => "kmz",
            ExchangeFormat::Geojson => "geojson",
            ExchangeFormat::Shapefile => "shapefile",
            ExchangeFormat::Dxf => "dxf",
        }
    }

    pub fn from_key(key: &str) -> Option<ExchangeFormat> {
        ExchangeFormat::ALL
            .into_iter()
            .find(|format| format.key() == key)
    }
}
