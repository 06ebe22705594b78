//! `crossfoot edition`: what becomes of the editions of a source, and what is expected of them.

use crossfoot_store::StoreError;
use crossfoot_store::access::Visitor;
use crossfoot_store::history::RecordVersion;
use crossfoot_store::limits::Limits;
use crossfoot_store::office::Role;
use crossfoot_store::source::Source;
use crossfoot_worker::JobEnd;
use crossfoot_worker::settings::Settings;

use crate::api::views::time;
use crate::arguments::{Decide, Edition, EditionLimits};
use crate::edition_words::{SelfReport, sentence};
use crate::installation::Installation;
use crate::outcome::{Outcome, complain, say, unless_mendable};

/// Editions that are listed at once.
const EDITIONS: i64 = 500;

/// Who decides on the host, as histories name it.
pub(crate) fn host() -> Visitor {
    Visitor {
        key: "host".to_owned(),
        label: "the command line".to_owned(),
        office: None,
        role: Role::Operator,
    }
}

/// Runs the command.
pub(crate) async fn run(settings: &Settings, what: &Edition) -> anyhow::Result<Outcome> {
    let installation = Installation::open(settings).await?;
    unless_mendable(carry_out(&installation, what).await)
}

async fn carry_out(installation: &Installation, what: &Edition) -> anyhow::Result<Outcome> {
    let store = &installation.store;
    match what {
        Edition::List { source } => list(installation, &store.source_by_id(source).await?).await?,
        Edition::Show { source, edition } => {
            let source = store.source_by_id(source).await?;
            show(installation, &source, *edition).await?;
        }
        Edition::Accept(decide) => {
            let source = store.source_by_id(&decide.source).await?;
            store.edition_accept(&source, decide.edition, &host()).await?;
            store.compaction_ask_when_due(&source).await?;
            say(&format!("{}: edition {} is in use now\n", source.id, decide.edition))?;
        }
        Edition::Refuse(decide) => {
            let source = store.source_by_id(&decide.source).await?;
            store.edition_reject(&source, decide.edition, &host(), &decide.reason).await?;
            say(&format!("{}: edition {} is given up\n", source.id, decide.edition))?;
        }
        Edition::Withdraw(decide) => withdraw(installation, decide).await?,
        Edition::Limits(limits) => return set_limits(installation, limits).await,
        Edition::Compact { source } => {
            let source = store.source_by_id(source).await?;
            let job = store.compaction_ask(&source).await?;
            if let JobEnd::Failed { reason, .. } =
                installation.run_job(&job, &format!("folding {}", source.id)).await?
            {
                complain(&format!("{}: {reason}", source.id));
                return Ok(Outcome::Failed);
            }
            let folded = store.source_by_id(&source.id).await?.folded_to();
            say(&format!("{}: changes up to edition {folded} are folded into the base\n", source.id))?;
        }
        Edition::History { source, parcel } => {
            return history(installation, &store.source_by_id(source).await?, parcel).await;
        }
    }
    Ok(Outcome::Done)
}

async fn list(installation: &Installation, source: &Source) -> anyhow::Result<()> {
    for edition in installation.store.edition_page(source.number, 0, EDITIONS).await? {
        let c = &edition.counts;
        let year = edition.roll_year.map(|year| format!(", {year}")).unwrap_or_default();
        let why = if edition.refusal.is_empty() { String::new() } else { format!(": {}", edition.refusal) };
        say(&format!(
            "{} {} ({}{year}), received {}: {} records, {} new, {} changed, {} gone{why}\n",
            edition.number,
            edition.state,
            edition.status,
            time(edition.received_at),
            c.rows_entered,
            c.records_new,
            c.records_changed,
            c.records_ended
        ))?;
    }
    Ok(())
}

/// What came of an edition and what its files say about themselves.
async fn show(installation: &Installation, source: &Source, number: i64) -> anyhow::Result<()> {
    let store = &installation.store;
    let edition = store.edition(source.number, number).await?;
    let year = edition.roll_year.map(|year| format!(", roll of {year}")).unwrap_or_default();
    say(&format!("{}: edition {number} is {} ({}{year})\n", source.id, edition.state, edition.status))?;
    for file in &edition.files {
        say(&format!("  {}, {} bytes, {}\n", plain(&file.told()), file.bytes, file.sha256))?;
    }
    for reason in &edition.held_for {
        say(&format!("  held: {}\n", plain(&sentence(&reason.sentence))))?;
    }
    if !edition.refusal.is_empty() {
        say(&format!("  {}\n", plain(&sentence(&edition.refusal))))?;
    }
    let c = &edition.counts;
    say(&format!(
        "  {} rows read, {} repeated, {} in quarantine; {} records: {} new, {} changed, {} gone, {} as before\n",
        c.rows_total,
        c.rows_repeated,
        c.rows_rejected,
        c.rows_entered,
        c.records_new,
        c.records_changed,
        c.records_ended,
        c.records_unchanged
    ))?;
    let Some(report) = SelfReport::read(store, &edition).await? else {
        return say(
            "  what the files say about themselves is not kept: they were not read yet, or by an older version\n",
        );
    };
    for remark in &report.check.remarks {
        say(&format!("  {}\n", plain(&sentence(&remark.sentence))))?;
    }
    for said in report.said(&edition) {
        say(&format!("\n{}\n", said.about))?;
        for sentence in said.sentences {
            say(&format!("  {}\n", plain(&sentence)))?;
        }
    }
    Ok(())
}

