//! The command line.

mod incoming;
mod limits;

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};
use crossfoot_worker::settings::Flags;

pub(crate) use incoming::{
    BeginSet, CompleteSet, Decide, Edition, Import, ImportAgain, ImportHouses, ImportMend, ImportRoll,
    ImportWhat, LookHow, PutIntoSet, Set, Status,
};
pub(crate) use limits::EditionLimits;

/// Finds the measured houses of an office whose public record is wrong enough to matter, and says on what evidence.
///
/// A first session: `crossfoot demo` shows the whole way on an invented county. Then, with files of your own:
/// `crossfoot import houses houses.json`, `crossfoot import roll roll.csv --layout layout.toml`,
/// `crossfoot reconcile`, `crossfoot queue`.
///
/// Exit codes: 0 done, 1 failed, 2 wrong command line or settings, 3 input refused (nothing taken in), 4 part of the
/// input set aside, 5 held for a person.
///
/// Not a survey, an appraisal, or tax or legal advice. A corrected record can raise the tax as well as lower it.
#[derive(Debug, Parser)]
#[command(name = "crossfoot", version, max_term_width = 100)]
pub(crate) struct Arguments {
    /// A file of settings; crossfoot.toml in this folder if not named.
    #[arg(long, global = true, value_name = "FILE")]
    pub(crate) config: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) flags: Flags,
    #[command(subcommand)]
    pub(crate) command: Command,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Shows the main job on an invented county: forty houses, two sources that disagree, a queue; then serves the
    /// pages on this machine.
    Demo(Demo),
    /// Takes in a published roll or measured houses, or looks at a file first. The same file again changes nothing.
    Import(Import),
    /// Works one measured house up from its readings: whether it balances, its areas by any definition and how far
    /// they can be off, its plans. Keeps nothing; needs no database.
    Measure(Measure),
    /// Judges everything that stands to be judged and opens and closes findings.
    Reconcile(Reconcile),
    /// Serves the API and the pages; on the embedded database it runs the jobs too.
    Serve(Serve),
    /// Lists the properties with open findings, the largest estimated effect first.
    Queue(Queue),
    /// Holds one source against another, parcel by parcel, without a measurement.
    Compare(Compare),
    /// What jurisdictions say about a year: dates, rates, caps and deadlines, each value with its source.
    #[command(subcommand)]
    Jurisdiction(Jurisdiction),
    /// Explains in numbers how one property was judged against each source.
    Explain(Explain),
    /// What becomes of a source's editions: held ones accepted or given up, the newest withdrawn, limits, history.
    #[command(subcommand)]
    Edition(Edition),
    /// Files that make one edition together and come one by one: begun, put in, completed.
    #[command(subcommand)]
    Set(Set),
    /// Writes findings, judgements, quarantined rows or changes as CSV or NDJSON.
    Export(Export),
    /// Writes the evidence packet of a property: one zip file for each source with a finding.
    Packet(Packet),
    /// Checks evidence packets: every byte accounted for, every figure computed again. Needs no database.
    Verify(Verify),
    /// Shows or sets what the office holds to be material.
    #[command(subcommand)]
    Policy(Policy),
    /// Lists the definitions of floor area, shows one with its citations, or adds one of the office's own.
    Standards(Standards),
    /// Lists the layouts of published rolls that come with the program, or prints one to be copied.
    Layouts(Layouts),
    /// What is done by itself, and when: nightly runs, folders from which published files are taken.
    #[command(subcommand)]
    Schedule(Schedule),
    /// Files that are taken from their publisher's address, by themselves or on demand.
    #[command(subcommand)]
    Fetch(Fetch),
    /// Tells what happened in a night: editions, findings opened and closed, failures with their reason.
    Report(Report),
    /// The files as they were received: how they are kept, and their bytes back.
    #[command(subcommand)]
    Originals(Originals),
    /// Makes and lists the keys by which programs and people come in.
    #[command(subcommand)]
    Key(Key),
    /// Prints the settings in force and where they come from.
    Config,
    /// Writes or checks the generated files of schemas/ (for contributors).
    Schema(Schema),
}

/// Options of `demo`.
#[derive(Debug, Args)]
pub(crate) struct Demo {
    /// Folder that the demonstration keeps its data in; running it again changes nothing.
    #[arg(long, default_value = "crossfoot-demo", value_name = "FOLDER")]
    pub(crate) folder: PathBuf,
    /// End when the queue is printed, instead of serving the pages.
    #[arg(long)]
    pub(crate) no_serve: bool,
}

