//! The few fields of a certificate that rustls does not give out: its dates and the SIP domains that it names
//! (RFC 5280 §4.1). Bounded by the octets it is given; whatever they hold, no panic.

use std::time::{Duration, UNIX_EPOCH};

use super::Validity;

const INTEGER: u8 = 0x02;
const OCTET_STRING: u8 = 0x04;
const OID: u8 = 0x06;
const UTC_TIME: u8 = 0x17;
const GENERALIZED_TIME: u8 = 0x18;
const SEQUENCE: u8 = 0x30;
/// `[0]`, `[3]` of TBSCertificate; `[6]` of GeneralName, a URI.
const VERSION: u8 = 0xA0;
const EXTENSIONS: u8 = 0xA3;
const URI: u8 = 0x86;
/// 2.5.29.17, subjectAltName.
const SUBJECT_ALT_NAME: &[u8] = &[0x55, 0x1D, 0x11];

/// Elements one behind the other: tag and content.
#[derive(Clone, Copy)]
struct Elements<'a>(&'a [u8]);

impl<'a> Iterator for Elements<'a> {
    type Item = (u8, &'a [u8]);

    fn next(&mut self) -> Option<Self::Item> {
        let (tag, rest) = self.0.split_first()?;
        let (first, rest) = rest.split_first()?;
        let (length, rest) = match *first {
            short @ 0..=0x7F => (usize::from(short), rest),
            // DER lengths of one to four octets; no certificate is longer.
            long @ 0x81..=0x84 => {
                let (octets, rest) = rest.split_at_checked(usize::from(long & 0x7F))?;
                let length = octets.iter().fold(0u64, |n, b| n << 8 | u64::from(*b));
                (usize::try_from(length).ok()?, rest)
            }
            _ => return None,
        };
        let (content, rest) = rest.split_at_checked(length)?;
        self.0 = rest;
        Some((*tag, content))
    }
}

impl<'a> Elements<'a> {
    /// The content of the next element, if it has this tag.
    fn enter(&mut self, tag: u8) -> Option<&'a [u8]> {
        let before = *self;
        match self.next() {
            Some((found, content)) if found == tag => Some(content),
            _ => {
                *self = before;
                None
            }
        }
    }
}

/// What follows the issuer: validity, subject, key, extensions.
fn from_validity(certificate: &[u8]) -> Option<Elements<'_>> {
    let whole = Elements(certificate).enter(SEQUENCE)?;
    let mut fields = Elements(Elements(whole).enter(SEQUENCE)?);
    let _ = fields.enter(VERSION);
    fields.enter(INTEGER)?;
    fields.enter(SEQUENCE)?;
    fields.enter(SEQUENCE)?;
    Some(fields)
}

/// Whether it has no version field and so is of version 1 (RFC 5280 §4.1.2.1), which can hold no names.
pub(super) fn is_version_1(certificate: &[u8]) -> bool {
    let fields = Elements(certificate)
        .enter(SEQUENCE)
        .and_then(|whole| Elements(whole).enter(SEQUENCE));
    fields.is_some_and(|f| matches!(Elements(f).next(), Some((INTEGER, _))))
}

/// The dates of a certificate; `None` when they cannot be read.
pub(super) fn validity(certificate: &[u8]) -> Option<Validity> {
    let mut times = Elements(from_validity(certificate)?.enter(SEQUENCE)?);
    let mut time = || {
        let (tag, content) = times.next()?;
        let seconds = seconds(tag, content)?;
        match u64::try_from(seconds) {
            Ok(after) => UNIX_EPOCH.checked_add(Duration::from_secs(after)),
            Err(_) => UNIX_EPOCH.checked_sub(Duration::from_secs(seconds.unsigned_abs())),
        }
    };
    Some(Validity {
        from: time()?,
        until: time()?,
    })
}

/// UTCTime and GeneralizedTime as RFC 5280 §4.1.2.5 wants them: with seconds, in UTC.
fn seconds(tag: u8, text: &[u8]) -> Option<i64> {
    let text = std::str::from_utf8(text).ok()?.strip_suffix('Z')?;
    if !text.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let (year, rest) = match (tag, text.len()) {
        (UTC_TIME, 12) => {
            let (year, rest) = text.split_at(2);
            let year: i64 = year.parse().ok()?;
            (if year >= 50 { 1900 + year } else { 2000 + year }, rest)
        }
        (GENERALIZED_TIME, 14) => {
            let (year, rest) = text.split_at(4);
            (year.parse().ok()?, rest)
        }
        _ => return None,
    };
    let part = |i: usize| rest.get(i..i + 2).and_then(|t| t.parse::<i64>().ok());
    let (month, day, hour, minute, second) = (part(0)?, part(2)?, part(4)?, part(6)?, part(8)?);
    let real = (1..=12).contains(&month) && (1..=31).contains(&day) && hour < 24 && minute < 60 && second < 60;
    real.then(|| days(year, month, day) * 86_400 + hour * 3600 + minute * 60 + second)
}

