//! crate
