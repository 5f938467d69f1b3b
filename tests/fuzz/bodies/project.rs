//! A project file's text through the reader, alone and with files beside it, and through the choices of `--compare`.

use std::sync::Once;

use blockwright::layout::effective;
use blockwright::model::Settings;
use blockwright::project::{MOST_COMBINATIONS, Project, load, load_choices, parse};

use super::scratch;

pub fn run(data: &[u8]) {
    static BESIDE: Once = Once::new();
    BESIDE.call_once(|| {
        // Only that they are there counts: nothing here opens a layer.
        scratch::file("layers.gpkg", b"");
        scratch::file("elevation.tif", b"");
        let rules = include_bytes!("../../../fixtures/project/rulebooks/district.toml");
        scratch::file("district.toml", rules);
    });
    let path = scratch::file("project.toml", data);
    let loaded = load(&path);
    let choices = load_choices(&path);
    let Ok(text) = std::str::from_utf8(data) else {
        let refused = loaded.err().map(|error| error.to_string());
        assert!(refused.is_some_and(|message| message.contains("UTF-8")));
        assert!(choices.is_err());
        return;
    };
    let parsed = parse(text, &path);
    for error in [
        loaded.as_ref().err(),
        parsed.as_ref().err(),
        choices.as_ref().err(),
    ]
    .into_iter()
    .flatten()
    {
        let lines = text.split('\n').count();
        let message = error.to_string();
        assert!(message.contains("project.toml"), "{message}");
        if let Some(place) = &error.place {
            assert!((1..=lines).contains(&place.line), "{message}");
        }
    }
    if let Ok(project) = &parsed {
        sound(project);
    }
    if let Ok(project) = &loaded {
        assert!(parsed.is_ok(), "read as a file, not as text");
        sound(project);
    }
    if let Ok(choices) = &choices {
        assert!((1..=MOST_COMBINATIONS).contains(&choices.len()));
        choices.iter().for_each(|choice| sound(&choice.project));
    }
}

/// What every stage takes for granted of settings that were read.
fn sound(project: &Project) {
    assert!(!project.layers.is_empty());
    for settings in [
        &project.settings,
        &effective(&project.settings, &project.rules),
    ] {
        ranges(settings);
    }
    assert!((0.0..=1.0).contains(&project.rules.retention_share.value));
}

fn ranges(settings: &Settings) {
    let (machine, layout) = (&settings.machine, &settings.layout);
    let shown = format!("{settings:?}");
    for number in [": NaN", ": inf", ": -inf", "(NaN", "(inf", "(-inf"] {
        assert!(!shown.contains(number), "{shown}");
    }
    assert!(machine.half_strip_m() > 0.0, "{machine:?}");
    for figure in [
        machine.max_slope,
        machine.night_slope,
        machine.half_width_m,
        layout.road_band_fail_m,
        layout.corridor_min_m,
        layout.edge_distance_m,
        layout.hazard_distance_m,
        layout.section_min_m,
        layout.max_strip_m.unwrap_or(50.0) - 50.0,
        layout.shift_hours.unwrap_or(1.0) - 1.0,
        layout.road_width_m,
        layout.frontage_distance_m,
        layout.access_search_m,
        layout.crossing_width_m,
        layout.sliver_m2,
        layout.least_part_m2,
        layout.least_setting_m2,
    ] {
        assert!(figure >= 0.0, "{layout:?}");
    }
    assert!(layout.corridor_min_m <= layout.corridor_max_m, "{layout:?}");
    assert!(layout.road_band_fail_m <= layout.road_band_m, "{layout:?}");
}
