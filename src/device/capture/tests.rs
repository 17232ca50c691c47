use std::sync::Mutex;

use super::*;
use crate::device::sink::Pacer;
use crate::sound::BLOCK;

const LONG: Duration = Duration::from_secs(20);

/// What a pretended device is to do next, and what was heard of it.
#[derive(Default)]
struct Bench {
    opens: u32,
    refuse: Option<&'static str>,
    fail: Option<&'static str>,
    xruns: u32,
    block_open: Option<Duration>,
    unpaced: bool,
    heard: usize,
    gaps: u32,
    away: u32,
    ages: Vec<Duration>,
}

type Shared = Arc<Mutex<Bench>>;

struct Pretended(Shared, Pacer);

impl Source for Pretended {
    fn period(&self) -> usize {
        BLOCK
    }
    fn channels(&self) -> usize {
        1
    }
    fn read(&mut self, frames: &mut [f32]) -> Result<Transfer, DeviceError> {
        let unpaced = {
            let mut bench = self.0.lock().expect("no poison");
            if let Some(cause) = bench.fail.take() {
                let (device, cause) = ("mic".to_owned(), cause.to_owned());
                return Err(DeviceError::Lost { device, cause });
            }
            if bench.xruns > 0 {
                bench.xruns -= 1;
                return Ok(Transfer::Xrun);
            }
            bench.unpaced
        };
        frames.fill(0.5);
        if !unpaced {
            self.1.wait(frames.len());
        }
        Ok(Transfer::Fine)
    }
    fn delay(&self) -> Duration {
        Duration::from_millis(7)
    }
}

struct Listener(Shared);

impl Ear for Listener {
    fn hear(&mut self, frames: &[f32], at: Instant, now: Instant, gap: bool) {
        assert!(now >= at);
        let mut bench = self.0.lock().expect("no poison");
        bench.heard += frames.len();
        bench.gaps += u32::from(gap);
        bench.ages.push(at.elapsed());
    }
    fn away(&mut self) {
        self.0.lock().expect("no poison").away += 1;
    }
}

fn start(bench: &Shared) -> CaptureThread {
    let shared = Arc::clone(bench);
    let open = move || -> Result<Box<dyn Source>, DeviceError> {
        let (block, refuse) = {
            let mut bench = shared.lock().expect("no poison");
            bench.opens += 1;
            (bench.block_open, bench.refuse)
        };
        if let Some(time) = block {
            std::thread::sleep(time);
        }
        match refuse {
            Some(cause) => Err(DeviceError::Open {
                device: "mic".to_owned(),
                cause: cause.to_owned(),
            }),
            None => Ok(Box::new(Pretended(Arc::clone(&shared), Pacer::new()))),
        }
    };
    CaptureThread::spawn("test", Box::new(open), Box::new(Listener(Arc::clone(bench)))).expect("a thread")
}

fn next(thread: &mut CaptureThread) -> DeviceEvent {
    let began = Instant::now();
    while began.elapsed() < LONG {
        if let Some(event) = thread.event() {
            return event;
        }
        std::thread::sleep(Duration::from_millis(2));
    }
    panic!("nothing happened");
}

fn is_opened(event: &DeviceEvent) -> bool {
    matches!(event, DeviceEvent::Opened { .. })
}

#[test]
fn hands_on_what_it_captures_and_stops_when_dropped() {
    let bench = Shared::default();
    let mut thread = start(&bench);
    assert!(is_opened(&next(&mut thread)));
    while bench.lock().expect("no poison").heard < 10 * BLOCK {
        std::thread::sleep(Duration::from_millis(2));
    }
    drop(thread);
    assert_eq!(Arc::strong_count(&bench), 1, "thread, device and ear are gone");
    let bench = bench.lock().expect("no poison");
    assert_eq!(bench.gaps, 1, "the beginning, and nothing else");
    assert!(
        bench.ages.iter().all(|age| *age >= Duration::from_millis(7)),
        "older by the device's delay"
    );
}

#[test]
fn a_device_that_goes_is_told_once_and_comes_back() {
    let bench = Shared::default();
    bench.lock().expect("no poison").refuse = Some("not there");
    let mut thread = start(&bench);
    assert_eq!(
        next(&mut thread),
        DeviceEvent::Lost("cannot open mic: not there".to_owned())
    );
    while bench.lock().expect("no poison").opens < 2 {
        std::thread::sleep(Duration::from_millis(10));
    }
    assert_eq!(thread.event(), None, "the same cause is not told again");
    assert!(bench.lock().expect("no poison").away > 10, "the ear knows");
    bench.lock().expect("no poison").refuse = None;
    assert!(is_opened(&next(&mut thread)));
    bench.lock().expect("no poison").fail = Some("pulled out");
    assert_eq!(
        next(&mut thread),
        DeviceEvent::Lost("mic stopped: pulled out".to_owned())
    );
    assert!(is_opened(&next(&mut thread)));
    bench.lock().expect("no poison").xruns = 3;
    let DeviceEvent::Xruns(first) = next(&mut thread) else {
        panic!("an xrun")
    };
    let mut all = first;
    while all < 3 {
        let DeviceEvent::Xruns(more) = next(&mut thread) else {
            panic!("xruns")
        };
        all += more;
    }
    assert_eq!(
        bench.lock().expect("no poison").gaps,
        2 + 3,
        "two beginnings, three xruns"
    );
}

#[test]
fn a_device_without_a_clock_is_no_device_and_a_stuck_opener_holds_nobody_up() {
    let bench = Shared::default();
    bench.lock().expect("no poison").unpaced = true;
    let mut thread = start(&bench);
    assert!(is_opened(&next(&mut thread)));
    let lost = next(&mut thread);
    assert!(
        matches!(&lost, DeviceEvent::Lost(cause) if cause.contains("faster than real time")),
        "{lost:?}"
    );
    drop(thread);

    let bench = Shared::default();
    bench.lock().expect("no poison").block_open = Some(Duration::from_secs(6));
    let thread = start(&bench);
    std::thread::sleep(Duration::from_millis(50));
    let began = Instant::now();
    drop(thread);
    assert!(began.elapsed() < Duration::from_secs(5));
}
