//! Every file under fixtures/project is a test: those in `valid` load, those in `invalid` fail with the message of the
//! snapshot beside them. `INSTA_UPDATE=always cargo test --test documents project_files` writes the snapshots anew.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use blockwright::model::{
    Emergency, FallingSnow, MachineKind, OpenDays, Settings, SlopeRules, TreeHeight, WetGround,
    Wind, WorkWindow, WorkWindows,
};
use blockwright::project::{self, Project};
use blockwright::rulebook::{self, ReadStatus};
use proptest::prelude::*;

fn files(folder: &str, extension: &str) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).unwrap();
    let mut files: Vec<PathBuf> = entries.map(|entry| entry.unwrap().path()).collect();
    files.retain(|path| path.extension().is_some_and(|found| found == extension));
    files.sort();
    files
}

fn snapshot(folder: &str, path: &Path, content: &str) {
    let name = path.file_stem().unwrap().to_str().unwrap();
    insta::with_settings!({
        snapshot_path => format!("../../{folder}"),
        prepend_module_to_snapshot => false,
        omit_expression => true,
    }, { insta::assert_snapshot!(name, content) });
}

fn every_file_has_one_snapshot(folder: &str) {
    let stems = |paths: Vec<PathBuf>| -> Vec<PathBuf> {
        let stems = paths.into_iter().map(|path| path.with_extension(""));
        stems.collect()
    };
    assert_eq!(stems(files(folder, "toml")), stems(files(folder, "snap")));
}

#[test]
fn invalid_files_say_where_and_what_to_do() {
    let folder = "fixtures/project/invalid";
    for path in files(folder, "toml") {
        let error = project::load(&path)
            .err()
            .unwrap_or_else(|| panic!("{} should not load", path.display()));
        let message = error.to_string();
        assert!(message.starts_with(&format!("error[{}]", error.code())));
        // What is wrong inside a rulebook is told with the rulebook's own path.
        let name = path.file_stem().unwrap().to_str().unwrap();
        assert!(
            error.path == path || name.starts_with("rulebook"),
            "{message}"
        );
        assert!(message.contains(error.path.to_str().unwrap()), "{message}");
        assert!(message.contains("\n  hint: "), "{message}");
        snapshot(folder, &path, &message);
    }
    every_file_has_one_snapshot(folder);
}

#[test]
fn valid_files_load_in_metres() {
    let folder = "fixtures/project/valid";
    for path in files(folder, "toml") {
        let project = project::load(&path).unwrap_or_else(|error| panic!("{error}"));
        snapshot(folder, &path, &describe(&project));
    }
    every_file_has_one_snapshot(folder);
}

/// What the project file changed, and all that it set.
fn describe(project: &Project) -> String {
    let mut out = String::new();
    let _ = writeln!(
        out,
        "{:?}, {:?}, {:?}",
        project.name, project.crs, project.unit
    );
    for layer in &project.layers {
        let _ = writeln!(out, "{layer:?}");
    }
    if let Some(terrain) = &project.terrain {
        let _ = writeln!(out, "{terrain:?}");
    }
    let _ = writeln!(out, "{:#?}", project.settings);
    let base = match &project.rules_file {
        None => rulebook::preset(&project.rules.preset).unwrap(),
        Some(file) => {
            let _ = writeln!(out, "{file:?}");
            let text = std::fs::read_to_string(project.path.with_file_name(&file.source)).unwrap();
            rulebook::parse(&text, &file.source).unwrap()
        }
    };
    let _ = writeln!(out, "retention {:#?}", project.rules.retention_share);
    let _ = writeln!(out, "reserves count: {}", project.rules.reserves_count);
    let _ = writeln!(out, "share of: {:?}", project.rules.share_of);
    if project.rules.block != base.block {
        let _ = writeln!(out, "{:#?}", project.rules.block);
    }
    for line in &project.rules.lines {
        if !base.lines.contains(line) {
            let _ = writeln!(out, "{line:#?}");
        }
    }
    for warning in &project.warnings {
        let _ = writeln!(out, "warning: {warning}");
    }
    out
}

