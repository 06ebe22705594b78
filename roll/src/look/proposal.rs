//! Which columns a layout would read: chosen by what their names say and what they hold, with the reasons.

use super::answer::{ColumnKind, ProposedPart, Rejected};
use super::column::{Column, ratio};
use super::figures::share_text;
use super::words::{self, AreaWord};

/// The columns that were chosen.
pub(super) struct Choice<'a> {
    pub(super) parcel: Vec<&'a Column>,
    pub(super) situs: Vec<&'a Column>,
    pub(super) area: Option<&'a Column>,
    /// What the name of the area column says of its basis: the id of a standard and the words.
    pub(super) basis: Option<(&'static str, &'static str)>,
    pub(super) value: Option<&'a Column>,
    pub(super) year: Option<&'a Column>,
    pub(super) class: Option<&'a Column>,
    /// Further columns: what each is, and the kind that a layout calls it.
    pub(super) keep: Vec<(&'a Column, &'static str, &'static str)>,
    pub(super) parts: Vec<ProposedPart>,
    /// Other columns that give an area of the house as well.
    pub(super) other_areas: Vec<String>,
}

/// A column that may be taken for a part.
struct Candidate<'a> {
    column: &'a Column,
    score: i32,
    why: String,
}

/// Further columns that are kept at the most.
const KEEP_MAX: usize = 30;

/// Chooses among the columns; `None` where nothing can be the number of a parcel.
pub(super) fn choose(columns: &[Column]) -> Option<Choice<'_>> {
    let usable: Vec<&Column> = columns.iter().filter(|column| usable(column, columns)).collect();
    let (parcel, parcel_part) = parcel(&usable)?;
    let (situs, situs_part) = situs(&usable);
    let areas = area(&usable);
    let (area, area_part, rest) = best("area", areas.0, areas.1);
    let basis = area.and_then(|column| match words::area(&column.words) {
        Some(AreaWord::House { basis: Some(basis), word, .. }) => Some((basis, word)),
        Some(AreaWord::House { .. } | AreaWord::Other(_)) | None => None,
    });
    let values = value(&usable);
    let (value, value_part, _) = best("value", values.0, values.1);
    let years = year(&usable);
    let (year, year_part, _) = best("year_built", years.0, years.1);
    let classes = class(&usable);
    let (class, class_part, _) = best("class", classes.0, classes.1);
    let taken: Vec<usize> = parcel
        .iter()
        .chain(&situs)
        .copied()
        .chain([area, value, year, class].into_iter().flatten())
        .map(|column| column.place)
        .collect();
    let keep = keep(&usable, &taken, &rest);
    let mut parts = vec![parcel_part, situs_part, area_part, value_part, year_part, class_part];
    parts.extend(keep.iter().map(|(column, what, _)| ProposedPart {
        part: "keep".to_owned(),
        columns: vec![column.name.clone()],
        reason: format!("{what}; {}", column.summary()),
        others: Vec::new(),
    }));
    Some(Choice { parcel, situs, area, basis, value, year, class, keep, parts, other_areas: rest })
}

/// A column that a layout can name, and that is not about people.
fn usable(column: &Column, columns: &[Column]) -> bool {
    let name = column.name.to_lowercase();
    !name.is_empty()
        && column.personal().is_none()
        && columns.iter().filter(|other| other.name.to_lowercase() == name).count() == 1
}

/// The best candidate with the reason, why not the others, and the names of the others.
fn best<'a>(
    part: &str,
    mut candidates: Vec<Candidate<'a>>,
    mut others: Vec<Rejected>,
) -> (Option<&'a Column>, ProposedPart, Vec<String>) {
    candidates
        .sort_by(|one, other| other.score.cmp(&one.score).then(one.column.place.cmp(&other.column.place)));
    let mut rest = Vec::new();
    let mut candidates = candidates.into_iter();
    let chosen = candidates.next();
    for (at, candidate) in candidates.enumerate() {
        rest.push(candidate.column.name.clone());
        others.insert(
            at.min(others.len()),
            Rejected {
                column: candidate.column.name.clone(),
                why_not: format!("fits less well: {}", candidate.why),
            },
        );
    }
    let part = ProposedPart {
        part: part.to_owned(),
        columns: chosen.iter().map(|candidate| candidate.column.name.clone()).collect(),
        reason: chosen
            .as_ref()
            .map_or_else(|| "no column's name and values say so".to_owned(), |found| found.why.clone()),
        others,
    };
    (chosen.map(|candidate| candidate.column), part, rest)
}

