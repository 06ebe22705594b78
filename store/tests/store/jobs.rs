//! Jobs: who may claim what, in which order, and how they end.

use std::collections::HashSet;

use crossfoot_store::job::{ATTEMPTS_MAX, Claim, JobKind};
use crossfoot_store::{Store, StoreError};

use crate::ground::{Ground, LEASE, OFFICE, OTHER_OFFICE, house, layout};

on_both_databases! {
    the_oldest_job_is_claimed_first,
    a_claim_may_ask_for_one_job_only,
    a_trigger_while_the_same_job_is_queued_is_that_job,
    a_trigger_while_the_same_job_runs_queues_another,
    jobs_of_one_exclusive_key_run_one_at_a_time,
    a_job_tells_what_it_works_on_and_how_far_it_is,
    a_resume_point_is_there_for_the_next_attempt,
    a_job_that_ends_well_is_done_and_is_not_claimed_again,
    a_job_that_failed_for_good_keeps_its_reason,
    a_job_put_back_waits_for_its_time_and_runs_again,
    a_job_that_is_put_back_while_the_same_is_queued_ends,
    a_job_that_was_tried_too_often_ends_whatever_was_asked,
    two_workers_never_get_the_same_job,
    workers_that_want_jobs_of_one_exclusive_key_all_get_their_turn,
    a_job_is_not_claimed_before_the_change_that_causes_it_is_there,
}

/// Sources, so that jobs of one office are different ones.
async fn sources(ground: &Ground, count: usize) -> Vec<crossfoot_store::source::Source> {
    let mut made = Vec::new();
    for number in 0..count {
        made.push(ground.source_ensure(&format!("roll-{number}"), &layout("any")).await.unwrap());
    }
    made
}

async fn claim(store: &Store) -> Option<Claim> {
    store.job_claim(LEASE, None).await.unwrap()
}

async fn state(store: &Store, id: &str) -> String {
    store.job_view(id).await.unwrap().state
}

async fn the_oldest_job_is_claimed_first(ground: &Ground) {
    let mut asked = Vec::new();
    for source in sources(ground, 5).await {
        asked.push(ground.run_request(OFFICE, &source, false).await.unwrap());
    }
    let mut claimed = Vec::new();
    while let Some(claim) = claim(ground).await {
        claimed.push(claim.id);
    }
    assert_eq!(claimed, asked);
}

async fn a_claim_may_ask_for_one_job_only(ground: &Ground) {
    let sources = sources(ground, 2).await;
    let first = ground.run_request(OFFICE, &sources[0], false).await.unwrap();
    let second = ground.run_request(OFFICE, &sources[1], false).await.unwrap();
    assert_eq!(ground.job_claim(LEASE, Some(&second)).await.unwrap().unwrap().id, second);
    assert!(ground.job_claim(LEASE, Some(&second)).await.unwrap().is_none());
    assert_eq!(state(ground, &first).await, "queued");
}

async fn a_trigger_while_the_same_job_is_queued_is_that_job(ground: &Ground) {
    let source = sources(ground, 1).await.remove(0);
    let first = ground.run_request(OFFICE, &source, false).await.unwrap();
    assert_eq!(ground.run_request(OFFICE, &source, false).await.unwrap(), first);
    assert_ne!(ground.run_request(OTHER_OFFICE, &source, false).await.unwrap(), first);
    // a run that may pass the brake is another job
    assert_ne!(ground.run_request(OFFICE, &source, true).await.unwrap(), first);
    assert_eq!(ground.number("SELECT count(*) FROM job").await, 3);
}

async fn a_trigger_while_the_same_job_runs_queues_another(ground: &Ground) {
    let source = sources(ground, 1).await.remove(0);
    let first = ground.run_request(OFFICE, &source, false).await.unwrap();
    let running = claim(ground).await.unwrap();
    assert_eq!(running.id, first);
    let second = ground.run_request(OFFICE, &source, false).await.unwrap();
    assert_ne!(second, first);
    assert!(claim(ground).await.is_none(), "it waits for the one that runs");
    ground.job_finish(&running).await.unwrap();
    assert_eq!(claim(ground).await.unwrap().id, second);
}

