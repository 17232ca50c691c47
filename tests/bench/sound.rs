//! What the whole chain, from packets to the card, does to sines, to talkers of different levels and to what is too loud;
//! beside FFmpeg, which decodes, levels or limits the same. In simulated time.

use std::f64::consts::TAU;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use audiopus::coder::Encoder as OpusEncoder;
use audiopus::{Application, Bitrate, Channels, SampleRate};
use hornwire::media::encoder::Encoder;
use hornwire::media::{Codec, Linear, MAX_PAYLOAD, g711};
use hornwire::sound::level::{Db, Dbfs};
use hornwire::sound::speech_level::SpeechLevel;
use ogg::writing::{PacketWriteEndInfo, PacketWriter};

use crate::chain::{self, Setting};
use crate::program::Scratch;
use crate::quality;
use crate::{Extent, Failure, Row};

/// The card's rate, Hz.
const RATE: usize = 48_000;
/// Pitch of the reference tone, Hz: one that 8000 is no multiple of, so that G.711 has all its steps to go through.
const REFERENCE: f64 = 1020.0;
/// Peak of the sines.
const SINE: Dbfs = Dbfs(-10.0);
/// Seconds of each sine, and what is measured of it: by then every delay is over.
const LENGTH: f64 = 0.8;
const FROM: f64 = 0.35;
const UNTIL: f64 = 0.75;
/// The reference tone stands at the beginning for as long as the buffer takes to settle, s.
const SETTLING: f64 = 3.2;

pub fn rows(extent: Extent) -> Vec<Row> {
    let full = extent.listening.as_secs() >= 10;
    match Scratch::new("sound") {
        Ok(scratch) => {
            let mut rows: Vec<Row> = measured().iter().flat_map(|m| sines(m, &scratch.path)).collect();
            rows.push(talkers(&scratch.path, if full { usize::MAX } else { 2 }));
            rows.push(limiter(&scratch.path));
            rows
        }
        Err(failure) => vec![Row {
            what: "sound".to_owned(),
            figure: Err(failure),
            goal: String::new(),
        }],
    }
}

/// A codec as it is measured.
struct Measured {
    codec: Codec,
    /// dB that the response may be off. At 20 kHz Opus itself ends.
    flat: f64,
    /// Sines, Hz; the first and the last bound what must be flat.
    pitches: &'static [f64],
    /// How FFmpeg is told of the payloads, one behind the other.
    ffmpeg: &'static [&'static str],
}

const NARROW: &[f64] = &[100.0, 203.0, 311.0, 523.0, 1511.0, 2203.0, 2903.0, 3400.0];
const WIDE: &[f64] = &[100.0, 311.0, 1511.0, 2903.0, 4507.0, 6007.0, 7000.0];
const WHOLE: &[f64] = &[50.0, 100.0, 311.0, 1511.0, 4507.0, 10_007.0, 15_013.0, 20_000.0];

fn measured() -> Vec<Measured> {
    let m = |codec, pitches, ffmpeg| Measured {
        codec,
        flat: if codec == Codec::Opus { 1.5 } else { 0.5 },
        pitches,
        ffmpeg,
    };
    let mut all = vec![
        m(Codec::Pcmu, NARROW, &["-f", "mulaw", "-ar", "8000", "-ac", "1"]),
        m(Codec::Pcma, NARROW, &["-f", "alaw", "-ar", "8000", "-ac", "1"]),
        m(Codec::G722, WIDE, &["-f", "g722"]),
        m(Codec::Opus, WHOLE, &["-f", "ogg"]),
    ];
    if let Some(linear) = Linear::new(48_000, 1) {
        all.push(m(
            Codec::L16(linear),
            WHOLE,
            &["-f", "s16be", "-ar", "48000", "-ac", "1"],
        ));
    }
    all
}

