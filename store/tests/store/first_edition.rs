//! The first edition of a source: every row counted once, doubles set aside, nothing left over from broken-off loads.

use std::collections::BTreeMap;

use crossfoot_roll::entry::Reason;
use crossfoot_store::load::LoadBatch;
use crossfoot_store::source::{EditionCounts, Source};
use crossfoot_store::{Backend, StoreError};
use tokio::sync::mpsc;

use crate::ground::{Ground, OFFICE, batch, entry, layout, load, reject, sqft};

on_both_databases! {
    records_are_found_by_key_with_all_that_was_published,
    rows_are_counted_exactly,
    identical_rows_count_once_and_are_told,
    a_row_with_another_area_is_set_aside_naming_both_lines_and_the_first_is_marked,
    a_row_with_the_same_area_and_other_content_is_set_aside_and_the_first_not_marked,
    doubles_in_different_files_name_the_file,
    rows_set_aside_are_listed_page_by_page_and_counted_by_reason,
    thousands_of_rows_set_aside_are_all_kept,
    a_source_without_an_edition_in_use_has_no_records,
    an_edition_is_not_in_use_before_it_is_made_current,
    a_load_that_broke_off_leaves_nothing_for_the_next,
    a_load_that_was_cancelled_can_be_done_again,
    a_first_edition_puts_up_every_house_that_it_concerns,
    sources_are_kept_apart,
}

fn keys(keys: &[&str]) -> Vec<String> {
    keys.iter().map(|key| (*key).to_owned()).collect()
}

async fn roll(ground: &Ground, entries: Vec<crossfoot_roll::entry::Entry>) -> (Source, EditionCounts) {
    let batch = LoadBatch { file: 0, entries, rejects: Vec::new() };
    let (source, loaded) = ground.take("roll", &layout("roll"), "roll", vec![batch]).await;
    (source, loaded.counts)
}

async fn records_are_found_by_key_with_all_that_was_published(ground: &Ground) {
    let mut bare = entry(3, "B-Ä", None, "");
    (bare.value, bare.year_built, bare.rest) = (None, None, "[\"x\"]".to_owned());
    let (source, _) = roll(ground, vec![entry(2, "A", Some(2000), "110"), bare.clone()]).await;
    let found = ground.record_by_keys(&source, &keys(&["A", "B-Ä", "C"])).await.unwrap();
    assert_eq!(found.len(), 2);
    let (first, second) = (&found[0], &found[1]);
    assert_eq!((first.number, first.edition, first.parcel_key.as_str()), (1, 1, "A"));
    assert_eq!((first.parcel_raw.as_str(), first.situs.as_str()), ("raw A", "1 Main Street"));
    assert_eq!(
        (first.area, first.value.map(|v| v.cents()), first.year_built),
        (Some(sqft(2000)), Some(10_000_000), Some(1987))
    );
    assert_eq!((first.class.as_str(), first.rest.as_str(), first.conflict), ("110", "[]", false));
    assert_eq!((first.file, first.line, first.byte_start, first.byte_length), (0, 2, 200, 20));
    assert_eq!(
        (second.parcel_key.as_str(), second.area, second.value, second.year_built),
        ("B-Ä", None, None, None)
    );
    assert_eq!(second.rest, "[\"x\"]");
    assert!(ground.record_by_keys(&source, &[]).await.unwrap().is_empty());
    // more keys than a statement takes
    let many: Vec<String> = (0..1200).map(|n| format!("none-{n}")).chain(keys(&["A"])).collect();
    assert_eq!(ground.record_by_keys(&source, &many).await.unwrap().len(), 1);
}

