//! The text of a row, from the encoding of its file.

use crate::framing::Fields;
use crate::layout::Encoding;
use encoding_rs::WINDOWS_1252;

/// The five bytes that are undefined in Windows code page 1252, after the mapping table CP1252.TXT published by the
/// Unicode Consortium. The library decodes as browsers do and makes control characters of them.
const UNDEFINED: [u8; 5] = [0x81, 0x8D, 0x8F, 0x90, 0x9D];

/// The fields of a row as text.
#[derive(Debug, Clone, Copy)]
pub(crate) struct TextFields<'a> {
    text: &'a str,
    places: Fields<'a>,
}

impl<'a> TextFields<'a> {
    /// Whether some character of the row has to be escaped in JSON. All bytes are looked at without stopping at the
    /// first, so that many are compared at once. The delimiters between the fields do not count, unless there may be some in
    /// a field as well: then a row of a file with tabs between its fields is said to need what it may not need.
    pub(crate) fn needs_escaping(&self) -> bool {
        let first_end = self.places.ends.first().filter(|_| self.places.gap > 0 && !self.places.quoted);
        // Where no delimiter is to be left out, a byte that is not special stands for it.
        let delimiter = first_end.and_then(|end| self.text.as_bytes().get(*end)).copied().unwrap_or(b' ');
        let special = |byte: u8| ((byte < b' ') | (byte == b'"') | (byte == b'\\')) & (byte != delimiter);
        self.text.bytes().fold(false, |found, byte| found | special(byte))
    }

    /// The field at `index` as it stands.
    pub(crate) fn whole(&self, index: usize) -> &'a str {
        self.text.get(self.places.range(index)).unwrap_or_default()
    }

    /// The field at `index` without the blanks around it.
    #[inline]
    pub(crate) fn get(&self, index: usize) -> &'a str {
        trim(self.text.get(self.places.range(index)).unwrap_or_default())
    }
}

/// Where the decoded text of rows goes that are not UTF-8.
#[derive(Debug, Default)]
pub(crate) struct Decoded {
    text: String,
    ends: Vec<usize>,
}

impl Decoded {
    /// Bytes that the buffers hold.
    pub(crate) fn capacity(&self) -> usize {
        self.text.capacity() + self.ends.capacity() * size_of::<usize>()
    }
}

/// A row's fields as text, or the place in its bytes of the first that is not valid.
pub(crate) fn decode<'a>(
    fields: Fields<'a>,
    encoding: Encoding,
    into: &'a mut Decoded,
) -> Result<TextFields<'a>, usize> {
    match std::str::from_utf8(fields.text) {
        Ok(text) if encoding == Encoding::Utf8 || text.is_ascii() => Ok(TextFields { text, places: fields }),
        Err(error) if encoding == Encoding::Utf8 => Err(error.valid_up_to()),
        Ok(_) | Err(_) => decode_windows_1252(fields, into),
    }
}

fn decode_windows_1252<'a>(fields: Fields<'_>, into: &'a mut Decoded) -> Result<TextFields<'a>, usize> {
    into.text.clear();
    into.ends.clear();
    for index in 0..fields.ends.len() {
        let range = fields.range(index);
        let bytes = fields.text.get(range.clone()).unwrap_or_default();
        if let Some(at) = bytes.iter().position(|byte| UNDEFINED.contains(byte)) {
            return Err(range.start + at);
        }
        into.text.push_str(&WINDOWS_1252.decode_without_bom_handling(bytes).0);
        into.ends.push(into.text.len());
    }
    Ok(TextFields {
        text: &into.text,
        places: Fields { text: &[], ends: &into.ends, gap: 0, quoted: fields.quoted },
    })
}

/// Whether a byte stands for a character in Windows code page 1252.
pub(crate) fn windows_1252(byte: u8) -> bool {
    !UNDEFINED.contains(&byte)
}

/// The byte of a character in Windows code page 1252, where it has one.
pub(crate) fn cp1252_byte(letter: char) -> Option<u8> {
    (0..=u8::MAX)
        .filter(|byte| windows_1252(*byte))
        .find(|byte| WINDOWS_1252.decode_without_bom_handling(&[*byte]).0.chars().eq(std::iter::once(letter)))
}

/// A text without the blanks around it. Most fields have none and are ASCII, which two bytes tell.
fn trim(text: &str) -> &str {
    match text.as_bytes() {
        [] | [b'!'..=b'~'] | [b'!'..=b'~', .., b'!'..=b'~'] => text,
        [..] => text.trim(),
    }
}
