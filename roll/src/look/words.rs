//! The words of the trade in the names of columns: what a publisher means by them, and which of them are about people.
//!
//! Names are after layouts that counties and states publish, such as those of King, Cook, Harris, Denver, Allegheny,
//! Miami-Dade and Polk counties and the Florida tax rolls (data dictionaries and public code that loads them; meanings
//! beyond those are common practice, no source).

/// A column's name, taken apart.
#[derive(Debug, Clone, Default)]
pub(super) struct Words {
    /// Letters and digits alone, in upper case.
    compact: String,
    /// Parts between separators, changes of case, and letters and digits.
    tokens: Vec<String>,
}

impl Words {
    pub(super) fn of(name: &str) -> Words {
        let mut tokens: Vec<String> = Vec::new();
        let mut before: Option<char> = None;
        let letters: Vec<char> = name.chars().collect();
        for (at, letter) in letters.iter().copied().enumerate() {
            if letter.is_alphanumeric() {
                let after_is_small = letters.get(at + 1).is_some_and(|next| next.is_lowercase());
                let begins = before.is_none_or(|last| {
                    (last.is_lowercase() && letter.is_uppercase())
                        || (last.is_uppercase() && letter.is_uppercase() && after_is_small)
                        || last.is_ascii_digit() != letter.is_ascii_digit()
                });
                match tokens.last_mut() {
                    Some(token) if !begins => token.extend(letter.to_uppercase()),
                    Some(_) | None => tokens.push(letter.to_uppercase().collect()),
                }
                before = Some(letter);
            } else {
                before = None;
            }
        }
        Words { compact: tokens.concat(), tokens }
    }

    /// Whether one of the words stands as a whole part of the name, or is the name.
    pub(super) fn token(&self, words: &[&str]) -> bool {
        words.iter().any(|word| self.compact == *word || self.tokens.iter().any(|token| token == word))
    }

    /// Whether one of the words stands anywhere in the name.
    pub(super) fn within(&self, words: &[&str]) -> bool {
        words.iter().any(|word| self.compact.contains(word))
    }

    /// Whether the name is one of the words.
    pub(super) fn is(&self, words: &[&str]) -> bool {
        words.contains(&self.compact.as_str())
    }
}

/// Names of streets and the like are no names of people.
const PLACES: &[&str] = &[
    "STREET",
    "STR",
    "ST",
    "SITE",
    "SITUS",
    "ROAD",
    "RD",
    "SUBDIV",
    "SUBDIVISION",
    "SUB",
    "PLAT",
    "NBHD",
    "NEIGHBORHOOD",
    "CITY",
    "TOWN",
    "TOWNSHIP",
    "COUNTY",
    "MUNI",
    "MUNICIPALITY",
    "SCHOOL",
    "DISTRICT",
    "DIST",
    "CONDO",
    "BUILDING",
    "BLDG",
    "PROJECT",
    "CLASS",
];

/// Parts of names that say an owner.
const OWNER: &[&str] = &["OWNER", "OWNR", "DEEDHOLDER", "LANDLORD"];
/// That say a party to a sale or loan.
const PARTIES: &[&str] = &[
    "BUYER",
    "SELLER",
    "GRANTOR",
    "GRANTEE",
    "VENDOR",
    "VENDEE",
    "PURCHASER",
    "BORROWER",
    "LENDER",
    "MORTGAG",
    "TRUSTEE",
    "FIDUCIARY",
];
/// That say a way to reach a person.
const REACH: &[&str] = &["PHONE", "EMAIL", "CONTACT"];
/// That say another person.
const OTHERS: &[&str] = &[
    "TAXPAYER",
    "TXPYR",
    "TAXPAYR",
    "AGENT",
    "REPRESENTATIVE",
    "OCCUPANT",
    "TENANT",
    "CAREOF",
    "ATTENTION",
    "SPOUSE",
    "LASTNAME",
    "FIRSTNAME",
    "SURNAME",
];
/// That may tell the age, health or service of a person.
const STATUS: &[&str] =
    &["VETERAN", "DISAB", "WIDOW", "SENIOR", "BIRTH", "EXEMPTIONCODE", "EXEMPTCODE", "EXEMPTCD", "HOMESTEAD"];

