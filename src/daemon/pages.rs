//! Pages in progress: from the switchboard's word to voices on cards, and to the record.

use std::collections::VecDeque;
use std::hash::{Hash as _, Hasher as _};
use std::net::SocketAddr;
use std::time::{Duration, Instant, SystemTime};

use super::cards::Cards;
use super::kept::Kept;
use super::players::Player;
use super::protection::Protection;
use super::talkers::Talkers;
use crate::calendar::{Loudness, Wall, loudness};
use crate::config::plan::{Card, Paging, Plan, Speaker};
use crate::gate::Grant;
use crate::media::receiver::MAX_KEPT;
use crate::media::srtp::SrtpFigures;
use crate::media::{
    self, MAX_PAYLOAD, Packet, PacketSender, PayloadMap, Playout, PlayoutFigures, PlayoutSettings, ReceiverFigures,
};
use crate::page::{Bid, KEPT_AGAIN, PageId, PageRecord, Priority, ZoneId};
use crate::sip::agent::CallId;
use crate::sound::engine::{Command, Levelling, Sound, Voice};
use crate::sound::level::{Db, Dbfs};
use crate::sound::leveller::SPEECH_LEVEL;
use crate::sound::probe::Signal;
use crate::sound::repeat::Repeated;

/// Packets that may wait between the control task and one audio thread: well over a period's worth of the shortest
/// packets, and a burst; of a line input, what its opening brings at once: half a second of 5 ms.
const PACKET_QUEUE: usize = 128;
const LINE_PACKET_QUEUE: usize = 256;
/// Room for their payloads: as many of the largest as a receiver keeps on probation.
const PACKET_OCTETS: usize = MAX_KEPT * MAX_PAYLOAD;
/// A record waits this long for the last figures of its voices.
const WAIT_FOR_FIGURES: Duration = Duration::from_secs(1);

/// Where a page comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Origin {
    Call {
        call: CallId,
        extension: usize,
    },
    Group(usize),
    Line(usize),
    Contact(usize),
    Schedule(usize),
    Local,
    /// A test signal.
    Test,
}

impl Origin {
    pub fn speaker(self) -> Speaker {
        match self {
            Origin::Call { extension, .. } => Speaker::Extension(extension),
            Origin::Group(index) => Speaker::Group(index),
            Origin::Line(index) => Speaker::Line(index),
            Origin::Contact(index) => Speaker::Contact(index),
            Origin::Schedule(index) => Speaker::Schedule(index),
            Origin::Local => Speaker::Local,
            Origin::Test => Speaker::Test,
        }
    }

    /// The page's share of the plan.
    pub fn paging(self, plan: &Plan) -> &Paging {
        self.speaker().paging(plan)
    }

    /// The source's name, as configured.
    pub fn name(self, plan: &Plan) -> &str {
        self.speaker().name(plan)
    }
}

/// A page that is cut and kept may still have so much with the cards that was not heard: what they hold at most, and how many packets.
const RECENT: Duration = Duration::from_secs(16);
const MAX_RECENT: usize = 16_000;

/// A page's way to one card.
struct Feed {
    card: usize,
    packets: PacketSender,
    drained: bool,
}

/// How one card played a page.
#[derive(Default)]
struct Played {
    card: usize,
    /// By the voices that came back, together.
    before: PlayoutFigures,
    /// By the voice that it has now, as last heard.
    now: PlayoutFigures,
}

/// What the local command announces.
pub struct Announced {
    /// As it was before it began.
    pub sound: Repeated,
    /// What its file takes, octets.
    pub memory: usize,
}

