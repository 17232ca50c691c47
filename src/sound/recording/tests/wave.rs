//! WAV files in all their forms, conversion of rates, what is measured.

use super::*;

#[test]
fn sixteen_bits_at_48_khz_stay_as_they_are() {
    let talk = talk(48_000, 1.0);
    let recording = load(&wav(48_000, &talk)).unwrap();
    assert_eq!(recording.length(), Duration::from_secs(1));
    let wanted: Vec<f32> = talk.iter().map(|x| (x * 32_768.0).round() / 32_768.0).collect();
    let got = samples(&recording);
    assert_eq!(wanted[RISE..48_000 - FALL], got[RISE..48_000 - FALL]);
    assert_eq!((got[0].abs() < 1e-3, got[47_999].abs() < 1e-3), (true, true));
    assert!(recording.flaws().is_empty(), "{:?}", recording.flaws());
    // From the most negative sample to the softest.
    let (softest, rest) = (1.0 / 32_768.0, 1.0 - 1.0 / 32_768.0);
    let edge = [[-1.0; 1000], [softest; 1000], [rest; 1000]].concat();
    let edge = load(&wav(48_000, &edge)).unwrap();
    assert_eq!(samples(&edge)[500], -1.0);
    assert_eq!(samples(&edge)[1500], 1.0 / 32_768.0);
}

/// The same talk in every coding, with as much noise as the coding has (6.02 dB a bit; ITU-T G.711: about 38 dB).
#[test]
fn every_coding() {
    let talk = talk(48_000, 0.5);
    let extensible = |tag: u16, bits: u16| {
        let mut chunk = format(0xfffe, 1, 48_000, bits);
        chunk.extend(22u16.to_le_bytes());
        chunk.extend(bits.to_le_bytes());
        chunk.extend(4u32.to_le_bytes());
        chunk.extend(tag.to_le_bytes());
        chunk.extend([0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71]);
        chunk
    };
    let coded = |f: &dyn Fn(f32) -> Vec<u8>| talk.iter().flat_map(|x| f(*x)).collect::<Vec<u8>>();
    let pcm = |bits: u32| {
        coded(&|x| {
            let whole = (f64::from(x) * f64::from(1u32 << (bits - 1))).round() as i64;
            (whole as i32).to_le_bytes()[..bits as usize / 8].to_vec()
        })
    };
    let eight = coded(&|x| vec![((x * 128.0).round() + 128.0) as u8]);
    let float = coded(&|x| x.to_le_bytes().to_vec());
    let double = coded(&|x| f64::from(x).to_le_bytes().to_vec());
    let ulaw = coded(&|x| vec![crate::media::g711::ulaw_encode((x * 32_768.0) as i16)]);
    let alaw = coded(&|x| vec![crate::media::g711::alaw_encode((x * 32_768.0) as i16)]);
    for (name, format, data, least) in [
        ("8", format(1, 1, 48_000, 8), &eight, 30.0),
        ("16", format(1, 1, 48_000, 16), &pcm(16), 78.0),
        ("24", format(1, 1, 48_000, 24), &pcm(24), 85.0),
        ("32", format(1, 1, 48_000, 32), &pcm(32), 85.0),
        ("float", format(3, 1, 48_000, 32), &float, 85.0),
        ("double", format(3, 1, 48_000, 64), &double, 85.0),
        ("µ-law", format(7, 1, 48_000, 8), &ulaw, 33.0),
        ("A-law", format(6, 1, 48_000, 8), &alaw, 33.0),
        ("extensible 16", extensible(1, 16), &pcm(16), 78.0),
        ("extensible 24", extensible(1, 24), &pcm(24), 85.0),
        ("extensible float", extensible(3, 32), &float, 85.0),
    ] {
        let file = chunks(&[(b"fmt ", &format), (b"data", data)]);
        let recording = load(&file).unwrap_or_else(|e| panic!("{name}: {e}"));
        let like = likeness(&talk, &samples(&recording));
        assert!(like > least, "{name}: {like:.1} dB");
        assert!(recording.flaws().is_empty(), "{name}: {:?}", recording.flaws());
    }
}

