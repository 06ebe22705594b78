//! Commands on several sources: one against another, held against a join by DuckDB; years of jurisdictions; mended rows.

use std::fmt::Write as _;

use serde_json::Value;

use crate::installation::{Installation, script_output};
use crate::town::{HEADER, LAYOUT, row};

/// A full join of two files by DuckDB 1.x as its documentation describes it: the counts, then the keys whose areas are at
/// least so far apart. Keys are padded to six digits by SQL of its own.
const JOIN: &str = "import duckdb, sys\n\
one, two, least = sys.argv[1:]\n\
read = \"(SELECT lpad(parcel, 6, '0') AS k, TRY_CAST(area AS DOUBLE) AS a FROM read_csv('{}', all_varchar=true))\"\n\
duckdb.sql(f'CREATE TABLE j AS SELECT one.k AS k1, two.k AS k2, one.a AS a1, two.a AS a2 FROM {read.format(one)} one FULL JOIN {read.format(two)} two ON one.k = two.k')\n\
count = lambda where: duckdb.sql(f'SELECT count(*) FROM j WHERE {where}').fetchall()[0][0]\n\
both = 'k1 IS NOT NULL AND k2 IS NOT NULL'\n\
far = f'abs(a1 - a2) >= {least} AND a1 <> a2'\n\
print(count(both), count('k2 IS NULL'), count('k1 IS NULL'), count(f'{both} AND {far}'), count(f'{both} AND a1 IS NULL AND a2 IS NOT NULL'))\n\
print(','.join(row[0] for row in duckdb.sql(f'SELECT k1 FROM j WHERE {far} ORDER BY k1').fetchall()))\n";

/// A roll of a fixed rule: parcels with and without leading zeros, some without an area.
fn invented(from: usize, to: usize, every: usize, shift: usize, short: bool) -> String {
    let mut text = format!("{HEADER}\n");
    for place in (from..to).filter(|place| place % every != 0) {
        let area = if place % 97 == shift {
            String::new()
        } else {
            (1000 + (place * 7919 + shift * 37 * (place % 5)) % 900).to_string()
        };
        let line = row(place, &area);
        writeln!(text, "{}", if short { line.trim_start_matches('0') } else { &line }).unwrap();
    }
    text
}

fn counts_and_list_are_those_of_a_join_by_duckdb(place: &Installation) {
    let other = LAYOUT.replace("id = \"town-roll\"", "id = \"town-tax\"\nderived_from = \"town-roll\"");
    let import = |name: &str, layout: &str, content: &str| {
        let (file, layout) = (place.file(name, content), place.file(&format!("{name}.toml"), layout));
        place.run(&["import", "roll", &file, "--layout", &layout])
    };
    // the first source in two editions: what is compared is the newest version of each record
    import("one-1.csv", LAYOUT, &invented(1, 9000, 11, 2, false)).code(0);
    // so many changes at once are for a person to look at
    import("one-2.csv", LAYOUT, &invented(500, 12_000, 7, 3, false)).code(5);
    place.run(&["edition", "accept", "town-roll", "2"]).code(0);
    import("two.csv", &other, &invented(1, 11_000, 13, 1, true)).code(0);
    let path = |name: &str| place.folder().join(name).to_str().unwrap().to_owned();
    let (one, two) = (path("one-2.csv"), path("two.csv"));
    for least in ["100", "250.5"] {
        let joined = script_output(JOIN, &[one.clone().into(), two.clone().into(), least.into()]);
        let mut lines = joined.lines();
        let counted: Vec<i64> = lines.next().unwrap().split(' ').map(|n| n.parse().unwrap()).collect();
        let keys = lines.next().unwrap();
        assert!(counted.iter().all(|count| *count > 10), "{counted:?}");
        let compare = |more: &[&str]| {
            place.run(&[&["compare", "town-roll", "town-tax", "--at-least", least], more].concat())
        };
        let found = compare(&["--json"]).code(0).json_lines().remove(0);
        let area = found["fields"].as_array().unwrap().iter().find(|f| f["field"] == "area").unwrap();
        let figures = [
            &found["both"],
            &found["only_in_source"],
            &found["only_in_other"],
            &area["differing"],
            &area["only_other"],
        ];
        assert_eq!(figures.map(|figure| figure.as_i64().unwrap()).to_vec(), counted);
        assert_eq!(found["copy"], "town-tax");
        let listed = compare(&["--format", "ndjson"]).code(0).json_lines();
        let listed: Vec<&str> = listed.iter().map(|row| row["parcel_key"].as_str().unwrap()).collect();
        assert_eq!(listed.join(","), keys);
        let text =
            compare(&["--limit", "3"]).code(0).says("town-tax copies town-roll: the two are one witness");
        assert_eq!(text.out.lines().filter(|line| line.contains("OAK ST")).count(), 3);
    }
    place.run(&["compare", "town-roll", "nowhere"]).code(3).complains("there is no source nowhere");
}

