//! `evidence/` of an audit: what somebody needs who did not run it. The worst finding first, each with its map, the distance
//! drawn to what it is measured to, the rule's words and how they were read, how sure it is, and what is done about it; the
//! sums of all that was read. The folder stands by itself and can be checked and signed without this program.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use geo::{Coord, MultiPolygon};

use super::audit::AuditReport;
use super::audit_map::{Window, key};
use super::audit_page::css;
use super::audit_words::{self, class};
use super::findings_french::{figure as as_written, said as said_in};
use super::map::svg::escape;
use super::staging::digest;
use super::tables::Table;
use super::{OutputError, cells, style, text};
use crate::audit::field::code;
use crate::audit::{BlockAudit, Judged, Toward};
use crate::geometry::area::Bounds;
use crate::geometry::overlay::intersection;
use crate::model::{GroundFrame, Language, Verdict};
use crate::sources::actions::{Action, ActionState, ActionsRead};

pub(super) const FOLDER: &str = "evidence";
const PAGE: &str = "evidence.html";
pub const ACTIONS: &str = "actions.csv";
const SOURCES: &str = "sources.csv";
const SUMS: &str = "SHA256SUMS";
/// What a signature is for, in the sense of `ssh-keygen -Y`: one for something else does not hold for this.
pub const NAMESPACE: &str = "blockwright-evidence";

const MAP_PX: f64 = 420.0;
/// To each side of a place.
const AROUND_M: std::ops::RangeInclusive<f64> = 25.0..=110.0;
/// Findings that fail or warn are told in full up to so many; all of them stand in the table.
const MOST_TOLD: usize = 1_000;

/// Columns that a person fills, in file order.
const TO_FILL: [&str; 7] = [
    "action",
    "responsible",
    "due",
    "state",
    "done_on",
    "checked_by",
    "note",
];