/// 20 of 24 bits in three octets, 24 in four: the unused bits are the lowest (WAVEFORMATEXTENSIBLE, from memory).
#[test]
fn containers_larger_than_their_samples() {
    let mut chunk = format(0xfffe, 1, 48_000, 32);
    chunk.extend(22u16.to_le_bytes());
    chunk.extend(24u16.to_le_bytes());
    chunk.extend(4u32.to_le_bytes());
    chunk.extend(1u16.to_le_bytes());
    chunk.extend([0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71]);
    let halves = [[0x4000_0000i32; 2000], [-0x4000_0000; 2000]].concat();
    let data: Vec<u8> = halves.iter().flat_map(|s| s.to_le_bytes()).collect();
    let recording = load(&chunks(&[(b"fmt ", &chunk), (b"data", &data)])).unwrap();
    assert_eq!(samples(&recording)[1000], 0.5);
}

#[test]
fn other_chunks_of_odd_length_stand_anywhere() {
    let (fmt, data) = (format(1, 1, 48_000, 16), sixteen(&sine(48_000, 440.0, 0.5, 4800)));
    let list: &[(&[u8; 4], &[u8])] = &[
        (b"JUNK", b"odd"),
        (b"fmt ", &fmt),
        (b"LIST", b"INFOITRK\x01\0\0\0"),
        (b"bext", b"x"),
        (b"data", &data),
        (b"id3 ", b"after"),
    ];
    assert_eq!(load(&chunks(list)).unwrap().frames(), 4800);
}

/// FFmpeg's, SoX's way of writing to a pipe: a length that cannot be, and the samples to the end of the file.
#[test]
fn lengths_that_their_writer_could_not_know() {
    let file = wav(48_000, &sine(48_000, 440.0, 0.5, 4800));
    let at = file.len() - 9600 - 4;
    for unknown in [0xffff_ffffu32, 0x7fff_f000, 0x8000_0000] {
        let mut file = file.clone();
        file[at..at + 4].copy_from_slice(&unknown.to_le_bytes());
        assert_eq!(load(&file).unwrap().frames(), 4800);
        // Half a sample too many.
        file.push(0);
        assert_eq!(load(&file).unwrap().frames(), 4800);
    }
}

#[test]
fn channels_are_mixed_half_and_half_and_told_when_they_cancel() {
    let (left, right) = (sine(48_000, 440.0, 0.5, 48_000), sine(48_000, 1000.0, 0.25, 48_000));
    let stereo = |right: &[f32]| {
        let frames: Vec<f32> = left.iter().zip(right).flat_map(|(l, r)| [*l, *r]).collect();
        load(&chunks(&[
            (b"fmt ", &format(1, 2, 48_000, 16)),
            (b"data", &sixteen(&frames)),
        ]))
        .unwrap()
    };
    let mix: Vec<f32> = left.iter().zip(&right).map(|(l, r)| (l + r) / 2.0).collect();
    let recording = stereo(&right);
    assert_eq!(recording.frames(), 48_000);
    assert!(likeness(&mix, &samples(&recording)) > 70.0);
    assert!(recording.flaws().is_empty());
    let wrong: Vec<f32> = left.iter().map(|x| -x * 0.9).collect();
    assert_eq!(stereo(&wrong).flaws(), [Flaw::Cancels]);
    // One live channel of eight.
    let frames: Vec<f32> = left
        .iter()
        .flat_map(|l| [*l, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0])
        .collect();
    let eight = chunks(&[(b"fmt ", &format(1, 8, 48_000, 16)), (b"data", &sixteen(&frames))]);
    assert!(load(&eight).unwrap().flaws().is_empty());
}

/// Every rate: the length to the frame, the place to a fraction of it, and only what was in it. The stop band of the
/// window is made for 100 dB.
#[test]
fn every_rate_comes_to_48_khz() {
    for rate in [
        8_000, 8_001, 11_025, 12_000, 16_000, 22_050, 24_000, 32_000, 37_800, 44_100, 47_999, 64_000, 88_200, 96_000,
        176_400, 191_999, 192_000,
    ] {
        let frames = rate as usize / 2 + 1;
        let lower = f64::from(rate.min(48_000));
        for share in [0.02, 0.2, 0.4] {
            let hz = share * lower;
            // Not 16 bits: what the conversion adds is to be seen.
            let tone = sine(rate, hz, 0.4, frames);
            let data: Vec<u8> = tone.iter().flat_map(|x| x.to_le_bytes()).collect();
            let recording = load(&chunks(&[(b"fmt ", &format(3, 1, rate, 32)), (b"data", &data)])).unwrap();
            let exact = (frames as f64 * 48_000.0 / f64::from(rate)).round() as usize;
            assert_eq!(recording.frames(), exact, "{rate} Hz");
            let wanted = sine(48_000, hz, 0.4, exact);
            // The filter's reach at the ends is not what was there before and after.
            let inner = 2000..exact - 2000;
            let like = likeness(&wanted[inner.clone()], &samples(&recording)[inner]);
            assert!(like > 84.0, "{rate} Hz, tone of {hz:.0} Hz: {like:.1} dB");
        }
    }
}

