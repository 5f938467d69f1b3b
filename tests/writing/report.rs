//! The web report in a browser: opened from disk, sorted, filtered, moved, read, printed; with hostile names; looked at
//! by an accessibility checker.

use crate::browser;
use crate::once;
use crate::outputs_fixture;
use crate::run_binary;

use std::path::{Path, PathBuf};
use std::process::Command;

use blockwright::model::GroundFrame;
use blockwright::outputs::{BlockPage, Writer};
use browser::Browser;
use gdal::spatial_ref::SpatialRef;
use run_binary::{collection, feature, rectangle, run, small_project, write};
use serde_json::{Value, json};

fn address(report: &Path) -> String {
    format!("file://{}", report.join("index.html").display())
}

fn demo(folder: &Path, blocks: &str) -> PathBuf {
    let ended = run(
        folder,
        &["demo", "--out", "demo", "--blocks", blocks, "--quiet"],
    );
    assert!([0, 3].contains(&ended.code), "{}", ended.stderr);
    folder.join("demo/layout/report")
}

/// Nothing was complained of, and nothing asked for outside the report's folder.
fn is_quiet(browser: &mut Browser, report: &Path) {
    assert_eq!(browser.complaints(), Vec::<String>::new());
    let own = format!("file://{}/", report.display());
    let addresses = browser.addresses();
    assert!(addresses.len() >= 8, "{addresses:?}");
    for address in addresses {
        assert!(
            address.starts_with(&own) || address == "about:blank",
            "{address}"
        );
    }
}

const IDS: &str =
    "[...document.querySelectorAll('.blocks tbody th')].map(cell => cell.textContent)";

fn ids(browser: &mut Browser) -> Vec<String> {
    serde_json::from_value(browser.eval(IDS)).unwrap()
}

/// Presses the head of a column, and reads how the column is sorted then.
fn sort(browser: &mut Browser, column: usize) -> (String, Vec<String>) {
    browser.eval(&format!(
        "document.querySelectorAll('.blocks thead button')[{column}].click()"
    ));
    let how = browser.text(&format!(
        "document.querySelectorAll('.blocks thead th')[{column}].getAttribute('aria-sort')"
    ));
    let cells = browser.eval(&format!(
        "[...document.querySelectorAll('.blocks tbody tr')].map(row => row.children[{column}].textContent)"
    ));
    (how, serde_json::from_value(cells).unwrap())
}

fn numbers(cells: &[String]) -> Vec<f64> {
    cells
        .iter()
        .map(|cell| cell.replace(',', "").parse().unwrap())
        .collect()
}

