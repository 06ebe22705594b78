//! How lengths are written for people: in the way in which they were read.

use super::Length;

/// What dimensions are written in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Dimensions {
    /// Feet and inches.
    #[default]
    FeetInches,
    /// Feet with decimals.
    DecimalFeet,
    /// Metres.
    Metres,
}

impl Dimensions {
    /// As on a plan: to the inch, the tenth of a foot or the centimetre.
    #[must_use]
    pub fn on_plan(self, length: Length) -> String {
        match self {
            Self::FeetInches => length.to_feet_inches(1),
            Self::DecimalFeet => format!("{} ft", length.to_decimal_feet(1)),
            Self::Metres => format!("{} m", length.to_metres(2)),
        }
    }

    /// A difference, without its sign: to a quarter inch, a hundredth of a foot or a millimetre; inches alone below
    /// a foot.
    #[must_use]
    pub fn difference(self, length: Length) -> String {
        let size = Length::from_nanometres(length.nanometres().saturating_abs());
        match self {
            Self::FeetInches => {
                let text = size.to_feet_inches(4);
                text.strip_prefix("0' ").map_or_else(|| text.clone(), str::to_owned)
            }
            Self::DecimalFeet => format!("{} ft", size.to_decimal_feet(2)),
            Self::Metres => format!("{} m", size.to_metres(3)),
        }
    }

    /// The same of a float in feet.
    #[must_use]
    pub fn difference_ft(self, feet: f64) -> String {
        Length::from_feet_f64(feet).map_or_else(|| format!("{feet:.0} ft"), |length| self.difference(length))
    }

    /// As adjusted: to a sixteenth of an inch, a thousandth of a foot or a millimetre.
    #[must_use]
    pub fn adjusted(self, length: Length) -> String {
        match self {
            Self::FeetInches => length.to_feet_inches(16),
            Self::DecimalFeet => format!("{} ft", length.to_decimal_feet(3)),
            Self::Metres => format!("{} m", length.to_metres(3)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_length_is_written_as_it_was_read() {
        let length = Length::from_inch_fraction(507, 3, 8).unwrap();
        assert_eq!(Dimensions::FeetInches.on_plan(length), "42' 3\"");
        assert_eq!(Dimensions::FeetInches.adjusted(length), "42' 3 3/8\"");
        assert_eq!(Dimensions::DecimalFeet.on_plan(length), "42.3 ft");
        assert_eq!(Dimensions::Metres.on_plan(length), "12.89 m");
    }

    #[test]
    fn a_difference_below_a_foot_is_written_in_inches() {
        let half_foot = Length::from_inch_fraction(6, 1, 4).unwrap();
        assert_eq!(Dimensions::FeetInches.difference(half_foot), "6 1/4\"");
        assert_eq!(Dimensions::FeetInches.difference_ft(-1.5), "1' 6\"");
        assert_eq!(Dimensions::Metres.difference(half_foot), "0.159 m");
    }
}
