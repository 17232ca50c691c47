//! Offer and answer of the one audio stream (RFC 8866, RFC 3264).
//!
//! An answer names one audio codec, so that a caller does not change it in the middle of a page, and beside it the
//! telephone events and comfort noise that were offered in the same clock. Our order of codecs decides; among
//! several payload types of one codec the offer's order does. ICE, DTLS, BUNDLE and bandwidth are passed over.
//!
//! SRTP's keys are exchanged in the description (RFC 4568). Of the offered keys the first one counts that is understood:
//! the offer's order is its sender's preference. Keys beside a stream of profile RTP/AVP are taken too (common
//! practice, no published source): its sender can do both.

mod crypto;
mod read;
#[cfg(test)]
mod srtp_tests;
#[cfg(test)]
mod tests;
mod write;

use std::net::{IpAddr, SocketAddr};

use crate::media::srtp::Suite;
use crate::media::{Codec, Format, PayloadMap};
pub use crypto::{KeySeed, Keys, Policy, written_key};

use crypto::Crypto;
use read::{Description, Media, Target};
use write::{Line, Writer};

/// What we can do and where.
#[derive(Debug, Clone)]
pub struct Local {
    pub address: IpAddr,
    pub rtp_port: u16,
    /// Preferred first.
    pub codecs: Vec<Codec>,
    /// For `o=`: the same for the life of a call, the version grows with every change.
    pub session_id: u64,
    pub version: u64,
    pub srtp: Policy,
    /// What our keys are made from: random, and new for every call.
    pub keys: KeySeed,
}

/// Who may send, seen from us.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    SendRecv,
    SendOnly,
    RecvOnly,
    Inactive,
}

impl Direction {
    /// As the other side sees it; also the widest answer to an offer (RFC 3264 §6.1).
    pub fn mirrored(self) -> Direction {
        match self {
            Direction::SendOnly => Direction::RecvOnly,
            Direction::RecvOnly => Direction::SendOnly,
            same => same,
        }
    }

    /// Whether we may send.
    pub fn sends(self) -> bool {
        matches!(self, Direction::SendRecv | Direction::SendOnly)
    }

    /// Whether the far end may send.
    pub fn receives(self) -> bool {
        matches!(self, Direction::SendRecv | Direction::RecvOnly)
    }

    fn attribute(self) -> &'static str {
        match self {
            Direction::SendRecv => "sendrecv",
            Direction::SendOnly => "sendonly",
            Direction::RecvOnly => "recvonly",
            Direction::Inactive => "inactive",
        }
    }
}

/// What was agreed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Agreed {
    /// Where the far end wants RTP. `None` while it is on hold by a zero address (RFC 3264 §8.4), or when it gave a
    /// host name: it can be heard, but nothing is sent.
    pub remote: Option<SocketAddr>,
    /// Payload types that may arrive; the first audio one is what we send.
    pub payloads: PayloadMap,
    /// Our direction.
    pub direction: Direction,
    /// Milliseconds per packet that the far end asked for (default 20), brought to one that the codec has and that
    /// its `maxptime` allows.
    pub ptime: u32,
    /// `None`: in the clear.
    pub keys: Option<Keys>,
}

impl Agreed {
    /// `None`: in the clear.
    pub fn suite(&self) -> Option<Suite> {
        self.keys.map(|keys| keys.ours.suite())
    }
}

/// Why a body was not accepted.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SdpError {
    /// 400 with a Warning.
    #[error("unreadable session description: {0}")]
    Unreadable(String),
    /// 488 Not Acceptable Here. Also when every stream has port 0: there would be nothing to hear.
    #[error("nothing in the offer fits: {0}")]
    NothingFits(String),
}

