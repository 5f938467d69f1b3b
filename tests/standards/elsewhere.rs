//! The United Kingdom and Tasmania, and power lines anywhere.

use blockwright::model::LayerKind::*;
use blockwright::model::{Fact, Facts};
use blockwright::rulebook::{self, preset};

use crate::standards::*;

pub fn united_kingdom_least_buffers(rows: &Rows) {
    let book = preset("uk-water").unwrap();
    for (id, class) in [("UK-01", "narrow"), ("UK-02", "middle"), ("UK-03", "wide")] {
        let line = named(&book, Streams, class);
        rows.assert_cited(&line.citation, &[id]);
        assert_eq!(line.widest().reserve_m, rows.numbers(id)[0]);
    }
    let [narrow, middle, wide] = ["narrow", "middle", "wide"].map(Some);
    assert_sides(
        &book,
        Streams,
        &[],
        ("channel", 1.0),
        [narrow, middle, middle],
    );
    assert_sides(
        &book,
        Streams,
        &[],
        ("channel", 2.0),
        [middle, middle, wide],
    );
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

pub fn british_columbia_power_lines(rows: &Rows) {
    let book = rulebook::preset("bc-fppr").unwrap();
    // Each row begins where the one before ends, which has the limit itself.
    let mut below_kv = 0.75;
    for id in ["PL-01", "PL-02", "PL-03"] {
        let limit_m = rows.numbers(id)[0];
        let up_to = numbers_of(&rows.row(id).inputs);
        let up_to_kv = up_to[1];
        for kv in [below_kv + 0.001, (below_kv + up_to_kv) / 2.0, up_to_kv] {
            let line = told(&book, PowerLines, &[(Facts::VOLTAGE_KV, Fact::Number(kv))]);
            rows.assert_cited(&line.citation, &[id]);
            assert_eq!(line.widest().reserve_m, limit_m, "{kv} kV");
        }
        below_kv = up_to_kv;
    }
}