/// The sines through one codec, heard by us and by the peer.
fn sines(measured: &Measured, folder: &Path) -> [Row; 2] {
    let name = measured.codec.name();
    let (low, high) = (measured.pitches[0], measured.pitches[measured.pitches.len() - 1]);
    let figures = both(measured, folder);
    let row = |what: String, goal: &str, text: fn(&Response) -> String| Row {
        what,
        figure: figures
            .as_ref()
            .map(|(ours, theirs)| beside(text(ours), theirs.as_ref().map(text)))
            .map_err(Clone::clone),
        goal: goal.to_owned(),
    };
    [
        row(
            format!("{name}, {low} to {high} Hz against {REFERENCE} Hz: Hornwire / FFmpeg"),
            &format!("goal: ±{} dB", measured.flat),
            |r| format!("{:+.2} to {:+.2} dB", r.least, r.most),
        ),
        row(
            format!("{name}, {REFERENCE} Hz at −10 dBFS, distortion and noise (level): Hornwire / FFmpeg"),
            "",
            |r| format!("{:.1} ({:+.2}) dB", r.residue, r.level),
        ),
    ]
}

fn beside(ours: String, theirs: Result<String, &Failure>) -> String {
    match theirs {
        Ok(theirs) => format!("{ours} / {theirs}"),
        Err(_) => format!("{ours} / not measured"),
    }
}

/// These figures depend on no clock and no other program: one that is missed is a fault.
fn must(holds: bool, fault: &str, figure: &dyn std::fmt::Debug) -> Result<(), Failure> {
    if holds {
        Ok(())
    } else {
        Err(Failure::Broken(format!("{fault}: {figure:?}")))
    }
}

/// dB throughout.
#[derive(Debug, Clone, Copy)]
struct Response {
    /// Of all pitches, against the reference tone.
    least: f64,
    most: f64,
    /// The reference tone, against what was sent.
    level: f64,
    /// All that is not the reference tone, against it; up to half the card's rate.
    residue: f64,
}

fn both(measured: &Measured, folder: &Path) -> Result<(Response, Result<Response, Failure>), Failure> {
    let payloads = payloads(measured).map_err(Failure::Broken)?;
    let plain = Setting {
        levelled: false,
        ..Setting::default()
    };
    let ours = chain::play(measured.codec, plain, payloads.clone()).map_err(Failure::Broken)?;
    let stream = match measured.codec {
        Codec::Opus => in_ogg(&payloads)?,
        _ => payloads.concat(),
    };
    let theirs = ffmpeg(measured.ffmpeg, &stream, "anull", folder);
    let ours = response(measured, &ours)?;
    must(
        -measured.flat <= ours.least && ours.most <= measured.flat,
        "not flat",
        &ours,
    )?;
    Ok((ours, theirs.and_then(|heard| response(measured, &heard))))
}

/// The reference tone, then each of the pitches.
fn schedule(measured: &Measured) -> Vec<(f64, f64)> {
    let others = measured.pitches.iter().enumerate();
    std::iter::once((REFERENCE, SETTLING - LENGTH))
        .chain(others.map(|(i, pitch)| (*pitch, SETTLING + LENGTH * i as f64)))
        .collect()
}

fn payloads(measured: &Measured) -> Result<Vec<Vec<u8>>, String> {
    let rate = f64::from(measured.codec.sample_rate());
    let length = SETTLING + LENGTH * measured.pitches.len() as f64;
    let schedule = schedule(measured);
    let pcm: Vec<f32> = (0..(length * rate) as usize)
        .map(|n| {
            let time = n as f64 / rate;
            let pitch = schedule.iter().rev().find(|(_, from)| *from <= time);
            let angle = TAU * pitch.map_or(REFERENCE, |(pitch, _)| *pitch) * time;
            SINE.amplitude() * angle.sin() as f32
        })
        .collect();
    let frames = pcm.chunks_exact(rate as usize / 50);
    if measured.codec == Codec::Opus {
        // Our own encoder is for speech; what is measured here is what becomes of the best that may come.
        let encoder = fullband().map_err(|e| format!("Opus encoder: {e}"))?;
        return frames
            .map(|frame| {
                let mut payload = vec![0; MAX_PAYLOAD];
                let octets = encoder.encode_float(frame, &mut payload);
                payload.truncate(octets.map_err(|e| format!("Opus encoder: {e}"))?);
                Ok(payload)
            })
            .collect();
    }
    let mut encoder = Encoder::new(measured.codec)?;
    frames
        .map(|frame| {
            let mut payload = Vec::new();
            encoder.encode(frame, &mut payload)?;
            Ok(payload)
        })
        .collect()
}

