//! What a plan needs opened before it can be gone by: sockets, cards, capture devices; and what the agent is told of it.

use std::time::{Duration, Instant};

use tokio::sync::mpsc::{self, Receiver};

use super::StartError;
use super::cards::Cards;
use super::checker::Checker;
use super::doors::Doors;
use super::intake::{Inlet, Intake};
use super::lines::Lines;
use super::music;
use super::ports::SIP_QUEUE;
use super::signal::Signal;
use super::wires::Wires;
use crate::config::plan::Plan;
use crate::device::audio::OpenSink;
use crate::device::capture::OpenSource;
use crate::device::net::World;
use crate::sip::agent::{Agent, ExtensionId, Hop, Settings, Transport};
use crate::sip::network::Network;
use crate::tls::Keyring;

/// What may fail at the start, done.
pub struct Opened {
    pub sip: Receiver<Signal>,
    pub doors: Doors,
    pub intake: Intake,
    pub wires: Wires,
    pub cards: Cards,
    pub lines: Lines,
    pub music: Vec<music::Watch>,
    pub checker: Checker,
}

impl Opened {
    /// Opens sockets and cards. Must be called inside a `LocalSet`.
    ///
    /// # Errors
    /// See [`super::run`].
    pub fn of(plan: &Plan, sinks: Vec<OpenSink>, sources: Vec<OpenSource>, world: &World) -> Result<Self, StartError> {
        // Before anybody speaks: on a small board it takes some ten milliseconds.
        crate::media::playout::prepare();
        let now = super::now();
        let (sip_queue, sip) = mpsc::channel(SIP_QUEUE);
        let inlet = Inlet {
            intake: Intake::new(now),
            doors: Doors::new(networks(plan), now),
        };
        let (doors, intake) = (inlet.doors.clone(), inlet.intake.clone());
        let keyring = keyring(plan)?;
        let wires = Wires::open(&plan.sip, sip_queue, inlet, keyring, world, now)?;
        let music = music::connect(plan);
        Ok(Opened {
            sip,
            doors,
            intake,
            wires,
            cards: Cards::start(plan, sinks, music.cards, world)?,
            lines: Lines::start(plan, sources, music.taps)?,
            music: music.watches,
            checker: Checker::start(plan)?,
        })
    }
}

/// TLS only where somebody speaks it.
fn keyring(plan: &Plan) -> Result<Option<Keyring>, StartError> {
    let connects = plan
        .extensions
        .iter()
        .flat_map(|e| &e.registrars)
        .any(|r| r.hop.is_encrypted() || r.proxies.iter().any(Hop::is_encrypted));
    let listens = plan.sip.listen.iter().any(|(t, _)| *t == Transport::Tls);
    if !connects && !listens && plan.tls == crate::tls::Files::default() {
        return Ok(None);
    }
    // A name service may send any registrar's hop to TLS (RFC 3263 §4.1).
    let with_roots = plan.extensions.iter().any(|e| !e.registrars.is_empty());
    Keyring::open(plan.tls.clone(), with_roots)
        .map(Some)
        .map_err(StartError::Tls)
}

pub fn agent(plan: &Plan, seed: [u8; 32], start_spread: Duration, now: Instant) -> Agent {
    let settings = Settings {
        start_spread,
        ..settings(plan)
    };
    let mut agent = Agent::new(settings, seed, now);
    for (index, extension) in plan.extensions.iter().enumerate() {
        let users = extension.gate.dial.iter().map(|(users, _)| users.clone());
        agent.also_called(ExtensionId(index as u16), users);
    }
    agent
}

/// Who is let in: the networks of one extension too, which its gate tells apart.
fn networks(plan: &Plan) -> Vec<Network> {
    let own = plan.extensions.iter().filter_map(|e| e.gate.networks.as_ref());
    plan.sip.networks.iter().chain(own.flatten()).copied().collect()
}

fn settings(plan: &Plan) -> Settings {
    Settings {
        extensions: plan
            .extensions
            .iter()
            .map(|e| crate::sip::agent::Extension {
                user: e.user.clone(),
                registrars: e.registrars.clone(),
                auth_user: e.auth_user.clone(),
                password: e.password.clone(),
                expires: e.expires,
                keep_alive: e.keep_alive,
            })
            .collect(),
        networks: networks(plan),
        trusted: plan.sip.trusted.clone(),
        product: concat!("hornwire/", env!("CARGO_PKG_VERSION")).to_owned(),
        instance: Some(super::instance::instance()),
        start_spread: plan.sip.start_spread,
    }
}
