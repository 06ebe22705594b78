//! `crossfoot layouts`: the layouts of published rolls that come with the program.

use crossfoot_roll::layout::{Layout, shipped};
use serde_json::json;

use crate::arguments::Layouts;
use crate::outcome::{Outcome, complain, say};
use crate::table::{Side, Table};

/// Runs the command.
pub(crate) fn run(arguments: &Layouts) -> anyhow::Result<Outcome> {
    if let Some(id) = &arguments.id {
        let Some(found) = shipped().iter().find(|shipped| &shipped.layout.id == id) else {
            complain(&format!("no layout {id:?} comes with the program: crossfoot layouts lists them"));
            return Ok(Outcome::Refused);
        };
        if arguments.json {
            say(&format!("{}\n", described(&found.layout)))?;
        } else {
            say(found.toml)?;
        }
        return Ok(Outcome::Done);
    }
    if arguments.json {
        for shipped in shipped() {
            say(&format!("{}\n", described(&shipped.layout)))?;
        }
        return Ok(Outcome::Done);
    }
    let heads = ["layout", "files", "basis", "title", "publisher"];
    let mut table = Table::new(heads.into_iter().map(|head| (head, Side::Left)).collect());
    for shipped in shipped() {
        let layout = &shipped.layout;
        table.row(vec![
            layout.id.clone(),
            files(layout).join(", "),
            layout.basis.clone(),
            layout.title.clone(),
            layout.publisher.clone(),
        ]);
    }
    say(&table.text())?;
    Ok(Outcome::Done)
}

/// The names that the layout's files have.
fn files(layout: &Layout) -> Vec<String> {
    layout.table.iter().map(|table| table.pattern.clone().unwrap_or_else(|| "*".to_owned())).collect()
}

fn described(layout: &Layout) -> serde_json::Value {
    json!({
        "id": layout.id, "title": layout.title, "publisher": layout.publisher, "citation": layout.citation,
        "jurisdiction": layout.jurisdiction, "basis": layout.basis, "assumed": layout.assumed,
        "cautions": layout.cautions, "files": files(layout), "version": layout.version(),
    })
}
