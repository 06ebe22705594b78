//! From field notes to the network that is adjusted. Everything that the notes get wrong is reported at once.

use core::f64::consts::PI;
use core::fmt::Arguments;
use std::collections::BTreeMap;

use super::adjust::{Quantity, adjust};
use super::field_notes::{
    Compass, Corner, Direction, Distance, FieldNotes, HELD_DIRECTION_SD_DEGREES, Leg, Side, TieLine, Walk,
};
use super::network::{
    Network, Path, ResolvedOutline, ResolvedTie, Shape, Source, along, span, unit_of_bearing,
};
use super::repeated::combine;
use crate::document::Problem;

/// A first approximation for what nobody read, in feet.
const UNREAD_FT: f64 = 10.0;
/// A held direction is at most so far off.
const DIRECTION_SD_DEGREES_MAX: f64 = 45.0;

/// Resolves field notes.
///
/// # Errors
/// Every problem, with its pointer into the notes.
pub(super) fn resolve(notes: &FieldNotes) -> Result<Network, Vec<Problem>> {
    let mut resolver = Resolver::new(notes);
    resolver.check_instruments();
    resolver.check_names();
    resolver.take_outlines();
    resolver.take_walls();
    if resolver.problems.is_empty() {
        resolver.approximate();
        resolver.take_ties();
    }
    if resolver.problems.is_empty() { Ok(resolver.network) } else { Err(resolver.problems) }
}

struct Resolver<'n> {
    notes: &'n FieldNotes,
    walls: BTreeMap<&'n str, usize>,
    network: Network,
    problems: Vec<Problem>,
}

impl<'n> Resolver<'n> {
    fn new(notes: &'n FieldNotes) -> Self {
        // Two a wall; a run and rise with a length has three.
        let count = 2 * notes.walls.len() + notes.ties.len();
        let network = Network {
            sources: Vec::with_capacity(count),
            quantities: Vec::with_capacity(count),
            readings: Vec::with_capacity(count),
            shapes: Vec::with_capacity(notes.walls.len()),
            outlines: Vec::with_capacity(notes.outlines.len()),
            ties: Vec::with_capacity(notes.ties.len()),
            scales: notes.instruments.iter().map(super::instrument::Instrument::relative_scale_sd).collect(),
        };
        let walls = notes.walls.iter().enumerate().map(|(at, wall)| (wall.name.as_str(), at)).collect();
        Self { notes, walls, network, problems: Vec::new() }
    }

    fn report(&mut self, pointer: String, detail: impl Into<String>, mend: &str) {
        self.problems.push(Problem { pointer, detail: detail.into(), mend: mend.to_owned() });
    }

    fn check_instruments(&mut self) {
        for (at, instrument) in self.notes.instruments.iter().enumerate() {
            if instrument.reading_sd().nanometres() <= 0 {
                self.report(
                    format!("/instruments/{at}/reading_sd"),
                    "a standard deviation of zero claims readings without error",
                    "write the standard deviation of one reading, or leave it out for the usual one",
                );
            }
            if !(0.0..=100_000.0).contains(&instrument.scale_sd_ppm.unwrap_or(0.0)) {
                self.report(
                    format!("/instruments/{at}/scale_sd_ppm"),
                    "a scale error lies between 0 and 100000 parts in a million",
                    "write it in parts in a million: 120 is 1/8 in over 50 ft as half width of a uniform error",
                );
            }
        }
    }

    fn check_names(&mut self) {
        let notes = self.notes;
        // Their map has fewer walls than the notes only where two have one name.
        if self.walls.len() < notes.walls.len() {
            self.check_list("walls", notes.walls.iter().map(|one| one.name.as_str()));
        }
        self.check_list("instruments", notes.instruments.iter().map(|one| one.name.as_str()));
        self.check_list("outlines", notes.outlines.iter().map(|one| one.name.as_str()));
        self.check_list("ties", notes.ties.iter().map(|one| one.name.as_str()));
    }

