//! What maps, sheets, report and receivers show of settings and of the order of work: the same on all of them.

use crate::outputs_fixture;

use std::fs;
use std::io::Read;
use std::path::Path;
use std::process::Command;

use blockwright::model::{BlockPlan, Language, OutputSettings, Settings, SheetMark};
use blockwright::outputs::sheets::{self, SheetContext};
use blockwright::outputs::style::Theme;
use blockwright::outputs::{BlockPage, Writer, render};
use gdal::spatial_ref::{AxisMappingStrategy, CoordTransform, SpatialRef};
use geo::{BoundingRect, Coord, Intersects, Rect};
use outputs_fixture::{full, multi, rect, report, small, turned, two_settings};

/// Where order 1 begins in [`two_settings`], in the block's frame.
const START: Coord = Coord { x: 150.0, y: 4.0 };

fn write(dir: &Path, plan: &BlockPlan, language: Language) {
    let wkt = SpatialRef::from_epsg(32616).unwrap().to_wkt().unwrap();
    let outputs = OutputSettings {
        language,
        ..OutputSettings::default()
    };
    let mut writer = Writer::create(dir, &wkt)
        .unwrap()
        .with_sheets("Winter district", &outputs)
        .unwrap()
        .with_exchange("Winter district", &outputs)
        .unwrap()
        .with_report()
        .unwrap();
    let settings = Settings {
        outputs,
        ..Settings::default()
    };
    let mark = SheetMark {
        input: "0123456789ab".to_owned(),
        ..SheetMark::default()
    };
    let context = SheetContext {
        title: "Winter district",
        settings: &settings,
        crs: "EPSG:32616",
        mark: &mark,
        words: sheets::words_in(language),
        theme: Theme::Light,
    };
    writer
        .block(plan, Some(&render(plan, "", language)))
        .unwrap();
    writer.sheet(&sheets::draw(plan, &context)).unwrap();
    writer.page(&BlockPage::new(plan)).unwrap();
    let report = report(writer.counts());
    writer.finish(&report, &[]).unwrap();
}

fn page_text(path: &Path) -> Option<String> {
    let out = Command::new("pdftotext")
        .args(["-layout", "-l", "1"])
        .arg(path)
        .arg("-")
        .output();
    let Ok(out) = out else {
        println!("skipped: no pdftotext (package poppler-utils)");
        return None;
    };
    assert!(out.status.success(), "{out:?}");
    Some(String::from_utf8_lossy(&out.stdout).into_owned())
}

/// What is drawn on a sheet: its inflated contents.
fn contents(path: &Path) -> String {
    let bytes = fs::read(path).unwrap();
    let mut all = String::new();
    let mut rest = &bytes[..];
    while let Some(at) = rest.windows(8).position(|w| w == b"\nstream\n") {
        rest = &rest[at + 8..];
        let mut text = Vec::new();
        if flate2::read::ZlibDecoder::new(rest)
            .read_to_end(&mut text)
            .is_ok()
        {
            all += &String::from_utf8_lossy(&text);
        }
    }
    all
}

/// West, south, east, north of every path and rectangle on a sheet, in points.
fn boxes_pt(path: &Path) -> Vec<[f64; 4]> {
    let contents = contents(path);
    let mut boxes: Vec<[f64; 4]> = Vec::new();
    for line in contents.lines() {
        let words: Vec<&str> = line.split_whitespace().collect();
        let numbers: Vec<f64> = words.iter().map_while(|word| word.parse().ok()).collect();
        match (words.last(), &numbers[..]) {
            (Some(&"m"), &[x, y]) => boxes.push([x, y, x, y]),
            (Some(&"l"), &[x, y]) => {
                let [west, south, east, north] = boxes.last_mut().unwrap();
                (*west, *south) = (west.min(x), south.min(y));
                (*east, *north) = (east.max(x), north.max(y));
            }
            (Some(&"re"), &[x, y, width, height]) => boxes.push([x, y, x + width, y + height]),
            _ => {}
        }
    }
    boxes
}

