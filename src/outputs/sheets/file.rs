//! A PDF file written page by page: objects go to disk as they are made, only their places are kept.

use std::collections::BTreeSet;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use geo::Coord;
use pdf_writer::{Chunk, Filter, Finish, Name, Rect, Ref, TextStr};
use sha2::{Digest, Sha256};

use super::back::Plain;
use super::canvas::{self, Frame};
use super::georeference::Georeference;
use super::index::Line;
use crate::outputs::OutputError;

/// One sheet, drawn and packed.
#[derive(Clone, Debug)]
pub struct Page {
    /// Paper's width and height, points.
    pub(super) size: (f64, f64),
    /// The drawing, deflated.
    pub(super) content: Vec<u8>,
    pub(super) opacities: BTreeSet<u8>,
    /// Where the map stands on the paper.
    pub(super) map: Frame,
    /// Of the map in the work CRS, from south-west round by west and north.
    /// None: there is no map on it.
    pub(super) corners: Option<[Coord; 4]>,
    /// The block's id.
    pub(in crate::outputs) name: String,
    /// What the list of blocks says of it.
    pub(super) line: Option<Line>,
    /// Larger maps of parts of the block, which follow.
    pub(super) details: Vec<Page>,
    /// Pages without a map that follow those; their content deflated too.
    pub(super) backs: Vec<Plain>,
}

impl Page {
    /// A page by itself; its content is not yet deflated.
    pub(in crate::outputs) fn new(
        size: (f64, f64),
        (content, opacities): (Vec<u8>, BTreeSet<u8>),
        map: Option<(Frame, [Coord; 4])>,
        name: String,
    ) -> Page {
        let nowhere = Frame {
            x: 0.0,
            y: 0.0,
            width: 0.0,
            height: 0.0,
        };
        Page {
            size,
            content: super::deflated(&content),
            opacities,
            map: map.map_or(nowhere, |(frame, _)| frame),
            corners: map.map(|(_, corners)| corners),
            name,
            line: None,
            details: vec![],
            backs: vec![],
        }
    }
}

const CATALOG: i32 = 1;
const PAGES: i32 = 2;
const PLAIN: i32 = 3;
const BOLD: i32 = 4;
const SYSTEM: i32 = 5;
const OUTLINES: i32 = 6;
const INFO: i32 = 7;
const FIRST_FREE: i32 = 8;

/// Both fonts, and the opacities that a page's drawing names.
fn resources(mut resources: pdf_writer::writers::Resources<'_>, opacities: &BTreeSet<u8>) {
    resources
        .fonts()
        .pair(Name(canvas::PLAIN_FONT), Ref::new(PLAIN))
        .pair(Name(canvas::BOLD_FONT), Ref::new(BOLD));
    let mut states = resources.ext_g_states();
    for per_cent in opacities {
        let opacity = f32::from(*per_cent) / 100.0;
        states
            .insert(Name(canvas::opacity_name(*per_cent).as_bytes()))
            .dict()
            .pair(Name(b"ca"), opacity)
            .pair(Name(b"CA"), opacity);
    }
    states.finish();
    resources.finish();
}

pub struct PdfFile {
    path: PathBuf,
    file: BufWriter<File>,
    hash: Sha256,
    written: u64,
    /// Of object 1, 2, 3 ...
    offsets: Vec<u64>,
    next: i32,
    pages: Vec<Ref>,
    /// Pages that the list of pages names.
    named: Vec<(Ref, String)>,
    title: String,
    /// ISO 639-1.
    lang: &'static str,
}

