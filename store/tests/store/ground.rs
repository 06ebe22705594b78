//! What the behaviours stand on: a store on a fresh database, and builders of houses, rolls and judged pairs.

use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::ops::Deref;

use crossfoot_audit::area::Area;
use crossfoot_audit::document;
use crossfoot_audit::judge::policy::{Policy, Rule, Scope};
use crossfoot_audit::judge::transition::{Bound, Move, transition, transition_without_judgement};
use crossfoot_audit::judge::{Judgement, Measured, Recorded, judge};
use crossfoot_audit::money::Money;
use crossfoot_audit::standard::Spread;
use crossfoot_roll::entry::{Entry, Reason, Reject};
use crossfoot_roll::layout::Layout;
use crossfoot_store::access::Visitor;
use crossfoot_store::job::Claim;
use crossfoot_store::load::{LoadBatch, Loaded};
use crossfoot_store::measurement::NewMeasurement;
use crossfoot_store::object::{KeptFile, ObjectSettings};
use crossfoot_store::office::Role;
use crossfoot_store::run::{FindingChange, JudgedPair, MatchOutcome, MatchState, Pending, Run, RunEnd};
use crossfoot_store::source::{EditionArrival, EditionNotes, Source};
use crossfoot_store::{Store, StoreError, StoreSettings};
use sqlx::sqlite::SqliteConnectOptions;
use sqlx::{AssertSqlSafe, Connection as _};
use tempfile::TempDir;
use tokio::sync::mpsc;

pub(crate) const OFFICE: &str = "office-a";
pub(crate) const OTHER_OFFICE: &str = "office-b";
pub(crate) const LEASE: i64 = 60;

/// A store on a fresh database with two offices.
pub(crate) struct Ground {
    store: Store,
    pub(crate) settings: StoreSettings,
    _folder: TempDir,
}

impl Deref for Ground {
    type Target = Store;
    fn deref(&self) -> &Store {
        &self.store
    }
}

impl Ground {
    pub(crate) async fn sqlite() -> Ground {
        Ground::on(String::new()).await
    }

    pub(crate) async fn postgres() -> Ground {
        Ground::on(crossfoot_testbed::postgres().fresh_database("store")).await
    }

    async fn on(database_url: String) -> Ground {
        Ground::with_objects(database_url, ObjectSettings::default()).await
    }

    /// With the originals in a place of their own.
    pub(crate) async fn with_objects(database_url: String, objects: ObjectSettings) -> Ground {
        let folder = tempfile::tempdir().unwrap();
        let settings = StoreSettings { database_url, data: folder.path().join("data"), objects };
        let store = Store::open(&settings).await.unwrap();
        store.office_ensure(OFFICE, "Office A").await.unwrap();
        store.office_ensure(OTHER_OFFICE, "Office B").await.unwrap();
        Ground { store, settings, _folder: folder }
    }

    /// A second handle on the same database, as another process would have.
    pub(crate) async fn another(&self) -> Store {
        Store::open(&self.settings).await.unwrap()
    }

    /// Rows of one text column of the main database.
    pub(crate) async fn rows(&self, sql: &str) -> Vec<String> {
        self.rows_in("crossfoot.db", sql).await.unwrap()
    }

    pub(crate) async fn number(&self, sql: &str) -> i64 {
        let sql = format!("SELECT CAST(({sql}) AS TEXT)");
        self.rows(&sql).await[0].parse().unwrap()
    }

    /// Runs a statement on the main database past the store; says why it was refused.
    pub(crate) async fn execute(&self, sql: &str) -> Result<(), sqlx::Error> {
        self.rows_in("crossfoot.db", sql).await.map(|_| ())
    }

    /// Rows of one text column of a source's records, wherever they lie.
    pub(crate) async fn record_rows(&self, sql: &str) -> Vec<String> {
        let file = self.source_files().first().map_or("crossfoot.db".to_owned(), |f| format!("sources/{f}"));
        self.rows_in(&file, sql).await.unwrap()
    }

    async fn rows_in(&self, file: &str, sql: &str) -> Result<Vec<String>, sqlx::Error> {
        let sql = AssertSqlSafe(sql.to_owned());
        if self.settings.database_url.is_empty() {
            let options =
                SqliteConnectOptions::new().filename(self.settings.data.join(file)).foreign_keys(true);
            let mut connection = sqlx::SqliteConnection::connect_with(&options).await?;
            sqlx::query_scalar(sql).fetch_all(&mut connection).await
        } else {
            let mut connection = sqlx::PgConnection::connect(&self.settings.database_url).await?;
            sqlx::query_scalar(sql).fetch_all(&mut connection).await
        }
    }