/// As [`boxes_pt`], in metres of the block's frame: the block's own outline tells where that lies on paper.
fn boxes(path: &Path, plan: &BlockPlan, point_m: f64) -> Vec<[f64; 4]> {
    let all = boxes_pt(path);
    let block = plan.shape.bounding_rect().unwrap();
    let off = |[west, south, east, north]: &[f64; 4]| {
        let wide = (east - west) * point_m - block.width();
        let high = (north - south) * point_m - block.height();
        wide.abs().max(high.abs())
    };
    let own = all.iter().min_by(|a, b| off(a).total_cmp(&off(b))).unwrap();
    assert!(off(own) < 0.05, "{} m", off(own));
    let own = *own;
    all.into_iter()
        .map(|[west, south, east, north]| {
            let x = |at: f64| (at - own[0]) * point_m + block.min().x;
            let y = |at: f64| (at - own[1]) * point_m + block.min().y;
            [x(west), y(south), x(east), y(north)]
        })
        .collect()
}

/// Metres on the ground of one point on paper.
fn metres_a_point(sheet: &str) -> f64 {
    let written = sheet
        .split("1:")
        .nth(1)
        .and_then(|rest| rest.split_whitespace().next());
    written.unwrap().parse::<f64>().unwrap() * 0.0254 / 72.0
}

#[test]
fn maps_and_sheets_show_settings_outlets_trails_and_decks_where_there_are_any() {
    let own = [
        ("Setting 1", "Secteur 1"),
        ("Setting 2", "Secteur 2"),
        ("Line between settings", "Limite entre secteurs"),
        ("Skid trail", "Piste de débardage"),
        ("Deck", "Pile de bois"),
        ("Order of the first steps", "Ordre des premières étapes"),
        (
            "Outlet: where wood is decked",
            "Sortie : là où le bois est empilé",
        ),
        ("number at outlet end", "numéro côté sortie"),
        ("START", "DÉBUT"),
    ];
    let temp = tempfile::tempdir().unwrap();
    for (at, language) in [(0, Language::English), (1, Language::French)] {
        let plan = two_settings("B-1");
        write(&temp.path().join(language.key()), &plan, language);
        let svg =
            fs::read_to_string(temp.path().join(language.key()).join("maps/B-1.svg")).unwrap();
        let sheet = page_text(&temp.path().join(language.key()).join("sheets/B-1.pdf"));
        for words in own {
            let word = [words.0, words.1][at];
            assert!(svg.contains(word), "{word}");
            if let Some(text) = &sheet {
                assert!(text.contains(word), "{word}: {text}");
            }
        }
    }
    // One setting, no trail, no deck: not a word of them.
    let svg = render(&small("B-2"), "", Language::English);
    write(&temp.path().join("small"), &small("B-2"), Language::English);
    let sheet = page_text(&temp.path().join("small/sheets/B-2.pdf"));
    for (word, _) in &own[..5] {
        assert!(!svg.contains(word), "{word}");
        assert!(sheet.iter().all(|text| !text.contains(word)), "{word}");
    }
}

/// Texts of a map with their places, in pixels.
fn labels(svg: &str) -> Vec<(String, f64, f64)> {
    let number = |tag: &str, name: &str| -> Option<f64> {
        tag.split(&format!(" {name}=\""))
            .nth(1)?
            .split('"')
            .next()?
            .parse()
            .ok()
    };
    svg.split("<text")
        .skip(1)
        .filter_map(|rest| {
            let (tag, rest) = rest.split_once('>')?;
            let text = rest.split('<').next()?.to_owned();
            Some((text, number(tag, "x")?, number(tag, "y")?))
        })
        .collect()
}

#[test]
fn numbers_of_strips_stand_at_their_outlet_end() {
    let plan = two_settings("B-1");
    let svg = render(&plan, "", Language::English);
    let labels = labels(&svg);
    let at = |word: &str| {
        let found = labels.iter().find(|label| label.0 == word);
        found
            .map(|label| (label.1, label.2))
            .unwrap_or_else(|| panic!("{word}: {labels:?}"))
    };
    // Both road strips end in the south, whichever way they are driven and whichever piece comes first.
    let (west, east, landing) = (at("1-1"), at("1-2"), at("2-1"));
    assert!((west.1 - east.1).abs() < 1.0, "{west:?} {east:?}");
    assert!(west.1 > at("Setting 1").1, "south of the setting's name");
    // The landing lies in the east of its setting.
    assert!(landing.0 > at("Setting 2").0, "{landing:?}");
}

