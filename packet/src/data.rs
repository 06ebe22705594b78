//! What a packet is made of: one finding, frozen, with everything that it was judged from.
//!
//! The form is written down in `finding.json` of every packet and read back from there on verifying. Areas are
//! square feet and amounts are money, both as plain decimal text, unrounded; no identifier of a database is in it.

use std::fmt;

use crossfoot_audit::area::Area;
use crossfoot_audit::judge::compare::Denominator;
use crossfoot_audit::judge::transition::State;
use crossfoot_audit::judge::{Judgement, Kind};
use crossfoot_audit::money::Money;
use crossfoot_audit::standard::{AreaStatement, CountingVerdict, Standard as Definition, WallFace};
use serde::{Deserialize, Serialize};

mod check;

pub use check::Flaw;

/// The version of the form; another version is another form.
pub const FORMAT: &str = "1";
/// What stands between the id of an office's own standard and its version.
pub(crate) const VERSION: char = '@';

/// One finding with everything that it was judged from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PacketData {
    /// [`FORMAT`].
    pub format: String,
    /// The version of the judging rules ([`crossfoot_audit::judge::ENGINE_VERSION`]).
    pub engine: String,
    /// The name of the office whose finding it is.
    pub office: String,
    /// The property as the office knows it.
    pub property: Property,
    /// The publisher's file that it is compared with.
    pub source: Source,
    /// The record as published.
    pub record: Record,
    /// Why this record belongs to this property.
    #[serde(rename = "match")]
    pub matched: Match,
    /// The measurement.
    pub measurement: Measurement,
    /// The definition of floor area that the measured parts were added up by.
    pub standard: Standard,
    /// What is counted, part by part.
    pub statement: Statement,
    /// The comparison in numbers.
    pub comparison: Comparison,
    /// How the numbers come about, step by step.
    pub explanation: Vec<Step>,
    /// What a corrected record may mean in value, where that can be said.
    pub effect: Option<Effect>,
    /// What the office holds to matter.
    pub policy: Policy,
    /// The finding.
    pub finding: Finding,
    /// What happened to the finding, the oldest first. Never empty: the packet is dated by the newest.
    pub history: Vec<Event>,
}

/// The property as the office knows it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Property {
    /// The office's own name for it.
    pub reference: String,
    /// The parcel number as the office writes it.
    pub parcel: String,
    /// The situs address.
    pub address: String,
    /// The jurisdiction, or empty.
    pub jurisdiction: String,
}

/// A publisher's source and the edition of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Source {
    /// Its name in layouts and judgements.
    pub id: String,
    /// Its title for people.
    pub title: String,
    /// Who publishes it.
    pub publisher: String,
    /// Where it is published or described.
    pub citation: String,
    /// The jurisdiction that it covers.
    pub jurisdiction: String,
    /// The standard that its area figure follows.
    pub basis: String,
    /// The roll year, or empty.
    pub roll_year: String,
    /// Preliminary, certified or corrected; or empty.
    pub status: String,
    /// The number of the edition, from 1.
    pub edition: u32,
    /// The file that the record was read from.
    pub file: SourceFile,
}

/// A published file and the place of one row in it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SourceFile {
    /// Its name.
    pub name: String,
    /// SHA-256 of the whole file, 64 hexadecimal digits.
    pub sha256: String,
    /// The line on which the row begins, from 1.
    pub line: u64,
    /// The first byte of the row, from 0.
    pub byte_start: u64,
    /// The length of the row in bytes.
    pub byte_length: u64,
}

/// The record as published.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Record {
    /// The parcel number as published.
    pub parcel: String,
    /// The parcel number in the form that is compared.
    pub parcel_key: String,
    /// The situs address as published.
    pub situs: String,
    /// The area on record in square feet, where there is one.
    pub area_sqft: Option<String>,
    /// The value on record, where there is one.
    pub value: Option<String>,
    /// The year built as recorded, or empty.
    pub year_built: String,
    /// The class of use as published, or empty.
    pub class: String,
    /// The row as published: each column with its value. Columns that the layout does not map read `…`.
    pub fields: Vec<Field>,
    /// SHA-256 of the bytes of the whole row as published, 64 hexadecimal digits.
    pub row_sha256: String,
    /// Who mended the row, when and why; not there for one that is as published.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mended: Option<Mended>,
}

/// A row that could not be read as it was published, and was mended by the office.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Mended {
    /// The publisher's edition that the row stands in.
    pub edition: u32,
    /// Who mended it, as that person wants to be named.
    pub by: String,
    /// When, RFC 3339 UTC.
    pub at: String,
    /// Why it reads as it does.
    pub why: String,
}

/// One column of a row as published.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Field {
    /// The column's name.
    pub header: String,
    /// Its value in this row.
    pub value: String,
}

