//! Later editions: only what is new, changed or gone is appended, and nobody sees it before the edition is in use.

use crossfoot_roll::entry::{Entry, Reason};
use crossfoot_store::load::{LoadBatch, Loaded};
use crossfoot_store::record::Record;
use crossfoot_store::source::{EditionCounts, Source};

use crate::ground::{Ground, OFFICE, OTHER_OFFICE, batch, entry, layout, load, recorded, reject, sqft};

on_both_databases! {
    unchanged_changed_new_and_ended_records_are_told_apart,
    a_record_that_ended_and_comes_back_is_a_new_one,
    the_base_is_never_updated,
    an_edition_is_not_seen_before_it_is_in_use,
    identical_rows_count_once_within_and_across_batches,
    a_row_with_another_area_is_set_aside_whatever_became_of_the_first,
    a_double_of_an_unchanged_record_names_the_line_of_its_own_edition,
    a_mark_goes_when_the_rows_agree_again,
    rows_set_aside_belong_to_their_edition,
    an_edition_loaded_again_after_it_broke_off_gives_the_same,
    a_refused_edition_leaves_nothing_to_the_next,
    more_records_than_a_page_end_at_once,
    an_edition_of_the_same_layout_puts_up_only_houses_of_changed_keys,
    an_edition_of_another_layout_puts_up_every_house,
    editions_in_a_row_each_stand_on_the_one_before,
}

fn row(line: u64, key: &str, area: i64) -> Entry {
    entry(line, key, Some(area), "110")
}

fn rows(entries: Vec<Entry>) -> LoadBatch {
    LoadBatch { file: 0, entries, rejects: Vec::new() }
}

async fn take(ground: &Ground, file: &str, batches: Vec<LoadBatch>) -> (Source, EditionCounts) {
    let (source, loaded) = ground.take("roll", &layout("roll"), file, batches).await;
    (source, loaded.counts)
}

async fn record(ground: &Ground, source: &Source, key: &str) -> Option<Record> {
    let mut found = ground.record_by_keys(source, &[key.to_owned()]).await.unwrap();
    assert!(found.len() < 2, "{found:?}");
    found.pop()
}

/// `key area edition` of the records in use.
async fn in_use(ground: &Ground, source: &Source, keys: &[&str]) -> Vec<String> {
    let mut lines = Vec::new();
    for key in keys {
        if let Some(record) = record(ground, source, key).await {
            lines.push(format!("{key} {} {}", record.area.unwrap().to_square_feet(0), record.edition));
        }
    }
    lines
}

const ALL: [&str; 5] = ["A", "B", "C", "D", "E"];

/// new, changed, ended, unchanged
fn moved(counts: &EditionCounts) -> (i64, i64, i64, i64) {
    (counts.records_new, counts.records_changed, counts.records_ended, counts.records_unchanged)
}

async fn unchanged_changed_new_and_ended_records_are_told_apart(ground: &Ground) {
    let (_, first) = take(ground, "1", vec![batch(&[("A", 1000), ("B", 2000), ("C", 3000)])]).await;
    assert_eq!(moved(&first), (3, 0, 0, 0));
    let (source, second) = take(ground, "2", vec![batch(&[("B", 2100), ("A", 1000), ("D", 4000)])]).await;
    assert_eq!(moved(&second), (1, 1, 1, 1));
    assert_eq!((second.rows_entered, second.rows_repeated, second.rows_rejected), (3, 0, 0));
    assert_eq!(in_use(ground, &source, &ALL).await, ["A 1000 1", "B 2100 2", "D 4000 2"]);
    let b = record(ground, &source, "B").await.unwrap();
    assert_eq!((b.number, b.line, b.byte_start), (2, 2, 200), "number of the record, place of the edition");
    let kept = ground.edition(source.number, 2).await.unwrap().counts;
    assert_eq!(moved(&kept), moved(&second));
}

async fn a_record_that_ended_and_comes_back_is_a_new_one(ground: &Ground) {
    take(ground, "1", vec![batch(&[("A", 1000), ("B", 2000)])]).await;
    let (source, second) = take(ground, "2", vec![batch(&[("A", 1000)])]).await;
    assert_eq!(moved(&second), (0, 0, 1, 1));
    assert_eq!(record(ground, &source, "B").await, None);
    let (source, third) = take(ground, "3", vec![batch(&[("A", 1000), ("B", 2000)])]).await;
    assert_eq!(moved(&third), (1, 0, 0, 1));
    let back = record(ground, &source, "B").await.unwrap();
    assert_eq!((back.number, back.edition), (3, 3));
    // it goes on as that one
    let (source, fourth) = take(ground, "4", vec![batch(&[("A", 1000), ("B", 2050)])]).await;
    assert_eq!(moved(&fourth), (0, 1, 0, 1));
    assert_eq!(record(ground, &source, "B").await.unwrap().number, 3);
    let (source, fifth) = take(ground, "5", vec![batch(&[("A", 1000)])]).await;
    assert_eq!(moved(&fifth), (0, 0, 1, 1));
    assert_eq!(ground.record_totals(&source).await.unwrap().records, 1);
}

