//! What a packet's data must be, beyond its form, for a document to be made of it.

use crossfoot_audit::area::Area;
use crossfoot_audit::judge::Kind;
use crossfoot_audit::judge::policy::Rule;
use crossfoot_audit::money::Money;
use crossfoot_audit::standard::Standard as Definition;
use serde_json::Value;
use sha2::{Digest as _, Sha256};

use super::{Comparison, FORMAT, PacketData, Standard, VERSION};

/// Past this many parts, columns, steps or events nobody reads the document.
const ROWS_MAX: usize = 1_000;
/// `finding.json` beyond this is no finding: the house with forty rooms comes to some 30 KB.
const BYTES_MAX: usize = 4 * 1024 * 1024;
/// What is set on pages, which is all but the measurement. Setting a text takes time with its length: a packet that
/// somebody sends to be verified must not keep a processor busy for minutes.
const SHOWN_BYTES_MAX: usize = 256 * 1024;
/// One text of it: some two pages.
const TEXT_BYTES_MAX: usize = 8 * 1024;

/// Why data are no packet: which field, and what is wrong with it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{field}: {wrong}")]
pub struct Flaw {
    /// The field.
    pub field: String,
    /// What is wrong with it and what would mend it.
    pub wrong: String,
}

impl PacketData {
    /// Checks what the form alone does not say.
    ///
    /// # Errors
    /// The first [`Flaw`].
    pub fn check(&self) -> Result<(), Flaw> {
        if self.format != FORMAT {
            return flaw(
                "format",
                format!("{:?} is not {FORMAT:?}, the form that is known here", self.format),
            );
        }
        let size =
            self.to_bytes().map_err(|e| Flaw { field: "format".to_owned(), wrong: e.to_string() })?.len();
        if size > BYTES_MAX {
            return flaw("format", format!("{size} bytes are too many: at most {BYTES_MAX}"));
        }
        self.lengths()?;
        self.counts()?;
        self.definition()?;
        self.hashes()?;
        self.areas()?;
        self.comparison.figures()?;
        self.amounts()?;
        self.dates()?;
        self.texts()
    }

    fn lengths(&self) -> Result<(), Flaw> {
        let mut value = serde_json::to_value(self)
            .map_err(|e| Flaw { field: "format".to_owned(), wrong: e.to_string() })?;
        for not_shown in ["/measurement/document", "/standard/definition"] {
            if let Some(text) = value.pointer_mut(not_shown) {
                *text = Value::Null;
            }
        }
        let mut total = 0_usize;
        let mut left = vec![("", &value)];
        while let Some((name, value)) = left.pop() {
            match value {
                Value::String(text) if text.len() > TEXT_BYTES_MAX => {
                    let wrong = format!("{} bytes are too many: at most {TEXT_BYTES_MAX}", text.len());
                    return flaw(name, wrong);
                }
                Value::String(text) => total = total.saturating_add(text.len()),
                Value::Array(list) => left.extend(list.iter().map(|value| (name, value))),
                Value::Object(map) => left.extend(map.iter().map(|(name, value)| (name.as_str(), value))),
                Value::Null | Value::Bool(_) | Value::Number(_) => {}
            }
        }
        if total > SHOWN_BYTES_MAX {
            return flaw(
                "format",
                format!("{total} bytes to be shown are too many: at most {SHOWN_BYTES_MAX}"),
            );
        }
        Ok(())
    }

    /// What the document shows of an office's own standard is what the definition says.
    fn definition(&self) -> Result<(), Flaw> {
        let Some(text) = &self.standard.definition else { return Ok(()) };
        let field = "standard.definition";
        let definition = Definition::from_json(text)
            .map_err(|e| Flaw { field: field.to_owned(), wrong: format!("is no definition: {e}") })?;
        let named = self.standard.id.split_once(VERSION).map(|(id, _)| id);
        if named != Some(definition.id.as_str()) {
            return flaw(
                field,
                format!("is called {:?}, the standard {:?}", definition.id, self.standard.id),
            );
        }
        let shown = Standard {
            id: self.standard.id.clone(),
            definition: Some(text.clone()),
            ..Standard::from(&definition)
        };
        if shown != self.standard {
            return flaw(
                field,
                "does not say what is shown of it: title, publisher, edition, source or face".to_owned(),
            );
        }
        Ok(())
    }

