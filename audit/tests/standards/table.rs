//! What each definition does with each part of a house, cell by cell. What the sources do not settle is not here.

use crossfoot_audit::house::{
    Access, BuildingKind, Enclosure, Finish, Heat, House, Part, PartUse, Storey, WallFace,
};
use crossfoot_audit::standard::{CountingVerdict, Standard};

use crate::houses::{above, below, building, flat, house, living, part, slopes, sqft, standard, under};

const MEMORY: &str = "from memory";

const ANSI: &str = "finished-above-grade";
const NC: &str = "north-carolina-living-area";
const ALBERTA: &str = "alberta-rms";
const GEA: &str = "uk-gea";
const GIA: &str = "uk-gia";
const IPMS: &str = "ipms-residential-3b";
const WOFLV: &str = "woflv";
const MARYLAND: &str = "maryland-living-area";
const MONEE: &str = "monee-living-area";
const ONTARIO: &str = "ontario-living-area";
const COOK: &str = "cook-county-building-area";
const MIAMI: &str = "miami-dade-adjusted-area";

const HOME: &str = "btrhomeappraisals.com/home-measurement";
const STAIRS: &str = "mckissock.com/blog/appraisal/navigating-stairs-with-ansi-dont-fall-down";
const BUYER: &str = "selling-guide.fanniemae.com, what is included in gross living area";
const COMMISSION: &str = "carolinalistingexpress.com/squarefootage.htm";
const LISTINGS: &str = "brookspetersonlaw.com, square footage requirements for North Carolina listings";
const COUNCIL: &str = "reca.ca/residential-measurement-standard";
const AGENCY: &str = "gov.uk, code of measuring practice: definitions for rating purposes";
const ORDINANCE: &str = "lexcada.com, WoFlV";
const WEIGHTS: &str = "lbs.de, Wohnflächenberechnung";
const MANUAL: &str = "dat.maryland.gov, procedure 270";
const CARD: &str = "moneeassessor.com/PRCselect.htm";
const ONTARIAN: &str = "mpac.ca/node/289";
const COLUMNS: &str = "github.com/ccao-data/data-architecture, dbt/models/shared_columns.md";
const BROKER: &str = "miamihal.com/calculating-square-footage";

/// What becomes of 1,000 square feet of a part.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Cell {
    Counted,
    Apart,
    Not,
    /// So many thousandths of it count.
    Weighs(i64),
}
use Cell::{Apart, Counted, Not, Weighs};

type Cells = &'static [(&'static str, Cell, &'static str)];

fn found(standard: &Standard, house: &House) -> Cell {
    let statement = standard.state(house);
    let thousandths = statement.total.to_square_feet_f64().round();
    assert!((thousandths - statement.total.to_square_feet_f64()).abs() < 1e-6);
    match (thousandths, statement.lines.first().map(|line| line.verdict)) {
        (0.0, Some(CountingVerdict::Apart)) => Apart,
        (0.0, Some(CountingVerdict::NotCounted)) => Not,
        (1000.0, Some(CountingVerdict::Counted)) => Counted,
        (value, Some(CountingVerdict::Counted)) => Weighs(value as i64),
        other => panic!("{}: {other:?}", standard.id),
    }
}

fn check(row: &str, house: &House, cells: Cells) {
    for (id, expected, source) in cells {
        assert!(!source.is_empty());
        assert_eq!(found(&standard(id), house), *expected, "{row} by {id} ({source})");
    }
}

fn heated(part: Part) -> Part {
    Part { heat: Some(Heat::MainSystem), ..part }
}

fn main_level(part: Part) -> House {
    house(vec![above(1, vec![part])])
}

#[test]
fn areas_are_measured_to_the_face_that_each_definition_names() {
    for (id, face, source) in [
        (ANSI, WallFace::Outside, "listserv.repp.org, summary of ANSI Z765"),
        (NC, WallFace::Outside, MEMORY),
        (ALBERTA, WallFace::Outside, COUNCIL),
        (GEA, WallFace::Outside, AGENCY),
        (GIA, WallFace::Inside, AGENCY),
        (IPMS, WallFace::Inside, MEMORY),
        (WOFLV, WallFace::Inside, ORDINANCE),
        (MARYLAND, WallFace::Outside, MANUAL),
        (MONEE, WallFace::Outside, CARD),
        (ONTARIO, WallFace::Outside, ONTARIAN),
        (COOK, WallFace::Outside, "Cook County assessor, questions and answers"),
        (MIAMI, WallFace::Outside, MEMORY),
    ] {
        assert_eq!(standard(id).measured_to, face, "{id} ({source})");
    }
}

