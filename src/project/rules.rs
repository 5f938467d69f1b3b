//! `[rules]`: a preset with the project's own lines over it, each with its source.

use std::cmp::Reverse;
use std::collections::BTreeMap;

use crate::rulebook::spanned::Spanned;

use super::block_rules::BlockFigures;
use super::file::{LineTable, RulesTable, ShareText};
use super::resolve::Context;
use super::{ProjectError, Reason, RulesFile, rulebook_file};
use crate::model::{LayerKind, OpenDays};
use crate::rulebook::read::{Reader, Severity};
use crate::rulebook::{
    BlockRules, Citation, Distance, MeasuredFrom, RULED_KINDS, ReadStatus, RoadUse, RuleLine,
    Rulebook, RulebookError, TreesPerLength, Width, preset,
};

pub fn resolve(
    context: &Context<'_>,
    table: &Spanned<RulesTable>,
    warnings: &mut Vec<String>,
) -> Result<(Rulebook, Option<RulesFile>), ProjectError> {
    let (mut rules, file) = base(context, table)?;
    let table = table.get_ref();
    if let Some(source) = &table.source {
        context.not_empty("source", source)?;
    }
    let common_source = table
        .source
        .as_ref()
        .map(|source| source.get_ref().as_str());
    BlockFigures {
        context,
        common_source,
        warnings,
    }
    .lay_over(table, &mut rules)?;
    let asks_for_nothing = rules.retention_share.value == 0.0
        && rules.block == BlockRules::default()
        && rules.lines.iter().all(RuleLine::asks_for_nothing);
    if asks_for_nothing && table.line.is_empty() {
        warnings.push(format!(
            "[rules] {} `{}` adds nothing around water and protected areas and owes no retention; write the local \
             code's figures as `[[rules.line]]` and `retention_share`",
            if file.is_some() { "rulebook" } else { "preset" },
            rules.preset
        ));
    }
    let mut seen: Vec<(LayerKind, String)> = Vec::new();
    for written in &table.line {
        let line = written.get_ref();
        let kind = kind(context, &line.kind)?;
        let class = line.class.get_ref().trim().to_owned();
        if class.is_empty() {
            let key = "class".to_owned();
            return Err(context.error(line.class.span(), Reason::Empty { key }));
        }
        let key = (kind, class.to_ascii_lowercase());
        if seen.contains(&key) {
            let message = format!("there are two lines for {} of class `{class}`", kind.key());
            let remedy = "keep one of them".to_owned();
            let reason = Reason::Contradiction { message, remedy };
            return Err(context.error(line.class.span(), reason));
        }
        seen.push(key);
        let source = match &line.source {
            Some(own) => {
                context.not_empty("source", own)?;
                Some(own.get_ref().as_str())
            }
            None => common_source,
        };
        lay_over(context, &mut rules, kind, line, source, warnings)?;
        warn_of_idle_share(&rules, kind, line, warnings);
    }
    Ok((rules, file))
}

/// The rules before the project lays its own over them.
fn base(
    context: &Context<'_>,
    table: &Spanned<RulesTable>,
) -> Result<(Rulebook, Option<RulesFile>), ProjectError> {
    let own = table.get_ref();
    match (&own.preset, &own.rulebook) {
        (Some(name), None) => {
            let rules = preset(name.get_ref()).map_err(|error| {
                let reason = match error {
                    RulebookError::UnknownPreset { name } => Reason::UnknownPreset { name },
                    other => Reason::Preset(other),
                };
                context.error(name.span(), reason)
            })?;
            Ok((rules, None))
        }
        (None, Some(source)) => {
            let (rules, file) = rulebook_file::read(context, source)?;
            Ok((rules, Some(file)))
        }
        (Some(_), Some(second)) => {
            let reason = Reason::Contradiction {
                message: "both `preset` and `rulebook` are given".to_owned(),
                remedy: "keep one of them; a rulebook holds all the lines that are to count"
                    .to_owned(),
            };
            Err(context.error(second.span(), reason))
        }
        (None, None) => Err(context.error(table.span(), Reason::NoRules)),
    }
}

fn kind(context: &Context<'_>, written: &Spanned<String>) -> Result<LayerKind, ProjectError> {
    let known = LayerKind::from_key(written.get_ref()).filter(|kind| RULED_KINDS.contains(kind));
    known.ok_or_else(|| {
        let reason = Reason::UnknownChoice {
            key: "kind".to_owned(),
            value: written.get_ref().clone(),
            valid: RULED_KINDS.map(|kind| kind.key().to_owned()).to_vec(),
        };
        context.error(written.span(), reason)
    })
}

