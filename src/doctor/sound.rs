//! Sound cards and inputs: are they there, which card is it, and what does its mixer do to the level.

use std::ffi::CString;
use std::fs;
use std::path::{Path, PathBuf};

use alsa::mixer::{Mixer, Selem, SelemChannelId};
use alsa::pcm::PCM;
use alsa::{Card, Direction};

use super::system::Service;
use super::{Finding, Verdict};
use crate::config::plan::{AudioDevice, Plan};
use crate::device::pcm::{refusal, with_complaints};

/// Controls of microphones, beeps and loops, whose level is not the line's.
const NOT_THE_LINE: [&str; 6] = ["mic", "capture", "beep", "loopback", "sidetone", "input"];
/// Softer than this is a control that somebody has turned down, dB; common practice, no published source.
const SOFT: f32 = -30.0;

/// What a mixer does with one control.
#[derive(Debug, Clone, PartialEq)]
pub struct Control {
    pub name: String,
    /// Some channel is switched off.
    pub muted: bool,
    /// Of the softest channel.
    pub level: Option<f32>,
    /// It stands at its lower end.
    pub lowest: bool,
}

pub fn cards(plan: &Plan, service: &Service) -> Vec<Finding> {
    let mut findings = Vec::new();
    for card in &plan.cards {
        let subject = format!("sound card {}", card.name);
        match &card.output {
            AudioDevice::Alsa(pcm) => findings.extend(device(&subject, pcm, Direction::Playback, service)),
            AudioDevice::Wav(path) => findings.push(trial(&subject, &format!("writes the file {}", path.display()))),
            AudioDevice::Null => findings.push(trial(&subject, "plays nowhere")),
        }
    }
    findings
}

pub fn inputs(plan: &Plan, service: &Service) -> Vec<Finding> {
    let mut findings = Vec::new();
    for capture in &plan.captures {
        let subject = "audio input".to_owned();
        match &capture.input {
            AudioDevice::Alsa(pcm) => {
                findings.extend(device(&format!("{subject} {pcm}"), pcm, Direction::Capture, service))
            }
            AudioDevice::Wav(path) => findings.push(trial(&subject, &format!("reads the file {}", path.display()))),
            AudioDevice::Null => findings.push(trial(&subject, "is silent")),
        }
    }
    findings
}

fn trial(subject: &str, what: &str) -> Finding {
    Finding::new(
        Verdict::Look,
        subject,
        format!("{what}: for trials"),
        "give it a card that aplay -L lists",
    )
}

fn device(subject: &str, name: &str, direction: Direction, service: &Service) -> Vec<Finding> {
    let number = match open(name, direction) {
        Ok(number) => number,
        // The gateway itself has it, as it should.
        Err((libc::EBUSY, _)) if card_of(name).is_some_and(|card| is_held_by(card, service)) => card_of(name),
        Err((number, cause)) => {
            let there = match names() {
                _ if number == libc::EBUSY => String::new(),
                names if names.is_empty() => "; there is no sound card at all".to_owned(),
                names => format!("; there are: {}", names.join(", ")),
            };
            let todo = match number {
                libc::EBUSY => "fuser -v /dev/snd/* says which",
                _ => "is it plugged in? Its name may have changed with the port",
            };
            return vec![Finding::new(
                Verdict::Fault,
                subject,
                format!("{name}: {cause}{there}"),
                todo,
            )];
        }
    };
    let Some(number) = number else {
        return vec![Finding::new(
            Verdict::Unknown,
            subject,
            format!("{name} opens, but is no card of its own: what stands behind it decides on the level"),
            "for a line output take a card's own name, such as plughw:CARD=Device",
        )];
    };
    let card = Card::new(number);
    let title = card.get_name().unwrap_or_default();
    let mut findings = vec![Finding::fine(subject, format!("{name} is card {number}, {title}"))];
    if direction == Direction::Playback && title.to_lowercase().contains("hdmi") {
        findings.push(Finding::new(
            Verdict::Fault,
            subject,
            format!("card {number} is a screen's sound (HDMI): nothing comes out of a line output"),
            "aplay -L lists the others",
        ));
    }
    match controls(number, direction) {
        Ok(controls) => findings.extend(
            controls
                .iter()
                .filter_map(|control| judge(subject, number, control, direction)),
        ),
        Err(cause) => findings.push(Finding::new(
            Verdict::Unknown,
            subject,
            format!("its mixer cannot be read: {cause}"),
            "",
        )),
    }
    findings
}

/// What to say of a control, if it is not as it should be.
pub fn judge(subject: &str, card: i32, control: &Control, direction: Direction) -> Option<Finding> {
    let Control {
        name,
        muted,
        level,
        lowest,
    } = control;
    let set = |to: &str| format!("amixer -c {card} sset '{name}' {to}, then sudo alsactl store");
    let finding = |verdict, text, todo| Some(Finding::new(verdict, subject, text, todo));
    if direction == Direction::Capture {
        let automatic = ["agc", "auto gain"]
            .iter()
            .any(|word| name.to_lowercase().contains(word));
        return match (automatic, muted) {
            (true, false) => finding(
                Verdict::Look,
                format!("{name} is on: it lifts noise until the line input pages by itself"),
                set("off"),
            ),
            (false, true) => finding(Verdict::Fault, format!("{name} is switched off"), set("cap")),
            (false, false) if *lowest => {
                finding(Verdict::Fault, format!("{name} is turned down to nothing"), set("50%"))
            }
            _ => None,
        };
    }
    if *muted {
        return finding(Verdict::Fault, format!("{name} is muted"), set("unmute"));
    }
    if *lowest {
        return finding(Verdict::Fault, format!("{name} is turned down to nothing"), set("0dB"));
    }
    match level {
        Some(level) if *level > 0.05 => finding(
            Verdict::Look,
            format!("{name} amplifies by {level:+.1} dB: loud speech may be cut off in the card"),
            set("0dB"),
        ),
        Some(level) if *level < SOFT => finding(
            Verdict::Look,
            format!("{name} stands at {level:.0} dB: the line is soft, and its noise is not"),
            set("0dB"),
        ),
        _ => None,
    }
}

