//! The checked plan: what [`super`] makes of a config file, and all that the rest of the house reads.

use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use jiff::tz::TimeZone;

use crate::bench::levels::quantity::Ohms;
use crate::calendar::{Hours, QuietHours, Timetable};
use crate::gate;
use crate::media::srtp::Master;
use crate::media::{Codec, Format, PayloadMap, PlayoutSettings};
use crate::page::{Limits, Priority, RelayId, RelayRules, Rules, Terms, ZoneId, ZoneRules};
use crate::sip::agent::{Registrar, Transport};
use crate::sip::network::Network;
use crate::sip::secret::Secret;
use crate::sound::busy;
use crate::sound::engine::{Ducking, Sound};
use crate::sound::filter::Shape;
use crate::sound::level::{Db, Dbfs, Dbm};
use crate::sound::leveller::SPEECH_LEVEL;
use crate::sound::recording::{Player, Recording, Repeats};
use crate::sound::tone::Tone;
use crate::sound::vox::VoxSettings;
pub use crate::tls::Files as TlsFiles;

mod amplifier;
mod speaker;

pub use amplifier::{Amplifier, LoudspeakerLine, MusicMute};
pub(in crate::config) use speaker::source_id;
pub use speaker::{ANNOUNCED_AGAIN, Speaker};

/// Everything, checked: indices are in range, names resolved, secrets loaded.
#[derive(Debug, Clone)]
pub struct Plan {
    pub site: String,
    pub cards: Vec<Card>,
    /// Indexed by [`RelayId`].
    pub relays: Vec<Relay>,
    /// Indexed by [`ZoneId`].
    pub zones: Vec<Zone>,
    /// What stands behind the cards' outputs; not every zone needs one.
    pub amplifiers: Vec<Amplifier>,
    pub extensions: Vec<Extension>,
    pub groups: Vec<Group>,
    pub messages: Vec<StoredMessage>,
    pub captures: Vec<Capture>,
    pub inputs: Vec<LineInput>,
    pub music: Vec<Music>,
    pub contacts: Vec<Contact>,
    pub vetoes: Vec<Veto>,
    pub schedules: Vec<Schedule>,
    pub quiet_hours: Vec<QuietHours>,
    /// Names for several zones.
    pub zone_groups: Vec<(String, Vec<ZoneId>)>,
    pub control: Control,
    pub metrics: Option<Metrics>,
    pub sip: Sip,
    pub tls: TlsFiles,
    /// The secrets file, where the service reads it itself; `None` for a credential.
    pub secrets_file: Option<PathBuf>,
    /// Indexed by [`gate::CodeId`].
    pub codes: Vec<gate::Code>,
    /// Name of the time zone of all hours; the system's if `None`.
    pub time_zone: Option<String>,
}

/// A sound card, or what stands for one.
#[derive(Debug, Clone, PartialEq)]
pub struct Card {
    pub name: String,
    pub output: AudioDevice,
    pub channels: usize,
    /// Frames per period at 48 kHz.
    pub period: usize,
    /// Of a full-scale sine on the loaded line, if it has been measured.
    pub full_scale: Option<Dbm>,
    /// Source impedance of the line output.
    pub impedance: Option<Ohms>,
}

/// Where audio goes, or comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum AudioDevice {
    /// An ALSA PCM name, such as `hw:CARD=Device`.
    Alsa(String),
    /// A WAV file, written in real time; as an input, read over and over.
    Wav(PathBuf),
    /// Nowhere, or silence, at the same pace.
    Null,
}

