//! One call: the dialog that an INVITE to us makes (RFC 3261 §12), and what is still to be done for it.

use std::net::{IpAddr, SocketAddr};
use std::time::{Duration, Instant};

use super::abilities::AnswerMode;
use super::auth::Auth;
use super::dialog::Refresh;
use super::registration::contact_uri;
use super::server::ServerKey;
use super::{Cause, ConnectionId, ExtensionId, Flow, OFFER_LIMIT, Transport};
use crate::sip::session_timer::Granted;
use crate::sip::transaction::{T1, T2, T64};
use crate::sip::wire::{Address, Request, SipUri};

/// Where a call stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Phase {
    /// The INVITE waits for an answer.
    Offered,
    /// 200 sent, no ACK yet.
    Answered,
    Confirmed,
    /// Over for everybody but the far end: a BYE waits for the ACK, or for its answer.
    Closing,
}

/// A 2xx that is repeated until its ACK comes (RFC 3261 §13.3.1.4).
pub(super) struct Unacknowledged {
    pub(super) cseq: u32,
    /// The first INVITE's; else a re-INVITE's.
    pub(super) initial: bool,
    /// The INVITE had no offer, so the ACK holds the answer.
    pub(super) answer_due: bool,
    pub(super) octets: Vec<u8>,
    pub(super) flow: Flow,
    next: Instant,
    interval: Duration,
    pub(super) until: Instant,
}

impl Unacknowledged {
    pub(super) fn new(cseq: u32, initial: bool, answer_due: bool, octets: Vec<u8>, flow: Flow, now: Instant) -> Self {
        Unacknowledged {
            cseq,
            initial,
            answer_due,
            octets,
            flow,
            next: now + T1,
            interval: T1,
            until: now + T64,
        }
    }

    /// True when it is time to repeat it.
    pub(super) fn is_due(&mut self, now: Instant) -> bool {
        if self.next > now {
            return false;
        }
        self.interval = (self.interval * 2).min(T2);
        self.next = now + self.interval;
        true
    }
}

/// A re-INVITE or UPDATE that waits for its answer.
pub(super) struct Change {
    pub(super) key: ServerKey,
    pub(super) cseq: u32,
    /// A re-INVITE without an offer: the ACK will hold the answer to ours.
    pub(super) answer_due: bool,
    /// Else UPDATE, which has no ACK.
    pub(super) is_invite: bool,
    pub(super) offer: Option<Vec<u8>>,
    /// The new target, once it is accepted (RFC 6141 §4).
    pub(super) contact: Option<Address>,
    /// What its 2xx says of session timers.
    pub(super) granted: Granted,
}

pub(super) struct Call {
    pub(super) extension: ExtensionId,
    pub(super) phase: Phase,
    pub(super) since: Instant,
    pub(super) key: ServerKey,
    /// The first INVITE's number.
    pub(super) invite_cseq: u32,
    pub(super) answer_due: bool,
    /// What the first 2xx says of session timers.
    pub(super) granted: Granted,
    pub(super) answer_mode: AnswerMode,
    /// Accepted with this body; the 200 waits for a PRACK.
    pub(super) accepted: Option<Vec<u8>>,
    pub(super) call_id: Vec<u8>,
    pub(super) local_tag: String,
    pub(super) remote_tag: Option<Vec<u8>>,
    /// Our From: the INVITE's To with our tag.
    pub(super) local: Vec<u8>,
    /// Our To: the INVITE's From.
    pub(super) remote: Vec<u8>,
    /// The Contact's URI.
    pub(super) target: Vec<u8>,
    target_uri: Option<SipUri>,
    routes: Vec<Vec<u8>>,
    /// The first route's URI.
    first_hop: Option<SipUri>,
    pub(super) local_cseq: u32,
    pub(super) remote_cseq: u32,
    /// The way the far end's last request came.
    pub(super) flow: Flow,
    /// Our Contact must be a sips URI.
    secure: bool,
    /// Requests go by `flow` whatever the routes say.
    pub(super) by_flow: bool,
    pub(super) unacknowledged: Option<Unacknowledged>,
    pub(super) change: Option<Change>,
    /// Of a call that was answered and is over: sent at once, or when the ACK is there.
    pub(super) bye: Option<Bye>,
    /// Where the last BYE went, and how many there were.
    pub(super) bye_flow: Option<Flow>,
    pub(super) byes: u8,
    pub(super) auth: Auth,
    /// The description that we sent last.
    pub(super) described: Vec<u8>,
    /// The far end's description that is in force.
    pub(super) heard_of: Vec<u8>,
    pub(super) refresh: Refresh,
}

