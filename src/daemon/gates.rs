//! Calls on their way in: through the gates, perhaps by the dial pad, to a bid.

use std::rc::Rc;
use std::time::{Duration, Instant};

use super::calls::{self, Leg};
use super::control::Control;
use super::pages::Page;
use super::ports::{self, Port};
use super::signalling::status;
use super::source_lock::SourceLock;
use crate::config::plan::Srtp;
use crate::gate::{Caller, Grant, MAX_TRIES, Output, Sound, Standing, Told, Whose};
use crate::media::{Keypad, PayloadMap, Receiver};
use crate::page::{PageId, Refusal};
use crate::report::message::{GateMessage, Message};
use crate::sip::agent::{CallId, Cause, ExtensionId, Incoming};
use crate::sip::sdp::{self, Policy};
use crate::sound::tone::Tone;

/// Silence behind the refusal tone, so that its end is heard before the BYE.
const AFTER_REFUSAL: Duration = Duration::from_millis(200);

/// Calls of one caller, or of one address that vouches for none, at once: nobody takes all ports, nor the whole line of who waits.
const MAX_EACH: usize = 16;

impl Control {
    pub(super) fn incoming(&mut self, incoming: &Incoming, now: Instant) {
        if !self.pace.admits(incoming.peer.ip(), now) {
            let text = "too many calls from there".to_owned();
            self.agent
                .refuse(incoming.call, 503, Some(Cause { status: 503, text }), now);
            return;
        }
        let local = self.local_time();
        self.gate.call(incoming, local, now);
        while let Some(output) = self.gate.poll_output() {
            self.on_gate(output, Some(incoming), now);
        }
    }

    /// `incoming` is the call that is just coming in, if one is.
    pub(super) fn on_gate(&mut self, output: Output, incoming: Option<&Incoming>, now: Instant) {
        match output {
            Output::Refuse { call, why } => {
                let cause = cause(why.status(), why.text());
                self.agent.refuse(call, why.status(), Some(cause), now);
            }
            Output::Ask { call } => {
                if self.take_call(call, incoming, now) {
                    self.listen_to(call, now);
                    if let Some(leg) = self.calls.get_mut(&call) {
                        leg.keypad.listen(true);
                    }
                } else {
                    self.gate.gone(call);
                }
            }
            Output::Play { call, sound } => {
                if let Some(leg) = self.calls.get_mut(&call) {
                    leg.play(&tone(sound), false);
                }
            }
            Output::Check {
                check,
                extension,
                digits,
            } => {
                if !self.checker.check(check, usize::from(extension.0), digits) {
                    self.gate.unchecked(check, now);
                }
            }
            Output::Page { call, grant } => {
                if self.calls.contains_key(&call) || self.take_call(call, incoming, now) {
                    self.bid_for_call(call, grant, now);
                }
            }
            Output::End { call, why } => {
                if let Some(leg) = self.calls.get_mut(&call) {
                    let tone = Tone::refused();
                    leg.play(&tone, false);
                    leg.hang_up = Some((now + tone.length() + AFTER_REFUSAL, cause(why.status(), why.text())));
                }
            }
            Output::Tell {
                extension,
                caller,
                what,
                untold,
            } => self.tell_gate(extension, &caller, what, untold),
        }
    }

    /// Opens the call's audio port and works out the answer; it is not answered yet. Otherwise it is refused.
    fn take_call(&mut self, call: CallId, incoming: Option<&Incoming>, now: Instant) -> bool {
        let Some(incoming) = incoming.filter(|i| i.call == call) else {
            return false;
        };
        match self.leg_of(incoming, now) {
            Ok(leg) => {
                self.calls.insert(call, leg);
                true
            }
            Err((status, text)) => {
                if self.refusals.admits(incoming.peer.ip(), now) {
                    self.tell(Message::CallNotTaken {
                        extension: self.extension_name(incoming.extension),
                        caller: incoming.caller.clone(),
                        peer: incoming.peer,
                        status,
                        why: text.clone(),
                    });
                }
                self.agent.refuse(call, status, Some(Cause { status, text }), now);
                false
            }
        }
    }

