//! Field notes resolved: quantities, how walls and corners follow from them, and the conditions among them.

#![expect(clippy::indexing_slicing, reason = "indices were given out by the resolution of the same notes")]

use core::f64::consts::PI;

use nalgebra::{DMatrix, DVector};

use super::adjust::{Conditions, Quantity};
use super::field_notes::{Compass, TieLine};
use super::repeated::Combined;

/// What a quantity is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Source {
    /// The length of a wall, by index.
    Length(usize),
    /// The run of an angled wall.
    Run(usize),
    /// The rise of an angled wall.
    Rise(usize),
    /// The direction of a wall: its deviation from the stated one, in radians, counter-clockwise.
    Direction(usize),
    /// A tie, by index.
    Tie(usize),
}

/// How a wall's east and north follow from quantities.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Shape {
    /// Length and deviation from a unit vector.
    Polar { length: usize, deviation: usize, unit: (f64, f64) },
    /// Run and rise with their signs, and the length where it was read too.
    Legs { run: usize, east: f64, rise: usize, north: f64, length: Option<usize> },
}

/// East and north of a wall, and their derivatives by quantity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Step {
    pub(super) east: f64,
    pub(super) north: f64,
    pub(super) slopes: [(usize, f64, f64); 2],
}

impl Shape {
    pub(super) fn step(&self, quantities: &DVector<f64>) -> Step {
        match *self {
            Self::Polar { length, deviation, unit: (east, north) } => {
                let (sine, cosine) = libm::sincos(quantities[deviation]);
                let (along_east, along_north) = (east * cosine - north * sine, east * sine + north * cosine);
                let size = quantities[length];
                Step {
                    east: size * along_east,
                    north: size * along_north,
                    slopes: [
                        (length, along_east, along_north),
                        (deviation, -size * along_north, size * along_east),
                    ],
                }
            }
            Self::Legs { run, east, rise, north, .. } => Step {
                east: east * quantities[run],
                north: north * quantities[rise],
                slopes: [(run, east, 0.0), (rise, 0.0, north)],
            },
        }
    }

    /// Quantities that a size of the wall comes from.
    pub(super) fn sizes(&self) -> [usize; 2] {
        match *self {
            Self::Polar { length, .. } => [length, length],
            Self::Legs { run, rise, .. } => [run, rise],
        }
    }
}

/// Walls walked, +1 forwards and −1 backwards.
pub(super) type Path = Vec<(usize, f64)>;

/// A tie resolved: the quantity that was read, the way between its ends, and where it was taken.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct ResolvedTie {
    pub(super) quantity: usize,
    pub(super) path: Path,
    pub(super) along: TieLine,
    /// +1 where the way leads east or north.
    pub(super) sense: f64,
}

/// An outline resolved.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct ResolvedOutline {
    /// From the sketch's origin to corner 0.
    pub(super) way: Path,
    pub(super) walls: Path,
}

impl ResolvedOutline {
    /// From the sketch's origin to a corner.
    pub(super) fn path_to(&self, corner: usize) -> Path {
        self.way.iter().chain(self.walls.iter().take(corner)).copied().collect()
    }

    /// East and north of each corner from the sketch's origin, in feet.
    pub(super) fn corners(&self, steps: &[Step]) -> Vec<(f64, f64)> {
        let (mut east, mut north) = along(&self.way, steps);
        let mut corners = Vec::with_capacity(self.walls.len());
        for &(wall, sign) in &self.walls {
            corners.push((east, north));
            east += sign * steps[wall].east;
            north += sign * steps[wall].north;
        }
        corners
    }
}

/// Field notes resolved. Walls, outlines and ties are those of the notes, in the same order.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Network {
    pub(super) sources: Vec<Source>,
    pub(super) quantities: Vec<Quantity>,
    /// The readings of a quantity; none for directions and for what nobody read.
    pub(super) readings: Vec<Option<Combined>>,
    pub(super) shapes: Vec<Shape>,
    pub(super) outlines: Vec<ResolvedOutline>,
    pub(super) ties: Vec<ResolvedTie>,
    /// Relative standard deviation of each instrument's scale.
    pub(super) scales: Vec<f64>,
}

impl Network {
    /// Holds every direction that was held with a doubt; tells whether there was one.
    pub(super) fn hold_directions(&mut self) -> bool {
        let mut changed = false;
        for (source, quantity) in self.sources.iter().zip(&mut self.quantities) {
            let is_loose = quantity.variance.is_some_and(|variance| variance > 0.0);
            if is_loose && matches!(source, Source::Direction(_)) {
                quantity.variance = Some(0.0);
                changed = true;
            }
        }
        changed
    }

    /// The quantities as observed; of those that nobody observed, the approximations.
    pub(super) fn observed(&self) -> DVector<f64> {
        DVector::from_iterator(self.quantities.len(), self.quantities.iter().map(|one| one.value))
    }

