//! Texts on the sheet and the room that they take.

use super::shape::{Block, Spot};

/// The families asked for, in order.
pub(super) const FAMILIES: &str = "Liberation Sans, Arial, Helvetica, DejaVu Sans, sans-serif";

/// Advance widths of the characters from the space to the tilde, in thousandths of the size: of each the wider one
/// of Liberation Sans (as wide as Arial and Helvetica) and DejaVu Sans, from the fonts' own tables. A text is thus
/// never wider than reckoned in either, and in the first some tenth narrower.
const WIDTHS: [u16; 95] = [
    318, 401, 460, 838, 637, 951, 780, 275, 391, 391, 500, 838, 318, 361, 318, 337, 637, 637, 637, 637, 637,
    637, 637, 637, 637, 637, 337, 337, 838, 838, 838, 557, 1016, 685, 687, 723, 771, 667, 611, 778, 752, 295,
    500, 667, 558, 863, 749, 788, 667, 788, 723, 667, 611, 732, 685, 989, 686, 667, 686, 391, 337, 391, 838,
    557, 500, 613, 635, 550, 635, 616, 353, 635, 634, 278, 278, 580, 278, 975, 634, 612, 635, 635, 412, 521,
    393, 634, 592, 818, 592, 592, 525, 637, 337, 637, 838,
];
/// Of other characters: letters of Latin, Greek and Cyrillic reach 1.42 in single cases, ideographs 1.
const OTHER_WIDTH: u16 = 1000;
/// Bold is wider: at most 1.12 times in Liberation Sans, 1.14 on average in DejaVu Sans.
const BOLD: f64 = 1.15;
/// Above and below the baseline, in sizes: capitals, figures and parentheses.
const ABOVE: f64 = 0.78;
const BELOW: f64 = 0.22;
/// From one baseline to the next, in sizes.
pub(super) const LEADING: f64 = 1.25;

/// Which end of a text stands at its place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Hold {
    Start,
    Middle,
}

/// What a text is for; gives its class.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Role {
    Title,
    Level,
    Subtitle,
    RegionName,
    RegionLine,
    Dimension,
    Suspect,
    Fixture,
    Scale,
    Legend,
    Note,
    North,
}

impl Role {
    pub(super) const fn class(self) -> &'static str {
        match self {
            Self::Title => "plan-title",
            Self::Level => "plan-level",
            Self::Subtitle => "plan-subtitle",
            Self::RegionName => "plan-region-name",
            Self::RegionLine => "plan-region-line",
            Self::Dimension => "plan-dimension",
            Self::Suspect => "plan-suspect-text",
            Self::Fixture => "plan-fixture-text",
            Self::Scale => "plan-scale-text",
            Self::Legend => "plan-legend-text",
            Self::Note => "plan-note",
            Self::North => "plan-north-text",
        }
    }

    const fn is_bold(self) -> bool {
        match self {
            Self::Title | Self::Level | Self::RegionName | Self::North => true,
            Self::Subtitle
            | Self::RegionLine
            | Self::Dimension
            | Self::Suspect
            | Self::Fixture
            | Self::Scale
            | Self::Legend
            | Self::Note => false,
        }
    }
}

/// A text at its place: one line.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Lettering {
    pub(super) text: String,
    /// Where its baseline begins or has its middle.
    pub(super) place: Spot,
    pub(super) hold: Hold,
    pub(super) size: f64,
    pub(super) role: Role,
    /// Its reading direction, of length 1: to the right, up, or between them.
    pub(super) along: Spot,
}

impl Lettering {
    /// A level text with its middle at `middle`, halfway up its box.
    pub(super) fn centred(text: &str, middle: Spot, size: f64, role: Role) -> Self {
        Self::turned(text, middle, size, role, Spot::new(1.0, 0.0))
    }

    /// The same in another direction.
    pub(super) fn turned(text: &str, middle: Spot, size: f64, role: Role, along: Spot) -> Self {
        let place = middle.plus(along.turned(), size * (ABOVE - BELOW) / 2.0);
        Self { text: text.to_owned(), place, hold: Hold::Middle, size, role, along }
    }

    /// A level text that begins at `x`; `top` is the top of its box.
    pub(super) fn starting(text: &str, x: f64, top: f64, size: f64, role: Role) -> Self {
        let (place, along) = (Spot::new(x, top + size * ABOVE), Spot::new(1.0, 0.0));
        Self { text: text.to_owned(), place, hold: Hold::Start, size, role, along }
    }

