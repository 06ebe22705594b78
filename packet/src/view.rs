//! What the document says, in words and figures: the packet's data as the page shows them.
//!
//! The template places these texts and does no arithmetic.

use crossfoot_audit::area::{Area, AreaSum};
use crossfoot_audit::judge::Kind;
use crossfoot_audit::judge::compare::Denominator;
use crossfoot_audit::judge::explain::probability;
use crossfoot_audit::standard::WallFace;
use serde::Serialize;
use serde_json::Value;

use crate::caution::CAUTIONS;
use crate::data::PacketData;
use crate::glyph::Showing;

mod mark;
mod parts;
mod plans;
mod wording;

use mark::Mark;
use parts::Parts;
use plans::PlanView;
pub(crate) use plans::files as plan_files;
pub(crate) use wording::{grouped, mended_words, result};
use wording::{measured_words, rule_words, spaced};

/// A row of a table.
pub(crate) type Row<const N: usize> = [String; N];

/// Everything that the template shows.
#[derive(Serialize)]
struct View {
    title: String,
    address: String,
    office: String,
    /// Year, month and day.
    dated: [u32; 3],
    dated_text: String,
    result: String,
    sentence_end: String,
    mark: Mark,
    /// What, figure, in words.
    figures: Vec<Row<3>>,
    parts: Parts,
    plans: Vec<PlanView>,
    /// What, how, result.
    steps: Vec<Row<3>>,
    record_facts: Vec<Row<2>>,
    /// What the row is: as published, or mended by the office.
    record_words: RecordWords,
    /// Column, as published.
    record_fields: Vec<Row<2>>,
    match_facts: Vec<Row<2>>,
    measurement_facts: Vec<Row<2>>,
    policy_facts: Vec<Row<2>>,
    /// When, what, state, why.
    history: Vec<Row<4>>,
    cautions: Vec<String>,
    data_sha256: String,
    engine: String,
}

/// How the row of the record is spoken of.
#[derive(Serialize)]
struct RecordWords {
    title: &'static str,
    column: &'static str,
    /// What a reader must know before the row, or empty.
    note: String,
}

impl RecordWords {
    fn new(data: &PacketData) -> RecordWords {
        let Some(mended) = &data.record.mended else {
            return RecordWords {
                title: "The record as published",
                column: "As published",
                note: String::new(),
            };
        };
        RecordWords {
            title: "The record, with a row that was mended",
            column: "As mended",
            note: mended_words(mended),
        }
    }
}

/// The view of data that have been checked, whose `finding.json` has the hash `data_sha256`, in characters that the
/// fonts can show.
pub(crate) fn view(
    data: &PacketData,
    data_sha256: &str,
    showing: &mut Showing<'_>,
) -> Result<Vec<u8>, serde_json::Error> {
    let mut view = serde_json::to_value(View::new(data, data_sha256))?;
    show(&mut view, showing);
    if let Some(fields) = view.as_object_mut() {
        fields.insert("replaced".to_owned(), Value::Bool(showing.replaced()));
    }
    serde_json::to_vec(&view)
}

/// Every text of the view, so that none can be forgotten.
fn show(value: &mut Value, showing: &mut Showing<'_>) {
    match value {
        Value::String(text) => *text = showing.text(text),
        Value::Array(list) => list.iter_mut().for_each(|value| show(value, showing)),
        Value::Object(map) => map.values_mut().for_each(|value| show(value, showing)),
        Value::Null | Value::Bool(_) | Value::Number(_) => {}
    }
}

impl View {
    fn new(data: &PacketData, data_sha256: &str) -> View {
        let steps = data.explanation.iter();
        let fields = data.record.fields.iter();
        let events = data.history.iter().map(|event| {
            let why = event.why.clone().unwrap_or_default();
            [event.at.clone(), spaced(&event.what), spaced(&event.state), why]
        });
        View {
            title: format!("{} against {}", data.property.reference, data.source.title),
            address: data.property.address.clone(),
            office: data.office.clone(),
            dated: dated(data.dated()),
            dated_text: data.dated().to_owned(),
            result: capitalised(&result(data)),
            sentence_end: sentence_end(data),
            mark: Mark::new(data),
            figures: figures(data),
            parts: Parts::new(data),
            plans: plans::views(&plans::plans(data)),
            steps: steps.map(|step| [step.what.clone(), step.how.clone(), step.result.clone()]).collect(),
            record_facts: known(record_facts(data)),
            record_words: RecordWords::new(data),
            record_fields: fields.map(|field| [field.header.clone(), field.value.clone()]).collect(),
            match_facts: known(match_facts(data)),
            measurement_facts: known(measurement_facts(data)),
            policy_facts: policy_facts(data),
            history: events.collect(),
            cautions: CAUTIONS.iter().map(|caution| (*caution).to_owned()).collect(),
            data_sha256: data_sha256.to_owned(),
            engine: data.engine.clone(),
        }
    }
}

