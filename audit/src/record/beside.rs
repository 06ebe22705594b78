//! Records of one property from several sources, held against each other.
//!
//! Where they differ a sentence says how, and for areas first whether the sources say that they count the same: two
//! figures on two bases may both be right. A source that copies another is no second witness.

use super::address::{Agreement, StreetAddress, agreement};
use crate::area::Area;
use crate::money::Money;

/// The basis of a source whose publisher does not state one.
const NOT_PUBLISHED: &str = "not-published";

/// The record of one source.
#[derive(Debug, Clone, PartialEq)]
pub struct Beside<'a> {
    /// The source.
    pub source: &'a str,
    /// The standard that its area follows, or `not-published`.
    pub basis: &'a str,
    /// Its area is rounded to so many square feet.
    pub rounding_sqft: f64,
    /// The source that it copies, where it says so.
    pub copies: Option<&'a str>,
    /// The recorded area.
    pub area: Option<Area>,
    /// The recorded value.
    pub value: Option<Money>,
    /// The year built.
    pub year_built: Option<i64>,
    /// The class of use as published.
    pub class: &'a str,
    /// The situs address as published.
    pub situs: &'a str,
}

/// A field in which records differ.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Disagreement {
    /// `area`, `value`, `year_built`, `class` or `situs`.
    pub field: &'static str,
    /// How they differ and what that means.
    pub sentence: String,
}