async fn withdraw(installation: &Installation, decide: &Decide) -> anyhow::Result<()> {
    let store = &installation.store;
    let source = store.source_by_id(&decide.source).await?;
    store.edition_withdraw(&source, decide.edition, &host(), &decide.reason).await?;
    let now = store.source_by_id(&decide.source).await?.current_edition;
    let now = now.map_or("no edition is in use".to_owned(), |n| format!("edition {n} is in use again"));
    say(&format!(
        "{}: edition {} is withdrawn, {now}; crossfoot reconcile judges what it had changed\n",
        source.id, decide.edition
    ))
}

async fn set_limits(installation: &Installation, given: &EditionLimits) -> anyhow::Result<Outcome> {
    let store = &installation.store;
    let source = store.source_by_id(&given.source).await?;
    let before = store.limits(source.number).await?;
    let share = |percent: Option<f64>, before: f64| percent.map_or(before, |percent| percent / 100.0);
    let limits = Limits {
        shrink_share: share(given.shrink, before.shrink_share),
        median_share: share(given.median, before.median_share),
        definition_share: share(given.alike, before.definition_share),
        definition_records: given.alike_records.unwrap_or(before.definition_records),
        header_columns: given.columns.unwrap_or(before.header_columns),
        every_days: match given.every {
            Some(0) => None,
            Some(days) => Some(days),
            None => before.every_days,
        },
        tolerance_days: given.tolerance.unwrap_or(before.tolerance_days),
        compact_share: share(given.fold, before.compact_share),
    };
    if limits != before {
        store.limits_keep(&source, &limits, &host()).await?;
    }
    let every = limits.every_days.map_or("no edition is expected".to_owned(), |days| {
        format!("an edition is expected every {days} days, overdue after {} more", limits.tolerance_days)
    });
    say(&format!(
        "{}: held when more than {:.1} % of the records are gone, more than {} columns that are not read change, the \
         median area moves by more than {:.1} %, or the areas of more than {:.1} % of the records, and of {} at least, \
         change alike; {every}; changes are folded beyond {:.0} % of the records\n",
        source.id,
        limits.shrink_share * 100.0,
        limits.header_columns,
        limits.median_share * 100.0,
        limits.definition_share * 100.0,
        limits.definition_records,
        limits.compact_share * 100.0
    ))?;
    Ok(Outcome::Done)
}

/// The key of a parcel number under the rule of the source's edition in use, or the number itself where it is a key.
pub(crate) async fn parcel_key(
    store: &crossfoot_store::Store,
    source: &Source,
    parcel: &str,
) -> Result<String, StoreError> {
    let Some(current) = source.current_edition else { return Ok(parcel.to_owned()) };
    let layout = store.edition(source.number, current).await?.layout;
    let key = layout.parcel.key_rule().compile().ok().and_then(|rule| rule.normalise_joined(parcel).ok());
    Ok(key.flatten().map_or_else(|| parcel.to_owned(), |key| key.as_str().to_owned()))
}

async fn history(installation: &Installation, source: &Source, parcel: &str) -> anyhow::Result<Outcome> {
    let key = parcel_key(&installation.store, source, parcel).await?;
    let versions = installation.store.record_history(source, &key).await?;
    if versions.is_empty() {
        complain(&format!("{}: no edition has or had the parcel {parcel}", source.id));
        return Ok(Outcome::Refused);
    }
    for (version, fields) in &versions {
        say(&format!("{}\n", version_line(version)))?;
        for change in fields {
            let or_none = |text: &Option<String>| plain(text.as_deref().unwrap_or("not stated"));
            let (from, to) = (or_none(&change.from), or_none(&change.to));
            say(&format!("  {}: {from} → {to}\n", plain(&change.field)))?;
        }
    }
    Ok(Outcome::Done)
}

/// Text of a file for a terminal: without control characters, which could move its cursor.
fn plain(text: &str) -> String {
    text.chars().map(|letter| if letter.is_control() { ' ' } else { letter }).collect()
}

/// A version in one line.
fn version_line(version: &RecordVersion) -> String {
    let record = &version.record;
    if version.what == "ended" {
        return format!("edition {}: gone", record.edition);
    }
    format!(
        "edition {}: {}, {} sq ft, value {}, built {}, class {}, line {}",
        record.edition,
        version.what,
        record.area.map_or("no".to_owned(), |area| area.to_square_feet(2)),
        record.value.map_or("none".to_owned(), |value| value.to_text()),
        record.year_built.map_or("unknown".to_owned(), |year| year.to_string()),
        if record.class.is_empty() { "none" } else { &record.class },
        record.line
    )
}
