//! Archives with several tables of a roll: the same records and rows as from the loose files, and what is refused.

use crate::shipped::{files, open};
use crossfoot_roll::again::{RowsAgain, TextAgain};
use crossfoot_roll::assemble::{
    AssembleError, Assembled, AssembledBatch, FileSummary, Looked, look, named_twice,
};
use crossfoot_roll::check::passed_over;
use crossfoot_roll::entry::{Entry, Reject};
use crossfoot_roll::layout::Layout;
use crossfoot_roll::limits::TEXTS_MAX;
use crossfoot_roll::original::OriginalReader;
use sha2::{Digest as _, Sha256};
use std::io::{Cursor, Write as _};

const HARRIS: &str = "us-tx-201-harris";

type Files = Vec<(String, Vec<u8>)>;

/// A zip archive whose files are stored as they are, in this order.
fn zipped(files: &[(&str, &[u8])]) -> Vec<u8> {
    let mut writer = zip::ZipWriter::new(Cursor::new(Vec::new()));
    let stored = zip::write::SimpleFileOptions::default().compression_method(zip::CompressionMethod::Stored);
    for (name, bytes) in files {
        writer.start_file(*name, stored).unwrap();
        writer.write_all(bytes).unwrap();
    }
    writer.finish().unwrap().into_inner()
}

fn archive(name: &str, files: &[(&str, &[u8])]) -> (String, Vec<u8>) {
    (name.to_owned(), zipped(files))
}

fn loose() -> Files {
    files(HARRIS)
}

/// The tables in an archive under a folder, with a readme, in the order of the tables or turned around.
fn whole(turned: bool) -> (String, Vec<u8>) {
    let tables = loose();
    let names: Vec<String> = tables.iter().map(|(name, _)| format!("2025/{name}")).collect();
    let mut all: Vec<(&str, &[u8])> = vec![("Readme.txt", b"The tables.\n"), ("map.pdf", b"%PDF-1.7\n")];
    all.extend(names.iter().zip(&tables).map(|(name, (_, bytes))| (name.as_str(), bytes.as_slice())));
    if turned {
        all.reverse();
    }
    archive("roll.zip", &all)
}

struct Read {
    entries: Vec<(u16, Entry)>,
    rejects: Vec<(u16, Reject)>,
    summaries: Vec<FileSummary>,
    /// The most bytes that were told on the way.
    bytes: u64,
}

fn read(files: &Files, layout: &Layout) -> Read {
    let scratch = tempfile::tempdir().unwrap();
    let mut assembled = Assembled::open(open(files), layout, scratch.path()).unwrap();
    let (mut entries, mut rejects, mut bytes) = (Vec::new(), Vec::new(), 0);
    let mut batch = AssembledBatch::default();
    while assembled.next_batch(&mut batch, 7).unwrap() {
        entries.append(&mut batch.entries);
        rejects.append(&mut batch.rejects);
        assert!(batch.bytes_read >= bytes, "progress goes on");
        bytes = batch.bytes_read;
    }
    Read { entries, rejects, summaries: assembled.finish().unwrap().0, bytes }
}

fn looked(files: &Files, layout: &Layout) -> Result<Looked, AssembleError> {
    let scratch = tempfile::tempdir().unwrap();
    look(open(files), layout, scratch.path())
}

fn refusal(files: &Files, layout: &Layout) -> String {
    let scratch = tempfile::tempdir().unwrap();
    let refused = looked(files, layout).unwrap_err().to_string();
    let opened = Assembled::open(open(files), layout, scratch.path()).map(|_| ()).unwrap_err();
    assert_eq!(opened.to_string(), refused);
    refused
}

fn texts(looked: &Looked) -> Vec<(usize, Option<&str>)> {
    looked.texts.iter().map(|text| (text.file, text.within.as_deref())).collect()
}

/// The loose tables in the order of the layout, which is that of the texts of an archive.
fn in_order(layout: &Layout) -> Files {
    let mut tables = loose();
    tables.sort_by_key(|(name, _)| layout.table_of(name));
    tables
}

