//! Processes: who is alive, signals, and an orderly end.

use std::fs;
use std::thread;
use std::time::{Duration, Instant};

/// A process that cannot be mistaken for a later one with the same number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Process {
    pub(crate) pid: i32,
    /// Clock ticks from boot to its start.
    pub(crate) started: u64,
}

impl Process {
    /// The running process.
    pub(crate) fn current() -> Self {
        let pid = i32::try_from(std::process::id()).unwrap_or_else(|e| panic!("process number: {e}"));
        let started = start_of(pid).unwrap_or_else(|| panic!("/proc/{pid}/stat is not readable"));
        Self { pid, started }
    }

    pub(crate) fn is_alive(self) -> bool {
        start_of(self.pid) == Some(self.started)
    }
}

/// When process `pid` started, in clock ticks since boot; `None` when there is none, or only its remains.
fn start_of(pid: i32) -> Option<u64> {
    let stat = fs::read_to_string(format!("/proc/{pid}/stat")).ok()?;
    // The second field is the program's name in brackets and may hold anything, brackets and blanks too.
    let mut fields = stat.rsplit_once(')')?.1.split_ascii_whitespace();
    if matches!(fields.next()?, "Z" | "X") {
        return None;
    }
    fields.nth(18)?.parse().ok()
}

/// Asks `pid` to stop with SIGQUIT (for PostgreSQL: at once, writing nothing) and waits until it is gone.
/// After `patience` it is killed.
pub(crate) fn stop(pid: i32, patience: Duration) {
    signal(pid, libc::SIGQUIT);
    let begun = Instant::now();
    while start_of(pid).is_some() && begun.elapsed() < patience {
        thread::sleep(Duration::from_millis(5));
    }
    if start_of(pid).is_some() {
        signal(pid, libc::SIGKILL);
    }
}

/// Kills `pid`, a child of this process.
pub(crate) fn kill(pid: i32) {
    signal(pid, libc::SIGKILL);
}

/// Waits for the end of `pid`, a child of this process, and collects its remains: until then it counts as running for
/// those who ask the kernel by its number.
pub(crate) fn reap(pid: i32) {
    // SAFETY: no status is asked for, so nothing is written.
    unsafe { libc::waitpid(pid, std::ptr::null_mut(), 0) };
}

fn signal(pid: i32, number: i32) {
    // SAFETY: kill takes two integers and touches no memory of ours.
    unsafe { libc::kill(pid, number) };
}

/// Whether this process may act as any user.
pub(crate) fn is_root() -> bool {
    // SAFETY: geteuid has no arguments and cannot fail.
    unsafe { libc::geteuid() == 0 }
}

/// Has `action` called when this process ends through `exit`, as test runners do.
pub(crate) fn at_exit(action: extern "C" fn()) {
    // SAFETY: the function lives as long as the program.
    let refused = unsafe { libc::atexit(action) };
    assert_eq!(refused, 0, "no room for another action at the end of the process");
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::process::Command;

    #[test]
    fn this_process_is_alive_and_one_with_another_start_is_not() {
        let me = Process::current();
        assert!(me.is_alive());
        assert!(!Process { started: me.started + 1, ..me }.is_alive());
    }

    #[test]
    fn a_stopped_process_is_gone_even_before_its_remains_are_collected() {
        let mut child = Command::new("sleep").arg("600").spawn().unwrap();
        let pid = i32::try_from(child.id()).unwrap();
        assert!(start_of(pid).is_some());
        stop(pid, Duration::from_secs(10));
        assert_eq!(start_of(pid), None);
        child.wait().unwrap();
    }
}
