//! Rules for the parcel numbers of jurisdictions: versions, layouts that follow them, and the trial on what is loaded.

use crossfoot_audit::jurisdiction::identifier::IdentifierRule;
use crossfoot_roll::layout::{Layout, RuleOrigin};
use crossfoot_store::StoreError;
use crossfoot_store::load::LoadBatch;
use crossfoot_store::source::{EditionArrival, EditionNotes};

use crate::ground::{Ground, entry, kept, layout, reviewer};

on_both_databases! {
    a_later_rule_supersedes_and_the_earlier_ones_stay,
    two_at_once_take_two_versions,
    a_layout_that_follows_takes_the_newest_rule_when_it_is_handed_in,
    without_a_rule_that_fits_nothing_is_staged,
    a_rule_that_merges_two_records_is_refused_with_the_pair,
    a_rule_that_leaves_a_number_without_key_is_refused,
    numbers_of_several_columns_are_tried_in_their_parts,
    blanks_within_a_column_are_told_from_those_between_columns,
    a_number_that_may_come_apart_in_several_ways_is_counted_and_not_judged,
    numbers_of_a_table_with_one_column_are_taken_apart_as_they_are_read,
    only_followers_of_the_jurisdiction_are_tried,
}

const COUNTY: &str = "US-IA-169";

fn rule(fields: &str) -> IdentifierRule {
    rule_of(COUNTY, fields)
}

fn rule_of(jurisdiction: &str, fields: &str) -> IdentifierRule {
    IdentifierRule::from_toml(&format!("jurisdiction = \"{jurisdiction}\"\ncitation = \"manual\"\n{fields}"))
        .unwrap()
}

fn following(id: &str, columns: &str) -> Layout {
    let toml = format!(
        "id = \"{id}\"\njurisdiction = \"{COUNTY}\"\nbasis = \"finished-above-grade\"\n\
         [parcel]\ncolumns = [{columns}]\nrule = \"jurisdiction\"\n[area]\ncolumn = \"A\"\n"
    );
    Layout::from_toml(&toml).unwrap()
}

/// Rows of published numbers with their keys, on lines from 2.
fn numbers(rows: &[(&str, &str)]) -> Vec<LoadBatch> {
    let entries = (2..).zip(rows).map(|(line, (raw, key))| {
        let mut entry = entry(line, key, Some(1000), "110");
        entry.parcel_raw = (*raw).to_owned();
        entry
    });
    vec![LoadBatch { file: 0, entries: entries.collect(), rejects: Vec::new() }]
}

async fn refused(ground: &Ground, rule: &IdentifierRule) -> String {
    let before = ground.identifier_rule_versions(&rule.jurisdiction).await.unwrap();
    let logged = ground.number("SELECT count(*) FROM audit_log").await;
    let why = match ground.identifier_rule_save(rule, &reviewer()).await {
        Err(StoreError::Conflict(why)) => why,
        other => panic!("{other:?}"),
    };
    assert_eq!(ground.identifier_rule_versions(&rule.jurisdiction).await.unwrap(), before);
    assert_eq!(ground.number("SELECT count(*) FROM audit_log").await, logged);
    why
}

async fn save(ground: &Ground, fields: &str) -> i64 {
    ground.identifier_rule_save(&rule(fields), &reviewer()).await.unwrap().version
}