    /// On a server, a connection that holds what a statement locks until it is dropped.
    pub(crate) async fn hold(&self, sql: &'static str) -> Option<sqlx::PgConnection> {
        if self.settings.database_url.is_empty() {
            return None;
        }
        let mut connection = sqlx::PgConnection::connect(&self.settings.database_url).await.unwrap();
        sqlx::query("BEGIN").execute(&mut connection).await.unwrap();
        sqlx::query(sql).execute(&mut connection).await.unwrap();
        Some(connection)
    }

    /// Files of sources, by name; none on a server.
    pub(crate) fn source_files(&self) -> Vec<String> {
        let names = std::fs::read_dir(self.settings.data.join("sources")).unwrap();
        let mut names: Vec<String> =
            names.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
        names.retain(|name| name.ends_with(".db"));
        names.sort();
        names
    }

    /// `source|property` of what stands to be judged, with references for properties.
    pub(crate) async fn to_judge(&self, office: &str) -> Vec<String> {
        let sql = format!(
            "SELECT s.id || '|' || p.reference FROM to_judge t JOIN source s ON s.number = t.source
             JOIN property p ON p.office = t.office AND p.id = t.property
             WHERE t.office = '{office}' ORDER BY s.id, p.reference"
        );
        self.rows(&sql).await
    }

    /// Jobs that are queued, but for those that pack originals: every edition has one.
    pub(crate) async fn queued(&self) -> Vec<String> {
        let sql = "SELECT dedup_key FROM job WHERE state = 'queued' AND kind <> 'keep' ORDER BY dedup_key";
        self.rows(sql).await
    }

    pub(crate) async fn source(&self, id: &str) -> Source {
        self.source_by_id(id).await.unwrap()
    }

    /// Saves houses of one square-foot figure each: reference, parcel, jurisdiction.
    pub(crate) async fn houses(&self, office: &str, houses: &[(&str, &str, &str)]) -> Vec<String> {
        let batch = houses.iter().map(|(r, p, j)| house(r, p, j, "2026-03-01", 2400.0)).collect();
        self.measurement_save(office, batch).await.unwrap().into_iter().map(|saved| saved.property).collect()
    }

    /// Stages and claims an edition of made-up files.
    pub(crate) async fn staged(&self, source: &str, layout: &Layout, file: &str) -> (Source, i64, Claim) {
        let source = self.source_ensure(source, layout).await.unwrap();
        let arrival =
            self.edition_stage(&source, layout, &[kept(file)], &EditionNotes::default()).await.unwrap();
        let EditionArrival::Staged { edition, job } = arrival else { panic!("{arrival:?}") };
        let claim = self.job_claim(LEASE, Some(&job)).await.unwrap().unwrap();
        (source, edition, claim)
    }

    /// Loads batches and puts the edition in use.
    pub(crate) async fn take(
        &self,
        source: &str,
        layout: &Layout,
        file: &str,
        batches: Vec<LoadBatch>,
    ) -> (Source, Loaded) {
        let (before, edition, claim) = self.staged(source, layout, file).await;
        let loaded = load(self, &claim, &before, edition, batches).await.unwrap();
        self.edition_make_current(&claim, &before, edition, &loaded).await.unwrap();
        (self.source(source).await, loaded)
    }

    /// A first edition of whole square feet by parcel key.
    pub(crate) async fn roll(&self, source: &str, records: &[(&str, i64)]) -> Source {
        let file = format!("{source} {records:?}");
        self.take(source, &layout(source), &file, vec![batch(records)]).await.0
    }

    /// Claims the queued run of an office and source, or asks for one, and begins it.
    pub(crate) async fn begin(&self, office: &str, source: &Source) -> (Claim, Run) {
        self.begin_by(office, source, STANDARD).await
    }

    /// The same by a definition of floor area.
    pub(crate) async fn begin_by(&self, office: &str, source: &Source, standard: &str) -> (Claim, Run) {
        let job = self.run_request(office, source, false).await.unwrap();
        let claim = self.job_claim(LEASE, Some(&job)).await.unwrap().unwrap();
        let policy = self.policy_in_force(office).await.unwrap();
        let run = self.run_begin(&claim, office, source, policy.version, standard).await.unwrap();
        (claim, run)
    }