/// One page, from its bid until its record is written.
pub struct Page {
    pub origin: Origin,
    /// Where it is to be heard.
    zones: Vec<ZoneId>,
    priority: Priority,
    pub caller: String,
    /// For whom its source's pages are counted.
    counted_as: u64,
    pub peer: Option<SocketAddr>,
    pub began: SystemTime,
    pub codec: Option<&'static str>,
    /// Figures of its reception, kept when its session ends before its record.
    pub reception: ReceiverFigures,
    /// Figures of what came protected, kept likewise.
    pub opened: SrtpFigures,
    pub protection: Protection,
    /// Loudest level reported.
    pub level: Option<Dbfs>,
    /// The leveller's gain, once there was speech.
    pub levelled: Option<Db>,
    /// Dial-pad keys pressed.
    pub keys: u32,
    /// Packets that found a queue to a card full.
    pub unqueued: u64,
    /// The caller has heard the go-ahead.
    pub go_ahead: bool,
    /// Its present voice has been open somewhere.
    was_heard: bool,
    /// The packets that the cards had last, where a cut page is to be kept: some may not have been heard.
    pub recent: Option<VecDeque<Packet<'static>>>,
    /// What is heard before its speech: of the length that its bid says, whatever the config becomes.
    pub chime: Option<Sound>,
    /// Where quiet hours bar it, as the switchboard knows.
    pub barred: Vec<ZoneId>,
    /// By which table of quiet hours, there.
    quiet: Vec<(ZoneId, String)>,
    /// The sound that it plays, while it does.
    pub player: Option<Player>,
    /// What it plays from its beginning, where its source does not say.
    pub announcement: Option<Announced>,
    /// A test signal's gain, where it goes past what its zones do to speech.
    pub direct: Option<Db>,
    /// What it keeps of its sound, if it does.
    pub kept: Option<Kept>,
    pub record: Option<PageRecord>,
    pub write_by: Option<Instant>,
    feeds: Vec<Feed>,
    played: Vec<Played>,
    /// Voices not yet back from their audio threads.
    away: usize,
}

impl Page {
    /// A call's: only the gates give a grant.
    pub fn of_call(
        call: CallId,
        extension: usize,
        grant: Grant,
        caller: String,
        counted_as: u64,
        peer: SocketAddr,
        began: SystemTime,
    ) -> Self {
        let origin = Origin::Call { call, extension };
        let (zones, priority) = (grant.zones().to_vec(), grant.priority());
        Page {
            counted_as,
            ..Self::new(origin, zones, priority, caller, Some(peer), began)
        }
    }

    pub fn of_group(group: usize, plan: &Plan, caller: String, peer: Option<SocketAddr>, began: SystemTime) -> Self {
        let paging = &plan.groups[group].paging;
        let (zones, priority) = (paging.zones.clone(), paging.priority);
        Self::new(Origin::Group(group), zones, priority, caller, peer, began)
    }

    pub fn of_line(line: usize, plan: &Plan, began: SystemTime) -> Self {
        let paging = &plan.inputs[line].paging;
        let (zones, priority) = (paging.zones.clone(), paging.priority);
        Self::new(Origin::Line(line), zones, priority, String::new(), None, began)
    }

    /// Of a source without a talker: what it plays is ours.
    pub fn of_sound(origin: Origin, plan: &Plan, began: SystemTime) -> Self {
        let paging = origin.paging(plan);
        let (zones, priority) = (paging.zones.clone(), paging.priority);
        Self::new(origin, zones, priority, String::new(), None, began)
    }

    /// Of the local command, which says zones and priority.
    pub fn of_local(zones: Vec<ZoneId>, priority: Priority, caller: String, began: SystemTime) -> Self {
        Self::new(Origin::Local, zones, priority, caller, None, began)
    }

    /// A test signal.
    pub fn of_test(zones: Vec<ZoneId>, priority: Priority, caller: String, began: SystemTime) -> Self {
        Self::new(Origin::Test, zones, priority, caller, None, began)
    }

