//! The two schemas say the same, and every word that the program writes passes the checks.

use std::collections::BTreeMap;

use crossfoot_audit::judge::transition::{Closing, State};
use crossfoot_store::Backend;
use crossfoot_store::job::JobKind;
use crossfoot_store::office::Role;
use crossfoot_store::run::{Cause, MatchState};
use crossfoot_store::source::RollStatus;

use crate::ground::{Ground, OFFICE, layout};

on_both_databases! {
    opening_a_store_again_changes_nothing,
    every_state_and_closing_reason_of_a_finding_can_be_kept,
    every_role_cause_state_and_status_can_be_kept,
    a_word_that_is_none_of_the_program_is_refused,
}

async fn opening_a_store_again_changes_nothing(ground: &Ground) {
    let migrations = "SELECT CAST(version AS TEXT) FROM _sqlx_migrations ORDER BY version";
    let before = ground.rows(migrations).await;
    ground.roll("roll", &[("A", 1000)]).await;
    let again = ground.another().await;
    assert_eq!(ground.rows(migrations).await, before);
    assert_eq!(again.backend(), ground.backend());
    assert_eq!(again.source_by_id("roll").await.unwrap(), ground.source("roll").await);
}

/// A property and a source that findings and matches can refer to.
async fn pair(ground: &Ground) -> String {
    ground.source_ensure("roll", &layout("roll")).await.unwrap();
    ground.houses(OFFICE, &[("H1", "A", "")]).await.remove(0)
}

async fn every_state_and_closing_reason_of_a_finding_can_be_kept(ground: &Ground) {
    let property = pair(ground).await;
    let states = State::ALL.into_iter().filter(|state| *state != State::Closed).map(|state| (state, None));
    let closings = Closing::ALL.into_iter().map(|closing| (State::Closed, Some(closing)));
    for (state, closing) in states.chain(closings) {
        let closing_sql = closing.map_or("NULL".to_owned(), |closing| format!("'{}'", closing.name()));
        ground.execute("DELETE FROM finding").await.unwrap();
        ground
            .execute(&format!(
                "INSERT INTO finding (office, id, property, source, kind, state, closing, bound, difference_um2,
                                      row_version, opened_at, changed_at)
                 VALUES ('{OFFICE}', 'f', '{property}', 1, 'variance', '{}', {closing_sql}, '{{}}', 1, 1, 1, 1)",
                state.name()
            ))
            .await
            .unwrap();
        let kept = ground.rows("SELECT state || ' ' || coalesce(closing, '') FROM finding").await.remove(0);
        let (kept_state, kept_closing) = kept.split_once(' ').unwrap();
        assert_eq!((State::from_name(kept_state), Closing::from_name(kept_closing)), (Some(state), closing));
    }
}

async fn every_role_cause_state_and_status_can_be_kept(ground: &Ground) {
    let property = pair(ground).await;
    for role in Role::ALL {
        let office = (role != Role::Operator).then_some(OFFICE);
        ground.key_create(office, role, role.name()).await.unwrap();
        assert_eq!(Role::from_name(role.name()), Some(role));
    }
    let kept = ground.rows("SELECT role FROM access_key ORDER BY id").await;
    assert_eq!(kept, Role::ALL.map(|role| role.name().to_owned()));

    for cause in [Cause::Upload, Cause::Edition, Cause::Policy, Cause::Person] {
        let name = cause.name();
        let sql = format!(
            "INSERT INTO to_judge (office, source, property, stamp, cause) VALUES ('{OFFICE}', 1, '{name}', 1, '{name}')"
        );
        ground.execute(&sql).await.unwrap();
    }
    let matches = [
        MatchState::Sure,
        MatchState::Settled,
        MatchState::ToSettle,
        MatchState::Unmatched,
        MatchState::Unreadable,
    ];
    for state in matches {
        ground.execute("DELETE FROM property_match").await.unwrap();
        let sql = format!(
            "INSERT INTO property_match (office, property, source, state, how, parcel_key, conflict)
             VALUES ('{OFFICE}', '{property}', 1, '{}', 'none', 'A', '')",
            state.name()
        );
        ground.execute(&sql).await.unwrap();
    }
    for (number, status) in (1..).zip(RollStatus::ALL) {
        let sql = format!(
            "INSERT INTO edition (source, number, state, identity, layout, layout_version, status, received_at)
             VALUES (1, {number}, 'staged', '{number}', '', '', '{}', 1)",
            status.name()
        );
        ground.execute(&sql).await.unwrap();
        assert_eq!(RollStatus::from_name(status.name()), Some(status));
    }
    for kind in JobKind::ALL {
        let name = kind.name();
        let sql = format!(
            "INSERT INTO job (id, kind, payload, state, dedup_key, exclusive_key, created_at)
             VALUES ('{name}', '{name}', '{{}}', 'queued', '{name}', '{name}', 1)"
        );
        ground.execute(&sql).await.unwrap();
        assert_eq!(ground.job_view(name).await.unwrap().kind, kind);
    }
}