fn dated(text: &str) -> [u32; 3] {
    let mut parts = text.split('-').map(|part| part.parse().unwrap_or(1));
    [parts.next().unwrap_or(1), parts.next().unwrap_or(1), parts.next().unwrap_or(1)]
}

fn capitalised(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or(String::new(), |first| first.to_uppercase().chain(chars).collect())
}

/// Where the finding stands, as a sentence.
fn sentence_end(data: &PacketData) -> String {
    let state = data.finding.state.name();
    match &data.finding.closing {
        Some(closing) => format!("The finding is {state}: {}.", spaced(closing)),
        None => format!("The finding is {state}."),
    }
}

/// An area as the document shows it: tenths of a square foot, thousands apart.
fn shown(text: &str) -> String {
    Area::parse_square_feet(text).map_or_else(|_| text.to_owned(), |area| grouped(&area.to_square_feet(1)))
}

fn signed(text: String) -> String {
    if text.starts_with('-') || text.bytes().all(|byte| matches!(byte, b'0' | b'.')) {
        text.replace('-', "\u{2212}")
    } else {
        format!("+{text}")
    }
}

fn rounded(text: &str, decimals: usize) -> String {
    text.parse::<f64>().map_or_else(|_| text.to_owned(), |figure| format!("{figure:.decimals$}"))
}

fn share(data: &PacketData) -> [String; 3] {
    let c = &data.comparison;
    let row = |what: &str, figure: String, words: String| [what.to_owned(), figure, words];
    let Some(ppm) = c.variance_ppm else {
        let words = "95 % interval of the measured area".to_owned();
        return row("Interval, sq ft", mark::interval_signed(data), words);
    };
    let of = match c.denominator {
        Denominator::Recorded => "recorded",
        Denominator::Measured => "measured",
    };
    let words = format!("of the {of} area; 95 % interval {}", mark::interval_signed(data));
    row("Variance, %", signed(mark::percent(ppm)), words)
}

fn figures(data: &PacketData) -> Vec<Row<3>> {
    let c = &data.comparison;
    let row = |what: &str, figure: String, words: String| [what.to_owned(), figure, words];
    let on_record = match (data.finding.kind, &c.recorded_sqft) {
        (Kind::Variance, Some(recorded)) => row(
            "Recorded area, sq ft",
            shown(recorded),
            format!("{}, edition {}", data.source.title, data.source.edition),
        ),
        (Kind::RecordedVacant, _) => row(
            "Recorded area, sq ft",
            "none".to_owned(),
            "the record says that there is no building".to_owned(),
        ),
        (Kind::NoArea | Kind::Variance, _) => {
            row("Recorded area, sq ft", "none".to_owned(), "the record has no area".to_owned())
        }
    };
    let mut rows = vec![
        row("Measured area, sq ft", shown(&c.measured_sqft), measured_words(data)),
        on_record,
        row("Difference, sq ft", signed(shown(&c.difference_sqft)), "measured less recorded".to_owned()),
    ];
    rows.push(share(data));
    rows.push(row(
        "Standard deviation, sq ft",
        rounded(&c.sigma_sqft, 2),
        format!(
            "of the difference: {} from measuring, {} from the rounding of the record",
            rounded(&c.sigma_measured_sqft, 2),
            rounded(&c.sigma_recorded_sqft, 2)
        ),
    ));
    rows.push(row(
        "Difference in standard deviations",
        signed(rounded(&c.z, 2)),
        "difference over its standard deviation".to_owned(),
    ));
    rows.push(row(
        "Threshold, sq ft",
        shown(&c.threshold_sqft),
        format!(
            "from which on the policy holds a difference to matter; beyond it in truth with probability {}",
            probability(c.exceedance_ppm)
        ),
    ));
    if let Some(effect) = &data.effect {
        rows.push(row(
            "Change of recorded value, estimate",
            format!("{} to {}", signed(grouped(&effect.low)), signed(grouped(&effect.high))),
            effect.assumption.clone(),
        ));
    }
    rows
}