struct Words {
    lang: &'static str,
    title: &'static str,
    intro: &'static str,
    check_head: &'static str,
    check: [&'static str; 3],
    judged: &'static str,
    sources: &'static str,
    file: &'static str,
    bytes: &'static str,
    list: &'static str,
    none: &'static str,
    more: &'static str,
    untold: &'static str,
    all_blocks: &'static str,
    block: &'static str,
    finding: &'static str,
    required: &'static str,
    measured: &'static str,
    by_layers: &'static str,
    at_confidence: &'static str,
    short: &'static str,
    ground: &'static str,
    as_recorded: &'static str,
    why: &'static str,
    rule: &'static str,
    read: &'static str,
    no_rule: &'static str,
    written_at: &'static str,
    place: &'static str,
    in_field: &'static str,
    not_in_field: &'static str,
    field: &'static str,
    action: &'static str,
    no_action: &'static str,
    state: &'static str,
    states: [&'static str; 4],
    responsible: &'static str,
    due: &'static str,
    done_on: &'static str,
    checked_by: &'static str,
    note: &'static str,
    gone: &'static str,
    gone_row: &'static str,
    map: &'static str,
    key: [&'static str; 5],
}

const ENGLISH: Words = Words {
    lang: "en",
    title: "Evidence",
    intro: "{} block(s) audited; {} finding(s) fail, {} warn, {} cannot be told. Worst first: what fails, then what is near a limit; among \
            these by the share of the requirement that is missing. What cannot be told stands below.",
    check_head: "How to check this folder",
    check: [
        "<code>sha256sum --check SHA256SUMS</code> in this folder says whether a file was changed since.",
        "Where <code>SHA256SUMS.sig</code> lies beside it, <code>ssh-keygen -Y verify -f SIGNERS -I NAME -n {} -s SHA256SUMS.sig \
         &lt; SHA256SUMS</code> says who signed these sums: SIGNERS is a file with lines of name and public key.",
        "The sums of what was read stand below and in sources.csv: layers with the same sums give the same findings.",
    ],
    judged: "How it was judged",
    sources: "What was read",
    file: "File",
    bytes: "Bytes",
    list: "Findings",
    none: "Nothing fails, warns, or cannot be told.",
    more: "{} more finding(s) stand in actions.csv and in the compliance table of the audit.",
    untold: "What cannot be told",
    all_blocks: "All blocks together",
    block: "Block",
    finding: "Finding",
    required: "Required",
    measured: "Measured",
    by_layers: "by the layers",
    at_confidence: "at {}",
    short: "Missing, or too much",
    ground: "Ground that falls short",
    as_recorded: "By the fixes as recorded",
    why: "Why",
    rule: "Rule",
    read: "how it was read: {}",
    no_rule: "no rulebook: the requirement is {}",
    written_at: "written at {}",
    place: "Place, work CRS",
    in_field: "{} m ± {} m, {}, {}, photo {}; {}",
    not_in_field: "Nobody has measured it in the field.",
    field: "In the field",
    action: "What is done about it",
    no_action: "Nothing is written in actions.csv yet.",
    state: "State",
    states: ["open", "under way", "done", "checked"],
    responsible: "Who",
    due: "By",
    done_on: "Done on",
    checked_by: "Checked by",
    note: "Note",
    gone: "Actions whose finding is no longer there",
    gone_row: "{}, block {}, {}: {}",
    map: "The place, north up",
    key: [
        "edge of the block",
        "cut or driven over",
        "falls short",
        "what it is measured to, as drawn",
        "the distance",
    ],
};

const FRENCH: Words = Words {
    lang: "fr",
    title: "Dossier de preuves",
    intro: "{} bloc(s) vérifié(s) ; {} constat(s) en défaut, {} avertissement(s), {} impossible(s) à trancher. Le pire d’abord : les défauts, \
            puis ce qui approche d’une limite ; dans chaque groupe, selon la part de l’exigence qui manque. Ce qu’on ne peut trancher est plus bas.",
    check_head: "Vérifier ce dossier",
    check: [
        "<code>sha256sum --check SHA256SUMS</code>, dans ce dossier, dit si un fichier a été modifié depuis.",
        "Si <code>SHA256SUMS.sig</code> s’y trouve, <code>ssh-keygen -Y verify -f SIGNATAIRES -I NOM -n {} -s SHA256SUMS.sig \
         &lt; SHA256SUMS</code> dit qui a signé ces sommes : SIGNATAIRES est un fichier de lignes « nom, clé publique ».",
        "Les sommes de ce qui a été lu figurent plus bas et dans sources.csv : des couches de mêmes sommes donnent les mêmes constats.",
    ],
    judged: "Comment on a jugé",
    sources: "Ce qui a été lu",
    file: "Fichier",
    bytes: "Octets",
    list: "Constats",
    none: "Aucun défaut, aucun avertissement, rien d’impossible à trancher.",
    more: "{} autre(s) constat(s) figurent dans actions.csv et dans le tableau de conformité de la vérification.",
    untold: "Ce qu’on ne peut trancher",
    all_blocks: "Tous les blocs ensemble",
    block: "Bloc",
    finding: "Constat",
    required: "Exigé",
    measured: "Mesuré",
    by_layers: "selon les couches",
    at_confidence: "à {}",
    short: "Ce qui manque, ou ce qui est de trop",
    ground: "Terrain en défaut",
    as_recorded: "Selon les positions enregistrées",
    why: "Pourquoi",
    rule: "Règle",
    read: "comment elle a été lue : {}",
    no_rule: "aucun recueil de règles : l’exigence vient de {}",
    written_at: "écrite à {}",
    place: "Endroit, SCR de travail",
    in_field: "{} m ± {} m, {}, {}, photo {} ; {}",
    not_in_field: "Personne ne l’a mesuré sur le terrain.",
    field: "Sur le terrain",
    action: "Ce qu’on fait",
    no_action: "Rien n’est encore écrit dans actions.csv.",
    state: "État",
    states: ["à faire", "en cours", "fait", "vérifié"],
    responsible: "Qui",
    due: "Échéance",
    done_on: "Fait le",
    checked_by: "Vérifié par",
    note: "Note",
    gone: "Mesures dont le constat a disparu",
    gone_row: "{}, bloc {}, {} : {}",
    map: "L’endroit, nord en haut",
    key: [
        "limite du bloc",
        "coupé ou parcouru",
        "en défaut",
        "ce jusqu’à quoi on mesure, tel que dessiné",
        "la distance",
    ],
};

impl Words {
    fn of(language: Language) -> &'static Words {
        match language {
            Language::English => &ENGLISH,
            Language::French => &FRENCH,
        }
    }

    fn state(&self, state: ActionState) -> &'static str {
        self.states[ActionState::ALL
            .iter()
            .position(|own| *own == state)
            .unwrap_or(0)]
    }
}

/// One finding, kept until all are known and the worst comes first.
struct Finding {
    code: String,
    block_id: String,
    judged: Judged,
    /// In the work CRS.
    place: Option<Coord>,
    map: String,
}

impl Finding {
    /// What fails first, then what is near a limit, then what cannot be told; then by the share that is missing.
    fn worst_first(&self) -> (u8, std::cmp::Reverse<u64>, &str, &str, &str) {
        let rank = match self.judged.status() {
            Verdict::Fail => 0,
            Verdict::Unknown => 2,
            _ => 1,
        };
        let row = &self.judged.row;
        let short = row.short.unwrap_or(0.0).max(0.0);
        let asked = row.row.required.unwrap_or(0.0).abs();
        let share = if asked > 0.0 { short / asked } else { short };
        let millionths = (share * 1e6).min(1e15) as u64;
        let own = &row.row;
        (
            rank,
            std::cmp::Reverse(millionths),
            &self.block_id,
            &own.rule_id,
            &self.code,
        )
    }

