//! Files of one edition, gathered until they are complete.

use crossfoot_store::StoreError;
use crossfoot_store::edition_set::EditionSet;
use crossfoot_store::object::KeptFile;
use crossfoot_store::source::{EditionArrival, EditionNotes, RollStatus, Source};

use crate::ground::{Ground, kept, layout, reviewer};

on_both_databases! {
    a_set_is_staged_when_its_last_file_is_here_and_not_before,
    files_of_different_days_do_not_make_one_edition_unless_it_is_said,
    the_same_file_again_changes_nothing_and_another_takes_its_place,
    a_set_that_waits_too_long_is_told_and_then_expires,
}

fn file(name: &str, content: &str) -> KeptFile {
    KeptFile { name: name.to_owned(), ..kept(content) }
}

async fn begun(ground: &Ground, mixed: bool) -> (Source, EditionSet) {
    let source = ground.source_ensure("roll", &layout("roll")).await.unwrap();
    let names = ["land.csv", "buildings.csv"].map(str::to_owned);
    let notes =
        EditionNotes { roll_year: Some(2026), status: RollStatus::Certified, ..EditionNotes::default() };
    let set = ground.edition_set_begin(&source, &names, mixed, &notes, &reviewer()).await.unwrap();
    (source, set)
}

#[track_caller]
fn conflict<T: std::fmt::Debug>(result: Result<T, StoreError>, words: &str) {
    match result {
        Err(StoreError::Conflict(why)) => assert!(why.contains(words), "{why}"),
        other => panic!("{other:?}"),
    }
}

async fn a_set_is_staged_when_its_last_file_is_here_and_not_before(ground: &Ground) {
    let (source, set) = begun(ground, false).await;
    assert_eq!((set.number, set.missing()), (1, vec!["buildings.csv", "land.csv"]));
    let (layout, by) = (layout("roll"), reviewer());
    let complete = || ground.edition_set_complete(&source, 1, &layout, &by);
    ground.edition_set_put(&source, 1, &file("land.csv", "l"), "2026-01-01").await.unwrap();
    conflict(complete().await, "buildings.csv is missing");
    conflict(
        ground.edition_set_put(&source, 1, &file("sales.csv", "s"), "2026-01-01").await,
        "does not expect sales.csv",
    );
    assert_eq!(ground.edition_sets_open(&source).await.unwrap().len(), 1);
    let set = ground.edition_set_put(&source, 1, &file("buildings.csv", "b"), "2026-01-01").await.unwrap();
    assert!(set.missing().is_empty());
    let EditionArrival::Staged { edition, .. } = complete().await.unwrap() else { panic!() };
    let kept = ground.edition(source.number, edition).await.unwrap();
    let names: Vec<&str> = kept.files.iter().map(|file| file.name.as_str()).collect();
    assert_eq!(names, ["buildings.csv", "land.csv"]);
    assert_eq!(
        (kept.roll_year, kept.status.as_str(), kept.as_of.as_str()),
        (Some(2026), "certified", "2026-01-01")
    );
    // said again it says the same, and nothing more comes in
    let again = complete().await.unwrap();
    assert_eq!(again, EditionArrival::Known { edition, state: "staged".to_owned() });
    conflict(ground.edition_set_put(&source, 1, &file("land.csv", "l"), "").await, "set 1 is complete");
    assert!(ground.edition_sets_open(&source).await.unwrap().is_empty());
}

async fn files_of_different_days_do_not_make_one_edition_unless_it_is_said(ground: &Ground) {
    let (source, _) = begun(ground, false).await;
    ground.edition_set_put(&source, 1, &file("land.csv", "l"), "2026-01-01").await.unwrap();
    for day in ["2025-01-01", ""] {
        let other = ground.edition_set_put(&source, 1, &file("buildings.csv", "b"), day).await;
        conflict(other, "land.csv is of another day (2026-01-01)");
    }
    let (_, mixed) = begun(ground, true).await;
    ground.edition_set_put(&source, mixed.number, &file("land.csv", "l"), "2026-01-01").await.unwrap();
    let set = ground
        .edition_set_put(&source, mixed.number, &file("buildings.csv", "b"), "2025-01-01")
        .await
        .unwrap();
    assert!(set.missing().is_empty());
    ground.edition_set_give_up(&source, 1, &reviewer()).await.unwrap();
    conflict(ground.edition_set_give_up(&source, 1, &reviewer()).await, "given up");
}

async fn the_same_file_again_changes_nothing_and_another_takes_its_place(ground: &Ground) {
    let (source, _) = begun(ground, false).await;
    let once = ground.edition_set_put(&source, 1, &file("land.csv", "l"), "").await.unwrap();
    let twice = ground.edition_set_put(&source, 1, &file("land.csv", "l"), "").await.unwrap();
    assert_eq!(once.files, twice.files);
    // alone in the set it may be of another day
    let other = ground.edition_set_put(&source, 1, &file("land.csv", "m"), "2026-01-01").await.unwrap();
    assert_eq!(other.files, [(file("land.csv", "m"), "2026-01-01".to_owned())]);
    let twice = ["a".to_owned(), "a".to_owned()];
    for names in [&twice[..], &[]] {
        let begun =
            ground.edition_set_begin(&source, names, false, &EditionNotes::default(), &reviewer()).await;
        assert!(matches!(begun, Err(StoreError::Settings(_))), "{begun:?}");
    }
}

async fn a_set_that_waits_too_long_is_told_and_then_expires(ground: &Ground) {
    let (source, _) = begun(ground, false).await;
    assert_eq!(ground.edition_sets_tend().await.unwrap(), 0);
    ground.execute("UPDATE edition_set SET due_at = 1").await.unwrap();
    assert!(ground.edition_set(&source, 1).await.unwrap().overdue);
    assert_eq!(
        [ground.edition_sets_tend().await.unwrap(), ground.edition_sets_tend().await.unwrap()],
        [1, 0]
    );
    ground.execute("UPDATE edition_set SET expires_at = 1").await.unwrap();
    assert_eq!(ground.edition_sets_tend().await.unwrap(), 1);
    assert_eq!(ground.edition_set(&source, 1).await.unwrap().state, "expired");
    let told = ground.rows("SELECT kind FROM notice ORDER BY id").await;
    assert_eq!(told, ["set_overdue", "set_expired"]);
}