    fn leg_of(&mut self, incoming: &Incoming, now: Instant) -> Result<Leg, (u16, String)> {
        let extension = usize::from(incoming.extension.0);
        let counted_as = Caller::of(incoming).counted_as();
        if self.calls.values().filter(|leg| leg.counted_as == counted_as).count() >= MAX_EACH {
            return Err((486, "too many calls of one caller at once".to_owned()));
        }
        let srtp = srtp_policy(self.plan.extensions[extension].srtp, incoming.secure)?;
        let codecs = self.plan.extensions[extension].codecs.clone();
        let (first, last) = self.plan.sip.rtp_ports;
        let start = first + (self.random() % u64::from(last - first + 1)) as u16;
        let own = incoming.local.ip();
        let (socket, rtp_port) = self
            .world
            .rtp_socket(own, first..=last, start)
            .map_err(|cause| (503, format!("no RTP port: {cause}")))?;
        let advertise = self.plan.sip.advertise.filter(|ip| ip.is_ipv4() == own.is_ipv4());
        let local = sdp::Local {
            address: advertise.unwrap_or(own),
            rtp_port,
            codecs,
            session_id: self.random() >> 1,
            version: 0,
            srtp,
            keys: self.key_seed(),
        };
        let (body, agreed, payloads) = match &incoming.offer {
            Some(offer) => {
                let (body, agreed) = sdp::answer(offer, &local).map_err(|e| (status(&e), e.to_string()))?;
                (body, Some(agreed), agreed.payloads)
            }
            None => {
                let body = sdp::offer(&local);
                // Until the answer comes in the ACK, what may arrive is what we offered.
                let payloads = sdp::accept(&body, &local)
                    .map(|a| a.payloads)
                    .map_err(|e| (500, e.to_string()))?;
                (body, None, payloads)
            }
        };
        let mut leg = Leg {
            page: self.new_page(),
            extension,
            caller: incoming.caller.clone(),
            counted_as,
            local,
            peer: incoming.peer,
            agreed: None,
            receiver: Receiver::new(payloads),
            payloads: payloads.joined(&PayloadMap::static_types()),
            lock: SourceLock::new(now),
            inside: Vec::new(),
            fence_until: None,
            opener: None,
            secret_keys: incoming.secure,
            keypad: Keypad::new(payloads),
            back: None,
            waiting_tone: None,
            body,
            socket: Rc::new(socket),
            reader: None,
            held: false,
            hang_up: None,
        };
        if let Some(agreed) = agreed {
            leg.agree(agreed, self.random(), now);
        }
        Ok(leg)
    }

    /// Every gate has opened.
    fn bid_for_call(&mut self, call: CallId, grant: Grant, now: Instant) {
        let Some(leg) = self.calls.get_mut(&call) else { return };
        leg.keypad.end_dialling(now);
        let page = leg.page;
        let began = self.clock.shows();
        let mut entry = Page::of_call(
            call,
            leg.extension,
            grant,
            leg.caller.clone(),
            leg.counted_as,
            leg.peer,
            began,
        );
        let audio = leg.agreed.and_then(|a| a.payloads.audio());
        entry.codec = audio.map(|(_, codec)| codec.name());
        if let Some(agreed) = &leg.agreed {
            entry.protection.note(agreed.suite(), leg.secret_keys);
        }
        self.bid(page, entry, now);
    }

    /// Answers a call and hears its audio port.
    pub(super) fn listen_to(&mut self, call: CallId, now: Instant) {
        let Some(leg) = self.calls.get_mut(&call) else { return };
        if leg.reader.is_some() {
            return;
        }
        leg.lock.expect(leg.peer.ip(), leg.agreed.and_then(|a| a.remote));
        let (lock, doors) = (leg.lock.clone(), self.doors.clone());
        leg.reader = Some(ports::read_rtp(
            leg.socket.clone(),
            Port::Call(call),
            self.rtp_queue.clone(),
            move |peer, octets, at| lock.is_worth_reading(peer, octets, at, &doors),
        ));
        let body = leg.body.clone();
        self.agent.accept(call, body, now);
    }

    /// The switchboard lets the call in: answer it and listen.
    pub(super) fn answer(&mut self, call: CallId, now: Instant) {
        self.listen_to(call, now);
        let Some(leg) = self.calls.get(&call) else { return };
        let (page, payloads) = (leg.page, leg.payloads);
        self.give_voice(page, payloads, now);
    }

