//! Rows that could not be read, in the form of their own file and with the reason behind each, so that a person can mend
//! them where they stand and hand them in again. The reader leaves the column of reasons out like any other that the
//! layout does not name.

use crate::decoding::cp1252_byte;
use crate::header::HeaderError;
use crate::layout::{Encoding, FileLayout, Layout};
use crate::reader::RollReader;

/// The name of the column that says why a row is in quarantine.
pub const REASON_COLUMN: &str = "crossfoot_reason";
/// What stands for the value of a column that the layout does not read.
const MASKED: &str = "…";

/// How the rows of one file are written out to be mended.
#[derive(Debug, Clone)]
pub struct MendForm {
    /// As the text is written.
    layout: Layout,
    /// As it is written out, but for the encoding, which stays that of the text.
    written: FileLayout,
    /// From the start of the file to the end of its header line.
    head: Vec<u8>,
    /// The names of its columns, that of reasons left out.
    names: Vec<String>,
    header_start: usize,
    line_end: &'static [u8],
    /// Of each column whether the layout reads it; the column of reasons left out.
    mapped: Vec<bool>,
    /// Whether the file has a column of reasons already, as its last.
    has_reasons: bool,
}

impl MendForm {
    /// The form of a text. `layout` says how it is written, `written` how it is read when it is handed in again: the
    /// lines of a sheet need not have the delimiter of the layout. `head` is its beginning up to the end of the header
    /// line; `behind` are the bytes that follow, of which the first two tell how its lines end.
    ///
    /// # Errors
    /// [`HeaderError`] where the bytes are no header of the layout.
    pub fn new(
        layout: &Layout,
        written: &FileLayout,
        head: &[u8],
        behind: &[u8],
    ) -> Result<MendForm, HeaderError> {
        let reader = RollReader::new(head, layout)?;
        let header = reader.header();
        let columns: Vec<usize> = layout
            .mapped_columns()
            .iter()
            .filter_map(|column| header.place(column, layout.file.delimiter).ok())
            .collect();
        let has_reasons = header.names.last().is_some_and(|name| name == REASON_COLUMN);
        let count = header.names.len() - usize::from(has_reasons);
        Ok(MendForm {
            layout: layout.clone(),
            written: written.clone(),
            names: header.names.iter().take(count).cloned().collect(),
            head: head.to_vec(),
            header_start: usize::try_from(header.byte_start).unwrap_or(0),
            line_end: match behind {
                [b'\r', b'\n', ..] => b"\r\n",
                [b'\r', ..] => b"\r",
                _ => b"\n",
            },
            mapped: (0..count).map(|place| columns.contains(&place)).collect(),
            has_reasons,
        })
    }

    /// The header line with the column of reasons, behind the file's byte order mark where it has one.
    #[must_use]
    pub fn header(&self) -> Vec<u8> {
        const MARK: &[u8] = &[0xEF, 0xBB, 0xBF];
        let mut line = if self.head.starts_with(MARK) { MARK.to_vec() } else { Vec::new() };
        if self.rewrites() {
            line.extend_from_slice(&self.line(self.names.iter().map(String::as_bytes), REASON_COLUMN));
            return line;
        }
        line.extend_from_slice(self.header_line());
        if !self.has_reasons {
            line.push(self.written.delimiter);
            line.extend_from_slice(&self.text(REASON_COLUMN));
        }
        line.extend_from_slice(self.line_end);
        line
    }

    /// The header line alone, to see whether two files can be written as one.
    #[must_use]
    pub fn header_line(&self) -> &[u8] {
        self.head.get(self.header_start..).unwrap_or_default()
    }

    /// How the text is encoded, and so what is written out.
    #[must_use]
    pub fn encoding(&self) -> Encoding {
        self.layout.file.encoding
    }

    /// Whether rows are written otherwise than they stand in the text.
    fn rewrites(&self) -> bool {
        let as_read = (self.layout.file.delimiter, self.layout.file.quote);
        as_read != (self.written.delimiter, self.written.quote)
    }

