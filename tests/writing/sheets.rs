//! Operator sheets, read by other programs: where they lie, whether they are to scale, what they say.

use crate::outputs_fixture;

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::LazyLock;

use blockwright::model::{
    Accuracy, BlockPlan, BlockStatus, Emergency, FallingSnow, Language, MoreSheets, OutputSettings,
    Paper, Settings, SheetMark, StripKind, StripLine, SurveyNote, Verdict,
};
use blockwright::outputs::sheets::{self, Page, SheetContext};
use blockwright::outputs::style::Theme;
use blockwright::outputs::{Drafts, SheetDraft, Writer, file_stem, render};
use blockwright::sources::InputFile;
use gdal::spatial_ref::{AxisMappingStrategy, CoordTransform, SpatialRef};
use gdal::vector::LayerAccess;
use gdal::{Dataset, DatasetOptions, GdalOpenFlags};
use geo::{BoundingRect, Coord};
use outputs_fixture::{full, report, small, turned};

const HOSTILE: &str = "../<script>alert(1)</script>')(\\\u{202e}'\"";

fn crs() -> String {
    SpatialRef::from_epsg(32616).unwrap().to_wkt().unwrap()
}

/// Sheets of a plan without a number.
static MARK: LazyLock<SheetMark> = LazyLock::new(|| SheetMark {
    input: "0123456789ab".to_owned(),
    ..SheetMark::default()
});

fn context(settings: &Settings, language: Language) -> SheetContext<'_> {
    SheetContext {
        title: "Winter district",
        settings,
        crs: "EPSG:32616",
        mark: &MARK,
        words: sheets::words_in(language),
        theme: Theme::Light,
    }
}

fn drawn(plan: &BlockPlan, settings: &Settings) -> Page {
    let mut plan = plan.clone();
    plan.frame = plan.frame.pointing(-0.3);
    sheets::draw(&plan, &context(settings, Language::English))
}

fn plans() -> Vec<BlockPlan> {
    let mut wide = turned(
        full(
            "wide and Łódź 森 – a long name that goes on and on and on",
            900.0,
            41,
        ),
        90.0,
    );
    wide.scale = 1.0;
    vec![small("B-1"), full("B-2", 500.0, 22), wide, small(HOSTILE)]
}

fn write(dir: &Path, settings: &Settings) {
    let mut writer = Writer::create(dir, &crs())
        .unwrap()
        .with_sheets("Winter district", &settings.outputs)
        .unwrap();
    for plan in plans() {
        writer
            .block(&plan, Some(&render(&plan, "Test", Language::English)))
            .unwrap();
        writer.sheet(&drawn(&plan, settings)).unwrap();
    }
    let report = report(writer.counts());
    writer.finish(&report, &[]).unwrap();
}

fn in_language(language: Language) -> OutputSettings {
    OutputSettings {
        language,
        ..OutputSettings::default()
    }
}

/// The file of one plan's sheet.
fn sheet_of(dir: &Path, plan: &BlockPlan, settings: &Settings, language: Language) -> PathBuf {
    let mut writer = Writer::create(dir, &crs())
        .unwrap()
        .with_sheets("Winter district", &in_language(language))
        .unwrap();
    writer.block(plan, None).unwrap();
    let page = sheets::draw(plan, &context(settings, language));
    writer.sheet(&page).unwrap();
    let report = report(writer.counts());
    writer.finish(&report, &[]).unwrap();
    sheet(dir, &plan.id)
}

fn sheet(dir: &Path, id: &str) -> PathBuf {
    dir.join("sheets").join(file_stem(id) + ".pdf")
}

