//! Keys, busy tones and G.722 against independent implementations: GStreamer's DTMF detector (spandsp) and
//! oscillators, ffmpeg's codec, sox's tones; real speech that must dial nothing and is no busy tone.

use std::path::{Path, PathBuf};
use std::process::Command;

use hornwire::media::g711::ULAW;
use hornwire::media::g722::{Decoder, Encoder};
use hornwire::sound::busy::{BusyDetector, Plan};
use hornwire::sound::dtmf::DtmfDetector;

use super::lab::Lab;
use super::lab::process::run;

const RECORDINGS: &str = "/usr/share/pocketsphinx/test/data";

fn samples(path: &Path) -> Vec<i16> {
    let raw = std::fs::read(path).expect("raw samples");
    raw.chunks_exact(2).map(|c| i16::from_le_bytes([c[0], c[1]])).collect()
}

fn keys(pcm: &[i16], rate: u32) -> String {
    let mut detector = DtmfDetector::new();
    let mut keys = String::new();
    for block in pcm.chunks(rate as usize / 50) {
        let block: Vec<f32> = block.iter().map(|s| f32::from(*s) / 32_768.0).collect();
        detector.block(&block, rate);
        keys.extend(std::iter::from_fn(|| detector.poll()));
    }
    keys
}

/// The plans whose busy tone is heard.
fn busy(pcm: &[i16], rate: u32) -> Vec<Plan> {
    let block: Vec<f32> = pcm.iter().map(|s| f32::from(*s) / 32_768.0).collect();
    let heard = |plan: &Plan| BusyDetector::new(*plan).hear(&block, rate);
    Plan::ALL.into_iter().filter(heard).collect()
}

/// Tones made and put through G.711 by sox; pitch and beat as in the ITU's list of national tones
/// (Supplement 2 to E.180), by two public tables.
#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn busy_tones_of_sox_are_heard() {
    use Plan::*;
    let lab = Lab::new("keys-busy");
    for (tones, on, off, plans) in [
        (&["480", "620"][..], "0.5", "0.5", &[NorthAmerica][..]),
        (&["480", "620"], "0.25", "0.25", &[NorthAmerica]),
        (&["400"], "0.375", "0.375", &[Uk, Australia]),
        (&["400"], "0.5", "0.5", &[Japan]),
        (&["440"], "0.25", "0.25", &[France]),
        (&["425"], "0.48", "0.48", &[Itu, Germany]),
        (&["425"], "0.24", "0.24", &[Itu, Germany]),
        (&["425"], "0.375", "0.375", &[Itu, Australia]),
        (&["440", "480"], "2", "4", &[]),
        (&["425"], "1", "4", &[]),
        (&["350", "440"], "4", "0", &[]),
    ] {
        let (cycle, coded, decoded) = (lab.path("cycle.wav"), lab.path("busy.ul"), lab.path("busy.raw"));
        let mut make = Command::new("sox");
        make.args(["-D", "-n", "-r", "8000", "-b", "16"])
            .arg(&cycle)
            .arg("synth")
            .arg(on);
        tones.iter().for_each(|hz| _ = make.args(["sine", hz]));
        run(make.args(["remix", "-", "pad", "0", off, "gain", "-22", "repeat", "9"]));
        run(Command::new("sox").arg("-D").arg(&cycle).args(["-t", "ul"]).arg(&coded));
        run(Command::new("sox")
            .args(["-D", "-t", "ul", "-r", "8000", "-c", "1"])
            .arg(&coded)
            .args(RAW_8)
            .arg(&decoded));
        let heard = busy(&samples(&decoded), 8000);
        for plan in plans {
            assert!(heard.contains(plan), "{tones:?} {on} {off}: {plan:?} in {heard:?}");
        }
        if plans.is_empty() {
            assert!(heard.is_empty(), "{tones:?} {on} {off}: {heard:?}");
        }
    }
}