    fn counts(&self) -> Result<(), Flaw> {
        for (field, rows) in [
            ("statement.lines", self.statement.lines.len()),
            ("record.fields", self.record.fields.len()),
            ("explanation", self.explanation.len()),
            ("history", self.history.len()),
        ] {
            if rows > ROWS_MAX {
                return flaw(field, format!("{rows} entries are too many: at most {ROWS_MAX}"));
            }
        }
        if self.history.is_empty() {
            return flaw("history", "is empty: the packet is dated by its newest event".to_owned());
        }
        Ok(())
    }

    fn hashes(&self) -> Result<(), Flaw> {
        for (field, hash) in [
            ("source.file.sha256", &self.source.file.sha256),
            ("record.row_sha256", &self.record.row_sha256),
            ("measurement.sha256", &self.measurement.sha256),
        ] {
            let lower_hex = |byte: u8| byte.is_ascii_digit() || (b'a'..=b'f').contains(&byte);
            if hash.len() != 64 || !hash.bytes().all(lower_hex) {
                return flaw(field, "is no SHA-256: 64 digits 0-9 and a-f".to_owned());
            }
        }
        Ok(())
    }

    fn areas(&self) -> Result<(), Flaw> {
        let lines =
            self.statement.lines.iter().map(|line| ("statement.lines.area_sqft", Some(&line.area_sqft)));
        let others = [
            ("statement.total_sqft", Some(&self.statement.total_sqft)),
            ("record.area_sqft", self.record.area_sqft.as_ref()),
            ("comparison.measured_sqft", Some(&self.comparison.measured_sqft)),
            ("comparison.recorded_sqft", self.comparison.recorded_sqft.as_ref()),
            ("comparison.difference_sqft", Some(&self.comparison.difference_sqft)),
            ("comparison.threshold_sqft", Some(&self.comparison.threshold_sqft)),
        ];
        for (field, text) in lines.chain(others) {
            if let Some(Err(e)) = text.map(|text| Area::parse_square_feet(text)) {
                return flaw(field, e.to_string());
            }
        }
        let compared = self.comparison.recorded_sqft.is_some() && self.comparison.variance_ppm.is_some();
        match (self.finding.kind, compared) {
            (Kind::Variance, true) | (Kind::NoArea | Kind::RecordedVacant, false) => Ok(()),
            (Kind::Variance, false) => {
                flaw("comparison", "a variance needs a recorded area and variance_ppm".to_owned())
            }
            (Kind::NoArea | Kind::RecordedVacant, true) => {
                flaw("comparison", "without an area on record there is no variance_ppm".to_owned())
            }
        }
    }

    fn amounts(&self) -> Result<(), Flaw> {
        let effect = self.effect.as_ref();
        for (field, text) in [
            ("record.value", self.record.value.as_ref()),
            ("effect.low", effect.map(|effect| &effect.low)),
            ("effect.high", effect.map(|effect| &effect.high)),
        ] {
            if let Some(Err(e)) = text.map(|text| Money::parse(text)) {
                return flaw(field, e.to_string());
            }
        }
        Ok(())
    }

    fn dates(&self) -> Result<(), Flaw> {
        if !is_date(&self.measurement.measured_on) {
            return flaw("measurement.measured_on", "write the date as YYYY-MM-DD".to_owned());
        }
        if self.record.mended.as_ref().is_some_and(|mended| !is_instant(&mended.at)) {
            return flaw("record.mended.at", "is no time such as 2026-03-08T16:44:38Z".to_owned());
        }
        match self.history.iter().find(|event| !is_instant(&event.at)) {
            Some(event) => {
                flaw("history.at", format!("{:?} is no time such as 2026-03-08T16:44:38Z", event.at))
            }
            None => Ok(()),
        }
    }

