//! The queue and the pairs, as people read them.

use std::collections::BTreeMap;

use crossfoot_audit::judge::transition::State;
use crossfoot_store::finding::{Decided, Decision, FindingFilter};
use crossfoot_store::queue::{PairView, QueueCursor};

use crate::ground::{Figures, Ground, OFFICE, OTHER_OFFICE, recorded, reviewer, sqft};

on_both_databases! {
    the_largest_effect_comes_first_then_those_without_a_value_by_area,
    pages_of_any_size_show_every_property_exactly_once,
    a_property_of_several_findings_is_one_entry_and_ranks_by_its_largest,
    a_property_leaves_the_queue_when_its_last_open_finding_closes,
    an_item_shows_its_open_findings_only_the_largest_difference_first,
    an_open_finding_is_ordered_and_filtered_by_its_newest_judgement,
    a_decided_finding_keeps_its_figures_until_it_is_open_again,
    pages_of_pairs_show_every_pair_exactly_once,
    a_pair_shows_what_was_judged,
    a_pair_that_could_not_be_judged_shows_no_figures,
    outcomes_are_counted_by_source,
}

/// Houses by reference with their figures, judged against a source.
async fn judge(ground: &Ground, source: &str, figures: &[(&str, Figures)]) {
    let source = ground.roll(source, &[("A", 2000)]).await;
    let houses: Vec<_> = figures.iter().map(|(reference, _)| (*reference, *reference, "")).collect();
    ground.houses(OFFICE, &houses).await;
    let by_parcel: BTreeMap<&str, Figures> = figures.iter().copied().collect();
    ground.judge_all(OFFICE, &source, &|pending| by_parcel[pending.parcel.as_str()]).await;
}

/// A larger difference and, where there is a value, an effect of `sqft` times a hundred dollars.
fn figures(sqft: i64, value: bool) -> Figures {
    let value_cents = value.then_some(2000 * 100 * 100);
    Figures { measured: 2000 + sqft, recorded: Some(2000), value_cents }
}

/// References of the queue, page by page.
async fn queue(ground: &Ground, size: i64) -> Vec<String> {
    let (mut seen, mut after): (Vec<String>, Option<QueueCursor>) = (Vec::new(), None);
    loop {
        let page = ground.queue_page(OFFICE, after.as_ref(), size).await.unwrap();
        let Some(last) = page.last() else { return seen };
        assert!(page.len() <= usize::try_from(size).unwrap());
        after = Some(last.cursor.clone());
        seen.extend(page.iter().map(|item| item.pairs[0].reference.clone()));
    }
}

async fn the_largest_effect_comes_first_then_those_without_a_value_by_area(ground: &Ground) {
    let all = [
        ("small-effect", figures(200, true)),
        ("no-value", figures(900, false)),
        ("smaller-house", figures(-600, true)),
        ("large-effect", figures(500, true)),
        ("no-value-less", figures(-300, false)),
        ("nothing", figures(1, true)),
    ];
    judge(ground, "roll", &all).await;
    let expected = ["smaller-house", "large-effect", "small-effect", "no-value", "no-value-less"];
    assert_eq!(queue(ground, 100).await, expected);
    assert_eq!(ground.queue_count(OFFICE).await.unwrap(), 5);
}

async fn pages_of_any_size_show_every_property_exactly_once(ground: &Ground) {
    // many ties: seven figures among forty-one houses, with and without a value
    let names: Vec<String> = (0..41).map(|n| format!("H{n:02}")).collect();
    let all: Vec<_> = names
        .iter()
        .zip(0..)
        .map(|(name, n): (&String, i64)| (name.as_str(), figures(200 + 10 * (n % 7), n % 2 == 0)))
        .collect();
    judge(ground, "roll", &all).await;
    let whole = queue(ground, 1000).await;
    let mut sorted = whole.clone();
    sorted.sort();
    assert_eq!(sorted, names);
    for size in [1, 3, 40, 41] {
        assert_eq!(queue(ground, size).await, whole, "pages of {size}");
    }
    assert!(ground.queue_page(OTHER_OFFICE, None, 1000).await.unwrap().is_empty());
}

async fn a_property_of_several_findings_is_one_entry_and_ranks_by_its_largest(ground: &Ground) {
    judge(ground, "one", &[("both", figures(300, false)), ("single", figures(400, true))]).await;
    judge(ground, "two", &[("both", figures(-900, true)), ("single", figures(2, true))]).await;
    assert_eq!(queue(ground, 10).await, ["both", "single"]);
    let entries = "SELECT p.reference || ' ' || CAST(tier AS TEXT) || ' ' || CAST(open_count AS TEXT)
                   FROM queue_entry q JOIN property p ON p.id = q.property ORDER BY p.reference";
    assert_eq!(ground.rows(entries).await, ["both 0 2", "single 0 1"]);
    assert_eq!(ground.queue_count(OFFICE).await.unwrap(), 2);
}

