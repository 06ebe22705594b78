//! The field's knowledge of crossfoot, as pure functions on values: lengths and areas, houses, standards,
//! record figures, comparison and judgement.
//!
//! No I/O, no async, no clock, no randomness, no logging, no statics: same input, same output, everywhere.
//! Times, standards and policies are arguments.

pub mod area;
pub mod ceiling;
pub mod document;
pub mod drawing;
pub mod house;
pub mod judge;
pub mod jurisdiction;
pub mod length;
pub mod measure;
pub mod money;
pub mod plan;
pub mod record;
pub mod standard;
