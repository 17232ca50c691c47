//! Everything that the daemon may tell the journal, but for the pages' own records ([`super::record`]).
//!
//! Each kind has an id for ever and an entry in `systemd/hornwire.catalog`, which says what it means and what to do.
//! Faults are told once per change, not once per try; who counts and who decides that it is a change is the sender.

use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use super::entry::{Entry, Kind, Severity};

mod clock;
mod contact;
mod gate;
mod line;
mod local;
mod page;
mod reload;

pub use self::clock::ClockMessage;
pub use self::contact::ContactMessage;
pub use gate::GateMessage;
pub use line::LineMessage;
pub use local::LocalMessage;
pub use page::PageMessage;
pub use reload::ReloadMessage;

macro_rules! kinds {
    ($($(#[$doc:meta])* $name:ident = $severity:ident $id:literal;)*) => {
        /// The kinds of messages.
        pub mod kind {
            use super::{Kind, Severity};
            $($(#[$doc])* pub const $name: Kind = Kind { id: $id, severity: Severity::$severity };)*
        }
        /// Every kind, with its name.
        pub const KINDS: &[(&str, Kind)] = &[$((stringify!($name), kind::$name)),*];
    };
}

kinds! {
    STARTED = Notice "e0989f1ef01e45289e7f6add67487954";
    STOPPING = Notice "f3ec225da6494140bab3b543ebdc95c2";
    STOPPED = Notice "f425e497dad9495997af0ed3c251a40a";
    CONFIG_FAULT = Error "49e979e38e104af294807207f34138e3";
    CONFIG_DOUBT = Warning "9fc1ea01654343838976bbb7936f70a9";
    CANNOT_START = Error "ab32472eeb784c75aec625287947ef2b";
    CONFIG_KEPT = Error "909765e482da45ec8a91672b80ca05c2";
    CONFIG_TAKEN_UP = Notice "87558394429c46beb8e30cba0e85ef65";
    CONFIG_WAITS = Notice "135f42c4dc174d0fbc41e594728c26ad";
    REGISTERED = Notice "9d6cfdc7fe7d4fd58c2e0211678681cf";
    REGISTRATION_FAILED = Warning "fa9870d476c04681a5034bf96a6ce4aa";
    UNREGISTERED = Notice "f13ba914f5d541e0b5f6ace96de4b2d3";
    TURNED_AWAY = Warning "178fb299565a4ad8bdad336fee8c636b";
    CONNECTION_FAILED = Warning "f102a54d4d09485ba188f678ba707cf8";
    TLS_FILES_TAKEN = Notice "6d13114576ba4b5e99579380f33e9235";
    TLS_FILES_REFUSED = Error "be28aabf16774668b85eb7db645c23d7";
    ADDRESS_MOVED = Notice "39587801fcf540ed8efd4ec7108ad7b5";
    ADDRESS_MISSING = Warning "57f003b8e4e04e41b2460dfe02d427a0";
    ADDRESS_CAME = Notice "6f6678f7280b4df69e9eda7e6595fef8";
    CERTIFICATE_ENDS = Warning "4c69d4e87d2e44d2b1f7ece3f97e040a";
    CALL_NOT_TAKEN = Notice "bbb8564f301d477c849e3aa33a0f260c";
    GATE_REFUSED = Notice "18cba1ccbcaf4e77a2c0bd1590bca01b";
    WRONG_CODE = Notice "ce39a43b26a94ff78f692dfcb0b30b2d";
    CODES_LOCKED = Warning "d1b08abb29d14680b7eff2243dbd1feb";
    LEFT_DIAL_PAD = Info "0b8769b6f7c42130a89eacbe3c5c1ff5";
    CODE_OPENED = Info "fd482fa74e2c4d6994f6d5c5225ac80e";
    SENDER_REFUSED = Notice "56b634e10601440ba581a8b76a21af35";
    CLOCK_NOT_SET = Warning "04b577d2aa2946cc9fa17d3c542e48cc";
    CLOCK_JUMPED = Warning "0bccea1614d449858a521e5a8606056d";
    SCHEDULE_DUE = Info "476ef1a4a011412a89099696c59fed95";
    NO_SOCKET = Warning "7384ae9b70cb4b63976eed0064ab928c";
    NO_METRICS = Warning "24b0b7ba1ea549b58de7bc3f2f1fb8fd";
    LOCAL_TESTS = Notice "7f1e2c0b9d344c7aa1c2d05be86f3a11";
    LOCAL_OPERATES = Notice "c53b8a0e41d74f0e9b7f2ad64c1905fe";
    LOCAL_ANNOUNCES = Notice "fba5000bee52497896656de74115947f";
    LOCAL_STOPPED = Notice "c0da2385d968489a83b474b9816d8e55";
    CONTACT_READ = Info "f33e8a06417d48b487eeccb7e14fab1d";
    CONTACT_LOST = Warning "8fcefbcf7cf74c4186ff2e993bd0ee61";
    CONTACT_CLOSED = Info "2a0ac8e8fdbd4a2f84612cd145b33d9f";
    ZONES_TAKEN = Warning "74e73da159484cac94379891ad030af5";
    ZONES_GIVEN_BACK = Notice "9ccd737fb579488d828530b57ee05a69";
    GROUP_JOINED = Info "09367717079140a5bf25f736e453ecc2";
    GROUP_NOT_JOINED = Warning "d4ffae70e3a84d0ab90db441baeac0da";
    GROUP_NOT_AUTHENTIC = Warning "f378addbdcfe47af96318f1a14fb6ee9";
    NOT_DECODED = Warning "59a562c5e8514190aa74c965fb6c0ec4";
    STREAM_HEARD = Info "81786a3fd8df48ea80b299ad48c9f1c8";
    STREAM_ENDED = Info "a628f4fe0d3e4c5592ea3b29944bc36a";
    PAGE_BEGAN = Info "677658100cd04e59b7ca515fd48ac92a";
    PAGE_WAITING = Notice "181ad555e7124ad3a3ee276d8384a97b";
    PAGE_RECORDED = Notice "20fe5922123149618f15d494aded4120";
    RECORDING_LOST = Warning "613b874f4c3347f6b368835df1edf114";
    PAGE_LOST = Warning "ffa4f247d4d04db1bd1a6b0ea12f4686";
    /// The record of a page that was heard.
    PAGE_ENDED = Info "eeac6006d2f84c5990da1417e55a3fac";
    /// The record of a page that was heard nowhere.
    PAGE_NOT_HEARD = Notice "1eaf2c36f5984bd7a7981ace660e7c67";
    NO_DECODER = Error "15084abf12864370add79fc9dd1a4641";
    CARD_OPENED = Notice "78b9a8c3ea2e4a65b3f1a5d2d6d987bc";
    CARD_LOST = Error "397e49b2cd194f9a9c09bd0c009680ce";
    XRUNS = Warning "433fef414bf5436fbbe30663f18381d4";
    INPUT_OPENED = Notice "cc0b35dd3ba2824276189779b0c06fcf";
    INPUT_LOST = Error "a415ef608e9f492569f0244a5ef477d1";
    INPUT_XRUNS = Warning "b80f7b56e4c16a25aa30dc8a43c05ed6";
    LINE_NOT_HEARD = Notice "537f5a67309c12f9cd2b02a012119d59";
    LINE_HUMS = Warning "4971daa2fb3c9a628227b03d8d64e027";
    LINE_HUM_GONE = Notice "d4aef3c34bfdcb26feb557b577e98a1a";
    MUSIC_BROKEN = Warning "e3c214481f6724cdb8c9b1b76c6e4858";
    RELAY_MOVED = Info "e5363a84ce5845a79448157d837dd467";
    RELAY_FAULT = Error "f2df65cf9e7a49cd8a32ed95eb0d679c";
    RELAY_MISSING = Warning "2b2c261c54c24924b72ed4db92aa3572";
    OVERLOAD = Warning "af6004f9a950463b959fb236d654fae4";
    MESSAGES_LOST = Warning "92d380df351a4b50ba0ba48729375c83";
}

/// Something to tell.
#[derive(Debug, Clone, PartialEq)]
pub enum Message {
    Started {
        site: String,
    },
    Stopping,
    Stopped,
    /// One problem of a config file, as the check words it: file, line, key, found, wanted, hint.
    ConfigFault {
        problem: String,
    },
    /// Something in the config that is probably not meant.
    ConfigDoubt {
        problem: String,
    },
    /// It ends before it has begun.
    CannotStart {
        cause: String,
    },
    Registered {
        extension: String,
        registrar: String,
        /// Which of the registrar's servers, and by which transport.
        server: SocketAddr,
        transport: &'static str,
        expires: Duration,
    },
    RegistrationFailed {
        extension: String,
        registrar: String,
        cause: String,
        retry_in: Duration,
    },
    Unregistered {
        extension: String,
        registrar: String,
    },
    /// A caller at the gate.
    TurnedAway {
        peer: SocketAddr,
        caller: String,
        /// What was dialled, where no extension has it; otherwise empty.
        dialled: String,
        why: &'static str,
    },
    /// A connection for signalling that could not be made or agreed on, with a registrar or with who connected to us.
    ConnectionFailed {
        /// For people: name and number.
        name: String,
        peer: SocketAddr,
        /// `TCP` or `TLS`.
        transport: &'static str,
        cause: String,
    },
    /// The system would reach a registrar from another address now.
    AddressMoved {
        before: IpAddr,
        now: IpAddr,
        peer: SocketAddr,
    },
    /// Something is to be listened to at an address that this machine does not have.
    AddressMissing {
        address: IpAddr,
    },
    /// It has it now.
    AddressCame {
        address: IpAddr,
    },
    /// Files of the `[tls]` table were renewed and are in use.
    TlsFilesTaken,
    /// Files of the `[tls]` table were changed and cannot be used; the old ones stay in use.
    TlsFilesRefused {
        cause: String,
    },
    /// Our own certificate has ended, or will soon.
    CertificateEnds {
        cause: String,
    },
    /// A call that was let in but could not become a page.
    CallNotTaken {
        extension: String,
        caller: String,
        peer: SocketAddr,
        status: u16,
        why: String,
    },
    /// What the gates tell.
    Gate(GateMessage),
    /// What line inputs and music tell.
    Line(LineMessage),
    /// What contacts tell.
    Contact(ContactMessage),
    Clock(ClockMessage),
    Local(LocalMessage),
    Reload(ReloadMessage),
    GroupJoined {
        group: String,
        address: SocketAddr,
    },
    GroupNotJoined {
        group: String,
        cause: String,
    },
    /// A packet to a group with a key could not be opened: the first in a while.
    GroupNotAuthentic {
        group: String,
        peer: SocketAddr,
        cause: String,
    },
    /// RTP of a payload type that the source does not take: the first in a while from there.
    NotDecoded {
        source: String,
        /// Where the source is heard, as far as it is known.
        zones: Vec<String>,
        peer: SocketAddr,
        /// With its name, if it has one.
        payload_type: String,
        /// What the source takes.
        taken: String,
    },
    /// The first valid packets of a stream.
    StreamHeard {
        group: String,
        peer: SocketAddr,
        codec: &'static str,
    },
    /// No packet for the group's idle time.
    StreamEnded {
        group: String,
        peer: SocketAddr,
    },
    Page(PageMessage),
    CardOpened {
        card: String,
        /// The audio thread runs with real-time scheduling.
        real_time: bool,
    },
    CardLost {
        card: String,
        cause: String,
    },
    /// The card ran dry `count` times since the last such message.
    Xruns {
        card: String,
        count: u64,
    },
    /// A relay was set, and took it.
    RelayMoved {
        relay: String,
        operated: bool,
    },
    RelayFault {
        relay: String,
        cause: String,
    },
    /// An optional relay is not there; the daemon runs without it.
    RelayMissing {
        relay: String,
        cause: String,
    },
    /// A bounded queue or table was full.
    Overload {
        what: String,
        dropped: u64,
    },
    /// The journal itself did not take messages.
    MessagesLost {
        count: u64,
    },
}

impl Message {
    /// The message as it is written.
    pub fn entry(&self) -> Entry {
        match self {
            Message::Started { site } => {
                let version = env!("CARGO_PKG_VERSION");
                Entry::new(kind::STARTED, format!("ready to page at {site}, version {version}"))
                    .with("SITE", site)
                    .with("VERSION", version)
            }
            Message::Stopping => Entry::new(kind::STOPPING, "stopping: ending calls and unregistering"),
            Message::Stopped => Entry::new(kind::STOPPED, "stopped, all relays at rest"),
            Message::ConfigFault { problem } => Entry::new(kind::CONFIG_FAULT, problem).with("PROBLEM", problem),
            Message::ConfigDoubt { problem } => Entry::new(kind::CONFIG_DOUBT, problem).with("PROBLEM", problem),
            Message::CannotStart { cause } => {
                Entry::new(kind::CANNOT_START, format!("cannot start: {cause}")).with("CAUSE", cause)
            }
            Message::Registered {
                extension,
                registrar,
                server,
                transport,
                expires,
            } => Entry::new(
                kind::REGISTERED,
                format!(
                    "extension {extension} is registered at {registrar} ({server}, {transport}) for {}",
                    seconds(*expires)
                ),
            )
            .with("EXTENSION", extension)
            .with("REGISTRAR", registrar)
            .with("SERVER", server)
            .with("TRANSPORT", transport)
            .with("EXPIRES", expires.as_secs()),
            Message::RegistrationFailed {
                extension,
                registrar,
                cause,
                retry_in,
            } => Entry::new(
                kind::REGISTRATION_FAILED,
                format!(
                    "extension {extension} cannot register at {registrar}: {cause}; next try in {}",
                    seconds(*retry_in)
                ),
            )
            .with("EXTENSION", extension)
            .with("REGISTRAR", registrar)
            .with("CAUSE", cause)
            .with("RETRY_IN", retry_in.as_secs()),
            Message::Unregistered { extension, registrar } => Entry::new(
                kind::UNREGISTERED,
                format!("extension {extension} is unregistered at {registrar}"),
            )
            .with("EXTENSION", extension)
            .with("REGISTRAR", registrar),
            Message::TurnedAway {
                peer,
                caller,
                dialled,
                why,
            } => {
                let number = if dialled.is_empty() {
                    String::new()
                } else {
                    format!(" as {dialled}")
                };
                Entry::new(
                    kind::TURNED_AWAY,
                    format!(
                        "turned away a caller ({}) from {peer}: {why}{number}",
                        or_unknown(caller)
                    ),
                )
                .with("CALLER", caller)
                .with("DIALLED", dialled)
                .with("PEER", peer)
                .with("CAUSE", why)
            }
            Message::ConnectionFailed {
                name,
                peer,
                transport,
                cause,
            } => Entry::new(
                kind::CONNECTION_FAILED,
                format!("no {transport} connection with {name}: {cause}"),
            )
            .with("PEER", peer)
            .with("TRANSPORT", transport)
            .with("CAUSE", cause),
            Message::AddressMoved { before, now, peer } => Entry::new(
                kind::ADDRESS_MOVED,
                format!("our address towards {peer} is {now} now, no longer {before}: registering anew"),
            )
            .with("BEFORE", before)
            .with("ADDRESS", now)
            .with("PEER", peer),
            Message::AddressMissing { address } => Entry::new(
                kind::ADDRESS_MISSING,
                format!("this machine does not have the address {address}: nothing is heard there before it has"),
            )
            .with("ADDRESS", address),
            Message::AddressCame { address } => Entry::new(
                kind::ADDRESS_CAME,
                format!("this machine has the address {address} now, and listens there"),
            )
            .with("ADDRESS", address),
            Message::TlsFilesTaken => Entry::new(
                kind::TLS_FILES_TAKEN,
                "the renewed TLS files are in use for new connections",
            ),
            Message::TlsFilesRefused { cause } => Entry::new(
                kind::TLS_FILES_REFUSED,
                format!("the changed TLS files cannot be used, the old ones stay in use: {cause}"),
            )
            .with("CAUSE", cause),
            Message::CertificateEnds { cause } => {
                Entry::new(kind::CERTIFICATE_ENDS, format!("our own TLS certificate: {cause}")).with("CAUSE", cause)
            }
            Message::CallNotTaken {
                extension,
                caller,
                peer,
                status,
                why,
            } => Entry::new(
                kind::CALL_NOT_TAKEN,
                format!("{extension} did not take the call from {caller} ({peer}): {status}, {why}"),
            )
            .with("SOURCE", extension)
            .with("CALLER", caller)
            .with("PEER", peer)
            .with("STATUS", status)
            .with("CAUSE", why),
            Message::Gate(message) => message.entry(),
            Message::Line(message) => message.entry(),
            Message::Contact(message) => message.entry(),
            Message::Clock(message) => message.entry(),
            Message::Local(message) => message.entry(),
            Message::Reload(message) => message.entry(),
            Message::GroupJoined { group, address } => {
                Entry::new(kind::GROUP_JOINED, format!("listening to group {group} at {address}"))
                    .with("GROUP", group)
                    .with("ADDRESS", address)
            }
            Message::GroupNotJoined { group, cause } => Entry::new(
                kind::GROUP_NOT_JOINED,
                format!("cannot listen to group {group}: {cause}"),
            )
            .with("GROUP", group)
            .with("CAUSE", cause),
            Message::GroupNotAuthentic { group, peer, cause } => Entry::new(
                kind::GROUP_NOT_AUTHENTIC,
                format!("group {group}: packets from {peer} are not heard: {cause}"),
            )
            .with("GROUP", group)
            .with("PEER", peer)
            .with("CAUSE", cause),
            Message::NotDecoded {
                source,
                zones,
                peer,
                payload_type,
                taken,
            } => {
                let text = format!(
                    "{source}: packets of payload type {payload_type} from {peer} are not played; it takes {taken}"
                );
                let entry = Entry::new(kind::NOT_DECODED, text)
                    .with("SOURCE", source)
                    .with("PEER", peer)
                    .with("PAYLOAD_TYPE", payload_type);
                zones.iter().fold(entry, |entry, zone| entry.with("ZONE", zone))
            }
            Message::StreamHeard { group, peer, codec } => Entry::new(
                kind::STREAM_HEARD,
                format!("group {group}: a stream from {peer} began, {codec}"),
            )
            .with("GROUP", group)
            .with("PEER", peer)
            .with("CODEC", codec),
            Message::StreamEnded { group, peer } => Entry::new(
                kind::STREAM_ENDED,
                format!("group {group}: the stream from {peer} ended"),
            )
            .with("GROUP", group)
            .with("PEER", peer),
            Message::Page(message) => message.entry(),
            Message::CardOpened { card, real_time } => {
                let scheduling = if *real_time { "with" } else { "without" };
                Entry::new(
                    kind::CARD_OPENED,
                    format!("sound card {card} is open, {scheduling} real-time scheduling"),
                )
                .severe(if *real_time {
                    Severity::Notice
                } else {
                    Severity::Warning
                })
                .with("CARD", card)
                .with("REAL_TIME", u8::from(*real_time))
            }
            Message::CardLost { card, cause } => Entry::new(
                kind::CARD_LOST,
                format!("sound card {card} does not work: {cause}; its zones are closed until it does"),
            )
            .with("CARD", card)
            .with("CAUSE", cause),
            Message::Xruns { card, count } => Entry::new(
                kind::XRUNS,
                format!("sound card {card} ran dry {}: audio had gaps", times(*count)),
            )
            .with("CARD", card)
            .with("COUNT", count),
            Message::RelayMoved { relay, operated } => {
                let (text, state) = if *operated {
                    ("operated", "operated")
                } else {
                    ("at rest", "rest")
                };
                Entry::new(kind::RELAY_MOVED, format!("relay {relay} {text}"))
                    .with("RELAY", relay)
                    .with("RELAY_STATE", state)
            }
            Message::RelayFault { relay, cause } => {
                Entry::new(kind::RELAY_FAULT, format!("relay {relay} does not obey: {cause}"))
                    .with("RELAY", relay)
                    .with("CAUSE", cause)
            }
            Message::RelayMissing { relay, cause } => Entry::new(
                kind::RELAY_MISSING,
                format!("running without the optional relay {relay}: {cause}"),
            )
            .with("RELAY", relay)
            .with("CAUSE", cause),
            Message::Overload { what, dropped } => {
                Entry::new(kind::OVERLOAD, format!("overload: {dropped} dropped, {what}"))
                    .with("WHAT", what)
                    .with("COUNT", dropped)
            }
            Message::MessagesLost { count } => Entry::new(
                kind::MESSAGES_LOST,
                format!("{count} messages were lost: the journal did not take them"),
            )
            .with("COUNT", count),
        }
    }
}

/// The source, with who speaks if that is known: `yard (Gate office <201>)`.
pub(super) fn from(source: &str, caller: &str) -> String {
    if caller.trim().is_empty() {
        source.to_owned()
    } else {
        format!("{source} ({caller})")
    }
}

/// `once`, `3 times`.
pub(super) fn times(count: u64) -> String {
    match count {
        1 => "once".to_owned(),
        count => format!("{count} times"),
    }
}

fn or_unknown(caller: &str) -> &str {
    if caller.trim().is_empty() { "unknown" } else { caller }
}

/// `0.5 s`, `32 s`, `60 min`; to the nearest.
fn seconds(duration: Duration) -> String {
    let whole = duration.saturating_add(Duration::from_millis(500)).as_secs();
    if duration < Duration::from_secs(10) && duration.subsec_nanos() != 0 {
        format!("{:.1} s", duration.as_secs_f64())
    } else if whole >= 600 && whole.is_multiple_of(60) {
        format!("{} min", whole / 60)
    } else {
        format!("{whole} s")
    }
}

#[cfg(test)]
mod tests;
