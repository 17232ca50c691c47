use std::sync::Mutex;

use super::*;
use crate::page::{PageId, ZoneId};
use crate::sound::engine::{Command, EngineHandle, Report, Sound, ZoneOutput, engine};
use crate::sound::level::{Db, Dbfs};
use crate::sound::tone::{Step, Tone};

/// What a pretended card met, and what it is to do next.
#[derive(Default)]
struct Bench {
    heard: Vec<f32>,
    fail: Option<&'static str>,
    xruns: u32,
    opens: u32,
    refuse: Option<&'static str>,
    block_open: Option<Duration>,
    channels: usize,
    unpaced: bool,
}

struct Card {
    bench: Arc<Mutex<Bench>>,
    pacer: Pacer,
    channels: usize,
    unpaced: bool,
}

impl Sink for Card {
    fn period(&self) -> usize {
        128
    }
    fn channels(&self) -> usize {
        self.channels
    }
    fn write(&mut self, frames: &[f32]) -> Result<Transfer, DeviceError> {
        {
            let mut bench = self.bench.lock().expect("no poison");
            if let Some(cause) = bench.fail.take() {
                return Err(DeviceError::Lost {
                    device: "card".to_owned(),
                    cause: cause.to_owned(),
                });
            }
            bench.heard.extend(frames);
            if bench.xruns > 0 {
                bench.xruns -= 1;
                return Ok(Transfer::Xrun);
            }
        }
        if !self.unpaced {
            self.pacer.wait(frames.len() / self.channels);
        }
        Ok(Transfer::Fine)
    }
    fn delay(&self) -> Duration {
        Duration::from_millis(12)
    }
}

fn start(bench: &Arc<Mutex<Bench>>) -> (AudioThread, EngineHandle) {
    let zone = ZoneOutput {
        zone: ZoneId(0),
        channel: 0,
        gain: Db(0.0),
        filters: Vec::new(),
        ceiling: Dbfs(0.0),
    };
    let (engine, handle) = engine(&[zone], 1);
    bench.lock().expect("no poison").channels = 1;
    let shared = Arc::clone(bench);
    let open = move || -> Result<Box<dyn Sink>, DeviceError> {
        let (block, refuse, channels, unpaced) = {
            let mut bench = shared.lock().expect("no poison");
            bench.opens += 1;
            (bench.block_open, bench.refuse, bench.channels, bench.unpaced)
        };
        if let Some(time) = block {
            std::thread::sleep(time);
        }
        if let Some(cause) = refuse {
            return Err(DeviceError::Open {
                device: "card".to_owned(),
                cause: cause.to_owned(),
            });
        }
        Ok(Box::new(Card {
            bench: Arc::clone(&shared),
            pacer: Pacer::new(),
            channels,
            unpaced,
        }))
    };
    (
        AudioThread::spawn("test", Box::new(open), engine).expect("a thread"),
        handle,
    )
}

fn wait_event(thread: &mut AudioThread, limit: Duration) -> Option<DeviceEvent> {
    let start = Instant::now();
    while start.elapsed() < limit {
        if let Some(event) = thread.event() {
            return Some(event);
        }
        std::thread::sleep(Duration::from_millis(2));
    }
    None
}

const LONG: Duration = Duration::from_secs(20);

fn opened(event: Option<DeviceEvent>) -> bool {
    matches!(event, Some(DeviceEvent::Opened { .. }))
}

fn lost(event: Option<DeviceEvent>) -> String {
    match event {
        Some(DeviceEvent::Lost(cause)) => cause,
        other => panic!("{other:?}"),
    }
}

fn tone() -> Tone {
    let step = Step {
        pitch: [1000.0, 0.0],
        level: Dbfs(-6.0),
        on: Duration::from_millis(100),
        off: Duration::ZERO,
    };
    Tone::new(&[step], false)
}

fn push(handle: &mut EngineHandle, command: Command) {
    assert!(handle.commands.push(command).is_ok());
}

#[test]
fn renders_to_the_card_and_stops_when_dropped() {
    let bench = Arc::default();
    let (mut thread, mut handle) = start(&bench);
    assert!(opened(wait_event(&mut thread, LONG)));
    push(
        &mut handle,
        Command::Chime {
            zone: ZoneId(0),
            page: PageId(1),
            sound: Sound::Tone(tone()),
            gain: Db(0.0),
        },
    );
    let began = Instant::now();
    while began.elapsed() < LONG {
        std::thread::sleep(Duration::from_millis(10));
        if bench
            .lock()
            .expect("no poison")
            .heard
            .iter()
            .filter(|x| x.abs() > 0.3)
            .count()
            > 2000
        {
            break;
        }
    }
    assert!(thread.beat() > 0);
    assert_eq!(thread.delay(), Duration::from_millis(12));
    drop(thread);
    let heard = bench.lock().expect("no poison").heard.len();
    assert!(
        bench
            .lock()
            .expect("no poison")
            .heard
            .iter()
            .filter(|x| x.abs() > 0.3)
            .count()
            > 2000
    );
    std::thread::sleep(Duration::from_millis(50));
    assert_eq!(
        bench.lock().expect("no poison").heard.len(),
        heard,
        "nothing after the drop"
    );
}

