//! Numbers from a seed: the same on every machine.

/// A generator (Steele, Lea and Flood, "Fast splittable pseudorandom number generators", 2014).
pub(crate) struct Chance(u64);

impl Chance {
    pub(crate) fn seed(seed: u64) -> Self {
        Self(seed)
    }

    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }

    /// Between `low` and `high`.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        let unit = (self.bits() >> 11) as f64 / (1_u64 << 53) as f64;
        low + (high - low) * unit
    }

    /// One of `0..count`.
    pub(crate) fn below(&mut self, count: usize) -> usize {
        (self.bits() % count as u64) as usize
    }

    pub(crate) fn one_in(&mut self, count: usize) -> bool {
        self.below(count) == 0
    }

    /// Normally distributed with mean 0 and standard deviation `sd` (Box and Muller).
    pub(crate) fn normal(&mut self, sd: f64) -> f64 {
        let radius = (-2.0 * (1.0 - self.between(0.0, 1.0)).ln()).sqrt();
        sd * radius * self.between(0.0, std::f64::consts::TAU).cos()
    }
}
