//! What a misclosure looks like: slips of the trade that would leave such a gap. Hints, never a verdict; several
//! may fit, and none need be right. The list is common practice, no source, where nothing else is said.

use super::field_notes::{Compass, Direction, Distance, FieldNotes};
use super::misclosure::Misclosure;
use super::network::{Network, ResolvedOutline, Source};
use super::reading::OffsetSense;
use crate::length::Length;

const NM_PER_FOOT: i64 = 304_800_000;
const NM_PER_INCH: i64 = 25_400_000;
/// A hundredth of a foot, and the sixteenth of an inch that tells it from inches.
const NM_PER_HUNDREDTH_FOOT: i64 = 3_048_000;
const NM_PER_SIXTEENTH_INCH: i64 = 1_587_500;
const INCH_FT: f64 = 1.0 / 12.0;
/// Readings alone may shift a gap by so many standard deviations.
const FIT: f64 = 2.0;
/// A gap of this and more can be a whole wall.
const WALL_MIN_FT: f64 = 1.0;
/// A wall that is more than this off its direction would have been seen.
const OUT_OF_SQUARE_DEGREES_MAX: f64 = 2.0;

/// A slip that would leave the gap found.
#[derive(Debug, Clone, PartialEq)]
pub enum Hint {
    /// The wall, or its run or rise, was drawn the opposite way: the gap is twice its length.
    TurnedWrongWay {
        /// The distance.
        source: Source,
    },
    /// The wall stands twice in the outline: the gap is its length.
    CountedTwice {
        /// The wall.
        wall: usize,
    },
    /// A wall was left out, of this length and direction.
    WallMissing {
        /// East, negative for west.
        east: Length,
        /// North, negative for south.
        north: Length,
        /// A wall of that length on the other side, where there is one.
        like: Option<usize>,
    },
    /// A foot mark was misread by 1 ft or 10 ft, on one of the distances along the gap.
    FootMark {
        /// 1 or 10.
        feet: u8,
        /// The distances along the gap.
        sources: Vec<Source>,
    },
    /// Two digits of a distance were swapped.
    DigitsSwapped {
        /// The distance.
        source: Source,
        /// What would have been meant.
        meant: Length,
    },
    /// Inches were typed as tenths of a foot: 10 ft 6 in as 10.6.
    InchesAsTenths {
        /// The distance.
        source: Source,
        /// What would have been meant.
        meant: Length,
    },
    /// The tape's offset goes the other way: twice its amount.
    OffsetSense {
        /// The distance.
        source: Source,
        /// The reading, counted from 0.
        reading: usize,
    },
    /// The slanting side of an angled wall was written down as its run or rise.
    SideForLeg {
        /// The run or rise.
        source: Source,
    },
    /// An obstacle of about an inch was not allowed for, or allowed for the wrong way.
    Obstacle,
    /// The gap runs along this angled wall: its length (the traverse rule for a mistaken leg, as published in
    /// training manuals for surveyors).
    AlongWall {
        /// The wall.
        wall: usize,
    },
    /// A long wall that does not head quite where it was said to.
    OutOfSquare {
        /// By so many degrees, for the longest wall across the gap.
        degrees: f64,
    },
}

/// A distance of the outline with the way that its error moves the end of the walk.
struct Run<'n> {
    source: Source,
    wall: usize,
    feet: f64,
    unit: (f64, f64),
    distance: Option<&'n Distance>,
}

/// The gap that a hint has to explain.
struct Gap {
    east: f64,
    north: f64,
    tolerance: (f64, f64),
}

impl Gap {
    fn of(misclosure: &Misclosure) -> Self {
        let feet = |axis: Option<Length>| axis.map_or(0.0, Length::to_feet_f64);
        let tolerance = (FIT * misclosure.east_sd_ft, FIT * misclosure.north_sd_ft);
        Self { east: feet(misclosure.east), north: feet(misclosure.north), tolerance }
    }

    /// How far the gap is from so much east and north; `None` when readings do not bridge that.
    fn misfit(&self, east: f64, north: f64) -> Option<f64> {
        let (apart, across) = ((self.east - east).abs(), (self.north - north).abs());
        (apart <= self.tolerance.0 && across <= self.tolerance.1).then(|| libm::hypot(apart, across))
    }

    fn of_distance(&self, run: &Run<'_>, error: f64) -> Option<f64> {
        self.misfit(error * run.unit.0, error * run.unit.1)
    }

    fn exceeds_tolerance(&self) -> bool {
        self.east.abs() > self.tolerance.0 || self.north.abs() > self.tolerance.1
    }

    fn size(&self) -> f64 {
        libm::hypot(self.east, self.north)
    }
}

