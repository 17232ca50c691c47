//! On the audio thread nothing allocates or frees: an allocator that aborts the process proves it, over minutes of
//! pages with loss, jitter and drift. (Memory that the system's libopus takes for itself is not seen here.)
#![allow(clippy::disallowed_methods)]

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;
use std::os::unix::process::ExitStatusExt;
use std::sync::Arc;
use std::time::{Duration, Instant};

use hornwire::device::audio::{AudioThread, OpenSink};
use hornwire::device::news::{DeviceError, DeviceEvent, Transfer};
use hornwire::device::sink::{AlsaSink, NullSink, Sink, WavSink};
use hornwire::media::encoder::Encoder;
use hornwire::media::{Codec, Format, Packet, PacketSender, PayloadMap, Playout, PlayoutSettings, queue};
use hornwire::page::{PageId, ZoneId};
use hornwire::sound::engine::{
    Command, Ducking, EngineHandle, Hold, Levelling, MusicInput, Report, Sound, Voice, ZoneOutput, engine,
};
use hornwire::sound::follow::MUSIC_QUEUE;
use hornwire::sound::level::{Db, Dbfs};
use hornwire::sound::recording::{self, Player, Recording, Repeats};
use hornwire::sound::tap::{LineTap, MusicTap};
use hornwire::sound::tone::Tone;
use hornwire::sound::vox::VoxSettings;

thread_local! {
    static FORBIDDEN: Cell<bool> = const { Cell::new(false) };
}

struct Guard;

impl Guard {
    fn check(what: &str) {
        if FORBIDDEN.replace(false) {
            eprintln!(
                "the audio thread {what}:\n{}",
                std::backtrace::Backtrace::force_capture()
            );
            std::process::abort();
        }
    }
}

// SAFETY: hands everything on to the system's allocator, unchanged.
unsafe impl GlobalAlloc for Guard {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        Guard::check("allocates");
        unsafe { System.alloc(layout) }
    }
    unsafe fn dealloc(&self, pointer: *mut u8, layout: Layout) {
        Guard::check("frees");
        unsafe { System.dealloc(pointer, layout) }
    }
    unsafe fn realloc(&self, pointer: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        Guard::check("reallocates");
        unsafe { System.realloc(pointer, layout, size) }
    }
}

#[global_allocator]
static ALLOCATOR: Guard = Guard;

/// Runs `f` as the audio thread would.
fn guarded<T>(f: impl FnOnce() -> T) -> T {
    FORBIDDEN.set(true);
    let result = f();
    FORBIDDEN.set(false);
    result
}

const PROOF: &str = "HORNWIRE_PROVE_THE_GUARD";

/// The guard itself can fail a test: a child that allocates under it dies by SIGABRT, one that frees as well.
#[test]
fn the_guard_bites() {
    for what in ["alloc", "free"] {
        let child = std::process::Command::new(std::env::current_exe().expect("this program"))
            .args(["--ignored", "--exact", "child_that_breaks_the_rule"])
            .env(PROOF, what)
            .output()
            .expect("runs");
        assert_eq!(child.status.signal(), Some(libc::SIGABRT), "{what}: {:?}", child.status);
    }
}

#[test]
#[ignore = "dies: started by the_guard_bites"]
fn child_that_breaks_the_rule() {
    match std::env::var(PROOF).as_deref() {
        Ok("alloc") => drop(guarded(|| std::hint::black_box(Box::new(1u8)))),
        Ok("free") => {
            let memory = std::hint::black_box(Box::new(1u8));
            guarded(|| drop(memory));
        }
        _ => {}
    }
}

/// Small deterministic generator (xorshift).
struct Random(u64);

impl Random {
    fn below(&mut self, limit: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % limit
    }
}

/// Half a second of noise as a stored message.
fn message() -> Recording {
    let mut random = Random(99);
    let mut octets =
        b"RIFF\xa4\xbb\0\0WAVEfmt \x10\0\0\0\x01\0\x01\0\x80\xbb\0\0\0\x77\x01\0\x02\0\x10\0data\x80\xbb\0\0".to_vec();
    octets.extend((0..24_000).flat_map(|_| (random.below(8000) as i16 - 4000).to_le_bytes()));
    recording::read(&mut octets.as_slice()).expect("a message")
}

/// A sender of one page over a bad network.
struct Sender {
    page: u64,
    codec: Codec,
    encoder: Encoder,
    packets: PacketSender,
    seq: u64,
    timestamp: u32,
    phase: f32,
    on_the_way: Vec<(Instant, u64, u32, bool, Vec<u8>)>,
    next: Instant,
    /// 20 ms by the sender's clock, which is off by 200 ppm.
    tick: Duration,
}

