//! Reading values: figures, lengths, parcel keys and addresses against published rules, each named beside its
//! values, and properties that must hold for every value.

use crossfoot_audit::area::{Area, AreaError, AreaSum};
use crossfoot_audit::length::{LENGTH_ABSURD, Length, LengthError, LengthNotation, parse};
use crossfoot_audit::money::{Money, MoneyError};
use crossfoot_audit::record::address::{
    Agreement, StreetAddress, agreement, standard_directional, standard_secondary, standard_suffix,
};
use crossfoot_audit::record::figure::{
    AREA_ABSURD_SQFT, AreaUnit, FigureError, FigureRule, parse_area, parse_decimal_text, parse_money,
    parse_whole,
};
use crossfoot_audit::record::parcel_key::{KeyNormaliser, KeyProblem, KeyRule, KeyRuleError, collisions};
use proptest::prelude::*;

// ---- lengths

fn nanometres(text: &str, notation: LengthNotation) -> i64 {
    parse(text, notation).unwrap_or_else(|error| panic!("{text}: {error}")).nanometres()
}

#[test]
fn units_of_length_are_whole_nanometres() {
    // exact definitions: inch 25.4 mm, foot 304.8 mm (NIST Special Publication 811)
    for (text, expected) in [
        ("1 in", 25_400_000),
        ("1 ft", 304_800_000),
        ("1/64 in", 396_875),
        ("0.01 ft", 3_048_000),
        ("0.1 mm", 100_000),
        ("42 ft 7 3/8 in", 12_988_925_000),
        ("12.5 ft", 3_810_000_000),
        ("739 cm", 7_390_000_000),
        ("7390 mm", 7_390_000_000),
        ("7.39 m", 7_390_000_000),
    ] {
        assert_eq!(nanometres(text, LengthNotation::Unstated), expected, "{text}");
    }
}

#[test]
fn feet_and_inches_are_read_in_every_common_spelling() {
    // 24 ft 3 1/2 in = 291.5 in x 25.4 mm
    for text in [
        "24' 3 1/2\"",
        "24'-3 1/2\"",
        "24' - 3 1/2\"",
        "24′ 3½″",
        "24’3½”",
        "24'3.5\"",
        "24 ft 3 1/2 in",
        "24 ft. 3 1/2 in.",
        "24 feet 3.5 inches",
        "24' 3 1/2''",
        "24' 3½",
        "24 FT 3 1⁄2 IN",
        "  24'  3 1/2\" ",
        "24–3.5 in",
        "291.5 in",
        "291 1/2\"",
    ] {
        assert_eq!(nanometres(text, LengthNotation::Unstated), 7_404_100_000, "{text}");
    }
    for (text, expected) in [
        ("24'", 24 * 304_800_000),
        ("3 1/2\"", 88_900_000),
        ("24' 0\"", 24 * 304_800_000),
        ("30\"", 762_000_000),
    ] {
        assert_eq!(nanometres(text, LengthNotation::Unstated), expected, "{text}");
    }
}

#[test]
fn the_notation_only_says_what_a_bare_text_means() {
    assert_eq!(nanometres("24-3.5", LengthNotation::FeetInches), 7_404_100_000);
    assert_eq!(nanometres("24-3 1/2", LengthNotation::FeetInches), 7_404_100_000);
    assert_eq!(nanometres("24.25", LengthNotation::DecimalFeet), 7_391_400_000);
    assert_eq!(nanometres("7.39", LengthNotation::Metres), 7_390_000_000);
    assert_eq!(nanometres("10.6 ft", LengthNotation::FeetInches), 3_230_880_000);
    for notation in [LengthNotation::Unstated, LengthNotation::DecimalFeet, LengthNotation::Metres] {
        assert!(matches!(parse("24-3.5", notation), Err(LengthError::UnitMissing { .. })), "{notation:?}");
    }
    assert!(matches!(parse("24.25", LengthNotation::Unstated), Err(LengthError::UnitMissing { .. })));
}

#[test]
fn inches_typed_as_tenths_are_refused_with_both_readings() {
    // common practice, no source: 10 ft 6 in typed as 10.6 is 1/10 ft = 6/5 in out
    let error = parse("10.6", LengthNotation::FeetInches).unwrap_err();
    let expected = LengthError::Ambiguous {
        found: "10.6".to_owned(),
        first: "10 ft 6 in".to_owned(),
        second: "10.6 ft = 10 ft 7.2 in".to_owned(),
    };
    assert_eq!(error, expected);
    let apart =
        nanometres("10.6 ft", LengthNotation::Unstated) - nanometres("10 ft 6 in", LengthNotation::Unstated);
    assert_eq!(apart * 5, 6 * 25_400_000);
    for text in ["24", "10.25", "3-1/2", "3 1/2"] {
        let error = parse(text, LengthNotation::FeetInches).unwrap_err();
        assert!(matches!(error, LengthError::Ambiguous { .. }), "{text}: {error}");
    }
}