impl PdfFile {
    pub fn create(
        path: &Path,
        title: &str,
        georeference: &Georeference,
    ) -> Result<PdfFile, OutputError> {
        let file = File::create(path).map_err(OutputError::file(path, "create the file"))?;
        let mut pdf = PdfFile {
            path: path.to_owned(),
            file: BufWriter::with_capacity(1 << 16, file),
            hash: Sha256::new(),
            written: 0,
            offsets: vec![0; FIRST_FREE as usize - 1],
            next: FIRST_FREE,
            pages: Vec::new(),
            named: Vec::new(),
            title: title.to_owned(),
            lang: "en",
        };
        // Four bytes above 127 tell transfer programs that this is no text.
        pdf.write(b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n")?;
        for (id, font) in [(PLAIN, b"Helvetica".as_slice()), (BOLD, b"Helvetica-Bold")] {
            let mut chunk = Chunk::new();
            chunk
                .type1_font(Ref::new(id))
                .base_font(Name(font))
                .encoding_predefined(Name(b"WinAnsiEncoding"));
            pdf.object(id, chunk.as_bytes())?;
        }
        let system = format!("{SYSTEM} 0 obj\n{}\nendobj\n\n", georeference.system);
        pdf.object(SYSTEM, system.as_bytes())?;
        Ok(pdf)
    }

    /// The language of its words.
    pub fn in_language(self, lang: &'static str) -> PdfFile {
        PdfFile { lang, ..self }
    }

    fn write(&mut self, bytes: &[u8]) -> Result<(), OutputError> {
        self.file
            .write_all(bytes)
            .map_err(OutputError::file(&self.path, "write the file"))?;
        self.hash.update(bytes);
        self.written += bytes.len() as u64;
        Ok(())
    }

    /// Writes one object, whose bytes begin with its number.
    fn object(&mut self, id: i32, bytes: &[u8]) -> Result<(), OutputError> {
        self.offsets[id as usize - 1] = self.written;
        self.write(bytes)
    }

    fn free(&mut self) -> i32 {
        let id = self.next;
        self.next += 1;
        self.offsets.push(0);
        id
    }

    pub fn page(&mut self, page: &Page, georeference: &Georeference) -> Result<(), OutputError> {
        self.named_page(page, Some(&page.name), georeference)
    }

    /// Adds a page; without a name the list of pages passes over it.
    pub fn named_page(
        &mut self,
        page: &Page,
        name: Option<&str>,
        georeference: &Georeference,
    ) -> Result<(), OutputError> {
        let (id, content, viewport) = (self.free(), self.free(), self.free());
        let mut chunk = Chunk::new();
        chunk
            .stream(Ref::new(content), &page.content)
            .filter(Filter::FlateDecode);
        self.object(content, chunk.as_bytes())?;
        let measure = match page.corners {
            None => "<< >>".to_owned(),
            Some(corners) => georeference
                .viewport(page.map, corners, SYSTEM)
                .ok_or_else(|| OutputError::NoPlace {
                    block: page.name.clone(),
                })?,
        };
        self.object(
            viewport,
            format!("{viewport} 0 obj\n{measure}\nendobj\n\n").as_bytes(),
        )?;
        let mut chunk = Chunk::new();
        let mut dict = chunk.page(Ref::new(id));
        dict.parent(Ref::new(PAGES))
            .media_box(Rect::new(0.0, 0.0, page.size.0 as f32, page.size.1 as f32))
            .contents(Ref::new(content));
        if page.corners.is_some() {
            dict.insert(Name(b"VP")).primitive(Ref::new(viewport));
        }
        resources(dict.resources(), &page.opacities);
        dict.finish();
        self.object(id, chunk.as_bytes())?;
        self.pages.push(Ref::new(id));
        if let Some(name) = name {
            self.named.push((Ref::new(id), name.to_owned()));
        }
        for detail in &page.details {
            self.named_page(detail, None, georeference)?;
        }
        for back in &page.backs {
            self.back(page.size, back)?;
        }
        Ok(())
    }

    /// Adds pages that stand before all others, the first of them with a name.
    pub fn before_all(
        &mut self,
        pages: &[Page],
        name: &str,
        georeference: &Georeference,
    ) -> Result<(), OutputError> {
        let (pages_before, named_before) = (self.pages.len(), self.named.len());
        for (at, page) in pages.iter().enumerate() {
            self.named_page(page, (at == 0).then_some(name), georeference)?;
        }
        self.pages.rotate_left(pages_before);
        self.named.rotate_left(named_before);
        Ok(())
    }

    fn back(&mut self, size: (f64, f64), back: &Plain) -> Result<(), OutputError> {
        let (id, content) = (self.free(), self.free());
        let mut chunk = Chunk::new();
        chunk
            .stream(Ref::new(content), &back.content)
            .filter(Filter::FlateDecode);
        self.object(content, chunk.as_bytes())?;
        let mut chunk = Chunk::new();
        let mut dict = chunk.page(Ref::new(id));
        dict.parent(Ref::new(PAGES))
            .media_box(Rect::new(0.0, 0.0, size.0 as f32, size.1 as f32))
            .contents(Ref::new(content));
        resources(dict.resources(), &back.opacities);
        dict.finish();
        self.object(id, chunk.as_bytes())?;
        self.pages.push(Ref::new(id));
        Ok(())
    }

    /// Writes what belongs to the whole document: the pages' tree, bookmarks where there are several, the table of
    /// objects.
    pub fn close(mut self) -> Result<(), OutputError> {
        let pages = std::mem::take(&mut self.pages);
        let count = pages.len();
        let named = std::mem::take(&mut self.named);
        let several = named.len() > 1;
        let mut chunk = Chunk::new();
        chunk
            .pages(Ref::new(PAGES))
            .count(i32::try_from(count).unwrap_or(i32::MAX))
            .kids(pages);
        self.object(PAGES, chunk.as_bytes())?;
        self.bookmarks(if several { &named } else { &[] })?;
        let mut chunk = Chunk::new();
        let mut info = chunk.indirect(Ref::new(INFO)).dict();
        let program = concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION"));
        info.pair(Name(b"Title"), TextStr(&self.title))
            .pair(Name(b"Producer"), TextStr(program));
        info.finish();
        self.object(INFO, chunk.as_bytes())?;
        let mut chunk = Chunk::new();
        let mut catalog = chunk.indirect(Ref::new(CATALOG)).dict();
        catalog
            .pair(Name(b"Type"), Name(b"Catalog"))
            .pair(Name(b"Pages"), Ref::new(PAGES))
            .pair(Name(b"Lang"), TextStr(self.lang));
        if several {
            catalog
                .pair(Name(b"Outlines"), Ref::new(OUTLINES))
                .pair(Name(b"PageMode"), Name(b"UseOutlines"));
        }
        catalog
            .insert(Name(b"ViewerPreferences"))
            .dict()
            .pair(Name(b"DisplayDocTitle"), true)
            // A sheet that is shrunk to fit the paper is no longer at its scale.
            .pair(Name(b"PrintScaling"), Name(b"None"));
        catalog.finish();
        self.object(CATALOG, chunk.as_bytes())?;
        self.trailer()
    }

    /// One bookmark a block; the true names, in any letters.
    fn bookmarks(&mut self, pages: &[(Ref, String)]) -> Result<(), OutputError> {
        let ids: Vec<i32> = pages.iter().map(|_| self.free()).collect();
        for (index, ((page, name), id)) in pages.iter().zip(&ids).enumerate() {
            let mut chunk = Chunk::new();
            let mut item = chunk.outline_item(Ref::new(*id));
            item.title(TextStr(name)).parent(Ref::new(OUTLINES));
            if let Some(before) = index.checked_sub(1).and_then(|at| ids.get(at)) {
                item.prev(Ref::new(*before));
            }
            if let Some(after) = ids.get(index + 1) {
                item.next(Ref::new(*after));
            }
            item.dest().page(*page).fit();
            item.finish();
            self.object(*id, chunk.as_bytes())?;
        }
        let mut chunk = Chunk::new();
        let mut outlines = chunk.outline(Ref::new(OUTLINES));
        if let (Some(first), Some(last)) = (ids.first(), ids.last()) {
            outlines
                .first(Ref::new(*first))
                .last(Ref::new(*last))
                .count(i32::try_from(ids.len()).unwrap_or(i32::MAX));
        }
        outlines.finish();
        self.object(OUTLINES, chunk.as_bytes())
    }

    fn trailer(mut self) -> Result<(), OutputError> {
        let start = self.written;
        let mut table = format!("xref\n0 {}\n0000000000 65535 f \n", self.next);
        for offset in &self.offsets {
            table.push_str(&format!("{offset:010} 00000 n \n"));
        }
        // The same file has the same id: it is made of what was written.
        let hash = self.hash.clone().finalize();
        let id: String = hash[..16]
            .iter()
            .map(|byte| format!("{byte:02X}"))
            .collect();
        table.push_str(&format!(
            "trailer\n<< /Size {} /Root {CATALOG} 0 R /Info {INFO} 0 R /ID [ <{id}> <{id}> ] >>\nstartxref\n{start}\n%%EOF\n",
            self.next
        ));
        self.write(table.as_bytes())?;
        self.file
            .flush()
            .map_err(OutputError::file(&self.path, "write the file"))
    }
}