fn payload_type(codec: Codec) -> u8 {
    match codec {
        Codec::Pcmu => 0,
        Codec::Pcma => 8,
        Codec::G722 => 9,
        Codec::L16(_) => 11,
        Codec::Opus => 111,
    }
}

impl Sender {
    fn start(page: u64, codec: Codec, now: Instant, random: &mut Random) -> (Self, Box<Voice>) {
        let map = PayloadMap::static_types().with(111, Format::Audio(Codec::Opus));
        let settings = PlayoutSettings {
            max_hold: Duration::from_secs(3),
            ..PlayoutSettings::default()
        };
        let (packets, consumer) = queue(512, 1 << 20);
        let voice = Box::new(Voice {
            page: PageId(page),
            playout: Playout::new(&map, settings).expect("decoders"),
            packets: consumer,
            gain: Db(3.0),
            busy_tone: Some(hornwire::sound::busy::Plan::NorthAmerica),
            direct: false,
            levelling: Some(Levelling {
                target: Dbfs(-20.0),
                start: Db(0.0),
            }),
        });
        let off = random.below(9) as i64 - 4;
        let sender = Sender {
            page,
            codec,
            encoder: Encoder::new(codec).expect("an encoder"),
            packets,
            seq: random.below(60_000),
            timestamp: random.below(1 << 32) as u32,
            phase: 0.0,
            on_the_way: Vec::new(),
            next: now,
            tick: Duration::from_nanos((20_000_000 + off * 1000) as u64),
        };
        (sender, voice)
    }

    fn run(&mut self, now: Instant, random: &mut Random) {
        while self.next <= now {
            self.send(random);
            self.next += self.tick;
        }
        let (codec, mut i) = (self.codec, 0);
        while i < self.on_the_way.len() {
            if self.on_the_way[i].0 > now {
                i += 1;
                continue;
            }
            let (at, seq, timestamp, marker, payload) = self.on_the_way.swap_remove(i);
            let mut packet = Packet::new(seq, timestamp, payload_type(codec), at, &payload).expect("fits");
            packet.marker = marker;
            self.packets.push(&packet);
        }
    }

    fn send(&mut self, random: &mut Random) {
        let rate = self.codec.sample_rate() as f32;
        let n = (rate / 50.0) as usize;
        // Talk and pauses by turns of about a second; nothing is sent in some pauses.
        let second = self.seq / 50;
        let talk = second % 3 != 2;
        let samples: Vec<f32> = (0..n)
            .map(|i| {
                let t = (self.seq % 50) as f32 * 0.02 + i as f32 / rate;
                self.phase = (self.phase + (120.0 + 40.0 * (t * 5.0).sin()) / rate).fract();
                let buzz: f32 = (1..12)
                    .map(|k| (std::f32::consts::TAU * self.phase * k as f32).sin() / k as f32)
                    .sum();
                let level = if talk { 0.3 * (t * 13.0).sin().abs() } else { 0.0005 };
                level * buzz
            })
            .collect();
        let marker = self.seq.is_multiple_of(50);
        let quiet = !talk && second.is_multiple_of(2);
        if !quiet && random.below(100) >= 6 {
            let mut payload = Vec::new();
            self.encoder.encode(&samples, &mut payload).expect("encodes");
            let mut delay = random.below(30);
            if random.below(200) == 0 {
                delay += 150;
            }
            let at = self.next + Duration::from_millis(delay);
            self.on_the_way
                .push((at, self.seq, self.timestamp, marker, payload.clone()));
            if random.below(50) == 0 {
                self.on_the_way
                    .push((at + Duration::from_millis(3), self.seq, self.timestamp, marker, payload));
            }
        }
        self.seq += 1;
        self.timestamp = self.timestamp.wrapping_add(self.codec.clock_rate() / 50);
    }
}

struct World {
    handle: EngineHandle,
    drained: usize,
    spent: usize,
    heard: usize,
    speech: usize,
    meters: usize,
    concealed: u64,
}

impl World {
    fn send(&mut self, command: Command) {
        assert!(self.handle.commands.push(command).is_ok());
    }

    fn read(&mut self) {
        while let Ok(report) = self.handle.reports.pop() {
            match report {
                Report::Drained(_) => self.drained += 1,
                Report::Spent(voice) => {
                    self.concealed += voice.playout.figures().concealed_ms;
                    self.spent += 1;
                }
                Report::Meter { .. } => self.meters += 1,
                Report::Heard { speech, .. } => {
                    self.heard += 1;
                    self.speech += usize::from(speech);
                }
            }
        }
    }
}

