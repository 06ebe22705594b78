//! A situs address, taken apart after Publication 28 of the United States Postal Service: from the right to the
//! left, because the end of a street line is more regular than its middle.
//!
//! A town without a comma before it is not recognised and stays in the street name. The raw text stands beside
//! the parts, and both sides of a comparison must be parsed by this code.

use std::cmp::Ordering;
use unicode_normalization::UnicodeNormalization;

/// Two standardised street names at or above this Jaro-Winkler similarity are taken as one name misspelt
/// (common practice, no source).
pub const NAME_SIMILARITY_MIN: f64 = 0.92;

/// One street address in its parts, all in upper case and standard spelling; a part that is absent is `None`.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub struct StreetAddress {
    /// The text as given.
    pub raw: String,
    /// The primary number without leading zeros: `120`, `289-01`, `12B`. Zero is absent.
    pub number: Option<String>,
    /// A fraction of the number: `1/2`.
    pub fraction: Option<String>,
    /// The direction before the name: `SW`.
    pub predir: Option<String>,
    /// The street name: `SAINT OSMUND`, `7TH`, `COUNTY ROAD 12`.
    pub name: Option<String>,
    /// The standard street suffix: `AVE`.
    pub suffix: Option<String>,
    /// The direction after the suffix.
    pub postdir: Option<String>,
    /// The secondary designator and number: `APT 3-C`, `REAR`, `# 4`.
    pub unit: Option<String>,
    /// What follows the first comma and is no unit: town, state, ZIP code.
    pub rest: Option<String>,
}

/// Whether two addresses can be one house.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Agreement {
    /// Number and street agree.
    Agree,
    /// They cannot be the same house; the sentence says what differs.
    Disagree(String),
    /// Too little to say: a number or name is missing, or one number is only inside the range of the other.
    /// A candidate for a person, never a match.
    Unknown,
}

impl StreetAddress {
    /// Takes an address apart. Nothing is refused: what has no place stays in the name.
    ///
    /// ```
    /// use crossfoot_audit::record::address::StreetAddress;
    /// let situs = StreetAddress::parse("1204 Southwest Larkmoor Boulevard, Apartment 3-C");
    /// assert_eq!(situs.predir.as_deref(), Some("SW"));
    /// assert_eq!(situs.name.as_deref(), Some("LARKMOOR"));
    /// assert_eq!(situs.unit.as_deref(), Some("APT 3-C"));
    /// ```
    #[must_use]
    pub fn parse(text: &str) -> Self {
        let upper = upper_case(text);
        let mut segments = upper.split([',', ';', '\n', '\r']);
        let street = words(segments.next().unwrap_or_default());
        let mut address = Self { raw: text.to_owned(), ..Self::default() };

        let (number, fraction, taken) = number(&street);
        let mut line: Vec<&str> = street.iter().skip(taken).map(String::as_str).collect();
        let mut units = Vec::new();
        while let Some((unit, length)) = unit_at_end(&line) {
            units.insert(0, unit);
            line.truncate(length);
        }

        let mut rest = Vec::new();
        for segment in segments.map(str::trim).filter(|segment| !segment.is_empty()) {
            match unit_segment(&words(segment)) {
                Some(unit) if rest.is_empty() => units.push(unit),
                Some(_) | None => rest.push(segment),
            }
        }

        address.postdir = post_directional(&mut line).map(str::to_owned);
        address.suffix = trailing_suffix(&mut line).map(str::to_owned);
        address.predir = pre_directional(&mut line).map(str::to_owned);
        address.name = present(street_name(&line));
        address.number = number;
        address.fraction = fraction;
        address.unit = present(units.join(" "));
        address.rest = present(rest.join(", "));
        address
    }

    /// An address whose parts the source keeps in columns of their own, in the order of an envelope.
    #[must_use]
    pub fn from_columns(columns: &[&str]) -> Self {
        let joined: Vec<&str> =
            columns.iter().map(|column| column.trim()).filter(|c| !c.is_empty()).collect();
        Self::parse(&joined.join(" "))
    }
}