/// The fields in which two or more of the records differ. A field that a record leaves blank does not differ.
#[must_use]
pub fn disagreements(records: &[Beside<'_>]) -> Vec<Disagreement> {
    let found = [
        ("area", areas(records)),
        ("value", values(records)),
        ("year_built", years(records)),
        ("class", classes(records)),
        ("situs", addresses(records)),
    ];
    found
        .into_iter()
        .filter_map(|(field, sentence)| Some(Disagreement { field, sentence: sentence? }))
        .collect()
}

/// What is said of sources that copy another one of those shown.
#[must_use]
pub fn copies(records: &[Beside<'_>]) -> Vec<String> {
    let shown = |name: &str| records.iter().any(|record| record.source == name);
    let copy = |record: &Beside<'_>| {
        let of = record.copies?;
        let what = if shown(of) { "one witness with it" } else { "no witness of its own" };
        Some(format!("{} copies {of}: {what}.", record.source))
    };
    records.iter().filter_map(copy).collect()
}

/// `a in X, b in Y`.
fn told<T>(figures: &[(&Beside<'_>, T)], text: impl Fn(&T) -> String) -> String {
    let each = figures.iter().map(|(record, figure)| format!("{} in {}", text(figure), record.source));
    each.collect::<Vec<_>>().join(", ")
}

fn areas(records: &[Beside<'_>]) -> Option<String> {
    let figures: Vec<(&Beside<'_>, Area)> =
        records.iter().filter_map(|record| Some((record, record.area?))).collect();
    let least = figures.iter().min_by_key(|(_, area)| *area)?;
    let most = figures.iter().max_by_key(|(_, area)| *area)?;
    let apart = most.1.to_square_feet_f64() - least.1.to_square_feet_f64();
    // what two roundings explain is no difference; a millionth for what the figures lose on the way here
    if apart <= (most.0.rounding_sqft + least.0.rounding_sqft) / 2.0 + 1e-6 {
        return None;
    }
    let bases: Vec<&str> = figures.iter().map(|(record, _)| record.basis).collect();
    let first = bases.first().copied().unwrap_or_default();
    let means = if bases.contains(&NOT_PUBLISHED) {
        "not every source says what its area counts, so what the difference means is not known".to_owned()
    } else if bases.iter().all(|basis| *basis == first) {
        format!("all of them count by {first}, so at most one of the figures is right")
    } else {
        "they count by different definitions, so each may be right on its own: that is no error by itself"
            .to_owned()
    };
    let figures = told(&figures, |area| format!("{} sq ft", area.to_square_feet(0)));
    Some(format!("The areas differ: {figures}; {means}."))
}

fn values(records: &[Beside<'_>]) -> Option<String> {
    let figures: Vec<(&Beside<'_>, Money)> =
        records.iter().filter_map(|record| Some((record, record.value?))).collect();
    differ(&figures)?;
    Some(format!("The values differ: {}.", told(&figures, |value| value.to_text())))
}

fn years(records: &[Beside<'_>]) -> Option<String> {
    let figures: Vec<(&Beside<'_>, i64)> =
        records.iter().filter_map(|record| Some((record, record.year_built?))).collect();
    differ(&figures)?;
    Some(format!("The years built differ: {}.", told(&figures, ToString::to_string)))
}

fn classes(records: &[Beside<'_>]) -> Option<String> {
    let figures: Vec<(&Beside<'_>, String)> = records
        .iter()
        .filter(|record| !record.class.trim().is_empty())
        .map(|record| (record, record.class.trim().to_lowercase()))
        .collect();
    differ(&figures)?;
    let words: Vec<(&Beside<'_>, &str)> =
        figures.iter().map(|(record, _)| (*record, record.class.trim())).collect();
    let words = told(&words, |class| format!("{class:?}"));
    Some(format!(
        "The classes are written differently: {words}; each publisher has words of its own, which may mean the same."
    ))
}

fn addresses(records: &[Beside<'_>]) -> Option<String> {
    let written: Vec<(&Beside<'_>, StreetAddress)> = records
        .iter()
        .filter(|record| !record.situs.trim().is_empty())
        .map(|record| (record, StreetAddress::parse(record.situs)))
        .collect();
    let (first, others) = written.split_first()?;
    let why = others.iter().find_map(|other| match agreement(&first.1, &other.1) {
        Agreement::Disagree(why) => Some(why),
        Agreement::Agree | Agreement::Unknown => None,
    })?;
    let words: Vec<(&Beside<'_>, &str)> = written.iter().map(|(record, _)| (*record, record.situs)).collect();
    Some(format!("The addresses differ ({why}): {}.", told(&words, |situs| (*situs).to_owned())))
}

fn differ<T: PartialEq>(figures: &[(&Beside<'_>, T)]) -> Option<()> {
    let (first, others) = figures.split_first()?;
    others.iter().any(|(_, figure)| *figure != first.1).then_some(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn record<'a>(source: &'a str, basis: &'a str, area: i64) -> Beside<'a> {
        Beside {
            source,
            basis,
            rounding_sqft: 1.0,
            copies: None,
            area: Some(Area::from_whole_square_feet(area).unwrap()),
            value: Some(Money::from_cents(21_600_000)),
            year_built: Some(1987),
            class: "110",
            situs: "114 GARNET ST",
        }
    }

    fn told(records: &[Beside<'_>]) -> Vec<String> {
        disagreements(records)
            .into_iter()
            .map(|found| format!("{}: {}", found.field, found.sentence))
            .collect()
    }

    #[test]
    fn records_that_agree_within_their_rounding_say_nothing() {
        let treasurer = Beside {
            rounding_sqft: 10.0,
            class: " 110 ",
            situs: "114 Garnet Street",
            ..record("treasurer", "b", 2310)
        };
        assert_eq!(told(&[record("county", "b", 2311), treasurer]), [""; 0]);
        assert_eq!(told(&[record("county", "b", 2311)]), [""; 0]);
        assert_eq!(told(&[]), [""; 0]);
    }

    #[test]
    fn areas_say_first_whether_the_bases_are_the_same() {
        let differ =
            |basis: &str| told(&[record("county", "a", 912), record("treasurer", basis, 1300)]).join("");
        assert_eq!(
            differ("a"),
            "area: The areas differ: 912 sq ft in county, 1300 sq ft in treasurer; all of them count by a, so at most \
             one of the figures is right."
        );
        assert!(differ("b").ends_with("that is no error by itself."));
        assert!(differ("not-published").ends_with("is not known."));
    }

    #[test]
    fn every_other_field_is_told_and_blanks_do_not_differ() {
        let other = Beside {
            value: Some(Money::from_cents(1)),
            year_built: Some(1990),
            class: "House",
            situs: "120 GARNET ST",
            ..record("treasurer", "a", 912)
        };
        let fields: Vec<_> =
            disagreements(&[record("county", "a", 912), other]).iter().map(|d| d.field).collect();
        assert_eq!(fields, ["value", "year_built", "class", "situs"]);
        let blank = Beside {
            area: None,
            value: None,
            year_built: None,
            class: " ",
            situs: "",
            ..record("x", "a", 1)
        };
        assert_eq!(told(&[record("county", "a", 912), blank]), [""; 0]);
    }

    #[test]
    fn a_copy_is_one_witness_with_what_it_copies() {
        let copy = Beside { copies: Some("county"), ..record("portal", "a", 912) };
        assert_eq!(
            copies(&[record("county", "a", 912), copy.clone()]),
            ["portal copies county: one witness with it."]
        );
        assert_eq!(copies(&[copy]), ["portal copies county: no witness of its own."]);
    }
}
