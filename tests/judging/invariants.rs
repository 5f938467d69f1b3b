//! What must hold of every layout, measured with GEOS on the files as written, for the invented district as it comes
//! and for variants of its project file that take the other ways through the layout.
//!
//! One test, since each test is a process of its own and the districts take longer to lay out than to look at. A new check
//! is a function, and a name in the list at the end.

use crate::measured;
use crate::size;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::OnceLock;

use blockwright::batch::{self, Options, Progress};
use blockwright::demo::{DemoOptions, write};
use blockwright::project;
use gdal::vector::Geometry;
use measured::*;
use rayon::prelude::*;

const FOOT_M: f64 = 0.3048;
/// The demo's machine, in trade terms: full reach 8.7 m, 1 ft in hand on each side.
const REACH_M: f64 = 8.7;
const STRIP_M: f64 = 2.0 * (REACH_M - FOOT_M);
const ROAD_BAND_M: f64 = 150.0 * FOOT_M;
/// An end that lies as near to a road is at the outlet.
const AT_OUTLET_M: f64 = 15.0;
const HAIR_M: f64 = 0.02;
const MILLIMETRE: f64 = 0.001;

/// Blocks of each district.
fn blocks() -> usize {
    size::of(8, 48)
}

/// A district, its project file changed by `edit`, laid out and read back.
struct District {
    name: &'static str,
    /// As laid out, by block id.
    blocks: Vec<Block>,
    /// The layers as given.
    given: Layers,
    rules: Widths,
    retention_share: f64,
}

/// Rows of layout.gpkg that speak of one block.
#[derive(Clone)]
struct Block {
    id: String,
    layers: BTreeMap<&'static str, Vec<Row>>,
}

const OF_BLOCKS: [&str; 12] = [
    "blocks",
    "zones",
    "net_area",
    "strips",
    "strip_lines",
    "corridors",
    "sections",
    "unworked",
    "findings",
    "travel",
    "settings",
    "outlets",
];

impl Block {
    fn rows(&self, layer: &str) -> &[Row] {
        &self.layers[layer]
    }

    fn row(&self) -> &Row {
        &self.layers["blocks"][0]
    }

    fn shapes(&self, layer: &str) -> Vec<Geometry> {
        self.rows(layer).iter().map(Row::geometry).collect()
    }

    fn zones(&self, kind: &str) -> Vec<Geometry> {
        let zones = self.rows("zones").iter();
        let zones = zones.filter(|zone| zone.text("kind") == kind);
        zones.map(Row::geometry).collect()
    }

    /// Corridors and retained bands.
    fn retained(&self) -> Vec<Geometry> {
        let mut all = self.shapes("corridors");
        all.extend(self.zones("retained_band"));
        all
    }

    /// Ground of trees that stay for certain and count, as far as no other reserve has it, m2.
    fn counted_m2(&self) -> f64 {
        let reserves = self.rows("zones").iter();
        let reserves = reserves.filter(|zone| zone.text("kind") == "reserve");
        let (counted, others): (Vec<&Row>, Vec<&Row>) = reserves.partition(|zone| {
            zone.text("source_layer").ends_with(":retain") && zone.text("class") == "tree"
        });
        let shapes = |rows: Vec<&Row>| rows.into_iter().map(Row::geometry).collect::<Vec<_>>();
        let (counted, others) = (shapes(counted), shapes(others));
        if counted.is_empty() {
            return 0.0;
        }
        let inside = self.row().geometry().intersection(&union(&counted));
        inside.map_or(0.0, |inside| match others.is_empty() {
            true => inside.area(),
            false => difference(&inside, &union(&others)).area(),
        })
    }

    fn net(&self) -> Geometry {
        let shape = self.row().geometry();
        let reserves = self.zones("reserve");
        if reserves.is_empty() {
            shape
        } else {
            difference(&shape, &union(&reserves))
        }
    }

    /// Rows by part, strip and piece, with their shapes.
    fn pieces<'b>(&'b self, layer: &str) -> BTreeMap<[i64; 3], Vec<(&'b Row, Geometry)>> {
        let mut pieces: BTreeMap<_, Vec<_>> = BTreeMap::new();
        for row in self.layers[layer].iter() {
            let key = ["part", "strip_no", "piece"].map(|field| row.whole(field));
            pieces.entry(key).or_default().push((row, row.geometry()));
        }
        pieces
    }
}

/// Reserve widths by role and class, read from the preset's file and the project's own lines.
struct Widths {
    lines: Vec<RuleLine>,
}

struct RuleLine {
    kind: String,
    class: String,
    reserve_m: f64,
    channel_up_to_m: Option<f64>,
}

fn metres(value: Option<&toml::Value>) -> Option<f64> {
    let text = value?.as_str().expect("a length in quotes");
    let (number, unit) = text.split_once(' ').expect("a number and a unit");
    let factor = match unit {
        "m" => 1.0,
        "ft" => FOOT_M,
        other => panic!("{other}"),
    };
    Some(number.parse::<f64>().expect("a number") * factor)
}

