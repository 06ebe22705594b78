//! Any bytes through what opens packed files.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| crossfoot_fuzz::unpack(bytes));
