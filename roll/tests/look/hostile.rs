//! Bytes that are no roll give an answer or a clear error, never a panic.

use crossfoot_roll::layout::Layout;
use crossfoot_roll::look::{Look, LookError, Options, look};
use proptest::prelude::*;

fn looked(bytes: &[u8], head_bytes: usize, whole: bool) -> Result<Look, LookError> {
    let found = look(bytes, "a \"strange\"\nname.csv", &[], &Options { head_bytes, whole });
    if let Ok(look) = &found {
        if let Some(proposal) = &look.proposal {
            Layout::from_toml(&proposal.layout)
                .unwrap_or_else(|error| panic!("{error}\n{}", proposal.layout));
        }
        let shown: usize = look.sample.rows.len();
        assert!(shown <= 20 && shown as u64 <= look.rows.counted);
        assert!(serde_json::to_string(look).is_ok());
    }
    found
}

#[test]
fn a_field_of_ten_megabytes_costs_its_row_only() {
    let text = format!("PARCEL,LIVING_AREA\n001,900\n002,{}\n003,950\n", "9".repeat(10 << 20));
    let look = looked(text.as_bytes(), 4 << 20, true).unwrap();
    assert_eq!((look.rows.counted, look.rows.misfits), (2, 1));
    let look = looked("x".repeat(10 << 20).as_bytes(), 4 << 20, false).unwrap();
    assert_eq!((look.rows.counted, look.rows.misfits), (0, 1));
    assert!(look.proposal.is_none());
}

#[test]
fn one_line_and_nul_bytes_are_told() {
    let look = looked(b"PARCEL,LIVING_AREA", 1 << 20, false).unwrap();
    assert_eq!((look.header.present, look.rows.counted), (true, 0));
    assert!(look.notes.iter().any(|note| note == "There is no row of data."), "{:?}", look.notes);
    let text = format!("PARCEL,LIVING_AREA\n{}004,9\0\n", "001,900\n".repeat(20));
    let look = looked(text.as_bytes(), 1 << 20, false).unwrap();
    assert!(look.notes.iter().any(|note| note.starts_with("1 NUL byte:")), "{:?}", look.notes);
    assert!(matches!(looked(&[0; 1000], 1 << 20, false), Err(LookError::NotText { .. })));
    let noise: Vec<u8> = (0..20_000_u32).map(|n| (n.wrapping_mul(2_654_435_761) >> 24) as u8).collect();
    assert!(matches!(looked(&noise, 1 << 20, false), Err(LookError::NotText { .. })));
}

#[test]
fn four_thousand_columns_are_looked_at() {
    let row = |cell: &dyn Fn(usize) -> String| (0..4_000).map(cell).collect::<Vec<_>>().join(",") + "\n";
    let mut text = row(&|n| format!("C{n}"));
    for line in 0..20 {
        text += &row(&|n| (line * 7 + n).to_string());
    }
    let look = looked(text.as_bytes(), 4 << 20, false).unwrap();
    assert_eq!((look.columns.len(), look.rows.counted), (4_000, 20));
    assert_eq!(look.sample.columns.len(), 200);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(100))]

    #[test]
    fn arbitrary_bytes_give_an_answer_or_an_error(bytes in proptest::collection::vec(any::<u8>(), 0..600), head in 1_usize..700, whole: bool) {
        let _answer_or_error = looked(&bytes, head, whole);
    }

    #[test]
    fn pieces_of_rolls_in_any_order_give_an_answer_or_an_error(
        pieces in proptest::collection::vec(
            prop_oneof![
                Just("PARCEL"), Just("LIVING_AREA"), Just("OWNER"), Just("SITUS"), Just("YEAR_BUILT"), Just("VALUE"), Just(","),
                Just("\t"), Just("|"), Just(";"), Just("\n"), Just("\r\n"), Just("\r"), Just("\""), Just("\"\""), Just("001"),
                Just("1,284"), Just("1.2E+10"), Just("ñ"), Just("\u{FEFF}"), Just("\0"), Just("\u{1A}"), Just(" "), Just("$5"),
                Just("1900"), Just("N/A"), Just("-"), Just("'''"), Just("#"), Just("\\"), Just("]"), Just("\u{85}"),
            ],
            0..200,
        ),
        whole: bool,
    ) {
        let _answer_or_error = looked(pieces.concat().as_bytes(), 300, whole);
    }
}
