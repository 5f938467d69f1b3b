//! blockwright turns the layers around a season of felling blocks into layouts that an operator can follow.
//!
//! Modules in reading order: plain words and lengths first, then the pure stages, then the two edges that touch
//! files, then what drives it all. The pure folders know no GDAL, no files and no clock.
//!
//! Where to begin: [`project::load`] reads a project file, [`batch::run`] lays its blocks out into a folder, [`batch::audit`]
//! measures a plan or a cut, [`batch::dispatch`] fills shifts. One block by itself is [`layout::lay_out`] and then
//! [`compliance::judge`]; rules are [`rulebook::preset`] or [`rulebook::parse`].

#![forbid(unsafe_code)]

pub mod audit;
pub mod compass;
pub mod compliance;
pub mod daylight;
pub mod geometry;
pub mod landbase;
pub mod layout;
pub mod model;
pub mod rulebook;
pub mod schedule;
pub mod units;

pub mod batch;
pub mod cli;
pub mod demo;
pub mod engines;
pub mod init;
pub mod outputs;
pub mod project;
pub mod sources;
pub mod terminal;
