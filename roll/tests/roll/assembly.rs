//! Rows of several files put together: what tells them apart, whatever their order, in bounded memory.

use crate::shipped::{Read, files, open, read};
use crossfoot_roll::assemble::{AssembleError, Assembled, AssembledBatch};
use crossfoot_roll::entry::Reason;
use crossfoot_roll::layout::Layout;
use crossfoot_roll::limits::{BUFFER_BYTES_MAX, PARCEL_ROWS_MAX, ROW_BYTES_MAX};
use crossfoot_roll::record_view::{StoredRecord, record_rows, record_view};
use proptest::prelude::*;
use std::io;

/// A layout with the given tables behind the few lines that every layout has.
fn layout(tables: &str) -> Layout {
    let text = format!(
        "id = \"t\"\njurisdiction = \"XX\"\nbasis = \"not-published\"\n[parcel]\ncolumns = [\"PIN\"]\n{tables}"
    );
    Layout::from_toml(&text).unwrap_or_else(|error| panic!("{error}"))
}

fn refusal(tables: &str) -> (usize, String) {
    let text = format!(
        "id = \"t\"\njurisdiction = \"XX\"\nbasis = \"not-published\"\n[parcel]\ncolumns = [\"PIN\"]\n{tables}"
    );
    let error = Layout::from_toml(&text).unwrap_err();
    (error.line, error.message)
}

fn named(files: &[(&str, &str)]) -> Vec<(String, Vec<u8>)> {
    files.iter().map(|(name, text)| ((*name).to_owned(), text.as_bytes().to_vec())).collect()
}

fn of(files: &[(&str, &str)], layout: &Layout) -> Read {
    read(&named(files), layout, 1 << 20)
}

/// The values of a record: building, name or heading, text.
fn values(layout: &Layout, read: &Read, key: &str) -> Vec<String> {
    let (file, entry) = read.entries.iter().find(|(_, entry)| entry.parcel_key == key).unwrap();
    record_view(layout, &StoredRecord::of(*file, entry))
        .into_iter()
        .skip(1)
        .map(|value| {
            let building = value.building.map(|building| format!("{building} ")).unwrap_or_default();
            format!("{building}{} {}", value.heading, value.text)
        })
        .collect()
}

fn area(read: &Read, key: &str) -> Option<String> {
    let (_, entry) = read.entries.iter().find(|(_, entry)| entry.parcel_key == key).unwrap();
    entry.area.map(|area| area.to_square_feet(1))
}

const BUILDINGS: &str = "[record]\narea = { field = \"living\", over = \"sum\" }\n\
    [[table]]\nname = \"b\"\ngrain = \"building\"\nbuilding = \"BLD\"\n\
    [[table.field]]\nname = \"living\"\nkind = \"area\"\nfrom = \"SF\"\n\
    [[table.field]]\nname = \"seen\"\nfrom = \"SEEN\"\nvolatile = true\n";

#[test]
fn buildings_copies_and_contradictions_are_told_apart() {
    let layout = layout(BUILDINGS);
    let file = "PIN,BLD,SF,SEEN\n1,1,900,a\n1,02,100,a\n2,1,800,a\n2,1,800,b\n3,1,700,a\n3,01,750,a\n";
    let read = of(&[("b.csv", file)], &layout);
    let areas = ["1", "2", "3"].map(|key| area(&read, key));
    assert_eq!(areas, [Some("1000.0".to_owned()), Some("800.0".to_owned()), None]);
    assert_eq!(read.totals.repeated, 1, "the day of the export does not count");
    assert_eq!(
        values(&layout, &read, "1"),
        ["1 living 900", "1 seen a", "2 living 100", "2 seen a"],
        "a building is the same with zeros before its number"
    );
    let [(0, reject)] = read.rejects.as_slice() else { panic!("{:?}", read.rejects) };
    assert_eq!((reject.reason, reject.line), (Reason::DuplicateParcel, 7));
    assert!(reject.detail.starts_with("parcel 3, building 1 stands on line 6 already"), "{}", reject.detail);
}

