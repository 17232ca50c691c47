//! The small languages inside the values: durations, decibels, lines, addresses.
//!
//! Every function takes the text of a value and says in its error, as a hint, what would mend it. Hints never
//! repeat text that may hold a secret.

use std::net::{IpAddr, SocketAddr};
use std::path::{Path, PathBuf};
use std::time::Duration;

use super::plan::{AudioDevice, ContactLine, RelayLine};
use super::problem::nearest;
use crate::media::{Codec, Linear};
use crate::sip::agent::{Hop, Registrar, Transport};
use crate::sip::network::Network;
use crate::sound::level::Dbm;

/// What would mend the value; may be empty.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Hint(pub String);

fn hint<T>(text: impl Into<String>) -> Result<T, Hint> {
    Err(Hint(text.into()))
}

/// SIP's own port (RFC 3261 §19.1.2).
pub(super) const SIP_PORT: u16 = 5060;

/// A decimal number with at most nine digits on either side of the point.
fn decimal(text: &str) -> Option<f64> {
    let (whole, fraction) = text.split_once('.').unwrap_or((text, "0"));
    let digits = |t: &str| (1..=9).contains(&t.len()) && t.bytes().all(|b| b.is_ascii_digit());
    (digits(whole) && digits(fraction)).then(|| text.parse().ok()).flatten()
}

fn number_and_unit(text: &str) -> (&str, &str) {
    let text = text.trim();
    let end = text
        .find(|c: char| !c.is_ascii_digit() && c != '.')
        .unwrap_or(text.len());
    let (number, unit) = text.split_at(end);
    (number, unit.trim_start())
}

/// `opus`, `g722`, `pcmu`, `pcma`, `l16/RATE`, `l16/RATE/2`.
pub(super) fn codec(text: &str) -> Result<Codec, Hint> {
    const PLAIN: [(&str, Codec); 4] = [
        ("opus", Codec::Opus),
        ("g722", Codec::G722),
        ("pcmu", Codec::Pcmu),
        ("pcma", Codec::Pcma),
    ];
    if let Some((_, codec)) = PLAIN.iter().find(|(word, _)| *word == text) {
        return Ok(*codec);
    }
    let lower = text.to_lowercase();
    let Some(kind) = lower.strip_prefix("l16") else {
        return hint(match nearest(&lower, PLAIN.iter().map(|(word, _)| *word)) {
            Some(word) => format!("did you mean \"{word}\"?"),
            None => String::new(),
        });
    };
    let (rate, channels) = match kind.strip_prefix('/') {
        Some(kind) => kind.split_once('/').unwrap_or((kind, "1")),
        None => return hint("write its rate too: \"l16/48000\""),
    };
    let number = |t: &str| t.bytes().all(|b| b.is_ascii_digit()).then(|| t.parse().ok()).flatten();
    match (number(rate), channels) {
        (Some(rate), "1" | "2") if Linear::rates().any(|known| known == rate) => {
            let stereo = channels == "2";
            match Linear::new(rate, if stereo { 2 } else { 1 }) {
                Some(linear) if lower == text && (stereo || !kind.ends_with("/1")) => Ok(Codec::L16(linear)),
                _ => hint(format!("write \"l16/{rate}{}\"", if stereo { "/2" } else { "" })),
            }
        }
        (Some(rate), "1" | "2") => {
            let known = Linear::rates().min_by_key(|known| known.abs_diff(rate)).unwrap_or(rate);
            hint(format!("the nearest rate is {known}"))
        }
        (Some(_), _) => hint("one channel, or two: \"l16/48000\", \"l16/48000/2\""),
        (None, _) => hint("the rate is a whole number of Hz: \"l16/48000\""),
    }
}

