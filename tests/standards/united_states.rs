//! Minnesota, Kentucky, Montana, Alaska, the Northwest and New England, and single figures.

use blockwright::model::{Facts, LayerKind::*, TreeUnit};
use blockwright::rulebook::{Channel, Distance, Match, RuleLine, Rulebook, Width, preset};

use crate::standards::*;

pub fn minnesota_filter_strip(rows: &Rows) {
    let book = preset("mn-filter-strip").unwrap();
    let gentle = rows.numbers("US-01");
    let formula = rows.numbers("US-02");
    assert_eq!(formula, [50.0, 2.0, 10.0], "base, feet a percent, from");
    for kind in [Streams, Lakes, Wetlands] {
        let line = named(&book, kind, "any");
        rows.assert_cited(&line.citation, &["US-01", "US-02", "US-03"]);
        assert_eq!(line.distance, Distance::Slope);
        assert!(rows.row("US-01").expected.contains("slope distance"));
        let along = |percent: f64| line.reserve.at(Some(percent / 100.0));
        let on_the_map = |percent: f64| line.widths(Some(percent / 100.0)).reserve_m;
        for percent in [0.0, 5.0, 10.0] {
            assert_near(along(percent), gentle[0] * FOOT_M, 1e-9, "US-01");
            assert_near(along(percent), gentle[1], 1e-9, "US-01");
        }
        for percent in 11..=100 {
            let percent = f64::from(percent);
            let feet = formula[0] + formula[1] * (percent - formula[2]);
            assert_near(along(percent), feet * FOOT_M, 1e-9, "US-02");
            let cosine = 1.0 / (1.0 + (percent / 100.0).powi(2)).sqrt();
            assert_near(on_the_map(percent), feet * FOOT_M * cosine, 1e-9, "US-02");
        }
        let example = rows.numbers("US-03");
        assert!(rows.row("US-03").inputs.contains("27 %"));
        assert_near(along(27.0), example[0] * FOOT_M, 1e-9, "US-03");
        assert_near(along(27.0), example[1], 0.0005, "US-03");
        // `s = 10, 11, ...`: feet, then the same in metres.
        let points = numbers_of(&rows.row("US-04").inputs);
        let wanted = rows.numbers("US-04");
        let (feet, metres) = wanted.split_at(points.len());
        for ((percent, feet), metres) in points.into_iter().zip(feet).zip(metres) {
            assert_near(along(percent), feet * FOOT_M, 1e-9, "US-04");
            assert_near(along(percent), *metres, 0.005, "US-04");
        }
        // The formula has no jump, and an end.
        for limit in [0.10, 1.0] {
            let at = line.reserve.at(Some(limit));
            assert_steps(line, limit, [at, at, at]);
        }
        assert_eq!(along(250.0), along(100.0));
        assert_eq!(line.widths(None).reserve_m, along(100.0));
    }
    rows.assert_cited(&book.retention_share.citation, &["US-08"]);
    for id in ["US-08", "RT-08"] {
        let share = book.retention_share.value * 100.0;
        assert_eq!(share, rows.numbers(id)[0], "{id}");
    }
}

pub fn minnesota_riparian_zones(rows: &Rows) {
    let book = fixture("minnesota-rmz");
    let figures = |id: &str| -> [f64; 2] {
        let numbers = rows.numbers(id);
        // Basal areas stand between the widths where they are given.
        match numbers[..] {
            [even, uneven] => [even, uneven],
            [even, _, _, uneven, _] => [even, uneven],
            [even, _, uneven, _] => [even, uneven],
            _ => panic!("{id}: {numbers:?}"),
        }
    };
    let channel = |feet: f64| number(feet * FOOT_M);
    let no_trout = |feet: f64| vec![("trout", flag(false)), ("channel", channel(feet))];
    for (id, kind, known) in [
        ("US-05", Streams, no_trout(20.0)),
        ("US-06", Streams, no_trout(5.0)),
        ("US-07", Streams, vec![("trout", flag(true))]),
        ("US-07", Lakes, vec![]),
    ] {
        let systems = ["even-aged", "uneven-aged"];
        for (system, feet) in systems.into_iter().zip(figures(id)) {
            let mut known = known.clone();
            known.push(("system", word(system)));
            let line = told(&book, kind, &known);
            rows.assert_cited(&line.citation, &[id]);
            let widths = line.widths(Some(0.4));
            assert_near(widths.management_m, feet * FOOT_M, 1e-9, id);
            assert_eq!(widths.reserve_m, 0.0);
        }
    }
    let known = [("trout", flag(false)), ("system", word("even-aged"))];
    let sides = |feet: f64, classes| {
        assert_sides(&book, Streams, &known, ("channel", feet * FOOT_M), classes);
    };
    let (middle, wide) = (Some("middle even-aged"), Some("wide even-aged"));
    sides(10.0, [middle, middle, wide]);
    sides(3.0, [None, middle, middle]);
}