#[test]
fn a_total_of_which_a_part_is_missing_is_no_total() {
    let layout = layout(BUILDINGS);
    let read = of(&[("b.csv", "PIN,BLD,SF,SEEN\n1,1,900,\n1,2,,\n2,1,900,\n2,2,9OO,\n")], &layout);
    assert_eq!(area(&read, "1"), None, "the second building has no figure");
    assert_eq!(area(&read, "2"), None, "the second building was set aside");
    assert_eq!(read.rejects.len(), 1);
}

const YEARS: &str = "[record]\narea = \"living\"\n\
    [[table]]\nname = \"p\"\ngrain = \"parcel\"\nyear = { column = \"YR\", take = \"TAKE\" }\n\
    [[table.field]]\nname = \"living\"\nkind = \"area\"\nfrom = \"SF\"\n";

#[test]
fn rows_of_other_years_are_left_out_and_counted() {
    let file = "PIN,YR,SF\n1,2024,900\n1,2025,950\n2,2024,800\nX,,5\n";
    let records = |take: &str| {
        let layout = layout(&YEARS.replace("TAKE", take));
        let read = of(&[("p.csv", file)], &layout);
        let [(_, reject)] = read.rejects.as_slice() else { panic!("{:?}", read.rejects) };
        assert_eq!((reject.line, reject.reason), (5, Reason::TextInNumber));
        let told = read
            .entries
            .iter()
            .map(|(_, entry)| format!("{}:{}", entry.parcel_key, entry.line))
            .collect::<Vec<_>>();
        (told.join(" "), read.totals.other_years)
    };
    assert_eq!(records("newest"), ("1:3".to_owned(), 2));
    assert_eq!(records("newest-of-parcel"), ("1:3 2:4".to_owned(), 1));
    assert_eq!(records("2024"), ("1:2 2:4".to_owned(), 1));
}

#[test]
fn columns_in_groups_are_buildings() {
    // Common practice of small counties, no source.
    let layout = layout(
        "[record]\narea = { field = \"living\", over = \"largest\" }\nsitus = \"situs\"\n\
         [[table]]\nname = \"p\"\ngrain = \"parcel\"\ngroups = 3\n\
         [[table.field]]\nname = \"situs\"\nfrom = \"SITUS\"\n\
         [[table.field]]\nname = \"living\"\nkind = \"area\"\nfrom = \"BLDG{n}_SF\"\nzero_missing = true\n\
         [[table.field]]\nname = \"built\"\nkind = \"year\"\nfrom = \"BLDG{n}_YR\"\nnull = [\"0\"]\n",
    );
    let file = "PIN,SITUS,BLDG1_SF,BLDG1_YR,BLDG2_SF,BLDG2_YR,BLDG3_SF,BLDG3_YR\n\
                1,9 MICA ST,900,1950,1200,1990,0,0\n2,,0,0,0,0,0,0\n";
    let read = of(&[("p.csv", file)], &layout);
    assert_eq!(area(&read, "1").unwrap(), "1200.0");
    assert_eq!(area(&read, "2"), None);
    let expected = ["situs 9 MICA ST", "1 living 900", "1 built 1950", "2 living 1200", "2 built 1990"];
    assert_eq!(values(&layout, &read, "1"), expected);
    let (file, entry) = &read.entries[0];
    let view = record_view(&layout, &StoredRecord::of(*file, entry));
    assert_eq!(view.last().unwrap().column, "BLDG2_YR");
}

