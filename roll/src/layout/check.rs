//! What is wrong in a layout's tables although each setting is right alone.

use super::table::{FieldLayout, Grain, Part, TableLayout, Unit, ValueKind};
use super::text::Step;
use super::{Layout, Whole};
use crate::limits::{COLUMNS_MAX, GROUPS_MAX, ROW_BYTES_MAX, TABLES_MAX};
use rust_decimal::Decimal;
use std::str::FromStr;

/// Where a fault is, and what it is.
type Fault = (Vec<Step>, String);

/// The first fault of the tables, of the record that is put together from them, or of the identities.
pub(super) fn contradiction(layout: &Layout) -> Option<Fault> {
    if layout.table.is_empty() {
        return identities(layout).or_else(|| {
            layout.record.as_ref().map(|_| {
                (
                    vec![Step::Key("record")],
                    "there is no table: [record] takes its values from the fields of [[table]]".to_owned(),
                )
            })
        });
    }
    shape(layout)
        .or_else(|| layout.table.iter().enumerate().find_map(|(at, table)| of_table(layout, at, table)))
        .or_else(|| of_record(layout))
        .or_else(|| identities(layout))
}

fn fault(path: Vec<Step>, message: impl Into<String>) -> Option<Fault> {
    Some((path, message.into()))
}

fn shape(layout: &Layout) -> Option<Fault> {
    let plain = [
        ("situs", layout.situs.is_some()),
        ("area", layout.area.is_some()),
        ("value", layout.value.is_some()),
        ("year_built", layout.year_built.is_some()),
        ("class", layout.class.is_some()),
        ("keep", !layout.keep.is_empty()),
        ("file", layout.file != super::FileLayout::default()),
    ];
    if let Some((name, _)) = plain.into_iter().find(|(_, there)| *there) {
        let mend = if name == "file" { "[table.file]" } else { "a [[table.field]] and [record]" };
        return fault(
            vec![Step::Key(name)],
            format!("[{name}] is for layouts without tables: write {mend} instead"),
        );
    }
    if layout.table.len() > TABLES_MAX {
        return fault(vec![Step::Key("table")], format!("more than {TABLES_MAX} tables: keep fewer"));
    }
    if layout.fields().count() > COLUMNS_MAX {
        return fault(vec![Step::Key("table")], format!("more than {COLUMNS_MAX} fields: keep fewer"));
    }
    if layout.table.iter().all(|table| table.grain == Grain::Extension) {
        return fault(
            vec![Step::Key("table")],
            "no table has rows of parcels or buildings: extensions have nothing to belong to",
        );
    }
    None
}

fn of_table(layout: &Layout, at: usize, table: &TableLayout) -> Option<Fault> {
    let path = |key: &'static str| vec![Step::Key("table"), Step::Item(at), Step::Key(key)];
    if layout.table.iter().take(at).any(|earlier| earlier.name == table.name) {
        return fault(path("name"), format!("two tables are called {:?}: give one another name", table.name));
    }
    if table.pattern.is_none() && layout.table.len() > 1 {
        return fault(
            path("name"),
            format!("{} has no pattern: of several tables each needs one", table.name),
        );
    }
    if table.file.quote == Some(table.file.delimiter) {
        return fault(
            path("file"),
            "quote is the delimiter as well: set quote = \"\" if the file does not quote",
        );
    }
    let header = (table.header_line > 0, !table.columns.is_empty(), !table.fixed.is_empty());
    match header {
        (true, false, false) | (false, true, false) | (_, false, true) => {}
        (true, true, _) => {
            return fault(
                path("columns"),
                "the file has a header, and columns are named: set header_line = 0, or leave columns out",
            );
        }
        (false, true, true) => {
            return fault(path("columns"), "fixed names the columns already: leave columns out");
        }
        (false, false, false) => {
            return fault(
                path("header_line"),
                "the file has no header: name its columns in order in columns",
            );
        }
    }
    of_fixed(table, &path).or_else(|| of_grain(table, &path)).or_else(|| {
        table.field.iter().enumerate().find_map(|(number, field)| of_field(at, table, number, field))
    })
}

