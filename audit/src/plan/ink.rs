//! What is drawn, and how it is written down as SVG.

use core::fmt::Write as _;

use super::lettering::{FAMILIES, Hold, Lettering};
use super::shape::{Line, Ring, Spot};

/// The colours of a sheet that stands alone; a page sets its own.
pub(super) const PAPER: &str = "#fbf9f4";
const INK: &str = "#1d1b16";

/// A pen: width and dashes of a line, and its class.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Pen {
    OuterWall,
    OuterFace,
    CommonWall,
    Partition,
    Railing,
    RailingPair,
    CeilingLine,
    Open,
    Suspect,
    Dimension,
    Extension,
    Tick,
    Leader,
    Diagonal,
    Cross,
    Dots,
    OpeningOutline,
    OpeningCross,
    StairOutline,
    Tread,
    Arrow,
    Rule,
    Swatch,
    ScaleBar,
    North,
}

impl Pen {
    /// Class, width in pixels, dashes.
    pub(super) const fn look(self) -> (&'static str, f64, &'static str) {
        match self {
            Self::OuterWall => ("plan-outer-wall", 3.2, ""),
            Self::OuterFace => ("plan-outer-wall", 1.2, ""),
            Self::CommonWall => ("plan-common-wall", 3.2, "14 4"),
            Self::Partition => ("plan-partition", 1.8, ""),
            Self::Railing => ("plan-railing", 0.9, ""),
            Self::RailingPair => ("plan-railing-pair", 0.9, ""),
            Self::CeilingLine => ("plan-ceiling-line", 1.0, "6 4"),
            Self::Open => ("plan-open", 1.0, "10 3 1.5 3"),
            Self::Suspect => ("plan-suspect", 6.4, ""),
            Self::Dimension => ("plan-dimension-line", 0.6, ""),
            Self::Extension => ("plan-extension", 0.45, ""),
            Self::Tick => ("plan-tick", 1.4, ""),
            Self::Leader => ("plan-leader", 0.6, ""),
            Self::Diagonal => ("plan-apart", 0.5, ""),
            Self::Cross => ("plan-weighted", 0.45, ""),
            Self::Dots => ("plan-not-counted", 1.3, ""),
            Self::OpeningOutline => ("plan-opening", 1.0, ""),
            Self::OpeningCross => ("plan-opening-cross", 0.5, ""),
            Self::StairOutline => ("plan-stairs", 1.0, ""),
            Self::Tread => ("plan-tread", 0.5, ""),
            Self::Arrow => ("plan-arrow", 0.9, ""),
            Self::Rule => ("plan-rule", 0.5, ""),
            Self::Swatch => ("plan-swatch", 0.8, ""),
            Self::ScaleBar => ("plan-scale-bar", 0.8, ""),
            Self::North => ("plan-north", 0.9, ""),
        }
    }
}

/// Something drawn.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Item {
    /// A wall or border: an element of its own, so that its ends can be read from the file.
    Edge(Pen, Line),
    /// Lines drawn with one pen.
    Lines(Pen, Vec<Line>),
    /// A closed outline.
    Outline(Pen, Ring),
    /// An area filled with ink.
    Filled(&'static str, Ring),
    /// A text.
    Text(Lettering),
}

/// Two decimals everywhere: a hundredth of a pixel is below what any screen or printer shows.
fn number(value: f64) -> String {
    let text = format!("{value:.2}");
    let trimmed = text.trim_end_matches('0').trim_end_matches('.');
    if trimmed == "-0" { "0".to_owned() } else { trimmed.to_owned() }
}

/// Text as XML text or attribute value. Characters that XML forbids become the replacement character.
pub(super) fn escaped(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for character in text.chars() {
        match character {
            '&' => escaped.push_str("&amp;"),
            '<' => escaped.push_str("&lt;"),
            '>' => escaped.push_str("&gt;"),
            '"' => escaped.push_str("&quot;"),
            '\'' => escaped.push_str("&#39;"),
            '\u{fffe}' | '\u{ffff}' => escaped.push('\u{fffd}'),
            other if other.is_control() => escaped.push(' '),
            other => escaped.push(other),
        }
    }
    escaped
}

/// The file so far.
pub(super) struct Writer {
    text: String,
    shift: Spot,
}