/// Whether two addresses can be one house. A different house number is never a match, whatever the rest; the
/// unit does not decide, for it is weak for houses.
#[must_use]
pub fn agreement(a: &StreetAddress, b: &StreetAddress) -> Agreement {
    let (Some(number_a), Some(number_b)) = (&a.number, &b.number) else { return Agreement::Unknown };
    let (Some(name_a), Some(name_b)) = (&a.name, &b.name) else { return Agreement::Unknown };
    let in_range = number_a != number_b && (contains(number_a, number_b) || contains(number_b, number_a));
    if number_a != number_b && !in_range {
        return Agreement::Disagree(format!(
            "the house number is {number_a} on one side and {number_b} on the other"
        ));
    }
    if !same_name(name_a, name_b) {
        return Agreement::Disagree(format!("the street is {name_a} on one side and {name_b} on the other"));
    }
    let optional = [
        ("fraction of the house number", &a.fraction, &b.fraction),
        ("street suffix", &a.suffix, &b.suffix),
        ("direction before the street", &a.predir, &b.predir),
        ("direction after the street", &a.postdir, &b.postdir),
    ];
    for (what, part_a, part_b) in optional {
        if let (Some(part_a), Some(part_b)) = (part_a, part_b)
            && part_a != part_b
        {
            return Agreement::Disagree(format!(
                "the {what} is {part_a} on one side and {part_b} on the other"
            ));
        }
    }
    if in_range || a.fraction != b.fraction { Agreement::Unknown } else { Agreement::Agree }
}

/// The standard form of a street suffix, `AVE` for `AVENUE`, after Appendix C1. Upper case only.
#[must_use]
pub fn standard_suffix(word: &str) -> Option<&'static str> {
    let table = include_str!("street_suffixes.tsv");
    let (mut low, mut high) = (0, table.len());
    while low < high {
        let middle = low.saturating_add(high) / 2;
        let start =
            table.get(low..middle)?.rfind('\n').map_or(low, |at| low.saturating_add(at).saturating_add(1));
        let line = table.get(start..high)?.split('\n').next()?;
        let (spelling, standard) = line.split_once('\t').unwrap_or((line, ""));
        match word.cmp(spelling) {
            Ordering::Equal => return Some(standard),
            Ordering::Less => high = start,
            Ordering::Greater => low = start.saturating_add(line.len()).saturating_add(1),
        }
    }
    None
}

/// The standard form of a secondary designator, `STE` for `SUITE`, after Appendix C2. Upper case only.
#[must_use]
pub fn standard_secondary(word: &str) -> Option<&'static str> {
    let standard = match word {
        "APARTMENT" | "APT" => "APT",
        "BASEMENT" | "BSMT" => "BSMT",
        "BUILDING" | "BLDG" => "BLDG",
        "DEPARTMENT" | "DEPT" => "DEPT",
        "FLOOR" | "FL" => "FL",
        "FRONT" | "FRNT" => "FRNT",
        "HANGAR" | "HANGER" | "HNGR" => "HNGR",
        "KEY" => "KEY",
        "LOBBY" | "LBBY" => "LBBY",
        "LOT" => "LOT",
        "LOWER" | "LOWR" => "LOWR",
        "OFFICE" | "OFC" => "OFC",
        "PENTHOUSE" | "PH" => "PH",
        "PIER" => "PIER",
        "REAR" => "REAR",
        "ROOM" | "RM" => "RM",
        "SIDE" => "SIDE",
        "SLIP" => "SLIP",
        "SPACE" | "SPC" => "SPC",
        "STOP" => "STOP",
        "SUITE" | "STE" => "STE",
        "TRAILER" | "TRLR" => "TRLR",
        "UNIT" => "UNIT",
        "UPPER" | "UPPR" => "UPPR",
        _ => return None,
    };
    Some(standard)
}

/// The standard form of a direction, `NE` for `NORTHEAST`, after section 233. Upper case only.
#[must_use]
pub fn standard_directional(word: &str) -> Option<&'static str> {
    let standard = match word {
        "NORTH" | "N" => "N",
        "SOUTH" | "S" => "S",
        "EAST" | "E" => "E",
        "WEST" | "W" => "W",
        "NORTHEAST" | "NE" => "NE",
        "NORTHWEST" | "NW" => "NW",
        "SOUTHEAST" | "SE" => "SE",
        "SOUTHWEST" | "SW" => "SW",
        _ => return None,
    };
    Some(standard)
}

fn upper_case(text: &str) -> String {
    let plain: String = if text.is_ascii() {
        text.to_owned()
    } else {
        // the compatibility form would glue the one half of 101½ to the number
        let spaced = text.replace('½', " 1/2").replace('¼', " 1/4").replace('¾', " 3/4");
        spaced
            .nfkc()
            .map(|character| if matches!(character, '‐' | '‑' | '–' | '—') { '-' } else { character })
            .collect()
    };
    plain.to_uppercase()
}