    fn figure(&self, value: Option<f64>, language: Language) -> String {
        let unit = self.judged.row.row.unit;
        let text = match value {
            Some(value) if unit == "share" => {
                format!("{} %", cells::number(Some(100.0 * value), 2))
            }
            Some(_) => format!("{} {unit}", cells::number(value, 2)),
            None => "–".to_owned(),
        };
        as_written(text, language)
    }
}

/// How an evidence pack is made.
#[derive(Debug, Default)]
pub struct EvidenceOptions {
    /// What is written of actions so far.
    pub actions: ActionsRead,
    /// OpenSSH key to sign with: a private one, or a public one whose private part an agent holds.
    pub sign_key: Option<PathBuf>,
    /// That codes are made with, as those of places for the field.
    pub seed: u64,
    pub language: Language,
}

/// The pack as it grows, block by block.
pub(super) struct Evidence {
    options: EvidenceOptions,
    blocks: u64,
    findings: Vec<Finding>,
}

impl Evidence {
    /// A pack in the folder of an audit.
    ///
    /// # Errors
    /// An earlier pack there has a table of actions that somebody filled since.
    pub fn new(audit: &Path, options: EvidenceOptions) -> Result<Evidence, OutputError> {
        let folder = audit.join(FOLDER);
        let path = folder.join(ACTIONS);
        let sums = fs::read_to_string(folder.join(SUMS)).unwrap_or_default();
        let as_written = |(sum, _): (String, u64)| sums.contains(&format!("{sum}  {ACTIONS}"));
        if path.exists() && !digest(&path).is_ok_and(as_written) {
            return Err(OutputError::FilledActions { path });
        }
        Ok(Evidence {
            options,
            blocks: 0,
            findings: vec![],
        })
    }

    /// Adds a block; `shape` is in the work CRS.
    pub fn block(&mut self, audit: &BlockAudit, shape: &MultiPolygon) {
        self.blocks += 1;
        let shape = audit.frame.enter_polygons(shape);
        let words = Words::of(self.options.language);
        let map = |judged: &Judged| map(judged, &shape, &audit.cut, words);
        self.add(&audit.id, &audit.rows, &audit.frame, &map);
    }

    /// Adds rows that stand for several blocks.
    pub fn rows(&mut self, name: &str, rows: &[Judged], frame: &GroundFrame) {
        self.add(name, rows, frame, &|_| String::new());
    }

    fn add(
        &mut self,
        name: &str,
        rows: &[Judged],
        frame: &GroundFrame,
        map: &dyn Fn(&Judged) -> String,
    ) {
        let mut nth: BTreeMap<&str, usize> = BTreeMap::new();
        for judged in rows {
            let rule_id = judged.row.row.rule_id.as_str();
            let number = nth.entry(rule_id).or_default();
            let code = code(self.options.seed, name, rule_id, *number);
            *number += 1;
            if matches!(judged.status(), Verdict::Pass | Verdict::NotApplicable) {
                continue;
            }
            self.findings.push(Finding {
                code,
                block_id: name.to_owned(),
                judged: judged.clone(),
                place: judged.place.map(|place| frame.leave(place)),
                map: map(judged),
            });
        }
    }