#[test]
fn work_starts_at_one_place_on_sheet_map_report_and_receiver() {
    let temp = tempfile::tempdir().unwrap();
    let plan = two_settings("B-1");
    write(temp.path(), &plan, Language::English);
    // The receiver's waypoint.
    let gpx = fs::read_to_string(temp.path().join("exchange/gpx/B-1.gpx")).unwrap();
    // START, and where the only deck is.
    assert_eq!(gpx.matches("<wpt").count(), 2);
    let waypoint = gpx.split("<wpt ").nth(1).unwrap();
    assert!(waypoint.contains("<name>START</name>"), "{waypoint}");
    let degrees = |name: &str| -> f64 {
        let rest = waypoint.split(&format!("{name}=\"")).nth(1).unwrap();
        rest.split('"').next().unwrap().parse().unwrap()
    };
    let crs = |code| {
        let mut crs = SpatialRef::from_epsg(code).unwrap();
        crs.set_axis_mapping_strategy(AxisMappingStrategy::TraditionalGisOrder);
        crs
    };
    let (mut x, mut y) = ([degrees("lon")], [degrees("lat")]);
    let back = CoordTransform::new(&crs(4326), &crs(32616)).unwrap();
    back.transform_coords(&mut x, &mut y, &mut []).unwrap();
    let [east, north] = plan.origin();
    let off = (x[0] - east - START.x).hypot(y[0] - north - START.y);
    assert!(off < 0.02, "{off} m");
    // The report's place, in centimetres.
    let data = fs::read_to_string(temp.path().join("report/data/blocks/B-1.js")).unwrap();
    assert!(data.contains("\"start\":[15000,400]"));
    // One word on each map.
    let svg = fs::read_to_string(temp.path().join("maps/B-1.svg")).unwrap();
    assert_eq!(svg.matches(">START<").count(), 1);
    // The sheet's: five signs of steps, hexagons 13.6 points wide, the first where order 1 begins.
    let sheet = temp.path().join("sheets/B-1.pdf");
    let Some(text) = page_text(&sheet) else {
        return;
    };
    assert_eq!(text.matches("START").count(), 1);
    let point_m = metres_a_point(&text);
    let is_hexagon = |[west, south, east, north]: &[f64; 4]| {
        let (wide, high) = ((east - west) / point_m, (north - south) / point_m);
        (wide - 13.6).abs() < 0.3 && (high - 11.78).abs() < 0.3
    };
    let mut signs: Vec<Coord> = boxes(&sheet, &plan, point_m)
        .iter()
        .filter(|found| is_hexagon(found))
        .map(|[west, south, east, north]| Coord {
            x: (west + east) / 2.0,
            y: (south + north) / 2.0,
        })
        .collect();
    // Filled and rimmed in one, they may come twice.
    signs.dedup_by(|a, b| (a.x - b.x).hypot(a.y - b.y) < 0.1);
    let off = |place: &Coord, other: Coord| (place.x - other.x).hypot(place.y - other.y);
    assert!(signs.iter().any(|sign| off(sign, START) < 0.5), "{signs:?}");
    // Steps 2 to 5 stand on the first pieces of pass, strip 1, strip 2 and the next pass; one more is the legend's.
    for (x, south, north) in [(8.0, 10.0, 150.0), (40.0, 10.0, 120.0), (90.0, 10.0, 280.0)] {
        let there = |sign: &&Coord| (sign.x - x).abs() < 0.5 && (south..north).contains(&sign.y);
        assert_eq!(signs.iter().filter(there).count(), 1, "{x}: {signs:?}");
    }
    assert_eq!(signs.len(), 6, "{signs:?}");
}

/// Blocks that fill their frame to its corners, and some that do not.
fn shapes() -> Vec<BlockPlan> {
    let mut square = small("square");
    square.shape = multi(rect(0.0, 0.0, 500.0, 480.0));
    let mut long = small("long");
    long.shape = multi(rect(0.0, 0.0, 200.0, 900.0));
    vec![
        square,
        long,
        full("full", 500.0, 22),
        turned(full("turned", 700.0, 32), -37.0),
    ]
}

