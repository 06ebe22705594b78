//! What happened in a night, for the command, the API and the page: editions, runs, failures, schedules, notices.

use std::collections::BTreeMap;

use crossfoot_roll::check::Remark;
use crossfoot_store::notice::Notice;
use crossfoot_store::report::{EditionNews, RunNews};
use crossfoot_store::schedule::{Schedule, ScheduleKind};
use crossfoot_store::{Store, StoreError};
use crossfoot_worker::nightly::failed;
use serde::Serialize;
use utoipa::ToSchema;

use crate::api::views::time;
use crate::edition_words::sentence;

/// Files come before the run of the night: the report of the last night begins so long before it.
const NIGHT_BEFORE_US: i64 = 8 * 3600 * 1_000_000;
/// Without a nightly run the report covers so much.
const DAY_US: i64 = 24 * 3600 * 1_000_000;
/// Remarks on an edition that a report shows; the others are told with the edition.
const REMARKS_SHOWN: usize = 3;
/// Notices that a report reads at once.
const NOTICES_A_PAGE: i64 = 500;

/// Everything that happened since a moment.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct Night {
    /// The office.
    pub(crate) office: String,
    /// From when on.
    pub(crate) since: String,
    /// Until when.
    pub(crate) until: String,
    /// Every source, whether anything happened to it or not.
    pub(crate) sources: Vec<SourceNight>,
    /// Jobs that were given up.
    pub(crate) failures: Vec<Failure>,
    /// What is due by itself, and what last came of it.
    pub(crate) schedules: Vec<ScheduleState>,
    /// Events told, oldest first.
    pub(crate) notices: Vec<Told>,
}

/// What happened to a source.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct SourceNight {
    /// Its name.
    pub(crate) source: String,
    /// The edition in use.
    pub(crate) current_edition: Option<i64>,
    /// Editions that came.
    pub(crate) editions: Vec<EditionNight>,
    /// Runs of the office against it.
    pub(crate) runs: Vec<RunNight>,
    /// When the next edition is due, where one is expected.
    pub(crate) due_at: Option<String>,
    /// Whether that is past, with the tolerance.
    pub(crate) overdue: bool,
}

/// An edition that came.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct EditionNight {
    /// Its number within the source.
    pub(crate) edition: i64,
    /// staged, held, current, past, refused or withdrawn.
    pub(crate) state: String,
    /// Names of its files.
    pub(crate) files: Vec<String>,
    /// When it came.
    pub(crate) received_at: String,
    /// Rows read.
    pub(crate) rows: i64,
    /// Rows that repeat an earlier one.
    pub(crate) rows_repeated: i64,
    /// Rows in quarantine.
    pub(crate) rows_quarantined: i64,
    /// Rows that became records.
    pub(crate) records: i64,
    /// Records that were not there before.
    pub(crate) records_new: i64,
    /// Records with other content than before.
    pub(crate) records_changed: i64,
    /// Records that are gone.
    pub(crate) records_gone: i64,
    /// Records as before.
    pub(crate) records_unchanged: i64,
    /// Why it was refused, is held or was withdrawn, or empty.
    pub(crate) refusal: String,
    /// What its files say about themselves that is worth telling: rounding, damaged numbers, sums that fail, double rows.
    pub(crate) remarks: Vec<String>,
}

/// A run.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct RunNight {
    /// Its id.
    pub(crate) run: String,
    /// Why it ran.
    pub(crate) cause: String,
    /// counting, applying, held or done.
    pub(crate) state: String,
    /// Whether it is held for a person.
    pub(crate) held: bool,
    /// The edition that it read.
    pub(crate) edition: i64,
    /// Pairs judged.
    pub(crate) judged: i64,
    /// Pairs judged by outcome.
    pub(crate) outcomes: BTreeMap<String, i64>,
    /// Findings opened for the first time.
    pub(crate) opened: i64,
    /// Findings opened again.
    pub(crate) reopened: i64,
    /// Open findings whose figures moved.
    pub(crate) revised: i64,
    /// Findings closed, by reason.
    pub(crate) closed: BTreeMap<String, i64>,
    /// When it began.
    pub(crate) started_at: String,
    /// When it ended.
    pub(crate) ended_at: Option<String>,
}

