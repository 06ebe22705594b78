//! The queue by property, the largest estimated effect first; with a filter, findings as they were opened.

use axum::extract::{Query, State};
use axum::response::{Redirect, Response};
use crossfoot_audit::judge::transition::State as FindingState;
use crossfoot_store::finding::FindingFilter;
use crossfoot_store::queue::{PairView, QueueCursor};
use maud::{Markup, html};
use serde::Deserialize;

use super::layout::{Fail, Guest, office, page};
use super::mark::{mark, words};
use super::state::state;
use crate::api::findings::READERS;
use crate::http::App;
use crate::http::extract::{Paging, cursor};

/// Lines of a page.
const LINES: i64 = 50;
const STATES: [&str; 5] = ["open", "confirmed", "cleared", "referred", "closed"];
const KINDS: [&str; 3] = ["variance", "no_area", "recorded_vacant"];
const DIRECTIONS: [&str; 2] = ["larger", "smaller"];

/// What is asked for; what is empty does not matter.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Asked {
    state: String,
    kind: String,
    source: String,
    direction: String,
    cursor: Option<String>,
}

impl Asked {
    fn filters(&self) -> bool {
        [&self.state, &self.kind, &self.source, &self.direction].iter().any(|text| !text.is_empty())
    }
}

/// Leads to the page that the visitor begins with.
pub(super) async fn start(guest: Guest) -> Redirect {
    Redirect::to(if guest.0.office(&READERS).is_ok() { "/queue" } else { "/uploads" })
}

/// Shows the queue.
pub(super) async fn show(
    State(app): State<App>,
    guest: Guest,
    Query(asked): Query<Asked>,
) -> Result<Response, Fail> {
    let office = office(&guest, &READERS)?;
    let paging = Paging { cursor: asked.cursor.clone(), limit: None };
    let sources = app.store.source_list().await?;
    let full = |n: usize| i64::try_from(n).is_ok_and(|n| n >= LINES);
    let (pairs, next) = if asked.filters() {
        let filter = FindingFilter {
            state: FindingState::ALL.into_iter().find(|state| state.name() == asked.state),
            kind: KINDS.contains(&asked.kind.as_str()).then(|| asked.kind.clone()),
            source: sources.iter().find(|source| source.id == asked.source).map(|source| source.number),
            larger: DIRECTIONS.contains(&asked.direction.as_str()).then(|| asked.direction == "larger"),
            ..FindingFilter::default()
        };
        let after: String = paging.place()?.unwrap_or_default();
        let pairs = app.store.finding_page(office, &filter, &after, LINES).await?;
        let next = pairs.last().filter(|_| full(pairs.len())).and_then(|pair| pair.finding.as_ref());
        let next = next.map(|finding| cursor(&finding.id));
        (pairs, next)
    } else {
        let after: Option<QueueCursor> = paging.place()?;
        let items = app.store.queue_page(office, after.as_ref(), LINES).await?;
        let next = items.last().filter(|_| full(items.len())).map(|item| cursor(&item.cursor));
        (items.into_iter().flat_map(|item| item.pairs).collect(), next)
    };
    let waiting = app.store.queue_count(office).await?;
    let names: Vec<&str> = sources.iter().map(|source| source.id.as_str()).collect();
    let body = html! {
        h1 { "Queue" }
        p {
            (waiting) @if waiting == 1 { " property has" } @else { " properties have" } " open findings. "
            @if asked.filters() { "Listed as they were opened; " a href="/queue" { "the largest effect first" } "." }
            @else { "The largest estimated effect first, then those without a value by difference in area; " a href="/queue?state=open" { "as they were opened" } "." }
        }
        (form(&asked, &names))
        @if pairs.is_empty() { p { "Nothing here." } } @else { (table(&pairs, !asked.filters())) }
        @if let Some(next) = next {
            form.line.more method="get" action="/queue" {
                @for (name, value) in [("state", &asked.state), ("kind", &asked.kind), ("source", &asked.source), ("direction", &asked.direction)] {
                    @if !value.is_empty() { input type="hidden" name=(name) value=(value); }
                }
                input type="hidden" name="cursor" value=(next);
                button { "Next page" }
            }
        }
    };
    Ok(page(&guest, "Queue", "/queue", &body))
}

