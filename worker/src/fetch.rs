//! Fetching a published file: only from hosts that the operator allows, only from public addresses, in as many attempts
//! as it takes, and never more than was agreed.
//!
//! What is resolved is judged, and what was judged is connected to: the client is told the addresses and resolves
//! nothing itself. Redirects are not followed by the client but taken one by one, each judged like the first. Proxies
//! that the surroundings name are not used, and there are no credentials to carry.

mod address;
mod checksum;
pub(crate) mod job;
mod partial;

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;

use reqwest::header::{self, HeaderMap, HeaderName};
use reqwest::{Client, Response, StatusCode};
use tokio::io::AsyncWriteExt as _;
use url::{Host, Url};

use partial::{Partial, Validator};

/// What the operator allows.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Rules {
    /// Hosts that may be fetched from.
    pub hosts: Vec<AllowedHost>,
}

impl Rules {
    /// Whether an address may be fetched, as far as can be said without asking for it.
    ///
    /// # Errors
    /// A sentence with what would mend it.
    pub fn allows(&self, url: &str) -> Result<(), String> {
        let url = Url::parse(url)
            .map_err(|error| format!("the address cannot be read ({error}): give https://HOST/FILE"))?;
        allowed(self, &url).map(|_| ()).map_err(|why| format!("{} is not fetched: {why}", shown(&url)))
    }

    /// Reads hosts separated by commas, each `HOST`, with `http://` before it where it may be asked without TLS, and
    /// `inside:` where it may be at an address that is not public.
    ///
    /// # Errors
    /// A sentence with what would mend it.
    pub fn read(text: &str) -> Result<Rules, String> {
        let words = text.split(',').map(str::trim).filter(|word| !word.is_empty());
        let hosts = words.map(|word| {
            let (plain_http, rest) = word.strip_prefix("http://").map_or((false, word), |rest| (true, rest));
            let (inside, name) = rest.strip_prefix("inside:").map_or((false, rest), |name| (true, name));
            let own = Url::parse(&format!("https://{name}/")).ok();
            match own.as_ref().and_then(Url::host_str) {
                Some(host) if host.eq_ignore_ascii_case(name) => {
                    Ok(AllowedHost { name: name.to_owned(), plain_http, inside })
                }
                Some(_) | None => Err(format!(
                    "fetch_hosts has {word:?}: give hosts such as rolls.example, separated by commas; http://HOST where \
                     there is no TLS, inside:HOST where its address is not public, http://inside:HOST for both"
                )),
            }
        });
        Ok(Rules { hosts: hosts.collect::<Result<_, _>>()? })
    }
}

/// A host that may be fetched from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AllowedHost {
    /// Its name, as in an address; the port is free.
    pub name: String,
    /// Whether it may be asked without TLS.
    pub plain_http: bool,
    /// Whether it may be an address that is not public, such as one of the office's own network.
    pub inside: bool,
}

/// How long is waited.
#[derive(Debug, Clone, Copy)]
pub struct Patience {
    /// For a connection.
    pub connect: Duration,
    /// For the next bytes.
    pub idle: Duration,
}

impl Default for Patience {
    fn default() -> Patience {
        Patience { connect: Duration::from_secs(10), idle: Duration::from_secs(60) }
    }
}

/// What is to be fetched.
#[derive(Debug, Clone)]
pub struct Wanted {
    /// From where.
    pub url: Url,
    /// Bytes at the most.
    pub bytes_max: u64,
    /// What the publisher said about the file that is here already.
    pub known: Validators,
}

/// What a publisher says by which a file can be told from a later one.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Validators {
    /// `ETag`, or empty.
    pub etag: String,
    /// `Last-Modified`, or empty.
    pub last_modified: String,
}

/// What came of fetching.
#[derive(Debug)]
pub enum Fetched {
    /// The publisher says that it is still the file that is here.
    Unchanged,
    /// The file, whole.
    Whole {
        /// Where it lies; the caller removes it.
        path: PathBuf,
        /// Its length.
        bytes: u64,
        /// What the publisher says about it.
        validators: Validators,
    },
}

