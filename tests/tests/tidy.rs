//! Rules of the repository that no compiler checks. Each rule says what to do instead, and each is shown a
//! bad sample too, so that a rule that cannot fail does not pass for one that holds.

#![expect(clippy::unwrap_used, reason = "a test stops at the first thing it cannot read")]

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::process::Command;

use crossfoot_testbed::repository;
use serde_json::{Value, json};

#[path = "tidy/source.rs"]
mod source;

use source::{code_only, functions, lines_with, without_tests};

const FILE_LINES_MAX: usize = 800;
const FUNCTION_LINES_MAX: usize = 70;

/// Files with `unsafe` outside `tests/testbed`. This list may only shrink.
const UNSAFE_FILES: [&str; 1] = ["store/src/bulk.rs"];

/// A text file of the repository; its path is relative, with `/`.
struct File {
    path: String,
    text: String,
}

impl File {
    fn new(path: &str, text: &str) -> Self {
        Self { path: path.to_owned(), text: text.to_owned() }
    }

    /// The Rust code, without comments, literals and tests; empty for a file of tests.
    fn code(&self) -> String {
        let is_test = self.path.contains("/tests/") || self.path.ends_with("/tests.rs");
        if is_test { String::new() } else { without_tests(&code_only(&self.text)) }
    }

    fn is_rust(&self) -> bool {
        Path::new(&self.path).extension().is_some_and(|extension| extension == "rs")
    }

    fn is_within(&self, folders: &[&str]) -> bool {
        folders.iter().any(|folder| self.path.starts_with(folder))
    }
}

/// Fails with all faults of one rule, and with what to do instead.
fn demand(faults: &[String], instead: &str) {
    assert!(faults.is_empty(), "{instead}\n  {}", faults.join("\n  "));
}

// --- which crate may use which ---

/// Our crates, and those of ours that each may use. `crossfoot-testbed` is for tests, everywhere.
const MAY_USE: [(&str, &[&str]); 10] = [
    ("crossfoot-audit", &[]),
    ("crossfoot-roll", &["crossfoot-audit"]),
    ("crossfoot-store", &["crossfoot-audit", "crossfoot-roll"]),
    ("crossfoot-packet", &["crossfoot-audit"]),
    ("crossfoot-worker", &["crossfoot-audit", "crossfoot-roll", "crossfoot-store", "crossfoot-packet"]),
    (
        "crossfoot",
        &["crossfoot-audit", "crossfoot-roll", "crossfoot-store", "crossfoot-packet", "crossfoot-worker"],
    ),
    ("crossfoot-testbed", &[]),
    ("crossfoot-fuzz", &["crossfoot-roll"]),
    ("crossfoot-tests", &["crossfoot-audit", "crossfoot-roll", "crossfoot-store", "crossfoot-packet"]),
    ("crossfoot-benches", &["crossfoot-audit", "crossfoot-roll", "crossfoot-store", "crossfoot-packet"]),
];

const NOT_IN_AUDIT: [&str; 6] = ["tokio", "sqlx", "reqwest", "axum", "tracing", "rusqlite"];

fn wrong_dependencies(metadata: &Value) -> Vec<String> {
    let mut faults = Vec::new();
    for package in metadata["packages"].as_array().unwrap() {
        let name = package["name"].as_str().unwrap();
        let Some((_, allowed)) = MAY_USE.iter().find(|(crate_name, _)| *crate_name == name) else {
            faults.push(format!("{name} has no place in MAY_USE"));
            continue;
        };
        for dependency in package["dependencies"].as_array().unwrap() {
            let used = dependency["name"].as_str().unwrap();
            let for_tests = dependency["kind"] == "dev";
            let ours = used == "crossfoot" || used.starts_with("crossfoot-");
            let fine = allowed.contains(&used) || (for_tests && used == "crossfoot-testbed");
            if ours && !fine {
                faults.push(format!("{name} uses {used}"));
            }
            if name == "crossfoot-audit" && NOT_IN_AUDIT.contains(&used) {
                faults.push(format!("{name} uses {used}: it does no input, output or waiting"));
            }
        }
    }
    faults
}

#[test]
fn dependencies_point_one_way() {
    let mut command = Command::new(env!("CARGO"));
    command.args(["metadata", "--no-deps", "--offline", "--format-version", "1"]).current_dir(repository());
    let output = command.output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let metadata = serde_json::from_slice(&output.stdout).unwrap();
    demand(
        &wrong_dependencies(&metadata),
        "audit <- roll, packet, store <- worker <- service: move the code to the crate that may know both, or \
         pass the value as an argument",
    );
}

