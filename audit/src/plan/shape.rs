//! Points, lines and turned boxes on the sheet, in pixels: right and down.

/// A place on the sheet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Spot {
    pub(super) x: f64,
    pub(super) y: f64,
}

/// A straight line between two places.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Line {
    pub(super) from: Spot,
    pub(super) to: Spot,
}

/// A box around `middle`, turned so that its width lies along `along`, a direction of length 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Block {
    pub(super) middle: Spot,
    pub(super) half_width: f64,
    pub(super) half_height: f64,
    pub(super) along: Spot,
}

impl Spot {
    pub(super) const fn new(x: f64, y: f64) -> Self {
        Self { x, y }
    }

    pub(super) fn plus(self, direction: Self, times: f64) -> Self {
        Self { x: self.x + direction.x * times, y: self.y + direction.y * times }
    }

    pub(super) fn minus(self, other: Self) -> Self {
        Self { x: self.x - other.x, y: self.y - other.y }
    }

    pub(super) fn dot(self, other: Self) -> f64 {
        self.x * other.x + self.y * other.y
    }

    pub(super) fn cross(self, other: Self) -> f64 {
        self.x * other.y - self.y * other.x
    }

    pub(super) fn distance(self, other: Self) -> f64 {
        libm::hypot(self.x - other.x, self.y - other.y)
    }

    /// A quarter turn to the right as seen on the sheet.
    pub(super) const fn turned(self) -> Self {
        Self { x: -self.y, y: self.x }
    }

    pub(super) const fn opposite(self) -> Self {
        Self { x: -self.x, y: -self.y }
    }
}

impl Line {
    pub(super) const fn new(from: Spot, to: Spot) -> Self {
        Self { from, to }
    }

    pub(super) fn length(self) -> f64 {
        self.from.distance(self.to)
    }

    /// The direction, of length 1; to the right for a line without length.
    pub(super) fn along(self) -> Spot {
        let length = self.length();
        if length > 0.0 {
            let way = self.to.minus(self.from);
            Spot::new(way.x / length, way.y / length)
        } else {
            Spot::new(1.0, 0.0)
        }
    }

    /// The place at a share of the way.
    pub(super) fn at(self, share: f64) -> Spot {
        self.from.plus(self.to.minus(self.from), share)
    }

    pub(super) fn middle(self) -> Spot {
        self.at(0.5)
    }

    pub(super) fn moved(self, direction: Spot, times: f64) -> Self {
        Self { from: self.from.plus(direction, times), to: self.to.plus(direction, times) }
    }

    /// Shorter by `by` at each end; a point where nothing is left.
    pub(super) fn shortened(self, by: f64) -> Self {
        if self.length() <= 2.0 * by {
            return Self { from: self.middle(), to: self.middle() };
        }
        let along = self.along();
        Self { from: self.from.plus(along, by), to: self.to.plus(along, -by) }
    }

    pub(super) fn distance_of(self, spot: Spot) -> f64 {
        let along = self.along();
        let share = spot.minus(self.from).dot(along).clamp(0.0, self.length());
        spot.distance(self.from.plus(along, share))
    }

    /// Whether the two lines cross or touch, other than by lying on each other.
    pub(super) fn crosses(self, other: Self) -> bool {
        let (way, other_way) = (self.to.minus(self.from), other.to.minus(other.from));
        let spread = way.cross(other_way);
        if spread.abs() < 1e-9 {
            return false;
        }
        let between = other.from.minus(self.from);
        let (share, other_share) = (between.cross(other_way) / spread, between.cross(way) / spread);
        (0.0..=1.0).contains(&share) && (0.0..=1.0).contains(&other_share)
    }

    /// The shares of this line between which `other` lies beside it, at most `apart` away and in parallel.
    pub(super) fn overlap(self, other: Self, apart: f64) -> Option<(f64, f64)> {
        let (length, along) = (self.length(), self.along());
        let beside = |spot: Spot| spot.minus(self.from).cross(along).abs() <= apart;
        if length <= 0.0 || !beside(other.from) || !beside(other.to) {
            return None;
        }
        let share = |spot: Spot| spot.minus(self.from).dot(along) / length;
        let (one, two) = (share(other.from), share(other.to));
        let (low, high) = (one.min(two).max(0.0), one.max(two).min(1.0));
        (high > low).then_some((low, high))
    }
}

