//! Measured houses as documents: what is drawn, what is refused, and what areas come of it under each standard.

#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test stops at the first thing that is not there"
)]

#[path = "documents/house.rs"]
mod house;
#[path = "documents/loft.rs"]
mod loft;
#[path = "documents/plans.rs"]
mod plans;
#[path = "documents/telling.rs"]
mod telling;