#[test]
fn texts_that_are_no_length_are_refused_by_reason() {
    let reason = |text: &str| parse(text, LengthNotation::Unstated).unwrap_err();
    for text in ["24' 12\"", "24' 12.0\"", "24 ft 30 in", "24' 11.9999999999999\""] {
        let error = reason(text);
        let expected = if text.contains("9999") {
            LengthError::TooFine { found: text.to_owned() }
        } else {
            LengthError::InchesPastFoot { found: text.to_owned() }
        };
        assert_eq!(error, expected, "{text}");
    }
    for text in ["-24'", "−3 m", "- 1 ft"] {
        assert!(matches!(reason(text), LengthError::Negative { .. }), "{text}");
    }
    for text in
        ["10000.1 ft", "10001'", "99999999999999999999999999999999999999999 m", "9999999999999999999 mm"]
    {
        assert!(matches!(reason(text), LengthError::TooLong { .. }), "{text}");
    }
    for text in ["1.0000001 ft", "1/3 in", "1/128 in", "0.1234567891 m"] {
        assert!(matches!(reason(text), LengthError::TooFine { .. }), "{text}");
    }
    for text in [
        "abc",
        "24'' 3'",
        "24' 3' ",
        "24.5' 3\"",
        "24' 3 7/2\"",
        "1/0 in",
        "24 ft 3 m",
        "1,200 ft",
        "7,39 m",
        "ft",
        "'",
        "3 / in",
        "24 3 1/2 4 in",
        "1.2.3 m",
        "24' --3\"",
        "12m3",
        "½",
        "2 1/2 1/2 in",
        "∞",
        "🏠",
    ] {
        let error = reason(text);
        assert!(
            matches!(error, LengthError::NotALength { .. } | LengthError::UnitMissing { .. }),
            "{text}: {error}"
        );
    }
    assert_eq!(reason("  "), LengthError::Blank);
    assert_eq!(parse("10000 ft", LengthNotation::Unstated), Ok(LENGTH_ABSURD));
    assert_eq!(nanometres("0.123456789 m", LengthNotation::Unstated), 123_456_789);
}

#[test]
fn lengths_are_printed_rounded_once_and_carried() {
    let inches =
        |whole, numerator, denominator| Length::from_inch_fraction(whole, numerator, denominator).unwrap();
    for (length, denominator, expected) in [
        (inches(291, 1, 2), 16, "24' 3 1/2\""),
        (inches(509, 1, 2), 8, "42' 5 1/2\""), // two pieces 300 in and 207 1/2 in, tape end 2 in short
        (inches(505, 1, 2), 8, "42' 1 1/2\""), // the same pieces with the 2-in mark on the corner
        (inches(11, 31, 32), 16, "1' 0\""),
        (inches(3, 0, 1), 1, "0' 3\""),
        (inches(12, 1, 4), 1, "1' 0\""),
        (inches(12, 1, 2), 1, "1' 1\""),
        (inches(12, 1, 2), 0, "1' 1\""),
        (inches(12, 3, 8), 16, "1' 3/8\""),
        (inches(-13, 0, 1), 16, "-1' 1\""),
        (Length::ZERO, 16, "0' 0\""),
    ] {
        assert_eq!(length.to_feet_inches(denominator), expected);
    }
    assert_eq!(inches(291, 1, 2).to_decimal_feet(3), "24.292");
    assert_eq!(inches(291, 1, 2).to_metres(3), "7.404");
    assert_eq!(inches(288, 0, 1).to_feet_f64(), 24.0);
    assert_eq!(Length::from_nanometres(7_390_000_000).to_metres_f64(), 7.39);
    assert_eq!(Length::from_inch_fraction(0, 1, 3), None);
    assert_eq!(Length::from_inch_fraction(0, 1, 0), None);
    assert_eq!(Length::from_inch_fraction(i64::MAX, 0, 1), None);
}

// ---- areas and money

#[test]
fn square_feet_and_square_metres_convert_exactly() {
    // international foot 0.3048 m exactly (NIST Special Publication 811): 1 sq ft = 0.09290304 m2
    for (square_metres, expected) in [("185.8", "1999.9346"), ("1.0", "10.7639")] {
        assert_eq!(Area::parse_square_metres(square_metres).unwrap().to_square_feet(4), expected);
    }
    assert_eq!(Area::from_whole_square_feet(2000).unwrap().to_square_metres(5), "185.80608");
    assert_eq!(Area::parse_square_feet("1").unwrap().square_micrometres(), 92_903_040_000);
    assert_eq!(Area::parse_square_metres("1").unwrap().square_micrometres(), 1_000_000_000_000);
    // 24 ft x 36 ft, doubled, in square nanometres
    let doubled = 2 * (24 * 304_800_000_i128) * (36 * 304_800_000_i128);
    assert_eq!(Area::from_doubled_square_nanometres(doubled), Area::from_whole_square_feet(864));
    assert_eq!(Area::from_doubled_square_nanometres(-doubled), Area::from_whole_square_feet(-864));
    assert_eq!(Area::from_doubled_square_nanometres(1_000_000).unwrap().square_micrometres(), 1);
    assert_eq!(Area::from_doubled_square_nanometres(999_999), Some(Area::ZERO));
    assert_eq!(Area::from_doubled_square_nanometres(i128::MAX), None);
}

