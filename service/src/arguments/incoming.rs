//! What comes in: rolls and houses, files gathered to a set, and what becomes of editions.

use std::path::PathBuf;

use clap::{Args, Subcommand, ValueEnum};

use super::limits::EditionLimits;

/// Options of `import`.
#[derive(Debug, Args)]
#[command(arg_required_else_help = true)]
pub(crate) struct Import {
    #[command(subcommand)]
    pub(crate) what: Option<ImportWhat>,
    /// The same as `import look FILE`: says what a file is, and stores nothing.
    #[arg(long, value_name = "FILE")]
    pub(crate) look: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) how: LookHow,
}

#[derive(Debug, Subcommand)]
pub(crate) enum ImportWhat {
    /// A public record: one CSV file (or several that make one edition), read by a layout.
    Roll(ImportRoll),
    /// The kept files of the edition in use again, by a mended layout: they make a new edition.
    Again(ImportAgain),
    /// Measured houses: a JSON array, NDJSON, or CSV with one part of a house, or one wall, a row.
    Houses(ImportHouses),
    /// Says what a file is before anything is stored: encoding, delimiter, columns and what they hold, which known
    /// layout fits, a layout for it with reasons, and what would be quarantined.
    Look(ImportLook),
    /// Mended rows of an edition's quarantine, as `export rejects --to-mend` wrote them. They become an edition on top;
    /// what it does not name stays as it is.
    Mend(ImportMend),
}

/// Options of `import look`.
#[derive(Debug, Args)]
pub(crate) struct ImportLook {
    /// The file as it was downloaded; - is standard input.
    #[arg(value_name = "FILE")]
    pub(crate) file: PathBuf,
    #[command(flatten)]
    pub(crate) how: LookHow,
}

/// How a file is looked at.
#[derive(Debug, Args)]
pub(crate) struct LookHow {
    /// A layout to try beside those that the installation knows; may be given again.
    #[arg(long = "layout", value_name = "FILE")]
    pub(crate) layouts: Vec<PathBuf>,
    /// Read the whole file, not only its beginning.
    #[arg(long)]
    pub(crate) whole: bool,
    /// One JSON object instead of text.
    #[arg(long)]
    pub(crate) json: bool,
    /// Write the proposed layout to this file, which must not be there yet.
    #[arg(long, value_name = "FILE")]
    pub(crate) propose: Option<PathBuf>,
}

/// Options of `import roll`.
#[derive(Debug, Args)]
pub(crate) struct ImportRoll {
    /// The published files of one edition.
    #[arg(required = true, value_name = "FILE")]
    pub(crate) files: Vec<PathBuf>,
    /// The layout that says which column means what: a TOML file, or the id of one that comes with the program.
    #[arg(long, value_name = "FILE|ID")]
    pub(crate) layout: PathBuf,
    /// The source that it is an edition of; the layout's id if not named.
    #[arg(long, value_name = "NAME", value_parser = clap::builder::NonEmptyStringValueParser::new())]
    pub(crate) source: Option<String>,
    /// The year of the roll.
    #[arg(long, value_name = "YEAR")]
    pub(crate) roll_year: Option<i32>,
    /// How final the roll is.
    #[arg(long, value_enum, default_value_t = Status::NotStated)]
    pub(crate) status: Status,
    /// Only keep the files and record the job; a worker loads it.
    #[arg(long)]
    pub(crate) detach: bool,
    /// Leave keeping the files to a worker. They are read where they lie, and must stay there until they are kept.
    #[arg(long, conflicts_with = "detach")]
    pub(crate) keep_later: bool,
    /// End with exit code 4 when any row is quarantined.
    #[arg(long)]
    pub(crate) strict: bool,
}