/// Each setting has a key: the fixture that gives them all leaves no default in force.
#[test]
fn every_setting_can_be_set() {
    fn leaves(prefix: &str, value: &serde_json::Value, out: &mut Vec<(String, String)>) {
        match value {
            serde_json::Value::Object(fields) => {
                for (key, value) in fields {
                    leaves(&format!("{prefix}.{key}"), value, out);
                }
            }
            other => out.push((prefix.to_owned(), other.to_string())),
        }
    }
    let of = |settings: &Settings| {
        let mut out = Vec::new();
        let mut settings = settings.clone();
        // The one enum with a value of its own shows as a table; its name is enough here.
        let azimuth = format!("{:?}", std::mem::take(&mut settings.layout.azimuth));
        leaves("", &serde_json::to_value(&settings).unwrap(), &mut out);
        // A calibration is fitted from files, which are not there when a project is read.
        // Of the two ways to a declination a project takes one.
        let apart = [
            ".layout.azimuth",
            ".production.calibration",
            ".outputs.declination_on",
        ];
        out.retain(|(key, _)| !apart.contains(&key.as_str()));
        out.push((".layout.azimuth".to_owned(), azimuth));
        out
    };
    let project = project::load(Path::new("fixtures/project/valid/every_key.toml")).unwrap();
    // Without a wind there are none of its figures.
    let mut plain = Settings {
        wind: Some(Wind::new(0.0, String::new())),
        slopes: SlopeRules {
            feller: Some(MachineKind::Tracked),
            skidder: Some(MachineKind::Tracked),
            limits: vec![],
        },
        // Nobody says whom to call by default, nor has a rule for falling snow.
        emergency: Emergency {
            phone: Some(String::new()),
            radio: Some(String::new()),
            muster_point: Some(String::new()),
            access: Some(String::new()),
        },
        falling_snow: Some(FallingSnow {
            night_work: true,
            source: String::new(),
        }),
        // Nobody has a window by default.
        windows: WorkWindows(vec![WorkWindow {
            name: String::new(),
            days: OpenDays::default(),
            within_m: 0.0,
            source: String::new(),
        }]),
        wet_ground: Some(WetGround {
            depth_m: 0.0,
            by_soil: ["gravel", "peat"].map(|soil| (soil.to_owned(), 0.0)).into(),
            channels_m2: Some(0.0),
            source: String::new(),
        }),
        ..Settings::default()
    };
    plain.layout.tree_height = Some(TreeHeight {
        height_m: 0.0,
        source: String::new(),
    });
    let (mut given, default) = (of(&project.settings), of(&plain));
    // A table of names that nobody has by default.
    let before = given.len();
    given.retain(|(key, _)| !key.starts_with(".production.limbiness_by_species."));
    assert_eq!(given.len(), before - 1);
    assert_eq!(given.len(), default.len());
    for (given, default) in given.iter().zip(&default) {
        assert_eq!(given.0, default.0);
        assert_ne!(given.1, default.1, "{} is still the default", given.0);
    }
    let path = Path::new("fixtures/project/valid/every_key.toml");
    let text = std::fs::read_to_string(path).unwrap();
    let on_a_day = text.replace("declination = -12.5", "declination_on = \"2027-02-01\"");
    let outputs = project::parse(&on_a_day, path).unwrap().settings.outputs;
    assert_eq!(outputs.declination_deg, None);
    assert_eq!(outputs.declination_on.unwrap().to_string(), "2027-02-01");
}

#[test]
fn a_project_that_is_not_there_is_said_to_be_missing() {
    let error = project::load(Path::new("fixtures/project/nowhere.toml")).unwrap_err();
    assert_eq!(error.code(), "unreadable-file");
    assert!(error.to_string().contains("there is no such file"));
    let error = project::load(Path::new("fixtures/project")).unwrap_err();
    assert_eq!(error.code(), "unreadable-file");
}

/// What is hashed is the text that was read, whichever file stands there later.
#[test]
fn a_rulebook_is_named_with_its_size_and_hash() {
    let folder = tempfile::tempdir().unwrap();
    let text = std::fs::read_to_string("fixtures/project/rulebooks/district.toml").unwrap();
    std::fs::write(folder.path().join("own.toml"), &text).unwrap();
    let layers = "[layers.blocks]\nsource = \"b.gpkg\"\n[rules]\nrulebook = \"own.toml\"\n";
    let path = folder.path().join("project.toml");
    let project = project::parse(layers, &path).unwrap();
    let file = project.rules_file.unwrap();
    assert_eq!(
        (file.source.as_str(), file.bytes),
        ("own.toml", text.len() as u64)
    );
    use sha2::Digest as _;
    assert_eq!(file.sha256, format!("{:x}", sha2::Sha256::digest(&text)));
    assert!(
        project.rules.lines[0].origin.starts_with("own.toml, line "),
        "{}",
        project.rules.lines[0].origin
    );
    let endless = std::fs::File::create(folder.path().join("own.toml")).unwrap();
    endless.set_len(5 << 20).unwrap();
    let error = project::parse(layers, &path).unwrap_err();
    assert_eq!(error.code(), "unreadable-file");
    assert!(error.to_string().contains("longer than"), "{error}");
}

fn parse(text: &str) -> Project {
    let frame = "[layers.blocks]\nsource = \"b.gpkg\"\n[rules]\npreset = \"bare\"\n";
    project::parse(&format!("{frame}{text}"), Path::new("project.toml")).unwrap()
}

