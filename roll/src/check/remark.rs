//! What is worth telling a person about a file, in sentences with their figures.

use serde::{Deserialize, Serialize};

use super::doubles::DoublesCheck;
use super::identity::digit_off;
use super::summary::{CheckSummary, square_feet_of};
use super::tally::whole;
use super::{IdentityCheck, RollCheck};
use crate::layout::Layout;
use crate::unpack::listed;

/// A remark on a file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Remark {
    /// Its kind, as a name to count by.
    pub kind: String,
    /// What was found, and what would mend it.
    pub sentence: String,
}

/// A share of areas in multiples of ten beyond chance that is worth a remark (common practice, no source).
const SOME_ROUNDED: f64 = 0.05;
/// The probability below which multiples of ten are no chance.
const NO_CHANCE: f64 = 0.001;

/// The remarks on an edition: rounding, damaged numbers, years that stand for nothing, sums that fail, double rows.
#[must_use]
pub fn remarks(check: &RollCheck, doubles: &DoublesCheck, layout: &Layout) -> Vec<Remark> {
    let summary = check.summary(layout);
    let rounding = rounding(&summary, layout).map(|sentence| ("rounding", sentence));
    let scientific = scientific(&summary).map(|sentence| ("scientific_ids", sentence));
    let zeros = lost_zeros(&summary, layout).into_iter().map(|sentence| ("lost_zeros", sentence));
    let years = summary.years.sentinels.iter().map(|(year, n)| {
        let share = percent(whole(*n) / whole(summary.years.n.max(1)));
        let sentence = format!(
            "the year {year} stands in {} rows ({share}), far more than the years beside it: it probably means \"not \
             known\"; add \"{year}\" to null under [year_built]",
            grouped(*n)
        );
        ("year_sentinel", sentence)
    });
    let identities = check.identities.iter().filter_map(|(name, identity)| sum(name, identity));
    let identities = identities.map(|sentence| ("identity", sentence));
    let doubles = doubles_told(doubles);
    let doubles = (!doubles.is_empty()).then(|| ("doubles", doubles.join("; ")));
    let all =
        rounding.into_iter().chain(scientific).chain(zeros).chain(years).chain(identities).chain(doubles);
    all.map(|(kind, sentence)| Remark { kind: kind.to_owned(), sentence }).collect()
}

/// The remark on what an archive or workbook holds besides the texts that are read; none where there is nothing.
#[must_use]
pub fn passed_over(file: &str, names: &[String]) -> Option<Remark> {
    let sentence = format!(
        "besides, {file} holds {} more that the layout does not read: {}; where rows of the roll are in there, name it in the layout",
        grouped(i64::try_from(names.len()).unwrap_or(i64::MAX)),
        listed(names)
    );
    (!names.is_empty()).then(|| Remark { kind: "passed_over".to_owned(), sentence })
}

fn rounding(summary: &CheckSummary, layout: &Layout) -> Option<String> {
    let area = &summary.area;
    let heaping = area.heaping.as_ref()?;
    let unit = if square_feet_of(area.unit) > 1.0 { "m²" } else { "sq ft" };
    let tens = percent(heaping.by_ten);
    let n = grouped(heaping.whole);
    if let Some(step) = heaping.step {
        let proposed = f64::from(step) * square_feet_of(area.unit);
        if (proposed - layout.area_rounding_sqft()).abs() < 0.05 * proposed {
            return None;
        }
        let proposed =
            if proposed.fract() == 0.0 { format!("{proposed:.1}") } else { format!("{proposed:.2}") };
        return Some(format!(
            "of {n} areas {tens} are multiples of 10 where 10 % would be by chance, so the publisher rounds to {step} \
             {unit}: set rounding_sqft = {proposed} in the layout, which says {:?}; what the publisher rounds is no \
             difference",
            layout.area_rounding_sqft()
        ));
    }
    (heaping.p_by_ten < NO_CHANCE && heaping.rounded_share() >= SOME_ROUNDED).then(|| {
        format!(
            "of {n} areas {tens} are multiples of 10 where 10 % would be by chance: some {} of them are rounded, and \
             nothing says which",
            percent(heaping.rounded_share())
        )
    })
}

