//! Measured houses: versions, headers, and what they put up to be judged.

use crossfoot_store::job::JobKind;
use crossfoot_store::measurement::{NewMeasurement, SavedMeasurement, Saving};
use crossfoot_store::{Store, StoreError};

use crate::ground::{Ground, OFFICE, OTHER_OFFICE, batch, house, layout_in, recorded};

on_both_databases! {
    a_new_reference_is_a_new_property_and_a_new_document_a_new_version,
    a_document_that_is_there_in_whatever_version_changes_nothing,
    an_older_measurement_is_kept_but_does_not_become_the_header,
    documents_of_one_reference_in_one_call_are_taken_in_their_order,
    more_references_than_a_statement_takes_are_saved_in_their_order,
    a_batch_is_saved_whole_or_not_at_all,
    a_house_is_judged_against_exactly_the_sources_that_concern_it,
    a_source_without_records_puts_nothing_up,
    one_job_is_queued_for_an_office_and_a_source_however_many_houses_arrive,
    a_document_comes_back_as_received,
    uploads_of_the_same_new_references_at_once_make_each_property_once,
    a_house_and_a_first_edition_that_arrive_together_do_not_miss_each_other,
}

async fn save(ground: &Ground, batch: Vec<NewMeasurement>) -> Vec<SavedMeasurement> {
    ground.measurement_save(OFFICE, batch).await.unwrap()
}

fn visit(day: &str, sqft: f64) -> NewMeasurement {
    house("H1", "A", "US-IA-169", day, sqft)
}

async fn header(ground: &Ground) -> String {
    ground
        .rows("SELECT measured_on || ' ' || CAST(measurement_version AS TEXT) FROM property WHERE office = 'office-a'")
        .await
        .join(", ")
}

async fn a_new_reference_is_a_new_property_and_a_new_document_a_new_version(ground: &Ground) {
    let first = save(ground, vec![visit("2026-03-01", 2400.0)]).await.remove(0);
    assert_eq!((first.saving, first.version, first.reference.as_str()), (Saving::New, 1, "H1"));
    let second = save(ground, vec![visit("2026-04-01", 2410.0)]).await.remove(0);
    assert_eq!((second.saving, second.version), (Saving::NewVersion, 2));
    assert_eq!(second.property, first.property);
    assert_eq!(header(ground).await, "2026-04-01 2");
    assert_eq!(ground.property_by_reference(OFFICE, "H1").await.unwrap(), first.property);
    assert_eq!(ground.property_count(OFFICE).await.unwrap(), 1);
}

async fn a_document_that_is_there_in_whatever_version_changes_nothing(ground: &Ground) {
    ground.roll("roll", &[("A", 2000)]).await;
    let (one, two) = (visit("2026-03-01", 2400.0), visit("2026-04-01", 2410.0));
    save(ground, vec![one.clone(), two.clone()]).await;
    ground.judge_all(OFFICE, &ground.source("roll").await, &|_| recorded(2390)).await;
    for (document, version) in [(one, 1), (two, 2)] {
        let again = save(ground, vec![document]).await.remove(0);
        assert_eq!((again.saving, again.version), (Saving::Unchanged, version));
    }
    assert_eq!(header(ground).await, "2026-04-01 2");
    assert_eq!(ground.number("SELECT count(*) FROM measurement").await, 2);
    assert!(ground.to_judge(OFFICE).await.is_empty());
}

async fn an_older_measurement_is_kept_but_does_not_become_the_header(ground: &Ground) {
    let source = ground.roll("roll", &[("A", 2000)]).await;
    save(ground, vec![visit("2026-04-01", 2410.0)]).await;
    ground.judge_all(OFFICE, &source, &|_| recorded(2390)).await;
    let older = save(ground, vec![visit("2026-03-31", 2300.0)]).await.remove(0);
    assert_eq!((older.saving, older.version), (Saving::NewVersion, 2));
    assert_eq!(header(ground).await, "2026-04-01 1");
    assert!(ground.to_judge(OFFICE).await.is_empty());
    // of the same day the later receipt counts
    save(ground, vec![visit("2026-04-01", 2420.0)]).await;
    assert_eq!(header(ground).await, "2026-04-01 3");
    assert_eq!(ground.to_judge(OFFICE).await, ["roll|H1"]);
}

async fn documents_of_one_reference_in_one_call_are_taken_in_their_order(ground: &Ground) {
    let (one, two) = (visit("2026-03-01", 2400.0), visit("2026-04-01", 2410.0));
    let other = house("H2", "B", "", "2026-03-01", 1000.0);
    let saved = save(ground, vec![one.clone(), other, two, one]).await;
    let outcome: Vec<_> = saved.iter().map(|s| (s.reference.as_str(), s.saving, s.version)).collect();
    let expected = [
        ("H1", Saving::New, 1),
        ("H2", Saving::New, 1),
        ("H1", Saving::NewVersion, 2),
        ("H1", Saving::Unchanged, 1),
    ];
    assert_eq!(outcome, expected);
}

async fn more_references_than_a_statement_takes_are_saved_in_their_order(ground: &Ground) {
    ground.roll("roll", &[("A", 2000)]).await;
    let references: Vec<String> = (0..1201).map(|n| format!("H{n}")).collect();
    let batch = || references.iter().map(|r| house(r, r, "US-IA-169", "2026-03-01", 2400.0)).collect();
    let saved = save(ground, batch()).await;
    assert!(saved.iter().map(|s| &s.reference).eq(&references));
    assert!(saved.iter().all(|s| s.saving == Saving::New));
    assert_eq!(ground.property_count(OFFICE).await.unwrap(), 1201);
    assert_eq!(ground.pending_count(OFFICE, 1).await.unwrap(), 1201);
    assert_eq!(ground.judged_count(OFFICE, 1).await.unwrap(), 0);
    assert!(save(ground, batch()).await.iter().all(|s| s.saving == Saving::Unchanged));
}

