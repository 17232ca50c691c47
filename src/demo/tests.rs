//! The demonstration without its gateway: the config, the recordings, the timeline.

use std::time::{Duration, Instant};

use super::peers::{CallEnd, CallReport, Note};
use super::*;
use crate::device::relay::Movement;
use crate::page::RelayId;

fn directory(name: &str) -> std::path::PathBuf {
    let path = std::env::temp_dir().join(format!("hornwire-demo-{name}-{}", std::process::id()));
    let _ = std::fs::remove_dir_all(&path);
    path
}

fn stage(directory: &std::path::Path) -> Result<Stage, DemoError> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    runtime.block_on(Stage::set(directory))
}

#[test]
fn the_embedded_config_holds() {
    let directory = directory("config").join("a \"quoted\" name");
    let stage = stage(&directory).unwrap();
    let plan = &stage.plan;
    let names: Vec<&str> = plan.zones.iter().map(|z| z.name.as_str()).collect();
    assert_eq!(names, ["yard", "office"]);
    assert!(plan.groups[0].paging.priority > plan.extensions[1].paging.priority);
    assert!(
        plan.extensions
            .iter()
            .all(|e| e.password.is_some() && !e.registrars.is_empty())
    );
    // Every card is a file, every relay simulated: it must not touch a machine's hardware.
    assert!(
        plan.cards
            .iter()
            .all(|c| matches!(c.output, crate::config::plan::AudioDevice::Wav(_)))
    );
    assert!(
        plan.relays
            .iter()
            .all(|r| r.line == crate::config::plan::RelayLine::Simulated)
    );
    // The passwords are for the owner alone and stand in no other file.
    use std::os::unix::fs::PermissionsExt as _;
    let secrets = stage.files.directory.join("secrets.toml");
    assert_eq!(secrets.metadata().unwrap().permissions().mode() & 0o777, 0o600);
    let text = std::fs::read_to_string(&stage.files.config).unwrap();
    assert!(!text.contains("plank-otter") && !text.contains('@'), "{text}");
    let loaded = crate::config::load(&stage.files.config).unwrap();
    assert!(loaded.problems.is_empty(), "{:?}", loaded.problems);
    std::fs::remove_dir_all(directory.parent().unwrap()).unwrap();
}

#[test]
fn a_directory_that_cannot_be_made() {
    let error = stage(std::path::Path::new("/proc/hornwire")).err().unwrap();
    assert!(
        error
            .to_string()
            .starts_with("cannot make the directory /proc/hornwire: "),
        "{error}"
    );
}

/// A card file of 6 s: the yard sounds from 2.0 s to 4.0 s.
fn write_card(files: &Files) {
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: 48_000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(&files.card, spec).unwrap();
    for n in 0..48_000 * 6 {
        let on = (96_000..192_000).contains(&n);
        let sample = if on { (n as f32 * 0.05).sin() * 8000.0 } else { 0.0 };
        writer.write_sample(sample as i16).unwrap();
        writer.write_sample(0i16).unwrap();
    }
    writer.finalize().unwrap();
}

fn rms(path: &std::path::Path, from: f64, to: f64) -> f64 {
    let mut reader = hound::WavReader::open(path).unwrap();
    let samples: Vec<f64> = reader
        .samples::<i16>()
        .map(|s| f64::from(s.unwrap()) / 32768.0)
        .collect();
    let part = &samples[(from * 48_000.0) as usize..(to * 48_000.0) as usize];
    (part.iter().map(|s| s * s).sum::<f64>() / part.len() as f64).sqrt()
}

