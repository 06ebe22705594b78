//! Outlines as exact polygons: area, perimeter, and what is wrong with their shape, in nanometres.
//!
//! Coordinates are whole nanometres and products 128-bit, so that neither the distance from the origin nor the
//! order of the corners changes a figure. Overlaps of different polygons come from a library in 64-bit floats,
//! taken from the first corner on; they are reported with their place, and no area is computed from them.

use geo::{Area as _, BooleanOps as _, Coord, LineString, MultiPolygon, Polygon as Plane};

use crate::area::Area;
use crate::length::Length;

/// A corner, east and north of the sketch's origin, in nanometres.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Point {
    /// To the right.
    pub east: i64,
    /// Upwards.
    pub north: i64,
}

/// A closed ring of corners; the last one is joined to the first.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Polygon {
    /// Its corners in walking order.
    pub corners: Vec<Point>,
}

/// What is wrong with a ring. Sides are counted from 0: side i leads from corner i to the next.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RingFault {
    /// Two corners that follow each other are one.
    NoLength {
        /// The side without length.
        side: usize,
        /// Where.
        at: Point,
    },
    /// Two sides cross, or touch where they should not.
    Crossing {
        /// The two sides.
        sides: (usize, usize),
        /// Where, to the nanometre.
        at: Point,
    },
    /// A side runs back over the one before it.
    Spike {
        /// The corner at its tip.
        corner: usize,
        /// Where.
        at: Point,
    },
    /// Fewer than three corners.
    TooFewCorners,
}

/// A region that two polygons have in common, or that one has outside the other.
#[derive(Debug, Clone, PartialEq)]
pub struct Patch {
    /// Its area in square feet, from floats.
    pub area_sqft: f64,
    /// The lower left corner of the box around it.
    pub low: Point,
    /// The upper right corner of the box around it.
    pub high: Point,
}

impl Polygon {
    /// A polygon from corners in feet, rounded to nanometres. `None` where a coordinate does not fit.
    #[must_use]
    pub fn from_feet(corners: &[(f64, f64)]) -> Option<Self> {
        let nanometres = |feet: f64| Length::from_feet_f64(feet).map(Length::nanometres);
        let point =
            |&(east, north): &(f64, f64)| Some(Point { east: nanometres(east)?, north: nanometres(north)? });
        corners.iter().map(point).collect::<Option<Vec<_>>>().map(|corners| Self { corners })
    }

    /// Twice the signed area in square nanometres: positive counter-clockwise (Gauss's trapezoid, or shoelace,
    /// formula).
    #[must_use]
    pub fn doubled_area(&self) -> i128 {
        let Some(first) = self.corners.first() else { return 0 };
        let from_first = |point: &Point| {
            (
                i128::from(point.east) - i128::from(first.east),
                i128::from(point.north) - i128::from(first.north),
            )
        };
        let mut sum = 0;
        for (one, next) in self.sides() {
            let ((x, y), (next_x, next_y)) = (from_first(one), from_first(next));
            sum += x * next_y - next_x * y;
        }
        sum
    }

    /// The area without its sign, rounded once; `None` where it does not fit.
    #[must_use]
    pub fn area(&self) -> Option<Area> {
        Area::from_doubled_square_nanometres(self.doubled_area().abs())
    }

    /// Whether the corners go round clockwise.
    #[must_use]
    pub fn is_clockwise(&self) -> bool {
        self.doubled_area() < 0
    }

    /// The length of all sides in feet.
    #[must_use]
    pub fn perimeter_ft(&self) -> f64 {
        let length = |(one, next): (&Point, &Point)| {
            let east = Length::from_nanometres(next.east.saturating_sub(one.east));
            let north = Length::from_nanometres(next.north.saturating_sub(one.north));
            libm::hypot(east.to_feet_f64(), north.to_feet_f64())
        };
        self.sides().map(length).sum()
    }

