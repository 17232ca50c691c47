//! Contacts at the running program, in real time: files stand for them (`line = "file:/PATH"`).
#![allow(clippy::disallowed_methods)]

use std::path::Path;
use std::time::Duration;

use crate::program::Program;

mod program;

const RATE: usize = 48_000;

const CONFIG: &str = r#"
    [site]
    name = "Quayside Timber"
    [cards.main]
    output = "wav:FOLDER/out.wav"
    channels = 2
    [relays.yard-trigger]
    line = "simulated"
    min_on = "500 ms"
    [relays.lamp]
    line = "simulated"
    shows = "page"
    zones = ["office"]
    [relays.well]
    line = "simulated"
    shows = "healthy"
    [zones.yard]
    card = "main"
    channel = 1
    trigger = ["yard-trigger"]
    lead = "100 ms"
    release = "100 ms"
    [zones.office]
    card = "main"
    channel = 2
    lead = "0 s"
    release = "0 s"
    [messages.visitor]
    file = "visitor.wav"
    [contacts.night-bell]
    line = "file:FOLDER/bell"
    zones = ["yard"]
    pause = "400 ms"
    [contacts.front-door]
    line = "file:FOLDER/door"
    zones = ["office"]
    plays = "visitor"
    times = 2
    pause = "500 ms"
    [vetoes.alarm]
    line = "file:FOLDER/alarm"
    zones = ["yard"]
    [vetoes.drill]
    line = "file:FOLDER/drill"
    zones = ["yard", "office"]
"#;

fn start(name: &str) -> Program {
    let folder = program::folder(&format!("contacts-{name}"));
    // A second of a tone at the level of speech, in syllables.
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE as u32,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(folder.join("visitor.wav"), spec).unwrap();
    for n in 0..RATE {
        let time = n as f64 / RATE as f64;
        let swell = (std::f64::consts::TAU * 2.0 * time).sin().abs();
        let x = 8000.0 * swell * (std::f64::consts::TAU * 1500.0 * time).sin();
        writer.write_sample(x as i16).unwrap();
    }
    writer.finalize().unwrap();
    let program = Program::start(folder.clone(), &CONFIG.replace("FOLDER", &folder.to_string_lossy()));
    program.line("is open");
    for contact in ["night-bell", "front-door", "alarm", "drill"] {
        program.line(&format!("contact {contact} is watched"));
    }
    program
}

fn close(program: &Program, name: &str) {
    std::fs::write(program.folder.join(name), "").unwrap();
}

fn open(program: &Program, name: &str) {
    std::fs::remove_file(program.folder.join(name)).unwrap();
}

fn wait(seconds: f64) {
    std::thread::sleep(Duration::from_secs_f64(seconds));
}

fn channel(folder: &Path, channel: usize) -> Vec<f32> {
    let reader = hound::WavReader::open(folder.join("out.wav")).unwrap();
    let samples = reader.into_samples::<i16>().skip(channel).step_by(2);
    samples.map(|s| f32::from(s.unwrap()) / 32_768.0).collect()
}

/// Beginnings of sound after at least 250 ms of silence, s; and how much of it there is, s.
fn sounds(samples: &[f32]) -> (Vec<f64>, f64) {
    let loud: Vec<bool> = samples
        .chunks(RATE / 100)
        .map(|part| part.iter().any(|x| x.abs() > 0.003))
        .collect();
    let (mut begins, mut quiet) = (Vec::new(), 100);
    for (n, loud) in loud.iter().enumerate() {
        if *loud && quiet >= 25 {
            begins.push(n as f64 / 100.0);
        }
        quiet = if *loud { 0 } else { quiet + 1 };
    }
    (begins, loud.iter().filter(|l| **l).count() as f64 / 100.0)
}

/// A bell rings for as long as the contact is closed, to the end of its last stroke; a message as often as asked for, however
/// short the press; one press during it is no second one.
#[test]
fn a_bell_rings_while_it_is_closed_and_a_button_plays_its_message() {
    let mut program = start("bell");
    close(&program, "bell");
    close(&program, "door");
    program.line("contact front-door closed");
    open(&program, "door");
    wait(1.0);
    close(&program, "door");
    wait(0.2);
    open(&program, "door");
    wait(3.3);
    open(&program, "bell");
    program.line("page 1 from night-bell to zone yard");
    program.line("page 2 from front-door to zone office");
    wait(0.3);
    program.stop();
    let lines = program.lines();
    for page in ["from night-bell to zone yard", "from front-door to zone office"] {
        let found: Vec<&String> = lines.iter().filter(|l| l.contains(page)).collect();
        assert!(found.len() == 1 && found[0].contains("ended: finished"), "{lines:#?}");
    }
    // Strokes of 1.6 s, 0.4 s apart: closed for about 4.6 s, so three of them.
    let (bells, _) = sounds(&channel(&program.folder, 0));
    assert_eq!(bells.len(), 3, "{bells:?}");
    for pair in bells.windows(2) {
        assert!((pair[1] - pair[0] - 2.0).abs() < 0.06, "{bells:?}");
    }
    let (messages, _) = sounds(&channel(&program.folder, 1));
    assert_eq!(messages.len(), 2, "{messages:?}");
    assert!((messages[1] - messages[0] - 1.5).abs() < 0.06, "{messages:?}");
    let of = |text: &str| lines.iter().filter(|l| l.contains(text)).count();
    assert_eq!((of("lamp operated"), of("lamp at rest")), (1, 1), "{lines:#?}");
    assert_eq!((of("well operated"), of("well at rest")), (1, 1), "{lines:#?}");
    let relay = |text: &str| {
        lines
            .iter()
            .filter(|l| l.contains("yard-trigger") && l.contains(text))
            .count()
    };
    assert_eq!((relay("operated"), relay("at rest")), (1, 1), "{lines:#?}");
}

/// Pressed and let go before the amplifier is awake: one stroke is heard all the same.
#[test]
fn a_short_press_rings_once() {
    let mut program = start("short");
    close(&program, "bell");
    program.line("contact night-bell closed");
    open(&program, "bell");
    program.line("from night-bell to zone yard");
    program.stop();
    let (bells, length) = sounds(&channel(&program.folder, 0));
    assert!(bells.len() == 1 && (1.2..1.8).contains(&length), "{bells:?} {length}");
}

/// Another system takes over: silence at once and the relay at rest, what comes meanwhile waits, and is heard when the last of
/// two has given the zone back.
#[test]
fn a_veto_silences_the_zone_until_it_is_lifted() {
    let mut program = start("veto");
    close(&program, "bell");
    program.line("is heard in zone yard");
    wait(0.5);
    close(&program, "alarm");
    program.line("alarm has taken over: zone yard");
    program.line("yard-trigger at rest");
    close(&program, "drill");
    program.line("drill has taken over: zone office");
    wait(0.5);
    open(&program, "alarm");
    program.line("alarm has given back: nothing");
    wait(0.5);
    open(&program, "drill");
    program.line("drill has given back: zones yard, office");
    wait(1.0);
    open(&program, "bell");
    program.line("from night-bell to zone yard");
    program.stop();
    let (bells, _) = sounds(&channel(&program.folder, 0));
    // The one that was cut, and those after it from the beginning.
    assert!(bells.len() >= 2 && bells[1] - bells[0] > 1.4, "{bells:?}");
    let lines = program.lines();
    let record = lines
        .iter()
        .find(|l| l.contains("from night-bell to zone yard"))
        .unwrap();
    assert!(record.contains("ended: finished"), "{record}");
}
