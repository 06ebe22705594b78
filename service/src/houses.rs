//! Taking in measured houses from a file: a JSON array, NDJSON, or CSV. Good houses are saved, the others are set
//! aside with everything that is wrong with them; nothing is lost and nothing is half taken.

mod csv_form;
mod json_form;
mod rows;
mod walls_form;

use std::collections::HashMap;
use std::io::{BufRead, BufReader, Read, Write};

use crossfoot_audit::document::{DocumentReader, Problem};
use crossfoot_store::Store;
use crossfoot_store::measurement::{NewMeasurement, Saving};
use serde_json::{Value, json};
use tokio::sync::mpsc;

use crate::installation::Installation;
use crate::outcome::{Outcome, complain};

/// Houses saved in one transaction: each ends on disk, which takes milliseconds.
const HOUSES_A_BATCH: usize = 2_000;
/// Bytes of their documents, beyond which fewer are: field notes are long.
const BYTES_A_BATCH: usize = 1 << 20;
/// Houses set aside at once.
const HOUSES_ASIDE_A_BATCH: usize = 500;
/// Batches that may wait to be saved: they bound the memory.
const BATCHES_IN_FLIGHT: usize = 4;
/// Houses set aside whose problems are printed; the file of `--set-aside` has them all.
const ASIDE_SHOWN: i64 = 20;

/// A document with its place in the file, or why there is none at that place.
pub(crate) struct Placed {
    /// Such as `line 12` or `house 3`.
    pub(crate) place: String,
    /// The document, or what stood there and what is wrong with it.
    pub(crate) document: Result<Value, (String, Vec<Problem>)>,
    /// Where in the file the values of the document come from, as far as that can be told.
    pub(crate) lines: Lines,
}

impl Placed {
    fn new(place: String, document: Result<Value, (String, Vec<Problem>)>) -> Placed {
        Placed { place, document, lines: Lines::default() }
    }
}

/// Lines of the file by the JSON pointers of what was made of them.
#[derive(Debug, Default)]
pub(crate) struct Lines(HashMap<String, u64>);

impl Lines {
    /// The problems, each with the line of the closest value that the file has one for.
    pub(crate) fn mark(&self, mut problems: Vec<Problem>) -> Vec<Problem> {
        for problem in &mut problems {
            let mut pointer = problem.pointer.as_str();
            let line = loop {
                match (self.0.get(pointer), pointer.rsplit_once('/')) {
                    (Some(line), _) => break Some(line),
                    (None, Some((shorter, _))) => pointer = shorter,
                    (None, None) => break None,
                }
            };
            if let Some(line) = line {
                problem.detail = format!("line {line}: {}", problem.detail);
            }
        }
        problems
    }
}

/// What came of a file.
#[derive(Debug, Default)]
pub(crate) struct Taken {
    pub(crate) new: i64,
    pub(crate) new_version: i64,
    pub(crate) unchanged: i64,
    pub(crate) set_aside: i64,
}

impl Taken {
    /// Houses in the file.
    pub(crate) fn houses(&self) -> i64 {
        self.new + self.new_version + self.unchanged + self.set_aside
    }

    /// How it ends for scripts.
    pub(crate) fn outcome(&self) -> Outcome {
        match (self.set_aside, self.houses()) {
            (_, 0) => Outcome::Refused,
            (0, _) => Outcome::Done,
            (aside, all) if aside == all => Outcome::Refused,
            (_, _) => Outcome::Partly,
        }
    }
}

/// Takes in a file: it is read on a thread of its own, beside the saving of what was read before.
pub(crate) async fn take<'a>(
    installation: &'a Installation,
    file: impl Read + Send + 'static,
    name: &'a str,
    aside: Option<&'a mut (dyn Write + Send)>,
) -> anyhow::Result<Taken> {
    let mut taking = Taking { installation, name, aside, batches: 0, taken: Taken::default() };
    let reader = DocumentReader::new()?;
    let (batches, mut receiver) = mpsc::channel(BATCHES_IN_FLIGHT);
    let reading = tokio::task::spawn_blocking(move || read_all(file, &reader, &batches));
    while let Some(batch) = receiver.recv().await {
        taking.save(batch).await?;
    }
    reading.await?;
    if taking.taken.houses() == 0 {
        complain(&format!(
            "{name}: there is no house in the file: expected a JSON array, NDJSON, or CSV with a header"
        ));
    }
    Ok(taking.taken)
}

/// What was read of a file at once, in its order.
#[derive(Default)]
struct HouseBatch {
    good: Vec<NewMeasurement>,
    /// Bytes of the good houses' documents.
    bytes: usize,
    aside: Vec<Aside>,
}

impl HouseBatch {
    fn is_full(&self) -> bool {
        self.good.len() >= HOUSES_A_BATCH
            || self.bytes >= BYTES_A_BATCH
            || self.aside.len() >= HOUSES_ASIDE_A_BATCH
    }
}

/// A house that is set aside.
struct Aside {
    place: String,
    document: Value,
    problems: Vec<Problem>,
}