/// What a higher rate carries above 24 kHz does not come back below it.
#[test]
fn nothing_folds_back() {
    for rate in [64_000, 96_000, 192_000] {
        for hz in [24_100.0, 27_000.0, f64::from(rate) * 0.49] {
            let tone = sine(rate, hz, 0.5, rate as usize / 4);
            let data: Vec<u8> = tone.iter().flat_map(|x| x.to_le_bytes()).collect();
            let file = chunks(&[(b"fmt ", &format(3, 1, rate, 32)), (b"data", &data)]);
            let got = samples(&load(&file).unwrap());
            let middle = &got[1000..got.len() - 1000];
            let peak = middle.iter().fold(0f32, |m, x| m.max(x.abs()));
            let level = 20.0 * (peak / 0.5).log10();
            assert!(level < -90.0, "{rate} Hz, tone of {hz:.0} Hz: {level:.1} dB");
        }
    }
}

/// ITU-T P.56 as `sound::speech_level` measures it: whatever the file's level, rate and pauses, it comes out at the same.
#[test]
fn messages_are_brought_to_one_level() {
    let mut levels = Vec::new();
    for (rate, gain, pause) in [(48_000, 1.0, 0.0), (16_000, 0.05, 4.0), (44_100, 0.01, 1.0)] {
        let mut frames = vec![0.0; (pause * f64::from(rate)) as usize];
        frames.extend(talk(rate, 5.0).iter().map(|x| x * gain));
        let recording = load(&wav(rate, &frames)).unwrap();
        let gain = recording.levelling().factor();
        let loud: Vec<f32> = samples(&recording).iter().map(|x| x * gain).collect();
        let mut meter = crate::sound::speech_level::SpeechLevel::new();
        meter.push(&loud, RATE);
        levels.push(meter.level().unwrap().0.0);
    }
    assert!(levels.iter().all(|l| (l - SPEECH_LEVEL.0).abs() < 0.1), "{levels:?}");
    let faint = load(&wav(
        48_000,
        &talk(48_000, 2.0).iter().map(|x| x * 0.0005).collect::<Vec<_>>(),
    ))
    .unwrap();
    assert_eq!(faint.levelling(), MOST_GAIN);
}

#[test]
fn flaws_are_seen() {
    let talk = talk(48_000, 3.0);
    let made = |f: &dyn Fn(f32) -> f32| load(&wav(48_000, &talk.iter().map(|x| f(*x)).collect::<Vec<_>>())).unwrap();
    assert_eq!(made(&|x| x).flaws(), []);
    assert_eq!(made(&|_| 0.0).flaws(), [Flaw::Silent]);
    assert_eq!(made(&|x| x * 0.002).flaws(), [Flaw::VeryQuiet]);
    assert_eq!(made(&|x| (8.0 * x).clamp(-1.0, 0.99997)).flaws(), [Flaw::Clipped]);
    // Just loud is not clipped: it touches full scale at its highest places.
    let peak = talk.iter().fold(0f32, |m, x| m.max(x.abs()));
    assert_eq!(made(&|x| (x / peak).min(0.99997)).flaws(), []);
    for hz in [100.0, 440.0] {
        let tone = load(&wav(48_000, &sine(48_000, hz, 0.99997, 48_000))).unwrap();
        assert_eq!(tone.flaws(), [], "{hz} Hz");
    }
}