    pub(super) fn is_bold(&self) -> bool {
        self.role.is_bold()
    }

    pub(super) fn block(&self) -> Block {
        let half_width = width(&self.text, self.size, self.role) / 2.0;
        let middle = match self.hold {
            Hold::Middle => self.place,
            Hold::Start => self.place.plus(self.along, half_width),
        };
        let middle = middle.plus(self.along.turned(), -self.size * (ABOVE - BELOW) / 2.0);
        Block { middle, half_width, half_height: self.size * (ABOVE + BELOW) / 2.0, along: self.along }
    }
}

fn advance(character: char) -> u16 {
    let at = u32::from(character).checked_sub(32).and_then(|at| usize::try_from(at).ok());
    at.and_then(|at| WIDTHS.get(at)).copied().unwrap_or(OTHER_WIDTH)
}

/// The most that a line of text takes, in pixels.
pub(super) fn width(text: &str, size: f64, role: Role) -> f64 {
    let thousandths: u64 = text.chars().map(|character| u64::from(advance(character))).sum();
    thousandths as f64 / 1000.0 * size * if role.is_bold() { BOLD } else { 1.0 }
}

/// The text on one line: every run of white space and control characters is one space. Marks that turn the reading
/// direction of what follows are left out too: they would reach beyond their own text.
pub(super) fn on_one_line(text: &str) -> String {
    let is_blank =
        |one: char| one.is_control() || matches!(one, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    let spaced: String = text.chars().map(|one| if is_blank(one) { ' ' } else { one }).collect();
    spaced.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Lines no wider than `most`, broken between words, and within a word that is wider by itself. Beyond
/// `lines_most` lines the last one ends with an ellipsis.
pub(super) fn wrapped(text: &str, size: f64, role: Role, most: f64, lines_most: usize) -> Vec<String> {
    let fits = |line: &str| width(line, size, role) <= most;
    let mut lines: Vec<String> = Vec::new();
    let mut line = String::new();
    for word in on_one_line(text).split(' ') {
        let longer = if line.is_empty() { word.to_owned() } else { format!("{line} {word}") };
        if fits(&longer) {
            line = longer;
            continue;
        }
        if !line.is_empty() {
            lines.push(core::mem::take(&mut line));
        }
        for character in word.chars() {
            line.push(character);
            if !fits(&line) && line.chars().count() > 1 {
                line.pop();
                lines.push(core::mem::take(&mut line));
                line.push(character);
            }
        }
    }
    lines.push(line);
    lines.retain(|line| !line.is_empty());
    if lines.len() > lines_most {
        lines.truncate(lines_most);
        if let Some(last) = lines.last_mut() {
            while !last.is_empty() && !fits(&format!("{last}…")) {
                last.pop();
            }
            last.push('…');
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lines(text: &str, most: f64, lines_most: usize) -> Vec<String> {
        wrapped(text, 10.0, Role::Note, most, lines_most)
    }

    #[test]
    fn text_is_broken_between_words_and_within_only_where_it_must_be() {
        assert_eq!(lines("  one\ttwo\n three ", 41.0, 9), ["one two", "three"]);
        assert_eq!(lines("mmmmmm", 20.0, 9), ["mm", "mm", "mm"]);
        assert_eq!(lines("one two three", 41.0, 1), ["one t…"]);
        assert_eq!(lines(" \u{1}\u{202e} ", 40.0, 9), [""; 0]);
    }

    #[test]
    fn a_line_is_as_wide_as_its_characters() {
        // 0.637 + 0.275 of Liberation Sans and DejaVu Sans, of each character the wider
        assert!((width("7'", 10.0, Role::Note) - 9.12).abs() < 1e-9);
        assert!((width("漢", 10.0, Role::Note) - 10.0).abs() < 1e-9);
        assert!(width("7'", 10.0, Role::Title) > width("7'", 10.0, Role::Note));
    }

    #[test]
    fn a_turned_text_has_a_turned_box() {
        let text =
            Lettering::turned("24' 0\"", Spot::new(5.0, 7.0), 10.0, Role::Dimension, Spot::new(0.0, -1.0));
        let block = text.block();
        assert!((block.middle.x - 5.0).abs() < 1e-9 && (block.middle.y - 7.0).abs() < 1e-9);
        let corners = block.corners();
        let wide = corners.iter().map(|corner| (corner.x - 5.0).abs()).fold(0.0, f64::max);
        assert!((wide - 5.0).abs() < 1e-9);
    }
}
