//! Makes the files of the benchmark: a large invented roll with faults, the next edition of it, measured houses, and
//! the figures that must come out.
//!
//! ```text
//! make-roll --rows 1000000 --houses 200000 --seed 1 --out DIR
//! ```
//!
//! `roll.csv` has 44 columns, about 258 bytes a row and `--rows` data rows, 1.5 % of which cannot be used: no area, an
//! area of zero, text in a number, a column too few or too many, and parcels that stand there twice with another area,
//! next to each other or at the end of the file. Sixty of a hundred rows hold commas in quotes. A few rows without an
//! area come again in order at the end of the file, and those are good: a rejected row is no earlier row.
//! `roll_nightly.csv` is the next edition. `measured.csv` (house_id, parcel, address, measured_area, sigma) and
//! `houses.csv` (the form that crossfoot reads) hold the same houses; no measured house stands on a doubled parcel.
//! `expected.json` and `expected_nightly.json` hold counts and checksums, `layout.toml` and `policy.toml` what crossfoot
//! needs to do the same work. Rows are drawn one by one from seed and number, so memory does not grow with the roll.
#![expect(clippy::print_stdout, reason = "the last line tells the caller what was written")]
#![expect(clippy::print_stderr, reason = "a wrong command line is told to the person at the terminal")]

mod chance;
mod house;
mod record;
mod tally;

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use chance::Chance;
use house::{Drawn, House, write_houses};
use record::{Fault, HEADER, Record};
use serde_json::{Value, json};
use tally::{Changes, Tally};

/// Shares in a hundred thousand rows; together with the doubled parcels 1.5 % of the rows.
const WRONG_COLUMNS: u64 = 250;
const BLANK_AREA: u64 = 350;
const TEXT_IN_NUMBER: u64 = 300;
const ZERO_AREA: u64 = 300;
const DOUBLED_NEXT: u64 = 200;
const DOUBLED_AT_END: u64 = 90;
/// Rows without an area that come again, good, at the end of the file.
const CORRECTED_AT_END: u64 = 10;

/// What the next edition does to sound rows, in a hundred thousand; `MENDED` is of the rejected ones.
const CHANGED_MAPPED: u64 = 880;
const CHANGED_UNMAPPED: u64 = 100;
const GONE: u64 = 100;
const NEW: u64 = 100;
const MENDED: u64 = 5_000;

const LAYOUT: &str = include_str!("layout.toml");
const POLICY: &str = include_str!("policy.toml");

struct Options {
    rows: u64,
    houses: u64,
    seed: u64,
    out: PathBuf,
}

/// What the first edition has under one parcel number.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Fate {
    Sound,
    Faulty(Fault),
    DoubledNext,
    DoubledAtEnd,
    CorrectedAtEnd,
}

/// A row that comes again at the end of both editions.
struct Again {
    index: u64,
    key: u64,
    corrected: bool,
}

/// One edition while it is written.
struct Edition {
    file: BufWriter<File>,
    tally: Tally,
    line: Vec<u8>,
}

fn main() -> ExitCode {
    let options = match Options::from_arguments(std::env::args().skip(1)) {
        Ok(options) => options,
        Err(problem) => {
            eprintln!("make-roll: {problem}\nusage: make-roll --rows N --houses N --seed N --out DIR");
            return ExitCode::from(2);
        }
    };
    match make(&options) {
        Ok(summary) => {
            println!("{summary}");
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("make-roll: cannot write to {}: {error}", options.out.display());
            ExitCode::FAILURE
        }
    }
}

impl Options {
    fn from_arguments(mut arguments: impl Iterator<Item = String>) -> Result<Options, String> {
        let mut options = Options { rows: 100_000, houses: 20_000, seed: 1, out: PathBuf::new() };
        while let Some(name) = arguments.next() {
            let value = arguments.next().ok_or_else(|| format!("{name} wants a value"))?;
            let number =
                || value.parse::<u64>().map_err(|_| format!("{name} wants a whole number, not {value}"));
            match name.as_str() {
                "--rows" => options.rows = number()?,
                "--houses" => options.houses = number()?,
                "--seed" => options.seed = number()?,
                "--out" => options.out = PathBuf::from(value),
                _ => return Err(format!("{name} is no option")),
            }
        }
        if options.out.as_os_str().is_empty() {
            return Err("--out is missing".to_owned());
        }
        if options.houses == 0 || options.rows < 2 * options.houses || options.rows > 20_000_000 {
            return Err(
                "wanted are at least one house, two rows a house, and at most 20 million rows".to_owned()
            );
        }
        Ok(options)
    }
}