/// Answers an offer (RFC 3264 §6): the first audio stream that fits is taken, every other one is refused with port 0.
/// # Errors
/// [`SdpError`]: the status that the call deserves.
pub fn answer(offer: &[u8], local: &Local) -> Result<(Vec<u8>, Agreed), SdpError> {
    let offer = read::description(offer)?;
    let chosen = match local.srtp {
        Policy::Off => first_fit(&offer, |media| choose(media, local, false)),
        Policy::Require => first_fit(&offer, |media| choose(media, local, true)),
        Policy::Prefer { .. } => first_fit(&offer, |media| choose(media, local, true))
            .or_else(|_| first_fit(&offer, |media| choose(media, local, media.is_protected() == Some(true)))),
    };
    let (taken, media, choice) = chosen?;
    let direction = media.direction.mirrored();
    let ptime = packet_time(choice.codec, media);

    let mut writer = Writer::new(local, &offer.times);
    for (i, media) in offer.media.iter().enumerate() {
        if i == taken {
            writer.stream(&Line {
                port: local.rtp_port,
                proto: &media.proto,
                formats: &choice.formats,
                ptime,
                direction,
                rtcp_mux: media.rtcp_mux,
                cryptos: choice
                    .cryptos
                    .as_ref()
                    .map_or(&[], |(_, ours)| std::slice::from_ref(ours)),
            });
        } else {
            writer.refused(media);
        }
    }
    let agreed = Agreed {
        remote: choice.remote,
        payloads: choice.map(),
        direction,
        ptime,
        keys: choice.cryptos.as_ref().map(|(theirs, ours)| Keys {
            theirs: theirs.master,
            ours: ours.master,
        }),
    };
    Ok((writer.finish(), agreed))
}

/// Our own offer, for an INVITE without one (RFC 3261 §13.2.1). Where protection is preferred, the stream is of profile
/// RTP/AVP with keys beside it, so that a far end without SRTP can take it too; where it is required, RTP/SAVP.
pub fn offer(local: &Local) -> Vec<u8> {
    let mut writer = Writer::new(local, &[]);
    offered_stream(&mut writer, local, &[]);
    writer.finish()
}

fn offered_stream(writer: &mut Writer, local: &Local, used: &[Offered]) {
    writer.stream(&Line {
        proto: if local.srtp == Policy::Require {
            "RTP/SAVP"
        } else {
            "RTP/AVP"
        },
        cryptos: &own_cryptos(local, local.srtp.offers_keys()),
        ..Line::offering(local, &offered(local, used))
    });
}

fn own_cryptos(local: &Local, protects: bool) -> Vec<Crypto> {
    if protects {
        crypto::offered(&local.keys)
    } else {
        Vec::new()
    }
}

/// Our offer in an established call, for a re-INVITE without one. `last` is the body that we sent before: its
/// streams keep their places and its payload types their meaning (RFC 3264 §8, §8.3.2), and a protected stream keeps
/// its key, since our address stays (RFC 4568 §7.1.4).
pub fn offer_again(local: &Local, last: &[u8]) -> Vec<u8> {
    let Ok(last) = read::description(last) else {
        return offer(local);
    };
    let mut writer = Writer::new(local, &last.times);
    let mut open = false;
    for media in &last.media {
        if !open && media.is_audio() && media.port != 0 {
            open = true;
            let formats = offered(local, &media.formats());
            writer.stream(&Line {
                proto: &media.proto,
                cryptos: &own_cryptos(local, media.has_crypto),
                ..Line::offering(local, &formats)
            });
        } else {
            writer.refused(media);
        }
    }
    if !open {
        offered_stream(&mut writer, local, &[]);
    }
    writer.finish()
}

/// Reads the answer to [`offer`] or [`offer_again`].
/// # Errors
/// [`SdpError`].
pub fn accept(answer: &[u8], local: &Local) -> Result<Agreed, SdpError> {
    let answer = read::description(answer)?;
    let ours = offered(local, &[]);
    let (_, media, (remote, codec, payloads, keys)) = first_fit(&answer, |media| {
        let remote = reachable(media, local)?;
        let keys = answered_keys(media, local)?;
        // An answer may leave out the rtpmap of a payload type that it took from the offer.
        let listed: Vec<Offered> = media
            .payload_types()
            .filter_map(|pt| {
                media
                    .meaning(pt)
                    .or_else(|| ours.iter().find(|o| o.payload_type == pt).copied())
            })
            .filter(|o| o.is_ours(local))
            .collect();
        let codec = listed
            .iter()
            .find_map(Offered::codec)
            .ok_or_else(|| no_codec(media, local))?;
        // What the far end sends bears the numbers of our offer (RFC 3264 §6.1); nearly always they are the same.
        let mut payloads = PayloadMap::new();
        for o in listed.iter().chain(&ours) {
            let fits = o.codec().is_some() || o.clock == codec.clock_rate();
            if fits && payloads.format(o.payload_type).is_none() && listed.iter().any(|l| l.format == o.format) {
                payloads = payloads.with(o.payload_type, o.format);
            }
        }
        Ok((remote, codec, payloads, keys))
    })?;
    Ok(Agreed {
        remote,
        payloads,
        direction: media.direction.mirrored(),
        ptime: packet_time(codec, media),
        keys,
    })
}

