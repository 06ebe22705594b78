//! Any bytes through the roll reader.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| crossfoot_fuzz::reader(bytes));
