//! Invented field notes of a house of two levels with a garage: 30 readings, drawn from seed and number.
//!
//! Level 1 is a rectangle, often with a corner cut out and a bay by run and rise. Level 2 shares two of its walls, has
//! two of its own and an opening that a way of two walls leads to; the garage shares one wall. A diagonal, in half of
//! the houses an overall dimension too; second and third readings of some distances make up the number. Directions are
//! held with the usual doubt, so that conditions are curved. In some houses one reading is wrong.

use std::f64::consts::TAU;

use crossfoot_audit::length::Length;
use crossfoot_audit::measure::area_spread::Share;
use crossfoot_audit::measure::field_notes::{
    Compass, Corner, Direction, Distance, FieldNotes, Leg, Outline, Tie, TieLine, Walk, Wall,
};
use crossfoot_audit::measure::instrument::{Instrument, InstrumentKind};
use crossfoot_audit::measure::reading::Reading;

use crate::chance::Chance;

/// Readings of each house.
pub(crate) const READINGS: usize = 30;
/// Readings that are wrong.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Blunders {
    /// Houses in a hundred thousand that have one.
    pub(crate) of_100_000: u64,
    /// By so many feet.
    pub(crate) feet: f64,
}

/// The stream of random numbers that houses are drawn from.
const STREAM: u64 = 21;
const INSTRUMENTS: [&str; 2] = ["laser", "tape"];
const LASER_SD_FT: f64 = 0.125 / 12.0;
const TAPE_SD_FT: f64 = 0.25 / 12.0;
/// Tapes are read to an eighth of an inch.
const EIGHTHS_PER_FOOT: u64 = 96;

/// The sums of outlines whose area is stated: level 1, level 2 less its opening, the garage.
pub(crate) const LEVEL_1: [Share; 1] = [Share { outline: 0, weight: 1.0 }];
pub(crate) const LEVEL_2: [Share; 2] =
    [Share { outline: 1, weight: 1.0 }, Share { outline: 2, weight: -1.0 }];
pub(crate) const GARAGE: [Share; 1] = [Share { outline: 3, weight: 1.0 }];

/// The field notes of house number `n`.
pub(crate) fn draw(seed: u64, n: u64, blunders: Blunders) -> FieldNotes {
    let mut sketch =
        Sketch { chance: Chance::of_row(seed, STREAM, n), walls: Vec::new(), truths: Vec::new() };
    let plan = Plan::draw(&mut sketch.chance);
    let level_1 = sketch.level_1(&plan);
    let outlines = sketch.outlines(&plan, level_1);
    let ties = sketch.ties(&plan);
    let mut notes = FieldNotes {
        instruments: instruments(),
        walls: sketch.walls,
        outlines,
        ties,
        direction_sd_degrees: None,
    };
    read(&mut sketch.chance, &mut notes, &sketch.truths, blunders);
    notes
}

fn instruments() -> Vec<Instrument> {
    let step = Length::from_feet_f64(1.0 / EIGHTHS_PER_FOOT as f64);
    vec![
        Instrument::assumed("laser", InstrumentKind::Laser),
        Instrument { rounded_to: step, ..Instrument::assumed("tape", InstrumentKind::Tape) },
    ]
}

/// True dimensions in feet.
struct Plan {
    width: f64,
    depth: f64,
    /// The corner cut out at the upper right: west and north.
    cut: Option<(f64, f64)>,
    /// Where the bay begins, its cheeks along the wall, its depth and its front.
    bay: Option<(f64, f64, f64, f64)>,
    /// Where the opening begins, and its sides.
    opening: [f64; 4],
    garage: f64,
    overall: bool,
}

