//! Files too large to be kept: made when the test runs.

use crate::account::layout;
use crate::outcome::outcome_of_long as outcome;
use crossfoot_roll::layout::Layout;
use crossfoot_roll::limits::{BUFFER_BYTES_MAX, ROW_BYTES_MAX, UNPACKED_RATIO_FROM, UNPACKED_RATIO_MAX};
use crossfoot_roll::original::text;
use crossfoot_roll::reader::RollReader;
use crossfoot_roll::unpack::UnpackError;
use flate2::{Compress, Compression, FlushCompress};
use std::fmt::Write as _;
use std::io::{self, Cursor, Write as _};

const MEBIBYTE: usize = 1 << 20;

fn two_columns() -> Layout {
    layout("[parcel]\ncolumns = [\"PIN\"]\n[area]\ncolumn = \"SQFT\"\n")
}

#[test]
fn a_field_of_ten_megabytes_costs_its_row_and_little_memory() {
    for (open, close) in [("", ""), ("\"", "\"")] {
        let long = "x".repeat(10_000_000);
        let file = format!("PIN,SQFT\n01,1200\n02,{open}{long}{close}\n03,900\n");
        let found = outcome(file.as_bytes(), &two_columns());
        assert_eq!(found.told, ["2: 01 1200.00", "3: row_too_long", "4: 03 900.00"]);
        assert!(found.details[0].contains("the most is 1048576"), "{:?}", found.details);
        let mut reader = RollReader::new(file.as_bytes(), &two_columns()).unwrap();
        while reader.next_row().unwrap().is_some() {}
        assert!(reader.buffer_capacity() < BUFFER_BYTES_MAX + ROW_BYTES_MAX);
    }
}

#[test]
fn a_quoted_field_of_ten_megabytes_in_many_lines_costs_them_and_no_row_behind_it() {
    let mut file = "PIN,SQFT\n01,\"".to_owned();
    for _ in 0..10 {
        writeln!(file, "{}", "x".repeat(MEBIBYTE - 10)).unwrap();
    }
    file.push_str("\"\n02,900\n");
    let found = outcome(file.as_bytes(), &two_columns());
    assert_eq!(found.told.last().unwrap(), "13: 02 900.00");
    assert_eq!(found.told.len(), 12);
}

#[test]
fn five_thousand_columns_are_refused_as_a_header_and_quarantined_as_a_row() {
    let names: Vec<String> = (0..5_000).map(|n| format!("C{n}")).collect();
    let file = format!("PIN,SQFT,{}\n", names.join(","));
    let told = outcome(file.as_bytes(), &two_columns()).told;
    assert_eq!(told, ["refused: header on line 1: 5002 columns, the most is 4096: check the delimiter"]);
    let file = format!("PIN,SQFT\n01,1200\n{}\n02,900\n", names.join(","));
    let found = outcome(file.as_bytes(), &two_columns());
    assert_eq!(found.told, ["2: 01 1200.00", "3: wrong_column_count", "4: 02 900.00"]);
    assert!(found.details[0].starts_with("found 5000 fields, the header has 2"), "{:?}", found.details);
    let most = format!("PIN,SQFT,{}\n01,900{}\n", names[..4_094].join(","), ",".repeat(4_094));
    assert_eq!(outcome(most.as_bytes(), &two_columns()).told, ["2: 01 900.00"]);
}

#[test]
fn rows_that_are_all_wrong_are_all_told() {
    let file = format!("PIN,SQFT\n{}", "x\n".repeat(200_000));
    let mut reader = RollReader::new(file.as_bytes(), &two_columns()).unwrap();
    while reader.next_row().unwrap().is_some() {}
    assert!(reader.buffer_capacity() < BUFFER_BYTES_MAX + ROW_BYTES_MAX);
    assert_eq!(reader.finish().unwrap().rejects_total(), 200_000);
}

/// A raw deflate stream of so many mebibytes of blanks: one mebibyte that refers to nothing before it, over and over.
fn blanks_deflated(mebibytes: usize) -> (Vec<u8>, u32) {
    let mut packer = Compress::new(Compression::best(), false);
    let blanks = vec![b' '; MEBIBYTE];
    let mut one = Vec::with_capacity(64 << 10);
    packer.compress_vec(&blanks, &mut one, FlushCompress::Full).unwrap();
    let mut crc = flate2::Crc::new();
    let mut stream = Vec::new();
    for _ in 0..mebibytes {
        stream.extend_from_slice(&one);
        crc.update(&blanks);
    }
    // the last block, empty
    stream.extend_from_slice(&[3, 0]);
    (stream, crc.sum())
}