    fn texts(&self) -> Result<(), Flaw> {
        if let Err(e) = serde_json::from_str::<Value>(&self.measurement.document) {
            return flaw("measurement.document", format!("is no JSON: {e}"));
        }
        let document = hex::encode(Sha256::digest(self.measurement.document.as_bytes()));
        if document != self.measurement.sha256 {
            return flaw("measurement.sha256", format!("is not that of the document, {document}"));
        }
        match serde_json::from_str::<Rule>(&self.policy.rule) {
            Err(e) => flaw("policy.rule", format!("is no rule of a policy: {e}")),
            Ok(_) if self.property.reference.trim().is_empty() => {
                flaw("property.reference", "is empty: the packet is named for it".to_owned())
            }
            Ok(_) => Ok(()),
        }
    }
}

impl Comparison {
    fn figures(&self) -> Result<(), Flaw> {
        for (field, text, least) in [
            ("comparison.sigma_measured_sqft", &self.sigma_measured_sqft, 0.0),
            ("comparison.sigma_recorded_sqft", &self.sigma_recorded_sqft, 0.0),
            ("comparison.sigma_sqft", &self.sigma_sqft, 0.0),
            ("comparison.z", &self.z, f64::NEG_INFINITY),
        ] {
            let read = text.parse::<f64>().ok().filter(|figure| figure.is_finite() && *figure >= least);
            if read.is_none() {
                return flaw(field, format!("{text:?} is no such figure: write a plain decimal number"));
            }
        }
        if !(0..=1_000_000).contains(&self.exceedance_ppm) {
            return flaw("comparison.exceedance_ppm", "is a probability: 0 to 1000000".to_owned());
        }
        Ok(())
    }
}

fn flaw(field: &str, wrong: String) -> Result<(), Flaw> {
    Err(Flaw { field: field.to_owned(), wrong })
}

/// `YYYY-MM-DD` with a month and a day that exist.
fn is_date(text: &str) -> bool {
    let mut parts = text.split('-').map(|part| (part.len(), digits(part)));
    let (Some((4, Some(year))), Some((2, Some(month))), Some((2, Some(day))), None) =
        (parts.next(), parts.next(), parts.next(), parts.next())
    else {
        return false;
    };
    let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    let days = match month {
        2 if leap => 29,
        2 => 28,
        4 | 6 | 9 | 11 => 30,
        _ => 31,
    };
    year > 0 && (1..=12).contains(&month) && (1..=days).contains(&day)
}

/// A date, `T`, a time of day to the second with or without a fraction, and `Z`.
fn is_instant(text: &str) -> bool {
    let Some((date, time)) = text.strip_suffix('Z').and_then(|text| text.split_once('T')) else {
        return false;
    };
    let (time, fraction) = time.split_once('.').unwrap_or((time, "0"));
    let mut parts = time.split(':').map(|part| (part.len(), digits(part)));
    let (Some((2, Some(hour))), Some((2, Some(minute))), Some((2, Some(second))), None) =
        (parts.next(), parts.next(), parts.next(), parts.next())
    else {
        return false;
    };
    is_date(date) && hour < 24 && minute < 60 && second <= 60 && digits(fraction).is_some()
}

fn digits(text: &str) -> Option<u32> {
    text.bytes().all(|byte| byte.is_ascii_digit()).then(|| text.parse().ok()).flatten()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_days_of_the_calendar_are_dates() {
        for good in ["2026-03-08", "2024-02-29", "2000-02-29"] {
            assert!(is_date(good), "{good}");
        }
        for bad in [
            "2026-02-29",
            "1900-02-29",
            "2026-13-01",
            "2026-00-10",
            "2026-04-31",
            "2026-4-03",
            "",
            "+026-01-01",
        ] {
            assert!(!is_date(bad), "{bad}");
        }
    }

    #[test]
    fn a_time_is_in_utc_and_to_the_second() {
        for good in ["2026-11-25T16:44:38Z", "2026-11-25T16:44:38.123456Z"] {
            assert!(is_instant(good), "{good}");
        }
        for bad in
            ["2026-11-25T16:44:38+01:00", "2026-11-25 16:44:38Z", "2026-11-25T24:00:00Z", "2026-11-25", "Z"]
        {
            assert!(!is_instant(bad), "{bad}");
        }
    }
}