pub fn kentucky_zones(rows: &Rows) {
    let book = preset("ky-bmp").unwrap();
    let (gentle, steep) = (rows.numbers("US-09"), rows.numbers("US-10"));
    assert!(rows.row("US-09").inputs.contains("< 15 %"));
    assert!(rows.row("US-10").inputs.contains("> 15 %"));
    let lines = [
        told(&book, Streams, &[("flow", word("perennial"))]),
        named(&book, Lakes, "any"),
    ];
    for line in lines {
        rows.assert_cited(&line.citation, &["US-09", "US-10"]);
        assert_eq!(line.distance, Distance::Slope);
        for (slope, row) in [
            (0.15_f64.next_down(), &gentle),
            (0.15, &steep),
            (0.15_f64.next_up(), &steep),
            (0.0, &gentle),
            (0.6, &steep),
        ] {
            let along = line.management.at(Some(slope));
            assert_near(along, row[0] * FOOT_M, 1e-9, "zone");
            assert_near(along, row[1], 0.005, "zone in metres");
            let widths = line.widths(Some(slope));
            assert_near(widths.management_m, along / slope.hypot(1.0), 1e-12, "map");
            assert_eq!(widths.reserve_m, 0.0);
            assert_eq!(line.management_share * 100.0, row[2]);
        }
    }
}

pub fn new_hampshire_zones(rows: &Rows) {
    let book = preset("nh-rsa").unwrap();
    let acres = |ha_m2: f64| number(ha_m2);
    let ten = 10.0 * 43_560.0 * FOOT_M * FOOT_M;
    for (ids, kind, known) in [
        (&["NH-01"][..], Roads, vec![("public_highway", flag(true))]),
        (&["NH-02", "NH-03"], Lakes, vec![("area", acres(ten))]),
        (&["NH-04"], Streams, vec![("order", number(4.0))]),
        (
            &["NH-05"],
            Streams,
            vec![("order", number(3.0)), ("year_round", flag(true))],
        ),
        (
            &["NH-06"],
            Lakes,
            vec![("area", acres(ten.next_down())), ("year_round", flag(true))],
        ),
    ] {
        let line = told(&book, kind, &known);
        rows.assert_cited(&line.citation, ids);
        for id in ids {
            let feet = rows.numbers(id)[0];
            assert_near(line.widths(None).management_m, feet * FOOT_M, 1e-9, id);
            assert!(rows.row(id).source.starts_with("RSA 227-J:9"));
        }
        assert_eq!(line.management_share, 0.5);
        let trees = line.share_trees.expect("a share of trees");
        assert_eq!(trees.unit, TreeUnit::BasalArea);
        assert_eq!(line.widths(None).reserve_m, 0.0);
    }
    let other = told(&book, Roads, &[("public_highway", flag(false))]);
    assert!(other.asks_for_nothing());
}

pub fn oregon_west(rows: &Rows) {
    let book = preset("or-west").unwrap();
    let stream = |kind: &str, size: &str| vec![("stream_type", word(kind)), ("size", word(size))];
    let perennial = |up: bool| [stream("N", "small"), vec![("perennial", flag(up))]].concat();
    let domestic = |up: bool| [stream("D", "small"), vec![("np_reach", flag(up))]].concat();
    for (id, at, known) in [
        ("OR-01", 0, stream("F", "large")),
        ("OR-01", 0, stream("SSBT", "large")),
        ("OR-02", 0, stream("SSBT", "medium")),
        ("OR-03", 0, stream("F", "small")),
        ("OR-04", 0, stream("N", "large")),
        ("OR-05", 0, stream("N", "medium")),
        ("OR-06", 0, perennial(true)),
        ("OR-07", 0, perennial(true)),
        ("OR-08", 0, stream("D", "medium")),
        ("OR-08", 1, domestic(true)),
        ("OR-08", 2, domestic(false)),
    ] {
        let line = told(&book, Streams, &known);
        rows.assert_cited(&line.citation, &[id]);
        let widths = line.widths(None);
        assert_near(widths.reserve_m, rows.numbers(id)[at] * FOOT_M, 1e-9, id);
        assert_eq!(widths.management_m, 0.0, "{id}");
        assert_eq!(line.distance, Distance::Horizontal);
    }
    assert!(told(&book, Streams, &perennial(false)).asks_for_nothing());
}