/// An answer takes one of the keys offered, by its tag and suite (RFC 4568 §5.1.3), or none.
fn answered_keys(media: &Media, local: &Local) -> Result<Option<Keys>, String> {
    if !media.has_crypto {
        return match (local.srtp, media.is_protected()) {
            (Policy::Require, _) => Err("the answer has no key for SRTP, which is required here".to_owned()),
            (_, Some(true)) => Err(format!("{} without a key", media.proto)),
            _ => Ok(None),
        };
    }
    let ours = crypto::offered(&local.keys);
    let taken = media.cryptos.first().and_then(|theirs| {
        let same = |o: &&Crypto| o.tag == theirs.tag && o.master.suite() == theirs.master.suite();
        ours.iter().find(same).map(|ours| Keys {
            theirs: theirs.master,
            ours: ours.master,
        })
    });
    match taken {
        Some(keys) if local.srtp != Policy::Off => Ok(Some(keys)),
        // What comes would be noise.
        _ => Err("the answer's crypto line is none of those offered".to_owned()),
    }
}

/// One payload type and its meaning.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Offered {
    payload_type: u8,
    format: Format,
    clock: u32,
}

impl Offered {
    fn codec(&self) -> Option<Codec> {
        match self.format {
            Format::Audio(codec) => Some(codec),
            _ => None,
        }
    }

    fn is_ours(&self, local: &Local) -> bool {
        self.codec().is_none_or(|codec| local.codecs.contains(&codec))
    }
}

/// What was chosen of one stream.
struct Choice {
    remote: Option<SocketAddr>,
    codec: Codec,
    /// The codec first.
    formats: Vec<Offered>,
    /// The far end's and ours, of a protected stream.
    cryptos: Option<(Crypto, Crypto)>,
}

impl Choice {
    fn map(&self) -> PayloadMap {
        self.formats
            .iter()
            .fold(PayloadMap::new(), |map, o| map.with(o.payload_type, o.format))
    }
}

/// The first stream that fits, or why none does.
fn first_fit<'a, T>(
    description: &'a Description,
    fits: impl Fn(&'a Media) -> Result<T, String>,
) -> Result<(usize, &'a Media, T), SdpError> {
    /// Reasons told; a body may hold many streams.
    const MOST: usize = 3;
    let mut reasons: Vec<String> = Vec::new();
    for (i, media) in description.media.iter().enumerate() {
        match fits(media) {
            Ok(found) => return Ok((i, media, found)),
            Err(reason) if reasons.len() < MOST => reasons.push(reason),
            Err(_) => {}
        }
    }
    if reasons.is_empty() {
        reasons.push("no media stream".to_owned());
    }
    Err(SdpError::NothingFits(reasons.join("; ")))
}

/// `protect`: only with keys; otherwise only in the clear.
fn choose(media: &Media, local: &Local, protect: bool) -> Result<Choice, String> {
    let remote = reachable(media, local)?;
    let cryptos = if protect {
        let theirs = media.cryptos.first().ok_or_else(|| no_key(media))?;
        // The answer has the tag of what it takes (RFC 4568 §5.1.2).
        let ours = Crypto::ours(theirs.tag, theirs.master.suite(), &local.keys);
        Some((*theirs, ours.ok_or_else(|| no_key(media))?))
    } else if media.is_protected() == Some(true) {
        return Err(format!("transport {}, but SRTP is off here", media.proto));
    } else {
        None
    };
    let formats = media.formats();
    let chosen = local
        .codecs
        .iter()
        .find_map(|codec| formats.iter().find(|o| o.codec() == Some(*codec)))
        .ok_or_else(|| no_codec(media, local))?;
    let codec = chosen.codec().ok_or_else(|| no_codec(media, local))?;
    let beside = |format| formats.iter().find(|o| o.format == format && o.clock == chosen.clock);
    Ok(Choice {
        remote,
        codec,
        cryptos,
        formats: [
            Some(chosen),
            beside(Format::TelephoneEvent),
            beside(Format::ComfortNoise),
        ]
        .into_iter()
        .flatten()
        .copied()
        .collect(),
    })
}

