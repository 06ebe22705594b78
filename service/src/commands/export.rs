//! `crossfoot export`: findings, judgements and quarantined rows as CSV or NDJSON.

use std::io::Write;

use crossfoot_store::StoreError;
use crossfoot_store::object::KeptFile;
use crossfoot_store::queue::PairView;
use crossfoot_store::record::RejectView;
use crossfoot_store::source::{Edition, Source};
use crossfoot_worker::quarantine::{MendFormError, MendForms, Shown};
use crossfoot_worker::settings::Settings;
use serde_json::{Value, json};

use crate::api::editions::change_json;
use crate::api::quarantine::{groups, not_opened};
use crate::api::views::Pair;
use crate::arguments::{Export, ExportWhat, Form};
use crate::installation::Installation;
use crate::outcome::{Outcome, complain};
use crate::recorded::{Recorded, value_row, with_values};

/// Rows read at once.
const PAGE: i64 = 1000;

/// Runs the command.
pub(crate) async fn run(settings: &Settings, arguments: &Export) -> anyhow::Result<Outcome> {
    let installation = Installation::open(settings).await?;
    let of_a_source = matches!(arguments.what, ExportWhat::Rejects | ExportWhat::Changes);
    if of_a_source && arguments.source.is_none() {
        complain("export rejects and export changes need --source");
        return Ok(Outcome::Usage);
    }
    if let Some(source) = &arguments.source
        && let Err(StoreError::Missing { .. }) = installation.store.source_by_id(source).await
    {
        complain(&format!("there is no source {source}"));
        return Ok(Outcome::Refused);
    }
    let out: Box<dyn Write + Send> = match &arguments.out {
        None => Box::new(crate::outcome::Out),
        Some(path) => Box::new(std::fs::File::create(path)?),
    };
    let mut sink = Sink::new(std::io::BufWriter::new(out), arguments.format);
    match arguments.what {
        ExportWhat::Findings | ExportWhat::Judgements | ExportWhat::Records => {
            pairs(&installation, arguments, &mut sink).await?
        }
        ExportWhat::Rejects => {
            let source = arguments.source.as_deref().unwrap_or_default();
            return quarantine(&installation, source, arguments, sink).await;
        }
        ExportWhat::Changes => changes(&installation, arguments, &mut sink).await?,
    }
    sink.finish()?;
    Ok(Outcome::Done)
}

/// Pairs row by row, findings in NDJSON with the values of their records; or those values, one a row.
async fn pairs(installation: &Installation, arguments: &Export, sink: &mut Sink) -> anyhow::Result<()> {
    let mut recorded = Recorded::new(&installation.store);
    let nested = arguments.what == ExportWhat::Findings && matches!(arguments.format, Form::Ndjson);
    let (mut property, mut source) = (String::new(), 0);
    loop {
        let page = installation.store.pair_page(&installation.office, (&property, source), PAGE).await?;
        let Some(last) = page.last() else { return Ok(()) };
        (property, source) = (last.property.clone(), last.source_number);
        let asked = page.into_iter().filter(|pair| {
            let asked = arguments.what != ExportWhat::Findings || pair.finding.is_some();
            asked && arguments.source.as_ref().is_none_or(|only| *only == pair.source)
        });
        let asked: Vec<PairView> = asked.collect();
        if arguments.what == ExportWhat::Records {
            let values = recorded.of(&asked).await?;
            for (pair, values) in asked.iter().zip(&values) {
                for value in values {
                    sink.row(&value_row(pair, value))?;
                }
            }
        } else if nested {
            for row in with_values(&asked, &recorded.of(&asked).await?) {
                sink.row(&row)?;
            }
        } else {
            for pair in &asked {
                sink.row(&pair_json(pair))?;
            }
        }
    }
}

