//! Runs: taken up again, applied batch by batch, and never over what moved meanwhile.

use crossfoot_audit::judge::transition::{Closing, Move, State};
use crossfoot_store::job::Claim;
use crossfoot_store::queue::PairView;
use crossfoot_store::run::{Applied, Run, RunCounts, RunEnd};
use crossfoot_store::settle::Verdict;
use crossfoot_store::source::Source;

use crate::ground::{
    Figures, Ground, LEASE, OFFICE, OTHER_OFFICE, STANDARD, batch, house, judged, layout, policy, recorded,
    reviewer,
};

on_both_databases! {
    a_batch_writes_match_judgement_finding_event_and_queue_entry,
    a_pair_that_does_not_matter_has_a_judgement_and_no_finding,
    what_was_put_up_again_meanwhile_still_stands_to_be_judged,
    a_second_run_with_nothing_to_judge_writes_only_its_own_row,
    a_run_is_taken_up_by_the_next_attempt_of_its_job,
    a_run_that_passed_the_brake_applies_when_it_is_taken_up,
    a_run_that_is_held_has_applied_nothing_and_can_be_released,
    nothing_is_applied_when_the_edition_moved_on,
    nothing_is_applied_when_the_policy_moved_on,
    a_run_goes_on_with_the_edition_and_policy_that_it_moved_on_to,
    a_finding_that_a_person_changed_meanwhile_is_left_for_another_round,
    a_finding_is_reopened_revised_and_closed_with_its_history,
    every_reason_of_closing_is_kept_with_the_finding,
    pairs_stand_in_the_order_of_properties_page_by_page,
    a_pending_pair_tells_what_its_judgement_needs,
    runs_are_listed_newest_first_with_their_counts,
    a_run_keeps_who_asked_for_it,
    a_large_batch_is_applied_whole,
    findings_of_two_sources_that_open_or_close_at_the_same_moment_are_all_counted,
    two_sources_applied_at_once_keep_the_queue_right,
}

const HOUSE: &str = "H1";

async fn ground_of(ground: &Ground, references: &[&str]) -> Source {
    let source = ground.roll("roll", &[("A", 2000)]).await;
    let houses: Vec<_> = references.iter().map(|reference| (*reference, *reference, "")).collect();
    ground.houses(OFFICE, &houses).await;
    source
}

async fn begin(ground: &Ground, source: &Source) -> (Claim, Run) {
    let (claim, mut run) = ground.begin(OFFICE, source).await;
    ground.run_pass_brake(&claim, &mut run).await.unwrap();
    (claim, run)
}

async fn end(ground: &Ground, claim: &Claim, run: &Run) {
    ground.run_end(claim, run, &run.counts, RunEnd::Done).await.unwrap();
}

/// Applies what is pending, every pair against the same figures.
async fn apply(ground: &Ground, source: &Source, claim: &Claim, run: &mut Run, figures: Figures) -> Applied {
    let pending = ground.pending(OFFICE, source).await;
    let pairs = pending.iter().map(|pending| judged(pending, figures)).collect();
    ground.run_apply(claim, run, pairs, (3, 9)).await.unwrap()
}

async fn put_up(ground: &Ground, source: &Source, reference: &str) {
    let property = ground.property_by_reference(OFFICE, reference).await.unwrap();
    let sql = format!(
        "INSERT INTO to_judge (office, source, property, stamp, cause) VALUES ('{OFFICE}', {}, '{property}', 7, 'person')",
        source.number
    );
    ground.execute(&sql).await.unwrap();
}

async fn pair(ground: &Ground, reference: &str) -> PairView {
    let property = ground.property_by_reference(OFFICE, reference).await.unwrap();
    ground.pairs_of_property(OFFICE, &property).await.unwrap().remove(0)
}

async fn history(ground: &Ground, reference: &str) -> Vec<(i64, String, String)> {
    let finding = pair(ground, reference).await.finding.unwrap().id;
    let events = ground.finding_history(OFFICE, &finding).await.unwrap();
    events.into_iter().map(|event| (event.number, event.what, event.state)).collect()
}

fn counts(outcome: &str) -> RunCounts {
    let mut counts = RunCounts::default();
    counts.add(outcome, None);
    counts
}

