//! Houses drawn at random on a grid, as documents: a rectangle with bumps, parts in it, a garage, an opening with a stair.

use proptest::prelude::*;
use serde_json::{Value, json};

/// Inches: 40 x 30 ft and more, in whole inches so that every length is exact.
#[derive(Debug, Clone)]
pub(crate) struct House {
    /// Width and depth of the ground floor.
    pub(crate) size: (i64, i64),
    /// Width and depth of a corner that is cut off at the rear and the right, if any.
    pub(crate) notch: Option<(i64, i64)>,
    /// Width and depth of a garage at the front and the left.
    pub(crate) garage: Option<(i64, i64)>,
    /// Width of drawn parts along the rear, each `depth` deep, side by side.
    pub(crate) rooms: Vec<(i64, i64)>,
    /// Width and depth of the opening over the front and the left of the upper level, and its treads.
    pub(crate) opening: Option<(i64, i64)>,
    /// Depth of a porch along the whole front, if any.
    pub(crate) porch: Option<i64>,
    /// Thickness of the walls.
    pub(crate) thickness: i64,
}

/// How the same house is written down.
#[derive(Debug, Clone, Default)]
pub(crate) struct Written {
    /// Clockwise turn of all directions.
    pub(crate) turned_degrees: f64,
    /// East for west.
    pub(crate) mirrored: bool,
    /// Every outline walked the other way round.
    pub(crate) reversed: bool,
    /// The corner where the ground floor is begun, which moves all others.
    pub(crate) start: usize,
    /// Written before every wall's name.
    pub(crate) prefix: String,
}

pub(crate) fn houses() -> impl Strategy<Value = House> {
    let size = (360_i64..720, 300_i64..600);
    let notch = proptest::option::of((60_i64..140, 40_i64..100));
    let garage = proptest::option::of((120_i64..200, 120_i64..140));
    let rooms = proptest::collection::vec((48_i64..72, 48_i64..120), 0..=3);
    let opening = proptest::option::of((60_i64..120, 60_i64..120));
    let porch = proptest::option::of(36_i64..120);
    (size, notch, garage, rooms, opening, porch, 4_i64..12).prop_map(
        |(size, notch, garage, rooms, opening, porch, thickness)| House {
            size,
            notch,
            garage,
            rooms,
            opening,
            porch,
            thickness,
        },
    )
}

/// A closed ring: corners in inches, and what each side is.
type Ring = Vec<((i64, i64), &'static str)>;

fn rectangle((west, south): (i64, i64), (width, depth): (i64, i64), edges: [&'static str; 4]) -> Ring {
    let corners =
        [(west, south), (west + width, south), (west + width, south + depth), (west, south + depth)];
    corners.into_iter().zip(edges).collect()
}

/// The walls and outlines written so far.
struct Notes<'w> {
    written: &'w Written,
    origin: (i64, i64),
    walls: Vec<Value>,
    outlines: Vec<Value>,
}

impl Notes<'_> {
    /// A wall along one axis, by its steps in inches.
    fn wall(&mut self, name: &str, (east, north): (i64, i64)) {
        let east = if self.written.mirrored { -east } else { east };
        let degrees = match (east.signum(), north.signum()) {
            (0, 1) => 0.0,
            (1, 0) => 90.0,
            (0, -1) => 180.0,
            _ => 270.0,
        };
        let degrees = (degrees + self.written.turned_degrees).rem_euclid(360.0);
        let length = format!("{} in", east.abs() + north.abs());
        let reading = json!({ "pieces": [{ "length": length, "instrument": "tape" }] });
        self.walls.push(json!({
            "name": name,
            "direction": { "bearing": { "degrees": degrees } },
            "length": { "readings": [reading.clone(), reading] },
        }));
    }

    fn outline(&mut self, name: &str, ring: &Ring) {
        let mut ring = ring.clone();
        if self.outlines.is_empty() {
            let count = ring.len();
            ring.rotate_left(self.written.start % count);
            self.origin = ring[0].0;
        }
        let mut corners: Vec<(i64, i64)> = ring.iter().map(|(corner, _)| *corner).collect();
        let mut edges: Vec<&str> = ring.iter().map(|(_, edge)| *edge).collect();
        if self.written.reversed {
            corners[1..].reverse();
            edges.reverse();
        }
        let prefix = &self.written.prefix;
        let (to_east, to_north) = (corners[0].0 - self.origin.0, corners[0].1 - self.origin.1);
        let mut way = Vec::new();
        for (word, step) in [("east", (to_east, 0)), ("north", (0, to_north))] {
            if step != (0, 0) {
                way.push((format!("{prefix}{name} way {word}"), step));
            }
        }
        let mut sides = Vec::new();
        for (at, (from, to)) in corners.iter().zip(corners.iter().cycle().skip(1)).enumerate() {
            sides.push((format!("{prefix}{name} {at}"), (to.0 - from.0, to.1 - from.1)));
        }
        for (wall, step) in way.iter().chain(&sides) {
            self.wall(wall, *step);
        }
        let way: Vec<Value> = way.into_iter().map(|(wall, _)| json!({ "wall": wall })).collect();
        let sides: Vec<Value> = sides
            .into_iter()
            .zip(edges)
            .map(|((wall, _), edge)| json!({ "wall": wall, "edge": edge }))
            .collect();
        self.outlines.push(json!({ "name": name, "way": way, "sides": sides }));
    }
}