/// The same of GStreamer's oscillators and its µ-law, a quarter of a second up to a beat.
#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn busy_tones_of_gstreamer_are_heard() {
    use Plan::*;
    let lab = Lab::new("keys-busy-gstreamer");
    for (tones, on, off, plan) in [
        (&[480, 620][..], 500, 500, NorthAmerica),
        (&[480, 620], 250, 250, NorthAmerica),
        (&[400], 375, 375, Uk),
        (&[400], 500, 500, Japan),
        (&[440], 500, 500, France),
        (&[425], 480, 480, Germany),
        (&[425], 250, 250, Itu),
        (&[425], 375, 375, Australia),
    ] {
        let coded = lab.path("burst.ul");
        let source = |hz: &u32| {
            format!(
                "audiotestsrc wave=sine freq={hz} volume=0.06 samplesperbuffer=8 num-buffers={on} \
                 ! audio/x-raw,format=S16LE,rate=8000,channels=1"
            )
        };
        let mixed: Vec<String> = tones.iter().map(|hz| format!("{} ! mix.", source(hz))).collect();
        let text = format!(
            "audiomixer name=mix ! audioconvert ! mulawenc ! filesink location={} {}",
            coded.display(),
            mixed.join(" ")
        );
        run(Command::new("gst-launch-1.0").arg("-q").args(text.split_whitespace()));
        let burst: Vec<i16> = std::fs::read(&coded)
            .expect("a burst")
            .iter()
            .map(|c| ULAW[usize::from(*c)])
            .collect();
        assert!(burst.len().abs_diff(on * 8) <= 80, "{} samples", burst.len());
        let cycle = [burst, vec![0; off * 8]].concat();
        let heard = busy(&cycle.repeat(8), 8000);
        assert!(heard.contains(&plan), "{tones:?} {on} {off}: {plan:?} in {heard:?}");
        let steady = busy(&cycle[..on * 8].repeat(16), 8000);
        assert!(steady.is_empty(), "{tones:?} without a beat: {steady:?}");
    }
}

/// Every recording of real speech that there is, as 16 kHz raw samples.
fn recordings(lab: &Lab) -> Vec<PathBuf> {
    let mut all = Vec::new();
    for folder in ["librivox", "cards"] {
        let folder = Path::new(RECORDINGS).join(folder);
        for file in std::fs::read_dir(&folder).expect("pocketsphinx-testdata").flatten() {
            let path = file.path();
            if path.extension().is_some_and(|e| e == "wav") {
                let out = lab.path(&format!("{}.raw", path.file_stem().unwrap_or_default().display()));
                run(Command::new("sox").arg("-D").arg(&path).args(RAW_16).arg(&out));
                all.push(out);
            }
        }
    }
    for name in ["numbers.raw", "something.raw", "goforward.raw"] {
        all.push(Path::new(RECORDINGS).join(name));
    }
    assert!(all.len() >= 10, "{all:?}");
    all
}

const RAW_16: [&str; 10] = ["-t", "raw", "-r", "16000", "-c", "1", "-e", "signed", "-b", "16"];

/// Real speech at its own pitch and at others, and synthesised voices of both sexes: not one key.
#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn speech_dials_nothing() {
    let lab = Lab::new("keys-speech");
    let mut seconds = 0.0;
    let mut check = |path: &Path| {
        let pcm = samples(path);
        assert_eq!(keys(&pcm, 16_000), "", "{}", path.display());
        assert_eq!(busy(&pcm, 16_000), [], "{}", path.display());
        let narrow = lab.path("narrow.raw");
        run(Command::new("sox")
            .args(["-D", "-V0"])
            .args(RAW_16)
            .arg(path)
            .args(["-r", "8000"])
            .args(RAW_8)
            .arg(&narrow));
        assert_eq!(keys(&samples(&narrow), 8000), "", "{} at 8 kHz", path.display());
        seconds += pcm.len() as f64 / 16_000.0;
    };
    for path in recordings(&lab) {
        check(&path);
        for speed in ["0.75", "0.87", "1.13", "1.3", "1.5"] {
            let other = lab.path("other.raw");
            run(Command::new("sox")
                .args(["-D", "-V0"])
                .args(RAW_16)
                .arg(&path)
                .args(RAW_16)
                .arg(&other)
                .args(["speed", speed, "rate", "16000"]));
            check(&other);
        }
    }
    let text = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("README.md")).expect("README");
    for voice in [
        "en-us+f2", "en-us+f4", "en-us+m1", "en-us+m3", "en-gb+m7", "de+f2", "fr+m2", "es+f5",
    ] {
        let (wav, raw) = (lab.path("voice.wav"), lab.path("voice.raw"));
        run(Command::new("espeak-ng").args(["-v", voice, "-w"]).arg(&wav).arg(&text));
        run(Command::new("sox").args(["-D", "-V0"]).arg(&wav).args(RAW_16).arg(&raw));
        check(&raw);
    }
    println!("{:.0} minutes of speech, twice, no key", seconds / 60.0);
    assert!(seconds > 1800.0, "{seconds}");
}

const RAW_8: [&str; 10] = ["-t", "raw", "-r", "8000", "-c", "1", "-e", "signed", "-b", "16"];

