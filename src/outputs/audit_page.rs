//! `report/index.html` of an audit: one page without scripts. A map of all blocks, what falls short first, each block with a small
//! map of the places; everything else is a number here and a row in `compliance.csv`.

use std::fmt::Write as _;
use std::fs;
use std::path::Path;

use geo::{MultiPolygon, Simplify};

use super::audit::AuditReport;
use super::audit_map::{Window, key};
use super::audit_words::{Words, class};
use super::findings_french::{figure as as_written, said};
use super::map::svg::escape;
use super::text::fill;
use super::{ALL_BLOCKS, OutputError, cells, style, text};
use crate::audit::against::{Change, Turn};
use crate::audit::{BlockAudit, Judged};
use crate::geometry::area::Bounds;
use crate::model::{Language, Verdict};

/// Blocks told of in full, of each verdict.
const MOST_TOLD: usize = 300;
/// Rows of the table of blocks.
const MOST_LISTED: usize = 5_000;
/// Changes against an earlier audit.
const MOST_CHANGES: usize = 500;
const MAP_PX: f64 = 360.0;
const OVERVIEW_PX: f64 = 720.0;
/// Half of what a block takes at least on the map of all.
const DOT_PX: f64 = 3.0;
/// Corners nearer to the outline than this share of a block's size do not show on the map of all.
const CORNER_SHARE: f64 = 0.01;

/// A block on the map of all.
struct Outline {
    status: Verdict,
    id: String,
    /// Where the page tells of it.
    link: Option<u64>,
    /// In the work CRS, with few corners.
    shape: MultiPolygon,
}

/// The page as it grows, block by block.
pub(super) struct AuditPage {
    words: &'static Words,
    language: Language,
    outlines: Vec<Outline>,
    blocks: u64,
    listed: String,
    fails: Vec<String>,
    others: Vec<String>,
    untold: u64,
    changes: String,
}

fn is_told(judged: &&Judged) -> bool {
    !matches!(judged.status(), Verdict::Pass | Verdict::NotApplicable)
}

impl AuditPage {
    pub fn new(language: Language) -> AuditPage {
        AuditPage {
            words: Words::of(language),
            language,
            outlines: vec![],
            blocks: 0,
            listed: String::new(),
            fails: vec![],
            others: vec![],
            untold: 0,
            changes: String::new(),
        }
    }

    /// Adds a block; `shape` is in the work CRS.
    pub fn block(&mut self, audit: &BlockAudit, shape: &MultiPolygon) {
        self.blocks += 1;
        let count = |wanted: Verdict| {
            let rows = audit.rows.iter();
            rows.filter(|judged| judged.status() == wanted).count()
        };
        let told: Vec<&Judged> = audit.rows.iter().filter(is_told).collect();
        let is_told = !told.is_empty() && self.tells(audit.status);
        let link = match is_told {
            false => escape(&audit.id),
            true => format!("<a href=\"#b{}\">{}</a>", self.blocks, escape(&audit.id)),
        };
        if self.outlines.len() < MOST_LISTED {
            let bounds = Bounds::of_polygons(shape);
            let size = bounds.max - bounds.min;
            self.outlines.push(Outline {
                status: audit.status,
                id: audit.id.clone(),
                link: is_told.then_some(self.blocks),
                shape: shape.simplify(CORNER_SHARE * size.x.max(size.y)),
            });
        }
        if self.blocks as usize <= MOST_LISTED {
            let (class, verdict) = (class(audit.status), self.words.verdict(audit.status));
            let areas = &audit.areas;
            let ha = |area_m2| {
                let ha = cells::number(Some(crate::units::hectares(area_m2)), 2);
                as_written(ha, self.language)
            };
            let _ = writeln!(
                self.listed,
                "<tr><th scope=\"row\">{link}</th><td class=\"{class}\">{verdict}</td><td>{}</td><td>{}</td><td>{}</td>\
                 <td>{}</td><td>{}</td><td>{}</td></tr>",
                ha(areas.gross_m2),
                ha(areas.cut_m2),
                ha(areas.kept_m2),
                count(Verdict::Fail),
                count(Verdict::Warn),
                count(Verdict::Unknown),
            );
        }
        if told.is_empty() {
            return;
        }
        if !self.tells(audit.status) {
            self.untold += 1;
            return;
        }
        let mut section = format!(
            "<section id=\"b{}\"><h3>{}</h3>\n",
            self.blocks,
            escape(&fill(self.words.block, &[&audit.id]))
        );
        section += &map(audit, shape, &told, self.words);
        section += &table(&told, self.words, self.language);
        section += "</section>\n";
        if audit.status == Verdict::Fail {
            self.fails.push(section);
        } else {
            self.others.push(section);
        }
    }

