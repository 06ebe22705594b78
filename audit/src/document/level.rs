//! The parts of a level: stated or drawn, with its openings and stairs. A void is taken off once: cut out of a part
//! that was drawn over it, or left beyond a railing; what mixes the two is told with its place.

use super::drawn::{Drawn, Outlines, STRIP_FT, named, patch};
use super::shape::{LevelDocument, OpeningDocument, PartDocument, StairDocument};
use super::take::{stated_area, stated_sd};
use super::{Problem, remark};
use crate::area::Area;
use crate::house::{Access, Extent, Finish, HowKnown, Level, Part, PartUse, Storey};
use crate::measure::area_spread::Share;
use crate::measure::polygon::Patch;
use crate::measure::region::Region;

/// Parts that make up a level may miss its outline by a square foot before it is worth a word.
const SUM_WITHIN_SQFT: f64 = 1.0;

/// How the region of a part is given.
enum Extents {
    Stated,
    Drawn(Outlines),
    Rest,
    Missing,
}

/// A level while it is taken.
struct Taking<'a> {
    level: &'a LevelDocument,
    pointer: &'a str,
    drawn: Option<&'a Drawn>,
    problems: &'a mut Vec<Problem>,
    remarks: &'a mut Vec<Problem>,
    outline: Outlines,
    extents: Vec<Extents>,
    openings: Vec<Opening>,
}

struct Opening {
    area: Area,
    outlines: Outlines,
    host: Option<usize>,
}

pub(super) fn take_level(
    level: &LevelDocument,
    pointer: &str,
    drawn: Option<&Drawn>,
    problems: &mut Vec<Problem>,
    remarks: &mut Vec<Problem>,
) -> Level {
    let plus = named(drawn, &level.outline, &format!("{pointer}/outline"), problems);
    let outline = Outlines { plus, ..Outlines::default() };
    let shares = outline.shares();
    let mut taking = Taking {
        level,
        pointer,
        drawn,
        problems,
        remarks,
        outline,
        extents: Vec::new(),
        openings: Vec::new(),
    };
    let mut parts: Vec<Part> =
        level.parts.iter().enumerate().map(|(at, part)| taking.part(part, at)).collect();
    taking.take_openings();
    taking.resolve_rest(&mut parts);
    taking.check_shapes();
    taking.cut_openings(&mut parts);
    taking.check_sum(&parts);
    let footprint = taking.footprint();
    taking.add_stairs_and_openings(&mut parts);
    let storey = level.storey.unwrap_or_default();
    Level { number: level.level, grade: level.grade, storey, footprint, outline: shares, parts }
}

