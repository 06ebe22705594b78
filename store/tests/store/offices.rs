//! Offices, their keys, and that no office sees another's.

use crossfoot_store::StoreError;
use crossfoot_store::office::Role;
use sha2::{Digest as _, Sha256};

use crate::ground::{Ground, OFFICE, OTHER_OFFICE, house, recorded};

on_both_databases! {
    an_office_is_made_once_and_keeps_its_first_name,
    an_operators_key_belongs_to_no_office_and_every_other_key_to_one,
    a_key_is_kept_as_its_hash_only,
    keys_are_listed_for_their_office_oldest_first,
    no_office_sees_what_another_has,
}

async fn an_office_is_made_once_and_keeps_its_first_name(ground: &Ground) {
    ground.office_ensure(OFFICE, "Another name").await.unwrap();
    assert_eq!(ground.rows("SELECT name FROM office WHERE id = 'office-a'").await, ["Office A"]);
}

async fn an_operators_key_belongs_to_no_office_and_every_other_key_to_one(ground: &Ground) {
    for role in Role::ALL {
        let wrong = if role == Role::Operator { Some(OFFICE) } else { None };
        let refused = ground.key_create(wrong, role, "x").await;
        assert!(matches!(refused, Err(StoreError::Settings(_))), "{role:?}: {refused:?}");
    }
    let nowhere = ground.key_create(Some("no-such-office"), Role::Review, "x").await;
    assert!(matches!(nowhere, Err(StoreError::Missing { what: "office", .. })), "{nowhere:?}");
    assert_eq!(ground.number("SELECT count(*) FROM access_key").await, 0);
}

async fn a_key_is_kept_as_its_hash_only(ground: &Ground) {
    let key = ground.key_create(Some(OFFICE), Role::Upload, "scanner").await.unwrap();
    assert_eq!(key.secret.len(), 64, "256 bits in hexadecimal");
    let hash = match ground.backend() {
        crossfoot_store::Backend::Sqlite => "lower(hex(key_sha256))",
        crossfoot_store::Backend::Postgres => "encode(key_sha256, 'hex')",
    };
    let kept = ground.rows(&format!("SELECT id || ' ' || label || ' ' || {hash} FROM access_key")).await;
    assert_eq!(kept, [format!("{} scanner {}", key.id, hex::encode(Sha256::digest(key.secret.as_bytes())))]);
    assert_eq!(ground.visitor_by_secret(&key.secret).await.unwrap().unwrap().key, key.id);
    assert_eq!(ground.visitor_by_secret("something else").await.unwrap(), None);
}

async fn keys_are_listed_for_their_office_oldest_first(ground: &Ground) {
    let mut made = Vec::new();
    for role in [Role::Review, Role::Batch, Role::Upload] {
        made.push(ground.key_create(Some(OFFICE), role, role.name()).await.unwrap().id);
    }
    ground.key_create(Some(OTHER_OFFICE), Role::Review, "theirs").await.unwrap();
    ground.key_create(None, Role::Operator, "nobody's").await.unwrap();
    let listed = ground.key_list(OFFICE).await.unwrap();
    assert_eq!(listed.iter().map(|key| key.id.clone()).collect::<Vec<_>>(), made);
    assert!(listed.iter().all(|key| key.office.as_deref() == Some(OFFICE) && key.label == key.role));
}

async fn no_office_sees_what_another_has(ground: &Ground) {
    let source = ground.roll("roll", &[("A", 2000)]).await;
    let theirs = ground.houses(OTHER_OFFICE, &[("H1", "A", "")]).await.remove(0);
    ground.judge_all(OTHER_OFFICE, &source, &|_| recorded(2000)).await;
    let finding = ground.pairs_of_property(OTHER_OFFICE, &theirs).await.unwrap()[0].finding.clone().unwrap();

    assert_eq!(ground.property_count(OFFICE).await.unwrap(), 0);
    assert_eq!(ground.queue_count(OFFICE).await.unwrap(), 0);
    assert!(ground.queue_page(OFFICE, None, 10).await.unwrap().is_empty());
    assert!(ground.pair_page(OFFICE, ("", 0), 10).await.unwrap().is_empty());
    assert!(ground.pairs_of_property(OFFICE, &theirs).await.unwrap().is_empty());
    assert!(ground.finding_history(OFFICE, &finding.id).await.unwrap().is_empty());
    assert!(ground.outcome_counts(OFFICE).await.unwrap().is_empty());
    assert!(ground.run_list(OFFICE, 10).await.unwrap().is_empty());
    assert!(ground.pending(OFFICE, &source).await.is_empty());
    assert_eq!(ground.pending_count(OFFICE, source.number).await.unwrap(), 0);
    assert_eq!(ground.judged_count(OFFICE, source.number).await.unwrap(), 0);
    let document = ground.measurement_document(OFFICE, &theirs, 1).await;
    assert!(matches!(document, Err(StoreError::Missing { .. })), "{document:?}");
    let by_reference = ground.property_by_reference(OFFICE, "H1").await;
    assert!(matches!(by_reference, Err(StoreError::Missing { .. })), "{by_reference:?}");

    // the same reference in another office is another property
    let mine = house("H1", "A", "", "2026-03-01", 2400.0);
    let saved = ground.measurement_save(OFFICE, vec![mine]).await.unwrap();
    assert_ne!(saved[0].property, theirs);
    assert_eq!(ground.property_count(OTHER_OFFICE).await.unwrap(), 1);
}
