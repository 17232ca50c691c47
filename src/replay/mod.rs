//! `hornwire replay`: a packet capture through the same gateway that `hornwire run` starts, in simulated time.
//!
//! Nothing is rebuilt for it: the driver, the machines, the jitter buffers and the engines are those of the service. Only the edges are
//! others: the network is in memory, time is the capture's, each zone's output is a file.
#![allow(clippy::disallowed_methods)]

mod board;
mod capture;
mod clock;
mod output;
mod signalling;
#[cfg(test)]
mod tests;
mod told;

use std::cell::RefCell;
use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use jiff::{SignedDuration, Timestamp};
use tokio::sync::{mpsc, oneshot};

pub use board::{Board, sip_ports};
pub use capture::{Capture, CaptureError, Datagram, read};
pub use told::{Line, Replayed};

use crate::config::plan::Plan;
use crate::daemon::{self, Edges, StartError, now};
use crate::device::net::{Post, SimulatedNetwork, World};
use crate::device::relay::{self, SimulatedRelays};
use crate::device::service::Service;
use signalling::Calls;

/// The gateway has this long to register and to join groups before the first datagram.
const BEFORE: Duration = Duration::from_secs(2);
/// And goes on after the last until it is at rest, for so long at most: what has no packets any more ends by its own limits.
const AFTER: Duration = Duration::from_secs(35);
/// A stream's end is noticed so late at least.
const LAST_LOOK: Duration = Duration::from_secs(2);
/// A datagram goes through so many hands at most: its reader, the control task, and what that starts.
const TURNS: usize = 8;
/// Longest capture.
const LONGEST: Duration = Duration::from_secs(24 * 3600);
/// Moments that may wait to be looked at: they are, at once.
const MOMENTS: usize = 4096;

/// Addresses that an error names.
const MAX_NAMED: usize = 8;

