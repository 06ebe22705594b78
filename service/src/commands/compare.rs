//! `crossfoot compare`: one source against another, without a measurement.

use std::io::Write as _;

use crossfoot_store::compare::{ComparisonCounts, Field};
use crossfoot_worker::settings::Settings;

use crate::api::compare::{AskError, Asked, ListName, ask, comparison_view, difference, flat};
use crate::arguments::{Compare, CompareField, CompareList, Form};
use crate::commands::export::Sink;
use crate::installation::Installation;
use crate::outcome::{Out, Outcome, complain, say};
use crate::table::{Side, Table};

/// Records read at once.
const PAGE: i64 = 1000;

/// Runs the command.
pub(crate) async fn run(settings: &Settings, arguments: &Compare) -> anyhow::Result<Outcome> {
    let installation = Installation::open(settings).await?;
    let field = match arguments.field {
        CompareField::Area => Field::Area,
        CompareField::Value => Field::Value,
        CompareField::Year => Field::Year,
        CompareField::Class => Field::Class,
    };
    let names = (arguments.source.as_str(), arguments.other.as_str());
    let asked = match ask(&installation.store, names, field, arguments.at_least).await {
        Ok(asked) => asked,
        Err(AskError::Store(crossfoot_store::StoreError::Missing { what, id })) => {
            complain(&format!("there is no {what} {id}"));
            return Ok(Outcome::Refused);
        }
        Err(AskError::Store(error)) => return Err(error.into()),
        Err(AskError::Wrong(why)) => {
            complain(&why);
            return Ok(Outcome::Refused);
        }
    };
    if let Some(form) = arguments.format {
        export(&installation, &asked, arguments, field, form).await?;
        return Ok(Outcome::Done);
    }
    let counts = installation.store.compare_counts(&asked.comparison).await?;
    if arguments.json {
        say(&format!("{}\n", serde_json::to_string(&comparison_view(&asked, &counts))?))?;
        return Ok(Outcome::Done);
    }
    say(&summary(&asked, &counts))?;
    list(&installation, &asked, arguments, field).await?;
    Ok(Outcome::Done)
}

fn listing(arguments: &Compare, field: Field) -> crossfoot_store::compare::Listing {
    let name = match arguments.list {
        CompareList::Differing => ListName::Differing,
        CompareList::OneSided => ListName::OneSided,
        CompareList::OnlyInSource => ListName::OnlyInSource,
        CompareList::OnlyInOther => ListName::OnlyInOther,
    };
    name.of(field)
}

async fn export(
    installation: &Installation,
    asked: &Asked,
    arguments: &Compare,
    field: Field,
    form: Form,
) -> anyhow::Result<()> {
    let out: Box<dyn std::io::Write + Send> = match &arguments.out {
        None => Box::new(Out),
        Some(path) => Box::new(std::fs::File::create(path)?),
    };
    let mut sink = Sink::new(std::io::BufWriter::new(out), form);
    let mut after = Some(String::new());
    while let Some(place) = after {
        let listing = listing(arguments, field);
        let page = installation.store.compare_page(&asked.comparison, listing, &place, PAGE).await?;
        for pair in &page.items {
            sink.row(&flat(field, pair))?;
        }
        after = page.next;
    }
    sink.finish()
}

fn summary(asked: &Asked, counts: &ComparisonCounts) -> String {
    let (source, other) = (&asked.comparison.source, &asked.comparison.other);
    let edition = |edition: Option<i64>| edition.unwrap_or_default();
    let mut text = format!(
        "{} edition {} against {} edition {}, parcels by number: {} in both, {} only in {}, {} only in {}\n{}\n",
        source.id,
        edition(source.current_edition),
        other.id,
        edition(other.current_edition),
        counts.both,
        counts.only_source,
        source.id,
        counts.only_other,
        other.id,
        asked.basis.words()
    );
    if let Some((copy, of)) = &asked.copy {
        text.push_str(&format!("{copy} copies {of}: the two are one witness.\n"));
    }
    let mut table = Table::new(
        [("field", Side::Left), ("equal", Side::Right), ("differing", Side::Right)]
            .into_iter()
            .chain([
                ("only the first", Side::Right),
                ("only the second", Side::Right),
                ("neither", Side::Right),
            ])
            .collect(),
    );
    for field in Field::ALL {
        let counted = counts.fields.get(&field).copied().unwrap_or_default();
        let figures =
            [counted.equal, counted.differing, counted.only_source, counted.only_other, counted.neither];
        let cells = std::iter::once(field.name().to_owned()).chain(figures.map(|figure| figure.to_string()));
        table.row(cells.collect());
    }
    text.push('\n');
    text.push_str(&table.text());
    text
}

async fn list(
    installation: &Installation,
    asked: &Asked,
    arguments: &Compare,
    field: Field,
) -> anyhow::Result<()> {
    let mut table = Table::new(vec![
        ("parcel", Side::Left),
        ("first", Side::Right),
        ("second", Side::Right),
        ("second less first", Side::Right),
        ("address", Side::Left),
    ]);
    let figure = |record: Option<&crossfoot_store::record::Record>| {
        let Some(record) = record else { return "no record".to_owned() };
        let figure = match field {
            Field::Area => record.area.map(|area| area.to_square_feet(1)),
            Field::Value => record.value.map(|value| value.to_text()),
            Field::Year => record.year_built.map(|year| year.to_string()),
            Field::Class => Some(record.class.clone()),
        };
        figure.unwrap_or_else(|| "none".to_owned())
    };
    let (mut after, mut left, mut more) = (Some(String::new()), arguments.limit, false);
    while let Some(place) = after {
        if left == 0 {
            more = true;
            break;
        }
        let limit = left.min(usize::try_from(PAGE).unwrap_or(1));
        let limit = i64::try_from(limit).unwrap_or(PAGE);
        let listing = listing(arguments, field);
        let page = installation.store.compare_page(&asked.comparison, listing, &place, limit).await?;
        left = left.saturating_sub(page.items.len());
        for pair in &page.items {
            let record = pair.source.as_ref().or(pair.other.as_ref());
            table.row(vec![
                record.map(|record| record.parcel_raw.clone()).unwrap_or_default(),
                figure(pair.source.as_ref()),
                figure(pair.other.as_ref()),
                difference(field, pair).unwrap_or_default(),
                record.map(|record| record.situs.clone()).unwrap_or_default(),
            ]);
        }
        after = page.next;
    }
    let mut out = Out;
    write!(out, "\n{}", table.text())?;
    if more {
        writeln!(out, "… all of them: crossfoot compare … --format csv")?;
    }
    Ok(())
}
