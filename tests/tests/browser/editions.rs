//! The page of an edition and that of sets: a set is gathered, completed and loaded by the pages alone, held, looked at,
//! accepted and withdrawn.

use crossfoot_testbed::repository;

use crate::county::{County, OFFICE};
use crate::driver::Browser;
use crate::installation::Installation;
use crate::server::{Server, key};
use crate::story::{change_to, downloaded};
use crate::town::{HEADER, LAYOUT, row};

/// The town's roll with `parcels` rows whose areas are multiples of ten; every third row is in the second file.
fn halves(parcels: usize) -> [String; 2] {
    let rows = |second: bool| -> String {
        let here = (1..=parcels).filter(|n| (n % 3 == 0) == second);
        here.map(|n| format!("{}\n", row(n, &(900 + n * 10).to_string()))).collect()
    };
    [rows(false), rows(true)].map(|rows| format!("{HEADER}\n{rows}"))
}

/// Begins a set of two files as the operator and sends both, the second one under a name of this machine's own.
fn gather(place: &Installation, browser: &Browser, parcels: usize) {
    browser.open("/sets");
    browser.fill("textarea[name=files]", "north.csv\nsouth.csv");
    browser.fill("input[name=roll_year]", "2027");
    browser.press("Begin to gather");
    browser.shows("main", "2 of 2 files are missing");
    let files = halves(parcels);
    for (name, content) in [("north.csv", &files[0]), ("south.csv", &files[1])] {
        browser.choose("select[name=name]", name);
        browser.fill("input[type=file]", &place.file("download.csv", content));
        browser.press("Send the file");
        browser.shows(
            "main",
            if name == "north.csv" { "1 of 2 files are missing" } else { "All 2 files are here" },
        );
    }
    browser.press("Make it an edition");
    browser.wait_for("the job", || browser.path().starts_with("/jobs/"));
    browser.wait_for("the end of the job", || browser.text("[role=status]").starts_with("\u{25cf} done"));
}

fn an_edition_is_gathered_held_and_decided_by_the_pages(place: &Installation) {
    let (desk, host) = (key(place, OFFICE, "administer"), key(place, OFFICE, "operator"));
    let [north, south] = halves(300);
    let (north, south) = (place.file("north.csv", north), place.file("south.csv", south));
    let layout = place.file("layout.toml", LAYOUT);
    place.run(&["import", "roll", &north, &south, "--layout", &layout]).code(0);
    let server = Server::start(place, &[]);
    let browser = Browser::new(&server.address);
    browser.sign_in(&host);
    gather(place, &browser, 200);

    browser.open("/uploads");
    browser.press("Edition 2");
    assert_eq!(browser.path(), "/sources/town-roll/editions/2");
    browser.shows("[role=status]", "held");
    browser.shows("main", "100 of 300 records are gone (33.3 %, the limit is 5.0 %)");
    browser.shows("main", "nearly all areas are rounded to 10 sq ft");
    browser.shows("main", "No record has another area than in edition 1.");
    browser.shows("main", "north.csv");
    browser.press("Accept");
    browser.shows("[role=status]", "current");
    browser.shows("main", "It was held for a person:");
    browser.shows("main", "Accepted on");
    browser.fill("input[name=reason]", "the other county's file");
    browser.press("Withdraw");
    browser.shows("[role=status]", "withdrawn");
    browser.shows("main", "the other county's file");

    // an office sees what is gathering and what came, and decides nothing about it
    browser.open("/sets");
    browser.fill("textarea[name=files]", "east.csv");
    browser.press("Begin to gather");
    browser.shows("main", "1 of 1 files are missing");
    change_to(&browser, &desk);
    browser.open("/sets");
    browser.shows("main", "east.csv");
    assert_eq!(browser.ask("return document.querySelectorAll('main form').length"), 0);
    browser.open("/editions/1/1");
    assert_eq!(browser.path(), "/sources/town-roll/editions/1", "an old address leads on");
    assert_eq!(browser.ask("return document.querySelectorAll('main form').length"), 0);
    change_to(&browser, &host);
    browser.open("/sets");
    browser.press("Give the set up");
    browser.shows("main", "No set is gathering.");
}