#[test]
fn areas_beyond_reach_are_refused() {
    for text in ["99280000", "999999999999999999999999999999999999999999999"] {
        assert!(matches!(Area::parse_square_feet(text), Err(AreaError::TooLarge { .. })), "{text}");
    }
    assert!(matches!(Area::parse_square_feet("12 sf"), Err(AreaError::NotANumber { .. })));
    assert!(matches!(
        Area::parse_square_feet("0.1234567890123456789012345678"),
        Err(AreaError::TooFine { .. })
    ));
    for float in [f64::NAN, f64::INFINITY, 1e9, f64::MAX] {
        assert_eq!(Area::from_square_feet_f64(float), None, "{float}");
    }
    assert_eq!(Area::from_square_feet_f64(f64::MIN_POSITIVE), Some(Area::ZERO));
    assert_eq!(Area::from_square_feet_f64(1284.1), Some(Area::parse_square_feet("1284.1").unwrap()));
    assert_eq!(Area::from_square_micrometres(i64::MAX).checked_add(Area::from_square_micrometres(1)), None);
    let many: AreaSum = std::iter::repeat_n(Area::from_square_micrometres(i64::MAX), 3).sum();
    assert_eq!(many.to_area(), None);
    let two: AreaSum = std::iter::repeat_n(Area::from_whole_square_feet(1284).unwrap(), 2).sum();
    assert_eq!(two.to_area(), Area::from_whole_square_feet(2568));
    assert_eq!(two.to_square_feet_f64(), 2568.0);
}

#[test]
fn money_is_text_with_two_decimals() {
    for (text, cents, printed) in
        [("1234.5", 123_450, "1234.50"), ("-0.01", -1, "-0.01"), ("350000", 35_000_000, "350000.00")]
    {
        let money = Money::parse(text).unwrap();
        assert_eq!((money.cents(), money.to_text().as_str()), (cents, printed));
        assert_eq!(serde_json::to_string(&money).unwrap(), format!("\"{printed}\""));
        assert_eq!(serde_json::from_str::<Money>(&format!("\"{text}\"")).unwrap(), money);
    }
    assert!(matches!(Money::parse("1.005"), Err(MoneyError::TooFine { .. })));
    assert!(matches!(Money::parse("$5"), Err(MoneyError::NotANumber { .. })));
    assert!(matches!(Money::parse("92233720368547758.08"), Err(MoneyError::TooLarge { .. })));
    assert!(serde_json::from_str::<Money>("12.5").is_err(), "a float is refused");
}

// ---- figures of a record

fn rule(null: &[&str], thousands: Option<char>) -> FigureRule {
    FigureRule { null: null.iter().map(|word| (*word).to_owned()).collect(), thousands }
}

#[test]
fn area_figures_are_read_strictly() {
    // common practice, no source
    let declared = rule(&["", "0", "N/A"], Some(','));
    for (raw, expected) in [
        ("0", Ok(None)),
        ("", Ok(None)),
        ("  ", Ok(None)),
        (" 1284 ", Ok(Some("1284"))),
        ("1,284", Ok(Some("1284"))),
        ("1284.50", Ok(Some("1284.5"))),
        ("N/A", Ok(None)),
        ("-1", Err(FigureError::Negative)),
        ("1 284", Err(FigureError::NotANumber)),
        ("1284 SF", Err(FigureError::NotANumber)),
        ("00001284", Ok(Some("1284"))),
        ("1284-", Err(FigureError::Negative)),
        ("1,28", Err(FigureError::NotANumber)),
        ("1.2E+03", Err(FigureError::NotANumber)),
        ("(1284)", Err(FigureError::NotANumber)),
        ("1000000", Ok(Some("1000000"))),
        ("1000000.1", Err(FigureError::Absurd)),
    ] {
        let expected = expected.map(|text| text.map(|text| Area::parse_square_feet(text).unwrap()));
        assert_eq!(parse_area(raw, AreaUnit::SquareFeet, &declared), expected, "{raw:?}");
    }
    let plain = FigureRule::default();
    assert_eq!(parse_area("1,284", AreaUnit::SquareFeet, &plain), Err(FigureError::Thousands));
    assert_eq!(
        parse_area("0", AreaUnit::SquareFeet, &plain),
        Ok(Some(Area::ZERO)),
        "the caller decides on zero"
    );
    assert_eq!(parse_area("NULL", AreaUnit::SquareFeet, &plain), Err(FigureError::NotANumber));
    assert_eq!(
        parse_area("185.8", AreaUnit::SquareMetres, &plain).unwrap(),
        Area::parse_square_metres("185.8").ok()
    );
    assert_eq!(parse_area("93000", AreaUnit::SquareMetres, &plain), Err(FigureError::Absurd));
    assert_eq!(AREA_ABSURD_SQFT, 1_000_000);
}

