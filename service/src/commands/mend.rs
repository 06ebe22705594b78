//! `crossfoot import mend`: mended rows of a quarantine.

use crossfoot_store::StoreError;
use crossfoot_store::mend::{MendArrival, MendNote};
use crossfoot_store::source::EditionArrival;

use crate::api::quarantine::{check_note, held, not_mended, overtaken};
use crate::arguments::ImportMend;
use crate::commands::import::{ended, report};
use crate::installation::{Installation, host};
use crate::outcome::{Outcome, complain, say};

/// Takes mended rows in.
pub(crate) async fn run(installation: &Installation, arguments: &ImportMend) -> anyhow::Result<Outcome> {
    let store = &installation.store;
    let refused = |why: String| {
        complain(&why);
        Ok(Outcome::Refused)
    };
    if let Err(problem) = check_note(&arguments.by, &arguments.reason) {
        return refused(problem.detail);
    }
    if let Err(error) = std::fs::File::open(&arguments.file) {
        return refused(format!("{}: {error}", arguments.file.display()));
    }
    let source = match store.source_by_id(&arguments.source).await {
        Err(StoreError::Missing { .. }) => {
            return refused(format!("there is no source {}", arguments.source));
        }
        found => found?,
    };
    let Some(edition) = arguments.edition.or(source.current_edition) else {
        return refused(format!("{} has no edition in use: import one first", source.id));
    };
    let published = match store.edition(source.number, edition).await {
        Err(StoreError::Missing { .. }) => {
            return refused(format!("{} has no edition {edition}", source.id));
        }
        found => found?,
    };
    if let Some(why) = not_mended(&published) {
        return refused(why);
    }
    let kept = store.object_keep(&arguments.file).await?;
    let note = MendNote { mended_by: arguments.by.trim(), reason: arguments.reason.trim() };
    let (number, job) = match store.mend_stage(&source, edition, &kept, note, &host()).await? {
        MendArrival::Held => return refused(held(edition)),
        MendArrival::Overtaken { current } => return refused(overtaken(edition, current)),
        MendArrival::Taken(EditionArrival::Known { edition, state }) => {
            say(&format!(
                "{}: these rows are here already as edition {edition} ({state}): nothing to do\n",
                source.id
            ))?;
            return Ok(Outcome::Done);
        }
        MendArrival::Taken(EditionArrival::Staged { edition, job }) => (edition, job),
    };
    let end = installation.run_job(&job, &format!("loading {}", source.id)).await?;
    let made = store.edition(source.number, number).await?;
    if let Some(outcome) = ended(&source, &made, end) {
        return Ok(outcome);
    }
    say(&format!(
        "{}: mends of edition {}, by {}\n",
        source.id,
        store.mend_root(source.number, number).await?,
        note.mended_by
    ))?;
    report(installation, &source, &made).await?;
    Ok(if made.counts.rows_rejected > 0 { Outcome::Partly } else { Outcome::Done })
}
