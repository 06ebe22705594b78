//! Fetching from servers on this machine that misbehave in one way each.

#![expect(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::sync::{Arc, Mutex};
use std::time::Duration;

use crossfoot_worker::fetch::{AllowedHost, FetchError, Fetched, Patience, Rules, Validators, Wanted, fetch};
use tempfile::TempDir;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpListener;
use url::Url;

/// What the server sends for a request, byte for byte, and how long it then keeps the connection.
struct Answer {
    bytes: Vec<u8>,
    hold: Duration,
}

impl From<Vec<u8>> for Answer {
    fn from(bytes: Vec<u8>) -> Answer {
        Answer { bytes, hold: Duration::ZERO }
    }
}

/// A server on a port of its own that answers by a function of the request and its number, from 0.
struct Server {
    port: u16,
    asked: Arc<Mutex<Vec<String>>>,
}

impl Server {
    async fn start<A: Into<Answer>>(answer: impl Fn(usize, &str) -> A + Send + Sync + 'static) -> Server {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let port = listener.local_addr().unwrap().port();
        let asked: Arc<Mutex<Vec<String>>> = Arc::default();
        let log = asked.clone();
        tokio::spawn(async move {
            loop {
                let (mut socket, _) = listener.accept().await.unwrap();
                let mut request = Vec::new();
                while !request.ends_with(b"\r\n\r\n") {
                    let mut byte = [0];
                    if socket.read(&mut byte).await.unwrap_or(0) == 0 {
                        break;
                    }
                    request.push(byte[0]);
                }
                let request = String::from_utf8(request).unwrap().to_lowercase();
                let number = log.lock().unwrap().len();
                log.lock().unwrap().push(request.clone());
                let answer: Answer = answer(number, &request).into();
                let _cut = socket.write_all(&answer.bytes).await;
                tokio::spawn(async move {
                    tokio::time::sleep(answer.hold).await;
                    drop(socket);
                });
            }
        });
        Server { port, asked }
    }

    fn url(&self) -> Url {
        Url::parse(&format!("http://127.0.0.1:{}/rolls/roll.csv", self.port)).unwrap()
    }

    fn asked(&self) -> Vec<String> {
        self.asked.lock().unwrap().clone()
    }
}

/// An answer with a body, its length as stated.
fn answer(status: &str, headers: &str, length: usize, body: &[u8]) -> Vec<u8> {
    let head = format!("HTTP/1.1 {status}\r\n{headers}Content-Length: {length}\r\nConnection: close\r\n\r\n");
    [head.as_bytes(), body].concat()
}

fn whole(headers: &str, body: &[u8]) -> Vec<u8> {
    answer("200 OK", headers, body.len(), body)
}

fn rules() -> Rules {
    let host = |name: &str| AllowedHost { name: name.to_owned(), plain_http: true, inside: true };
    Rules { hosts: vec![host("127.0.0.1"), host("localhost")] }
}

const SHORT: Patience = Patience { connect: Duration::from_secs(5), idle: Duration::from_millis(400) };

fn wanted(url: Url) -> Wanted {
    Wanted { url, bytes_max: 1_000_000, known: Validators::default() }
}

async fn get(wanted: &Wanted, folder: &TempDir) -> Result<Fetched, FetchError> {
    fetch(&rules(), SHORT, wanted, folder.path()).await
}

fn content(fetched: Result<Fetched, FetchError>) -> (Vec<u8>, Validators) {
    let Fetched::Whole { path, bytes, validators } = fetched.unwrap() else { panic!("unchanged") };
    let content = std::fs::read(path).unwrap();
    assert_eq!(content.len() as u64, bytes);
    (content, validators)
}

fn refusal(fetched: Result<Fetched, FetchError>) -> String {
    match fetched {
        Err(FetchError::Refused(why)) => why,
        other => panic!("{other:?}"),
    }
}

fn passing(fetched: Result<Fetched, FetchError>) -> String {
    match fetched {
        Err(FetchError::Passing(why)) => why,
        other => panic!("{other:?}"),
    }
}

