//! Ground that may be wet though nobody mapped it soft: against closed forms, against other libraries, and never opened.

use crate::in_memory;

use std::path::PathBuf;

use blockwright::engines::ENGINES;
use blockwright::geometry::area::{Bounds, area};
use blockwright::geometry::depth_to_water::Waters;
use blockwright::geometry::flow::Flow;
use blockwright::geometry::overlay::{difference, intersection};
use blockwright::geometry::terrain::{Cells, ElevationGrid, SlopeGrid, Terrain};
use blockwright::landbase::{Landbase, WetFound, WhyUnknown, wet_polygons};
use blockwright::layout;
use blockwright::model::*;
use geo::{Coord, MultiPolygon, Polygon};
use in_memory::*;

const CELL_M: f64 = 10.0;

struct Hill(ElevationGrid);

impl Hill {
    fn cut(&self, bounds: &Bounds) -> Option<ElevationGrid> {
        let (cells, from) = self.0.cells.cut(bounds)?;
        let values = (0..cells.count()).map(|at| self.0.values[from(at)]);
        Some(ElevationGrid {
            cells,
            values: values.collect(),
        })
    }
}

impl Terrain for Hill {
    fn window(&self, bounds: &Bounds) -> Result<Option<SlopeGrid>, String> {
        let cut = self.cut(&bounds.grown(2.0 * CELL_M));
        Ok(cut.map(|cut| SlopeGrid::from_elevation(&cut)))
    }

    fn elevations(&self, bounds: &Bounds) -> Result<Option<ElevationGrid>, String> {
        Ok(self.cut(bounds))
    }
}

/// Heights on cells of 10 m over a box.
fn hill([left, bottom, right, top]: [f64; 4], height: impl Fn(f64, f64) -> f64) -> Hill {
    let cells = Cells {
        corner: Coord { x: left, y: top },
        cell_m: CELL_M,
        first_column: 0,
        first_row: 0,
        columns: ((right - left) / CELL_M) as usize,
        rows: ((top - bottom) / CELL_M) as usize,
    };
    let values = (0..cells.count()).map(|at| {
        let middle = cells.middle(at);
        height(middle.x, middle.y)
    });
    Hill(ElevationGrid {
        cells,
        values: values.collect(),
    })
}

const WIDE: [f64; 4] = [-1000.0, -1000.0, 1500.0, 1500.0];

/// 5 % up to the north.
fn plane() -> Hill {
    hill(WIDE, |_, y| 100.0 + 0.05 * y)
}

fn stream() -> Feature {
    // In the middle of a row of cells.
    let line = line(&[(-900.0, -45.0), (1400.0, -45.0)]);
    feature(LayerKind::Streams, Some("S6"), Some(1.0), line)
}

fn road() -> Feature {
    let line = line(&[(-50.0, 410.0), (550.0, 410.0)]);
    feature(LayerKind::Roads, None, Some(8.0), line)
}

fn square() -> SourceBlock {
    block(MultiPolygon(vec![rectangle(0.0, 0.0, 500.0, 400.0)]))
}

fn wanted(depth_m: f64) -> WetGround {
    WetGround {
        depth_m,
        by_soil: Default::default(),
        channels_m2: None,
        source: "permit 12 (invented)".to_owned(),
    }
}

fn settings(wet: Option<WetGround>) -> Settings {
    Settings {
        wet_ground: wet,
        ..Settings::default()
    }
}

fn laid_out(hill: &Hill, features: &[Feature], wet: Option<WetGround>) -> BlockPlan {
    let settings = settings(wet);
    lay_out_on(
        ENGINES,
        &settings,
        &rules(0.1),
        features,
        Some(hill),
        &square(),
    )
    .unwrap()
}

fn found(hill: &Hill, features: &[Feature], wet: &WetGround) -> WetFound {
    let (rules, settings, block) = (rules(0.1), Settings::default(), square());
    let landbase = Landbase::new(features, &rules, &settings.layout);
    let shape = block.frame.enter_polygons(&block.shape);
    landbase.wet_ground(Some(hill), wet, &block.frame, &shape)
}

