//! Seeded chance: a small generator of our own, so that a seed gives the same files on every machine and version.

/// An xorshift generator (64 bits of state, multiplied output), seeded through splitmix so that near seeds differ.
#[derive(Debug, Clone)]
pub(crate) struct Chance(u64);

impl Chance {
    /// The generator of one row: the same whatever was drawn for other rows.
    pub(crate) fn of_row(seed: u64, stream: u64, row: u64) -> Chance {
        let mixed = splitmix(splitmix(splitmix(seed) ^ stream) ^ row);
        Chance(if mixed == 0 { 1 } else { mixed })
    }

    /// The next 64 bits.
    pub(crate) fn next(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D)
    }

    /// A whole number below `end`, which is not zero. The bias of the remainder is of no weight here.
    pub(crate) fn below(&mut self, end: u64) -> u64 {
        self.next() % end.max(1)
    }

    /// A whole number from `low` to `high`, both included.
    pub(crate) fn between(&mut self, low: u64, high: u64) -> u64 {
        low + self.below(high - low + 1)
    }

    /// True `times` in a hundred thousand.
    pub(crate) fn in_100_000(&mut self, times: u64) -> bool {
        self.below(100_000) < times
    }

    /// One of `choices`.
    pub(crate) fn one_of(&mut self, choices: &[&'static str]) -> &'static str {
        let at = self.below(choices.len() as u64);
        usize::try_from(at).ok().and_then(|at| choices.get(at)).copied().unwrap_or_default()
    }
}

fn splitmix(x: u64) -> u64 {
    let x = x.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let x = (x ^ (x >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let x = (x ^ (x >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    x ^ (x >> 31)
}
