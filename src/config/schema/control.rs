//! What the board's own users may do, `hornwire status`, `stop`, `announce`, and who may read its figures.

use super::Absent::Unset;
use super::contacts::WHEN_BUSY;
use super::sources::{CHIME, PAGE_LIMIT, PRIORITY, SOURCE_GAIN};
use super::{Key, Kind, Section, key, terms};

pub(super) const CONTROL: Section = Section {
    path: "control",
    named: false,
    doc: "The local command: `hornwire status`, `hornwire stop PAGE` and `hornwire announce FILE --zone NAME` speak with the running program \
          over a socket. Who may open the socket may do all of it: its owner and its group. May be left out.",
    defaults: None,
    keys: &[
        key(
            "socket",
            Kind::Socket,
            Unset(
                "control.sock in the directory that the service manager gives, which is /run/hornwire; without one, none.",
            ),
            r#""/run/hornwire-yard/control.sock""#,
            "The whole path of the socket, or \"none\".",
        ),
        Key {
            doc: "The priority of announcements that say none.",
            ..PRIORITY
        },
        CHIME,
        WHEN_BUSY,
        terms::BEGIN,
        PAGE_LIMIT,
        terms::WAIT_LIMIT,
        SOURCE_GAIN,
    ],
};

pub(super) const METRICS: Section = Section {
    path: "metrics",
    named: false,
    doc: "Figures for a monitoring system that fetches them by HTTP, in the OpenMetrics text format: pages, zones, registrations, losses, \
          relays. They name sources and zones, never callers. May be left out.",
    defaults: None,
    keys: &[
        key(
            "listen",
            Kind::Listener,
            Unset("no figures are served."),
            r#""127.0.0.1:9745""#,
            "The address and port where `http://ADDRESS:PORT/metrics` is answered. There is neither password nor encryption: take a loopback \
             address, or one of the network that looks after the boards.",
        ),
        key(
            "networks",
            Kind::Networks,
            Unset("whoever can reach the address is answered."),
            r#"["192.0.2.0/24"]"#,
            "Who is answered; everybody else is cut off.",
        ),
    ],
};
