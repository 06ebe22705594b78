//! Rolls that come as one archive of all their tables: the same records, quarantine and quoted rows as from the loose
//! files, one original that is kept once, and the life of their editions.

use std::fs;
use std::path::{Path, PathBuf};

use crossfoot_testbed::repository;
use serde_json::Value;

use crate::installation::{Installation, script_output};
use crate::packed_tables::{LAYOUT, import, judged_layout, packed, quoted, seen, taken};

/// Packs files with Python's zipfile: the archive, then each file with its name within.
const ZIP: &str = r#"
import pathlib, sys, zipfile
with zipfile.ZipFile(sys.argv[1], "w", zipfile.ZIP_DEFLATED) as archive:
    for path, name in zip(sys.argv[2::2], sys.argv[3::2]):
        archive.writestr(zipfile.ZipInfo(name), pathlib.Path(path).read_bytes())
"#;

fn zipped(place: &Installation, name: &str, files: &[(PathBuf, &str)]) -> PathBuf {
    let out = place.folder().join(name);
    let mut arguments = vec![out.clone().into_os_string()];
    for (path, within) in files {
        arguments.extend([path.clone().into_os_string(), (*within).into()]);
    }
    script_output(ZIP, &arguments);
    out
}

fn fixture(name: &str) -> PathBuf {
    repository().join("fixtures/published").join(LAYOUT).join(name)
}

/// The loose tables in the order of the layout, in which the texts of an archive are numbered.
fn in_order() -> Vec<PathBuf> {
    ["real_acct.txt", "building_res.txt", "fixtures.txt"].map(fixture).to_vec()
}

/// The files that the rows in quarantine stand in, with their lines.
fn places(place: &Installation) -> Vec<(String, Value)> {
    let rejects = place.run(&["export", "rejects", "--source", LAYOUT, "--format", "ndjson"]).code(0);
    let told = |row: Value| (row["file"].as_str().unwrap().to_owned(), row["line"].clone());
    rejects.json_lines().into_iter().map(told).collect()
}

fn originals(place: &Installation) -> usize {
    let kept = fs::read_dir(place.folder().join("data/objects/originals")).unwrap();
    kept.count()
}

const FILES: &str = "SELECT number, name, within FROM edition_file WHERE edition = 1 ORDER BY number";

fn one_archive_is_the_same_edition_as_the_loose_files(place: &Installation) {
    let loose = taken(place, &in_order());
    let (row, _) = quoted(place);
    let of_loose = places(place);
    let other = place.another();
    let archive = packed(&other).join("all.zip");
    assert_eq!(taken(&other, std::slice::from_ref(&archive)), loose);
    let told = "2025/building_res.txt in all.zip, lines and bytes as unpacked";
    assert_eq!(quoted(&other), (row, told.to_owned()));
    let in_archive = |name: &String| format!("2025/{name} in all.zip");
    let expected: Vec<_> = of_loose.iter().map(|(name, line)| (in_archive(name), line.clone())).collect();
    assert_eq!(places(&other), expected);

    // three files of the edition, one original with one hash
    assert_eq!(
        other.sql(FILES),
        ["0|all.zip|2025/real_acct.txt", "1|all.zip|2025/building_res.txt", "2|all.zip|2025/fixtures.txt"]
    );
    assert_eq!(other.sql("SELECT count(DISTINCT object_key || sha256) FROM edition_file"), ["1"]);
    assert_eq!(originals(&other), 1);
    let listed = other.run(&["originals", "list"]).code(0).out;
    assert_eq!(listed.matches("all.zip").count(), 1, "{listed}");
    let out = other.folder().join("back.zip");
    let get = ["originals", "get", LAYOUT, "1", "--out", out.to_str().unwrap()];
    other.run(&get).code(0);
    assert_eq!(fs::read(&out).unwrap(), fs::read(&archive).unwrap());
    other.run(&["originals", "pack"]).code(0);
    assert_eq!(originals(&other), 1);
    assert_eq!(other.sql("SELECT count(*) FROM edition_file WHERE form = 'frames'"), ["3"]);
    assert_eq!(quoted(&other).1, told);

    // again, and what else is in it is told where the edition is told
    let again = import(&other, std::slice::from_ref(&archive));
    other.run(&again).code(0).says("here already as edition 1").says("nothing to do");
    let remark = "all.zip holds 1 more that the layout does not read: \"Readme.txt\"";
    let shown = other.run(&["edition", "show", LAYOUT, "1"]).code(0).says(remark);
    shown.says("  2025/building_res.txt in all.zip, ");
    other.run(&["report"]).code(0).says(remark);
    // rows of tables cannot be mended one by one, and the list says where each stands
    let mend = ["export", "rejects", "--source", LAYOUT, "--to-mend", "--out", "mend.csv"];
    other.run(&mend).code(3).complains("the list of the quarantine names file and line of each row");
}

