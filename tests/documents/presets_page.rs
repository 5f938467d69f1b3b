//! `docs/presets.md` says of each preset what it asks for and what it cannot judge, from the preset itself.
//! `BLOCKWRIGHT_WRITE_DOCS=1 cargo test --test documents presets_page` writes it anew.

use std::fmt::Write;

use blockwright::rulebook::{self, RULED_KINDS, RuleLine, Rulebook, Width};

const HEAD: &str = "# The presets

What each preset of `blockwright rules list` asks for, where that was read, and what it leaves out or cannot judge. Every one is
an aid: the rule, the plan, the permit and licensed practice decide. `blockwright rules show NAME` prints one with its sources,
`--toml` its text. What was not read is in none of them, and lines marked *from memory* warn in every output that rests on them:
look them up, and lay what you find over the preset (`[rules]` in the [project file](project-file.md#rules)).

This page is made from the presets themselves, and a test holds it against them.
";

const UNREAD: &str = "
## Codes that could not be read

These were looked for in December 2026, in stored copies of public pages. Such a copy ends after the opening of a long document, so a
width that stands further on was not seen. What cannot be read is no preset: write it into a [rulebook](rulebook.md) of your own,
with the clause.

| code | what was found |
| --- | --- |
| British Columbia, B.C. Reg. 14/2004, s. 47 to 52 and 66 | the regulation and three copies of it, up to the table of contents and the first definitions; the widths of `bc-fppr` are from tables that quote it |
| Washington, WAC 222-30-021 (west of the crest) | up to (1)(b): widths run horizontally from the edge of the bankfull width or the channel migration zone, and no timber is harvested in the core zone; the tables lie further on |
| Washington, WAC 222-30-023 (parcels of up to 20 acres) | up to (1)(b): at least 29 ft; the greatest widths, in (1)(f), lie further on |
| California, 14 CCR 916.5, 936.5, 956.5 | the procedure, up to letter A of the protective measures; Table I lies further on |
| Quebec, RADF s. 33 and 34 | other sections of it, each whole (26, 31, 68, 83, 111, 125), but not these two |
| Ontario, stand and site guide (2010) | title pages; a revision is under consultation |
| Alberta, operating ground rules | title pages and contents of the framework of 2016 and of seven agreements |
| Finland, decree 1234/2010 and its successor; PEFC FI 1003 | the first paragraphs; no width |
| Sweden, SKSFS rules on s. 30 of the Forestry Act | lists of them and a report of 2011 on their revision; no width |
| Tasmania, Forest Practices Code | guides that name it |
| New Zealand, plantation forestry standards (LI 2017/174) | the regulations of 2017, up to the table of contents |
";

/// The comment at the head of the preset as paragraphs and points.
fn remarks(text: &str) -> String {
    let mut all = String::new();
    for line in text.lines().take_while(|line| line.starts_with('#')) {
        let line = line.trim_start_matches('#').trim_end();
        let line = line.strip_prefix(' ').unwrap_or(line);
        let is_new = line.is_empty() || line.starts_with("- ");
        match (is_new, line) {
            (true, "") => all.push_str("\n\n"),
            (true, point) => {
                all.push_str(if all.ends_with("\n\n") { "" } else { "\n" });
                all.push_str(point);
            }
            (false, more) => {
                if !all.is_empty() && !all.ends_with('\n') {
                    all.push(' ');
                }
                all.push_str(more.trim_start());
            }
        }
    }
    // A heading that ends in a colon has its points below it.
    all.replace(":\n- ", ":\n\n- ")
}

fn width(width: &Width) -> String {
    let metres = width.widest();
    if metres == 0.0 {
        return "-".to_owned();
    }
    let feet = metres / 0.3048;
    let figure = if (feet - feet.round()).abs() < 1e-6 && (metres - metres.round()).abs() > 1e-6 {
        format!("{feet:.0} ft")
    } else {
        format!("{} m", (metres * 100.0).round() / 100.0)
    };
    match width.follows_slope() {
        true => format!("up to {figure}, by slope"),
        false => figure,
    }
}

fn row(line: &RuleLine) -> String {
    let kept = match line.management_share {
        0.0 => String::new(),
        share => {
            let of = line.share_trees.map_or("", |_| " of the trees");
            format!(", {} %{of}", (share * 1000.0).round() / 10.0)
        }
    };
    let management = match line.management.widest() {
        0.0 => "-".to_owned(),
        _ => width(&line.management) + &kept,
    };
    format!(
        "| {} | {} | {} | {} | {management} | {} | {} |\n",
        line.kind.key(),
        if line.class == "*" {
            "any"
        } else {
            &line.class
        },
        line.title,
        width(&line.reserve),
        width(&line.machine_exclusion),
        line.citation.status.key(),
    )
}

fn section(name: &str, rules: &Rulebook, text: &str) -> String {
    let mut page = format!(
        "\n## {name}\n\n**{}.** {}\n\n",
        rules.title,
        remarks(text).trim_end()
    );
    let share = (rules.retention_share.value * 1000.0).round() / 10.0;
    let facts: Vec<String> = (RULED_KINDS.iter())
        .filter_map(|&kind| {
            let facts: Vec<String> = rules
                .facts_of(kind)
                .iter()
                .map(|(fact, _)| format!("`{fact}`"))
                .collect();
            (!facts.is_empty()).then(|| format!("of {} {}", kind.key(), facts.join(", ")))
        })
        .collect();
    if !facts.is_empty() {
        writeln!(
            page,
            "Facts that tell the classes where layers name none: {}.\n",
            facts.join("; ")
        )
        .unwrap();
    }
    let status = rules.retention_share.citation.status.key();
    writeln!(page, "Of each block {share} % must stay ({status}).\n").unwrap();
    page.push_str("| layer | class | | reserve | management zone | no machine | figures |\n");
    page.push_str("| --- | --- | --- | --- | --- | --- | --- |\n");
    rules
        .lines
        .iter()
        .for_each(|line| page.push_str(&row(line)));
    page
}

#[test]
fn the_page_of_presets_says_what_they_say() {
    let mut page = HEAD.to_owned();
    for name in rulebook::preset_names() {
        let text = rulebook::preset_text(name).unwrap();
        page.push_str(&section(name, &rulebook::preset(name).unwrap(), text));
    }
    page.push_str(UNREAD);
    if std::env::var_os("BLOCKWRIGHT_WRITE_DOCS").is_some() {
        std::fs::write("docs/presets.md", &page).unwrap();
    }
    let written = std::fs::read_to_string("docs/presets.md").unwrap();
    for (own, made) in written.lines().zip(page.lines()) {
        assert_eq!(own, made, "write docs/presets.md anew, as its test says");
    }
    assert_eq!(written.len(), page.len());
}
