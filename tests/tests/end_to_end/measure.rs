//! `crossfoot measure`: a house from its readings to areas, without an installation.

use std::fs;
use std::process::{Command, Stdio};

use serde_json::{Value, json};
use tempfile::TempDir;

use crate::installation::{Ended, Installation, program_alone};

/// A folder of the test and the program in it; no database is near.
struct Desk(TempDir);

impl Desk {
    fn new() -> Self {
        Self(TempDir::new().unwrap())
    }

    fn measure(&self, arguments: &[&str]) -> Ended {
        Ended::of(self.command().args(arguments))
    }

    fn command(&self) -> Command {
        let mut command = program_alone("crossfoot", self.0.path());
        command.arg("measure");
        command
    }

    fn file(&self, name: &str, content: impl AsRef<[u8]>) -> String {
        fs::write(self.0.path().join(name), content).unwrap();
        name.to_owned()
    }
}

/// A file of the repository.
fn fixture(path: &str) -> String {
    format!("{}/../fixtures/{path}", env!("CARGO_MANIFEST_DIR"))
}

fn wall(name: &str, toward: &str, length: &str) -> Value {
    let reading = json!({ "pieces": [{ "length": length, "instrument": "laser" }] });
    json!({ "name": name, "direction": { "compass": { "toward": toward } }, "length": { "readings": [reading] } })
}

/// A house of 40 ft by 25 ft whose rear wall was read as so long.
fn house(rear: &str) -> Value {
    let sides = ["front", "right", "rear", "left"].map(|name| json!({ "wall": name }));
    json!({
        "reference": "M-01",
        "parcel": "07-0001-001",
        "measured_on": "2026-05-04",
        "field_notes": {
            "instruments": [{ "name": "laser", "kind": "laser" }],
            "walls": [
                wall("front", "east", "40 ft"), wall("right", "north", "25 ft"),
                wall("rear", "west", rear), wall("left", "south", "25 ft"),
            ],
            "outlines": [{ "name": "ground", "sides": sides }],
        },
        "buildings": [{ "name": "main house", "kind": "main", "levels": [{
            "level": 1, "grade": "above", "outline": ["ground"],
            "parts": [{ "use": "living", "rest": true }],
        }] }],
    })
}

#[test]
fn a_house_is_told_from_balance_to_cautions() {
    let desk = Desk::new();
    let file = desk.file("house.json", serde_json::to_string_pretty(&house("40 ft")).unwrap());
    let ended = desk.measure(&[&file]).code(0);
    assert!(fs::read_dir(desk.0.path()).unwrap().count() == 1, "something was kept");
    ended
        .says("ground               0\"                0\"            no gap  balances")
        .says("The readings agree within their errors")
        .says("main house, level 1, living          1000.0")
        .says("The counted parts add up to the total.")
        .says("finished area above grade: 1000.0 sq ft, 92.90 m²")
        // 0.7 % of the area
        .says("between visits                    7.00")
        .says("scale of the instruments          0.10")
        .says("ANSI Z765 is voluntary")
        .says("Not a survey, an appraisal or legal advice.")
        .says("left unread; it is derived");
}

#[test]
fn a_house_that_does_not_balance_is_told_with_its_gap_by_axis() {
    let desk = Desk::new();
    let file = desk.file("house.json", house("39 ft").to_string());
    desk.measure(&[&file])
        .code(0)
        .says("ground            1' 0\"                0\"          1 in 129  does not balance")
        .says("The readings contradict each other");
}

#[test]
fn standard_input_is_read_like_a_file() {
    let desk = Desk::new();
    let file = desk.file("house.json", house("40 ft").to_string());
    let mut command = desk.command();
    command.arg("-").stdin(Stdio::from(fs::File::open(desk.0.path().join(&file)).unwrap()));
    assert_eq!(Ended::of(&mut command).code(0).out, desk.measure(&[&file]).out);
}

#[test]
fn a_refused_house_is_told_with_every_problem_and_its_pointer() {
    let desk = Desk::new();
    let mut broken = house("40 ft");
    broken["measured_on"] = json!("2026-02-30");
    broken["field_notes"]["walls"][1]["direction"] = json!({ "compass": { "toward": "up" } });
    let file = desk.file("house.json", broken.to_string());
    let ended = desk.measure(&[&file, "--json"]).code(3);
    assert_eq!(ended.out, "");
    ended
        .complains("house.json: /measured_on: 2026-02-30 is not a day of the calendar")
        .complains("house.json: /field_notes/walls/1/direction/compass/toward: \"up\"");
    let file = desk.file("cut.json", "{\n \"reference\": ");
    desk.measure(&[&file]).code(3).complains("cut.json: not JSON at line 2");
    desk.measure(&["none.json"]).code(3).complains("none.json: ");
    let file = desk.file("empty.json", "");
    desk.measure(&[&file]).code(3).complains("there is no house in it");
}