#[test]
fn whole_numbers_amounts_and_decimals_of_a_record() {
    let plain = FigureRule::default();
    let grouped = rule(&[""], Some(','));
    for (raw, expected) in [
        ("1984", Ok(Some(1984))),
        ("1984.0", Ok(Some(1984))),
        ("0042", Ok(Some(42))),
        ("1984.5", Err(FigureError::TooFine)),
        ("", Ok(None)),
        ("99999999999999999999", Err(FigureError::Absurd)),
        ("12-Mar", Err(FigureError::NotANumber)),
    ] {
        assert_eq!(parse_whole(raw, &plain), expected, "{raw}");
    }
    for (raw, expected) in [
        ("350,000", Ok(Some(35_000_000))),
        ("350000.5", Ok(Some(35_000_050))),
        ("1.005", Err(FigureError::TooFine)),
        ("$1", Err(FigureError::NotANumber)),
    ] {
        assert_eq!(parse_money(raw, &grouped).map(|found| found.map(Money::cents)), expected, "{raw}");
    }
    assert_eq!(parse_decimal_text(" 1.50 ", &plain), Ok(Some("1.50")));
    assert_eq!(parse_decimal_text("", &plain), Ok(None));
    assert_eq!(parse_decimal_text("1½", &plain), Err(FigureError::NotANumber));
    assert_eq!(parse_decimal_text("-1", &plain), Err(FigureError::Negative));
}

#[test]
fn a_figure_rule_reads_from_a_layout_and_units_keep_their_words() {
    assert_eq!(toml::from_str::<FigureRule>("").unwrap(), FigureRule::default());
    assert_eq!(
        toml::from_str::<FigureRule>("null = [\"\", \"N/A\"]\nthousands = \",\"").unwrap(),
        rule(&["", "N/A"], Some(','))
    );
    for (unit, word) in [(AreaUnit::SquareFeet, "\"sqft\""), (AreaUnit::SquareMetres, "\"m2\"")] {
        assert_eq!(serde_json::to_string(&unit).unwrap(), word);
        assert_eq!(serde_json::from_str::<AreaUnit>(word).unwrap(), unit);
    }
}

// ---- parcel keys

fn normaliser(layout: &str) -> KeyNormaliser {
    match toml::from_str::<KeyRule>(layout).map(|rule| rule.compile()) {
        Ok(Ok(normaliser)) => normaliser,
        Ok(Err(error)) => panic!("{layout}: {error}"),
        Err(error) => panic!("{layout}: {error}"),
    }
}

/// The key, `missing`, or the problem's sentence.
fn key(normaliser: &KeyNormaliser, parts: &[&str]) -> String {
    match normaliser.normalise(parts) {
        Ok(Some(key)) => key.to_string(),
        Ok(None) => "missing".to_owned(),
        Err(problem) => problem.to_string(),
    }
}

#[test]
fn parcel_keys_of_known_sources() {
    // Cook County open data: zero-pad to 14 digits (catalog.data.gov, Assessor: Single and Multi-Family
    // Improvement Characteristics)
    let cook = normaliser("strip = \"-. \"\npad_left = [14]\npattern = \"^[0-9]{14}$\"");
    for raw in ["01-23-456-789-0000", "1234567890000", "0123456789.0000"] {
        assert_eq!(key(&cook, &[raw]), "01234567890000", "{raw}");
    }
    // King County: Major is 6 characters, Minor is 4, PIN is their concatenation (www5.kingcounty.gov/sdc,
    // layer parcel_address)
    let king = normaliser("pad_left = [6, 4]");
    for (parts, expected) in [
        (["92503", "9001"], "0925039001"),
        (["092503", "0010"], "0925030010"),
        (["92503 ", "10"], "0925030010"),
    ] {
        assert_eq!(key(&king, &parts), expected);
        assert_eq!(king.normalise_joined(&parts.join("-")).unwrap().unwrap().as_str(), expected);
        assert_eq!(king.normalise_joined(expected).unwrap().unwrap().as_str(), expected);
    }
    // New York City BBL: 1 digit borough, 5 block, 4 lot (PLUTO data dictionary; widths from memory)
    let new_york = normaliser("pad_left = [1, 5, 4]");
    assert_eq!(key(&new_york, &["3", "77", "12"]), "3000770012");
    assert_eq!(key(&new_york, &["4", "16350", "7501"]), "4163507501");
    // Allegheny County data dictionary: 16 character id, letters inside
    let allegheny = normaliser("strip = \"- \"\nupper = true\npattern = \"^[0-9]{4}[A-Z][0-9]{11}$\"");
    assert_eq!(key(&allegheny, &["0023-S-00162-0000-00"]), "0023S00162000000");
    assert_eq!(key(&allegheny, &["0023s00162000000"]), "0023S00162000000");
    assert!(key(&allegheny, &["23S00162000000"]).contains("does not match the pattern of the source"));
    assert_eq!(key(&allegheny, &["0023e00162000000"]), "0023E00162000000", "an E inside is no exponent");
}

