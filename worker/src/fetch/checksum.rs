//! A publisher's checksum file: what `sha256sum`, `sha1sum` and `md5sum` write, their BSD form, or the hash alone.

use std::io::Read;
use std::path::Path;

use md5::Md5;
use sha1::Sha1;
use sha2::{Digest, Sha256};

/// A checksum that was published.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Checksum {
    kind: Kind,
    hex: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Md5,
    Sha1,
    Sha256,
}

impl Checksum {
    /// Finds the checksum of a file by its name; a list of one needs no name.
    pub(super) fn find(list: &str, name: &str) -> Result<Checksum, String> {
        let entries: Vec<(Option<&str>, Checksum)> = list.lines().filter_map(entry).collect();
        let named = |of: &Option<&str>| of.is_some_and(|of| of.rsplit('/').next() == Some(name));
        let found = match &entries[..] {
            [(None, only)] => Some(only),
            _ => entries.iter().find(|(of, _)| named(of)).map(|(_, checksum)| checksum),
        };
        found.cloned().ok_or_else(|| {
            format!("the checksum file has no SHA-256, SHA-1 or MD5 of {name}: correct its address")
        })
    }

    /// Holds a file against it. Blocking.
    pub(super) fn check(&self, path: &Path) -> std::io::Result<bool> {
        let found = match self.kind {
            Kind::Md5 => hash::<Md5>(path)?,
            Kind::Sha1 => hash::<Sha1>(path)?,
            Kind::Sha256 => hash::<Sha256>(path)?,
        };
        Ok(found == self.hex)
    }

    /// What it is worth, for the result.
    pub(super) fn told(&self) -> &'static str {
        match self.kind {
            Kind::Sha256 => "its SHA-256 is the published one",
            Kind::Sha1 => "its SHA-1 is the published one (weak: it shows damage, not forgery)",
            Kind::Md5 => "its MD5 is the published one (weak: it shows damage, not forgery)",
        }
    }
}

/// A line with a checksum, and the name that it is of.
fn entry(line: &str) -> Option<(Option<&str>, Checksum)> {
    let line = line.trim();
    // BSD: SHA256 (roll.csv) = HASH
    if let Some((head, hex)) = line.rsplit_once(") = ") {
        let (_, name) = head.split_once(" (")?;
        return Some((Some(name), checksum(hex)?));
    }
    let (hex, name) = line.split_once(char::is_whitespace).unwrap_or((line, ""));
    let name = name.trim_start().trim_start_matches('*');
    Some(((!name.is_empty()).then_some(name), checksum(hex)?))
}

fn checksum(hex: &str) -> Option<Checksum> {
    let kind = match hex.len() {
        32 => Kind::Md5,
        40 => Kind::Sha1,
        64 => Kind::Sha256,
        _ => return None,
    };
    hex.chars().all(|c| c.is_ascii_hexdigit()).then(|| Checksum { kind, hex: hex.to_ascii_lowercase() })
}

fn hash<D: Digest>(path: &Path) -> std::io::Result<String> {
    let (mut file, mut hash, mut piece) = (std::fs::File::open(path)?, D::new(), vec![0; 1024 * 1024]);
    loop {
        let read = file.read(&mut piece)?;
        if read == 0 {
            return Ok(hex::encode(hash.finalize()));
        }
        hash.update(piece.get(..read).unwrap_or_default());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// "abc": FIPS 180-4 (SHA-1, SHA-256), RFC 1321 (MD5).
    const SHA256: &str = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
    const SHA1: &str = "a9993e364706816aba3e25717850c26c9cd0d89d";
    const MD5: &str = "900150983cd24fb0d6963f7d28e17f72";

    #[test]
    fn each_form_of_a_list_is_read_and_holds_for_the_file() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("f");
        std::fs::write(&path, "abc").unwrap();
        let lists = [
            format!("{SHA256}  roll.csv\n"),
            format!("{}  other.csv\n{SHA256} *./2026/roll.csv\r\n", "0".repeat(64)),
            format!("{SHA1}\n"),
            format!("MD5 (roll.csv) = {}\n", MD5.to_uppercase()),
        ];
        for list in lists {
            let checksum = Checksum::find(&list, "roll.csv").unwrap();
            assert!(checksum.check(&path).unwrap(), "{list}");
            let weak = checksum.kind != Kind::Sha256;
            assert_eq!(checksum.told().contains("weak"), weak);
        }
        std::fs::write(&path, "abd").unwrap();
        assert!(!Checksum::find(SHA256, "roll.csv").unwrap().check(&path).unwrap());
    }

    #[test]
    fn a_list_without_the_file_is_told() {
        for list in
            ["", "<html>not found</html>", &format!("{SHA256}  other.csv"), &format!("{SHA1} a\n{SHA1} b")]
        {
            assert!(Checksum::find(list, "roll.csv").unwrap_err().contains("roll.csv"), "{list}");
        }
    }
}
