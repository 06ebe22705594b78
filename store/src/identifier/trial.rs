//! A rule for parcel numbers tried on what is loaded, before it is kept.
//!
//! A number of several columns is kept with one blank between them, so one whose columns hold blanks themselves may come
//! apart in several ways. Those are left that give the key that is kept with it under the rule it was read by. Where these
//! disagree under the rule that is tried, the number is not judged, and counted.

use std::collections::BTreeSet;
use std::hash::{DefaultHasher, Hasher as _};

use crossfoot_audit::jurisdiction::identifier::IdentifierRule;
use crossfoot_audit::record::parcel_key::{KeyNormaliser, KeyProblem, KeyRule, KeyRuleError, ParcelKey};
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

/// What a rule was tried on.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Tried {
    /// Records with a key under it.
    pub(super) records: usize,
    /// Records whose numbers come apart in several ways that it gives different keys.
    pub(super) untried: usize,
}

/// A record's number as published, the key that it has, and where it stands.
struct Numbered {
    number: i64,
    raw: String,
    key: String,
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
    "SELECT r.number, r.parcel_raw, r.parcel_key, r.file, r.line FROM record r
     WHERE r.source = $1 AND r.since_edition <= $2
       AND NOT EXISTS (SELECT 1 FROM record_change c WHERE c.source = r.source AND c.number = r.number AND c.edition <= $2)",
    "SELECT r.number, r.parcel_raw, r.parcel_key, r.file, r.line FROM record_change r
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

