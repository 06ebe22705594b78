//! A rule for parcel numbers tried on what is loaded, before it is kept.

use std::hash::{DefaultHasher, Hasher as _};

use crossfoot_audit::jurisdiction::identifier::IdentifierRule;
use crossfoot_audit::record::parcel_key::{KeyNormaliser, KeyProblem};
use crossfoot_roll::layout::Layout;

use crate::database::{self, Database, Row, Value};
use crate::record::in_use;
use crate::source::Source;
use crate::{Store, StoreError};

/// A source that follows its jurisdiction's rule, with the layout of its edition in use.
pub(super) struct Follower {
    pub(super) source: Source,
    pub(super) layout: Layout,
}

/// A record's number as published, and where it stands.
struct Numbered {
    number: i64,
    raw: String,
    file: i64,
    line: i64,
}

impl Numbered {
    fn shown(&self) -> String {
        let file = if self.file == 0 { String::new() } else { format!(" of file {}", self.file + 1) };
        format!("{:?} (line {}{file})", self.raw, self.line)
    }
}

/// Records that one statement reads.
const PAGE: i64 = 10_000;

/// Records of the base that no edition up to the one in use changed, then the newest change of the others: together
/// every record of the edition in use, once. `$1` is the source, `$2` the edition.
const STREAMS: [&str; 2] = [
    "SELECT r.number, r.parcel_raw, r.file, r.line FROM record r
     WHERE r.source = $1 AND r.since_edition <= $2
       AND NOT EXISTS (SELECT 1 FROM record_change c WHERE c.source = r.source AND c.number = r.number AND c.edition <= $2)",
    "SELECT r.number, r.parcel_raw, r.file, r.line FROM record_change r
     WHERE r.source = $1 AND r.what <> 'ended'
       AND r.edition = (SELECT max(c.edition) FROM record_change c
                        WHERE c.source = r.source AND c.number = r.number AND c.edition <= $2)",
];

impl Store {
    /// The sources of a jurisdiction that follow its rule and have an edition in use, by name.
    pub(super) async fn followers(&self, jurisdiction: &str) -> Result<Vec<Follower>, StoreError> {
        let mut followers = Vec::new();
        for source in self.source_list().await? {
            let Some(edition) = source.current_edition else { continue };
            let layout = self.edition(source.number, edition).await?.layout;
            if layout.parcel.rule.is_some() && layout.jurisdiction == jurisdiction {
                followers.push(Follower { source, layout });
            }
        }
        Ok(followers)
    }

    /// Tries a rule on the records of a source's edition in use; gives how many there are. A hash of sixteen bytes with
    /// its record's number is held of each; equal ones are read again and compared.
    pub(super) async fn rule_try(
        &self,
        rule: &IdentifierRule,
        follower: &Follower,
    ) -> Result<i64, StoreError> {
        let Follower { source, layout } = follower;
        let key_rule = rule.key_rule();
        let refused = |why: String| StoreError::Conflict(format!("{}: {why}", source.id));
        // the version is only named, and what names it is the sentence that refuses it
        layout.with_rule(&key_rule, 1).map_err(|_| {
            refused(format!(
                "the rule has {} widths, and the source's layout {} columns of the parcel number: give as many widths, \
                 or give that layout a rule of its own",
                key_rule.pad_left.len(),
                layout.parcel.columns.len()
            ))
        })?;
        let normaliser = key_rule.compile().map_err(|error| refused(error.to_string()))?;
        let trial = Trial { normaliser, columns: layout.parcel.columns.len() };
        let (container, edition) = in_use(source)?;
        let records = Records { database: self.records(container).await?, source: source.number, edition };
        let mut hashes: Vec<(u64, i64)> = Vec::new();
        for stream in STREAMS {
            let mut after = 0;
            loop {
                let page = records.page(stream, after).await?;
                for record in &page {
                    let key = trial.key(record).map_err(&refused)?;
                    hashes.push((hash_of(&key), record.number));
                }
                match page.last() {
                    Some(last) => after = last.number,
                    None => break,
                }
            }
        }
        hashes.sort_unstable();
        for same in hashes.chunk_by(|a, b| a.0 == b.0).filter(|same| same.len() > 1) {
            let numbers: Vec<i64> = same.iter().take(NUMBERS_COMPARED).map(|(_, number)| *number).collect();
            if let Some(pair) = trial.one_key(&records.numbered(&numbers).await?).map_err(&refused)? {
                return Err(refused(pair));
            }
        }
        i64::try_from(hashes.len())
            .map_err(|e| StoreError::Damaged { what: "count of records", why: e.to_string() })
    }
}

