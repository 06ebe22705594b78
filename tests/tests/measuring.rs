//! Measuring against other people's code, by simulation, and by what must not change an area.
//!
//! `tests/oracle/measuring.py` computes the same houses with NumPy, SciPy, Shapely and `uncertainties`.

#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "a test stops at the first surprise")]
#![expect(clippy::print_stdout, reason = "the figures measured are of interest where a test passes, too")]

#[path = "measuring/chance.rs"]
mod chance;
#[path = "measuring/houses.rs"]
mod houses;

#[path = "measuring/outside.rs"]
mod outside;
#[path = "measuring/simulation.rs"]
mod simulation;
#[path = "measuring/symmetry.rs"]
mod symmetry;
