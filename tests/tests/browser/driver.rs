//! A headless browser of its own for each test, driven over WebDriver (W3C Recommendation, level 1) and, where that
//! has no word for it, by Chromium's DevTools protocol.

use std::fs;
use std::io::{BufRead as _, BufReader};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use fantoccini::elements::Element;
use fantoccini::error::CmdError;
use fantoccini::wd::WebDriverCompatibleCommand;
use fantoccini::{Client, ClientBuilder, Locator};
use http::Method;
use hyper_util::client::legacy::connect::HttpConnector;
use serde_json::{Value, json};
use tempfile::TempDir;
use tokio::runtime::{Builder, Runtime};
use url::{ParseError, Url};

/// How long something on a page may take.
const PATIENCE: Duration = Duration::from_secs(60);
/// How often it is looked for.
const LOOK: Duration = Duration::from_millis(50);

pub(crate) struct Browser {
    runtime: Runtime,
    client: Option<Client>,
    driver: Child,
    /// Where pages are, `http://127.0.0.1:PORT`.
    site: String,
    /// What was downloaded.
    pub(crate) downloads: PathBuf,
    /// Everything that driver and browser put down, removed with them: they leave profiles behind otherwise.
    _room: TempDir,
}

impl Browser {
    /// A browser for the pages at `127.0.0.1:PORT`.
    pub(crate) fn new(address: &str) -> Self {
        Self::with(address, &json!({}))
    }

    /// A browser whose pages run no script.
    pub(crate) fn without_script(address: &str) -> Self {
        // 2 is "block" in Chromium's content settings
        Self::with(address, &json!({"profile.managed_default_content_settings.javascript": 2}))
    }

    fn with(address: &str, preferences: &Value) -> Self {
        let room = TempDir::new().unwrap();
        let downloads = room.path().join("downloads");
        fs::create_dir(&downloads).unwrap();
        let mut driver = Command::new("chromedriver")
            .arg("--port=0")
            .env("TMPDIR", room.path())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap_or_else(|e| panic!("chromedriver: {e}: run `tests/run prepare`"));
        let lines = BufReader::new(driver.stdout.take().unwrap()).lines();
        let started = lines.map_while(Result::ok).find_map(|line| {
            let (_, port) = line.split_once("started successfully on port ")?;
            Some(port.trim_end_matches('.').to_owned())
        });
        let mut preferences = preferences.clone();
        preferences["download.default_directory"] = json!(downloads);
        preferences["plugins.always_open_pdf_externally"] = json!(true);
        preferences["profile.default_content_setting_values.automatic_downloads"] = json!(1);
        // the sandbox needs rights that containers and root do not have; only our own pages are opened
        let arguments = [
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-dev-shm-usage",
            "--hide-scrollbars",
        ];
        let options = json!({"args": arguments, "prefs": preferences});
        let capabilities = json!({"browserName": "chrome", "goog:chromeOptions": options});
        let runtime = Builder::new_current_thread().enable_all().build().unwrap();
        let address_of_driver = format!("http://127.0.0.1:{}", started.unwrap());
        let client = runtime.block_on(async {
            let mut builder = ClientBuilder::new(HttpConnector::new());
            builder.capabilities(capabilities.as_object().unwrap().clone());
            builder.connect(&address_of_driver).await.unwrap()
        });
        Self {
            runtime,
            client: Some(client),
            driver,
            site: format!("http://{address}"),
            downloads,
            _room: room,
        }
    }

    fn client(&self) -> &Client {
        self.client.as_ref().unwrap()
    }

    /// Opens a page of the service.
    pub(crate) fn open(&self, path: &str) {
        self.runtime.block_on(self.client().goto(&format!("{}{path}", self.site))).unwrap();
    }

    /// Opens an address that is not of the service.
    pub(crate) fn open_elsewhere(&self, url: &str) {
        self.runtime.block_on(self.client().goto(url)).unwrap();
    }

    /// The path that is shown, with its query.
    pub(crate) fn path(&self) -> String {
        let url = self.runtime.block_on(self.client().current_url()).unwrap();
        url.as_str().strip_prefix(&self.site).unwrap_or(url.as_str()).to_owned()
    }

    #[track_caller]
    fn element(&self, css: &str) -> Element {
        let found = self.runtime.block_on(self.client().find(Locator::Css(css)));
        found.unwrap_or_else(|e| panic!("{css} on {}: {e}\n{}", self.path(), self.text("body")))
    }

    #[track_caller]
    pub(crate) fn text(&self, css: &str) -> String {
        let look = async || self.client().find(Locator::Css(css)).await?.text().await;
        let until = Instant::now() + PATIENCE;
        loop {
            match self.runtime.block_on(look()) {
                Ok(text) => return text,
                Err(e) if replaced(&e) && Instant::now() < until => sleep(LOOK),
                Err(e) => panic!("{css} on {}: {e}", self.path()),
            }
        }
    }