/// Why nothing was fetched.
#[derive(Debug, thiserror::Error)]
pub enum FetchError {
    /// It is not allowed, or cannot be what is wanted: the text says what would mend it.
    #[error("{0}")]
    Refused(String),
    /// It may go better later; what came so far is kept.
    #[error("{0}")]
    Passing(String),
    /// The file cannot be written here.
    #[error("{} cannot be written: {cause}", path.display())]
    File {
        /// Where.
        path: PathBuf,
        /// Why.
        cause: std::io::Error,
    },
}

/// Redirects that are followed.
const REDIRECTS_MAX: usize = 5;

/// Fetches a file into a folder of its own, going on where an earlier attempt broke off if the publisher allows it.
///
/// # Errors
/// [`FetchError`]; after [`FetchError::Passing`] the same call goes on.
pub async fn fetch(
    rules: &Rules,
    patience: Patience,
    wanted: &Wanted,
    folder: &Path,
) -> Result<Fetched, FetchError> {
    let mut partial = Partial::open(folder, &wanted.url).await?;
    if let Some(fetched) = attempt(rules, patience, wanted, &mut partial).await? {
        return Ok(fetched);
    }
    // what was kept goes with nothing that is there now
    partial.forget().await?;
    attempt(rules, patience, wanted, &mut partial).await?.ok_or_else(|| {
        FetchError::Passing(format!("{} answers with parts that were not asked for", shown(&wanted.url)))
    })
}

/// One attempt; nothing when what was kept of an earlier one is of no use.
async fn attempt(
    rules: &Rules,
    patience: Patience,
    wanted: &Wanted,
    partial: &mut Partial,
) -> Result<Option<Fetched>, FetchError> {
    let response = ask(rules, patience, &wanted.url, &asked_headers(wanted, partial)).await?;
    let status = response.status();
    let validators = validators(response.headers());
    let goes_on = status == StatusCode::PARTIAL_CONTENT;
    match status {
        StatusCode::NOT_MODIFIED if partial.bytes() == 0 => return Ok(Some(Fetched::Unchanged)),
        StatusCode::OK => {}
        StatusCode::PARTIAL_CONTENT if partial.goes_on(response.headers(), &validators) => {}
        StatusCode::PARTIAL_CONTENT | StatusCode::RANGE_NOT_SATISFIABLE if partial.bytes() > 0 => {
            return Ok(None);
        }
        _ => return Err(answered(&wanted.url, status)),
    }
    if let Some(encoding) = response.headers().get(header::CONTENT_ENCODING).filter(|e| *e != "identity") {
        return Err(FetchError::Refused(format!(
            "{} sends the file packed for the way ({}), although it is asked for as it is: fetch another address",
            shown(&wanted.url),
            String::from_utf8_lossy(encoding.as_bytes())
        )));
    }
    if !goes_on {
        partial.begin(&validators).await?;
    }
    let whole = response.content_length().map(|more| more.saturating_add(partial.bytes()));
    if whole.is_some_and(|whole| whole > wanted.bytes_max) {
        partial.forget().await?;
        return Err(too_large(wanted));
    }
    take(response, wanted, partial).await?;
    if whole.is_some_and(|whole| whole != partial.bytes()) {
        return Err(broke_off(&wanted.url, partial.bytes(), "the connection ended early"));
    }
    let bytes = partial.bytes();
    let path = partial.finish().await?;
    Ok(Some(Fetched::Whole { path, bytes, validators }))
}

/// Takes the body to its end, or to the most that was agreed, whatever length was stated.
async fn take(mut response: Response, wanted: &Wanted, partial: &mut Partial) -> Result<(), FetchError> {
    let mut file = partial.append().await?;
    let failed = |cause| FetchError::File { path: partial.path().to_owned(), cause };
    let mut bytes = partial.bytes();
    let ended = loop {
        match response.chunk().await {
            Ok(None) => break Ok(()),
            Ok(Some(chunk)) => {
                bytes = bytes.saturating_add(chunk.len() as u64);
                if bytes > wanted.bytes_max {
                    break Err(too_large(wanted));
                }
                file.write_all(&chunk).await.map_err(failed)?;
            }
            Err(error) => break Err(broke_off(&wanted.url, bytes, &reason(&error))),
        }
    };
    file.flush().await.map_err(failed)?;
    file.sync_all().await.map_err(failed)?;
    partial.came(bytes);
    if matches!(ended, Err(FetchError::Refused(_))) {
        partial.forget().await?;
    }
    ended
}