/// Why a record belongs to a property.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Match {
    /// By what the two were brought together.
    pub how: String,
    /// Sure, or settled by a person.
    pub state: String,
    /// The address of the measured house.
    pub measured_address: String,
    /// The address on record.
    pub recorded_address: String,
}

/// The measuring of a house.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Measurement {
    /// The day of the visit, `YYYY-MM-DD`.
    pub measured_on: String,
    /// The version, from 1.
    pub version: u32,
    /// SHA-256 of the document's bytes, 64 hexadecimal digits.
    pub sha256: String,
    /// The document as it was taken in: JSON text, verbatim.
    pub document: String,
    /// What the measurement may be used for, or empty.
    pub permitted_use: String,
}

/// A definition of floor area.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Standard {
    /// Its name in layouts and judgements.
    pub id: String,
    /// Its title for people.
    pub title: String,
    /// Who publishes it.
    pub publisher: String,
    /// Which edition.
    pub edition: String,
    /// Where it was read.
    pub source: String,
    /// The face of the outer wall that it measures to.
    pub measured_to: WallFace,
    /// An office's own definition, as JSON, so that the packet verifies alone; not there for one that comes with the
    /// program. Its id is without the version that `id` ends in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub definition: Option<String>,
}

impl Standard {
    /// The definition that the house was stated under: the one in the packet, else the one of this program that has
    /// the same id and edition.
    #[must_use]
    pub fn definition(&self) -> Option<Definition> {
        let Some(own) = &self.definition else {
            let known = Definition::built_in().ok()?;
            return known.into_iter().find(|known| known.id == self.id && known.edition == self.edition);
        };
        let definition = Definition::from_json(own).ok()?;
        Some(Definition { id: self.id.clone(), ..definition })
    }
}

/// What is counted, part by part.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Statement {
    /// Every part of the house.
    pub lines: Vec<Line>,
    /// The total of what is counted, square feet.
    pub total_sqft: String,
}

/// One part of the house with what becomes of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Line {
    /// The building's name.
    pub building: String,
    /// The level's number.
    pub level: i32,
    /// What the part is used as.
    #[serde(rename = "use")]
    pub part_use: String,
    /// Its area in square feet.
    pub area_sqft: String,
    /// What becomes of it.
    pub verdict: CountingVerdict,
    /// The heading, where it is counted apart.
    pub heading: Option<String>,
    /// The rule that decided.
    pub rule: String,
    /// The rule in words, with its citation.
    pub because: String,
}

/// A measured and a recorded area side by side; areas and deviations in square feet.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Comparison {
    /// The measured area under the record's basis.
    pub measured_sqft: String,
    /// The recorded area, where there is one to compare with.
    pub recorded_sqft: Option<String>,
    /// Measured less recorded; all of the measured area where none is recorded.
    pub difference_sqft: String,
    /// Difference over the denominator in parts per million; none without a recorded area.
    pub variance_ppm: Option<i64>,
    /// What the variance is of.
    pub denominator: Denominator,
    /// Standard deviation of the measured area.
    pub sigma_measured_sqft: String,
    /// Standard deviation of the recorded area from its own rounding.
    pub sigma_recorded_sqft: String,
    /// Standard deviation of the difference.
    pub sigma_sqft: String,
    /// Difference over its standard deviation.
    pub z: String,
    /// The difference from which on the policy holds it to matter.
    pub threshold_sqft: String,
    /// Probability that the true difference is beyond the threshold, in parts per million.
    pub exceedance_ppm: i64,
}

/// One step of the explanation; the shape of [`crossfoot_audit::judge::explain::Step`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Step {
    /// What is computed.
    pub what: String,
    /// The formula with its inputs.
    pub how: String,
    /// The result with its unit.
    pub result: String,
}

/// Estimated change of the recorded value if the record were corrected.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Effect {
    /// At the lower assumption.
    pub low: String,
    /// At the upper assumption.
    pub high: String,
    /// The assumption in words.
    pub assumption: String,
}

/// What the office holds to matter.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Policy {
    /// The version of the policy, from 1.
    pub version: u32,
    /// Its name for people.
    pub name: String,
    /// The position of the rule that decided, from 1.
    pub rule_number: u32,
    /// That rule ([`crossfoot_audit::judge::policy::Rule`]) as JSON text, verbatim.
    pub rule: String,
}

/// The finding.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Finding {
    /// The kind of difference.
    pub kind: Kind,
    /// Its state.
    pub state: State,
    /// Why it is closed, where it is.
    pub closing: Option<String>,
}

/// Something that happened to the finding.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Event {
    /// When: RFC 3339 in UTC, for example `2026-03-08T16:44:38Z`.
    pub at: String,
    /// What.
    pub what: String,
    /// The state of the finding from then on.
    pub state: String,
    /// Why, where somebody said.
    pub why: Option<String>,
}

