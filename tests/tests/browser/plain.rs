//! The pages without script, by the keyboard alone, and on paper.

use std::fs;
use std::process::Command;

use serde_json::{Value, json};

use crate::county::County;
use crate::driver::Browser;
use crate::installation::{Ended, Installation};

/// The keys as WebDriver names them (W3C WebDriver, 17.4.2 Keyboard actions).
const TAB: &str = "\u{e004}";
const ENTER: &str = "\u{e007}";

fn without_script_a_finding_is_decided(place: &Installation) {
    let county = County::of(place);
    let browser = Browser::without_script(&county.server.address);
    browser.open_elsewhere(
        "data:text/html,<p>off</p><script>document.querySelector('p').textContent='on'</script>",
    );
    assert_eq!(browser.text("p"), "off", "scripts run after all");
    browser.sign_in(&county.desk);
    browser.choose("select[name=direction]", "smaller");
    browser.press("Show");
    browser.shows("main", "house smaller than recorded");
    browser.press("Queue");
    browser.press("DAO-028");
    browser.choose("select[name=state]", "cleared");
    browser.fill("input[name=seen]", "the sketch of the wing");
    browser.press("Save the decision");
    browser.shows("main", "State: \u{25c7} cleared");
    browser.shows("main", "seen: the sketch of the wing");
    // a job's page looks again by its head
    browser.press("Runs and notices");
    browser.press("Compare now");
    browser.wait_for("the job", || browser.path().starts_with("/jobs/"));
    browser.wait_for("the end of the job", || browser.text("[role=status]").starts_with("\u{25cf} done"));
}

/// What has the focus: its text, and whether it is marked by an outline of at least two pixels that is on the screen
/// (WCAG 2.2, 2.4.7 Focus Visible; two pixels: 2.4.13 Focus Appearance).
fn focus(browser: &Browser) -> (String, bool) {
    let found = browser.ask(
        "const at = document.activeElement, style = getComputedStyle(at), box = at.getBoundingClientRect();
         return [at === document.body ? '' : (at.textContent.trim() || at.name || at.tagName),
                 style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2
                     && box.right > 0 && box.bottom > 0 && box.left < innerWidth && box.top < innerHeight]",
    );
    (found[0].as_str().unwrap().to_owned(), found[1].as_bool().unwrap())
}

/// Tabs until something has the focus.
fn tab_to(browser: &Browser, what: &str) {
    for _ in 0..200 {
        browser.keys(TAB);
        let (now, visible) = focus(browser);
        // past its last element a page gives the focus to the window
        assert!(
            visible || now.is_empty(),
            "{now:?} on {} has the focus, and it does not show",
            browser.path()
        );
        if now == what {
            return;
        }
    }
    panic!("{what:?} on {} is not reached by tab", browser.path());
}

fn by_the_keyboard_a_finding_is_decided(place: &Installation) {
    let county = County::of(place);
    let browser = Browser::new(&county.server.address);
    browser.open("/signin");
    tab_to(&browser, "key");
    browser.keys(&county.desk);
    browser.keys(ENTER);
    browser.wait_for("the queue", || browser.path() == "/queue");
    browser.keys(TAB);
    assert_eq!(focus(&browser), ("Skip to the content".to_owned(), true));
    browser.keys(ENTER);
    assert_eq!(browser.ask("return document.activeElement.id"), "main");
    tab_to(&browser, "DAO-028");
    browser.keys(ENTER);
    browser.wait_for("the finding", || browser.path().starts_with("/findings/"));
    tab_to(&browser, "524.3 sq ft");
    browser.keys(ENTER);
    browser.shows("dl.figures", "measured 2144.3 - recorded 1620.0 = 524.3 sq ft");
    tab_to(&browser, "seen");
    browser.keys("a visit");
    tab_to(&browser, "Save the decision");
    browser.keys(ENTER);
    browser.wait_for("the history", || browser.text("main").contains("seen: a visit"));
}

/// The page that is shown as it is printed, as text page by page.
fn printed(place: &Installation, browser: &Browser) -> Vec<String> {
    let answer = browser.devtools("Page.printToPDF", json!({"preferCSSPageSize": true}));
    let script = "import base64, sys; sys.stdout.buffer.write(base64.b64decode(open(sys.argv[1]).read()))";
    let encoded = place.file("printed.txt", answer["data"].as_str().unwrap());
    let mut decode = Command::new(crossfoot_testbed::python());
    let pdf = place.file("printed.pdf", decode.args(["-c", script, &encoded]).output().unwrap().stdout);
    let text = Ended::of(Command::new("pdftotext").args(["-layout", &pdf, "-"])).code(0).out;
    assert!(fs::metadata(&pdf).unwrap().len() > 1000);
    text.trim_end_matches('\u{c}').split('\u{c}').map(str::to_owned).collect()
}

#[test]
fn on_paper_there_is_no_navigation_and_heads_and_page_numbers_repeat() {
    let place = Installation::on_sqlite();
    let county = County::of(&place);
    let browser = county.browser();
    let pages = printed(&place, &browser);
    assert!(pages.len() > 1, "the queue fits on one page, so that nothing repeats");
    for (number, page) in (1..).zip(&pages) {
        // however the numbers are spaced
        let close: String = page.chars().filter(|c| !c.is_whitespace()).collect();
        assert!(close.ends_with(&format!("{number}/{}", pages.len())), "no page number {number}:\n{page}");
        for gone in ["Held matches", "Sign out", "Skip to", "Show"] {
            assert!(!page.contains(gone), "{gone:?} is printed:\n{page}");
        }
        assert!(!page.contains("DAO-") || page.contains("Recorded"), "a table without its head:\n{page}");
    }
    let all = pages.concat();
    assert!(all.contains("DAO-034") && all.contains("Demonstration Appraisal Office"), "{all}");
    browser.press("DAO-028");
    let words: Vec<String> =
        printed(&place, &browser).concat().split_whitespace().map(str::to_owned).collect();
    let all = words.join(" ");
    // what is folded on the screen is unfolded on paper
    assert!(all.contains("measured 2144.3 - recorded 1620.0"), "{all}");
    assert!(all.contains("Not a survey, an appraisal") && !all.contains("Save the decision"), "{all}");
}

#[test]
fn a_browser_with_script_runs_it() {
    let browser = Browser::new("127.0.0.1:9");
    browser.open_elsewhere(
        "data:text/html,<p>off</p><script>document.querySelector('p').textContent='on'</script>",
    );
    assert_eq!(browser.ask("return document.querySelector('p').textContent"), Value::from("on"));
}

on_both_databases!(without_script_a_finding_is_decided, by_the_keyboard_a_finding_is_decided);