    /// Standard deviation of the area in square feet when each coordinate of each corner has one of `sd_ft` of its
    /// own: half of it times the root of the sum of the squared diagonals from the corner before to the corner
    /// after.
    #[must_use]
    pub fn sd_of_independent_corners(&self, sd_ft: f64) -> f64 {
        let count = self.corners.len();
        let skipping = self.corners.iter().zip(self.corners.iter().cycle().skip(2)).take(count);
        let square = |(before, after): (&Point, &Point)| {
            let east = Length::from_nanometres(after.east.saturating_sub(before.east)).to_feet_f64();
            let north = Length::from_nanometres(after.north.saturating_sub(before.north)).to_feet_f64();
            east * east + north * north
        };
        sd_ft / 2.0 * libm::sqrt(skipping.map(square).sum())
    }

    /// Everything that keeps the ring from being a simple polygon; empty for a simple one. Decided on integers.
    #[must_use]
    pub fn faults(&self) -> Vec<RingFault> {
        if self.corners.len() < 3 {
            return vec![RingFault::TooFewCorners];
        }
        let sides: Vec<(Point, Point)> = self.sides().map(|(one, next)| (*one, *next)).collect();
        let mut faults = Vec::new();
        for (side, (from, to)) in sides.iter().enumerate() {
            if from == to {
                faults.push(RingFault::NoLength { side, at: *from });
            }
        }
        if !faults.is_empty() {
            return faults;
        }
        for (i, one) in sides.iter().enumerate() {
            for (j, other) in sides.iter().enumerate().skip(i + 1) {
                let follows = j == i + 1 || (i == 0 && j + 1 == sides.len());
                if follows {
                    let (before, after, corner) = if j == i + 1 { (one, other, j) } else { (other, one, 0) };
                    faults.extend(spike(before, after).map(|at| RingFault::Spike { corner, at }));
                } else {
                    faults.extend(crossing(one, other).map(|at| RingFault::Crossing { sides: (i, j), at }));
                }
            }
        }
        faults
    }

    /// Whether the boxes around both polygons have a place in common: where they have none, nothing overlaps.
    #[must_use]
    pub fn is_near(&self, other: &Self) -> bool {
        let range = |polygon: &Self, of: fn(&Point) -> i64| {
            let values = || polygon.corners.iter().map(of);
            values().min().zip(values().max())
        };
        [|point: &Point| point.east, |point: &Point| point.north].into_iter().all(|of| {
            let both = range(self, of).zip(range(other, of));
            both.is_some_and(|((low, high), (other_low, other_high))| low < other_high && other_low < high)
        })
    }

    /// Regions that both polygons have, each larger than `least_sqft`.
    #[must_use]
    pub fn overlaps(&self, other: &Self, least_sqft: f64) -> Vec<Patch> {
        self.patches(other, least_sqft, |one, two| one.intersection(two))
    }

    /// Regions of this polygon outside the other, each larger than `least_sqft`.
    #[must_use]
    pub fn outside(&self, other: &Self, least_sqft: f64) -> Vec<Patch> {
        self.patches(other, least_sqft, |one, two| one.difference(two))
    }

    fn sides(&self) -> impl Iterator<Item = (&Point, &Point)> {
        self.corners.iter().zip(self.corners.iter().cycle().skip(1))
    }

    fn patches(
        &self,
        other: &Self,
        least_sqft: f64,
        of: impl Fn(&Plane<f64>, &Plane<f64>) -> MultiPolygon<f64>,
    ) -> Vec<Patch> {
        let Some(origin) = self.corners.first() else { return Vec::new() };
        let regions = of(&self.plane(*origin), &other.plane(*origin));
        let mut patches = Vec::new();
        for region in regions {
            let area_sqft = region.unsigned_area();
            if area_sqft > least_sqft {
                let corners = region.exterior().coords().map(|corner| back(*corner, *origin));
                let corners: Vec<Point> = corners.collect();
                let low = |of: fn(&Point) -> i64| corners.iter().map(of).min().unwrap_or_default();
                let high = |of: fn(&Point) -> i64| corners.iter().map(of).max().unwrap_or_default();
                patches.push(Patch {
                    area_sqft,
                    low: Point { east: low(|p| p.east), north: low(|p| p.north) },
                    high: Point { east: high(|p| p.east), north: high(|p| p.north) },
                });
            }
        }
        patches
    }

