//! Dimensions: where each one goes so that it covers nothing.
//!
//! Every edge has a choice of places with a cost in pixels; the cheapest one that is free is taken. A dimension that
//! is shorter than its wall gets a dimension line, near the wall or in one row with others outside the house, shorter
//! walls first, so that they lie nearer. The others stand beside their wall or at the end of a leader.

use super::ink::{Item, Pen};
use super::lettering::{Hold, Lettering, Role, width};
use super::scene::{Scene, Side};
use super::shape::{Block, Line, Ring, Spot};

/// Size of the lettering.
pub(super) const SIZE: f64 = 10.5;
const NOTE_SIZE: f64 = 9.5;
/// From the wall to the first dimension line, and from one to the next.
const ROW: f64 = 20.0;
const ROWS: usize = 7;
/// From a dimension line to the text above it.
const LIFT: f64 = 2.5;
/// From the wall to its extension line, and how far that goes past the dimension line.
const GAP: f64 = 4.0;
const PAST: f64 = 4.0;
/// Half a slash across the end of a dimension line, in each direction.
const TICK: f64 = 3.2;
/// Room for the mark before a note on a reading.
const MARK: f64 = 11.0;
/// A leader shorter than this is left out: the text stands beside its wall.
const LEADER_LEAST: f64 = 8.0;

/// The words of an edge.
#[derive(Debug, Clone)]
struct Words {
    dimension: Option<String>,
    suspect: Option<String>,
}

/// A place for the words of an edge.
#[derive(Debug, Clone, Default)]
struct Trial {
    texts: Vec<Lettering>,
    mark: Option<Block>,
    dimension: Option<Line>,
    extensions: Vec<Line>,
    leader: Option<Line>,
    cost: f64,
}

/// Places the dimensions of all edges.
pub(super) fn place_all(scene: &mut Scene<'_>) {
    let mut fitting = Vec::new();
    let mut others = Vec::new();
    let mut inner = Vec::new();
    for (at, side) in scene.sides.clone().into_iter().enumerate() {
        let words = Words::of(&side);
        if (words.dimension.is_none() && words.suspect.is_none()) || is_repeated(scene, at) {
            continue;
        }
        match side.outward {
            None => inner.push((side, words)),
            Some(_) if words.fits(side.line.length()) => fitting.push((side, words)),
            Some(_) => others.push((side, words)),
        }
    }
    // level walls first: rows belong to them, and slanting walls have more places to choose from
    let order = |side: &Side<'_>| (u8::from(!is_level(side.line.along())), side.line.length());
    fitting.sort_by(|(one, _), (other, _)| {
        let ((slant, length), (other_slant, other_length)) = (order(one), order(other));
        slant.cmp(&other_slant).then(length.total_cmp(&other_length))
    });
    for (side, words) in fitting.into_iter().chain(others).chain(inner) {
        place(scene, &side, &words);
    }
}

/// Whether an earlier edge says the same of the same wall: two regions may both bring the wall between them.
fn is_repeated(scene: &Scene<'_>, at: usize) -> bool {
    let Some(edge) = scene.plan.edges.get(at) else { return false };
    scene.plan.edges.iter().take(at).any(|other| {
        let has_its_ends =
            (other.from, other.to) == (edge.from, edge.to) || (other.to, other.from) == (edge.from, edge.to);
        has_its_ends && other.dimension == edge.dimension && other.suspect == edge.suspect
    })
}

impl Words {
    fn of(side: &Side<'_>) -> Self {
        let on_one_line = |text: &String| {
            let lines = super::lettering::wrapped(text, SIZE, Role::Dimension, 220.0, 1);
            lines.into_iter().next()
        };
        let dimension = side.edge.dimension.as_ref().and_then(on_one_line);
        let dimension = dimension.map(|text| if side.edge.is_derived { format!("({text})") } else { text });
        Self { dimension, suspect: side.edge.suspect.as_ref().and_then(on_one_line) }
    }

    fn dimension_width(&self) -> f64 {
        self.dimension.as_ref().map_or(0.0, |text| width(text, SIZE, Role::Dimension))
    }

    fn suspect_width(&self) -> f64 {
        self.suspect.as_ref().map_or(0.0, |text| width(text, NOTE_SIZE, Role::Suspect) + MARK)
    }

    fn width(&self) -> f64 {
        self.dimension_width().max(self.suspect_width())
    }

    /// Whether they go between the ends of a dimension line.
    fn fits(&self, length: f64) -> bool {
        self.dimension.is_some() && length >= self.width() + 8.0
    }

