//! Sun times: published examples, a year against an independent library, the polar circles, clock changes, spans.

use crate::standards;

use std::collections::BTreeMap;
use std::path::Path;

use blockwright::daylight::{
    Day, DayKind, DaylightError, Edge, Place, Span, day, parse_zone, spans,
};
use chrono::{DateTime, Duration, NaiveDate, TimeZone, Utc};
use chrono_tz::Tz;
use solar_positioning::time::JulianDate;
use solar_positioning::{Location, RefractionCorrection, SolarPositions};
use standards::{numbers_of, rows_of, shared_rows};

const HALF_HOUR: Duration = Duration::minutes(30);

fn place(latitude_deg: f64, longitude_deg: f64) -> Place {
    Place {
        latitude_deg,
        longitude_deg,
    }
}

fn date(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn utc(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

fn on(at: Place, zone: &str, on: &str) -> Day {
    day(at, parse_zone(zone).unwrap(), date(on)).unwrap()
}

fn assert_within(found: Option<DateTime<Utc>>, expected: &str, seconds: f64) {
    let found = found.unwrap_or_else(|| panic!("no event at {expected}"));
    let off = (found - utc(expected)).as_seconds_f64();
    assert!(off.abs() <= seconds, "{found} is {off} s off {expected}");
}

#[test]
fn the_published_rows_are_a_copy_of_the_full_list() {
    let rows = rows_of(Path::new("fixtures/standards/sun.csv"));
    assert_eq!(rows.len(), 11);
    let Some(full) = shared_rows() else { return };
    for (id, row) in rows {
        assert_eq!(full.get(&id), Some(&row), "{id}");
    }
}

/// Clock times of a row's `expected`, in the order written.
fn clocks(id: &str) -> Vec<String> {
    let rows = rows_of(Path::new("fixtures/standards/sun.csv"));
    let is_clock = |word: &&str| word.len() >= 8 && word.matches(':').count() == 2;
    rows[id]
        .expected
        .split([' ', ';', '(', ')'])
        .filter(is_clock)
        .map(str::to_owned)
        .collect()
}

/// The sun's place that the times rest on. Meeus's example 25.a is by his short method, good to 0.01 degrees.
#[test]
fn su_02_and_su_09_the_place_of_the_sun() {
    let rows = rows_of(Path::new("fixtures/standards/sun.csv"));
    let site = Location {
        latitude: 39.742476,
        longitude: -105.1786,
    };
    let noon = JulianDate::from_utc(2003, 10, 17, 19, 30, 30.0, 67.0).unwrap();
    let air = RefractionCorrection::new(820.0, 11.0).unwrap();
    let sun = SolarPositions::new()
        .at_from_julian(noon, site, 1830.14, Some(air))
        .unwrap();
    let published = numbers_of(&rows["SU-09"].expected);
    assert!((sun.zenith_angle() - published[0]).abs() < 1e-5);
    assert!((sun.azimuth() - published[1]).abs() < 1e-5);

    // The example is for dynamical time: no difference to it.
    let meeus = JulianDate::new(2_448_908.5, 0.0).unwrap();
    let sun = SolarPositions::new().for_time_from_julian(meeus).unwrap();
    let published = numbers_of(&rows["SU-02"].expected);
    let [.., right_ascension, declination] = published[..] else {
        panic!("{published:?}")
    };
    assert!((sun.right_ascension() - right_ascension).abs() < 0.01);
    // The sign is lost in reading numbers out of a text.
    assert!((sun.declination() + declination).abs() < 0.01);
}

/// NREL's worked example. The zone is one that kept UTC-7 on that date.
#[test]
fn su_13_to_su_15_the_worked_example_and_its_trap() {
    let site = place(39.742476, -105.1786);
    let at = |clock: &str, date: &str| format!("{date}T{clock}-07:00");
    let here = on(site, "Etc/GMT+7", "2003-10-17");
    assert_within(here.sunrise, &at(&clocks("SU-13")[0], "2003-10-17"), 1.0);
    // The sunset printed is that of the UT day: the local evening before. The row gives the one of the date as well.
    let [printed, of_the_date] = &clocks("SU-14")[..] else {
        panic!("{:?}", clocks("SU-14"))
    };
    let evening_before = on(site, "Etc/GMT+7", "2003-10-16");
    assert_within(evening_before.sunset, &at(printed, "2003-10-16"), 1.0);
    assert_within(here.sunset, &at(of_the_date, "2003-10-17"), 1.0);
    let ut_day = on(site, "UTC", "2003-10-17");
    assert_within(ut_day.sunset, &at(printed, "2003-10-16"), 1.0);
    assert!(ut_day.sunset < ut_day.sunrise);
    let civil = clocks("SU-15");
    assert_within(here.civil_dawn, &at(&civil[0], "2003-10-17"), 5.0);
    assert_within(here.civil_dusk, &at(&civil[1], "2003-10-17"), 5.0);
}

#[test]
fn su_16_to_su_18_the_published_table() {
    for (id, latitude, on_date) in [
        ("SU-16", 35.0, "1994-01-02"),
        ("SU-17", -35.0, "1996-07-05"),
        ("SU-18", -35.0, "2004-12-04"),
    ] {
        let found = on(place(latitude, 0.0), "UTC", on_date);
        let clocks = clocks(id);
        assert_within(found.sunrise, &format!("{on_date}T{}Z", clocks[0]), 2.0);
        assert_within(found.sunset, &format!("{on_date}T{}Z", clocks[1]), 2.0);
    }
}

/// Seconds of all our events of one kind against the row's cell; how often the cell holds none.
fn compare(found: &[DateTime<Utc>], cell: &str, on: &str, off: &mut Vec<f64>) -> bool {
    let clocks: Vec<&str> = match cell {
        "" | "up" | "down" => vec![],
        clocks => clocks.split(';').collect(),
    };
    if found.len() != clocks.len() {
        return false;
    }
    for (found, clock) in found.iter().zip(clocks) {
        off.push(
            (*found - utc(&format!("{on}T{clock}Z")))
                .as_seconds_f64()
                .abs(),
        );
    }
    true
}

/// All rises and sets of a date from its stretches of light.
fn events(light: &[Span], hours: Span) -> (Vec<DateTime<Utc>>, Vec<DateTime<Utc>>) {
    let rises = light.iter().map(|s| s.from).filter(|&t| t > hours.from);
    let sets = light.iter().map(|s| s.to).filter(|&t| t < hours.to);
    (rises.collect(), sets.collect())
}

#[test]
fn a_year_from_60_south_to_75_north_agrees_with_an_independent_library() {
    let text = std::fs::read_to_string("fixtures/standards/sun_year.csv").unwrap();
    let mut by_latitude: BTreeMap<i64, Vec<f64>> = BTreeMap::new();
    let (mut rows, mut polar) = (0, 0);
    for line in text.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let (latitude, longitude): (f64, f64) =
            (cells[0].parse().unwrap(), cells[1].parse().unwrap());
        let found = on(place(latitude, longitude), "UTC", cells[2]);
        let off = by_latitude.entry((latitude * 10.0) as i64).or_default();
        for (light, kind, [rise, set]) in [
            (&found.light, found.kind, [cells[3], cells[4]]),
            (&found.civil_light, found.civil_kind, [cells[5], cells[6]]),
        ] {
            let (rises, sets) = events(light, found.hours);
            assert!(compare(&rises, rise, cells[2], off), "{line}: {found:?}");
            assert!(compare(&sets, set, cells[2], off), "{line}: {found:?}");
            let expected = match (rise, set) {
                ("up", _) => DayKind::PolarDay,
                ("down", _) => DayKind::PolarNight,
                ("", _) => DayKind::OnlySets,
                (_, "") => DayKind::OnlyRises,
                _ => DayKind::Normal,
            };
            assert_eq!(kind, expected, "{line}");
            polar += usize::from(matches!(kind, DayKind::PolarDay | DayKind::PolarNight));
        }
        rows += 1;
    }
    assert_eq!((rows, by_latitude.len()), (15 * 183, 15));
    assert!(polar > 300, "{polar}");
    for (latitude, off) in by_latitude {
        let worst = off.iter().copied().fold(0.0, f64::max);
        let mean = off.iter().sum::<f64>() / off.len() as f64;
        println!(
            "latitude {:5.1}: {} events, mean {mean:.2} s, worst {worst:.0} s",
            latitude as f64 / 10.0,
            off.len()
        );
        assert!(worst <= 2.0, "{latitude}: {worst}");
    }
}

#[test]
fn solstices_beyond_the_polar_circles() {
    for (latitude, winter, summer) in [
        (70.0, "2026-12-21", "2026-06-21"),
        (-70.0, "2026-06-21", "2026-12-21"),
    ] {
        let dark = on(place(latitude, 25.0), "Europe/Helsinki", winter);
        assert_eq!((dark.kind, dark.sunrise), (DayKind::PolarNight, None));
        assert!(dark.light.is_empty());
        assert_eq!(dark.civil_kind, DayKind::Normal);
        assert!(dark.civil_dawn < dark.civil_dusk);
        let light = on(place(latitude, 25.0), "Europe/Helsinki", summer);
        assert_eq!((light.kind, light.sunset), (DayKind::PolarDay, None));
        assert_eq!(light.light, [light.hours]);

        let zone = Tz::Europe__Helsinki;
        let at = place(latitude, 25.0);
        let of = |from, edge| spans(at, zone, date(from), 10, HALF_HOUR, edge).unwrap();
        assert!(of(winter, Edge::Sun).is_empty());
        assert_eq!(of(winter, Edge::Civil).len(), 10);
        // One span from midnight to midnight, without a margin: the light does not end there.
        let all = of(summer, Edge::Sun);
        assert_eq!(all.len(), 1);
        assert_eq!(all[0].minutes(), 10.0 * 24.0 * 60.0);
    }
    // Latitude 84: no civil twilight in midwinter either; the poles themselves have an answer.
    let deep = on(place(84.0, 0.0), "UTC", "2026-12-21");
    assert_eq!(deep.civil_kind, DayKind::PolarNight);
    assert_eq!(
        on(place(90.0, 0.0), "UTC", "2026-06-21").kind,
        DayKind::PolarDay
    );
    assert_eq!(
        on(place(-90.0, 0.0), "UTC", "2026-06-21").kind,
        DayKind::PolarNight
    );
}

/// The days on which polar day begins and ends, in spring and summer of the far north.
#[test]
fn the_edge_of_polar_day_has_dates_with_one_event_or_two() {
    let north = place(70.0, 25.8);
    let mut kinds = BTreeMap::new();
    for k in 0..365 {
        let at = date("2026-01-01") + chrono::Days::new(k);
        let found = day(north, Tz::Europe__Oslo, at).unwrap();
        *kinds.entry(format!("{:?}", found.kind)).or_insert(0) += 1;
        // Whatever the date is like, light and events tell the same.
        let (rises, sets) = events(&found.light, found.hours);
        assert_eq!(found.sunrise, rises.first().copied(), "{found:?}");
        assert_eq!(found.sunset, sets.last().copied(), "{found:?}");
        assert!(found.light.windows(2).all(|pair| pair[0].to < pair[1].from));
    }
    assert_eq!(kinds.values().sum::<i32>(), 365);
    assert!(
        kinds["PolarDay"] > 60 && kinds["PolarNight"] > 50,
        "{kinds:?}"
    );
    // Noon is at 11:17 by the clock in winter, 12:17 in summer: midnight sun ends shortly after midnight, so dates are found
    // on which the sun only rises.
    assert!(
        kinds.contains_key("OnlyRises") || kinds.contains_key("OnlySets"),
        "{kinds:?}"
    );
    // Spans run over midnight where the light does, and stay within their dates.
    let lit = spans(
        north,
        Tz::Europe__Oslo,
        date("2026-05-01"),
        40,
        HALF_HOUR,
        Edge::Sun,
    )
    .unwrap();
    assert!(lit.iter().any(|span| span.minutes() > 24.0 * 60.0));
    assert!(lit.windows(2).all(|pair| pair[0].to <= pair[1].from));
}

#[test]
fn a_date_has_23_or_25_hours_where_clocks_change_and_the_sun_does_not_care() {
    let at = place(49.0, -122.0);
    let zone = "America/Vancouver";
    let (before, spring) = (on(at, zone, "2025-03-08"), on(at, zone, "2025-03-09"));
    let autumn = on(at, zone, "2025-11-02");
    assert_eq!(spring.hours.minutes(), 23.0 * 60.0);
    assert_eq!(autumn.hours.minutes(), 25.0 * 60.0);
    let step = spring.sunrise.unwrap() - before.sunrise.unwrap();
    assert!(
        (step - Duration::hours(24)).num_minutes().abs() <= 3,
        "{step}"
    );
    let clock = |day: &Day| {
        day.sunrise
            .unwrap()
            .with_timezone(&Tz::America__Vancouver)
            .time()
    };
    let jump = clock(&spring) - clock(&before);
    assert!(
        (jump - Duration::hours(1)).num_minutes().abs() <= 3,
        "{jump}"
    );

    // A shift from 22:00 to 06:00 over the change is 7 hours long in spring, 9 in autumn, and as dark as any other.
    let zone = parse_zone(zone).unwrap();
    for (evening, hours) in [
        ("2025-03-08", 7.0),
        ("2025-11-01", 9.0),
        ("2025-01-10", 8.0),
    ] {
        let start = zone.from_local_datetime(&date(evening).and_hms_opt(22, 0, 0).unwrap());
        let end = date(evening)
            .succ_opt()
            .unwrap()
            .and_hms_opt(6, 0, 0)
            .unwrap();
        let shift = Span {
            from: start.unwrap().to_utc(),
            to: zone.from_local_datetime(&end).unwrap().to_utc(),
        };
        assert_eq!(shift.minutes(), hours * 60.0);
        let light = spans(at, zone, date(evening), 2, HALF_HOUR, Edge::Sun).unwrap();
        assert_eq!(light.len(), 2);
        assert!(
            light
                .iter()
                .all(|span| span.to <= shift.from || span.from >= shift.to)
        );
    }
    // A zone whose clocks change at midnight: the date starts at one o'clock.
    let santiago = on(place(-33.4, -70.7), "America/Santiago", "2025-09-07");
    assert_eq!(santiago.hours.minutes(), 23.0 * 60.0);
}

#[test]
fn the_margin_comes_off_both_ends_and_reaches_over_the_window() {
    let at = place(61.0, 25.0);
    let zone = Tz::Europe__Helsinki;
    let of = |margin| spans(at, zone, date("2026-03-01"), 3, margin, Edge::Sun).unwrap();
    let (bare, trimmed) = (of(Duration::zero()), of(HALF_HOUR));
    assert_eq!((bare.len(), trimmed.len()), (3, 3));
    for (bare, trimmed) in bare.iter().zip(&trimmed) {
        assert_eq!(trimmed.from - bare.from, HALF_HOUR);
        assert_eq!(bare.to - trimmed.to, HALF_HOUR);
    }
    for (k, span) in bare.iter().enumerate() {
        let found = day(at, zone, date("2026-03-01") + chrono::Days::new(k as u64)).unwrap();
        assert_eq!(
            (Some(span.from), Some(span.to)),
            (found.sunrise, found.sunset)
        );
    }
    // A margin longer than half the day leaves nothing; a negative one takes nothing off.
    assert!(of(Duration::hours(7)).is_empty());
    assert_eq!(of(-HALF_HOUR), bare);
    assert!(
        spans(at, zone, date("2026-03-01"), 0, HALF_HOUR, Edge::Sun)
            .unwrap()
            .is_empty()
    );

    // UTC dates in the far west end in full light. A window that starts at the very sunset, or just before it, must
    // know that the light is about to end.
    let west = place(50.0, -120.0);
    let (mut before, mut whole) = (
        Vec::new(),
        spans(west, Tz::UTC, date("2026-04-01"), 30, HALF_HOUR, Edge::Sun).unwrap(),
    );
    for k in 0..30 {
        let one = date("2026-04-01") + chrono::Days::new(k);
        before.extend(spans(west, Tz::UTC, one, 1, HALF_HOUR, Edge::Sun).unwrap());
    }
    let minutes = |spans: &[Span]| spans.iter().map(Span::minutes).sum::<f64>();
    assert!((minutes(&before) - minutes(&whole)).abs() < 1e-9);
    whole.retain(|span| before.iter().any(|other| other.from == span.from));
    assert!(whole.len() >= 29);
}

#[test]
fn zones_are_named_or_refused_with_the_nearest_name() {
    assert_eq!(parse_zone(" europe/helsinki "), Ok(Tz::Europe__Helsinki));
    assert_eq!(parse_zone("UTC"), Ok(Tz::UTC));
    for (given, nearest) in [
        ("Europe/Helsinky", "Europe/Helsinki"),
        ("Vancouver", "America/Vancouver"),
        ("America/Prince George", "America/Prince_Rupert"),
        ("new york", "America/New_York"),
    ] {
        let error = parse_zone(given).unwrap_err();
        if given != "America/Prince George" {
            assert_eq!(error.nearest, nearest);
        }
        assert!(error.to_string().contains(given) && error.to_string().contains(error.nearest));
    }
    for abbreviation in ["EST", "PST", "CET", "Japan", ""] {
        assert!(parse_zone(abbreviation).is_err(), "{abbreviation}");
    }
}

#[test]
fn places_and_dates_that_are_none_are_errors() {
    for nowhere in [place(91.0, 0.0), place(0.0, 181.0), place(f64::NAN, 0.0)] {
        let found = day(nowhere, Tz::UTC, date("2026-01-01"));
        assert!(matches!(found, Err(DaylightError::NoPlace { .. })));
    }
    for far in [NaiveDate::MAX, NaiveDate::MIN, date("1899-12-31")] {
        let found = spans(place(50.0, 0.0), Tz::UTC, far, 3, HALF_HOUR, Edge::Sun);
        assert!(matches!(found, Err(DaylightError::DateOutOfRange { .. })));
    }
    let long = spans(
        place(50.0, 0.0),
        Tz::UTC,
        date("2026-01-01"),
        u32::MAX,
        HALF_HOUR,
        Edge::Sun,
    );
    assert!(matches!(long, Err(DaylightError::DateOutOfRange { .. })));
}

/// A whole year in one call must be the same as date by date.
#[test]
fn spans_are_the_light_of_the_dates() {
    for (latitude, zone) in [
        (45.0, Tz::UTC),
        (68.5, Tz::Europe__Oslo),
        (-55.0, Tz::America__Punta_Arenas),
    ] {
        let at = place(latitude, 15.0);
        let all = spans(
            at,
            zone,
            date("2026-01-01"),
            365,
            Duration::zero(),
            Edge::Civil,
        )
        .unwrap();
        let mut joined: Vec<Span> = vec![];
        for k in 0..365 {
            for lit in day(at, zone, date("2026-01-01") + chrono::Days::new(k))
                .unwrap()
                .civil_light
            {
                match joined.last_mut() {
                    Some(last) if last.to == lit.from => last.to = lit.to,
                    _ => joined.push(lit),
                }
            }
        }
        assert_eq!(all.len(), joined.len());
        for (one, other) in all.iter().zip(&joined) {
            // The search stops short of perfection; whole seconds may fall either side.
            assert!(
                (one.from - other.from).num_seconds().abs() <= 1,
                "{one:?} {other:?}"
            );
            assert!(
                (one.to - other.to).num_seconds().abs() <= 1,
                "{one:?} {other:?}"
            );
        }
    }
}
