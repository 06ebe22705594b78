//! A progress bar on a terminal; nothing elsewhere, so that logs and scripts see only the result.

use std::io::IsTerminal as _;
use std::time::Duration;

use crossfoot_worker::Progress;
use indicatif::{ProgressBar, ProgressStyle};
use tokio::task::JoinHandle;

/// A bar that follows a job until it is finished.
pub(crate) struct Bar {
    shown: Option<(ProgressBar, JoinHandle<()>)>,
}

const REFRESH: Duration = Duration::from_millis(100);

impl Bar {
    /// Shows a bar, if standard error is a terminal.
    pub(crate) fn start(label: &str, progress: Progress) -> Bar {
        if !std::io::stderr().is_terminal() {
            return Bar { shown: None };
        }
        let bar = ProgressBar::new(0);
        if let Ok(style) = ProgressStyle::with_template("{msg} {bar:40} {percent:>3} % {eta}") {
            bar.set_style(style);
        }
        bar.set_message(label.to_owned());
        let follower = bar.clone();
        let task = tokio::spawn(async move {
            loop {
                let (done, total) = progress.get();
                follower.set_length(total.unsigned_abs());
                follower.set_position(done.unsigned_abs());
                tokio::time::sleep(REFRESH).await;
            }
        });
        Bar { shown: Some((bar, task)) }
    }

    /// Takes the bar away.
    pub(crate) async fn finish(self) {
        if let Some((bar, task)) = self.shown {
            task.abort();
            let _aborted = task.await;
            bar.finish_and_clear();
        }
    }
}