async fn the_base_is_never_updated(ground: &Ground) {
    take(ground, "1", vec![batch(&[("A", 1000), ("B", 2000)])]).await;
    let base = "SELECT parcel_key || ' ' || CAST(area_um2 AS TEXT) || ' ' || CAST(conflict AS TEXT) FROM record ORDER BY number";
    let before = ground.record_rows(base).await;
    take(ground, "2", vec![rows(vec![row(2, "A", 1100), row(3, "B", 2000), row(4, "B", 2001)])]).await;
    take(ground, "3", vec![batch(&[("C", 1)])]).await;
    assert_eq!(ground.record_rows(base).await, before);
    let changes = "SELECT CAST(edition AS TEXT) || ' ' || what || ' ' || parcel_key FROM record_change ORDER BY edition, number";
    let expected = ["2 changed A", "2 changed B", "3 ended A", "3 ended B", "3 new C"];
    assert_eq!(ground.record_rows(changes).await, expected);
}

async fn an_edition_is_not_seen_before_it_is_in_use(ground: &Ground) {
    let (source, _) = take(ground, "1", vec![batch(&[("A", 1000), ("B", 2000)])]).await;
    let totals = ground.record_totals(&source).await.unwrap();
    let (before, edition, claim) = ground.staged("roll", &layout("roll"), "2").await;
    let loaded = load(ground, &claim, &before, edition, vec![batch(&[("A", 1100), ("C", 1)])]).await.unwrap();
    let still = ground.source("roll").await;
    assert_eq!(in_use(ground, &still, &ALL).await, ["A 1000 1", "B 2000 1"]);
    assert_eq!(ground.record_totals(&still).await.unwrap(), totals);
    ground.edition_make_current(&claim, &before, edition, &loaded).await.unwrap();
    let now = ground.source("roll").await;
    assert_eq!((now.current_edition, in_use(ground, &now, &ALL).await.len()), (Some(2), 2));
    assert_eq!(
        in_use(ground, &source, &ALL).await,
        ["A 1000 1", "B 2000 1"],
        "who holds the edition before still reads it"
    );
}

async fn identical_rows_count_once_within_and_across_batches(ground: &Ground) {
    take(ground, "1", vec![batch(&[("same", 1000), ("changed", 2000)])]).await;
    let first = [row(2, "same", 1000), row(3, "changed", 2100), row(4, "new", 3000)];
    let again = |line| first.iter().map(move |entry| Entry { line, ..entry.clone() });
    let within: Vec<_> = first.iter().cloned().chain(again(5)).collect();
    let across: Vec<_> = again(6).collect();
    let (source, counts) = take(ground, "2", vec![rows(within), rows(across)]).await;
    assert_eq!((counts.rows_entered, counts.rows_repeated, counts.rows_rejected), (3, 6, 0));
    assert_eq!(moved(&counts), (1, 1, 0, 1));
    let found = in_use(ground, &source, &["same", "changed", "new"]).await;
    assert_eq!(found, ["same 1000 1", "changed 2100 2", "new 3000 2"]);
}

/// A later row of each kind of record, in the same batch and in a later one, with another area and without.
async fn a_row_with_another_area_is_set_aside_whatever_became_of_the_first(ground: &Ground) {
    let base = ["same", "changed"].map(|key| (key, 1000));
    take(ground, "1", vec![batch(&base)]).await;
    let firsts = [row(2, "same", 1000), row(3, "changed", 1100), row(4, "new", 1200)];
    for (file, apart) in [("2", false), ("3", true)] {
        let doubles: Vec<_> =
            (10..).zip(["same", "changed", "new"]).map(|(line, key)| row(line, key, 1999)).collect();
        let batches = if apart {
            vec![rows(firsts.to_vec()), rows(doubles)]
        } else {
            vec![rows(firsts.iter().cloned().chain(doubles).collect())]
        };
        let (source, counts) = take(ground, file, batches).await;
        assert_eq!((counts.rows_entered, counts.rows_repeated, counts.rows_rejected), (3, 0, 3));
        for (first, line) in firsts.iter().zip(10..) {
            let kept = record(ground, &source, &first.parcel_key).await.unwrap();
            assert!(kept.conflict, "{file} {}", first.parcel_key);
            assert_eq!((kept.area, kept.line), (first.area, first.line as i64));
            let aside = ground.reject_list(&source, source.current_edition.unwrap(), 0, 10).await.unwrap();
            let aside = aside.iter().find(|reject| reject.line == line).unwrap();
            let (one, two) = (format!("line {} ", first.line), format!("line {line} "));
            assert!(aside.detail.contains(&one) && aside.detail.contains(&two), "{}", aside.detail);
        }
        // back to what was, so that the next round meets the same kinds
        take(ground, &format!("{file} after"), vec![batch(&base)]).await;
    }
    let rows_alike = vec![entry(2, "same", Some(1000), "110"), entry(3, "same", Some(1000), "120")];
    let (source, counts) = take(ground, "4", vec![rows(rows_alike)]).await;
    assert_eq!((counts.rows_rejected, counts.records_unchanged), (1, 1));
    assert!(!record(ground, &source, "same").await.unwrap().conflict, "the area is the same");
}

