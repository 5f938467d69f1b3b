//! Reading tracks: GPX 1.1, points with time in text and date fields, lines, and what is refused.

use std::path::{Path, PathBuf};

use blockwright::audit::tracks::{Sweep, sweep};
use blockwright::geometry::area::area;
use blockwright::sources::SourceError;
use blockwright::sources::crs::WorkCrs;
use blockwright::sources::tracks::{TrackColumns, TrackError, TracksRead, read};
use chrono::{DateTime, Utc};
use gdal::DriverManager;
use gdal::spatial_ref::SpatialRef;
use gdal::vector::{
    Feature, Geometry, LayerAccess, LayerOptions, OGRFieldType, OGRwkbGeometryType,
};

fn work() -> WorkCrs {
    WorkCrs::new("EPSG:32635").unwrap()
}

fn written(folder: &Path, name: &str, text: &str) -> PathBuf {
    let path = folder.join(name);
    std::fs::write(&path, text).unwrap();
    path
}

fn tracks(path: &Path) -> TracksRead {
    read(path, TrackColumns::default(), &work()).unwrap()
}

fn refused(path: &Path, columns: TrackColumns<'_>) -> TrackError {
    match read(path, columns, &work()) {
        Err(SourceError::Tracks(error)) => error,
        other => panic!("{other:?}"),
    }
}

fn utc(text: &str) -> Option<DateTime<Utc>> {
    Some(text.parse().unwrap())
}

/// On the central meridian of zone 35, northwards: 0.0001 degrees of latitude are 11.13 m there.
const GPX: &str = r#"<?xml version="1.0" encoding="UTF-8"?>
<gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1">
  <wpt lat="61.5" lon="27.0"><name>camp</name></wpt>
  <rte><name>planned</name><rtept lat="61.1" lon="27.0"/><rtept lat="61.2" lon="27.0"/></rte>
  <trk><name>machine 1</name>
    <trkseg>
      <trkpt lat="61.0000" lon="27.0"><ele>100</ele><time>2026-02-03T06:00:00Z</time></trkpt>
      <trkpt lat="61.0001" lon="27.0"><ele>101</ele><time>2026-02-03T06:00:10.500Z</time></trkpt>
      <trkpt lat="61.0002" lon="27.0"><time>2026-02-03T08:00:20+02:00</time></trkpt>
    </trkseg>
    <trkseg>
      <trkpt lat="61.0010" lon="27.0"><time>2026-02-03T07:00:00Z</time></trkpt>
      <trkpt lat="61.0011" lon="27.0"/>
    </trkseg>
  </trk>
  <trk><trkseg><trkpt lat="61.01" lon="27.0"><time>2026-02-03T09:00:00Z</time></trkpt></trkseg></trk>
</gpx>
"#;

#[test]
fn gpx_gives_a_track_for_each_segment_with_times_in_utc() {
    let folder = tempfile::tempdir().unwrap();
    let found = tracks(&written(folder.path(), "day.gpx", GPX));
    let ids: Vec<(&str, usize)> = found
        .tracks
        .iter()
        .map(|t| (t.id.as_str(), t.fixes.len()))
        .collect();
    assert_eq!(
        ids,
        [
            ("machine 1, segment 1", 3),
            ("machine 1, segment 2", 2),
            ("track 2", 1)
        ]
    );
    assert!(found.notes.is_empty(), "{:?}", found.notes);
    let first = &found.tracks[0].fixes;
    assert_eq!(first[0].time, utc("2026-02-03T06:00:00Z"));
    assert_eq!(first[1].time, utc("2026-02-03T06:00:10.500Z"));
    assert_eq!(first[2].time, utc("2026-02-03T06:00:20Z"));
    assert_eq!(found.tracks[1].fixes[1].time, None);
    assert!((first[0].at.x - 500_000.0).abs() < 1e-3, "{:?}", first[0]);
    let step = first[1].at.y - first[0].at.y;
    assert!((step - 11.14).abs() < 0.02, "{step}");
    // The segments are 0.0008 degrees apart: swept, they are two pieces, and the route is in neither.
    let swept = sweep(&found.tracks, &Sweep::of_width(16.0)).unwrap();
    assert_eq!(
        (
            swept.area.0.len(),
            swept.way.legs.len(),
            swept.way.gaps.len()
        ),
        (2, 3, 0)
    );
    let expected = (22.28 + 11.14) * 16.0;
    assert!(
        (area(&swept.area) - expected).abs() < 2.0,
        "{}",
        area(&swept.area)
    );
    // Two ends each, and the ground around the lone fix.
    assert_eq!(swept.ends.len(), 5);
}

