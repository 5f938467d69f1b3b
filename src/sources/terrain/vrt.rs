//! Virtual rasters: an XML file that names others. GDAL may open one only after everything in it is understood, for the
//! format can also name network places, raw memory layouts and code.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use roxmltree::{Document, Node};

use super::super::crs::parse_crs;
use super::super::errors::SourceError;
use super::super::limits::{VIRTUAL_BYTES, VIRTUAL_FILES, VIRTUAL_LEVELS};
use super::super::plain::{Folders, read};
use super::errors::TerrainError;
use super::raster;
use super::{PLAIN_DRIVERS, ROLE};
use crate::project::{TerrainFile, why_not_plain};

/// Whether GDAL could take a file for a virtual raster; so that none is opened as something else by mistake.
pub(super) fn is_virtual(path: &Path) -> bool {
    use std::io::Read;
    let mut head = Vec::new();
    let read = std::fs::File::open(path).and_then(|file| file.take(8192).read_to_end(&mut head));
    let mark = b"<VRTDataset";
    read.is_ok() && head.windows(mark.len()).any(|found| found == mark)
}

/// Checks a virtual raster and everything it names; returns the files it is made of, itself excluded, each once.
///
/// # Errors
/// When anything in it is not a plain mosaic of plain local rasters.
pub(super) fn files_of(file: &TerrainFile) -> Result<Vec<TerrainFile>, SourceError> {
    let mut gathered = Gathered::default();
    gathered.gather(file, &mut Vec::new())?;
    Ok(gathered.files)
}

#[derive(Default)]
struct Gathered {
    files: Vec<TerrainFile>,
    /// Plain rasters that a virtual one leads to, each as often as it is named: reading it reads as many.
    reads: BTreeMap<PathBuf, usize>,
    known: BTreeSet<PathBuf>,
    folders: Folders,
}

impl Gathered {
    /// How many plain rasters `file` leads to, each as often as it is named.
    fn gather(
        &mut self,
        file: &TerrainFile,
        within: &mut Vec<PathBuf>,
    ) -> Result<usize, SourceError> {
        let refuse = |why: String| {
            SourceError::from(TerrainError::VirtualRaster {
                file: file.source.clone(),
                why,
            })
        };
        if within.contains(&file.path) {
            return Err(refuse("it names itself".to_owned()));
        }
        if within.len() >= VIRTUAL_LEVELS {
            return Err(refuse(format!(
                "virtual rasters are nested more than {VIRTUAL_LEVELS} deep"
            )));
        }
        let bytes = read(&file.path, VIRTUAL_BYTES).map_err(|error| refuse(error.to_string()))?;
        let text = String::from_utf8(bytes).map_err(|error| refuse(error.to_string()))?;
        within.push(file.path.clone());
        let mut reads = 0usize;
        for name in sources(&text).map_err(refuse)? {
            let beside = |of: &Path| of.parent().unwrap_or(Path::new("")).join(&name);
            let part = TerrainFile {
                path: beside(&file.path),
                source: beside(Path::new(&file.source)).display().to_string(),
            };
            let known = self.known.contains(&part.path) && !within.contains(&part.path);
            if !known {
                match self.folders.check(&part.path, &part.source, ROLE) {
                    Err(SourceError::MissingFile { file, .. }) => {
                        return Err(refuse(format!("`{file}`, which it names, is not there")));
                    }
                    checked => checked?,
                }
                self.known.insert(part.path.clone());
                self.files.push(part.clone());
                let leads_to = if is_virtual(&part.path) {
                    self.gather(&part, within)?
                } else {
                    let dataset = raster::open_checked(&part, &PLAIN_DRIVERS)?;
                    self.files.extend(raster::sidecars(&dataset, &part));
                    1
                };
                self.reads.insert(part.path.clone(), leads_to);
            }
            reads += self.reads.get(&part.path).copied().unwrap_or(1);
            if reads > VIRTUAL_FILES {
                return Err(refuse(format!(
                    "it names more than {VIRTUAL_FILES} files, those of virtual rasters in it included"
                )));
            }
        }
        within.pop();
        Ok(reads)
    }
}

/// The files that a virtual raster names, in its order; an error says what is not understood.
fn sources(text: &str) -> Result<Vec<PathBuf>, String> {
    let document = Document::parse(text).map_err(|error| format!("no sound XML: {error}"))?;
    let root = document.root_element();
    if root.tag_name().name() != "VRTDataset" {
        return Err("it does not begin with <VRTDataset>".to_owned());
    }
    attributes(root, &["rasterXSize", "rasterYSize"])?;
    let mut names = Vec::new();
    for child in elements(root) {
        match child.tag_name().name() {
            "SRS" => {
                parse_crs(child.text().unwrap_or_default(), "it").map_err(|e| e.to_string())?;
            }
            "VRTRasterBand" => band(child, &mut names)?,
            "MaskBand" => {
                for inner in elements(child) {
                    if inner.tag_name().name() != "VRTRasterBand" {
                        return Err(not_understood(inner));
                    }
                    band(inner, &mut names)?;
                }
            }
            "Metadata" => metadata(child)?,
            "GeoTransform" | "BlockXSize" | "BlockYSize" | "OverviewList" => leaf(child)?,
            _ => return Err(not_understood(child)),
        }
    }
    if names.is_empty() {
        return Err("it names no raster".to_owned());
    }
    Ok(names)
}