#[test]
fn scale_bar_and_north_arrow_never_lie_on_the_block() {
    let temp = tempfile::tempdir().unwrap();
    for plan in shapes() {
        write(temp.path(), &plan, Language::English);
        let sheet = temp.path().join(format!("sheets/{}.pdf", plan.id));
        if let Some(text) = page_text(&sheet) {
            let point_m = metres_a_point(&text);
            // Their plates are 23 and 59 points high.
            let plates: Vec<[f64; 4]> = boxes(&sheet, &plan, point_m)
                .into_iter()
                .filter(|[west, south, east, north]| {
                    let (wide, high) = ((east - west) / point_m, (north - south) / point_m);
                    ((high - 23.0).abs() < 0.1 && wide > 60.0)
                        || ((high - 59.0).abs() < 0.1 && (wide - 52.0).abs() < 0.1)
                })
                .collect();
            assert!(plates.len() >= 2, "{}: {plates:?}", plan.id);
            for [x0, y0, x1, y1] in plates {
                let plate = Rect::new(Coord { x: x0, y: y0 }, Coord { x: x1, y: y1 });
                assert!(!plan.shape.intersects(&plate), "{}: {plate:?}", plan.id);
            }
        }
        // On the map the block's outline is the widest line, and plates have rounded corners.
        let svg = render(&plan, "", Language::English);
        let outline = svg.split("stroke-width=\"2.2\"").nth(1).unwrap();
        let outline = ring_of(
            outline
                .split("d=\"")
                .nth(1)
                .unwrap()
                .split('"')
                .next()
                .unwrap(),
        );
        let map = svg.split("<text style=\"font-size:22px").next().unwrap();
        let plates: Vec<&str> = map
            .split("<rect ")
            .filter(|r| r.contains("rx=\"3\""))
            .collect();
        assert_eq!(plates.len(), 2);
        for plate in plates {
            let of = |name: &str| -> f64 {
                let rest = plate.split(&format!("{name}=\"")).nth(1).unwrap();
                rest.split('"').next().unwrap().parse().unwrap()
            };
            let low = Coord {
                x: of("x"),
                y: of("y"),
            };
            let high = low
                + Coord {
                    x: of("width"),
                    y: of("height"),
                };
            assert!(!outline.intersects(&Rect::new(low, high)), "{}", plan.id);
        }
    }
}

/// A ring of `M x y l dx dy ... z`.
fn ring_of(d: &str) -> geo::Polygon {
    let spaced: String = d
        .chars()
        .flat_map(|c| match c {
            '-' => vec![' ', '-'],
            'M' | 'l' | 'z' => vec![' '],
            c => vec![c],
        })
        .collect();
    let numbers: Vec<f64> = spaced
        .split_whitespace()
        .map(|n| n.parse().unwrap())
        .collect();
    let mut at = Coord::zero();
    let places = numbers.chunks(2).map(|step| {
        at = at
            + Coord {
                x: step[0],
                y: step[1],
            };
        at
    });
    geo::Polygon::new(places.collect(), vec![])
}

/// Sizes of all text of a sheet.
fn text_sizes(path: &Path) -> Vec<f64> {
    let contents = contents(path);
    let words: Vec<&str> = contents.split_whitespace().collect();
    let sizes = words.windows(2).filter(|w| w[1] == "Tf");
    sizes.map(|w| w[0].parse().unwrap()).collect()
}

#[test]
fn no_text_of_a_sheet_or_map_is_smaller_than_eight_points() {
    let temp = tempfile::tempdir().unwrap();
    for plan in [full("B-2", 500.0, 22), two_settings("B-1")] {
        write(temp.path(), &plan, Language::French);
        let sizes = text_sizes(&temp.path().join(format!("sheets/{}.pdf", plan.id)));
        assert!(sizes.len() > 40, "{}", sizes.len());
        assert!(sizes.iter().all(|size| *size >= 8.0), "{sizes:?}");
        // Pixels are of 96 to the inch.
        let svg = render(&plan, "", Language::French);
        let pixels = svg
            .split("font-size:")
            .skip(1)
            .map(|rest| rest.split("px").next().unwrap().parse::<f64>().unwrap());
        assert!(pixels.into_iter().all(|px| px * 0.75 >= 8.0));
    }
}

#[test]
fn no_word_of_a_legend_is_cut_off() {
    let temp = tempfile::tempdir().unwrap();
    for language in [Language::English, Language::French] {
        for plan in [
            full("B-2", 500.0, 22),
            turned(full("B-3", 900.0, 41), 90.0),
            two_settings("B-1"),
        ] {
            write(temp.path(), &plan, language);
            let Some(text) = page_text(&temp.path().join(format!("sheets/{}.pdf", plan.id))) else {
                return;
            };
            let cut: Vec<&str> = text.lines().filter(|line| line.contains('…')).collect();
            assert!(cut.is_empty(), "{language:?} {}: {cut:?}", plan.id);
        }
    }
}
