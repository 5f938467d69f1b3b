//! What plans are judged by: the audit, certificates, invariants of whole districts.

#[path = "../audited/mod.rs"]
mod audited;
#[path = "../in_memory/mod.rs"]
mod in_memory;
#[path = "../measured/mod.rs"]
mod measured;
#[path = "../once/mod.rs"]
mod once;
#[path = "../run_binary/mod.rs"]
mod run_binary;
#[path = "../size/mod.rs"]
mod size;
#[path = "../sources_support/mod.rs"]
mod sources_support;

mod audit_agrees;
mod audit_by_hand;
mod audit_evidence;
mod audit_field;
mod audit_files;
mod audit_geos;
mod audit_mutations;
mod audit_seeded;
mod audit_tracks;
mod block_shares;
mod certificate;
mod change_raster;
mod demo_district;
mod depth_simulated;
mod doctored_plans;
mod driven_planned;
mod influence;
mod invariants;
mod left_counts;
mod map_accuracy;
mod planned_driven;
mod real_layers;
mod slopes_driven;
mod standing;
