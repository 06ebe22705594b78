//! Sides that were read between other faces of the walls than the outline follows: what the thickness of the walls
//! at their ends adds or takes off. Without it, inside readings among outside ones leave a gap of two thicknesses.

use super::shape::{FieldNotesDocument, OutlineDocument, SideDocument};
use super::{Problem, drawn::side_edge};
use crate::drawing::{Edge, EdgeKind, WallLine};
use crate::length::Length;
use crate::measure::field_notes::{Direction, FieldNotes, Side};
use crate::measure::reading::{Offset, OffsetSense};

/// A corner is square when it turns by a quarter within so many degrees; thickness is only added at those.
const SQUARE_WITHIN_DEGREES: f64 = 1.0;

/// Adds the thickness of neighbouring walls to the readings of sides that say where they were read.
pub(super) fn bring_to_line(
    document: &FieldNotesDocument,
    courts: &[&str],
    notes: &mut FieldNotes,
    problems: &mut Vec<Problem>,
) {
    let mut done: Vec<&str> = Vec::new();
    for (at, outline) in document.outlines.iter().enumerate() {
        let line = outline.line.unwrap_or_default();
        for (index, side) in outline.sides.iter().enumerate() {
            let Some(read_at) = side.read_at.filter(|read_at| *read_at != line) else { continue };
            let pointer = format!("/field_notes/outlines/{at}/sides/{index}");
            if done.contains(&side.wall.as_str()) {
                problems.push(Problem {
                    pointer: format!("{pointer}/read_at"),
                    detail: format!("where {:?} was read is stated by two outlines", side.wall),
                    mend: "state it once".to_owned(),
                });
                continue;
            }
            done.push(&side.wall);
            match corrections(document, notes, outline, index, (read_at, line)) {
                // round a court, the inner faces lie outwards
                Ok(offsets) if courts.contains(&outline.name.as_str()) => {
                    add(notes, &side.wall, &offsets.into_iter().map(turned).collect::<Vec<_>>());
                }
                Ok(offsets) => add(notes, &side.wall, &offsets),
                Err((detail, mend)) => {
                    problems.push(Problem {
                        pointer: format!("{pointer}/read_at"),
                        detail,
                        mend: mend.to_owned(),
                    });
                }
            }
        }
    }
}

fn add(notes: &mut FieldNotes, wall: &str, offsets: &[Offset]) {
    for wall in notes.walls.iter_mut().filter(|known| known.name == wall) {
        for reading in &mut wall.length.readings {
            reading.offsets.extend(offsets.iter().cloned());
        }
    }
}

fn turned(offset: Offset) -> Offset {
    let sense = if offset.sense == OffsetSense::Add { OffsetSense::Subtract } else { OffsetSense::Add };
    Offset { sense, ..offset }
}

type Fault = (String, &'static str);

fn corrections(
    document: &FieldNotesDocument,
    notes: &FieldNotes,
    outline: &OutlineDocument,
    index: usize,
    (read_at, line): (WallLine, WallLine),
) -> Result<Vec<Offset>, Fault> {
    let count = outline.sides.len();
    let bearings = bearings(notes, outline).ok_or_else(|| {
        let mend = "read it along the line that the outline follows";
        (format!("{:?} has sides whose direction is not held: thickness cannot be added", outline.name), mend)
    })?;
    let turn = |corner: usize| {
        let before = bearings.get((corner + count - 1) % count).copied().unwrap_or(0.0);
        let after = bearings.get(corner % count).copied().unwrap_or(0.0);
        (after - before + 540.0).rem_euclid(360.0) - 180.0
    };
    let round: f64 = (0..count).map(turn).sum();
    let mut offsets = Vec::new();
    for (corner, neighbour) in [(index, (index + count - 1) % count), (index + 1, (index + 1) % count)] {
        let Some(side) = outline.sides.get(neighbour) else { continue };
        let thickness = thickness(document, side)?;
        let angle = turn(corner);
        if (angle.abs() - 90.0).abs() > SQUARE_WITHIN_DEGREES {
            let mend = "read it along the line that the outline follows";
            return Err((
                format!("the corner with {:?} is not square: thickness cannot be added", side.wall),
                mend,
            ));
        }
        let is_outer_corner = angle.signum() == round.signum();
        let between = (depth_halves(read_at) - depth_halves(line)) * thickness.nanometres() / 2;
        let by = if is_outer_corner { between } else { -between };
        let sense = if by >= 0 { OffsetSense::Add } else { OffsetSense::Subtract };
        offsets.push(Offset {
            sense,
            amount: Length::from_nanometres(by.abs()),
            reason: Some(format!("thickness of {}", side.wall)),
        });
    }
    Ok(offsets)
}

const fn depth_halves(line: WallLine) -> i64 {
    match line {
        WallLine::Outside => 0,
        WallLine::Centre => 1,
        WallLine::Inside => 2,
    }
}

fn thickness(document: &FieldNotesDocument, side: &SideDocument) -> Result<Length, Fault> {
    let Edge { kind, thickness, .. } = side_edge(document, side, WallLine::Outside);
    match (kind, thickness) {
        (EdgeKind::Railing | EdgeKind::CeilingLine | EdgeKind::Open, _) => Ok(Length::ZERO),
        (_, Some(thickness)) => Ok(thickness),
        (_, None) => {
            let detail = format!("the thickness of {:?} is not stated", side.wall);
            Err((detail, "state thickness with the side, or wall_thickness with the notes"))
        }
    }
}

/// Degrees clockwise from north of each side as it is walked; `None` where a direction is not held.
fn bearings(notes: &FieldNotes, outline: &OutlineDocument) -> Option<Vec<f64>> {
    let mut bearings: Vec<f64> = Vec::with_capacity(outline.sides.len());
    for side in &outline.sides {
        let wall = notes.walls.iter().find(|wall| wall.name == side.wall)?;
        let forwards = match &wall.direction {
            Direction::Compass { toward, .. } => {
                let (east, north) = toward.unit();
                libm::atan2(east, north).to_degrees()
            }
            Direction::Bearing { degrees, .. } => *degrees,
            Direction::Turn { side: to, degrees, .. } => {
                let before = bearings.last()?;
                let by = match to {
                    Side::Left => -degrees,
                    Side::Right => *degrees,
                };
                before + by
            }
            Direction::RunAndRise { .. } | Direction::Free { .. } => return None,
        };
        // a turn says already where the walk goes
        let is_turn = matches!(wall.direction, Direction::Turn { .. });
        bearings.push(if side.backwards && !is_turn { forwards + 180.0 } else { forwards });
    }
    Some(bearings)
}
