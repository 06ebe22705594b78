//! Hostile text in every field that comes from files and forms: on every page it stays text, runs nothing, makes no
//! element, and does not push the page out of its window.

use serde_json::{Value, json};

use crate::county::unfold;
use crate::driver::Browser;
use crate::installation::Installation;
use crate::looks::{WIDTHS, overflow};
use crate::server::{Server, key};
use crate::story::change_to;

/// What is tried, each short enough for the shortest field.
const HOSTILE: [&str; 6] = [
    "<script>window.struck=1</script>",
    "\"><img src=x onerror=window.struck=1>",
    "'onfocus=window.struck=1 autofocus='",
    "{{7*7}}${7*7}<%=7*7%>",
    "javascript:window.struck=1",
    "\u{202e}txt.exe\u{202d}</textarea></title>",
];
const OFFICE: &str = "hostile";
const EDITION: &str = "/sources/hostile-roll/editions/1";

/// All of it in one text, and a word that does not break.
fn everything() -> String {
    format!("{} {}", HOSTILE.join(" "), "W".repeat(60))
}

fn house(number: usize) -> Value {
    let text = HOSTILE[number];
    json!({
        "reference": format!("{text}{}", "W".repeat(60)),
        "parcel": format!("P{number}{text}"),
        "address": format!("{} Oak Street {}", number + 1, everything()),
        "jurisdiction": "<b>place</b>",
        "measured_on": "2026-03-08",
        "purpose": everything(),
        "permitted_use": everything(),
        "buildings": [{ "name": format!("{text}{}", "W".repeat(60)), "kind": "main", "levels": [
            { "level": 1, "grade": "above", "parts": [{ "use": "living", "area_sqft": 1500.0, "sd_sqft": 3.0 }] }] }]
    })
}

/// The roll: the first three parcels stand at the address of the house, the others at another one.
fn roll() -> String {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(["PARCEL", "SITUS", "AREA", "VALUE", "CLASS"]).unwrap();
    for (number, text) in HOSTILE.iter().enumerate() {
        let situs = if number < 3 { String::new() } else { format!("99 Elm Street {}", everything()) };
        let parcel = format!("P{number}{text}");
        writer.write_record([parcel.as_str(), &situs, "1000", "200000", &everything()]).unwrap();
    }
    writer.write_record(["P9", "", &everything(), "1", "R"]).unwrap();
    String::from_utf8(writer.into_inner().unwrap()).unwrap()
}

fn layout() -> String {
    format!(
        "id = \"hostile-roll\"\ntitle = {title}\npublisher = {title}\njurisdiction = \"<b>place</b>\"\n\
         basis = \"finished-above-grade\"\nrounding_sqft = 1.0\n[parcel]\ncolumns = [\"PARCEL\"]\n\
         [situs]\ncolumns = [\"SITUS\"]\n[area]\ncolumn = \"AREA\"\n[value]\ncolumn = \"VALUE\"\n\
         [class]\ncolumn = \"CLASS\"\nvacant = [\"V\"]\n",
        title = json!(everything())
    )
}

/// Demands that the page that is shown is harmless.
#[track_caller]
fn harmless(browser: &Browser) {
    unfold(browser);
    let path = browser.path();
    let struck = browser.ask(
        "return {
            ran: window.struck === undefined ? 'nothing' : 'a script',
            scripts: document.scripts.length,
            made: [...document.querySelectorAll('img, iframe, object, embed, b, [autofocus], [onerror], [onfocus], [href^=\"javascript:\" i]')]
                .map(made => made.outerHTML),
            main: document.querySelectorAll('main').length,
        }",
    );
    let expected = json!({"ran": "nothing", "scripts": 1, "made": [], "main": 1});
    assert_eq!(struck, expected, "{path}");
    for width in WIDTHS {
        browser.width(width);
        assert_eq!(overflow(browser), None, "{path} at {width}");
    }
    browser.width(1440);
}

/// Demands that each of the texts is shown as it is.
#[track_caller]
fn all_shown(browser: &Browser, css: &str) {
    let text = browser.ask(&format!("return document.querySelector({}).textContent", json!(css)));
    for hostile in HOSTILE {
        assert!(
            text.as_str().unwrap().contains(hostile),
            "{hostile:?} is not in {css} of {}: {text}",
            browser.path()
        );
    }
}