/// A job that was given up.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct Failure {
    /// Its id.
    pub(crate) job: String,
    /// import or reconcile.
    pub(crate) kind: String,
    /// The source, where it is about one.
    pub(crate) source: Option<String>,
    /// Why.
    pub(crate) reason: String,
    /// When.
    pub(crate) at: String,
}

/// A schedule and what last came of it.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct ScheduleState {
    /// Its id.
    pub(crate) id: String,
    /// What is done.
    pub(crate) kind: String,
    /// The source, where it is about one.
    pub(crate) source: Option<String>,
    /// When: the cron expression.
    pub(crate) cron: String,
    /// The zone that it is meant in.
    pub(crate) time_zone: String,
    /// The folder, where one is looked at.
    pub(crate) folder: String,
    /// When it is due.
    pub(crate) next_at: String,
    /// When it last was.
    pub(crate) last_at: Option<String>,
    /// What came of it.
    pub(crate) last_result: String,
    /// Whether that failed, altogether or in part.
    pub(crate) failed: bool,
}

/// An event told.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct Told {
    /// Its kind.
    pub(crate) kind: String,
    /// The source, where it is about one.
    pub(crate) source: Option<String>,
    /// The office; none for all.
    pub(crate) office: Option<String>,
    /// The event as a sentence.
    pub(crate) detail: String,
    /// When.
    pub(crate) at: String,
}

/// Schedules of the office, and those of the installation.
///
/// # Errors
/// [`StoreError`] of the database.
pub(crate) async fn schedules_of(store: &Store, office: &str) -> Result<Vec<Schedule>, StoreError> {
    let mut entries = store.schedule_list().await?;
    entries.retain(|entry| entry.office.as_ref().is_none_or(|of| of == office));
    Ok(entries)
}

/// The begin of the last night: some hours before the newest nightly run of the office.
///
/// # Errors
/// [`StoreError`] of the database.
pub(crate) async fn last_night(store: &Store, office: &str) -> Result<i64, StoreError> {
    let entries = schedules_of(store, office).await?;
    let runs = entries.iter().filter(|entry| entry.kind == ScheduleKind::Reconcile);
    Ok(match runs.filter_map(|entry| entry.last_at).max() {
        Some(at) => at.saturating_sub(NIGHT_BEFORE_US),
        None => store.clock_us().await?.saturating_sub(DAY_US),
    })
}

impl Night {
    /// Everything that happened since a moment, microseconds UTC.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub(crate) async fn read(store: &Store, office: &str, since: i64) -> Result<Night, StoreError> {
        let until = store.clock_us().await?;
        // notices first: what one of them tells is then there among the rest
        let notices = notices(store, office, since).await?;
        let editions = store.report_editions(since).await?;
        let runs = store.report_runs(office, since).await?;
        let failures = store.report_failures(office, since).await?;
        let expected = store.expected_editions().await?;
        let due = |id: &str| expected.iter().find(|expected| expected.source == id);
        let mut sources = Vec::new();
        for source in store.source_list().await? {
            let mut came = Vec::new();
            for news in editions.iter().filter(|edition| edition.source == source.id) {
                let remarks = store.check_remarks(source.number, news.number).await?;
                came.push(EditionNight::of(news, remarks));
            }
            sources.push(SourceNight {
                due_at: due(&source.id).map(|expected| time(expected.due_at)),
                overdue: due(&source.id).is_some_and(|expected| expected.overdue),
                editions: came,
                runs: runs.iter().filter(|r| r.source == source.id).map(RunNight::from).collect(),
                current_edition: source.current_edition,
                source: source.id,
            });
        }
        let failures = failures.into_iter().map(|job| Failure {
            job: job.id,
            kind: job.kind,
            source: job.source,
            reason: job.reason,
            at: time(job.ended_at),
        });
        Ok(Night {
            office: office.to_owned(),
            since: time(since),
            until: time(until),
            sources,
            failures: failures.collect(),
            schedules: schedules(store, office).await?,
            notices,
        })
    }
}