/// The quarantine of an edition: row by row, counted, or as rows to be mended.
async fn quarantine(
    installation: &Installation,
    source: &str,
    arguments: &Export,
    mut sink: Sink,
) -> anyhow::Result<Outcome> {
    let store = &installation.store;
    let source = store.source_by_id(source).await?;
    let Some(current) = source.current_edition else {
        sink.finish()?;
        return Ok(Outcome::Done);
    };
    let number = arguments.edition.unwrap_or(current);
    let refused = |why: String| {
        complain(&why);
        Ok(Outcome::Refused)
    };
    let edition = match store.edition(source.number, number).await {
        Err(StoreError::Missing { .. }) => {
            return refused(format!("{} has no edition {number}: edition {current} is in use", source.id));
        }
        found => found?,
    };
    if let Some(why) = not_opened(&source, &edition) {
        return refused(why);
    }
    if arguments.to_mend {
        return to_mend(installation, &source, &edition, arguments, sink.into_inner()?).await;
    }
    if arguments.summary {
        for group in groups(store.reject_groups(&source, number).await?, &edition) {
            let first = group.examples.first();
            sink.row(&json!({
                "reason": group.reason,
                "column": group.column,
                "rows": group.rows,
                "first_file": first.map(|row| &row.file),
                "first_line": first.map(|row| row.line),
                "first_detail": first.map(|row| &row.detail),
            }))?;
        }
    } else {
        rejects(installation, &source, &edition, &mut sink).await?;
    }
    sink.finish()?;
    Ok(Outcome::Done)
}

async fn to_mend(
    installation: &Installation,
    source: &Source,
    edition: &Edition,
    arguments: &Export,
    mut out: Out,
) -> anyhow::Result<Outcome> {
    let store = &installation.store;
    let shown = if arguments.whole { Shown::Whole } else { Shown::Mapped };
    let forms = match MendForms::open(store, source, edition, arguments.file, shown).await {
        Ok(forms) => forms,
        Err(error @ (MendFormError::NoSuchFile { .. } | MendFormError::Apart)) => {
            complain(&format!("{error}: --file 1 is the first"));
            return Ok(Outcome::Refused);
        }
        Err(error @ MendFormError::Tables) => {
            complain(&error.to_string());
            return Ok(Outcome::Refused);
        }
        Err(error) => return Err(error.into()),
    };
    out.write_all(&forms.header())?;
    let mut after = 0;
    loop {
        let page = store.reject_list(source, edition.number, after, PAGE).await?;
        let Some(last) = page.last() else { break };
        after = last.number;
        out.write_all(&forms.rows(store, &page).await?)?;
    }
    out.flush()?;
    Ok(Outcome::Done)
}

async fn rejects(
    installation: &Installation,
    source: &Source,
    edition: &Edition,
    sink: &mut Sink,
) -> anyhow::Result<()> {
    let store = &installation.store;
    let files = &edition.files;
    let mut after = 0;
    loop {
        let page = store.reject_list(source, edition.number, after, PAGE).await?;
        let Some(last) = page.last() else { return Ok(()) };
        after = last.number;
        for reject in &page {
            let file = usize::try_from(reject.file).ok().and_then(|n| files.get(n));
            sink.row(&reject_json(reject, &file.map(KeptFile::told).unwrap_or_default()))?;
        }
    }
}

async fn changes(installation: &Installation, arguments: &Export, sink: &mut Sink) -> anyhow::Result<()> {
    let store = &installation.store;
    let source = store.source_by_id(arguments.source.as_deref().unwrap_or_default()).await?;
    let Some(edition) = arguments.edition.or(source.current_edition) else { return Ok(()) };
    let mut after = 0;
    loop {
        let page = store.change_page(&source, edition, after, PAGE).await?;
        let Some(last) = page.last() else { return Ok(()) };
        after = last.record;
        for row in page.iter().flat_map(change_json) {
            sink.row(&row)?;
        }
    }
}

/// A rejected row without its raw bytes: they may hold what the layout does not map, such as names.
pub(crate) fn reject_json(reject: &RejectView, file: &str) -> Value {
    json!({
        "file": file,
        "line": reject.line,
        "column": reject.column,
        "reason": reject.reason,
        "detail": reject.detail,
    })
}