fn asked_headers(wanted: &Wanted, partial: &Partial) -> Vec<(HeaderName, String)> {
    let mut headers = vec![(header::ACCEPT_ENCODING, "identity".to_owned())];
    if let (Some(validator), from @ 1..) = (partial.validator(), partial.bytes()) {
        headers.push((header::RANGE, format!("bytes={from}-")));
        headers.push((
            header::IF_RANGE,
            match validator {
                Validator::Etag(etag) => etag,
                Validator::LastModified(at) => at,
            },
        ));
        return headers;
    }
    if !wanted.known.etag.is_empty() {
        headers.push((header::IF_NONE_MATCH, wanted.known.etag.clone()));
    } else if !wanted.known.last_modified.is_empty() {
        headers.push((header::IF_MODIFIED_SINCE, wanted.known.last_modified.clone()));
    }
    headers
}

/// Asks for an address and follows redirects, each hop judged like the first.
async fn ask(
    rules: &Rules,
    patience: Patience,
    url: &Url,
    headers: &[(HeaderName, String)],
) -> Result<Response, FetchError> {
    let mut url = url.clone();
    for _ in 0..=REDIRECTS_MAX {
        let mut request = client(rules, patience, &url).await?.get(url.clone());
        for (name, value) in headers {
            request = request.header(name, value);
        }
        let response = request.send().await.map_err(|error| {
            FetchError::Passing(format!("{} does not answer: {}", shown(&url), reason(&error)))
        })?;
        let moved = response.status().is_redirection() && response.status() != StatusCode::NOT_MODIFIED;
        if !moved {
            return Ok(response);
        }
        let place = response.headers().get(header::LOCATION).and_then(|place| place.to_str().ok());
        let next = place.and_then(|place| url.join(place).ok()).ok_or_else(|| {
            FetchError::Refused(format!("{} sends on to nowhere: correct the address", shown(&url)))
        })?;
        if url.scheme() == "https" && next.scheme() != "https" {
            return Err(FetchError::Refused(format!(
                "{} sends on from https to {}: fetch another address",
                shown(&url),
                shown(&next)
            )));
        }
        url = next;
    }
    Err(FetchError::Refused(format!(
        "{} sends on more than {REDIRECTS_MAX} times: give the address where it ends",
        shown(&url)
    )))
}

/// A client that connects to the judged addresses of one host and to nothing else.
async fn client(rules: &Rules, patience: Patience, url: &Url) -> Result<Client, FetchError> {
    let (host, addresses) = judged(rules, url).await?;
    // a second one within the process finds it in place
    let _in_place = rustls::crypto::ring::default_provider().install_default();
    Client::builder()
        .resolve_to_addrs(&host, &addresses)
        .redirect(reqwest::redirect::Policy::none())
        .no_proxy()
        .referer(false)
        .connect_timeout(patience.connect)
        .read_timeout(patience.idle)
        .user_agent(concat!("crossfoot/", env!("CARGO_PKG_VERSION")))
        .build()
        .map_err(|error| FetchError::Passing(format!("nothing can be fetched: {}", reason(&error))))
}