    fn new(
        origin: Origin,
        zones: Vec<ZoneId>,
        priority: Priority,
        caller: String,
        peer: Option<SocketAddr>,
        began: SystemTime,
    ) -> Self {
        // Who sends a stream gives no name.
        let mut hasher = std::hash::DefaultHasher::new();
        peer.map(|peer| peer.ip()).hash(&mut hasher);
        Page {
            origin,
            zones,
            priority,
            caller,
            counted_as: hasher.finish(),
            peer,
            began,
            codec: None,
            reception: ReceiverFigures::default(),
            opened: SrtpFigures::default(),
            protection: Protection::default(),
            level: None,
            levelled: None,
            keys: 0,
            unqueued: 0,
            go_ahead: false,
            was_heard: false,
            recent: None,
            chime: None,
            barred: Vec::new(),
            quiet: Vec::new(),
            player: None,
            announcement: None,
            direct: None,
            kept: None,
            record: None,
            write_by: None,
            feeds: Vec::new(),
            played: Vec::new(),
            away: 0,
        }
    }

    fn gain(&self, paging: &Paging) -> Db {
        match (self.direct, self.is_test()) {
            (Some(gain), _) => gain,
            (None, true) => Signal::gain_as_speech(),
            (None, false) => paging.gain,
        }
    }

    pub fn is_test(&self) -> bool {
        self.origin == Origin::Test
    }

    /// Where it is to be heard.
    pub fn zones(&self) -> &[ZoneId] {
        &self.zones
    }

    pub fn priority(&self) -> Priority {
        self.priority
    }

    /// The page's wish to be heard.
    pub fn bid(&mut self, page: PageId, plan: &Plan, wall: Option<Wall>) -> Bid {
        self.note_quiet(plan, wall);
        let (speaker, zones) = (self.origin.speaker(), self.zones.clone());
        speaker.bid(plan, page, zones, self.priority, self.counted_as, wall)
    }

    /// Where quiet hours bar it at that time.
    pub fn barred_at(&mut self, plan: &Plan, wall: Wall) -> Vec<ZoneId> {
        self.note_quiet(plan, Some(wall));
        self.origin.speaker().barred(plan, &self.zones, self.priority, wall)
    }

    /// Remembers for the record which quiet hours bar it: when that is written they may be over.
    fn note_quiet(&mut self, plan: &Plan, wall: Option<Wall>) {
        let (source, priority) = (self.origin.speaker().id(), self.priority);
        let rule = |zone: ZoneId| {
            let (loudness, rule) = loudness(&plan.quiet_hours, zone, source, priority, wall?);
            let rule = plan.quiet_hours.get(rule.filter(|_| loudness == Loudness::Barred)?)?;
            Some((zone, rule.name.clone()))
        };
        self.quiet = self.zones.iter().filter_map(|zone| rule(*zone)).collect();
    }

    /// Which quiet hours bar it from the zone, as last seen.
    pub fn quiet_in(&self, zone: ZoneId) -> Option<&str> {
        let quiet = self.quiet.iter().find(|(of, _)| *of == zone);
        quiet.map(|(_, name)| name.as_str())
    }

    /// Gives the page a voice on every card that it may be heard from. One that it already has hands its zones over to
    /// the new one.
    ///
    /// # Errors
    /// When a decoder cannot be made.
    pub fn give_voice(
        &mut self,
        page: PageId,
        map: &PayloadMap,
        plan: &Plan,
        talkers: &Talkers,
        cards: &mut Cards,
    ) -> Result<(), String> {
        let paging = self.origin.paging(plan);
        let levelling = paging.levelled.then(|| Levelling {
            target: SPEECH_LEVEL,
            start: self
                .levelled
                .unwrap_or_else(|| talkers.gain(self.origin.name(plan), &self.caller)),
        });
        let mut wanted: Vec<usize> = self.zones.iter().map(|z| plan.zones[usize::from(z.0)].card).collect();
        wanted.sort_unstable();
        wanted.dedup();
        let depth = match self.origin {
            Origin::Line(_) => LINE_PACKET_QUEUE,
            _ => PACKET_QUEUE,
        };
        let mut voices = Vec::new();
        for card in wanted {
            let settings = playout_settings(paging.playout, &plan.cards[card]);
            let playout = Playout::new(map, settings)?;
            let (packets, packet_end) = media::queue(depth, PACKET_OCTETS);
            voices.push((
                card,
                packets,
                Box::new(Voice {
                    page,
                    playout,
                    packets: packet_end,
                    gain: self.gain(paging),
                    direct: self.direct.is_some(),
                    levelling,
                    busy_tone: paging.busy_tone,
                }),
            ));
        }
        self.feeds.clear();
        self.was_heard = false;
        for (card, packets, voice) in voices {
            self.feeds.push(Feed {
                card,
                packets,
                drained: false,
            });
            self.away += 1;
            cards.command(card, Command::Attach(voice));
        }
        Ok(())
    }