/// Everything as if the archive had been unpacked, whoever reads it: kept first, in place, or later.
fn an_archive_is_kept_once_however_it_is_handed_in(place: &Installation) {
    let archive = packed(place).join("all.zip");
    let later = [import(place, std::slice::from_ref(&archive)), vec!["--keep-later".to_owned()]].concat();
    place
        .run(&later)
        .code(0)
        .says("60 rows read, 16 records")
        .says("all.zip holds 1 more")
        .says("  line 4 of 2025/building_res.txt in all.zip: heat_ar holds \"1,475\": thousands separator not declared");
    assert_eq!(
        place.sql("SELECT count(*) FROM edition_file WHERE object_key LIKE 'in-place:%' AND sha256 <> ''"),
        ["3"]
    );
    place.run(&import(place, std::slice::from_ref(&archive))).code(0);
    assert_eq!(place.sql("SELECT count(*) FROM edition_file WHERE object_key LIKE 'originals/%'"), ["3"]);
    assert_eq!(originals(place), 1);
    // the same bytes under another name are the same edition
    let copy = place.folder().join("copy.zip");
    fs::copy(&archive, &copy).unwrap();
    place.run(&import(place, std::slice::from_ref(&copy))).code(0).says("nothing to do");
    assert_eq!(place.sql("SELECT count(*) FROM edition"), ["1"]);
}

/// The building table with one row changed, beside the others in another order.
fn changed(place: &Installation) -> PathBuf {
    let text = fs::read_to_string(fixture("building_res.txt")).unwrap();
    assert_eq!(text.matches("\t1425\t1725\t1425\t").count(), 1);
    let buildings =
        place.file("building_res.txt", text.replace("\t1425\t1725\t1425\t", "\t1625\t1925\t1625\t"));
    let files = [
        (fixture("fixtures.txt"), "2025/fixtures.txt"),
        (buildings.into(), "2025/building_res.txt"),
        (fixture("real_acct.txt"), "2025/real_acct.txt"),
    ];
    zipped(place, "next.zip", &files)
}

fn a_later_archive_with_one_changed_table_changes_its_records_only(place: &Installation) {
    let archive = packed(place).join("all.zip");
    taken(place, std::slice::from_ref(&archive));
    let before = quoted(place);
    let next = place.run(&import(place, &[changed(place)])).code(0);
    next.says("edition 2, 60 rows read, 16 records (0 new, 1 changed, 15 unchanged, 0 gone)");
    place.reconcile().code(0);
    let now = quoted(place);
    assert_eq!(now.1, "2025/building_res.txt in next.zip, lines and bytes as unpacked");
    assert_ne!(now.0[1], before.0[1], "the row as published is another one");
    assert_eq!(now.0[2], before.0[2]);
    // a record that stayed is quoted from the edition that it came with
    fs::create_dir_all(place.folder().join("stayed")).unwrap();
    place.run(&["packet", "T-03", "--out", "stayed"]).code(0);
    let packet = only_zip(&place.folder().join("stayed"));
    place.run(&["verify", packet.to_str().unwrap()]).code(0).says("verifies");
    let stayed = crate::packed::finding(&packet);
    let told = stayed["source"]["file"]["name"].as_str().unwrap().to_owned();
    assert_eq!(told, "2025/building_res.txt in all.zip, lines and bytes as unpacked");
    place.run(&["edition", "withdraw", LAYOUT, "2"]).code(0).says("edition 1 is in use again");
}

