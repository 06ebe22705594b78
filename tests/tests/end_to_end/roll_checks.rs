//! What a roll says about itself when it is handed in: told beside the counts, and a reason not to take it where parcels
//! would be merged or a definition changed.

use crate::installation::Installation;
use crate::town::{HEADER, LAYOUT, row};

/// The layout of the town with numbers that are only stripped, neither padded nor of one form.
fn unpadded() -> String {
    LAYOUT.replace("pad_left = [6]\npattern = \"^[0-9]{6}$\"\n", "")
}

fn parcels_that_a_rule_would_merge_are_refused_with_the_pair(place: &Installation) {
    let named = |parcel: &str, area: i64| format!("{parcel},1 OAK ST,{area},200000,1950,R");
    let rows = [named("12-3-45", 1000), named("77", 900), named("1-23-45", 1200), named("123-45", 1300)];
    let roll = place.file("roll.csv", format!("{HEADER}\n{}\n", rows.join("\n")));
    let layout = place.file("layout.toml", unpadded());
    let ended = place.run(&["import", "roll", &roll, "--layout", &layout]);
    let ended =
        ended.code(3).complains("\"12-3-45\" (line 2) and \"1-23-45\" (line 4) both become \"12345\"");
    ended.complains("removing separators, as do 1 more pairs").complains("set strip = \"\"");
    assert_eq!(place.sql("SELECT count(*) FROM source WHERE current_edition IS NOT NULL"), ["0"]);
    // told apart, they are four parcels
    let apart = place.file("layout.toml", unpadded().replace("[parcel]\n", "[parcel]\nstrip = \"\"\n"));
    place.run(&["import", "roll", &roll, "--layout", &apart]).code(0).says("4 rows read, 4 records");
}

fn the_same_number_with_and_without_its_zeros_is_one_parcel(place: &Installation) {
    let short = row(7, "1000").replace("000007", "7");
    let content = format!("{HEADER}\n{}\n{short}\n", row(7, "1000"));
    place.take_roll(content).code(0).says("2 rows read, 1 records").says("of 1 looked at: 1 true copies");
}

fn a_definition_that_changed_is_one_event_and_no_findings(place: &Installation) {
    let roll = |more: fn(usize) -> usize| {
        let rows: Vec<String> = (1..=600).map(|n| row(n, &(1_003 + n * 7 + more(n)).to_string())).collect();
        format!("{HEADER}\n{}\n", rows.join("\n"))
    };
    place.take_roll(roll(|_| 0)).code(0);
    // a few houses grew, each in its own way
    place.take_roll(roll(|n| if n % 40 == 3 { 11 * n } else { 0 })).code(0).says("15 changed");
    let ended = place.take_roll(roll(|n| if n % 40 == 3 { 11 * n } else { 200 }));
    ended.code(5).says("585 of 600 records (97.5 %) changed at once, 585 of them by +200 sq ft");
    assert_eq!(
        place.sql("SELECT number, state FROM edition ORDER BY number"),
        ["1|past", "2|current", "3|held"]
    );
    assert_eq!(place.sql("SELECT count(*) FROM edition_check WHERE gates <> '[]'"), ["1"]);
    let told = place.run(&["edition", "show", "town-roll", "3"]).code(0);
    let told = told.says("edition 3 is held").says("held: The areas of 585 of 600 records");
    told.says("585 of 600 records that were in edition 2 have another area now (97.5 %): 585 a larger one, 0 a smaller");
    let few = place.run(&["edition", "show", "town-roll", "2"]).code(0);
    few.says("15 of 600 records that were in edition 1").says("too few, or too unlike each other");
    place.run(&["edition", "refuse", "town-roll", "3"]).code(0);
    // a publisher that is known to measure whole towns anew in a year
    let limits = |arguments: &[&str]| place.run(&[&["edition", "limits", "town-roll"], arguments].concat());
    limits(&["--alike", "101"]).code(2).complains("definition_share");
    limits(&["--alike-records", "0"]).code(2).complains("definition_records");
    limits(&["--median", "50", "--alike-records", "586"])
        .code(0)
        .says("2.0 % of the records, and of 586 at least");
    place.take_roll(roll(|n| if n % 40 == 3 { 11 * n } else { 201 })).code(0).says("585 changed");
    limits(&["--alike-records", "200", "--alike", "99"]).code(0).says("99.0 % of the records");
    // they are one class, and half of a class is an event whatever the share of all records
    let ended = place.take_roll(roll(|n| if n % 40 == 3 { 11 * n } else { 402 }));
    ended.code(5).says("records of class").says("changed at once");
    limits(&["--alike", "2"]).code(0);
    let ended = place.take_roll(roll(|n| if n % 40 == 3 { 11 * n } else { 603 }));
    ended.code(5).says("585 of 600 records (97.5 %) changed at once");
}

