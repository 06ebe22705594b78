//! One source against another: held against a join that is worked out from the editions by hand.

use std::collections::{BTreeMap, BTreeSet};

use crossfoot_roll::entry::Entry;
use crossfoot_store::compare::{Comparison, ComparisonCounts, Field, FieldCounts, Listing, Tolerance};
use crossfoot_store::load::LoadBatch;

use crate::ground::{Ground, entry, layout, sqft};

on_both_databases! {
    two_sources_are_joined_by_key_and_told_apart,
    later_editions_count_and_ended_records_do_not,
    pages_of_any_length_give_the_same_list,
    counts_are_those_of_a_join_over_many_pages_and_editions,
    counts_are_kept_until_an_edition_changes_them,
}

async fn take(ground: &Ground, source: &str, rows: &[(&str, Option<i64>, &str)]) {
    let entries = (2..).zip(rows).map(|(line, (key, area, class))| entry(line, key, *area, class)).collect();
    let batch = LoadBatch { file: 0, entries, rejects: Vec::new() };
    ground.take(source, &layout(source), &format!("{source} {rows:?}"), vec![batch]).await;
}

async fn comparison(ground: &Ground, square_feet: i64) -> Comparison {
    Comparison {
        source: ground.source("one").await,
        other: ground.source("two").await,
        tolerance: Tolerance { area_um2: sqft(square_feet).square_micrometres(), value_cents: 1, years: 1 },
    }
}

async fn keys(ground: &Ground, comparison: &Comparison, listing: Listing, limit: i64) -> Vec<String> {
    let (mut keys, mut after) = (Vec::new(), Some(String::new()));
    while let Some(place) = after {
        let page = ground.compare_page(comparison, listing, &place, limit).await.unwrap();
        assert!(i64::try_from(page.items.len()).unwrap() <= limit);
        keys.extend(page.items.iter().map(|item| item.key.clone()));
        after = page.next;
    }
    keys
}

async fn two_sources_are_joined_by_key_and_told_apart(ground: &Ground) {
    take(
        ground,
        "one",
        &[("A", Some(1000), "110"), ("B", Some(2000), "110"), ("C", None, "110"), ("D", Some(1), "")],
    )
    .await;
    take(
        ground,
        "two",
        &[
            ("E", Some(9), "x"),
            ("C", Some(3000), "110 "),
            ("B", Some(2100), "House"),
            ("A", Some(1000), "110"),
        ],
    )
    .await;
    let comparison = comparison(ground, 1).await;
    let counts = ground.compare_counts(&comparison).await.unwrap();
    assert_eq!((counts.both, counts.only_source, counts.only_other), (3, 1, 1));
    let area = FieldCounts { equal: 1, differing: 1, only_other: 1, ..FieldCounts::default() };
    assert_eq!(counts.fields[&Field::Area], area);
    assert_eq!(
        counts.fields[&Field::Class],
        FieldCounts { equal: 2, differing: 1, ..FieldCounts::default() }
    );
    assert_eq!(counts.fields[&Field::Year].equal, 3);
    let list = |listing| keys(ground, &comparison, listing, 100);
    assert_eq!(list(Listing::Differing(Field::Area)).await, ["B"]);
    assert_eq!(list(Listing::Differing(Field::Class)).await, ["B"]);
    assert_eq!(list(Listing::OneSided(Field::Area)).await, ["C"]);
    assert_eq!(list(Listing::OnlyInSource).await, ["D"]);
    assert_eq!(list(Listing::OnlyInOther).await, ["E"]);
    let page = ground.compare_page(&comparison, Listing::Differing(Field::Area), "", 10).await.unwrap();
    let item = &page.items[0];
    let area = |record: &Option<crossfoot_store::record::Record>| record.as_ref().unwrap().area.unwrap();
    assert_eq!((area(&item.source), area(&item.other)), (sqft(2000), sqft(2100)));
    assert_eq!(item.other.as_ref().unwrap().line, 4);
}

async fn later_editions_count_and_ended_records_do_not(ground: &Ground) {
    take(ground, "one", &[("A", Some(1000), ""), ("B", Some(2000), ""), ("C", Some(3000), "")]).await;
    take(ground, "two", &[("A", Some(1000), ""), ("B", Some(2000), ""), ("C", Some(3000), "")]).await;
    take(ground, "one", &[("A", Some(1100), ""), ("C", Some(3000), ""), ("D", Some(4000), "")]).await;
    // B comes back as a record of its own
    take(ground, "one", &[("A", Some(1100), ""), ("B", Some(2500), ""), ("C", Some(3000), "")]).await;
    let comparison = comparison(ground, 1).await;
    assert_eq!(keys(ground, &comparison, Listing::Differing(Field::Area), 10).await, ["A", "B"]);
    assert_eq!(keys(ground, &comparison, Listing::OnlyInSource, 10).await, [""; 0]);
    let counts = ground.compare_counts(&comparison).await.unwrap();
    assert_eq!((counts.both, counts.only_source, counts.only_other), (3, 0, 0));
}

