//! The hub.