fn years_are_read_from_toml_and_csv_and_what_is_wrong_has_its_line(place: &Installation) {
    let toml = include_str!("../../../fixtures/jurisdictions/basalt-county-2026.toml");
    let csv = include_str!("../../../fixtures/jurisdictions/two-years.csv");
    let files = [place.file("2026.toml", toml), place.file("years.csv", csv)];
    let import = |files: &[String]| {
        let mut arguments = vec!["jurisdiction".to_owned(), "import".to_owned()];
        arguments.extend_from_slice(files);
        place.run(&arguments)
    };
    import(&files)
        .code(0)
        .says("basalt-county 2026: 9 values, is kept as version 1")
        .says("basalt-county 2024: 1 values");
    import(&files).code(0).says("is here already as version 1");
    let changed = place.file("2026.toml", toml.replace("22.75", "22.80"));
    import(&[changed]).code(0).says("is kept as version 2");
    let shown = place.run(&["jurisdiction", "show", "basalt-county"]).code(0).out;
    assert!(shown.contains("22.80 of each 1,000 of value"), "{shown}");
    assert!(shown.find("2026, version 2").unwrap() < shown.find("2025, version 1").unwrap(), "{shown}");
    let history = ["jurisdiction", "show", "basalt-county", "--year", "2026", "--history", "--json"];
    let versions: Vec<i64> = place
        .run(&history)
        .code(0)
        .json_lines()
        .iter()
        .map(|line| line["version"].as_i64().unwrap())
        .collect();
    assert_eq!(versions, [2, 1]);
    // of several files nothing is kept while one of them is wrong
    let wrong = place.file(
        "wrong.csv",
        csv.replace("22.10", "22,10").replace(",per_1000,Town report", ",percent,Town report"),
    );
    let other = place.file("2027.toml", toml.replace("year = 2026", "year = 2027"));
    let refused = import(&[other, wrong]).code(3);
    let refused = refused.complains("line 3").complains("line 4, column 7: a tax_rate needs a unit");
    assert!(refused.err.contains("wrong.csv"), "{}", refused.err);
    place.run(&["jurisdiction", "show", "--year", "2027"]).code(3);
}

fn quarantined_rows_go_out_come_back_and_are_records(place: &Installation) {
    let content = format!("{HEADER}\n{}\n{}\n{}\n", row(1, "1000"), row(2, "see card"), row(3, "n/a"));
    place
        .take_roll(content)
        .code(0)
        .says("to mend them: crossfoot export rejects --source town-roll --to-mend");
    let summary: Vec<Value> = place
        .run(&["export", "rejects", "--source", "town-roll", "--summary", "--format", "ndjson"])
        .code(0)
        .json_lines();
    assert_eq!(summary.len(), 1);
    assert_eq!((summary[0]["rows"].as_i64(), summary[0]["first_line"].as_i64()), (Some(2), Some(3)));
    let rows = place.run(&["export", "rejects", "--source", "town-roll", "--to-mend"]).code(0).out;
    assert!(rows.starts_with(&format!("{HEADER},crossfoot_reason\n{}", row(2, "see card"))), "{rows}");
    let mended = place.file("mend.csv", rows.replace("see card", "1200"));
    let mend = ["import", "mend", &mended, "--source", "town-roll", "--by", "Ann Garnet", "--reason"];
    place.run(&[&mend[..], &[" "]].concat()).code(3).complains("reason is blank");
    let taken = place.run(&[&mend[..], &["read off the card"]].concat()).code(4);
    taken
        .says("mends of edition 1, by Ann Garnet")
        .says("edition 2, 2 rows read, 1 records (1 new, 0 changed, 0 unchanged, 0 gone)");
    place
        .run(&[&mend[..], &["read off the card"]].concat())
        .code(0)
        .says("these rows are here already as edition 2 (current)");
    // the quarantine of either edition can be asked for
    let left = |edition: &str| {
        let arguments =
            ["export", "rejects", "--source", "town-roll", "--format", "ndjson", "--edition", edition];
        place.run(&arguments).code(0).json_lines().len()
    };
    assert_eq!((left("1"), left("2")), (2, 1));
    place.run(&["export", "rejects", "--source", "town-roll", "--edition", "3"]).code(3);
}

on_both_databases!(
    counts_and_list_are_those_of_a_join_by_duckdb,
    years_are_read_from_toml_and_csv_and_what_is_wrong_has_its_line,
    quarantined_rows_go_out_come_back_and_are_records,
);