#[test]
fn recordings_and_timeline() {
    let directory = directory("recording");
    let stage = stage(&directory).unwrap();
    write_card(&stage.files);
    let relay = |name: &str| RelayId(stage.plan.relays.iter().position(|r| r.name == name).unwrap() as u16);
    let zero = Instant::now();
    let at = |ms| zero + Duration::from_millis(ms);
    // Lead of the yard: 0.4 s. Relays move at 1.6 s and 4.6 s after the card began; the timeline begins 1 s later.
    let movements: Vec<Movement> = [(1600, true), (4600, false)]
        .into_iter()
        .flat_map(|(ms, operated)| {
            ["yard-trigger", "yard-mute"].map(|name| Movement {
                at: at(ms),
                relay: relay(name),
                operated,
            })
        })
        .collect();
    let recordings = take_apart(&stage.plan, &stage.files, &movements).unwrap();
    let began = recordings.began.unwrap();
    assert!(
        began.max(zero) - began.min(zero) < Duration::from_millis(2),
        "found from the first sample"
    );
    let [yard, office] = recordings.zones.as_slice() else {
        panic!()
    };
    assert_eq!(yard.audible(), Duration::from_secs(2));
    assert_eq!(office.audible(), Duration::ZERO);
    assert!(rms(&yard.line, 0.0, 1.9) == 0.0 && rms(&yard.line, 2.0, 4.0) > 0.1);
    // At the loudspeaker: music, nothing while the amplifier wakes up, the page, music again.
    assert!(rms(&yard.loudspeaker, 0.0, 1.5) > 0.01);
    assert!(rms(&yard.loudspeaker, 1.62, 1.98) < 0.001);
    let ratio = rms(&yard.loudspeaker, 2.0, 4.0) / rms(&yard.line, 2.0, 4.0);
    assert!((ratio - 1.0).abs() < 0.01);
    assert!(rms(&yard.loudspeaker, 4.1, 4.5) < 0.001);
    assert!(rms(&yard.loudspeaker, 4.7, 6.0) > 0.01);
    assert!(
        (1..6).all(|s| rms(&office.loudspeaker, f64::from(s) - 1.0, f64::from(s)) > 0.01),
        "music throughout"
    );

    let notes = vec![
        Note {
            at: at(11_000),
            who: "Dispatch".to_owned(),
            what: "is silent again".to_owned() + &" after packets".repeat(5),
        },
        Note {
            at: at(1000),
            who: "gateway".to_owned(),
            what: "is ready".to_owned(),
        },
    ];
    let timeline = Timeline::new(&stage.plan, notes, &movements, &recordings).to_string();
    let lines: Vec<&str> = timeline.lines().collect();
    let lane = |name: &str| -> Vec<char> {
        let line = lines.iter().find(|l| l.trim_start().starts_with(name)).unwrap();
        line.split('│').nth(1).unwrap().chars().collect()
    };
    // 10 s over 60 columns.
    let column = |s: f64| (s * 6.0) as usize;
    for name in ["yard-trigger", "yard-mute"] {
        let cells = lane(name);
        assert_eq!(cells[..column(0.6)].iter().filter(|c| **c == '█').count(), 0);
        assert!(cells[column(0.6)..column(3.6)].iter().all(|c| *c == '█'), "{timeline}");
        assert!(cells[column(3.6) + 1..].iter().all(|c| *c == '·'), "{timeline}");
    }
    assert!(lane("office-mute").iter().all(|c| *c == '·'));
    let level = lane("yard line out");
    assert!(level[column(1.2)..column(2.8)].iter().all(|c| *c == '▇'), "{timeline}");
    assert!(level[..column(0.8)].iter().all(|c| *c == ' '));
    let at = |part: &str| {
        lines
            .iter()
            .position(|l| l.contains(part))
            .unwrap_or_else(|| panic!("{part}\n{timeline}"))
    };
    assert!(lines[at("is ready")].contains("0.00 s  gateway"));
    assert!(lines[at("yard-trigger operates")].contains("0.60 s"));
    assert!(at("yard-trigger operates") < at("yard-trigger is at rest"));
    assert!(lines[at("is silent again")].contains("10.00 s  Dispatch"));
    // Nothing is wider than a terminal, and what goes on stands below its beginning.
    assert!(lines.iter().all(|l| l.chars().count() <= 80), "{timeline}");
    let below = lines[at("is silent again") + 1];
    let column = lines[at("is silent again")].find("is silent").unwrap();
    assert_eq!(below.find("after packets"), Some(column), "{timeline}");
    std::fs::remove_dir_all(&directory).unwrap();
}

#[test]
fn a_wrong_course_is_told() {
    let call = |status, end| CallReport {
        status,
        answered_after: Duration::ZERO,
        end,
        packets_sent: 1,
        packets_heard: 1,
        beeps: vec![peers::Beep {
            at: Duration::ZERO,
            length: Duration::from_millis(150),
            pitch: 800.0,
            level: -19.0,
        }],
    };
    let right = Played {
        delivery: call(200, CallEnd::HungUp { answered: true }),
        closing: call(
            200,
            CallEnd::CutOff {
                reason: Some("SIP;cause=486;text=\"x\"".to_owned()),
            },
        ),
        busy: call(486, CallEnd::Refused),
        stranger: call(403, CallEnd::Refused),
        crane_packets: 200,
    };
    assert!(right.faults().is_empty(), "{:?}", right.faults());
    let silent = Played {
        stranger: call(0, CallEnd::NoAnswer),
        ..right.clone()
    };
    assert!(silent.faults().is_empty(), "no answer at all is no service either");
    let wrong = Played {
        delivery: call(480, CallEnd::Refused),
        closing: call(200, CallEnd::CutOff { reason: None }),
        busy: call(200, CallEnd::HungUp { answered: true }),
        stranger: call(200, CallEnd::HungUp { answered: true }),
        crane_packets: 0,
    };
    assert_eq!(wrong.faults().len(), 4);
}