async fn rows_are_counted_exactly(ground: &Ground) {
    let entries =
        |from: u64| (from..from + 3).map(|n| entry(n, &format!("K{n}"), Some(1000), "110")).collect();
    let batches = vec![
        LoadBatch { file: 0, entries: entries(2), rejects: vec![reject(5, Reason::BlankParcel)] },
        LoadBatch::default(),
        LoadBatch { file: 1, entries: entries(10), rejects: Vec::new() },
    ];
    let (before, edition, claim) = ground.staged("roll", &layout("roll"), "roll").await;
    let mut loaded = load(ground, &claim, &before, edition, batches).await.unwrap();
    loaded.counts.rows_total = 7;
    ground.edition_make_current(&claim, &before, edition, &loaded).await.unwrap();
    let expected = EditionCounts {
        rows_total: 7,
        rows_entered: 6,
        rows_rejected: 1,
        records_new: 6,
        ..EditionCounts::default()
    };
    let kept = ground.edition(before.number, edition).await.unwrap();
    assert_eq!((kept.state.as_str(), kept.counts), ("current", expected));
    assert_eq!(ground.job_view(&claim.id).await.unwrap().state, "done");
    let source = ground.source("roll").await;
    assert_eq!(source.current_edition, Some(1));
    assert_eq!(ground.record_by_keys(&source, &keys(&["K12"])).await.unwrap()[0].file, 1);
}

async fn identical_rows_count_once_and_are_told(ground: &Ground) {
    let rows = vec![
        entry(2, "A", Some(1000), "110"),
        entry(3, "B", Some(1000), "110"),
        entry(4, "A", Some(1000), "110"),
        entry(5, "A", Some(1000), "110"),
    ];
    let (source, counts) = roll(ground, rows).await;
    assert_eq!(
        (counts.rows_entered, counts.rows_repeated, counts.rows_rejected, counts.records_new),
        (2, 2, 0, 2)
    );
    let record = ground.record_by_keys(&source, &keys(&["A"])).await.unwrap().remove(0);
    assert_eq!((record.line, record.conflict), (2, false));
}

async fn a_row_with_another_area_is_set_aside_naming_both_lines_and_the_first_is_marked(ground: &Ground) {
    let rows = vec![
        entry(2, "A", Some(1000), "110"),
        entry(3, "B", Some(1000), "110"),
        entry(9, "A", Some(1200), "110"),
        entry(11, "B", None, "110"),
    ];
    let (source, counts) = roll(ground, rows).await;
    assert_eq!((counts.rows_entered, counts.rows_repeated, counts.rows_rejected), (2, 0, 2));
    for (key, first, later) in [("A", 2, 9), ("B", 3, 11)] {
        let record = ground.record_by_keys(&source, &keys(&[key])).await.unwrap().remove(0);
        assert_eq!((record.line, record.conflict, record.area), (first, true, Some(sqft(1000))));
        let aside = ground.reject_list(&source, 1, 0, 10).await.unwrap();
        let aside = aside.iter().find(|reject| reject.line == later).unwrap();
        assert_eq!(aside.reason, "duplicate_parcel");
        let (one, two) = (format!("line {first} "), format!("line {later} "));
        assert!(aside.detail.contains(&one) && aside.detail.contains(&two), "{}", aside.detail);
    }
}

async fn a_row_with_the_same_area_and_other_content_is_set_aside_and_the_first_not_marked(ground: &Ground) {
    let rows = vec![entry(2, "A", Some(1000), "110"), entry(3, "A", Some(1000), "120")];
    let (source, counts) = roll(ground, rows).await;
    assert_eq!((counts.rows_entered, counts.rows_repeated, counts.rows_rejected), (1, 0, 1));
    let record = ground.record_by_keys(&source, &keys(&["A"])).await.unwrap().remove(0);
    assert_eq!((record.class.as_str(), record.conflict), ("110", false));
}

async fn doubles_in_different_files_name_the_file(ground: &Ground) {
    let batches = vec![
        LoadBatch { file: 0, entries: vec![entry(2, "A", Some(1000), "110")], rejects: Vec::new() },
        LoadBatch { file: 1, entries: vec![entry(2, "A", Some(1001), "110")], rejects: Vec::new() },
    ];
    let source = ground.take("roll", &layout("roll"), "roll", batches).await.0;
    let aside = ground.reject_list(&source, 1, 0, 10).await.unwrap().remove(0);
    assert_eq!((aside.file, aside.line), (1, 2));
    assert!(aside.detail.contains("line 2 of file 1 already"), "{}", aside.detail);
}