/// The host of an address and where it is, if it may be fetched from.
async fn judged(rules: &Rules, url: &Url) -> Result<(String, Vec<SocketAddr>), FetchError> {
    let refused = |why: String| FetchError::Refused(format!("{} is not fetched: {why}", shown(url)));
    let rule = allowed(rules, url).map_err(refused)?;
    let name = url.host_str().unwrap_or_default();
    let port = url.port_or_known_default().unwrap_or_default();
    let addresses: Vec<SocketAddr> = match url.host() {
        None => Vec::new(),
        Some(Host::Ipv4(v4)) => vec![(v4, port).into()],
        Some(Host::Ipv6(v6)) => vec![(v6, port).into()],
        Some(Host::Domain(domain)) => match tokio::net::lookup_host((domain, port)).await {
            Ok(found) => found.collect(),
            Err(error) => {
                return Err(FetchError::Passing(format!("the host {name} cannot be found: {error}")));
            }
        },
    };
    if let Some(private) = addresses.iter().find(|found| !rule.inside && !address::is_public(found.ip())) {
        return Err(refused(format!(
            "the host {name} is at {}, which is not a public address: allow it as inside:HOST if that is meant",
            private.ip()
        )));
    }
    if addresses.is_empty() {
        return Err(FetchError::Passing(format!("the host {name} has no address")));
    }
    Ok((name.to_owned(), addresses))
}

/// The operator's word on the host of an address, where it allows to ask for it.
fn allowed<'r>(rules: &'r Rules, url: &Url) -> Result<&'r AllowedHost, String> {
    if !url.username().is_empty() || url.password().is_some() {
        return Err("it holds a name or password: give an address without".to_owned());
    }
    let Some(name) = url.host_str() else {
        return Err("it names no host: give https://HOST/FILE".to_owned());
    };
    let Some(allowed) = rules.hosts.iter().find(|allowed| allowed.name.eq_ignore_ascii_case(name)) else {
        return Err(format!("the host {name} is not allowed: the operator allows hosts in fetch_hosts"));
    };
    match url.scheme() {
        "https" => Ok(allowed),
        "http" if allowed.plain_http => Ok(allowed),
        "http" => {
            Err("without TLS anybody on the way may change it: give https, or allow the host as http://HOST"
                .to_owned())
        }
        other => Err(format!("{other} is not spoken: give https")),
    }
}

fn validators(headers: &HeaderMap) -> Validators {
    let text = |name: HeaderName| {
        headers.get(name).and_then(|value| value.to_str().ok()).unwrap_or_default().to_owned()
    };
    Validators { etag: text(header::ETAG), last_modified: text(header::LAST_MODIFIED) }
}

/// What an answer without a file comes to.
fn answered(url: &Url, status: StatusCode) -> FetchError {
    let text = format!("{} answers {status}", shown(url));
    let passing = status.is_server_error()
        || matches!(
            status,
            StatusCode::REQUEST_TIMEOUT | StatusCode::TOO_MANY_REQUESTS | StatusCode::TOO_EARLY
        );
    if passing {
        FetchError::Passing(text)
    } else {
        FetchError::Refused(format!("{text}: correct the address"))
    }
}

fn too_large(wanted: &Wanted) -> FetchError {
    FetchError::Refused(format!(
        "{} is larger than the {} bytes that are agreed: raise the limit if that is right",
        shown(&wanted.url),
        wanted.bytes_max
    ))
}

fn broke_off(url: &Url, bytes: u64, why: &str) -> FetchError {
    FetchError::Passing(format!(
        "{} broke off after {bytes} bytes ({why}): it goes on from there",
        shown(url)
    ))
}

/// An error of the client with its causes, without the address, which may hold a token.
fn reason(error: &reqwest::Error) -> String {
    let mut causes = Vec::new();
    let mut cause = std::error::Error::source(error);
    while let Some(next) = cause {
        causes.push(next.to_string());
        cause = next.source();
    }
    if error.is_timeout() {
        causes.push("nothing came for too long".to_owned());
    }
    if causes.is_empty() { "the connection failed".to_owned() } else { causes.join(": ") }
}

/// An address as it was given, as [`shown`].
#[must_use]
pub fn shown_text(url: &str) -> String {
    Url::parse(url).map_or_else(|_unreadable| "…".to_owned(), |url| shown(&url))
}

/// An address for people and logs, without a query, which may hold a token.
#[must_use]
pub fn shown(url: &Url) -> String {
    let mut url = url.clone();
    url.set_query(None);
    url.set_fragment(None);
    let _no_host = url.set_password(None);
    let _no_host = url.set_username("");
    url.to_string()
}
