//! Bags after RFC 8493, and the hashes they stand on.

use crossfoot_packet::bag::{self, BagFault, Files};

use super::sample::sha256;

#[test]
fn sha_256_gives_the_published_values() {
    // FIPS 180-4, NIST example values: empty message, one block, two blocks (from memory; recomputed with Python's hashlib)
    for (message, expected) in [
        ("", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
        ("abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (
            "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
        ),
    ] {
        assert_eq!(sha256(message.as_bytes()), expected);
    }
}

fn payload() -> Files {
    [("data/record.csv", "parcel,area_sf\n0123456789,2148\n"), ("data/notes/50% walls.txt", "Prüfwert\n")]
        .map(|(path, text)| (path.to_owned(), text.as_bytes().to_vec()))
        .into()
}

fn text<'f>(files: &'f Files, path: &str) -> &'f str {
    std::str::from_utf8(&files[path]).unwrap()
}

#[test]
fn a_bag_is_written_after_rfc_8493() {
    // RFC 8493, sections 2.1 to 2.2.2: two lines of declaration, per cent signs of paths encoded in manifests,
    // Payload-Oxum is octets.files. Hashes recomputed with Python's hashlib.
    let files = bag::fill(payload(), &[("External-Identifier", "a\r\nb")]);
    assert_eq!(text(&files, "bagit.txt"), "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n");
    assert_eq!(
        sha256(&files["bagit.txt"]),
        "1712ecfb074bf29c4188ad3421032509159a09739fd604f8fe57038b4ddefcc9"
    );
    assert_eq!(
        text(&files, "manifest-sha256.txt"),
        "6640a1fd13c6fffa0f5b9d7bf3eda2cc68306495ce65401d8b9b146a1ffca7e2  data/notes/50%25 walls.txt\n\
         1c1dc787c523c10ac1941d4573d33649a45863be7ae0c51554f6c3e2df978cbc  data/record.csv\n"
    );
    assert_eq!(text(&files, "bag-info.txt"), "External-Identifier: a b\nPayload-Oxum: 41.2\n");
    assert_eq!(bag::info(&files, "Payload-Oxum").as_deref(), Some("41.2"));
    assert_eq!(bag::check(&files), Ok(()));
}

/// The faults of a bag after `change`.
fn faults(change: impl FnOnce(&mut Files)) -> Vec<BagFault> {
    let mut files = bag::fill(payload(), &[]);
    change(&mut files);
    bag::check(&files).err().unwrap_or_default()
}

fn edit(files: &mut Files, path: &str, from: &str, to: &str) {
    let changed = text(files, path).replacen(from, to, 1);
    assert_ne!(changed, text(files, path));
    files.insert(path.to_owned(), changed.into_bytes());
}

#[test]
fn a_bag_is_complete_and_valid_or_says_why_not() {
    // RFC 8493, section 3: complete (all listed files present, none unlisted) and valid (all checksums agree)
    let changed = faults(|files| edit(files, "data/record.csv", "2148", "2149"));
    assert!(
        matches!(&changed[..], [BagFault::Changed { path, .. }] if path == "data/record.csv"),
        "{changed:?}"
    );

    let extra = faults(|files| drop(files.insert("data/extra".to_owned(), Vec::new())));
    assert!(matches!(&extra[..], [BagFault::Unlisted { .. }, BagFault::Oxum { .. }]), "{extra:?}");

    let missing = faults(|files| drop(files.remove("data/record.csv")));
    assert!(matches!(&missing[..], [BagFault::Missing { .. }, BagFault::Oxum { .. }]), "{missing:?}");

    let tag = faults(|files| edit(files, "bag-info.txt", "Payload-Oxum: 41.2", "Payload-Oxum: 41.2\nX: y"));
    assert!(matches!(&tag[..], [BagFault::Changed { path, .. }] if path == "bag-info.txt"), "{tag:?}");

    for path in ["../outside", "~/x", "/etc/passwd", "data/a\\b", "C:x", "data//x"] {
        let refused = faults(|files| edit(files, "manifest-sha256.txt", "data/record.csv", path));
        let found = |fault: &BagFault| matches!(fault, BagFault::UnsafePath { path: found } if found == path);
        assert!(refused.iter().any(found), "{path}: {refused:?}");
    }
}

#[test]
fn hashes_compare_without_case_and_manifests_must_agree() {
    let mut files = bag::fill(payload(), &[]);
    let upper = text(&files, "manifest-sha256.txt").replace("6640a1fd", "6640A1FD");
    files.insert("manifest-sha256.txt".to_owned(), upper.into_bytes());
    files.remove("tagmanifest-sha256.txt");
    assert_eq!(bag::check(&files), Ok(()));

    // SHA-512 of "Prüfwert\n" left out of a second manifest: the two disagree on the list of files.
    let second = format!("{}  data/record.csv\n", "0".repeat(128));
    files.insert("manifest-sha512.txt".to_owned(), second.into_bytes());
    let faults = bag::check(&files).unwrap_err();
    assert!(faults.iter().any(|fault| matches!(fault, BagFault::Unlisted { .. })), "{faults:?}");
    assert!(faults.iter().any(|fault| matches!(fault, BagFault::Changed { .. })), "{faults:?}");
}

#[test]
fn a_manifest_that_cannot_be_read_is_told_by_its_line() {
    for (from, to, wrong) in [
        ("  data/record.csv", "", "is no hash and path"),
        ("data/record.csv", "data/notes/50%25 walls.txt", "names a file a second time"),
    ] {
        let faults = faults(|files| edit(files, "manifest-sha256.txt", from, to));
        let told =
            faults.iter().any(|fault| fault.to_string() == format!("manifest-sha256.txt, line 2: {wrong}"));
        assert!(told, "{faults:?}");
    }
    let none = faults(|files| drop(files.remove("manifest-sha256.txt")));
    assert!(none.contains(&BagFault::NoManifest), "{none:?}");
    let not = faults(|files| edit(files, "bagit.txt", "1.0", "0.97"));
    assert!(not.contains(&BagFault::NotABag), "{not:?}");
}
