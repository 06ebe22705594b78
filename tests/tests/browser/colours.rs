//! Contrast of the style's colours, computed from the style sheet: 4.5 for text and 3 for marks and the borders of
//! fields, in both schemes (WCAG 2.2, 1.4.3 Contrast (Minimum) and 1.4.11 Non-text Contrast).

use std::collections::{BTreeMap, BTreeSet};
use std::fs;

use crossfoot_testbed::repository;

/// What is written on what.
const TEXT: [(&str, &str); 8] = [
    ("ink", "paper"),
    ("soft", "paper"),
    ("act", "paper"),
    ("paper", "act"),
    ("warn-ink", "warn"),
    ("ink", "band"),
    // the row under the pointer
    ("act", "band"),
    ("soft", "band"),
];
/// What is drawn on what, and must be told from it.
const MARKS: [(&str, &str); 7] = [
    ("bar", "paper"),
    ("bar", "band"),
    ("edge", "paper"),
    ("ink", "band"),
    ("soft", "paper"),
    ("act", "paper"),
    ("warn-ink", "warn"),
];
/// Hairlines between rows: the rows are told apart without them.
const DECORATION: [&str; 1] = ["hair"];

type Colours = BTreeMap<String, [u8; 3]>;

/// The custom colours of the rule that follows `before` in the style sheet.
fn colours(style: &str, before: &str) -> Colours {
    let (_, rule) = style.split_once(before).unwrap();
    let (rule, _) = rule.split_once('}').unwrap();
    let colour = |line: &str| {
        let (name, value) = line.split_once(":#")?;
        let digits: String =
            if value.len() == 3 { value.chars().flat_map(|c| [c, c]).collect() } else { value.to_owned() };
        let byte = |at: usize| u8::from_str_radix(&digits[at..at + 2], 16).unwrap();
        Some((name.strip_prefix("--")?.to_owned(), [byte(0), byte(2), byte(4)]))
    };
    rule.split(';').filter_map(|line| colour(line.trim())).collect()
}

/// Relative luminance, as WCAG 2.2 defines it.
fn luminance(colour: [u8; 3]) -> f64 {
    let linear = colour.map(|byte| {
        let share = f64::from(byte) / 255.0;
        if share <= 0.04045 { share / 12.92 } else { ((share + 0.055) / 1.055).powf(2.4) }
    });
    0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
}

fn contrast(one: [u8; 3], other: [u8; 3]) -> f64 {
    let (a, b) = (luminance(one), luminance(other));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

#[test]
fn contrast_is_that_of_the_definition() {
    assert!((contrast([0; 3], [255; 3]) - 21.0).abs() < 1e-9);
    // the palest grey on white that passes for text, as is widely quoted (from memory)
    assert!(contrast([0x76; 3], [255; 3]) >= 4.5 && contrast([0x77; 3], [255; 3]) < 4.5);
}

#[test]
fn text_and_marks_stand_out_in_both_schemes_and_on_paper() {
    let style = fs::read_to_string(repository().join("service/src/pages/style.css")).unwrap();
    let light = colours(&style, ":root{");
    let mut faults = Vec::new();
    let named: BTreeSet<&str> =
        TEXT.iter().chain(&MARKS).flat_map(|(one, other)| [*one, *other]).chain(DECORATION).collect();
    for name in light.keys().filter(|name| !named.contains(name.as_str())) {
        faults.push(format!("{name} stands in no pair: say what it is seen on"));
    }
    let schemes = ["(prefers-color-scheme:dark){:root{", "@media print{\n:root{"];
    for (scheme, colours) in
        [("light", light.clone())].into_iter().chain(schemes.map(|s| (s, colours(&style, s))))
    {
        assert_eq!(colours.keys().collect::<Vec<_>>(), light.keys().collect::<Vec<_>>(), "{scheme}");
        for (pairs, least) in [(&TEXT[..], 4.5), (&MARKS[..], 3.0)] {
            for (one, other) in pairs {
                let found = contrast(colours[*one], colours[*other]);
                if found < least {
                    faults.push(format!("{scheme}: {one} on {other} has {found:.2}, {least} asked"));
                }
            }
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}