async fn a_word_that_is_none_of_the_program_is_refused(ground: &Ground) {
    pair(ground).await;
    for sql in [
        "INSERT INTO to_judge (office, source, property, stamp, cause) VALUES ('office-a', 1, 'p', 1, 'whim')",
        "INSERT INTO job (id, kind, payload, state, dedup_key, exclusive_key, created_at) VALUES ('j', 'dream', '{}', 'queued', 'd', 'e', 1)",
        "UPDATE access_key SET role = 'god'",
    ] {
        let made = ground.key_create(Some(OFFICE), Role::Review, "label").await;
        assert!(made.is_ok());
        let refusal = ground.execute(sql).await.unwrap_err().to_string().to_lowercase();
        assert!(refusal.contains("check constraint"), "{sql}: {refusal}");
    }
}

/// `table.column null` for every column of a database; `skip` leaves out tables that only one of the two has.
async fn columns(ground: &Ground) -> BTreeMap<String, bool> {
    let sqlite =
        "SELECT m.name || '.' || c.name || ' ' || CASE WHEN c.\"notnull\" = 0 THEN 'null' ELSE 'not null' END
                  FROM sqlite_master m JOIN pragma_table_info(m.name) c WHERE m.type = 'table'";
    let postgres = "SELECT c.table_name || '.' || c.column_name || ' ' || CASE c.is_nullable WHEN 'YES' THEN 'null' ELSE 'not null' END
                    FROM information_schema.columns c WHERE c.table_schema = current_schema()
                    AND NOT EXISTS (SELECT 1 FROM pg_class p WHERE p.relname = c.table_name AND p.relispartition)";
    let rows = match ground.backend() {
        Backend::Sqlite => {
            let mut rows = ground.rows(sqlite).await;
            rows.extend(ground.record_rows(sqlite).await);
            rows
        }
        Backend::Postgres => ground.rows(postgres).await,
    };
    rows.iter()
        // the line index of the embedded database is a file
        .filter(|row| !["_sqlx", "sqlite_", "line_block."].iter().any(|skipped| row.starts_with(skipped)))
        .map(|row| {
            let (column, null) = row.split_once(' ').unwrap();
            (column.to_owned(), null == "null")
        })
        .collect()
}

/// A number key of SQLite is an alias of the row's own and reads as nullable without saying so; ours say it.
#[tokio::test(flavor = "multi_thread")]
async fn both_schemas_have_the_same_tables_columns_and_nullability() {
    let (sqlite, postgres) = (Ground::sqlite().await, Ground::postgres().await);
    sqlite.roll("roll", &[("A", 1000)]).await;
    postgres.roll("roll", &[("A", 1000)]).await;
    let (sqlite, postgres) = (columns(&sqlite).await, columns(&postgres).await);
    assert!(sqlite.len() > 150, "{} columns", sqlite.len());
    assert_eq!(sqlite, postgres);
}

#[test]
fn migrations_share_numbers_and_names() {
    let names = |folder: &str| {
        let path = crossfoot_testbed::repository().join("migrations").join(folder);
        let mut names: Vec<_> =
            std::fs::read_dir(path).unwrap().map(|entry| entry.unwrap().file_name()).collect();
        names.sort();
        names
    };
    assert_eq!(names("sqlite"), names("postgres"));
}