impl Widths {
    fn of(project: &toml::Table) -> Widths {
        let rules = project["rules"].as_table().unwrap();
        let preset = format!(
            "src/rulebook/presets/{}.toml",
            rules["preset"].as_str().unwrap()
        );
        let preset: toml::Table = std::fs::read_to_string(preset).unwrap().parse().unwrap();
        let mut widths = Widths { lines: vec![] };
        let own = rules.get("line").and_then(toml::Value::as_array);
        for line in own.into_iter().chain(preset["line"].as_array()).flatten() {
            let text = |key: &str| line[key].as_str().unwrap().to_owned();
            let (kind, class) = (text("kind"), text("class"));
            let channel_up_to_m = metres(line.get("channel_up_to"));
            // The project's own lines come first and win; what they leave open is as the preset says.
            match widths
                .lines
                .iter_mut()
                .find(|l| l.kind == kind && l.class == class)
            {
                Some(earlier) => {
                    earlier.channel_up_to_m = earlier.channel_up_to_m.or(channel_up_to_m)
                }
                None => widths.lines.push(RuleLine {
                    kind,
                    class,
                    reserve_m: metres(line.get("reserve")).unwrap_or(0.0),
                    channel_up_to_m,
                }),
            }
        }
        widths
    }

    /// The line for a class; the widest of the role where the class is missing or unknown.
    fn line(&self, kind: &str, class: &str) -> &RuleLine {
        let of_kind = || self.lines.iter().filter(|line| line.kind == kind);
        of_kind()
            .find(|line| line.class == class)
            .or_else(|| of_kind().find(|line| line.class == "*"))
            .or_else(|| of_kind().max_by(|a, b| a.reserve_m.total_cmp(&b.reserve_m)))
            .expect("a line for every role")
    }
}

/// A feature that nobody may cut or drive near.
struct KeepOut {
    name: String,
    shape: Geometry,
    /// From the shape as drawn: half of the channel and the reserve.
    required_m: f64,
    is_area: bool,
}

impl District {
    fn keep_outs(&self) -> Vec<KeepOut> {
        let mut all = Vec::new();
        for (layer, kind) in [
            ("streams", "streams"),
            ("stream_banks", "streams"),
            ("lakes", "lakes"),
            ("wetlands", "wetlands"),
            ("protected", "protected"),
        ] {
            let rows = self.given[layer].iter().filter(|row| row.wkb.is_some());
            for (at, row) in rows.enumerate() {
                let class = match kind {
                    "protected" => row.text("KIND"),
                    _ => row.text("CLASS"),
                };
                if layer == "streams" && class == "S1-B" {
                    // Read from its banks.
                    continue;
                }
                let line = self.rules.line(kind, class);
                let half_m = match (layer, row.number("WIDTH_M")) {
                    ("streams", Some(width_m)) if width_m >= 0.0 => width_m / 2.0,
                    ("streams", _) => line.channel_up_to_m.unwrap_or(0.0) / 2.0,
                    _ => 0.0,
                };
                let shape = row.geometry();
                if shape.is_empty() {
                    continue;
                }
                all.push(KeepOut {
                    name: format!("{layer} {at} {class}"),
                    is_area: shape.geometry_name().contains("POLYGON"),
                    shape,
                    required_m: half_m + line.reserve_m,
                });
            }
        }
        assert!(
            all.len() > size::of(50, 100),
            "{}: {} features",
            self.name,
            all.len()
        );
        all
    }

    /// Runs a check on every block and fails with all that it found.
    fn check(&self, check: impl Fn(&Block) -> Vec<String>) {
        let found = self.blocks.iter().flat_map(|block| {
            let faults = check(block);
            faults
                .into_iter()
                .map(|fault| format!("{} {}: {fault}", self.name, block.id))
        });
        let found: Vec<String> = found.collect();
        assert!(
            found.is_empty(),
            "{} faults\n{}",
            found.len(),
            found.join("\n")
        );
    }
}

fn lay_out(name: &'static str, edit: impl Fn(&str) -> String) -> District {
    let folder = tempfile::tempdir().unwrap();
    let options = DemoOptions {
        blocks: blocks(),
        seed: 7,
    };
    let report = write(folder.path(), &options).unwrap();
    let text = edit(&std::fs::read_to_string(&report.project).unwrap());
    std::fs::write(&report.project, &text).unwrap();
    let out = folder.path().join("layout");
    let options = Options {
        out: out.clone(),
        only: vec![],
        jobs: None,
        progress: Progress::detect(true),
        started: String::new(),
        resume: false,
        kept: Default::default(),
        patience: None,
        plan: None,
        replaces: None,
    };
    let mut project = project::load(&report.project).unwrap();
    lean(&mut project.settings.outputs);
    let outcome = batch::run(&project, &options).unwrap();
    assert!(
        outcome.counts.blocks_laid_out >= blocks() as u64,
        "{:?}",
        outcome.counts
    );
    let project: toml::Table = text.parse().unwrap();
    let share = project["rules"]["retention_share"]["value"]
        .as_str()
        .unwrap();
    let percent: f64 = share.strip_suffix(" %").unwrap().parse().unwrap();
    District {
        name,
        blocks: split(read(&out.join("layout.gpkg"))),
        given: read(&report.layers),
        rules: Widths::of(&project),
        retention_share: percent / 100.0,
    }
}

fn split(mut layers: Layers) -> Vec<Block> {
    let ids: Vec<String> = layers["blocks"]
        .iter()
        .map(|row| row.text("block_id").to_owned())
        .collect();
    let mut blocks: BTreeMap<String, Block> = ids
        .iter()
        .map(|id| {
            let layers = OF_BLOCKS.map(|name| (name, vec![])).into();
            (
                id.clone(),
                Block {
                    id: id.clone(),
                    layers,
                },
            )
        })
        .collect();
    assert_eq!(blocks.len(), ids.len(), "a block id stands twice");
    for name in OF_BLOCKS {
        for row in layers.remove(name).unwrap() {
            // A finding on the whole season stands for no block of its own.
            if name == "findings" && row.text("block_id") == "*" {
                continue;
            }
            let block = blocks
                .get_mut(row.text("block_id"))
                .expect("rows of known blocks only");
            block.layers.get_mut(name).unwrap().push(row);
        }
    }
    blocks.into_values().collect()
}

