//! The HTTP API from outside, through the built program, on both databases.

#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "a test stops at the first surprise")]

#[macro_use]
#[path = "end_to_end/both_databases.rs"]
mod both_databases;

#[path = "api/answers.rs"]
mod answers;
#[path = "api/demonstration.rs"]
mod demonstration;
#[path = "end_to_end/installation.rs"]
#[expect(dead_code, reason = "made for the end-to-end tests; some of it is of use here")]
mod installation;
#[path = "api/logs.rs"]
mod logs;
#[path = "api/look.rs"]
mod look;
#[path = "api/matrix.rs"]
mod matrix;
#[path = "api/measuring.rs"]
mod measuring;
#[path = "api/outside.rs"]
mod outside;
#[path = "api/packets.rs"]
mod packets;
#[path = "api/patience.rs"]
mod patience;
#[path = "api/quarantine.rs"]
mod quarantine;
#[path = "api/report.rs"]
mod report;
#[path = "api/schedules.rs"]
mod schedules;
#[path = "api/server.rs"]
mod server;
#[path = "api/sides.rs"]
mod sides;
#[path = "api/standards.rs"]
mod standards;
#[path = "end_to_end/town.rs"]
#[expect(dead_code, reason = "made for the end-to-end tests; some of it is of use here")]
mod town;
#[path = "api/uploads.rs"]
mod uploads;
