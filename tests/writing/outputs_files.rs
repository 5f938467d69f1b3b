//! The written folder, read back: rows and geometry of every layer, tables, staging, reproducible bytes.

use crate::outputs_fixture;

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use blockwright::model::Language;
use blockwright::outputs::{BlockPage, OutputError, Writer, file_stem, render};
use gdal::Dataset;
use gdal::spatial_ref::SpatialRef;
use gdal::vector::{FieldValue, LayerAccess, geometry_type_to_name};
use gdal_calls::features::has_geometry;
use outputs_fixture::{full, problems, report, small};

fn crs() -> String {
    SpatialRef::from_epsg(32616).unwrap().to_wkt().unwrap()
}

fn write(dir: &Path) {
    let mut writer = Writer::create(dir, &crs()).unwrap().with_report().unwrap();
    for plan in [small("B-1"), small("=1+1"), full("B-2", 500.0, 22)] {
        writer
            .block(&plan, Some(&render(&plan, "Test", Language::English)))
            .unwrap();
        writer.page(&BlockPage::new(&plan)).unwrap();
    }
    let report = report(writer.counts());
    writer.finish(&report, &problems()).unwrap();
}

/// Rows as `name=value` text, geometry as WKT last.
fn rows(file: &Path, layer: &str) -> Vec<String> {
    let dataset = Dataset::open(file).unwrap();
    let mut layer = dataset.layer_by_name(layer).unwrap();
    layer
        .features()
        .map(|feature| {
            let mut row: Vec<String> = feature
                .fields()
                .map(|(name, value)| {
                    let text = match value {
                        None => "null".to_owned(),
                        Some(FieldValue::StringValue(text)) => text,
                        Some(FieldValue::IntegerValue(value)) => value.to_string(),
                        Some(FieldValue::RealValue(value)) => format!("{value:.4}"),
                        Some(other) => format!("{other:?}"),
                    };
                    format!("{name}={text}")
                })
                .collect();
            let shape = has_geometry(&feature)
                .then(|| feature.geometry())
                .flatten()
                .map(|shape| shape.wkt().unwrap());
            row.push(shape.unwrap_or_else(|| "no geometry".to_owned()));
            row.join(" ")
        })
        .collect()
}