#[test]
fn the_demo_is_opened_sorted_filtered_looked_into_and_followed() {
    let Some(program) = browser::find() else {
        return;
    };
    let report = once::demo(14).join("layout/report");
    let mut browser = Browser::start(&program);
    browser.view(1280, 900, false, false);
    browser.open(&address(&report));

    let table = std::fs::read_to_string(report.join("../blocks.csv")).unwrap();
    let listed: Vec<String> = table
        .lines()
        .skip(1)
        .map(|line| line.split(',').next().unwrap().to_owned())
        .collect();
    assert!(listed.len() > 8);
    assert_eq!(ids(&mut browser), listed);
    assert_eq!(
        browser.number("document.querySelectorAll('path.area').length"),
        listed.len() as f64
    );

    // In the window of a small computer no column is hidden, in whichever language.
    for language in ["fr", "en"] {
        browser.eval(&format!(
            "document.querySelector('[data-language={language}]').click()"
        ));
        browser.wait(&format!(
            "document.documentElement.lang === '{language}' && document.querySelector('.list-side .scroll')"
        ));
        let hidden = browser.number(
            "(box => box.scrollWidth - box.clientWidth)(document.querySelector('.list-side .scroll'))",
        );
        assert!(hidden <= 0.0, "{language}: {hidden} px");
    }
    browser.open(&address(&report));

    // The first key leads past the head of the page.
    browser.press("Tab");
    assert_eq!(browser.text("document.activeElement.className"), "skip");
    browser.press("Enter");
    assert_eq!(browser.text("document.activeElement.id"), "main");

    // Sorting: there and back, and told to those who do not see it.
    let (how, cells) = sort(&mut browser, 3);
    assert_eq!(how, "ascending");
    assert!(numbers(&cells).is_sorted(), "{cells:?}");
    let (how, cells) = sort(&mut browser, 3);
    assert_eq!(how, "descending");
    assert!(numbers(&cells).iter().rev().is_sorted(), "{cells:?}");
    assert!(
        browser
            .text("document.getElementById('said').textContent")
            .contains("Net")
    );

    // Filtering: by text, by status; the map goes along.
    browser.eval("document.getElementById('search').focus()");
    browser.call("Input.insertText", json!({ "text": &listed[3] }));
    assert_eq!(ids(&mut browser), [listed[3].clone()]);
    assert_eq!(
        browser.number("document.querySelectorAll('path.area:not(.dimmed)').length"),
        1.0
    );
    browser.eval("{ const box = document.getElementById('search'); box.value = ''; box.dispatchEvent(new Event('input')); }");
    // However it is heard: small letters, a blank for the hyphen; Enter opens it.
    let heard = listed[3].to_lowercase().replace('-', " ");
    assert_ne!(heard, listed[3]);
    browser.eval("document.getElementById('search').focus()");
    browser.call("Input.insertText", json!({ "text": heard }));
    assert_eq!(ids(&mut browser), [listed[3].clone()]);
    browser.press("Enter");
    let opened = format!("#block={}", listed[3]);
    browser.wait(&format!("location.hash === {}", json!(opened)));
    browser.eval("location.hash = ''");
    browser.wait("document.getElementById('search')");
    browser.eval("{ const box = document.getElementById('search'); box.value = ''; box.dispatchEvent(new Event('input')); }");
    let statuses = browser.eval("blockwrightReport.data.rows.map(row => row.status)");
    let oks = statuses
        .as_array()
        .unwrap()
        .iter()
        .filter(|status| *status == "ok")
        .count();
    browser.eval("document.querySelectorAll('.filters input[type=checkbox]').forEach(box => { if (box.value !== 'ok') box.click(); })");
    assert_eq!(ids(&mut browser).len(), oks);
    browser.eval("document.querySelectorAll('.filters input[type=checkbox]').forEach(box => { if (!box.checked) box.click(); })");

    // Table and map belong together.
    let place = browser.eval(
        "(() => { const box = document.querySelector('path.area').getBoundingClientRect(); \
         return [box.left + box.width / 2, box.top + box.height / 2]; })()",
    );
    browser.mouse(
        "mouseMoved",
        place[0].as_f64().unwrap(),
        place[1].as_f64().unwrap(),
        json!({}),
    );
    browser
        .wait("document.querySelector('.blocks tr.lit') && !document.getElementById('tip').hidden");

    // A block with a finding that has a place.
    let with_place = browser.text(
        "(async () => { for (const row of blockwrightReport.data.rows) { const block = await blockwrightReport.load(row); \
         if (block.findings.some(finding => finding.place)) return row.id; } return ''; })()",
    );
    assert!(!with_place.is_empty());
    browser.eval(&format!(
        "[...document.querySelectorAll('.blocks tbody a')].find(link => link.textContent === {}).click()",
        json!(with_place)
    ));
    browser.wait("document.querySelector('.layers')");
    assert!(
        browser
            .text("document.querySelector('h1').textContent")
            .contains(&with_place)
    );

    // Layers.
    for name in ["strips", "corridor", "net", "lines"] {
        let shown = format!("getComputedStyle(document.querySelector('.layer-{name}')).display");
        assert_eq!(browser.text(&shown), "inline", "{name}");
        browser.eval(&format!(
            "document.querySelector('.layers input[value={name}]').click()"
        ));
        assert_eq!(browser.text(&shown), "none", "{name}");
        browser.eval(&format!(
            "document.querySelector('.layers input[value={name}]').click()"
        ));
        assert_eq!(browser.text(&shown), "inline", "{name}");
    }

    // What stands under the pointer, and in the middle of the map for the keyboard.
    let middle = browser.eval(
        "(() => { const shape = document.querySelector('.layer-strips .g-strip'); \
         const point = shape.getPointAtLength(0); const box = shape.getBBox(); const matrix = shape.getScreenCTM(); \
         const place = new DOMPoint(box.x + box.width / 2, box.y + box.height / 2).matrixTransform(matrix); \
         return [place.x, place.y, point.x]; })()",
    );
    browser.mouse(
        "mouseMoved",
        middle[0].as_f64().unwrap(),
        middle[1].as_f64().unwrap(),
        json!({}),
    );
    browser.wait("!document.getElementById('tip').hidden");
    let told = browser.text("document.getElementById('tip').textContent");
    assert!(told.contains("Strip "), "{told}");
    let place = browser.eval(
        "(() => { const shape = document.querySelector('.layer-reserve .hit, .layer-management .hit'); \
         const map = document.querySelector('.map').getBoundingClientRect(); \
         for (let x = map.left + 5; x < map.right; x += 6) for (let y = map.top + 5; y < map.bottom; y += 6) \
         if (document.elementsFromPoint(x, y).includes(shape)) return [x, y]; return null; })()",
    );
    if let (Some(x), Some(y)) = (place[0].as_f64(), place[1].as_f64()) {
        browser.mouse("mouseMoved", x, y, json!({}));
        browser.wait("/Rule: .*Source: /.test(document.getElementById('tip').textContent)");
    }
    browser.eval("document.querySelector('.map').focus()");
    let before = browser.text("document.querySelector('.map > g').getAttribute('transform')");
    browser.press("+");
    browser.press("ArrowRight");
    assert_ne!(
        browser.text("document.querySelector('.map > g').getAttribute('transform')"),
        before
    );
    browser.press("0");
    assert_eq!(
        browser.text("document.querySelector('.map > g').getAttribute('transform')"),
        before
    );
    browser.press("Enter");
    assert!(
        browser
            .text("document.getElementById('said').textContent")
            .len()
            > 5
    );
    browser.mouse(
        "mouseWheel",
        middle[0].as_f64().unwrap(),
        middle[1].as_f64().unwrap(),
        json!({ "deltaX": 0, "deltaY": -200 }),
    );
    // The bare wheel belongs to the page; 2 is Ctrl (Chrome DevTools Protocol).
    browser.eval("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))");
    let still = browser.text("document.querySelector('.map > g').getAttribute('transform')");
    assert_eq!(json!(still), json!(before));
    browser.wait("document.querySelector('.map-hint.shown')");
    browser.eval("document.querySelector('.map').scrollIntoView({ block: 'center' })");
    let middle = browser.eval(
        "(() => { const box = document.querySelector('.map').getBoundingClientRect(); \
         return [(box.left + box.right) / 2, (box.top + box.bottom) / 2]; })()",
    );
    browser.mouse(
        "mouseWheel",
        middle[0].as_f64().unwrap(),
        middle[1].as_f64().unwrap(),
        json!({ "deltaX": 0, "deltaY": -200, "modifiers": 2 }),
    );
    browser.wait(&format!(
        "document.querySelector('.map > g').getAttribute('transform') !== {}",
        json!(before)
    ));

    // A finding leads to its place: its marker comes to the middle of the map.
    browser.eval("document.querySelector('.findings .go').click()");
    browser.wait("document.querySelector('.marker.sought')");
    let off = browser.number(
        "(() => { const map = document.querySelector('.map').getBoundingClientRect(); \
         const mark = document.querySelector('.marker.sought rect, .marker.sought circle').getBoundingClientRect(); \
         return Math.hypot((mark.left + mark.right - map.left - map.right) / 2 / map.width, \
         (mark.top + mark.bottom - map.top - map.bottom) / 2 / map.height); })()",
    );
    assert!(off < 0.5, "{off}");

    // So does its address.
    let number = browser.number(&format!(
        "(async () => {{ const row = blockwrightReport.data.rows.find(row => row.id === {}); \
         return (await blockwrightReport.load(row)).findings.findIndex(finding => finding.place) + 1; }})()",
        json!(with_place)
    ));
    browser.open(&format!(
        "{}#block={with_place}&finding={number}",
        address(&report)
    ));
    browser.wait("document.querySelector('.marker.sought')");
    assert!(browser.text("document.querySelector('.map > g').getAttribute('transform')") != before);

    // Requirements with their sources, and the cautions: five, and the steepest ground driven, by day and by night.
    let rows = std::fs::read_to_string(report.join("../compliance.csv")).unwrap();
    let rows = rows
        .lines()
        .filter(|line| line.starts_with(&format!("{with_place},")))
        .count();
    assert_eq!(
        browser.number("document.querySelectorAll('.compliance tbody tr').length"),
        rows as f64
    );
    assert_eq!(
        browser.number("document.querySelectorAll('.cautions li').length"),
        7.0
    );

    // The other language, and back to the list.
    browser.eval("document.querySelector('[data-language=fr]').click()");
    browser.wait("document.documentElement.lang === 'fr' && /Conformité/.test(document.querySelector('main').textContent)");
    browser.eval("document.querySelector('[data-language=en]').click()");
    browser.wait("/Compliance/.test(document.querySelector('main').textContent)");
    browser.eval("document.querySelector('.ways a').click()");
    browser.wait("document.querySelector('.blocks')");

    // A phone shows everything without scrolling sideways.
    browser.view(390, 844, false, true);
    for hash in ["".to_owned(), format!("block={with_place}")] {
        browser.eval(&format!("location.hash = {}", json!(hash)));
        browser.wait(if hash.is_empty() {
            "document.querySelector('.blocks')"
        } else {
            "document.querySelector('.layers')"
        });
        assert_eq!(
            browser.number("document.documentElement.scrollWidth"),
            390.0,
            "{hash}"
        );
    }
    is_quiet(&mut browser, &report);
}

