//! The yardstick of the nightly import: the csv crate reading every row of a file into one `ByteRecord` that is used
//! again, flexible about the number of fields, and nothing else.
//!
//! ```text
//! bare-csv roll_nightly.csv
//! ```
#![expect(clippy::print_stdout, reason = "the last line is the result")]
#![expect(clippy::print_stderr, reason = "what went wrong is told to the person at the terminal")]

use std::process::ExitCode;
use std::time::Instant;

fn main() -> ExitCode {
    let Some(path) = std::env::args().nth(1) else {
        eprintln!("usage: bare-csv FILE");
        return ExitCode::from(2);
    };
    let begun = Instant::now();
    match count(&path) {
        Ok((rows, fields)) => {
            let seconds = begun.elapsed().as_secs_f64();
            println!("{{\"rows\": {rows}, \"fields\": {fields}, \"seconds\": {seconds:.3}}}");
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("bare-csv: {path}: {error}");
            ExitCode::FAILURE
        }
    }
}

fn count(path: &str) -> Result<(u64, u64), csv::Error> {
    let mut reader = csv::ReaderBuilder::new().flexible(true).from_path(path)?;
    let mut record = csv::ByteRecord::new();
    let (mut rows, mut fields) = (0, 0);
    while reader.read_byte_record(&mut record)? {
        rows += 1;
        fields += record.len() as u64;
    }
    Ok((rows, fields))
}
