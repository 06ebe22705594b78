//! Other people's programs on our packets. None is skipped: what is missing is named with what brings it.

use std::env;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use crossfoot_packet::seal;
use crossfoot_testbed::python;
use tempfile::TempDir;

use super::damage::unzip;
use super::sample::{no_area, recorded_vacant, variance};

/// A program of the machine (`qpdf`, `pdfinfo`).
pub(super) fn program(name: &str) -> PathBuf {
    let folders = env::var_os("PATH").unwrap_or_default();
    let found = env::split_paths(&folders).map(|folder| folder.join(name)).find(|path| path.is_file());
    found.unwrap_or_else(|| {
        panic!("{name} is missing: run `tests/run prepare`, or install the packages qpdf and poppler-utils")
    })
}

/// What a program prints; it must end well.
fn run(command: &mut Command) -> String {
    let output = command.output().unwrap();
    let (out, err) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success(), "{command:?}\n{out}\n{err}");
    out.into_owned()
}

fn run_python(code: &str, arguments: &[&Path]) -> String {
    run(Command::new(python()).arg("-c").arg(code).args(arguments))
}

/// A packet unpacked: the folder, and the bag in it.
fn unpacked() -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let bag = folder.path().join("bag");
    for (path, bytes) in unzip(&seal(&variance()).unwrap().bytes) {
        let path = bag.join(path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, bytes).unwrap();
    }
    (folder, bag)
}

#[test]
fn bagit_validates_the_bag_and_sees_a_changed_file() {
    const VALIDATE: &str = "import bagit, sys; bag = bagit.Bag(sys.argv[1]); bag.validate(); \
                            print(bag.info['Payload-Oxum'], bag.info['External-Identifier'])";
    let (_folder, bag) = unpacked();
    let told = run_python(VALIDATE, &[&bag]);
    assert!(told.contains(".7 DAO-001 against basalt-county-roll"), "{told}");
    fs::write(bag.join("data/explanation.txt"), "another").unwrap();
    let mut command = Command::new(python());
    let output = command.arg("-c").arg(VALIDATE).arg(&bag).output().unwrap();
    assert!(!output.status.success());
}

#[test]
fn python_unpacks_the_zip_file_and_finds_it_sound() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("packet.zip");
    fs::write(&path, seal(&variance()).unwrap().bytes).unwrap();
    let told = run_python(
        "import sys, zipfile; z = zipfile.ZipFile(sys.argv[1]); assert z.testzip() is None\n\
         names = [i.filename for i in z.infolist()]; assert names == sorted(names)\n\
         print({(i.compress_type, i.date_time, i.extra, i.comment, i.flag_bits) for i in z.infolist()})",
        &[&path],
    );
    assert_eq!(told.trim(), "{(0, (1980, 1, 1, 0, 0, 0), b'', b'', 0)}");
}

#[test]
fn sha256sum_accepts_both_manifests() {
    let (_folder, bag) = unpacked();
    let told = run(Command::new("sha256sum")
        .args(["--check", "--strict", "manifest-sha256.txt", "tagmanifest-sha256.txt"])
        .current_dir(&bag));
    assert_eq!(told.lines().filter(|line| line.ends_with(": OK")).count(), 10, "{told}");
}

#[test]
fn qpdf_and_poppler_find_the_document_sound_tagged_and_with_its_data() {
    for data in [variance(), no_area(), recorded_vacant()] {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("finding.pdf");
        let files = unzip(&seal(&data).unwrap().bytes);
        fs::write(&path, &files["data/finding.pdf"]).unwrap();
        let told = run(Command::new(program("qpdf")).arg("--check").arg(&path));
        assert!(told.contains("No syntax or stream encoding errors found"), "{told}");
        let told = run(Command::new(program("pdfdetach")).arg("-list").arg(&path));
        assert!(told.contains("2 embedded files"), "{told}");
        for name in ["finding.json", "measurement.json"] {
            let saved = folder.path().join(name);
            let mut detach = Command::new(program("pdfdetach"));
            run(detach.args(["-savefile", name, "-o"]).arg(&saved).arg(&path));
            assert_eq!(fs::read(&saved).unwrap(), files[&format!("data/{name}")], "{name}");
        }
        let told = run(Command::new(program("pdfinfo")).arg(&path));
        for line in ["Tagged:          yes", "Encrypted:       no", "JavaScript:      no"] {
            assert!(told.contains(line), "{line}\n{told}");
        }
        assert!(told.contains("Title:           DAO-"), "{told}");
        // the date of the newest event, not of today
        assert!(told.contains("Nov 26") && told.contains("2026"), "{told}");
        let fonts = run(Command::new(program("pdffonts")).arg(&path));
        for font in fonts.lines().skip(2) {
            assert!(font.contains("yes yes yes"), "embedded, subset, with Unicode: {font}");
        }
    }
}

