//! `init`: what it sees in layers of several languages, what it leaves to people, and that it alters nothing of theirs.

use crate::run_binary;

use std::fs;
use std::path::{Path, PathBuf};

use blockwright::project;
use run_binary::*;
use serde_json::Value;
use tempfile::tempdir;

fn text_of(folder: &Path) -> String {
    fs::read_to_string(folder.join("project.toml")).expect("a project file")
}

/// Lines that count, without the remark behind them.
fn in_force(text: &str) -> Vec<String> {
    let lines = text
        .lines()
        .filter(|line| !line.starts_with('#') && !line.is_empty());
    lines
        .map(|line| {
            let line = line.split("  # ").next().unwrap().trim();
            line.split_whitespace().collect::<Vec<_>>().join(" ")
        })
        .collect()
}

fn blocks_and_road(folder: &Path, blocks: &str, id: &str) {
    let features: Vec<String> = (0..6)
        .map(|n| {
            let west = f64::from(n) * 350.0;
            let shape = rectangle(west, 0.0, west + 300.0, 200.0);
            feature(&format!(r#"{{"{id}": "A-{n}"}}"#), &shape)
        })
        .collect();
    write(folder, blocks, &collection(UTM, &features));
    let road = r#"{"type": "LineString", "coordinates": [[499900, 5399997], [502900, 5399997]]}"#;
    let road = feature(r#"{"ROAD": "R-1", "CLEARED_FT": 39.4}"#, road);
    write(folder, "roads.geojson", &collection(UTM, &[road]));
}

#[test]
fn a_folder_becomes_a_project_that_lays_out_once_rules_are_chosen() {
    let folder = tempdir().unwrap();
    blocks_and_road(folder.path(), "cutblocks.geojson", "BLOCK_ID");
    let ended = run(folder.path(), &["init", "."]);
    assert_eq!(ended.code, 0, "{}{}", ended.stdout, ended.stderr);
    let text = text_of(folder.path());
    let lines = in_force(&text);
    for line in [
        "crs = \"EPSG:32616\"",
        // The only width there is says feet.
        "unit = \"ft\"",
        "[layers.blocks]",
        "source = \"cutblocks.geojson\"",
        "features = 6",
        "id = \"BLOCK_ID\"",
        "[layers.roads]",
        "width = \"CLEARED_FT\"",
        "[rules]",
    ] {
        assert!(lines.iter().any(|own| own == line), "{line}\n{text}");
    }
    assert!(
        !lines.iter().any(|line| line.starts_with("preset")),
        "{text}"
    );
    assert!(
        ended.stdout.contains("choose the rules"),
        "{}",
        ended.stdout
    );
    assert!(ended.stdout.contains("6 read, 6 used"), "{}", ended.stdout);

    let layout = ["layout", "project.toml", "--out", "out"];
    let refused = run(folder.path(), &layout);
    assert_eq!(refused.code, 2);
    assert!(
        refused.stderr.contains("`[rules]` names neither"),
        "{}",
        refused.stderr
    );
    let chosen = text.replace("# preset   = \"bare\"", "preset   = \"bare\"");
    assert_eq!(changed_lines(&text, &chosen), 1);
    fs::write(folder.path().join("project.toml"), chosen).unwrap();
    let laid = run(folder.path(), &layout);
    assert_eq!(laid.code, 0, "{}", laid.stderr);
    assert!(laid.stdout.contains("6 blocks laid out"), "{}", laid.stdout);
}

#[test]
fn nothing_is_written_over_and_an_update_only_adds() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("project.toml");
    blocks_and_road(folder.path(), "blocks.geojson", "BLOCK_ID");
    assert_eq!(run(folder.path(), &["init", "."]).code, 0);
    let mine = text_of(folder.path())
        .replace(
            "[layers.roads]",
            "# mine: the gravel pit's road\n[layers.roads]",
        )
        .replace("# preset   = \"bare\"", "preset   = \"bare\" # as Kim said")
        + "[outputs]\nmaps = false   # enough without\n";
    fs::write(&path, &mine).unwrap();

    let again = run(folder.path(), &["init", "."]);
    assert_eq!(again.code, 2);
    assert!(
        again.stderr.contains("error[file-exists]") && again.stderr.contains("--update"),
        "{}",
        again.stderr
    );
    assert_eq!(text_of(folder.path()), mine);

    let same = run(folder.path(), &["init", ".", "--update"]);
    assert_eq!(same.code, 0, "{}", same.stderr);
    assert!(same.stdout.contains("nothing is new"), "{}", same.stdout);
    assert_eq!(text_of(folder.path()), mine);

    let path_of_water =
        r#"{"type": "LineString", "coordinates": [[499900, 5400300], [500700, 5400310]]}"#;
    let stream = collection(UTM, &[feature(r#"{"ID": 1}"#, path_of_water)]);
    write(folder.path(), "streams.geojson", &stream);
    write(
        folder.path(),
        "haul_roads.geojson",
        &collection(UTM, &[feature(r#"{"ID": 2}"#, path_of_water)]),
    );
    let added = run(folder.path(), &["init", ".", "--update"]);
    assert_eq!(added.code, 0, "{}{}", added.stdout, added.stderr);
    let text = text_of(folder.path());
    // A second source of one role needs double brackets; nothing else of the old lines is other.
    let kept = mine.replace("\n[layers.roads]", "\n[[layers.roads]]");
    assert!(text.starts_with(&kept), "{text}");
    let more = in_force(&text[kept.len()..]);
    assert!(
        more.contains(&"[layers.streams]".to_owned())
            && more.contains(&"[[layers.roads]]".to_owned()),
        "{text}"
    );
    let project = project::load(&path).unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(project.layers.len(), 4);
    run(folder.path(), &["init", ".", "--update"]);
    assert_eq!(text_of(folder.path()), text);

    // Blocks of a further season are never planned unasked.
    blocks_and_road(folder.path(), "cutblocks_2032.geojson", "BLOCK_ID");
    run(folder.path(), &["init", ".", "--update"]);
    let text = text_of(folder.path());
    assert!(
        text.contains("# source   = \"cutblocks_2032.geojson\""),
        "{text}"
    );
    assert_eq!(project::load(&path).unwrap().layers.len(), 4);
}

/// A second layer of a role cannot follow one that is written in a line: it is told then, and nothing is altered.
#[test]
fn an_update_reads_any_way_of_writing_a_layer() {
    for (roads, layers) in [
        (
            "[layers]\nroads = { source = 'roads.geojson' } # in one line\nblocks = { source = 'blocks.geojson', id = 'BLOCK_ID' }\n",
            2,
        ),
        (
            "layers.roads.source = \"roads.geojson\" # in one line\nlayers.blocks.source = \"blocks.geojson\"\n",
            2,
        ),
        (
            "# in one line\n[[layers.roads]]\nsource = \"roads.geojson\"\n[layers.blocks]\nsource = \"blocks.geojson\"\n",
            3,
        ),
        (
            "[layers.blocks]\nsource = \"blocks.geojson\"\n# in one line\n[layers.roads] # and here\nsource = \"roads.geojson\"\n",
            3,
        ),
    ] {
        let folder = tempdir().unwrap();
        blocks_and_road(folder.path(), "blocks.geojson", "BLOCK_ID");
        let line =
            r#"{"type": "LineString", "coordinates": [[499900, 5400300], [500700, 5400310]]}"#;
        write(
            folder.path(),
            "haul_roads.geojson",
            &collection(UTM, &[feature(r#"{"ID": 2}"#, line)]),
        );
        let old = format!("{roads}[rules]\npreset = \"bare\"\n");
        write(folder.path(), "project.toml", &old);
        let ended = run(folder.path(), &["init", ".", "--update"]);
        assert_eq!(ended.code, 0, "{roads}{}{}", ended.stdout, ended.stderr);
        let text = text_of(folder.path());
        let project = project::load(&folder.path().join("project.toml"));
        let project = project.unwrap_or_else(|error| panic!("{error}\n{text}"));
        assert_eq!(project.layers.len(), layers, "{text}");
        let kept = old.replace("\n[layers.roads]", "\n[[layers.roads]]");
        assert!(text.starts_with(&kept), "{text}");
        assert!(text.contains("source   = \"haul_roads.geojson\""), "{text}");
        assert_eq!(
            text.matches("source = \"roads.geojson\"").count(),
            usize::from(!roads.contains('\'')),
            "{text}"
        );
    }
}

#[test]
fn layers_of_five_languages_find_their_roles() {
    let line = |y: f64| {
        format!(
            r#"{{"type": "LineString", "coordinates": [[499900, {}], [500900, {}]]}}"#,
            5_400_000.0 + y,
            5_400_001.0 + y
        )
    };
    let ground = rectangle(0.0, 0.0, 300.0, 200.0);
    for (language, files) in [
        (
            "French",
            [
                ("aires_de_coupe", &ground, "blocks"),
                ("cours_eau", &line(300.0), "streams"),
                ("étangs", &ground, "lakes"),
                ("chemins", &line(-3.0), "roads"),
            ],
        ),
        (
            "German",
            [
                ("Hiebsflächen", &ground, "blocks"),
                ("Bäche", &line(300.0), "streams"),
                ("Seen", &ground, "lakes"),
                ("Forstwege", &line(-3.0), "roads"),
            ],
        ),
        (
            "Finnish",
            [
                ("leimikot", &ground, "blocks"),
                ("purot", &line(300.0), "streams"),
                ("järvet", &ground, "lakes"),
                ("metsätiet", &line(-3.0), "roads"),
            ],
        ),
        (
            "Swedish",
            [
                ("trakter", &ground, "blocks"),
                ("vattendrag", &line(300.0), "streams"),
                ("sjöar", &ground, "lakes"),
                ("skogsbilvägar", &line(-3.0), "roads"),
            ],
        ),
        (
            "Russian",
            [
                ("лесосеки", &ground, "blocks"),
                ("ручьи", &line(300.0), "streams"),
                ("озёра", &ground, "lakes"),
                ("дороги", &line(-3.0), "roads"),
            ],
        ),
    ] {
        let folder = tempdir().unwrap();
        for (name, shape, _) in files {
            let all = collection(UTM, &[feature(r#"{"nr": 1}"#, shape)]);
            write(folder.path(), &format!("{name}.geojson"), &all);
        }
        let ended = run(folder.path(), &["init", ".", "--json", "-q"]);
        let told: Value = serde_json::from_str(&ended.stdout).unwrap();
        assert_eq!(
            (told["version"].as_i64(), told["command"].as_str()),
            (Some(1), Some("init"))
        );
        for (name, _, role) in files {
            let own = format!("{name}.geojson");
            let layers = told["layers"].as_array().unwrap();
            let layer = layers.iter().find(|layer| layer["source"] == *own).unwrap();
            assert_eq!(
                (layer["role"].as_str(), layer["standing"].as_str()),
                (Some(role), Some("in_force")),
                "{language}: {layer}"
            );
        }
    }
}

/// Names, classes and attributes come from strangers: none of them writes a line that counts.
#[test]
fn nothing_that_a_layer_says_becomes_a_line_of_its_own() {
    let folder = tempdir().unwrap();
    blocks_and_road(folder.path(), "blocks.geojson", "BLOCK_ID");
    let hostile = r##""x\"\n[rules]\npreset = \"bare\"\n# ""##;
    let line = r#"{"type": "LineString", "coordinates": [[499900, 5400300], [500700, 5400310]]}"#;
    let features: Vec<String> = (0..3)
        .map(|n| {
            feature(
                &format!(r#"{{"ID": {n}, "stream_class": {hostile}, "a\nb\"class": {hostile}}}"#),
                line,
            )
        })
        .collect();
    write(
        folder.path(),
        "streams.geojson",
        &collection(UTM, &features),
    );
    let ended = run(folder.path(), &["init", "."]);
    assert_eq!(ended.code, 0, "{}{}", ended.stdout, ended.stderr);
    let text = text_of(folder.path());
    let document: toml::Table = text
        .parse()
        .unwrap_or_else(|error| panic!("{error}\n{text}"));
    assert_eq!(document["rules"].as_table().unwrap().len(), 0, "{text}");
    assert_eq!(
        in_force(&text)
            .iter()
            .filter(|line| line.starts_with('['))
            .count(),
        8,
        "{text}"
    );
}

#[test]
fn what_cannot_be_a_project_is_told_with_a_remedy() {
    let folder = tempdir().unwrap();
    let at = folder.path();
    fs::create_dir(at.join("empty")).unwrap();
    fs::create_dir(at.join("broken")).unwrap();
    write(at, "broken/blocks.gpkg", "no package");
    write(at, "words.txt", "words");
    fs::create_dir(at.join("used")).unwrap();
    blocks_and_road(&at.join("used"), "blocks.geojson", "ID");
    write(at, "used/project.toml", "[layers\n");
    for (arguments, words) in [
        (&["init"][..], "required"),
        (&["init", "empty"], "error[no-layers]"),
        (&["init", "nowhere"], "there is no such file or folder"),
        (&["init", "words.txt"], "error[unknown-format]"),
        (&["init", "broken"], "error[unreadable]"),
        (&["init", "empty", "--udpate"], "--update"),
        (&["init", "used", "--update"], "error[not-toml]"),
    ] {
        let ended = run(at, arguments);
        assert_eq!(ended.code, 2, "{arguments:?}: {}", ended.stderr);
        assert!(
            ended.stderr.contains(words),
            "{arguments:?}: {}",
            ended.stderr
        );
        assert_eq!(ended.stdout, "", "{arguments:?}");
    }
    for name in ["empty", "broken"] {
        assert!(!at.join(name).join("project.toml").exists(), "{name}");
    }
    assert_eq!(
        fs::read_to_string(at.join("used/project.toml")).unwrap(),
        "[layers\n"
    );
    let leftover = files(at).into_keys().find(|name| name.ends_with(".tmp"));
    assert_eq!(leftover, None);
}

#[cfg(unix)]
#[test]
fn a_folder_that_may_not_be_read_is_told() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempdir().unwrap();
    let shut = folder.path().join("shut");
    fs::create_dir(&shut).unwrap();
    fs::set_permissions(&shut, fs::Permissions::from_mode(0o000)).unwrap();
    if fs::read_dir(&shut).is_ok() {
        println!("skipped: this user may read everything");
        return;
    }
    let ended = run(folder.path(), &["init", "shut"]);
    assert_eq!(ended.code, 2);
    assert!(
        ended.stderr.contains("it may not be read"),
        "{}",
        ended.stderr
    );
}

#[test]
fn without_blocks_or_with_two_layers_of_them_a_person_has_to_say() {
    let folder = tempdir().unwrap();
    blocks_and_road(folder.path(), "blocks.geojson", "ID");
    fs::rename(
        folder.path().join("blocks.geojson"),
        folder.path().join("xyz.geojson"),
    )
    .unwrap();
    let ended = run(folder.path(), &["init", "."]);
    assert_eq!(ended.code, 3, "{}", ended.stderr);
    assert!(
        ended.stdout.contains("nothing looks like blocks"),
        "{}",
        ended.stdout
    );
    assert!(text_of(folder.path()).contains("xyz.geojson"));

    let folder = tempdir().unwrap();
    blocks_and_road(folder.path(), "blocks_2031.geojson", "ID");
    blocks_and_road(folder.path(), "blocks_2032.geojson", "ID");
    let ended = run(folder.path(), &["init", "."]);
    assert_eq!(ended.code, 3, "{}", ended.stderr);
    assert!(
        ended.stdout.contains("no layer of blocks counts yet"),
        "{}",
        ended.stdout
    );
    let text = text_of(folder.path());
    assert_eq!(text.matches("# [[layers.blocks]]").count(), 2, "{text}");
}

/// GeoJSON without a CRS is in degrees by its standard, whatever its coordinates are.
#[test]
fn a_layer_that_is_not_where_it_says_is_asked_about() {
    let folder = tempdir().unwrap();
    let block = feature(r#"{"BLOCK_ID": "A"}"#, &rectangle(0.0, 0.0, 300.0, 200.0));
    write(folder.path(), "blocks.geojson", &collection("", &[block]));
    let ended = run(folder.path(), &["init", "."]);
    assert_eq!(ended.code, 3, "{}{}", ended.stdout, ended.stderr);
    let text = text_of(folder.path());
    assert!(
        text.contains("# crs: the layer says EPSG:4326, degrees, but its coordinates are none"),
        "{text}"
    );
    let text = text.replace("# crs      = \"EPSG:?\"", "crs = \"EPSG:32616\"");
    let text = text.replace("# preset   = \"bare\"", "preset = \"bare\"");
    fs::write(folder.path().join("project.toml"), text).unwrap();
    let seen = run(folder.path(), &["inspect", "project.toml"]);
    assert_eq!(seen.code, 0, "{}{}", seen.stdout, seen.stderr);
}

/// How many lines of two texts of as many lines differ.
fn changed_lines(before: &str, after: &str) -> usize {
    assert_eq!(before.lines().count(), after.lines().count());
    let pairs = before.lines().zip(after.lines());
    pairs.filter(|(before, after)| before != after).count()
}

/// A place, its files, blocks that are laid out, roles that must count, and the lines that a person edits: what they begin
/// with and what they become.
struct Place {
    name: &'static str,
    files: &'static [&'static str],
    only: Option<&'static str>,
    laid_out: usize,
    roles: &'static [&'static str],
    edits: &'static [(&'static str, &'static str)],
}

const COMMON_PRACTICE: (&str, &str) = (
    "# preset   = \"common-practice\"",
    "preset = \"common-practice\"",
);
const BC: (&str, &str) = ("# preset   = \"bc-fppr\"", "preset = \"bc-fppr\"");
/// No road of these layers comes near.
const WITHOUT_ACCESS: (&str, &str) = ("# without_access", "without_access = true");

const PLACES: [Place; 4] = [
    Place {
        name: "andorra",
        files: &["andorra.gpkg", "andorra_dem.tif"],
        only: Some("6276661,6277173,6279235,6561466"),
        laid_out: 4,
        roles: &[
            "blocks",
            "lakes",
            "protected",
            "roads",
            "streams",
            "terrain",
            "wetlands",
        ],
        edits: &[COMMON_PRACTICE],
    },
    Place {
        name: "neexdzii",
        files: &["neexdzii.gpkg", "neexdzii_dem.tif"],
        only: None,
        laid_out: 3,
        roles: &["blocks", "lakes", "roads", "streams", "terrain", "wetlands"],
        edits: &[BC, WITHOUT_ACCESS],
    },
    Place {
        name: "quesnel",
        files: &["quesnel_cutblocks.gpkg"],
        only: None,
        laid_out: 9,
        roles: &["blocks"],
        edits: &[BC, WITHOUT_ACCESS],
    },
    Place {
        name: "rautjarvi",
        files: &["rautjarvi.gpkg"],
        only: Some("901,902,903"),
        laid_out: 3,
        roles: &["blocks", "lakes", "protected", "streams"],
        edits: &[COMMON_PRACTICE, WITHOUT_ACCESS],
    },
];

/// The place has no blocks: three are drawn, in its own CRS.
const NEEXDZII_BLOCKS: [(f64, f64); 3] = [
    (977_000.0, 1_056_000.0),
    (979_500.0, 1_057_500.0),
    (981_000.0, 1_058_500.0),
];

fn shared() -> Option<PathBuf> {
    let given = std::env::var_os("BLOCKWRIGHT_SHARED").map(PathBuf::from);
    let folder = given.unwrap_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared"));
    let data = folder.join("data/real");
    if !data.is_dir() {
        println!("skipped: no shared data");
        return None;
    }
    data.canonicalize().ok()
}

/// Lays a place out after `init` and these edits, and returns how many lines were edited.
fn edited(folder: &Path, place: &Place) -> usize {
    let name = place.name;
    run(folder, &["init", ".", "-q"]);
    let text = text_of(folder);
    let document: toml::Table = text.parse().unwrap();
    let roles: Vec<&str> = document["layers"]
        .as_table()
        .unwrap()
        .keys()
        .map(String::as_str)
        .collect();
    let mut sorted = roles.clone();
    sorted.sort_unstable();
    assert_eq!(sorted, place.roles, "{name}");
    let mut layout = vec!["layout", "project.toml", "--out", "out", "-q"];
    layout.extend(place.only.iter().flat_map(|only| ["--only", *only]));
    let refused = run(folder, &layout);
    assert_eq!(
        refused.code, 2,
        "{name}: without a choice of rules nothing is laid out"
    );
    let mut edited = text.clone();
    for (begin, line) in place.edits {
        let lines: Vec<&str> = edited.lines().collect();
        assert_eq!(
            lines.iter().filter(|own| own.starts_with(begin)).count(),
            1,
            "{name}: {begin}"
        );
        let new: Vec<&str> = lines
            .iter()
            .map(|own| if own.starts_with(begin) { *line } else { *own })
            .collect();
        edited = new.join("\n") + "\n";
    }
    fs::write(folder.join("project.toml"), &edited).unwrap();
    let laid = run(folder, &layout);
    assert!([0, 3].contains(&laid.code), "{name}: {}", laid.stderr);
    let blocks = table(&folder.join("out/blocks.csv"));
    assert_eq!(blocks.len(), place.laid_out, "{name}");
    changed_lines(&text, &edited)
}

/// The table of docs/init.md, and the promise of five lines at most.
#[test]
fn every_place_lays_out_with_as_few_edited_lines_as_the_documents_say() {
    let text =
        fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/init.md")).unwrap();
    let told = |name: &str| -> usize {
        let row = text
            .lines()
            .find(|line| line.starts_with(&format!("| {name} ")));
        let row = row.unwrap_or_else(|| panic!("no row for {name}"));
        row.split('|').nth(3).unwrap().trim().parse().unwrap()
    };
    let folder = tempdir().unwrap();
    run(
        folder.path(),
        &[
            "demo",
            "--out",
            ".",
            "--blocks",
            "12",
            "--district-only",
            "-q",
        ],
    );
    fs::remove_file(folder.path().join("project.toml")).unwrap();
    let demo = Place {
        name: "demo",
        files: &[],
        only: Some("D07-0003,D07-0004"),
        laid_out: 2,
        roles: &[
            "blocks",
            "brush",
            "hazards",
            "lakes",
            "landings",
            "power_lines",
            "protected",
            "retain",
            "roads",
            "soft_ground",
            "stands",
            "streams",
            "strip_lines",
            "terrain",
            "wetlands",
        ],
        edits: &[COMMON_PRACTICE],
    };
    assert_eq!(edited(folder.path(), &demo), told("demo"));
    let Some(shared) = shared() else {
        return;
    };
    for place in &PLACES {
        let folder = tempdir().unwrap();
        for file in place.files {
            fs::copy(shared.join(file), folder.path().join(file)).unwrap();
        }
        if place.name == "neexdzii" {
            let features = NEEXDZII_BLOCKS.map(|(x, y)| {
                let (e, n) = (x + 400.0, y + 300.0);
                let ring = format!("[{x},{y}],[{e},{y}],[{e},{n}],[{x},{n}],[{x},{y}]");
                feature(
                    &format!(r#"{{"id": "N{x}"}}"#),
                    &format!(r#"{{"type": "Polygon", "coordinates": [[{ring}]]}}"#),
                )
            });
            let crs = UTM.replace("32616", "3005");
            write(
                folder.path(),
                "cutblocks.geojson",
                &collection(&crs, &features),
            );
        }
        let lines = edited(folder.path(), place);
        assert_eq!(lines, told(place.name), "{}", place.name);
        assert!(lines <= 5, "{}", place.name);
    }
}
