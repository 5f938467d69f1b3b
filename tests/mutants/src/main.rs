//! Puts every mutant of a list into one build, each switched on at run time, and tries some of them.
//!
//!   blockwright-mutants weave LIST TREE               rewrites the sources of TREE, a copy, until they build
//!   blockwright-mutants try TREE COUNT SEED TEST...   runs unit tests and those of the named files on COUNT of them; a file of
//!                                                     tests/ is named ROOM::FILE
//!
//! LIST is what `cargo mutants --list --json` prints: it decides what the mutants are.

mod trial;
mod weave;

use std::path::Path;

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    match words[..] {
        ["weave", list, tree] => weave::weave(Path::new(list), Path::new(tree)),
        ["try", tree, count, seed, ref names @ ..] => {
            let number = |word: &str| {
                word.parse::<u64>()
                    .expect("COUNT and SEED are whole numbers")
            };
            trial::try_some(Path::new(tree), number(count) as usize, number(seed), names);
        }
        _ => panic!("weave LIST TREE, or try TREE COUNT SEED TEST..."),
    }
}
