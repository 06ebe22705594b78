//! The rows of one house, and the document that they make.

use std::collections::HashMap;

use crossfoot_audit::document::Problem;
use serde_json::{Map, Value, json};

use super::levels::Levels;
use super::wall::Wall;
use super::{OF_HOUSE, OF_NOTES, OF_OUTLINE, OF_SIDE, SIGN};
use crate::houses::rows::{Cells, problem, word};

/// The rows of a house as far as they were read.
#[derive(Default)]
pub(super) struct Rows {
    pub(super) problems: Vec<Problem>,
    first_line: Option<u64>,
    of_house: Map<String, Value>,
    of_notes: Map<String, Value>,
    /// Kinds of instruments with the line that first names them.
    instruments: Vec<(String, u64)>,
    /// That of the row above.
    instrument: Option<String>,
    walls: Vec<Wall>,
    outlines: Vec<Outline>,
}

/// An outline.
pub(super) struct Outline {
    pub(super) name: String,
    pub(super) line: u64,
    pub(super) stated: Map<String, Value>,
    sides: Vec<Side>,
}

struct Side {
    wall: String,
    line: u64,
    is_backwards: bool,
    stated: Map<String, Value>,
}

impl Rows {
    /// Takes a row in.
    pub(super) fn add(&mut self, cells: &Cells<'_>, line: u64) {
        if self.first_line.is_none() {
            self.first_line = Some(line);
            self.of_house = cells.take(OF_HOUSE);
            self.of_notes = cells.take(OF_NOTES);
        }
        self.problems.extend(cells.contradiction(OF_HOUSE, &self.of_house, "house", line));
        self.problems.extend(cells.contradiction(OF_NOTES, &self.of_notes, "house", line));
        if let Some(named) = cells.text("instrument") {
            let named = word(named);
            if !self.instruments.iter().any(|(known, _)| *known == named) {
                self.instruments.push((named.clone(), line));
            }
            self.instrument = Some(named);
        }
        if let Err(fault) = self.add_wall(cells, line) {
            self.problems.push(fault);
        }
    }

    fn add_wall(&mut self, cells: &Cells<'_>, line: u64) -> Result<(), Problem> {
        let needed = |column: &str| {
            cells.text(column).ok_or_else(|| {
                problem(
                    format!("line {line}: no {column} is named"),
                    "name the outline and the wall in each row",
                )
            })
        };
        let (outline, name) = (needed("outline")?, needed(SIGN)?);
        let at = self.outline(outline, cells, line)?;
        let Some(outline) = self.outlines.get_mut(at) else { return Ok(()) };
        let known = self.walls.iter().position(|wall| wall.name == name);
        let side = outline.sides.iter().find(|side| side.wall == name);
        let is_first = known.is_none() || side.is_none();
        let at = match (known, side) {
            (Some(at), Some(side)) => {
                let wall = self.walls.get(at);
                let fault = wall.and_then(|wall| wall.again(cells, line));
                let fault = fault.or_else(|| cells.contradiction(OF_SIDE, &side.stated, "side", line));
                fault.map_or(Ok(()), Err)?;
                at
            }
            (known, _) => {
                let mut is_backwards = false;
                let at = match known {
                    None => {
                        self.walls.push(Wall::first(name, cells, line)?);
                        self.walls.len() - 1
                    }
                    Some(at) => {
                        let wall = self.walls.get(at).map(|wall| wall.is_walked_backwards(cells, line));
                        is_backwards = wall.transpose()?.unwrap_or(false);
                        at
                    }
                };
                let stated = cells.take(OF_SIDE);
                outline.sides.push(Side { wall: name.to_owned(), line, is_backwards, stated });
                at
            }
        };
        self.read(at, cells, line, is_first)
    }

