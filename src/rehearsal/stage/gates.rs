//! Calls on their way in.

use super::*;
use crate::gate::{CodeId, Told};

impl Stage<'_> {
    pub(super) fn call(&mut self, index: usize, call: &Call, lasts: Duration) {
        let Some(extension) = self.plan.extensions.iter().position(|e| e.name == call.extension) else {
            return;
        };
        let settings = &self.plan.extensions[extension];
        if let Some(dialled) = &call.dialled {
            let mut also = settings.gate.dial.iter().map(|(users, _)| users);
            if *dialled != settings.user && !also.any(|users| users.matches(dialled, "")) {
                let why = "no such extension";
                let text = format!("call from {} to {dialled} is refused: {why}", call.caller);
                return self.refusal(Speaker::Extension(extension), why, text);
            }
        }
        let from_registrar = call.from.is_none() && !settings.registrars.is_empty();
        let networks = settings.gate.networks.as_ref().unwrap_or(&self.plan.sip.networks);
        let first = networks.first().map(|network| network.address());
        let ip = call.from.or(first).unwrap_or(IpAddr::V4(Ipv4Addr::new(192, 0, 2, 1)));
        let trusted = from_registrar || self.plan.sip.trusted.iter().any(|n| n.contains(ip));
        let identity = || Identity {
            user: call.caller.clone(),
            host: "quayside.example".to_owned(),
        };
        let incoming = Incoming {
            call: CallId(index as u64),
            extension: ExtensionId(extension as u16),
            caller: call.caller.clone(),
            from: identity(),
            asserted: trusted.then(identity),
            dialled: call.dialled.clone().unwrap_or_else(|| settings.user.clone()),
            from_registrar,
            trusted,
            secure: true,
            urgency: call.urgent.iter().filter(|_| trusted).cloned().collect(),
            peer: SocketAddr::new(ip, 5060),
            local: SocketAddr::new(ip, 5060),
            offer: None,
        };
        self.source(index, &settings.name, lasts);
        self.calls.insert(index, Caller::of(&incoming).counted_as());
        let local = self.wall().map(|wall| wall.time);
        self.gate.call(&incoming, local, self.now);
    }

    pub(super) fn on_gate(&mut self, output: gate::Output) {
        let index = |call: CallId| usize::try_from(call.0).unwrap_or_default();
        match output {
            gate::Output::Refuse { call, why } => {
                self.refused_call(index(call), why.text());
            }
            gate::Output::Ask { call } => {
                let index = index(call);
                let lasts = self.events[index].lasts;
                self.due(self.now + lasts, Due::Over(index));
                let What::Call(settings) = &self.events[index].what else {
                    return;
                };
                let code = if settings.code.is_some() { "0000#" } else { "" };
                for (n, key) in (0u32..).zip(code.chars()) {
                    self.due(self.now + PROMPT + KEY * n, Due::Key(index, key));
                }
                if settings.code.is_none() {
                    self.type_keys(index);
                }
            }
            gate::Output::Check {
                check,
                extension,
                digits: _,
            } => self.check(check, usize::from(extension.0)),
            gate::Output::Page { call, grant } => self.call_pages(index(call), &grant),
            gate::Output::End { call, why } => self.refused_call(index(call), why.text()),
            gate::Output::Tell {
                extension,
                caller,
                what,
                ..
            } => self.gate_tells(usize::from(extension.0), &caller.user, &what),
            gate::Output::Play { .. } => {}
        }
    }

    /// What the journal tells beside refusals.
    fn gate_tells(&mut self, extension: usize, caller: &str, what: &Told) {
        let name = &self.plan.extensions[extension].name;
        let code = |code: &CodeId| {
            let code = self.plan.codes.get(usize::from(code.0));
            code.map_or("", |code| code.name.as_str())
        };
        let what = match what {
            Told::WrongCode { nth } => format!("wrong code, try {nth}"),
            Told::CodeClosed { code: id } => format!("code {} outside its hours", code(id)),
            Told::Locked { .. } => "too many wrong codes: the dial pad is locked".to_owned(),
            Told::Left { before } => {
                let why = format!("hung up before {before}");
                let text = format!("call from {caller} to {name}: {why}");
                return self.refusal(Speaker::Extension(extension), &why, text);
            }
            // Told with the call's end, or seen by the page.
            Told::Refused { .. } | Told::Opened { .. } => return,
        };
        let text = format!("call from {caller} to {name}: {what}");
        self.line(text);
    }

    pub(super) fn type_keys(&mut self, index: usize) {
        let What::Call(call) = &self.events[index].what else {
            return;
        };
        for (n, key) in (0u32..).zip(call.keys.chars()) {
            self.due(self.now + PROMPT + KEY * n, Due::Key(index, key));
        }
    }

    /// The code that a caller typed is looked up by its name. It is asked for as the last key is typed.
    pub(super) fn check(&mut self, check: gate::CheckId, extension: usize) {
        let index = self.types;
        let name = index.and_then(|index| match &self.events[index].what {
            What::Call(call) => call.code.as_deref().filter(|code| *code != WRONG_CODE),
            _ => None,
        });
        let codes = &self.plan.extensions[extension].gate.codes;
        let found = codes.iter().position(|code| {
            let code = self.plan.codes.get(usize::from(code.0));
            code.is_some_and(|code| Some(code.name.as_str()) == name)
        });
        let local = self.wall().map(|wall| wall.time);
        self.gate.checked(check, found, local, self.now);
        if let (Some(index), Some(_)) = (index, found) {
            self.type_keys(index);
        }
    }

    pub(super) fn refused_call(&mut self, index: usize, why: &str) {
        self.calls.remove(&index);
        if let What::Call(call) = &self.events[index].what {
            let text = format!("call from {} to {} is refused: {why}", call.caller, call.extension);
            let extension = self.plan.extensions.iter().position(|e| e.name == call.extension);
            if let Some(extension) = extension {
                self.refusal(Speaker::Extension(extension), why, text);
            }
            self.hangs_up(index);
        }
    }

    pub(super) fn call_pages(&mut self, index: usize, grant: &gate::Grant) {
        let event = &self.events[index];
        let What::Call(call) = &event.what else { return };
        let Some(extension) = self.plan.extensions.iter().position(|e| e.name == call.extension) else {
            return;
        };
        let sound = Sound::Talk {
            speech: call.speech,
            lasts: event.lasts,
            hang: Duration::ZERO,
            from: None,
            heard_from: None,
        };
        let counted_as = self.calls.get(&index).copied().unwrap_or_default();
        let actor = Actor::new(Speaker::Extension(extension), self.plan, sound);
        let (zones, priority) = (grant.zones().to_vec(), grant.priority());
        self.bid(actor, zones, priority, call.caller.clone(), counted_as, Some(index));
    }
}
