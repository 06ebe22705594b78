//! Sources and the editions that are handed in.

use crossfoot_store::StoreError;
use crossfoot_store::source::{EditionArrival, EditionNotes, RollStatus, Source};

use crate::ground::{Ground, LEASE, batch, kept, layout, load};

on_both_databases! {
    a_source_is_made_once_from_its_layout,
    new_sources_at_the_same_moment_get_numbers_of_their_own,
    the_same_files_under_the_same_layout_are_the_same_edition,
    another_layout_or_another_file_is_another_edition,
    an_edition_that_is_staged_again_has_the_same_queued_job,
    an_edition_that_is_staged_again_while_it_loads_has_the_job_that_loads_it,
    a_refused_edition_may_be_handed_in_again_as_a_new_one,
    an_edition_that_a_later_one_overtook_is_taken_as_a_new_one,
    an_edition_keeps_its_files_layout_and_notes,
    an_edition_in_use_is_listed_and_one_that_never_was_is_not,
}

async fn stage(ground: &Ground, source: &Source, layout_id: &str, files: &[&str]) -> EditionArrival {
    let files: Vec<_> = files.iter().map(|file| kept(file)).collect();
    ground.edition_stage(source, &layout(layout_id), &files, &EditionNotes::default()).await.unwrap()
}

fn number(arrival: &EditionArrival) -> i64 {
    match arrival {
        EditionArrival::Staged { edition, .. } | EditionArrival::Known { edition, .. } => *edition,
    }
}

async fn a_source_is_made_once_from_its_layout(ground: &Ground) {
    let made = ground.source_ensure("roll", &layout("first")).await.unwrap();
    assert_eq!((made.number, made.jurisdiction.as_str(), made.current_edition), (1, "US-IA-169", None));
    let again = ground.source_ensure("roll", &layout("second")).await.unwrap();
    assert_eq!(again, made);
    let other = ground.source_ensure("a-roll", &layout("first")).await.unwrap();
    assert_eq!(other.number, 2);
    assert_eq!(ground.source_list().await.unwrap(), [other, made.clone()]);
    assert_eq!(ground.source_by_number(1).await.unwrap(), made);
    for missing in [ground.source_by_id("none").await, ground.source_by_number(9).await] {
        assert!(matches!(missing, Err(StoreError::Missing { what: "source", .. })), "{missing:?}");
    }
}

async fn new_sources_at_the_same_moment_get_numbers_of_their_own(ground: &Ground) {
    let making: Vec<_> = (0..6)
        .map(|n| {
            let store = crossfoot_store::Store::clone(ground);
            let id = format!("roll-{}", n / 2);
            tokio::spawn(async move { store.source_ensure(&id, &layout("any")).await })
        })
        .collect();
    for made in making {
        made.await.unwrap().unwrap();
    }
    let mut numbers: Vec<i64> = ground.source_list().await.unwrap().iter().map(|s| s.number).collect();
    numbers.sort_unstable();
    assert_eq!(numbers, [1, 2, 3]);
}

async fn the_same_files_under_the_same_layout_are_the_same_edition(ground: &Ground) {
    let (source, edition, claim) = ground.staged("roll", &layout("roll"), "file one").await;
    let loaded = load(ground, &claim, &source, edition, vec![batch(&[("A", 1)])]).await.unwrap();
    ground.edition_make_current(&claim, &source, edition, &loaded).await.unwrap();
    let again = stage(ground, &source, "roll", &["file one"]).await;
    assert_eq!(again, EditionArrival::Known { edition: 1, state: "current".to_owned() });
    assert!(ground.queued().await.is_empty());

    // a set of files is the same in whatever order
    let pair = stage(ground, &source, "roll", &["file two", "file three"]).await;
    assert_eq!(number(&stage(ground, &source, "roll", &["file three", "file two"]).await), number(&pair));
}

async fn another_layout_or_another_file_is_another_edition(ground: &Ground) {
    let source = ground.source_ensure("roll", &layout("roll")).await.unwrap();
    let other = ground.source_ensure("other", &layout("roll")).await.unwrap();
    assert_eq!(number(&stage(ground, &source, "roll", &["one"]).await), 1);
    assert_eq!(number(&stage(ground, &source, "other layout", &["one"]).await), 2);
    assert_eq!(number(&stage(ground, &source, "roll", &["two"]).await), 3);
    assert_eq!(number(&stage(ground, &source, "roll", &["one", "two"]).await), 4);
    assert_eq!(number(&stage(ground, &other, "roll", &["one"]).await), 1);
}

