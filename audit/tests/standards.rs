//! The definitions that come with the program, against what their sources say; what a definition must say; ceilings
//! beside an integration; and dimensions that are rounded.

#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test stops at the first thing that is not there"
)]

#[path = "standards/houses.rs"]
mod houses;

#[path = "standards/ceilings.rs"]
mod ceilings;
#[path = "standards/published.rs"]
mod published;
#[path = "standards/refused.rs"]
mod refused;
#[path = "standards/rounding.rs"]
mod rounding;
#[path = "standards/table.rs"]
mod table;
