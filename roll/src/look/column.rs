//! What the values of one column come to, counted row by row in bounded memory.

use super::answer::{ColumnFound, ColumnKind, Counted};
use super::cell::{self, Cell, Number};
use super::figures::{counted, figure, grouped, share_text};
use super::words::{self, Words};
use std::collections::{BTreeMap, HashMap, HashSet};
use xxhash_rust::xxh3::xxh3_64;

/// Different values that are told apart over all columns: 16 MiB of hashes at the most.
const DISTINCT_TOTAL: usize = 1 << 20;
/// Numbers that are kept for medians over all columns: 8 MiB.
const NUMBERS_TOTAL: usize = 1 << 20;
/// Different values of a column whose rows are counted one by one.
const VALUES_MAX: usize = 60;
/// Characters of a value that are shown.
pub(super) const SHOWN_CHARS: usize = 40;
/// Examples of a column.
const EXAMPLES: usize = 4;
/// Digits up to which lengths of numbers are counted.
const DIGITS_MAX: usize = 32;
/// Years that stand for "not known" in published files (common practice, no source).
const YEAR_SENTINELS: [i64; 5] = [0, 1, 1_800, 1_900, 9_999];
/// The years of houses.
const YEARS: std::ops::RangeInclusive<i64> = 1_600..=2_100;

/// A column: its name, and what has been counted.
#[derive(Debug)]
pub(super) struct Column {
    pub(super) place: usize,
    pub(super) name: String,
    pub(super) words: Words,
    /// Whether the name is the file's own.
    pub(super) named: bool,
    /// Why its values are not shown, whatever it holds.
    pub(super) hidden: Option<&'static str>,
    pub(super) tally: Tally,
}

/// Counts of one column.
#[derive(Debug, Default)]
pub(super) struct Tally {
    pub(super) rows: u64,
    pub(super) blank: u64,
    pub(super) zero: u64,
    pub(super) numbers: u64,
    pub(super) with_decimals: u64,
    pub(super) grouped: u64,
    pub(super) currency: u64,
    pub(super) negative: u64,
    pub(super) scientific: u64,
    pub(super) dates: u64,
    pub(super) texts: u64,
    pub(super) digits_only: u64,
    pub(super) leading_zero: u64,
    padded: u64,
    spaced: u64,
    /// Values of two words or more without a digit.
    wordy: u64,
    /// Values of four characters or more without a digit.
    lettered: u64,
    missing: BTreeMap<String, u64>,
    /// Of digits-only values other than zero, how many are so long.
    digit_lengths: Vec<u64>,
    distinct: HashSet<u64>,
    distinct_max: usize,
    distinct_full: bool,
    values: HashMap<String, u64>,
    values_full: bool,
    least: Option<f64>,
    most: Option<f64>,
    sampled: Vec<f64>,
    sampled_max: usize,
    in_years: u64,
    year_sentinels: BTreeMap<i64, u64>,
    nonzero_whole: u64,
    tens: u64,
    length_least: u64,
    length_most: u64,
    longest: String,
    examples: Vec<String>,
}

impl Tally {
    /// Counts for one of so many columns.
    pub(super) fn one_of(columns: usize) -> Self {
        let columns = columns.max(1);
        Self {
            distinct_max: (DISTINCT_TOTAL / columns).clamp(64, 200_000),
            sampled_max: (NUMBERS_TOTAL / columns).clamp(64, 20_000),
            digit_lengths: vec![0; DIGITS_MAX + 1],
            ..Self::default()
        }
    }