impl House {
    /// The ring of the ground floor.
    fn ground(&self) -> Ring {
        let (width, depth) = self.size;
        let corners = match self.notch {
            None => vec![(0, 0), (width, 0), (width, depth), (0, depth)],
            Some((cut_width, cut_depth)) => vec![
                (0, 0),
                (width, 0),
                (width, depth - cut_depth),
                (width - cut_width, depth - cut_depth),
                (width - cut_width, depth),
                (0, depth),
            ],
        };
        corners.into_iter().map(|corner| (corner, "outer_wall")).collect()
    }

    /// The document of the house.
    pub(crate) fn document(&self, written: &Written) -> Value {
        let mut notes = Notes { written, origin: (0, 0), walls: Vec::new(), outlines: Vec::new() };
        notes.outline("ground", &self.ground());
        let mut parts = vec![json!({ "name": "rooms", "use": "living", "rest": true })];
        if let Some(garage) = self.garage {
            let edges = ["outer_wall", "partition", "partition", "outer_wall"];
            notes.outline("garage", &rectangle((0, 0), garage, edges));
            parts.push(json!({ "name": "garage", "use": "garage", "outlines": ["garage"] }));
        }
        let mut west = 0;
        for (at, (width, depth)) in self.rooms.iter().enumerate() {
            let name = format!("room {at}");
            let left = if at == 0 { "outer_wall" } else { "open" };
            let edges = ["open", "open", "outer_wall", left];
            notes.outline(&name, &rectangle((west, self.size.1 - depth), (*width, *depth), edges));
            parts.push(json!({ "name": name, "use": "recreation", "outlines": [name] }));
            west += width;
        }
        if let Some(depth) = self.porch {
            let edges = ["open", "open", "outer_wall", "open"];
            notes.outline("porch", &rectangle((0, -depth), (self.size.0, depth), edges));
            parts.push(json!({ "name": "porch", "use": "porch", "outlines": ["porch"] }));
        }
        let mut levels = vec![json!({ "level": 1, "grade": "above", "outline": ["ground"], "parts": parts })];
        if let Some((width, depth)) = self.opening {
            let edges = ["outer_wall", "open", "open", "outer_wall"];
            notes.outline("hall", &rectangle((0, 0), (width, depth), edges));
            notes.outline("stair", &rectangle((12, 12), (36, depth - 24), ["open"; 4]));
            levels.push(json!({
                "level": 2, "grade": "above", "outline": ["ground"],
                "parts": [{ "name": "loft", "use": "living", "rest": true }],
                "openings": [{ "name": "hall", "outlines": ["hall"], "cut_from": "loft" }],
                "stairs": [{ "name": "stair", "opening": "hall", "outlines": ["stair"] }],
            }));
        }
        json!({
            "reference": "A-1", "parcel": "07-0412-003", "measured_on": "2026-03-08",
            "field_notes": {
                "wall_thickness": format!("{} in", self.thickness),
                "instruments": [{ "name": "tape", "kind": "tape" }],
                "walls": notes.walls,
                "outlines": notes.outlines,
            },
            "buildings": [{ "name": "main house", "kind": "main", "levels": levels }],
        })
    }
}
