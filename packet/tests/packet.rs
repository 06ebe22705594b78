//! Packets: sealed twice, damaged in every way, read by other people's programs.
#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test that fails shows its line; the helpers beside the tests are not seen as tests by clippy"
)]

mod packet {
    mod bags;
    mod damage;
    mod documents;
    mod outside;
    mod own;
    mod sample;
    mod sealing;
}
