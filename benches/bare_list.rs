//! The floor of the list pages: the statements of `GET /v1/findings` and `GET /v1/queue` behind a bare axum handler.
//!
//! ```text
//! bare-list DATABASE PORT
//! ```
//!
//! DATABASE is `postgres://…` or the path of a `crossfoot.db`, filled by `make_findings.py`. Same statements, same
//! connections with the same settings, same JSON; no keys, no limits, no log, no headers, no checks of what is asked.
//! `lists.py` starts it, compares its pages with those of the service, and measures both.
#![expect(clippy::print_stdout, reason = "the line tells the caller that it listens")]

use std::error::Error;
use std::sync::Arc;

use axum::extract::{Query, State};
use axum::routing::get;
use axum::{Json, Router};
use serde::{Deserialize, Serialize};
use sqlx::postgres::{PgPool, PgPoolOptions};
use sqlx::sqlite::{SqliteConnectOptions, SqlitePool, SqlitePoolOptions};
use sqlx::{AssertSqlSafe, ColumnIndex, Decode, Row, Type};

/// The statement of the store around the page that `{page}` selects, in the order `{order}`, without what the answer does
/// not show.
const PAIRS: &str = "WITH page AS MATERIALIZED (SELECT f.office, f.property, f.source, f.id AS finding, f.state, f.closing,
        f.row_version, f.opened_at, f.difference_um2 AS opened_with_um2 FROM finding f {page}),
    x AS MATERIALIZED (SELECT page.*, m.state AS match_state, m.parcel_key, m.conflict,
        j.outcome, j.kind, j.measured_um2, j.recorded_um2, j.difference_um2, j.variance_ppm, j.sigma_sqft, j.z,
        j.threshold_um2, j.exceedance_ppm, j.effect_low_cents, j.effect_high_cents, j.measurement_version,
        j.record_edition, j.edition, j.standard, j.policy_version FROM page
        JOIN judgement j ON j.office = page.office AND j.property = page.property AND j.source = page.source
        JOIN property_match m ON m.office = page.office AND m.property = page.property AND m.source = page.source)
    SELECT p.id, p.reference, p.parcel, p.address, s.id, x.match_state, x.parcel_key, x.conflict, x.outcome, x.kind,
        x.measured_um2, x.recorded_um2, x.difference_um2, x.variance_ppm, x.sigma_sqft, x.z, x.threshold_um2,
        x.exceedance_ppm, x.effect_low_cents, x.effect_high_cents, x.measurement_version, x.record_edition, x.edition,
        x.standard, x.policy_version, x.finding, x.state, x.closing, x.row_version, x.opened_at
    FROM x JOIN property p ON p.office = x.office AND p.id = x.property JOIN source s ON s.number = x.source
    ORDER BY {order}";
const OFFICE: &str = "office";
/// As the store has them.
const READERS: u32 = 4;
const ROWS_BUFFERED: usize = 2048;
const SERVER_CONNECTIONS: u32 = 8;

#[derive(Clone)]
enum Database {
    Sqlite(SqlitePool),
    Postgres(PgPool),
}

enum Value {
    Int(i64),
    Text(String),
}

macro_rules! bound {
    ($query:expr, $values:expr) => {
        $values.into_iter().fold($query, |query, value| match value {
            Value::Int(value) => query.bind(value),
            Value::Text(value) => query.bind(value),
        })
    };
}

/// Runs one statement on either database and gives the rows as one type.
macro_rules! rows {
    ($database:expr, $type:ty, $sql:expr, $values:expr) => {
        match $database {
            Database::Sqlite(pool) => {
                let sql = $sql.replace("= ANY (texts(", "IN (SELECT value FROM json_each(");
                bound!(sqlx::query_as::<_, $type>(AssertSqlSafe(sql)), $values).fetch_all(pool).await
            }
            Database::Postgres(pool) => {
                bound!(sqlx::query_as::<_, $type>(AssertSqlSafe($sql)), $values).fetch_all(pool).await
            }
        }
    };
}

