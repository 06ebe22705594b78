//! Rows in quarantine of packed rolls: downloaded they are those of the unpacked text byte for byte, and mended they are
//! taken.

use std::collections::BTreeSet;

use crate::installation::{Installation, script_output};
use crate::town::{HEADER, LAYOUT, parcel};

/// Packs a text with Python's gzip, zipfile and codecs.
const PACK: &str = r#"
import gzip, pathlib, sys, zipfile
text, folder = pathlib.Path(sys.argv[1]).read_bytes(), pathlib.Path(sys.argv[2])
(folder / "roll.csv.gz").write_bytes(gzip.compress(text))
with zipfile.ZipFile(folder / "roll.zip", "w", zipfile.ZIP_DEFLATED) as archive:
    archive.writestr("2026/roll.csv", text)
(folder / "utf16.csv").write_bytes(b"\xff\xfe" + text.decode().encode("utf-16-le"))
"#;

/// Good rows for more than a buffer of the reader, among them one that says `n/a` and two that contradict earlier rows:
/// of those no bytes are kept beside the reason.
fn lines() -> Vec<String> {
    let row = |place: usize, owner: &str, area: &str| {
        format!("{},\"{owner}, {place}\",{place} OAK ST,{area},200000,1950,R", parcel(place))
    };
    let mut lines: Vec<String> =
        (1..4000).map(|place| row(place, "Zoë", if place == 70 { "n/a" } else { "1200" })).collect();
    lines.insert(60, row(2, "Łucja", "1300"));
    lines.insert(3500, row(3, "Ágnes", "1400"));
    lines
}

fn bad(lines: &[String]) -> BTreeSet<String> {
    let is_bad = |line: &&String| ["n/a", "Łucja", "Ágnes"].iter().any(|word| line.contains(word));
    lines.iter().filter(is_bad).cloned().collect()
}

/// Takes in a packed roll and gives the rows to mend as bytes.
fn to_mend(place: &Installation, file: &str, layout: &str) -> Vec<u8> {
    let head = HEADER.replace("SITUS,", "OWNER,SITUS,");
    let text = format!("{head}\r\n{}\r\n", lines().join("\r\n"));
    let plain = place.file("plain.csv", text);
    script_output(PACK, &[plain.into(), place.folder().into()]);
    let layout = place.file("layout.toml", layout);
    let path = place.folder().join(file);
    let took = place.run(&["import", "roll", path.to_str().unwrap(), "--layout", &layout]);
    took.code(0).says("4001 rows read, 3998 records").says("3 in quarantine");
    let mut command = place.command("crossfoot");
    command.args(["export", "rejects", "--source", "town-roll", "--to-mend", "--whole"]);
    let out = command.output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    out.stdout
}

fn rows_are_those_of_the_text(text: &str) {
    let head = HEADER.replace("SITUS,", "OWNER,SITUS,");
    let rows = text.strip_prefix(&format!("{head},crossfoot_reason\r\n")).unwrap();
    let mut found = BTreeSet::new();
    for row in rows.split_terminator("\r\n") {
        let whole = bad(&lines()).into_iter().find(|line| row.starts_with(&format!("{line},\"line ")));
        assert!(found.insert(whole.unwrap_or_else(|| panic!("no row of the text: {row}"))));
    }
    assert_eq!(found, bad(&lines()));
}

fn mended(text: &str) -> String {
    text.replace("n/a", "1250").replace("000002,", "005002,").replace("000003,", "005003,")
}

fn is_taken(place: &Installation, bytes: impl AsRef<[u8]>) {
    let file = place.file("mended", bytes);
    let mend =
        ["import", "mend", &file, "--source", "town-roll", "--by", "Ann Garnet", "--reason", "the card"];
    place
        .run(&mend)
        .code(0)
        .says("edition 2, 3 rows read, 3 records (3 new, 0 changed, 0 unchanged, 0 gone)");
}

fn rows_of_packed_rolls_are_handed_out_and_taken_back(place: &Installation) {
    for (file, place) in
        [("roll.csv.gz", place), ("roll.zip", &place.another()), ("utf16.csv", &place.another())]
    {
        let text = String::from_utf8(to_mend(place, file, LAYOUT)).unwrap();
        rows_are_those_of_the_text(&text);
        is_taken(place, mended(&text));
    }
}

/// Text in UTF-16 has letters that the layout's encoding has not: it goes out as it came.
fn rows_in_utf_16_stay_so_where_the_layout_has_another_encoding(place: &Installation) {
    let layout = LAYOUT.replace("[parcel]", "[file]\nencoding = \"windows-1252\"\n[parcel]");
    let bytes = to_mend(place, "utf16.csv", &layout);
    let units: Vec<u16> = bytes.chunks(2).map(|pair| u16::from_le_bytes(pair.try_into().unwrap())).collect();
    let text = String::from_utf16(&units).unwrap();
    let text = text.strip_prefix('\u{feff}').unwrap();
    rows_are_those_of_the_text(text);
    let again = mended(text);
    let marked = std::iter::once(0xFEFF).chain(again.encode_utf16());
    is_taken(place, marked.flat_map(u16::to_le_bytes).collect::<Vec<u8>>());
}

on_both_databases!(
    rows_in_utf_16_stay_so_where_the_layout_has_another_encoding,
    rows_of_packed_rolls_are_handed_out_and_taken_back,
);
