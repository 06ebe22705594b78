//! The layout as putting rows together needs it: fields and tables by number.

use super::value::area_unit;
use crate::layout::{Grain, Layout, Orphans, Over, RecordLayout, Take, ValueKind};
use crossfoot_audit::record::figure::AreaUnit;
use std::collections::BTreeMap;

#[derive(Debug)]
pub(super) struct Plan {
    tables: Vec<TablePlan>,
    fields: Vec<FieldPlan>,
    pub(super) record: RecordLayout,
    /// The names of the files of the edition.
    pub(super) files: Vec<String>,
    /// Fields that stand under another name in a file, with it.
    pub(super) renamed: BTreeMap<(u16, u16), String>,
}

#[derive(Debug, Clone, Copy)]
pub(super) struct TablePlan {
    pub(super) grain: Grain,
    pub(super) take: Option<Take>,
    pub(super) orphans: Orphans,
    /// Whether something tells its rows apart.
    pub(super) has_line: bool,
    /// Whether the record's area comes from it.
    pub(super) states_area: bool,
}

#[derive(Debug, Clone)]
pub(super) struct FieldPlan {
    name: String,
    pub(super) of_parcel: bool,
    pub(super) volatile: bool,
    pub(super) over: Option<Over>,
    /// Whether several of them add up.
    pub(super) adds_up: bool,
    pub(super) unit: AreaUnit,
}

static NO_TABLE: TablePlan = TablePlan {
    grain: Grain::Parcel,
    take: None,
    orphans: Orphans::Reject,
    has_line: false,
    states_area: false,
};

static NO_FIELD: FieldPlan = FieldPlan {
    name: String::new(),
    of_parcel: false,
    volatile: false,
    over: None,
    adds_up: false,
    unit: AreaUnit::SquareFeet,
};

impl Plan {
    pub(super) fn new(layout: &Layout, files: Vec<String>) -> Self {
        let area =
            layout.record.as_ref().and_then(|record| record.area.as_ref()).map(|area| area.field.as_str());
        let tables = layout.table.iter().map(|table| TablePlan {
            grain: table.grain,
            take: table.year.as_ref().map(|year| year.take),
            orphans: table.orphans,
            has_line: !table.line.is_empty(),
            states_area: table.field.iter().any(|field| Some(field.name.as_str()) == area),
        });
        let fields = layout.fields().map(|(_, field)| FieldPlan {
            name: field.name.clone(),
            of_parcel: field.of_parcel,
            volatile: field.volatile,
            over: field.over,
            adds_up: field.kind.is_figure() && field.kind != ValueKind::Year,
            unit: area_unit(field),
        });
        Self {
            tables: tables.collect(),
            fields: fields.collect(),
            record: layout.record.clone().unwrap_or_default(),
            files,
            renamed: BTreeMap::new(),
        }
    }

    pub(super) fn table(&self, number: u16) -> &TablePlan {
        self.tables.get(usize::from(number)).unwrap_or(&NO_TABLE)
    }

    pub(super) fn field(&self, number: u16) -> &FieldPlan {
        self.fields.get(usize::from(number)).unwrap_or(&NO_FIELD)
    }

    /// The fields of a name, in the layout's order.
    pub(super) fn named(&self, name: &str) -> impl Iterator<Item = (u16, &FieldPlan)> {
        (0u16..).zip(&self.fields).filter(move |(_, field)| field.name == name)
    }

    /// A line in words, with its file where that is another than the one the reader looks at.
    pub(super) fn place_in_words(&self, file: u16, line: u64, seen_from: u16) -> String {
        match self.files.get(usize::from(file)).filter(|_| file != seen_from) {
            Some(name) => format!("line {line} of {name}"),
            None => format!("line {line}"),
        }
    }
}