#[test]
fn parts_of_buildings_are_added_up_by_their_headings() {
    let layout = layout(
        "[record]\narea = { field = \"living\", over = \"sum\" }\n\
         [[table]]\nname = \"b\"\npattern = \"b*\"\ngrain = \"building\"\nbuilding = \"BLD\"\n\
         [[table]]\nname = \"parts\"\npattern = \"parts*\"\ngrain = \"extension\"\nbuilding = \"BLD\"\n\
         [[table.field]]\nname = \"living\"\nkind = \"area\"\nfrom = \"SF\"\nwhen = [{ column = \"CODE\", op = \"in\", values = [\"BAS\", \"FUS\"] }]\n\
         [[table.field]]\nname = \"part\"\nkind = \"area\"\nfrom = \"SF\"\neach = { column = \"CODE\", lookup = { BAS = \"base\", POR = \"porch\" } }\n\
         [[table.field]]\nname = \"codes\"\nfrom = \"CODE\"\nover = \"join\"\n",
    );
    let parts = "PIN,BLD,CODE,SF\n1,1,BAS,900\n1,1,FUS,300\n1,1,POR,50\n1,1,POR,70\n1,2,BAS,1\n9,1,BAS,1\n";
    let read = of(&[("b.csv", "PIN,BLD\n1,1\n"), ("parts.csv", parts)], &layout);
    assert_eq!(area(&read, "1").unwrap(), "1200.0");
    let expected = [
        "1 living 1200",
        "1 part: FUS 300",
        "1 part: base 900",
        "1 part: porch 120",
        "1 codes BAS; FUS; POR",
    ];
    assert_eq!(values(&layout, &read, "1"), expected);
    let reasons: Vec<_> =
        read.rejects.iter().map(|(file, reject)| (*file, reject.line, reject.reason)).collect();
    assert_eq!(reasons, [(1, 6, Reason::OrphanRow), (1, 7, Reason::OrphanRow)]);
    let (file, entry) = &read.entries[0];
    let rows = record_rows(&StoredRecord::of(*file, entry));
    assert_eq!(
        rows.iter().map(|row| (row.file, row.line)).collect::<Vec<_>>(),
        [(1, 2), (0, 2), (1, 3), (1, 4), (1, 5)]
    );
}

#[test]
fn values_are_composed_in_the_declared_order() {
    let field = |name: &str, rest: &str| format!("[[table.field]]\nname = \"{name}\"\n{rest}\n");
    let fields = [
        field("sum", "kind = \"area\"\nfrom = [\"A\", \"B\", \"C\"]\ncombine = \"sum\"\nzero_missing = true"),
        field("first", "kind = \"money\"\nfrom = [\"C\", \"B\"]\ncombine = \"first\"\nthousands = \",\""),
        field("implied", "kind = \"decimal\"\nunit = \"acre\"\nfrom = \"D\"\nscale = \"0.01\""),
        field(
            "code",
            "from = { column = \"E\", strip = \"-\", slice = [2, 3], trim_zeros = true, pad_left = 3, upper = true }",
        ),
        field("word", "from = { column = \"E\", lookup = { \"x-0a1\" = \"one\" }, otherwise = \"missing\" }"),
        field("joined", "from = [\"E\", { constant = \"/\" }, \"F\"]\njoin = \"\""),
        field("day", "kind = \"date\"\ndate = \"mdy\"\nfrom = \"G\""),
        field("metres", "kind = \"area\"\nunit = \"m2\"\nfrom = \"A\""),
        field("old_name", "from = { column = \"NEW\", aliases = [\"F\"] }"),
        field("none", "from = { column = \"NOWHERE\", may_be_absent = true }"),
        field("sometimes", "from = \"F\"\nwhen = [{ column = \"A\", op = \"gt\", value = \"9\" }]"),
    ];
    let layout =
        layout(&format!("[record]\n[[table]]\nname = \"p\"\ngrain = \"parcel\"\n{}", fields.concat()));
    let file = "PIN,A,B,C,D,E,F,G\n1,10.5,\"1,200\",,1234,x-0a1,ref,3/5/2024\n2,0,,,,y,z,\n";
    // A thousands separator that only one of two fields declares.
    let read = of(&[("p.csv", file)], &layout);
    assert_eq!(read.rejects.len(), 1, "B is no figure of an area: its separator is not declared there");
    let file = file.replace("\"1,200\"", "1200");
    let read = of(&[("p.csv", &file)], &layout);
    assert_eq!(
        values(&layout, &read, "1"),
        [
            "sum 1210.5",
            "first 1200",
            "implied 12.34",
            "code 00A",
            "word one",
            "joined x-0a1/ref",
            "day 2024-03-05",
            "metres 10.5",
            "old name ref",
            "sometimes ref"
        ]
    );
    assert_eq!(values(&layout, &read, "2"), ["joined y/z", "metres 0", "old name z"]);
    let (number, entry) = &read.entries[0];
    let view = record_view(&layout, &StoredRecord::of(*number, entry));
    assert_eq!(view.iter().find(|value| value.name == "old_name").unwrap().column, "F");
}

