//! Regions of several outlines, held against each other: what two have in common, and what one has outside the
//! other. For checks only; no area of a house is computed from them.

use geo::{Area as _, BooleanOps as _, Contains as _, Euclidean, Length as _, MultiPolygon};

use super::polygon::{Patch, Point, Polygon, back};
use crate::length::Length;

/// Outlines together, less others.
#[derive(Debug, Clone)]
pub struct Region {
    origin: Point,
    plane: MultiPolygon<f64>,
}

impl Region {
    /// The outlines of `plus` together, less those of `minus`; all in feet from `origin`, which must be one for all
    /// regions that are compared.
    #[must_use]
    pub fn of(origin: Point, plus: &[&Polygon], minus: &[&Polygon]) -> Self {
        let mut plane = MultiPolygon::new(Vec::new());
        for polygon in plus {
            plane = plane.union(&polygon.plane(origin));
        }
        for polygon in minus {
            plane = plane.difference(&polygon.plane(origin));
        }
        Self { origin, plane }
    }

    /// The region together with these outlines.
    #[must_use]
    pub fn with(mut self, more: &[&Polygon]) -> Self {
        for polygon in more {
            self.plane = self.plane.union(&polygon.plane(self.origin));
        }
        self
    }

    /// Places that both regions have, on average wider than `least_ft`.
    #[must_use]
    pub fn overlaps(&self, other: &Self, least_ft: f64) -> Vec<Patch> {
        patches(&self.plane.intersection(&other.plane), self.origin, least_ft)
    }

    /// Whether a place, east and north of the sketch's origin in nanometres, lies within.
    #[must_use]
    pub fn holds(&self, place: Point) -> bool {
        let feet = |value: i64, from: i64| Length::from_nanometres(value.saturating_sub(from)).to_feet_f64();
        let (east, north) = (feet(place.east, self.origin.east), feet(place.north, self.origin.north));
        self.plane.contains(&geo::Point::new(east, north))
    }

    /// Places of this region outside the other, on average wider than `least_ft`.
    #[must_use]
    pub fn outside(&self, other: &Self, least_ft: f64) -> Vec<Patch> {
        patches(&self.plane.difference(&other.plane), self.origin, least_ft)
    }
}

/// Strips narrower than `least_ft` are what two readings of one line leave between them.
fn patches(regions: &MultiPolygon<f64>, origin: Point, least_ft: f64) -> Vec<Patch> {
    let mut found = Vec::new();
    for region in regions {
        let corners = || region.exterior().coords();
        let low = corners().fold((f64::MAX, f64::MAX), |low, c| (low.0.min(c.x), low.1.min(c.y)));
        let high = corners().fold((f64::MIN, f64::MIN), |high, c| (high.0.max(c.x), high.1.max(c.y)));
        // a strip goes along both of its long sides, also where it goes round a house and closes
        let rings = || core::iter::once(region.exterior()).chain(region.interiors());
        let along = rings().map(|ring| Euclidean.length(ring)).sum::<f64>() / 2.0;
        let area_sqft = region.unsigned_area();
        if along > 0.0 && area_sqft / along > least_ft {
            let place = |(x, y): (f64, f64)| back(geo::Coord { x, y }, origin);
            found.push(Patch { area_sqft, low: place(low), high: place(high) });
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn square(east: i64, north: i64, side: i64) -> Polygon {
        let foot = 304_800_000;
        let corner = |x: i64, y: i64| Point { east: (east + x) * foot, north: (north + y) * foot };
        Polygon { corners: vec![corner(0, 0), corner(side, 0), corner(side, side), corner(0, side)] }
    }

    #[test]
    fn what_lies_in_a_hole_is_not_shared() {
        let origin = Point { east: 0, north: 0 };
        let (house, court) = (square(0, 0, 30), square(10, 10, 10));
        let with_hole = Region::of(origin, &[&house], &[&court]);
        let inside = Region::of(origin, &[&square(12, 12, 5)], &[]);
        assert!(with_hole.overlaps(&inside, 0.25).is_empty());
        let patch = &inside.outside(&with_hole, 0.25)[0];
        assert!((patch.area_sqft - 25.0).abs() < 1e-9);
        assert_eq!((patch.low.east, patch.high.north), (12 * 304_800_000, 17 * 304_800_000));
    }

    #[test]
    fn a_strip_between_two_readings_of_one_line_is_no_overlap() {
        let origin = Point { east: 0, north: 0 };
        let left = Region::of(origin, &[&square(0, 0, 20)], &[]);
        let mut moved = square(20, 0, 20);
        for corner in &mut moved.corners {
            corner.east -= 50_000_000;
        }
        assert!(left.overlaps(&Region::of(origin, &[&moved], &[]), 0.25).is_empty());
        assert_eq!(left.overlaps(&Region::of(origin, &[&square(19, 0, 20)], &[]), 0.25).len(), 1);
    }
}
