//! Mended rows: an edition of the office's own on top of the publisher's, which ends nothing.

use std::collections::BTreeMap;

use crossfoot_roll::entry::Reason;
use crossfoot_store::edition::HoldReason;
use crossfoot_store::load::{LoadBatch, Loaded};
use crossfoot_store::mend::{MendArrival, MendNote, MendsAfter};
use crossfoot_store::record::RejectView;
use crossfoot_store::source::{EditionArrival, EditionNotes, RollStatus, Source};

use crate::ground::{Ground, LEASE, OFFICE, batch, entry, kept, layout, load, reject, reviewer};

on_both_databases! {
    mended_rows_are_records_and_nothing_else_is_touched,
    who_when_and_why_is_kept,
    only_rows_of_the_edition_in_use_can_be_mended,
    the_quarantine_of_a_held_edition_is_read_and_not_mended,
    rows_of_a_mended_edition_can_be_mended_further,
    the_publishers_next_edition_replaces_mends_and_tells_what_it_ended,
    the_same_mended_rows_are_taken_once_and_again_for_a_later_edition,
    only_houses_of_mended_keys_are_judged_again,
    quarantine_is_grouped_with_the_first_rows_of_each_group,
}

const NOTE: MendNote<'_> = MendNote { mended_by: "Ann Garnet", reason: "read off the card at the counter" };

/// A first edition of three records with rows of D and E in quarantine.
async fn published(ground: &Ground) -> Source {
    let first = LoadBatch {
        rejects: vec![reject(5, Reason::TextInNumber), reject(6, Reason::WrongColumnCount)],
        ..batch(&[("A", 1000), ("B", 2000), ("C", 3000)])
    };
    ground.take("roll", &layout("roll"), "1", vec![first]).await.0
}

async fn arrival(ground: &Ground, edition: i64, file: &str) -> MendArrival {
    let source = ground.source("roll").await;
    ground.mend_stage(&source, edition, &kept(file), NOTE, &reviewer()).await.unwrap()
}

async fn mend(ground: &Ground, edition: i64, file: &str, batch: LoadBatch) -> (Source, i64, Loaded) {
    let MendArrival::Taken(EditionArrival::Staged { edition, job }) = arrival(ground, edition, file).await
    else {
        panic!("not staged")
    };
    let claim = ground.job_claim(LEASE, Some(&job)).await.unwrap().unwrap();
    let before = ground.source("roll").await;
    let loaded = load(ground, &claim, &before, edition, vec![batch]).await.unwrap();
    ground.edition_make_current(&claim, &before, edition, &loaded).await.unwrap();
    (ground.source("roll").await, edition, loaded)
}

/// `key area edition` of the records in use.
async fn in_use(ground: &Ground) -> Vec<String> {
    let source = ground.source("roll").await;
    let keys = ["A", "B", "C", "D", "E"].map(str::to_owned);
    let mut records = ground.record_by_keys(&source, &keys).await.unwrap();
    records.sort_by(|a, b| a.parcel_key.cmp(&b.parcel_key));
    let line = |r: &crossfoot_store::record::Record| {
        format!("{} {} {}", r.parcel_key, r.area.unwrap().to_square_feet(0), r.edition)
    };
    records.iter().map(line).collect()
}

async fn mended_rows_are_records_and_nothing_else_is_touched(ground: &Ground) {
    published(ground).await;
    let rows = LoadBatch { rejects: vec![reject(3, Reason::TextInNumber)], ..batch(&[("D", 4000)]) };
    let (source, edition, loaded) = mend(ground, 1, "mended", rows).await;
    assert_eq!(in_use(ground).await, ["A 1000 1", "B 2000 1", "C 3000 1", "D 4000 2"]);
    let c = loaded.counts;
    assert_eq!((c.records_new, c.records_changed, c.records_ended, c.rows_rejected), (1, 0, 0, 1));
    assert_eq!(ground.record_totals(&source).await.unwrap().records, 4);
    // each edition has the quarantine of its own rows
    let of = |edition| ground.reject_list(&source, edition, 0, 10);
    assert_eq!((of(1).await.unwrap().len(), of(edition).await.unwrap().len()), (2, 1));
    assert_eq!(ground.edition(source.number, 1).await.unwrap().state, "past");
}

