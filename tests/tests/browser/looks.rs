//! How the pages look: for axe, in both colour schemes, at the widths of a telephone, a tablet and a desk.

use std::fs;

use crossfoot_testbed::repository;
use serde_json::Value;

use crate::county::{County, pages_of_the_office, unfold};
use crate::driver::Browser;
use crate::installation::{Installation, script_output};

/// The version of axe-core, whose rules are those that its publisher's documentation lists for it.
const AXE: &str = "4.12.1";

/// axe-core as its publisher builds it.
fn axe() -> String {
    let script = "import importlib.util as u; \
                  print(u.find_spec('axe_playwright_python').submodule_search_locations[0])";
    let folder = script_output(script, &[]);
    let source = fs::read_to_string(format!("{}/axe.min.js", folder.trim())).unwrap();
    assert!(source.starts_with(&format!("/*! axe v{AXE}")), "another version of axe-core than {AXE}");
    source
}

/// What axe finds wrong on the page that is shown, all of its rules on: a line for each place.
fn faults(browser: &Browser, axe: &str) -> Vec<String> {
    browser.ask(axe);
    let answer = browser.ask_later(
        "const done = arguments[0]; axe.run(document).then(found => done(found), error => done({error: String(error)}))",
    );
    assert!(answer["passes"].as_array().is_some_and(|passes| passes.len() > 10), "axe did not run: {answer}");
    let line = |rule: &Value| {
        let places: Vec<&str> =
            rule["nodes"].as_array().unwrap().iter().filter_map(|n| n["html"].as_str()).collect();
        format!("{}: {}: {}", rule["id"], rule["help"], places.join(" "))
    };
    answer["violations"].as_array().unwrap().iter().map(line).collect()
}

/// What axe finds on these pages, in both schemes, on a desk and on a telephone.
fn on_pages(browser: &Browser, pages: &[String], axe: &str) -> Vec<String> {
    let mut found = Vec::new();
    for (width, scheme) in [(1440, "light"), (1440, "dark"), (360, "light"), (360, "dark")] {
        browser.width(width);
        browser.medium("screen", scheme);
        for page in pages {
            browser.open(page);
            unfold(browser);
            let faults = faults(browser, axe);
            found.extend(faults.iter().map(|fault| format!("{page} at {width}, {scheme}: {fault}")));
        }
    }
    found
}

#[test]
fn no_page_has_a_fault_that_axe_finds() {
    let (place, axe) = (Installation::on_sqlite(), axe());
    let county = County::of(&place);
    let browser = county.browser();
    let mut found = on_pages(&browser, &pages_of_the_office(&browser), &axe);
    found.extend(after_forms(&place, &county, &browser, &axe));
    browser.sign_in(&county.host);
    let of_the_operator = [
        "/uploads",
        "/uploads/look",
        "/queue",
        "/compare",
        "/sets",
        "/sources/basalt-county-roll/editions/1",
        "/sources/basalt-county-roll/editions/1/quarantine",
    ];
    found.extend(on_pages(&browser, &of_the_operator.map(str::to_owned), &axe));
    found.extend(after_a_look(&browser, &axe));
    assert!(found.is_empty(), "{}", found.join("\n"));
}

