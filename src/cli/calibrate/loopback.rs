//! Through a line input in place of a meter.

use std::time::{Duration, Instant};

use hornwire::bench::calibrate::{self, FIRST, Found, HZ, Heard, Reading, SECOND};
use hornwire::bench::levels::quantity::Level;
use hornwire::config::plan::{AudioDevice, Capture};
use hornwire::daemon;
use hornwire::device::source::Source;
use hornwire::sound::RATE;
use hornwire::sound::level::{Dbfs, Dbm};
use serde_json::json;

use super::super::dialogue::Halt;
use super::super::{Exit, complain};
use super::{LONGEST, Session, told};

/// So much is listened to, after the tone has risen.
const LISTEN: usize = RATE as usize;
/// What the device still has from before.
const STALE: Duration = Duration::from_millis(500);
/// A device that gives nothing for so long gives nothing.
const PATIENCE: Duration = Duration::from_secs(5);

/// `alsa:NAME` or `wav:PATH`, as in the config.
fn device(text: &str) -> Result<AudioDevice, String> {
    match text.split_once(':') {
        Some(("alsa", name)) if !name.is_empty() => Ok(AudioDevice::Alsa(name.to_owned())),
        Some(("wav", path)) if !path.is_empty() => Ok(AudioDevice::Wav(path.into())),
        _ => Err(format!(
            "{text:?} is no input device; wanted alsa:NAME, such as alsa:hw:CARD=Device"
        )),
    }
}

/// With two channels, else with as many as are needed: microphone inputs have one.
fn open(input: &AudioDevice, channel: u8) -> Result<Box<dyn Source>, String> {
    let with = |channels: u8| {
        let capture = Capture {
            input: input.clone(),
            channels: usize::from(channels),
        };
        daemon::source_opener(&capture)().map_err(|error| error.to_string())
    };
    with(channel.max(2)).or_else(|error| with(channel).map_err(|_| error))
}

/// `None` where the input's own full scale is not known: then there is no level to store.
pub fn measure(session: &mut Session) -> Result<Option<Found>, Halt> {
    let wanted = session.wanted;
    let input = device(wanted.loopback.as_deref().unwrap_or_default()).map_err(|cause| {
        complain(&cause);
        Exit::Data
    })?;
    let channel = usize::from(wanted.input_channel) - 1;
    session.say("Wire the line output to the line input; the amplifier may stay connected, turned down.");
    if session.dialogue.choose("Is it?", &["yes", "no"])? == "no" {
        return Err(Halt::Quit);
    }
    let mut source = open(&input, wanted.input_channel).map_err(|error| {
        complain(&format!(
            "{error}; while the gateway listens to {input}, it is taken: stop the gateway first"
        ));
        Exit::Unavailable
    })?;
    let mut heard: Vec<(Dbfs, Heard)> = Vec::new();
    for tone in [FIRST, SECOND] {
        session.sound(json!({ "signal": "tone", "hz": HZ }), Some(tone), LONGEST)?;
        let now = listen(&mut *source, channel)?;
        session.say(&format!("Tone at {:.0} dBFS: {}.", tone.0, told(&now)));
        if !now.is_there() {
            complain("the tone is not heard there: is it that input and channel, is its mixer open?");
            return Err(Exit::Data.into());
        }
        if now.clips() {
            complain("the input clips: turn its mixer down, or put a pad before it");
            return Err(Exit::Data.into());
        }
        heard.push((tone, now));
    }
    let [(_, soft), (_, loud)] = heard.as_slice() else {
        return Ok(None);
    };
    let step = loud.tone.0 - soft.tone.0;
    session.say(&format!(
        "20 dB more at the output are {step:.1} dB more at the input. From output to input: {:+.1} dB.",
        loud.tone.0 - SECOND.0
    ));
    let readings = |input: Dbm| -> Vec<Reading> {
        let reading = |(tone, heard): &(Dbfs, Heard)| Reading {
            tone: *tone,
            read: Level::Dbm(heard.on_the_line(input)),
        };
        heard.iter().map(reading).collect()
    };
    let input = wanted.input_full_scale.map(|level| Dbm(level.volts().dbu().0));
    // Whether it is straight does not depend on what the input's full scale is.
    let found = match input {
        Some(input) => calibrate::together(&readings(input)),
        None => calibrate::agree(&readings(Dbm(0.0))),
    };
    let found = found.map_err(|fault| {
        complain(&fault.to_string());
        Exit::Data
    })?;
    if input.is_none() {
        session.say(
            "The level on the line is not known, since the input's is not: --input-full-scale LEVEL says it. It can be \
             measured: whatever level of a sine, read on a meter, makes the input show 0 dBFS.",
        );
    }
    Ok(input.map(|_| found))
}

/// One second of what comes now.
fn listen(source: &mut dyn Source, channel: usize) -> Result<Heard, Halt> {
    let channels = source.channels();
    let mut frames = vec![0.0; source.period() * channels];
    let mut samples: Vec<f32> = Vec::with_capacity(LISTEN);
    let (from, by) = (Instant::now() + STALE, Instant::now() + STALE + PATIENCE);
    while samples.len() < LISTEN {
        if Instant::now() > by {
            complain("the input gives no sound");
            return Err(Exit::Unavailable.into());
        }
        if source.read(&mut frames).is_err() {
            complain("the input gives no sound any more");
            return Err(Exit::Unavailable.into());
        }
        if Instant::now() >= from {
            samples.extend(frames.iter().skip(channel).step_by(channels));
        }
    }
    Heard::of(&samples[..LISTEN], HZ).ok_or(Halt::Exit(Exit::Software))
}
