//! What people decide and settle, and what is taken once however many ask.

use crossfoot_audit::judge::transition::State;
use crossfoot_store::finding::{Decided, Decision, FindingFilter};
use crossfoot_store::idempotency::{KEPT_US, Known, RUNNING_US};
use crossfoot_store::office::Role;
use crossfoot_store::schedule::{Schedule, ScheduleKind};
use crossfoot_store::settle::Verdict;
use crossfoot_store::source::Source;
use crossfoot_store::{Store, StoreError};

use crate::ground::{Ground, OFFICE, OTHER_OFFICE, recorded, reviewer};

on_both_databases! {
    a_decision_is_taken_once_for_the_row_version_that_was_seen,
    a_decision_leaves_the_queue_and_stays_in_the_history,
    nobody_closes_a_finding_or_decides_about_a_closed_one,
    of_decisions_at_the_same_moment_one_is_taken,
    a_decision_is_bound_to_the_judgement_that_was_seen,
    findings_are_listed_by_what_is_asked_for,
    what_was_settled_puts_the_pair_up_and_is_told_with_it,
    of_processes_that_see_a_due_schedule_one_takes_it,
    a_request_with_a_known_key_is_not_run_again,
    a_request_whose_process_died_may_run_again_after_a_minute,
    a_key_or_session_that_ended_lets_nobody_in,
    a_key_that_another_process_ends_lets_nobody_in_after_a_second,
}

fn to(state: State) -> Decision {
    Decision {
        state,
        seen: None,
        note: Some("looked".to_owned()),
        filed_on: None,
        case_number: None,
        hearing_on: None,
        outcome: None,
    }
}

/// Two houses with open findings; gives the source and the finding of the first.
async fn open(ground: &Ground) -> (Source, String) {
    let source = ground.roll("roll", &[("A", 2000)]).await;
    ground.houses(OFFICE, &[("H1", "A", ""), ("H2", "B", "")]).await;
    ground.judge_all(OFFICE, &source, &|p| recorded(if p.parcel == "A" { 2000 } else { 2800 })).await;
    let property = ground.property_by_reference(OFFICE, "H1").await.unwrap();
    let pair = ground.pairs_of_property(OFFICE, &property).await.unwrap().remove(0);
    (source, pair.finding.unwrap().id)
}

async fn decide(ground: &Ground, finding: &str, version: i64, state: State) -> Decided {
    ground.finding_decide(OFFICE, finding, version, &to(state), &reviewer()).await.unwrap()
}

async fn a_decision_is_taken_once_for_the_row_version_that_was_seen(ground: &Ground) {
    let (_, finding) = open(ground).await;
    assert_eq!(decide(ground, &finding, 1, State::Confirmed).await, Decided::Taken(2));
    assert_eq!(decide(ground, &finding, 1, State::Cleared).await, Decided::Overtaken(2));
    assert_eq!(decide(ground, &finding, 2, State::Referred).await, Decided::Taken(3));
    let theirs = ground.finding_decide(OTHER_OFFICE, &finding, 3, &to(State::Open), &reviewer()).await;
    assert!(matches!(theirs, Err(StoreError::Missing { what: "finding", .. })), "{theirs:?}");
}

async fn a_decision_leaves_the_queue_and_stays_in_the_history(ground: &Ground) {
    let (_, finding) = open(ground).await;
    assert_eq!(ground.queue_count(OFFICE).await.unwrap(), 2);
    decide(ground, &finding, 1, State::Cleared).await;
    assert_eq!(ground.queue_count(OFFICE).await.unwrap(), 1);
    let event = ground.finding_history(OFFICE, &finding).await.unwrap().remove(1);
    assert_eq!((event.number, event.what.as_str(), event.state.as_str()), (2, "decided", "cleared"));
    assert!(event.detail.contains("looked") && event.detail.contains("Ann"), "{}", event.detail);
    let log = ground.log_page(OFFICE, "", 10).await.unwrap();
    assert_eq!((log.len(), log[0].action.as_str()), (1, "decided"));
    decide(ground, &finding, 2, State::Open).await;
    assert_eq!(ground.queue_count(OFFICE).await.unwrap(), 2);
}