async fn jobs_of_one_exclusive_key_run_one_at_a_time(ground: &Ground) {
    let sources = sources(ground, 2).await;
    for release in [false, true] {
        ground.run_request(OFFICE, &sources[0], release).await.unwrap();
    }
    let other = ground.run_request(OFFICE, &sources[1], false).await.unwrap();
    let first = claim(ground).await.unwrap();
    assert_eq!(claim(ground).await.unwrap().id, other, "the second of the same key is passed over");
    assert!(claim(ground).await.is_none());
    ground.job_fail(&first, "no", None).await.unwrap();
    assert_eq!(claim(ground).await.unwrap().payload["release"], true);
}

async fn a_job_tells_what_it_works_on_and_how_far_it_is(ground: &Ground) {
    let source = sources(ground, 1).await.remove(0);
    let id = ground.run_request(OFFICE, &source, false).await.unwrap();
    let claim = claim(ground).await.unwrap();
    assert_eq!((claim.kind, claim.office.as_deref(), claim.attempts), (JobKind::Reconcile, Some(OFFICE), 1));
    assert_eq!((claim.payload["source"].as_i64(), claim.resume.as_str()), (Some(source.number), ""));
    ground.job_renew(&claim, 7, Some(90)).await.unwrap();
    let view = ground.job_view(&id).await.unwrap();
    assert_eq!((view.state.as_str(), view.progress, view.progress_total), ("running", 7, Some(90)));
    assert_eq!(ground.job_list_live().await.unwrap(), [view]);
    let missing = ground.job_view("none").await;
    assert!(matches!(missing, Err(StoreError::Missing { what: "job", .. })), "{missing:?}");
}

async fn a_resume_point_is_there_for_the_next_attempt(ground: &Ground) {
    let source = sources(ground, 1).await.remove(0);
    ground.run_request(OFFICE, &source, false).await.unwrap();
    let first = claim(ground).await.unwrap();
    ground.job_resume_point(&first, "line 17").await.unwrap();
    ground.job_fail(&first, "the database is away", Some(0)).await.unwrap();
    let second = claim(ground).await.unwrap();
    assert_eq!(
        (second.id.as_str(), second.attempts, second.resume.as_str()),
        (first.id.as_str(), 2, "line 17")
    );
}

async fn a_job_that_ends_well_is_done_and_is_not_claimed_again(ground: &Ground) {
    let source = sources(ground, 1).await.remove(0);
    ground.run_request(OFFICE, &source, false).await.unwrap();
    let done = claim(ground).await.unwrap();
    ground.job_finish(&done).await.unwrap();
    assert_eq!(state(ground, &done.id).await, "done");
    assert!(claim(ground).await.is_none() && ground.job_list_live().await.unwrap().is_empty());
    let again = ground.job_finish(&done).await;
    assert!(matches!(again, Err(StoreError::LeaseLost)), "{again:?}");
}

async fn a_job_that_failed_for_good_keeps_its_reason(ground: &Ground) {
    let source = sources(ground, 1).await.remove(0);
    ground.run_request(OFFICE, &source, false).await.unwrap();
    let failed = claim(ground).await.unwrap();
    ground.job_fail(&failed, "the original has changed", None).await.unwrap();
    let view = ground.job_view(&failed.id).await.unwrap();
    assert_eq!((view.state.as_str(), view.reason.as_str()), ("failed", "the original has changed"));
    assert!(claim(ground).await.is_none());
}

async fn a_job_put_back_waits_for_its_time_and_runs_again(ground: &Ground) {
    let source = sources(ground, 1).await.remove(0);
    ground.run_request(OFFICE, &source, false).await.unwrap();
    let first = claim(ground).await.unwrap();
    ground.job_fail(&first, "the database is away", Some(3600)).await.unwrap();
    let view = ground.job_view(&first.id).await.unwrap();
    assert_eq!((view.state.as_str(), view.reason.as_str()), ("queued", "the database is away"));
    assert!(claim(ground).await.is_none());
    ground.execute("UPDATE job SET not_before = not_before - 3600000000").await.unwrap();
    assert_eq!(claim(ground).await.unwrap().attempts, 2);
}