    /// Writes the folder, and signs its sums where that is asked.
    ///
    /// # Errors
    /// A file that cannot be written; a key that cannot sign.
    pub fn write(
        mut self,
        folder: &Path,
        run: &AuditReport,
        decimals: usize,
    ) -> Result<(), OutputError> {
        fs::create_dir_all(folder).map_err(OutputError::file(folder, "create the folder"))?;
        let mut findings = std::mem::take(&mut self.findings);
        findings.sort_by(|a, b| a.worst_first().cmp(&b.worst_first()));
        self.table(&folder.join(ACTIONS), &findings, decimals)?;
        let mut sources = Table::create(&folder.join(SOURCES), ["file", "bytes", "sha256"])?;
        for input in &run.inputs {
            let bytes = input.bytes.to_string();
            let file = cells::text(&input.source);
            sources.row([file.as_ref(), bytes.as_str(), input.sha256.as_str()])?;
        }
        sources.close()?;
        let page = folder.join(PAGE);
        let html = self.html(&findings, run, decimals);
        fs::write(&page, html).map_err(OutputError::file(&page, "write the file"))?;
        let mut sums = String::new();
        for name in [ACTIONS, PAGE, SOURCES] {
            let path = folder.join(name);
            let (sum, _) = digest(&path).map_err(OutputError::file(&path, "read the file"))?;
            let _ = writeln!(sums, "{sum}  {name}");
        }
        let path = folder.join(SUMS);
        fs::write(&path, sums).map_err(OutputError::file(&path, "write the file"))?;
        match &self.options.sign_key {
            Some(key) => sign(key, &path),
            None => Ok(()),
        }
    }

    fn table(&self, path: &Path, findings: &[Finding], decimals: usize) -> Result<(), OutputError> {
        let header = [
            "code", "block_id", "rule_id", "title", "status", "short", "unit", "x", "y",
        ];
        let mut table = Table::create(path, header.into_iter().chain(TO_FILL))?;
        let none = Action::default();
        for finding in findings {
            let row = &finding.judged.row;
            let own = &row.row;
            let action = self.options.actions.rows.get(&finding.code);
            let state = action.map_or("", |action| action.state.key());
            let action = action.unwrap_or(&none);
            let place = |of: fn(Coord) -> f64| cells::number(finding.place.map(of), decimals);
            table.row([
                finding.code.as_str(),
                cells::text(&finding.block_id).as_ref(),
                cells::text(&own.rule_id).as_ref(),
                cells::text(&own.title).as_ref(),
                own.status.key(),
                &cells::number(row.short, 6),
                own.unit,
                &place(|at| at.x),
                &place(|at| at.y),
                cells::text(&action.action).as_ref(),
                cells::text(&action.responsible).as_ref(),
                cells::text(&action.due).as_ref(),
                state,
                cells::text(&action.done_on).as_ref(),
                cells::text(&action.checked_by).as_ref(),
                cells::text(&action.note).as_ref(),
            ])?;
        }
        for action in self.gone(findings) {
            table.row([
                action.code.as_str(),
                cells::text(&action.block_id).as_ref(),
                "",
                cells::text(&action.title).as_ref(),
                "gone",
                "",
                "",
                "",
                "",
                cells::text(&action.action).as_ref(),
                cells::text(&action.responsible).as_ref(),
                cells::text(&action.due).as_ref(),
                action.state.key(),
                cells::text(&action.done_on).as_ref(),
                cells::text(&action.checked_by).as_ref(),
                cells::text(&action.note).as_ref(),
            ])?;
        }
        table.close()
    }

    /// Actions whose finding is no longer there.
    fn gone(&self, findings: &[Finding]) -> Vec<&Action> {
        let codes: BTreeSet<&str> = findings.iter().map(|own| own.code.as_str()).collect();
        let actions = self.options.actions.rows.values();
        actions
            .filter(|action| !codes.contains(action.code.as_str()))
            .collect()
    }

