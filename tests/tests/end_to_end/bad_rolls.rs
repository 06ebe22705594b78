//! Rolls with faults. A file that cannot be meant is refused and leaves everything as it was; a row with a fault is
//! quarantined with its line and reason, and all other rows are taken in.

use std::fmt::Write as _;

use crossfoot_testbed::repository;
use serde_json::Value;

use crate::installation::{Installation, Tables, same};
use crate::town::{HEADER, LAYOUT, houses, parcel, roll, row};

/// Demands that a settled installation refuses a later edition with these words, and is as it was.
fn refuses(place: &Installation, content: impl AsRef<[u8]>, words: &[&str]) {
    place.settled();
    refuses_further(place, content, words);
}
fn refuses_further(place: &Installation, content: impl AsRef<[u8]>, words: &[&str]) {
    let (reading, tables) = (place.reading(), source_tables(place));
    let mut refused = place.take_roll(content).code(3).complains("town-roll: refused, nothing was taken in.");
    for words in words {
        refused = refused.complains(words);
    }
    assert_eq!(refused.out, "");
    place.reconcile().code(0).says("nothing to judge");
    same(&source_tables(place), &tables);
    assert_eq!(place.reading(), reading);
}

/// All tables but those in which a refused edition is noted and told.
fn source_tables(place: &Installation) -> Tables {
    let mut tables = place.tables();
    tables.retain(|name, _| !["edition", "edition_file", "notice"].contains(&name.as_str()));
    tables
}

fn the_edition_after_a_refused_one_is_compared_with_the_one_in_use(place: &Installation) {
    for refused in [String::new(), format!("{HEADER}\n"), format!("{HEADER}\n{}\n", row(1, "unknown"))] {
        let place = &place.another();
        place.settled();
        place.take_roll(refused).code(3);
        let next = place.take_roll(roll(&[Some(1000), Some(1200), Some(901)])).code(0);
        next.says("0 new, 1 changed, 2 unchanged, 0 gone");
        place.reconcile().code(0).says("1 pairs judged").says("0 findings opened, 0 reopened, 0 revised\n");
    }
}

/// Demands that of four rows on lines 2 to 5 exactly these are quarantined, as (line, reason, part of the detail), and
/// the others are records.
fn quarantines(place: &Installation, rows: &[&[u8]], rejected: &[(u64, &str, &str)]) {
    let mut content = HEADER.as_bytes().to_vec();
    for row in rows {
        content.push(b'\n');
        content.extend_from_slice(row);
    }
    let kept = rows.len() - rejected.len();
    let told = format!("{} rows read, {kept} records", rows.len());
    place.take_roll(&content).code(0).says(&told).says(&format!("{} in quarantine", rejected.len()));
    let rejects =
        place.run(&["export", "rejects", "--source", "town-roll", "--format", "ndjson"]).code(0).json_lines();
    let found: Vec<(u64, &str)> = rejects
        .iter()
        .map(|reject| (reject["line"].as_u64().unwrap(), reject["reason"].as_str().unwrap()))
        .collect();
    assert_eq!(found, rejected.iter().map(|(line, reason, _)| (*line, *reason)).collect::<Vec<_>>());
    for (reject, (_, _, words)) in rejects.iter().zip(rejected) {
        assert!(reject["detail"].as_str().unwrap().contains(words), "{reject}");
        assert_eq!(reject["file"], "roll.csv");
    }
    let on_roll = matched(place, rows.len());
    let lines = rejected.iter().map(|(line, ..)| usize::try_from(*line).unwrap());
    let gone: Vec<usize> = lines.map(|line| line - 1).collect();
    let expected: Vec<usize> = (1..=rows.len()).filter(|place| !gone.contains(place)).collect();
    assert_eq!(on_roll, expected);
    // the same file under --strict is the same edition, and its quarantine still shows in the exit code
    let strict = ["import", "roll", "roll.csv", "--layout", "layout.toml", "--strict"];
    place.run(&strict).code(4).says("nothing to do");
}

/// The parcels with a record, found out by measuring a house on each.
fn matched(place: &Installation, parcels: usize) -> Vec<usize> {
    place.take_houses(houses(&vec![1000.0; parcels])).code(0);
    place.reconcile().code(0);
    let judged = place.judgements();
    assert_eq!(judged.len(), parcels);
    let sure = |n: &usize| judged.values().any(|row| row["parcel"] == *parcel(*n) && row["match"] == "sure");
    (1..=parcels).filter(sure).collect()
}

fn good(n: usize) -> String {
    row(n, "1000")
}

fn an_empty_file_is_refused(place: &Installation) {
    refuses(place, "", &["the file is empty"]);
}

fn a_header_without_rows_is_refused(place: &Installation) {
    refuses(place, format!("{HEADER}\n"), &["a header and no rows"]);
}

