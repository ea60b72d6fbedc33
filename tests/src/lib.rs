//! Shared scaffolding of the end-to-end tests.
