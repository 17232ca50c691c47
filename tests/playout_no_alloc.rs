//! After it is built, a playout never touches the heap: it runs on the audio thread.
#![allow(clippy::disallowed_methods)]

use std::alloc::{GlobalAlloc, Layout, System};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use hornwire::media::encoder::Encoder;
use hornwire::media::{Codec, Format, Linear, Packet, PayloadMap, Playout, PlayoutFigures, PlayoutSettings};

/// Counts what happens while it is armed. Only this one test runs in this program, so nobody else counts in.
struct Counting;

static ARMED: AtomicBool = AtomicBool::new(false);
static TOUCHED: AtomicUsize = AtomicUsize::new(0);

fn touch() {
    if ARMED.load(Ordering::Relaxed) {
        TOUCHED.fetch_add(1, Ordering::Relaxed);
    }
}

// SAFETY: every call is passed on unchanged to the system's allocator.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        touch();
        // SAFETY: the caller's contract is the system's.
        unsafe { System.alloc(layout) }
    }
    unsafe fn dealloc(&self, pointer: *mut u8, layout: Layout) {
        touch();
        // SAFETY: as above.
        unsafe { System.dealloc(pointer, layout) }
    }
    unsafe fn realloc(&self, pointer: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        touch();
        // SAFETY: as above.
        unsafe { System.realloc(pointer, layout, size) }
    }
}

#[global_allocator]
static ALLOCATOR: Counting = Counting;

struct Arrival {
    at: Duration,
    seq: u64,
    timestamp: u32,
    payload_type: u8,
    payload: Vec<u8>,
}

/// Two minutes of everything: µ-law, A-law, Opus, G.722, L16, a backlog, jitter, losses, stalls, duplicates, comfort
/// noise, a restart, the end.
fn arrivals() -> Vec<Arrival> {
    let mut opus = Encoder::new(Codec::Opus).expect("Opus");
    let mut g722 = Encoder::new(Codec::G722).expect("G722");
    let mut pcmu = Encoder::new(Codec::Pcmu).expect("PCMU");
    let kind = Linear::new(48_000, 1).expect("L16");
    let mut linear = Encoder::new(Codec::L16(kind)).expect("L16");
    let mut seed = 1u32;
    let mut random = move || {
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(seed >> 8) / f64::from(1 << 24)
    };
    let mut all = Vec::new();
    let mut stalled = 0.0f64;
    for i in 0..6000u32 {
        let (rate, payload_type) = match i / 500 % 6 {
            0 if i >= 2000 => (16_000, 9),
            4 => (44_100, 11),
            5 => (48_000, 97),
            1 => (8000, 8),
            2 => (48_000, 96),
            _ => (8000, 0),
        };
        let frame = rate / 50;
        let pcm: Vec<f32> = (0..frame)
            .map(|k| {
                let t = f64::from(i) * 0.02 + f64::from(k) / f64::from(rate);
                let speech = if t % 2.0 < 1.3 { 0.3 } else { 0.0 };
                (speech * (t * 900.0).sin() + 0.001 * random()) as f32
            })
            .collect();
        let mut payload = Vec::new();
        match payload_type {
            96 => opus.encode(&pcm, &mut payload).expect("Opus"),
            11 | 97 => linear.encode(&pcm, &mut payload).expect("L16"),
            9 => g722.encode(&pcm, &mut payload).expect("G722"),
            _ => pcmu.encode(&pcm, &mut payload).expect("PCMU"),
        }
        let sent = f64::from(i) * 0.02;
        if random() < 0.004 {
            stalled = sent + 0.15;
        }
        if random() < 0.05 {
            continue;
        }
        let at = Duration::from_secs_f64((sent + random() * 0.02).max(stalled));
        let arrival = |payload_type, payload| Arrival {
            at,
            seq: 70_000 + u64::from(i) + if i > 4000 { 200_000 } else { 0 },
            timestamp: i.wrapping_mul(if rate == 16_000 { 160 } else { frame }),
            payload_type,
            payload,
        };
        if i % 97 == 0 {
            all.push(arrival(13, vec![60]));
        } else if i % 89 == 0 {
            all.push(arrival(payload_type, vec![0xff; 1472]));
        } else {
            if i % 50 == 0 {
                all.push(arrival(payload_type, payload.clone()));
            }
            all.push(arrival(payload_type, payload));
        }
    }
    all.sort_by_key(|a| a.at);
    all
}

/// Plays everything; the first pull comes `hold` after the first packet.
fn play(hold: Duration) -> (PlayoutFigures, usize) {
    let arrivals = arrivals();
    let kind = Linear::new(48_000, 1).expect("L16");
    let map = PayloadMap::static_types()
        .with(96, Format::Audio(Codec::Opus))
        .with(97, Format::Audio(Codec::L16(kind)));
    let mut playout = Playout::new(&map, PlayoutSettings::default()).expect("playout");
    let start = Instant::now();
    let (mut next, mut loud) = (0, 0usize);

    ARMED.store(true, Ordering::SeqCst);
    for k in 0..40_000u32 {
        let now = hold + Duration::from_millis(5) * k;
        while let Some(a) = arrivals.get(next).filter(|a| a.at <= now) {
            if let Some(packet) = Packet::new(a.seq, a.timestamp, a.payload_type, start + a.at, &a.payload) {
                playout.push(&packet);
            }
            next += 1;
        }
        if next == arrivals.len() {
            playout.drain();
        }
        let block = playout.next_block(start + now);
        loud += usize::from(block.samples.iter().any(|s| s.abs() > 0.1));
        if playout.is_drained() {
            break;
        }
    }
    ARMED.store(false, Ordering::SeqCst);
    assert!(playout.is_drained());
    (playout.figures(), loud)
}

#[test]
fn playing_never_touches_the_heap() {
    // More than is kept.
    let (held, loud) = play(Duration::from_secs(18));
    assert!(loud > 5000, "{loud} {held:?}");
    assert!(
        held.overflowed > 0 && held.concealed_ms > 0 && held.shortened_ms > 0,
        "{held:?}"
    );
    let (live, loud) = play(Duration::ZERO);
    assert!(loud > 5000, "{loud} {live:?}");
    assert!(live.stretched_ms > 0, "{live:?}");
    assert_eq!(TOUCHED.load(Ordering::SeqCst), 0, "heap touched while playing");
    // The counter itself works.
    ARMED.store(true, Ordering::SeqCst);
    drop(vec![0u8; 100]);
    ARMED.store(false, Ordering::SeqCst);
    assert!(TOUCHED.load(Ordering::SeqCst) >= 2);
}
