//! A real town's areas with injected errors of known cause: what is queued, and by which figures.
//!
//! Areas: De Cock, D. (2011), "Ames, Iowa: Alternative to the Boston Housing Data as an End of Semester Regression
//! Project", Journal of Statistics Education 19(3). `tests/oracle/ames.py` makes the files and works out with DuckDB
//! what must be queued; `tests/oracle/audit.py` works out the queue a second time from the two files alone.

use std::collections::BTreeSet;
use std::collections::hash_map::DefaultHasher;
use std::fs;
use std::hash::{Hash as _, Hasher as _};
use std::path::{Path, PathBuf};
use std::process::Command;

use crossfoot_testbed::{python, repository};
use serde_json::Value;

use crate::installation::{Ended, Installation, by_reference};

/// The files of one seed.
pub(crate) struct Town(PathBuf);

impl Town {
    /// Makes the files, once for each state of the script.
    fn make(arguments: &[&str]) -> Self {
        let script = repository().join("tests/oracle/ames.py");
        let mut hasher = DefaultHasher::new();
        (fs::read(&script).unwrap(), arguments).hash(&mut hasher);
        let target = Path::new(env!("CARGO_TARGET_TMPDIR"));
        let folder = target.join(format!("ames-{:016x}", hasher.finish()));
        if !folder.is_dir() {
            let making = tempfile::TempDir::new_in(target).unwrap();
            Ended::of(Command::new(python()).arg(script).arg(making.path()).args(arguments)).code(0);
            // another test may have been faster; its files are the same
            let _ = fs::rename(making.path(), &folder);
        }
        Self(folder)
    }

    pub(crate) fn seed(seed: u32) -> Self {
        Self::make(&["--seed", &seed.to_string()])
    }

    pub(crate) fn path(&self, name: &str) -> String {
        let path = self.0.join(name);
        assert!(path.is_file(), "{} is missing", path.display());
        path.to_str().unwrap().to_owned()
    }

    pub(crate) fn expected(&self) -> Vec<Value> {
        serde_json::from_str(&fs::read_to_string(self.path("expected.json")).unwrap()).unwrap()
    }

    fn take_houses(&self, place: &Installation, office: &str, file: &str) {
        place.run_for(office, &["import", "houses", &self.path(file)]).code(0).says(" 0 set aside");
    }

    fn take_roll(&self, place: &Installation) {
        let (roll, layout) = (self.path("roll.csv"), self.path("layout.toml"));
        let took = place.run(&["import", "roll", &roll, "--layout", &layout, "--roll-year", "2011"]);
        took.code(0).says("2930 rows read, 2930 records").says("0 rows repeated, 0 in quarantine");
    }

    /// Imports everything and reconciles.
    fn settle(&self, place: &Installation) {
        self.take_houses(place, "office", "houses.json");
        place.run(&["policy", "set", &self.path("policy.toml")]).code(0);
        self.take_roll(place);
        place.reconcile().code(0).says("2930 pairs judged");
    }
}

pub(crate) fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
}

pub(crate) fn text(value: &Value) -> &str {
    value.as_str().unwrap_or_else(|| panic!("{value} is no text"))
}

/// References that fulfil a condition.
pub(crate) fn references<'a>(
    rows: impl IntoIterator<Item = &'a Value>,
    holds: impl Fn(&Value) -> bool,
) -> BTreeSet<String> {
    rows.into_iter().filter(|row| holds(row)).map(|row| text(&row["reference"]).to_owned()).collect()
}