/// The number of the card behind it, if there is one.
fn open(name: &str, direction: Direction) -> Result<Option<i32>, (i32, String)> {
    let wanted = CString::new(name).map_err(|error| (libc::EINVAL, error.to_string()))?;
    let mut number = 0;
    let opened = with_complaints(|| {
        PCM::open(&wanted, direction, true).map_err(|error| {
            number = error.errno();
            refusal(&error, direction)
        })
    });
    let pcm = opened.map_err(|cause| (number, cause))?;
    let card = pcm.info().map(|info| info.get_card()).unwrap_or(-1);
    Ok((card >= 0).then_some(card))
}

/// The card that a name such as `plughw:CARD=Device,DEV=0` speaks of.
fn card_of(name: &str) -> Option<i32> {
    let behind = name.split_once(':')?.1;
    let id = behind.split(',').next()?;
    let id = CString::new(id.strip_prefix("CARD=").unwrap_or(id)).ok()?;
    Card::from_str(&id).ok().map(|card| card.get_index())
}

/// Whether one of the card's streams belongs to a thread of the gateway (the `owner_pid` of the stream's status).
fn is_held_by(card: i32, service: &Service) -> bool {
    let Some(pid) = service.pid() else { return false };
    let below = |folder: PathBuf| {
        fs::read_dir(folder)
            .into_iter()
            .flatten()
            .flatten()
            .map(|entry| entry.path())
    };
    let streams = below(format!("/proc/asound/card{card}").into()).flat_map(below);
    let mut statuses = streams.filter_map(|stream| fs::read_to_string(stream.join("status")).ok());
    statuses.any(|status| {
        let owner = status
            .lines()
            .find_map(|line| line.strip_prefix("owner_pid")?.trim().strip_prefix(':'));
        owner.is_some_and(|owner| Path::new(&format!("/proc/{pid}/task/{}", owner.trim())).exists())
    })
}

fn names() -> Vec<String> {
    let cards = alsa::card::Iter::new().flatten();
    cards.filter_map(|card| card.get_name().ok()).collect()
}

fn controls(card: i32, direction: Direction) -> Result<Vec<Control>, String> {
    let mixer = Mixer::new(&format!("hw:{card}"), false).map_err(|error| error.to_string())?;
    let controls = mixer
        .iter()
        .filter_map(Selem::new)
        .filter_map(|control| match direction {
            Direction::Playback => playback(&control),
            Direction::Capture => capture(&control),
        });
    Ok(controls.collect())
}

fn playback(control: &Selem) -> Option<Control> {
    let name = control.get_id().get_name().ok()?.to_owned();
    let lower = name.to_lowercase();
    if NOT_THE_LINE.iter().any(|word| lower.contains(word))
        || !(control.has_playback_volume() || control.has_playback_switch())
    {
        return None;
    }
    let channels = || {
        SelemChannelId::all()
            .iter()
            .copied()
            .filter(|channel| control.has_playback_channel(*channel))
    };
    let off = |channel| control.get_playback_switch(channel) == Ok(0);
    let level = |channel| control.get_playback_vol_db(channel).ok().map(|level| level.to_db());
    let (bottom, top) = control.get_playback_volume_range();
    let low = |channel| bottom < top && control.get_playback_volume(channel) == Ok(bottom);
    Some(Control {
        muted: control.has_playback_switch() && channels().any(off),
        level: control
            .has_playback_volume()
            .then(|| channels().filter_map(level).reduce(f32::min))
            .flatten(),
        lowest: control.has_playback_volume() && channels().any(low),
        name,
    })
}

fn capture(control: &Selem) -> Option<Control> {
    let name = control.get_id().get_name().ok()?.to_owned();
    let automatic = name.to_lowercase().contains("auto gain");
    if automatic && control.has_playback_switch() {
        // Some cards have it on the playback side.
        let muted = control.get_playback_switch(SelemChannelId::mono()) == Ok(0);
        return Some(Control {
            name,
            muted,
            level: None,
            lowest: false,
        });
    }
    if !(control.has_capture_volume() || control.has_capture_switch()) {
        return None;
    }
    let channels = || {
        SelemChannelId::all()
            .iter()
            .copied()
            .filter(|channel| control.has_capture_channel(*channel))
    };
    let (bottom, top) = control.get_capture_volume_range();
    let low = |channel| bottom < top && control.get_capture_volume(channel) == Ok(bottom);
    Some(Control {
        muted: control.has_capture_switch() && channels().any(|channel| control.get_capture_switch(channel) == Ok(0)),
        level: None,
        lowest: control.has_capture_volume() && channels().any(low),
        name,
    })
}
