//! Random houses: a true shape, and field notes that a visit with known errors would bring home.

use crossfoot_audit::length::Length;
use crossfoot_audit::measure::area_spread::{AreaSpread, Share};
use crossfoot_audit::measure::field_notes::{
    Compass, Corner, Direction, Distance, FieldNotes, Leg, Outline, Tie, TieLine, Walk, Wall,
};
use crossfoot_audit::measure::instrument::{Instrument, InstrumentKind};
use crossfoot_audit::measure::reading::{Offset, OffsetSense, Piece, Reading};
use crossfoot_audit::measure::repeated::{Obstacle, ObstacleSense};
use crossfoot_audit::measure::{WorkedUp, work_up};

use crate::chance::Chance;

pub(crate) const WHOLE: [Share; 1] = [Share { outline: 0, weight: 1.0 }];

/// How houses are drawn and read.
#[derive(Clone, Copy)]
pub(crate) struct Recipe {
    /// Least and most readings of a distance.
    pub(crate) readings: (usize, usize),
    /// Least and largest standard deviation of a reading, in feet.
    pub(crate) sd_ft: (f64, f64),
    pub(crate) direction_sd_degrees: f64,
    pub(crate) scale_sd_ppm: f64,
    /// Bays by run and rise.
    pub(crate) bays: bool,
    /// Diagonals and overall dimensions.
    pub(crate) ties: bool,
    /// Obstacles, offsets and pieces.
    pub(crate) allowances: bool,
    /// Readings rounded to an eighth of an inch.
    pub(crate) rounded: bool,
    /// A wall in some houses that nobody read.
    pub(crate) derived: bool,
}

/// Right-angled, each wall read once, directions held.
pub(crate) const PLAIN: Recipe = Recipe {
    readings: (1, 1),
    sd_ft: (0.006, 0.03),
    direction_sd_degrees: 0.0,
    scale_sd_ppm: 0.0,
    bays: false,
    ties: false,
    allowances: false,
    rounded: false,
    derived: false,
};

/// A house with its true figures.
pub(crate) struct House {
    pub(crate) notes: FieldNotes,
    pub(crate) true_area_sqft: f64,
    pub(crate) true_lengths_ft: Vec<f64>,
}

/// A true wall, counter-clockwise.
#[derive(Clone, Copy)]
struct Run {
    east: f64,
    north: f64,
    slanted: bool,
}

impl Run {
    fn straight(east: f64, north: f64) -> Self {
        Self { east, north, slanted: false }
    }

    fn length(self) -> f64 {
        self.east.hypot(self.north)
    }

    /// So many feet along this wall.
    fn along(self, feet: f64) -> Self {
        let share = feet / self.length();
        Self { east: self.east * share, north: self.north * share, ..self }
    }

    /// Along this wall and to its right, outwards.
    fn slant(self, along: f64, out: f64) -> Self {
        let (ahead, side) = (self.along(1.0), self.along(out));
        Self { east: ahead.east * along + side.north, north: ahead.north * along - side.east, slanted: true }
    }
}

pub(crate) fn feet(value: f64) -> Length {
    Length::from_feet_f64(value).unwrap()
}

pub(crate) fn worked_up(notes: &FieldNotes) -> WorkedUp {
    work_up(notes).unwrap_or_else(|problems| panic!("{problems:#?}"))
}

pub(crate) fn whole_area(house: &WorkedUp) -> AreaSpread {
    house.area(&WHOLE).unwrap()
}

