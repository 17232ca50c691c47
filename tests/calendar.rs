//! Schedules and quiet hours at the daemon, in real time, under a clock on the wall that this test sets.
#![allow(clippy::disallowed_methods)]

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use hornwire::config;
use hornwire::daemon::{self, Edges, What};
use hornwire::device::relay;
use hornwire::device::service::Service;
use hornwire::page::{Phase, ZoneId};
use hornwire::report::entry::Entry;
use hornwire::report::journal::Journal;

const CONFIG: &str = r#"
    [site]
    name = "Quayside Timber"
    time_zone = "Europe/London"
    [cards.main]
    output = "wav:FOLDER/out.wav"
    [relays.yard-trigger]
    line = "simulated"
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
    [zone_groups.everywhere]
    zones = ["yard", "office"]
    [schedules.shift-bell]
    at = ["daily 22:00"]
    except = ["12-24"]
    zones = ["everywhere"]
    [schedules.holiday]
    at = ["daily 22:00"]
    terms = ["12-24"]
    zones = ["everywhere"]
    [schedules.lights-out]
    at = ["Mon-Sun 22:00"]
    zones = ["yard"]
    plays = "double"
    [quiet_hours.night]
    hours = ["daily 22:00-06:00"]
    sources = ["lights-out"]
    [quiet_hours.softly]
    hours = ["daily 22:00-06:00"]
    zones = ["office"]
    lower = "-20 dB"
"#;

#[derive(Clone, Default)]
struct Notebook(Arc<Mutex<Vec<String>>>);

impl Journal for Notebook {
    fn write(&mut self, entry: &Entry) {
        self.0.lock().unwrap().push(entry.text().to_owned());
    }
}

fn peak(path: &Path, channel: usize) -> f32 {
    let reader = hound::WavReader::open(path).unwrap();
    let samples = reader.into_samples::<i16>().skip(channel).step_by(2);
    samples
        .map(|s| f32::from(s.unwrap()).abs() / 32_768.0)
        .fold(0.0, f32::max)
}

/// 22:00 in London on a summer's day is 21:00 UTC (tz database). Of three schedules due then, one is barred by quiet hours and one
/// has no term; the bell rings in both zones, 20 dB softer in one.
#[tokio::test(flavor = "current_thread")]
async fn a_bell_rings_on_the_minute_and_quiet_hours_keep_others_down() {
    let folder: PathBuf = std::env::temp_dir().join(format!("hornwire-calendar-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let text = CONFIG.replace("FOLDER", &folder.to_string_lossy());
    let loaded = config::check_text(&text, &folder.join("quayside.toml"), None);
    assert!(loaded.problems.is_empty(), "{:#?}", loaded.problems);
    let plan = loaded.plan.unwrap();
    let notebook = Notebook::default();
    let wall: jiff::Timestamp = "2027-07-12T20:59:58Z".parse().unwrap();
    let start = Instant::now();
    let (moments, mut seen) = tokio::sync::mpsc::channel(1000);
    let edges = Edges {
        journal: Box::new(notebook.clone()),
        relays: relay::open(&plan.relays).unwrap(),
        sinks: plan.cards.iter().map(daemon::opener).collect(),
        sources: Vec::new(),
        service: Service::from_environment(),
        seed: [7; 32],
        wall: Box::new(move || wall + start.elapsed()),
        ledger: None,
        rereads: tokio::sync::mpsc::channel(1).1,
        moments: Some(moments),
    };
    daemon::run(plan, edges, tokio::time::sleep(Duration::from_secs(5)))
        .await
        .unwrap();
    let lines = notebook.0.lock().unwrap().clone();
    let of = |text: &str| lines.iter().filter(|l| l.contains(text)).count();
    assert_eq!(of("schedule shift-bell is due"), 1, "{lines:#?}");
    assert_eq!(of("schedule lights-out is due"), 1, "{lines:#?}");
    assert_eq!(of("schedule holiday"), 0, "{lines:#?}");
    assert_eq!(of("from shift-bell to zones yard, office"), 1, "{lines:#?}");
    assert!(
        lines
            .iter()
            .any(|l| l.contains("lights-out") && l.contains("quiet hours")),
        "{lines:#?}"
    );
    assert_eq!(of("yard-trigger operated"), 1, "{lines:#?}");
    let mut seized = Vec::new();
    while let Some(moment) = seen.recv().await {
        if let What::Phase { zone, phase, .. } = moment.what
            && phase == Phase::Seize
        {
            seized.push((zone, moment.at.saturating_duration_since(start)));
        }
    }
    // It is 22:00 two seconds after the start.
    let at = |zone| seized.iter().find(|(of, _)| *of == ZoneId(zone)).map(|(_, at)| *at);
    for zone in [0, 1] {
        let off = at(zone).unwrap().abs_diff(Duration::from_secs(2));
        assert!(off < Duration::from_millis(100), "{seized:?}");
    }
    let (yard, office) = (peak(&folder.join("out.wav"), 0), peak(&folder.join("out.wav"), 1));
    let softer = 20.0 * (office / yard).log10();
    assert!((softer + 20.0).abs() < 0.2, "{softer} dB");
    let _ = std::fs::remove_dir_all(&folder);
}
