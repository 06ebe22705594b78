//! Proposed layouts: which columns are taken for what, and that the file is read by them.

use crate::{all_come_in, at, column, part, proposed, taken};
use crossfoot_roll::layout::Layout;
use crossfoot_roll::look::{ColumnKind, Options, look};
use std::fs;
use std::path::Path;

fn fixture(name: &str) -> Vec<u8> {
    fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join("../fixtures").join(name)).unwrap()
}

fn layout(name: &str) -> Layout {
    Layout::from_toml(std::str::from_utf8(&fixture(name)).unwrap()).unwrap()
}

/// `rows` lines of comma-separated cells, each made of its number.
fn rows(header: &str, rows: u64, row: impl Fn(u64) -> String) -> String {
    let body: String = (0..rows).map(|n| row(n) + "\n").collect();
    format!("{header}\n{body}")
}

#[test]
fn the_countys_roll_is_read_by_what_is_proposed_for_it() {
    let look = at(&fixture("demo/county-roll.csv"));
    assert_eq!(taken(&look, "parcel"), ["PARCEL_NO"]);
    assert_eq!(taken(&look, "situs"), ["SITUS_NO", "SITUS_STREET"]);
    assert_eq!(taken(&look, "area"), ["FIN_AREA"]);
    assert_eq!(taken(&look, "value"), ["TOTAL_VALUE"]);
    assert_eq!(taken(&look, "year_built"), ["YR_BLT"]);
    assert_eq!(taken(&look, "class"), ["CLASS"]);
    // the two rows that the story of the county spoils
    let reading = look.proposal.as_ref().unwrap().reading.as_ref().unwrap();
    let reasons: Vec<&str> = reading.quarantined.iter().map(|reason| reason.reason.as_str()).collect();
    assert_eq!((reading.rows, reasons), (121, vec!["text_in_number", "wrong_column_count"]));
    assert_eq!(proposed(&look).basis, "not-published");
    // the values that lie beside are named with the reason why not
    let why = |column: &str| {
        let others = ["area", "value"].map(|name| part(&look, name).others.clone()).concat();
        others.into_iter().find(|other| other.column == column).map(|other| other.why_not)
    };
    assert_eq!(why("GARAGE_AREA").as_deref(), Some("its name says a part of the house only"));
    assert_eq!(why("LAND_VALUE").as_deref(), Some("its name says the land only"));
    assert_eq!(why("IMPR_VALUE").as_deref(), Some("its name says the buildings only"));
}

#[test]
fn the_treasurers_file_is_read_by_what_is_proposed_for_it() {
    let look = at(&fixture("demo/treasurer.csv"));
    assert_eq!(look.encoding.name, "windows-1252");
    assert!(look.encoding.examples.iter().any(|example| example.value.contains('½')), "{:?}", look.encoding);
    assert_eq!(taken(&look, "parcel"), ["Parcel"]);
    assert_eq!(taken(&look, "situs"), ["Property address"]);
    assert_eq!(taken(&look, "area"), ["Living sq ft"]);
    assert_eq!(taken(&look, "value"), ["Market value"]);
    assert_eq!(taken(&look, "year_built"), ["Built"]);
    let layout = proposed(&look);
    assert_eq!(layout.class.unwrap().vacant, ["Land"]);
    assert_eq!(look.proposal.as_ref().unwrap().refusal, None);
}

#[test]
fn the_layout_that_was_made_for_a_file_fits_it_best() {
    let known = [layout("layouts/basalt-treasurer.toml"), layout("layouts/basalt-county-roll.toml")];
    let bytes = fixture("demo/county-roll.csv");
    let look = look(bytes.as_slice(), "county-roll.csv", &known, &Options::default()).unwrap();
    assert_eq!(look.layouts[0].id, "basalt-county-roll");
    assert_eq!(look.layouts[0].columns_present, look.layouts[0].columns);
    let reading = look.layouts[0].reading.as_ref().unwrap();
    // of the three one is a number that its pattern refuses
    assert_eq!((reading.entries, reading.rows), (118, 121));
    assert!(reading.whole);
    assert!(look.layouts[1].refusal.is_some());
    assert!(look.layouts[1].missing.contains(&"Living sq ft".to_owned()));
}

