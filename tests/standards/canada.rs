//! British Columbia, Quebec and Ontario.

use blockwright::model::LayerKind::*;
use blockwright::rulebook::{MeasuredFrom, ShareOf, preset};

use crate::standards::*;

const HECTARE_M2: f64 = 10_000.0;

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
    let of_rest = book
        .lines
        .iter()
        .filter(|line| matches!(line.kind, Lakes | Wetlands) && line.widest().management_m > 0.0);
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
    let fish = "fish stream by gradient";
    assert_sides(
        &coast,
        Streams,
        &[],
        ("gradient", gradient),
        [Some(fish), None, None],
    );
    rows.assert_cited(&named(&coast, Streams, fish).citation, &["BC-09"]);
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