async fn who_when_and_why_is_kept(ground: &Ground) {
    let source = published(ground).await;
    let notes = EditionNotes { roll_year: Some(2026), status: RollStatus::Certified, as_of: String::new() };
    assert_eq!(ground.mend(source.number, 1).await.unwrap(), None);
    let staged = ground.edition_stage(&source, &layout("roll"), &[kept("2")], &notes).await.unwrap();
    let EditionArrival::Staged { edition, job } = staged else { panic!("{staged:?}") };
    let claim = ground.job_claim(LEASE, Some(&job)).await.unwrap().unwrap();
    let loaded = load(ground, &claim, &source, edition, vec![batch(&[("A", 1000)])]).await.unwrap();
    ground.edition_make_current(&claim, &source, edition, &loaded).await.unwrap();
    let (source, edition, _) = mend(ground, 2, "mended", batch(&[("D", 4000)])).await;
    let mend = ground.mend(source.number, edition).await.unwrap().unwrap();
    assert_eq!((mend.mends, mend.mended_by.as_str(), mend.actor.as_str()), (2, "Ann Garnet", "k"));
    assert_eq!(mend.reason, NOTE.reason);
    assert!(mend.mended_at > 1_700_000_000_000_000);
    // it is of the roll that it mends
    let made = ground.edition(source.number, edition).await.unwrap();
    assert_eq!((made.roll_year, made.status.as_str()), (Some(2026), "certified"));
    assert_eq!(ground.mends(source.number).await.unwrap().into_keys().collect::<Vec<_>>(), [3]);
    assert_eq!(ground.number("SELECT count(*) FROM audit_log WHERE action = 'rows_mended'").await, 1);
}

async fn only_rows_of_the_edition_in_use_can_be_mended(ground: &Ground) {
    published(ground).await;
    ground.take("roll", &layout("roll"), "2", vec![batch(&[("A", 1000)])]).await;
    assert_eq!(arrival(ground, 1, "mended").await, MendArrival::Overtaken { current: 2 });
    assert!(ground.queued().await.iter().all(|job| !job.starts_with("import")));
    let source = ground.source("roll").await;
    let none = ground.mend_stage(&source, 9, &kept("mended"), NOTE, &reviewer()).await;
    assert!(matches!(none, Err(crossfoot_store::StoreError::Missing { .. })), "{none:?}");
}

async fn the_quarantine_of_a_held_edition_is_read_and_not_mended(ground: &Ground) {
    published(ground).await;
    let (source, edition, claim) = ground.staged("roll", &layout("roll"), "2").await;
    let rows = LoadBatch { rejects: vec![reject(7, Reason::BlankParcel)], ..batch(&[("A", 1000)]) };
    let loaded = load(ground, &claim, &source, edition, vec![rows]).await.unwrap();
    let why = HoldReason {
        kind: "shrunk".to_owned(),
        sentence: "2 of 3 records are gone".to_owned(),
        figures: BTreeMap::new(),
    };
    ground.edition_hold(&claim, &source, edition, &loaded, &[why]).await.unwrap();
    let source = ground.source("roll").await;
    let lines = |rows: Vec<RejectView>| rows.iter().map(|row| row.line).collect::<Vec<_>>();
    assert_eq!(lines(ground.reject_list(&source, edition, 0, 10).await.unwrap()), [7]);
    let groups = ground.reject_groups(&source, edition).await.unwrap();
    assert_eq!((groups.len(), groups[0].reason.as_str(), groups[0].rows), (1, "blank_parcel", 1));
    assert_eq!(ground.reject_counts(&source, edition).await.unwrap()["blank_parcel"], 1);
    assert_eq!(arrival(ground, edition, "mended").await, MendArrival::Held);
    assert!(ground.queued().await.iter().all(|job| !job.starts_with("import")));
    assert_eq!(ground.edition(source.number, edition).await.unwrap().state, "held");
    // once it is decided on, its rows are mended like any other's
    ground.edition_accept(&source, edition, &reviewer()).await.unwrap();
    mend(ground, edition, "mended", batch(&[("D", 4000)])).await;
    assert_eq!(in_use(ground).await, ["A 1000 1", "D 4000 3"]);
}

async fn rows_of_a_mended_edition_can_be_mended_further(ground: &Ground) {
    published(ground).await;
    mend(ground, 1, "first", batch(&[("D", 4000)])).await;
    // the publisher's edition stays the one to name, and the one on top may be named too
    let (_, edition, _) = mend(ground, 1, "second", batch(&[("E", 5000)])).await;
    let (source, last, _) = mend(ground, edition, "third", batch(&[("D", 4100)])).await;
    assert_eq!(in_use(ground).await, ["A 1000 1", "B 2000 1", "C 3000 1", "D 4100 4", "E 5000 3"]);
    assert_eq!(ground.mend(source.number, last).await.unwrap().unwrap().mends, 1);
}

