//! Exact areas. The unit is the square micrometre; see [`Area`].
