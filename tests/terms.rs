//! On what terms calls are heard, at the running program: they wait, are recorded, are warned, come too soon. Loopback only, in
//! real time. Which tone says what: `sound::tone`.
#![allow(clippy::disallowed_methods)]

use std::time::Duration;

use crate::phone::{Phone, reason};
use crate::program::Program;

#[path = "program/phone.rs"]
mod phone;
mod program;

const WAITING: f64 = 660.0;
const RECORDING: f64 = 1000.0;
/// The go-ahead, and twice the warning.
const BEEP: f64 = 800.0;
const BUSY: f64 = 425.0;

/// `address`: where it listens, of its own for each test.
fn start(name: &str, address: &str, extensions: &str) -> Program {
    let folder = program::folder(&format!("terms-{name}"));
    let text = format!(
        r#"
        [site]
        name = "Quayside Timber"
        [sip]
        listen = ["udp:{address}"]
        networks = ["127.0.0.0/8"]
        [cards.main]
        output = "wav:{}/out.wav"
        [zones.yard]
        card = "main"
        channel = 1
        lead = "50 ms"
        release = "50 ms"
        [defaults.extensions]
        codecs = ["pcmu"]
        levelled = false
        {extensions}
        "#,
        folder.display()
    );
    let program = Program::start(folder, &text);
    program.line("is open");
    program
}

/// The share of a pitch in what is heard: 1.0 is a tone of −16 dBm0 throughout.
fn share(samples: &[f32], pitch: f64, rate: f64) -> f64 {
    let has = samples.chunks_exact(rate as usize / 20).map(|part| {
        let (mut re, mut im) = (0.0, 0.0);
        for (n, x) in part.iter().enumerate() {
            let (sin, cos) = (std::f64::consts::TAU * pitch * n as f64 / rate).sin_cos();
            re += f64::from(*x) * cos;
            im += f64::from(*x) * sin;
        }
        f64::from(re.hypot(im) / part.len() as f64 > 0.01)
    });
    has.clone().sum::<f64>() / has.count().max(1) as f64
}

fn has(samples: &[f32], pitch: f64) -> bool {
    share(samples, pitch, 8000.0) > 0.0
}

/// Seconds of a pitch on the line output.
fn played(program: &Program, pitch: f64) -> f64 {
    let reader = hound::WavReader::open(program.folder.join("out.wav")).unwrap();
    let channels = usize::from(reader.spec().channels);
    let samples: Vec<f32> = reader
        .into_samples::<i16>()
        .step_by(channels)
        .map(|s| f32::from(s.unwrap()) / 32_768.0)
        .collect();
    share(&samples, pitch, 48_000.0) * samples.len() as f64 / 48_000.0
}

/// Behind another's page one caller waits in line and one is recorded; both hear which. Afterwards both are heard.
#[test]
fn callers_wait_or_are_recorded_and_hear_it() {
    let address = "127.0.75.1:5060";
    let mut program = start(
        "busy",
        address,
        r#"
        [extensions.office]
        user = "850"
        zones = ["yard"]
        [extensions.kiln]
        user = "851"
        zones = ["yard"]
        when_busy = "wait"
        [extensions.saw]
        user = "852"
        zones = ["yard"]
        when_busy = "record"
        "#,
    );
    let mut office = Phone::new("127.0.75.11", "201", address, "850");
    assert_eq!(office.call().0, 200);
    let heard = office.speak(500.0, 25);
    assert!(has(&heard, BEEP), "the go-ahead");

    let mut kiln = Phone::new("127.0.75.12", "202", address, "851");
    let mut saw = Phone::new("127.0.75.13", "203", address, "852");
    assert_eq!((kiln.call().0, saw.call().0), (200, 200));
    let talk = std::thread::spawn(move || {
        office.speak(500.0, 125);
        office.hang_up();
    });
    let said = std::thread::spawn(move || {
        let heard = saw.speak(1300.0, 60);
        saw.hang_up();
        heard
    });
    let waiting = kiln.speak(2100.0, 100);
    let recorded = said.join().unwrap();
    assert!(has(&recorded, RECORDING) && !has(&recorded, WAITING) && !has(&recorded, BEEP));
    assert!(has(&waiting, WAITING) && !has(&waiting, BEEP) && !has(&waiting, RECORDING));
    talk.join().unwrap();
    let admitted = kiln.speak(2100.0, 50);
    assert!(has(&admitted, BEEP), "the go-ahead, at last");
    kiln.hang_up();
    let saw = program.line("from saw");
    assert!(saw.contains("is recorded, to be played later"), "{saw}");
    program.line("to zone yard, recorded: ");
    program.stop();
    let lines = program.lines();
    let record = |name: &str| {
        lines
            .iter()
            .find(|l| l.contains(&format!(" from {name} ")) && l.contains("ended: "))
            .cloned()
    };
    assert!(
        record("kiln").is_some_and(|l| l.contains("caller hung up") && !l.contains("recorded")),
        "{lines:#?}"
    );
    assert!(
        record("saw").is_some_and(|l| l.contains("caller hung up")),
        "{lines:#?}"
    );
    // What is said while one waits is not kept: one second of three.
    let (office, kiln, saw) = (
        played(&program, 500.0),
        played(&program, 2100.0),
        played(&program, 1300.0),
    );
    assert!((2.2..3.1).contains(&office), "{office}");
    assert!((0.6..1.3).contains(&kiln), "{kiln}");
    assert!((0.8..1.3).contains(&saw), "{saw}");
}

