//! Totals are exact, also where 64 bits are too few.

use crossfoot_audit::area::Area;
use crossfoot_audit::money::Money;
use crossfoot_roll::entry::Entry;
use crossfoot_store::load::LoadBatch;
use crossfoot_store::record::RecordTotals;

use crate::ground::{Ground, OFFICE, entry, house, judged, layout};

on_both_databases! {
    totals_follow_every_edition_exactly,
    a_hundred_thousand_records_are_summed_beyond_64_bits,
    values_beyond_64_bits_are_summed,
    figures_of_a_hundred_thousand_pairs_are_kept_exactly,
}

fn with(key: &str, area: Option<i64>, value: Option<i64>) -> Entry {
    let mut entry = entry(2, key, None, "110");
    entry.area = area.map(Area::from_square_micrometres);
    entry.value = value.map(Money::from_cents);
    entry.content_hash = entry.content_hash.wrapping_add(area.unwrap_or(-1).unsigned_abs());
    entry
}

/// In batches as a parser sends them.
fn rows(entries: Vec<Entry>) -> Vec<LoadBatch> {
    let batches = entries.chunks(500);
    batches.map(|entries| LoadBatch { file: 0, entries: entries.to_vec(), rejects: Vec::new() }).collect()
}

async fn totals(ground: &Ground, file: &str, entries: Vec<Entry>) -> (i64, i64, i128, i128) {
    let source = ground.take("roll", &layout("roll"), file, rows(entries)).await.0;
    let RecordTotals { records, with_area, area_um2, value_cents } =
        ground.record_totals(&source).await.unwrap();
    (records, with_area, area_um2, value_cents)
}

async fn totals_follow_every_edition_exactly(ground: &Ground) {
    let (a, b) = (with("A", Some(3_000_001), Some(500)), with("B", Some(7), None));
    let c = with("C", None, Some(25));
    assert_eq!(totals(ground, "1", vec![a.clone(), b.clone(), c.clone()]).await, (3, 2, 3_000_008, 525));
    // changed, unchanged, ended, new
    let (a2, d) = (with("A", Some(2_000_000), Some(600)), with("D", Some(1), Some(1)));
    assert_eq!(totals(ground, "2", vec![a2.clone(), b.clone(), d.clone()]).await, (3, 3, 2_000_008, 601));
    // back, and an area that came
    let c3 = with("C", Some(10), Some(25));
    assert_eq!(totals(ground, "3", vec![a.clone(), c3, d]).await, (3, 3, 3_000_012, 526));
    assert_eq!(totals(ground, "4", vec![a, b, c]).await, (3, 2, 3_000_008, 525));
    assert_eq!(totals(ground, "5", vec![a2]).await, (1, 1, 2_000_000, 600));
}

async fn a_hundred_thousand_records_are_summed_beyond_64_bits(ground: &Ground) {
    // a million square feet each, the most that is taken for a house: a hundred of them are beyond 64 bits already
    let each = 92_903_040_000_000_001i64;
    let records =
        |added: i64| (0..100_000).map(|n| with(&format!("K{n}"), Some(each + added), Some(n))).collect();
    let expected = i128::from(each) * 100_000;
    assert!(expected > i128::from(i64::MAX) * 1000);
    let values = 99_999 * 100_000 / 2;
    assert_eq!(totals(ground, "1", records(0)).await, (100_000, 100_000, expected, values));
    // every record changes
    assert_eq!(totals(ground, "2", records(1)).await, (100_000, 100_000, expected + 100_000, values));
}

async fn values_beyond_64_bits_are_summed(ground: &Ground) {
    let records: Vec<_> = (0..5).map(|n| with(&format!("K{n}"), Some(i64::MAX), Some(i64::MAX))).collect();
    let whole = 5 * i128::from(i64::MAX);
    assert_eq!(totals(ground, "1", records).await, (5, 5, whole, whole));
}

/// No sum over a column may stand where pairs are counted: some 66,000 houses are enough to overflow it.
async fn figures_of_a_hundred_thousand_pairs_are_kept_exactly(ground: &Ground) {
    const COUNT: usize = 100_000;
    let source = ground.roll("roll", &[("A", 2000)]).await;
    let houses: Vec<String> = (0..COUNT).map(|n| format!("H{n:06}")).collect();
    for houses in houses.chunks(10_000) {
        let batch = houses.iter().map(|h| house(h, h, "US-IA-169", "2026-03-01", 2400.0)).collect();
        ground.measurement_save(OFFICE, batch).await.unwrap();
    }
    let (claim, mut run) = ground.begin(OFFICE, &source).await;
    ground.run_pass_brake(&claim, &mut run).await.unwrap();
    // a house of a million square feet less its number, on record as nothing near it
    let figures = |n: usize| crate::ground::Figures {
        measured: 1_000_000 - n as i64,
        recorded: Some(500_000),
        value_cents: Some(1_000_000_000_000),
    };
    let (mut after, mut done) = (String::new(), 0);
    loop {
        let page = ground.pending_page(OFFICE, source.number, &after, 5000).await.unwrap();
        let Some(last) = page.last() else { break };
        after.clone_from(&last.property);
        let pairs = page.iter().map(|p| judged(p, figures(p.parcel[1..].parse().unwrap()))).collect();
        ground.run_apply(&claim, &mut run, pairs, (done, COUNT as i64)).await.unwrap();
        done += page.len() as i64;
    }
    assert_eq!(run.counts.opened, COUNT as i64);
    let outcomes = ground.outcome_counts(OFFICE).await.unwrap();
    assert_eq!(outcomes, [("roll".to_owned(), "material".to_owned(), COUNT as i64)]);
    assert_eq!(ground.queue_count(OFFICE).await.unwrap(), COUNT as i64);

    let (mut place, mut measured, mut seen) = ((String::new(), 0), 0i128, 0);
    loop {
        let page = ground.pair_page(OFFICE, (&place.0, place.1), 10_000).await.unwrap();
        let Some(last) = page.last() else { break };
        place = (last.property.clone(), last.source_number);
        seen += page.len();
        measured +=
            page.iter().map(|pair| i128::from(pair.measured.unwrap().square_micrometres())).sum::<i128>();
    }
    // sum over n below 100,000 of 1,000,000 - n square feet, of 92,903,040,000 square micrometres each
    let square_feet = 100_000i128 * 1_000_000 - 99_999 * 100_000 / 2;
    assert_eq!((seen, measured), (COUNT, square_feet * 92_903_040_000));
}