/// Days from 1970-01-01 in the Gregorian calendar; years begin in March here, so that the leap day is the last one.
/// jiff's calendar ends before 9999-12-31, which stands for a certificate without end (RFC 5280 §4.1.2.5).
fn days(year: i64, month: i64, day: i64) -> i64 {
    let (year, month) = if month > 2 {
        (year, month - 3)
    } else {
        (year - 1, month + 9)
    };
    let leap_days = year / 4 - year / 100 + year / 400;
    // From 0000-03-01, which is 719468 days before 1970.
    year * 365 + leap_days + (153 * month + 2) / 5 + day - 1 - 719_468
}

/// The domains of `sip:` URIs without a user in subjectAltName (RFC 5922 §7.1), lower case.
pub(super) fn sip_domains(certificate: &[u8]) -> Vec<String> {
    let Some(names) = subject_alt_names(certificate) else {
        return Vec::new();
    };
    Elements(names)
        .filter(|(tag, _)| *tag == URI)
        .filter_map(|(_, uri)| std::str::from_utf8(uri).ok())
        .filter_map(|uri| {
            let (scheme, rest) = uri.split_once(':')?;
            let proper = scheme.eq_ignore_ascii_case("sip") && !rest.contains('@');
            let host = rest.split([':', ';', '?']).next().unwrap_or_default();
            (proper && !host.is_empty()).then(|| host.to_ascii_lowercase())
        })
        .collect()
}

fn subject_alt_names(certificate: &[u8]) -> Option<&[u8]> {
    let extensions = from_validity(certificate)?.find(|(tag, _)| *tag == EXTENSIONS)?.1;
    Elements(Elements(extensions).enter(SEQUENCE)?)
        .filter(|(tag, _)| *tag == SEQUENCE)
        .find_map(|(_, extension)| {
            let mut parts = Elements(extension);
            let wanted = parts.enter(OID)? == SUBJECT_ALT_NAME;
            let value = parts.find(|(tag, _)| *tag == OCTET_STRING)?.1;
            wanted.then(|| Elements(value).enter(SEQUENCE)).flatten()
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source of the numbers: `date -u -d … +%s` (GNU coreutils); the forms: RFC 5280 §4.1.2.5.
    #[test]
    fn times_of_both_forms() {
        for (tag, text, wanted) in [
            (UTC_TIME, "700101000000Z", Some(0)),
            (UTC_TIME, "500101000000Z", Some(-631_152_000)),
            (UTC_TIME, "491231235959Z", Some(2_524_607_999)),
            (UTC_TIME, "261125180000Z", Some(1_795_629_600)),
            (GENERALIZED_TIME, "20500101000000Z", Some(2_524_608_000)),
            (GENERALIZED_TIME, "99991231235959Z", Some(253_402_300_799)),
            (UTC_TIME, "261125180000", None),
            (UTC_TIME, "2611251800Z", None),
            (UTC_TIME, "261325180000Z", None),
            (UTC_TIME, "26+125180000Z", None),
            (GENERALIZED_TIME, "20261125180000.5Z", None),
        ] {
            assert_eq!(seconds(tag, text.as_bytes()), wanted, "{text}");
        }
    }

    #[test]
    fn cut_and_bent_certificates_are_no_certificates() {
        let key = rcgen::KeyPair::generate().unwrap();
        let whole = rcgen::CertificateParams::new(vec!["pbx.quayside.example".to_owned()])
            .unwrap()
            .self_signed(&key)
            .unwrap();
        let whole = whole.der().as_ref();
        assert!(validity(whole).is_some());
        for end in 0..whole.len() {
            assert_eq!(validity(&whole[..end]), None);
            assert!(sip_domains(&whole[..end]).is_empty());
        }
        for i in 0..whole.len() {
            for octet in [0, 0x7F, 0x80, 0x84, 0xFF] {
                let mut bent = whole.to_vec();
                bent[i] = octet;
                let _ = (validity(&bent), sip_domains(&bent));
            }
        }
    }
}
