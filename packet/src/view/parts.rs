//! The parts of the house in three groups: counted with its total, counted apart, not counted.

use crossfoot_audit::area::{Area, AreaSum};
use crossfoot_audit::standard::CountingVerdict;
use serde::Serialize;

use super::wording::{grouped, spaced};
use super::{Row, counted_sum, shown, signed};
use crate::data::{Line, PacketData, area_text};

/// The parts as the document shows them: building, level, use, area, rule.
#[derive(Serialize)]
pub(super) struct Parts {
    counted: Vec<Row<5>>,
    /// What the tenths shown above leave to the total, where they leave anything.
    rounding: Option<String>,
    total: String,
    /// Whether the counted parts add up to the total: only then is it ruled off.
    balanced: bool,
    /// What to say where they do not.
    imbalance: Option<String>,
    apart: Vec<Apart>,
    not_counted: Vec<Row<5>>,
    /// Each rule that decided, with its reason.
    rules: Vec<Row<2>>,
}

/// What is counted apart under one heading.
#[derive(Serialize)]
struct Apart {
    heading: String,
    rows: Vec<Row<5>>,
    sum: String,
}

impl Parts {
    pub(super) fn new(data: &PacketData) -> Parts {
        let lines = &data.statement.lines;
        let of = |verdict| lines.iter().filter(move |line| line.verdict == verdict);
        let total = Area::parse_square_feet(&data.statement.total_sqft).unwrap_or(Area::ZERO);
        let sum = counted_sum(data);
        let balanced = sum == Some(total);
        let imbalance = (!balanced).then(|| imbalance(sum, total));
        let rounding = if balanced { rounding(of(CountingVerdict::Counted), total) } else { None };
        Parts {
            counted: of(CountingVerdict::Counted).map(row).collect(),
            rounding,
            total: shown(&data.statement.total_sqft),
            balanced,
            imbalance,
            apart: apart(lines),
            not_counted: of(CountingVerdict::NotCounted).map(row).collect(),
            rules: rules(lines),
        }
    }
}

fn row(line: &Line) -> Row<5> {
    let level = line.level.to_string().replace('-', "\u{2212}");
    [line.building.clone(), level, spaced(&line.part_use), shown(&line.area_sqft), line.rule.clone()]
}

fn apart(lines: &[Line]) -> Vec<Apart> {
    let mut groups: Vec<(&str, Vec<&Line>)> = Vec::new();
    for line in lines.iter().filter(|line| line.verdict == CountingVerdict::Apart) {
        let heading = line.heading.as_deref().unwrap_or("without a heading");
        match groups.iter_mut().find(|(known, _)| *known == heading) {
            Some((_, group)) => group.push(line),
            None => groups.push((heading, vec![line])),
        }
    }
    let group = |(heading, lines): (&str, Vec<&Line>)| Apart {
        heading: heading.to_owned(),
        sum: shown(&sum(&lines).to_square_feet(12)),
        rows: lines.into_iter().map(row).collect(),
    };
    groups.into_iter().map(group).collect()
}

fn sum(lines: &[&Line]) -> Area {
    let areas = lines.iter().filter_map(|line| Area::parse_square_feet(&line.area_sqft).ok());
    areas.sum::<AreaSum>().to_area().unwrap_or(Area::ZERO)
}

/// What the tenths that are shown leave to the tenths of the total.
fn rounding<'l>(lines: impl Iterator<Item = &'l Line>, total: Area) -> Option<String> {
    let tenths = |area: Area| Area::parse_square_feet(&area.to_square_feet(1)).ok();
    let parts = lines.filter_map(|line| tenths(Area::parse_square_feet(&line.area_sqft).ok()?));
    let left = tenths(total)?.checked_sub(parts.sum::<AreaSum>().to_area()?)?;
    (left != Area::ZERO).then(|| signed(left.to_square_feet(1)))
}

fn imbalance(sum: Option<Area>, total: Area) -> String {
    let difference = sum.and_then(|sum| Some((sum, sum.checked_sub(total)?)));
    let Some((sum, difference)) = difference else {
        return "The counted parts do not add up to the total.".to_owned();
    };
    let way = if difference > Area::ZERO { "more" } else { "less" };
    let tenths = |area: Area| grouped(&area.to_square_feet(1));
    format!(
        "The counted parts come to {} sq ft, {} sq ft {way} than the total: it is not ruled off.",
        tenths(sum),
        area_text(difference.abs())
    )
}

fn rules(lines: &[Line]) -> Vec<Row<2>> {
    let mut rules: Vec<(&str, &str)> = Vec::new();
    for line in lines {
        let rule = (line.rule.as_str(), line.because.as_str());
        if !rules.contains(&rule) {
            rules.push(rule);
        }
    }
    rules.into_iter().map(|(id, because)| [id.to_owned(), because.to_owned()]).collect()
}