/// As in the config file.
impl std::fmt::Display for AudioDevice {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            AudioDevice::Alsa(name) => write!(f, "alsa:{name}"),
            AudioDevice::Wav(path) => write!(f, "wav:{}", path.display()),
            AudioDevice::Null => f.write_str("null"),
        }
    }
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Relay {
    pub name: String,
    pub line: RelayLine,
    /// The line is low while the relay is operated.
    pub active_low: bool,
    /// The daemon starts without it when the line is missing or busy.
    pub optional: bool,
    pub rules: RelayRules,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RelayLine {
    /// GPIO character device: chip (path or name) and line offset.
    Gpio {
        chip: String,
        offset: u32,
    },
    /// Raspberry Pi, BCM number.
    Pi {
        bcm: u8,
    },
    Simulated,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Zone {
    pub name: String,
    /// Indexes [`Plan::cards`].
    pub card: usize,
    /// From 0.
    pub channel: usize,
    pub trigger: Vec<RelayId>,
    pub mute: Vec<RelayId>,
    pub lead: Duration,
    pub release: Duration,
    pub gain: Db,
    pub equaliser: Vec<Shape>,
    pub ceiling: Dbfs,
}

/// What a zone's line carries.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineLevel {
    /// Of levelled speech, ITU-T P.56 active level, before a source's own gain and the equaliser.
    pub speech: Dbm,
    /// Of a sine whose peaks are at the ceiling: nothing peaks above it.
    pub most: Dbm,
}

impl Plan {
    /// What the switchboard has to know.
    pub fn rules(&self) -> Rules {
        let zones = self.zones.iter().map(|zone| ZoneRules {
            trigger: zone.trigger.clone(),
            mute: zone.mute.clone(),
            lead: zone.lead,
            release: zone.release,
        });
        Rules {
            zones: zones.collect(),
            relays: self.relays.iter().map(|relay| relay.rules.clone()).collect(),
        }
    }

    /// What the gates have to know.
    pub fn gates(&self) -> gate::Site {
        gate::Site {
            rules: self.extensions.iter().map(|e| e.gate.clone()).collect(),
            codes: self.codes.clone(),
            networks: self.sip.networks.clone(),
            trusted: self.sip.trusted.clone(),
        }
    }

    /// The time zone of the clock on the wall; the system's where the plan names none.
    #[expect(clippy::disallowed_methods, reason = "the one way to the IANA data")]
    pub fn wall_zone(&self) -> TimeZone {
        let named = self.time_zone.as_deref().and_then(|name| TimeZone::get(name).ok());
        named.unwrap_or_else(TimeZone::system)
    }

    /// Hours, schedules or quiet hours stand somewhere in it.
    pub fn asks_for_the_time(&self) -> bool {
        self.has_hours() || !self.schedules.is_empty()
    }

    /// Somebody may page at certain hours alone, or is heard otherwise at some.
    pub fn has_hours(&self) -> bool {
        let extensions = self.extensions.iter().map(|e| &e.gate.hours);
        let hours = extensions
            .chain(self.codes.iter().map(|c| &c.hours))
            .chain(self.groups.iter().map(|g| &g.hours))
            .chain(self.inputs.iter().map(|i| &i.hours))
            .chain(self.contacts.iter().map(|c| &c.hours));
        let mut hours = hours;
        hours.any(|hours| !hours.0.is_empty()) || !self.quiet_hours.is_empty()
    }

    /// Everybody who can page, as they stand in the file.
    pub fn speakers(&self) -> impl Iterator<Item = Speaker> {
        let extensions = (0..self.extensions.len()).map(Speaker::Extension);
        extensions
            .chain((0..self.groups.len()).map(Speaker::Group))
            .chain((0..self.inputs.len()).map(Speaker::Line))
            .chain((0..self.contacts.len()).map(Speaker::Contact))
            .chain((0..self.schedules.len()).map(Speaker::Schedule))
            .chain([Speaker::Local])
    }

    /// Zones, then zone groups.
    pub fn zone_names(&self) -> impl Iterator<Item = &str> {
        let zones = self.zones.iter().map(|zone| zone.name.as_str());
        zones.chain(self.zone_groups.iter().map(|(name, _)| name.as_str()))
    }

    /// The zones of these names, each once, where a zone group stands for its own.
    ///
    /// # Errors
    /// The first name that neither a zone nor a zone group has.
    pub fn zones_of<'n>(&self, names: &'n [String]) -> Result<Vec<ZoneId>, &'n str> {
        let mut out: Vec<ZoneId> = Vec::new();
        for name in names {
            let zone = (0..=u16::MAX).zip(&self.zones).find(|(_, zone)| zone.name == *name);
            let zone = zone.map(|(id, _)| vec![ZoneId(id)]);
            let group = || self.zone_groups.iter().find(|(group, _)| group == name);
            let found = zone
                .or_else(|| group().map(|(_, zones)| zones.clone()))
                .ok_or(name.as_str())?;
            out.extend(
                found
                    .into_iter()
                    .filter(|zone| !out.contains(zone))
                    .collect::<Vec<ZoneId>>(),
            );
        }
        Ok(out)
    }

    /// What the local command can play by name: tones, then stored messages.
    pub fn played_names(&self) -> impl Iterator<Item = &str> {
        let messages = self.messages.iter().map(|message| message.name.as_str());
        ["bell", "single", "double", "triple"].into_iter().chain(messages)
    }

    /// The stored message, or the tone, of that name.
    pub fn played_named(&self, name: &str) -> Option<Played> {
        let message = self.messages.iter().position(|message| message.name == name);
        let tone = || match name {
            "bell" => Some(Played::Bell),
            word => Chime::of(word).filter(|chime| *chime != Chime::None).map(Played::Chime),
        };
        message.map(|index| Played::Chime(Chime::Message(index))).or_else(tone)
    }

    /// A zone's level on the line, where its card has been measured.
    pub fn line_level(&self, zone: &Zone) -> Option<LineLevel> {
        let full_scale = self.cards[zone.card].full_scale?;
        Some(LineLevel {
            speech: full_scale.of_rms(Dbfs(SPEECH_LEVEL.0 + zone.gain.0)),
            most: full_scale.of_sine(zone.ceiling),
        })
    }
}