/// Facts of the trade: the road band is 150 ft = 45.72 m, retention within 100 ft = 30.48 m is a failure, a strip is
/// as wide as the machine reaches to both sides less 1 ft on each.
#[test]
fn defaults_are_the_facts_of_the_trade() {
    let settings = parse("").settings;
    assert!((settings.layout.road_band_m - 45.72).abs() < 1e-9);
    assert!((settings.layout.road_band_fail_m - 30.48).abs() < 1e-9);
    assert!((settings.machine.strip_width_m() - 2.0 * (8.7 - 0.3048)).abs() < 1e-9);
}

#[test]
fn one_length_in_three_ways_is_one_length() {
    let with_unit = "[layout]\nroad_band = \"150 ft\"\n";
    let metres = "[layout]\nroad_band = 45.72\n";
    let texts = [with_unit, metres];
    for text in texts {
        assert!((parse(text).settings.layout.road_band_m - 45.72).abs() < 1e-9);
    }
    let feet = "[layers.blocks]\nsource = \"b.gpkg\"\n[rules]\npreset = \"bare\"\n[layout]\nroad_band = 150\n[project]\nunit = \"ft\"\n";
    let project = project::parse(feet, Path::new("project.toml")).unwrap();
    assert!((project.settings.layout.road_band_m - 45.72).abs() < 1e-9);
    let machine = parse("[machine]\nreach = \"10 m\"\nreach_margin = \"1 ft\"\n")
        .settings
        .machine;
    assert!((machine.strip_width_m() - 19.3904).abs() < 1e-9);
}

#[test]
fn paths_are_taken_from_the_project_files_folder() {
    let text = "[layers.blocks]\nsource = \"maps/b.gpkg\"\n[rules]\npreset = \"bare\"\n";
    let project = project::parse(text, Path::new("season/project.toml")).unwrap();
    assert_eq!(project.layers[0].path, Path::new("season/maps/b.gpkg"));
    assert_eq!(project.layers[0].source, "maps/b.gpkg");
    assert_eq!(project.name, "project");
}

#[test]
fn a_line_of_the_project_shows_both_sources() {
    let text = "[layers.blocks]\nsource = \"b.gpkg\"\n[rules]\npreset = \"bc-fppr\"\nsource = \"permit 12-B\"\n[[rules.line]]\nkind = \"streams\"\nclass = \"S3\"\nreserve = \"25 m\"\n";
    let project = project::parse(text, Path::new("project.toml")).unwrap();
    let line = project
        .rules
        .lines
        .iter()
        .find(|line| line.id == "stream-s3")
        .unwrap();
    assert_eq!(
        (line.reserve.widest(), line.management.widest()),
        (25.0, 20.0)
    );
    assert!(
        line.citation
            .text
            .starts_with("permit 12-B (reserve); all else BC-04: ")
    );
    assert!(line.citation.text.ends_with("[secondary]"));
}

/// A figure known from memory stays doubtful until the project gives it; what stands beside it changes nothing.
#[test]
fn figures_known_from_memory_stay_doubtful_until_they_are_set() {
    let folder = tempfile::tempdir().unwrap();
    let rules = r#"
title = "Told by the planner before"
[block.retention_share]
value = "7 %"
status = "from memory"
source = "told"
[block.influence_share]
value = "50 %"
tree_height = "25 m"
status = "from memory"
source = "told"
[[line]]
id = "brook"
kind = "streams"
class = "brook"
title = "Brook"
definition = "any"
reserve = "20 m"
management = "10 m"
status = "from memory"
source = "told"
"#;
    std::fs::write(folder.path().join("told.toml"), rules).unwrap();
    let path = folder.path().join("project.toml");
    let with = |text: &str| {
        let frame = "[layers.blocks]\nsource = \"b.gpkg\"\n[rules]\nrulebook = \"told.toml\"\nsource = \"permit\"\n";
        let project = project::parse(&format!("{frame}{text}\n"), &path).unwrap();
        assert_eq!(project.warnings, Vec::<String>::new());
        project.rules
    };
    let line = "[[rules.line]]\nkind = \"streams\"\nclass = \"brook\"\n";
    let memory = ReadStatus::FromMemory;

    let kept = with("influence_share = { tree_height = \"30 m\" }")
        .block
        .influence
        .unwrap();
    assert_eq!((kept.share.value, kept.tree_height_m), (0.5, 30.0));
    assert_eq!(kept.share.citation.status, memory);
    assert_eq!(
        kept.share.citation.text,
        "permit (tree_height); all else told [from memory]"
    );
    let set = with("influence_share = \"60 %\"").block.influence.unwrap();
    assert_eq!((set.share.value, set.tree_height_m), (0.6, 25.0));
    assert_eq!(set.share.citation.status, ReadStatus::Project);
    assert_eq!(set.share.origin, "project file, line 6");

    let rules = with("retention_share = \"9 %\"\nreserves_count = true");
    assert_eq!(rules.retention_share.citation.status, ReadStatus::Project);
    assert_eq!(
        rules.retention_share.citation.text,
        "permit; reserves count: permit"
    );
    assert_eq!(
        with("share_of = \"gross\"").retention_share.citation.status,
        memory
    );

    let status = |text: &str| with(&format!("{line}{text}")).lines[0].citation.status;
    assert_eq!(status("reserve = \"25 m\""), memory);
    assert_eq!(
        status("reserve = \"25 m\"\nmanagement = \"0 m\""),
        ReadStatus::Project
    );
    let own = with(&format!(
        "{line}management_share = {{ value = \"30 %\", source = \"plan\" }}"
    ));
    assert_eq!(own.lines[0].citation.text, "told");
    assert_eq!(own.lines[0].share_source().text, "plan");
    assert_eq!(own.lines[0].share_source().status, ReadStatus::Project);
    assert_eq!(own.lines[0].origin, "project file, line 8");
}

