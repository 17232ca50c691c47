//! The driver: sockets, the control task, the audio threads, supervision.
//!
//! One control task owns every pure machine and decides nothing itself: it takes what came (a datagram, a report
//! from an audio thread, a timer), hands it to the machine it is for, and does what the machines ask. Reader tasks
//! only wait on sockets ([`ports`], [`wires`]); each card has a thread of its own ([`cards`]).
#![allow(clippy::disallowed_methods)]

mod bench;
mod calls;
mod cards;
mod checker;
mod clock;
mod contacts;
mod control;
mod desk;
mod dial;
mod doors;
mod gates;
mod groups;
mod health;
mod instance;
mod intake;
mod kept;
mod ledger;
mod lines;
mod local;
mod meters;
mod moments;
mod music;
mod names;
mod news;
mod opened;
mod pace;
mod pages;
mod pipe;
mod players;
mod ports;
mod protection;
mod records;
mod reload;
mod return_path;
mod schedules;
mod scrape;
mod signal;
mod signalling;
mod source_lock;
mod status;
mod streams;
mod talkers;
mod voices;
mod wires;

use std::future::Future;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use tokio::sync::mpsc;

pub use moments::{Moment, What};
pub use names::locate;
pub use reload::Reread;
pub use wires::ListenError;

use crate::config::plan::{AudioDevice, Plan};
use crate::device::audio::OpenSink;
use crate::device::capture::OpenSource;
use crate::device::net::World;
use crate::device::news::DeviceError;
use crate::device::relay::{self, RelayBank, RelayError};
use crate::device::service::{self, Service};
use crate::device::sink::{self, Sink};
use crate::device::source::{self, Source};
use crate::report::journal::{self, Journal};
use crate::report::message::{Message, ReloadMessage};

/// What the daemon works with; the demonstration and tests bring their own.
pub struct Edges {
    pub journal: Box<dyn Journal>,
    pub relays: Box<dyn RelayBank>,
    /// One for each card of the plan.
    pub sinks: Vec<OpenSink>,
    /// One for each capture device of the plan.
    pub sources: Vec<OpenSource>,
    pub service: Service,
    /// Feeds every random choice.
    pub seed: [u8; 32],
    /// What the clock on the wall shows; rules use it for hours and schedules alone.
    pub wall: Box<dyn Fn() -> jiff::Timestamp>,
    /// Recordings that are not played yet are noted in this file, for the next program to tell of should this one die.
    pub ledger: Option<PathBuf>,
    /// Configs that were read again.
    pub rereads: mpsc::Receiver<Reread>,
    pub world: World,
    /// Told what happens, for a timeline. Full: moments are lost.
    pub moments: Option<mpsc::Sender<Moment>>,
}

/// What time it is for the driver: that of its runtime, which may be a simulated one.
pub(crate) fn now() -> Instant {
    tokio::time::Instant::now().into_std()
}

