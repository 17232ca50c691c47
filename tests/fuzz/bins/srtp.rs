#![no_main]

#[path = "../targets/srtp.rs"]
mod target;

libfuzzer_sys::fuzz_target!(|data: &[u8]| target::run(data));
