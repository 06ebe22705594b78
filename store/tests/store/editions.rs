//! The life of editions: held, accepted, given up, withdrawn, folded into the base. What can be seen is compared whole,
//! record by record, whatever lies where.

use std::collections::BTreeMap;

use crossfoot_store::StoreError;
use crossfoot_store::edition::HoldReason;
use crossfoot_store::job::{Claim, JobKind};
use crossfoot_store::load::LoadBatch;
use crossfoot_store::record::Record;
use crossfoot_store::source::Source;

use crate::ground::{Ground, LEASE, OFFICE, batch, entry, layout, load, recorded, reviewer};

on_both_databases! {
    a_held_edition_stands_beside_the_one_in_use_until_it_is_accepted,
    a_held_edition_that_is_given_up_leaves_nothing,
    a_later_edition_takes_the_place_of_a_held_one,
    what_is_not_held_is_neither_accepted_nor_given_up,
    a_withdrawn_edition_leaves_everything_as_it_was_before,
    three_editions_are_withdrawn_one_after_the_other,
    a_first_edition_that_is_withdrawn_leaves_no_edition,
    a_number_of_a_withdrawn_record_is_not_given_again,
    a_withdrawn_edition_refuses_what_was_compared_with_it,
    an_import_that_lost_its_lease_appends_nothing,
    an_edition_loaded_against_one_that_was_withdrawn_does_not_come_into_use,
    changes_name_what_each_field_was_and_is,
    folding_loses_no_version_and_no_reader_sees_a_difference,
    what_came_before_the_folded_editions_cannot_be_restored,
    folding_that_broke_off_goes_on,
}

/// Every key that any of the tests uses.
const KEYS: [&str; 6] = ["A", "B", "C", "D", "E", "F"];

fn keys() -> Vec<String> {
    KEYS.map(str::to_owned).to_vec()
}

/// The records as seen, whole, and the totals; empty without an edition.
async fn seen(ground: &Ground) -> (Vec<Record>, i64) {
    let source = ground.source("roll").await;
    if source.current_edition.is_none() {
        return (Vec::new(), 0);
    }
    let mut records = ground.record_by_keys(&source, &keys()).await.unwrap();
    records.sort_by_key(|record| record.number);
    (records, ground.record_totals(&source).await.unwrap().records)
}

async fn take(ground: &Ground, file: &str, records: &[(&str, i64)]) -> Source {
    ground.take("roll", &layout("roll"), file, vec![batch(records)]).await.0
}

fn reasons() -> Vec<HoldReason> {
    let figures = BTreeMap::from([("gone".to_owned(), 1.0)]);
    vec![HoldReason { kind: "shrunk".to_owned(), sentence: "1 of 2 records is gone".to_owned(), figures }]
}

/// An edition that is loaded and held.
async fn held(ground: &Ground, file: &str, records: &[(&str, i64)]) -> (Source, i64) {
    let (source, edition, claim) = ground.staged("roll", &layout("roll"), file).await;
    let loaded = load(ground, &claim, &source, edition, vec![batch(records)]).await.unwrap();
    ground.edition_hold(&claim, &source, edition, &loaded, &reasons()).await.unwrap();
    (ground.source("roll").await, edition)
}

async fn state(ground: &Ground, edition: i64) -> String {
    ground.edition(1, edition).await.unwrap().state
}

/// One house per key, judged against the source.
async fn houses_judged(ground: &Ground, source: &Source) {
    ground.houses(OFFICE, &KEYS.map(|key| (key, key, ""))).await;
    ground.judge_all(OFFICE, source, &|_| recorded(2390)).await;
}

