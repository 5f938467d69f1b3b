//! The web report: `report/index.html` with scripts beside it, opened from disk without a network.
//!
//! What the pages say comes as data scripts (`data/overview.js` and one file a block, loaded when it is looked at), for a
//! page opened from disk may load scripts but not fetch files. Nothing of the data is ever markup: scripts put it into the
//! page as text, and the page forbids scripts and styles from anywhere but its own folder.

mod dearest;
mod look;
mod overview;
mod page;
mod script;
mod shapes;

use std::fs;
use std::path::Path;

use super::OutputError;
use super::run::RunReport;
use crate::model::{ComplianceRow, Finding, Language, Problem};
use overview::Overview;

pub use page::BlockPage;

/// Languages of the report and their words; the first is used where a reader asks for none of them.
pub const LANGUAGES: [(&str, &str); 2] = [
    ("en", include_str!("text/en.json")),
    ("fr", include_str!("text/fr.json")),
];

const INDEX: &str = include_str!("assets/index.html");
const STYLE: &str = include_str!("assets/report.css");
/// In the order in which the page loads them.
const SCRIPTS: [(&str, &str); 5] = [
    ("base.js", include_str!("assets/base.js")),
    ("map.js", include_str!("assets/map.js")),
    ("overview.js", include_str!("assets/overview.js")),
    ("block.js", include_str!("assets/block.js")),
    ("start.js", include_str!("assets/start.js")),
];

/// Names at the top of the report's folder that are its own.
pub(super) const OWN: [&str; 3] = ["index.html", "assets", "data"];

/// Writes the report block by block; memory does not grow with their number.
pub(super) struct Report {
    overview: Overview,
    data: std::path::PathBuf,
}

impl Report {
    /// Writes the pages into the new folder `dir`.
    ///
    /// # Errors
    /// A file that cannot be written.
    pub fn create(dir: &Path) -> Result<Report, OutputError> {
        let assets = dir.join("assets");
        let data = dir.join("data");
        let blocks = data.join("blocks");
        for folder in [&assets, &blocks] {
            fs::create_dir_all(folder).map_err(OutputError::file(folder, "create the folder"))?;
        }
        write(
            &dir.join("index.html"),
            &INDEX.replace("<!-- patterns -->", &look::patterns()),
        )?;
        write(&assets.join("report.css"), STYLE)?;
        write(&assets.join("colours.css"), &look::colours())?;
        write(&assets.join("text.js"), &words())?;
        for (name, text) in SCRIPTS {
            write(&assets.join(name), text)?;
        }
        Ok(Report {
            overview: Overview::create(&data.join("overview.js"))?,
            data: blocks,
        })
    }

    /// Adds one block, whose files have the name `stem`. Call in input order.
    ///
    /// # Errors
    /// A file that cannot be written.
    pub fn block(&mut self, page: &BlockPage, stem: &str) -> Result<(), OutputError> {
        write(&self.data.join(format!("{stem}.js")), page.data())?;
        self.overview.slopes(page.slopes());
        if let Some(share) = page.cost_share() {
            self.overview.cost(page.id(), share);
        }
        self.overview.row(&page.row(stem))
    }

    /// Adds what is judged of several blocks together.
    pub fn season(&mut self, rows: &[&ComplianceRow], findings: &[&Finding]) {
        self.overview.season(rows, findings);
    }

    /// Writes what is said of the whole run. The time of day in `run` is left out.
    ///
    /// # Errors
    /// A file that cannot be written.
    pub fn finish(self, run: &RunReport, problems: &[Problem]) -> Result<(), OutputError> {
        self.overview.close(run, problems)
    }
}

fn write(path: &Path, text: &str) -> Result<(), OutputError> {
    fs::write(path, text).map_err(OutputError::file(path, "write the report"))
}

/// All words as one script: those of the pages, and those of the one code of looks; then the hatches of its kinds.
fn words() -> String {
    let mut text = String::from("\"use strict\";\n");
    for ((name, words), language) in LANGUAGES.iter().zip([Language::English, Language::French]) {
        let kinds = serde_json::Value::Object(look::kinds(language)).to_string();
        let own = words.trim().trim_start_matches('{');
        let all = format!("{},{own}", kinds.trim_end_matches('}'));
        text += &format!(
            "blockwrightReport.words(\"{name}\", {});\n",
            script::safe(&all)
        );
    }
    let hatches = serde_json::Value::Object(look::hatches()).to_string();
    text + &format!("blockwrightReport.hatches = {};\n", script::safe(&hatches))
}

#[cfg(test)]
mod tests {
    use serde_json::Value;

    use super::*;
    use crate::outputs::text::ENGLISH;

    fn table(language: usize) -> serde_json::Map<String, Value> {
        serde_json::from_str(LANGUAGES[language].1).unwrap()
    }

