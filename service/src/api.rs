//! The API under `/v1`: a file per resource. Handlers hold guards and calls only; the store holds the SQL.

mod batch;
pub(crate) mod checks;
pub(crate) mod compare;
mod definitions;
pub(crate) mod editions;
pub(crate) mod exports;
pub(crate) mod findings;
pub(crate) mod identifier_rules;
pub(crate) mod jurisdictions;
mod keys;
mod life;
pub(crate) mod look;
pub(crate) mod measurements;
mod office;
pub(crate) mod operator;
pub(crate) mod packets;
pub(crate) mod plans;
mod properties;
pub(crate) mod quarantine;
mod readings;
pub(crate) mod report;
mod roll_check;
mod schedules;
pub(crate) mod sets;
mod sources;
pub(crate) mod views;

use utoipa_axum::router::OpenApiRouter;

use crate::http::App;

/// All routes below `/v1`.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .merge(measurements::router())
        .merge(checks::router())
        .merge(plans::router())
        .merge(readings::router())
        .merge(properties::router())
        .merge(findings::router())
        .merge(packets::router())
        .merge(exports::router())
        .merge(sources::router())
        .merge(editions::router())
        .merge(quarantine::router())
        .merge(compare::router())
        .merge(identifier_rules::router())
        .merge(jurisdictions::router())
        .merge(life::router())
        .merge(sets::router())
        .merge(roll_check::router())
        .merge(office::router())
        .merge(report::router())
        .merge(schedules::router())
        .merge(keys::router())
        .merge(definitions::router())
        .merge(look::router())
}