async fn a_held_edition_stands_beside_the_one_in_use_until_it_is_accepted(ground: &Ground) {
    let first = take(ground, "1", &[("A", 1000), ("B", 2000), ("C", 3000)]).await;
    houses_judged(ground, &first).await;
    let before = seen(ground).await;
    let (source, edition) = held(ground, "2", &[("A", 1100), ("B", 2000), ("D", 4000)]).await;
    assert_eq!(seen(ground).await, before, "what is held is not seen");
    assert_eq!((source.current_edition, state(ground, edition).await.as_str()), (Some(1), "held"));
    let kept = ground.edition(1, edition).await.unwrap();
    assert_eq!((kept.held_for, kept.refusal.as_str()), (reasons(), "1 of 2 records is gone"));
    assert_eq!((kept.counts.records_changed, kept.counts.records_ended), (1, 1));
    assert!(ground.to_judge(OFFICE).await.is_empty());
    assert!(ground.queued().await.is_empty(), "the job is over");
    assert_eq!(ground.number("SELECT count(*) FROM job WHERE state = 'running'").await, 0);
    let whats: Vec<String> =
        ground.change_page(&source, edition, 0, 10).await.unwrap().into_iter().map(|c| c.what).collect();
    assert_eq!(whats, ["changed", "ended", "new"], "what it would change can be looked at");

    ground.edition_accept(&source, edition, &reviewer()).await.unwrap();
    let (records, total) = seen(ground).await;
    let areas: Vec<(&str, i64)> = records.iter().map(|r| (r.parcel_key.as_str(), r.edition)).collect();
    assert_eq!((areas, total), (vec![("A", 2), ("B", 1), ("D", 2)], 3));
    assert_eq!([state(ground, 1).await, state(ground, 2).await], ["past", "current"]);
    assert_eq!(ground.to_judge(OFFICE).await, ["roll|A", "roll|C", "roll|D"], "as when it had not been held");
    let decided = "SELECT decided_by FROM edition WHERE number = 2";
    assert_eq!(ground.rows(decided).await, [reviewer().key]);
}

async fn a_held_edition_that_is_given_up_leaves_nothing(ground: &Ground) {
    take(ground, "1", &[("A", 1000), ("B", 2000)]).await;
    let before = seen(ground).await;
    let (source, edition) = held(ground, "2", &[("A", 1100)]).await;
    ground.edition_reject(&source, edition, &reviewer(), "the file was cut off").await.unwrap();
    let kept = ground.edition(1, edition).await.unwrap();
    assert_eq!((kept.state.as_str(), kept.refusal.as_str()), ("refused", "the file was cut off"));
    assert_eq!(seen(ground).await, before);
    assert!(ground.record_rows("SELECT parcel_key FROM record_change").await.is_empty());
    // the same files may be handed in again, as a new edition
    let (_, again, _) = ground.staged("roll", &layout("roll"), "2").await;
    assert_eq!(again, 3);
}

async fn a_later_edition_takes_the_place_of_a_held_one(ground: &Ground) {
    take(ground, "1", &[("A", 1000), ("B", 2000), ("C", 3000)]).await;
    held(ground, "2", &[("A", 1), ("E", 5)]).await;
    let (source, loaded) = ground
        .take("roll", &layout("roll"), "3", vec![batch(&[("A", 1100), ("B", 2000), ("C", 3000)])])
        .await;
    assert_eq!((loaded.counts.records_changed, loaded.counts.records_unchanged), (1, 2));
    assert_eq!(source.current_edition, Some(3));
    let refused = ground.edition(1, 2).await.unwrap();
    assert_eq!(refused.state, "refused");
    assert!(refused.refusal.contains("edition 3"), "{}", refused.refusal);
    let (records, total) = seen(ground).await;
    assert_eq!((records.len(), total), (3, 3));
    // one that is held in its turn may follow
    let (source, edition) = held(ground, "4", &[("A", 1)]).await;
    ground.edition_accept(&source, edition, &reviewer()).await.unwrap();
    assert_eq!(seen(ground).await.1, 1);
}

async fn what_is_not_held_is_neither_accepted_nor_given_up(ground: &Ground) {
    let source = take(ground, "1", &[("A", 1000)]).await;
    let conflict = |result: Result<(), StoreError>| match result {
        Err(StoreError::Conflict(why)) => assert!(why.contains("edition 1 is current"), "{why}"),
        other => panic!("{other:?}"),
    };
    conflict(ground.edition_accept(&source, 1, &reviewer()).await);
    conflict(ground.edition_reject(&source, 1, &reviewer(), "").await);
    let missing = ground.edition_accept(&source, 7, &reviewer()).await;
    assert!(matches!(missing, Err(StoreError::Missing { .. })), "{missing:?}");
    let mut stale = source.clone();
    stale.current_edition = None;
    assert!(matches!(ground.edition_accept(&stale, 1, &reviewer()).await, Err(StoreError::MovedOn)));
    // of the first one nothing is held
    let (source, edition, claim) = ground.staged("other", &layout("other"), "first").await;
    let loaded = load(ground, &claim, &source, edition, vec![batch(&[("A", 1)])]).await.unwrap();
    let first = ground.edition_hold(&claim, &source, edition, &loaded, &reasons()).await;
    assert!(matches!(first, Err(StoreError::Settings(_))), "{first:?}");
}

