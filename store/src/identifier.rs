//! Rules for the parcel numbers of jurisdictions, in versions: a later one supersedes, the earlier ones stay.

use crossfoot_audit::jurisdiction::identifier::IdentifierRule;
use crossfoot_roll::layout::{Layout, RuleOrigin};

use crate::access::Visitor;
use crate::audit_log;
use crate::database::{Row, values};
use crate::{Backend, Store, StoreError};

mod trial;

/// A version of a jurisdiction's rule.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptRule {
    /// The version, from 1.
    pub version: i64,
    /// The rule with where it was read.
    pub rule: IdentifierRule,
    /// The key that entered it.
    pub actor: String,
    /// What that key is for, in its office's words.
    pub label: String,
    /// When, microseconds UTC.
    pub saved_at: i64,
}

/// What became of a rule that was entered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RuleArrival {
    /// Its version.
    pub version: i64,
    /// Whether the newest version said the same already.
    pub known: bool,
    /// Records whose numbers were tried under it.
    pub tried: i64,
    /// Records whose numbers could not be: of several columns that hold blanks, they come apart in several ways that the
    /// rule gives different keys, and which one it is is not kept.
    pub untried: i64,
    /// Sources that follow the jurisdiction's rule, by name, whose edition in use was loaded under another version: they
    /// stay so until their next edition, or until their files are read again.
    pub loaded_before: Vec<String>,
}

const NEWEST: &str = "SELECT r.version, r.document, r.actor, r.label, r.saved_at FROM identifier_rule r
    WHERE r.version = (SELECT max(n.version) FROM identifier_rule n WHERE n.jurisdiction = r.jurisdiction)";

impl Store {
    /// Tries a jurisdiction's rule on the records of every source that follows it, and keeps it as the next version. The
    /// same document as the newest is not kept again. An edition that is loaded meanwhile is not tried; it is read by
    /// the rule that its layout was given, and the next one goes through the check of double numbers.
    ///
    /// # Errors
    /// [`StoreError::Conflict`] when it does not fit a source's columns, makes one key of two parcels or leaves a number
    /// without: with the numbers and their lines. Nothing is kept then.
    pub async fn identifier_rule_save(
        &self,
        rule: &IdentifierRule,
        by: &Visitor,
    ) -> Result<RuleArrival, StoreError> {
        let newest = self.identifier_rule_newest(&rule.jurisdiction).await?;
        let same = newest.filter(|newest| newest.rule == *rule);
        let followers = self.followers(&rule.jurisdiction).await?;
        let (mut tried, mut untried) = (0i64, 0i64);
        for follower in followers.iter().filter(|_| same.is_none()) {
            let of_it = self.rule_try(rule, follower).await?;
            tried = tried.saturating_add_unsigned(of_it.records as u64);
            untried = untried.saturating_add_unsigned(of_it.untried as u64);
        }
        let (version, known) = match same {
            Some(same) => (same.version, true),
            None => self.identifier_rule_insert(rule, by).await?,
        };
        let before =
            followers.into_iter().filter(|f| f.layout.parcel.rule != Some(RuleOrigin::Version(version)));
        let loaded_before = before.map(|f| f.source.id).collect();
        Ok(RuleArrival { version, known, tried, untried, loaded_before })
    }

