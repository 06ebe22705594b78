//! The areas of a house under one standard: every part with the rule that decided, the total, and how far it can
//! be off, each cause on its own.

use super::ceiling_rule::{Floor, Piece, PieceCounts, Room};
use super::{ASSUMED_RELATIVE_SD, CountingRule, CountingVerdict, HalfStoreyRule, Placed, Standard, Weight};
use crate::area::{Area, AreaSum};
use crate::ceiling::{scaled, to_f64};
use crate::drawing::{ASSUMED_THICKNESS_SD_FT, Cut};
use crate::house::{Building, Extent, Finish, House, Level, Part, PartUse, Storey};
use crate::measure::area_spread::Share;
use crate::measure::inset::Inset;

/// The areas of a house under one standard.
#[derive(Debug, Clone, PartialEq)]
pub struct AreaStatement {
    /// The standard.
    pub standard: String,
    /// The total that the standard calls the area of the house.
    pub total: Area,
    /// The variance of the total, by origin.
    pub spread: Spread,
    /// Each part, or each piece of a part that its ceiling divides, with what became of it.
    pub lines: Vec<StatementLine>,
    /// What a reader must know about the figures.
    pub notes: Vec<Note>,
}

/// One part, or a piece of one, in an area statement.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StatementLine {
    /// The building's name.
    pub building: String,
    /// The level's number.
    pub level: i32,
    /// The part, by its place on the level; `None` for half a storey, which stands for all parts of it.
    pub part: Option<usize>,
    /// What the office calls the part.
    pub name: Option<String>,
    /// What the part is used as.
    pub part_use: PartUse,
    /// The area that is counted, stated apart or left out, its weight applied.
    pub area: Area,
    /// The same before its weight.
    pub unweighted: Area,
    /// How much of it counts; 1 unless the standard weighs areas.
    pub weight: Weight,
    /// What became of it.
    pub verdict: CountingVerdict,
    /// The heading, where it is counted apart.
    pub heading: Option<String>,
    /// The rule that decided.
    pub rule: String,
    /// The rule in words, with its citation.
    pub because: String,
}

/// What a reader must know about the figures of a statement.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Note {
    /// The standard does not say of which floor a share is asked, and it decides this room.
    BaseMatters {
        /// Building, level and room or part.
        place: String,
    },
    /// A height read a little differently would decide this room otherwise.
    HeightDecides {
        /// Building, level and room or part.
        place: String,
    },
    /// A width lies beyond the heights that were read.
    Extrapolated {
        /// Building, level and room or part.
        place: String,
    },
    /// The area was stated to another face of the outer wall than the standard's, and could not be converted.
    OtherFace {
        /// Building, level and part.
        place: String,
    },
    /// A wall's thickness was assumed, to move a line through it.
    ThicknessAssumed {
        /// Building, level and part.
        place: String,
    },
    /// The walls of a part are thicker than it is wide: its area stands as drawn.
    NotMoved {
        /// Building, level and part.
        place: String,
    },
    /// The ground area of half a storey was taken from the level below.
    FootprintTaken {
        /// Building and level.
        place: String,
    },
    /// Half a storey without a level below: nothing was counted for it.
    NoFootprint {
        /// Building and level.
        place: String,
    },
}

/// The variance of a total by origin, in square feet squared.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Spread {
    /// From the standard deviations stated with the parts, taken as independent.
    pub stated: f64,
    /// From the scale error that all parts share, as stated with the house.
    pub common: f64,
    /// From the share assumed for parts without a stated standard deviation.
    pub assumed: f64,
    /// From the readings of drawn parts.
    pub readings: f64,
    /// From the scale errors of the instruments.
    pub scale: f64,
    /// From what another visit would find different in drawn parts.
    pub between_visits: f64,
    /// From the heights of sloped ceilings.
    pub heights: f64,
    /// From walls whose thickness was assumed.
    pub thickness: f64,
}

