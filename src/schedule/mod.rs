//! Who cuts what when: sections of finished layouts into the shifts of a crew, day-only work by daylight, night-safe
//! work first into the dark.
//!
//! [`calendar`] turns shifts into times, [`queue`] says in which order a block is worked, [`solve`] makes a plan and a
//! bound that no plan can beat, [`check()`] holds a plan against the rules anew, [`skidding`] follows the felling, and
//! [`outlook`] says in words what runs out.

mod anneal;
mod bound;
pub mod calendar;
mod check;
mod check_decks;
pub mod clear;
pub mod decks;
mod decode;
mod forest;
pub mod former;
pub mod idle;
mod orders;
pub mod outlook;
mod problem;
pub mod queue;
mod search;
pub mod skidding;
pub mod stock;
mod territories;
pub mod time;
mod tours;
pub mod wood;

pub use bound::{Bound, Limit, Scarce, lower_bound, skidding_bound};
pub use check::{
    Apart, Duty, Nearest, StockRule, check, check_apart, check_people, check_skidding, check_stock,
    check_wood,
};
pub use check_decks::{DeckRule, check_decks};
pub use problem::{
    Able, Block, HOUR, Machine, Moves, Needs, Only, Plan, Problem, STANDARD_PACE, Task, Unit,
    Upkeep, What, Window, Work, seconds_for, work_in,
};
pub use queue::held_up;
pub use search::{Solved, solve, solve_after};
pub use time::{Second, Stretch};