async fn a_withdrawn_edition_leaves_everything_as_it_was_before(ground: &Ground) {
    let first = take(ground, "1", &[("A", 1000), ("B", 2000), ("C", 3000)]).await;
    houses_judged(ground, &first).await;
    let before = seen(ground).await;
    let second = take(ground, "2", &[("A", 1100), ("B", 2000), ("D", 4000)]).await;
    ground.judge_all(OFFICE, &second, &|_| recorded(2390)).await;
    assert_ne!(seen(ground).await, before);
    ground.edition_withdraw(&second, 2, &reviewer(), "the wrong year").await.unwrap();
    assert_eq!(seen(ground).await, before);
    assert_eq!([state(ground, 1).await, state(ground, 2).await], ["current", "withdrawn"]);
    assert_eq!(ground.edition(1, 2).await.unwrap().refusal, "the wrong year");
    assert_eq!(ground.to_judge(OFFICE).await, ["roll|A", "roll|C", "roll|D"], "what it had changed");
    let queued = ground.queued().await;
    assert_eq!(queued, [format!("reconcile:{OFFICE}:1:release")], "a person asked: past the brake");
    assert!(ground.record_rows("SELECT parcel_key FROM record_change").await.is_empty());
    let log = "SELECT action FROM audit_log ORDER BY id DESC LIMIT 1";
    assert_eq!(ground.rows(log).await, ["edition_withdrawn"]);
    // the same files again are a new edition, with the same result
    let third = take(ground, "2", &[("A", 1100), ("B", 2000), ("D", 4000)]).await;
    assert_eq!(third.current_edition, Some(3));
    assert_eq!(seen(ground).await.1, 3);
}

async fn three_editions_are_withdrawn_one_after_the_other(ground: &Ground) {
    let rolls: [&[(&str, i64)]; 4] = [
        &[("A", 1000), ("B", 2000), ("C", 3000)],
        &[("A", 1000), ("B", 2100), ("D", 4000)],
        &[("B", 2100), ("C", 3300), ("D", 4400), ("E", 5)],
        &[("A", 1), ("F", 6)],
    ];
    let mut states = Vec::new();
    for (number, roll) in rolls.iter().enumerate() {
        take(ground, &number.to_string(), roll).await;
        states.push(seen(ground).await);
    }
    for (edition, expected) in [(4, &states[2]), (3, &states[1]), (2, &states[0])] {
        let source = ground.source("roll").await;
        ground.edition_withdraw(&source, edition, &reviewer(), "").await.unwrap();
        assert_eq!(&seen(ground).await, expected, "after edition {edition} was withdrawn");
    }
    assert_eq!(ground.edition_numbers(1).await.unwrap(), [1]);
    // what follows stands on what is left
    take(ground, "again", rolls[2]).await;
    let now = seen(ground).await;
    let areas = |records: &[Record]| -> Vec<_> {
        let mut areas: Vec<_> = records.iter().map(|r| (r.parcel_key.clone(), r.area)).collect();
        areas.sort();
        areas
    };
    assert_eq!((areas(&now.0), now.1), (areas(&states[2].0), states[2].1));
}

async fn a_first_edition_that_is_withdrawn_leaves_no_edition(ground: &Ground) {
    let first = take(ground, "1", &[("A", 1000), ("B", 2000)]).await;
    houses_judged(ground, &first).await;
    ground.edition_withdraw(&first, 1, &reviewer(), "").await.unwrap();
    let source = ground.source("roll").await;
    assert_eq!(source.current_edition, None);
    assert_eq!(ground.edition_withdrawn_last(1).await.unwrap(), Some(1));
    assert_eq!(
        ground.to_judge(OFFICE).await.len(),
        KEYS.len(),
        "every house is to be judged without records"
    );
    let read = ground.record_by_keys(&source, &keys()).await;
    assert!(matches!(read, Err(StoreError::Missing { .. })), "{read:?}");
    let next = take(ground, "2", &[("C", 3000)]).await;
    assert_eq!(next.current_edition, Some(2));
    let (records, total) = seen(ground).await;
    assert_eq!((records.len(), total, records[0].parcel_key.as_str()), (1, 1, "C"));
}

