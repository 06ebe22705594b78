//! The bounds of a workbook: every part that is read later is gone through once, holding nothing.

use super::WorkbookError;
use crate::limits::{WORKBOOK_BYTES_MAX, WORKBOOK_RUN_MAX, WORKBOOK_TEXTS_MAX};
use crate::unpack::UnpackError;
use crate::unpack::archive::Entry;
use std::io::Read;

const READ_BYTES: usize = 64 << 10;

/// The fewest bytes that one shared text takes, `<si/>`.
const TEXT_BYTES_MIN: u64 = 5;

/// Refuses a workbook of which some part asks for more memory than it is worth.
pub(crate) fn check(entries: &[Entry]) -> Result<(), UnpackError> {
    let mut total = 0u64;
    for entry in entries {
        let name = entry.name.to_ascii_lowercase();
        if !name.ends_with(".xml") && !name.ends_with(".rels") {
            continue;
        }
        let (bytes, beginning) = go_through(entry)?;
        total += bytes;
        if total > WORKBOOK_BYTES_MAX {
            return Err(WorkbookError::TooLarge { what: "more cells" }.into());
        }
        if name.ends_with("sharedstrings.xml") {
            if bytes > WORKBOOK_TEXTS_MAX {
                return Err(WorkbookError::TooLarge { what: "longer texts" }.into());
            }
            // the library sets aside room for as many texts as are announced
            if announced(&beginning).is_some_and(|texts| texts > bytes / TEXT_BYTES_MIN) {
                let why = "it announces more texts than it holds".to_owned();
                return Err(WorkbookError::Damaged { why }.into());
            }
        }
    }
    Ok(())
}

/// The length of a part and its beginning.
fn go_through(entry: &Entry) -> Result<(u64, Vec<u8>), UnpackError> {
    let mut part = entry.open()?;
    let mut buffer = vec![0; READ_BYTES];
    let (mut bytes, mut beginning) = (0u64, Vec::new());
    let mut runs = Runs::default();
    loop {
        let read = match part.read(&mut buffer) {
            Err(error) if error.kind() == std::io::ErrorKind::Interrupted => continue,
            other => other.map_err(UnpackError::from_io)?,
        };
        let piece = buffer.get(..read).unwrap_or_default();
        if read == 0 {
            return Ok((bytes, beginning));
        }
        if beginning.is_empty() {
            beginning.extend_from_slice(piece);
        }
        bytes += read as u64;
        if runs.longest(piece) > WORKBOOK_RUN_MAX {
            return Err(WorkbookError::TooLarge { what: "longer texts in one cell" }.into());
        }
        if bytes > WORKBOOK_BYTES_MAX {
            return Err(WorkbookError::TooLarge { what: "more cells" }.into());
        }
    }
}

/// Measures the stretches of XML that are held at once: from one tag to the next; a comment or a CDATA section, which
/// may have tags in it, is one stretch.
#[derive(Debug, Default)]
struct Runs {
    run: usize,
    before: [u8; 2],
    declaration: bool,
}

impl Runs {
    /// The longest stretch that ends or goes on in these bytes.
    fn longest(&mut self, bytes: &[u8]) -> usize {
        let mut longest = 0;
        for byte in bytes {
            self.run += 1;
            match (self.before, byte) {
                ([_, b'<'], b'!') => self.declaration = true,
                ([b'-', b'-'] | [b']', b']'], b'>') if self.declaration => {
                    longest = longest.max(self.run);
                    (self.declaration, self.run) = (false, 0);
                }
                (_, b'<') if !self.declaration => {
                    longest = longest.max(self.run);
                    self.run = 0;
                }
                _ => {}
            }
            self.before = [self.before[1], *byte];
        }
        longest.max(self.run)
    }
}

/// How many shared texts a workbook says that it has.
fn announced(beginning: &[u8]) -> Option<u64> {
    let text = String::from_utf8_lossy(beginning);
    let (_, rest) = text.split_once("uniqueCount")?;
    let number = rest.trim_start().strip_prefix('=')?.trim_start().trim_start_matches(['"', '\'']);
    let digits: String = number.chars().take_while(char::is_ascii_digit).collect();
    Some(digits.parse().unwrap_or(u64::MAX))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stretch_ends_at_a_tag_and_not_in_a_comment() {
        let longest = |text: &str| {
            let mut runs = Runs::default();
            text.as_bytes().chunks(3).map(|piece| runs.longest(piece)).max().unwrap()
        };
        assert_eq!(longest(&"<a>".repeat(100)), 3);
        assert_eq!(longest(&format!("<a>{}<b>", "x".repeat(50))), 53);
        assert_eq!(longest(&format!("<a><!--{}--><b>", "<".repeat(50))), 56);
        assert_eq!(longest(&format!("<a><!--{}--><b>{}", "x".repeat(5), "<b>".repeat(9))), 11);
    }

    #[test]
    fn the_number_of_texts_is_read_however_it_is_written() {
        assert_eq!(announced(b"<sst count=\"9\" uniqueCount=\"7\">"), Some(7));
        assert_eq!(announced(b"<sst uniqueCount = '99999999999999999999999'>"), Some(u64::MAX));
        assert_eq!(announced(b"<sst>"), None);
    }
}