#[test]
fn the_tracks_layer_of_gpx_gives_lines_and_routes_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let path = written(folder.path(), "day.gpx", GPX);
    let layer = |name| TrackColumns {
        layer: Some(name),
        ..TrackColumns::default()
    };
    let lines = read(&path, layer("tracks"), &work()).unwrap();
    assert_eq!(lines.tracks.len(), 3);
    assert!(
        lines
            .tracks
            .iter()
            .all(|t| t.fixes.iter().all(|f| f.time.is_none()))
    );
    assert_eq!(
        lines.notes,
        ["lines say where the machine was, but not when"]
    );
    for name in ["routes", "route_points", "waypoints"] {
        assert!(
            matches!(refused(&path, layer(name)), TrackError::NoTracks { .. }),
            "{name}"
        );
    }
    assert!(matches!(
        refused(&path, layer("trakcs")),
        TrackError::MissingLayer { .. }
    ));
    let empty = written(
        folder.path(),
        "empty.gpx",
        r#"<?xml version="1.0"?><gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1"></gpx>"#,
    );
    assert!(matches!(
        refused(&empty, TrackColumns::default()),
        TrackError::NoTracks { .. }
            | TrackError::MissingLayer { .. }
            | TrackError::Unreadable { .. }
    ));
    let broken = written(folder.path(), "broken.gpx", &GPX[..GPX.len() / 2]);
    let error = refused(&broken, TrackColumns::default());
    assert!(
        matches!(
            error,
            TrackError::Unreadable { .. } | TrackError::ReadingStopped { .. }
        ),
        "{error}"
    );
}

#[test]
fn points_of_a_csv_file_have_times_with_or_without_an_offset() {
    let folder = tempfile::tempdir().unwrap();
    let path = written(
        folder.path(),
        "log.csv",
        "machine,lon,lat,time\nB,27.0,61.0,2026-02-03T08:00:00+02:00\nA,27.0,61.1,2026-02-03 06:00:00\nB,27.0,61.0001,\nB,27.0,61.0002,noon\n",
    );
    let columns = TrackColumns {
        track: Some("Machine"),
        ..TrackColumns::default()
    };
    let found = read(&path, columns, &work()).unwrap();
    let ids: Vec<(&str, usize)> = found
        .tracks
        .iter()
        .map(|t| (t.id.as_str(), t.fixes.len()))
        .collect();
    assert_eq!(ids, [("B", 3), ("A", 1)]);
    let times: Vec<_> = found.tracks[0].fixes.iter().map(|fix| fix.time).collect();
    assert_eq!(times, [utc("2026-02-03T06:00:00Z"), None, None]);
    assert_eq!(found.tracks[1].fixes[0].time, utc("2026-02-03T06:00:00Z"));
    let notes = found.notes.join("; ");
    for part in ["WGS 84", "taken for UTC: 1", "06:00:00Z): 1"] {
        assert!(notes.contains(part), "{notes}");
    }
    let no_such = TrackColumns {
        time: Some("tiem"),
        ..TrackColumns::default()
    };
    let error = refused(&path, no_such);
    assert!(
        error.to_string().contains("tiem") && error.to_string().contains("time"),
        "{error}"
    );
    let nowhere = written(
        folder.path(),
        "xy.csv",
        "x,y,time\n500000,6700000,2026-02-03T06:00:00Z\n",
    );
    assert!(matches!(
        refused(&nowhere, TrackColumns::default()),
        TrackError::NoCrs { .. }
    ));
}

