//! One source against another, without a measurement.

use axum::Json;
use axum::extract::State;
use axum::response::{IntoResponse, Response};
use crossfoot_audit::money::Money;
use crossfoot_roll::layout::BASIS_NOT_PUBLISHED;
use crossfoot_store::Store;
use crossfoot_store::compare::{
    Compared, Comparison, ComparisonCounts, Field, FieldCounts, Listing, Tolerance,
};
use crossfoot_store::office::Role;
use crossfoot_store::record::Record;
use crossfoot_store::source::Source;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::exports::{Form, ROWS_A_PAGE, Rows, streamed};
use super::views::square_feet;
use crate::http::App;
use crate::http::access::Who;
use crate::http::extract::{PageOf, Paging, Q, bounded, cursor, page};
use crate::http::problem::{Kind, Problem};

/// The routes.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(list_compared))
        .routes(routes!(export_compared_csv))
        .routes(routes!(get_comparison))
}

/// Who may hold sources against each other.
pub(crate) const READERS: [Role; 2] = [Role::Review, Role::Consult];

/// Which sources, and which records of them.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct CompareQuery {
    /// The name of the first source.
    pub(crate) source: String,
    /// The name of the second one.
    #[serde(rename = "with")]
    pub(crate) other: String,
    /// What is compared; the area if not said.
    #[param(inline)]
    #[serde(default)]
    pub(crate) field: FieldName,
    /// From what difference on figures differ: square feet, years, or an amount. If not said, areas differ beyond what
    /// the rounding of both sources explains, the others at all.
    #[param(minimum = 0)]
    #[serde(default)]
    pub(crate) at_least: Option<f64>,
    /// Which records are listed; those that differ if not said.
    #[param(inline)]
    #[serde(default)]
    pub(crate) list: ListName,
    /// Where the page begins: `next` of the page before. Opaque.
    #[param(max_length = 1000)]
    #[serde(default)]
    pub(crate) cursor: Option<String>,
    /// Items of a page, at most 500.
    #[param(minimum = 1, maximum = 500)]
    #[serde(default, deserialize_with = "bounded::<_, 1, 500>")]
    pub(crate) limit: Option<u32>,
}

/// What is compared.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize, ToSchema)]
#[serde(rename_all = "lowercase")]
pub(crate) enum FieldName {
    #[default]
    Area,
    Value,
    Year,
    Class,
}

impl From<Field> for FieldName {
    fn from(field: Field) -> FieldName {
        match field {
            Field::Area => FieldName::Area,
            Field::Value => FieldName::Value,
            Field::Year => FieldName::Year,
            Field::Class => FieldName::Class,
        }
    }
}

impl From<FieldName> for Field {
    fn from(name: FieldName) -> Field {
        match name {
            FieldName::Area => Field::Area,
            FieldName::Value => Field::Value,
            FieldName::Year => Field::Year,
            FieldName::Class => Field::Class,
        }
    }
}

/// Which records are listed.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub(crate) enum ListName {
    /// Both have the parcel, and their figures differ.
    #[default]
    Differing,
    /// Both have the parcel, and only one has a figure.
    OneSided,
    /// Only the first source has the parcel.
    OnlyInSource,
    /// Only the second source has it.
    OnlyInOther,
}

impl ListName {
    /// Every list with its name in addresses.
    pub(crate) const ALL: [(ListName, &'static str); 4] = [
        (ListName::Differing, "differing"),
        (ListName::OneSided, "one_sided"),
        (ListName::OnlyInSource, "only_in_source"),
        (ListName::OnlyInOther, "only_in_other"),
    ];

    /// The list of the store.
    pub(crate) fn of(self, field: Field) -> Listing {
        match self {
            ListName::Differing => Listing::Differing(field),
            ListName::OneSided => Listing::OneSided(field),
            ListName::OnlyInSource => Listing::OnlyInSource,
            ListName::OnlyInOther => Listing::OnlyInOther,
        }
    }
}

impl CompareQuery {
    fn paging(&self) -> Paging {
        Paging { cursor: self.cursor.clone(), limit: self.limit }
    }
}

/// How the bases of two areas stand to each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub(crate) enum BasisRelation {
    /// Both publishers state the same one: areas that differ contradict each other.
    Same,
    /// They state two: areas may differ and both be right.
    Different,
    /// One of them states none: what a difference means is not known.
    NotKnown,
}

impl BasisRelation {
    pub(crate) fn of(one: &str, other: &str) -> BasisRelation {
        if one == BASIS_NOT_PUBLISHED || other == BASIS_NOT_PUBLISHED {
            BasisRelation::NotKnown
        } else if one == other {
            BasisRelation::Same
        } else {
            BasisRelation::Different
        }
    }

