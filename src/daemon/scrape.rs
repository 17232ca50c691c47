//! Figures by HTTP: `GET /metrics` at the configured address, and nothing else.

use std::collections::VecDeque;
use std::convert::Infallible;
use std::io;
use std::net::IpAddr;
use std::time::{Duration, Instant};

use http_body_util::Full;
use hyper::body::{Bytes, Incoming};
use hyper::header::{ALLOW, CONTENT_TYPE, HeaderValue};
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper::{Method, Request, Response, StatusCode};
use hyper_util::rt::{TokioIo, TokioTimer};
use socket2::{Domain, Protocol, Socket, Type};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc::{self, Receiver, Sender};
use tokio::sync::oneshot;
use tokio::task::{AbortHandle, JoinSet};

use super::control::Control;
use super::ports::Reader;
use crate::config::plan;
use crate::device::net;
use crate::page::{Kept, RelayId, Standing, ZoneId};
use crate::report::message::{LocalMessage, Message};
use crate::report::metrics::{self, Names, State};

/// Connections at once.
const MAX_CONNECTIONS: usize = 8;
/// For the head of a request, the first one and those that follow on the same connection.
const HEADER_LIMIT: Duration = Duration::from_secs(10);
/// A connection's whole life.
const CONNECTION_LIMIT: Duration = Duration::from_secs(600);
/// What was made so short a time ago is given again: who fetches all the time costs the control task nothing.
const FRESH: Duration = Duration::from_secs(1);
/// An address that is somebody else's is tried again.
const AGAIN: Duration = Duration::from_secs(30);
const BACKLOG: i32 = 16;

/// Somebody waits for the figures.
pub type Wanted = oneshot::Sender<Bytes>;

/// The address, and who asks there.
pub struct Scrapes {
    wanted: Receiver<Wanted>,
    queue: Sender<Wanted>,
    listening: Option<Reader>,
    again: Option<Instant>,
    is_told: bool,
    last: Option<(Instant, Bytes)>,
}

impl Scrapes {
    pub fn closed() -> Self {
        let (queue, wanted) = mpsc::channel(MAX_CONNECTIONS);
        Scrapes {
            wanted,
            queue,
            listening: None,
            again: None,
            is_told: false,
            last: None,
        }
    }

    pub fn is_listening(&self) -> bool {
        self.listening.is_some()
    }

    pub async fn next(&mut self) -> Option<Wanted> {
        self.wanted.recv().await
    }

    /// Goes by the plan from the next look on.
    pub fn change(&mut self) {
        self.listening = None;
        self.again = None;
        self.is_told = false;
    }

    /// Listens, if it does not and it is time to try. Must be called inside a `LocalSet`. An error is told once.
    fn listen(&mut self, settings: &plan::Metrics, now: Instant) -> Result<(), io::Error> {
        if self.listening.is_some() || self.again.is_some_and(|at| at > now) {
            return Ok(());
        }
        match bind(settings) {
            Ok(listener) => {
                self.is_told = false;
                let task = serve(listener, settings.clone(), self.queue.clone());
                self.listening = Some(Reader::new(tokio::task::spawn_local(task)));
                Ok(())
            }
            Err(error) => {
                self.again = Some(now + AGAIN);
                match std::mem::replace(&mut self.is_told, true) {
                    false => Err(error),
                    true => Ok(()),
                }
            }
        }
    }
}

fn bind(settings: &plan::Metrics) -> io::Result<TcpListener> {
    let address = settings.listen;
    let socket = Socket::new(Domain::for_address(address), Type::STREAM, Some(Protocol::TCP))?;
    socket.set_nonblocking(true)?;
    socket.set_reuse_address(true)?;
    if address.is_ipv6() {
        socket.set_only_v6(true)?;
    }
    net::may_come_later(&socket, address)?;
    socket.bind(&address.into())?;
    socket.listen(BACKLOG)?;
    TcpListener::from_std(socket.into())
}

async fn serve(listener: TcpListener, settings: plan::Metrics, queue: Sender<Wanted>) {
    // They end with it.
    let mut connections = JoinSet::new();
    let mut eldest: VecDeque<AbortHandle> = VecDeque::new();
    let may = |peer: IpAddr| {
        let mut networks = settings.networks.iter().flatten();
        settings.networks.is_none() || networks.any(|network| network.contains(peer))
    };
    loop {
        while connections.try_join_next().is_some() {}
        eldest.retain(|connection| !connection.is_finished());
        let Ok((stream, peer)) = listener.accept().await else {
            tokio::time::sleep(Duration::from_millis(100)).await;
            continue;
        };
        if !may(peer.ip()) {
            continue;
        }
        // Whoever holds on to a place, and does not ask or does not take its answer, makes room.
        if eldest.len() >= MAX_CONNECTIONS
            && let Some(connection) = eldest.pop_front()
        {
            connection.abort();
        }
        let queue = queue.clone();
        eldest.push_back(connections.spawn_local(async move {
            let _ = tokio::time::timeout(CONNECTION_LIMIT, connection(stream, queue)).await;
        }));
    }
}

