//! What may go wrong beside the work: processes killed or stopped, a server that goes down, a full disk, commands at the
//! same time. What is done again leaves what an undisturbed run leaves, table by table.

#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::print_stdout,
    reason = "a test stops at the first surprise, and says how often it hit"
)]

#[path = "faults/aimed.rs"]
mod aimed;
#[path = "faults/chance.rs"]
mod chance;
#[path = "faults/ground.rs"]
mod ground;
#[path = "faults/kills.rs"]
mod kills;
#[path = "faults/leases.rs"]
mod leases;
#[path = "faults/server.rs"]
mod server;
#[path = "faults/space.rs"]
mod space;
#[path = "faults/together.rs"]
mod together;
#[path = "faults/volume.rs"]
mod volume;
