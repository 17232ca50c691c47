//! The control task: one `select!`, and the timers of everything it owns.

use std::collections::{BTreeMap, VecDeque};
use std::future::Future;
use std::net::IpAddr;
use std::pin::Pin;
use std::time::{Duration, Instant};

use rand_chacha::ChaCha12Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};
use tokio::sync::mpsc::{self, Receiver, Sender};

use super::calls::Leg;
use super::cards::Cards;
use super::checker::Checker;
use super::clock::{self, WallClock};
use super::contacts::Contacts;
use super::desk::Desk;
use super::doors::Doors;
use super::groups::{Group, Join};
use super::health::Health;
use super::intake::Intake;
use super::kept::Room;
use super::ledger::{Held, Ledger};
use super::lines::Lines;
use super::music;
use super::news::{Flood, News, STRANGERS};
use super::opened::{self, Opened};
use super::pace::{self, Pace};
use super::pages::Page;
use super::ports::{Arrival, RTP_QUEUE};
use super::reload::{Reload, Reread};
use super::scrape::Scrapes;
use super::signal::Signal;
use super::status::Seen;
use super::talkers::Talkers;
use super::wires::Wires;
use super::{Edges, Moment, What};
use crate::calendar::Clock;
use crate::config::plan::{InputLine, Plan};
use crate::device::net::World;
use crate::device::relay::RelayBank;
use crate::device::service::Service;
use crate::gate::{self, Gate};
use crate::page::{Input, PageId, Switchboard, ZoneId};
use crate::report::entry::Entry;
use crate::report::journal::Journal;
use crate::report::message::{LocalMessage, Message, PageMessage};
use crate::report::metrics::Metrics;
use crate::report::status::Past;
use crate::sip::agent::{Agent, CallId, SHUTDOWN_LIMIT};

/// How often the audio threads' reports are fetched while a page is on.
const REPORT_TICK: Duration = Duration::from_millis(50);
/// And while none is: only a card's coming and going waits for it.
const IDLE_TICK: Duration = Duration::from_millis(250);
/// Taken from each queue at one go, so that none starves another.
const BATCH: usize = 64;
/// The start waits this long for cards to open; those that come later are waited for while running.
const CARD_START: Duration = Duration::from_secs(2);
/// Farewells (BYE, un-REGISTER) are waited for this long: as long as the agent waits itself, and a moment to send.
const FAREWELL: Duration = SHUTDOWN_LIMIT.saturating_add(Duration::from_millis(200));
/// To begin anew less is waited for: registrations are made again at once, a far end that has vanished never answers, and whoever calls
/// meanwhile is refused.
const CHANGE: Duration = Duration::from_millis(500);

/// What is left to begin anew with.
pub struct Anew {
    pub old: Plan,
    pub plan: Plan,
    /// What differs.
    pub what: Vec<String>,
    pub journal: Box<dyn Journal>,
    pub service: Service,
    pub wall: Box<dyn Fn() -> jiff::Timestamp>,
    pub world: World,
    pub moments: Option<Sender<Moment>>,
    pub rereads: Receiver<Reread>,
    pub seed: [u8; 32],
    pub former: Former,
}

/// What goes on counting.
pub struct Former {
    passed: Clock,
    ledger: Ledger,
    closed: Vec<InputLine>,
    next_page: u64,
    metrics: Metrics,
    recent: VecDeque<Past>,
}