#[test]
fn a_block_and_an_address_that_are_not_there_say_so() {
    let Some(program) = browser::find() else {
        return;
    };
    let temp = tempfile::tempdir().unwrap();
    run_binary::small_project(temp.path());
    run(
        temp.path(),
        &["layout", "project.toml", "--out", "out", "--quiet"],
    );
    let report = temp.path().join("out/report");
    let mut browser = Browser::start(&program);
    browser.open(&(address(&report) + "#block=nowhere"));
    assert!(
        browser
            .text("document.querySelector('main').textContent")
            .contains("nowhere")
    );
    is_quiet(&mut browser, &report);
    std::fs::remove_file(report.join("data/blocks/A-1.js")).unwrap();
    browser.open(&(address(&report) + "#block=A-1"));
    assert!(
        browser
            .text("document.querySelector('main').textContent")
            .contains("A-1.js")
    );
    browser.eval("location.hash = 'block=A-2'");
    browser.wait("document.querySelector('.layers')");
    std::fs::remove_file(report.join("data/overview.js")).unwrap();
    browser.open(&address(&report));
    assert!(
        browser
            .text("document.querySelector('main').textContent")
            .contains("overview.js")
    );
}

const HOSTILE: [&str; 5] = [
    r#"<script>alert(1)</script>'""#,
    "../../../evil",
    r#""><img src=x onerror=alert(1)>"#,
    "a\u{2028}b</script><!--",
    "x&block=A-1#%2e%2e/\\",
];

