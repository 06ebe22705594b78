//! What the files of an edition say about themselves.

use std::collections::BTreeMap;

use axum::Json;
use axum::extract::State;
use crossfoot_audit::record::figure::AreaUnit;
use crossfoot_roll::check::{Gate, Heaping, LostZeros, Quartiles, Remark};
use crossfoot_store::check::EditionCheck;
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use crate::http::App;
use crate::http::access::Who;
use crate::http::extract::P;
use crate::http::problem::Problem;

/// The routes.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(get_check))
}

/// What an edition says about itself.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct CheckView {
    /// Rows that could be read.
    rows: i64,
    /// Rows that could not, by reason.
    rejects: BTreeMap<String, i64>,
    /// sqft or m2: the unit of the file's areas.
    area_unit: String,
    /// Areas, in that unit.
    areas: Spread,
    /// The share of whole areas that end in each digit, 0 to 9.
    last_digits: Vec<f64>,
    /// Multiples of ten and a hundred among whole areas.
    heaping: Option<HeapingView>,
    /// Values, in whole units of money.
    values: Spread,
    /// Rows with a year built.
    years: i64,
    /// The first year built.
    year_first: Option<usize>,
    /// The last year built.
    year_last: Option<usize>,
    /// Numbers in scientific notation, in quarantine.
    scientific_ids: i64,
    /// Parts of the parcel number that lost leading zeros.
    lost_zeros: Vec<LostZerosView>,
    /// Rows by class of use.
    classes: BTreeMap<String, i64>,
    /// Sums that must hold, by name.
    sums: BTreeMap<String, SumView>,
    /// Rows that the layout reads the same as an earlier one.
    doubles_same: i64,
    /// Rows with something else under the number of an earlier one.
    doubles_other: i64,
    /// Records with another area than in the edition before.
    areas_changed: i64,
    /// Of those, records with a larger one.
    areas_larger: i64,
    /// What is worth telling.
    remarks: Vec<Told>,
    /// Reasons to keep the edition out of use.
    gates: Vec<Told>,
}

/// Where figures lie: within 0.4 % each.
#[derive(Debug, Serialize, ToSchema)]
struct Spread {
    /// How many there are.
    n: i64,
    /// A quarter of them lies below.
    lower_quartile: Option<f64>,
    /// Half of them lies below.
    median: Option<f64>,
    /// Three quarters of them lie below.
    upper_quartile: Option<f64>,
}

/// Multiples of ten and of a hundred.
#[derive(Debug, Serialize, ToSchema)]
struct HeapingView {
    /// Whole areas.
    whole: i64,
    /// Share of multiples of 10.
    by_ten: f64,
    /// Share of multiples of 100.
    by_hundred: f64,
    /// Probability of so many multiples of 10 were last digits even.
    p_by_ten: f64,
    /// Whether that is exact (binomial) rather than by the normal distribution.
    exact: bool,
    /// The step to which nearly all areas are rounded.
    step: Option<u32>,
}

/// A part of the parcel number with numbers that are too short.
#[derive(Debug, Serialize, ToSchema)]
struct LostZerosView {
    /// The part, from 1.
    part: usize,
    /// The length that they should have.
    length: usize,
    /// Whether the layout declares it.
    declared: bool,
    /// Numbers that are shorter.
    short: i64,
    /// Their share of all.
    share: f64,
}

/// A sum that must hold.
#[derive(Debug, Serialize, ToSchema)]
struct SumView {
    /// Rows in which it was looked at.
    checked: i64,
    /// Rows in which it does not hold.
    failed: i64,
}

/// A remark or a reason.
#[derive(Debug, Serialize, ToSchema)]
struct Told {
    /// Its kind.
    kind: String,
    /// What was found, and what would mend it.
    sentence: String,
}

impl From<Quartiles> for Spread {
    fn from(q: Quartiles) -> Spread {
        Spread { n: q.n, lower_quartile: q.lower, median: q.median, upper_quartile: q.upper }
    }
}

impl From<Heaping> for HeapingView {
    fn from(h: Heaping) -> HeapingView {
        let Heaping { whole, by_ten, by_hundred, p_by_ten, exact, step, .. } = h;
        HeapingView { whole, by_ten, by_hundred, p_by_ten, exact, step }
    }
}

impl From<LostZeros> for LostZerosView {
    fn from(lost: LostZeros) -> LostZerosView {
        let LostZeros { part, length, declared, short, share } = lost;
        LostZerosView { part, length, declared, short, share }
    }
}

impl From<Remark> for Told {
    fn from(remark: Remark) -> Told {
        Told { kind: remark.kind, sentence: remark.sentence }
    }
}

impl From<Gate> for Told {
    fn from(gate: Gate) -> Told {
        Told { kind: gate.kind, sentence: gate.sentence }
    }
}

/// Read what the files of an edition say about themselves: spread, rounding, damaged numbers, sums, double rows, changes.
#[utoipa::path(get, path = "/sources/{id}/editions/{n}/check", tag = "sources",
    params(("id" = String, Path, description = "The source's name"), ("n" = i64, Path, description = "The edition's number")),
    security(("key" = ["upload", "review", "consult", "administer", "batch", "operator"])),
    responses((status = 200, description = "The check", body = CheckView)))]
pub(crate) async fn get_check(
    State(app): State<App>,
    _who: Who,
    P((id, n)): P<(String, i64)>,
) -> Result<Json<CheckView>, Problem> {
    let source = app.store.source_by_id(&id).await?;
    let edition = app.store.edition(source.number, n).await?;
    let check = app.store.check_of(source.number, n).await?;
    let check = check.ok_or_else(|| Problem::not_found("check of the edition", &format!("{id}/{n}")))?;
    Ok(Json(view(check, &edition.layout)))
}

fn view(check: EditionCheck, layout: &crossfoot_roll::layout::Layout) -> CheckView {
    let summary = check.counts.summary(layout);
    let sums = check
        .counts
        .identities
        .iter()
        .map(|(name, sum)| (name.clone(), SumView { checked: sum.checked, failed: sum.failed }));
    CheckView {
        rows: summary.rows,
        sums: sums.collect(),
        rejects: check.counts.rejects,
        area_unit: match summary.area.unit {
            AreaUnit::SquareFeet => "sqft".to_owned(),
            AreaUnit::SquareMetres => "m2".to_owned(),
        },
        areas: summary.area.spread.into(),
        last_digits: summary.area.last_digits.to_vec(),
        heaping: summary.area.heaping.map(HeapingView::from),
        values: summary.value.into(),
        years: summary.years.n,
        year_first: summary.years.first,
        year_last: summary.years.last,
        scientific_ids: summary.scientific_ids,
        lost_zeros: summary.lost_zeros.into_iter().map(LostZerosView::from).collect(),
        classes: check.counts.classes.iter().map(|(class, count)| (class.to_owned(), count.rows)).collect(),
        doubles_same: check.doubles.same,
        doubles_other: check.doubles.other,
        areas_changed: check.changes.all.changed,
        areas_larger: check.changes.all.larger,
        remarks: check.remarks.into_iter().map(Told::from).collect(),
        gates: check.gates.into_iter().map(Told::from).collect(),
    }
}