#[test]
fn a_dependency_that_points_back_is_seen() {
    let package = |name: &str, used: &str, kind: Value| json!({"name": name, "dependencies": [{"name": used, "kind": kind}]});
    let metadata = json!({"packages": [
        package("crossfoot-audit", "crossfoot-roll", Value::Null),
        package("crossfoot-audit", "tokio", json!("dev")),
        package("crossfoot-roll", "crossfoot-audit", Value::Null),
        package("crossfoot-store", "crossfoot-testbed", json!("dev")),
        package("crossfoot-store", "crossfoot-worker", json!("build")),
        package("crossfoot-worker", "crossfoot-testbed", Value::Null),
        package("crossfoot-extra", "serde", Value::Null),
    ]});
    assert_eq!(wrong_dependencies(&metadata).len(), 5);
}

/// Lines of the dependency sections of a member's manifest that bring a version or path of their own.
fn own_versions(manifest: &File) -> Vec<String> {
    let mut faults = Vec::new();
    let mut within = false;
    for (at, line) in manifest.text.lines().map(str::trim).enumerate() {
        if let Some(header) = line.strip_prefix('[') {
            let header = header.trim_end_matches(']');
            within = header.ends_with("dependencies");
            // `[dependencies.name]` would hide the version on another line.
            if header.contains("dependencies.") {
                faults.push(format!("{}:{}: {line}", manifest.path, at + 1));
            }
        } else if within && !line.is_empty() && !line.starts_with('#') {
            let compact: String = line.chars().filter(|c| !c.is_whitespace()).collect();
            if !compact.contains("workspace=true") {
                faults.push(format!("{}:{}: {line}", manifest.path, at + 1));
            }
        }
    }
    faults
}

#[test]
fn versions_stand_in_the_workspace_manifest_only() {
    let files = files();
    let members = files.iter().filter(|file| file.path.ends_with("/Cargo.toml"));
    demand(
        &members.flat_map(own_versions).collect::<Vec<_>>(),
        "name the version in [workspace.dependencies] and write `name.workspace = true` in the member",
    );
}

#[test]
fn a_version_in_a_member_is_seen() {
    let text = "[package]\nversion = \"1\"\n[dependencies]\na.workspace = true\nb = \"1\"\n\
                c = { workspace = true, features = [\"x\"] }\n[dev-dependencies.d]\nversion = \"2\"\n";
    assert_eq!(own_versions(&File::new("x/Cargo.toml", text)).len(), 2);
}

// --- what must not be called, and where ---

/// Places of `words` in the code of `files`.
fn calls<'f>(files: impl Iterator<Item = &'f File>, words: &[&str]) -> Vec<String> {
    let mut faults = Vec::new();
    for file in files.filter(|file| file.is_rust()) {
        let code = file.code();
        for word in words {
            let lines = lines_with(&code, word);
            faults.extend(lines.iter().map(|line| format!("{}:{line}: {}", file.path, word.trim())));
        }
    }
    faults
}

fn impure(files: &[File]) -> Vec<String> {
    const WORDS: [&str; 10] = [
        "SystemTime::now",
        "Instant::now",
        "Utc::now",
        "Timestamp::now",
        "Zoned::now",
        "fs::",
        "std::fs",
        "net::",
        "async",
        "static",
    ];
    calls(files.iter().filter(|file| file.is_within(&["audit/src/"])), &WORDS)
}

#[test]
fn audit_is_pure() {
    demand(
        &impure(&files()),
        "audit gives the same output for the same input: take the time, the data or the policy as an argument \
         (data files of the crate through include_str!)",
    );
}

#[test]
fn a_clock_a_file_and_a_static_in_audit_are_seen() {
    let bad = "use std::fs;\nfn f() { let t = SystemTime::now(); fs::read(p); }\nstatic A: u8 = 1;\n\
               async fn g() {}\n";
    let good = "//! Never calls SystemTime::now.\nconst A: &'static str = include_str!(\"a\");\n\
                #[cfg(test)]\nmod tests {\n    fn f() { std::fs::read(p); }\n}\n";
    let files = [
        File::new("audit/src/a.rs", bad),
        File::new("audit/src/b.rs", good),
        File::new("roll/src/c.rs", bad),
    ];
    let faults = impure(&files);
    assert_eq!(faults.len(), 5, "{faults:?}");
    assert!(faults.iter().all(|fault| fault.starts_with("audit/src/a.rs:")));
}

/// What the benchmark holds the store's lists against: it would be no floor if it went through the store.
const FLOOR: &str = "benches/bare_list.rs";

