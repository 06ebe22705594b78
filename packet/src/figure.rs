//! The figures of a packet computed again, from the measurement and the record that are in it.

use crossfoot_audit::area::Area;
use crossfoot_audit::judge::Measured;
use crossfoot_audit::judge::compare::{self, Comparison};
use crossfoot_audit::judge::effect;
use crossfoot_audit::judge::policy::Rule;
use crossfoot_audit::money::Money;
use crossfoot_audit::standard::{AreaStatement, Spread};

use crate::data::{PacketData, area_text, figure_text};
use crate::view::counted_sum;

/// Areas are written exactly; this forgives a writer that rounds to six decimals.
const AREA_WITHIN_SQFT: f64 = 1e-6;
/// Standard deviations are written with six decimals.
const SIGMA_WITHIN_SQFT: f64 = 1e-5;
/// `z` divides by a written standard deviation: its error grows with `z`.
const Z_WITHIN_RELATIVE: f64 = 1e-4;
/// A probability out of the same figures.
const EXCEEDANCE_WITHIN_PPM: f64 = 100.0;
/// Amounts are cut to the cent.
const MONEY_WITHIN: f64 = 0.011;

/// A figure as written in the packet and as computed again.
#[derive(Debug, Clone, PartialEq)]
pub struct Recomputed {
    /// Which figure.
    pub what: &'static str,
    /// As written.
    pub written: String,
    /// As computed again.
    pub computed: String,
    /// How far apart they may be, in the figure's own unit.
    pub within: f64,
    /// Whether they are no farther apart.
    pub holds: bool,
}

impl Recomputed {
    fn new(what: &'static str, written: &str, computed: String, within: f64) -> Recomputed {
        let number = |text: &str| text.parse::<f64>().ok();
        let holds = match (number(written), number(&computed)) {
            (Some(a), Some(b)) => (a - b).abs() <= within,
            (None, _) | (_, None) => written == computed,
        };
        Recomputed { what, written: written.to_owned(), computed, within, holds }
    }
}

/// Computes the figures of data that have been checked.
pub(crate) fn recompute(data: &PacketData) -> Vec<Recomputed> {
    let mut all = sums(data);
    if let Some(statement) = restated(data) {
        all.extend(statement);
    }
    let c = &data.comparison;
    let (Ok(rule), Some(compared)) = (serde_json::from_str::<Rule>(&data.policy.rule), compared(data)) else {
        return all;
    };
    all.extend(comparison(data, &compared));
    let value = data.record.value.as_deref().and_then(|value| Money::parse(value).ok());
    let threshold = rule.threshold(&compared, value);
    all.push(Recomputed::new("threshold, sq ft", &c.threshold_sqft, area_text(threshold), AREA_WITHIN_SQFT));
    let exceedance = figure_text((compare::exceedance(&compared, threshold) * 1e6).round());
    all.push(Recomputed::new(
        "probability to be beyond the threshold, parts per million",
        &c.exceedance_ppm.to_string(),
        exceedance,
        EXCEEDANCE_WITHIN_PPM,
    ));
    let computed =
        compared.recorded.and_then(|recorded| effect::effect(value, compared.difference, recorded, &rule));
    if let Some(written) = &data.effect {
        let text = |amount: Option<Money>| amount.map_or_else(|| "none".to_owned(), Money::to_text);
        let (low, high) = (text(computed.map(|e| e.low)), text(computed.map(|e| e.high)));
        all.push(Recomputed::new("effect, lower", &written.low, low, MONEY_WITHIN));
        all.push(Recomputed::new("effect, upper", &written.high, high, MONEY_WITHIN));
    }
    all
}

fn sums(data: &PacketData) -> Vec<Recomputed> {
    let c = &data.comparison;
    let total = &data.statement.total_sqft;
    let sum = counted_sum(data).map_or_else(|| "too large".to_owned(), area_text);
    let mut all = vec![
        Recomputed::new("sum of the counted parts, sq ft", total, sum, AREA_WITHIN_SQFT),
        Recomputed::new("measured area, sq ft", &c.measured_sqft, total.clone(), AREA_WITHIN_SQFT),
    ];
    if let Some(recorded) = &c.recorded_sqft {
        let published = data.record.area_sqft.clone().unwrap_or_else(|| "none".to_owned());
        all.push(Recomputed::new("recorded area, sq ft", recorded, published, AREA_WITHIN_SQFT));
    }
    all
}