fn choice(label: &str, name: &str, any: &str, options: &[&str], chosen: &str) -> Markup {
    html! {
        label {
            (label)
            select name=(name) {
                option value="" { (any) }
                @for option in options {
                    option value=(option) selected[*option == chosen] { (option.replace('_', " ")) }
                }
            }
        }
    }
}

fn form(asked: &Asked, sources: &[&str]) -> Markup {
    html! {
        form.line method="get" action="/queue" role="search" aria-label="Findings" {
            (choice("State", "state", "in the queue", &STATES, &asked.state))
            (choice("Source", "source", "all", sources, &asked.source))
            (choice("House", "direction", "larger or smaller", &DIRECTIONS, &asked.direction))
            (choice("Kind", "kind", "all", &KINDS, &asked.kind))
            button.quiet { "Show" }
        }
    }
}

/// The table; the queue is in the order of its effects, a list with filters in the order in which findings opened.
/// Other orders have no index and are not offered.
fn table(pairs: &[PairView], by_effect: bool) -> Markup {
    html! {
        table.wide {
            thead { tr {
                th scope="col" { "Property" }
                th.n scope="col" aria-sort=[by_effect.then_some("descending")] {
                    @if by_effect { "Effect on value, estimate " span aria-hidden="true" { "\u{25be}" } }
                    @else { a href="/queue" title="Open findings, the largest effect first" { "Effect on value, estimate" } }
                }
                th.n scope="col" { "Recorded, sq ft" }
                th.n scope="col" { "Measured, sq ft" }
                th scope="col" { "Difference" }
                th scope="col" { "Source" }
                th scope="col" aria-sort=[(!by_effect).then_some("ascending")] {
                    @if by_effect { a href="/queue?state=open" title="Open findings as they were opened" { "State" } }
                    @else { "State, as opened " span aria-hidden="true" { "\u{25b4}" } }
                }
            } }
            @for property in pairs.chunk_by(|one, next| one.property == next.property) {
                tbody.one { @for (place, pair) in property.iter().enumerate() { (row(pair, place == 0)) } }
            }
        }
    }
}

/// A finding; the address stands with the first one of a property.
fn row(pair: &PairView, first: bool) -> Markup {
    let finding = pair.finding.as_ref();
    html! {
        tr.go {
            td.head {
                @if let Some(finding) = finding {
                    a.whole href={ "/findings/" (finding.id) } dir="auto" { (pair.reference) }
                } @else { span dir="auto" { (pair.reference) } }
                @if first { div dir="auto" { a.over href={ "/properties/" (pair.property) } { (if pair.address.is_empty() { "no address" } else { &pair.address }) } } }
            }
            td.n data-l="Effect on value, estimate" { (effect(pair)) }
            td.n data-l="Recorded, sq ft" { (pair.recorded.map_or("none".to_owned(), |a| a.to_square_feet(0))) }
            td.n data-l="Measured, sq ft" { (pair.measured.map_or("none".to_owned(), |a| a.to_square_feet(0))) }
            td.diff { (mark(pair)) div { (words(pair)) } }
            td.from data-l="Source" dir="auto" { (pair.source) }
            td data-l="State" { @if let Some(finding) = finding { (state(&finding.state)) } }
        }
    }
}

/// The estimated change of value, from the lower to the upper elasticity.
pub(super) fn effect(pair: &PairView) -> String {
    match (pair.effect_low, pair.effect_high) {
        (Some(low), Some(high)) => format!("{} to {}", units(&low.to_text()), units(&high.to_text())),
        (Some(only), None) | (None, Some(only)) => units(&only.to_text()),
        (None, None) => "not estimated".to_owned(),
    }
}

/// An estimate to whole units, in groups of three digits: cents would claim too much.
fn units(text: &str) -> String {
    let whole = text.split('.').next().unwrap_or(text);
    let (sign, digits) = whole.strip_prefix('-').map_or(("", whole), |digits| ("−", digits));
    let mut grouped = String::from(sign);
    for (at, digit) in digits.chars().enumerate() {
        if at > 0 && (digits.len() - at).is_multiple_of(3) {
            grouped.push(',');
        }
        grouped.push(digit);
    }
    grouped
}

#[cfg(test)]
mod tests {
    use super::units;

    #[test]
    fn estimates_are_whole_units_in_groups() {
        assert_eq!(units("257499.71"), "257,499");
        assert_eq!(units("-68.10"), "−68");
        assert_eq!(units("-1000000.00"), "−1,000,000");
    }
}
