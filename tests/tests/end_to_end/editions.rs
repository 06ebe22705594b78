//! The life of editions by commands: held, accepted, given up, withdrawn, read again, listed, folded.

use crate::installation::Installation;
use crate::town::{HEADER, LAYOUT, houses, roll, row};

/// A roll of so many parcels; the first has 1,000 sq ft, the others a hundred more each, up to 2,900.
fn many(parcels: usize) -> Vec<Option<i64>> {
    (0..parcels).map(|n| Some(1000 + 100 * i64::try_from(n % 20).unwrap())).collect()
}

/// The same columns and rows, and one column more.
fn with_column(roll: &str, name: &str) -> String {
    let mut lines = roll.lines();
    let mut text = format!("{},{name}\n", lines.next().unwrap());
    lines.for_each(|line| text.push_str(&format!("{line},x\n")));
    text
}

fn a_roll_that_shrinks_is_held_until_a_person_accepts_it(place: &Installation) {
    place.take_houses(houses(&[1500.0, 1100.0])).code(0);
    place.take_roll(roll(&many(200))).code(0);
    place.reconcile().code(0).says("1 findings opened");
    let reading = place.reading();
    let held = place.take_roll(roll(&many(180))).code(5);
    let held = held.says("edition 2 is held").says("20 of 200 records are gone (10.0 %, the limit is 5.0 %)");
    held.says("crossfoot edition accept town-roll 2");
    place.reconcile().code(0);
    assert_eq!(place.reading(), reading, "what is held changes nothing");
    place.run(&["report"]).code(0).says("edition 2 is held for a person");
    // the same file again says that it is held, and does nothing
    place.take_roll(roll(&many(180))).code(5).says("edition 2 (held): nothing to do");
    place.run(&["edition", "accept", "town-roll", "2"]).code(0).says("edition 2 is in use");
    place.run(&["edition", "accept", "town-roll", "2"]).code(3).complains("edition 2 is current");
    place.run(&["edition", "list", "town-roll"]).code(0).says("2 current").says("20 gone");
}

fn the_quarantine_of_a_held_edition_is_read_by_command_and_not_mended(place: &Installation) {
    place.take_roll(roll(&many(200))).code(0);
    let taken = place.take_roll(format!("{}{}\n", roll(&many(180)), row(181, "see card"))).code(5);
    assert!(taken.out.contains("1 in quarantine") && !taken.out.contains("import mend"), "{}", taken.out);
    let export = |more: &[&str]| {
        let of = ["export", "rejects", "--source", "town-roll", "--edition", "2"];
        place.run(&[&of[..], more].concat()).code(0).out
    };
    assert!(export(&[]).contains("\r\nroll.csv,182,AREA,text_in_number,"), "{}", export(&[]));
    assert!(export(&["--summary"]).contains("\r\ntext_in_number,AREA,1,roll.csv,182,"));
    let rows = export(&["--to-mend"]);
    assert!(rows.contains("\n000181,181 OAK ST,see card,200000,1950,R,"), "{rows}");
    let mended = place.file("mended.csv", rows.replace("see card", "1000"));
    let mend = ["import", "mend", &mended, "--source", "town-roll", "--by", "Ann", "--reason", "the card"];
    let of_the_held = [&mend[..], &["--edition", "2"]].concat();
    let refused = "edition 2 is held for a person: accept it or give it up first, rows are mended of the edition in use";
    place.run(&of_the_held).code(3).complains(refused);
    place.run(&["edition", "list", "town-roll"]).code(0).says("2 held");
    for (edition, why) in [("3", "town-roll has no edition 3: edition 1 is in use"), ("0", "no edition 0")] {
        let none = ["export", "rejects", "--source", "town-roll", "--edition", edition];
        place.run(&none).code(3).complains(why);
    }
    place.run(&["edition", "accept", "town-roll", "2"]).code(0);
    place.run(&of_the_held).code(0).says("mends of edition 2, by Ann");
    place.run(&["edition", "withdraw", "town-roll", "3"]).code(0);
    let withdrawn = ["export", "rejects", "--source", "town-roll", "--edition", "3"];
    place.run(&withdrawn).code(3).complains("edition 3 is withdrawn: the quarantine can be opened of");
}

fn other_columns_and_another_median_are_held_unless_the_limits_allow_them(place: &Installation) {
    place.take_roll(roll(&many(200))).code(0);
    let wider = with_column(&roll(&many(200)), "TAX");
    place.take_roll(&wider).code(5).says("appeared: \"TAX\"");
    place.run(&["edition", "refuse", "town-roll", "2", "--reason", "asked the county"]).code(0);
    place.run(&["edition", "list", "town-roll"]).code(0).says("asked the county");
    place.run(&["edition", "limits", "town-roll", "--columns", "1"]).code(0).says("more than 1 columns");
    place.run(&["edition", "limits", "town-roll", "--median", "900"]).code(2).complains("median_share");
    place.take_roll(&wider).code(0).says("edition 3");
    // every area a tenth: another unit, or a comma that was lost
    let tenths: Vec<Option<i64>> = many(200).iter().map(|area| area.map(|area| area / 10)).collect();
    place
        .take_roll(with_column(&roll(&tenths), "TAX"))
        .code(5)
        .says("the median area is 190 sq ft after 1900");
}