    /// The switchboard does not let the call in.
    pub(super) fn turn_down(&mut self, call: CallId, why: Refusal, now: Instant) {
        let (status, text) = calls::refusal(why);
        let cause = cause(status, text);
        match self.calls.get_mut(&call).filter(|leg| leg.reader.is_some()) {
            // Answered for the dial pad.
            Some(leg) => leg.cut(cause, now),
            None => self.agent.refuse(call, status, Some(cause), now),
        }
    }

    /// A packet of a call that has no page: keys, and speech that nobody is to hear.
    pub(super) fn at_the_dial_pad(&mut self, call: CallId, packet: &crate::media::Packet, now: Instant) {
        let Some(leg) = self.calls.get_mut(&call) else { return };
        while let Some(kept) = leg.receiver.take_kept() {
            leg.keypad.packet(&kept);
        }
        leg.keypad.packet(packet);
        self.take_keys(call, now);
    }

    pub(super) fn has_page(&self, page: PageId) -> bool {
        self.pages.contains_key(&page)
    }

    fn tell_gate(&mut self, extension: ExtensionId, caller: &Caller, what: Told, untold: u64) {
        let extension = self.extension_name(extension);
        let place = caller.place;
        let caller = match caller.host.as_str() {
            "" => caller.user.clone(),
            host => format!("{}@{host}", caller.user),
        };
        let code_name = |own: &Self, code: crate::gate::CodeId| {
            let code = own.plan.codes.get(usize::from(code.0));
            code.map(|c| c.name.clone()).unwrap_or_default()
        };
        let message = match what {
            Told::Refused { status, why } => GateMessage::Refused {
                extension,
                caller,
                place,
                status,
                why: why.to_owned(),
                untold,
            },
            Told::WrongCode { nth } => GateMessage::WrongCode {
                extension,
                caller,
                place,
                why: format!("wrong code, {nth} of {MAX_TRIES}"),
                untold,
            },
            Told::CodeClosed { code } => GateMessage::WrongCode {
                extension,
                caller,
                place,
                why: format!("code {} outside its hours", code_name(self, code)),
                untold,
            },
            Told::Locked { whose, standing, left } => GateMessage::Locked {
                extension,
                caller,
                place,
                whose: whom(whose, standing).to_owned(),
                left,
                untold,
            },
            Told::Left { before } => GateMessage::Left {
                extension,
                caller,
                place,
                before: before.to_owned(),
                untold,
            },
            Told::Opened { code, zones } => {
                let zones = zones.iter().map(|z| self.plan.zones[usize::from(z.0)].name.as_str());
                GateMessage::Opened {
                    extension,
                    caller,
                    place,
                    zones: zones.collect::<Vec<_>>().join(", "),
                    code: code_name(self, code),
                }
            }
        };
        self.tell(Message::Gate(message));
    }
}

/// What is done about SRTP in a call. Keys that anybody on the way can read protect nothing, so that where protection is
/// required, signalling must be protected too.
fn srtp_policy(srtp: Srtp, secure: bool) -> Result<Policy, (u16, String)> {
    match srtp {
        Srtp::Off => Ok(Policy::Off),
        Srtp::Prefer => Ok(Policy::Prefer { offer: secure }),
        Srtp::Require if secure => Ok(Policy::Require),
        Srtp::Require => Err((
            488,
            "SRTP is required here, and its keys would come in the clear: the call did not come by TLS".to_owned(),
        )),
    }
}

/// For whom code entry is locked.
fn whom(whose: Whose, standing: Standing) -> &'static str {
    match (whose, standing) {
        (Whose::Caller, _) => "this caller",
        (Whose::Extension, Standing::Proven) => "callers at this extension who have had the right code",
        (Whose::Extension, Standing::Known) => "new callers at this extension through the phone system",
        (Whose::Extension, Standing::Stranger) => "strangers at this extension",
        (Whose::Site, Standing::Proven) => "all callers who have had the right code",
        (Whose::Site, Standing::Known) => "all new callers through the phone system",
        (Whose::Site, Standing::Stranger) => "all strangers",
    }
}

fn tone(sound: Sound) -> Tone {
    match sound {
        Sound::CodePrompt => Tone::code_prompt(),
        Sound::ZonePrompt => Tone::zone_prompt(),
        Sound::Refused => Tone::refused(),
    }
}

fn cause(status: u16, text: &str) -> Cause {
    Cause {
        status,
        text: text.to_owned(),
    }
}
