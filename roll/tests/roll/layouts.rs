//! Layouts: what is accepted, and where a mistake is pointed at.

use crossfoot_audit::record::parcel_key::KeyRule;
use crossfoot_roll::layout::{Absent, BASIS_NOT_PUBLISHED, Encoding, Layout, RuleOrigin};

const SMALLEST: &str =
    "id = \"a\"\njurisdiction = \"XX\"\nbasis = \"not-published\"\n[parcel]\ncolumns = [\"PIN\"]\n";

/// Where and how a layout is refused that has these lines behind the smallest one.
fn refusal(lines: &str) -> (usize, usize, String) {
    let error = Layout::from_toml(&format!("{SMALLEST}{lines}")).unwrap_err();
    (error.line, error.column, error.message)
}

#[test]
fn what_is_left_out_has_its_default() {
    let layout = Layout::from_toml(SMALLEST).unwrap();
    assert_eq!((layout.file.delimiter, layout.file.quote), (b',', Some(b'"')));
    assert_eq!((layout.file.encoding, layout.file.row_lines_max), (Encoding::Utf8, 20));
    assert_eq!(layout.basis, BASIS_NOT_PUBLISHED);
    assert_eq!(layout.basis_published(), None);
    assert!((layout.area_rounding_sqft() - 1.0).abs() < f64::EPSILON);
    let with_area =
        Layout::from_toml(&format!("{SMALLEST}[area]\ncolumn = \"SF\"\n[year_built]\ncolumn = \"Y\"\n"));
    let with_area = with_area.unwrap();
    assert_eq!(with_area.year_built.as_ref().unwrap().null, ["", "0"]);
    let area = with_area.area.unwrap();
    assert_eq!((area.blank, area.zero, area.null), (Absent::Missing, Absent::Missing, vec![String::new()]));
}

#[test]
fn the_version_depends_on_the_meaning_and_not_on_the_wording() {
    let version = Layout::from_toml(SMALLEST).unwrap().version();
    let wordy =
        format!("# a remark\n{SMALLEST}join = \"\"\n[file]\nencoding = \"utf-8\"\ndelimiter = \",\"\n");
    assert_eq!(Layout::from_toml(&wordy).unwrap().version(), version);
    let other = format!("{SMALLEST}[file]\ndelimiter = \";\"\n");
    assert_ne!(Layout::from_toml(&other).unwrap().version(), version);
    assert_eq!(version.len(), 64);
}

#[test]
fn one_column_may_serve_two_fields() {
    let layout =
        Layout::from_toml(&format!("{SMALLEST}[class]\ncolumn = \"PIN\"\nvacant = [\" V \", \"100\"]\n"))
            .unwrap();
    assert_eq!(layout.mapped_columns(), ["PIN"]);
    assert!(layout.class_vacant("V ") && layout.class_vacant("100"));
    assert!(!layout.class_vacant("v") && !layout.class_vacant(""));
}

#[test]
fn a_mistake_is_pointed_at_with_what_would_mend_it() {
    let (line, column, message) = refusal("[area]\ncolum = \"SF\"\n");
    assert_eq!((line, column), (7, 1));
    assert!(message.starts_with("unknown field `colum`, expected one of `column`"), "{message}");

    let (line, column, message) = refusal("[file]\ndelimiter = \"||\"\n");
    assert_eq!((line, column), (7, 13));
    assert_eq!(
        message,
        "\"||\" is no delimiter: give one ASCII character that is no letter, digit or line end"
    );
    assert_eq!(refusal("[situs]\ncolumns = [\"A\", \" \"]\n").0, 7);
    assert_eq!(refusal("[situs]\ncolumns = []\n").0, 7);
    assert_eq!(refusal("[file]\nrow_lines_max = 0\n").0, 7);
    assert_eq!(refusal("[area]\ncolumn = \"SF\"\nthousands = \".\"\n").0, 8);
    assert_eq!(refusal("[area]\ncolumn = \"SF\"\nunit = \"acre\"\n").0, 8);
    assert_eq!(refusal("[file]\nencoding = \"ebcdic\"\n").0, 7);
    assert_eq!(refusal("[file\n").0, 6);
}