#[test]
fn an_archive_of_all_tables_reads_as_the_loose_files_in_the_order_of_the_layout() {
    let layout = Layout::shipped(HARRIS).unwrap();
    let (plain, names) = (read(&in_order(layout), layout), in_order(layout));
    assert!(!plain.entries.is_empty() && !plain.rejects.is_empty());
    for turned in [false, true] {
        let file = whole(turned);
        let packed = read(&vec![file.clone()], layout);
        assert_eq!(packed.entries, plain.entries);
        // a detail that names another line names its text
        let details = |read: &Read| {
            let told = |detail: &str| detail.replace("2025/", "").replace(" in roll.zip", "");
            let rows = read
                .rejects
                .iter()
                .map(|(file, reject)| (*file, Reject { detail: told(&reject.detail), ..reject.clone() }));
            rows.collect::<Vec<_>>()
        };
        assert_eq!(details(&packed), details(&plain));
        assert_eq!(packed.bytes, file.1.len() as u64, "the bytes of the archive count once");
        let hash = hex::encode(Sha256::digest(&file.1));
        for (one, other) in packed.summaries.iter().zip(&plain.summaries) {
            assert_eq!((one.summary.bytes, &one.summary.sha256), (file.1.len() as u64, &hash));
            assert_eq!((&one.table, one.summary.rows_total), (&other.table, other.summary.rows_total));
        }
        let looked = looked(&vec![file], layout).unwrap();
        let within: Vec<String> = names.iter().map(|(name, _)| format!("2025/{name}")).collect();
        let expected: Vec<_> = within.iter().map(|name| (0, Some(name.as_str()))).collect();
        assert_eq!(texts(&looked), expected);
        let [(name, others)] = looked.passed_over.as_slice() else { panic!("{:?}", looked.passed_over) };
        let remark = passed_over(name, others).unwrap();
        assert_eq!(remark.kind, "passed_over");
        let listed = if turned { "\"map.pdf\", \"Readme.txt\"" } else { "\"Readme.txt\", \"map.pdf\"" };
        assert!(
            remark.sentence.starts_with(&format!(
                "besides, roll.zip holds 2 more that the layout does not read: {listed};"
            )),
            "{}",
            remark.sentence
        );
    }
}

#[test]
fn archives_and_loose_files_go_together() {
    let layout = Layout::shipped(HARRIS).unwrap();
    let tables = in_order(layout);
    let [one, two, three] = tables.as_slice() else { panic!("three tables") };
    let pair = archive("first two.zip", &[(&two.0, &two.1), (&one.0, &one.1)]);
    let files = vec![pair.clone(), three.clone()];
    let looked_at = looked(&files, layout).unwrap();
    assert_eq!(texts(&looked_at), [(0, Some(one.0.as_str())), (0, Some(two.0.as_str())), (1, None)]);
    assert_eq!(read(&files, layout).entries, read(&tables, layout).entries);
    // one text that fits is the file, as it always was
    let alone = archive("third.zip", &[(&three.0, &three.1), ("Readme.txt", b"x\n")]);
    let looked_at = looked(&vec![pair.clone(), alone], layout).unwrap();
    assert_eq!(texts(&looked_at), [(0, Some(one.0.as_str())), (0, Some(two.0.as_str())), (1, None)]);
    let lacking = refusal(&vec![archive("two.zip", &[(&two.0, &two.1), (&three.0, &three.1)])], layout);
    assert!(lacking.starts_with("no file for the table accounts (real_acct*)"), "{lacking}");
}