/// A decimal text as a number.
pub(crate) fn decimal(text: &str) -> Value {
    serde_json::from_str(text).unwrap_or(Value::Null)
}

/// A pair as it is exported: that of the API in one line, without the ids that only the API uses.
pub(crate) fn pair_json(pair: &PairView) -> Value {
    let mut row = serde_json::to_value(Pair::from(pair.clone())).unwrap_or_default();
    if let Some(fields) = row.as_object_mut() {
        fields.shift_remove("property");
        let finding = fields.shift_remove("finding").unwrap_or_default();
        for (column, name) in [("finding", "id"), ("state", "state"), ("closing", "closing")] {
            fields.insert(column.to_owned(), finding.get(name).cloned().unwrap_or_default());
        }
    }
    row
}

type Out = std::io::BufWriter<Box<dyn Write + Send>>;

/// Where rows go.
pub(crate) enum Sink {
    Csv { writer: Box<csv::Writer<Out>>, headed: bool },
    Ndjson(Out),
}

impl Sink {
    pub(crate) fn new(out: Out, form: Form) -> Sink {
        match form {
            Form::Csv => {
                let writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(out);
                Sink::Csv { writer: Box::new(writer), headed: false }
            }
            Form::Ndjson => Sink::Ndjson(out),
        }
    }

    pub(crate) fn row(&mut self, object: &Value) -> anyhow::Result<()> {
        match self {
            Sink::Ndjson(out) => {
                serde_json::to_writer(&mut *out, object)?;
                out.write_all(b"\n")?;
            }
            Sink::Csv { writer, headed } => {
                let Some(object) = object.as_object() else { return Ok(()) };
                if !*headed {
                    writer.write_record(object.keys())?;
                    *headed = true;
                }
                writer.write_record(object.values().map(csv_cell))?;
            }
        }
        Ok(())
    }

    /// The output itself, before anything was written.
    fn into_inner(self) -> anyhow::Result<Out> {
        match self {
            Sink::Csv { writer, .. } => writer.into_inner().map_err(|error| anyhow::anyhow!("{error}")),
            Sink::Ndjson(out) => Ok(out),
        }
    }

    pub(crate) fn finish(self) -> anyhow::Result<()> {
        match self {
            Sink::Csv { mut writer, .. } => writer.flush()?,
            Sink::Ndjson(mut out) => out.flush()?,
        }
        Ok(())
    }
}

/// A cell of CSV. A text that a spreadsheet would take for a formula gets a leading apostrophe (OWASP ASVS 1.2.10,
/// CWE-1236); numbers and money stay as they are.
pub(crate) fn csv_cell(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) => csv_text(text),
        Value::Bool(_) | Value::Number(_) | Value::Array(_) | Value::Object(_) => value.to_string(),
    }
}

fn csv_text(text: &str) -> String {
    let money = text
        .strip_prefix('-')
        .is_some_and(|rest| !rest.is_empty() && rest.bytes().all(|b| b.is_ascii_digit() || b == b'.'));
    if !money && text.starts_with(['=', '+', '-', '@', '\t', '\r']) {
        format!("'{text}")
    } else {
        text.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_that_a_spreadsheet_would_compute_stay_text() {
        // OWASP ASVS 1.2.10 and CWE-1236: a text cell starting with = + - @ tab or CR
        for (cell, expected) in [
            (json!("=1+1"), "'=1+1"),
            (json!("+15550100"), "'+15550100"),
            (json!("-12 walls"), "'-12 walls"),
            (json!("@ref"), "'@ref"),
            (json!("\tx"), "'\tx"),
            (json!("\r=2"), "'\r=2"),
            (json!(-12.4), "-12.4"),
            (json!("-12.40"), "-12.40"),
            (json!("12B"), "12B"),
            (json!("it's"), "it's"),
            (json!("'=1"), "'=1"),
            (json!(""), ""),
        ] {
            assert_eq!(csv_cell(&cell), expected);
        }
    }
}
