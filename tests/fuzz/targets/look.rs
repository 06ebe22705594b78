//! Any bytes through the look before anything is stored.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| crossfoot_fuzz::look(bytes));