    /// Every wall's step, by index.
    pub(super) fn steps(&self, quantities: &DVector<f64>) -> Vec<Step> {
        self.shapes.iter().map(|shape| shape.step(quantities)).collect()
    }

    /// Derivatives of twice half the ring sum (the signed area) by quantity, in feet, added to `slope` times
    /// `weight`.
    pub(super) fn add_area_slope(
        &self,
        outline: &ResolvedOutline,
        steps: &[Step],
        weight: f64,
        slope: &mut DVector<f64>,
    ) {
        let corners = outline.corners(steps);
        let count = corners.len();
        let (mut by_east, mut by_north) = (0.0, 0.0);
        // A step moves all corners after it; the last one ends where the walk began.
        for at in (1..count).rev() {
            let (before, after) = (corners[at - 1], corners[(at + 1) % count]);
            by_east += (after.1 - before.1) / 2.0;
            by_north += (before.0 - after.0) / 2.0;
            let (wall, sign) = outline.walls[at - 1];
            for (quantity, east, north) in steps[wall].slopes {
                slope[quantity] += weight * sign * (east * by_east + north * by_north);
            }
        }
    }

    /// Walls whose own length was read beside run and rise.
    fn doubly_read(&self) -> impl Iterator<Item = (usize, usize)> {
        self.shapes.iter().enumerate().filter_map(|(wall, shape)| match *shape {
            Shape::Legs { length, .. } => length.map(|quantity| (wall, quantity)),
            Shape::Polar { .. } => None,
        })
    }
}

impl Conditions for Network {
    fn count(&self) -> usize {
        2 * self.outlines.len() + self.ties.len() + self.doubly_read().count()
    }

    fn evaluate(&self, quantities: &DVector<f64>) -> (DVector<f64>, DMatrix<f64>) {
        let mut values = DVector::zeros(self.count());
        let mut slopes = DMatrix::zeros(self.count(), quantities.len());
        let steps = self.steps(quantities);
        let mut row = 0;
        for outline in &self.outlines {
            (values[row], values[row + 1]) = along(&outline.walls, &steps);
            for (quantity, by_east, by_north) in slopes_along(&outline.walls, &steps) {
                slopes[(row, quantity)] += by_east;
                slopes[(row + 1, quantity)] += by_north;
            }
            row += 2;
        }
        let mut take = |path: &[(usize, f64)], quantity: usize, line: TieLine, sense: f64| {
            let (east, north) = along(path, &steps);
            let (distance, unit) = span(east, north, line, sense);
            values[row] = quantities[quantity] - distance;
            slopes[(row, quantity)] += 1.0;
            for (of, by_east, by_north) in slopes_along(path, &steps) {
                slopes[(row, of)] -= by_east * unit.0 + by_north * unit.1;
            }
            row += 1;
        };
        for tie in &self.ties {
            take(&tie.path, tie.quantity, tie.along, tie.sense);
        }
        for (wall, quantity) in self.doubly_read() {
            take(&[(wall, 1.0)], quantity, TieLine::Straight, 1.0);
        }
        (values, slopes)
    }
}

/// East and north of a path.
pub(super) fn along(path: &[(usize, f64)], steps: &[Step]) -> (f64, f64) {
    let (mut east, mut north) = (0.0, 0.0);
    for &(wall, sign) in path {
        east += sign * steps[wall].east;
        north += sign * steps[wall].north;
    }
    (east, north)
}

/// Derivatives of east and north of a path by quantity, which may come more than once.
pub(super) fn slopes_along(path: &[(usize, f64)], steps: &[Step]) -> impl Iterator<Item = (usize, f64, f64)> {
    path.iter().flat_map(|&(wall, sign)| {
        steps[wall].slopes.map(|(at, by_east, by_north)| (at, sign * by_east, sign * by_north))
    })
}

/// The distance that a tie reads over so much east and north, and the direction in which it grows.
pub(super) fn span(east: f64, north: f64, along: TieLine, sense: f64) -> (f64, (f64, f64)) {
    match along {
        TieLine::EastWest => (sense * east, (sense, 0.0)),
        TieLine::NorthSouth => (sense * north, (0.0, sense)),
        TieLine::Straight => {
            let distance = libm::hypot(east, north);
            let unit = if distance > 0.0 { (east / distance, north / distance) } else { (0.0, 0.0) };
            (distance, unit)
        }
    }
}

/// The unit vector of a bearing in degrees clockwise from north; exact at whole quarters.
pub(super) fn unit_of_bearing(degrees: f64) -> (f64, f64) {
    let turned = degrees.rem_euclid(360.0);
    for (quarter, word) in [(0.0, Compass::North), (90.0, Compass::East), (180.0, Compass::South)] {
        if turned == quarter {
            return word.unit();
        }
    }
    if turned == 270.0 {
        return Compass::West.unit();
    }
    libm::sincos(turned * PI / 180.0)
}