/// The findings, the figures and the matches of one seed against what the oracle worked out.
fn check(place: &Installation, town: &Town) {
    town.settle(place);
    let (expected, judged) = (town.expected(), place.judgements());
    assert_eq!((expected.len(), judged.len()), (2930, 2930));
    let queued = references(&expected, |row| row["queued"] == true);
    assert!(queued.len() > 500, "{}", queued.len());
    assert_eq!(references(place.queue().iter(), |_| true), queued);
    let found = references(judged.values(), |row| row["state"] == "open" && row["kind"] == "variance");
    assert_eq!(found, queued);
    let mut recorded = (0.0, 0.0);
    for row in &expected {
        let pair = &judged[text(&row["reference"])];
        match text(&row["match"]) {
            "neighbour_key" => {
                assert_eq!(
                    (text(&pair["match"]), text(&pair["outcome"])),
                    ("to_settle", "address_disagrees")
                );
                assert!(pair["finding"].is_null(), "{pair}");
            }
            "transposed_key" => {
                assert_eq!((text(&pair["match"]), text(&pair["outcome"])), ("unmatched", "unmatched"));
                assert!(pair["finding"].is_null(), "{pair}");
            }
            _ => {
                let variance = 100.0 * number(&pair["variance"]);
                assert!((variance - number(&row["variance_percent"])).abs() <= 0.01, "{pair}\n{row}");
                // what is printed to three decimals is off by half of the last one
                let z = number(&row["z"]);
                assert!((number(&pair["z"]) - z).abs() <= 0.01 * z.abs() + 0.0005, "{pair}\n{row}");
                recorded.0 += number(&pair["recorded_sqft"]);
                recorded.1 += number(&row["recorded"]);
            }
        }
    }
    assert_eq!(recorded.0 / 2890.0, recorded.1 / 2890.0);
}

fn all_that_was_injected_is_queued_and_nothing_else_with_seed_1(place: &Installation) {
    check(place, &Town::seed(1));
}

fn all_that_was_injected_is_queued_and_nothing_else_with_seed_2(place: &Installation) {
    check(place, &Town::seed(2));
}

fn all_that_was_injected_is_queued_and_nothing_else_with_seed_3(place: &Installation) {
    check(place, &Town::seed(3));
}

/// What DuckDB makes of the roll and the houses as written, in SQL that knows nothing of this program.
pub(crate) struct Audit {
    /// How many houses there are, are queued, unmatched and held.
    pub(crate) counts: Value,
    /// The queue, first row first.
    pub(crate) queue: Vec<csv::StringRecord>,
}

impl Audit {
    pub(crate) fn of(town: &Town, place: &Installation) -> Self {
        let out = place.folder().join("queue.csv");
        let script = repository().join("tests/oracle/audit.py");
        let mut audit = Command::new(python());
        audit.arg(script).args([town.path("roll.csv"), town.path("houses.csv")]).arg(&out);
        let counts = Ended::of(&mut audit).code(0).json_lines().remove(0);
        let queue = csv::Reader::from_path(out).unwrap().into_records().map(Result::unwrap).collect();
        Self { counts, queue }
    }

    /// Demands the same queue, row for row.
    pub(crate) fn same_queue(&self, queue: &[Value]) {
        assert_eq!(self.queue.len(), queue.len());
        for (row, item) in self.queue.iter().zip(queue) {
            let [finding] = item["findings"].as_array().unwrap().as_slice() else { panic!("{item}") };
            let ours = [
                text(&item["reference"]).to_owned(),
                text(&finding["parcel_key"]).to_owned(),
                format!("{:.1}", number(&finding["measured_sqft"])),
                format!("{:.0}", number(&finding["recorded_sqft"])),
                format!("{:.4}", 100.0 * number(&finding["variance"])),
            ];
            assert_eq!(row.iter().take(5).collect::<Vec<_>>(), ours);
            // four decimals here, three there: each is off by half of its last one at the most
            let z: f64 = row[5].parse().unwrap();
            assert!((number(&finding["z"]) - z).abs() <= 0.000_551, "{row:?} {finding}");
            assert_eq!(&row[6], text(&finding["effect_high"]), "{row:?}");
        }
    }
}

fn the_queue_is_that_of_the_audit_in_sql_row_for_row(place: &Installation) {
    let town = Town::seed(1);
    town.settle(place);
    let audit = Audit::of(&town, place);
    let counts = &audit.counts;
    let queue = place.queue();
    let judged = place.judgements();
    let count = |holds: &dyn Fn(&Value) -> bool| judged.values().filter(|row| holds(row)).count();
    assert_eq!(counts["houses"], judged.len());
    assert_eq!(counts["queued"], queue.len());
    assert_eq!(counts["unmatched"], count(&|row| row["match"] == "unmatched"));
    assert_eq!(counts["held"], count(&|row| row["match"] == "to_settle"));
    audit.same_queue(&queue);
}

