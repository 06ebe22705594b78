//! Invented houses to draw.

use crossfoot_audit::length::Length;
use crossfoot_audit::measure::polygon::{Point, Polygon};
use crossfoot_audit::plan::{
    Counting, DimensionStyle, Edge, EdgeKind, Ground, Opening, Plan, Region, Stair, Way,
};

pub(crate) const WALL: EdgeKind = EdgeKind::OuterWall { thickness: None };

pub(crate) fn nanometres(feet: f64) -> i64 {
    Length::from_feet_f64(feet).unwrap().nanometres()
}

pub(crate) fn point((east, north): (f64, f64)) -> Point {
    Point { east: nanometres(east), north: nanometres(north) }
}

pub(crate) fn polygon(corners: &[(f64, f64)]) -> Polygon {
    Polygon { corners: corners.iter().copied().map(point).collect() }
}

fn rectangle(east: f64, north: f64, width: f64, depth: f64) -> Vec<(f64, f64)> {
    vec![(east, north), (east + width, north), (east + width, north + depth), (east, north + depth)]
}

fn length(from: (f64, f64), to: (f64, f64)) -> Length {
    Length::from_feet_f64(((to.0 - from.0).powi(2) + (to.1 - from.1).powi(2)).sqrt()).unwrap()
}

pub(crate) fn edge(from: (f64, f64), to: (f64, f64), kind: EdgeKind) -> Edge {
    let dimension = Some(length(from, to).to_feet_inches(2));
    Edge { from: point(from), to: point(to), kind, dimension, is_derived: false, suspect: None }
}

pub(crate) fn edges(corners: &[(f64, f64)], kind: EdgeKind) -> Vec<Edge> {
    let next = corners.iter().cycle().skip(1);
    corners.iter().zip(next).map(|(from, to)| edge(*from, *to, kind)).collect()
}

pub(crate) fn region(name: &str, corners: &[(f64, f64)], counting: Counting) -> Region {
    let rings = vec![polygon(corners)];
    let area = rings[0].area().unwrap().to_square_feet(1);
    Region { name: name.to_owned(), lines: vec![format!("{area} sq ft")], rings, counting }
}

/// A level of one counted region with walls all round.
pub(crate) fn simple(title: &str, corners: &[(f64, f64)]) -> Plan {
    Plan {
        title: title.to_owned(),
        subtitle: "Basalt County, parcel 07-0412-003. Measured 12 May 2026.".to_owned(),
        level_name: "Main level".to_owned(),
        regions: vec![region("Living", corners, Counting::Counted)],
        edges: edges(corners, WALL),
        openings: Vec::new(),
        stairs: Vec::new(),
        north_degrees: Some(0),
        dimension_style: DimensionStyle::Feet,
        notes: vec!["Not a land survey. Dimensions adjusted from field readings.".to_owned()],
        ground: Ground::Paper,
    }
}

pub(crate) fn l_shape() -> Plan {
    let corners = [(0.0, 10.0), (14.0, 10.0), (14.0, 0.0), (42.0, 0.0), (42.0, 28.0), (0.0, 28.0)];
    let mut plan = simple("12 Olivine Street", &corners);
    plan.edges[2].suspect = Some("readings differ by 6 in".to_owned());
    plan.edges[4].is_derived = true;
    plan.notes.insert(0, "Closes within 0.2 ft on a perimeter of 140 ft.".to_owned());
    plan
}

pub(crate) fn u_shape() -> Plan {
    let corners = [
        (0.0, 0.0),
        (16.0, 0.0),
        (16.0, 22.0),
        (30.0, 22.0),
        (30.0, 4.0),
        (48.0, 4.0),
        (48.0, 40.0),
        (0.0, 40.0),
    ];
    let mut plan = simple("3 Garnet Court", &corners);
    plan.north_degrees = Some(40);
    plan
}

pub(crate) fn t_shape() -> Plan {
    let corners = [
        (18.0, 0.0),
        (32.5, 0.0),
        (32.5, 20.0),
        (50.0, 20.0),
        (50.0, 42.0),
        (0.0, 42.0),
        (0.0, 20.0),
        (18.0, 20.0),
    ];
    simple("77 Feldspar Road", &corners)
}

