//! The published check values through the public API: class, facts and slope in, widths and shares out. Figures come from
//! the rows themselves, limits are tried exactly and on both sides, and no row of the fixture may go unused.

mod standards;

use blockwright::model::{Facts, LayerKind::*};
use blockwright::rulebook::{Distance, MeasuredFrom, ShareOf, Width, preset};
use standards::*;

const HECTARE_M2: f64 = 10_000.0;

macro_rules! checks {
    ($($name:ident),+ $(,)?) => {
        const CHECKS: &[fn(&Rows)] = &[$(rows::$name),+];
        $(#[test]
        fn $name() {
            rows::$name(&Rows::new());
        })+
    };
}

checks![
    british_columbia_streams,
    british_columbia_wetlands_and_lakes,
    british_columbia_shares,
    british_columbia_left_to_the_project,
    quebec_strips,
    quebec_trails,
    ontario_by_slope,
    minnesota_filter_strip,
    minnesota_riparian_zones,
    kentucky_zones,
    montana_zones,
    washington_east,
    washington_west,
    single_figures_of_the_states,
    united_kingdom_and_scotland,
    tasmania,
];

#[test]
fn every_row_is_used() {
    let rows = Rows::new();
    for check in CHECKS {
        check(&rows);
    }
    let used = rows.used();
    let unused: Vec<&String> = rows.by_id.keys().filter(|id| !used.contains(*id)).collect();
    assert!(unused.is_empty(), "{unused:?}");
    assert_eq!(rows.by_id.len(), 80);
}

#[test]
fn the_fixture_is_a_copy_of_the_full_list() {
    let Some(full) = shared_rows() else { return };
    for (id, row) in Rows::new().by_id {
        assert_eq!(full.get(&id), Some(&row), "{id}");
    }
}

mod rows {
    use super::*;

    pub fn british_columbia_streams(rows: &Rows) {
        let book = preset("bc-fppr").unwrap();
        let classes = [
            ("BC-01", "S1-A", true, 150.0),
            ("BC-02", "S1-B", true, 60.0),
            ("BC-03", "S2", true, 12.0),
            ("BC-04", "S3", true, 3.0),
            ("BC-05", "S4", true, 1.0),
            ("BC-06", "S5", false, 5.0),
            ("BC-07", "S6", false, 1.0),
        ];
        for (id, class, fish, channel_m) in classes {
            let line = named(&book, Streams, class);
            rows.assert_cited(&line.citation, &[id]);
            for (fish, watershed) in [(fish, false), (false, fish)] {
                let known = [
                    ("fish", flag(fish)),
                    ("community_watershed", flag(watershed)),
                    ("channel", number(channel_m)),
                ];
                assert_eq!(told(&book, Streams, &known), line);
            }
            let wanted = rows.numbers(id);
            for slope in [None, Some(0.0), Some(0.9)] {
                let widths = line.widths(slope);
                let total_m = widths.reserve_m + widths.management_m;
                let found = [widths.reserve_m, widths.management_m, total_m];
                assert_eq!(found.as_slice(), wanted, "{id}");
            }
        }
        let water = |fish: bool| [("fish", flag(fish)), ("community_watershed", flag(false))];
        for (limit_m, classes) in [
            (100.0, ["S1-B", "S1-A", "S1-A"]),
            (20.0, ["S2", "S2", "S1-B"]),
            (5.0, ["S3", "S3", "S2"]),
            (1.5, ["S4", "S3", "S3"]),
        ] {
            let classes = classes.map(Some);
            assert_sides(&book, Streams, &water(true), ("channel", limit_m), classes);
        }
        let classes = [Some("S6"), Some("S6"), Some("S5")];
        assert_sides(&book, Streams, &water(false), ("channel", 3.0), classes);

        // The second reading: `50/20; 30/20; 20/20 m` for S1, S2 and S3.
        let second = rows.numbers("BC-08");
        for (class, pair) in ["S1-B", "S2", "S3"].into_iter().zip(second.chunks(2)) {
            let line = named(&book, Streams, class).widest();
            assert_eq!([line.reserve_m, line.management_m].as_slice(), pair);
        }
        // Half of a channel of 10 m lies between the centre line and the bank.
        let s2 = named(&book, Streams, "S2");
        assert_eq!(s2.measured_from, MeasuredFrom::Bank);
        assert!(rows.row("BC-10").inputs.contains("10 m wide"));
        assert_eq!(10.0 / 2.0 + s2.widest().reserve_m, rows.numbers("BC-10")[0]);
    }

