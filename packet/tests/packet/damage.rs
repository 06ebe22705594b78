//! Damage: whatever is done to a packet's bytes is seen.

use std::collections::BTreeSet;

use crossfoot_packet::bag::{self, Files};
use crossfoot_packet::data::PacketData;
use crossfoot_packet::{DocumentCheck, Fault, seal, verify};

use super::sample::variance;

const FOLDER: &str = "packet_dao-001_basalt-county-roll";

/// The files of a packet, read by other code than ours.
pub(super) fn unzip(bytes: &[u8]) -> Files {
    use std::io::{Cursor, Read as _};
    let mut archive = zip::ZipArchive::new(Cursor::new(bytes)).unwrap();
    let mut files = Files::new();
    for at in 0..archive.len() {
        let mut entry = archive.by_index(at).unwrap();
        let path = entry.name().unwrap().split_once('/').unwrap().1.to_owned();
        let mut bytes = Vec::new();
        entry.read_to_end(&mut bytes).unwrap();
        files.insert(path, bytes);
    }
    files
}

/// The payload put into a bag and a zip file again, as somebody would who knows how.
fn resealed(change: impl FnOnce(&mut Files)) -> Vec<u8> {
    let mut files = unzip(&seal(&variance()).unwrap().bytes);
    change(&mut files);
    rebagged(FOLDER, files)
}

fn rebagged(folder: &str, files: Files) -> Vec<u8> {
    let labels = [
        "Bag-Software-Agent",
        "Bagging-Date",
        "External-Description",
        "External-Identifier",
        "Source-Organization",
    ];
    let values = labels.map(|label| (label, bag::info(&files, label).unwrap_or_default()));
    let info: Vec<(&str, &str)> = values.iter().map(|(label, value)| (*label, value.as_str())).collect();
    let payload = files.into_iter().filter(|(path, _)| path.starts_with("data/")).collect();
    bag::zip(folder, &bag::fill(payload, &info)).unwrap()
}

fn faults(bytes: &[u8]) -> Vec<Fault> {
    verify(bytes).err().unwrap_or_default()
}

/// A small generator with a seed (Marsaglia's xorshift64), so that a failure can be had again.
struct Random(u64);

impl Random {
    fn below(&mut self, bound: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 % bound as u64) as usize
    }
}

#[test]
fn one_changed_byte_anywhere_is_seen() {
    let good = seal(&variance()).unwrap().bytes;
    let mut random = Random(0x5eed_0f1e_d0c5);
    for _ in 0..1_000 {
        let (at, bits) = (random.below(good.len()), 1 + random.below(255));
        let mut bad = good.clone();
        bad[at] ^= bits as u8;
        assert!(verify(&bad).is_err(), "byte {at} changed by {bits:#04x} was not seen");
    }
}

#[test]
fn one_changed_byte_in_the_directory_of_the_zip_file_is_seen() {
    let good = seal(&variance()).unwrap().bytes;
    let directory = good.len() - 1_600;
    for at in directory..good.len() {
        for bit in [0x01, 0x80] {
            let mut bad = good.clone();
            bad[at] ^= bit;
            assert!(verify(&bad).is_err(), "byte {at} changed by {bit:#04x} was not seen");
        }
    }
}

#[test]
fn bytes_cut_off_or_added_are_seen() {
    let good = seal(&variance()).unwrap().bytes;
    for length in [0, 1, 21, 22, good.len() / 2, good.len() - 1] {
        assert!(verify(&good[..length]).is_err(), "cut to {length}");
    }
    for at in [0, 40, good.len() / 2, good.len() - 22, good.len()] {
        let mut bad = good.clone();
        bad.insert(at, 0);
        assert!(verify(&bad).is_err(), "added at {at}");
    }
    let twice = [good.clone(), good].concat();
    assert!(verify(&twice).is_err());
}

#[test]
fn a_file_changed_added_taken_away_or_renamed_is_seen() {
    let packed = |change: &dyn Fn(&mut Files)| {
        let mut files = unzip(&seal(&variance()).unwrap().bytes);
        change(&mut files);
        faults(&bag::zip(FOLDER, &files).unwrap())
            .iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>()
            .join("; ")
    };
    let told = packed(&|files| files.get_mut("data/explanation.txt").unwrap().push(b'x'));
    assert!(told.contains("data/explanation.txt has been changed"), "{told}");
    let told = packed(&|files| drop(files.insert("data/more.txt".to_owned(), Vec::new())));
    assert!(told.contains("data/more.txt is not named"), "{told}");
    let told = packed(&|files| drop(files.insert("more.txt".to_owned(), Vec::new())));
    assert!(told.contains("more.txt is not named"), "{told}");
    let told = packed(&|files| drop(files.remove("data/README.txt")));
    assert!(told.contains("data/README.txt is missing"), "{told}");
    let told = packed(&|files| {
        let readme = files.remove("data/README.txt").unwrap();
        files.insert("data/readme.txt".to_owned(), readme);
    });
    assert!(told.contains("README.txt is missing") && told.contains("readme.txt is not named"), "{told}");
}