async fn a_later_rule_supersedes_and_the_earlier_ones_stay(ground: &Ground) {
    assert_eq!(save(ground, "pad_left = [8]\n").await, 1);
    let again = ground.identifier_rule_save(&rule("pad_left = [8]\n"), &reviewer()).await.unwrap();
    assert_eq!((again.version, again.known), (1, true), "the same again is no version");
    assert_eq!(save(ground, "pad_left = [9]\n").await, 2);
    assert_eq!(save(ground, "pad_left = [8]\n").await, 3, "back to what it was is one");
    ground.identifier_rule_save(&rule_of("other", ""), &reviewer()).await.unwrap();
    let versions = ground.identifier_rule_versions(COUNTY).await.unwrap();
    let told: Vec<_> = versions.iter().map(|kept| (kept.version, kept.rule.pad_left[0])).collect();
    assert_eq!(told, [(3, 8), (2, 9), (1, 8)]);
    assert_eq!((versions[0].actor.as_str(), versions[0].label.as_str()), ("k", "Ann"));
    let newest = ground.identifier_rules("").await.unwrap();
    let newest: Vec<_> = newest.iter().map(|kept| (kept.rule.jurisdiction.as_str(), kept.version)).collect();
    assert_eq!(newest, [(COUNTY, 3), ("other", 1)]);
    let sql =
        "SELECT subject || ' ' || detail FROM audit_log WHERE action = 'identifier_rule_saved' ORDER BY id";
    assert_eq!(ground.rows(sql).await[1], "jurisdiction US-IA-169 version 2");
}

async fn two_at_once_take_two_versions(ground: &Ground) {
    let other = ground.another().await;
    let (one, two, visitor) = (rule("pad_left = [8]\n"), rule("pad_left = [9]\n"), reviewer());
    let (a, b) =
        tokio::join!(ground.identifier_rule_save(&one, &visitor), other.identifier_rule_save(&two, &visitor));
    let mut versions = [a.unwrap().version, b.unwrap().version];
    versions.sort_unstable();
    assert_eq!(versions, [1, 2]);
}

async fn a_layout_that_follows_takes_the_newest_rule_when_it_is_handed_in(ground: &Ground) {
    save(ground, "pad_left = [8]\nstrip = \"-\"\n").await;
    let follows = following("a", "\"P\"");
    let (source, first) = ground.take("a", &follows, "one", numbers(&[("12-3", "00000123")])).await;
    assert_eq!(first.counts.records_new, 1);
    let before = ground.edition(source.number, 1).await.unwrap().layout;
    assert_eq!(before.parcel.rule, Some(RuleOrigin::Version(1)));
    assert_eq!((before.parcel.pad_left.as_slice(), before.parcel.strip.as_str()), (&[8][..], "-"));
    let again =
        ground.edition_stage(&source, &follows, &[kept("one")], &EditionNotes::default()).await.unwrap();
    assert!(matches!(again, EditionArrival::Known { edition: 1, .. }), "{again:?}");
    let arrival =
        ground.identifier_rule_save(&rule("pad_left = [9]\nstrip = \"-\"\n"), &reviewer()).await.unwrap();
    assert_eq!((arrival.version, arrival.tried), (2, 1));
    assert_eq!(arrival.loaded_before, ["a"], "what is loaded is told");
    assert_eq!(ground.edition(source.number, 1).await.unwrap().layout, before, "and stays as it is");
    // the kept layout names version 1: handed in with it, the same bytes are read by version 2
    let (_, edition, _) = ground.staged("a", &before, "one").await;
    let after = ground.edition(source.number, edition).await.unwrap().layout;
    assert_eq!(
        (after.parcel.rule, after.parcel.pad_left.as_slice()),
        (Some(RuleOrigin::Version(2)), &[9][..])
    );
    assert_ne!(after.version(), before.version());
    // a layout with a rule of its own is left alone
    let own = layout("own");
    assert_eq!(ground.layout_resolved(&own).await.unwrap(), own);
}

async fn without_a_rule_that_fits_nothing_is_staged(ground: &Ground) {
    let follows = following("a", "\"P\"");
    let source = ground.source_ensure("a", &follows).await.unwrap();
    let stage = async || match ground
        .edition_stage(&source, &follows, &[kept("one")], &EditionNotes::default())
        .await
    {
        Err(StoreError::Conflict(why)) => why,
        other => panic!("{other:?}"),
    };
    assert!(stage().await.contains("crossfoot jurisdiction rule FILE"));
    save(ground, "pad_left = [6, 4]\n").await;
    let why = stage().await;
    assert!(why.contains("has 2 widths, and [parcel] of the layout 1 columns"), "{why}");
    assert_eq!(ground.number("SELECT count(*) FROM edition").await, 0);
}

