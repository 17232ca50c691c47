//! Keys in session descriptions: `a=crypto` (RFC 4568).
//!
//! A line that is not understood whole is passed over, as if it were not there (RFC 4568 §5.1.2): an unknown suite, a
//! key of the wrong length, a master key identifier (no more than one key is wanted of a caller), session parameters
//! that change how packets are protected.

use rand::{RngCore as _, SeedableRng as _};
use rand_chacha::ChaCha12Rng;

use crate::media::srtp::{MAX_MASTER, Master, Suite};

/// Longest lifetime, packets: 2^48 (RFC 3711 §9.2).
const MAX_LIFETIME: u64 = 1 << 48;
/// The smallest window size hint (RFC 4568 §6.3.7).
const MIN_WINDOW: u32 = 64;
/// Most digits of a tag (RFC 4568 §9.1).
const MAX_TAG_DIGITS: usize = 9;
/// Lines read of one stream.
pub(super) const MAX_LINES: usize = 16;

/// What is done about SRTP.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Policy {
    /// Streams in the clear only.
    Off,
    /// A protected stream comes before one in the clear. `offer`: our own offer says so too.
    Prefer { offer: bool },
    /// Protected streams only.
    Require,
}

impl Policy {
    /// Whether our own offer has keys.
    pub fn offers_keys(self) -> bool {
        matches!(self, Policy::Require | Policy::Prefer { offer: true })
    }
}

/// What our keys are made from; never printed.
#[derive(Clone, PartialEq, Eq)]
pub struct KeySeed(pub [u8; 32]);

impl std::fmt::Debug for KeySeed {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("KeySeed(…)")
    }
}

impl KeySeed {
    /// Our key for a suite; each suite has its own.
    fn master(&self, suite: Suite) -> Option<Master> {
        let mut random = ChaCha12Rng::from_seed(self.0);
        for candidate in Suite::ALL {
            let mut octets = [0; MAX_MASTER];
            random.fill_bytes(&mut octets);
            if candidate == suite {
                return Master::new(suite, octets.get(..suite.master_len())?);
            }
        }
        None
    }
}

/// The keys of a protected stream. Printed without them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Keys {
    /// What the far end protects with.
    pub theirs: Master,
    /// What we protect with.
    pub ours: Master,
}

/// One `a=crypto` line that can be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Crypto {
    pub tag: u32,
    pub master: Master,
}

impl Crypto {
    /// `<tag> <suite> <key parameters> [<session parameters>]` (RFC 4568 §4).
    pub fn parse(value: &str) -> Option<Crypto> {
        let mut fields = value.split_ascii_whitespace();
        let tag = fields.next().filter(|t| t.len() <= MAX_TAG_DIGITS).and_then(number)?;
        let suite = Suite::from_name(fields.next()?)?;
        let key = fields.next()?;
        if !fields.all(is_harmless) {
            return None;
        }
        Some(Crypto {
            tag: u32::try_from(tag).ok()?,
            master: key_parameter(suite, key)?,
        })
    }

    /// Our own line for a suite.
    pub fn ours(tag: u32, suite: Suite, seed: &KeySeed) -> Option<Crypto> {
        let master = seed.master(suite)?;
        Some(Crypto { tag, master })
    }

    /// The value of the attribute, without lifetime: the default is the longest (RFC 4568 §6.1).
    pub fn value(&self) -> String {
        let Crypto { tag, master } = self;
        format!("{tag} {} inline:{}", master.suite().name(), encode(master.reveal()))
    }
}

/// Our lines in an offer, strongest first, with tags from 1.
pub(super) fn offered(seed: &KeySeed) -> Vec<Crypto> {
    (1..)
        .zip(Suite::ALL)
        .filter_map(|(tag, suite)| Crypto::ours(tag, suite, seed))
        .collect()
}

/// `inline:<key and salt>[|<lifetime>]` (RFC 4568 §6.1).
fn key_parameter(suite: Suite, text: &str) -> Option<Master> {
    let (method, info) = text.split_once(':')?;
    if !method.eq_ignore_ascii_case("inline") {
        return None;
    }
    let mut parts = info.split('|');
    let octets = decode(parts.next()?)?;
    if let Some(lifetime) = parts.next() {
        let packets = match lifetime.strip_prefix("2^") {
            Some(power) => number(power)
                .and_then(|p| u32::try_from(p).ok())
                .and_then(|p| 1u64.checked_shl(p))?,
            // An identifier without a lifetime ends here too.
            None => number(lifetime)?,
        };
        if !(1..=MAX_LIFETIME).contains(&packets) {
            return None;
        }
    }
    if parts.next().is_some() {
        return None;
    }
    Master::new(suite, &octets)
}

