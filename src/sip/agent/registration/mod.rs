//! Registration (RFC 3261 §10, RFC 3263 §4.3, RFC 5626).
//!
//! ```text
//! Waiting ─▶ Resolving ─▶ Trying ──200──▶ Waiting, up: refresh, keep-alives, now and then a look at a better server
//!    ▲                     │  └─ next target, redirect, challenge: again
//!    └──── back-off ◀──────┘ no target is left
//! ```

mod answer;
mod keeper;
mod request;
mod round;
mod timing;
mod way;

use std::net::IpAddr;
use std::time::Instant;

use rand::Rng as _;
use rand_chacha::ChaCha12Rng;

use super::auth::Auth;
use super::{Extension, ExtensionId, Flow, Hop, Registrar, Settings};
use answer::Detour;
pub(super) use keeper::Keeper;
pub(super) use request::{contact_uri, own_via};
use way::Way;

/// Longest binding that is asked for, and longest Min-Expires that is followed.
const MAX_EXPIRES: u32 = 7 * 86_400;
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    /// `wake` begins a round: first try, refresh or retry.
    Waiting,
    /// `wake` gives up on the name service.
    Resolving,
    /// A REGISTER is out.
    Trying,
    /// The REGISTER that takes the binding away is out.
    Leaving,
    Gone,
}

/// How far a round has come: a registrar is spared only where it has been asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Reach {
    /// The name service knew nobody to be asked.
    Nowhere,
    /// Sent, or tried to be.
    Sent,
    Answered,
}

/// One extension at one registrar by one way.
pub(super) struct Registration {
    id: ExtensionId,
    /// Which registrar of the extension: the flows to one stand or fall together (RFC 5626 §4.5).
    group: usize,
    registrar: Registrar,
    /// The outbound proxy, or the registrar itself.
    hop: Hop,
    /// From 1, the same for ever (RFC 5626 §4.2).
    reg_id: usize,
    phase: Phase,
    wake: Option<Instant>,
    way: Way,
    /// Where a redirect has led, in this round or to the present binding.
    detour: Option<Detour>,
    /// The request goes by the detour.
    detoured: bool,
    /// Redirects that are still to be tried in this round.
    pending: Vec<Detour>,
    /// Redirects followed in this round.
    redirects: u8,
    /// The same for the life of the process (RFC 3261 §10.2).
    call_id: String,
    tag: String,
    cseq: u32,
    /// Seconds asked for; 423 raises it.
    expires: u32,
    brief: u8,
    /// Without outbound and path: the registrar cannot have them (RFC 5626 §11.6, 439).
    plain: bool,
    auth: Auth,
    /// It worked last time.
    up: bool,
    bound_until: Option<Instant>,
    succeeded: Option<Instant>,
    /// The flow that the last binding was made by.
    flow: Option<Flow>,
    /// Our address under the binding has changed, and is about to be registered anew.
    moved: bool,
    /// The flow broke: the next round begins with another server, if there is one.
    suspect: bool,
    /// When to look whether a better server is back.
    return_at: Option<Instant>,
    /// Such looks in a row that failed.
    returns: u32,
    /// In such a look: the target to go on with, and when its refresh is due.
    home: Option<(usize, Instant)>,
    failures: u32,
    /// How far this round has come.
    reach: Reach,
    /// The last cause told.
    trouble: Option<String>,
}

/// One for each extension, registrar and way.
pub(super) fn all(settings: &Settings, rng: &mut ChaCha12Rng, now: Instant) -> Vec<Registration> {
    let mut out = Vec::new();
    for (extension, i) in settings.extensions.iter().zip(0u16..) {
        for (group, registrar) in extension.registrars.iter().enumerate() {
            let ways = if registrar.proxies.is_empty() {
                std::slice::from_ref(&registrar.hop)
            } else {
                &registrar.proxies
            };
            for (hop, reg_id) in ways.iter().zip(1..) {
                let mut r = Registration::new(ExtensionId(i), extension, registrar, hop, rng);
                r.group = group;
                r.reg_id = reg_id;
                // So that many boards that get their power back together do not ask together.
                r.wake = Some(now + settings.start_spread.mul_f64(rng.random()));
                out.push(r);
            }
        }
    }
    out
}