fn nothing_left(folder: &TempDir) -> bool {
    std::fs::read_dir(folder.path()).unwrap().next().is_none()
}

/// RFC 9110, sections 13.1.2 and 15.4.5.
#[tokio::test]
async fn a_file_that_is_here_already_is_asked_for_by_its_etag_and_not_sent_again() {
    let server = Server::start(|_, request| {
        if request.contains("if-none-match: \"v1\"") {
            return b"HTTP/1.1 304 Not Modified\r\nETag: \"v1\"\r\nConnection: close\r\n\r\n".to_vec();
        }
        whole("ETag: \"v1\"\r\nLast-Modified: Wed, 21 Oct 2015 07:28:00 GMT\r\n", b"P,A\n")
    })
    .await;
    let folder = TempDir::new().unwrap();
    let (bytes, known) = content(get(&wanted(server.url()), &folder).await);
    assert_eq!((bytes.as_slice(), known.etag.as_str()), (&b"P,A\n"[..], "\"v1\""));
    let again = Wanted { known, ..wanted(server.url()) };
    assert!(matches!(get(&again, &folder).await.unwrap(), Fetched::Unchanged));
    let asked = server.asked();
    assert!(asked[0].contains("accept-encoding: identity") && !asked[0].contains("if-"), "{}", asked[0]);
}

#[tokio::test]
async fn without_an_etag_the_time_of_the_last_change_is_asked_by() {
    let at = "Wed, 21 Oct 2015 07:28:00 GMT";
    let server = Server::start(move |_, request| {
        assert!(request.contains("if-modified-since: wed, 21 oct 2015 07:28:00 gmt"), "{request}");
        b"HTTP/1.1 304 Not Modified\r\nConnection: close\r\n\r\n".to_vec()
    })
    .await;
    let known = Validators { etag: String::new(), last_modified: at.to_owned() };
    let folder = TempDir::new().unwrap();
    let again = Wanted { known, ..wanted(server.url()) };
    assert!(matches!(get(&again, &folder).await.unwrap(), Fetched::Unchanged));
}

/// RFC 9110, sections 13.1.5 and 14.2.
#[tokio::test]
async fn a_connection_that_is_cut_is_gone_on_from_where_it_broke_off() {
    let server = Server::start(|number, request| match number {
        0 => answer("200 OK", "ETag: \"v1\"\r\n", 10, b"01234"),
        _ => {
            assert!(request.contains("range: bytes=5-") && request.contains("if-range: \"v1\""), "{request}");
            answer("206 Partial Content", "ETag: \"v1\"\r\nContent-Range: bytes 5-9/10\r\n", 5, b"56789")
        }
    })
    .await;
    let folder = TempDir::new().unwrap();
    let why = passing(get(&wanted(server.url()), &folder).await);
    assert!(why.contains("broke off after 5 bytes") && why.contains("goes on from there"), "{why}");
    assert_eq!(content(get(&wanted(server.url()), &folder).await).0, b"0123456789");
}

#[tokio::test]
async fn a_server_without_parts_sends_it_from_the_beginning() {
    let server = Server::start(|number, _| match number {
        0 => answer("200 OK", "ETag: \"v1\"\r\n", 10, b"01234"),
        _ => whole("ETag: \"v1\"\r\n", b"0123456789"),
    })
    .await;
    let folder = TempDir::new().unwrap();
    passing(get(&wanted(server.url()), &folder).await);
    assert_eq!(content(get(&wanted(server.url()), &folder).await).0, b"0123456789");
}

#[tokio::test]
async fn a_file_that_changed_meanwhile_begins_anew_whatever_the_server_sends() {
    // the first keeps to If-Range; the others send a part of another file, or one that was not asked for
    let part = |etag: &str, range: &str| {
        answer(
            "206 Partial Content",
            &format!("ETag: \"{etag}\"\r\nContent-Range: bytes {range}/10\r\n"),
            5,
            b"fghij",
        )
    };
    let answers = [whole("ETag: \"v2\"\r\n", b"abcdefghij"), part("v2", "5-9"), part("v1", "0-4")];
    for second in answers {
        let server = Server::start(move |number, _| match number {
            0 => answer("200 OK", "ETag: \"v1\"\r\n", 10, b"01234"),
            1 => second.clone(),
            _ => whole("ETag: \"v2\"\r\n", b"abcdefghij"),
        })
        .await;
        let folder = TempDir::new().unwrap();
        passing(get(&wanted(server.url()), &folder).await);
        assert_eq!(content(get(&wanted(server.url()), &folder).await).0, b"abcdefghij");
    }
}