/// A bay by run and rise on the side of so many quarter turns.
pub(crate) fn bay(turns: usize) -> Plan {
    let mut corners = vec![
        (0.0, 0.0),
        (11.0, 0.0),
        (13.0, -2.5),
        (19.0, -2.5),
        (21.0, 0.0),
        (32.0, 0.0),
        (32.0, 24.0),
        (0.0, 24.0),
    ];
    for _ in 0..turns {
        corners = corners.into_iter().map(|(east, north): (f64, f64)| (-north, east)).collect();
    }
    simple(&format!("{} Mica Lane", 10 + turns), &corners)
}

pub(crate) fn turret() -> Plan {
    let mut corners = vec![(0.0, 0.0), (26.0, 0.0)];
    let (middle, radius) = ((30.0, 2.0), 6.5);
    for at in 0..7 {
        let angle = f64::from(at * 45 - 157) * std::f64::consts::PI / 180.0;
        corners.push((middle.0 + radius * angle.cos(), middle.1 + radius * angle.sin()));
    }
    corners[2] = (26.0, -1.5);
    corners.extend([(30.0, 30.0), (0.0, 30.0)]);
    let last = corners.len() - 3;
    corners[last] = (30.0, 9.0);
    simple("1 Tourmaline Crescent", &corners)
}

/// Long and narrow with ten short jogs.
pub(crate) fn jogs() -> Plan {
    let mut corners = Vec::new();
    for at in 0..11 {
        let east = f64::from(at) * 9.0;
        let north = if at % 2 == 0 { 0.0 } else { -1.5 };
        corners.extend([(east, north), (east + 9.0, north)]);
    }
    corners.extend([(99.0, 18.0), (0.0, 18.0)]);
    simple("240 Schist Alley", &corners)
}

pub(crate) fn with_garage() -> Plan {
    let living = [(0.0, 0.0), (36.0, 0.0), (36.0, 30.0), (0.0, 30.0)];
    let garage = [(36.0, 2.0), (58.0, 2.0), (58.0, 26.0), (36.0, 26.0)];
    let mut plan = simple("8 Pyrite Way", &living);
    plan.regions.push(region("Garage", &garage, Counting::NotCounted));
    let outer = EdgeKind::OuterWall { thickness: Length::from_feet_f64(0.5) };
    plan.edges = vec![
        edge((0.0, 0.0), (36.0, 0.0), outer),
        edge((36.0, 0.0), (36.0, 2.0), outer),
        edge((36.0, 2.0), (36.0, 26.0), EdgeKind::Partition),
        edge((36.0, 26.0), (36.0, 30.0), outer),
        edge((36.0, 30.0), (0.0, 30.0), outer),
        edge((0.0, 30.0), (0.0, 0.0), outer),
        edge((36.0, 2.0), (58.0, 2.0), outer),
        edge((58.0, 2.0), (58.0, 26.0), outer),
        edge((58.0, 26.0), (36.0, 26.0), outer),
    ];
    plan.stairs.push(Stair {
        polygon: polygon(&rectangle(20.0, 14.0, 3.5, 11.0)),
        way: Way::Up,
        towards: Some(point((21.5, 30.0))),
    });
    plan
}

pub(crate) fn porch_and_deck() -> Plan {
    let house = rectangle(0.0, 0.0, 40.0, 26.0);
    let mut plan = simple("19 Quartz Terrace", &house);
    let porch = rectangle(10.0, -6.0, 14.0, 6.0);
    let deck = rectangle(22.0, 26.0, 18.0, 12.0);
    let sun = rectangle(-8.0, 8.0, 8.0, 14.0);
    plan.regions.push(region("Porch", &porch, Counting::Apart("porches".to_owned())));
    plan.regions.push(region("Deck", &deck, Counting::NotCounted));
    plan.regions.push(region("Sun room", &sun, Counting::Weighted("× 0.5".to_owned())));
    let path = |points: &[(f64, f64)], kind: EdgeKind| -> Vec<Edge> {
        points.windows(2).map(|pair| edge(pair[0], pair[1], kind)).collect()
    };
    plan.edges.extend(path(&[porch[3], porch[0], porch[1], porch[2]], EdgeKind::Open));
    plan.edges.extend(path(&[(40.0, 26.0), (40.0, 38.0), (22.0, 38.0), (22.0, 26.0)], EdgeKind::Railing));
    plan.edges.extend(path(&[(0.0, 22.0), (-8.0, 22.0), (-8.0, 8.0), (0.0, 8.0)], WALL));
    plan.edges[0].suspect = Some("readings differ by 1 ft".to_owned());
    plan
}