fn a_roll_without_a_mapped_column_is_refused_with_the_likely_name(place: &Installation) {
    let renamed = roll(&[Some(1000)]).replace("AREA", "AREA_");
    refuses(place, renamed, &["line 1", "no column \"AREA\"", "the nearest is \"AREA_\"", "PARCEL, SITUS"]);
}

fn a_roll_with_another_delimiter_is_refused_with_the_one_it_has(place: &Installation) {
    let other = roll(&[Some(1000), Some(1200)]).replace(',', ";");
    refuses(place, other, &["line 1", "6 when split at \";\"", "set delimiter = \";\""]);
}

fn a_roll_of_which_no_row_can_be_read_is_refused_with_the_first_fault(place: &Installation) {
    let content = format!("{HEADER}\n{}\n{}\n", row(1, "unknown"), row(2, "n/a"));
    refuses(place, content, &["none of 2 rows could be read", "line 2", "AREA holds \"unknown\""]);
}

fn an_archive_or_another_encoding_is_refused_by_its_name(place: &Installation) {
    refuses(place, b"PK\x03\x04rest", &["roll.csv: the zip data are damaged", "fetch the file again"]);
    refuses_further(
        place,
        b"7z\xBC\xAF\x27\x1C\0\x04",
        &["the file is a 7z archive, which is not read: unpack it"],
    );
    let utf32: Vec<u8> =
        roll(&[Some(1)]).chars().flat_map(|letter| u32::from(letter).to_le_bytes()).collect();
    refuses_further(
        place,
        [&[0xFF, 0xFE, 0, 0][..], &utf32].concat(),
        &["text in UTF-32", "save it as UTF-8"],
    );
}

fn bytes_that_are_not_utf_8_set_one_row_aside(place: &Installation) {
    let bad = b"000002,2 PE\xd1ON ST,1000,200000,1950,R";
    let (one, three, four) = (good(1), good(3), good(4));
    let rows: [&[u8]; 4] = [one.as_bytes(), bad, three.as_bytes(), four.as_bytes()];
    quarantines(place, &rows, &[(3, "invalid_encoding", "SITUS is not valid utf-8")]);
}

fn a_nul_byte_sets_one_row_aside(place: &Installation) {
    let bad = row(2, "10\u{0}00");
    quarantines(
        place,
        &lines(&[&good(1), &bad, &good(3), &good(4)]),
        &[(3, "nul_byte", "a NUL byte in AREA")],
    );
}

fn lines<'a>(rows: &[&'a str]) -> Vec<&'a [u8]> {
    rows.iter().map(|row| row.as_bytes()).collect()
}

fn an_unclosed_quote_costs_the_line_where_it_opens_and_no_other(place: &Installation) {
    let bad = "000002,\"2 OAK ST,1000,200000,1950,R";
    let expected = [(3, "unclosed_quote", "a quote opens on line 3")];
    quarantines(place, &lines(&[&good(1), bad, &good(3), &good(4)]), &expected);
}

fn thousands_separators_are_not_guessed(place: &Installation) {
    let (quoted, bare) = (row(2, "\"1,284\""), row(3, "1,284"));
    let expected = [
        (3, "thousands_separator", "set thousands to \",\""),
        (4, "wrong_column_count", "a separator of thousands in a number without quotes is likely"),
    ];
    quarantines(place, &lines(&[&good(1), &quoted, &bare, &good(4)]), &expected);
}

fn text_in_a_number_sets_the_row_aside_whichever_column_it_is(place: &Installation) {
    let (area, value, year) =
        (row(2, "1000 SF"), good(3).replace("200000", "PENDING"), good(4).replace("1950", "circa"));
    let expected = [
        (3, "text_in_number", "AREA holds \"1000 SF\""),
        (4, "text_in_number", "VALUE holds \"PENDING\""),
        (5, "text_in_number", "YEAR holds \"circa\""),
    ];
    quarantines(place, &lines(&[&good(1), &area, &value, &year]), &expected);
}

fn negative_and_absurd_areas_are_set_aside(place: &Installation) {
    let (negative, absurd) = (row(2, "-1000"), row(3, "12840000"));
    let expected =
        [(3, "negative_number", "AREA holds \"-1000\""), (4, "absurd_area", "AREA holds \"12840000\"")];
    quarantines(place, &lines(&[&good(1), &negative, &absurd, &good(4)]), &expected);
}

fn parcel_numbers_that_a_spreadsheet_damaged_are_set_aside(place: &Installation) {
    let (scientific, blank) = (good(2).replace("000002", "1.3E+05"), good(3).replace("000003", ""));
    let expected = [(3, "scientific_parcel", "1.3E+05"), (4, "blank_parcel", "no parcel number in PARCEL")];
    quarantines(place, &lines(&[&good(1), &scientific, &blank, &good(4)]), &expected);
}