/// A rectangle with corners cut out, and perhaps a bay on one of its sides.
fn true_walls(chance: &mut Chance, recipe: &Recipe) -> Vec<Run> {
    let (width, depth) = (chance.between(26.0, 70.0), chance.between(22.0, 45.0));
    let sides = [
        Run::straight(width, 0.0),
        Run::straight(0.0, depth),
        Run::straight(-width, 0.0),
        Run::straight(0.0, -depth),
    ];
    let mut cuts = [(0.0, 0.0); 4];
    for cut in &mut cuts {
        if chance.one_in(3) {
            *cut = (chance.between(2.0, 0.35 * width), chance.between(2.0, 0.35 * depth));
        }
    }
    let with_bay = if recipe.bays && !chance.one_in(3) { chance.below(4) } else { 4 };
    let mut walls = Vec::new();
    for (at, side) in sides.into_iter().enumerate() {
        let next = sides[(at + 1) % 4];
        let along = |cut: (f64, f64)| if at % 2 == 0 { cut.0 } else { cut.1 };
        let across = |cut: (f64, f64)| if at % 2 == 0 { cut.1 } else { cut.0 };
        let (before, after) = (cuts[at], cuts[(at + 1) % 4]);
        let run = side.along(side.length() - along(before) - along(after));
        if at == with_bay && run.length() > 7.0 {
            let (first, cheek) = (chance.between(1.0, 2.0), chance.between(0.7, 1.5));
            let (out, front) = (chance.between(1.0, 3.0), run.length() - 2.0 * cheek - first - 1.5);
            walls.extend([
                run.along(first),
                run.slant(cheek, out),
                run.along(front),
                run.slant(cheek, -out),
                run.along(1.5),
            ]);
        } else {
            walls.push(run);
        }
        if after.0 > 0.0 {
            // Around the corner that is cut out: in, then on.
            walls.push(next.along(across(after)));
            walls.push(side.along(along(after)));
        }
    }
    walls
}

/// Corners of a walk from the origin; the first is (0, 0).
fn corners(walls: &[Run]) -> Vec<(f64, f64)> {
    let mut at = (0.0, 0.0);
    let mut corners = Vec::new();
    for wall in walls {
        corners.push(at);
        at = (at.0 + wall.east, at.1 + wall.north);
    }
    assert!(at.0.hypot(at.1) < 1e-9, "the true house does not close: {at:?}");
    corners
}

fn ring_area(corners: &[(f64, f64)]) -> f64 {
    let next = corners.iter().cycle().skip(1);
    corners.iter().zip(next).map(|(one, next)| one.0 * next.1 - next.0 * one.1).sum::<f64>() / 2.0
}

/// One visit: instruments with their scale errors.
struct Visit<'c> {
    chance: &'c mut Chance,
    recipe: Recipe,
    scales: [f64; 2],
}

const INSTRUMENTS: [&str; 2] = ["laser", "tape"];