#[test]
fn settings_that_contradict_each_other_are_refused() {
    assert_eq!(refusal("[file]\ndelimiter = \"'\"\nquote = \"'\"\n").0, 8);
    assert_eq!(refusal("pad_left = [6, 4]\n").0, 6);
    assert_eq!(refusal("pattern = \"(\"\n").0, 6);
    assert_eq!(refusal("[area]\ncolumn = \"SF\"\nnull = [\"0\"]\nzero = \"reject\"\n").0, 9);
    let twice = "[[keep]]\ncolumn = \"A\"\n[[keep]]\ncolumn = \"B\"\nname = \"A\"\n";
    assert_eq!(refusal(twice), (8, 1, "\"A\" is kept twice: give one of the two another name".to_owned()));
}

#[test]
fn rounding_is_a_number_of_square_feet() {
    let with = |rounding: &str| Layout::from_toml(&format!("rounding_sqft = {rounding}\n{SMALLEST}"));
    for (rounding, expected) in [("10", 10.0), ("0.0", 0.0), ("2.5", 2.5)] {
        assert!((with(rounding).unwrap().area_rounding_sqft() - expected).abs() < f64::EPSILON);
    }
    for rounding in ["-1.0", "nan", "inf", "\"1\""] {
        assert_eq!(with(rounding).unwrap_err().line, 1, "{rounding}");
    }
}

#[test]
fn a_layout_written_as_json_reads_back_as_itself() {
    let hostile = concat!(env!("CARGO_MANIFEST_DIR"), "/../fixtures/hostile/layout.toml");
    let full = std::fs::read_to_string(hostile).unwrap();
    let quoting_off = format!("{SMALLEST}[file]\nquote = \"\"\n[[keep]]\ncolumn = \"A\"\n");
    for toml in [SMALLEST, &full, &quoting_off] {
        let layout = Layout::from_toml(toml).unwrap();
        let json = serde_json::to_string(&layout).unwrap();
        assert_eq!(serde_json::from_str::<Layout>(&json).unwrap(), layout);
    }
}

#[test]
fn a_layout_that_follows_its_jurisdiction_has_no_rule_until_it_is_given_one() {
    let toml = format!("{SMALLEST}rule = \"jurisdiction\"\n");
    let follows = Layout::from_toml(&toml).unwrap();
    assert_eq!(follows.parcel.rule, Some(RuleOrigin::Newest));
    let json = serde_json::to_value(&follows).unwrap();
    assert_eq!(json["parcel"], serde_json::json!({ "columns": ["PIN"], "rule": "jurisdiction" }));
    assert_eq!(Layout::from_toml(&toml::to_string(&json).unwrap()).unwrap(), follows);
    let rule = KeyRule { pad_left: vec![8], strip: "-".to_owned(), ..KeyRule::default() };
    let given = follows.with_rule(&rule, 3).unwrap();
    assert_eq!((given.parcel.rule, given.parcel.key_rule()), (Some(RuleOrigin::Version(3)), rule.clone()));
    let json = serde_json::to_value(&given).unwrap();
    assert_eq!(json["parcel"]["rule"], "jurisdiction@3");
    assert_eq!(serde_json::from_value::<Layout>(json).unwrap(), given);
    assert_ne!(given.version(), follows.with_rule(&rule, 4).unwrap().version());
    let wide = KeyRule { pad_left: vec![6, 4], ..KeyRule::default() };
    let why = follows.with_rule(&wide, 4).unwrap_err();
    assert!(why.contains("(version 4) has 2 widths, and [parcel] of the layout 1 columns"), "{why}");
}

#[test]
fn a_rule_stands_in_the_layout_or_with_the_jurisdiction_and_not_in_both() {
    for field in [
        "pad_left = [6]",
        "strip = \"-. \"",
        "upper = true",
        "join = \"\"",
        "drop_tail = \"0\"",
        "pattern = \"x\"",
    ] {
        let (line, _, message) = refusal(&format!("rule = \"jurisdiction\"\n{field}\n"));
        let name = field.split(' ').next().unwrap();
        assert_eq!(line, 7, "{message}");
        assert!(message.starts_with(&format!("{name} beside rule = \"jurisdiction\": ")), "{message}");
    }
    for rule in ["county", "jurisdiction@", "jurisdiction@0", "jurisdiction@x", ""] {
        let (line, _, message) = refusal(&format!("rule = \"{rule}\"\n"));
        assert_eq!(line, 6, "{message}");
        assert!(message.contains("is no rule: write rule = \"jurisdiction\""), "{message}");
    }
}
