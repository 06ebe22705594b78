//! One source against another, without a measurement: records of both with the same parcel key, held side by side.
//!
//! Both are read in the order of their keys, page by page from the index of each, and walked along together: memory is a
//! page of either whatever their size, and on the embedded database, where each source has a file of its own, nothing
//! has to be attached. What a record is at an edition is what `record` says: the newest change up to it, else the base.

use std::cmp::Ordering;
use std::collections::{BTreeMap, VecDeque};

use crossfoot_audit::area::Area;
use serde::{Deserialize, Serialize};

use crate::database::{Database, Row, values};
use crate::record::{Record, in_use};
use crate::source::Source;
use crate::{Store, StoreError};

/// What is compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Field {
    /// The recorded area.
    Area,
    /// The recorded value.
    Value,
    /// The year built.
    Year,
    /// The class of use, as text without regard to case.
    Class,
}

impl Field {
    /// Every field.
    pub const ALL: [Field; 4] = [Field::Area, Field::Value, Field::Year, Field::Class];

    /// Its name, as people type it.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Field::Area => "area",
            Field::Value => "value",
            Field::Year => "year",
            Field::Class => "class",
        }
    }

    /// The field of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Field> {
        Field::ALL.into_iter().find(|field| field.name() == name)
    }
}

/// Which records are listed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Listing {
    /// Those that both have with figures that differ.
    Differing(Field),
    /// Those that both have, of which one has no figure.
    OneSided(Field),
    /// Those that only the first source has.
    OnlyInSource,
    /// Those that only the second source has.
    OnlyInOther,
}

/// From what difference on figures differ, in square micrometres, cents and years; equal figures never do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tolerance {
    /// Of areas.
    pub area_um2: i64,
    /// Of values.
    pub value_cents: i64,
    /// Of years.
    pub years: i64,
}

impl Tolerance {
    /// What two sources that round their areas to so many square feet cannot both be held to.
    #[must_use]
    pub fn of_rounding(source_sqft: f64, other_sqft: f64) -> Tolerance {
        let half = (source_sqft.max(0.0) + other_sqft.max(0.0)) / 2.0;
        // what is no finite number of square feet is no rounding
        let area = Area::parse_square_feet(&format!("{half:.6}")).map_or(0, Area::square_micrometres);
        Tolerance { area_um2: area.saturating_add(1), value_cents: 1, years: 1 }
    }
}

/// Two sources, each at its edition in use, and from what difference on figures differ.
#[derive(Debug, Clone)]
pub struct Comparison {
    /// The first source.
    pub source: Source,
    /// The second one.
    pub other: Source,
    /// From what difference on figures differ.
    pub tolerance: Tolerance,
}

/// Records of the two sources with one parcel key.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Compared {
    /// The key.
    pub key: String,
    /// The record of the first source.
    pub source: Option<Record>,
    /// The record of the second one.
    pub other: Option<Record>,
}

/// A page of records side by side.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ComparedPage {
    /// The records in the order of their keys.
    pub items: Vec<Compared>,
    /// Where the next page begins; none when all was looked at. A page may be short and still have a next one: a look
    /// ends after so many keys.
    pub next: Option<String>,
}

/// What a field comes to over the records that both sources have.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct FieldCounts {
    /// Both have a figure, and they do not differ.
    pub equal: i64,
    /// Both have a figure, and they differ.
    pub differing: i64,
    /// Only the first source has a figure.
    pub only_source: i64,
    /// Only the second one has.
    pub only_other: i64,
    /// Neither has.
    pub neither: i64,
}

/// Counts of one source against another.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct ComparisonCounts {
    /// Parcels that both have.
    pub both: i64,
    /// Parcels that only the first source has.
    pub only_source: i64,
    /// Parcels that only the second one has.
    pub only_other: i64,
    /// Over the parcels that both have.
    pub fields: BTreeMap<Field, FieldCounts>,
}