/// Forbids memory to the thread that writes to it, from the end of its first write to its last.
struct Watched {
    inner: Box<dyn Sink>,
    writes: u32,
    last: u32,
}

impl Sink for Watched {
    fn period(&self) -> usize {
        self.inner.period()
    }
    fn channels(&self) -> usize {
        self.inner.channels()
    }
    fn write(&mut self, frames: &[f32]) -> Result<Transfer, DeviceError> {
        self.writes += 1;
        let result = self.inner.write(frames);
        FORBIDDEN.set(self.writes < self.last);
        if self.writes == self.last {
            return Err(DeviceError::Lost {
                device: "watched".to_owned(),
                cause: "enough".to_owned(),
            });
        }
        result
    }
    fn delay(&self) -> Duration {
        self.inner.delay()
    }
}

/// The audio thread's loop with each kind of output: 1.5 s each, with a chime and the WAV file's checkpoints.
#[test]
fn the_audio_thread_allocates_nothing_while_its_card_plays() {
    let path = std::env::temp_dir().join(format!("hornwire-no-alloc-{}.wav", std::process::id()));
    let target = path.clone();
    let sinks: [OpenSink; 3] = [
        Box::new(|| Ok(Box::new(NullSink::open(2, 256)?))),
        Box::new(move || Ok(Box::new(WavSink::open(&target, 2, 256)?))),
        // The library's own device: it has no clock, but it goes through the same calls.
        Box::new(|| Ok(Box::new(AlsaSink::open("null", 2, 256)?))),
    ];
    for mut sink in sinks {
        let zone = ZoneOutput {
            zone: ZoneId(0),
            channel: 0,
            gain: Db(0.0),
            filters: Vec::new(),
            ceiling: Dbfs(-3.0),
        };
        let (engine, mut handle) = engine(&[zone], 2);
        let command = Command::Chime {
            zone: ZoneId(0),
            page: PageId(1),
            sound: Sound::Tone(Tone::chime_triple()),
            gain: Db(0.0),
        };
        assert!(handle.commands.push(command).is_ok());
        let open = move || -> Result<Box<dyn Sink>, DeviceError> {
            Ok(Box::new(Watched {
                inner: sink()?,
                writes: 0,
                last: 280,
            }))
        };
        let mut thread = AudioThread::spawn("watched", Box::new(open), engine).expect("a thread");
        let began = Instant::now();
        let lost = loop {
            match thread.event() {
                Some(DeviceEvent::Lost(cause)) => break cause,
                Some(_) => {}
                None => std::thread::sleep(Duration::from_millis(5)),
            }
            assert!(began.elapsed() < Duration::from_secs(30));
        };
        assert_eq!(lost, "watched stopped: enough");
    }
    let _ = std::fs::remove_file(path);
}