/// Whether the stream is one that we take at all, and where its far end is.
fn reachable(media: &Media, local: &Local) -> Result<Option<SocketAddr>, String> {
    if !media.is_audio() {
        return Err(format!("{} is not audio", media.kind));
    }
    if media.port == 0 {
        return Err("the audio stream has port 0".to_owned());
    }
    if media.is_protected().is_none() {
        return Err(format!(
            "transport {}, only RTP/AVP and RTP/SAVP are supported",
            media.proto
        ));
    }
    match &media.target {
        Target::Held | Target::Named => Ok(None),
        Target::Address(address) if address.is_multicast() || is_broadcast(*address) => {
            Err(format!("{address} is not a unicast address"))
        }
        Target::Address(address) if address.is_ipv4() != local.address.to_canonical().is_ipv4() => {
            Err(format!("{address} is of another address family than {}", local.address))
        }
        Target::Address(address) => Ok(Some(SocketAddr::new(*address, media.port))),
        Target::Missing => Err("no c= line for the audio stream".to_owned()),
        Target::Unknown(text) => Err(format!("c= address {text}")),
    }
}

fn no_key(media: &Media) -> String {
    match (media.is_protected(), media.has_crypto) {
        (_, true) => "no crypto line of a suite and form that we have".to_owned(),
        (Some(true), false) => format!("{} without a crypto line", media.proto),
        _ => "no key for SRTP, which is required here".to_owned(),
    }
}

fn is_broadcast(address: IpAddr) -> bool {
    matches!(address, IpAddr::V4(a) if a.is_broadcast())
}

fn no_codec(media: &Media, local: &Local) -> String {
    let ours: Vec<&str> = local.codecs.iter().map(|codec| codec.name()).collect();
    format!("no codec of ours ({}) among {}", ours.join(", "), media.names())
}

/// Our formats in our order. Payload types in `used` keep their meaning, new ones keep clear of them.
fn offered(local: &Local, used: &[Offered]) -> Vec<Offered> {
    let mut out: Vec<Offered> = Vec::new();
    let mut add = |format: Format, clock: u32, usual: Option<u8>| {
        if out.iter().any(|o| o.format == format && o.clock == clock) {
            return;
        }
        let free = |pt: u8, out: &[Offered]| !used.iter().chain(out).any(|o| o.payload_type == pt);
        let payload_type = match used.iter().find(|o| o.format == format && o.clock == clock) {
            Some(before) => Some(before.payload_type),
            None => usual.into_iter().chain(read::DYNAMIC).find(|pt| free(*pt, &out)),
        };
        if let Some(payload_type) = payload_type {
            out.push(Offered {
                payload_type,
                format,
                clock,
            });
        }
    };
    for codec in &local.codecs {
        let usual = match codec {
            Codec::Opus => Some(111),
            other => other.static_type(),
        };
        add(Format::Audio(*codec), codec.clock_rate(), usual);
    }
    // Events in the clock of each codec. No comfort noise: a caller that sends without gaps is easier to follow.
    for codec in &local.codecs {
        let usual = if codec.clock_rate() == 8000 { 101 } else { 110 };
        add(Format::TelephoneEvent, codec.clock_rate(), Some(usual));
    }
    out
}

/// The longest packet time that we send, within what was asked for and `maxptime` (RFC 8866 §6.4, §6.5).
fn packet_time(codec: Codec, media: &Media) -> u32 {
    codec.packet_time(media.ptime.unwrap_or(20).min(media.maxptime.unwrap_or(u32::MAX)))
}