/// Both editions while they are written, and what is kept until their end.
struct Writer {
    first: Edition,
    nightly: Edition,
    changes: Changes,
    again: Vec<Again>,
}

fn make(options: &Options) -> io::Result<Value> {
    std::fs::create_dir_all(&options.out)?;
    let mut writer = Writer {
        first: Edition::create(&options.out.join("roll.csv"))?,
        nightly: Edition::create(&options.out.join("roll_nightly.csv"))?,
        changes: Changes::default(),
        again: Vec::new(),
    };
    let mut houses: Vec<House> = Vec::new();
    // One house in each stretch of that many rows; a little short of the end, since doubled rows are rows too.
    let stretch = (options.rows - options.rows / 100) / options.houses;
    let house_in = |n: u64| n * stretch + Chance::of_row(options.seed, 5, n).below(stretch);
    let (mut key, mut index) = (10_000_000, 0);
    while writer.rows_left(options.rows) > 0 {
        let mut chance = Chance::of_row(options.seed, 6, index);
        key += chance.between(4, 900);
        let record = Record::draw(options.seed, index, key, false);
        let fate = if writer.rows_left(options.rows) > 1 { Fate::draw(&mut chance) } else { Fate::Sound };
        if chance.in_100_000(NEW) {
            let fresh = Record::draw(options.seed, index, key - 1, true);
            writer.nightly.row(&fresh, Fault::None)?;
            writer.changes.new += 1;
        }
        let [stored, stored_nightly] = writer.parcel(index, &record, fate, &mut chance)?;
        let n = houses.len() as u64;
        if n < options.houses && index == house_in(n) {
            let doubled = !matches!(fate, Fate::Sound | Fate::Faulty(_));
            let Drawn { house, elsewhere } =
                House::draw(options.seed, &record, stored_nightly.as_ref(), doubled);
            let found = |record: Option<Record>| record.filter(|_| !elsewhere);
            writer.first.tally.house(&house.measured, found(stored).as_ref());
            writer.nightly.tally.house(&house.measured, found(stored_nightly).as_ref());
            houses.push(house);
        }
        index += 1;
    }
    writer.end_of_file(options.seed)?;
    write_houses(&options.out, options.seed, &mut houses)?;
    std::fs::write(options.out.join("layout.toml"), LAYOUT)?;
    std::fs::write(options.out.join("policy.toml"), POLICY)?;
    let (first, nightly) = (writer.first.finish()?, writer.nightly.finish()?);
    write_json(&options.out.join("expected.json"), &[first.figures()], &first)?;
    let figures = [nightly.figures(), writer.changes.figures()];
    write_json(&options.out.join("expected_nightly.json"), &figures, &nightly)?;
    summary(options)
}

impl Writer {
    /// Rows of the first edition that are still to be written, those of its end apart.
    fn rows_left(&self, rows: u64) -> u64 {
        rows.saturating_sub(self.first.tally.rows_total + self.again.len() as u64)
    }

    /// Writes a parcel into both editions; returns what each then stores of it, doubled parcels left out.
    fn parcel(
        &mut self,
        index: u64,
        record: &Record,
        fate: Fate,
        chance: &mut Chance,
    ) -> io::Result<[Option<Record>; 2]> {
        match fate {
            Fate::Sound => {
                self.first.row(record, Fault::None)?;
                let next = next_edition(record, chance, &mut self.changes);
                if let Some(next) = &next {
                    self.nightly.row(next, Fault::None)?;
                }
                return Ok([Some(record.clone()), next]);
            }
            Fate::Faulty(fault) => {
                self.first.row(record, fault)?;
                let columns_right = !matches!(fault, Fault::TooFewColumns | Fault::TooManyColumns);
                let mended = columns_right && chance.in_100_000(MENDED);
                self.nightly.row(record, if mended { Fault::None } else { fault })?;
                self.changes.mended += u64::from(mended);
                return Ok([None, mended.then(|| record.clone())]);
            }
            Fate::DoubledNext => {
                for edition in [&mut self.first, &mut self.nightly] {
                    edition.row(record, Fault::None)?;
                    edition.duplicate(&doubled(record))?;
                }
            }
            Fate::DoubledAtEnd | Fate::CorrectedAtEnd => {
                let corrected = fate == Fate::CorrectedAtEnd;
                for edition in [&mut self.first, &mut self.nightly] {
                    edition.row(record, if corrected { Fault::BlankArea } else { Fault::None })?;
                }
                self.again.push(Again { index, key: record.key, corrected });
            }
        }
        self.changes.unchanged += 1;
        Ok([None, None])
    }

