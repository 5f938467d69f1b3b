//! Which classes speak of a dangerous tree.

/// Class of dangerous trees that field notes get.
pub const DANGER_TREE: &str = "danger tree";

/// Whether a class speaks of a dangerous tree, in plain English or French.
pub fn names_danger_tree(class: &str) -> bool {
    const NAMES: [&str; 9] = [
        "danger tree",
        "dangerous tree",
        "hazard tree",
        "hazardous tree",
        "arbre dangereux",
        "arbres dangereux",
        "arbre à risque",
        "arbres à risque",
        "arbre a risque",
    ];
    let class = super::power_line::plain(class);
    NAMES.iter().any(|name| class.contains(name))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dangerous_trees_are_told_by_their_class() {
        for class in [
            "Danger_Tree",
            "dangerous trees",
            "arbre dangereux",
            "ARBRE-À-RISQUE",
            "hazard tree 3",
        ] {
            assert!(names_danger_tree(class), "{class}");
        }
        // A tree that stays is none, nor is a snag that somebody keeps for birds.
        for class in ["tree", "leave tree", "snag", "arbre", "danger"] {
            assert!(!names_danger_tree(class), "{class}");
        }
    }
}
