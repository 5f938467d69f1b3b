//! Styles inside `layout.gpkg`, read and drawn by the distribution's desktop GIS.

use crate::outputs_fixture;

use std::path::Path;
use std::process::Command;

use blockwright::model::{BlockPlan, Language};
use blockwright::outputs::Writer;
use gdal::Dataset;
use gdal::spatial_ref::SpatialRef;
use gdal::vector::LayerAccess;
use outputs_fixture::{full, report, small, two_settings};

fn write(dir: &Path) {
    let wkt = SpatialRef::from_epsg(32616).unwrap().to_wkt().unwrap();
    let mut writer = Writer::create(dir, &wkt).unwrap();
    let mut run = report(writer.counts());
    let plans: [BlockPlan; 3] = [full("B-1", 500.0, 22), small("B-2"), two_settings("B-3")];
    for plan in &plans {
        writer.block(plan, None).unwrap();
    }
    run.settings.outputs.maps = false;
    run.settings.outputs.language = Language::English;
    writer.finish(&run, &[]).unwrap();
}

#[test]
fn every_layer_has_its_style_in_the_file() {
    let temp = tempfile::tempdir().unwrap();
    write(temp.path());
    let file = Dataset::open(temp.path().join("layout.gpkg")).unwrap();
    let mut layers: Vec<String> = file.layers().map(|layer| layer.name()).collect();
    let mut styles = file.layer_by_name("layer_styles").unwrap();
    let mut styled: Vec<String> = styles
        .features()
        .map(|style| {
            let text = |field: &str| {
                let at = style.field_index(field).unwrap();
                style.field_as_string(at).unwrap().unwrap_or_default()
            };
            let name = text("f_table_name");
            assert_eq!(text("f_geometry_column"), "geom", "{name}");
            assert_eq!(text("useAsDefault"), "1", "{name}");
            // The very style that lies beside the file.
            let beside = std::fs::read_to_string(temp.path().join(format!("styles/{name}.sld")));
            assert_eq!(text("styleSLD"), beside.unwrap(), "{name}");
            assert!(text("styleQML").starts_with("<!DOCTYPE qgis"), "{name}");
            name
        })
        .collect();
    layers.retain(|name| name != "layer_styles");
    layers.sort();
    styled.sort();
    assert_eq!(layers, styled);
}

#[test]
fn the_desktop_gis_draws_every_feature_with_the_styles_of_the_file() {
    let temp = tempfile::tempdir().unwrap();
    write(temp.path());
    // Its modules belong to the distribution's own Python.
    let python = "/usr/bin/python3";
    let is_there = Command::new(python)
        .args(["-c", "import qgis.core"])
        .output();
    if !is_there.is_ok_and(|out| out.status.success()) {
        println!("skipped: no desktop GIS (package python3-qgis)");
        return;
    }
    let picture = temp.path().join("picture.png");
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("scripts/gis/render.py");
    let out = Command::new(python)
        .arg(script)
        .arg(temp.path().join("layout.gpkg"))
        .arg(&picture)
        .env("HOME", temp.path())
        .env("XDG_RUNTIME_DIR", temp.path())
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&out.stdout);
    assert!(
        out.status.success(),
        "{} {said} {}",
        out.status,
        String::from_utf8_lossy(&out.stderr)
    );
    assert!(said.contains("sections : style found, 2 rules"), "{said}");
    let drawn = Dataset::open(&picture).unwrap();
    let (width, height) = drawn.raster_size();
    let band = |at: usize| {
        let band = drawn.rasterband(at).unwrap();
        let cells = band.read_as::<u8>((0, 0), (width, height), (width, height), None);
        cells.unwrap().data().to_vec()
    };
    let [red, green, blue] = [1, 2, 3].map(band);
    // Okabe & Ito's orange over white at 85 %, and their green of what stays at 60 %,
    // twice where a corridor is a retained piece too: night-safe ground and corridors.
    let share = |colour: [u8; 3]| {
        let near = |a: u8, b: u8| a.abs_diff(b) < 14;
        let cells = red.iter().zip(&green).zip(&blue);
        let hit = cells.filter(|((r, g), b)| {
            near(**r, colour[0]) && near(**g, colour[1]) && near(**b, colour[2])
        });
        hit.count() as f64 / (width * height) as f64
    };
    let (night, green, white) = (
        share([234, 173, 38]),
        share([41, 173, 137]),
        share([255; 3]),
    );
    assert!(night > 0.02, "{night} {green} {white}");
    assert!(green > 0.005, "{night} {green} {white}");
    assert!(white < 0.9, "{night} {green} {white}");
}
