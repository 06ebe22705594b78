//! What keeping an original costs: receiving it, packing it, and reading rows of it at random places, packed and as
//! received.
//!
//!     target/release/keep-originals FILE LAYOUT [READS] [FOLDER]

#![expect(clippy::print_stdout, reason = "the figures are what it is for")]

use std::error::Error;
use std::path::{Path, PathBuf};
use std::time::Instant;

use crossfoot_roll::layout::Layout;
use crossfoot_store::job::JobKind;
use crossfoot_store::object::ObjectSettings;
use crossfoot_store::source::{EditionArrival, EditionNotes};
use crossfoot_store::{Store, StoreSettings};

/// Bytes of a row that is read.
const ROW_BYTES: u64 = 100;
const LEASE_SECONDS: i64 = 3600;

#[tokio::main]
async fn main() -> Result<(), Box<dyn Error>> {
    let given: Vec<String> = std::env::args().skip(1).collect();
    let [file, layout, rest @ ..] = &given[..] else {
        return Err("give the file and its layout: keep-originals FILE LAYOUT [READS] [FOLDER]".into());
    };
    let reads: u64 = rest.first().map_or(Ok(10_000), |reads| reads.parse())?;
    let own = tempfile::tempdir()?;
    let data = rest.get(1).map_or_else(|| own.path().to_owned(), PathBuf::from);
    let layout = Layout::from_toml(&std::fs::read_to_string(layout)?)?;
    let settings = StoreSettings { database_url: String::new(), data, objects: ObjectSettings::default() };
    let store = Store::open(&settings).await?;
    measure(&store, Path::new(file), &layout, reads).await
}

async fn measure(store: &Store, file: &Path, layout: &Layout, reads: u64) -> Result<(), Box<dyn Error>> {
    let begun = Instant::now();
    let kept = store.object_keep(file).await?;
    println!("received  {} bytes in {:.2} s", kept.bytes, begun.elapsed().as_secs_f64());
    rows(store, &kept.object_key, kept.bytes, reads, "as received").await?;
    let source = store.source_ensure(&layout.id, layout).await?;
    let files = std::slice::from_ref(&kept);
    let arrival = store.edition_stage(&source, layout, files, &EditionNotes::default()).await?;
    let EditionArrival::Staged { edition, job } = arrival else { return Err("it is here already".into()) };
    // the edition need not be loaded for its original to be packed
    let claim = store.job_claim(LEASE_SECONDS, Some(&job)).await?.ok_or("no job")?;
    store.edition_refuse(&claim, source.number, edition, "measured only").await?;
    let claim = store.job_claim(LEASE_SECONDS, None).await?.ok_or("no job")?;
    if claim.kind != JobKind::Keep {
        return Err("another job was in the way: give a folder of its own".into());
    }
    let begun = Instant::now();
    store.original_keep(&claim, &kept, |_| {}).await?;
    let seconds = begun.elapsed().as_secs_f64();
    let packed = store.original_list(Some(source.number)).await?.pop().ok_or("no original")?;
    println!("packed    {} bytes in {seconds:.2} s, read back and checked", packed.kept_bytes);
    rows(store, &packed.file.object_key, kept.bytes, reads, "packed").await
}

/// Reads rows at random places.
async fn rows(store: &Store, key: &str, bytes: i64, reads: u64, how: &str) -> Result<(), Box<dyn Error>> {
    let last = u64::try_from(bytes)?.checked_sub(ROW_BYTES).ok_or("the file is too short")?;
    // a full cycle of 64 bits (the multiplier of MMIX, by Knuth); its upper half chooses
    let mut place = 1u64;
    let begun = Instant::now();
    for _ in 0..reads {
        place = place.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        store.object_range(key, (place >> 16) % (last + 1), ROW_BYTES).await?;
    }
    println!("rows      {:.0} a second, {how}", reads as f64 / begun.elapsed().as_secs_f64());
    Ok(())
}