/// Why a column is about people, by its name.
pub(super) fn personal(words: &Words) -> Option<&'static str> {
    if words.within(OWNER) || words.token(&["OWN", "OWN1", "OWN2"]) {
        return Some("named for the owner");
    }
    if words.within(&["MAIL"]) {
        return Some("named for a mailing address");
    }
    if words.within(PARTIES) {
        return Some("named for a party to a sale or loan");
    }
    if words.within(REACH) || words.token(&["TEL", "CELL", "FAX", "TELEPHONE"]) {
        return Some("named for a way to reach a person");
    }
    if words.within(OTHERS) || words.token(&["ATTN", "SSN", "DOB"]) {
        return Some("named for a person");
    }
    if words.within(STATUS) {
        return Some("may tell the age, health or service of a person");
    }
    let a_name = words.token(&["NAME", "NAMES", "NM", "NAME1", "NAME2"]) || words.compact.ends_with("NAME");
    let of_a_place = words.token(PLACES)
        || words.is(&["STNAME"])
        || words.within(&["STREETNAME", "SUBDIV", "SCHOOL", "NBHD", "CITYNAME", "TOWNNAME", "ROADNAME"]);
    (a_name && !of_a_place).then_some("named for a name, which may be a person's")
}

/// Whether the name says that its text is no person: a place, a description, a kind.
pub(super) fn names_a_thing(words: &Words) -> bool {
    words.token(PLACES)
        || words.within(&[
            "LEGAL", "DESC", "ADDR", "STREET", "LOCATION", "SUBDIV", "USE", "TYPE", "STYLE", "ZON", "PARCEL",
            "BASEMENT", "COND", "QUAL", "ROOF", "WALL", "HEAT", "MATERIAL", "SCHOOL", "NEIGHB", "COUNTY",
            "STATUS", "VIEW", "SITUS",
        ])
}

/// What an area column measures, by its name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum AreaWord {
    /// The area of the house: how well the name says so, and which word says it.
    House { score: i32, word: &'static str, basis: Option<&'static str> },
    /// Something else.
    Other(&'static str),
}

/// Words that stand for an area by themselves.
const WHOLE_WORDS: [(&str, i32, &str, Option<&str>); 7] = [
    ("SFLA", 10, "square feet of living area", None),
    ("ABG", 10, "above grade", Some("finished-above-grade")),
    ("AREAABG", 10, "above grade", Some("finished-above-grade")),
    ("GLA", 10, "gross living area, which is above grade", Some("finished-above-grade")),
    ("TLA", 9, "total living area", None),
    ("GBA", 6, "gross building area", None),
    ("HEATAR", 9, "heated area", None),
];

/// Words that say whose area it is, beside a word for area.
const AREA_WORDS: [(&str, i32, &str, Option<&str>); 13] = [
    ("ABOVEGRADE", 10, "above grade", Some("finished-above-grade")),
    ("LIVING", 10, "living area", None),
    ("LIVABLE", 10, "livable area", None),
    ("LVG", 10, "living area", None),
    ("HEAT", 9, "heated area", None),
    ("FINISHED", 9, "finished area", None),
    ("FIN", 9, "finished area", None),
    ("BUILDING", 7, "building area", None),
    ("BLDG", 7, "building area", None),
    ("GROSS", 6, "gross area", None),
    ("PROPERTY", 5, "area of the property, which may be the building or the land", None),
    ("TOT", 4, "total area, which may be the building or the land", None),
    ("ACT", 4, "actual area, which often counts garages and porches", None),
];

const LAND: &[&str] = &["LAND", "LOT", "ACRE", "PARCELAREA", "SITEAREA"];
const OF_A_PART: &[&str] = &[
    "GARAGE", "GRG", "BSMT", "BASEMENT", "PORCH", "DECK", "PATIO", "POOL", "CARPORT", "ATTIC", "UNFIN",
    "FIRST", "1ST", "2ND", "3RD", "SECOND", "UPPER", "HALF", "COMAREA", "COMM", "OFFICE", "RETAIL", "STRGE",
    "STORAGE", "FACTRY",
];