/// The district as it comes; with bands in management zones and soft ground left; without a boundary pass.
fn districts() -> &'static [District] {
    static DISTRICTS: OnceLock<Vec<District>> = OnceLock::new();
    DISTRICTS.get_or_init(|| {
        let replace = |text: &str, from: &str, to: &str| {
            assert!(text.contains(from), "{from}");
            text.replace(from, to)
        };
        vec![
            lay_out("as it comes", str::to_owned),
            lay_out("bands", |text| {
                let text = replace(
                    text,
                    "management_share = \"12 %\"",
                    "management_share = \"60 %\"",
                );
                let text = replace(&text, "\"12 %\"", "\"20 %\"");
                // Narrower than a strip, so that the mouth of a corridor is known by its width.
                let text = replace(
                    &text,
                    "corridor_max    = \"20 m\"",
                    "corridor_max    = \"16 m\"",
                );
                replace(&text, "= \"day_only\"", "= \"leave\"")
            }),
            lay_out("no boundary pass", |text| {
                replace(text, "boundary_pass   = true", "boundary_pass   = false")
            }),
        ]
    })
}

fn everywhere(check: impl Fn(&Block) -> Vec<String>) {
    for district in districts() {
        district.check(&check);
    }
}

/// Everything that shares out the net area, with a name for each piece.
fn shares(block: &Block) -> Vec<(String, Geometry)> {
    let mut all = Vec::new();
    for layer in ["strips", "corridors", "unworked"] {
        for (at, shape) in block.shapes(layer).into_iter().enumerate() {
            all.push((format!("{layer} {at}"), shape));
        }
    }
    for (at, band) in block.zones("retained_band").into_iter().enumerate() {
        all.push((format!("retained band {at}"), band));
    }
    all
}

fn overlapping(pieces: &[(String, Geometry)]) -> Vec<String> {
    const SHARED_M2: f64 = 0.01;
    let boxes = Boxes::of(pieces.iter().map(|(_, shape)| shape));
    let mut faults = Vec::new();
    for (at, (name, shape)) in pieces.iter().enumerate() {
        for other_at in boxes
            .near(shape, 0.0)
            .into_iter()
            .filter(|&other| other > at)
        {
            let (other_name, other) = &pieces[other_at];
            let shared = shared_m2(shape, other);
            if shared > SHARED_M2 {
                faults.push(format!("{name} and {other_name} share {shared:.4} m2"));
            }
        }
    }
    faults
}

fn total_m2(shapes: &[Geometry]) -> f64 {
    shapes.iter().map(area_m2).sum()
}

fn blocks_are_the_blocks_as_approved() {
    for district in districts() {
        let given: BTreeMap<&str, &Row> = district.given["blocks"]
            .iter()
            .rev()
            .map(|row| (row.text("BLOCK"), row))
            .collect();
        let mut compared = 0;
        for block in district
            .blocks
            .iter()
            .filter(|block| !block.id.contains("-X"))
        {
            let (approved, laid) = (given[block.id.as_str()].geometry(), block.row().geometry());
            let moved =
                area_m2(&difference(&approved, &laid)) + area_m2(&difference(&laid, &approved));
            assert!(moved < 0.01, "{}: {moved} m2 moved", block.id);
            compared += 1;
        }
        assert_eq!(compared, blocks());
    }
}

fn nothing_is_cut_or_driven_nearer_to_water_and_protected_ground_than_required() {
    for district in districts() {
        let keep_outs = district.keep_outs();
        let boxes = Boxes::of(keep_outs.iter().map(|keep_out| &keep_out.shape));
        let widest_m = keep_outs.iter().map(|k| k.required_m).fold(0.0, f64::max);
        let measured = std::cell::Cell::new(0u32);
        district.check(|block| {
            let mut faults = Vec::new();
            for layer in ["strips", "strip_lines"] {
                for (at, shape) in block.shapes(layer).iter().enumerate() {
                    for near in boxes.near(shape, widest_m) {
                        let keep_out = &keep_outs[near];
                        measured.set(measured.get() + 1);
                        let distance_m = distance(shape, &keep_out.shape);
                        if distance_m < keep_out.required_m - MILLIMETRE {
                            faults.push(format!(
                                "{layer} {at} lies {distance_m:.4} m from {}, {} m is required",
                                keep_out.name, keep_out.required_m
                            ));
                        }
                        // At no distance at all the inside still counts.
                        if keep_out.is_area && keep_out.shape.is_valid() && distance_m == 0.0 {
                            let inside = intersection(shape, &keep_out.shape);
                            if inside.area() > 0.01
                                || inside.length() > 0.01 && layer == "strip_lines"
                            {
                                faults.push(format!("{layer} {at} runs into {}", keep_out.name));
                            }
                        }
                    }
                }
            }
            faults
        });
        assert!(
            measured.get() > size::of(200, 1000) as u32,
            "only {} distances measured",
            measured.get()
        );
    }
}

fn strips_corridors_bands_and_unworked_ground_lie_inside_the_net_area_and_apart() {
    everywhere(|block| {
        let mut faults = overlapping(&shares(block));
        let net = block.net();
        for (name, shape) in shares(block) {
            let outside = area_m2(&difference(&shape, &net));
            if outside > 0.05 {
                faults.push(format!("{name}: {outside:.4} m2 outside the net area"));
            }
        }
        faults
    });
}

