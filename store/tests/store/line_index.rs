//! A later edition read against the line index of the one before gives the same tables as one read row by row.

use std::collections::BTreeSet;
use std::io::Cursor;
use std::path::PathBuf;
use std::sync::atomic::{AtomicUsize, Ordering};

use crossfoot_roll::check::{DoublesCheck, RollCheck, RollChecker};
use crossfoot_roll::layout::Layout;
use crossfoot_roll::lines::{Line, LineIs};
use crossfoot_roll::reader::{Batch, RollReader, Row};
use crossfoot_roll::record_view::StoredRecord;
use crossfoot_store::check::EditionCheck;
use crossfoot_store::load::{Feed, RollBatch};
use crossfoot_store::source::EditionCounts;
use tokio::sync::mpsc;

use crate::ground::Ground;

on_both_databases! {
    random_editions_come_to_the_same_with_the_index_and_without,
    a_file_with_other_columns_is_read_row_by_row,
    an_index_is_kept_for_the_edition_in_use_alone,
    a_row_before_the_one_that_is_known_makes_that_one_the_double,
    an_index_that_is_damaged_or_gone_changes_nothing,
    an_index_that_is_damaged_in_its_second_block_is_used_up_to_there,
}

/// Numbers that are the same in every run (splitmix64, public domain, Sebastiano Vigna).
struct Dice(u64);

impl Dice {
    fn throw(&mut self, sides: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        (z ^ (z >> 31)) % sides
    }

    fn place(&mut self, rows: &[String]) -> usize {
        usize::try_from(self.throw(rows.len().max(1) as u64)).unwrap()
    }
}

static FILES: AtomicUsize = AtomicUsize::new(0);

const HEADER: &str = "P,A,C,NOTE";

fn layout() -> Layout {
    Layout::from_toml(
        "id = \"roll\"\njurisdiction = \"US-IA-169\"\nbasis = \"finished-above-grade\"\n\
         [parcel]\ncolumns = [\"P\"]\n[area]\ncolumn = \"A\"\nblank = \"reject\"\n[class]\ncolumn = \"C\"\n",
    )
    .unwrap()
}

fn fresh_row(dice: &mut Dice, parcel: u64) -> String {
    let area = 800 + dice.throw(3000);
    let note = ["", "plain", "\"with, comma\"", "\"two\nlines\"", "\"say \"\"so\"\"\""];
    let note = note[usize::try_from(dice.throw(5)).unwrap()];
    format!("{parcel:06},{area},{},{note}", 110 + dice.throw(3))
}

/// What happens to a roll between two editions.
fn edit(dice: &mut Dice, rows: &mut Vec<String>, next_parcel: &mut u64) {
    for _ in 0..dice.throw(30) {
        let at = dice.place(rows);
        match dice.throw(11) {
            0 => drop(rows.remove(at)),
            1 => {
                *next_parcel += 1;
                rows.insert(at, fresh_row(dice, *next_parcel));
            }
            // mapped, unmapped
            2 => rows[at] = rows[at].replacen(",11", ",12", 1),
            3 => rows[at].push('x'),
            // moved, doubled as it is, doubled with another area before or behind
            4 => {
                let row = rows.remove(at);
                rows.insert(dice.place(rows), row);
            }
            5 => rows.insert(dice.place(rows), rows[at].clone()),
            6 | 7 => {
                let parcel = rows[at].split(',').next().unwrap().parse().unwrap_or(1);
                rows.insert(dice.place(rows), fresh_row(dice, parcel));
            }
            // broken, mended
            8 => rows[at] = rows[at].replacen(',', ",,", 1),
            9 => rows[at] = rows[at].replacen(",,", ",", 1),
            // a stretch goes
            _ => drop(rows.drain(at..rows.len().min(at + 70))),
        }
        if rows.len() < 150 {
            *next_parcel += 1;
            rows.push(fresh_row(dice, *next_parcel));
        }
    }
}

/// What reading all of a file counts, by the same program.
fn whole(layout: &Layout, text: &str) -> RollCheck {
    let mut reader = RollReader::new(Cursor::new(text.to_owned().into_bytes()), layout).unwrap();
    let mut checker = RollChecker::new(layout);
    while let Some(row) = reader.next_row().unwrap() {
        match row {
            Row::Entry(entry) => checker.record(layout, &StoredRecord::of(0, &entry), 1),
            Row::Reject(reject) => checker.reject(reject.reason, 1),
        }
    }
    checker.finish()
}

