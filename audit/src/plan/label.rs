//! Labels of regions: in the middle of where there is most room, smaller or upright where it is narrow, and as a
//! number with the words under the drawing where even that does not fit.

use super::dimension::dot;
use super::ink::{Item, Pen};
use super::lettering::{LEADING, Lettering, Role, on_one_line, width, wrapped};
use super::scene::Scene;
use super::shape::{Block, Bounds, Line, Ring, Spot, is_inside, sides};

/// Places tried along each side of the box around a region.
const GRID: u8 = 33;
/// Sizes of name and further lines and their direction, the first choice first.
const STYLES: [(f64, f64, Spot); 6] = [
    (12.0, 10.5, LEVEL),
    (10.5, 9.5, LEVEL),
    (12.0, 10.5, UPRIGHT),
    (10.5, 9.5, UPRIGHT),
    (9.0, 8.5, LEVEL),
    (9.0, 8.5, UPRIGHT),
];
/// How wide a name may be before it is broken.
const WIDTHS: [f64; 4] = [190.0, 120.0, 84.0, 60.0];
/// Room to the walls, the first choice first.
const ROOM: [f64; 3] = [12.0, 6.0, 2.0];
const NAME_LINES: usize = 4;
const MORE_LINES: usize = 2;

/// Lines of a label with size and role.
type Lines = Vec<(String, f64, Role)>;

/// Labels all regions.
pub(super) fn place_all(scene: &mut Scene<'_>) {
    for (at, region) in scene.plan.regions.iter().enumerate() {
        let Some(rings) = scene.regions.get(at).cloned() else { continue };
        let mut others = scene.openings.clone();
        others.extend(scene.stairs.iter().cloned());
        for (other, more) in scene.regions.iter().enumerate() {
            if other != at && !surrounds(more, &rings) {
                others.extend(more.iter().take(1).cloned());
            }
        }
        let spots = spots(scene, &rings, &others);
        if place(scene, &spots, &region.name, &region.lines) {
            continue;
        }
        let mut words = vec![on_one_line(&region.name)];
        words.extend(region.lines.iter().map(|line| on_one_line(line)));
        words.retain(|line| !line.is_empty());
        let key = scene.next_key();
        if place_key(scene, &spots, &key) {
            scene.keyed.push((key, words.join(", ")));
        } else {
            scene.listed.push(words.join(", "));
        }
    }
}

/// A number in the region, or beside it with a leader that ends in it.
fn place_key(scene: &mut Scene<'_>, spots: &[Spot], key: &str) -> bool {
    for size in [10.5, 9.0, 8.0] {
        let lines = vec![(key.to_owned(), size, Role::RegionName)];
        let within = [6.0, 2.0, 0.0].into_iter().find_map(|room| trial(scene, spots, &lines, LEVEL, room));
        if let Some(texts) = within {
            texts.into_iter().for_each(|text| scene.place(text));
            return true;
        }
    }
    let Some(pole) = spots.first() else { return false };
    let diagonal = core::f64::consts::FRAC_1_SQRT_2;
    let ways = [(1.0, 0.0), (0.0, -1.0), (-1.0, 0.0), (0.0, 1.0)].into_iter().chain([
        (diagonal, -diagonal),
        (-diagonal, -diagonal),
        (-diagonal, diagonal),
        (diagonal, diagonal),
    ]);
    let ways: Vec<Spot> = ways.map(|(x, y)| Spot::new(x, y)).collect();
    for distance in (2..12_u8).map(|step| f64::from(step) * 10.0) {
        for way in &ways {
            let text = Lettering::centred(key, pole.plus(*way, distance), 10.5, Role::RegionName);
            let leader = Line::new(*pole, pole.plus(*way, distance - 9.0));
            let covers = scene.blocks.iter().any(|block| block.grown(2.0).touches(leader));
            if scene.has_room(&text.block()) && !covers {
                scene.place(text);
                scene.rule(Pen::Leader, vec![leader]);
                scene.items.push(Item::Filled("plan-leader-dot", dot(*pole, 1.6)));
                return true;
            }
        }
    }
    false
}

/// A label within a ring; whether there was room.
pub(super) fn place_within(scene: &mut Scene<'_>, ring: &Ring, words: &str) -> bool {
    let spots = spots(scene, core::slice::from_ref(ring), &[]);
    let orientations = [LEVEL, UPRIGHT];
    for size in [10.0, 9.0, 8.0] {
        for most in WIDTHS {
            let lines = wrapped(words, size, Role::Fixture, most, NAME_LINES);
            if lines.join(" ") != on_one_line(words) {
                continue;
            }
            let lines: Lines = lines.into_iter().map(|line| (line, size, Role::Fixture)).collect();
            for along in orientations {
                if let Some(texts) = trial(scene, &spots, &lines, along, 4.0) {
                    texts.into_iter().for_each(|text| scene.place(text));
                    return true;
                }
            }
        }
    }
    false
}

