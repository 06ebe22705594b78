//! Packing kept originals into frames: what is there before, after, and when it broke off in between.

use std::io::Read as _;
use std::path::PathBuf;
use std::process::{Command, Stdio};

use crossfoot_store::job::{Claim, JobKind};
use crossfoot_store::object::KeptFile;
use crossfoot_store::source::{EditionArrival, EditionNotes};
use crossfoot_store::{Store, StoreError};
use sha2::{Digest as _, Sha256};

use crate::ground::{Ground, LEASE, batch, layout, load};

on_both_databases! {
    an_edition_that_is_in_use_or_refused_is_packed_by_a_job_of_its_own,
    other_jobs_go_first,
    only_the_packed_one_is_there_afterwards_and_reads_as_received,
    any_zstd_program_unpacks_it,
    another_reader_finds_any_place_by_the_table,
    every_edition_with_the_same_bytes_is_turned_to_it,
    an_edition_staged_by_who_received_before_the_packing_reads_the_packed_one,
    the_same_bytes_again_are_not_kept_twice,
    bytes_that_went_missing_come_back_when_they_are_handed_in_again,
    what_broke_off_at_any_moment_is_finished_by_the_next_attempt,
    who_lost_the_lease_turns_nothing_and_deletes_nothing,
    an_original_that_changed_is_not_packed_and_stays,
    a_damaged_frame_is_told_and_the_others_read,
    an_empty_original_is_packed_too,
}

/// Lines of a roll, so that it packs well: a good three frames.
pub(crate) fn roll_bytes() -> Vec<u8> {
    let line = |n: u32| format!("{n:07},{} MAPLE LN,{}\n", n % 9973, n.wrapping_mul(2_654_435_761) % 4000);
    let bytes: Vec<u8> = (0..130_000).flat_map(|n| line(n).into_bytes()).collect();
    assert!((3_000_000..4_000_000).contains(&bytes.len()), "{}", bytes.len());
    bytes
}

pub(crate) async fn receive(store: &Store, bytes: &[u8]) -> KeptFile {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("roll.csv");
    std::fs::write(&path, bytes).unwrap();
    store.object_keep(&path).await.unwrap()
}

/// Receives a file as an edition of a source and puts it in use.
pub(crate) async fn take(ground: &Ground, source: &str, bytes: &[u8]) -> KeptFile {
    let kept = receive(ground, bytes).await;
    stage_and_take(ground, source, &kept).await;
    kept
}

async fn stage_and_take(ground: &Ground, source: &str, kept: &KeptFile) -> i64 {
    let layout = layout(source);
    let source = ground.source_ensure(source, &layout).await.unwrap();
    let files = std::slice::from_ref(kept);
    let arrival = ground.edition_stage(&source, &layout, files, &EditionNotes::default()).await.unwrap();
    let EditionArrival::Staged { edition, job } = arrival else { panic!("{arrival:?}") };
    let claim = ground.job_claim(LEASE, Some(&job)).await.unwrap().unwrap();
    let loaded = load(ground, &claim, &source, edition, vec![batch(&[("A", 1000)])]).await.unwrap();
    ground.edition_make_current(&claim, &source, edition, &loaded).await.unwrap();
    edition
}

async fn queued(ground: &Ground) -> Vec<String> {
    ground.rows("SELECT dedup_key FROM job WHERE state = 'queued' ORDER BY dedup_key").await
}

/// Claims the next job that packs.
async fn claim(ground: &Ground) -> Claim {
    let claim = ground.job_claim(LEASE, None).await.unwrap().unwrap();
    assert_eq!(claim.kind, JobKind::Keep);
    claim
}

/// The file of an edition as the database has it.
pub(crate) async fn file_of(store: &Store, source: &str) -> KeptFile {
    let number = store.source_by_id(source).await.unwrap().number;
    store.original_list(Some(number)).await.unwrap().remove(0).file
}

/// Does the next job that packs, as a worker would.
pub(crate) async fn pack(ground: &Ground) -> Result<(), StoreError> {
    let claim = claim(ground).await;
    let edition = ground
        .edition(claim.payload["source"].as_i64().unwrap(), claim.payload["edition"].as_i64().unwrap())
        .await
        .unwrap();
    for file in &edition.files {
        ground.original_keep(&claim, file, |_| {}).await?;
    }
    ground.job_finish(&claim).await
}

