//! The house as text: whether it balances, its parts as a table that foots, how far the total can be off.

use std::fmt::Write as _;

use crossfoot_audit::drawing::Drawing;
use crossfoot_audit::length::{Dimensions, Length};
use crossfoot_audit::measure::misclosure::Misclosure;
use crossfoot_audit::measure::telling::{ToldKind, tell};
use crossfoot_audit::standard::{AreaStatement, CountingVerdict, Note, Standard, StatementLine};

use super::{CAUTIONS, Worked, interval};
use crate::footing::{Footing, called, how_it_counts, tenths_text};
use crate::table::{Side, Table};

/// All of it; `plans_wanted` tells that a house without drawings was asked for some.
pub(super) fn text(worked: &Worked<'_>, plans_wanted: bool) -> anyhow::Result<String> {
    let house = worked.measurement;
    let mut text = String::new();
    writeln!(text, "{}, measured on {}", house.reference, house.measured_on)?;
    let address = house.address.as_ref().map(|address| format!("{address}, ")).unwrap_or_default();
    writeln!(text, "{address}parcel {}", house.parcel)?;
    match &house.house.drawing {
        Some(drawing) => balance(&mut text, drawing)?,
        None => writeln!(text, "\nThe areas were stated; no wall was read, so there is nothing to balance.")?,
    }
    if !house.remarks.is_empty() {
        writeln!(text, "\nWorth a look")?;
        for remark in &house.remarks {
            writeln!(text, "  {}: {}: {}", remark.pointer, remark.detail, remark.mend)?;
        }
    }
    for (standard, statement) in &worked.stated {
        areas(&mut text, standard, statement)?;
    }
    if !worked.compared.is_empty() {
        comparison(&mut text, &worked.compared)?;
    }
    if !worked.plans.is_empty() {
        writeln!(text, "\nPlans")?;
        for plan in &worked.plans {
            writeln!(text, "  {plan}")?;
        }
    } else if plans_wanted {
        writeln!(text, "\nNo plan: no wall was read, so nothing can be drawn.")?;
    }
    text.push('\n');
    for caution in CAUTIONS {
        writeln!(text, "{caution}")?;
    }
    Ok(printable(&text))
}

/// A name in the document must not move the cursor of the reader's terminal.
fn printable(text: &str) -> String {
    text.chars().map(|letter| if letter.is_control() && letter != '\n' { ' ' } else { letter }).collect()
}

fn balance(text: &mut String, drawing: &Drawing) -> anyhow::Result<()> {
    let dimensions = drawing.dimensions;
    let mut table = Table::new(vec![
        ("outline", Side::Left),
        ("east less west", Side::Right),
        ("north less south", Side::Right),
        ("gap to perimeter", Side::Right),
        ("judged", Side::Left),
    ]);
    for outline in &drawing.worked.outlines {
        let found = &outline.misclosure;
        table.row(vec![
            outline.name.clone(),
            gap(found.east, dimensions),
            gap(found.north, dimensions),
            share(found),
            judged(found).to_owned(),
        ]);
    }
    writeln!(text, "\nDoes it balance: what each outline lacked before it was adjusted")?;
    text.push_str(&table.text());
    // the table says how each outline balances
    for told in tell(&drawing.worked, dimensions) {
        if told.kind != ToldKind::Balance {
            writeln!(text, "{}", told.text)?;
        }
    }
    Ok(())
}

/// A gap with its sign, finer than usual where it would show as none.
fn gap(axis: Option<Length>, dimensions: Dimensions) -> String {
    let Some(gap) = axis else { return "not checked".to_owned() };
    let size = Length::from_nanometres(gap.nanometres().saturating_abs());
    let none = dimensions.difference(Length::ZERO);
    let mut text = dimensions.difference(size);
    if text == none && gap != Length::ZERO {
        let fine = dimensions.adjusted(size);
        text = fine.strip_prefix("0' 0 ").or(fine.strip_prefix("0' ")).unwrap_or(&fine).to_owned();
    }
    let is_none = text == none || text == dimensions.adjusted(Length::ZERO);
    if gap.nanometres() < 0 && !is_none { format!("-{text}") } else { text }
}

fn share(found: &Misclosure) -> String {
    match found.ratio() {
        Some(ratio) => format!("1 in {ratio:.0}"),
        None if is_checked(found) => "no gap".to_owned(),
        None => "not checked".to_owned(),
    }
}

fn is_checked(found: &Misclosure) -> bool {
    found.east.is_some() || found.north.is_some()
}

fn judged(found: &Misclosure) -> &'static str {
    match (is_checked(found), found.is_poor()) {
        (false, _) => "cannot be checked",
        (true, true) => "does not balance",
        (true, false) => "balances",
    }
}

