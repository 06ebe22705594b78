//! Houses whose truth is known: errors keep the stated law, blunders are named where they can be, and nobody is
//! named otherwise.

use crossfoot_audit::measure::Source;
use crossfoot_audit::measure::field_notes::FieldNotes;
use crossfoot_audit::measure::observation::Verdict;

use crate::chance::Chance;
use crate::houses::{House, PLAIN, Recipe, draw, feet, whole_area, worked_up};

const HOUSES: usize = 1_000;

/// Root mean square of errors over their standard deviations, and the share beyond two.
fn law(errors: &[f64]) -> (f64, f64) {
    let count = errors.len() as f64;
    let square: f64 = errors.iter().map(|error| error * error).sum();
    let beyond = errors.iter().filter(|error| error.abs() > 2.0).count();
    ((square / count).sqrt(), beyond as f64 / count)
}

/// Areas and wall lengths of a thousand houses against the truth.
fn keeps_the_law(seed: u64, recipe: &Recipe) {
    let mut chance = Chance::seed(seed);
    let (mut areas, mut lengths, mut tests) = (Vec::new(), Vec::new(), 0.0);
    for _ in 0..HOUSES {
        let House { notes, true_area_sqft, true_lengths_ft } = draw(&mut chance, recipe);
        let house = worked_up(&notes);
        let area = whole_area(&house);
        areas.push((area.area.to_square_feet_f64() - true_area_sqft) / area.sd_sqft);
        tests += house.test.chi2 / house.test.degrees_of_freedom as f64;
        // One wall a house: walls of one house share their errors.
        let wall = chance.below(true_lengths_ft.len());
        let error = house.walls[wall].length.to_feet_f64() - true_lengths_ft[wall];
        let scale = recipe.scale_sd_ppm * 1e-6 * true_lengths_ft[wall];
        lengths.push(error / house.walls[wall].sd_ft.hypot(scale));
    }
    let (area_rms, beyond) = law(&areas);
    let (length_rms, _) = law(&lengths);
    let variance = tests / HOUSES as f64;
    println!(
        "area rms {area_rms:.4}, beyond two {beyond:.4}, length rms {length_rms:.4}, unit variance {variance:.4}"
    );
    assert!((0.95..=1.05).contains(&area_rms), "area: {area_rms}");
    assert!((0.03..=0.06).contains(&beyond), "beyond two: {beyond}");
    assert!((0.95..=1.05).contains(&length_rms), "length: {length_rms}");
    assert!((0.95..=1.05).contains(&variance), "unit variance: {variance}");
}

#[test]
fn errors_keep_the_stated_law_in_right_angled_houses() {
    keeps_the_law(11, &PLAIN);
}

#[test]
fn errors_keep_the_stated_law_with_bays_ties_allowances_and_directions() {
    let recipe = Recipe {
        readings: (1, 3),
        direction_sd_degrees: 0.2,
        bays: true,
        ties: true,
        allowances: true,
        derived: true,
        ..PLAIN
    };
    keeps_the_law(12, &recipe);
}

#[test]
fn errors_keep_the_stated_law_where_one_instrument_is_off_in_scale() {
    // A scale error far beyond any tape's, so that it shows; one instrument, since two would contradict each other.
    let recipe = Recipe { readings: (2, 2), scale_sd_ppm: 2_000.0, ..PLAIN };
    let mut chance = Chance::seed(13);
    let mut areas = Vec::new();
    for _ in 0..HOUSES {
        let House { mut notes, true_area_sqft, .. } =
            draw(&mut chance, &Recipe { scale_sd_ppm: 0.0, ..recipe });
        let scale = chance.normal(recipe.scale_sd_ppm * 1e-6);
        notes.instruments[0].scale_sd_ppm = Some(recipe.scale_sd_ppm);
        for reading in notes.walls.iter_mut().flat_map(|wall| &mut wall.length.readings) {
            let piece = &mut reading.pieces[0];
            piece.instrument.clone_from(&notes.instruments[0].name);
            piece.length = feet(piece.length.to_feet_f64() * (1.0 + scale));
        }
        let area = whole_area(&worked_up(&notes));
        assert!(area.scale_sd_sqft > area.readings_sd_sqft);
        areas.push((area.area.to_square_feet_f64() - true_area_sqft) / area.sd_sqft);
    }
    let (rms, _) = law(&areas);
    assert!((0.95..=1.05).contains(&rms), "{rms}");
}

