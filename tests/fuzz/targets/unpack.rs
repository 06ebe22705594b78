//! Any bytes through what opens packed files.
#![no_main]

use std::sync::Once;

static HOOK: Once = Once::new();

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    HOOK.call_once(crossfoot_fuzz::let_the_workbook_library_panic);
    crossfoot_fuzz::unpack(bytes);
});
