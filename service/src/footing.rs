//! A statement of areas as a table that foots, for pages and for the terminal: what its lines are called, how they
//! count, and whether the column of counted parts comes to its total.

use crossfoot_audit::area::{Area, AreaSum};
use crossfoot_audit::standard::{AreaStatement, CountingVerdict, StatementLine};

/// What a line is called within its level.
pub(crate) fn called(line: &StatementLine) -> String {
    match (&line.name, line.part) {
        (Some(name), _) => name.clone(),
        (None, Some(_)) => line.part_use.name().replace('_', " "),
        (None, None) => "half a storey".to_owned(),
    }
}

/// What became of a line, with its heading and its weight.
pub(crate) fn how_it_counts(line: &StatementLine) -> String {
    let verdict = match line.verdict {
        CountingVerdict::Counted => "counted",
        CountingVerdict::Apart => "counted apart",
        CountingVerdict::NotCounted => "not counted",
    };
    let heading = line.heading.as_ref().map(|heading| format!(": {heading}")).unwrap_or_default();
    let weight = if line.verdict == CountingVerdict::Counted && !line.weight.is_one() {
        format!(", {} of {}", line.weight, line.unweighted.to_square_feet(1))
    } else {
        String::new()
    };
    format!("{verdict}{heading}{weight}")
}

/// Whether the column of counted parts comes to its total.
pub(crate) struct Footing {
    /// What the tenths shown lack, in tenths of a square foot.
    pub(crate) rounding: i64,
    /// Why the total is not ruled off.
    pub(crate) fault: Option<String>,
}

impl Footing {
    pub(crate) fn of(stated: &AreaStatement, judged: Option<Area>) -> Footing {
        let counted = || stated.lines.iter().filter(|line| line.verdict == CountingVerdict::Counted);
        let shown: i64 = counted().map(|line| tenths(line.area)).sum();
        let mut sum = AreaSum::default();
        counted().for_each(|line| sum.add(line.area));
        let off = |from: Area| stated.total.checked_sub(from).map(|area| area.to_square_feet(2));
        let fault = match (sum.to_area(), judged) {
            (Some(sum), _) if sum != stated.total => Some(("the sum of the counted parts", off(sum))),
            (None, _) => Some(("the sum of the counted parts", None)),
            (_, Some(judged)) if judged != stated.total => Some(("the area that was compared", off(judged))),
            (Some(_), _) => None,
        };
        let fault = fault.map(|(what, off)| {
            let off = off.unwrap_or_else(|| "more than can be shown".to_owned());
            format!("The total does not balance: it is {what} and {off} sq ft.")
        });
        Footing { rounding: tenths(stated.total).saturating_sub(shown), fault }
    }
}

/// An area as shown, in tenths of a square foot.
fn tenths(area: Area) -> i64 {
    area.to_square_feet(1).replace('.', "").parse().unwrap_or(0)
}

pub(crate) fn tenths_text(tenths: i64) -> String {
    let sign = if tenths < 0 { "-" } else { "" };
    let size = tenths.unsigned_abs();
    format!("{sign}{}.{}", size / 10, size % 10)
}