fn database_calls(files: &[File]) -> Vec<String> {
    let elsewhere = |file: &&File| !file.is_within(&["store/"]) && file.path != FLOOR;
    calls(files.iter().filter(elsewhere), &["sqlx::", "rusqlite::"])
}

#[test]
fn only_the_store_speaks_to_databases() {
    demand(
        &database_calls(&files()),
        "give the store a method named for what is wanted (store/src/<topic>.rs, noun first) and call it",
    );
}

#[test]
fn a_query_outside_the_store_is_seen() {
    let text = "// sqlx::query in a comment\nfn f() { sqlx::query(q) }\n";
    let files = [File::new("worker/src/a.rs", text), File::new("store/src/a.rs", text)];
    assert_eq!(database_calls(&files), ["worker/src/a.rs:2: sqlx::"]);
}

fn prints(files: &[File]) -> Vec<String> {
    let libraries = ["audit/src/", "roll/src/", "store/src/", "packet/src/", "worker/src/"];
    let of_library = |file: &&File| file.is_within(&libraries) && !file.path.ends_with("/main.rs");
    calls(files.iter().filter(of_library), &["println!", "eprintln!", "print!", "eprint!"])
}

#[test]
fn libraries_do_not_print() {
    demand(&prints(&files()), "return the value, or log it with tracing where it is handled");
}

#[test]
fn a_print_in_a_library_is_seen() {
    let text = "fn f() {\n    println!(\"x\");\n}\n";
    let files = [File::new("worker/src/a.rs", text), File::new("worker/src/main.rs", text)];
    assert_eq!(prints(&files), ["worker/src/a.rs:2: println!"]);
}

fn wrong_unsafe(files: &[File], listed: &[&str]) -> Vec<String> {
    let elsewhere = files.iter().filter(|file| !file.is_within(&["tests/testbed/"]));
    let with: Vec<&str> = elsewhere
        .filter(|file| file.is_rust() && !lines_with(&code_only(&file.text), "unsafe").is_empty())
        .map(|file| file.path.as_str())
        .collect();
    let new = with.iter().filter(|path| !listed.contains(path)).map(|path| format!("{path}: unsafe"));
    let stale = listed.iter().filter(|path| !with.contains(path));
    let stale = stale.map(|path| format!("{path}: no longer unsafe, take it off UNSAFE_FILES"));
    new.chain(stale).collect()
}

#[test]
fn unsafe_code_stays_in_the_test_ground() {
    demand(
        &wrong_unsafe(&files(), &UNSAFE_FILES),
        "use the safe call of std or of a crate that we already have",
    );
}

#[test]
fn unsafe_code_and_a_stale_exception_are_seen() {
    let text = "fn f() {\n    unsafe { g() }\n}\n";
    let files = [File::new("store/src/a.rs", text), File::new("tests/testbed/src/a.rs", text)];
    assert_eq!(wrong_unsafe(&files, &[]), ["store/src/a.rs: unsafe"]);
    assert_eq!(wrong_unsafe(&files, &["store/src/a.rs"]), [""; 0]);
    assert_eq!(wrong_unsafe(&[], &["store/src/a.rs"]).len(), 1);
}

fn unfinished(files: &[File]) -> Vec<String> {
    let mut faults = Vec::new();
    for file in files.iter().filter(|file| file.is_rust()) {
        let code = code_only(&file.text);
        let note = concat!("FIX", "ME");
        let marks = [("todo!", &code), ("unimplemented!", &code), ("#[ignore", &code), (note, &file.text)];
        for (mark, text) in marks {
            let lines = lines_with(text, mark);
            faults.extend(lines.iter().map(|line| format!("{}:{line}: {mark}", file.path)));
        }
    }
    faults
}

#[test]
fn nothing_is_left_for_later() {
    demand(
        &unfinished(&files()),
        "finish it, take it out, or write an issue; a test that cannot pass yet asserts today's answer",
    );
}

#[test]
fn unfinished_code_and_an_ignored_test_are_seen() {
    let note = concat!("// FIX", "ME later\n");
    let text = format!("fn f() {{ todo!() }}\n#[ignore = \"slow\"]\n#[ignore]\n{note}// todo!() in words\n");
    assert_eq!(unfinished(&[File::new("roll/src/a.rs", &text)]).len(), 4);
}

// --- names, lengths, pairs, places ---

fn vague_names(paths: impl Iterator<Item = impl AsRef<str>>) -> Vec<String> {
    const VAGUE: [&str; 11] = [
        "mod", "utils", "util", "helpers", "helper", "common", "types", "manager", "managers", "misc",
        "shared",
    ];
    let vague = |path: &str| {
        let path = path.strip_suffix(".rs")?;
        path.split('/').find(|part| VAGUE.contains(part)).map(|part| format!("{path}.rs: {part}"))
    };
    paths.filter_map(|path| vague(path.as_ref())).collect()
}