    pub(crate) async fn pending(&self, office: &str, source: &Source) -> Vec<Pending> {
        self.pending_page(office, source.number, "", 1_000_000).await.unwrap()
    }

    /// A whole run that finds the recorded figure of every pending pair.
    pub(crate) async fn judge_all(
        &self,
        office: &str,
        source: &Source,
        recorded: &dyn Fn(&Pending) -> Figures,
    ) -> Run {
        let begun = self.begin(office, source).await;
        self.judge_begun(office, source, begun, recorded).await
    }

    /// A whole run by a definition of floor area.
    pub(crate) async fn judge_all_by(&self, office: &str, source: &Source, standard: &str) -> Run {
        let begun = self.begin_by(office, source, standard).await;
        self.judge_begun(office, source, begun, &|_| recorded(2390)).await
    }

    async fn judge_begun(
        &self,
        office: &str,
        source: &Source,
        (claim, mut run): (Claim, Run),
        recorded: &dyn Fn(&Pending) -> Figures,
    ) -> Run {
        self.run_pass_brake(&claim, &mut run).await.unwrap();
        let pending = self.pending(office, source).await;
        let pairs = pending.iter().map(|pending| judged(pending, recorded(pending))).collect();
        self.run_apply(&claim, &mut run, pairs, (1, 1)).await.unwrap();
        self.run_end(&claim, &run, &run.counts, RunEnd::Done).await.unwrap();
        run
    }
}

pub(crate) const STANDARD: &str = "finished-above-grade";

/// A layout of two columns; its id makes it another version.
pub(crate) fn layout(id: &str) -> Layout {
    layout_in(id, "US-IA-169")
}

pub(crate) fn layout_in(id: &str, jurisdiction: &str) -> Layout {
    let toml = format!(
        "id = \"{id}\"\njurisdiction = \"{jurisdiction}\"\nbasis = \"{STANDARD}\"\n\
         [parcel]\ncolumns = [\"P\"]\n[area]\ncolumn = \"A\"\n"
    );
    Layout::from_toml(&toml).unwrap()
}

/// A file by its content, without the bytes.
pub(crate) fn kept(content: &str) -> KeptFile {
    let mut hash = DefaultHasher::new();
    content.hash(&mut hash);
    let sha256 = format!("{:064x}", hash.finish());
    let object_key = format!("originals/{sha256}");
    KeptFile { name: "roll.csv".to_owned(), object_key, sha256, bytes: 100, within: None }
}

pub(crate) fn sqft(square_feet: i64) -> Area {
    Area::from_whole_square_feet(square_feet).unwrap()
}

/// A row of a roll on a line; the class makes content that differs without the area.
pub(crate) fn entry(line: u64, key: &str, area: Option<i64>, class: &str) -> Entry {
    let mut hash = DefaultHasher::new();
    (key, area, class).hash(&mut hash);
    Entry {
        line,
        byte_start: line * 100,
        byte_length: 20,
        parcel_raw: format!("raw {key}"),
        parcel_key: key.to_owned(),
        situs: "1 Main Street".to_owned(),
        area: area.map(sqft),
        value: Some(Money::from_cents(10_000_000)),
        year_built: Some(1987),
        class: class.to_owned(),
        rest: "[]".to_owned(),
        content_hash: hash.finish(),
    }
}

pub(crate) fn reject(line: u64, reason: Reason) -> Reject {
    Reject {
        line,
        byte_start: line * 100,
        byte_length: 20,
        column: Some("A".to_owned()),
        reason,
        detail: format!("line {line} cannot be read"),
        raw: b"raw,\xff".to_vec(),
    }
}

/// A batch of the first file: lines from 2, whole square feet.
pub(crate) fn batch(records: &[(&str, i64)]) -> LoadBatch {
    let entries =
        (2..).zip(records).map(|(line, (key, area))| entry(line, key, Some(*area), "110")).collect();
    LoadBatch { file: 0, entries, rejects: Vec::new() }
}

pub(crate) async fn load(
    store: &Store,
    claim: &Claim,
    source: &Source,
    edition: i64,
    batches: Vec<LoadBatch>,
) -> Result<Loaded, StoreError> {
    let (sender, receiver) = mpsc::channel(batches.len().max(1));
    for batch in batches {
        sender.send(batch).await.unwrap();
    }
    drop(sender);
    store.edition_load(claim, source, edition, receiver).await
}

