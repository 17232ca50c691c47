#![allow(clippy::disallowed_methods)]

mod hostile;
mod opus;
mod player;
mod wave;

use std::f64::consts::TAU;

use super::*;

/// Something with the rhythm of speech: a buzz of changing pitch, loud and soft by turns, with pauses.
pub fn talk(rate: u32, seconds: f64) -> Vec<f32> {
    let mut phase = 0.0f64;
    (0..(seconds * f64::from(rate)) as usize)
        .map(|n| {
            let t = n as f64 / f64::from(rate);
            phase += (120.0 + 30.0 * (TAU * 0.7 * t).sin()) / f64::from(rate);
            let buzz: f64 = (1..20).map(|k| (TAU * phase * f64::from(k)).sin() / f64::from(k)).sum();
            let syllable = (TAU * 2.1 * t).sin().max(0.0);
            (0.25 * buzz * syllable) as f32
        })
        .collect()
}

pub fn sine(rate: u32, hz: f64, amplitude: f64, frames: usize) -> Vec<f32> {
    (0..frames)
        .map(|n| (amplitude * (TAU * hz * n as f64 / f64::from(rate)).sin()) as f32)
        .collect()
}

/// All samples as they are played, without gain.
pub fn samples(recording: &Recording) -> Vec<f32> {
    let mut out = vec![0.0; recording.frames()];
    assert_eq!(recording.add(0, 1.0, &mut out), out.len());
    out
}

pub fn load(octets: &[u8]) -> Result<Recording, Fault> {
    read(&mut &octets[..])
}

/// Signal to difference, dB, apart from the edges.
pub fn likeness(wanted: &[f32], got: &[f32]) -> f64 {
    assert_eq!(wanted.len(), got.len());
    let middle = RISE.max(FALL)..wanted.len() - FALL;
    let (a, b) = (&wanted[middle.clone()], &got[middle]);
    let signal: f64 = a.iter().map(|x| f64::from(*x).powi(2)).sum();
    let noise: f64 = a.iter().zip(b).map(|(x, y)| f64::from(x - y).powi(2)).sum();
    10.0 * (signal / noise.max(1e-30)).log10()
}

/// A WAV file with these chunks before its samples.
pub fn chunks(list: &[(&[u8; 4], &[u8])]) -> Vec<u8> {
    let mut body = b"WAVE".to_vec();
    for (name, content) in list {
        body.extend(*name);
        body.extend((content.len() as u32).to_le_bytes());
        body.extend(*content);
        if content.len() % 2 == 1 {
            body.push(0);
        }
    }
    let mut file = b"RIFF".to_vec();
    file.extend((body.len() as u32).to_le_bytes());
    file.extend(body);
    file
}

/// A format chunk's content.
pub fn format(tag: u16, channels: u16, rate: u32, bits: u16) -> Vec<u8> {
    let frame = channels * bits.div_ceil(8);
    let mut out = Vec::new();
    out.extend(tag.to_le_bytes());
    out.extend(channels.to_le_bytes());
    out.extend(rate.to_le_bytes());
    out.extend((rate * u32::from(frame)).to_le_bytes());
    out.extend(frame.to_le_bytes());
    out.extend(bits.to_le_bytes());
    out
}

/// 16-bit samples.
pub fn sixteen(frames: &[f32]) -> Vec<u8> {
    let whole = |x: &f32| ((x * 32_768.0).round() as i16).to_le_bytes();
    frames.iter().flat_map(whole).collect()
}

pub fn wav(rate: u32, frames: &[f32]) -> Vec<u8> {
    chunks(&[(b"fmt ", &format(1, 1, rate, 16)), (b"data", &sixteen(frames))])
}
