//! The text of a project file, part by part, with the reason of every line.

use std::path::{Path, PathBuf};

use super::Survey;
use super::attributes::{self, Line, quoted};
use super::place::{Proposal, proposals};
use super::rasters::{self, Terrain};
use super::roles::{RoleGuess, TAKEN_FROM, Verdict, verdict};
use super::split::{self, Part};
use crate::model::{LayerKind, LayoutSettings, Machine};
use crate::project::why_not_plain;
use crate::sources::SurveyedLayer;
use crate::units::LengthUnit;

/// Where remarks begin behind a key and its value.
const REMARK_COLUMN: usize = 44;
/// Longer values have their remark on the line above.
const LONG: usize = 60;
const WIDTH: usize = 120;

/// Whether a part of the file counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Standing {
    InForce,
    CommentedOut,
    NotUsed,
}

/// What became of one layer, raster or table.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct LayerNote {
    /// As the project file names it.
    pub source: String,
    pub layer: Option<String>,
    /// Key of the role, if any was thought of.
    pub role: Option<&'static str>,
    /// Of 100.
    pub score: Option<u32>,
    pub standing: Standing,
    pub why: String,
}

/// Something that only a person can do, at a line of the file.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Task {
    pub line: usize,
    pub what: String,
}

/// A part of the file that is for one layer.
#[derive(Clone, Debug)]
pub(super) struct Section {
    pub kind: Option<LayerKind>,
    pub source: String,
    pub layer: Option<String>,
    pub is_in_force: bool,
    /// What to do about it.
    pub task: Option<String>,
    pub text: String,
    pub note: LayerNote,
}

/// A project file before it is written.
#[derive(Clone, Debug)]
pub struct Draft {
    head: String,
    pub(super) sections: Vec<Section>,
    /// One remark a file that is not used.
    pub(super) unused: Vec<(String, LayerNote)>,
    tail: String,
    pub proposals: Vec<Proposal>,
    /// Where the blocks lie: west, south, east and north.
    pub degrees: Option<[f64; 4]>,
    /// What a person has still to do; lines are those of [`Draft::text`].
    pub tasks: Vec<Task>,
}

impl Draft {
    pub(super) fn new(survey: &Survey, out: &Path) -> Draft {
        let base = out.parent().unwrap_or(Path::new(""));
        let mut verdicts: Vec<(usize, Verdict)> = Vec::new();
        for (at, layer) in survey.layers.iter().enumerate() {
            verdicts.push((at, verdict(layer)));
        }
        one_of_blocks(&mut verdicts);
        let unit = bare_unit(survey, &verdicts);
        let mut planned: Vec<Planned> = Vec::new();
        let mut unused = Vec::new();
        for (at, verdict) in verdicts {
            let layer = &survey.layers[at];
            let source = match shown(&layer.path, base) {
                Ok(source) => source,
                Err(why) => {
                    unused.push(not_used(&layer.path.to_string_lossy(), None, why));
                    continue;
                }
            };
            let name = layer.is_one_of_several.then(|| layer.name.clone());
            match verdict {
                Verdict::Unknown(why) => unused.push(not_used(&source, name.as_deref(), &why)),
                Verdict::Taken(guess) => {
                    planned.extend(planned_of(layer, source, name, vec![guess], None))
                }
                Verdict::Doubtful(guesses, why) => {
                    planned.extend(planned_of(layer, source, name, guesses, Some(why)));
                }
            }
        }
        planned.sort_by_key(|one| one.part_kind());
        let counts = |kind: LayerKind| planned.iter().filter(|one| one.part_kind() == kind).count();
        let several: Vec<LayerKind> = LayerKind::ALL
            .into_iter()
            .filter(|kind| counts(*kind) > 1)
            .collect();
        let mut sections: Vec<Section> = (planned.iter())
            .map(|one| one.section(several.contains(&one.part_kind()), unit))
            .collect();
        add_rasters(survey, base, &mut sections, &mut unused);
        add_tables(survey, base, &mut sections, &mut unused);
        for (path, why) in &survey.unread {
            let source = shown(path, base).unwrap_or_else(|_| path.to_string_lossy().into_owned());
            unused.push(not_used(&source, None, why));
        }
        let blocks = planned
            .iter()
            .filter(|one| one.part_kind() == LayerKind::Blocks);
        let mut by_force: Vec<&Planned> = blocks.collect();
        by_force.sort_by_key(|one| one.doubt.is_some());
        // Without blocks, the place of anything tells the country.
        let whose = by_force
            .first()
            .map(|one| one.layer)
            .or(survey.layers.first());
        let degrees = whose.and_then(|layer| layer.degrees);
        let proposals = proposals(degrees);
        let head = head(out, by_force.first().map(|one| one.layer), unit);
        let tail = tail(degrees, &proposals, &sections);
        let mut draft = Draft {
            head,
            sections,
            unused,
            tail,
            proposals,
            degrees,
            tasks: vec![],
        };
        draft.tasks = draft.tasks_in(&draft.text(), true);
        draft
    }

