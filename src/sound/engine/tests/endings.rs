//! How voices end: drained, detached, and what happens when nobody reads the reports.

use super::*;

#[test]
fn drained_once_after_the_last_sample_is_out() {
    for chunk in [1, 100, 240, 256, 1024] {
        let mut bench = Bench::new();
        bench.chunk = chunk;
        let mut feed = bench.attach(1, 8000);
        feed.samples(&sine(8000, 700.0, 0.5, 203));
        bench.speak(FRONT, 1);
        bench.run(50);
        bench.send(Command::Drain(PageId(1)));
        bench.send(Command::Drain(PageId(1)));
        let before = bench.frames;
        let out = bench.run(600).swap_remove(0);
        assert_eq!(bench.drained.len(), 1, "once");
        let told = bench.drained[0].1 - before;
        let last = out.iter().rposition(|x| x.abs() > 1e-7).unwrap_or(0);
        assert!(told > last, "told at {told}, last sample at {last}");
        assert!(told < last + 1000, "told at {told}, last sample at {last}");
        // 203 ms, of which 50 went before.
        assert!(last > 153 * 48, "{last}");
    }
}

#[test]
fn drained_waits_until_the_card_has_played_it() {
    let told = |delay| {
        let mut bench = Bench::new();
        bench.engine.set_output_delay(Duration::from_millis(delay));
        let mut feed = bench.attach(1, 8000);
        feed.samples(&sine(8000, 700.0, 0.5, 100));
        bench.speak(FRONT, 1);
        bench.send(Command::Drain(PageId(1)));
        bench.run(3000);
        assert_eq!(bench.drained.len(), 1);
        bench.drained[0].1
    };
    let at_once = told(0);
    assert_eq!(told(80) - at_once, 80 * 48);
    assert_eq!(told(81) - at_once, 85 * 48, "whole blocks");
    assert_eq!(told(3_600_000) - at_once, 2000 * 48, "a driver's nonsense is bounded");
}

#[test]
fn packets_queued_before_the_drain_still_play() {
    let mut bench = Bench::new();
    let mut feed = bench.attach(1, 8000);
    bench.speak(FRONT, 1);
    bench.run(50);
    feed.samples(&sine(8000, 700.0, 0.5, 100));
    bench.send(Command::Drain(PageId(1)));
    let out = bench.run(200).swap_remove(0);
    assert!(rms(&out[480..90 * 48]) > 0.3);
    assert_eq!(bench.drained.len(), 1);
}

#[test]
fn what_was_never_opened_is_drained_at_once() {
    let mut bench = Bench::new();
    let mut feed = bench.attach(1, 8000);
    feed.samples(&[0.5; 4000]);
    bench.send(Command::Drain(PageId(1)));
    bench.send(Command::Drain(PageId(7)));
    bench.run(5);
    let mut pages: Vec<u64> = bench.drained.iter().map(|d| d.0.0).collect();
    pages.sort_unstable();
    assert_eq!(pages, [1, 7]);
    bench.run(50);
    assert_eq!(bench.drained.len(), 2);
}

#[test]
fn detach_fades_and_sends_the_voice_back() {
    let mut bench = Bench::new();
    let mut feed = bench.attach(1, 48000);
    let loud: Vec<f32> = (0..24000)
        .map(|n| 0.5 * (TAU * 200.0 * n as f32 / 48000.0).cos())
        .collect();
    feed.samples(&loud);
    bench.speak(FRONT, 1);
    bench.speak(YARD, 1);
    let mut out = bench.run(50).swap_remove(0);
    bench.send(Command::Chime {
        zone: YARD,
        page: PageId(1),
        sound: Sound::Tone(step(-20.0, 5000)),
        gain: Db(0.0),
    });
    out.extend(bench.run(20).swap_remove(0));
    bench.send(Command::Detach(PageId(1)));
    out.extend(bench.run(30).swap_remove(0));
    assert!(roughness(&out) < 1e-3);
    assert_eq!(bench.spent.len(), 1);
    assert_eq!(bench.spent[0].page, PageId(1));
    // Gone: the page may come again.
    bench.attach(1, 8000);
    bench.speak(FRONT, 1);
    bench.send(Command::Detach(PageId(1)));
    bench.run(50);
    assert_eq!(bench.spent.len(), 2);
    let quiet = bench.run(50);
    assert!(quiet.iter().flatten().all(|x| *x == 0.0));
}

#[test]
fn a_voice_beyond_the_limit_comes_back_at_once() {
    let mut bench = Bench::new();
    let mut feeds: Vec<Feed> = (0..MAX_VOICES as u64 + 3).map(|p| bench.attach(p, 8000)).collect();
    bench.run(5);
    let mut back: Vec<u64> = bench.spent.iter().map(|v| v.page.0).collect();
    back.sort_unstable();
    assert_eq!(back, [64, 65, 66]);
    // A place that becomes free is used again.
    bench.send(Command::Detach(PageId(5)));
    bench.run(20);
    let mut feed = bench.attach(100, 8000);
    feed.samples(&sine(8000, 440.0, 0.5, 200));
    bench.speak(FRONT, 100);
    let out = bench.run(100).swap_remove(0);
    assert!(rms(&out[1000..]) > 0.3);
    feeds.clear();
}

/// Commands wait while the report queue is full; nothing that must arrive is lost, and audio goes on.
#[test]
fn a_full_report_queue_loses_only_figures() {
    let mut bench = Bench::new();
    let mut feed = bench.attach(1, 8000);
    feed.samples(&sine(8000, 440.0, 0.5, 20_000));
    bench.speak(FRONT, 1);
    // Fills up to the reserve with figures, then to the brim with Drained of unknown pages.
    bench.render(50 * (REPORTS + 100));
    assert!(bench.handle.reports.slots() <= REPORTS - RESERVED);
    let unknown = 1000..1600u64;
    for page in unknown.clone() {
        while bench.handle.commands.is_full() {
            let before = bench.handle.commands.slots();
            bench.render(5);
            if bench.handle.commands.slots() == before {
                break;
            }
        }
        if bench.handle.commands.push(Command::Drain(PageId(page))).is_err() {
            bench.read_reports();
            bench.render(5);
            bench.send(Command::Drain(PageId(page)));
        }
    }
    bench.send(Command::Drain(PageId(1)));
    bench.send(Command::Detach(PageId(1)));
    bench.run(200);
    let mut told: Vec<u64> = bench.drained.iter().map(|d| d.0.0).filter(|p| *p >= 1000).collect();
    told.sort_unstable();
    assert_eq!(told, unknown.collect::<Vec<_>>());
    assert_eq!(bench.spent.len(), 1);
}

#[test]
fn drained_and_spent_wait_for_room() {
    let mut bench = Bench::new();
    let mut feeds: Vec<Feed> = (1..=2).map(|p| bench.attach(p, 8000)).collect();
    bench.speak(FRONT, 1);
    bench.speak(FRONT, 2);
    bench.render(10);
    // To the brim.
    let mut page = 10_000;
    while bench.handle.reports.slots() < REPORTS {
        if bench.handle.commands.push(Command::Drain(PageId(page))).is_err() {
            break;
        }
        page += 1;
        bench.render(5);
    }
    bench.send(Command::Drain(PageId(1)));
    bench.send(Command::Detach(PageId(2)));
    bench.render(500);
    bench.run(100);
    assert!(bench.drained.iter().any(|d| d.0 == PageId(1)));
    assert_eq!(bench.spent.len(), 1);
    assert_eq!(bench.spent[0].page, PageId(2));
    feeds.clear();
}
