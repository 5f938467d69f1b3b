//! How blocks are laid out.

#[path = "../audited/mod.rs"]
mod audited;
#[path = "../in_memory/mod.rs"]
mod in_memory;
#[path = "../measured/mod.rs"]
mod measured;
#[path = "../run_binary/mod.rs"]
mod run_binary;
#[path = "../size/mod.rs"]
mod size;
#[path = "../standards/mod.rs"]
mod standards;

mod barriers;
mod block_rules;
mod bunches;
mod campaign;
mod closed_form;
mod corridor_spacings;
mod costs;
mod danger_trees;
mod decks;
mod deep_ground;
mod found_blocks;
mod hours;
mod large_blocks;
mod night;
mod overlapping_blocks;
mod patches;
mod planners_hand;
mod power_lines;
mod random_blocks;
mod rest_of_a_block;
mod retain;
mod slope_limits;
mod slope_widths;
mod steep_ground;
mod tree_rules;
mod ways;
mod wet_ground;
mod wet_ground_run;
mod wind;
mod windows;
