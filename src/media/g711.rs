//! G.711 companding: tables and encoders of both laws.

/// Decoded value of every µ-law code, 16-bit scale (14-bit value × 4).
pub const ULAW: [i16; 256] = ulaw_table();
/// Decoded value of every A-law code, 16-bit scale (13-bit value × 8).
pub const ALAW: [i16; 256] = alaw_table();
/// The µ-law code of silence.
pub const ULAW_SILENCE: u8 = 0xff;
/// The A-law code of silence.
pub const ALAW_SILENCE: u8 = 0xd5;

const ULAW_BIAS: i32 = 132;
const ULAW_CLIP: i32 = 8159 * 4 - 1;

const fn ulaw_table() -> [i16; 256] {
    let mut table = [0; 256];
    let mut code = 0;
    while code < 256 {
        let bits = !(code as u8);
        let segment = (bits >> 4) & 7;
        let magnitude = ((((bits & 15) as i32) * 8 + ULAW_BIAS) << segment) - ULAW_BIAS;
        table[code] = if bits & 0x80 != 0 { -magnitude } else { magnitude } as i16;
        code += 1;
    }
    table
}

const fn alaw_table() -> [i16; 256] {
    let mut table = [0; 256];
    let mut code = 0;
    while code < 256 {
        let bits = (code as u8) ^ 0x55;
        let segment = (bits >> 4) & 7;
        let step = ((bits & 15) as i32) * 16 + 8;
        let magnitude = if segment == 0 {
            step
        } else {
            (step + 256) << (segment - 1)
        };
        table[code] = if bits & 0x80 != 0 { magnitude } else { -magnitude } as i16;
        code += 1;
    }
    table
}

/// One 16-bit sample to its µ-law code, by the decision values of G.711 Table 2.
pub fn ulaw_encode(sample: i16) -> u8 {
    let sample = i32::from(sample);
    let magnitude = sample.abs().min(ULAW_CLIP) + ULAW_BIAS;
    // The bias puts segment n between 2^(n+7) and 2^(n+8).
    let segment = (24 - magnitude.leading_zeros()).min(7);
    let step = (magnitude >> (segment + 3)) & 15;
    let code = (segment as u8) << 4 | step as u8;
    if sample < 0 { !(code | 0x80) } else { !code }
}

/// One 16-bit sample to its A-law code, by the decision values of G.711 Table 1.
pub fn alaw_encode(sample: i16) -> u8 {
    let sample = i32::from(sample);
    let magnitude = if sample < 0 { !sample } else { sample } >> 4;
    let code = if magnitude < 16 {
        magnitude as u8
    } else {
        let segment = 28 - magnitude.leading_zeros();
        (segment as u8) << 4 | ((magnitude >> (segment - 1)) & 15) as u8
    };
    code ^ if sample < 0 { 0x55 } else { 0xd5 }
}

/// Nearest 16-bit sample to a float of full scale ±1.0.
pub fn to_i16(sample: f32) -> i16 {
    // `as` saturates, and takes NaN to 0.
    (sample * 32768.0).round() as i16
}

