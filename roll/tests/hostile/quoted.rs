//! A row of a packed file, read again for showing.

use crate::account::layout;
use crossfoot_roll::again::{RowsAgain, TextAgain};
use crossfoot_roll::layout::Layout;
use crossfoot_roll::original::{OriginalReader, Quoted, quoted};
use crossfoot_roll::published_row;
use crossfoot_roll::reader::Batch;
use std::io::{Cursor, Read};

fn fixture(name: &str) -> Vec<u8> {
    std::fs::read(format!("{}/../fixtures/hostile/{name}", env!("CARGO_MANIFEST_DIR"))).unwrap()
}

/// The fields of each row that could be read, found again by its byte range, and the name within.
fn again(name: &str, layout: &Layout) -> (Vec<Vec<String>>, Option<String>) {
    let (file, scratch) = (fixture(name), tempfile::tempdir().unwrap());
    let source = || -> Box<dyn Read + Send> { Box::new(Cursor::new(file.clone())) };
    let mut reader = OriginalReader::open(source(), name, layout, scratch.path()).unwrap();
    let mut batch = Batch::default();
    assert!(reader.next_batch(&mut batch, 100).unwrap());
    let mut rows = Vec::new();
    let mut name_within = None;
    for entry in &batch.entries {
        let range = entry.byte_start..entry.byte_start + u64::from(entry.byte_length);
        let Quoted::Unpacked { head, row, within, layout } =
            quoted(source(), name, layout, scratch.path(), range).unwrap()
        else {
            panic!("{name} is packed")
        };
        let fields = published_row(&layout, &head, &row).unwrap();
        rows.push(fields.into_iter().map(|field| field.value).collect());
        name_within = within;
    }
    assert_eq!(name_within.as_deref(), reader.within());
    (rows, name_within)
}

#[test]
fn rows_of_packed_files_are_found_again() {
    let plain = layout("[parcel]\ncolumns = [\"PIN\"]\n[area]\ncolumn = \"SQFT\"\n");
    let two = vec![vec!["01".to_owned(), "1200".to_owned()], vec!["02".to_owned(), "900".to_owned()]];
    assert_eq!(again("roll.csv.gz", &plain), (two.clone(), None));
    assert_eq!(again("several-members.csv.gz", &plain), (two.clone(), None));
    assert_eq!(again("roll.zip", &plain), (two.clone(), Some("roll.csv".to_owned())));
    assert_eq!(again("folders-and-leavings.zip", &plain), (two, Some("2026/roll.csv".to_owned())));
    // written as the text is after unpacking, whatever the layout says of the file
    let windows =
        layout("[file]\nencoding = \"windows-1252\"\ndelimiter = \"|\"\n[parcel]\ncolumns = [\"PIN\"]\n");
    let (rows, within) = again("roll.xlsx", &windows);
    assert_eq!(rows[1], ["02", "0.3", "say \"x\" y"]);
    assert_eq!(within.as_deref(), Some("Roll"));
}

#[test]
fn a_row_of_a_file_that_is_not_packed_is_where_it_says() {
    let layout = layout("[parcel]\ncolumns = [\"PIN\"]\n");
    let source = Box::new(Cursor::new(fixture("bom.csv")));
    let found = quoted(source, "bom.csv", &layout, std::path::Path::new("/nowhere"), 12..19).unwrap();
    assert_eq!(found, Quoted::AsReceived { head_end: 11 });
}

#[test]
fn a_row_beyond_the_text_is_an_error() {
    let (layout, scratch) = (layout("[parcel]\ncolumns = [\"PIN\"]\n"), tempfile::tempdir().unwrap());
    let source = Box::new(Cursor::new(fixture("roll.csv.gz")));
    let error = quoted(source, "roll.csv.gz", &layout, scratch.path(), 17..999).unwrap_err();
    assert!(error.of_the_machine(), "{error}");
}

/// Rows are asked for in any order and more than once, and are those of the text as Rust cuts it from the plain file.
#[test]
fn many_rows_of_a_packed_file_are_copied_in_one_pass() {
    let plain = layout("[parcel]\ncolumns = [\"PIN\"]\n[area]\ncolumn = \"SQFT\"\n");
    let (text, scratch) = (b"PIN,SQFT\n01,1200\n02,900\n", tempfile::tempdir().unwrap());
    let open = || {
        let source = Box::new(Cursor::new(fixture("roll.csv.gz")));
        TextAgain::open(source, ("roll.csv.gz", None), &plain, scratch.path()).unwrap()
    };
    let opened = open();
    let head = opened.head.len();
    assert!(opened.packed && text.starts_with(&opened.head));
    assert_eq!(opened.behind, text[head..head + 2]);
    let lines: Vec<std::ops::Range<u64>> = text[head + 1..]
        .split_inclusive(|byte| *byte == b'\n')
        .scan(head as u64 + 1, |at, line| {
            let start = *at;
            *at += line.len() as u64;
            Some(start..*at - 1)
        })
        .collect();
    let asked: Vec<_> = lines.iter().rev().chain(&lines).cloned().collect();
    let rows = RowsAgain::copy(opened, asked, scratch.path()).unwrap();
    for line in &lines {
        let (start, end) = (usize::try_from(line.start).unwrap(), usize::try_from(line.end).unwrap());
        assert_eq!(rows.row(line).unwrap().unwrap(), &text[start..end]);
    }
    assert_eq!(rows.row(&(1..3)).unwrap(), None);
    // what is not there, or lies across another row, is no row
    let beyond = text.len() as u64 + 1;
    let start = head as u64 + 1;
    for wrong in [[start..start + 2, beyond..beyond + 2], [start..start + 4, start + 1..start + 5]] {
        assert!(RowsAgain::copy(open(), wrong.to_vec(), scratch.path()).is_err());
    }
    assert_eq!(std::fs::read_dir(scratch.path()).unwrap().count(), 0);
}