    fn check_list(&mut self, list: &str, names: impl Iterator<Item = &'n str> + Clone) {
        for (at, name) in names.clone().enumerate() {
            if names.clone().take(at).any(|earlier| earlier == name) {
                self.report(
                    format!("/{list}/{at}/name"),
                    format!("{name:?} is there already"),
                    "give each its own name",
                );
            }
        }
    }

    fn take_outlines(&mut self) {
        let notes = self.notes;
        for (at, outline) in notes.outlines.iter().enumerate() {
            let mut way = match &outline.from {
                Some(corner) => self.corner(corner, format_args!("/outlines/{at}/from")).unwrap_or_default(),
                None => Path::new(),
            };
            way.extend(self.path(&outline.way, format_args!("/outlines/{at}/way")));
            let walls = self.path(&outline.walls, format_args!("/outlines/{at}/walls"));
            for (later, walk) in outline.walls.iter().enumerate() {
                if outline.walls.iter().take(later).any(|earlier| earlier.wall == walk.wall) {
                    self.report(
                        format!("/outlines/{at}/walls/{later}/wall"),
                        format!("{:?} is walked twice", walk.wall),
                        "an outline passes each wall once: give another wall its own name and readings",
                    );
                }
            }
            if outline.walls.len() < 3 {
                self.report(
                    format!("/outlines/{at}/walls"),
                    format!("{:?} has fewer than three walls", outline.name),
                    "list every wall, the last one back to where the first began",
                );
            }
            self.network.outlines.push(ResolvedOutline { way, walls });
        }
    }

    fn path(&mut self, walks: &[Walk], pointer: Arguments<'_>) -> Path {
        let mut path = Path::with_capacity(walks.len());
        for (at, walk) in walks.iter().enumerate() {
            match self.walls.get(walk.wall.as_str()) {
                Some(&wall) => path.push((wall, if walk.backwards { -1.0 } else { 1.0 })),
                None => self.report(
                    format!("{pointer}/{at}/wall"),
                    format!("no wall is named {:?}", walk.wall),
                    "name one of the walls of this measurement, or add it there",
                ),
            }
        }
        path
    }

    /// The way from the sketch's origin to a corner of an outline that is resolved already.
    fn corner(&mut self, corner: &Corner, pointer: Arguments<'_>) -> Option<Path> {
        let drawn = self.notes.outlines.iter().position(|outline| outline.name == corner.outline);
        match drawn.and_then(|at| self.network.outlines.get(at)) {
            Some(outline) if corner.corner < outline.walls.len() => Some(outline.path_to(corner.corner)),
            Some(outline) => {
                let last = outline.walls.len().saturating_sub(1);
                let detail = format!("{:?} has the corners 0 to {last}", corner.outline);
                self.report(
                    format!("{pointer}/corner"),
                    detail,
                    "count corners from 0, where the first wall begins",
                );
                None
            }
            None => {
                self.report(
                    format!("{pointer}/outline"),
                    format!("no outline listed before is named {:?}", corner.outline),
                    "list the outline first, or name another",
                );
                None
            }
        }
    }

    /// The wall walked before the first visit to `wall`, and the senses of both.
    fn before(&self, wall: usize) -> Option<(usize, f64, f64)> {
        for outline in &self.network.outlines {
            for path in [&outline.way, &outline.walls] {
                for (earlier, later) in path.iter().zip(path.iter().skip(1)) {
                    if later.0 == wall {
                        return Some((earlier.0, earlier.1, later.1));
                    }
                }
            }
        }
        None
    }

