//! What worked-up field notes say, in sentences: whether each outline balances, what does not fit and how surely that
//! is known, and which further reading would tell. A hint is told as a hint.

use super::WorkedUp;
use super::advice::{Advice, Further};
use super::field_notes::TieLine;
use super::hint::Hint;
use super::misclosure::Misclosure;
use super::network::Source;
use super::observation::Verdict;
use super::suspect::{Candidate, Suspicion};
use crate::length::{Dimensions, Length};

/// Names of a group before the rest is counted.
const NAMED_MAX: usize = 8;

/// What a sentence is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum ToldKind {
    /// Whether an outline closes.
    Balance,
    /// Whether the observations contradict each other as a whole.
    Test,
    /// A wall that was not read.
    Derived,
    /// What nothing checks.
    Unchecked,
    /// Two readings of one distance that differ by more than their errors allow.
    Disagreement,
    /// What is or may be wrong.
    Suspicion,
    /// The further reading that would tell.
    Advice,
    /// What a gap looks like.
    Hint,
}

impl ToldKind {
    /// Its name in documents.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Balance => "balance",
            Self::Test => "test",
            Self::Derived => "derived",
            Self::Unchecked => "unchecked",
            Self::Disagreement => "disagreement",
            Self::Suspicion => "suspicion",
            Self::Advice => "advice",
            Self::Hint => "hint",
        }
    }

    /// Whether a person has to look.
    #[must_use]
    pub fn is_doubt(self) -> bool {
        matches!(self, Self::Disagreement | Self::Suspicion | Self::Advice)
    }
}

/// One thing that the notes say.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Told {
    /// What it is about.
    pub kind: ToldKind,
    /// The sentence.
    pub text: String,
}

/// Everything that worked-up notes say, in a fixed order; lengths as the notes write theirs.
#[must_use]
pub fn tell(worked: &WorkedUp, dimensions: Dimensions) -> Vec<Told> {
    let telling = Telling { worked, dimensions };
    let mut told = Vec::new();
    let mut say = |kind, text| told.push(Told { kind, text });
    for outline in &worked.outlines {
        say(ToldKind::Balance, balance(&outline.name, &outline.misclosure, dimensions));
    }
    say(ToldKind::Test, telling.test());
    telling.derived().into_iter().for_each(|text| say(ToldKind::Derived, text));
    telling.unchecked().into_iter().for_each(|text| say(ToldKind::Unchecked, text));
    telling.disagreements().into_iter().for_each(|text| say(ToldKind::Disagreement, text));
    for suspicion in &worked.suspicions {
        say(ToldKind::Suspicion, telling.suspicion(suspicion));
    }
    if let Some(advice) = &worked.advice {
        say(ToldKind::Advice, telling.advice(advice));
    }
    for outline in &worked.outlines {
        for hint in &outline.hints {
            say(ToldKind::Hint, format!("Hint for {}: {}.", outline.name, telling.hint(hint)));
        }
    }
    told
}

/// Whether an outline closes, and what its readings lack.
#[must_use]
pub fn balance(name: &str, found: &Misclosure, dimensions: Dimensions) -> String {
    let along = |gap: Length, more: &str, less: &str| {
        let (larger, smaller) = if gap.nanometres() < 0 { (less, more) } else { (more, less) };
        format!(
            "the sides to the {larger} are {} longer than those to the {smaller}",
            dimensions.difference(gap)
        )
    };
    let mut parts = Vec::new();
    for (gap, more, less) in [(found.east, "east", "west"), (found.north, "north", "south")] {
        match gap {
            None => parts.push(format!("nothing checks the sides to the {more} and the {less}")),
            Some(Length::ZERO) => {}
            Some(gap) => parts.push(along(gap, more, less)),
        }
    }
    let is_checked = found.east.is_some() || found.north.is_some();
    let verdict = match (is_checked, found.is_poor()) {
        (false, _) => "cannot be checked",
        (true, true) => "does not balance",
        (true, false) => "balances",
    };
    let ratio = found.ratio().map(|ratio| format!("1 in {ratio:.0} of its perimeter"));
    let parts: Vec<String> = parts.into_iter().chain(ratio).collect();
    if parts.is_empty() {
        format!("{name} {verdict}: it closes without a gap.")
    } else {
        format!("{name} {verdict}: {}.", parts.join(", "))
    }
}