fn upload(place: &Installation, browser: &Browser, desk: &str, host: &str) {
    browser.sign_in(host);
    browser.fill("input[name=layout]", &place.file("'layout' <b>.toml", layout()));
    browser.fill("input[name=file]", &place.file("roll <img src=x onerror=window.struck=1>.csv", roll()));
    browser.press("Take the roll in");
    browser.wait_for("the job", || browser.path().starts_with("/jobs/"));
    browser.wait_for("the end of the job", || browser.text("[role=status]").starts_with("\u{25cf} done"));
    harmless(browser);
    browser.open("/uploads");
    all_shown(browser, "main");
    harmless(browser);
    sets(place, browser);
    change_to(browser, desk);
    browser.open("/uploads");
    let mut houses: Vec<Value> = (0..HOSTILE.len()).map(house).collect();
    let mut wrong = house(0);
    wrong["buildings"] = json!(everything());
    wrong[everything()] = json!(everything());
    houses.push(wrong);
    let file = place
        .file("houses <img src=x onerror=window.struck=1>.json", serde_json::to_string(&houses).unwrap());
    browser.fill("input[name=file]", &file);
    browser.press("Take the houses in");
    browser.wait_for("what came of the houses", || browser.path() == "/uploads/houses");
    browser.shows("main", "6 new");
    browser.shows("main", "1 set aside");
    harmless(browser);
}

/// Files are awaited whose names are hostile, as far as names go without a slash.
fn sets(place: &Installation, browser: &Browser) {
    let names = HOSTILE.map(|text| format!("{}{}", text.replace('/', "|"), "W".repeat(60)));
    let begin = [vec!["set", "begin", "hostile-roll"], names.iter().map(String::as_str).collect()].concat();
    place.run(&begin).code(0);
    browser.open("/sets");
    let shown = browser.ask("return document.querySelector('main').textContent");
    assert!(names.iter().all(|name| shown.as_str().unwrap().contains(name.as_str())), "{shown}");
    harmless(browser);
    browser.open(EDITION);
    all_shown(browser, "main");
    harmless(browser);
}

fn decide(browser: &Browser) {
    browser.open("/queue");
    browser.click("a.whole");
    harmless(browser);
    browser.choose("select[name=state]", "referred");
    for field in ["seen", "note", "case_number", "outcome"] {
        let text = if field == "case_number" { HOSTILE[..4].join(" ") } else { everything() };
        // as typed: the driver would need a keyboard that has all these characters
        browser.ask(&format!("document.querySelector('[name={field}]').value = {}", json!(text)));
    }
    browser.press("Save the decision");
    browser.shows("main", "State: \u{25b7} referred");
    all_shown(browser, "main ol");
    harmless(browser);
}

fn hostile_text_stays_text_on_every_page(place: &Installation) {
    let label = everything();
    let made = place.run_for(OFFICE, &["key", "create", "--role", "administer", "--label", &label]);
    let (desk, host) = (made.code(0).out.trim().to_owned(), key(place, OFFICE, "operator"));
    let policy = format!("name = {}\n[[rule]]\npercent = 5.0\nsquare_feet = 100.0\n", json!(everything()));
    let policy = place.file("policy.toml", policy);
    place.run_for(OFFICE, &["policy", "set", &policy]).code(0);
    let server = Server::start(place, &[]);
    let browser = Browser::new(&server.address);
    upload(place, &browser, &desk, &host);
    browser.wait_for("the queue and the held matches", || {
        browser.open("/matches");
        let held = browser.text("main").contains("hostile-roll");
        browser.open("/queue");
        held && browser.text("main").contains("3 properties")
    });
    all_shown(&browser, "header");
    for page in
        ["/queue", "/queue?state=open", "/matches", "/runs", "/uploads", "/properties", "/report", "/sets"]
    {
        browser.open(page);
        harmless(&browser);
    }
    browser.open(EDITION);
    all_shown(&browser, "main");
    harmless(&browser);
    browser.open(&format!("{EDITION}/quarantine"));
    // a row's text is quoted by its beginning
    browser.shows("main", HOSTILE[0]);
    harmless(&browser);
    browser.open("/matches");
    all_shown(&browser, "main");
    browser.open("/queue");
    browser.click("a.over");
    all_shown(&browser, "main");
    harmless(&browser);
    decide(&browser);
    let odd = [
        "/%3Cscript%3Ewindow.struck=1%3C/script%3E",
        "/properties/%22%3E%3Cimg%20src=x%20onerror=window.struck=1%3E",
    ];
    for path in odd
        .into_iter()
        .chain(["/queue?source=%22%3E%3Cb%3E&state=%3Cb%3E", "/signin?next=javascript:window.struck=1"])
    {
        browser.open(path);
        harmless(&browser);
    }
}

on_both_databases!(hostile_text_stays_text_on_every_page);