fn scientific(summary: &CheckSummary) -> Option<String> {
    let n = summary.scientific_ids;
    (n > 0).then(|| {
        format!(
            "{} parcel numbers are in scientific notation, as 1.23E+13, and have lost digits: these rows are in \
             quarantine and cannot be mended; have the file exported anew with that column as text",
            grouped(n)
        )
    })
}

fn lost_zeros(summary: &CheckSummary, layout: &Layout) -> Vec<String> {
    let told = summary.lost_zeros.iter().map(|lost| {
        let column = layout.parcel.columns.get(lost.part - 1).map(String::as_str).unwrap_or_default();
        let (n, share) = (grouped(lost.short), percent(lost.share));
        if lost.declared {
            format!(
                "{n} numbers in {column} ({share}) are shorter than the {} characters that the layout pads to: leading \
                 zeros were lost on the way, and are put back for the key",
                lost.length
            )
        } else {
            format!(
                "{n} numbers in {column} ({share}) are shorter than the usual {} characters, of which some begin with \
                 zeros: leading zeros were lost; have the column exported as text, or set pad_left under [parcel]",
                lost.length
            )
        }
    });
    told.collect()
}

fn sum(name: &str, identity: &IdentityCheck) -> Option<String> {
    if identity.failed <= 0 || identity.checked <= 0 {
        return None;
    }
    let share = percent(whole(identity.failed) / whole(identity.checked));
    let example = identity.examples.first().map(|row| {
        let digit = digit_off(&row.total, &row.sum).map(|_| ", one digit off").unwrap_or_default();
        format!(
            "; on line {} the parcel {} has {} where its parts come to {}{digit}",
            row.line, row.parcel, row.total, row.sum
        )
    });
    Some(format!(
        "{name} does not hold in {} of {} rows ({share}){}",
        grouped(identity.failed),
        grouped(identity.checked),
        example.unwrap_or_default()
    ))
}

/// What there is to tell of rows with the parcel number of an earlier one, part by part, without capitals and points;
/// nothing where there are none.
#[must_use]
pub fn doubles_told(doubles: &DoublesCheck) -> Vec<String> {
    let all = doubles.same + doubles.other;
    if all <= 0 {
        return Vec::new();
    }
    let rows = if all == 1 { "row has" } else { "rows have" };
    let says = |n: i64| if n == 1 { "says" } else { "say" };
    let is = if doubles.other == 1 { "is" } else { "are" };
    let mut told = vec![format!(
        "{} {rows} the parcel number of an earlier row: {} {} the same, {} {} something else and {is} in quarantine",
        grouped(all),
        grouped(doubles.same),
        says(doubles.same),
        grouped(doubles.other),
        says(doubles.other),
    )];
    if doubles.looked_at > 0 {
        let kinds: Vec<String> =
            doubles.kinds.iter().map(|(kind, n)| format!("{} {}", grouped(*n), kind.words())).collect();
        told.push(format!("of {} looked at: {}", grouped(doubles.looked_at), kinds.join(", ")));
    }
    let mut columns: Vec<(&String, &i64)> = doubles.columns.iter().collect();
    columns.sort_by_key(|(name, n)| (std::cmp::Reverse(**n), *name));
    if !columns.is_empty() {
        let names: Vec<&str> = columns.iter().take(4).map(|(name, _)| name.as_str()).collect();
        told.push(format!("they differ most in {}", names.join(", ")));
    }
    told
}

/// A whole number with its digits in groups of three.
#[must_use]
pub fn grouped(number: i64) -> String {
    let digits = number.unsigned_abs().to_string();
    let mut text = String::with_capacity(digits.len() + digits.len() / 3);
    for (at, digit) in digits.chars().enumerate() {
        if at > 0 && (digits.len() - at).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    if number < 0 { format!("-{text}") } else { text }
}

/// A share in percent with one decimal.
#[must_use]
pub fn percent(share: f64) -> String {
    format!("{:.1} %", share * 100.0)
}