pub(crate) fn upper_level() -> Plan {
    let house = rectangle(0.0, 0.0, 34.0, 28.0);
    let mut plan = simple("19 Quartz Terrace", &house);
    plan.level_name = "Upper level".to_owned();
    let knee = rectangle(0.0, 0.0, 34.0, 5.0);
    plan.regions = vec![
        region("Loft", &rectangle(0.0, 5.0, 34.0, 23.0), Counting::Counted),
        region("Under the eaves", &knee, Counting::NotCounted),
    ];
    plan.edges.push(edge((0.0, 5.0), (34.0, 5.0), EdgeKind::CeilingLine));
    plan.edges[1].kind = EdgeKind::CommonWall;
    plan.openings.push(Opening {
        polygon: polygon(&rectangle(18.0, 12.0, 12.0, 11.0)),
        label: "Open to below".to_owned(),
    });
    let railing = [(18.0, 23.0), (18.0, 12.0), (30.0, 12.0)];
    for pair in railing.windows(2) {
        plan.edges.push(edge(pair[0], pair[1], EdgeKind::Railing));
    }
    plan.stairs.push(Stair {
        polygon: polygon(&rectangle(5.0, 10.0, 3.0, 12.0)),
        way: Way::Down,
        towards: Some(point((6.0, 0.0))),
    });
    plan.stairs.push(Stair {
        polygon: polygon(&rectangle(31.0, 14.0, 3.0, 8.0)),
        way: Way::Up,
        towards: None,
    });
    plan
}

pub(crate) fn hut() -> Plan {
    simple("Hut behind 12 Olivine Street", &rectangle(0.0, 0.0, 10.0, 8.0))
}

pub(crate) fn long_house() -> Plan {
    let mut plan = simple("400 Gneiss Highway", &rectangle(0.0, 0.0, 120.0, 24.0));
    let split = |from: f64, to: f64| rectangle(from, 0.0, to - from, 24.0);
    plan.regions = vec![
        region("Living", &split(0.0, 70.0), Counting::Counted),
        region("Utility", &split(70.0, 74.0), Counting::Counted),
        region("Barn", &split(74.0, 120.0), Counting::Apart("outbuildings".to_owned())),
    ];
    plan.edges.push(edge((70.0, 0.0), (70.0, 24.0), EdgeKind::Partition));
    plan.edges.push(edge((74.0, 0.0), (74.0, 24.0), EdgeKind::Partition));
    plan
}

pub(crate) fn metric() -> Plan {
    let mut plan = l_shape();
    plan.title = "Haus Nr. 4".to_owned();
    plan.dimension_style = DimensionStyle::Metric;
    for edge in &mut plan.edges {
        let apart = |one: i64, other: i64| (one - other).abs();
        let nanometres = apart(edge.to.east, edge.from.east).max(apart(edge.to.north, edge.from.north));
        edge.dimension = Some(format!("{} m", Length::from_nanometres(nanometres).to_metres(2)));
    }
    plan.edges[2].suspect = Some("readings differ by 0.15 m".to_owned());
    plan.regions[0].lines = vec![format!("{} m²", 96.25)];
    plan
}

/// A courtyard, which walls surround.
pub(crate) fn courtyard() -> Plan {
    let outer = rectangle(0.0, 0.0, 60.0, 48.0);
    let court = rectangle(20.0, 16.0, 18.0, 14.0);
    let mut plan = simple("6 Amphibole Square", &outer);
    plan.regions[0].rings.push(polygon(&court));
    plan.edges.extend(edges(&court, WALL));
    plan
}

