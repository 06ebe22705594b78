//! The whole way of a finding by the pages alone: houses and roll uploaded, the finding decided, the packet taken, and
//! the finding closed by a later edition.

use std::fs;
use std::path::Path;

use crossfoot_testbed::repository;

use crate::county::OFFICE;
use crate::driver::Browser;
use crate::installation::{Ended, Installation, program_alone};
use crate::server::{Server, key};

fn fixture(path: &str) -> String {
    repository().join("fixtures").join(path).to_str().unwrap().to_owned()
}

/// Signs out and in again with another key.
pub(crate) fn change_to(browser: &Browser, key: &str) {
    browser.press("Sign out");
    browser.wait_for("the sign-in page", || browser.path() == "/signin");
    browser.sign_in(key);
}

/// Uploads a roll as the operator and sees its job until it is done.
fn upload_roll(browser: &Browser, roll: &str) {
    browser.open("/uploads");
    browser.fill("input[name=layout]", &fixture("layouts/basalt-county-roll.toml"));
    browser.fill("input[name=roll_year]", "2026");
    browser.choose("select[name=status]", "certified");
    browser.fill("input[name=file]", roll);
    browser.press("Take the roll in");
    browser.wait_for("the job", || browser.path().starts_with("/jobs/"));
    // the page looks again by itself
    browser.wait_for("the end of the job", || browser.text("[role=status]").starts_with("\u{25cf} done"));
    browser.press("Uploads");
    browser.shows("main table", "Assessment roll 2026");
    browser.shows("main table", "121");
}

/// A file of the downloads once it is whole.
pub(crate) fn downloaded(browser: &Browser, ending: &str) -> String {
    let found = || {
        let names = fs::read_dir(&browser.downloads).unwrap().map(|entry| entry.unwrap().path());
        names.into_iter().find(|path| {
            path.extension().is_some_and(|found| found == ending) && fs::metadata(path).unwrap().len() > 0
        })
    };
    browser.wait_for("the download", || found().is_some());
    found().unwrap().to_str().unwrap().to_owned()
}

/// Takes document and packet of the finding that is shown, and has the packet checked.
fn take_packet(place: &Installation, browser: &Browser) {
    browser.press("Document (PDF)");
    let document = fs::read(downloaded(browser, "pdf")).unwrap();
    assert!(document.starts_with(b"%PDF-"), "no PDF came");
    browser.press("Packet (zip)");
    let packet = downloaded(browser, "zip");
    assert!(Path::new(&packet).is_file());
    Ended::of(program_alone("crossfoot", place.folder()).args(["verify", &packet])).code(0);
}

fn a_finding_goes_from_upload_to_correction(place: &Installation) {
    let (desk, host) = (key(place, OFFICE, "administer"), key(place, OFFICE, "operator"));
    let server = Server::start(place, &[]);
    let browser = Browser::new(&server.address);
    browser.sign_in(&desk);
    assert_eq!(browser.path(), "/queue");
    browser.press("Uploads");
    browser.fill("input[name=file]", &fixture("demo/houses.json"));
    browser.press("Take the houses in");
    browser.wait_for("what came of the houses", || browser.path() == "/uploads/houses");
    browser.shows("main", "40 houses: 40 new, 0 with a new version, 0 unchanged, 0 set aside.");

    change_to(&browser, &host);
    assert_eq!(browser.path(), "/uploads", "the operator reads no findings");
    upload_roll(&browser, &fixture("demo/county-roll.csv"));

    change_to(&browser, &desk);
    browser.wait_for("the queue", || {
        browser.open("/queue");
        browser.text("main").contains("DAO-001")
    });
    browser.press("DAO-001");
    browser.shows("h1", "house larger than recorded by 42.5");
    let finding = browser.path();
    browser.choose("select[name=state]", "confirmed");
    browser.fill("input[name=seen]", "the permit file shows a loft");
    browser.fill("textarea[name=note]", "ask the county to measure");
    browser.press("Save the decision");
    browser.shows("main", "State: \u{25cf} confirmed");
    browser.shows("main", "seen: the permit file shows a loft; note: ask the county to measure");
    take_packet(place, &browser);

    let roll = fs::read_to_string(fixture("demo/county-roll.csv")).unwrap();
    let corrected = roll.replace("1.5,1987,912,", "1.5,1987,1298,");
    assert_ne!(corrected, roll);
    let later = place.file("county-roll-2027.csv", corrected);
    change_to(&browser, &host);
    upload_roll(&browser, &later);

    change_to(&browser, &desk);
    browser.wait_for("the end of the finding", || {
        browser.open(&finding);
        browser.text("main").contains("State: \u{25ac} closed, corrected")
    });
    assert!(!browser.text("main").contains("Save the decision"), "a closed finding is not decided");
    browser.open("/queue");
    assert!(!browser.text("main").contains("DAO-001"), "a closed finding has left the queue");
}

fn a_wrong_key_is_refused_with_what_would_mend_it(place: &Installation) {
    let server = Server::start(place, &[]);
    let browser = Browser::new(&server.address);
    browser.open("/matches");
    browser.fill("input[name=key]", "not a key");
    browser.press("Sign in");
    browser.shows("[role=alert]", "An administrator of your office makes a new one");
    browser.fill("input[name=key]", &key(place, OFFICE, "review"));
    browser.press("Sign in");
    browser.wait_for("the page that was asked for", || browser.path() == "/matches");
}

on_both_databases!(a_finding_goes_from_upload_to_correction, a_wrong_key_is_refused_with_what_would_mend_it);