fn every_shape_is_valid_and_not_empty() {
    everywhere(|block| {
        let mut faults = Vec::new();
        for layer in OF_BLOCKS {
            for (at, row) in block.rows(layer).iter().enumerate() {
                // A finding may have no place.
                if layer == "findings" && row.wkb.is_none() {
                    continue;
                }
                let shape = row.geometry();
                if !shape.is_valid() || shape.is_empty() {
                    faults.push(format!("{layer} {at} is not valid, or empty"));
                }
            }
        }
        faults
    });
}

fn areas_balance_to_a_square_metre_and_the_books_say_what_is_there() {
    everywhere(|block| {
        const BALANCE_M2: f64 = 1.0;
        let shape = block.row().geometry();
        let reserves = block.zones("reserve");
        let reserve_m2 = if reserves.is_empty() {
            0.0
        } else {
            intersection(&shape, &union(&reserves)).area()
        };
        let terms = [
            ("gross_ha", shape.area()),
            ("reserve_ha", reserve_m2),
            ("retained_ha", total_m2(&block.retained())),
            ("cut_ha", total_m2(&block.shapes("strips"))),
            ("unworked_ha", total_m2(&block.shapes("unworked"))),
        ];
        let mut faults = Vec::new();
        let rest = terms[0].1 - terms[1..].iter().map(|(_, m2)| m2).sum::<f64>();
        if rest.abs() > BALANCE_M2 {
            faults.push(format!("gross less the rest is {rest:.3} m2: {terms:?}"));
        }
        for (field, measured_m2) in terms {
            let written_m2 = block.row().number(field).unwrap() * 10_000.0;
            if (written_m2 - measured_m2).abs() > BALANCE_M2 {
                faults.push(format!(
                    "{field}: {written_m2:.2} m2 written, {measured_m2:.2} m2 there"
                ));
            }
        }
        faults
    });
}

fn no_retention_stands_in_the_road_band() {
    for district in districts() {
        let rows = || {
            district.given["roads"]
                .iter()
                .filter(|row| row.wkb.is_some())
        };
        let roads: Vec<Geometry> = rows().map(Row::geometry).collect();
        let half_m: Vec<f64> = rows()
            .map(|row| row.number("CLEARED_M").unwrap_or(6.0) / 2.0)
            .collect();
        let widest_m = half_m.iter().copied().fold(0.0, f64::max) + ROAD_BAND_M;
        let boxes = Boxes::of(&roads);
        let at_the_band = std::cell::Cell::new(0u32);
        district.check(|block| {
            let mut faults = Vec::new();
            for (at, standing) in block.retained().iter().enumerate() {
                for road in boxes.near(standing, widest_m + 1.0) {
                    if standing.is_empty() {
                        continue;
                    }
                    let distance_m = distance(standing, &roads[road]) - half_m[road];
                    if distance_m < ROAD_BAND_M - MILLIMETRE {
                        faults.push(format!(
                            "retention {at} stands {distance_m:.4} m from the edge of road {road}"
                        ));
                    } else if distance_m < ROAD_BAND_M * 1.002 {
                        at_the_band.set(at_the_band.get() + 1);
                    }
                }
            }
            faults
        });
        // Corridors do run up to the band, so that it is the band which stops them.
        assert!(
            at_the_band.get() > size::of(20, 50) as u32,
            "{}",
            at_the_band.get()
        );
    }
}

fn the_retention_share_is_met_and_hardly_more() {
    for district in districts() {
        let required = district.retention_share;
        let decided = std::cell::Cell::new(0);
        district.check(|block| {
            let retained_m2 = total_m2(&block.retained()) + block.counted_m2();
            // The preset's share is one of the gross area.
            let share = retained_m2 / block.row().geometry().area();
            let written = block.row().number("retention_share").unwrap();
            let mut faults = Vec::new();
            if (share - written).abs() > 1e-6 {
                faults.push(format!("share {share:.6} measured, {written:.6} written"));
            }
            if (block.row().number("required_share").unwrap() - required).abs() > 1e-12 {
                faults.push("another share is required than the project says".to_owned());
            }
            let short = share < required - 1e-9;
            let finding = block.rows("findings").iter().find(|row| {
                row.text("rule_id") == "retention-share" && row.text("status") == "fail"
            });
            match finding {
                Some(finding) if short => {
                    let best = finding.number("measured").unwrap();
                    if (best - share).abs() > 1e-6 {
                        faults.push(format!("the finding says {best:.6}, {share:.6} stands"));
                    }
                }
                Some(_) => faults.push(format!("{share:.6} is called short of {required}")),
                None if short => faults.push(format!(
                    "{share:.9} is short of {required}, and no finding says so"
                )),
                None => {}
            }
            if block.zones("retained_band").is_empty() && finding.is_none() {
                decided.set(decided.get() + 1);
                if share > required + 0.02 {
                    faults.push(format!("{share:.6} stands, {required} would do"));
                }
            }
            faults
        });
        assert!(
            decided.get() > size::of(1, 12),
            "{}: {}",
            district.name,
            decided.get()
        );
    }
}

fn all_ground_to_be_cut_lies_within_reach_or_is_listed() {
    everywhere(|block| {
        let lines = block.shapes("strip_lines");
        let reached = buffer(&union(&lines), REACH_M + 0.01, 32);
        let mut rest = difference(&block.net(), &reached);
        let mut accounted = block.retained();
        accounted.extend(block.shapes("unworked"));
        if !accounted.is_empty() {
            rest = difference(&rest, &union(&accounted));
        }
        if rest.area() > 0.05 {
            let at = rest.envelope();
            return vec![format!(
                "{:.4} m2 neither in reach nor listed, near ({:.1}, {:.1})",
                rest.area(),
                at.MinX,
                at.MinY
            )];
        }
        vec![]
    });
}