/// `300 ms`, `1.5 s`, `2 min`, `1 h`.
pub(super) fn duration(text: &str) -> Result<Duration, Hint> {
    let (number, unit) = number_and_unit(text);
    let Some(n) = decimal(number) else {
        return hint("write a number and its unit: ms, s, min or h");
    };
    let seconds = match unit {
        "ms" => n / 1e3,
        "s" => n,
        "min" => n * 60.0,
        "h" => n * 3600.0,
        "" => return hint(format!("write the unit: \"{number} ms\" or \"{number} s\"")),
        "m" => {
            return hint(format!(
                "write minutes as \"{number} min\", milliseconds as \"{number} ms\""
            ));
        }
        "sec" | "secs" | "second" | "seconds" => return hint(format!("write \"{number} s\"")),
        "mins" | "minute" | "minutes" => return hint(format!("write \"{number} min\"")),
        "hr" | "hour" | "hours" => return hint(format!("write \"{number} h\"")),
        _ => return hint("the units are ms, s, min and h"),
    };
    // To whole microseconds, so that 0.3 s and 300 ms are the same.
    Ok(Duration::from_micros((seconds * 1e6).round() as u64))
}

/// As an installer would write it.
pub(super) fn show_duration(d: Duration) -> String {
    let ms = d.as_micros() as f64 / 1e3;
    match d.as_secs() {
        0 if ms > 0.0 => format!("{ms} ms"),
        s if s > 0 && d.subsec_nanos() == 0 && s % 3600 == 0 => format!("{} h", s / 3600),
        s if s > 0 && d.subsec_nanos() == 0 && s % 60 == 0 => format!("{} min", s / 60),
        _ => format!("{} s", ms / 1e3),
    }
}

/// `-6 dB` or `-3 dBFS`, by the unit wanted.
pub(super) fn decibels(text: &str, wanted: &str) -> Result<f32, Hint> {
    let text = text.trim();
    let (sign, rest) = match text.strip_prefix(['-', '−']) {
        Some(rest) => (-1.0, rest),
        None => (1.0, text.strip_prefix('+').unwrap_or(text)),
    };
    let (number, unit) = number_and_unit(rest);
    let minus = if sign < 0.0 { "-" } else { "" };
    let Some(n) = decimal(number) else {
        return hint(format!("write a number and the unit {wanted}"));
    };
    if unit == wanted {
        return Ok((sign * n) as f32);
    }
    hint(match unit {
        "" => format!("write the unit: \"{minus}{number} {wanted}\""),
        _ if unit.eq_ignore_ascii_case(wanted) => {
            format!("write the unit as {wanted}: \"{minus}{number} {wanted}\"")
        }
        _ if wanted == "dB" => "a gain is a ratio, in dB".to_owned(),
        _ => format!("a level is absolute, in {wanted}"),
    })
}

/// `+4 dBm`, `+4 dBu`, `1.23 V` or `775 mV`, all across 600 ohm.
pub(super) fn line_level(text: &str) -> Result<Dbm, Hint> {
    let text = text.trim();
    let (number, unit) = number_and_unit(text.trim_start_matches(['-', '−', '+']));
    let volts = match unit {
        "dBm" | "dBu" => return decibels(text, unit).map(Dbm),
        "V" => decimal(number),
        "mV" => decimal(number).map(|n| n / 1000.0),
        "" => return hint("write the unit: dBm, dBu or V"),
        "dBV" => return hint("write it in dBu: dBV and 2.2 dB more"),
        _ => return hint("the units are dBm, dBu and V, across 600 ohm"),
    };
    match volts {
        Some(v) if v > 0.0 && text.starts_with(|c: char| c.is_ascii_digit()) => Ok(Dbm::of_volts(v as f32)),
        _ => hint("write the volts as a number above 0, such as \"0.78 V\""),
    }
}

/// Where a card's audio goes.
pub(super) fn output(text: &str) -> Result<AudioDevice, Hint> {
    device(text, "aplay", "/run/hornwire/yard.wav")
}

/// Where audio is captured.
pub(super) fn input(text: &str) -> Result<AudioDevice, Hint> {
    device(text, "arecord", "/var/lib/hornwire/music.wav")
}

