//! A site as it is seen from outside: relays, open zones, records.

mod ending;

use super::*;

/// What a site sees of one page.
#[derive(Debug, Clone)]
pub(super) struct Seen {
    wanted: Vec<ZoneId>,
    pub(super) bid: Bid,
    order: u64,
    /// Its source may not speak, or only to be kept.
    pub(super) source_ended: bool,
    /// Its sound was kept at some time; and is, while its source speaks.
    kept: bool,
    keeping: bool,
    warned: u32,
    packets: u32,
    /// A test's word that all was played came before its time.
    cut_short: bool,
    open: HashSet<ZoneId>,
    chiming: HashSet<ZoneId>,
    heard: HashSet<ZoneId>,
    /// Opening of the present stretch of speech.
    open_since: Option<Instant>,
    open_before: Duration,
    admitted: bool,
    /// A wake-up came late while it was there: it may have been heard for longer than its limit.
    late: bool,
}

/// The site: rules, clock and everything that the outputs have done.
#[derive(Clone)]
pub(super) struct Site {
    rules: Rules,
    pub(super) board: Switchboard,
    pub(super) now: Instant,
    pub(super) bids: u64,
    pub(super) pages: HashMap<PageId, Seen>,
    ended: HashMap<PageId, EndReason>,
    records: HashMap<PageId, PageRecord>,
    /// Pages that a crash took.
    lost: usize,
    failed: HashSet<ZoneId>,
    vetoed: HashSet<ZoneId>,
    /// Relays under test, and until when.
    tested: HashMap<RelayId, Instant>,
    /// What each relay does, and since when.
    relays: HashMap<RelayId, (bool, Instant)>,
    /// Those that may rest before their time: a zone of theirs has failed or was taken.
    hurried: HashSet<RelayId>,
    phases: HashMap<ZoneId, Phase>,
    /// When each zone left rest.
    woken: HashMap<ZoneId, Instant>,
    pub(super) shut_down: bool,
}

impl Site {
    pub(super) fn new(rules: Rules) -> Self {
        Site {
            board: Switchboard::new(rules.clone()).with_max_drain(MAX_DRAIN),
            rules,
            now: Instant::now(),
            bids: 0,
            pages: HashMap::new(),
            ended: HashMap::new(),
            records: HashMap::new(),
            lost: 0,
            failed: HashSet::new(),
            vetoed: HashSet::new(),
            relays: HashMap::new(),
            tested: HashMap::new(),
            hurried: HashSet::new(),
            phases: HashMap::new(),
            woken: HashMap::new(),
            shut_down: false,
        }
    }

    fn zones(&self) -> impl Iterator<Item = (ZoneId, &ZoneRules)> {
        (0..).map(ZoneId).zip(&self.rules.zones)
    }

    fn crash(&mut self) {
        if self.shut_down {
            return;
        }
        self.board = Switchboard::new(self.rules.clone()).with_max_drain(MAX_DRAIN);
        self.lost += self.pages.len();
        self.pages.clear();
        self.relays.clear();
        self.tested.clear();
        self.phases.clear();
        self.hurried.clear();
        // The daemon says so at its start.
        for zone in self.failed.clone() {
            self.board.handle(Input::ZoneFailed(zone), self.now);
        }
        for zone in self.vetoed.clone() {
            self.board.handle(Input::Vetoed(zone), self.now);
        }
        self.listen(true);
    }

    /// The zone is to rest at once, unless it has been out of use before.
    fn hurry(&mut self, zone: u16) {
        if self.failed.contains(&ZoneId(zone)) || self.vetoed.contains(&ZoneId(zone)) {
            return;
        }
        if let Some(rules) = self.rules.zones.get(usize::from(zone)) {
            self.hurried.extend(Self::relays_of(rules));
            self.tested
                .retain(|tested, _| Self::relays_of(rules).all(|relay| relay != *tested));
        }
    }

    fn named(&self, ago: u64) -> PageId {
        PageId(self.bids.saturating_sub(ago))
    }