async fn a_rule_that_merges_two_records_is_refused_with_the_pair(ground: &Ground) {
    save(ground, "strip = \"\"\n").await;
    let follows = following("a", "\"P\"");
    let first = [("1-23", "1-23"), ("4-5", "4-5"), ("12-3", "12-3")];
    ground.take("a", &follows, "one", numbers(&first)).await;
    let strips = rule("strip = \"-\"\n");
    let why = refused(ground, &strips).await;
    assert!(
        why.starts_with(
            "a: the parcel numbers \"1-23\" (line 2) and \"12-3\" (line 4) would both become \"123\""
        ),
        "{why}"
    );
    // the base and a change: one of the pair ended, another came
    let second = [("4-5", "4-5"), ("1-23", "1-23"), ("45", "45")];
    ground.take("a", &follows, "two", numbers(&second)).await;
    let why = refused(ground, &strips).await;
    assert!(why.contains("\"4-5\" (line 3) and \"45\" (line 4) would both become \"45\""), "{why}");
    // a record that ended is not tried
    let third = [("4-5", "4-5"), ("1-23", "1-23")];
    ground.take("a", &follows, "three", numbers(&third)).await;
    let arrival = ground.identifier_rule_save(&strips, &reviewer()).await.unwrap();
    assert_eq!((arrival.version, arrival.tried), (2, 2));
}

async fn a_rule_that_leaves_a_number_without_key_is_refused(ground: &Ground) {
    save(ground, "").await;
    ground.take("a", &following("a", "\"P\""), "one", numbers(&[("12", "12"), ("34X", "34X")])).await;
    let why = refused(ground, &rule("pattern = \"^[0-9]+$\"\n")).await;
    assert!(why.contains("a: the parcel number \"34X\" (line 3) would have no key"), "{why}");
    assert!(why.contains("\"34X\" does not match the pattern"), "{why}");
    let why = refused(ground, &rule("pad_left = [2]\n")).await;
    assert!(why.contains("\"34X\" is longer than 2"), "{why}");
    let why = refused(ground, &rule("pad_left = [2, 2]\n")).await;
    assert!(why.contains("2 widths, and the source's layout 1 columns"), "{why}");
    assert_eq!(save(ground, "pad_left = [3]\n").await, 2);
}

async fn numbers_of_several_columns_are_tried_in_their_parts(ground: &Ground) {
    save(ground, "join = \"-\"\n").await;
    let rows = [("1 23", "1-23"), ("12 3", "12-3")];
    ground.take("a", &following("a", "\"P\", \"Q\""), "one", numbers(&rows)).await;
    let why = refused(ground, &rule("")).await;
    assert!(why.contains("\"1 23\" (line 2) and \"12 3\" (line 3) would both become \"123\""), "{why}");
    assert_eq!(save(ground, "pad_left = [2, 2]\n").await, 2, "padded, the parts stay apart");
}

/// Columns `12 A` and `3` are kept as `12 A 3`: the key that was made of them says which of its blanks stood between them.
async fn blanks_within_a_column_are_told_from_those_between_columns(ground: &Ground) {
    save(ground, "join = \"-\"\n").await;
    let rows = [("12 A 3", "12A-3"), ("12 B 7", "12-B7"), ("1 2 ", "12-"), (" 9", "-9")];
    ground.take("a", &following("a", "\"P\", \"Q\""), "one", numbers(&rows)).await;
    let arrival = ground
        .identifier_rule_save(&rule("join = \"/\"\npattern = \"^12A/3|12/B7|12/|/9$\"\n"), &reviewer())
        .await;
    let arrival = arrival.unwrap();
    assert_eq!((arrival.version, arrival.tried, arrival.untried), (2, 4, 0));
    // taken apart elsewhere, the first of these two would have another key, and the pair would not show
    let rows = [("1 2 3", "12-3"), ("12 03", "12-03"), ("7 8", "7-8")];
    save(ground, "join = \"-\"\n").await;
    ground.take("a", &following("a", "\"P\", \"Q\""), "two", numbers(&rows)).await;
    let why = refused(ground, &rule("pad_left = [3, 3]\n")).await;
    let pair = "a: the parcel numbers \"1 2 3\" (line 2) and \"12 03\" (line 3) would both become \"012003\"";
    assert!(why.starts_with(pair), "{why}");
}

