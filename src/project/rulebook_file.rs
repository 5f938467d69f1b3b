//! `[rules] rulebook`: a rulebook of one's own beside the project file.

use crate::rulebook::spanned::Spanned;
use sha2::{Digest, Sha256};

use super::layers::plain_path;
use super::resolve::Context;
use super::{ProjectError, Reason, RulesFile, Whose, plain_file};
use crate::rulebook::{self, Rulebook, RulebookError, Severity};

/// Reads the rulebook that the project names. What is wrong inside it is told with the rulebook's own path and line.
pub fn read(
    context: &Context<'_>,
    source: &Spanned<String>,
) -> Result<(Rulebook, RulesFile), ProjectError> {
    // Without its rules a project means nothing, so the file is looked for even where layers are not.
    let path = plain_path(context, Whose::Rulebook, source, true)?;
    let inside = |place: Option<Box<rulebook::Place>>, reason: Reason| ProjectError {
        path: path.clone(),
        place: place.map(|place| *place),
        reason: Box::new(reason),
        also: vec![],
    };
    let text = plain_file::text(&path).map_err(|why| inside(None, Reason::Unreadable(why)))?;
    let name = source.get_ref();
    // What else is wrong in it.
    let all = |mut first: ProjectError| {
        let found = rulebook::check(&text, name).findings.into_iter();
        let errors = found.filter(|finding| finding.severity == Severity::Error);
        let line = |error: &ProjectError| error.place.as_ref().map(|place| place.line);
        let others = errors.filter(|finding| Some(finding.place.line) != line(&first));
        first.also = others
            .map(|finding| {
                inside(
                    Some(Box::new(finding.place)),
                    Reason::WrongRule(finding.message),
                )
            })
            .collect();
        first
    };
    let rules = rulebook::parse(&text, name).map_err(|error| match error {
        RulebookError::Toml { place, fault, .. } => all(inside(place, Reason::Toml(fault))),
        RulebookError::Line { place, message, .. } => {
            all(inside(place, Reason::WrongRule(message)))
        }
        other => context.error(source.span(), Reason::Preset(other)),
    })?;
    // Hashed here and not with the layers: what counts is the text that was read.
    let file = RulesFile {
        source: name.clone(),
        bytes: text.len() as u64,
        sha256: format!("{:x}", Sha256::digest(text.as_bytes())),
    };
    Ok((rules, file))
}