    pub(super) fn run(&mut self, step: Step) {
        let input = match step {
            Step::Bid {
                zones,
                priority,
                chime,
                limits,
                warning,
                terms,
            } => {
                self.bids += 1;
                let ms = |value: Option<u16>| value.map(|v| Duration::from_millis(v.into()));
                let bid = Bid {
                    page: PageId(self.bids),
                    source: SourceId(0),
                    zones: zones.into_iter().map(ZoneId).collect(),
                    barred: Vec::new(),
                    priority: Priority(priority),
                    chime: ms(chime),
                    limits: Limits {
                        page: ms(limits[0]),
                        quiet: ms(limits[1]),
                        no_packet: ms(limits[2]),
                        wait: ms(limits[3]),
                        warning: Duration::from_millis(warning.into()),
                        ..Limits::default()
                    },
                    terms,
                    caller: 0,
                };
                let seen = Seen {
                    wanted: bid.zones.clone(),
                    bid: bid.clone(),
                    order: self.bids,
                    source_ended: false,
                    kept: false,
                    keeping: false,
                    warned: 0,
                    packets: 0,
                    cut_short: false,
                    open: HashSet::new(),
                    chiming: HashSet::new(),
                    heard: HashSet::new(),
                    open_since: None,
                    open_before: Duration::ZERO,
                    admitted: false,
                    late: false,
                };
                self.pages.insert(bid.page, seen);
                Input::Bid(bid)
            }
            // The same bid once more, while its page lives: must change nothing.
            Step::Again(ago) => match self.pages.get(&self.named(ago)) {
                Some(seen) => Input::Bid(Bid {
                    zones: vec![ZoneId(0)],
                    ..seen.bid.clone()
                }),
                None => return,
            },
            Step::Packet(ago) => Input::Packet(self.named(ago)),
            Step::Speech(ago) => Input::Speech(self.named(ago)),
            Step::SourceEnded(ago, reason) => Input::SourceEnded(self.named(ago), reason),
            Step::Drained(ago) => Input::Drained(self.named(ago)),
            Step::Replayed(ago) => Input::Replayed(self.named(ago)),
            Step::Test(relay, ms) => {
                let (relay, length) = (RelayId(relay), Duration::from_millis(ms.into()));
                if self.board.may_test(relay) && !self.shut_down {
                    self.tested.insert(relay, self.now + length);
                }
                Input::Test(relay, length)
            }
            Step::Stop(ago) => Input::Stop(self.named(ago), EndReason::Operator),
            Step::Barred(ago, zones) => {
                let page = self.named(ago);
                let barred: Vec<ZoneId> = zones.into_iter().map(ZoneId).collect();
                let waits = |status: &PageStatus| status.page == page && status.standing == Standing::Waiting;
                if let Some(seen) = self.pages.get_mut(&page)
                    && self.board.pages().any(|status| waits(&status))
                {
                    seen.bid.zones.clone_from(&seen.wanted);
                    seen.bid.zones.retain(|zone| !barred.contains(zone));
                }
                Input::Barred(page, barred)
            }
            Step::ZoneFailed(zone) => {
                self.hurry(zone);
                self.failed.insert(ZoneId(zone));
                Input::ZoneFailed(ZoneId(zone))
            }
            Step::ZoneBack(zone) => {
                self.failed.remove(&ZoneId(zone));
                Input::ZoneBack(ZoneId(zone))
            }
            Step::Vetoed(zone) => {
                self.hurry(zone);
                self.vetoed.insert(ZoneId(zone));
                Input::Vetoed(ZoneId(zone))
            }
            Step::VetoLifted(zone) => {
                self.vetoed.remove(&ZoneId(zone));
                Input::VetoLifted(ZoneId(zone))
            }
            Step::Crash => return self.crash(),
            Step::Pass { ms, lazy } => return self.pass(Duration::from_millis(ms.into()), lazy),
        };
        self.input(input);
    }

    pub(super) fn input(&mut self, input: Input) {
        if let Input::SourceEnded(page, _) = &input
            && let Some(seen) = self.pages.get_mut(page)
        {
            seen.source_ended = true;
            seen.keeping = false;
        }
        match &input {
            Input::Packet(page) => {
                if let Some(seen) = self.pages.get_mut(page) {
                    seen.packets += 1;
                }
            }
            Input::Replayed(page) => {
                if let Some(seen) = self.pages.get_mut(page) {
                    seen.cut_short |= seen.open.is_empty();
                }
            }
            _ => {}
        }
        self.board.handle(input, self.now);
        self.listen(true);
    }

    pub(super) fn pass(&mut self, duration: Duration, lazy: bool) {
        let end = self.now + duration;
        self.pages.values_mut().for_each(|seen| seen.late |= lazy);
        while let Some(due) = self.board.poll_timeout().filter(|due| !lazy && *due <= end) {
            assert!(due >= self.now, "a deadline in the past");
            self.now = due;
            self.board.handle_timeout(due);
            self.listen(true);
            assert!(self.board.poll_timeout().is_none_or(|next| next > due), "a busy loop");
        }
        self.now = end;
        self.board.handle_timeout(end);
        self.listen(!lazy);
    }

