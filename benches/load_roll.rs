//! One step of the benchmark alone: a roll read where it lies, loaded and put in use, without the commands around it.
//!
//! ```text
//! load-roll --data DATA --roll roll.csv --layout layout.toml [--database URL] [--lines no]
//! ```
//!
//! Prints the counts of the edition and the seconds from opening the file to the edition being in use. Parsing and
//! writing run side by side as in the worker. `--lines no` reads a later edition without the index of the one before.
#![expect(clippy::print_stdout, reason = "the last line is the result")]
#![expect(clippy::print_stderr, reason = "what went wrong is told to the person at the terminal")]

use std::fs::File;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::mpsc as threads;
use std::time::Instant;

use crossfoot_roll::layout::Layout;
use crossfoot_roll::lines::KnownLines;
use crossfoot_roll::reader::{Batch, RollReader, Summary};
use crossfoot_store::in_place::{FileInPlace, Settled};
use crossfoot_store::load::{Feed, RollBatch};
use crossfoot_store::object::KeptFile;
use crossfoot_store::source::{EditionArrival, EditionNotes};
use crossfoot_store::{Store, StoreSettings};
use serde_json::json;
use tokio::sync::mpsc;

type Failure = Box<dyn std::error::Error + Send + Sync>;

struct Options {
    data: PathBuf,
    roll: PathBuf,
    layout: PathBuf,
    database: String,
    lines: bool,
}

#[tokio::main]
async fn main() -> ExitCode {
    match options(std::env::args().skip(1)) {
        None => {
            eprintln!("usage: load-roll --data DATA --roll FILE --layout FILE [--database URL] [--lines no]");
            ExitCode::from(2)
        }
        Some(options) => match run(&options).await {
            Ok(line) => {
                println!("{line}");
                ExitCode::SUCCESS
            }
            Err(error) => {
                eprintln!("load-roll: {error}");
                ExitCode::FAILURE
            }
        },
    }
}

fn options(mut arguments: impl Iterator<Item = String>) -> Option<Options> {
    let (mut data, mut roll, mut layout, mut database, mut lines) = (None, None, None, String::new(), true);
    while let Some(name) = arguments.next() {
        let value = arguments.next()?;
        match name.as_str() {
            "--data" => data = Some(PathBuf::from(value)),
            "--roll" => roll = Some(PathBuf::from(value)),
            "--layout" => layout = Some(PathBuf::from(value)),
            "--database" => database = value,
            "--lines" => lines = value != "no",
            _ => return None,
        }
    }
    Some(Options { data: data?, roll: roll?, layout: layout?, database, lines })
}

async fn run(options: &Options) -> Result<String, Failure> {
    let layout = Layout::from_toml(&std::fs::read_to_string(&options.layout)?)?;
    let settings = StoreSettings {
        database_url: options.database.clone(),
        data: options.data.clone(),
        objects: crossfoot_store::object::ObjectSettings::default(),
    };
    let store = Store::open(&settings).await?;
    let begun = Instant::now();
    let source = store.source_ensure(&layout.id, &layout).await?;
    let place = FileInPlace::look(&options.roll)?.ok_or("the roll is no file")?;
    let (files, notes) = ([place.unread()], EditionNotes::default());
    if store.edition_may_be_known(source.number, &layout.version(), &files).await? {
        let hashed = [place.hashed()?];
        let staged = store.edition_stage_in_place(&source, &layout, &hashed, &notes, true).await?;
        if let EditionArrival::Known { edition, .. } = staged {
            return Ok(json!({ "known": edition, "seconds": begun.elapsed().as_secs_f64() }).to_string());
        }
    }
    let EditionArrival::Staged { edition, job } =
        store.edition_stage_in_place(&source, &layout, &files, &notes, true).await?
    else {
        return Err("the roll is here already".into());
    };
    let claim = store.job_claim(600, Some(&job)).await?.ok_or("the job is another's")?;
    let (batches, receiver) = mpsc::channel(8);
    let (give_back, spent) = threads::channel();
    let reader = RollReader::new(place.open()?, &layout)?;
    let good_for = format!("{} {:016x}", layout.version(), reader.header_mark());
    let known = if options.lines { store.edition_lines(&source, &good_for).await? } else { None };
    let parsing = tokio::task::spawn_blocking(move || parse(reader, known, &batches, &spent));
    let feed = Feed::of_lines(receiver, give_back, Some(good_for));
    let mut loaded = store.edition_load(&claim, &source, edition, feed).await?;
    let loaded_at = begun.elapsed();
    let summary = parsing.await??;
    loaded.counts.rows_total = i64::try_from(summary.rows_total)?;
    let read = [KeptFile { sha256: summary.sha256, ..place.unread() }];
    if store.edition_settle(&claim, (source.number, edition), &read).await? != Settled::New {
        return Err("the roll is here already".into());
    }
    store.edition_make_current(&claim, &source, edition, &loaded).await?;
    let seconds = begun.elapsed().as_secs_f64();
    store.close().await;
    let c = loaded.counts;
    Ok(json!({
        "rows_total": c.rows_total, "rows_ok": c.rows_entered, "rejected": c.rows_rejected,
        "new": c.records_new, "changed": c.records_changed, "ended": c.records_ended,
        "unchanged": c.records_unchanged, "loaded": loaded_at.as_secs_f64(), "seconds": seconds,
    })
    .to_string())
}

fn parse(
    mut reader: RollReader<File>,
    mut known: Option<KnownLines>,
    batches: &mpsc::Sender<RollBatch>,
    spent: &threads::Receiver<RollBatch>,
) -> Result<Summary, Failure> {
    let (mut batch, mut lines) = (Batch::default(), Vec::new());
    while reader.next_lines(&mut batch, &mut lines, 512, known.as_mut())? {
        let mut full = spent.try_recv().unwrap_or_default();
        full.lines.clear();
        std::mem::swap(&mut full.rows.entries, &mut batch.entries);
        std::mem::swap(&mut full.rows.rejects, &mut batch.rejects);
        std::mem::swap(&mut full.lines, &mut lines);
        batches.blocking_send(full)?;
    }
    Ok(reader.finish()?)
}
