//! Suites, master keys, and what is derived from them (RFC 3711 §4.3).

use aes::cipher::{InnerIvInit, KeyInit, StreamCipher, StreamCipherCoreWrapper};
use aes::{Aes128Enc, Aes256Enc};
use ctr::CtrCore;
use ctr::flavors::Ctr128BE;
use hmac::{Hmac, Mac};
use sha1::Sha1;
use subtle::ConstantTimeEq;

/// Longest master key with its salt, octets.
pub const MAX_MASTER: usize = 32 + SALT;
/// Master and session salt, octets (RFC 3711 §5.3, RFC 6188 §3).
const SALT: usize = 14;
/// Session key of HMAC-SHA1, octets (RFC 3711 §5.2).
const AUTH_KEY: usize = 20;

/// A crypto suite, as session descriptions name it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Suite {
    /// `AES_CM_128_HMAC_SHA1_80` (RFC 4568 §6.2.1).
    Aes128Tag80,
    /// `AES_CM_128_HMAC_SHA1_32` (RFC 4568 §6.2.2).
    Aes128Tag32,
    /// `AES_256_CM_HMAC_SHA1_80` (RFC 6188 §4).
    Aes256Tag80,
    /// `AES_256_CM_HMAC_SHA1_32` (RFC 6188 §4).
    Aes256Tag32,
}

impl Suite {
    /// Strongest first; of tags, the long one.
    pub const ALL: [Suite; 4] = [
        Suite::Aes256Tag80,
        Suite::Aes128Tag80,
        Suite::Aes256Tag32,
        Suite::Aes128Tag32,
    ];

    /// The name in session descriptions.
    pub fn name(self) -> &'static str {
        match self {
            Suite::Aes128Tag80 => "AES_CM_128_HMAC_SHA1_80",
            Suite::Aes128Tag32 => "AES_CM_128_HMAC_SHA1_32",
            Suite::Aes256Tag80 => "AES_256_CM_HMAC_SHA1_80",
            Suite::Aes256Tag32 => "AES_256_CM_HMAC_SHA1_32",
        }
    }

    pub fn from_name(name: &str) -> Option<Suite> {
        Suite::ALL.into_iter().find(|s| s.name().eq_ignore_ascii_case(name))
    }

    /// Octets of the master key.
    pub fn key_len(self) -> usize {
        match self {
            Suite::Aes128Tag80 | Suite::Aes128Tag32 => 16,
            Suite::Aes256Tag80 | Suite::Aes256Tag32 => 32,
        }
    }

    /// Octets of the master key and its salt together.
    pub fn master_len(self) -> usize {
        self.key_len() + SALT
    }

    /// Octets of an SRTP packet's tag. SRTCP's has 80 bits in every suite (RFC 4568 §6.2, RFC 6188 §4).
    pub(super) fn tag_len(self) -> usize {
        match self {
            Suite::Aes128Tag80 | Suite::Aes256Tag80 => 10,
            Suite::Aes128Tag32 | Suite::Aes256Tag32 => 4,
        }
    }
}

/// A master key with its salt. Never printed.
#[derive(Clone, Copy)]
pub struct Master {
    suite: Suite,
    octets: [u8; MAX_MASTER],
}

impl Master {
    /// `octets` are key and salt, one behind the other; `None` unless they are [`Suite::master_len`].
    pub fn new(suite: Suite, octets: &[u8]) -> Option<Master> {
        let mut master = Master {
            suite,
            octets: [0; MAX_MASTER],
        };
        if octets.len() != suite.master_len() {
            return None;
        }
        master.octets.get_mut(..octets.len())?.copy_from_slice(octets);
        Some(master)
    }

    pub fn suite(&self) -> Suite {
        self.suite
    }

    /// Key and salt, one behind the other.
    pub fn reveal(&self) -> &[u8] {
        &self.octets[..self.suite.master_len()]
    }
}

impl PartialEq for Master {
    fn eq(&self, other: &Master) -> bool {
        self.suite == other.suite && bool::from(self.octets.ct_eq(&other.octets))
    }
}

impl Eq for Master {}

impl std::fmt::Debug for Master {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Master({}, …)", self.suite.name())
    }
}

/// AES as a counter-mode key stream.
#[derive(Clone)]
enum Aes {
    /// The key schedules, a few hundred octets.
    K128(Box<Aes128Enc>),
    K256(Box<Aes256Enc>),
}

impl Aes {
    /// 32 octets make AES-256, 16 AES-128.
    fn new(key: &[u8]) -> Option<Aes> {
        match key.len() {
            16 => Aes128Enc::new_from_slice(key).ok().map(|aes| Aes::K128(Box::new(aes))),
            32 => Aes256Enc::new_from_slice(key).ok().map(|aes| Aes::K256(Box::new(aes))),
            _ => None,
        }
    }