#[test]
fn layers_hold_what_the_contract_names() {
    let temp = tempfile::tempdir().unwrap();
    write(temp.path());
    let expected = [
        (
            "blocks",
            "Multi Polygon",
            "block_id status gross_ha reserve_ha net_ha retained_ha cut_ha unworked_ha retention_share required_share azimuth corridor_width_m strips day_hours night_hours grid_scale geodesic_ha portfolio volume_m3 skid_m skid_hours certified_pairs certified_margin_m scheduled_day_hours scheduled_night_hours scheduled_skid_hours felling_cost skidding_cost cost_per_m3 cut_basal_m2 stays_trees stays_m3 stays_basal_m2 lost_trees lost_m3 lost_basal_m2 large_trees time_model left_share share_with_left counted_ha windward_m windward_reserve_m tree_height_m falling_m",
        ),
        (
            "zones",
            "Multi Polygon",
            "block_id kind source_layer source_id class rule_id width_m",
        ),
        (
            "net_area",
            "Multi Polygon",
            "block_id part azimuth cost_h square_azimuth square_cost_h long_side_azimuth long_side_cost_h azimuths_costed",
        ),
        (
            "strips",
            "Polygon",
            "block_id part strip_no piece kind width_m area_ha gap",
        ),
        (
            "strip_lines",
            "Line String",
            "block_id part strip_no piece kind order heading length_m travel_to_next_m cross_slope",
        ),
        (
            "corridors",
            "Polygon",
            "block_id part corridor_no width_m area_ha",
        ),
        (
            "sections",
            "Polygon",
            "block_id part strip_no piece section_no shift_class reasons area_ha hours trees volume_m3 skid_m skid_hours scheduled_hours scheduled_skid_hours cut_basal_m2 stays_trees stays_m3 stays_basal_m2 lost_trees lost_m3 lost_basal_m2 large_trees tree_height_m open_days windows",
        ),
        ("unworked", "Polygon", "block_id part reason area_ha"),
        (
            "bunches",
            "Line String",
            "block_id part strip_no piece bunch_no shift_class volume_m3 trees azimuth placement",
        ),
        (
            "findings",
            "Unknown (any)",
            "block_id rule_id status measured required unit message source",
        ),
        ("travel", "Line String", "block_id after_order length_m"),
        (
            "settings",
            "Multi Polygon",
            "block_id setting outlet outlet_kind area_ha volume_m3 azimuth scheduled_hours scheduled_skid_hours felling_cost skidding_cost cost_per_m3 source_id azimuth_from strip_lines wind_from wind_until",
        ),
        (
            "skid_trails",
            "Line String",
            "block_id setting loads length_m",
        ),
        (
            "decks",
            "Unknown (any)",
            "block_id setting outlet volume_m3 length_m",
        ),
        (
            "outlets",
            "Unknown (any)",
            "block_id setting outlet outlet_kind length_m capacity_m3",
        ),
        (
            "retained",
            "Polygon",
            "block_id piece_id kind part area_ha source_id class windward_m across_wind_m along_wind_m sharp_corners",
        ),
        (
            "notes",
            "Unknown (any)",
            "block_id note_id kind layer radius_m accuracy_m date fate message source came_later",
        ),
        (
            "power_lines",
            "Unknown (any)",
            "block_id line_id source_layer kind voltage_kv voltage_text wire_height_m limit_m limit_from limit_source tree_height_m tree_height_from tree_height_source belt_m agreed agreed_source limit_ha belt_ha crossings",
        ),
        (
            "people",
            "Unknown (any)",
            "block_id source_id source_layer role class said distance_m tree_height_from length_m cut_ha day_hours night_hours sections",
        ),
        (
            "windows",
            "Unknown (any)",
            "block_id window days source_id source_layer role class under within_m cut_ha day_hours night_hours sections source",
        ),
    ];
    let dataset = Dataset::open(temp.path().join("layout.gpkg")).unwrap();
    // Last the table of styles.
    assert_eq!(dataset.layer_count(), expected.len() + 1);
    let last = dataset.layer(expected.len()).unwrap();
    assert_eq!(last.name(), "layer_styles");
    for (layer, (name, geometry, fields)) in dataset.layers().zip(expected) {
        assert_eq!(layer.name(), name);
        let defn = layer.defn();
        let names: Vec<String> = defn.fields().map(|field| field.name()).collect();
        assert_eq!(names.join(" "), fields, "{name}");
        let code = defn.geom_fields().next().unwrap().field_type();
        assert_eq!(geometry_type_to_name(code), geometry, "{name}");
        assert_eq!(layer.spatial_ref().unwrap().auth_code().unwrap(), 32616);
    }
}