struct Telling<'a> {
    worked: &'a WorkedUp,
    dimensions: Dimensions,
}

impl Telling<'_> {
    fn test(&self) -> String {
        let test = &self.worked.test;
        let checks = test.degrees_of_freedom;
        let by_chance = if test.probability < 0.000_1 {
            "less than 1 time in 10,000".to_owned()
        } else {
            format!("{:.1} times in 100", test.probability * 100.0)
        };
        match test.verdict {
            Verdict::Unchecked => {
                "Nothing checks these readings: that they do not contradict each other is no proof."
                    .to_owned()
            }
            Verdict::Accepted => {
                format!("The readings agree within their errors ({checks} independent checks).")
            }
            Verdict::Noted => format!(
                "The readings agree less well than they should: errors of reading alone would do this {by_chance} ({checks} independent checks). Look again."
            ),
            Verdict::Rejected => format!(
                "The readings contradict each other: errors of reading alone would do this {by_chance} ({checks} independent checks)."
            ),
        }
    }

    fn derived(&self) -> Vec<String> {
        let derived = self.worked.walls.iter().filter(|wall| wall.is_derived);
        derived
            .map(|wall| {
                format!(
                    "{} was not read: {} follows from the other walls along it, which leaves them unchecked.",
                    wall.name,
                    self.dimensions.adjusted(wall.length)
                )
            })
            .collect()
    }

    /// Distances that were read and that nothing checks.
    fn unchecked(&self) -> Option<String> {
        let mut found: Vec<Source> = Vec::new();
        for observation in &self.worked.observations {
            let is_distance = !matches!(observation.source, Source::Direction(_));
            if is_distance && observation.standardised.is_none() && !found.contains(&observation.source) {
                found.push(observation.source);
            }
        }
        (!found.is_empty()).then(|| {
            format!("Nothing checks the {}: a wrong reading there would not show.", self.list(&found))
        })
    }

    fn disagreements(&self) -> Vec<String> {
        let pairs = self.worked.disagreements.iter();
        pairs
            .map(|(source, pair)| {
                format!(
                    "Readings {} and {} of the {} differ by {}; their errors allow {}.",
                    pair.readings.0 + 1,
                    pair.readings.1 + 1,
                    self.worked.describe(*source),
                    self.dimensions.difference_ft(pair.difference_ft),
                    self.dimensions.difference_ft(pair.tolerance_ft)
                )
            })
            .collect()
    }

    fn suspicion(&self, suspicion: &Suspicion) -> String {
        let square =
            if suspicion.may_be_out_of_square() { ", or the house is out of square there" } else { "" };
        if let Some((source, reading)) = suspicion.named_reading() {
            return format!(
                "Reading {} of the {} does not fit: it is about {} too {}.",
                reading + 1,
                self.worked.describe(source),
                self.dimensions.difference_ft(suspicion.size),
                way(suspicion.size)
            );
        }
        if let Some(source) = suspicion.named() {
            let of_reading = |one: &Candidate| matches!(one, Candidate::Reading { .. });
            if suspicion.candidates.iter().any(of_reading) {
                return format!(
                    "A reading of the {} is wrong, by about {}; the others cannot tell which one.",
                    self.worked.describe(source),
                    self.dimensions.difference_ft(suspicion.size)
                );
            }
            return format!(
                "The {} does not fit the others: as read it is about {} too {}.",
                self.worked.describe(source),
                self.dimensions.difference_ft(suspicion.size),
                way(suspicion.size)
            );
        }
        let group = suspicion.distances();
        match group.as_slice() {
            [] => "A wall does not head where it was said to: the house is out of square.".to_owned(),
            [only] => {
                format!("The {} may be wrong{square}; the readings cannot tell.", self.worked.describe(*only))
            }
            more => format!(
                "One of these may be wrong: {}{square}. The readings cannot tell which.",
                self.list(more)
            ),
        }
    }

    fn advice(&self, advice: &Advice) -> String {
        let what = match advice.read {
            Further::Again { source } => format!("the {} once more", self.worked.describe(source)),
            Further::Between { outline, corners, along } => {
                let how = match along {
                    TieLine::Straight => "the straight distance",
                    TieLine::EastWest => "the overall dimension, east and west,",
                    TieLine::NorthSouth => "the overall dimension, north and south,",
                };
                format!(
                    "{how} from {} to {}",
                    self.corner(outline, corners.0),
                    self.corner(outline, corners.1)
                )
            }
        };
        format!("What would tell most: read {what}.")
    }

    /// A corner by the walls that meet there.
    fn corner(&self, outline: usize, corner: usize) -> String {
        let walls = self.worked.walls_of(outline);
        let count = walls.len().max(1);
        let name = |at: usize| {
            let wall = walls.get(at % count).and_then(|wall| self.worked.walls.get(*wall));
            wall.map_or("?", |wall| wall.name.as_str())
        };
        format!("the corner of {} and {}", name((corner + count - 1) % count), name(corner))
    }

    fn hint(&self, hint: &Hint) -> String {
        let of = |source: &Source| self.worked.describe(*source);
        let wall = |at: &usize| self.worked.walls.get(*at).map_or("?", |wall| wall.name.as_str());
        match hint {
            Hint::TurnedWrongWay { source } => format!("the gap is twice the {}, as if it had been drawn the opposite way", of(source)),
            Hint::CountedTwice { wall: at } => format!("the gap is as long as {}, as if it had been counted twice", wall(at)),
            Hint::WallMissing { east, north, like } => {
                let like = like.as_ref().map_or_else(String::new, |at| format!(", as long as {}", wall(at)));
                format!("a wall of {}{like} may have been left out", self.heading(*east, *north))
            }
            Hint::FootMark { feet, sources } => format!("the gap is {feet} ft: a foot mark may have been misread on the {}", self.list(sources)),
            Hint::DigitsSwapped { source, meant } => format!("the {} with two digits swapped would be {}, which closes", of(source), self.dimensions.adjusted(*meant)),
            Hint::InchesAsTenths { source, meant } => format!("the {} may have been written in tenths for inches: {} would close", of(source), self.dimensions.adjusted(*meant)),
            Hint::OffsetSense { source, reading } => format!("the offset of reading {} of the {} may go the other way", reading + 1, of(source)),
            Hint::SideForLeg { source } => format!("the slanting side may have been written down as the {}", of(source)),
            Hint::Obstacle => "an obstacle of about an inch, such as a gutter, may not have been allowed for, or the wrong way".to_owned(),
            Hint::AlongWall { wall: at } => format!("the gap runs along {}: its length may be wrong", wall(at)),
            Hint::OutOfSquare { degrees } => format!("a long wall that is {degrees:.1} degrees off its direction would leave this gap"),
        }
    }

    fn heading(&self, east: Length, north: Length) -> String {
        let mut parts = Vec::new();
        for (by, more, less) in [(east, "east", "west"), (north, "north", "south")] {
            if by != Length::ZERO {
                let toward = if by.nanometres() < 0 { less } else { more };
                parts.push(format!("{} to the {toward}", self.dimensions.difference(by)));
            }
        }
        parts.join(" and ")
    }

    fn list(&self, sources: &[Source]) -> String {
        let mut names: Vec<String> =
            sources.iter().take(NAMED_MAX).map(|source| self.worked.describe(*source)).collect();
        let more = sources.len().saturating_sub(NAMED_MAX);
        if more > 0 {
            names.push(format!("{more} more"));
        }
        names.join(", ")
    }
}

fn way(size: f64) -> &'static str {
    if size > 0.0 { "long" } else { "short" }
}
