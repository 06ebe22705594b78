//! How fast field notes become areas: invented houses of 30 readings each, adjusted and area-stated.
//!
//! ```text
//! measure-houses --houses 100000 --threads 2 --seed 1
//! measure-houses --houses 3000 --threads 1 --seed 1 --out houses.jsonl
//! ```
//!
//! Houses are drawn before the clock starts. The clock covers, for each house, `work_up` (readings checked and
//! combined, adjustment, tests, corners), its parts on their levels, and the statement of their areas under
//! `--standards` definitions (one where not said): every part with its rule, the total, its spread by origin. The
//! answer's sums are over whole numbers: they must be the same for any number of threads, and nothing can be left
//! undone. `--wrong` and `--feet` say how many houses have a wrong reading, and by how much; none is refused.
//! `--out` writes the houses with the areas of three sums of outlines, a line of JSON each, for
//! `peer_adjust.py`.
#![expect(clippy::print_stdout, reason = "the last line is the answer")]
#![expect(clippy::print_stderr, reason = "a wrong command line is told to the person at the terminal")]

mod chance;
mod field_house;

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;
use std::time::Instant;

use crossfoot_audit::area::Area;
use crossfoot_audit::drawing::{Dimensions, Drawing, Edge, EdgeKind};
use crossfoot_audit::house::{Building, BuildingKind, Grade, House, Level, Part, PartUse};
use crossfoot_audit::measure::area_spread::{AreaSpread, Share};
use crossfoot_audit::measure::field_notes::FieldNotes;
use crossfoot_audit::measure::{WorkedUp, work_up};
use crossfoot_audit::standard::Standard;
use field_house::{Blunders, GARAGE, LEVEL_1, LEVEL_2, READINGS, draw};
use serde_json::{Value, json};

/// Houses that a thread takes at a time: threads that others slow down take fewer.
const BLOCK: usize = 256;
const STATEMENTS: [&[Share]; 3] = [&LEVEL_1, &LEVEL_2, &GARAGE];
const USAGE: &str = "usage: measure-houses --houses N --threads N --seed N [--standards N] \
                     [--wrong OF_100000] [--feet N] [--out FILE]";

struct Options {
    houses: u64,
    threads: u64,
    seed: u64,
    standards: u64,
    blunders: Blunders,
    out: Option<PathBuf>,
}

