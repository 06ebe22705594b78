//! Splitting one physical line into its fields.

use memchr::memchr;

/// Where the fields of a row end. Counts all, keeps as many ends as there is room for.
pub(super) struct Ends<'a> {
    kept: &'a mut [usize],
    fields: usize,
}

impl<'a> Ends<'a> {
    pub(super) fn new(kept: &'a mut [usize]) -> Ends<'a> {
        Ends { kept, fields: 0 }
    }

    /// Fields so far.
    pub(super) fn fields(&self) -> usize {
        self.fields
    }

    fn keep(&mut self, end: usize) {
        if let Some(slot) = self.kept.get_mut(self.fields) {
            *slot = end;
        }
        self.fields += 1;
    }
}

/// Splits a stretch without quotes at its delimiters; `base` is where it begins in the row's text.
///
/// Fields are short, some six bytes, so eight bytes are looked at as one word: a byte equal to the delimiter
/// is zero after the exclusive or, and only a zero byte leaves its high bit clear in both terms.
pub(super) fn split(stretch: &[u8], delimiter: u8, base: usize, ends: &mut Ends<'_>) {
    const LOW_SEVEN: u64 = u64::from_ne_bytes([0x7F; 8]);
    let pattern = u64::from_ne_bytes([delimiter; 8]);
    let (words, tail) = stretch.as_chunks::<8>();
    let mut at = base;
    for word in words {
        let differing = u64::from_le_bytes(*word) ^ pattern;
        let mut hits = !(((differing & LOW_SEVEN) + LOW_SEVEN) | differing | LOW_SEVEN);
        while hits != 0 {
            ends.keep(at + (hits.trailing_zeros() / 8) as usize);
            hits &= hits - 1;
        }
        at += 8;
    }
    for byte in tail {
        if *byte == delimiter {
            ends.keep(at);
        }
        at += 1;
    }
    ends.keep(base + stretch.len());
}

/// Splits a line in which each field with a quote is quoted from its first byte to its last, as RFC 4180 has it; `text`
/// is then the line without its quotes, the delimiters between the fields left in. False for any other line: what is
/// in `text` and `ends` then means nothing.
pub(super) fn split_quoted(
    line: &[u8],
    (delimiter, quote): (u8, u8),
    text: &mut Vec<u8>,
    ends: &mut Ends<'_>,
) -> bool {
    let mut rest = line;
    loop {
        if let [first, inside @ ..] = rest
            && *first == quote
        {
            let Some(behind) = unquote(inside, quote, text) else { return false };
            ends.keep(text.len());
            match behind {
                [] => return true,
                [byte, next @ ..] if *byte == delimiter => rest = next,
                [..] => return false,
            }
        } else {
            let Some(at) = memchr(quote, rest) else {
                split(rest, delimiter, text.len(), ends);
                text.extend_from_slice(rest);
                return true;
            };
            let (before, quoted) = rest.split_at_checked(at).unwrap_or_default();
            let Some(stretch) = before.strip_suffix(&[delimiter]) else { return false };
            split(stretch, delimiter, text.len(), ends);
            text.extend_from_slice(stretch);
            rest = quoted;
        }
        text.push(delimiter);
    }
}

/// Adds a quoted field without its quotes, from behind the opening one; gives what stands behind the closing one. None
/// where the quote does not close.
fn unquote<'a>(mut inside: &'a [u8], quote: u8, text: &mut Vec<u8>) -> Option<&'a [u8]> {
    loop {
        let (piece, behind) = inside.split_at_checked(memchr(quote, inside)?)?;
        text.extend_from_slice(piece);
        match behind {
            [_, doubled, rest @ ..] if *doubled == quote => {
                text.push(quote);
                inside = rest;
            }
            [_, rest @ ..] => return Some(rest),
            [] => return None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The fields of a line by `split_quoted`, if it takes it.
    fn quickly(line: &[u8]) -> Option<Vec<Vec<u8>>> {
        let (mut kept, mut text) = ([0; 64], Vec::new());
        let mut ends = Ends::new(&mut kept);
        if !split_quoted(line, (b',', b'"'), &mut text, &mut ends) {
            return None;
        }
        let (fields, mut start) = (ends.fields(), 0);
        Some(
            kept[..fields]
                .iter()
                .map(|end| {
                    let field = text[start..*end].to_vec();
                    start = end + 1;
                    field
                })
                .collect(),
        )
    }

    /// The same by `csv_core`, which takes every line.
    fn by_csv_core(line: &[u8]) -> Vec<Vec<u8>> {
        let mut reader = csv_core::Reader::new();
        let (mut text, mut ends) = ([0; 512], [0; 64]);
        // a line before it: at its start the reader would skip a byte order mark
        reader.read_record(b"\n", &mut [0], &mut [0]);
        let whole = [line, b"\n"].concat();
        let (result, read, _, fields) = reader.read_record(&whole, &mut text, &mut ends);
        assert_eq!((result, read), (csv_core::ReadRecordResult::Record, whole.len()));
        let starts = std::iter::once(0).chain(ends);
        starts.zip(&ends[..fields]).map(|(start, end)| text[start..*end].to_vec()).collect()
    }

    proptest! {
        /// Whatever is taken quickly has the fields that `csv_core` finds.
        #[test]
        fn what_is_taken_quickly_is_what_csv_core_says(line in "[ab,\"é]{1,24}") {
            if let Some(fields) = quickly(line.as_bytes()) {
                prop_assert_eq!(fields, by_csv_core(line.as_bytes()));
            }
        }

        /// Every line written by the rules is taken.
        #[test]
        fn lines_by_the_rules_are_taken(fields in proptest::collection::vec(("[a, \"]{0,12}", any::<bool>()), 1..12)) {
            let quoted = |(text, always): &(String, bool)| match *always || text.contains([',', '"']) {
                true => format!("\"{}\"", text.replace('"', "\"\"")),
                false => text.clone(),
            };
            let line = fields.iter().map(quoted).collect::<Vec<_>>().join(",");
            let wanted: Vec<Vec<u8>> = fields.iter().map(|(text, _)| text.clone().into_bytes()).collect();
            prop_assert_eq!(quickly(line.as_bytes()), Some(wanted));
        }
    }

    #[test]
    fn other_lines_are_left_to_csv_core() {
        for line in ["a,\"b", "\"a\"b,c", "a\"b\",c", "a,b\"", "\"a\"\"", "a,\"b\" ,c"] {
            assert_eq!(quickly(line.as_bytes()), None, "{line}");
        }
    }
}