/// Records with one hash that are compared: a rule that merges as many shows in the first two of them.
const NUMBERS_COMPARED: usize = 500;

fn hash_of(key: &str) -> u64 {
    let mut hasher = DefaultHasher::new();
    hasher.write(key.as_bytes());
    hasher.finish()
}

/// The records of a source at its edition in use.
struct Records {
    database: Database,
    source: i64,
    edition: i64,
}

impl Records {
    async fn page(&self, stream: &str, after: i64) -> Result<Vec<Numbered>, StoreError> {
        let sql = format!("{stream} AND r.number > $3 ORDER BY r.number LIMIT $4");
        self.read(&sql, vec![self.source.into(), self.edition.into(), after.into(), PAGE.into()]).await
    }

    async fn numbered(&self, numbers: &[i64]) -> Result<Vec<Numbered>, StoreError> {
        let mut found = Vec::with_capacity(numbers.len());
        for stream in STREAMS {
            let sql = format!("{stream} AND r.number = ANY (numbers($3)) ORDER BY r.number");
            let values = vec![self.source.into(), self.edition.into(), database::numbers(numbers)];
            found.extend(self.read(&sql, values).await?);
        }
        found.sort_unstable_by_key(|record| record.number);
        Ok(found)
    }

    async fn read(&self, sql: &str, values: Vec<Value>) -> Result<Vec<Numbered>, StoreError> {
        let numbered = |row: &Row| {
            Ok(Numbered { number: row.get(0)?, raw: row.get(1)?, file: row.get(2)?, line: row.get(3)? })
        };
        self.database.fetch_bulk(sql, values).await?.iter().map(numbered).collect()
    }
}

/// A rule as a source's numbers go through it.
struct Trial {
    normaliser: KeyNormaliser,
    columns: usize,
}

impl Trial {
    /// The key of a number, or why it has none, as a sentence. A number of several columns is kept with a blank between
    /// them; it comes apart as it was put together unless a column but the last holds blanks within.
    fn key(&self, record: &Numbered) -> Result<String, String> {
        let words: Vec<&str> = record.raw.split_whitespace().collect();
        let parts = if self.columns > 1 && words.len() == self.columns {
            words
        } else {
            record.raw.splitn(self.columns.max(1), ' ').collect()
        };
        let why = match self.normaliser.normalise(&parts) {
            Ok(Some(key)) => return Ok(key.as_str().to_owned()),
            Ok(None) => "it is blank or zero".to_owned(),
            Err(KeyProblem::Pattern { key }) => format!("its key {key:?} does not match the pattern"),
            Err(KeyProblem::TooLong { found, width }) => format!("{found:?} is longer than {width}"),
            Err(problem) => problem.to_string(),
        };
        Err(format!(
            "the parcel number {} would have no key under this rule, {why}: the rule is not kept, give one that fits \
             every number of the jurisdiction",
            record.shown()
        ))
    }

    /// The first two records with one key, as a sentence that refuses the rule; none where only their hashes are equal.
    /// Records of a source have different keys, so any two with one are merged.
    fn one_key(&self, records: &[Numbered]) -> Result<Option<String>, String> {
        let mut keyed = Vec::with_capacity(records.len());
        for record in records {
            keyed.push((self.key(record)?, record));
        }
        keyed.sort_by(|(one, a), (other, b)| one.cmp(other).then(a.number.cmp(&b.number)));
        let pair = keyed.windows(2).find_map(|pair| match pair {
            [(key, first), (other, later)] if key == other => Some((key, first, later)),
            _ => None,
        });
        Ok(pair.map(|(key, first, later)| {
            format!(
                "the parcel numbers {} and {} would both become {key:?} under this rule: it is not kept; leave what \
                 tells them apart in the key (strip, upper, join, pad_left, drop_tail)",
                first.shown(),
                later.shown()
            )
        }))
    }
}
