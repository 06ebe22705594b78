//! From field readings to outlines that close, with what the readings can and cannot tell.
//!
//! Field notes name instruments, walls with their readings, outlines and ties. [`work_up`] resolves them, combines
//! repeated readings, states the misclosure, adjusts everything at once by least squares, tests the observations,
//! and gives corners in whole nanometres. Areas of sums of outlines with their standard deviation come from
//! [`WorkedUp::area`]. Not a land survey: positions have no meaning outside the building.
//!
//! Feet in floats are for statistics; what is reported as a length or area is exact or rounded once.

pub mod adjust;
pub mod advice;
pub mod area_spread;
pub mod compass_rule;
pub mod field_notes;
pub mod hint;
pub mod inset;
pub mod instrument;
pub mod misclosure;
mod network;
pub mod observation;
pub mod polygon;
pub mod reading;
pub mod region;
pub mod repeated;
mod resolve;
pub mod suspect;
pub mod telling;

pub use network::Source;

use crate::document::Problem;
use crate::length::Length;
use adjust::{AdjustError, Adjusted};
use advice::Advice;
use field_notes::FieldNotes;
use hint::Hint;
use misclosure::Misclosure;
use network::{Network, Shape, Step};
use observation::{GlobalTest, Observation};
use polygon::{Polygon, RingFault};
use repeated::Disagreement;
use suspect::Suspicion;

/// Field notes worked up.
#[derive(Debug, Clone, PartialEq)]
pub struct WorkedUp {
    /// The walls, in the order of the notes.
    pub walls: Vec<AdjustedWall>,
    /// The outlines, in the order of the notes.
    pub outlines: Vec<AdjustedOutline>,
    /// Readings of one distance that disagree.
    pub disagreements: Vec<(Source, Disagreement)>,
    /// Each reading and each held direction after the adjustment.
    pub observations: Vec<Observation>,
    /// Whether the observations contradict each other as a whole.
    pub test: GlobalTest,
    /// What may be wrong, the worst first; empty where nothing contradicts.
    pub suspicions: Vec<Suspicion>,
    /// The further reading that would tell most about the first suspicion, where it names no wall.
    pub advice: Option<Advice>,
    tie_names: Vec<String>,
    network: Network,
    adjusted: Adjusted,
    /// Every wall's step after the adjustment.
    steps: Vec<Step>,
}

/// A wall after the adjustment.
#[derive(Debug, Clone, PartialEq)]
pub struct AdjustedWall {
    /// Its name.
    pub name: String,
    /// Its length, to the nanometre.
    pub length: Length,
    /// Standard deviation of the length in feet, scale errors left out.
    pub sd_ft: f64,
    /// How far it turned from the stated direction, in degrees, counter-clockwise; `None` for run and rise.
    pub turned_degrees: Option<f64>,
    /// Whether a part of it was not read: it follows from the others, which leaves these unchecked.
    pub is_derived: bool,
}

/// An outline after the adjustment.
#[derive(Debug, Clone, PartialEq)]
pub struct AdjustedOutline {
    /// Its name.
    pub name: String,
    /// Its corners in nanometres from the sketch's origin; closed exactly.
    pub polygon: Polygon,
    /// What keeps it from being a simple polygon.
    pub faults: Vec<RingFault>,
    /// The gap before the adjustment.
    pub misclosure: Misclosure,
    /// What the gap looks like, where readings do not explain it.
    pub hints: Vec<Hint>,
}

/// Works up field notes.
///
/// # Errors
/// Every problem of the notes with its JSON pointer; or, of sound notes, that a wall cannot be computed, that held
/// values contradict each other, or that a rough bearing is too rough.
pub fn work_up(notes: &FieldNotes) -> Result<WorkedUp, Vec<Problem>> {
    let mut network = resolve::resolve(notes)?;
    // A blunder of several feet bends directions so far that they never settle: held, they leave sums, and the
    // blunder stands out all the more.
    let adjusted = match adjust::adjust(&network.quantities, &network) {
        Err(AdjustError::Unsettled) if network.hold_directions() => {
            adjust::adjust(&network.quantities, &network)
        }
        settled => settled,
    };
    let adjusted = adjusted.map_err(|error| unadjustable(notes, &network, &error))?;
    let backwards = derived_backwards(notes, &network, &adjusted);
    if !backwards.is_empty() {
        return Err(backwards);
    }
    let steps = network.steps(&adjusted.values);
    let outlines = outlines(notes, &network, &steps, &network.steps_as_read(&adjusted.values))?;
    let test = network.global_test(&adjusted);
    let suspicions = suspect::suspicions(&network, &adjusted, &test);
    let advice = suspicions.first().and_then(|first| advice::advise(&network, &adjusted, first));
    Ok(WorkedUp {
        walls: walls(notes, &network, &adjusted, &steps),
        outlines,
        disagreements: disagreements(&network),
        observations: network.observations(&adjusted),
        test,
        suspicions,
        advice,
        tie_names: notes.ties.iter().map(|tie| tie.name.clone()).collect(),
        network,
        adjusted,
        steps,
    })
}