fn what_is_set_aside_is_one_step_from_the_edition(place: &Installation) {
    let county = County::of(place);
    let browser = county.browser();
    browser.open("/report?since=2000-01-01T00:00:00Z");
    browser.click("main ul a[href^=\"/sources/basalt\"]");
    browser.wait_for("the edition", || browser.path().starts_with("/sources/"));
    assert!(browser.path().ends_with("/editions/1"), "{}", browser.path());
    browser.open("/sources/basalt-county-roll/editions/1");
    browser.shows("main", "What the file says about itself");
    browser.press("See why, and mend the rows");
    browser.shows("h1", "Quarantine of basalt-county-roll, edition 1");
    browser.press("Back to the edition");
    browser.wait_for("the edition", || browser.path() == "/sources/basalt-county-roll/editions/1");
}

/// Reasons and rows of a held edition are there to decide by; what is mended is of the edition in use.
fn the_quarantine_of_a_held_edition_is_looked_at_and_mended_once_accepted(place: &Installation) {
    let host = key(place, OFFICE, "operator");
    place.take_roll(format!("{HEADER}\n{}\n", row(1, "1000"))).code(0);
    place.take_roll(format!("{HEADER},NOTE\n{},x\n{},y\n", row(1, "1000"), row(2, "see card"))).code(5);
    let server = Server::start(place, &[]);
    let browser = Browser::new(&server.address);
    browser.sign_in(&host);
    browser.open("/uploads");
    browser.click("a[aria-label=\"1 rows of town-roll in quarantine\"]");
    browser.shows("h1", "Quarantine of town-roll, edition 2");
    browser.shows("main", "Line 3: ");
    browser.shows("main", "Edition 2 is held for a person: accept it or give it up first");
    let forms = "return document.querySelectorAll('main form').length";
    assert_eq!(browser.ask(forms), 0, "nothing is mended here");
    assert!(!browser.text("main").contains("A later edition is in use"), "{}", browser.text("main"));
    browser.press("Download the rows whole");
    let rows = std::fs::read_to_string(downloaded(&browser, "csv")).unwrap();
    assert!(rows.contains("\n000002,2 OAK ST,see card,200000,1950,R,y,"), "{rows}");
    browser.press("Back to the edition");
    browser.shows("main", "accept it or give it up first, rows are mended of the edition in use.");
    assert!(!browser.text("main").contains("mend the rows"), "{}", browser.text("main"));
    browser.press("See why they were set aside");
    browser.shows("h1", "Quarantine of town-roll, edition 2");
    browser.press("Back to the edition");
    browser.shows("h1", "town-roll, edition 2");
    browser.press("Accept");
    browser.shows("[role=status]", "current");
    browser.press("See why, and mend the rows");
    browser.shows("main", "Take the mended rows in");
    assert_eq!(browser.ask(forms), 1);
}

/// Rows of tables are corrected in their files: the pages say so, and offer nothing that is refused.
fn rows_of_tables_are_told_with_their_files_and_not_offered_to_be_mended(place: &Installation) {
    let host = key(place, OFFICE, "operator");
    let folder = repository().join("fixtures/published/us-tx-201-harris");
    let files = ["building_res.txt", "fixtures.txt", "real_acct.txt"]
        .map(|name| folder.join(name).to_str().unwrap().to_owned());
    let mut arguments = vec!["import", "roll", "--layout", "us-tx-201-harris"];
    arguments.extend(files.iter().map(String::as_str));
    place.run(&arguments).code(0).says("4 in quarantine");
    let server = Server::start(place, &[]);
    let browser = Browser::new(&server.address);
    browser.sign_in(&host);
    browser.open("/sources/us-tx-201-harris/editions/1");
    browser.shows("main", "The layout puts rows of tables together, and a row alone cannot be read again");
    assert!(!browser.text("main").contains("mend the rows"), "{}", browser.text("main"));
    browser.press("See why they were set aside");
    browser.shows("h1", "Quarantine of us-tx-201-harris, edition 1");
    browser.shows("main", "building_res.txt, line 4: ");
    browser.shows("main", "correct it in its file and hand in all files of the edition together");
    let offered = "return document.querySelectorAll('main form, main a[href*=to-mend]').length";
    assert_eq!(browser.ask(offered), 0);
}

on_both_databases!(
    the_quarantine_of_a_held_edition_is_looked_at_and_mended_once_accepted,
    rows_of_tables_are_told_with_their_files_and_not_offered_to_be_mended,
    an_edition_is_gathered_held_and_decided_by_the_pages,
    what_is_set_aside_is_one_step_from_the_edition,
);