#[test]
fn where_nothing_is_set_aside_and_no_rule_speaks_of_all_blocks_nothing_stands_for_it() {
    let Some(program) = browser::find() else {
        return;
    };
    let temp = tempfile::tempdir().unwrap();
    small_project(temp.path());
    let ended = run(
        temp.path(),
        &["layout", "project.toml", "--out", "out", "--quiet"],
    );
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    let report = temp.path().join("out/report");
    let mut browser = Browser::start(&program);
    for page in ["", "#block=A-1"] {
        browser.open(&format!("{}{page}", address(&report)));
        for word in ["null", "undefined", "NaN", "[object"] {
            let found = browser.eval(&format!("document.body.innerText.includes({word:?})"));
            assert_eq!(found, json!(false), "{page} {word}");
        }
    }
    is_quiet(&mut browser, &report);
}

#[test]
fn hostile_names_do_no_harm() {
    let Some(program) = browser::find() else {
        return;
    };
    let temp = tempfile::tempdir().unwrap();
    run_binary::small_project(temp.path());
    let blocks: Vec<String> = HOSTILE
        .iter()
        .enumerate()
        .map(|(index, id)| {
            let x = 400.0 * index as f64;
            feature(
                &json!({ "BLOCK": id }).to_string(),
                &rectangle(x, 0.0, x + 300.0, 200.0),
            )
        })
        .collect();
    write(
        temp.path(),
        "blocks.geojson",
        &collection(run_binary::UTM, &blocks),
    );
    let project = std::fs::read_to_string(temp.path().join("project.toml")).unwrap();
    let named = project.replace("name = \"small\"", "name = '<img src=x onerror=alert(2)>'");
    // Some of the blocks lie far from the road.
    let named = named.replace(
        "[layers.blocks]",
        "[layout]\nwithout_access = true\n[layers.blocks]",
    );
    write(temp.path(), "project.toml", &named);
    let ended = run(
        temp.path(),
        &["layout", "project.toml", "--out", "deep/out", "--quiet"],
    );
    assert!([0, 3].contains(&ended.code), "{}", ended.stderr);
    let report = temp.path().join("deep/out/report");
    let found: Vec<String> = run_binary::files(temp.path()).into_keys().collect();
    assert!(
        found
            .iter()
            .filter(|name| name.ends_with(".js"))
            .all(|name| name.starts_with("deep/out/report/")),
        "{found:?}"
    );
    assert_eq!(
        found
            .iter()
            .filter(|name| name.contains("data/blocks/"))
            .count(),
        HOSTILE.len()
    );

    let mut browser = Browser::start(&program);
    browser.view(1280, 900, false, false);
    browser.open(&address(&report));
    assert_eq!(ids(&mut browser), HOSTILE);
    assert_eq!(
        browser.text("document.querySelector('h1').textContent"),
        "<img src=x onerror=alert(2)>"
    );
    for (index, id) in HOSTILE.iter().enumerate() {
        browser.eval("location.hash = ''");
        browser.wait("document.querySelector('.blocks')");
        browser.eval(&format!(
            "document.querySelectorAll('.blocks tbody a')[{index}].click()"
        ));
        browser.wait("document.querySelector('.layers')");
        assert_eq!(
            browser.text("document.querySelector('h1').textContent"),
            format!("Block {id}")
        );
        browser.mouse("mouseMoved", 500.0, 450.0, json!({}));
        browser.click(500.0, 450.0);
    }
    assert_eq!(
        browser.number("document.querySelectorAll('main img, main script').length"),
        0.0
    );
    is_quiet(&mut browser, &report);

    // The page's own rules hold: what is put in as markup does not run. Last, for the console shows what was refused.
    browser.eval("document.body.insertAdjacentHTML('beforeend', '<img src=x onerror=\"window.harmed = 1\">')");
    browser.eval("{ const script = document.createElement('script'); script.textContent = 'window.harmed = 1'; document.body.append(script); }");
    std::thread::sleep(std::time::Duration::from_millis(200));
    assert_eq!(browser.eval("window.harmed === undefined"), json!(true));
    assert!(!browser.complaints().is_empty());
}