#[test]
fn modules_are_named_for_things() {
    demand(
        &vague_names(files().iter().map(|file| &file.path)),
        "name the module for the thing it knows (outline, edition, matching), and write foo.rs beside foo/ in \
         place of foo/mod.rs",
    );
}

#[test]
fn a_module_named_for_nothing_is_seen() {
    let paths =
        ["audit/src/measure/mod.rs", "roll/src/utils.rs", "store/src/common/a.rs", "roll/src/model.rs"];
    assert_eq!(vague_names(paths.iter()).len(), 3);
}

fn long_files(files: &[File]) -> Vec<String> {
    let length = |file: &File| (file.path.clone(), file.text.lines().count());
    let long = files.iter().filter(|file| file.is_rust()).map(length);
    long.filter(|(_, lines)| *lines > FILE_LINES_MAX)
        .map(|(path, lines)| format!("{path}: {lines} lines"))
        .collect()
}

#[test]
fn files_stay_short_enough_to_read() {
    demand(
        &long_files(&files()),
        "split it at the second reason to change, foo.rs beside foo/ (800 lines are the end, 400 a signal)",
    );
}

#[test]
fn a_long_file_is_seen() {
    let lines = |count: usize| File::new("audit/src/a.rs", &"\n".repeat(count));
    assert_eq!(long_files(&[lines(FILE_LINES_MAX)]), [""; 0]);
    assert_eq!(long_files(&[lines(FILE_LINES_MAX + 1)]).len(), 1);
}

fn long_functions(files: &[File]) -> Vec<String> {
    let mut faults = Vec::new();
    for file in files.iter().filter(|file| file.is_rust() && file.path.contains("/src/")) {
        let code = file.code();
        let long = functions(&code).into_iter().filter(|function| function.code_lines > FUNCTION_LINES_MAX);
        faults.extend(long.map(|f| format!("{}:{}: {}, {} lines", file.path, f.line, f.name, f.code_lines)));
    }
    faults
}

#[test]
fn functions_stay_short_enough_to_read() {
    demand(
        &long_functions(&files()),
        "keep the branching here and move each branch's work to a function with a name of the field",
    );
}

#[test]
fn a_long_function_is_seen_and_a_long_test_is_not() {
    let body = |lines: usize| format!("fn f() {{\n{}}}\n", "    g(); // why\n\n    // why\n".repeat(lines));
    let test = format!("#[cfg(test)]\nmod tests {{\n{}}}\n", body(200));
    let longest = File::new("audit/src/a.rs", &format!("{}{test}", body(FUNCTION_LINES_MAX - 2)));
    assert_eq!(long_functions(&[longest]), [""; 0]);
    let longer = File::new("audit/src/a.rs", &body(FUNCTION_LINES_MAX - 1));
    assert_eq!(long_functions(&[longer]), ["audit/src/a.rs:1: f, 71 lines"]);
}

fn unpaired_migrations(paths: &[&str]) -> Vec<String> {
    let names = |folder: &str| -> BTreeSet<String> {
        paths.iter().filter_map(|path| path.strip_prefix(folder)).map(str::to_owned).collect()
    };
    let (sqlite, postgres) = (names("migrations/sqlite/"), names("migrations/postgres/"));
    sqlite.symmetric_difference(&postgres).map(|name| format!("{name}: in one of the two only")).collect()
}

#[test]
fn each_migration_exists_for_both_databases() {
    let files = files();
    let paths: Vec<&str> = files.iter().map(|file| file.path.as_str()).collect();
    demand(
        &unpaired_migrations(&paths),
        "write the same step for the other database, under the same name in migrations/sqlite and \
         migrations/postgres",
    );
}

#[test]
fn a_migration_for_one_database_is_seen() {
    let paths = ["migrations/sqlite/1_a.sql", "migrations/postgres/1_a.sql", "migrations/postgres/2_b.sql"];
    assert_eq!(unpaired_migrations(&paths), ["2_b.sql: in one of the two only"]);
}

/// Paths that exist on one machine only; in scripts also fixed names in the common temporary folder.
fn machine_paths(file: &File) -> Vec<String> {
    let is_script = file.text.starts_with("#!") || file.path.ends_with(".sh");
    let mut roots = vec!["work", "home", "root", "Users"];
    if is_script {
        roots.push("tmp");
    }
    let mut faults = Vec::new();
    for root in roots.iter().map(|root| format!("/{root}/")) {
        for (at, line) in file.text.lines().enumerate() {
            // In `example.org/home/` or `frame/work/` the path does not begin here.
            let begins =
                |at: usize| !line[..at].ends_with(|c: char| c.is_alphanumeric() || "._-~})*".contains(c));
            if line.match_indices(&root).any(|(at, _)| begins(at)) {
                faults.push(format!("{}:{}: {root}", file.path, at + 1));
            }
        }
    }
    faults
}