#[test]
fn rows_come_back_in_work_coordinates() {
    let temp = tempfile::tempdir().unwrap();
    write(temp.path());
    let file = temp.path().join("layout.gpkg");
    assert_eq!(
        rows(&file, "blocks")[0],
        "block_id=B-1 status=warn gross_ha=0.4000 reserve_ha=0.0400 net_ha=0.3600 retained_ha=0.0200 cut_ha=0.3375 \
         unworked_ha=0.0025 retention_share=0.0556 required_share=0.1200 azimuth=0.0000 corridor_width_m=4.0000 \
         strips=2 day_hours=0.5000 night_hours=null grid_scale=0.9998 geodesic_ha=0.4002 portfolio=winter \
         volume_m3=null skid_m=55.0000 skid_hours=0.2500 certified_pairs=3 certified_margin_m=0.0130 \
         scheduled_day_hours=0.6250 scheduled_night_hours=null scheduled_skid_hours=0.5000 felling_cost=null skidding_cost=null cost_per_m3=null \
         cut_basal_m2=null stays_trees=null stays_m3=null stays_basal_m2=null lost_trees=null lost_m3=null lost_basal_m2=null large_trees=null time_model=tracked-feller-buncher left_share=null share_with_left=0.0556 counted_ha=0.0000 windward_m=null windward_reserve_m=null tree_height_m=null falling_m=null \
         MULTIPOLYGON (((512000 5480000,512040 5480000,512040 5480100,512000 5480100,512000 5480000)))"
    );
    assert_eq!(
        rows(&file, "strip_lines")[..2],
        [
            "block_id=B-1 part=1 strip_no=1 piece=1 kind=interior order=1 heading=in length_m=90.0000 \
             travel_to_next_m=22.0000 cross_slope=0.0750 LINESTRING (512009 5480000,512009 5480090)",
            "block_id=B-1 part=1 strip_no=2 piece=1 kind=interior order=2 heading=out length_m=90.0000 \
             travel_to_next_m=null cross_slope=null LINESTRING (512031 5480090,512031 5480000)",
        ]
    );
    let sections = rows(&file, "sections");
    assert!(sections[0].starts_with(
        "block_id=B-1 part=1 strip_no=1 piece=1 section_no=1 shift_class=day_only reasons=near_boundary;brush \
         area_ha=0.0540 hours=0.1000 trees=30.0000 volume_m3=12.0000 skid_m=45.0000 skid_hours=0.0500 \
         scheduled_hours=0.1250 scheduled_skid_hours=0.1000 \
         cut_basal_m2=null stays_trees=null stays_m3=null stays_basal_m2=null lost_trees=null lost_m3=null lost_basal_m2=null large_trees=null tree_height_m=null open_days= windows= POLYGON"
    ));
    assert!(sections[1].contains("section_no=1 shift_class=day_only"));
    assert!(sections[1].contains(
        "area_ha=0.1080 hours=0.2000 trees=60.0000 volume_m3=24.0000 skid_m=45.0000 skid_hours=0.1000"
    ));
    assert!(sections[2].contains("night_safe reasons= area_ha=0.1620 hours=null trees=null"));
    let findings = rows(&file, "findings");
    assert!(findings[0].ends_with("source=permit <12-B> & annex no geometry"));
    assert!(findings[1].ends_with("POINT (512020 5480050)"));
    assert_eq!(rows(&file, "bunches"), Vec::<String>::new());
    assert_eq!(rows(&file, "zones").len(), 2 + 2 + 7);
    let bands: Vec<String> = rows(&file, "zones")
        .into_iter()
        .filter(|row| row.contains("kind=retained_band"))
        .collect();
    assert_eq!(bands.len(), 1, "a band that no zone names is written once");
    assert!(rows(&file, "net_area")[0].contains("part=1 azimuth="));
    assert!(rows(&file, "unworked")[0].contains("reason=sliver area_ha=0.0025"));
    assert!(rows(&file, "corridors")[0].contains("corridor_no=1 width_m=4.0000 area_ha=0.0177"));

    let dataset = Dataset::open(&file).unwrap();
    for name in ["strips", "bunches", "findings"] {
        let sql = format!("SELECT HasSpatialIndex('{name}', 'geom') AS yes");
        let mut found = dataset
            .execute_sql(sql, None, gdal::vector::sql::Dialect::DEFAULT)
            .unwrap()
            .unwrap();
        let feature = found.features().next().unwrap();
        assert_eq!(feature.field_as_integer(0).unwrap(), Some(1), "{name}");
    }
}

#[test]
fn set_aside_features_keep_what_can_be_kept() {
    let temp = tempfile::tempdir().unwrap();
    write(temp.path());
    assert_eq!(
        rows(&temp.path().join("set_aside.gpkg"), "set_aside"),
        [
            "layer=layers.gpkg:blocks feature_id=@SUM(1) reason=self-crossing what_is_wrong=ring 0 crosses itself \
             what_to_do=redraw the ring set_aside=yes MULTIPOLYGON (((0 0,2 0,2 2,0 2,0 0)))"
        ]
    );
    assert_eq!(
        fs::read_to_string(temp.path().join("set_aside.csv")).unwrap(),
        "layer,feature_id,reason,what_is_wrong,what_to_do,set_aside,x,y\n\
         layers.gpkg:blocks,'@SUM(1),self-crossing,ring 0 crosses itself,redraw the ring,yes,512340.100,5481022.700\n\
         layers.gpkg:blocks,2,not-finite,ring 0 crosses itself,redraw the ring,yes,512340.100,5481022.700\n\
         layers.gpkg:blocks,3,null-geometry,ring 0 crosses itself,redraw the ring,no,512340.100,5481022.700\n"
    );
}