/// What a column measures, if its name says that it is an area.
pub(super) fn area(words: &Words) -> Option<AreaWord> {
    let unit = words.within(&["AREA", "SQFT", "SQUAREFEET", "SQM", "SQUAREMET", "SPACE", "FOOTAGE"])
        || words.token(&["SF", "AR", "M2"])
        || words.compact.ends_with("SF");
    let alone = WHOLE_WORDS.iter().find(|(word, ..)| words.token(&[word]));
    if !unit && alone.is_none() {
        return None;
    }
    let not = [
        (words.within(LAND), "its name says land"),
        (
            words.within(&["PRICE", "VALUE", "RATE"]) || words.token(&["VAL", "PER", "COST"]),
            "its name says money for an area",
        ),
        (
            words.within(&["SOURCE", "CODE", "DESC", "TAXAREA", "MARKETAREA", "TAXING", "INCLUDED"])
                || words.token(&["SRC", "CD", "FLAG"]),
            "its name says a code or a description",
        ),
        (words.within(OF_A_PART) || words.token(&["GAR"]), "its name says a part of the house only"),
        (
            words.within(&["EFFECTIVE", "ADJUSTED"]) || words.token(&["EFF", "ADJ"]),
            "its name says a weighted area, which is no floor area",
        ),
        (
            words.token(&["BASE", "BASEAR", "PERIMETER", "FLOOR", "FLR", "GROUND", "FOOTPRINT"]),
            "its name says one level or a footprint",
        ),
    ];
    if let Some((_, why)) = not.into_iter().find(|(fits, _)| *fits) {
        return Some(AreaWord::Other(why));
    }
    let found = alone.or_else(|| AREA_WORDS.iter().find(|(word, ..)| words.within(&[word])));
    let (score, word, basis) = match found {
        Some((_, score, word, basis)) => (*score, *word, *basis),
        None => (3, "an area, without saying of what", None),
    };
    Some(AreaWord::House { score, word, basis })
}

/// How well a name says that it is the number of the parcel.
pub(super) fn parcel(words: &Words) -> Option<i32> {
    const EXACT: &[&str] = &[
        "PARCEL",
        "PARCELID",
        "PARCELNUMBER",
        "PARCELNO",
        "PARCELNUM",
        "PARCELNBR",
        "PIN",
        "PIN14",
        "PIN10",
        "APN",
        "BBL",
        "FOLIO",
        "PARID",
        "SCHEDNUM",
        "SSL",
        "GPIN",
        "PPN",
        "STRAP",
        "PARNUM",
        "PARRECNUM",
        "SBL",
        "UPI",
        "PRCLID",
        "TAXPARCEL",
        "PARCELPIN",
        "MAPLOT",
        "TAXMAPNO",
        "TAXMAP",
        "MAPPARCEL",
        "PARCELKEY",
    ];
    const WEAKER: &[&str] = &[
        "ACCT",
        "ACCOUNT",
        "ACCOUNTNO",
        "ACCTNUM",
        "ACCOUNTNUM",
        "REID",
        "PID",
        "PROPID",
        "PROPERTYID",
        "PROPERTYNUMBER",
        "TAXID",
        "KEYNO",
        "SERIALNO",
        "GEOID",
        "QUICKREFID",
        "ACCOUNTNUMBER",
    ];
    if words.is(EXACT) {
        Some(10)
    } else if words.token(&["PIN", "APN", "BBL", "PARID", "FOLIO"])
        || (words.within(&["PARCEL", "PRCL"])
            && words.token(&["ID", "NO", "NUM", "NUMBER", "NBR", "KEY", "PARCEL", "PRCL"]))
    {
        Some(8)
    } else if words.is(WEAKER) {
        Some(5)
    } else {
        None
    }
}

/// Sets of columns that make a parcel number together.
pub(super) const PARCEL_PARTS: [&[&str]; 6] = [
    &["MAJOR", "MINOR"],
    &["BOROUGH", "BLOCK", "LOT"],
    &["BOOK", "MAP", "PARCEL"],
    &["MAP", "BLOCK", "LOT"],
    &["SECTION", "BLOCK", "LOT"],
    &["BLOCK", "LOT"],
];

/// How well a name says that it is the whole address of the property.
pub(super) fn situs_whole(words: &Words) -> Option<i32> {
    const SURE: &[&str] = &[
        "SITUS",
        "SITUSADDRESS",
        "SITUSADDR",
        "SITEADDRESS",
        "SITEADDR",
        "PROPERTYADDRESS",
        "PROPADDR",
        "PROPADDRESS",
        "PROPERTYLOCATION",
        "PROPLOC",
        "PHYADDR1",
        "TRUESITEADDR",
        "PHYSICALADDRESS",
        "LOCATIONADDRESS",
        "SITEADDR1",
        "PROPERTYADDR",
    ];
    if words.is(SURE) {
        Some(10)
    } else if words.within(&["SITUS", "SITEADDR", "PROPADDR"])
        && words.within(&["ADDR"])
        && !words.token(&["2", "3"])
    {
        Some(8)
    } else if words.is(&[
        "LOCATION",
        "ADDRESS",
        "STREETADDRESS",
        "FULLADDRESS",
        "LOCADDR",
        "ADDR",
        "FULLADDR",
    ]) {
        Some(4)
    } else {
        None
    }
}

