//! What a file is, by its first bytes. Its name says what somebody believed.

/// How many bytes are looked at: a tar archive names itself at byte 257.
pub(crate) const OPENING_BYTES: usize = 512;

/// What the first bytes say.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// Text in UTF-8 or of one byte a character, or nothing that is known.
    Text,
    /// Text in UTF-16.
    Utf16 {
        /// The high byte of a unit comes first.
        big: bool,
        /// Bytes of the byte order mark.
        mark: usize,
    },
    Gzip,
    Zstd,
    Zip,
    /// What is not read.
    Other(Foreign),
}

/// A format that is not read, and what would mend it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Foreign {
    /// With its article: "a tar archive".
    pub what: &'static str,
    /// What to do instead.
    pub mend: &'static str,
}

const UNPACK: &str = "unpack it and hand in the file with the rows, plain or packed with gzip, zstd or zip";
const SAVE_AS_CSV: &str = "open it in the spreadsheet program and save the sheet as CSV in UTF-8";
const EXPORT: &str = "have the rows exported as delimited text, with a header line";
const FETCH: &str =
    "fetch the data file itself; open the address in a browser to see what was sent in its place";

/// Openings of formats that are known and not read.
const FOREIGN: [(&[u8], &str, &str); 18] = [
    (b"PK\x07\x08", "one part of a split zip archive", "join the parts into one archive and hand in that"),
    (b"\xFD7zXZ\0", "an xz archive", UNPACK),
    (b"7z\xBC\xAF\x27\x1C", "a 7z archive", UNPACK),
    (b"Rar!\x1A\x07", "a RAR archive", UNPACK),
    (b"\x04\x22\x4D\x18", "an lz4 archive", UNPACK),
    (b"\x1F\x9D", "a file packed with compress (.Z)", UNPACK),
    (b"\x1F\xA0", "a file packed with compress (.Z)", UNPACK),
    (b"MSCF\0\0\0\0", "a cabinet archive", UNPACK),
    (
        b"\xD0\xCF\x11\xE0\xA1\xB1\x1A\xE1",
        "an old or encrypted spreadsheet or document (OLE, such as .xls)",
        SAVE_AS_CSV,
    ),
    (b"\x09\x08\x10\0\0\x06\x05\0", "an old spreadsheet (BIFF)", SAVE_AS_CSV),
    (b"%PDF-", "a PDF document", EXPORT),
    (b"SQLite format 3\0", "an SQLite database", EXPORT),
    (b"\0\x01\0\0Standard Jet DB", "an Access database", EXPORT),
    (b"\0\x01\0\0Standard ACE DB", "an Access database", EXPORT),
    (b"ARROW1\0\0", "an Arrow file", EXPORT),
    (b"\0\0\x27\x0A", "a shapefile", EXPORT),
    (b"\0\0\xFE\xFF", "text in UTF-32", "save it as UTF-8"),
    (b"\xFF\xFE\0\0", "text in UTF-32", "save it as UTF-8"),
];

/// What the first bytes of a file say; `opening` holds [`OPENING_BYTES`] unless the file is shorter.
pub(crate) fn sniff(opening: &[u8]) -> Kind {
    if let Some((_, what, mend)) = FOREIGN.iter().find(|(magic, ..)| opening.starts_with(magic)) {
        return Kind::Other(Foreign { what, mend });
    }
    match opening {
        [b'B', b'Z', b'h', _, b'1', b'A', b'Y', ..] => {
            return Kind::Other(Foreign { what: "a bzip2 archive", mend: UNPACK });
        }
        [b'P', b'A', b'R', b'1', 0..=0x1F, ..] => {
            return Kind::Other(Foreign { what: "a Parquet file", mend: EXPORT });
        }
        [0x1F, 0x8B, ..] => return Kind::Gzip,
        [0x28, 0xB5, 0x2F, 0xFD, ..] | [0x50..=0x5F, 0x2A, 0x4D, 0x18, ..] => return Kind::Zstd,
        [b'P', b'K', 3, 4, ..] | [b'P', b'K', 5, 6, ..] => return Kind::Zip,
        [0xFF, 0xFE, ..] => return Kind::Utf16 { big: false, mark: 2 },
        [0xFE, 0xFF, ..] => return Kind::Utf16 { big: true, mark: 2 },
        [..] => {}
    }
    if opening.get(257..262) == Some(b"ustar") {
        return Kind::Other(Foreign { what: "a tar archive", mend: UNPACK });
    }
    let text = opening.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(opening).trim_ascii_start();
    let begins = |word: &[u8]| text.get(..word.len()).is_some_and(|found| found.eq_ignore_ascii_case(word));
    if begins(b"<!doctype html") || begins(b"<html") {
        return Kind::Other(Foreign { what: "a web page", mend: FETCH });
    }
    if begins(b"<?xml") {
        return Kind::Other(Foreign { what: "an XML document", mend: EXPORT });
    }
    if begins(b"{\\rtf") {
        return Kind::Other(Foreign { what: "an RTF document", mend: EXPORT });
    }
    utf16_without_mark(opening).unwrap_or(Kind::Text)
}

/// Text in UTF-16 without a byte order mark: a header is mostly ASCII, so every other byte is zero and none of those
/// between. A few stray NUL bytes are damage, and are told as such by the reader.
fn utf16_without_mark(opening: &[u8]) -> Option<Kind> {
    let (units, _) = opening.as_chunks::<2>();
    let zeros = |place: usize| units.iter().filter(|unit| unit.get(place) == Some(&0)).count();
    let (first, second) = (zeros(0), zeros(1));
    let most = |zeros: usize| zeros * 4 >= units.len() * 3 && zeros >= 2;
    match (first, second) {
        (0, second) if most(second) => Some(Kind::Utf16 { big: false, mark: 0 }),
        (first, 0) if most(first) => Some(Kind::Utf16 { big: true, mark: 0 }),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn utf16(text: &str, big: bool) -> Vec<u8> {
        text.encode_utf16()
            .flat_map(|unit| if big { unit.to_be_bytes() } else { unit.to_le_bytes() })
            .collect()
    }

    #[test]
    fn utf16_is_known_with_and_without_its_mark() {
        for big in [false, true] {
            assert_eq!(sniff(&utf16("\u{feff}PIN", big)), Kind::Utf16 { big, mark: 2 });
            assert_eq!(sniff(&utf16("PIN,Straße\r\n", big)), Kind::Utf16 { big, mark: 0 });
        }
    }

    #[test]
    fn text_with_some_zeros_is_damaged_text() {
        for file in [&b""[..], b"P", b"PIN,A\0B\n", b"PIN,SQFT\n\0\0\0\0\0\0", b"\0\0\0\0\0\0\0\0"] {
            assert_eq!(sniff(file), Kind::Text, "{file:?}");
        }
    }

    #[test]
    fn names_of_formats_come_from_their_bytes() {
        let what = |opening: &[u8]| {
            let Kind::Other(foreign) = sniff(opening) else { panic!("{opening:?} has no name") };
            foreign.what
        };
        assert_eq!(what(b" \r\n<!DOCTYPE HTML><p>"), "a web page");
        assert_eq!(what(b"\xEF\xBB\xBF<?xml version"), "an XML document");
        assert_eq!(what(&[&[b'a'; 257][..], b"ustar\x0000"].concat()), "a tar archive");
        assert_eq!(sniff(b"<5 acres,PIN\n"), Kind::Text);
        assert_eq!(sniff(b"PKG,PIN\n"), Kind::Text);
    }
}