/// `lister` shows the names of ALSA's devices of this direction, `example` is a path of a file.
fn device(text: &str, lister: &str, example: &str) -> Result<AudioDevice, Hint> {
    if text == "null" {
        return Ok(AudioDevice::Null);
    }
    match text.split_once(':') {
        Some(("alsa", name)) if name.is_empty() || name.contains(char::is_whitespace) => {
            hint(format!("put the name that `{lister} -L` shows after \"alsa:\""))
        }
        Some(("alsa", name)) => Ok(AudioDevice::Alsa(name.to_owned())),
        Some(("wav", path)) if !Path::new(path).is_absolute() => {
            hint(format!("write the whole path from /, such as \"wav:{example}\""))
        }
        Some(("wav", path)) if path.ends_with('/') || path.contains('\0') => hint("the path must name a file"),
        Some(("wav", path)) => Ok(AudioDevice::Wav(PathBuf::from(path))),
        Some(("hw" | "plughw" | "default" | "sysdefault" | "pulse" | "dmix" | "dsnoop", _)) => {
            hint("write \"alsa:\" before the name of an ALSA device")
        }
        _ if text.starts_with('/') => hint("write \"wav:\" before the path of a file"),
        _ => hint("a sound card begins with \"alsa:\", a file with \"wav:\""),
    }
}

/// BCM numbers of a Raspberry Pi's header: 0 to 27.
const PI_LINES: u8 = 27;

/// Where a relay hangs.
pub(super) fn line(text: &str) -> Result<RelayLine, Hint> {
    if text == "simulated" {
        return Ok(RelayLine::Simulated);
    }
    let Some((chip, number)) = text.rsplit_once(':') else {
        return hint("write chip and line number, such as \"gpiochip0:17\"; `gpioinfo` lists them");
    };
    let digits = !number.is_empty() && number.len() <= 9 && number.bytes().all(|b| b.is_ascii_digit());
    let Some(offset) = digits.then(|| number.parse::<u32>().ok()).flatten() else {
        return hint("the part behind the colon is the number of the line");
    };
    if chip == "pi" {
        return match u8::try_from(offset) {
            Ok(bcm) if bcm <= PI_LINES => Ok(RelayLine::Pi { bcm }),
            _ => hint(format!(
                "a Raspberry Pi has BCM 0 to {PI_LINES}; a pin's place on the header is another number"
            )),
        };
    }
    let name = chip.strip_prefix("/dev/").unwrap_or(chip);
    let named = !name.is_empty() && !name.contains(|c: char| c.is_whitespace() || c.is_control());
    if chip.starts_with("/dev/") && named
        || chip.starts_with("gpiochip") && chip.len() > 8 && !chip.contains('/') && named
    {
        return Ok(RelayLine::Gpio {
            chip: chip.to_owned(),
            offset,
        });
    }
    hint("the chip is a name such as gpiochip0 or a path below /dev")
}

/// Where a contact comes in.
pub(super) fn contact(text: &str) -> Result<ContactLine, Hint> {
    if let Some(path) = text.strip_prefix("file:") {
        return match Path::new(path).is_absolute() && !path.ends_with('/') && !path.contains('\0') {
            true => Ok(ContactLine::File(PathBuf::from(path))),
            false => hint("write the whole path of the file from /, such as \"file:/run/hornwire/bell\""),
        };
    }
    match line(text)? {
        RelayLine::Gpio { chip, offset } => Ok(ContactLine::Gpio { chip, offset }),
        RelayLine::Pi { bcm } => hint(format!(
            "on a Raspberry Pi write \"gpiochip0:{bcm}\" (\"gpiochip4:{bcm}\" on some): the number is the same"
        )),
        RelayLine::Simulated => hint("for a trial write \"file:/run/hornwire/bell\": closed while the file is there"),
    }
}

/// `udp:192.0.2.7:5060`.
pub(super) fn listen(text: &str) -> Result<(Transport, SocketAddr), Hint> {
    let (transport, address) = match text.split_once(':') {
        Some(("udp", a)) => (Transport::Udp, a),
        Some(("tcp", a)) => (Transport::Tcp, a),
        Some(("tls", a)) => (Transport::Tls, a),
        Some(("ws" | "wss", _)) => return hint("the transports are udp, tcp and tls"),
        _ => return hint("begin with \"udp:\", \"tcp:\" or \"tls:\""),
    };
    let Ok(address) = address.parse::<SocketAddr>() else {
        return hint(match address.parse::<IpAddr>() {
            Ok(IpAddr::V4(a)) => format!(
                "add the port: \"{a}:{}\" behind the transport",
                transport.default_port()
            ),
            Ok(IpAddr::V6(a)) => {
                let port = transport.default_port();
                format!("add brackets and the port: \"[{a}]:{port}\" behind the transport")
            }
            Err(_) => "write an address of this machine and a port; 0.0.0.0 is every IPv4 address, [::] every IPv6 one"
                .to_owned(),
        });
    };
    // Sockets for IPv6 take no IPv4, not even in its mapped form.
    let address = match address.ip().to_canonical() {
        ip @ IpAddr::V4(_) => SocketAddr::new(ip, address.port()),
        IpAddr::V6(_) => address,
    };
    if address.port() == 0 {
        return hint("the port is 1 to 65535");
    }
    if address.ip().is_multicast() || address.ip() == IpAddr::from([255, 255, 255, 255]) {
        return hint("listen on an address of this machine; multicast belongs in [groups.NAME]");
    }
    Ok((transport, address))
}

