//! Drawings: nothing covers a text, the scale is true, the same plan gives the same bytes, hostile text stays text.

#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test stops at the first thing that is not there"
)]

#[path = "plan/drawn.rs"]
mod drawn;
#[path = "plan/houses.rs"]
mod houses;

#[path = "plan/bytes.rs"]
mod bytes;
#[path = "plan/room.rs"]
mod room;
#[path = "plan/scale.rs"]
mod scale;
#[path = "plan/signs.rs"]
mod signs;
