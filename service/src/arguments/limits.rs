//! What `crossfoot edition limits` is told.

use clap::Args;

/// Options of `edition limits`; what is not given stays.
#[derive(Debug, Args)]
pub(crate) struct EditionLimits {
    /// The source.
    pub(crate) source: String,
    /// Hold an edition when more than so many percent of the records are gone.
    #[arg(long, value_name = "PERCENT")]
    pub(crate) shrink: Option<f64>,
    /// Hold it when the median area moves by more than so many percent.
    #[arg(long, value_name = "PERCENT")]
    pub(crate) median: Option<f64>,
    /// Hold it when the areas of more than so many percent of the records change alike; half of a class is held anyway.
    #[arg(long, value_name = "PERCENT")]
    pub(crate) alike: Option<f64>,
    /// Fewer records than this that change alike hold nothing.
    #[arg(long, value_name = "N")]
    pub(crate) alike_records: Option<i64>,
    /// Hold it when more than so many columns that are not read appear or are gone.
    #[arg(long, value_name = "N")]
    pub(crate) columns: Option<i64>,
    /// An edition is expected every so many days; 0 expects none.
    #[arg(long, value_name = "DAYS")]
    pub(crate) every: Option<i64>,
    /// It is overdue after so many days more.
    #[arg(long, value_name = "DAYS")]
    pub(crate) tolerance: Option<i64>,
    /// Fold changes into the base when there are more of them than so many percent of the records.
    #[arg(long, value_name = "PERCENT")]
    pub(crate) fold: Option<f64>,
}