#[test]
fn tables_are_plain_and_run_no_formula() {
    let temp = tempfile::tempdir().unwrap();
    write(temp.path());
    let blocks = fs::read_to_string(temp.path().join("blocks.csv")).unwrap();
    assert_eq!(
        blocks.lines().nth(1).unwrap(),
        "B-1,warn,0.400000,0.040000,0.360000,0.020000,0.337500,0.002500,0.055556,0.120000,0.000,4.000,2,0.500,,\
         0.999800000,0.400160,winter,,55.000,0.250,3,0.013,0.625,,0.500,,,,,,,,,,,,tracked-feller-buncher,,0.055556,0.000000,,,,"
    );
    assert!(blocks.lines().nth(2).unwrap().starts_with("'=1+1,warn,"));
    let compliance = fs::read_to_string(temp.path().join("compliance.csv")).unwrap();
    assert_eq!(
        compliance.lines().take(3).collect::<Vec<_>>(),
        [
            "block_id,rule_id,title,required,measured,unit,status,source,origin,source_status,with_map_error",
            "B-1,retention,Retention share,0.120000,0.055600,share,warn,'=cmd|' /C calc'!A0,\"'=permit.toml, line 7\",from memory,",
            "B-1,lake,\"Lakes, \"\"quoted\"\"\",,,m,not_applicable,,,,",
        ]
    );
    let json: serde_json::Value =
        serde_json::from_slice(&fs::read(temp.path().join("compliance.json")).unwrap()).unwrap();
    assert_eq!(json["version"], 1);
    assert_eq!(json["rows"].as_array().unwrap().len(), 4);
    assert_eq!(json["rows"][2]["block_id"], "=1+1");
    assert_eq!(json["rows"][1]["required"], serde_json::Value::Null);
    let run: serde_json::Value =
        serde_json::from_slice(&fs::read(temp.path().join("run.json")).unwrap()).unwrap();
    assert_eq!(run["version"], 1);
    assert_eq!(run["program"]["name"], "blockwright");
    assert_eq!(run["counts"]["blocks_by_status"]["warn"], 2);
    assert_eq!(run["counts"]["strips"], 26);
    assert_eq!(run["counts"]["rungs"]["engine"], 4);
    assert_eq!(run["counts"]["certificates"]["margin_m"], 0.013);
}

#[test]
fn a_run_without_blocks_is_complete_too() {
    let temp = tempfile::tempdir().unwrap();
    let writer = Writer::create(temp.path(), &crs()).unwrap();
    let report = report(writer.counts());
    writer.finish(&report, &[]).unwrap();
    assert_eq!(rows(&temp.path().join("layout.gpkg"), "blocks").len(), 0);
    let json: serde_json::Value =
        serde_json::from_slice(&fs::read(temp.path().join("compliance.json")).unwrap()).unwrap();
    assert_eq!(json["rows"], serde_json::json!([]));
}

#[test]
fn the_schema_document_names_every_layer_attribute_and_column() {
    let temp = tempfile::tempdir().unwrap();
    write(temp.path());
    let schema = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/schema.md");
    let schema = fs::read_to_string(schema).unwrap();
    let section = |heading: &str| {
        let start = schema
            .find(&format!("\n{heading}\n"))
            .unwrap_or_else(|| panic!("docs/schema.md has no heading {heading:?}"));
        let rest = &schema[start + heading.len() + 2..];
        rest[..rest.find("\n#").unwrap_or(rest.len())].to_owned()
    };
    for file in ["layout.gpkg", "set_aside.gpkg"] {
        let dataset = Dataset::open(temp.path().join(file)).unwrap();
        for layer in dataset.layers() {
            let words = section(&format!("### {} `{}`", file, layer.name()));
            for field in layer.defn().fields() {
                let name = format!("| `{}` |", field.name());
                assert!(words.contains(&name), "{file} {}: {name}", layer.name());
            }
        }
    }
    for file in ["compliance.csv", "set_aside.csv"] {
        let text = fs::read_to_string(temp.path().join(file)).unwrap();
        let words = section(&format!("### {file}"));
        for column in text.lines().next().unwrap().split(',') {
            assert!(
                words.contains(&format!("| `{column}` |")),
                "{file} {column}"
            );
        }
    }
    let run: serde_json::Value =
        serde_json::from_slice(&fs::read(temp.path().join("run.json")).unwrap()).unwrap();
    let words = section("### run.json");
    for key in run
        .as_object()
        .unwrap()
        .keys()
        .chain(run["counts"].as_object().unwrap().keys())
    {
        assert!(words.contains(&format!("`{key}`")), "run.json {key}");
    }
}

