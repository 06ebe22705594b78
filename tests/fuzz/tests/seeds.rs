//! The seeds, and what fuzzing has found so far, through what is fuzzed.
#![expect(clippy::unwrap_used, reason = "a test that fails shows its line")]

use std::path::Path;

/// Every file below a folder.
fn files(folder: &Path, into: &mut Vec<Vec<u8>>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() { files(&path, into) } else { into.push(std::fs::read(path).unwrap()) }
    }
}

#[test]
fn every_seed_holds() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut seeds = Vec::new();
    files(&root.join("seeds"), &mut seeds);
    files(&root.join("../../fixtures/hostile"), &mut seeds);
    assert!(seeds.len() > 50, "{}", seeds.len());
    for seed in seeds {
        crossfoot_fuzz::reader(&seed);
        crossfoot_fuzz::unpack(&seed);
        crossfoot_fuzz::look(&seed);
        // cut short and with every layout
        for last in 0..6 {
            let cut = [seed.get(..seed.len() / 2).unwrap_or_default(), &[last]].concat();
            crossfoot_fuzz::reader(&cut);
            crossfoot_fuzz::unpack(&cut);
            crossfoot_fuzz::look(&cut);
        }
    }
}
