//! Files as received that are not as they should be, each with what becomes of it: rows, quarantined rows with reason,
//! line and column, or the refusal; and well-formed files against other people's readers.
#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test that fails shows its line; the helpers beside the tests are not seen as tests by clippy"
)]

#[path = "roll/account.rs"]
#[expect(dead_code, reason = "the tests of the reader use more of it")]
mod account;
#[path = "hostile/cases.rs"]
mod cases;
#[path = "hostile/made.rs"]
mod made;
#[path = "hostile/outcome.rs"]
mod outcome;
#[path = "hostile/python.rs"]
mod python;
#[path = "hostile/quoted.rs"]
mod quoted;