    /// Applies the outputs to the model; then every invariant must hold. `punctual`: no wake-up was late.
    fn listen(&mut self, punctual: bool) {
        while let Some(output) = self.board.poll_output() {
            self.apply(output, punctual);
        }
        assert!(
            self.board.poll_timeout().is_none_or(|due| due > self.now),
            "a deadline was left"
        );
        self.check();
    }

    fn apply(&mut self, output: Output, punctual: bool) {
        match output {
            Output::Admitted { page } => {
                let seen = self.live(page);
                assert!(!seen.keeping, "admitted while it is kept");
                seen.admitted = true;
            }
            Output::Waiting { page } => {
                let seen = self.live(page);
                let terms = seen.bid.terms;
                // One that has held a zone may be set back to wait for another that it holds too.
                let waits = [terms.busy, terms.cut];
                let waits = waits.iter().any(|loss| [Loss::Wait, Loss::Under].contains(loss));
                assert!(seen.kept || seen.admitted || waits);
                assert!(seen.open.is_empty() && (seen.kept || !seen.source_ended));
            }
            Output::Keep { page } => {
                let seen = self.live(page);
                let terms = seen.bid.terms;
                assert!(terms.afterwards || terms.busy == Loss::Keep || terms.cut == Loss::Keep);
                assert!(seen.open.is_empty() && !seen.source_ended && !seen.kept);
                (seen.kept, seen.keeping) = (true, true);
            }
            Output::Enough { page, .. } => {
                let seen = self.live(page);
                assert!(
                    std::mem::replace(&mut seen.keeping, false),
                    "enough of what was not kept"
                );
                seen.source_ended = true;
            }
            Output::Warn { page } => {
                let seen = self.live(page);
                seen.warned += 1;
                // Once live, once more while it is kept.
                assert!(seen.warned <= 1 + u32::from(seen.kept) && !seen.bid.limits.warning.is_zero());
            }
            Output::Refused { page, .. } => {
                assert!(!self.live(page).admitted, "refused after admission");
            }
            Output::Relay { relay, operated } => {
                let rules = self.rules.relays.get(usize::from(relay.0)).expect("no such relay");
                let least = if operated { rules.min_off } else { rules.min_on };
                let hurried = !operated && (self.shut_down || self.hurried.contains(&relay));
                if let Some((before, since)) = self.relays.insert(relay, (operated, self.now)) {
                    assert_ne!(before, operated, "a relay output that changes nothing");
                    assert!(hurried || self.now >= since + least, "chatter");
                } else {
                    assert!(operated, "a relay output that changes nothing");
                }
                self.hurried.remove(&relay);
            }
            Output::Phase { zone, phase, .. } => {
                if self.phases.insert(zone, phase).unwrap_or(Phase::Rest) == Phase::Rest {
                    self.woken.insert(zone, self.now);
                }
            }
            Output::Chime { zone, page } => {
                assert!(self.is_awake(zone), "chime before the lead");
                assert!(self.live(page).open.is_empty(), "chime over speech");
                assert!(self.live(page).chiming.insert(zone));
            }
            Output::Speak { zone, page, under } => {
                assert!(self.is_awake(zone), "speech before the lead");
                if under {
                    assert_eq!(self.phases.get(&zone), Some(&Phase::Speech), "below nobody");
                }
                let now = self.now;
                let seen = self.live(page);
                assert!(seen.bid.zones.contains(&zone) && seen.open.insert(zone));
                seen.chiming.remove(&zone);
                seen.heard.insert(zone);
                seen.open_since.get_or_insert(now);
            }
            Output::Silence { zone, page } => self.close(page, Some(zone)),
            Output::Drain { page } => {
                let seen = self.live(page);
                assert!(!seen.heard.is_empty(), "drained before it spoke");
            }
            Output::Ended { page, reason } => {
                self.close(page, None);
                let seen = self.live(page);
                if let Some(limit) = seen.bid.limits.page {
                    let grace = if seen.kept { MAX_DRAIN } else { Duration::ZERO };
                    assert!(
                        !punctual || seen.late || seen.open_before <= limit + grace,
                        "longer than its limit"
                    );
                }
                assert!(self.ended.insert(page, reason).is_none(), "ended twice");
            }
            Output::Record(record) => {
                let seen = self.pages.remove(&record.page).expect("a record without a bid");
                match self.ended.get(&record.page) {
                    Some(reason) => assert_eq!(*reason, record.reason),
                    None => assert!(!seen.admitted, "a record before its end"),
                }
                assert_eq!(record.zones.iter().copied().collect::<HashSet<_>>(), seen.heard);
                assert_eq!(record.heard_at.is_some(), !seen.heard.is_empty());
                assert_eq!(record.ended_at, self.now);
                assert_eq!(record.kept, seen.kept);
                // Played once, or reported lost: an ordinary end says that it was heard, or that nothing ever came.
                let ordinary = [EndReason::HungUp, EndReason::StreamEnded, EndReason::CallLost];
                if seen.kept && seen.packets > 0 && ordinary.contains(&record.reason) {
                    assert!(
                        !seen.heard.is_empty() || seen.cut_short,
                        "kept, and neither played nor lost"
                    );
                }
                assert!(self.records.insert(record.page, record).is_none(), "two records");
            }
        }
    }