    fn take_walls(&mut self) {
        let notes = self.notes;
        let mut units: Vec<Option<(f64, f64)>> = vec![None; notes.walls.len()];
        // A turn needs the wall before it, which may be listed later.
        for _ in 0..=notes.walls.len() {
            let known: Vec<_> = (0..notes.walls.len()).map(|wall| self.unit(wall, &units)).collect();
            if known == units {
                break;
            }
            units = known;
        }
        for (wall, unit) in units.iter().enumerate() {
            let shape = match (notes.walls.get(wall).map(|one| &one.direction), *unit) {
                (Some(Direction::RunAndRise { run, rise }), _) => self.legs(wall, run, rise),
                (Some(_), Some(unit)) => self.polar(wall, unit),
                (Some(_), None) | (None, _) => {
                    self.report(
                        format!("/walls/{wall}/direction"),
                        "a turn needs a wall walked before it whose direction is known",
                        "give the first wall of the outline a compass word",
                    );
                    continue;
                }
            };
            self.network.shapes.push(shape);
        }
    }

    fn unit(&self, wall: usize, units: &[Option<(f64, f64)>]) -> Option<(f64, f64)> {
        match &self.notes.walls.get(wall)?.direction {
            Direction::Compass { toward, .. } => Some(toward.unit()),
            Direction::Bearing { degrees, .. } | Direction::Free { about_degrees: degrees } => {
                Some(unit_of_bearing(*degrees))
            }
            Direction::Turn { side, degrees, .. } => {
                let (earlier, earlier_sense, sense) = self.before(wall)?;
                let (east, north) = (*units.get(earlier)?)?;
                let clockwise = match side {
                    Side::Left => -degrees,
                    Side::Right => *degrees,
                };
                let (turn_east, turn_north) = unit_of_bearing(clockwise);
                let both = earlier_sense * sense;
                // Turning by a bearing: north stays north at zero degrees.
                Some((
                    both * (east * turn_north + north * turn_east),
                    both * (north * turn_north - east * turn_east),
                ))
            }
            Direction::RunAndRise { .. } => None,
        }
    }

    fn polar(&mut self, wall: usize, unit: (f64, f64)) -> Shape {
        let notes = self.notes;
        let Some(described) = notes.walls.get(wall) else {
            return Shape::Polar { length: 0, deviation: 0, unit };
        };
        let stated = match &described.direction {
            Direction::Compass { sd_degrees, .. }
            | Direction::Bearing { sd_degrees, .. }
            | Direction::Turn { sd_degrees, .. } => Some(*sd_degrees),
            Direction::Free { .. } | Direction::RunAndRise { .. } => None,
        };
        let sd = stated
            .map(|sd| sd.or(notes.direction_sd_degrees).unwrap_or(HELD_DIRECTION_SD_DEGREES) * PI / 180.0);
        if sd.is_some_and(|sd| !(0.0..=DIRECTION_SD_DEGREES_MAX * PI / 180.0).contains(&sd)) {
            self.report(
                format!("/walls/{wall}/direction"),
                "the standard deviation of a direction lies between 0 and 45 degrees",
                "write it in degrees: 0.2 is usual, 0 holds the direction",
            );
        }
        let length =
            self.distance(Source::Length(wall), &described.length, format_args!("/walls/{wall}/length"));
        let deviation = self.quantity(Source::Direction(wall), 0.0, sd.map(|sd| sd * sd));
        Shape::Polar { length, deviation, unit }
    }