#[test]
fn a_number_damaged_by_a_spreadsheet_is_never_repaired() {
    // common practice, no source
    let cook = normaliser("pad_left = [14]\npattern = \"^[0-9]{14}$\"");
    for raw in ["1.23457E+12", "1.23457e+12", "1E+12", "1.23E12"] {
        assert!(key(&cook, &[raw]).contains("scientific notation: digits are lost"), "{raw}");
    }
    for raw in ["12-Mar", "Mar-12", "12-Mar-04", "3/12/2004", "2004-03-12 00:00:00"] {
        assert!(key(&cook, &[raw]).contains("date-like"), "{raw}");
    }
    for raw in ["0", "", "   ", "00-00", "-"] {
        assert_eq!(key(&cook, &[raw]), "missing", "{raw}");
        assert_eq!(cook.normalise_joined(raw), Ok(None), "{raw}");
    }
    assert!(key(&cook, &["0123456789000012"]).contains("longer than 14"));
    let king = normaliser("pad_left = [6, 4]");
    assert_eq!(
        king.normalise(&["92503", " "]),
        Err(KeyProblem::PartBlank { part: 2 }),
        "padding would invent a lot"
    );
    assert_eq!(king.normalise(&["92503"]), Err(KeyProblem::PartCount { found: 1, declared: 2 }));
    assert_eq!(king.normalise(&["", "0"]), Ok(None));
}

#[test]
fn a_rule_is_checked_when_compiled() {
    let broken = KeyRule { pattern: Some("([".to_owned()), ..KeyRule::default() };
    assert!(matches!(broken.compile(), Err(KeyRuleError::Pattern { .. })));
    let wide = KeyRule { pad_left: vec![65], ..KeyRule::default() };
    assert_eq!(wide.compile().err(), Some(KeyRuleError::Width { width: 65 }));
    assert_eq!(toml::from_str::<KeyRule>("").unwrap(), KeyRule::default());
}

#[test]
fn a_constant_tail_is_dropped_and_its_absence_noticed() {
    let rule = normaliser("pad_left = [14]\ndrop_tail = \"0000\"");
    assert_eq!(key(&rule, &["01-23-456-789-0000"]), "0123456789");
    assert_eq!(key(&rule, &["01-23-456-789-1001"]), "01234567891001");
    assert_eq!(rule.normalise_joined("0123456789").unwrap().unwrap().as_str(), "0123456789");
    let joined = normaliser("join = \"-\"\nstrip = \". \"");
    assert_eq!(key(&joined, &["12", "3a"]), "12-3A");
    assert_eq!(joined.normalise_joined("12-3a").unwrap().unwrap().as_str(), "12-3A");
}

#[test]
fn the_collision_test_counts_spellings_that_a_rule_merges() {
    // common practice, no source: distinct raw keys minus distinct normalised keys
    let raw = ["12-3-45", "1-23-45", "123-45", "12345", "012-345"];
    for (layout, expected) in [
        ("strip = \"\"\nupper = false", 0),
        ("strip = \"-\"", 3),
        ("strip = \"-\"\npad_left = [6]", 4), // padding makes leading zeros equal, as stripping them would
    ] {
        assert_eq!(collisions(raw, &normaliser(layout)).len(), expected, "{layout}");
    }
    let found = collisions(["12-3", "12-3", "1-23", "0", "1E+9"], &normaliser(""));
    let pairs: Vec<_> = found.iter().map(|c| (c.first.as_str(), c.second.as_str(), c.key.as_str())).collect();
    assert_eq!(pairs, [("12-3", "1-23", "123")]);
}

// ---- addresses

