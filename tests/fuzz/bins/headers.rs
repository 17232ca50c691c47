#![no_main]

#[path = "../targets/headers.rs"]
mod target;

libfuzzer_sys::fuzz_target!(|data: &[u8]| target::run(data));
