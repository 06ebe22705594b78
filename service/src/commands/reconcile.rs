//! `crossfoot reconcile`: judge what stands to be judged.

use crossfoot_store::run::{RunCounts, RunView};
use crossfoot_worker::JobEnd;
use crossfoot_worker::settings::Settings;

use crate::arguments::Reconcile;
use crate::installation::Installation;
use crate::outcome::{Outcome, complain, say};

/// Runs the command.
pub(crate) async fn run(settings: &Settings, arguments: &Reconcile) -> anyhow::Result<Outcome> {
    let installation = Installation::open(settings).await?;
    reconcile(&installation, arguments.source.as_deref(), arguments.release).await
}

/// Reconciles with one source, or with all that have an edition, and says what came of it.
pub(crate) async fn reconcile(
    installation: &Installation,
    only: Option<&str>,
    release: bool,
) -> anyhow::Result<Outcome> {
    let store = &installation.store;
    let mut sources = Vec::new();
    for source in store.source_list().await?.into_iter().filter(|s| only.is_none_or(|only| only == s.id)) {
        // a source whose only edition was withdrawn has findings that are to be closed
        let waiting = store.pending_count(&installation.office, source.number).await?;
        if source.current_edition.is_some() || waiting > 0 {
            sources.push(source);
        }
    }
    if sources.is_empty() {
        complain("there is no such source with an edition: import a roll first");
        return Ok(Outcome::Refused);
    }
    let mut outcome = Outcome::Done;
    for source in sources {
        let job = store.run_request(&installation.office, &source, release).await?;
        let end = installation.run_job(&job, &format!("reconciling with {}", source.id)).await?;
        outcome = outcome.and(match &end {
            JobEnd::Done => Outcome::Done,
            JobEnd::Held(_) => Outcome::Held,
            JobEnd::Refused(_) | JobEnd::Failed { .. } | JobEnd::Lost => Outcome::Failed,
        });
        match &end {
            JobEnd::Failed { reason, .. } | JobEnd::Refused(reason) => {
                complain(&format!("{}: {reason}", source.id))
            }
            JobEnd::Held(reason) => {
                complain(&format!("{}: held. {reason} (crossfoot reconcile --release)", source.id))
            }
            JobEnd::Done | JobEnd::Lost => {}
        }
        let runs = store.run_list(&installation.office, i64::from(u16::MAX)).await?;
        if let Some(run) = runs.iter().find(|run| run.source == source.id) {
            say(&report(run))?;
            // the job may have run in another process, which alone knows why it held it
            if run.state == "held" && end == JobEnd::Done {
                complain(&format!("{}: held for a person (crossfoot reconcile --release)", source.id));
                outcome = outcome.and(Outcome::Held);
            }
        }
    }
    Ok(outcome)
}

fn report(run: &RunView) -> String {
    let RunCounts { opened, reopened, revised, .. } = run.counts;
    let outcomes: Vec<String> =
        run.counts.outcomes.iter().map(|(outcome, n)| format!("{n} {}", outcome.replace('_', " "))).collect();
    let closed: Vec<String> = run
        .counts
        .closed
        .iter()
        .map(|(reason, n)| format!(", {n} closed ({})", reason.replace('_', " ")))
        .collect();
    let would = if run.state == "held" { " would be" } else { "" };
    if run.counts.judged() == 0 {
        return format!("{}: nothing to judge\n", run.source);
    }
    format!(
        "{}: {} pairs judged against edition {} ({}); {opened} findings{would} opened, {reopened} reopened, {revised} revised{}\n",
        run.source,
        run.counts.judged(),
        run.edition,
        outcomes.join(", "),
        closed.join("")
    )
}