/// The strip of a line is the ground beside it: what a strip's own lines do not reach is not that strip's.
fn every_strip_lies_within_reach_of_lines_of_its_own_part() {
    everywhere(|block| {
        let mut faults = Vec::new();
        let mut lines: BTreeMap<(i64, String), Vec<Geometry>> = BTreeMap::new();
        let key = |row: &Row| (row.whole("part"), row.text("kind").to_owned());
        for row in block.rows("strip_lines") {
            lines.entry(key(row)).or_default().push(row.geometry());
        }
        let reached: BTreeMap<_, Geometry> = lines
            .into_iter()
            .map(|(key, lines)| (key, buffer(&union(&lines), REACH_M + 0.01, 32)))
            .collect();
        for (at, row) in block.rows("strips").iter().enumerate() {
            let shape = row.geometry();
            let missed = match reached.get(&key(row)) {
                Some(reached) => area_m2(&difference(&shape, reached)),
                None => shape.area(),
            };
            if missed > 0.01 {
                faults.push(format!("strip {at}: {missed:.4} m2 out of reach"));
            }
        }
        faults
    });
}

fn sections_tile_their_strips_and_hours_add_up() {
    everywhere(|block| {
        let (strips, sections) = (block.pieces("strips"), block.pieces("sections"));
        let mut faults = Vec::new();
        if strips.keys().ne(sections.keys()) {
            faults.push("strips and sections name different pieces".to_owned());
            return faults;
        }
        for (key, strip) in &strips {
            let shapes: Vec<Geometry> = sections[key]
                .iter()
                .map(|(_, shape)| shape.clone())
                .collect();
            let strip: Vec<Geometry> = strip.iter().map(|(_, shape)| shape.clone()).collect();
            let (of_strip, of_sections) = (total_m2(&strip), total_m2(&shapes));
            let bare = area_m2(&difference(&union(&strip), &union(&shapes)));
            if (of_strip - of_sections).abs() > 0.01 || bare > 0.01 {
                faults.push(format!(
                    "piece {key:?}: {of_strip:.3} m2 of strip, {of_sections:.3} m2 of sections, {bare:.4} m2 bare"
                ));
            }
            let named: Vec<(String, Geometry)> = shapes
                .into_iter()
                .enumerate()
                .map(|(at, shape)| (format!("piece {key:?}, sections {at}"), shape))
                .collect();
            faults.extend(overlapping(&named));
            let mut numbers: Vec<i64> = sections[key]
                .iter()
                .map(|(row, _)| row.whole("section_no"))
                .collect();
            numbers.dedup();
            let most = numbers.len() as i64;
            if numbers != (1..=most).collect::<Vec<_>>() {
                faults.push(format!("piece {key:?}: sections are numbered {numbers:?}"));
            }
        }
        for (class, field) in [("day_only", "day_hours"), ("night_safe", "night_hours")] {
            let of_class = block
                .rows("sections")
                .iter()
                .filter(|row| row.text("shift_class") == class);
            let sum: f64 = of_class.map(|row| row.number("hours").unwrap()).sum();
            let written = block.row().number(field).unwrap();
            if (sum - written).abs() > 1e-6 * (1.0 + written) {
                faults.push(format!(
                    "{field}: {written} written, sections add up to {sum}"
                ));
            }
        }
        faults
    });
}

fn every_section_has_a_shift_class_with_reasons() {
    let known = blockwright::model::DayReason::ALL.map(blockwright::model::DayReason::key);
    let mut seen: BTreeSet<String> = BTreeSet::new();
    for district in districts() {
        district.check(|block| {
            let mut faults = Vec::new();
            for (at, row) in block.rows("sections").iter().enumerate() {
                let reasons = row.text("reasons");
                let sound = match row.text("shift_class") {
                    "day_only" => {
                        !reasons.is_empty() && reasons.split(';').all(|r| known.contains(&r))
                    }
                    "night_safe" => reasons.is_empty(),
                    _ => false,
                };
                if !sound {
                    faults.push(format!(
                        "section {at}: {} because {reasons}",
                        row.text("shift_class")
                    ));
                }
            }
            faults
        });
        let rows = district
            .blocks
            .iter()
            .flat_map(|block| block.rows("sections"));
        seen.extend(rows.flat_map(|row| row.text("reasons").split(';').map(str::to_owned)));
    }
    for reason in [
        "boundary_pass",
        "near_boundary",
        "brush",
        "soft_ground",
        "hazard",
        "short_stretch",
        "steep",
    ] {
        assert!(
            seen.contains(reason),
            "no section is day-only because of {reason}: {seen:?}"
        );
    }
}

/// Azimuth of a line's first to last point, in degrees clockwise from grid north, and its ends.
fn azimuth_deg(line: &Geometry) -> f64 {
    let last = line.point_count() as i32 - 1;
    let ((x0, y0, _), (x1, y1, _)) = (line.get_point(0), line.get_point(last));
    (x1 - x0).atan2(y1 - y0).to_degrees().rem_euclid(360.0)
}

/// How far two azimuths lie apart.
fn turn_deg(a: f64, b: f64) -> f64 {
    let turn = (a - b).rem_euclid(360.0);
    turn.min(360.0 - turn)
}

fn centroid(shape: &Geometry) -> (f64, f64) {
    gdal_calls::measure::centroid(shape).expect("GEOS centroid")
}

