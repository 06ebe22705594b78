//! What a length is read with, and how far one reading of it can be off.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::length::Length;

const EIGHTH_INCH: Length = Length::from_nanometres(3_175_000);
const QUARTER_INCH: Length = Length::from_nanometres(6_350_000);
const HALF_INCH: Length = Length::from_nanometres(12_700_000);

/// Tape scale: the tolerance of metal tapes in commerce is 1/8 in at 50 ft (NIST Handbook 44, section 5.52);
/// as half width of a uniform error that is a standard deviation of 0.072 in, 120 parts in a million.
const TAPE_SCALE_SD_PPM: f64 = 120.0;
/// Laser scale: common practice, no source.
const LASER_SCALE_SD_PPM: f64 = 50.0;

/// A kind of instrument, which decides what is assumed about it where nothing is stated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum InstrumentKind {
    /// A laser distance meter aimed at a target board. Assumed: 1/8 in a reading, 50 ppm.
    Laser,
    /// A steel tape of up to 25 ft. Assumed: 1/4 in a reading, 120 ppm.
    Tape,
    /// A long tape, with sag and wind. Assumed: 1/2 in a reading, 120 ppm.
    LongTape,
}

/// An instrument that lengths of this visit were read with.
///
/// The assumed reading errors are common practice, no source: corners, siding laps and sag dominate, not the
/// instrument.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Instrument {
    /// The name that readings refer to.
    pub name: String,
    /// What it is.
    pub kind: InstrumentKind,
    /// Standard deviation of one reading, rounding apart; above zero.
    #[serde(default)]
    pub reading_sd: Option<Length>,
    /// The step to which readings were rounded, where a piece does not state its own.
    #[serde(default)]
    pub rounded_to: Option<Length>,
    /// Standard deviation of the scale error that all its readings share, in parts in a million.
    #[serde(default)]
    pub scale_sd_ppm: Option<f64>,
}

impl Instrument {
    /// An instrument about which nothing is stated.
    #[must_use]
    pub fn assumed(name: &str, kind: InstrumentKind) -> Self {
        Self { name: name.to_owned(), kind, reading_sd: None, rounded_to: None, scale_sd_ppm: None }
    }

    /// Standard deviation of one reading, rounding apart.
    #[must_use]
    pub fn reading_sd(&self) -> Length {
        self.reading_sd.unwrap_or(match self.kind {
            InstrumentKind::Laser => EIGHTH_INCH,
            InstrumentKind::Tape => QUARTER_INCH,
            InstrumentKind::LongTape => HALF_INCH,
        })
    }

    /// Relative standard deviation of the scale error, a pure number.
    #[must_use]
    pub fn relative_scale_sd(&self) -> f64 {
        let ppm = self.scale_sd_ppm.unwrap_or(match self.kind {
            InstrumentKind::Laser => LASER_SCALE_SD_PPM,
            InstrumentKind::Tape | InstrumentKind::LongTape => TAPE_SCALE_SD_PPM,
        });
        ppm * 1e-6
    }
}
