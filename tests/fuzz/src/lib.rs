//! What has to hold for any file whatever, as functions that panic where it does not: the programs in `targets` feed
//! them with what libFuzzer makes up, the test with the seeds.
#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a fuzzed property that fails is to panic at its line"
)]

#[path = "../../../roll/tests/roll/account.rs"]
#[expect(dead_code, reason = "the tests of the reader use more of it")]
mod account;

use crossfoot_roll::layout::Layout;
use crossfoot_roll::limits::{BUFFER_BYTES_MAX, ROW_BYTES_MAX};
use crossfoot_roll::look::{Look, LookError, Options, Reading, Separation};
use crossfoot_roll::original::OriginalReader;
use crossfoot_roll::reader::{Batch, RollReader};
use sha2::{Digest, Sha256};
use std::io::Cursor;
use std::path::Path;
use std::sync::LazyLock;

/// Layouts that between them have every kind of column and dialect.
const TABLES: [&str; 6] = [
    "[parcel]\ncolumns = [\"P\"]\n",
    "[parcel]\ncolumns = [\"P\"]\n[area]\ncolumn = \"A\"\nzero = \"reject\"\nblank = \"reject\"\n[class]\ncolumn = \"B\"\nvacant = [\"V\"]\n",
    "[file]\nencoding = \"windows-1252\"\nrow_lines_max = 3\n[parcel]\ncolumns = [\"P\", \"A\"]\npad_left = [3, 4]\n[value]\ncolumn = \"B\"\nthousands = \",\"\n",
    "[file]\ndelimiter = \"\\t\"\nquote = \"\"\n[parcel]\ncolumns = [\"P\"]\npattern = \"^[0-9]+$\"\n[year_built]\ncolumn = \"A\"\n",
    "[file]\ndelimiter = \"|\"\nrow_lines_max = 1\n[parcel]\ncolumns = [\"P\"]\n[situs]\ncolumns = [\"A\", \"B\"]\n",
    "[file]\ndelimiter = \";\"\nquote = \"'\"\n[parcel]\ncolumns = [\"P\"]\n[[keep]]\ncolumn = \"A\"\nkind = \"area\"\n[[keep]]\ncolumn = \"B\"\nkind = \"decimal\"\noptional = true\n",
];

static LAYOUTS: LazyLock<Vec<Layout>> =
    LazyLock::new(|| TABLES.iter().map(|tables| account::layout(tables)).collect());

/// A layout of fields at fixed places, which any file may be held against.
const FIXED: &str = "id = \"fixed\"\njurisdiction = \"basalt\"\nbasis = \"not-published\"\n[parcel]\ncolumns = [\"P\"]\n\
    [[table]]\nname = \"roll\"\ngrain = \"parcel\"\nheader_line = 0\n\
    fixed = [{ name = \"P\", from = 1, to = 8 }, { name = \"A\", from = 9, to = 14 }]\n\
    [[table.field]]\nname = \"area\"\nfrom = \"A\"\nkind = \"area\"\nunit = \"sqft\"\n[record]\narea = \"area\"\n";

/// The layouts that a look holds a file against.
static KNOWN: LazyLock<Vec<Layout>> =
    LazyLock::new(|| LAYOUTS.iter().cloned().chain([Layout::from_toml(FIXED).unwrap()]).collect());

static SCRATCH: LazyLock<tempfile::TempDir> = LazyLock::new(|| tempfile::tempdir().unwrap());

/// So much of an unpacked file is read: a bomb would else be all that a run does.
const UNPACKED_READ: u64 = 4 << 20;

/// The layout by the last byte of a file, so that any file is a seed.
fn layout(file: &[u8]) -> &'static Layout {
    &LAYOUTS[usize::from(file.last().copied().unwrap_or_default()) % LAYOUTS.len()]
}

/// The reader of rolls: every byte is accounted for, lines and ranges ascend, counts and hash are right, the size of the
/// reads does not matter, and buffers stay bounded.
pub fn reader(file: &[u8]) {
    let layout = layout(file);
    let Ok(mut reader) = RollReader::new(file, layout) else { return };
    while reader.next_row().unwrap().is_some() {}
    assert!(reader.buffer_capacity() <= 2 * (BUFFER_BYTES_MAX + ROW_BYTES_MAX) + 8 * file.len());
    account::read(file, layout);
}

/// The library that reads workbooks reckons unchecked, and its panics are caught where it is called. libFuzzer ends at
/// any panic, so its own hook is put behind one that lets these through.
pub fn let_the_workbook_library_panic() {
    let ends = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        let of_the_library = panic.location().is_some_and(|at| at.file().contains("/calamine-"));
        if !of_the_library {
            ends(panic);
        }
    }));
}

