//! What the files of an edition say about themselves, in sentences with their figures: for its page and its command.

use crossfoot_audit::record::figure::AreaUnit;
use crossfoot_roll::check::{
    CheckSummary, Heaping, IdentityCheck, Quartiles, digit_off, doubles_told, grouped, percent,
};
use crossfoot_roll::layout::Layout;
use crossfoot_store::check::EditionCheck;
use crossfoot_store::object::KeptFile;
use crossfoot_store::source::Edition;
use crossfoot_store::{Store, StoreError};

/// Classes of use that are named.
const CLASSES_NAMED: usize = 5;
/// Probability below which multiples of ten are no chance (common practice, no source).
const NO_CHANCE: f64 = 0.001;
/// A share of rounded areas that is nearly all of them.
const NEARLY_ALL: f64 = 0.9;
/// Probability below which as many are worth a word (common practice, no source).
const UNLIKELY: f64 = 0.05;

/// What is said about one thing: the thing, and sentences that stand for themselves.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Said {
    /// The thing: `Areas`, `Parcel numbers` and so on.
    pub(crate) about: &'static str,
    /// What is said about it.
    pub(crate) sentences: Vec<String>,
}

/// An edition's check with what it is compared with.
pub(crate) struct SelfReport {
    /// The check.
    pub(crate) check: EditionCheck,
    /// The edition that was in use before it.
    before: Option<Before>,
}

/// What an edition is compared with.
struct Before {
    number: i64,
    /// Its median area, square micrometres.
    median_um2: Option<i64>,
    /// Whether it was read by the same layout: under another one a person has said what the figures mean now.
    same_layout: bool,
}

impl SelfReport {
    /// Reads the check of an edition; none where it was not read yet, or before checks were kept.
    ///
    /// # Errors
    /// [`StoreError`] of the database.
    pub(crate) async fn read(store: &Store, edition: &Edition) -> Result<Option<SelfReport>, StoreError> {
        let Some(check) = store.check_of(edition.source, edition.number).await? else { return Ok(None) };
        let numbers = store.edition_numbers(edition.source).await?;
        let before = match numbers.into_iter().rfind(|number| *number < edition.number) {
            Some(number) => {
                let before = store.edition(edition.source, number).await?;
                let same_layout = before.layout.version() == edition.layout.version();
                Some(Before { number, median_um2: before.median_um2, same_layout })
            }
            None => None,
        };
        Ok(Some(SelfReport { check, before }))
    }

    /// All that it says, thing by thing.
    pub(crate) fn said(&self, edition: &Edition) -> Vec<Said> {
        let (check, layout) = (&self.check, &edition.layout);
        let summary = check.counts.summary(layout);
        let mut areas = spread(&summary.area.spread, "an area", unit(&summary));
        areas.extend(self.median(edition));
        let all = [
            ("Areas", areas),
            ("Rounding", rounding(&summary, check.counts.areas_in_parts)),
            ("Change of definition", self.changes(edition)),
            ("Sums", sums(edition, check)),
            ("Parcel numbers", parcel_numbers(&summary, layout)),
            ("Rows of one parcel", doubles(check)),
            ("Values", spread(&summary.value, "a value", "")),
            ("Years built", years(&summary)),
            ("Classes of use", classes(check)),
        ];
        let said = all.into_iter().filter(|(_, sentences)| !sentences.is_empty());
        said.map(|(about, sentences)| Said { about, sentences }).collect()
    }

    fn median(&self, edition: &Edition) -> Option<String> {
        let Before { number, median_um2, .. } = self.before.as_ref()?;
        let (before, now) = (median_um2.filter(|before| *before > 0)?, edition.median_um2?);
        let moved = now as f64 / before as f64 - 1.0;
        let feet = |um2: i64| grouped((um2 as f64 / 92_903_040_000.0).round() as i64);
        Some(format!(
            "The median area is {} sq ft; it was {} in edition {number}, a move of {:+.1} %.",
            feet(now),
            feet(before),
            moved * 100.0
        ))
    }