/// Our farewell to a call.
pub(super) struct Bye {
    /// For its Reason.
    pub(super) cause: Option<Cause>,
}

/// Where a request of ours goes, and what its head says (RFC 3261 §12.2.1.1).
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Way {
    pub(super) uri: Vec<u8>,
    pub(super) routes: Vec<Vec<u8>>,
    pub(super) flow: Flow,
}

impl Call {
    pub(super) fn new(
        extension: ExtensionId,
        request: &Request,
        key: ServerKey,
        tag: String,
        granted: Granted,
        flow: Flow,
        now: Instant,
    ) -> Self {
        let mut local = request.message.first("To").unwrap_or_default().to_vec();
        local.extend_from_slice(b";tag=");
        local.extend_from_slice(tag.as_bytes());
        let target = request.contact.as_ref().unwrap_or(&request.from);
        let secure = wants_sips(request);
        Call {
            extension,
            phase: Phase::Offered,
            since: now,
            key,
            invite_cseq: request.cseq,
            answer_due: false,
            granted,
            answer_mode: AnswerMode::Open,
            accepted: None,
            call_id: request.call_id.clone(),
            local_tag: tag,
            remote_tag: request.from.tag().map(<[u8]>::to_vec),
            local,
            remote: request.message.first("From").unwrap_or_default().to_vec(),
            target: target.raw_uri.clone(),
            // Without a Contact (RFC 2543) requests go back the way the INVITE came.
            target_uri: request.contact.as_ref().and_then(|c| c.uri.sip().cloned()),
            first_hop: request
                .record_route
                .first()
                .and_then(|r| Address::read(r).ok())
                .and_then(|a| a.uri.sip().cloned()),
            routes: request.record_route.clone(),
            local_cseq: 0,
            remote_cseq: request.cseq,
            flow,
            secure,
            by_flow: false,
            unacknowledged: None,
            change: None,
            bye: None,
            bye_flow: None,
            byes: 0,
            auth: Auth::default(),
            described: Vec::new(),
            heard_of: Vec::new(),
            refresh: Refresh::new(&request.message),
        }
    }

    /// Our Contact within the call, with its brackets.
    pub(super) fn contact(&self, user: &str) -> String {
        let uri = contact_uri(user, self.flow.local, self.flow.transport);
        match uri.strip_prefix("sip:").filter(|_| self.secure) {
            Some(rest) => format!("<sips:{}>", rest.trim_end_matches(";transport=tls")),
            None => format!("<{uri}>"),
        }
    }

    /// The dialog's identity (RFC 3261 §12); a peer without tags is an RFC 2543 one.
    pub(super) fn is_dialog_of(&self, request: &Request) -> bool {
        self.call_id == request.call_id
            && request.to.tag() == Some(self.local_tag.as_bytes())
            && request.from.tag() == self.remote_tag.as_deref()
    }

    /// Of the far end and the next hop to it.
    pub(super) fn addresses(&self) -> impl Iterator<Item = IpAddr> {
        let of = |uri: &Option<SipUri>| uri.as_ref().and_then(SipUri::address);
        [Some(self.flow.peer), of(&self.target_uri), of(&self.first_hop)]
            .into_iter()
            .flatten()
            .map(|a| a.ip().to_canonical())
    }

    /// The far end or the next hop to it has this address.
    pub(super) fn is_at(&self, address: IpAddr) -> bool {
        self.addresses().any(|a| a == address)
    }

    /// Where its next hop is cannot be told from here: Record-Route, or Contact without one, gives a name.
    pub(super) fn is_anywhere(&self) -> bool {
        let next = if self.routes.is_empty() {
            self.target_uri.as_ref()
        } else {
            self.first_hop.as_ref()
        };
        next.is_none_or(|uri| uri.address().is_none())
    }

