//! The pieces of one parcel to one record. Rows of one key are told apart: years, buildings, parts of buildings, true
//! copies, and contradictions.

use super::piece::{Found, Piece};
use super::plan::{FieldPlan, Plan};
use crate::entry::{Entry, Reason, Reject};
use crate::layout::{Grain, Orphans, Over, Take, Whole};
use crate::mapping::content_hash;
use crate::stored::{FORM, Stored, StoredBuilding, StoredRow, StoredValue};
use crossfoot_audit::area::Area;
use crossfoot_audit::record::figure::{FigureRule, parse_area, parse_money};
use rust_decimal::Decimal;
use std::collections::{BTreeMap, BTreeSet};
use std::str::FromStr;

/// What the rows of one parcel came to.
#[derive(Debug, Default)]
pub(super) struct Grouped {
    /// The record with its file; none where all rows were set aside or left out.
    pub(super) entry: Option<(u16, Entry)>,
    /// Rows set aside, each with its file.
    pub(super) rejects: Vec<(u16, Reject)>,
    /// Rows that say the same as an earlier one.
    pub(super) repeated: u64,
    /// Rows of other years than the one that is taken.
    pub(super) other_years: u64,
    /// Rows of properties that are in no other table, where the layout leaves such out.
    pub(super) left_out: u64,
}

/// A row with its groups of columns.
type Row = Vec<Piece>;

/// A value, and the rows it comes from.
#[derive(Debug, Clone)]
struct Value {
    text: String,
    rows: Vec<StoredRow>,
}

/// Values by field and own heading.
type Values = BTreeMap<(u16, String), Value>;

/// Buildings in the order of their numbers.
type Buildings = BTreeMap<Natural, Values>;

/// Texts in the order of the numbers in them, then as texts.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Natural(bool, u64, String);

impl Natural {
    pub(super) fn new(text: &str) -> Self {
        match text.parse() {
            Ok(number) => Self(false, number, text.to_owned()),
            Err(_) => Self(true, 0, text.to_owned()),
        }
    }
}

struct Group<'a> {
    plan: &'a Plan,
    key: &'a str,
    out: Grouped,
    parcel: Values,
    buildings: Buildings,
    /// Fields in which rows contradict each other.
    contradicted: BTreeSet<u16>,
    /// A row that the area comes from was set aside: what is left of it is no area.
    incomplete: bool,
    first: Option<StoredRow>,
    raw: String,
}

/// Puts the pieces of one parcel together; `newest` is the newest year of each table.
pub(super) fn together(plan: &Plan, newest: &[Option<i32>], pieces: Vec<Piece>) -> Grouped {
    let key = pieces.first().map(|piece| piece.key.clone()).unwrap_or_default();
    let mut group = Group {
        plan,
        key: &key,
        out: Grouped::default(),
        parcel: Values::new(),
        buildings: Buildings::new(),
        contradicted: BTreeSet::new(),
        incomplete: false,
        first: None,
        raw: String::new(),
    };
    let mut rows = group.of_the_year(newest, rows(pieces));
    group.incomplete = rows.iter().flatten().any(|piece| piece.broken && plan.table(piece.table).states_area);
    rows.retain(|row| row.iter().all(|piece| !piece.broken));
    let (extensions, anchors): (Vec<Row>, Vec<Row>) =
        rows.into_iter().partition(|row| group.grain(row) == Grain::Extension);
    group.take_anchors(anchors);
    group.take_extensions(extensions);
    if let Some(entry) = group.entry() {
        group.out.entry = Some(entry);
    }
    group.out
}

/// Pieces are sorted, so those of one row are neighbours.
fn rows(pieces: Vec<Piece>) -> Vec<Row> {
    let mut rows: Vec<Row> = Vec::new();
    for piece in pieces {
        match rows.last_mut() {
            Some(row) if row.first().is_some_and(|first| same_row(first, &piece)) => row.push(piece),
            _ => rows.push(vec![piece]),
        }
    }
    rows
}

fn same_row(one: &Piece, other: &Piece) -> bool {
    (one.table, one.file, one.line) == (other.table, other.file, other.line)
}

fn place(piece: &Piece) -> StoredRow {
    StoredRow(piece.file, piece.line, piece.byte_start, piece.byte_length)
}