async fn a_batch_writes_match_judgement_finding_event_and_queue_entry(ground: &Ground) {
    let source = ground_of(ground, &[HOUSE]).await;
    let (claim, mut run) = begin(ground, &source).await;
    let applied = apply(ground, &source, &claim, &mut run, recorded(2000)).await;
    assert_eq!(applied, Applied::Written { left: 0 });
    assert_eq!(run.counts, RunCounts { opened: 1, ..counts("material") });
    let pair = pair(ground, HOUSE).await;
    assert_eq!((pair.match_state.as_str(), pair.outcome.as_str()), ("sure", "material"));
    let finding = pair.finding.unwrap();
    assert_eq!((finding.state.as_str(), finding.row_version), ("open", 1));
    let events = ground.finding_history(OFFICE, &finding.id).await.unwrap();
    assert_eq!((events.len(), events[0].what.as_str(), &events[0].run), (1, "opened", &run.id));
    assert!(events[0].detail.contains("difference_um2"), "{}", events[0].detail);
    assert_eq!(events[0].at, finding.opened_at);
    assert_eq!(ground.queue_count(OFFICE).await.unwrap(), 1);
    assert!(ground.to_judge(OFFICE).await.is_empty());
    let job = ground.job_view(&claim.id).await.unwrap();
    assert_eq!((job.progress, job.progress_total), (3, Some(9)));
    assert_eq!(ground.run_list(OFFICE, 1).await.unwrap()[0].counts, run.counts);
    end(ground, &claim, &run).await;
}

async fn a_pair_that_does_not_matter_has_a_judgement_and_no_finding(ground: &Ground) {
    let source = ground_of(ground, &[HOUSE]).await;
    let run = ground.judge_all(OFFICE, &source, &|_| recorded(2350)).await;
    assert_eq!(run.counts, counts("not_material"));
    assert_eq!(pair(ground, HOUSE).await.finding, None);
    assert_eq!(ground.queue_count(OFFICE).await.unwrap(), 0);
    assert_eq!(ground.pending_count(OFFICE, source.number).await.unwrap(), 0);
    assert_eq!(ground.judged_count(OFFICE, source.number).await.unwrap(), 1);
}

async fn what_was_put_up_again_meanwhile_still_stands_to_be_judged(ground: &Ground) {
    let source = ground_of(ground, &["H1", "H2"]).await;
    let (claim, mut run) = begin(ground, &source).await;
    let pending = ground.pending(OFFICE, &source).await;
    let newer = house("H2", "H2", "", "2026-05-01", 2500.0);
    ground.measurement_save(OFFICE, vec![newer]).await.unwrap();
    let pairs = pending.iter().map(|pending| judged(pending, recorded(2000))).collect();
    ground.run_apply(&claim, &mut run, pairs, (1, 1)).await.unwrap();
    assert_eq!(ground.to_judge(OFFICE).await, ["roll|H2"]);
    assert_eq!(ground.pending(OFFICE, &source).await[0].measurement_version, 2);
    end(ground, &claim, &run).await;
    assert_eq!(ground.queued().await.len(), 1, "the upload queued a run of its own");
}

async fn a_second_run_with_nothing_to_judge_writes_only_its_own_row(ground: &Ground) {
    let source = ground_of(ground, &["H1", "H2"]).await;
    ground.judge_all(OFFICE, &source, &|_| recorded(2000)).await;
    let tables = ["judgement", "finding", "finding_event", "property_match", "queue_entry", "run"];
    let mut before = Vec::new();
    for table in tables {
        before.push(ground.number(&format!("SELECT count(*) FROM {table}")).await);
    }
    ground.judge_all(OFFICE, &source, &|_| recorded(2000)).await;
    before[5] += 1;
    for (table, before) in tables.iter().zip(before) {
        assert_eq!(ground.number(&format!("SELECT count(*) FROM {table}")).await, before, "{table}");
    }
    // an unchanged pair that is judged again writes no event
    put_up(ground, &source, "H1").await;
    let run = ground.judge_all(OFFICE, &source, &|_| recorded(2000)).await;
    assert_eq!(run.counts, counts("material"));
    assert_eq!(history(ground, "H1").await.len(), 1);
    assert_eq!(pair(ground, "H1").await.finding.unwrap().row_version, 1);
}