    fn html(&self, findings: &[Finding], run: &AuditReport, decimals: usize) -> String {
        let words = Words::of(self.options.language);
        let count = |wanted: Verdict| {
            let found = findings.iter().filter(|own| own.judged.status() == wanted);
            found.count().to_string()
        };
        let mut page = format!(
            "<!doctype html>\n<html lang=\"{lang}\">\n<head>\n<meta charset=\"utf-8\">\n\
             <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n\
             <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>{title}: {project}</title>\n\
             <style>\n{}{}</style>\n</head>\n<body>\n<main>\n<h1>{title}: {project}</h1>\n<p>{}</p>\n",
            css(),
            own_css(),
            text::fill(
                words.intro,
                &[
                    &self.blocks.to_string(),
                    &count(Verdict::Fail),
                    &count(Verdict::Warn),
                    &count(Verdict::Unknown),
                ]
            ),
            lang = words.lang,
            title = words.title,
            project = escape(&run.project),
        );
        let _ = writeln!(page, "<h2>{}</h2>\n<ul>", words.check_head);
        for said in words.check {
            let _ = writeln!(page, "<li>{}</li>", text::fill(said, &[NAMESPACE]));
        }
        let _ = writeln!(
            page,
            "</ul>\n<h2>{}</h2>\n<p>{} {}: {}. {} {}</p>",
            words.judged,
            escape(&run.accuracy.words),
            words.rule,
            escape(&run.rulebook.title),
            run.program.name,
            run.program.version
        );
        for warning in &run.warnings {
            let _ = writeln!(page, "<p class=\"caution\">{}</p>", escape(warning));
        }
        let _ = writeln!(
            page,
            "<h2>{}</h2>\n<div class=\"wide\"><table><thead><tr><th>{}</th><th>{}</th><th>SHA-256</th></tr></thead><tbody>",
            words.sources, words.file, words.bytes
        );
        for input in &run.inputs {
            let _ = writeln!(
                page,
                "<tr><th scope=\"row\">{}</th><td>{}</td><td><code>{}</code></td></tr>",
                escape(&input.source),
                input.bytes,
                input.sha256
            );
        }
        let _ = writeln!(page, "</tbody></table></div>\n<h2>{}</h2>", words.list);
        if findings.is_empty() {
            let _ = writeln!(page, "<p>{}</p>", words.none);
        }
        let is_told = |own: &&Finding| own.judged.status() != Verdict::Unknown;
        for (number, finding) in (1..).zip(findings.iter().filter(is_told).take(MOST_TOLD)) {
            self.section(&mut page, number, finding, words, decimals);
        }
        let more = findings.iter().filter(is_told).count();
        if more > MOST_TOLD {
            let more = (more - MOST_TOLD).to_string();
            let _ = writeln!(page, "<p>{}</p>", text::fill(words.more, &[&more]));
        }
        self.unknown(&mut page, findings, words);
        let gone = self.gone(findings);
        if !gone.is_empty() {
            let _ = writeln!(page, "<h2>{}</h2>\n<ul>", words.gone);
            for action in gone {
                let values = [
                    &action.code,
                    &action.block_id,
                    &action.title,
                    words.state(action.state),
                ];
                let row = text::fill(words.gone_row, &values);
                let _ = writeln!(page, "<li>{}</li>", escape(&row));
            }
            page += "</ul>\n";
        }
        let cautions = text::of(self.options.language);
        let _ = write!(
            page,
            "<footer><h2>{}</h2><ul>",
            escape(cautions.cautions_head)
        );
        for caution in cautions.cautions {
            let _ = write!(page, "<li>{}</li>", escape(caution));
        }
        page + "</ul></footer>\n</main>\n</body>\n</html>\n"
    }

    fn name<'n>(&self, finding: &'n Finding, words: &'n Words) -> &'n str {
        match finding.block_id.as_str() {
            super::ALL_BLOCKS => words.all_blocks,
            id => id,
        }
    }

