//! A town of a few houses: its roll, its layout, its measured houses. All of it is invented.

use std::fmt::Write as _;

use serde_json::{Value, json};

use crate::installation::{Ended, Installation};

/// How the roll of the town is written and what its columns mean.
pub(crate) const LAYOUT: &str = r#"id = "town-roll"
jurisdiction = "XX-TOWN"
basis = "finished-above-grade"
rounding_sqft = 1.0

[parcel]
columns = ["PARCEL"]
pad_left = [6]
pattern = "^[0-9]{6}$"

[situs]
columns = ["SITUS"]

[area]
column = "AREA"

[value]
column = "VALUE"

[year_built]
column = "YEAR"

[class]
column = "CLASS"
vacant = ["V"]
"#;

/// A rule for parcel numbers of a major of six digits and a minor of four, as King County, Washington, publishes its
/// numbers (King County GIS Data Catalog, layer parcel_address: Major is 6 characters, Minor 4). The town and its houses
/// are invented.
pub(crate) const RULE: &str = "jurisdiction = \"XX-TOWN\"\npad_left = [6, 4]\ncitation = \"Manual of the town, page 2\"\nread_on = 2026-05-02\n";

/// The layout of the town for a source whose numbers follow the jurisdiction's rule.
pub(crate) fn following(id: &str, columns: &str) -> String {
    let parcel = "columns = [\"PARCEL\"]\npad_left = [6]\npattern = \"^[0-9]{6}$\"\n";
    LAYOUT
        .replace(parcel, &format!("columns = [{columns}]\nrule = \"jurisdiction\"\n"))
        .replace("id = \"town-roll\"", &format!("id = \"{id}\""))
}

pub(crate) const HEADER: &str = "PARCEL,SITUS,AREA,VALUE,YEAR,CLASS";

/// A policy of one rule: a share of the recorded area and 100 sq ft, two standard deviations.
pub(crate) fn policy(percent: f64) -> String {
    format!("name = \"{percent} %\"\n[[rule]]\npercent = {percent:?}\nsquare_feet = 100.0\n")
}

/// The number of the parcel at a place in the town.
pub(crate) fn parcel(place: usize) -> String {
    format!("{place:06}")
}

/// The roll with an area for each parcel, the first parcel first; none leaves the parcel out.
pub(crate) fn roll(areas: &[Option<i64>]) -> String {
    let mut text = format!("{HEADER}\n");
    for (place, area) in (1..).zip(areas) {
        if let Some(area) = area {
            writeln!(text, "{}", row(place, &area.to_string())).unwrap();
        }
    }
    text
}

/// A row of the roll.
pub(crate) fn row(place: usize, area: &str) -> String {
    format!("{},{place} OAK ST,{area},200000,1950,R", parcel(place))
}

/// The measured house on a parcel: one part with a standard deviation of three square feet.
pub(crate) fn house(place: usize, area: f64) -> Value {
    json!({
        "reference": reference(place),
        "parcel": parcel(place),
        "address": format!("{place} Oak Street, Town"),
        "measured_on": "2026-03-08",
        "buildings": [{ "name": "main house", "kind": "main", "levels": [
            { "level": 1, "grade": "above", "parts": [{ "use": "living", "area_sqft": area, "sd_sqft": 3.0 }] }] }]
    })
}

pub(crate) fn reference(place: usize) -> String {
    format!("T-{place:02}")
}

/// The houses on the first parcels, as JSON.
pub(crate) fn houses(areas: &[f64]) -> String {
    let houses: Vec<Value> = (1..).zip(areas).map(|(place, area)| house(place, *area)).collect();
    serde_json::to_string(&houses).unwrap()
}

impl Installation {
    /// Hands in an edition of the town's roll.
    pub(crate) fn take_roll(&self, content: impl AsRef<[u8]>) -> Ended {
        let (roll, layout) = (self.file("roll.csv", content), self.file("layout.toml", LAYOUT));
        self.run(&["import", "roll", &roll, "--layout", &layout])
    }

    /// Hands in measured houses, in whatever form.
    pub(crate) fn take_houses(&self, content: impl AsRef<[u8]>) -> Ended {
        let houses = self.file("houses", content);
        self.run(&["import", "houses", &houses])
    }

    pub(crate) fn take_policy(&self, content: &str) -> Ended {
        let policy = self.file("policy.toml", content);
        self.run(&["policy", "set", &policy])
    }

    /// Enters a rule for the parcel numbers of the town.
    pub(crate) fn take_rule(&self, content: &str) -> Ended {
        let rule = self.file("rule.toml", content);
        self.run(&["jurisdiction", "rule", &rule])
    }

    pub(crate) fn reconcile(&self) -> Ended {
        self.run(&["reconcile"])
    }

    /// Three houses and their records, judged: the first is larger than recorded, the others are right.
    pub(crate) fn settled(&self) {
        self.take_houses(houses(&[1500.0, 1200.0, 900.0])).code(0);
        self.take_roll(roll(&[Some(1000), Some(1200), Some(900)])).code(0);
        self.reconcile().code(0).says("1 findings opened");
    }
}
