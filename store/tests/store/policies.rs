//! Policies in versions.

use crossfoot_audit::judge::policy::Policy;

use crate::ground::{Ground, OFFICE, OTHER_OFFICE, policy, recorded};

on_both_databases! {
    an_office_without_a_policy_has_the_default_as_version_0,
    a_policy_becomes_the_next_version_and_the_same_is_not_saved_again,
    a_new_policy_puts_everything_up_to_be_judged,
    the_policy_of_a_version_can_be_read_after_later_ones,
}

async fn an_office_without_a_policy_has_the_default_as_version_0(ground: &Ground) {
    let in_force = ground.policy_in_force(OFFICE).await.unwrap();
    assert_eq!((in_force.version, in_force.policy), (0, Policy::default()));
    assert_eq!(ground.policy_save(OFFICE, &Policy::default()).await.unwrap(), 0);
    assert_eq!(ground.number("SELECT count(*) FROM policy").await, 0);
}

async fn a_policy_becomes_the_next_version_and_the_same_is_not_saved_again(ground: &Ground) {
    assert_eq!(ground.policy_save(OFFICE, &policy("one")).await.unwrap(), 1);
    assert_eq!(ground.policy_save(OFFICE, &policy("one")).await.unwrap(), 1);
    assert_eq!(ground.policy_save(OFFICE, &policy("two")).await.unwrap(), 2);
    assert_eq!(ground.policy_save(OFFICE, &policy("one")).await.unwrap(), 3);
    assert_eq!(ground.policy_in_force(OFFICE).await.unwrap().policy, policy("one"));
    assert_eq!(ground.policy_in_force(OTHER_OFFICE).await.unwrap().version, 0);
}

async fn a_new_policy_puts_everything_up_to_be_judged(ground: &Ground) {
    let near = ground.roll("near", &[("A", 2000)]).await;
    let far = ground
        .take(
            "far",
            &crate::ground::layout_in("far", "US-NE"),
            "far",
            vec![crate::ground::batch(&[("A", 1)])],
        )
        .await
        .0;
    for office in [OFFICE, OTHER_OFFICE] {
        ground.houses(office, &[("H1", "A", "US-IA-169"), ("H2", "B", "US-IA-169-7"), ("H3", "C", "")]).await;
        ground.judge_all(office, &near, &|_| recorded(2390)).await;
        ground.judge_all(office, &far, &|_| recorded(2390)).await;
    }
    assert!(ground.to_judge(OFFICE).await.is_empty());
    ground.policy_save(OFFICE, &policy("one")).await.unwrap();
    assert_eq!(ground.to_judge(OFFICE).await, ["far|H3", "near|H1", "near|H2", "near|H3"]);
    assert!(ground.to_judge(OTHER_OFFICE).await.is_empty());
    let expected = [&near, &far].map(|source| format!("reconcile:{OFFICE}:{}", source.number));
    assert_eq!(ground.queued().await, expected);
}

async fn the_policy_of_a_version_can_be_read_after_later_ones(ground: &Ground) {
    for name in ["one", "two"] {
        ground.policy_save(OFFICE, &policy(name)).await.unwrap();
    }
    for (version, expected) in [(0, Policy::default()), (1, policy("one")), (2, policy("two"))] {
        let read = ground.policy_of_version(OFFICE, version).await.unwrap();
        assert_eq!((read.version, read.policy), (version, expected));
    }
}