    /// Takes in one value as it stands in the file.
    pub(super) fn add(&mut self, raw: &str) {
        let value = raw.trim();
        self.rows += 1;
        self.padded += u64::from(value.len() != raw.len() && !value.is_empty());
        if value.is_empty() {
            self.blank += 1;
            return;
        }
        match cell::read(value) {
            Cell::Blank => {}
            Cell::Missing => {
                if self.missing.len() < VALUES_MAX || self.missing.contains_key(value) {
                    *self.missing.entry(value.to_owned()).or_default() += 1;
                }
            }
            Cell::Number(number) => self.add_number(value, number),
            Cell::Scientific => self.scientific += 1,
            Cell::Date => self.dates += 1,
            Cell::Text => {
                self.texts += 1;
                let wordy = value.contains([' ', ',']) && !value.bytes().any(|byte| byte.is_ascii_digit());
                self.wordy += u64::from(wordy);
                let lettered = value.len() > 3 && !value.bytes().any(|byte| byte.is_ascii_digit());
                self.lettered += u64::from(lettered);
            }
        }
        self.spaced += u64::from(value.contains(' '));
        let is_new = self.add_distinct(value);
        self.add_value(value);
        let length = value.chars().count() as u64;
        if self.length_most == 0 || length < self.length_least {
            self.length_least = length;
        }
        if length > self.length_most {
            self.length_most = length;
            self.longest = shortened(value);
        }
        if is_new && self.examples.len() < EXAMPLES {
            self.examples.push(shortened(value));
        }
    }

    fn add_number(&mut self, value: &str, number: Number) {
        self.numbers += 1;
        self.with_decimals += u64::from(number.decimals > 0);
        self.grouped += u64::from(number.grouped);
        self.currency += u64::from(number.currency);
        self.negative += u64::from(number.value < 0.0);
        self.zero += u64::from(number.value == 0.0);
        self.leading_zero += u64::from(number.leading_zero);
        if number.digits_only {
            self.digits_only += 1;
            if let Some(count) = self.digit_lengths.get_mut(value.len().min(DIGITS_MAX))
                && number.value != 0.0
            {
                *count += 1;
            }
        }
        if number.decimals == 0 && number.value.abs() < 1e15 {
            // whole and far below 2^53
            let whole = number.value as i64;
            self.in_years += u64::from(YEARS.contains(&whole));
            if YEAR_SENTINELS.contains(&whole) {
                *self.year_sentinels.entry(whole).or_default() += 1;
            }
            if whole != 0 {
                self.nonzero_whole += 1;
                self.tens += u64::from(whole % 10 == 0);
            }
        }
        self.least = Some(self.least.map_or(number.value, |least| least.min(number.value)));
        self.most = Some(self.most.map_or(number.value, |most| most.max(number.value)));
        if self.sampled.len() < self.sampled_max {
            self.sampled.push(number.value);
        } else {
            // a hash of the count in place of a random number: the same file gives the same answer
            let place = xxh3_64(&self.numbers.to_le_bytes()) % self.numbers;
            if let Some(kept) = usize::try_from(place).ok().and_then(|place| self.sampled.get_mut(place)) {
                *kept = number.value;
            }
        }
    }

    fn add_distinct(&mut self, value: &str) -> bool {
        let hash = xxh3_64(value.as_bytes());
        if self.distinct.len() < self.distinct_max {
            return self.distinct.insert(hash);
        }
        self.distinct_full = self.distinct_full || !self.distinct.contains(&hash);
        false
    }

    fn add_value(&mut self, value: &str) {
        if self.values_full {
            return;
        }
        if let Some(count) = self.values.get_mut(value) {
            *count += 1;
        } else if self.values.len() < VALUES_MAX && value.len() <= 4 * SHOWN_CHARS {
            self.values.insert(value.to_owned(), 1);
        } else {
            self.values_full = true;
            self.values = HashMap::new();
        }
    }

    /// Rows with something that is no word for a missing value.
    pub(super) fn filled(&self) -> u64 {
        self.rows - self.blank - self.missing_rows()
    }

    pub(super) fn missing_rows(&self) -> u64 {
        self.missing.values().sum()
    }

    pub(super) fn missing_words(&self) -> impl Iterator<Item = &str> {
        self.missing.keys().map(String::as_str)
    }

    /// Share of the filled rows in which it is a number.
    pub(super) fn numeric(&self) -> f64 {
        ratio(self.numbers, self.filled())
    }

    /// Different values, of all that are not blank.
    pub(super) fn distinct(&self) -> u64 {
        self.distinct.len() as u64 + u64::from(self.distinct_full)
    }

