//! What is read: layers, rasters, tables, tracks, and what is said of bad ones.

#[path = "../fuzz/bodies/mod.rs"]
mod bodies;
#[path = "../run_binary/mod.rs"]
mod run_binary;
#[path = "../size/mod.rs"]
mod size;
#[path = "../sources_support/mod.rs"]
mod sources_support;
#[path = "../stream_files/mod.rs"]
mod stream_files;

use bodies::in_memory;

mod bad_input;
mod calibration;
mod dirty;
mod drawn_settings;
mod fuzz_corpus;
mod reading_words;
mod settings;
mod silent_loss;
mod sources_facts;
mod sources_formats;
mod sources_messages;
mod sources_real;
mod stand_rasters;
mod stand_table;
mod terrain;
mod tracks_read;
mod true_metres;