    fn live(&mut self, page: PageId) -> &mut Seen {
        self.pages.get_mut(&page).expect("an output for a page that is over")
    }

    fn close(&mut self, page: PageId, zone: Option<ZoneId>) {
        let now = self.now;
        let seen = self.live(page);
        match zone {
            Some(zone) => {
                let sounded = seen.open.remove(&zone) || seen.chiming.remove(&zone);
                assert!(sounded, "silenced where nothing sounded");
            }
            None => seen.open.clear(),
        }
        if seen.open.is_empty()
            && let Some(since) = seen.open_since.take()
        {
            seen.open_before += now - since;
        }
    }

    fn relays_of(rules: &ZoneRules) -> impl Iterator<Item = RelayId> {
        rules.trigger.iter().chain(&rules.mute).copied()
    }

    /// Its relays operate and its lead has passed.
    fn is_awake(&self, zone: ZoneId) -> bool {
        let rules = &self.rules.zones[usize::from(zone.0)];
        let mut relays = Self::relays_of(rules)
            .filter_map(|relay| Some((relay, self.rules.relays.get(usize::from(relay.0))?)))
            .peekable();
        if relays.peek().is_none() {
            return self.woken[&zone] + rules.lead <= self.now;
        }
        relays.all(|(relay, own)| {
            let (operated, since) = self.relays.get(&relay).copied().unwrap_or((false, self.now));
            operated && since + own.lead.unwrap_or(rules.lead) <= self.now
        })
    }