/// The loudspeaker is silent while somebody beside it speaks.
#[test]
fn who_stands_beside_the_loudspeaker_is_played_after_hanging_up() {
    let address = "127.0.75.2:5060";
    let mut program = start(
        "beside",
        address,
        r#"
        [extensions.floor]
        user = "860"
        zones = ["yard"]
        record_first = true
        "#,
    );
    let mut floor = Phone::new("127.0.75.21", "204", address, "860");
    assert_eq!(floor.call().0, 200);
    let heard = floor.speak(1700.0, 75);
    assert!(has(&heard, RECORDING) && !has(&heard, BEEP));
    assert!(!program.lines().iter().any(|l| l.contains("is heard in zone yard")));
    floor.hang_up();
    program.line("is heard in zone yard");
    program.line("to zone yard, recorded: ");
    program.stop();
    let seconds = played(&program, 1700.0);
    assert!((1.1..1.6).contains(&seconds), "{seconds}");
}

/// Two beeps before the limit, the busy tone at it, then the BYE that names it; a source that has to rest is refused meanwhile.
#[test]
fn limits_are_heard_and_named() {
    let address = "127.0.75.3:5060";
    let mut program = start(
        "limits",
        address,
        r#"
        [extensions.office]
        user = "870"
        zones = ["yard"]
        page_limit = "5 s"
        warning = "2 s"
        cool_down = "30 s"
        "#,
    );
    let mut first = Phone::new("127.0.75.31", "205", address, "870");
    assert_eq!(first.call().0, 200);
    let begin = first.speak(1500.0, 100);
    assert!(has(&begin, BEEP));
    let quiet = first.speak(1500.0, 35);
    assert!(!has(&quiet, BEEP), "no beep in between");
    let warned = first.speak(1500.0, 50);
    assert!(has(&warned, BEEP) && !has(&warned, BUSY), "the warning");
    let over = first.speak(1500.0, 100);
    assert!(has(&over, BUSY));
    let bye = first.bye();
    assert!(reason(&bye).contains("page length limit reached"), "{bye}");
    let mut second = Phone::new("127.0.75.32", "206", address, "870");
    let (status, answer) = second.call();
    assert_eq!(status, 486);
    assert!(reason(&answer).contains("too soon after the last page"), "{answer}");
    program.line("was not heard: too soon after the last page");
    std::thread::sleep(Duration::from_millis(200));
    program.stop();
    let seconds = played(&program, 1500.0);
    assert!((4.0..5.1).contains(&seconds), "{seconds}");
}

/// The program dies with a recording that it has not played: the next one says so, once.
#[test]
fn a_recording_that_dies_with_the_program_is_reported_lost() {
    let address = "127.0.75.5:5060";
    let mut program = start(
        "lost",
        address,
        r#"
        [extensions.office]
        user = "850"
        zones = ["yard"]
        [extensions.saw]
        user = "852"
        zones = ["yard"]
        when_busy = "record"
        "#,
    );
    let mut office = Phone::new("127.0.75.51", "201", address, "850");
    assert_eq!(office.call().0, 200);
    let mut saw = Phone::new("127.0.75.52", "203", address, "852");
    assert_eq!(saw.call().0, 200);
    program.line("page 2 from saw is recorded");
    saw.speak(1300.0, 25);
    saw.hang_up();
    program.dies_and_starts_again();
    let lost = program.line("is lost");
    assert!(
        lost.contains("page 2 from saw (203@pbx.quayside.example), recorded at 20"),
        "{lost}"
    );
    let cut = program.line("was cut off");
    assert!(
        cut.contains("page 1 from office (201@pbx.quayside.example), on since 20"),
        "{cut}"
    );
    program.line("is open");
    program.dies_and_starts_again();
    program.line("is open");
    let told = |line: &String| line.contains("is lost") || line.contains("was cut off");
    assert!(!program.lines().iter().any(told));
    program.stop();
}
