//! Where things lie: the repository, the built programs, the Python with the reference libraries.

use std::env;
use std::path::{Path, PathBuf};

/// The root of the repository.
///
/// # Panics
/// When the source tree that this crate was built from has gone.
pub fn repository() -> PathBuf {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    root.canonicalize().unwrap_or_else(|e| panic!("{}: the repository has gone: {e}", root.display()))
}

/// The built program `name` (`crossfoot`, `crossfoot-worker`) of the same profile as the running test.
///
/// # Panics
/// When it has not been built. `cargo test` builds the programs of the tested package only.
pub fn binary(name: &str) -> PathBuf {
    let test = env::current_exe().unwrap_or_else(|e| panic!("the running test has no path: {e}"));
    let path = profile_directory(&test).join(name);
    assert!(path.is_file(), "{} is not built: run `cargo build --workspace --bins` first", path.display());
    path
}

/// `target/<profile>` for a test at `target/<profile>/deps/<test>` or a program at `target/<profile>/<name>`.
fn profile_directory(executable: &Path) -> &Path {
    let folder = executable.parent().unwrap_or(executable);
    match folder.file_name() {
        Some(name) if name == "deps" || name == "examples" => folder.parent().unwrap_or(folder),
        Some(_) | None => folder,
    }
}

/// The Python interpreter with the libraries of `tests/oracle/requirements.txt` and `without-dependencies.txt`:
/// `.oracle/bin/python`, or what `CROSSFOOT_ORACLE_PYTHON` names.
///
/// # Panics
/// When there is none.
pub fn python() -> PathBuf {
    let path = match env::var_os("CROSSFOOT_ORACLE_PYTHON") {
        Some(path) => PathBuf::from(path),
        None => repository().join(".oracle/bin/python"),
    };
    assert!(
        path.is_file(),
        "{} is missing: run `tests/run`, or by hand `python3 -m venv .oracle && \
         .oracle/bin/pip install -r tests/oracle/requirements.txt && \
         .oracle/bin/pip install --no-deps -r tests/oracle/without-dependencies.txt`",
        path.display()
    );
    path
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_repository_is_the_folder_of_the_workspace_manifest() {
        let manifest = std::fs::read_to_string(repository().join("Cargo.toml")).unwrap();
        assert!(manifest.contains("[workspace]"));
    }

    #[test]
    fn programs_lie_one_folder_above_the_tests() {
        assert_eq!(profile_directory(Path::new("/t/debug/deps/x-1")), Path::new("/t/debug"));
        assert_eq!(profile_directory(Path::new("/t/release/x")), Path::new("/t/release"));
    }

    #[test]
    #[should_panic(expected = "cargo build --workspace --bins")]
    fn a_program_that_is_not_built_is_named_with_the_command_that_builds_it() {
        binary("crossfoot-no-such-program");
    }
}