/// The measurement stated again under its standard, where that is in the packet or comes with this program.
fn restated(data: &PacketData) -> Option<Vec<Recomputed>> {
    let standard = data.standard.definition()?;
    let lines = lines_as_written(data);
    let Ok(measurement) = crossfoot_audit::document::reread(&data.measurement.document) else {
        let unreadable = "the measurement cannot be read".to_owned();
        return Some(vec![Recomputed::new("parts of the measurement", &lines, unreadable, 0.0)]);
    };
    let statement = standard.state(&measurement.house);
    let sigma = figure_text(statement.spread.variance().sqrt());
    let written = &data.comparison.sigma_measured_sqft;
    Some(vec![
        Recomputed::new("parts of the measurement", &lines, lines_as_stated(&statement), 0.0),
        Recomputed::new("standard deviation from measuring, sq ft", written, sigma, SIGMA_WITHIN_SQFT),
    ])
}

/// Level, area and rule of every part, to be compared as one text.
fn lines_as_written(data: &PacketData) -> String {
    let lines = data.statement.lines.iter().map(|line| {
        let area =
            Area::parse_square_feet(&line.area_sqft).map_or_else(|_| line.area_sqft.clone(), area_text);
        format!("level {}: {area} by {}", line.level, line.rule)
    });
    lines.collect::<Vec<_>>().join(", ")
}

fn lines_as_stated(statement: &AreaStatement) -> String {
    let lines = statement.lines.iter();
    let lines = lines.map(|line| format!("level {}: {} by {}", line.level, area_text(line.area), line.rule));
    lines.collect::<Vec<_>>().join(", ")
}

/// The comparison of what is written as measured and recorded.
fn compared(data: &PacketData) -> Option<Comparison> {
    let c = &data.comparison;
    let sigma = |text: &str| text.parse::<f64>().ok();
    let measured = Measured {
        area: Area::parse_square_feet(&c.measured_sqft).ok()?,
        spread: Spread { stated: sigma(&c.sigma_measured_sqft)?.powi(2), ..Spread::default() },
    };
    let recorded = match &c.recorded_sqft {
        Some(text) => Some(Area::parse_square_feet(text).ok()?),
        None => None,
    };
    // The spread of a figure rounded to q is q / sqrt(12): compare() takes q.
    let rounding_sqft = sigma(&c.sigma_recorded_sqft)? * 12f64.sqrt();
    Some(compare::compare(&measured, recorded, rounding_sqft, c.denominator))
}

fn comparison(data: &PacketData, computed: &Comparison) -> Vec<Recomputed> {
    let c = &data.comparison;
    let ppm = |ppm: Option<i64>| ppm.map_or_else(|| "none".to_owned(), |ppm| ppm.to_string());
    let z_within = Z_WITHIN_RELATIVE * computed.z.abs().max(1.0);
    vec![
        Recomputed::new(
            "difference, sq ft",
            &c.difference_sqft,
            area_text(computed.difference),
            AREA_WITHIN_SQFT,
        ),
        Recomputed::new("variance, parts per million", &ppm(c.variance_ppm), ppm(computed.variance_ppm), 0.0),
        Recomputed::new(
            "standard deviation, sq ft",
            &c.sigma_sqft,
            figure_text(computed.sigma),
            SIGMA_WITHIN_SQFT,
        ),
        Recomputed::new("difference in standard deviations", &c.z, figure_text(computed.z), z_within),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_figure_holds_within_its_tolerance_and_not_beyond() {
        assert!(Recomputed::new("x", "1.0", "1.001".to_owned(), 0.001_1).holds);
        assert!(!Recomputed::new("x", "1.0", "1.002".to_owned(), 0.001_1).holds);
        assert!(!Recomputed::new("x", "1.0", "none".to_owned(), 1e9).holds);
        assert!(!Recomputed::new("x", "1.0", "NaN".to_owned(), 1e9).holds);
        assert!(Recomputed::new("x", "none", "none".to_owned(), 0.0).holds);
    }
}