fn of_class(plan: &BlockPlan, class: ShiftClass) -> MultiPolygon {
    let own = plan.sections.iter().filter(|s| s.shift_class == class);
    MultiPolygon(own.flat_map(|s| s.shape.0.clone()).collect())
}

fn wet_findings(plan: &BlockPlan) -> Vec<(Verdict, &str)> {
    let own = plan.findings.iter();
    let own = own.filter(|finding| finding.rule_id == MAY_BE_WET_RULE);
    own.map(|finding| (finding.verdict, finding.message.as_str()))
        .collect()
}

/// A box of the plane, in the plan's frame.
fn ground(plan: &BlockPlan, [x0, y0, x1, y1]: [f64; 4]) -> Vec<Polygon> {
    vec![plan.frame.enter_polygon(&rectangle(x0, y0, x1, y1))]
}

/// By hand: on a slope of 5 % the ground lies 5 m over a stream 100 m up from it, so cells whose middle lies no farther up
/// than y = 55 may be wet.
#[test]
fn on_an_even_slope_the_belt_above_the_stream_is_day_only() {
    let (hill, features) = (plane(), [road(), stream()]);
    let plan = laid_out(&hill, &features, Some(wanted(5.0 + 1e-3)));
    let map = plan.wet.as_ref().unwrap();
    assert_eq!(map.upper_left(), [0.0, 400.0]);
    assert_eq!([map.columns, map.rows], [51, 41]);
    for (at, depth_m) in map.depth_m.iter().enumerate() {
        let y = map.upper_left()[1] - ((at / map.columns) as f64 + 0.5) * map.cell_m;
        let over_m = 0.05 * (y + 45.0);
        // To ten times the figure, which is more than the block is high.
        assert!((f64::from(depth_m.unwrap()) - over_m).abs() < 1e-4, "{y}");
        let expected = if y <= 55.0 { Wet::MayBe } else { Wet::Beyond };
        assert_eq!(map.wet[at], expected, "{y}");
    }
    let zones = plan.zones.iter().filter(|z| z.kind == ZoneKind::MayBeWet);
    let zones: Vec<&Zone> = zones.collect();
    assert_eq!(zones.len(), 1);
    assert_eq!(zones[0].class, "low");
    assert!((area(&zones[0].shape) - 500.0 * 60.0).abs() < 1.0);
    let night = of_class(&plan, ShiftClass::NightSafe);
    let below = ground(&plan, [-10.0, -10.0, 510.0, 60.0]);
    assert!(area(&night) > 50_000.0);
    assert!(area(&intersection(&night, &below)) < 0.05);
    let reasons = |section: &Section| section.reasons.contains(&DayReason::MayBeWet);
    assert!(plan.sections.iter().any(reasons));
    let told = wet_findings(&plan);
    assert_eq!(told.len(), 1, "{told:?}");
    assert_eq!(told[0].0, Verdict::NotApplicable);
    assert!(told[0].1.starts_with("3.00 ha may be wet"), "{told:?}");
    assert!(told[0].1.contains("did not predict ruts"), "{told:?}");
    let row = |plan: &BlockPlan| {
        let rows = plan.compliance.iter();
        rows.filter(|row| row.rule_id == "night-wet")
            .map(|row| row.status)
            .collect::<Vec<_>>()
    };
    assert_eq!(row(&plan), [Verdict::Pass]);
    // Off unless asked for.
    let plain = laid_out(&hill, &features, None);
    assert!(plain.wet.is_none() && wet_findings(&plain).is_empty());
    assert!(row(&plain).is_empty());
    assert!(!plain.sections.iter().any(reasons));
    // It never opens ground.
    let day = |plan: &BlockPlan| of_class(plan, ShiftClass::DayOnly);
    let opened = difference(&day(&plain), &day(&plan).0);
    assert!(area(&opened) < 0.5, "{} m2", area(&opened));
    assert!(area(&day(&plan)) > area(&day(&plain)) + 5_000.0);
}

