//! One conformance suite for the store: every behaviour runs on SQLite and on PostgreSQL, each on a fresh database.
#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "a test stops at the first surprise")]

#[path = "store/ground.rs"]
mod ground;

/// Lists behaviours; each becomes a test on either database.
macro_rules! on_both_databases {
    ($($behaviour:ident),+ $(,)?) => {
        mod sqlite {
            $(#[tokio::test(flavor = "multi_thread")]
            async fn $behaviour() {
                super::$behaviour(&crate::ground::Ground::sqlite().await).await;
            })+
        }
        mod postgres {
            $(#[tokio::test(flavor = "multi_thread")]
            async fn $behaviour() {
                super::$behaviour(&crate::ground::Ground::postgres().await).await;
            })+
        }
    };
}

#[path = "store/bucket.rs"]
mod bucket;
#[path = "store/compare.rs"]
mod compare;
#[path = "store/editions.rs"]
mod editions;
#[path = "store/first_edition.rs"]
mod first_edition;
#[path = "store/identifiers.rs"]
mod identifiers;
#[path = "store/jobs.rs"]
mod jobs;
#[path = "store/jurisdictions.rs"]
mod jurisdictions;
#[path = "store/keeping.rs"]
mod keeping;
#[path = "store/later_edition.rs"]
mod later_edition;
#[path = "store/leases.rs"]
mod leases;
#[path = "store/limits.rs"]
mod limits;
#[path = "store/line_index.rs"]
mod line_index;
#[path = "store/measurements.rs"]
mod measurements;
#[path = "store/mends.rs"]
mod mends;
#[path = "store/offices.rs"]
mod offices;
#[path = "store/originals.rs"]
mod originals;
#[path = "store/people.rs"]
mod people;
#[path = "store/policies.rs"]
mod policies;
#[path = "store/queue.rs"]
mod queue;
#[path = "store/runs.rs"]
mod runs;
#[path = "store/schema.rs"]
mod schema;
#[path = "store/sets.rs"]
mod sets;
#[path = "store/sources.rs"]
mod sources;
#[path = "store/standards.rs"]
mod standards;
#[path = "store/texts.rs"]
mod texts;
#[path = "store/totals.rs"]
mod totals;