async fn a_number_that_may_come_apart_in_several_ways_is_counted_and_not_judged(ground: &Ground) {
    save(ground, "").await;
    // `12` and `A 3` or `12 A` and `3`: both became the key that is kept
    let rows = [("12 A 3", "12A3"), ("7 8", "78")];
    ground.take("a", &following("a", "\"P\", \"Q\""), "one", numbers(&rows)).await;
    let arrival = ground.identifier_rule_save(&rule("pad_left = [6, 4]\n"), &reviewer()).await.unwrap();
    assert_eq!((arrival.version, arrival.tried, arrival.untried), (2, 1, 1));
    // where it comes to the same either way it is tried
    let arrival = ground.identifier_rule_save(&rule("drop_tail = \"0\"\n"), &reviewer()).await.unwrap();
    assert_eq!((arrival.version, arrival.tried, arrival.untried), (3, 2, 0));
    // and refused where it has no key in any way
    let why = refused(ground, &rule("pad_left = [1, 1]\n")).await;
    assert!(why.contains("a: the parcel number \"12 A 3\" (line 2) would have no key"), "{why}");
    let why = refused(ground, &rule("pattern = \"^[0-9]+$\"\n")).await;
    assert!(why.contains("its key \"12A3\" does not match the pattern"), "{why}");
}

async fn numbers_of_a_table_with_one_column_are_taken_apart_as_they_are_read(ground: &Ground) {
    save(ground, "pad_left = [6, 4]\n").await;
    let toml = format!(
        "id = \"a\"\njurisdiction = \"{COUNTY}\"\nbasis = \"not-published\"\n\
         [parcel]\ncolumns = [\"MAJOR\", \"MINOR\"]\nrule = \"jurisdiction\"\n\
         [record]\narea = {{ field = \"living\", over = \"sum\" }}\n\
         [[table]]\nname = \"b\"\nparcel = \"PIN\"\ngrain = \"building\"\nbuilding = \"BLD\"\n\
         [[table.field]]\nname = \"living\"\nkind = \"area\"\nfrom = \"SF\"\n"
    );
    let rows = [("1600-40", "0016000040"), ("2130430120", "2130430120")];
    ground.take("a", &Layout::from_toml(&toml).unwrap(), "one", numbers(&rows)).await;
    let arrival = ground.identifier_rule_save(&rule("pad_left = [6, 5]\n"), &reviewer()).await.unwrap();
    assert_eq!((arrival.version, arrival.tried, arrival.untried), (2, 2, 0));
    let why = refused(ground, &rule("pad_left = [3, 4]\n")).await;
    assert!(why.contains("the parcel number \"1600-40\" (line 2) would have no key"), "{why}");
}

async fn only_followers_of_the_jurisdiction_are_tried(ground: &Ground) {
    save(ground, "strip = \"\"\n").await;
    let rows = [("1-23", "1-23"), ("12-3", "12-3")];
    ground.take("own", &layout("own"), "one", numbers(&rows)).await;
    let arrival = ground.identifier_rule_save(&rule("strip = \"-\"\n"), &reviewer()).await.unwrap();
    assert_eq!((arrival.version, arrival.tried, arrival.loaded_before), (2, 0, Vec::new()));
    ground.take("a", &following("a", "\"P\""), "two", numbers(&[("1-23", "123")])).await;
    let elsewhere =
        ground.identifier_rule_save(&rule_of("other", "strip = \"\"\n"), &reviewer()).await.unwrap();
    assert_eq!((elsewhere.tried, elsewhere.loaded_before), (0, Vec::new()));
}
