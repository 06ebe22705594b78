//! What is done by itself: schedules that are due are taken, by one process, and carried out.
//!
//! Taking moves the schedule's next time in one statement that names the time it was read with, so that of two
//! processes one gets it. The next time is counted from the database's clock as it is now, not from the time that was
//! due: what was missed while everything was down is caught up once. Until it is carried out, the schedule is due again
//! after some minutes, for another process, should this one die; doing it twice does nothing twice. Carrying out a schedule only records jobs, which
//! the workers share; a source whose file or job fails keeps none of the others waiting.
//!
//! Cost: one statement a look and process; a schedule that is due costs two more and what it records.

mod clock;
mod dropping;
mod sighting;
mod telling;

use std::collections::{HashMap, HashSet};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

pub use clock::{ClockError, next_after};
use crossfoot_store::limits::Expected;
use crossfoot_store::schedule::{Schedule, ScheduleKind};
use crossfoot_store::{Store, StoreError};
use dropping::Staged;
use jiff::Timestamp;
use sighting::Look;
pub(crate) use telling::tell;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;
use tracing::{info, warn};

use crate::runner::with_causes;

/// How often is looked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pace {
    /// Between two looks for schedules that are due.
    pub look: Duration,
    /// A dropped file must have stayed as it is for so long.
    pub settle: Duration,
}

/// The scheduler of one process.
#[derive(Debug, Clone)]
pub struct Nightly {
    store: Store,
    pace: Pace,
    /// Schedules that this process is carrying out.
    busy: Arc<Mutex<HashSet<String>>>,
    /// What this process last saw in each drop folder, by schedule.
    looks: Arc<Mutex<HashMap<String, Look>>>,
}

/// When a schedule that is being carried out is due again.
#[derive(Debug, Clone, Copy)]
struct Turn {
    /// Once it is carried out.
    next_at: i64,
    /// If this process dies meanwhile.
    again_at: i64,
}

/// What came of carrying out a schedule.
#[derive(Debug, Default)]
struct Outcome {
    /// What was done, each a phrase.
    done: Vec<String>,
    /// What failed, each a phrase with its reason.
    failed: Vec<String>,
    /// Files whose editions are being loaded.
    staged: Vec<Staged>,
    /// Whether the process was told to stop before it was through.
    broken_off: bool,
}

/// A process that took a schedule and is not through after so long is taken for dead, and another takes it.
const TAKEN_FOR_US: i64 = 300 * 1_000_000;
/// A schedule that cannot be computed is not looked at again for so long.
const UNREADABLE_AGAIN_US: i64 = 24 * 3600 * 1_000_000;
/// What `last_result` begins with when something failed.
const FAILED: &str = "failed: ";

/// Whether the last time of a schedule failed, altogether or in part.
#[must_use]
pub fn failed(schedule: &Schedule) -> bool {
    schedule.last_result.starts_with(FAILED)
}

impl Nightly {
    /// The scheduler of this process over a store.
    #[must_use]
    pub fn new(store: Store, pace: Pace) -> Nightly {
        Nightly { store, pace, busy: Arc::default(), looks: Arc::default() }
    }

    /// Looks for schedules that are due, and carries them out, until told to stop. A store that fails for a while is
    /// waited for.
    pub async fn run_until(self, stop: CancellationToken) {
        let mut tasks: JoinSet<Vec<Staged>> = JoinSet::new();
        while !stop.is_cancelled() {
            if let Err(error) = self.look(&mut tasks, &stop).await {
                warn!("the scheduler waits: {}", with_causes(&error));
            }
            tokio::select! {
                () = stop.cancelled() => {}
                () = tokio::time::sleep(self.pace.look) => {}
            }
            if let Err(error) = self.tell_overdue().await {
                warn!("what is overdue is told later: {}", with_causes(&error));
            }
            while let Some(ended) = tasks.try_join_next() {
                for staged in ended.unwrap_or_default() {
                    let (store, stop) = (self.store.clone(), stop.clone());
                    tasks.spawn(async move {
                        dropping::follow(&store, staged, &stop).await;
                        Vec::new()
                    });
                }
            }
        }
        while tasks.join_next().await.is_some() {}
    }

    /// Tells once of each source whose next edition is overdue, and of sets of files that are not complete.
    async fn tell_overdue(&self) -> Result<(), StoreError> {
        self.store.edition_sets_tend().await?;
        let day = |at: i64| Timestamp::from_microsecond(at).map(|at| at.strftime("%Y-%m-%d").to_string());
        let words = |expected: &Expected| {
            format!(
                "no edition came since {}, the next one was due on {}: ask the publisher, or set another pace",
                day(expected.last_at).unwrap_or_default(),
                day(expected.due_at).unwrap_or_default()
            )
        };
        for expected in self.store.overdue_to_tell(words).await? {
            warn!(source.id = %expected.source, "the next edition of {} is overdue", expected.source);
        }
        Ok(())
    }

