//! A field of a table to its text in a row: parts from columns, put together, read as their kind.

use super::slots::Slots;
use crate::entry::Reason;
use crate::header::HeaderError;
use crate::layout::{Combine, Condition, DateOrder, FieldLayout, Operator, Otherwise, Part, ValueKind};
use crate::mapping::shown;
use crossfoot_audit::record::figure::{
    AreaUnit, FigureError, FigureRule, parse_area, parse_decimal_text, parse_money,
};
use jiff::civil::Date;
use rust_decimal::Decimal;
use std::borrow::Cow;
use std::str::FromStr;

/// The last year that is read as one.
const YEAR_MAX: i64 = 9_999;

/// Why a value cannot be read, and by which of the row's texts.
#[derive(Debug)]
pub(super) struct ValueFault {
    pub(super) reason: Reason,
    pub(super) slot: Option<usize>,
    pub(super) detail: String,
}

/// One text of a row.
#[derive(Debug, Clone)]
pub(super) struct PartReader {
    slot: Option<usize>,
    part: Part,
}

impl PartReader {
    pub(super) fn new(part: &Part, group: u32, slots: &mut Slots<'_>) -> Result<Self, HeaderError> {
        Ok(Self { slot: slots.of_part(part, group)?, part: part.clone() })
    }

    pub(super) fn all(parts: &[Part], group: u32, slots: &mut Slots<'_>) -> Result<Vec<Self>, HeaderError> {
        parts.iter().map(|part| Self::new(part, group, slots)).collect()
    }

    /// Where its text stands in the row, if it is no constant.
    pub(super) fn slot(&self) -> Option<usize> {
        self.slot
    }

    /// The text, or blank where it is missing.
    pub(super) fn text<'a>(
        &'a self,
        texts: &'a [String],
        null: &[String],
    ) -> Result<Cow<'a, str>, ValueFault> {
        let part = &self.part;
        if let Some(constant) = &part.constant {
            return Ok(Cow::Borrowed(constant));
        }
        let raw = self.slot.and_then(|slot| texts.get(slot)).map_or("", String::as_str);
        if raw.is_empty() || null.iter().chain(&part.null).any(|word| word.trim() == raw) {
            return Ok(Cow::Borrowed(""));
        }
        let mut text = Cow::Borrowed(raw);
        if !part.strip.is_empty() {
            text = Cow::Owned(text.chars().filter(|letter| !part.strip.contains(*letter)).collect());
        }
        if let Some([from, to]) = part.slice {
            let cut: String =
                text.chars().skip(from.saturating_sub(1)).take(to - from.saturating_sub(1)).collect();
            text = Cow::Owned(cut.trim().to_owned());
        }
        if part.trim_zeros {
            let trimmed = text.trim_start_matches('0');
            let kept = if trimmed.is_empty() && !text.is_empty() { "0" } else { trimmed };
            text = Cow::Owned(kept.to_owned());
        }
        if part.upper {
            text = Cow::Owned(text.to_uppercase());
        }
        if part.pad_left > 0 && !text.is_empty() {
            text = Cow::Owned(format!("{text:0>width$}", width = part.pad_left));
        }
        self.looked_up(text)
    }

    fn looked_up<'a>(&'a self, text: Cow<'a, str>) -> Result<Cow<'a, str>, ValueFault> {
        if self.part.lookup.is_empty() || text.is_empty() {
            return Ok(text);
        }
        if let Some(word) = self.part.lookup.get(text.as_ref()) {
            return Ok(Cow::Borrowed(word));
        }
        match self.part.otherwise {
            Otherwise::Keep => Ok(text),
            Otherwise::Missing => Ok(Cow::Borrowed("")),
            Otherwise::Reject => Err(ValueFault {
                reason: Reason::UnknownCode,
                slot: self.slot,
                detail: format!(
                    "{}: the layout's table of codes does not have it; add it to lookup, or correct it at the source",
                    shown(&text)
                ),
            }),
        }
    }
}

