//! From a body to the streams in it. Lenient: only what matters to a page must be right.

use std::net::IpAddr;
use std::ops::RangeInclusive;

use sdp_types::{Attribute, Connection, NetType, Session};

use super::crypto::{self, Crypto};
use super::{Direction, Offered, SdpError};
use crate::media::{Codec, Format, Linear};

/// Longest body read.
const MAX_BODY: usize = 32 * 1024;
/// Most streams in a body; each costs a line in the answer.
const MAX_MEDIA: usize = 64;
/// RFC 3551 Table 5.
pub(super) const DYNAMIC: RangeInclusive<u8> = 96..=127;

/// A session description, as far as it matters here.
#[derive(Debug)]
pub(super) struct Description {
    /// The `t=` lines as they came; broken ones are left out.
    pub times: Vec<String>,
    pub media: Vec<Media>,
}

#[derive(Debug)]
pub(super) struct Media {
    pub kind: String,
    pub port: u16,
    pub proto: String,
    pub target: Target,
    /// The sender's direction.
    pub direction: Direction,
    pub ptime: Option<u32>,
    pub maxptime: Option<u32>,
    pub rtcp_mux: bool,
    /// What the sender protects with, its preferred one first: the lines that can be used.
    pub cryptos: Vec<Crypto>,
    /// There are such lines, understood or not.
    pub has_crypto: bool,
    formats: Vec<String>,
    maps: Vec<RtpMap>,
}

/// Where a stream is wanted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Target {
    /// An IPv4-mapped address is given as IPv4.
    Address(IpAddr),
    /// `0.0.0.0`, `::` or a name under `.invalid` (RFC 3264 §8.4, RFC 6157 §6).
    Held,
    /// A host name.
    Named,
    Missing,
    Unknown(String),
}

#[derive(Debug)]
struct RtpMap {
    payload_type: u8,
    name: String,
    clock: u32,
    channels: Option<u32>,
}

impl Media {
    pub fn is_audio(&self) -> bool {
        self.kind.eq_ignore_ascii_case("audio")
    }

    /// Whether its profile says that packets are protected (RFC 4568 §4.1); `None` of a transport that we do not have.
    pub fn is_protected(&self) -> Option<bool> {
        let is = |name: &str| self.proto.eq_ignore_ascii_case(name);
        match () {
            () if is("RTP/AVP") || is("RTP/AVPF") => Some(false),
            () if is("RTP/SAVP") || is("RTP/SAVPF") => Some(true),
            () => None,
        }
    }

    /// The first format as it came: what a refused stream shows.
    pub fn first_format(&self) -> &str {
        self.formats.first().map_or("0", String::as_str)
    }

    /// In the offer's order. Numbers that cannot be told from RTCP are left out (RFC 5761 §4).
    pub fn payload_types(&self) -> impl Iterator<Item = u8> + '_ {
        self.formats
            .iter()
            .filter_map(|f| f.parse().ok())
            .filter(|pt| *pt <= *DYNAMIC.end() && !(64..=95).contains(pt))
    }

    /// What is listed and known to us.
    pub fn formats(&self) -> Vec<Offered> {
        self.payload_types().filter_map(|pt| self.meaning(pt)).collect()
    }

    /// By rtpmap, or by the static assignment where there is none (RFC 3551 Table 4).
    pub fn meaning(&self, payload_type: u8) -> Option<Offered> {
        let (format, clock) = match self.maps.iter().find(|m| m.payload_type == payload_type) {
            Some(map) => (map.format()?, map.clock),
            None if payload_type == 13 => (Format::ComfortNoise, 8000),
            None => {
                let codec = Codec::of_static_type(payload_type)?;
                (Format::Audio(codec), codec.clock_rate())
            }
        };
        Some(Offered {
            payload_type,
            format,
            clock,
        })
    }

    /// The formats for a message to people.
    pub fn names(&self) -> String {
        const MOST: usize = 12;
        let mut names: Vec<String> = self
            .formats
            .iter()
            .take(MOST)
            .map(|f| {
                let map = self.maps.iter().find(|m| f.parse() == Ok(m.payload_type));
                map.map_or_else(|| f.clone(), |m| format!("{f} {}/{}", m.name, m.clock))
            })
            .collect();
        if self.formats.len() > MOST {
            names.push("…".to_owned());
        }
        names.join(", ")
    }
}

