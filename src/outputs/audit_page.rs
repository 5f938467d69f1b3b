//! `report/index.html` of an audit: one page without scripts. What falls short first, each block with a small map of the
//! places; everything else is a number here and a row in `compliance.csv`.

use std::fmt::Write as _;
use std::fs;
use std::path::Path;

use geo::MultiPolygon;

use super::audit::AuditReport;
use super::audit_map::Window;
use super::map::svg::escape;
use super::{ALL_BLOCKS, OutputError, cells, style, text};
use crate::audit::against::Change;
use crate::audit::{BlockAudit, Judged};
use crate::geometry::area::Bounds;
use crate::model::Verdict;

/// Blocks told of in full, of each verdict.
const MOST_TOLD: usize = 300;
/// Rows of the table of blocks.
const MOST_LISTED: usize = 5_000;
/// Changes against an earlier audit.
const MOST_CHANGES: usize = 500;
const MAP_PX: f64 = 360.0;

/// The page as it grows, block by block.
#[derive(Default)]
pub(super) struct AuditPage {
    blocks: u64,
    listed: String,
    fails: Vec<String>,
    others: Vec<String>,
    untold: u64,
    changes: String,
}

pub(super) fn word(verdict: Verdict) -> (&'static str, &'static str) {
    match verdict {
        Verdict::Pass => ("pass", "✓ pass"),
        Verdict::NotApplicable => ("pass", "– does not apply"),
        Verdict::Unknown => ("unknown", "? cannot be told"),
        Verdict::Warn => ("warn", "! warn"),
        Verdict::Fail => ("fail", "✕ fail"),
    }
}

fn is_told(judged: &&Judged) -> bool {
    !matches!(judged.status(), Verdict::Pass | Verdict::NotApplicable)
}

impl AuditPage {
    /// Adds a block; `shape` is in the work CRS.
    pub fn block(&mut self, audit: &BlockAudit, shape: &MultiPolygon) {
        self.blocks += 1;
        let count = |wanted: Verdict| {
            let rows = audit.rows.iter();
            rows.filter(|judged| judged.status() == wanted).count()
        };
        let told: Vec<&Judged> = audit.rows.iter().filter(is_told).collect();
        let link = if told.is_empty() || !self.tells(audit.status) {
            escape(&audit.id)
        } else {
            format!("<a href=\"#b{}\">{}</a>", self.blocks, escape(&audit.id))
        };
        if self.blocks as usize <= MOST_LISTED {
            let (class, verdict) = word(audit.status);
            let areas = &audit.areas;
            let ha = |area_m2| cells::number(Some(crate::units::hectares(area_m2)), 2);
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
            "<section id=\"b{}\"><h3>Block {}</h3>\n",
            self.blocks,
            escape(&audit.id)
        );
        section += &map(audit, shape, &told);
        section += &table(&told);
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
                "All blocks together"
            } else {
                name
            };
            let section = format!(
                "<section><h3>{}</h3>\n{}</section>\n",
                escape(name),
                table(&told)
            );
            self.fails.insert(0, section);
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
                change.turn.key(),
                escape(&change.title),
                status(&change.status_before),
                status(&change.status),
                cells::number(change.measured_before, 3),
                cells::number(change.measured, 3),
            );
        }
        self.changes = format!(
            "<h2>Against the earlier audit: {} change(s)</h2>\n<div class=\"wide\"><table><thead><tr><th>Block</th><th>Turn</th>\
             <th>Rule</th><th>Verdict</th><th>Measured</th></tr></thead><tbody>\n{rows}</tbody></table></div>\n",
            changes.len()
        );
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
        let mut page = format!(
            "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
             <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n\
             <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>Audit: {project}</title>\n\
             <style>\n{}</style>\n</head>\n<body>\n<main>\n<h1>Audit: {project}</h1>\n\
             <p>{} block(s). {} Rules: {}.</p>\n",
            css(),
            self.blocks,
            escape(&run.accuracy.words),
            escape(&run.rulebook.title),
            project = escape(&run.project),
        );
        page += "<ul class=\"totals\">\n";
        for (status, count) in &run.rows_by_status {
            let _ = writeln!(
                page,
                "<li class=\"{status}\"><b>{count}</b> {}</li>",
                status.replace('_', " ")
            );
        }
        page += "</ul>\n";
        for warning in &run.warnings {
            let _ = writeln!(page, "<p class=\"caution\">{}</p>", escape(warning));
        }
        page += &self.changes;
        if let Some(field) = &run.field_check {
            page += "<h2>In the field</h2>\n<ul class=\"field\">\n";
            for said in field.words() {
                let _ = writeln!(page, "<li>{}</li>", escape(&said));
            }
            page += "</ul>\n<p>The places stand in field_check.html, to print, field_check.csv and field_check.gpx.</p>\n";
        }
        page += "<h2>Blocks</h2>\n<div class=\"wide\"><table><thead><tr><th>Block</th><th>Worst verdict</th><th>Gross, ha</th>\
                 <th>Cut, ha</th><th>Standing, ha</th><th>Fail</th><th>Warn</th><th>Cannot be told</th></tr></thead><tbody>\n";
        page += &self.listed;
        page += "</tbody></table></div>\n";
        let unlisted = self.blocks.saturating_sub(MOST_LISTED as u64);
        if unlisted > 0 {
            let _ = writeln!(
                page,
                "<p>{unlisted} more block(s) stand in compliance.csv.</p>"
            );
        }
        for (head, sections) in [
            ("What falls short", &self.fails),
            ("Near the limit, or not to be told", &self.others),
        ] {
            if !sections.is_empty() {
                let _ = writeln!(page, "<h2>{head}</h2>");
                sections.iter().for_each(|section| page += section);
            }
        }
        if self.untold > 0 {
            let _ = writeln!(
                page,
                "<p>{} more block(s) with findings stand in compliance.csv and audit.gpkg.</p>",
                self.untold
            );
        }
        let _ = write!(
            page,
            "<footer><h2>{}</h2><ul>",
            escape(text::ENGLISH.cautions_head)
        );
        for caution in text::ENGLISH.cautions {
            let _ = write!(page, "<li>{}</li>", escape(caution));
        }
        let _ = writeln!(
            page,
            "</ul><p>An audit is an aid: local codes, permits and licensed practice decide. {} {}</p></footer>\n</main>\n</body>\n</html>",
            run.program.name, run.program.version
        );
        page
    }
}

