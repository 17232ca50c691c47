//! Telephone signalling and where its passwords are.

use super::Absent::{Default, Unset};
use super::{Kind, Section, key};

pub(super) const SIP: Section = Section {
    path: "sip",
    named: false,
    doc: "Telephone signalling. May be left out.",
    defaults: None,
    keys: &[
        key(
            "listen",
            Kind::Listen,
            Unset("UDP and TCP, port 5060 on every IPv4 address; nothing when there is no extension."),
            r#"["udp:0.0.0.0:5060", "udp:[::]:5060"]"#,
            "Transport, address and port of each socket. \"tls:…\" wants a certificate and a key in [tls].",
        ),
        key(
            "rtp_ports",
            Kind::Ports,
            Default(r#""16384-16484""#),
            r#""20000-20100""#,
            "First and last UDP port for the audio of calls. A firewall must let them in.",
        ),
        key(
            "networks",
            Kind::Networks,
            Default("[]"),
            r#"["192.0.2.0/24"]"#,
            "Who may call beside the registrars themselves. Everybody in it can speak on the loudspeakers.",
        ),
        key(
            "trusted",
            Kind::Networks,
            Default("[]"),
            r#"["192.0.2.5"]"#,
            "Peers whose word about a caller counts, beside the registrars: P-Asserted-Identity, Priority, Resource-Priority. \
             It lets nobody in who is not in `networks` too.",
        ),
        key(
            "advertise",
            Kind::Advertise,
            Unset("the address of the socket."),
            r#""203.0.113.7""#,
            "The address to give to callers when the board stands behind an address translation.",
        ),
        key(
            "start_spread",
            super::period(0, 600_000, false),
            Default(r#""5 s""#),
            r#""30 s""#,
            "The first registrations wait a random part of this, so that many boards that get their power back at once \
             do not ask at once.",
        ),
    ],
};

pub(super) const SECRETS: Section = Section {
    path: "secrets",
    named: false,
    doc: "Where passwords are kept: a TOML file of `name = \"password\"` lines, not readable by other users. \
          One of the two keys.",
    defaults: None,
    keys: &[
        key(
            "file",
            Kind::File,
            Unset("no file."),
            r#""hornwire-secrets.toml""#,
            "The secrets file, relative to the config file's directory. The service's user hornwire must be able to read it.",
        ),
        key(
            "credential",
            Kind::Credential,
            Unset("no credential."),
            r#""secrets""#,
            "The name of a systemd credential that holds it (read from $CREDENTIALS_DIRECTORY). The \
             service unit provides \"secrets\", from /etc/hornwire/secrets.toml.",
        ),
    ],
};

pub(super) const TLS: Section = Section {
    path: "tls",
    named: false,
    doc: "Encrypted signalling: whom to believe, and who we are. Needed for `tls:` in `sip.listen`, and for a registrar \
          by TLS whose certificate is not from a public CA. Files are relative to the config file's directory, and may be \
          renewed while the daemon runs.",
    defaults: None,
    keys: &[
        key(
            "ca",
            Kind::File,
            Unset("the CAs that the system trusts (package ca-certificates)."),
            r#""quayside-ca.pem""#,
            "Certificates in PEM, of the CA of the registrars and proxies or of a server itself. Nobody else is believed.",
        ),
        key(
            "certificate",
            Kind::File,
            Unset("no certificate: nobody can connect to us by TLS."),
            r#""hornwire.pem""#,
            "Our own certificate in PEM, and behind it those that lead to its CA. Shown to whoever connects to us, and to \
             registrars that ask for one.",
        ),
        key(
            "key",
            Kind::File,
            Unset("no private key."),
            r#""hornwire-key.pem""#,
            "The private key of `certificate` in PEM, without a pass phrase, not readable by other users.",
        ),
        key(
            "key_credential",
            Kind::Credential,
            Unset("no credential."),
            r#""tls-key""#,
            "Instead of `key`: the name of a systemd credential that holds the private key. A drop-in for the unit must \
             provide it (LoadCredential=), and a renewed key wants a restart: systemd reads it at the start alone.",
        ),
        key(
            "client_ca",
            Kind::File,
            Unset("whoever `sip.networks` lets in may connect by TLS, without a certificate."),
            r#""quayside-phones-ca.pem""#,
            "Whoever connects to us by TLS must show a certificate of this CA.",
        ),
    ],
};