#[test]
fn finished_levels_above_and_below_grade() {
    check(
        "finished level above grade",
        &main_level(heated(living(1000.0))),
        &[
            (ANSI, Counted, HOME),
            (NC, Counted, COMMISSION),
            (ALBERTA, Counted, COUNCIL),
            (GEA, Counted, AGENCY),
            (GIA, Counted, AGENCY),
            (IPMS, Counted, MEMORY),
            (WOFLV, Counted, ORDINANCE),
            (MARYLAND, Counted, MANUAL),
            (MONEE, Counted, CARD),
            (ONTARIO, Counted, ONTARIAN),
            (COOK, Counted, COLUMNS),
            (MIAMI, Counted, BROKER),
        ],
    );
    let second = house(vec![above(2, vec![heated(living(1000.0))])]);
    check("second storey", &second, &[(MIAMI, Weighs(800), BROKER), (MARYLAND, Counted, MANUAL)]);
    let partly = house(vec![below(0, vec![heated(living(1000.0))])]);
    check(
        "finished level partly below grade",
        &partly,
        &[
            (ANSI, Apart, BUYER),
            (NC, Apart, LISTINGS),
            (ALBERTA, Apart, COUNCIL),
            (GIA, Counted, MEMORY),
            (IPMS, Counted, MEMORY),
            (MARYLAND, Not, MANUAL),
            (ONTARIO, Not, ONTARIAN),
        ],
    );
    let cellar = house(vec![below(0, vec![part(PartUse::Storage, 1000.0)])]);
    check("cellar room", &cellar, &[(WOFLV, Not, ORDINANCE)]);
}

#[test]
fn unfinished_basements() {
    let part = Part { finish: Finish::Unfinished, ..part(PartUse::Storage, 1000.0) };
    check(
        "unfinished basement",
        &house(vec![below(0, vec![part])]),
        &[
            (ANSI, Apart, HOME),
            (NC, Not, COMMISSION),
            (ALBERTA, Not, COUNCIL),
            (GIA, Counted, MEMORY),
            (IPMS, Counted, MEMORY),
            (WOFLV, Not, ORDINANCE),
            (MARYLAND, Not, MEMORY),
            (ONTARIO, Not, ONTARIAN),
        ],
    );
}

#[test]
fn the_lower_levels_of_split_houses() {
    let lower = |storey| {
        let mut level = below(0, vec![living(1000.0)]);
        level.storey = storey;
        house(vec![level])
    };
    check(
        "split level, lower level",
        &lower(Storey::SplitLevel),
        &[(MARYLAND, Counted, MANUAL), (MONEE, Counted, CARD), (ANSI, Apart, BUYER)],
    );
    check("split foyer, lower level", &lower(Storey::SplitFoyer), &[(MARYLAND, Not, MANUAL)]);
    let mut above_grade = above(1, vec![living(1000.0)]);
    above_grade.storey = Storey::SplitFoyer;
    check("split foyer, above grade", &house(vec![above_grade]), &[(MARYLAND, Not, MANUAL)]);
}

#[test]
fn garages() {
    check(
        "attached garage",
        &main_level(part(PartUse::Garage, 1000.0)),
        &[
            (ANSI, Not, HOME),
            (NC, Not, LISTINGS),
            (ALBERTA, Not, MEMORY),
            (GIA, Counted, MEMORY),
            (IPMS, Apart, MEMORY),
            (WOFLV, Not, ORDINANCE),
            (MARYLAND, Not, MEMORY),
            (MONEE, Not, MEMORY),
            (ONTARIO, Not, ONTARIAN),
            (COOK, Not, COLUMNS),
            (MIAMI, Weighs(500), BROKER),
        ],
    );
    let detached = building(BuildingKind::Garage, vec![above(1, vec![part(PartUse::Garage, 1000.0)])]);
    check(
        "detached garage",
        &House { buildings: vec![detached], ..House::default() },
        &[
            (ANSI, Not, MEMORY),
            (NC, Not, LISTINGS),
            (ALBERTA, Not, MEMORY),
            (GIA, Apart, MEMORY),
            (IPMS, Apart, MEMORY),
            (WOFLV, Not, ORDINANCE),
            (MARYLAND, Not, MEMORY),
            (ONTARIO, Not, MEMORY),
        ],
    );
}