/// Session parameters that change nothing for us (RFC 4568 §6.3): the hint about the sender's window, and what its
/// sender marks as optional.
fn is_harmless(parameter: &str) -> bool {
    match parameter.split_once('=') {
        Some((name, size)) if name.eq_ignore_ascii_case("WSH") => {
            number(size).is_some_and(|n| n >= u64::from(MIN_WINDOW))
        }
        _ => parameter.starts_with('-'),
    }
}

/// Digits only.
fn number(text: &str) -> Option<u64> {
    if text.bytes().all(|b| b.is_ascii_digit()) {
        text.parse().ok()
    } else {
        None
    }
}

const ALPHABET: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";

/// Base64 (RFC 4648 §4) with padding.
fn encode(octets: &[u8]) -> String {
    let mut text = String::with_capacity(octets.len().div_ceil(3) * 4);
    for three in octets.chunks(3) {
        let bits = three
            .iter()
            .enumerate()
            .fold(0, |b, (i, o)| b | u32::from(*o) << (16 - 8 * i));
        for i in 0..4 {
            text.push(if i <= three.len() {
                char::from(ALPHABET[(bits >> (18 - 6 * i)) as usize & 63])
            } else {
                '='
            });
        }
    }
    text
}

/// Base64 (RFC 4648 §4); the padding may be left out, but is not wrong. Bits that belong to no octet are 0.
fn decode(text: &str) -> Option<Vec<u8>> {
    const MOST: usize = MAX_MASTER.div_ceil(3) * 4;
    let bare = text.trim_end_matches('=');
    let padding = text.len() - bare.len();
    if text.len() > MOST || bare.len() % 4 == 1 || padding != 0 && (padding > 2 || !text.len().is_multiple_of(4)) {
        return None;
    }
    let mut octets = Vec::with_capacity(MAX_MASTER);
    let (mut bits, mut count) = (0u32, 0);
    for letter in bare.bytes() {
        let six = ALPHABET.iter().position(|a| *a == letter)?;
        bits = bits << 6 | six as u32;
        count += 6;
        if count >= 8 {
            count -= 8;
            octets.push((bits >> count) as u8);
            bits &= (1 << count) - 1;
        }
    }
    (bits == 0).then_some(octets)
}