    /// The peer may use a new connection or port within a call.
    pub(super) fn heard_by(&mut self, flow: Flow) {
        if flow.peer.ip() == self.flow.peer.ip() {
            self.flow = flow;
        }
    }

    /// The Contact of a re-INVITE, an UPDATE or a 2xx to ours replaces the target (RFC 3261 §12.2, RFC 3311 §5).
    pub(super) fn retarget(&mut self, contact: Option<&Address>) {
        if let Some(contact) = contact {
            self.target.clone_from(&contact.raw_uri);
            self.target_uri = contact.uri.sip().cloned();
        }
    }

    pub(super) fn poll_timeout(&self) -> Option<Instant> {
        let offer = (self.phase == Phase::Offered).then(|| self.since + OFFER_LIMIT);
        let repeat = self.unacknowledged.as_ref().map(|u| u.next.min(u.until));
        let refresh = (self.phase == Phase::Confirmed || self.phase == Phase::Answered)
            .then(|| self.refresh.poll_timeout())
            .flatten();
        [offer, repeat, refresh].into_iter().flatten().min()
    }

    pub(super) fn forget_connection(&mut self, id: ConnectionId) {
        if self.flow.connection == Some(id) {
            self.flow.connection = None;
        }
        if let Some(u) = &mut self.unacknowledged
            && u.flow.connection == Some(id)
        {
            u.flow.connection = None;
        }
    }

    /// Loose routing, or strict for a first route without `lr`.
    pub(super) fn way(&self) -> Way {
        let first = self.routes.first().and_then(|r| Address::read(r).ok());
        match (&first, &self.first_hop) {
            (Some(address), Some(uri)) if !uri.params.has("lr") => {
                let mut routes: Vec<Vec<u8>> = self.routes.iter().skip(1).cloned().collect();
                routes.push([b"<", self.target.as_slice(), b">"].concat());
                Way {
                    uri: address.raw_uri.clone(),
                    routes,
                    flow: self.flow_to(Some(uri)),
                }
            }
            _ => Way {
                uri: self.target.clone(),
                routes: self.routes.clone(),
                flow: self.flow_to(self.first_hop.as_ref().or(self.target_uri.as_ref())),
            },
        }
    }

    /// By number where the URI has one and it is of the same family; else back the way the INVITE came.
    fn flow_to(&self, uri: Option<&SipUri>) -> Flow {
        let Some((uri, peer)) = uri
            .filter(|u| !u.secure && !self.by_flow)
            .and_then(|u| u.address().map(|a| (u, a)))
            .filter(|(_, a)| a.is_ipv4() == self.flow.peer.is_ipv4() && a.port() != 0 && is_unicast(*a))
        else {
            return self.flow;
        };
        let transport = match uri.params.value("transport") {
            Some(t) if t.eq_ignore_ascii_case(b"tcp") => Transport::Tcp,
            Some(t) if t.eq_ignore_ascii_case(b"tls") => Transport::Tls,
            Some(t) if t.eq_ignore_ascii_case(b"udp") => Transport::Udp,
            Some(_) => return self.flow,
            None => self.flow.transport,
        };
        if transport.is_reliable()
            && self.flow.transport == transport
            && self.flow.connection.is_some()
            && peer.ip() == self.flow.peer.ip()
        {
            return self.flow;
        }
        Flow {
            transport,
            local: self.flow.local,
            peer,
            connection: None,
        }
    }
}

/// RFC 3261 §12.1.1: a sips URI in the Request-URI, in the top Record-Route, or without one in the Contact.
fn wants_sips(request: &Request) -> bool {
    let secure = |address: &Address| address.uri.sip().is_some_and(|u| u.secure);
    let route = match request.record_route.first() {
        Some(top) => Address::read(top).ok().is_some_and(|a| secure(&a)),
        None => request.contact.as_ref().is_some_and(secure),
    };
    route || request.uri.sip().is_some_and(|u| u.secure)
}

fn is_unicast(address: SocketAddr) -> bool {
    let ip = address.ip();
    !ip.is_unspecified() && !ip.is_multicast() && ip != std::net::IpAddr::V4(std::net::Ipv4Addr::BROADCAST)
}
