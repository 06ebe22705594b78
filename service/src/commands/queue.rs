//! `crossfoot queue`: the properties with open findings.

use std::fmt::Write as _;

use crossfoot_audit::judge::explain::CAUTION;
use crossfoot_store::queue::{PairView, QueueItem};
use crossfoot_worker::settings::Settings;

use super::export::pair_json;
use crate::arguments::Queue;
use crate::installation::Installation;
use crate::outcome::{Outcome, say};
use crate::table::{Side, Table};

/// Properties read at once.
const PAGE: usize = 500;

/// Runs the command.
pub(crate) async fn run(settings: &Settings, arguments: &Queue) -> anyhow::Result<Outcome> {
    let installation = Installation::open(settings).await?;
    let limit = if arguments.limit == 0 { usize::MAX } else { arguments.limit };
    if arguments.json {
        json(&installation, limit).await?;
    } else {
        say(&text(&installation, limit).await?)?;
    }
    Ok(Outcome::Done)
}

async fn pages(installation: &Installation, limit: usize) -> anyhow::Result<Vec<QueueItem>> {
    let mut items: Vec<QueueItem> = Vec::new();
    while items.len() < limit {
        let wanted = i64::try_from((limit - items.len()).min(PAGE))?;
        let after = items.last().map(|item| item.cursor.clone());
        let page = installation.store.queue_page(&installation.office, after.as_ref(), wanted).await?;
        if page.is_empty() {
            break;
        }
        items.extend(page);
    }
    Ok(items)
}

async fn json(installation: &Installation, limit: usize) -> anyhow::Result<()> {
    for item in pages(installation, limit).await? {
        let first = item.pairs.first();
        let line = serde_json::json!({
            "reference": first.map(|pair| &pair.reference),
            "parcel": first.map(|pair| &pair.parcel),
            "address": first.map(|pair| &pair.address),
            "findings": item.pairs.iter().map(pair_json).collect::<Vec<_>>(),
        });
        say(&format!("{line}\n"))?;
    }
    Ok(())
}

/// The queue as a table, with what surrounds it.
pub(crate) async fn text(installation: &Installation, limit: usize) -> anyhow::Result<String> {
    let items = pages(installation, limit).await?;
    let total = installation.store.queue_count(&installation.office).await?;
    let mut table = Table::new(vec![
        ("reference", Side::Left),
        ("address", Side::Left),
        ("source", Side::Left),
        ("measured", Side::Right),
        ("recorded", Side::Right),
        ("difference", Side::Right),
        ("% of recorded, 95 % interval", Side::Right),
        ("value, estimate", Side::Right),
        ("what to look at", Side::Left),
    ]);
    for pair in items.iter().flat_map(|item| &item.pairs) {
        table.row(cells(pair));
    }
    let mut text = format!("Areas in square feet under the source's basis.\n\n{}", table.text());
    writeln!(text, "\n{} of {total} properties in the queue. {CAUTION}", items.len())?;
    Ok(text)
}

/// Two standard deviations on either side hold 95 % of a normal error.
const COVERAGE: f64 = 1.96;

fn cells(pair: &PairView) -> Vec<String> {
    let square_feet =
        |area: Option<crossfoot_audit::area::Area>| area.map(|a| a.to_square_feet(0)).unwrap_or_default();
    let percent = |ppm: f64| format!("{:+.1}", ppm / 1e4);
    let interval =
        pair.variance_ppm.zip(pair.sigma_sqft).zip(pair.difference).map(|((ppm, sigma), difference)| {
            let (ppm, d) = (ppm as f64, difference.to_square_feet_f64());
            let half = (COVERAGE * sigma * ppm / d).abs();
            format!(
                "{} ({} to {}){}",
                percent(ppm),
                percent(ppm - half),
                percent(ppm + half),
                denominator(pair)
            )
        });
    let effect = pair
        .effect_low
        .zip(pair.effect_high)
        .map(|(low, high)| format!("{} to {}", whole(low.cents()), whole(high.cents())));
    vec![
        pair.reference.clone(),
        pair.address.split(',').next().unwrap_or_default().to_owned(),
        pair.source.clone(),
        square_feet(pair.measured),
        square_feet(pair.recorded),
        pair.difference.map(|d| signed(&d.to_square_feet(0))).unwrap_or_default(),
        interval.unwrap_or_default(),
        effect.unwrap_or_default(),
        look_at(pair).to_owned(),
    ]
}

/// The heads say "of recorded"; a policy that takes the measured area is marked in the cell.
fn denominator(pair: &PairView) -> &'static str {
    let of = |area: Option<crossfoot_audit::area::Area>| {
        let share = pair.difference?.to_square_feet_f64() / area?.to_square_feet_f64();
        Some((share * 1e6 - pair.variance_ppm? as f64).abs())
    };
    if of(pair.measured) < of(pair.recorded) { " of measured" } else { "" }
}

fn signed(number: &str) -> String {
    if number.starts_with('-') { number.to_owned() } else { format!("+{number}") }
}

fn whole(cents: i64) -> String {
    signed(&(cents / 100).to_string())
}

fn look_at(pair: &PairView) -> &'static str {
    match (pair.kind.as_deref(), pair.difference.map(|d| d.square_micrometres().signum())) {
        (Some("no_area"), _) => "no area on record",
        (Some("recorded_vacant"), _) => "recorded as without a building",
        (_, Some(1)) => "house larger than recorded",
        (_, Some(-1)) => "house smaller than recorded",
        _ => "",
    }
}