async fn rows_set_aside_are_listed_page_by_page_and_counted_by_reason(ground: &Ground) {
    let rejects = (2..9).map(|line| {
        let reason = if line % 2 == 0 { Reason::BlankArea } else { Reason::TextInNumber };
        reject(line, reason)
    });
    let mut unclosed = reject(20, Reason::UnclosedQuote);
    (unclosed.column, unclosed.raw) = (None, Vec::new());
    let rejects = rejects.chain([unclosed]).collect();
    let batches = vec![LoadBatch { file: 0, entries: vec![entry(10, "A", Some(1), "")], rejects }];
    let source = ground.take("roll", &layout("roll"), "roll", batches).await.0;
    let mut seen = Vec::new();
    loop {
        let after = seen.last().map_or(0, |reject: &crossfoot_store::record::RejectView| reject.number);
        let page = ground.reject_list(&source, 1, after, 3).await.unwrap();
        if page.is_empty() {
            break;
        }
        assert!(page.len() <= 3);
        seen.extend(page);
    }
    assert_eq!(seen.iter().map(|r| r.line).collect::<Vec<_>>(), [2, 3, 4, 5, 6, 7, 8, 20]);
    assert_eq!(seen[0].column.as_deref(), Some("A"));
    assert_eq!(
        (seen[0].raw.as_deref(), seen[0].detail.as_str()),
        (Some(&b"raw,\xff"[..]), "line 2 cannot be read")
    );
    assert_eq!((&seen[7].column, &seen[7].raw), (&None, &None));
    let counts = ground.reject_counts(&source, 1).await.unwrap();
    let expected = [("blank_area", 4), ("text_in_number", 3), ("unclosed_quote", 1)];
    assert_eq!(counts, BTreeMap::from(expected.map(|(reason, n)| (reason.to_owned(), n))));
    assert!(ground.reject_counts(&source, 2).await.unwrap().is_empty());
}

async fn thousands_of_rows_set_aside_are_all_kept(ground: &Ground) {
    let rejects = |from: u64| (from..from + 700).map(|line| reject(line, Reason::BadParcel)).collect();
    let mut batches: Vec<LoadBatch> =
        (0..5).map(|n| LoadBatch { file: 0, entries: Vec::new(), rejects: rejects(n * 1000) }).collect();
    batches.push(batch(&[("A", 1), ("A", 2)]));
    let (source, loaded) = ground.take("roll", &layout("roll"), "roll", batches).await;
    assert_eq!(loaded.counts.rows_rejected, 3501);
    assert_eq!(ground.reject_counts(&source, 1).await.unwrap().values().sum::<i64>(), 3501);
    assert_eq!(ground.reject_list(&source, 1, 3500, 10).await.unwrap()[0].reason, "duplicate_parcel");
}

async fn a_source_without_an_edition_in_use_has_no_records(ground: &Ground) {
    let source = ground.source_ensure("roll", &layout("roll")).await.unwrap();
    let refused = [
        ground.record_by_keys(&source, &keys(&["A"])).await.map(|_| ()),
        ground.record_totals(&source).await.map(|_| ()),
        ground.reject_list(&source, 1, 0, 1).await.map(|_| ()),
        ground.reject_counts(&source, 1).await.map(|_| ()),
    ];
    for refused in refused {
        assert!(matches!(refused, Err(StoreError::Missing { .. })), "{refused:?}");
    }
}

async fn an_edition_is_not_in_use_before_it_is_made_current(ground: &Ground) {
    let (source, edition, claim) = ground.staged("roll", &layout("roll"), "roll").await;
    load(ground, &claim, &source, edition, vec![batch(&[("A", 1)])]).await.unwrap();
    assert_eq!(ground.source("roll").await, source);
    assert_eq!(ground.edition(source.number, edition).await.unwrap().state, "staged");
    if ground.backend() == Backend::Postgres {
        assert_eq!(ground.number("SELECT count(*) FROM record").await, 0);
    }
}

async fn containers(ground: &Ground) -> Vec<String> {
    match ground.backend() {
        Backend::Sqlite => ground.source_files(),
        Backend::Postgres => {
            ground
                .rows("SELECT relname::text FROM pg_class WHERE relkind = 'r' AND relname LIKE 'record\\_s%'")
                .await
        }
    }
}