impl Demo {
    /// The demonstration has a folder and an office of its own.
    pub(crate) fn settle(&self, flags: &mut Flags) {
        flags.data.get_or_insert_with(|| self.folder.clone());
        flags.office.get_or_insert_with(|| "demonstration".to_owned());
    }
}

/// Options of `layouts`.
#[derive(Debug, Args)]
pub(crate) struct Layouts {
    /// The layout to print as TOML; all of them in a table if not named.
    #[arg(value_name = "ID")]
    pub(crate) id: Option<String>,
    /// One JSON object a layout.
    #[arg(long)]
    pub(crate) json: bool,
}

/// Options of `compare`.
#[derive(Debug, Args)]
pub(crate) struct Compare {
    /// The first source.
    #[arg(value_name = "SOURCE")]
    pub(crate) source: String,
    /// The second one.
    #[arg(value_name = "OTHER")]
    pub(crate) other: String,
    /// What is compared.
    #[arg(long, value_enum, default_value_t = CompareField::Area)]
    pub(crate) field: CompareField,
    /// From what difference on figures differ: square feet, years, or an amount. If not said, areas differ beyond what
    /// the rounding of both sources explains, the others at all.
    #[arg(long, value_name = "N")]
    pub(crate) at_least: Option<f64>,
    /// Which records are listed.
    #[arg(long, value_enum, default_value_t = CompareList::Differing)]
    pub(crate) list: CompareList,
    /// How many records are listed.
    #[arg(long, default_value_t = 50, value_name = "N")]
    pub(crate) limit: usize,
    /// Write all records of the list in this form instead of counts and a table.
    #[arg(long, value_enum)]
    pub(crate) format: Option<Form>,
    /// Where to; standard output if not named.
    #[arg(long, value_name = "FILE", requires = "format")]
    pub(crate) out: Option<PathBuf>,
    /// The counts as one JSON object.
    #[arg(long, conflicts_with = "format")]
    pub(crate) json: bool,
}

/// What is compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum CompareField {
    /// The recorded area.
    Area,
    /// The recorded value.
    Value,
    /// The year built.
    Year,
    /// The class of use, as text.
    Class,
}

/// Which records are listed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum CompareList {
    /// Both have the parcel, and their figures differ.
    Differing,
    /// Both have the parcel, and only one has a figure.
    OneSided,
    /// Only the first source has the parcel.
    OnlyInSource,
    /// Only the second source has it.
    OnlyInOther,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Jurisdiction {
    /// Enters years: TOML, JSON, or CSV with one value a row. A year that is known gets a new version beside the old.
    Import {
        /// The files; all are read before anything of them is kept.
        #[arg(required = true, value_name = "FILE")]
        files: Vec<PathBuf>,
    },
    /// Shows what is known.
    Show {
        /// Only of this jurisdiction.
        #[arg(value_name = "NAME")]
        jurisdiction: Option<String>,
        /// Only of this year.
        #[arg(long, value_name = "YEAR")]
        year: Option<i64>,
        /// Every version of the year, the newest first.
        #[arg(long, requires = "year", requires = "jurisdiction")]
        history: bool,
        /// JSON, one version a line.
        #[arg(long)]
        json: bool,
    },
    /// Enters the rule by which a jurisdiction's parcel numbers become keys, for all its sources whose layouts say rule =
    /// "jurisdiction". It is tried on their records first and refused where it makes one key of two parcels.
    Rule {
        /// The rule: TOML or JSON.
        #[arg(value_name = "FILE")]
        file: PathBuf,
    },
    /// Shows the rules for parcel numbers.
    Rules {
        /// Only of this jurisdiction.
        #[arg(value_name = "NAME")]
        jurisdiction: Option<String>,
        /// Every version, the newest first.
        #[arg(long, requires = "jurisdiction")]
        history: bool,
        /// JSON, one version a line.
        #[arg(long)]
        json: bool,
    },
}

