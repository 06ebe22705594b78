//! Encodings, delimiters, quotes and headers.

use crate::at;
use crossfoot_roll::look::{Look, LookError, Options, Separation, Sureness, look};
use crossfoot_roll::original::OriginalReader;
use crossfoot_roll::reader::Batch;

fn utf_16(text: &str, big: bool, mark: bool) -> Vec<u8> {
    let mark = if mark { "\u{FEFF}" } else { "" };
    let units = mark.encode_utf16().chain(text.encode_utf16());
    units.flat_map(|unit| if big { unit.to_be_bytes() } else { unit.to_le_bytes() }).collect()
}

const TEXT: &str =
    "PARCEL,SITUS,LIVING_AREA\n001,1 Peñón St,1284\n002,2 Peñón St,1500\n003,3 Peñón St,1600\n";

fn windows_1252(text: &str) -> Vec<u8> {
    text.chars().map(|letter| u8::try_from(u32::from(letter)).unwrap()).collect()
}

#[test]
fn encodings_are_told_with_how_sure_that_is_and_a_value_to_judge_by() {
    let marked = format!("\u{FEFF}{TEXT}");
    for (bytes, name, sure) in [
        (TEXT.as_bytes().to_vec(), "utf-8", Sureness::Certain),
        (marked.into_bytes(), "utf-8", Sureness::Certain),
        (windows_1252(TEXT), "windows-1252", Sureness::Likely),
        (utf_16(TEXT, false, true), "utf-16le", Sureness::Certain),
        (utf_16(TEXT, true, true), "utf-16be", Sureness::Certain),
        (utf_16(TEXT, false, false), "utf-16le", Sureness::Likely),
        (utf_16(TEXT, true, false), "utf-16be", Sureness::Likely),
    ] {
        let look = at(&bytes);
        assert_eq!((look.encoding.name.as_str(), look.encoding.sure), (name, sure));
        assert_eq!(look.encoding.examples[0].value, "1 Peñón St", "{name}");
        assert_eq!((look.encoding.examples[0].line, look.encoding.examples[0].column.as_str()), (2, "SITUS"));
        assert_eq!(look.columns[0].name, "PARCEL", "{name}");
        assert_eq!(look.rows.counted, 3);
    }
}

#[test]
fn utf_16_is_said_to_be_read_where_an_import_reads_it() {
    for (big, mark) in [(false, true), (true, true), (false, false), (true, false)] {
        let bytes = utf_16(TEXT, big, mark);
        let mut look = at(&bytes);
        assert!(look.encoding.read);
        assert!(look.notes.iter().any(|note| note.contains("imports read it as it is")), "{:?}", look.notes);
        assert!(!serde_json::to_string(&look).unwrap().contains("save it as UTF-8"), "{look:?}");
        // the import itself, by what was proposed
        let source = Box::new(std::io::Cursor::new(bytes.clone()));
        let scratch = std::env::temp_dir();
        let mut reader = OriginalReader::open(source, "roll.csv", &crate::proposed(&look), &scratch).unwrap();
        let mut batch = Batch::default();
        while reader.next_batch(&mut batch, 10).unwrap() {}
        assert_eq!(reader.finish().unwrap().entries, 3);
        look.proposal.as_mut().unwrap().reading.as_mut().unwrap().whole = false;
        look.read_whole(&[], &scratch, || Ok(std::io::Cursor::new(bytes.clone()))).unwrap();
        let reading = look.proposal.unwrap().reading.unwrap();
        assert_eq!((reading.whole, reading.entries), (true, 3));
    }
    // an import tells UTF-16 without a mark by zeros on one side only, and refuses half a character
    let mut damaged = utf_16(&TEXT.repeat(4), false, false);
    damaged[0] = 0;
    let look = at(&damaged);
    assert_eq!((look.encoding.name.as_str(), look.encoding.read), ("utf-16le", false));
    assert!(look.notes.iter().any(|note| note.contains("save it as UTF-8")), "{:?}", look.notes);
    let refusal = |bytes: &[u8]| look_at(bytes).unwrap_err().to_string();
    let whole = utf_16(TEXT, false, true);
    assert!(refusal(&whole[..whole.len() - 1]).contains("not transferred whole"));
    assert!(refusal(b"\xFF\xFE\0\0P\0\0\0").contains("UTF-32"));
}

