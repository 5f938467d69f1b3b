//! The short list, as Markdown that reads as plain text, too.

use super::words::Words;
use crate::model::{
    BlockChange, Changes, FigureChange, FindingLine, GroundChange, PlanMark, shown,
};
use crate::outputs::text::fill;

/// Text of an input on one line of Markdown, without what would be read as its signs.
fn plain(text: &str) -> String {
    let line = shown::line(text);
    let signs = line.chars().flat_map(|letter| {
        let sign = matches!(letter, '|' | '<' | '>' | '[' | ']' | '\\' | '*' | '_' | '`');
        sign.then_some('\\').into_iter().chain([letter])
    });
    signs.collect()
}

pub fn plan(mark: Option<&PlanMark>, words: &Words) -> String {
    match mark {
        None => words.unnumbered.to_owned(),
        Some(PlanMark { number, date: None }) => fill(words.plan, &[&number.to_string()]),
        Some(PlanMark {
            number,
            date: Some(date),
        }) => fill(words.plan_of, &[&number.to_string(), date]),
    }
}

pub fn text(changes: &Changes, words: &Words) -> String {
    let mut out = format!("# {}", words.title);
    if changes.plan.is_some() {
        let pair = [&changes.plan, &changes.replaces].map(|mark| plan(mark.as_ref(), words));
        let pair = fill(words.in_place_of, &[&pair[0], &pair[1]]);
        out += &format!("{} {pair}", words.colon);
    }
    let with = changes.blocks.len().to_string();
    let without = changes.blocks_without_news.to_string();
    out += &format!("\n\n{}\n", fill(words.summary, &[&with, &without]));
    sheets(&mut out, changes, words);
    if changes.blocks.len() > 1 && !(changes.ground.is_empty() && changes.figures.is_empty()) {
        out += &format!("\n## {}\n", words.all_blocks);
        tables(&mut out, &changes.ground, &changes.figures, words);
    }
    for block in &changes.blocks {
        self::block(&mut out, block, words);
    }
    for (head, ids) in [
        (words.gone_blocks, &changes.blocks_gone),
        (words.not_planned, &changes.blocks_not_planned),
    ] {
        if !ids.is_empty() {
            let ids: Vec<String> = ids.iter().map(|id| plain(id)).collect();
            out += &format!("\n## {head}\n\n{}\n", ids.join(", "));
        }
    }
    out
}

fn sheets(out: &mut String, changes: &Changes, words: &Words) {
    if changes.sheets_to_print.is_empty() {
        *out += &format!("\n{}\n", words.print_none);
        return;
    }
    *out += &format!("\n## {}\n\n", words.print);
    let printed = changes.blocks.iter().filter(|block| {
        matches!(
            block.sheet,
            crate::model::SheetNews::Anew | crate::model::SheetNews::New
        )
    });
    for (file, block) in changes.sheets_to_print.iter().zip(printed) {
        let file = plain(file);
        let replaced = block.mark.as_ref().and_then(|mark| mark.replaces.as_ref());
        let line = match (block.sheet, replaced) {
            (crate::model::SheetNews::New, _) => fill(words.first_sheet, &[&file]),
            (_, None) => fill(words.replaces_unnumbered, &[&file]),
            (_, mark) => fill(words.replaces, &[&file, &plan(mark, words)]),
        };
        *out += &format!("- {line}\n");
    }
}

fn tables(out: &mut String, ground: &[GroundChange], figures: &[FigureChange], words: &Words) {
    if !ground.is_empty() {
        *out += &format!("\n{}\n| --- | --- | ---: |\n", words.ground_head);
        for change in ground {
            *out += &format!(
                "| {} | {} | {:.2} |\n",
                words.use_of(change.from),
                words.use_of(change.to),
                change.area_ha
            );
        }
    }
    if !figures.is_empty() {
        *out += &format!("\n{}\n| --- | ---: | ---: |\n", words.figure_head);
        for change in figures {
            let named = words.figures.iter().find(|(key, _)| *key == change.figure);
            let decimals = if change.figure == "retention_share" {
                4
            } else {
                2
            };
            let value = |value: Option<f64>| {
                value.map_or(words.not_known.to_owned(), |v| format!("{v:.decimals$}"))
            };
            *out += &format!(
                "| {} | {} | {} |\n",
                named.map_or(change.figure, |(_, name)| name),
                value(change.before),
                value(change.after)
            );
        }
    }
}

fn block(out: &mut String, block: &BlockChange, words: &Words) {
    *out += &format!(
        "\n## {}\n",
        fill(words.map.block, &[&plain(&block.block_id)])
    );
    if !block.was_planned {
        *out += &format!("\n{}\n", words.new_block);
    }
    tables(out, &block.ground, &block.figures, words);
    for (head, lines) in [
        (words.new_findings, &block.findings_new),
        (words.gone_findings, &block.findings_gone),
    ] {
        if lines.is_empty() {
            continue;
        }
        *out += &format!("\n{head}{}\n\n", words.colon);
        for FindingLine {
            rule_id, message, ..
        } in lines
        {
            *out += &format!("- {}: {}\n", plain(rule_id), plain(message));
        }
    }
    if let Some(map) = &block.map {
        *out += &format!("\n{}{} [{map}]({map})\n", words.see_map, words.colon);
    }
}
