//! One reading of a distance: what was read, in pieces, and what has to be added or taken off.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::instrument::Instrument;
use crate::document::Problem;
use crate::length::Length;

/// Error of one mark between two pieces, where none is stated: 1/4 in (common practice, no source).
const MARK_SD: Length = Length::from_nanometres(6_350_000);

/// A length as it stood on the instrument.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Piece {
    /// What was read.
    pub length: Length,
    /// The name of the instrument.
    pub instrument: String,
    /// The step to which it was rounded; otherwise the instrument's.
    #[serde(default)]
    pub rounded_to: Option<Length>,
}

/// What a known constant does to a reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum OffsetSense {
    /// The tape's end stops so far short of the corner: the distance is longer than the reading.
    EndStopsShort,
    /// The mark of this amount is held on the corner in place of the tape's zero: the distance is shorter.
    MarkOnCorner,
    /// Added for another stated reason, for example the case of a laser that reads from its front.
    Add,
    /// Taken off for another stated reason, for example the thickness of a hook.
    Subtract,
}

impl OffsetSense {
    pub(super) const fn sign(self) -> i64 {
        match self {
            Self::EndStopsShort | Self::Add => 1,
            Self::MarkOnCorner | Self::Subtract => -1,
        }
    }
}

/// A constant, known exactly, between what was read and the distance.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Offset {
    /// Which way it goes.
    pub sense: OffsetSense,
    /// Its size.
    pub amount: Length,
    /// Why, in words.
    #[serde(default)]
    pub reason: Option<String>,
}

/// One reading of a distance: the sum of its pieces and offsets.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Reading {
    /// What was read, from one end to the other; one piece or more.
    pub pieces: Vec<Piece>,
    /// What has to be added or taken off.
    #[serde(default)]
    pub offsets: Vec<Offset>,
    /// Standard deviation of each mark between two pieces; 1/4 in where not stated.
    #[serde(default)]
    pub mark_sd: Option<Length>,
    /// Standard deviation of the whole reading as the measurer states it, in place of the instruments' and the
    /// marks'. Rounding comes on top.
    #[serde(default)]
    pub sd: Option<Length>,
    /// Who read it: a role, not a name.
    #[serde(default)]
    #[schemars(length(max = 120))]
    pub read_by: Option<String>,
    /// The day on which it was read, `YYYY-MM-DD`, where it is not the day of the visit.
    #[serde(default)]
    #[schemars(regex(pattern = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$"))]
    pub read_on: Option<String>,
}

impl Reading {
    /// A reading in one piece.
    #[must_use]
    pub fn of(length: Length, instrument: &str) -> Self {
        let piece = Piece { length, instrument: instrument.to_owned(), rounded_to: None };
        Self {
            pieces: vec![piece],
            offsets: Vec::new(),
            mark_sd: None,
            sd: None,
            read_by: None,
            read_on: None,
        }
    }

    /// The distance that the reading states, exactly, and its error apart from scale.
    ///
    /// Variances add over pieces and marks; offsets are exact. Rounding to a step q has the variance q²/12
    /// (uniform distribution; common practice for type B evaluation, from memory).
    ///
    /// # Errors
    /// Every problem, with a JSON pointer that begins at the reading: no piece, an unknown instrument, a
    /// standard deviation of zero, a distance that is not above zero.
    pub fn value(&self, instruments: &[Instrument]) -> Result<ReadingValue, Vec<Problem>> {
        let mut problems = Vec::new();
        let mut total: i128 = 0;
        let mut value =
            ReadingValue { by_instrument: Vec::with_capacity(self.pieces.len()), ..ReadingValue::default() };
        for (at, piece) in self.pieces.iter().enumerate() {
            let Some(index) = instruments.iter().position(|known| known.name == piece.instrument) else {
                problems.push(Problem {
                    pointer: format!("/pieces/{at}/instrument"),
                    detail: format!("no instrument is named {:?}", piece.instrument),
                    mend: "name one of the instruments of this measurement, or add it there".to_owned(),
                });
                continue;
            };
            total += i128::from(piece.length.nanometres());
            value.take_piece(piece, index, instruments.get(index));
        }
        self.check(&mut problems);
        for offset in &self.offsets {
            total += i128::from(offset.sense.sign()) * i128::from(offset.amount.nanometres());
        }
        let marks = self.pieces.len().saturating_sub(1) as f64;
        value.variance += marks * square(self.mark_sd.unwrap_or(MARK_SD));
        if let Some(sd) = self.sd {
            value.variance = square(sd);
        }
        match i64::try_from(total) {
            Ok(nanometres) if nanometres > 0 => value.length = Length::from_nanometres(nanometres),
            Ok(_) | Err(_) if problems.is_empty() => problems.push(Problem {
                pointer: "/pieces".to_owned(),
                detail: "pieces and offsets do not add up to a distance above zero".to_owned(),
                mend: "check the digits, the units and the sense of the offsets".to_owned(),
            }),
            Ok(_) | Err(_) => {}
        }
        value.steps.sort_unstable();
        if problems.is_empty() { Ok(value) } else { Err(problems) }
    }

    fn check(&self, problems: &mut Vec<Problem>) {
        if self.pieces.is_empty() {
            problems.push(Problem {
                pointer: "/pieces".to_owned(),
                detail: "the reading has no piece".to_owned(),
                mend: "write what was read, or leave the reading out: the distance is then derived"
                    .to_owned(),
            });
        }
        if self.sd.is_some_and(|sd| sd <= Length::ZERO) {
            problems.push(Problem {
                pointer: "/sd".to_owned(),
                detail: "a standard deviation of zero claims a reading without error".to_owned(),
                mend: "write the standard deviation of one reading, or leave it to the instrument".to_owned(),
            });
        }
    }
}

fn square(length: Length) -> f64 {
    let feet = length.to_feet_f64();
    feet * feet
}

/// A reading worked out.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ReadingValue {
    /// The distance, exactly.
    pub length: Length,
    /// Variance that another reading does not share, in square feet.
    pub variance: f64,
    /// Variance of rounding, in square feet. Readings rounded to the same steps share it: equal rounded readings
    /// are no proof of a small error.
    pub rounding_variance: f64,
    /// The steps of its pieces in nanometres, sorted.
    pub(super) steps: Vec<i64>,
    /// Feet read with each instrument, by index.
    pub(super) by_instrument: Vec<(usize, f64)>,
}

impl ReadingValue {
    /// Standard deviation of this reading alone, rounding included, scale left out, in feet.
    #[must_use]
    pub fn sd_ft(&self) -> f64 {
        libm::sqrt(self.variance + self.rounding_variance)
    }

    fn take_piece(&mut self, piece: &Piece, index: usize, instrument: Option<&Instrument>) {
        self.by_instrument.push((index, piece.length.to_feet_f64()));
        self.variance += instrument.map_or(0.0, |known| square(known.reading_sd()));
        let step = piece.rounded_to.or_else(|| instrument?.rounded_to);
        if let Some(step) = step.filter(|step| *step > Length::ZERO) {
            self.rounding_variance += square(step) / 12.0;
            self.steps.push(step.nanometres());
        }
    }
}