fn walls(notes: &FieldNotes, network: &Network, adjusted: &Adjusted, steps: &[Step]) -> Vec<AdjustedWall> {
    let mut walls = Vec::with_capacity(steps.len());
    for ((wall, shape), step) in notes.walls.iter().zip(&network.shapes).zip(steps) {
        let feet = libm::hypot(step.east, step.north);
        let along =
            |by: (f64, f64)| if feet > 0.0 { (by.0 * step.east + by.1 * step.north) / feet } else { 0.0 };
        let slopes = step.slopes.map(|(at, east, north)| (at, along((east, north))));
        let mut variance = 0.0;
        for (one, by) in slopes {
            variance +=
                slopes.iter().map(|(other, too)| by * too * adjusted.covariance(one, *other)).sum::<f64>();
        }
        let turned = match *shape {
            Shape::Polar { deviation, .. } => adjusted.values.get(deviation),
            Shape::Legs { .. } => None,
        };
        let unread = |at: usize| network.quantities.get(at).is_some_and(|one| one.variance.is_none());
        walls.push(AdjustedWall {
            name: wall.name.clone(),
            length: Length::from_feet_f64(feet).unwrap_or(Length::ZERO),
            sd_ft: libm::sqrt(variance.max(0.0)),
            turned_degrees: turned.map(|radians| radians * 180.0 / core::f64::consts::PI),
            is_derived: shape.sizes().into_iter().any(unread),
        });
    }
    walls
}

fn outlines(
    notes: &FieldNotes,
    network: &Network,
    steps: &[Step],
    steps_as_read: &[Step],
) -> Result<Vec<AdjustedOutline>, Vec<Problem>> {
    let mut outlines = Vec::with_capacity(network.outlines.len());
    for (at, (outline, drawn)) in network.outlines.iter().zip(&notes.outlines).enumerate() {
        let polygon = Polygon::from_feet(&outline.corners(steps)).ok_or_else(|| {
            vec![Problem {
                pointer: format!("/outlines/{at}"),
                detail: format!("{:?} is larger than any building", drawn.name),
                mend: "check the units of its walls".to_owned(),
            }]
        })?;
        let misclosure = network.misclosure(outline, steps_as_read);
        outlines.push(AdjustedOutline {
            name: drawn.name.clone(),
            faults: polygon.faults(),
            polygon,
            hints: hint::hints(notes, network, outline, &misclosure),
            misclosure,
        });
    }
    Ok(outlines)
}

fn disagreements(network: &Network) -> Vec<(Source, Disagreement)> {
    let mut found = Vec::new();
    for (source, combined) in network.sources.iter().zip(&network.readings) {
        let pairs = combined.iter().flat_map(|combined| &combined.disagreements);
        found.extend(pairs.map(|pair| (*source, pair.clone())));
    }
    found
}

fn unadjustable(notes: &FieldNotes, network: &Network, error: &AdjustError) -> Vec<Problem> {
    let detail = match error {
        AdjustError::Undetermined { quantities } => {
            let words = quantities.iter().filter_map(|at| network.sources.get(*at));
            let words: Vec<String> = words.map(|source| described_in(notes, *source)).collect();
            format!("cannot be computed from what was read: {}", words.join(", "))
        }
        AdjustError::Contradiction | AdjustError::Unsettled => error.to_string(),
    };
    vec![Problem {
        pointer: "/walls".to_owned(),
        detail,
        mend: "read one more of these walls, or a tie across; at most one wall along each axis of an outline can \
               be derived"
            .to_owned(),
    }]
}

/// Distances that nobody read and that come out below zero.
fn derived_backwards(notes: &FieldNotes, network: &Network, adjusted: &Adjusted) -> Vec<Problem> {
    let mut problems = Vec::new();
    for ((source, quantity), value) in
        network.sources.iter().zip(&network.quantities).zip(adjusted.values.iter())
    {
        let (Source::Length(wall) | Source::Run(wall) | Source::Rise(wall)) = *source else { continue };
        if quantity.variance.is_none() && *value < 0.0 {
            problems.push(Problem {
                pointer: format!("/walls/{wall}/direction"),
                detail: format!(
                    "the {} was not read, and the others lead the opposite way",
                    described_in(notes, *source)
                ),
                mend: "turn its direction round, or check the walls along it".to_owned(),
            });
        }
    }
    problems
}

impl WorkedUp {
    /// What a quantity is, in words: `length of front`.
    #[must_use]
    pub fn describe(&self, source: Source) -> String {
        let wall = |at: usize| self.walls.get(at).map(|wall| wall.name.as_str());
        described(source, wall, |at| self.tie_names.get(at).map(String::as_str))
    }
}

/// What a quantity is, in words, from the names of walls and ties by index.
fn described<'n>(
    source: Source,
    wall: impl Fn(usize) -> Option<&'n str>,
    tie: impl Fn(usize) -> Option<&'n str>,
) -> String {
    let wall = |at: usize| wall(at).unwrap_or("?");
    match source {
        Source::Length(at) => format!("length of {}", wall(at)),
        Source::Run(at) => format!("run of {}", wall(at)),
        Source::Rise(at) => format!("rise of {}", wall(at)),
        Source::Direction(at) => format!("direction of {}", wall(at)),
        Source::Tie(at) => tie(at).map_or_else(|| "a tie".to_owned(), |name| format!("tie {name}")),
    }
}

fn described_in(notes: &FieldNotes, source: Source) -> String {
    let wall = |at: usize| notes.walls.get(at).map(|wall| wall.name.as_str());
    described(source, wall, |at| notes.ties.get(at).map(|tie| tie.name.as_str()))
}