fn look_at(bytes: &[u8]) -> Result<Look, LookError> {
    look(bytes, "x", &[], &Options::default())
}

#[test]
fn a_letter_that_the_head_cuts_in_two_is_no_fault() {
    let text = format!("PARCEL,SITUS\n{}", "001,ñññññ\n".repeat(100));
    for head_bytes in 200..220 {
        let look = look(text.as_bytes(), "x", &[], &Options { head_bytes, whole: false }).unwrap();
        assert_eq!(
            (look.encoding.name.as_str(), look.encoding.sure),
            ("utf-8", Sureness::Certain),
            "{head_bytes}"
        );
        assert_eq!((look.whole, look.rows.misfits), (false, 0));
    }
}

#[test]
fn one_damaged_row_does_not_make_a_file_of_utf_8_another() {
    let mut bytes = TEXT.repeat(10).into_bytes();
    bytes.extend_from_slice(b"004,4 Pe\xF1on St,1\n");
    let look = at(&bytes);
    assert_eq!((look.encoding.name.as_str(), look.encoding.sure), ("utf-8", Sureness::Likely));
    assert!(look.encoding.reason.contains("60 letters"), "{}", look.encoding.reason);
}

fn told(bytes: &[u8]) -> (Separation, Option<char>, usize) {
    let look = at(bytes);
    (look.shape.separation, look.shape.quote, look.shape.fields)
}

#[test]
fn delimiters_are_told_by_how_evenly_they_divide() {
    let with = |delimiter: &str| {
        ["PARCEL", "SITUS", "AREA"].join(delimiter)
            + "\n"
            + &(0..50)
                .map(|n| {
                    [format!("{n:04}"), format!("{n} ELM ST, REAR"), "1200".to_owned()].join(delimiter) + "\n"
                })
                .collect::<String>()
    };
    assert_eq!(told(with("\t").as_bytes()), (Separation::Tab, Some('"'), 3));
    assert_eq!(told(with("|").as_bytes()), (Separation::Pipe, Some('"'), 3));
    assert_eq!(told(with(";").as_bytes()), (Separation::Semicolon, Some('"'), 3));
    let decimals = "ID;AREA;RATIO\n".to_owned() + &"1;1200,50;0,75\n".repeat(20);
    assert_eq!(told(decimals.as_bytes()), (Separation::Semicolon, Some('"'), 3));
    let quoted = "ID,SITUS,AREA\n".to_owned() + &"1,\"1 ELM ST, REAR\",1200\n".repeat(20);
    assert_eq!(told(quoted.as_bytes()), (Separation::Comma, Some('"'), 3));
    assert_eq!(told(b"PARCEL\n001\n002\n").0, Separation::None);
}

#[test]
fn inch_marks_in_tab_files_turn_quoting_off() {
    let text = "PARCEL\tSITUS\tNOTE\n".to_owned()
        + &(0..40).map(|n| format!("{n}\t{n} ELM ST\t\"L\" SHAPED, 12\" WALL\n")).collect::<String>();
    let look = at(text.as_bytes());
    assert_eq!((look.shape.quote, look.shape.fields, look.rows.misfits), (None, 3, 0));
    assert!(look.shape.quoting.starts_with("off"), "{}", look.shape.quoting);
}

#[test]
fn rows_over_several_lines_are_counted_as_one() {
    let text = "PARCEL,LEGAL,AREA\n".to_owned()
        + &(0..30).map(|n| format!("{n},\"LOT {n}\nBLOCK 1\r\nPLAT\",900\n")).collect::<String>();
    let look = at(text.as_bytes());
    assert_eq!((look.rows.counted, look.rows.rows_over_lines, look.shape.row_lines), (30, 30, 3));
    assert!(look.shape.line_ends.starts_with("mixed: LF"), "{}", look.shape.line_ends);
}

fn header(look: &Look) -> (bool, Option<u64>) {
    (look.header.present, look.header.line)
}