/// Sections that are called night-safe by hand are noticed.
#[test]
fn the_check_of_wet_ground_by_night_notices_what_is_not() {
    let (hill, features) = (plane(), [road(), stream()]);
    let mut plan = laid_out(&hill, &features, Some(wanted(5.0)));
    let own = plan.sections.iter_mut();
    let mut own = own.filter(|s| s.reasons == [DayReason::MayBeWet]);
    let section = own.next().unwrap();
    section.shift_class = ShiftClass::NightSafe;
    section.reasons.clear();
    plan.compliance.clear();
    plan.findings.clear();
    let settings = settings(Some(wanted(5.0)));
    let rules = rules(0.1);
    let landbase = Landbase::new(&features, &rules, &settings.layout);
    let context = layout::Context {
        landbase: &landbase,
        settings: &settings,
        rules: &rules,
        engines: ENGINES,
        terrain: Some(&hill),
    };
    blockwright::compliance::judge(context, &square(), &mut plan);
    let rows = plan.compliance.iter();
    let row = rows.clone().find(|row| row.rule_id == "night-wet").unwrap();
    assert_eq!(row.status, Verdict::Fail);
    assert!(row.measured.unwrap() > 10.0);
}

/// What nobody knows is day-only, and said.
#[test]
fn what_nobody_knows_is_never_taken_as_dry() {
    let wet = wanted(1.0);
    let all_day = |plan: &BlockPlan| {
        assert!(of_class(plan, ShiftClass::NightSafe).0.is_empty());
        let told = wet_findings(plan);
        assert_eq!(told.len(), 1, "{told:?}");
        assert_eq!(told[0].0, Verdict::Unknown);
        told[0].1.to_owned()
    };
    // No water mapped.
    let told = all_day(&laid_out(&plane(), &[road()], Some(wet.clone())));
    assert!(told.contains("no water is mapped within"), "{told}");
    // Water beyond the raster.
    let north = hill([-1000.0, -20.0, 1500.0, 1500.0], |_, y| 100.0 + 0.05 * y);
    let told = all_day(&laid_out(&north, &[road(), stream()], Some(wet.clone())));
    assert!(told.contains("no water is mapped within"), "{told}");
    // Level ground as far as the raster goes, and a stream beyond a ridge of no slope left unknown: nothing is decided.
    let mut no_row = hill(WIDE, |_, _| 100.0);
    let cells = no_row.0.cells;
    for at in 0..cells.count() {
        if (cells.middle(at).y - -55.0).abs() < 20.0 {
            no_row.0.values[at] = f64::NAN;
        }
    }
    let told = all_day(&laid_out(&no_row, &[road(), stream()], Some(wet.clone())));
    assert!(
        told.contains("water is mapped where no elevation is known"),
        "{told}"
    );
    // A hole in the elevations: only what lies near it is open.
    let mut holed = plane();
    let hole = (0..cells.count()).find(|&at| cells.middle(at) == Coord { x: 245.0, y: 205.0 });
    holed.0.values[hole.unwrap()] = f64::NAN;
    let plan = laid_out(&holed, &[road(), stream()], Some(wet.clone()));
    let unknown = plan.zones.iter().filter(|z| z.kind == ZoneKind::MayBeWet);
    let unknown: Vec<&Zone> = unknown.filter(|z| z.class == "not_known").collect();
    assert_eq!(unknown.len(), 1);
    let hole = ground(&plan, [240.0, 200.0, 250.0, 210.0]);
    assert!((area(&intersection(&unknown[0].shape, &hole)) - 100.0).abs() < 0.1);
    assert!(area(&unknown[0].shape) < 20_000.0);
    let night = of_class(&plan, ShiftClass::NightSafe);
    assert!(area(&night) > 50_000.0);
    assert!(area(&intersection(&night, &unknown[0].shape.0)) < 0.05);
    // No elevations at all, and elevations that cannot be read.
    struct Nothing(Option<String>);
    impl Terrain for Nothing {
        fn window(&self, _: &Bounds) -> Result<Option<SlopeGrid>, String> {
            Ok(None)
        }
        fn elevations(&self, _: &Bounds) -> Result<Option<ElevationGrid>, String> {
            self.0.clone().map_or(Ok(None), Err)
        }
    }
    let (rules, settings, block) = (rules(0.1), Settings::default(), square());
    let features = [stream()];
    let landbase = Landbase::new(&features, &rules, &settings.layout);
    let shape = block.frame.enter_polygons(&block.shape);
    for (nothing, why) in [
        (Nothing(None), WhyUnknown::NoElevation),
        (
            Nothing(Some("dem.tif: reading stopped".to_owned())),
            WhyUnknown::Fault("dem.tif: reading stopped".to_owned()),
        ),
    ] {
        let found = landbase.wet_ground(Some(&nothing), &wet, &block.frame, &shape);
        assert_eq!(found.why, Some(why));
        assert!(found.map.is_none());
    }
}