/// Everything the control task owns.
pub struct Control {
    pub(super) plan: Plan,
    pub(super) agent: Agent,
    pub(super) switchboard: Switchboard,
    pub(super) cards: Cards,
    pub(super) relays: Box<dyn RelayBank>,
    pub(super) journal: Box<dyn Journal>,
    pub(super) service: Service,
    pub(super) wires: Wires,
    pub(super) calls: BTreeMap<CallId, Leg>,
    pub(super) groups: Vec<Group>,
    pub(super) lines: Lines,
    pub(super) contacts: Contacts,
    pub(super) music: Vec<music::Watch>,
    pub(super) pages: BTreeMap<PageId, Page>,
    pub(super) talkers: Talkers,
    /// For what pages keep.
    pub(super) room: Room,
    pub(super) ledger: Ledger,
    /// What the program before died with.
    lost: Vec<(PageId, Held)>,
    pub(super) pace: Pace,
    /// Refused calls that are told one by one.
    pub(super) refusals: Pace,
    pub(super) doors: Doors,
    intake: Intake,
    /// The agent has done something that may have changed whom it lets in.
    pub(super) gate_moved: bool,
    pub(super) connection_news: News,
    flood: Flood,
    pub(super) renew_at: Instant,
    pub(super) look_at: Instant,
    pub(super) certificate_told: Option<Instant>,
    pub(super) gate: Gate,
    pub(super) checker: Checker,
    pub(super) clock: WallClock,
    pub(super) health: Health,
    pub(super) desk: Desk,
    pub(super) seen: Seen,
    pub(super) metrics: Metrics,
    pub(super) scrapes: Scrapes,
    pub(super) reload: Reload,
    rereads: Receiver<Reread>,
    /// The plan to begin anew with, and what differs.
    pub(super) again: Option<(Plan, Vec<String>)>,
    /// It is ending, for good or to begin anew.
    pub(super) is_leaving: bool,
    /// Payload types that nobody here plays.
    pub(super) not_decoded: News,
    /// Senders to groups that are not heard.
    pub(super) senders: gate::News<(&'static str, usize), IpAddr>,
    pub(super) rng: ChaCha12Rng,
    pub(super) world: World,
    pub(super) rtp_queue: Sender<Arrival>,
    rtp: Receiver<Arrival>,
    sip: Receiver<Signal>,
    pub(super) moments: Option<Sender<Moment>>,
    /// What was told last of how everything stands.
    pub(super) stood: Option<What>,
    next_page: u64,
    tick_at: Instant,
    watchdog_at: Option<Instant>,
    status: String,
}

impl Control {
    /// Goes by what has been opened for the plan. The first registrations wait a random part of `start_spread`. Must be called inside a `LocalSet`.
    pub fn build(plan: Plan, opened: Opened, edges: Edges, start_spread: Duration) -> Self {
        let now = super::now();
        let mut rng = ChaCha12Rng::from_seed(edges.seed);
        let mut seed = [0; 32];
        rng.fill_bytes(&mut seed);
        let (rtp_queue, rtp) = mpsc::channel(RTP_QUEUE);
        let Opened {
            sip,
            doors,
            intake,
            wires,
            cards,
            lines,
            music,
            checker,
        } = opened;
        let (ledger, lost) = Ledger::open(edges.ledger);
        let mut switchboard = Switchboard::new(plan.rules());
        for zone in 0..plan.zones.len() {
            // Not before its card is open.
            switchboard.handle(Input::ZoneFailed(ZoneId(zone as u16)), now);
        }
        Control {
            agent: opened::agent(&plan, seed, start_spread, now),
            switchboard,
            cards,
            relays: edges.relays,
            journal: edges.journal,
            wires,
            calls: BTreeMap::new(),
            lines,
            contacts: Contacts::watch(&plan),
            music,
            groups: plan.groups.iter().map(|g| Group::new(g, now)).collect(),
            pages: BTreeMap::new(),
            talkers: Talkers::default(),
            room: Room::default(),
            ledger,
            lost,
            pace: Pace::new(pace::CALLS, now),
            refusals: Pace::new(pace::REFUSALS, now).overall(pace::ALL_REFUSALS, now),
            doors,
            intake,
            gate_moved: true,
            connection_news: News::default(),
            flood: Flood::default(),
            renew_at: now,
            look_at: now,
            certificate_told: None,
            gate: Gate::new(plan.gates()),
            checker,
            health: Health::default(),
            desk: Desk::closed(),
            seen: Seen::default(),
            metrics: Metrics::new(clock::system_time((edges.wall)())),
            scrapes: Scrapes::closed(),
            reload: Reload::default(),
            rereads: edges.rereads,
            again: None,
            is_leaving: false,
            clock: WallClock::new(&plan, edges.wall, now),
            not_decoded: News::default(),
            senders: gate::News::default(),
            rng,
            world: edges.world,
            rtp_queue,
            rtp,
            sip,
            moments: edges.moments,
            stood: None,
            next_page: 1,
            tick_at: now,
            watchdog_at: edges.service.watchdog_interval().map(|_| now),
            service: edges.service,
            status: String::new(),
            plan,
        }
    }

