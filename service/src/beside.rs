//! The records of one property from all sources, side by side: each on its own basis, and where they disagree.

use crossfoot_audit::record::beside::{Beside, Disagreement, copies, disagreements};
use crossfoot_roll::layout::Layout;
use crossfoot_store::mend::Mend;
use crossfoot_store::queue::PairView;
use crossfoot_store::record::Record;
use crossfoot_store::{Store, StoreError};

/// One source's side of a property.
pub(crate) struct Side {
    /// Match, judgement and finding.
    pub(crate) pair: PairView,
    /// The source's title.
    pub(crate) title: String,
    /// The layout by which the edition in use is read.
    pub(crate) layout: Layout,
    /// The year of the roll in use, where stated.
    pub(crate) roll_year: Option<i64>,
    /// How final it is.
    pub(crate) status: String,
    /// The record, where the source has one under the key.
    pub(crate) record: Option<Record>,
    /// Who mended its row, where it is not as published.
    pub(crate) mended: Option<Mend>,
}

/// All sides of a property, and what the records say of each other.
pub(crate) struct Sides {
    /// By source.
    pub(crate) sides: Vec<Side>,
    /// Where the records disagree.
    pub(crate) disagreements: Vec<Disagreement>,
    /// Which sources copy another.
    pub(crate) copies: Vec<String>,
}

/// Gathers the sides of a property.
pub(crate) async fn sides(store: &Store, pairs: Vec<PairView>) -> Result<Sides, StoreError> {
    let mut sides = Vec::with_capacity(pairs.len());
    for pair in pairs {
        let source = store.source_by_number(pair.source_number).await?;
        let edition = store.edition(source.number, source.current_edition.unwrap_or(pair.edition)).await?;
        let found = store.record_by_keys(&source, std::slice::from_ref(&pair.parcel_key)).await?;
        let record = found.into_iter().next();
        let mended = match &record {
            Some(record) => store.mend(source.number, record.edition).await?,
            None => None,
        };
        sides.push(Side {
            pair,
            title: source.title,
            layout: edition.layout,
            roll_year: edition.roll_year,
            status: edition.status,
            record,
            mended,
        });
    }
    // a record that may belong to another house says nothing about this one
    let sure = |side: &&Side| ["sure", "settled"].contains(&side.pair.match_state.as_str());
    let beside: Vec<Beside<'_>> = sides.iter().filter(sure).filter_map(beside).collect();
    let (disagreements, copies) = (disagreements(&beside), copies(&beside));
    Ok(Sides { sides, disagreements, copies })
}

fn beside(side: &Side) -> Option<Beside<'_>> {
    let record = side.record.as_ref()?;
    Some(Beside {
        source: &side.pair.source,
        basis: &side.layout.basis,
        rounding_sqft: side.layout.area_rounding_sqft(),
        copies: side.layout.derived_from.as_deref(),
        area: record.area,
        value: record.value,
        year_built: record.year_built,
        class: &record.class,
        situs: &record.situs,
    })
}