    /// The whole file.
    pub fn text(&self) -> String {
        let mut text = self.head.clone();
        for section in &self.sections {
            text += "\n";
            text += &section.text;
        }
        if !self.unused.is_empty() {
            text += "\n# Found, and not used:\n";
            for (remark, _) in &self.unused {
                text += remark;
            }
        }
        text += &self.tail;
        text
    }

    /// What became of each layer, raster and table, in the order of the file.
    pub fn notes(&self) -> impl Iterator<Item = &LayerNote> {
        let sections = self.sections.iter().map(|section| &section.note);
        sections.chain(self.unused.iter().map(|(_, note)| note))
    }

    /// Whether any layer of blocks counts.
    pub fn has_blocks(&self) -> bool {
        let mut sections = self.sections.iter();
        sections.any(|section| section.kind == Some(LayerKind::Blocks) && section.is_in_force)
    }

    /// What is left to do, with its lines in `text`.
    pub(super) fn tasks_in(&self, text: &str, with_rules: bool) -> Vec<Task> {
        let line_of = |part: &str| {
            let at = text.find(part).unwrap_or(0);
            text[..at].matches('\n').count() + 1
        };
        let mut tasks = Vec::new();
        if !self.has_blocks() && with_rules {
            let first = self
                .sections
                .iter()
                .find(|section| section.kind == Some(LayerKind::Blocks));
            tasks.push(Task {
                line: first.map_or_else(|| line_of(NO_BLOCKS), |section| line_of(&section.text)),
                what: match first {
                    Some(_) => "no layer of blocks counts yet: take the `#` away from the one that is meant",
                    None => "nothing looks like blocks: name their layer in [layers.blocks]",
                }
                .to_owned(),
            });
        }
        if with_rules {
            let of_place: Vec<String> = (self.proposals.iter())
                .filter(|one| one.country.is_some())
                .map(|one| format!("`{}`", one.preset))
                .collect();
            let what = match of_place.is_empty() {
                true => "choose the rules: no preset stands for this place".to_owned(),
                false => format!(
                    "choose the rules; for this place there is {}",
                    of_place.join(" or ")
                ),
            };
            tasks.push(Task {
                line: line_of("\n[rules]") + 1,
                what,
            });
        }
        for section in &self.sections {
            let Some(what) = &section.task else {
                continue;
            };
            if section.kind == Some(LayerKind::Blocks) && with_rules {
                continue;
            }
            tasks.push(Task {
                line: line_of(&section.text),
                what: what.clone(),
            });
        }
        tasks
    }
}

/// A layer, or a part of one, with its role.
struct Planned<'a> {
    layer: &'a SurveyedLayer,
    source: String,
    name: Option<String>,
    /// The likeliest first.
    guesses: Vec<RoleGuess>,
    /// Why it is not taken.
    doubt: Option<String>,
    part: Option<Part>,
}

fn planned_of<'a>(
    layer: &'a SurveyedLayer,
    source: String,
    name: Option<String>,
    guesses: Vec<RoleGuess>,
    doubt: Option<String>,
) -> Vec<Planned<'a>> {
    let Some(kind) = guesses.first().map(|guess| guess.kind) else {
        return vec![];
    };
    let mut parts: Vec<Option<Part>> = split::waters(layer, kind).into_iter().map(Some).collect();
    parts.extend(split::roads_only(layer, kind).map(Some));
    if parts.is_empty() {
        parts.push(None);
    }
    let of_part = |part: Option<Part>| Planned {
        layer,
        source: source.clone(),
        name: name.clone(),
        guesses: guesses.clone(),
        doubt: doubt.clone(),
        part,
    };
    parts.into_iter().map(of_part).collect()
}