impl Group<'_> {
    fn grain(&self, row: &Row) -> Grain {
        row.first().map_or(Grain::Parcel, |piece| self.plan.table(piece.table).grain)
    }

    fn of_the_year(&mut self, newest: &[Option<i32>], rows: Vec<Row>) -> Vec<Row> {
        let mut of_parcel: BTreeMap<u16, i32> = BTreeMap::new();
        for piece in rows.iter().filter_map(|row| row.first()) {
            if let Some(year) = piece.year {
                let known = of_parcel.entry(piece.table).or_insert(year);
                *known = year.max(*known);
            }
        }
        // rows that were set aside are accounted for already
        let counted =
            |rows: &[Row]| rows.iter().flatten().filter(|piece| !piece.broken && piece.group == 0).count();
        let before = counted(&rows);
        let mut kept = rows;
        kept.retain(|row| {
            let Some(piece) = row.first() else { return false };
            let taken = self.plan.table(piece.table).take.and_then(|take| match take {
                Take::Newest => newest.get(usize::from(piece.table)).copied().flatten(),
                Take::NewestOfParcel => of_parcel.get(&piece.table).copied(),
                Take::Named(year) => Some(year),
            });
            taken.is_none() || piece.year == taken
        });
        self.out.other_years += (before - counted(&kept)) as u64;
        kept
    }

    /// Rows of parcels and of buildings.
    fn take_anchors(&mut self, rows: Vec<Row>) {
        let mut known: BTreeMap<(u16, String), Row> = BTreeMap::new();
        for row in rows {
            let Some(piece) = row.first() else { continue };
            let identity = (piece.table, piece.building.clone());
            if let Some(first) = known.get(&identity) {
                let differing = self.differing(first, &row);
                if differing.is_empty() {
                    self.out.repeated += 1;
                } else {
                    self.contradicted.extend(differing);
                    let reject = self.contradiction(first, &row);
                    self.out.rejects.extend(reject);
                }
                continue;
            }
            if self.first.is_none() {
                self.first = Some(place(piece));
                self.raw.clone_from(&piece.raw);
            }
            let of_buildings = self.grain(&row) == Grain::Building;
            if of_buildings {
                self.buildings.entry(Natural::new(&piece.building)).or_default();
            }
            for piece in &row {
                for found in &piece.values {
                    let of_parcel =
                        piece.group == 0 && (!of_buildings || self.plan.field(found.field).of_parcel);
                    self.put(piece, found, of_parcel);
                }
            }
            known.insert(identity, row);
        }
    }

    /// Puts a value where none is; rows that repeat a parcel's values on each of its buildings agree or do not count.
    fn put(&mut self, piece: &Piece, found: &Found, of_parcel: bool) {
        let values = match of_parcel {
            true => &mut self.parcel,
            false => self.buildings.entry(Natural::new(&piece.building)).or_default(),
        };
        values
            .entry((found.field, found.heading.clone()))
            .or_insert_with(|| Value { text: found.text.clone(), rows: vec![place(piece)] });
    }

    /// The fields in which two rows differ.
    fn differing(&self, one: &Row, other: &Row) -> BTreeSet<u16> {
        let values = |row: &Row| -> BTreeSet<(u32, u16, String, String)> {
            row.iter()
                .flat_map(|piece| piece.values.iter().map(move |value| (piece.group, value)))
                .filter(|(_, value)| !self.plan.field(value.field).volatile)
                .map(|(group, value)| (group, value.field, value.heading.clone(), value.text.clone()))
                .collect()
        };
        values(one).symmetric_difference(&values(other)).map(|value| value.1).collect()
    }

    fn contradiction(&self, first: &Row, later: &Row) -> Option<(u16, Reject)> {
        let (first, piece) = first.first().zip(later.first())?;
        let building =
            if piece.building.is_empty() { String::new() } else { format!(", building {}", piece.building) };
        let part = if piece.row_key.is_empty() { String::new() } else { format!(", part {}", piece.row_key) };
        let detail = format!(
            "parcel {}{building}{part} stands on {} already, with other figures: this row on line {} is set aside; ask \
             the publisher which is right, or name the column that tells the rows apart",
            piece.raw,
            self.plan.place_in_words(first.file, first.line, piece.file),
            piece.line
        );
        Some((piece.file, reject(piece, Reason::DuplicateParcel, detail)))
    }

    /// Rows that hang on the parcel or on one of its buildings.
    fn take_extensions(&mut self, rows: Vec<Row>) {
        let mut pieces: Vec<Piece> = rows.into_iter().flatten().collect();
        // what is first must not hang on the order of the file
        pieces.sort_by_cached_key(|piece| {
            let texts: Vec<(u16, String)> =
                piece.values.iter().map(|value| (value.field, value.text.clone())).collect();
            (piece.table, Natural::new(&piece.row_key), texts)
        });
        let mut known: BTreeMap<(u16, String, String), Row> = BTreeMap::new();
        let mut collected: BTreeMap<(Option<Natural>, u16, String), Vec<Value>> = BTreeMap::new();
        for piece in pieces {
            let owner = (!piece.building.is_empty()).then(|| Natural::new(&piece.building));
            if self.is_orphan(owner.as_ref()) {
                self.orphan(&piece);
                continue;
            }
            if self.plan.table(piece.table).has_line {
                let identity = (piece.table, piece.building.clone(), piece.row_key.clone());
                let row = vec![piece.clone()];
                if let Some(first) = known.get(&identity) {
                    let differing = self.differing(first, &row);
                    if differing.is_empty() {
                        self.out.repeated += 1;
                    } else {
                        self.contradicted.extend(differing);
                        let reject = self.contradiction(first, &row);
                        self.out.rejects.extend(reject);
                    }
                    continue;
                }
                known.insert(identity, row);
            }
            for found in &piece.values {
                let value = Value { text: found.text.clone(), rows: vec![place(&piece)] };
                let of = (owner.clone(), found.field, found.heading.clone());
                collected.entry(of).or_default().push(value);
            }
        }
        for ((owner, field, heading), values) in collected {
            let Some(value) = over_rows(self.plan.field(field), values) else { continue };
            let values = match owner {
                None => &mut self.parcel,
                Some(building) => self.buildings.entry(building).or_default(),
            };
            values.entry((field, heading)).or_insert(value);
        }
    }

    fn is_orphan(&self, building: Option<&Natural>) -> bool {
        self.first.is_none() || building.is_some_and(|building| !self.buildings.contains_key(building))
    }

    fn orphan(&mut self, piece: &Piece) {
        if self.plan.table(piece.table).orphans == Orphans::LeaveOut {
            self.out.left_out += 1;
            return;
        }
        let what = if self.first.is_none() || piece.building.is_empty() {
            format!("parcel {}", piece.raw)
        } else {
            format!("building {} of parcel {}", piece.building, piece.raw)
        };
        let detail = format!(
            "{what} has no row that could be read in the other files of the edition: hand in the file that has it, or correct \
             the number at the source"
        );
        self.out.rejects.push((piece.file, reject(piece, Reason::OrphanRow, detail)));
    }

    /// The value of the first field of that name that has one, over the buildings where it is theirs.
    fn whole(&self, whole: &Whole) -> Option<Value> {
        self.plan.named(&whole.field).find_map(|(number, field)| {
            let of = |values: &Values| values.get(&(number, String::new())).cloned();
            if let Some(value) = of(&self.parcel) {
                return Some(value);
            }
            let each: Vec<Option<Value>> = self.buildings.values().map(of).collect();
            over_buildings(field, whole.over, each)
        })
    }

    fn entry(&mut self) -> Option<(u16, Entry)> {
        let first = self.first?;
        let record = &self.plan.record;
        let whole = |of: &Option<Whole>| of.as_ref().and_then(|of| self.whole(of));
        let rule = FigureRule::default();
        let contradicted = record.area.as_ref().is_some_and(|area| {
            self.plan.named(&area.field).any(|(number, _)| self.contradicted.contains(&number))
        });
        let area = whole(&record.area).filter(|_| !contradicted && !self.incomplete);
        let own = area.as_ref().and_then(|area| area.rows.first()).copied().unwrap_or(first);
        let unit = record
            .area
            .as_ref()
            .and_then(|area| self.plan.named(&area.field).next())
            .map(|(_, field)| field.unit);
        let text = |value: Option<Value>| value.map(|value| value.text).unwrap_or_default();
        let stored = self.stored(own);
        let mut entry = Entry {
            line: own.1,
            byte_start: own.2,
            byte_length: own.3,
            parcel_raw: self.raw.clone(),
            parcel_key: self.key.to_owned(),
            situs: text(whole(&record.situs)),
            area: area
                .zip(unit)
                .and_then(|(area, unit)| parse_area(&area.text, unit, &rule).ok().flatten())
                .filter(|area| *area != Area::ZERO),
            value: whole(&record.value).and_then(|value| parse_money(&value.text, &rule).ok().flatten()),
            year_built: whole(&record.year_built).and_then(|year| year.text.parse().ok()),
            class: text(whole(&record.class)),
            rest: stored.without_places().to_json(),
            content_hash: 0,
        };
        entry.content_hash = content_hash(&entry, &mut Vec::new());
        entry.rest = stored.to_json();
        Some((own.0, entry))
    }

    fn stored(&self, own: StoredRow) -> Stored {
        let all = || std::iter::once(&self.parcel).chain(self.buildings.values());
        let others: BTreeSet<StoredRow> =
            all().flat_map(BTreeMap::values).flat_map(|value| value.rows.iter().copied()).collect();
        let mut rows = vec![own];
        rows.extend(self.first.into_iter().chain(others).filter(|row| *row != own));
        rows.dedup();
        let place_of = |row: &StoredRow| {
            u32::try_from(rows.iter().position(|known| known == row).unwrap_or_default()).unwrap_or_default()
        };
        let stored = |values: &Values| -> Vec<StoredValue> {
            values
                .iter()
                .map(|((field, heading), value)| {
                    StoredValue(
                        *field,
                        value.rows.iter().map(place_of).collect(),
                        value.text.clone(),
                        heading.clone(),
                    )
                })
                .collect()
        };
        let of_record: BTreeSet<(u16, u16)> = all()
            .flatten()
            .flat_map(|((field, _), value)| value.rows.iter().map(move |row| (*field, row.0)))
            .collect();
        let renamed = of_record.into_iter().filter_map(|(field, file)| {
            self.plan.renamed.get(&(field, file)).map(|name| (field, file, name.clone()))
        });
        Stored {
            form: FORM,
            values: stored(&self.parcel),
            buildings: self
                .buildings
                .iter()
                .map(|(key, values)| StoredBuilding { key: key.2.clone(), values: stored(values) })
                .collect(),
            contradicted: self.contradicted.iter().copied().collect(),
            incomplete: self.incomplete,
            renamed: renamed.collect(),
            rows,
        }
    }
}

