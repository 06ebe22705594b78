//! Years of jurisdictions as files: TOML, JSON, or CSV with one value a row.

use std::collections::BTreeMap;
use std::path::Path;

use crossfoot_audit::jurisdiction::{Draft, DraftValue, JurisdictionYear, YearError};

/// Columns of the CSV form; the first four are needed.
const COLUMNS: [&str; 11] = [
    "jurisdiction",
    "year",
    "kind",
    "value",
    "name",
    "unit",
    "source",
    "address",
    "read_on",
    "note",
    "title",
];
const NEEDED: usize = 4;

/// Reads a file by its name: `.csv`, `.json`, anything else is TOML.
///
/// # Errors
/// Everything that is wrong, with line and column.
pub(crate) fn read(path: &Path, text: &str) -> Result<Vec<JurisdictionYear>, Vec<YearError>> {
    let ending = path.extension().and_then(|ending| ending.to_str()).unwrap_or_default();
    match ending.to_ascii_lowercase().as_str() {
        "csv" => from_csv(text),
        "json" => JurisdictionYear::from_json(text).map(|year| vec![year]),
        _ => JurisdictionYear::from_toml(text).map(|year| vec![year]),
    }
}

fn error(line: u64, column: usize, message: String) -> YearError {
    let line = usize::try_from(line).unwrap_or(0);
    YearError { line, column, pointer: String::new(), message }
}

/// A year with the line of each of its values.
#[derive(Default)]
struct Rows {
    draft: Draft,
    lines: Vec<u64>,
}

/// Reads CSV: rows of one jurisdiction and year make one document.
fn from_csv(text: &str) -> Result<Vec<JurisdictionYear>, Vec<YearError>> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut reader = csv::ReaderBuilder::new().from_reader(text.as_bytes());
    let headers = reader.headers().map_err(|e| vec![error(1, 1, e.to_string())])?.clone();
    let mut faults = Vec::new();
    for (at, name) in headers.iter().enumerate() {
        if !COLUMNS.contains(&name.trim()) {
            let known = COLUMNS.join(", ");
            faults.push(error(1, at + 1, format!("there is no column {name:?}: the columns are {known}")));
        }
    }
    let place = |name: &str| headers.iter().position(|header| header.trim() == name);
    for name in COLUMNS.iter().take(NEEDED).filter(|name| place(name).is_none()) {
        faults.push(error(1, 1, format!("the column {name} is missing: add it")));
    }
    if !faults.is_empty() {
        return Err(faults);
    }
    let mut years: BTreeMap<(String, String), Rows> = BTreeMap::new();
    for record in reader.records() {
        let record = match record {
            Ok(record) => record,
            Err(e) => {
                let line = e.position().map_or(0, csv::Position::line);
                faults.push(error(line, 1, e.to_string()));
                continue;
            }
        };
        let cell =
            |name: &str| place(name).and_then(|at| record.get(at)).unwrap_or_default().trim().to_owned();
        let rows = years.entry((cell("jurisdiction"), cell("year"))).or_default();
        rows.draft.jurisdiction = cell("jurisdiction");
        rows.draft.year = cell("year");
        if rows.draft.title.is_empty() {
            rows.draft.title = cell("title");
        }
        rows.draft.values.push(DraftValue {
            kind: cell("kind"),
            name: cell("name"),
            value: cell("value"),
            unit: cell("unit"),
            source: cell("source"),
            address: cell("address"),
            read_on: cell("read_on"),
            note: cell("note"),
        });
        rows.lines.push(record.position().map_or(0, csv::Position::line));
    }
    if years.is_empty() && faults.is_empty() {
        faults.push(error(1, 1, "there are no rows below the header: give at least one value".to_owned()));
    }
    let mut read = Vec::new();
    for rows in years.values() {
        match rows.draft.check() {
            Ok(year) => read.push(year),
            Err(wrong) => faults.extend(wrong.into_iter().map(|(at, field, message)| {
                let line = rows.lines.get(at.unwrap_or(0)).copied().unwrap_or(1);
                error(line, place(field).map_or(1, |at| at + 1), message)
            })),
        }
    }
    faults.sort_by_key(|fault| (fault.line, fault.column));
    if faults.is_empty() { Ok(read) } else { Err(faults) }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HEAD: &str = "jurisdiction,year,kind,name,value,unit,source,address,read_on,note\n";

    fn told(text: &str) -> Vec<String> {
        from_csv(text).unwrap_err().iter().map(ToString::to_string).collect()
    }

    #[test]
    fn rows_of_one_year_make_one_document() {
        let text = format!(
            "{HEAD}b,2026,valuation_date,,2026-01-01,,law,,2026-05-02,\nb,2025,assessment_ratio,,0.4,,law,,2026-05-02,\n\
             b,2026,tax_rate,town,9.1,per_1000,\"levy, page 2\",https://b.example/levy,2026-05-03,x\n"
        );
        let years = from_csv(&text).unwrap();
        let told: Vec<_> = years.iter().map(|y| (y.year, y.value.len())).collect();
        assert_eq!(told, [(2025, 1), (2026, 2)]);
        assert_eq!(years[1].value[1].source, "levy, page 2");
    }

    #[test]
    fn what_is_wrong_is_told_by_line_and_column() {
        let text = format!(
            "{HEAD}b,2026,valuation_date,,1 January,,law,,2026-05-02,\nb,2026,tax_rate,town,9.1,,,,2026-05-03,\n"
        );
        assert_eq!(
            told(&text),
            [
                "line 2, column 5: \"1 January\" is no day: write year, month and day, such as 2026-01-31",
                "line 3, column 6: a tax_rate needs a unit: write one of per_1, per_100, per_1000",
                "line 3, column 7: the source is blank: name the law, the notice or the page",
            ]
        );
        assert!(
            told("jurisdiction,year,kin,value\n")[0]
                .starts_with("line 1, column 3: there is no column \"kin\"")
        );
        assert_eq!(told(HEAD).len(), 1);
    }
}
