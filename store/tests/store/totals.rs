//! Totals are exact, also where 64 bits are too few.

use crossfoot_audit::area::Area;
use crossfoot_audit::money::Money;
use crossfoot_roll::entry::Entry;
use crossfoot_store::load::LoadBatch;
use crossfoot_store::record::RecordTotals;

use crate::ground::{Ground, OFFICE, entry, layout};

on_both_databases! {
    totals_follow_every_edition_exactly,
    a_hundred_thousand_records_are_summed_beyond_64_bits,
    values_beyond_64_bits_are_summed,
    figures_of_a_hundred_thousand_pairs_are_read_without_overflow,
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

const MANY: &str = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 100000)";

/// No sum over a column may stand where pairs are counted: some 66,000 houses are enough to overflow it.
async fn figures_of_a_hundred_thousand_pairs_are_read_without_overflow(ground: &Ground) {
    let source = ground.roll("roll", &[("A", 2000)]).await.number;
    let um2 = "(1000000 - n.i) * CAST(92903040000 AS BIGINT)";
    for insert in [
        format!(
            "INSERT INTO property (office, id, reference, parcel, address, jurisdiction, measured_on, measurement_version)
             {MANY} SELECT '{OFFICE}', 'P' || CAST(1000000 + n.i AS TEXT), 'H' || CAST(n.i AS TEXT), 'A', '', '', '2026-03-01', 1 FROM n"
        ),
        format!(
            "INSERT INTO property_match (office, property, source, state, how, parcel_key, conflict)
             SELECT office, id, {source}, 'sure', 'key', 'A', '' FROM property"
        ),
        format!(
            "INSERT INTO judgement (office, property, source, outcome, measured_um2, difference_um2, measurement_version,
                                    edition, standard, policy_version, engine)
             {MANY} SELECT '{OFFICE}', 'P' || CAST(1000000 + n.i AS TEXT), {source}, 'material', {um2}, {um2}, 1, 1, '', 0, '' FROM n"
        ),
        format!(
            "INSERT INTO finding (office, id, property, source, kind, state, bound, difference_um2, row_version, opened_at, changed_at)
             SELECT office, 'F' || property, property, {source}, 'variance', 'open', '', difference_um2, 1, 1, 1 FROM judgement"
        ),
        "INSERT INTO queue_entry (office, property, tier, rank_key, open_count)
         SELECT office, property, 1, difference_um2, 1 FROM finding"
            .to_owned(),
    ] {
        ground.execute(&insert).await.unwrap();
    }
    let outcomes = ground.outcome_counts(OFFICE).await.unwrap();
    assert_eq!(outcomes, [("roll".to_owned(), "material".to_owned(), 100_000)]);
    assert_eq!(ground.queue_count(OFFICE).await.unwrap(), 100_000);
    assert_eq!(ground.pending_count(OFFICE, source).await.unwrap(), 0);
    assert_eq!(ground.judged_count(OFFICE, source).await.unwrap(), 100_000);

    let (mut place, mut measured, mut seen) = ((String::new(), 0), 0i128, 0);
    loop {
        let page = ground.pair_page(OFFICE, (&place.0, place.1), 10_000).await.unwrap();
        let Some(last) = page.last() else { break };
        place = (last.property.clone(), last.source_number);
        seen += page.len();
        measured +=
            page.iter().map(|pair| i128::from(pair.measured.unwrap().square_micrometres())).sum::<i128>();
    }
    // the sum of 1,000,000 - i square feet for i from 1 to 100,000, of 92,903,040,000 square micrometres each
    let square_feet = 100_000i128 * 1_000_000 - 100_000 * 100_001 / 2;
    assert_eq!((seen, measured), (100_000, square_feet * 92_903_040_000));
    assert!(measured > i128::from(i64::MAX) * 900);
    let first = ground.queue_page(OFFICE, None, 1).await.unwrap();
    assert_eq!(first[0].pairs[0].reference, "H1");
}