pub fn oregon_east(rows: &Rows) {
    let book = preset("or-east").unwrap();
    let stream = |kind: &str, size: &str| vec![("stream_type", word(kind)), ("size", word(size))];
    let lateral = |up: bool| {
        let more = vec![("perennial", flag(true)), ("lateral", flag(up))];
        [stream("N", "small"), more].concat()
    };
    for (id, known) in [
        ("OR-11", stream("SSBT", "large")),
        ("OR-12", stream("F", "medium")),
        ("OR-13", stream("F", "small")),
        ("OR-14", stream("N", "large")),
        ("OR-14", stream("N", "medium")),
        ("OR-15", lateral(false)),
        ("OR-16", lateral(true)),
        ("OR-17", vec![("stream_type", word("D"))]),
    ] {
        let line = told(&book, Streams, &known);
        rows.assert_cited(&line.citation, &[id]);
        let wanted = rows.numbers(id);
        let (inner, outer) = (wanted[0], wanted.get(1).copied().unwrap_or(0.0));
        let widths = line.widths(None);
        assert_near(widths.reserve_m, inner * FOOT_M, 1e-9, id);
        assert_near(widths.management_m, outer * FOOT_M, 1e-9, id);
        // The basal area of the outer zone is not counted: all of it stays.
        assert!(outer == 0.0 || line.management_share == 1.0, "{id}");
    }
}

/// Lakes on both sides of the crest: the same rule, by size, fish and area.
pub fn oregon_lakes(rows: &Rows) {
    for name in ["or-west", "or-east"] {
        let book = preset(name).unwrap();
        let lake =
            |large: bool, fish: bool| vec![("large_lake", flag(large)), ("fish", flag(fish))];
        let large_any = vec![("large_lake", flag(true))];
        let half_acre_m2 = 0.5 * 43_560.0 * FOOT_M * FOOT_M;
        let of_area = |area_m2: f64| [lake(false, false), vec![("area", number(area_m2))]].concat();
        for (id, known) in [
            ("OR-21", large_any),
            ("OR-21", lake(true, false)),
            ("OR-22", lake(false, true)),
            ("OR-22", of_area(half_acre_m2)),
            ("OR-23", of_area(half_acre_m2 - 0.001)),
        ] {
            let line = told(&book, Lakes, &known);
            rows.assert_cited(&line.citation, &[id]);
            let widths = line.widths(Some(0.5));
            assert_eq!(widths.reserve_m, 0.0, "{id}");
            let wanted_m = rows.numbers(id)[0] * FOOT_M;
            assert_near(widths.management_m, wanted_m, 1e-9, id);
            if wanted_m == 0.0 {
                continue;
            }
            rows.assert_cited(line.share_source(), &["OR-24"]);
            assert_eq!(line.management_share * 100.0, rows.numbers("OR-24")[0]);
            let trees = line.share_trees.expect("a share of trees");
            assert_eq!(trees.unit, TreeUnit::Stems);
            let inches = numbers_of(&rows.row("OR-24").inputs)[0];
            assert_near(trees.least_m, inches * 0.0254, 1e-9, "OR-24");
        }
        // Who knows nothing of a lake keeps the widest off; a channel migration zone is only kept itself.
        let unknown = book.find(Lakes, None, &Facts::default(), Channel::None);
        assert!(matches!(unknown, Match::Assumed(line) if line.id == "lake-large"));
        assert!(named(&book, Lakes, "channel migration zone").asks_for_nothing());
    }
}