type Facts = Vec<(&'static str, String)>;

/// Facts that are known, as rows.
fn known(facts: Facts) -> Vec<Row<2>> {
    let known = facts.into_iter().filter(|(_, value)| !value.is_empty());
    known.map(|(what, value)| [what.to_owned(), value]).collect()
}

fn record_facts(data: &PacketData) -> Facts {
    let (source, record) = (&data.source, &data.record);
    let file = &source.file;
    let end = file.byte_start.saturating_add(file.byte_length);
    vec![
        ("Source", source.title.clone()),
        ("Publisher", source.publisher.clone()),
        ("Published", source.citation.clone()),
        ("Jurisdiction", source.jurisdiction.clone()),
        ("Basis of its area", source.basis.clone()),
        ("Roll year", source.roll_year.clone()),
        ("Status", spaced(&source.status)),
        ("Edition", source.edition.to_string()),
        ("Parcel number", format!("{} (compared as {})", record.parcel, record.parcel_key)),
        ("Situs address", record.situs.clone()),
        ("Area, sq ft", record.area_sqft.as_deref().map_or_else(|| "none".to_owned(), grouped)),
        ("Value", record.value.as_deref().map_or_else(|| "none".to_owned(), grouped)),
        ("Year built", record.year_built.clone()),
        ("Class", record.class.clone()),
        ("File", file.name.clone()),
        (
            "Place in the file",
            format!("line {}, bytes {} to {}", file.line, file.byte_start, end.saturating_sub(1)),
        ),
        ("SHA-256 of the file", file.sha256.clone()),
        ("SHA-256 of the row", record.row_sha256.clone()),
    ]
}

fn match_facts(data: &PacketData) -> Facts {
    let matched = &data.matched;
    vec![
        ("Brought together by", matched.how.clone()),
        ("Match", spaced(&matched.state)),
        ("Parcel, measured house", data.property.parcel.clone()),
        ("Parcel, record", data.record.parcel.clone()),
        ("Address, measured house", matched.measured_address.clone()),
        ("Address, record", matched.recorded_address.clone()),
    ]
}

fn measurement_facts(data: &PacketData) -> Facts {
    let (measurement, standard) = (&data.measurement, &data.standard);
    let face = match standard.measured_to {
        WallFace::Outside => "the outer face of the outer wall",
        WallFace::Inside => "the inner face of the outer wall",
    };
    vec![
        ("Property", data.property.reference.clone()),
        ("Jurisdiction", data.property.jurisdiction.clone()),
        ("Measured on", measurement.measured_on.clone()),
        ("Version of the measurement", measurement.version.to_string()),
        ("May be used for", measurement.permitted_use.clone()),
        ("SHA-256 of the measurement", measurement.sha256.clone()),
        (
            "Definition of floor area",
            format!("{}, edition {} ({})", standard.title, standard.edition, standard.id),
        ),
        ("Published by", standard.publisher.clone()),
        ("Read in", standard.source.clone()),
        ("Measured to", face.to_owned()),
    ]
}

fn policy_facts(data: &PacketData) -> Vec<Row<2>> {
    let policy = &data.policy;
    let mut rows = known(vec![
        ("Policy", policy.name.clone()),
        ("Version", policy.version.to_string()),
        ("Rule that decided", format!("number {}", policy.rule_number)),
    ]);
    let rule = serde_json::from_str::<serde_json::Map<String, Value>>(&policy.rule).unwrap_or_default();
    rows.extend(rule.iter().map(|(key, value)| {
        let value = value.as_str().map_or_else(|| value.to_string(), spaced);
        [rule_words(key), value]
    }));
    rows
}

/// The sum of the counted parts, `None` where it does not fit.
pub(crate) fn counted_sum(data: &PacketData) -> Option<Area> {
    use crossfoot_audit::standard::CountingVerdict;
    let counted = data.statement.lines.iter().filter(|line| line.verdict == CountingVerdict::Counted);
    let mut sum = AreaSum::default();
    for line in counted {
        sum.add(Area::parse_square_feet(&line.area_sqft).ok()?);
    }
    sum.to_area()
}
