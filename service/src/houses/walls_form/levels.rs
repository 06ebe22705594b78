//! What the outlines of the file are: buildings, their levels, and the parts of each.

use std::collections::HashMap;

use crossfoot_audit::document::Problem;
use serde_json::{Map, Value, json};

use super::house::Outline;
use crate::houses::rows::problem;

/// The use of an outline that is the level itself; what it has beyond the drawn parts is lived in.
const LEVEL: &str = "level";

/// The buildings of a house.
#[derive(Default)]
pub(super) struct Levels {
    buildings: Vec<Building>,
}

struct Building {
    name: String,
    kind: String,
    line: u64,
    levels: Vec<Level>,
}

struct Level {
    number: Value,
    grade: String,
    line: u64,
    outline: Vec<Value>,
    parts: Vec<Entry>,
    openings: Vec<Entry>,
    stairs: Vec<Entry>,
}

/// Something on a level, as the document writes it.
struct Entry {
    object: Map<String, Value>,
    line: u64,
}

impl Levels {
    /// The levels that the outlines make up, and what is wrong with them.
    pub(super) fn of(outlines: &[Outline]) -> (Levels, Vec<Problem>) {
        let (mut levels, mut faults) = (Levels::default(), Vec::new());
        for outline in outlines {
            match levels.level(outline) {
                Ok(Some(level)) => faults.extend(level.add(outline)),
                Ok(None) => {}
                Err(fault) => faults.push(fault),
            }
        }
        // a part may be cut out of one that is named further down
        for outline in outlines {
            if let Ok(Some(level)) = levels.level(outline) {
                faults.extend(level.cut(outline));
            }
        }
        (levels, faults)
    }

    /// The level of an outline; buildings and levels begin with the first outline that names them.
    fn level(&mut self, outline: &Outline) -> Result<Option<&mut Level>, Problem> {
        let text = |column: &str| outline.stated.get(column).and_then(Value::as_str);
        let name = text("building").unwrap_or("main house");
        let at = self.buildings.iter().position(|building| building.name == name);
        let at = at.unwrap_or_else(|| {
            let kind = text("building_kind").unwrap_or("main").to_owned();
            self.buildings.push(Building { name: name.to_owned(), kind, line: outline.line, levels: vec![] });
            self.buildings.len() - 1
        });
        let Some(building) = self.buildings.get_mut(at) else { return Ok(None) };
        if let Some(says) = text("building_kind").filter(|says| *says != building.kind) {
            let detail = format!(
                "line {}: {name} is of kind {says}, its first row has {}",
                outline.line, building.kind
            );
            return Err(problem(detail, "give the building one kind, or the other one a name of its own"));
        }
        let number = outline.stated.get("level").cloned().unwrap_or(json!(1));
        let grade = text("grade").unwrap_or("above");
        let same = |level: &Level| level.number == number && level.grade == grade;
        let at = building.levels.iter().position(same).unwrap_or_else(|| {
            building.levels.push(Level {
                number: number.clone(),
                grade: grade.to_owned(),
                line: outline.line,
                outline: Vec::new(),
                parts: Vec::new(),
                openings: Vec::new(),
                stairs: Vec::new(),
            });
            building.levels.len() - 1
        });
        Ok(building.levels.get_mut(at))
    }

    /// The buildings in the document.
    pub(super) fn document(self, lines: &mut HashMap<String, u64>) -> Value {
        let mut buildings = Vec::new();
        for (at, building) in self.buildings.into_iter().enumerate() {
            let pointer = format!("/buildings/{at}");
            lines.insert(pointer.clone(), building.line);
            let mut levels = Vec::new();
            for (at, level) in building.levels.into_iter().enumerate() {
                levels.push(level.document(&format!("{pointer}/levels/{at}"), lines));
            }
            buildings.push(json!({ "name": building.name, "kind": building.kind, "levels": levels }));
        }
        Value::Array(buildings)
    }
}

