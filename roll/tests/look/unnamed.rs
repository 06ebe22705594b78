//! Files whose columns nobody named: without a header, and of fixed width.

use crate::{all_come_in, at, proposed, taken};
use crossfoot_roll::layout::Layout;
use crossfoot_roll::look::{Look, Options, Separation, look};

const NAMES: [&str; 6] =
    ["GREENE, ADA", "BLUE, BENJAMIN", "WHITE, CORA", "BROWN, DORA", "GRAY, EDGAR", "BLACK, FLORA"];

fn name(n: usize) -> &'static str {
    NAMES.get(n % NAMES.len()).copied().unwrap_or_default()
}

fn headerless() -> String {
    let row =
        |n: usize| format!("{:09};{};{};{};R{}\n", 1_000 + 7 * n, name(n), 900 + n, 1950 + n % 40, n % 3);
    (0..60).map(row).collect()
}

/// Number, owner, address, year, area: 10, 24, 20, 4 and 8 places.
fn record(n: usize) -> String {
    let address =
        format!("{} {}", 100 + n * 37 % 4_000, if n.is_multiple_of(2) { "ELM ST" } else { "GARNET AVE" });
    format!(
        "{:08}  {:<24}{address:<20}{:4}{:>8}\r\n",
        1_000 + 7 * n,
        name(n),
        1950 + n % 40,
        95 * (10 + n % 90)
    )
}

fn records() -> String {
    (0..60).map(record).collect()
}

/// No name and no part of one may show, wherever.
fn no_owner_shows(look: &Look) {
    let told = serde_json::to_string(look).unwrap();
    for part in ["GREENE", "ADA", "BENJAMIN", "EDGAR", "FLORA"] {
        assert!(!told.contains(part), "{part}: {told}");
    }
}

#[test]
fn a_file_without_a_header_is_read_by_the_places_of_its_columns() {
    let look = at(headerless().as_bytes());
    assert!(!look.header.present);
    assert_eq!(taken(&look, "parcel"), ["column 1"]);
    let layout = proposed(&look);
    let table = &layout.table[0];
    assert_eq!((table.header_line, table.columns.len(), table.file.delimiter), (0, 5, b';'));
    let fields: Vec<(&str, &str)> =
        table.field.iter().map(|field| (field.name.as_str(), field_kind(field))).collect();
    assert_eq!(fields, [("column 3", "whole"), ("column 4", "year"), ("column 5", "text")]);
    all_come_in(&look, 60);
    // what values cannot show is asked, not guessed
    assert!(!layout.states_area());
    let open = &look.proposal.as_ref().unwrap().open;
    for asked in ["stand in column 3", "column 4 may be the year built", "number of the parcel"] {
        assert!(open.iter().any(|open| open.contains(asked)), "{asked}: {open:?}");
    }
    no_owner_shows(&look);
}

fn field_kind(field: &crossfoot_roll::layout::FieldLayout) -> &'static str {
    use crossfoot_roll::layout::ValueKind;
    match field.kind {
        ValueKind::Whole => "whole",
        ValueKind::Year => "year",
        ValueKind::Text => "text",
        ValueKind::Decimal | ValueKind::Money | ValueKind::Area | ValueKind::Date => "another",
    }
}

#[test]
fn a_layout_that_goes_by_names_does_not_show_the_first_row_of_a_file_without_any() {
    let layout = "id = \"b\"\njurisdiction = \"basalt\"\nbasis = \"not-published\"\n[parcel]\ncolumns = [\"PARCEL\"]\n";
    let known = [Layout::from_toml(layout).unwrap()];
    for text in [headerless(), records()] {
        let look = look(text.as_bytes(), "x", &known, &Options::default()).unwrap();
        let refusal = look.layouts[0].refusal.as_deref().unwrap();
        assert_eq!(refusal, "it finds its columns by their names, and the file has no header");
        no_owner_shows(&look);
    }
}