    /// How areas changed against the edition before, and whether that is an event of the publisher.
    fn changes(&self, edition: &Edition) -> Vec<String> {
        let Some(Before { number: before, same_layout, .. }) = &self.before else { return Vec::new() };
        let changes = &self.check.changes;
        let stood = edition.counts.records_changed + edition.counts.records_unchanged;
        let all = &changes.all;
        let mut sentences = Vec::new();
        if all.changed == 0 {
            sentences.push(format!("No record has another area than in edition {before}."));
        } else {
            let share = if stood > 0 {
                format!(" ({})", percent(all.changed as f64 / stood as f64))
            } else {
                String::new()
            };
            sentences.push(format!(
                "{} of {} records that were in edition {before} have another area now{share}: {} a larger one, {} a \
                 smaller one.",
                grouped(all.changed),
                grouped(stood),
                grouped(all.larger),
                grouped(all.smaller())
            ));
        }
        if changes.appeared > 0 || changes.vanished > 0 {
            sentences.push(format!(
                "{} records had no area and have one, {} had one and have none.",
                grouped(changes.appeared),
                grouped(changes.vanished)
            ));
        }
        let event = self.check.gates.iter().find(|gate| gate.kind == "definition_changed");
        match event {
            Some(gate) => sentences.push(sentence(&gate.sentence)),
            None if all.changed == 0 => {}
            None if *same_layout => {
                sentences.push(
                    "They are too few, or too unlike each other, to be a change of what is counted."
                        .to_owned(),
                );
            }
            None => sentences
                .push("The layout is another one than before, so nothing is concluded from that.".to_owned()),
        }
        sentences
    }
}

/// Begins with a capital, unless it begins with the name of a column or field, and ends with a stop.
pub(crate) fn sentence(words: &str) -> String {
    let first = words.split(' ').next().unwrap_or_default();
    if first.contains('_') {
        return format!("{}.", words.trim_end_matches('.'));
    }
    let mut letters = words.chars();
    let first: String = letters.next().into_iter().flat_map(char::to_uppercase).collect();
    let stop = if words.ends_with('.') { "" } else { "." };
    format!("{first}{}{stop}", letters.as_str())
}

fn unit(summary: &CheckSummary) -> &'static str {
    match summary.area.unit {
        AreaUnit::SquareFeet => " sq ft",
        AreaUnit::SquareMetres => " m²",
    }
}

fn spread(quartiles: &Quartiles, what: &str, unit: &str) -> Vec<String> {
    let figure = |value: f64| grouped(value.round() as i64);
    let rows = grouped(quartiles.n);
    match (quartiles.lower, quartiles.median, quartiles.upper) {
        (Some(lower), Some(median), Some(upper)) if quartiles.n > 0 => vec![format!(
            "{rows} rows state {what}: half of them lie below {}{unit}, and the middle half between {} and {}{unit} \
             (within 0.4 %).",
            figure(median),
            figure(lower),
            figure(upper)
        )],
        _ => vec![format!("No row states {what}.")],
    }
}

fn rounding(summary: &CheckSummary, in_parts: i64) -> Vec<String> {
    let mut sentences = Vec::new();
    if let Some(heaping) = &summary.area.heaping {
        sentences.push(format!(
            "Of {} areas in whole numbers {} are multiples of 10, where 10 % would be by chance, and {} of 100, where 1 \
             % would be.",
            grouped(heaping.whole),
            percent(heaping.by_ten),
            percent(heaping.by_hundred)
        ));
        sentences.push(heaped(heaping, unit(summary)));
    }
    if in_parts > 0 {
        sentences.push(format!("{} areas are no whole number.", grouped(in_parts)));
    }
    sentences
}

