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
    /// For TCP: the connection. `None` asks the driver to find one to `peer` or open it.
    pub connection: Option<ConnectionId>,
}

/// Indexes [`Settings::extensions`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct ExtensionId(pub u16);

/// One call, for the life of the process.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct CallId(pub u64);

/// Where an extension registers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Registrar {
    /// Domain or address: also the domain of the address of record.
    pub host: String,
    /// 5060 unless said.
    pub port: u16,
    pub transport: Transport,
}

/// One extension. Without a registrar it takes calls straight from [`Settings::networks`].
#[derive(Debug, Clone)]
pub struct Extension {
    pub user: String,
    pub registrar: Option<Registrar>,
    /// The user part if `None`.
    pub auth_user: Option<String>,
    pub password: Option<Secret>,
    /// Seconds asked for.
    pub expires: u32,
}

#[derive(Debug, Clone)]
pub struct Settings {
    /// Indexed by [`ExtensionId`].
    pub extensions: Vec<Extension>,
    /// Who may call beside the registrars' own addresses.
    pub networks: Vec<Network>,
    /// Product token for User-Agent and Server.
    pub product: String,
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
    /// Resolve the extension's registrar, then call [`Agent::resolved`].
    Resolve {
        extension: ExtensionId,
        registrar: Registrar,
    },
    /// Close this connection.
    Close(ConnectionId),
    Event(Event),
}

/// What happened.
#[derive(Debug)]
pub enum Event {
    /// `first`: a change of state, worth a journal line; refreshes have it unset.
    Registered {
        extension: ExtensionId,
        expires: Duration,
        first: bool,
    },
    /// `first`: the first failure since it last worked, or another cause than before.
    RegistrationFailed {
        extension: ExtensionId,
        cause: String,
        retry_in: Duration,
        first: bool,
    },
    /// The registrar has taken the binding away, as [`Agent::shut_down`] asked.
    Unregistered { extension: ExtensionId },
    /// A call that passed the network gate; answer it or refuse it. 100 Trying has been sent.
    Incoming {
        call: CallId,
        extension: ExtensionId,
        caller: String,
        peer: SocketAddr,
        local: SocketAddr,
        offer: Option<Vec<u8>>,
    },
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
        why: &'static str,
    },
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