async fn again(ground: &Ground, claim: &Claim) -> Claim {
    ground.job_fail(claim, "the database is away", Some(0)).await.unwrap();
    ground.job_claim(LEASE, Some(&claim.id)).await.unwrap().unwrap()
}

async fn a_run_is_taken_up_by_the_next_attempt_of_its_job(ground: &Ground) {
    let source = ground_of(ground, &["H1", "H2"]).await;
    let (claim, mut run) = begin(ground, &source).await;
    let first = judged(&ground.pending(OFFICE, &source).await[0], recorded(2000));
    ground.run_apply(&claim, &mut run, vec![first], (1, 2)).await.unwrap();
    let claim = again(ground, &claim).await;
    let mut taken_up = ground.run_begin(&claim, OFFICE, &source, 0, STANDARD).await.unwrap();
    assert_eq!(taken_up, run);
    apply(ground, &source, &claim, &mut taken_up, recorded(2000)).await;
    end(ground, &claim, &taken_up).await;
    let runs = ground.run_list(OFFICE, 10).await.unwrap();
    assert_eq!((runs.len(), runs[0].counts.judged(), runs[0].counts.opened), (1, 2, 2));
    assert_eq!(runs[0].state, "done");
}

async fn a_run_that_passed_the_brake_applies_when_it_is_taken_up(ground: &Ground) {
    let source = ground_of(ground, &[HOUSE]).await;
    let (claim, run) = ground.begin(OFFICE, &source).await;
    assert!(!run.applying);
    let claim = again(ground, &claim).await;
    let mut run = ground.run_begin(&claim, OFFICE, &source, 0, STANDARD).await.unwrap();
    assert!(!run.applying);
    ground.run_pass_brake(&claim, &mut run).await.unwrap();
    assert!(run.applying);
    let claim = again(ground, &claim).await;
    assert!(ground.run_begin(&claim, OFFICE, &source, 0, STANDARD).await.unwrap().applying);
    // a run that has ended is not taken up again
    end(ground, &claim, &run).await;
    let (_, next) = ground.begin(OFFICE, &source).await;
    assert_ne!(next.id, run.id);
}

async fn a_run_that_is_held_has_applied_nothing_and_can_be_released(ground: &Ground) {
    let source = ground_of(ground, &[HOUSE]).await;
    let (claim, run) = ground.begin(OFFICE, &source).await;
    let would = RunCounts { opened: 1, ..counts("material") };
    ground.run_end(&claim, &run, &would, RunEnd::Held).await.unwrap();
    let held = ground.run_list(OFFICE, 1).await.unwrap().remove(0);
    assert_eq!((held.state.as_str(), held.counts), ("held", would));
    assert_eq!(ground.to_judge(OFFICE).await, ["roll|H1"]);
    let job = ground.run_request(OFFICE, &source, true).await.unwrap();
    let claim = ground.job_claim(LEASE, Some(&job)).await.unwrap().unwrap();
    assert_eq!(
        (claim.payload["release"].as_bool(), claim.payload["cause"].as_str()),
        (Some(true), Some("person"))
    );
}

async fn moved_on(ground: &Ground, source: &Source, claim: &Claim, run: &mut Run) {
    let applied = apply(ground, source, claim, run, recorded(2000)).await;
    assert_eq!(applied, Applied::MovedOn);
    assert_eq!(run.counts, RunCounts::default());
    for table in ["judgement", "finding", "finding_event", "property_match", "queue_entry"] {
        assert_eq!(ground.number(&format!("SELECT count(*) FROM {table}")).await, 0, "{table}");
    }
    assert_eq!(ground.to_judge(OFFICE).await, ["roll|H1"]);
}

async fn nothing_is_applied_when_the_edition_moved_on(ground: &Ground) {
    let source = ground_of(ground, &[HOUSE]).await;
    let (claim, mut run) = begin(ground, &source).await;
    ground.take("roll", &layout("roll"), "second", vec![batch(&[("A", 2100)])]).await;
    moved_on(ground, &source, &claim, &mut run).await;
}