fn withdrawing_the_newest_edition_restores_what_was_read_before(place: &Installation) {
    place.settled();
    let (reading, queue) = (place.judgements(), place.queue());
    place.take_roll(roll(&[Some(1490), Some(1100), Some(900), Some(700)])).code(0);
    place.reconcile().code(0).says("1 closed (corrected)");
    assert_ne!(place.judgements()["T-01"]["recorded_sqft"], reading["T-01"]["recorded_sqft"]);
    place.run(&["edition", "withdraw", "town-roll", "1"]).code(3).complains("edition 1 is past");
    let withdrawn = place.run(&["edition", "withdraw", "town-roll", "2", "--reason", "the wrong county"]);
    withdrawn.code(0).says("edition 1 is in use again");
    place.reconcile().code(0);
    let now = place.judgements();
    for reference in ["T-01", "T-02", "T-03"] {
        for field in ["outcome", "recorded_sqft", "difference_sqft", "variance_percent", "state"] {
            assert_eq!(now[reference][field], reading[reference][field], "{reference} {field}");
        }
    }
    let ranked = |queue: &[serde_json::Value]| -> Vec<String> {
        queue.iter().map(|entry| entry["reference"].to_string()).collect()
    };
    assert_eq!(ranked(&place.queue()), ranked(&queue));
    // and the first one leaves nothing to be found
    place.run(&["edition", "withdraw", "town-roll", "1"]).code(0).says("no edition is in use");
    place.reconcile().code(0);
    assert!(place.queue().is_empty());
    let findings = place.export("findings");
    assert!(findings.iter().all(|f| f["state"] == "closed"), "{findings:?}");
    assert!(findings.iter().any(|f| f["closing"] == "edition_withdrawn"), "{findings:?}");
    place.take_houses(houses(&[1500.0, 1200.0, 900.0])).code(0);
    place.take_roll(roll(&[Some(1000), Some(1200), Some(900)])).code(0);
    place.reconcile().code(0).says("1 reopened");
    assert_eq!(ranked(&place.queue()), ranked(&queue));
}

fn a_mended_layout_reads_the_kept_file_again(place: &Installation) {
    place.take_houses(houses(&[1500.0])).code(0);
    place.take_roll(format!("{HEADER}\n{}\n", row(1, "1000"))).code(0);
    let same = place.file("same.toml", LAYOUT);
    place.run(&["import", "again", "town-roll", "--layout", &same]).code(0).says("nothing to do");
    let mended = LAYOUT.replace("[value]", "[[keep]]\ncolumn = \"SITUS\"\nname = \"street\"\n\n[value]");
    let mended = place.file("mended.toml", mended);
    place.run(&["import", "again", "town-roll", "--layout", &mended]).code(0).says("edition 2, 1 rows read");
    place.run(&["import", "again", "elsewhere", "--layout", &mended]).code(3).complains("no source");
    place.run(&["edition", "list", "town-roll"]).code(0).says("2 current");
}

fn what_changed_is_listed_field_by_field_before_and_after_folding(place: &Installation) {
    place.take_roll(roll(&[Some(1000), Some(1200), Some(900)])).code(0);
    place.take_roll(roll(&[Some(1100), None, Some(900), Some(700)])).code(0);
    place.take_roll(roll(&[Some(1150), None, Some(900), Some(700)])).code(0);
    let listed = |edition: &str| {
        place.run(&["export", "changes", "--source", "town-roll", "--edition", edition]).code(0).out
    };
    let second = listed("2");
    let expected = "parcel_key,what,field,from,to,line\r\n000001,changed,area_sqft,1000.00,1100.00,2\r\n\
                    000002,ended,,,,0\r\n000004,new,,,,4\r\n";
    assert_eq!(second, expected);
    let history = || place.run(&["edition", "history", "town-roll", "1"]).code(0).out;
    let before = (second, listed("3"), history());
    let versions = before.2.lines().filter(|line| line.starts_with("edition "));
    assert_eq!(versions.count(), 3, "{}", before.2);
    assert!(before.2.contains("  area_sqft: 1000.00 \u{2192} 1100.00\n"), "{}", before.2);
    place.run(&["edition", "compact", "town-roll"]).code(0).says("up to edition 2");
    assert_eq!((listed("2"), listed("3"), history()), before);
    place.run(&["edition", "history", "town-roll", "999"]).code(3).complains("999");
}

on_both_databases!(
    a_roll_that_shrinks_is_held_until_a_person_accepts_it,
    the_quarantine_of_a_held_edition_is_read_by_command_and_not_mended,
    other_columns_and_another_median_are_held_unless_the_limits_allow_them,
    withdrawing_the_newest_edition_restores_what_was_read_before,
    a_mended_layout_reads_the_kept_file_again,
    what_changed_is_listed_field_by_field_before_and_after_folding,
);
