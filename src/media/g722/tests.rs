use super::*;
use sha2::{Digest, Sha256};

/// A generator that every language can repeat (the constants of Numerical Recipes), seeded with 1.
struct Lcg(u32);

impl Lcg {
    fn next(&mut self) -> u32 {
        self.0 = self.0.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        self.0
    }
}

/// 2 s in eight parts of 4000 samples, integers only: faint noise, full noise, a climbing triangle, that with noise, a
/// full-scale square, silence, a whisper of both, a loud mixture.
fn signal() -> Vec<i16> {
    let (mut lcg, mut phase) = (Lcg(1), 0);
    (0..32_000)
        .map(|i: i32| {
            let noise = (lcg.next() >> 16) as i32 - 32_768;
            phase = (phase + 400 + 2 * i) & 0xffff;
            let half = if phase < 32_768 { phase } else { 65_535 - phase };
            let triangle = half * 2 - 32_768;
            let x = match i / 4000 {
                0 => noise >> 6,
                1 => noise,
                2 => triangle >> 1,
                3 => (triangle >> 2) + (noise >> 5),
                4 if i / 37 % 2 == 1 => 32_767,
                4 => -32_768,
                5 => 0,
                6 => (noise >> 12) + (triangle >> 8),
                _ => (triangle >> 1) + (noise >> 3),
            };
            x.clamp(-32_768, 32_767) as i16
        })
        .collect()
}

/// Every octet twice, every octet with its complement, noise, and long runs that drive predictors and scales to
/// their limits.
fn octets() -> Vec<u8> {
    let mut lcg = Lcg(1);
    let mut all: Vec<u8> = (0..=255).flat_map(|i| [i, i]).collect();
    all.extend((0..=255u8).flat_map(|i| [i, 255 - i]));
    all.extend((0..16_000 - 1024).map(|_| (lcg.next() >> 24) as u8));
    for (octet, n) in [(0x00, 500), (0xff, 500), (0x3f, 200), (0xe0, 200), (0x20, 300)] {
        all.extend(std::iter::repeat_n(octet, n));
    }
    all
}

fn encode(pcm: &[i16]) -> Vec<u8> {
    let mut encoder = Encoder::new();
    pcm.chunks_exact(2).map(|p| encoder.encode(p[0], p[1])).collect()
}

fn decode(octets: &[u8]) -> Vec<i16> {
    let mut decoder = Decoder::new();
    octets.iter().flat_map(|o| decoder.decode(*o)).collect()
}

fn sha256(octets: impl IntoIterator<Item = u8>) -> String {
    let octets: Vec<u8> = octets.into_iter().collect();
    Sha256::digest(&octets).iter().map(|o| format!("{o:02x}")).collect()
}

/// Hash of the stream that ffmpeg 5.1 (`-f s16le -ar 16000 -ac 1 … -c:a g722 -f g722`) and spandsp 0.0.6
/// (`g722_encode`) alike make of [`signal`].
#[test]
fn encodes_as_ffmpeg_and_spandsp_do() {
    assert_eq!(
        sha256(encode(&signal())),
        "94f1d2e6a0ad5447c27017c4f3643cac283e9e680e628cebb6d210f867caf465"
    );
}

/// Hash of what ffmpeg 5.1 (`-f g722 … -f s16le`) makes of [`octets`]. spandsp 0.0.6 gives the same but for 2741
/// samples, where the receive filter passes full scale: it wraps them, the Recommendation limits them.
#[test]
fn decodes_as_ffmpeg_does() {
    assert_eq!(
        sha256(decode(&octets()).into_iter().flat_map(i16::to_le_bytes)),
        "fc259fd67207305f092a978ec8c536e2228da1ce2832f811abec8f090ad31b30"
    );
}

/// Samples that the filters of encoder and decoder hold back together: 1.4 ms at 16 kHz.
const DELAY: usize = 22;

/// Ratio of signal to error, dB, with the filters' delay taken out.
fn snr(pcm: &[i16], back: &[i16]) -> f64 {
    let (mut signal, mut error) = (0.0, 0.0);
    for (x, y) in pcm.iter().zip(&back[DELAY..]) {
        signal += f64::from(*x).powi(2);
        error += (f64::from(*x) - f64::from(*y)).powi(2);
    }
    10.0 * (signal / error).log10()
}

/// Tones through both and back. In the lower band 6 bits, in the higher 2: so much less is expected there.
#[test]
fn tones_come_back() {
    for (hz, expected) in [(300.0, 30.0), (1000.0, 30.0), (2500.0, 28.0), (6000.0, 10.0)] {
        let pcm: Vec<i16> = (0..16_000)
            .map(|i| (8000.0 * (f64::from(i) * hz / 16_000.0 * std::f64::consts::TAU).sin()) as i16)
            .collect();
        let found = snr(&pcm[..15_900], &decode(&encode(&pcm)));
        assert!(found > expected, "{hz} Hz: {found} dB");
    }
}

#[test]
fn silence_stays_silence() {
    let back = decode(&encode(&[0; 3200]));
    assert!(back.iter().all(|s| s.abs() <= 4), "{:?}", back.iter().max());
}

/// A decoder that missed 20 ms in the middle of a steady sound is right again within 60 ms.
#[test]
fn comes_right_by_itself_after_a_loss() {
    let pcm: Vec<i16> = (0..16_000)
        .map(|i| {
            let t = f64::from(i) / 16_000.0 * 200.0 * std::f64::consts::TAU;
            (1..15)
                .map(|h| 4000.0 * (t * f64::from(h) + f64::from(h * h)).sin() / f64::from(h))
                .sum::<f64>() as i16
        })
        .collect();
    let octets = encode(&pcm);
    let whole = decode(&octets);
    let mut decoder = Decoder::new();
    for octet in &octets[..3000] {
        decoder.decode(*octet);
    }
    let back: Vec<i16> = octets[3160..].iter().flat_map(|o| decoder.decode(*o)).collect();
    let error = |from: usize| -> f64 {
        let (mut signal, mut error) = (0.0, 0.0);
        for (a, b) in whole[2 * 3160..].iter().zip(&back).skip(from).take(320) {
            signal += f64::from(*a).powi(2);
            error += (f64::from(*a) - f64::from(*b)).powi(2);
        }
        10.0 * (signal / error).log10()
    };
    assert!(error(960) > 20.0, "{} {} {}", error(0), error(320), error(960));
}