/// A block far from water looks as far as it must, and no farther.
#[test]
fn it_looks_as_far_as_it_must() {
    let near = found(&plane(), &[stream()], &wanted(1.0));
    assert_eq!((near.why, near.around_m), (None, 500.0));
    let water = |y: f64| {
        let line = line(&[(-2900.0, y), (3400.0, y)]);
        feature(LayerKind::Streams, Some("S6"), Some(1.0), line)
    };
    let wide = [-3000.0, -3000.0, 3500.0, 3500.0];
    // Not in sight at first; 600 m away it is 1.8 m below the block's edge, and what lies beyond 1,000 m is 3 m away.
    let even = hill(wide, |_, y| 0.003 * y);
    let next = found(&even, &[water(-595.0)], &wanted(2.0));
    assert_eq!((next.why, next.around_m), (None, 1_000.0));
    // So level that water beyond 2,000 m, 0.2 m away, may be as near as the 0.23 m to the one that is seen.
    let level = hill(wide, |_, y| 0.0001 * y);
    let far = found(&level, &[water(-1895.0)], &wanted(0.205));
    assert_eq!(far.why, Some(WhyUnknown::Beyond));
    assert_eq!(far.around_m, MOST_WET_AROUND_M);
    let map = far.map.unwrap();
    let all = |wet: Wet| map.wet.iter().filter(|own| **own == wet).count();
    assert!(
        all(Wet::MayBe) > 500 && all(Wet::Unknown) > 500,
        "{:?}",
        map.wet
    );
}

/// By hand: on the 5 % slope, soil in the west counts up to 2 m, in the east up to 8 m; what nobody ranked takes the widest.
#[test]
fn soils_have_figures_of_their_own() {
    let soil = |class: &str, x0: f64, x1: f64| Feature {
        id: class.to_owned(),
        ..feature(
            LayerKind::Soils,
            Some(class),
            None,
            Shape::Polygons(MultiPolygon(vec![rectangle(x0, -100.0, x1, 500.0)])),
        )
    };
    let wet = WetGround {
        by_soil: [("Gravel".to_lowercase(), 2.0), ("clay".to_owned(), 8.0)].into(),
        ..wanted(4.0)
    };
    let features = [
        road(),
        stream(),
        soil("Gravel", -20.0, 150.0),
        soil("clay", 150.0, 300.0),
        soil("loess", 300.0, 400.0),
    ];
    let plan = laid_out(&plane(), &features, Some(wet));
    let map = plan.wet.as_ref().unwrap();
    for (at, found) in map.wet.iter().enumerate() {
        let x = map.upper_left()[0] + ((at % map.columns) as f64 + 0.5) * map.cell_m;
        let y = map.upper_left()[1] - ((at / map.columns) as f64 + 0.5) * map.cell_m;
        let limit = if x < 150.0 { 2.0 } else { 8.0 };
        let over_m = 0.05 * (y + 45.0);
        // A cell whose depth is the figure itself may fall either way by rounding.
        if (over_m - limit).abs() > 1e-3 {
            let expected = if over_m < limit {
                Wet::MayBe
            } else {
                Wet::Beyond
            };
            assert_eq!(*found, expected, "{x} {y}");
        }
    }
    let told = wet_findings(&plan);
    let unranked = told.iter().find(|(_, told)| told.contains("by_soil"));
    let (verdict, told) = unranked.unwrap();
    assert_eq!(*verdict, Verdict::Unknown);
    assert!(
        told.contains("none mapped, `loess`") && told.contains("the widest, 8 m"),
        "{told}"
    );
    // Ground drawn twice takes the wider figure, whichever is drawn first.
    for order in [["clay", "gravel"], ["gravel", "clay"]] {
        let [a, b] = order.map(|class| soil(class, -20.0, 520.0));
        let wet = WetGround {
            by_soil: [("gravel".to_owned(), 2.0), ("clay".to_owned(), 8.0)].into(),
            ..wanted(4.0)
        };
        let found = found(&plane(), &[stream(), a, b], &wet);
        let low = found.map.unwrap();
        let low = low.wet.iter().filter(|wet| **wet == Wet::MayBe).count();
        assert_eq!(low % 51, 0);
        assert!(low / 51 >= 12, "{low}");
        assert_eq!(found.unranked, [""; 0]);
    }
}