impl Planned<'_> {
    fn part_kind(&self) -> LayerKind {
        match &self.part {
            Some(part) => part.kind,
            None => self.guesses[0].kind,
        }
    }

    fn section(&self, is_one_of_several: bool, unit: LengthUnit) -> Section {
        let kind = self.part_kind();
        let best = &self.guesses[0];
        let mut lines = vec![Line::taken("source", quoted(&self.source), String::new())];
        if let Some(name) = &self.name {
            lines.push(Line::taken("layer", quoted(name), String::new()));
        }
        if let Some(part) = &self.part {
            lines.push(Line::taken("where", quoted(&part.filter), part.why.clone()));
        }
        let features = self
            .part
            .as_ref()
            .map_or(self.layer.features, |part| part.features);
        lines.push(Line::taken(
            "features",
            features.to_string(),
            "as counted now; another count is an error".to_owned(),
        ));
        match &self.layer.crs {
            Some(crs)
                if !crs.is_projected
                    && self.layer.bounds.is_some_and(|b| !b.look_like_degrees()) =>
            {
                let remark = format!(
                    "the layer says {}, degrees, but its coordinates are none: take the `#` away and write the CRS that they are in",
                    crs.label
                );
                lines.push(Line::doubtful("crs", "\"EPSG:?\"".to_owned(), remark));
            }
            Some(_) => {}
            None => {
                let looks = self
                    .layer
                    .bounds
                    .is_some_and(|bounds| bounds.look_like_degrees());
                let (value, remark) = match looks {
                    true => (
                        "\"EPSG:4326\"",
                        "the layer names no CRS; its coordinates look like degrees: is it this one?",
                    ),
                    false => (
                        "\"EPSG:?\"",
                        "the layer names no CRS; without this line it is taken to lie in that of [project]",
                    ),
                };
                lines.push(Line::doubtful("crs", value.to_owned(), remark.to_owned()));
            }
        }
        lines.extend(attributes::lines(
            self.layer,
            kind,
            self.part.as_ref(),
            unit,
        ));
        let mut text = String::new();
        let why = best.why.join(", ");
        text += &remark(&match &self.part {
            Some(part) if part.kind != best.kind || part.kind != LayerKind::Roads => format!(
                "{}: a part of a layer that is `{}`, {} of 100: {why}.",
                kind.key(),
                best.kind.key(),
                best.score
            ),
            _ => format!("{}: {} of 100: {why}.", best.kind.key(), best.score),
        });
        if let Some(doubt) = &self.doubt {
            text += &remark(&format!("Commented out: {doubt}."));
        }
        for other in self.guesses.iter().skip(1) {
            text += &remark(&format!(
                "Or [layers.{}], {} of 100: {}.",
                other.kind.key(),
                other.score,
                other.why.join(", ")
            ));
        }
        let header = match is_one_of_several {
            true => format!("[[layers.{}]]", kind.key()),
            false => format!("[layers.{}]", kind.key()),
        };
        let is_in_force = self.doubt.is_none();
        text += &format!("{}{header}\n", if is_in_force { "" } else { "# " });
        for line in &lines {
            text += &written(line, is_in_force);
        }
        let whose = match &self.name {
            Some(name) => format!("{}, layer {name}", self.source),
            None => self.source.clone(),
        };
        let task = self
            .doubt
            .as_ref()
            .map(|doubt| format!("{whose}: is it `{}`? {doubt}", kind.key()));
        Section {
            kind: Some(kind),
            source: self.source.clone(),
            layer: self.name.clone(),
            is_in_force,
            task,
            text,
            note: LayerNote {
                source: self.source.clone(),
                layer: self.name.clone(),
                role: Some(kind.key()),
                score: Some(best.score),
                standing: if is_in_force {
                    Standing::InForce
                } else {
                    Standing::CommentedOut
                },
                why: self.doubt.clone().unwrap_or(why),
            },
        }
    }
}

/// By so much one layer of blocks must be ahead of all others.
const BLOCKS_AHEAD_BY: u32 = 25;

