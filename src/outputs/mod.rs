//! Results out: GeoPackage, tables, run report, map sheets and web report. Reads plans and decides nothing.
//!
//! [`Writer`] streams one block after another into a staging folder and moves everything into place at the end, so
//! that outputs appear whole or not at all. [`map`] is pure string building and may run on any thread.

mod audit;
mod audit_map;
mod audit_page;
mod audit_words;
mod cells;
mod changes;
pub mod dispatch;
mod error;
mod evidence;
mod exchange;
mod field_check;
mod findings_french;
mod gpkg;
mod gpkg_index;
mod layer_looks;
mod layers;
pub mod map;
mod names;
mod qml;
mod report;
mod run;
mod sentences;
mod set_aside;
pub mod sheets;
mod signs;
mod sld;
mod staging;
pub mod style;
mod tables;
pub mod text;
mod told;
mod wet_map;
mod wind_order;
mod writer;

pub use audit::{AccuracyReport, AuditReport, AuditWriter, FieldReport, TracksReport};
pub use cells::text as cell_text;
pub use changes::map::render as render_changes;
pub use error::OutputError;
pub use evidence::{ACTIONS, EvidenceOptions};
pub use field_check::{Approach, FromRoad};
pub use map::render;
pub use names::{FileNames, file_stem};
pub use report::{BlockPage, LANGUAGES};
pub use run::{Counts, CrsReport, METRES, Program, RunReport, StageTime};
pub use sheets::{Drafts, SheetDraft};

pub use staging::{Verified, VerifyError, journal, no_moves, try_no_moves, verify, would_replace};
pub use writer::{ALL_BLOCKS, Writer};