impl Visit<'_> {
    fn distance(&mut self, truth: f64) -> Distance {
        let (least, most) = self.recipe.readings;
        let count = least + self.chance.below(most - least + 1);
        let obstacle = (self.recipe.allowances && self.chance.one_in(4)).then(|| {
            let sense =
                if self.chance.one_in(2) { ObstacleSense::ReadOver } else { ObstacleSense::CornerNotReached };
            Obstacle { sense, amount: feet(1.0 / 12.0), sd: feet(0.5 / 12.0) }
        });
        let shift = obstacle.as_ref().map_or(0.0, |obstacle| {
            let size = obstacle.amount.to_feet_f64() + self.chance.normal(obstacle.sd.to_feet_f64());
            if obstacle.sense == ObstacleSense::ReadOver { size } else { -size }
        });
        Distance { readings: (0..count).map(|_| self.reading(truth + shift)).collect(), obstacle }
    }

    fn reading(&mut self, there: f64) -> Reading {
        let instrument = self.chance.below(2);
        let scale = 1.0 + self.scales[instrument];
        let sd = self.chance.between(self.recipe.sd_ft.0, self.recipe.sd_ft.1);
        let step = self.recipe.rounded.then(|| feet(1.0 / 96.0));
        let offset = (self.recipe.allowances && self.chance.one_in(3)).then(|| {
            let sense =
                if self.chance.one_in(2) { OffsetSense::EndStopsShort } else { OffsetSense::MarkOnCorner };
            Offset { sense, amount: feet(2.0 / 12.0), reason: None }
        });
        let on_tape = there
            - offset.as_ref().map_or(0.0, |offset| {
                let size = offset.amount.to_feet_f64();
                if offset.sense == OffsetSense::EndStopsShort { size } else { -size }
            });
        let cuts: usize = if self.recipe.allowances && there > 12.0 && self.chance.one_in(3) { 2 } else { 1 };
        let shares = if cuts == 2 { vec![0.6 * on_tape, 0.4 * on_tape] } else { vec![on_tape] };
        let piece = |read: f64| Piece {
            length: feet(match step {
                Some(_) => (read * 96.0).round() / 96.0,
                None => read,
            }),
            instrument: INSTRUMENTS[instrument].to_owned(),
            rounded_to: step,
        };
        // Without a stated figure, each piece has a tape's usual 1/4 in, and so has the mark between two.
        let usual = self.recipe.allowances && self.chance.one_in(4);
        let sd = if usual { 0.25 / 12.0 * (2.0 * cuts as f64 - 1.0).sqrt() } else { feet(sd).to_feet_f64() };
        let mut pieces: Vec<Piece> = Vec::new();
        for (at, share) in shares.into_iter().enumerate() {
            let error = if at == 0 { self.chance.normal(sd) } else { 0.0 };
            pieces.push(piece(share * scale + error));
        }
        let sd = (!usual).then(|| feet(sd));
        Reading { pieces, offsets: offset.into_iter().collect(), sd, ..Reading::default() }
    }

    fn direction(&mut self, wall: Run) -> Direction {
        let sd = self.recipe.direction_sd_degrees;
        if wall.slanted {
            let run = if wall.east > 0.0 { Compass::East } else { Compass::West };
            let rise = if wall.north > 0.0 { Compass::North } else { Compass::South };
            let leg = |toward, distance| Leg { toward, distance };
            let (run, rise) =
                (leg(run, self.distance(wall.east.abs())), leg(rise, self.distance(wall.north.abs())));
            return Direction::RunAndRise { run, rise };
        }
        let truth = wall.east.atan2(wall.north).to_degrees();
        if sd == 0.0 {
            let toward = match (wall.east > 1e-9, wall.east < -1e-9, wall.north > 0.0) {
                (true, ..) => Compass::East,
                (_, true, _) => Compass::West,
                (.., true) => Compass::North,
                _ => Compass::South,
            };
            return Direction::Compass { toward, sd_degrees: None };
        }
        Direction::Bearing { degrees: truth + self.chance.normal(sd), sd_degrees: None }
    }

    fn ties(&mut self, corners: &[(f64, f64)]) -> Vec<Tie> {
        let mut ties = Vec::new();
        for along in [TieLine::Straight, TieLine::EastWest, TieLine::NorthSouth] {
            let (from, to) = (self.chance.below(corners.len()), self.chance.below(corners.len()));
            let (east, north) = (corners[to].0 - corners[from].0, corners[to].1 - corners[from].1);
            let truth = match along {
                TieLine::Straight => east.hypot(north),
                TieLine::EastWest => east.abs(),
                TieLine::NorthSouth => north.abs(),
            };
            if truth > 5.0 && !self.chance.one_in(3) {
                let corner = |corner| Corner { outline: "house".to_owned(), corner };
                let name = format!("{}", ties.len());
                let distance = self.distance(truth);
                ties.push(Tie { name, along, from: corner(from), to: corner(to), distance });
            }
        }
        ties
    }
}

/// Draws a house and reads it.
pub(crate) fn draw(chance: &mut Chance, recipe: &Recipe) -> House {
    let truth = true_walls(chance, recipe);
    let corners = corners(&truth);
    let sd = recipe.scale_sd_ppm * 1e-6;
    let scales = [chance.normal(sd), chance.normal(sd)];
    let mut visit = Visit { chance, recipe: *recipe, scales };
    let instrument = |name: &str| Instrument {
        scale_sd_ppm: Some(recipe.scale_sd_ppm),
        ..Instrument::assumed(name, InstrumentKind::Tape)
    };
    let mut walls = Vec::new();
    for (at, wall) in truth.iter().enumerate() {
        let direction = visit.direction(*wall);
        let read_side = !wall.slanted || visit.chance.one_in(2);
        let length = if read_side { visit.distance(wall.length()) } else { Distance::default() };
        walls.push(Wall { name: format!("w{at}"), direction, length });
    }
    if recipe.derived && visit.chance.one_in(4) {
        walls[0].length = Distance::default();
    }
    let ties = if recipe.ties { visit.ties(&corners) } else { Vec::new() };
    let walks = walls.iter().map(|wall| Walk { wall: wall.name.clone(), backwards: false }).collect();
    let outline = Outline { name: "house".to_owned(), from: None, way: Vec::new(), walls: walks };
    let notes = FieldNotes {
        instruments: INSTRUMENTS.map(instrument).to_vec(),
        walls,
        outlines: vec![outline],
        ties,
        direction_sd_degrees: Some(recipe.direction_sd_degrees),
    };
    let true_lengths_ft = truth.iter().map(|wall| wall.length()).collect();
    House { notes, true_area_sqft: ring_area(&corners), true_lengths_ft }
}