fn fullband() -> Result<OpusEncoder, audiopus::Error> {
    let mut encoder = OpusEncoder::new(SampleRate::Hz48000, Channels::Mono, Application::Audio)?;
    encoder.set_bitrate(Bitrate::BitsPerSecond(192_000))?;
    Ok(encoder)
}

/// RFC 7845: a head, a comment, the packets of 20 ms.
fn in_ogg(payloads: &[Vec<u8>]) -> Result<Vec<u8>, Failure> {
    const SERIAL: u32 = 1;
    let mut out = Vec::new();
    let mut writer = PacketWriter::new(&mut out);
    let head = [
        b"OpusHead\x01\x01".as_slice(),
        &[0, 0],
        &48_000u32.to_le_bytes(),
        &[0, 0, 0],
    ]
    .concat();
    let tags = [b"OpusTags".as_slice(), &[0; 8]].concat();
    for packet in [head, tags] {
        let written = writer.write_packet(packet, SERIAL, PacketWriteEndInfo::EndPage, 0);
        written.map_err(Failure::broken)?;
    }
    for (n, payload) in payloads.iter().enumerate() {
        let end = match n + 1 == payloads.len() {
            true => PacketWriteEndInfo::EndStream,
            false => PacketWriteEndInfo::NormalPacket,
        };
        let written = writer.write_packet(payload.clone(), SERIAL, end, (n as u64 + 1) * 960);
        written.map_err(Failure::broken)?;
    }
    drop(writer);
    Ok(out)
}

fn response(measured: &Measured, heard: &[f32]) -> Result<Response, Failure> {
    let schedule = schedule(measured);
    let mut found = schedule.iter().map(|(pitch, from)| {
        let part = |at: f64| ((from + at) * RATE as f64) as usize;
        let samples = heard.get(part(FROM)..part(UNTIL));
        let samples = samples.ok_or_else(|| Failure::Broken(format!("{} samples were heard", heard.len())))?;
        Ok(fit(samples, *pitch))
    });
    let (level, residue) = found
        .next()
        .unwrap_or_else(|| Err(Failure::Broken("no reference tone".to_owned())))?;
    let others: Vec<f64> = found
        .map(|f| f.map(|(amplitude, _)| db(amplitude / level)))
        .collect::<Result<_, Failure>>()?;
    Ok(Response {
        least: others.iter().copied().fold(f64::INFINITY, f64::min),
        most: others.iter().copied().fold(f64::NEG_INFINITY, f64::max),
        level: db(level / f64::from(SINE.amplitude())),
        residue: db(residue / (level / 2f64.sqrt())),
    })
}

/// The sine of this pitch, Hz, that is nearest by least squares: its amplitude, and the RMS of what is left.
fn fit(samples: &[f32], pitch: f64) -> (f64, f64) {
    let angle = |n: usize| TAU * pitch * n as f64 / RATE as f64;
    let (mut ss, mut sc, mut cc, mut s, mut c) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (n, x) in samples.iter().enumerate() {
        let (sin, cos) = angle(n).sin_cos();
        let x = f64::from(*x);
        ss += sin * sin;
        sc += sin * cos;
        cc += cos * cos;
        s += x * sin;
        c += x * cos;
    }
    let determinant = ss * cc - sc * sc;
    let (a, b) = ((s * cc - c * sc) / determinant, (c * ss - s * sc) / determinant);
    let left = samples.iter().enumerate().map(|(n, x)| {
        let (sin, cos) = angle(n).sin_cos();
        (f64::from(*x) - a * sin - b * cos).powi(2)
    });
    (a.hypot(b), (left.sum::<f64>() / samples.len() as f64).sqrt())
}

