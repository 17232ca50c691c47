//! The sound cards as the control task sees them: commands in, reports out, up or down.

use std::cell::Cell;
use std::collections::VecDeque;
use std::rc::Rc;
use std::time::{Duration, Instant};

use super::control::Control;
use super::ports::Reader;
use crate::config::plan::Plan;
use crate::device::audio::{AudioThread, OpenSink};
use crate::device::net::World;
use crate::device::news::DeviceEvent;
use crate::page::{Input, ZoneId};
use crate::report::message::Message;
use crate::sound::RATE;
use crate::sound::engine::{self, Command, Engine, EngineHandle, MusicInput, Report, ZoneOutput};

/// Commands kept for an engine that does not take them; an engine that far behind is stuck, and the watchdog's case.
const MAX_PENDING: usize = 1024;

struct Card {
    name: String,
    zones: Vec<ZoneId>,
    player: Player,
    handle: EngineHandle,
    pending: VecDeque<Command>,
    up: bool,
    /// The heartbeat at the last look.
    beat: u64,
}

/// What lets a card's engine play: the card's own clock, or that of a simulated world.
enum Player {
    Thread(AudioThread),
    Task(AudioTask),
}

impl Player {
    fn event(&mut self) -> Option<DeviceEvent> {
        match self {
            Player::Thread(thread) => thread.event(),
            Player::Task(task) => task.event.take(),
        }
    }

    fn beat(&self) -> u64 {
        match self {
            Player::Thread(thread) => thread.beat(),
            Player::Task(task) => task.beat.get(),
        }
    }
}

/// A card in simulated time: what it plays is written down, period by period.
struct AudioTask {
    event: Option<DeviceEvent>,
    beat: Rc<Cell<u64>>,
    _task: Option<Reader>,
}

impl AudioTask {
    fn start(mut open: OpenSink, mut engine: Engine) -> Self {
        let beat = Rc::new(Cell::new(0));
        let (event, task) = match open() {
            Err(error) => (DeviceEvent::Lost(error.to_string()), None),
            Ok(mut sink) => {
                let counted = beat.clone();
                let task = tokio::task::spawn_local(async move {
                    let mut frames = vec![0.0; sink.period() * sink.channels()];
                    let period = Duration::from_secs_f64(sink.period() as f64 / f64::from(RATE));
                    let mut due = tokio::time::Instant::now();
                    loop {
                        engine.render(&mut frames, due.into_std());
                        if sink.write(&frames).is_err() {
                            return;
                        }
                        counted.set(counted.get() + 1);
                        due += period;
                        tokio::time::sleep_until(due).await;
                    }
                });
                (DeviceEvent::Opened { real_time: true }, Some(Reader::new(task)))
            }
        };
        AudioTask {
            event: Some(event),
            beat,
            _task: task,
        }
    }
}

/// All cards of the plan.
pub struct Cards {
    cards: Vec<Card>,
}

impl Cards {
    /// Starts one audio thread for each card. `music`: what each of them plays.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn start(
        plan: &Plan,
        sinks: Vec<OpenSink>,
        music: Vec<Vec<MusicInput>>,
        world: &World,
    ) -> std::io::Result<Self> {
        let mut cards = Vec::new();
        for (index, ((card, open), music)) in plan.cards.iter().zip(sinks).zip(music).enumerate() {
            let outputs: Vec<ZoneOutput> = plan
                .zones
                .iter()
                .enumerate()
                .filter(|(_, zone)| zone.card == index)
                .map(|(id, zone)| ZoneOutput {
                    zone: ZoneId(id as u16),
                    channel: zone.channel,
                    gain: zone.gain,
                    filters: zone.equaliser.clone(),
                    ceiling: zone.ceiling,
                })
                .collect();
            let (engine, handle) = engine::engine(&outputs, card.channels);
            let engine = engine.with_music(music);
            let player = match world {
                World::System => Player::Thread(AudioThread::spawn(&card.name, open, engine)?),
                World::Simulated(_) => Player::Task(AudioTask::start(open, engine)),
            };
            cards.push(Card {
                name: card.name.clone(),
                zones: outputs.iter().map(|z| z.zone).collect(),
                player,
                handle,
                pending: VecDeque::new(),
                up: false,
                beat: 0,
            });
        }
        Ok(Cards { cards })
    }

    pub fn name(&self, card: usize) -> &str {
        &self.cards[card].name
    }

    /// Zones played by the card.
    pub fn zones(&self, card: usize) -> &[ZoneId] {
        &self.cards[card].zones
    }

    /// Hands a command to the card's engine, in order; a full queue is tried again at the next [`Cards::flush`].
    pub fn command(&mut self, card: usize, command: Command) {
        let card = &mut self.cards[card];
        if card.pending.len() < MAX_PENDING {
            card.pending.push_back(command);
        }
        card.flush();
    }

    pub fn flush(&mut self) {
        self.cards.iter_mut().for_each(Card::flush);
    }

    /// The next report of any card.
    pub fn report(&mut self) -> Option<(usize, Report)> {
        self.cards
            .iter_mut()
            .enumerate()
            .find_map(|(i, card)| Some((i, card.handle.reports.pop().ok()?)))
    }

    /// The next change of any card's device.
    pub fn event(&mut self) -> Option<(usize, DeviceEvent)> {
        self.cards
            .iter_mut()
            .enumerate()
            .find_map(|(i, card)| Some((i, card.player.event()?)))
    }

    /// Notes that the card is up or down; `true` on a change.
    pub fn set_up(&mut self, card: usize, up: bool) -> bool {
        std::mem::replace(&mut self.cards[card].up, up) != up
    }

    pub fn is_up(&self, card: usize) -> bool {
        self.cards[card].up
    }

    pub fn all_up(&self) -> bool {
        self.cards.iter().all(|c| c.up)
    }

    /// Cards that are down, by name.
    pub fn down(&self) -> impl Iterator<Item = &str> {
        self.cards.iter().filter(|c| !c.up).map(|c| c.name.as_str())
    }

    /// Whether every audio thread went round since the last call: what the watchdog wants to know.
    pub fn all_alive(&mut self) -> bool {
        self.cards.iter_mut().fold(true, |alive, card| {
            let beat = card.player.beat();
            alive & (std::mem::replace(&mut card.beat, beat) != beat)
        })
    }
}

impl Control {
    /// What happened to the cards.
    pub(super) fn card_events(&mut self, now: Instant) {
        while let Some((card, event)) = self.cards.event() {
            let name = self.cards.name(card).to_owned();
            match event {
                DeviceEvent::Opened { real_time } => {
                    if self.cards.set_up(card, true) {
                        self.tell(Message::CardOpened { card: name, real_time });
                        for zone in self.cards.zones(card).to_vec() {
                            self.switchboard.handle(Input::ZoneBack(zone), now);
                        }
                    }
                }
                DeviceEvent::Lost(cause) => {
                    self.cards.set_up(card, false);
                    self.tell(Message::CardLost { card: name, cause });
                    for zone in self.cards.zones(card).to_vec() {
                        self.switchboard.handle(Input::ZoneFailed(zone), now);
                    }
                }
                DeviceEvent::Xruns(count) => self.tell(Message::Xruns {
                    card: name,
                    count: count.into(),
                }),
            }
            self.settle(now);
        }
    }
}

impl Card {
    fn flush(&mut self) {
        while let Some(command) = self.pending.pop_front() {
            if let Err(rtrb::PushError::Full(command)) = self.handle.commands.push(command) {
                self.pending.push_front(command);
                return;
            }
        }
    }
}
