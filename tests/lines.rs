//! Line inputs and music at the running program: a WAV file in place of each device, another for the loudspeakers. In
//! real time, without peers.

#![allow(clippy::disallowed_methods)]

use std::f64::consts::TAU;
use std::path::Path;
use std::time::Duration;

use crate::program::Program;

mod program;

const RATE: usize = 48_000;

struct Daemon(Program);

impl Daemon {
    fn start(name: &str, files: &[(&str, &[f64])], tables: &str) -> Self {
        let folder = program::folder(&format!("lines-{name}"));
        for (name, samples) in files {
            write(&folder.join(name), samples);
        }
        let text = format!(
            r#"
            [site]
            name = "Quayside Timber"
            [cards.main]
            output = "wav:{0}/out.wav"
            channels = 2
            [relays.yard-trigger]
            line = "simulated"
            [zones.yard]
            card = "main"
            channel = 1
            trigger = ["yard-trigger"]
            lead = "200 ms"
            release = "200 ms"
            ceiling = "-1 dBFS"
            [zones.sawmill]
            card = "main"
            channel = 2
            {1}
            "#,
            folder.display(),
            tables.replace("FOLDER", &folder.display().to_string()),
        );
        Daemon(Program::start(folder, &text))
    }

    /// Ends it and gives what the zones heard.
    fn stop(mut self) -> [Vec<f64>; 2] {
        self.0.stop();
        let mut reader = hound::WavReader::open(self.0.folder.join("out.wav")).unwrap();
        let samples: Vec<f64> = reader
            .samples::<i16>()
            .map(|s| f64::from(s.unwrap()) / 32_768.0)
            .collect();
        [0, 1].map(|channel| samples.iter().skip(channel).step_by(2).copied().collect())
    }
}

fn write(path: &Path, samples: &[f64]) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE as u32,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    for x in samples {
        writer.write_sample((x * 32_767.0) as i16).unwrap();
    }
    writer.finalize().unwrap();
}

fn silence(seconds: f64) -> Vec<f64> {
    vec![0.0; (seconds * RATE as f64) as usize]
}

/// Speech-like: a gliding buzz in syllables, each beginning with a soft hiss.
fn speech(seconds: f64) -> Vec<f64> {
    let mut noise = 1u32;
    let mut phase = 0.0;
    (0..(seconds * RATE as f64) as usize)
        .map(|n| {
            let t = n as f64 / RATE as f64;
            let syllable = t % 0.31;
            noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let hiss = f64::from(noise >> 8) / f64::from(1 << 24) - 0.5;
            phase += (130.0 + 45.0 * (TAU * 1.3 * t).sin() + 9.0 * (TAU * 0.37 * t).sin()) / RATE as f64;
            let buzz: f64 = (1..18)
                .map(|k| {
                    let f = 140.0 * f64::from(k);
                    (TAU * phase * f64::from(k)).sin() / (1.0 + ((f - 700.0) / 500.0).powi(2))
                })
                .sum();
            match syllable {
                s if s < 0.06 => 0.006 * hiss,
                s if s < 0.26 => 0.09 * buzz * (TAU / 2.0 * (s - 0.06) / 0.2).sin(),
                _ => 0.0,
            }
        })
        .collect()
}

fn thinned(samples: &[f64]) -> Vec<f64> {
    samples.chunks_exact(6).map(|c| c.iter().sum::<f64>() / 6.0).collect()
}

/// Where `part` stands in `signal` best, in seconds, and how alike they are there (1: the same but for level).
fn find(part: &[f64], signal: &[f64]) -> (f64, f64) {
    let (part, signal) = (thinned(part), thinned(signal));
    let own: f64 = part.iter().map(|x| x * x).sum();
    let mut best = (0.0, -1.0);
    for (at, window) in signal.windows(part.len()).enumerate() {
        let energy: f64 = window.iter().map(|x| x * x).sum();
        if energy < 0.05 * own {
            continue;
        }
        let both: f64 = window.iter().zip(&part).map(|(a, b)| a * b).sum();
        let likeness = both / (energy * own).sqrt();
        if likeness > best.1 {
            best = (at as f64 * 6.0 / RATE as f64, likeness);
        }
    }
    best
}

fn level(samples: &[f64]) -> f64 {
    let power = samples.iter().map(|x| x * x).sum::<f64>() / samples.len().max(1) as f64;
    10.0 * power.max(1e-12).log10()
}