    /// Voices that were replaced are still on their way back. Each holds a playout's memory, so that no more are made
    /// meanwhile.
    pub fn is_changing_voices(&self) -> bool {
        self.away > self.feeds.len()
    }

    pub fn has_voice(&self) -> bool {
        !self.feeds.is_empty()
    }

    /// Takes the page's voices off the cards; they come back as [`crate::sound::engine::Report::Spent`].
    pub fn take_voice(&mut self, page: PageId, cards: &mut Cards) {
        for feed in self.feeds.drain(..) {
            cards.command(feed.card, Command::Detach(page));
        }
    }

    /// Takes a packet of the source: for every card, or to be kept. `false` if there is no room to keep it.
    pub fn feed(&mut self, packet: &Packet) -> bool {
        match &mut self.kept {
            Some(kept) => kept.push(packet),
            None => {
                if let Some(recent) = self.recent.as_mut().filter(|_| !self.feeds.is_empty()) {
                    recent.push_back(packet.clone().into_owned());
                    let since = |old: &Packet| packet.arrival.saturating_duration_since(old.arrival);
                    while recent.len() > MAX_RECENT || recent.front().is_some_and(|old| since(old) > RECENT) {
                        recent.pop_front();
                    }
                }
                self.hand_over(packet);
                true
            }
        }
    }

    /// It waits: what it has said is over, and what it says meanwhile is not kept.
    pub fn forget_recent(&mut self) {
        if let Some(recent) = &mut self.recent {
            recent.clear();
        }
    }