/// Adds `error` feet to the readings of a wall, all or one of them.
fn blunder(notes: &mut FieldNotes, wall: usize, reading: Option<usize>, error: f64) {
    for (at, one) in notes.walls[wall].length.readings.iter_mut().enumerate() {
        if reading.is_none_or(|only| only == at) {
            let piece = &mut one.pieces[0];
            piece.length = feet(piece.length.to_feet_f64() + error);
        }
    }
}

fn size(chance: &mut Chance) -> f64 {
    let size = chance.between(0.5, 2.0);
    if chance.one_in(2) { size } else { -size }
}

#[test]
fn a_blunder_in_one_of_two_readings_is_named() {
    for (seed, direction_sd_degrees) in [(21, 0.0), (22, 0.2)] {
        let recipe = Recipe { readings: (2, 2), direction_sd_degrees, ..PLAIN };
        let mut chance = Chance::seed(seed);
        let (mut walls, mut readings) = (0, 0);
        for _ in 0..HOUSES {
            let mut house = draw(&mut chance, &recipe);
            let wall = chance.below(house.notes.walls.len());
            let reading = chance.below(2);
            let error = size(&mut chance);
            blunder(&mut house.notes, wall, Some(reading), error);
            let found = worked_up(&house.notes).suspicions;
            let first = &found[0];
            walls += usize::from(first.named() == Some(Source::Length(wall)));
            readings += usize::from(first.named_reading() == Some((Source::Length(wall), reading)));
            let wrong = first.named_reading().is_some_and(|one| one != (Source::Length(wall), reading));
            assert!(!wrong, "{found:?}");
        }
        println!(
            "direction sd {direction_sd_degrees}: wall named {walls}, reading named {readings} of {HOUSES}"
        );
        assert!(walls >= 990, "{walls}");
        // Held directions without error tell which reading; loose ones often do not.
        assert!(direction_sd_degrees > 0.0 || readings >= 900, "{readings}");
    }
}

#[test]
fn a_single_loop_read_once_names_nobody() {
    let mut chance = Chance::seed(23);
    let mut rejected = 0;
    for _ in 0..HOUSES {
        let mut house = draw(&mut chance, &PLAIN);
        let wall = chance.below(house.notes.walls.len());
        let error = size(&mut chance);
        blunder(&mut house.notes, wall, None, error);
        let found = worked_up(&house.notes);
        rejected += usize::from(found.test.verdict == Verdict::Rejected);
        assert!(found.suspicions.iter().all(|one| one.named().is_none()), "{:?}", found.suspicions);
        let group = found.suspicions[0].distances();
        assert!(group.contains(&Source::Length(wall)), "{group:?}");
        assert!(found.suspicions[0].may_be_out_of_square());
    }
    assert!(rejected >= 990, "{rejected}");
}

#[test]
fn walls_that_agree_with_themselves_and_do_not_balance_name_nobody() {
    for (seed, direction_sd_degrees) in [(24, 0.0), (25, 0.05)] {
        let recipe = Recipe { readings: (2, 2), direction_sd_degrees, ..PLAIN };
        let mut chance = Chance::seed(seed);
        let mut suspected = 0;
        for _ in 0..HOUSES {
            let mut house = draw(&mut chance, &recipe);
            let wall = chance.below(house.notes.walls.len());
            let error = size(&mut chance);
            blunder(&mut house.notes, wall, None, error);
            let found = worked_up(&house.notes);
            let Some(first) = found.suspicions.first() else { continue };
            suspected += 1;
            assert!(first.distances().contains(&Source::Length(wall)), "{first:?}");
            for one in &found.suspicions {
                assert_eq!((one.named(), one.named_reading()), (None, None), "{one:?}");
            }
            assert!(first.may_be_out_of_square());
        }
        println!("direction sd {direction_sd_degrees}: group named {suspected} of {HOUSES}");
        assert!(suspected >= 800, "{suspected}");
    }
}

#[test]
fn houses_without_a_blunder_rarely_raise_an_alarm() {
    let recipe = Recipe { readings: (2, 2), direction_sd_degrees: 0.2, ties: true, bays: true, ..PLAIN };
    let mut chance = Chance::seed(26);
    let alarms = (0..HOUSES).filter(|_| {
        let house = worked_up(&draw(&mut chance, &recipe).notes);
        !house.suspicions.is_empty()
    });
    // Two levels of 0.001: the global test, and the largest of all test values.
    let alarms = alarms.count();
    assert!(alarms <= 6, "{alarms}");
}
