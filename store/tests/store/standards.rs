//! Definitions of floor area of an office's own, in versions.

use crossfoot_audit::standard::Standard;
use crossfoot_roll::layout::Layout;
use crossfoot_store::run::Applied;
use crossfoot_store::standard::versioned_name;

use crate::ground::{Ground, OFFICE, OTHER_OFFICE, batch, judged, layout, recorded};

on_both_databases! {
    a_definition_is_kept_in_versions_and_the_same_is_not_saved_again,
    the_newest_of_each_is_listed_for_its_office_alone,
    a_new_version_puts_up_what_is_judged_by_it_and_nothing_else,
    a_run_by_an_older_version_begins_again,
    a_run_begun_before_a_definition_existed_begins_again,
}

const OWN: &str = "town-living-area";

fn own(title: &str) -> Standard {
    Standard::from_toml(&format!(
        "id = \"{OWN}\"\ntitle = \"{title}\"\npublisher = \"the town\"\nedition = \"\"\nsource = \"a letter\"\n\
         measured_to = \"outside\"\n[[rule]]\nid = \"all\"\nverdict = \"counted\"\nbecause = \"as written\"\n"
    ))
    .unwrap()
}

fn layout_by(basis: &str) -> Layout {
    Layout { basis: basis.to_owned(), ..layout("own") }
}

async fn a_definition_is_kept_in_versions_and_the_same_is_not_saved_again(ground: &Ground) {
    assert_eq!(ground.standard_in_force(OFFICE, OWN).await.unwrap(), None);
    for (title, version) in [("one", 1), ("one", 1), ("two", 2), ("one", 3)] {
        assert_eq!(ground.standard_save(OFFICE, &own(title)).await.unwrap(), version);
    }
    for (version, title) in [(1, "one"), (2, "two"), (3, "one")] {
        let read = ground.standard_of_version(OFFICE, OWN, version).await.unwrap().unwrap();
        assert_eq!((read.version, read.standard), (version, own(title)));
    }
    assert_eq!(ground.standard_in_force(OFFICE, OWN).await.unwrap().unwrap().version, 3);
    assert_eq!(ground.standard_of_version(OFFICE, OWN, 4).await.unwrap(), None);
}

async fn the_newest_of_each_is_listed_for_its_office_alone(ground: &Ground) {
    let other = Standard { id: "a-first".to_owned(), ..own("other") };
    for standard in [own("one"), own("two"), other.clone()] {
        ground.standard_save(OFFICE, &standard).await.unwrap();
    }
    let list = ground.standard_list(OFFICE).await.unwrap();
    let list: Vec<_> = list.into_iter().map(|own| (own.version, own.standard)).collect();
    assert_eq!(list, [(1, other), (2, own("two"))]);
    assert!(ground.standard_list(OTHER_OFFICE).await.unwrap().is_empty());
    assert_eq!(ground.standard_in_force(OTHER_OFFICE, OWN).await.unwrap(), None);
}

async fn a_new_version_puts_up_what_is_judged_by_it_and_nothing_else(ground: &Ground) {
    let other = ground.roll("other", &[("A", 2000)]).await;
    let by_own = ground.take("own", &layout_by(OWN), "own", vec![batch(&[("A", 2000)])]).await.0;
    for office in [OFFICE, OTHER_OFFICE] {
        ground.houses(office, &[("H1", "A", "US-IA-169")]).await;
        ground.judge_all(office, &other, &|_| recorded(2390)).await;
        ground.judge_all(office, &by_own, &|_| recorded(2390)).await;
    }
    ground.standard_save(OFFICE, &own("one")).await.unwrap();
    assert_eq!(ground.to_judge(OFFICE).await, ["own|H1"]);
    assert!(ground.to_judge(OTHER_OFFICE).await.is_empty());
    assert_eq!(ground.queued().await, [format!("reconcile:{OFFICE}:{}", by_own.number)]);
    // the same again changes nothing
    ground.judge_all_by(OFFICE, &by_own, &versioned_name(OWN, 1)).await;
    assert!(ground.to_judge(OFFICE).await.is_empty());
    ground.standard_save(OFFICE, &own("one")).await.unwrap();
    assert!(ground.to_judge(OFFICE).await.is_empty());
    let names = ground.rows("SELECT standard FROM judgement ORDER BY standard").await;
    assert_eq!(names.last().unwrap(), "town-living-area@1");
}

/// Applies all pending pairs by a definition that was read earlier.
async fn applied(ground: &Ground, name: &str, meanwhile: &Standard) -> Applied {
    let source = ground.take("own", &layout_by(OWN), "own", vec![batch(&[("A", 2000)])]).await.0;
    ground.houses(OFFICE, &[("H1", "A", "")]).await;
    let (claim, mut run) = ground.begin_by(OFFICE, &source, name).await;
    ground.run_pass_brake(&claim, &mut run).await.unwrap();
    ground.standard_save(OFFICE, meanwhile).await.unwrap();
    let pending = ground.pending(OFFICE, &source).await;
    let pairs = pending.iter().map(|pending| judged(pending, recorded(2390))).collect();
    ground.run_apply(&claim, &mut run, pairs, (1, 1)).await.unwrap()
}

async fn a_run_by_an_older_version_begins_again(ground: &Ground) {
    ground.standard_save(OFFICE, &own("one")).await.unwrap();
    assert_eq!(applied(ground, &versioned_name(OWN, 1), &own("two")).await, Applied::MovedOn);
    assert_eq!(ground.to_judge(OFFICE).await, ["own|H1"]);
    assert_eq!(ground.number("SELECT count(*) FROM judgement").await, 0);
}

async fn a_run_begun_before_a_definition_existed_begins_again(ground: &Ground) {
    assert_eq!(applied(ground, OWN, &own("one")).await, Applied::MovedOn);
}