/// Some thousand records a side by a fixed rule, in several editions each.
struct Rolls {
    one: BTreeMap<String, i64>,
    two: BTreeMap<String, i64>,
}

fn rows(records: &BTreeMap<String, i64>) -> LoadBatch {
    let entries: Vec<Entry> =
        (2..).zip(records).map(|(line, (key, area))| entry(line, key, Some(*area), "110")).collect();
    LoadBatch { file: 0, entries, rejects: Vec::new() }
}

/// More records than a stream reads at first, with changes, ends and returns in later editions.
async fn rolls(ground: &Ground) -> Rolls {
    let of = |n: i64, shift: i64| 1000 + (n * 7919 + shift) % 800;
    let roll = |range: std::ops::Range<i64>, every: i64| -> BTreeMap<String, i64> {
        range.filter(|n| n % every != 0).map(|n| (format!("{n:06}"), of(n, 0))).collect()
    };
    let mut one = roll(0..3000, 7);
    let mut two = roll(500..3500, 5);
    ground.take("one", &layout("one"), "one 1", vec![rows(&one)]).await;
    ground.take("two", &layout("two"), "two 1", vec![rows(&two)]).await;
    for edition in 2..4i64 {
        for n in (0..3000).filter(|n| n % (10 * edition) == 3) {
            one.insert(format!("{n:06}"), of(n, edition * 150));
        }
        for n in (0..3000).filter(|n| n % (13 * edition) == 4) {
            one.remove(&format!("{n:06}"));
        }
        for n in (3000..4200).filter(|n| n % edition == 0) {
            one.insert(format!("{n:06}"), of(n, 1));
        }
        ground.take("one", &layout("one"), &format!("one {edition}"), vec![rows(&one)]).await;
    }
    two.retain(|key, _| !key.ends_with("77"));
    ground.take("two", &layout("two"), "two 2", vec![rows(&two)]).await;
    Rolls { one, two }
}

async fn pages_of_any_length_give_the_same_list(ground: &Ground) {
    let rolls = rolls(ground).await;
    let comparison = comparison(ground, 100).await;
    let differing: Vec<String> = rolls
        .one
        .iter()
        .filter(|(key, area)| rolls.two.get(*key).is_some_and(|other| area.abs_diff(*other) >= 100))
        .map(|(key, _)| key.clone())
        .collect();
    assert!(differing.len() > 20, "{}", differing.len());
    for limit in [1, 7, 500] {
        assert_eq!(keys(ground, &comparison, Listing::Differing(Field::Area), limit).await, differing);
    }
    let only: Vec<String> = rolls.one.keys().filter(|key| !rolls.two.contains_key(*key)).cloned().collect();
    assert_eq!(keys(ground, &comparison, Listing::OnlyInSource, 500).await, only);
}

async fn counts_are_those_of_a_join_over_many_pages_and_editions(ground: &Ground) {
    let rolls = rolls(ground).await;
    let comparison = comparison(ground, 100).await;
    let keys: BTreeSet<&String> = rolls.one.keys().chain(rolls.two.keys()).collect();
    let mut expected = ComparisonCounts::default();
    let mut area = FieldCounts::default();
    for key in keys {
        match (rolls.one.get(key), rolls.two.get(key)) {
            (Some(a), Some(b)) if a.abs_diff(*b) >= 100 => area.differing += 1,
            (Some(_), Some(_)) => area.equal += 1,
            (Some(_), None) => expected.only_source += 1,
            (None, _) => expected.only_other += 1,
        }
    }
    expected.both = area.equal + area.differing;
    let counts = ground.compare_counts(&comparison).await.unwrap();
    assert_eq!(counts.fields[&Field::Area], area);
    assert_eq!(
        (counts.both, counts.only_source, counts.only_other),
        (expected.both, expected.only_source, expected.only_other)
    );
}

async fn counts_are_kept_until_an_edition_changes_them(ground: &Ground) {
    take(ground, "one", &[("A", Some(1000), "")]).await;
    take(ground, "two", &[("A", Some(1000), "")]).await;
    let before = comparison(ground, 1).await;
    assert_eq!(ground.compare_counts_kept(&before).await.unwrap(), None);
    let counts = ground.compare_counts(&before).await.unwrap();
    assert_eq!(ground.compare_counts_kept(&before).await.unwrap(), Some(counts));
    take(ground, "two", &[("A", Some(1200), "")]).await;
    let after = comparison(ground, 1).await;
    assert_eq!(ground.compare_counts_kept(&after).await.unwrap(), None);
    assert_eq!(ground.compare_counts(&after).await.unwrap().fields[&Field::Area].differing, 1);
}