    /// Tries a rule on the records of a source's edition in use; gives on how many. A hash of sixteen bytes with its
    /// record's number is held of each; equal ones are read again and compared.
    pub(super) async fn rule_try(
        &self,
        rule: &IdentifierRule,
        follower: &Follower,
    ) -> Result<Tried, StoreError> {
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
        let trial = Trial::of(&key_rule, layout).map_err(|error| refused(error.to_string()))?;
        let (container, edition) = in_use(source)?;
        let records = Records { database: self.records(container).await?, source: source.number, edition };
        let (mut hashes, mut untried): (Vec<(u64, i64)>, usize) = (Vec::new(), 0);
        for stream in STREAMS {
            let mut after = 0;
            loop {
                let page = records.page(stream, after).await?;
                for record in &page {
                    match trial.key(record).map_err(&refused)? {
                        Some(key) => hashes.push((hash_of(&key), record.number)),
                        None => untried += 1,
                    }
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
        Ok(Tried { records: hashes.len(), untried })
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
            Ok(Numbered {
                number: row.get(0)?,
                raw: row.get(1)?,
                key: row.get(2)?,
                file: row.get(3)?,
                line: row.get(4)?,
            })
        };
        self.database.fetch_bulk(sql, values).await?.iter().map(numbered).collect()
    }
}

/// A rule as parts of numbers go through it.
struct Keying {
    normaliser: KeyNormaliser,
    widths: usize,
}

/// What a number comes to under a rule.
type Keyed = Result<Option<ParcelKey>, KeyProblem>;

impl Keying {
    fn of(rule: &KeyRule) -> Result<Keying, KeyRuleError> {
        Ok(Keying { normaliser: rule.compile()?, widths: rule.pad_left.len() })
    }

    /// As the reader of rolls does: one column that holds all parts of a table's number is taken apart by their widths.
    fn key(&self, parts: &[&str]) -> Keyed {
        match parts {
            [only] if self.widths > 1 => self.normaliser.normalise_joined(only),
            parts => self.normaliser.normalise(parts),
        }
    }
}

/// A rule as a source's numbers go through it, and the one that they were read by.
struct Trial {
    now: Keying,
    before: Keying,
    /// The numbers of columns that the numbers are kept of: one, unless tables have columns of their own.
    columns: BTreeSet<usize>,
}

/// Ways in which a number may come apart that are looked at; one with more is not tried.
const WAYS_MAX: usize = 1000;

impl Trial {
    fn of(rule: &KeyRule, layout: &Layout) -> Result<Trial, KeyRuleError> {
        let own = layout.parcel.columns.len().max(1);
        let of_tables = layout.table.iter().map(|table| table.parcel.0.len());
        let mut columns: BTreeSet<usize> =
            of_tables.map(|parts| if parts == 0 { own } else { parts }).collect();
        if columns.is_empty() {
            columns.insert(own);
        }
        Ok(Trial { now: Keying::of(rule)?, before: Keying::of(&layout.parcel.key_rule())?, columns })
    }

    /// The key of a number; none where it comes apart in several ways that disagree, or in none that gives the key that
    /// it has. An error is why it has no key, as a sentence.
    fn key(&self, record: &Numbered) -> Result<Option<String>, String> {
        let mut ways = Vec::new();
        for columns in &self.columns {
            if !come_apart(&record.raw, *columns, &mut Vec::new(), &mut ways) {
                return Ok(None);
            }
        }
        if ways.len() > 1 {
            let as_kept = |key: &ParcelKey| key.as_str() == record.key;
            ways.retain(|parts| self.before.key(parts).is_ok_and(|key| key.as_ref().is_some_and(as_kept)));
        }
        let mut keyed: Vec<Keyed> = ways.iter().map(|parts| self.now.key(parts)).collect();
        keyed.dedup();
        // where no way gives a key there is none, whatever the reasons
        let has_key = |keyed: &Keyed| matches!(keyed, Ok(Some(_)));
        if keyed.len() > 1 && keyed.iter().any(has_key) {
            return Ok(None);
        }
        let Some(first) = keyed.into_iter().next() else { return Ok(None) };
        let why = match first {
            Ok(Some(key)) => return Ok(Some(key.as_str().to_owned())),
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
            keyed.extend(self.key(record)?.map(|key| (key, record)));
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

/// Adds the ways in which a text comes apart into so many columns at single blanks, those that differ in blanks around a
/// part only once, since these mean nothing. False once there are more than are looked at.
fn come_apart<'t>(
    text: &'t str,
    columns: usize,
    before: &mut Vec<&'t str>,
    ways: &mut Vec<Vec<&'t str>>,
) -> bool {
    if columns <= 1 {
        ways.push(before.iter().copied().chain([text.trim_matches(' ')]).collect());
        return ways.len() <= WAYS_MAX;
    }
    // the first blank of a run leaves the others to the columns behind it, which may be blank
    let firsts = text.match_indices(' ').map(|(at, _)| at);
    let firsts = firsts.filter(|at| !text.get(..*at).is_some_and(|left| left.ends_with(' ')));
    for at in firsts {
        let (left, right) = text.split_at(at);
        before.push(left.trim_matches(' '));
        let on = come_apart(right.get(1..).unwrap_or_default(), columns - 1, before, ways);
        before.pop();
        if !on {
            return false;
        }
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ways(text: &str, columns: usize) -> Option<Vec<Vec<&str>>> {
        let mut ways = Vec::new();
        come_apart(text, columns, &mut Vec::new(), &mut ways).then_some(ways)
    }

    /// Every choice of single blanks between the columns, the parts without blanks around.
    fn all(text: &str, columns: usize) -> BTreeSet<Vec<&str>> {
        if columns == 1 {
            return BTreeSet::from([vec![text.trim()]]);
        }
        let cut = |at: usize| {
            let rest = all(&text[at + 1..], columns - 1).into_iter();
            rest.map(move |parts| [vec![text[..at].trim()], parts].concat())
        };
        text.match_indices(' ').flat_map(|(at, _)| cut(at)).collect()
    }

    #[test]
    fn a_number_comes_apart_as_it_may_have_been_put_together() {
        assert_eq!(ways("12 A 3", 2), Some(vec![vec!["12", "A 3"], vec!["12 A", "3"]]));
        assert_eq!(ways("123", 2), Some(Vec::new()), "it was put together from one column");
        for text in ["1", "1 2", " 1 2", "1  2 ", "  ", "12 A 3", " 1  2   3 ", "a b c d e"] {
            for columns in 1..5 {
                let found = ways(text, columns).unwrap();
                let distinct: BTreeSet<Vec<&str>> = found.iter().cloned().collect();
                assert_eq!(distinct.len(), found.len(), "{text:?} {columns}");
                assert_eq!(distinct, all(text, columns), "{text:?} {columns}");
            }
        }
    }

    #[test]
    fn a_text_of_blanks_ends() {
        let long = "1 ".repeat(500);
        assert_eq!(ways(&long, 4), None);
        assert_eq!(ways(&long, 1).unwrap().len(), 1);
    }
}