    /// Demands that an element shows these words, at the latest when the page has come.
    #[track_caller]
    pub(crate) fn shows(&self, css: &str, words: &str) {
        let until = Instant::now() + PATIENCE;
        loop {
            let text = self.text(css);
            if text.contains(words) {
                return;
            }
            assert!(Instant::now() < until, "{words:?} is not in {css} of {}:\n{text}", self.path());
            sleep(LOOK);
        }
    }

    /// Types into a field.
    #[track_caller]
    pub(crate) fn fill(&self, css: &str, text: &str) {
        let element = self.element(css);
        self.runtime.block_on(element.send_keys(text)).unwrap();
    }

    /// Chooses an option of a select by its value.
    #[track_caller]
    pub(crate) fn choose(&self, css: &str, value: &str) {
        let element = self.element(css);
        self.runtime.block_on(element.select_by_value(value)).unwrap();
    }

    #[track_caller]
    pub(crate) fn click(&self, css: &str) {
        let element = self.element(css);
        self.runtime.block_on(element.click()).unwrap_or_else(|e| panic!("{css} on {}: {e}", self.path()));
    }

    /// Clicks the link or button with these words.
    #[track_caller]
    pub(crate) fn press(&self, words: &str) {
        let xpath = format!("//*[self::a or self::button][normalize-space()=\"{words}\"]");
        let found = self.runtime.block_on(self.client().find(Locator::XPath(&xpath)));
        let element = found.unwrap_or_else(|e| panic!("{words:?} on {}: {e}", self.path()));
        self.runtime.block_on(element.click()).unwrap();
    }

    /// Sends keys to where the focus is.
    pub(crate) fn keys(&self, keys: &str) {
        self.runtime.block_on(async { self.client().active_element().await?.send_keys(keys).await }).unwrap();
    }

    /// What a script answers. WebDriver's scripts are not under the page's content security policy.
    #[track_caller]
    pub(crate) fn ask(&self, script: &str) -> Value {
        self.runtime.block_on(self.client().execute(script, Vec::new())).unwrap()
    }

    /// What a script answers that calls its last argument when it is done.
    pub(crate) fn ask_later(&self, script: &str) -> Value {
        self.runtime.block_on(self.client().execute_async(script, Vec::new())).unwrap()
    }

    /// Sends a command of the DevTools protocol.
    pub(crate) fn devtools(&self, method: &str, parameters: Value) -> Value {
        let command = Devtools { method: method.to_owned(), parameters };
        self.runtime.block_on(self.client().issue_cmd(command)).unwrap()
    }

    /// The width of the window, in CSS pixels.
    pub(crate) fn width(&self, pixels: u32) {
        let metrics = json!({"width": pixels, "height": 900, "deviceScaleFactor": 1, "mobile": false});
        self.devtools("Emulation.setDeviceMetricsOverride", metrics);
    }

    /// The reader prefers `light` or `dark`; the medium is `screen` or `print`.
    pub(crate) fn medium(&self, medium: &str, scheme: &str) {
        let features = json!([{"name": "prefers-color-scheme", "value": scheme}]);
        self.devtools("Emulation.setEmulatedMedia", json!({"media": medium, "features": features}));
    }

    /// Looks until something is so.
    #[track_caller]
    pub(crate) fn wait_for(&self, what: &str, mut look: impl FnMut() -> bool) {
        let until = Instant::now() + PATIENCE;
        while !look() {
            assert!(Instant::now() < until, "{what} did not come; {}:\n{}", self.path(), self.text("body"));
            sleep(LOOK);
        }
    }

    /// Signs in with a key by the page.
    pub(crate) fn sign_in(&self, key: &str) {
        self.open("/signin");
        self.fill("input[name=key]", key);
        self.press("Sign in");
        self.wait_for("the page after signing in", || !self.path().starts_with("/signin"));
    }
}

/// Whether the page is just being replaced by another one. For a part of that moment chromedriver has no kind of error,
/// only Chromium's words.
fn replaced(error: &CmdError) -> bool {
    let words = ["does not belong to the document", "context was destroyed", "Cannot find context"];
    error.is_stale_element_reference()
        || error.is_no_such_element()
        || words.iter().any(|words| error.to_string().contains(words))
}

impl Drop for Browser {
    fn drop(&mut self) {
        if let Some(client) = self.client.take() {
            // ends Chromium; the driver alone would leave it behind
            let _ = self.runtime.block_on(client.close());
        }
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

/// A command of the DevTools protocol, as chromedriver passes it on.
#[derive(Debug)]
struct Devtools {
    method: String,
    parameters: Value,
}

impl WebDriverCompatibleCommand for Devtools {
    fn endpoint(&self, base: &Url, session: Option<&str>) -> Result<Url, ParseError> {
        base.join(&format!("session/{}/goog/cdp/execute", session.unwrap_or_default()))
    }

    fn method_and_body(&self, _url: &Url) -> (Method, Option<String>) {
        (Method::POST, Some(json!({"cmd": self.method, "params": self.parameters}).to_string()))
    }
}