fn open(path: &Path, flags: GdalOpenFlags) -> Dataset {
    let options = DatasetOptions {
        open_flags: flags,
        allowed_drivers: Some(&["PDF"]),
        ..DatasetOptions::default()
    };
    Dataset::open_ex(path, options).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// Boxes (west, south, east, north) of every path on a page, in the page's CRS as GDAL makes it out.
fn boxes(path: &Path) -> Vec<[f64; 4]> {
    gdal::config::set_thread_local_config_option("OGR_PDF_READ_NON_STRUCTURED", "YES").unwrap();
    let dataset = open(path, GdalOpenFlags::GDAL_OF_VECTOR);
    let mut layer = dataset.layer(0).unwrap();
    layer
        .features()
        .filter_map(|feature| {
            let envelope = feature.geometry()?.envelope();
            Some([envelope.MinX, envelope.MinY, envelope.MaxX, envelope.MaxY])
        })
        .collect()
}

#[test]
fn french_sheets_say_in_french_what_english_ones_say_in_english() {
    let plan = full("B-2", 500.0, 22);
    let sheet_in = |language: Language| {
        let temp = tempfile::tempdir().unwrap();
        page_text(&sheet_of(
            temp.path(),
            &plan,
            &Settings::default(),
            language,
        ))
    };
    let both = sheet_in(Language::English).zip(sheet_in(Language::French));
    let Some((english, french)) = both else {
        return;
    };
    for (here, there) in [
        ("Legend", "Légende"),
        ("Retention corridor", "Corridor de rétention"),
        ("Reach to one side", "Portée d’un côté"),
        ("Before you cut", "Avant d’abattre"),
        ("grid north", "nord de la grille"),
    ] {
        assert!(english.contains(here) && !french.contains(here), "{here}");
        assert!(
            french.contains(there) && !english.contains(there),
            "{there}"
        );
    }
}

#[test]
fn gdal_finds_the_blocks_outline_on_the_page_where_the_block_is() {
    let temp = tempfile::tempdir().unwrap();
    write(temp.path(), &Settings::default());
    for plan in plans() {
        let rect = plan.shape.bounding_rect().unwrap();
        let [x, y] = plan.origin();
        let wanted = [
            rect.min().x + x,
            rect.min().y + y,
            rect.max().x + x,
            rect.max().y + y,
        ];
        let off = |found: &[f64; 4]| {
            let corners = found.iter().zip(wanted);
            corners.map(|(a, b)| (a - b).abs()).fold(0.0, f64::max)
        };
        let nearest = boxes(&sheet(temp.path(), &plan.id))
            .iter()
            .map(off)
            .fold(f64::INFINITY, f64::min);
        assert!(nearest < 0.1, "{}: {nearest} m", plan.id);
    }
}

/// The page drawn at 72 pixels an inch: a pixel is a point.
#[test]
fn the_scale_on_paper_is_the_scale_that_is_written() {
    gdal::config::set_thread_local_config_option("GDAL_PDF_DPI", "72").unwrap();
    for paper in Paper::ALL {
        let mut settings = Settings::default();
        settings.outputs.paper = paper;
        let temp = tempfile::tempdir().unwrap();
        write(temp.path(), &settings);
        for plan in plans() {
            let path = sheet(temp.path(), &plan.id);
            let dataset = open(&path, GdalOpenFlags::GDAL_OF_RASTER);
            let [_, pixel_m, turn_x, _, turn_y, line_m] = dataset.geo_transform().unwrap();
            assert!(turn_x.abs() < 1e-6 && turn_y.abs() < 1e-6);
            let [short, long] = paper.sides_mm().map(|mm| (mm / 25.4 * 72.0) as usize);
            let (width, height) = dataset.raster_size();
            assert!(
                width.min(height).abs_diff(short) <= 1 && width.max(height).abs_diff(long) <= 1
            );
            let Some(text) = page_text(&path) else {
                continue;
            };
            let written: f64 = text
                .split("Scale 1:")
                .nth(1)
                .and_then(|rest| rest.split_whitespace().next())
                .unwrap()
                .parse()
                .unwrap();
            let per_point = written * 0.0254 / 72.0 * plan.scale;
            for measured in [pixel_m, -line_m] {
                assert!(
                    (measured / per_point - 1.0).abs() < 0.005,
                    "{}: {measured} {per_point}",
                    plan.id
                );
            }
            // The frame holds the block with ground around it.
            let boxes = boxes(&path);
            let west = boxes
                .iter()
                .map(|found| found[0])
                .fold(f64::INFINITY, f64::min);
            let block = plan.shape.bounding_rect().unwrap().min().x + plan.origin()[0];
            assert!(west < block - 20.0);
        }
    }
}

#[test]
fn control_points_lie_on_the_globe_where_proj_puts_them() {
    let temp = tempfile::tempdir().unwrap();
    write(temp.path(), &Settings::default());
    let dataset = open(&sheet(temp.path(), "B-2"), GdalOpenFlags::GDAL_OF_RASTER);
    let own = dataset.spatial_ref().unwrap();
    assert_eq!(own.auth_code().unwrap(), 32616);
    // The corners of the measure, as written, against those of the page's own transformation.
    let text = String::from_utf8_lossy(&fs::read(sheet(temp.path(), "B-2")).unwrap()).into_owned();
    let list = |key: &str| -> Vec<f64> {
        let rest = text.split(&format!("/{key} [ ")).nth(1).unwrap();
        let inside = rest.split(']').next().unwrap();
        inside
            .split_whitespace()
            .map(|n| n.parse().unwrap())
            .collect()
    };
    let (globe, frame) = (list("GPTS"), list("BBox"));
    let mut wgs84 = SpatialRef::from_epsg(4326).unwrap();
    wgs84.set_axis_mapping_strategy(AxisMappingStrategy::TraditionalGisOrder);
    let mut utm = SpatialRef::from_epsg(32616).unwrap();
    utm.set_axis_mapping_strategy(AxisMappingStrategy::TraditionalGisOrder);
    let forward = CoordTransform::new(&wgs84, &utm).unwrap();
    let [left, pixel_m, _, top, _, line_m] = dataset.geo_transform().unwrap();
    let (_, height) = dataset.raster_size();
    let pixels_per_pt = height as f64 / 841.89;
    for (index, at) in [(0, [0, 1]), (1, [0, 3]), (2, [2, 3]), (3, [2, 1])] {
        let (mut x, mut y) = ([globe[2 * index + 1]], [globe[2 * index]]);
        forward.transform_coords(&mut x, &mut y, &mut []).unwrap();
        let column = frame[at[0]] * pixels_per_pt;
        let row = height as f64 - frame[at[1]] * pixels_per_pt;
        let (east, north) = (left + column * pixel_m, top + row * line_m);
        let off = (east - x[0]).hypot(north - y[0]);
        assert!(off < 1.0, "corner {index}: {off} m");
    }
}

/// What an independent reader finds of words; None where there is none on this machine.
fn page_text(path: &Path) -> Option<String> {
    text_of(path, &["-layout", "-l", "1"])
}

fn text_of(path: &Path, how: &[&str]) -> Option<String> {
    match Command::new("pdftotext")
        .args(how)
        .arg(path)
        .arg("-")
        .output()
    {
        Ok(out) => {
            assert!(out.status.success(), "{out:?}");
            Some(String::from_utf8_lossy(&out.stdout).into_owned())
        }
        Err(_) => {
            println!("skipped: no pdftotext (package poppler-utils)");
            None
        }
    }
}

#[test]
fn sheets_say_what_an_operator_must_know() {
    let temp = tempfile::tempdir().unwrap();
    let mut settings = Settings::default();
    settings.outputs.declination_deg = Some(-4.5);
    write(temp.path(), &settings);
    let Some(text) = page_text(&sheet(temp.path(), "B-2")) else {
        return;
    };
    for word in [
        "Block B-2",
        "Winter district",
        "Scale 1:",
        "on the ground, on A4",
        "0.99980 of the ground; true north 0.3° right of grid north",
        "Reach to one side",
        "8.70 m",
        "Machine hours",
        "Before you cut",
        "never overrides what the operator sees.",
        "Day only",
        "NOT FOR WORK: a rule is not met",
        "Retention corridor",
        "grid north",
        "Declination 4.5° W, as given",
        "Compass north 4.2° left of grid north",
        "EPSG:32616",
        "512000 E",
        "5480000 N",
        concat!("blockwright ", env!("CARGO_PKG_VERSION")),
        "input 0123456789ab",
    ] {
        assert!(text.contains(word), "{word}: {text}");
    }
    let long = page_text(&sheet(temp.path(), &plans()[2].id)).unwrap();
    assert!(long.contains("Block wide and Lódz"), "{long}");
    let hostile = page_text(&sheet(temp.path(), HOSTILE)).unwrap();
    assert!(
        hostile.contains("Block ../<script>alert(1)</script>')(\\?'\""),
        "{hostile}"
    );
}

#[test]
fn the_same_plans_give_the_same_bytes_and_nothing_leaves_the_folder() {
    let temp = tempfile::tempdir().unwrap();
    let (one, two) = (temp.path().join("one"), temp.path().join("two"));
    write(&one, &Settings::default());
    write(&two, &Settings::default());
    let names = |dir: &Path| -> Vec<String> {
        let entries = fs::read_dir(dir.join("sheets")).unwrap();
        let mut names: Vec<String> = entries
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    };
    assert_eq!(names(&one).len(), 5);
    assert_eq!(names(&one), names(&two));
    for name in names(&one) {
        let read = |dir: &Path| fs::read(dir.join("sheets").join(&name)).unwrap();
        assert!(read(&one) == read(&two), "{name}");
        assert!(!String::from_utf8_lossy(&read(&one)).contains("CreationDate"));
    }
    let beside: Vec<_> = fs::read_dir(temp.path()).unwrap().collect();
    assert_eq!(beside.len(), 2);
}

#[test]
fn one_file_holds_all_sheets() {
    let temp = tempfile::tempdir().unwrap();
    write(temp.path(), &Settings::default());
    let all = temp.path().join("sheets/all.pdf");
    // Each block has a page with its map, or several, which lie somewhere, and a back, which does not.
    let page = |number: u32| Dataset::open(format!("PDF:{number}:{}", all.display())).ok();
    let maps = (1..).map_while(page).map(|page| {
        let system = page.spatial_ref().ok()?;
        Some(system.auth_code().unwrap())
    });
    // Before them all the list of blocks.
    let maps: Vec<Option<i32>> = maps.skip(1).collect();
    assert!(page(1).unwrap().spatial_ref().is_err());
    let backs = maps.iter().filter(|code| code.is_none()).count();
    assert_eq!(backs, plans().len(), "{maps:?}");
    assert!(maps.iter().flatten().all(|code| *code == 32616), "{maps:?}");
    assert!(
        maps[0].is_some()
            && maps
                .windows(2)
                .all(|pair| pair[0].is_some() || pair[1].is_some())
    );
}

/// The back of a plan's sheet, its lines joined.
fn back(plan: &BlockPlan, settings: &Settings, language: Language) -> Option<String> {
    let temp = tempfile::tempdir().unwrap();
    let file = sheet_of(temp.path(), plan, settings, language);
    let text = text_of(&file, &["-f", "2"])?;
    Some(text.split_whitespace().collect::<Vec<_>>().join(" "))
}

/// Where PROJ puts a place of the frame.
fn on_the_globe(plan: &BlockPlan, at: geo::Coord) -> [f64; 2] {
    let mut from = SpatialRef::from_epsg(32616).unwrap();
    let mut to = SpatialRef::from_epsg(4326).unwrap();
    from.set_axis_mapping_strategy(AxisMappingStrategy::TraditionalGisOrder);
    to.set_axis_mapping_strategy(AxisMappingStrategy::TraditionalGisOrder);
    let at = plan.frame.leave(at);
    let (mut x, mut y) = ([at.x], [at.y]);
    let way = CoordTransform::new(&from, &to).unwrap();
    way.transform_coords(&mut x, &mut y, &mut []).unwrap();
    [x[0], y[0]]
}

#[test]
fn the_back_says_what_is_needed_in_the_woods() {
    let mut plan = full("B-2", 500.0, 22);
    let [lon, lat] = on_the_globe(&plan, geo::Coord { x: 0.0, y: 0.0 });
    plan.place = Some(geo::Coord { x: lon, y: lat });
    plan.emergency = Emergency {
        phone: Some("555 0142".to_owned()),
        muster_point: Some("gate at kilometre 12".to_owned()),
        ..Emergency::default()
    };
    plan.surveys = vec![SurveyNote {
        role: "lakes".to_owned(),
        layer: "layers.gpkg:lakes".to_owned(),
        features: 2,
        accuracy: Accuracy {
            off_m: Some(5.0),
            confidence: Some(0.95),
            source: "report on the map (invented)".to_owned(),
            surveyed: None,
        },
    }];
    let mut settings = Settings::default();
    let Some(text) = back(&plan, &settings, Language::English) else {
        return;
    };
    for word in [
        "Block B-2, back, page 1",
        "Phone: 555 0142",
        "Radio: not given; write it in before work begins",
        "Muster point: gate at kilometre 12",
        "Way in: not given",
        "No power line is mapped near this block",
        "Night work in falling snow: the project has no rule",
        "Lakes (2): nobody says how; may be off by 5 m (95.00 %): report on the map (invented)",
        "go before this sheet",
    ] {
        assert!(text.contains(word), "{word}: {text}");
    }
    // Every finding stands there, whatever the front had room for.
    for finding in &plan.findings {
        let words: Vec<&str> = finding.message.split_whitespace().collect();
        assert!(
            text.contains(&words.join(" ")),
            "{}: {text}",
            finding.message
        );
    }
    let start = plan
        .lines
        .iter()
        .min_by_key(|own| own.order)
        .unwrap()
        .shape
        .0[0];
    let [lon, lat] = on_the_globe(&plan, start);
    let told = text.split("START of work: ").nth(1).unwrap();
    let told: Vec<f64> = told
        .split(['°', ' ', ','])
        .filter_map(|word| word.parse().ok())
        .take(2)
        .collect();
    let off_m = [
        (told[0] - lat) * 111_200.0,
        (-told[1] - lon) * 111_200.0 * lat.to_radians().cos(),
    ];
    assert!(off_m[0].hypot(off_m[1]) < 1.5, "{told:?} {lon} {lat}");

    settings.falling_snow = Some(FallingSnow {
        night_work: false,
        source: "safety plan".to_owned(),
    });
    let text = back(&plan, &settings, Language::French).unwrap();
    for word in [
        "Bloc B-2, verso, page 1",
        "Téléphone : 555 0142",
        "Radio : non donné ; à écrire avant le début des travaux",
        "arrêter et attendre le jour (safety plan)",
        "Lacs (2) : nul ne dit comment ; peut être faux de 5 m",
    ] {
        assert!(text.contains(word), "{word}: {text}");
    }
    for word in [
        "Muster",
        "Phone",
        "wind from",
        "power line is",
        "nobody says",
    ] {
        assert!(!text.contains(word), "{word}: {text}");
    }
    // What does not fit goes on.
    let one = plan.findings[0].clone();
    plan.findings = (0..300).map(|_| one.clone()).collect();
    let text = back(&plan, &settings, Language::English).unwrap();
    assert!(
        text.contains("back, page 3") && text.contains("300. "),
        "{text}"
    );
}

/// Trade facts as the brief of every operator has them (common practice).
#[test]
fn sheets_say_how_to_work_and_which_are_not_for_work() {
    let mut plan = full("B-2", 500.0, 22);
    let settings = Settings::default();
    for (status, forbidden) in [(BlockStatus::Fail, true), (BlockStatus::Warn, false)] {
        plan.status = status;
        let Some(text) = back(&plan, &settings, Language::English) else {
            return;
        };
        assert_eq!(text.contains("NOT FOR WORK"), forbidden, "{status:?}");
        for words in [
            "left of the strip at 45 degrees, butts towards the road",
            "on the right for choice, never behind the machine",
            "wood is laid against the edge",
            "the side of the strip that comes next",
            "away from the flagged line",
            "Service the machine by day",
        ] {
            assert!(text.contains(words), "{words}: {text}");
        }
        let clears = (plan.strips.iter()).any(|strip| strip.kind == StripKind::RoadClearing);
        assert_eq!(text.contains("piles lie on the outer side"), clears);
    }
}

#[test]
fn a_finding_on_the_front_is_told_to_its_last_word() {
    let mut plan = full("B-2", 500.0, 22);
    plan.findings.truncate(1);
    plan.findings[0].message = format!("{} endmost", "many words of a long finding ".repeat(9));
    plan.findings[0].verdict = Verdict::Warn;
    let temp = tempfile::tempdir().unwrap();
    let file = sheet_of(temp.path(), &plan, &Settings::default(), Language::English);
    let Some(front) = page_text(&file) else {
        return;
    };
    assert!(front.contains("endmost"), "{front}");
}

#[test]
fn a_finding_that_fails_is_never_without_room() {
    let mut plan = full("B-2", 500.0, 22);
    let mut note = plan.findings[0].clone();
    note.verdict = Verdict::NotApplicable;
    let mut fails = note.clone();
    fails.verdict = Verdict::Fail;
    fails.message = "Nothing cut within the reserve: fail".to_owned();
    plan.findings = vec![note; 40];
    plan.findings.push(fails);
    let temp = tempfile::tempdir().unwrap();
    let file = sheet_of(temp.path(), &plan, &Settings::default(), Language::English);
    let Some(front) = page_text(&file) else {
        return;
    };
    assert!(
        front.contains("Nothing cut within the reserve: fail"),
        "{front}"
    );
    assert!(front.contains("more, on the back"), "{front}");
}

/// By hand: strips run north and go on to the east, from 0 m to 500 m; the machine goes on into the wind.
#[test]
fn the_order_follows_the_wind_of_the_day() {
    let mut plan = full("B-2", 500.0, 22);
    let Some(text) = back(&plan, &Settings::default(), Language::English) else {
        return;
    };
    let wanted = "Setting 1: wind from N (0°) to S (180°): strip 1-1 first; else strip 1-22 first.";
    assert!(text.contains(wanted), "{text}");
    // A strip in the middle that is come to last, from behind a hole, is no end.
    let most = plan.lines.iter().map(|own| own.order).max().unwrap();
    let middle = |own: &&mut StripLine| own.id.strip_no == 9 && own.kind == StripKind::Interior;
    plan.lines.iter_mut().find(middle).unwrap().order = most + 1;
    let text = back(&plan, &Settings::default(), Language::English).unwrap();
    assert!(text.contains(wanted), "{text}");
    // Grid north 30 degrees east of true north.
    plan.frame = plan.frame.pointing(30.0);
    let text = back(&plan, &Settings::default(), Language::English).unwrap();
    assert!(
        text.contains("Setting 1: wind from NE (30°) to SW (210°)"),
        "{text}"
    );
}

#[test]
fn the_input_mark_changes_with_any_input() {
    let input = |sha256: &str| InputFile {
        source: "layers.gpkg".to_owned(),
        bytes: 1,
        sha256: sha256.to_owned(),
    };
    let one = sheets::input_mark(&[input("aa"), input("bb")]);
    assert_eq!(one.len(), 12);
    assert_ne!(one, sheets::input_mark(&[input("aa"), input("bc")]));
    assert_ne!(one, sheets::input_mark(&[input("bb"), input("aa")]));
    // `printf 'aa\nbb\n' | sha256sum`
    assert_eq!(one, "329d670e59ea");
}

/// Pixels of a page as red, green and blue; None where no renderer is on this machine.
fn pixels(path: &Path, page: u32) -> Option<(usize, Vec<[u8; 3]>)> {
    let page = page.to_string();
    let out = match Command::new("pdftoppm")
        .args(["-r", "40", "-f", &page, "-l", &page])
        .arg(path)
        .output()
    {
        Ok(out) => out,
        Err(_) => {
            println!("skipped: no pdftoppm (package poppler-utils)");
            return None;
        }
    };
    assert!(out.status.success(), "{out:?}");
    // Netpbm's P6: three words of text, each ended by white space.
    let mut words = out.stdout.splitn(4, |byte| byte.is_ascii_whitespace());
    assert_eq!(words.next(), Some(&b"P6"[..]));
    let width = std::str::from_utf8(words.next().unwrap()).unwrap();
    let width: usize = width.parse().unwrap();
    let rest = words.nth(1).unwrap();
    let start = rest.iter().position(|byte| *byte == b'\n').unwrap() + 1;
    let (all, _) = rest[start..].as_chunks::<3>();
    Some((width, all.to_vec()))
}

#[test]
fn the_same_sheets_come_for_the_night_and_in_black_and_white() {
    let temp = tempfile::tempdir().unwrap();
    let mut settings = Settings::default();
    settings.outputs.more_sheets = MoreSheets::ALL.to_vec();
    let mut writer = Writer::create(temp.path(), &crs())
        .unwrap()
        .with_sheets("Winter district", &settings.outputs)
        .unwrap();
    for plan in plans() {
        let page = |theme: Theme| {
            let context = SheetContext {
                theme,
                ..context(&settings, Language::English)
            };
            sheets::draw(&plan, &context)
        };
        let draft = SheetDraft {
            page: page(Theme::Light),
            more: (settings.outputs.more_sheets.iter())
                .map(|inks| page(sheets::theme(*inks)))
                .collect(),
            mark: MARK.clone(),
        };
        let drafts = Drafts {
            earlier: vec![],
            new: draft.clone(),
            first: draft,
        };
        writer.block(&plan, None).unwrap();
        writer.sheet_of(&drafts, None).unwrap();
    }
    let mut run = report(writer.counts());
    run.settings.outputs.maps = false;
    writer.finish(&run, &[]).unwrap();
    let words = |folder: &str, file: &str| text_of(&temp.path().join(folder).join(file), &[]);
    let Some(all) = words("sheets", "all.pdf") else {
        return;
    };
    for inks in MoreSheets::ALL {
        // All words of all sheets are there, in whatever inks.
        assert_eq!(words(inks.folder(), "all.pdf").unwrap(), all);
    }
    let own = sheet(temp.path(), "B-2");
    let of = |inks: MoreSheets| temp.path().join(inks.folder()).join("B-2.pdf");
    for page in [1, 2] {
        let Some((_, colours)) = pixels(&own, page) else {
            return;
        };
        let (_, night) = pixels(&of(MoreSheets::Night), page).unwrap();
        let (_, plain) = pixels(&of(MoreSheets::BlackAndWhite), page).unwrap();
        // Relative luminance (sRGB, IEC 61966-2-1) of the whole page: hardly any light comes from it by night.
        let light = |all: &[[u8; 3]]| {
            let linear = |value: u8| {
                let share = f64::from(value) / 255.0;
                match share <= 0.04045 {
                    true => share / 12.92,
                    false => ((share + 0.055) / 1.055).powf(2.4),
                }
            };
            let one = |[r, g, b]: &[u8; 3]| {
                0.2126 * linear(*r) + 0.7152 * linear(*g) + 0.0722 * linear(*b)
            };
            all.iter().map(one).sum::<f64>() / all.len() as f64
        };
        assert!(light(&colours) > 0.6, "{}", light(&colours));
        assert!(light(&night) < 0.15, "{}", light(&night));
        let grey = |[r, g, b]: &[u8; 3]| r.max(g).max(b) - r.min(g).min(b) <= 1;
        assert!(plain.iter().all(grey));
        assert!(!night.iter().all(grey) || page == 2);
    }
}

#[test]
fn the_declination_of_a_day_is_that_of_the_magnetic_model() {
    let temp = tempfile::tempdir().unwrap();
    let mut settings = Settings::default();
    settings.outputs.declination_on = chrono::NaiveDate::from_ymd_opt(2027, 7, 2);
    // A place of the model's published values (see `compass`): 0.24 degrees west.
    let mut plan = full("B-2", 500.0, 22);
    plan.place = Some(Coord { x: 120.0, y: 0.0 });
    let file = |language| sheet_of(temp.path(), &plan, &settings, language);
    let Some(text) = page_text(&file(Language::English)) else {
        return;
    };
    let said = "Declination 0.2° W ± 0.3°, model of 2027-07-02";
    assert!(text.contains(said), "{text}");
    let text = page_text(&file(Language::French)).unwrap();
    let said = "Déclinaison 0,2° O ± 0,3°, modèle au 2027-07-02";
    assert!(text.contains(said), "{text}");
}

#[test]
fn a_large_block_has_larger_maps_on_which_every_strip_has_its_number() {
    let temp = tempfile::tempdir().unwrap();
    let plan = full("B-9", 1500.0, 70);
    let settings = Settings::default();
    let path = sheet_of(temp.path(), &plan, &settings, Language::English);
    let Some(front) = page_text(&path) else {
        return;
    };
    assert!(front.contains("Larger on a map of its own"), "{front}");
    let names = |text: &str| -> BTreeSet<String> {
        let words = text.split_whitespace();
        let names = words.filter(|word| word.starts_with("1-"));
        names.map(str::to_owned).collect()
    };
    let strips: BTreeSet<String> = (plan.strips.iter())
        .filter(|strip| strip.kind == StripKind::Interior)
        .map(|strip| format!("1-{}", strip.id.strip_no))
        .collect();
    assert!(strips.len() > 60, "{}", strips.len());
    assert!(!strips.is_subset(&names(&front)));
    let rect = plan.shape.bounding_rect().unwrap();
    let [x, y] = plan.origin();
    let block = [
        rect.min().x + x,
        rect.min().y + y,
        rect.max().x + x,
        rect.max().y + y,
    ];
    gdal::config::set_thread_local_config_option("GDAL_PDF_DPI", "72").unwrap();
    let mut seen = BTreeSet::new();
    let mut covered = [
        f64::INFINITY,
        f64::INFINITY,
        f64::NEG_INFINITY,
        f64::NEG_INFINITY,
    ];
    let mut letters = vec![];
    for page in 2..20 {
        let page = page.to_string();
        let text = text_of(&path, &["-layout", "-f", &page, "-l", &page]).unwrap();
        let Some(letter) = text
            .split("Block B-9, map ")
            .nth(1)
            .and_then(|rest| rest.chars().next())
        else {
            // The back comes after all maps.
            assert!(text.contains("back, page 1"), "{text}");
            break;
        };
        letters.push(letter);
        for word in ["NOT FOR WORK", "Before you cut", "Scale 1:", "grid north"] {
            assert!(text.contains(word), "{word}: {text}");
        }
        seen.extend(names(&text));
        // Another reader finds the page on the globe at the scale that is written.
        let name = format!("PDF:{page}:{}", path.display());
        let dataset = open(Path::new(&name), GdalOpenFlags::GDAL_OF_RASTER);
        let [left, pixel_m, _, top, _, line_m] = dataset.geo_transform().unwrap();
        let (width, height) = dataset.raster_size();
        let scale = text.split("Scale 1:").nth(1).unwrap();
        let scale: f64 = scale.split_whitespace().next().unwrap().parse().unwrap();
        let written_m = scale * 0.0254 / 72.0 * plan.scale;
        assert!(
            (pixel_m / written_m - 1.0).abs() < 0.005,
            "{pixel_m} {written_m}"
        );
        let page_box = [
            left,
            top + line_m * height as f64,
            left + pixel_m * width as f64,
            top,
        ];
        for side in 0..2 {
            covered[side] = f64::min(covered[side], page_box[side]);
            covered[side + 2] = f64::max(covered[side + 2], page_box[side + 2]);
        }
    }
    assert!(letters.len() > 1, "{letters:?}");
    assert!(
        letters.iter().copied().eq(('A'..='Z').take(letters.len())),
        "{letters:?}"
    );
    assert_eq!(
        strips.difference(&seen).collect::<Vec<_>>(),
        Vec::<&String>::new()
    );
    for side in 0..2 {
        assert!(covered[side] < block[side] && covered[side + 2] > block[side + 2]);
    }
    // A block whose front has all numbers needs no other map.
    let small = sheet_of(
        temp.path(),
        &full("B-2", 300.0, 12),
        &settings,
        Language::English,
    );
    let text = text_of(&small, &[]).unwrap();
    assert!(
        !text.contains("Block B-2, map") && !text.contains("Larger on a map"),
        "{text}"
    );
}

#[test]
fn the_file_of_all_sheets_begins_with_a_list_of_blocks_and_their_pages() {
    let temp = tempfile::tempdir().unwrap();
    let mut settings = Settings::default();
    settings.outputs.paper = Paper::Letter;
    write(temp.path(), &settings);
    let all = temp.path().join("sheets/all.pdf");
    let Some(list) = text_of(&all, &["-layout", "-l", "1"]) else {
        return;
    };
    for word in [
        "Winter district: operator sheets",
        "4 blocks:",
        "Prepared by",
        "Approved by",
        "List of blocks, page 1 of 1.",
    ] {
        assert!(list.contains(word), "{word}: {list}");
    }
    let plans = plans();
    let fails = plans.iter().filter(|plan| plan.status == BlockStatus::Fail);
    assert!(
        list.contains(&format!("{} falling short", fails.count())),
        "{list}"
    );
    // What the list says of a block's page is where the block is.
    for plan in plans.iter().filter(|plan| plan.id.starts_with("B-")) {
        let row = list
            .lines()
            .find(|line| line.contains(&format!("{} ", plan.id)));
        let row = row.unwrap_or_else(|| panic!("{}: {list}", plan.id));
        let net = format!("{:.2} ha", plan.books.net_m2 / 1e4);
        assert!(row.contains(&net), "{row} {net}");
        let page = row
            .split(" h ")
            .nth(1)
            .unwrap()
            .split_whitespace()
            .next()
            .unwrap();
        let text = text_of(&all, &["-f", page, "-l", page]).unwrap();
        assert!(
            text.contains(&format!("Block {}", plan.id)),
            "{page}: {text}"
        );
    }
    // A long list goes on, and the approval is on its last page.
    let mut writer = Writer::create(temp.path(), &crs())
        .unwrap()
        .with_sheets("Winter district", &settings.outputs)
        .unwrap();
    for number in 0..70 {
        let plan = small(&format!("L-{number:03}"));
        writer.block(&plan, None).unwrap();
        writer.sheet(&drawn(&plan, &settings)).unwrap();
    }
    let mut run = report(writer.counts());
    run.settings.outputs.maps = false;
    writer.finish(&run, &[]).unwrap();
    let first = text_of(&all, &["-layout", "-l", "1"]).unwrap();
    let second = text_of(&all, &["-layout", "-f", "2", "-l", "2"]).unwrap();
    assert!(
        first.contains("page 1 of 2") && !first.contains("Approved by"),
        "{first}"
    );
    assert!(
        second.contains("page 2 of 2") && second.contains("Approved by"),
        "{second}"
    );
    for number in 0..70 {
        let id = format!("L-{number:03}");
        assert!(first.contains(&id) != second.contains(&id), "{id}");
    }
}