/// What the gap of an outline looks like, best fit first; nothing for a gap that reading errors explain.
pub(super) fn hints(
    notes: &FieldNotes,
    network: &Network,
    outline: &ResolvedOutline,
    misclosure: &Misclosure,
) -> Vec<Hint> {
    let gap = Gap::of(misclosure);
    if !gap.exceeds_tolerance() {
        return Vec::new();
    }
    let runs = runs(notes, network, outline);
    let mut found: Vec<(f64, Hint)> = Vec::new();
    for run in &runs {
        of_run(&gap, run, &mut found);
    }
    side_for_leg(&gap, &runs, &mut found);
    of_walls(&gap, &runs, &mut found);
    of_the_whole(&gap, &runs, &mut found);
    found.sort_by(|one, other| one.0.total_cmp(&other.0));
    found.into_iter().map(|(_, hint)| hint).collect()
}

fn runs<'n>(notes: &'n FieldNotes, network: &Network, outline: &ResolvedOutline) -> Vec<Run<'n>> {
    let values = network.observed();
    let mut runs = Vec::new();
    for &(wall, sign) in &outline.walls {
        let Some(shape) = network.shapes.get(wall) else { continue };
        let step = shape.step(&values);
        let sizes = shape.sizes();
        for (quantity, east, north) in step.slopes {
            let read = network.quantities.get(quantity).is_some_and(|one| one.variance.is_some());
            if !sizes.contains(&quantity) || !read {
                continue;
            }
            let Some(&source) = network.sources.get(quantity) else { continue };
            let feet = values.get(quantity).copied().unwrap_or(0.0);
            let distance = distance_of(notes, source);
            runs.push(Run { source, wall, feet, unit: (sign * east, sign * north), distance });
        }
    }
    runs
}

fn distance_of(notes: &FieldNotes, source: Source) -> Option<&Distance> {
    match source {
        Source::Length(wall) => notes.walls.get(wall).map(|wall| &wall.length),
        Source::Run(wall) | Source::Rise(wall) => match &notes.walls.get(wall)?.direction {
            Direction::RunAndRise { run, .. } if source == Source::Run(wall) => Some(&run.distance),
            Direction::RunAndRise { rise, .. } => Some(&rise.distance),
            Direction::Compass { .. }
            | Direction::Bearing { .. }
            | Direction::Turn { .. }
            | Direction::Free { .. } => None,
        },
        Source::Tie(tie) => notes.ties.get(tie).map(|tie| &tie.distance),
        Source::Direction(_) => None,
    }
}

/// Slips in one distance.
fn of_run(gap: &Gap, run: &Run<'_>, found: &mut Vec<(f64, Hint)>) {
    let source = run.source;
    if let Some(misfit) = gap.of_distance(run, 2.0 * run.feet) {
        found.push((misfit, Hint::TurnedWrongWay { source }));
    }
    let written = Length::from_feet_f64(run.feet).map_or(0, Length::nanometres);
    for meant in swapped(written) {
        if let Some(misfit) = gap.of_distance(run, run.feet - meant.to_feet_f64()) {
            found.push((misfit, Hint::DigitsSwapped { source, meant }));
        }
    }
    if let Some(meant) = inches_from_tenths(written)
        && let Some(misfit) = gap.of_distance(run, run.feet - meant.to_feet_f64())
    {
        found.push((misfit, Hint::InchesAsTenths { source, meant }));
    }
    let readings = run.distance.map(|distance| distance.readings.as_slice()).unwrap_or_default();
    for (reading, one) in readings.iter().enumerate() {
        let weight = 1.0 / readings.len() as f64;
        for offset in &one.offsets {
            let short = matches!(offset.sense, OffsetSense::EndStopsShort | OffsetSense::MarkOnCorner);
            let error = 2.0 * offset.sense.sign() as f64 * offset.amount.to_feet_f64() * weight;
            if let Some(misfit) = gap.of_distance(run, error).filter(|_| short) {
                found.push((misfit, Hint::OffsetSense { source, reading }));
            }
        }
    }
}

/// Lengths whose digits, two neighbours swapped, give `written`.
fn swapped(written: i64) -> Vec<Length> {
    let mut meant = Vec::new();
    if written % NM_PER_HUNDREDTH_FOOT == 0 && written % NM_PER_SIXTEENTH_INCH != 0 {
        for hundredths in neighbours_swapped(written / NM_PER_HUNDREDTH_FOOT) {
            meant.push(hundredths * NM_PER_HUNDREDTH_FOOT);
        }
    } else {
        let (feet, rest) = (written / NM_PER_FOOT, written % NM_PER_FOOT);
        meant.extend(neighbours_swapped(feet).into_iter().map(|feet| feet * NM_PER_FOOT + rest));
        let (inches, fraction) = (rest / NM_PER_INCH, rest % NM_PER_INCH);
        let fits = |inches: &i64| *inches < 12;
        let inches = neighbours_swapped(inches).into_iter().filter(fits);
        meant.extend(inches.map(|inches| feet * NM_PER_FOOT + inches * NM_PER_INCH + fraction));
    }
    meant.into_iter().map(Length::from_nanometres).collect()
}