    pub fn british_columbia_wetlands_and_lakes(rows: &Rows) {
        let book = preset("bc-fppr").unwrap();
        for (id, kind, class) in [
            ("BC-11", Wetlands, "W1"),
            ("BC-12", Wetlands, "W5"),
            ("BC-13", Lakes, "L1-B"),
            ("BC-14", Wetlands, "W2"),
            ("BC-15", Wetlands, "W3"),
            ("BC-16", Wetlands, "W4"),
            ("BC-17", Lakes, "L1-A"),
            ("BC-18", Lakes, "L2"),
            ("BC-19", Lakes, "L3"),
            ("BC-19", Lakes, "L4"),
        ] {
            let line = named(&book, kind, class);
            rows.assert_cited(&line.citation, &[id]);
            let wanted = rows.numbers(id);
            let widths = line.widths(Some(0.3));
            assert_eq!([widths.reserve_m, widths.management_m], wanted[..2], "{id}");
            if let Some(total_m) = wanted.get(2) {
                assert_eq!(widths.reach_m(), *total_m, "{id}");
            }
        }
        let dry = [("dry_unit", flag(true))];
        let other = [("dry_unit", flag(false))];
        let area = |hectares: f64| ("area", hectares * HECTARE_M2);
        for (known, middle) in [(&dry, "W2"), (&other, "W3")] {
            let sides = |limit, classes| assert_sides(&book, Wetlands, known, limit, classes);
            sides(area(5.0), [Some(middle), Some(middle), Some("W1")]);
            sides(area(1.0), [Some("W4"), Some(middle), Some(middle)]);
            sides(area(0.25), [None, Some("W4"), Some("W4")]);
        }
        for (known, middle) in [(&dry, "L2"), (&other, "L3")] {
            let sides = |limit, classes| assert_sides(&book, Lakes, known, limit, classes);
            sides(area(1000.0), [Some("L1-B"), Some("L1-A"), Some("L1-A")]);
            sides(area(5.0), [Some(middle), Some("L1-B"), Some("L1-B")]);
            sides(area(1.0), [Some("L4"), Some(middle), Some(middle)]);
            sides(area(0.25), [None, Some("L4"), Some("L4")]);
        }
    }

    pub fn british_columbia_shares(rows: &Rows) {
        let book = preset("bc-fppr").unwrap();
        let shares = rows.numbers("BC-20");
        let [large, small, rest] = shares[..] else {
            panic!("{shares:?}")
        };
        let of_streams = [
            ("S1-A", large),
            ("S1-B", large),
            ("S2", large),
            ("S3", large),
            ("S4", small),
            ("S5", small),
            ("S6", 0.0),
        ];
        let of_rest = book.lines.iter().filter(|line| {
            matches!(line.kind, Lakes | Wetlands) && line.widest().management_m > 0.0
        });
        let streams = of_streams
            .iter()
            .map(|(class, share)| (named(&book, Streams, class), *share));
        for (line, share) in streams.chain(of_rest.map(|line| (line, rest))) {
            assert_eq!(line.management_share * 100.0, share, "{}", line.id);
            if share > 0.0 {
                rows.assert_cited(line.share_source(), &["BC-20"]);
            }
        }

        rows.assert_cited(&book.retention_share.citation, &["BC-22"]);
        assert_near(
            book.retention_share.value * 100.0,
            rows.numbers("BC-22")[0],
            1e-12,
            "BC-22",
        );
        assert_eq!(book.share_of, ShareOf::Gross);
        let portfolio = book.block.portfolio_share.as_ref().unwrap();
        rows.assert_cited(&portfolio.citation, &["BC-21"]);
        assert_near(
            portfolio.value * 100.0,
            rows.numbers("BC-21")[0],
            1e-12,
            "BC-21",
        );

        // `blocks 40, 60, 20 ha with retention 1.5, 6.0, 0.9 ha`.
        let inputs = numbers_of(&rows.row("BC-23").inputs);
        let (blocks, retained) = inputs.split_at(3);
        let wanted = rows.numbers("BC-23");
        let share = retained.iter().sum::<f64>() / blocks.iter().sum::<f64>();
        assert_near(share * 100.0, wanted[0], 0.005, "BC-23");
        assert!(share >= portfolio.value - 1e-12);
        for ((block, kept), wanted) in blocks.iter().zip(retained).zip(&wanted[1..4]) {
            assert_near(kept / block * 100.0, *wanted, 0.005, "BC-23");
            assert!(kept / block >= book.retention_share.value);
        }
    }