async fn a_number_of_a_withdrawn_record_is_not_given_again(ground: &Ground) {
    take(ground, "1", &[("A", 1000)]).await;
    let second = take(ground, "2", &[("A", 1000), ("D", 4000), ("E", 5)]).await;
    ground.edition_withdraw(&second, 2, &reviewer(), "").await.unwrap();
    take(ground, "3", &[("A", 1000), ("F", 6)]).await;
    let numbers: Vec<(String, i64)> =
        seen(ground).await.0.into_iter().map(|r| (r.parcel_key, r.number)).collect();
    assert_eq!(numbers, [("A".to_owned(), 1), ("F".to_owned(), 4)], "2 and 3 were those of D and E");
}

async fn a_withdrawn_edition_refuses_what_was_compared_with_it(ground: &Ground) {
    take(ground, "1", &[("A", 1000), ("B", 2000)]).await;
    take(ground, "2", &[("A", 1100), ("B", 2000)]).await;
    let (source, edition) = held(ground, "3", &[("A", 1)]).await;
    ground.edition_withdraw(&source, 2, &reviewer(), "").await.unwrap();
    assert_eq!(state(ground, edition).await, "refused");
    // only the newest can be withdrawn
    let source = ground.source("roll").await;
    let twice = ground.edition_withdraw(&source, 2, &reviewer(), "").await;
    assert!(matches!(twice, Err(StoreError::Conflict(_))), "{twice:?}");
}

async fn lapse(ground: &Ground, claim: &Claim) {
    ground.execute(&format!("UPDATE job SET lease_until = 1 WHERE id = '{}'", claim.id)).await.unwrap();
}

async fn an_import_that_lost_its_lease_appends_nothing(ground: &Ground) {
    take(ground, "1", &[("A", 1000), ("B", 2000)]).await;
    let (source, edition, first) = ground.staged("roll", &layout("roll"), "2").await;
    lapse(ground, &first).await;
    let begun = load(ground, &first, &source, edition, vec![batch(&[("A", 1)])]).await;
    assert!(matches!(begun, Err(StoreError::LeaseLost)), "{begun:?}");

    // one that was stopped in the middle goes on after another worker has done all of it
    let second = ground.job_claim(LEASE, None).await.unwrap().unwrap();
    let (sender, receiver) = tokio::sync::mpsc::channel(1);
    let (store, before, by) = (crossfoot_store::Store::clone(ground), source.clone(), second.clone());
    let stopped = tokio::spawn(async move { store.edition_load(&by, &before, edition, receiver).await });
    // more than one transaction takes
    let many = (2..65_000).map(|n| entry(n, &format!("K{n}"), Some(1000), "110")).collect();
    sender.send(LoadBatch { file: 0, entries: many, rejects: Vec::new() }).await.unwrap();
    sender.send(LoadBatch::default()).await.unwrap();
    sender.send(LoadBatch::default()).await.unwrap();
    let wait = async {
        while ground.record_rows("SELECT parcel_key FROM record_change LIMIT 1").await.is_empty() {
            tokio::time::sleep(std::time::Duration::from_millis(20)).await;
        }
    };
    tokio::time::timeout(std::time::Duration::from_secs(60), wait).await.unwrap();
    lapse(ground, &second).await;
    let third = ground.job_claim(LEASE, None).await.unwrap().unwrap();
    drop(sender);
    let ended = stopped.await.unwrap();
    let other = ground.another().await;
    let loaded =
        load(&other, &third, &source, edition, vec![batch(&[("A", 1100), ("B", 2000)])]).await.unwrap();
    other.edition_make_current(&third, &source, edition, &loaded).await.unwrap();
    // it may have come to its end before the other began, but it puts nothing in use
    if let Ok(loaded) = ended {
        let late = ground.edition_make_current(&second, &source, edition, &loaded).await;
        assert!(matches!(late, Err(StoreError::LeaseLost)), "{late:?}");
    }
    let (records, total) = seen(ground).await;
    assert_eq!((records.len(), total), (2, 2));
    let begun = load(ground, &second, &source, edition + 1, vec![batch(&[("A", 1)])]).await;
    assert!(matches!(begun, Err(StoreError::LeaseLost)), "{begun:?}");
    assert_eq!(ground.record_rows("SELECT parcel_key FROM record_change").await, ["A"]);
}

