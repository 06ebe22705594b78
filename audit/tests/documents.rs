//! Measured houses as documents: what is drawn, what is refused, and what areas come of it under each standard.

#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "a test fails by panicking")]

#[path = "documents/angle.rs"]
mod angle;
#[path = "documents/ceilings.rs"]
mod ceilings;
#[path = "documents/corrupted.rs"]
mod corrupted;
#[path = "documents/house.rs"]
mod house;
#[path = "documents/levels.rs"]
mod levels;
#[path = "documents/loft.rs"]
mod loft;
#[path = "documents/mistakes.rs"]
mod mistakes;
#[path = "documents/plans.rs"]
mod plans;
#[path = "documents/properties.rs"]
mod properties;
#[path = "documents/refused.rs"]
mod refused;
#[path = "documents/sameness.rs"]
mod sameness;
#[path = "documents/sketch.rs"]
mod sketch;
#[path = "documents/walls.rs"]
mod walls;