/// Options of `measure`.
#[derive(Debug, Args)]
pub(crate) struct Measure {
    /// The house: a JSON document, or CSV with one wall a row; - is standard input.
    #[arg(value_name = "FILE")]
    pub(crate) file: PathBuf,
    /// Which house, where the file holds several.
    #[arg(long, value_name = "NAME")]
    pub(crate) reference: Option<String>,
    /// State the areas by this definition; may be given again for another one. The first one built in if not named.
    #[arg(long = "standard", value_name = "ID")]
    pub(crate) standards: Vec<String>,
    /// Compare the totals by all definitions.
    #[arg(long)]
    pub(crate) all: bool,
    /// Write a plan of each level that was drawn into this folder (SVG), hatched by the first definition.
    #[arg(long, value_name = "FOLDER")]
    pub(crate) plan: Option<PathBuf>,
    /// One JSON object instead of text; it has walls and readings after the adjustment too.
    #[arg(long)]
    pub(crate) json: bool,
}

/// Options of `reconcile`.
#[derive(Debug, Args)]
pub(crate) struct Reconcile {
    /// Only this source.
    #[arg(long, value_name = "NAME")]
    pub(crate) source: Option<String>,
    /// Let a run that is held pass.
    #[arg(long)]
    pub(crate) release: bool,
}

/// Options of `serve`.
#[derive(Debug, Args)]
pub(crate) struct Serve {
    /// Address to listen on.
    #[arg(long, default_value = "127.0.0.1", value_name = "ADDRESS")]
    pub(crate) address: std::net::Ipv4Addr,
    /// Port; the next one that is free is taken, 0 takes any.
    #[arg(long, default_value_t = 8080, value_name = "PORT")]
    pub(crate) port: u16,
    /// Run no jobs here, although the database is the embedded one, or do although it is a server.
    #[arg(long, value_enum, default_value_t = JobsHere::Auto)]
    pub(crate) jobs: JobsHere,
    /// Let the session's cookie travel over plain http too, for a machine of your own.
    #[arg(long)]
    pub(crate) plain_http: bool,
    /// Bytes of a roll or a file of houses that is sent, at the most.
    #[arg(long, default_value_t = 8 * 1024 * 1024 * 1024, value_name = "BYTES")]
    pub(crate) upload_bytes: usize,
    /// Bytes of any other request body, at the most.
    #[arg(long, default_value_t = 2 * 1024 * 1024, value_name = "BYTES")]
    pub(crate) body_bytes: usize,
    /// Requests a minute of one key, or of one address without a key, at the most.
    #[arg(long, default_value_t = 6000, value_name = "N")]
    pub(crate) requests_a_minute: u32,
    /// An upload of which nothing comes for so many seconds is given up.
    #[arg(long, default_value_t = 30, value_name = "SECONDS")]
    pub(crate) idle_seconds: u64,
    /// A request that is no upload is given up when it is not answered within so many seconds.
    #[arg(long, default_value_t = 30, value_name = "SECONDS", value_parser = clap::value_parser!(u64).range(1..))]
    pub(crate) answer_seconds: u64,
    /// After the signal to stop, still answer for so many seconds, /readyz with 503, so that a proxy turns elsewhere.
    #[arg(long, default_value_t = 1, value_name = "SECONDS")]
    pub(crate) leave_seconds: u64,
}

/// Whether the service runs jobs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum JobsHere {
    /// On the embedded database yes, on a server no.
    Auto,
    /// Yes.
    Yes,
    /// No.
    No,
}

/// Options of `queue`.
#[derive(Debug, Args)]
pub(crate) struct Queue {
    /// How many properties; 0 for all.
    #[arg(long, default_value_t = 50, value_name = "N")]
    pub(crate) limit: usize,
    /// One JSON object a line instead of the table.
    #[arg(long)]
    pub(crate) json: bool,
}

/// Options of `explain`.
#[derive(Debug, Args)]
pub(crate) struct Explain {
    /// The office's reference of the property.
    pub(crate) reference: String,
    /// JSON instead of text.
    #[arg(long)]
    pub(crate) json: bool,
}

/// Options of `packet`.
#[derive(Debug, Args)]
pub(crate) struct Packet {
    /// The office's reference of the property.
    pub(crate) reference: String,
    /// Only against this source.
    #[arg(long, value_name = "NAME")]
    pub(crate) source: Option<String>,
    /// Folder that the packets are written to.
    #[arg(long, default_value = ".", value_name = "FOLDER")]
    pub(crate) out: PathBuf,
    /// The document alone (PDF) instead of the packet.
    #[arg(long)]
    pub(crate) document: bool,
}

/// Options of `verify`.
#[derive(Debug, Args)]
pub(crate) struct Verify {
    /// Evidence packets.
    #[arg(required = true, value_name = "FILE")]
    pub(crate) files: Vec<PathBuf>,
}

