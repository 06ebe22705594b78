//! An opened installation: settings, store and a worker of its own.

use std::time::Duration;

use anyhow::Context as _;
use crossfoot_store::Store;
use crossfoot_store::access::Visitor;
use crossfoot_store::office::Role;
use crossfoot_worker::settings::Settings;
use crossfoot_worker::{JobEnd, Progress, Worker};

use crate::bar::Bar;

/// The installation that a command works on.
pub(crate) struct Installation {
    pub(crate) store: Store,
    pub(crate) office: String,
    pub(crate) worker: Worker,
}

/// Who works on the machine itself: whoever may run the program there may do what an operator may.
pub(crate) fn host() -> Visitor {
    Visitor { key: "command line".to_owned(), label: String::new(), office: None, role: Role::Operator }
}

/// How often a job that another worker has is looked at.
const LOOK_AGAIN: Duration = Duration::from_millis(200);

impl Installation {
    /// Opens the store and makes the office if it is new.
    pub(crate) async fn open(settings: &Settings) -> anyhow::Result<Installation> {
        let store = Store::open(&settings.store()).await.context("the store cannot be opened")?;
        store.office_ensure(&settings.office, &settings.office_name).await?;
        let worker =
            Worker::new(store.clone(), settings.lease_seconds)?.fetching_from(settings.fetch_rules()?);
        Ok(Installation { store, office: settings.office.clone(), worker })
    }

    /// Runs one job to its end here, or waits for the worker that has it.
    pub(crate) async fn run_job(&self, job: &str, label: &str) -> anyhow::Result<JobEnd> {
        let progress = Progress::default();
        let bar = Bar::start(label, progress.clone());
        let end = loop {
            if let Some((claim, end)) = self.worker.run_next(Some(job), &progress).await? {
                if claim.id != job {
                    // what stood in the way: left by a process that died
                    continue;
                }
                match end {
                    JobEnd::Failed { retry: true, .. } | JobEnd::Lost => {}
                    JobEnd::Done | JobEnd::Held(_) | JobEnd::Refused(_) | JobEnd::Failed { .. } => break end,
                }
            }
            let view = self.store.job_view(job).await?;
            match view.state.as_str() {
                "done" => break JobEnd::Done,
                "failed" => break JobEnd::Failed { reason: view.reason, retry: false },
                _ => tokio::time::sleep(LOOK_AGAIN).await,
            }
        };
        bar.finish().await;
        Ok(end)
    }
}
