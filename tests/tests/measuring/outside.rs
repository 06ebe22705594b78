//! The engine beside NumPy, SciPy, Shapely and `uncertainties`.

use std::io::Write as _;
use std::process::{Command, Stdio};

use crossfoot_audit::measure::Source;
use crossfoot_audit::measure::field_notes::{Direction, FieldNotes};
use crossfoot_audit::measure::observation::Observation;
use crossfoot_audit::measure::polygon::{Point, Polygon};
use crossfoot_testbed::{python, repository};
use serde_json::{Value, json};

use crate::chance::Chance;
use crate::houses::{PLAIN, Recipe, draw, whole_area, worked_up};

/// Runs one task of the oracle.
fn oracle(task: &str, input: &Value) -> Vec<Value> {
    let mut command = Command::new(python());
    command.arg(repository().join("tests/oracle/measuring.py")).arg(task);
    // Small matrices gain nothing from threads.
    command.env("OPENBLAS_NUM_THREADS", "1").stdin(Stdio::piped()).stdout(Stdio::piped());
    let mut child = command.spawn().unwrap();
    child.stdin.take().unwrap().write_all(input.to_string().as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success(), "measuring.py {task} failed");
    serde_json::from_slice(&output.stdout).unwrap()
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
}

/// The largest relative differences seen, by figure.
#[derive(Default)]
struct Apart(std::collections::BTreeMap<&'static str, f64>);

impl Apart {
    /// Compares relative to the reference, or to `floor` where that is larger.
    fn compare(&mut self, figure: &'static str, ours: f64, reference: &Value, floor: f64) {
        let reference = number(reference);
        let apart = (ours - reference).abs() / reference.abs().max(floor);
        let worst = self.0.entry(figure).or_default();
        *worst = worst.max(apart);
        assert!(apart < 1e-6, "{figure}: {ours}, reference {reference}");
    }
}

const EVERYTHING: Recipe = Recipe {
    readings: (1, 3),
    direction_sd_degrees: 0.2,
    scale_sd_ppm: 120.0,
    bays: true,
    ties: true,
    allowances: true,
    rounded: true,
    derived: true,
    ..PLAIN
};

fn houses(seed: u64, count: usize) -> Vec<FieldNotes> {
    let mut chance = Chance::seed(seed);
    let mut houses = Vec::new();
    for at in 0..count {
        let held = if at % 2 == 0 { EVERYTHING.direction_sd_degrees } else { 0.0 };
        houses.push(draw(&mut chance, &Recipe { direction_sd_degrees: held, ..EVERYTHING }).notes);
    }
    houses
}

fn key(describe: &str, observation: &Observation) -> String {
    match observation.reading {
        Some(reading) => format!("{describe} #{reading}"),
        None => describe.to_owned(),
    }
}

fn agrees(notes: &FieldNotes, reference: &Value, apart: &mut Apart) {
    let house = worked_up(notes);
    for wall in &house.walls {
        let theirs = &reference["walls"][&wall.name];
        apart.compare("length", wall.length.to_feet_f64(), &theirs[0], 1.0);
        apart.compare("sd of length", wall.sd_ft, &theirs[1], 1e-4);
    }
    let area = whole_area(&house);
    apart.compare("area", area.area.to_square_feet_f64(), &reference["area_sqft"], 1.0);
    apart.compare("sd of area", area.readings_sd_sqft, &reference["readings_sd_sqft"], 1e-3);
    apart.compare("scale sd of area", area.scale_sd_sqft, &reference["scale_sd_sqft"], 1e-3);
    apart.compare("chi-square", house.test.chi2, &reference["chi2"], 1.0);
    apart.compare("probability", house.test.probability, &reference["probability"], 1e-3);
    assert_eq!(house.test.degrees_of_freedom as u64, reference["degrees_of_freedom"].as_u64().unwrap());
    let theirs = reference["observations"].as_object().unwrap();
    assert_eq!(theirs.len(), house.observations.len());
    for observation in &house.observations {
        let theirs = &theirs[&key(&house.describe(observation.source), observation)];
        let unit = if matches!(observation.source, Source::Direction(_)) { 1f64.to_radians() } else { 1.0 };
        apart.compare("residual", observation.residual * unit, &theirs["residual"], 1e-2);
        apart.compare("redundancy", observation.redundancy, &theirs["redundancy"], 0.1);
        assert_eq!(observation.standardised.is_none(), theirs["standardised"].is_null(), "{observation:?}");
        if let Some(standardised) = observation.standardised {
            apart.compare("standardised residual", standardised, &theirs["standardised"], 1.0);
        }
    }
}

#[test]
fn adjustments_agree_with_two_ways_of_least_squares() {
    let houses = houses(41, 240);
    let theirs = oracle("adjust", &json!(houses));
    let mut apart = Apart::default();
    for (notes, theirs) in houses.iter().zip(&theirs) {
        agrees(notes, &theirs["null_space"], &mut apart);
        agrees(notes, &theirs["bordered"], &mut apart);
    }
    println!("largest relative differences: {:?}", apart.0);
    // The houses are those that were asked for.
    let with = |has: &dyn Fn(&FieldNotes) -> bool| houses.iter().filter(|notes| has(notes)).count();
    let has_bay = |notes: &FieldNotes| {
        notes.walls.iter().any(|wall| matches!(wall.direction, Direction::RunAndRise { .. }))
    };
    assert!(with(&has_bay) > 50 && with(&|notes| !notes.ties.is_empty()) > 100);
    assert!(with(&|notes| notes.walls.iter().any(|wall| wall.length.obstacle.is_some())) > 100);
    assert!(with(&|notes| notes.walls[0].length.readings.is_empty()) > 30);
}

#[test]
fn standard_deviations_of_areas_agree_with_drawn_readings() {
    let houses = houses(42, 20);
    let theirs = oracle("simulate", &json!({"seed": 42, "draws": 10_000, "houses": houses}));
    let mut worst: f64 = 0.0;
    for (notes, drawn) in houses.iter().zip(&theirs) {
        let ours = whole_area(&worked_up(notes)).readings_sd_sqft;
        worst = worst.max((ours / number(drawn) - 1.0).abs());
    }
    println!("largest relative difference to 10,000 draws: {worst:.4}");
    assert!(worst < 0.03, "{worst}");
}

#[test]
fn rectangles_agree_with_the_package_uncertainties() {
    let mut chance = Chance::seed(43);
    let recipe = Recipe { readings: (2, 2), ..PLAIN };
    let mut houses = Vec::new();
    while houses.len() < 200 {
        let mut notes = draw(&mut chance, &recipe).notes;
        if notes.walls.len() == 4 {
            // One instrument: two would each have a scale error of their own.
            notes.instruments[0].scale_sd_ppm = Some(300.0);
            for reading in notes.walls.iter_mut().flat_map(|wall| &mut wall.length.readings) {
                reading.pieces[0].instrument.clone_from(&notes.instruments[0].name);
            }
            houses.push(notes);
        }
    }
    let side = |notes: &FieldNotes, walls: [usize; 2]| {
        let of = |wall: usize| notes.walls[wall].length.readings.iter();
        let readings = of(walls[0]).chain(of(walls[1])).map(|reading| {
            json!([reading.pieces[0].length.to_feet_f64(), reading.sd.unwrap().to_feet_f64()])
        });
        readings.collect::<Vec<_>>()
    };
    let sides = houses
        .iter()
        .map(|notes| json!({"along": side(notes, [0, 2]), "across": side(notes, [1, 3]), "scale_sd": 3e-4}));
    let theirs = oracle("rectangles", &sides.collect::<Value>());
    for (notes, theirs) in houses.iter().zip(&theirs) {
        let area = whole_area(&worked_up(notes));
        assert!((area.area.to_square_feet_f64() - number(&theirs[0])).abs() < 1e-6);
        assert!((area.sd_sqft / number(&theirs[1]) - 1.0).abs() < 1e-6, "{area:?} {theirs}");
    }
}

// --- polygons

fn corners(polygon: &Polygon) -> Value {
    polygon.corners.iter().map(|point| json!([point.east, point.north])).collect()
}

fn compare_rings(rings: &[Polygon]) -> (usize, usize) {
    let theirs = oracle("polygons", &rings.iter().map(corners).collect::<Value>());
    let (mut simple, mut not) = (0, 0);
    for (ring, theirs) in rings.iter().zip(&theirs) {
        let perimeter = ring.perimeter_ft() * 0.3048;
        assert!((perimeter / number(&theirs["perimeter_m"]) - 1.0).abs() < 1e-9);
        let is_simple = ring.faults().is_empty();
        assert_eq!(is_simple, theirs["valid"].as_bool().unwrap(), "{ring:?}");
        if is_simple {
            simple += 1;
            let area = ring.doubled_area().abs() as f64 / 2e18;
            assert!((area / number(&theirs["area_m2"]) - 1.0).abs() < 1e-9, "{ring:?}");
            assert_eq!(ring.is_clockwise(), theirs["clockwise"].as_bool().unwrap());
        } else {
            not += 1;
        }
    }
    (simple, not)
}

#[test]
fn polygons_agree_with_shapely() {
    let mut chance = Chance::seed(44);
    let mut rings = Vec::new();
    for at in 0..1_000 {
        let mut ring = if at % 2 == 0 {
            let notes = draw(&mut chance, &EVERYTHING).notes;
            worked_up(&notes).outlines[0].polygon.clone()
        } else {
            // Whole inches and few of them: many corners fall on sides.
            let corner = |chance: &mut Chance| Point {
                east: chance.below(8) as i64 * 25_400_000,
                north: chance.below(8) as i64 * 25_400_000,
            };
            let count = 3 + chance.below(4);
            let mut drawn: Vec<Point> = (0..count).map(|_| corner(&mut chance)).collect();
            drawn.dedup();
            Polygon { corners: drawn }
        };
        if chance.one_in(3) {
            ring.corners.reverse();
        }
        if ring.corners.len() >= 3 && ring.corners.first() != ring.corners.last() {
            rings.push(ring);
        }
    }
    let (simple, not) = compare_rings(&rings);
    println!("{simple} simple polygons, {not} others");
    assert!(simple > 500 && not > 100, "{simple} {not}");
}

#[test]
fn overlaps_agree_with_shapely() {
    let mut chance = Chance::seed(45);
    let mut pairs = Vec::new();
    for _ in 0..200 {
        let one = worked_up(&draw(&mut chance, &EVERYTHING).notes).outlines[0].polygon.clone();
        let mut other = worked_up(&draw(&mut chance, &EVERYTHING).notes).outlines[0].polygon.clone();
        let (east, north) = (chance.below(60) as i64 * 304_800_000, chance.below(40) as i64 * 304_800_000);
        for corner in &mut other.corners {
            corner.east += east;
            corner.north += north;
        }
        pairs.push((one, other));
    }
    let input = pairs.iter().map(|(one, other)| json!([corners(one), corners(other)])).collect::<Value>();
    let theirs = oracle("overlaps", &input);
    let sum = |patches: Vec<crossfoot_audit::measure::polygon::Patch>| {
        patches.iter().map(|patch| patch.area_sqft).sum::<f64>()
    };
    for ((one, other), theirs) in pairs.iter().zip(&theirs) {
        assert!((sum(one.overlaps(other, 0.0)) - number(&theirs["both"])).abs() < 1e-4, "{theirs}");
        assert!((sum(one.outside(other, 0.0)) - number(&theirs["outside"])).abs() < 1e-4, "{theirs}");
    }
}

#[test]
fn real_footprints_agree_with_shapely() {
    // Building footprints of the package momepy 0.11.0 (momepy/datasets/bubenec.gpkg).
    let found = oracle("footprints", &Value::Null);
    assert_eq!(found.len(), 144);
    let (mut area, mut perimeter, mut corners) = (0.0, 0.0, 0);
    for building in &found {
        let (mut of_building, mut around) = (0.0, 0.0);
        for (at, ring) in building["rings"].as_array().unwrap().iter().enumerate() {
            let point =
                |point: &Value| Point { east: point[0].as_i64().unwrap(), north: point[1].as_i64().unwrap() };
            let ring = Polygon { corners: ring.as_array().unwrap().iter().map(point).collect() };
            assert_eq!(ring.faults(), []);
            let size = ring.doubled_area().abs() as f64 / 2e18;
            of_building += if at == 0 { size } else { -size };
            around += ring.perimeter_ft() * 0.3048;
            corners += ring.corners.len();
        }
        assert!((of_building / number(&building["area_m2"]) - 1.0).abs() < 1e-9, "{building}");
        assert!((around / number(&building["perimeter_m"]) - 1.0).abs() < 1e-9);
        area += of_building;
        perimeter += around;
    }
    println!("{corners} corners");
    assert!((area - 104_842.974_8).abs() < 1e-3, "{area}");
    assert!((perimeter - 16_351.563_6).abs() < 1e-3, "{perimeter}");
}