#[test]
fn a_table_in_two_versions_is_refused_with_both_names() {
    let layout = Layout::shipped(HARRIS).unwrap();
    let (tables, (name, packed)) = (in_order(layout), whole(false));
    let building = tables.iter().find(|(name, _)| name == "building_res.txt").unwrap();
    let mut all: Vec<(String, &[u8])> =
        tables.iter().map(|(name, bytes)| (format!("2025/{name}"), bytes.as_slice())).collect();
    all.push(("2024/BUILDING_RES.txt".to_owned(), &building.1));
    let all: Vec<(&str, &[u8])> = all.iter().map(|(name, bytes)| (name.as_str(), *bytes)).collect();
    let words = "are two texts of one name for the table buildings: hand in the newer one alone or";
    let within = refusal(&vec![archive("years.zip", &all)], layout);
    let both = "2024/BUILDING_RES.txt in years.zip and 2025/building_res.txt in years.zip";
    assert!(within.starts_with(&format!("{both} {words}")), "{within}");
    let beside = refusal(&vec![(name, packed), (building.0.clone(), building.1.clone())], layout);
    let both = "2025/building_res.txt in roll.zip and building_res.txt";
    assert!(beside.starts_with(&format!("{both} {words}")), "{beside}");
    // so are loose files, however they are packed
    let with = |name: &str, bytes: Vec<u8>| {
        refusal(&[tables.clone(), vec![(name.to_owned(), bytes)]].concat(), layout)
    };
    let mend = "hand in the newer one alone or, where both are parts of the roll, give them different names";
    let twice = with("building_res.txt", building.1.clone());
    assert_eq!(twice, format!("two files of the table buildings are named building_res.txt: {mend}"));
    let (_, packed) = archive("", &[("building_res.txt", &building.1)]);
    let twice = with("Building_Res.txt.zip", packed);
    let both = "building_res.txt and building_res.txt in Building_Res.txt.zip";
    assert!(twice.starts_with(&format!("{both} {words}")), "{twice}");
    // parts of a table under names of their own are files of it
    let rows = String::from_utf8_lossy(&building.1);
    let half = rows.match_indices('\n').nth(rows.lines().count() / 2).map(|(at, _)| at + 1).unwrap();
    let head = rows.find('\n').map(|at| &rows[..=at]).unwrap();
    let (first, second) = (rows[..half].to_owned(), format!("{head}{}", &rows[half..]));
    let mut parts: Vec<(&str, &[u8])> =
        vec![("building_res1.txt", first.as_bytes()), ("building_res2.txt", second.as_bytes())];
    let others = tables.iter().filter(|(name, _)| name != "building_res.txt");
    parts.extend(others.map(|(name, bytes)| (name.as_str(), bytes.as_slice())));
    let read_parts = read(&vec![archive("parts.zip", &parts)], layout);
    let keys =
        |read: &Read| read.entries.iter().map(|(_, entry)| entry.parcel_key.clone()).collect::<Vec<_>>();
    assert_eq!(keys(&read_parts), keys(&read(&tables, layout)));
    let loose: Files = parts.iter().map(|(name, bytes)| ((*name).to_owned(), bytes.to_vec())).collect();
    assert_eq!(keys(&read(&loose, layout)), keys(&read(&tables, layout)));
}

#[test]
fn names_alone_tell_of_loose_files_only_that_they_are_two_of_one_table() {
    let layout = Layout::shipped(HARRIS).unwrap();
    let twice = |names: &[&str]| named_twice(layout, names.iter().copied());
    let told = "building_res.txt and BUILDING_RES.TXT are two texts of one name for the table buildings";
    assert_eq!(twice(&["building_res.txt", "fixtures.txt", "BUILDING_RES.TXT"]).as_deref(), Some(told));
    let told = "two files of the table accounts are named real_acct.txt";
    assert_eq!(twice(&["real_acct.txt", "real_acct.txt"]).as_deref(), Some(told));
    assert_eq!(twice(&["building_res1.txt", "building_res2.txt", "fixtures.txt"]), None);
    // what an archive holds shows when it is opened, and what no table has is refused for that
    assert_eq!(twice(&["real_acct.zip", "real_acct.zip", "other.txt", "other.txt"]), None);
    // files of a plain layout are what they are
    let plain = "id = \"t\"\njurisdiction = \"XX\"\nbasis = \"none\"\n[parcel]\ncolumns = [\"P\"]\n[area]\ncolumn = \"A\"\n";
    assert_eq!(named_twice(&Layout::from_toml(plain).unwrap(), ["roll.csv", "roll.csv"]), None);
}

/// A layout whose one table takes any files of rows.
fn parts() -> Layout {
    Layout::from_toml(
        "id = \"t\"\njurisdiction = \"XX\"\nbasis = \"not-published\"\n[parcel]\ncolumns = [\"PIN\"]\n\
         [record]\narea = { field = \"living\", over = \"sum\" }\n\
         [[table]]\nname = \"b\"\npattern = \"rows*.csv\"\ngrain = \"building\"\nbuilding = \"BLD\"\n\
         [[table.field]]\nname = \"living\"\nkind = \"area\"\nfrom = \"SF\"\n",
    )
    .unwrap()
}