/// Joins parts, missing ones left out.
pub(super) fn joined(parts: &[PartReader], texts: &[String], join: &str) -> Result<String, ValueFault> {
    joined_without(parts, texts, &[], join)
}

fn joined_without(
    parts: &[PartReader],
    texts: &[String],
    null: &[String],
    join: &str,
) -> Result<String, ValueFault> {
    let mut whole = String::new();
    for part in parts {
        let text = part.text(texts, null)?;
        if text.is_empty() {
            continue;
        }
        if !whole.is_empty() {
            whole.push_str(join);
        }
        whole.push_str(&text);
    }
    Ok(whole)
}

/// A condition against the columns of a file.
#[derive(Debug, Clone)]
pub(super) struct ConditionReader {
    slot: usize,
    condition: Condition,
}

impl ConditionReader {
    pub(super) fn all(conditions: &[Condition], slots: &mut Slots<'_>) -> Result<Vec<Self>, HeaderError> {
        let one = |condition: &Condition| {
            Ok(Self { slot: slots.of_column(&condition.column)?, condition: condition.clone() })
        };
        conditions.iter().map(one).collect()
    }

    pub(super) fn holds(&self, texts: &[String]) -> bool {
        let text = texts.get(self.slot).map_or("", String::as_str);
        let condition = &self.condition;
        let values = || condition.value.iter().chain(&condition.values);
        let equal = || values().any(|value| same(text, value));
        let order = |holds: fn(std::cmp::Ordering) -> bool| {
            let number = |text: &str| Decimal::from_str(text.trim()).ok();
            let value = condition.value.as_deref().and_then(number);
            number(text).zip(value).is_some_and(|(text, value)| holds(text.cmp(&value)))
        };
        match condition.op {
            Operator::Eq | Operator::In => equal(),
            Operator::Ne | Operator::NotIn => !equal(),
            Operator::Lt => order(std::cmp::Ordering::is_lt),
            Operator::Le => order(std::cmp::Ordering::is_le),
            Operator::Gt => order(std::cmp::Ordering::is_gt),
            Operator::Ge => order(std::cmp::Ordering::is_ge),
            Operator::Blank => text.is_empty(),
            Operator::Present => !text.is_empty(),
        }
    }
}

fn same(text: &str, value: &str) -> bool {
    let value = value.trim();
    text == value
        || match (Decimal::from_str(text), Decimal::from_str(value)) {
            (Ok(text), Ok(value)) => text == value,
            _ => false,
        }
}

/// A field against the columns of a file.
#[derive(Debug, Clone)]
pub(super) struct FieldReader {
    /// Its number over all tables of the layout.
    pub(super) number: u16,
    /// Which group of columns it reads, from 1; 0 for none.
    pub(super) group: u32,
    field: FieldLayout,
    parts: Vec<PartReader>,
    each: Vec<PartReader>,
    when: Vec<ConditionReader>,
    scale: Option<Decimal>,
    rule: FigureRule,
}

impl FieldReader {
    pub(super) fn new(
        number: u16,
        field: &FieldLayout,
        group: u32,
        slots: &mut Slots<'_>,
    ) -> Result<Self, HeaderError> {
        Ok(Self {
            number,
            group,
            parts: PartReader::all(&field.from.0, group, slots)?,
            each: PartReader::all(&field.each.0, group, slots)?,
            when: ConditionReader::all(&field.when, slots)?,
            scale: field.scale.as_deref().and_then(|scale| Decimal::from_str(scale).ok()),
            rule: FigureRule { null: Vec::new(), thousands: field.thousands },
            field: field.clone(),
        })
    }

    /// The value, and its heading where rows have their own.
    pub(super) fn read(&self, texts: &[String]) -> Result<Option<(String, String)>, ValueFault> {
        if !self.when.iter().all(|condition| condition.holds(texts)) {
            return Ok(None);
        }
        let value = self.value(texts).and_then(|value| match value {
            Some(text) => Ok(Some((text, joined(&self.each, texts, " ")?))),
            None => Ok(None),
        });
        match value {
            Err(_) if self.field.optional => Ok(None),
            value => value,
        }
    }