async fn nothing_is_applied_when_the_policy_moved_on(ground: &Ground) {
    let source = ground_of(ground, &[HOUSE]).await;
    let (claim, mut run) = begin(ground, &source).await;
    ground.policy_save(OTHER_OFFICE, &policy("theirs")).await.unwrap();
    ground.policy_save(OFFICE, &policy("mine")).await.unwrap();
    moved_on(ground, &source, &claim, &mut run).await;
}

async fn a_run_goes_on_with_the_edition_and_policy_that_it_moved_on_to(ground: &Ground) {
    let source = ground_of(ground, &["H1", "H2"]).await;
    let (mut claim, mut run) = begin(ground, &source).await;
    let first = judged(&ground.pending(OFFICE, &source).await[0], recorded(2000));
    ground.run_apply(&claim, &mut run, vec![first], (1, 2)).await.unwrap();
    ground.policy_save(OFFICE, &policy("new")).await.unwrap();
    assert_eq!(apply(ground, &source, &claim, &mut run, recorded(2000)).await, Applied::MovedOn);
    claim.resume.clone_from(&run.id);
    let mut goes_on = ground.run_begin(&claim, OFFICE, &source, 1, STANDARD).await.unwrap();
    assert_eq!((&goes_on.id, goes_on.policy_version, goes_on.applying), (&run.id, 1, true));
    assert_eq!(goes_on.counts, run.counts, "what was applied stands");
    let applied = apply(ground, &source, &claim, &mut goes_on, recorded(2000)).await;
    assert_eq!(applied, Applied::Written { left: 0 });
    assert_eq!(pair(ground, "H1").await.policy_version, 1);
    end(ground, &claim, &goes_on).await;
}

/// A person decides past the store.
async fn decided(ground: &Ground, reference: &str, state: State) {
    let finding = pair(ground, reference).await.finding.unwrap();
    let sql = format!(
        "UPDATE finding SET state = '{}', row_version = row_version + 1 WHERE id = '{}'",
        state.name(),
        finding.id
    );
    ground.execute(&sql).await.unwrap();
    let sql = format!(
        "INSERT INTO finding_event (office, finding, number, at, what, state, run, detail)
         VALUES ('{OFFICE}', '{}', {}, 1, 'decided', '{}', '', '{{}}')",
        finding.id,
        finding.row_version + 1,
        state.name()
    );
    ground.execute(&sql).await.unwrap();
}

async fn a_finding_that_a_person_changed_meanwhile_is_left_for_another_round(ground: &Ground) {
    let source = ground_of(ground, &["H1", "H2"]).await;
    ground.judge_all(OFFICE, &source, &|_| recorded(2000)).await;
    for house in ["H1", "H2"] {
        put_up(ground, &source, house).await;
    }
    let (claim, mut run) = begin(ground, &source).await;
    let pending = ground.pending(OFFICE, &source).await;
    decided(ground, "H1", State::Confirmed).await;
    let pairs: Vec<_> = pending.iter().map(|pending| judged(pending, recorded(2395))).collect();
    let applied = ground.run_apply(&claim, &mut run, pairs, (1, 2)).await.unwrap();
    assert_eq!(applied, Applied::Written { left: 1 });
    assert_eq!(run.counts.judged(), 1);
    assert_eq!(ground.to_judge(OFFICE).await, ["roll|H1"]);
    assert_eq!(pair(ground, "H1").await.finding.unwrap().state, "confirmed");
    assert_eq!(pair(ground, "H2").await.finding.unwrap().state, "closed");
    // the other round sees what the person did
    let applied = apply(ground, &source, &claim, &mut run, recorded(2395)).await;
    assert_eq!(applied, Applied::Written { left: 0 });
    assert_eq!(history(ground, "H1").await.last().unwrap(), &(3, "closed".to_owned(), "closed".to_owned()));
    assert!(ground.to_judge(OFFICE).await.is_empty());
}

