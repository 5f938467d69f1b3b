//! KMZ: the KML documents, each alone in an archive as `doc.kml` (KML 2.3, annex C), a fifth of their size.

use std::fs::File;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use zip::write::{SimpleFileOptions, ZipWriter};
use zip::{CompressionMethod, DateTime};

use super::kml::Overview;
use super::rows::Located;
use super::words::Words;
use crate::model::BlockPlan;
use crate::outputs::OutputError;

pub struct Files {
    /// Of the archives of single blocks.
    dir: PathBuf,
    overview: PathBuf,
    /// The overview's document, which goes into its archive at the end.
    document: Overview,
}

impl Files {
    /// Opens `kmz/` and `blocks.kmz` in folder `dir`.
    ///
    /// # Errors
    /// A folder or file that cannot be created.
    pub fn create(dir: &Path, title: &str, words: &Words) -> Result<Files, OutputError> {
        let own = dir.join("kmz");
        super::make_folder(&own)?;
        let overview = dir.join("blocks.kmz");
        let document = Overview::create(&unpacked(&overview), title, words)?;
        Ok(Files {
            dir: own,
            overview,
            document,
        })
    }

    /// # Errors
    /// A file that cannot be written.
    pub fn block(
        &mut self,
        stem: &str,
        document: &str,
        plan: &BlockPlan,
        rows: &[Located<'_>],
    ) -> Result<(), OutputError> {
        pack(
            &self.dir.join(format!("{stem}.kmz")),
            &mut document.as_bytes(),
        )?;
        self.document.block(plan, rows)
    }

    /// # Errors
    /// A file that cannot be written.
    pub fn close(self) -> Result<(), OutputError> {
        self.document.close()?;
        let loose = unpacked(&self.overview);
        let mut document =
            File::open(&loose).map_err(OutputError::file(&loose, "read the file"))?;
        pack(&self.overview, &mut document)?;
        std::fs::remove_file(&loose).map_err(OutputError::file(&loose, "remove the file"))
    }
}

fn unpacked(archive: &Path) -> PathBuf {
    archive.with_extension("kmz-doc")
}

/// An archive that holds one document, dated as early as archives can be: the same document gives the same bytes.
fn pack(path: &Path, document: &mut impl io::Read) -> Result<(), OutputError> {
    let mut write = || -> io::Result<()> {
        let options = SimpleFileOptions::default()
            .compression_method(CompressionMethod::Deflated)
            .last_modified_time(DateTime::DEFAULT)
            .unix_permissions(0o644);
        let mut archive = ZipWriter::new(File::create(path)?);
        archive.start_file("doc.kml", options)?;
        io::copy(document, &mut archive)?;
        archive.finish()?.flush()
    };
    write().map_err(OutputError::file(path, "write the file"))
}