    fn legs(&mut self, wall: usize, run: &Leg, rise: &Leg) -> Shape {
        let east = match run.toward {
            Compass::East => 1.0,
            Compass::West => -1.0,
            Compass::North
            | Compass::NorthEast
            | Compass::SouthEast
            | Compass::South
            | Compass::SouthWest
            | Compass::NorthWest => {
                self.report(
                    format!("/walls/{wall}/direction/run_and_rise/run/toward"),
                    "a run heads east or west",
                    "write east or west",
                );
                0.0
            }
        };
        let north = match rise.toward {
            Compass::North => 1.0,
            Compass::South => -1.0,
            Compass::NorthEast
            | Compass::East
            | Compass::SouthEast
            | Compass::SouthWest
            | Compass::West
            | Compass::NorthWest => {
                self.report(
                    format!("/walls/{wall}/direction/run_and_rise/rise/toward"),
                    "a rise heads north or south",
                    "write north or south",
                );
                0.0
            }
        };
        let run = self.distance(
            Source::Run(wall),
            &run.distance,
            format_args!("/walls/{wall}/direction/run_and_rise/run/distance"),
        );
        let rise = self.distance(
            Source::Rise(wall),
            &rise.distance,
            format_args!("/walls/{wall}/direction/run_and_rise/rise/distance"),
        );
        let own = self.notes.walls.get(wall).map(|described| &described.length);
        let length = own
            .filter(|length| !length.readings.is_empty())
            .map(|length| self.distance(Source::Length(wall), length, format_args!("/walls/{wall}/length")));
        Shape::Legs { run, east, rise, north, length }
    }

    fn quantity(&mut self, source: Source, value: f64, variance: Option<f64>) -> usize {
        self.network.sources.push(source);
        self.network.quantities.push(Quantity { value, variance });
        self.network.readings.push(None);
        self.network.quantities.len() - 1
    }

    fn distance(&mut self, source: Source, distance: &Distance, pointer: Arguments<'_>) -> usize {
        let mut values = Vec::with_capacity(distance.readings.len());
        for (at, reading) in distance.readings.iter().enumerate() {
            match reading.value(&self.notes.instruments) {
                Ok(value) => values.push(value),
                Err(problems) => {
                    for problem in problems {
                        let pointer = format!("{pointer}/readings/{at}{}", problem.pointer);
                        self.problems.push(Problem { pointer, ..problem });
                    }
                }
            }
        }
        let combined = combine(&values, distance.obstacle.as_ref());
        let (value, variance) = match &combined {
            Some(combined) => (combined.value_ft, Some(combined.variance)),
            None => (UNREAD_FT, None),
        };
        let quantity = self.quantity(source, value, variance);
        if let Some(slot) = self.network.readings.get_mut(quantity) {
            *slot = combined;
        }
        quantity
    }

    /// First approximations of what nobody read, from the closures alone: ties need to know their ends roughly.
    fn approximate(&mut self) {
        let unread = |quantity: &Quantity| quantity.variance.is_none();
        if self.notes.ties.is_empty() || !self.network.quantities.iter().any(unread) {
            return;
        }
        // What the closures do not determine, the ties may.
        if let Ok(adjusted) = adjust(&self.network.quantities, &self.network) {
            for (quantity, value) in self.network.quantities.iter_mut().zip(adjusted.values.iter()) {
                if unread(quantity) {
                    quantity.value = *value;
                }
            }
        }
    }

    fn take_ties(&mut self) {
        let notes = self.notes;
        for (at, tie) in notes.ties.iter().enumerate() {
            let from = self.corner(&tie.from, format_args!("/ties/{at}/from"));
            let to = self.corner(&tie.to, format_args!("/ties/{at}/to"));
            if tie.distance.readings.is_empty() {
                self.report(
                    format!("/ties/{at}/distance/readings"),
                    "a tie without a reading says nothing",
                    "write what was read, or leave the tie out",
                );
            }
            let (Some(from), Some(to)) = (from, to) else { continue };
            let path: Path =
                to.into_iter().chain(from.into_iter().map(|(wall, sign)| (wall, -sign))).collect();
            let quantity = self.distance(Source::Tie(at), &tie.distance, format_args!("/ties/{at}/distance"));
            let (east, north) = along(&path, &self.network.steps(&self.network.observed()));
            let sense = if span(east, north, tie.along, 1.0).0 < 0.0 { -1.0 } else { 1.0 };
            let sense = if tie.along == TieLine::Straight { 1.0 } else { sense };
            self.network.ties.push(ResolvedTie { quantity, path, along: tie.along, sense });
        }
    }
}