    pub fn british_columbia_left_to_the_project(rows: &Rows) {
        let book = preset("bc-fppr").unwrap();
        assert!(book.block.largest_opening_m2.is_none() && book.block.influence.is_none());
        let (coast, north) = (
            fixture("british-columbia-coast"),
            fixture("british-columbia-north"),
        );
        for (book, hectares) in [&coast, &north].into_iter().zip(rows.numbers("BC-26")) {
            let largest = book.block.largest_opening_m2.as_ref().unwrap();
            rows.assert_cited(&largest.citation, &["BC-26"]);
            assert_eq!(largest.value, hectares * HECTARE_M2);
        }
        let influence = coast.block.influence.as_ref().unwrap();
        rows.assert_cited(&influence.share.citation, &["BC-27"]);
        for id in ["BC-27", "RT-01"] {
            assert!(rows.row(id).expected.starts_with('>'), "{id}");
            assert_eq!(influence.share.value * 100.0, rows.numbers(id)[0], "{id}");
            assert!(influence.more_than, "{id}");
        }
        let gradient = rows.numbers("BC-09")[0] / 100.0;
        let fish = Some("fish stream by gradient");
        assert_sides(
            &coast,
            Streams,
            &[],
            ("gradient", gradient),
            [fish, None, None],
        );
        rows.assert_cited(&named(&coast, Streams, fish.unwrap()).citation, &["BC-09"]);
    }

    pub fn quebec_strips(rows: &Rows) {
        let book = preset("qc-radf").unwrap();
        let strip_m = rows.numbers("QC-01")[0];
        let taken = rows.numbers("QC-02")[0] / 100.0;
        let limit = numbers_of(&rows.row("QC-02").inputs)[0] / 100.0;
        assert!(rows.row("QC-02").inputs.contains("< 30 %"));
        for kind in [Streams, Lakes, Wetlands] {
            // A feature without a class, and one of a class that the regulation does not tell apart.
            let plain = named(&book, kind, "any");
            rows.assert_cited(&plain.citation, &["QC-01"]);
            assert_eq!(plain.measured_from, MeasuredFrom::StandEdge);
            let partial = named(&book, kind, "partial-cut");
            rows.assert_cited(partial.share_source(), &["QC-02"]);
            assert_near(partial.management_share, 1.0 - taken, 1e-12, "QC-02");
            for slope in [0.0, limit.next_down(), limit, limit.next_up(), 1.0] {
                assert_eq!(plain.widths(Some(slope)).reserve_m, strip_m);
                let widths = partial.widths(Some(slope));
                let wanted = if slope < limit {
                    (0.0, strip_m)
                } else {
                    (strip_m, 0.0)
                };
                assert_eq!((widths.reserve_m, widths.management_m), wanted, "{slope}");
            }
        }
        assert_eq!(
            named(&book, Protected, "any").widest().reserve_m,
            rows.numbers("QC-04")[0]
        );
        rows.assert_cited(&named(&book, Protected, "any").citation, &["QC-04"]);
        let beside_m = rows.numbers("QC-05")[0];
        for (kind, fact, what) in [
            (Roads, "road_use", "corridor"),
            (Roads, "road_use", "listed trail"),
            (Protected, "site", "sugar bush"),
            (Protected, "site", "waste site"),
            (Protected, "site", "burial site"),
        ] {
            let line = told(&book, kind, &[(fact, word(what))]);
            rows.assert_cited(&line.citation, &["QC-05"]);
            assert_eq!(line.widest().reserve_m, beside_m, "{what}");
        }
        assert!(named(&book, Roads, "main").asks_for_nothing());
        let intermittent = told(&book, Streams, &[("flow", word("intermittent"))]);
        rows.assert_cited(&intermittent.citation, &["QC-08"]);
        let widths = intermittent.widest();
        assert_eq!(widths.machine_exclusion_m, rows.numbers("QC-08")[0]);
        assert_eq!((widths.reserve_m, widths.management_m), (0.0, 0.0));
    }

