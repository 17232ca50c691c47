//! The caller's return path: tones and silence as RTP packets, one every 20 ms, paced by the driver.