impl Registration {
    fn new(id: ExtensionId, extension: &Extension, registrar: &Registrar, hop: &Hop, rng: &mut ChaCha12Rng) -> Self {
        Registration {
            id,
            group: 0,
            registrar: registrar.clone(),
            hop: hop.clone(),
            reg_id: 1,
            phase: Phase::Waiting,
            wake: None,
            way: Way::default(),
            detour: None,
            detoured: false,
            pending: Vec::new(),
            redirects: 0,
            call_id: format!("{:032x}", rng.random::<u128>()),
            tag: format!("{:016x}", rng.random::<u64>()),
            cseq: 0,
            expires: extension.expires.clamp(1, MAX_EXPIRES),
            brief: 0,
            plain: false,
            auth: Auth::default(),
            up: false,
            bound_until: None,
            succeeded: None,
            flow: None,
            moved: false,
            suspect: false,
            return_at: None,
            returns: 0,
            home: None,
            failures: 0,
            reach: Reach::Nowhere,
            trouble: None,
        }
    }

    /// For people: the registrar, and the proxy if there is one.
    fn name(&self) -> String {
        if self.registrar.proxies.is_empty() {
            self.registrar.hop.host.clone()
        } else {
            format!("{} by {}", self.registrar.hop.host, self.hop.host)
        }
    }

    pub(super) fn extension(&self) -> ExtensionId {
        self.id
    }

    pub(super) fn is_gone(&self) -> bool {
        self.phase == Phase::Gone
    }

    /// After leaving: a registrar that had a binding may still answer. From one that never did nothing is waited for.
    pub(super) fn is_waited_for(&self) -> bool {
        !self.is_gone() && self.bound_until.is_some()
    }

    pub(super) fn poll_timeout(&self) -> Option<Instant> {
        let look = self.return_at.filter(|_| self.phase == Phase::Waiting);
        [self.wake, look].into_iter().flatten().min()
    }

    /// Who may call on its account.
    pub(super) fn addresses(&self) -> impl Iterator<Item = IpAddr> {
        let detour = self.detour.iter().flat_map(|d| &d.way.targets);
        self.way
            .targets
            .iter()
            .chain(detour)
            .map(|t| t.peer.ip().to_canonical())
    }

    pub(super) fn has_address(&self, address: IpAddr) -> bool {
        let detour = self.detour.as_ref().is_some_and(|d| d.way.has_address(address));
        detour || self.way.has_address(address)
    }

    /// The binding was made by this flow and is wanted.
    fn is_bound_by(&self, flow: &Flow) -> bool {
        self.up && self.flow.is_some_and(|f| is_same(&f, flow))
    }

    fn way(&self) -> &Way {
        match &self.detour {
            Some(detour) if self.detoured => &detour.way,
            _ => &self.way,
        }
    }

    fn way_mut(&mut self) -> &mut Way {
        match &mut self.detour {
            Some(detour) if self.detoured => &mut detour.way,
            _ => &mut self.way,
        }
    }

    /// Where the request goes by its own account, and the Route that leads there.
    fn request_uri(&self) -> (String, Option<String>) {
        let hop = &self.registrar.hop;
        let host = request::uri_host(&hop.host);
        let scheme = request::scheme(hop.secure);
        let mut uri = match hop.port {
            None | Some(5060) => format!("{scheme}:{host}"),
            Some(port) => format!("{scheme}:{host}:{port}"),
        };
        let mut route = (!self.registrar.proxies.is_empty()).then(|| request::route(&self.hop));
        if let Some(detour) = self.detour.as_ref().filter(|_| self.detoured) {
            if detour.is_proxy {
                route = Some(request::route(&detour.hop));
            } else {
                uri = request::hop_uri(&detour.hop);
                route = None;
            }
        }
        (uri, route)
    }
}

/// The same way between us and them; a stream is its connection.
fn is_same(one: &Flow, other: &Flow) -> bool {
    one.transport == other.transport && one.peer == other.peer && one.connection == other.connection
}

#[cfg(test)]
mod tests;