async fn a_load_that_broke_off_leaves_nothing_for_the_next(ground: &Ground) {
    let (source, edition, claim) = ground.staged("roll", &layout("roll"), "roll").await;
    // the parser ended early twice: its sender was dropped, and its caller does not put the rest in use
    for _ in 0..2 {
        let mut half = batch(&[("A", 1), ("gone", 2)]);
        half.rejects.push(reject(7, Reason::NulByte));
        load(ground, &claim, &source, edition, vec![half]).await.unwrap();
    }
    let loaded = load(ground, &claim, &source, edition, vec![batch(&[("A", 1), ("B", 2)])]).await.unwrap();
    ground.edition_make_current(&claim, &source, edition, &loaded).await.unwrap();
    let source = ground.source("roll").await;
    let found = ground.record_by_keys(&source, &keys(&["A", "B", "gone"])).await.unwrap();
    assert_eq!(found.iter().map(|r| r.parcel_key.as_str()).collect::<Vec<_>>(), ["A", "B"]);
    assert!(ground.reject_counts(&source, edition).await.unwrap().is_empty());
    assert_eq!(containers(ground).await.len(), 1);
}

async fn a_load_that_was_cancelled_can_be_done_again(ground: &Ground) {
    let (source, edition, claim) = ground.staged("roll", &layout("roll"), "roll").await;
    let (sender, receiver) = mpsc::channel(1);
    let (store, before) = (crossfoot_store::Store::clone(ground), source.clone());
    let by = claim.clone();
    let loading = tokio::spawn(async move { store.edition_load(&by, &before, edition, receiver).await });
    let many: Vec<_> = (2..30_000).map(|n| entry(n, &format!("K{n}"), Some(1000), "110")).collect();
    sender
        .send(LoadBatch { file: 0, entries: many, rejects: vec![reject(1, Reason::BadParcel)] })
        .await
        .unwrap();
    // it has taken the batch when there is room for the next
    sender.send(LoadBatch::default()).await.unwrap();
    loading.abort();
    assert!(loading.await.is_err());
    drop(sender);
    let loaded = load(ground, &claim, &source, edition, vec![batch(&[("A", 1)])]).await.unwrap();
    ground.edition_make_current(&claim, &source, edition, &loaded).await.unwrap();
    let source = ground.source("roll").await;
    assert_eq!(ground.record_totals(&source).await.unwrap().records, 1);
    assert!(ground.reject_counts(&source, edition).await.unwrap().is_empty());
}

async fn a_first_edition_puts_up_every_house_that_it_concerns(ground: &Ground) {
    ground.houses(OFFICE, &[("in", "A", "US-IA-169"), ("out", "B", "US-IA-16"), ("any", "Z", "")]).await;
    ground.roll("roll", &[("A", 2000)]).await;
    assert_eq!(ground.to_judge(OFFICE).await, ["roll|any", "roll|in"]);
    assert_eq!(ground.queued().await, [format!("reconcile:{OFFICE}:1")]);
    assert_eq!(ground.rows("SELECT DISTINCT cause FROM to_judge").await, ["edition"]);
}

async fn sources_are_kept_apart(ground: &Ground) {
    for number in 1..=11 {
        ground.roll(&format!("roll-{number}"), &[("A", number)]).await;
    }
    for number in 1..=11 {
        let source = ground.source(&format!("roll-{number}")).await;
        let found = ground.record_by_keys(&source, &keys(&["A"])).await.unwrap();
        assert_eq!(found.iter().map(|r| r.area).collect::<Vec<_>>(), [Some(sqft(number))]);
    }
    // the first source again, from a process that has opened none of the files
    let another = ground.another().await;
    let source = ground.source("roll-1").await;
    assert_eq!(another.record_totals(&source).await.unwrap().records, 1);
}

/// SQLite only: a server has no files to lose.
#[tokio::test(flavor = "multi_thread")]
async fn a_file_of_a_source_that_is_gone_is_an_error_and_not_an_empty_source() {
    let ground = Ground::sqlite().await;
    let source = ground.roll("roll", &[("A", 1)]).await;
    let file = ground.settings.data.join("sources").join(&ground.source_files()[0]);
    std::fs::remove_file(&file).unwrap();
    let read = ground.record_totals(&source).await;
    assert!(read.is_err(), "{read:?}");
    assert!(!file.exists());
}
