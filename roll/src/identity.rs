//! Arithmetic that records keep, checked record by record: a total that its components do not make up is a slip of
//! whoever keeps the record, and worth more than any percentage.

use crate::layout::Layout;
use crate::record_view::NamedValue;
use rust_decimal::Decimal;
use std::str::FromStr;

/// An identity that a record does not keep.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct IdentityFailure {
    /// Which of the layout's identities, from 0.
    pub identity: usize,
    /// The building, where the values are a building's.
    pub building: Option<String>,
    /// What the total says.
    pub left: Decimal,
    /// What the components make.
    pub right: Decimal,
}

/// Which identities of the layout the values of a record could be held against, and which of those fail.
///
/// A total that is not there is not checked; a component that is not there counts nothing, unless none is there. A
/// value with headings of its own counts with all of them.
#[must_use]
pub fn identity_failures(layout: &Layout, values: &[NamedValue]) -> (Vec<usize>, Vec<IdentityFailure>) {
    let (mut checked, mut failures) = (Vec::new(), Vec::new());
    let mut buildings: Vec<Option<&str>> = vec![None];
    for value in values {
        if !buildings.contains(&value.building.as_deref()) {
            buildings.push(value.building.as_deref());
        }
    }
    for (number, identity) in layout.identity.iter().enumerate() {
        let tolerance = Decimal::from_str(&identity.tolerance).unwrap_or_default();
        for building in &buildings {
            let of = |name: &str| sum(values, *building, name);
            let Some(left) = of(&identity.left) else { continue };
            let terms: Vec<Decimal> = identity
                .terms()
                .filter_map(|(name, off)| of(name).map(|value| if off { -value } else { value }))
                .collect();
            if terms.is_empty() {
                continue;
            }
            let right: Decimal = terms.iter().sum();
            checked.push(number);
            if (left - right).abs() > tolerance {
                let building = building.map(str::to_owned);
                failures.push(IdentityFailure { identity: number, building, left, right });
            }
        }
    }
    (checked, failures)
}

/// The sum of the values of a name that one building, or the parcel, has.
fn sum(values: &[NamedValue], building: Option<&str>, name: &str) -> Option<Decimal> {
    let of = values.iter().filter(|value| value.building.as_deref() == building && value.name == name);
    let figures: Vec<Decimal> = of.filter_map(|value| Decimal::from_str(&value.text).ok()).collect();
    (!figures.is_empty()).then(|| figures.iter().sum())
}
