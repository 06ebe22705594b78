//! States as a word with a shape, so that tint is never the only sign; and moments for people.

use maud::{Markup, html};

use crate::api::views::time;

/// A state of a finding, an edition, a run or a job.
pub(super) fn state(name: &str) -> Markup {
    html! { span.state { span aria-hidden="true" { (shape(name)) } " " (name.replace('_', " ")) } }
}

/// A moment to the minute.
pub(super) fn moment(at_us: i64) -> Markup {
    moment_of(&time(at_us))
}

/// A moment in RFC 3339 UTC, to the minute.
pub(super) fn moment_of(exact: &str) -> Markup {
    let minute = exact.get(..16).unwrap_or(exact).replace('T', " ");
    html! { time datetime=(exact) { (minute) " UTC" } }
}

fn shape(name: &str) -> &'static str {
    match name {
        "open" | "queued" => "\u{25cb}",
        "confirmed" | "current" | "done" | "sure" | "settled" => "\u{25cf}",
        "cleared" => "\u{25c7}",
        "referred" => "\u{25b7}",
        "staged" | "counting" | "applying" | "running" => "\u{25d4}",
        "held" | "to_settle" => "\u{25c6}",
        "withdrawn" => "\u{21a9}",
        "refused" | "failed" => "\u{2715}",
        _ => "\u{25ac}",
    }
}

#[cfg(test)]
mod tests {
    use super::shape;
    use std::collections::BTreeSet;

    #[test]
    fn the_states_of_one_kind_of_thing_have_shapes_of_their_own() {
        let kinds: [&[&str]; 4] = [
            &["open", "confirmed", "cleared", "referred", "closed"],
            &["staged", "held", "current", "past", "refused", "withdrawn"],
            &["applying", "held", "done"],
            &["queued", "running", "done", "failed"],
        ];
        for states in kinds {
            let shapes: BTreeSet<_> = states.iter().map(|state| shape(state)).collect();
            assert_eq!(shapes.len(), states.len(), "{states:?}");
        }
    }
}