pub fn alaska_private_land(rows: &Rows) {
    let book = preset("ak-private").unwrap();
    for kind in [Streams, Lakes] {
        for (id, water) in [("AK-01", "I-A"), ("AK-02", "I-B")] {
            let line = told(&book, kind, &[("water_type", word(water))]);
            rows.assert_cited(&line.citation, &[id]);
            for slope in [None, Some(0.0), Some(0.8)] {
                let widths = line.widths(slope);
                assert_near(widths.reserve_m, rows.numbers(id)[0] * FOOT_M, 1e-9, id);
                assert_eq!(widths.management_m, 0.0, "{id}");
            }
        }
        // Low value timber within 25 ft, where prudent: said in words, and no width.
        let line = told(&book, kind, &[("water_type", word("I-C"))]);
        rows.assert_cited(&line.citation, &["AK-03"]);
        assert!(line.asks_for_nothing());
        let feet = format!("{} ft", rows.numbers("AK-03")[0]);
        assert!(line.definition.contains(&feet), "{}", line.definition);
        // What was not read has the widest.
        let unread = facts(&[("water_type", word("I-D"))]);
        let found = book.find(kind, None, &unread, Channel::None);
        assert!(matches!(found, Match::Assumed(line) if line.class == "I-A"));
    }
}

pub fn alaska_public_land(rows: &Rows) {
    let book = preset("ak-public").unwrap();
    let second = |water: &str| vec![("region", word("II")), ("water_type", word(water))];
    for kind in [Streams, Lakes] {
        let fish = |up: bool| [("region", word("I")), ("fish", flag(up))];
        let line = told(&book, kind, &fish(true));
        rows.assert_cited(&line.citation, &["AK-04", "AK-05"]);
        for id in ["AK-04", "AK-05"] {
            let wanted_m = rows.numbers(id)[0] * FOOT_M;
            assert_near(line.widths(None).reserve_m, wanted_m, 1e-9, id);
        }
        assert!(told(&book, kind, &fish(false)).asks_for_nothing());
        assert!(told(&book, kind, &second("none")).asks_for_nothing());

        for (id, water) in [("AK-06", "II-A"), ("AK-07", "II-B")] {
            let wanted = rows.numbers(id);
            let bends: &[(bool, f64)] = match kind {
                Streams => &[(false, wanted[0]), (true, wanted[1])],
                _ => &[(false, wanted[0])],
            };
            for (bend, feet) in bends {
                let known = [second(water), vec![("outer_bend", flag(*bend))]].concat();
                let line = told(&book, kind, &known);
                rows.assert_cited(&line.citation, &[id]);
                assert_near(line.widths(None).reserve_m, feet * FOOT_M, 1e-9, id);
            }
        }
        let line = told(&book, kind, &second("II-C"));
        rows.assert_cited(&line.citation, &["AK-08"]);
        let wanted_m = rows.numbers("AK-08")[0] * FOOT_M;
        assert_near(line.widths(None).reserve_m, wanted_m, 1e-9, "AK-08");

        let line = told(&book, kind, &second("II-D"));
        rows.assert_cited(&line.citation, &["AK-09"]);
        let wanted = rows.numbers("AK-09");
        let widths = line.widths(None);
        assert_near(widths.reserve_m, wanted[0] * FOOT_M, 1e-9, "AK-09");
        assert_near(widths.reach_m(), wanted[1] * FOOT_M, 1e-9, "AK-09");
        assert_eq!(line.management_share, 1.0);
    }
    // Nobody said whether it is an outer bend: the wider one stands in.
    let found = book.find(Streams, None, &facts(&second("II-B")), Channel::None);
    assert!(matches!(found, Match::Assumed(line) if line.class == "II-B bend"));
}

pub fn maine_shoreland(rows: &Rows) {
    let book = preset("me-shoreland").unwrap();
    let zone_m = rows.numbers("ME-01")[0] * FOOT_M;
    let bare_m = rows.numbers("ME-03")[0] * FOOT_M;
    let most_cut = rows.numbers("ME-02")[0] / 100.0;
    for (kind, known) in [
        (Streams, ("shoreland_ft", number(250.0))),
        (Lakes, ("shoreland", flag(true))),
        (Wetlands, ("shoreland", flag(true))),
    ] {
        let line = told(&book, kind, &[known]);
        rows.assert_cited(&line.citation, &["ME-01", "ME-03"]);
        rows.assert_cited(line.share_source(), &["ME-02"]);
        let widths = line.widths(None);
        assert_near(widths.reserve_m, bare_m, 1e-9, "no opening");
        assert_near(widths.reserve_m + widths.management_m, zone_m, 1e-9, "zone");
        assert_near(line.management_share, 1.0 - most_cut, 1e-12, "share");
        let trees = line.share_trees.expect("a share of trees");
        assert_eq!(trees.unit, TreeUnit::BasalArea);
        let inches = numbers_of(&rows.row("ME-02").inputs)[0];
        assert_near(trees.least_m, inches * 0.0254, 1e-9, "ME-02");
    }
    let stream = told(&book, Streams, &[("shoreland_ft", number(75.0))]);
    rows.assert_cited(&stream.citation, &["ME-04"]);
    assert_near(
        stream.widths(None).management_m,
        rows.numbers("ME-04")[0] * FOOT_M,
        1e-9,
        "ME-04",
    );
    assert!(told(&book, Streams, &[("shoreland_ft", number(0.0))]).asks_for_nothing());
    // An acre is 43,560 square feet.
    let clearcut = book
        .block
        .largest_opening_m2
        .as_ref()
        .expect("a largest clearcut");
    let acres_m2 = rows.numbers("ME-05")[0] * 43_560.0 * FOOT_M * FOOT_M;
    assert_near(clearcut.value, acres_m2, 0.01, "ME-05");
}