#[test]
fn names_that_lead_out_of_the_packet_are_refused() {
    for path in ["../x", "a/../../x", "data/..", "~/x", "a\\b", "C:/x"] {
        let mut files = unzip(&seal(&variance()).unwrap().bytes);
        files.insert(path.to_owned(), Vec::new());
        let faults = faults(&bag::zip(FOLDER, &files).unwrap());
        assert!(
            faults.iter().any(|fault| fault.to_string().contains("is no safe path")),
            "{path}: {faults:?}"
        );
    }
    let files = unzip(&seal(&variance()).unwrap().bytes);
    for folder in ["..", "~", "", "/x"] {
        assert!(!faults(&bag::zip(folder, &files).unwrap()).is_empty(), "{folder:?}");
    }
}

/// Whoever changes a file and writes all the hashes anew is still seen: the packet is made again from its data.
#[test]
fn a_file_changed_with_all_its_hashes_is_seen() {
    let untouched = resealed(|_| ());
    assert_eq!(faults(&untouched), []);
    let payload: BTreeSet<String> =
        unzip(&untouched).into_keys().filter(|path| path.starts_with("data/")).collect();
    assert_eq!(payload.len(), 7);
    for path in payload {
        let bad = resealed(|files| files.get_mut(&path).unwrap().push(b'\n'));
        assert!(verify(&bad).is_err(), "{path}");
    }
    let extra = resealed(|files| drop(files.insert("data/extra.txt".to_owned(), Vec::new())));
    assert!(faults(&extra).contains(&Fault::NotFromData { path: "data/extra.txt".to_owned() }));
    let files = unzip(&seal(&variance()).unwrap().bytes);
    let renamed = faults(&rebagged("packet_dao-002_basalt-county-roll", files));
    assert!(matches!(&renamed[..], [Fault::NotFromData { .. }]), "{renamed:?}");
}

/// The packet of data that somebody has changed: everything is in order but the figures.
fn changed(change: impl FnOnce(&mut PacketData)) -> Vec<String> {
    let mut data = variance();
    change(&mut data);
    let named = |fault: &Fault| {
        let Fault::Figure(figure) = fault else { panic!("{fault}") };
        figure.what.to_owned()
    };
    faults(&seal(&data).unwrap().bytes).iter().map(named).collect()
}

#[test]
fn figures_that_do_not_come_out_are_named() {
    let sum = changed(|data| data.statement.total_sqft = "1299".to_owned());
    assert!(sum.contains(&"sum of the counted parts, sq ft".to_owned()), "{sum:?}");
    let parts = changed(|data| data.statement.lines[1].area_sqft = "887.5".to_owned());
    assert!(parts.contains(&"parts of the measurement".to_owned()), "{parts:?}");
    let variance = changed(|data| data.comparison.variance_ppm = Some(423_027));
    assert_eq!(variance, ["variance, parts per million"]);
    let z = changed(|data| data.comparison.z = "91".to_owned());
    assert_eq!(z, ["difference in standard deviations"]);
    let sigma = changed(|data| data.comparison.sigma_sqft = "4.3".to_owned());
    assert_eq!(sigma, ["standard deviation, sq ft"]);
    let recorded = changed(|data| data.record.area_sqft = Some("1297.8".to_owned()));
    assert_eq!(recorded, ["recorded area, sq ft"]);
    let threshold = changed(|data| data.comparison.threshold_sqft = "99".to_owned());
    assert_eq!(threshold, ["threshold, sq ft"]);
    let exceedance = changed(|data| data.comparison.exceedance_ppm = 900_000);
    assert_eq!(exceedance, ["probability to be beyond the threshold, parts per million"]);
    let effect = changed(|data| data.effect.as_mut().unwrap().low = "0".to_owned());
    assert_eq!(effect, ["effect, lower"]);
}

#[test]
fn a_packet_of_another_version_is_held_to_its_hashes_and_says_so() {
    let mut files = unzip(&seal(&variance()).unwrap().bytes);
    let info = String::from_utf8(files["bag-info.txt"].clone()).unwrap();
    let software = crossfoot_packet::document::software();
    files.insert(
        "bag-info.txt".to_owned(),
        info.replace(&software, "crossfoot-packet 0 (typst 0.14.0)").into_bytes(),
    );
    files.get_mut("data/finding.pdf").unwrap().push(b'\n');
    let verified = verify(&rebagged(FOLDER, files.clone())).unwrap();
    let made_by = "crossfoot-packet 0 (typst 0.14.0)".to_owned();
    assert_eq!(verified.document, DocumentCheck::HashOnly { made_by, here: software });

    files.get_mut("data/measurement.json").unwrap().push(b'\n');
    let faults = faults(&rebagged(FOLDER, files));
    assert_eq!(faults, [Fault::NotFromData { path: "data/measurement.json".to_owned() }]);
}

#[test]
fn figures_of_another_engine_are_not_computed_again() {
    let mut data = variance();
    data.engine = "0".to_owned();
    data.comparison.z = "12".to_owned();
    let verified = verify(&seal(&data).unwrap().bytes).unwrap();
    assert_eq!(verified.figures, crossfoot_packet::FigureCheck::OtherEngine { engine: "0".to_owned() });
}
