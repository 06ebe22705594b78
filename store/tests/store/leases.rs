//! A worker that lost its lease writes nothing.

use crossfoot_store::check::EditionCheck;
use crossfoot_store::job::{ATTEMPTS_MAX, Claim};
use crossfoot_store::run::RunEnd;
use crossfoot_store::{Backend, StoreError};

use crate::ground::{Ground, LEASE, OFFICE, batch, judged, layout, load, recorded};

on_both_databases! {
    a_job_whose_lease_lapsed_is_claimed_like_a_queued_one,
    a_lease_that_is_renewed_does_not_lapse,
    a_lapsed_lease_can_neither_renew_nor_finish_nor_fail,
    a_job_that_was_taken_over_cannot_be_ended_by_its_first_worker,
    a_statement_that_takes_longer_than_the_lease_does_not_lose_it,
    a_lapsed_lease_applies_nothing,
    a_lapsed_lease_puts_no_edition_in_use_and_refuses_none,
    a_job_whose_workers_died_too_often_is_given_up_with_a_reason,
}

/// Time passes: the lease of a job is over.
async fn lapse(ground: &Ground, claim: &Claim) {
    let sql = format!("UPDATE job SET lease_until = lease_until - 3600000000 WHERE id = '{}'", claim.id);
    ground.execute(&sql).await.unwrap();
}

async fn job(ground: &Ground) -> Claim {
    let source = ground.source_ensure("roll", &layout("roll")).await.unwrap();
    let id = ground.run_request(OFFICE, &source, false).await.unwrap();
    ground.job_claim(LEASE, Some(&id)).await.unwrap().unwrap()
}

fn lost<T: std::fmt::Debug>(result: Result<T, StoreError>) {
    assert!(matches!(result, Err(StoreError::LeaseLost)), "{result:?}");
}

async fn a_job_whose_lease_lapsed_is_claimed_like_a_queued_one(ground: &Ground) {
    let first = job(ground).await;
    assert!(ground.job_claim(LEASE, None).await.unwrap().is_none());
    lapse(ground, &first).await;
    let second = ground.job_claim(LEASE, None).await.unwrap().unwrap();
    assert_eq!((second.id.as_str(), second.attempts), (first.id.as_str(), 2));
}

async fn a_lease_that_is_renewed_does_not_lapse(ground: &Ground) {
    let claim = job(ground).await;
    ground.execute("UPDATE job SET lease_until = lease_until - 59000000").await.unwrap();
    ground.job_renew(&claim, 0, None).await.unwrap();
    let left = format!("SELECT lease_until - created_at FROM job WHERE id = '{}'", claim.id);
    assert!(ground.number(&left).await >= LEASE * 1_000_000);
    assert!(ground.job_claim(LEASE, None).await.unwrap().is_none());
    ground.job_finish(&claim).await.unwrap();
}

async fn a_lapsed_lease_can_neither_renew_nor_finish_nor_fail(ground: &Ground) {
    let claim = job(ground).await;
    lapse(ground, &claim).await;
    lost(ground.job_renew(&claim, 5, Some(10)).await);
    lost(ground.job_resume_point(&claim, "there").await);
    lost(ground.job_finish(&claim).await);
    lost(ground.job_fail(&claim, "why", None).await);
    lost(ground.job_fail(&claim, "why", Some(0)).await);
    let view = ground.job_view(&claim.id).await.unwrap();
    assert_eq!((view.state.as_str(), view.progress, view.reason.as_str()), ("running", 0, ""));
    assert_eq!(ground.rows("SELECT resume FROM job").await, [""]);
}

async fn a_job_that_was_taken_over_cannot_be_ended_by_its_first_worker(ground: &Ground) {
    let first = job(ground).await;
    lapse(ground, &first).await;
    let second = ground.job_claim(LEASE, None).await.unwrap().unwrap();
    lost(ground.job_renew(&first, 5, None).await);
    lost(ground.job_finish(&first).await);
    lost(ground.job_fail(&first, "why", None).await);
    ground.job_finish(&second).await.unwrap();
    assert_eq!(ground.job_view(&second.id).await.unwrap().state, "done");
}

/// From now on the lease of every job lapses while a statement writes to a table: it took that long.
async fn slow(ground: &Ground, writes: &str) {
    let lapse = "UPDATE job SET lease_until = lease_until - 3600000000 WHERE state = 'running'";
    match ground.backend() {
        Backend::Sqlite => {
            let sql = format!("CREATE TRIGGER slow AFTER {writes} BEGIN {lapse}; END");
            ground.execute(&sql).await.unwrap();
        }
        Backend::Postgres => {
            let sql = format!(
                "CREATE FUNCTION slow() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN {lapse}; RETURN NULL; END $$"
            );
            ground.execute(&sql).await.unwrap();
            let sql = format!("CREATE TRIGGER slow AFTER {writes} FOR EACH ROW EXECUTE FUNCTION slow()");
            ground.execute(&sql).await.unwrap();
        }
    }
}

