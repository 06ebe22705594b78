//! The reader of rolls against hostile files, published examples and a plain reference reader.
#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test that fails shows its line; the helpers beside the tests are not seen as tests by clippy"
)]

#[path = "roll/account.rs"]
mod account;
#[path = "roll/archives.rs"]
mod archives;
#[path = "roll/assembly.rs"]
mod assembly;
#[path = "roll/checks.rs"]
mod checks;
#[path = "roll/headers.rs"]
mod headers;
#[path = "roll/hostile.rs"]
mod hostile;
#[path = "roll/layouts.rs"]
mod layouts;
#[path = "roll/memory.rs"]
mod memory;
#[path = "roll/published.rs"]
mod published;
#[path = "roll/reference.rs"]
mod reference;
#[path = "roll/shipped.rs"]
mod shipped;
