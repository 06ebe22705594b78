//! One source against another: what both have, what differs, and the list of it.

use axum::extract::{Query, State};
use axum::response::Response;
use crossfoot_store::compare::{Compared, Comparison, ComparisonCounts, Field};
use crossfoot_store::office::Role;
use crossfoot_store::record::Record;
use crossfoot_store::source::Source;
use maud::{Markup, html};
use serde::Deserialize;

use super::layout::{Fail, Guest, as_parameter, page};
use crate::api::compare::{Asked, ListName, READERS, ask, difference};
use crate::http::App;
use crate::http::extract::{Paging, cursor};
use crate::http::problem::Problem;

/// Records of a page.
const LINES: i64 = 50;

/// What was asked for.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Question {
    source: String,
    with: String,
    field: String,
    at_least: String,
    list: String,
    cursor: Option<String>,
}

impl Question {
    fn field(&self) -> Field {
        Field::from_name(&self.field).unwrap_or(Field::Area)
    }

    fn list(&self) -> ListName {
        ListName::ALL
            .into_iter()
            .find(|(_, name)| *name == self.list)
            .map_or(ListName::Differing, |(list, _)| list)
    }

    /// The same question as an address, with another list.
    fn path(&self, list: &str) -> String {
        let of = |text: &str| as_parameter(text);
        format!(
            "?source={}&with={}&field={}&at_least={}&list={list}",
            of(&self.source),
            of(&self.with),
            self.field().name(),
            of(&self.at_least)
        )
    }
}

/// Shows the form, and once two sources are chosen the counts and the list.
pub(super) async fn show(
    State(app): State<App>,
    guest: Guest,
    Query(question): Query<Question>,
) -> Result<Response, Fail> {
    if guest.0.0.role != Role::Operator {
        guest.0.office(&READERS)?;
    }
    let sources: Vec<Source> = app
        .store
        .source_list()
        .await?
        .into_iter()
        .filter(|source| source.current_edition.is_some())
        .collect();
    let answer = if question.source.is_empty() || question.with.is_empty() {
        html! {}
    } else {
        answer(&app, &question).await?
    };
    let body = html! {
        h1 { "Source against source" }
        @if sources.len() < 2 { p { "Two sources with an edition in use are needed to hold one against the other." } } @else {
            p { "Records of two sources of one jurisdiction are brought together by their parcel numbers, without a measurement." }
            (form(&sources, &question))
        }
        (answer)
    };
    Ok(page(&guest, "Source against source", "/compare", &body))
}

fn form(sources: &[Source], question: &Question) -> Markup {
    let choice = |name: &str, label: &str, chosen: &str, otherwise: usize| {
        html! { label { (label) select name=(name) { @for (at, source) in sources.iter().enumerate() {
            option value=(source.id) selected[if chosen.is_empty() { at == otherwise } else { source.id == chosen }] { (source.id) }
        } } } }
    };
    html! {
        form.line method="get" action="/compare" {
            (choice("source", "First", &question.source, 0))
            (choice("with", "Second", &question.with, 1))
            label { "Compare" select name="field" { @for field in Field::ALL {
                option value=(field.name()) selected[field == question.field()] { (field.name()) }
            } } }
            label { "Differing by at least" input name="at_least" inputmode="decimal" value=(question.at_least) size="8"; }
            button { "Compare" }
        }
    }
}

async fn answer(app: &App, question: &Question) -> Result<Markup, Fail> {
    let field = question.field();
    let at_least = match question.at_least.trim() {
        "" => None,
        text => Some(text.parse::<f64>().map_err(|_| {
            Problem::wrong("/at_least", format!("{text:?} is no number"), "write digits with a decimal point")
        })?),
    };
    let asked =
        ask(&app.store, (&question.source, &question.with), field, at_least).await.map_err(Problem::from)?;
    let counts = app.store.compare_counts(&asked.comparison).await?;
    let paging = Paging { cursor: question.cursor.clone(), limit: None };
    let after: String = paging.place()?.unwrap_or_default();
    let listing = question.list().of(field);
    let found = app.store.compare_page(&asked.comparison, listing, &after, LINES).await?;
    let next = found.next.as_ref().map(cursor);
    let list = ListName::ALL
        .into_iter()
        .find(|(list, _)| *list == question.list())
        .map_or("differing", |(_, name)| name);
    Ok(html! {
        (totals(&asked, &counts))
        h2 #list { (list_words(&asked.comparison, question.list(), field)) }
        p { @for (other, name) in ListName::ALL { @if other != question.list() {
            a href={ "/compare" (question.path(name)) "#list" } { (list_words(&asked.comparison, other, field)) } " · "
        } } a href={ "/compare.csv" (question.path(list)) } { "Download this list (CSV)" } }
        @if found.items.is_empty() && next.is_none() { p { "None." } }
        @if !found.items.is_empty() { (listed(&asked.comparison, field, &found.items)) }
        @if found.items.is_empty() && next.is_some() { p { "None among the parcels looked at so far." } }
        @if let Some(next) = next { p.more { a href={ "/compare" (question.path(list)) "&cursor=" (next) "#list" } { "Next page" } } }
    })
}

