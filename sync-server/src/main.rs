//! The hub.
fn main() {}