impl RtpMap {
    /// `<payload type> <name>/<clock>[/<channels>]` (RFC 8866 §6.6).
    fn parse(value: &str) -> Option<RtpMap> {
        let (payload_type, rest) = value.trim().split_once([' ', '\t'])?;
        let mut parts = rest.trim().split('/');
        Some(RtpMap {
            payload_type: payload_type.parse().ok()?,
            name: parts.next()?.to_owned(),
            clock: parts.next()?.parse().ok()?,
            channels: match parts.next() {
                None => None,
                Some(n) => Some(n.parse().ok()?),
            },
        })
    }

    fn format(&self) -> Option<Format> {
        let mono = self.channels.is_none_or(|n| n == 1);
        let is = |name: &str| self.name.eq_ignore_ascii_case(name);
        match self.clock {
            8000 if is("PCMU") && mono => Some(Format::Audio(Codec::Pcmu)),
            8000 if is("PCMA") && mono => Some(Format::Audio(Codec::Pcma)),
            8000 if is("G722") && mono => Some(Format::Audio(Codec::G722)),
            clock if is("L16") => {
                let channels = u8::try_from(self.channels.unwrap_or(1)).ok()?;
                Linear::new(clock, channels).map(|linear| Format::Audio(Codec::L16(linear)))
            }
            // Always two by RFC 7587 §7; some leave it out.
            48000 if is("opus") && self.channels.is_none_or(|n| n == 2) => Some(Format::Audio(Codec::Opus)),
            // Of other clocks than 8 kHz by a dynamic type (RFC 3389 §4).
            _ if is("CN") && mono => Some(Format::ComfortNoise),
            _ if is("telephone-event") && mono => Some(Format::TelephoneEvent),
            _ => None,
        }
    }
}

/// Reads a body.
pub(super) fn description(body: &[u8]) -> Result<Description, SdpError> {
    if body.len() > MAX_BODY {
        return Err(unreadable(format!(
            "{} octets, at most {MAX_BODY} are read",
            body.len()
        )));
    }
    // Text outside ASCII is only ever a name or a title here, in whatever encoding.
    let text = String::from_utf8_lossy(body);
    let mut times = Vec::new();
    let mut streams = 0;
    let mut kept = String::with_capacity(text.len());
    // Lines without meaning for a page become empty: nothing wrong in them matters, and line numbers stay right.
    for line in text.replace("\r\n", "\n").split(['\n', '\r']) {
        let line = line.trim_end();
        match line.as_bytes() {
            [b't', b'=', ..] => {
                if streams == 0 && is_time(line) {
                    times.push(line.to_owned());
                }
            }
            [b'm', b'=', ..] => {
                streams += 1;
                // One space between fields, whatever came.
                kept.push_str(&line.split_whitespace().collect::<Vec<_>>().join(" "));
            }
            [b'v' | b'c' | b'a', b'=', ..] => kept.push_str(line),
            [b'a'..=b'z' | b'A'..=b'Z', b'=', ..] => {}
            _ => kept.push_str(line),
        }
        kept.push('\n');
    }
    if streams > MAX_MEDIA {
        return Err(unreadable(format!("{streams} streams, at most {MAX_MEDIA} are read")));
    }
    let session = Session::parse(kept.as_bytes()).map_err(|error| unreadable(error.to_string()))?;
    let media = session.medias.iter().map(|m| stream(&session, m)).collect();
    Ok(Description { times, media })
}