fn list_words(comparison: &Comparison, list: ListName, field: Field) -> String {
    match list {
        ListName::Differing => format!("Both have the parcel, {} differs", field.name()),
        ListName::OneSided => format!("Both have the parcel, one has no {}", field.name()),
        ListName::OnlyInSource => format!("Only in {}", comparison.source.id),
        ListName::OnlyInOther => format!("Only in {}", comparison.other.id),
    }
}

fn totals(asked: &Asked, counts: &ComparisonCounts) -> Markup {
    let Comparison { source, other, .. } = &asked.comparison;
    let of = |source: &Source| html! { bdi { (source.id) } ", edition " (source.current_edition.unwrap_or_default()) };
    html! {
        h2 { "Parcels" }
        dl {
            dt { "In both" } dd { (counts.both) }
            dt { "Only in " (of(source)) } dd { (counts.only_source) }
            dt { "Only in " (of(other)) } dd { (counts.only_other) }
        }
        p { (asked.basis.words()) }
        @if let Some((copy, original)) = &asked.copy { p.warn { bdi { (copy) } " copies " bdi { (original) } ": the two are one witness." } }
        table {
            thead { tr {
                th scope="col" { "Of the parcels in both" } th.n scope="col" { "Equal" } th.n scope="col" { "Differing" }
                th.n scope="col" { "Only the first states it" } th.n scope="col" { "Only the second" } th.n scope="col" { "Neither" }
            } }
            tbody { @for field in Field::ALL { @let counted = counts.fields.get(&field).copied().unwrap_or_default(); tr {
                th scope="row" { (field.name()) }
                td.n data-l="Equal" { (counted.equal) }
                td.n data-l="Differing" { (counted.differing) }
                td.n data-l="Only the first states it" { (counted.only_source) }
                td.n data-l="Only the second" { (counted.only_other) }
                td.n data-l="Neither" { (counted.neither) }
            } } }
        }
    }
}

fn listed(comparison: &Comparison, field: Field, items: &[Compared]) -> Markup {
    let (first, second) = (&comparison.source.id, &comparison.other.id);
    html! {
        table {
            thead { tr {
                th scope="col" { "Parcel" } th scope="col" { "Address" } th.n scope="col" { bdi { (first) } } th.n scope="col" { bdi { (second) } }
                th.n scope="col" { "Second less first" } th scope="col" { "Lines" }
            } }
            tbody { @for pair in items { @let any = pair.source.as_ref().or(pair.other.as_ref()); tr {
                td dir="auto" { (any.map(|record| record.parcel_raw.as_str()).unwrap_or_default()) }
                td data-l="Address" dir="auto" { (any.map(|record| super::property::or_none(&record.situs)).unwrap_or_default()) }
                td.n data-l=(first) dir="auto" { (figure(field, pair.source.as_ref())) }
                td.n data-l=(second) dir="auto" { (figure(field, pair.other.as_ref())) }
                td.n data-l="Second less first" { (difference(field, pair).unwrap_or_else(|| "\u{2013}".to_owned())) }
                td data-l="Lines" { (line(pair.source.as_ref())) " and " (line(pair.other.as_ref())) }
            } } }
        }
    }
}

fn line(record: Option<&Record>) -> String {
    record.map_or("none".to_owned(), |record| record.line.to_string())
}

fn figure(field: Field, record: Option<&Record>) -> String {
    let Some(record) = record else { return "no record".to_owned() };
    let figure = match field {
        Field::Area => record.area.map(|area| format!("{} sq ft", area.to_square_feet(0))),
        Field::Value => record.value.map(|value| value.to_text()),
        Field::Year => record.year_built.map(|year| year.to_string()),
        Field::Class => Some(record.class.clone()).filter(|class| !class.is_empty()),
    };
    figure.unwrap_or_else(|| "none".to_owned())
}

/// Sends the list.
pub(super) async fn download(
    State(app): State<App>,
    guest: Guest,
    Query(question): Query<Question>,
) -> Result<Response, Fail> {
    let query = crate::api::compare::CompareQuery {
        source: question.source.clone(),
        other: question.with.clone(),
        field: question.field().into(),
        at_least: question.at_least.trim().parse().ok(),
        list: question.list(),
        cursor: None,
        limit: None,
    };
    Ok(crate::api::compare::export_compared_csv(State(app), guest.0, crate::http::extract::Q(query)).await?)
}