/// Reads a file and puts it in use; gives the counts and how many rows were known. Where rows were passed over, the
/// counts of the edition before are moved to those of a whole reading.
async fn take(ground: &Ground, layout: &Layout, text: &str, with_index: bool) -> (EditionCounts, usize) {
    // an edition without a change is one too
    let file = format!("{} {text}", FILES.fetch_add(1, Ordering::Relaxed));
    let (source, edition, claim) = ground.staged("roll", layout, &file).await;
    let mut reader = RollReader::new(Cursor::new(text.to_owned().into_bytes()), layout).unwrap();
    let good_for = format!("{} {:x}", layout.version(), reader.header_mark());
    let mut known = ground.edition_lines(&source, &good_for).await.unwrap().filter(|_| with_index);
    let (sender, receiver) = mpsc::channel(4);
    let (spent, _kept) = std::sync::mpsc::channel();
    let parsing = tokio::task::spawn_blocking(move || {
        let (mut batch, mut lines, mut met) = (Batch::default(), Vec::<Line>::new(), 0);
        while reader.next_lines(&mut batch, &mut lines, 40, known.as_mut()).unwrap() {
            met += lines.iter().filter(|line| matches!(line.what, LineIs::Known(_))).count();
            let mut full = RollBatch::default();
            full.rows.entries = std::mem::take(&mut batch.entries);
            full.rows.rejects = std::mem::take(&mut batch.rejects);
            full.lines = std::mem::take(&mut lines);
            sender.blocking_send(full).unwrap();
        }
        (reader.finish().unwrap(), met)
    });
    let feed = Feed::of_lines(receiver, spent, Some(good_for));
    let mut loaded = ground.edition_load(&claim, &source, edition, feed).await.unwrap();
    let (summary, met) = parsing.await.unwrap();
    loaded.counts.rows_total = summary.rows_total as i64;
    let counts = whole(layout, text);
    if met > 0 {
        let moved = loaded.moved.take().map(|moved| RollCheck { rejects: counts.rejects.clone(), ..moved });
        assert_eq!(moved.as_ref(), Some(&counts), "edition {edition}");
    }
    let doubles = DoublesCheck { counts: Some(loaded.later.clone()), ..DoublesCheck::default() };
    let check = EditionCheck { counts, doubles, ..EditionCheck::default() };
    ground.check_keep(&claim, (source.number, edition), layout, &check).await.unwrap();
    ground.edition_make_current(&claim, &source, edition, &loaded).await.unwrap();
    (loaded.counts, met)
}

/// Everything that lies in the tables of the records.
async fn tables(ground: &Ground) -> Vec<String> {
    let text = |column: &str| format!("coalesce(CAST({column} AS TEXT), '-')");
    let content = "parcel_key parcel_raw situs area_um2 value_cents year_built class rest content_hash file line \
                   byte_start byte_length conflict";
    let list = |columns: &str| columns.split(' ').map(text).collect::<Vec<_>>().join(" || ' ' || ");
    let record = format!("number since_edition {content}");
    let change = format!("edition number what {content}");
    let reject = "edition number file line byte_start byte_length column_name reason detail";
    let mut all = ground.record_rows(&format!("SELECT {} FROM record ORDER BY number", list(&record))).await;
    all.extend(
        ground
            .record_rows(&format!("SELECT {} FROM record_change ORDER BY edition, number", list(&change)))
            .await,
    );
    all.extend(
        ground.record_rows(&format!("SELECT {} FROM reject ORDER BY edition, number", list(reject))).await,
    );
    all
}

async fn beside(ground: &Ground) -> Ground {
    if ground.settings.database_url.is_empty() { Ground::sqlite().await } else { Ground::postgres().await }
}

fn file(rows: &[String], line_end: &str) -> String {
    format!("{HEADER}{line_end}{}{line_end}", rows.join(line_end))
}