/// Two zones, pages by all codecs one upon the other: attach, chime, speak, silence, second zone, drain, detach,
/// with 6 % loss, 30 ms jitter, duplicates and clocks that drift. 5 minutes of audio.
#[test]
fn nothing_is_allocated_or_freed_while_rendering() {
    let zone = |zone, channel| ZoneOutput {
        zone: ZoneId(zone),
        channel,
        gain: Db(6.0),
        filters: Vec::new(),
        ceiling: Dbfs(-3.0),
    };
    let (engine, handle) = engine(&[zone(0, 0), zone(1, 1)], 2);
    let (music, blocks) = rtrb::RingBuffer::new(MUSIC_QUEUE);
    let mut engine = engine.with_music(vec![MusicInput {
        blocks,
        zones: vec![ZoneId(0), ZoneId(1)],
        gain: Db(-12.0),
        ducking: Ducking {
            depth: Db(-20.0),
            fade_out: Duration::from_millis(300),
            fade_in: Duration::from_secs(2),
        },
        broken: Arc::default(),
    }]);
    // What is captured goes through the taps of a line input and of music; the former's packets are read now and then.
    let (line, mut line_heard) = rtrb::RingBuffer::new(64);
    let vox = VoxSettings {
        threshold: Dbfs(-30.0),
        attack: Duration::from_millis(20),
        hang: Duration::from_millis(200),
    };
    let mut line = LineTap::new(1, vox, line, Arc::default(), Box::new(|| {}));
    let mut music = MusicTap::new(vec![0, 1], vec![music]);
    let mut captured = vec![0f32; 2 * 250];
    let (mut at, mut line_packets) = (Instant::now(), 0u64);
    let mut world = World {
        handle,
        drained: 0,
        spent: 0,
        heard: 0,
        speech: 0,
        meters: 0,
        concealed: 0,
    };
    let mut random = Random(0x1234_5678_9abc_def1);
    let mut now = Instant::now();
    let mut senders: Vec<(u64, Sender)> = Vec::new();
    let mut out = vec![0f32; 2 * 256];
    let (mut page, mut sound, mut periods) = (0u64, 0f64, 0u64);
    let recording = Arc::new(message());
    const PERIODS: u64 = 300 * 48_000 / 256;
    // Each page lives for this many periods (5.3 ms each); a new one begins every third of that.
    const LIFE: u64 = 1800;
    while periods < PERIODS {
        if periods.is_multiple_of(LIFE / 3) {
            page += 1;
            let l16 = Codec::of_static_type(11).expect("L16");
            let codec = [Codec::Pcmu, Codec::Opus, Codec::Pcma, Codec::G722, l16][page as usize % 5];
            let (sender, voice) = Sender::start(page, codec, now, &mut random);
            world.send(Command::Attach(voice));
            let tone = [Tone::chime_single(), Tone::chime_double(), Tone::chime_triple()][page as usize % 3];
            let zone = ZoneId((page % 2) as u16);
            world.send(Command::Chime {
                zone,
                page: PageId(page),
                sound: match page % 4 {
                    0 => Sound::Message(Player::new(Arc::clone(&recording), Db(-3.0), Repeats::ONCE)),
                    _ => Sound::Tone(tone),
                },
                gain: Db(0.0),
            });
            senders.push((periods, sender));
        }
        for (born, sender) in &mut senders {
            let (page, age) = (PageId(sender.page), periods - *born);
            let zone = |n: u64| ZoneId(((page.0 + n) % 2) as u16);
            if age < 1500 {
                sender.run(now, &mut random);
            }
            match age {
                250 => world.send(Command::Speak {
                    zone: zone(0),
                    page,
                    gain: Db(0.0),
                }),
                500 => world.send(Command::Speak {
                    zone: zone(1),
                    page,
                    gain: Db(0.0),
                }),
                900 => world.send(Command::Silence { zone: zone(0), page }),
                1000 => world.send(Command::Speak {
                    zone: zone(0),
                    page,
                    gain: Db(0.0),
                }),
                1500 => world.send(Command::Drain(page)),
                LIFE => world.send(Command::Detach(page)),
                _ => {}
            }
        }
        senders.retain(|(born, _)| periods - born <= LIFE);
        while at <= now {
            // Sound by turns of a second, and a device that stumbles now and then.
            let loud = if periods / 190 % 2 == 0 { 0.4 } else { 0.0001 };
            captured
                .iter_mut()
                .for_each(|x| *x = loud * (random.below(2001) as f32 / 1000.0 - 1.0));
            let gap = random.below(2000) == 0;
            guarded(|| {
                line.hear(&captured, 2, at, now, gap);
                music.hear(&captured, 2, at, gap);
                if gap {
                    line.away();
                    music.away();
                }
            });
            at += Duration::from_secs(250) / 48_000;
        }
        while random.below(4) == 0 && line_heard.pop().is_ok() {
            line_packets += 1;
        }
        if periods.is_multiple_of(700) {
            let (zone, held) = (ZoneId((periods / 700 % 2) as u16), periods / 1400 % 2 == 0);
            world.send(Command::Hold {
                zone,
                hold: if held { Hold::Page } else { Hold::Free },
            });
        }
        // Periods of all sizes, as cards have them.
        let frames = 256 - random.below(40) as usize;
        let audio = &mut out[..2 * frames];
        guarded(|| engine.render(audio, now));
        sound += audio.iter().map(|x| f64::from(x * x)).sum::<f64>();
        assert!(audio.iter().all(|x| x.abs() <= Dbfs(-3.0).amplitude()));
        now += Duration::from_secs(frames as u64) / 48_000;
        periods += 1;
        // A control task that is late now and then.
        if random.below(10) > 0 {
            world.read();
        }
    }
    world.read();
    // It was no idle run.
    println!(
        "{page} pages, {} drained, {} spent, {} figures of which {} speech, {} ms concealed",
        world.drained, world.spent, world.heard, world.speech, world.concealed
    );
    assert!(page > 80);
    assert!(world.drained as u64 >= page - 4 && world.drained as u64 <= page);
    assert!(world.spent as u64 >= page - 4);
    assert!(
        world.heard > 5_000 && world.speech > 1_000 && world.meters > 5_000,
        "{}",
        world.meters
    );
    assert!(world.concealed > 1_000);
    assert!(sound > 1_000.0);
    assert!(line_packets > 1_000, "{line_packets} packets of the line input");
}