#[test]
fn the_texts_of_an_archive_are_bounded_in_number_and_bytes() {
    let names: Vec<String> = (0..=TEXTS_MAX).map(|n| format!("rows{n}.csv")).collect();
    let all: Vec<(&str, &[u8])> =
        names.iter().map(|name| (name.as_str(), b"PIN,BLD,SF\n1,1,900\n".as_slice())).collect();
    let refused = refusal(&vec![archive("many.zip", &all)], &parts());
    assert_eq!(
        refused,
        format!(
            "many.zip holds {} texts of tables, the most is {TEXTS_MAX}: pack them into several archives",
            TEXTS_MAX + 1
        )
    );
    let most = vec![archive("many.zip", &all[1..])];
    assert_eq!(looked(&most, &parts()).unwrap().texts.len(), TEXTS_MAX);
    // an archive that says of its texts that they have 4 GiB each: none of them is unpacked
    let mut bytes = zipped(&all[..20]);
    let starts: Vec<usize> =
        (0..bytes.len() - 4).filter(|at| bytes[*at..].starts_with(b"PK\x01\x02")).collect();
    for start in starts {
        bytes[start + 24..start + 28].copy_from_slice(&0xFFFF_FFFE_u32.to_le_bytes());
    }
    let refused = refusal(&vec![("huge.zip".to_owned(), bytes)], &parts());
    assert_eq!(refused, "huge.zip: the file unpacks to more than 68719476736 bytes: hand it in in parts");
}