async fn nobody_closes_a_finding_or_decides_about_a_closed_one(ground: &Ground) {
    let (source, finding) = open(ground).await;
    assert_eq!(decide(ground, &finding, 1, State::Closed).await, Decided::NotForPeople);
    ground
        .execute("INSERT INTO to_judge (office, source, property, stamp, cause) SELECT office, 1, id, 7, 'person' FROM property")
        .await
        .unwrap();
    ground.judge_all(OFFICE, &source, &|_| recorded(2390)).await;
    assert_eq!(decide(ground, &finding, 2, State::Confirmed).await, Decided::Closed);
    assert_eq!(ground.finding_history(OFFICE, &finding).await.unwrap().len(), 2);
}

async fn of_decisions_at_the_same_moment_one_is_taken(ground: &Ground) {
    let (_, finding) = open(ground).await;
    let tasks: Vec<_> = (0..6)
        .map(|_| {
            let (store, finding) = (Store::clone(ground), finding.clone());
            tokio::spawn(async move {
                store.finding_decide(OFFICE, &finding, 1, &to(State::Confirmed), &reviewer()).await.unwrap()
            })
        })
        .collect();
    let mut taken = 0;
    for task in tasks {
        let decided = task.await.unwrap();
        taken += i64::from(decided == Decided::Taken(2));
        assert!(matches!(decided, Decided::Taken(2) | Decided::Overtaken(2)), "{decided:?}");
    }
    assert_eq!((taken, ground.finding_history(OFFICE, &finding).await.unwrap().len()), (1, 2));
}

async fn a_decision_is_bound_to_the_judgement_that_was_seen(ground: &Ground) {
    let (source, finding) = open(ground).await;
    let put_up = "INSERT INTO to_judge (office, source, property, stamp, cause) SELECT office, 1, id, 7, 'person' FROM property";
    // a move too small to be told: the finding stays, the judgement moves
    ground.execute(put_up).await.unwrap();
    ground.judge_all(OFFICE, &source, &|_| recorded(2010)).await;
    decide(ground, &finding, 1, State::Confirmed).await;
    ground.execute(put_up).await.unwrap();
    let pending = ground.pending(OFFICE, &source).await;
    let standing = pending.iter().find_map(|p| p.finding.as_ref().filter(|f| f.id == finding)).unwrap();
    let seen = standing.standing.bound.recorded_um2.unwrap();
    assert_eq!(seen, crate::ground::sqft(2010).square_micrometres());
}

async fn findings_are_listed_by_what_is_asked_for(ground: &Ground) {
    let (source, finding) = open(ground).await;
    decide(ground, &finding, 1, State::Confirmed).await;
    let all = FindingFilter::default();
    for (filter, expected) in [
        (all.clone(), vec!["H1", "H2"]),
        (FindingFilter { state: Some(State::Open), ..all.clone() }, vec!["H2"]),
        (FindingFilter { larger: Some(true), ..all.clone() }, vec!["H1"]),
        (FindingFilter { larger: Some(false), ..all.clone() }, vec!["H2"]),
        (
            FindingFilter { source: Some(source.number), kind: Some("variance".to_owned()), ..all.clone() },
            vec!["H1", "H2"],
        ),
        (FindingFilter { source: Some(source.number + 1), ..all.clone() }, vec![]),
        // 400 of 2,000 and 400 of 2,800 square feet
        (FindingFilter { variance_ppm_min: Some(150_000), ..all.clone() }, vec!["H1"]),
        (FindingFilter { effect_cents_min: Some(1), ..all.clone() }, vec![]),
    ] {
        let mut seen: Vec<String> = Vec::new();
        let mut after = String::new();
        while let Some(pair) = ground.finding_page(OFFICE, &filter, &after, 1).await.unwrap().pop() {
            after = pair.finding.unwrap().id;
            seen.push(pair.reference);
        }
        seen.sort();
        assert_eq!(seen, expected, "{filter:?}");
        assert!(ground.finding_page(OTHER_OFFICE, &filter, "", 10).await.unwrap().is_empty());
    }
    assert_eq!(ground.finding_pair(OFFICE, &finding).await.unwrap().unwrap().reference, "H1");
    assert_eq!(ground.finding_pair(OTHER_OFFICE, &finding).await.unwrap(), None);
}

