//! Schedules and quiet hours at the daemon, in real time, under a clock on the wall that this test sets.
#![allow(clippy::disallowed_methods)]

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, Instant};

use hornwire::daemon::{self, What};
use hornwire::page::{Phase, ZoneId};

use crate::inside::{edges, plan};

#[path = "program/inside.rs"]
mod inside;

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
    let (plan, folder) = plan("calendar-night", CONFIG);
    let wall: jiff::Timestamp = "2027-07-12T20:59:58Z".parse().unwrap();
    let start = Instant::now();
    let (edges, notebook, mut seen) = edges(&plan, move || wall + start.elapsed());
    daemon::run(plan, edges, tokio::time::sleep(Duration::from_secs(5)))
        .await
        .unwrap();
    let lines = notebook.lines();
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

/// A clock that is set a day forward and two back while a page is on: told, and the page has its limit by the time that really passes.
#[tokio::test(flavor = "current_thread")]
async fn a_clock_that_jumps_moves_no_limit() {
    let text = r#"
        [site]
        name = "Quayside Timber"
        time_zone = "Europe/London"
        [cards.main]
        output = "wav:FOLDER/out.wav"
        [zones.yard]
        card = "main"
        channel = 1
        lead = "0 s"
        release = "0 s"
        [contacts.night-bell]
        line = "file:FOLDER/bell"
        zones = ["yard"]
        page_limit = "5 s"
        [schedules.shift-bell]
        at = ["daily 22:00"]
        zones = ["yard"]
    "#;
    let (plan, folder) = plan("calendar-jumps", text);
    std::fs::write(folder.join("bell"), "").unwrap();
    let begins: jiff::Timestamp = "2027-07-12T12:00:10Z".parse().unwrap();
    let (start, shift) = (Instant::now(), Arc::new(AtomicI64::new(0)));
    let shifted = Arc::clone(&shift);
    let wall = move || begins + jiff::SignedDuration::from_secs(shifted.load(Ordering::Relaxed)) + start.elapsed();
    let (edges, notebook, mut seen) = edges(&plan, wall);
    let jumps = std::thread::spawn(move || {
        for (at, by) in [(2, 86_400), (4, -86_400)] {
            std::thread::sleep((start + Duration::from_secs(at)).saturating_duration_since(Instant::now()));
            shift.store(by, Ordering::Relaxed);
        }
    });
    let end = tokio::time::sleep(Duration::from_secs(8));
    daemon::run(plan, edges, end).await.unwrap();
    jumps.join().unwrap();
    let lines = notebook.lines();
    let of = |text: &str| lines.iter().filter(|l| l.contains(text)).count();
    assert_eq!((of("set forward by"), of("set back by")), (1, 1), "{lines:#?}");
    assert_eq!(of("ended: length limit"), 1, "{lines:#?}");
    let mut speech = Vec::new();
    while let Some(moment) = seen.recv().await {
        if let What::Phase { phase, .. } = moment.what {
            speech.push((phase, moment.at));
        }
    }
    let when = |wanted: Phase| speech.iter().find(|(phase, _)| *phase == wanted).unwrap().1;
    let lasted = when(Phase::Rest).saturating_duration_since(when(Phase::Speech));
    assert!(
        lasted.abs_diff(Duration::from_secs(5)) < Duration::from_millis(100),
        "{lasted:?}"
    );
    let _ = std::fs::remove_dir_all(&folder);
}