/// Each with what was found; the hints are seen in the messages of the check.
#[test]
fn files_that_are_none() {
    let good = wav(8_000, &sine(8_000, 440.0, 0.5, 8000));
    let fault = |octets: &[u8]| load(octets).unwrap_err().found;
    let with_format = |chunk: &[u8]| fault(&chunks(&[(b"fmt ", chunk), (b"data", &[0; 64])]));
    assert_eq!(fault(b""), "an empty file");
    assert_eq!(fault(b"ID3\x04\0\0\0\0\0\0\0\0\0\0"), "an MP3 file");
    assert_eq!(fault(b"\xff\xfb\x90\x64\0\0\0\0\0\0\0\0\0\0"), "an MP3 file");
    assert_eq!(fault(b"\xff\xf1\x50\x80\0\0\0\0\0\0\0\0\0\0"), "an AAC file");
    assert_eq!(fault(b"fLaC\0\0\0\x22\0\0\0\0\0"), "a FLAC file");
    assert_eq!(fault(b"\0\0\0\x20ftypM4A \0\0"), "an MP4 or M4A file");
    assert_eq!(fault(b"FORM\0\0\0\0AIFF"), "an AIFF file");
    assert_eq!(fault(b"RIFF\0\0\0\0AVI LIST"), "a RIFF file that is no WAV");
    assert_eq!(fault(b"Doors close in ten minutes."), "a text file");
    assert_eq!(fault(&[0; 100]), "a file that begins with zeros");
    assert_eq!(fault(&good[..4]), "a WAV file that is cut off in its header");
    assert_eq!(fault(&good[..20]), "a WAV file that is cut off in its header");
    assert_eq!(fault(&good[..36]), "a WAV file without a single sample");
    assert_eq!(
        fault(&good[..good.len() - 8000]),
        "a WAV file that is cut off: it announces 0:01.0, and 0:00.5 are there"
    );
    assert_eq!(fault(&wav(48_000, &[])), "a WAV file without a single sample");
    assert_eq!(with_format(&format(1, 1, 7_999, 16)), "a sampling rate of 7999 Hz");
    assert_eq!(with_format(&format(1, 1, 192_001, 16)), "a sampling rate of 192001 Hz");
    assert_eq!(with_format(&format(1, 9, 48_000, 16)), "9 channels");
    assert_eq!(with_format(&format(1, 0, 48_000, 16)), "0 channels");
    assert_eq!(with_format(&format(2, 1, 48_000, 16)), "a WAV file with ADPCM");
    assert_eq!(
        with_format(&format(0x55, 1, 48_000, 16)),
        "an MP3 file that is called WAV"
    );
    assert_eq!(
        with_format(&format(3, 1, 48_000, 16)),
        "a WAV file with samples of 16 bits in 2 octets"
    );
    assert_eq!(
        with_format(&format(1, 1, 48_000, 16)[..14]),
        "a WAV file that is damaged: its format is too short"
    );
    let numbers = |x: f32| {
        let data: Vec<u8> = [x; 64].iter().flat_map(|x| x.to_le_bytes()).collect();
        fault(&chunks(&[(b"fmt ", &format(3, 1, 48_000, 32)), (b"data", &data)]))
    };
    for x in [f32::NAN, f32::INFINITY, 1e30] {
        assert!(
            numbers(x).starts_with("floating-point samples that are no sound"),
            "{x}"
        );
    }
}

/// The bound is [`MAX_LENGTH`], to the frame, whether the header tells or not.
#[test]
fn five_minutes_and_no_more() {
    let most = 300 * 8000;
    let file = |frames: usize, length: u32| {
        let mut file = chunks(&[(b"fmt ", &format(1, 1, 8_000, 8)), (b"data", &[])]);
        let at = file.len() - 4;
        file[at..].copy_from_slice(&length.to_le_bytes());
        file.extend(std::iter::repeat_n(100, frames));
        file
    };
    assert_eq!(load(&file(most, most as u32)).unwrap().frames(), 300 * 48_000);
    assert_eq!(load(&file(most, u32::MAX)).unwrap().memory(), 300 * 48_000 * 2);
    let found = |frames: usize, length: u32| load(&file(frames, length)).unwrap_err().found;
    assert_eq!(found(10, most as u32 + 8000), "a message of 5:01.0");
    assert_eq!(found(most + 1, u32::MAX), "a message of more than 5:00.0");
}

/// An offset is no loudness: the same talk, as loud, from zero to zero.
#[test]
fn an_offset_is_taken_out() {
    let plain: Vec<f32> = talk(48_000, 2.0).iter().map(|x| x * 0.5).collect();
    let moved: Vec<f32> = plain.iter().map(|x| x + 0.2).collect();
    let (plain, moved) = (load(&wav(48_000, &plain)).unwrap(), load(&wav(48_000, &moved)).unwrap());
    let level = |recording: &Recording| recording.about().level.unwrap().0;
    assert!(
        (level(&plain) - level(&moved)).abs() < 0.1,
        "{} {}",
        level(&plain),
        level(&moved)
    );
    let mean = samples(&moved).iter().sum::<f32>() / moved.frames() as f32;
    assert!(mean.abs() < 0.002, "{mean}");
}