    fn check(&self) {
        // Operated while something sounds in a zone that names it; not operated, but for its least time, while none is up.
        for (relay, own) in (0..).map(RelayId).zip(&self.rules.relays) {
            let phases = self
                .zones()
                .filter(|(_, rules)| Self::relays_of(rules).any(|r| r == relay));
            let phases: Vec<Phase> = phases.map(|(zone, _)| self.board.zone(zone).0).collect();
            let (operated, since) = self.relays.get(&relay).copied().unwrap_or((false, self.now));
            assert_eq!(self.board.relay(relay), operated);
            assert!(
                operated || phases.iter().all(|p| !matches!(p, Phase::Chime | Phase::Speech)),
                "{relay:?}"
            );
            let idle = phases.iter().all(|phase| *phase == Phase::Rest);
            let held = self.now < since + own.min_on && !self.hurried.contains(&relay) && !self.shut_down;
            let tested = self.tested.get(&relay).is_some_and(|until| *until > self.now) && !self.shut_down;
            assert!(!operated || !idle || held || tested, "{relay:?} is operated for nobody");
            let may_rest = self.now < since + own.min_off;
            assert!(operated || !tested || may_rest, "{relay:?} is not tested");
        }
        // The packet limit ends a source from inside, and what was kept is handed over at some time; the model takes the
        // switchboard's word for when.
        let keeping: HashSet<PageId> = self
            .pages
            .iter()
            .filter(|(_, s)| s.keeping)
            .map(|(id, _)| *id)
            .collect();
        let together: Vec<PageId> = self
            .board
            .pages()
            .filter(|p| matches!(p.standing, Standing::Waiting | Standing::Under) && !keeping.contains(&p.page))
            .map(|p| p.page)
            .filter(|id| self.pages[id].bid.terms.begin == Begin::Together)
            .collect();
        let gone: HashSet<PageId> = self
            .board
            .pages()
            .filter(|p| p.source_ended.is_some())
            .map(|p| p.page)
            .collect();
        let starved: HashSet<PageId> = self
            .board
            .pages()
            .filter(|page| page.source_ended == Some(EndReason::NoPackets))
            .map(|page| page.page)
            .collect();
        assert!(starved.iter().all(|id| self.pages[id].bid.limits.no_packet.is_some()));
        for page in self.board.pages().filter(|p| p.standing == Standing::Waiting) {
            let seen = &self.pages[&page.page];
            let loss = if seen.admitted {
                seen.bid.terms.cut
            } else {
                seen.bid.terms.busy
            };
            assert!(seen.kept || [Loss::Wait, Loss::Under].contains(&loss) || self.now < page.bid_at + MAX_TURN);
            assert!(seen.open.is_empty());
        }
        for (zone, _) in self.zones() {
            let (phase, page) = self.board.zone(zone);
            assert_eq!(
                self.phases.get(&zone).copied().unwrap_or(Phase::Rest),
                phase,
                "{zone:?}"
            );
            assert_eq!(page.is_some(), !matches!(phase, Phase::Rest | Phase::Tail));
            if self.failed.contains(&zone) || self.vetoed.contains(&zone) {
                assert_eq!((phase, page), (Phase::Rest, None), "a failed zone is in use");
                continue;
            }
            // The highest bid that can be heard is the one that holds the zone.
            let best = self
                .pages
                .iter()
                .filter(|(id, seen)| {
                    seen.bid.zones.contains(&zone) && !seen.keeping && (!gone.contains(*id) || page == Some(**id))
                })
                .max_by_key(|(_, seen)| (seen.bid.priority, std::cmp::Reverse(seen.order)));
            let best = best.map(|(id, _)| *id);
            // One that is to begin in all its zones keeps them for itself meanwhile.
            let blocks = best.is_some_and(|best| together.contains(&best));
            assert!(page == best || blocks, "{zone:?} is not held by the highest bid");
            if let (Some(holder), true) = (page, blocks) {
                assert!(self.pages[&holder].admitted, "a newcomer in a zone that is kept free");
            }
            // Open audio ⇔ speech.
            let open: Vec<PageId> = self
                .pages
                .iter()
                .filter(|(_, s)| s.open.contains(&zone))
                .map(|(id, _)| *id)
                .collect();
            let holder = page.filter(|_| phase == Phase::Speech);
            assert!(
                holder.is_none_or(|holder| open.contains(&holder)),
                "the holder is silent"
            );
            for below in open.iter().filter(|page| Some(**page) != holder) {
                let terms = self.pages[below].bid.terms;
                let status = self
                    .board
                    .pages()
                    .find(|status| status.page == *below)
                    .expect("it is live");
                assert!(
                    terms.busy == Loss::Under || terms.cut == Loss::Under,
                    "sounds without a zone"
                );
                assert!(status.standing == Standing::Under && status.zones.is_empty() && status.under.contains(&zone));
                let tail = phase == Phase::Tail && status.source_ended.is_some();
                assert!(phase == Phase::Speech || tail, "below nobody");
            }
        }
        for seen in self.pages.values() {
            if let (Some(limit), Some(since)) = (seen.bid.limits.page, seen.open_since) {
                // What was kept is as long at most; the cards may take longer over it.
                let grace = if seen.kept { MAX_DRAIN } else { Duration::ZERO };
                assert!(
                    seen.open_before + (self.now - since) < limit.max(Duration::from_nanos(1)) + grace,
                    "over its limit"
                );
            }
        }
        for status in self.board.pages().filter(|status| status.standing == Standing::Waiting) {
            let seen = &self.pages[&status.page];
            assert!(
                seen.kept || !seen.admitted || seen.bid.terms.cut != Loss::End,
                "waits, and should have ended"
            );
            assert!(status.zones.is_empty(), "waits, and holds a zone");
        }
        // Every bid is live or has its record, and the crowd is bounded.
        assert_eq!(
            self.bids,
            u64::try_from(self.pages.len() + self.records.len() + self.lost).unwrap()
        );
        let live: HashSet<PageId> = self.board.pages().map(|page| page.page).collect();
        assert_eq!(live, self.pages.keys().copied().collect::<HashSet<_>>());
        assert!(live.len() <= MAX_WAITING + self.rules.zones.len());
        if self.shut_down {
            assert!(self.board.is_at_rest() && live.is_empty());
        }
    }
}
