//! What a file says about itself: a sum over rows whatever the order, and changes of definition told from those of
//! houses.

use crossfoot_audit::area::Area;
use crossfoot_audit::money::Money;
use crossfoot_roll::check::{
    CLASSES_BEYOND, ChangeCheck, ChangeChecker, DefinitionLimits, DoublesCheck, RollCheck, RollChecker,
    RowFacts, RowKind, definition_change, kind_of_rows, remarks,
};
use crossfoot_roll::entry::Entry;
use crossfoot_roll::layout::{Layout, shipped};
use crossfoot_roll::published_row;
use crossfoot_roll::reader::{RollReader, Row};
use crossfoot_roll::record_view::StoredRecord;

use proptest::prelude::*;

use crate::account::layout;
use crate::shipped::read;

const TABLES: &str = "[parcel]\ncolumns = [\"PIN\"]\n[area]\ncolumn = \"SQFT\"\n[year_built]\ncolumn = \"YR\"\n\
    [class]\ncolumn = \"CLASS\"\n[[keep]]\ncolumn = \"BSMT\"\nkind = \"area\"\n";

type Made = (String, Option<i64>, Option<i64>, Option<i32>, u8);

fn facts(row: &Made) -> RowFacts<'_> {
    RowFacts {
        parcel_raw: &row.0,
        area: row.1.map(|hundredths| Area::from_square_micrometres(hundredths * 929_030_400)),
        value: row.2.map(Money::from_cents),
        year_built: row.3,
        class: ["R1", "R2", "", "C"][usize::from(row.4 % 4)],
    }
}

fn check(rows: &[Made], layout: &Layout) -> RollCheck {
    let mut checker = RollChecker::new(layout);
    rows.iter().for_each(|row| checker.add(facts(row)));
    checker.finish()
}

fn made() -> impl Strategy<Value = Vec<Made>> {
    let row = (
        "[0-9]{1,6}(-[A-Z0-9]{1,4})?",
        proptest::option::of(1i64..2_000_000),
        proptest::option::of(0i64..1_000_000_000),
        proptest::option::of(0i32..9_999),
        any::<u8>(),
    );
    proptest::collection::vec(row, 0..60)
}

proptest! {
    #[test]
    fn any_split_and_order_counts_the_same(rows in made(), at in 0usize..60, seed in any::<u64>()) {
        let layout = layout(TABLES);
        let whole = check(&rows, &layout);
        let mut order = rows.clone();
        order.sort_by_key(|row| (row.0.len() as u64).wrapping_mul(seed) ^ u64::from(row.4));
        let (one, other) = order.split_at(at.min(order.len()));
        let mut parts = check(other, &layout);
        parts.merge(&check(one, &layout));
        prop_assert_eq!(&parts, &whole);
        parts.take_off(&check(one, &layout));
        let left = check(other, &layout);
        prop_assert_eq!(parts.summary(&layout), left.summary(&layout));
        prop_assert_eq!((parts.rows, parts.classes, parts.areas), (left.rows, left.classes, left.areas));
        let text = serde_json::to_string(&whole).unwrap();
        prop_assert_eq!(&serde_json::from_str::<RollCheck>(&text).unwrap(), &whole);
    }

    #[test]
    fn what_goes_and_what_comes_make_the_next_edition(before in made(), gone in 0usize..60, came in made()) {
        let layout = layout(TABLES);
        let gone = gone.min(before.len());
        let mut moved = RollChecker::resume(&layout, check(&before, &layout));
        before[..gone].iter().for_each(|row| moved.remove(facts(row)));
        came.iter().for_each(|row| moved.add(facts(row)));
        let anew = check(&[&before[gone..], &came].concat(), &layout);
        prop_assert_eq!(moved.finish().summary(&layout), anew.summary(&layout));
    }
}

/// Rows of classes with names so long that some seventeen of them are too many to be counted apart.
fn long_named(classes: &[u8]) -> Vec<String> {
    classes.iter().map(|class| format!("{class:>60000}")).collect()
}

fn of_class(class: &str) -> RowFacts<'_> {
    RowFacts { parcel_raw: "1", area: None, value: None, year_built: None, class }
}