    /// Runs until `stop` comes true, and says farewell; or until it is to begin anew with another plan.
    pub async fn go(mut self, stop: &mut Pin<&mut impl Future<Output = ()>>) -> Option<Anew> {
        self.tell(Message::Started {
            site: self.plan.site.clone(),
        });
        for (page, held) in std::mem::take(&mut self.lost) {
            self.tell(Message::Page(PageMessage::Lost {
                page,
                source: held.source,
                caller: held.caller,
                since: held.since,
                recorded: held.recorded,
            }));
        }
        for missing in self.relays.missing().to_vec() {
            self.tell(Message::RelayMissing {
                relay: missing.relay,
                cause: format!("{}: {}", missing.line, missing.cause),
            });
        }
        match Desk::open(&self.plan.control.socket) {
            Ok(desk) => self.desk = desk,
            Err((path, cause)) => self.tell(Message::Local(LocalMessage::NoSocket {
                path: path.display().to_string(),
                cause: cause.to_string(),
            })),
        }
        self.expect_figures();
        self.open_cards().await;
        self.say_status(true);
        self.moment(What::Ready);

        let mut arrivals = Vec::with_capacity(BATCH);
        let mut signals = Vec::with_capacity(BATCH);
        let mut leaving: Option<Instant> = None;
        loop {
            let now = super::now();
            self.timers(now);
            self.settle(now);
            self.draw_gate();
            if self.again.is_some() && leaving.is_none() {
                leaving = Some(now + CHANGE);
                self.is_leaving = true;
                self.switchboard.handle(Input::Shutdown, now);
                self.settle(now);
                self.agent.shut_down(now);
            }
            if leaving.is_some_and(|by| by <= now || self.is_done()) {
                break;
            }
            let wake = [self.next_timer(), leaving]
                .into_iter()
                .flatten()
                .min()
                .unwrap_or(now + IDLE_TICK);
            tokio::select! {
                () = &mut *stop, if leaving.is_none() => {
                    let now = super::now();
                    leaving = Some(now + FAREWELL);
                    self.is_leaving = true;
                    let _ = self.service.stopping("ending calls, unregistering");
                    self.tell(Message::Stopping);
                    self.switchboard.handle(Input::Shutdown, now);
                    self.settle(now);
                    self.agent.shut_down(now);
                }
                _ = self.rtp.recv_many(&mut arrivals, BATCH) => {
                    let now = super::now();
                    for arrival in arrivals.drain(..) {
                        self.on_rtp(arrival, now);
                    }
                }
                _ = self.sip.recv_many(&mut signals, BATCH) => self.on_signals(&mut signals),
                () = self.intake.ready() => {
                    self.intake.drain(&mut signals, BATCH);
                    self.on_signals(&mut signals);
                }
                () = self.lines.ready() => self.on_lines(super::now()),
                wish = self.desk.next() => {
                    if let Some(wish) = wish {
                        self.on_wish(wish, super::now());
                    }
                }
                Some(reread) = self.rereads.recv(), if leaving.is_none() => self.on_reread(reread, super::now()),
                change = self.contacts.next() => {
                    if let Some(change) = change {
                        self.on_contact(change, super::now());
                    }
                }
                wanted = self.scrapes.next() => {
                    if let Some(wanted) = wanted {
                        self.on_wanted(wanted, super::now());
                    }
                }
                done = self.checker.done() => {
                    let (now, local) = (super::now(), self.local_time());
                    self.gate.checked(done.check, done.found, local, now);
                }
                () = tokio::time::sleep_until(wake.into()) => {}
            }
        }
        self.relays.rest();
        let Some((plan, what)) = self.again.take() else {
            self.tell(Message::Stopped);
            return None;
        };
        Some(Anew {
            former: Former {
                passed: self.clock.passed,
                ledger: self.ledger,
                closed: self.contacts.closed(&self.plan),
                next_page: self.next_page,
                metrics: self.metrics,
                recent: self.seen.recent,
            },
            old: self.plan,
            plan,
            what,
            journal: self.journal,
            service: self.service,
            wall: self.clock.wall,
            world: self.world,
            moments: self.moments,
            rereads: self.rereads,
            seed: {
                let mut seed = [0; 32];
                self.rng.fill_bytes(&mut seed);
                seed
            },
        })
    }