async fn a_statement_that_takes_longer_than_the_lease_does_not_lose_it(ground: &Ground) {
    let (source, edition, claim) = ground.staged("roll", &layout("roll"), "file").await;
    let loaded = load(ground, &claim, &source, edition, vec![batch(&[("A", 2000)])]).await.unwrap();
    let place = (source.number, edition);
    slow(ground, "INSERT ON edition_check").await;
    ground.check_keep(&claim, place, &layout("roll"), &EditionCheck::default()).await.unwrap();
    assert!(ground.job_claim(LEASE, Some(&claim.id)).await.unwrap().is_none(), "another worker takes it");
    let left = format!("SELECT lease_until - created_at FROM job WHERE id = '{}'", claim.id);
    assert!(ground.number(&left).await >= LEASE * 1_000_000);
    ground.job_renew(&claim, 1, None).await.unwrap();

    // the same where the work ends with the transaction
    let again = match ground.backend() {
        Backend::Sqlite => "DROP TRIGGER slow",
        Backend::Postgres => "DROP FUNCTION slow CASCADE",
    };
    ground.execute(again).await.unwrap();
    slow(ground, "UPDATE ON source").await;
    ground.edition_make_current(&claim, &source, edition, &loaded).await.unwrap();
    assert_eq!(ground.source("roll").await.current_edition, Some(edition));
    assert_eq!(ground.job_view(&claim.id).await.unwrap().state, "done");
}

async fn a_lapsed_lease_applies_nothing(ground: &Ground) {
    let source = ground.roll("roll", &[("A", 2000)]).await;
    ground.houses(OFFICE, &[("H1", "A", "")]).await;
    let (claim, mut run) = ground.begin(OFFICE, &source).await;
    let pending = ground.pending(OFFICE, &source).await;
    lapse(ground, &claim).await;
    lost(ground.run_begin(&claim, OFFICE, &source, 0, "any").await);
    lost(ground.run_pass_brake(&claim, &mut run).await);
    lost(ground.run_apply(&claim, &mut run, vec![judged(&pending[0], recorded(2000))], (1, 1)).await);
    lost(ground.run_end(&claim, &run, &run.counts, RunEnd::Done).await);
    assert!(!run.applying && run.counts.judged() == 0);
    assert_eq!(ground.to_judge(OFFICE).await, ["roll|H1"]);
    for table in ["judgement", "property_match", "finding", "finding_event", "queue_entry"] {
        assert_eq!(ground.number(&format!("SELECT count(*) FROM {table}")).await, 0, "{table}");
    }
    assert_eq!(ground.run_list(OFFICE, 10).await.unwrap()[0].state, "counting");
}

async fn a_lapsed_lease_puts_no_edition_in_use_and_refuses_none(ground: &Ground) {
    ground.houses(OFFICE, &[("H1", "A", "")]).await;
    let (source, edition, first) = ground.staged("roll", &layout("roll"), "file").await;
    let loaded = load(ground, &first, &source, edition, vec![batch(&[("A", 2000)])]).await.unwrap();
    lapse(ground, &first).await;
    lost(ground.edition_make_current(&first, &source, edition, &loaded).await);
    lost(ground.edition_refuse(&first, source.number, edition, "why").await);
    assert_eq!(ground.source("roll").await, source);
    assert_eq!(ground.edition(source.number, edition).await.unwrap().state, "staged");
    assert!(ground.to_judge(OFFICE).await.is_empty());

    // the one who took it over loads it afresh
    let second = ground.job_claim(LEASE, None).await.unwrap().unwrap();
    let loaded = load(ground, &second, &source, edition, vec![batch(&[("A", 2000)])]).await.unwrap();
    ground.edition_make_current(&second, &source, edition, &loaded).await.unwrap();
    let source = ground.source("roll").await;
    assert_eq!(source.current_edition, Some(edition));
    assert_eq!(ground.record_totals(&source).await.unwrap().records, 1);
}

async fn a_job_whose_workers_died_too_often_is_given_up_with_a_reason(ground: &Ground) {
    let mut claim = job(ground).await;
    for attempt in 2..=ATTEMPTS_MAX {
        lapse(ground, &claim).await;
        claim = ground.job_claim(LEASE, None).await.unwrap().unwrap();
        assert_eq!(claim.attempts, attempt);
    }
    lapse(ground, &claim).await;
    assert!(ground.job_claim(LEASE, None).await.unwrap().is_none());
    let view = ground.job_view(&claim.id).await.unwrap();
    assert_eq!(view.state, "failed");
    assert!(view.reason.contains("ended without a word"), "{}", view.reason);
}