    fn blanks(text: &str) -> Vec<&str> {
        let mut found: Vec<&str> = text
            .split('{')
            .skip(1)
            .filter_map(|rest| rest.split_once('}').map(|(name, _)| name))
            .collect();
        found.sort_unstable();
        found
    }

    #[test]
    fn every_language_has_the_same_words_with_the_same_blanks() {
        let english = table(0);
        assert!(english.len() > 100);
        for (index, (language, _)) in LANGUAGES.iter().enumerate() {
            let other = table(index);
            let keys = |table: &serde_json::Map<String, Value>| {
                table.keys().cloned().collect::<Vec<String>>()
            };
            assert_eq!(keys(&english), keys(&other), "{language}");
            for (key, value) in &english {
                let (here, there) = (value.as_str().unwrap(), other[key].as_str().unwrap());
                assert!(!there.trim().is_empty(), "{language}: {key}");
                assert_eq!(blanks(here), blanks(there), "{language}: {key}");
            }
        }
    }

    /// Words that scripts or the page ask for by a key that stands there as it is.
    fn asked_for() -> Vec<String> {
        let mut found = Vec::new();
        for (_, text) in SCRIPTS {
            for (start, call) in text.match_indices("t(\"") {
                let before = text[..start].chars().next_back();
                // `Event("…")` ends in the same letters.
                if before.is_none_or(|letter| !letter.is_alphanumeric()) {
                    let key = text[start + call.len()..].split('"').next();
                    found.extend(key.map(str::to_owned));
                }
            }
        }
        for attribute in ["data-t=\"", "data-t-label=\""] {
            for piece in INDEX.split(attribute).skip(1) {
                found.extend(piece.split_once('"').map(|(key, _)| key.to_owned()));
            }
        }
        found
    }

    #[test]
    fn every_word_that_is_asked_for_is_there() {
        let english = table(0);
        let asked = asked_for();
        assert!(asked.len() > 60, "{}", asked.len());
        for key in asked {
            let of_looks = look::kinds(Language::English).contains_key(&key);
            assert!(of_looks || english.contains_key(&key), "{key}");
        }
    }

    #[test]
    fn every_word_is_asked_for() {
        let asked = asked_for();
        // Keys put together from a prefix and a stable word of the outputs.
        let put_together = [
            "status_",
            "verdict_",
            "heading_",
            "reason_",
            "unworked_",
            "caution_",
            "layer_",
            "problem_",
            "column_",
            "origin_",
            "outlet_",
            "time_",
            "dear_",
            "share_of_",
            "trees_",
            "people_",
            "tip_window_",
        ];
        for key in table(0).keys() {
            let quoted = format!("\"{key}\"");
            assert!(
                asked.contains(key)
                    || SCRIPTS.iter().any(|(_, text)| text.contains(&quoted))
                    || put_together.iter().any(|prefix| key.starts_with(prefix)),
                "nobody says {key}"
            );
        }
    }

    #[test]
    fn stable_words_of_the_outputs_have_their_names() {
        use crate::model::{BlockStatus, DayReason, Heading, UnworkedReason, Verdict};
        let english = table(0);
        let keys = [
            (
                "status",
                vec![
                    BlockStatus::Ok.key(),
                    BlockStatus::Warn.key(),
                    BlockStatus::Fail.key(),
                ],
            ),
            (
                "verdict",
                vec![
                    Verdict::Pass.key(),
                    Verdict::Warn.key(),
                    Verdict::Fail.key(),
                    Verdict::Unknown.key(),
                    Verdict::NotApplicable.key(),
                ],
            ),
            (
                "heading",
                vec![Heading::In.key(), Heading::Out.key(), Heading::Around.key()],
            ),
            ("reason", DayReason::ALL.map(DayReason::key).to_vec()),
            (
                "unworked",
                UnworkedReason::ALL.map(UnworkedReason::key).to_vec(),
            ),
        ];
        for (prefix, words) in keys {
            for word in words {
                assert!(
                    english.contains_key(&format!("{prefix}_{word}")),
                    "{prefix}_{word}"
                );
            }
        }
    }

    #[test]
    fn the_cautions_are_those_of_the_map_sheets() {
        let english = table(0);
        let here: Vec<&str> = english
            .iter()
            .filter(|(key, _)| key.starts_with("caution_"))
            .filter_map(|(_, value)| value.as_str())
            .collect();
        assert_eq!(here, ENGLISH.cautions);
    }

    #[test]
    fn the_page_names_every_script_and_no_address() {
        for (name, text) in SCRIPTS {
            assert!(INDEX.contains(&format!("src=\"assets/{name}\"")), "{name}");
            for address in [
                "http://",
                "https://",
                "innerHTML",
                "eval(",
                "document.write",
            ] {
                let harmless = text.replace("http://www.w3.org/2000/svg", "");
                assert!(!harmless.contains(address), "{name}: {address}");
            }
        }
        assert!(INDEX.contains("default-src 'none'"));
        assert!(!INDEX.contains("unsafe"));
    }
}
