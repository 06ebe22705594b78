//! `crossfoot report`: what happened in a night.

use std::fmt::Write as _;

use crossfoot_worker::settings::Settings;
use jiff::Timestamp;

use crate::arguments::Report;
use crate::installation::Installation;
use crate::night::{Night, edition_line, last_night, run_line};
use crate::outcome::{Outcome, complain, say};

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
    let (store, office) = (&installation.store, installation.office.as_str());
    let since = match given {
        Some(since) => since,
        None => last_night(store, office).await?,
    };
    let night = Night::read(store, office, since).await?;
    if report.json {
        say(&format!("{}\n", serde_json::to_string_pretty(&night)?))?;
    } else {
        say(&text(&night)?)?;
    }
    Ok(Outcome::Done)
}

/// The report for people.
fn text(night: &Night) -> anyhow::Result<String> {
    let mut text = format!("{} since {}\n", night.office, night.since);
    for source in &night.sources {
        writeln!(text, "\n{}", source.source)?;
        if source.editions.is_empty() {
            writeln!(text, "  no edition came")?;
        }
        if let Some(due) = source.due_at.as_ref().filter(|_| source.overdue) {
            writeln!(text, "  overdue: an edition was due at {due}")?;
        }
        for edition in &source.editions {
            writeln!(text, "  {}", edition_line(edition))?;
            let (remarks, more) = edition.first_remarks();
            for remark in remarks {
                writeln!(text, "    {remark}")?;
            }
            if more > 0 {
                let of = format!("crossfoot edition show {} {}", source.source, edition.edition);
                writeln!(text, "    … and {more} more: {of}")?;
            }
        }
        for run in &source.runs {
            writeln!(text, "  {}", run_line(run))?;
        }
    }
    let failures = night.failures.iter().map(|f| (&f.at, &f.source, &f.kind, &f.reason));
    listed(&mut text, "Failed", failures.collect())?;
    let notices = night.notices.iter().map(|n| (&n.at, &n.source, &n.kind, &n.detail));
    listed(&mut text, "Notices", notices.collect())?;
    for schedule in &night.schedules {
        let source = schedule.source.as_ref().map(|s| format!(" {s}")).unwrap_or_default();
        writeln!(
            text,
            "\nSchedule {}{source}, {} {}: last at {}: {}",
            schedule.kind.replace('_', " "),
            schedule.cron,
            schedule.time_zone,
            schedule.last_at.as_deref().unwrap_or("–"),
            schedule.last_result
        )?;
    }
    Ok(text.chars().map(|c| if c.is_control() && c != '\n' { ' ' } else { c }).collect())
}

type Line<'a> = (&'a String, &'a Option<String>, &'a String, &'a String);

fn listed(text: &mut String, head: &str, lines: Vec<Line<'_>>) -> std::fmt::Result {
    if !lines.is_empty() {
        writeln!(text, "\n{head}")?;
    }
    for (at, source, kind, what) in lines {
        let source = source.as_deref().unwrap_or("–");
        writeln!(text, "  {at} {source} {}: {what}", kind.replace('_', " "))?;
    }
    Ok(())
}