/// Two layers that both look like blocks may be two seasons, or a plan and its forerunner: none is taken then, unless one is
/// far ahead.
fn one_of_blocks(verdicts: &mut [(usize, Verdict)]) {
    let score = |verdict: &Verdict| match verdict {
        Verdict::Taken(guess) if guess.kind == LayerKind::Blocks => Some(guess.score),
        _ => None,
    };
    let mut scores: Vec<u32> = verdicts
        .iter()
        .filter_map(|(_, verdict)| score(verdict))
        .collect();
    scores.sort_unstable_by_key(|score| std::cmp::Reverse(*score));
    let [first, second, ..] = scores[..] else {
        return;
    };
    let ahead = first >= second + BLOCKS_AHEAD_BY;
    for (_, verdict) in verdicts {
        let Some(own) = score(verdict) else {
            continue;
        };
        if ahead && own == first {
            continue;
        }
        if let Verdict::Taken(guess) = verdict {
            let why = "several layers look like blocks: seasons, or a plan and its forerunner?"
                .to_owned();
            *verdict = Verdict::Doubtful(vec![guess.clone()], why);
        }
    }
}

/// The unit of bare numbers: feet where all names of widths say so.
fn bare_unit(survey: &Survey, verdicts: &[(usize, Verdict)]) -> LengthUnit {
    let units: Vec<LengthUnit> = verdicts
        .iter()
        .filter_map(|(at, verdict)| match verdict {
            Verdict::Taken(guess) => Some(attributes::width_units(&survey.layers[*at], guess.kind)),
            _ => None,
        })
        .flatten()
        .collect();
    match !units.is_empty() && units.iter().all(|unit| *unit == LengthUnit::Foot) {
        true => LengthUnit::Foot,
        false => LengthUnit::Metre,
    }
}

/// The path as the project file names it: from its own folder where it lies below, else whole.
fn shown(path: &Path, base: &Path) -> Result<String, &'static str> {
    let whole = |path: &Path| std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    let (path, base) = (whole(path), whole(base));
    let short: PathBuf = path
        .strip_prefix(&base)
        .map_or_else(|_| path.clone(), Path::to_owned);
    let text = short.to_str().ok_or("its path is not in UTF-8")?;
    match why_not_plain(text) {
        Some(why) => Err(why),
        None => Ok(text.to_owned()),
    }
}

fn not_used(source: &str, layer: Option<&str>, why: &str) -> (String, LayerNote) {
    let whose = match layer {
        Some(layer) => format!("{source}, layer {layer}"),
        None => source.to_owned(),
    };
    let note = LayerNote {
        source: source.to_owned(),
        layer: layer.map(str::to_owned),
        role: None,
        score: None,
        standing: Standing::NotUsed,
        why: why.to_owned(),
    };
    (remark(&format!("- {whose}: {why}")), note)
}

/// Lines of a remark, broken at words. Nothing of a file's own text ends the remark.
fn remark(text: &str) -> String {
    let plain: String = text
        .chars()
        .map(|sign| if sign.is_control() { ' ' } else { sign })
        .collect();
    let mut lines = String::new();
    let mut line = String::from("#");
    for word in plain.split_whitespace() {
        if line.chars().count() + 1 + word.chars().count() > WIDTH && line.len() > 1 {
            lines += &format!("{line}\n");
            line = String::from("#");
        }
        line += &format!(" {word}");
    }
    lines + &line + "\n"
}

/// A line of a table; `in_force` is whether the table counts.
fn written(line: &Line, in_force: bool) -> String {
    let Some((key, value)) = &line.entry else {
        return remark(&line.remark);
    };
    let mark = if in_force && line.is_in_force {
        ""
    } else {
        "# "
    };
    let entry = format!("{mark}{key:<8} = {value}");
    let plain: String = line
        .remark
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    match () {
        () if plain.is_empty() => format!("{entry}\n"),
        () if entry.chars().count() > LONG
            || entry.chars().count().max(REMARK_COLUMN) + 4 + plain.chars().count() > WIDTH =>
        {
            format!("{}{entry}\n", remark(&format!("{key}: {plain}")))
        }
        () => format!("{entry:<REMARK_COLUMN$}  # {plain}\n"),
    }
}

const NO_BLOCKS: &str = "# blocks: nothing that was found looks like them.\n";

