//! Files as they should not be: the good rows are kept, each bad one is quarantined with its line and bytes.

use crate::account::{check, details, layout, read, told};
use crossfoot_roll::entry::Reason;
use crossfoot_roll::layout::Layout;
use crossfoot_roll::reader::Row;
use std::collections::BTreeMap;

/// PIN, SQFT and YR, the area not required.
fn three_columns() -> Layout {
    layout("[parcel]\ncolumns = [\"PIN\"]\n[area]\ncolumn = \"SQFT\"\n[year_built]\ncolumn = \"YR\"\n")
}

fn with_area(settings: &str) -> Layout {
    layout(&format!("[parcel]\ncolumns = [\"PIN\"]\n[area]\ncolumn = \"SQFT\"\n{settings}"))
}

#[test]
fn a_file_with_only_a_header_has_no_rows() {
    let (header, rows, summary) = read(b"PIN,SQFT,YR\n", &three_columns());
    assert_eq!((header.line, header.byte_start, header.byte_length), (1, 0, 11));
    assert_eq!((rows.len(), summary.rows_total, summary.lines), (0, 0, 1));
}

#[test]
fn an_unclosed_quote_costs_its_line_and_not_the_good_rows_after_it() {
    let file = b"PIN,SQFT,YR\n01,1200,1950\n02,\"900,1930\n03,1000,1960\n\"04\",1100,1970\n05,1300,1980\n";
    check(
        file,
        &three_columns(),
        &[
            "2 01,1200,1950 -> 01 area 1200.0 []",
            "3 02,\\\"900,1930 -> unclosed_quote -",
            "4 03,1000,1960 -> 03 area 1000.0 []",
            "5 \\\"04\\\",1100,1970 -> 04 area 1100.0 []",
            "6 05,1300,1980 -> 05 area 1300.0 []",
        ],
    );
    assert_eq!(
        details(file, &three_columns()),
        [
            "a quote opens on line 3 and closes on a later line with text behind it: close it, double it if it \
          belongs to the text, or set quote = \"\" if the file does not quote; reading goes on at the next line"
        ]
    );
}

#[test]
fn an_unclosed_quote_at_the_end_of_the_file_keeps_the_rows_behind_it() {
    let file = b"PIN,SQFT,YR\n01,\"1200,1950\n02,900,1930";
    check(
        file,
        &three_columns(),
        &["2 01,\\\"1200,1950 -> unclosed_quote -", "3 02,900,1930 -> 02 area 900.0 []"],
    );
    assert!(details(file, &three_columns())[0].contains("does not close before the file ends"));
}

#[test]
fn a_row_may_span_the_declared_number_of_lines_and_no_more() {
    let kept = "[[keep]]\ncolumn = \"LEGAL\"\n[file]\nrow_lines_max = 3\n[parcel]\ncolumns = [\"PIN\"]\n";
    check(
        b"PIN,LEGAL\n01,\"a\nb\r\nc\"\n02,\"a\nb\nc\nd\"\n03,x\n",
        &layout(kept),
        &[
            "2 01,\\\"a\\nb\\r\\nc\\\" -> 01 area none [\"a\\nb\\r\\nc\"]",
            "5 02,\\\"a -> unclosed_quote -",
            "6 b -> wrong_column_count -",
            "7 c -> wrong_column_count -",
            "8 d\\\" -> wrong_column_count -",
            "9 03,x -> 03 area none [\"x\"]",
        ],
    );
}

#[test]
fn a_row_of_several_lines_with_the_wrong_column_count_gives_its_other_lines_back() {
    let file = b"PIN,SQFT,YR\n01,\"1200,1950\n02,900,\"\n03,900,1931\n";
    check(
        file,
        &three_columns(),
        &[
            "2 01,\\\"1200,1950 -> unclosed_quote -",
            "3 02,900,\\\" -> unclosed_quote -",
            "4 03,900,1931 -> 03 area 900.0 []",
        ],
    );
    assert!(details(file, &three_columns())[0].contains("makes a row of 2 fields, the header has 3"));
}

