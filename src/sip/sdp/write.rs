//! From what was chosen to a body.

use std::fmt::Write as _;
use std::net::IpAddr;

use super::crypto::Crypto;
use super::read::Media;
use super::{Direction, Local, Offered};
use crate::media::{Codec, Format};

/// One open stream.
pub(super) struct Line<'a> {
    pub port: u16,
    pub proto: &'a str,
    pub formats: &'a [Offered],
    pub ptime: u32,
    pub direction: Direction,
    pub rtcp_mux: bool,
    /// What we protect with.
    pub cryptos: &'a [Crypto],
}

impl<'a> Line<'a> {
    /// A stream as we offer it.
    pub fn offering(local: &Local, formats: &'a [Offered]) -> Line<'a> {
        Line {
            port: local.rtp_port,
            proto: "RTP/AVP",
            formats,
            ptime: formats
                .iter()
                .find_map(Offered::codec)
                .map_or(20, |codec| codec.packet_time(20)),
            direction: Direction::SendRecv,
            rtcp_mux: false,
            cryptos: &[],
        }
    }
}

/// Writes the lines in the order of RFC 8866 §5.
pub(super) struct Writer {
    out: String,
}

impl Writer {
    /// `times` are the offer's `t=` lines: the answer repeats them (RFC 3264 §6).
    pub fn new(local: &Local, times: &[String]) -> Writer {
        let mut writer = Writer { out: String::new() };
        let family = match local.address {
            IpAddr::V4(_) => "IP4",
            IpAddr::V6(_) => "IP6",
        };
        let Local {
            address,
            session_id,
            version,
            ..
        } = local;
        writer.line("v=0");
        writer.line(&format!("o=- {session_id} {version} IN {family} {address}"));
        writer.line("s=-");
        writer.line(&format!("c=IN {family} {address}"));
        if times.is_empty() {
            writer.line("t=0 0");
        }
        for time in times {
            writer.line(time);
        }
        writer
    }

    pub fn stream(&mut self, line: &Line<'_>) {
        let mut text = format!("m=audio {} {}", line.port, shown(line.proto));
        for offered in line.formats {
            let _ = write!(text, " {}", offered.payload_type);
        }
        self.line(&text);
        for offered in line.formats {
            self.format(offered);
        }
        self.line(&format!("a=ptime:{}", line.ptime));
        self.line(&format!("a={}", line.direction.attribute()));
        if line.rtcp_mux {
            self.line("a=rtcp-mux");
        }
        for crypto in line.cryptos {
            self.line(&format!("a=crypto:{}", crypto.value()));
        }
    }

    /// A stream that is refused: port 0, at least one format (RFC 3264 §6).
    pub fn refused(&mut self, media: &Media) {
        let text = format!(
            "m={} 0 {} {}",
            shown(&media.kind),
            shown(&media.proto),
            shown(media.first_format())
        );
        self.line(&text);
    }

    pub fn finish(self) -> Vec<u8> {
        self.out.into_bytes()
    }

    fn format(&mut self, offered: &Offered) {
        let pt = offered.payload_type;
        match offered.format {
            Format::Audio(Codec::Opus) => {
                // Two channels on paper, whatever is sent (RFC 7587 §7). One is all that a horn plays.
                self.line(&format!("a=rtpmap:{pt} opus/48000/2"));
                self.line(&format!("a=fmtp:{pt} useinbandfec=1;stereo=0;sprop-stereo=0"));
            }
            // One channel need not be told (RFC 8866 §6.6).
            Format::Audio(Codec::L16(linear)) if linear.channels() > 1 => {
                self.line(&format!("a=rtpmap:{pt} L16/{}/{}", linear.rate(), linear.channels()));
            }
            Format::Audio(codec) => self.line(&format!("a=rtpmap:{pt} {}/{}", codec.encoding(), codec.clock_rate())),
            Format::TelephoneEvent => {
                self.line(&format!("a=rtpmap:{pt} telephone-event/{}", offered.clock));
                self.line(&format!("a=fmtp:{pt} 0-15"));
            }
            Format::ComfortNoise => self.line(&format!("a=rtpmap:{pt} CN/{}", offered.clock)),
        }
    }

    fn line(&mut self, text: &str) {
        self.out.push_str(text);
        self.out.push_str("\r\n");
    }
}

/// A field of the far end's, fit to be sent back: visible ASCII only.
fn shown(field: &str) -> String {
    let plain: String = field
        .chars()
        .map(|c| if c.is_ascii_graphic() { c } else { '?' })
        .collect();
    if plain.is_empty() { "-".to_owned() } else { plain }
}