impl Block {
    /// An upright box from its corners.
    pub(super) fn upright(low: Spot, high: Spot) -> Self {
        Self {
            middle: Line::new(low, high).middle(),
            half_width: (high.x - low.x) / 2.0,
            half_height: (high.y - low.y) / 2.0,
            along: Spot::new(1.0, 0.0),
        }
    }

    pub(super) fn corners(&self) -> [Spot; 4] {
        let down = self.along.turned();
        let corner = |right: f64, below: f64| {
            self.middle.plus(self.along, right * self.half_width).plus(down, below * self.half_height)
        };
        [corner(-1.0, -1.0), corner(1.0, -1.0), corner(1.0, 1.0), corner(-1.0, 1.0)]
    }

    pub(super) fn grown(self, by: f64) -> Self {
        Self { half_width: self.half_width + by, half_height: self.half_height + by, ..self }
    }

    pub(super) fn moved(self, direction: Spot, times: f64) -> Self {
        Self { middle: self.middle.plus(direction, times), ..self }
    }

    /// The shares of the line between which it lies inside the box.
    pub(super) fn part_of(&self, line: Line) -> Option<(f64, f64)> {
        // most lines are far away, and layout asks for each of them again and again
        let reach = self.half_width + self.half_height;
        let is_far =
            |from: f64, to: f64, middle: f64| from.min(to) > middle + reach || from.max(to) < middle - reach;
        if is_far(line.from.x, line.to.x, self.middle.x) || is_far(line.from.y, line.to.y, self.middle.y) {
            return None;
        }
        let down = self.along.turned();
        let (start, way) = (line.from.minus(self.middle), line.to.minus(line.from));
        let (mut low, mut high) = (0.0_f64, 1.0_f64);
        for (axis, half) in [(self.along, self.half_width), (down, self.half_height)] {
            let (at, per) = (start.dot(axis), way.dot(axis));
            if per.abs() < 1e-12 {
                if at.abs() > half {
                    return None;
                }
                continue;
            }
            let (one, two) = ((-half - at) / per, (half - at) / per);
            (low, high) = (low.max(one.min(two)), high.min(one.max(two)));
        }
        (low <= high).then_some((low, high))
    }

    pub(super) fn touches(&self, line: Line) -> bool {
        self.part_of(line).is_some()
    }

    /// Whether two boxes have something in common: they have not, if a side of one separates them.
    pub(super) fn overlaps(&self, other: &Self) -> bool {
        let between = other.middle.minus(self.middle);
        let farthest = self.half_width + self.half_height + other.half_width + other.half_height;
        if between.x.abs() > farthest || between.y.abs() > farthest {
            return false;
        }
        let reach = |of: &Self, axis: Spot| {
            of.half_width * of.along.dot(axis).abs() + of.half_height * of.along.turned().dot(axis).abs()
        };
        let axes = [self.along, self.along.turned(), other.along, other.along.turned()];
        axes.into_iter().all(|axis| between.dot(axis).abs() < reach(self, axis) + reach(other, axis))
    }
}

/// A low and a high corner around places.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Bounds {
    pub(super) low: Spot,
    pub(super) high: Spot,
}

impl Bounds {
    /// `None` where there is no place.
    pub(super) fn around(spots: impl IntoIterator<Item = Spot>) -> Option<Self> {
        let mut bounds: Option<Self> = None;
        for spot in spots {
            let old = bounds.unwrap_or(Self { low: spot, high: spot });
            bounds = Some(Self {
                low: Spot::new(old.low.x.min(spot.x), old.low.y.min(spot.y)),
                high: Spot::new(old.high.x.max(spot.x), old.high.y.max(spot.y)),
            });
        }
        bounds
    }

    pub(super) fn middle(&self) -> Spot {
        Line::new(self.low, self.high).middle()
    }

    pub(super) fn width(&self) -> f64 {
        self.high.x - self.low.x
    }

    pub(super) fn height(&self) -> f64 {
        self.high.y - self.low.y
    }
}

/// A closed ring of places.
pub(super) type Ring = Vec<Spot>;

/// The sides of a ring.
pub(super) fn sides(ring: &[Spot]) -> impl Iterator<Item = Line> + '_ {
    ring.iter().zip(ring.iter().cycle().skip(1)).map(|(from, to)| Line::new(*from, *to))
}

/// Whether an odd number of the rings surrounds the place.
pub(super) fn is_inside(rings: &[Ring], spot: Spot) -> bool {
    let mut inside = false;
    for side in rings.iter().flat_map(|ring| sides(ring)) {
        let (one, two) = (side.from, side.to);
        if (one.y > spot.y) != (two.y > spot.y) {
            let x = one.x + (spot.y - one.y) / (two.y - one.y) * (two.x - one.x);
            if spot.x < x {
                inside = !inside;
            }
        }
    }
    inside
}