/// Keys that one look goes past before it answers with what it has found.
const KEYS_A_LOOK: usize = 250_000;
/// Rows that a stream reads at first, and at the most: a page of a list needs few, a count all.
const ROWS_FIRST: i64 = 500;
const ROWS_MOST: i64 = 16_000;

impl Store {
    /// Records of two sources side by side, after a key.
    ///
    /// # Errors
    /// [`StoreError::Missing`] when one of them has no edition in use.
    pub async fn compare_page(
        &self,
        comparison: &Comparison,
        listing: Listing,
        after: &str,
        limit: i64,
    ) -> Result<ComparedPage, StoreError> {
        let mut walk = self.walk(comparison, after).await?;
        let limit = usize::try_from(limit).unwrap_or(0).max(1);
        let (mut keys, mut looked) = (Vec::new(), 0usize);
        let next = loop {
            let Some((source, other)) = walk.step().await? else { break None };
            looked += 1;
            let key = source.as_ref().or(other.as_ref()).map(|row| row.key.clone()).unwrap_or_default();
            if is_listed(listing, source.as_ref(), other.as_ref(), &comparison.tolerance) {
                keys.push(key.clone());
            }
            if keys.len() == limit || looked == KEYS_A_LOOK {
                break Some(key);
            }
        };
        Ok(ComparedPage { items: self.side_by_side(comparison, &keys).await?, next })
    }

    /// Counts of one source against another. They are kept: editions do not change.
    ///
    /// # Errors
    /// As [`Store::compare_page`].
    pub async fn compare_counts(&self, comparison: &Comparison) -> Result<ComparisonCounts, StoreError> {
        if let Some(known) = self.compare_counts_kept(comparison).await? {
            return Ok(known);
        }
        let mut walk = self.walk(comparison, "").await?;
        let mut counts = ComparisonCounts::default();
        while let Some((source, other)) = walk.step().await? {
            match (source, other) {
                (Some(source), Some(other)) => {
                    counts.both += 1;
                    for field in Field::ALL {
                        let counted = counts.fields.entry(field).or_default();
                        match relation(field, &source, &other, &comparison.tolerance) {
                            Relation::Equal => counted.equal += 1,
                            Relation::Differing => counted.differing += 1,
                            Relation::OnlySource => counted.only_source += 1,
                            Relation::OnlyOther => counted.only_other += 1,
                            Relation::Neither => counted.neither += 1,
                        }
                    }
                }
                (Some(_), None) => counts.only_source += 1,
                (None, _) => counts.only_other += 1,
            }
        }
        self.compare_counts_keep(comparison, &counts).await?;
        Ok(counts)
    }

    /// Counts that were made before, if any.
    ///
    /// # Errors
    /// As [`Store::compare_page`].
    pub async fn compare_counts_kept(
        &self,
        comparison: &Comparison,
    ) -> Result<Option<ComparisonCounts>, StoreError> {
        let sql = "SELECT counts FROM source_comparison WHERE source = $1 AND edition = $2 AND other = $3
                   AND other_edition = $4 AND tolerance = $5";
        let Comparison { source, other, tolerance } = comparison;
        let values = values![
            source.number,
            in_use(source)?.1,
            other.number,
            in_use(other)?.1,
            tolerance_text(tolerance)
        ];
        let row = self.main.fetch_one(sql, values).await?;
        row.map(|row| serde_json::from_str(&row.get::<String>(0)?).map_err(|e| unreadable(&e))).transpose()
    }

    async fn compare_counts_keep(
        &self,
        comparison: &Comparison,
        counts: &ComparisonCounts,
    ) -> Result<(), StoreError> {
        let Comparison { source, other, tolerance } = comparison;
        let text = serde_json::to_string(counts).map_err(|e| unreadable(&e))?;
        let mut tx = self.main.begin().await?;
        tx.execute(
            "INSERT INTO source_comparison (source, edition, other, other_edition, tolerance, counts, made_at)
             VALUES ($1, $2, $3, $4, $5, $6, now_us()) ON CONFLICT DO NOTHING",
            values![
                source.number,
                in_use(source)?.1,
                other.number,
                in_use(other)?.1,
                tolerance_text(tolerance),
                text
            ],
        )
        .await?;
        tx.commit().await
    }