#[test]
fn fixed_places_are_proposed_between_the_blanks_of_all_records() {
    let look = at(records().as_bytes());
    assert_eq!(look.shape.separation, Separation::FixedWidth);
    let layout = proposed(&look);
    let table = &layout.table[0];
    assert_eq!(table.record_length, Some(66));
    let places: Vec<(usize, usize)> = table.fixed.iter().map(|field| (field.from, field.to)).collect();
    // the year stands behind the address's blanks, and the area is filled up with blanks on the left
    assert_eq!((places[0], places.last().copied()), ((1, 10), Some((59, 66))));
    assert!(places.contains(&(55, 58)), "{places:?}");
    let covered: usize = places.iter().map(|(from, to)| to - from + 1).sum();
    assert_eq!(covered, 66, "{places:?}");
    assert_eq!(taken(&look, "parcel"), ["column 1"]);
    all_come_in(&look, 60);
    assert!(look.proposal.as_ref().unwrap().open.iter().any(|open| open.starts_with("To correct")));
    no_owner_shows(&look);
}

#[test]
fn a_first_line_of_names_is_no_record_and_is_said_to_be_in_the_way() {
    let text =
        format!("{:<10}{:<24}{:<20}{:4}{:>8}\r\n{}", "PARCEL", "OWNER", "SITUS", "YEAR", "AREA", records());
    let look = at(text.as_bytes());
    let open = &look.proposal.as_ref().unwrap().open;
    assert!(open.iter().any(|open| open.contains("take out the first line")), "{open:?}");
    assert_eq!(taken(&look, "parcel"), ["column 1"]);
}

#[test]
fn what_values_cannot_show_is_refused_with_the_reason() {
    let why = |text: String| {
        let look = at(text.as_bytes());
        assert!(look.proposal.is_none(), "{:?}", look.proposal);
        no_owner_shows(&look);
        look.notes.last().unwrap().clone()
    };
    // no blanks that all records have
    let solid: String = (0..60).map(|n| format!("{:08}{:06}{:06}\n", 1_000 + 7 * n, n, 95 * n)).collect();
    assert!(why(solid).contains("without blanks between them"), "{}", why(records()));
    // too few rows
    assert!(why((0..5).map(record).collect()).contains("5 rows are too few"));
    assert!(
        why(headerless().lines().take(5).map(|line| format!("{line}\n")).collect())
            .contains("5 rows are too few")
    );
    // a number that runs into a name is no number
    let touching: String =
        (0..60).map(|n| format!("{:08}{:<24} {:>6}\n", 1_000 + 7 * n, name(n), 900 + n)).collect();
    assert!(why(touching).contains("no column's values tell the rows apart"));
}

#[test]
fn a_layout_that_says_where_fields_stand_is_what_the_look_reads_by() {
    let layout = "id = \"b\"\njurisdiction = \"basalt\"\nbasis = \"not-published\"\n[parcel]\ncolumns = [\"PARCEL\"]\n[[table]]\n\
        name = \"roll\"\ngrain = \"parcel\"\nheader_line = 0\nrecord_length = 66\n\
        fixed = [{ name = \"PARCEL\", from = 1, to = 10 }, { name = \"AREA\", from = 59, to = 66 }]\n\
        [[table.field]]\nname = \"area\"\nfrom = \"AREA\"\nkind = \"area\"\nunit = \"sqft\"\n[record]\narea = \"area\"\n";
    let known = [Layout::from_toml(layout).unwrap()];
    let text = records() + "00009999  SECRETLY, ADA\r\n" + &record(70).replace("    7600", "  GREENE");
    let options = Options { head_bytes: 1_000, whole: true };
    let mut found = look(text.as_bytes(), "x", &known, &options).unwrap();
    let reading = found.layouts[0].reading.as_ref().unwrap();
    assert_eq!((reading.whole, reading.rows, reading.with_area), (false, 14, 14));
    found.read_whole(&known, &std::env::temp_dir(), || Ok(std::io::Cursor::new(text.clone()))).unwrap();
    let fit = &found.layouts[0];
    assert!(fit.missing.is_empty(), "{fit:?}");
    let reading = fit.reading.as_ref().unwrap();
    assert_eq!(
        (reading.whole, reading.rows, reading.entries, reading.with_area),
        (true, 62, 60, 60),
        "{reading:?}"
    );
    let length = reading.quarantined.iter().find(|found| found.reason == "wrong_column_count").unwrap();
    assert!(length.examples[0].detail.contains("the layout says 66"), "{length:?}");
    assert_eq!(reading.quarantined.len(), 2);
    no_owner_shows(&found);
}