fn head(out: &Path, blocks: Option<&SurveyedLayer>, unit: LengthUnit) -> String {
    let folder = std::path::absolute(out)
        .ok()
        .and_then(|path| Some(path.parent()?.to_owned()));
    let name = folder
        .as_deref()
        .and_then(Path::file_name)
        .unwrap_or_default();
    let name = name.to_string_lossy();
    let mut text = String::from(
        "# A project of blockwright, written by `blockwright init` from what the layers show. Lines with a `#` before them do not\n\
         # count: take it away where they are right. ",
    );
    text += &format!(
        "Roles are scored of 100, and taken from {TAKEN_FROM} on.\n\
         # Check each line: a name is no proof. docs/project-file.md has all keys.\n\n[project]\n"
    );
    text += &format!("name     = {}\n", quoted(&name));
    let crs = blocks.and_then(|layer| layer.crs.as_ref());
    let coded = crs.filter(|crs| crs.is_projected && crs.label.contains(':'));
    text += &match (coded, crs) {
        (Some(crs), _) => written(
            &Line::taken(
                "crs",
                quoted(&crs.label),
                "that of the blocks; outputs are written in it".to_owned(),
            ),
            true,
        ),
        (None, Some(crs)) => remark(&format!(
            "crs: the blocks are in {}, so the UTM zone in their middle is taken",
            crs.label
        )),
        (None, None) => {
            remark("crs: the blocks name none; without it the UTM zone in their middle is taken")
        }
    };
    let unit = match unit {
        LengthUnit::Metre => (
            "\"m\"",
            "of bare numbers, in attributes too; \"150 ft\" always works",
        ),
        LengthUnit::Foot => (
            "\"ft\"",
            "of bare numbers: the names of the widths say so; \"45 m\" always works",
        ),
    };
    text += &written(
        &Line::taken("unit", unit.0.to_owned(), unit.1.to_owned()),
        true,
    );
    text += "\n# --- Layers ---\n";
    if blocks.is_none() {
        text += "\n";
        text += NO_BLOCKS;
        text += "# [layers.blocks]\n# source   = \"?\"\n# id       = \"?\"\n";
    }
    text
}

fn add_rasters(
    survey: &Survey,
    base: &Path,
    sections: &mut Vec<Section>,
    unused: &mut Vec<(String, LayerNote)>,
) {
    let Terrain {
        taken,
        why,
        doubtful,
        others,
    } = rasters::terrain(&survey.rasters);
    let source = |at: usize| {
        let path = &survey.rasters[at].path;
        shown(path, base).unwrap_or_else(|_| path.to_string_lossy().into_owned())
    };
    let mut section = |sources: Vec<String>, in_force: bool, why: &str| {
        let texts: Vec<String> = sources.iter().map(|source| quoted(source)).collect();
        let value = match &texts[..] {
            [one] => one.clone(),
            several => format!("[{}]", several.join(", ")),
        };
        let mark = if in_force { "" } else { "# " };
        let mut text = remark(&format!("Elevations, from which slopes come: {why}."));
        text += &format!("{mark}[layers.terrain]\n");
        text += &written(&Line::taken("source", value, String::new()), in_force);
        text += &written(
            &Line::doubtful(
                "vertical_unit",
                "\"m\"".to_owned(),
                "where the raster does not say it, metres are taken".to_owned(),
            ),
            in_force,
        );
        let source = sources.join(", ");
        sections.push(Section {
            kind: None,
            source: source.clone(),
            layer: None,
            is_in_force: in_force,
            task: (!in_force).then(|| format!("{source}: does it hold elevations? {why}")),
            text,
            note: LayerNote {
                source,
                layer: None,
                role: Some("terrain"),
                score: None,
                standing: if in_force {
                    Standing::InForce
                } else {
                    Standing::CommentedOut
                },
                why: why.to_owned(),
            },
        });
    };
    if !taken.is_empty() {
        section(taken.iter().map(|at| source(*at)).collect(), true, &why);
    }
    for (at, why) in doubtful {
        section(vec![source(at)], false, &why);
    }
    for (at, why) in others {
        unused.push(not_used(&source(at), None, &why));
    }
}

/// Tables of trees by stand are proposed; others are named.
fn add_tables(
    survey: &Survey,
    base: &Path,
    sections: &mut Vec<Section>,
    unused: &mut Vec<(String, LayerNote)>,
) {
    for path in &survey.tables {
        let source = shown(path, base).unwrap_or_else(|_| path.to_string_lossy().into_owned());
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .from_path(path)
            .ok();
        let head = reader
            .as_mut()
            .and_then(|reader| reader.records().next()?.ok());
        let names: Vec<String> = head
            .iter()
            .flat_map(|head| head.iter().map(str::to_ascii_lowercase))
            .collect();
        let has = |name: &str| names.iter().any(|own| own.contains(name));
        if !(has("stand") && has("dbh") && has("stems")) {
            unused.push(not_used(
                &source,
                None,
                "a table; only tables of trees by stand are read",
            ));
            continue;
        }
        let why = "its columns are those of trees by stand; it is used with a layer of stands only"
            .to_owned();
        let text = remark(&format!("Trees by stand: {why}."))
            + &format!("# [stand_table]\n# source   = {}\n", quoted(&source));
        sections.push(Section {
            kind: None,
            source: source.clone(),
            layer: None,
            is_in_force: false,
            task: None,
            text,
            note: LayerNote {
                source,
                layer: None,
                role: Some("stand_table"),
                score: None,
                standing: Standing::CommentedOut,
                why,
            },
        });
    }
}