/// Judges again what a person asked for.
async fn again(ground: &Ground, source: &str, reference: &str, figures: Figures) {
    let property = ground.property_by_reference(OFFICE, reference).await.unwrap();
    let source = ground.source(source).await;
    let sql = format!(
        "INSERT INTO to_judge (office, source, property, stamp, cause) VALUES ('{OFFICE}', {}, '{property}', 7, 'person')",
        source.number
    );
    ground.execute(&sql).await.unwrap();
    ground.judge_all(OFFICE, &source, &|_| figures).await;
}

async fn a_property_leaves_the_queue_when_its_last_open_finding_closes(ground: &Ground) {
    for source in ["one", "two"] {
        judge(ground, source, &[("H1", figures(300, true))]).await;
    }
    again(ground, "one", "H1", figures(0, true)).await;
    assert_eq!(queue(ground, 10).await, ["H1"]);
    again(ground, "two", "H1", Figures { measured: 2000, recorded: None, value_cents: None }).await;
    assert!(queue(ground, 10).await.is_empty());
    assert_eq!(ground.queue_count(OFFICE).await.unwrap(), 0);
    again(ground, "two", "H1", figures(300, true)).await;
    assert_eq!(queue(ground, 10).await, ["H1"]);
}

async fn an_item_shows_its_open_findings_only_the_largest_difference_first(ground: &Ground) {
    for (source, sqft) in [("a", 300), ("b", -700), ("c", 500), ("d", 0)] {
        judge(ground, source, &[("H1", figures(sqft, true))]).await;
    }
    again(ground, "c", "H1", figures(0, true)).await;
    let item = ground.queue_page(OFFICE, None, 10).await.unwrap().remove(0);
    let shown: Vec<_> = item.pairs.iter().map(|pair| pair.source.as_str()).collect();
    assert_eq!(shown, ["b", "a"]);
    assert!(item.pairs.iter().all(|pair| pair.finding.as_ref().unwrap().state == "open"));
}

/// The houses whose findings have at least so large an effect, either way.
async fn with_effect(ground: &Ground, cents: i64) -> Vec<String> {
    let filter = FindingFilter { effect_cents_min: Some(cents), ..FindingFilter::default() };
    let found = ground.finding_page(OFFICE, &filter, "", 100).await.unwrap();
    found.into_iter().map(|pair| pair.reference).collect()
}

async fn an_open_finding_is_ordered_and_filtered_by_its_newest_judgement(ground: &Ground) {
    judge(ground, "roll", &[("H1", figures(400, true)), ("H2", figures(300, true))]).await;
    assert_eq!(queue(ground, 10).await, ["H1", "H2"]);
    assert_eq!(with_effect(ground, 3_500_000).await, ["H1"]);
    let history =
        ground.rows("SELECT what || ' ' || detail FROM finding_event ORDER BY finding, number").await;
    // the same areas and half the value: nothing that opens or revises a finding
    let halved = Figures { value_cents: Some(2000 * 100 * 50), ..figures(400, true) };
    again(ground, "roll", "H1", halved).await;
    assert_eq!(queue(ground, 10).await, ["H2", "H1"]);
    assert!(with_effect(ground, 3_500_000).await.is_empty());
    // an area that moves within the band in which a finding is not revised, of a record that lost its value
    again(ground, "roll", "H2", Figures { measured: 2305, ..figures(305, false) }).await;
    assert_eq!(queue(ground, 10).await, ["H1", "H2"], "those without a value come last");
    let kept = "SELECT CAST(difference_um2 / 92903040000 AS TEXT) || ' ' || CAST(row_version AS TEXT)
                FROM finding ORDER BY difference_um2";
    assert_eq!(ground.rows(kept).await, ["305 1", "400 1"]);
    let now = ground.rows("SELECT what || ' ' || detail FROM finding_event ORDER BY finding, number").await;
    assert_eq!(now, history, "the history keeps what each was opened with");
}

async fn a_decided_finding_keeps_its_figures_until_it_is_open_again(ground: &Ground) {
    judge(ground, "roll", &[("H1", figures(400, true))]).await;
    let finding = ground.rows("SELECT id FROM finding").await.remove(0);
    let to = |state| Decision {
        state,
        seen: None,
        note: None,
        filed_on: None,
        case_number: None,
        hearing_on: None,
        outcome: None,
    };
    let decided = ground.finding_decide(OFFICE, &finding, 1, &to(State::Confirmed), &reviewer()).await;
    assert_eq!(decided.unwrap(), Decided::Taken(2));
    let halved = Figures { value_cents: Some(2000 * 100 * 50), ..figures(400, true) };
    again(ground, "roll", "H1", halved).await;
    assert_eq!(with_effect(ground, 4_000_000).await, ["H1"], "what the decision was made on");
    let decided = ground.finding_decide(OFFICE, &finding, 2, &to(State::Open), &reviewer()).await;
    assert_eq!(decided.unwrap(), Decided::Taken(3));
    assert!(with_effect(ground, 4_000_000).await.is_empty());
    assert_eq!(with_effect(ground, 2_000_000).await, ["H1"]);
    assert_eq!(ground.rows("SELECT CAST(rank_key AS TEXT) FROM queue_entry").await, ["2000000"]);
}