    /// What that means for areas that differ.
    pub(crate) fn words(self) -> &'static str {
        match self {
            BasisRelation::Same => {
                "Both follow the same definition of floor area: where their areas differ, at most one is right."
            }
            BasisRelation::Different => {
                "They follow two definitions of floor area: a difference of areas is no error by itself."
            }
            BasisRelation::NotKnown => {
                "One of them does not say what its area counts: what a difference of areas means is not known."
            }
        }
    }
}

/// Two sources with everything that their comparison stands on.
pub(crate) struct Asked {
    pub(crate) comparison: Comparison,
    pub(crate) basis: BasisRelation,
    /// The source that is a copy of the other, if one is.
    pub(crate) copy: Option<(String, String)>,
}

/// Why two sources are not compared.
#[derive(Debug, thiserror::Error)]
pub(crate) enum AskError {
    #[error(transparent)]
    Store(#[from] crossfoot_store::StoreError),
    #[error("{0}")]
    Wrong(String),
}

impl From<AskError> for Problem {
    fn from(error: AskError) -> Problem {
        match error {
            AskError::Store(error) => error.into(),
            AskError::Wrong(why) => Problem::new(Kind::Conflict, why),
        }
    }
}

/// Finds two sources and from what difference on their figures differ.
pub(crate) async fn ask(
    store: &Store,
    (one, other): (&str, &str),
    field: Field,
    at_least: Option<f64>,
) -> Result<Asked, AskError> {
    let (source, other) = (store.source_by_id(one).await?, store.source_by_id(other).await?);
    let wrong = |why: String| Err(AskError::Wrong(why));
    if source.number == other.number {
        return wrong("a source agrees with itself: name two sources".to_owned());
    }
    if source.jurisdiction != other.jurisdiction {
        return wrong(format!(
            "{} is of {} and {} of {}: parcel numbers of two jurisdictions name different land",
            source.id, source.jurisdiction, other.id, other.jurisdiction
        ));
    }
    let mut layouts = Vec::new();
    for source in [&source, &other] {
        let Some(edition) = source.current_edition else {
            return wrong(format!("{} has no edition in use yet: hand one in", source.id));
        };
        layouts.push(store.edition(source.number, edition).await?.layout);
    }
    let rounding = |at: usize| layouts.get(at).map_or(1.0, |layout| layout.area_rounding_sqft());
    let tolerance = tolerance(Tolerance::of_rounding(rounding(0), rounding(1)), field, at_least)?;
    let copies = |at: usize| layouts.get(at).and_then(|layout| layout.derived_from.as_deref());
    let copy = match (copies(0) == Some(other.id.as_str()), copies(1) == Some(source.id.as_str())) {
        (true, _) => Some((source.id.clone(), other.id.clone())),
        (_, true) => Some((other.id.clone(), source.id.clone())),
        _ => None,
    };
    let basis = BasisRelation::of(&source.basis, &other.basis);
    Ok(Asked { comparison: Comparison { source, other, tolerance }, basis, copy })
}

fn tolerance(least: Tolerance, field: Field, at_least: Option<f64>) -> Result<Tolerance, AskError> {
    let Some(asked) = at_least else { return Ok(least) };
    let wrong = || AskError::Wrong(format!("at_least is {asked}: write a number from 0 up"));
    if !asked.is_finite() || !(0.0..=1e12).contains(&asked) {
        return Err(wrong());
    }
    let text = format!("{asked:.2}");
    match field {
        Field::Area => {
            let area = crossfoot_audit::area::Area::parse_square_feet(&text).map_err(|_| wrong())?;
            Ok(Tolerance { area_um2: area.square_micrometres(), ..least })
        }
        Field::Value => {
            let value = Money::parse(&text).map_err(|_| wrong())?;
            Ok(Tolerance { value_cents: value.cents(), ..least })
        }
        #[expect(clippy::cast_possible_truncation, reason = "bounded above")]
        Field::Year => Ok(Tolerance { years: asked.ceil() as i64, ..least }),
        Field::Class => Ok(least),
    }
}

/// A record of one of the two sources.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ComparedRecord {
    /// The parcel number as published.
    pub(crate) parcel: String,
    /// The situs address as published.
    pub(crate) situs: String,
    /// The recorded area.
    pub(crate) area_sqft: Option<f64>,
    /// The recorded value.
    pub(crate) value: Option<String>,
    /// The year built.
    pub(crate) year_built: Option<i64>,
    /// The class of use.
    pub(crate) class: String,
    /// The edition that this version came with.
    pub(crate) edition: i64,
    /// The line of its file.
    pub(crate) line: i64,
}