#[test]
fn what_would_be_quarantined_is_told_by_reason_with_three_examples() {
    let known = [layout("hostile/layout.toml")];
    let bytes = fixture("hostile/roll.csv");
    let look = look(bytes.as_slice(), "roll.csv", &known, &Options::default()).unwrap();
    let Some(reading) = &look.layouts[0].reading else { panic!("{:?}", look.layouts[0].refusal) };
    let total: u64 = reading.quarantined.iter().map(|reason| reason.rows).sum();
    assert_eq!(reading.entries + total, reading.rows);
    assert!(reading.quarantined.len() >= 8, "{:?}", reading.quarantined);
    for reason in &reading.quarantined {
        assert_eq!(reason.examples.len() as u64, reason.rows.min(3), "{reason:?}");
    }
    let thousands = reading.quarantined.iter().find(|reason| reason.reason == "blank_parcel");
    assert!(thousands.is_some_and(|reason| reason.examples[0].line > 1), "{:?}", reading.quarantined);
}

/// Columns after King County's residential buildings (names as published), rows invented; leading zeros lost as in
/// widely copied files of it.
#[test]
fn a_number_in_two_columns_is_put_together_and_lost_zeros_are_put_back() {
    let header = "Major,Minor,BldgNbr,BuildingNumber,Fraction,DirectionPrefix,StreetName,StreetType,DirectionSuffix,\
                  ZipCode,SqFt1stFloor,SqFtTotLiving,SqFtGarageAttached,YrBuilt,YrRenovated,Stories";
    let text = rows(header, 400, |n| {
        format!(
            "{},{},1,{},,N,QUARTZ,ST,,98001,{},{},{},{},0,1",
            10_000 + n * 1_977,
            (n * 13) % 2_000,
            100 + n,
            500 + n,
            10 * (90 + n),
            if n % 3 == 0 { 0 } else { 420 },
            1900 + n % 120
        )
    });
    let look = at(text.as_bytes());
    assert_eq!(taken(&look, "parcel"), ["Major", "Minor"]);
    assert_eq!(proposed(&look).parcel.pad_left, [6, 4]);
    assert_eq!(
        taken(&look, "situs"),
        ["BuildingNumber", "Fraction", "DirectionPrefix", "StreetName", "StreetType"],
        "blank columns are left out; a fraction is rare, and may come further down"
    );
    assert_eq!(taken(&look, "area"), ["SqFtTotLiving"]);
    assert_eq!(proposed(&look).rounding_sqft, Some(10.0));
    assert_eq!(taken(&look, "year_built"), ["YrBuilt"]);
    all_come_in(&look, 400);
}

#[test]
fn lost_zeros_are_suspected_where_numbers_are_short_and_none_begins_with_zero() {
    let text = rows("PIN,SITUS,LIVING_AREA", 300, |n| {
        // nine digits in 10 of 100, ten in the others
        let number = if n % 10 == 0 { 100_000_000 + n * 7 } else { 1_000_000_000 + n * 31 };
        format!("{number},{n} ONYX ST,{}", 900 + n)
    });
    let look = at(text.as_bytes());
    assert!(column(&look, "PIN").suspicions[0].contains("30 of 300 have fewer than 10 digits"), "{look:?}");
    assert_eq!(proposed(&look).parcel.pad_left, [10]);
    // with zeros kept nothing is lost
    let text =
        rows("PIN,SITUS,LIVING_AREA", 300, |n| format!("{:010},{n} ONYX ST,{}", n * 9_999_999, 900 + n));
    let look = at(text.as_bytes());
    assert_eq!(column(&look, "PIN").suspicions, [""; 0]);
    assert_eq!(proposed(&look).parcel.pad_left, [10]);
}