/// The block, the ground that falls short and the numbered places, north up.
fn map(audit: &BlockAudit, shape: &MultiPolygon, told: &[&Judged]) -> String {
    let shape = audit.frame.enter_polygons(shape);
    let bounds = Bounds::of_polygons(&shape).grown(40.0);
    let window = Window::new(bounds, MAP_PX);
    let mut svg = window.open("Block and places of the findings, north up");
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

fn table(told: &[&Judged]) -> String {
    let mut table = String::from(
        "<div class=\"wide\"><table><thead><tr><th>No</th><th>Verdict</th><th>Rule</th><th>Required</th><th>Measured</th>\
         <th>Tolerance, or ±</th><th>Ground, m²</th><th>Why</th><th>Source</th></tr></thead><tbody>\n",
    );
    for (number, judged) in (1..).zip(told) {
        let row = &judged.row;
        let own = &row.row;
        let (class, verdict) = word(own.status);
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
        let _ = writeln!(
            table,
            "<tr><td>{number}</td><td class=\"{class}\">{verdict}</td><th scope=\"row\">{}</th><td>{}</td><td>{}</td><td>{}</td>\
             <td>{}</td><td>{}</td><td>{}</td></tr>",
            escape(&own.title),
            figure(own.required),
            figure(own.measured),
            match row.error {
                Some(_) => format!("± {}", figure(row.error)),
                None => figure(row.tolerance),
            },
            cells::number(row.area_m2, 1),
            escape(&row.message),
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
         .caution {{ border-left: .5rem solid {warn}; padding-left: .6rem; }}\n",
        grey = style::GREY_LIGHT,
        middle = style::GREY_MIDDLE,
        white = style::WHITE,
        black = style::BLACK,
        yellow = style::YELLOW,
    )
}