async fn connection(stream: TcpStream, queue: Sender<Wanted>) {
    let service = service_fn(|request: Request<Incoming>| answer(request, queue.clone()));
    let served = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEADER_LIMIT)
        .max_buf_size(16 * 1024)
        .serve_connection(TokioIo::new(stream), service);
    // Whatever the far end did wrong is its own trouble.
    let _ = served.await;
}

async fn answer(request: Request<Incoming>, queue: Sender<Wanted>) -> Result<Response<Full<Bytes>>, Infallible> {
    let text = |status: StatusCode, text: &'static str| {
        let mut response = Response::new(Full::from(text));
        *response.status_mut() = status;
        response
    };
    if request.uri().path() != "/metrics" {
        return Ok(text(StatusCode::NOT_FOUND, "the figures are at /metrics\n"));
    }
    if request.method() != Method::GET && request.method() != Method::HEAD {
        let mut refusal = text(StatusCode::METHOD_NOT_ALLOWED, "figures are only read\n");
        refusal
            .headers_mut()
            .insert(ALLOW, HeaderValue::from_static("GET, HEAD"));
        return Ok(refusal);
    }
    let (wanted, figures) = oneshot::channel();
    let asked = queue.send(wanted).await.is_ok();
    let Some(figures) = (if asked { figures.await.ok() } else { None }) else {
        return Ok(text(StatusCode::SERVICE_UNAVAILABLE, "the gateway is stopping\n"));
    };
    let mut response = Response::new(Full::new(figures));
    let kind = HeaderValue::from_static(metrics::CONTENT_TYPE);
    response.headers_mut().insert(CONTENT_TYPE, kind);
    Ok(response)
}

impl Control {
    /// Listens where the plan says, sooner or later.
    pub(super) fn offer_figures(&mut self, now: Instant) {
        let Some(settings) = &self.plan.metrics else { return };
        if let Err(error) = self.scrapes.listen(settings, now) {
            self.tell(Message::Local(LocalMessage::NoMetrics {
                address: settings.listen,
                cause: error.to_string(),
            }));
        }
    }

    /// Makes the series of the plan.
    pub(super) fn expect_figures(&self) {
        let plan = &self.plan;
        let registers = plan.extensions.iter().filter(|e| !e.registrars.is_empty());
        self.metrics.expect(&Names {
            sources: plan.speakers().map(|speaker| speaker.name(plan)).collect(),
            extensions: registers.map(|extension| extension.name.as_str()).collect(),
            relays: plan.relays.iter().map(|relay| relay.name.as_str()).collect(),
            cards: plan.cards.iter().map(|card| card.name.as_str()).collect(),
            inputs: self.lines.states().map(|(name, _)| name).collect(),
        });
    }

    pub(super) fn on_wanted(&mut self, wanted: Wanted, now: Instant) {
        let last = self.scrapes.last.take();
        let last = last.filter(|(made, _)| now.saturating_duration_since(*made) < FRESH);
        let (made, figures) = last.unwrap_or_else(|| (now, Bytes::from(self.metrics.text(&self.state()))));
        self.scrapes.last = Some((made, figures.clone()));
        // Who asked may be gone.
        let _ = wanted.send(figures);
    }

    fn state(&self) -> State<'_> {
        let plan = &self.plan;
        let zones = (0..=u16::MAX).map(ZoneId).zip(&plan.zones).map(|(id, zone)| {
            let (phase, _) = self.switchboard.zone(id);
            let available = self.cards.is_up(zone.card) && !self.contacts.has_taken(id);
            (zone.name.as_str(), phase, available)
        });
        let (mut heard, mut waiting) = (0, 0);
        for page in self.switchboard.pages() {
            match (page.kept, page.standing) {
                (Some(Kept::Speaking { .. }), _) | (_, Standing::Waiting) => waiting += 1,
                _ => heard += 1,
            }
        }
        let extensions = plan
            .extensions
            .iter()
            .enumerate()
            .filter(|(_, e)| !e.registrars.is_empty());
        let relays = (0..=u16::MAX).map(RelayId).zip(&plan.relays);
        let groups = self.groups.iter().zip(&plan.groups);
        State {
            zones: zones.collect(),
            pages: (heard, waiting),
            extensions: extensions
                .map(|(index, e)| {
                    (
                        e.name.as_str(),
                        self.health.registrars(index).count(),
                        e.registrars.len(),
                    )
                })
                .collect(),
            cards: plan
                .cards
                .iter()
                .enumerate()
                .map(|(index, card)| (card.name.as_str(), self.cards.is_up(index)))
                .collect(),
            inputs: self.lines.states().collect(),
            groups: groups
                .map(|(group, settings)| (settings.name.as_str(), group.is_joined()))
                .collect(),
            relays: relays
                .map(|(id, relay)| (relay.name.as_str(), self.switchboard.relay(id)))
                .collect(),
            missing: self.faults().len(),
            journal_lost: self.journal.dropped(),
        }
    }
}
