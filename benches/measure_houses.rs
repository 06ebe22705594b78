//! How fast field notes become areas: invented houses of 30 readings each, adjusted and area-stated.
//!
//! ```text
//! measure-houses --houses 100000 --threads 2 --seed 1
//! measure-houses --houses 3000 --threads 1 --seed 1 --out houses.jsonl
//! ```
//!
//! Houses are drawn before the clock starts. The clock covers, for each house, `work_up` (readings checked and
//! combined, adjustment, tests, corners) and three area statements with their standard deviations. The answer's sums
//! are over whole numbers: they must be the same for any number of threads, and nothing can be left undone. `--out`
//! writes the houses with our areas, a line of JSON each, for `peer_adjust.py`.
#![expect(clippy::print_stdout, reason = "the last line is the answer")]
#![expect(clippy::print_stderr, reason = "a wrong command line is told to the person at the terminal")]

mod chance;
mod field_house;

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;
use std::time::Instant;

use crossfoot_audit::measure::area_spread::{AreaSpread, Share};
use crossfoot_audit::measure::field_notes::FieldNotes;
use crossfoot_audit::measure::{WorkedUp, work_up};
use field_house::{GARAGE, LEVEL_1, LEVEL_2, READINGS, draw};
use serde_json::{Value, json};

/// Houses that a thread takes at a time: threads that others slow down take fewer.
const BLOCK: usize = 256;
const STATEMENTS: [&[Share]; 3] = [&LEVEL_1, &LEVEL_2, &GARAGE];
const USAGE: &str = "usage: measure-houses --houses N --threads N --seed N [--out FILE]";

struct Options {
    houses: u64,
    threads: u64,
    seed: u64,
    out: Option<PathBuf>,
}

impl Options {
    fn from_arguments(mut arguments: impl Iterator<Item = String>) -> Result<Options, String> {
        let mut options = Options { houses: 100_000, threads: 2, seed: 1, out: None };
        while let Some(name) = arguments.next() {
            let value = arguments.next().ok_or_else(|| format!("{name} wants a value"))?;
            let number =
                || value.parse::<u64>().map_err(|_| format!("{name} wants a whole number, not {value}"));
            match name.as_str() {
                "--houses" => options.houses = number()?,
                "--threads" => options.threads = number()?.clamp(1, 1024),
                "--seed" => options.seed = number()?,
                "--out" => options.out = Some(PathBuf::from(value)),
                _ => return Err(format!("{name} is no option")),
            }
        }
        Ok(options)
    }
}

/// What came out, summed in whole numbers so that the order of the houses does not matter.
#[derive(Default)]
struct Sums {
    houses: u64,
    /// Square micrometres.
    area: i128,
    /// Millionths of a square foot.
    sd: i128,
    suspected: u64,
    /// Of the threads together; none where the system does not tell.
    processor_ns: u64,
}

impl Sums {
    fn add(&mut self, other: &Sums) {
        self.houses += other.houses;
        self.area += other.area;
        self.sd += other.sd;
        self.suspected += other.suspected;
        self.processor_ns += other.processor_ns;
    }
}

/// A house worked up, with its areas.
struct Stated {
    house: WorkedUp,
    areas: Vec<AreaSpread>,
}

fn main() -> ExitCode {
    let options = match Options::from_arguments(std::env::args().skip(1)) {
        Ok(options) => options,
        Err(problem) => {
            eprintln!("measure-houses: {problem}\n{USAGE}");
            return ExitCode::from(2);
        }
    };
    match run(&options) {
        Ok(answer) => {
            println!("{answer}");
            ExitCode::SUCCESS
        }
        Err(problem) => {
            eprintln!("measure-houses: {problem}");
            ExitCode::FAILURE
        }
    }
}

fn run(options: &Options) -> Result<Value, String> {
    let houses: Vec<FieldNotes> = (0..options.houses).map(|n| draw(options.seed, n)).collect();
    let begun = Instant::now();
    let sums = measured(&houses, options.threads)?;
    let seconds = begun.elapsed().as_secs_f64();
    if let Some(out) = &options.out {
        write(out, &houses)?;
    }
    Ok(json!({
        "houses": sums.houses,
        "readings": sums.houses * READINGS as u64,
        "threads": options.threads,
        "seconds": seconds,
        "processor_seconds": sums.processor_ns as f64 / 1e9,
        "houses_per_second": sums.houses as f64 / seconds,
        "area_um2": sums.area.to_string(),
        "sd_millionths_sqft": sums.sd.to_string(),
        "suspected": sums.suspected,
    }))
}

/// All houses, by threads that take blocks of them.
fn measured(houses: &[FieldNotes], threads: u64) -> Result<Sums, String> {
    let next = AtomicUsize::new(0);
    let work = || -> Result<Sums, String> {
        let mut sums = Sums::default();
        loop {
            let from = next.fetch_add(BLOCK, Ordering::Relaxed);
            let block = houses.get(from..houses.len().min(from + BLOCK)).unwrap_or_default();
            if block.is_empty() {
                sums.processor_ns = processor_ns();
                return Ok(sums);
            }
            for notes in block {
                sums.add(&sums_of(&stated(notes)?));
            }
        }
    };
    thread::scope(|scope| {
        let threads: Vec<_> = (0..threads).map(|_| scope.spawn(work)).collect();
        let mut sums = Sums::default();
        for thread in threads {
            sums.add(&thread.join().map_err(|_| "a thread ended early".to_owned())??);
        }
        Ok(sums)
    })
}

/// Time that this thread has been on a processor: other programs on the machine do not lengthen it as they do the
/// clock's.
fn processor_ns() -> u64 {
    let told = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap_or_default();
    told.split(' ').next().and_then(|first| first.parse().ok()).unwrap_or(0)
}

/// The work that is measured. What a standard counts of these areas comes after it.
fn stated(notes: &FieldNotes) -> Result<Stated, String> {
    let house = work_up(notes).map_err(|problems| format!("{problems:?}"))?;
    let areas: Option<Vec<_>> = STATEMENTS.iter().map(|shares| house.area(shares)).collect();
    Ok(Stated { areas: areas.ok_or("an area does not fit")?, house })
}

fn sums_of(stated: &Stated) -> Sums {
    let mut sums = Sums { houses: 1, ..Sums::default() };
    for area in &stated.areas {
        sums.area += i128::from(area.area.square_micrometres());
        sums.sd += (area.sd_sqft * 1e6).round() as i128;
    }
    sums.suspected = u64::from(!stated.house.suspicions.is_empty());
    sums
}

fn write(out: &Path, houses: &[FieldNotes]) -> Result<(), String> {
    let failed = |error: io::Error| format!("cannot write to {}: {error}", out.display());
    let mut file = BufWriter::new(File::create(out).map_err(failed)?);
    for notes in houses {
        let areas = stated(notes)?.areas;
        let statement = |(shares, area): (&&[Share], &AreaSpread)| {
            let shares: Vec<_> = shares.iter().map(|share| json!([share.outline, share.weight])).collect();
            json!({
                "shares": shares,
                "area_sqft": area.area.to_square_feet_f64(),
                "readings_sd_sqft": area.readings_sd_sqft,
                "scale_sd_sqft": area.scale_sd_sqft,
            })
        };
        let areas: Vec<_> = STATEMENTS.iter().zip(&areas).map(statement).collect();
        writeln!(file, "{}", json!({ "notes": notes, "areas": areas })).map_err(failed)?;
    }
    file.flush().map_err(failed)
}