fn heaped(heaping: &Heaping, unit: &str) -> String {
    match heaping.step {
        Some(step) => format!("So nearly all areas are rounded to {step}{unit}."),
        None if heaping.p_by_ten < NO_CHANCE && heaping.rounded_share() > NEARLY_ALL => {
            "So nearly all areas are rounded; they are too few to say to what.".to_owned()
        }
        None if heaping.p_by_ten < NO_CHANCE && heaping.rounded_share() > 0.0 => format!(
            "That is more than chance gives (probability {:.1e}): some {} of them are rounded, and nothing says which.",
            heaping.p_by_ten,
            percent(heaping.rounded_share())
        ),
        None if heaping.p_by_ten < UNLIKELY => format!(
            "Chance gives so many with a probability of {}: that is unlikely, and not enough to call it rounding.",
            percent(heaping.p_by_ten)
        ),
        None => "Chance gives as many: no rounding shows.".to_owned(),
    }
}

fn sums(edition: &Edition, check: &EditionCheck) -> Vec<String> {
    // which file a line is of has to be said only where there are several
    let files: Vec<String> = match edition.files.as_slice() {
        [_] => Vec::new(),
        files => files.iter().map(KeptFile::told).collect(),
    };
    check.counts.identities.iter().flat_map(|(name, sum)| sum_said(name, sum, &files)).collect()
}

/// A sum that records must keep, with the rows in which it does not hold.
fn sum_said(name: &str, sum: &IdentityCheck, files: &[String]) -> Vec<String> {
    if sum.checked <= 0 {
        return Vec::new();
    }
    if sum.failed <= 0 {
        return vec![format!("{name} holds in all {} rows that state both sides.", grouped(sum.checked))];
    }
    let mut sentences = vec![format!(
        "{name} does not hold in {} of {} rows ({}).",
        grouped(sum.failed),
        grouped(sum.checked),
        percent(sum.failed as f64 / sum.checked as f64)
    )];
    sentences.extend(sum.examples.iter().map(|row| {
        let file = usize::try_from(row.file).ok().and_then(|file| files.get(file));
        let file = file.map(|name| format!(" of {name}")).unwrap_or_default();
        let digit = digit_off(&row.total, &row.sum).map(|_| ", one digit off").unwrap_or_default();
        format!(
            "For example line {}{file}: parcel {} has {} where its parts come to {}{digit}.",
            row.line, row.parcel, row.total, row.sum
        )
    }));
    sentences
}

fn parcel_numbers(summary: &CheckSummary, layout: &Layout) -> Vec<String> {
    let mut sentences = vec![match summary.scientific_ids {
        0 => "No number is in scientific notation.".to_owned(),
        n => format!(
            "{} numbers are in scientific notation, as 1.23E+13: they have lost digits, and their rows are in quarantine.",
            grouped(n)
        ),
    }];
    if summary.lost_zeros.is_empty() {
        sentences.push("No number is seen to be too short.".to_owned());
    }
    sentences.extend(summary.lost_zeros.iter().map(|lost| {
        let column = layout.parcel.columns.get(lost.part.saturating_sub(1)).map_or("", String::as_str);
        let (short, share) = (grouped(lost.short), percent(lost.share));
        let declared = if lost.declared {
            "that the layout pads to; the zeros are put back for the key"
        } else {
            "that are usual; zeros were lost on the way, and nothing puts them back"
        };
        format!(
            "{short} numbers in {column} ({share}) are shorter than the {} characters {declared}.",
            lost.length
        )
    }));
    sentences
}

fn doubles(check: &EditionCheck) -> Vec<String> {
    let told = doubles_told(&check.doubles);
    if told.is_empty() {
        return vec!["No row has the parcel number of an earlier one.".to_owned()];
    }
    told.iter().map(|part| sentence(part)).collect()
}

fn years(summary: &CheckSummary) -> Vec<String> {
    let years = &summary.years;
    let (Some(first), Some(last)) = (years.first, years.last) else {
        return vec!["No row states a year built.".to_owned()];
    };
    let mut sentences =
        vec![format!("{} rows state a year built, from {first} to {last}.", grouped(years.n))];
    sentences.extend(years.sentinels.iter().map(|(year, n)| {
        format!(
            "The year {year} stands in {} of them ({}), far more than the years beside it: it probably means \"not \
             known\".",
            grouped(*n),
            percent(*n as f64 / years.n.max(1) as f64)
        )
    }));
    sentences
}