/// A file that is played.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredMessage {
    pub name: String,
    pub file: PathBuf,
    /// The plan holds it for as long as it may be played, so that the audio thread never frees it.
    pub recording: Arc<Recording>,
    /// On top of the levelling.
    pub gain: Db,
}

impl StoredMessage {
    /// Plays it once, as loud as levelled speech but for its own gain.
    pub fn player(&self) -> Player {
        let gain = Db(self.recording.levelling().0 + self.gain.0);
        Player::new(Arc::clone(&self.recording), gain, Repeats::ONCE)
    }
}

/// What is heard before speech.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Chime {
    None,
    Single,
    Double,
    Triple,
    /// Indexes [`Plan::messages`].
    Message(usize),
}

impl Chime {
    /// By the word of the config file; `None` for any other.
    pub fn of(word: &str) -> Option<Self> {
        match word {
            "none" => Some(Chime::None),
            "single" => Some(Chime::Single),
            "double" => Some(Chime::Double),
            "triple" => Some(Chime::Triple),
            _ => None,
        }
    }

    /// How it sounds; nothing for none.
    pub fn sound(self, messages: &[StoredMessage]) -> Option<Sound> {
        match self {
            Chime::None => None,
            Chime::Single => Some(Sound::Tone(Tone::chime_single())),
            Chime::Double => Some(Sound::Tone(Tone::chime_double())),
            Chime::Triple => Some(Sound::Tone(Tone::chime_triple())),
            Chime::Message(index) => messages.get(index).map(|m| Sound::Message(m.player())),
        }
    }
}

/// What all who speak share.
#[derive(Debug, Clone, PartialEq)]
pub struct Paging {
    pub zones: Vec<ZoneId>,
    pub priority: Priority,
    pub chime: Chime,
    pub limits: Limits,
    pub terms: Terms,
    /// How much softer it is heard below another page.
    pub under: Db,
    /// Bounds of the jitter buffer.
    pub playout: PlayoutSettings,
    /// Every talker is brought to the same level, before the gain.
    pub levelled: bool,
    /// Ends a page that the busy tone of this country is heard in.
    pub busy_tone: Option<busy::Plan>,
    pub gain: Db,
}

/// Encrypted audio of an extension's calls.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Srtp {
    Off,
    Prefer,
    Require,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Extension {
    pub name: String,
    pub user: String,
    pub registrars: Vec<Registrar>,
    pub auth_user: Option<String>,
    pub password: Option<Secret>,
    pub expires: u32,
    /// See [`crate::sip::agent::Extension::keep_alive`].
    pub keep_alive: Option<Duration>,
    /// Preferred first.
    pub codecs: Vec<Codec>,
    pub srtp: Srtp,
    pub paging: Paging,
    pub gate: gate::Rules,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    pub name: String,
    /// Multicast address and port.
    pub address: SocketAddr,
    /// Interface name; the system's choice if `None`.
    pub interface: Option<String>,
    /// `None`: by static payload type. With a codec, `payload_type` says which number it has.
    pub codec: Option<Codec>,
    pub payload_type: Option<u8>,
    /// Only packets protected with it are heard.
    pub srtp: Option<Master>,
    /// The stream has ended after this long without a packet.
    pub idle: Duration,
    /// Whose streams are heard; everybody's if `None`.
    pub networks: Option<Vec<Network>>,
    pub hours: Hours,
    pub paging: Paging,
}