    /// Writes the rows that come again.
    fn end_of_file(&mut self, seed: u64) -> io::Result<()> {
        for row in &self.again {
            let record = Record::draw(seed, row.index, row.key, false);
            for edition in [&mut self.first, &mut self.nightly] {
                if row.corrected {
                    edition.row(&record, Fault::None)?;
                } else {
                    edition.duplicate(&doubled(&record))?;
                }
            }
        }
        Ok(())
    }
}

impl Fate {
    fn draw(chance: &mut Chance) -> Fate {
        let mut at = chance.below(100_000);
        let mut falls_in = |share: u64| {
            let hit = at < share;
            at = if hit { u64::MAX } else { at - share };
            hit
        };
        if falls_in(WRONG_COLUMNS) {
            let few = chance.below(2) == 0;
            Fate::Faulty(if few { Fault::TooFewColumns } else { Fault::TooManyColumns })
        } else if falls_in(BLANK_AREA) {
            Fate::Faulty(if chance.below(4) == 0 { Fault::SpacesForArea } else { Fault::BlankArea })
        } else if falls_in(TEXT_IN_NUMBER) {
            Fate::Faulty(Fault::Text(chance.below(11)))
        } else if falls_in(ZERO_AREA) {
            Fate::Faulty(Fault::ZeroArea)
        } else if falls_in(DOUBLED_NEXT) {
            Fate::DoubledNext
        } else if falls_in(DOUBLED_AT_END) {
            Fate::DoubledAtEnd
        } else if falls_in(CORRECTED_AT_END) {
            Fate::CorrectedAtEnd
        } else {
            Fate::Sound
        }
    }
}

/// What the next edition has of a sound row: nothing, the same, or something else.
fn next_edition(record: &Record, chance: &mut Chance, changes: &mut Changes) -> Option<Record> {
    let mut next = record.clone();
    let at = chance.below(100_000);
    if at < GONE {
        changes.gone += 1;
        return None;
    }
    if at < GONE + CHANGED_UNMAPPED {
        changes.changed_unmapped_only += 1;
        next.unmapped.next();
    } else if at < GONE + CHANGED_UNMAPPED + CHANGED_MAPPED {
        changes.changed_mapped += 1;
        match chance.below(4) {
            0 => next.living += chance.between(40, 600),
            1 => next.extension = Some(("XN", chance.between(40, 700))),
            _ => next.improvement += chance.between(1, 300) * 100,
        }
    } else {
        changes.unchanged += 1;
    }
    Some(next)
}

/// The second row of a doubled parcel: another area and another value.
fn doubled(record: &Record) -> Record {
    let mut second = record.clone();
    second.living += 112;
    second.improvement += 4_100;
    second
}

impl Edition {
    fn create(path: &Path) -> io::Result<Edition> {
        let mut file = BufWriter::with_capacity(1 << 20, File::create(path)?);
        writeln!(file, "{HEADER}")?;
        Ok(Edition { file, tally: Tally::default(), line: Vec::with_capacity(512) })
    }

    fn row(&mut self, record: &Record, fault: Fault) -> io::Result<()> {
        self.tally.row(record, fault);
        self.write(record, fault)
    }

    fn duplicate(&mut self, record: &Record) -> io::Result<()> {
        self.tally.duplicate();
        self.write(record, Fault::None)
    }

    fn write(&mut self, record: &Record, fault: Fault) -> io::Result<()> {
        self.line.clear();
        record.write(fault, &mut self.line)?;
        self.file.write_all(&self.line)
    }

    fn finish(mut self) -> io::Result<Tally> {
        self.file.flush()?;
        Ok(self.tally)
    }
}

/// Writes the figures of an edition, then the effects in cents for those who keep cents.
fn write_json(path: &Path, figures: &[Value], tally: &Tally) -> io::Result<()> {
    let mut all = serde_json::Map::new();
    for part in figures {
        all.extend(part.as_object().cloned().unwrap_or_default());
    }
    all.insert("sum_queued_value_effect_cents".to_owned(), json!(tally.value_effect_cents()));
    let mut file = File::create(path)?;
    serde_json::to_writer_pretty(&mut file, &all)?;
    writeln!(file)
}

fn summary(options: &Options) -> io::Result<Value> {
    let bytes = std::fs::metadata(options.out.join("roll.csv"))?.len();
    Ok(json!({
        "rows": options.rows,
        "houses": options.houses,
        "seed": options.seed,
        "roll_bytes": bytes,
        "bytes_a_row": bytes.checked_div(options.rows),
    }))
}