#[tokio::test]
async fn a_part_beyond_the_end_begins_anew() {
    let server = Server::start(|number, _| match number {
        0 => answer("200 OK", "ETag: \"v1\"\r\n", 10, b"01234"),
        1 => answer("416 Range Not Satisfiable", "", 0, b""),
        _ => whole("ETag: \"v1\"\r\n", b"abc"),
    })
    .await;
    let folder = TempDir::new().unwrap();
    passing(get(&wanted(server.url()), &folder).await);
    assert_eq!(content(get(&wanted(server.url()), &folder).await).0, b"abc");
}

/// A weak ETag does not promise the same bytes (RFC 9110, section 13.1.5), and neither does nothing at all.
#[tokio::test]
async fn what_is_not_promised_to_be_the_same_bytes_is_not_gone_on() {
    for headers in ["ETag: W/\"v1\"\r\n", ""] {
        let server = Server::start(move |number, request| {
            assert!(!request.contains("range:"), "{request}");
            match number {
                0 => answer("200 OK", headers, 10, b"01234"),
                _ => whole(headers, b"0123456789"),
            }
        })
        .await;
        let folder = TempDir::new().unwrap();
        passing(get(&wanted(server.url()), &folder).await);
        assert_eq!(content(get(&wanted(server.url()), &folder).await).0, b"0123456789");
    }
}

#[tokio::test]
async fn more_than_was_agreed_is_not_taken_whatever_length_is_stated() {
    let large = vec![b'x'; 3000];
    let chunked = [
        b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\nConnection: close\r\n\r\nbb8\r\n".as_slice(),
        &large,
        b"\r\n0\r\n\r\n",
    ]
    .concat();
    for sent in [whole("ETag: \"v1\"\r\n", &large), chunked] {
        let server = Server::start(move |_, _| sent.clone()).await;
        let folder = TempDir::new().unwrap();
        let little = Wanted { bytes_max: 2999, ..wanted(server.url()) };
        let why = refusal(get(&little, &folder).await);
        assert!(why.contains("2999 bytes") && why.contains("raise the limit"), "{why}");
        assert!(nothing_left(&folder));
    }
}

#[tokio::test]
async fn a_length_that_is_stated_too_short_ends_there() {
    let server = Server::start(|_, _| answer("200 OK", "", 3, b"0123456789")).await;
    let folder = TempDir::new().unwrap();
    assert_eq!(content(get(&wanted(server.url()), &folder).await).0, b"012");
}

#[tokio::test]
async fn a_server_that_goes_quiet_is_given_up_and_gone_on_later() {
    let server = Server::start(|number, _| match number {
        0 => {
            Answer { bytes: answer("200 OK", "ETag: \"v1\"\r\n", 10, b"01234"), hold: Duration::from_secs(2) }
        }
        _ => answer("206 Partial Content", "Content-Range: bytes 5-9/10\r\n", 5, b"56789").into(),
    })
    .await;
    let folder = TempDir::new().unwrap();
    let why = passing(get(&wanted(server.url()), &folder).await);
    assert!(why.contains("nothing came for too long"), "{why}");
    assert_eq!(content(get(&wanted(server.url()), &folder).await).0, b"0123456789");
}

#[tokio::test]
async fn a_server_that_fails_may_be_asked_again_and_one_that_says_no_may_not() {
    for (status, passes) in [
        ("500 Internal Server Error", true),
        ("503 Service Unavailable", true),
        ("429 Too Many Requests", true),
        ("404 Not Found", false),
        ("401 Unauthorized", false),
        ("204 No Content", false),
    ] {
        let server = Server::start(move |_, _| answer(status, "", 0, b"")).await;
        let folder = TempDir::new().unwrap();
        let fetched = get(&wanted(server.url()), &folder).await;
        let why = if passes { passing(fetched) } else { refusal(fetched) };
        assert!(why.contains(status.split(' ').next().unwrap()), "{why}");
    }
}

