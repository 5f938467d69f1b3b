//! Each preset as `rules show` prints it. `INSTA_UPDATE=always cargo test --test rules_show` writes the snapshots anew.

use std::process::Command;

use blockwright::rulebook;

#[test]
fn every_preset_is_shown_on_pages_of_120_columns() {
    for name in rulebook::preset_names() {
        let shown = Command::new(env!("CARGO_BIN_EXE_blockwright"))
            .args(["rules", "show", name])
            .output()
            .unwrap();
        assert!(shown.status.success() && shown.stderr.is_empty(), "{name}");
        let page = String::from_utf8(shown.stdout).unwrap();
        assert!(page.lines().all(|row| row.chars().count() <= 120), "{name}");
        insta::with_settings!({ omit_expression => true, prepend_module_to_snapshot => false }, {
            insta::assert_snapshot!(format!("rules_show_{name}"), page)
        });
    }
}
