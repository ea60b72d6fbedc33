//! The headwalk command.
fn main() {}