fn db(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

/// Active speech levels at which talkers come in, dBov.
const LEVELS: [f32; 6] = [-40.0, -33.0, -26.0, -20.0, -12.0, -6.0];
/// Speech after which a talker must have been brought to the level, s.
const LEVELLED: usize = 2;

/// Every voice at every level, by PCMU: how they come out.
fn talkers(folder: &Path, most: usize) -> Row {
    Row {
        what: "talkers from −40 to −6 dBov after 2 s, lowest and highest (one talker's spread): Hornwire / FFmpeg"
            .to_owned(),
        figure: quality::voices(folder).and_then(|all| levelled(&all[..all.len().min(most)], folder)),
        goal: "goal: within 2 dB".to_owned(),
    }
}

fn levelled(voices: &[PathBuf], folder: &Path) -> Result<String, Failure> {
    let (mut ours, mut theirs) = (Spread::default(), Ok(Spread::default()));
    for voice in voices {
        let spoken: Vec<f32> = quality::samples(voice)?.iter().map(|s| g711::to_f32(*s)).collect();
        let now = speech_level(&spoken, 8000)?;
        let (mut a, mut b) = (Vec::new(), Vec::new());
        for level in LEVELS {
            let factor = Db(level - now).factor();
            let octets: Vec<u8> = spoken
                .iter()
                .map(|s| g711::ulaw_encode(g711::to_i16(s * factor)))
                .collect();
            let packets = octets.chunks_exact(160).map(<[u8]>::to_vec).collect();
            let heard = chain::play(Codec::Pcmu, Setting::default(), packets).map_err(Failure::Broken)?;
            a.push(later(&heard)?);
            if theirs.is_ok() {
                match ffmpeg(
                    &["-f", "mulaw", "-ar", "8000", "-ac", "1"],
                    &octets,
                    "speechnorm=e=50:r=0.0001:l=1",
                    folder,
                ) {
                    Ok(heard) => b.push(later(&heard)?),
                    Err(failure) => theirs = Err(failure),
                }
            }
        }
        ours.add(&a);
        if let Ok(theirs) = &mut theirs {
            theirs.add(&b);
        }
    }
    must(ours.one <= 2.0, "one talker's levels spread", &ours)?;
    Ok(beside(ours.text(), theirs.as_ref().map(Spread::text)))
}

fn later(heard: &[f32]) -> Result<f32, Failure> {
    // The voices begin with half a second of silence.
    speech_level(
        heard.get((LEVELLED * 2 + 1) * RATE / 2..).unwrap_or_default(),
        RATE as u32,
    )
}

fn speech_level(samples: &[f32], rate: u32) -> Result<f32, Failure> {
    let mut meter = SpeechLevel::new();
    meter.push(samples, rate);
    let level = meter.level().map(|(level, _)| level.0);
    level.ok_or_else(|| Failure::Broken("no speech was heard".to_owned()))
}

#[derive(Debug, Default)]
struct Spread {
    all: Vec<f32>,
    one: f32,
}

impl Spread {
    /// One talker, at all levels.
    fn add(&mut self, levels: &[f32]) {
        self.all.extend(levels);
        self.one = self.one.max(most(levels) - least(levels));
    }

    fn text(&self) -> String {
        format!("{:.1} to {:.1} ({:.1}) dB", least(&self.all), most(&self.all), self.one)
    }
}

fn most(all: &[f32]) -> f32 {
    all.iter().copied().fold(f32::NEG_INFINITY, f32::max)
}

fn least(all: &[f32]) -> f32 {
    all.iter().copied().fold(f32::INFINITY, f32::min)
}

/// Too loud by up to 20 dB: how far true peaks (ITU-R BS.1770-4, as the crate ebur128 measures them) exceed the ceiling.
fn limiter(folder: &Path) -> Row {
    Row {
        what: "20 dB too loud, true peak against the ceiling: Hornwire / FFmpeg".to_owned(),
        figure: too_loud(folder),
        goal: "goal: 0 dB at most".to_owned(),
    }
}

fn too_loud(folder: &Path) -> Result<String, Failure> {
    let ceiling = Dbfs(-3.0);
    let linear = Linear::new(RATE as u32, 1).ok_or_else(|| Failure::Broken("no L16".to_owned()))?;
    let (mut ours, mut theirs) = (f64::NEG_INFINITY, Ok(f64::NEG_INFINITY));
    for signal in loud_signals() {
        let octets: Vec<u8> = signal.iter().flat_map(|x| g711::to_i16(*x).to_be_bytes()).collect();
        let packets = octets.chunks_exact(2 * RATE / 50).map(<[u8]>::to_vec).collect();
        let setting = Setting {
            levelled: false,
            gain: Db(20.0),
            ceiling,
        };
        let heard = chain::play(Codec::L16(linear), setting, packets).map_err(Failure::Broken)?;
        ours = ours.max(true_peak(&heard)?);
        if let Ok(worst) = &mut theirs {
            let filter = format!("volume=20dB,alimiter=limit={}:level=false", ceiling.amplitude());
            let input = ["-f", "s16be", "-ar", "48000", "-ac", "1"];
            match ffmpeg(&input, &octets, &filter, folder).and_then(|heard| true_peak(&heard)) {
                Ok(peak) => *worst = worst.max(peak),
                Err(failure) => theirs = Err(failure),
            }
        }
    }
    must(ours <= f64::from(ceiling.0) + 0.05, "above the ceiling", &ours)?;
    let text = |peak: &f64| format!("{:+.2} dB", peak - f64::from(ceiling.0));
    Ok(beside(text(&ours), theirs.as_ref().map(text)))
}

/// 2 s each, near full scale: a sine between whose samples the peaks lie, steps, clicks, noise, speech.
fn loud_signals() -> Vec<Vec<f32>> {
    let of = |f: &mut dyn FnMut(usize) -> f32| (0..2 * RATE).map(f).collect::<Vec<f32>>();
    let mut state = 1u32;
    let mut noise = |_: usize| {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (state >> 8) as f32 / 8_388_608.0 - 1.0
    };
    let speech: Vec<f32> = crate::signal::speech(2)
        .iter()
        .map(|s| g711::to_f32(*s) * 1.5)
        .collect();
    vec![
        of(&mut |n| (std::f32::consts::FRAC_PI_2 * n as f32 + std::f32::consts::FRAC_PI_4).sin()),
        of(&mut |n| if n / 50 % 2 == 0 { 0.9 } else { -0.9 }),
        of(&mut |n| if n % 4801 == 0 { 1.0 } else { 0.0 }),
        of(&mut noise),
        of(&mut |n| speech[n / 6 % speech.len()].clamp(-1.0, 1.0)),
    ]
}

fn true_peak(samples: &[f32]) -> Result<f64, Failure> {
    let mut meter = ebur128::EbuR128::new(1, RATE as u32, ebur128::Mode::TRUE_PEAK).map_err(Failure::broken)?;
    meter.add_frames_f32(samples).map_err(Failure::broken)?;
    meter.true_peak(0).map(db).map_err(Failure::broken)
}

/// What FFmpeg makes of a stream at the card's rate.
fn ffmpeg(input: &[&str], stream: &[u8], filter: &str, folder: &Path) -> Result<Vec<f32>, Failure> {
    let file = folder.join("stream");
    std::fs::write(&file, stream).map_err(Failure::broken)?;
    let ran = Command::new("ffmpeg")
        .args(["-nostdin", "-v", "error"])
        .args(input)
        .arg("-i")
        .arg(&file)
        .args(["-af", filter, "-f", "f32le", "-ar", &RATE.to_string(), "-ac", "1", "-"])
        .stdin(Stdio::null())
        .output();
    let ran = match ran {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            return Err(Failure::NotMeasured("ffmpeg is not installed".to_owned()));
        }
        Err(error) => return Err(Failure::broken(error)),
        Ok(ran) => ran,
    };
    if !ran.status.success() {
        return Err(Failure::broken(String::from_utf8_lossy(&ran.stderr)));
    }
    let samples = ran.stdout.chunks_exact(4);
    Ok(samples.map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])).collect())
}