fn neighbours_swapped(number: i64) -> Vec<i64> {
    let mut found = Vec::new();
    let mut place = 1;
    while number / place >= 10 {
        let (low, high) = (number / place % 10, number / place / 10 % 10);
        if low != high {
            found.push(number + (low - high) * 9 * place);
        }
        place *= 10;
    }
    found
}

/// 10.6 ft as 10 ft 6 in; `None` unless the figure has exactly one decimal of a foot.
fn inches_from_tenths(written: i64) -> Option<Length> {
    let tenth = NM_PER_FOOT / 10;
    let (feet, rest) = (written / NM_PER_FOOT, written % NM_PER_FOOT);
    (rest % tenth == 0 && rest > 0)
        .then(|| Length::from_nanometres(feet * NM_PER_FOOT + rest / tenth * NM_PER_INCH))
}

/// The slanting side written down as run: the run is shorter.
fn side_for_leg(gap: &Gap, runs: &[Run<'_>], found: &mut Vec<(f64, Hint)>) {
    for leg in runs {
        let is_other = |other: &&Run<'_>| other.wall == leg.wall && other.source != leg.source;
        let Some(other) = runs.iter().find(is_other) else { continue };
        let square = leg.feet * leg.feet - other.feet * other.feet;
        if square > 0.0
            && let Some(misfit) = gap.of_distance(leg, leg.feet - libm::sqrt(square))
        {
            found.push((misfit, Hint::SideForLeg { source: leg.source }));
        }
    }
}

/// Slips with whole walls.
fn of_walls(gap: &Gap, runs: &[Run<'_>], found: &mut Vec<(f64, Hint)>) {
    let mut like = None;
    for (at, run) in runs.iter().enumerate() {
        if runs.iter().take(at).any(|earlier| earlier.wall == run.wall) {
            continue;
        }
        let of_wall = || runs.iter().filter(|other| other.wall == run.wall);
        let east: f64 = of_wall().map(|part| part.feet * part.unit.0).sum();
        let north: f64 = of_wall().map(|part| part.feet * part.unit.1).sum();
        if let Some(misfit) = gap.misfit(east, north) {
            found.push((misfit, Hint::CountedTwice { wall: run.wall }));
            like = Some(run.wall);
        }
        let length = libm::hypot(east, north);
        let is_angled = east.abs() > 0.1 * length && north.abs() > 0.1 * length;
        let along = (gap.east * east + gap.north * north) / length;
        if is_angled && let Some(misfit) = gap.misfit(along * east / length, along * north / length) {
            found.push((misfit, Hint::AlongWall { wall: run.wall }));
        }
    }
    let missing = |feet: f64, tolerance: f64| if feet.abs() > tolerance { -feet } else { 0.0 };
    let (east, north) = (missing(gap.east, gap.tolerance.0), missing(gap.north, gap.tolerance.1));
    if let (Some(east), Some(north)) = (Length::from_feet_f64(east), Length::from_feet_f64(north))
        && gap.size() >= WALL_MIN_FT
    {
        // Some wall always fits: this says least and comes last.
        found.push((f64::INFINITY, Hint::WallMissing { east, north, like }));
    }
}

/// Slips that no single wall shows.
fn of_the_whole(gap: &Gap, runs: &[Run<'_>], found: &mut Vec<(f64, Hint)>) {
    for feet in [1_u8, 10] {
        let fits = |run: &&Run<'_>| {
            [1.0, -1.0].iter().any(|sign| gap.of_distance(run, sign * f64::from(feet)).is_some())
        };
        let sources: Vec<Source> = runs.iter().filter(fits).map(|run| run.source).collect();
        if !sources.is_empty() {
            found.push(((gap.size() - f64::from(feet)).abs(), Hint::FootMark { feet, sources }));
        }
    }
    let fits = |run: &Run<'_>, error: f64| gap.of_distance(run, error).is_some();
    if runs.iter().any(|run| fits(run, INCH_FT) || fits(run, -INCH_FT)) {
        found.push(((gap.size() - INCH_FT).abs(), Hint::Obstacle));
    }
    let across = |run: &&Run<'_>| (run.unit.0 * gap.east + run.unit.1 * gap.north).abs() < 1e-3 * gap.size();
    let longest = runs.iter().filter(across).map(|run| run.feet).fold(0.0, f64::max);
    let degrees = libm::atan2(gap.size(), longest) * 180.0 / core::f64::consts::PI;
    if degrees <= OUT_OF_SQUARE_DEGREES_MAX {
        found.push((gap.size(), Hint::OutOfSquare { degrees }));
    }
}

/// The main compass word of a step along one axis; `None` for a step along both or none.
#[must_use]
pub fn main_direction(east: Length, north: Length) -> Option<Compass> {
    match (east.nanometres().signum(), north.nanometres().signum()) {
        (1, 0) => Some(Compass::East),
        (-1, 0) => Some(Compass::West),
        (0, 1) => Some(Compass::North),
        (0, -1) => Some(Compass::South),
        _ => None,
    }
}