/// A float of full scale ±1.0.
pub fn to_f32(sample: i16) -> f32 {
    f32::from(sample) / 32768.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use sha2::{Digest, Sha256};

    fn sha(bytes: impl IntoIterator<Item = u8>) -> String {
        let bytes: Vec<u8> = bytes.into_iter().collect();
        Sha256::digest(&bytes).iter().map(|b| format!("{b:02x}")).collect()
    }

    /// Hashes of codes 0..255 decoded to little-endian 16 bit: three independent programs agree (ffmpeg, sox,
    /// Python's audioop).
    #[test]
    fn tables_have_the_published_hashes() {
        assert_eq!(
            sha(ULAW.iter().flat_map(|v| v.to_le_bytes())),
            "3dab54339e520bb2c924826e3b72a917a2b612e9fd12fc867500f1d983a75827"
        );
        assert_eq!(
            sha(ALAW.iter().flat_map(|v| v.to_le_bytes())),
            "e04788d110e58ff8c70c93b8480190d973e3b67876b6119abbaec766cc75c174"
        );
    }

    /// G.711 Tables 1 and 2 at 16-bit scale.
    #[test]
    fn anchors() {
        for (code, value) in [
            (0xff, 0),
            (0x7f, 0),
            (0xfe, 8),
            (0x7e, -8),
            (0x80, 32124),
            (0x00, -32124),
            (0x02, -30076),
            (0x9e, 8828),
            (0x0b, -20860),
        ] {
            assert_eq!(ULAW[code], value, "µ {code:02x}");
        }
        for (code, value) in [
            (0xd5, 8),
            (0x55, -8),
            (0xd4, 24),
            (0xaa, 32256),
            (0x2a, -32256),
            (0xab, 31232),
            (0x80, 5504),
            (0x00, -5504),
            (0xb4, 8960),
            (0x21, -20992),
        ] {
            assert_eq!(ALAW[code], value, "A {code:02x}");
        }
    }

    #[test]
    fn sums_and_distinct_values() {
        let sum = |t: &[i16; 256]| t.iter().map(|v| i64::from(*v).abs()).sum::<i64>();
        let distinct = |t: &[i16; 256]| t.iter().collect::<std::collections::HashSet<_>>().len();
        assert_eq!((sum(&ULAW), sum(&ALAW)), (1_532_928, 1_564_672));
        assert_eq!((distinct(&ULAW), distinct(&ALAW)), (255, 256));
    }

    #[test]
    fn encode_inverts_decode() {
        for code in 0..=255u8 {
            let expected = if code == 0x7f { 0xff } else { code };
            assert_eq!(ulaw_encode(ULAW[usize::from(code)]), expected);
            assert_eq!(alaw_encode(ALAW[usize::from(code)]), code);
        }
        assert_eq!((ulaw_encode(0), alaw_encode(0)), (ULAW_SILENCE, ALAW_SILENCE));
    }

    /// Codes of 0..32767 as Python's audioop gives them; the negative half mirrors it.
    #[test]
    fn encoders_agree_with_an_independent_one_on_every_sample() {
        assert_eq!(
            sha((0..=i16::MAX).map(ulaw_encode)),
            "912062bf9c931c7ebc1dc1fd1d74faf0cfefcd47e8408a3ed4d07aa59f0f1c20"
        );
        assert_eq!(
            sha((0..=i16::MAX).map(alaw_encode)),
            "b209cb65664652ae64853b1f5ee015be44dba85f3883affd6dae34dc76f3eba0"
        );
        for x in 1..=i16::MAX {
            assert_eq!(ulaw_encode(-x), ulaw_encode(x) & 0x7f, "µ {x}");
            assert_eq!(alaw_encode(-x), alaw_encode(x - 1) & 0x7f, "A {x}");
        }
        assert_eq!((ulaw_encode(i16::MIN), alaw_encode(i16::MIN)), (0x00, 0x2a));
    }

    /// G.711 Tables 5 (A-law) and 6 (µ-law): 1 kHz at 0 dBm0.
    #[test]
    fn digital_milliwatt() {
        let rms = |codes: [u8; 8], table: &[i16; 256]| {
            (codes
                .iter()
                .map(|c| f64::from(table[usize::from(*c)]).powi(2))
                .sum::<f64>()
                / 8.0)
                .sqrt()
        };
        let mu = rms([0x1e, 0x0b, 0x0b, 0x1e, 0x9e, 0x8b, 0x8b, 0x9e], &ULAW);
        let a = rms([0x34, 0x21, 0x21, 0x34, 0xb4, 0xa1, 0xa1, 0xb4], &ALAW);
        assert!((mu - 16016.76).abs() < 0.01, "{mu}");
        assert!((a - 16139.17).abs() < 0.01, "{a}");
    }

    #[test]
    fn floats_saturate_and_survive_nonsense() {
        assert_eq!(to_i16(1.0), i16::MAX);
        assert_eq!(to_i16(-7.0), i16::MIN);
        assert_eq!(to_i16(f32::NAN), 0);
        for v in ULAW {
            assert_eq!(to_i16(to_f32(v)), v);
        }
    }
}
