//! A rulebook's text through reader, check and page.

use std::str;

use blockwright::model::Facts;
use blockwright::rulebook::{Channel, RULED_KINDS, Rulebook, Severity, check, parse, show};

const NAME: &str = "own.toml";
const SLOPES: [f64; 7] = [0.0, 0.05, 0.2, 0.35, 0.6, 1.0, 40.0];

pub fn run(data: &[u8]) {
    let Ok(text) = str::from_utf8(data) else {
        return;
    };
    let checked = check(text, NAME);
    let lines = text.split('\n').count();
    for finding in &checked.findings {
        assert!(
            (1..=lines).contains(&finding.place.line),
            "{finding} points outside its file of {lines} lines"
        );
        assert!(!finding.to_string().is_empty() && !finding.remedy.is_empty());
    }
    assert!(!checked.summary().is_empty());
    match parse(text, NAME) {
        Ok(rules) => {
            let errors = checked.findings.iter();
            let mut errors = errors.filter(|finding| finding.severity == Severity::Error);
            assert!(
                errors.all(|finding| OVERLAPS.contains(&finding.code)),
                "read, and yet: {:?}",
                checked.findings
            );
            assert!(checked.rules.is_none_or(|checked| checked == rules));
            sound(&rules);
        }
        Err(error) => {
            assert!(!checked.is_sound(), "refused, and yet sound: {error}");
            assert!(!error.to_string().is_empty());
        }
    }
}

/// What `check` calls an error and a layout may still use: classes that claim the same feature.
const OVERLAPS: [&str; 2] = ["class-overlap", "unreachable"];

/// What every stage takes for granted of a rulebook that was read.
fn sound(rules: &Rulebook) {
    let share = |share: f64| (0.0..=1.0).contains(&share);
    assert!(share(rules.retention_share.value));
    for line in &rules.lines {
        let widest = line.widest();
        for slope in SLOPES.map(Some).into_iter().chain([None]) {
            let here = line.widths(slope);
            for (here, widest) in [
                (here.reserve_m, widest.reserve_m),
                (here.management_m, widest.management_m),
                (here.machine_exclusion_m, widest.machine_exclusion_m),
            ] {
                assert!(
                    here.is_finite() && (0.0..=widest).contains(&here),
                    "{}: {here} m at {slope:?}, {widest} m at most",
                    line.id
                );
            }
        }
        assert!(share(line.management_share), "{}", line.id);
        let channel = Channel::of(line.kind, true, None);
        let found = rules.find(line.kind, Some(&line.class), &Facts::default(), channel);
        let bank = channel.bank(Some(line));
        assert!(
            bank.half_m.is_finite() && bank.barrier_m.is_finite(),
            "{}",
            line.id
        );
        assert_ne!(found, blockwright::rulebook::Match::None, "{}", line.id);
    }
    for kind in RULED_KINDS {
        rules.find(kind, None, &Facts::default(), Channel::of(kind, true, None));
        rules.facts_of(kind);
    }
    let head = format!("{}: {}\n", rules.preset, rules.title);
    assert!(show(rules).starts_with(&head));
}
