//! What the document's fonts can show, and what stands in for the rest.
//!
//! An archival document may not hold a character without a glyph, and characters that cannot be seen could make a
//! text read otherwise than it is. Both are shown by their code point, `[U+1F3E0]`; the attached data have them.

use typst::text::Font;

/// How far the fonts are trusted to show a text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Trust {
    /// Whatever one of them has a glyph for.
    Coverage,
    /// Latin letters only: where shaping found no glyph although each character has one.
    Latin,
}

/// Replaces what cannot be shown, and remembers whether anything was.
pub(crate) struct Showing<'a> {
    fonts: &'a [Font],
    trust: Trust,
    replaced: bool,
}

impl<'a> Showing<'a> {
    pub(crate) fn new(fonts: &'a [Font], trust: Trust) -> Self {
        Self { fonts, trust, replaced: false }
    }

    /// Whether a text so far had something that cannot be shown.
    pub(crate) fn replaced(&self) -> bool {
        self.replaced
    }

    /// The text as it can be shown.
    pub(crate) fn text(&mut self, text: &str) -> String {
        let mut shown = String::with_capacity(text.len());
        for c in text.chars() {
            if self.has(c) {
                shown.push(c);
            } else {
                self.replaced = true;
                shown.push_str(&format!("[U+{:04X}]", u32::from(c)));
            }
        }
        shown
    }

    fn has(&self, c: char) -> bool {
        if (' '..='~').contains(&c) {
            return true;
        }
        let trusted = match self.trust {
            Trust::Coverage => true,
            Trust::Latin => c <= '\u{17F}' || matches!(c, '\u{2010}'..='\u{2026}' | '\u{2212}'),
        };
        trusted && !unseen(c) && self.fonts.iter().any(|font| font.info().coverage.contains(u32::from(c)))
    }
}

/// Characters that leave no mark: controls, joiners, marks of direction, selectors, private use, noncharacters.
fn unseen(c: char) -> bool {
    c.is_control()
        || matches!(c,
            '\u{AD}' | '\u{34F}' | '\u{61C}' | '\u{115F}' | '\u{1160}' | '\u{17B4}' | '\u{17B5}'
            | '\u{180B}'..='\u{180F}' | '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}'
            | '\u{2060}'..='\u{206F}' | '\u{3164}' | '\u{E000}'..='\u{F8FF}' | '\u{FDD0}'..='\u{FDEF}'
            | '\u{FE00}'..='\u{FE0F}' | '\u{FEFF}' | '\u{FFA0}' | '\u{FFF0}'..='\u{FFFF}'
            | '\u{1BCA0}'..='\u{1BCA3}' | '\u{1D173}'..='\u{1D17A}' | '\u{E0000}'..='\u{10FFFF}')
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::document::fonts;

    fn shown(text: &str, trust: Trust) -> (String, bool) {
        let fonts = fonts();
        let mut showing = Showing::new(&fonts, trust);
        (showing.text(text), showing.replaced())
    }

    #[test]
    fn letters_that_the_fonts_have_stay_as_they_are() {
        for text in ["Þórðarson, Łódź", "Ωμέγα", "Дом", "שלום", "½ µm × 3 − 2 …"] {
            assert_eq!(shown(text, Trust::Coverage), (text.to_owned(), false));
        }
    }

    #[test]
    fn what_cannot_be_seen_is_shown_by_its_code_point() {
        assert_eq!(shown("a\u{1F3E0}b\n\u{202E}c", Trust::Coverage).0, "a[U+1F3E0]b[U+000A][U+202E]c");
        assert_eq!(shown("\u{E000}\u{FFFF}\u{0}", Trust::Coverage).0, "[U+E000][U+FFFF][U+0000]");
    }

    #[test]
    fn only_latin_letters_are_trusted_where_shaping_failed() {
        assert_eq!(shown("Łódź", Trust::Latin), ("Łódź".to_owned(), false));
        assert_eq!(shown("Дом", Trust::Latin).0, "[U+0414][U+043E][U+043C]");
    }
}
