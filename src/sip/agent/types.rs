//! What goes in and what comes out.

use std::net::SocketAddr;
use std::time::Duration;

use crate::sip::network::Network;
use crate::sip::secret::Secret;

/// How a message travels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Transport {
    Udp,
    Tcp,
    Tls,
}

impl Transport {
    /// Repeats nothing itself and loses nothing (RFC 3261 §17).
    pub fn is_reliable(self) -> bool {
        self != Transport::Udp
    }

    /// As in Via: `UDP`, `TCP`, `TLS` (RFC 3261 §20.42).
    pub fn name(self) -> &'static str {
        match self {
            Transport::Udp => "UDP",
            Transport::Tcp => "TCP",
            Transport::Tls => "TLS",
        }
    }

    /// Where nothing else is said (RFC 3261 §19.1.2).
    pub fn default_port(self) -> u16 {
        match self {
            Transport::Udp | Transport::Tcp => 5060,
            Transport::Tls => 5061,
        }
    }
}

/// One connection of the driver.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct ConnectionId(pub u64);

/// The way a message came, and the way back.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Flow {
    pub transport: Transport,
    pub local: SocketAddr,
    pub peer: SocketAddr,
    /// For TCP and TLS: the connection. `None` asks the driver to find one to `peer` or open it.
    pub connection: Option<ConnectionId>,
}

/// Indexes [`Settings::extensions`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct ExtensionId(pub u16);

/// One call, for the life of the process.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct CallId(pub u64);

/// A server as its URI names it, before RFC 3263 finds where it is: a registrar or an outbound proxy.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Hop {
    /// Domain name or address, without brackets.
    pub host: String,
    pub port: Option<u16>,
    pub transport: Option<Transport>,
    /// `sips`: TLS and nothing else.
    pub secure: bool,
}

impl Hop {
    /// Reached by TLS whatever the name service says.
    pub fn is_encrypted(&self) -> bool {
        self.secure || self.transport == Some(Transport::Tls)
    }

    /// The transport where the name service is not asked (RFC 3263 §4.1).
    pub fn plain_transport(&self) -> Transport {
        if self.secure {
            Transport::Tls
        } else {
            self.transport.unwrap_or(Transport::Udp)
        }
    }
}

/// Where an extension registers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Registrar {
    /// Its host is the domain of the address of record too.
    pub hop: Hop,
    /// Outbound proxies: each gets a flow of its own (RFC 5626). Empty: straight to the registrar.
    pub proxies: Vec<Hop>,
}

/// One place where a [`Hop`] can be reached.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Target {
    pub transport: Transport,
    pub peer: SocketAddr,
    /// The local address that a socket to it would have, and the port where we can be called back.
    pub local: SocketAddr,
    /// Targets of one rank are equally good; a higher one is for when the lower ones fail (RFC 2782 priority).
    pub rank: u8,
}

/// One binding that is kept up: an extension at a registrar by one way.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct RegistrationId(pub u16);

/// One extension. Without registrars it takes calls straight from [`Settings::networks`].
#[derive(Debug, Clone)]
pub struct Extension {
    pub user: String,
    /// Registered at all of them at once.
    pub registrars: Vec<Registrar>,
    /// The user part if `None`.
    pub auth_user: Option<String>,
    pub password: Option<Secret>,
    /// Seconds asked for.
    pub expires: u32,
    /// How often a registrar that does not speak outbound (RFC 5626) gets an empty line by UDP, so that translations
    /// stay open; `None` also keeps such registrars' TCP connections without pings.
    pub keep_alive: Option<Duration>,
}

#[derive(Debug, Clone)]
pub struct Settings {
    /// Indexed by [`ExtensionId`].
    pub extensions: Vec<Extension>,
    /// Who may call beside the registrars' own addresses.
    pub networks: Vec<Network>,
    /// Whose word about a caller counts, beside the registrars' own: P-Asserted-Identity, Resource-Priority.
    pub trusted: Vec<Network>,
    /// Product token for User-Agent and Server.
    pub product: String,
    /// `urn:uuid:` and so on, the same for ever on this machine (RFC 5626 §4.1). Without one, outbound is not asked for.
    pub instance: Option<String>,
    /// The first registration waits a random part of this.
    pub start_spread: Duration,
}

impl Settings {
    pub(super) fn extension(&self, id: ExtensionId) -> Option<&Extension> {
        self.extensions.get(usize::from(id.0))
    }

    pub(super) fn password(&self, id: ExtensionId) -> Option<&Secret> {
        self.extension(id)?.password.as_ref()
    }
}

/// Why the far end sees its call ended (RFC 3326).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cause {
    /// SIP status as the cause, e.g. 486.
    pub status: u16,
    pub text: String,
}