/// A part of an address in columns of its own, in the order in which it is read out.
pub(super) fn situs_part(words: &Words) -> Option<usize> {
    let about_street = words
        .within(&["SITUS", "SITE", "STREET", "HOUSE", "PROPERTY", "ADDR", "ADR", "PROP", "LOC", "BUILDING"])
        || words.token(&["ST", "STR", "HSE", "SITUS"]);
    if words.within(&["CITY", "ZIP", "STATE", "POSTAL", "TOWN", "COUNTY"]) {
        return None;
    }
    if words.within(&["FRACTION", "HALFNO"]) && !words.within(&["AREA"]) {
        return Some(1);
    }
    if words.within(&["DIRECTIONSUFFIX", "POSTDIR", "SUFDIR", "SUFFIXDIR", "DIRSUF"]) {
        return Some(5);
    }
    if words.within(&[
        "DIRECTIONPREFIX",
        "PREDIR",
        "PREFIXDIR",
        "STREETDIRECTION",
        "STREETDIR",
        "STDIR",
        "ADRDIR",
        "SITUSDIR",
        "SITEDIR",
    ]) {
        return Some(2);
    }
    if about_street && words.token(&["NO", "NUM", "NUMBER", "NBR"])
        || words.is(&["HOUSENO", "ADRNO", "STNO", "HOUSENUMBER", "STREETNUMBER", "PROPERTYHOUSENUM"])
    {
        return Some(0);
    }
    if words.within(&[
        "STREETTYPE",
        "STREETSUFFIX",
        "STTYPE",
        "STSUFFIX",
        "ADRSUF",
        "STREETDESIGNATION",
        "SITUSSUFFIX",
        "SITUSTYPE",
    ]) {
        return Some(4);
    }
    if words.within(&[
        "STREETNAME",
        "SITUSSTREET",
        "SITENAME",
        "ADRSTR",
        "SITESTREET",
        "PROPERTYSTREET",
        "SITUSNAME",
    ]) || words.is(&["STREET", "STNAME"])
    {
        return Some(3);
    }
    (about_street && words.token(&["UNIT", "APT", "SUITE"]) || words.is(&["UNIT", "UNITNO", "UNITNUMBER"]))
        .then_some(6)
}