    /// A row byte for byte as it was published, with the reason behind it.
    #[must_use]
    pub fn whole(&self, row: &[u8], reason: &str) -> Vec<u8> {
        let fields = (self.has_reasons || self.rewrites()).then(|| self.fields(row)).flatten();
        match fields {
            // mended once and still wrong: the reason of then gives way to the one of now
            Some(fields) => self.line(fields.iter().take(self.mapped.len()).map(Vec::as_slice), reason),
            None => {
                let mut line = row.to_vec();
                line.push(self.written.delimiter);
                line.extend_from_slice(&self.in_quotes(&self.text(reason)));
                line.extend_from_slice(self.line_end);
                line
            }
        }
    }

    /// A row of which only the columns that the layout reads are shown. One that cannot be taken apart into columns is
    /// given blank: nobody can tell what of it is what.
    #[must_use]
    pub fn masked(&self, row: &[u8], reason: &str) -> Vec<u8> {
        let Some(fields) = self.fields(row) else { return self.blank(reason) };
        let mask = self.text(MASKED);
        let shown = self.mapped.iter().zip(&fields).map(|(mapped, field)| {
            if *mapped || field.is_empty() { field.as_slice() } else { mask.as_slice() }
        });
        self.line(shown, reason)
    }

    /// A row without its values.
    #[must_use]
    pub fn blank(&self, reason: &str) -> Vec<u8> {
        self.line(self.mapped.iter().map(|_| &b""[..]), reason)
    }

    fn fields(&self, row: &[u8]) -> Option<Vec<Vec<u8>>> {
        let file = [&self.head, &b"\n"[..], row].concat();
        let mut reader = RollReader::new(file.as_slice(), &self.layout).ok()?;
        reader.next_raw_fields().ok()?
    }