#[test]
fn fixed_width_after_the_florida_tape_rule() {
    // Florida Administrative Code 12D-8.013, NAL tape layout: county 1-2, parcel 3-28, roll type 29, roll year 30-31, use
    // code 32-35, special 36, just value 37-45, assessed 46-54. The line is invented.
    let layout = layout(
        "strip = \"\"\n[record]\nvalue = \"just\"\nclass = \"use\"\n\
         [[table]]\nname = \"nal\"\ngrain = \"parcel\"\nheader_line = 0\nrecord_length = 54\n\
         fixed = [{ name = \"county\", from = 1, to = 2 }, { name = \"PIN\", from = 3, to = 28 }, { name = \"roll\", from = 29, to = 29 },\n\
           { name = \"year\", from = 30, to = 31 }, { name = \"use\", from = 32, to = 35 }, { name = \"just\", from = 37, to = 45 },\n\
           { name = \"assessed\", from = 46, to = 54 }]\n\
         [[table.field]]\nname = \"county\"\nfrom = \"county\"\n[[table.field]]\nname = \"roll\"\nfrom = \"roll\"\n\
         [[table.field]]\nname = \"year\"\nfrom = \"year\"\n[[table.field]]\nname = \"use\"\nfrom = \"use\"\n\
         [[table.field]]\nname = \"just\"\nkind = \"money\"\nfrom = \"just\"\n\
         [[table.field]]\nname = \"assessed\"\nkind = \"money\"\nfrom = \"assessed\"\n",
    );
    let line = "110402-17-0033-A            R2401000000321500000300000";
    let read = of(&[("nal.txt", &format!("{line}\n{line}0\n\"{}\n", &line[1..]))], &layout);
    let expected = ["county 11", "roll R", "year 24", "use 0100", "just 321500", "assessed 300000"];
    let [(0, first)] = read.entries.as_slice() else { panic!("{:?}", read.entries) };
    assert_eq!((first.parcel_key.as_str(), first.value.unwrap().cents()), ("0402-17-0033-A", 32_150_000));
    assert_eq!(values(&layout, &read, "0402-17-0033-A"), expected);
    let reasons: Vec<_> = read.rejects.iter().map(|(_, reject)| (reject.line, reject.reason)).collect();
    assert_eq!(
        reasons,
        [(2, Reason::WrongColumnCount), (3, Reason::DuplicateParcel)],
        "a quote is text there"
    );
    assert!(read.rejects[0].1.detail.starts_with("a line of 55 bytes, the layout says 54"));
    let row = crossfoot_roll::published_row_of(&layout, "nal.txt", b"", line.as_bytes()).unwrap();
    let row: Vec<_> =
        row.iter().map(|field| (field.header.as_str(), field.value.as_str(), field.mapped)).collect();
    assert_eq!(row[1], ("PIN", "0402-17-0033-A", true));
    assert_eq!(row[4], ("use", "0100", true));
}