fn classes_of(rows: &[String], layout: &Layout) -> RollCheck {
    let mut checker = RollChecker::new(layout);
    rows.iter().for_each(|class| checker.add(of_class(class)));
    checker.finish()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn classes_are_counted_alike_however_many_there_are(
        (before, order) in proptest::collection::vec(0u8..26, 0..30).prop_flat_map(|rows| {
            let order = Just(rows.clone()).prop_shuffle();
            (Just(rows), order)
        }),
        came in proptest::collection::vec(0u8..26, 0..30),
        gone in 0usize..30,
        seed in any::<u64>(),
    ) {
        let layout = layout(TABLES);
        let (before, order, came) = (long_named(&before), long_named(&order), long_named(&came));
        let counted = classes_of(&before, &layout);
        prop_assert_eq!(&counted, &classes_of(&order, &layout));
        let gone = gone.min(before.len());
        let mut moves: Vec<(&String, bool)> = before[..gone].iter().map(|row| (row, false)).collect();
        moves.extend(came.iter().map(|row| (row, true)));
        moves.sort_by_key(|(row, _)| (row.trim().parse::<u64>().unwrap() + 1).wrapping_mul(seed));
        let together = counted.classes.iter().any(|(name, _)| name == CLASSES_BEYOND);
        let mut moved = RollChecker::resume(&layout, counted);
        for (row, comes) in moves {
            if comes { moved.add(of_class(row)) } else { moved.remove(of_class(row)) }
        }
        let (moved, anew) = (moved.finish(), classes_of(&[&before[gone..], &came].concat(), &layout));
        let text = serde_json::to_string(&moved).unwrap();
        prop_assert_eq!(&serde_json::from_str::<RollCheck>(&text).unwrap(), &moved);
        if together {
            // they stay together until a file is counted from its beginning
            let rows: i64 = moved.classes.iter().map(|(_, count)| count.rows).sum();
            prop_assert_eq!(moved.classes.iter().count(), 1);
            prop_assert_eq!(rows, anew.rows);
        } else {
            prop_assert_eq!(moved.classes, anew.classes);
        }
    }
}

#[test]
fn more_classes_than_are_counted_apart_are_one_count_whatever_comes_first() {
    let layout = layout(TABLES);
    let names = |range: std::ops::Range<u8>| long_named(&range.collect::<Vec<u8>>());
    let few = classes_of(&names(0..17), &layout);
    assert_eq!(few.classes.iter().count(), 17);
    let many = classes_of(&names(0..18), &layout);
    let told: Vec<(&str, i64)> = many.classes.iter().map(|(name, count)| (name, count.rows)).collect();
    assert_eq!(told, [(CLASSES_BEYOND, 18)]);
    // a class that is published under the name for all of them is none of it
    let published = classes_of(&[CLASSES_BEYOND.to_owned(), "R1".to_owned()], &layout);
    assert_eq!(published.classes.get(CLASSES_BEYOND).unwrap().rows, 1);
    assert_eq!(published.classes.iter().count(), 2);
    // what an earlier version kept: some apart, the others together
    let kept: RollCheck = serde_json::from_str(
        "{\"classes\":{\"R1\":{\"rows\":2,\"with_area\":1},\"…\":{\"rows\":3,\"with_area\":3}}}",
    )
    .unwrap();
    let told: Vec<(&str, i64)> = kept.classes.iter().map(|(name, count)| (name, count.rows)).collect();
    assert_eq!(told, [(CLASSES_BEYOND, 5)]);
}

fn entry(parcel: usize, area: i64, class: &str, basement: i64) -> Entry {
    Entry {
        line: parcel as u64,
        byte_start: 0,
        byte_length: 1,
        parcel_raw: parcel.to_string(),
        parcel_key: parcel.to_string(),
        situs: String::new(),
        area: Area::from_whole_square_feet(area),
        value: None,
        year_built: None,
        class: class.to_owned(),
        rest: format!("[\"{basement}\"]"),
        content_hash: 0,
    }
}