    fn on_signals(&mut self, signals: &mut Vec<Signal>) {
        let now = super::now();
        for signal in signals.drain(..) {
            self.on_signal(signal, now);
            self.settle(now);
        }
    }

    /// Waits for the cards, but not for long: multicast and signalling go on without them.
    async fn open_cards(&mut self) {
        let by = super::now() + CARD_START;
        while super::now() < by && !self.cards.all_up() {
            self.card_events(super::now());
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        self.settle(super::now());
    }

    /// Everything that is due by `now`.
    fn timers(&mut self, now: Instant) {
        self.agent.handle_timeout(now);
        self.switchboard.handle_timeout(now);
        for index in 0..self.groups.len() {
            self.group_timers(index, now);
        }
        self.gate.handle_timeout(now);
        self.call_timers(now);
        self.replay(now);
        self.play(now);
        let looks = self.tick_at <= now || self.clock.due().is_some_and(|at| at <= now);
        if looks && !self.is_leaving {
            self.ring(now);
        }
        if self.tick_at <= now {
            self.card_events(now);
            self.capture_events(now);
            self.music_news(now);
            self.card_reports(now);
            self.cards.flush();
            self.look_after_health(now);
            self.take_up_at_rest(now);
            self.write_records(now);
            self.overload(now);
            self.renew_tls(now);
            self.look_at_addresses(now);
            self.offer_figures(now);
            self.journal.flush();
            self.tick_at = now + if self.pages.is_empty() { IDLE_TICK } else { REPORT_TICK };
        }
        if self.watchdog_at.is_some_and(|at| at <= now) {
            let interval = self.service.watchdog_interval().unwrap_or(IDLE_TICK);
            self.watchdog_at = Some(now + interval);
            if self.cards.all_alive() {
                let _ = self.service.alive();
            }
        }
    }

    fn next_timer(&self) -> Option<Instant> {
        let groups = self
            .groups
            .iter()
            .zip(&self.plan.groups)
            .filter_map(|(g, settings)| g.due(settings));
        let calls = self.calls.values().filter_map(Leg::due);
        let players = self.pages.values().filter_map(|page| Some(page.player.as_ref()?.due()));
        let kept = self.pages.values().filter_map(|page| page.kept.as_ref()?.due());
        [
            self.agent.poll_timeout(),
            self.switchboard.poll_timeout(),
            self.gate.poll_timeout(),
            self.clock.due(),
            self.watchdog_at,
            Some(self.tick_at),
        ]
        .into_iter()
        .flatten()
        .chain(groups)
        .chain(calls)
        .chain(kept)
        .chain(players)
        .min()
    }

    /// Does what the machines ask until neither asks any more.
    pub(super) fn settle(&mut self, now: Instant) {
        loop {
            if let Some(output) = self.switchboard.poll_output() {
                self.on_switchboard(output, now);
            } else if let Some(output) = self.agent.poll_output() {
                self.on_agent(output, now);
            } else if let Some(output) = self.gate.poll_output() {
                self.on_gate(output, None, now);
            } else {
                break;
            }
        }
        if !self.pages.is_empty() {
            self.tick_at = self.tick_at.min(now + REPORT_TICK);
        }
        self.stands();
        self.say_status(false);
    }

    fn group_timers(&mut self, index: usize, now: Instant) {
        let settings = &self.plan.groups[index];
        match self.groups[index].join(index, settings, &self.rtp_queue, &self.world, now) {
            Join::Nothing => {}
            Join::Joined => self.tell(Message::GroupJoined {
                group: settings.name.clone(),
                address: settings.address,
            }),
            Join::Failed(cause) => self.tell(Message::GroupNotJoined {
                group: settings.name.clone(),
                cause,
            }),
        }
        self.end_silent_stream(index, now);
    }

    fn overload(&mut self, now: Instant) {
        self.flood.strangers.add(self.doors.take_strangers());
        self.flood.messages.add(self.intake.take_dropped());
        let news = [
            (self.pace.news(now), "calls that came too fast from one address"),
            (
                self.refusals.news(now),
                "records of refused calls beyond those told, too many from one address",
            ),
            (
                self.flood.messages.news(1, now),
                "messages that came too fast from one address",
            ),
            (
                self.flood.strangers.news(STRANGERS, now),
                "messages and connections from addresses that are not let in",
            ),
        ];
        for (dropped, what) in news {
            if let Some(dropped) = dropped {
                let what = what.to_owned();
                self.tell(Message::Overload { what, dropped });
            }
        }
    }

    /// Counts on where another one ended.
    pub fn follow(mut self, former: Former) -> Self {
        self.clock.passed = former.passed;
        self.next_page = former.next_page;
        self.ledger = former.ledger;
        self.metrics = former.metrics;
        self.seen.recent = former.recent;
        self.contacts.follow(&self.plan, &former.closed);
        self
    }

    /// Passes over the audio that waits.
    pub(super) fn drop_arrivals(&mut self) {
        while self.rtp.try_recv().is_ok() {}
    }

    /// A number for a new page.
    pub(super) fn new_page(&mut self) -> PageId {
        let page = PageId(self.next_page);
        self.next_page += 1;
        page
    }

    pub(super) fn random(&mut self) -> u64 {
        self.rng.next_u64()
    }

    pub(super) fn tell(&mut self, message: Message) {
        self.metrics.count(&message);
        self.write(&message.entry());
    }

    pub(super) fn write(&mut self, entry: &Entry) {
        self.metrics.written(entry.severity());
        self.journal.write(entry);
    }

    pub(super) fn say_status(&mut self, ready: bool) {
        if !self.service.is_managed() {
            return;
        }
        let down: Vec<&str> = self.cards.down().collect();
        let status = match (self.pages.len(), down.as_slice()) {
            (0, []) => "at rest".to_owned(),
            (1, []) => "1 page on".to_owned(),
            (n, []) => format!("{n} pages on"),
            (_, down) => format!("waiting for sound card {}", down.join(", ")),
        };
        let silent: Vec<&str> = self.lines.down().collect();
        let status = match silent.as_slice() {
            [] => status,
            silent => format!("{status}; nothing from {}", silent.join(", ")),
        };
        let status = match self.reload.waits() {
            [] => status,
            _ => format!("{status}; a new config waits until nothing is on"),
        };
        let status = match self.reload.is_refused {
            true => format!("{status}; the config on disk has errors and was not taken up"),
            false => status,
        };
        if ready {
            let _ = self.service.ready(&status);
        } else if status != self.status {
            let _ = self.service.status(&status);
        }
        self.status = status;
    }

    /// After the stop: every call has ended, every record is written.
    fn is_done(&self) -> bool {
        self.agent.is_idle() && self.pages.is_empty()
    }
}