async fn what_was_settled_puts_the_pair_up_and_is_told_with_it(ground: &Ground) {
    let (source, _) = open(ground).await;
    let property = ground.property_by_reference(OFFICE, "H1").await.unwrap();
    for verdict in Verdict::ALL {
        ground.match_settle(OFFICE, &property, source.number, verdict, "seen", &reviewer()).await.unwrap();
        let pending = ground.pending(OFFICE, &source).await;
        assert_eq!((pending.len(), pending[0].settled), (1, Some((verdict, 1))));
    }
    assert_eq!(ground.queued().await.len(), 1);
    let theirs =
        ground.match_settle(OTHER_OFFICE, &property, source.number, Verdict::Same, "", &reviewer()).await;
    assert!(matches!(theirs, Err(StoreError::Missing { .. })), "{theirs:?}");
}

async fn of_processes_that_see_a_due_schedule_one_takes_it(ground: &Ground) {
    let schedule = Schedule {
        id: "nightly".to_owned(),
        office: Some(OFFICE.to_owned()),
        source: None,
        kind: ScheduleKind::Reconcile,
        cron: "0 2 * * *".to_owned(),
        time_zone: "America/Chicago".to_owned(),
        folder: String::new(),
        layout: String::new(),
        next_at: 1,
        last_at: None,
        last_result: String::new(),
    };
    assert!(ground.schedule_put(&schedule).await.unwrap());
    let theirs = Schedule { office: Some(OTHER_OFFICE.to_owned()), next_at: 2, ..schedule.clone() };
    let of_all = Schedule { office: None, next_at: 2, ..schedule.clone() };
    for other in [theirs, of_all] {
        assert!(!ground.schedule_put(&other).await.unwrap(), "the id of another office: {other:?}");
    }
    let due = ground.schedule_due().await.unwrap();
    assert_eq!(due, [schedule]);
    let next = 4_000_000_000_000_000;
    let tasks: Vec<_> = (0..6)
        .map(|_| {
            let (store, due) = (Store::clone(ground), due[0].clone());
            tokio::spawn(async move { store.schedule_take(&due, next).await.unwrap() })
        })
        .collect();
    let mut taken = 0;
    for task in tasks {
        taken += i64::from(task.await.unwrap());
    }
    assert_eq!(taken, 1);
    assert!(ground.schedule_due().await.unwrap().is_empty());
    ground.schedule_result("nightly", "3 runs").await.unwrap();
    let kept = ground.schedule_list().await.unwrap().remove(0);
    assert!(kept.last_at.is_some() && kept.next_at == next && kept.last_result == "3 runs");
    assert!(ground.schedule_remove("nightly").await.unwrap());
    assert!(!ground.schedule_remove("nightly").await.unwrap());
}

async fn a_request_with_a_known_key_is_not_run_again(ground: &Ground) {
    let take = |request: &'static str| ground.idempotency_take(OFFICE, "POST /x", "key", request);
    assert_eq!(take("one").await.unwrap(), Known::Fresh);
    assert_eq!(take("one").await.unwrap(), Known::Running);
    assert_eq!(take("two").await.unwrap(), Known::OtherRequest);
    let elsewhere = ground.idempotency_take(OTHER_OFFICE, "POST /x", "key", "one").await.unwrap();
    assert_eq!(elsewhere, Known::Fresh);
    ground.idempotency_keep(OFFICE, "POST /x", "key", 201, "made").await.unwrap();
    let answered = Known::Answered { status: 201, answer: "made".to_owned() };
    assert_eq!(take("one").await.unwrap(), answered);
    ground.idempotency_give_up(OFFICE, "POST /x", "key").await.unwrap();
    assert_eq!(take("one").await.unwrap(), answered, "an answer is kept");
    ground.idempotency_give_up(OTHER_OFFICE, "POST /x", "key").await.unwrap();
    let again = ground.idempotency_take(OTHER_OFFICE, "POST /x", "key", "two").await.unwrap();
    assert_eq!(again, Known::Fresh);
    ground.execute("UPDATE idempotency SET expires_at = 1").await.unwrap();
    assert_eq!(take("two").await.unwrap(), Known::Fresh);
}

