//! Nights: schedules, drop folders and the report, through the built programs, on both databases.

#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "a test stops at the first surprise")]

#[macro_use]
#[path = "end_to_end/both_databases.rs"]
mod both_databases;

#[path = "nightly/commands.rs"]
mod commands;
#[path = "nightly/folders.rs"]
mod folders;
#[path = "end_to_end/installation.rs"]
#[expect(dead_code, reason = "made for the end-to-end tests; some of it is of use here")]
mod installation;
#[path = "nightly/machine.rs"]
mod machine;
#[path = "nightly/nights.rs"]
mod nights;
#[path = "end_to_end/town.rs"]
#[expect(dead_code, reason = "made for the end-to-end tests; some of it is of use here")]
mod town;
