//! What a loaded edition says about itself, before it comes into use: kept, told, and where it must not come into use,
//! why.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::ops::Range;

use crossfoot_audit::area::Area;
use crossfoot_audit::record::figure::AreaUnit;
use crossfoot_roll::check::{
    DoublePair, DoublesCheck, Gate, Remark, RollCheck, RowPlace, definition_change, remarks,
};
use crossfoot_roll::{PublishedField, published_row};
use crossfoot_store::check::EditionCheck;
use crossfoot_store::job::Claim;
use crossfoot_store::load::Loaded;
use crossfoot_store::source::{Edition, Source};
use crossfoot_store::{Store, StoreError};
use tracing::warn;

use crate::evidence::EvidenceError;
use crate::import::parsing::Check;
use crate::original::FileAgain;
use crate::runner::{JobError, with_causes};

/// What the rows of a loaded edition come to: as counted while they were read or, where known rows were passed over, the
/// counts of the edition before moved by what changed. None where that one has none.
pub(super) fn counts(check: Check, loaded: &mut Loaded) -> Option<RollCheck> {
    match check {
        Check::Whole(counts) => Some(counts),
        Check::Changes { rejects } => loaded.moved.take().map(|counts| RollCheck { rejects, ..counts }),
    }
}

/// The median area by counts of an edition: within 0.4 %.
pub(super) fn median(counts: &RollCheck, edition: &Edition) -> Option<Area> {
    let area = counts.summary(&edition.layout).area;
    let median = area.spread.median?;
    match area.unit {
        AreaUnit::SquareFeet => Area::from_square_feet_f64(median),
        AreaUnit::SquareMetres => Area::from_square_metres_f64(median),
    }
}

/// Keeps the check of an edition, with what else there is to tell of its files, and gives the reasons for which it must
/// not come into use.
pub(super) async fn conclude(
    store: &Store,
    claim: &Claim,
    source: &Source,
    edition: &Edition,
    (counts, told): (Option<RollCheck>, Vec<Remark>),
    loaded: &Loaded,
) -> Result<Vec<Gate>, JobError> {
    let mut gates: Vec<Gate> = loaded.doubles.gate().into_iter().collect();
    let Some(counts) = counts else { return Ok(gates) };
    if same_layout(store, source, edition).await? {
        let compared = loaded.counts.records_unchanged.saturating_add(loaded.counts.records_changed);
        let limits = store.limits(source.number).await?.definition();
        gates.extend(definition_change(&counts, &loaded.changes, compared, limits));
    }
    let mut doubles = look_at(store, edition, &loaded.doubles.pairs).await;
    doubles.counts = Some(loaded.later.clone());
    doubles.same = loaded.counts.rows_repeated;
    doubles.other = counts_of_doubles(&counts, loaded);
    let mut remarks = remarks(&counts, &doubles, &edition.layout);
    remarks.extend(told);
    let (changes, kept) = (loaded.changes.clone().shortened(), gates.clone());
    let check = EditionCheck { counts, doubles, changes, remarks, gates: kept };
    store.check_keep(claim, (source.number, edition.number), &edition.layout, &check).await?;
    Ok(gates)
}

/// Rows in quarantine that the parser did not put there: those of a parcel that stood on an earlier line.
fn counts_of_doubles(counts: &RollCheck, loaded: &Loaded) -> i64 {
    let by_the_parser: i64 = counts.rejects.values().sum();
    loaded.counts.rows_rejected.saturating_sub(by_the_parser)
}

/// Whether the edition in use is read by the same layout: else a person has said already what the figures mean now.
async fn same_layout(store: &Store, source: &Source, edition: &Edition) -> Result<bool, StoreError> {
    let Some(current) = source.current_edition else { return Ok(false) };
    let current = store.edition(source.number, current).await?;
    Ok(current.layout.version() == edition.layout.version())
}

/// Rows with one parcel number, read again column by column. What cannot be read is left out: the count of those that
/// were looked at says so.
async fn look_at(store: &Store, edition: &Edition, pairs: &[DoublePair]) -> DoublesCheck {
    let mut check = DoublesCheck::default();
    let mut files = BTreeMap::new();
    let places = || pairs.iter().flat_map(|pair| [&pair.first, &pair.later]);
    for pair in pairs {
        let rows = async {
            let first = row(store, edition, &mut files, &pair.first, places()).await?;
            let later = row(store, edition, &mut files, &pair.later, places()).await?;
            Ok::<_, EvidenceError>((first, later))
        };
        match rows.await {
            Ok((first, later)) => check.note(&first, &later),
            Err(error) => warn!("rows of one parcel were not looked at: {}", with_causes(&error)),
        }
    }
    check
}

async fn row<'p>(
    store: &Store,
    edition: &Edition,
    files: &mut BTreeMap<i64, FileAgain>,
    place: &RowPlace,
    all: impl Iterator<Item = &'p RowPlace>,
) -> Result<Vec<PublishedField>, EvidenceError> {
    let file = usize::try_from(place.file).ok().and_then(|at| edition.files.get(at));
    let missing = || StoreError::Missing { what: "file of an edition", id: place.file.to_string() };
    let file = file.ok_or_else(missing)?;
    let again = match files.entry(place.file) {
        Entry::Occupied(known) => known.into_mut(),
        Entry::Vacant(new) => {
            let rows = all.filter(|other| other.file == place.file).map(range).collect();
            new.insert(FileAgain::open(store, file, &edition.layout, rows).await?)
        }
    };
    let bytes = again.row(store, file, range(place)).await?;
    Ok(published_row(&again.layout, &again.head, &bytes)?)
}

fn range(place: &RowPlace) -> Range<u64> {
    let start = place.byte_start.unsigned_abs();
    start..start.saturating_add(place.byte_length.unsigned_abs())
}