async fn a_double_of_an_unchanged_record_names_the_line_of_its_own_edition(ground: &Ground) {
    take(ground, "1", vec![rows(vec![row(2, "A", 1000)])]).await;
    let first = LoadBatch { file: 1, entries: vec![row(77, "A", 1000)], rejects: Vec::new() };
    let double = LoadBatch { file: 2, entries: vec![row(88, "A", 1001)], rejects: Vec::new() };
    let (source, counts) = take(ground, "2", vec![first, double]).await;
    assert_eq!(moved(&counts), (0, 1, 0, 0), "the mark is a change");
    let aside = ground.reject_list(&source, 2, 0, 10).await.unwrap().remove(0);
    assert!(aside.detail.contains("line 77 of file 2 already"), "{}", aside.detail);
    let marked = record(ground, &source, "A").await.unwrap();
    assert_eq!((marked.edition, marked.file, marked.line), (2, 1, 77));
    assert_eq!((marked.byte_start, marked.byte_length, marked.area), (7700, 20, Some(sqft(1000))));
}

async fn a_mark_goes_when_the_rows_agree_again(ground: &Ground) {
    take(ground, "1", vec![rows(vec![row(2, "A", 1000), row(3, "A", 1001)])]).await;
    let (source, counts) = take(ground, "2", vec![rows(vec![row(2, "A", 1000)])]).await;
    assert_eq!(moved(&counts), (0, 1, 0, 0));
    assert!(!record(ground, &source, "A").await.unwrap().conflict);
    let (_, counts) = take(ground, "3", vec![rows(vec![row(2, "A", 1000)])]).await;
    assert_eq!(moved(&counts), (0, 0, 0, 1));
}

async fn rows_set_aside_belong_to_their_edition(ground: &Ground) {
    let with = |line, reason| LoadBatch {
        file: 0,
        entries: vec![row(2, "A", 1)],
        rejects: vec![reject(line, reason)],
    };
    take(ground, "1", vec![with(5, Reason::BlankArea)]).await;
    let (source, _) = take(ground, "2", vec![with(6, Reason::NulByte)]).await;
    for (edition, line, reason) in [(1, 5, "blank_area"), (2, 6, "nul_byte")] {
        let aside = ground.reject_list(&source, edition, 0, 10).await.unwrap();
        assert_eq!((aside.len(), aside[0].line, aside[0].reason.as_str()), (1, line, reason));
        assert_eq!(aside[0].raw.as_deref(), Some(&b"raw,\xff"[..]));
    }
}

async fn an_edition_loaded_again_after_it_broke_off_gives_the_same(ground: &Ground) {
    take(ground, "1", vec![batch(&[("A", 1000), ("B", 2000), ("C", 3000)])]).await;
    let whole = || {
        let entries = vec![row(2, "A", 1100), row(3, "B", 2000), row(4, "D", 4000), row(5, "D", 4001)];
        vec![
            rows(entries),
            LoadBatch { file: 0, entries: vec![row(6, "E", 5)], rejects: vec![reject(7, Reason::NulByte)] },
        ]
    };
    let (before, edition, claim) = ground.staged("roll", &layout("roll"), "2").await;
    let half = whole().remove(0);
    load(ground, &claim, &before, edition, vec![half]).await.unwrap();
    let wrong = rows(vec![row(2, "never", 1)]);
    load(ground, &claim, &before, edition, vec![wrong]).await.unwrap();
    let loaded: Loaded = load(ground, &claim, &before, edition, whole()).await.unwrap();
    ground.edition_make_current(&claim, &before, edition, &loaded).await.unwrap();
    let source = ground.source("roll").await;
    assert_eq!(moved(&loaded.counts), (2, 1, 1, 1));
    assert_eq!((loaded.counts.rows_entered, loaded.counts.rows_rejected), (4, 2));
    assert_eq!(in_use(ground, &source, &ALL).await, ["A 1100 2", "B 2000 1", "D 4000 2", "E 5 2"]);
    assert_eq!(record(ground, &source, "never").await, None);
    assert_eq!(record(ground, &source, "E").await.unwrap().number, 5, "no number was used up");
    assert_eq!(ground.reject_counts(&source, 2).await.unwrap().values().sum::<i64>(), 2);
}

