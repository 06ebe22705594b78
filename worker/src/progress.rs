//! How far a running job is, readable from other threads.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

/// Progress of a job in units of its kind: bytes of an import, pairs of a reconciliation.
#[derive(Debug, Clone, Default)]
pub struct Progress {
    done: Arc<AtomicI64>,
    total: Arc<AtomicI64>,
}

impl Progress {
    /// States how much there is.
    pub fn set_total(&self, total: i64) {
        self.total.store(total, Ordering::Relaxed);
    }

    /// States how much is done.
    pub fn set_done(&self, done: i64) {
        self.done.store(done, Ordering::Relaxed);
    }

    /// Done, and of how much; a total of 0 is not known yet.
    #[must_use]
    pub fn get(&self) -> (i64, i64) {
        (self.done.load(Ordering::Relaxed), self.total.load(Ordering::Relaxed))
    }
}