    fn section(
        &self,
        page: &mut String,
        number: usize,
        finding: &Finding,
        words: &Words,
        decimals: usize,
    ) {
        let row = &finding.judged.row;
        let own = &row.row;
        let class = class(own.status);
        let _ = writeln!(
            page,
            "<section class=\"finding\"><h3>{number}. {} {}: {}</h3>\n<p class=\"verdict {class}\">{} · <code>{}</code></p>\n{}<dl>",
            words.block,
            escape(self.name(finding, words)),
            escape(&said_in(&own.title, self.options.language)),
            audit_words::Words::of(self.options.language).verdict(own.status),
            finding.code,
            finding.map,
        );
        let mut said = |head: &str, what: &str| {
            if !what.is_empty() {
                let _ = writeln!(page, "<dt>{head}</dt><dd>{}</dd>", escape(what));
            }
        };
        let sure = match (row.error, row.confidence, row.tolerance) {
            (Some(_), Some(confidence), _) => {
                let at = format!("{} %", 100.0 * confidence);
                let at = text::fill(words.at_confidence, &[&at]);
                format!(
                    " ± {} {at}",
                    finding.figure(row.error, self.options.language)
                )
            }
            (_, _, Some(_)) => format!(
                " (± {})",
                finding.figure(row.tolerance, self.options.language)
            ),
            _ => String::new(),
        };
        said(
            words.required,
            &finding.figure(own.required, self.options.language),
        );
        let measured = format!(
            "{}{sure}, {}",
            finding.figure(own.measured, self.options.language),
            words.by_layers
        );
        said(words.measured, &measured);
        if row.short.is_some_and(|short| short > 0.0) {
            said(
                words.short,
                &finding.figure(row.short, self.options.language),
            );
        }
        if row.area_m2.is_some_and(|area_m2| area_m2 > 0.0) {
            let ground = format!("{} m²", cells::number(row.area_m2, 0));
            said(words.ground, &ground);
        }
        if row.as_recorded.is_some() {
            said(
                words.as_recorded,
                &finding.figure(row.as_recorded, self.options.language),
            );
        }
        said(words.why, &said_in(&row.message, self.options.language));
        let rule = match own.origin.is_empty() {
            true => text::fill(words.no_rule, &[&own.source]),
            false => format!(
                "{}; {}; {}",
                own.source,
                text::fill(words.read, &[own.source_status]),
                text::fill(words.written_at, &[&own.origin])
            ),
        };
        said(words.rule, &rule);
        if let Some(place) = finding.place {
            let at = |value: f64| cells::number(Some(value), decimals.min(7));
            said(words.place, &format!("{} {}", at(place.x), at(place.y)));
        }
        let field = row.field.as_ref().map_or_else(
            || words.not_in_field.to_owned(),
            |field| {
                let number = |value: Option<f64>| match value {
                    Some(_) => cells::number(value, 2),
                    None => "?".to_owned(),
                };
                let (measured, error) = (number(field.measured), number(field.error));
                let values = [
                    measured.as_str(),
                    &error,
                    &field.by,
                    &field.on,
                    &field.photo,
                    &field.note,
                ];
                text::fill(words.in_field, &values)
            },
        );
        said(words.field, &field);
        match self.options.actions.rows.get(&finding.code) {
            None => said(words.action, words.no_action),
            Some(action) => {
                said(words.action, &action.action);
                said(words.state, words.state(action.state));
                said(words.responsible, &action.responsible);
                said(words.due, &action.due);
                said(words.done_on, &action.done_on);
                said(words.checked_by, &action.checked_by);
                said(words.note, &action.note);
            }
        }
        *page += "</dl></section>\n";
    }