/// A hollow that nobody mapped: nothing of it is found from mapped water, all of it from the ground that drains into it.
#[test]
fn a_hollow_that_nobody_mapped_is_found_by_what_drains_into_it() {
    let bowl = |x: f64, y: f64| {
        let off = (x - 250.0).hypot(y - 200.0);
        // A ridge in the north that sheds water, on which the whole ground is seen.
        let slope = 100.0 + 0.05 * y.min(600.0) - 0.05 * (y - 600.0).max(0.0);
        if off < 60.0 {
            slope - 4.0 * (1.0 - off / 60.0)
        } else {
            slope
        }
    };
    let hill = hill(WIDE, bowl);
    let features = [road(), stream()];
    let there = |plan: &BlockPlan| {
        let zones = plan.zones.iter().filter(|z| z.kind == ZoneKind::MayBeWet);
        let wet: Vec<Polygon> = zones.flat_map(|z| z.shape.0.clone()).collect();
        let hollow = plan
            .frame
            .enter_polygon(&rectangle(235.0, 155.0, 265.0, 195.0));
        area(&intersection(&MultiPolygon(vec![hollow]), &wet))
    };
    let mapped = laid_out(&hill, &features, Some(wanted(0.5)));
    assert_eq!(there(&mapped), 0.0);
    let wet = WetGround {
        channels_m2: Some(10_000.0),
        ..wanted(0.5)
    };
    let drained = laid_out(&hill, &features, Some(wet));
    assert!(
        (there(&drained) - 1200.0).abs() < 0.1,
        "{}",
        there(&drained)
    );
    let told = wet_findings(&drained);
    assert!(
        told.iter()
            .any(|(_, told)| told.contains("channels that at least 1 ha drain through")),
        "{told:?}"
    );
}

/// The cells of the raster and the polygons of the plan tell the same ground, whichever way it is asked.
#[test]
fn the_map_and_its_polygons_are_the_same_ground() {
    let plan = laid_out(&plane(), &[road(), stream()], Some(wanted(5.0)));
    let map = plan.wet.as_ref().unwrap();
    let low = wet_polygons(map, &plan.frame, |wet| wet == Wet::MayBe);
    let cells = map.wet.iter().filter(|wet| **wet == Wet::MayBe).count();
    let sum_m2: f64 = low
        .iter()
        .map(blockwright::geometry::area::polygon_area)
        .sum();
    assert!((sum_m2 - cells as f64 * CELL_M * CELL_M).abs() < 1e-6);
}

/// Heights of whole metres in steps of a linear congruential generator, so that flats and hollows abound.
fn drawn(seed: u64, side: usize) -> ElevationGrid {
    let mut state = seed;
    let mut draw = |count: u64| {
        state = (state * 1_103_515_245 + 12_345) % (1 << 31);
        (state >> 16) % count
    };
    let cells = Cells {
        corner: Coord { x: 0.0, y: 0.0 },
        cell_m: CELL_M,
        first_column: 0,
        first_row: 0,
        columns: side,
        rows: side,
    };
    let values = (0..cells.count()).map(|at| {
        let (column, row) = (at % side, at / side);
        (column / 3 + row / 4) as f64 + draw(6) as f64
    });
    let values = values.collect();
    ElevationGrid { cells, values }
}