fn areas(text: &mut String, standard: &Standard, statement: &AreaStatement) -> anyhow::Result<()> {
    writeln!(text, "\nAreas by {} ({})", standard.title, standard.id)?;
    text.push_str(&parts(statement));
    let footing = Footing::of(statement, None);
    match footing.fault {
        None => writeln!(text, "The counted parts add up to the total.")?,
        Some(fault) => writeln!(text, "{fault}")?,
    }
    let (low, high) = interval(statement);
    writeln!(
        text,
        "{}: {} sq ft, {} m²; 95 % interval {low:.0} to {high:.0} sq ft",
        standard.total.as_deref().unwrap_or("total"),
        statement.total.to_square_feet(1),
        statement.total.to_square_metres(2)
    )?;
    text.push('\n');
    text.push_str(&spread(statement));
    let notes: Vec<String> = statement.notes.iter().map(Note::text).collect();
    list(text, "Notes", notes.iter().map(String::as_str))?;
    let mut rules: Vec<String> = Vec::new();
    for line in &statement.lines {
        let rule = format!("{}: {}", line.rule, line.because);
        if !rules.contains(&rule) {
            rules.push(rule);
        }
    }
    list(text, "Rules", rules.iter().map(String::as_str))?;
    list(text, "Cautions", standard.cautions.iter().map(String::as_str))
}

fn parts(statement: &AreaStatement) -> String {
    let mut table = Table::new(vec![
        ("part", Side::Left),
        ("counted, sq ft", Side::Right),
        ("not in the total, sq ft", Side::Right),
        ("how it counts", Side::Left),
        ("rule", Side::Left),
    ]);
    for line in &statement.lines {
        table.row(part(line));
    }
    let rounding = Footing::of(statement, None).rounding;
    if rounding != 0 {
        table.row(vec!["rounding".to_owned(), tenths_text(rounding)]);
    }
    table.sum(vec!["total".to_owned(), statement.total.to_square_feet(1)]);
    table.text()
}

fn part(line: &StatementLine) -> Vec<String> {
    let area = line.area.to_square_feet(1);
    let (counted, other) = match line.verdict {
        CountingVerdict::Counted => (area, String::new()),
        CountingVerdict::Apart | CountingVerdict::NotCounted => (String::new(), area),
    };
    vec![
        format!("{}, level {}, {}", line.building, line.level, called(line)),
        counted,
        other,
        how_it_counts(line),
        line.rule.clone(),
    ]
}

/// The standard deviation, each origin on its own line.
fn spread(statement: &AreaStatement) -> String {
    let mut table = Table::new(vec![("standard deviation of the total", Side::Left), ("sq ft", Side::Right)]);
    for (origin, variance) in statement.spread.by_origin() {
        table.row(vec![origin.to_owned(), format!("{:.2}", variance.sqrt())]);
    }
    table.sum(vec![
        "together (their squares add up)".to_owned(),
        format!("{:.2}", statement.spread.variance().sqrt()),
    ]);
    table.text()
}

fn list<'t>(text: &mut String, head: &str, lines: impl Iterator<Item = &'t str>) -> anyhow::Result<()> {
    let mut lines = lines.peekable();
    if lines.peek().is_some() {
        writeln!(text, "\n{head}")?;
    }
    for line in lines {
        writeln!(text, "  {line}")?;
    }
    Ok(())
}

/// The same house by every definition.
fn comparison(text: &mut String, compared: &[(&Standard, AreaStatement)]) -> anyhow::Result<()> {
    let mut table = Table::new(vec![
        ("definition", Side::Left),
        ("standard", Side::Left),
        ("total, sq ft", Side::Right),
        ("total, m²", Side::Right),
        ("95 % interval, sq ft", Side::Right),
    ]);
    for (standard, statement) in compared {
        let (low, high) = interval(statement);
        table.row(vec![
            standard.title.clone(),
            standard.id.clone(),
            statement.total.to_square_feet(0),
            statement.total.to_square_metres(1),
            format!("{low:.0} to {high:.0}"),
        ]);
    }
    writeln!(
        text,
        "\nThe same house by every definition; a difference between two of them is no error of either"
    )?;
    text.push_str(&table.text());
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_gap_has_its_sign_and_shows_however_small() {
        let sixteenths = |n: i64| Length::from_inch_fraction(0, n, 16);
        let feet = Dimensions::FeetInches;
        assert_eq!(gap(sixteenths(-4), feet), "-1/4\"");
        assert_eq!(gap(sixteenths(-1), feet), "-1/16\"");
        assert_eq!(gap(Some(Length::ZERO), feet), "0\"");
        assert_eq!(gap(Some(Length::ZERO), Dimensions::DecimalFeet), "0.00 ft");
        assert_eq!(gap(Some(Length::from_nanometres(-1)), feet), "0\"");
        assert_eq!(gap(Some(Length::from_nanometres(-1)), Dimensions::Metres), "0.000 m");
        assert_eq!(gap(None, feet), "not checked");
    }
}
