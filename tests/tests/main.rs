//! The real binaries, from outside.

mod cli;
mod reckon;
