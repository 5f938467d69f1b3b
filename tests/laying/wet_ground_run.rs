//! Ground that may be wet through the program itself: its raster, the same bytes whichever way it is run, what `inspect` says.

use crate::run_binary;

use std::path::Path;

use gdal::raster::Buffer;
use gdal::spatial_ref::SpatialRef;
use gdal::{Dataset, DriverManager};
use run_binary::*;

const WET: &str = "
[layers.terrain]
source = \"dem.tif\"

[wet_ground]
depth_to_water = \"5 m\"
source = \"permit 12\"
";
const STREAMS: &str = "
[layers.streams]
source = \"streams.geojson\"
id = \"ID\"
";

/// The small project on a slope of 5 % up to the north, with a stream 45 m south of its blocks.
fn project(folder: &Path, lines: &str) {
    small_project(folder);
    let (left, top, columns, rows) = (499_000.0, 5_401_500.0, 270, 260);
    let driver = DriverManager::get_driver_by_name("GTiff").unwrap();
    let mut dem = driver
        .create_with_band_type::<f64, _>(folder.join("dem.tif"), columns, rows, 1)
        .unwrap();
    dem.set_geo_transform(&[left, 10.0, 0.0, top, 0.0, -10.0])
        .unwrap();
    dem.set_spatial_ref(&SpatialRef::from_epsg(32616).unwrap())
        .unwrap();
    let height = |at: usize| 100.0 + 0.05 * (1_495.0 - 10.0 * (at / columns) as f64);
    let values = (0..columns * rows).map(height).collect();
    let mut band = dem.rasterband(1).unwrap();
    band.write(
        (0, 0),
        (columns, rows),
        &mut Buffer::new((columns, rows), values),
    )
    .unwrap();
    dem.close().unwrap();
    let stream = r#"{"type": "LineString", "coordinates": [[499050, 5399955], [501650, 5399955]]}"#;
    write(
        folder,
        "streams.geojson",
        &collection(UTM, &[feature(r#"{"ID": "S-1"}"#, stream)]),
    );
    let plain = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    write(folder, "project.toml", &format!("{plain}\n{lines}"));
}

fn laid_out(folder: &Path, out: &str, more: &[&str]) {
    let arguments = ["layout", "project.toml", "--out", out, "--quiet"];
    let ended = run(folder, &[&arguments, more].concat());
    assert!(ended.code == 0 || ended.code == 3, "{}", ended.stderr);
}

/// All but the run report, which holds times, and the sums, which hold that of the run report.
fn outputs(folder: &Path) -> std::collections::BTreeMap<String, Vec<u8>> {
    let mut found = files(folder);
    found.retain(|name, _| name != "run.json" && name != "SHA256SUMS");
    found
}

#[test]
fn a_raster_over_each_block_has_the_same_bytes_whichever_way_it_is_made() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    project(
        folder,
        &format!("{STREAMS}{WET}\n[outputs]\nlanguage = \"fr\"\n"),
    );
    laid_out(folder, "out", &["--jobs", "2"]);
    for (id, columns, rows) in [("A-1", 31, 21), ("A-2", 21, 31)] {
        let raster = Dataset::open(folder.join(format!("out/depth_to_water/{id}.tif"))).unwrap();
        assert_eq!(raster.raster_size(), (columns, rows), "{id}");
        let top = raster.geo_transform().unwrap()[3];
        let values = |band: usize| {
            let band = raster.rasterband(band).unwrap();
            let read = band.read_as::<f32>((0, 0), (columns, rows), (columns, rows), None);
            read.unwrap().data().to_vec()
        };
        let (depth_m, wet) = (values(1), values(2));
        for at in 0..columns * rows {
            let y = top - 10.0 * ((at / columns) as f64 + 0.5) - 5_400_000.0;
            let over_m = 0.05 * (y + 45.0);
            assert!((f64::from(depth_m[at]) - over_m).abs() < 1e-4, "{id} {y}");
            // On the figure itself rounding decides.
            if (over_m - 5.0).abs() > 1e-3 {
                assert_eq!(wet[at], if over_m < 5.0 { 1.0 } else { 0.0 }, "{id} {y}");
            }
        }
    }
    let map = std::fs::read_to_string(folder.join("out/maps/A-1.svg")).unwrap();
    assert!(map.contains("Peut-être mouillé : voir d’abord, de jour"));
    assert!(map.contains("ha peut-être mouillés"));
    // On one thread, and in shares.
    laid_out(folder, "alone", &["--jobs", "1"]);
    let out = outputs(&folder.join("out"));
    assert!(out == outputs(&folder.join("alone")));
    for (share, part) in [("1/2", "one"), ("2/2", "two")] {
        laid_out(folder, part, &["--share", share]);
    }
    let ended = run(folder, &["gather", "one", "two", "--out", "gathered", "-q"]);
    assert!(ended.code == 0 || ended.code == 3, "{}", ended.stderr);
    assert!(out == outputs(&folder.join("gathered")));
    let ended = run(folder, &["verify", "out"]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    // A layout without it leaves none behind.
    project(folder, STREAMS);
    laid_out(folder, "out", &[]);
    assert!(!folder.join("out/depth_to_water").exists());
}

#[test]
fn inspect_says_what_ground_is_looked_for_and_what_is_amiss() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    project(folder, &format!("{STREAMS}{WET}channels_from = \"4 ha\"\n"));
    let told = run(folder, &["inspect", "project.toml"]).stdout;
    let line = "no higher than 5 m over mapped water or channels that 4 ha drain through: may be wet, by day only (permit 12)";
    assert!(told.contains(line), "{told}");
    assert!(!told.contains("unknown-water"), "{told}");
    project(folder, WET);
    let told = run(folder, &["inspect", "project.toml"]).stdout;
    assert!(
        told.contains("unknown-water") && told.contains("all of it is worked by day only"),
        "{told}"
    );
    // Off the raster, and a soil that nobody ranked.
    let soils = "
[layers.soils]
source = \"soils.geojson\"
class = \"SOIL\"
";
    let by_soil = "by_soil = { peat = \"8 m\" }\n";
    project(folder, &format!("{STREAMS}{soils}{WET}{by_soil}"));
    let stream = r#"{"type": "LineString", "coordinates": [[520000, 5399955], [521650, 5399955]]}"#;
    write(
        folder,
        "streams.geojson",
        &collection(UTM, &[feature(r#"{"ID": "S-1"}"#, stream)]),
    );
    let soils = ["peat", "loess"].map(|soil| {
        feature(
            &format!(r#"{{"SOIL": "{soil}"}}"#),
            &rectangle(0.0, 0.0, 300.0, 200.0),
        )
    });
    write(folder, "soils.geojson", &collection(UTM, &soils));
    let told = run(folder, &["inspect", "project.toml"]).stdout;
    for wanted in [
        "1 of 1 features of mapped water, from this one on, lie off the elevation raster",
        "`by_soil` has no figure for soil `loess`, 1 feature(s) from this one on: the widest figure, 8 m, stands in",
        "no higher than 5 m (8 m on peat) over mapped water",
    ] {
        assert!(told.contains(wanted), "{wanted}\n{told}");
    }
}