#[test]
fn no_file_names_a_place_on_one_machine() {
    let faults: Vec<_> = files().iter().flat_map(machine_paths).collect();
    demand(
        &faults,
        "write the path relative to the repository, take it as an argument, or make a folder with mktemp -d",
    );
}

#[test]
fn a_path_of_one_machine_is_seen() {
    let homes = format!("a /{}/me/x\nb example.org/{0}/x\n\"/{}/x\"\n", "home", "root");
    assert_eq!(machine_paths(&File::new("README.md", &homes)).len(), 2);
    let temporary = format!("cd /{}/x\n", "tmp");
    assert_eq!(machine_paths(&File::new("a.sh", &temporary)).len(), 1);
    assert_eq!(machine_paths(&File::new("a.md", &temporary)).len(), 0);
}

fn unread_fixtures(paths: &[String], files: &[File]) -> Vec<String> {
    let readers: Vec<&File> = files.iter().filter(|file| !file.is_within(&["fixtures/"])).collect();
    let is_read = |path: &str| {
        let name = path.rsplit('/').next().unwrap_or(path);
        readers.iter().any(|file| file.text.contains(name))
    };
    paths.iter().filter(|path| path.starts_with("fixtures/") && !is_read(path)).cloned().collect()
}

#[test]
fn every_fixture_is_read_by_somebody() {
    demand(
        &unread_fixtures(&paths(), &files()),
        "name the file in the test or program that reads it, or remove it",
    );
}

#[test]
fn a_fixture_that_nobody_reads_is_seen() {
    let paths = ["fixtures/a.csv", "fixtures/b.csv"].map(str::to_owned);
    let files =
        [File::new("fixtures/README.md", "b.csv"), File::new("roll/tests/a.rs", "\"fixtures/a.csv\"")];
    assert_eq!(unread_fixtures(&paths, &files), ["fixtures/b.csv"]);
}

// --- the files of the repository ---

/// Paths of all files that Git would keep: what `.gitignore` names is left out.
fn paths() -> Vec<String> {
    let root = repository();
    let ignored = fs::read_to_string(root.join(".gitignore")).unwrap();
    let ignored: Vec<&str> = ignored.lines().map(str::trim).filter(|line| !line.is_empty()).collect();
    let mut paths = Vec::new();
    let mut folders = vec![String::new()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(root.join(&folder)).unwrap() {
            let entry = entry.unwrap();
            let path = format!("{folder}{}", entry.file_name().to_str().unwrap());
            if path == ".git" || ignored.iter().any(|pattern| is_ignored(&path, pattern)) {
                continue;
            }
            let kind = entry.file_type().unwrap();
            if kind.is_dir() {
                folders.push(format!("{path}/"));
            } else if kind.is_file() {
                paths.push(path);
            }
        }
    }
    paths.sort_unstable();
    paths
}

/// The three forms that our `.gitignore` uses: `/path`, `*.ending` and `name`.
fn is_ignored(path: &str, pattern: &str) -> bool {
    let pattern = pattern.trim_end_matches('/');
    if let Some(from_root) = pattern.strip_prefix('/') {
        return path == from_root;
    }
    let name = path.rsplit('/').next().unwrap_or(path);
    match pattern.strip_prefix('*') {
        Some(ending) => name.ends_with(ending),
        None => name == pattern,
    }
}

/// The text files; others (pictures, databases) are left out, they are nobody's prose.
fn files() -> Vec<File> {
    let root = repository();
    let read = |path: String| Some(File { text: fs::read_to_string(root.join(&path)).ok()?, path });
    paths().into_iter().filter_map(read).collect()
}

#[test]
fn the_rules_see_the_sources_and_not_what_is_built() {
    let paths = paths();
    assert!(paths.iter().any(|path| path == "tests/tests/tidy.rs"));
    assert!(paths.iter().any(|path| path == "audit/src/lib.rs"));
    assert!(!paths.iter().any(|path| path.starts_with("target/") || path.starts_with(".git/")));
    assert!(is_ignored("target", "/target") && !is_ignored("a/target", "/target"));
    assert!(is_ignored("a/b.part", "*.part") && is_ignored("a/__pycache__", "__pycache__"));
}