    fn height(&self) -> f64 {
        let dimension = if self.dimension.is_some() { SIZE } else { 0.0 };
        let suspect = if self.suspect.is_some() { NOTE_SIZE } else { 0.0 };
        dimension + suspect + if dimension > 0.0 && suspect > 0.0 { 2.5 } else { 0.0 }
    }

    fn in_one(&self) -> String {
        let words: Vec<&str> = self.dimension.iter().chain(&self.suspect).map(String::as_str).collect();
        words.join(", ")
    }

    /// The note on the reading, its middle at `middle`, with its mark.
    fn note(&self, trial: &mut Trial, middle: Spot, along: Spot) {
        let Some(text) = &self.suspect else { return };
        let start = middle.plus(along, -self.suspect_width() / 2.0);
        let mut text = Lettering::turned(text, start.plus(along, MARK), NOTE_SIZE, Role::Suspect, along);
        text.hold = Hold::Start;
        trial.texts.push(text);
        let half = NOTE_SIZE / 2.0;
        let mark = start.plus(along, half);
        trial.mark = Some(Block { middle: mark, half_width: half, half_height: half, along });
    }

    /// Level words, one under the other, around `middle`.
    fn stacked(&self, middle: Spot) -> Trial {
        let mut trial = Trial::default();
        let top = middle.y - self.height() / 2.0;
        if let Some(text) = &self.dimension {
            let at = Spot::new(middle.x, top + SIZE / 2.0);
            trial.texts.push(Lettering::centred(text, at, SIZE, Role::Dimension));
        }
        let bottom = middle.y + self.height() / 2.0 - NOTE_SIZE / 2.0;
        self.note(&mut trial, Spot::new(middle.x, bottom), Spot::new(1.0, 0.0));
        trial
    }
}

fn place(scene: &mut Scene<'_>, side: &Side<'_>, words: &Words) {
    let mut trials = Vec::new();
    if let Some(outward) = side.outward {
        if words.fits(side.line.length()) {
            trials.extend(on_lines(scene, side, words, outward));
        }
        trials.extend(beside(side, words, outward, if is_level(outward) { 14.0 } else { 8.0 }));
        trials.extend(leaders(side, words, outward));
    } else {
        let normal = side.line.along().turned();
        for direction in [normal.opposite(), normal] {
            trials.extend(beside(side, words, direction, 0.0));
            if words.suspect.is_some() {
                trials.extend(leaders(side, words, direction));
            }
        }
    }
    if let Some(trial) = cheapest(scene, side, trials) {
        draw(scene, trial);
    } else if side.outward.is_some() || words.suspect.is_some() {
        place_key(scene, side, words);
    }
}

/// Where there is no room for the words, a number stands on the wall and the words under the drawing.
fn place_key(scene: &mut Scene<'_>, side: &Side<'_>, words: &Words) {
    let key = scene.next_key();
    let short = Words { dimension: Some(key.clone()), suspect: None };
    let normal = side.line.along().turned();
    let directions = side.outward.map_or_else(|| vec![normal.opposite(), normal], |outward| vec![outward]);
    let trials = directions.into_iter().flat_map(|direction| leaders(side, &short, direction)).collect();
    match cheapest(scene, side, trials) {
        Some(trial) => {
            draw(scene, trial);
            scene.keyed.push((key, words.in_one()));
        }
        None => scene.listed.push(words.in_one()),
    }
}

/// On a dimension line: near the wall, or in a row outside the house.
fn on_lines(scene: &Scene<'_>, side: &Side<'_>, words: &Words, outward: Spot) -> Vec<Trial> {
    let farther = if is_level(outward) { 6.0 } else { 25.0 };
    let mut offsets: Vec<(f64, f64)> =
        (0..3_u8).map(f64::from).map(|row| (ROW + row * ROW, row * farther)).collect();
    if is_level(outward) {
        let bounds = scene.bounds;
        let extreme = bounds.low.dot(outward).max(bounds.high.dot(outward));
        let to_row = extreme - side.line.middle().dot(outward);
        // extension lines longer than the wall itself are a far way to look
        let far = to_row * 0.05 - 3.0 + (to_row - side.line.length()).max(0.0) * 0.05;
        let rows = (0..ROWS).map(|row| row as f64);
        offsets.extend(rows.map(|row| (to_row + ROW + row * ROW, far + row * 4.0)));
    }
    let mut trials = Vec::new();
    for (offset, cost) in offsets {
        let line = side.line.moved(outward, offset);
        let cost = cost + scene.ends_on_walls(line) as f64 * 7.5;
        let extension = |corner: Spot| {
            let whole = Line::new(corner, corner.plus(outward, offset + PAST));
            let free = scene.past_walls(whole, GAP);
            (free.to.minus(free.from).dot(outward) > 2.0).then_some(free)
        };
        let extensions: Vec<Line> =
            [side.line.from, side.line.to].into_iter().filter_map(extension).collect();
        let along = reading(line.along());
        let room = (line.length() - words.width() - 8.0) / 2.0;
        for (shift, dearer) in [(0.0, 0.0), (-0.5, 3.0), (0.5, 3.0), (-1.0, 5.0), (1.0, 5.0)] {
            let middle = line.middle().plus(along, room * shift);
            let up = along.turned().opposite();
            let mut trial = Trial {
                dimension: Some(line),
                extensions: extensions.clone(),
                cost: cost + dearer,
                ..Trial::default()
            };
            if let Some(text) = &words.dimension {
                let at = middle.plus(up, LIFT + SIZE / 2.0);
                trial.texts.push(Lettering::turned(text, at, SIZE, Role::Dimension, along));
            }
            words.note(&mut trial, middle.plus(up, -(LIFT + NOTE_SIZE / 2.0)), along);
            trials.push(trial);
        }
    }
    trials
}