fn rows_that_disagree_as_before_are_no_change(place: &Installation) {
    let mut rows: Vec<String> = (1..=20).map(|n| row(n, "1000")).collect();
    let roll = |rows: &[String], more: &[String]| format!("{HEADER}\n{}\n", [rows, more].concat().join("\n"));
    let (other, third) = (row(5, "1200"), row(5, "1300"));
    place.take_roll(roll(&rows, &[other.clone(), third.clone()])).code(0);
    rows[6] = row(7, "1100");
    place.take_roll(roll(&rows, &[other.clone(), third.clone()])).code(0).says("1 changed");
    rows[6] = row(7, "1150");
    place.take_roll(roll(&rows, &[other])).code(0).says("1 changed");
    // the publisher mended it: the record has an area again
    place.take_roll(roll(&rows, &[])).code(0).says("1 changed");
    rows[6] = row(7, "1200");
    place.take_roll(roll(&rows, &[row(5, "1000")])).code(0).says("1 changed");
    place.take_roll(roll(&rows, &[third])).code(0).says("1 changed");
    assert_eq!(
        place.sql(
            "SELECT number, records_changed, records_unchanged, rows_rejected FROM edition ORDER BY number"
        ),
        ["1|0|0|2", "2|1|19|2", "3|1|19|1", "4|1|19|0", "5|1|19|0", "6|1|19|1"]
    );
}

/// Later rows of parcels, a copy or with something else, that stay, change, come, go, and become the only row of their
/// parcel while its first one is gone or cannot be read.
fn later_rows(night: usize) -> Vec<String> {
    let year = |n: usize, area: usize, year: usize| {
        row(n, &area.to_string()).replace(",1950,", &format!(",{year},"))
    };
    let mut rows = vec![row(21, "1047"), year(22, 2_000, 1960), year(65, 1_400, 1961), year(61, 1_500, 1962)];
    match night {
        0 => rows.extend([
            row(23, "1061"),
            year(24, 3_000, 1970),
            year(24, 3_100, 1971),
            year(25, 3_200, 1972),
        ]),
        1 => rows.extend([year(23, 1_061, 1973), year(24, 3_000, 1970), year(26, 3_300, 1974)]),
        _ => rows.extend([
            year(24, 3_100, 1975),
            year(26, 3_300, 1974),
            year(26, 3_300, 1974),
            row(27, "9000"),
        ]),
    }
    rows
}

/// A night that is read only where it changed counts what a reading of the whole file counts.
fn counts_move_by_what_changed(place: &Installation) {
    let area = |n: usize, night: usize| match (n % 50, night) {
        // grown, and grown back
        (7, 1) => (1_000 + n * 3).to_string(),
        // cannot be read that night
        (11, 1) | (12, 2) => "n/a".to_owned(),
        _ => (900 + n * 7).to_string(),
    };
    let roll = |night: usize| {
        // gone, and there again; appeared
        let stands = |n: &usize| n % 60 != 5 || night != 1;
        let rows = (1..=900 + 9 * night).filter(stands).map(|n| {
            let row = row(n, &area(n, night));
            if n % 70 == 3 && night == 2 { row.replace(",1950,", ",1951,") } else { row }
        });
        format!("{HEADER}\n{}\n", rows.chain(later_rows(night)).collect::<Vec<_>>().join("\n"))
    };
    for night in 0..3 {
        place.take_roll(roll(night)).code(0);
        let file = place.file("whole.csv", roll(night));
        let layout = LAYOUT.replace("town-roll", &format!("whole-{night}"));
        let layout = place.file("whole.toml", layout);
        place.run(&["import", "roll", &file, "--layout", &layout]).code(0);
        let of = |source: &str, edition: usize| {
            place.sql(&format!(
                "SELECT counts FROM edition_check WHERE edition = {edition} AND source = (SELECT number FROM source WHERE id = '{source}')"
            ))
        };
        let (moved, whole) = (of("town-roll", night + 1), of(&format!("whole-{night}"), 1));
        assert_eq!((moved.len(), &moved), (1, &whole), "night {night}");
        let unchanged = place.sql("SELECT records_unchanged FROM edition WHERE source = 1 ORDER BY number");
        assert!(night == 0 || unchanged[night].parse::<usize>().unwrap() > 700, "{unchanged:?}");
    }
    // the first was read whole, the others by what changed: their median is known within 0.4 %
    let medians = place.sql(
        "SELECT count(*) FROM edition n
         JOIN source s ON s.number = n.source AND s.id = 'town-roll'
         JOIN source o ON o.id = 'whole-' || (n.number - 1) JOIN edition w ON w.source = o.number
         WHERE abs(n.median_um2 - w.median_um2) * 250 <= w.median_um2",
    );
    assert_eq!(medians, ["3"]);
}