/// What a policy of a percentage must queue, by an independent count in whole tenths of a square foot: one house is
/// exactly 20 % smaller than recorded, and a limit that is reached is reached.
fn beyond(row: &Value, percent: i64) -> bool {
    #[expect(clippy::cast_possible_truncation, reason = "tenths of areas of houses")]
    let tenths = |name: &str| (10.0 * number(&row[name])).round() as i64;
    let (recorded, difference) = (tenths("recorded"), (tenths("measured") - tenths("recorded")).abs());
    row["match"] == "key"
        && difference * 100 >= percent * recorded
        && difference >= 500
        && number(&row["z"]).abs() >= 3.0
}

fn another_percentage_queues_what_an_independent_count_says(place: &Installation) {
    let town = Town::seed(1);
    town.take_roll(place);
    let mut sizes = Vec::new();
    for (office, percent) in [("three", 3), ("ten", 10), ("twenty", 20)] {
        let policy = fs::read_to_string(town.path("policy.toml")).unwrap();
        let changed = policy.replace("percent = 5.0", &format!("percent = {percent}.0"));
        assert_ne!(policy, changed);
        place.run_for(office, &["policy", "set", &place.file("policy.toml", changed)]).code(0);
        town.take_houses(place, office, "houses.json");
        place.run_for(office, &["reconcile"]).code(0);
        let queue = place.run_for(office, &["queue", "--limit", "0", "--json"]).code(0).json_lines();
        let expected = references(&town.expected(), |row| beyond(row, percent));
        assert_eq!(references(&queue, |_| true), expected, "{percent} %");
        sizes.push(queue.len());
    }
    assert!(sizes[0] > sizes[1] && sizes[1] > sizes[2] && sizes[2] > 0, "{sizes:?}");
}

/// A judged pair without what is particular to an installation or an office.
fn figures(mut pair: Value) -> Value {
    let object = pair.as_object_mut().unwrap();
    object.remove("finding");
    pair
}

fn houses_as_csv_are_judged_like_houses_as_json(place: &Installation) {
    let town = Town::seed(1);
    town.take_roll(place);
    let judged = |office: &str, file: &str| {
        town.take_houses(place, office, file);
        place.run_for(office, &["reconcile"]).code(0);
        let rows =
            place.run_for(office, &["export", "judgements", "--format", "ndjson"]).code(0).json_lines();
        by_reference(rows.into_iter().map(figures).collect())
    };
    let (json, csv) = (judged("json", "houses.json"), judged("csv", "houses.csv"));
    assert_eq!(json.len(), 2930);
    assert_eq!(json, csv);
}

fn without_measuring_error_every_figure_comes_through_unchanged(place: &Installation) {
    let town = Town::make(&["--seed", "1", "--noise", "0"]);
    town.settle(place);
    let judged = place.judgements();
    let expected = town.expected();
    let mut exact = 0;
    for row in expected.iter().filter(|row| row["match"] == "key") {
        let pair = &judged[text(&row["reference"])];
        assert_eq!(number(&pair["measured_sqft"]), number(&row["measured"]), "{pair}");
        assert_eq!(number(&pair["recorded_sqft"]), number(&row["recorded"]), "{pair}");
        if row["cause"] == "none" {
            assert_eq!(number(&pair["difference_sqft"]), 0.0, "{pair}");
            assert_eq!((number(&pair["variance"]), number(&pair["z"])), (0.0, 0.0), "{pair}");
            exact += 1;
        }
    }
    assert!(exact > 1800, "{exact}");
    let queued = references(&expected, |row| row["queued"] == true);
    assert_eq!(references(place.queue().iter(), |_| true), queued);
}

on_both_databases!(
    all_that_was_injected_is_queued_and_nothing_else_with_seed_1,
    all_that_was_injected_is_queued_and_nothing_else_with_seed_2,
    all_that_was_injected_is_queued_and_nothing_else_with_seed_3,
    another_percentage_queues_what_an_independent_count_says,
    houses_as_csv_are_judged_like_houses_as_json,
    the_queue_is_that_of_the_audit_in_sql_row_for_row,
    without_measuring_error_every_figure_comes_through_unchanged,
);
