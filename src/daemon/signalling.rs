//! The control task's dealings with the agent: calls that come, change and go.

use std::net::SocketAddr;
use std::time::{Duration, Instant, SystemTime};

use rand_chacha::rand_core::RngCore as _;

use super::calls;
use super::control::Control;
use super::pages::Page;
use super::signal::Signal;
use crate::page::{EndReason, Input};
use crate::report::message::Message;
use crate::sip::agent::{CallId, Cause, Ending, Event, ExtensionId, Flow, Output, Transport};
use crate::sip::sdp::{self, Agreed, KeySeed, SdpError};
use crate::tls::{self, Renewal};

/// An own certificate that ends is told of once a day.
const CERTIFICATE_TOLD: Duration = Duration::from_secs(86_400);

/// How often it is looked at whether the address that a registrar knows is still ours.
const LOOK_AT_ADDRESSES: Duration = Duration::from_secs(5);

impl Control {
    pub(super) fn on_signal(&mut self, signal: Signal, now: Instant) {
        match signal {
            Signal::Datagram { flow, octets } => self.agent.handle_datagram(flow, &octets, now),
            Signal::Stream { flow, octets } => {
                if self.wires.streams.heard(flow, now) {
                    self.agent.handle_stream(flow, &octets, now);
                }
            }
            Signal::Stranger { flow, octets } => self.agent.handle_datagram(flow, &octets, now),
            Signal::StrangeConnection { peer } => self.agent.handle_strange_connection(peer, now),
            Signal::Accepted {
                transport,
                stream,
                peer,
            } => {
                let gone = self.wires.streams.accepted(transport, stream, peer);
                self.flow_gone(gone, now);
            }
            Signal::Shaken { id, peer, result } => {
                let (gone, error) = self.wires.streams.shaken(id, peer, result);
                self.flow_gone(gone, now);
                if let Some(error) = error {
                    self.connection_failed(peer.ip().to_string(), peer, Transport::Tls, &error, now);
                }
            }
            Signal::Connected { flow, wire } => {
                let name = self.wires.streams.name_of(&flow);
                match self.wires.streams.connected(flow, wire) {
                    Ok(gone) => {
                        self.connection_news.forget(&name);
                        self.flow_gone(gone, now);
                    }
                    Err(error) => {
                        self.connection_failed(name, flow.peer, flow.transport, &error, now);
                        self.agent.handle_closed(flow, now);
                    }
                }
            }
            Signal::Unreachable { flow, error } => {
                let name = self.wires.streams.name_of(&flow);
                self.connection_failed(name, flow.peer, flow.transport, &error, now);
                if self.wires.streams.closed(flow) {
                    self.agent.handle_closed(flow, now);
                }
            }
            Signal::Fault { flow, error } => {
                let name = self.wires.streams.name_of(&flow);
                self.connection_failed(name, flow.peer, flow.transport, &error, now);
            }
            Signal::Closed(flow) => {
                if self.wires.streams.closed(flow) {
                    self.agent.handle_closed(flow, now);
                }
            }
            Signal::Resolved { registration, targets } => match targets {
                Ok(targets) => {
                    self.wires.streams.located(registration, &targets);
                    self.agent.resolved(registration, targets, now);
                }
                Err(why) => self.agent.unresolved(registration, why, now),
            },
        }
        self.gate_moved = true;
    }

    /// Tells why there is no connection, when that is news.
    fn connection_failed(
        &mut self,
        name: String,
        peer: SocketAddr,
        transport: Transport,
        error: &std::io::Error,
        now: Instant,
    ) {
        let cause = tls::explain(error, SystemTime::now());
        if self.connection_news.is_news(&name, &cause, now) {
            self.tell(Message::ConnectionFailed {
                name,
                peer,
                transport: transport.name(),
                cause,
            });
        }
    }

    /// Draws the gate anew for the reader tasks.
    pub(super) fn draw_gate(&mut self) {
        if std::mem::take(&mut self.gate_moved) {
            self.doors.draw(self.agent.registrar_addresses(), self.agent.far_ends());
        }
    }

    /// Takes up TLS files that have changed, and warns of an own certificate that ends.
    pub(super) fn renew_tls(&mut self, now: Instant) {
        if now < self.renew_at {
            return;
        }
        self.renew_at = now + tls::RENEW_EVERY;
        let Some(keyring) = self.wires.streams.keyring() else {
            return;
        };
        let (renewal, dates) = (keyring.renew(), keyring.dates(SystemTime::now()));
        match renewal {
            Renewal::Same => {}
            Renewal::Taken => self.tell(Message::TlsFilesTaken),
            Renewal::Refused(cause) => self.tell(Message::TlsFilesRefused { cause }),
        }
        match dates {
            Some(cause) if self.certificate_told.is_none_or(|at| now >= at + CERTIFICATE_TOLD) => {
                self.certificate_told = Some(now);
                self.tell(Message::CertificateEnds { cause });
            }
            Some(_) => {}
            None => self.certificate_told = None,
        }
    }