fn only_zip(folder: &Path) -> PathBuf {
    let mut files = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    files.find(|path| path.extension().is_some_and(|end| end == "zip")).unwrap()
}

/// Under a layout that reads one table fewer, the texts of the kept archive are fewer; and under the first one all again.
fn a_kept_archive_is_read_again_whole_under_a_mended_layout(place: &Installation) {
    let archive = packed(place).join("all.zip");
    let loose = taken(place, std::slice::from_ref(&archive));
    let first = judged_layout(place);
    let text = fs::read_to_string(&first).unwrap();
    assert_eq!(text.matches("\"fixtures*\"").count(), 1);
    let mended = place.file("mended.toml", text.replace("\"fixtures*\"", "\"extra_features*\""));
    let again = |layout: &str| place.run(&["import", "again", LAYOUT, "--layout", layout]).code(0);
    again(&mended)
        .says("edition 2, 31 rows read, 16 records")
        .says("all.zip holds 2 more that the layout does not read: \"Readme.txt\", \"2025/fixtures.txt\"");
    let files = "SELECT edition, number, within FROM edition_file WHERE edition > 1 ORDER BY edition, number";
    assert_eq!(place.sql(files), ["2|0|2025/real_acct.txt", "2|1|2025/building_res.txt"]);
    again(&mended).says("nothing to do");
    again(&first).says("here already as edition 1");
    let titled = place.file("titled.toml", text.replacen("title = \"", "title = \"Again: ", 1));
    again(&titled).says("edition 3, 60 rows read, 16 records");
    place.reconcile().code(0);
    assert_eq!(seen(place).len(), loose.len());
    assert_eq!(originals(place), 1);
}

fn archives_that_lack_a_table_or_hold_one_twice_are_refused(place: &Installation) {
    let two = [(fixture("building_res.txt"), "building_res.txt"), (fixture("fixtures.txt"), "fixtures.txt")];
    let lacking = zipped(place, "lacking.zip", &two);
    place
        .run(&import(place, &[lacking]))
        .code(3)
        .complains("no file for the table accounts (real_acct*): hand all files of the edition in together");
    let mut twice = two.to_vec();
    twice.push((fixture("real_acct.txt"), "2025/real_acct.txt"));
    twice.push((fixture("real_acct.txt"), "2024/real_acct.txt"));
    let twice = zipped(place, "twice.zip", &twice);
    place.run(&import(place, &[twice])).code(3).complains(
        "2024/real_acct.txt in twice.zip and 2025/real_acct.txt in twice.zip are two texts of one name for the table \
         accounts",
    );
    assert_eq!(place.sql("SELECT count(*) FROM edition WHERE state <> 'refused'"), ["0"]);
}

