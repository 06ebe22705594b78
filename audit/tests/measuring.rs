//! Measuring against published and worked values. `measuring/cases.json` holds them, each with its source.

#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test stops at the first thing that is not there"
)]

#[path = "measuring/cases.rs"]
mod cases;
#[path = "measuring/sketch.rs"]
mod sketch;

#[path = "measuring/area.rs"]
mod area;
#[path = "measuring/closing.rs"]
mod closing;
#[path = "measuring/mistakes.rs"]
mod mistakes;
#[path = "measuring/spread.rs"]
mod spread;