/// First and last port: `16384-16484`.
pub(super) fn ports(text: &str) -> Result<(u16, u16), Hint> {
    let pair = text
        .split_once('-')
        .map(|(a, b)| (a.trim().parse::<u16>(), b.trim().parse::<u16>()));
    let Some((Ok(first), Ok(last))) = pair else {
        return hint("write the first and the last port with a hyphen between");
    };
    if first < 1024 {
        return hint("ports below 1024 are reserved for the system");
    }
    if first % 2 != 0 {
        return hint("begin with an even port: RTP takes the even one, RTCP the next (RFC 3550 §11)");
    }
    if u32::from(last) < u32::from(first) + 7 {
        return hint("leave room for at least eight ports: a call takes two");
    }
    Ok((first, last))
}

/// `sip:pbx.quayside.example:5060;transport=tcp`. A URI with a user or a password is refused without repeating it.
pub(super) fn registrar(text: &str) -> Result<Registrar, Hint> {
    let scheme = text.split_once(':').map(|(s, _)| s.to_ascii_lowercase());
    let (secure, rest) = match scheme.as_deref() {
        Some("sip") => (false, text.get(4..).unwrap_or_default()),
        Some("sips") => (true, text.get(5..).unwrap_or_default()),
        _ => return hint("begin with \"sip:\" or \"sips:\""),
    };
    if rest.contains('@') {
        return hint("no user or password here: the number goes into `user`, the password into the secrets file");
    }
    if rest.contains(|c: char| c == ',' || c.is_whitespace()) {
        return hint("several are a list, each in quotes of its own: [\"sip:HOST\", \"sip:HOST\"]");
    }
    let mut parts = rest.split(';');
    let (host, port) = host_and_port(parts.next().unwrap_or_default())?;
    let mut transport = None;
    for part in parts {
        let part = part.to_ascii_lowercase();
        transport = match part.as_str() {
            "transport=udp" => Some(Transport::Udp),
            "transport=tcp" => Some(Transport::Tcp),
            "transport=tls" => Some(Transport::Tls),
            _ => return hint("the only parameter is ;transport=udp, ;transport=tcp or ;transport=tls"),
        };
        // RFC 3261 §26.2.2: sips is TLS over a stream, which older URIs call ;transport=tcp.
        transport = match (secure, transport) {
            (true, Some(Transport::Udp)) => return hint("sips: goes by TLS, not by UDP: take the parameter off"),
            (true, _) => Some(Transport::Tls),
            (false, other) => other,
        };
    }
    Ok(Registrar {
        hop: Hop {
            host,
            port,
            transport,
            secure,
        },
        proxies: Vec::new(),
    })
}

fn host_and_port(text: &str) -> Result<(String, Option<u16>), Hint> {
    let port = |t: &str| match t.parse::<u16>() {
        Ok(p) if p > 0 && t.bytes().all(|b| b.is_ascii_digit()) => Ok(p),
        _ => hint("the port is 1 to 65535"),
    };
    if let Some(rest) = text.strip_prefix('[') {
        let Some((address, behind)) = rest.split_once(']') else {
            return hint("the bracket of the IPv6 address is not closed");
        };
        if address.parse::<std::net::Ipv6Addr>().is_err() {
            return hint("the part in brackets is not an IPv6 address");
        }
        let port = match behind.strip_prefix(':') {
            Some(p) => Some(port(p)?),
            None if behind.is_empty() => None,
            None => return hint("write [address]:port"),
        };
        return Ok((address.to_ascii_lowercase(), port));
    }
    if text.parse::<std::net::Ipv6Addr>().is_ok() {
        return hint("an IPv6 address stands in brackets: \"sip:[2001:db8::7]\"");
    }
    let (host, port) = match text.split_once(':') {
        Some((h, p)) => (h, Some(port(p)?)),
        None => (text, None),
    };
    if !is_host(host) {
        return hint("behind \"sip:\" comes a host name or an address");
    }
    Ok((host.to_ascii_lowercase(), port))
}

