//! What refuses a file as a whole.

use crate::account::layout;
use crossfoot_roll::reader::RollReader;

/// The message with which a file is refused.
fn refusal(file: &[u8], tables: &str) -> String {
    RollReader::new(file, &layout(tables)).unwrap_err().to_string()
}

const PIN_AND_AREA: &str = "[parcel]\ncolumns = [\"PIN\"]\n[area]\ncolumn = \"LIVING_AREA\"\n";

#[test]
fn an_empty_file_is_refused() {
    for file in [&b""[..], b"\n\r\n", b"\xEF\xBB\xBF", b"\x1A"] {
        assert_eq!(
            refusal(file, PIN_AND_AREA),
            "the file is empty: expected a header line with column names"
        );
    }
}

#[test]
fn a_missing_column_is_named_with_what_there_is_and_the_nearest() {
    assert_eq!(
        refusal(b"PIN,Living Area,YR\n", PIN_AND_AREA),
        "header on line 1: no column \"LIVING_AREA\", the nearest is \"Living Area\"; the file has PIN, Living Area, \
         YR: correct the layout or the file"
    );
    assert_eq!(
        refusal(b"\nPIN,YR\n", PIN_AND_AREA),
        "header on line 2: no column \"LIVING_AREA\"; the file has PIN, YR: correct the layout or the file"
    );
    assert!(refusal(b"PIN,LIVNG_AREA\n", PIN_AND_AREA).contains("the nearest is \"LIVNG_AREA\""));
}

#[test]
fn another_delimiter_in_the_header_is_told() {
    assert_eq!(
        refusal(b"PIN\tLIVING_AREA\tYR\n1\t2\t3\n", PIN_AND_AREA),
        "header on line 1: one column only when split at ',', 3 when split at \"\\t\": set delimiter = \"\\t\""
    );
    assert!(refusal(b"PIN;LIVING_AREA\n", PIN_AND_AREA).contains("set delimiter = \";\""));
}

#[test]
fn names_are_matched_as_they_are_then_without_regard_to_case() {
    let reader = RollReader::new(&b" pin ,\"Living_Area\"\n"[..], &layout(PIN_AND_AREA)).unwrap();
    assert_eq!(reader.header().names, ["pin", "Living_Area"]);
    assert!(RollReader::new(&b"PIN,pin,LIVING_AREA\n"[..], &layout(PIN_AND_AREA)).is_ok());
}

#[test]
fn a_mapped_column_twice_is_refused_and_an_unmapped_one_is_not() {
    assert_eq!(
        refusal(b"PIN,LIVING_AREA,PIN\n", PIN_AND_AREA),
        "header on line 1: column \"PIN\" stands at places 1 and 3: which one is meant cannot be told, rename the \
         others"
    );
    assert!(refusal(b"pin,Pin,LIVING_AREA\n", PIN_AND_AREA).contains("places 1 and 2"));
    assert!(RollReader::new(&b"PIN,X,X,LIVING_AREA\n"[..], &layout(PIN_AND_AREA)).is_ok());
}

#[test]
fn bytes_that_are_no_text_are_refused_with_what_to_do() {
    assert!(refusal(b"\xFF\xFEP\0I\0N\0", PIN_AND_AREA).contains("UTF-16"));
    assert!(refusal(b"P\0I\0N\0", PIN_AND_AREA).contains("UTF-16"));
    assert!(refusal(b"PK\x03\x04", PIN_AND_AREA).contains("zip"));
    assert!(refusal(b"\x1F\x8B\x08", PIN_AND_AREA).contains("gzip"));
    assert!(refusal(b"PIN,A\0B\n", PIN_AND_AREA).contains("a NUL byte"));
    assert!(refusal(b"PIN,\"LIVING_AREA\n1,2\n", PIN_AND_AREA).contains("a quote opens and does not close"));
    assert!(
        refusal(b"PIN,A\xF1O\n", PIN_AND_AREA).starts_with("header on line 1: byte 5 is not valid utf-8")
    );
    let windows = format!("[file]\nencoding = \"windows-1252\"\n{PIN_AND_AREA}");
    assert!(refusal(b"\xEF\xBB\xBFPIN,LIVING_AREA\n", &windows).contains("set encoding = \"utf-8\""));
}

#[test]
fn a_first_line_that_is_no_header_is_refused() {
    assert!(refusal(&vec![b'x'; 300_000], PIN_AND_AREA).contains("300000 bytes, the most is 262144"));
    assert!(refusal(&vec![b'x'; 2_000_000], PIN_AND_AREA).contains("2000000 bytes, the most is 262144"));
    assert!(refusal(&vec![b','; 4_096], PIN_AND_AREA).contains("4097 columns, the most is 4096"));
}