fn rejected(column: &Column, why_not: impl Into<String>) -> Rejected {
    Rejected { column: column.name.clone(), why_not: why_not.into() }
}

fn parcel<'a>(usable: &[&'a Column]) -> Option<(Vec<&'a Column>, ProposedPart)> {
    let mut candidates = Vec::new();
    let mut others = Vec::new();
    for column in usable {
        let Some(named) = words::parcel(&column.words) else { continue };
        let tally = &column.tally;
        let filled = ratio(tally.filled(), tally.rows);
        if filled < 0.5 {
            others.push(rejected(column, format!("filled in {:.0} % of the rows only", 100.0 * filled)));
            continue;
        }
        let unique = tally.uniqueness();
        let score = named
            + if unique >= 0.9 {
                3
            } else if unique >= 0.5 {
                1
            } else if unique >= 0.2 {
                -1
            } else {
                -6
            };
        let why = format!("named {}; {}", column.name, column.summary());
        candidates.push(Candidate { column, score, why });
    }
    let strongest = candidates.iter().map(|candidate| candidate.score).max().unwrap_or(0);
    if strongest < 9
        && let Some(parts) = parcel_in_parts(usable)
    {
        let names: Vec<String> = parts.iter().map(|column| column.name.clone()).collect();
        let part = ProposedPart {
            part: "parcel".to_owned(),
            reason: format!("named {}, which make a parcel number together", names.join(", ")),
            columns: names,
            others,
        };
        return Some((parts, part));
    }
    candidates.retain(|candidate| candidate.score > 0);
    if candidates.is_empty() {
        let unnamed = usable.iter().filter(|column| {
            column.kind() == ColumnKind::Identifier
                && column.tally.blank == 0
                && column.tally.uniqueness() > 0.95
        });
        candidates.extend(unnamed.map(|column| {
            let why = format!(
                "no name says parcel, and {} tells the rows apart: {}",
                column.name,
                column.summary()
            );
            Candidate { column, score: 1, why }
        }));
    }
    let (column, part, _) = best("parcel", candidates, others);
    column.map(|column| (vec![column], part))
}

fn parcel_in_parts<'a>(usable: &[&'a Column]) -> Option<Vec<&'a Column>> {
    words::PARCEL_PARTS.iter().find_map(|set| {
        set.iter()
            .map(|word| {
                let full = |column: &&&'a Column| {
                    column.words.is(&[word]) && column.tally.blank * 2 < column.tally.rows
                };
                usable.iter().find(full).copied()
            })
            .collect::<Option<Vec<_>>>()
    })
}

fn situs<'a>(usable: &[&'a Column]) -> (Vec<&'a Column>, ProposedPart) {
    let filled = |column: &Column| column.tally.filled() > 0;
    let mut whole: Vec<Candidate<'a>> = Vec::new();
    for column in usable.iter().filter(|column| filled(column)) {
        if let Some(score) = words::situs_whole(&column.words) {
            let why = format!("named {}; {}", column.name, column.summary());
            whole.push(Candidate { column, score, why });
        }
    }
    let mut parts: Vec<(usize, &Column)> = Vec::new();
    for column in usable.iter().filter(|column| filled(column) || words::situs_part(&column.words) == Some(1))
    {
        if let Some(part) = words::situs_part(&column.words)
            && !parts.iter().any(|(known, _)| *known == part)
        {
            parts.push((part, column));
        }
    }
    parts.sort_by_key(|(part, _)| *part);
    let has = |part: usize| parts.iter().any(|(known, _)| *known == part);
    let sure_whole = whole.iter().any(|candidate| candidate.score >= 8);
    if has(0) && has(3) && !sure_whole {
        let columns: Vec<&Column> = parts.iter().map(|(_, column)| *column).collect();
        let others = whole.iter().map(|candidate| {
            rejected(
                candidate.column,
                "whole addresses, while the parts stand in columns that say more surely whose they are",
            )
        });
        let part = ProposedPart {
            part: "situs".to_owned(),
            columns: columns.iter().map(|column| column.name.clone()).collect(),
            reason:
                "house number and street stand in columns of their own, read out in the order of an address"
                    .to_owned(),
            others: others.collect(),
        };
        return (columns, part);
    }
    let in_parts = parts
        .iter()
        .filter(|_| sure_whole)
        .map(|(_, column)| rejected(column, "a part of the address, which stands in one column as a whole"));
    let (column, part, _) = best("situs", whole, in_parts.collect());
    (column.into_iter().collect(), part)
}

type Considered<'a> = (Vec<Candidate<'a>>, Vec<Rejected>);