async fn a_finding_is_reopened_revised_and_closed_with_its_history(ground: &Ground) {
    let source = ground_of(ground, &[HOUSE]).await;
    let expected = [
        (2000, "opened", "open", None),
        (2200, "revised", "open", None),
        (2390, "closed", "closed", Some("corrected")),
        (2000, "reopened", "open", None),
    ];
    for (number, (square_feet, what, state, closing)) in (1..).zip(expected) {
        if number > 1 {
            put_up(ground, &source, HOUSE).await;
        }
        ground.judge_all(OFFICE, &source, &|_| recorded(square_feet)).await;
        let finding = pair(ground, HOUSE).await.finding.unwrap();
        assert_eq!((finding.state.as_str(), finding.closing.as_deref()), (state, closing), "{what}");
        assert_eq!(finding.row_version, number);
        assert_eq!(
            history(ground, HOUSE).await.last().unwrap(),
            &(number, what.to_owned(), state.to_owned())
        );
        assert_eq!(ground.queue_count(OFFICE).await.unwrap(), i64::from(state == "open"));
    }
    decided(ground, HOUSE, State::Cleared).await;
    put_up(ground, &source, HOUSE).await;
    ground.judge_all(OFFICE, &source, &|_| recorded(1900)).await;
    let whole = history(ground, HOUSE).await;
    assert_eq!(whole.iter().map(|(number, ..)| *number).collect::<Vec<_>>(), [1, 2, 3, 4, 5, 6], "no gaps");
    assert_eq!(whole[5].1, "reopened");
    let figures = ground.rows("SELECT CAST(difference_um2 / 92903040000 AS TEXT) FROM finding").await;
    assert_eq!(figures, ["500"], "the finding shows the newest figures");
    let runs = ground.run_list(OFFICE, 10).await.unwrap();
    let sums = runs.iter().fold((0, 0, 0), |(o, r, v), run| {
        (o + run.counts.opened, r + run.counts.reopened, v + run.counts.revised)
    });
    assert_eq!(sums, (1, 2, 1));
}

async fn every_reason_of_closing_is_kept_with_the_finding(ground: &Ground) {
    let source = ground_of(ground, &[HOUSE]).await;
    ground.judge_all(OFFICE, &source, &|_| recorded(2000)).await;
    for closing in Closing::ALL {
        for what in [Move::Close(closing), Move::Reopen] {
            put_up(ground, &source, HOUSE).await;
            let (claim, mut run) = begin(ground, &source).await;
            let pending = ground.pending(OFFICE, &source).await.remove(0);
            let mut changed = judged(&pending, Figures { recorded: None, ..recorded(0) });
            let standing = pending.finding.unwrap();
            changed.change = Some(crossfoot_store::run::FindingChange {
                id: standing.id,
                row_version: standing.row_version,
                what,
                state_before: Some(standing.standing.state),
                bound: standing.standing.bound,
            });
            ground.run_apply(&claim, &mut run, vec![changed], (1, 1)).await.unwrap();
            if what == Move::Reopen {
                assert_eq!(run.counts.reopened, 1);
            } else {
                assert_eq!(run.counts.closed.get(closing.name()), Some(&1));
                let finding = pair(ground, HOUSE).await.finding.unwrap();
                assert_eq!(finding.closing.and_then(|name| Closing::from_name(&name)), Some(closing));
            }
            end(ground, &claim, &run).await;
        }
    }
    assert_eq!(history(ground, HOUSE).await.len(), 11);
}

async fn pairs_stand_in_the_order_of_properties_page_by_page(ground: &Ground) {
    let source = ground_of(ground, &["H1", "H2", "H3", "H4", "H5"]).await;
    let whole = ground.pending(OFFICE, &source).await;
    assert!(whole.is_sorted_by(|a, b| a.property < b.property) && whole.len() == 5);
    for size in [1, 2, 5] {
        let (mut seen, mut after) = (Vec::new(), String::new());
        loop {
            let page = ground.pending_page(OFFICE, source.number, &after, size).await.unwrap();
            let Some(last) = page.last() else { break };
            after.clone_from(&last.property);
            seen.extend(page);
        }
        assert_eq!(seen, whole);
    }
    assert_eq!(ground.pending_count(OFFICE, source.number).await.unwrap(), 5);
    assert_eq!(ground.judged_count(OFFICE, source.number).await.unwrap(), 0);
}