    fn value(&self, texts: &[String]) -> Result<Option<String>, ValueFault> {
        let null = &self.field.null;
        if self.field.kind.is_figure() {
            return self.figure(texts);
        }
        let text = match self.field.combine {
            Combine::Join | Combine::Sum => joined_without(&self.parts, texts, null, &self.field.join)?,
            Combine::First => {
                let mut first = String::new();
                for part in &self.parts {
                    let text = part.text(texts, null)?;
                    if !text.is_empty() {
                        first = text.into_owned();
                        break;
                    }
                }
                first
            }
        };
        if text.is_empty() {
            return Ok(None);
        }
        if self.field.kind == ValueKind::Date {
            return self.date(&text).map(Some);
        }
        Ok(Some(text))
    }

    fn figure(&self, texts: &[String]) -> Result<Option<String>, ValueFault> {
        let null = &self.field.null;
        let mut total = None;
        let joined = (self.field.combine == Combine::Join && self.parts.len() > 1)
            .then(|| joined_without(&self.parts, texts, null, &self.field.join))
            .transpose()?;
        for (at, part) in self.parts.iter().enumerate() {
            let text = match &joined {
                Some(_) if at > 0 => break,
                Some(joined) => Cow::Borrowed(joined.as_str()),
                None => part.text(texts, null)?,
            };
            let number = self.number(&text).map_err(|error| self.fault(error, part, &text))?;
            let Some(number) = number else { continue };
            let scaled = match self.scale {
                Some(scale) => {
                    number.checked_mul(scale).ok_or_else(|| self.fault(FigureError::Absurd, part, &text))?
                }
                None => number,
            };
            self.fits(scaled).map_err(|error| self.fault(error, part, &text))?;
            total = match total {
                None => Some(scaled),
                Some(before) => Some(
                    scaled.checked_add(before).ok_or_else(|| self.fault(FigureError::Absurd, part, &text))?,
                ),
            };
            if self.field.combine == Combine::First {
                break;
            }
        }
        Ok(total.map(|total: Decimal| total.normalize().to_string()))
    }

    fn number(&self, text: &str) -> Result<Option<Decimal>, FigureError> {
        let Some(written) = parse_decimal_text(text, &FigureRule { null: Vec::new(), thousands: None })
            .or_else(|error| self.without_thousands(text, error))?
        else {
            return Ok(None);
        };
        let plain: String = written.chars().filter(|letter| Some(*letter) != self.rule.thousands).collect();
        let number = Decimal::from_str(&plain).map_err(|_| FigureError::Absurd)?;
        Ok(Some(number).filter(|number| !(self.field.zero_missing && number.is_zero())))
    }