pub fn montana_zones(rows: &Rows) {
    let book = preset("mt-smz").unwrap();
    let feet = |id: &str| {
        let numbers = rows.numbers(id);
        assert_near(numbers[0] * FOOT_M, numbers[1], 0.005, id);
        numbers[0] * FOOT_M
    };
    let (base, steep) = (feet("US-15"), feet("US-16"));
    let low = told(&book, Streams, &[("erosion_risk", word("low"))]);
    let lake = named(&book, Lakes, "any");
    rows.assert_cited(&low.citation, &["US-15", "US-16", "MT-03"]);
    rows.assert_cited(&lake.citation, &["US-15", "US-16", "MT-03"]);
    assert!(rows.row("US-16").inputs.contains("> 35 %"));
    assert!(
        rows.row("MT-03")
            .expected
            .starts_with("prohibited in the whole SMZ")
    );

    let high = told(&book, Streams, &[("erosion_risk", word("high"))]);
    rows.assert_cited(&high.citation, &["MT-04", "MT-05", "MT-06", "MT-07"]);
    assert_eq!(
        rows.row("MT-07").expected,
        "equipment restriction, no tree reserve"
    );
    let limits = [
        "slopes > 25 % and < 35 %",
        "slopes >= 35 % and < 50 %",
        "slopes >= 50 %",
    ];
    let [from_25, from_35, from_50] =
        ["MT-04", "MT-05", "MT-06"].map(|id| rows.numbers(id)[0] * FOOT_M);
    for (id, limit) in ["MT-04", "MT-05", "MT-06"].into_iter().zip(limits) {
        assert_eq!(rows.row(id).inputs, limit);
    }
    // No machine in the zone; it is no reserve: trees stay by share in its first 50 ft.
    let off = |line: &RuleLine, slope: f64| line.widths(Some(slope)).machine_exclusion_m;
    for zone in [low, lake] {
        for (slope, wanted) in [
            (0.0, base),
            (0.35, base),
            (0.35_f64.next_up(), steep),
            (0.9, steep),
        ] {
            assert_near(off(zone, slope), wanted, 1e-9, &zone.id);
        }
    }
    for (slope, wanted) in [
        (0.0, base),
        (0.25, base),
        (0.25_f64.next_up(), from_25),
        (0.35_f64.next_down(), from_25),
        (0.35, from_35),
        (0.5_f64.next_down(), from_35),
        (0.5, from_50),
        (0.9, from_50),
    ] {
        assert_near(off(high, slope), wanted, 1e-9, &high.id);
    }
    for (zone, ids) in [
        (low, &["MT-01", "MT-02"][..]),
        (high, &["MT-01", "MT-02"]),
        (lake, &["MT-01"]),
    ] {
        rows.assert_cited(zone.share_source(), ids);
        for id in ids {
            assert_eq!(zone.management_share * 100.0, rows.numbers(id)[0], "{id}");
        }
        // Trees of 8 in and more; of both classes the greater number, 10 for each 100 ft.
        assert!(rows.row("MT-01").expected.contains("10 per 100 ft"));
        let per_length = zone.trees_per_length.unwrap();
        assert_eq!(per_length.trees, 10.0);
        assert_near(per_length.per_m, 100.0 * FOOT_M, 1e-9, &zone.id);
        assert!(rows.row("MT-01").inputs.contains("8 in dbh"));
        for least_m in [per_length.least_m, zone.share_trees.unwrap().least_m] {
            assert_near(least_m, 8.0 * FOOT_M / 12.0, 1e-9, &zone.id);
        }
        for slope in [None, Some(0.0), Some(0.4)] {
            let widths = zone.widths(slope);
            assert_eq!(widths.reserve_m, 0.0, "{}", zone.id);
            assert_near(widths.management_m, base, 1e-9, &zone.id);
        }
    }
    // Without a word on the risk the wider zone stands in.
    let assumed = book.find(Streams, None, &Facts::default(), Channel::None);
    assert!(matches!(assumed, Match::Assumed(line) if line.id == high.id));
}