async fn random_editions_come_to_the_same_with_the_index_and_without(ground: &Ground) {
    let layout = layout();
    let (mut grounds, mut met_in_all) = (vec![], 0);
    for seed in 0..4 {
        let (with, without) = (beside(ground).await, beside(ground).await);
        let (mut dice, mut next_parcel) = (Dice(seed), 400);
        let mut rows: Vec<String> = (1..=next_parcel).map(|parcel| fresh_row(&mut dice, parcel)).collect();
        for edition in 0..5 {
            if edition > 0 {
                edit(&mut dice, &mut rows, &mut next_parcel);
            }
            let line_end = if dice.throw(4) == 0 { "\r\n" } else { "\n" };
            let text = file(&rows, line_end);
            let (one, met) = take(&with, &layout, &text, true).await;
            let (other, none) = take(&without, &layout, &text, false).await;
            assert_eq!(none, 0);
            assert_eq!(one, other, "seed {seed}, edition {edition}");
            assert_eq!(one.rows_total, one.rows_entered + one.rows_repeated + one.rows_rejected);
            assert_eq!(tables(&with).await, tables(&without).await, "seed {seed}, edition {edition}");
            met_in_all += met;
        }
        grounds.push((with, without));
    }
    assert!(met_in_all > 2_000, "{met_in_all} rows were known");
}

async fn a_file_with_other_columns_is_read_row_by_row(ground: &Ground) {
    let layout = layout();
    take(ground, &layout, "P,A,C,NOTE\n1,1000,110,a\n2,2000,110,b\n", true).await;
    // the same bytes of a row mean another area under another header
    let (counts, met) = take(ground, &layout, "P,NOTE,C,A\n1,1000,110,5\n2,2000,110,6\n", true).await;
    assert_eq!((met, counts.records_changed), (0, 2));
    let (counts, met) = take(ground, &layout, "P,NOTE,C,A\n1,1000,110,5\n2,2001,110,6\n", true).await;
    assert_eq!((met, counts.records_changed, counts.records_unchanged), (1, 0, 2));
}

async fn an_index_is_kept_for_the_edition_in_use_alone(ground: &Ground) {
    let layout = layout();
    for note in ["a", "b", "c"] {
        take(ground, &layout, &format!("{HEADER}\n1,1000,110,{note}\n2,2000,110,same\n"), true).await;
    }
    let both = ["2", "3"].map(str::to_owned);
    assert_eq!(editions(ground).await, BTreeSet::from(both), "the one before goes with the next load");
}

/// The editions that have an index: in files of the embedded database, in a table of the server.
async fn editions(ground: &Ground) -> BTreeSet<String> {
    if ground.settings.database_url.is_empty() {
        let names = index_files(ground);
        return names
            .iter()
            .map(|path| path.file_stem().unwrap().to_str().unwrap().to_owned())
            .map(|stem| stem.rsplit('.').next().unwrap().to_owned())
            .collect();
    }
    ground.record_rows("SELECT CAST(edition AS TEXT) FROM line_block").await.into_iter().collect()
}

/// The files of indexes, whole or not.
fn index_files(ground: &Ground) -> Vec<PathBuf> {
    let folder = std::fs::read_dir(ground.settings.data.join("sources")).unwrap();
    let paths = folder.map(|entry| entry.unwrap().path());
    paths.filter(|path| path.to_str().unwrap().contains(".lines")).collect()
}

/// What happens to an index.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Harm {
    None,
    Gone,
    CutOff,
    /// A bit of its first block is another.
    Turned,
    /// A bit of its second block is another.
    TurnedBehind,
    /// It lies in a table of the file of records, as earlier versions of the program kept it.
    InATable,
}

async fn harm(ground: &Ground, what: Harm) {
    if !ground.settings.database_url.is_empty() {
        if what == Harm::Gone {
            ground.record_rows("DELETE FROM line_block RETURNING 'gone'").await;
        }
        return;
    }
    let files = index_files(ground).into_iter();
    let newest = files.max_by_key(|path| path.metadata().unwrap().modified().unwrap()).unwrap();
    match what {
        Harm::None => {}
        Harm::Gone => std::fs::remove_file(newest).unwrap(),
        Harm::CutOff => {
            std::fs::File::options().write(true).open(newest).unwrap().set_len(4_000).unwrap();
        }
        Harm::Turned | Harm::TurnedBehind => {
            let mut bytes = std::fs::read(&newest).unwrap();
            bytes[if what == Harm::Turned { 4_000 } else { (1 << 20) + 4_000 }] ^= 1;
            std::fs::write(newest, bytes).unwrap();
        }
        Harm::InATable => {
            std::fs::remove_file(newest).unwrap();
            ground.record_rows("CREATE TABLE line_block (edition INTEGER, content BLOB)").await;
        }
    }
}