pub(crate) async fn read(store: &Store, key: &str) -> Vec<u8> {
    let mut original = store.object_open(key).await.unwrap();
    let read = tokio::task::spawn_blocking(move || {
        let mut bytes = Vec::new();
        original.read_to_end(&mut bytes).map(|_| bytes)
    });
    read.await.unwrap().unwrap()
}

fn folder(ground: &Ground) -> PathBuf {
    ground.settings.data.join("objects/originals")
}

fn names(ground: &Ground) -> Vec<String> {
    let entries = std::fs::read_dir(folder(ground)).unwrap();
    let mut names: Vec<_> = entries.map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

fn hash(bytes: &[u8]) -> String {
    hex::encode(Sha256::digest(bytes))
}

async fn an_edition_that_is_in_use_or_refused_is_packed_by_a_job_of_its_own(ground: &Ground) {
    take(ground, "roll", b"P,A\n").await;
    assert_eq!(queued(ground).await, ["keep:1:1"]);
    let (source, edition, refused) = ground.staged("roll", &layout("roll"), "another").await;
    ground.edition_refuse(&refused, source.number, edition, "no").await.unwrap();
    assert_eq!(queued(ground).await, ["keep:1:1", "keep:1:2"]);
    let asked = ground.original_keep_request(1, 1).await.unwrap();
    assert_eq!(ground.job_claim(LEASE, None).await.unwrap().unwrap().id, asked, "it is the same job");
}

async fn other_jobs_go_first(ground: &Ground) {
    take(ground, "roll", b"P,A\n").await;
    let layout = layout("roll");
    let source = ground.source("roll").await;
    let later = receive(ground, b"P,A\n1,2\n").await;
    ground.edition_stage(&source, &layout, &[later], &EditionNotes::default()).await.unwrap();
    assert_eq!(ground.job_claim(LEASE, None).await.unwrap().unwrap().kind, JobKind::Import);
    assert_eq!(ground.job_claim(LEASE, None).await.unwrap().unwrap().kind, JobKind::Keep);
}

async fn only_the_packed_one_is_there_afterwards_and_reads_as_received(ground: &Ground) {
    let bytes = roll_bytes();
    let kept = take(ground, "roll", &bytes).await;
    pack(ground).await.unwrap();
    let packed = file_of(ground, "roll").await;
    assert_eq!(packed.object_key, format!("originals/{}.zst", kept.sha256));
    assert_eq!(names(ground), [format!("{}.zst", kept.sha256)]);
    let listed = ground.original_list(None).await.unwrap().remove(0);
    let stored = std::fs::metadata(folder(ground).join(&names(ground)[0])).unwrap().len();
    assert!(listed.packed && listed.kept_bytes == stored as i64, "{listed:?}");
    assert!(stored < bytes.len() as u64 / 2, "{stored}");
    assert!(read(ground, &packed.object_key).await == bytes);
    // the name that was read a moment before leads there too
    assert!(read(ground, &kept.object_key).await == bytes);
    let ends = [(0, 1), (1_048_570, 20), (1_048_576, 1), (5, 3_000_000), (bytes.len() - 1, 1), (17, 0)];
    for (start, length) in ends {
        for key in [&packed.object_key, &kept.object_key] {
            let range = ground.object_range(key, start as u64, length as u64).await.unwrap();
            assert!(range == bytes[start..start + length], "{start}+{length}: {} bytes", range.len());
        }
    }
    for (start, length) in [(bytes.len() as u64 - 1, 2), (bytes.len() as u64, 1), (u64::MAX, 1)] {
        let beyond = ground.object_range(&packed.object_key, start, length).await;
        assert!(matches!(beyond, Err(StoreError::Object { .. })), "{start}+{length}");
    }
}

/// The zstd project's own program; the format is RFC 8878 and its "Zstandard Seekable Format".
async fn any_zstd_program_unpacks_it(ground: &Ground) {
    let bytes = roll_bytes();
    take(ground, "roll", &bytes).await;
    pack(ground).await.unwrap();
    let file = folder(ground).join(&names(ground)[0]);
    let unpacked = Command::new("zstd").args(["-dc"]).arg(&file).stderr(Stdio::inherit()).output().unwrap();
    assert!(unpacked.status.success() && unpacked.stdout == bytes);
    // it counts four frames of data, each with a checksum, and the table as one to be skipped
    let listed = Command::new("zstd").args(["-lv"]).arg(&file).output().unwrap();
    let listed = String::from_utf8(listed.stdout).unwrap();
    for words in ["# Zstandard Frames: 4", "# Skippable Frames: 1", "Check: XXH64"] {
        let plain: String = listed.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(plain.contains(words), "{words}: {listed}");
    }
}

/// `SeekableZstdFile` of PyPI's pyzstd reads the "Zstandard Seekable Format" by code of its own.
async fn another_reader_finds_any_place_by_the_table(ground: &Ground) {
    let bytes = roll_bytes();
    take(ground, "roll", &bytes).await;
    pack(ground).await.unwrap();
    let script = "import sys\nfrom pyzstd import SeekableZstdFile\n\
                  with SeekableZstdFile(sys.argv[1], 'r') as file:\n\
                  \x20   for start in map(int, sys.argv[2:]):\n\
                  \x20       file.seek(start)\n\
                  \x20       print(file.read(30).hex())\n\
                  \x20   file.seek(0, 2)\n\
                  \x20   print(file.tell())\n";
    let starts = [2_097_140, 0, 1_048_576, 3_000_000];
    let mut command = Command::new(crossfoot_testbed::python());
    command.args(["-c", script]).arg(folder(ground).join(&names(ground)[0]));
    let out = command.args(starts.map(|start| start.to_string())).output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let mut expected: Vec<String> = starts.map(|s: usize| hex::encode(&bytes[s..s + 30])).to_vec();
    expected.push(bytes.len().to_string());
    assert_eq!(String::from_utf8(out.stdout).unwrap().lines().collect::<Vec<_>>(), expected);
}

async fn every_edition_with_the_same_bytes_is_turned_to_it(ground: &Ground) {
    let bytes = b"P,A\n1,2\n";
    take(ground, "county", bytes).await;
    take(ground, "schools", bytes).await;
    take(ground, "town", b"P,A\n3,4\n").await;
    pack(ground).await.unwrap();
    let packed = format!("originals/{}.zst", hash(bytes));
    for source in ["county", "schools"] {
        assert_eq!(file_of(ground, source).await.object_key, packed);
    }
    assert!(!file_of(ground, "town").await.object_key.ends_with(".zst"));
    pack(ground).await.unwrap();
    assert_eq!(read(ground, &packed).await, bytes);
}

async fn an_edition_staged_by_who_received_before_the_packing_reads_the_packed_one(ground: &Ground) {
    let bytes = b"P,A\n1,2\n";
    take(ground, "county", bytes).await;
    let received = receive(ground, bytes).await;
    pack(ground).await.unwrap();
    stage_and_take(ground, "schools", &received).await;
    let file = file_of(ground, "schools").await;
    assert_eq!(file.object_key, format!("originals/{}.zst", hash(bytes)));
    assert_eq!(read(ground, &file.object_key).await, bytes);
    let sizes = "SELECT form || count(DISTINCT kept_bytes) FROM edition_file GROUP BY form";
    assert_eq!(ground.rows(sizes).await, ["frames1"]);
}

async fn the_same_bytes_again_are_not_kept_twice(ground: &Ground) {
    let bytes = b"P,A\n1,2\n";
    take(ground, "roll", bytes).await;
    pack(ground).await.unwrap();
    let again = receive(ground, bytes).await;
    assert_eq!(again, file_of(ground, "roll").await);
    assert_eq!(names(ground), [format!("{}.zst", hash(bytes))]);
}

async fn bytes_that_went_missing_come_back_when_they_are_handed_in_again(ground: &Ground) {
    let bytes = b"P,A\n1,2\n";
    take(ground, "roll", bytes).await;
    pack(ground).await.unwrap();
    let file = file_of(ground, "roll").await;
    std::fs::remove_file(folder(ground).join(&names(ground)[0])).unwrap();
    let Err(missing) = ground.object_open(&file.object_key).await else { panic!("it is there") };
    assert!(missing.to_string().contains(&file.object_key), "{missing}");
    receive(ground, bytes).await;
    assert_eq!(names(ground), [hash(bytes)]);
    assert_eq!(read(ground, &file.object_key).await, bytes);
    assert_eq!(ground.object_range(&file.object_key, 4, 3).await.unwrap(), b"1,2");
}

async fn what_broke_off_at_any_moment_is_finished_by_the_next_attempt(ground: &Ground) {
    let bytes = roll_bytes();
    let kept = take(ground, "roll", &bytes).await;
    let (plain, packed) =
        (folder(ground).join(&kept.sha256), folder(ground).join(format!("{}.zst", kept.sha256)));
    let claim = claim(ground).await;
    let attempt = async || {
        let file = file_of(ground, "roll").await;
        ground.original_keep(&claim, &file, |_| {}).await.unwrap();
        assert_eq!(names(ground), [format!("{}.zst", kept.sha256)]);
        assert!(read(ground, &file_of(ground, "roll").await.object_key).await == bytes);
    };
    attempt().await;
    // written, and not yet in use
    let written = std::fs::read(&packed).unwrap();
    let unswapped = format!(
        "UPDATE edition_file SET object_key = 'originals/{}', form = 'plain', kept_bytes = NULL",
        kept.sha256
    );
    std::fs::write(&plain, &bytes).unwrap();
    ground.execute(&unswapped).await.unwrap();
    attempt().await;
    assert!(std::fs::read(&packed).unwrap() == written, "what was there is used");
    // in use, and the plain one not yet deleted
    std::fs::write(&plain, &bytes).unwrap();
    attempt().await;
    // what is there under the name is something else, or half
    for other in [&b"not a frame"[..], &written[..written.len() / 2], &[]] {
        std::fs::write(&plain, &bytes).unwrap();
        std::fs::write(&packed, other).unwrap();
        ground.execute(&unswapped).await.unwrap();
        attempt().await;
    }
}

async fn who_lost_the_lease_turns_nothing_and_deletes_nothing(ground: &Ground) {
    let bytes = roll_bytes();
    let kept = take(ground, "roll", &bytes).await;
    let claim = claim(ground).await;
    ground.execute("UPDATE job SET lease_until = 0 WHERE state = 'running'").await.unwrap();
    let lost = ground.original_keep(&claim, &kept, |_| {}).await.unwrap_err();
    assert!(matches!(lost, StoreError::LeaseLost), "{lost}");
    assert_eq!(file_of(ground, "roll").await, kept);
    assert!(names(ground).contains(&kept.sha256));
    // another worker takes it up
    pack(ground).await.unwrap();
    assert_eq!(names(ground), [format!("{}.zst", kept.sha256)]);
}

async fn an_original_that_changed_is_not_packed_and_stays(ground: &Ground) {
    let kept = take(ground, "roll", b"P,A\n1,2\n").await;
    std::fs::write(folder(ground).join(&kept.sha256), b"P,A\n1,3\n").unwrap();
    let error = pack(ground).await.unwrap_err();
    let StoreError::Damaged { why, .. } = &error else { panic!("{error}") };
    assert!(why.contains("hand the file in again") && why.contains(&kept.sha256), "{why}");
    assert_eq!(names(ground), [kept.sha256.as_str()]);
    assert_eq!(file_of(ground, "roll").await, kept);
    assert!(!error.passes());
}

async fn a_damaged_frame_is_told_and_the_others_read(ground: &Ground) {
    let bytes = roll_bytes();
    take(ground, "roll", &bytes).await;
    pack(ground).await.unwrap();
    let key = file_of(ground, "roll").await.object_key;
    let path = folder(ground).join(&names(ground)[0]);
    let mut stored = std::fs::read(&path).unwrap();
    stored[100] ^= 1;
    std::fs::write(&path, stored).unwrap();
    let error = ground.object_range(&key, 10, 5).await.unwrap_err();
    let StoreError::Object { cause, .. } = &error else { panic!("{error}") };
    assert!(cause.to_string().contains("frame 0 cannot be unpacked"), "{cause}");
    assert_eq!(ground.object_range(&key, 2_000_000, 50).await.unwrap(), bytes[2_000_000..2_000_050]);
}

async fn an_empty_original_is_packed_too(ground: &Ground) {
    take(ground, "roll", b"").await;
    pack(ground).await.unwrap();
    let key = file_of(ground, "roll").await.object_key;
    assert!(read(ground, &key).await.is_empty());
    assert!(ground.object_range(&key, 0, 1).await.is_err());
}