#[test]
fn text_behind_a_closing_quote_matters_only_in_a_mapped_column() {
    let table = "[parcel]\ncolumns = [\"PIN\"]\n[[keep]]\ncolumn = \"NOTE\"\n";
    check(
        b"PIN,NOTE,OWNER\n01,\"a \"b\" c\",x\n02,y,\"a \"b\" c\"\n",
        &layout(table),
        &[
            "2 01,\\\"a \\\"b\\\" c\\\",x -> unclosed_quote NOTE",
            "3 02,y,\\\"a \\\"b\\\" c\\\" -> 02 area none [\"y\"]",
        ],
    );
}

#[test]
fn quotes_are_text_where_the_layout_turns_quoting_off() {
    let table = "[file]\ndelimiter = \"\\t\"\nquote = \"\"\n[parcel]\ncolumns = [\"PIN\"]\n[[keep]]\ncolumn = \"NOTE\"\n";
    check(
        b"PIN\tNOTE\n01\t\"5\" pipe\n02\tb\n",
        &layout(table),
        &["2 01\\t\\\"5\\\" pipe -> 01 area none [\"\\\"5\\\" pipe\"]", "3 02\\tb -> 02 area none [\"b\"]"],
    );
}

#[test]
fn ragged_rows_are_told_what_is_likely() {
    let file = b"PIN,SQFT,YR\n01,1,200,1950\n02,900\n03,a,b,c\n04,900,1930\n";
    check(
        file,
        &three_columns(),
        &[
            "2 01,1,200,1950 -> wrong_column_count -",
            "3 02,900 -> wrong_column_count -",
            "4 03,a,b,c -> wrong_column_count -",
            "5 04,900,1930 -> 04 area 900.0 []",
        ],
    );
    let told = details(file, &three_columns());
    assert_eq!(
        told[0],
        "found 4 fields, the header has 3: a separator of thousands in a number without quotes is likely, the \
         publisher must quote the number"
    );
    assert!(told[1].contains("a row cut short"));
    assert!(told[2].contains("a delimiter inside a field"));
}

#[test]
fn thousands_are_read_only_where_the_layout_declares_them() {
    let file = b"PIN,SQFT,YR\n01,\"1,284\",1950\n02,1284,1950\n";
    check(
        file,
        &three_columns(),
        &["2 01,\\\"1,284\\\",1950 -> thousands_separator SQFT", "3 02,1284,1950 -> 02 area 1284.0 []"],
    );
    check(
        file,
        &with_area("thousands = \",\"\n"),
        &["2 01,\\\"1,284\\\",1950 -> 01 area 1284.0 []", "3 02,1284,1950 -> 02 area 1284.0 []"],
    );
    assert_eq!(
        details(file, &three_columns()),
        [
            "SQFT holds \"1,284\": thousands separator not declared: set thousands to \",\" in the layout if the \
          source writes it"
        ]
    );
}

#[test]
fn text_negative_and_absurd_figures_quarantine_the_row() {
    let file = b"PIN,SQFT,YR\n1,1284 SF,1950\n2,-1,1950\n3,1000000,1950\n4,1000001,1950\n5,900,about 1950\n\
        6,900,-5\n7,900,19500\n8,=1+1,1950\n9,SQFT,YR\n";
    check(
        file,
        &three_columns(),
        &[
            "2 1,1284 SF,1950 -> text_in_number SQFT",
            "3 2,-1,1950 -> negative_number SQFT",
            "4 3,1000000,1950 -> 3 area 1000000.0 []",
            "5 4,1000001,1950 -> absurd_area SQFT",
            "6 5,900,about 1950 -> text_in_number YR",
            "7 6,900,-5 -> negative_number YR",
            "8 7,900,19500 -> text_in_number YR",
            "9 8,=1+1,1950 -> text_in_number SQFT",
            "10 9,SQFT,YR -> text_in_number SQFT",
        ],
    );
    assert!(details(file, &three_columns())[7].contains("the header line again"));
}

