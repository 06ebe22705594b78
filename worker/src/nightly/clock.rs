//! When a schedule is next due.

use std::str::FromStr as _;

use croner::Cron;
use jiff::Timestamp;
use jiff::tz::TimeZone;

/// Why no next time can be computed.
#[derive(Debug, thiserror::Error)]
pub enum ClockError {
    /// The expression cannot be read.
    #[error(
        "the cron expression {expression:?} cannot be read ({why}): give minute, hour, day, month and day of the week, \
         such as \"30 2 * * *\" for every day at 02:30"
    )]
    Cron {
        /// As given.
        expression: String,
        /// What is wrong.
        why: String,
    },
    /// No such time zone.
    #[error(
        "there is no time zone {0:?}: give a name of the IANA database, such as America/Chicago, Europe/Zurich or UTC"
    )]
    Zone(String),
    /// The expression names no time that ever comes.
    #[error("the cron expression {0:?} names no time that comes: look at the day and the month")]
    Never(String),
}

/// The first time after `now_us` that the expression names in the time zone; both in microseconds UTC.
///
/// A wall-clock time that does not exist on a day, because the clocks go forward over it, counts as the first instant
/// that does; one that exists twice counts the first time only.
///
/// # Errors
/// [`ClockError`] with what would mend it.
pub fn next_after(expression: &str, zone: &str, now_us: i64) -> Result<i64, ClockError> {
    let cron = Cron::from_str(expression)
        .map_err(|e| ClockError::Cron { expression: expression.to_owned(), why: e.to_string() })?;
    let time_zone = TimeZone::get(zone).map_err(|_unknown| ClockError::Zone(zone.to_owned()))?;
    let never = || ClockError::Never(expression.to_owned());
    let now = Timestamp::from_microsecond(now_us).map_err(|_out_of_range| never())?.to_zoned(time_zone);
    let next = cron.find_next_occurrence(&now, false).map_err(|_none| never())?;
    Ok(next.timestamp().as_microsecond())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The instants are those of the IANA time zone database as jiff brings it: in America/Chicago the clocks go
    /// forward on 2026-03-08 from 02:00 CST to 03:00 CDT, and back on 2026-11-01 from 02:00 CDT to 01:00 CST.
    fn check(expression: &str, zone: &str, now: &str, expected: &[&str]) {
        let mut at = now.parse::<Timestamp>().unwrap().as_microsecond();
        for expected in expected {
            at = next_after(expression, zone, at).unwrap();
            assert_eq!(
                Timestamp::from_microsecond(at).unwrap().to_string(),
                *expected,
                "{expression} {zone}"
            );
        }
    }

    #[test]
    fn half_past_two_comes_once_on_the_day_the_clocks_go_forward_and_on_the_day_they_go_back() {
        check(
            "30 2 * * *",
            "America/Chicago",
            "2026-03-07T12:00:00Z",
            &["2026-03-08T08:00:00Z", "2026-03-09T07:30:00Z"],
        );
        check(
            "30 2 * * *",
            "America/Chicago",
            "2026-10-31T12:00:00Z",
            &["2026-11-01T08:30:00Z", "2026-11-02T08:30:00Z"],
        );
    }

    #[test]
    fn a_time_that_exists_twice_comes_once() {
        check(
            "30 1 * * *",
            "America/Chicago",
            "2026-10-31T12:00:00Z",
            &["2026-11-01T06:30:00Z", "2026-11-02T07:30:00Z"],
        );
    }

    #[test]
    fn what_cannot_be_read_is_named_with_what_would_mend_it() {
        let mend = |cron: &str, zone: &str| next_after(cron, zone, 0).unwrap_err().to_string();
        assert!(mend("30 2 * *", "UTC").contains("such as \"30 2 * * *\""), "{}", mend("30 2 * *", "UTC"));
        assert!(mend("30 25 * * *", "UTC").contains("30 25 * * *"));
        assert!(mend("30 2 * * *", "America/Chicgo").contains("such as America/Chicago"));
        assert!(mend("0 0 30 2 *", "UTC").contains("names no time that comes"));
    }
}