#[test]
fn whoever_speaks_into_the_line_is_heard_from_the_first_syllable() {
    let spoken = speech(3.0);
    // It comes round again only after the test.
    let microphone = [silence(2.0), spoken.clone(), silence(35.0)].concat();
    let daemon = Daemon::start(
        "page",
        &[("mic.wav", &microphone)],
        r#"
        [inputs.workshop]
        input = "wav:FOLDER/mic.wav"
        channels = 1
        zones = ["yard"]
        hang = "1 s"
        levelled = false
        "#,
    );
    daemon.0.line("captures for line input workshop");
    daemon.0.line("relay yard-trigger operated");
    daemon.0.line("page 1 from workshop is heard in zone yard");
    let record = daemon.0.line("stream ended");
    assert!(record.contains("workshop"), "{record}");
    daemon.0.line("relay yard-trigger at rest");
    let [yard, sawmill] = daemon.stop();
    assert!(sawmill.iter().all(|x| *x == 0.0));
    // The first syllable with its consonant, whole; and it comes at the beginning of what is heard.
    let (at, likeness) = find(&spoken[..RATE * 260 / 1000], &yard);
    assert!(likeness > 0.97, "{likeness} at {at} s");
    let first = yard.iter().position(|x| x.abs() > 0.001).unwrap() as f64 / RATE as f64;
    assert!((first - at).abs() < 0.12, "{first} s, {at} s");
    // The consonant by itself stands before it, at its own level.
    let from = (at * RATE as f64) as usize;
    let hiss = level(&yard[from..from + RATE / 20]);
    assert!((hiss - level(&spoken[..RATE / 20])).abs() < 1.5, "{hiss} dBFS");
    // The last one too: nothing was cut.
    let (_, likeness) = find(&spoken[RATE * 279 / 100..RATE * 297 / 100], &yard);
    assert!(likeness > 0.97, "the last syllable: {likeness}");
}

/// A stored message in place of the chime: whole, as loud as levelled speech, and the first syllable comes behind it.
#[test]
fn a_stored_message_is_heard_before_the_words() {
    let spoken = speech(2.0);
    let microphone = [silence(2.0), spoken.clone(), silence(35.0)].concat();
    // A gong: partials that die away.
    let gong: Vec<f64> = (0..RATE * 3 / 2)
        .map(|n| {
            let t = n as f64 / RATE as f64;
            let partial = |hz: f64, life: f64| (TAU * hz * t).sin() * (-t / life).exp();
            0.1 * (partial(110.0, 0.5) + 0.6 * partial(223.0, 0.4) + 0.4 * partial(331.0, 0.3))
        })
        .collect();
    let daemon = Daemon::start(
        "message",
        &[("mic.wav", &microphone), ("gong.wav", &gong)],
        r#"
        [messages.shift-gong]
        file = "gong.wav"
        gain = "-3 dB"
        [inputs.workshop]
        input = "wav:FOLDER/mic.wav"
        channels = 1
        zones = ["yard"]
        hang = "1 s"
        levelled = false
        chime = "shift-gong"
        "#,
    );
    daemon.0.line("stream ended");
    daemon.0.line("relay yard-trigger at rest");
    let [yard, _] = daemon.stop();
    let (gong_at, likeness) = find(&gong[..RATE], &yard);
    assert!(likeness > 0.99, "{likeness} at {gong_at} s");
    let (word_at, likeness) = find(&spoken[..RATE * 260 / 1000], &yard);
    // What waited behind the message is caught up: a period is taken out of each syllable.
    assert!(likeness > 0.9, "{likeness} at {word_at} s");
    assert!((1.3..1.9).contains(&(word_at - gong_at)), "{gong_at} s, {word_at} s");
    // -20 dBFS of active level and its own gain; a sound that dies away is active for a part of its length.
    let first = (gong_at * RATE as f64) as usize;
    let heard = level(&yard[first..first + RATE / 2]);
    assert!((-28.0..-18.0).contains(&heard), "{heard} dBFS");
}

/// A telephone line behind an adapter that never hangs up: what Germany's exchanges send then (425 Hz, 0.48 s on and off:
/// Supplement 2 to E.180, by two public tables) ends the page, and starts none while it goes on.
#[test]
fn a_busy_tone_on_the_line_ends_the_page() {
    let busy: Vec<f64> = (0..RATE * 8)
        .map(|n| {
            let t = n as f64 / RATE as f64;
            let sounds = t % 0.96 < 0.48;
            f64::from(sounds) * 0.1 * (TAU * 425.0 * t).sin()
        })
        .collect();
    let microphone = [silence(2.0), speech(2.0), silence(0.5), busy, silence(35.0)].concat();
    let daemon = Daemon::start(
        "busy",
        &[("mic.wav", &microphone)],
        r#"
        [inputs.workshop]
        input = "wav:FOLDER/mic.wav"
        channels = 1
        zones = ["yard"]
        hang = "1 s"
        busy_tone = "germany"
        "#,
    );
    daemon.0.line("busy tone on the line");
    daemon.0.line("relay yard-trigger at rest");
    // The rest of the tone, and the hang time.
    std::thread::sleep(Duration::from_secs(6));
    let [yard, _] = daemon.stop();
    let last = yard.iter().rposition(|x| x.abs() > 0.003).unwrap_or(0) as f64 / RATE as f64;
    assert!((7.0..10.5).contains(&last), "the loudspeakers are free again: {last} s");
}