/// Along the wall without a line; level beside an upright or slanting wall that is too short.
fn beside(side: &Side<'_>, words: &Words, outward: Spot, cost: f64) -> Vec<Trial> {
    let along = reading(side.line.along());
    let mut trials = Vec::new();
    if side.line.length() < words.width() + 4.0 || words.suspect.is_some() {
        return trials;
    }
    let Some(text) = &words.dimension else { return trials };
    for (share, dearer) in [(0.5, 0.0), (0.38, 1.0), (0.62, 1.0), (0.27, 2.0), (0.73, 2.0)] {
        let at = side.line.at(share).plus(outward, SIZE / 2.0 + 4.5);
        let reach = side.line.length() * (0.5 - libm::fabs(share - 0.5)) - words.width() / 2.0;
        if reach >= 2.0 {
            let texts = vec![Lettering::turned(text, at, SIZE, Role::Dimension, along)];
            trials.push(Trial { texts, cost: cost + dearer, ..Trial::default() });
        }
    }
    trials
}

/// Level words away from the wall, with a leader where they are not next to it.
fn leaders(side: &Side<'_>, words: &Words, outward: Spot) -> Vec<Trial> {
    const DISTANCES: [f64; 12] = [5.0, 9.0, 14.0, 20.0, 27.0, 36.0, 48.0, 62.0, 80.0, 105.0, 140.0, 185.0];
    const DEGREES: [f64; 11] = [0.0, 20.0, -20.0, 40.0, -40.0, 55.0, -55.0, 68.0, -68.0, 80.0, -80.0];
    let half = Spot::new(words.width() / 2.0, words.height() / 2.0);
    let dear = match (words.fits(side.line.length()), is_level(outward)) {
        (true, true) => 30.0,
        (true, false) => 12.0,
        (false, _) => 8.0,
    };
    let mut trials = Vec::new();
    for share in [0.5, 0.3, 0.7] {
        let start = side.line.at(share).plus(outward, 2.5);
        for degrees in DEGREES {
            let radians = degrees * core::f64::consts::PI / 180.0;
            let (sin, cos) = (libm::sin(radians), libm::cos(radians));
            let direction = Spot::new(outward.x * cos - outward.y * sin, outward.x * sin + outward.y * cos);
            let support = half.x * direction.x.abs() + half.y * direction.y.abs();
            for distance in DISTANCES {
                let middle = start.plus(direction, distance + support);
                let mut trial = words.stacked(middle);
                let end = Spot::new(
                    start.x.clamp(middle.x - half.x - 2.0, middle.x + half.x + 2.0),
                    start.y.clamp(middle.y - half.y - 2.0, middle.y + half.y + 2.0),
                );
                let leader = Line::new(start, end);
                let is_near = leader.length() < LEADER_LEAST && share == 0.5 && degrees.abs() < 30.0;
                trial.leader = (!is_near).then_some(leader);
                trial.cost = dear + distance * 0.22 + degrees.abs() * 0.08 + libm::fabs(share - 0.5) * 10.0;
                trial.cost += if is_near { 0.0 } else { 6.0 };
                trials.push(trial);
            }
        }
    }
    trials
}

