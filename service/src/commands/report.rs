//! `crossfoot report`: what happened in a night.

use std::fmt::Write as _;

use crossfoot_store::report::{EditionNews, RunNews};
use crossfoot_store::schedule::ScheduleKind;
use crossfoot_worker::nightly::failed;
use crossfoot_worker::settings::Settings;
use jiff::Timestamp;
use serde_json::{Value, json};

use super::schedule::own;
use crate::arguments::Report;
use crate::installation::Installation;
use crate::outcome::{Outcome, complain, say};

/// Files come before the run of the night: the report of the last night begins so long before it.
const NIGHT_BEFORE_US: i64 = 8 * 3600 * 1_000_000;
/// Without a nightly run the report covers so much.
const DAY_US: i64 = 24 * 3600 * 1_000_000;
/// Notices that a report reads at once.
const NOTICES_A_PAGE: i64 = 500;

/// Runs the command.
pub(crate) async fn run(settings: &Settings, report: &Report) -> anyhow::Result<Outcome> {
    let given = match report.since.as_deref().map(str::parse::<Timestamp>) {
        None => None,
        Some(Ok(since)) => Some(since.as_microsecond()),
        Some(Err(error)) => {
            complain(&format!("--since: {error}: give a time such as 2026-11-25T02:00:00Z"));
            return Ok(Outcome::Usage);
        }
    };
    let installation = Installation::open(settings).await?;
    let since = match given {
        Some(since) => since,
        None => last_night(&installation).await?,
    };
    let night = assemble(&installation, since).await?;
    say(&if report.json { format!("{night:#}\n") } else { text(&night)? })?;
    Ok(Outcome::Done)
}

/// The begin of the last night: some hours before the newest nightly run of the office.
async fn last_night(installation: &Installation) -> anyhow::Result<i64> {
    let entries = own(installation).await?;
    let runs = entries.iter().filter(|entry| entry.kind == ScheduleKind::Reconcile);
    Ok(match runs.filter_map(|entry| entry.last_at).max() {
        Some(at) => at.saturating_sub(NIGHT_BEFORE_US),
        None => installation.store.clock_us().await?.saturating_sub(DAY_US),
    })
}

/// Everything that happened since a moment, as it is sent to programs.
async fn assemble(installation: &Installation, since: i64) -> anyhow::Result<Value> {
    let (store, office) = (&installation.store, installation.office.as_str());
    let now = store.clock_us().await?;
    let editions = store.report_editions(since).await?;
    let runs = store.report_runs(office, since).await?;
    let failures = store.report_failures(office, since).await?;
    let mut sources = Vec::new();
    for source in store.source_list().await? {
        let of = |id: &str| id == source.id;
        sources.push(json!({
            "source": source.id,
            "current_edition": source.current_edition,
            "editions": editions.iter().filter(|e| of(&e.source)).map(edition).collect::<Result<Vec<_>, _>>()?,
            "runs": runs.iter().filter(|r| of(&r.source)).map(run_value).collect::<Result<Vec<_>, _>>()?,
        }));
    }
    let mut schedules = Vec::new();
    for entry in own(installation).await? {
        let source = match entry.source {
            None => None,
            Some(number) => Some(store.source_by_number(number).await?.id),
        };
        schedules.push(json!({
            "id": entry.id,
            "kind": entry.kind.name(),
            "source": source,
            "cron": entry.cron,
            "time_zone": entry.time_zone,
            "folder": entry.folder,
            "next_at": time(entry.next_at)?,
            "last_at": entry.last_at.map(time).transpose()?,
            "last_result": entry.last_result,
            "failed": failed(&entry),
        }));
    }
    let failures = failures.iter().map(|job| {
        Ok(json!({
            "job": job.id, "kind": job.kind, "source": job.source, "reason": job.reason, "at": time(job.ended_at)?
        }))
    });
    Ok(json!({
        "office": office,
        "since": time(since)?,
        "until": time(now)?,
        "sources": sources,
        "failures": failures.collect::<anyhow::Result<Vec<_>>>()?,
        "schedules": schedules,
        "notices": notices(installation, since).await?,
    }))
}

async fn notices(installation: &Installation, since: i64) -> anyhow::Result<Vec<Value>> {
    let mut newest_first = Vec::new();
    let mut before = String::new();
    loop {
        let page = installation.store.notice_page(&installation.office, &before, NOTICES_A_PAGE).await?;
        let Some(last) = page.last() else { break };
        before.clone_from(&last.id);
        let through = last.at < since;
        for notice in page.into_iter().filter(|notice| notice.at >= since) {
            newest_first.push(json!({
                "kind": notice.kind,
                "source": notice.source,
                "office": notice.office,
                "detail": notice.detail,
                "at": time(notice.at)?,
            }));
        }
        if through {
            break;
        }
    }
    newest_first.reverse();
    Ok(newest_first)
}