#[test]
fn of_several_houses_one_has_to_be_picked() {
    let desk = Desk::new();
    let mut other = house("40 ft");
    other["reference"] = json!("M-02");
    let array = desk.file("array.json", json!([house("40 ft"), other]).to_string());
    let lines = desk.file("lines.ndjson", format!("{}\n{other}\n", house("40 ft")));
    for file in [array, lines] {
        desk.measure(&[&file])
            .code(3)
            .complains("there are 2 houses in it (M-01, M-02): pick one, for example with --reference M-01");
        desk.measure(&[&file, "--reference", "M-02"]).code(0).says("M-02, measured on 2026-05-04");
        desk.measure(&[&file, "--reference", "M-03"]).code(3).complains("there is no house M-03");
    }
}

#[test]
fn definitions_are_stated_one_by_one_or_compared() {
    let desk = Desk::new();
    let houses = fixture("demo/houses.json");
    let of = |arguments: &[&str]| {
        desk.measure(&[&[houses.as_str(), "--reference", "DAO-001"], arguments].concat()).code(0)
    };
    let all = of(&["--all"]);
    // 888 + 24 + 360 + 28 = 1300 sq ft finished above grade; 1.96 standard deviations of 9.11 sq ft about it
    let row = all.out.lines().find(|line| line.starts_with("Finished area above grade ")).unwrap();
    assert_eq!(
        row.split_whitespace().skip(4).collect::<Vec<_>>(),
        ["finished-above-grade", "1300", "120.8", "1282", "to", "1318"]
    );
    assert!(all.out.contains("woflv") && !all.out.contains("counted, sq ft"), "{}", all.out);
    let two = of(&["--standard", "uk-gia", "--standard", "woflv"]);
    let (first, second) = (two.out.find("(uk-gia)").unwrap(), two.out.find("(woflv)").unwrap());
    assert!(first < second && !two.out.contains("(finished-above-grade)"), "{}", two.out);
    desk.measure(&[&houses, "--standard", "no-such"])
        .code(2)
        .complains("there is no standard \"no-such\"; there are finished-above-grade, ");
}

#[test]
fn everything_comes_as_one_object_too() {
    let desk = Desk::new();
    let houses = fixture("demo/houses.json");
    let ended = desk.measure(&[&houses, "--reference", "DAO-001", "--all", "--standard", "uk-gia", "--json"]);
    let lines = ended.code(0).json_lines();
    let [house] = lines.as_slice() else { panic!("{lines:?}") };
    assert_eq!(house["areas"][0]["standard"], "uk-gia");
    assert_eq!(house["areas"].as_array().unwrap().len(), 1);
    assert_eq!(house["comparison"][0]["total_sqft"], 1300.0);
    assert_eq!(house["field_notes"]["outlines"][0]["balances"], true);
    assert_eq!(house["cautions"].as_array().unwrap().len(), 3);
}

#[test]
fn plans_are_well_formed_and_the_same_again() {
    let desk = Desk::new();
    let houses = fixture("demo/houses.json");
    let plan = |folder: &str| {
        desk.measure(&[&houses, "--reference", "DAO-001", "--plan", folder])
            .code(0)
            .says(&format!("  {folder}/main-house-level-1.svg"))
            .says(&format!("  {folder}/main-house-level-2.svg"));
    };
    plan("one");
    plan("two");
    let read = |folder: &str, name: &str| fs::read_to_string(desk.0.path().join(folder).join(name)).unwrap();
    for name in ["main-house-level-0.svg", "main-house-level-1.svg", "main-house-level-2.svg"] {
        let svg = read("one", name);
        assert_eq!(svg, read("two", name));
        let parsed = roxmltree::Document::parse(&svg).unwrap();
        assert_eq!(parsed.root_element().tag_name().name(), "svg");
    }
    desk.measure(&[&houses, "--reference", "DAO-002", "--plan", "three"])
        .code(0)
        .says("No plan: no wall was read");
}

/// The house of [`house`] as rows.
const ROWS: &str = "\
reference,parcel,measured_on,outline,wall,direction,length,instrument
M-01,07-0001-001,2026-05-04,ground,front,east,40 ft,laser
,,,ground,right,North,25 ft,
,,,ground,rear,west,40 ft,
M-01,,,ground,left,South,25 ft,laser
,,,,,,,
";

