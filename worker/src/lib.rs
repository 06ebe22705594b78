//! Jobs and their order: loading editions, judging what stands to be judged. A library for the service, which runs it
//! inside on the embedded database, and the binary `crossfoot-worker` for machines of their own.

mod compact;
mod evidence;
pub mod fetch;
pub mod gates;
mod import;
mod judging;
mod keep;
pub mod nightly;
mod original;
mod progress;
pub mod quarantine;
mod reconcile;
pub mod runner;
pub mod settings;
pub mod standards;

pub use evidence::{EvidenceError, evidence};
pub use judging::{RejudgeError, Rejudged, rejudge};
pub use nightly::Nightly;
pub use progress::Progress;
pub use runner::{JobEnd, Worker, WorkerError};
pub use standards::Standards;