/// What an amount is, by its name: how well it says the value of the whole property, or what else it is.
pub(super) fn value(words: &Words) -> Option<Result<(i32, &'static str), &'static str>> {
    let money = words.within(&["VALUE", "APPRAIS", "ASSESS", "MARKET", "TOTAPPR", "MKTVAL"])
        || words.token(&["VAL", "JV", "APR", "APRTOT", "FCV", "MKT", "ASMT"])
        || words.compact.ends_with("VAL");
    if !money || words.within(&["DATE", "YEAR", "CODE", "AREA", "CLASS", "RATIO", "NBHD", "MARKETAREA"]) {
        return None;
    }
    let not = [
        (words.within(&["SALE", "PRICE", "CONSID"]), "its name says a sale"),
        (words.within(&["LAND", "LOT"]) || words.token(&["LND"]), "its name says the land only"),
        (
            words.within(&["IMPR", "BLDG", "BUILDING", "IMP", "DWELL", "STRUCT", "XFOB", "FEATURE", "OBY"]),
            "its name says the buildings only",
        ),
        (
            words.within(&["TAXABLE", "EXEMPT", "NETVAL"]) || words.token(&["TV"]),
            "its name says what is left after exemptions",
        ),
        (
            words.within(&["PRIOR", "PREV", "LAST", "OLD"]) || words.token(&["PRI"]),
            "its name says an earlier year",
        ),
        (
            words.within(&["AGRIC", "TIMBER", "USEVALUE"]) || words.token(&["AG"]),
            "its name says a value for farming",
        ),
    ];
    if let Some((_, why)) = not.into_iter().find(|(fits, _)| *fits) {
        return Some(Err(why));
    }
    let kinds = [
        (
            words.within(&["MARKET", "MKT", "JUST", "FAIR", "FULL", "TRUE"]) || words.token(&["JV", "FCV"]),
            9,
            "market or full value",
        ),
        (words.within(&["APPRAIS"]) || words.token(&["APR", "APPR", "APRTOT"]), 8, "appraised value"),
        (words.within(&["TOTAL", "TOT"]), 7, "total value"),
        (
            words.within(&["ASSESS"]) || words.token(&["ASMT"]),
            5,
            "assessed value, which may be a share of the market value",
        ),
    ];
    let kind = kinds.into_iter().find(|(fits, ..)| *fits);
    Some(Ok(kind.map_or((3, "a value, without saying which"), |(_, score, word)| {
        let total = i32::from(words.within(&["TOTAL", "TOT"]));
        (score + total, word)
    })))
}

/// What a year is, by its name: how well it says the year built, or what else it is.
pub(super) fn year(words: &Words) -> Option<Result<i32, &'static str>> {
    let built = words.within(&["BUILT", "BLT", "CONSTRUCTIONYEAR", "YEARCONSTR", "DATEERECTED"])
        || words.token(&["AYB"]);
    let some_year =
        words.within(&["YEAR"]) || words.token(&["YR", "EYB", "YRRMDL"]) || words.compact.starts_with("YR");
    if !built && !some_year {
        return None;
    }
    let not = [
        (words.within(&["EFF", "EYB"]), "its name says an effective year, which is a judgement of condition"),
        (words.within(&["REMOD", "RENOV", "RMDL", "RMK", "REHAB"]), "its name says a year of remodelling"),
        (words.within(&["PRICE", "ESTIMATED", "FLAG", "CODE"]), "its name says something about the year"),
        (!built, "its name does not say built"),
    ];
    if let Some((_, why)) = not.into_iter().find(|(fits, _)| *fits) {
        return Some(Err(why));
    }
    Some(Ok(if words.within(&["ACT", "ORIG"]) || words.token(&["AYB"]) { 11 } else { 10 }))
}

/// How well a name says that it is the class of use.
pub(super) fn class(words: &Words) -> Option<i32> {
    if words.within(&[
        "USECODE",
        "LANDUSE",
        "PROPCLASS",
        "PROPERTYCLASS",
        "BLDGCLASS",
        "CLASSCODE",
        "CLASSCD",
        "STATECLASS",
        "DORUC",
        "DORCODE",
    ]) || words.is(&["CLASS", "LUC", "USECD", "PROPCLASSCD"])
    {
        Some(10)
    } else if words.token(&["USE", "LUC", "CLASS", "CLS"]) && !words.within(&["VALUE", "YEAR", "HOUSE"]) {
        Some(6)
    } else if words.within(&["PROPTYPE", "PROPERTYTYPE", "PROPERTYUSE"]) {
        Some(5)
    } else {
        None
    }
}