#[test]
fn porches_walks_and_decks() {
    let open = |part_use| main_level(Part { enclosure: Some(Enclosure::Open), ..part(part_use, 1000.0) });
    let screened = main_level(Part { enclosure: Some(Enclosure::Screened), ..part(PartUse::Porch, 1000.0) });
    for house in [open(PartUse::Porch), screened, open(PartUse::CoveredWalk)] {
        check(
            "open or screened porch, covered walk",
            &house,
            &[
                (ANSI, Not, HOME),
                (NC, Not, LISTINGS),
                (ALBERTA, Not, MEMORY),
                // left out, and stated apart
                (GIA, Apart, AGENCY),
                (GEA, Apart, AGENCY),
                (IPMS, Apart, MEMORY),
                (MARYLAND, Not, MEMORY),
                (ONTARIO, Not, ONTARIAN),
                (MIAMI, Weighs(330), BROKER),
            ],
        );
    }
    check(
        "deck, terrace, balcony",
        &main_level(part(PartUse::Deck, 1000.0)),
        &[
            (ANSI, Not, MEMORY),
            (NC, Not, LISTINGS),
            (ALBERTA, Not, MEMORY),
            // left out, and shown apart as all that is left out
            (GIA, Apart, AGENCY),
            (GEA, Apart, AGENCY),
            (IPMS, Apart, MEMORY),
            (WOFLV, Weighs(250), WEIGHTS),
            (MARYLAND, Not, MEMORY),
            (ONTARIO, Not, ONTARIAN),
            (MIAMI, Not, BROKER),
        ],
    );
    let enclosed =
        Part { enclosure: Some(Enclosure::Enclosed), heat: Some(Heat::None), ..part(PartUse::Porch, 1000.0) };
    check(
        "enclosed porch, not heated",
        &main_level(enclosed),
        &[
            (ANSI, Not, MEMORY),
            (NC, Not, COMMISSION),
            (ALBERTA, Not, COUNCIL),
            (GIA, Counted, MEMORY),
            (IPMS, Apart, MEMORY),
            (WOFLV, Weighs(500), MEMORY),
            (ONTARIO, Not, ONTARIAN),
        ],
    );
}

#[test]
fn stairs_and_voids() {
    check(
        "stair on the level from which it descends",
        &main_level(part(PartUse::Stair, 1000.0)),
        &[
            (ANSI, Counted, STAIRS),
            (NC, Counted, MEMORY),
            (ALBERTA, Counted, MEMORY),
            (GIA, Counted, AGENCY),
            (WOFLV, Not, MEMORY),
            (MARYLAND, Counted, MEMORY),
            (ONTARIO, Counted, MEMORY),
            (MIAMI, Counted, MEMORY),
        ],
    );
    let under_stair = under(crossfoot_audit::ceiling::Ceiling::UnderStairs, heated(living(1000.0)));
    check(
        "under the stair on the lower level",
        &main_level(under_stair),
        &[
            (ANSI, Counted, STAIRS),
            (NC, Counted, MEMORY),
            (ALBERTA, Counted, MEMORY),
            (GIA, Counted, AGENCY),
            (IPMS, Counted, MEMORY),
            (MARYLAND, Counted, MEMORY),
            (ONTARIO, Counted, MEMORY),
            (MIAMI, Counted, MEMORY),
        ],
    );
    // by height: a third lower than 1 m, a third to 2 m (half of it), a third higher
    let slope = crossfoot_audit::ceiling::Slope { knee: crate::houses::length("0 m"), rise: 1, run: 1 };
    let by_height = crossfoot_audit::ceiling::Ceiling::Sloped {
        width: crate::houses::length("3 m"),
        sides: vec![slope],
        flat_at: None,
        height_sd: None,
    };
    check(
        "under the stair, heights stated",
        &main_level(under(by_height, living(1000.0))),
        &[(WOFLV, Weighs(500), MEMORY)],
    );
    let void = house(vec![above(2, vec![part(PartUse::Opening, 1000.0)])]);
    check(
        "open to the level below",
        &void,
        &[
            (ANSI, Not, STAIRS),
            (NC, Not, MEMORY),
            (ALBERTA, Not, "reca.ca, principles of 2016"),
            (GIA, Not, MEMORY),
            (IPMS, Not, MEMORY),
            (WOFLV, Not, MEMORY),
            (MARYLAND, Counted, MANUAL),
            (ONTARIO, Counted, ONTARIAN),
        ],
    );
}

#[test]
fn half_storeys() {
    let mut half = above(2, vec![under(slopes("24 ft", "4 ft", 6, 12), heated(living(1000.0)))]);
    half.storey = Storey::Half;
    half.footprint = Some(crossfoot_audit::house::Extent { area: sqft(1200.0), shares: Vec::new() });
    let half = house(vec![half]);
    for (id, expected, source) in [
        (MARYLAND, 600.0, MANUAL),
        (MONEE, 900.0, CARD),
        // by height: 20 of 24 ft are higher than 5 ft
        (ANSI, 1000.0 * 20.0 / 24.0, HOME),
        (NC, 1000.0 * 20.0 / 24.0, COMMISSION),
        (ALBERTA, 1000.0 * 20.0 / 24.0, "reca.ca, principles of 2016"),
    ] {
        let total = standard(id).state(&half).total.to_square_feet_f64();
        assert!((total - expected).abs() < 1e-6, "{id}: {total}, wanted {expected} ({source})");
    }
}