    /// The outline of the row, new where it was not named before.
    fn outline(&mut self, name: &str, cells: &Cells<'_>, line: u64) -> Result<usize, Problem> {
        if let Some(at) = self.outlines.iter().position(|outline| outline.name == name) {
            let first = self.outlines.get(at).map(|outline| &outline.stated);
            let fault = first.and_then(|first| cells.contradiction(OF_OUTLINE, first, "outline", line));
            return fault.map_or(Ok(at), Err);
        }
        let (name, stated) = (name.to_owned(), cells.take(OF_OUTLINE));
        self.outlines.push(Outline { name, line, stated, sides: Vec::new() });
        Ok(self.outlines.len() - 1)
    }

    /// Takes the readings of a row; a blank instrument is that of the row above.
    fn read(&mut self, wall: usize, cells: &Cells<'_>, line: u64, is_first: bool) -> Result<(), Problem> {
        let Some(wall) = self.walls.get_mut(wall) else { return Ok(()) };
        let any = wall.read(cells, self.instrument.as_deref().unwrap_or_default(), line);
        if !any && !is_first {
            let detail = format!("line {line}: a further row of {} without a reading", wall.name);
            return Err(problem(detail, "give a length, or leave the row out"));
        }
        if any && self.instrument.is_none() {
            let detail = format!("line {line}: no instrument is named");
            return Err(problem(detail, "write laser, tape or long_tape; further rows may leave it blank"));
        }
        Ok(())
    }

    /// The document with the lines of its pointers, or everything that is wrong with the rows.
    pub(super) fn document(mut self) -> Result<(Value, HashMap<String, u64>), Vec<Problem>> {
        self.problems.extend(self.walls.iter().filter_map(Wall::fault));
        let mut lines = HashMap::new();
        let first_line = self.first_line.unwrap_or(0);
        lines.extend(self.of_house.keys().map(|name| (format!("/{name}"), first_line)));
        lines.extend(self.of_notes.keys().map(|name| (format!("/field_notes/{name}"), first_line)));
        let (levels, faults) = Levels::of(&self.outlines);
        self.problems.extend(faults);
        if !self.problems.is_empty() {
            return Err(self.problems);
        }
        let mut instruments = Vec::new();
        for (at, (kind, line)) in self.instruments.iter().enumerate() {
            lines.insert(format!("/field_notes/instruments/{at}"), *line);
            instruments.push(json!({ "name": kind, "kind": kind }));
        }
        let mut walls = Vec::new();
        for (at, wall) in self.walls.into_iter().enumerate() {
            walls.push(wall.document(&format!("/field_notes/walls/{at}"), &mut lines));
        }
        let mut outlines = Vec::new();
        for (at, outline) in self.outlines.into_iter().enumerate() {
            outlines.push(outline.document(&format!("/field_notes/outlines/{at}"), &mut lines));
        }
        let mut notes = self.of_notes;
        notes.insert("instruments".to_owned(), Value::Array(instruments));
        notes.insert("walls".to_owned(), Value::Array(walls));
        notes.insert("outlines".to_owned(), Value::Array(outlines));
        let mut document = self.of_house;
        document.insert("field_notes".to_owned(), Value::Object(notes));
        document.insert("buildings".to_owned(), levels.document(&mut lines));
        Ok((Value::Object(document), lines))
    }
}

impl Outline {
    fn document(self, pointer: &str, lines: &mut HashMap<String, u64>) -> Value {
        lines.insert(pointer.to_owned(), self.line);
        let mut sides = Vec::new();
        for (at, side) in self.sides.into_iter().enumerate() {
            lines.insert(format!("{pointer}/sides/{at}"), side.line);
            let mut object = side.stated;
            object.insert("wall".to_owned(), Value::String(side.wall));
            if side.is_backwards {
                object.insert("backwards".to_owned(), Value::Bool(true));
            }
            sides.push(Value::Object(object));
        }
        let mut outline = json!({ "name": self.name, "sides": sides });
        let from: Map<String, Value> = [("outline", "from_outline"), ("corner", "from_corner")]
            .into_iter()
            .filter_map(|(name, column)| Some((name.to_owned(), self.stated.get(column)?.clone())))
            .collect();
        if let (false, Some(outline)) = (from.is_empty(), outline.as_object_mut()) {
            outline.insert("from".to_owned(), Value::Object(from));
        }
        outline
    }
}