/// What axe finds on pages that only forms lead to.
fn after_forms(place: &Installation, county: &County, browser: &Browser, axe: &str) -> Vec<String> {
    browser.medium("screen", "light");
    browser.width(1440);
    let look = |what: &str| -> Vec<String> {
        faults(browser, axe).iter().map(|fault| format!("{what}: {fault}")).collect()
    };
    browser.open("/uploads");
    browser.fill("input[name=file]", &place.file("houses.json", r#"[{"reference": "A-1"}]"#));
    browser.press("Take the houses in");
    browser.shows("main", "1 set aside");
    let mut found = look("houses set aside");
    browser.open("/uploads");
    browser.fill("input[name=file]", &place.file("empty.json", ""));
    browser.press("Take the houses in");
    browser.shows("h1", "The content is wrong");
    found.extend(look("a refused upload"));
    browser.open("/runs");
    browser.press("Compare now");
    // a running job's page is replaced every second
    browser.shows("[role=status]", "done");
    found.extend(look("a job"));
    browser.open("/queue");
    browser.click("a.whole");
    browser.shows("main", "Save the decision");
    browser.ask("document.querySelector('[name=row_version]').value = 77");
    browser.press("Save the decision");
    browser.shows("[role=alert]", "Your decision was not saved");
    found.extend(look("a decision that was overtaken"));
    browser.press("Sign out");
    browser.shows("h1", "Sign in");
    browser.fill("input[name=key]", &county.desk[1..]);
    browser.press("Sign in");
    browser.shows("[role=alert]", "not known");
    found.extend(look("a wrong key"));
    found
}

/// What axe finds on the answer to a look at a file, at three widths.
fn after_a_look(browser: &Browser, axe: &str) -> Vec<String> {
    let mut found = Vec::new();
    for (width, scheme) in [(1440, "light"), (768, "dark"), (360, "light")] {
        browser.width(width);
        browser.medium("screen", scheme);
        browser.open("/uploads/look");
        let roll = repository().join("fixtures/demo/treasurer.csv");
        browser.fill("input[name=file]", roll.to_str().unwrap());
        browser.press("Look at it");
        browser.shows("main", "Proposed layout");
        browser.shows("main", "Living sq ft");
        unfold(browser);
        found.extend(
            faults(browser, axe).into_iter().map(|fault| format!("a look at {width}, {scheme}: {fault}")),
        );
        let wide =
            browser.ask("return document.documentElement.scrollWidth > document.documentElement.clientWidth");
        assert_eq!(wide, false, "the answer is wider than {width} pixels");
    }
    found
}

/// A page whose picture has no text, whose words are too pale and whose field has no label.
#[test]
fn axe_sees_a_page_with_faults() {
    let browser = Browser::new("127.0.0.1:9");
    browser.open_elsewhere(
        "data:text/html,<title>x</title><main><h1>x</h1><img src='data:,'><p style='color:%23ccc'>pale</p><input></main>",
    );
    let found = faults(&browser, &axe()).join("\n");
    for rule in ["image-alt", "color-contrast", "label", "html-has-lang"] {
        assert!(found.contains(rule), "{rule} is not in:\n{found}");
    }
}

/// Paths that are no page, or a page that only a form leads to.
const NO_PAGES: [&str; 11] = [
    "/",
    "/assets/{name}",
    "/compare.csv",
    "/editions/{source}/{number}",
    "/findings/{id}/packet.pdf",
    "/findings/{id}/packet.zip",
    "/jobs/{id}",
    "/signout",
    "/uploads/houses",
    "/uploads/look/layout",
    "/uploads/roll",
];

#[test]
fn every_page_is_looked_at() {
    let routes = fs::read_to_string(repository().join("service/src/pages.rs")).unwrap();
    let routes: Vec<&str> =
        routes.split(".route(\"").skip(1).filter_map(|rest| rest.split('"').next()).collect();
    assert!(routes.contains(&"/queue"), "no routes in pages.rs: {routes:?}");
    let place = Installation::on_sqlite();
    let county = County::of(&place);
    let pages = pages_of_the_office(&county.browser());
    let looked_at = |route: &&str| {
        let stem = route.split('{').next().unwrap();
        let here = |page: &String| if stem == *route { page == route } else { page.starts_with(stem) };
        pages.iter().any(|page| here(page) || page.split('?').next() == Some(route))
    };
    let missing: Vec<&str> =
        routes.into_iter().filter(|route| !NO_PAGES.contains(route) && !looked_at(route)).collect();
    assert!(missing.is_empty(), "add to pages_of_the_office: {missing:?}");
}

/// How far a page is wider than its window, and what sticks out.
pub(crate) fn overflow(browser: &Browser) -> Option<String> {
    let wide = browser.ask(
        "const most = document.scrollingElement.scrollWidth - innerWidth;
         const out = [...document.querySelectorAll('body *')].filter(e => e.getBoundingClientRect().right > innerWidth + 1);
         return [most, out.slice(0, 3).map(e => e.outerHTML.slice(0, 120)).join(' ')]",
    );
    let by = wide[0].as_i64().unwrap();
    (by > 0).then(|| format!("{by} pixels too wide: {}", wide[1]))
}

/// The widths of a telephone, a tablet and a desk (common practice, no source); 320 is the width that WCAG 2.2, 1.4.10
/// Reflow, asks for.
pub(crate) const WIDTHS: [u32; 4] = [320, 360, 768, 1440];

#[test]
fn no_page_is_wider_than_its_window() {
    let place = Installation::on_sqlite();
    let county = County::of(&place);
    let browser = county.browser();
    let mut found = Vec::new();
    for page in pages_of_the_office(&browser) {
        for width in WIDTHS {
            browser.width(width);
            browser.open(&page);
            unfold(&browser);
            found.extend(overflow(&browser).map(|wide| format!("{page} at {width}: {wide}")));
        }
    }
    assert!(found.is_empty(), "{}", found.join("\n"));
    browser.open_elsewhere("data:text/html,<div style='width:3000px'>wide</div>");
    assert!(overflow(&browser).is_some(), "a page that is too wide is not seen");
}