fn area<'a>(usable: &[&'a Column]) -> Considered<'a> {
    let (mut candidates, mut others) = (Vec::new(), Vec::new());
    for column in usable {
        let (score, word) = match words::area(&column.words) {
            Some(AreaWord::House { score, word, .. }) => (score, word),
            Some(AreaWord::Other(why)) => {
                others.push(rejected(column, why));
                continue;
            }
            None => continue,
        };
        let tally = &column.tally;
        let Some(median) = tally.median_nonzero().filter(|_| tally.numeric() >= 0.5) else {
            others.push(rejected(column, format!("hardly any numbers: {}", column.summary())));
            continue;
        };
        let metres = in_square_metres(column);
        let usual = if metres { 20.0..=2_000.0 } else { 200.0..=20_000.0 };
        let why = format!("named {}, which says {word}; {}", column.name, column.summary());
        if usual.contains(&median) {
            candidates.push(Candidate { column, score: score + 3, why });
        } else {
            let unit = if metres { "square metres" } else { "square feet" };
            others.push(rejected(
                column,
                format!("half of its figures are below {median}, which is no house in {unit}"),
            ));
        }
    }
    (candidates, others)
}

/// Whether the name says square metres.
pub(super) fn in_square_metres(column: &Column) -> bool {
    column.words.within(&["SQM", "SQUAREMET"]) || column.words.token(&["M2"])
}

fn value<'a>(usable: &[&'a Column]) -> Considered<'a> {
    let (mut candidates, mut others) = (Vec::new(), Vec::new());
    for column in usable {
        let (score, word) = match words::value(&column.words) {
            Some(Ok(found)) => found,
            Some(Err(why)) => {
                others.push(rejected(column, why));
                continue;
            }
            None => continue,
        };
        let tally = &column.tally;
        if tally.numeric() < 0.5 || tally.filled() == 0 {
            others.push(rejected(column, format!("hardly any numbers: {}", column.summary())));
        } else if tally.currency > 0 {
            others.push(rejected(
                column,
                "written with a sign of currency, which is not read: ask for plain numbers",
            ));
        } else {
            let why = format!("named {}, which says {word}; {}", column.name, column.summary());
            candidates.push(Candidate { column, score, why });
        }
    }
    (candidates, others)
}

fn year<'a>(usable: &[&'a Column]) -> Considered<'a> {
    let (mut candidates, mut others) = (Vec::new(), Vec::new());
    for column in usable {
        match words::year(&column.words) {
            Some(Err(why)) => others.push(rejected(column, why)),
            Some(Ok(_)) if !column.years() => {
                others.push(rejected(column, format!("its values are no years: {}", column.summary())));
            }
            Some(Ok(score)) => {
                let why = format!("named {}; {}", column.name, column.summary());
                candidates.push(Candidate { column, score, why });
            }
            None => {}
        }
    }
    (candidates, others)
}

fn class<'a>(usable: &[&'a Column]) -> Considered<'a> {
    let (mut candidates, mut others) = (Vec::new(), Vec::new());
    for column in usable {
        let Some(score) = words::class(&column.words) else { continue };
        let tally = &column.tally;
        if tally.filled() == 0 {
            others.push(rejected(column, "blank in all rows"));
        } else if tally.filled() >= 40 && tally.uniqueness() > 0.5 {
            others.push(rejected(
                column,
                format!("too many different values for a class: {}", column.summary()),
            ));
        } else {
            // a column that is mostly blank says less than one that is not
            let score = score - i32::from(tally.blank * 2 > tally.rows) * 3;
            let why =
                format!("named {}; {}, {} different", column.name, share_filled(column), tally.distinct());
            candidates.push(Candidate { column, score, why });
        }
    }
    (candidates, others)
}

fn share_filled(column: &Column) -> String {
    format!("filled in {} of the rows", share_text(column.tally.filled(), column.tally.rows))
}

fn keep<'a>(
    usable: &[&'a Column],
    taken: &[usize],
    other_areas: &[String],
) -> Vec<(&'a Column, &'static str, &'static str)> {
    let free = usable.iter().filter(|column| !taken.contains(&column.place) && column.tally.filled() > 0);
    let found = free.filter_map(|column| {
        let (what, kind) = if other_areas.contains(&column.name) {
            ("another area of the house", "area")
        } else {
            words::keep(&column.words)?
        };
        let figures = kind == "text" || (column.tally.numeric() > 0.9 && column.tally.currency == 0);
        figures.then_some((*column, what, kind))
    });
    found.take(KEEP_MAX).collect()
}
