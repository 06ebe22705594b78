//! Measured houses as documents: what is drawn, what is refused, and what areas come of it under each standard.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

#[path = "documents/house.rs"]
mod house;
#[path = "documents/loft.rs"]
mod loft;
#[path = "documents/plans.rs"]
mod plans;
#[path = "documents/telling.rs"]
mod telling;