fn tail(degrees: Option<[f64; 4]>, proposals: &[Proposal], sections: &[Section]) -> String {
    let mut text = String::from(
        "\n# --- Rules ---\n# None stands until you choose one: take one `#` away. A preset is an aid; local codes, permits and licensed practice decide.\n",
    );
    let of_place: Vec<&Proposal> = proposals
        .iter()
        .filter(|one| one.country.is_some())
        .collect();
    if let Some([west, south, east, north]) = degrees {
        let (x, y) = (0.5 * (west + east), 0.5 * (south + north));
        let place = format!(
            "{:.2} degrees {}, {:.2} degrees {}",
            x.abs(),
            if x < 0.0 { "west" } else { "east" },
            y.abs(),
            if y < 0.0 { "south" } else { "north" }
        );
        text += &remark(&match of_place.is_empty() {
            true => format!("The blocks lie about {place}: in the country of no preset."),
            false => format!("The blocks lie about {place}."),
        });
    }
    text += "[rules]\n";
    for one in proposals {
        let whose = match one.country {
            Some((country, code)) => format!(
                "{} (in the area of use of {code}, that of {country} or around it)",
                one.title
            ),
            None => one.title.clone(),
        };
        text += &written(&Line::doubtful("preset", quoted(one.preset), whose), true);
    }
    text += &written(
        &Line::doubtful(
            "rulebook",
            "\"own-rules.toml\"".to_owned(),
            "your own; `blockwright rules show bare --toml` gives a frame".to_owned(),
        ),
        true,
    );
    text += &written(
        &Line::doubtful(
            "retention_share",
            "{ value = \"12 %\", source = \"?\" }".to_owned(),
            "what a permit asks for beyond it, with its source".to_owned(),
        ),
        true,
    );
    let (machine, layout) = (Machine::default(), LayoutSettings::default());
    text += "\n# --- Machine and trees: values without a line here are these ---\n\n[machine]\n";
    let metres = |m: f64| format!("\"{} m\"", (m * 1e4).round() / 1e4);
    let percent = |share: f64| format!("\"{} %\"", (share * 1e4).round() / 1e2);
    for (key, value, why) in [
        (
            "reach",
            metres(machine.reach_m),
            "from the machine's middle to the farthest tree on one side",
        ),
        (
            "max_slope",
            percent(machine.max_slope),
            "steeper ground is left; the maker's limit and local rules come first",
        ),
        (
            "night_slope",
            percent(machine.night_slope),
            "steeper ground is worked by day only",
        ),
    ] {
        text += &written(&Line::doubtful(key, value, why.to_owned()), true);
    }
    text += "\n[layout]\n";
    for (key, value, why) in [
        (
            "road_band",
            metres(layout.road_band_m),
            "no retention nearer to a road's edge",
        ),
        (
            "road_width",
            metres(layout.road_width_m),
            "cleared width of roads that do not say it",
        ),
        (
            "without_access",
            layout.without_access.to_string(),
            "true lays blocks out that no road comes near",
        ),
    ] {
        text += &written(&Line::doubtful(key, value, why.to_owned()), true);
    }
    let stands = sections
        .iter()
        .any(|one| one.kind == Some(LayerKind::Stands) && one.is_in_force);
    text += "\n[production]\n";
    let (stems, volume) = match stands {
        true => ("where no stand says it", "where no stand says it"),
        false => (
            "standing trees; without it hours stay empty",
            "mean volume of a tree, m3; without it there are no decks",
        ),
    };
    text += &written(
        &Line::doubtful("stems_per_ha", "550".to_owned(), stems.to_owned()),
        true,
    );
    text += &written(
        &Line::doubtful("tree_m3", "0.45".to_owned(), volume.to_owned()),
        true,
    );
    text
}