/// Host names as in RFC 3261 §25.1, and IPv4 addresses.
fn is_host(text: &str) -> bool {
    if text.parse::<std::net::Ipv4Addr>().is_ok() {
        return true;
    }
    let label = |l: &str| {
        (1..=63).contains(&l.len())
            && l.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-')
            && !l.starts_with('-')
            && !l.ends_with('-')
    };
    let name = text.strip_suffix('.').unwrap_or(text);
    let letters = name
        .rsplit('.')
        .next()
        .is_some_and(|top| !top.bytes().all(|b| b.is_ascii_digit()));
    name.len() <= 253 && letters && name.split('.').all(label)
}

/// The user part of a SIP URI (RFC 3261 §25.1), without a password.
pub(super) fn user(text: &str) -> Result<String, Hint> {
    if text.is_empty() || text.len() > 128 {
        return hint("1 to 128 characters");
    }
    if text.contains([':', '@']) {
        return hint("only the number or name in front of the @; passwords go into the secrets file");
    }
    let mut rest = text.bytes();
    while let Some(b) = rest.next() {
        let fine = match b {
            b'%' => [rest.next(), rest.next()]
                .iter()
                .all(|b| b.is_some_and(|b| b.is_ascii_hexdigit())),
            _ => b.is_ascii_alphanumeric() || b"-_.!~*'()&=+$,;?/".contains(&b),
        };
        if !fine {
            return hint("letters, digits and - _ . ! ~ * ' ( ) & = + $ , ; ? / (write others as %HH)");
        }
    }
    Ok(text.to_owned())
}

/// Who may call. Blocks that no site has are refused: a loudspeaker is not for the whole world.
pub(super) fn network(text: &str) -> Result<Network, Hint> {
    let Ok(network) = text.parse::<Network>() else {
        return hint(match text.split_once('/') {
            Some((address, _)) if address.parse::<IpAddr>().is_ok() => {
                "the number behind the / is 0 to 32 for IPv4, 0 to 128 for IPv6"
            }
            _ => "write numbers, such as \"192.0.2.0/24\" or \"192.0.2.7\"; names are not looked up here",
        });
    };
    // 10.0.0.0/8 (RFC 1918) and fc00::/7 (RFC 4193) are the largest private blocks.
    let prefix = text
        .split_once('/')
        .and_then(|(address, p)| Some((address.contains(':'), p.parse::<u8>().ok()?)));
    match prefix {
        Some((false, 0..8)) | Some((true, 0..7)) => {
            hint("this lets half the world page; write the network of the phones or of the gateway")
        }
        _ => Ok(network),
    }
}

/// The block that `text` really stands for, when its address is not the block's first.
pub(super) fn host_bits(text: &str) -> Option<String> {
    let (address, prefix) = text.split_once('/')?;
    let prefix = prefix.parse::<u32>().ok()?;
    let first = match address.parse::<IpAddr>().ok()? {
        IpAddr::V4(a) => {
            let mask = u32::MAX.checked_shl(32_u32.checked_sub(prefix)?).unwrap_or(0);
            IpAddr::from((u32::from(a) & mask).to_be_bytes())
        }
        IpAddr::V6(a) => {
            let mask = u128::MAX.checked_shl(128_u32.checked_sub(prefix)?).unwrap_or(0);
            IpAddr::from((u128::from(a) & mask).to_be_bytes())
        }
    };
    (address.parse::<IpAddr>().ok()? != first).then(|| format!("{first}/{prefix}"))
}