#[test]
fn a_blank_or_zero_area_keeps_the_record_unless_the_layout_requires_one() {
    let file = b"PIN,SQFT,USE\n1,,R\n2,0,R\n3, ,V\n4,0,V\n5,900,R\n";
    check(
        file,
        &with_area(""),
        &[
            "2 1,,R -> 1 area none []",
            "3 2,0,R -> 2 area none []",
            "4 3, ,V -> 3 area none []",
            "5 4,0,V -> 4 area none []",
            "6 5,900,R -> 5 area 900.0 []",
        ],
    );
    check(
        file,
        &with_area("blank = \"reject\"\nzero = \"reject\"\n[class]\ncolumn = \"USE\"\nvacant = [\"V\"]\n"),
        &[
            "2 1,,R -> blank_area SQFT",
            "3 2,0,R -> zero_area SQFT",
            "4 3, ,V -> 3 area none []",
            "5 4,0,V -> 4 area none []",
            "6 5,900,R -> 5 area 900.0 []",
        ],
    );
}

#[test]
fn the_first_reason_in_the_fixed_order_wins() {
    let settings = "blank = \"reject\"\nzero = \"reject\"\n[value]\ncolumn = \"VALUE\"\n";
    check(
        b"PIN,SQFT,VALUE\n1,,x\n2,0,x\n3,0,-1\n4,-1,x\n5,x\0,x,\n6,x\0,x\n,0,1\n,-1,1\n,900,1\n",
        &with_area(settings),
        &[
            "2 1,,x -> blank_area SQFT",
            "3 2,0,x -> text_in_number VALUE",
            "4 3,0,-1 -> zero_area SQFT",
            "5 4,-1,x -> text_in_number VALUE",
            "6 5,x\\x00,x, -> wrong_column_count -",
            "7 6,x\\x00,x -> nul_byte SQFT",
            "8 ,0,1 -> zero_area SQFT",
            "9 ,-1,1 -> negative_number SQFT",
            "10 ,900,1 -> blank_parcel PIN",
        ],
    );
}

#[test]
fn a_parcel_number_that_lost_digits_is_never_repaired() {
    let (_, rows, _) = read(b"PIN,SQFT,YR\n1.23E+13,900,1950\n", &three_columns());
    let Row::Reject(reject) = &rows[0] else { panic!("{rows:?}") };
    assert_eq!((reject.reason, reject.column.as_deref()), (Reason::ScientificParcel, Some("PIN")));
    assert!(reject.detail.contains("scientific notation"), "{}", reject.detail);
}

#[test]
fn formula_cells_stay_text() {
    let table = "[parcel]\ncolumns = [\"PIN\"]\n[[keep]]\ncolumn = \"NOTE\"\n";
    check(
        b"PIN,NOTE\n01,=HYPERLINK(1)\n02,+1\n03,@x\n",
        &layout(table),
        &[
            "2 01,=HYPERLINK(1) -> 01 area none [\"=HYPERLINK(1)\"]",
            "3 02,+1 -> 02 area none [\"+1\"]",
            "4 03,@x -> 03 area none [\"@x\"]",
        ],
    );
}

#[test]
fn tabs_between_fields_are_not_text_and_tabs_in_them_are() {
    let table = "[file]\ndelimiter = \"\\t\"\n[parcel]\ncolumns = [\"PIN\"]\n[[keep]]\ncolumn = \"NOTE\"\n";
    check(
        b"PIN\tNOTE\n01\ta b\n02\t\"a\tb\"\n03\ta\\b\n",
        &layout(table),
        &[
            "2 01\\ta b -> 01 area none [\"a b\"]",
            "3 02\\t\\\"a\\tb\\\" -> 02 area none [\"a\\tb\"]",
            "4 03\\ta\\\\b -> 03 area none [\"a\\\\b\"]",
        ],
    );
}