    /// What has come and was not heard before the page was cut, and a little before it.
    pub fn not_heard(&mut self, now: Instant) -> VecDeque<Packet<'static>> {
        let mut recent = self.recent.take().unwrap_or_default();
        let delay = self.played.iter().map(|played| played.now.delay_ms).reduce(f32::max);
        if let Some(delay) = delay.filter(|_| self.was_heard) {
            let held = Duration::from_secs_f32(delay.max(0.0) / 1000.0) + KEPT_AGAIN;
            recent.retain(|packet| now.saturating_duration_since(packet.arrival) <= held);
        }
        recent
    }

    /// Sends the cards what was kept and is due; `true` when that was the last of it.
    pub fn replay(&mut self, now: Instant) -> bool {
        while let Some(packet) = self.kept.as_mut().and_then(|kept| kept.take(now)) {
            self.hand_over(&packet);
        }
        self.kept.as_mut().is_some_and(Kept::is_over)
    }

    fn hand_over(&mut self, packet: &Packet) {
        for feed in &mut self.feeds {
            if !feed.packets.push(packet) {
                self.unqueued += 1;
            }
        }
    }

    /// Opens the page in a zone. Every card is told: their playouts begin together and stay at the same place in the
    /// stream, whichever of them is heard first.
    pub fn speak(&mut self, page: PageId, zone: ZoneId, gain: Db, cards: &mut Cards) {
        self.was_heard = true;
        for feed in &self.feeds {
            cards.command(feed.card, Command::Speak { zone, page, gain });
        }
    }

    /// Sends a command to the card of a zone.
    pub fn to_zone(&self, zone: ZoneId, plan: &Plan, cards: &mut Cards, command: Command) {
        cards.command(plan.zones[usize::from(zone.0)].card, command);
    }

    pub fn drain(&mut self, page: PageId, cards: &mut Cards) {
        for feed in &self.feeds {
            cards.command(feed.card, Command::Drain(page));
        }
    }

    /// A card has played the last sample; `true` when it was the last card.
    pub fn drained(&mut self, card: usize) -> bool {
        for feed in self.feeds.iter_mut().filter(|f| f.card == card) {
            feed.drained = true;
        }
        self.feeds.iter().all(|f| f.drained)
    }

    /// A voice is back from a card with its last figures.
    pub fn spent(&mut self, card: usize, figures: &PlayoutFigures) {
        self.away = self.away.saturating_sub(1);
        let played = self.played_by(card);
        played.before = together(&played.before, figures, |a, b| a + b);
        played.now = PlayoutFigures::default();
    }

    /// The figures of the voice that a card has now.
    pub fn note(&mut self, card: usize, figures: &PlayoutFigures) {
        self.played_by(card).now = *figures;
    }

    fn played_by(&mut self, card: usize) -> &mut Played {
        let known = self.played.iter().position(|p| p.card == card);
        let index = known.unwrap_or_else(|| {
            self.played.push(Played {
                card,
                ..Played::default()
            });
            self.played.len() - 1
        });
        &mut self.played[index]
    }

    /// The worst of the cards' figures: all play the same packets.
    pub fn playout(&self) -> PlayoutFigures {
        self.played
            .iter()
            .map(|p| together(&p.before, &p.now, |a, b| a + b))
            .fold(PlayoutFigures::default(), |worst, p| together(&worst, &p, u64::max))
    }

    /// The page is over; its record is written once its voices are back, or at `write_by`.
    pub fn finish(&mut self, record: PageRecord, now: Instant) {
        self.record = Some(record);
        self.write_by = Some(now + WAIT_FOR_FIGURES);
    }

    /// Whether the record can be written.
    pub fn is_finished(&self, now: Instant) -> bool {
        self.record.is_some() && (self.away == 0 || self.write_by.is_some_and(|by| by <= now))
    }
}

/// The card's period counts towards the least delay: packets are fetched once a period.
fn playout_settings(settings: PlayoutSettings, card: &Card) -> PlayoutSettings {
    let period = Duration::from_micros(card.period as u64 * 1_000_000 / u64::from(crate::sound::RATE));
    PlayoutSettings {
        min_delay: settings.min_delay.max(period),
        ..settings
    }
}

/// Counts of two playouts made into one; of the delays, the second's.
fn together(a: &PlayoutFigures, b: &PlayoutFigures, of: impl Fn(u64, u64) -> u64) -> PlayoutFigures {
    PlayoutFigures {
        played: of(a.played, b.played),
        late: of(a.late, b.late),
        concealed_ms: of(a.concealed_ms, b.concealed_ms),
        shortened_ms: of(a.shortened_ms, b.shortened_ms),
        stretched_ms: of(a.stretched_ms, b.stretched_ms),
        overflowed: of(a.overflowed, b.overflowed),
        delay_ms: b.delay_ms,
        target_ms: b.target_ms,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn late(late: u64) -> PlayoutFigures {
        PlayoutFigures {
            late,
            ..PlayoutFigures::default()
        }
    }

    #[test]
    fn voices_after_one_another_add_up_and_the_worse_card_counts() {
        let mut page = Page::new(
            Origin::Group(0),
            Vec::new(),
            Priority(50),
            String::new(),
            None,
            SystemTime::UNIX_EPOCH,
        );
        page.note(0, &late(2));
        page.note(0, &late(3));
        assert_eq!(page.playout().late, 3, "of one voice the last word counts");
        page.spent(0, &late(4));
        page.note(0, &late(5));
        assert_eq!(
            page.playout().late,
            9,
            "a second voice of the same card adds to the first"
        );
        page.note(1, &late(7));
        assert_eq!(page.playout().late, 9, "another card played the same packets");
        page.spent(1, &late(10));
        assert_eq!(page.playout().late, 10);
    }
}