#[test]
fn an_id_in_scientific_notation_is_told_and_never_repaired() {
    let text = rows("PARID,LIVING_AREA", 50, |n| {
        if n % 2 == 0 {
            format!("1.23E+13,{}", 900 + n)
        } else {
            format!("{},{}", 12_300_000_000_000 + n, 900 + n)
        }
    });
    let look = at(text.as_bytes());
    assert!(column(&look, "PARID").suspicions[0].contains("25 values in scientific notation"), "{look:?}");
    let reading = look.proposal.as_ref().unwrap().reading.as_ref().unwrap();
    assert_eq!((reading.entries, reading.quarantined[0].reason.as_str()), (25, "scientific_parcel"));
}

/// Columns after a Florida tax roll (names as published), rows invented.
#[test]
fn columns_about_people_are_named_hidden_and_never_mapped() {
    let header = "CO_NO,PARCEL_ID,DOR_UC,JV,AV_SD,TV_SD,TOT_LVG_AREA,ACT_YR_BLT,EFF_YR_BLT,OWN_NAME,OWN_ADDR1,OWN_CITY,\
                  PHY_ADDR1,PHY_CITY,PHY_ZIPCD";
    let text = rows(header, 60, |n| {
        format!(
            "99,{:010},{:03},{},{},{},{},{},1999,SECRETLY ADA {n},PO BOX {n},HIDEAWAY,{n} AGATE AVE,MICA FALLS,12345",
            7_000 + n,
            n % 4,
            200_000 + n,
            150_000 + n,
            100_000,
            1_000 + n,
            1_950 + n
        )
    });
    let look = at(text.as_bytes());
    for name in ["OWN_NAME", "OWN_ADDR1", "OWN_CITY"] {
        assert!(column(&look, name).personal.is_some(), "{name}");
    }
    let everything = serde_json::to_string(&look).unwrap();
    for secret in ["SECRETLY", "PO BOX", "HIDEAWAY"] {
        assert!(!everything.contains(secret), "{secret}");
    }
    assert!(!look.sample.columns.contains(&"OWN_NAME".to_owned()));
    assert!(look.sample.columns.contains(&"PHY_ADDR1".to_owned()));
    assert_eq!(taken(&look, "parcel"), ["PARCEL_ID"]);
    assert_eq!(taken(&look, "situs"), ["PHY_ADDR1"]);
    assert_eq!(taken(&look, "area"), ["TOT_LVG_AREA"]);
    assert_eq!(taken(&look, "value"), ["JV"]);
    assert_eq!(taken(&look, "year_built"), ["ACT_YR_BLT"]);
    assert_eq!(taken(&look, "class"), ["DOR_UC"]);
    all_come_in(&look, 60);
}

#[test]
fn names_of_people_are_hidden_where_no_header_says_so() {
    let names =
        ["GREENE, ADA", "BLUE, BENJAMIN", "WHITE, CORA", "BROWN, DORA", "GRAY, EDGAR", "BLACK, FLORA"];
    let text: String = (0..60)
        .map(|n| format!("{:09},{} {},{}\n", 1000 + n, names[n % 6], "X".repeat(1 + n / 6), 900 + n))
        .collect();
    let look = at(text.as_bytes());
    assert!(!look.header.present);
    assert!(proposed(&look).table[0].field.iter().all(|field| field.name != "column 2"));
    assert!(!serde_json::to_string(&look).unwrap().contains("GREENE"), "{look:?}");
    assert!(!serde_json::to_string(&look).unwrap().contains("ADA"), "{look:?}");
}