impl From<&Record> for ComparedRecord {
    fn from(record: &Record) -> ComparedRecord {
        ComparedRecord {
            parcel: record.parcel_raw.clone(),
            situs: record.situs.clone(),
            area_sqft: square_feet(record.area),
            value: record.value.map(|value| value.to_text()),
            year_built: record.year_built,
            class: record.class.clone(),
            edition: record.edition,
            line: record.line,
        }
    }
}

/// Records of two sources with one parcel number.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ComparedPair {
    /// The parcel number under the rules of the sources, where they come to the same text.
    parcel_key: String,
    /// The record of the first source; null where it has none.
    source: Option<ComparedRecord>,
    /// The record of the second one; null where it has none.
    other: Option<ComparedRecord>,
    /// Second less first: square feet, years or an amount; null for classes and where one has no figure.
    difference: Option<f64>,
}

/// Second less first in the unit of the field, as text without loss.
pub(crate) fn difference(field: Field, pair: &Compared) -> Option<String> {
    let (source, other) = pair.source.as_ref().zip(pair.other.as_ref())?;
    match field {
        Field::Area => {
            let apart = other.area?.square_micrometres().checked_sub(source.area?.square_micrometres())?;
            Some(crossfoot_audit::area::Area::from_square_micrometres(apart).to_square_feet(2))
        }
        Field::Value => {
            Some(Money::from_cents(other.value?.cents().checked_sub(source.value?.cents())?).to_text())
        }
        Field::Year => Some((other.year_built? - source.year_built?).to_string()),
        Field::Class => None,
    }
}

fn pair_view(field: Field, pair: &Compared) -> ComparedPair {
    ComparedPair {
        parcel_key: pair.key.clone(),
        source: pair.source.as_ref().map(ComparedRecord::from),
        other: pair.other.as_ref().map(ComparedRecord::from),
        difference: difference(field, pair).and_then(|text| text.parse().ok()),
    }
}

/// Records of two sources in one line.
pub(crate) fn flat(field: Field, pair: &Compared) -> serde_json::Value {
    let mut row = serde_json::Map::new();
    row.insert("parcel_key".to_owned(), pair.key.clone().into());
    let number = |text: Option<String>| {
        text.map_or(serde_json::Value::Null, |text| crate::commands::export::decimal(&text))
    };
    row.insert("difference".to_owned(), number(difference(field, pair)));
    for (which, record) in [("source", &pair.source), ("other", &pair.other)] {
        let view = record.as_ref().map(ComparedRecord::from);
        let cells = view.map(|view| serde_json::to_value(view).unwrap_or_default()).unwrap_or_default();
        for name in ["parcel", "situs", "area_sqft", "value", "year_built", "class", "edition", "line"] {
            row.insert(format!("{which}_{name}"), cells.get(name).cloned().unwrap_or_default());
        }
    }
    row.into()
}

fn may_read(who: &Who) -> Result<(), Problem> {
    if who.0.role != Role::Operator {
        who.office(&READERS)?;
    }
    Ok(())
}

/// List records of two sources of one jurisdiction side by side, by parcel number. A page may be short and still have a
/// next one: a look ends after a quarter of a million parcels.
#[utoipa::path(get, path = "/compare", tag = "sources", params(CompareQuery),
    security(("key" = ["review", "consult", "administer", "operator"])),
    responses((status = 200, description = "A page of records in the order of their parcel numbers", body = PageOf<ComparedPair>),
        (status = 404, description = "There is no such source", body = Problem),
        (status = 409, description = "They are of two jurisdictions, the same source, or one has no edition yet", body = Problem)))]
pub(crate) async fn list_compared(
    State(app): State<App>,
    who: Who,
    Q(query): Q<CompareQuery>,
) -> Result<impl IntoResponse, Problem> {
    may_read(&who)?;
    let (field, paging) = (Field::from(query.field), query.paging());
    let asked = ask(&app.store, (&query.source, &query.other), field, query.at_least).await?;
    let after: String = paging.place()?.unwrap_or_default();
    let found =
        app.store.compare_page(&asked.comparison, query.list.of(field), &after, paging.limit()).await?;
    let items: Vec<ComparedPair> = found.items.iter().map(|pair| pair_view(field, pair)).collect();
    let next = found.next.map(|next| cursor(&next));
    Ok(page("/v1/compare", items, next))
}