/// A zip archive with one deflated file, `roll.csv`.
fn zip(deflated: &[u8], crc: u32, size: u32) -> Vec<u8> {
    let packed = (deflated.len() as u32).to_le_bytes();
    let fields =
        [&[8, 0, 0, 0, 0x21, 0x5C][..], &crc.to_le_bytes(), &packed, &size.to_le_bytes(), &[8, 0, 0, 0]]
            .concat();
    let mut file = [&b"PK\x03\x04\x14\0\0\0"[..], &fields, b"roll.csv", deflated].concat();
    let directory = file.len() as u32;
    file.extend_from_slice(&[&b"PK\x01\x02\x14\0\x14\0\0\0"[..], &fields, &[0; 14], b"roll.csv"].concat());
    let length = file.len() as u32 - directory;
    file.extend_from_slice(
        &[&b"PK\x05\x06\0\0\0\0\x01\0\x01\0"[..], &length.to_le_bytes(), &directory.to_le_bytes(), &[0, 0]]
            .concat(),
    );
    file
}

/// Reads a file to its end or to what stops it, holding nothing of it.
fn read_through(file: Vec<u8>) -> Result<u64, String> {
    let scratch = tempfile::tempdir().unwrap();
    let (mut found, _) = text(Box::new(Cursor::new(file)), "bomb", &two_columns(), scratch.path())
        .map_err(|e| e.to_string())?;
    io::copy(&mut found.source, &mut io::sink()).map_err(|e| UnpackError::within(&e).unwrap().to_string())
}

fn is_called_a_bomb(file: Vec<u8>) {
    let why = read_through(file).unwrap_err();
    assert!(why.contains("made to fill a disk"), "{why}");
    // it is known at once, not when it has come to its end
    let unpacked: u64 =
        why.split("have unpacked to ").nth(1).unwrap().split(',').next().unwrap().parse().unwrap();
    assert!(unpacked < UNPACKED_RATIO_FROM + (4 << 20), "{why}");
}

#[test]
fn bombs_of_gzip_zstd_and_zip_go_off_nowhere() {
    let (stream, crc) = blanks_deflated(80);
    assert!(80 * MEBIBYTE as u64 / UNPACKED_RATIO_MAX > stream.len() as u64);
    let header = [0x1F, 0x8B, 8, 0, 0, 0, 0, 0, 0, 0xFF];
    let size = (80 * MEBIBYTE) as u32;
    is_called_a_bomb([&header[..], &stream, &crc.to_le_bytes(), &size.to_le_bytes()].concat());
    is_called_a_bomb(zip(&stream, crc, size));
    is_called_a_bomb(zstd::encode_all(io::repeat(b' ').take_bytes(80 * MEBIBYTE as u64), 1).unwrap());
}

trait TakeBytes: io::Read + Sized {
    fn take_bytes(self, bytes: u64) -> io::Take<Self> {
        self.take(bytes)
    }
}

impl<R: io::Read> TakeBytes for R {}

#[test]
fn what_unpacks_to_little_is_no_bomb_whatever_its_ratio() {
    let (stream, crc) = blanks_deflated(8);
    let size = (8 * MEBIBYTE) as u32;
    assert_eq!(read_through(zip(&stream, crc, size)), Ok(u64::from(size)));
    let wrong = read_through(zip(&stream, crc ^ 1, size)).unwrap_err();
    assert!(wrong.contains("its checksum does not hold"), "{wrong}");
}

#[test]
fn an_archive_of_more_files_than_anybody_publishes_is_refused() {
    let mut archive = zip::ZipWriter::new(Cursor::new(Vec::new()));
    for number in 0..1_001 {
        archive.start_file(format!("{number}.csv"), zip::write::SimpleFileOptions::default()).unwrap();
    }
    let file = archive.finish().unwrap().into_inner();
    let why = read_through(file).unwrap_err();
    assert_eq!(why, "the zip archive holds 1001 files, the most is 1000: pack only those with the rows");
}

