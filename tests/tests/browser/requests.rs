//! What the pages answer to a plain request: unknown paths, attempts to sign in, pages of long lists.

use serde_json::{Value, json};

use crate::installation::Installation;
use crate::server::{Answer, Request, Server, key};

const FORM: &str = "application/x-www-form-urlencoded";

fn sign_in(server: &Server, key: &str) -> Answer {
    let body = format!("key={key}&next=/queue");
    server.send(&Request { content: Some(FORM), body: body.as_bytes(), ..Request::new("POST", "/signin") })
}

/// The cookie of a session.
fn session(server: &Server, key: &str) -> String {
    let answer = sign_in(server, key).is(303);
    answer.header("set-cookie").split(';').next().unwrap().to_owned()
}

fn page(server: &Server, session: &str, path: &str) -> String {
    server.send(&Request { headers: vec![("Cookie", session)], ..Request::new("GET", path) }).is(200).text
}

fn a_browser_gets_a_page_for_an_unknown_path_and_a_program_a_problem(place: &Installation) {
    let server = Server::start(place, &[]);
    let browsing = vec![("Accept", "text/html,application/xhtml+xml,*/*;q=0.8")];
    let answer =
        server.send(&Request { headers: browsing.clone(), ..Request::new("GET", "/nowhere") }).is(404);
    assert!(answer.header("content-type").starts_with("text/html"), "{answer:?}");
    assert!(
        answer.text.contains("href=\"/\"") && answer.text.contains("there is no such page"),
        "{answer:?}"
    );
    server.send(&Request { headers: browsing, ..Request::new("GET", "/v1/nowhere") }).problem(404);
    server.send(&Request::new("GET", "/nowhere")).problem(404);
}

/// Whatever key or header an attempt names, attempts are counted by address.
fn who_tries_to_sign_in_too_often_is_told_to_wait(place: &Installation) {
    let server = Server::start(place, &[]);
    let reviewer = key(place, "office", "review");
    sign_in(&server, &reviewer).is(303);
    let mut refused = None;
    for attempt in 0..200 {
        let body = format!("key=guess-{attempt}");
        let named = format!("Bearer {attempt}");
        let answer = server.send(&Request {
            content: Some(FORM),
            headers: vec![("Authorization", &named)],
            body: body.as_bytes(),
            ..Request::new("POST", "/signin")
        });
        if answer.status == 429 {
            refused = Some((attempt, answer));
            break;
        }
        answer.is(422);
    }
    let (attempt, answer) = refused.unwrap_or_else(|| panic!("200 attempts in a row were all taken"));
    assert!(attempt >= 50, "an office behind one address is refused after {attempt} attempts");
    assert!(answer.header("content-type").starts_with("text/html"), "{answer:?}");
    assert!(answer.header("retry-after").parse::<u32>().unwrap() >= 1, "{answer:?}");
    sign_in(&server, &reviewer).is(429);
    // the pages themselves, and the API, are not what is bounded here
    server.send(&Request::new("GET", "/signin")).is(200);
    server.get(&reviewer, "/v1/queue").is(200);
}

/// The links to further pages of a list.
fn next(page: &str, start: &str) -> Option<String> {
    let (_, rest) = page.split_once(&format!("href=\"{start}"))?;
    Some(format!("{start}{}", rest.split('"').next().unwrap()))
}

/// More houses than fit on a page, each with a record under its number at another address.
fn held(place: &Installation, count: usize) {
    let house = |n: usize| -> Value {
        json!({
            "reference": format!("H-{n:03}"), "parcel": format!("{n:06}"), "address": format!("{n} Oak Street"),
            "measured_on": "2026-03-08",
            "buildings": [{ "name": "main house", "kind": "main", "levels": [
                { "level": 1, "grade": "above", "parts": [{ "use": "living", "area_sqft": 1000.0 }] }] }]
        })
    };
    let houses: Vec<Value> = (1..=count).map(house).collect();
    place.take_houses(serde_json::to_string(&houses).unwrap()).code(0);
    let rows: String =
        (1..=count).map(|n| format!("{n:06},{} ELM ST,1000,200000,1950,R\n", n + 500)).collect();
    place.take_roll(format!("{}\n{rows}", crate::town::HEADER)).code(0);
    place.reconcile();
}