    /// `parse_decimal_text` knows no separators; the rule for whole numbers and money does.
    fn without_thousands<'a>(
        &self,
        text: &'a str,
        error: FigureError,
    ) -> Result<Option<&'a str>, FigureError> {
        if self.rule.thousands.is_none() {
            return Err(error);
        }
        match parse_money(text, &self.rule) {
            Ok(amount) => Ok(amount.map(|_| text)),
            Err(error) => Err(error),
        }
    }

    /// Whether a number is one of its kind.
    fn fits(&self, number: Decimal) -> Result<(), FigureError> {
        let rule = FigureRule { null: Vec::new(), thousands: None };
        let text = number.normalize().to_string();
        match self.field.kind {
            ValueKind::Area => parse_area(&text, area_unit(&self.field), &rule).map(|_| ()),
            ValueKind::Money => parse_money(&text, &rule).map(|_| ()),
            ValueKind::Year if number > Decimal::from(YEAR_MAX) => Err(FigureError::Absurd),
            ValueKind::Whole | ValueKind::Year if !number.fract().is_zero() => Err(FigureError::TooFine),
            ValueKind::Whole | ValueKind::Year | ValueKind::Decimal | ValueKind::Text | ValueKind::Date => {
                Ok(())
            }
        }
    }

    fn fault(&self, error: FigureError, part: &PartReader, text: &str) -> ValueFault {
        let reason = match error {
            FigureError::Thousands => Reason::ThousandsSeparator,
            FigureError::Negative => Reason::NegativeNumber,
            FigureError::Absurd if self.field.kind == ValueKind::Area => Reason::AbsurdArea,
            FigureError::NotANumber | FigureError::TooFine | FigureError::Absurd => Reason::TextInNumber,
        };
        ValueFault { reason, slot: part.slot(), detail: format!("{}: {error}", shown(text)) }
    }

    fn date(&self, text: &str) -> Result<String, ValueFault> {
        date(text, self.field.date).ok_or_else(|| ValueFault {
            reason: Reason::BadDate,
            slot: self.parts.first().and_then(PartReader::slot),
            detail: format!(
                "{}: no date in the order {}; set date in the layout, or correct it at the source",
                shown(text),
                match self.field.date {
                    DateOrder::Ymd => "year, month, day",
                    DateOrder::Mdy => "month, day, year",
                    DateOrder::Dmy => "day, month, year",
                }
            ),
        })
    }
}

/// The unit that floor areas are read in.
pub(crate) fn area_unit(field: &FieldLayout) -> AreaUnit {
    match field.unit {
        Some(crate::layout::Unit::M2) => AreaUnit::SquareMetres,
        _ => AreaUnit::SquareFeet,
    }
}

/// A date as year, month, day; a time behind it is left off.
fn date(text: &str, order: DateOrder) -> Option<String> {
    let day = text.split(['T', ' ']).next()?;
    let parts: Vec<&str> = match day.len() {
        8 if day.bytes().all(|byte| byte.is_ascii_digit()) => {
            let cuts = if order == DateOrder::Ymd { [0, 4, 6, 8] } else { [0, 2, 4, 8] };
            cuts.windows(2).filter_map(|pair| day.get(*pair.first()?..*pair.get(1)?)).collect()
        }
        _ => day.split(['-', '/', '.']).collect(),
    };
    let [first, second, third] = parts.as_slice() else { return None };
    let (year, month, day) = match order {
        DateOrder::Ymd => (first, second, third),
        DateOrder::Mdy => (third, first, second),
        DateOrder::Dmy => (third, second, first),
    };
    if year.len() != 4 {
        return None;
    }
    let date = Date::new(year.parse().ok()?, month.parse().ok()?, day.parse().ok()?).ok()?;
    Some(date.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_are_read_in_the_order_that_is_declared() {
        for (text, order, expected) in [
            ("2024-02-29", DateOrder::Ymd, Some("2024-02-29")),
            ("20240229", DateOrder::Ymd, Some("2024-02-29")),
            ("2/9/2024", DateOrder::Mdy, Some("2024-02-09")),
            ("02092024", DateOrder::Mdy, Some("2024-02-09")),
            ("09.02.2024", DateOrder::Dmy, Some("2024-02-09")),
            ("2024-02-29T00:00:00.000", DateOrder::Ymd, Some("2024-02-29")),
            ("2/9/2024 12:00:00 AM", DateOrder::Mdy, Some("2024-02-09")),
            ("2023-02-29", DateOrder::Ymd, None),
            ("2/9/24", DateOrder::Mdy, None),
            ("13/1/2024", DateOrder::Mdy, None),
            ("soon", DateOrder::Ymd, None),
        ] {
            assert_eq!(date(text, order).as_deref(), expected, "{text}");
        }
    }

    #[test]
    fn numbers_are_compared_as_numbers_and_words_as_words() {
        assert!(same("0100", "100") && same("1.0", "1") && same("R", "R"));
        assert!(!same("R", "r") && !same("", "0"));
    }
}
