//! The published check values through the public API: class, facts and slope in, widths and shares out. Figures come from
//! the rows themselves, limits are tried exactly and on both sides, and no row of the fixture may go unused.

#[path = "../standards/canada.rs"]
mod canada;
#[path = "../standards/elsewhere.rs"]
mod elsewhere;
use crate::standards;
#[path = "../standards/united_states.rs"]
mod united_states;

use std::path::Path;

use standards::*;

macro_rules! checks {
    ($($place:ident::$name:ident),+ $(,)?) => {
        const CHECKS: &[fn(&Rows)] = &[$($place::$name),+];
        $(#[test]
        fn $name() {
            $place::$name(&Rows::new());
        })+
    };
}

checks![
    canada::british_columbia_streams,
    canada::british_columbia_wetlands_and_lakes,
    canada::british_columbia_shares,
    canada::british_columbia_left_to_the_project,
    canada::quebec_strips,
    canada::quebec_trails,
    canada::ontario_by_slope,
    united_states::minnesota_filter_strip,
    united_states::minnesota_riparian_zones,
    united_states::kentucky_zones,
    united_states::montana_zones,
    united_states::new_hampshire_zones,
    united_states::oregon_west,
    united_states::oregon_east,
    united_states::oregon_lakes,
    united_states::alaska_private_land,
    united_states::alaska_public_land,
    united_states::maine_shoreland,
    united_states::washington_east,
    united_states::washington_west,
    united_states::single_figures_of_the_states,
    elsewhere::united_kingdom_and_scotland,
    elsewhere::united_kingdom_least_buffers,
    elsewhere::tasmania,
    elsewhere::british_columbia_power_lines,
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
    assert_eq!(rows.by_id.len(), 128);
}

#[test]
fn the_fixture_is_a_copy_of_the_full_list() {
    let Some(full) = shared_rows() else { return };
    for (id, row) in rows_of(Path::new("fixtures/standards/rules.csv")) {
        assert_eq!(full.get(&id), Some(&row), "{id}");
    }
}

/// What was read of codes after the list was closed: the clause and its figure stand in the shared table.
#[test]
fn the_codes_are_as_they_were_read() {
    let Some(read) = shared_codes() else { return };
    for (id, row) in rows_of(Path::new("fixtures/standards/codes.csv")) {
        let clause = format!("{}{}", row.source.split(',').next().unwrap(), row.section);
        let figures = numbers_of(&row.expected);
        let alike = read.iter().any(|(own, figure)| {
            let read = numbers_of(figure);
            own.starts_with(&clause) && figures.iter().all(|number| read.contains(number))
        });
        assert!(alike, "{id}: {clause}");
    }
}

/// Clauses that were read after the shared tables were closed: each says where, what clause, and one figure at least.
#[test]
fn clauses_say_where_they_were_read() {
    let rows = rows_of(Path::new("fixtures/standards/clauses.csv"));
    assert!(!rows.is_empty());
    for (id, row) in rows {
        assert_eq!(row.status, "read in the source text", "{id}");
        assert!(row.section.starts_with('('), "{id}: no clause");
        let has_number = row.source.chars().any(|c| c.is_ascii_digit());
        assert!(has_number, "{id}: no section");
        assert!(!numbers_of(&row.expected).is_empty(), "{id}: no figure");
        assert!(row.cells[7].contains('/'), "{id}: not said where");
    }
}
