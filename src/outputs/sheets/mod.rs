//! Operator sheets: one page of PDF a block, a vector map at a true round scale, georeferenced, and all in one file.
//!
//! [`draw`] is pure and may run on any thread; `Sheets` writes what it drew.

mod back;
pub(super) mod canvas;
mod details;
pub(super) mod file;
pub(super) mod font;
mod furniture;
pub(super) mod georeference;
pub(super) mod ground;
mod index;
mod marks;
mod panels;
mod paper;
pub(super) mod settings;
mod words;

use std::fs;
use std::io::Read;
use std::path::{Path, PathBuf};

use chrono::NaiveDate;
use flate2::Compression;
use flate2::bufread::ZlibEncoder;
use gdal::spatial_ref::SpatialRef;
use geo::Coord;
use sha2::{Digest, Sha256};

pub use file::Page;
pub(super) use paper::round_scale;
pub use words::{Words, of as words_in};

use super::map::marks::Marks;
use super::style::{Ink, Kind, Theme};
use super::{OutputError, text};
use crate::compass;
use crate::model::{BlockPlan, MoreSheets, OutputSettings, Paper, Settings, SheetMark, SheetNews};
use crate::sources::limits::REPORT_FILE_BYTES;
use crate::sources::{InputFile, read_plain};
use canvas::Canvas;
use details::Part;
use file::PdfFile;
use furniture::Norths;
use georeference::Georeference;
use index::Line;
use paper::Sheet;

/// Of the sheets in colours on white.
const FOLDER: &str = "sheets";
/// The file of all sheets in a folder.
const ALL: &str = "all.pdf";

/// What a sheet says of the batch.
#[derive(Clone, Copy)]
pub struct SheetContext<'s> {
    /// The project's name.
    pub title: &'s str,
    pub settings: &'s Settings,
    /// The work CRS, as users know it.
    pub crs: &'s str,
    /// Which plan it is of, which one's sheet it replaces, and the mark of its input: see [`input_mark`].
    pub mark: &'s SheetMark,
    pub words: &'s Words,
    pub theme: Theme,
}

/// A sheet, and what it says of where it comes from.
#[derive(Clone, Debug)]
pub struct SheetDraft {
    pub page: Page,
    /// In the other inks that are asked for, in their order.
    pub more: Vec<Page>,
    pub mark: SheetMark,
}

/// The sheets that a block may have.
#[derive(Clone, Debug)]
pub struct Drafts {
    /// As an earlier plan would have drawn it; the first that it did draw is kept.
    pub earlier: Vec<SheetDraft>,
    /// In the place of an earlier one.
    pub new: SheetDraft,
    /// Where there was none.
    pub first: SheetDraft,
}

/// Twelve hexadecimal digits that change with any input file: the beginning of the SHA-256 of the SHA-256 sums in
/// `run.json`, in its order, each followed by a line feed; without those of layer `felled` alone, unless some of the block is
/// cut already.
pub fn input_mark<'i>(inputs: impl IntoIterator<Item = &'i InputFile>) -> String {
    let mut hash = Sha256::new();
    for input in inputs {
        hash.update(input.sha256.as_bytes());
        hash.update(b"\n");
    }
    hash.finalize()[..6]
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect()
}

/// Where the compass points at a block, and who says so.
struct Compass {
    /// Clockwise from true north.
    declination_deg: f64,
    /// By the magnetic model: its doubt in degrees, and the day.
    computed: Option<(f64, NaiveDate)>,
}

impl Compass {
    /// None where nobody says, and where a compass is of no use.
    fn of(plan: &BlockPlan, outputs: &OutputSettings) -> Option<Compass> {
        if let Some(declination_deg) = outputs.declination_deg {
            return Some(Compass {
                declination_deg,
                computed: None,
            });
        }
        let day = outputs.declination_on?;
        let found = compass::declination(plan.place?, day).ok()??;
        Some(Compass {
            declination_deg: found.degrees,
            computed: Some((found.doubt_deg, day)),
        })
    }
}

