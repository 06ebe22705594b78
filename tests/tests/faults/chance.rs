//! Random moments from a seed.

use std::time::Duration;

/// SplitMix64: every seed is as good as another.
pub(crate) struct Chance(u64);

impl Chance {
    pub(crate) fn of(seed: u64) -> Self {
        Self(seed)
    }

    pub(crate) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A moment within a length of time.
    pub(crate) fn share_of(&mut self, length: Duration) -> Duration {
        length.mul_f64((self.next() >> 11) as f64 / (1u64 << 53) as f64)
    }
}