fn of_fixed(table: &TableLayout, path: &dyn Fn(&'static str) -> Vec<Step>) -> Option<Fault> {
    let length = table.record_length.unwrap_or(ROW_BYTES_MAX);
    let wrong =
        table.fixed.iter().position(|field| field.from == 0 || field.to < field.from || field.to > length)?;
    let mut place = path("fixed");
    place.push(Step::Item(wrong));
    fault(
        place,
        format!("positions are counted from 1, the last is included, and the line has {length} bytes"),
    )
}

fn of_grain(table: &TableLayout, path: &dyn Fn(&'static str) -> Vec<Step>) -> Option<Fault> {
    match table.grain {
        Grain::Building if table.building.is_empty() => fault(
            path("grain"),
            "rows of buildings need building, the columns that tell the buildings of a parcel apart",
        ),
        Grain::Parcel if !table.building.is_empty() => {
            fault(path("building"), "a row is a parcel here: leave building out, or set grain = \"building\"")
        }
        _ if table.groups > 0 && table.grain != Grain::Parcel => {
            fault(path("groups"), "groups of columns are for tables with one row a parcel")
        }
        _ if table.groups > GROUPS_MAX => fault(path("groups"), format!("more than {GROUPS_MAX} groups")),
        _ if table.grain != Grain::Extension && !table.line.is_empty() => {
            fault(path("line"), "line is for extensions: leave it out")
        }
        Grain::Parcel | Grain::Building | Grain::Extension => None,
    }
}

fn of_field(at: usize, table: &TableLayout, number: usize, field: &FieldLayout) -> Option<Fault> {
    let path = |key: &'static str| {
        vec![Step::Key("table"), Step::Item(at), Step::Key("field"), Step::Item(number), Step::Key(key)]
    };
    let extension = table.grain == Grain::Extension;
    if field.from.is_empty() {
        return fault(path("from"), "from names no column");
    }
    if table.field.iter().take(number).any(|earlier| {
        earlier.name == field.name && earlier.when.is_empty() && field.when.is_empty() && !extension
    }) {
        return fault(
            path("name"),
            format!("{:?} is there twice in {}: give one another name", field.name, table.name),
        );
    }
    if field.grouped() && table.groups == 0 {
        return fault(
            path("from"),
            "a column has {n} in its name: say how many groups there are in the table's groups",
        );
    }
    if !extension && (field.over.is_some() || !field.each.is_empty()) {
        return fault(
            path("name"),
            "over and each are for extensions: [record] says how buildings make one value",
        );
    }
    if field.over == Some(super::Over::Sum) && !field.kind.is_figure() {
        return fault(path("over"), "only figures are added up: set kind");
    }
    let by_number = field.combine == super::Combine::Sum || field.scale.is_some() || field.zero_missing;
    if by_number && !field.kind.is_figure() {
        return fault(path("name"), "sums, scales and zeros are of figures: set kind");
    }
    if let Some(scale) = &field.scale
        && Decimal::from_str(scale).is_err()
    {
        return fault(
            path("scale"),
            format!("{scale:?} is no number: write digits with a point, such as \"0.01\""),
        );
    }
    match (field.kind, field.unit) {
        (ValueKind::Area, None | Some(Unit::Sqft | Unit::M2)) | (ValueKind::Decimal, _) | (_, None) => None,
        (ValueKind::Area, Some(_)) => {
            fault(path("unit"), "floor areas are in sqft or m2: land in acres is kind = \"decimal\"")
        }
        (_, Some(_)) => fault(path("unit"), "only areas and decimals have a unit"),
    }
    .or_else(|| wrong_part(field).map(|message| (path("from"), message)))
}

fn wrong_part(field: &FieldLayout) -> Option<String> {
    let wide = |part: &Part| part.pad_left > crossfoot_audit::record::parcel_key::PART_WIDTH_MAX;
    field
        .from
        .0
        .iter()
        .chain(&field.each.0)
        .any(wide)
        .then(|| "a text padded beyond any number: correct pad_left".to_owned())
}

fn of_record(layout: &Layout) -> Option<Fault> {
    let Some(record) = &layout.record else {
        return fault(
            vec![Step::Key("table")],
            "there are tables and no [record]: say which fields are the area, the value and so on",
        );
    };
    let wholes: [(&'static str, &Option<Whole>, &[ValueKind]); 5] = [
        ("situs", &record.situs, &[ValueKind::Text]),
        ("area", &record.area, &[ValueKind::Area]),
        ("value", &record.value, &[ValueKind::Money]),
        ("year_built", &record.year_built, &[ValueKind::Year]),
        ("class", &record.class, &[ValueKind::Text]),
    ];
    for (name, whole, kinds) in wholes {
        let Some(whole) = whole else { continue };
        let path = vec![Step::Key("record"), Step::Key(name)];
        let mut fields = layout.fields().filter(|(_, field)| field.name == whole.field).peekable();
        if fields.peek().is_none() {
            return fault(path, format!("no table has a field {:?}: name one that is there", whole.field));
        }
        if let Some((_, field)) = fields.find(|(_, field)| !kinds.contains(&field.kind)) {
            let wanted = format!("{:?}", kinds.first().copied().unwrap_or_default()).to_lowercase();
            return fault(
                path,
                format!("{} is not of the kind {wanted}: set kind = \"{wanted}\" there", field.name),
            );
        }
        let figures = kinds.iter().all(|kind| kind.is_figure());
        let fits = match whole.over {
            super::Over::Main => true,
            super::Over::Sum => figures && name != "year_built",
            super::Over::Largest | super::Over::Smallest => figures,
            super::Over::Join => !figures,
        };
        if !fits {
            return fault(
                path,
                "over does not fit: texts are joined, figures are added up or compared, years are compared",
            );
        }
    }
    None
}

fn identities(layout: &Layout) -> Option<Fault> {
    let known = |name: &str| {
        layout.fields().any(|(_, field)| field.name == name && field.kind.is_figure())
            || layout.keep.iter().any(|keep| keep.shown_name() == name && keep.kind != super::KeepKind::Text)
            || (layout.table.is_empty()
                && (name == "area" && layout.area.is_some() || name == "value" && layout.value.is_some()))
    };
    for (at, identity) in layout.identity.iter().enumerate() {
        let path = |key: &'static str| vec![Step::Key("identity"), Step::Item(at), Step::Key(key)];
        if !known(&identity.left) {
            return fault(path("left"), format!("{:?} is no field of figures", identity.left));
        }
        if let Some((name, _)) = identity.terms().find(|(name, _)| !known(name)) {
            return fault(path("right"), format!("{name:?} is no field of figures"));
        }
        if Decimal::from_str(&identity.tolerance).map_or(true, |tolerance| tolerance.is_sign_negative()) {
            return fault(
                path("tolerance"),
                format!("{:?} is no amount: write digits, such as \"1\"", identity.tolerance),
            );
        }
    }
    None
}

/// Whether a file's name, without folders, fits a pattern of `*` and `?`, whatever the case of letters.
pub(super) fn fits(pattern: &str, file: &str) -> bool {
    let name = file.rsplit(['/', '\\']).next().unwrap_or(file);
    let lower = |text: &str| -> Vec<char> { text.chars().flat_map(char::to_lowercase).collect() };
    let (pattern, name) = (lower(pattern), lower(name));
    // Whether the pattern so far fits the first `n` letters of the name.
    let mut fits: Vec<bool> = std::iter::once(true).chain(name.iter().map(|_| false)).collect();
    for sign in pattern {
        let before = fits.clone();
        let mut any_before = false;
        for (at, now) in fits.iter_mut().enumerate() {
            let here = before.get(at).copied().unwrap_or_default();
            let one_before = at.checked_sub(1).and_then(|at| before.get(at)).copied().unwrap_or_default();
            any_before |= here;
            *now = match sign {
                '*' => any_before,
                '?' => one_before,
                letter => one_before && at.checked_sub(1).and_then(|at| name.get(at)) == Some(&letter),
            };
        }
    }
    fits.last().copied().unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::fits;

    #[test]
    fn a_pattern_is_held_against_the_name_without_folders() {
        for (pattern, file, expected) in [
            ("EXTR_ResBldg*.csv", "EXTR_ResBldg.csv", true),
            ("EXTR_ResBldg*.csv", "upload/extr_resbldg 2025.CSV", true),
            ("EXTR_ResBldg*.csv", "EXTR_Parcel.csv", false),
            ("nal??f*.csv", "NAL63F202501.csv", true),
            ("nal??f*.csv", "NAL6F202501.csv", false),
            ("*", "", true),
            ("?", "", false),
            ("a*b*c", "aXXbYbc", true),
            ("a*b*c", "aXXbYb", false),
        ] {
            assert_eq!(fits(pattern, file), expected, "{pattern} {file}");
        }
    }
}
