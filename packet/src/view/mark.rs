//! The interval on its line: zero, the band in which nothing matters, a bar for the interval with its centre marked.

use crossfoot_audit::area::Area;
use serde::Serialize;

use super::wording::{grouped, result, whole};
use crate::data::PacketData;

/// Two-sided 95 % of a normal distribution.
const SIGMAS_95: f64 = 1.959_964;
/// Share of the line left free at either end.
const MARGIN: f64 = 0.06;
/// Two labels nearer than this share of the line would touch.
const APART: f64 = 0.09;

/// The mark; positions are shares of the line's length.
#[derive(Debug, Serialize)]
pub(super) struct Mark {
    /// Where nothing differs.
    zero: f64,
    /// The band, its lower and its upper end.
    band: [f64; 2],
    /// The interval.
    bar: [f64; 2],
    /// The figure itself.
    centre: f64,
    /// The figure in words.
    label: String,
    /// Labels above the line: position and text.
    above: Vec<(f64, String)>,
    /// What is shaded.
    band_words: String,
    /// The whole in words, for those who do not see it.
    alt: String,
}

/// A figure with the ends of its interval and the threshold, all in one unit.
struct Scale {
    figure: f64,
    half: f64,
    threshold: f64,
    percent: bool,
}

impl Mark {
    pub(super) fn new(data: &PacketData) -> Mark {
        let scale = Scale::new(data);
        let (low, high) = (scale.figure - scale.half, scale.figure + scale.half);
        let left = low.min(-scale.threshold).min(0.0);
        let right = high.max(scale.threshold).max(0.0);
        let width = (right - left).max(f64::MIN_POSITIVE);
        let at = |figure: f64| MARGIN + (figure - left) / width * (1.0 - 2.0 * MARGIN);
        let mut above = vec![(at(0.0), "0".to_owned())];
        if at(scale.threshold) - at(0.0) > APART {
            above.push((at(-scale.threshold), scale.text(-scale.threshold)));
            above.push((at(scale.threshold), scale.text(scale.threshold)));
        }
        let unit = if scale.percent { " %" } else { " sq ft" };
        let band_words = format!(
            "Shaded: differences below {}{unit} in size, which the policy does not hold to matter.",
            scale.size(scale.threshold)
        );
        Mark {
            zero: at(0.0),
            band: [at(-scale.threshold), at(scale.threshold)],
            bar: [at(low), at(high)],
            centre: at(scale.figure),
            label: format!("{}{unit}", scale.text(scale.figure)),
            above,
            alt: format!("Interval on a line: {}. {band_words}", result(data)),
            band_words,
        }
    }
}

impl Scale {
    fn new(data: &PacketData) -> Scale {
        let c = &data.comparison;
        let area = |text: &str| Area::parse_square_feet(text).map_or(0.0, Area::to_square_feet_f64);
        let sigma = c.sigma_sqft.parse::<f64>().unwrap_or(0.0);
        let (figure, half, threshold) =
            (area(&c.difference_sqft), SIGMAS_95 * sigma, area(&c.threshold_sqft));
        match (c.variance_ppm, base(data)) {
            (Some(ppm), Some(base)) if base > 0.0 => {
                let share = |sqft: f64| sqft / base * 100.0;
                Scale {
                    figure: ppm as f64 / 1e4,
                    half: share(half),
                    threshold: share(threshold),
                    percent: true,
                }
            }
            _ => Scale { figure, half, threshold, percent: false },
        }
    }

    /// With its sign.
    fn text(&self, figure: f64) -> String {
        let size = self.size(figure);
        match size.bytes().all(|byte| matches!(byte, b'0' | b'.')) {
            true => size,
            false if figure < 0.0 => format!("\u{2212}{size}"),
            false => format!("+{size}"),
        }
    }

    /// Without its sign: tenths of a per cent, or whole square feet.
    fn size(&self, figure: f64) -> String {
        let decimals = if self.percent { 1 } else { 0 };
        grouped(&format!("{:.decimals$}", figure.abs()))
    }
}

/// What a percentage is of.
fn base(data: &PacketData) -> Option<f64> {
    use crossfoot_audit::judge::compare::Denominator;
    let c = &data.comparison;
    let text = match c.denominator {
        Denominator::Recorded => c.recorded_sqft.as_deref()?,
        Denominator::Measured => &c.measured_sqft,
    };
    Area::parse_square_feet(text).ok().map(Area::to_square_feet_f64)
}

/// Parts per million as per cent with one decimal.
pub(super) fn percent(ppm: i64) -> String {
    grouped(&format!("{:.1}", ppm as f64 / 1e4))
}

/// The interval for a sentence that has said which way: sizes from small to large, or both ways named.
pub(super) fn interval(data: &PacketData) -> String {
    let scale = Scale::new(data);
    let (low, high) = (scale.figure - scale.half, scale.figure + scale.half);
    if low < 0.0 && high > 0.0 {
        format!("from {} smaller to {} larger", scale.size(low), scale.size(high))
    } else {
        let (near, far) = if high <= 0.0 { (high, low) } else { (low, high) };
        format!("{} to {}", scale.size(near), scale.size(far))
    }
}

/// The interval with signs, for a table.
pub(super) fn interval_signed(data: &PacketData) -> String {
    let scale = Scale::new(data);
    if scale.percent {
        return format!(
            "{} to {}",
            scale.text(scale.figure - scale.half),
            scale.text(scale.figure + scale.half)
        );
    }
    let text = |figure: f64| {
        Area::from_square_feet_f64(figure).map_or_else(String::new, |a| whole(&a.to_square_feet(6)))
    };
    format!("{} to {}", text(scale.figure - scale.half), text(scale.figure + scale.half))
}