    /// Exclusive-or with the key stream from counter block `iv` on.
    fn apply(&self, iv: u128, data: &mut [u8]) {
        let iv = iv.to_be_bytes();
        // Only a key stream of 2^128 blocks can run out.
        let _ = match self {
            Aes::K128(aes) => {
                let core = CtrCore::<_, Ctr128BE>::inner_iv_init(&**aes, &iv.into());
                StreamCipherCoreWrapper::from_core(core).try_apply_keystream(data)
            }
            Aes::K256(aes) => {
                let core = CtrCore::<_, Ctr128BE>::inner_iv_init(&**aes, &iv.into());
                StreamCipherCoreWrapper::from_core(core).try_apply_keystream(data)
            }
        };
    }
}

/// What protects one kind of packet, RTP or RTCP.
#[derive(Clone)]
pub(super) struct Session {
    cipher: Aes,
    mac: Hmac<Sha1>,
    /// As in the counter block: shifted left by 16 (RFC 3711 §4.1.1).
    salt: u128,
    pub tag_len: usize,
}

/// Labels of RFC 3711 §4.3.2: cipher key, authentication key, salt.
const RTP_LABELS: [u8; 3] = [0, 1, 2];
const RTCP_LABELS: [u8; 3] = [3, 4, 5];

impl Session {
    pub fn rtp(master: &Master) -> Session {
        Session::derive(master, RTP_LABELS, master.suite.tag_len())
    }

    pub fn rtcp(master: &Master) -> Session {
        Session::derive(master, RTCP_LABELS, super::MAX_TAG)
    }

    fn derive(master: &Master, labels: [u8; 3], tag_len: usize) -> Session {
        let mut material = [0; 32 + AUTH_KEY + SALT];
        let (key, rest) = material.split_at_mut(32);
        let (auth, salt) = rest.split_at_mut(AUTH_KEY);
        let key = &mut key[..master.suite.key_len()];
        for (label, out) in labels.into_iter().zip([&mut *key, &mut *auth, &mut *salt]) {
            prf(master, label, out);
        }
        Session {
            #[expect(clippy::expect_used, reason = "the length is one of the two that a suite has")]
            cipher: Aes::new(key).expect("AES-128 or AES-256"),
            #[expect(clippy::expect_used, reason = "HMAC takes a key of any length")]
            mac: Hmac::new_from_slice(auth).expect("any length"),
            salt: salt_block(salt),
            tag_len,
        }
    }

    /// Encrypts or decrypts what follows the header (RFC 3711 §4.1.1).
    pub fn crypt(&self, ssrc: u32, index: u64, data: &mut [u8]) {
        self.cipher
            .apply(self.salt ^ u128::from(ssrc) << 64 ^ u128::from(index) << 16, data);
    }

    /// The tag over `covered`, and behind it the roll-over counter for RTP (RFC 3711 §4.2).
    pub fn authenticator(&self, covered: &[u8]) -> Authenticator {
        let mut mac = self.mac.clone();
        mac.update(covered);
        Authenticator(mac)
    }
}

/// A tag's computation, ready for one roll-over counter or another.
pub(super) struct Authenticator(Hmac<Sha1>);

impl Authenticator {
    pub fn tag(&self, roc: Option<u32>) -> [u8; 20] {
        let mut mac = self.0.clone();
        if let Some(roc) = roc {
            mac.update(&roc.to_be_bytes());
        }
        mac.finalize().into_bytes().into()
    }

    /// In constant time. A tag of no length never fits.
    pub fn fits(&self, roc: Option<u32>, tag: &[u8]) -> bool {
        self.tag(roc)
            .get(..tag.len())
            .is_some_and(|ours| !tag.is_empty() && bool::from(ours.ct_eq(tag)))
    }
}

/// The key derivation with rate 0 (RFC 3711 §4.3.1, §4.3.3; RFC 6188 §2): AES in counter mode under the master key.
fn prf(master: &Master, label: u8, out: &mut [u8]) {
    let (key, salt) = master.reveal().split_at(master.suite.key_len());
    out.fill(0);
    if let Some(aes) = Aes::new(key) {
        // The label stands above 48 bits of index, which is 0; both above the 16 bits of the block counter.
        aes.apply(salt_block(salt) ^ u128::from(label) << 64, out);
    }
}

fn salt_block(salt: &[u8]) -> u128 {
    salt.iter().fold(0, |block, octet| block << 8 | u128::from(*octet)) << 16
}

#[cfg(test)]
pub(super) mod vectors {
    use super::*;

    /// Cipher key, authentication key and salt of RTP.
    pub fn derived(master: &Master) -> (Vec<u8>, Vec<u8>, Vec<u8>) {
        let of = |label, n| {
            let mut out = vec![0; n];
            prf(master, label, &mut out);
            out
        };
        (of(0, master.suite.key_len()), of(1, 94), of(2, SALT))
    }

    /// The key stream of a session key and salt, from packet index and SSRC 0 on.
    pub fn key_stream(key: &[u8], salt: &[u8], octets: usize) -> Vec<u8> {
        let mut out = vec![0; octets];
        Aes::new(key).unwrap().apply(salt_block(salt), &mut out);
        out
    }
}
