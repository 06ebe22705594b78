//! Examples that others published, with their source.

use crate::account::{check, layout, read};
use crossfoot_roll::reader::Row;

/// Three columns of text, the first of them the parcel number.
const TEXTS: &str = "[parcel]\ncolumns = [\"a\"]\n[[keep]]\ncolumn = \"a\"\n[[keep]]\ncolumn = \"b\"\n[[keep]]\ncolumn = \"c\"\n";

/// The texts of every row of a file with the columns a, b and c.
fn texts(file: &str, settings: &str) -> Vec<Vec<String>> {
    let (_, rows, _) = read(file.as_bytes(), &layout(&format!("{settings}{TEXTS}")));
    rows.iter()
        .map(|row| match row {
            Row::Entry(entry) => serde_json::from_str(&entry.rest).unwrap(),
            Row::Reject(reject) => panic!("{reject:?}"),
        })
        .collect()
}

#[test]
fn rfc_4180_section_2_rules_1_to_4() {
    // "Each record is located on a separate line", "the last record in the file may or may not have an ending line
    // break", "there maybe an optional header line".
    let expected = [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]];
    assert_eq!(texts("a,b,c\r\naaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", ""), expected);
    assert_eq!(texts("a,b,c\r\naaa,bbb,ccc\r\nzzz,yyy,xxx", ""), expected);
}

#[test]
fn rfc_4180_section_2_rules_5_to_7() {
    // Fields in quotes, line breaks in them, doubled quotes. The reader trims a value, so that the blank before the
    // line break of rule 6 stays and blanks at the ends would not.
    let file = "a,b,c\r\n\"aaa\",\"b \r\nbb\",\"ccc\"\r\nzzz,yyy,xxx\r\n\"aaa\",\"b\"\"bb\",\"ccc\"";
    assert_eq!(texts(file, ""), [["aaa", "b \r\nbb", "ccc"], ["zzz", "yyy", "xxx"], ["aaa", "b\"bb", "ccc"]]);
}

#[test]
fn rfc_4180_says_spaces_are_part_of_a_field_and_a_value_is_trimmed_all_the_same() {
    // Section 2, rule 4. Published rolls pad their columns; the row as published keeps the blanks.
    check(b"a,b,c\n 1 ,x,\n", &layout(TEXTS), &["2  1 ,x, -> 1 area none [\"1\",\"x\",\"\"]"]);
}

#[test]
fn a_pipe_delimited_extract_with_blanks_for_null() {
    // Broward County, Daily Index Extract Files (broward.org/RecordsTaxesTreasury): pipe delimited, blank is null,
    // leading zeros are the publisher's to trim, not ours.
    let settings = "[file]\ndelimiter = \"|\"\nquote = \"\"\n";
    assert_eq!(texts("a|b|c\nA1||000\n", settings), [["A1", "", "000"]]);
}

#[test]
fn good_rows_between_a_stray_comma_and_an_unclosed_quote_are_kept() {
    // No published source: common practice is to keep the good rows and to quarantine the bad with line and reason.
    let tables = "[file]\nrow_lines_max = 1\n[parcel]\ncolumns = [\"PIN\"]\n[area]\ncolumn = \"SQFT\"\n";
    check(
        "\u{feff}PIN,SQFT,YR\r\n01,1200,1950\r\n02,1,300,1961\r\n03,\"1,410,1970\r\n04,900,1930\r\n"
            .as_bytes(),
        &layout(tables),
        &[
            "2 01,1200,1950 -> 01 area 1200.0 []",
            "3 02,1,300,1961 -> wrong_column_count -",
            "4 03,\\\"1,410,1970 -> unclosed_quote -",
            "5 04,900,1930 -> 04 area 900.0 []",
        ],
    );
}

#[test]
fn figures_as_rolls_write_them() {
    // No published source: common practice; zero and blank are missing for an area, unless the class says vacant.
    let tables = "[file]\ndelimiter = \"|\"\n[parcel]\ncolumns = [\"PIN\"]\n[area]\ncolumn = \"SQFT\"\n\
        null = [\"\", \"0\", \"N/A\"]\nthousands = \",\"\n";
    let cases = [
        ("0", "1 area none []"),
        ("", "1 area none []"),
        ("  ", "1 area none []"),
        (" 1284 ", "1 area 1284.0 []"),
        ("1,284", "1 area 1284.0 []"),
        ("1284.50", "1 area 1284.5 []"),
        ("N/A", "1 area none []"),
        ("-1", "negative_number SQFT"),
        ("1 284", "text_in_number SQFT"),
        ("1284 SF", "text_in_number SQFT"),
        ("00001284", "1 area 1284.0 []"),
    ];
    for (raw, expected) in cases {
        let file = format!("PIN|SQFT\n1|{raw}\n");
        check(file.as_bytes(), &layout(tables), &[&format!("2 1|{raw} -> {expected}")]);
    }
}
