//! The real binaries, from outside.

mod cli;
mod demo;
mod hub;
mod reckon;
mod schedule;
mod season;