impl Level {
    /// Puts an outline where its use belongs.
    fn add(&mut self, outline: &Outline) -> Option<Problem> {
        let stated = |column: &str| outline.stated.get(column).cloned();
        let name = Value::String(outline.name.clone());
        let mut object = Map::new();
        let part_use = stated("use").unwrap_or_else(|| json!(LEVEL));
        let title = stated("part").unwrap_or_else(|| name.clone());
        match part_use.as_str() {
            Some("opening") => {
                object.insert("name".to_owned(), title);
                object.insert("outlines".to_owned(), json!([name]));
                object.extend(stated("cut_from").map(|host| ("cut_from".to_owned(), host)));
                self.openings.push(Entry { object, line: outline.line });
            }
            Some("stair") => {
                object.insert("name".to_owned(), title);
                object.insert("outlines".to_owned(), json!([name]));
                object.extend(stated("cut_from").map(|opening| ("opening".to_owned(), opening)));
                object.extend(stated("finish").map(|finish| ("finish".to_owned(), finish)));
                self.stairs.push(Entry { object, line: outline.line });
            }
            _ => {
                object.extend(stated("part").map(|title| ("name".to_owned(), title)));
                for column in ["finish", "heat", "access"] {
                    object.extend(stated(column).map(|says| (column.to_owned(), says)));
                }
                let is_level = part_use == LEVEL;
                object.insert("use".to_owned(), if is_level { json!("living") } else { part_use });
                if is_level {
                    self.outline.push(name);
                    return self.add_rest(object, outline);
                }
                return self.add_part(object, name, outline);
            }
        }
        None
    }

    /// What the level has beyond its drawn parts: one part, however many outlines the level has.
    fn add_rest(&mut self, mut object: Map<String, Value>, outline: &Outline) -> Option<Problem> {
        object.insert("rest".to_owned(), Value::Bool(true));
        match self.parts.iter().find(|part| is_rest(part)) {
            Some(rest) if object.iter().any(|(name, says)| rest.object.get(name) != Some(says)) => {
                let detail = format!(
                    "line {}: {} is the level as an outline before it is, and its part, finish, heat or access is another",
                    outline.line, outline.name
                );
                Some(problem(detail, "give one of them the use living, which makes it a part of its own"))
            }
            Some(_) => None,
            None => {
                self.parts.push(Entry { object, line: outline.line });
                None
            }
        }
    }

    /// A part, or a further outline of one that has the same name.
    fn add_part(
        &mut self,
        mut object: Map<String, Value>,
        name: Value,
        outline: &Outline,
    ) -> Option<Problem> {
        let known = self.parts.iter_mut().find(|part| {
            object.contains_key("name") && part.object.get("name") == object.get("name") && !is_rest(part)
        });
        let Some(known) = known else {
            object.insert("outlines".to_owned(), json!([name]));
            self.parts.push(Entry { object, line: outline.line });
            return None;
        };
        if object.iter().any(|(name, says)| known.object.get(name) != Some(says)) {
            let detail = format!(
                "line {}: {} belongs to a part that has another use, finish, heat or access before it",
                outline.line, outline.name
            );
            return Some(problem(detail, "give the part the same ones, or a name of its own"));
        }
        if let Some(outlines) = known.object.get_mut("outlines").and_then(Value::as_array_mut) {
            outlines.push(name);
        }
        None
    }

    /// Cuts a part out of the one that was drawn over it; the rest of a level leaves drawn parts out by itself.
    fn cut(&mut self, outline: &Outline) -> Option<Problem> {
        let part_use = outline.stated.get("use").and_then(Value::as_str).unwrap_or(LEVEL);
        let host = outline.stated.get("cut_from").filter(|_| !matches!(part_use, "opening" | "stair"))?;
        let part = self.parts.iter_mut().find(|part| part.object.get("name") == Some(host));
        let Some(part) = part else {
            let detail = format!("line {}: no part of the level is called {host}", outline.line);
            return Some(problem(detail, "name the part that was drawn over it in the column part"));
        };
        if !is_rest(part) {
            let less = part.object.entry("less").or_insert_with(|| json!([]));
            if let Some(less) = less.as_array_mut() {
                less.push(Value::String(outline.name.clone()));
            }
        }
        None
    }

    fn document(self, pointer: &str, lines: &mut HashMap<String, u64>) -> Value {
        lines.insert(pointer.to_owned(), self.line);
        let mut level = Map::new();
        level.insert("level".to_owned(), self.number);
        level.insert("grade".to_owned(), Value::String(self.grade));
        if !self.outline.is_empty() {
            level.insert("outline".to_owned(), Value::Array(self.outline));
        }
        for (list, entries) in [("parts", self.parts), ("openings", self.openings), ("stairs", self.stairs)] {
            if entries.is_empty() && list != "parts" {
                continue;
            }
            for (at, entry) in entries.iter().enumerate() {
                lines.insert(format!("{pointer}/{list}/{at}"), entry.line);
            }
            let objects = entries.into_iter().map(|entry| Value::Object(entry.object));
            level.insert(list.to_owned(), objects.collect());
        }
        Value::Object(level)
    }
}

fn is_rest(part: &Entry) -> bool {
    part.object.contains_key("rest")
}
