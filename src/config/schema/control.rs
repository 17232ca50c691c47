//! What the board's own users may do: `hornwire status`, `stop`, `announce`.

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