#[test]
fn parcel_keys_as_their_publishers_write_them() {
    // Cook County open data: pad to 14 digits. King County: Major of 6, Minor of 4. New York City: borough 1, block 5, lot 4
    // (widths from memory). Allegheny County data dictionary: 16 characters with a letter inside. Spreadsheet damage: common
    // practice, no source.
    let king = Layout::shipped("us-wa-033-king").unwrap().parcel.key_rule().compile().unwrap();
    let key = |parts: &[&str]| king.normalise(parts).unwrap().unwrap().to_string();
    assert_eq!(key(&["92503", "9001"]), "0925039001");
    assert_eq!(key(&["092503", "0010"]), "0925030010");
    assert_eq!(key(&["92503 ", "10"]), "0925030010");
    let nyc = Layout::shipped("us-ny-new-york-city-pluto").unwrap().parcel.key_rule().compile().unwrap();
    assert_eq!(nyc.normalise(&["3", "77", "12"]).unwrap().unwrap().to_string(), "3000770012");
    assert_eq!(nyc.normalise(&["4", "16350", "7501"]).unwrap().unwrap().to_string(), "4163507501");
    let one = |id: &str, raw: &str| {
        let rule = Layout::shipped(id).unwrap().parcel.key_rule().compile().unwrap();
        rule.normalise(&[raw]).map(|key| key.map(|key| key.to_string())).map_err(|_| ())
    };
    let cook = |raw: &str| one("us-il-031-cook", raw);
    for raw in ["01-23-456-789-0000", "1234567890000", "0123456789.0000"] {
        assert_eq!(cook(raw), Ok(Some("01234567890000".to_owned())), "{raw}");
    }
    for raw in ["1.23457E+12", "12-Mar", "0123456789000012"] {
        assert_eq!(cook(raw), Err(()), "{raw}");
    }
    assert_eq!((cook("0"), cook("")), (Ok(None), Ok(None)));
    let allegheny = |raw: &str| one("us-pa-003-allegheny", raw);
    assert_eq!(allegheny("0023-S-00162-0000-00"), Ok(Some("0023S00162000000".to_owned())));
    assert_eq!(allegheny("0023s00162000000"), Ok(Some("0023S00162000000".to_owned())));
    assert_eq!(allegheny("23S00162000000"), Err(()));
}

#[test]
fn files_are_told_by_their_names() {
    let layout = Layout::shipped("us-fl-105-polk").unwrap();
    let temp = tempfile::tempdir().unwrap();
    let opened = |files: &[(&str, &str)]| {
        Assembled::open(open(&named(files)), layout, temp.path()).map(|_| ()).unwrap_err().to_string()
    };
    let buildings = "PARCEL_ID,BLD_NUM,IMPR_TYPE,STYLE,STORIES,YEARBUILT,EFF_YEAR\n";
    assert_eq!(
        opened(&[("FTP_BLD.txt", buildings)]),
        "no file for the table sub_areas (FTP_BLD_SAR*): hand all files of the edition in together"
    );
    let stranger = opened(&[("x.csv", buildings)]);
    assert!(stranger.starts_with(
        "x.csv: no table of the layout has files of this name; the tables are buildings (FTP_BLD.*)"
    ));
    let header = opened(&[("FTP_BLD.txt", "PARCEL_ID\n"), ("FTP_BLD_SAR.txt", "A\n")]);
    assert!(header.starts_with("FTP_BLD.txt: header on line 1: no column \"STORIES\""), "{header}");
    let error = Assembled::open(open(&named(&[("FTP_BLD.txt", "")])), layout, temp.path());
    assert!(matches!(error, Err(AssembleError::NoFile { .. })));
}