#[test]
fn kept_columns_are_checked_by_their_kind_unless_optional() {
    let table = "[parcel]\ncolumns = [\"PIN\"]\n[[keep]]\ncolumn = \"ST\"\nkind = \"decimal\"\n[[keep]]\ncolumn = \"G\"\n\
        kind = \"area\"\noptional = true\n[[keep]]\ncolumn = \"BEDS\"\nkind = \"whole\"\nname = \"bedrooms\"\n[[keep]]\n\
        column = \"TAX\"\nkind = \"money\"\nthousands = \",\"\n";
    check(
        b"PIN|ST|G|BEDS|TAX\n1|1.5|see note|3|1,200.50\n2|1 1/2|0|3|0\n3|2||2.5|0\n4|||| \n5|1|1|1|1.234\n",
        &layout(&format!("[file]\ndelimiter = \"|\"\n{table}")),
        &[
            "2 1|1.5|see note|3|1,200.50 -> 1 area none [\"1.5\",\"see note\",\"3\",\"1,200.50\"]",
            "3 2|1 1/2|0|3|0 -> text_in_number ST",
            "4 3|2||2.5|0 -> text_in_number BEDS",
            "5 4|||| -> 4 area none [\"\",\"\",\"\",\"\"]".replace("||||", "|||| ").as_str(),
            "6 5|1|1|1|1.234 -> text_in_number TAX",
        ],
    );
}

#[test]
fn every_line_end_counts_as_one_line_and_blank_lines_count_too() {
    let expected = ["2 01,1200,1950 -> 01 area 1200.0 []", "4 02,900,1930 -> 02 area 900.0 []"];
    check(b"PIN,SQFT,YR\r\n01,1200,1950\r\n\r\n02,900,1930\r\n", &three_columns(), &expected);
    check(b"PIN,SQFT,YR\r01,1200,1950\r\r02,900,1930", &three_columns(), &expected);
    check(b"PIN,SQFT,YR\n01,1200,1950\n\n02,900,1930\n\n\n", &three_columns(), &expected);
    let (_, _, summary) = read(b"\n\r\nPIN,SQFT,YR\n01,1200,1950\n\n", &three_columns());
    assert_eq!((summary.lines, summary.rows_total), (5, 1));
}

#[test]
fn a_byte_order_mark_counts_as_bytes_and_belongs_to_no_column() {
    let file = b"\xEF\xBB\xBFPIN,SQFT,YR\r\n\"01\",1200,1950\r\n";
    let (header, rows, _) = read(file, &three_columns());
    assert_eq!((header.names[0].as_str(), header.byte_start), ("PIN", 3));
    assert_eq!(told(file, &rows), ["2 \\\"01\\\",1200,1950 -> 01 area 1200.0 []"]);
    let Row::Entry(entry) = &rows[0] else { panic!("{rows:?}") };
    assert_eq!((entry.byte_start, entry.byte_length), (16, 14));
}

#[test]
fn a_byte_order_mark_in_the_middle_of_a_file_is_text() {
    let table = layout("[file]\nrow_lines_max = 1\n[parcel]\ncolumns = [\"PIN\"]\n");
    let file = "PIN,A\n\u{feff}1,\"2\"\n\u{feff}2,2\n\"x\n\u{feff}3,\"2\"\n";
    let (_, rows, _) = read(file.as_bytes(), &table);
    let parcels: Vec<&str> = rows
        .iter()
        .filter_map(|row| match row {
            Row::Entry(entry) => Some(entry.parcel_raw.as_str()),
            Row::Reject(_) => None,
        })
        .collect();
    assert_eq!(parcels, ["\u{feff}1", "\u{feff}2", "\u{feff}3"]);
}