/// The cheapest trial that covers nothing.
fn cheapest(scene: &Scene<'_>, side: &Side<'_>, mut trials: Vec<Trial>) -> Option<Trial> {
    trials.sort_by(|one, other| one.cost.total_cmp(&other.cost));
    let mut best: Option<(f64, Trial)> = None;
    for trial in trials {
        if best.as_ref().is_some_and(|(cost, _)| *cost <= trial.cost) {
            break;
        }
        let Some(cost) = cost(scene, side, &trial) else { continue };
        if best.as_ref().is_none_or(|(least, _)| cost < *least) {
            best = Some((cost, trial));
        }
    }
    best.map(|(_, trial)| trial)
}

fn cost(scene: &Scene<'_>, side: &Side<'_>, trial: &Trial) -> Option<f64> {
    let blocks: Vec<Block> = trial.texts.iter().map(Lettering::block).chain(trial.mark).collect();
    if !blocks.iter().all(|block| scene.has_room(block)) {
        return None;
    }
    // outside means outside: a text in the next region would be read as belonging to it
    let is_within =
        |block: &Block| block.corners().into_iter().chain([block.middle]).any(|spot| scene.is_covered(spot));
    if side.outward.is_some() && blocks.iter().any(is_within) {
        return None;
    }
    let mut cost = trial.cost;
    let own = trial.dimension.iter().chain(&trial.leader).copied();
    if let Some(line) = trial.dimension {
        cost += scene.line_cost(line)?;
    }
    if let Some(line) = trial.leader {
        // a leader that crosses an extension line points out of the space its wall belongs to
        cost += scene.line_cost(line)? * 2.5;
    }
    for line in &trial.extensions {
        cost += scene.extension_cost(*line)?;
    }
    let ticks = trial.dimension.iter().flat_map(|line| ticks(*line));
    for tick in ticks {
        if scene.blocks.iter().any(|block| block.grown(1.0).touches(tick)) {
            return None;
        }
    }
    let mut lines = own.chain(trial.extensions.iter().copied());
    let covered = lines.any(|line| blocks.iter().any(|block| block.grown(0.5).touches(line)));
    (!covered).then_some(cost)
}

fn draw(scene: &mut Scene<'_>, trial: Trial) {
    if let Some(block) = trial.mark {
        scene.blocks.push(block);
        scene.items.push(Item::Filled("plan-suspect-mark", mark(block)));
    }
    for text in trial.texts {
        scene.place(text);
    }
    if let Some(line) = trial.dimension {
        // neighbours in a row share an extension line: drawn twice it would look heavier
        let extensions = trial.extensions.into_iter().filter(|line| !scene.is_drawn(*line)).collect();
        scene.rule(Pen::Extension, extensions);
        scene.rule(Pen::Dimension, vec![line]);
        scene.tick(ticks(line).to_vec());
    }
    if let Some(leader) = trial.leader {
        scene.items.push(Item::Filled("plan-leader-dot", dot(leader.from, 1.6)));
        scene.rule(Pen::Leader, vec![leader]);
    }
}

/// The slashes at the ends of a dimension line.
fn ticks(line: Line) -> [Line; 2] {
    let along = reading(line.along());
    let up = along.turned().opposite();
    let tick =
        |end: Spot| Line::new(end.plus(along, -TICK).plus(up, -TICK), end.plus(along, TICK).plus(up, TICK));
    [tick(line.from), tick(line.to)]
}

/// A triangle in its box.
pub(super) fn mark(block: Block) -> Ring {
    let [_, _, right, left] = block.grown(-0.8).corners();
    let top = block.middle.plus(block.along.turned(), -block.half_height + 0.8);
    vec![top, right, left]
}

/// A disc as an octagon, which no eye tells from a circle at this size.
pub(super) fn dot(middle: Spot, radius: f64) -> Ring {
    let slant = radius * core::f64::consts::FRAC_1_SQRT_2;
    let around = [
        (radius, 0.0),
        (slant, slant),
        (0.0, radius),
        (-slant, slant),
        (-radius, 0.0),
        (-slant, -slant),
        (0.0, -radius),
        (slant, -slant),
    ];
    around.into_iter().map(|(x, y)| Spot::new(middle.x + x, middle.y + y)).collect()
}

/// Whether a line in this direction is level or upright on the sheet.
fn is_level(along: Spot) -> bool {
    along.x.abs() < 2e-3 || along.y.abs() < 2e-3
}

/// The direction in which a text along a line is read: from below or from the right, never upside down.
pub(super) fn reading(along: Spot) -> Spot {
    // within some five degrees of upright a wall is read like an upright one, whichever way it leans
    let is_upright = along.x.abs() < 0.09;
    if (is_upright && along.y > 0.0) || (!is_upright && along.x < 0.0) {
        return along.opposite();
    }
    along
}
