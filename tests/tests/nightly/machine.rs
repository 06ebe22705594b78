//! A machine of the installation: one of the programs, running until the test is over.

use std::fs::{self, File};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::thread;
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::installation::Installation;

/// The machine may be compiling beside the test.
const PATIENCE: Duration = Duration::from_secs(60);

/// A running program; its log is a file.
pub(crate) struct Machine {
    child: Child,
    log: PathBuf,
}

impl Machine {
    /// A worker that looks every second.
    pub(crate) fn worker(place: &Installation, name: &str) -> Self {
        Self::start(place.command("crossfoot-worker"), place, name, 1)
    }

    /// A worker under which a file must stay as it is for longer than the test lasts.
    pub(crate) fn patient_worker(place: &Installation, name: &str) -> Self {
        Self::start(place.command("crossfoot-worker"), place, name, 3600)
    }

    /// The service that runs jobs too.
    pub(crate) fn service(place: &Installation, name: &str) -> Self {
        let mut command = place.command("crossfoot");
        command.args(["serve", "--port", "0", "--jobs", "yes"]);
        Self::start(command, place, name, 1)
    }

    fn start(mut command: Command, place: &Installation, name: &str, settle_seconds: u32) -> Self {
        let log = place.folder().join(format!("{name}.log"));
        command
            .args(["--log", "info"])
            .env("CROSSFOOT_LOOK_SECONDS", "1")
            .env("CROSSFOOT_SETTLE_SECONDS", settle_seconds.to_string());
        command.stdout(Stdio::null()).stderr(File::create(&log).unwrap());
        Self { child: command.spawn().unwrap(), log }
    }

    /// Kills it, as a power cut does.
    pub(crate) fn kill(self) {
        drop(self);
    }

    /// Asks it to end, demands that it ends well, and gives its log.
    pub(crate) fn end(mut self) -> String {
        let asked = Command::new("kill").arg(self.child.id().to_string()).status().unwrap();
        assert!(asked.success());
        let ended = self.child.wait().unwrap();
        let log = fs::read_to_string(&self.log).unwrap();
        assert!(ended.success(), "{ended}: {log}");
        log
    }
}

impl Drop for Machine {
    fn drop(&mut self) {
        // after an orderly end there is nothing left to kill
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Installation {
    /// Adds a schedule and gives its id.
    #[track_caller]
    pub(crate) fn schedule(&self, arguments: &[&str]) -> String {
        let mut all = vec!["schedule", "add"];
        all.extend(arguments);
        let said = self.run(&all).code(0).out;
        said.strip_prefix("schedule ").unwrap().split(':').next().unwrap().to_owned()
    }

    /// Makes every schedule due since long ago.
    pub(crate) fn all_due(&self) {
        self.change("UPDATE schedule SET next_at = 1000000");
    }

    /// The report since ever.
    pub(crate) fn report(&self) -> Value {
        let ended = self.run(&["report", "--since", "2000-01-01T00:00:00Z", "--json"]).code(0);
        serde_json::from_str(&ended.out).unwrap()
    }

    /// The report once it shows what is waited for.
    #[track_caller]
    pub(crate) fn report_when(&self, wanted: impl Fn(&Value) -> bool) -> Value {
        let begun = Instant::now();
        loop {
            let report = self.report();
            if wanted(&report) {
                return report;
            }
            assert!(begun.elapsed() < PATIENCE, "still: {report:#}");
            thread::sleep(Duration::from_millis(100));
        }
    }
}

/// What a report says of a source.
pub(crate) fn source<'r>(report: &'r Value, id: &str) -> &'r Value {
    report["sources"].as_array().unwrap().iter().find(|source| source["source"] == id).unwrap_or(&Value::Null)
}

/// Details of the notices of a kind, the oldest first.
pub(crate) fn notices(report: &Value, kind: &str) -> Vec<String> {
    let all = report["notices"].as_array().unwrap().iter().filter(|notice| notice["kind"] == kind);
    all.map(|notice| notice["detail"].as_str().unwrap().to_owned()).collect()
}

/// How many runs of a source are through.
pub(crate) fn runs_done(report: &Value, id: &str) -> usize {
    let runs = source(report, id)["runs"].as_array().map(Vec::as_slice).unwrap_or_default();
    runs.iter().filter(|run| run["state"] == "done").count()
}