/// Against scikit-image and pysheds (scripts/reference/wet_ground.py), which share no code with ours.
#[test]
fn filling_draining_and_depths_are_those_of_other_libraries() {
    const SIDE: usize = 60;
    let text = include_str!("../../fixtures/ways/wet_ground.csv");
    let mut rows = 0;
    for row in text.lines().skip(1) {
        let fields: Vec<&str> = row.split(',').collect();
        let number = |at: usize| fields[at].parse::<f64>().unwrap();
        let (seed, at) = (number(0) as u64, number(1) as usize);
        let grid = drawn(seed, SIDE);
        let flow = Flow::over(&grid);
        assert_eq!(flow.filled[at], number(2), "{row}");
        let water: Vec<usize> = (0..SIDE)
            .map(|k| k * SIDE + 1 + (seed as usize * 7) % (SIDE - 2))
            .collect();
        let waters = Waters::of(&grid, &water, None);
        let depths = waters.depths(&[]).up_to(&waters, f64::INFINITY);
        let depth_m = depths.m(at);
        let expected = number(3);
        if expected < 0.0 {
            assert_eq!(depth_m, f64::INFINITY, "{row}");
        } else {
            assert!((depth_m - expected).abs() < 1e-4, "{row}: {depth_m}");
        }
        rows += 1;
    }
    assert_eq!(rows, 40 * 25);
}

/// Writes what this code makes of the real rasters, for scripts/reference/wet_ground.py to look at, where that asks for it;
/// and sees that every way down ends, and that nothing is lost on it.
#[test]
fn real_rasters_drain_whole() {
    let Some(shared) = std::env::var_os("BLOCKWRIGHT_SHARED").map(PathBuf::from) else {
        println!("skipped: no shared data");
        return;
    };
    let out = std::env::var_os("BLOCKWRIGHT_WET_OUT").map(PathBuf::from);
    for name in ["neexdzii", "andorra"] {
        let path = shared.join(format!("data/real/{name}_dem.tif"));
        if !path.is_file() {
            println!("skipped: no shared data");
            return;
        }
        let raster = gdal::Dataset::open(&path).unwrap();
        let (columns, rows) = raster.raster_size();
        let band = raster.rasterband(1).unwrap();
        let none = band.no_data_value();
        let read = band.read_as::<f64>((0, 0), (columns, rows), (columns, rows), None);
        let values: Vec<f64> = (read.unwrap().data().iter())
            .map(|&z| if Some(z) == none { f64::NAN } else { z })
            .collect();
        let transform = raster.geo_transform().unwrap();
        let grid = ElevationGrid {
            cells: Cells {
                corner: Coord {
                    x: transform[0],
                    y: transform[3],
                },
                cell_m: transform[1],
                first_column: 0,
                first_row: 0,
                columns,
                rows,
            },
            values,
        };
        let flow = Flow::over(&grid);
        let known = grid.values.iter().filter(|z| z.is_finite()).count();
        let ends = (0..grid.values.len()).filter(|&at| flow.to[at] as usize == at);
        let leaving: f64 = ends.map(|at| flow.cells[at]).sum();
        assert_eq!(leaving, known as f64, "{name}");
        // Water: all cells that more than 5 km2 drain through.
        let least = 5e6 / (transform[1] * transform[1]);
        let water: Vec<usize> = (0..grid.values.len())
            .filter(|&at| flow.cells[at] >= least)
            .collect();
        assert!(water.len() > 100, "{name}");
        let waters = Waters::of(&grid, &water, None);
        let depths = waters.depths(&[]).up_to(&waters, f64::INFINITY);
        let depth_m: Vec<f64> = (0..grid.cells.count()).map(|at| depths.m(at)).collect();
        let reached = depth_m.iter().filter(|m| m.is_finite()).count();
        assert!(reached > grid.values.len() / 2, "{name}");
        if let Some(out) = &out {
            let write = |what: &str, values: Vec<f64>| {
                let bytes: Vec<u8> = values.into_iter().flat_map(f64::to_le_bytes).collect();
                std::fs::write(out.join(format!("{name}.{what}")), bytes).unwrap();
            };
            write("filled", flow.filled.clone());
            write("to", flow.to.iter().map(|&to| f64::from(to)).collect());
            write("cells", flow.cells.clone());
            write("depth", depth_m.clone());
            write("water", water.iter().map(|&at| at as f64).collect());
        }
    }
}