async fn a_refused_edition_leaves_nothing_to_the_next(ground: &Ground) {
    take(ground, "1", vec![batch(&[("A", 1000), ("B", 2000)])]).await;
    let (before, refused, claim) = ground.staged("roll", &layout("roll"), "2").await;
    // nothing of it could be read: every record seems to have ended
    load(ground, &claim, &before, refused, Vec::new()).await.unwrap();
    ground.edition_refuse(&claim, before.number, refused, "no row could be read").await.unwrap();
    let (source, counts) = take(ground, "3", vec![batch(&[("A", 1000), ("B", 2100)])]).await;
    assert_eq!(moved(&counts), (0, 1, 0, 1));
    assert_eq!(in_use(ground, &source, &ALL).await, ["A 1000 1", "B 2100 3"]);
    assert_eq!(ground.record_totals(&source).await.unwrap().records, 2);
}

async fn more_records_than_a_page_end_at_once(ground: &Ground) {
    let count = 45_000;
    let all = (1..=count).map(|n| row(n, &format!("K{n}"), 1000)).collect();
    take(ground, "1", vec![rows(all)]).await;
    let kept = (1..=count).filter(|n| n % 1000 == 0);
    let (source, counts) =
        take(ground, "2", vec![rows(kept.map(|n| row(n, &format!("K{n}"), 1000)).collect())]).await;
    assert_eq!(moved(&counts), (0, 0, 44_955, 45));
    let totals = ground.record_totals(&source).await.unwrap();
    assert_eq!((totals.records, totals.area_um2), (45, 45 * i128::from(sqft(1000).square_micrometres())));
    let (source, counts) = take(ground, "3", vec![batch(&[("K1", 1000)])]).await;
    assert_eq!(moved(&counts), (1, 0, 45, 0));
    assert_eq!(ground.record_totals(&source).await.unwrap().records, 1);
}

async fn an_edition_of_the_same_layout_puts_up_only_houses_of_changed_keys(ground: &Ground) {
    let (source, _) = take(ground, "1", vec![batch(&[("A", 2000), ("B", 2000), ("C", 2000)])]).await;
    for office in [OFFICE, OTHER_OFFICE] {
        ground
            .houses(
                office,
                &[
                    ("same", "A", ""),
                    ("changed", "B", ""),
                    ("ended", "C", ""),
                    ("new", "D", ""),
                    ("none", "Z", ""),
                ],
            )
            .await;
        ground.judge_all(office, &source, &|_| recorded(2390)).await;
    }
    take(ground, "2", vec![batch(&[("A", 2000), ("B", 2100), ("D", 2000)])]).await;
    for office in [OFFICE, OTHER_OFFICE] {
        assert_eq!(ground.to_judge(office).await, ["roll|changed", "roll|ended", "roll|new"]);
    }
    assert_eq!(ground.queued().await, [OFFICE, OTHER_OFFICE].map(|office| format!("reconcile:{office}:1")));
    assert_eq!(ground.rows("SELECT DISTINCT cause FROM to_judge").await, ["edition"]);
}

async fn an_edition_of_another_layout_puts_up_every_house(ground: &Ground) {
    let (source, _) = take(ground, "1", vec![batch(&[("A", 2000), ("B", 2000)])]).await;
    ground.houses(OFFICE, &[("same", "A", ""), ("changed", "B", ""), ("out", "A", "US-NE")]).await;
    ground.judge_all(OFFICE, &source, &|_| recorded(2390)).await;
    ground.take("roll", &layout("another"), "2", vec![batch(&[("A", 2000), ("B", 2100)])]).await;
    assert_eq!(ground.to_judge(OFFICE).await, ["roll|changed", "roll|same"]);
}

async fn editions_in_a_row_each_stand_on_the_one_before(ground: &Ground) {
    for edition in 1..=6i64 {
        let entries = vec![row(2, "A", 1000 + edition), row(3, "B", 1000 + edition / 2), row(4, "C", 1)];
        let (source, counts) = take(ground, &edition.to_string(), vec![rows(entries)]).await;
        assert_eq!(source.current_edition, Some(edition));
        if edition > 1 {
            let changed = 1 + i64::from(edition % 2 == 0);
            assert_eq!(moved(&counts), (0, changed, 0, 3 - changed));
        }
        let a = record(ground, &source, "A").await.unwrap();
        assert_eq!((a.area, a.edition, a.number), (Some(sqft(1000 + edition)), edition, 1));
        assert_eq!(record(ground, &source, "C").await.unwrap().edition, 1);
    }
    assert_eq!(ground.edition_numbers(1).await.unwrap(), [1, 2, 3, 4, 5, 6]);
}