/// Options of `export`.
#[derive(Debug, Args)]
pub(crate) struct Export {
    /// What to write.
    #[arg(value_enum)]
    pub(crate) what: ExportWhat,
    /// In which form.
    #[arg(long, value_enum, default_value_t = Form::Csv)]
    pub(crate) format: Form,
    /// Where to; standard output if not named.
    #[arg(long, value_name = "FILE")]
    pub(crate) out: Option<PathBuf>,
    /// Of this source only; needed for rejects and changes.
    #[arg(long, value_name = "NAME")]
    pub(crate) source: Option<String>,
    /// Rejects or changes of this edition; of the one in use if not named.
    #[arg(long, value_name = "N")]
    pub(crate) edition: Option<i64>,
    /// Rejects counted by reason and column, with the first row of each.
    #[arg(long, conflicts_with = "to_mend")]
    pub(crate) summary: bool,
    /// Rejects in the form of their own file, with a last column that says why: mend them in place and hand them in
    /// with `import mend`. Columns that the layout does not read are masked.
    #[arg(long)]
    pub(crate) to_mend: bool,
    /// With --to-mend: rows byte for byte as published, which may hold names.
    #[arg(long, requires = "to_mend")]
    pub(crate) whole: bool,
    /// With --to-mend: only this file of the edition, from 1.
    #[arg(long, value_name = "N", requires = "to_mend")]
    pub(crate) file: Option<usize>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum ExportWhat {
    /// Pairs with a finding, whatever its state.
    Findings,
    /// Every pair that was judged, matched or not.
    Judgements,
    /// Everything that the records of judged pairs say, one value a row: figures, further columns, buildings, land and so
    /// on, each with its column, file and lines.
    Records,
    /// Quarantined rows of a source's current edition.
    Rejects,
    /// What an edition changed against the one before: records that appeared, changed, field by field, or are gone.
    Changes,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Form {
    /// RFC 4180; cells that a spreadsheet would compute get a leading apostrophe.
    Csv,
    /// One JSON object a line; nothing is altered.
    Ndjson,
}

/// Options of `standards`.
#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub(crate) struct Standards {
    #[command(subcommand)]
    pub(crate) what: Option<StandardsWhat>,
    /// The standard to show with its rules, citations and cautions.
    #[arg(value_name = "ID")]
    pub(crate) id: Option<String>,
    /// JSON instead of text: one object a line, or the whole definition of one.
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Debug, Subcommand)]
pub(crate) enum StandardsWhat {
    /// Keeps a definition of the office's own. The same id again makes a new version beside the old ones, and what
    /// is judged by it is then to be judged again.
    Add {
        /// The definition (TOML), of the shape of schemas/standard.schema.json.
        file: PathBuf,
    },
}

#[derive(Debug, Subcommand)]
pub(crate) enum Policy {
    /// Prints the policy in force.
    Show,
    /// Puts a policy in force; everything is then to be judged again.
    Set {
        /// The policy (TOML).
        file: PathBuf,
    },
}