/// Options of `import again`.
#[derive(Debug, Args)]
pub(crate) struct ImportAgain {
    /// The source.
    #[arg(value_name = "SOURCE")]
    pub(crate) source: String,
    /// The mended layout (TOML).
    #[arg(long, value_name = "FILE")]
    pub(crate) layout: PathBuf,
    /// Only record the job; a worker loads it.
    #[arg(long)]
    pub(crate) detach: bool,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Edition {
    /// Lists the editions of a source, the oldest first.
    List {
        /// The source.
        source: String,
    },
    /// Tells what came of an edition, and what its files say about themselves: spread, rounding, damaged numbers, sums
    /// that fail, double rows, changes of definition.
    Show {
        /// The source.
        source: String,
        /// The edition's number.
        edition: i64,
    },
    /// Puts a held edition in use.
    Accept(Decide),
    /// Gives a held edition up; nothing of it is kept but its files.
    Refuse(Decide),
    /// Takes the newest edition out of use; the one before it is in use again.
    Withdraw(Decide),
    /// Shows or sets what editions may change before a person is asked, and when they are expected.
    Limits(EditionLimits),
    /// Folds the changes of editions that can no longer be withdrawn into the base.
    Compact {
        /// The source.
        source: String,
    },
    /// Shows every version of the record of a parcel.
    History {
        /// The source.
        source: String,
        /// The parcel number as published, or its key.
        parcel: String,
    },
}

/// A decision about an edition.
#[derive(Debug, Args)]
pub(crate) struct Decide {
    /// The source.
    pub(crate) source: String,
    /// The edition's number.
    pub(crate) edition: i64,
    /// Why; kept with the edition.
    #[arg(long, default_value = "", value_name = "TEXT")]
    pub(crate) reason: String,
}

/// How final a roll is.
#[derive(Debug, Clone, Copy, ValueEnum)]
pub(crate) enum Status {
    /// Before notices and appeals.
    Preliminary,
    /// Certified.
    Certified,
    /// Corrected after certification.
    Corrected,
    /// The publisher does not say.
    NotStated,
}

/// Options of `import houses`.
#[derive(Debug, Args)]
pub(crate) struct ImportHouses {
    /// Files of measured houses.
    #[arg(required = true, value_name = "FILE")]
    pub(crate) files: Vec<PathBuf>,
    /// Write the houses that were set aside here, one JSON object a line, with what is wrong.
    #[arg(long, value_name = "FILE")]
    pub(crate) set_aside: Option<PathBuf>,
}

/// Options of `import mend`.
#[derive(Debug, Args)]
pub(crate) struct ImportMend {
    /// The mended rows with their header; the column of reasons is left out when they are read.
    #[arg(value_name = "FILE")]
    pub(crate) file: PathBuf,
    /// The source.
    #[arg(long, value_name = "NAME")]
    pub(crate) source: String,
    /// The edition whose rows they are; the one in use if not named.
    #[arg(long, value_name = "N")]
    pub(crate) edition: Option<i64>,
    /// Who mended them, as that person is to be named in packets.
    #[arg(long, value_name = "NAME")]
    pub(crate) by: String,
    /// Why they read as they do.
    #[arg(long, value_name = "TEXT")]
    pub(crate) reason: String,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Set {
    /// Lists the sets of a source that are gathering, with what is missing.
    List {
        /// The source.
        source: String,
    },
    /// Begins to gather the files of one edition, which may come one by one.
    Begin(BeginSet),
    /// Puts a file into a set. The same bytes again change nothing; other bytes take their place.
    Put(PutIntoSet),
    /// Makes an edition of a set whose files are all here, and loads it.
    Complete(CompleteSet),
    /// Gives a set up: it gathers no more.
    GiveUp {
        /// The source.
        source: String,
        /// The set's number.
        set: i64,
    },
}

/// Options of `set begin`.
#[derive(Debug, Args)]
pub(crate) struct BeginSet {
    /// The source.
    pub(crate) source: String,
    /// The names of the files that make the set complete.
    #[arg(required = true, value_name = "NAME")]
    pub(crate) files: Vec<String>,
    /// The layout of a source that is new, or another one for its next editions: a TOML file, or the id of one that comes
    /// with the program.
    #[arg(long, value_name = "FILE|ID")]
    pub(crate) layout: Option<PathBuf>,
    /// Its files may be of different days.
    #[arg(long)]
    pub(crate) mixed: bool,
    /// The year of the roll.
    #[arg(long, value_name = "YEAR", value_parser = clap::value_parser!(i32).range(1500..=2200))]
    pub(crate) roll_year: Option<i32>,
    /// How final the roll is.
    #[arg(long, value_enum, default_value_t = Status::NotStated)]
    pub(crate) status: Status,
}

/// Options of `set put`.
#[derive(Debug, Args)]
pub(crate) struct PutIntoSet {
    /// The source.
    pub(crate) source: String,
    /// The set's number.
    pub(crate) set: i64,
    /// The file as published.
    #[arg(value_name = "FILE")]
    pub(crate) file: PathBuf,
    /// The name that the set expects it under, where the file has another one.
    #[arg(long, value_name = "NAME")]
    pub(crate) name: Option<String>,
    /// The day that its figures are of, such as 2026-01-01. Files of one set are of one day, unless it was begun as mixed.
    #[arg(long, value_name = "DAY")]
    pub(crate) as_of: Option<String>,
}

/// Options of `set complete`.
#[derive(Debug, Args)]
pub(crate) struct CompleteSet {
    /// The source.
    pub(crate) source: String,
    /// The set's number.
    pub(crate) set: i64,
    /// Only record the job; a worker loads it.
    #[arg(long)]
    pub(crate) detach: bool,
}
