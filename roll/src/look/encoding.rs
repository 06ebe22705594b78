//! How the text of a file is encoded, and a reader that gives it as UTF-8.

use crate::look::{EncodingFound, Sureness};
use crate::unpack::sniff::{Kind, OPENING_BYTES, sniff};
use chardetng::{EncodingDetector, Iso2022JpDetection, Utf8Detection};
use encoding_rs::{CoderResult, Decoder, Encoding, UTF_8, UTF_16BE, UTF_16LE, WINDOWS_1252};
use memchr::memchr_iter;
use std::io::{self, Read};

/// How much is decoded at once.
const PIECE_BYTES: usize = 64 << 10;

/// Of so many pairs of bytes, UTF-16 without a mark is told by where the zeros stand.
const PAIRS_LOOKED_AT: usize = 2_048;

/// Why a text is in UTF-16 although it does not say so.
const NO_MARK: &str = "every second byte is zero, as in Western text in UTF-16; there is no byte order mark";

/// The bytes of a file that is text, with its encoding; or what else it is.
#[derive(Debug)]
pub(super) enum Content {
    /// Text in this encoding.
    Text(&'static Encoding, EncodingFound),
    /// Something else, in words.
    Other(&'static str),
}

/// What the first bytes of a file are. `ended` says whether they are all of it.
pub(super) fn find(head: &[u8], ended: bool) -> Content {
    if matches!(head, [0xFF, 0xFE, 0, 0, ..] | [0, 0, 0xFE, 0xFF, ..]) {
        return Content::Other("text in UTF-32: save it as UTF-8 and look at that");
    }
    let opening = head.get(..OPENING_BYTES).unwrap_or(head);
    if let Kind::Utf16 { big, mark } = sniff(opening) {
        if ended && head.len() % 2 == 1 {
            return Content::Other(
                "in UTF-16 and ends in the middle of a character: it was not transferred whole, fetch it again",
            );
        }
        let encoding = if big { UTF_16BE } else { UTF_16LE };
        let (sure, reason) = match mark {
            0 => (Sureness::Likely, NO_MARK.to_owned()),
            length => {
                (Sureness::Certain, format!("the file begins with its byte order mark ({length} bytes)"))
            }
        };
        return text(encoding, sure, reason);
    }
    if let Some((encoding, length)) = Encoding::for_bom(head) {
        let reason = format!("the file begins with its byte order mark ({length} bytes)");
        return text(encoding, Sureness::Certain, reason);
    }
    if let Some(what) = signature(head) {
        return Content::Other(what);
    }
    if let Some(encoding) = utf_16(head) {
        // imports tell by fewer bytes, and did not
        return match text(encoding, Sureness::Likely, NO_MARK.to_owned()) {
            Content::Text(encoding, found) => Content::Text(encoding, EncodingFound { read: false, ..found }),
            other @ Content::Other(_) => other,
        };
    }
    // a few zeros are damage of single rows; many of them are no text
    let zeros = memchr_iter(0, head).count();
    if zeros * 20 > head.len() {
        return Content::Other("a binary file: it is full of zero bytes");
    }
    if ebcdic(head) {
        return Content::Other("in EBCDIC, the encoding of mainframe tapes, or binary");
    }
    let controls = head.iter().filter(|byte| matches!(byte, 1..=8 | 14..=25 | 27..=31)).count();
    if controls * 20 > head.len() {
        return Content::Other("a binary file: it is full of control characters");
    }
    if head.is_ascii() {
        let reason = if ended { "all bytes are ASCII" } else { "all bytes looked at are ASCII" };
        return text(
            UTF_8,
            Sureness::Certain,
            format!("{reason}, which reads the same in every usual encoding"),
        );
    }
    western(head, ended)
}

fn text(encoding: &'static Encoding, sure: Sureness, reason: String) -> Content {
    let name = encoding.name().to_lowercase();
    let read = [UTF_8, UTF_16LE, UTF_16BE, WINDOWS_1252].contains(&encoding);
    Content::Text(encoding, EncodingFound { name, sure, reason, read, examples: Vec::new() })
}

/// Valid UTF-8 with letters beyond ASCII is never an accident; all else is guessed from the letters.
fn western(head: &[u8], ended: bool) -> Content {
    let (valid, invalid) = utf_8_letters(head, ended);
    if invalid == 0 {
        let reason = format!("all {valid} letters beyond ASCII that were looked at are valid UTF-8");
        return text(UTF_8, Sureness::Certain, reason);
    }
    if valid > 4 * invalid {
        let reason = format!(
            "{valid} letters beyond ASCII are valid UTF-8 and {invalid} are not: some rows were damaged or come \
             from another file"
        );
        return text(UTF_8, Sureness::Likely, reason);
    }
    let mut detector = EncodingDetector::new(Iso2022JpDetection::Deny);
    detector.feed(head, ended);
    // publishers of rolls are western offices: the hint decides between encodings that few letters fit alike
    let guess = detector.guess(Some(b"gov"), Utf8Detection::Deny);
    let reason =
        format!("the bytes are not valid UTF-8; guessed from {} bytes beyond ASCII", invalid + valid);
    let sure = if guess == WINDOWS_1252 { Sureness::Likely } else { Sureness::Guess };
    text(guess, sure, reason)
}

/// How many characters beyond ASCII are valid UTF-8, and how many places are not.
fn utf_8_letters(head: &[u8], ended: bool) -> (usize, usize) {
    let (mut valid, mut invalid) = (0, 0);
    let mut chunks = head.utf8_chunks().peekable();
    while let Some(chunk) = chunks.next() {
        valid += chunk.valid().chars().filter(|letter| !letter.is_ascii()).count();
        let cut_off = !ended && chunks.peek().is_none() && chunk.invalid().len() < 4;
        if !chunk.invalid().is_empty() && !cut_off {
            invalid += 1;
        }
    }
    (valid, invalid)
}

/// Files that are told by their first bytes.
fn signature(head: &[u8]) -> Option<&'static str> {
    match head {
        [0x1F, 0x8B, ..] => Some("a gzip archive: unpack it and look at the file in it"),
        [b'P', b'K', 3, 4, ..] => {
            Some("a zip archive or a spreadsheet: unpack it, or save the sheet as CSV, and look at that")
        }
        [0x28, 0xB5, 0x2F, 0xFD, ..] => Some("a zstd archive: unpack it and look at the file in it"),
        [b'7', b'z', 0xBC, 0xAF, ..] => Some("a 7z archive: unpack it and look at the file in it"),
        [b'%', b'P', b'D', b'F', ..] => Some("a PDF document: ask the publisher for the data as text"),
        [0xD0, 0xCF, 0x11, 0xE0, ..] => Some("an old spreadsheet: save the sheet as CSV and look at that"),
        [b'S', b'Q', b'L', b'i', b't', b'e', b' ', ..] => {
            Some("an SQLite database: export its table as CSV and look at that")
        }
        _ => None,
    }
}

/// UTF-16 without a mark: Western text has its zeros on one side.
fn utf_16(head: &[u8]) -> Option<&'static Encoding> {
    let (pairs, _) = head.as_chunks::<2>();
    let pairs = pairs.get(..PAIRS_LOOKED_AT).unwrap_or(pairs);
    let count = |fits: fn(&[u8; 2]) -> bool| pairs.iter().filter(|pair| fits(pair)).count();
    let (little, big) =
        (count(|pair| pair[0] != 0 && pair[1] == 0), count(|pair| pair[0] == 0 && pair[1] != 0));
    let most = pairs.len() - pairs.len() / 10;
    match (little, big) {
        _ if pairs.len() < 2 => None,
        (little, _) if little >= most => Some(UTF_16LE),
        (_, big) if big >= most => Some(UTF_16BE),
        _ => None,
    }
}