/// What the agent wants done.
#[derive(Debug)]
pub enum Output {
    /// Send these octets.
    Transmit {
        flow: Flow,
        octets: Vec<u8>,
    },
    /// Find where the hop is (RFC 3263), then call [`Agent::resolved`].
    Resolve {
        registration: RegistrationId,
        hop: Hop,
    },
    /// Close this connection.
    Close(ConnectionId),
    Event(Event),
}

/// What happened.
#[derive(Debug)]
pub enum Event {
    /// `first`: a change of state or of server, worth a journal line; refreshes have it unset.
    Registered {
        extension: ExtensionId,
        /// The registrar's host, and the proxy if there is one.
        registrar: String,
        /// Which of its servers took the registration.
        server: SocketAddr,
        transport: Transport,
        expires: Duration,
        first: bool,
    },
    /// `first`: the first failure since it last worked, or another cause than before.
    RegistrationFailed {
        extension: ExtensionId,
        registrar: String,
        cause: String,
        retry_in: Duration,
        first: bool,
    },
    /// The registrar has taken the binding away, as [`Agent::shut_down`] asked.
    Unregistered { extension: ExtensionId, registrar: String },
    /// A call that came after [`Agent::shut_down`]; it has been refused with 480.
    TooLate {
        extension: ExtensionId,
        peer: SocketAddr,
        caller: String,
    },
    /// A call that passed the network gate; answer it or refuse it. 100 Trying has been sent.
    Incoming(Box<Incoming>),
    /// Keys of the dial pad by INFO (RFC 6086; `application/dtmf-relay` and `application/dtmf`, common practice).
    Dialled { call: CallId, keys: String },
    /// The ACK came; it holds the answer when the INVITE had no offer (empty when the caller left it out).
    Confirmed { call: CallId, answer: Option<Vec<u8>> },
    /// A re-INVITE; answer with [`Agent::accept_change`] or [`Agent::refuse_change`].
    Change { call: CallId, offer: Option<Vec<u8>> },
    /// The ACK to an accepted re-INVITE without an offer.
    ChangeAnswered { call: CallId, answer: Vec<u8> },
    /// The call is over; nothing more comes for it.
    Ended { call: CallId, how: Ending },
    /// A caller was turned away at the gate: the first of its kind in a while, worth a journal line.
    TurnedAway {
        peer: SocketAddr,
        caller: String,
        /// The user part that was dialled, where it says why; otherwise empty.
        dialled: String,
        why: &'static str,
    },
}

/// Who somebody says to be: the user and host of a From or P-Asserted-Identity.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Identity {
    /// Without escapes; empty if the URI has none.
    pub user: String,
    pub host: String,
}

/// A new call.
#[derive(Debug, Clone)]
pub struct Incoming {
    pub call: CallId,
    pub extension: ExtensionId,
    /// For people to read.
    pub caller: String,
    pub from: Identity,
    /// P-Asserted-Identity (RFC 3325), from a trusted peer only.
    pub asserted: Option<Identity>,
    /// The user part that was dialled, without escapes.
    pub dialled: String,
    /// The peer is one of the extension's registrars.
    pub from_registrar: bool,
    /// The peer is a registrar or a trusted network.
    pub trusted: bool,
    /// Signalling came by TLS.
    pub secure: bool,
    /// Values of Priority (RFC 3261 §20.26) and Resource-Priority (RFC 4412), lower case, from a trusted peer only.
    pub urgency: Vec<String>,
    pub peer: SocketAddr,
    pub local: SocketAddr,
    pub offer: Option<Vec<u8>>,
}

/// How a call ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ending {
    /// BYE from the far end.
    Bye,
    Cancelled,
    /// We hung up.
    Local,
    /// We refused it.
    Refused,
    /// No ACK within 64·T1, or the far end no longer answers.
    Lost,
}

/// Figures for status and the journal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct AgentFigures {
    /// Messages from addresses that are let in.
    pub messages: u64,
    /// Of these, the ones that break a rule of the syntax.
    pub malformed: u64,
    /// Messages from strangers, and calls to extensions that are not there.
    pub turned_away: u64,
    /// What a bound kept out: requests refused with 503, messages not sent.
    pub dropped: u64,
}

/// How full the agent's tables are; each has its bound in [`super`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct AgentLoad {
    /// Server transactions, and the octets that they hold by a rough count.
    pub transactions: usize,
    pub transaction_octets: usize,
    /// Requests of ours that wait for an answer or absorb repeats.
    pub requests: usize,
    pub calls: usize,
    pub connections: usize,
    /// Octets of messages that are not yet whole.
    pub partial_octets: usize,
    pub outputs: usize,
}