    /// Registers anew where our own address has changed under a binding.
    pub(super) fn look_at_addresses(&mut self, now: Instant) {
        if now < self.look_at {
            return;
        }
        self.look_at = now + LOOK_AT_ADDRESSES;
        self.compare_addresses(now);
        for flow in self.agent.bound_flows() {
            let Some(address) = self.wires.has_moved(&flow) else {
                continue;
            };
            if self.agent.moved(flow, now) {
                self.tell(Message::AddressMoved {
                    before: flow.local.ip(),
                    now: address,
                    peer: flow.peer,
                });
            }
        }
    }

    /// What changed of this machine's own addresses: where it listens, and whether another try to register is worth it.
    fn compare_addresses(&mut self, now: Instant) {
        let addresses = self.world.own_addresses();
        let is_new = addresses.iter().any(|address| !self.health.addresses.contains(address));
        let (missing, first) = (
            self.health.missing_addresses(&self.plan),
            self.health.addresses.is_empty(),
        );
        self.health.addresses = addresses;
        let still = self.health.missing_addresses(&self.plan);
        for address in &still {
            if first || !missing.contains(address) {
                self.tell(Message::AddressMissing { address: *address });
            }
        }
        for address in missing.iter().filter(|address| !first && !still.contains(address)) {
            self.tell(Message::AddressCame { address: *address });
        }
        if is_new && !first {
            self.agent.network_changed(now);
        }
    }

    fn flow_gone(&mut self, gone: Option<Flow>, now: Instant) {
        if let Some(flow) = gone {
            self.agent.handle_closed(flow, now);
        }
    }

    pub(super) fn on_agent(&mut self, output: Output, now: Instant) {
        self.gate_moved = true;
        match output {
            Output::Transmit { flow, octets } => {
                let gone = self.wires.transmit(flow, octets);
                self.flow_gone(gone, now);
            }
            Output::Resolve { registration, hop } => self.wires.resolve(registration, hop),
            Output::Close(connection) => self.wires.streams.close(connection),
            Output::Event(event) => self.on_event(event, now),
        }
    }

    fn on_event(&mut self, event: Event, now: Instant) {
        match event {
            Event::TooLate {
                extension,
                peer,
                caller,
            } => {
                if self.refusals.admits(peer.ip(), now) {
                    let why = match self.again {
                        Some(_) => "the gateway begins anew with a changed config",
                        None => "the gateway stops",
                    };
                    self.tell(Message::CallNotTaken {
                        extension: self.extension_name(extension),
                        caller,
                        peer,
                        status: 480,
                        why: why.to_owned(),
                    });
                }
            }
            Event::Registered {
                extension,
                registrar,
                server,
                transport,
                expires,
                first,
            } => {
                self.health.registration(usize::from(extension.0), &registrar, Ok(()));
                if first {
                    let name = self.extension_name(extension);
                    self.tell(Message::Registered {
                        extension: name,
                        registrar,
                        server,
                        transport: transport.name(),
                        expires,
                    });
                }
            }
            Event::RegistrationFailed {
                extension,
                registrar,
                cause,
                retry_in,
                first,
            } => {
                let state = Err(cause.clone());
                self.health.registration(usize::from(extension.0), &registrar, state);
                if first {
                    let name = self.extension_name(extension);
                    self.tell(Message::RegistrationFailed {
                        extension: name,
                        registrar,
                        cause,
                        retry_in,
                    });
                }
            }
            Event::Unregistered { extension, registrar } => {
                self.health.unregistered(usize::from(extension.0), &registrar);
                let name = self.extension_name(extension);
                self.tell(Message::Unregistered {
                    extension: name,
                    registrar,
                });
            }
            Event::Incoming(incoming) => self.incoming(&incoming, now),
            Event::Dialled { call, keys } => self.info_keys(call, &keys, now),
            Event::Confirmed { call, answer } => {
                if let Some(answer) = answer {
                    self.take_answer(call, &answer, now);
                }
            }
            Event::Change { call, offer } => self.change(call, offer, now),
            Event::ChangeAnswered { call, answer } => self.take_answer(call, &answer, now),
            Event::Ended { call, how } => self.call_ended(call, how, now),
            Event::TurnedAway {
                peer,
                caller,
                dialled,
                why,
            } => self.tell(Message::TurnedAway {
                peer,
                caller,
                dialled,
                why,
            }),
        }
    }

    /// The answer to our offer, in an ACK.
    fn take_answer(&mut self, call: CallId, answer: &[u8], now: Instant) {
        let Some(leg) = self.calls.get(&call) else { return };
        match sdp::accept(answer, &leg.local) {
            Ok(agreed) => self.agree(call, agreed, now),
            Err(error) => {
                // RFC 3261 §13.3.1.4: an answer that does not fit ends the call with BYE.
                let cause = Cause {
                    status: status(&error),
                    text: error.to_string(),
                };
                let page = leg.page;
                self.agent.hang_up(call, Some(cause), now);
                self.switchboard
                    .handle(Input::SourceEnded(page, EndReason::CallLost), now);
            }
        }
    }