    /// Takes what is due and begins to carry it out.
    async fn look(
        &self,
        tasks: &mut JoinSet<Vec<Staged>>,
        stop: &CancellationToken,
    ) -> Result<(), StoreError> {
        self.fetches().await?;
        for schedule in self.store.schedule_due().await? {
            if !locked(&self.busy).insert(schedule.id.clone()) {
                continue;
            }
            let busy = Busy { all: self.busy.clone(), id: schedule.id.clone() };
            let now = self.store.clock_us().await?;
            let next = next_after(&schedule.cron, &schedule.time_zone, now);
            let next_at = next.as_ref().map_or(now.saturating_add(UNREADABLE_AGAIN_US), |next| *next);
            let turn = Turn { next_at, again_at: next_at.min(now.saturating_add(TAKEN_FOR_US)) };
            if !self.store.schedule_take(&schedule, turn.again_at).await? {
                continue;
            }
            info!(schedule.id = %schedule.id, schedule.kind = schedule.kind.name(), "schedule {} is due", schedule.id);
            let (nightly, stop, unreadable) = (self.clone(), stop.clone(), next.err());
            tasks.spawn(async move {
                let staged = nightly.carry_out(&schedule, turn, unreadable, &stop).await;
                drop(busy);
                staged
            });
        }
        Ok(())
    }

    /// Asks for every source that is due to be fetched.
    async fn fetches(&self) -> Result<(), StoreError> {
        for fetch in self.store.fetch_due().await? {
            let now = self.store.clock_us().await?;
            let next_at = next_after(&fetch.cron, &fetch.time_zone, now)
                .unwrap_or_else(|_unreadable| now.saturating_add(UNREADABLE_AGAIN_US));
            if let Some(job) = self.store.fetch_take(&fetch, next_at).await? {
                info!(job.id = %job, "source {} is due to be fetched", fetch.source);
            }
        }
        Ok(())
    }

    /// Carries a schedule out and notes what came of it.
    async fn carry_out(
        &self,
        schedule: &Schedule,
        turn: Turn,
        unreadable: Option<ClockError>,
        stop: &CancellationToken,
    ) -> Vec<Staged> {
        let mut outcome = match (unreadable, schedule.kind) {
            (Some(error), _) => Outcome { failed: vec![error.to_string()], ..Outcome::default() },
            (None, ScheduleKind::Reconcile) => self.reconcile(schedule).await,
            (None, ScheduleKind::DropFolder) => self.drop_folder(schedule, stop).await,
        };
        // what was broken off is due as it was before
        let then = if outcome.broken_off { schedule.next_at } else { turn.next_at };
        let taken = Schedule { next_at: turn.again_at, ..schedule.clone() };
        if then != turn.again_at
            && let Err(error) = self.store.schedule_take(&taken, then).await
        {
            warn!(schedule.id = %schedule.id, "schedule {} comes again sooner: {}", schedule.id, with_causes(&error));
        }
        if let Err(error) = self.note(schedule, &outcome).await {
            warn!(schedule.id = %schedule.id, "the result of schedule {} was not kept: {}", schedule.id, with_causes(&error));
        }
        std::mem::take(&mut outcome.staged)
    }

    async fn note(&self, schedule: &Schedule, outcome: &Outcome) -> Result<(), StoreError> {
        let done = outcome.done.join("; ");
        if outcome.failed.is_empty() {
            return self.store.schedule_result(&schedule.id, &done).await;
        }
        let failed = outcome.failed.join("; ");
        warn!(schedule.id = %schedule.id, "schedule {} failed: {failed}", schedule.id);
        let beside = if done.is_empty() { String::new() } else { format!("; besides: {done}") };
        let result = format!("{FAILED}{failed}{beside}");
        self.store.schedule_result(&schedule.id, &result).await?;
        // a folder that is gone is told once, not every five minutes
        if result == schedule.last_result {
            return Ok(());
        }
        let detail = format!("{} at {}: {failed}", schedule.kind.name().replace('_', " "), schedule.cron);
        self.store.notice_write(schedule.office.as_deref(), schedule.source, "schedule_failed", &detail).await
    }

    /// Asks for a run over the schedule's source, or over every one, if it has an edition.
    async fn reconcile(&self, schedule: &Schedule) -> Outcome {
        let mut outcome = Outcome::default();
        let Some(office) = schedule.office.as_deref() else {
            outcome.failed.push("the schedule names no office: remove it and add it again".to_owned());
            return outcome;
        };
        let sources = match self.store.source_list().await {
            Ok(sources) => sources,
            Err(error) => {
                outcome.failed.push(with_causes(&error));
                return outcome;
            }
        };
        let wanted = |number: i64| schedule.source.is_none_or(|only| only == number);
        for source in sources.iter().filter(|s| s.current_edition.is_some() && wanted(s.number)) {
            match self.store.run_request_scheduled(office, source).await {
                Ok(_job) => outcome.done.push(format!("{}: a run is asked for", source.id)),
                Err(error) => outcome.failed.push(format!("{}: {}", source.id, with_causes(&error))),
            }
        }
        if outcome.done.is_empty() && outcome.failed.is_empty() {
            outcome.done.push("no source has an edition yet".to_owned());
        }
        outcome
    }
}

/// A schedule is being carried out as long as this lives, however the task ends.
struct Busy {
    all: Arc<Mutex<HashSet<String>>>,
    id: String,
}

impl Drop for Busy {
    fn drop(&mut self) {
        locked(&self.all).remove(&self.id);
    }
}

/// Both maps are whole after every statement: a task that panicked left nothing half done in them.
fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