    async fn walk(&self, comparison: &Comparison, after: &str) -> Result<Walk, StoreError> {
        Ok(Walk {
            source: self.in_key_order(&comparison.source, after).await?,
            other: self.in_key_order(&comparison.other, after).await?,
        })
    }

    async fn in_key_order(&self, source: &Source, after: &str) -> Result<InKeyOrder, StoreError> {
        let (container, edition) = in_use(source)?;
        Ok(InKeyOrder {
            database: self.records(container).await?,
            source: source.number,
            edition,
            after: after.to_owned(),
            rows: VecDeque::new(),
            at_once: ROWS_FIRST,
            ended: false,
        })
    }

    async fn side_by_side(
        &self,
        comparison: &Comparison,
        keys: &[String],
    ) -> Result<Vec<Compared>, StoreError> {
        let by_key = |records: Vec<Record>| -> BTreeMap<String, Record> {
            records.into_iter().map(|record| (record.parcel_key.clone(), record)).collect()
        };
        let mut source = by_key(self.record_by_keys(&comparison.source, keys).await?);
        let mut other = by_key(self.record_by_keys(&comparison.other, keys).await?);
        let compared = |key: &String| Compared {
            key: key.clone(),
            source: source.remove(key),
            other: other.remove(key),
        };
        Ok(keys.iter().map(compared).collect())
    }
}

fn unreadable(error: &serde_json::Error) -> StoreError {
    StoreError::Damaged { what: "count of a comparison", why: error.to_string() }
}

fn tolerance_text(tolerance: &Tolerance) -> String {
    format!("{} {} {}", tolerance.area_um2, tolerance.value_cents, tolerance.years)
}

/// How two figures stand to each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Relation {
    Equal,
    Differing,
    OnlySource,
    OnlyOther,
    Neither,
}

fn is_listed(listing: Listing, source: Option<&Keyed>, other: Option<&Keyed>, tolerance: &Tolerance) -> bool {
    let relation = |field| source.zip(other).map(|(source, other)| relation(field, source, other, tolerance));
    match listing {
        Listing::Differing(field) => relation(field) == Some(Relation::Differing),
        Listing::OneSided(field) => {
            matches!(relation(field), Some(Relation::OnlySource | Relation::OnlyOther))
        }
        Listing::OnlyInSource => other.is_none(),
        Listing::OnlyInOther => source.is_none(),
    }
}

fn relation(field: Field, source: &Keyed, other: &Keyed, tolerance: &Tolerance) -> Relation {
    let figures = match field {
        Field::Area => (source.area_um2, other.area_um2, tolerance.area_um2),
        Field::Value => (source.value_cents, other.value_cents, tolerance.value_cents),
        Field::Year => (source.year_built, other.year_built, tolerance.years),
        Field::Class => return class_relation(source.class.trim(), other.class.trim()),
    };
    match figures {
        (Some(a), Some(b), least) => {
            let apart = a.abs_diff(b);
            let differ = apart > 0 && apart >= least.unsigned_abs();
            if differ { Relation::Differing } else { Relation::Equal }
        }
        (Some(_), None, _) => Relation::OnlySource,
        (None, Some(_), _) => Relation::OnlyOther,
        (None, None, _) => Relation::Neither,
    }
}

fn class_relation(source: &str, other: &str) -> Relation {
    match (source.is_empty(), other.is_empty()) {
        (true, true) => Relation::Neither,
        (true, false) => Relation::OnlyOther,
        (false, true) => Relation::OnlySource,
        (false, false) if source.to_lowercase() == other.to_lowercase() => Relation::Equal,
        (false, false) => Relation::Differing,
    }
}