    /// Share of different values among the rows that have one, or 1 where there are more than were counted.
    pub(super) fn uniqueness(&self) -> f64 {
        if self.distinct_full { 1.0 } else { ratio(self.distinct(), self.rows - self.blank) }
    }

    /// The median of the numbers that are not zero.
    pub(super) fn median_nonzero(&self) -> Option<f64> {
        median(self.sampled.iter().copied().filter(|value| *value != 0.0).collect())
    }

    /// Share of the whole numbers other than zero that end in zero.
    pub(super) fn tens(&self) -> Option<f64> {
        (self.nonzero_whole >= 30).then(|| ratio(self.tens, self.nonzero_whole))
    }

    /// Years that stand for "not known", where they stand in the column.
    pub(super) fn year_sentinels(&self) -> impl Iterator<Item = (i64, u64)> {
        self.year_sentinels.iter().map(|(year, count)| (*year, *count))
    }

    /// The values with their counts, the most frequent first, where there are few.
    pub(super) fn values(&self) -> Vec<(&str, u64)> {
        let mut values: Vec<(&str, u64)> =
            self.values.iter().map(|(value, n)| (value.as_str(), *n)).collect();
        values.sort_by(|one, other| other.1.cmp(&one.1).then(one.0.cmp(other.0)));
        values
    }

    /// The usual length of numbers of digits, and how many are shorter, where leading zeros were probably lost: most
    /// have one length, none is longer, some are shorter, and none begins with a zero.
    pub(super) fn lost_zeros(&self) -> Option<(usize, u64)> {
        if self.leading_zero > 0 || self.digits_only < 20 || self.digits_only * 20 < self.filled() * 19 {
            return None;
        }
        let longest = self.digit_lengths.iter().rposition(|count| *count > 0)?;
        let at_length = self.digit_lengths.get(longest).copied()?;
        let all: u64 = self.digit_lengths.iter().sum();
        let just_shorter = self.digit_lengths.get(longest.checked_sub(1)?).copied()?;
        let shorter = all - at_length;
        // numbers that simply run up have ten times as many of each length as of the one before
        let fits =
            (5..DIGITS_MAX).contains(&longest) && shorter > 0 && just_shorter > 0 && at_length * 2 > all;
        (fits && self.uniqueness() > 0.5).then_some((longest, shorter))
    }

    /// The length that all values have, where they are digits once separators are left out.
    pub(super) fn fixed_digits(&self) -> Option<usize> {
        let longest = self.digit_lengths.iter().rposition(|count| *count > 0)?;
        let all: u64 = self.digit_lengths.iter().sum();
        (self.digits_only == self.filled()
            && self.digit_lengths.get(longest) == Some(&all)
            && longest < DIGITS_MAX)
            .then_some(longest)
    }

    /// Characters of the longest value.
    pub(super) fn length_longest(&self) -> u64 {
        self.length_most
    }

    fn median(&self) -> Option<f64> {
        median(self.sampled.clone())
    }

    fn median_sampled(&self) -> bool {
        self.numbers > self.sampled.len() as u64
    }
}

impl Column {
    /// Why its values are not shown.
    pub(super) fn personal(&self) -> Option<String> {
        if let Some(why) = self.hidden {
            return Some(why.to_owned());
        }
        if self.named
            && let Some(why) = words::personal(&self.words)
        {
            return Some(why.to_owned());
        }
        if self.named && words::names_a_thing(&self.words) {
            return None;
        }
        let tally = &self.tally;
        if !self.named && ratio(tally.lettered, tally.filled()) > 0.3 {
            return Some("no name says what it holds, and its values could be names of people".to_owned());
        }
        let names = ratio(tally.wordy, tally.filled()) > 0.6 && tally.uniqueness() > 0.5 && tally.wordy > 2;
        names.then(|| "its values could be names of people, and its name does not say otherwise".to_owned())
    }