fn held_matches_come_page_by_page(place: &Installation) {
    held(place, 60);
    let server = Server::start(place, &[]);
    let session = session(&server, &key(place, "office", "review"));
    let first = page(&server, &session, "/matches");
    let further = next(&first, "/matches?cursor=").unwrap_or_else(|| panic!("no link to the next page"));
    let second = page(&server, &session, &further);
    let count = |page: &str| page.matches("name=\"property\"").count();
    assert_eq!((count(&first), count(&second)), (50, 10));
    assert_eq!(next(&second, "/matches?cursor="), None);
    for n in 1..=60 {
        let reference = format!("<bdi>H-{n:03}</bdi>");
        assert_eq!(first.matches(&reference).count() + second.matches(&reference).count(), 1, "{reference}");
    }
    let listed = page(&server, &session, "/properties");
    let rest = next(&listed, "/properties?cursor=").unwrap_or_else(|| panic!("no link to more properties"));
    let rest = page(&server, &session, &rest);
    let count = |page: &str| page.matches("href=\"/properties/").count();
    assert_eq!((count(&listed), count(&rest)), (50, 10));
    let wrong = Request { headers: vec![("Cookie", &session)], ..Request::new("GET", "/matches?cursor=x") };
    server.send(&wrong).is(400);
}

fn the_queue_comes_page_by_page(place: &Installation) {
    let houses: Vec<f64> = (0..60).map(|n| 1500.0 + f64::from(n)).collect();
    place.take_houses(crate::town::houses(&houses)).code(0);
    place.take_roll(crate::town::roll(&[Some(1000); 60])).code(0);
    place.reconcile().code(0);
    let server = Server::start(place, &[]);
    let session = session(&server, &key(place, "office", "review"));
    for list in ["/queue?", "/queue?state=open&"] {
        let first = page(&server, &session, list);
        let (_, rest) =
            first.split_once("name=\"cursor\" value=\"").unwrap_or_else(|| panic!("no next page: {first}"));
        let cursor = rest.split('"').next().unwrap();
        let second = page(&server, &session, &format!("{list}cursor={cursor}"));
        assert!(!second.contains("name=\"cursor\""), "a page after the last one");
        let count = |page: &str| page.matches("class=\"whole\"").count();
        assert_eq!((count(&first), count(&second)), (50, 10), "{list}");
        for place in 1..=60 {
            let reference = format!(">{}<", crate::town::reference(place));
            assert_ne!(first.contains(&reference), second.contains(&reference), "{reference} in {list}");
        }
    }
}

#[test]
fn runs_come_page_by_page() {
    let place = Installation::on_sqlite();
    place.settled();
    for _ in 0..50 {
        place.reconcile().code(0);
    }
    let runs: usize = place.sql("SELECT count(*) FROM run")[0].parse().unwrap();
    assert!(runs > 50, "{runs} runs do not fill a page");
    let server = Server::start(&place, &[]);
    let session = session(&server, &key(&place, "office", "review"));
    let first = page(&server, &session, "/runs");
    let second = page(&server, &session, &next(&first, "/runs?cursor=").expect("no link to earlier runs"));
    let count = |page: &str| page.matches("town-roll, edition").count();
    assert_eq!((count(&first), count(&second)), (50, runs - 50));
}

#[test]
fn notices_come_page_by_page() {
    let place = Installation::on_postgresql();
    place.settled();
    let known: usize = place.sql("SELECT count(*) FROM notice")[0].parse().unwrap();
    place.sql(
        "INSERT INTO notice (id, office, source, kind, detail, at)
         SELECT 'n-' || lpad(n::text, 3, '0'), NULL, NULL, 'edition', 'event ' || n, n FROM generate_series(1, 60) n",
    );
    let server = Server::start(&place, &[]);
    let session = session(&server, &key(&place, "office", "review"));
    let first = page(&server, &session, "/runs");
    let further = next(&first, "/runs?notices=").expect("no link to earlier notices");
    let second = page(&server, &session, &further);
    let count = |page: &str| page.matches(", edition: <span").count();
    assert_eq!((count(&first), count(&second)), (50, 10 + known));
    assert_eq!(next(&second, "/runs?notices="), None);
}

on_both_databases!(
    a_browser_gets_a_page_for_an_unknown_path_and_a_program_a_problem,
    who_tries_to_sign_in_too_often_is_told_to_wait,
    held_matches_come_page_by_page,
    the_queue_comes_page_by_page,
);