async fn a_batch_is_saved_whole_or_not_at_all(ground: &Ground) {
    ground.roll("roll", &[("A", 2000)]).await;
    ground.execute("CREATE UNIQUE INDEX only_once ON measurement (measured_on)").await.unwrap();
    let batch = vec![
        visit("2026-03-01", 2400.0),
        house("H2", "B", "US-IA-169", "2026-03-02", 2400.0),
        house("H3", "C", "US-IA-169", "2026-03-01", 2400.0),
    ];
    let refused = ground.measurement_save(OFFICE, batch).await;
    assert!(matches!(refused, Err(StoreError::Database(_) | StoreError::Statement(_))), "{refused:?}");
    assert_eq!(ground.property_count(OFFICE).await.unwrap(), 0);
    assert_eq!(ground.number("SELECT count(*) FROM measurement").await, 0);
    assert!(ground.to_judge(OFFICE).await.is_empty() && ground.queued().await.is_empty());
}

async fn a_house_is_judged_against_exactly_the_sources_that_concern_it(ground: &Ground) {
    for (source, jurisdiction) in [
        ("state", "US-IA"),
        ("county", "US-IA-169"),
        ("short", "US-IA-16"),
        ("town", "US-IA-169-5"),
        ("else", "US-NE"),
    ] {
        ground.take(source, &layout_in(source, jurisdiction), source, vec![batch(&[("A", 2000)])]).await;
    }
    ground.houses(OFFICE, &[("in-county", "A", "US-IA-169"), ("in-state", "B", "US-IA")]).await;
    let expected = ["county|in-county", "state|in-county", "state|in-state"];
    assert_eq!(ground.to_judge(OFFICE).await, expected);
    ground.houses(OTHER_OFFICE, &[("anywhere", "A", "")]).await;
    let expected = ["county", "else", "short", "state", "town"].map(|source| format!("{source}|anywhere"));
    assert_eq!(ground.to_judge(OTHER_OFFICE).await, expected);
}

async fn a_source_without_records_puts_nothing_up(ground: &Ground) {
    ground.staged("roll", &crate::ground::layout("roll"), "not loaded").await;
    ground.houses(OFFICE, &[("H1", "A", "")]).await;
    assert!(ground.to_judge(OFFICE).await.is_empty() && ground.queued().await.is_empty());
}

async fn one_job_is_queued_for_an_office_and_a_source_however_many_houses_arrive(ground: &Ground) {
    let roll = ground.roll("roll", &[("A", 2000)]).await.number;
    let other = ground.roll("other", &[("A", 2000)]).await.number;
    for office in [OFFICE, OTHER_OFFICE] {
        ground.houses(office, &[("H1", "A", ""), ("H2", "B", "")]).await;
        ground.houses(office, &[("H3", "C", "")]).await;
    }
    let mut expected: Vec<String> = [OFFICE, OTHER_OFFICE]
        .iter()
        .flat_map(|office| [roll, other].map(|source| format!("reconcile:{office}:{source}")))
        .collect();
    expected.sort();
    assert_eq!(ground.queued().await, expected);
    let live = ground.job_list_live().await.unwrap();
    assert_eq!(live.iter().filter(|job| job.kind == JobKind::Reconcile).count(), 4);
}

async fn a_document_comes_back_as_received(ground: &Ground) {
    let sent = visit("2026-03-01", 2400.5);
    let property = save(ground, vec![sent.clone()]).await.remove(0).property;
    assert_eq!(ground.measurement_document(OFFICE, &property, 1).await.unwrap(), sent.document);
    let none = ground.measurement_document(OFFICE, &property, 2).await;
    assert!(matches!(none, Err(StoreError::Missing { .. })), "{none:?}");
}

async fn uploads_of_the_same_new_references_at_once_make_each_property_once(ground: &Ground) {
    let uploads = (0..6).map(|n| {
        let store = Store::clone(ground);
        tokio::spawn(async move {
            let names = ["H1", "H2", "H3"].map(String::from);
            let batch = names.iter().map(|r| house(r, r, "", "2026-03-01", 2400.0 + f64::from(n))).collect();
            store.measurement_save(OFFICE, batch).await
        })
    });
    for upload in uploads.collect::<Vec<_>>() {
        upload.await.unwrap().unwrap();
    }
    assert_eq!(ground.property_count(OFFICE).await.unwrap(), 3);
    assert_eq!(ground.number("SELECT count(*) FROM measurement").await, 18);
    assert_eq!(ground.number("SELECT min(measurement_version) FROM property").await, 6);
}

async fn a_house_and_a_first_edition_that_arrive_together_do_not_miss_each_other(ground: &Ground) {
    for round in 0..8 {
        let name = format!("roll-{round}");
        let (source, edition, claim) = ground.staged(&name, &crate::ground::layout(&name), &name).await;
        let loaded =
            crate::ground::load(ground, &claim, &source, edition, vec![batch(&[("A", 2000)])]).await.unwrap();
        let store = Store::clone(ground);
        let reference = format!("H{round}");
        let upload = tokio::spawn(async move {
            let batch = vec![house(&reference, "A", "US-IA-169", "2026-03-01", 2400.0)];
            store.measurement_save(OFFICE, batch).await
        });
        ground.edition_make_current(&claim, &source, edition, &loaded).await.unwrap();
        upload.await.unwrap().unwrap();
        let expected = format!("{name}|H{round}");
        assert!(ground.to_judge(OFFICE).await.contains(&expected), "{expected}");
    }
}