#[derive(Debug, Subcommand)]
pub(crate) enum Key {
    /// Makes a key and prints it once.
    Create {
        /// What it allows.
        #[arg(long, value_parser = ["upload", "review", "consult", "administer", "batch", "operator"])]
        role: String,
        /// What it is for, in your words.
        #[arg(long, default_value = "")]
        label: String,
    },
    /// Lists the keys of the office, without the keys themselves.
    List,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Fetch {
    /// Says from where a source is fetched; said again, it is as said last.
    Add(AddFetch),
    /// Fetches a source and loads what came.
    Now {
        /// The source's name.
        source: String,
    },
    /// Lists what is fetched, and what last came of it.
    List,
    /// Fetches a source no more.
    Remove {
        /// The source's name.
        source: String,
    },
}

/// Options of `fetch add`.
#[derive(Debug, Args)]
pub(crate) struct AddFetch {
    /// The source that the file is an edition of; the layout's id if not named.
    #[arg(long, value_name = "NAME")]
    pub(crate) source: Option<String>,
    /// The layout by which it is read (TOML); it is kept with the address.
    #[arg(long, value_name = "FILE")]
    pub(crate) layout: PathBuf,
    /// Where it is published. The operator allows hosts in fetch_hosts.
    #[arg(long, value_name = "URL")]
    pub(crate) url: String,
    /// Where its SHA-256 is published (SHA-1 and MD5 are taken too, and told as weak).
    #[arg(long, value_name = "URL")]
    pub(crate) checksum_url: Option<String>,
    /// Bytes that it may have at the most.
    #[arg(long, default_value_t = 8 * 1024 * 1024 * 1024, value_name = "BYTES", value_parser = clap::value_parser!(i64).range(1..))]
    pub(crate) bytes: i64,
    /// When: minute, hour, day, month, day of the week; on demand only if not said.
    #[arg(long, value_name = "EXPRESSION")]
    pub(crate) cron: Option<String>,
    /// The time zone that it is meant in, as the IANA database names it.
    #[arg(long, default_value = "UTC", value_name = "ZONE")]
    pub(crate) time_zone: String,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Originals {
    /// Lists the kept originals, what they take, and whether they are packed.
    List {
        /// Of this source only.
        #[arg(long, value_name = "NAME")]
        source: Option<String>,
    },
    /// Packs now what is still kept as received; `serve` and workers do it by themselves.
    Pack {
        /// Of this source only.
        #[arg(long, value_name = "NAME")]
        source: Option<String>,
    },
    /// Writes an original as it was received.
    Get(GetOriginal),
}

/// Options of `originals get`.
#[derive(Debug, Args)]
pub(crate) struct GetOriginal {
    /// The source's name.
    pub(crate) source: String,
    /// The edition's number.
    pub(crate) edition: i64,
    /// The file, where the edition has several.
    #[arg(long, value_name = "FILE")]
    pub(crate) name: Option<String>,
    /// Where to; a file that is there is not written over.
    #[arg(long, value_name = "FILE")]
    pub(crate) out: PathBuf,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Schedule {
    /// Adds a schedule.
    #[command(subcommand)]
    Add(AddSchedule),
    /// Lists the schedules, the next first, with what last came of them.
    List,
    /// Removes a schedule.
    Remove {
        /// Its id, as the list shows it.
        id: String,
    },
}

#[derive(Debug, Subcommand)]
pub(crate) enum AddSchedule {
    /// Reconciles the office with every source, or with one.
    Reconcile(AddReconcile),
    /// Takes files from a folder as editions of a source.
    DropFolder(AddDropFolder),
}

/// When something is due.
#[derive(Debug, Args)]
pub(crate) struct When {
    /// Minute, hour, day, month, day of the week: "30 2 * * *" is every day at 02:30. A sixth field before them counts
    /// seconds.
    #[arg(long, value_name = "EXPRESSION")]
    pub(crate) cron: String,
    /// The time zone that it is meant in, as the IANA database names it.
    #[arg(long, default_value = "UTC", value_name = "ZONE")]
    pub(crate) time_zone: String,
}

/// Options of `schedule add reconcile`.
#[derive(Debug, Args)]
pub(crate) struct AddReconcile {
    /// With this source only; with all that have an edition if not named.
    #[arg(long, value_name = "NAME")]
    pub(crate) source: Option<String>,
    #[command(flatten)]
    pub(crate) when: When,
}

/// Options of `schedule add drop-folder`.
#[derive(Debug, Args)]
pub(crate) struct AddDropFolder {
    /// The source that the files are editions of; the layout's id if not named.
    #[arg(long, value_name = "NAME")]
    pub(crate) source: Option<String>,
    /// The layout by which they are read (TOML); it is kept with the schedule.
    #[arg(long, value_name = "FILE")]
    pub(crate) layout: PathBuf,
    /// The folder, which every machine with a worker sees under this name.
    #[arg(long, value_name = "FOLDER")]
    pub(crate) folder: PathBuf,
    #[command(flatten)]
    pub(crate) when: When,
}

/// Options of `report`.
#[derive(Debug, Args)]
pub(crate) struct Report {
    /// Everything since this moment, such as 2026-11-25T02:00:00Z.
    #[arg(long, value_name = "TIME", conflicts_with = "last")]
    pub(crate) since: Option<String>,
    /// The last night: from eight hours before the newest nightly run of the office. This is meant if nothing is said.
    #[arg(long)]
    pub(crate) last: bool,
    /// JSON instead of text.
    #[arg(long)]
    pub(crate) json: bool,
}

/// Options of `schema`.
#[derive(Debug, Args)]
pub(crate) struct Schema {
    /// Compare with the files instead of writing them; exit code 3 when they differ.
    #[arg(long)]
    pub(crate) check: bool,
    /// The folder.
    #[arg(long, default_value = "schemas", value_name = "FOLDER")]
    pub(crate) folder: PathBuf,
}