async fn a_request_whose_process_died_may_run_again_after_a_minute(ground: &Ground) {
    let take = || ground.idempotency_take(OFFICE, "POST /x", "key", "one");
    // as if its process had last been heard of so many seconds before the lease ends
    let shorten = |seconds: i64| {
        let sql = format!("UPDATE idempotency SET expires_at = expires_at - {}", seconds * 1_000_000);
        async move { ground.execute(&sql).await.unwrap() }
    };
    let left = || async {
        let until = ground.number("SELECT expires_at FROM idempotency").await;
        until - ground.clock_us().await.unwrap()
    };
    assert_eq!(take().await.unwrap(), Known::Fresh);
    assert!((1..=RUNNING_US).contains(&left().await), "a minute, not a day: {}", left().await);
    shorten(30).await;
    assert_eq!(take().await.unwrap(), Known::Running);
    ground.idempotency_renew(OFFICE, "POST /x", "key").await.unwrap();
    assert!(left().await > RUNNING_US - 20_000_000);
    shorten(61).await;
    assert_eq!(take().await.unwrap(), Known::Fresh);
    ground.idempotency_keep(OFFICE, "POST /x", "key", 201, "made").await.unwrap();
    assert!(left().await > KEPT_US - 60_000_000, "an answer is kept for a day");
    // the one that was taken for dead comes back
    ground.idempotency_renew(OFFICE, "POST /x", "key").await.unwrap();
    ground.idempotency_keep(OFFICE, "POST /x", "key", 500, "late").await.unwrap();
    let answered = Known::Answered { status: 201, answer: "made".to_owned() };
    assert_eq!(take().await.unwrap(), answered);
    assert!(left().await > KEPT_US - 60_000_000);
}

async fn a_key_or_session_that_ended_lets_nobody_in(ground: &Ground) {
    let key = ground.key_create(Some(OFFICE), Role::Review, "Ann").await.unwrap();
    let session = ground.session_begin(&key.id, 3600).await.unwrap();
    let visitor = ground.visitor_by_session(&session).await.unwrap().unwrap();
    assert_eq!(
        (&visitor.key, visitor.role, visitor.office.as_deref()),
        (&key.id, Role::Review, Some(OFFICE))
    );
    assert_eq!(ground.visitor_by_secret(&session).await.unwrap(), None, "a session is no key");
    let short = ground.session_begin(&key.id, 0).await.unwrap();
    assert_eq!(ground.visitor_by_session(&short).await.unwrap(), None);
    ground.session_end(&session).await.unwrap();
    assert_eq!(ground.visitor_by_session(&session).await.unwrap(), None);

    let session = ground.session_begin(&key.id, 3600).await.unwrap();
    assert!(!ground.key_end(OTHER_OFFICE, &key.id).await.unwrap());
    assert!(ground.visitor_by_secret(&key.secret).await.unwrap().is_some());
    assert!(ground.key_end(OFFICE, &key.id).await.unwrap());
    assert_eq!(ground.visitor_by_secret(&key.secret).await.unwrap(), None);
    assert_eq!(ground.visitor_by_session(&session).await.unwrap(), None);
}

async fn a_key_that_another_process_ends_lets_nobody_in_after_a_second(ground: &Ground) {
    let another = ground.another().await;
    let ends = ground.key_create(Some(OFFICE), Role::Review, "Ann").await.unwrap();
    let stays = ground.key_create(Some(OFFICE), Role::Review, "Ben").await.unwrap();
    for key in [&ends, &stays] {
        assert_eq!(another.visitor_by_secret(&key.secret).await.unwrap().unwrap().key, key.id);
    }
    assert!(ground.key_end(OFFICE, &ends.id).await.unwrap());
    assert_eq!(ground.visitor_by_secret(&ends.secret).await.unwrap(), None, "where it was ended, at once");
    tokio::time::sleep(std::time::Duration::from_millis(1100)).await;
    assert_eq!(another.visitor_by_secret(&ends.secret).await.unwrap(), None);
    assert!(another.visitor_by_secret(&stays.secret).await.unwrap().is_some());
}