impl Writer {
    /// Begins a sheet; with `ground`, on a sheet of paper.
    pub(super) fn begin(width: f64, height: f64, heading: &str, description: &str, ground: bool) -> Self {
        let (width, height) = (number(width), number(height));
        let mut text = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"plan\" role=\"img\" viewBox=\"0 0 {width} {height}\" \
             width=\"{width}\" height=\"{height}\" color=\"{INK}\" fill=\"none\" stroke=\"none\" \
             font-family=\"{FAMILIES}\">\n<title>{}</title>\n<desc>{}</desc>\n",
            escaped(heading),
            escaped(description)
        );
        if ground {
            let _ = writeln!(
                text,
                "<rect class=\"plan-paper\" width=\"{width}\" height=\"{height}\" fill=\"{PAPER}\"/>"
            );
        }
        Self { text, shift: Spot::new(0.0, 0.0) }
    }

    /// Moves what follows.
    pub(super) const fn shift(&mut self, by: Spot) {
        self.shift = by;
    }

    pub(super) fn end(mut self) -> String {
        self.text.push_str("</svg>\n");
        self.text
    }

    fn pair(&self, spot: Spot) -> String {
        let spot = spot.plus(self.shift, 1.0);
        format!("{} {}", number(spot.x), number(spot.y))
    }

    fn line(&self, line: Line) -> String {
        format!("M{}L{}", self.pair(line.from), self.pair(line.to))
    }

    fn ring(&self, ring: &[Spot]) -> String {
        let corners: Vec<String> = ring.iter().map(|spot| self.pair(*spot)).collect();
        format!("M{}Z", corners.join("L"))
    }

    pub(super) fn draw(&mut self, item: &Item) {
        // Writing to a String cannot fail.
        let _ = match item {
            Item::Edge(pen, line) => {
                let (from, to) = (line.from.plus(self.shift, 1.0), line.to.plus(self.shift, 1.0));
                let ends = [from.x, from.y, to.x, to.y].map(number);
                let [x1, y1, x2, y2] = ends;
                let stroke = stroke(*pen);
                writeln!(self.text, "<line x1=\"{x1}\" y1=\"{y1}\" x2=\"{x2}\" y2=\"{y2}\" {stroke}/>")
            }
            Item::Lines(pen, lines) => {
                let path: String = lines.iter().map(|line| self.line(*line)).collect();
                if path.is_empty() {
                    return;
                }
                writeln!(self.text, "<path d=\"{path}\" {}/>", stroke(*pen))
            }
            Item::Outline(pen, ring) => {
                writeln!(self.text, "<path d=\"{}\" {}/>", self.ring(ring), stroke(*pen))
            }
            Item::Filled(class, ring) => {
                let path = self.ring(ring);
                writeln!(self.text, "<path class=\"{class}\" d=\"{path}\" fill=\"currentColor\"/>")
            }
            Item::Text(lettering) => writeln!(self.text, "{}", self.lettering(lettering)),
        };
    }

    fn lettering(&self, lettering: &Lettering) -> String {
        let place = lettering.place.plus(self.shift, 1.0);
        let (x, y, size) = (number(place.x), number(place.y), number(lettering.size));
        let class = lettering.role.class();
        let anchor = match lettering.hold {
            Hold::Start => "",
            Hold::Middle => " text-anchor=\"middle\"",
        };
        let bold = if lettering.is_bold() { " font-weight=\"bold\"" } else { "" };
        let degrees = libm::atan2(lettering.along.y, lettering.along.x) * 180.0 / core::f64::consts::PI;
        let degrees = number(degrees);
        let turn =
            if degrees == "0" { String::new() } else { format!(" transform=\"rotate({degrees} {x} {y})\"") };
        let text = escaped(&lettering.text);
        format!(
            "<text class=\"{class}\" x=\"{x}\" y=\"{y}\" font-size=\"{size}\"{anchor}{bold}{turn} \
             fill=\"currentColor\">{text}</text>"
        )
    }
}

fn stroke(pen: Pen) -> String {
    let (class, width, dashes) = pen.look();
    let cap = match pen {
        Pen::Dots | Pen::OuterWall | Pen::OuterFace | Pen::Partition | Pen::Suspect => {
            " stroke-linecap=\"round\""
        }
        Pen::CommonWall
        | Pen::Railing
        | Pen::RailingPair
        | Pen::CeilingLine
        | Pen::Open
        | Pen::Dimension
        | Pen::Extension
        | Pen::Tick
        | Pen::Leader
        | Pen::Diagonal
        | Pen::Cross
        | Pen::OpeningOutline
        | Pen::OpeningCross
        | Pen::StairOutline
        | Pen::Tread
        | Pen::Arrow
        | Pen::Rule
        | Pen::Swatch
        | Pen::ScaleBar
        | Pen::North => "",
    };
    let dashes = if dashes.is_empty() { String::new() } else { format!(" stroke-dasharray=\"{dashes}\"") };
    format!("class=\"{class}\" stroke=\"currentColor\" stroke-width=\"{}\"{cap}{dashes}", number(width))
}