    pub fn quebec_trails(rows: &Rows) {
        let own = preset("qc-radf").unwrap().block.occupancy.unwrap();
        let growth = fixture("quebec-advance-growth").block.occupancy.unwrap();
        rows.assert_cited(&own.most.citation, &["QC-20"]);
        rows.assert_cited(&growth.most.citation, &["QC-21"]);
        assert_eq!(own.most.value * 100.0, rows.numbers("QC-20")[0]);
        assert_near(
            growth.most.value * 100.0,
            rows.numbers("QC-21")[0],
            1e-12,
            "QC-21",
        );
        assert!(rows.row("QC-20").expected.starts_with("< ") && own.less_than);
        assert!(rows.row("QC-21").expected.starts_with("<= ") && !growth.less_than);
        // Trails of 5 m: `25 % -> 20.00 m; 33 % -> 15.15 m`.
        let spacing = rows.numbers("QC-24");
        assert_near(5.0 / own.most.value, spacing[1], 0.005, "QC-24");
        assert_near(5.0 / growth.most.value, spacing[3], 0.005, "QC-24");
        // `4/20 = 20 %; 5/20 = 25 %; 5/15 = 33.33 %; 3/70 = 4.29 %`.
        let mut verdicts = Vec::new();
        for triple in rows.numbers("RT-06").chunks(3) {
            let share = triple[0] / triple[1];
            assert_near(share * 100.0, triple[2], 0.005, "RT-06");
            verdicts.push([&own, &growth].map(|limit| match limit.less_than {
                true => share < limit.most.value,
                false => share <= limit.most.value,
            }));
        }
        let wanted = [[true, true], [false, true], [false, false], [true, true]];
        assert_eq!(verdicts, wanted);
        // `20-40 % conventional; < 25 % (33 % with protection) in Quebec`.
        let band = &rows.row("RT-07").expected;
        assert!(band.contains("< 25 % (33 % with protection)"), "{band}");
    }

    pub fn ontario_by_slope(rows: &Rows) {
        let book = fixture("ontario");
        let line = named(&book, Streams, "any");
        let ids = ["ON-01", "ON-02", "ON-03", "ON-04"];
        rows.assert_cited(&line.citation, &ids);
        let widths = ids.map(|id| rows.numbers(id)[0]);
        for (id, width_m) in ids.into_iter().zip(widths) {
            // `slope 16-30 %`: both ends.
            for percent in numbers_of(&rows.row(id).inputs) {
                assert_eq!(
                    line.widths(Some(percent / 100.0)).reserve_m,
                    width_m,
                    "{id}"
                );
            }
        }
        for (limit, pair) in [0.15, 0.30, 0.45].into_iter().zip(widths.windows(2)) {
            assert_steps(line, limit, [pair[0], pair[0], pair[1]]);
        }
        assert_eq!(line.widths(None).reserve_m, widths[3]);
    }

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

    pub fn montana_zones(rows: &Rows) {
        let book = preset("mt-smz").unwrap();
        let feet = |id: &str| {
            let numbers = rows.numbers(id);
            assert_near(numbers[0] * FOOT_M, numbers[1], 0.005, id);
            numbers[0] * FOOT_M
        };
        let (base, steep) = (feet("US-15"), feet("US-16"));
        let zone = told(&book, Streams, &[("erosion_risk", word("low"))]);
        rows.assert_cited(&zone.citation, &["US-15", "US-16"]);
        assert!(rows.row("US-16").inputs.contains("> 35 %"));
        assert_steps(zone, 0.35, [base, base, steep]);
        assert_eq!(zone.widths(Some(0.0)).reserve_m, base);

        let zone = told(&book, Streams, &[("erosion_risk", word("high"))]);
        rows.assert_cited(&zone.citation, &["US-11", "US-12", "US-13", "US-14"]);
        for (id, limits) in [
            ("US-11", "25 < slope < 35 %"),
            ("US-12", "35 <= slope < 50 %"),
            ("US-13", "slope >= 50 %"),
        ] {
            assert_eq!(rows.row(id).inputs, limits);
        }
        let [from_25, from_35, from_50] = ["US-11", "US-12", "US-13"].map(feet);
        assert_steps(zone, 0.25, [base, base, from_25]);
        assert_steps(zone, 0.35, [from_25, from_35, from_35]);
        assert_steps(zone, 0.50, [from_35, from_50, from_50]);
        // No machine where the slope is more than 35 %: all of the zone, at 35 % itself none of it.
        let limit = rows.numbers("US-14")[0] / 100.0;
        assert!(rows.row("US-14").expected.starts_with("> "));
        for slope in [0.0, limit.next_down(), limit] {
            assert_eq!(zone.widths(Some(slope)).machine_exclusion_m, 0.0, "{slope}");
        }
        for slope in [limit.next_up(), 0.5_f64.next_down(), 0.5, 0.9] {
            let widths = zone.widths(Some(slope));
            assert_eq!(widths.machine_exclusion_m, widths.reserve_m, "{slope}");
        }
        // Without a word on the risk the wider zone stands in.
        let assumed = book.find(Streams, None, &Facts::default());
        assert!(
            matches!(assumed, blockwright::rulebook::Match::Assumed(line) if line.id == zone.id)
        );
    }

