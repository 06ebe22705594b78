//! What a judgement does to a finding: open, reopen, close with a reason, or leave alone.

use serde::{Deserialize, Serialize};

use super::{Judgement, Kind, Verdict};
use crate::area::Area;

/// The state of a finding.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum State {
    /// Nobody has decided yet.
    Open,
    /// A person holds that the record is wrong.
    Confirmed,
    /// A person holds that nothing is to be done.
    Cleared,
    /// It was put before the record holder.
    Referred,
    /// It is over.
    Closed,
}

impl State {
    /// Every state.
    pub const ALL: [State; 5] =
        [State::Open, State::Confirmed, State::Cleared, State::Referred, State::Closed];

    /// The name kept in databases.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            State::Open => "open",
            State::Confirmed => "confirmed",
            State::Cleared => "cleared",
            State::Referred => "referred",
            State::Closed => "closed",
        }
    }

    /// The state of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<State> {
        State::ALL.into_iter().find(|state| state.name() == name)
    }
}

/// Why a finding closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Closing {
    /// The record moved to the house.
    Corrected,
    /// The measurement was revised.
    MeasurementRevised,
    /// The policy, the basis or the engine changed.
    NoLongerMaterial,
    /// The property belongs to another record, or to none.
    MatchChanged,
    /// The edition was withdrawn.
    EditionWithdrawn,
}

impl Closing {
    /// Every reason.
    pub const ALL: [Closing; 5] = [
        Closing::Corrected,
        Closing::MeasurementRevised,
        Closing::NoLongerMaterial,
        Closing::MatchChanged,
        Closing::EditionWithdrawn,
    ];

    /// The name kept in databases.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Closing::Corrected => "corrected",
            Closing::MeasurementRevised => "measurement_revised",
            Closing::NoLongerMaterial => "no_longer_material",
            Closing::MatchChanged => "match_changed",
            Closing::EditionWithdrawn => "edition_withdrawn",
        }
    }

    /// The reason of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Closing> {
        Closing::ALL.into_iter().find(|closing| closing.name() == name)
    }
}

/// What a judgement was made from, as far as a finding must remember it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Bound {
    /// The kind of the difference.
    pub kind: Kind,
    /// The measured area, square micrometres.
    pub measured_um2: i64,
    /// The recorded area, square micrometres.
    pub recorded_um2: Option<i64>,
    /// The version of the measurement.
    pub measurement_version: i64,
    /// The number of the record in its source.
    pub record_number: i64,
    /// The edition that the record's version came with.
    pub record_edition: i64,
    /// The standard under which the house was stated.
    pub standard: String,
    /// The version of the policy.
    pub policy_version: i64,
}

impl Bound {
    fn difference(&self) -> i128 {
        i128::from(self.measured_um2).saturating_sub(i128::from(self.recorded_um2.unwrap_or(0)))
    }
}

/// A finding as it stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Standing {
    /// Its state.
    pub state: State,
    /// What the last opening or decision saw.
    pub bound: Bound,
}

/// What becomes of a finding.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Move {
    /// Nothing.
    Stay,
    /// It is opened for the first time.
    Open,
    /// It was closed or decided, and is open again.
    Reopen,
    /// It stays open, and its figures moved so far that a reader must see it.
    Revise,
    /// It is closed.
    Close(Closing),
}

/// An open finding closes only below this share of the threshold, lest findings flicker with every edition.
const CLOSE_SHARE_TENTHS: i128 = 8;

/// A change of the difference is material from this share of the threshold on: the same band.
const REVISE_SHARE_TENTHS: i128 = 2;

/// What a new judgement does to a finding. `withdrawn` says that the judgement follows the withdrawal of an edition.
#[must_use]
pub fn transition(standing: Option<&Standing>, judgement: &Judgement, now: &Bound, withdrawn: bool) -> Move {
    let material = judgement.verdict == Verdict::Material;
    let Some(standing) = standing else {
        return if material { Move::Open } else { Move::Stay };
    };
    match standing.state {
        State::Closed if material => Move::Reopen,
        State::Closed => Move::Stay,
        State::Open | State::Confirmed | State::Cleared | State::Referred
            if !material && !lingers(judgement) =>
        {
            Move::Close(closing(&standing.bound, now, withdrawn))
        }
        State::Open if moved(&standing.bound, now, judgement.threshold) => Move::Revise,
        State::Open => Move::Stay,
        State::Confirmed | State::Cleared | State::Referred => {
            if material && moved(&standing.bound, now, judgement.threshold) {
                Move::Reopen
            } else {
                Move::Stay
            }
        }
    }
}