fn strips_are_numbered_left_to_right_and_run_in_and_out_by_turns() {
    everywhere(|block| {
        let mut faults = Vec::new();
        let interior = |layer: &str| {
            let mut parts: BTreeMap<i64, Vec<&Row>> = BTreeMap::new();
            for row in block.layers[layer]
                .iter()
                .filter(|row| row.text("kind") == "interior")
            {
                parts.entry(row.whole("part")).or_default().push(row);
            }
            parts
        };
        let (strips, lines) = (interior("strips"), interior("strip_lines"));
        let mut numbered = 0;
        for (part, strips) in &strips {
            let numbers: BTreeSet<i64> = strips.iter().map(|row| row.whole("strip_no")).collect();
            // What is cut to lead to a pass has become part of it.
            let led = (block.rows("strips").iter())
                .filter(|row| row.text("kind") == "boundary_pass" && row.whole("part") == *part);
            let most = numbers.len() + led.count();
            let last = numbers.last().copied().unwrap_or_default();
            if numbers.first() != Some(&1) && numbers.first() != Some(&2) || last > most as i64 {
                faults.push(format!("part {part}: strips are numbered {numbers:?}"));
            }
            numbered += numbers.len() as i64;
            let whole = |row: &Row| row.whole("gap") == 0;
            let whole_pieces: BTreeSet<[i64; 2]> = strips
                .iter()
                .filter(|row| whole(row))
                .map(|row| ["strip_no", "piece"].map(|field| row.whole(field)))
                .collect();
            let Some(lines) = lines.get(part) else {
                faults.push(format!("part {part} has strips and no lines"));
                continue;
            };
            let of_setting = |layer: &str| {
                let mut rows = block.rows(layer).iter();
                rows.find(|row| row.whole("setting") == *part)
            };
            let outlet = of_setting("outlets").map(Row::geometry);
            // Where a road bends some strips are worked from their other end, which is nearer to it.
            let mut turned: BTreeSet<[i64; 2]> = BTreeSet::new();
            let mut inward: Option<f64> = None;
            for row in lines {
                let key = ["strip_no", "piece"].map(|field| row.whole(field));
                let heading = row.text("heading");
                let line = row.geometry();
                // A metre of line is too short to tell an azimuth to a hundredth of a degree.
                if line.length() < 1.0 {
                    continue;
                }
                let drawn = azimuth_deg(&line);
                let along = if heading == "in" {
                    drawn
                } else {
                    (drawn + 180.0) % 360.0
                };
                let azimuth = of_setting("settings").map(|row| row.number("azimuth"));
                let inward = *inward.get_or_insert(azimuth.flatten().unwrap_or(along));
                if turn_deg(along, inward + 180.0) < 0.01 {
                    turned.insert(key);
                } else if turn_deg(along, inward) > 0.01 {
                    faults.push(format!(
                        "part {part}, strip {key:?} runs {along:.3}, others {inward:.3}"
                    ));
                }
                if let Some(outlet) = &outlet {
                    let [first, last] = [0, line.point_count() as i32 - 1].map(|k| {
                        let (x, y, _) = line.get_point(k);
                        let place = Geometry::from_wkt(&format!("POINT ({x} {y})")).unwrap();
                        gdal_calls::measure::distance(&place, outlet).unwrap()
                    });
                    let (near, far) = if heading == "in" {
                        (first, last)
                    } else {
                        (last, first)
                    };
                    if near > AT_OUTLET_M && near > far + HAIR_M {
                        faults.push(format!(
                            "part {part}, strip {key:?} begins {near:.1} m from its outlet and ends {far:.1} m from it"
                        ));
                    }
                }
            }
            // The first strip goes in from the road; strips that follow one another without a split go by turns.
            let gaps: BTreeSet<(i64, i64)> = (strips.iter())
                .filter(|row| row.whole("gap") == 1)
                .map(|row| (row.whole("strip_no"), row.whole("piece")))
                .collect();
            let is_gap = |row: &&&Row| gaps.contains(&(row.whole("strip_no"), row.whole("piece")));
            let first =
                (lines.iter().filter(|row| !is_gap(row))).min_by_key(|row| row.whole("order"));
            if first.is_some_and(|row| row.text("heading") != "in") {
                faults.push(format!("part {part} begins with a strip that heads out"));
            }
            let alone = |number: i64| -> Option<&&Row> {
                let mut own = lines.iter().filter(|row| {
                    let key = ["strip_no", "piece"].map(|field| row.whole(field));
                    key[0] == number && whole_pieces.contains(&key)
                });
                own.next().filter(|_| own.next().is_none())
            };
            // A setting whose only strip is a stub shows no direction.
            let Some(inwards) = inward.map(f64::to_radians) else {
                continue;
            };
            let along = |row: &Row| {
                let line = row.geometry();
                let at = |k: i32| {
                    let (x, y, _) = line.get_point(k);
                    x * inwards.sin() + y * inwards.cos()
                };
                let (a, b) = (at(0), at(line.point_count() as i32 - 1));
                (a.min(b), a.max(b))
            };
            let right_of = |row: &Row| {
                let (x, y, _) = row.geometry().get_point(0);
                x * inwards.cos() - y * inwards.sin()
            };
            let pairs: Vec<(i64, &Row, &Row, f64)> = (1..numbers.len() as i64)
                .filter_map(|number| {
                    let (a, b) = alone(number).zip(alone(number + 1))?;
                    Some((number, *a, *b, right_of(b) - right_of(a)))
                })
                .collect();
            let nearest_m = pairs
                .iter()
                .map(|pair| pair.3)
                .fold(f64::INFINITY, f64::min);
            // A strip that lies wholly in a reserve has no number; those beside it are no neighbours.
            let is_turned =
                |row: &Row| turned.contains(&["strip_no", "piece"].map(|field| row.whole(field)));
            let pairs = pairs.into_iter().filter(|pair| pair.3 < 1.5 * nearest_m);
            for (number, a, b, _) in pairs.filter(|pair| is_turned(pair.1) == is_turned(pair.2)) {
                {
                    let (low, high) = (along(a), along(b));
                    let beside = low.1.min(high.1) - low.0.max(high.0) > 1.0;
                    if beside && a.text("heading") == b.text("heading") {
                        let heading = a.text("heading");
                        faults.push(format!(
                            "part {part}: strips {number} and the next head {heading}"
                        ));
                    }
                    // Numbers run from the left as most strips are seen from the outlet.
                    if beside && (a.whole("order") > b.whole("order")) != is_turned(a) {
                        faults.push(format!("part {part}: strip {number} comes after the next"));
                    }
                }
            }
            let inward = inward.expect("a line of a metre");
            let to_the_right =
                |(x, y): (f64, f64)| x * inward.to_radians().cos() - y * inward.to_radians().sin();
            let mut last: Option<(i64, f64)> = None;
            for number in &numbers {
                let pieces = strips
                    .iter()
                    .filter(|row| row.whole("strip_no") == *number && whole(row));
                let shapes: Vec<Geometry> = pieces.map(|row| row.geometry()).collect();
                if shapes.is_empty() {
                    continue;
                }
                let right = to_the_right(centroid(&union(&shapes)));
                if let Some((before, left)) = last
                    && right <= left
                {
                    faults.push(format!(
                        "part {part}: strip {number} lies left of strip {before}"
                    ));
                }
                last = Some((*number, right));
            }
        }
        if block.row().whole("strips") != numbered {
            faults.push(format!(
                "{} strips written, {numbered} there",
                block.row().whole("strips")
            ));
        }
        faults
    });
}