#[test]
fn mistakes_in_tables_are_pointed_at() {
    let table = "[record]\n[[table]]\nname = \"p\"\ngrain = \"parcel\"\n";
    let cases = [
        ("[record]\narea = \"x\"\n", 6, "there is no table"),
        ("[[table]]\nname = \"p\"\ngrain = \"parcel\"\n", 6, "no [record]"),
        (
            "[record]\n[area]\ncolumn = \"A\"\n[[table]]\nname = \"p\"\ngrain = \"parcel\"\n",
            7,
            "[area] is for layouts without tables",
        ),
        (
            &format!("{table}[[table.field]]\nname = \"a\"\nfrom = {{ columm = \"A\" }}\n"),
            12,
            "unknown field `columm`",
        ),
        (
            &format!("{table}[[table.field]]\nname = \"a\"\nfrom = {{ null = [\"x\"] }}\n"),
            12,
            "either a column or a constant",
        ),
        (
            &format!(
                "{table}[[table.field]]\nname = \"a\"\nfrom = \"A\"\nkind = \"area\"\nunit = \"acre\"\n"
            ),
            14,
            "floor areas are in sqft or m2",
        ),
        (
            &format!("{table}[[table.field]]\nname = \"a\"\nfrom = \"A\"\nscale = \"0.01\"\n"),
            11,
            "sums, scales and zeros are of figures",
        ),
        (&format!("{table}building = \"B\"\n"), 10, "a row is a parcel here"),
        (&format!("{table}header_line = 0\n"), 10, "name its columns in order"),
        (&format!("{table}year = {{ column = \"Y\", take = \"latest\" }}\n"), 10, "no choice of years"),
        (
            &format!(
                "{table}[[table.field]]\nname = \"a\"\nfrom = \"A\"\n[[identity]]\nleft = \"a\"\nright = [\"b\"]\n"
            ),
            14,
            "\"a\" is no field of figures",
        ),
        (
            "[record]\narea = \"a\"\n[[table]]\nname = \"p\"\ngrain = \"parcel\"\n[[table.field]]\nname = \"a\"\nfrom = \"A\"\n",
            7,
            "not of the kind area",
        ),
    ];
    for (tables, line, words) in cases {
        let (at, message) = refusal(tables);
        assert!(message.contains(words), "{words:?} is not in {message:?}");
        assert_eq!(at, line, "{tables}: {message}");
    }
}

#[test]
fn a_layout_with_tables_reads_back_from_json_and_old_versions_stand() {
    for shipped in crossfoot_roll::layout::shipped() {
        let json = serde_json::to_string(&shipped.layout).unwrap();
        assert_eq!(serde_json::from_str::<Layout>(&json).unwrap(), shipped.layout);
        assert_eq!(serde_json::from_str::<Layout>(&json).unwrap().version(), shipped.layout.version());
    }
    // The versions of layouts without tables, as they were before there were any: editions are known by them.
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/..");
    for (file, version) in [
        ("fixtures/layouts/basalt-county-roll.toml", VERSION_ROLL),
        ("fixtures/layouts/basalt-treasurer.toml", VERSION_TREASURER),
        ("benches/layout.toml", VERSION_BENCH),
    ] {
        let text = std::fs::read_to_string(format!("{folder}/{file}")).unwrap();
        assert_eq!(Layout::from_toml(&text).unwrap().version(), version, "{file}");
    }
}

const VERSION_ROLL: &str = "a71f6c73c4f5c363df9abceb27c9a7f48e0a668073e978c6636d99a4853450c2";
const VERSION_TREASURER: &str = "07609f6216c6027ba2d2742f20a053618fc8ac8a019efe863bf0a932b7c0c3d2";
const VERSION_BENCH: &str = "e6360e0b9a320e4d134b9bbca76f14b7d7246f95f79ae5d164b8f6a2e8d7e6e4";

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]

    /// The order of rows and of files is not what a record is made of, nor is the memory that sorting has.
    #[test]
    fn the_order_of_rows_does_not_matter(seed in any::<u64>(), sort_bytes in 1usize..20_000, which in 0usize..3) {
        let id = ["us-wa-033-king", "us-tx-201-harris", "us-fl-105-polk"][which];
        let layout = Layout::shipped(id).unwrap();
        let plain = read(&files(id), layout, 1 << 20);
        let mut shuffled = files(id);
        let mut state = seed;
        for (name, bytes) in &mut shuffled {
            let with_header = !(name == "real_acct.txt" || name == "fixtures.txt");
            let mut lines: Vec<Vec<u8>> = bytes.split_inclusive(|byte| *byte == b'\n').map(<[u8]>::to_vec).collect();
            for at in (1..lines.len()).rev() {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                let other = usize::try_from(state >> 33).unwrap() % (at + 1);
                if !with_header || (at > 0 && other > 0) {
                    lines.swap(at, other);
                }
            }
            *bytes = lines.concat();
        }
        let count = shuffled.len();
        shuffled.rotate_left(usize::try_from(seed % 3).unwrap() % count);
        let again = read(&shuffled, layout, sort_bytes);
        // of rows that contradict each other the first stays, which is the order's doing
        let comparable = |read: &Read| -> Vec<(String, u64)> {
            read.entries
                .iter()
                .filter(|(_, entry)| !entry.rest.contains("\"contradicted\""))
                .map(|(_, entry)| (entry.parcel_key.clone(), entry.content_hash))
                .collect()
        };
        prop_assert_eq!(comparable(&plain), comparable(&again));
        prop_assert_eq!(plain.entries.len(), again.entries.len());
        prop_assert_eq!(&plain.totals, &again.totals);
    }
}