impl Plan {
    fn draw(chance: &mut Chance) -> Plan {
        let (width, depth) = (feet(chance, 32, 64), feet(chance, 24, 40));
        let cut = (chance.below(3) > 0).then(|| (feet(chance, 3, 12), feet(chance, 3, 10)));
        let bay = (chance.below(3) > 0)
            .then(|| (feet(chance, 4, 9), feet(chance, 1, 2), feet(chance, 1, 3), feet(chance, 4, 9)));
        let opening = [feet(chance, 3, 6), feet(chance, 3, 6), feet(chance, 5, 9), feet(chance, 8, 12)];
        Plan { width, depth, cut, bay, opening, garage: feet(chance, 12, 26), overall: chance.below(2) == 0 }
    }

    /// The north wall, and so the width of level 2.
    fn north(&self) -> f64 {
        self.width - self.cut.map_or(0.0, |cut| cut.0)
    }
}

/// A length between two in whole feet, to the eighth of an inch.
fn feet(chance: &mut Chance, low: u64, high: u64) -> f64 {
    chance.between(low * EIGHTHS_PER_FOOT, high * EIGHTHS_PER_FOOT) as f64 / EIGHTHS_PER_FOOT as f64
}

/// A house while it is drawn: its walls, and the true distances in the order in which `distances` lists them.
struct Sketch {
    chance: Chance,
    walls: Vec<Wall>,
    truths: Vec<f64>,
}

impl Sketch {
    fn straight(&mut self, name: &str, toward: Compass, feet: f64) -> Walk {
        self.truths.push(feet);
        self.wall(name, Direction::Compass { toward, sd_degrees: None })
    }

    fn slanted(&mut self, name: &str, run_ft: f64, rise_toward: Compass, rise_ft: f64) -> Walk {
        self.truths.extend([run_ft, rise_ft]);
        let leg = |toward| Leg { toward, distance: Distance::default() };
        self.wall(name, Direction::RunAndRise { run: leg(Compass::East), rise: leg(rise_toward) })
    }

    fn wall(&mut self, name: &str, direction: Direction) -> Walk {
        self.walls.push(Wall { name: name.to_owned(), direction, length: Distance::default() });
        forwards(name)
    }

    /// Counter-clockwise from the lower left corner.
    fn level_1(&mut self, plan: &Plan) -> Vec<Walk> {
        let mut walks = Vec::new();
        if let Some((first, cheek, out, front)) = plan.bay {
            walks.push(self.straight("front left", Compass::East, first));
            walks.push(self.slanted("bay left", cheek, Compass::South, out));
            walks.push(self.straight("bay front", Compass::East, front));
            walks.push(self.slanted("bay right", cheek, Compass::North, out));
            let rest = plan.width - first - 2.0 * cheek - front;
            walks.push(self.straight("front right", Compass::East, rest));
        } else {
            walks.push(self.straight("front", Compass::East, plan.width));
        }
        let cut = plan.cut.unwrap_or_default();
        walks.push(self.straight("right side", Compass::North, plan.depth - cut.1));
        if plan.cut.is_some() {
            walks.push(self.straight("porch rear", Compass::West, cut.0));
            walks.push(self.straight("porch side", Compass::North, cut.1));
        }
        walks.push(self.straight("rear", Compass::West, plan.north()));
        walks.push(self.straight("left side", Compass::South, plan.depth));
        walks
    }

    fn outlines(&mut self, plan: &Plan, level_1: Vec<Walk>) -> Vec<Outline> {
        let level_2 = vec![
            self.straight("upper front", Compass::East, plan.north()),
            self.straight("upper right side", Compass::North, plan.depth),
            forwards("rear"),
            forwards("left side"),
        ];
        let [east, north, width, depth] = plan.opening;
        let way = vec![
            self.straight("to the stairs", Compass::East, east),
            self.straight("along the landing", Compass::North, north),
        ];
        let opening = vec![
            self.straight("stairs front", Compass::East, width),
            self.straight("stairs right", Compass::North, depth),
            self.straight("stairs rear", Compass::West, width),
            self.straight("stairs left", Compass::South, depth),
        ];
        let garage = vec![
            Walk { backwards: true, ..forwards("left side") },
            self.straight("garage rear", Compass::West, plan.garage),
            self.straight("garage side", Compass::South, plan.depth),
            self.straight("garage door", Compass::East, plan.garage),
        ];
        let outline = |name: &str, from, way, walls| Outline { name: name.to_owned(), from, way, walls };
        vec![
            outline("level 1", None, Vec::new(), level_1),
            outline("level 2", None, Vec::new(), level_2),
            outline("opening", Some(corner("level 2", 0)), way, opening),
            outline("garage", Some(corner("level 1", 0)), Vec::new(), garage),
        ]
    }

