//! Kept originals.

use std::io::Read as _;

use crossfoot_store::StoreError;
use crossfoot_store::object::KeptFile;
use sha2::{Digest as _, Sha256};

use crate::ground::Ground;

on_both_databases! {
    a_file_is_kept_under_its_hash_and_the_same_bytes_once,
    an_original_reads_back_as_received,
    a_range_is_exactly_the_bytes_asked_for,
    an_empty_file_can_be_kept,
    a_file_or_an_original_that_is_not_there_is_named,
    what_a_process_that_died_left_half_arrived_is_swept_and_nothing_else,
}

/// More than one part of an upload.
fn large() -> Vec<u8> {
    (0..9_000_000u32).map(|n| (n.wrapping_mul(2_654_435_761) >> 24) as u8).collect()
}

async fn keep(ground: &Ground, name: &str, bytes: &[u8]) -> KeptFile {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(name);
    std::fs::write(&path, bytes).unwrap();
    ground.object_keep(&path).await.unwrap()
}

fn files(ground: &Ground, folder: &str) -> Vec<String> {
    let Ok(entries) = std::fs::read_dir(ground.settings.data.join("objects").join(folder)) else {
        return Vec::new();
    };
    entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect()
}

async fn a_file_is_kept_under_its_hash_and_the_same_bytes_once(ground: &Ground) {
    let one = keep(ground, "roll 2026.csv", b"PARCEL,AREA\n").await;
    let again = keep(ground, "copy.csv", b"PARCEL,AREA\n").await;
    let sha256 = hex::encode(Sha256::digest(b"PARCEL,AREA\n"));
    assert_eq!((one.name.as_str(), one.bytes, &one.sha256), ("roll 2026.csv", 12, &sha256));
    assert_eq!((again.name.as_str(), &again.object_key), ("copy.csv", &one.object_key));
    assert_eq!(files(ground, "originals"), [sha256]);
    assert!(files(ground, "incoming").is_empty());
}

async fn what_a_process_that_died_left_half_arrived_is_swept_and_nothing_else(ground: &Ground) {
    let kept = keep(ground, "roll.csv", b"PARCEL,AREA\n").await;
    let objects = ground.settings.data.join("objects");
    let old = std::time::SystemTime::now() - std::time::Duration::from_secs(3700);
    for (name, written) in [("dead#1", Some(old)), ("dead", Some(old)), ("alive#1", None)] {
        let path = objects.join("incoming").join(name);
        std::fs::write(&path, "half").unwrap();
        if let Some(written) = written {
            std::fs::File::options().write(true).open(&path).unwrap().set_modified(written).unwrap();
        }
    }
    let original = std::fs::File::options().write(true).open(objects.join(&kept.object_key)).unwrap();
    original.set_modified(old).unwrap();
    let _another = ground.another().await;
    assert_eq!(files(ground, "incoming"), ["alive#1"]);
    assert_eq!(files(ground, "originals"), [kept.sha256]);
}

async fn an_original_reads_back_as_received(ground: &Ground) {
    let bytes = large();
    let kept = keep(ground, "large.csv", &bytes).await;
    assert_eq!(kept.bytes, 9_000_000);
    assert_eq!(kept.sha256, hex::encode(Sha256::digest(&bytes)));
    let mut reader = ground.object_open(&kept.object_key).await.unwrap();
    let read = tokio::task::spawn_blocking(move || {
        let mut read = Vec::new();
        reader.read_to_end(&mut read).map(|_| read)
    });
    assert!(read.await.unwrap().unwrap() == bytes);
}

async fn a_range_is_exactly_the_bytes_asked_for(ground: &Ground) {
    let bytes = large();
    let key = keep(ground, "large.csv", &bytes).await.object_key;
    for (start, length) in [(0, 1), (8_388_600, 20), (8_999_999, 1), (0, 9_000_000), (17, 0)] {
        let read = ground.object_range(&key, start, length).await.unwrap();
        let (start, end) = (start as usize, (start + length) as usize);
        assert!(read == bytes[start..end], "{start}..{end}: {} bytes", read.len());
    }
    for (start, length) in [(8_999_999, 2), (9_000_000, 1), (u64::MAX, 1)] {
        let beyond = ground.object_range(&key, start, length).await;
        assert!(matches!(beyond, Err(StoreError::Object { .. })), "{start}+{length}");
    }
}

async fn an_empty_file_can_be_kept(ground: &Ground) {
    let kept = keep(ground, "empty.csv", b"").await;
    assert_eq!((kept.bytes, kept.sha256), (0, hex::encode(Sha256::digest(b""))));
    let mut reader = ground.object_open(&kept.object_key).await.unwrap();
    let read = tokio::task::spawn_blocking(move || reader.read(&mut [0; 1])).await.unwrap().unwrap();
    assert_eq!(read, 0);
}

async fn a_file_or_an_original_that_is_not_there_is_named(ground: &Ground) {
    let missing = ground.object_keep(std::path::Path::new("/no/such/roll.csv")).await.unwrap_err();
    assert_eq!(missing.to_string(), "/no/such/roll.csv cannot be read or written");
    let Err(missing) = ground.object_open("originals/none").await else { panic!("it is there") };
    assert_eq!(missing.to_string(), "the kept original originals/none cannot be read or written");
}