async fn an_edition_loaded_against_one_that_was_withdrawn_does_not_come_into_use(ground: &Ground) {
    take(ground, "1", &[("A", 1000), ("B", 2000)]).await;
    take(ground, "2", &[("A", 1100), ("B", 2000)]).await;
    let before = ground.source("roll").await;
    let (source, edition, claim) = ground.staged("roll", &layout("roll"), "3").await;
    let loaded =
        load(ground, &claim, &source, edition, vec![batch(&[("A", 1100), ("B", 2000)])]).await.unwrap();
    ground.edition_withdraw(&before, 2, &reviewer(), "").await.unwrap();
    let late = ground.edition_make_current(&claim, &source, edition, &loaded).await;
    assert!(matches!(late, Err(StoreError::MovedOn)), "{late:?}");
    // loaded again it is counted against what is in use now
    let now = ground.source("roll").await;
    let loaded = load(ground, &claim, &now, edition, vec![batch(&[("A", 1100), ("B", 2000)])]).await.unwrap();
    assert_eq!(loaded.counts.records_changed, 1);
    // its change lies there, as it does where a process was killed, and is nobody's business yet
    assert!(ground.change_page(&now, edition, 0, 10).await.unwrap().is_empty());
    ground.edition_make_current(&claim, &now, edition, &loaded).await.unwrap();
    let now = ground.source("roll").await;
    assert_eq!(now.current_edition, Some(3));
    assert_eq!(ground.change_page(&now, edition, 0, 10).await.unwrap().len(), 1);
}

async fn changes_name_what_each_field_was_and_is(ground: &Ground) {
    let first =
        vec![entry(2, "A", Some(1000), "110"), entry(3, "B", Some(2000), "110"), entry(4, "C", None, "110")];
    let rows = |entries| vec![LoadBatch { file: 0, entries, rejects: Vec::new() }];
    ground.take("roll", &layout("roll"), "1", rows(first)).await;
    let second = vec![
        entry(2, "A", Some(1100), "120"),
        entry(3, "B", Some(2000), "110"),
        entry(5, "D", Some(4000), "110"),
    ];
    let (source, _) = ground.take("roll", &layout("roll"), "2", rows(second)).await;
    let changes = ground.change_page(&source, 2, 0, 10).await.unwrap();
    let told: Vec<String> = changes
        .iter()
        .map(|change| {
            let fields: Vec<String> =
                change.fields.iter().map(|f| format!("{} {:?}->{:?}", f.field, f.from, f.to)).collect();
            format!("{} {} {}", change.what, change.parcel_key, fields.join(", "))
        })
        .collect();
    assert_eq!(
        told,
        [
            "changed A area_sqft Some(\"1000.00\")->Some(\"1100.00\"), class Some(\"110\")->Some(\"120\")",
            "ended C ",
            "new D ",
        ]
    );
    // page by page it is the same list, and a first edition changes nothing
    let mut paged = Vec::new();
    let mut after = 0;
    while let Some(change) = ground.change_page(&source, 2, after, 1).await.unwrap().pop() {
        after = change.record;
        paged.push(change);
    }
    assert_eq!(paged, changes);
    assert!(ground.change_page(&source, 1, 0, 10).await.unwrap().is_empty());
}

/// Five editions in which records come, change and go, one of them twice.
async fn five_editions(ground: &Ground) {
    let rolls: [&[(&str, i64)]; 5] = [
        &[("A", 1000), ("B", 2000), ("C", 3000)],
        &[("A", 1100), ("B", 2000), ("D", 4000)],
        &[("A", 1200), ("C", 3000), ("D", 4000), ("E", 5)],
        &[("A", 1200), ("B", 2200), ("D", 4400)],
        &[("A", 1300), ("B", 2200), ("D", 4400), ("F", 6)],
    ];
    for (number, roll) in rolls.iter().enumerate() {
        take(ground, &number.to_string(), roll).await;
    }
}