    fn line<'f>(&self, fields: impl Iterator<Item = &'f [u8]>, reason: &str) -> Vec<u8> {
        let mut line = Vec::new();
        for field in fields {
            line.extend_from_slice(&self.in_quotes(field));
            line.push(self.written.delimiter);
        }
        line.extend_from_slice(&self.in_quotes(&self.text(reason)));
        line.extend_from_slice(self.line_end);
        line
    }

    /// A field in quotes where it needs them; without quotes in the file, what would end it early becomes a blank.
    fn in_quotes(&self, field: &[u8]) -> Vec<u8> {
        let delimiter = self.written.delimiter;
        let ends = |byte: u8| byte == delimiter || byte == b'\n' || byte == b'\r';
        match self.written.quote {
            None => field.iter().map(|byte| if ends(*byte) { b' ' } else { *byte }).collect(),
            Some(quote) if field.iter().any(|byte| ends(*byte) || *byte == quote) => {
                let mut quoted = vec![quote];
                for byte in field {
                    if *byte == quote {
                        quoted.push(quote);
                    }
                    quoted.push(*byte);
                }
                quoted.push(quote);
                quoted
            }
            Some(_) => field.to_vec(),
        }
    }

    /// A text in the encoding of the file; what it has no character for becomes a question mark.
    fn text(&self, text: &str) -> Vec<u8> {
        match self.layout.file.encoding {
            Encoding::Utf8 => text.as_bytes().to_vec(),
            Encoding::Windows1252 => text.chars().map(|letter| cp1252_byte(letter).unwrap_or(b'?')).collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reader::Row;

    fn layout(file: &str) -> Layout {
        Layout::from_toml(&format!(
            "id = \"basalt-county-roll\"\njurisdiction = \"basalt-county\"\nbasis = \"not-published\"\n[file]\n{file}\n\
             [parcel]\ncolumns = [\"PARCEL\"]\n[area]\ncolumn = \"AREA\"\nzero = \"reject\"\n"
        ))
        .unwrap()
    }

    fn form(file: &str, head: &[u8], behind: &[u8]) -> MendForm {
        MendForm::new(&layout(file), &layout(file).file, head, behind).unwrap()
    }

    fn text(bytes: Vec<u8>) -> String {
        String::from_utf8(bytes).unwrap()
    }

    #[test]
    fn the_header_and_the_lines_are_the_files_own() {
        let form = form("", b"\xEF\xBB\xBFPARCEL,OWNER,AREA", b"\r\n1");
        assert_eq!(text(form.header()), "\u{feff}PARCEL,OWNER,AREA,crossfoot_reason\r\n");
        assert_eq!(
            text(form.whole(b"1,\"Doe, J\",n/a", "n/a is, no area")),
            "1,\"Doe, J\",n/a,\"n/a is, no area\"\r\n"
        );
    }

    #[test]
    fn what_the_layout_does_not_read_is_masked() {
        let form = form("", b"PARCEL,OWNER,AREA,NOTE", b"\n");
        assert_eq!(text(form.masked(b"1,\"Doe, J\",\"1,2\",", "why")), "1,…,\"1,2\",,why\n");
        // of a row that cannot be taken apart nobody knows what is whose name
        assert_eq!(text(form.masked(b"1,Doe, J,n/a,", "why")), ",,,,why\n");
        assert_eq!(text(form.masked(b"1,\"Doe,n/a,x", "why")), ",,,,why\n");
        // bytes that are no text are shown where they are in a column that is read
        assert_eq!(form.masked(b"1,\xFFoe,\xFF,x", "why"), b"1,\xE2\x80\xA6,\xFF,\xE2\x80\xA6,why\n");
    }

    #[test]
    fn other_delimiters_quotes_and_encodings_are_kept() {
        let form =
            form("delimiter = \";\"\nquote = \"\"\nencoding = \"windows-1252\"", b"PARCEL;AREA;X\xDF", b"");
        assert_eq!(form.header(), b"PARCEL;AREA;X\xDF;crossfoot_reason\n");
        assert_eq!(form.masked(b"1;2;Stra\xDFe", "a;b … \u{2026}\u{4e00}"), b"1;2;\x85;a b \x85 \x85?\n");
    }

    #[test]
    fn what_is_read_again_with_another_delimiter_is_written_with_it() {
        let again = layout("delimiter = \";\"\nquote = \"\"").file;
        let form = MendForm::new(&layout(""), &again, b"PARCEL,OWNER,AREA", b"\n").unwrap();
        assert_eq!(text(form.header()), "PARCEL;OWNER;AREA;crossfoot_reason\n");
        assert_eq!(text(form.whole(b"1,\"Doe; \"\"J\"\"\",0", "a; b")), "1;Doe  \"J\";0;a  b\n");
        assert_eq!(text(form.masked(b"1,Doe,0", "why")), "1;\u{2026};0;why\n");
    }

    #[test]
    fn a_row_that_is_still_wrong_has_one_reason() {
        let form = form("", b"PARCEL,AREA,crossfoot_reason", b"\n");
        assert_eq!(text(form.header()), "PARCEL,AREA,crossfoot_reason\n");
        assert_eq!(text(form.whole(b"1,0,\"old, reason\"", "new")), "1,0,new\n");
        assert_eq!(text(form.masked(b"1,0,old", "new")), "1,0,new\n");
    }

    #[test]
    fn what_was_written_reads_the_same_until_it_is_mended() {
        // round trip through the reader: unmended the row is refused for the same reason, mended it is read
        let form = form("", b"PARCEL,OWNER,AREA", b"\n");
        for row in [&b"1,\"Doe, J\",0"[..], b"2,x", b"3,x,1,2", b"4,\"x,5"] {
            let file = [form.header(), form.whole(row, "because, of it")].concat();
            let mut reader = RollReader::new(file.as_slice(), &layout("")).unwrap();
            assert!(matches!(reader.next_row().unwrap(), Some(Row::Reject(_))), "{row:?}");
        }
        let file = [form.header(), form.whole(b"1,\"Doe, J\",1200", "because, of it")].concat();
        let mut reader = RollReader::new(file.as_slice(), &layout("")).unwrap();
        assert!(matches!(reader.next_row().unwrap(), Some(Row::Entry(entry)) if entry.parcel_key == "1"));
    }
}
