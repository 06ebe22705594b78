//! The built programs from outside, on both databases: files in, exit codes, output and exports out.
//!
//! A scenario is a function of an installation and becomes two tests, one on SQLite and one on PostgreSQL. What the
//! figures must be is worked out by other code (`tests/oracle`) or by hand beside the scenario.

#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "a test stops at the first surprise")]

#[macro_use]
#[path = "end_to_end/both_databases.rs"]
mod both_databases;

#[path = "end_to_end/ames.rs"]
mod ames;
#[path = "end_to_end/archives.rs"]
mod archives;
#[path = "end_to_end/bad_houses.rs"]
mod bad_houses;
#[path = "end_to_end/bad_rolls.rs"]
mod bad_rolls;
#[path = "end_to_end/bad_settings.rs"]
mod bad_settings;
#[path = "end_to_end/bucket.rs"]
mod bucket;
#[path = "end_to_end/compared.rs"]
mod compared;
#[path = "end_to_end/demonstration.rs"]
mod demonstration;
#[path = "end_to_end/editions.rs"]
mod editions;
#[path = "end_to_end/exports.rs"]
mod exports;
#[path = "end_to_end/fetching.rs"]
mod fetching;
#[path = "end_to_end/findings.rs"]
mod findings;
#[path = "end_to_end/identifiers.rs"]
mod identifiers;
#[path = "end_to_end/installation.rs"]
mod installation;
#[path = "end_to_end/look.rs"]
mod look;
#[path = "end_to_end/many_machines.rs"]
mod many_machines;
#[path = "end_to_end/measure.rs"]
mod measure;
#[path = "end_to_end/offices.rs"]
mod offices;
#[path = "end_to_end/packed.rs"]
mod packed;
#[path = "end_to_end/packed_quarantine.rs"]
mod packed_quarantine;
#[path = "end_to_end/packed_tables.rs"]
mod packed_tables;
#[path = "end_to_end/processes.rs"]
mod processes;
#[path = "end_to_end/published.rs"]
mod published;
#[path = "end_to_end/rerunning.rs"]
mod rerunning;
#[path = "end_to_end/roll_checks.rs"]
mod roll_checks;
#[path = "api/server.rs"]
#[expect(dead_code, reason = "made for the tests of the API; some of it is of use here")]
mod server;
#[path = "end_to_end/sets.rs"]
mod sets;
#[path = "end_to_end/town.rs"]
mod town;