/// What every reader sees: each parcel's history, each edition's records and changes, the totals.
async fn everything(ground: &Ground) -> Vec<String> {
    let source = ground.source("roll").await;
    let mut lines = Vec::new();
    for key in KEYS {
        for version in ground.record_versions(&source, key).await.unwrap() {
            lines.push(format!("{version:?}"));
        }
    }
    for edition in 1..=source.current_edition.unwrap() {
        let mut records = ground.records_as_of(&source, edition, &keys()).await.unwrap();
        records.sort_by_key(|record| record.number);
        lines.push(format!("{edition} {records:?}"));
        lines.push(format!("{edition} {:?}", ground.change_page(&source, edition, 0, 100).await.unwrap()));
    }
    lines.push(format!("{:?}", seen(ground).await));
    lines.push(format!("{:?}", ground.record_totals(&source).await.unwrap()));
    lines
}

async fn compact(ground: &Ground) -> Claim {
    let source = ground.source("roll").await;
    let job = ground.compaction_ask(&source).await.unwrap();
    ground.job_claim(LEASE, Some(&job)).await.unwrap().unwrap()
}

async fn folded(ground: &Ground) {
    let claim = compact(ground).await;
    assert_eq!(claim.kind, JobKind::Compact);
    let source = ground.source("roll").await;
    if let Some(mut folding) = ground.compaction_begin(&claim, &source).await.unwrap() {
        while ground.compaction_step(&claim, &source, &mut folding).await.unwrap() {}
    }
    ground.job_finish(&claim).await.unwrap();
}

async fn folding_loses_no_version_and_no_reader_sees_a_difference(ground: &Ground) {
    five_editions(ground).await;
    let before = everything(ground).await;
    assert!(before.len() > 20, "{before:#?}");
    folded(ground).await;
    assert_eq!(everything(ground).await, before);
    let left = ground.record_rows("SELECT DISTINCT CAST(edition AS TEXT) FROM record_change").await;
    assert_eq!(left, ["5"], "only the newest edition, which can be withdrawn, is not folded");
    let base = ground.record_rows("SELECT parcel_key FROM record ORDER BY parcel_key").await;
    assert_eq!(base, ["A", "B", "D"]);
    // a second time there is nothing to do, and later editions stand on the new base as on the old
    folded(ground).await;
    assert_eq!(everything(ground).await, before);
    let source = take(ground, "6", &[("A", 1300), ("B", 2300), ("D", 4400), ("C", 3)]).await;
    let what: Vec<String> = ground
        .change_page(&source, 6, 0, 10)
        .await
        .unwrap()
        .into_iter()
        .map(|change| format!("{} {}", change.what, change.parcel_key))
        .collect();
    assert_eq!(what, ["changed B", "ended F", "new C"]);
    let again = everything(ground).await;
    folded(ground).await;
    assert_eq!(everything(ground).await, again);
    // and the newest can still be withdrawn
    ground.edition_withdraw(&source, 6, &reviewer(), "").await.unwrap();
    let (records, total) = seen(ground).await;
    let keys: Vec<&str> = records.iter().map(|record| record.parcel_key.as_str()).collect();
    assert_eq!((keys, total), (vec!["A", "D", "B", "F"], 4));
}

async fn what_came_before_the_folded_editions_cannot_be_restored(ground: &Ground) {
    five_editions(ground).await;
    folded(ground).await;
    let source = ground.source("roll").await;
    ground.edition_withdraw(&source, 5, &reviewer(), "").await.unwrap();
    let source = ground.source("roll").await;
    let deeper = ground.edition_withdraw(&source, 4, &reviewer(), "").await;
    match deeper {
        Err(StoreError::Conflict(why)) => assert!(why.contains("folded"), "{why}"),
        other => panic!("{other:?}"),
    }
}

async fn folding_that_broke_off_goes_on(ground: &Ground) {
    five_editions(ground).await;
    let before = everything(ground).await;
    let first = compact(ground).await;
    let source = ground.source("roll").await;
    // it said how far it goes, and died
    let mut folding = ground.compaction_begin(&first, &source).await.unwrap().unwrap();
    assert_eq!(everything(ground).await, before);
    lapse(ground, &first).await;
    let second = ground.job_claim(LEASE, None).await.unwrap().unwrap();
    let late = ground.compaction_step(&first, &source, &mut folding).await;
    assert!(matches!(late, Err(StoreError::LeaseLost)), "{late:?}");
    let source = ground.source("roll").await;
    let mut folding = ground.compaction_begin(&second, &source).await.unwrap().unwrap();
    while ground.compaction_step(&second, &source, &mut folding).await.unwrap() {}
    ground.job_finish(&second).await.unwrap();
    assert_eq!(everything(ground).await, before);
}