    fn unknown(&self, page: &mut String, findings: &[Finding], words: &Words) {
        let unknown: Vec<&Finding> = findings
            .iter()
            .filter(|own| own.judged.status() == Verdict::Unknown)
            .collect();
        if unknown.is_empty() {
            return;
        }
        let _ = writeln!(
            page,
            "<h2>{}</h2>\n<div class=\"wide\"><table><thead><tr><th></th><th>{}</th><th>{}</th><th>{}</th></tr></thead><tbody>",
            words.untold, words.block, words.finding, words.why
        );
        for finding in unknown {
            let row = &finding.judged.row;
            let _ = writeln!(
                page,
                "<tr><td><code>{}</code></td><th scope=\"row\">{}</th><td>{}</td><td>{}</td></tr>",
                finding.code,
                escape(self.name(finding, words)),
                escape(&said_in(&row.row.title, self.options.language)),
                escape(&said_in(&row.message, self.options.language))
            );
        }
        *page += "</tbody></table></div>\n";
    }
}

/// The place with the distance drawn, and what is cut around it.
fn map(judged: &Judged, shape: &MultiPolygon, cut: &MultiPolygon, words: &Words) -> String {
    let Some(place) = judged.place else {
        return String::new();
    };
    let away = |to: &Toward| (to.at - place).x.hypot((to.at - place).y);
    let to_m = judged.toward.as_ref().map_or(0.0, away);
    // What is no distance is a matter of the whole block.
    let bounds = match &judged.toward {
        Some(_) => {
            let half_m = (1.6 * to_m).clamp(*AROUND_M.start(), *AROUND_M.end());
            Bounds::of([&place]).grown(half_m)
        }
        None => Bounds::of_polygons(shape).grown(20.0),
    };
    let window = Window::new(bounds, MAP_PX);
    let frame = [bounds.grown(2.0).to_polygon()];
    let within = |ground: &MultiPolygon| window.ground(&intersection(ground, &frame).0);
    let mut svg = window.open(words.map);
    let _ = write!(
        svg,
        "<path class=\"cut\" d=\"{}\"/><path class=\"block\" d=\"{}\"/>",
        within(cut),
        window.ground(&shape.0),
    );
    if let Some(ground) = &judged.ground {
        let _ = write!(svg, "<path class=\"short\" d=\"{}\"/>", within(ground));
    }
    if let Some(toward) = &judged.toward {
        let edges: String = toward.edges.iter().map(|edge| window.way(edge)).collect();
        let _ = write!(
            svg,
            "<path class=\"toward\" d=\"{edges}\"/><path class=\"distance\" d=\"{}\"/>",
            window.way(&[place, toward.at])
        );
        let ((x0, y0), (x1, y1)) = (window.at(place), window.at(toward.at));
        let _ = write!(
            svg,
            "<text class=\"metres\" x=\"{:.1}\" y=\"{:.1}\">{} m</text>",
            (x0 + x1) / 2.0,
            (y0 + y1) / 2.0 - 6.0,
            cells::number(Some(to_m), 2)
        );
    }
    let (x, y) = window.at(place);
    let _ = writeln!(
        svg,
        "<circle class=\"place\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"5\"/>{}</svg>",
        window.scale_bar()
    );
    let shown = [
        Some("block"),
        Some("cut"),
        judged.ground.as_ref().map(|_| "short"),
        judged.toward.as_ref().map(|_| "toward"),
        judged.toward.as_ref().map(|_| "distance"),
    ];
    let signs = shown.into_iter().zip(words.key);
    svg + &key(signs.filter_map(|(class, word)| Some((class?, word))))
}

fn own_css() -> String {
    format!(
        ".finding {{ border-top: 2px solid {grey}; }}\n\
         .finding dl {{ display: grid; grid-template-columns: max-content 1fr; gap: .2rem .8rem; }}\n\
         .finding dt {{ font-weight: 600; }}\n.finding dd {{ margin: 0; }}\n\
         .verdict {{ width: max-content; padding: .1rem .6rem; border-left: .5rem solid {grey}; }}\n\
         .verdict.fail {{ border-left-color: {fail}; }}\n.verdict.warn {{ border-left-color: {warn}; }}\n\
         svg .toward {{ fill: none; stroke: {blue}; stroke-width: 2.2; }}\n\
         svg .distance {{ fill: none; stroke: {black}; stroke-width: 1.4; stroke-dasharray: 5 3; }}\n\
         svg .metres {{ font-weight: 700; font-size: 13px; paint-order: stroke; stroke: {white}; stroke-width: 3px; }}\n\
         @media print {{ .finding {{ break-before: page; }} }}\n",
        grey = style::GREY_LIGHT,
        fail = style::sign(Verdict::Fail)[0],
        warn = style::sign(Verdict::Warn)[0],
        blue = style::BLUE,
        black = style::BLACK,
        white = style::WHITE,
    )
}

/// Signs a file with the `ssh-keygen` of this machine, which makes `FILE.sig`.
fn sign(key: &Path, file: &Path) -> Result<(), OutputError> {
    let refused = |why: String| OutputError::Unsigned {
        key: key.to_owned(),
        why,
    };
    let ended = Command::new("ssh-keygen")
        .args(["-q", "-Y", "sign", "-n", NAMESPACE, "-f"])
        .arg(key)
        .arg(file)
        .output()
        .map_err(|error| refused(format!("ssh-keygen does not start: {error}")))?;
    let signature = file.with_file_name(format!("{SUMS}.sig"));
    if ended.status.success() && signature.is_file() {
        return Ok(());
    }
    let told = String::from_utf8_lossy(&ended.stderr);
    let told: Vec<&str> = told
        .lines()
        .map(str::trim)
        .filter(|line| !line.is_empty())
        .collect();
    Err(refused(told.join("; ")))
}