async fn pages_of_pairs_show_every_pair_exactly_once(ground: &Ground) {
    let houses = ["H1", "H2", "H3", "H4", "H5"].map(|house| (house, figures(300, true)));
    for source in ["b", "a", "c"] {
        judge(ground, source, &houses).await;
    }
    let mut whole: Option<Vec<PairView>> = None;
    for size in [1, 2, 7, 15, 1000] {
        let (mut seen, mut place) = (Vec::new(), (String::new(), 0));
        loop {
            let page = ground.pair_page(OFFICE, (&place.0, place.1), size).await.unwrap();
            let Some(last) = page.last() else { break };
            place = (last.property.clone(), last.source_number);
            seen.extend(page);
        }
        assert_eq!(seen.len(), 15, "pages of {size}");
        assert_eq!(&seen, whole.get_or_insert_with(|| seen.clone()));
    }
    let property = ground.property_by_reference(OFFICE, "H3").await.unwrap();
    let pairs = ground.pairs_of_property(OFFICE, &property).await.unwrap();
    assert_eq!(pairs.iter().map(|pair| pair.source.as_str()).collect::<Vec<_>>(), ["a", "b", "c"]);
    let mut expected: Vec<_> = whole.unwrap().into_iter().filter(|pair| pair.property == property).collect();
    expected.sort_by(|a, b| a.source.cmp(&b.source));
    assert_eq!(pairs, expected);
}

async fn a_pair_shows_what_was_judged(ground: &Ground) {
    judge(ground, "roll", &[("H1", figures(400, true))]).await;
    let pair = ground.pair_page(OFFICE, ("", 0), 10).await.unwrap().remove(0);
    assert_eq!((pair.reference.as_str(), pair.parcel.as_str(), pair.source.as_str()), ("H1", "H1", "roll"));
    assert_eq!(
        (pair.match_state.as_str(), pair.record_number, pair.outcome.as_str()),
        ("sure", Some(1), "material")
    );
    assert_eq!(
        (pair.measured, pair.recorded, pair.difference),
        (Some(sqft(2400)), Some(sqft(2000)), Some(sqft(400)))
    );
    // 400 of 2,000 square feet; at an elasticity of one a fifth of 200,000 dollars
    assert_eq!((pair.kind.as_deref(), pair.variance_ppm), (Some("variance"), Some(200_000)));
    assert_eq!(pair.effect_high.map(|money| money.cents()), Some(4_000_000));
    assert!(pair.effect_low < pair.effect_high && pair.z.unwrap() > 2.0 && pair.sigma_sqft.unwrap() > 4.9);
    assert_eq!((pair.threshold, pair.exceedance_ppm), (Some(sqft(100)), Some(1_000_000)));
    assert_eq!(
        (pair.measurement_version, pair.record_edition, pair.edition, pair.policy_version),
        (1, Some(1), 1, 0)
    );
    let finding = pair.finding.unwrap();
    assert_eq!((finding.state.as_str(), finding.closing, finding.row_version), ("open", None, 1));
}

async fn a_pair_that_could_not_be_judged_shows_no_figures(ground: &Ground) {
    judge(ground, "roll", &[("H1", Figures { recorded: None, ..recorded(0) })]).await;
    let pair = ground.pair_page(OFFICE, ("", 0), 10).await.unwrap().remove(0);
    assert_eq!((pair.match_state.as_str(), pair.outcome.as_str()), ("unmatched", "unmatched"));
    assert_eq!((pair.record_number, pair.kind, pair.measured, pair.recorded), (None, None, None, None));
    assert_eq!((pair.z, pair.threshold, pair.effect_high, pair.finding), (None, None, None, None));
}

async fn outcomes_are_counted_by_source(ground: &Ground) {
    judge(ground, "b", &[("H1", figures(400, true)), ("H2", figures(400, true)), ("H3", figures(1, true))])
        .await;
    let none = Figures { recorded: None, ..recorded(0) };
    judge(ground, "a", &[("H1", none), ("H2", figures(50, true)), ("H3", none)]).await;
    let counts = ground.outcome_counts(OFFICE).await.unwrap();
    let counts: Vec<_> = counts.iter().map(|(s, o, n)| format!("{s} {o} {n}")).collect();
    assert_eq!(counts, ["a not_material 1", "a unmatched 2", "b material 2", "b within_measuring_error 1"]);
}
