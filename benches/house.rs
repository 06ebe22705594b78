//! The measured houses: drawn beside the record of their parcel, written for both sides.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::Path;

use crate::chance::Chance;
use crate::record::{Hyphens, Record};
use crate::tally::{Measured, difference_tenths};

/// A measured house, before it has its number.
pub(crate) struct House {
    parcel: String,
    address: String,
    pub(crate) measured: Measured,
}

/// A house as drawn, and whether its parcel number is on no roll.
pub(crate) struct Drawn {
    pub(crate) house: House,
    pub(crate) elsewhere: bool,
}

impl House {
    /// The house on the parcel of `record`; `nightly` is what the next edition has of it. Of a doubled parcel nothing
    /// is measured: the house gets a number that is on no roll, as a few others do.
    pub(crate) fn draw(seed: u64, record: &Record, nightly: Option<&Record>, doubled: bool) -> Drawn {
        let mut chance = Chance::of_row(seed, 7, record.key);
        let elsewhere = doubled || chance.in_100_000(1_500);
        let key = if elsewhere { record.key - 2 } else { record.key };
        let mut situs = record.situs.clone();
        if elsewhere {
            situs.suffix = "PATH";
        }
        let digits = format!("{key:010}");
        let parcel = match chance.below(3) {
            0 => digits,
            1 => Hyphens(key).to_string(),
            _ => Hyphens(key).to_string().replace('-', " "),
        };
        let mut measured = measure(record, &mut chance);
        // 1.96 standard deviations to the last tenth would be decided by "more than" or "at least": not here.
        while [Some(record), nightly].into_iter().flatten().any(|record| on_the_line(&measured, record)) {
            measured.area_tenths += 1;
        }
        Drawn { house: House { parcel, address: situs.address(), measured }, elsewhere }
    }
}

fn on_the_line(measured: &Measured, record: &Record) -> bool {
    100 * difference_tenths(measured, record).abs() == 196 * measured.sigma_tenths
}

/// Most houses are what the record says, within a percent; some are not, and of some one cannot be sure.
fn measure(record: &Record, chance: &mut Chance) -> Measured {
    let tenths = 10 * record.living as i64;
    let (off_per_mille, sigma_per_mille) = match chance.below(100) {
        0..70 => (chance.below(11), chance.between(4, 12)),
        70..78 => (chance.between(20, 60), chance.between(4, 12)),
        78..90 => (chance.between(60, 400), chance.between(4, 12)),
        _ => (chance.between(50, 150), chance.between(50, 90)),
    };
    let off = tenths * off_per_mille as i64 / 1_000 + chance.below(10) as i64;
    let signed = if chance.below(2) == 0 { off } else { -off };
    Measured { area_tenths: tenths + signed, sigma_tenths: (tenths * sigma_per_mille as i64 / 1_000).max(5) }
}

/// Writes the houses twice, in an order that has nothing to do with the roll's.
pub(crate) fn write_houses(out: &Path, seed: u64, houses: &mut [House]) -> io::Result<()> {
    let mut chance = Chance::of_row(seed, 8, 0);
    for n in (1..houses.len()).rev() {
        let other = usize::try_from(chance.below(n as u64 + 1)).unwrap_or(n);
        houses.swap(n, other);
    }
    let mut peer = BufWriter::new(File::create(out.join("measured.csv"))?);
    let mut ours = BufWriter::new(File::create(out.join("houses.csv"))?);
    writeln!(peer, "house_id,parcel,address,measured_area,sigma")?;
    writeln!(ours, "reference,parcel,address,measured_on,common_relative_sd,area_sqft,sd_sqft")?;
    for (n, House { parcel, address, measured }) in houses.iter().enumerate() {
        let (area, sigma) = (Tenths(measured.area_tenths), Tenths(measured.sigma_tenths));
        writeln!(peer, "H{:07},{parcel},\"{address}\",{area},{sigma}", n + 1)?;
        writeln!(ours, "H{:07},{parcel},\"{address}\",2026-{:02}-15,0,{area},{sigma}", n + 1, 1 + n % 6)?;
    }
    peer.flush()?;
    ours.flush()
}

struct Tenths(i64);

impl std::fmt::Display for Tenths {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}.{}", self.0 / 10, self.0 % 10)
    }
}
