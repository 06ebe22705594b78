//! Plans as files, one a level.

use std::path::Path;

use anyhow::Context as _;
use crossfoot_audit::document::Measurement;
use crossfoot_audit::plan::{Ground, of_house, svg};
use crossfoot_audit::standard::{AreaStatement, Standard};

/// Writes the plans and gives their paths. The same house gives the same names and the same bytes.
pub(super) fn write(
    folder: &Path,
    measurement: &Measurement,
    standard: &Standard,
    statement: &AreaStatement,
) -> anyhow::Result<Vec<String>> {
    std::fs::create_dir_all(folder).with_context(|| format!("{} cannot be made", folder.display()))?;
    let mut names: Vec<String> = Vec::new();
    let mut written = Vec::new();
    for plan in of_house(measurement, standard, statement, Ground::Paper) {
        let building = measurement.house.buildings.get(plan.building);
        let name = name(building.map_or("", |building| building.name.as_str()), plan.building, plan.level);
        let before = names.iter().filter(|known| **known == name).count();
        let path = match before {
            0 => folder.join(format!("{name}.svg")),
            // two levels of one number, or buildings whose names differ in signs only
            again => folder.join(format!("{name}_{}.svg", again + 1)),
        };
        std::fs::write(&path, svg(&plan.plan))
            .with_context(|| format!("{} cannot be written", path.display()))?;
        written.push(path.display().to_string());
        names.push(name);
    }
    Ok(written)
}

/// Such as `main-house-level-1`; of letters that every file system has.
fn name(building: &str, at: usize, level: i32) -> String {
    let mut name = String::new();
    for letter in building.chars() {
        if letter.is_ascii_alphanumeric() {
            name.push(letter.to_ascii_lowercase());
        } else if !name.is_empty() && !name.ends_with('-') {
            name.push('-');
        }
    }
    let name = name.trim_end_matches('-');
    let name = if name.is_empty() { format!("building-{}", at + 1) } else { name.to_owned() };
    let below = if level < 0 { "minus-" } else { "" };
    format!("{name}-level-{below}{}", level.unsigned_abs())
}

#[cfg(test)]
mod tests {
    use super::name;

    #[test]
    fn a_plan_is_called_by_its_building_and_level() {
        assert_eq!(name("main house", 0, 1), "main-house-level-1");
        assert_eq!(name("../Guest  House!", 1, -1), "guest-house-level-minus-1");
        assert_eq!(name("дом", 2, 0), "building-3-level-0");
    }
}