/// EBCDIC has blanks at 0x40, digits at 0xF0 and letters above 0x80; no ASCII blanks, digits or line ends.
fn ebcdic(head: &[u8]) -> bool {
    let count = |fits: fn(u8) -> bool| head.iter().filter(|byte| fits(**byte)).count();
    let usual = count(
        |byte| matches!(byte, 0x40 | 0xF0..=0xF9 | 0xC1..=0xC9 | 0xD1..=0xD9 | 0xE2..=0xE9 | 0x81..=0x89 | 0x91..=0x99),
    );
    let ascii = count(|byte| matches!(byte, b' ' | b'0'..=b'9' | b'\n' | b','));
    usual * 10 > head.len() * 7 && ascii * 20 < head.len()
}

/// A file as UTF-8, its byte order mark taken off. What is not valid becomes U+FFFD.
pub(super) struct AsUtf8<R> {
    source: R,
    decoder: Decoder,
    raw: Vec<u8>,
    /// Bytes of `raw` that are still to be decoded.
    ahead: std::ops::Range<usize>,
    source_ended: bool,
    flushed: bool,
    text: Vec<u8>,
    /// Bytes of `text` that are still to be given.
    given: std::ops::Range<usize>,
}

impl<R: Read> AsUtf8<R> {
    pub(super) fn new(source: R, encoding: &'static Encoding) -> Self {
        Self {
            source,
            decoder: encoding.new_decoder_with_bom_removal(),
            raw: vec![0; PIECE_BYTES],
            ahead: 0..0,
            source_ended: false,
            flushed: false,
            text: vec![0; 3 * PIECE_BYTES],
            given: 0..0,
        }
    }

    /// Decodes the next piece.
    fn advance(&mut self) -> io::Result<()> {
        if self.ahead.is_empty() && !self.source_ended {
            let read = self.source.read(&mut self.raw)?;
            self.source_ended = read == 0;
            self.ahead = 0..read;
        }
        let raw = self.raw.get(self.ahead.clone()).unwrap_or_default();
        let (result, read, written, _) = self.decoder.decode_to_utf8(raw, &mut self.text, self.source_ended);
        self.ahead.start += read;
        self.given = 0..written;
        self.flushed = self.source_ended && result == CoderResult::InputEmpty;
        Ok(())
    }
}

impl<R: Read> Read for AsUtf8<R> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        while self.given.is_empty() && !self.flushed {
            self.advance()?;
        }
        let text = self.text.get(self.given.clone()).unwrap_or_default();
        let length = text.len().min(into.len());
        if let (Some(into), Some(text)) = (into.get_mut(..length), text.get(..length)) {
            into.copy_from_slice(text);
        }
        self.given.start += length;
        Ok(length)
    }
}