fn rounding_and_lost_digits_are_told(place: &Installation) {
    let mut rows: Vec<String> = (1..=300).map(|n| row(n, &(900 + n * 10).to_string())).collect();
    rows.push(row(301, "1000").replace("000301", "1.3E+05"));
    let took = place.take_roll(format!("{HEADER}\n{}\n", rows.join("\n"))).code(0);
    took.says("set rounding_sqft = 10.0").says("1 parcel numbers are in scientific notation");
    assert_eq!(
        place.sql("SELECT areas, by_ten_ppm, short_ids, scientific_ids, sums_failed FROM edition_check"),
        ["300|1000000|0|1|0"]
    );
}

/// What is kept of a file is told by the command in sentences, each with its figure, and shortened in the report.
fn an_edition_tells_what_its_file_says_about_itself(place: &Installation) {
    let mut rows: Vec<String> = (1..=300).map(|n| row(n, &(900 + n * 10).to_string())).collect();
    rows.push(row(301, "1000").replace("000301", "1.3E+05"));
    rows.push(row(7, "970"));
    rows.push(row(8, "2000"));
    place.take_roll(format!("{HEADER}\n{}\n", rows.join("\n"))).code(0);
    // the median of 910 to 3,900 in steps of ten, with 970 and 2,000 once more, is 2,395
    let told = place.run(&["edition", "show", "town-roll", "1"]).code(0);
    let told = told.says("edition 1 is current").says("302 rows state an area: half of them lie below 2,39");
    let told =
        told.says("302 areas in whole numbers 100.0 % are multiples of 10, where 10 % would be by chance");
    let told = told.says("So nearly all areas are rounded to 10 sq ft.");
    let told = told.says("1 numbers are in scientific notation, as 1.23E+13");
    let told =
        told.says("2 rows have the parcel number of an earlier row: 1 says the same, 1 says something else");
    told.says("302 rows state a year built, from 1950 to 1950.").says("1 class: R (302 rows).");
    // the next one is told against it
    let rows: Vec<String> =
        (1..=300).map(|n| row(n, &(900 + n * 10 + usize::from(n < 11)).to_string())).collect();
    place.take_roll(format!("{HEADER}\n{}\n", rows.join("\n"))).code(0);
    let told = place.run(&["edition", "show", "town-roll", "2"]).code(0);
    let told = told.says("have another area now").says("10 a larger one, 0 a smaller one");
    told.says("in edition 1, a move of +0.").says("No number is in scientific notation.");
    place.run(&["edition", "show", "town-roll", "3"]).code(3).complains("edition");
    let report = place.run(&["report"]).code(0);
    report.says("1 parcel numbers are in scientific notation").says("set rounding_sqft = 10.0");
}

on_both_databases!(
    an_edition_tells_what_its_file_says_about_itself,
    parcels_that_a_rule_would_merge_are_refused_with_the_pair,
    the_same_number_with_and_without_its_zeros_is_one_parcel,
    a_definition_that_changed_is_one_event_and_no_findings,
    rows_that_disagree_as_before_are_no_change,
    counts_move_by_what_changed,
    rounding_and_lost_digits_are_told,
);