/// What becomes of a finding when its pair can no longer be judged: the property has no sure record any more, or the
/// record has no usable figure.
#[must_use]
pub fn transition_without_judgement(standing: Option<&Standing>, match_lost: bool, withdrawn: bool) -> Move {
    match standing.map(|s| s.state) {
        None | Some(State::Closed) => Move::Stay,
        Some(State::Open | State::Confirmed | State::Cleared | State::Referred) => {
            if withdrawn {
                Move::Close(Closing::EditionWithdrawn)
            } else if match_lost {
                Move::Close(Closing::MatchChanged)
            } else {
                Move::Close(Closing::NoLongerMaterial)
            }
        }
    }
}

/// Not material any more, but within the band where an open finding stays.
fn lingers(judgement: &Judgement) -> bool {
    match judgement.verdict {
        Verdict::NotMaterial | Verdict::Undecided => {
            let d = i128::from(judgement.comparison.difference.square_micrometres()).unsigned_abs();
            let t = i128::from(judgement.threshold.square_micrometres()).unsigned_abs();
            d.saturating_mul(10) >= t.saturating_mul(CLOSE_SHARE_TENTHS.unsigned_abs())
        }
        Verdict::Material | Verdict::WithinMeasuringError | Verdict::OtherDirection => false,
    }
}

fn closing(then: &Bound, now: &Bound, withdrawn: bool) -> Closing {
    let record_moved = then.recorded_um2 != now.recorded_um2 && then.record_number == now.record_number;
    if withdrawn {
        Closing::EditionWithdrawn
    } else if then.record_number != now.record_number {
        Closing::MatchChanged
    } else if record_moved && nearer(then, now) {
        Closing::Corrected
    } else if then.measured_um2 != now.measured_um2 && then.measurement_version != now.measurement_version {
        Closing::MeasurementRevised
    } else {
        Closing::NoLongerMaterial
    }
}

/// The record moved towards the house as it is measured now.
fn nearer(then: &Bound, now: &Bound) -> bool {
    let away = |recorded: Option<i64>| {
        i128::from(now.measured_um2).saturating_sub(i128::from(recorded.unwrap_or(0))).unsigned_abs()
    };
    away(now.recorded_um2) < away(then.recorded_um2)
}