/// Why there is no replay.
#[derive(Debug, thiserror::Error)]
pub enum ReplayError {
    #[error("there are calls in it, to {}, but none to an extension of this config: which address is the gateway's? (--address)",
        listed(.called))]
    WhichBoard { called: Vec<IpAddr> },
    #[error("no call in it goes to {address}{}", whom(.called))]
    NotThere { address: IpAddr, called: Vec<IpAddr> },
    #[error("there is nothing for this config in it: no call to an extension, no registration of one, nothing to a group{}",
        .besides.as_ref().map(|note| format!("; {note}")).unwrap_or_default())]
    NoneOfIt { besides: Option<String> },
    #[error("it is {} h long; a replay takes at most 24 h. Cut out the time in question (`editcap -A … -B …`)", .0.as_secs() / 3600)]
    TooLong(Duration),
    #[error("the gateway does not start: {0}")]
    Start(#[from] StartError),
    #[error("{}: {cause}", .path.display())]
    Write { path: PathBuf, cause: std::io::Error },
    #[error(transparent)]
    System(#[from] std::io::Error),
}

fn listed(addresses: &[IpAddr]) -> String {
    let named = addresses.iter().take(MAX_NAMED).map(ToString::to_string);
    let more = addresses.len().saturating_sub(MAX_NAMED);
    let more = (more > 0).then(|| format!("{more} more"));
    named.chain(more).collect::<Vec<_>>().join(", ")
}

fn whom(called: &[IpAddr]) -> String {
    match called {
        [] => ": there are none".to_owned(),
        called => format!(", they go to {}", listed(called)),
    }
}

/// Replays a capture under a plan. Each zone's output is written to `folder`, as `ZONE.wav`; it must be there. `address` is the gateway's in the
/// capture, if it cannot be told from it.
///
/// # Errors
/// See [`ReplayError`].
pub fn replay(
    mut plan: Plan,
    capture: &Capture,
    address: Option<IpAddr>,
    folder: &Path,
) -> Result<Replayed, ReplayError> {
    let board = board::find(&plan, capture, address)?;
    let left_out = told::left_out(&plan);
    board::confine(&mut plan, &board);
    let (Some(first), Some(last)) = (capture.datagrams.first(), capture.datagrams.last()) else {
        return Err(CaptureError::Nothing).map_err(|e| std::io::Error::other(e).into());
    };
    let length = last.at - first.at;
    if length > LONGEST {
        return Err(ReplayError::TooLong(length));
    }
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .start_paused(true)
        .build()?;
    let since = SignedDuration::try_from(first.at.saturating_sub(BEFORE)).unwrap_or_default();
    let began = Timestamp::UNIX_EPOCH
        .checked_add(since)
        .unwrap_or(Timestamp::UNIX_EPOCH);
    let recorded = output::longest(&plan);
    let mut replayed = runtime.block_on(play(plan, capture, &board, began, folder))?;
    replayed.notes.extend(left_out);
    if length > recorded {
        let minutes = recorded.as_secs() / 60;
        replayed.notes.push(format!(
            "the recordings end after {minutes} minutes, for the room that they take; all else goes on"
        ));
    }
    Ok(replayed)
}

async fn play(
    plan: Plan,
    capture: &Capture,
    board: &Board,
    began: Timestamp,
    folder: &Path,
) -> Result<Replayed, ReplayError> {
    let start = now();
    let network = SimulatedNetwork::new(vec![board.address], board.places.clone(), now);
    let journal = told::Notebook::new(start, now);
    let (moments, mut seen) = mpsc::channel(MOMENTS);
    let edges = Edges {
        journal: Box::new(journal.clone()),
        relays: relay::open_with(&plan.relays, &SimulatedRelays::new()).map_err(StartError::Relays)?,
        sinks: (0..plan.cards.len())
            .map(|card| output::opener(&plan, card, folder))
            .collect(),
        sources: Vec::new(),
        service: Service::unmanaged(),
        // Whatever is chosen, the same is chosen again.
        seed: [0; 32],
        wall: Box::new(move || {
            let passed = SignedDuration::try_from(now().saturating_duration_since(start)).unwrap_or_default();
            began.checked_add(passed).unwrap_or(began)
        }),
        ledger: None,
        rereads: mpsc::channel(1).1,
        world: World::Simulated(network.clone()),
        moments: Some(moments),
    };
    let mut told = told::Teller::new(&plan, folder, began, start);
    let (stop, stopped) = oneshot::channel::<()>();
    let calls = RefCell::new(Calls::default());
    let mut gateway = std::pin::pin!(daemon::run(plan.clone(), edges, async {
        let _ = stopped.await;
    }));
    let mut feeder = std::pin::pin!(feed(&plan, capture, board, &network, &calls, start));
    let mut answerer = std::pin::pin!(answer(&network, &calls));
    let mut stop = Some(stop);
    let (mut fed, mut stopped) = (None, Duration::ZERO);
    let mut ends = now() + AFTER;
    let mut look = tokio::time::interval(LAST_LOOK);
    loop {
        tokio::select! {
            biased;
            ended = &mut gateway => {
                ended?;
                break;
            }
            Some(moment) = seen.recv() => told.see(moment),
            all = &mut feeder, if fed.is_none() => {
                fed = Some(all);
                ends = now() + AFTER;
                look.reset();
            }
            () = &mut answerer => {}
            _ = look.tick(), if fed.is_some() && stop.is_some() => {
                if told.rests || now() >= ends {
                    stopped = now() - start;
                    drop(stop.take());
                }
            }
        }
    }
    while let Ok(moment) = seen.try_recv() {
        told.see(moment);
    }
    let mut replayed = told.whole(board, capture, journal.lines(), stopped, fed.unwrap_or_default());
    replayed.notes.extend(calls.borrow().other_codecs());
    Ok(replayed)
}

/// Lets everything arrive when it did.
async fn feed(
    plan: &Plan,
    capture: &Capture,
    board: &Board,
    network: &SimulatedNetwork,
    calls: &RefCell<Calls>,
    start: Instant,
) -> told::Fed {
    let listens = plan.sip.listen[0].1;
    let first = capture.datagrams.first().map_or(Duration::ZERO, |first| first.at);
    let mut fed = told::Fed::default();
    for datagram in &capture.datagrams {
        let at = start + BEFORE + (datagram.at - first);
        tokio::time::sleep_until(at.into()).await;
        let (from, mut to) = (datagram.from, datagram.to);
        let mut octets = datagram.octets.clone();
        let is_group = plan.groups.iter().any(|group| group.address == to);
        // A phone system on the gateway's own address sends from there as well.
        let is_local = from.ip() == board.address;
        if is_group {
            // Whoever pages by multicast from the gateway's own address is heard all the same.
            fed.groups += 1;
        } else if let Some(message) = signalling::read(&octets) {
            if board.has_sent(from, to) {
                calls.borrow_mut().outward_then(&message);
                continue;
            }
            // Answers were for the other one's requests.
            if !board.hears_at(to) || signalling::method(&message).is_none() {
                continue;
            }
            octets = calls.borrow_mut().inward(&octets, &message);
            to = listens;
            fed.requests += 1;
        } else if to.ip() != board.address {
            continue;
        } else if let Some(now) = calls.borrow().audio(from, to, is_local) {
            to = now;
            fed.audio += 1;
        } else {
            let is_of_system = [from, to].iter().any(|one| one.port() < 1024);
            fed.stray += u64::from(!is_local && !is_of_system && signalling::is_rtp(&octets));
            continue;
        }
        network.deliver(&Post { from, to, octets, at });
        // Those of one millisecond come one after the other: each is dealt with before the next one comes.
        for _ in 0..TURNS {
            tokio::task::yield_now().await;
        }
    }
    fed
}

/// Notes what the gateway says, and agrees to what it asks.
async fn answer(network: &SimulatedNetwork, calls: &RefCell<Calls>) {
    loop {
        let post = network.sent().await;
        let Some(message) = signalling::read(&post.octets) else {
            continue;
        };
        calls.borrow_mut().outward_now(&message);
        if let Some(octets) = signalling::agreed(&message) {
            let (from, to, at) = (post.to, post.from, post.at);
            network.deliver(&Post { from, to, octets, at });
        }
    }
}