const SITE_CLASSES: [&str; 5] = ["I", "II", "III", "IV", "V"];

/// `[total, core, inner, outer]` in feet against the lines of a site class on both sides of a channel width.
fn washington(
    rows: &Rows,
    book: &Rulebook,
    limit_ft: f64,
    row: impl Fn(usize, usize) -> (String, Vec<f64>),
) {
    for (site, class) in SITE_CLASSES.into_iter().enumerate() {
        let known = [("site_class", word(class))];
        let (narrow, wide) = (format!("{class}-narrow"), format!("{class}-wide"));
        let classes = [
            Some(narrow.as_str()),
            Some(narrow.as_str()),
            Some(wide.as_str()),
        ];
        let limit = ("channel", limit_ft * FOOT_M);
        assert_sides(book, Streams, &known, limit, classes);
        for (column, class) in [&narrow, &wide].into_iter().enumerate() {
            let (id, feet) = row(site, column);
            let [total, core, inner, outer] = feet[..] else {
                panic!("{id}: {feet:?}")
            };
            assert_eq!(core + inner + outer, total, "{id}");
            let line = named(book, Streams, class);
            rows.assert_cited(&line.citation, &[&id]);
            assert_eq!(line.distance, Distance::Horizontal);
            for slope in [None, Some(0.0), Some(0.7)] {
                let widths = line.widths(slope);
                assert_near(widths.reserve_m, core * FOOT_M, 1e-9, &id);
                assert_near(widths.management_m, (inner + outer) * FOOT_M, 1e-9, &id);
                assert_near(widths.reach_m(), total * FOOT_M, 1e-9, &id);
            }
            assert_eq!(line.management_share, 1.0);
        }
    }
}

pub fn washington_east(rows: &Rows) {
    let book = preset("wa-wac").unwrap();
    washington(rows, &book, 15.0, |site, column| {
        let id = format!("US-{}", 18 + 5 * column + site);
        let sign = if column == 0 { "<= 15 ft" } else { "> 15 ft" };
        assert!(rows.row(&id).inputs.contains(sign), "{id}");
        let feet = rows.numbers(&id);
        (id, feet)
    });
}

pub fn washington_west(rows: &Rows) {
    let book = fixture("washington-west");
    washington(rows, &book, 10.0, |site, column| {
        let id = format!("US-{}", 28 + site);
        assert_eq!(rows.row(&id).inputs, "stream <= 10 ft / > 10 ft");
        // `total 200 ft = 50 + 83 + 67 / 50 + 100 + 50`.
        let numbers = rows.numbers(&id);
        let parts = &numbers[1 + 3 * column..][..3];
        let feet = std::iter::once(&numbers[0]).chain(parts).copied().collect();
        (id, feet)
    });
}

pub fn single_figures_of_the_states(rows: &Rows) {
    let book = fixture("united-states");
    for (id, class) in [
        ("US-33", "Georgia trout"),
        ("US-34", "Texas perennial"),
        ("US-34", "Texas intermittent"),
    ] {
        let line = named(&book, Streams, class);
        rows.assert_cited(&line.citation, &[id]);
        assert_eq!(line.distance, Distance::Horizontal);
        let numbers = rows.numbers(id);
        let found = line.widths(Some(0.5)).reserve_m;
        assert_near(found, numbers[0] * FOOT_M, 1e-9, id);
        assert_near(found, numbers[1], 0.005, id);
    }
    // `25 + 2 s ft / 50 + 4 s ft`.
    let formulas = rows.numbers("US-37");
    let classes = ["general", "municipal"];
    for (class, formula) in classes.into_iter().zip(formulas.chunks(2)) {
        let line = named(&book, Streams, class);
        rows.assert_cited(&line.citation, &["US-37"]);
        assert!(matches!(line.reserve, Width::Formula { .. }));
        for percent in [0.0, 1.0, 35.0, 100.0] {
            let feet = formula[0] + formula[1] * percent;
            let found = line.widths(Some(percent / 100.0)).reserve_m;
            assert_near(found, feet * FOOT_M, 1e-9, class);
        }
    }
}