impl Spread {
    /// The whole variance.
    #[must_use]
    pub fn variance(self) -> f64 {
        self.stated
            + self.common
            + self.assumed
            + self.readings
            + self.scale
            + self.between_visits
            + self.heights
            + self.thickness
    }
}

impl Standard {
    /// States the areas of a house.
    #[must_use]
    pub fn state(&self, house: &House) -> AreaStatement {
        let mut stating = Stating::new(self, house);
        for building in &house.buildings {
            for (at, level) in building.levels.iter().enumerate() {
                stating.level(building, at, level);
            }
        }
        stating.finish()
    }
}

/// A statement while it is made.
struct Stating<'a> {
    standard: &'a Standard,
    house: &'a House,
    total: AreaSum,
    lines: Vec<StatementLine>,
    notes: Vec<Note>,
    insets: Vec<Inset>,
    by_thickness: f64,
    /// Areas counted whose standard deviation is assumed, weighted, in square feet.
    assumed_sqft: f64,
    spread: Spread,
}

/// A part of a level, its rule and its area by the standard's lines.
struct Ruled<'a> {
    at: usize,
    part: &'a Part,
    rule: &'a CountingRule,
    area: Area,
    cuts: Vec<Cut>,
}

impl<'a> Stating<'a> {
    fn new(standard: &'a Standard, house: &'a House) -> Self {
        Stating {
            standard,
            house,
            total: AreaSum::default(),
            lines: Vec::new(),
            notes: Vec::new(),
            insets: Vec::new(),
            by_thickness: 0.0,
            assumed_sqft: 0.0,
            spread: Spread::default(),
        }
    }

