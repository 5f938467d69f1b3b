//! Documents, rulebooks and project files.

#[path = "../standards/mod.rs"]
mod standards;

mod all_faults;
mod architecture;
mod daylight;
mod dispatch_crew;
mod docs;
mod named_rooms;
mod presets_page;
mod project_files;
mod project_presets;
mod random_seed;
mod rule_ids;
mod rules_check;
mod rules_show;
mod schema_files;
mod standards_rules;
mod supply;