fn files(dir: &Path) -> BTreeSet<String> {
    fs::read_dir(dir)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect()
}

#[test]
fn two_runs_give_the_same_bytes_and_the_second_replaces_the_first() {
    let first = tempfile::tempdir().unwrap();
    let second = tempfile::tempdir().unwrap();
    write(first.path());
    std::thread::sleep(std::time::Duration::from_millis(1100));
    write(second.path());
    let outputs = [
        "SHA256SUMS",
        "blocks.csv",
        "compliance.csv",
        "compliance.json",
        "layout.gpkg",
        "maps",
        "report",
        "run.json",
        "set_aside.csv",
        "set_aside.gpkg",
        "styles",
    ];
    assert_eq!(files(first.path()), outputs.map(str::to_owned).into());
    let same = |a: &Path, b: &Path| {
        for name in outputs
            .into_iter()
            .filter(|name| !["maps", "report", "styles"].contains(name))
        {
            assert!(
                fs::read(a.join(name)).unwrap() == fs::read(b.join(name)).unwrap(),
                "{name} differs"
            );
        }
    };
    same(first.path(), second.path());

    fs::write(second.path().join("maps").join("GONE.svg"), "<svg/>").unwrap();
    fs::write(second.path().join("notes.txt"), "mine").unwrap();
    let gone = second.path().join("report/data/blocks/GONE.js");
    fs::write(&gone, "old").unwrap();
    fs::write(second.path().join("report/letter.txt"), "mine").unwrap();
    write(second.path());
    assert!(!gone.exists());
    assert_eq!(
        fs::read_to_string(second.path().join("report/letter.txt")).unwrap(),
        "mine"
    );
    same(first.path(), second.path());
    assert_eq!(
        files(&second.path().join("maps")),
        ["B-1", "=1+1", "B-2"]
            .map(|id| file_stem(id) + ".svg")
            .into()
    );
    assert_eq!(
        fs::read_to_string(second.path().join("notes.txt")).unwrap(),
        "mine"
    );
}

#[test]
fn a_dropped_writer_leaves_the_folder_as_it_was() {
    let temp = tempfile::tempdir().unwrap();
    let fresh = temp.path().join("a").join("out");
    let mut writer = Writer::create(&fresh, &crs())
        .unwrap()
        .with_report()
        .unwrap();
    writer.block(&small("B-1"), Some("<svg/>")).unwrap();
    assert!(fresh.exists());
    drop(writer);
    assert!(!fresh.exists());

    let earlier = temp.path().join("earlier");
    write(&earlier);
    let before = fs::read(earlier.join("layout.gpkg")).unwrap();
    let names = files(&earlier);
    let mut writer = Writer::create(&earlier, &crs())
        .unwrap()
        .with_report()
        .unwrap();
    writer.block(&small("other"), Some("<svg/>")).unwrap();
    drop(writer);
    assert_eq!(fs::read(earlier.join("layout.gpkg")).unwrap(), before);
    assert_eq!(files(&earlier), names);
}

#[test]
fn a_foreign_folder_is_refused() {
    let temp = tempfile::tempdir().unwrap();
    fs::write(temp.path().join("layout.gpkg"), "somebody's").unwrap();
    let refused = Writer::create(temp.path(), &crs()).err().unwrap();
    assert!(
        matches!(refused, OutputError::ForeignFolder { .. }),
        "{refused}"
    );
    assert_eq!(files(temp.path()).len(), 1);
    let refused = Writer::create(&temp.path().join("new"), "no CRS at all")
        .err()
        .unwrap();
    assert!(matches!(refused, OutputError::Crs { .. }), "{refused}");
    assert!(!temp.path().join("new").exists());
}

/// A writer may be opened on one thread and used on another.
#[test]
fn a_writer_may_move_to_another_thread() {
    let temp = tempfile::tempdir().unwrap();
    let mut writer = Writer::create(temp.path(), &crs()).unwrap();
    std::thread::spawn(move || {
        writer.block(&small("B-1"), Some("<svg/>")).unwrap();
        let report = report(writer.counts());
        writer.finish(&report, &[]).unwrap();
    })
    .join()
    .unwrap();
    assert_eq!(rows(&temp.path().join("layout.gpkg"), "strips").len(), 2);
}
