//! Trees of the district's stands by species and class of diameter, which add up to what layer `stands` says of them.

use std::fmt::Write as _;

/// The columns that a stand table has.
pub const HEADER: &str = "stand,species,dbh_from_cm,dbh_to_cm,stems_per_ha,tree_m3\n";

/// From the smallest class: its limits over the diameter of the mean tree, and its share of the stems.
const CLASSES: [(f64, f64, f64); 4] = [
    (0.4, 0.7, 0.28),
    (0.7, 1.0, 0.34),
    (1.0, 1.3, 0.28),
    (1.3, 1.8, 0.10),
];
/// Share of birch in the two smaller classes.
const BIRCH: f64 = 0.2;
/// A tree of 0.45 m3 is about this thick, and volume grows with this power of the diameter.
const MEAN_CM: f64 = 27.0;
const POWER: f64 = 2.5;

/// Adds the rows of one stand.
pub fn add(text: &mut String, stand: &str, stems_per_ha: f64, tree_m3: f64) {
    let mean_cm = MEAN_CM * (tree_m3 / 0.45).powf(1.0 / POWER);
    let limit = |of_mean: f64| (of_mean * mean_cm).round();
    let middle = |at: usize| (limit(CLASSES[at].0) + limit(CLASSES[at].1)) / 2.0;
    let mut stems = CLASSES.map(|(_, _, share)| (share * stems_per_ha).round());
    stems[0] += stems_per_ha - stems.iter().sum::<f64>();
    let weight: f64 = (0..4).map(|at| stems[at] * middle(at).powf(POWER)).sum();
    for at in 0..4 {
        let volume = stems_per_ha * tree_m3 * middle(at).powf(POWER) / weight;
        let birch = if at < 2 {
            (BIRCH * stems[at]).round()
        } else {
            0.0
        };
        for (species, count) in [("spruce", stems[at] - birch), ("birch", birch)] {
            if count > 0.0 {
                let (from, to) = (limit(CLASSES[at].0), limit(CLASSES[at].1));
                // Writing to a string does not fail.
                let _ = writeln!(text, "{stand},{species},{from},{to},{count},{volume:.4}");
            }
        }
    }
}