impl Taking<'_> {
    fn problem(&mut self, place: &str, detail: String, mend: &str) {
        self.problems.push(remark(format!("{}{place}", self.pointer), detail, mend));
    }

    fn part(&mut self, part: &PartDocument, at: usize) -> Part {
        let place = format!("/parts/{at}");
        let pointer = format!("{}{place}", self.pointer);
        let stated = stated_area((part.area_sqft, part.area_m2), "area", &pointer, self.problems);
        let sd_sqft = stated_sd((part.sd_sqft, part.sd_m2), &pointer, self.problems);
        let outlines = Outlines {
            plus: named(self.drawn, &part.outlines, &format!("{pointer}/outlines"), self.problems),
            minus: named(self.drawn, &part.less, &format!("{pointer}/less"), self.problems),
            back: Vec::new(),
        };
        let is_rest = part.rest == Some(true);
        let ways = [stated.is_some(), !part.outlines.is_empty(), is_rest];
        let extents = match (ways.into_iter().filter(|way| *way).count(), stated) {
            (1, Some(_)) => Extents::Stated,
            (1, None) if is_rest => Extents::Rest,
            (1, None) => Extents::Drawn(outlines),
            (0, _) => {
                let mend = if self.drawn.is_some() {
                    "add outlines, or rest where it is what the other parts leave, or area_sqft"
                } else {
                    "add area_sqft or area_m2"
                };
                self.problem(&place, "no area is given".to_owned(), mend);
                Extents::Missing
            }
            (_, _) => {
                let detail = "its area is given in more than one way".to_owned();
                self.problem(&place, detail, "keep one of area, outlines and rest");
                Extents::Missing
            }
        };
        if let Some((detail, mend)) = part.ceiling.as_ref().and_then(crate::ceiling::Ceiling::fault) {
            self.problem(&format!("{place}/ceiling"), detail.to_owned(), mend);
        }
        self.check_part(part, at, &extents);
        let area = match (&extents, self.drawn) {
            (Extents::Drawn(outlines), Some(drawn)) => drawn.area(outlines),
            (_, _) => stated,
        };
        let shares = match &extents {
            Extents::Drawn(outlines) => outlines.shares(),
            Extents::Stated | Extents::Rest | Extents::Missing => Vec::new(),
        };
        self.extents.push(extents);
        Part {
            name: part.name.clone(),
            room: part.room.clone(),
            shares,
            measured_to: part.measured_to,
            ceiling: part.ceiling.clone(),
            sd_sqft,
            finish: part.finish.unwrap_or(Finish::Finished),
            heat: part.heat,
            access: part.access.unwrap_or(Access::Inside),
            enclosure: part.enclosure,
            attachment: part.attachment,
            built: part.built,
            how_known: part.how_known.unwrap_or(HowKnown::Measured),
            ..Part::stated(part.part_use, area.unwrap_or(Area::ZERO))
        }
    }

    fn check_part(&mut self, part: &PartDocument, at: usize, extents: &Extents) {
        let place = format!("/parts/{at}");
        let listed = !self.level.openings.is_empty() || !self.level.stairs.is_empty();
        if listed && matches!(part.part_use, PartUse::Stair | PartUse::Opening) {
            let what = part.part_use.name();
            self.problem(
                &format!("{place}/use"),
                format!("the level lists its openings and stairs, and has a part of use {what} as well"),
                "keep one of them: the void would be taken off twice, or the stair counted twice",
            );
        }
        if !part.less.is_empty() && !matches!(extents, Extents::Drawn(_)) {
            let mend =
                "give outlines that it is cut out of; the rest of a level leaves other parts out by itself";
            self.problem(&format!("{place}/less"), "nothing to cut it out of".to_owned(), mend);
        }
        let earlier = self.level.parts.iter().take(at);
        if part.name.is_some() && earlier.into_iter().any(|earlier| earlier.name == part.name) {
            let detail =
                format!("two parts of the level are called {:?}", part.name.as_deref().unwrap_or(""));
            self.problem(&format!("{place}/name"), detail, "give each a name of its own");
        }
    }

    fn take_openings(&mut self) {
        for (at, opening) in self.level.openings.iter().enumerate() {
            let place = format!("/openings/{at}");
            let pointer = format!("{}{place}", self.pointer);
            let plus = named(self.drawn, &opening.outlines, &format!("{pointer}/outlines"), self.problems);
            let outlines = Outlines { plus, ..Outlines::default() };
            let stated = stated_area((opening.area_sqft, opening.area_m2), "area", &pointer, self.problems);
            if stated.is_some() != opening.outlines.is_empty() {
                let detail = format!(
                    "the opening {:?} has {}",
                    opening.name,
                    if stated.is_some() { "an area and outlines" } else { "no area" }
                );
                self.problem(&place, detail, "give its outlines, or its area where it was not drawn");
            }
            if self.level.openings.iter().take(at).any(|earlier| earlier.name == opening.name) {
                let detail = format!("two openings of the level are called {:?}", opening.name);
                self.problem(
                    &format!("{place}/name"),
                    detail,
                    "give each a name of its own, or list it once",
                );
            }
            let area = stated.or_else(|| self.drawn.and_then(|drawn| drawn.area(&outlines)));
            let host = self.host(opening, &place);
            self.openings.push(Opening { area: area.unwrap_or(Area::ZERO), outlines, host });
            let is_reached =
                self.level.stairs.iter().any(|stair| stair.opening.as_ref() == Some(&opening.name));
            if !is_reached {
                self.remarks.push(remark(
                    pointer,
                    format!("no stair goes through the opening {:?}", opening.name),
                    "nothing, if it is open to the level below all over; otherwise list the stair that descends through it",
                ));
            }
        }
    }

    fn host(&mut self, opening: &OpeningDocument, place: &str) -> Option<usize> {
        let name = opening.cut_from.as_ref()?;
        let host = self.level.parts.iter().position(|part| part.name.as_ref() == Some(name));
        if host.is_none() {
            let detail = format!("no part of the level is called {name:?}");
            self.problem(
                &format!("{place}/cut_from"),
                detail,
                "give the part that was drawn over the opening this name",
            );
        }
        host
    }

    /// The rest of the level: its outline less the drawn parts that lie in it.
    fn resolve_rest(&mut self, parts: &mut [Part]) {
        let rests: Vec<usize> = (0..self.extents.len())
            .filter(|at| matches!(self.extents.get(*at), Some(Extents::Rest)))
            .collect();
        let Some((&rest, more)) = rests.split_first() else { return };
        for again in more {
            let detail = "two parts are the rest of the level".to_owned();
            self.problem(&format!("/parts/{again}/rest"), detail, "draw one of them");
        }
        let Some(drawn) = self.drawn.filter(|_| !self.outline.plus.is_empty()) else {
            let detail = "the level has no outline to be the rest of".to_owned();
            self.problem(
                &format!("/parts/{rest}/rest"),
                detail,
                "name the outlines of the level in its outline",
            );
            return;
        };
        let level = drawn.region(&self.outline);
        let mut outlines = self.outline.clone();
        for extents in &self.extents {
            let Extents::Drawn(part) = extents else { continue };
            if drawn.region(part).outside(&level, STRIP_FT).is_empty() {
                outlines.cut(part);
            }
        }
        let area = drawn.area(&outlines);
        if let Some(part) = parts.get_mut(rest) {
            part.area = area.unwrap_or(Area::ZERO);
            part.shares = outlines.shares();
        }
        if let Some(extents) = self.extents.get_mut(rest) {
            *extents = Extents::Drawn(outlines);
        }
    }

    fn check_shapes(&mut self) {
        let Some(drawn) = self.drawn else { return };
        let regions: Vec<_> = self
            .extents
            .iter()
            .enumerate()
            .filter_map(|(at, extents)| match extents {
                Extents::Drawn(outlines) => Some((at, drawn.region(outlines))),
                Extents::Stated | Extents::Rest | Extents::Missing => None,
            })
            .collect();
        let level = (!self.outline.plus.is_empty()).then(|| drawn.region(&self.outline));
        let mut found: Vec<(String, String, &str)> = Vec::new();
        for (index, (at, region)) in regions.iter().enumerate() {
            if let Some(level) = &level {
                let out = region.outside(level, STRIP_FT);
                let is_floor = self.level.parts.get(*at).is_some_and(|part| is_floor(part.part_use));
                let is_partly_in = !region.overlaps(level, STRIP_FT).is_empty();
                if let Some(first) = out.first().filter(|_| is_floor || is_partly_in) {
                    let detail = format!("{} lies outside its level: {}", self.name(*at), patch(first));
                    found.push((
                        format!("/parts/{at}"),
                        detail,
                        "correct its outline, or the outline of the level",
                    ));
                }
            }
            for (other, beside) in regions.iter().take(index) {
                if let Some(first) = region.overlaps(beside, STRIP_FT).first() {
                    let detail =
                        format!("{} overlaps {}: {}", self.name(*at), self.name(*other), patch(first));
                    found.push((
                        format!("/parts/{at}"),
                        detail,
                        "draw each floor once: correct one outline, or cut it out by less",
                    ));
                }
            }
            found.extend(self.cut_outs_outside(drawn, *at));
        }
        for (place, detail, mend) in found {
            self.problem(&place, detail, mend);
        }
        self.check_openings(drawn);
        self.openings_apart(drawn);
        self.outer_walls_within(drawn);
    }

    /// Walls inside a level that pass for outer walls: from face to face, they would count with neither or both sides.
    fn outer_walls_within(&mut self, drawn: &Drawn) {
        if self.outline.plus.is_empty() {
            return;
        }
        let level = drawn.region(&self.outline);
        let mut outlines = self.outline.plus.clone();
        for extents in &self.extents {
            let Extents::Drawn(part) = extents else { continue };
            outlines.extend(&part.plus);
        }
        outlines.sort_unstable();
        outlines.dedup();
        for outline in outlines {
            let walls: Vec<String> =
                drawn.outer_walls_within(outline, &level).iter().map(|wall| format!("{wall:?}")).collect();
            if walls.is_empty() {
                continue;
            }
            let found = remark(
                format!("/field_notes/outlines/{outline}/sides"),
                format!(
                    "of {:?}, {} would pass for outer walls and have the level on both sides",
                    drawn.name(outline),
                    walls.join(", ")
                ),
                "say what they are by edge: partition to a garage or to unfinished floor, common_wall to another \
                 dwelling, open where floor goes on",
            );
            if !self.remarks.contains(&found) {
                self.remarks.push(found);
            }
        }
    }

    /// No two openings have a place in common: it would be taken off twice.
    fn openings_apart(&mut self, drawn: &Drawn) {
        let mut regions: Vec<(&str, Region)> = Vec::new();
        let mut found = Vec::new();
        for (at, (opening, document)) in self.openings.iter().zip(&self.level.openings).enumerate() {
            let region = drawn.region(&opening.outlines);
            let over = regions.iter().find_map(|(name, earlier)| {
                let place = region.overlaps(earlier, STRIP_FT).into_iter().next()?;
                Some(format!("the opening {:?} overlaps {name:?}: {}", document.name, patch(&place)))
            });
            found.extend(over.map(|detail| (format!("/openings/{at}"), detail)));
            regions.push((&document.name, region));
        }
        for (place, detail) in found {
            self.problem(&place, detail, "draw each void once: it would be taken off twice");
        }
    }

    fn cut_outs_outside(&self, drawn: &Drawn, at: usize) -> Option<(String, String, &'static str)> {
        let Some(Extents::Drawn(outlines)) = self.extents.get(at) else { return None };
        if self.level.parts.get(at).is_some_and(|part| part.less.is_empty()) {
            return None;
        }
        let whole = drawn.region(&Outlines { plus: outlines.plus.clone(), ..Outlines::default() });
        let cut = drawn.region(&Outlines { plus: outlines.minus.clone(), ..Outlines::default() });
        let out = cut.outside(&whole, STRIP_FT);
        let detail = format!("what is cut out of {} lies outside it: {}", self.name(at), patch(out.first()?));
        Some((
            format!("/parts/{at}/less"),
            detail,
            "cut out only what lies within: the area would be taken off twice",
        ))
    }

    /// An opening lies wholly in the part that it is cut out of, or beyond all parts.
    fn check_openings(&mut self, drawn: &Drawn) {
        const MEND: &str = "draw the part to the railing and leave the opening beyond it, or draw it to the outer \
                            wall and name it in cut_from; not both";
        let mut found = Vec::new();
        for (at, opening) in self.openings.iter().enumerate() {
            let Some(document) = self.level.openings.get(at) else { continue };
            let place = format!("/openings/{at}");
            let host = opening.host.and_then(|host| match self.extents.get(host) {
                Some(Extents::Drawn(outlines)) => Some((host, outlines)),
                _ => None,
            });
            if opening.outlines.plus.is_empty() {
                if let Some((host, _)) = host.filter(|(_, outlines)| drawn.ends_at_railing(outlines)) {
                    let detail = format!(
                        "{} was drawn to a railing, and the opening {:?} is cut out of it: the void would be taken off twice",
                        self.name(host),
                        document.name
                    );
                    found.push((place, detail));
                }
                continue;
            }
            let region = drawn.region(&opening.outlines);
            match host {
                Some((host, outlines)) => {
                    let out = region.outside(&drawn.region(outlines), STRIP_FT);
                    if let Some(first) = out.first() {
                        let is_half = !region.overlaps(&drawn.region(outlines), STRIP_FT).is_empty();
                        let how = if is_half {
                            "partly to the railing and partly over the void"
                        } else {
                            "to the railing"
                        };
                        let detail = format!(
                            "{} was drawn {how}, and the opening {:?} is cut out of it: {} would be taken off twice",
                            self.name(host),
                            document.name,
                            patch(first)
                        );
                        found.push((place, detail));
                    }
                }
                None => found.extend(self.drawn_over(drawn, at, &region, &document.name)),
            }
        }
        for (place, detail) in found {
            self.problem(&place, detail, MEND);
        }
    }

    /// A part drawn over an opening that is not cut out of it.
    fn drawn_over(
        &self,
        drawn: &Drawn,
        opening: usize,
        region: &Region,
        name: &str,
    ) -> Option<(String, String)> {
        self.extents.iter().enumerate().find_map(|(at, extents)| {
            let Extents::Drawn(outlines) = extents else { return None };
            let over = region.overlaps(&drawn.region(outlines), STRIP_FT);
            let detail = format!(
                "{} was drawn over the opening {name:?}, which is not cut out of it: {} has no floor",
                self.name(at),
                patch(over.first()?)
            );
            Some((format!("/openings/{opening}"), detail))
        })
    }

    fn cut_openings(&mut self, parts: &mut [Part]) {
        for at in 0..self.openings.len() {
            let Some((area, host, shares)) = self
                .openings
                .get(at)
                .and_then(|opening| opening.host.map(|host| (opening.area, host, opening.outlines.shares())))
            else {
                continue;
            };
            let Some(part) = parts.get_mut(host) else { continue };
            match part.area.checked_sub(area).filter(|left| *left >= Area::ZERO) {
                Some(left) => {
                    part.area = left;
                    // of a stated area no outline is known: what is cut out of it has no readings that it shares
                    if part.shares.is_empty() {
                        continue;
                    }
                    let cut = shares.into_iter().map(|share| Share { weight: -share.weight, ..share });
                    part.shares.extend(cut);
                }
                None => {
                    let detail = format!("the opening is larger than {}", self.name(host));
                    self.problem(&format!("/openings/{at}"), detail, "check both areas");
                }
            }
        }
    }

    /// Parts and openings that lie in the outline of a level make it up.
    fn check_sum(&mut self, parts: &[Part]) {
        let Some(drawn) = self.drawn.filter(|_| !self.outline.plus.is_empty()) else { return };
        let Some(whole) = drawn.area(&self.outline) else { return };
        let level = drawn.region(&self.outline);
        let inside = |outlines: &Outlines| drawn.region(outlines).outside(&level, STRIP_FT).is_empty();
        let mut sum = Area::ZERO;
        for (part, extents) in parts.iter().zip(&self.extents) {
            let counts = match extents {
                Extents::Drawn(outlines) => inside(outlines),
                Extents::Stated => is_floor(part.part_use),
                Extents::Rest | Extents::Missing => false,
            };
            if counts {
                sum = sum.checked_add(part.area).unwrap_or(sum);
            }
        }
        let mut anywhere = Area::ZERO;
        for opening in &self.openings {
            let is_placed = opening.host.is_some() || !opening.outlines.plus.is_empty();
            let of = if is_placed { &mut sum } else { &mut anywhere };
            if opening.host.is_some() || inside(&opening.outlines) {
                *of = of.checked_add(opening.area).unwrap_or(*of);
            }
        }
        let left = whole.checked_sub(sum).unwrap_or(Area::ZERO);
        // openings known by their area alone may lie within the outline or beyond a railing
        let railing = |extents: &Extents| match extents {
            Extents::Drawn(outlines) => drawn.ends_at_railing(outlines),
            Extents::Stated | Extents::Rest | Extents::Missing => false,
        };
        let beyond = if self.extents.iter().any(railing) { Area::ZERO } else { anywhere };
        let left = left.checked_sub(beyond).unwrap_or(left);
        let less = left.checked_sub(anywhere).unwrap_or(left);
        let left = if less.abs() < left.abs() { less } else { left };
        if left.to_square_feet_f64().abs() > SUM_WITHIN_SQFT {
            let words = if left > Area::ZERO { "belong to no part" } else { "belong to more than one part" };
            self.remarks.push(remark(
                self.pointer.to_owned(),
                format!("{} sq ft of the level's outline {words}", left.abs().to_square_feet(1)),
                "add the part that is missing, or let one part be the rest",
            ));
        }
    }

    fn footprint(&mut self) -> Option<Extent> {
        let place = if self.level.over.is_empty() { "/over_sqft" } else { "/over" };
        let pointer = format!("{}{place}", self.pointer);
        let plus = named(self.drawn, &self.level.over, &pointer, self.problems);
        let outlines = Outlines { plus, ..Outlines::default() };
        let stated = stated_area((self.level.over_sqft, None), "over", &pointer, self.problems);
        let is_half = self.level.storey == Some(Storey::Half);
        if !is_half && (stated.is_some() || !self.level.over.is_empty()) {
            let detail = "only half a storey states the ground area that it stands over".to_owned();
            self.problem(place, detail, "leave it out, or let storey be half");
        }
        match (stated, outlines.plus.is_empty()) {
            (Some(_), false) => {
                let detail = "the ground area is given in two ways".to_owned();
                self.problem("/over", detail, "keep the outlines or the figure");
                None
            }
            (Some(area), true) => Some(Extent { area, shares: Vec::new() }),
            (None, false) => {
                let area = self.drawn.and_then(|drawn| drawn.area(&outlines))?;
                Some(Extent { area, shares: outlines.shares() })
            }
            (None, true) => None,
        }
    }

    /// Treads and landings count up to the size of their opening; what they leave of it is open to below.
    fn add_stairs_and_openings(&mut self, parts: &mut Vec<Part>) {
        let mut treads: Vec<Vec<(Area, Vec<Share>, &StairDocument)>> =
            self.openings.iter().map(|_| Vec::new()).collect();
        for (at, stair) in self.level.stairs.iter().enumerate() {
            let place = format!("/stairs/{at}");
            let pointer = format!("{}{place}", self.pointer);
            let plus = named(self.drawn, &stair.outlines, &format!("{pointer}/outlines"), self.problems);
            let outlines = Outlines { plus, ..Outlines::default() };
            let stated = stated_area((stair.treads_sqft, stair.treads_m2), "treads", &pointer, self.problems);
            let Some(name) = &stair.opening else { continue };
            let drawn = self.drawn.filter(|_| !outlines.plus.is_empty());
            let area = stated.or_else(|| drawn.and_then(|drawn| drawn.area(&outlines)));
            if stated.is_some() != stair.outlines.is_empty() {
                let detail = format!(
                    "the stair {:?} goes through an opening and has {}",
                    stair.name,
                    if stated.is_some() { "an area and outlines" } else { "no area" }
                );
                self.problem(&place, detail, "give the outlines of treads and landings, or their area");
            }
            match self.level.openings.iter().position(|opening| opening.name == *name) {
                Some(opening) => {
                    self.stair_within(at, &outlines, opening);
                    if let Some(list) = treads.get_mut(opening) {
                        list.push((area.unwrap_or(Area::ZERO), outlines.shares(), stair));
                    }
                }
                None => {
                    let detail = format!("no opening of the level is called {name:?}");
                    self.problem(
                        &format!("{place}/opening"),
                        detail,
                        "name one of the openings, or leave it out",
                    );
                }
            }
        }
        for ((opening, document), stairs) in self.openings.iter().zip(&self.level.openings).zip(treads) {
            parts.extend(opening_parts(opening, document, &stairs));
        }
    }

    /// Treads lie in their opening, or fill it.
    fn stair_within(&mut self, at: usize, outlines: &Outlines, opening: usize) {
        let (Some(drawn), Some(opening)) = (self.drawn, self.openings.get(opening)) else { return };
        let Some(stair) = self.level.stairs.get(at) else { return };
        if outlines.plus.is_empty() || opening.outlines.plus.is_empty() {
            return;
        }
        let (treads, void) = (drawn.region(outlines), drawn.region(&opening.outlines));
        if let Some((earlier, place)) = self.treads_over(drawn, at, &treads) {
            let detail = format!("the stair {:?} overlaps {earlier:?}: {}", stair.name, patch(&place));
            self.problem(&format!("/stairs/{at}/outlines"), detail, "draw each tread once");
        }
        let is_filled = void.outside(&treads, STRIP_FT).is_empty();
        if let Some(first) = treads.outside(&void, STRIP_FT).first().filter(|_| !is_filled) {
            let detail = format!("the stair {:?} lies outside its opening: {}", stair.name, patch(first));
            self.problem(
                &format!("/stairs/{at}/outlines"),
                detail,
                "draw the treads within the opening: what lies under the floor counts with the level below",
            );
        }
    }

    /// An earlier stair of the level that has a place in common with these treads.
    fn treads_over(&self, drawn: &Drawn, at: usize, treads: &Region) -> Option<(String, Patch)> {
        self.level.stairs.iter().take(at).find_map(|earlier| {
            let plus = earlier.outlines.iter().filter_map(|name| drawn.index(name)).collect();
            let region = drawn.region(&Outlines { plus, ..Outlines::default() });
            Some((earlier.name.clone(), treads.overlaps(&region, STRIP_FT).into_iter().next()?))
        })
    }

    fn name(&self, at: usize) -> String {
        let part = self.level.parts.get(at);
        match part.and_then(|part| part.name.as_ref()) {
            Some(name) => format!("{name:?}"),
            None => part.map_or_else(String::new, |part| format!("part {at} ({})", part.part_use.name())),
        }
    }
}

