//! Limits of a source, and what is overdue.

use crossfoot_roll::check::DefinitionLimits;
use crossfoot_store::StoreError;
use crossfoot_store::limits::{DAY_US, Limits};

use crate::ground::{Ground, reviewer};

on_both_databases! {
    limits_have_their_usual_values_until_they_are_set,
    a_source_is_told_to_be_overdue_once_for_each_edition,
}

async fn limits_have_their_usual_values_until_they_are_set(ground: &Ground) {
    let source = ground.roll("roll", &[("A", 1000)]).await;
    assert_eq!(ground.limits(source.number).await.unwrap(), Limits::default());
    let limits = Limits {
        shrink_share: 0.2,
        header_columns: 3,
        every_days: Some(30),
        definition_records: 20,
        definition_share: 0.1,
        ..Limits::default()
    };
    ground.limits_keep(&source, &limits, &reviewer()).await.unwrap();
    assert_eq!(ground.limits(source.number).await.unwrap(), limits);
    // a document of a version that knew fewer words
    ground.execute("UPDATE source_limits SET document = '{\"median_share\":0.5}'").await.unwrap();
    let kept = ground.limits(source.number).await.unwrap();
    assert_eq!(kept, Limits { median_share: 0.5, ..Limits::default() });
    // what was in force before a source could say otherwise
    assert_eq!(Limits::default().definition(), DefinitionLimits::default());
    for wrong in [
        Limits { shrink_share: 1.5, ..Limits::default() },
        Limits { median_share: f64::NAN, ..Limits::default() },
        Limits { definition_share: -0.01, ..Limits::default() },
        Limits { definition_records: 0, ..Limits::default() },
        Limits { header_columns: -1, ..Limits::default() },
        Limits { every_days: Some(0), ..Limits::default() },
    ] {
        let refused = ground.limits_keep(&source, &wrong, &reviewer()).await;
        assert!(matches!(refused, Err(StoreError::Settings(_))), "{wrong:?}");
    }
}

async fn a_source_is_told_to_be_overdue_once_for_each_edition(ground: &Ground) {
    let source = ground.roll("roll", &[("A", 1000)]).await;
    let limits = Limits { every_days: Some(30), tolerance_days: 5, ..Limits::default() };
    ground.limits_keep(&source, &limits, &reviewer()).await.unwrap();
    let tell = async || ground.overdue_to_tell(|_| "it is overdue".to_owned()).await.unwrap().len();
    assert_eq!(tell().await, 0);
    let received = async |days: i64| {
        let at = ground.clock_us().await.unwrap() - days * DAY_US;
        ground.execute(&format!("UPDATE edition SET received_at = {at}")).await.unwrap();
    };
    received(34).await;
    assert!(!ground.expected_editions().await.unwrap()[0].overdue, "within the tolerance");
    received(36).await;
    let expected = ground.expected_editions().await.unwrap();
    assert!(expected[0].overdue && expected[0].due_at - expected[0].last_at == 30 * DAY_US);
    assert_eq!((tell().await, tell().await), (1, 0));
    assert_eq!(
        ground.rows("SELECT kind || ': ' || detail FROM notice").await,
        ["source_overdue: it is overdue"]
    );
    // another edition came, and again none after it
    received(40).await;
    assert_eq!((tell().await, tell().await), (1, 0));
}
