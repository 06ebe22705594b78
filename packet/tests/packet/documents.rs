//! What the document says and how it stands on the page, read back by a PDF program.

use std::fs;
use std::process::Command;

use crossfoot_packet::data::{Event, Field, Mended, PacketData};
use crossfoot_packet::document::render;
use crossfoot_packet::{seal, verify};

use super::outside::program;
use super::sample::{no_area, recorded_vacant, variance};

/// The text of a document, page by page.
fn pages(data: &PacketData) -> Vec<String> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("finding.pdf");
    fs::write(&path, render(data).unwrap()).unwrap();
    let output = Command::new(program("pdftotext")).arg("-layout").arg(&path).arg("-").output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).unwrap();
    text.split_terminator('\u{c}').map(str::to_owned).collect()
}

/// The text with every run of white space as one space.
fn text(data: &PacketData) -> String {
    pages(data).join(" ").split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn the_result_is_said_in_one_sentence() {
    // 388 of 912 is 42.54 %; 1.96 times 9.1147 of 912 is 1.96 %: 40.6 to 44.5
    let text = text(&variance());
    for said in [
        "House larger than recorded by 42.5 % of the recorded area, 95 % interval 40.6 to 44.5.",
        "The finding is confirmed.",
        "1,300.0",
        "+388.0",
        "+32,904.73 to +91,894.73",
        "unfinished area below grade",
        "07-0412-003",
        "114 GARNET ST",
        "page 1 of",
    ] {
        assert!(text.contains(said), "{said} is missing:\n{text}");
    }
}

#[test]
fn a_row_that_was_mended_is_never_shown_as_published() {
    let mut data = variance();
    assert!(text(&data).contains("The record as published"));
    data.record.mended = Some(Mended {
        edition: 4,
        by: "Ann Garnet".to_owned(),
        at: "2026-11-24T08:15:00Z".to_owned(),
        why: "the area was read off the card at the counter.".to_owned(),
    });
    let said = text(&data);
    assert!(!said.contains("as published in") && !said.contains("The record as published"), "{said}");
    for words in [
        "This row is not as published. As it stands in edition 4 of the publisher it could not be read, and Ann \
         Garnet mended it on 2026-11-24: the area was read off the card at the counter. The file,",
        "As mended",
    ] {
        assert!(said.contains(words), "{words} is missing:\n{said}");
    }
    // it verifies, and a packet without the field reads as one that was not mended
    let sealed = seal(&data).unwrap();
    assert!(verify(&sealed.bytes).is_ok());
    data.record.mended = Some(Mended { at: "yesterday".to_owned(), ..data.record.mended.unwrap() });
    assert!(seal(&data).is_err());
}

#[test]
fn a_smaller_house_is_told_by_its_size_and_way() {
    let mut data = variance();
    data.comparison.difference_sqft = "-2.2".to_owned();
    data.comparison.variance_ppm = Some(-1_692);
    data.comparison.recorded_sqft = Some("1300".to_owned());
    data.comparison.sigma_sqft = "5.1624".to_owned();
    // 1.96 times 5.1624 of 1300 is 0.78 %
    let said = "House smaller than recorded by 0.2 % of the recorded area, 95 % interval from 0.9 smaller to 0.6 larger.";
    assert!(text(&data).contains(said));
    data.comparison.difference_sqft = "-300".to_owned();
    data.comparison.variance_ppm = Some(-230_769);
    let said = "House smaller than recorded by 23.1 % of the recorded area, 95 % interval 22.3 to 23.9.";
    assert!(text(&data).contains(said));
}

#[test]
fn without_an_area_on_record_there_is_no_percentage() {
    for (data, said) in [
        (no_area(), "No area on record; 1,215 sq ft were measured, 95 % interval"),
        (recorded_vacant(), "Recorded as without a building; 2,609 sq ft were measured, 95 % interval"),
    ] {
        let text = text(&data);
        assert!(text.contains(said), "{text}");
        // "5 %" and "Limit, %" are the policy's own limit; "95 %" is the coverage of the interval
        let others = text.match_indices(" %").filter(|(at, _)| {
            let figure = text[..*at].rsplit(' ').next().unwrap();
            !["5", "95", "Limit,"].contains(&figure)
        });
        assert_eq!(others.count(), 0, "{text}");
        assert!(!text.contains("Variance"), "{text}");
    }
}

#[test]
fn parts_that_do_not_add_up_say_by_how_much() {
    let mut data = variance();
    assert!(!text(&data).contains("it is not ruled off"));
    data.statement.total_sqft = "1302.2".to_owned();
    let said = "The counted parts come to 1,300.0 sq ft, 2.2 sq ft less than the total: it is not ruled off.";
    assert!(text(&data).contains(said));
}

#[test]
fn tenths_that_do_not_add_up_have_a_line_for_the_rounding() {
    // 0.04 + 0.04 = 0.08: tenths 0.0 + 0.0, total 0.1
    let mut data = variance();
    data.statement.lines.truncate(2);
    let mut line = data.statement.lines.remove(1);
    line.area_sqft = "0.04".to_owned();
    data.statement.lines = vec![line.clone(), line];
    data.statement.total_sqft = "0.08".to_owned();
    assert!(text(&data).contains("rounding +0.1"), "{}", text(&data));
}

/// A finding whose every text is `text`.
fn hostile(text: &str) -> PacketData {
    let mut data = variance();
    data.office = text.to_owned();
    data.property.reference = text.to_owned();
    data.property.address = text.to_owned();
    data.source.title = text.to_owned();
    data.source.citation = text.to_owned();
    data.record.situs = text.to_owned();
    data.record.fields.push(Field { header: text.to_owned(), value: text.to_owned() });
    data.matched.how = text.to_owned();
    data.statement.lines[0].building = text.to_owned();
    data.statement.lines[0].part_use = text.to_owned();
    data.statement.lines[0].rule = text.to_owned();
    data.statement.lines[0].heading = Some(text.to_owned());
    data.statement.lines[0].because = text.to_owned();
    data.explanation[0].how = text.to_owned();
    data.policy.name = text.to_owned();
    data.history[0].what = text.to_owned();
    data.history[0].state = text.to_owned();
    data.history[1].why = Some(text.to_owned());
    data.finding.closing = Some(text.to_owned());
    data
}

#[test]
fn markup_in_the_data_is_text() {
    for markup in [
        "#read(\"view.json\") *bold* _it_ $x^2$ \\ @ref <label> `raw` = head - list // no /* no */ ~ -- --- ...",
        "#panic(\"x\") #pdf.attach(\"finding.json\") #[ ] { } ] } ) \" ' \\u{41}",
        "https://example.org/#a \"quoted\" 'single'",
    ] {
        let text = text(&hostile(markup));
        // white space apart: where a line breaks is not the point
        let squeezed = |text: &str| text.split_whitespace().collect::<String>();
        assert!(squeezed(&text).contains(&squeezed(markup)), "{markup}\n{text}");
    }
}

/// How far right the words of a document reach, in points.
fn right_edge(data: &PacketData) -> f64 {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("finding.pdf");
    fs::write(&path, render(data).unwrap()).unwrap();
    let output = Command::new(program("pdftotext")).arg("-bbox").arg(&path).arg("-").output().unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    let edges =
        text.split("xMax=\"").skip(1).map(|rest| rest.split('"').next().unwrap().parse::<f64>().unwrap());
    edges.fold(0.0, f64::max)
}

#[test]
fn endless_words_stay_within_the_margins() {
    // 8.5 inches less a margin of 0.95 are 543.6 points
    for data in [variance(), hostile(&"W".repeat(400)), hostile(&"donaudampfschifffahrt".repeat(9))] {
        assert!(right_edge(&data) < 544.6, "{}", right_edge(&data));
    }
}

#[test]
fn no_text_breaks_the_document() {
    let endless = "W".repeat(400);
    for hard in [
        endless.as_str(),
        "",
        "שלום עולם and العربية and हिन्दी",
        "🏠👨‍👩‍👧 日本語 ﷽ e\u{301}\u{302}\u{303} ก็ \u{202E}evil\u{202C}",
        "a\0b\u{7}c\r\n\td\u{FEFF}\u{FFFF}\u{E000}\u{10FFFF}",
        "\u{301}\u{301}x \u{5B0} \u{64B}a",
        "ﬁ ﬀ ½ № ℃ Ⅷ ǅ ẞ ſ",
    ] {
        let mut data = hostile(hard);
        if hard.is_empty() {
            data.property.reference = "x".to_owned();
        }
        // the names of the rules are hostile too, so the figures do not come out: another engine's
        data.engine = "0".to_owned();
        let packet = seal(&data).unwrap();
        assert!(verify(&packet.bytes).is_ok(), "{hard:?}: {:?}", verify(&packet.bytes));
    }
}

#[test]
fn characters_without_a_glyph_are_shown_by_code_point_and_noted() {
    let plain = text(&variance());
    assert!(!plain.contains("are shown by their code points"));
    let text = text(&hostile("🏠 Дом"));
    assert!(text.contains("[U+1F3E0] Дом"), "{text}");
    assert!(text.contains("are shown by their code points"), "{text}");
}

#[test]
fn long_tables_run_over_pages_with_their_heads_repeated() {
    let mut data = variance();
    let event = |n: usize| Event {
        at: format!("2026-{:02}-{:02}T08:00:00Z", 1 + n / 28, 1 + n % 28),
        what: format!("event {n}"),
        state: "open".to_owned(),
        why: Some("the record moved part of the way towards the measurement".to_owned()),
    };
    data.history = (0..200).map(event).collect();
    let line = data.statement.lines[1].clone();
    data.statement.lines = vec![line; 120];
    data.statement.total_sqft = "106488".to_owned();
    let pages = pages(&data);
    assert!(pages.len() > 8, "{}", pages.len());
    let with = |words: &str| pages.iter().filter(|page| page.contains(words)).count();
    assert!(with("When, UTC") >= 5, "{}", with("When, UTC"));
    assert!(with("Area, sq ft") >= 3, "{}", with("Area, sq ft"));
    assert_eq!(with("SHA-256 of finding.json"), pages.len());
    assert!(pages.iter().any(|page| page.contains("106,488.0")));
    assert!(pages.last().unwrap().contains(&format!("page {0} of {0}", pages.len())));
}

#[test]
fn a_house_that_was_drawn_shows_its_plans_with_how_each_part_counts() {
    let text = text(&variance());
    for said in
        ["main house, level 2", "hall, open to below, 524.0 sq ft", "loft", "25' 10\"", "Not a land survey"]
    {
        assert!(text.contains(said), "{said} is missing:\n{text}");
    }
    assert!(!self::text(&no_area()).contains("The plans"), "its areas were stated");
}
