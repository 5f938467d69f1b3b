//! Projects made by hand, and files written beside them.
#![allow(dead_code, reason = "each test file uses its own part")]

use std::path::{Path, PathBuf};

use blockwright::model::{LayerKind, Settings};
use blockwright::project::{Attribute, AttributeSource, LayerSource, Project};
use blockwright::rulebook::{BlockRules, Citation, Cited, ReadStatus, Rulebook, ShareOf};
use blockwright::units::LengthUnit;

pub fn rulebook() -> Rulebook {
    Rulebook {
        preset: "none".to_owned(),
        title: "none".to_owned(),
        lines: Vec::new(),
        retention_share: Cited {
            value: 0.0,
            citation: Citation {
                text: "test".to_owned(),
                status: ReadStatus::Project,
            },
            origin: "test".to_owned(),
        },
        share_of: ShareOf::Net,
        share_trees: None,
        reserves_count: false,
        left_counts: false,
        block: BlockRules::default(),
    }
}

pub fn project(folder: &Path, crs: Option<&str>, layers: Vec<LayerSource>) -> Project {
    Project {
        felled_tracks: vec![],
        notes: Default::default(),
        plan: None,
        path: folder.join("project.toml"),
        name: "test".to_owned(),
        crs: crs.map(str::to_owned),
        unit: LengthUnit::Metre,
        layers,
        terrain: None,
        settings: Settings::default(),
        rules: rulebook(),
        rules_file: None,
        stand_table: None,
        stand_rasters: Default::default(),
        calibration: None,
        warnings: Vec::new(),
    }
}

pub fn source(kind: LayerKind, folder: &Path, file: &str) -> LayerSource {
    LayerSource::bare(kind, &folder.join(file), file, None)
}

pub fn fields(names: &[&str]) -> Attribute {
    Attribute(
        names
            .iter()
            .map(|name| AttributeSource::Field((*name).to_owned()))
            .collect(),
    )
}

pub fn constant(text: &str) -> AttributeSource {
    AttributeSource::Constant(text.to_owned())
}

/// The folder of data that some tests look at when it is there.
pub fn shared(file: &str) -> Option<PathBuf> {
    let root = std::env::var_os("BLOCKWRIGHT_SHARED").map_or_else(
        || Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared"),
        PathBuf::from,
    );
    let path = root.join(file);
    if !path.exists() {
        println!("skipped: no shared data");
        return None;
    }
    Some(path)
}