#[test]
fn zstd_is_read_in_frames_and_told_where_it_ends() {
    let rows = |from: usize| {
        (from..from + 3_000).fold(String::new(), |rows, n| rows + &format!("{n},{}\n", n * 7919 % 3001))
    };
    let (first, second) = (format!("PIN,SQFT\n{}", rows(10_000)), rows(20_000));
    let frames =
        [zstd::encode_all(first.as_bytes(), 3).unwrap(), zstd::encode_all(second.as_bytes(), 19).unwrap()];
    let skipped = [&[0x50, 0x2A, 0x4D, 0x18, 3, 0, 0, 0][..], b"abc"].concat();
    let whole = [&frames[0][..], &skipped, &frames[1]].concat();
    let found = outcome(&whole, &two_columns()).told;
    assert_eq!(
        (found.len(), found[0].as_str(), found[5_999].as_str()),
        (6_000, "2: 10000 2613.00", "6001: 22999 1392.00")
    );
    let cut = outcome(&whole[..whole.len() - 100], &two_columns()).told;
    assert!(cut[0].contains("the zstd data end in the middle"), "{cut:?}");
    let garbage = outcome(&[&whole[..], b"garbage"].concat(), &two_columns()).told;
    assert!(garbage[0].starts_with("refused: the zstd data are damaged behind"), "{garbage:?}");
    // a window of two gibibytes would have to be held in memory
    let mut far = zstd::Encoder::new(Vec::new(), 1).unwrap();
    far.window_log(30).unwrap();
    far.write_all(first.as_bytes()).unwrap();
    let far = outcome(&far.finish().unwrap(), &two_columns()).told;
    assert!(far[0].starts_with("refused: the zstd data are damaged behind 0 bytes"), "{far:?}");
}

#[test]
fn a_sheet_of_few_bytes_does_not_fill_the_scratch_folder() {
    // two thousand cells in the last column, each some rows below the one before
    let cells = (1..=2_000).fold(String::new(), |rows, n| {
        rows + &format!("<row r=\"{}\"><c r=\"XFD{0}\"><v>1</v></c></row>", n * 500)
    });
    let first = "<row r=\"1\"><c r=\"A1\"><v>1</v></c></row>";
    let sheet = format!("<worksheet><sheetData>{first}{cells}</sheetData></worksheet>");
    let file = workbook(&sheet);
    let scratch = tempfile::tempdir().unwrap();
    let (mut found, _) = text(Box::new(Cursor::new(file)), "x", &two_columns(), scratch.path()).unwrap();
    assert!(io::copy(&mut found.source, &mut io::sink()).unwrap() < 2 << 20);
}

/// The smallest workbook with this sheet.
fn workbook(sheet: &str) -> Vec<u8> {
    let office = "http://schemas.openxmlformats.org/officeDocument/2006/relationships";
    let relation = |kind: &str, target: &str| {
        format!(
            "<Relationships><Relationship Id=\"r1\" Type=\"{office}/{kind}\" Target=\"{target}\"/></Relationships>"
        )
    };
    let book = format!(
        "<workbook xmlns:r=\"{office}\"><sheets><sheet name=\"S\" sheetId=\"1\" r:id=\"r1\"/></sheets></workbook>"
    );
    let mut archive = zip::ZipWriter::new(Cursor::new(Vec::new()));
    for (name, content) in [
        ("[Content_Types].xml", "<Types/>"),
        ("_rels/.rels", &relation("officeDocument", "xl/workbook.xml")),
        ("xl/workbook.xml", &book),
        ("xl/_rels/workbook.xml.rels", &relation("worksheet", "worksheets/sheet1.xml")),
        ("xl/worksheets/sheet1.xml", sheet),
    ] {
        archive.start_file(name, zip::write::SimpleFileOptions::default()).unwrap();
        archive.write_all(content.as_bytes()).unwrap();
    }
    archive.finish().unwrap().into_inner()
}

#[test]
fn a_cell_that_would_fill_the_memory_is_refused() {
    let long = "x".repeat(3 * MEBIBYTE);
    let rows = format!("<row r=\"1\"><c r=\"A1\" t=\"inlineStr\"><is><t>{long}</t></is></c></row>");
    let why =
        read_through(workbook(&format!("<worksheet><sheetData>{rows}</sheetData></worksheet>"))).unwrap_err();
    assert!(why.contains("longer texts in one cell than is read"), "{why}");
}