    /// What it seems to hold.
    pub(super) fn kind(&self) -> ColumnKind {
        let (tally, words) = (&self.tally, &self.words);
        let filled = tally.filled();
        if filled == 0 {
            return ColumnKind::Empty;
        }
        if tally.dates * 20 >= filled * 19 {
            return ColumnKind::Date;
        }
        let parcel = words::parcel(words).is_some();
        let unique = tally.uniqueness() > 0.9 && filled >= 3;
        if (tally.numbers + tally.scientific) * 20 >= filled * 19 {
            if parcel || tally.scientific > 0 {
                return ColumnKind::Identifier;
            }
            return self.numeric_kind(unique);
        }
        let compact = tally.length_most <= 32 && tally.spaced * 2 < filled;
        let with_digits = tally.wordy * 10 < filled && tally.texts > 0 && self.has_digits();
        if parcel || (unique && compact && with_digits) {
            return ColumnKind::Identifier;
        }
        if !tally.values_full && tally.length_most <= 30 && (tally.distinct() * 2 <= filled || filled < 6) {
            return ColumnKind::Code;
        }
        ColumnKind::Text
    }

    fn numeric_kind(&self, unique: bool) -> ColumnKind {
        let (tally, words) = (&self.tally, &self.words);
        let area = words::area(words);
        let money = tally.currency > 0 || words::value(words).is_some();
        if area.is_none() && !money && self.years() {
            ColumnKind::Year
        } else if money || words.within(&["PRICE", "AMOUNT", "TAXDUE", "TAXBILLED"]) {
            ColumnKind::Money
        } else if area
            .is_some_and(|area| !matches!(area, words::AreaWord::Other(why) if why.contains("code")))
        {
            ColumnKind::Area
        } else if tally.with_decimals > 0 {
            ColumnKind::Decimal
        } else if unique
            && tally.digits_only == tally.numbers
            && tally.length_most >= 5
            && tally.length_least + 1 >= tally.length_most
        {
            ColumnKind::Identifier
        } else if words::class(words).is_some() || (tally.leading_zero > 0 && !tally.values_full) {
            ColumnKind::Code
        } else {
            ColumnKind::Whole
        }
    }

    /// Whether its numbers are years, but for those that stand for "not known".
    pub(super) fn years(&self) -> bool {
        let tally = &self.tally;
        let unknown: u64 =
            tally.year_sentinels.iter().filter(|(year, _)| !YEARS.contains(year)).map(|(_, n)| n).sum();
        tally.in_years > 0
            && (tally.in_years + unknown) * 50 >= tally.numbers * 49
            && tally.with_decimals == 0
    }

    fn has_digits(&self) -> bool {
        self.tally.examples.iter().any(|example| example.bytes().any(|byte| byte.is_ascii_digit()))
    }

    /// What it holds, in words.
    pub(super) fn summary(&self) -> String {
        let tally = &self.tally;
        if tally.filled() == 0 {
            return "blank in all rows".to_owned();
        }
        let kind = self.kind();
        if let Some(why) = self.personal() {
            return format!("not shown: {why}; {} blank", share_text(tally.blank, tally.rows));
        }
        let range = match (tally.least, tally.most) {
            (Some(least), Some(most)) if tally.numeric() > 0.5 && kind != ColumnKind::Identifier => {
                let show = if kind == ColumnKind::Year { figure } else { grouped };
                if least == most {
                    format!("{} {}", kind.name(), show(least))
                } else {
                    format!("{} {} to {}", kind.name(), show(least), show(most))
                }
            }
            _ => format!("{}, {} different", kind.name(), self.distinct_text()),
        };
        let blank = share_text(tally.blank + tally.missing_rows(), tally.rows);
        let zero = if tally.zero > 0 {
            format!(", {} zero", share_text(tally.zero, tally.rows))
        } else {
            String::new()
        };
        format!("{range}, {blank} blank{zero}")
    }

    fn distinct_text(&self) -> String {
        let least = if self.tally.distinct_full { "at least " } else { "" };
        format!("{least}{}", grouped(self.tally.distinct() as f64))
    }

