//! Batches on their way from a parser to the thread that writes, and back: whoever made the texts of a batch frees
//! them, since memory given back by another thread costs both of them a lock for each text.

use std::sync::mpsc as threads;

use tokio::sync::mpsc;

use super::LoadBatch;

/// What a load takes its batches from.
#[derive(Debug)]
pub struct Feed {
    batches: mpsc::Receiver<LoadBatch>,
    spent: Option<threads::Sender<LoadBatch>>,
}

impl From<mpsc::Receiver<LoadBatch>> for Feed {
    fn from(batches: mpsc::Receiver<LoadBatch>) -> Feed {
        Feed { batches, spent: None }
    }
}

impl Feed {
    /// Batches that are given back once they are written, to be freed and filled again.
    #[must_use]
    pub fn returning(batches: mpsc::Receiver<LoadBatch>, spent: threads::Sender<LoadBatch>) -> Feed {
        Feed { batches, spent: Some(spent) }
    }

    pub(super) async fn next(&mut self) -> Option<LoadBatch> {
        self.batches.recv().await
    }

    /// For a thread that may wait.
    pub(super) fn next_blocking(&mut self) -> Option<LoadBatch> {
        self.batches.blocking_recv()
    }

    /// Gives a written batch back. A parser that is done needs it no more.
    pub(super) fn give_back(&self, batch: LoadBatch) {
        if let Some(spent) = &self.spent {
            drop(spent.send(batch));
        }
    }
}