/// The same file, made by sox, to GStreamer's `dtmfdetect` and to us: 80 ms on and off, through µ-law, with noise.
#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn hears_what_gstreamer_hears() {
    let lab = Lab::new("keys-gstreamer");
    let dialled = "1234567890*#ABCD5522";
    for noise in ["0", "0.01", "0.02"] {
        let mut parts = Vec::new();
        for (i, key) in dialled.chars().enumerate() {
            let row = ["123A", "456B", "789C", "*0#D"]
                .iter()
                .position(|r| r.contains(key))
                .expect("a key");
            let column = ["147*", "2580", "369#", "ABCD"]
                .iter()
                .position(|c| c.contains(key))
                .expect("a key");
            let part = lab.path(&format!("{i}.wav"));
            run(Command::new("sox")
                .args(["-D", "-n", "-r", "8000", "-b", "16"])
                .arg(&part)
                .args(["synth", "0.08", "sine", ["697", "770", "852", "941"][row]])
                .args(["sine", ["1209", "1336", "1477", "1633"][column]])
                .args(["remix", "1-2", "gain", "-8", "pad", "0", "0.08"]));
            parts.push(part);
        }
        let (clean, hiss, mixed, law) = (
            lab.path("c.wav"),
            lab.path("n.wav"),
            lab.path("m.wav"),
            lab.path("m.raw"),
        );
        run(Command::new("sox")
            .arg("-D")
            .args(&parts)
            .arg(&clean)
            .args(["pad", "0.2", "0.3"]));
        run(Command::new("sox")
            .args(["-D", "-R", "-n", "-r", "8000", "-b", "16"])
            .arg(&hiss)
            .args(["synth", "4", "whitenoise", "vol", noise]));
        run(Command::new("sox")
            .args(["-D", "-m", "-v", "1"])
            .arg(&clean)
            .args(["-v", "1"])
            .arg(&hiss)
            .args(["-e", "mu-law"])
            .arg(&mixed));
        run(Command::new("sox").arg("-D").arg(&mixed).args(RAW_8).arg(&law));
        assert_eq!(keys(&samples(&law), 8000), dialled, "noise {noise}");

        let said = run(Command::new("gst-launch-1.0")
            .args([
                "-m",
                "filesrc",
                &format!("location={}", mixed.display()),
                "!",
                "wavparse",
                "!",
                "mulawdec",
            ])
            .args([
                "!",
                "audioconvert",
                "!",
                "audio/x-raw,format=S16LE,rate=8000,channels=1",
                "!",
                "dtmfdetect",
                "!",
                "fakesink",
            ]));
        let theirs: String = said
            .split("dtmf-event")
            .skip(1)
            .filter_map(|event| event.split_once("number=(int)"))
            .filter_map(|(_, rest)| rest.split([',', ';']).next()?.trim().parse::<usize>().ok())
            .filter_map(|code| "0123456789*#ABCD".chars().nth(code))
            .collect();
        assert_eq!(theirs, dialled, "GStreamer, noise {noise}");
    }
}

/// Real speech both ways, octet by octet and sample by sample as ffmpeg's codec.
#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn g722_is_ffmpegs() {
    let lab = Lab::new("keys-g722");
    let mut octets = 0;
    for path in recordings(&lab) {
        let pcm = samples(&path);
        let (coded, back) = (lab.path("coded.g722"), lab.path("back.raw"));
        let ffmpeg = || {
            let mut c = Command::new("ffmpeg");
            c.args(["-v", "error", "-y", "-nostdin"]);
            c
        };
        run(ffmpeg()
            .args(["-f", "s16le", "-ar", "16000", "-ac", "1", "-i"])
            .arg(&path)
            .args(["-c:a", "g722", "-f", "g722"])
            .arg(&coded));
        run(ffmpeg()
            .args(["-f", "g722", "-i"])
            .arg(&coded)
            .args(["-f", "s16le"])
            .arg(&back));
        let theirs = std::fs::read(&coded).expect("ffmpeg's octets");
        let mut encoder = Encoder::new();
        let ours: Vec<u8> = pcm.chunks_exact(2).map(|p| encoder.encode(p[0], p[1])).collect();
        let whole = ours.len().min(theirs.len());
        assert!(
            whole * 2 + 2 >= pcm.len() && ours[..whole] == theirs[..whole],
            "{}",
            path.display()
        );
        let mut decoder = Decoder::new();
        let ours: Vec<i16> = theirs.iter().flat_map(|o| decoder.decode(*o)).collect();
        assert!(ours == samples(&back), "{}", path.display());
        octets += theirs.len();
    }
    println!("{octets} octets alike");
}
