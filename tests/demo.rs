//! `hornwire demo` from its command line to its recordings: nothing that was said is missing at the line output.
//! Takes half a minute of real time.

use std::path::{Path, PathBuf};
use std::process::Command;

use hornwire::demo::voice::{CRANE, DELIVERY, Speaker};

/// 8 kHz samples in a tenth of a second.
const PIECE: usize = 800;

fn directory() -> PathBuf {
    let path = std::env::temp_dir().join(format!("hornwire-demo-test-{}", std::process::id()));
    let _ = std::fs::remove_dir_all(&path);
    path
}

/// A recording at 48 kHz brought to 8 kHz; speech from a telephone has nothing above 4 kHz that could fold down.
fn recording(path: &Path) -> Vec<f32> {
    let mut reader = hound::WavReader::open(path).unwrap();
    assert_eq!((reader.spec().sample_rate, reader.spec().channels), (48_000, 1));
    let samples = reader.samples::<i16>().step_by(6);
    samples.map(|s| f32::from(s.unwrap()) / 32768.0).collect()
}

/// The place of `piece` in `whole` and its likeness there, 1.0 for the same shape.
fn find(piece: &[i16], whole: &[f32]) -> (usize, f32) {
    let piece: Vec<f32> = piece.iter().map(|s| f32::from(*s) / 32768.0).collect();
    let energy = |x: &[f32]| x.iter().map(|s| s * s).sum::<f32>();
    let own = energy(&piece);
    whole
        .windows(piece.len())
        .enumerate()
        .map(|(at, window)| {
            let both: f32 = window.iter().zip(&piece).map(|(a, b)| a * b).sum();
            (at, both / (own * energy(window)).sqrt().max(1e-9))
        })
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .unwrap()
}

/// All of the words are in the recording, in order, without a gap. Time-stretch may hasten it and pauses may be
/// shortened, but nothing that sounds may be missing: a lost tenth of a second breaks the chain.
fn assert_said(speaker: Speaker, words: &str, line: &[f32], zone: &str) {
    let said = speaker.say(words);
    let sounds = |piece: &[i16]| piece.iter().map(|s| f64::from(*s).powi(2)).sum::<f64>() > 1e5 * PIECE as f64;
    let pieces: Vec<&[i16]> = said.chunks_exact(PIECE).collect();
    let sounding = pieces.iter().filter(|p| sounds(p)).count();
    // Number of the piece that was last recognised, and where.
    let mut last: Option<(usize, usize)> = None;
    let mut recognised = 0;
    for (i, piece) in pieces.iter().enumerate().filter(|(_, p)| sounds(p)) {
        let (from, to) = match last {
            None => (0, line.len()),
            // At its usual distance from the last one, or up to 25 ms for each piece earlier, all silence left out.
            Some((j, at)) => {
                let between = &pieces[j..i];
                let silent = between.iter().filter(|p| !sounds(p)).count();
                let latest = at + (i - j) * PIECE + 160;
                let earliest = latest - 160 - silent * PIECE - (i - j - silent) * 200;
                (earliest, (latest + PIECE).min(line.len()))
            }
        };
        let (at, likeness) = find(piece, &line[from..to]);
        // Hiss, and pieces with a joint of the time-stretch in them, stay below it; they lie between two others.
        if likeness > 0.85 {
            recognised += 1;
            last = Some((i, from + at));
        } else {
            let (j, _) = last.unwrap_or((0, 0));
            assert!(
                i - j < 8,
                "{zone}: nothing recognised between {} and {} ms",
                j * 100,
                i * 100
            );
        }
        if let (Some((j, at)), 1) = (last, recognised) {
            assert!(j < 3, "{zone}: the first {} ms are missing (found at {at})", j * 100);
        }
    }
    let (end, _) = last.expect("something was recognised");
    let sound_end = pieces.iter().rposition(|p| sounds(p)).unwrap();
    assert!(
        sound_end - end < 4,
        "{zone}: the last {} ms are missing",
        (sound_end - end) * 100
    );
    assert!(
        recognised * 10 > sounding * 6,
        "{zone}: {recognised} of {sounding} pieces recognised"
    );
}

#[test]
#[ignore = "takes half a minute; run by deploy/check"]
fn nothing_is_missing() {
    let out = directory();
    let output = Command::new(env!("CARGO_BIN_EXE_hornwire"))
        .args(["demo", "--out"])
        .arg(&out)
        .output()
        .unwrap();
    let story = String::from_utf8(output.stdout).unwrap();
    assert!(
        output.status.success(),
        "{story}\n{}",
        String::from_utf8_lossy(&output.stderr)
    );
    for part in [
        "Everything went as it should.",
        "yard-loudspeaker.wav",
        "is cut off; Reason: SIP",
        "486 Busy Here",
    ] {
        assert!(story.contains(part), "{part}\n{story}");
    }
    assert!(
        !story.contains("plank-otter") && !story.contains("resin-harbour"),
        "no password is told"
    );

    let (yard, office) = (
        recording(&out.join("yard-line.wav")),
        recording(&out.join("office-line.wav")),
    );
    // The first caller spoke at once: not a word is lost while the amplifier woke up and the chime sounded.
    assert_said(Speaker::caller(), DELIVERY, &yard, "yard");
    assert_said(Speaker::caller(), DELIVERY, &office, "office");
    // The multicast page as well, and it is heard in its own zone only.
    assert_said(Speaker::dispatcher(), CRANE, &yard, "yard");
    let crane = Speaker::dispatcher().say(CRANE);
    let likeness = find(&crane[PIECE..4 * PIECE], &office).1;
    assert!(likeness < 0.8, "the multicast page in the office: {likeness:.2}");
    std::fs::remove_dir_all(&out).unwrap();
}

/// The check above can fail: half a sentence, a hole of 200 ms, a missing first word.
#[test]
fn the_check_sees_what_is_missing() {
    let speaker = Speaker::caller();
    let said: Vec<f32> = speaker.say(DELIVERY).iter().map(|s| f32::from(*s) / 32768.0).collect();
    let with = |parts: &[&[f32]]| {
        let mut line = vec![0.0; 4000];
        parts.iter().for_each(|part| line.extend_from_slice(part));
        line.extend([0.0; 4000]);
        line
    };
    let seen = |line: Vec<f32>| std::panic::catch_unwind(|| assert_said(speaker, DELIVERY, &line, "test")).is_err();
    assert!(!seen(with(&[&said])));
    assert!(seen(with(&[&said[4000..]])), "the first word");
    assert!(seen(with(&[&said[..30_000]])), "the last word");
    assert!(seen(with(&[&said[..14_400], &said[16_800..]])), "a hole of 300 ms");
    let other: Vec<f32> = speaker.say(CRANE).iter().map(|s| f32::from(*s) / 32768.0).collect();
    assert!(seen(with(&[&other])), "other words");
}
