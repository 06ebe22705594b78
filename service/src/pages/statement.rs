//! The parts of a house under a standard, as a table that foots: the counted column is ruled off below its total when
//! the parts add up to it and the total is the figure that was judged.

use crossfoot_audit::area::Area;
use crossfoot_audit::standard::{AreaStatement, CountingVerdict, StatementLine};
use maud::{Markup, html};

use crate::footing::{Footing, called, how_it_counts, tenths_text};

/// The table; `judged` is the area that the pair was compared with.
pub(super) fn statement(stated: &AreaStatement, judged: Option<Area>) -> Markup {
    let footing = Footing::of(stated, judged);
    html! {
        h2 #parts { "Parts of the house under " (stated.standard) }
        table {
            thead { tr {
                th scope="col" { "Part" }
                th.n scope="col" { "Counted, sq ft" }
                th.n scope="col" { "Not in the total, sq ft" }
                th scope="col" { "How it counts" }
                th scope="col" { "Rule" }
            } }
            tbody { @for line in &stated.lines { (row(line)) } }
            tfoot {
                @if footing.rounding != 0 {
                    tr { th scope="row" { "Rounding" } td.n data-l="Counted, sq ft" { (tenths_text(footing.rounding)) } td.no {} td.no {} td.no {} }
                }
                tr.sum.checked[footing.fault.is_none()] {
                    th scope="row" { "Total" } td.n data-l="Counted, sq ft" { (stated.total.to_square_feet(1)) } td.no {} td.no {} td.no {}
                }
            }
        }
        @match &footing.fault {
            None if judged.is_none() => p.soft { "The counted parts add up to the total." },
            None => p.soft { "The counted parts add up to the total, and it is the area that was compared." },
            Some(fault) => p.warn { (fault) },
        }
    }
}

fn row(line: &StatementLine) -> Markup {
    let area = line.area.to_square_feet(1);
    let counted = line.verdict == CountingVerdict::Counted;
    html! {
        tr {
            td dir="auto" {
                (line.building) ", level " (line.level) ", "
                (called(line))
            }
            @if counted { td.n data-l="Counted, sq ft" { (area) } td.no {} }
            @else { td.no {} td.n data-l="Not in the total, sq ft" { (area) } }
            td data-l="How it counts" {
                (how_it_counts(line))
            }
            td data-l="Rule" { details { summary { (line.rule) } p { (line.because) } } }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crossfoot_audit::house::PartUse;
    use crossfoot_audit::standard::{Spread, Weight};

    fn stated(areas: &[&str], total: &str) -> AreaStatement {
        let area = |text: &str| Area::parse_square_feet(text).unwrap();
        let line = |text: &&str| StatementLine {
            building: "main house".to_owned(),
            level: 1,
            part: None,
            name: None,
            part_use: PartUse::Living,
            area: area(text),
            unweighted: area(text),
            weight: Weight::default(),
            verdict: CountingVerdict::Counted,
            heading: None,
            rule: "rule".to_owned(),
            because: "because".to_owned(),
        };
        AreaStatement {
            standard: "standard".to_owned(),
            total: area(total),
            spread: Spread::default(),
            lines: areas.iter().map(line).collect(),
            notes: Vec::new(),
        }
    }

    #[test]
    fn what_rounding_leaves_has_a_line_of_its_own() {
        let stated = stated(&["100.04", "100.04", "100.04"], "300.12");
        let footing = Footing::of(&stated, Some(stated.total));
        assert_eq!((footing.rounding, footing.fault), (1, None));
        let page = statement(&stated, Some(stated.total)).into_string();
        assert!(
            page.contains("Rounding") && page.contains(">0.1<") && page.contains("sum checked"),
            "{page}"
        );
    }

    #[test]
    fn a_total_that_does_not_balance_is_not_ruled_off_and_says_by_how_much() {
        let stated = stated(&["100", "200"], "310");
        let page = statement(&stated, None).into_string();
        assert!(page.contains("10.00 sq ft") && !page.contains("checked"), "{page}");
        let whole = self::stated(&["100", "200"], "300");
        let judged = Area::parse_square_feet("299.5");
        let page = statement(&whole, Some(judged.unwrap())).into_string();
        assert!(page.contains("the area that was compared and 0.50 sq ft"), "{page}");
    }
}