#[derive(Clone, Serialize)]
struct Pair {
    property: String,
    reference: String,
    parcel: String,
    address: String,
    source: String,
    edition: i64,
    #[serde(rename = "match")]
    match_state: String,
    parcel_key: String,
    conflict: String,
    outcome: String,
    kind: Option<String>,
    measured_sqft: Option<f64>,
    recorded_sqft: Option<f64>,
    difference_sqft: Option<f64>,
    variance: Option<f64>,
    sigma_sqft: Option<f64>,
    z: Option<f64>,
    threshold_sqft: Option<f64>,
    exceedance: Option<f64>,
    effect_low: Option<String>,
    effect_high: Option<String>,
    standard: String,
    policy_version: i64,
    measurement_version: i64,
    record_edition: Option<i64>,
    finding: Option<Finding>,
}

#[derive(Clone, Serialize)]
struct Finding {
    id: String,
    state: String,
    closing: Option<String>,
    row_version: i64,
    opened_at: String,
}

fn square_feet(square_micrometres: Option<i64>) -> Option<f64> {
    square_micrometres.map(|area| (area as f64 / 92_903_040_000.0 * 100.0).round() / 100.0)
}

fn share(ppm: Option<i64>) -> Option<f64> {
    ppm.map(|ppm| ppm as f64 / 1e6)
}

fn money(cents: Option<i64>) -> Option<String> {
    let sign = |cents: i64| if cents < 0 { "-" } else { "" };
    cents.map(|cents| {
        format!("{}{}.{:02}", sign(cents), cents.unsigned_abs() / 100, cents.unsigned_abs() % 100)
    })
}

impl<'r, R: Row> sqlx::FromRow<'r, R> for Pair
where
    usize: ColumnIndex<R>,
    i64: Decode<'r, R::Database> + Type<R::Database>,
    f64: Decode<'r, R::Database> + Type<R::Database>,
    String: Decode<'r, R::Database> + Type<R::Database>,
{
    fn from_row(row: &'r R) -> sqlx::Result<Pair> {
        let area = |at: usize| Ok::<_, sqlx::Error>(square_feet(row.try_get(at)?));
        let finding = match row.try_get::<Option<String>, _>(25)? {
            None => None,
            Some(id) => Some(Finding {
                id,
                state: row.try_get(26)?,
                closing: row.try_get(27)?,
                row_version: row.try_get(28)?,
                opened_at: jiff::Timestamp::from_microsecond(row.try_get(29)?)
                    .map(|time| time.to_string())
                    .unwrap_or_default(),
            }),
        };
        Ok(Pair {
            property: row.try_get(0)?,
            reference: row.try_get(1)?,
            parcel: row.try_get(2)?,
            address: row.try_get(3)?,
            source: row.try_get(4)?,
            match_state: row.try_get(5)?,
            parcel_key: row.try_get(6)?,
            conflict: row.try_get(7)?,
            outcome: row.try_get(8)?,
            kind: row.try_get(9)?,
            measured_sqft: area(10)?,
            recorded_sqft: area(11)?,
            difference_sqft: area(12)?,
            variance: share(row.try_get(13)?),
            sigma_sqft: row.try_get(14)?,
            z: row.try_get(15)?,
            threshold_sqft: area(16)?,
            exceedance: share(row.try_get(17)?),
            effect_low: money(row.try_get(18)?),
            effect_high: money(row.try_get(19)?),
            measurement_version: row.try_get(20)?,
            record_edition: row.try_get(21)?,
            edition: row.try_get(22)?,
            standard: row.try_get(23)?,
            policy_version: row.try_get(24)?,
            finding,
        })
    }
}

#[derive(Deserialize)]
struct Asked {
    #[serde(default)]
    after: String,
    state: Option<String>,
    source: Option<i64>,
    variance_ppm_min: Option<i64>,
    limit: i64,
}

#[derive(Serialize)]
struct Page<T> {
    items: Vec<T>,
}

type Answer<T> = Result<Json<Page<T>>, String>;

async fn findings(State(database): State<Arc<Database>>, Query(asked): Query<Asked>) -> Answer<Pair> {
    let mut values = vec![Value::Text(OFFICE.to_owned()), Value::Text(asked.after)];
    let mut tests = String::new();
    let filters = [
        ("f.state = ", asked.state.map(Value::Text)),
        ("f.source = ", asked.source.map(Value::Int)),
        ("abs(f.variance_ppm) >= ", asked.variance_ppm_min.map(Value::Int)),
    ];
    for (test, value) in filters {
        if let Some(value) = value {
            values.push(value);
            tests.push_str(&format!(" AND {test}${}", values.len()));
        }
    }
    values.push(Value::Int(asked.limit));
    let page = format!("WHERE f.office = $1 AND f.id > $2{tests} ORDER BY f.id LIMIT ${}", values.len());
    let sql = PAIRS.replace("{page}", &page).replace("{order}", "x.finding");
    let items = rows!(&*database, Pair, sql, values).map_err(|error| error.to_string())?;
    Ok(Json(Page { items }))
}