/// Whether a part is floor of the level; others may lie beside it.
fn is_floor(part_use: PartUse) -> bool {
    matches!(
        part_use,
        PartUse::Living | PartUse::Recreation | PartUse::Stair | PartUse::Storage | PartUse::Opening
    )
}

fn opening_parts(
    opening: &Opening,
    document: &OpeningDocument,
    stairs: &[(Area, Vec<Share>, &StairDocument)],
) -> Vec<Part> {
    let mut parts = Vec::new();
    let mut left = opening.area;
    let mut left_shares = opening.outlines.shares();
    for (area, shares, stair) in stairs {
        let is_capped = *area >= left;
        let counted = if is_capped { left } else { *area };
        // a stair that fills the opening ends where the opening does
        let shares = if is_capped { core::mem::take(&mut left_shares) } else { shares.clone() };
        // of an opening that was not drawn nothing can be taken: its area stands as stated
        if !is_capped && !opening.outlines.plus.is_empty() {
            left_shares.extend(shares.iter().map(|share| Share { weight: -share.weight, ..*share }));
        }
        left = left.checked_sub(counted).unwrap_or(Area::ZERO);
        if counted > Area::ZERO {
            parts.push(Part {
                name: Some(stair.name.clone()),
                shares,
                finish: stair.finish.unwrap_or(Finish::Finished),
                ..Part::stated(PartUse::Stair, counted)
            });
        }
    }
    if left > Area::ZERO {
        let name = Some(document.name.clone());
        parts.push(Part { name, shares: left_shares, ..Part::stated(PartUse::Opening, left) });
    }
    parts
}