    /// What is doubtful about it.
    pub(super) fn suspicions(&self) -> Vec<String> {
        let tally = &self.tally;
        let kind = self.kind();
        let mut found = Vec::new();
        if tally.scientific > 0 {
            found.push(format!(
                "{} in scientific notation: a spreadsheet has lost their digits, ask for the file as it was published",
                counted(tally.scientific, "value")
            ));
        }
        if matches!(kind, ColumnKind::Identifier | ColumnKind::Whole)
            && let Some((length, shorter)) = tally.lost_zeros()
        {
            found.push(format!(
                "{shorter} of {} have fewer than {length} digits and none begins with 0: leading zeros were probably lost",
                tally.filled()
            ));
        }
        if kind == ColumnKind::Identifier && tally.dates > 0 {
            let dates = counted(tally.dates, "value");
            found.push(format!("{dates} of the form of a date: a spreadsheet may have changed them"));
        }
        if kind == ColumnKind::Year {
            for (year, rows) in tally.year_sentinels() {
                found.push(format!("{year} in {}, which often means not known", counted(rows, "row")));
            }
        }
        if kind == ColumnKind::Area && tally.zero > 0 {
            found.push(format!(
                "zero in {}, which means missing unless there is no building",
                counted(tally.zero, "row")
            ));
        }
        if kind != ColumnKind::Identifier && tally.numeric() > 0.5 && tally.numbers < tally.filled() {
            let others = counted(tally.filled() - tally.numbers, "value");
            found.push(format!("{others} that cannot be read as a number, where most can"));
        }
        if tally.negative > 0 {
            found.push(format!("{} below zero", counted(tally.negative, "value")));
        }
        if tally.grouped > 0 {
            found.push(format!("{} with commas between thousands", counted(tally.grouped, "value")));
        }
        if tally.padded > 0 {
            found.push(format!("{} with blanks around, which are left out", counted(tally.padded, "value")));
        }
        if kind == ColumnKind::Area
            && let Some(share) = tally.tens().filter(|share| *share > 0.5)
        {
            found.push(format!(
                "{:.0} % end in 0, where 10 % would by chance: the publisher rounds to tens",
                share * 100.0
            ));
        }
        found
    }

    /// All of it.
    pub(super) fn found(&self) -> ColumnFound {
        let tally = &self.tally;
        let personal = self.personal();
        let shown = personal.is_none();
        let few = tally.values().into_iter().map(|(value, rows)| Counted { value: shortened(value), rows });
        ColumnFound {
            place: self.place + 1,
            name: self.name.clone(),
            kind: self.kind(),
            summary: self.summary(),
            blank: tally.blank,
            null_words: tally
                .missing
                .iter()
                .map(|(value, rows)| Counted { value: value.clone(), rows: *rows })
                .collect(),
            zero: tally.zero,
            numbers: tally.numbers,
            distinct: tally.distinct(),
            distinct_is_least: tally.distinct_full,
            least: tally.least.filter(|_| shown),
            median: tally.median().filter(|_| shown),
            most: tally.most.filter(|_| shown),
            median_sampled: tally.median_sampled(),
            length_least: tally.length_least,
            length_most: tally.length_most,
            longest: shown.then(|| tally.longest.clone()).filter(|longest| !longest.is_empty()),
            examples: if shown { tally.examples.clone() } else { Vec::new() },
            values: if shown { few.collect() } else { Vec::new() },
            suspicions: self.suspicions(),
            personal,
        }
    }
}

/// A value as it is shown.
pub(super) fn shortened(value: &str) -> String {
    match value.char_indices().nth(SHOWN_CHARS) {
        Some((end, _)) => format!("{}…", value.get(..end).unwrap_or_default()),
        None => value.to_owned(),
    }
}

/// A share of counts, 0 where there is nothing to take a share of.
pub(super) fn ratio(part: u64, whole: u64) -> f64 {
    if whole == 0 { 0.0 } else { part as f64 / whole as f64 }
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    let upper = values.get(middle).copied()?;
    if values.len() % 2 == 1 {
        return Some(upper);
    }
    let lower = values.get(middle.checked_sub(1)?).copied()?;
    Some(f64::midpoint(lower, upper))
}