    const SITE_CLASSES: [&str; 5] = ["I", "II", "III", "IV", "V"];

    /// `[total, core, inner, outer]` in feet against the lines of a site class on both sides of a channel width.
    fn washington(
        rows: &Rows,
        name: &str,
        limit_ft: f64,
        row: impl Fn(usize, usize) -> (String, Vec<f64>),
    ) {
        let book = preset(name).unwrap();
        for (site, class) in SITE_CLASSES.into_iter().enumerate() {
            let known = [("site_class", word(class))];
            let (narrow, wide) = (format!("{class}-narrow"), format!("{class}-wide"));
            let classes = [
                Some(narrow.as_str()),
                Some(narrow.as_str()),
                Some(wide.as_str()),
            ];
            let limit = ("channel", limit_ft * FOOT_M);
            assert_sides(&book, Streams, &known, limit, classes);
            for (column, class) in [&narrow, &wide].into_iter().enumerate() {
                let (id, feet) = row(site, column);
                let [total, core, inner, outer] = feet[..] else {
                    panic!("{id}: {feet:?}")
                };
                assert_eq!(core + inner + outer, total, "{id}");
                let line = named(&book, Streams, class);
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
        washington(rows, "wa-wac", 15.0, |site, column| {
            let id = format!("US-{}", 18 + 5 * column + site);
            let sign = if column == 0 { "<= 15 ft" } else { "> 15 ft" };
            assert!(rows.row(&id).inputs.contains(sign), "{id}");
            let feet = rows.numbers(&id);
            (id, feet)
        });
    }

    pub fn washington_west(rows: &Rows) {
        washington(rows, "wa-wac-west", 10.0, |site, column| {
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

    pub fn united_kingdom_and_scotland(rows: &Rows) {
        let book = fixture("united-kingdom");
        let widths = rows.numbers("XX-01");
        let plain = [("abstraction", flag(false))];
        let classes = ["narrow", "middle", "wide"];
        for (class, width_m) in classes.into_iter().zip(&widths) {
            let line = named(&book, Streams, class);
            rows.assert_cited(&line.citation, &["XX-01"]);
            assert_eq!(line.widest().reserve_m, *width_m);
        }
        let [narrow, middle, wide] = classes.map(Some);
        assert_sides(
            &book,
            Streams,
            &plain,
            ("channel", 1.0),
            [narrow, narrow, middle],
        );
        assert_sides(
            &book,
            Streams,
            &plain,
            ("channel", 2.0),
            [middle, middle, wide],
        );
        let wanted = rows.numbers("XX-02");
        let lines = [
            told(&book, Streams, &[("abstraction", flag(true))]),
            named(&book, Lakes, "any"),
            named(&book, Wetlands, "any"),
        ];
        for (line, width_m) in lines.into_iter().zip([wanted[0], wanted[1], wanted[1]]) {
            rows.assert_cited(&line.citation, &["XX-02"]);
            assert_eq!(line.widest().reserve_m, width_m);
        }
        let woodland = named(&book, Protected, "ancient woodland");
        rows.assert_cited(&woodland.citation, &["XX-05"]);
        assert_eq!(woodland.widest().reserve_m, rows.numbers("XX-05")[0]);

        let book = fixture("scotland");
        let widths = rows.numbers("XX-03");
        for (class, width_m) in ["narrow", "wide"].into_iter().zip(widths) {
            let line = named(&book, Streams, class);
            rows.assert_cited(&line.citation, &["XX-03"]);
            assert_eq!(line.widest().reserve_m, width_m);
        }
        assert_sides(&book, Streams, &[], ("channel", 2.0), [narrow, wide, wide]);
    }

    pub fn tasmania(rows: &Rows) {
        let book = fixture("tasmania");
        let widths = rows.numbers("XX-04");
        for (class, width_m) in ["1", "2", "3", "4"].into_iter().zip(widths) {
            let line = named(&book, Streams, class);
            rows.assert_cited(&line.citation, &["XX-04"]);
            assert_eq!(line.widest().reserve_m, width_m);
        }
    }
}