/// The words of a street line: `#` stands alone, points go unless between digits (`39.2 RD`), slashes go unless
/// in a fraction, and the two halves of `100 - 104` are one word.
fn words(line: &str) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    let mut joins = false;
    for piece in
        line.replace('#', " # ").split(|c: char| c.is_whitespace() || matches!(c, '(' | ')' | '"' | ':'))
    {
        let word = without_marks(piece);
        if word.is_empty() {
            continue;
        }
        let starts_digit = word.starts_with(|c: char| c.is_ascii_digit());
        let previous =
            words.last_mut().filter(|last| last.bytes().all(|byte| byte.is_ascii_digit() || byte == b'-'));
        match previous {
            Some(_) if word == "-" => {
                joins = true;
                continue;
            }
            Some(last) if joins && starts_digit => {
                last.push('-');
                last.push_str(&word);
            }
            Some(_) | None => match word.split_once('/') {
                Some((before, after)) if !fraction(&word) => match fraction_tail(&word) {
                    Some((number, part)) => words.extend([number.to_owned(), part.to_owned()]),
                    None => words
                        .extend([before, after].iter().filter(|w| !w.is_empty()).map(|w| (*w).to_owned())),
                },
                Some(_) | None => words.push(word),
            },
        }
        joins = false;
    }
    words
}

fn without_marks(piece: &str) -> String {
    let mut word = String::with_capacity(piece.len());
    let mut characters = piece.chars().peekable();
    let mut after_digit = false;
    while let Some(character) = characters.next() {
        let before_digit = characters.peek().is_some_and(char::is_ascii_digit);
        let kept = match character {
            '.' => after_digit && before_digit,
            '\'' | '’' | '`' | '*' => false,
            _ => true,
        };
        if kept {
            word.push(character);
        }
        after_digit = character.is_ascii_digit();
    }
    word
}

fn fraction(word: &str) -> bool {
    let digits = |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    word.split_once('/').is_some_and(|(over, under)| digits(over) && digits(under))
}

/// `101-1/2` is number 101 and the fraction 1/2.
fn fraction_tail(word: &str) -> Option<(&str, &str)> {
    word.split_once('-').filter(|(number, part)| !number.is_empty() && fraction(part))
}

/// The primary number and fraction at the front, and how many words they took.
fn number(words: &[String]) -> (Option<String>, Option<String>, usize) {
    let Some(first) = words.first() else { return (None, None, 0) };
    if !house_number(first) {
        return (None, None, 0);
    }
    let fraction = words.get(1).filter(|word| fraction(word)).cloned();
    let taken = if fraction.is_some() { 2 } else { 1 };
    (
        present(first.trim_start_matches('0').to_owned()).filter(|number| !number.starts_with('-')),
        fraction,
        taken,
    )
}

/// Starts with a digit and is no ordinal, or is a grid number such as `N6W23001` (Appendix D).
fn house_number(word: &str) -> bool {
    if word.starts_with(|c: char| c.is_ascii_digit()) {
        return ordinal_digits(word).is_none() && !fraction(word) && !word.contains('.');
    }
    let Some(rest) = word.strip_prefix(['N', 'S', 'E', 'W']) else { return false };
    rest.split_once(['N', 'S', 'E', 'W']).is_some_and(|(first, second)| {
        [first, second].iter().all(|part| !part.is_empty() && part.bytes().all(|byte| byte.is_ascii_digit()))
    })
}

/// The designator and number at the end of a street line, and the length of the line without them.
fn unit_at_end(line: &[&str]) -> Option<(String, usize)> {
    if let Some(at) = line.iter().rposition(|word| *word == "#") {
        let number = line.get(at.saturating_add(1)..)?.join(" ");
        let before = line.get(..at)?;
        return match before {
            [.., designator] if before.len() > 1 && standard_secondary(designator).is_some() => {
                let designator = standard_secondary(designator)?;
                Some((format!("{designator} {number}").trim_end().to_owned(), before.len().saturating_sub(1)))
            }
            _ => Some((format!("# {number}").trim_end().to_owned(), at)),
        };
    }
    match line {
        [street @ .., street_end, designator] if stands_alone(designator) => {
            let complete = !street.is_empty()
                && (standard_suffix(street_end).is_some() || standard_directional(street_end).is_some());
            let designator = standard_secondary(designator).filter(|_| complete)?;
            Some((designator.to_owned(), street.len().saturating_add(1)))
        }
        [street @ .., designator, number] if !street.is_empty() && unit_number(number) => {
            Some((format!("{} {number}", standard_secondary(designator)?), street.len()))
        }
        _ => None,
    }
}

