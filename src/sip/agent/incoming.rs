//! A new call: from INVITE to [`Event::Incoming`].

use std::net::IpAddr;
use std::time::Instant;

use super::abilities::{AnswerMode, answer_mode, priority_is_known, requires, resource_priorities};
use super::call::Call;
use super::gate::caller;
use super::server::{Answer, ServerKey};
use super::{Agent, CallId, Event, ExtensionId, Flow, Identity, Incoming, MAX_CALLS, RETRY_AFTER, Transport};
use crate::sip::wire::{Address, Request, unescape};

impl Agent {
    pub(super) fn invited(
        &mut self,
        own: &ServerKey,
        request: &Request,
        extension: ExtensionId,
        flow: Flow,
        now: Instant,
    ) {
        let offer = match self.session_body(own, request, now) {
            Some(offer) => offer,
            None => return,
        };
        let Some(granted) = self.session_terms(own, None, request, now) else {
            return;
        };
        let mode = answer_mode(request);
        if mode == AnswerMode::Impossible {
            return self.reject(own, 403, &[], now);
        }
        if !priority_is_known(request) {
            let known = resource_priorities();
            return self.reject(own, 417, &[("Accept-Resource-Priority", &known)], now);
        }
        if self.closing.is_some() {
            self.event(Event::TooLate {
                extension,
                peer: flow.peer,
                caller: caller(&request.from),
            });
            return self.reject(own, 480, &[], now);
        }
        if self.calls.len() >= MAX_CALLS && !self.spare_a_call(now) {
            self.figures.dropped += 1;
            return self.reject(own, 503, &[("Retry-After", RETRY_AFTER)], now);
        }
        let Some(entry) = self.servers.get_mut(own) else {
            return;
        };
        let id = CallId(self.next_call);
        self.next_call += 1;
        entry.call = Some(id);
        let mut call = Call::new(extension, request, own.clone(), entry.tag.clone(), granted, flow, now);
        call.answer_due = offer.is_none();
        call.answer_mode = mode;
        call.heard_of = offer.clone().unwrap_or_default();
        self.calls.insert(id, call);
        self.answer(own, 100, &Answer::default(), now);
        if offer.is_some() && requires(request, "100rel") {
            self.ring_reliably(id, own, now);
        }
        let trusted = self.is_trusted(flow.peer.ip());
        let asserted = trusted
            .then(|| request.message.list("P-Asserted-Identity").ok())
            .flatten()
            .and_then(|l| l.into_iter().find_map(|v| Address::read(v).ok()));
        let urgency = if trusted { urgency(request) } else { Vec::new() };
        self.event(Event::Incoming(Box::new(Incoming {
            call: id,
            extension,
            caller: caller(asserted.as_ref().unwrap_or(&request.from)),
            from: identity(&request.from),
            asserted: asserted.as_ref().map(identity),
            dialled: dialled(request),
            from_registrar: self.is_registrar_of(extension, flow.peer.ip()),
            trusted,
            secure: flow.transport == Transport::Tls,
            urgency,
            peer: flow.peer,
            local: flow.local,
            offer,
        })));
    }

    /// A peer whose word about a caller counts (RFC 3325 §9.1).
    pub(super) fn is_trusted(&self, address: IpAddr) -> bool {
        self.is_any_registrar(address) || self.settings.trusted.iter().any(|n| n.contains(address))
    }
}

fn text(octets: &[u8]) -> String {
    String::from_utf8_lossy(octets).into_owned()
}

fn identity(address: &Address) -> Identity {
    match address.uri.sip() {
        Some(uri) => Identity {
            user: uri.user_name().map(|u| text(&u)).unwrap_or_default(),
            host: uri.host.to_string().to_ascii_lowercase(),
        },
        None => Identity {
            user: telephone_number(address.raw_uri.split(|b| *b == b':').nth(1).unwrap_or_default()),
            host: String::new(),
        },
    }
}

/// What is behind `tel:`, without parameters and visual separators (RFC 3966 §3, §5.1.1).
fn telephone_number(octets: &[u8]) -> String {
    let number = octets.split(|b| *b == b';').next().unwrap_or_default();
    let mut number = unescape(number);
    number.retain(|b| !b"-.()".contains(b));
    text(&number)
}

pub(super) fn dialled(request: &Request) -> String {
    let user = request.uri.sip().and_then(|u| u.user_name());
    user.map(|u| text(&u)).unwrap_or_default()
}

/// Most values of Priority and Resource-Priority that are looked at.
const MAX_URGENCY: usize = 8;

fn urgency(request: &Request) -> Vec<String> {
    ["Priority", "Resource-Priority"]
        .iter()
        .filter_map(|name| request.message.list(name).ok())
        .flatten()
        .take(MAX_URGENCY)
        .map(|v| text(v).trim().to_ascii_lowercase())
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 3261 §19.1.2: an escape is the character that it stands for, so that no rule can be passed by spelling.
    #[test]
    fn a_number_is_the_same_however_it_is_spelt() {
        for (address, user) in [
            (&b"<tel:+1-555-0310>"[..], "+15550310"),
            (b"<tel:%30900;phone-context=quayside.test>", "0900"),
            (b"<sip:%30900@quayside.test>", "0900"),
        ] {
            assert_eq!(identity(&Address::read(address).unwrap()).user, user);
        }
    }
}
