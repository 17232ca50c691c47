//! Who may speak: extensions and groups. Line inputs are in [`super::lines`].

use super::Absent::{Default, Required, Unset};
use super::{BUSY_TONES, CHIMES, Key, Kind, SUITES, Section, absent, gates, key, period, shared, terms};

// The keys that sources share. Ranges of limits: common practice, no published source, widened.

pub(super) const ZONES: Key = key(
    "zones",
    Kind::Names {
        section: "zones",
        empty: false,
    },
    Required,
    r#"["yard"]"#,
    "The zones where a page is heard.",
);

pub(super) const PRIORITY: Key = shared(key(
    "priority",
    Kind::Integer { from: 0, to: 100 },
    Default("50"),
    "70",
    "The higher number is heard and cuts into lower ones; of equal ones the first keeps the zone.",
));

pub(super) const CHIME: Key = shared(key(
    "chime",
    Kind::ChoiceOrName(CHIMES, "messages"),
    Default(r#""none""#),
    r#""double""#,
    "What is heard before speech: a tone of one to three notes, or the stored message of this name.",
));

pub(super) const PAGE_LIMIT: Key = shared(key(
    "page_limit",
    period(5_000, 3_600_000, true),
    Default(r#""2 min""#),
    r#""90 s""#,
    "The longest speech; then the page is ended. \"none\" for no limit.",
));

pub(super) const QUIET_LIMIT: Key = shared(key(
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

const MIN_DELAY: Key = shared(key(
    "min_delay",
    period(5, 1_000, false),
    Default(r#""20 ms""#),
    r#""60 ms""#,
    "The least that the jitter buffer keeps in hand. It finds out by itself how much a network needs; raise it for one that \
     is quiet for long and then stalls.",
));

const MAX_DELAY: Key = shared(key(
    "max_delay",
    period(20, 2_000, false),
    Default(r#""400 ms""#),
    r#""150 ms""#,
    "The most that the jitter buffer aims for on a bad network. What comes later than that is played late, with a gap before it.",
));

pub(super) const LEVELLED: Key = shared(key(
    "levelled",
    Kind::Flag,
    Default("true"),
    "false",
    "Brings every talker to the same loudness, \
     slowly and only while somebody speaks. Without it each is as loud as it comes in.",
));

pub(super) const BUSY_TONE: Key = shared(key(
    "busy_tone",
    Kind::Choice(BUSY_TONES),
    Default(r#""none""#),
    r#""itu""#,
    "Ends a page when the busy or reorder tone of this country is heard in it: for a telephone line behind a gateway that \
     does not tell when its caller has hung up. \"itu\" is 425 Hz at any even beat, which many countries use.",
));

pub(super) const SOURCE_GAIN: Key = shared(key(
    "gain",
    Kind::Gain { from: -40.0, to: 20.0 },
    Default(r#""0 dB""#),
    r#""3 dB""#,
    "Makes this source louder or softer than the others; each zone's own gain comes on top.",
));

pub(super) const EXTENSIONS: Section = Section {
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
            "Where to register: host, optional port, optional ;transport=tcp or ;transport=tls. \"sips:\" goes by TLS
             and nothing else. Without a port or transport the domain's \
             own records say where its servers are and by what to reach them (RFC 3263). Of several entries each is a \
             telephone system of its own, and all are registered at together. \"none\" overrules a default.",
        )),
        shared(key(
            "outbound_proxy",
            Kind::Registrar,
            Unset("straight to the registrar."),
            r#""sip:edge.quayside.example;transport=tcp""#,
            "The proxy that leads to the registrars, written like one. Each of several gets a registration of its own, \
             so that calls still come when one of them is down (RFC 5626).",
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
            "How long a registration is asked to last. It is refreshed in time. By UDP a shorter time also means that a \
             telephone system that was started anew, and has forgotten us, is without us for less long.",
        )),
        shared(key(
            "keep_alive",
            period(10_000, 300_000, true),
            Default(r#""30 s""#),
            r#""20 s""#,
            "How often a registrar by UDP gets an empty line, so that address translations on the way stay open; \
             connections are looked at every two minutes. \"none\" for never. A registrar that speaks outbound (RFC 5626) \
             says itself how often, and is checked to answer.",
        )),
        shared(key(
            "codecs",
            Kind::Codecs,
            Default(r#"["opus", "g722", "pcmu", "pcma"]"#),
            r#"["opus", "pcma"]"#,
            "The codecs to accept, preferred first. \"opus\" and \"g722\" carry more than a telephone's band; \"pcmu\" is \
             G.711 µ-law, \"pcma\" is G.711 A-law. \"l16/RATE\" is uncompressed audio, one channel of 16-bit samples at RATE \
             Hz: 8000, 11025, 16000, 22050, 24000, 32000, 44100 or 48000; \"l16/RATE/2\" has two channels, which are mixed to \
             one. Each rate that is to be taken needs an entry.",
        )),
        shared(key(
            "srtp",
            Kind::Choice(&["off", "prefer", "require"]),
            Default(r#""prefer""#),
            r#""require""#,
            "Encrypted audio (SRTP). \"prefer\": whenever the phone offers it; over UDP and TCP its keys can be read by \
             whoever sees the signalling. \"require\": a call that does not come by TLS, or offers no SRTP, is refused. \
             \"off\": never; a phone that insists on it is refused.",
        )),
        gates::NETWORKS,
        gates::REGISTRAR_ONLY,
        gates::ASSERTED_ONLY,
        gates::ALLOW,
        gates::DENY,
        gates::HOURS,
        gates::CODES_OF,
        gates::CODE_LENGTH,
        gates::DIAL,
        gates::KEYPAD,
        gates::NO_CHOICE,
        gates::URGENT,
        ZONES,
        PRIORITY,
        CHIME,
        terms::WHEN_BUSY_CALL,
        terms::WHEN_CUT,
        terms::UNDER,
        terms::RECORD_FIRST,
        terms::BEGIN,
        PAGE_LIMIT,
        terms::WARNING,
        QUIET_LIMIT,
        NO_PACKET_LIMIT,
        terms::WAIT_LIMIT,
        terms::COOL_DOWN,
        terms::PAGES_PER_HOUR,
        MIN_DELAY,
        MAX_DELAY,
        LEVELLED,
        BUSY_TONE,
        SOURCE_GAIN,
    ],
};

pub(super) const GROUPS: Section = Section {
    path: "groups",
    named: true,
    doc: "A multicast group: whoever sends RTP to it speaks in its zones. Without `srtp_key` it is not protected: \
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
            Kind::Codec,
            Unset(
                "PCMU, PCMA, G.722, l16/44100/2 and l16/44100, told apart by their payload types 0, 8, 9, 10 and 11.",
            ),
            r#""pcmu""#,
            "The codec of the stream: \"pcmu\" is G.711 µ-law, \"pcma\" is G.711 A-law, \"g722\" is G.722 at 64 kbit/s, \
             \"l16/RATE\" is uncompressed audio, one channel of 16-bit samples at RATE Hz: 8000, 11025, 16000, 22050, 24000, \
             32000, 44100 or 48000; \"l16/RATE/2\" has two channels, which are mixed to one.",
        )),
        shared(key(
            "payload_type",
            Kind::PayloadType,
            Unset("0 for pcmu, 8 for pcma, 9 for g722, 10 for l16/44100/2, 11 for l16/44100; needed for all others."),
            "111",
            "The RTP payload type that the sender uses for `codec`.",
        )),
        key(
            "srtp_key",
            Kind::SecretName,
            Unset("the stream is not encrypted, and anybody can send to it."),
            r#""dispatch-key""#,
            "The name of the group's SRTP key in the secrets file: key and salt one behind the other, in base64 or \
             hexadecimal, as the sender has them. Packets without the key are not heard.",
        ),
        key(
            "srtp_suite",
            Kind::Choice(SUITES),
            Default(r#""AES_CM_128_HMAC_SHA1_80""#),
            r#""AES_256_CM_HMAC_SHA1_80""#,
            "How the sender encrypts. Key and salt together have 30 octets for AES_CM_128, 46 for AES_256_CM.",
        ),
        shared(key(
            "idle",
            period(200, 60_000, false),
            Default(r#""1 s""#),
            r#""500 ms""#,
            "The page is over after this long without a packet.",
        )),
        terms::WHEN_BUSY,
        terms::WHEN_CUT,
        terms::UNDER,
        terms::RECORD_FIRST,
        terms::BEGIN,
        Key {
            absent: Unset("everybody who can send to the group."),
            doc: "Whose streams are heard, by the address of the sender.",
            ..gates::NETWORKS
        },
        gates::HOURS,
        ZONES,
        PRIORITY,
        CHIME,
        PAGE_LIMIT,
        absent(QUIET_LIMIT, Default(r#""none""#)),
        terms::WAIT_LIMIT,
        terms::COOL_DOWN,
        terms::PAGES_PER_HOUR,
        MIN_DELAY,
        MAX_DELAY,
        LEVELLED,
        BUSY_TONE,
        SOURCE_GAIN,
    ],
};