/// Draws the sheet of one block.
pub fn draw(plan: &BlockPlan, context: &SheetContext<'_>) -> Page {
    let outputs = &context.settings.outputs;
    let compass = Compass::of(plan, outputs);
    let front = Sheet::fit(plan, outputs.paper, compass.is_some());
    let norths = Norths {
        true_deg: -plan.frame.grid_north_deg(),
        magnetic_deg: (compass.as_ref())
            .map(|compass| compass.declination_deg - plan.frame.grid_north_deg()),
    };
    let parts = details::parts(plan, &front, outputs.paper, compass.is_some());
    let mut canvas = Canvas::new(context.theme);
    let seen = map(&mut canvas, &front, plan, norths, context, &parts);
    panels::head(&mut canvas, &front, plan, context, None);
    panels::side(&mut canvas, &front, plan, context, &seen, norths, compass);
    let mut page = page(plan, &front, canvas);
    page.name = plan.id.clone();
    page.line = Some(Line::of(plan));
    page.details = (parts.iter())
        .map(|part| {
            let mut canvas = Canvas::new(context.theme);
            map(&mut canvas, &part.sheet, plan, norths, context, &[]);
            panels::head(&mut canvas, &part.sheet, plan, context, Some(part.letter));
            self::page(plan, &part.sheet, canvas)
        })
        .collect();
    page.backs = back::draw(plan, &front, context);
    for back in &mut page.backs {
        back.content = deflated(&back.content);
    }
    page
}

/// What a map shows.
struct Seen {
    ground: Vec<Kind>,
    marks: Marks,
    /// How many larger maps its frames tell of.
    parts: usize,
}

/// A page's map with what stands around it on every page: grid, cautions, foot.
fn map(
    canvas: &mut Canvas,
    sheet: &Sheet,
    plan: &BlockPlan,
    norths: Norths,
    context: &SheetContext<'_>,
    parts: &[Part],
) -> Seen {
    canvas.ground(sheet.width, sheet.height);
    let mut seen = Seen {
        ground: vec![],
        marks: Marks::default(),
        parts: parts.len(),
    };
    let mut grid = String::new();
    canvas.apart(|canvas| {
        canvas.rect(sheet.map);
        canvas.clip();
        canvas.apart(|canvas| {
            canvas.fill_with(Ink::Beyond);
            canvas.rect(sheet.map);
            canvas.fill();
        });
        seen.ground = ground::draw(canvas, sheet, plan);
    });
    canvas.apart(|canvas| grid = furniture::grid(canvas, sheet, &plan.frame));
    canvas.apart(|canvas| {
        canvas.rect(sheet.map);
        canvas.clip();
        seen.marks = marks::draw(canvas, sheet, plan, norths, context.words, parts);
    });
    canvas.apart(|canvas| {
        canvas.pen(Ink::Words, 0.8);
        canvas.rect(sheet.map);
        canvas.stroke();
    });
    panels::cautions(canvas, sheet.cautions, context.words.map);
    panels::foot(canvas, sheet, &grid, (plan, norths), context);
    seen
}

/// A page without a name as it was drawn.
fn page(plan: &BlockPlan, sheet: &Sheet, canvas: Canvas) -> Page {
    let [west, south, east, north] = sheet.ground();
    let corner = |x: f64, y: f64| plan.frame.leave(Coord { x, y });
    let corners = [
        corner(west, south),
        corner(west, north),
        corner(east, north),
        corner(east, south),
    ];
    let size = (sheet.width, sheet.height);
    let map = Some((sheet.map, corners));
    Page::new(size, canvas.finish(), map, String::new())
}

/// In zlib's format, with more haste than thoroughness: a tenth longer than the best, in a third of the time.
pub(super) fn deflated(content: &[u8]) -> Vec<u8> {
    let mut packed = Vec::with_capacity(content.len() / 4);
    let mut encoder = ZlibEncoder::new(content, Compression::new(3));
    // Neither memory nor the encoder can fail to read.
    let _ = encoder.read_to_end(&mut packed);
    packed
}

/// Of sheets in other inks.
pub fn theme(inks: MoreSheets) -> Theme {
    match inks {
        MoreSheets::Night => Theme::Dark,
        MoreSheets::BlackAndWhite => Theme::Plain,
    }
}

/// Writes `sheets/BLOCK.pdf` and `sheets/all.pdf`, and the same in other inks in folders of their own.
pub(super) struct Sheets {
    title: String,
    words: &'static Words,
    georeference: Georeference,
    /// In colours on white, then in other inks.
    books: Vec<Book>,
    paper: Paper,
    /// Of each block what the list says of it, and how many pages it has.
    listed: Vec<(Line, usize)>,
}

/// The sheets of all blocks in some inks.
struct Book {
    dir: PathBuf,
    theme: Theme,
    all: PdfFile,
}

