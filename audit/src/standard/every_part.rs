//! One part of every kind that the rules of a standard can tell apart, to prove that none falls under no rule.

use super::{Conditions, Placed, Standard};
use crate::area::Area;
use crate::house::{Access, Attachment, BuildingKind, Enclosure, Finish, Grade, Heat, Part, PartUse, Storey};

/// A part that no rule decides, in words; `None` where every part falls under one.
pub(super) fn without_rule(standard: &Standard) -> Option<String> {
    let mut missed = None;
    each(standard, &mut |placed| {
        if missed.is_none() && standard.rule_for(placed).is_none() {
            let part = placed.part;
            missed = Some(format!(
                "a part {:?}, {:?}, {:?} grade, {:?} storey, level {}, {:?}, heat {:?}, {:?}, {:?}, built {:?}, in \
                 {:?}",
                part.part_use,
                part.finish,
                placed.grade,
                placed.storey,
                placed.level,
                part.access,
                part.heat,
                part.enclosure,
                part.attachment,
                part.built,
                placed.building
            ));
        }
    });
    missed
}

/// All values where any rule looks at them, else one: what no rule asks about decides nothing.
fn asked<T: Copy>(standard: &Standard, all: &[T], asks: impl Fn(&Conditions) -> bool) -> Vec<T> {
    let any = standard.rule.iter().any(|rule| asks(&rule.when));
    all.iter().copied().take(if any { all.len() } else { 1 }).collect()
}

/// Shows every kind of part to `look`.
pub(super) fn each(standard: &Standard, look: &mut dyn FnMut(&Placed<'_>)) {
    use BuildingKind as K;
    let buildings = [K::Main, K::Garage, K::GuestHouse, K::Outbuilding];
    let buildings = asked(standard, &buildings, |when| !when.building.is_empty());
    let grades = asked(standard, &[Grade::Above, Grade::Below], |when| !when.grade.is_empty());
    let storeys = [Storey::Full, Storey::Half, Storey::SplitLevel, Storey::SplitFoyer];
    let storeys = asked(standard, &storeys, |when| !when.storey.is_empty());
    let levels = asked(standard, &[1, 2], |when| !when.position.is_empty());
    let parts = every_part(standard);
    for building in buildings {
        for &grade in &grades {
            for &storey in &storeys {
                for &level in &levels {
                    for part in &parts {
                        look(&Placed { building, level, grade, storey, part });
                    }
                }
            }
        }
    }
}

fn every_part(standard: &Standard) -> Vec<Part> {
    let finishes = [Finish::Finished, Finish::LowQuality, Finish::Unfinished];
    let finishes = asked(standard, &finishes, |when| !when.finish.is_empty());
    let accesses = [Access::Inside, Access::ThroughUnfinished, Access::Outside];
    let accesses = asked(standard, &accesses, |when| !when.access.is_empty());
    let heats =
        [None, Some(Heat::None), Some(Heat::Portable), Some(Heat::FixedLocal), Some(Heat::MainSystem)];
    let heats = asked(standard, &heats, |when| !when.heat.is_empty());
    let enclosures = [None, Some(Enclosure::Open), Some(Enclosure::Screened), Some(Enclosure::Enclosed)];
    let enclosures = asked(standard, &enclosures, |when| !when.enclosure.is_empty());
    let attachments =
        [None, Some(Attachment::SharedWall), Some(Attachment::CoveredWalk), Some(Attachment::Detached)];
    let attachments = asked(standard, &attachments, |when| !when.attachment.is_empty());
    let years = asked(standard, &[None, Some(2000)], |when| !when.origin.is_empty());
    let mut parts = vec![Part::stated(PartUse::Living, Area::ZERO)];
    parts =
        spread(&parts, &asked(standard, &PartUse::ALL, |when| !when.part_use.is_empty()), |part, value| {
            part.part_use = value
        });
    parts = spread(&parts, &finishes, |part, value| part.finish = value);
    parts = spread(&parts, &accesses, |part, value| part.access = value);
    parts = spread(&parts, &heats, |part, value| part.heat = value);
    parts = spread(&parts, &enclosures, |part, value| part.enclosure = value);
    parts = spread(&parts, &years, |part, value| part.built = value);
    spread(&parts, &attachments, |part, value| part.attachment = value)
}

fn spread<T: Copy>(parts: &[Part], values: &[T], set: impl Fn(&mut Part, T)) -> Vec<Part> {
    let mut all = Vec::with_capacity(parts.len() * values.len());
    for part in parts {
        for value in values {
            let mut part = part.clone();
            set(&mut part, *value);
            all.push(part);
        }
    }
    all
}
