//! Batches on their way from a parser to the thread that writes, and back: whoever made the texts of a batch frees
//! them, since memory given back by another thread costs both of them a lock for each text.

use std::sync::mpsc as threads;

use crossfoot_roll::lines::Line;
use tokio::sync::mpsc;

use super::LoadBatch;

/// Rows with their lines in the file's order.
#[derive(Debug, Default)]
pub struct RollBatch {
    /// The rows that had to be read.
    pub rows: LoadBatch,
    /// Every row, those that are known included. Without them no line index is kept.
    pub lines: Vec<Line>,
}

/// What a load takes its batches from.
#[derive(Debug)]
pub struct Feed {
    batches: Batches,
    spent: Option<threads::Sender<RollBatch>>,
    /// What the line index is good for: its module. Without it none is kept.
    pub(super) good_for: Option<String>,
}

#[derive(Debug)]
enum Batches {
    Rows(mpsc::Receiver<LoadBatch>),
    Lines(mpsc::Receiver<RollBatch>),
}

impl From<mpsc::Receiver<LoadBatch>> for Feed {
    fn from(batches: mpsc::Receiver<LoadBatch>) -> Feed {
        Feed { batches: Batches::Rows(batches), spent: None, good_for: None }
    }
}

impl Feed {
    /// Batches that are given back once they are written, to be freed and filled again. `good_for` tells one kind of
    /// file from another (columns, rules of reading): an index is used for files of the same kind only.
    #[must_use]
    pub fn of_lines(
        batches: mpsc::Receiver<RollBatch>,
        spent: threads::Sender<RollBatch>,
        good_for: Option<String>,
    ) -> Feed {
        Feed { batches: Batches::Lines(batches), spent: Some(spent), good_for }
    }

    pub(super) async fn next(&mut self) -> Option<RollBatch> {
        match &mut self.batches {
            Batches::Rows(batches) => batches.recv().await.map(|rows| RollBatch { rows, lines: Vec::new() }),
            Batches::Lines(batches) => batches.recv().await,
        }
    }

    /// For a thread that may wait.
    pub(super) fn next_blocking(&mut self) -> Option<RollBatch> {
        match &mut self.batches {
            Batches::Rows(batches) => {
                batches.blocking_recv().map(|rows| RollBatch { rows, lines: Vec::new() })
            }
            Batches::Lines(batches) => batches.blocking_recv(),
        }
    }

    /// Gives a written batch back. A parser that is done needs it no more.
    pub(super) fn give_back(&self, batch: RollBatch) {
        if let Some(spent) = &self.spent {
            drop(spent.send(batch));
        }
    }
}
