//! A file of tracks (GPX, or CSV where it does not begin like XML) through the reader and the sweep.

use blockwright::audit::tracks::{Sweep, follow, sweep};
use blockwright::geometry::area::{area, length};
use blockwright::sources::SourceError;
use blockwright::sources::crs::WorkCrs;
use blockwright::sources::tracks::{TrackColumns, TracksRead, read};

use super::scratch;

const WIDTH_M: f64 = 16.0;

thread_local! {
    static WORK: WorkCrs = WorkCrs::new("EPSG:32635").expect("a known CRS");
}

pub fn run(data: &[u8]) {
    let name = if data.trim_ascii_start().starts_with(b"<") {
        "tracks.gpx"
    } else {
        "tracks.csv"
    };
    let path = scratch::file(name, data);
    match WORK.with(|work| read(&path, TrackColumns::default(), work)) {
        Ok(found) => sound(&found),
        Err(error) => {
            assert!(matches!(error, SourceError::Tracks(_)), "{error}");
            assert!(error.to_string().contains(name), "{error}");
        }
    }
}

fn sound(found: &TracksRead) {
    let mut ids: Vec<&str> = found.tracks.iter().map(|track| track.id.as_str()).collect();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), found.tracks.len(), "two tracks of one name");
    let how = Sweep::of_width(WIDTH_M);
    let way = follow(&found.tracks, &how).expect("a width above 0");
    let fixes: usize = found.tracks.iter().map(|track| track.fixes.len()).sum();
    assert_eq!(way.tally.fixes, fixes);
    let swept = sweep(&found.tracks, &how).expect("a width above 0");
    assert_eq!(swept.way, way);
    let m2 = area(&swept.area);
    let most_m2: f64 = way
        .legs
        .iter()
        .map(|leg| length(&leg.shape) * WIDTH_M + 202.0)
        .sum();
    assert!(
        (0.0..=most_m2).contains(&m2),
        "{m2} m2 swept, {most_m2} m2 at most"
    );
    assert_eq!(
        m2 == 0.0 && swept.ends.is_empty(),
        way.legs.is_empty(),
        "{} legs, {m2} m2",
        way.legs.len()
    );
    for point in way.legs.iter().flat_map(|leg| &leg.shape.0) {
        assert!(point.x.is_finite() && point.y.is_finite());
    }
}