/// A part after a comma that is nothing but a unit; `FL 34470` is Florida and `UPPER MARLBORO` a town.
fn unit_segment(words: &[String]) -> Option<String> {
    let words: Vec<&str> = words.iter().map(String::as_str).filter(|word| !word.is_empty()).collect();
    match words.as_slice() {
        ["#", number] => Some(format!("# {number}")),
        [designator] if stands_alone(designator) => standard_secondary(designator).map(str::to_owned),
        [designator, number] | [designator, "#", number] if unit_number(number) => {
            Some(format!("{} {number}", standard_secondary(designator)?))
        }
        _ => None,
    }
}

fn stands_alone(word: &str) -> bool {
    let alone = ["BSMT", "FRNT", "LBBY", "LOWR", "OFC", "PH", "REAR", "SIDE", "UPPR"];
    standard_secondary(word).is_some_and(|standard| alone.contains(&standard))
}

fn unit_number(word: &str) -> bool {
    let zip = word.len() >= 5 && word.bytes().all(|byte| byte.is_ascii_digit() || byte == b'-');
    !zip && (word.len() <= 2 || word.bytes().any(|byte| byte.is_ascii_digit()))
}

/// `842 E 1700 S` keeps its last direction, `55 AVENUE N` is a name.
fn post_directional(line: &mut Vec<&str>) -> Option<&'static str> {
    let (last, before) = line.split_last()?;
    let standard = standard_directional(last)?;
    let name_remains = match before {
        [] => false,
        [only] => standard_suffix(only).is_none() && standard_directional(only).is_none(),
        [..] => true,
    };
    if !name_remains {
        return None;
    }
    line.pop();
    Some(standard)
}

fn trailing_suffix(line: &mut Vec<&str>) -> Option<&'static str> {
    let standard = standard_suffix(line.last()?).filter(|_| line.len() > 1)?;
    line.pop();
    Some(standard)
}

/// A direction that stands alone before the suffix is the name (`NORTH AVE`), so one word must remain.
fn pre_directional(line: &mut Vec<&str>) -> Option<&'static str> {
    let (standard, taken) = match line.as_slice() {
        ["N", "E", _, ..] => ("NE", 2),
        ["N", "W", _, ..] => ("NW", 2),
        ["S", "E", _, ..] => ("SE", 2),
        ["S", "W", _, ..] => ("SW", 2),
        [first, _, ..] => (standard_directional(first)?, 1),
        _ => return None,
    };
    line.drain(..taken);
    Some(standard)
}

/// The name in one spelling: `ST`, `MT` and `FT` before a name are words, ordinals are digits, hyphens are
/// blanks, and a numbered road has its number after the full word.
fn street_name(line: &[&str]) -> String {
    let spaced = line.join(" ").replace('-', " ");
    let words: Vec<&str> = spaced.split_whitespace().collect();
    if let Some(road) = numbered_road(&words) {
        return road;
    }
    let mut name: Vec<String> = Vec::with_capacity(words.len());
    let mut rest = words.as_slice();
    while let [word, after @ ..] = rest {
        rest = after;
        let saint = if name.is_empty() && !after.is_empty() { before_a_name(word) } else { None };
        let alone = if words.len() == 1 { full_direction(word) } else { None };
        if let Some((tens, unit)) = after.first().and_then(|next| compound_ordinal(word, next)) {
            name.push(ordinal(tens.saturating_add(unit)));
            rest = after.get(1..).unwrap_or_default();
        } else if let Some(value) = ordinal_word(word) {
            name.push(ordinal(value));
        } else {
            name.push(saint.or(alone).unwrap_or(word).to_owned());
        }
    }
    name.join(" ")
}

fn before_a_name(word: &str) -> Option<&'static str> {
    match word {
        "ST" => Some("SAINT"),
        "MT" => Some("MOUNT"),
        "FT" => Some("FORT"),
        _ => None,
    }
}

fn full_direction(word: &str) -> Option<&'static str> {
    match word {
        "N" => Some("NORTH"),
        "S" => Some("SOUTH"),
        "E" => Some("EAST"),
        "W" => Some("WEST"),
        _ => None,
    }
}