/// Files as received: what can be opened is read to its end with right counts, and the hash is that of the bytes
/// received; what cannot says why.
pub fn unpack(file: &[u8]) {
    let mut layout = layout(file).clone();
    layout.file.within = file.len().is_multiple_of(2).then(|| "*".to_owned());
    let scratch: &Path = SCRATCH.path();
    let source = Box::new(Cursor::new(file.to_vec()));
    let mut reader = match OriginalReader::open(source, "a file", &layout, scratch) {
        Ok(reader) => reader,
        Err(error) => {
            assert!(!error.of_the_machine(), "{error:?}");
            assert!(error.to_string().len() < 40_000, "{error}");
            return;
        }
    };
    let (mut batch, mut rows, mut behind) = (Batch::default(), 0, 0);
    loop {
        match reader.next_batch(&mut batch, 100) {
            Ok(true) => {}
            Ok(false) => break,
            Err(_) => return,
        }
        rows += batch.rows() as u64;
        let ends = batch.entries.iter().map(|entry| entry.byte_start + u64::from(entry.byte_length));
        behind = ends.chain([behind]).max().unwrap();
        if behind > UNPACKED_READ {
            return;
        }
    }
    let Ok(summary) = reader.finish() else { return };
    assert_eq!(summary.rows_total, rows);
    assert_eq!(summary.rows_total, summary.entries + summary.rejects_total());
    assert_eq!(summary.bytes, file.len() as u64);
    assert_eq!(summary.sha256, hex::encode(Sha256::digest(file)));
}

/// A look at any file: it gives an answer or a reason, counts what it says it counts, proposes only what is a layout and
/// was read back, shows no record of fixed width, and says the same of a file that its beginning holds when asked for all.
pub fn look(file: &[u8]) {
    // some files are longer than what is looked at
    let head_bytes = if file.len().is_multiple_of(3) { 600 } else { 1 << 20 };
    let options = Options { head_bytes, whole: false };
    let found = match crossfoot_roll::look::look(file, "a file", &KNOWN, &options) {
        Ok(found) => found,
        Err(error) => {
            assert!(!matches!(error, LookError::Read(_)), "{error:?}");
            return;
        }
    };
    holds(&found);
    let options = Options { head_bytes, whole: true };
    let mut whole = crossfoot_roll::look::look(file, "a file", &KNOWN, &options).unwrap();
    if found.whole {
        assert_eq!(serde_json::to_string(&found).unwrap(), serde_json::to_string(&whole).unwrap());
    }
    whole.read_whole(&KNOWN, SCRATCH.path(), || Ok(Cursor::new(file.to_vec()))).unwrap();
    holds(&whole);
}

fn holds(found: &Look) {
    for column in &found.columns {
        assert!(column.blank + column.numbers <= found.rows.counted, "{column:?}");
        assert!(column.distinct <= found.rows.counted - column.blank, "{column:?}");
        assert!(
            column.personal.is_none() || column.examples.is_empty() && column.longest.is_none(),
            "{column:?}"
        );
    }
    if found.shape.separation == Separation::FixedWidth {
        assert!(found.columns.iter().all(|column| column.personal.is_some()));
        assert!(found.sample.columns.is_empty() && !found.header.present);
    }
    assert!(found.layouts.iter().all(|fit| fit.refusal.is_some() != fit.reading.is_some()));
    found.layouts.iter().filter_map(|fit| fit.reading.as_ref()).for_each(adds_up);
    let Some(proposal) = &found.proposal else { return };
    let layout =
        Layout::from_toml(&proposal.layout).unwrap_or_else(|error| panic!("{error}\n{}", proposal.layout));
    assert!(proposal.refusal.is_some() != proposal.reading.is_some());
    proposal.reading.iter().for_each(adds_up);
    // what was guessed from values alone reads rows
    let reads = proposal.reading.as_ref().is_some_and(|reading| reading.entries > 0);
    assert!(reads || !layout.assembles(), "{}", proposal.layout);
}

/// Every row is an entry, in quarantine, or repeats one of the same parcel.
fn adds_up(reading: &Reading) {
    let quarantined: u64 = reading.quarantined.iter().map(|found| found.rows).sum();
    assert!(reading.entries + quarantined <= reading.rows, "{reading:?}");
    assert!(reading.rows <= reading.entries + quarantined + reading.repeated_parcels, "{reading:?}");
    assert!(reading.with_area <= reading.entries, "{reading:?}");
}