pub(crate) fn house(
    reference: &str,
    parcel: &str,
    jurisdiction: &str,
    measured_on: &str,
    area_sqft: f64,
) -> NewMeasurement {
    let document = serde_json::json!({
        "reference": reference, "parcel": parcel, "jurisdiction": jurisdiction, "measured_on": measured_on,
        "buildings": [{ "name": "house", "kind": "main", "levels": [{ "level": 1, "grade": "above",
            "parts": [{ "use": "living", "area_sqft": area_sqft, "finish": "finished" }] }] }]
    })
    .to_string();
    NewMeasurement { measurement: document::reread(&document).unwrap(), document }
}

/// What a pair comes to: measured and recorded square feet and the recorded value; no recorded figure: unmatched.
#[derive(Clone, Copy)]
pub(crate) struct Figures {
    pub(crate) measured: i64,
    pub(crate) recorded: Option<i64>,
    pub(crate) value_cents: Option<i64>,
}

/// A house of 2,400 square feet against a record.
pub(crate) fn recorded(square_feet: i64) -> Figures {
    Figures { measured: 2400, recorded: Some(square_feet), value_cents: None }
}

fn judgement(figures: Figures, recorded: i64) -> Judgement {
    let measured =
        Measured { area: sqft(figures.measured), spread: Spread { stated: 25.0, ..Spread::default() } };
    let recorded = Recorded {
        area: Some(sqft(recorded)),
        rounding_sqft: 1.0,
        value: figures.value_cents.map(Money::from_cents),
        class: "110".to_owned(),
        vacant: false,
    };
    judge(&measured, &recorded, &Policy::default(), &Scope { jurisdiction: "", class: "110", source: "s" })
        .unwrap()
}

/// Judges a pending pair as a worker would.
pub(crate) fn judged(pending: &Pending, figures: Figures) -> JudgedPair {
    let judgement = figures.recorded.map(|recorded| judgement(figures, recorded));
    let finding = pending.finding.as_ref();
    let standing = finding.map(|finding| &finding.standing);
    let (what, bound) = match &judgement {
        Some(judgement) => {
            let bound = bound(pending, judgement);
            (transition(standing, judgement, &bound, false), Some(bound))
        }
        None => (
            transition_without_judgement(standing, true, false),
            standing.map(|standing| standing.bound.clone()),
        ),
    };
    let change = bound.filter(|_| what != Move::Stay).map(|bound| FindingChange {
        id: finding.map_or_else(|| uuid::Uuid::now_v7().to_string(), |f| f.id.clone()),
        row_version: finding.map_or(0, |finding| finding.row_version),
        what,
        state_before: standing.map(|standing| standing.state),
        bound,
    });
    JudgedPair {
        property: pending.property.clone(),
        stamp: pending.stamp,
        matched: MatchOutcome {
            state: if judgement.is_some() { MatchState::Sure } else { MatchState::Unmatched },
            parcel_key: pending.parcel.clone(),
            record_number: judgement.is_some().then_some(1),
            conflict: String::new(),
        },
        outcome: judgement.as_ref().map_or("unmatched", |judgement| judgement.verdict.name()).to_owned(),
        record_edition: judgement.is_some().then_some(1),
        judgement,
        measurement_version: pending.measurement_version,
        change,
    }
}

fn bound(pending: &Pending, judgement: &Judgement) -> Bound {
    Bound {
        kind: judgement.kind,
        measured_um2: judgement.comparison.measured.square_micrometres(),
        recorded_um2: judgement.comparison.recorded.map(Area::square_micrometres),
        measurement_version: pending.measurement_version,
        record_number: 1,
        record_edition: 1,
        standard: STANDARD.to_owned(),
        policy_version: 0,
    }
}

/// A policy that is not the default.
pub(crate) fn policy(name: &str) -> Policy {
    Policy { name: name.to_owned(), rule: vec![Rule::default()], ..Policy::default() }
}

/// A person of the office.
pub(crate) fn reviewer() -> Visitor {
    Visitor {
        key: "k".to_owned(),
        label: "Ann".to_owned(),
        office: Some(OFFICE.to_owned()),
        role: Role::Review,
    }
}
