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

use crate::installation::Installation;
use crate::outcome::{Outcome, complain};

/// Houses saved in one transaction.
const HOUSES_A_BATCH: usize = 500;
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

/// Takes in a file.
pub(crate) async fn take<'a>(
    installation: &'a Installation,
    file: impl Read + Send,
    name: &'a str,
    aside: Option<&'a mut (dyn Write + Send)>,
) -> anyhow::Result<Taken> {
    let mut taking = Taking {
        installation,
        reader: DocumentReader::new()?,
        name,
        aside,
        places: HashMap::new(),
        batch: Vec::new(),
        batches: 0,
        taken: Taken::default(),
    };
    for placed in documents(BufReader::with_capacity(1 << 20, file)) {
        taking.one(placed).await?;
    }
    taking.save().await?;
    if taking.taken.houses() == 0 {
        complain(&format!(
            "{name}: there is no house in the file: expected a JSON array, NDJSON, or CSV with a header"
        ));
    }
    Ok(taking.taken)
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
    reader: DocumentReader,
    name: &'a str,
    aside: Option<&'a mut (dyn Write + Send)>,
    places: HashMap<String, String>,
    batch: Vec<NewMeasurement>,
    batches: u32,
    taken: Taken,
}

impl Taking<'_> {
    async fn one(&mut self, placed: Placed) -> anyhow::Result<()> {
        let document = match placed.document {
            Ok(document) => document,
            Err((raw, problems)) => return self.set_aside(&placed.place, &Value::String(raw), &problems),
        };
        match self.reader.read(&document) {
            Err(problems) => self.set_aside(&placed.place, &document, &placed.lines.mark(problems)),
            Ok(measurement) => {
                if let Some(first) = self.places.get(&measurement.reference) {
                    let problem = repeated(&measurement.reference, first);
                    return self.set_aside(&placed.place, &document, &[problem]);
                }
                self.places.insert(measurement.reference.clone(), placed.place);
                self.batch.push(NewMeasurement { measurement, document: document.to_string() });
                if self.batch.len() >= HOUSES_A_BATCH { self.save().await } else { Ok(()) }
            }
        }
    }

    async fn save(&mut self) -> anyhow::Result<()> {
        let full = self.batch.len() >= HOUSES_A_BATCH;
        let batch = std::mem::take(&mut self.batch);
        for saved in self.installation.store.measurement_save(&self.installation.office, batch).await? {
            match saved.saving {
                Saving::New => self.taken.new += 1,
                Saving::NewVersion => self.taken.new_version += 1,
                Saving::Unchanged => self.taken.unchanged += 1,
            }
        }
        self.batches += 1;
        if full && Store::statistics_due(self.batches) {
            self.installation.store.statistics_refresh().await?;
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