/// The event of an edition of 10,000 records, a third of them of class R2, with a change of area for some.
fn event(change: impl Fn(usize, &str, i64) -> i64) -> Option<String> {
    let layout = layout(TABLES);
    let (mut checker, mut changes) = (RollChecker::new(&layout), ChangeChecker::new(&layout));
    for parcel in 0..10_000 {
        let class = if parcel % 3 == 0 { "R2" } else { "R1" };
        let (before, basement) = (1_000 + (parcel as i64 * 7_919) % 2_000, 300 + (parcel as i64 * 31) % 500);
        let entry_before = entry(parcel, before, class, basement);
        let entry = entry(parcel, before + change(parcel, class, basement), class, basement);
        checker.add(&entry);
        changes.note(&StoredRecord::of(0, &entry_before), &entry);
    }
    let gate = definition_change(&checker.finish(), &changes.finish(), 10_000, DefinitionLimits::default());
    gate.map(|gate| {
        assert_eq!(gate.kind, "definition_changed");
        gate.sentence
    })
}

#[test]
fn a_basis_that_was_switched_for_a_class_is_one_event_with_its_heading() {
    let event = event(|_, class, basement| if class == "R2" { basement } else { 0 }).unwrap();
    assert!(event.contains("3,334 of 10,000 records (33.3 %)"), "{event}");
    assert!(event.contains("3,334 of them by just the figure of BSMT"), "{event}");
}

#[test]
fn a_class_that_changed_without_a_pattern_is_told_by_its_share() {
    let either_way = |parcel: usize, class: &str, _: i64| match (class, parcel % 2) {
        ("R2", 0) => 20 + (parcel as i64 * 13) % 400,
        ("R2", _) => -20 - (parcel as i64 * 17) % 400,
        _ => 0,
    };
    let event = event(either_way).unwrap();
    assert!(event.contains("3,334 of 3,334 records of class \"R2\""), "{event}");
}

#[test]
fn houses_that_change_one_by_one_are_no_event() {
    // additions to one house in twenty-five, corrections downwards to one in sixty, each of its own size
    let churn = |parcel: usize, _: &str, _: i64| match parcel {
        p if p % 25 == 7 => 40 + (p as i64 * 37) % 700,
        p if p % 60 == 11 => -30 - (p as i64 * 41) % 300,
        _ => 0,
    };
    assert_eq!(event(churn), None);
    // alike, but few
    assert_eq!(event(|parcel, _, _| if parcel < 150 { 50 } else { 0 }), None);
}

/// Changes of records with a class each, of a size each.
fn changes_by_class<'a>(records: impl Iterator<Item = (&'a str, i64)>) -> ChangeCheck {
    let mut changes = ChangeChecker::new(&layout(TABLES));
    for (class, by) in records {
        changes.note(&StoredRecord::of(0, &entry(1, 1_000, class, 0)), &entry(1, 1_000 + by, class, 0));
    }
    changes.finish()
}

#[test]
fn changes_of_more_classes_than_are_counted_apart_are_counted_together_only() {
    let names = long_named(&(0..18).collect::<Vec<u8>>());
    let changed = |names: &[String]| {
        let forwards = changes_by_class(names.iter().map(|name| (name.as_str(), 100)));
        let backwards = changes_by_class(names.iter().rev().map(|name| (name.as_str(), 100)));
        assert_eq!(forwards, backwards);
        forwards
    };
    assert_eq!(changed(&names[..17]).classes.len(), 17);
    // once too many they stay together, also for what comes after
    let many = changed(&[names.clone(), names.clone()].concat());
    assert_eq!((many.classes.len(), many.all.changed, many.all.larger), (0, 36, 36));
    assert_eq!(many.all.common_difference(), Some((100, 36)));
}

#[test]
fn what_changes_of_classes_have_in_common_is_left_out_where_it_takes_too_much() {
    let names: Vec<String> = (0..6_000).map(|n| format!("C{n}")).collect();
    let records =
        |sizes: i64| names.iter().flat_map(move |name| (0..sizes).map(move |n| (name.as_str(), n * 8 + 8)));
    let few = changes_by_class(records(2));
    assert_eq!(few.classes["C5999"].common_difference(), Some((16, 1)));
    let many: Vec<(&str, i64)> = records(16).collect();
    let check = changes_by_class(many.iter().copied());
    assert_eq!(check, changes_by_class(many.iter().rev().copied()));
    let counted: Vec<_> = check.classes.values().map(|class| (class.changed, class.larger)).collect();
    assert_eq!(counted, vec![(16, 16); 6_000]);
    assert!(check.classes.values().all(|class| class.differences.is_empty() && class.ratios.is_empty()));
    assert_eq!((check.all.changed, check.all.differences.len()), (96_000, 16));
    // a class that changed is an event all the same
    let layout = layout(TABLES);
    let mut rows = RollChecker::new(&layout);
    names.iter().for_each(|name| (0..16).for_each(|_| rows.add(&entry(1, 1_000, name, 0))));
    let limits = DefinitionLimits { percent: 100.0, records: 16 };
    let event = definition_change(&rows.finish(), &check, 100_000_000, limits).unwrap();
    assert!(event.sentence.contains("16 of 16 records of class"), "{}", event.sentence);
}

