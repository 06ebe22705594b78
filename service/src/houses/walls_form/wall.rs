//! A wall of the file: where it heads, and every reading of it.

use std::collections::HashMap;

use crossfoot_audit::document::Problem;
use serde_json::{Map, Value, json};

use super::OF_WALL;
use crate::houses::rows::{Cells, problem, word};

/// Compass words in the order of the needle: the opposite one is four further.
const COMPASS: [&str; 8] =
    ["north", "north_east", "east", "south_east", "south", "south_west", "west", "north_west"];
/// The word for a wall that another outline walks the other way.
const BACKWARDS: &str = "backwards";

/// Readings with their lines.
type Readings = Vec<(Value, u64)>;

/// A wall.
pub(super) struct Wall {
    pub(super) name: String,
    line: u64,
    heading: Heading,
    /// Its cells that hold for all its readings.
    stated: Map<String, Value>,
    length: Readings,
    run: Readings,
    rise: Readings,
}

/// Where a wall heads.
#[derive(Clone, PartialEq)]
enum Heading {
    /// By a compass word, by its place in the list.
    Compass(usize),
    /// By a turn.
    Turn { side: String, degrees: Value },
    /// By run and rise.
    Legs,
}

impl Wall {
    /// The wall of its first row.
    pub(super) fn first(name: &str, cells: &Cells<'_>, line: u64) -> Result<Wall, Problem> {
        Ok(Wall {
            name: name.to_owned(),
            line,
            heading: heading(cells, line)?,
            stated: cells.take(OF_WALL),
            length: Vec::new(),
            run: Vec::new(),
            rise: Vec::new(),
        })
    }

    /// Holds a further row of the wall in the same outline against its first.
    pub(super) fn again(&self, cells: &Cells<'_>, line: u64) -> Option<Problem> {
        let says = cells.text("direction");
        if says.is_some() && heading(cells, line).ok().as_ref() != Some(&self.heading) {
            let detail = format!("line {line}: {} has another direction in its first row", self.name);
            return Some(problem(detail, "give a wall one direction, or leave it blank after the first row"));
        }
        cells.contradiction(OF_WALL, &self.stated, "wall", line)
    }

    /// Whether another outline walks the wall backwards: so it says, or by the opposite compass word.
    pub(super) fn is_walked_backwards(&self, cells: &Cells<'_>, line: u64) -> Result<bool, Problem> {
        let Some(says) = cells.text("direction").map(word) else { return Ok(false) };
        if says == BACKWARDS {
            return Ok(true);
        }
        match (heading(cells, line)?, &self.heading) {
            (Heading::Compass(says), Heading::Compass(first)) if says == (first + 4) % 8 => Ok(true),
            (says, first) if says == *first => Ok(false),
            _ => {
                let detail =
                    format!("line {line}: {} heads neither that way nor the opposite one", self.name);
                Err(problem(
                    detail,
                    "leave the direction blank where the wall is walked as before, or write backwards",
                ))
            }
        }
    }

    /// Takes the readings of a row; tells whether there was any.
    pub(super) fn read(&mut self, cells: &Cells<'_>, instrument: &str, line: u64) -> bool {
        let mut any = false;
        for (column, readings) in
            [("length", &mut self.length), ("run", &mut self.run), ("rise", &mut self.rise)]
        {
            if let Some(length) = cells.text(column) {
                let reading = json!({ "pieces": [{ "length": length, "instrument": instrument }] });
                readings.push((reading, line));
                any = true;
            }
        }
        any
    }

    /// What no document could say.
    pub(super) fn fault(&self) -> Option<Problem> {
        let has = |column: &str| self.stated.contains_key(column);
        if self.heading != Heading::Legs {
            return None;
        }
        if !(has("run_toward") && has("rise_toward")) {
            let detail = format!("line {}: {} has no run_toward and rise_toward", self.line, self.name);
            return Some(problem(detail, "write east or west for the run, north or south for the rise"));
        }
        if has("obstacle") && self.length.is_empty() {
            let detail = format!(
                "line {}: the obstacle at {} belongs to a length, and none was read",
                self.line, self.name
            );
            return Some(problem(detail, "correct run and rise for it, or send the house as JSON"));
        }
        None
    }

    /// The wall in the document, at a pointer.
    pub(super) fn document(self, pointer: &str, lines: &mut HashMap<String, u64>) -> Value {
        lines.insert(pointer.to_owned(), self.line);
        let mut at = |place: &str, readings: Readings| -> Value {
            for (n, (_, line)) in readings.iter().enumerate() {
                lines.insert(format!("{pointer}{place}/readings/{n}"), *line);
            }
            json!({ "readings": readings.into_iter().map(|(reading, _)| reading).collect::<Vec<_>>() })
        };
        let mut length = at("/length", self.length);
        let direction = match &self.heading {
            Heading::Compass(toward) => json!({ "compass": { "toward": COMPASS.get(*toward) } }),
            Heading::Turn { side, degrees } => json!({ "turn": { "side": side, "degrees": degrees } }),
            Heading::Legs => json!({ "run_and_rise": {
                "run": {
                    "toward": self.stated.get("run_toward"),
                    "distance": at("/direction/run_and_rise/run/distance", self.run),
                },
                "rise": {
                    "toward": self.stated.get("rise_toward"),
                    "distance": at("/direction/run_and_rise/rise/distance", self.rise),
                },
            } }),
        };
        if let (Some(obstacle), Some(length)) = (obstacle(&self.stated), length.as_object_mut()) {
            length.insert("obstacle".to_owned(), obstacle);
        }
        json!({ "name": self.name, "direction": direction, "length": length })
    }
}

/// What the cells say of an obstacle; the reader of documents asks for what is lacking.
fn obstacle(stated: &Map<String, Value>) -> Option<Value> {
    let columns = [("sense", "obstacle"), ("amount", "obstacle_amount"), ("sd", "obstacle_sd")];
    let said: Map<String, Value> = columns
        .iter()
        .filter_map(|(name, column)| Some(((*name).to_owned(), stated.get(*column)?.clone())))
        .collect();
    (!said.is_empty()).then_some(Value::Object(said))
}

fn heading(cells: &Cells<'_>, line: u64) -> Result<Heading, Problem> {
    let has_legs =
        ["run", "rise", "run_toward", "rise_toward"].into_iter().any(|column| cells.text(column).is_some());
    let Some(says) = cells.text("direction") else {
        if has_legs {
            return Ok(Heading::Legs);
        }
        return Err(unknown(format!("line {line}: the wall has no direction")));
    };
    if has_legs {
        let detail = format!("line {line}: the wall has a direction, and run and rise as well");
        return Err(problem(detail, "keep one of them"));
    }
    // north east, north_east and NorthEast are one word
    let compact = |text: &str| text.replace('_', "");
    let said = word(says);
    if let Some(at) = COMPASS.iter().position(|known| compact(known) == compact(&said)) {
        return Ok(Heading::Compass(at));
    }
    let turn = said.split_once('_').filter(|(side, _)| matches!(*side, "left" | "right"));
    let turn = turn.and_then(|(side, degrees)| Some((side, degrees.parse::<serde_json::Number>().ok()?)));
    if let Some((side, degrees)) = turn {
        return Ok(Heading::Turn { side: side.to_owned(), degrees: Value::Number(degrees) });
    }
    Err(unknown(format!("line {line}: {says:?} is no direction of a wall that is new here")))
}

fn unknown(detail: String) -> Problem {
    problem(
        detail,
        "write a compass word such as east or north_west, a turn such as left 90, or leave it blank and give run and rise",
    )
}