async fn an_edition_that_is_staged_again_has_the_same_queued_job(ground: &Ground) {
    let source = ground.source_ensure("roll", &layout("roll")).await.unwrap();
    let first = stage(ground, &source, "roll", &["one"]).await;
    assert_eq!(stage(ground, &source, "roll", &["one"]).await, first);
    let EditionArrival::Staged { job, .. } = first else { panic!("{first:?}") };
    assert_eq!(ground.job_view(&job).await.unwrap().state, "queued");
    assert_eq!(ground.number("SELECT count(*) FROM job").await, 1);
}

async fn an_edition_that_is_staged_again_while_it_loads_has_the_job_that_loads_it(ground: &Ground) {
    let (source, edition, claim) = ground.staged("roll", &layout("roll"), "one").await;
    let arrived = EditionArrival::Staged { edition, job: claim.id.clone() };
    assert_eq!(stage(ground, &source, "roll", &["one"]).await, arrived);
    // when it failed for good, somebody else must begin anew
    ground.job_fail(&claim, "the disk is full", None).await.unwrap();
    let EditionArrival::Staged { job, .. } = stage(ground, &source, "roll", &["one"]).await else { panic!() };
    assert_ne!(job, claim.id);
    assert_eq!(ground.job_view(&job).await.unwrap().state, "queued");
}

async fn a_refused_edition_may_be_handed_in_again_as_a_new_one(ground: &Ground) {
    let (source, edition, claim) = ground.staged("roll", &layout("roll"), "one").await;
    ground.edition_refuse(&claim, source.number, edition, "the header is another").await.unwrap();
    let refused = ground.edition(source.number, edition).await.unwrap();
    assert_eq!((refused.state.as_str(), refused.refusal.as_str()), ("refused", "the header is another"));
    assert_eq!(ground.job_view(&claim.id).await.unwrap().state, "done");
    assert_eq!(ground.source("roll").await.current_edition, None);
    assert_eq!(number(&stage(ground, &source, "roll", &["one"]).await), 2);
}

async fn an_edition_that_a_later_one_overtook_is_taken_as_a_new_one(ground: &Ground) {
    ground.roll("roll", &[("A", 1)]).await;
    let (_, second, claim) = ground.staged("roll", &layout("roll"), "second").await;
    ground.job_fail(&claim, "the disk is full", None).await.unwrap();
    let source = ground.take("roll", &layout("roll"), "third", vec![batch(&[("A", 3)])]).await.0;
    assert_eq!(source.current_edition, Some(3));

    let late = load(ground, &claim, &source, second, vec![batch(&[("A", 2)])]).await;
    assert!(matches!(late, Err(StoreError::Settings(_))), "{late:?}");
    let again = stage(ground, &source, "roll", &["second"]).await;
    assert_eq!(number(&again), 4);
    assert_eq!(ground.edition(source.number, second).await.unwrap().state, "refused");
    let record = ground.record_by_keys(&source, &["A".to_owned()]).await.unwrap();
    assert_eq!(record[0].area, Some(crate::ground::sqft(3)), "the edition in use is as it was");
}

async fn an_edition_keeps_its_files_layout_and_notes(ground: &Ground) {
    let source = ground.source_ensure("roll", &layout("roll")).await.unwrap();
    let files = [kept("b"), kept("a"), kept("c")];
    let notes =
        EditionNotes { roll_year: Some(2026), status: RollStatus::Certified, ..EditionNotes::default() };
    ground.edition_stage(&source, &layout("mine"), &files, &notes).await.unwrap();
    let edition = ground.edition(source.number, 1).await.unwrap();
    assert_eq!(edition.files, files, "in the order in which they were handed in");
    assert_eq!(edition.layout, layout("mine"));
    assert_eq!((edition.roll_year, edition.status.as_str()), (Some(2026), "certified"));
    assert_eq!(edition.state, "staged");
    let missing = ground.edition(source.number, 2).await;
    assert!(matches!(missing, Err(StoreError::Missing { .. })), "{missing:?}");
}

async fn an_edition_in_use_is_listed_and_one_that_never_was_is_not(ground: &Ground) {
    let source = ground.roll("roll", &[("A", 1)]).await;
    let (_, refused, claim) = ground.staged("roll", &layout("roll"), "two").await;
    ground.edition_refuse(&claim, source.number, refused, "no").await.unwrap();
    ground.take("roll", &layout("roll"), "three", vec![batch(&[("A", 3)])]).await;
    stage(ground, &source, "roll", &["four"]).await;
    assert_eq!(ground.edition_numbers(source.number).await.unwrap(), [1, 3]);
    assert_eq!(ground.edition(source.number, 1).await.unwrap().state, "past");
    let job = ground.job_claim(LEASE, None).await.unwrap().unwrap();
    assert_eq!(job.payload["edition"], 4);
}