#[test]
fn a_table_that_cannot_be_read_refuses_its_archive_by_its_name() {
    let row = b"PIN,BLD,SF\n1,1,900\n".as_slice();
    for name in ["rows2.csv.gz", "rows2.gz"] {
        let layout = if name == "rows2.gz" { "rows*" } else { "rows*.csv" };
        let toml = parts().table;
        let layout = Layout {
            table: toml
                .into_iter()
                .map(|table| crossfoot_roll::layout::TableLayout {
                    pattern: Some(layout.to_owned()),
                    ..table
                })
                .collect(),
            ..parts()
        };
        let packed = archive("roll.zip", &[("rows1.csv", row), (name, b"\x1F\x8B\x08\0\0\0\0\0\0\x03rest")]);
        let refused = refusal(&vec![packed], &layout);
        assert_eq!(
            refused,
            format!(
                "roll.zip: {name:?} in the zip archive holds another gzip file: one layer is unpacked and no more, \
                 hand in what is inside"
            )
        );
    }
    let wrong = archive("roll.zip", &[("2026/rows1.csv", row), ("2026/rows2.csv", b"PIN,BLD\n1,1\n")]);
    let refused = refusal(&vec![wrong], &parts());
    assert!(
        refused.starts_with("2026/rows2.csv in roll.zip: header on line 1: no column \"SF\""),
        "{refused}"
    );
    let control = archive("roll.zip", &[("rows1.csv", row), ("rows\x1B[2J.csv", row)]);
    let refused = refusal(&vec![control], &parts());
    assert!(refused.contains(r#""rows\u{1b}[2J.csv", which is a name with control characters"#), "{refused}");
}

#[test]
fn a_row_is_read_again_from_the_text_that_it_stands_in() {
    let layout = Layout::shipped(HARRIS).unwrap();
    let (scratch, (name, packed)) = (tempfile::tempdir().unwrap(), whole(true));
    let source = || Box::new(Cursor::new(packed.clone()));
    let again = |within: Option<&str>| TextAgain::open(source(), (&name, within), layout, scratch.path());
    let packed_read = read(&vec![whole(true)], layout);
    let tables = in_order(layout);
    for (number, (name, bytes)) in (0u16..).zip(&tables) {
        let within = format!("2025/{name}");
        let rows: Vec<_> = packed_read
            .rejects
            .iter()
            .filter(|(file, _)| *file == number)
            .map(|(_, reject)| reject.byte_start..reject.byte_start + reject.byte_length)
            .collect();
        let text = again(Some(within.as_str())).unwrap();
        assert_eq!((text.within.as_deref(), text.name.as_str()), (Some(within.as_str()), name.as_str()));
        assert!(bytes.starts_with(&text.head) && text.packed);
        let copied = RowsAgain::copy(text, rows.clone(), scratch.path()).unwrap();
        for row in rows {
            let (start, end) = (usize::try_from(row.start).unwrap(), usize::try_from(row.end).unwrap());
            assert_eq!(copied.row(&row).unwrap().as_deref(), bytes.get(start..end), "{name} {row:?}");
        }
    }
    let wrong = |within: Option<&str>| again(within).map(|_| ()).unwrap_err().to_string();
    assert!(wrong(None).starts_with("roll.zip holds several texts of tables (\"2025/"), "{}", wrong(None));
    for name in ["2025/none.txt", "Readme.txt"] {
        let words = format!("roll.zip holds no text {name:?} of a table of the layout");
        assert!(wrong(Some(name)).starts_with(&words), "{}", wrong(Some(name)));
    }
}

#[test]
fn what_lies_beside_the_one_text_of_a_plain_layout_is_told() {
    let layout = Layout::from_toml(
        "id = \"t\"\njurisdiction = \"XX\"\nbasis = \"not-published\"\n[file]\nwithin = \"roll*\"\n\
         [parcel]\ncolumns = [\"PIN\"]\n[area]\ncolumn = \"SF\"\n",
    )
    .unwrap();
    let scratch = tempfile::tempdir().unwrap();
    let opened = |bytes: Vec<u8>| {
        let reader = OriginalReader::open(Box::new(Cursor::new(bytes)), "r.zip", &layout, scratch.path());
        reader.unwrap().passed_over().to_vec()
    };
    let row = b"PIN,SF\n1,900\n".as_slice();
    let long = "x".repeat(300);
    assert_eq!(opened(zipped(&[("codes.csv", row), ("roll.csv", row), (&long, row)])), ["codes.csv", &long]);
    assert_eq!(opened(zipped(&[("roll.csv", row), (".hidden", row)])), Vec::<String>::new());
    assert_eq!(opened(row.to_vec()), Vec::<String>::new());
    assert_eq!(passed_over("r.zip", &[]), None);
    let many: Vec<String> = (0..30).map(|n| format!("{n}{long}")).collect();
    let remark = passed_over("r.zip", &many).unwrap().sentence;
    assert!(remark.contains("holds 30 more") && remark.contains("…, ") && remark.contains(" and 10 more;"));
    assert!(remark.len() < 4000, "{}", remark.len());
}

#[test]
fn sheets_of_a_workbook_are_tables_as_well() {
    let layout = Layout::from_toml(
        "id = \"t\"\njurisdiction = \"XX\"\nbasis = \"not-published\"\n[parcel]\ncolumns = [\"PIN\"]\n\
         [record]\narea = \"living\"\n\
         [[table]]\nname = \"codes\"\npattern = \"codes\"\ngrain = \"extension\"\norphans = \"leave_out\"\n\
         header_line = 0\ncolumns = [\"PIN\", \"WORD\"]\n[[table.field]]\nname = \"word\"\nfrom = \"WORD\"\n\
         [[table]]\nname = \"roll\"\npattern = \"roll\"\ngrain = \"parcel\"\n\
         [[table.field]]\nname = \"living\"\nkind = \"area\"\nfrom = \"SQFT\"\n",
    )
    .unwrap();
    let bytes =
        std::fs::read(crossfoot_testbed::repository().join("fixtures/hostile/two-sheets.xlsx")).unwrap();
    let files = vec![("county.xlsx".to_owned(), bytes.clone())];
    assert_eq!(texts(&looked(&files, &layout).unwrap()), [(0, Some("Codes")), (0, Some("Roll"))]);
    let read = read(&files, &layout);
    let [(1, entry)] = read.entries.as_slice() else { panic!("{:?}", read.entries) };
    assert_eq!(entry.area.unwrap().to_square_feet(0), "900");
    let scratch = tempfile::tempdir().unwrap();
    for (within, head) in [("Roll", "PIN,SQFT,NOTE"), ("Codes", "")] {
        let source = Box::new(Cursor::new(bytes.clone()));
        let text = TextAgain::open(source, ("county.xlsx", Some(within)), &layout, scratch.path()).unwrap();
        assert_eq!(String::from_utf8_lossy(&text.head).trim_end(), head);
    }
}
