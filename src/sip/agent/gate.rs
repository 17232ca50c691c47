//! Who is let in, and how often it is told when somebody is not.

use std::net::{IpAddr, SocketAddr};
use std::time::{Duration, Instant};

use super::incoming::dialled;
use super::{Agent, Event, Flow};
use crate::sip::network::Network;
use crate::sip::wire::{Address, Carrier, Message, Request, display};

/// Addresses remembered so that each is told once.
const MAX_REMEMBERED: usize = 64;
/// The same address is told again after this.
const REMEMBER: Duration = Duration::from_secs(600);
/// Most events about strangers in one [`WINDOW`], whatever addresses they claim.
const MAX_TOLD: u32 = 10;
const WINDOW: Duration = Duration::from_secs(60);
/// Longest caller that is shown, in characters.
pub(super) const MAX_CALLER: usize = 128;

/// The listed networks, and a memory of who was turned away.
pub(super) struct Gate {
    networks: Vec<Network>,
    seen: Vec<(IpAddr, &'static str, Instant)>,
    window: Option<Instant>,
    told: u32,
}

impl Gate {
    pub(super) fn new(networks: Vec<Network>) -> Self {
        Gate {
            networks,
            seen: Vec::new(),
            window: None,
            told: 0,
        }
    }

    pub(super) fn lists(&self, address: IpAddr) -> bool {
        self.networks.iter().any(|n| n.contains(address))
    }

    /// True the first time in a while, and not too often over all addresses.
    fn is_news(&mut self, address: IpAddr, why: &'static str, now: Instant) -> bool {
        self.seen
            .retain(|(_, _, at)| now.saturating_duration_since(*at) < REMEMBER);
        if self.seen.iter().any(|(a, w, _)| *a == address && *w == why) {
            return false;
        }
        match self.window {
            Some(at) if now.saturating_duration_since(at) < WINDOW => {}
            _ => {
                self.window = Some(now);
                self.told = 0;
            }
        }
        if self.told >= MAX_TOLD {
            return false;
        }
        self.told += 1;
        if self.seen.len() >= MAX_REMEMBERED {
            self.seen.remove(0);
        }
        self.seen.push((address, why, now));
        true
    }
}

/// Why a stranger is not heard.
const STRANGER: &str = "neither a registrar nor a listed network";

/// Nobody has what was dialled, so it is told.
pub(super) const NO_EXTENSION: &str = "no such extension";

impl Agent {
    /// A connection from an address that is not let in: the driver reads nothing from it and closes it.
    pub fn handle_strange_connection(&mut self, peer: SocketAddr, now: Instant) {
        self.figures.turned_away += 1;
        if self.gate.is_news(peer.ip().to_canonical(), STRANGER, now) {
            self.event(Event::TurnedAway {
                peer,
                caller: String::new(),
                dialled: String::new(),
                why: STRANGER,
            });
        }
    }

    /// Costs a table look-up; the message is read only when it is news.
    pub(super) fn turn_away_stranger(&mut self, flow: Flow, octets: &[u8], now: Instant) {
        self.figures.turned_away += 1;
        if !octets.starts_with(b"INVITE ") {
            return;
        }
        if !self.gate.is_news(flow.peer.ip().to_canonical(), STRANGER, now) {
            return;
        }
        let caller = Message::read(octets, Carrier::Datagram)
            .and_then(|m| m.first("From").and_then(|f| Address::read(f).ok()))
            .map(|a| caller(&a))
            .unwrap_or_default();
        self.event(Event::TurnedAway {
            peer: flow.peer,
            caller,
            dialled: String::new(),
            why: STRANGER,
        });
    }

    /// A caller that passed the gate and still gets no call. Told once in a while.
    pub(super) fn turn_away(&mut self, flow: Flow, request: &Request, why: &'static str, now: Instant) {
        self.figures.turned_away += 1;
        if self.gate.is_news(flow.peer.ip().to_canonical(), why, now) {
            let number = match why {
                NO_EXTENSION => display(dialled(request).as_bytes(), MAX_CALLER),
                _ => String::new(),
            };
            self.event(Event::TurnedAway {
                peer: flow.peer,
                caller: caller(&request.from),
                dialled: number,
                why,
            });
        }
    }
}

/// `Display name <user@host>`, or the URI's own text for foreign schemes.
pub(super) fn caller(address: &Address) -> String {
    let place = match address.uri.sip() {
        Some(uri) => {
            let user = uri.user_name().map(|u| display(&u, MAX_CALLER));
            match user {
                Some(user) => format!("{user}@{}", uri.host),
                None => uri.host.to_string(),
            }
        }
        None => display(&address.raw_uri, MAX_CALLER),
    };
    // A long name hides no number.
    let room = MAX_CALLER.saturating_sub(place.chars().count() + 3);
    let name = display(&address.display, room);
    let name = name.trim();
    let text = if name.is_empty() {
        place
    } else {
        format!("{name} <{place}>")
    };
    text.chars().take(MAX_CALLER).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_name_hides_no_number() {
        for length in [0, 1, 100, 126, 127, 128, 129, 5000] {
            let from = format!("\"{}\" <sip:201@192.0.2.7>", "é".repeat(length));
            let text = caller(&Address::read(from.as_bytes()).unwrap());
            assert!(text.contains("201@192.0.2.7"), "{text}");
            assert!(text.chars().count() <= MAX_CALLER, "{text}");
            assert_eq!(text.ends_with('>'), length > 0, "{text}");
        }
    }
}
