//! Packets to a card's frames, on a clock of its own: reception, jitter buffer, decoder, levelling, mix, limiter.

use std::time::{Duration, Instant};

use hornwire::media::encoder::Encoder;
use hornwire::media::{Codec, PacketSender, PayloadMap, Playout, PlayoutSettings, Received, Receiver, queue};
use hornwire::page::{PageId, ZoneId};
use hornwire::sound::engine::{Command, Engine, EngineHandle, Levelling, Voice, ZoneOutput, engine};
use hornwire::sound::level::{Db, Dbfs};
use hornwire::sound::leveller::SPEECH_LEVEL;

use crate::signal::{self, PACKET_TIME, rtp};

/// Speech that is encoded, seconds; longer runs repeat it.
const SPEECH: u32 = 10;
/// Any dynamic payload type, for codecs without a static one.
const DYNAMIC: u8 = 111;
/// A card's period.
const PERIOD: usize = 480;

/// Streams into zones.
#[derive(Debug, Clone, Copy)]
pub struct Site {
    pub codec: Codec,
    pub zones: usize,
    /// All send at once; each zone hears one of them.
    pub streams: usize,
}

pub fn one(codec: Codec) -> Site {
    Site {
        codec,
        zones: 1,
        streams: 1,
    }
}

/// What a large site looks like at its worst moment.
pub const LARGE: Site = Site {
    codec: Codec::Pcmu,
    zones: 8,
    streams: 32,
};

/// How a zone and its stream are set.
#[derive(Debug, Clone, Copy)]
pub struct Setting {
    pub levelled: bool,
    /// The zone's.
    pub gain: Db,
    pub ceiling: Dbfs,
}

impl Default for Setting {
    fn default() -> Self {
        Setting {
            levelled: true,
            gain: Db(0.0),
            ceiling: Dbfs(-1.0),
        }
    }
}

struct Stream {
    receiver: Receiver,
    packets: PacketSender,
}

pub struct Chain {
    engine: Engine,
    handle: EngineHandle,
    streams: Vec<Stream>,
    payloads: Vec<Vec<u8>>,
    payload_type: u8,
    /// RTP clock ticks in 20 ms.
    ticks: u32,
    out: Vec<f32>,
    now: Instant,
    sent: u64,
    loudest: f32,
}

impl Chain {
    /// All streams send something like speech.
    pub fn new(site: Site) -> Result<Self, String> {
        Self::with(site, Setting::default(), payloads(site.codec)?)
    }

    /// All streams send these packets of 20 ms, over and over.
    fn with(site: Site, setting: Setting, payloads: Vec<Vec<u8>>) -> Result<Self, String> {
        let payload_type = site.codec.static_type().unwrap_or(DYNAMIC);
        let map = PayloadMap::static_types().with(payload_type, hornwire::media::Format::Audio(site.codec));
        let zones: Vec<ZoneOutput> = (0..site.zones)
            .map(|i| ZoneOutput {
                zone: ZoneId(i as u16),
                channel: i,
                gain: setting.gain,
                filters: Vec::new(),
                ceiling: setting.ceiling,
            })
            .collect();
        let (engine, mut handle) = engine(&zones, site.zones.max(2));
        let mut streams = Vec::new();
        for i in 0..site.streams {
            let page = PageId(i as u64 + 1);
            let (packets, packets_end) = queue(128, 1 << 18);
            let voice = Voice {
                busy_tone: None,
                direct: false,
                page,
                playout: Playout::new(&map, PlayoutSettings::default())?,
                packets: packets_end,
                gain: Db(0.0),
                levelling: setting.levelled.then_some(Levelling {
                    target: SPEECH_LEVEL,
                    start: Db(0.0),
                }),
            };
            let full = |_| "the command queue is full".to_owned();
            handle.commands.push(Command::Attach(Box::new(voice))).map_err(full)?;
            if i < site.zones {
                let zone = ZoneId(i as u16);
                handle
                    .commands
                    .push(Command::Speak {
                        zone,
                        page,
                        gain: Db(0.0),
                    })
                    .map_err(full)?;
            }
            streams.push(Stream {
                receiver: Receiver::new(map),
                packets,
            });
        }
        Ok(Chain {
            engine,
            handle,
            streams,
            payloads,
            payload_type,
            ticks: site.codec.clock_rate() / 50,
            out: vec![0.0; PERIOD * site.zones.max(2)],
            now: Instant::now(),
            sent: 0,
            loudest: 0.0,
        })
    }

    /// 20 ms: a packet of each stream, then two periods of the card. How long each of these took.
    pub fn step(&mut self) -> [Duration; 2] {
        self.send();
        let took = [(); 2].map(|()| self.render());
        // Now and then: looking is not what is counted.
        if self.sent.is_multiple_of(16) {
            self.loudest = self.out.iter().fold(self.loudest, |most, s| most.max(s.abs()));
        }
        while self.handle.reports.pop().is_ok() {}
        took
    }

    fn send(&mut self) {
        let payload = &self.payloads[self.sent as usize % self.payloads.len()];
        let datagram = rtp(self.sent, self.payload_type, self.ticks, payload);
        for stream in &mut self.streams {
            if let Received::Packet { packet, .. } = stream.receiver.handle(&datagram, self.now) {
                // Of a stream that waits unheard the oldest is lost, as in the daemon.
                while let Some(kept) = stream.receiver.take_kept() {
                    stream.packets.push(&kept);
                }
                stream.packets.push(&packet);
            }
        }
        self.sent += 1;
    }

    /// A period of the card.
    fn render(&mut self) -> Duration {
        let began = Instant::now();
        self.engine.render(&mut self.out, self.now);
        let took = began.elapsed();
        self.now += PACKET_TIME / 2;
        took
    }

    /// Silence would be cheap, and no figure.
    pub fn heard(&self) -> Result<(), String> {
        match self.loudest < 0.01 {
            true => Err(format!("nothing was heard: at most {}", self.loudest)),
            false => Ok(()),
        }
    }
}

/// Packets of 20 ms of something like speech.
pub fn payloads(codec: Codec) -> Result<Vec<Vec<u8>>, String> {
    let speech = signal::speech(SPEECH);
    let up = codec.sample_rate() as usize / 8000;
    let pcm: Vec<f32> = speech
        .iter()
        .flat_map(|s| std::iter::repeat_n(f32::from(*s) / 32768.0, up))
        .collect();
    let mut encoder = Encoder::new(codec)?;
    pcm.chunks_exact(codec.sample_rate() as usize / 50)
        .map(|frame| {
            let mut payload = Vec::new();
            encoder.encode(frame, &mut payload)?;
            Ok(payload)
        })
        .collect()
}

/// Renders `seconds` of a site.
pub fn render(site: Site, seconds: u32) -> Result<(), String> {
    let mut chain = Chain::new(site)?;
    for _ in 0..seconds * 50 {
        chain.step();
    }
    chain.heard()
}

/// One stream of these packets of 20 ms, and what leaves its zone.
pub fn play(codec: Codec, setting: Setting, payloads: Vec<Vec<u8>>) -> Result<Vec<f32>, String> {
    let packets = payloads.len();
    let mut chain = Chain::with(one(codec), setting, payloads)?;
    let channels = chain.out.len() / PERIOD;
    let mut heard = Vec::new();
    for _ in 0..packets {
        chain.send();
        for _ in 0..2 {
            chain.render();
            heard.extend(chain.out.iter().step_by(channels));
        }
        while chain.handle.reports.pop().is_ok() {}
    }
    Ok(heard)
}