/// The difference moved by a material amount, turned round, or is of another kind or basis.
fn moved(then: &Bound, now: &Bound, threshold: Area) -> bool {
    let (before, after) = (then.difference(), now.difference());
    let by = after.saturating_sub(before).unsigned_abs().saturating_mul(10);
    let band = i128::from(threshold.square_micrometres()).saturating_mul(REVISE_SHARE_TENTHS).unsigned_abs();
    let figures = then.measured_um2 != now.measured_um2 || then.recorded_um2 != now.recorded_um2;
    then.kind != now.kind
        || then.record_number != now.record_number
        || then.standard != now.standard
        || (figures && (by >= band || before.signum() != after.signum()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::judge::policy::{Policy, Scope};
    use crate::judge::{Measured, Recorded, judge};
    use crate::standard::Spread;

    fn area(sqft: i64) -> Area {
        Area::from_whole_square_feet(sqft).unwrap()
    }

    fn judged(measured: i64, recorded: i64) -> Judgement {
        let measured =
            Measured { area: area(measured), spread: Spread { stated: 25.0, ..Spread::default() } };
        let recorded = Recorded {
            area: Some(area(recorded)),
            rounding_sqft: 1.0,
            value: None,
            class: String::new(),
            vacant: false,
        };
        judge(&measured, &recorded, &Policy::default(), &Scope { jurisdiction: "", class: "", source: "s" })
            .unwrap()
    }

    fn bound(measured: i64, recorded: i64, versions: (i64, i64)) -> Bound {
        Bound {
            kind: Kind::Variance,
            measured_um2: area(measured).square_micrometres(),
            recorded_um2: Some(area(recorded).square_micrometres()),
            measurement_version: versions.0,
            record_number: 1,
            record_edition: versions.1,
            standard: "finished-above-grade".to_owned(),
            policy_version: 1,
        }
    }

    fn check(state: State, then: (i64, i64), now: (i64, i64), versions: (i64, i64), expected: Move) {
        let standing = Standing { state, bound: bound(then.0, then.1, (1, 1)) };
        let new = bound(now.0, now.1, versions);
        assert_eq!(
            transition(Some(&standing), &judged(now.0, now.1), &new, false),
            expected,
            "{state:?} {then:?} -> {now:?}"
        );
    }

    #[test]
    fn what_was_never_material_has_no_finding() {
        assert_eq!(transition(None, &judged(2000, 1990), &bound(2000, 1990, (1, 1)), false), Move::Stay);
        assert_eq!(transition(None, &judged(2400, 2000), &bound(2400, 2000, (1, 1)), false), Move::Open);
    }

    #[test]
    fn corrected_is_said_only_when_the_record_moved() {
        for state in [State::Open, State::Confirmed, State::Cleared, State::Referred] {
            check(state, (2400, 2000), (2400, 2395), (1, 2), Move::Close(Closing::Corrected));
            check(state, (2400, 2000), (2010, 2000), (2, 1), Move::Close(Closing::MeasurementRevised));
        }
        // both moved, and the record moved away from the house: it was the measurement that closed it
        check(State::Open, (2400, 2000), (1995, 1990), (2, 2), Move::Close(Closing::MeasurementRevised));
    }

    #[test]
    fn a_record_that_moves_part_of_the_way_leaves_the_finding_open() {
        check(State::Open, (2400, 2000), (2400, 2200), (1, 2), Move::Revise);
        check(State::Confirmed, (2400, 2000), (2400, 2200), (1, 2), Move::Reopen);
    }

    #[test]
    fn an_open_finding_closes_only_below_four_fifths_of_the_threshold() {
        // threshold: the larger of 5 % of 2,000 and 100 sq ft = 100
        check(State::Open, (2110, 2000), (2085, 2000), (2, 1), Move::Revise);
        check(State::Open, (2110, 2000), (2079, 2000), (2, 1), Move::Close(Closing::MeasurementRevised));
    }

    #[test]
    fn a_decision_stands_while_nothing_material_changes() {
        check(State::Cleared, (2400, 2000), (2400, 2000), (1, 5), Move::Stay);
        check(State::Cleared, (2400, 2000), (2405, 2000), (2, 1), Move::Stay);
        check(State::Cleared, (2400, 2000), (2450, 2000), (2, 1), Move::Reopen);
        check(State::Closed, (2400, 2000), (2400, 2000), (1, 1), Move::Reopen);
    }

    #[test]
    fn another_record_closes_as_match_changed_and_a_withdrawal_says_so() {
        let standing = Standing { state: State::Open, bound: bound(2400, 2000, (1, 1)) };
        let mut now = bound(2400, 2390, (1, 1));
        now.record_number = 9;
        assert_eq!(
            transition(Some(&standing), &judged(2400, 2390), &now, false),
            Move::Close(Closing::MatchChanged)
        );
        assert_eq!(
            transition(Some(&standing), &judged(2400, 2390), &now, true),
            Move::Close(Closing::EditionWithdrawn)
        );
        assert_eq!(
            transition_without_judgement(Some(&standing), true, false),
            Move::Close(Closing::MatchChanged)
        );
        assert_eq!(transition_without_judgement(None, true, false), Move::Stay);
    }

    #[test]
    fn names_of_states_and_reasons_come_back() {
        for state in State::ALL {
            assert_eq!(State::from_name(state.name()), Some(state));
        }
        for closing in Closing::ALL {
            assert_eq!(Closing::from_name(closing.name()), Some(closing));
        }
    }
}