impl Sheets {
    /// In folders of `dir`.
    pub fn create(
        dir: &Path,
        srs: &SpatialRef,
        title: &str,
        outputs: &OutputSettings,
    ) -> Result<Sheets, OutputError> {
        let georeference = Georeference::new(srs)?;
        let words = words::of(outputs.language);
        let whole = text::fill(words.all_sheets, &[title]);
        let more = outputs.more_sheets.iter();
        let more = more.map(|inks| (inks.folder(), theme(*inks)));
        let books = std::iter::once((FOLDER, Theme::Light)).chain(more);
        let books = books.map(|(folder, theme)| {
            let dir = dir.join(folder);
            fs::create_dir_all(&dir).map_err(OutputError::file(&dir, "create the folder"))?;
            let all = PdfFile::create(&dir.join(ALL), &whole, &georeference)?;
            Ok(Book { dir, theme, all })
        });
        Ok(Sheets {
            books: books.collect::<Result<Vec<Book>, OutputError>>()?,
            title: title.to_owned(),
            words,
            georeference,
            paper: outputs.paper,
            listed: vec![],
        })
    }

    /// Adds the first page of which an earlier run wrote the very file, else the one that is new; says which.
    pub fn draft(
        &mut self,
        drafts: &Drafts,
        stem: &str,
        earlier: Option<&Path>,
    ) -> Result<(SheetNews, SheetMark), OutputError> {
        let old = earlier.map(|dir| dir.join(FOLDER).join(format!("{stem}.pdf")));
        let old = old.and_then(|path| read_plain(&path, REPORT_FILE_BYTES).ok());
        if let Some(old) = &old {
            for draft in &drafts.earlier {
                let path = self.single(0, &draft.page, stem)?;
                let written = fs::read(&path);
                if written.map_err(OutputError::file(&path, "read the file"))? == *old {
                    self.list(&draft.page);
                    self.books[0].all.page(&draft.page, &self.georeference)?;
                    self.more(&draft.more, stem)?;
                    return Ok((SheetNews::Kept, draft.mark.clone()));
                }
            }
        }
        let draft = match old {
            Some(_) => &drafts.new,
            None => &drafts.first,
        };
        self.page(&draft.page, stem)?;
        self.more(&draft.more, stem)?;
        let news = match (earlier, old) {
            (None, _) => SheetNews::None,
            (Some(_), None) => SheetNews::New,
            (Some(_), Some(_)) => SheetNews::Anew,
        };
        Ok((news, draft.mark.clone()))
    }

    /// Writes the file of one block in these inks; where it lies.
    fn single(&self, book: usize, page: &Page, stem: &str) -> Result<PathBuf, OutputError> {
        let path = self.books[book].dir.join(format!("{stem}.pdf"));
        let title = text::fill(self.words.map.sheet, &[&self.title, &page.name]);
        let mut single = PdfFile::create(&path, &title, &self.georeference)?;
        single.page(page, &self.georeference)?;
        single.close()?;
        Ok(path)
    }

    fn add(&mut self, book: usize, page: &Page, stem: &str) -> Result<(), OutputError> {
        self.single(book, page, stem)?;
        if book == 0 {
            self.list(page);
        }
        self.books[book].all.page(page, &self.georeference)
    }

    fn list(&mut self, page: &Page) {
        let pages = 1 + page.details.len() + page.backs.len();
        self.listed
            .extend(page.line.clone().map(|line| (line, pages)));
    }

    fn more(&mut self, pages: &[Page], stem: &str) -> Result<(), OutputError> {
        (pages.iter().enumerate()).try_for_each(|(at, page)| self.add(at + 1, page, stem))
    }

    /// Adds a page in colours on white, which is the file `stem` too.
    pub fn page(&mut self, page: &Page, stem: &str) -> Result<(), OutputError> {
        self.add(0, page, stem)
    }

    pub fn close(self) -> Result<(), OutputError> {
        let title = text::fill(self.words.all_sheets, &[&self.title]);
        for mut book in self.books {
            let path = book.dir.join(ALL);
            if self.listed.len() > 1 {
                let list = index::draw(&self.listed, &title, self.words, self.paper, book.theme);
                let name = self.words.index_name;
                (book.all).before_all(&list, name, &self.georeference)?;
            }
            book.all.close()?;
            if self.listed.is_empty() {
                // A document without a page is none.
                fs::remove_file(&path).map_err(OutputError::file(&path, "remove the file"))?;
            }
        }
        Ok(())
    }
}