fn each_fault_of_the_hostile_roll_is_told_by_its_name(place: &Installation) {
    let fixtures = repository().join("fixtures/hostile");
    let path = |name: &str| fixtures.join(name).to_str().unwrap().to_owned();
    let took = place.run(&["import", "roll", &path("roll.csv"), "--layout", &path("layout.toml")]);
    took.code(0).says("16 rows read").says("1 thousands separator").says("crossfoot export rejects");
    let rejects = place
        .run(&["export", "rejects", "--source", "hostile-roll", "--format", "ndjson"])
        .code(0)
        .json_lines();
    let reasons: Vec<&str> = rejects.iter().map(|reject| reject["reason"].as_str().unwrap()).collect();
    let expected = [
        "wrong_column_count",
        "unclosed_quote",
        "invalid_encoding",
        "nul_byte",
        "blank_area",
        "zero_area",
        "text_in_number",
        "thousands_separator",
        "negative_number",
        "absurd_area",
        "blank_parcel",
        "scientific_parcel",
    ];
    assert_eq!(reasons, expected);
}

fn identical_rows_count_once_and_are_told(place: &Installation) {
    let content = format!("{HEADER}\n{}\n{}\n{}\n", good(1), good(2), good(1));
    place.take_roll(content).code(0).says("3 rows read, 2 records").says("1 rows repeated, 0 in quarantine");
    assert_eq!(matched(place, 2), [1, 2]);
}

fn two_rows_of_one_parcel_that_disagree_are_not_judged(place: &Installation) {
    let content = format!("{HEADER}\n{}\n{}\n{}\n", row(1, "1000"), row(2, "1500"), row(1, "1500"));
    let took = place.take_roll(content).code(0).says("3 rows read, 2 records").says("1 in quarantine");
    took.says("1 duplicate parcel").says("parcel 000001 stands on line 2 already").says("this row on line 4");
    place.take_houses(houses(&[1500.0, 1500.0])).code(0);
    place.reconcile().code(0).says("1 record in conflict");
    let judged = place.judgements();
    assert_eq!(judged["T-01"]["outcome"], "record_in_conflict");
    assert_eq!(judged["T-01"]["finding"], Value::Null);
    assert_eq!(judged["T-02"]["outcome"], "within_measuring_error");
    let unjudged = place.run(&["explain", "T-01"]).code(0);
    unjudged.says("not judged: record in conflict");
}

fn rows_of_one_parcel_that_differ_beside_the_area_keep_the_first(place: &Installation) {
    let content = format!("{HEADER}\n{}\n{}\n", good(1), good(1).replace("200000", "300000"));
    place.take_roll(content).code(0).says("2 rows read, 1 records").says("1 in quarantine");
    place.take_houses(houses(&[1500.0])).code(0);
    place.reconcile().code(0);
    let judged = place.judgements();
    assert_eq!(
        (&judged["T-01"]["outcome"], &judged["T-01"]["effect_high"]),
        (&"material".into(), &"100000.00".into())
    );
}

fn duplicates_are_found_across_the_editions_too(place: &Installation) {
    place.settled();
    let mut content = roll(&[Some(1000), Some(1200), Some(900)]);
    writeln!(content, "{}\n{}", row(2, "1200"), row(3, "1300")).unwrap();
    let later = place.take_roll(content).code(0);
    later.says("5 rows read, 3 records").says("1 rows repeated, 1 in quarantine").says("line 6");
    place.reconcile().code(0);
    let judged = place.judgements();
    assert_eq!(judged["T-02"]["outcome"], "within_measuring_error");
    assert_eq!(judged["T-03"]["outcome"], "record_in_conflict");
    // the publisher puts it right: judged again
    place.take_roll(roll(&[Some(1000), Some(1200), Some(1300)])).code(0);
    place.reconcile().code(0);
    assert_eq!(place.judgements()["T-03"]["outcome"], "material");
}

/// Demands that a layout is refused with these words before anything is opened or written.
fn refuses_layout(place: &Installation, layout: &str, words: &[&str]) {
    let (roll, layout) = (place.file("roll.csv", roll(&[Some(1000)])), place.file("layout.toml", layout));
    let mut refused = place.run(&["import", "roll", &roll, "--layout", &layout]).code(3);
    for words in words {
        refused = refused.complains(words);
    }
    assert!(!place.folder().join("data").exists());
}

fn a_layout_that_cannot_be_read_is_refused_with_line_and_column(place: &Installation) {
    refuses_layout(place, &LAYOUT.replace("[parcel]", "[parcel"), &["layout.toml: layout, line 6, column"]);
    refuses_layout(place, &LAYOUT.replace("[\"SITUS\"]", "7"), &["layout.toml: layout, line 12, column 11"]);
}

