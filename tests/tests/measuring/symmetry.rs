//! What must not change an area: turning, mirroring, renaming, another first corner.

use crossfoot_audit::measure::field_notes::{Compass, Corner, Direction, FieldNotes};

use crate::chance::Chance;
use crate::houses::{PLAIN, Recipe, draw, whole_area, worked_up};

/// Square feet; corners are whole nanometres.
const SAME: f64 = 1e-6;

const ALL: Recipe = Recipe {
    readings: (1, 2),
    direction_sd_degrees: 0.2,
    scale_sd_ppm: 120.0,
    bays: true,
    ties: true,
    allowances: true,
    rounded: true,
    derived: true,
    ..PLAIN
};

fn unchanged(seed: u64, recipe: &Recipe, change: impl Fn(&mut FieldNotes, &mut Chance)) {
    let mut chance = Chance::seed(seed);
    for _ in 0..150 {
        let mut notes = draw(&mut chance, recipe).notes;
        let before = worked_up(&notes);
        change(&mut notes, &mut chance);
        let after = worked_up(&notes);
        let (one, other) = (whole_area(&before), whole_area(&after));
        let apart = (one.area.to_square_feet_f64() - other.area.to_square_feet_f64()).abs();
        assert!(apart < SAME, "{apart}");
        assert!((one.readings_sd_sqft - other.readings_sd_sqft).abs() < SAME);
        assert!((one.scale_sd_sqft - other.scale_sd_sqft).abs() < SAME);
        assert!((before.test.chi2 - after.test.chi2).abs() < SAME);
        assert_eq!(before.test.degrees_of_freedom, after.test.degrees_of_freedom);
        assert_eq!(before.suspicions.len(), after.suspicions.len());
    }
}

#[test]
fn turning_the_sketch() {
    // Run and rise, and overall dimensions, belong to the axes: houses without them turn by any angle.
    let recipe = Recipe { bays: false, ties: false, ..ALL };
    unchanged(31, &recipe, |notes, chance| {
        let by = chance.between(0.0, 360.0);
        for wall in &mut notes.walls {
            if let Direction::Bearing { degrees, .. } = &mut wall.direction {
                *degrees += by;
            }
        }
    });
}

fn mirrored(word: Compass) -> Compass {
    match word {
        Compass::East => Compass::West,
        Compass::West => Compass::East,
        other @ (Compass::North
        | Compass::South
        | Compass::NorthEast
        | Compass::SouthEast
        | Compass::SouthWest
        | Compass::NorthWest) => other,
    }
}

#[test]
fn mirroring_the_sketch() {
    unchanged(32, &ALL, |notes, _| {
        for wall in &mut notes.walls {
            match &mut wall.direction {
                Direction::Bearing { degrees, .. } => *degrees = -*degrees,
                Direction::RunAndRise { run, .. } => run.toward = mirrored(run.toward),
                Direction::Compass { toward, .. } => *toward = mirrored(*toward),
                Direction::Turn { .. } | Direction::Free { .. } => {}
            }
        }
    });
}

#[test]
fn renaming_and_reordering_the_walls() {
    unchanged(33, &ALL, |notes, chance| {
        let count = notes.walls.len();
        for walk in &mut notes.outlines[0].walls {
            walk.wall = format!("wall {}", walk.wall);
        }
        for wall in &mut notes.walls {
            wall.name = format!("wall {}", wall.name);
        }
        for at in (1..count).rev() {
            notes.walls.swap(at, chance.below(at + 1));
        }
    });
}

#[test]
fn starting_at_another_corner() {
    unchanged(34, &ALL, |notes, chance| {
        let count = notes.outlines[0].walls.len();
        let by = chance.below(count);
        notes.outlines[0].walls.rotate_left(by);
        let moved = |corner: &mut Corner| corner.corner = (corner.corner + count - by) % count;
        for tie in &mut notes.ties {
            moved(&mut tie.from);
            moved(&mut tie.to);
        }
    });
}

#[test]
fn walking_the_other_way_round() {
    unchanged(35, &ALL, |notes, _| {
        let count = notes.outlines[0].walls.len();
        notes.outlines[0].walls.reverse();
        for walk in &mut notes.outlines[0].walls {
            walk.backwards = true;
        }
        // The first corner stays: the walk leaves it along the wall that used to end there.
        let moved = |corner: &mut Corner| corner.corner = (count - corner.corner) % count;
        for tie in &mut notes.ties {
            moved(&mut tie.from);
            moved(&mut tie.to);
        }
    });
}
