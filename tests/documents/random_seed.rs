//! Random tests draw from a seed that a file holds, unless another is asked for.

use proptest::test_runner::{Config, RngSeed};

#[test]
fn random_tests_draw_from_the_seed_in_force() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/.cargo/config.toml");
    let file: toml::Table = std::fs::read_to_string(path).unwrap().parse().unwrap();
    let kept = file["env"]["PROPTEST_RNG_SEED"].as_str().unwrap();
    let asked = std::env::var("PROPTEST_RNG_SEED").expect("cargo sets it");
    let in_force: u64 = asked.parse().unwrap();
    assert_eq!(Config::default().rng_seed, RngSeed::Fixed(in_force));
    assert!(kept.parse::<u64>().is_ok());
}
