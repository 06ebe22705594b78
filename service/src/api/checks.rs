//! What field notes say once they are worked up: balance, walls, readings after the adjustment, and sentences.

use axum::Json;
use axum::extract::State;
use crossfoot_audit::document::{Measurement, Problem as Fault, reread};
use crossfoot_audit::drawing::Drawing;
use crossfoot_audit::measure::observation::Verdict;
use crossfoot_audit::measure::telling::tell;
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::measurements::READERS;
use crate::http::App;
use crate::http::access::Who;
use crate::http::extract::P;
use crate::http::problem::Problem;

/// The routes.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(get_checks))
}

/// What the field notes of a measurement say.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Checks {
    /// What is worth a look, though nothing is refused for it.
    remarks: Vec<Remark>,
    /// The field notes worked up; null where areas were stated and no wall was read.
    field_notes: Option<WorkedNotes>,
}

/// Something worth a look.
#[derive(Debug, Serialize, ToSchema)]
struct Remark {
    /// JSON pointer of the place in the document.
    pointer: String,
    /// What was found.
    detail: String,
    /// What to do about it.
    mend: String,
}

/// Field notes worked up.
#[derive(Debug, Serialize, ToSchema)]
struct WorkedNotes {
    /// Whether the readings contradict each other: unchecked, accepted, noted or rejected.
    test: &'static str,
    /// Probability of at least this much contradiction by errors of reading alone.
    test_probability: f64,
    /// Independent checks.
    degrees_of_freedom: usize,
    /// The outlines, as they closed before the adjustment.
    outlines: Vec<OutlineCheck>,
    /// The walls after it.
    walls: Vec<WallCheck>,
    /// Each reading and each held direction after it.
    observations: Vec<ObservationCheck>,
    /// All of it in sentences.
    sentences: Vec<Sentence>,
}

/// How an outline closed.
#[derive(Debug, Serialize, ToSchema)]
struct OutlineCheck {
    /// Its name.
    name: String,
    /// East less west in feet; null where nothing checks it.
    east_ft: Option<f64>,
    /// North less south in feet; null where nothing checks it.
    north_ft: Option<f64>,
    /// Perimeter over gap; null where there is no gap.
    ratio: Option<f64>,
    /// Whether the gap is within what its readings allow.
    balances: bool,
    /// Area within the adjusted outline.
    area_sqft: Option<f64>,
}

/// A wall after the adjustment.
#[derive(Debug, Serialize, ToSchema)]
struct WallCheck {
    /// Its name.
    name: String,
    /// Its length in feet.
    length_ft: f64,
    /// The same as the notes write theirs.
    length: String,
    /// Standard deviation in feet, scale errors left out.
    sigma_ft: f64,
    /// How far it turned from its stated direction, counter-clockwise; null for run and rise.
    turned_degrees: Option<f64>,
    /// Whether it was not read and follows from the others.
    derived: bool,
}

/// A reading or a held direction after the adjustment; feet, or degrees for a direction.
#[derive(Debug, Serialize, ToSchema)]
struct ObservationCheck {
    /// What was observed, such as `length of front`.
    what: String,
    /// Which reading of it, from 1; null for a direction.
    reading: Option<usize>,
    /// As observed.
    observed: f64,
    /// Adjusted less observed.
    residual: f64,
    /// Residual over its standard deviation; null where nothing checks it.
    standardised: Option<f64>,
    /// Share of an error that shows, 0 to 1.
    redundancy: f64,
    /// The smallest error that would be found at the level 0.001 with a probability of 0.80.
    smallest_blunder: Option<f64>,
}

/// One thing that the notes say.
#[derive(Debug, Serialize, ToSchema)]
struct Sentence {
    /// balance, test, derived, unchecked, disagreement, suspicion, advice or hint.
    kind: &'static str,
    /// The sentence.
    text: String,
}

impl Checks {
    /// The checks of a measurement.
    pub(crate) fn of(measurement: &Measurement) -> Checks {
        let remark = |fault: &Fault| Remark {
            pointer: fault.pointer.clone(),
            detail: fault.detail.clone(),
            mend: fault.mend.clone(),
        };
        Checks {
            remarks: measurement.remarks.iter().map(remark).collect(),
            field_notes: measurement.house.drawing.as_deref().map(WorkedNotes::of),
        }
    }
}

impl WorkedNotes {
    fn of(drawing: &Drawing) -> WorkedNotes {
        let worked = &drawing.worked;
        let outlines = worked.outlines.iter().map(|outline| OutlineCheck {
            name: outline.name.clone(),
            east_ft: outline.misclosure.east.map(|gap| gap.to_feet_f64()),
            north_ft: outline.misclosure.north.map(|gap| gap.to_feet_f64()),
            ratio: outline.misclosure.ratio(),
            balances: !outline.misclosure.is_poor(),
            area_sqft: outline.polygon.area().map(|area| area.to_square_feet_f64()),
        });
        let walls = worked.walls.iter().map(|wall| WallCheck {
            name: wall.name.clone(),
            length_ft: wall.length.to_feet_f64(),
            length: drawing.dimensions.adjusted(wall.length),
            sigma_ft: wall.sd_ft,
            turned_degrees: wall.turned_degrees,
            derived: wall.is_derived,
        });
        let observations = worked.observations.iter().map(|one| ObservationCheck {
            what: worked.describe(one.source),
            reading: one.reading.map(|reading| reading + 1),
            observed: one.observed,
            residual: one.residual,
            standardised: one.standardised,
            redundancy: one.redundancy,
            smallest_blunder: one.smallest_blunder,
        });
        let sentences = tell(worked, drawing.dimensions);
        let sentences =
            sentences.into_iter().map(|told| Sentence { kind: told.kind.name(), text: told.text });
        WorkedNotes {
            test: match worked.test.verdict {
                Verdict::Unchecked => "unchecked",
                Verdict::Accepted => "accepted",
                Verdict::Noted => "noted",
                Verdict::Rejected => "rejected",
            },
            test_probability: worked.test.probability,
            degrees_of_freedom: worked.test.degrees_of_freedom,
            outlines: outlines.collect(),
            walls: walls.collect(),
            observations: observations.collect(),
            sentences: sentences.collect(),
        }
    }
}

/// What the field notes of a measurement say: whether they balance, every wall and reading after the adjustment, what
/// does not fit, and which further reading would tell.
#[utoipa::path(get, path = "/measurements/{property}/{version}/checks", tag = "measurements",
    params(("property" = String, Path, description = "The property's id"), ("version" = i64, Path, description = "The version")),
    security(("key" = ["upload", "review", "consult", "administer"])),
    responses((status = 200, description = "The checks", body = Checks)))]
pub(crate) async fn get_checks(
    State(app): State<App>,
    who: Who,
    P((property, version)): P<(String, i64)>,
) -> Result<Json<Checks>, Problem> {
    let office = who.office(&READERS)?;
    let document = app.store.measurement_document(office, &property, version).await?;
    let measurement = reread(&document)
        .map_err(|problems| Problem::invalid(problems.into_iter().map(Into::into).collect()))?;
    Ok(Json(Checks::of(&measurement)))
}