/// Reads a file to its end, or until nobody listens any more.
fn read_all(file: impl Read + Send, reader: &DocumentReader, batches: &mpsc::Sender<HouseBatch>) {
    let mut places = HashMap::new();
    let mut batch = HouseBatch::default();
    for placed in documents(BufReader::with_capacity(1 << 20, file)) {
        match read_one(reader, placed, &mut places) {
            Ok(house) => {
                batch.bytes += house.document.len();
                batch.good.push(house);
            }
            Err(aside) => batch.aside.push(aside),
        }
        if batch.is_full() && batches.blocking_send(std::mem::take(&mut batch)).is_err() {
            return;
        }
    }
    // whoever listened no longer has said why
    let _ended = batches.blocking_send(batch);
}

/// A house as it is saved; `places` knows where each reference of the file stood first.
fn read_one(
    reader: &DocumentReader,
    placed: Placed,
    places: &mut HashMap<String, String>,
) -> Result<NewMeasurement, Aside> {
    let Placed { place, document, lines } = placed;
    let document = match document {
        Ok(document) => document,
        Err((raw, problems)) => return Err(Aside { place, document: Value::String(raw), problems }),
    };
    let problems = match reader.read(&document) {
        Err(problems) => lines.mark(problems),
        Ok(measurement) => match places.get(&measurement.reference) {
            Some(first) => vec![repeated(&measurement.reference, first)],
            None => {
                places.insert(measurement.reference.clone(), place);
                return Ok(NewMeasurement { measurement, document: document.to_string() });
            }
        },
    };
    Err(Aside { place, document, problems })
}

/// How houses are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Form {
    /// One JSON array.
    Array,
    /// One JSON object a line.
    Lines,
    /// CSV, one part of a house a row, or one wall.
    Csv,
}

/// The documents of a file of a known form.
pub(crate) fn documents_as<'f>(
    form: Form,
    file: impl BufRead + Send + 'f,
) -> Box<dyn Iterator<Item = Placed> + Send + 'f> {
    match form {
        Form::Array => Box::new(json_form::array(file)),
        Form::Lines => Box::new(json_form::lines(file)),
        Form::Csv => {
            let sheet = rows::Sheet::open(file);
            if sheet.has(walls_form::SIGN) {
                Box::new(walls_form::houses(sheet))
            } else {
                Box::new(csv_form::houses(sheet))
            }
        }
    }
}

/// What is wrong with a second house of the same reference in one file.
pub(crate) fn repeated(reference: &str, first: &str) -> Problem {
    Problem {
        pointer: "/reference".to_owned(),
        detail: format!("{reference} stands in this file already, at {first}"),
        mend: "keep one of the two; a second visit comes in a file of its own".to_owned(),
    }
}

/// The documents of a file, in the form that its first character shows.
pub(crate) fn documents<'f>(
    mut file: impl BufRead + Send + 'f,
) -> Box<dyn Iterator<Item = Placed> + Send + 'f> {
    let first = file.fill_buf().ok().and_then(|bytes| {
        let text = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
        text.iter().copied().find(|byte| !byte.is_ascii_whitespace())
    });
    match first {
        None => Box::new(std::iter::empty()),
        Some(b'[') => documents_as(Form::Array, file),
        Some(b'{') => documents_as(Form::Lines, file),
        Some(_) => documents_as(Form::Csv, file),
    }
}

struct Taking<'a> {
    installation: &'a Installation,
    name: &'a str,
    aside: Option<&'a mut (dyn Write + Send)>,
    batches: u32,
    taken: Taken,
}

impl Taking<'_> {
    async fn save(&mut self, batch: HouseBatch) -> anyhow::Result<()> {
        for Aside { place, document, problems } in &batch.aside {
            self.set_aside(place, document, problems)?;
        }
        let full = batch.is_full();
        let store = &self.installation.store;
        for saved in store.measurement_save(&self.installation.office, batch.good).await? {
            match saved.saving {
                Saving::New => self.taken.new += 1,
                Saving::NewVersion => self.taken.new_version += 1,
                Saving::Unchanged => self.taken.unchanged += 1,
            }
        }
        self.batches += 1;
        if full && Store::statistics_due(self.batches) {
            store.statistics_refresh().await?;
        }
        Ok(())
    }

    fn set_aside(&mut self, place: &str, document: &Value, problems: &[Problem]) -> anyhow::Result<()> {
        self.taken.set_aside += 1;
        if self.taken.set_aside <= ASIDE_SHOWN {
            let reference = document
                .get("reference")
                .and_then(Value::as_str)
                .map(|r| format!(" ({r})"))
                .unwrap_or_default();
            for problem in problems {
                let pointer =
                    if problem.pointer.is_empty() { "the whole".to_owned() } else { problem.pointer.clone() };
                complain(&format!(
                    "{}, {place}{reference}: {pointer}: {}; {}",
                    self.name, problem.detail, problem.mend
                ));
            }
        } else if self.taken.set_aside == ASIDE_SHOWN + 1 {
            complain("… more houses are set aside: --set-aside FILE writes them all");
        }
        if let Some(out) = self.aside.as_mut() {
            let line =
                json!({ "file": self.name, "place": place, "problems": problems, "document": document });
            writeln!(out, "{line}")?;
        }
        Ok(())
    }
}