/// A row that is set aside when its parcel is put together; its bytes have gone by then.
pub(super) fn reject(piece: &Piece, reason: Reason, detail: String) -> Reject {
    Reject {
        line: piece.line,
        byte_start: piece.byte_start,
        byte_length: u64::from(piece.byte_length),
        column: None,
        reason,
        detail,
        raw: Vec::new(),
    }
}

/// The rows of an extension that belong to one building or parcel.
fn over_rows(field: &FieldPlan, values: Vec<Value>) -> Option<Value> {
    let over = field.over.unwrap_or(if field.adds_up { Over::Sum } else { Over::Main });
    combine(over, values)
}

/// The buildings of a parcel.
fn over_buildings(field: &FieldPlan, over: Over, each: Vec<Option<Value>>) -> Option<Value> {
    match over {
        Over::Main => each.into_iter().next().flatten(),
        // a part of a total is not the total
        Over::Sum if field.adds_up => combine(Over::Sum, each.into_iter().collect::<Option<Vec<_>>>()?),
        Over::Sum | Over::Largest | Over::Smallest | Over::Join => {
            combine(over, each.into_iter().flatten().collect())
        }
    }
}

fn combine(over: Over, values: Vec<Value>) -> Option<Value> {
    let number = |value: &Value| Decimal::from_str(&value.text).unwrap_or_default();
    match over {
        Over::Main => values.into_iter().next(),
        Over::Largest => {
            values.into_iter().reduce(|one, other| if number(&other) > number(&one) { other } else { one })
        }
        Over::Smallest => {
            values.into_iter().reduce(|one, other| if number(&other) < number(&one) { other } else { one })
        }
        Over::Sum => {
            let mut total = Decimal::ZERO;
            let mut rows = Vec::new();
            for value in &values {
                total = total.checked_add(number(value))?;
                rows.extend(value.rows.iter().copied());
            }
            (!values.is_empty()).then(|| Value { text: total.normalize().to_string(), rows: unique(rows) })
        }
        Over::Join => {
            let mut texts: Vec<String> = Vec::new();
            let mut rows = Vec::new();
            for value in values {
                if !texts.contains(&value.text) {
                    texts.push(value.text);
                }
                rows.extend(value.rows);
            }
            texts.sort_unstable();
            (!texts.is_empty()).then(|| Value { text: texts.join("; "), rows: unique(rows) })
        }
    }
}

fn unique(mut rows: Vec<StoredRow>) -> Vec<StoredRow> {
    rows.sort_unstable();
    rows.dedup();
    rows
}