/// An angle that no axis is parallel to.
pub(crate) fn turned() -> Plan {
    let (sin, cos) = (0.5_f64, 0.75_f64.sqrt());
    let corners = [(0.0, 0.0), (30.0, 0.0), (30.0, 12.0), (44.0, 12.0), (44.0, 30.0), (0.0, 30.0)];
    let corners = corners.map(|(east, north)| (east * cos - north * sin, east * sin + north * cos));
    simple("2 Dolomite Bend", &corners)
}

/// Texts that want to be something else.
pub(crate) fn hostile() -> Plan {
    let mut plan = l_shape();
    let nasty = "</text><script>alert(\"1\" & '2')</script> ]]> <!-- \u{1}\u{ffff}\u{202e}";
    plan.title = nasty.to_owned();
    plan.subtitle = "long ".repeat(400);
    plan.level_name = "unbroken".repeat(300);
    plan.regions[0].name = nasty.to_owned();
    plan.regions[0].lines = vec!["&amp;".to_owned(), "\"quoted\" 漢字 ".repeat(20)];
    plan.regions[0].counting = Counting::Weighted("<b>".repeat(60));
    plan.edges[0].dimension = Some("<12' 0\">".to_owned());
    plan.edges[1].suspect = Some(nasty.to_owned());
    plan.edges[3].dimension = Some("9".repeat(500));
    plan.notes = vec![nasty.to_owned(), String::new(), "n".repeat(5000)];
    plan
}

/// Stairs of 3 by 8 ft that nobody noted the direction of.
pub(crate) fn stairs(east: f64, north: f64) -> Stair {
    Stair { polygon: polygon(&rectangle(east, north, 3.0, 8.0)), way: Way::Up, towards: None }
}

/// Many rooms, some of them narrow, with long names; a round bow of many short walls.
pub(crate) fn rooms() -> Plan {
    let mut corners = vec![(0.0, 0.0), (20.0, 0.0)];
    for at in 1..8 {
        let angle = f64::from(at) * std::f64::consts::PI / 8.0;
        corners.push((26.0 - 6.0 * angle.cos(), -6.0 * angle.sin()));
    }
    corners.extend([(32.0, 0.0), (52.0, 0.0), (52.0, 30.0), (0.0, 30.0)]);
    let mut plan = simple("5 Hornblende Heights", &corners);
    plan.regions.clear();
    let narrow = [
        ("Hall", 0.0, 4.0),
        ("Workshop and store of garden tools, not heated", 4.0, 12.0),
        ("Chimney", 12.0, 13.0),
        ("Bathroom", 13.0, 19.0),
        ("Sitting room", 19.0, 52.0),
    ];
    for (name, from, to) in narrow {
        let counting = match name {
            "Chimney" => Counting::NotCounted,
            "Bathroom" => Counting::Weighted("× 0.5".to_owned()),
            "Hall" => Counting::Weighted("× 0.25".to_owned()),
            _ if name.len() > 20 => Counting::Apart("unfinished".to_owned()),
            _ => Counting::Counted,
        };
        plan.regions.push(region(name, &rectangle(from, 14.0, to - from, 16.0), counting));
        if from > 0.0 {
            plan.edges.push(edge((from, 14.0), (from, 30.0), EdgeKind::Partition));
        }
    }
    let last = corners.len() - 2;
    let mut front = corners[..last].to_vec();
    front.extend([(52.0, 14.0), (0.0, 14.0)]);
    plan.regions.push(region("Kitchen", &front, Counting::Counted));
    plan.edges.push(edge((0.0, 14.0), (52.0, 14.0), EdgeKind::Partition));
    plan.north_degrees = Some(205);
    plan
}

pub(crate) fn all() -> Vec<(&'static str, Plan)> {
    vec![
        ("l_shape", l_shape()),
        ("u_shape", u_shape()),
        ("t_shape", t_shape()),
        ("bay_south", bay(0)),
        ("bay_east", bay(1)),
        ("bay_north", bay(2)),
        ("bay_west", bay(3)),
        ("turret", turret()),
        ("jogs", jogs()),
        ("with_garage", with_garage()),
        ("porch_and_deck", porch_and_deck()),
        ("upper_level", upper_level()),
        ("hut", hut()),
        ("long_house", long_house()),
        ("metric", metric()),
        ("courtyard", courtyard()),
        ("turned", turned()),
        ("rooms", rooms()),
        ("hostile", hostile()),
    ]
}