/// Further columns worth keeping beside a record: what they hold, and the kind that a layout calls it.
pub(super) fn keep(words: &Words) -> Option<(&'static str, &'static str)> {
    if words.within(&[
        "STORIES",
        "STOREYS",
        "STORYHEIGHT",
        "NUMFLOORS",
        "FLOORCOUNT",
        "NUMBEROFSTORIES",
        "NBRSTORIES",
    ]) || words.token(&["STORY"])
    {
        return Some(("storeys", "text"));
    }
    match (area(words), value(words), year(words)) {
        (Some(AreaWord::Other(why)), ..)
            if why.contains("part of the house") || why.contains("one level") =>
        {
            Some(("a part of the house", "area"))
        }
        (Some(AreaWord::Other(why)), ..) if why.contains("weighted") => Some(("a weighted area", "area")),
        (_, Some(Err(why)), _) if why.contains("land only") || why.contains("buildings only") => {
            Some(("a part of the value", "money"))
        }
        (_, _, Some(Err(why))) if why.contains("effective") || why.contains("remodel") => {
            Some(("a further year of the house", "whole"))
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_come_apart_at_separators_case_and_digits() {
        let parts = |name: &str| Words::of(name).tokens.join(" ");
        assert_eq!(parts("SqFtTotLiving"), "SQ FT TOT LIVING");
        assert_eq!(parts("TOT_LVG_AREA"), "TOT LVG AREA");
        assert_eq!(parts("PINNumber"), "PIN NUMBER");
        assert_eq!(parts("Living sq ft"), "LIVING SQ FT");
        assert_eq!(parts("bldg1_sf"), "BLDG 1 SF");
        assert_eq!(Words::of("Living sq ft").compact, "LIVINGSQFT");
    }

    #[test]
    fn columns_about_people_are_known_by_name() {
        for name in [
            "OWNER_NAME",
            "own1",
            "OwnerAddress",
            "MAIL_CITY",
            "MAILINGSTATE",
            "phone_no",
            "BUYER",
            "Grantor",
            "taxpayer name",
            "NAME",
            "LastName",
            "OWN_ZIPCD",
            "TRUE_OWNER1",
            "E-Mail",
            "ATTN",
            "agent_name",
            "exemption code",
            "FULLNAME",
        ] {
            assert!(personal(&Words::of(name)).is_some(), "{name}");
        }
        for name in [
            "STREET_NAME",
            "StreetName",
            "SITE_NAME",
            "CITY_NAME",
            "SUBDIVISION_NAME",
            "PARCEL",
            "NBHD_NAME",
            "TOWN",
            "STNAME",
            "LIVING_AREA",
            "CELLAR_AREA",
            "SITUS_NO",
            "DOWNTOWN",
        ] {
            assert_eq!(personal(&Words::of(name)), None, "{name}");
        }
    }

    #[test]
    fn the_area_of_the_house_is_told_from_other_areas() {
        let house = |name: &str| matches!(area(&Words::of(name)), Some(AreaWord::House { .. }));
        for name in [
            "SqFtTotLiving",
            "building_sqft",
            "bldgarea",
            "TOT_LVG_AREA",
            "BUILDING_HEATED_AREA",
            "heat_ar",
            "AREA_ABG",
            "FINISHEDLIVINGAREA",
            "total_livable_area",
            "GBA",
            "SFLA",
            "LivableSpace",
            "HEATEDAREA",
            "FIN_AREA",
            "Living sq ft",
            "property_area",
        ] {
            assert!(house(name), "{name}");
        }
        for name in [
            "SqFtGarageAttached",
            "land_sqft",
            "lot_area",
            "FBSMT_SQFT",
            "eff_ar",
            "base_ar",
            "PORCH_AREA",
            "SqFt1stFloor",
            "SqFtUnfinFull",
            "areasource",
            "price_per_sqft",
            "garage_area_included",
        ] {
            assert!(matches!(area(&Words::of(name)), Some(AreaWord::Other(_))), "{name}");
        }
        assert_eq!(area(&Words::of("YEAR_BUILT")), None);
    }

    #[test]
    fn the_basis_is_said_by_the_word_or_not_at_all() {
        let basis = |name: &str| match area(&Words::of(name)) {
            Some(AreaWord::House { basis, .. }) => basis,
            Some(AreaWord::Other(_)) | None => panic!("{name}"),
        };
        assert_eq!(basis("AREA_ABG"), Some("finished-above-grade"));
        assert_eq!(basis("GLA"), Some("finished-above-grade"));
        assert_eq!(basis("LIVING_AREA"), None);
        assert_eq!(basis("bldgarea"), None);
    }

    #[test]
    fn years_and_values_say_which_they_are() {
        let year_of = |name: &str| year(&Words::of(name)).map(|found| found.is_ok());
        for name in [
            "YrBuilt",
            "year_built",
            "YEARBLT",
            "ACT_YR_BLT",
            "CCYRBLT",
            "AYB",
            "year_property_built",
            "date_erected",
            "YR_BLT",
        ] {
            assert_eq!(year_of(name), Some(true), "{name}");
        }
        for name in ["EFF_YR_BLT", "YrRenovated", "CCAGE_RM_YR", "EYB", "roll_year", "TaxYear"] {
            assert_eq!(year_of(name), Some(false), "{name}");
        }
        assert_eq!(year_of("LIVING_AREA"), None);
        let value_of =
            |name: &str| value(&Words::of(name)).map(|found| found.map(|(score, _)| score).unwrap_or(0));
        assert!(value_of("tot_mkt_val") > value_of("assesstot"));
        assert!(value_of("FAIRMARKETTOTAL") > value_of("ASSESSED_VAL_CUR"));
        for name in [
            "LAND_VALUE",
            "IMPR_VALUE",
            "taxable_building_value",
            "APRLAND_VAL",
            "sale_value",
            "prior_market_value",
        ] {
            assert_eq!(value_of(name), Some(0), "{name}");
        }
        assert_eq!(value_of("YEAR_BUILT"), None);
    }
}