#[test]
fn byte_order_mark_and_windows_line_ends_do_no_harm() {
    let text = std::fs::read_to_string("fixtures/project/valid/every_key.toml").unwrap();
    let path = Path::new("project.toml");
    let plain = describe(&project::parse(&text, path).unwrap());
    let windows = format!("\u{feff}{}", text.replace('\n', "\r\n"));
    assert_eq!(describe(&project::parse(&windows, path).unwrap()), plain);
    let broken = windows.replace("max_slope", "max_slop");
    let error = project::parse(&broken, path).unwrap_err();
    let place = error.place.clone().unwrap();
    let line = text.lines().position(|line| line.starts_with("max_slope"));
    assert_eq!(
        (place.line, place.column),
        (line.unwrap() + 1, 1),
        "{error}"
    );
}

/// A stroke of the keyboard in the wrong place.
#[derive(Clone, Debug)]
enum Slip {
    Delete(prop::sample::Index, usize),
    Insert(prop::sample::Index, String),
    Swap(prop::sample::Index, prop::sample::Index),
}

fn slip() -> impl Strategy<Value = Slip> {
    let index = any::<prop::sample::Index>;
    prop_oneof![
        (index(), 1..40usize).prop_map(|(at, count)| Slip::Delete(at, count)),
        (index(), r#"["'\[\]{}=.,#%\n\-a-z0-9é ]{1,6}"#)
            .prop_map(|(at, text)| Slip::Insert(at, text)),
        (index(), index()).prop_map(|(a, b)| Slip::Swap(a, b)),
    ]
}

fn apply(text: &str, slips: &[Slip]) -> String {
    let mut chars: Vec<char> = text.chars().collect();
    for slip in slips {
        match slip {
            Slip::Delete(at, count) => {
                let at = at.index(chars.len());
                chars.drain(at..(at + count).min(chars.len()));
            }
            Slip::Insert(at, text) => {
                let at = at.index(chars.len());
                chars.splice(at..at, text.chars());
            }
            Slip::Swap(a, b) => {
                let (a, b) = (a.index(chars.len()), b.index(chars.len()));
                chars.swap(a, b);
            }
        }
    }
    chars.into_iter().collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2000, ..ProptestConfig::default() })]

    /// Whatever slips into a project file: an answer with a place and no panic, and never a length out of range.
    #[test]
    fn slips_of_the_pen_are_answered(slips in prop::collection::vec(slip(), 1..4)) {
        let text = include_str!("../../fixtures/project/valid/every_key.toml");
        let text = apply(text, &slips);
        match project::parse(&text, Path::new("project.toml")) {
            Ok(project) => {
                let machine = &project.settings.machine;
                prop_assert!(machine.reach_m <= 30.0 && machine.half_strip_m() >= machine.half_width_m);
                let layout = &project.settings.layout;
                prop_assert!(layout.corridor_min_m <= layout.corridor_max_m);
                prop_assert!(layout.road_band_fail_m <= layout.road_band_m);
                for line in &project.rules.lines {
                    prop_assert!((0.0..=2000.0).contains(&line.reserve.widest()));
                    prop_assert!((0.0..=1.0).contains(&line.management_share));
                    prop_assert!(!line.citation.text.is_empty());
                }
            }
            Err(error) => {
                let message = error.to_string();
                prop_assert!(message.contains("hint: "));
                if let Some(place) = error.place {
                    prop_assert!(place.line <= text.matches('\n').count() + 1);
                }
            }
        }
    }
}