#[test]
fn headers_are_found_behind_titles_and_missed_where_there_are_none() {
    let body: String = (0..30).map(|n| format!("{n:05},{n} ELM ST,{}\n", 900 + n)).collect();
    assert_eq!(header(&at(format!("PARCEL,SITUS,AREA\n{body}").as_bytes())), (true, Some(1)));
    let titled = at(format!("Basalt County\n\nAs of 1 January 2026,,\nPARCEL,SITUS,AREA\n{body}").as_bytes());
    assert_eq!(header(&titled), (true, Some(4)));
    assert_eq!(titled.header.title_lines, ["Basalt County", "As of 1 January 2026"]);
    assert_eq!(titled.rows.counted, 30);
    assert!(
        titled.notes.iter().any(|note| note.starts_with("3 lines before the header")),
        "{:?}",
        titled.notes
    );
    let none = at(body.as_bytes());
    assert_eq!(header(&none), (false, None));
    assert_eq!((none.rows.counted, none.columns[0].name.as_str()), (30, "column 1"));
    let again = at(format!("PARCEL,SITUS,AREA\n{body}PARCEL,SITUS,AREA\n{body}").as_bytes());
    assert_eq!((again.header.repeated_on.as_slice(), again.rows.counted), ([32].as_slice(), 60));
}

#[test]
fn a_header_that_is_one_name_short_is_told() {
    let text = "PARCEL,SITUS,AREA\n".to_owned() + &"001,1 ELM ST,900,\n".repeat(20);
    let look = at(text.as_bytes());
    assert_eq!(header(&look), (true, Some(1)));
    assert!(
        look.notes.iter().any(|note| note.contains("3 names, most rows have 4 fields")),
        "{:?}",
        look.notes
    );
}

#[test]
fn fixed_places_are_told_and_records_are_not_shown() {
    let text: String =
        (0..40).map(|n| format!("{n:08}{:<20}{:<12}{:>6}\n", "SECRETLY ADA", "1 ELM ST", 900 + n)).collect();
    let look = at(text.as_bytes());
    assert_eq!(look.shape.separation, Separation::FixedWidth);
    assert!(!serde_json::to_string(&look).unwrap().contains("SECRETLY"), "{look:?}");
}

#[test]
fn what_is_no_text_is_refused_with_the_mend() {
    let refusal = |bytes: &[u8]| look(bytes, "x", &[], &Options::default()).unwrap_err().to_string();
    assert!(refusal(b"PK\x03\x04rest").contains("unpack it"));
    assert!(refusal(b"\x1F\x8B\x08rest").contains("gzip"));
    assert!(refusal(b"").contains("is empty"));
    assert!(refusal(b"\n\r\n\n").contains("is empty"));
    // "PARCEL 00123" in EBCDIC, code page 037
    let ebcdic = [0xD7, 0xC1, 0xD9, 0xC3, 0xC5, 0xD3, 0x40, 0xF0, 0xF0, 0xF1, 0xF2, 0xF3];
    assert!(refusal(&ebcdic.repeat(20)).contains("EBCDIC"));
    let wide = "A,".repeat(5_000) + "A\n";
    assert!(matches!(
        look(wide.as_bytes(), "x", &[], &Options::default()),
        Err(LookError::TooManyColumns { columns: 5_001, .. })
    ));
}

#[test]
fn the_whole_file_is_counted_when_that_is_asked_for() {
    let text = "PARCEL,LIVING_AREA\n".to_owned()
        + &(1..=5_000).map(|n| format!("{n:06},{}\n", 900 + n % 500)).collect::<String>();
    let beginning = look(text.as_bytes(), "x", &[], &Options { head_bytes: 1_000, whole: false }).unwrap();
    assert!(!beginning.whole && beginning.rows.counted < 100);
    let mut whole = look(text.as_bytes(), "x", &[], &Options { head_bytes: 1_000, whole: true }).unwrap();
    assert_eq!((whole.whole, whole.rows.counted, whole.bytes), (true, 5_000, text.len() as u64));
    assert!(!whole.proposal.as_ref().unwrap().reading.as_ref().unwrap().whole);
    whole.read_whole(&[], &std::env::temp_dir(), || Ok(std::io::Cursor::new(text.clone()))).unwrap();
    let reading = whole.proposal.unwrap().reading.unwrap();
    assert_eq!((reading.whole, reading.rows, reading.entries), (true, 5_000, 5_000));
}