/// A key as the secrets file holds it: base64 or hexadecimal, key and salt one behind the other.
pub fn written_key(suite: Suite, text: &str) -> Option<Master> {
    let text = text.trim();
    let hex = text.len() == 2 * suite.master_len() && text.bytes().all(|b| b.is_ascii_hexdigit());
    let octets = if hex {
        (0..text.len())
            .step_by(2)
            .map(|i| u8::from_str_radix(text.get(i..i + 2)?, 16).ok())
            .collect::<Option<Vec<u8>>>()?
    } else {
        decode(text)?
    };
    Master::new(suite, &octets)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const KEY: &str = "PS1uQCVeeCFCanVmcjkpPywjNWhcYD0mXXtxaVBR";

    fn parsed(rest: &str) -> Option<Crypto> {
        Crypto::parse(&format!("1 AES_CM_128_HMAC_SHA1_80 inline:{KEY}{rest}"))
    }

    /// RFC 4568 §6: its own example; the octets as Python's base64 decodes them.
    #[test]
    fn the_key_of_the_rfc() {
        let crypto = parsed("").unwrap();
        assert_eq!((crypto.tag, crypto.master.suite()), (1, Suite::Aes128Tag80));
        let hex: String = crypto.master.reveal().iter().map(|o| format!("{o:02x}")).collect();
        assert_eq!(hex, "3d2d6e40255e7821426a75667239293f2c2335685c603d265d7b71695051");
        assert_eq!(crypto.value(), format!("1 AES_CM_128_HMAC_SHA1_80 inline:{KEY}"));
        assert!(!format!("{crypto:?}").contains("61"), "no key in {crypto:?}");
    }

    /// RFC 4568 §6.1, §6.3, §9.
    #[test]
    fn lifetimes_and_parameters() {
        for fine in [
            "|2^20",
            "|2^48",
            "|1048576",
            "|281474976710656",
            " WSH=64",
            " WSH=1024",
            " -FANCY=yes",
            "|2^31 WSH=128",
        ] {
            assert!(parsed(fine).is_some(), "{fine}");
        }
        for not in [
            "|2^20|1:4",
            "|1:4",
            "|2^49",
            "|0",
            "|281474976710657",
            "|",
            "|2^",
            "|2^99",
            "|+5",
            " KDR=1",
            " UNENCRYPTED_SRTP",
            " UNENCRYPTED_SRTCP",
            " UNAUTHENTICATED_SRTP",
            " FEC_ORDER=FEC_SRTP",
            " FEC_KEY=inline:PS1uQCVeeCFCanVmcjkpPywjNWhcYD0mXXtxaVBR",
            " WSH=63",
            " WSH",
            " FANCY",
            ";inline:PS1uQCVeeCFCanVmcjkpPywjNWhcYD0mXXtxaVBR|2^20|2:4",
        ] {
            assert!(parsed(not).is_none(), "{not}");
        }
        for not in [
            "",
            "1",
            "x AES_CM_128_HMAC_SHA1_80 inline:PS1uQCVeeCFCanVmcjkpPywjNWhcYD0mXXtxaVBR",
            "1234567890 AES_CM_128_HMAC_SHA1_80 inline:PS1uQCVeeCFCanVmcjkpPywjNWhcYD0mXXtxaVBR",
            "1 F8_128_HMAC_SHA1_80 inline:PS1uQCVeeCFCanVmcjkpPywjNWhcYD0mXXtxaVBR",
            "1 AES_256_CM_HMAC_SHA1_80 inline:PS1uQCVeeCFCanVmcjkpPywjNWhcYD0mXXtxaVBR",
            "1 AES_CM_128_HMAC_SHA1_80 PS1uQCVeeCFCanVmcjkpPywjNWhcYD0mXXtxaVBR",
            "1 AES_CM_128_HMAC_SHA1_80 uri:PS1uQCVeeCFCanVmcjkpPywjNWhcYD0mXXtxaVBR",
            "1 AES_CM_128_HMAC_SHA1_80 inline:PS1uQCVeeCFCanVmcjkpPywjNWhcYD0mXXtxaVB",
            "1 AES_CM_128_HMAC_SHA1_80 inline:PS1uQCVeeCFCanVmcjkpPywjNWhcYD0mXXtxaVBR=",
            "1 AES_CM_128_HMAC_SHA1_80 inline:PS1uQCVeeCFCanVmcjkpPywjNWhcYD0mXXtxaVBRUVFR",
            "1 AES_CM_128_HMAC_SHA1_80 inline:PS1uQCVeeCFCanVmcjkp_ywjNWhcYD0mXXtxaVBR",
        ] {
            assert!(Crypto::parse(not).is_none(), "{not}");
        }
    }

    /// RFC 4648 §10.
    #[test]
    fn base64() {
        for (plain, text) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
        ] {
            assert_eq!(encode(plain.as_bytes()), text);
            assert_eq!(decode(text).unwrap(), plain.as_bytes());
            assert_eq!(decode(text.trim_end_matches('=')).unwrap(), plain.as_bytes());
        }
        for not in [
            "Z", "Zg=", "Zh==", "Zg===", "Z===", "Zm9v=", "Zm9v====", "Zm 9", "=", "Zg==Zg==",
        ] {
            assert_eq!(decode(not), None, "{not}");
        }
    }

    #[test]
    fn every_suite_has_a_key_of_its_own() {
        let lines = offered(&KeySeed([7; 32]));
        assert_eq!(lines.len(), 4);
        for (i, line) in lines.iter().enumerate() {
            assert_eq!(Crypto::parse(&line.value()), Some(*line), "46 octets are padded");
            assert!(
                lines
                    .iter()
                    .skip(i + 1)
                    .all(|l| l.master.reveal()[..16] != line.master.reveal()[..16])
            );
        }
        assert_ne!(lines, offered(&KeySeed([8; 32])));
        assert_eq!(format!("{:?}", KeySeed([7; 32])), "KeySeed(…)");
    }

    #[test]
    fn keys_in_the_secrets_file() {
        let of = |text: &str| written_key(Suite::Aes128Tag80, text);
        let key = of(KEY).unwrap();
        assert_eq!(
            of("3D2d6e40255e7821426a75667239293f2c2335685c603d265d7b71695051"),
            Some(key)
        );
        assert_eq!(of("3d2d6e40255e7821426a75667239293f2c2335685c603d265d7b716950"), None);
        assert_eq!(written_key(Suite::Aes256Tag80, KEY), None);
    }

    proptest! {
        #[test]
        fn any_text(text in "\\PC*", key in "[A-Za-z0-9+/=|:^ ]{0,80}") {
            let _ = Crypto::parse(&text);
            let _ = Crypto::parse(&format!("1 AES_CM_128_HMAC_SHA1_80 inline:{key}"));
            let _ = written_key(Suite::Aes128Tag80, &text);
        }

        #[test]
        fn base64_both_ways(octets in prop::collection::vec(any::<u8>(), 0..=46)) {
            prop_assert_eq!(decode(&encode(&octets)), Some(octets));
        }
    }
}