fn edition(news: &EditionNews) -> anyhow::Result<Value> {
    let c = &news.counts;
    Ok(json!({
        "edition": news.number,
        "state": news.state,
        "files": news.files,
        "received_at": time(news.received_at)?,
        "rows": c.rows_total,
        "rows_repeated": c.rows_repeated,
        "rows_quarantined": c.rows_rejected,
        "records": c.rows_entered,
        "records_new": c.records_new,
        "records_changed": c.records_changed,
        "records_gone": c.records_ended,
        "records_unchanged": c.records_unchanged,
        "refusal": news.refusal,
    }))
}

fn run_value(news: &RunNews) -> anyhow::Result<Value> {
    Ok(json!({
        "run": news.id,
        "cause": news.cause,
        "state": news.state,
        "held": news.state == "held",
        "edition": news.edition,
        "judged": news.counts.judged(),
        "outcomes": news.counts.outcomes,
        "opened": news.counts.opened,
        "reopened": news.counts.reopened,
        "revised": news.counts.revised,
        "closed": news.counts.closed,
        "started_at": time(news.started_at)?,
        "ended_at": news.ended_at.map(time).transpose()?,
    }))
}

fn time(at: i64) -> anyhow::Result<String> {
    Ok(Timestamp::from_microsecond(at)?.to_string())
}

/// The report for people.
fn text(night: &Value) -> anyhow::Result<String> {
    let word = |value: &Value, name: &str| value.get(name).and_then(Value::as_str).unwrap_or("–").to_owned();
    let items =
        |value: &Value, name: &str| value.get(name).and_then(Value::as_array).cloned().unwrap_or_default();
    let mut text = format!("{} since {}\n", word(night, "office"), word(night, "since"));
    for source in items(night, "sources") {
        let (editions, runs) = (items(&source, "editions"), items(&source, "runs"));
        writeln!(text, "\n{}", word(&source, "source"))?;
        if editions.is_empty() {
            writeln!(text, "  no edition came")?;
        }
        for edition in &editions {
            writeln!(text, "  {}", edition_line(edition))?;
        }
        for run in &runs {
            writeln!(text, "  {}", run_line(run))?;
        }
    }
    for (head, name) in [("Failed", "failures"), ("Notices", "notices")] {
        let all = items(night, name);
        if !all.is_empty() {
            writeln!(text, "\n{head}")?;
        }
        for item in all {
            let what = if name == "failures" { word(&item, "reason") } else { word(&item, "detail") };
            writeln!(
                text,
                "  {} {} {}: {what}",
                word(&item, "at"),
                word(&item, "source"),
                word(&item, "kind").replace('_', " ")
            )?;
        }
    }
    for schedule in items(night, "schedules") {
        let source =
            schedule.get("source").and_then(Value::as_str).map(|s| format!(" {s}")).unwrap_or_default();
        writeln!(
            text,
            "\nSchedule {}{source}, {} {}: last at {}: {}",
            word(&schedule, "kind").replace('_', " "),
            word(&schedule, "cron"),
            word(&schedule, "time_zone"),
            word(&schedule, "last_at"),
            word(&schedule, "last_result")
        )?;
    }
    Ok(text.chars().map(|c| if c.is_control() && c != '\n' { ' ' } else { c }).collect())
}

fn number(value: &Value, name: &str) -> i64 {
    value.get(name).and_then(Value::as_i64).unwrap_or_default()
}

fn edition_line(edition: &Value) -> String {
    let state = edition.get("state").and_then(Value::as_str).unwrap_or_default();
    let n = |name: &str| number(edition, name);
    match state {
        "refused" => format!(
            "edition {} refused: {}",
            n("edition"),
            edition.get("refusal").and_then(Value::as_str).unwrap_or_default()
        ),
        "staged" => format!("edition {} is not loaded yet", n("edition")),
        _ => format!(
            "edition {} ({state}): {} rows, {} in quarantine; {} records new, {} changed, {} gone",
            n("edition"),
            n("rows"),
            n("rows_quarantined"),
            n("records_new"),
            n("records_changed"),
            n("records_gone")
        ),
    }
}

fn run_line(run: &Value) -> String {
    let n = |name: &str| number(run, name);
    if n("judged") == 0 && run.get("state").and_then(Value::as_str) == Some("done") {
        return format!("run against edition {}: nothing to judge", n("edition"));
    }
    let closed: String = run
        .get("closed")
        .and_then(Value::as_object)
        .into_iter()
        .flatten()
        .map(|(reason, n)| format!(", {n} closed ({})", reason.replace('_', " ")))
        .collect();
    let state = match run.get("state").and_then(Value::as_str).unwrap_or_default() {
        "held" => "held for a person; would be: ",
        "done" => "",
        _ => "not through yet: ",
    };
    format!(
        "run against edition {}: {state}{} judged, {} opened, {} reopened, {} revised{closed}",
        n("edition"),
        n("judged"),
        n("opened"),
        n("reopened"),
        n("revised")
    )
}