#[tokio::test]
async fn a_file_packed_for_the_way_is_refused() {
    let server = Server::start(|_, _| whole("Content-Encoding: gzip\r\n", b"\x1f\x8b")).await;
    let folder = TempDir::new().unwrap();
    let why = refusal(get(&wanted(server.url()), &folder).await);
    assert!(why.contains("gzip") && nothing_left(&folder), "{why}");
}

#[tokio::test]
async fn redirects_are_followed_five_times_and_no_more() {
    for (moves, arrives) in [(5, true), (6, false)] {
        let server = Server::start(move |number, _| {
            if number < moves {
                return answer("302 Found", &format!("Location: /moved/{number}\r\n"), 0, b"");
            }
            whole("", b"P,A\n")
        })
        .await;
        let folder = TempDir::new().unwrap();
        let fetched = get(&wanted(server.url()), &folder).await;
        if arrives {
            assert_eq!(content(fetched).0, b"P,A\n");
        } else {
            assert!(refusal(fetched).contains("more than 5 times"));
        }
    }
}

#[tokio::test]
async fn a_redirect_to_a_host_that_is_not_allowed_or_private_is_not_followed() {
    for (to, words) in [
        ("http://169.254.169.254/latest", "is not allowed"),
        ("http://[::1]:80/", "is not allowed"),
        ("http://2130706433/", "not a public address"),
        ("file:///etc/passwd", "names no host"),
        ("http://user:pw@127.0.0.1/", "name or password"),
    ] {
        let server =
            Server::start(move |_, _| answer("302 Found", &format!("Location: {to}\r\n"), 0, b"")).await;
        let folder = TempDir::new().unwrap();
        // the host that is redirected from is another name of this machine, so that 127.0.0.1 may be kept from inside
        let mut rules = rules();
        rules.hosts[0].inside = false;
        let url = Url::parse(&format!("http://localhost:{}/", server.port)).unwrap();
        let why = refusal(fetch(&rules, SHORT, &wanted(url), folder.path()).await);
        assert!(why.contains(words) && !why.contains("pw"), "{to}: {why}");
        assert_eq!(server.asked().len(), 1);
    }
}

#[tokio::test]
async fn only_what_the_operator_allows_is_asked() {
    let server = Server::start(|_, _| whole("", b"secret")).await;
    let folder = TempDir::new().unwrap();
    let allow = |plain_http, inside| Rules {
        hosts: vec![AllowedHost { name: "localhost".to_owned(), plain_http, inside }],
    };
    let url = Url::parse(&format!("http://LocalHost:{}/?token=hush", server.port)).unwrap();
    for (rules, words) in [
        (Rules::default(), "is not allowed"),
        (allow(false, true), "without TLS"),
        // its name leads to this machine: every address is judged, not the first
        (allow(true, false), "not a public address"),
    ] {
        let why = refusal(fetch(&rules, SHORT, &wanted(url.clone()), folder.path()).await);
        assert!(why.contains(words) && !why.contains("hush"), "{why}");
    }
    assert!(server.asked().is_empty());
    assert_eq!(content(fetch(&allow(true, true), SHORT, &wanted(url), folder.path()).await).0, b"secret");
}

#[tokio::test]
async fn what_is_left_of_another_address_is_thrown_away() {
    let server = Server::start(|number, request| match number {
        0 => answer("200 OK", "ETag: \"v1\"\r\n", 10, b"01234"),
        _ => {
            assert!(!request.contains("range:"), "{request}");
            whole("ETag: \"v1\"\r\n", b"abc")
        }
    })
    .await;
    let folder = TempDir::new().unwrap();
    passing(get(&wanted(server.url()), &folder).await);
    let other = server.url().join("other.csv").unwrap();
    assert_eq!(content(get(&wanted(other), &folder).await).0, b"abc");
}