    fn ties(&mut self, plan: &Plan) -> Vec<Tie> {
        let after_front = if plan.bay.is_some() { 5 } else { 1 };
        let right = plan.depth - plan.cut.map_or(0.0, |cut| cut.1);
        self.truths.push(plan.width.hypot(right));
        let tie = |name: &str, along, to| Tie {
            name: name.to_owned(),
            along,
            from: corner("level 1", 0),
            to: corner("level 1", to),
            distance: Distance::default(),
        };
        let mut ties = vec![tie("diagonal", TieLine::Straight, after_front + 1)];
        if plan.overall {
            self.truths.push(plan.width);
            ties.push(tie("overall", TieLine::EastWest, after_front));
        }
        ties
    }
}

fn forwards(name: &str) -> Walk {
    Walk { wall: name.to_owned(), backwards: false }
}

fn corner(outline: &str, corner: usize) -> Corner {
    Corner { outline: outline.to_owned(), corner }
}

/// Each distance is read once, then some once more until the number is full.
fn read(chance: &mut Chance, notes: &mut FieldNotes, truths: &[f64], blunders: Blunders) {
    let mut distances = distances(notes);
    let count = distances.len();
    let blundered = chance.in_100_000(blunders.of_100_000).then(|| chance.below(count as u64));
    let mut taken = 0;
    while taken < READINGS {
        let at = if taken < count { taken } else { chance.below(count as u64) as usize };
        let (Some(distance), Some(truth)) = (distances.get_mut(at), truths.get(at)) else { return };
        if distance.readings.len() < 3 {
            let off = if blundered == Some(taken as u64) { blunders.feet } else { 0.0 };
            distance.readings.push(reading(chance, truth + off));
            taken += 1;
        }
    }
}

/// Every distance that is read, in the order in which the house was drawn.
fn distances(notes: &mut FieldNotes) -> Vec<&mut Distance> {
    let mut distances = Vec::new();
    for wall in &mut notes.walls {
        if let Direction::RunAndRise { run, rise } = &mut wall.direction {
            distances.extend([&mut run.distance, &mut rise.distance]);
        } else {
            distances.push(&mut wall.length);
        }
    }
    distances.extend(notes.ties.iter_mut().map(|tie| &mut tie.distance));
    distances
}

/// A reading with the error that its instrument is assumed to have.
fn reading(chance: &mut Chance, truth_ft: f64) -> Reading {
    let instrument = chance.one_of(&INSTRUMENTS);
    let is_tape = instrument == "tape";
    let read = truth_ft + normal(chance) * if is_tape { TAPE_SD_FT } else { LASER_SD_FT };
    let read =
        if is_tape { (read * EIGHTHS_PER_FOOT as f64).round() / EIGHTHS_PER_FOOT as f64 } else { read };
    Reading::of(Length::from_feet_f64(read).unwrap_or(Length::ZERO), instrument)
}

/// Normally distributed with mean 0 and standard deviation 1 (Box and Muller).
fn normal(chance: &mut Chance) -> f64 {
    let unit = |bits: u64| (bits >> 11) as f64 / (1_u64 << 53) as f64;
    let radius = (-2.0 * (1.0 - unit(chance.next())).ln()).sqrt();
    radius * (unit(chance.next()) * TAU).cos()
}