    /// Adds rows that stand for several blocks.
    pub fn rows(&mut self, name: &str, rows: &[Judged]) {
        let told: Vec<&Judged> = rows.iter().filter(is_told).collect();
        if !told.is_empty() {
            let name = if name == ALL_BLOCKS {
                self.words.all_blocks
            } else {
                name
            };
            let section = format!(
                "<section><h3>{}</h3>\n{}</section>\n",
                escape(name),
                table(&told, self.words, self.language)
            );
            let falls_short = told.iter().any(|judged| judged.status() == Verdict::Fail);
            match falls_short {
                true => self.fails.insert(0, section),
                false => self.others.insert(0, section),
            }
        }
    }

    pub fn differences(&mut self, changes: &[Change]) {
        let mut rows = String::new();
        for change in changes.iter().take(MOST_CHANGES) {
            let status = |status: &Option<String>| escape(status.as_deref().unwrap_or("–"));
            let _ = writeln!(
                rows,
                "<tr><th scope=\"row\">{}</th><td>{}</td><td>{}</td><td>{} → {}</td><td>{} → {}</td></tr>",
                escape(&change.block_id),
                self.turn(change.turn),
                escape(&change.title),
                status(&change.status_before),
                status(&change.status),
                as_written(cells::number(change.measured_before, 3), self.language),
                as_written(cells::number(change.measured, 3), self.language),
            );
        }
        self.changes = format!(
            "<h2>{}</h2>\n<div class=\"wide\"><table><thead><tr><th>{}</th><th>{}</th><th>{}</th><th>{}</th><th>{}</th></tr></thead>\
             <tbody>\n{rows}</tbody></table></div>\n",
            fill(self.words.against, &[&changes.len().to_string()]),
            self.words.columns[0],
            self.words.turn,
            self.words.rows[2],
            self.words.rows[1],
            self.words.rows[4],
        );
    }