    /// The version, and whether it was there already.
    async fn identifier_rule_insert(
        &self,
        rule: &IdentifierRule,
        by: &Visitor,
    ) -> Result<(i64, bool), StoreError> {
        let document = serde_json::to_string(rule).map_err(|e| damaged(&e))?;
        let mut tx = self.main.begin().await?;
        if self.backend() == Backend::Postgres {
            // two new versions at the same moment would take the same number
            tx.execute("LOCK TABLE identifier_rule IN SHARE ROW EXCLUSIVE MODE", values![]).await?;
        }
        let sql = format!("{NEWEST} AND r.jurisdiction = $1");
        let newest = tx.fetch_one(&sql, values![&rule.jurisdiction]).await?;
        let newest = newest.as_ref().map(read).transpose()?;
        if let Some(newest) = newest.as_ref().filter(|newest| newest.rule == *rule) {
            return Ok((newest.version, true));
        }
        let version = newest.map_or(0, |newest| newest.version) + 1;
        tx.execute(
            "INSERT INTO identifier_rule (jurisdiction, version, document, actor, label, saved_at)
             VALUES ($1, $2, $3, $4, $5, now_us())",
            values![&rule.jurisdiction, version, document, &by.key, &by.label],
        )
        .await?;
        let subject = format!("jurisdiction {}", rule.jurisdiction);
        let detail = format!("version {version}");
        let action = "identifier_rule_saved";
        let entry = audit_log::Entry { office: None, by, action, subject: &subject, detail: &detail };
        audit_log::note(&mut tx, entry).await?;
        tx.commit().await?;
        Ok((version, false))
    }

    /// The newest rule of each jurisdiction by name; of all jurisdictions for an empty name.
    ///
    /// # Errors
    /// [`StoreError`] of the database, [`StoreError::Damaged`] when one cannot be read back.
    pub async fn identifier_rules(&self, jurisdiction: &str) -> Result<Vec<KeptRule>, StoreError> {
        let sql = format!("{NEWEST} AND ($1 = '' OR r.jurisdiction = $1) ORDER BY r.jurisdiction");
        self.main.fetch(&sql, values![jurisdiction]).await?.iter().map(read).collect()
    }

    /// Every version of a jurisdiction's rule, the newest first.
    ///
    /// # Errors
    /// As [`Store::identifier_rules`].
    pub async fn identifier_rule_versions(&self, jurisdiction: &str) -> Result<Vec<KeptRule>, StoreError> {
        let sql = "SELECT version, document, actor, label, saved_at FROM identifier_rule
                   WHERE jurisdiction = $1 ORDER BY version DESC";
        self.main.fetch(sql, values![jurisdiction]).await?.iter().map(read).collect()
    }

    async fn identifier_rule_newest(&self, jurisdiction: &str) -> Result<Option<KeptRule>, StoreError> {
        let sql = format!("{NEWEST} AND r.jurisdiction = $1");
        self.main.fetch_one(&sql, values![jurisdiction]).await?.as_ref().map(read).transpose()
    }

    /// A layout as files that are handed in now are read by it: one that follows its jurisdiction's rule has the newest
    /// version of that written into it, whichever it had before; any other is as it was.
    ///
    /// # Errors
    /// [`StoreError::Conflict`] when the jurisdiction has no rule, or one that does not fit the layout's columns.
    pub async fn layout_resolved(&self, layout: &Layout) -> Result<Layout, StoreError> {
        if layout.parcel.rule.is_none() {
            return Ok(layout.clone());
        }
        let newest = self.identifier_rule_newest(&layout.jurisdiction).await?.ok_or_else(|| {
            StoreError::Conflict(format!(
                "the layout {} follows the rule of {} for parcel numbers, and none is kept: enter it by \
                 crossfoot jurisdiction rule FILE or POST /v1/jurisdictions/{{id}}/identifier-rule, and hand the files \
                 in again",
                layout.id, layout.jurisdiction
            ))
        })?;
        layout.with_rule(&newest.rule.key_rule(), newest.version).map_err(StoreError::Conflict)
    }
}

fn read(row: &Row) -> Result<KeptRule, StoreError> {
    Ok(KeptRule {
        version: row.get(0)?,
        rule: serde_json::from_str(&row.get::<String>(1)?).map_err(|e| damaged(&e))?,
        actor: row.get(2)?,
        label: row.get(3)?,
        saved_at: row.get(4)?,
    })
}

fn damaged(error: &serde_json::Error) -> StoreError {
    StoreError::Damaged { what: "rule for parcel numbers", why: error.to_string() }
}