#[test]
fn suffixes_designators_and_directions_have_one_standard_form() {
    // USPS Publication 28, Appendix C1 (pe.usps.com/text/pub28/28apc_002.htm), from memory, compared with a copy
    for (words, expected) in [
        (
            "ALLEY AVENUE BOULEVARD CIRCLE COURT COVE DRIVE HIGHWAY LANE PARKWAY PLACE ROAD STREET TERRACE TRAIL WAY",
            "ALY AVE BLVD CIR CT CV DR HWY LN PKWY PL RD ST TER TRL WAY",
        ),
        (
            "AV AVEN BOUL CIRCL CRT DRIV HIWAY LA PKY STR TERR TRAILS XING CENTRE MNT PLZA",
            "AVE AVE BLVD CIR CT DR HWY LN PKWY ST TER TRL XING CTR MT PLZ",
        ),
        (
            "CROSSING EXPRESSWAY HOLLOW LANDING MEADOWS POINT RIDGE SPRINGS SQUARE TRACE TURNPIKE VIEW VISTA LOOP RUN PASS",
            "XING EXPY HOLW LNDG MDWS PT RDG SPGS SQ TRCE TPKE VW VIS LOOP RUN PASS",
        ),
    ] {
        let standard: Vec<_> = words.split(' ').map(|word| standard_suffix(word).unwrap_or("none")).collect();
        assert_eq!(standard.join(" "), expected);
    }
    // Appendix C2
    let words = "APARTMENT BASEMENT BUILDING DEPARTMENT FLOOR FRONT LOWER LOT PENTHOUSE REAR ROOM SPACE SUITE TRAILER UNIT UPPER";
    let standard: Vec<_> = words.split(' ').map(|word| standard_secondary(word).unwrap_or("none")).collect();
    assert_eq!(standard.join(" "), "APT BSMT BLDG DEPT FL FRNT LOWR LOT PH REAR RM SPC STE TRLR UNIT UPPR");
    // section 233 (pe.usps.gov/text/pub28/28c2_003.html)
    let words = "NORTH SOUTH EAST WEST NORTHEAST NORTHWEST SOUTHEAST SOUTHWEST";
    let standard: Vec<_> =
        words.split(' ').map(|word| standard_directional(word).unwrap_or("none")).collect();
    assert_eq!(standard.join(" "), "N S E W NE NW SE SW");
}

#[test]
fn the_table_of_suffixes_is_sorted_and_every_row_is_found() {
    let table = include_str!("../src/record/street_suffixes.tsv");
    let rows: Vec<_> = table.lines().filter_map(|line| line.split_once('\t')).collect();
    assert!(table.lines().is_sorted_by(|a, b| a.starts_with('#') || a < b));
    assert!(rows.len() > 540);
    for (spelling, standard) in rows {
        assert_eq!(standard_suffix(spelling), Some(standard), "{spelling}");
        assert_eq!(standard_suffix(standard), Some(standard), "{standard} is its own standard form");
    }
    for word in ["", "#", "A", "OAKMERE", "ZZZ", "STT"] {
        assert_eq!(standard_suffix(word), None, "{word}");
    }
}

/// number | fraction | predir | name | suffix | postdir | unit | rest
fn taken_apart(raw: &str) -> String {
    let a = StreetAddress::parse(raw);
    let parts = [a.number, a.fraction, a.predir, a.name, a.suffix, a.postdir, a.unit, a.rest];
    parts.map(Option::unwrap_or_default).join("|")
}

#[test]
fn addresses_are_taken_apart_after_publication_28() {
    for (raw, expected) in [
        ("101 1/2 Main St.", "101|1/2||MAIN|ST|||"), // section 232, fractional number
        ("289-01 Montgomery Avenue", "289-01|||MONTGOMERY|AVE|||"), // section 232, hyphens are kept
        ("842 E 1700 S", "842||E|1700||S||"),        // Appendix D2, grid style
        ("1482 39.2 RD", "1482|||39.2|RD|||"),       // section 232, significant period
        ("789 Main Avenue Drive", "789|||MAIN AVENUE|DR|||"), // section 234.2, only the last is abbreviated
        ("55 North Avenue", "55|||NORTH|AVE|||"),    // section 233, from memory
        ("1204 Southwest Larkmoor Boulevard, Apartment 3-C", "1204||SW|LARKMOOR|BLVD||APT 3-C|"), // 213, 233
        // the rest: common practice, no source
        ("17 St Osmund St Rear", "17|||SAINT OSMUND|ST||REAR|"),
        ("12B W Fennimore Ct # 4", "12B||W|FENNIMORE|CT||# 4|"),
        ("12B W Fennimore Ct Apt #4", "12B||W|FENNIMORE|CT||APT 4|"),
        ("120 Oakmere Ln, Millbury, FL 34470", "120|||OAKMERE|LN|||MILLBURY, FL 34470"),
        ("120 Oakmere Ln, Upper Marl, MD", "120|||OAKMERE|LN|||UPPER MARL, MD"),
        ("120 Oakmere Ln Bldg 4 Apt 2", "120|||OAKMERE|LN||BLDG 4 APT 2|"),
        ("120½ O'Dell Rd", "120|1/2||ODELL|RD|||"),
        ("101-1/2 Main St", "101|1/2||MAIN|ST|||"),
        ("100 - 104 N.W. Seventh St.", "100-104||NW|7TH|ST|||"),
        ("12 Twenty-First St N", "12|||21ST|ST|N||"),
        ("9 Co Rd 12", "9|||COUNTY ROAD 12||||"),
        ("9 County Road 12", "9|||COUNTY ROAD 12||||"),
        ("9 US Hwy 20 E", "9|||US HIGHWAY 20||E||"),
        ("9 Mt Hope Rd", "9|||MOUNT HOPE|RD|||"),
        ("9 La Jolla Blvd", "9|||LA JOLLA|BLVD|||"),
        ("9 Avenue N", "9|||AVENUE N||||"),
        ("9 Broadway", "9|||BROADWAY||||"),
        ("7th St", "|||7TH|ST|||"),
        ("0 Oakmere Ln", "|||OAKMERE|LN|||"),
        ("N6W23001 Bluemound Rd", "N6W23001|||BLUEMOUND|RD|||"),
        ("500 Ocean Front", "500|||OCEAN FRONT||||"),
        ("", "|||||||"),
    ] {
        assert_eq!(taken_apart(raw), expected, "{raw}");
    }
    // King County style columns: BuildingNumber, Fraction, DirectionPrefix, StreetName, StreetType, DirectionSuffix
    let columns = ["3310 ", "   ", "NE", "QUARRYFIELD              ", "ST  ", "  "];
    let a = StreetAddress::from_columns(&columns);
    assert_eq!(a.raw, "3310 NE QUARRYFIELD ST");
    assert_eq!(taken_apart(&a.raw), "3310||NE|QUARRYFIELD|ST|||");
}