    fn turn(&self, turn: Turn) -> &'static str {
        self.words.turns[match turn {
            Turn::Worse => 0,
            Turn::New => 1,
            Turn::Mended => 2,
            Turn::Gone => 3,
        }]
    }

    /// All blocks by their worst verdict. What is too small to be seen is a dot.
    fn overview(&self) -> String {
        let Some(bounds) = self
            .outlines
            .iter()
            .map(|own| Bounds::of_polygons(&own.shape))
            .reduce(|all, own| {
                let corners = [all.min, all.max, own.min, own.max];
                Bounds::of(&corners)
            })
        else {
            return String::new();
        };
        let size = bounds.max - bounds.min;
        let window = Window::new(bounds.grown(0.03 * size.x.max(size.y) + 1.0), OVERVIEW_PX);
        let mut svg = format!("<h2>{}</h2>\n", self.words.map);
        svg += &window.open(self.words.map);
        // What falls short lies over what does not.
        let mut outlines: Vec<&Outline> = self.outlines.iter().collect();
        outlines.sort_by_key(|own| own.status);
        for own in outlines {
            let around = Bounds::of_polygons(&own.shape);
            let (low, high) = (window.at(around.min), window.at(around.max));
            let (x, y) = window.at(around.middle());
            let small = (high.0 - low.0).max(low.1 - high.1) < 2.0 * DOT_PX;
            let mark = match small {
                true => format!(
                    "<circle class=\"of {}\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{DOT_PX}\">",
                    class(own.status)
                ),
                false => format!(
                    "<path class=\"of {}\" d=\"{}\">",
                    class(own.status),
                    window.ground(&own.shape.0)
                ),
            };
            let title = format!("{}: {}", escape(&own.id), self.words.verdict(own.status));
            let end = if small { "circle" } else { "path" };
            let drawn = format!("{mark}<title>{title}</title></{end}>");
            let _ = match own.link {
                Some(to) => write!(svg, "<a href=\"#b{to}\">{drawn}</a>"),
                None => write!(svg, "{drawn}"),
            };
        }
        svg += &window.scale_bar();
        svg += "</svg>\n";
        let signs = [
            ("of fail", Verdict::Fail),
            ("of warn", Verdict::Warn),
            ("of unknown", Verdict::Unknown),
            ("of pass", Verdict::Pass),
        ];
        svg + &key(signs.map(|(class, verdict)| (class, self.words.verdict(verdict))))
    }

    fn tells(&self, status: Verdict) -> bool {
        let told = if status == Verdict::Fail {
            &self.fails
        } else {
            &self.others
        };
        told.len() < MOST_TOLD
    }

    /// Writes `index.html` into `folder`.
    ///
    /// # Errors
    /// A file that cannot be written.
    pub fn write(self, folder: &Path, run: &AuditReport) -> Result<(), OutputError> {
        fs::create_dir_all(folder).map_err(OutputError::file(folder, "create the folder"))?;
        let path = folder.join("index.html");
        fs::write(&path, self.html(run)).map_err(OutputError::file(&path, "write the file"))
    }

    fn html(&self, run: &AuditReport) -> String {
        let words = self.words;
        let mut page = format!(
            "<!doctype html>\n<html lang=\"{lang}\">\n<head>\n<meta charset=\"utf-8\">\n\
             <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n\
             <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>{title}: {project}</title>\n\
             <style>\n{}</style>\n</head>\n<body>\n<main>\n<h1>{title}: {project}</h1>\n\
             <p>{}</p>\n",
            css(),
            fill(
                words.intro,
                &[
                    &self.blocks.to_string(),
                    &escape(&said(&run.accuracy.words, self.language)),
                    &escape(&run.rulebook.title)
                ]
            ),
            lang = words.lang,
            title = words.title,
            project = escape(&run.project),
        );
        page += "<ul class=\"totals\">\n";
        for verdict in Verdict::ALL {
            if let Some(count) = run.rows_by_status.get(verdict.key()) {
                let word = words.verdict(verdict);
                let _ = writeln!(
                    page,
                    "<li class=\"{}\"><b>{count}</b> {word}</li>",
                    class(verdict)
                );
            }
        }
        page += "</ul>\n";
        for warning in &run.warnings {
            let _ = writeln!(page, "<p class=\"caution\">{}</p>", escape(warning));
        }
        page += &self.changes;
        if let Some(field) = &run.field_check {
            let _ = writeln!(page, "<h2>{}</h2>\n<ul class=\"field\">", words.field);
            for said in field.words() {
                let _ = writeln!(page, "<li>{}</li>", escape(&said));
            }
            let _ = writeln!(page, "</ul>\n<p>{}</p>", words.field_files);
        }
        page += &self.overview();
        let heads: String = (words.columns.iter())
            .map(|head| format!("<th>{head}</th>"))
            .collect();
        let _ = writeln!(
            page,
            "<h2>{}</h2>\n<div class=\"wide\"><table><thead><tr>{heads}</tr></thead><tbody>",
            words.blocks
        );
        page += &self.listed;
        page += "</tbody></table></div>\n";
        let unlisted = self.blocks.saturating_sub(MOST_LISTED as u64);
        if unlisted > 0 {
            let _ = writeln!(
                page,
                "<p>{}</p>",
                fill(words.unlisted, &[&unlisted.to_string()])
            );
        }
        for (head, sections) in [(words.fails, &self.fails), (words.others, &self.others)] {
            if !sections.is_empty() {
                let _ = writeln!(page, "<h2>{head}</h2>");
                sections.iter().for_each(|section| page += section);
            }
        }
        if self.untold > 0 {
            let _ = writeln!(
                page,
                "<p>{}</p>",
                fill(words.untold, &[&self.untold.to_string()])
            );
        }
        let _ = write!(
            page,
            "<footer><h2>{}</h2><ul>",
            escape(text::of(self.language).cautions_head)
        );
        for caution in text::of(self.language).cautions {
            let _ = write!(page, "<li>{}</li>", escape(caution));
        }
        let _ = writeln!(
            page,
            "</ul><p>{} {} {}</p></footer>\n</main>\n</body>\n</html>",
            words.foot, run.program.name, run.program.version
        );
        page
    }
}

/// The block, the ground that falls short and the numbered places, north up.
fn map(audit: &BlockAudit, shape: &MultiPolygon, told: &[&Judged], words: &Words) -> String {
    let shape = audit.frame.enter_polygons(shape);
    let bounds = Bounds::of_polygons(&shape).grown(40.0);
    let window = Window::new(bounds, MAP_PX);
    let mut svg = window.open(words.places);
    let _ = write!(
        svg,
        "<path class=\"block\" d=\"{}\"/><path class=\"cut\" d=\"{}\"/>",
        window.ground(&shape.0),
        window.ground(&audit.cut.0),
    );
    for ground in told.iter().filter_map(|judged| judged.ground.as_ref()) {
        let _ = write!(
            svg,
            "<path class=\"short\" d=\"{}\"/>",
            window.ground(&ground.0)
        );
    }
    for (number, place) in (1..).zip(told.iter().map(|judged| judged.place)) {
        if let Some(place) = place {
            let (x, y) = window.at(place);
            let _ = write!(
                svg,
                "<circle class=\"place\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"9\"/><text x=\"{x:.1}\" y=\"{:.1}\">{number}</text>",
                y + 4.0
            );
        }
    }
    svg + "</svg>\n"
}