/// A GeoPackage with one layer of the given geometries and times.
fn geopackage(path: &Path, ty: u32, features: &[(&str, Option<&str>)]) {
    let driver = DriverManager::get_driver_by_name("GPKG").unwrap();
    let mut dataset = driver.create_vector_only(path).unwrap();
    let crs = SpatialRef::from_epsg(32635).unwrap();
    let layer = dataset
        .create_layer(LayerOptions {
            name: "log",
            srs: Some(&crs),
            ty,
            options: None,
        })
        .unwrap();
    layer
        .create_defn_fields(&[("GPS_TIME", OGRFieldType::OFTDateTime)])
        .unwrap();
    for (wkt, time) in features {
        let mut feature = Feature::new(layer.defn()).unwrap();
        feature
            .set_geometry(Geometry::from_wkt(wkt).unwrap())
            .unwrap();
        if let Some(time) = time {
            let time = DateTime::parse_from_rfc3339(time).unwrap();
            feature.set_field_datetime(0, time).unwrap();
        }
        feature.create(&layer).unwrap();
    }
}

#[test]
fn points_of_a_geopackage_keep_their_coordinates_and_times() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("log.gpkg");
    geopackage(
        &path,
        OGRwkbGeometryType::wkbPoint,
        &[
            (
                "POINT (500000.125 6700000)",
                Some("2026-02-03T07:00:00+01:00"),
            ),
            ("POINT (500010 6700000)", Some("2026-02-03T08:00:10+02:00")),
            ("POINT EMPTY", None),
        ],
    );
    let found = tracks(&path);
    assert_eq!((found.tracks.len(), found.tracks[0].fixes.len()), (1, 2));
    let fixes = &found.tracks[0].fixes;
    assert_eq!((fixes[0].at.x, fixes[0].at.y), (500_000.125, 6_700_000.0));
    assert_eq!(fixes[0].time, utc("2026-02-03T06:00:00Z"));
    assert_eq!(fixes[1].time, utc("2026-02-03T06:00:10Z"));
    assert_eq!(
        found.notes,
        ["features passed over without a usable position: 1"]
    );
}

#[test]
fn lines_are_tracks_without_time_and_polygons_are_none() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("lines.gpkg");
    geopackage(
        &path,
        OGRwkbGeometryType::wkbUnknown,
        &[
            (
                "LINESTRING (500000 6700000, 500010 6700000, 500020 6700000)",
                None,
            ),
            ("MULTILINESTRING ((0 0, 10 0), (100 0, 110 0))", None),
        ],
    );
    let found = tracks(&path);
    let ids: Vec<&str> = found.tracks.iter().map(|t| t.id.as_str()).collect();
    assert_eq!(ids, ["line 1", "line 2, part 1", "line 2, part 2"]);
    assert_eq!(found.tracks[0].fixes.len(), 3);

    let path = folder.path().join("cut.gpkg");
    geopackage(
        &path,
        OGRwkbGeometryType::wkbPolygon,
        &[("POLYGON ((0 0, 10 0, 10 10, 0 0))", None)],
    );
    let error = refused(&path, TrackColumns::default());
    assert!(error.to_string().contains("polygons"), "{error}");
}

#[test]
fn what_is_no_plain_local_file_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let none = TrackColumns::default();
    assert!(matches!(
        refused(&folder.path().join("absent.gpx"), none),
        TrackError::MissingFile { .. }
    ));
    assert!(matches!(
        refused(folder.path(), none),
        TrackError::Forbidden { .. }
    ));
    assert!(matches!(
        refused(Path::new("/vsicurl/example.gpx"), none),
        TrackError::Forbidden { .. }
    ));
    let packed = written(folder.path(), "log.zip", "x");
    assert!(matches!(
        refused(&packed, none),
        TrackError::Forbidden { .. }
    ));
    let virtual_layer = written(
        folder.path(),
        "log.vrt",
        "<OGRVRTDataSource></OGRVRTDataSource>",
    );
    assert!(matches!(
        refused(&virtual_layer, none),
        TrackError::Unreadable { .. }
    ));
    let bomb = format!(
        "<?xml version=\"1.0\"?><!DOCTYPE g [<!ENTITY a \"{}\"><!ENTITY b \"&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;\"><!ENTITY c \"&b;&b;&b;&b;&b;&b;&b;&b;&b;&b;\">]><gpx version=\"1.1\" creator=\"t\" xmlns=\"http://www.topografix.com/GPX/1/1\"><trk><name>&c;</name></trk></gpx>",
        "x".repeat(10_000)
    );
    let bomb = written(folder.path(), "bomb.gpx", &bomb);
    assert!(read(&bomb, none, &work()).is_err());
}
