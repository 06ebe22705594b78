//! End-to-end tests live in `tests/tests`; this library is empty.