/// Structure by pikepdf: level A of part 3, tags with table heads, the mark's words, attached files by relation.
#[test]
fn pikepdf_finds_the_structure_that_the_standards_ask_for() {
    const LOOK: &str = r#"
import json, sys, pikepdf
pdf = pikepdf.open(sys.argv[1])
root, found = pdf.Root, {}
with pdf.open_metadata() as meta:
    found["pdfa"] = [meta.get("pdfaid:part"), meta.get("pdfaid:conformance")]
    found["pdfua"] = meta.get("pdfuaid:part")
    found["title"] = meta.get("dc:title")
found["marked"] = bool(root.MarkInfo.Marked)
found["lang"] = str(root.Lang)
found["shows_title"] = bool(root.ViewerPreferences.DisplayDocTitle)
found["files"] = sorted([str(f.UF), str(f.AFRelationship), str(f.EF.F.Subtype)] for f in root.AF)
tags, alts, heads = {}, [], []
def walk(node):
    if isinstance(node, pikepdf.Array):
        for child in node: walk(child)
    elif isinstance(node, pikepdf.Dictionary):
        if "/S" in node:
            tag = str(node.S); tags[tag] = tags.get(tag, 0) + 1
            if tag[1:2] == "H" and tag[2:].isdigit(): heads.append(int(tag[2:]))
            if "/Alt" in node: alts.append(str(node.Alt))
        if "/K" in node: walk(node.K)
walk(root.StructTreeRoot.K)
found["tags"], found["alts"], found["heads"] = tags, alts, heads
found["scripts"] = "/JavaScript" in root.get("/Names", {}) or "/OpenAction" in root
print(json.dumps(found))
"#;
    let (_folder, bag) = unpacked();
    let found: serde_json::Value =
        serde_json::from_str(&run_python(LOOK, &[&bag.join("data/finding.pdf")])).unwrap();
    assert_eq!(found["pdfa"], serde_json::json!(["3", "A"]));
    assert_eq!(found["pdfua"], "1");
    assert_eq!(found["lang"], "en");
    assert_eq!(found["title"], "DAO-001 against Assessment roll 2026");
    assert_eq!(
        (&found["marked"], &found["shows_title"], &found["scripts"]),
        (&true.into(), &true.into(), &false.into())
    );
    assert_eq!(
        found["files"],
        serde_json::json!([
            ["finding.json", "/Data", "/application/json"],
            ["measurement.json", "/Source", "/application/json"]
        ])
    );
    let count = |tag: &str| found["tags"][tag].as_u64().unwrap_or(0);
    assert_eq!(count("/Table"), 10, "{found}");
    assert_eq!(count("/THead"), count("/Table"));
    assert!(count("/TH") > 20 && count("/TD") > 100, "{found}");
    // the interval, and a plan for each of three levels
    assert_eq!(count("/Figure"), 4);
    let alt = found["alts"][0].as_str().unwrap();
    assert!(alt.starts_with("Interval on a line: house larger than recorded by 42.5 %"), "{alt}");
    let plan = found["alts"][3].as_str().unwrap();
    assert!(plan.starts_with("Plan of main house, level 2: loft 360.0 sq ft"), "{plan}");
    let heads: Vec<u64> = serde_json::from_value(found["heads"].clone()).unwrap();
    assert_eq!(heads[0], 1);
    assert!(heads.windows(2).all(|pair| pair[1] <= pair[0] + 1), "no level is passed over: {heads:?}");
}

/// A partial validator, lenient by its own account: it is one of three witnesses, not the judge.
#[test]
fn pdf_oxide_accepts_pdf_a_and_pdf_ua() {
    let (_folder, bag) = unpacked();
    let told = run_python(
        "import sys, pdf_oxide, json\n\
         doc = pdf_oxide.PdfDocument(sys.argv[1])\n\
         print(repr(doc.validate_pdf_a('3b')), '|', repr(doc.validate_pdf_ua()))",
        &[&bag.join("data/finding.pdf")],
    );
    assert_eq!(told.matches("'valid': True").count() + told.matches("valid=True").count(), 2, "{told}");
}