#[test]
fn areas_under_a_heading_that_change_alike_are_one_event_of_that_heading() {
    let layout = layout(TABLES);
    let event = |change: fn(usize) -> i64| {
        let (mut checker, mut changes) = (RollChecker::new(&layout), ChangeChecker::new(&layout));
        for parcel in 0..10_000 {
            let (area, basement) = (1_000 + (parcel as i64 * 7_919) % 2_000, (parcel as i64 * 31) % 500);
            let before = entry(parcel, area, "R1", basement);
            let now = entry(parcel, area, "R1", basement + change(parcel));
            checker.add(&now);
            changes.note(&StoredRecord::of(0, &before), &now);
        }
        let changes = changes.finish();
        assert_eq!((changes.all.changed, changes.classes.len()), (0, 0));
        definition_change(&checker.finish(), &changes, 10_000, DefinitionLimits::default())
    };
    let all = event(|parcel| if parcel % 4 == 0 { 120 } else { 0 }).unwrap();
    assert_eq!(all.kind, "definition_changed");
    let told = "the areas under BSMT of 2,500 of 10,000 records (25.0 %) changed at once, 2,500 of them by +120 sq ft";
    assert!(all.sentence.starts_with(told), "{}", all.sentence);
    assert_eq!(event(|parcel| if parcel < 150 { 120 } else { 0 }), None);
    assert_eq!(event(|parcel| if parcel % 25 == 0 { (parcel as i64 * 37) % 700 - 300 } else { 0 }), None);
}

/// A roll of three hundred parcels by the layout of Polk County, with two buildings on every tenth: the heated area of the
/// main storey, a garage that is heated or not, and a porch. `garage` is the actual area of the garage of a parcel.
fn sub_areas(garage: impl Fn(usize) -> usize, heated: bool) -> Vec<(String, Vec<u8>)> {
    let mut buildings = "PARCEL_ID,BLD_NUM,IMPR_TYPE,STYLE,STORIES,YEARBUILT,EFF_YEAR\n".to_owned();
    let mut parts = "PARCEL_ID,BLD_NUM,LN_NUM,SAR_CD,ACT_AR,HEAT_AR\n".to_owned();
    for parcel in 0..300 {
        let id = 232_812_000_000_000_000_usize + parcel;
        for building in 1..=if parcel % 10 == 0 { 2 } else { 1 } {
            let (base, garage, porch) = (1_003 + parcel * 7 % 900, garage(parcel), 80 + parcel % 40);
            let heated = if heated { garage } else { 0 };
            buildings += &format!("{id},{building},0100,SFR,1 STORY,1970,1990\n");
            parts += &format!("{id},{building},1,BASE,{base},{base}\n");
            parts += &format!("{id},{building},2,UGR,{garage},{heated}\n{id},{building},3,FOP,{porch},0\n");
        }
    }
    vec![
        ("FTP_BLD.txt".to_owned(), buildings.into_bytes()),
        ("FTP_BLD_SAR.txt".to_owned(), parts.into_bytes()),
    ]
}