/// What of a record is compared.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Keyed {
    key: String,
    number: i64,
    area_um2: Option<i64>,
    value_cents: Option<i64>,
    year_built: Option<i64>,
    class: String,
}

/// Columns of [`Keyed`] behind the kind of the version.
const KEYED: &str = "parcel_key, number, area_um2, value_cents, year_built, class";

fn keyed_of(row: &Row) -> Result<Keyed, StoreError> {
    Ok(Keyed {
        key: row.get(0)?,
        number: row.get(1)?,
        area_um2: row.get(2)?,
        value_cents: row.get(3)?,
        year_built: row.get(4)?,
        class: row.get(5)?,
    })
}

/// Two sources walked along together.
struct Walk {
    source: InKeyOrder,
    other: InKeyOrder,
}

impl Walk {
    /// The records of the next key that either source has; `None` when both are at their end.
    async fn step(&mut self) -> Result<Option<(Option<Keyed>, Option<Keyed>)>, StoreError> {
        self.source.look().await?;
        self.other.look().await?;
        let order = match (self.source.rows.front(), self.other.rows.front()) {
            (None, None) => return Ok(None),
            (Some(_), None) => Ordering::Less,
            (None, Some(_)) => Ordering::Greater,
            (Some(source), Some(other)) => source.key.cmp(&other.key),
        };
        let source = if order.is_le() { self.source.rows.pop_front() } else { None };
        let other = if order.is_ge() { self.other.rows.pop_front() } else { None };
        Ok(Some((source, other)))
    }
}

/// The records of a source at an edition, in the order of their keys.
struct InKeyOrder {
    database: Database,
    source: i64,
    edition: i64,
    after: String,
    rows: VecDeque<Keyed>,
    at_once: i64,
    ended: bool,
}

impl InKeyOrder {
    /// Sees to it that the next record is at hand, unless there is none.
    async fn look(&mut self) -> Result<(), StoreError> {
        while self.rows.is_empty() && !self.ended {
            self.fill().await?;
            self.at_once = (self.at_once * 2).min(ROWS_MOST.max(self.at_once));
        }
        Ok(())
    }

    /// Reads the next keys of the base and of the changes, as far as both were read.
    async fn fill(&mut self) -> Result<(), StoreError> {
        let base = self.base().await?;
        let changes = self.changes().await?;
        let full = |rows: usize| i64::try_from(rows).is_ok_and(|n| n == self.at_once);
        let base_end = base.last().filter(|_| full(base.len())).map(|row| row.key.clone());
        let changes_end = match changes.last().filter(|_| full(changes.len())) {
            None => None,
            Some((last, _)) => {
                // the versions of the last key may go on behind the page
                match changes.iter().rev().find(|(row, _)| row.key != last.key) {
                    Some((before, _)) => Some(before.key.clone()),
                    None => {
                        self.at_once *= 4;
                        return Ok(());
                    }
                }
            }
        };
        let end = match (base_end, changes_end) {
            (Some(base), Some(changes)) => Some(base.min(changes)),
            (base, changes) => base.or(changes),
        };
        let within = |row: &Keyed| end.as_ref().is_none_or(|end| row.key <= *end);
        let base: Vec<Keyed> = base.into_iter().filter(within).collect();
        let changes: Vec<(Keyed, bool)> = changes.into_iter().filter(|(row, _)| within(row)).collect();
        self.rows = if changes.is_empty() { base.into() } else { newest(base, changes) };
        self.ended = end.is_none();
        if let Some(end) = end {
            self.after = end;
        }
        Ok(())
    }