async fn a_pending_pair_tells_what_its_judgement_needs(ground: &Ground) {
    let source = ground.roll("roll", &[("A", 2000)]).await;
    let sent = house(HOUSE, "07-1", "US-IA-169", "2026-03-01", 2400.0);
    ground.measurement_save(OFFICE, vec![sent.clone()]).await.unwrap();
    let pending = ground.pending(OFFICE, &source).await.remove(0);
    assert_eq!((pending.parcel.as_str(), pending.jurisdiction.as_str()), ("07-1", "US-IA-169"));
    assert_eq!((&pending.document, pending.measurement_version), (&sent.document, 1));
    assert_eq!((pending.judged_before, &pending.finding, pending.settled), (false, &None, None));
    ground.judge_all(OFFICE, &source, &|_| recorded(2000)).await;
    put_up(ground, &source, HOUSE).await;
    let pending = ground.pending(OFFICE, &source).await.remove(0);
    let finding = pending.finding.unwrap();
    assert!(pending.judged_before);
    assert_eq!((finding.row_version, finding.standing.state), (1, State::Open));
    assert_eq!(finding.standing.bound.measurement_version, 1);
}

async fn runs_are_listed_newest_first_with_their_counts(ground: &Ground) {
    let source = ground_of(ground, &[HOUSE]).await;
    let mut ids = Vec::new();
    for _ in 0..3 {
        ids.insert(0, ground.judge_all(OFFICE, &source, &|_| recorded(2000)).await.id);
    }
    let runs = ground.run_list(OFFICE, 10).await.unwrap();
    assert_eq!(runs.iter().map(|run| run.id.clone()).collect::<Vec<_>>(), ids);
    assert_eq!(runs.iter().map(|run| run.counts.judged()).collect::<Vec<_>>(), [0, 0, 1]);
    let first = runs.last().unwrap();
    assert_eq!((first.source.as_str(), first.edition, first.policy_version), ("roll", 1, 0));
    assert_eq!((first.state.as_str(), first.cause.as_str()), ("done", "upload"));
    assert_eq!(ground.run_list(OFFICE, 2).await.unwrap().len(), 2);
}

async fn a_run_keeps_who_asked_for_it(ground: &Ground) {
    let source = ground_of(ground, &[HOUSE]).await;
    // the house arrived after the edition: an upload asked first, and whoever asks then gets that run
    let mut expected = vec!["upload"];
    let (claim, run) = ground.begin(OFFICE, &source).await;
    end(ground, &claim, &run).await;
    for cause in ["schedule", "person"] {
        let job = match cause {
            "schedule" => ground.run_request_scheduled(OFFICE, &source).await,
            _ => ground.run_request(OFFICE, &source, false).await,
        };
        // who asks for what is queued already changes nothing about it
        assert_eq!(ground.run_request(OFFICE, &source, false).await.unwrap(), *job.as_ref().unwrap());
        assert_eq!(ground.run_request_scheduled(OFFICE, &source).await.unwrap(), *job.as_ref().unwrap());
        let claim = ground.job_claim(LEASE, Some(&job.unwrap())).await.unwrap().unwrap();
        let run = ground.run_begin(&claim, OFFICE, &source, 0, STANDARD).await.unwrap();
        end(ground, &claim, &run).await;
        expected.insert(0, cause);
    }
    let runs = ground.run_list(OFFICE, 10).await.unwrap();
    assert_eq!(runs.iter().map(|run| run.cause.as_str()).collect::<Vec<_>>(), expected);
}

async fn a_large_batch_is_applied_whole(ground: &Ground) {
    let names: Vec<String> = (0..1700).map(|n| format!("H{n}")).collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let source = ground_of(ground, &names).await;
    let run = ground.judge_all(OFFICE, &source, &|_| recorded(2000)).await;
    assert_eq!((run.counts.opened, run.counts.judged()), (1700, 1700));
    assert_eq!(ground.queue_count(OFFICE).await.unwrap(), 1700);
    assert!(ground.to_judge(OFFICE).await.is_empty());
    assert_eq!(ground.queue_page(OFFICE, None, 5000).await.unwrap().len(), 1700);
}

/// The queue counts what is open: `property count` for each.
async fn counts_every_open_finding(ground: &Ground) -> Vec<String> {
    let counted = "SELECT property || ' ' || CAST(open_count AS TEXT) FROM queue_entry ORDER BY property";
    let counted = ground.rows(counted).await;
    let open = "SELECT property || ' ' || CAST(count(*) AS TEXT) FROM finding WHERE state = 'open'
                GROUP BY property ORDER BY property";
    assert_eq!(counted, ground.rows(open).await);
    counted
}