async fn a_job_that_is_put_back_while_the_same_is_queued_ends(ground: &Ground) {
    let source = sources(ground, 1).await.remove(0);
    ground.run_request(OFFICE, &source, false).await.unwrap();
    let first = claim(ground).await.unwrap();
    let second = ground.run_request(OFFICE, &source, false).await.unwrap();
    ground.job_fail(&first, "the database is away", Some(0)).await.unwrap();
    assert_eq!(state(ground, &first.id).await, "failed");
    assert_eq!(claim(ground).await.unwrap().id, second);
}

async fn a_job_that_was_tried_too_often_ends_whatever_was_asked(ground: &Ground) {
    let source = sources(ground, 1).await.remove(0);
    let id = ground.run_request(OFFICE, &source, false).await.unwrap();
    for attempt in 1..=ATTEMPTS_MAX {
        let claim = claim(ground).await.unwrap();
        assert_eq!(claim.attempts, attempt);
        ground.job_fail(&claim, "away", Some(0)).await.unwrap();
    }
    assert_eq!(state(ground, &id).await, "failed");
    assert!(claim(ground).await.is_none());
}

async fn two_workers_never_get_the_same_job(ground: &Ground) {
    let mut asked = HashSet::new();
    for source in sources(ground, 25).await {
        for office in [OFFICE, OTHER_OFFICE] {
            asked.insert(ground.run_request(office, &source, false).await.unwrap());
        }
    }
    let workers: Vec<_> = (0..8)
        .map(|_| {
            let store = Store::clone(ground);
            tokio::spawn(async move {
                let mut claimed = Vec::new();
                while let Some(claim) = claim(&store).await {
                    claimed.push(claim.id);
                }
                claimed
            })
        })
        .collect();
    let mut claimed = Vec::new();
    for worker in workers {
        claimed.extend(worker.await.unwrap());
    }
    assert_eq!(claimed.len(), 50);
    assert_eq!(claimed.into_iter().collect::<HashSet<_>>(), asked);
}

async fn workers_that_want_jobs_of_one_exclusive_key_all_get_their_turn(ground: &Ground) {
    for source in sources(ground, 6).await {
        for release in [false, true] {
            ground.run_request(OFFICE, &source, release).await.unwrap();
        }
    }
    let workers: Vec<_> = (0..8)
        .map(|_| {
            let store = Store::clone(ground);
            tokio::spawn(async move {
                while let Some(claim) = claim(&store).await {
                    store.job_finish(&claim).await.unwrap();
                }
            })
        })
        .collect();
    for worker in workers {
        worker.await.unwrap();
    }
    // a worker that found only jobs of keys in use went home; one that stayed does the rest
    while let Some(claim) = claim(ground).await {
        ground.job_finish(&claim).await.unwrap();
    }
    assert_eq!(ground.number("SELECT count(*) FROM job WHERE state = 'done' AND attempts = 1").await, 12);
}

/// A worker that began too early would not see the change, and the trigger would be lost.
async fn a_job_is_not_claimed_before_the_change_that_causes_it_is_there(ground: &Ground) {
    let source = ground.roll("roll", &[("A", 2000)]).await;
    let packing = claim(ground).await.unwrap();
    ground.job_finish(&packing).await.unwrap();
    ground.houses(OFFICE, &[("known", "A", "")]).await;
    assert_eq!(ground.queued().await.len(), 1);
    // an upload that has asked for a run, again, and then waits: SQLite has one writer and no such moment
    let held = ground.hold("SELECT 1 FROM property WHERE reference = 'known' FOR UPDATE").await;
    let store = Store::clone(ground);
    let upload = tokio::spawn(async move {
        let visits = [("new", "03"), ("new", "04"), ("known", "04")];
        let batch = visits.map(|(r, month)| house(r, "A", "", &format!("2026-{month}-02"), 2400.0));
        store.measurement_save(OFFICE, batch.to_vec()).await
    });
    if held.is_some() {
        while ground.number("SELECT count(*) FROM pg_locks WHERE NOT granted").await == 0 {}
        assert!(claim(ground).await.is_none());
    }
    drop(held);
    upload.await.unwrap().unwrap();
    assert!(claim(ground).await.is_some());
    assert_eq!(ground.pending(OFFICE, &source).await.len(), 2);
}