/// An index that is lost or damaged costs time and nothing else: what changed, stayed and is gone is told all the same. A
/// table is in a transaction: it is there as it was written, or not.
async fn an_index_that_is_damaged_or_gone_changes_nothing(ground: &Ground) {
    let layout = layout();
    let on_sqlite = ground.settings.database_url.is_empty();
    let mut harms = vec![(Harm::None, 498), (Harm::Gone, 0)];
    if on_sqlite {
        harms.extend([(Harm::CutOff, 0), (Harm::Turned, 0), (Harm::InATable, 0)]);
    }
    let row = |parcel: u32| format!("{parcel},{},110,a", 1000 + parcel);
    let before: Vec<String> = (1..=500).map(row).collect();
    for (night, (what, known)) in harms.into_iter().enumerate() {
        take(ground, &layout, &file(&before, "\n"), true).await;
        harm(ground, what).await;
        // one has another area, the last is gone
        let mut after = before.clone();
        after.pop();
        after[7] = format!("8,{},110,a", 2000 + night);
        let (counts, met) = take(ground, &layout, &file(&after, "\n"), true).await;
        assert_eq!(met, known, "{what:?}");
        let moved = (counts.records_unchanged, counts.records_changed, counts.records_ended);
        assert_eq!(moved, (498, 1, 1), "{what:?}");
    }
    if on_sqlite {
        let tables = ground.record_rows("SELECT name FROM sqlite_schema WHERE name = 'line_block'").await;
        assert!(tables.is_empty(), "the table of earlier versions goes with the next load");
    }
}

/// Rows of the part of an index that can be read are passed over, and what is gone is told and counted all the same. In a
/// table it is there as it was written.
async fn an_index_that_is_damaged_in_its_second_block_is_used_up_to_there(ground: &Ground) {
    let layout = layout();
    let mut rows: Vec<String> =
        (1..=66_000).map(|parcel| format!("{parcel},{},110,a", 1_000 + parcel % 900)).collect();
    rows.push("7,3000,120,b".to_owned());
    take(ground, &layout, &file(&rows, "\n"), true).await;
    harm(ground, Harm::TurnedBehind).await;
    rows.truncate(65_998);
    rows[65_990] = "65991,5000,110,a".to_owned();
    rows.remove(9);
    let (counts, met) = take(ground, &layout, &file(&rows, "\n"), true).await;
    // all that is unchanged but parcel 7, whose rows disagreed; in a file only those of the first block, with parcel 10
    let on_sqlite = ground.settings.database_url.is_empty();
    assert_eq!(met, if on_sqlite { (1 << 16) - 2 } else { 65_995 });
    let moved = (counts.records_unchanged, counts.records_changed, counts.records_ended);
    // parcel 7 agrees again, and parcel 65991 has another area
    assert_eq!(moved, (65_995, 2, 3));
}

async fn a_row_before_the_one_that_is_known_makes_that_one_the_double(ground: &Ground) {
    let layout = layout();
    take(ground, &layout, &format!("{HEADER}\n1,1000,110,a\n2,2000,110,b\n"), true).await;
    let (counts, met) =
        take(ground, &layout, &format!("{HEADER}\n1,1500,110,a\n1,1000,110,a\n2,2000,110,b\n"), true).await;
    assert_eq!((met, counts.rows_entered, counts.rows_rejected), (2, 2, 1));
    let source = ground.source("roll").await;
    let aside = ground.reject_list(&source, 2, 0, 10).await.unwrap().remove(0);
    assert!(aside.detail.contains("line 2 ") && aside.detail.contains("line 3 "), "{}", aside.detail);
    assert!(ground.record_by_keys(&source, &["1".to_owned()]).await.unwrap()[0].conflict);
}