/// An address and a TCP port of this machine.
pub(super) fn listener(text: &str) -> Result<SocketAddr, Hint> {
    match text.parse::<SocketAddr>() {
        Ok(address) if address.ip().is_multicast() => hint("a multicast address is nobody's own: take 127.0.0.1"),
        Ok(address) if address.port() < 1024 => hint("the port is 1024 to 65535"),
        Ok(address) => Ok(address),
        Err(_) => hint(match text.parse::<IpAddr>() {
            Ok(IpAddr::V4(a)) => format!("add the port: \"{a}:9745\""),
            Ok(IpAddr::V6(a)) => format!("add brackets and the port: \"[{a}]:9745\""),
            Err(_) => "write address and port: \"127.0.0.1:9745\", for IPv6 with brackets: \"[::1]:9745\"".to_owned(),
        }),
    }
}

/// Where a group sends: a multicast address that may be joined, and a port.
pub(super) fn multicast(text: &str) -> Result<SocketAddr, Hint> {
    let Ok(address) = text.parse::<SocketAddr>() else {
        return hint(match text.parse::<IpAddr>() {
            Ok(IpAddr::V4(a)) => format!("add the port: \"{a}:5004\""),
            Ok(IpAddr::V6(a)) => format!("add brackets and the port: \"[{a}]:5004\""),
            Err(_) => "write address and port, for IPv6 with brackets: \"[ff15::db8:1]:5004\"".to_owned(),
        });
    };
    if address.port() < 1024 {
        return hint("the port is 1024 to 65535");
    }
    match address.ip() {
        IpAddr::V4(a) if !a.is_multicast() => {
            hint("IPv4 multicast is 224.0.1.0 to 239.255.255.255; for one site take 239.255.0.0/16 (RFC 2365)")
        }
        IpAddr::V4(a) if a.octets()[..3] == [224, 0, 0] => {
            hint("224.0.0.0/24 is the network's own (RFC 5771 §4); for one site take 239.255.0.0/16 (RFC 2365)")
        }
        IpAddr::V4(a) if a.octets()[0] == 232 => {
            hint("232.0.0.0/8 needs the sender's address to be joined (RFC 4607); take one in 239.255.0.0/16")
        }
        IpAddr::V6(a) if !a.is_multicast() => hint("IPv6 multicast begins with ff; for one site take ff15::/16"),
        IpAddr::V6(a) if a.segments()[0] & 0xf0f0 == 0xf000 && a.segments()[0] & 0xf == 2 => {
            hint("ff02::/16 is the network's own (RFC 4291 §2.7.1); for one link take ff12::/16")
        }
        IpAddr::V6(a) if a.segments()[0] & 0xf0 == 0x30 && a.segments()[1] == 0 => {
            hint("ff3x::/32 needs the sender's address to be joined (RFC 4607); for one site take ff15::/16")
        }
        _ => Ok(address),
    }
}

/// A network interface's name, or one of its addresses.
pub(super) fn interface(text: &str) -> Result<String, Hint> {
    if let Ok(address) = text.parse::<IpAddr>() {
        if address.is_unspecified() || address.is_multicast() {
            return hint("name the interface, or write the address that it has");
        }
        return Ok(address.to_string());
    }
    // IFNAMSIZ is 16 with the closing zero; the kernel refuses slashes, colons and white space.
    let fine = (1..=15).contains(&text.len())
        && text.bytes().all(|b| b.is_ascii_graphic() && b != b'/' && b != b':')
        && text != "."
        && text != "..";
    if fine {
        Ok(text.to_owned())
    } else {
        hint("`ip address` lists the names, such as eth0")
    }
}

/// A name that this file gives to something.
pub(super) fn name(text: &str) -> bool {
    (1..=32).contains(&text.len())
        && text
            .bytes()
            .all(|b| b.is_ascii_alphanumeric() || b == b'-' || b == b'_')
        && text.bytes().next().is_some_and(|b| b.is_ascii_alphanumeric())
}

/// An address to announce to the far end.
pub(super) fn advertise(text: &str) -> Result<IpAddr, Hint> {
    match text.parse::<IpAddr>() {
        Ok(a) if a.is_unspecified() || a.is_multicast() => hint("callers must be able to send to it"),
        Ok(a) => Ok(a.to_canonical()),
        Err(_) => hint("write one IPv4 or IPv6 address, without a port"),
    }
}

#[cfg(test)]
mod tests;
