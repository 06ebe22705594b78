//! How a command ended, for people and for scripts.

use std::io::Write as _;
use std::process::ExitCode;

use crossfoot_store::StoreError;

/// How a command ended. Each has an exit code of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Outcome {
    /// 0: done.
    Done,
    /// 1: failed for a reason that is not in the input.
    Failed,
    /// 2: the command line or the settings are wrong.
    Usage,
    /// 3: the input was refused, nothing of it was taken in.
    Refused,
    /// 4: part of the input was set aside, the rest is taken in.
    Partly,
    /// 5: held for a person to decide.
    Held,
}

impl Outcome {
    /// The exit code.
    pub(crate) fn exit_code(self) -> ExitCode {
        ExitCode::from(match self {
            Outcome::Done => 0,
            Outcome::Failed => 1,
            Outcome::Usage => 2,
            Outcome::Refused => 3,
            Outcome::Partly => 4,
            Outcome::Held => 5,
        })
    }

    /// The worse of two outcomes of one command.
    pub(crate) fn and(self, other: Outcome) -> Outcome {
        let weight = |outcome| match outcome {
            Outcome::Done => 0,
            Outcome::Partly => 1,
            Outcome::Held => 2,
            Outcome::Refused => 3,
            Outcome::Usage => 4,
            Outcome::Failed => 5,
        };
        if weight(other) > weight(self) { other } else { self }
    }
}

/// How a command ended that the store refused: what the person can mend is no failure of the program.
///
/// # Errors
/// Every other error, as it came.
pub(crate) fn unless_mendable(ended: anyhow::Result<Outcome>) -> anyhow::Result<Outcome> {
    ended.or_else(|error| {
        let outcome = match error.downcast_ref::<StoreError>() {
            Some(StoreError::Conflict(_) | StoreError::Missing { .. }) => Outcome::Refused,
            Some(StoreError::Settings(_)) => Outcome::Usage,
            _ => return Err(error),
        };
        complain(&error.to_string());
        Ok(outcome)
    })
}

/// Says what is wrong, on standard error.
pub(crate) fn complain(text: &str) {
    let _nobody_left_to_tell = writeln!(std::io::stderr(), "crossfoot: {text}");
}

/// Writes to standard output; a reader that went away ends the program quietly.
pub(crate) fn say(text: &str) -> anyhow::Result<()> {
    Ok(Out.write_all(text.as_bytes())?)
}

/// Standard output; a reader that went away ends the program quietly.
#[derive(Debug)]
pub(crate) struct Out;

fn unless_gone<T>(result: std::io::Result<T>) -> std::io::Result<T> {
    match result {
        Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => std::process::exit(0),
        other => other,
    }
}

impl std::io::Write for Out {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        unless_gone(std::io::stdout().write(bytes))
    }

    fn flush(&mut self) -> std::io::Result<()> {
        unless_gone(std::io::stdout().flush())
    }
}

/// An error with its causes in one line.
pub(crate) fn with_causes(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(next) = cause {
        let next_text = next.to_string();
        if !text.contains(&next_text) {
            text.push_str(": ");
            text.push_str(&next_text);
        }
        cause = next.source();
    }
    text
}