impl Options {
    fn from_arguments(mut arguments: impl Iterator<Item = String>) -> Result<Options, String> {
        let mut options = Options {
            houses: 100_000,
            threads: 2,
            seed: 1,
            standards: 1,
            blunders: Blunders { of_100_000: 2_000, feet: 1.0 },
            out: None,
        };
        while let Some(name) = arguments.next() {
            let value = arguments.next().ok_or_else(|| format!("{name} wants a value"))?;
            let number =
                || value.parse::<u64>().map_err(|_| format!("{name} wants a whole number, not {value}"));
            match name.as_str() {
                "--houses" => options.houses = number()?,
                "--threads" => options.threads = number()?.clamp(1, 1024),
                "--seed" => options.seed = number()?,
                "--standards" => options.standards = number()?,
                "--wrong" => options.blunders.of_100_000 = number()?,
                "--feet" => {
                    options.blunders.feet = value.parse().map_err(|_| format!("{value} is no number"))?
                }
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
    let houses: Vec<FieldNotes> =
        (0..options.houses).map(|n| draw(options.seed, n, options.blunders)).collect();
    let mut standards = Standard::built_in().map_err(|error| error.to_string())?;
    standards.truncate(usize::try_from(options.standards).unwrap_or(usize::MAX).max(1));
    let begun = Instant::now();
    let sums = measured(&houses, &standards, options.threads)?;
    let seconds = begun.elapsed().as_secs_f64();
    if let Some(out) = &options.out {
        write(out, &houses)?;
    }
    Ok(json!({
        "houses": sums.houses,
        "readings": sums.houses * READINGS as u64,
        "threads": options.threads,
        "standards": standards.len(),
        "seconds": seconds,
        "processor_seconds": sums.processor_ns as f64 / 1e9,
        "houses_per_second": sums.houses as f64 / seconds,
        "area_um2": sums.area.to_string(),
        "sd_millionths_sqft": sums.sd.to_string(),
        "suspected": sums.suspected,
    }))
}

/// All houses, by threads that take blocks of them.
fn measured(houses: &[FieldNotes], standards: &[Standard], threads: u64) -> Result<Sums, String> {
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
                sums.add(&classified(notes, standards)?);
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

/// The work that is measured.
fn classified(notes: &FieldNotes, standards: &[Standard]) -> Result<Sums, String> {
    let worked = work_up(notes).map_err(|problems| format!("{problems:?}"))?;
    let suspected = u64::from(!worked.suspicions.is_empty());
    let house = house(worked).ok_or("an area does not fit")?;
    let mut sums = Sums { houses: 1, suspected, ..Sums::default() };
    for standard in standards {
        let statement = standard.state(&house);
        sums.area += i128::from(statement.total.square_micrometres());
        sums.sd += (statement.spread.variance().sqrt() * 1e6).round() as i128;
    }
    Ok(sums)
}

/// The parts on their levels, as the document layer makes them.
fn house(worked: WorkedUp) -> Option<House> {
    let edge = |outline: usize, side: usize| match (outline, side) {
        // the garage shares its first side with the house; the opening has no walls
        (3, 0) => EdgeKind::Partition,
        (2, _) => EdgeKind::Open,
        (_, _) => EdgeKind::OuterWall,
    };
    let edges = worked.outlines.iter().enumerate().map(|(at, outline)| {
        let sides = 0..outline.polygon.corners.len();
        sides.map(|side| Edge { kind: edge(at, side), ..Edge::default() }).collect()
    });
    let area = |outline: usize| worked.outlines.get(outline)?.polygon.area();
    let treads = Area::from_whole_square_feet(28)?;
    let part = |part_use, shares: &[Share], area: Area| Part {
        shares: shares.to_vec(),
        ..Part::stated(part_use, area)
    };
    let opening = [Share { outline: 2, weight: 1.0 }];
    let lower = vec![part(PartUse::Living, &LEVEL_1, area(0)?), part(PartUse::Garage, &GARAGE, area(3)?)];
    let upper = vec![
        part(PartUse::Living, &LEVEL_2, area(1)?.checked_sub(area(2)?)?),
        part(PartUse::Stair, &[], treads),
        part(PartUse::Opening, &opening, area(2)?.checked_sub(treads)?),
    ];
    let levels = vec![Level::stated(1, Grade::Above, lower), Level::stated(2, Grade::Above, upper)];
    let building = Building { name: "house".to_owned(), kind: BuildingKind::Main, levels };
    let edges = edges.collect();
    let drawing = Drawing { worked, edges, dimensions: Dimensions::FeetInches, north_degrees: None };
    Some(House { buildings: vec![building], drawing: Some(Arc::new(drawing)), ..House::default() })
}

/// The areas of three sums of outlines, for the peer.
fn areas_of(notes: &FieldNotes) -> Result<Vec<AreaSpread>, String> {
    let worked = work_up(notes).map_err(|problems| format!("{problems:?}"))?;
    let areas: Option<Vec<_>> = STATEMENTS.iter().map(|shares| worked.area(shares)).collect();
    areas.ok_or_else(|| "an area does not fit".to_owned())
}

fn write(out: &Path, houses: &[FieldNotes]) -> Result<(), String> {
    let failed = |error: io::Error| format!("cannot write to {}: {error}", out.display());
    let mut file = BufWriter::new(File::create(out).map_err(failed)?);
    for notes in houses {
        let areas = areas_of(notes)?;
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