    /// In feet from `origin`.
    pub(super) fn plane(&self, origin: Point) -> Plane<f64> {
        let feet = |value: i64, from: i64| Length::from_nanometres(value.saturating_sub(from)).to_feet_f64();
        let corner =
            |point: &Point| Coord { x: feet(point.east, origin.east), y: feet(point.north, origin.north) };
        Plane::new(LineString::new(self.corners.iter().map(corner).collect()), Vec::new())
    }
}

pub(super) fn back(corner: Coord<f64>, origin: Point) -> Point {
    let nanometres = |feet: f64| Length::from_feet_f64(feet).map_or(0, Length::nanometres);
    Point {
        east: origin.east.saturating_add(nanometres(corner.x)),
        north: origin.north.saturating_add(nanometres(corner.y)),
    }
}

type Side = (Point, Point);

/// Twice the area of the triangle of three points: positive when `c` lies to the left of the way from `a` to `b`.
fn turn(a: Point, b: Point, c: Point) -> i128 {
    let apart = |one: i64, other: i64| i128::from(one) - i128::from(other);
    apart(b.east, a.east) * apart(c.north, a.north) - apart(b.north, a.north) * apart(c.east, a.east)
}

/// Whether `point`, known to lie on the line of `side`, lies between its ends.
fn is_between(side: &Side, point: Point) -> bool {
    let (low_east, high_east) = (side.0.east.min(side.1.east), side.0.east.max(side.1.east));
    let (low_north, high_north) = (side.0.north.min(side.1.north), side.0.north.max(side.1.north));
    (low_east..=high_east).contains(&point.east) && (low_north..=high_north).contains(&point.north)
}

/// The tip where `after` runs back over `before`.
fn spike(before: &Side, after: &Side) -> Option<Point> {
    let tip = before.1;
    let back =
        turn(before.0, tip, after.1) == 0 && (is_between(before, after.1) || is_between(after, before.0));
    back.then_some(tip)
}

/// A point that two sides have in common.
fn crossing(one: &Side, other: &Side) -> Option<Point> {
    let apart = |a: (i64, i64), b: (i64, i64)| a.0.max(a.1) < b.0.min(b.1) || b.0.max(b.1) < a.0.min(a.1);
    if apart((one.0.east, one.1.east), (other.0.east, other.1.east))
        || apart((one.0.north, one.1.north), (other.0.north, other.1.north))
    {
        return None;
    }
    for end in [other.0, other.1] {
        if turn(one.0, one.1, end) == 0 && is_between(one, end) {
            return Some(end);
        }
    }
    for end in [one.0, one.1] {
        if turn(other.0, other.1, end) == 0 && is_between(other, end) {
            return Some(end);
        }
    }
    let (before, after) = (turn(other.0, other.1, one.0), turn(other.0, other.1, one.1));
    let (other_before, other_after) = (turn(one.0, one.1, other.0), turn(one.0, one.1, other.1));
    let apart = |a: i128, b: i128| (a > 0 && b < 0) || (a < 0 && b > 0);
    if !(apart(before, after) && apart(other_before, other_after)) {
        return None;
    }
    // The decision is exact; only the place that is shown is rounded.
    let share = before as f64 / (before as f64 - after as f64);
    let place = |from: i64, to: i64| from.saturating_add(libm::round((to - from) as f64 * share) as i64);
    Some(Point { east: place(one.0.east, one.1.east), north: place(one.0.north, one.1.north) })
}

/// Area between a chord and the circle through its ends and `rise` above its middle: a bow window.
///
/// Any one unit; the area is in its square. `None` unless both are above zero and the rise is at most half the
/// chord. Segment of a circle: radius R = (c²/4 + h²)/(2h), area R² acos((R−h)/R) − (R−h) √(2Rh − h²).
#[must_use]
pub fn bow_area(chord: f64, rise: f64) -> Option<f64> {
    if !(chord > 0.0 && rise > 0.0 && rise <= chord / 2.0) {
        return None;
    }
    let radius = (chord * chord / 4.0 + rise * rise) / (2.0 * rise);
    let rest = radius - rise;
    let half_chord = libm::sqrt(2.0 * radius * rise - rise * rise);
    Some(radius * radius * libm::acos(rest / radius) - rest * half_chord)
}
