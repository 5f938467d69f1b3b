//! What is written: outputs, maps, sheets, reports, dispatch.

#[path = "../browser/mod.rs"]
mod browser;
#[path = "../dispatch_support/mod.rs"]
mod dispatch_support;
#[path = "../in_memory/mod.rs"]
mod in_memory;
#[path = "../measured/mod.rs"]
mod measured;
#[path = "../once/mod.rs"]
mod once;
#[path = "../outputs_fixture/mod.rs"]
mod outputs_fixture;
#[path = "../run_binary/mod.rs"]
mod run_binary;
#[path = "../size/mod.rs"]
mod size;

mod dispatch_care;
mod dispatch_decks;
mod dispatch_done;
mod dispatch_files;
mod dispatch_keep;
mod dispatch_limits;
mod dispatch_news;
mod dispatch_runs;
mod dispatch_schedule;
mod dispatch_sheets;
mod exchange;
mod gis;
mod maps_settings;
mod notes;
mod outputs_files;
mod outputs_map;
mod people;
mod report;
mod sheets;
mod tracks;
mod written_shapes;