impl Group {
    /// The same packets are received in the same way; who hears them when may differ.
    pub fn is_received_as(&self, other: &Group) -> bool {
        let received = Group {
            paging: other.paging.clone(),
            hours: other.hours.clone(),
            idle: other.idle,
            ..self.clone()
        };
        received == *other
    }

    /// What may arrive: the configured codec, or the static payload types.
    pub fn payload_map(&self) -> PayloadMap {
        match (self.codec, self.payload_type) {
            (Some(codec), Some(payload_type)) => PayloadMap::new()
                .with(payload_type, Format::Audio(codec))
                .with(13, Format::ComfortNoise),
            _ => PayloadMap::static_types(),
        }
    }
}

/// Whether the networks of a group, if it has any, hold this sender.
pub fn may_send(networks: Option<&Vec<Network>>, sender: IpAddr) -> bool {
    networks.is_none_or(|list| list.iter().any(|network| network.contains(sender)))
}

/// A device that is captured from. Line inputs and music may share one, by channel.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Capture {
    pub input: AudioDevice,
    pub channels: usize,
}

/// A line input with voice-operated start.
#[derive(Debug, Clone, PartialEq)]
pub struct LineInput {
    pub name: String,
    /// Indexes [`Plan::captures`].
    pub capture: usize,
    /// From 0.
    pub channel: usize,
    pub vox: VoxSettings,
    pub hours: Hours,
    pub paging: Paging,
}

/// An input line with a dry contact.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InputLine {
    pub line: ContactLine,
    /// The line is low while the contact is closed.
    pub closed_low: bool,
    pub debounce: Duration,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ContactLine {
    /// GPIO character device: chip (path or name) and line offset.
    Gpio { chip: String, offset: u32 },
    /// Closed while the file is there.
    File(PathBuf),
}

/// A contact that plays a sound.
#[derive(Debug, Clone, PartialEq)]
pub struct Contact {
    pub name: String,
    pub input: InputLine,
    pub plays: Played,
    /// `None`: for as long as it is closed.
    pub times: Option<u32>,
    pub pause: Duration,
    pub hours: Hours,
    pub paging: Paging,
}

/// A sound at set times.
#[derive(Debug, Clone, PartialEq)]
pub struct Schedule {
    pub name: String,
    pub timetable: Timetable,
    pub plays: Played,
    pub times: u32,
    pub pause: Duration,
    pub paging: Paging,
}

/// The local command.
#[derive(Debug, Clone, PartialEq)]
pub struct Control {
    pub socket: Socket,
    /// Of announcements; each says its zones itself.
    pub paging: Paging,
    /// Of test signals: every page takes their zones, and none is heard below another.
    pub testing: Paging,
}

/// Where figures are fetched.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Metrics {
    pub listen: SocketAddr,
    /// `None`: by everybody.
    pub networks: Option<Vec<Network>>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Socket {
    /// In the directory that the service manager gives.
    Usual,
    At(PathBuf),
    None,
}

/// What a source without a talker plays.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Played {
    Bell,
    /// Never [`Chime::None`].
    Chime(Chime),
}

impl Played {
    pub fn sound(self, messages: &[StoredMessage]) -> Option<Sound> {
        match self {
            Played::Bell => Some(Sound::Tone(Tone::bell())),
            Played::Chime(chime) => chime.sound(messages),
        }
    }
}

/// A contact by which another system takes over zones.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Veto {
    pub name: String,
    pub input: InputLine,
    pub zones: Vec<ZoneId>,
}

/// Background music.
#[derive(Debug, Clone, PartialEq)]
pub struct Music {
    pub name: String,
    /// Indexes [`Plan::captures`].
    pub capture: usize,
    /// One or two, from 0; mixed half and half.
    pub channels: Vec<usize>,
    pub zones: Vec<ZoneId>,
    pub gain: Db,
    pub ducking: Ducking,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Sip {
    pub listen: Vec<(Transport, SocketAddr)>,
    /// First and last UDP port for RTP.
    pub rtp_ports: (u16, u16),
    /// Who may call beside the registrars.
    pub networks: Vec<Network>,
    /// Whose word about a caller counts, beside the registrars' own.
    pub trusted: Vec<Network>,
    /// Address to put into Contact and SDP when the board is behind a translation; usually `None`.
    pub advertise: Option<IpAddr>,
    /// The first registrations wait a random part of this.
    pub start_spread: Duration,
}
