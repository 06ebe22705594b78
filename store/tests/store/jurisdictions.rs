//! Years of jurisdictions: the newest version counts, the earlier ones stay.

use crossfoot_audit::jurisdiction::JurisdictionYear;

use crate::ground::{Ground, reviewer};

on_both_databases! {
    a_later_document_supersedes_and_the_earlier_ones_stay,
    years_are_listed_latest_first,
    two_at_once_take_two_versions,
}

fn year(jurisdiction: &str, year: i32, rate: &str) -> JurisdictionYear {
    JurisdictionYear::from_toml(&format!(
        "jurisdiction = \"{jurisdiction}\"\nyear = {year}\n[[value]]\nkind = \"tax_rate\"\nname = \"town\"\n\
         value = \"{rate}\"\nunit = \"per_1000\"\nsource = \"levy\"\nread_on = 2026-05-02\n"
    ))
    .unwrap()
}

async fn a_later_document_supersedes_and_the_earlier_ones_stay(ground: &Ground) {
    let save = async |rate: &str| {
        ground.jurisdiction_year_save(&year("basalt", 2026, rate), &reviewer()).await.unwrap()
    };
    assert_eq!(save("9.1").await, 1);
    assert_eq!(save("9.1").await, 1, "the same again is no version");
    assert_eq!(save("9.2").await, 2);
    assert_eq!(save("9.1").await, 3, "back to what it was is one");
    let versions = ground.jurisdiction_year_versions("basalt", 2026).await.unwrap();
    let told: Vec<(i64, &str)> =
        versions.iter().map(|v| (v.version, v.year.value[0].value.as_str())).collect();
    assert_eq!(told, [(3, "9.1"), (2, "9.2"), (1, "9.1")]);
    assert_eq!((versions[0].actor.as_str(), versions[0].label.as_str()), ("k", "Ann"));
    assert_eq!(ground.jurisdiction_year_versions("basalt", 2025).await.unwrap(), []);
}

async fn years_are_listed_latest_first(ground: &Ground) {
    for (jurisdiction, at) in [("b", 2025), ("a", 2026), ("b", 2026)] {
        ground.jurisdiction_year_save(&year(jurisdiction, at, "1"), &reviewer()).await.unwrap();
    }
    ground.jurisdiction_year_save(&year("b", 2025, "2"), &reviewer()).await.unwrap();
    let list = async |of: &str| -> Vec<String> {
        let years = ground.jurisdiction_years(of).await.unwrap();
        years.iter().map(|y| format!("{} {} v{}", y.year.jurisdiction, y.year.year, y.version)).collect()
    };
    assert_eq!(list("").await, ["a 2026 v1", "b 2026 v1", "b 2025 v2"]);
    assert_eq!(list("b").await, ["b 2026 v1", "b 2025 v2"]);
    assert_eq!(list("c").await, [""; 0]);
}

async fn two_at_once_take_two_versions(ground: &Ground) {
    let other = ground.another().await;
    let (one, two) = (year("basalt", 2026, "1"), year("basalt", 2026, "2"));
    let visitor = reviewer();
    let (a, b) = tokio::join!(
        ground.jurisdiction_year_save(&one, &visitor),
        other.jurisdiction_year_save(&two, &visitor)
    );
    let mut versions = [a.unwrap(), b.unwrap()];
    versions.sort_unstable();
    assert_eq!(versions, [1, 2]);
}