fn the_order_of_work_counts_every_line_once_and_travel_is_given_where_it_is_needed() {
    let (mut given, mut wanted) = (0, 0);
    for district in districts() {
        district.check(|block| {
            let mut faults = Vec::new();
            let mut orders: Vec<i64> = block
                .rows("strip_lines")
                .iter()
                .map(|row| row.whole("order"))
                .collect();
            orders.sort_unstable();
            if !orders.iter().copied().eq(1..=orders.len() as i64) {
                faults.push(format!("order is {orders:?}"));
            }
            let mut lines: Vec<&Row> = block.rows("strip_lines").iter().collect();
            lines.sort_by_key(|row| row.whole("order"));
            for pair in lines.windows(2) {
                let (from, to) = (pair[0].geometry(), pair[1].geometry());
                let (x0, y0, _) = from.get_point(from.point_count() as i32 - 1);
                let (x1, y1, _) = to.get_point(0);
                let apart_m = (x1 - x0).hypot(y1 - y0);
                if pair[0]
                    .number("travel_to_next_m")
                    .is_some_and(|travel_m| travel_m < apart_m - 0.05)
                {
                    faults.push(format!(
                        "line {} travels less than the straight way",
                        pair[0].whole("order")
                    ));
                }
            }
            // What has no way is told: moves to other settings and road clearings, and pieces that nothing leads to.
            let empty = lines
                .windows(2)
                .filter(|pair| pair[0].number("travel_to_next_m").is_none());
            let [mut moves, mut unreached] = [0, 0];
            for pair in empty {
                let (from, to) = (pair[0].whole("part"), pair[1].whole("part"));
                match from != to || to == 0 {
                    true => moves += 1,
                    false => unreached += 1,
                }
            }
            for (rule, shown) in [("moves-by-road", moves), ("reachable", unreached)] {
                let findings = block.rows("findings").iter();
                let told = findings.filter(|row| row.text("rule_id") == rule);
                // A point counts no geometries of its own.
                let told: usize = told.map(|row| row.geometry().geometry_count().max(1)).sum();
                if told != shown {
                    faults.push(format!("{rule}: {told} told, {shown} shown by lines"));
                }
            }
            for row in &lines {
                let length_m = row.geometry().length();
                if (length_m - row.number("length_m").unwrap()).abs() > MILLIMETRE {
                    faults.push(format!("line {}: wrong length", row.whole("order")));
                }
            }
            faults
        });
        for block in &district.blocks {
            wanted += block.rows("strip_lines").len().saturating_sub(1);
            given += block
                .rows("strip_lines")
                .iter()
                .filter(|row| row.number("travel_to_next_m").is_some())
                .count();
        }
    }
    assert!(
        given * 10 > wanted * 8,
        "a way is known for {given} of {wanted} moves"
    );
}

/// As `docs/schema.md` says under `net_area`.
fn parts_and_what_belongs_to_none_make_up_the_net_area() {
    const BALANCE_M2: f64 = 1.0;
    everywhere(|block| {
        let of_no_part = |layer: &str| {
            let rows = block.rows(layer).iter();
            let rows = rows.filter(|row| row.whole("part") == 0);
            total_m2(&rows.map(Row::geometry).collect::<Vec<_>>())
        };
        let found = total_m2(&block.shapes("net_area"))
            + total_m2(&block.zones("retained_band"))
            + of_no_part("strips")
            + of_no_part("unworked");
        let said = 10_000.0 * block.row().number("net_ha").unwrap();
        if (found - said).abs() > BALANCE_M2 {
            return vec![format!("{found:.1} m2 of {said:.1} m2")];
        }
        Vec::new()
    });
}