fn classes(check: &EditionCheck) -> Vec<String> {
    let mut classes: Vec<(&str, i64)> = check
        .counts
        .classes
        .iter()
        .filter(|(class, _)| !class.is_empty())
        .map(|(class, count)| (class, count.rows))
        .collect();
    classes.sort_by_key(|(class, rows)| (std::cmp::Reverse(*rows), *class));
    if classes.is_empty() {
        return Vec::new();
    }
    let named: Vec<String> = classes
        .iter()
        .take(CLASSES_NAMED)
        .map(|(class, rows)| format!("{class} ({} rows)", grouped(*rows)))
        .collect();
    let more = if classes.len() > CLASSES_NAMED { "the commonest are " } else { "" };
    let several = if classes.len() == 1 { "class" } else { "classes" };
    vec![format!("{} {several}: {more}{}.", grouped(classes.len() as i64), named.join(", "))]
}

#[cfg(test)]
mod tests {
    use crossfoot_roll::check::{IdentityFailure, Tally};

    use super::*;

    #[test]
    fn a_sentence_begins_and_ends_as_one_and_leaves_names_alone() {
        for (words, expected) in [
            ("the areas changed", "The areas changed."),
            ("12 rows.", "12 rows."),
            ("living_area = first_floor does not hold", "living_area = first_floor does not hold."),
            ("", "."),
        ] {
            assert_eq!(sentence(words), expected);
        }
    }

    // A record as published by "Your assessor may be overtaxing you on bad data" (reot.com): above grade 1,693, basement
    // 592, recorded total 2,685, where the sum is 2,285.
    #[test]
    fn a_sum_is_told_with_its_share_and_the_rows_that_fail() {
        let row = |file, line| IdentityFailure {
            file,
            line,
            parcel: "7-1".to_owned(),
            total: "2685".to_owned(),
            sum: "2285".to_owned(),
        };
        let examples = [row(0, 5), row(1, 9)].into_iter().collect();
        let sum = IdentityCheck { checked: 1_200, failed: 3, examples };
        assert_eq!(
            sum_said("total = a + b", &sum, &["one.csv", "two.csv"].map(str::to_owned)),
            [
                "total = a + b does not hold in 3 of 1,200 rows (0.2 %).",
                "For example line 5 of one.csv: parcel 7-1 has 2685 where its parts come to 2285, one digit off.",
                "For example line 9 of two.csv: parcel 7-1 has 2685 where its parts come to 2285, one digit off.",
            ]
        );
        let holds = IdentityCheck { checked: 40, ..IdentityCheck::default() };
        assert_eq!(sum_said("t = a", &holds, &[]), ["t = a holds in all 40 rows that state both sides."]);
        assert!(sum_said("t = a", &IdentityCheck::default(), &[]).is_empty());
    }

    /// Probabilities of `k` or more multiples of ten among 100 areas: `scipy.stats.binom.sf(k - 1, 100, 0.1)` gives
    /// 0.549 for 10, 0.0399 for 16, 0.00198 for 20 and 0.000808 for 21.
    #[test]
    fn rounding_is_claimed_only_where_chance_does_not_explain_it() {
        let told = |tens: i64, all: i64| {
            let mut digits = Tally::default();
            digits.count(30, tens);
            digits.count(37, all - tens);
            Heaping::of(&digits).map(|heaping| heaped(&heaping, " sq ft")).unwrap_or_default()
        };
        assert_eq!(told(10, 100), "Chance gives as many: no rounding shows.");
        assert!(
            told(16, 100).contains("probability of 4.0 %: that is unlikely, and not enough"),
            "{}",
            told(16, 100)
        );
        assert!(told(20, 100).contains("probability of 0.2 %"), "{}", told(20, 100));
        assert!(
            told(21, 100).contains("(probability 8.1e-4): some 12.2 % of them are rounded"),
            "{}",
            told(21, 100)
        );
        assert_eq!(told(99, 100), "So nearly all areas are rounded; they are too few to say to what.");
        assert_eq!(told(290, 300), "So nearly all areas are rounded to 10 sq ft.");
    }
}