#[test]
fn two_runs_write_the_same_report() {
    let temp = tempfile::tempdir().unwrap();
    run_binary::small_project(temp.path());
    for (out, jobs) in [("one", "1"), ("two", "2")] {
        run(
            temp.path(),
            &[
                "layout",
                "project.toml",
                "--out",
                out,
                "--jobs",
                jobs,
                "--quiet",
            ],
        );
    }
    let one = run_binary::files(&temp.path().join("one/report"));
    assert!(one.len() >= 11, "{:?}", one.keys());
    assert!(one == run_binary::files(&temp.path().join("two/report")));
}

#[test]
fn a_thousand_blocks_open_fast() {
    let Some(program) = browser::find() else {
        return;
    };
    let temp = tempfile::tempdir().unwrap();
    let crs = SpatialRef::from_epsg(32616).unwrap().to_wkt().unwrap();
    let mut writer = Writer::create(temp.path(), &crs)
        .unwrap()
        .with_report()
        .unwrap();
    for number in 0..1000 {
        let mut plan = outputs_fixture::small(&format!("B-{number}"));
        let [x, y] = plan.origin();
        let (east, north) = (
            60.0 * f64::from(number % 40),
            120.0 * f64::from(number / 40),
        );
        plan.frame = GroundFrame::around((x + east, y + north).into());
        writer.block(&plan, Some("")).unwrap();
        writer.page(&BlockPage::new(&plan)).unwrap();
    }
    let run = outputs_fixture::report(writer.counts());
    writer.finish(&run, &outputs_fixture::problems()).unwrap();
    let report = temp.path().join("report");
    let overview = std::fs::metadata(report.join("data/overview.js"))
        .unwrap()
        .len();
    assert!(overview < 200 * 1000, "{overview} bytes");
    let mut browser = Browser::start(&program);
    browser.open(&address(&report));
    let drawn = drawn_ms(&mut browser);
    println!("a thousand blocks, {overview} bytes, drawn {drawn} ms after the page was asked for");
    // Generous, for machines that do other work besides.
    assert!(drawn < 5000.0);
    // The table draws the first 500, and the rest when asked.
    assert_eq!(ids(&mut browser).len(), 500);
    browser.eval("document.querySelector('.more button').click()");
    assert_eq!(ids(&mut browser).len(), 1000);
    is_quiet(&mut browser, &report);
}