const LEVEL: Spot = Spot::new(1.0, 0.0);
const UPRIGHT: Spot = Spot::new(0.0, -1.0);

fn place(scene: &mut Scene<'_>, spots: &[Spot], name: &str, more: &[String]) -> bool {
    for (name_size, size, along) in STYLES {
        for room in ROOM {
            for most in WIDTHS {
                let Some(lines) = lines(name, more, name_size, size, most) else { continue };
                if lines.is_empty() {
                    return true;
                }
                if let Some(texts) = trial(scene, spots, &lines, along, room) {
                    texts.into_iter().for_each(|text| scene.place(text));
                    return true;
                }
            }
        }
    }
    false
}

/// The lines of a label; `None` where a word would be broken or left out, because a key reads better.
fn lines(name: &str, more: &[String], name_size: f64, size: f64, most: f64) -> Option<Lines> {
    let mut lines: Lines = Vec::new();
    let mut add = |text: &str, size: f64, role: Role, most: f64, lines_most: usize| {
        let wrapped = wrapped(text, size, role, most, lines_most);
        let is_whole = wrapped.join(" ") == on_one_line(text);
        lines.extend(wrapped.into_iter().map(|line| (line, size, role)));
        is_whole
    };
    let are_whole = add(name, name_size, Role::RegionName, most, NAME_LINES)
        && more.iter().all(|line| add(line, size, Role::RegionLine, most.max(90.0), MORE_LINES));
    are_whole.then_some(lines)
}

/// The label at the first of `spots` where it has so much room.
fn trial(scene: &Scene<'_>, spots: &[Spot], lines: &Lines, along: Spot, room: f64) -> Option<Vec<Lettering>> {
    let widest = lines.iter().map(|(text, size, role)| width(text, *size, *role)).fold(0.0, f64::max);
    let height: f64 = lines.iter().map(|(_, size, _)| size * LEADING).sum();
    let has_room = |spot: &&Spot| {
        let block = Block { middle: **spot, half_width: widest / 2.0, half_height: height / 2.0, along };
        scene.has_ample_room(&block, room)
    };
    let middle = spots.iter().find(has_room)?;
    let down = along.turned();
    let mut from_top = 0.0;
    let mut texts = Vec::new();
    for (text, size, role) in lines {
        let at = middle.plus(down, from_top + size * LEADING / 2.0 - height / 2.0);
        texts.push(Lettering::turned(text, at, *size, *role, along));
        from_top += size * LEADING;
    }
    Some(texts)
}

/// Places inside a region and outside `others`, the nearest to its pole first: the place farthest from all walls,
/// of several nearly as far the one nearest to the middle.
fn spots(scene: &Scene<'_>, rings: &[Ring], others: &[Ring]) -> Vec<Spot> {
    let Some(bounds) = Bounds::around(rings.iter().flatten().copied()) else { return Vec::new() };
    let own: Vec<Line> = rings.iter().chain(others).flat_map(|ring| sides(ring)).collect();
    let free = |spot: Spot| {
        let border = own.iter().map(|side| side.distance_of(spot)).fold(f64::INFINITY, f64::min);
        scene.walls().iter().map(|(wall, _)| wall.distance_of(spot)).fold(border, f64::min)
    };
    let mut spots: Vec<(f64, Spot)> = Vec::new();
    for row in 0..GRID {
        for column in 0..GRID {
            let share = |at: u8| f64::from(at) / f64::from(GRID - 1);
            let spot = Spot::new(
                bounds.low.x + share(column) * bounds.width(),
                bounds.low.y + share(row) * bounds.height(),
            );
            let is_other = others.iter().any(|ring| is_inside(core::slice::from_ref(ring), spot));
            if is_inside(rings, spot) && !is_other {
                spots.push((free(spot) - 0.3 * spot.distance(bounds.middle()), spot));
            }
        }
    }
    let pole = spots.iter().max_by(|(one, _), (other, _)| one.total_cmp(other)).map(|(_, spot)| *spot);
    let Some(pole) = pole else { return Vec::new() };
    let mut spots: Vec<Spot> = spots.into_iter().map(|(_, spot)| spot).collect();
    spots.sort_by(|one, other| one.distance(pole).total_cmp(&other.distance(pole)));
    spots
}

/// Whether the region `outer` has all corners of `inner` inside.
fn surrounds(outer: &[Ring], inner: &[Ring]) -> bool {
    inner.iter().flatten().all(|corner| is_inside(outer, *corner))
}