    /// A re-INVITE or UPDATE. One that changes nothing, as a session refresh does, is answered with the description
    /// that was sent before, its version included (RFC 3264 §8, RFC 4028 §7.4).
    fn change(&mut self, call: CallId, offer: Option<Vec<u8>>, now: Instant) {
        let fresh = self.key_seed();
        let Some(leg) = self.calls.get_mut(&call) else {
            self.agent.refuse_change(call, 481, now);
            return;
        };
        if self.pages.get(&leg.page).is_some_and(Page::is_changing_voices) {
            // The audio threads have not yet given back what earlier changes replaced.
            self.agent.refuse_change(call, 491, now);
            return;
        }
        if let Some(offer) = &offer {
            leg.renew_key(offer, fresh);
        }
        let before = leg.local.version;
        match offer {
            Some(offer) => match calls::described(&mut leg.local, &mut leg.body, |local, _| sdp::answer(&offer, local))
            {
                Ok((body, agreed)) => {
                    self.agent.accept_change(call, body, now);
                    self.agree(call, agreed, now);
                }
                Err(error) => {
                    // The session goes on as before (RFC 3261 §14.2): so does our description of it.
                    leg.local.version = before;
                    self.agent.refuse_change(call, status(&error), now);
                }
            },
            None => {
                let offer = calls::described(&mut leg.local, &mut leg.body, |local, last| {
                    Ok((sdp::offer_again(local, last), ()))
                });
                let body = offer.map(|(body, ())| body).unwrap_or_default();
                self.agent.accept_change(call, body, now);
            }
        }
    }

    fn agree(&mut self, call: CallId, agreed: Agreed, now: Instant) {
        let seed = self.random();
        let Some(leg) = self.calls.get_mut(&call) else { return };
        leg.agree(agreed, seed, now);
        if let Some(entry) = self.pages.get_mut(&leg.page) {
            entry.codec = agreed.payloads.audio().map(|(_, codec)| codec.name());
            entry.protection.note(agreed.suite(), leg.secret_keys);
        }
        let known = |(pt, format)| leg.payloads.format(pt) == Some(format);
        if agreed.payloads.iter().all(known) {
            return;
        }
        // A voice that can play what was agreed before and what phones change to most needs not be replaced, which would
        // lose what it holds.
        leg.payloads = agreed.payloads.joined(&leg.payloads);
        let (page, payloads) = (leg.page, leg.payloads);
        if let Some(kept) = self.pages.get_mut(&page).and_then(|entry| entry.kept.as_mut()) {
            kept.map = payloads;
        }
        if self.pages.get(&page).is_some_and(Page::has_voice) {
            self.give_voice(page, payloads, now);
        }
    }

    fn call_ended(&mut self, call: CallId, how: Ending, now: Instant) {
        match how {
            Ending::Bye | Ending::Cancelled | Ending::Lost => self.gate.hung_up(call, now),
            Ending::Local | Ending::Refused => self.gate.gone(call),
        }
        while let Some(output) = self.gate.poll_output() {
            self.on_gate(output, None, now);
        }
        let Some(leg) = self.calls.remove(&call) else { return };
        let page = leg.page;
        if let Some(entry) = self.pages.get_mut(&page) {
            entry.reception = leg.receiver.figures();
            entry.opened = leg.opened();
        }
        let reason = match how {
            Ending::Bye => EndReason::HungUp,
            Ending::Cancelled => EndReason::Cancelled,
            Ending::Lost => EndReason::CallLost,
            // The page has already ended for the switchboard.
            Ending::Local | Ending::Refused => return,
        };
        self.switchboard.handle(Input::SourceEnded(page, reason), now);
    }

    /// The page is over: let the caller know, and hang up.
    pub(super) fn end_call(&mut self, call: CallId, reason: EndReason, now: Instant) {
        let Some(leg) = self.calls.get_mut(&call) else { return };
        if calls::deserves_tone(reason) {
            leg.cut(calls::cause(reason), now);
        } else {
            self.agent.hang_up(call, Some(calls::cause(reason)), now);
        }
    }

    pub(super) fn call_timers(&mut self, now: Instant) {
        let mut over = Vec::new();
        for (call, leg) in &mut self.calls {
            leg.send(now);
            leg.fence(now);
            if let Some((_, cause)) = leg.hang_up.take_if(|(at, _)| *at <= now) {
                over.push((*call, cause));
            }
        }
        for (call, cause) in over {
            self.agent.hang_up(call, Some(cause), now);
        }
    }

    pub(super) fn key_seed(&mut self) -> KeySeed {
        let mut seed = [0; 32];
        self.rng.fill_bytes(&mut seed);
        KeySeed(seed)
    }

    pub(super) fn extension_name(&self, extension: ExtensionId) -> String {
        self.plan.extensions[usize::from(extension.0)].name.clone()
    }
}

pub(super) fn status(error: &SdpError) -> u16 {
    match error {
        SdpError::Unreadable(_) => 400,
        SdpError::NothingFits(_) => 488,
    }
}