#[test]
fn rows_of_walls_are_the_house_that_they_say() {
    let desk = Desk::new();
    let json = desk.file("house.json", house("40 ft").to_string());
    let rows = desk.file("house.csv", format!("\u{feff}{ROWS}"));
    assert_eq!(desk.measure(&[&rows]).code(0).out, desk.measure(&[&json]).code(0).out);
}

#[test]
fn a_bay_a_garage_and_an_opening_come_to_what_arithmetic_says() {
    let desk = Desk::new();
    // the house 30 x 20 with a bay of (10 + 6) / 2 x 2, the garage 20 x 20 behind the wall that they share, the room in
    // the corner 5 x 4 cut out of the house; above it 30 x 20 less an opening of 6 x 5
    let rows = "\
reference,parcel,measured_on,notation,level,outline,use,part,cut_from,finish,from_outline,from_corner,wall,direction,run,run_toward,rise,rise_toward,length,instrument,edge,obstacle,obstacle_amount,obstacle_sd
M-02,07-0001-002,2026-05-04,decimal_feet,1,ground,living,rooms,,,,,front west,east,,,,,10,tape,,,,
M-02,,,,,ground,,,,,,,bay west,,2,east,2,south,,,,,,
M-02,,,,,ground,,,,,,,bay front,east,,,,,6,,,,,
M-02,,,,,ground,,,,,,,bay east,,2,east,2,north,,,,,,
M-02,,,,,ground,,,,,,,front east,east,,,,,10,,,,,
M-02,,,,,ground,,,,,,,front east,,,,,,10,laser,,,,
M-02,,,,,ground,,,,,,,right,left 90,,,,,20,,,,,
M-02,,,,,ground,,,,,,,rear,left 90,,,,,29.9,,,corner_not_reached,0.1,0.05
M-02,,,,,ground,,,,,,,left,south,,,,,20,,,,,
M-02,,,,1,garage,garage,,,unfinished,ground,5,garage front,east,,,,,20,,,,,
M-02,,,,,garage,,,,,,,garage right,north,,,,,20,,,,,
M-02,,,,,garage,,,,,,,garage rear,west,,,,,20,,,,,
M-02,,,,,garage,,,,,,,right,backwards,,,,,,,,,,
M-02,,,,1,utility,storage,utility,rooms,unfinished,ground,7,utility left,backwards,,,,,,,open,,,
";
    let backwards = desk.file("backwards.csv", rows);
    // a wall that is new cannot be walked backwards
    desk.measure(&[&backwards])
        .code(3)
        .complains("backwards.csv: the whole: line 15: \"backwards\" is no direction of a wall that is new");
    let rows = rows.lines().take(14).collect::<Vec<_>>().join("\n");
    let more = "\
M-02,,,,1,utility,storage,utility,rooms,unfinished,ground,0,utility front,east,,,,,5,,open,,,
M-02,,,,,utility,,,,,,,utility right,north,,,,,4,,open,,,
M-02,,,,,utility,,,,,,,utility rear,west,,,,,5,,open,,,
M-02,,,,,utility,,,,,,,utility left,south,,,,,4,,open,,,
M-02,,,,2,upper,level,bedrooms,,,,,upper front,east,,,,,30,,,,,
M-02,,,,,upper,,,,,,,right,,,,,,,,,,,
M-02,,,,,upper,,,,,,,rear,,,,,,,,,,,
M-02,,,,,upper,,,,,,,left,,,,,,,,,,,
M-02,,,,2,foyer,opening,,bedrooms,,upper,0,foyer front,east,,,,,6,,,,,
M-02,,,,,foyer,,,,,,,foyer right,north,,,,,5,,,,,
M-02,,,,,foyer,,,,,,,foyer rear,west,,,,,6,,,,,
M-02,,,,,foyer,,,,,,,foyer left,south,,,,,5,,,,,
";
    let file = desk.file("house.csv", format!("{rows}\n{more}"));
    desk.measure(&[&file])
        .code(0)
        .says("level 1, rooms              596.0 ")
        .says("level 1, garage                                      400.0  not counted")
        .says("level 1, utility                                      20.0  not counted")
        .says("level 2, bedrooms           570.0 ")
        .says("level 2, foyer                                        30.0  not counted")
        .says("finished area above grade: 1166.0 sq ft");
}