#[test]
fn music_plays_gives_way_and_comes_back() {
    let tone: Vec<f64> = (0..RATE)
        .map(|n| 0.25 * (TAU * 480.0 * n as f64 / RATE as f64).sin())
        .collect();
    let microphone = [silence(4.0), speech(3.0), silence(35.0)].concat();
    let daemon = Daemon::start(
        "music",
        &[("mic.wav", &microphone), ("music.wav", &tone)],
        r#"
        [inputs.workshop]
        input = "wav:FOLDER/mic.wav"
        channels = 1
        zones = ["yard"]
        hang = "1 s"
        gain = "-40 dB"
        levelled = false
        [music.yard-music]
        input = "wav:FOLDER/music.wav"
        channels = 1
        channel = 1
        zones = ["yard", "sawmill"]
        gain = "-6 dB"
        when_paging = "-20 dB"
        fade_out = "200 ms"
        fade_in = "1 s"
        "#,
    );
    daemon.0.line("captures for music yard-music");
    daemon.0.line("relay yard-trigger at rest");
    std::thread::sleep(Duration::from_millis(2500));
    let lines = daemon.0.lines();
    let [yard, sawmill] = daemon.stop();
    // 0.25 is −15.05 dBFS; its gain takes 6 off.
    let own = -21.05;
    let levels = |samples: &[f64]| samples.chunks_exact(RATE / 10).map(level).collect::<Vec<f64>>();
    let (in_yard, elsewhere) = (levels(&yard), levels(&sawmill));
    let begun = elsewhere.iter().position(|l| (l - own).abs() < 0.1).expect("music");
    // A machine that is too busy for a moment breaks it off; it says so, and the levels below still have to be met.
    eprintln!(
        "{}",
        lines
            .iter()
            .filter(|l| l.contains("broke off") || l.contains("ran"))
            .count()
    );
    let steady = elsewhere[begun..].iter().filter(|l| (*l - own).abs() < 0.1).count();
    assert!(steady * 10 > elsewhere[begun..].len() * 9, "{elsewhere:?}");
    let ducked = in_yard.iter().filter(|l| (*l - (own - 20.0)).abs() < 1.0).count();
    // The page lasts for 3 s of speech, its lead, its hang and its release.
    assert!((35..60).contains(&ducked), "{ducked} tenths of a second: {in_yard:?}");
    assert!(
        (in_yard[in_yard.len() - 3] - own).abs() < 0.1,
        "it is back: {in_yard:?}"
    );
    // No click: the tone's own steps are the largest in both zones, whatever the fades do.
    let most = 0.25 * 10f64.powf(-6.0 / 20.0) * TAU * 480.0 / RATE as f64;
    for zone in [&yard, &sawmill] {
        let step = zone.windows(2).map(|w| (w[1] - w[0]).abs()).fold(0.0, f64::max);
        assert!(step < 1.2 * most, "a step of {step}, the tone's are {most}");
    }
}

#[test]
fn a_missing_device_is_told_once_and_the_rest_works() {
    let daemon = Daemon::start(
        "missing",
        &[("music.wav", &silence(1.0))],
        r#"
        [inputs.workshop]
        input = "wav:FOLDER/mic.wav"
        channels = 1
        zones = ["yard"]
        [music.yard-music]
        input = "wav:FOLDER/music.wav"
        channels = 1
        channel = 1
        zones = ["sawmill"]
        "#,
    );
    daemon.0.line("captures for music yard-music");
    let lost = daemon.0.line("nothing is heard from line input workshop until it does");
    assert!(lost.contains("No such file"), "{lost}");
    std::thread::sleep(Duration::from_millis(3500));
    let told = daemon
        .0
        .lines()
        .iter()
        .filter(|l| l.contains("nothing is heard"))
        .count();
    assert_eq!(told, 1, "{:#?}", daemon.0.lines());
    write(&daemon.0.folder.join("mic.wav"), &silence(1.0));
    daemon.0.line("captures for line input workshop");
}