#[test]
fn a_different_house_number_is_never_a_match() {
    // common practice, no source: the house number is a hard rule
    let compare = |a: &str, b: &str| agreement(&StreetAddress::parse(a), &StreetAddress::parse(b));
    for (a, b, expected) in [
        ("120 OAKMERE LN", "122 OAKMERE LN", "the house number is 120 on one side and 122 on the other"),
        ("120 OAKMERE LN", "120 OAKMERE LANE", "agree"),
        ("100-104 OAKMERE LN", "102 OAKMERE LN", "unknown"), // a candidate for a person
        (
            "100-104 OAKMERE LN",
            "103 OAKMERE LN",
            "the house number is 100-104 on one side and 103 on the other",
        ),
        ("120 OAKMERE LN", "1200 OAKMERE LN", "the house number is 120 on one side and 1200 on the other"),
        ("120 OAKMERE LN APT 2", "120 OAKMERE LN APT 3", "agree"), // decides for condominiums only
        ("0120 OAKMERE LN", "120 OAKMERE LN", "agree"),
        ("120 OAKMERE LN", "120 OAKMEER LN", "agree"),
        (
            "120 OAKMERE LN",
            "120 BIRCHWOOD LN",
            "the street is OAKMERE on one side and BIRCHWOOD on the other",
        ),
        ("120 OAKMERE LN", "120 OAKMERE DR", "the street suffix is LN on one side and DR on the other"),
        ("120 OAKMERE", "120 OAKMERE DR", "agree"),
        (
            "120 N OAKMERE LN",
            "120 S OAKMERE LN",
            "the direction before the street is N on one side and S on the other",
        ),
        ("120 117TH ST", "120 127TH ST", "the street is 117TH on one side and 127TH on the other"),
        ("120 7 AVE", "120 SEVENTH AVE", "agree"),
        ("120 ST OSMUND ST", "120 SAINT OSMUND ST", "agree"),
        ("120 1/2 OAKMERE LN", "120 OAKMERE LN", "unknown"),
        ("OAKMERE LN", "120 OAKMERE LN", "unknown"),
        ("0 OAKMERE LN", "120 OAKMERE LN", "unknown"),
        ("120", "120 OAKMERE LN", "unknown"),
    ] {
        let found = match compare(a, b) {
            Agreement::Agree => "agree".to_owned(),
            Agreement::Unknown => "unknown".to_owned(),
            Agreement::Disagree(what) => what,
        };
        assert_eq!(found, expected, "{a} / {b}");
        assert_eq!(
            matches!(compare(b, a), Agreement::Disagree(_)),
            matches!(compare(a, b), Agreement::Disagree(_))
        );
    }
}

// ---- properties

