//! `crossfoot measure`: one house from its readings to areas. Nothing is kept and no database is opened.

mod input;
mod json;
mod plans;
mod text;

use crossfoot_audit::document::{DocumentReader, Measurement, Problem};
use crossfoot_audit::standard::{AreaStatement, Standard};

use crate::arguments::Measure;
use crate::outcome::{Outcome, complain, say};
use input::Found;

/// Said with every house.
const CAUTIONS: [&str; 3] = [
    "Not a survey, an appraisal or legal advice.",
    "Local codes and licensed practice come first.",
    "Safety in the field: mind ladders, roofs, dogs and wires, and keep the laser below eye height. A wall that cannot be read safely is left unread; it is derived from the others.",
];

/// Standard deviations to either side of a figure that hold 95 % of what it may be.
const COVERAGE: f64 = 1.96;

/// A house worked up, and what was asked about it.
struct Worked<'a> {
    measurement: &'a Measurement,
    /// Its areas by each definition that was asked for.
    stated: Vec<(&'a Standard, AreaStatement)>,
    /// Its areas by all of them, where they are to be compared.
    compared: Vec<(&'a Standard, AreaStatement)>,
    /// The plans that were written.
    plans: Vec<String>,
}

/// Runs the command.
pub(crate) fn run(arguments: &Measure) -> anyhow::Result<Outcome> {
    let standards = Standard::built_in()?;
    let Some(chosen) = chosen(&standards, arguments) else { return Ok(Outcome::Usage) };
    let name = arguments.file.display().to_string();
    let found = match input::find(&arguments.file, arguments.reference.as_deref()) {
        Ok(found) => found,
        Err(why) => {
            complain(&format!("{name}: {why}"));
            return Ok(Outcome::Refused);
        }
    };
    let measurement = match read(found)? {
        Ok(measurement) => measurement,
        Err(problems) => {
            for problem in problems {
                let pointer = if problem.pointer.is_empty() { "the whole" } else { problem.pointer.as_str() };
                complain(&format!("{name}: {pointer}: {}; {}", problem.detail, problem.mend));
            }
            return Ok(Outcome::Refused);
        }
    };
    let stated = |standard| (standard, Standard::state(standard, &measurement.house));
    let mut worked = Worked {
        measurement: &measurement,
        stated: chosen.into_iter().map(stated).collect(),
        compared: if arguments.all { standards.iter().map(stated).collect() } else { Vec::new() },
        plans: Vec::new(),
    };
    if let Some(folder) = &arguments.plan {
        // a comparison alone has no definition of its own to hatch by
        if let Some((standard, statement)) = worked.stated.first().or(worked.compared.first()) {
            worked.plans = plans::write(folder, &measurement, standard, statement)?;
        }
    }
    if arguments.json {
        say(&format!("{}\n", json::object(&worked)?))?;
    } else {
        say(&text::text(&worked, arguments.plan.is_some())?)?;
    }
    Ok(Outcome::Done)
}

fn read(found: Found) -> anyhow::Result<Result<Measurement, Vec<Problem>>> {
    Ok(match found.document {
        Err(problems) => Err(problems),
        Ok(document) => DocumentReader::new()?.read(&document).map_err(|problems| found.lines.mark(problems)),
    })
}

/// The definitions that were named, each once; the first built-in one where none was, unless all are compared.
fn chosen<'a>(standards: &'a [Standard], arguments: &Measure) -> Option<Vec<&'a Standard>> {
    let mut chosen: Vec<&Standard> = Vec::new();
    for id in &arguments.standards {
        let Some(found) = standards.iter().find(|standard| standard.id == *id) else {
            let known: Vec<&str> = standards.iter().map(|standard| standard.id.as_str()).collect();
            complain(&format!("there is no standard {id:?}; there are {}", known.join(", ")));
            return None;
        };
        if !chosen.iter().any(|known| known.id == found.id) {
            chosen.push(found);
        }
    }
    if chosen.is_empty() && !arguments.all {
        chosen.extend(standards.first());
    }
    Some(chosen)
}

/// The bounds between which the total lies with 95 %, in square feet.
fn interval(statement: &AreaStatement) -> (f64, f64) {
    let (total, reach) =
        (statement.total.to_square_feet_f64(), COVERAGE * statement.spread.variance().sqrt());
    ((total - reach).max(0.0), total + reach)
}