/// The shares of the line that lie inside the rings, in order.
pub(super) fn inside_parts(line: Line, rings: &[Ring]) -> Vec<(f64, f64)> {
    let way = line.to.minus(line.from);
    let mut cuts = vec![0.0, 1.0];
    for side in rings.iter().flat_map(|ring| sides(ring)) {
        let side_way = side.to.minus(side.from);
        let spread = way.cross(side_way);
        if spread.abs() < 1e-9 {
            continue;
        }
        let between = side.from.minus(line.from);
        let (share, side_share) = (between.cross(side_way) / spread, between.cross(way) / spread);
        if (0.0..=1.0).contains(&side_share) && (0.0..=1.0).contains(&share) {
            cuts.push(share);
        }
    }
    cuts.sort_by(f64::total_cmp);
    let pairs = cuts.iter().zip(cuts.iter().skip(1)).map(|(one, two)| (*one, *two));
    pairs.filter(|(one, two)| two - one > 1e-9 && is_inside(rings, line.at((one + two) / 2.0))).collect()
}

/// What is left of shares when others are taken out.
pub(super) fn without(parts: Vec<(f64, f64)>, taken: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let mut left = parts;
    for (low, high) in taken {
        let mut next = Vec::with_capacity(left.len() + 1);
        for (one, two) in left {
            if *high <= one || *low >= two {
                next.push((one, two));
                continue;
            }
            next.extend((*low > one).then_some((one, *low)));
            next.extend((*high < two).then_some((*high, two)));
        }
        left = next;
    }
    left
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(from: (f64, f64), to: (f64, f64)) -> Line {
        Line::new(Spot::new(from.0, from.1), Spot::new(to.0, to.1))
    }

    #[test]
    fn lines_cross_where_they_meet_and_not_where_they_lie_on_each_other() {
        let level = line((0.0, 0.0), (10.0, 0.0));
        assert!(level.crosses(line((5.0, -1.0), (5.0, 1.0))));
        assert!(level.crosses(line((5.0, 0.0), (5.0, 1.0))));
        assert!(!level.crosses(line((5.0, 0.1), (5.0, 1.0))));
        assert!(!level.crosses(line((2.0, 0.0), (20.0, 0.0))));
        assert_eq!(level.overlap(line((20.0, 0.5), (4.0, 0.5)), 1.0), Some((0.4, 1.0)));
        assert_eq!(level.overlap(line((20.0, 2.5), (4.0, 0.5)), 1.0), None);
        assert_eq!(level.overlap(line((10.0, 0.0), (12.0, 0.0)), 1.0), None);
    }

    #[test]
    fn a_box_at_a_corner_of_another_overlaps_only_by_its_own_sides() {
        let still = Block::upright(Spot::new(0.0, 0.0), Spot::new(10.0, 10.0));
        let slant = core::f64::consts::FRAC_1_SQRT_2;
        let turned = |x: f64| Block {
            middle: Spot::new(x, x),
            half_width: 5.0,
            half_height: 1.0,
            along: Spot::new(slant, -slant),
        };
        // its side lies across the diagonal: the boxes around both would overlap long before
        assert!(!still.overlaps(&turned(11.0)) && still.overlaps(&turned(10.5)));
        assert!(still.touches(line((-5.0, 5.0), (0.0, 5.0))));
        assert!(!still.touches(line((-5.0, 5.0), (-0.1, 5.0))));
        assert_eq!(still.part_of(line((5.0, -10.0), (5.0, 10.0))), Some((0.5, 1.0)));
    }

    #[test]
    fn a_line_through_a_ring_with_a_hole_has_two_parts() {
        let square = |low: f64, high: f64| -> Ring {
            Block::upright(Spot::new(low, low), Spot::new(high, high)).corners().to_vec()
        };
        let rings = [square(0.0, 10.0), square(4.0, 6.0)];
        let parts = inside_parts(line((-10.0, 5.0), (10.0, 5.0)), &rings);
        assert_eq!(parts, [(0.5, 0.7), (0.8, 1.0)]);
        assert_eq!(without(parts, &[(0.6, 0.85)]), [(0.5, 0.6), (0.85, 1.0)]);
        assert!(is_inside(&rings, Spot::new(1.0, 5.0)) && !is_inside(&rings, Spot::new(5.0, 5.0)));
    }
}