#[test]
fn of_several_areas_the_one_that_says_most_is_taken_and_the_others_are_told() {
    let header =
        "FOLIO,BUILDING_ACTUAL_AREA,BUILDING_HEATED_AREA,LOT_SIZE_AREA,YEAR_BUILT,BUILDING_EFFECTIVE_AREA";
    let text = rows(header, 50, |n| {
        format!("{:013},{},{},7500,{},{}", n + 1, 1500 + n, 1200 + n, 1960 + n, 1400 + n)
    });
    let look = at(text.as_bytes());
    assert_eq!(taken(&look, "area"), ["BUILDING_HEATED_AREA"]);
    let others: Vec<&str> = part(&look, "area").others.iter().map(|other| other.column.as_str()).collect();
    assert_eq!(others, ["BUILDING_ACTUAL_AREA", "LOT_SIZE_AREA", "BUILDING_EFFECTIVE_AREA"]);
    let open = &look.proposal.as_ref().unwrap().open;
    assert!(
        open.iter().any(|open| open.contains("BUILDING_ACTUAL_AREA may be the area to compare with")),
        "{open:?}"
    );
    assert_eq!(proposed(&look).basis, "not-published");
}

#[test]
fn a_basis_is_taken_from_the_columns_word_only_and_that_is_said() {
    let text = rows("SCHEDNUM,AREA_ABG,BSMT_AREA,CCYRBLT", 40, |n| {
        format!("{:013},{},{},{}", n + 1, 1100 + n, 400, 1950 + n)
    });
    let look = at(text.as_bytes());
    assert_eq!(proposed(&look).basis, "finished-above-grade");
    let open = &look.proposal.as_ref().unwrap().open;
    assert!(open.iter().any(|open| open.contains("taken from the name of the column AREA_ABG")), "{open:?}");
}

#[test]
fn square_metres_thousands_and_words_for_missing_are_read_as_they_are_written() {
    let text = rows("Parcel ID\tSite address\tLiving area sqm\tMarket value\tYear built", 40, |n| {
        let area = if n == 3 { "N/A".to_owned() } else { format!("{}.5", 100 + n) };
        let year = if n == 4 { "9999".to_owned() } else { (1950 + n).to_string() };
        format!("A-{n:03}\t{n} 12\" PIPE RD\t{area}\t\"{},{:03}\"\t{year}", 200 + n, n)
    });
    let look = at(text.as_bytes());
    let layout = proposed(&look);
    assert_eq!(layout.area.as_ref().unwrap().null, ["", "N/A"]);
    assert_eq!(serde_json::to_value(layout.area.as_ref().unwrap().unit).unwrap(), "m2");
    assert_eq!(layout.value.as_ref().unwrap().thousands, Some(','));
    assert_eq!(layout.year_built.as_ref().unwrap().null, ["", "0", "9999"]);
    all_come_in(&look, 40);
}

#[test]
fn kinds_are_told_by_names_and_values_together() {
    let text =
        rows("PARCEL,USE,SALE_DATE,STORIES,HALF_BATHS,REMARKS,LAND_SQFT,TAX_YEAR,SALE_PRICE", 80, |n| {
            format!(
                "P{n:05},{},{}/12/1999,{}.5,{},corner lot number {n},{},2026,{}",
                ["R1", "R2"][usize::from(n % 2 == 0)],
                1 + n % 12,
                1 + n % 2,
                n % 3,
                5000 + n,
                90_000 + n
            )
        });
    let look = at(text.as_bytes());
    let kinds: Vec<ColumnKind> = look.columns.iter().map(|column| column.kind).collect();
    use ColumnKind::{Area, Code, Date, Decimal, Identifier, Money, Text, Whole, Year};
    assert_eq!(kinds, [Identifier, Code, Date, Decimal, Whole, Text, Area, Year, Money]);
    assert_eq!(column(&look, "USE").values.iter().map(|value| value.rows).sum::<u64>(), 80);
}

#[test]
fn what_cannot_be_named_is_left_out_of_the_layout() {
    let text = rows("PARCEL,AREA,AREA,,YEAR_BUILT", 30, |n| format!("{:06},1000,1200,x,{}", n + 1, 1950 + n));
    let look = at(text.as_bytes());
    assert_eq!(look.header.duplicates, ["AREA"]);
    assert_eq!(taken(&look, "area"), [""; 0]);
    assert!(look.notes.iter().any(|note| note.contains("AREA stands more than once")), "{:?}", look.notes);
    all_come_in(&look, 30);
}