async fn the_publishers_next_edition_replaces_mends_and_tells_what_it_ended(ground: &Ground) {
    published(ground).await;
    mend(ground, 1, "mended", batch(&[("D", 4000), ("E", 5000), ("B", 2222)])).await;
    // D is published as it was mended, B otherwise, E is in quarantine again
    let next = LoadBatch {
        rejects: vec![reject(6, Reason::WrongColumnCount)],
        ..batch(&[("A", 1000), ("B", 2000), ("C", 3000), ("D", 4000)])
    };
    let (source, loaded) = ground.take("roll", &layout("roll"), "3", vec![next]).await;
    assert_eq!(loaded.counts.records_ended, 1);
    assert_eq!(in_use(ground).await, ["A 1000 1", "B 2000 3", "C 3000 1", "D 4000 2"]);
    let after = ground.mends_after(&source, 3).await.unwrap();
    assert_eq!(after, MendsAfter { mended: 3, ended: 1, changed: 1 });
    let (source, _) = ground.take("roll", &layout("roll"), "4", vec![batch(&[("A", 1)])]).await;
    assert_eq!(ground.mends_after(&source, 4).await.unwrap(), MendsAfter::default());
}

async fn the_same_mended_rows_are_taken_once_and_again_for_a_later_edition(ground: &Ground) {
    published(ground).await;
    let (_, edition, _) = mend(ground, 1, "mended", batch(&[("D", 4000)])).await;
    let again = arrival(ground, 1, "mended").await;
    let known = EditionArrival::Known { edition, state: "current".to_owned() };
    assert_eq!(again, MendArrival::Taken(known));
    ground.take("roll", &layout("roll"), "3", vec![batch(&[("A", 1000)])]).await;
    assert!(!in_use(ground).await.iter().any(|record| record.starts_with('D')));
    mend(ground, 3, "mended", batch(&[("D", 4000)])).await;
    assert_eq!(in_use(ground).await, ["A 1000 1", "D 4000 4"]);
}

async fn only_houses_of_mended_keys_are_judged_again(ground: &Ground) {
    ground.houses(OFFICE, &[("H1", "A", "US-IA-169"), ("H2", "D", "US-IA-169")]).await;
    let source = published(ground).await;
    let run = ground.judge_all(OFFICE, &source, &|_| crate::ground::recorded(2390)).await;
    assert_eq!(run.source, source.number);
    assert_eq!(ground.to_judge(OFFICE).await, [""; 0]);
    mend(ground, 1, "mended", batch(&[("D", 4000)])).await;
    assert_eq!(ground.to_judge(OFFICE).await, ["roll|H2"]);
}

async fn quarantine_is_grouped_with_the_first_rows_of_each_group(ground: &Ground) {
    let mut rejects: Vec<_> = (10..15).map(|line| reject(line, Reason::TextInNumber)).collect();
    rejects.push(crossfoot_roll::entry::Reject {
        column: Some("B".to_owned()),
        ..reject(20, Reason::TextInNumber)
    });
    rejects.extend((30..32).map(|line| crossfoot_roll::entry::Reject {
        column: None,
        ..reject(line, Reason::WrongColumnCount)
    }));
    let first = LoadBatch { rejects, entries: vec![entry(2, "A", Some(1), "110")], file: 0 };
    let (source, _) = ground.take("roll", &layout("roll"), "1", vec![first]).await;
    let groups = ground.reject_groups(&source, 1).await.unwrap();
    let told: Vec<String> = groups
        .iter()
        .map(|g| {
            let lines: Vec<i64> = g.examples.iter().map(|example| example.line).collect();
            format!("{} {:?} {} {lines:?}", g.reason, g.column.as_deref().unwrap_or(""), g.rows)
        })
        .collect();
    assert_eq!(
        told,
        [
            "text_in_number \"A\" 5 [10, 11, 12]",
            "wrong_column_count \"\" 2 [30, 31]",
            "text_in_number \"B\" 1 [20]"
        ]
    );
    assert_eq!((groups[0].examples[0].byte_start, groups[0].examples[0].byte_length), (1000, 20));
}