#[test]
fn the_old_mark_of_the_end_of_a_file_is_ignored_at_the_end_only() {
    let expected = ["2 01,1200,1950 -> 01 area 1200.0 []"];
    for end in [&b"\x1A"[..], b"\n\x1A", b"\r\n\x1A\x1A\x1A", b"\n\x1A\r\n"] {
        check(&[b"PIN,SQFT,YR\n01,1200,1950", end].concat(), &three_columns(), &expected);
    }
    check(
        b"PIN,SQFT,YR\n\x1A\n01,1200,1950",
        &three_columns(),
        &["2 \\x1a -> wrong_column_count -", "3 01,1200,1950 -> 01 area 1200.0 []"],
    );
}

#[test]
fn invalid_utf8_names_the_column_and_the_byte_of_the_file() {
    let file = b"PIN,OWNER,SQFT\n01,Nu\xF1ez,900\n02,Nu\xC3\xB1ez,900\n03,\"Nu\xF1ez\",900\n";
    check(
        file,
        &with_area(""),
        &[
            "2 01,Nu\\xf1ez,900 -> invalid_encoding OWNER",
            "3 02,Nu\\xc3\\xb1ez,900 -> 02 area 900.0 []",
            "4 03,\\\"Nu\\xf1ez\\\",900 -> invalid_encoding OWNER",
        ],
    );
    assert_eq!(
        details(file, &with_area(""))[0],
        "OWNER is not valid utf-8 at byte 20 of the file: set encoding = \"windows-1252\" if the file is in that, or \
         export it again as UTF-8"
    );
}

#[test]
fn windows_1252_is_decoded_and_its_undefined_bytes_are_quarantined() {
    let table =
        "[file]\nencoding = \"windows-1252\"\n[parcel]\ncolumns = [\"PIN\"]\n[[keep]]\ncolumn = \"NOTE\"\n";
    check(
        b"PIN,NOTE\n01,Nu\xF1ez \x80 \x96\n02,\x81\n03,\"\x8A,\xFF\"\n",
        &layout(table),
        &[
            "2 01,Nu\\xf1ez \\x80 \\x96 -> 01 area none [\"Nuñez € –\"]",
            "3 02,\\x81 -> invalid_encoding NOTE",
            "4 03,\\\"\\x8a,\\xff\\\" -> 03 area none [\"Š,ÿ\"]",
        ],
    );
}

#[test]
fn equal_mapped_values_have_equal_hashes_wherever_they_stand() {
    let (_, rows, _) =
        read(b"PIN,SQFT,YR\n1,900,1950\n1 , 900.0,1950\n1,901,1950\n1,900,\n", &three_columns());
    let hashes: Vec<u64> = rows
        .iter()
        .map(|row| match row {
            Row::Entry(entry) => entry.content_hash,
            Row::Reject(reject) => panic!("{reject:?}"),
        })
        .collect();
    assert_eq!(hashes[0], hashes[1]);
    assert_ne!(hashes[0], hashes[2]);
    assert_ne!(hashes[0], hashes[3]);
}

#[test]
fn the_fixture_with_one_of_each_fault_is_quarantined_by_reason() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../fixtures/hostile");
    let layout =
        Layout::from_toml(&std::fs::read_to_string(format!("{folder}/layout.toml")).unwrap()).unwrap();
    let file = std::fs::read(format!("{folder}/roll.csv")).unwrap();
    let (_, _, summary) = read(&file, &layout);
    // Every reason but a row of more than a mebibyte, and those that are seen when rows are put together.
    let elsewhere = [
        Reason::RowTooLong,
        // of damaged numbers it has one in scientific notation
        Reason::BadParcel,
        Reason::DuplicateParcel,
        Reason::BadDate,
        Reason::UnknownCode,
        Reason::OrphanRow,
        Reason::TooManyRows,
    ];
    let expected: BTreeMap<Reason, u64> = Reason::ALL
        .into_iter()
        .filter(|reason| !elsewhere.contains(reason))
        .map(|reason| (reason, 1))
        .collect();
    assert_eq!(summary.rejects, expected);
    assert_eq!((summary.entries, summary.lines), (4, 19));
}