async fn schedules(store: &Store, office: &str) -> Result<Vec<ScheduleState>, StoreError> {
    let mut states = Vec::new();
    for entry in schedules_of(store, office).await? {
        let source = match entry.source {
            None => None,
            Some(number) => Some(store.source_by_number(number).await?.id),
        };
        states.push(ScheduleState {
            kind: entry.kind.name().to_owned(),
            source,
            next_at: time(entry.next_at),
            last_at: entry.last_at.map(time),
            failed: failed(&entry),
            id: entry.id,
            cron: entry.cron,
            time_zone: entry.time_zone,
            folder: entry.folder,
            last_result: entry.last_result,
        });
    }
    Ok(states)
}

async fn notices(store: &Store, office: &str, since: i64) -> Result<Vec<Told>, StoreError> {
    let mut newest_first = Vec::new();
    let mut before = String::new();
    loop {
        let page = store.notice_page(office, &before, NOTICES_A_PAGE).await?;
        let Some(last) = page.last() else { break };
        before.clone_from(&last.id);
        let through = last.at < since;
        newest_first.extend(page.into_iter().filter(|notice| notice.at >= since).map(Told::from));
        if through {
            break;
        }
    }
    newest_first.reverse();
    Ok(newest_first)
}

impl From<Notice> for Told {
    fn from(notice: Notice) -> Told {
        Told {
            kind: notice.kind,
            source: notice.source,
            office: notice.office,
            detail: notice.detail,
            at: time(notice.at),
        }
    }
}

impl EditionNight {
    fn of(news: &EditionNews, remarks: Vec<Remark>) -> EditionNight {
        let c = &news.counts;
        EditionNight {
            edition: news.number,
            state: news.state.clone(),
            files: news.files.clone(),
            received_at: time(news.received_at),
            rows: c.rows_total,
            rows_repeated: c.rows_repeated,
            rows_quarantined: c.rows_rejected,
            records: c.rows_entered,
            records_new: c.records_new,
            records_changed: c.records_changed,
            records_gone: c.records_ended,
            records_unchanged: c.records_unchanged,
            refusal: news.refusal.clone(),
            remarks: remarks.into_iter().map(|remark| sentence(&remark.sentence)).collect(),
        }
    }

    /// The first remarks, and how many more there are.
    pub(crate) fn first_remarks(&self) -> (&[String], usize) {
        let shown = self.remarks.len().min(REMARKS_SHOWN);
        self.remarks.split_at_checked(shown).map_or((&[], 0), |(first, more)| (first, more.len()))
    }
}

impl From<&RunNews> for RunNight {
    fn from(news: &RunNews) -> RunNight {
        RunNight {
            run: news.id.clone(),
            cause: news.cause.clone(),
            state: news.state.clone(),
            held: news.state == "held",
            edition: news.edition,
            judged: news.counts.judged(),
            outcomes: news.counts.outcomes.clone(),
            opened: news.counts.opened,
            reopened: news.counts.reopened,
            revised: news.counts.revised,
            closed: news.counts.closed.clone(),
            started_at: time(news.started_at),
            ended_at: news.ended_at.map(time),
        }
    }
}

/// An edition in one line.
pub(crate) fn edition_line(e: &EditionNight) -> String {
    match e.state.as_str() {
        "refused" => format!("edition {} refused: {}", e.edition, e.refusal),
        "staged" => format!("edition {} is not loaded yet", e.edition),
        "held" => format!("edition {} is held for a person: {}", e.edition, e.refusal),
        "withdrawn" => format!("edition {} was withdrawn {}", e.edition, e.refusal).trim_end().to_owned(),
        state => format!(
            "edition {} ({state}): {} rows, {} in quarantine; {} records new, {} changed, {} gone",
            e.edition, e.rows, e.rows_quarantined, e.records_new, e.records_changed, e.records_gone
        ),
    }
}

/// A run in one line.
pub(crate) fn run_line(run: &RunNight) -> String {
    if run.judged == 0 && run.state == "done" {
        return format!("run against edition {}: nothing to judge", run.edition);
    }
    let closed: String =
        run.closed.iter().map(|(why, n)| format!(", {n} closed ({})", why.replace('_', " "))).collect();
    let state = match run.state.as_str() {
        "held" => "held for a person; would be: ",
        "done" => "",
        _ => "not through yet: ",
    };
    format!(
        "run against edition {}: {state}{} judged, {} opened, {} reopened, {} revised{closed}",
        run.edition, run.judged, run.opened, run.reopened, run.revised
    )
}