#[test]
fn the_house_of_the_fixtures_is_near_what_arithmetic_says() {
    let desk = Desk::new();
    let ended = desk.measure(&[&fixture("measured/two-storey.csv"), "--plan", "plans", "--json"]).code(0);
    let house: Value = serde_json::from_str(&ended.out).unwrap();
    let areas = &house["areas"][0];
    // 36 x 26 with a bay of (10 + 6) / 2 x 2; above it 36 x 26 less 8 x 6; the readings were off by a quarter inch
    let total = areas["total_sqft"].as_f64().unwrap();
    assert!((total - (952.0 + 888.0)).abs() < 2.0, "{total}");
    let garage = areas["parts"].as_array().unwrap().iter().find(|part| part["use"] == "garage").unwrap();
    assert!((garage["area_sqft"].as_f64().unwrap() - 484.0).abs() < 0.5, "{garage}");
    for outline in house["field_notes"]["outlines"].as_array().unwrap() {
        assert_eq!(outline["balances"], true, "{outline}");
    }
    assert_eq!(house["plans"], json!(["plans/main-house-level-1.svg", "plans/main-house-level-2.svg"]));
}

#[test]
fn the_readme_shows_what_the_command_says() {
    let desk = Desk::new();
    let said = desk.measure(&[&fixture("measured/two-storey.csv"), "--plan", "plans"]).code(0).out;
    let readme = fs::read_to_string(fixture("../README.md")).unwrap();
    let shown = readme.split("two-storey.csv --plan plans\n").nth(1).unwrap().split("```").next().unwrap();
    let mut rest = said.lines();
    for line in shown.lines().filter(|line| *line != "  …") {
        assert!(rest.any(|said| said == line), "{line:?} is not, or not there, in:\n{said}");
    }
}

#[test]
fn what_is_wrong_with_rows_of_walls_names_their_line() {
    let desk = Desk::new();
    let with = |from: &str, to: &str| desk.file("rows.csv", ROWS.replacen(from, to, 1));
    let told = |from: &str, to: &str, words: &[&str]| {
        let mut ended = desk.measure(&[&with(from, to)]).code(3);
        for word in words {
            ended = ended.complains(word);
        }
    };
    told("25 ft,\n", "25,\n", &["/field_notes/walls/1/length/readings/0/pieces/0/length: line 3: "]);
    told(
        "east,40 ft,laser",
        "east,40 ft,string",
        &["/instruments/0/kind: line 2: ", "use one of laser, tape"],
    );
    told("2026-05-04", "2026-02-30", &["/measured_on: line 2: 2026-02-30 is not a day of the calendar"]);
    told("North", "up", &["the whole: line 3: \"up\" is no direction of a wall"]);
    told("front,east", "front,", &["line 2: the wall has no direction; write a compass word such as east"]);
    told("rear,west,40 ft", "right,west,40 ft", &["line 4: right has another direction in its first row"]);
    told("rear,west,40 ft", "right,,", &["line 4: a further row of right without a reading"]);
    told("ground,rear", ",rear", &["line 4: no outline is named"]);
    told("40 ft,laser", "40 ft,", &["line 2: no instrument is named; write laser, tape or long_tape"]);
    told(
        ",,,ground,right",
        ",07-9,,ground,right",
        &["line 3: parcel is \"07-9\", the first row of the house has"],
    );
    told("direction", "heading", &["the whole: unknown columns: heading"]);
    told("25 ft,\n", "25 ft\n", &["line 3: 7 fields, the header has 8"]);
}

#[test]
fn a_file_without_end_is_no_house() {
    let desk = Desk::new();
    let endless: String = (0..200_000).map(|at| format!(",,,ground,wall {at},east,1 ft,\n")).collect();
    let file = desk.file("endless.csv", format!("{ROWS}{endless}"));
    desk.measure(&[&file]).code(3).complains("line 5003: the house has more than 5000 rows");
}

#[test]
fn rows_of_walls_are_taken_in_like_other_houses() {
    let place = Installation::on_sqlite();
    let second = ROWS.lines().skip(1).collect::<Vec<_>>().join("\n").replace("M-01", "M-02");
    let file = place.file("houses.csv", format!("{ROWS}{}\n", second.replace("40 ft,laser", "40,laser")));
    place
        .run(&["import", "houses", &file])
        .code(4)
        .says("2 houses: 1 new, 0 with a new version, 0 unchanged, 1 set aside")
        .complains("line 7 (M-02): /field_notes/walls/0/length/readings/0/pieces/0/length: line 7: ");
    place
        .run(&["import", "houses", &file])
        .code(4)
        .says("0 new, 0 with a new version, 1 unchanged, 1 set aside");
    let ended = Ended::of(program_alone("crossfoot", place.folder()).args(["measure", "houses.csv"]));
    ended.code(3).complains("there are 2 houses in it (M-01, M-02): pick one");
}