    async fn base(&self) -> Result<Vec<Keyed>, StoreError> {
        let sql = format!(
            "SELECT {KEYED} FROM record WHERE source = $1 AND since_edition <= $2 AND parcel_key > $3
             ORDER BY parcel_key LIMIT $4"
        );
        let values = values![self.source, self.edition, &self.after, self.at_once];
        self.database.fetch(&sql, values).await?.iter().map(keyed_of).collect()
    }

    /// Versions up to the edition, each with whether the record ended with it.
    async fn changes(&self) -> Result<Vec<(Keyed, bool)>, StoreError> {
        let sql = format!(
            "SELECT {KEYED}, what FROM record_change WHERE source = $1 AND edition <= $2 AND parcel_key > $3
             ORDER BY parcel_key, edition LIMIT $4"
        );
        let values = values![self.source, self.edition, &self.after, self.at_once];
        let rows = self.database.fetch(&sql, values).await?;
        rows.iter().map(|row| Ok((keyed_of(row)?, row.get::<String>(6)? == "ended"))).collect()
    }
}

/// The newest version of each record, in the order of the keys; changes come in the order of keys and editions.
fn newest(base: Vec<Keyed>, changes: Vec<(Keyed, bool)>) -> VecDeque<Keyed> {
    let mut by_key: BTreeMap<(String, i64), Option<Keyed>> =
        base.into_iter().map(|row| ((row.key.clone(), row.number), Some(row))).collect();
    for (row, ended) in changes {
        by_key.insert((row.key.clone(), row.number), (!ended).then_some(row));
    }
    by_key.into_values().flatten().collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(key: &str, number: i64, area: i64) -> Keyed {
        Keyed {
            key: key.to_owned(),
            number,
            area_um2: Some(area),
            value_cents: None,
            year_built: None,
            class: " House".to_owned(),
        }
    }

    #[test]
    fn the_newest_version_counts_and_an_ended_record_does_not() {
        let base = vec![row("a", 1, 10), row("b", 2, 20)];
        let changes = vec![(row("a", 1, 11), false), (row("a", 1, 12), false), (row("b", 2, 0), true)];
        let again = vec![(row("b", 3, 21), false)];
        let found = newest(base, changes.into_iter().chain(again).collect());
        assert_eq!(found, [row("a", 1, 12), row("b", 3, 21)]);
    }

    #[test]
    fn figures_differ_from_the_tolerance_on_and_equal_ones_never() {
        let tolerance = Tolerance { area_um2: 5, value_cents: 0, years: 1 };
        let differ = |a: i64, b: i64| relation(Field::Area, &row("a", 1, a), &row("a", 1, b), &tolerance);
        assert_eq!(differ(10, 14), Relation::Equal);
        assert_eq!(differ(10, 15), Relation::Differing);
        assert_eq!(differ(15, 10), Relation::Differing);
        let none = Tolerance { area_um2: 0, value_cents: 0, years: 0 };
        assert_eq!(relation(Field::Area, &row("a", 1, 7), &row("a", 1, 7), &none), Relation::Equal);
        let missing = Keyed { area_um2: None, class: "house ".to_owned(), ..row("a", 1, 0) };
        assert_eq!(relation(Field::Area, &row("a", 1, 7), &missing, &none), Relation::OnlySource);
        assert_eq!(relation(Field::Value, &row("a", 1, 7), &missing, &none), Relation::Neither);
        assert_eq!(relation(Field::Class, &row("a", 1, 7), &missing, &none), Relation::Equal);
    }

    #[test]
    fn rounding_of_both_sides_is_no_difference() {
        // whole square feet against tens: 2,311 may stand as 2,310 to 2,316 less half a foot, so 5.5 apart is explained
        let tolerance = Tolerance::of_rounding(1.0, 10.0);
        let sqft = |text: &str| Area::parse_square_feet(text).unwrap().square_micrometres();
        assert_eq!(tolerance.area_um2, sqft("5.5") + 1);
        assert_eq!(Tolerance::of_rounding(0.0, f64::NAN).area_um2, 1);
    }
}