impl PacketData {
    /// The bytes of `finding.json`: indented, one line feed at the end. The packet's identity is their SHA-256.
    ///
    /// # Errors
    /// As `serde_json`; these types have nothing that it refuses.
    pub fn to_bytes(&self) -> Result<Vec<u8>, serde_json::Error> {
        let mut bytes = serde_json::to_vec_pretty(self)?;
        bytes.push(b'\n');
        Ok(bytes)
    }

    /// Reads `finding.json`.
    ///
    /// # Errors
    /// Where the bytes are not of this form; unknown fields are refused.
    pub fn from_bytes(bytes: &[u8]) -> Result<PacketData, serde_json::Error> {
        serde_json::from_slice(bytes)
    }

    /// The day that the packet is dated by: that of the newest event, `YYYY-MM-DD`.
    #[must_use]
    pub fn dated(&self) -> &str {
        let newest = self.history.iter().map(|event| event.at.as_str()).max();
        newest.and_then(|at| at.get(..10)).unwrap_or_default()
    }
}

/// An area as this form writes it: square feet, unrounded, without trailing zeros.
#[must_use]
pub fn area_text(area: Area) -> String {
    // A square micrometre is 1.1e-11 square feet: twelve decimals tell any two areas apart.
    trimmed(&area.to_square_feet(12))
}

/// An amount as this form writes it.
#[must_use]
pub fn money_text(money: Money) -> String {
    money.to_text()
}

/// A figure such as a standard deviation as this form writes it: at most six decimals.
#[must_use]
pub fn figure_text(figure: f64) -> String {
    trimmed(&format!("{figure:.6}"))
}

fn trimmed(text: &str) -> String {
    let text = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { text };
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

impl fmt::Display for PacketData {
    /// Which property against which source.
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{} against {}", self.property.reference, self.source.id)
    }
}

impl From<&Judgement> for Comparison {
    fn from(judgement: &Judgement) -> Comparison {
        let c = &judgement.comparison;
        Comparison {
            measured_sqft: area_text(c.measured),
            recorded_sqft: c.recorded.map(area_text),
            difference_sqft: area_text(c.difference),
            variance_ppm: c.variance_ppm,
            denominator: c.denominator,
            sigma_measured_sqft: figure_text(c.sigma_measured),
            sigma_recorded_sqft: figure_text(c.sigma_recorded),
            sigma_sqft: figure_text(c.sigma),
            z: figure_text(c.z),
            threshold_sqft: area_text(judgement.threshold),
            exceedance_ppm: judgement.exceedance_ppm,
        }
    }
}

impl From<&Definition> for Standard {
    fn from(standard: &Definition) -> Standard {
        Standard {
            id: standard.id.clone(),
            title: standard.title.clone(),
            publisher: standard.publisher.clone(),
            edition: standard.edition.clone(),
            source: standard.source.clone(),
            measured_to: standard.measured_to,
            definition: standard.id.split_once(VERSION).and_then(|(id, _)| {
                serde_json::to_string(&Definition { id: id.to_owned(), ..standard.clone() }).ok()
            }),
        }
    }
}

impl Statement {
    /// A house stated under a standard, with the words of the rules that decided.
    #[must_use]
    pub fn of(statement: &AreaStatement) -> Statement {
        let lines = statement.lines.iter().map(|line| Line {
            building: line.building.clone(),
            level: line.level,
            part_use: line.part_use.name().to_owned(),
            area_sqft: area_text(line.area),
            verdict: line.verdict,
            heading: line.heading.clone(),
            rule: line.rule.clone(),
            because: line.because.clone(),
        });
        Statement { lines: lines.collect(), total_sqft: area_text(statement.total) }
    }
}

impl From<crossfoot_audit::judge::explain::Step> for Step {
    fn from(step: crossfoot_audit::judge::explain::Step) -> Step {
        Step { what: step.what, how: step.how, result: step.result }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_area_is_written_so_that_it_reads_back_exactly() {
        for micrometres in [0, 1, -1, 92_903_040_000, 120_568_565_312_001, -7_345_678_901_234] {
            let area = Area::from_square_micrometres(micrometres);
            assert_eq!(Area::parse_square_feet(&area_text(area)).unwrap(), area);
        }
        assert_eq!(area_text(Area::parse_square_feet("1297.80").unwrap()), "1297.8");
    }

    #[test]
    fn a_figure_has_no_more_digits_than_it_needs() {
        assert_eq!(figure_text(4.289_600_04), "4.2896");
        assert_eq!(figure_text(-0.000_000_1), "0");
        assert_eq!(figure_text(1e9), "1000000000");
    }
}