/// Nothing is driven over that stays standing, is kept off, or lies outside the block's net area and its roads.
fn travel_stays_on_open_ground() {
    everywhere(|block| {
        let mut faults = Vec::new();
        let mut open = block.shapes("net_area");
        // A part may lie a little off the road on which it fronts.
        let roads = union(&block.zones("road_clearing"));
        open.push(buffer(&roads, 15.0, 8));
        let mut shut = block.retained();
        shut.extend(block.zones("reserve"));
        shut.extend(block.zones("machine_exclusion"));
        // A way may run along an edge: what lies within two centimetres of it is no crossing.
        let crossings = union(&block.zones("crossing"));
        open.push(crossings.clone());
        let (open, shut) = (union(&open), buffer(&union(&shut), -0.02, 4));
        let shut = difference(&shut, &buffer(&crossings, 0.05, 4));
        for row in block.rows("travel") {
            let way = row.geometry();
            let length_m = way.length();
            if (length_m - row.number("length_m").unwrap()).abs() > 0.01 {
                faults.push(format!(
                    "travel after {}: wrong length",
                    row.whole("after_order")
                ));
            }
            let shut_m = way
                .intersection(&shut)
                .map_or(0.0, |inside| inside.length());
            let outside_m = difference(&way, &buffer(&open, 0.02, 4)).length();
            if shut_m > 0.5 || outside_m > 0.5 {
                faults.push(format!(
                    "travel after {}: {shut_m:.2} m on shut ground, {outside_m:.2} m outside",
                    row.whole("after_order")
                ));
            }
        }
        faults
    });
}

fn strips_are_no_wider_than_the_machine_reaches_less_its_margin() {
    everywhere(|block| {
        let interior = block
            .rows("strips")
            .iter()
            .filter(|row| row.text("kind") == "interior");
        interior
            .filter(|row| row.number("width_m").unwrap() > STRIP_M + MILLIMETRE)
            .map(|row| {
                format!(
                    "strip {} is {:?} m wide",
                    row.whole("strip_no"),
                    row.number("width_m")
                )
            })
            .collect()
    });
}

/// Moves every point of a row's polygon or line by some metres.
fn moved(row: &Row, east_m: f64, north_m: f64) -> Row {
    let parts = blockwright::geometry::wkb::read(row.wkb.as_ref().unwrap()).unwrap();
    let polygons = geo::MultiPolygon(parts.polygons);
    Row {
        wkb: Some(blockwright::geometry::wkb::write_multi_polygon(
            &polygons,
            [east_m, north_m],
        )),
        ..row.clone()
    }
}

/// The checks above would be worth nothing if they did not see a fault.
fn a_strip_out_of_place_is_seen() {
    let block = districts()[0]
        .blocks
        .iter()
        .find(|block| block.rows("corridors").len() > 5)
        .unwrap();
    let mut faulty = block.clone();
    let strips = faulty.layers.get_mut("strips").unwrap();
    let longest = (0..strips.len())
        .filter(|&at| strips[at].text("kind") == "interior")
        .max_by(|&a, &b| {
            strips[a]
                .geometry()
                .area()
                .total_cmp(&strips[b].geometry().area())
        })
        .unwrap();
    let all = union(&block.shapes("strips"));
    let aside = [(40.0, 40.0), (40.0, -40.0), (23.0, 0.0), (0.0, 23.0)];
    let aside = aside.map(|(east_m, north_m)| moved(&strips[longest], east_m, north_m));
    strips[longest] = aside
        .into_iter()
        .find(|strip| difference(&strip.geometry(), &all).area() > 1.0)
        .unwrap();
    assert!(overlapping(&shares(block)).is_empty());
    assert!(!overlapping(&shares(&faulty)).is_empty());
}

/// Each by its name.
macro_rules! named {
    ($($check:ident),* $(,)?) => {
        [$((stringify!($check), $check as fn())),*]
    };
}

#[test]
fn all_invariants_hold_in_all_districts() {
    let checks = named![
        blocks_are_the_blocks_as_approved,
        nothing_is_cut_or_driven_nearer_to_water_and_protected_ground_than_required,
        strips_corridors_bands_and_unworked_ground_lie_inside_the_net_area_and_apart,
        every_shape_is_valid_and_not_empty,
        areas_balance_to_a_square_metre_and_the_books_say_what_is_there,
        no_retention_stands_in_the_road_band,
        the_retention_share_is_met_and_hardly_more,
        all_ground_to_be_cut_lies_within_reach_or_is_listed,
        every_strip_lies_within_reach_of_lines_of_its_own_part,
        sections_tile_their_strips_and_hours_add_up,
        every_section_has_a_shift_class_with_reasons,
        strips_are_numbered_left_to_right_and_run_in_and_out_by_turns,
        the_order_of_work_counts_every_line_once_and_travel_is_given_where_it_is_needed,
        travel_stays_on_open_ground,
        strips_are_no_wider_than_the_machine_reaches_less_its_margin,
        a_strip_out_of_place_is_seen,
        parts_and_what_belongs_to_none_make_up_the_net_area,
    ];
    let tests = include_str!("invariants.rs").lines();
    let tests = tests.filter(|line| line.trim() == "#[test]").count();
    assert_eq!(tests, 1, "a second test would lay out the districts again");
    districts();
    let failed: Vec<String> = checks
        .par_iter()
        .filter_map(|(name, check)| {
            let crash = std::panic::catch_unwind(check).err()?;
            let words = crash.downcast_ref::<String>().cloned();
            let words =
                words.or_else(|| crash.downcast_ref::<&str>().map(|text| (*text).to_owned()));
            Some(format!("== {name}\n{}", words.unwrap_or_default()))
        })
        .collect();
    assert!(
        failed.is_empty(),
        "{} of {} invariants do not hold\n{}",
        failed.len(),
        checks.len(),
        failed.join("\n")
    );
}