#[test]
fn low_ceilings() {
    let at = |height: &str| main_level(under(flat(height), heated(living(1000.0))));
    check(
        "flat, 6 ft 8 in",
        &at("6 ft 8 in"),
        &[
            (ANSI, Not, HOME),
            (NC, Not, COMMISSION),
            (ALBERTA, Not, COUNCIL),
            (GIA, Counted, AGENCY),
            (IPMS, Counted, MEMORY),
            (WOFLV, Counted, WEIGHTS),
            (MARYLAND, Counted, MANUAL),
        ],
    );
    check("flat, 6 ft 5 in, which is less than 2 m", &at("6 ft 5 in"), &[(WOFLV, Weighs(500), WEIGHTS)]);
    check(
        "flat, 4 ft",
        &at("4 ft"),
        &[
            (ANSI, Not, HOME),
            (NC, Not, COMMISSION),
            (ALBERTA, Not, COUNCIL),
            // left out, and shown apart as all that is left out
            (GIA, Apart, AGENCY),
            (GEA, Apart, AGENCY),
            (IPMS, Apart, MEMORY),
            (WOFLV, Weighs(500), WEIGHTS),
        ],
    );
    check("flat, 0.9 m", &at("0.9 m"), &[(WOFLV, Not, WEIGHTS)]);
}

#[test]
fn heat_and_access() {
    let heater = Part { heat: Some(Heat::FixedLocal), ..living(1000.0) };
    check(
        "fixed heater of its own, reached from inside",
        &main_level(heater.clone()),
        &[
            (ANSI, Counted, "appraisersforum.com, heat"),
            (ALBERTA, Counted, COUNCIL),
            (GIA, Counted, AGENCY),
            (IPMS, Counted, MEMORY),
            (WOFLV, Counted, MEMORY),
            (ONTARIO, Counted, MEMORY),
        ],
    );
    let outside = Part { access: Access::Outside, ..heater };
    check(
        "the same, reached from outside",
        &main_level(outside),
        &[(ANSI, Apart, MEMORY), (NC, Not, COMMISSION), (GIA, Counted, MEMORY), (IPMS, Counted, MEMORY)],
    );
    for access in [Access::ThroughUnfinished, Access::Outside] {
        let part = Part { access, ..heated(living(1000.0)) };
        check(
            "finished, reached otherwise",
            &main_level(part),
            &[
                (ANSI, Apart, MEMORY),
                (NC, Not, COMMISSION),
                (GIA, Counted, MEMORY),
                (IPMS, Counted, MEMORY),
                (WOFLV, Counted, MEMORY),
                (ONTARIO, Counted, MEMORY),
            ],
        );
    }
    for heat in [Heat::None, Heat::Portable] {
        let part = Part { heat: Some(heat), ..living(1000.0) };
        check(
            "finished, not heated for good",
            &main_level(part),
            &[(NC, Not, COMMISSION), (ANSI, Counted, HOME)],
        );
    }
}

#[test]
fn bays_and_what_stands_out_without_a_floor() {
    check(
        "bay to the floor",
        &main_level(living(1000.0)),
        &[
            (ANSI, Counted, "listserv.repp.org, summary of ANSI Z765"),
            (NC, Counted, MEMORY),
            (ALBERTA, Counted, "reca.ca, principles of 2016"),
            (GIA, Counted, MEMORY),
            (IPMS, Counted, MEMORY),
            (WOFLV, Counted, MEMORY),
            (MARYLAND, Counted, MEMORY),
            (ONTARIO, Counted, MEMORY),
            (MIAMI, Counted, MEMORY),
        ],
    );
    check(
        "window or fireplace without floor",
        &main_level(part(PartUse::Protrusion, 1000.0)),
        &[
            (ANSI, Not, HOME),
            (NC, Not, MEMORY),
            (ALBERTA, Not, MEMORY),
            (GIA, Not, MEMORY),
            (IPMS, Not, MEMORY),
            // outer projections and chimney breasts belong to the external area
            (GEA, Counted, AGENCY),
        ],
    );
}

#[test]
fn weights_of_an_adjusted_area() {
    let addition = Part { built: Some(1990), ..living(1000.0) };
    let upper = house(vec![above(2, vec![addition.clone()])]);
    let porch = Part { enclosure: Some(Enclosure::Enclosed), ..part(PartUse::Porch, 1000.0) };
    for (house, expected) in [
        (main_level(addition), Weighs(660)),
        (upper, Weighs(660)),
        (main_level(porch), Weighs(660)),
        (main_level(part(PartUse::Storage, 1000.0)), Weighs(500)),
        (main_level(part(PartUse::Carport, 1000.0)), Weighs(330)),
    ] {
        check("adjusted area", &house, [(MIAMI, expected, BROKER)].to_vec().leak());
    }
    let cautions = standard(MIAMI).cautions.join(" ");
    assert!(cautions.contains("never be compared with a living area"));
}
