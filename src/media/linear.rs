//! L16: samples of 16 bits, the more significant octet first, channels in turn (RFC 3551 §4.5.11).

use super::codec::Linear;
use super::g711;

/// The samples of a payload (±1.0), two channels mixed down to their mean. What is left over at the end, less than a
/// sample of each channel, is passed over.
pub fn decode(linear: Linear, payload: &[u8]) -> impl ExactSizeIterator<Item = f32> + Clone + '_ {
    let sample = |octets: &[u8]| match octets {
        [high, low] => g711::to_f32(i16::from_be_bytes([*high, *low])),
        _ => 0.0,
    };
    payload
        .chunks_exact(linear.frame())
        .map(move |frame| match frame.split_at(2) {
            (left, []) => sample(left),
            (left, right) => (sample(left) + sample(right)) / 2.0,
        })
}

/// Appends `pcm` (±1.0) to `out`; both channels say the same.
pub fn encode(linear: Linear, pcm: &[f32], out: &mut Vec<u8>) {
    for s in pcm {
        let octets = g711::to_i16(*s).to_be_bytes();
        for _ in 0..linear.channels() {
            out.extend_from_slice(&octets);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 3551 §4.5.11: network byte order, two's complement; left before right (§4.1).
    #[test]
    fn samples_there_and_back() {
        let (mono, stereo) = (Linear::new(8000, 1).unwrap(), Linear::new(8000, 2).unwrap());
        let mut octets = Vec::new();
        encode(mono, &[0.5, -1.0, 1.0, -1.0 / 32768.0], &mut octets);
        assert_eq!(octets, [0x40, 0, 0x80, 0, 0x7f, 0xff, 0xff, 0xff]);
        let back: Vec<f32> = decode(mono, &octets).collect();
        assert_eq!(back, [0.5, -1.0, 32767.0 / 32768.0, -1.0 / 32768.0]);
        let mean: Vec<f32> = decode(stereo, &octets).collect();
        assert_eq!(mean, [-0.25, 32766.0 / 65536.0]);
        octets.clear();
        encode(stereo, &[0.5], &mut octets);
        assert_eq!(octets, [0x40, 0, 0x40, 0]);
    }

    #[test]
    fn what_is_left_over_is_passed_over() {
        for (channels, octets, samples) in [(1, 7, 3), (1, 1, 0), (1, 0, 0), (2, 7, 1), (2, 3, 0), (2, 8, 2)] {
            let linear = Linear::new(48_000, channels).unwrap();
            assert_eq!(decode(linear, &vec![1; octets]).len(), samples, "{channels} × {octets}");
        }
    }
}
