//! Why a handshake failed, in words for the journal.

use std::io;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use tokio_rustls::rustls::{AlertDescription, CertificateError, Error, PeerIncompatible};

use crate::report::time::{is_set, rfc3339};

/// Most names of a certificate that are shown.
const MAX_NAMES: usize = 4;
/// Longest text of a far end's that is shown, in characters.
const MAX_TEXT: usize = 200;

/// `2026-11-25`, UTC.
pub fn day(at: SystemTime) -> String {
    rfc3339(at).split('T').next().unwrap_or_default().to_owned()
}

fn day_of(seconds: u64) -> String {
    UNIX_EPOCH
        .checked_add(Duration::from_secs(seconds))
        .map_or_else(|| "a far day".to_owned(), day)
}

/// What went wrong on a TLS connection; `now` is the wall clock.
pub fn explain(error: &io::Error, now: SystemTime) -> String {
    match error.get_ref().and_then(|inner| inner.downcast_ref::<Error>()) {
        Some(error) => tls(error, now),
        None => match error.kind() {
            io::ErrorKind::UnexpectedEof => "the far end closed the connection before TLS was agreed on".to_owned(),
            io::ErrorKind::ConnectionRefused => "nothing listens there".to_owned(),
            _ => error.to_string(),
        },
    }
}

fn tls(error: &Error, now: SystemTime) -> String {
    match error {
        Error::InvalidCertificate(cause) => certificate(cause, now),
        Error::NoCertificatesPresented => "it shows no certificate, and `client_ca` in [tls] asks for one".to_owned(),
        Error::InvalidMessage(_) | Error::InappropriateMessage { .. } | Error::PeerSentOversizedRecord => {
            "what it sends is not TLS: is the port right?".to_owned()
        }
        Error::PeerIncompatible(
            PeerIncompatible::ServerDoesNotSupportTls12Or13
            | PeerIncompatible::ServerTlsVersionIsDisabledByOurConfig
            | PeerIncompatible::SupportedVersionsExtensionRequired
            | PeerIncompatible::Tls12NotOffered
            | PeerIncompatible::Tls12NotOfferedOrEnabled,
        )
        | Error::AlertReceived(AlertDescription::ProtocolVersion) => {
            "no TLS version in common: 1.2 and 1.3 are spoken here".to_owned()
        }
        Error::PeerIncompatible(_)
        | Error::AlertReceived(AlertDescription::HandshakeFailure | AlertDescription::InsufficientSecurity) => {
            "no cipher or key exchange in common (or, of a far end that wants one, no certificate of ours)".to_owned()
        }
        Error::AlertReceived(AlertDescription::CertificateRequired | AlertDescription::NoCertificate) => {
            "the far end asks for a certificate of ours: `certificate` and `key` in [tls]".to_owned()
        }
        Error::AlertReceived(
            alert @ (AlertDescription::UnknownCA
            | AlertDescription::BadCertificate
            | AlertDescription::CertificateExpired
            | AlertDescription::CertificateRevoked
            | AlertDescription::CertificateUnknown
            | AlertDescription::UnsupportedCertificate
            | AlertDescription::AccessDenied
            | AlertDescription::DecryptError),
        ) => format!("the far end does not accept our certificate ({alert:?})"),
        other => cut(&other.to_string()),
    }
}

fn certificate(cause: &CertificateError, now: SystemTime) -> String {
    let clock = || format!("the board's clock says {}", day(now));
    let text = match cause {
        CertificateError::UnknownIssuer => {
            "its certificate is from a CA that is not trusted here; `ca` in [tls] can name it".to_owned()
        }
        CertificateError::NotValidForNameContext { expected, presented } => {
            let names = match presented.len() {
                0 => "no name at all".to_owned(),
                n => {
                    let shown: Vec<&str> = presented.iter().take(MAX_NAMES).map(|n| bare(n)).collect();
                    let more = if n > MAX_NAMES { " and others" } else { "" };
                    cut(&format!("{}{more}", shown.join(", ")))
                }
            };
            format!("its certificate is for {names}, not for {}", expected.to_str())
        }
        CertificateError::ExpiredContext { not_after, .. } => {
            format!(
                "its certificate expired on {}, and {}",
                day_of(not_after.as_secs()),
                clock()
            )
        }
        CertificateError::NotValidYetContext { not_before, .. } => {
            format!(
                "its certificate holds only from {}, and {}",
                day_of(not_before.as_secs()),
                clock()
            )
        }
        CertificateError::Revoked => "its certificate was revoked".to_owned(),
        CertificateError::BadSignature => {
            "its certificate's signature is wrong: a CA of the same name with another key?".to_owned()
        }
        // The kind is webpki's own, which rustls hands on as a text only.
        other if format!("{other:?}").contains("UnsupportedCertVersion") => {
            "its certificate is of version 1, which holds no name: it wants one with subjectAltName".to_owned()
        }
        other => cut(&format!("its certificate is not accepted: {other:?}")),
    };
    if !is_set(now) && !text.contains("the board's clock") {
        return format!("{text} ({})", clock());
    }
    if !is_set(now) {
        return format!("{text}: the clock is wrong, it must be set (time server)");
    }
    text
}

/// A name as rustls gives it out, `DnsName("pbx.quayside.example")`, without its kind.
fn bare(name: &str) -> &str {
    let inside = name.split_once('(').and_then(|(_, rest)| rest.strip_suffix(')'));
    inside.unwrap_or(name).trim_matches('"')
}

/// A far end's own text, as far as it is shown.
fn cut(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(MAX_TEXT).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio_rustls::rustls::pki_types::UnixTime;

    #[test]
    fn a_board_without_a_clock_is_told_so() {
        let time = UnixTime::since_unix_epoch(Duration::from_secs(60));
        let cause = CertificateError::NotValidYetContext {
            time,
            not_before: UnixTime::since_unix_epoch(Duration::from_secs(1_795_629_600)),
        };
        let error = io::Error::new(io::ErrorKind::InvalidData, Error::InvalidCertificate(cause));
        let text = explain(&error, UNIX_EPOCH + Duration::from_secs(60));
        assert_eq!(
            text,
            "its certificate holds only from 2026-11-25, and the board's clock says 1970-01-01: the clock is wrong, \
             it must be set (time server)"
        );
        assert!(!explain(&error, UNIX_EPOCH + Duration::from_secs(1_800_000_000)).contains("wrong"));
    }

    #[test]
    fn names_are_told_without_their_kind() {
        for (given, wanted) in [
            ("DnsName(\"pbx.quayside.example\")", "pbx.quayside.example"),
            ("IpAddress(192.0.2.5)", "192.0.2.5"),
            ("sip:quayside.example", "sip:quayside.example"),
            ("DirectoryName", "DirectoryName"),
            ("(", "("),
        ] {
            assert_eq!(bare(given), wanted);
        }
    }

    #[test]
    fn a_far_ends_text_drives_no_terminal_and_fills_no_journal() {
        let names = vec!["DnsName(\"a\u{1b}[31m\")".to_owned(); 5000];
        let cause = CertificateError::NotValidForNameContext {
            expected: "pbx.quayside.example".try_into().unwrap(),
            presented: names,
        };
        let text = certificate(&cause, UNIX_EPOCH + Duration::from_secs(1_800_000_000));
        assert!(!text.contains('\u{1b}'));
        assert!(text.len() < 400, "{text}");
        assert!(text.ends_with("not for pbx.quayside.example"), "{text}");
    }
}