#[test]
fn records_put_together_have_their_headings_over_all_buildings() {
    let shipped = shipped().iter().find(|shipped| shipped.layout.id == "us-fl-105-polk").unwrap();
    let garage = |parcel: usize| 300 + parcel * 13 % 200;
    let before = read(&sub_areas(garage, false), &shipped.layout, 1 << 20).entries;
    let changed = |files: &[(String, Vec<u8>)]| {
        let (mut checker, mut changes) =
            (RollChecker::new(&shipped.layout), ChangeChecker::new(&shipped.layout));
        for ((file, before), (_, now)) in before.iter().zip(read(files, &shipped.layout, 1 << 20).entries) {
            assert_eq!(before.parcel_key, now.parcel_key);
            checker.add(&now);
            changes.note(&StoredRecord::of(*file, before), &now);
        }
        let changes = changes.finish();
        let gate = definition_change(&checker.finish(), &changes, 300, DefinitionLimits::default());
        (changes, gate.map(|gate| gate.sentence))
    };
    // garages are heated area from now on, of the second building too
    let (changes, event) = changed(&sub_areas(garage, true));
    assert_eq!((changes.all.changed, changes.headings.len()), (300, 0));
    assert_eq!(changes.all.headings["garage area"], 300);
    let event = event.unwrap();
    assert!(event.contains("300 of them by just the figure of garage area"), "{event}");
    // garages are measured otherwise
    let (changes, event) = changed(&sub_areas(|parcel| garage(parcel) + 44, false));
    assert_eq!((changes.all.changed, changes.headings["garage area"].changed), (0, 300));
    assert_eq!(changes.headings["garage area"].differences, [(44, 270), (88, 30)].into());
    let event = event.unwrap();
    assert!(
        event.starts_with("the areas under actual area of all sub-areas of 300 of 300 records"),
        "{event}"
    );
    assert!(event.contains(", with those under garage area, sub area, 270 of them by +44 sq ft"), "{event}");
    assert_eq!(changed(&sub_areas(garage, false)).1, None);
}

#[test]
fn a_file_of_rounded_areas_and_damaged_numbers_is_told_in_sentences() {
    let layout = layout(&TABLES.replace("columns = [\"PIN\"]", "columns = [\"PIN\"]\npad_left = [6]"));
    let mut file = "PIN,SQFT,YR,CLASS,BSMT\n".to_owned();
    for row in 1..=400 {
        let year = if row % 4 == 0 { 1900 } else { 1901 + row % 90 };
        file += &format!("{},{},{year},R1,0\n", row * 1_000, 1_000 + row * 10);
    }
    file += "1.23E+05,900,1950,R1,0\n";
    let mut reader = RollReader::new(file.as_bytes(), &layout).unwrap();
    let mut checker = RollChecker::new(&layout);
    while let Some(row) = reader.next_row().unwrap() {
        match row {
            Row::Entry(entry) => checker.add(&entry),
            Row::Reject(reject) => checker.reject(reject.reason, 1),
        }
    }
    let told = remarks(&checker.finish(), &DoublesCheck::default(), &layout);
    let kinds: Vec<&str> = told.iter().map(|remark| remark.kind.as_str()).collect();
    assert_eq!(kinds, ["rounding", "scientific_ids", "lost_zeros", "year_sentinel"]);
    assert!(told[0].sentence.contains("rounding_sqft = 10.0"), "{}", told[0].sentence);
    assert!(told[1].sentence.starts_with("1 parcel numbers"), "{}", told[1].sentence);
    assert!(told[2].sentence.starts_with("99 numbers in PIN (24.8 %)"), "{}", told[2].sentence);
    assert!(told[3].sentence.contains("the year 1900 stands in 100 rows"), "{}", told[3].sentence);
}

#[test]
fn rows_of_one_parcel_are_told_apart_by_what_differs() {
    let layout = layout("[parcel]\ncolumns = [\"PIN\"]\n[area]\ncolumn = \"SQFT\"\n");
    let kind = |head: &str, first: &str, later: &str| {
        let row = |row: &str| published_row(&layout, head.as_bytes(), row.as_bytes()).unwrap();
        kind_of_rows(&row(first), &row(later)).0
    };
    assert_eq!(kind("PIN,SQFT", "1,900", "1,900 "), RowKind::Copies);
    assert_eq!(kind("PIN,SQFT", "0012,900", "12,900"), RowKind::Copies);
    assert_eq!(kind("PIN,SQFT,OWNER_1", "1,900,Ann", "1,900,Bob"), RowKind::Owners);
    assert_eq!(kind("PIN,SQFT,TAXYEAR", "1,900,2024", "1,950,2025"), RowKind::Years);
    assert_eq!(kind("PIN,SQFT,BLDG_NO", "1,900,1", "1,400,2"), RowKind::Buildings);
    assert_eq!(kind("PIN,SQFT,REMARK", "1,900,x", "1,900,y"), RowKind::Unread);
    assert_eq!(kind("PIN,SQFT,REMARK", "1,900,x", "1,950,y"), RowKind::Figures);
}