/// The data script is part of loading, and draws when it arrives.
fn drawn_ms(browser: &mut Browser) -> f64 {
    browser.wait("performance.getEntriesByType('navigation')[0].loadEventEnd > 0");
    browser
        .number("performance.getEntriesByType('navigation')[0].loadEventEnd")
        .round()
}

/// The version that the results in docs/report.md were read with.
const AXE: &str = "axe-core@4.10.3";

/// The checker's program, fetched once by the package manager of its registry.
fn axe() -> Option<String> {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("axe-core");
    let program = folder.join("package/axe.min.js");
    if !program.is_file() {
        std::fs::create_dir_all(&folder).unwrap();
        let packed = Command::new("npm")
            .args(["pack", AXE, "--silent"])
            .current_dir(&folder)
            .output();
        let archive = packed
            .ok()
            .filter(|packed| packed.status.success())
            .map(|packed| String::from_utf8_lossy(&packed.stdout).trim().to_owned());
        let unpacked = archive.and_then(|archive| {
            Command::new("tar")
                .args(["-xzf", &archive])
                .current_dir(&folder)
                .status()
                .ok()
        });
        if !unpacked.is_some_and(|status| status.success()) {
            println!("skipped: {AXE} cannot be had here");
            return None;
        }
    }
    Some(std::fs::read_to_string(program).unwrap())
}

#[test]
fn the_accessibility_checker_finds_nothing_serious() {
    let Some(program) = browser::find() else {
        return;
    };
    let Some(axe) = axe() else { return };
    let report = once::demo(14).join("layout/report");
    let mut browser = Browser::start(&program);
    let mut checks = 0;
    for (dark, width, phone) in [
        (false, 1280, false),
        (true, 1280, false),
        (false, 390, true),
    ] {
        for page in ["", "#block=D07-0001"] {
            browser.view(width, 900, dark, phone);
            browser.open(&(address(&report) + page));
            browser.eval(
                "document.querySelectorAll('details').forEach(node => { node.open = true; })",
            );
            browser.eval(&axe);
            let found = browser.eval(
                "axe.run(document).then(found => ({ passes: found.passes.length, violations: found.violations.map(v => \
                 [v.impact, v.id, v.nodes.slice(0, 3).map(node => node.html + ' ' + node.failureSummary)]) }))",
            );
            let violations: &Vec<Value> = found["violations"].as_array().unwrap();
            println!(
                "{page} dark {dark} width {width}: {} passed, {violations:#?}",
                found["passes"]
            );
            assert!(found["passes"].as_u64().unwrap() > 20);
            assert!(
                violations
                    .iter()
                    .all(|v| v[0] != "serious" && v[0] != "critical")
            );
            checks += 1;
        }
    }
    assert_eq!(checks, 6);
}

/// Writes the pictures of docs/report.md, and more to look at, into the folder `BLOCKWRIGHT_PICTURES`.
#[test]
#[ignore = "draws pictures for people to look at"]
fn pictures() {
    let Some(program) = browser::find() else {
        return;
    };
    let out = PathBuf::from(
        std::env::var_os("BLOCKWRIGHT_PICTURES").expect("BLOCKWRIGHT_PICTURES names a folder"),
    );
    let temp = tempfile::tempdir().unwrap();
    let report = match std::env::var_os("BLOCKWRIGHT_REPORT") {
        Some(report) => PathBuf::from(report),
        None => demo(temp.path(), "60"),
    };
    let mut browser = Browser::start(&program);
    for (name, width, height, dark, phone) in [
        ("light", 1440, 900, false, false),
        ("dark", 1440, 900, true, false),
        ("phone", 390, 844, false, true),
    ] {
        for (page, hash) in [("overview", ""), ("block", "#block=D07-0002")] {
            browser.view(width, height, dark, phone);
            browser.open(&(address(&report) + hash));
            std::thread::sleep(std::time::Duration::from_millis(300));
            println!("{page} {name}: drawn after {} ms", drawn_ms(&mut browser));
            browser.picture(&out.join(format!("report-{page}-{name}.png")), false);
            browser.picture(&out.join(format!("whole-{page}-{name}.png")), true);
            if name == "light" {
                browser.print(&out.join(format!("print-{page}.pdf")));
            }
        }
    }
    println!("{:?}", browser.complaints());
}