    fn level(&mut self, building: &'a Building, at: usize, level: &'a Level) {
        let mut rooms: Vec<(Option<&str>, Vec<Ruled<'a>>)> = Vec::new();
        for (index, part) in level.parts.iter().enumerate() {
            let placed = Placed {
                building: building.kind,
                level: level.number,
                grade: level.grade,
                storey: level.storey,
                part,
            };
            let Some(rule) = self.standard.rule_for(&placed) else { continue };
            let (area, cuts) = self.measured(building, level, part);
            let ruled = Ruled { at: index, part, rule, area, cuts };
            let room = part.room.as_deref().filter(|_| rule.verdict != CountingVerdict::NotCounted);
            match rooms.iter_mut().find(|(name, _)| room.is_some() && *name == room) {
                Some((_, members)) => members.push(ruled),
                None => rooms.push((room, vec![ruled])),
            }
        }
        let half = self.standard.half_storey.as_ref().filter(|_| level.storey == Storey::Half);
        let mut replaced = false;
        for (_, members) in rooms {
            replaced |= self.room(building, level, &members, half);
        }
        if let Some(half) = half.filter(|_| replaced) {
            self.half_storey(building, at, level, half);
        }
    }

    /// A part's area to the lines of the standard, and the outlines in it.
    fn measured(&mut self, building: &Building, level: &Level, part: &Part) -> (Area, Vec<Cut>) {
        if part.shares.is_empty() {
            if part.measured_to.is_some_and(|face| face != self.standard.measured_to) {
                self.notes.push(Note::OtherFace { place: place(building, level, part) });
            }
            return (part.area, Vec::new());
        }
        match self.cut(part.area, &part.shares, is_finished(part)) {
            Some((area, cuts)) => {
                if cuts.iter().any(|cut| cut.by_assumed_thickness != 0.0) {
                    self.notes.push(Note::ThicknessAssumed { place: place(building, level, part) });
                }
                (area, cuts)
            }
            None => {
                self.notes.push(Note::NotMoved { place: place(building, level, part) });
                let as_drawn = |share: &Share| Cut {
                    inset: Inset { outline: share.outline, weight: share.weight, inward_ft: Vec::new() },
                    change: Area::ZERO,
                    by_assumed_thickness: 0.0,
                };
                (part.area, part.shares.iter().map(as_drawn).collect())
            }
        }
    }

    /// What was drawn, corrected by what each of its outlines changes when it is cut to the standard's lines.
    fn cut(&self, drawn: Area, shares: &[Share], is_finished: bool) -> Option<(Area, Vec<Cut>)> {
        let drawing = self.house.drawing.as_ref()?;
        let mut area = drawn;
        let mut cuts = Vec::with_capacity(shares.len());
        for share in shares {
            let cut = drawing.cut(*share, self.standard.lines(), is_finished)?;
            let is_added = share.weight >= 0.0;
            area = if is_added { area.checked_add(cut.change)? } else { area.checked_sub(cut.change)? };
            cuts.push(cut);
        }
        Some((area, cuts))
    }

    /// States the parts of one room; tells whether half a storey stands for any of them.
    fn room(
        &mut self,
        building: &Building,
        level: &Level,
        members: &[Ruled<'a>],
        half: Option<&HalfStoreyRule>,
    ) -> bool {
        let rule = self.standard.ceiling.as_ref();
        let looks = |ruled: &Ruled<'_>| {
            ruled.rule.ceiling
                && ruled.rule.verdict != CountingVerdict::NotCounted
                && !(half.is_some() && ruled.rule.verdict == CountingVerdict::Counted)
        };
        let any_ceiling = members.iter().any(|ruled| ruled.part.ceiling.is_some() && looks(ruled));
        let taken = rule.filter(|_| any_ceiling).map(|rule| {
            let floor = |ruled: &Ruled<'a>| Floor { area: ruled.area, ceiling: ruled.part.ceiling.as_ref() };
            let room = rule.take_apart(&members.iter().map(floor).collect::<Vec<_>>());
            (rule, room)
        });
        if let Some((_, room)) = &taken {
            let named = members.first().map_or_else(String::new, |first| place(building, level, first.part));
            self.room_notes(room, named);
        }
        let mut replaced = false;
        for (index, ruled) in members.iter().enumerate() {
            let is_replaced = half.is_some() && ruled.rule.verdict == CountingVerdict::Counted;
            replaced |= is_replaced;
            match (&taken, half) {
                (_, Some(half)) if is_replaced => {
                    let line = self.line(building, level, ruled, ruled.area, &Weight::zero());
                    let verdict = CountingVerdict::NotCounted;
                    self.lines.push(StatementLine {
                        verdict,
                        weight: Weight::default(),
                        area: ruled.area,
                        rule: half.id.clone(),
                        because: half.because.clone(),
                        ..line
                    });
                }
                (Some((rule, room)), _) if looks(ruled) => {
                    self.pieces(building, level, ruled, (rule, room), index);
                }
                _ => self.whole(building, level, ruled),
            }
        }
        replaced
    }

    fn room_notes(&mut self, room: &Room, place: String) {
        let found = [
            (room.base_matters, Note::BaseMatters { place: place.clone() }),
            (room.height_decides, Note::HeightDecides { place: place.clone() }),
            (room.extrapolated, Note::Extrapolated { place }),
        ];
        self.notes.extend(found.into_iter().filter_map(|(is_so, note)| is_so.then_some(note)));
    }

    /// A part that no ceiling divides.
    fn whole(&mut self, building: &Building, level: &Level, ruled: &Ruled<'_>) {
        let weight = &ruled.rule.weight;
        let line = self.line(building, level, ruled, ruled.area, weight);
        if ruled.rule.verdict == CountingVerdict::Counted {
            self.total.add(line.area);
            self.count(ruled, to_f64(weight.exact()));
        }
        self.lines.push(line);
    }

    /// The pieces of a part, the last one taking what rounding leaves.
    fn pieces(
        &mut self,
        building: &Building,
        level: &Level,
        ruled: &Ruled<'_>,
        (rule, room): (&super::CeilingRule, &Room),
        index: usize,
    ) {
        let pieces: &[Piece] = room.pieces.get(index).map_or(&[], Vec::as_slice);
        let (mut left, mut counted) = (ruled.area, 0.0);
        for (at, piece) in pieces.iter().enumerate() {
            let size = if at + 1 == pieces.len() { Some(left) } else { scaled(ruled.area, &piece.share) };
            let Some(size) = size else { continue };
            left = left.checked_sub(size).unwrap_or(Area::ZERO);
            let (weight, verdict, heading) = match &piece.counts {
                PieceCounts::At(weight) => (weight.clone(), ruled.rule.verdict, ruled.rule.heading.clone()),
                PieceCounts::Low => {
                    (Weight::default(), set_aside(rule.low_heading.as_ref()), rule.low_heading.clone())
                }
                PieceCounts::RoomFails => {
                    let heading = rule.room.as_ref().and_then(|room| room.fails_heading.clone());
                    (Weight::default(), set_aside(heading.as_ref()), heading)
                }
            };
            let is_of_rule = matches!(piece.counts, PieceCounts::At(_));
            let weight = if is_of_rule && verdict == CountingVerdict::Counted {
                Weight::product(&weight, &ruled.rule.weight)
            } else {
                weight
            };
            let mut line = self.line(building, level, ruled, size, &weight);
            line.verdict = verdict;
            line.heading = heading;
            if !is_of_rule || !weight.is_one() && ruled.rule.weight.is_one() {
                line.rule.clone_from(&rule.id);
                line.because.clone_from(&rule.because);
            }
            if verdict == CountingVerdict::Counted {
                self.total.add(line.area);
                counted += to_f64(weight.exact()) * to_f64(&piece.share);
            }
            self.lines.push(line);
        }
        if counted > 0.0 {
            // once a part: its pieces move together
            self.count(ruled, counted);
            let heights =
                room.share_sd.get(index).copied().unwrap_or(0.0) * to_f64(ruled.rule.weight.exact());
            let heights = ruled.area.to_square_feet_f64() * heights;
            self.spread.heights += heights * heights;
        }
    }

    /// A line of a part; the area is weighted.
    fn line(
        &self,
        building: &Building,
        level: &Level,
        ruled: &Ruled<'_>,
        area: Area,
        weight: &Weight,
    ) -> StatementLine {
        let is_weighted = ruled.rule.verdict == CountingVerdict::Counted && !weight.is_one();
        StatementLine {
            building: building.name.clone(),
            level: level.number,
            part: Some(ruled.at),
            name: ruled.part.name.clone(),
            part_use: ruled.part.part_use,
            area: if is_weighted { scaled(area, weight.exact()).unwrap_or(Area::ZERO) } else { area },
            unweighted: area,
            weight: weight.clone(),
            verdict: ruled.rule.verdict,
            heading: ruled.rule.heading.clone(),
            rule: ruled.rule.id.clone(),
            because: ruled.rule.because.clone(),
        }
    }

    /// Adds the spread of a part of which so much is counted, weight and share together.
    fn count(&mut self, ruled: &Ruled<'_>, factor: f64) {
        for cut in &ruled.cuts {
            let weight = cut.inset.weight * factor;
            self.by_thickness += weight * cut.by_assumed_thickness;
            self.insets.push(Inset { weight, ..cut.inset.clone() });
        }
        match ruled.part.sd_sqft {
            _ if !ruled.cuts.is_empty() => {}
            Some(sd) => self.spread.stated += sd * factor * sd * factor,
            None => self.assumed_sqft += ruled.area.to_square_feet_f64() * factor,
        }
    }

    /// Half a storey: a share of the ground area that it stands over.
    fn half_storey(&mut self, building: &Building, at: usize, level: &Level, rule: &HalfStoreyRule) {
        let place = format!("{}, level {}", building.name, level.number);
        let footprint = match &level.footprint {
            Some(stated) => Some(stated.clone()),
            None => {
                let below = below(self.standard, building, at);
                self.notes.push(match &below {
                    Some(_) => Note::FootprintTaken { place: place.clone() },
                    None => Note::NoFootprint { place: place.clone() },
                });
                below
            }
        };
        let Some(footprint) = footprint else { return };
        let (ground, cuts) = match self.cut(footprint.area, &footprint.shares, true) {
            Some(cut) if !footprint.shares.is_empty() => cut,
            Some(_) | None => (footprint.area, Vec::new()),
        };
        let area = scaled(ground, rule.share.exact()).unwrap_or(Area::ZERO);
        self.total.add(area);
        let factor = to_f64(rule.share.exact());
        if cuts.is_empty() {
            self.assumed_sqft += area.to_square_feet_f64();
        }
        for cut in cuts {
            let weight = cut.inset.weight * factor;
            self.by_thickness += weight * cut.by_assumed_thickness;
            self.insets.push(Inset { weight, ..cut.inset });
        }
        self.lines.push(StatementLine {
            building: building.name.clone(),
            level: level.number,
            part: None,
            name: None,
            part_use: PartUse::Living,
            area,
            unweighted: ground,
            weight: rule.share.clone(),
            verdict: CountingVerdict::Counted,
            heading: None,
            rule: rule.id.clone(),
            because: rule.because.clone(),
        });
    }

    fn finish(self) -> AreaStatement {
        let total = self.total.to_area().unwrap_or(Area::ZERO);
        let mut spread = self.spread;
        let assumed = self.assumed_sqft * ASSUMED_RELATIVE_SD;
        spread.assumed = assumed * assumed;
        let common = total.to_square_feet_f64() * self.house.common_relative_sd.unwrap_or(0.0);
        spread.common = common * common;
        let drawing = self.house.drawing.as_ref().filter(|_| !self.insets.is_empty());
        if let Some(drawn) = drawing.and_then(|drawing| drawing.worked.inset_area(&self.insets)) {
            let square = |sd: f64| sd * sd;
            spread.readings = square(drawn.readings_sd_sqft);
            spread.scale = square(drawn.scale_sd_sqft);
            spread.between_visits = square(drawn.between_visits_sd_sqft);
            spread.thickness = square(self.by_thickness * ASSUMED_THICKNESS_SD_FT);
        }
        AreaStatement {
            standard: self.standard.id.clone(),
            total,
            spread,
            lines: self.lines,
            notes: self.notes,
        }
    }
}

fn set_aside(heading: Option<&String>) -> CountingVerdict {
    if heading.is_some() { CountingVerdict::Apart } else { CountingVerdict::NotCounted }
}

fn is_finished(part: &Part) -> bool {
    part.finish != Finish::Unfinished && part.part_use != PartUse::Garage
}

fn place(building: &Building, level: &Level, part: &Part) -> String {
    let name = part.room.as_deref().or(part.name.as_deref());
    let name = name.map_or_else(|| part.part_use.name().replace('_', " "), str::to_owned);
    format!("{}, level {}, {name}", building.name, level.number)
}

/// The ground area of the level below: its outline, or its parts that the standard counts whole.
fn below(standard: &Standard, building: &Building, at: usize) -> Option<Extent> {
    let number = building.levels.get(at)?.number;
    let level =
        building.levels.iter().filter(|level| level.number < number).max_by_key(|level| level.number)?;
    let mut extent = Extent::default();
    for part in &level.parts {
        let placed = Placed {
            building: building.kind,
            level: level.number,
            grade: level.grade,
            storey: Storey::Full,
            part,
        };
        let counts = standard.rule_for(&placed).is_some_and(|rule| rule.verdict == CountingVerdict::Counted);
        if counts {
            extent.area = extent.area.checked_add(part.area)?;
            extent.shares.extend(part.shares.iter().copied());
        }
    }
    Some(extent)
}