fn table(told: &[&Judged], words: &Words, language: Language) -> String {
    let heads: String = (words.rows.iter())
        .map(|head| format!("<th>{head}</th>"))
        .collect();
    let mut table = format!("<div class=\"wide\"><table><thead><tr>{heads}</tr></thead><tbody>\n");
    for (number, judged) in (1..).zip(told) {
        let row = &judged.row;
        let own = &row.row;
        let (class, verdict) = (class(own.status), words.verdict(own.status));
        let unit = match own.unit {
            "share" => "",
            unit => unit,
        };
        let figure = |value: Option<f64>| match value {
            Some(value) if own.unit == "share" => {
                format!("{} %", cells::number(Some(100.0 * value), 2))
            }
            Some(_) => format!("{} {unit}", cells::number(value, 3)),
            None => "–".to_owned(),
        };
        let figure = |value: Option<f64>| as_written(figure(value), language);
        let _ = writeln!(
            table,
            "<tr><td>{number}</td><td class=\"{class}\">{verdict}</td><th scope=\"row\">{}</th><td>{}</td><td>{}</td><td>{}</td>\
             <td>{}</td><td>{}</td><td>{}</td></tr>",
            escape(&said(&own.title, language)),
            figure(own.required),
            figure(own.measured),
            match row.error {
                Some(_) => format!("± {}", figure(row.error)),
                None => figure(row.tolerance),
            },
            as_written(cells::number(row.area_m2, 1), language),
            escape(&said(&row.message, language)),
            escape(&own.source),
        );
    }
    table + "</tbody></table></div>\n"
}

pub(super) fn css() -> String {
    let [ok, warn, fail] =
        [Verdict::Pass, Verdict::Warn, Verdict::Fail].map(|of| style::sign(of)[0]);
    format!(
        "html {{ font: 16px/1.45 system-ui, \"DejaVu Sans\", sans-serif; color-scheme: light dark; }}\n\
         main {{ max-width: 80rem; margin: 0 auto; padding: 0 1rem; overflow-wrap: break-word; }}\n\
         table {{ border-collapse: collapse; font-size: .9rem; }}\n\
         th, td {{ padding: .25rem .6rem; border-bottom: 1px solid {grey}; text-align: left; vertical-align: top; }}\n\
         .wide {{ overflow-x: auto; }}\n\
         .totals {{ display: flex; flex-wrap: wrap; gap: .6rem; padding: 0; list-style: none; }}\n\
         .totals li {{ padding: .3rem .8rem; border: 1px solid {grey}; border-left: .5rem solid {grey}; }}\n\
         .totals .fail, td.fail {{ border-left: .5rem solid {fail}; }}\n\
         .totals .warn, td.warn {{ border-left: .5rem solid {warn}; }}\n\
         .totals .pass, td.pass {{ border-left: .5rem solid {ok}; }}\n\
         td.unknown, .totals .unknown {{ border-left: .5rem dashed {middle}; }}\n\
         section {{ margin: 0 0 2rem; break-inside: avoid; }}\n\
         svg {{ background: {white}; border: 1px solid {grey}; max-width: 100%; }}\n\
         svg .block {{ fill: none; stroke: {black}; stroke-width: 1.6; }}\n\
         svg .cut {{ fill: {yellow}; fill-opacity: .35; fill-rule: evenodd; stroke: none; }}\n\
         svg .short {{ fill: {fail}; fill-opacity: .8; stroke: {fail}; stroke-width: 2; }}\n\
         svg .place {{ fill: {white}; stroke: {black}; stroke-width: 1.5; }}\n\
         svg text {{ font-size: 11px; text-anchor: middle; fill: {black}; }}\n\
         svg .of {{ stroke: {black}; stroke-width: 1; fill-rule: evenodd; fill: {white}; }}\n\
         svg .of.pass {{ fill: {ok}; }}\n svg .of.warn {{ fill: {warn}; }}\n svg .of.fail {{ fill: {fail}; }}\n\
         svg .of.unknown {{ stroke-dasharray: 3 2; }}\n\
         svg .bar {{ fill: none; stroke: {black}; stroke-width: 3; }}\n\
         .key {{ list-style: none; padding: 0; display: flex; flex-wrap: wrap; gap: .2rem 1rem; font-size: .85rem; }}\n\
         .key svg {{ border: none; vertical-align: middle; }}\n\
         .caution {{ border-left: .5rem solid {warn}; padding-left: .6rem; }}\n",
        grey = style::GREY_LIGHT,
        middle = style::GREY_MIDDLE,
        white = style::WHITE,
        black = style::BLACK,
        yellow = style::YELLOW,
    )
}