/// Why the daemon did not start.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    #[error(transparent)]
    Listen(#[from] ListenError),
    #[error("{}", .0.iter().map(ToString::to_string).collect::<Vec<_>>().join("; "))]
    Relays(Vec<RelayError>),
    /// The files of the `[tls]` table cannot be used.
    #[error("{}", .0.iter().map(ToString::to_string).collect::<Vec<_>>().join("; "))]
    Tls(Vec<crate::tls::Fault>),
    #[error(transparent)]
    System(#[from] std::io::Error),
}

impl Edges {
    /// The real edges of a plan.
    ///
    /// # Errors
    /// When a relay that is not optional cannot be had, or the system gives no random numbers.
    pub fn real(plan: &Plan, rereads: mpsc::Receiver<Reread>) -> Result<Self, StartError> {
        let relays = relay::open(&plan.relays).map_err(StartError::Relays)?;
        let mut seed = [0; 32];
        rand::TryRngCore::try_fill_bytes(&mut rand::rngs::OsRng, &mut seed).map_err(std::io::Error::other)?;
        Ok(Edges {
            journal: journal::choose(),
            relays,
            sinks: plan.cards.iter().map(opener).collect(),
            sources: plan.captures.iter().map(source_opener).collect(),
            service: Service::from_environment(),
            seed,
            wall: Box::new(jiff::Timestamp::now),
            ledger: service::runtime_file(ledger::NAME),
            rereads,
            world: World::System,
            moments: None,
        })
    }
}

/// Opens what a card of the plan names.
pub fn opener(card: &crate::config::plan::Card) -> OpenSink {
    let card = card.clone();
    Box::new(move || -> Result<Box<dyn Sink>, DeviceError> {
        Ok(match &card.output {
            AudioDevice::Alsa(pcm) => Box::new(sink::AlsaSink::open(pcm, card.channels, card.period)?),
            AudioDevice::Wav(path) => Box::new(sink::WavSink::open(path, card.channels, card.period)?),
            AudioDevice::Null => Box::new(sink::NullSink::open(card.channels, card.period)?),
        })
    })
}

/// Opens what a capture device of the plan names.
pub fn source_opener(capture: &crate::config::plan::Capture) -> OpenSource {
    let capture = capture.clone();
    Box::new(move || -> Result<Box<dyn Source>, DeviceError> {
        Ok(match &capture.input {
            AudioDevice::Alsa(pcm) => Box::new(source::AlsaSource::open(pcm, capture.channels)?),
            AudioDevice::Wav(path) => Box::new(source::WavSource::open(path, capture.channels)?),
            AudioDevice::Null => Box::new(source::NullSource::open(capture.channels)?),
        })
    })
}

/// Runs until `stop` comes true, then ends every call, unregisters, and leaves the relays at rest. A config that is read again and cannot
/// be taken up otherwise makes it do so and begin anew, once nothing is on.
///
/// # Errors
/// When it cannot start; once running it goes on whatever happens, but where it can begin anew neither by the new config nor
/// by the one before.
pub async fn run(plan: Plan, edges: Edges, stop: impl Future<Output = ()>) -> Result<(), StartError> {
    let local = tokio::task::LocalSet::new();
    local
        .run_until(async {
            let mut stop = std::pin::pin!(stop);
            let opened = opened::Opened::of(&plan, edges.sinks, edges.sources, &edges.world)?;
            let rest = Edges {
                sinks: Vec::new(),
                sources: Vec::new(),
                ..edges
            };
            let start_spread = plan.sip.start_spread;
            let mut control = control::Control::build(plan, opened, rest, start_spread);
            while let Some(anew) = control.go(&mut stop).await {
                control = begin_anew(anew).await?;
            }
            Ok(())
        })
        .await
}

/// How often a plan is tried, the new one and the one before, and how long after: sockets and lines may be let go a little later.
const ATTEMPTS: [u32; 2] = [4, 10];
const AGAIN: Duration = Duration::from_millis(500);

/// By the new plan, else by the old one.
async fn begin_anew(anew: control::Anew) -> Result<control::Control, StartError> {
    let open = |plan: &Plan| -> Result<(Box<dyn RelayBank>, opened::Opened), StartError> {
        let relays = relay::open(&plan.relays).map_err(StartError::Relays)?;
        let sinks = plan.cards.iter().map(opener).collect();
        let sources = plan.captures.iter().map(source_opener).collect();
        Ok((relays, opened::Opened::of(plan, sinks, sources, &anew.world)?))
    };
    let opens = async |plan: &Plan, attempts: u32| {
        let mut opened = open(plan);
        for _ in 1..attempts {
            // It lives, though no control task does.
            let _ = anew.service.alive();
            if opened.is_ok() {
                break;
            }
            tokio::time::sleep(AGAIN).await;
            opened = open(plan);
        }
        opened
    };
    let mut journal = anew.journal;
    let [new, old] = ATTEMPTS;
    // The tasks of the one before hold sockets and lines until they have been looked at once more.
    tokio::task::yield_now().await;
    let (plan, (relays, opened)) = match opens(&anew.plan, new).await {
        Ok(opened) => {
            let what = anew.what;
            journal.write(&Message::Reload(ReloadMessage::TakenUp { what }).entry());
            (anew.plan, opened)
        }
        Err(error) => {
            let cause = error.to_string();
            journal.write(&Message::Reload(ReloadMessage::Kept { cause }).entry());
            let opened = opens(&anew.old, old).await?;
            (anew.old, opened)
        }
    };
    let edges = Edges {
        journal,
        relays,
        sinks: Vec::new(),
        sources: Vec::new(),
        service: anew.service,
        seed: anew.seed,
        wall: anew.wall,
        ledger: None,
        world: anew.world,
        moments: anew.moments,
        rereads: anew.rereads,
    };
    // Spreading is for many boards that get their power back together.
    Ok(control::Control::build(plan, opened, edges, Duration::ZERO).follow(anew.former))
}