#[test]
fn a_lost_card_is_told_and_opened_again_while_pages_go_on() {
    let bench: Arc<Mutex<Bench>> = Arc::default();
    let (mut thread, mut handle) = start(&bench);
    assert!(opened(wait_event(&mut thread, LONG)));
    {
        let mut bench = bench.lock().expect("no poison");
        bench.fail = Some("unplugged");
        bench.refuse = Some("no such device");
    }
    assert_eq!(lost(wait_event(&mut thread, LONG)), "card stopped: unplugged");
    assert_eq!(thread.delay(), Duration::ZERO);
    // Commands are still obeyed.
    push(&mut handle, Command::Drain(PageId(9)));
    let began = Instant::now();
    let drained = loop {
        if let Ok(Report::Drained(page)) = handle.reports.pop() {
            break page;
        }
        assert!(began.elapsed() < LONG);
        std::thread::sleep(Duration::from_millis(2));
    };
    assert_eq!(drained, PageId(9));
    assert_eq!(lost(wait_event(&mut thread, LONG)), "cannot open card: no such device");
    // The same cause is not told again.
    let opens = bench.lock().expect("no poison").opens;
    while bench.lock().expect("no poison").opens == opens {
        std::thread::sleep(Duration::from_millis(10));
    }
    bench.lock().expect("no poison").refuse = None;
    assert!(opened(wait_event(&mut thread, LONG)));
}

#[test]
fn an_open_call_that_hangs_does_not_hold_up_rendering_or_the_end() {
    let bench: Arc<Mutex<Bench>> = Arc::default();
    bench.lock().expect("no poison").block_open = Some(Duration::from_secs(30));
    let (mut thread, _handle) = start(&bench);
    let began = Instant::now();
    while thread.beat() < 20 {
        assert!(began.elapsed() < LONG);
        std::thread::sleep(Duration::from_millis(5));
    }
    assert!(thread.event().is_none());
    drop(thread);
    assert!(began.elapsed() < LONG, "the end waited for the open call");
}

/// What was rendered before the drop is in the file after it, header and all.
#[test]
fn a_file_is_whole_when_the_thread_is_dropped() {
    let path = std::env::temp_dir().join(format!("hornwire-whole-{}.wav", std::process::id()));
    let (engine, _handle) = engine(&[], 2);
    let target = path.clone();
    let open = move || crate::device::sink::WavSink::open(&target, 2, 480).map(|s| Box::new(s) as Box<dyn Sink>);
    let mut thread = AudioThread::spawn("wav", Box::new(open), engine).expect("a thread");
    assert!(opened(wait_event(&mut thread, LONG)));
    let before = thread.beat();
    while thread.beat() < before + 20 {
        std::thread::sleep(Duration::from_millis(5));
    }
    drop(thread);
    let frames = hound::WavReader::open(&path).map(|r| r.duration());
    let _ = std::fs::remove_file(&path);
    // The header alone, put right twice a second, would tell of none.
    assert!(frames.is_ok_and(|f| f >= 20 * 480 && f % 480 == 0));
}

#[test]
fn xruns_are_told_together() {
    let bench: Arc<Mutex<Bench>> = Arc::default();
    let (mut thread, _handle) = start(&bench);
    assert!(opened(wait_event(&mut thread, LONG)));
    bench.lock().expect("no poison").xruns = 5;
    // The first at once, the others a second later (or two, when the machine is slow).
    let (mut total, mut events) = (0, 0);
    while total < 5 {
        match wait_event(&mut thread, LONG) {
            Some(DeviceEvent::Xruns(count)) => total += count,
            other => panic!("{other:?}"),
        }
        events += 1;
    }
    assert_eq!(total, 5);
    assert!((2..=3).contains(&events), "{events} events");
}

#[test]
fn a_card_of_another_shape_or_without_a_clock_is_refused() {
    let bench: Arc<Mutex<Bench>> = Arc::default();
    let (mut thread, _handle) = start(&bench);
    assert!(opened(wait_event(&mut thread, LONG)));
    {
        let mut bench = bench.lock().expect("no poison");
        bench.channels = 2;
        bench.fail = Some("gone");
    }
    assert_eq!(lost(wait_event(&mut thread, LONG)), "card stopped: gone");
    assert_eq!(lost(wait_event(&mut thread, LONG)), "the card has 2 channels, not 1");
    {
        let mut bench = bench.lock().expect("no poison");
        bench.channels = 1;
        bench.unpaced = true;
    }
    assert!(opened(wait_event(&mut thread, LONG)));
    assert_eq!(
        lost(wait_event(&mut thread, LONG)),
        "the card stopped: it takes audio faster than real time"
    );
}

#[test]
fn waits_double_up_to_the_longest() {
    let mut wait = FIRST_WAIT;
    let waits: Vec<u64> = (0..6)
        .map(|_| {
            let now = wait.as_secs();
            back_off(&mut wait);
            now
        })
        .collect();
    assert_eq!(waits, [1, 2, 4, 8, 10, 10]);
}
