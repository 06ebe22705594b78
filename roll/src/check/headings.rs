//! Areas of a record under headings of their own, beside the area that it is recorded with: a finished basement, a
//! garage, a floor. Of a plain record they stand in kept columns, of one that was put together in the fields of its tables.

use crossfoot_audit::area::Area;
use crossfoot_audit::record::figure::{AreaUnit, FigureRule, parse_area};

use crate::assemble::area_unit;
use crate::layout::{FieldLayout, KeepKind, Layout, Unit, ValueKind};
use crate::stored::Stored;

/// A kept column, or a field of a table, that holds areas or whole numbers that may be ones.
#[derive(Debug, Clone)]
struct Heading {
    /// Its place among the kept columns, or its number over all tables.
    place: usize,
    name: String,
    unit: AreaUnit,
    rule: FigureRule,
    /// Whether the layout says that these are areas.
    is_area: bool,
    /// Whether it has a figure for each of several codes.
    of_codes: bool,
}

/// The headings of a layout under which records may have areas; not the one that the recorded area is taken from.
#[derive(Debug, Clone)]
pub(super) struct Headings {
    all: Vec<Heading>,
    assembles: bool,
}

/// The figures of a record, each with its heading, square micrometres. A heading may have several: of buildings, and of
/// the parts of one that have a code each.
pub(super) struct Figures(Vec<(usize, i64)>);

impl Headings {
    pub(super) fn of(layout: &Layout) -> Headings {
        let all = if layout.assembles() { of_tables(layout) } else { of_columns(layout) };
        Headings { all, assembles: layout.assembles() }
    }

    /// Whether records have areas under a heading, by what the layout says of it.
    pub(super) fn state_areas(&self) -> bool {
        self.all.iter().any(|heading| heading.is_area)
    }

    /// The figures in what is kept of a record besides its main values, in either form.
    pub(super) fn figures(&self, rest: &str) -> Figures {
        let read = |heading: &Heading, text: &str| {
            let area = parse_area(text, heading.unit, &heading.rule).ok().flatten();
            area.map(Area::square_micrometres)
        };
        if self.assembles {
            let Some(stored) = Stored::from_json(rest) else { return Figures(Vec::new()) };
            let of_buildings = stored.buildings.iter().flat_map(|building| &building.values);
            let figures = stored.values.iter().chain(of_buildings).filter_map(|value| {
                let at = self.all.iter().position(|heading| heading.place == usize::from(value.0))?;
                Some((at, read(self.all.get(at)?, &value.2)?))
            });
            return Figures(figures.collect());
        }
        let values: Vec<String> = serde_json::from_str(rest).unwrap_or_default();
        let of = |heading: &Heading| values.get(heading.place).and_then(|text| read(heading, text));
        Figures(self.all.iter().enumerate().filter_map(|(at, heading)| Some((at, of(heading)?))).collect())
    }

    /// The headings under which a record has a figure, or all figures together, of which `wanted` holds. One that has a
    /// figure for each code is named only where no other is.
    pub(super) fn with(&self, figures: &Figures, wanted: impl Fn(i64) -> bool) -> Vec<&str> {
        let holds = |at| figures.of(at).any(&wanted) || figures.sum(at).is_some_and(&wanted);
        let named = |of_codes: bool| {
            let mut names: Vec<&str> = Vec::new();
            for (at, heading) in self.all.iter().enumerate() {
                // fields of several tables may have one name
                if heading.of_codes == of_codes && !names.contains(&heading.name.as_str()) && holds(at) {
                    names.push(&heading.name);
                }
            }
            names
        };
        let names = named(false);
        if names.is_empty() { named(true) } else { names }
    }

    /// The headings with another area than before, each with both, square micrometres. None before or now is no area.
    pub(super) fn changed(&self, before: &Figures, now: &Figures) -> Vec<(&str, i64, i64)> {
        let mut changed: Vec<(&str, i64, i64)> = Vec::new();
        for (at, heading) in self.all.iter().enumerate().filter(|(_, heading)| heading.is_area) {
            let (was, is) = (before.sum(at).unwrap_or(0), now.sum(at).unwrap_or(0));
            if was != is && changed.iter().all(|(name, ..)| *name != heading.name) {
                changed.push((&heading.name, was, is));
            }
        }
        changed
    }
}

impl Figures {
    fn of(&self, heading: usize) -> impl Iterator<Item = i64> + '_ {
        self.0.iter().filter(move |(at, _)| *at == heading).map(|(_, figure)| *figure)
    }

    /// Over the buildings of the parcel and their parts.
    fn sum(&self, heading: usize) -> Option<i64> {
        self.of(heading).reduce(i64::saturating_add)
    }
}

fn of_columns(layout: &Layout) -> Vec<Heading> {
    let unit = layout.area.as_ref().map_or(AreaUnit::SquareFeet, |area| area.unit);
    let recorded = layout.area.as_ref().map(|area| area.column.as_str());
    let kept = layout.keep.iter().enumerate().filter(|(_, keep)| recorded != Some(keep.column.as_str()));
    let headings = kept.filter_map(|(place, keep)| {
        let (unit, is_area) = match keep.kind {
            KeepKind::Area => (keep.unit, true),
            KeepKind::Whole => (unit, false),
            KeepKind::Text | KeepKind::Money | KeepKind::Decimal => return None,
        };
        let (name, rule) = (keep.shown_name().to_owned(), keep.figure_rule());
        Some(Heading { place, name, unit, rule, is_area, of_codes: false })
    });
    headings.collect()
}

fn of_tables(layout: &Layout) -> Vec<Heading> {
    let recorded = layout.record.as_ref().and_then(|record| record.area.as_ref());
    let recorded = recorded.map(|whole| whole.field.as_str());
    let is_area = |field: &FieldLayout| match (field.kind, field.unit) {
        (ValueKind::Area, _) => Some(true),
        (ValueKind::Whole, None | Some(Unit::Sqft | Unit::M2)) => Some(false),
        _ => None,
    };
    let headings = layout.fields().enumerate().filter_map(|(place, (_, field))| {
        let is_area = is_area(field).filter(|_| recorded != Some(field.name.as_str()))?;
        // figures are kept in plain digits
        let rule = FigureRule { null: Vec::new(), thousands: None };
        let name = field.shown().replace('_', " ");
        let of_codes = !field.each.is_empty();
        Some(Heading { place, name, unit: area_unit(field), rule, is_area, of_codes })
    });
    headings.collect()
}