/// `t=<start> <stop>` (RFC 8866 §5.9).
fn is_time(line: &str) -> bool {
    let mut numbers = line.get(2..).unwrap_or_default().split(' ');
    // Without a sign or leading zeros (§9).
    let mut number = || {
        numbers
            .next()
            .is_some_and(|n| n.parse::<u64>().is_ok_and(|v| v.to_string() == n))
    };
    number() && number() && numbers.next().is_none()
}

fn unreadable(why: String) -> SdpError {
    SdpError::Unreadable(why)
}

/// One stream, with what it takes over from the session level (RFC 8866 §5.7, §6.7).
fn stream(session: &Session, media: &sdp_types::Media) -> Media {
    let number = |name| {
        value(&media.attributes, name)
            .or_else(|| value(&session.attributes, name))
            .and_then(milliseconds)
    };
    Media {
        kind: media.media.clone(),
        port: media.port,
        proto: media.proto.clone(),
        target: target(media.connections.first().or(session.connection.as_ref())),
        direction: direction(&media.attributes)
            .or_else(|| direction(&session.attributes))
            .unwrap_or(Direction::SendRecv),
        ptime: number("ptime"),
        maxptime: number("maxptime"),
        rtcp_mux: media.attributes.iter().any(|a| a.attribute == "rtcp-mux"),
        // Of the stream alone (RFC 4568 §4).
        cryptos: cryptos(media).filter_map(Crypto::parse).collect(),
        has_crypto: cryptos(media).next().is_some(),
        formats: media.fmt.split_whitespace().map(str::to_owned).collect(),
        maps: media
            .attributes
            .iter()
            .filter(|a| a.attribute.eq_ignore_ascii_case("rtpmap"))
            .filter_map(|a| RtpMap::parse(a.value.as_deref()?))
            .collect(),
    }
}

fn cryptos(media: &sdp_types::Media) -> impl Iterator<Item = &str> {
    media
        .attributes
        .iter()
        .filter(|a| a.attribute.eq_ignore_ascii_case("crypto"))
        .take(crypto::MAX_LINES)
        .map(|a| a.value.as_deref().unwrap_or_default())
}

fn value<'a>(attributes: &'a [Attribute], name: &str) -> Option<&'a str> {
    attributes
        .iter()
        .find(|a| a.attribute.eq_ignore_ascii_case(name))
        .and_then(|a| a.value.as_deref())
}

/// Whole milliseconds; a fraction is cut, nonsense ignored.
fn milliseconds(text: &str) -> Option<u32> {
    let whole = text.trim().split('.').next()?;
    whole.parse().ok().filter(|ms| *ms > 0)
}

fn direction(attributes: &[Attribute]) -> Option<Direction> {
    attributes.iter().find_map(|a| {
        [
            Direction::SendRecv,
            Direction::SendOnly,
            Direction::RecvOnly,
            Direction::Inactive,
        ]
        .into_iter()
        .find(|d| a.value.is_none() && a.attribute.trim().eq_ignore_ascii_case(d.attribute()))
    })
}

fn target(connection: Option<&Connection>) -> Target {
    let Some(connection) = connection else {
        return Target::Missing;
    };
    let text = connection.connection_address.as_str();
    if connection.nettype != NetType::In {
        return Target::Unknown(format!("{text} of an unknown network type"));
    }
    // A TTL or a count of groups may follow (RFC 8866 §5.7); brackets should not be there.
    let host = text.split('/').next().unwrap_or_default();
    let bare = host.strip_prefix('[').and_then(|h| h.strip_suffix(']')).unwrap_or(host);
    if let Ok(address) = bare.parse::<IpAddr>() {
        let address = address.to_canonical();
        return if address.is_unspecified() {
            Target::Held
        } else {
            Target::Address(address)
        };
    }
    let is_name = host.contains(|c: char| c.is_ascii_alphabetic())
        && host
            .bytes()
            .all(|b| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'.' | b'_'));
    match host.to_ascii_lowercase().trim_end_matches('.').rsplit('.').next() {
        _ if !is_name => Target::Unknown(text.to_owned()),
        Some("invalid") => Target::Held,
        _ => Target::Named,
    }
}
