//! What a statement says in words: the origins of its spread, and what a reader must know.

use super::{Note, Spread};

/// The origin of what is assumed where no standard deviation is stated.
pub const ASSUMED: &str = "assumed, none was stated";

impl Spread {
    /// Each origin in words with its variance in square feet squared, in a fixed order, those of nothing left out.
    #[must_use]
    pub fn by_origin(&self) -> Vec<(&'static str, f64)> {
        let all = [
            ("stated", self.stated),
            ("shared scale error", self.common),
            ("readings", self.readings),
            ("scale of the instruments", self.scale),
            ("between visits", self.between_visits),
            ("heights of ceilings", self.heights),
            ("assumed thickness of walls", self.thickness),
            (ASSUMED, self.assumed),
        ];
        all.into_iter().filter(|(_, variance)| *variance > 0.0).collect()
    }
}

impl Note {
    /// The note as a sentence.
    #[must_use]
    pub fn text(&self) -> String {
        match self {
            Note::BaseMatters { place } => format!(
                "{place}: whether half of the room is high enough depends on whether its lowest floor belongs to the whole, which the standard does not say."
            ),
            Note::HeightDecides { place } => {
                format!(
                    "{place}: a height read a little differently would decide otherwise whether the room counts."
                )
            }
            Note::Extrapolated { place } => {
                format!("{place}: a width lies beyond the heights that were read; the slope was drawn out.")
            }
            Note::OtherFace { place } => format!(
                "{place}: the area was stated to another face of the outer wall than this standard's, and stands as stated."
            ),
            Note::ThicknessAssumed { place } => {
                format!(
                    "{place}: the thickness of a wall was not stated; 4 to 12 in was assumed, and adds to the spread."
                )
            }
            Note::NotMoved { place } => {
                format!("{place}: its walls are thicker than it is wide; the area stands as drawn.")
            }
            Note::FootprintTaken { place } => format!(
                "{place}: the ground area of the half storey was not stated; what counts on the level below was taken."
            ),
            Note::NoFootprint { place } => {
                format!("{place}: there is no level below the half storey; nothing was counted for it.")
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn origins_add_up_to_the_variance_and_those_of_nothing_are_left_out() {
        let spread = Spread { readings: 4.0, between_visits: 81.0, ..Spread::default() };
        assert_eq!(spread.by_origin(), [("readings", 4.0), ("between visits", 81.0)]);
        let all = Spread {
            stated: 1.0,
            common: 2.0,
            assumed: 3.0,
            readings: 4.0,
            scale: 5.0,
            between_visits: 6.0,
            heights: 7.0,
            thickness: 8.0,
        };
        let sum: f64 = all.by_origin().iter().map(|(_, variance)| variance).sum();
        assert_eq!((sum, all.variance()), (36.0, 36.0));
    }
}