/// Replaces what `written` gives of the line for this class, or adds a line.
fn lay_over(
    context: &Context<'_>,
    rules: &mut Rulebook,
    kind: LayerKind,
    written: &LineTable,
    source: Option<&str>,
    warnings: &mut Vec<String>,
) -> Result<(), ProjectError> {
    let class = written.class.get_ref().trim();
    let same = |line: &RuleLine| line.kind == kind && line.class.eq_ignore_ascii_case(class);
    let base = rules.lines.iter().position(same);
    let says_use = kind == LayerKind::Roads
        && (written.decking.is_some() || written.machines.is_some() || written.cleared.is_some());
    let says_days = !(written.open.is_empty() && written.closed.is_empty());
    if base.is_none() && written.reserve.is_none() && !says_use && !says_days {
        // A new line without a reserve would silently ask for nothing.
        let fault = crate::rulebook::TomlFault::MissingKey {
            key: "reserve".to_owned(),
        };
        return Err(context.error(written.class.span(), Reason::Toml(fault)));
    }
    let mut line = match base {
        Some(at) => rules.lines[at].clone(),
        None => RuleLine {
            id: new_id(rules, kind, class),
            kind,
            class: class.to_owned(),
            title: format!("{} of class {class}", kind.key()),
            definition: String::new(),
            when: Vec::new(),
            reserve: Width::default(),
            management: Width::default(),
            management_share: 0.0,
            share_trees: None,
            trees_per_length: None,
            share_citation: None,
            machine_exclusion: Width::default(),
            distance: Distance::default(),
            measured_from: MeasuredFrom::default(),
            channel_up_to_m: None,
            road_use: RoadUse::default(),
            days: OpenDays::default(),
            window_within_m: 0.0,
            citation: Citation {
                text: String::new(),
                status: ReadStatus::Project,
            },
            origin: String::new(),
        },
    };
    let no_documents = BTreeMap::new();
    let mut reader = Reader::new(context.text, "project file", context.unit, &no_documents);
    let mut given = Vec::new();
    let widths = [
        ("reserve", &written.reserve, &mut line.reserve),
        ("management", &written.management, &mut line.management),
        (
            "machine_exclusion",
            &written.machine_exclusion,
            &mut line.machine_exclusion,
        ),
    ];
    for (key, width, slot) in widths {
        if let Some(width) = width {
            *slot = reader.width(width);
            given.push(key);
        }
    }
    if written.distance.is_some() {
        line.distance = reader.distance(&written.distance);
        given.push("distance");
    }
    if written.measured_from.is_some() {
        line.measured_from = reader.measured_from(&written.measured_from);
        given.push("measured_from");
    }
    if !written.when.is_empty() {
        line.when = reader.conditions(&written.when);
        given.push("when");
    }
    if let Some(length) = &written.channel_up_to {
        line.channel_up_to_m = Some(reader.width_length(length));
        given.push("channel_up_to");
    }
    let least_m = [
        line.share_trees.map(|trees| trees.least_m),
        line.trees_per_length.map(|trees| trees.least_m),
    ];
    let least_m = least_m.into_iter().flatten().next().unwrap_or_default();
    if written.share_of.is_some() {
        line.share_trees = reader.trees_of(&written.share_of);
        if let Some(trees) = &mut line.share_trees {
            trees.least_m = least_m;
        }
        given.push("share_of");
    }
    if let Some(trees) = &written.trees_per_length {
        line.trees_per_length = Some(TreesPerLength {
            least_m,
            ..reader.trees_per_length(trees)
        });
        given.push("trees_per_length");
    }
    if written.least_diameter.is_some() {
        let (share, per_length) = (&mut line.share_trees, &mut line.trees_per_length);
        reader.least_diameter(&written.least_diameter, share, per_length);
        given.push("least_diameter");
    }
    let road_use = RoadUse {
        decking: written.decking,
        machines: written.machines,
        cleared: written.cleared,
    };
    if road_use.is_said() {
        line.road_use = road_use.or(line.road_use);
        given.push("decking, machines or cleared");
    }
    if says_days {
        line.days = reader.days(&written.open, &written.closed);
        given.push("open or closed");
    }
    if let Some(within) = &written.within {
        line.window_within_m = reader.width_length(within);
        given.push("within");
    }
    line.origin = reader.origin_of(&written.class.span());
    let faults = reader.faults.into_iter();
    if let Some(fault) = faults.min_by_key(|fault| (Reverse(fault.severity), fault.span.start)) {
        if fault.severity == Severity::Error {
            return Err(context.error(fault.span, Reason::WrongRule(fault.message)));
        }
        warnings.push(format!(
            "[[rules.line]] {} of class `{class}`: {}",
            kind.key(),
            fault.message
        ));
    }
    match written
        .management_share
        .as_ref()
        .map(|share| (share.get_ref(), share.span()))
    {
        None => {}
        Some((ShareText::Plain(share), span)) => {
            line.management_share = context.fraction_at("management_share", share, span)?;
            line.share_citation = None;
            given.push("management_share");
        }
        Some((ShareText::Cited { value, source }, _)) => {
            line.management_share = context.fraction("management_share", value)?;
            context.not_empty("source", source)?;
            line.share_citation = Some(Citation {
                text: source.get_ref().clone(),
                status: ReadStatus::Project,
            });
        }
    }
    if let Some(title) = &written.title {
        line.title.clone_from(title);
    }
    if let Some(definition) = &written.definition {
        line.definition.clone_from(definition);
    }
    if let (Some(at), true, Some(_)) = (base, given.is_empty(), &written.management_share) {
        // Only the share is the project's, and it has a source of its own.
        rules.lines[at] = line;
        return Ok(());
    }
    if given.is_empty() {
        let message = format!(
            "the line for {} of class `{class}` sets nothing",
            kind.key()
        );
        let remedy =
            "give reserve, management, management_share, share_of, least_diameter, trees_per_length, machine_exclusion, distance, measured_from, when, \
             channel_up_to, open, closed or, for roads, decking, machines or cleared"
                .to_owned();
        let reason = Reason::Contradiction { message, remedy };
        return Err(context.error(written.class.span(), reason));
    }
    let Some(source) = source else {
        let reason = Reason::NoSource {
            kind: kind.key().to_owned(),
            class: class.to_owned(),
        };
        return Err(context.error(written.class.span(), reason));
    };
    // Widths of the rulebook that stay in force, and with them how they came to be known.
    let left_alone = base.is_some()
        && [
            ("reserve", &line.reserve),
            ("management", &line.management),
            ("machine_exclusion", &line.machine_exclusion),
        ]
        .iter()
        .any(|(key, width)| !given.contains(key) && width.widest() > 0.0);
    let doubtful = left_alone && line.citation.status == ReadStatus::FromMemory;
    // What the project leaves alone keeps its own source and reading status in view.
    line.citation.text = if base.is_some() {
        format!(
            "{source} ({}); all else {} [{}]",
            given.join(", "),
            line.citation.text,
            line.citation.status.key()
        )
    } else {
        source.to_owned()
    };
    if !doubtful {
        line.citation.status = ReadStatus::Project;
    }
    match base {
        Some(at) => rules.lines[at] = line,
        None => rules.lines.push(line),
    }
    Ok(())
}