/// Download records of two sources side by side as CSV. A text that a spreadsheet would take for a formula gets a leading
/// apostrophe.
#[utoipa::path(get, path = "/compare.csv", tag = "sources", params(CompareQuery),
    security(("key" = ["review", "consult", "administer", "operator"])),
    responses((status = 200, description = "The records, a parcel a line", body = String, content_type = "text/csv"),
        (status = 404, description = "There is no such source", body = Problem),
        (status = 409, description = "They cannot be compared", body = Problem)))]
pub(crate) async fn export_compared_csv(
    State(app): State<App>,
    who: Who,
    Q(query): Q<CompareQuery>,
) -> Result<Response, Problem> {
    may_read(&who)?;
    let field = Field::from(query.field);
    let asked = ask(&app.store, (&query.source, &query.other), field, query.at_least).await?;
    let listing = query.list.of(field);
    Ok(streamed(Form::Csv, Some(String::new()), move |after| {
        let (store, comparison) = (app.store.clone(), asked.comparison.clone());
        async move {
            let Some(after) = after else { return Ok(None) };
            let found = store.compare_page(&comparison, listing, &after, ROWS_A_PAGE).await?;
            let rows = found.items.iter().map(|pair| flat(field, pair)).collect();
            Ok(Some(Rows { rows, next: found.next }))
        }
    }))
}

/// Counts of one source against another.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ComparisonView {
    /// The first source.
    source: String,
    /// Its edition in use.
    source_edition: Option<i64>,
    /// What its area counts.
    source_basis: String,
    /// The second source.
    other: String,
    /// Its edition in use.
    other_edition: Option<i64>,
    /// What its area counts.
    other_basis: String,
    /// How the two bases stand to each other.
    basis: BasisRelation,
    /// What that means for areas that differ.
    basis_means: &'static str,
    /// The source that is a copy of the other; null where neither says that it is. Copies are one witness.
    copy: Option<String>,
    /// Parcels that both have.
    both: i64,
    /// Parcels that only the first source has.
    only_in_source: i64,
    /// Parcels that only the second one has.
    only_in_other: i64,
    /// Field by field over the parcels that both have.
    fields: Vec<FieldView>,
}

/// What a field comes to over the parcels that both sources have.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct FieldView {
    /// area, value, year or class.
    field: &'static str,
    /// Both have a figure, and they do not differ.
    equal: i64,
    /// Both have a figure, and they differ.
    differing: i64,
    /// Only the first source has a figure.
    only_source: i64,
    /// Only the second one has.
    only_other: i64,
    /// Neither has.
    neither: i64,
}

/// The counts of a comparison as they are answered.
pub(crate) fn comparison_view(asked: &Asked, counts: &ComparisonCounts) -> ComparisonView {
    let Comparison { source, other, .. } = &asked.comparison;
    let of = |source: &Source| (source.id.clone(), source.current_edition, source.basis.clone());
    let ((source, source_edition, source_basis), (other, other_edition, other_basis)) =
        (of(source), of(other));
    let field = |field: Field| {
        let FieldCounts { equal, differing, only_source, only_other, neither } =
            counts.fields.get(&field).copied().unwrap_or_default();
        FieldView { field: field.name(), equal, differing, only_source, only_other, neither }
    };
    ComparisonView {
        source,
        source_edition,
        source_basis,
        other,
        other_edition,
        other_basis,
        basis: asked.basis,
        basis_means: asked.basis.words(),
        copy: asked.copy.as_ref().map(|(copy, _)| copy.clone()),
        both: counts.both,
        only_in_source: counts.only_source,
        only_in_other: counts.only_other,
        fields: Field::ALL.map(field).into(),
    }
}

/// Count one source against another: parcels of both and of one alone, and field by field what agrees. The counts are
/// kept, so that the first answer on two large sources is the only slow one.
#[utoipa::path(get, path = "/compare/counts", tag = "sources", params(CompareQuery),
    security(("key" = ["review", "consult", "administer", "operator"])),
    responses((status = 200, description = "The counts", body = ComparisonView),
        (status = 404, description = "There is no such source", body = Problem),
        (status = 409, description = "They cannot be compared", body = Problem)))]
pub(crate) async fn get_comparison(
    State(app): State<App>,
    who: Who,
    Q(query): Q<CompareQuery>,
) -> Result<Json<ComparisonView>, Problem> {
    may_read(&who)?;
    let asked = ask(&app.store, (&query.source, &query.other), query.field.into(), query.at_least).await?;
    // a client that goes away must not make the next one begin again
    let (store, comparison) = (app.store.clone(), asked.comparison.clone());
    let counting = tokio::spawn(async move { store.compare_counts(&comparison).await });
    let counts = counting.await.map_err(|_| Problem::new(Kind::Internal, "the counts were not made"))??;
    Ok(Json(comparison_view(&asked, &counts)))
}
