//! Dimensions rounded before areas are computed: what that does to a record, as an uncertainty or as an illustration.
//! Never both for one record: the rounding would be taken into account twice.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::length::Length;
use crate::measure::polygon::{Point, Polygon};

/// Wall lines nearer than this are one line: a millimetre, in nanometres.
const SAME_LINE: u64 = 1_000_000;

/// How dimensions are rounded.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct DimensionRule {
    /// The step, for example `1 ft`.
    pub step: Length,
    /// Where a half of it goes.
    pub half: Half,
    /// The rule in our own words, with its citation.
    pub because: String,
}

/// Where a half goes in rounding.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Half {
    /// To the step above.
    Up,
    /// To the step below.
    Down,
}

/// An outline whose wall lines were rounded: an illustration of how a record may have come about.
#[derive(Debug, Clone, PartialEq)]
pub struct RoundedOutline {
    /// The outline; it closes, since lines are rounded and not lengths.
    pub polygon: Polygon,
    /// Its wall lines: those that run north first, from west to east, then the others from south to north.
    pub lines: Vec<RoundedLine>,
}

/// A wall line and where rounding puts it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RoundedLine {
    /// Whether it runs from south to north.
    pub runs_north: bool,
    /// Distance from the first line that runs the same way.
    pub from_first: Length,
    /// The same, rounded.
    pub rounded: Length,
    /// Probability that the true distance is rounded to another step, which moves the line by a whole step; 0 for
    /// the first line.
    pub flips: f64,
}

/// One axis of an outline: the coordinates of its wall lines in order, in nanometres.
struct Lines(Vec<i64>);

impl DimensionRule {
    /// A dimension as this rule writes it. Not below zero.
    #[must_use]
    pub fn rounded(&self, dimension: Length) -> Length {
        let step = self.step.nanometres().max(1);
        let (whole, rest) =
            (dimension.nanometres().div_euclid(step), dimension.nanometres().rem_euclid(step));
        let up = match self.half {
            Half::Up => i128::from(rest) * 2 >= i128::from(step),
            Half::Down => i128::from(rest) * 2 > i128::from(step),
        };
        Length::from_nanometres((whole + i64::from(up)).saturating_mul(step))
    }

    /// Standard deviation, in square feet, of a recorded area whose dimensions were rounded by this rule.
    ///
    /// A dimension rounded to a step q has the variance q²/12 (a uniform distribution; JCGM 100:2008, 4.3.7). Each
    /// wall line is given half of it, so that the distance between any two lines has the whole; the area changes by
    /// the length of wall on a line for each foot that the line moves. For a rectangle this is q/√12 times the root
    /// of the sum of its squared sides. Outlines of several levels lie in one system of coordinates: what they share
    /// of a line moves together, so that two equal levels have twice the figure of one.
    ///
    /// `None` where a wall follows neither axis.
    #[must_use]
    pub fn record_sd_sqft(&self, outlines: &[&Polygon]) -> Option<f64> {
        let corners = || outlines.iter().flat_map(|outline| outline.corners.iter());
        let (easts, norths) =
            (Lines::of(corners().map(|at| at.east)), Lines::of(corners().map(|at| at.north)));
        let mut wall_ft = vec![0.0; easts.0.len() + norths.0.len()];
        for outline in outlines {
            let sign = if outline.is_clockwise() { -1.0 } else { 1.0 };
            for (from, to) in sides(outline) {
                let (at, change) = if is_same_line(from.east, to.east) {
                    (easts.place(from.east)?, to.north.checked_sub(from.north)?)
                } else if is_same_line(from.north, to.north) {
                    (easts.0.len() + norths.place(from.north)?, from.east.checked_sub(to.east)?)
                } else {
                    return None;
                };
                *wall_ft.get_mut(at)? += sign * Length::from_nanometres(change).to_feet_f64();
            }
        }
        let squares: f64 = wall_ft.iter().map(|feet| feet * feet).sum();
        Some(self.step.to_feet_f64() * libm::sqrt(squares / 24.0))
    }

    /// The outline with its wall lines rounded, each by its distance from the first line that runs the same way:
    /// lengths rounded one by one would not close. `line_sd_ft` is the standard deviation of such a distance in
    /// feet.
    ///
    /// An illustration only: rounding is a step, and a wall of 24 ft 6 in that was read 4 in wrong moves by a whole
    /// foot. `None` where a wall follows neither axis, or a standard deviation is not a number from 0 on.
    #[must_use]
    pub fn illustrated(&self, outline: &Polygon, line_sd_ft: f64) -> Option<RoundedOutline> {
        let is_skew = |(from, to): (&Point, &Point)| {
            !is_same_line(from.east, to.east) && !is_same_line(from.north, to.north)
        };
        if !line_sd_ft.is_finite() || line_sd_ft < 0.0 || sides(outline).any(is_skew) {
            return None;
        }
        let easts = Lines::of(outline.corners.iter().map(|at| at.east));
        let norths = Lines::of(outline.corners.iter().map(|at| at.north));
        let (first_east, first_north) = (*easts.0.first()?, *norths.0.first()?);
        let moved = |at: i64, first: i64| {
            let from_first = Length::from_nanometres(at.checked_sub(first)?);
            self.rounded(from_first).nanometres().checked_add(first)
        };
        let corner = |at: &Point| {
            let (east, north) =
                (*easts.0.get(easts.place(at.east)?)?, *norths.0.get(norths.place(at.north)?)?);
            Some(Point { east: moved(east, first_east)?, north: moved(north, first_north)? })
        };
        let corners = outline.corners.iter().map(corner).collect::<Option<Vec<_>>>()?;
        let mut lines = Vec::new();
        for (runs_north, axis, first) in [(true, &easts, first_east), (false, &norths, first_north)] {
            for at in &axis.0 {
                let from_first = Length::from_nanometres(at.checked_sub(first)?);
                let flips = if *at == first { 0.0 } else { self.flips(from_first, line_sd_ft) };
                lines.push(RoundedLine { runs_north, from_first, rounded: self.rounded(from_first), flips });
            }
        }
        Some(RoundedOutline { polygon: Polygon { corners }, lines })
    }

    /// Probability that a true dimension, found with this standard deviation, is rounded otherwise.
    fn flips(&self, found: Length, sd_ft: f64) -> f64 {
        let to_middle = found.to_feet_f64() - self.rounded(found).to_feet_f64();
        let half = self.step.to_feet_f64() / 2.0;
        if sd_ft == 0.0 {
            return 0.0;
        }
        let beyond = |gap: f64| 0.5 * libm::erfc(gap / sd_ft / core::f64::consts::SQRT_2);
        (beyond(half - to_middle) + beyond(half + to_middle)).min(1.0)
    }
}

impl Lines {
    fn of(coordinates: impl Iterator<Item = i64>) -> Self {
        let mut lines: Vec<i64> = coordinates.collect();
        lines.sort_unstable();
        lines.dedup_by(|next, before| is_same_line(*next, *before));
        Lines(lines)
    }

    /// The line that a coordinate lies on.
    fn place(&self, coordinate: i64) -> Option<usize> {
        self.0.partition_point(|line| *line <= coordinate).checked_sub(1)
    }
}

fn is_same_line(one: i64, other: i64) -> bool {
    one.abs_diff(other) < SAME_LINE
}

fn sides(outline: &Polygon) -> impl Iterator<Item = (&Point, &Point)> {
    outline.corners.iter().zip(outline.corners.iter().cycle().skip(1))
}