/// Rows made as they are asked for: parcels in a scattered order, three rows each.
struct Endless {
    row: u64,
    rows: u64,
    made: Vec<u8>,
    given: usize,
}

impl io::Read for Endless {
    fn read(&mut self, room: &mut [u8]) -> io::Result<usize> {
        if self.given == self.made.len() {
            self.given = 0;
            self.made.clear();
            if self.row == 0 {
                self.made.extend_from_slice(b"PIN,BLD,SF,SEEN\n");
            }
            if self.row < self.rows {
                let parcel = (self.row / 3).wrapping_mul(2_654_435_761) % 1_000_003 + 1;
                self.made.extend_from_slice(
                    format!("{parcel},{},100,{}\n", self.row % 3, "x".repeat(60)).as_bytes(),
                );
                self.row += 1;
            }
        }
        let mut rest = &self.made[self.given..];
        let read = io::Read::read(&mut rest, room)?;
        self.given += read;
        Ok(read)
    }
}

#[test]
fn a_large_edition_is_put_together_in_bounded_memory() {
    let rows = 60_000;
    let source = Endless { row: 0, rows, made: Vec::new(), given: 0 };
    let (layout, temp) = (layout(BUILDINGS), tempfile::tempdir().unwrap());
    let files: Vec<crossfoot_roll::assemble::NamedFile> = vec![("b.csv".to_owned(), Box::new(source))];
    let sort_bytes = 1 << 18;
    let mut assembled = Assembled::open_within(files, &layout, temp.path(), sort_bytes).unwrap();
    let mut batch = AssembledBatch::default();
    let (mut records, mut before) = (0u64, String::new());
    while assembled.next_batch(&mut batch, 500).unwrap() {
        // a buffer doubles as it grows
        let most = BUFFER_BYTES_MAX + ROW_BYTES_MAX + 3 * sort_bytes;
        assert!(assembled.buffer_capacity() < most, "{}", assembled.buffer_capacity());
        assert!(batch.entries.len() <= 500);
        for (_, entry) in &batch.entries {
            assert!(entry.parcel_key > before, "parcels come in order, each once");
            assert_eq!(entry.area.unwrap().to_square_feet(0), "300");
            before.clone_from(&entry.parcel_key);
            records += 1;
        }
    }
    assert_eq!(records, rows / 3);
    assert_eq!(std::fs::read_dir(temp.path()).unwrap().count(), 0, "temporary files have no name");
}

#[test]
fn a_key_with_endless_rows_does_not_fill_the_memory() {
    let layout = layout(BUILDINGS);
    let rows: String = (0..PARCEL_ROWS_MAX + 5).map(|at| format!("1,{at},1,\n")).collect();
    let read = of(&[("b.csv", &format!("PIN,BLD,SF,SEEN\n{rows}"))], &layout);
    assert_eq!(read.totals.rejects.get(&Reason::TooManyRows), Some(&5));
    assert_eq!(read.entries.len(), 1);
}