#[derive(Deserialize)]
struct Place {
    #[serde(default = "before_all")]
    tier: i64,
    #[serde(default)]
    rank_key: i64,
    #[serde(default)]
    property: String,
    limit: i64,
}

fn before_all() -> i64 {
    -1
}

#[derive(Serialize)]
struct Queued {
    property: String,
    reference: String,
    findings: Vec<Pair>,
}

async fn queue(State(database): State<Arc<Database>>, Query(place): Query<Place>) -> Answer<Queued> {
    let sql = "SELECT tier, rank_key, property FROM (
                   SELECT tier, rank_key, property FROM queue_entry
                   WHERE office = $1 AND tier = $2 AND rank_key <= $3 AND (rank_key < $3 OR property > $4)
                   ORDER BY rank_key DESC, property LIMIT $5) AS same_tier
               UNION ALL SELECT tier, rank_key, property FROM (
                   SELECT tier, rank_key, property FROM queue_entry WHERE office = $1 AND tier > $2
                   ORDER BY tier, rank_key DESC, property LIMIT $5) AS later_tiers
               ORDER BY 1, 2 DESC, 3 LIMIT $5"
        .to_owned();
    let values = vec![
        Value::Text(OFFICE.to_owned()),
        Value::Int(place.tier),
        Value::Int(place.rank_key),
        Value::Text(place.property),
        Value::Int(place.limit),
    ];
    let entries: Vec<(i64, i64, String)> =
        rows!(&*database, (i64, i64, String), sql, values).map_err(|error| error.to_string())?;
    let names =
        serde_json::Value::from_iter(entries.iter().map(|(_, _, property)| property.as_str())).to_string();
    let page = "WHERE f.office = $1 AND coalesce(f.state, '') = 'open' AND f.property = ANY (texts($2))";
    let sql = PAIRS.replace("{page}", page).replace("{order}", "abs(x.opened_with_um2) DESC, s.id");
    let values = vec![Value::Text(OFFICE.to_owned()), Value::Text(names)];
    let pairs: Vec<Pair> = rows!(&*database, Pair, sql, values).map_err(|error| error.to_string())?;
    let items = entries.into_iter().map(|(_, _, property)| {
        let findings: Vec<Pair> = pairs.iter().filter(|pair| pair.property == property).cloned().collect();
        let reference = findings.first().map(|pair| pair.reference.clone()).unwrap_or_default();
        Queued { property, reference, findings }
    });
    Ok(Json(Page { items: items.collect() }))
}

async fn open(name: &str) -> sqlx::Result<Database> {
    if name.starts_with("postgres://") {
        let plans = "SET plan_cache_mode = force_custom_plan";
        let pool =
            PgPoolOptions::new().max_connections(SERVER_CONNECTIONS).after_connect(move |connection, _| {
                Box::pin(async move { sqlx::query(plans).execute(connection).await.map(|_| ()) })
            });
        return Ok(Database::Postgres(pool.connect(name).await?));
    }
    let options = SqliteConnectOptions::new()
        .filename(name)
        .read_only(true)
        .row_buffer_size(ROWS_BUFFERED)
        .pragma("cache_size", "-16384");
    Ok(Database::Sqlite(SqlitePoolOptions::new().max_connections(READERS).connect_with(options).await?))
}

#[tokio::main]
async fn main() -> Result<(), Box<dyn Error>> {
    let mut words = std::env::args().skip(1);
    let (Some(name), Some(port)) = (words.next(), words.next()) else {
        return Err("bare-list DATABASE PORT".into());
    };
    let database = Arc::new(open(&name).await?);
    let router =
        Router::new().route("/findings", get(findings)).route("/queue", get(queue)).with_state(database);
    let listener = tokio::net::TcpListener::bind(("127.0.0.1", port.parse()?)).await?;
    println!("bare-list listens on http://{}", listener.local_addr()?);
    axum::serve(listener, router).await?;
    Ok(())
}