/// `CO RD 12`, `CR 12`, `STATE RTE 9`, `US HWY 20`, `HWY 20`.
fn numbered_road(words: &[&str]) -> Option<String> {
    let (number, before) = words.split_last()?;
    if !number.starts_with(|c: char| c.is_ascii_digit()) {
        return None;
    }
    let road = |word: &str| match standard_suffix(word) {
        Some("RD") => Some("ROAD"),
        Some("RTE") => Some("ROUTE"),
        Some("HWY") => Some("HIGHWAY"),
        _ => (word == "RT").then_some("ROUTE"),
    };
    match before {
        ["CR"] => Some(format!("COUNTY ROAD {number}")),
        [kind] => Some(format!("{} {number}", road(kind)?)),
        [owner, kind] => {
            let owner = match *owner {
                "CO" | "CNTY" | "COUNTY" => "COUNTY",
                "ST" | "STATE" => "STATE",
                "US" => "US",
                _ => return None,
            };
            Some(format!("{owner} {} {number}", road(kind)?))
        }
        _ => None,
    }
}

fn ordinal_word(word: &str) -> Option<u8> {
    let words = [
        "FIRST",
        "SECOND",
        "THIRD",
        "FOURTH",
        "FIFTH",
        "SIXTH",
        "SEVENTH",
        "EIGHTH",
        "NINTH",
        "TENTH",
        "ELEVENTH",
        "TWELFTH",
        "THIRTEENTH",
        "FOURTEENTH",
        "FIFTEENTH",
        "SIXTEENTH",
        "SEVENTEENTH",
        "EIGHTEENTH",
        "NINETEENTH",
    ];
    let tens = [
        "TWENTIETH",
        "THIRTIETH",
        "FORTIETH",
        "FIFTIETH",
        "SIXTIETH",
        "SEVENTIETH",
        "EIGHTIETH",
        "NINETIETH",
    ];
    let place =
        |list: &[&str]| list.iter().position(|entry| *entry == word).and_then(|at| u8::try_from(at).ok());
    let below_twenty = place(&words).map(|at| at.saturating_add(1));
    below_twenty.or_else(|| place(&tens).map(|at| at.saturating_add(2).saturating_mul(10)))
}

/// `TWENTY FIRST` in two words.
fn compound_ordinal(tens: &str, unit: &str) -> Option<(u8, u8)> {
    let names = ["TWENTY", "THIRTY", "FORTY", "FIFTY", "SIXTY", "SEVENTY", "EIGHTY", "NINETY"];
    let at = u8::try_from(names.iter().position(|name| *name == tens)?).ok()?;
    let unit = ordinal_word(unit).filter(|unit| *unit < 10)?;
    Some((at.saturating_add(2).saturating_mul(10), unit))
}

fn ordinal(value: u8) -> String {
    let ending = match (value % 10, value % 100) {
        (_, 11..=13) => "TH",
        (1, _) => "ST",
        (2, _) => "ND",
        (3, _) => "RD",
        _ => "TH",
    };
    format!("{value}{ending}")
}

/// The digits of `7TH`.
fn ordinal_digits(word: &str) -> Option<&str> {
    let digits = ["ST", "ND", "RD", "TH"].iter().find_map(|ending| word.strip_suffix(ending))?;
    (!digits.is_empty() && digits.bytes().all(|byte| byte.is_ascii_digit())).then_some(digits)
}

/// Whether a range such as `100-104` contains a number of the same parity. `289-01` and `37-42` are single
/// hyphenated numbers, not ranges.
fn contains(range: &str, number: &str) -> bool {
    let Some((low, high)) = range.split_once('-') else { return false };
    let (Ok(low), Ok(high), Ok(number)) = (low.parse::<u64>(), high.parse::<u64>(), number.parse::<u64>())
    else {
        return false;
    };
    low < high && low % 2 == high % 2 && number % 2 == low % 2 && (low..=high).contains(&number)
}

/// Numbers in a name must be equal; words may be misspelt.
fn same_name(a: &str, b: &str) -> bool {
    let compared = |name: &str| {
        let words = name.split(' ').map(|word| ordinal_digits(word).unwrap_or(word));
        words.collect::<Vec<_>>().join(" ")
    };
    let (a, b) = (compared(a), compared(b));
    let numbers = |name: &str| {
        let words = name.split(' ').filter(|word| word.bytes().any(|byte| byte.is_ascii_digit()));
        words.map(str::to_owned).collect::<Vec<_>>()
    };
    a == b || (numbers(&a) == numbers(&b) && strsim::jaro_winkler(&a, &b) >= NAME_SIMILARITY_MIN)
}

fn present(text: String) -> Option<String> {
    Some(text).filter(|text| !text.is_empty())
}