async fn findings_of_two_sources_that_open_or_close_at_the_same_moment_are_all_counted(ground: &Ground) {
    let (one, two) = (ground.roll("one", &[("A", 2000)]).await, ground.roll("two", &[("A", 2000)]).await);
    let names: Vec<String> = (0..20).map(|n| format!("H{n:02}")).collect();
    for (day, square_feet) in (1..).zip([2000, 2395, 2000, 2395, 2000, 2395]) {
        let day = format!("2026-04-{day:02}");
        let batch = names.iter().map(|name| house(name, name, "", &day, 2400.0)).collect();
        ground.measurement_save(OFFICE, batch).await.unwrap();
        let (first, mut run_of_first) = begin(ground, &one).await;
        let (second, mut run_of_second) = begin(ground, &two).await;
        tokio::join!(
            apply(ground, &one, &first, &mut run_of_first, recorded(square_feet)),
            apply(ground, &two, &second, &mut run_of_second, recorded(square_feet)),
        );
        let open = if square_feet == 2000 { 20 } else { 0 };
        assert_eq!(counts_every_open_finding(ground).await.len(), open);
        end(ground, &first, &run_of_first).await;
        end(ground, &second, &run_of_second).await;
    }
}

/// Opens and closes the findings of all houses of a source in turn; they end open.
async fn flicker(ground: &Ground, source: &Source) {
    let properties = ground.pending(OFFICE, source).await.into_iter().map(|pending| pending.property);
    let properties: Vec<String> = properties.collect();
    for (round, square_feet) in [2000, 2395, 2000, 2395, 2000].into_iter().enumerate() {
        for property in properties.iter().filter(|_| round > 0) {
            let (number, by) = (source.number, reviewer());
            ground.match_settle(OFFICE, property, number, Verdict::Same, "", &by).await.unwrap();
        }
        let (claim, mut run) = loop {
            let job = ground.run_request(OFFICE, source, false).await.unwrap();
            // an upload may hold the job that it has just asked for
            let Some(claim) = ground.job_claim(LEASE, Some(&job)).await.unwrap() else { continue };
            let run = ground.run_begin(&claim, OFFICE, source, 0, STANDARD).await.unwrap();
            break (claim, run);
        };
        for pairs in ground.pending(OFFICE, source).await.chunks(7) {
            let pairs = pairs.iter().map(|pending| judged(pending, recorded(square_feet))).collect();
            let applied = ground.run_apply(&claim, &mut run, pairs, (0, 0)).await.unwrap();
            assert_eq!(applied, Applied::Written { left: 0 });
        }
        end(ground, &claim, &run).await;
    }
}

/// The same houses measured again and again, in another order than runs take them.
async fn uploads(ground: &Ground, names: &[String]) {
    for day in 1..=8 {
        let day = format!("2026-04-{day:02}");
        let batch = names.iter().rev().map(|name| house(name, name, "", &day, 2400.0)).collect();
        ground.measurement_save(OFFICE, batch).await.unwrap();
    }
}

/// Both sources judge the same houses at the same time and count the same queue entries, while houses arrive and
/// people settle matches.
async fn two_sources_applied_at_once_keep_the_queue_right(ground: &Ground) {
    let (one, two) = (ground.roll("one", &[("A", 2000)]).await, ground.roll("two", &[("A", 2000)]).await);
    let names: Vec<String> = (0..40).map(|n| format!("H{n:02}")).collect();
    let houses: Vec<_> = names.iter().map(|name| (name.as_str(), name.as_str(), "")).collect();
    ground.houses(OFFICE, &houses).await;
    tokio::join!(flicker(ground, &one), flicker(ground, &two), uploads(ground, &names));
    let counted = counts_every_open_finding(ground).await;
    assert!(counted.iter().all(|entry| entry.ends_with(" 2")) && counted.len() == 40, "{counted:?}");
    let gaps = "SELECT finding FROM finding_event GROUP BY finding HAVING max(number) <> count(*)";
    assert!(ground.rows(gaps).await.is_empty());
}