proptest! {
    #[test]
    fn a_printed_length_reads_back_exactly(sixty_fourths in 0_i64..7_680_000) {
        let length = Length::from_inch_fraction(0, sixty_fourths, 64).unwrap();
        prop_assert_eq!(parse(&length.to_feet_inches(64), LengthNotation::Unstated), Ok(length));
    }

    #[test]
    fn thousandths_of_a_foot_and_millimetres_read_back_exactly(count in 0_i64..3_000_000) {
        for (text, per_unit, unit) in [
            (Length::from_nanometres(count * 304_800).to_decimal_feet(3), 304_800, LengthNotation::DecimalFeet),
            (Length::from_nanometres(count * 1_000_000).to_metres(3), 1_000_000, LengthNotation::Metres),
        ] {
            prop_assert_eq!(parse(&text, unit), Ok(Length::from_nanometres(count * per_unit)));
        }
    }

    #[test]
    fn rounding_to_a_sixteenth_moves_a_length_by_at_most_a_thirty_second(nanometres in 0_i64..3_000_000_000_000) {
        let rounded = parse(&Length::from_nanometres(nanometres).to_feet_inches(16), LengthNotation::Unstated).unwrap();
        prop_assert!((rounded.nanometres() - nanometres).abs() * 32 <= 25_400_000);
    }

    #[test]
    fn no_text_makes_a_reader_panic(text in "[-0-9'\"/. ftinmc½−,#E+]{0,24}|\\PC{0,24}") {
        for notation in [LengthNotation::Unstated, LengthNotation::FeetInches, LengthNotation::DecimalFeet, LengthNotation::Metres] {
            if let Ok(length) = parse(&text, notation) {
                prop_assert!(length >= Length::ZERO && length <= LENGTH_ABSURD);
            }
        }
        let _ = Area::parse_square_feet(&text);
        let _ = Money::parse(&text);
        for thousands in [None, Some(','), Some('.'), Some('\u{a0}')] {
            let declared = rule(&[""], thousands);
            let _ = parse_money(&text, &declared);
            let _ = parse_whole(&text, &declared);
            if let Ok(Some(area)) = parse_area(&text, AreaUnit::SquareFeet, &declared) {
                prop_assert!(area >= Area::ZERO);
            }
        }
        let address = StreetAddress::parse(&text);
        prop_assert_eq!(matches!(agreement(&address, &address), Agreement::Disagree(_)), false);
        for layout in ["", "pad_left = [6, 4]", "pad_left = [14]\ndrop_tail = \"0000\""] {
            let _ = normaliser(layout).normalise_joined(&text);
        }
    }

    #[test]
    fn a_stored_area_survives_text_and_float(square_micrometres in -3_000_000_000_000_000_i64..3_000_000_000_000_000) {
        let area = Area::from_square_micrometres(square_micrometres);
        prop_assert_eq!(Area::parse_square_feet(&area.to_square_feet(18)).unwrap(), area);
        prop_assert_eq!(Area::parse_square_metres(&area.to_square_metres(12)).unwrap(), area);
        prop_assert_eq!(Area::from_square_feet_f64(area.to_square_feet_f64()), Some(area));
    }

    #[test]
    fn hundredths_of_a_square_foot_print_as_they_were_read(hundredths in 0_i64..9_000_000_000) {
        let text = format!("{}.{:02}", hundredths / 100, hundredths % 100);
        prop_assert_eq!(Area::parse_square_feet(&text).unwrap().to_square_feet(2), text);
    }

    #[test]
    fn money_reads_back(cents in any::<i64>()) {
        let money = Money::from_cents(cents);
        prop_assert_eq!(Money::parse(&money.to_text()), Ok(money));
    }

    #[test]
    fn a_figure_reads_alike_with_and_without_separators(value in 0_i64..1_000_000) {
        let grouped = if value >= 1000 { format!("{},{:03}", value / 1000, value % 1000) } else { value.to_string() };
        let declared = rule(&[""], Some(','));
        prop_assert_eq!(parse_area(&grouped, AreaUnit::SquareFeet, &declared), Ok(Area::from_whole_square_feet(value)));
        prop_assert_eq!(parse_whole(&grouped, &declared), Ok(Some(value)));
    }

    #[test]
    fn a_key_is_its_own_key(major in 1_u32..1_000_000, minor in 1_u32..10_000) {
        let king = normaliser("pad_left = [6, 4]\npattern = \"^[0-9]{10}$\"");
        let key = king.normalise(&[&major.to_string(), &minor.to_string()]).unwrap().unwrap();
        prop_assert_eq!(king.normalise_joined(key.as_str()).unwrap().unwrap(), key.clone());
        prop_assert_eq!(king.normalise_joined(&format!("{major}-{minor}")).unwrap().unwrap(), key);
    }

    #[test]
    fn an_address_agrees_with_itself_in_small_letters(number in 1_u32..20_000, name in "[A-Z]{3,12}", suffix in "ST|AVE|LN|CT|HOLW") {
        let typed = StreetAddress::parse(&format!("{number} {name} {suffix}"));
        let lower = StreetAddress::parse(&format!("{number} {name} {suffix}.").to_lowercase());
        prop_assert_eq!(agreement(&typed, &lower), Agreement::Agree);
    }
}