fn band(band: Node<'_, '_>, names: &mut Vec<PathBuf>) -> Result<(), String> {
    attributes(band, &["dataType", "band", "blockXSize", "blockYSize"])?;
    for child in elements(band) {
        match child.tag_name().name() {
            "SimpleSource" | "ComplexSource" => source(child, names)?,
            "Metadata" => metadata(child)?,
            "NoDataValue" | "HideNoDataValue" | "ColorInterp" | "UnitType" | "Offset" | "Scale"
            | "Description" => leaf(child)?,
            // Figures about the values; nothing is read by them.
            "Histograms" | "ColorTable" | "CategoryNames" => {}
            _ => return Err(not_understood(child)),
        }
    }
    Ok(())
}

fn source(source: Node<'_, '_>, names: &mut Vec<PathBuf>) -> Result<(), String> {
    attributes(source, &["resampling"])?;
    let mut named = false;
    for child in elements(source) {
        match child.tag_name().name() {
            "SourceFilename" => {
                leaf(child)?;
                attributes(child, &["relativeToVRT", "shared"])?;
                let name = child.text().unwrap_or_default();
                if let Some(why) = why_not_plain(name) {
                    return Err(format!("`{name}` is no plain file: {why}"));
                }
                if child.attribute("relativeToVRT") != Some("1") || Path::new(name).is_absolute() {
                    return Err(format!(
                        "`{name}` is not named relative to the virtual raster (relativeToVRT=\"1\")"
                    ));
                }
                names.push(PathBuf::from(name));
                named = true;
            }
            "SourceBand" | "SourceProperties" | "SrcRect" | "DstRect" | "NODATA"
            | "UseMaskBand" | "ScaleOffset" | "ScaleRatio" => leaf(child)?,
            _ => return Err(not_understood(child)),
        }
    }
    if named {
        Ok(())
    } else {
        Err("a source names no file".to_owned())
    }
}

fn metadata(node: Node<'_, '_>) -> Result<(), String> {
    attributes(node, &["domain"])?;
    for child in elements(node) {
        if child.tag_name().name() != "MDI" {
            return Err(not_understood(child));
        }
        leaf(child)?;
    }
    Ok(())
}

fn elements<'a, 'input: 'a>(
    node: Node<'a, 'input>,
) -> impl Iterator<Item = Node<'a, 'input>> + use<'a, 'input> {
    node.children().filter(Node::is_element)
}

fn leaf(node: Node<'_, '_>) -> Result<(), String> {
    match elements(node).next() {
        Some(child) => Err(not_understood(child)),
        None => Ok(()),
    }
}

fn attributes(node: Node<'_, '_>, known: &[&str]) -> Result<(), String> {
    match node.attributes().find(|a| !known.contains(&a.name())) {
        Some(other) => Err(format!(
            "<{}> has `{}`, which is not understood",
            node.tag_name().name(),
            other.name()
        )),
        None => Ok(()),
    }
}

fn not_understood(node: Node<'_, '_>) -> String {
    format!(
        "<{}> in it is not understood; only mosaics of plain rasters are",
        node.tag_name().name()
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn with(source: &str) -> String {
        format!(
            r#"<VRTDataset rasterXSize="2" rasterYSize="2"><SRS dataAxisToSRSAxisMapping="1,2">EPSG:32616</SRS>
            <GeoTransform>0, 1, 0, 0, 0, -1</GeoTransform><VRTRasterBand dataType="Float32" band="1">
            <NoDataValue>-9999</NoDataValue>{source}</VRTRasterBand></VRTDataset>"#
        )
    }

    #[test]
    fn plain_mosaics_name_their_tiles() {
        let text = with(
            r#"<SimpleSource><SourceFilename relativeToVRT="1">b.tif</SourceFilename><SourceBand>1</SourceBand>
            <SrcRect xOff="0" yOff="0" xSize="2" ySize="2" /></SimpleSource>
            <ComplexSource><SourceFilename relativeToVRT="1" shared="0">sub/a.tif</SourceFilename><NODATA>-1</NODATA>
            </ComplexSource>"#,
        );
        let names = sources(&text).unwrap();
        assert_eq!(names, [Path::new("b.tif"), Path::new("sub/a.tif")]);
    }

    #[test]
    fn everything_else_is_refused() {
        let named = |name: &str| {
            with(&format!(
                r#"<SimpleSource><SourceFilename relativeToVRT="1">{name}</SourceFilename></SimpleSource>"#
            ))
        };
        for text in [
            named("/vsicurl/https://example.org/a.tif"),
            named("https://example.org/a.tif"),
            named("/srv/a.tif"),
            named("NETCDF:a.nc:z"),
            named(""),
            named("&lt;VRTDataset/>"),
            with(""),
            with("<SimpleSource><SourceFilename>a.tif</SourceFilename></SimpleSource>"),
            with(
                r#"<SimpleSource><SourceFilename relativeToVRT="0">a.tif</SourceFilename></SimpleSource>"#,
            ),
            with(
                r#"<SimpleSource><SourceFilename relativeToVRT="1">a.tif</SourceFilename><OpenOptions/></SimpleSource>"#,
            ),
            with("<PixelFunctionCode>import os</PixelFunctionCode>"),
            with(
                r#"<AveragedSource><SourceFilename relativeToVRT="1">a.tif</SourceFilename></AveragedSource>"#,
            ),
            named("a.tif").replace("band=\"1\"", "band=\"1\" subClass=\"VRTRawRasterBand\""),
            named("a.tif").replace("<VRTDataset ", "<VRTDataset subClass=\"VRTWarpedDataset\" "),
            named("a.tif").replace("EPSG:32616", "https://example.org/crs"),
            named("a.tif").replace("</VRTDataset>", ""),
            format!("<!DOCTYPE x [<!ENTITY e SYSTEM \"a\">]>{}", named("&e;")),
            "<OGRVRTDataSource/>".to_owned(),
        ] {
            assert!(sources(&text).is_err(), "{text}");
        }
    }
}
