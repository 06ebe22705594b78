//! Outlines whose sides are moved inwards: from the face of a wall that was measured to the line that is asked for.

use super::WorkedUp;
use super::area_spread::{AreaSpread, Share};
use super::polygon::{Point, Polygon};
use crate::length::Length;

/// An outline with its sides moved.
#[derive(Debug, Clone, PartialEq)]
pub struct Inset {
    /// The outline, by its place in the notes.
    pub outline: usize,
    /// How often its area counts.
    pub weight: f64,
    /// Feet by which each side moves inwards, outwards if negative; empty where none does.
    pub inward_ft: Vec<f64>,
}

impl WorkedUp {
    /// The walls of an outline in walking order, by their places in the notes; none where it is not there.
    #[must_use]
    pub fn walls_of(&self, outline: usize) -> Vec<usize> {
        let outline = self.network.outlines.get(outline);
        outline.map_or_else(Vec::new, |outline| outline.walls.iter().map(|(wall, _)| *wall).collect())
    }

    /// The outline with its sides moved. `None` where it is not there, or where moving leaves no ring of the same
    /// sense.
    #[must_use]
    pub fn inset(&self, inset: &Inset) -> Option<Polygon> {
        let polygon = &self.outlines.get(inset.outline)?.polygon;
        if inset.inward_ft.is_empty() {
            return Some(polygon.clone());
        }
        let moved = polygon.moved_inwards(&inset.inward_ft)?;
        let same_sense = moved.doubled_area().signum() == polygon.doubled_area().signum();
        (same_sense && moved.faults().is_empty()).then_some(moved)
    }

    /// The area of a sum of outlines with sides moved, and how far it can be off. The moves are taken as exact.
    ///
    /// A side of length L that moves inwards by d takes away L d, less what its corners share: the derivative by a
    /// quantity is that of the outline less d times that of L, exactly so while directions stand.
    #[must_use]
    pub fn inset_area(&self, insets: &[Inset]) -> Option<AreaSpread> {
        let shares: Vec<Share> =
            insets.iter().map(|one| Share { outline: one.outline, weight: one.weight }).collect();
        if insets.iter().all(|one| one.inward_ft.is_empty()) {
            return self.area(&shares);
        }
        let mut slope = self.slope(&shares)?;
        let mut doubled = 0;
        for (inset, share) in insets.iter().zip(&shares) {
            let size = super::area_spread::weighted(self.inset(inset)?.doubled_area(), share)?;
            doubled = i128::checked_add(doubled, size)?;
            let resolved = self.network.outlines.get(inset.outline)?;
            for (&(wall, _), by) in resolved.walls.iter().zip(&inset.inward_ft) {
                let step = self.network.shapes.get(wall)?.step(&self.adjusted.values);
                let feet = libm::hypot(step.east, step.north);
                for (quantity, east, north) in step.slopes {
                    let along = if feet > 0.0 { (east * step.east + north * step.north) / feet } else { 0.0 };
                    if let Some(of) = slope.get_mut(quantity) {
                        *of -= inset.weight * by * along;
                    }
                }
            }
        }
        self.spread(&slope, doubled)
    }
}

impl Polygon {
    /// Each side moved inwards by so many feet, and the corners where moved sides meet. Sides that go nearly straight
    /// on and move differently are joined by a step. `None` where there are not as many moves as sides, a side has
    /// no length, or nothing is left of one.
    #[must_use]
    pub fn moved_inwards(&self, inward_ft: &[f64]) -> Option<Polygon> {
        let origin = *self.corners.first()?;
        if inward_ft.len() != self.corners.len() {
            return None;
        }
        let sense = if self.is_clockwise() { -1.0 } else { 1.0 };
        let feet = |value: i64, from: i64| Length::from_nanometres(value.saturating_sub(from)).to_feet_f64();
        let plane = |point: &Point| (feet(point.east, origin.east), feet(point.north, origin.north));
        let mut lines = Vec::with_capacity(inward_ft.len());
        for ((one, next), by) in self.corners.iter().zip(self.corners.iter().cycle().skip(1)).zip(inward_ft) {
            let (from, to) = (plane(one), plane(next));
            let (east, north) = (to.0 - from.0, to.1 - from.1);
            let length = libm::hypot(east, north);
            if length <= 0.0 {
                return None;
            }
            let unit = (east / length, north / length);
            // counter-clockwise, the inside lies to the left
            let inward = (-unit.1 * sense * by, unit.0 * sense * by);
            lines.push(Line {
                at: (from.0 + inward.0, from.1 + inward.1),
                along: unit,
                end: (to.0 + inward.0, to.1 + inward.1),
            });
        }
        let meets: Vec<Vec<(f64, f64)>> = lines
            .iter()
            .cycle()
            .skip(lines.len() - 1)
            .zip(&lines)
            .map(|(before, after)| before.meet(after))
            .collect();
        // where walls are thicker than what they enclose, a side would end before it begins
        for ((line, from), to) in lines.iter().zip(&meets).zip(meets.iter().cycle().skip(1)) {
            let (Some(from), Some(to)) = (from.last(), to.first()) else { return None };
            let along = (to.0 - from.0) * line.along.0 + (to.1 - from.1) * line.along.1;
            if along < -1e-6 {
                return None;
            }
        }
        let corners = meets.into_iter().flatten();
        let back = |(east, north): (f64, f64)| -> Option<Point> {
            let nanometres = |feet: f64| Length::from_feet_f64(feet).map(Length::nanometres);
            Some(Point {
                east: origin.east.checked_add(nanometres(east)?)?,
                north: origin.north.checked_add(nanometres(north)?)?,
            })
        };
        let mut corners: Vec<Point> = corners.map(back).collect::<Option<_>>()?;
        corners.dedup();
        Some(Polygon { corners })
    }