/// Files may be named like those beside them because they lie in folders of years; the rows of an extension would count
/// twice.
fn loose_files_of_one_name_for_one_table_are_refused(place: &Installation) {
    place.run(&["report"]).code(0);
    let older = place.folder().join("2024");
    fs::create_dir_all(&older).unwrap();
    fs::copy(fixture("building_res.txt"), older.join("Building_Res.txt")).unwrap();
    fs::copy(fixture("building_res.txt"), older.join("building_res.txt")).unwrap();
    let with = |name: &str| [in_order(), vec![older.join(name)]].concat();
    let mend = "hand in the newer one alone or, where both are parts of the roll, give them different names";
    let twice = place.run(&import(place, &with("building_res.txt"))).code(3);
    twice.complains(&format!("two files of the table buildings are named building_res.txt: {mend}"));
    let twice = place.run(&import(place, &with("Building_Res.txt"))).code(3);
    twice
        .complains("building_res.txt and Building_Res.txt are two texts of one name for the table buildings");
    assert_eq!(place.sql("SELECT count(*) FROM source"), ["0"], "it is refused before anything is stored");
    // what is packed is told apart when it is opened
    let packed = packed(place).join("building_res.txt.gz");
    let twice = place.run(&import(place, &[in_order(), vec![packed]].concat())).code(3);
    twice.complains(
        "building_res.txt and building_res.txt.gz are two texts of one name for the table buildings",
    );
    assert_eq!(place.sql("SELECT count(*) FROM edition WHERE state <> 'refused'"), ["0"]);
    let begin = ["set", "begin", "a-roll", "real_acct.txt", "REAL_ACCT.txt", "--layout", LAYOUT];
    place.run(&begin).code(2).complains("real_acct.txt and REAL_ACCT.txt are two texts of one name");
    assert_eq!(place.sql("SELECT count(*) FROM source WHERE id = 'a-roll'"), ["0"]);
    // parts of a table under names of their own are files of it
    let all = fs::read_to_string(fixture("building_res.txt")).unwrap();
    let (head, rows) = all.split_once('\n').unwrap();
    let half = rows.match_indices('\n').nth(rows.lines().count() / 2).map(|(at, _)| at + 1).unwrap();
    let first = place.file("building_res1.txt", format!("{head}\n{}", &rows[..half]));
    let second = place.file("building_res2.txt", format!("{head}\n{}", &rows[half..]));
    let parts = [fixture("real_acct.txt"), fixture("fixtures.txt"), first.into(), second.into()];
    place.run(&import(place, &parts)).code(0).says("60 rows read, 16 records");
}

fn a_set_takes_archives_of_several_tables(place: &Installation) {
    let first =
        [(fixture("building_res.txt"), "building_res.txt"), (fixture("fixtures.txt"), "fixtures.txt")];
    let first = zipped(place, "first.zip", &first);
    let second = [(fixture("real_acct.txt"), "real_acct.txt"), (fixture("real_acct.txt"), "Readme.txt")];
    let second = zipped(place, "second.zip", &second);
    let begin = ["set", "begin", LAYOUT, "first.zip", "second.zip", "--layout", LAYOUT];
    place.run(&begin).code(0).says("set 1 is gathering");
    let put = |file: &Path| place.run(&["set", "put", LAYOUT, "1", file.to_str().unwrap()]).code(0);
    put(&first).says("missing: second.zip");
    let complete = ["set", "complete", LAYOUT, "1"];
    place.run(&complete).code(3).complains("second.zip is missing");
    put(&second);
    place.run(&complete).code(0).says("60 rows read, 16 records (16 new").says("second.zip holds 1 more");
    place.run(&complete).code(0).says("nothing to do");
    assert_eq!(
        place.sql(FILES),
        ["0|first.zip|building_res.txt", "1|first.zip|fixtures.txt", "2|second.zip|"],
        "a file of which one text is read is that text"
    );
    // the two archives handed in together are the same edition; one of them alone lacks a table
    let both = ["import", "roll", second.to_str().unwrap(), first.to_str().unwrap(), "--layout", LAYOUT];
    place.run(&both).code(0).says("here already as edition 1");
    // one archive of the set brings all that the other lacks, and what is in both is told
    let all = packed(place).join("all.zip");
    let begin = ["set", "begin", LAYOUT, "first.zip", "all.zip"];
    place.run(&begin).code(0).says("set 2 is gathering");
    for file in [&first, &all] {
        place.run(&["set", "put", LAYOUT, "2", file.to_str().unwrap()]).code(0);
    }
    place.run(&["set", "complete", LAYOUT, "2"]).code(3).complains("are two texts of one name");
}

on_both_databases!(
    a_kept_archive_is_read_again_whole_under_a_mended_layout,
    a_later_archive_with_one_changed_table_changes_its_records_only,
    a_set_takes_archives_of_several_tables,
    an_archive_is_kept_once_however_it_is_handed_in,
    archives_that_lack_a_table_or_hold_one_twice_are_refused,
    loose_files_of_one_name_for_one_table_are_refused,
    one_archive_is_the_same_edition_as_the_loose_files,
);