fn warn_of_idle_share(
    rules: &Rulebook,
    kind: LayerKind,
    written: &LineTable,
    warnings: &mut Vec<String>,
) {
    let class = written.class.get_ref().trim();
    let line = rules
        .lines
        .iter()
        .find(|line| line.kind == kind && line.class.eq_ignore_ascii_case(class));
    if line.is_some_and(|line| line.owes_trees() && line.management.widest() == 0.0) {
        warnings.push(format!(
            "[[rules.line]] {} of class `{class}`: a management share without a management width asks for nothing",
            kind.key()
        ));
    }
}

/// `project-streams-s7`; a number is added where two classes differ only in signs.
fn new_id(rules: &Rulebook, kind: LayerKind, class: &str) -> String {
    let slug: String = match class {
        "*" => "any".to_owned(),
        _ => class
            .chars()
            .map(|c| match c.to_ascii_lowercase() {
                c if c.is_ascii_alphanumeric() => c,
                _ => '-',
            })
            .collect(),
    };
    let stem = format!("project-{}-{slug}", kind.key().replace('_', "-"));
    let taken = |id: &str| rules.lines.iter().any(|line| line.id == id);
    let mut id = stem.clone();
    let mut number = 2;
    while taken(&id) {
        id = format!("{stem}-{number}");
        number += 1;
    }
    id
}
