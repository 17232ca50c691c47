//! Every key of the config format: its kind, its default and what it does.
//!
//! The reader, its messages and the key reference all come from this table, so they cannot differ.

use std::time::Duration;

/// What a value must be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Kind {
    /// One line of text.
    Text,
    Flag,
    Integer {
        from: i64,
        to: i64,
    },
    Duration {
        from: Duration,
        to: Duration,
        /// `"none"` is allowed too.
        none: bool,
    },
    /// dB.
    Gain {
        from: f32,
        to: f32,
    },
    /// dBFS.
    Level {
        from: f32,
        to: f32,
    },
    Choice(&'static [&'static str]),
    /// Choices, preferred first.
    Choices(&'static [&'static str]),
    /// The name of a table of this section.
    Name(&'static str),
    Names {
        section: &'static str,
        /// The list may be empty.
        empty: bool,
    },
    Output,
    Line,
    Listen,
    Ports,
    Networks,
    Advertise,
    Registrar,
    User,
    Multicast,
    Interface,
    PayloadType,
    /// A name in the secrets file; never repeated in a message.
    SecretName,
    /// A file, relative to the config file's directory.
    File,
    /// The name of a systemd credential.
    Credential,
}

/// What holds when the key is not there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Absent {
    Required,
    /// This value, as TOML.
    Default(&'static str),
    /// No value; what that means.
    Unset(&'static str),
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Key {
    pub name: &'static str,
    pub kind: Kind,
    pub absent: Absent,
    /// A fitting value, as TOML.
    pub example: &'static str,
    pub doc: &'static str,
    /// May also stand in the `[defaults.*]` table of its section.
    pub shared: bool,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Section {
    /// Path of the table, or of the table of tables.
    pub path: &'static str,
    /// Tables with names of the installer's choice stand below the path.
    pub named: bool,
    pub doc: &'static str,
    pub keys: &'static [Key],
    /// Path of the table that gives defaults to its shared keys.
    pub defaults: Option<&'static str>,
}

const fn ms(n: u64) -> Duration {
    Duration::from_millis(n)
}

const fn key(name: &'static str, kind: Kind, absent: Absent, example: &'static str, doc: &'static str) -> Key {
    Key {
        name,
        kind,
        absent,
        example,
        doc,
        shared: false,
    }
}

const fn shared(key: Key) -> Key {
    Key { shared: true, ..key }
}

const fn absent(key: Key, absent: Absent) -> Key {
    Key { absent, ..key }
}

use Absent::{Default, Required, Unset};

pub(super) const CODECS: &[&str] = &["opus", "pcmu", "pcma"];
pub(super) const CHIMES: &[&str] = &["none", "single", "double", "triple"];

const fn period(from: u64, to: u64, none: bool) -> Kind {
    Kind::Duration {
        from: ms(from),
        to: ms(to),
        none,
    }
}

// The keys that extensions and groups share. Ranges of limits: common practice, no published source, widened.

const ZONES: Key = key(
    "zones",
    Kind::Names {
        section: "zones",
        empty: false,
    },
    Required,
    r#"["yard"]"#,
    "The zones where a page is heard.",
);

const PRIORITY: Key = shared(key(
    "priority",
    Kind::Integer { from: 0, to: 100 },
    Default("50"),
    "70",
    "The higher number is heard and cuts into lower ones; of equal ones the first keeps the zone.",
));

const CHIME: Key = shared(key(
    "chime",
    Kind::Choice(CHIMES),
    Default(r#""none""#),
    r#""double""#,
    "The tone before speech: how many notes it has.",
));

const PAGE_LIMIT: Key = shared(key(
    "page_limit",
    period(5_000, 3_600_000, true),
    Default(r#""2 min""#),
    r#""90 s""#,
    "The longest speech; then the page is ended. \"none\" for no limit.",
));

const QUIET_LIMIT: Key = shared(key(
    "quiet_limit",
    period(2_500, 60_000, true),
    Default(r#""10 s""#),
    r#""8 s""#,
    "This much silence ends a page, so that a forgotten handset frees the loudspeakers. \"none\" for no limit.",
));

const NO_PACKET_LIMIT: Key = shared(key(
    "no_packet_limit",
    period(1_000, 60_000, true),
    Default(r#""5 s""#),
    r#""8 s""#,
    "A call without a single audio packet for this long is ended. Raise it for phones that send nothing in pauses.",
));

const SOURCE_GAIN: Key = shared(key(
    "gain",
    Kind::Gain { from: -40.0, to: 20.0 },
    Default(r#""0 dB""#),
    r#""3 dB""#,
    "Makes this source louder or softer than the others; each zone's own gain comes on top.",
));

/// All of it, in the order of the reference.
pub(super) const SECTIONS: &[Section] = &[
    Section {
        path: "site",
        named: false,
        doc: "Where the board is.",
        defaults: None,
        keys: &[key(
            "name",
            Kind::Text,
            Required,
            r#""Quayside Timber""#,
            "Stands in the journal and in `hornwire check`'s summary.",
        )],
    },
    Section {
        path: "cards",
        named: true,
        doc: "A sound card, or what stands for one.",
        defaults: None,
        keys: &[
            key(
                "output",
                Kind::Output,
                Required,
                r#""alsa:plughw:CARD=Device""#,
                "\"alsa:\" and a name that `aplay -L` lists; \"wav:\" and the whole path of a file to write, for trials \
                 (it grows by about 6 MB a minute and channel); or \"null\", which plays nowhere at the same pace.",
            ),
            key(
                "channels",
                Kind::Integer { from: 1, to: 8 },
                Default("2"),
                "4",
                "How many channels to open. Each feeds one amplifier.",
            ),
            key(
                "period",
                period(2, 100, false),
                Default(r#""10 ms""#),
                r#""20 ms""#,
                "How much audio the card takes at a time. Longer is safer on a slow board and adds delay.",
            ),
        ],
    },
    Section {
        path: "relays",
        named: true,
        doc: "A relay output. At rest = de-energised: the amplifier idle, the music playing.",
        defaults: None,
        keys: &[
            key(
                "line",
                Kind::Line,
                Required,
                r#""gpiochip0:17""#,
                "Chip and line of the GPIO character device (`gpioinfo` lists them), \"pi:\" and a BCM number on a \
                 Raspberry Pi, or \"simulated\".",
            ),
            key(
                "active",
                Kind::Choice(&["high", "low"]),
                Default(r#""high""#),
                r#""low""#,
                "The line's level while the relay is operated. Many relay boards want \"low\".",
            ),
            key(
                "optional",
                Kind::Flag,
                Default("false"),
                "true",
                "Start even when the line is missing or busy. Otherwise the daemon refuses to start.",
            ),
        ],
    },
    Section {
        path: "zones",
        named: true,
        doc: "A zone: one channel of a sound card with its amplifier.",
        defaults: None,
        keys: &[
            key(
                "card",
                Kind::Name("cards"),
                Required,
                r#""usb""#,
                "The card that feeds the amplifier.",
            ),
            key(
                "channel",
                Kind::Integer { from: 1, to: 8 },
                Required,
                "1",
                "The card's channel, from 1. On a stereo card 1 is left, 2 is right.",
            ),
            key(
                "trigger",
                Kind::Names {
                    section: "relays",
                    empty: true,
                },
                Default("[]"),
                r#"["yard-trigger"]"#,
                "Relays that are operated for the whole page so that the amplifier passes speech.",
            ),
            key(
                "mute",
                Kind::Names {
                    section: "relays",
                    empty: true,
                },
                Default("[]"),
                r#"["yard-mute"]"#,
                "Relays that are operated for the whole page to mute the music (wired through the normally closed \
                 contact).",
            ),
            key(
                "lead",
                period(0, 30_000, false),
                Default(r#""300 ms""#),
                r#""600 ms""#,
                "The amplifier's wake-up time, from operating the relays until audio starts. Speech is kept meanwhile.",
            ),
            key(
                "release",
                period(0, 10_000, false),
                Default(r#""500 ms""#),
                r#""1 s""#,
                "From the last sample until the relays go back to rest.",
            ),
            key(
                "gain",
                Kind::Gain { from: -60.0, to: 20.0 },
                Default(r#""0 dB""#),
                r#""-6 dB""#,
                "The zone's level. Start low, then set it with a tone and a meter.",
            ),
            key(
                "ceiling",
                Kind::Level { from: -40.0, to: 0.0 },
                Default(r#""-3 dBFS""#),
                r#""-6 dBFS""#,
                "No peak leaves the card above this, whatever comes in. 0 dBFS is the card's full scale.",
            ),
        ],
    },
    Section {
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
    },
    Section {
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
    },
    Section {
        path: "extensions",
        named: true,
        doc: "A telephone extension: whoever dials it speaks in its zones.",
        defaults: Some("defaults.extensions"),
        keys: &[
            shared(key(
                "registrar",
                Kind::Registrar,
                Unset("does not register; it takes calls straight from `sip.networks`."),
                r#""sip:pbx.quayside.example;transport=tcp""#,
                "Where to register: host, optional port, optional ;transport=tcp. \"none\" overrules a default.",
            )),
            key(
                "user",
                Kind::User,
                Required,
                r#""850""#,
                "The number or name that is dialled.",
            ),
            key(
                "auth_user",
                Kind::Text,
                Unset("the same as `user`."),
                r#""paging-850""#,
                "The name to log in with, where the phone system wants another one.",
            ),
            key(
                "secret",
                Kind::SecretName,
                Unset("no password."),
                r#""yard-page""#,
                "The name of the password in the secrets file, never the password itself.",
            ),
            shared(key(
                "expires",
                period(60_000, 86_400_000, false),
                Default(r#""1 h""#),
                r#""30 min""#,
                "How long a registration is asked to last. It is refreshed in time.",
            )),
            shared(key(
                "codecs",
                Kind::Choices(CODECS),
                Default(r#"["opus", "pcmu", "pcma"]"#),
                r#"["opus", "pcma"]"#,
                "The codecs to accept, preferred first. \"pcmu\" is G.711 µ-law, \"pcma\" is G.711 A-law.",
            )),
            ZONES,
            PRIORITY,
            CHIME,
            PAGE_LIMIT,
            QUIET_LIMIT,
            NO_PACKET_LIMIT,
            SOURCE_GAIN,
        ],
    },
    Section {
        path: "groups",
        named: true,
        doc: "A multicast group: whoever sends RTP to it speaks in its zones. It is not protected by a password: \
              let the network decide who may send.",
        defaults: Some("defaults.groups"),
        keys: &[
            key(
                "address",
                Kind::Multicast,
                Required,
                r#""239.255.10.1:5004""#,
                "Multicast address and port.",
            ),
            shared(key(
                "interface",
                Kind::Interface,
                Unset("the system chooses by its routes."),
                r#""eth0""#,
                "The network interface on which to join, by name or by one of its addresses.",
            )),
            shared(key(
                "codec",
                Kind::Choice(CODECS),
                Unset("PCMU and PCMA, told apart by their payload types 0 and 8."),
                r#""pcmu""#,
                "The codec of the stream: \"pcmu\" is G.711 µ-law, \"pcma\" is G.711 A-law.",
            )),
            shared(key(
                "payload_type",
                Kind::PayloadType,
                Unset("0 for pcmu, 8 for pcma; needed for opus."),
                "111",
                "The RTP payload type that the sender uses for `codec`.",
            )),
            shared(key(
                "idle",
                period(200, 60_000, false),
                Default(r#""1 s""#),
                r#""500 ms""#,
                "The page is over after this long without a packet.",
            )),
            shared(key(
                "when_busy",
                Kind::Choice(&["wait", "refuse"]),
                Default(r#""wait""#),
                r#""refuse""#,
                "While its zones are held by a page it cannot cut into: \"wait\" and be heard from the moment a zone \
                 is free, or \"refuse\" and stay unheard.",
            )),
            ZONES,
            PRIORITY,
            CHIME,
            PAGE_LIMIT,
            absent(QUIET_LIMIT, Default(r#""none""#)),
            SOURCE_GAIN,
        ],
    },
];

/// The tables of defaults and what they are for.
pub(super) const DEFAULTS: &[(&str, &str)] = &[("defaults.extensions", "extensions"), ("defaults.groups", "groups")];

pub(super) fn section(path: &str) -> Option<&'static Section> {
    SECTIONS.iter().find(|s| s.path == path)
}

impl Section {
    pub fn key(&self, name: &str) -> Option<&'static Key> {
        self.keys.iter().find(|k| k.name == name)
    }
}
