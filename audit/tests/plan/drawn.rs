//! A drawing read back from its SVG text, by means of its own: widths, boxes and crossings are reckoned here anew.

use roxmltree::{Document, Node};

pub(crate) type Spot = (f64, f64);

pub(crate) struct Text {
    pub(crate) class: String,
    pub(crate) text: String,
    pub(crate) corners: [Spot; 4],
}

pub(crate) struct Stroke {
    pub(crate) class: String,
    pub(crate) from: Spot,
    pub(crate) to: Spot,
    pub(crate) width: f64,
}

pub(crate) struct Drawn {
    pub(crate) width: f64,
    pub(crate) height: f64,
    pub(crate) texts: Vec<Text>,
    pub(crate) strokes: Vec<Stroke>,
}

impl Drawn {
    pub(crate) fn read(svg: &str) -> Self {
        let document = Document::parse(svg).unwrap();
        let root = document.root_element();
        let mut drawn = Self {
            width: attribute(root, "width"),
            height: attribute(root, "height"),
            texts: Vec::new(),
            strokes: Vec::new(),
        };
        for node in root.descendants().filter(Node::is_element) {
            match node.tag_name().name() {
                "text" => drawn.texts.push(text(node)),
                "line" => drawn.strokes.push(Stroke {
                    class: node.attribute("class").unwrap().to_owned(),
                    from: (attribute(node, "x1"), attribute(node, "y1")),
                    to: (attribute(node, "x2"), attribute(node, "y2")),
                    width: attribute(node, "stroke-width"),
                }),
                "path" => drawn.strokes.extend(path(node)),
                _ => {}
            }
        }
        drawn
    }

    pub(crate) fn of_class<'d>(&'d self, class: &'d str) -> impl Iterator<Item = &'d Stroke> {
        self.strokes.iter().filter(move |stroke| stroke.class == class)
    }
}

fn attribute(node: Node<'_, '_>, name: &str) -> f64 {
    node.attribute(name).unwrap_or("0").parse().unwrap()
}

/// Widths in thousandths of the size by groups of characters: Liberation Sans, rounded up; bold a tenth wider.
fn advance(character: char) -> f64 {
    match character {
        'i' | 'j' | 'l' | '\'' => 222.0,
        'I' | 'f' | 't' | ' ' | '.' | ',' | ':' | ';' | '/' | '!' | '|' => 278.0,
        '(' | ')' | '-' | 'r' | '"' | '[' | ']' => 356.0,
        'm' | 'M' => 833.0,
        'W' | '…' | '@' | '%' => 1015.0,
        'J' => 556.0,
        'A'..='Z' | 'w' | '&' => 778.0,
        _ if character.is_ascii() => 584.0,
        _ => 600.0,
    }
}

fn text(node: Node<'_, '_>) -> Text {
    let text = node.text().unwrap_or_default().to_owned();
    let size = attribute(node, "font-size");
    let bold = if node.attribute("font-weight") == Some("bold") { 1.1 } else { 1.0 };
    let width = text.chars().map(advance).sum::<f64>() / 1000.0 * size * bold;
    let place = (attribute(node, "x"), attribute(node, "y"));
    let left = if node.attribute("text-anchor") == Some("middle") { -width / 2.0 } else { 0.0 };
    let degrees: f64 = node.attribute("transform").map_or(0.0, |turn| {
        let numbers = turn.strip_prefix("rotate(").unwrap();
        numbers.split(' ').next().unwrap().parse().unwrap()
    });
    let (sin, cos) = degrees.to_radians().sin_cos();
    let corner =
        |right: f64, down: f64| (place.0 + right * cos - down * sin, place.1 + right * sin + down * cos);
    let (top, bottom) = (-0.73 * size, 0.21 * size);
    let corners =
        [corner(left, top), corner(left + width, top), corner(left + width, bottom), corner(left, bottom)];
    Text { class: node.attribute("class").unwrap().to_owned(), text, corners }
}

/// The lines of a path of `M`, `L` and `Z`.
fn path(node: Node<'_, '_>) -> Vec<Stroke> {
    let mut strokes = Vec::new();
    let class = node.attribute("class").unwrap();
    for part in node.attribute("d").unwrap().split('M').filter(|part| !part.is_empty()) {
        let corners: Vec<Spot> = part.trim_end_matches('Z').split('L').map(spot).collect();
        let mut ends: Vec<(Spot, Spot)> = corners.windows(2).map(|pair| (pair[0], pair[1])).collect();
        if part.ends_with('Z') {
            ends.push((corners[corners.len() - 1], corners[0]));
        }
        let width = attribute(node, "stroke-width");
        strokes.extend(ends.into_iter().map(|(from, to)| Stroke {
            class: class.to_owned(),
            from,
            to,
            width,
        }));
    }
    strokes
}

fn spot(text: &str) -> Spot {
    let (x, y) = text.split_once(' ').unwrap();
    (x.parse().unwrap(), y.parse().unwrap())
}

/// Whether two convex shapes have something in common: no side of either separates them.
pub(crate) fn meet(one: &[Spot], other: &[Spot]) -> bool {
    let separates = |corners: &[Spot]| {
        (0..corners.len()).any(|at| {
            let (from, to) = (corners[at], corners[(at + 1) % corners.len()]);
            let normal = (from.1 - to.1, to.0 - from.0);
            let reach = |of: &[Spot]| {
                let along = of.iter().map(|spot| spot.0 * normal.0 + spot.1 * normal.1);
                (along.clone().fold(f64::INFINITY, f64::min), along.fold(f64::NEG_INFINITY, f64::max))
            };
            let ((low, high), (other_low, other_high)) = (reach(one), reach(other));
            high <= other_low || other_high <= low
        })
    };
    !separates(one) && !separates(other)
}

/// A stroke as a shape with its width.
pub(crate) fn outline(stroke: &Stroke) -> [Spot; 4] {
    let (from, to) = (stroke.from, stroke.to);
    let length = (to.0 - from.0).hypot(to.1 - from.1).max(1e-9);
    let half = stroke.width.max(0.1) / 2.0 / length;
    let across = ((from.1 - to.1) * half, (to.0 - from.0) * half);
    [
        (from.0 + across.0, from.1 + across.1),
        (to.0 + across.0, to.1 + across.1),
        (to.0 - across.0, to.1 - across.1),
        (from.0 - across.0, from.1 - across.1),
    ]
}
