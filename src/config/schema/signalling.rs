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
            "Transport, address and port of each socket.",
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
            "advertise",
            Kind::Advertise,
            Unset("the address of the socket."),
            r#""203.0.113.7""#,
            "The address to give to callers when the board stands behind an address translation.",
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
            "The secrets file, relative to this file's directory. The service's user hornwire must be able to read it.",
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