    /// The length of each side in feet, side i leading from corner i to the next.
    #[must_use]
    pub fn side_lengths_ft(&self) -> Vec<f64> {
        let feet = |one: i64, other: i64| Length::from_nanometres(other.saturating_sub(one)).to_feet_f64();
        self.corners
            .iter()
            .zip(self.corners.iter().cycle().skip(1))
            .map(|(one, next)| libm::hypot(feet(one.east, next.east), feet(one.north, next.north)))
            .collect()
    }
}

/// Cosine of 10 degrees: a bay turns by more.
const NEARLY_STRAIGHT: f64 = 0.985;

/// A moved side: where it begins and ends before it is cut, and its direction.
struct Line {
    at: (f64, f64),
    along: (f64, f64),
    end: (f64, f64),
}

impl Line {
    /// Where the next side begins: one corner, or two where both go the same way apart.
    fn meet(&self, next: &Line) -> Vec<(f64, f64)> {
        let cross = self.along.0 * next.along.1 - self.along.1 * next.along.0;
        if cross.abs() < 1e-9 {
            let apart = libm::hypot(next.at.0 - self.end.0, next.at.1 - self.end.1);
            return if apart < 1e-9 { vec![next.at] } else { vec![self.end, next.at] };
        }
        let (east, north) = (next.at.0 - self.at.0, next.at.1 - self.at.1);
        let along = (east * next.along.1 - north * next.along.0) / cross;
        let corner = (self.at.0 + along * self.along.0, self.at.1 + along * self.along.1);
        // sides adjusted to within a degree of one line meet far away, or nowhere, once they are moved apart
        let goes_on = self.along.0 * next.along.0 + self.along.1 * next.along.1 > NEARLY_STRAIGHT;
        let apart = libm::hypot(next.at.0 - self.end.0, next.at.1 - self.end.1);
        let away = libm::hypot(corner.0 - self.end.0, corner.1 - self.end.1);
        if goes_on && away > 2.0 * apart { vec![self.end, next.at] } else { vec![corner] }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ring(feet: &[(i64, i64)]) -> Polygon {
        let corner =
            |(east, north): &(i64, i64)| Point { east: east * 304_800_000, north: north * 304_800_000 };
        Polygon { corners: feet.iter().map(corner).collect() }
    }

    fn check(polygon: &Polygon, inward_ft: &[f64], expected_sqft: f64) {
        let area = polygon.moved_inwards(inward_ft).unwrap().area().unwrap().to_square_feet_f64();
        assert!((area - expected_sqft).abs() < 1e-6, "{area} for {expected_sqft}");
    }

    #[test]
    fn a_rectilinear_ring_moved_by_t_loses_perimeter_times_t_less_four_squares() {
        // A - P t + 4 t^2 for any rectilinear ring, its convex corners being four more than its reflex ones
        let l_shape = ring(&[(0, 0), (42, 0), (42, 28), (18, 28), (18, 24), (0, 24)]);
        check(&l_shape, &[0.5; 6], 1104.0 - 140.0 * 0.5 + 1.0);
        check(&l_shape, &[-0.5; 6], 1104.0 + 140.0 * 0.5 + 1.0);
        let clockwise = Polygon { corners: l_shape.corners.iter().rev().copied().collect() };
        check(&clockwise, &[0.5; 6], 1104.0 - 140.0 * 0.5 + 1.0);
    }

    #[test]
    fn one_side_moves_alone() {
        check(&ring(&[(0, 0), (40, 0), (40, 30), (0, 30)]), &[0.0, 0.5, 0.0, 0.0], 39.5 * 30.0);
    }

    #[test]
    fn sides_in_one_line_that_move_differently_are_joined_by_a_step() {
        check(
            &ring(&[(0, 0), (20, 0), (40, 0), (40, 30), (0, 30)]),
            &[0.5, 1.0, 0.0, 0.0, 0.0],
            1200.0 - 10.0 - 20.0,
        );
    }

    #[test]
    fn sides_that_are_nearly_in_one_line_are_joined_by_a_step_too() {
        // the corner between them lies 1/8 in off the line: 0.5 ft of difference would meet some 480 ft away
        let corner =
            |(east, north): (i64, i64)| Point { east: east * 304_800_000, north: north * 304_800_000 };
        for off in [-3_175_000, 3_175_000] {
            let mut corners = [(0, 0), (20, 0), (40, 0), (40, 30), (0, 30)].map(corner);
            corners[1].north = off;
            let ring = Polygon { corners: corners.to_vec() };
            let drawn = ring.area().unwrap().to_square_feet_f64();
            let moved = ring.moved_inwards(&[0.5, 1.0, 0.0, 0.0, 0.0]).unwrap();
            let lost = drawn - moved.area().unwrap().to_square_feet_f64();
            assert!(moved.faults().is_empty() && (lost - 30.0).abs() < 1e-3, "{lost}");
        }
    }

    #[test]
    fn walls_thicker_than_what_they_enclose_leave_nothing() {
        let rectangle = ring(&[(0, 0), (40, 0), (40, 30), (0, 30)]);
        assert_eq!(rectangle.moved_inwards(&[60.0; 4]), None);
        assert_eq!(rectangle.moved_inwards(&[16.0; 4]), None);
        check(&rectangle, &[14.0; 4], 24.0);
    }

    #[test]
    fn a_triangle_keeps_its_angles() {
        // area of a triangle moved by its inradius is nothing; by half of it, a quarter (similar triangles)
        check(&ring(&[(0, 0), (4, 0), (0, 3)]), &[0.5; 3], 1.5);
    }
}