fn an_unknown_field_of_a_layout_is_refused_by_its_name(place: &Installation) {
    let layout = LAYOUT.replace("pad_left", "pad_lft");
    refuses_layout(place, &layout, &["layout, line 8, column 1", "pad_lft", "pad_left"]);
    let layout = LAYOUT.replace("pad_left = [6]", "pad_left = [6, 2]");
    refuses_layout(place, &layout, &["layout, line 8", "2 widths for 1 columns"]);
}

fn files_that_are_not_there_are_refused_by_their_name(place: &Installation) {
    let layout = place.file("layout.toml", LAYOUT);
    let good = place.file("good.csv", roll(&[Some(1000)]));
    place.run(&["import", "roll", "nowhere.csv", "--layout", &layout]).code(3).complains("nowhere.csv");
    place
        .run(&["import", "roll", &good, "nowhere.csv", "--layout", &layout])
        .code(3)
        .complains("nowhere.csv");
    place.run(&["import", "roll", &good, "--layout", "no.toml"]).code(3).complains("no.toml");
    place.run(&["import", "roll", ".", "--layout", &layout]).code(3).complains(". is a folder");
    place.run(&["import", "roll", &good]).code(2).complains("--layout");
    place.run(&["import", "roll", &good, "--layout", &layout, "--source", ""]).code(2).complains("--source");
    assert!(!place.folder().join("data").exists());
    place.reconcile().code(3).complains("import a roll first");
}

fn a_source_whose_first_edition_was_refused_takes_the_next_one(place: &Installation) {
    place.take_houses(houses(&[1500.0])).code(0);
    place.take_roll(format!("{HEADER}\n{}\n", row(1, "unknown"))).code(3);
    place.reconcile().code(3).complains("import a roll first");
    assert_eq!(place.export("judgements"), [] as [Value; 0]);
    let rejects = place.run(&["export", "rejects", "--source", "town-roll"]).code(0);
    assert_eq!(rejects.out, "");
    place.take_roll(roll(&[Some(1000)])).code(0).says("edition 2, 1 rows read, 1 records (1 new");
    place.reconcile().code(0).says("1 findings opened");
}

fn of_several_files_one_that_cannot_be_meant_refuses_the_edition(place: &Installation) {
    place.settled();
    let (reading, tables) = (place.reading(), source_tables(place));
    let good = place.file("good.csv", roll(&[Some(1490), Some(1200), Some(900)]));
    let bad = place.file("bad.csv", "PARCEL,SITUS\n000004,4 OAK ST\n");
    let refused = place.run(&["import", "roll", &good, &bad, "--layout", "layout.toml"]).code(3);
    refused.complains("bad.csv: header on line 1: no column \"AREA\"");
    same(&source_tables(place), &tables);
    assert_eq!(place.reading(), reading);
    let more = place.file("more.csv", roll(&[None, None, None, Some(1000)]));
    let took = place.run(&["import", "roll", &good, &more, "--layout", "layout.toml"]).code(0);
    took.says("4 rows read, 4 records (1 new, 1 changed, 2 unchanged, 0 gone)");
}

on_both_databases!(
    a_header_without_rows_is_refused,
    a_layout_that_cannot_be_read_is_refused_with_line_and_column,
    a_nul_byte_sets_one_row_aside,
    a_roll_of_which_no_row_can_be_read_is_refused_with_the_first_fault,
    a_roll_with_another_delimiter_is_refused_with_the_one_it_has,
    a_roll_without_a_mapped_column_is_refused_with_the_likely_name,
    a_source_whose_first_edition_was_refused_takes_the_next_one,
    an_archive_or_another_encoding_is_refused_by_its_name,
    an_empty_file_is_refused,
    an_unclosed_quote_costs_the_line_where_it_opens_and_no_other,
    an_unknown_field_of_a_layout_is_refused_by_its_name,
    bytes_that_are_not_utf_8_set_one_row_aside,
    duplicates_are_found_across_the_editions_too,
    each_fault_of_the_hostile_roll_is_told_by_its_name,
    files_that_are_not_there_are_refused_by_their_name,
    identical_rows_count_once_and_are_told,
    negative_and_absurd_areas_are_set_aside,
    of_several_files_one_that_cannot_be_meant_refuses_the_edition,
    parcel_numbers_that_a_spreadsheet_damaged_are_set_aside,
    rows_of_one_parcel_that_differ_beside_the_area_keep_the_first,
    the_edition_after_a_refused_one_is_compared_with_the_one_in_use,
    text_in_a_number_sets_the_row_aside_whichever_column_it_is,
    thousands_separators_are_not_guessed,
    two_rows_of_one_parcel_that_disagree_are_not_judged,
);
