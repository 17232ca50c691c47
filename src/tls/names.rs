//! Who a far end is: its certificate's chain, its dates, and the SIP domain that it stands for (RFC 5922 §7).

use std::sync::Arc;
use std::time::UNIX_EPOCH;

use tokio_rustls::rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use tokio_rustls::rustls::client::{verify_server_cert_signed_by_trust_anchor, verify_server_name};
use tokio_rustls::rustls::crypto::{WebPkiSupportedAlgorithms, verify_tls12_signature, verify_tls13_signature};
use tokio_rustls::rustls::pki_types::{CertificateDer, ServerName, UnixTime};
use tokio_rustls::rustls::server::ParsedCertificate;
use tokio_rustls::rustls::{CertificateError, DigitallySignedStruct, Error, RootCertStore, SignatureScheme};

use super::der;

/// Checks the certificate of a registrar or proxy. The name wanted is the SIP domain of the hop, not what SRV made of
/// it (RFC 5922 §4, RFC 3263): a forged answer of the name service gains nothing.
#[derive(Debug)]
pub(super) struct ServerVerifier {
    pub(super) roots: Arc<RootCertStore>,
    /// Certificates that the `ca` file holds itself: a server may show one of these without being a CA. Small phone
    /// systems sign their own.
    pub(super) pinned: Vec<CertificateDer<'static>>,
    pub(super) algorithms: WebPkiSupportedAlgorithms,
}

impl ServerCertVerifier for ServerVerifier {
    fn verify_server_cert(
        &self,
        end_entity: &CertificateDer<'_>,
        intermediates: &[CertificateDer<'_>],
        server_name: &ServerName<'_>,
        _ocsp: &[u8],
        now: UnixTime,
    ) -> Result<ServerCertVerified, Error> {
        let certificate = ParsedCertificate::try_from(end_entity)?;
        if self.pinned.iter().any(|pinned| pinned == end_entity) {
            holds(end_entity, now)?;
        } else {
            verify_server_cert_signed_by_trust_anchor(
                &certificate,
                &self.roots,
                intermediates,
                now,
                self.algorithms.all,
            )?;
        }
        fits(end_entity, server_name)?;
        Ok(ServerCertVerified::assertion())
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        cert: &CertificateDer<'_>,
        dss: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        verify_tls12_signature(message, cert, dss, &self.algorithms)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        cert: &CertificateDer<'_>,
        dss: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        verify_tls13_signature(message, cert, dss, &self.algorithms)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.algorithms.supported_schemes()
    }
}

fn holds(certificate: &CertificateDer<'_>, now: UnixTime) -> Result<(), Error> {
    let validity = der::validity(certificate).ok_or(CertificateError::BadEncoding)?;
    let seconds = |at: std::time::SystemTime| at.duration_since(UNIX_EPOCH).unwrap_or_default();
    let (from, until) = (seconds(validity.from), seconds(validity.until));
    let at = std::time::Duration::from_secs(now.as_secs());
    if at < from {
        return Err(CertificateError::NotValidYetContext {
            time: now,
            not_before: UnixTime::since_unix_epoch(from),
        }
        .into());
    }
    if at > until {
        return Err(CertificateError::ExpiredContext {
            time: now,
            not_after: UnixTime::since_unix_epoch(until),
        }
        .into());
    }
    Ok(())
}

/// Whether a certificate, already believed, stands for `name`. `sip:` URIs in subjectAltName come first, and where
/// there is one, DNS names do not count (RFC 5922 §7.1); numbers are matched with the certificate's addresses.
/// Beyond RFC 5922 §7.2, a DNS name may begin with `*.`: common practice among hosted phone systems.
///
/// # Errors
/// A certificate for other names.
pub fn fits(certificate: &CertificateDer<'_>, name: &ServerName<'_>) -> Result<(), Error> {
    let ServerName::DnsName(wanted) = name else {
        return verify_server_name(&ParsedCertificate::try_from(certificate)?, name);
    };
    let domains = der::sip_domains(certificate);
    if domains.is_empty() {
        return verify_server_name(&ParsedCertificate::try_from(certificate)?, name);
    }
    let wanted = wanted.as_ref().trim_end_matches('.');
    if domains
        .iter()
        .any(|d| d.trim_end_matches('.').eq_ignore_ascii_case(wanted))
    {
        return Ok(());
    }
    Err(CertificateError::NotValidForNameContext {
        expected: name.to_owned(),
        presented: domains.iter().map(|d| format!("sip:{d}")).collect(),
    }
    .into())
}
