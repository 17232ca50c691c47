//! Music: from each capture device to every card that plays it, and what is told of it.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use super::control::Control;
use crate::config::plan::Plan;
use crate::page::{Phase, ZoneId};
use crate::report::message::{LineMessage, Message};
use crate::sound::engine::{Command, Hold, MusicInput};
use crate::sound::follow::MUSIC_QUEUE;
use crate::sound::tap::MusicTap;

/// Breaks are told this long after the first, together: a device that has gone is known by then.
const GATHER: Duration = Duration::from_secs(10);

/// A sound server's stream may come by fits and starts for so long after it was opened.
const SETTLING: Duration = Duration::from_secs(10);

/// The two ends of all music.
pub struct Connected {
    /// One for each music of the plan.
    pub taps: Vec<MusicTap>,
    /// What each card of the plan plays.
    pub cards: Vec<Vec<MusicInput>>,
    pub watches: Vec<Watch>,
}

/// One music on one card.
pub struct Watch {
    music: usize,
    card: usize,
    broken: Arc<AtomicU64>,
    told: u64,
    since: Option<Instant>,
}

/// Connects every music with every card that has one of its zones.
pub fn connect(plan: &Plan) -> Connected {
    let mut connected = Connected {
        taps: Vec::new(),
        cards: plan.cards.iter().map(|_| Vec::new()).collect(),
        watches: Vec::new(),
    };
    for (index, music) in plan.music.iter().enumerate() {
        let mut queues = Vec::new();
        for (card, inputs) in connected.cards.iter_mut().enumerate() {
            let on_card = |zone: &&ZoneId| plan.zones[usize::from(zone.0)].card == card;
            let zones: Vec<ZoneId> = music.zones.iter().filter(on_card).copied().collect();
            if zones.is_empty() {
                continue;
            }
            let (queue, blocks) = rtrb::RingBuffer::new(MUSIC_QUEUE);
            let broken = Arc::new(AtomicU64::new(0));
            queues.push(queue);
            inputs.push(MusicInput {
                blocks,
                zones,
                gain: music.gain,
                ducking: music.ducking,
                broken: Arc::clone(&broken),
            });
            connected.watches.push(Watch {
                music: index,
                card,
                broken,
                told: 0,
                since: None,
            });
        }
        connected.taps.push(MusicTap::new(music.channels.clone(), queues));
    }
    connected
}

impl Control {
    /// Music gives way in a zone from the moment a page seizes it until it is at rest again, and is silent while another system has it.
    pub(super) fn hold_music(&mut self, zone: ZoneId, phase: Phase) {
        if let Some(hold) = self.music_in(zone, phase) {
            let card = self.plan.zones[usize::from(zone.0)].card;
            self.cards.command(card, Command::Hold { zone, hold });
        }
    }

    /// How music stands in a zone; `None` where there is none.
    pub(super) fn music_in(&self, zone: ZoneId, phase: Phase) -> Option<Hold> {
        let has_music = self.plan.music.iter().any(|music| music.zones.contains(&zone));
        has_music.then(|| match phase {
            _ if self.contacts.has_taken(zone) => Hold::Silence,
            Phase::Rest => Hold::Free,
            _ => Hold::Page,
        })
    }

    /// Tells of music that broke off while its device and its card were there.
    pub(super) fn music_news(&mut self, now: Instant) {
        let mut news = Vec::new();
        for watch in &mut self.music {
            let broken = watch.broken.load(Ordering::Relaxed);
            let capture = self.plan.music[watch.music].capture;
            let works = self.lines.runs_for(capture, SETTLING, now) && self.cards.is_up(watch.card);
            if !works || broken == watch.told {
                (watch.told, watch.since) = (broken, None);
                continue;
            }
            if now.saturating_duration_since(*watch.since.get_or_insert(now)) >= GATHER {
                news.push(LineMessage::MusicBroken {
                    music: self.plan.music[watch.music].name.clone(),
                    card: self.cards.name(watch.card).to_owned(),
                    count: broken - watch.told,
                });
                (watch.told, watch.since) = (broken, None);
            }
        }
        for message in news {
            self.tell(Message::Line(message));
        }
    }
}
