//! Worked scenarios by hand. The rules they check are the project's own (DEVELOPERS.md);
//! what an installer expects of trigger, mute and limits is common practice, no published source.
#![allow(clippy::disallowed_methods)]

use super::*;
use crate::page::{Limits, Loss, RelayRules, Terms, ZoneRules};

mod endings;
mod keeping;
mod relays;
mod under;
mod waits;

/// A switchboard on a simulated clock that starts at 0 ms, with everything it said as text.
struct Desk {
    board: Switchboard,
    start: Instant,
    now: u64,
    log: Vec<String>,
}

/// Zone 0: trigger relay 0, mute relay 2. Zone 1: trigger relay 1, mute relay 2. Leads 300 and 500 ms.
fn two_zones() -> Rules {
    let zone = |trigger, lead| ZoneRules {
        trigger: vec![RelayId(trigger)],
        mute: vec![RelayId(2)],
        lead: Duration::from_millis(lead),
        release: Duration::from_millis(200),
    };
    Rules {
        zones: vec![zone(0, 300), zone(1, 500)],
        relays: vec![RelayRules::default(); 3],
    }
}

fn bid(page: u64, zones: &[u16], priority: u8) -> Bid {
    Bid {
        page: PageId(page),
        source: SourceId(7),
        zones: zones.iter().copied().map(ZoneId).collect(),
        barred: Vec::new(),
        priority: Priority(priority),
        chime: None,
        limits: Limits::default(),
        terms: Terms::default(),
        caller: 0,
    }
}

fn chimed(bid: Bid) -> Bid {
    Bid {
        chime: Some(Duration::from_millis(1000)),
        ..bid
    }
}

fn waiting(bid: Bid) -> Bid {
    Bid {
        terms: Terms {
            busy: Loss::Wait,
            cut: Loss::Wait,
            ..bid.terms
        },
        ..bid
    }
}

fn limited(bid: Bid, page: Option<u64>, quiet: Option<u64>, no_packet: Option<u64>) -> Bid {
    let ms = |limit: Option<u64>| limit.map(Duration::from_millis);
    let limits = Limits {
        page: ms(page),
        quiet: ms(quiet),
        no_packet: ms(no_packet),
        ..Limits::default()
    };
    Bid { limits, ..bid }
}

impl Desk {
    fn new(rules: Rules) -> Self {
        Desk {
            board: Switchboard::new(rules),
            start: Instant::now(),
            now: 0,
            log: Vec::new(),
        }
    }

    fn at(&self, ms: u64) -> Instant {
        self.start + Duration::from_millis(ms)
    }

    fn listen(&mut self) {
        while let Some(output) = self.board.poll_output() {
            let text = match output {
                Output::Admitted { page } => format!("admitted {}", page.0),
                Output::Waiting { page } => format!("waiting {}", page.0),
                Output::Keep { page } => format!("keep {}", page.0),
                Output::Enough { page, reason } => format!("enough {} {reason:?}", page.0),
                Output::Warn { page } => format!("warn {}", page.0),
                Output::Refused { page, why } => format!("refused {} {why:?}", page.0),
                Output::Relay { relay, operated } => {
                    format!("relay {} {}", relay.0, if operated { "on" } else { "off" })
                }
                Output::Phase { zone, phase, page } => match page {
                    Some(page) => format!("z{} {phase:?} {}", zone.0, page.0),
                    None => format!("z{} {phase:?}", zone.0),
                },
                Output::Chime { zone, page } => format!("chime {} z{}", page.0, zone.0),
                Output::Speak { zone, page, under } => {
                    let how = if under { " under" } else { "" };
                    format!("speak {} z{}{how}", page.0, zone.0)
                }
                Output::Silence { zone, page } => format!("silence {} z{}", page.0, zone.0),
                Output::Drain { page } => format!("drain {}", page.0),
                Output::Ended { page, reason } => format!("ended {} {reason:?}", page.0),
                Output::Record(record) => {
                    assert_eq!(record.ended_at, self.at(self.now));
                    let zones: Vec<u16> = record.zones.iter().map(|zone| zone.0).collect();
                    let kept = if record.kept { " kept" } else { "" };
                    format!("record {} {:?} {zones:?}{kept}", record.page.0, record.reason)
                }
            };
            self.log.push(format!("{} {text}", self.now));
        }
    }

    /// Lets the clock run to `ms`, waking the switchboard when it asks for it.
    fn until(&mut self, ms: u64) {
        while let Some(due) = self.board.poll_timeout().filter(|due| *due <= self.at(ms)) {
            self.now = u64::try_from(due.duration_since(self.start).as_millis()).unwrap();
            self.board.handle_timeout(due);
            self.listen();
        }
        self.now = ms;
    }

    fn input(&mut self, ms: u64, input: Input) {
        self.until(ms);
        self.board.handle(input, self.at(ms));
        self.listen();
    }

    fn bid(&mut self, ms: u64, bid: Bid) {
        self.input(ms, Input::Bid(bid));
    }

    fn packet(&mut self, ms: u64, page: u64) {
        self.input(ms, Input::Packet(PageId(page)));
    }

    fn end(&mut self, ms: u64, page: u64, reason: EndReason) {
        self.input(ms, Input::SourceEnded(PageId(page), reason));
    }

    fn drained(&mut self, ms: u64, page: u64) {
        self.input(ms, Input::Drained(PageId(page)));
    }

    /// Everything said since the last call.
    fn heard(&mut self) -> Vec<String> {
        std::mem::take(&mut self.log)
    }

    fn since(&mut self, expected: &[&str]) {
        assert_eq!(self.heard(), expected);
    }
}

#[test]
fn one_page_from_bid_to_rest() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, chimed(bid(1, &[0], 50)));
    desk.since(&["0 admitted 1", "0 z0 Seize 1", "0 relay 0 on", "0 relay 2 on"]);
    desk.packet(20, 1);
    desk.until(4999);
    desk.since(&[
        "300 z0 Chime 1",
        "300 chime 1 z0",
        "1300 z0 Speech 1",
        "1300 speak 1 z0",
    ]);
    desk.end(5000, 1, EndReason::HungUp);
    desk.drained(5600, 1);
    desk.until(60_000);
    desk.since(&[
        "5000 drain 1",
        "5600 z0 Tail",
        "5600 ended 1 HungUp",
        "5600 record 1 HungUp [0]",
        "5800 z0 Rest",
        "5800 relay 0 off",
        "5800 relay 2 off",
    ]);
    assert!(desk.board.is_at_rest());
    assert_eq!(desk.board.poll_timeout(), None);
}

#[test]
fn zones_of_a_page_begin_together_after_the_greatest_lead() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, chimed(bid(1, &[0, 1], 50)));
    desk.heard();
    desk.until(10_000);
    desk.since(&[
        "500 z0 Chime 1",
        "500 chime 1 z0",
        "500 z1 Chime 1",
        "500 chime 1 z1",
        "1500 z0 Speech 1",
        "1500 speak 1 z0",
        "1500 z1 Speech 1",
        "1500 speak 1 z1",
    ]);
}

#[test]
fn a_higher_page_preempts_without_relay_chatter() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, bid(1, &[0], 50));
    desk.packet(10, 1);
    desk.until(1000);
    desk.heard();
    desk.bid(1000, chimed(bid(2, &[0], 90)));
    desk.until(2500);
    desk.since(&[
        "1000 silence 1 z0",
        "1000 ended 1 Preempted",
        "1000 record 1 Preempted [0]",
        "1000 admitted 2",
        "1000 z0 Seize 2",
        "1000 z0 Chime 2",
        "1000 chime 2 z0",
        "2000 z0 Speech 2",
        "2000 speak 2 z0",
    ]);
}

#[test]
fn lead_already_served_counts() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, bid(1, &[0], 50));
    desk.heard();
    // Preempted 100 ms into a lead of 300: 200 remain.
    desk.bid(100, bid(2, &[0], 60));
    desk.until(300);
    desk.since(&[
        "100 ended 1 Preempted",
        "100 record 1 Preempted []",
        "100 admitted 2",
        "100 z0 Seize 2",
        "300 z0 Speech 2",
        "300 speak 2 z0",
    ]);
    // Stopped, then bid for again while the tail lasts: the amplifier is awake.
    desk.input(400, Input::Stop(PageId(2), EndReason::Operator));
    desk.bid(599, bid(3, &[0], 10));
    desk.since(&[
        "400 silence 2 z0",
        "400 z0 Tail",
        "400 ended 2 Operator",
        "400 record 2 Operator [0]",
        "599 admitted 3",
        "599 z0 Seize 3",
        "599 z0 Speech 3",
        "599 speak 3 z0",
    ]);
    // After the tail the whole lead is due again.
    desk.input(1000, Input::Stop(PageId(3), EndReason::Operator));
    desk.bid(1200, bid(4, &[0], 10));
    desk.until(1499);
    assert_eq!(desk.board.zone(ZoneId(0)), (Phase::Seize, Some(PageId(4))));
    desk.until(1500);
    assert_eq!(desk.board.zone(ZoneId(0)), (Phase::Speech, Some(PageId(4))));
}

#[test]
fn equal_priority_is_refused_as_busy() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, bid(1, &[0], 50));
    desk.heard();
    desk.bid(10, bid(2, &[0], 50));
    desk.bid(20, bid(3, &[0], 49));
    desk.since(&[
        "10 refused 2 Busy(PageId(1))",
        "10 record 2 Busy []",
        "20 refused 3 Busy(PageId(1))",
        "20 record 3 Busy []",
    ]);
    assert_eq!(desk.board.zone(ZoneId(0)), (Phase::Seize, Some(PageId(1))));
}

#[test]
fn a_page_is_heard_where_it_wins_and_joins_the_rest_later() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, bid(1, &[1], 80));
    desk.bid(0, chimed(bid(2, &[0, 1], 50)));
    desk.until(4000);
    desk.heard();
    assert_eq!(desk.board.zone(ZoneId(0)), (Phase::Speech, Some(PageId(2))));
    desk.input(4000, Input::Stop(PageId(1), EndReason::Operator));
    // Zone 1 is awake: the speaking page is heard there at once, without a chime.
    desk.since(&[
        "4000 silence 1 z1",
        "4000 z1 Tail",
        "4000 ended 1 Operator",
        "4000 record 1 Operator [1]",
        "4000 z1 Seize 2",
        "4000 z1 Speech 2",
        "4000 speak 2 z1",
    ]);
    desk.packet(4100, 2);
    desk.end(5000, 2, EndReason::HungUp);
    desk.drained(5001, 2);
    assert!(desk.heard().contains(&"5001 record 2 HungUp [0, 1]".to_owned()));
}

#[test]
fn a_zone_that_joins_a_speaking_page_has_its_own_lead() {
    let mut desk = Desk::new(two_zones());
    desk.input(0, Input::ZoneFailed(ZoneId(1)));
    desk.bid(0, chimed(bid(1, &[0, 1], 50)));
    desk.until(2000);
    desk.heard();
    desk.input(2000, Input::ZoneBack(ZoneId(1)));
    desk.until(3000);
    desk.since(&[
        "2000 z1 Seize 1",
        "2000 relay 1 on",
        "2500 z1 Speech 1",
        "2500 speak 1 z1",
    ]);
}

#[test]
fn a_zone_won_during_the_lead_begins_with_the_others() {
    let mut desk = Desk::new(two_zones());
    desk.input(0, Input::ZoneFailed(ZoneId(1)));
    desk.bid(0, chimed(bid(1, &[0, 1], 50)));
    desk.input(100, Input::ZoneBack(ZoneId(1)));
    desk.heard();
    desk.until(2000);
    let expected = [
        "600 z0 Chime 1",
        "600 chime 1 z0",
        "600 z1 Chime 1",
        "600 chime 1 z1",
        "1600 z0 Speech 1",
        "1600 speak 1 z0",
        "1600 z1 Speech 1",
        "1600 speak 1 z1",
    ];
    desk.since(&expected);
}

#[test]
fn a_zone_won_during_the_chime_speaks_with_the_others() {
    let mut desk = Desk::new(two_zones());
    desk.input(0, Input::ZoneFailed(ZoneId(1)));
    desk.bid(0, chimed(bid(1, &[0, 1], 50)));
    desk.input(400, Input::ZoneBack(ZoneId(1)));
    desk.until(1299);
    desk.heard();
    desk.until(2000);
    desk.since(&[
        "1300 z0 Speech 1",
        "1300 speak 1 z0",
        "1300 z1 Speech 1",
        "1300 speak 1 z1",
    ]);
}

#[test]
fn a_zone_won_late_in_the_chime_has_its_whole_lead() {
    let mut desk = Desk::new(two_zones());
    desk.input(0, Input::ZoneFailed(ZoneId(1)));
    desk.bid(0, chimed(bid(1, &[0, 1], 50)));
    desk.input(1000, Input::ZoneBack(ZoneId(1)));
    desk.heard();
    desk.until(2000);
    desk.since(&[
        "1300 z0 Speech 1",
        "1300 speak 1 z0",
        "1500 z1 Speech 1",
        "1500 speak 1 z1",
    ]);
}

#[test]
fn a_page_that_loses_the_zone_of_its_chime_begins_anew() {
    let mut desk = Desk::new(two_zones());
    desk.input(0, Input::ZoneFailed(ZoneId(1)));
    desk.bid(0, chimed(bid(1, &[0, 1], 50)));
    desk.input(1000, Input::ZoneBack(ZoneId(1)));
    desk.bid(1100, bid(2, &[0], 90));
    desk.heard();
    desk.until(3000);
    desk.since(&[
        "1500 z1 Chime 1",
        "1500 chime 1 z1",
        "2500 z1 Speech 1",
        "2500 speak 1 z1",
    ]);
}

#[test]
fn a_draining_page_gains_no_zone() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, bid(1, &[1], 80));
    desk.bid(0, bid(2, &[0, 1], 50));
    desk.packet(10, 2);
    desk.end(1000, 2, EndReason::HungUp);
    desk.heard();
    desk.input(1100, Input::Stop(PageId(1), EndReason::Operator));
    desk.until(2000);
    assert_eq!(desk.board.zone(ZoneId(1)), (Phase::Rest, None));
    // It keeps what it holds against a lower bid.
    desk.bid(2000, bid(3, &[0], 40));
    assert!(desk.heard().contains(&"2000 refused 3 Busy(PageId(2))".to_owned()));
}

#[test]
fn a_multicast_page_waits_and_comes_back_live() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, waiting(bid(1, &[0], 30)));
    desk.until(1000);
    desk.heard();
    desk.bid(1000, bid(2, &[0], 50));
    desk.bid(1500, waiting(bid(3, &[0], 40)));
    desk.input(2000, Input::Stop(PageId(2), EndReason::Operator));
    desk.end(3000, 3, EndReason::StreamEnded);
    desk.until(3000);
    let expected = [
        "1000 silence 1 z0",
        "1000 waiting 1",
        "1000 admitted 2",
        "1000 z0 Seize 2",
        "1000 z0 Speech 2",
        "1000 speak 2 z0",
        "1500 waiting 3",
        "2000 silence 2 z0",
        "2000 z0 Tail",
        "2000 ended 2 Operator",
        "2000 record 2 Operator [0]",
        // The best that waits, not the first.
        "2000 admitted 3",
        "2000 z0 Seize 3",
        "2000 z0 Speech 3",
        "2000 speak 3 z0",
        // It never had a packet, so there is nothing to drain.
        "3000 silence 3 z0",
        "3000 z0 Tail",
        "3000 ended 3 StreamEnded",
        "3000 record 3 StreamEnded [0]",
        "3000 admitted 1",
        "3000 z0 Seize 1",
        "3000 z0 Speech 1",
        "3000 speak 1 z0",
    ];
    desk.since(&expected);
}

#[test]
fn a_stream_that_ends_while_it_waits_leaves_its_record() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, bid(1, &[0], 50));
    desk.heard();
    desk.bid(10, waiting(bid(2, &[0], 40)));
    desk.packet(20, 2);
    desk.end(900, 2, EndReason::StreamEnded);
    desk.since(&[
        "10 waiting 2",
        "300 z0 Speech 1",
        "300 speak 1 z0",
        "900 ended 2 StreamEnded",
        "900 record 2 StreamEnded []",
    ]);
}

#[test]
fn a_shared_mute_stays_while_one_zone_speaks() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, bid(1, &[0], 50));
    desk.bid(0, bid(2, &[1], 50));
    desk.until(1000);
    desk.input(1000, Input::Stop(PageId(1), EndReason::Operator));
    desk.heard();
    desk.until(1200);
    desk.since(&["1200 z0 Rest", "1200 relay 0 off"]);
    assert!(desk.board.relay(RelayId(2)));
    desk.input(2000, Input::Stop(PageId(2), EndReason::Operator));
    desk.until(2200);
    assert!(!desk.board.relay(RelayId(2)));
}

#[test]
fn one_relay_may_trigger_one_zone_and_mute_another() {
    let zone = |trigger: &[u16], mute: &[u16]| ZoneRules {
        trigger: trigger.iter().copied().map(RelayId).collect(),
        mute: mute.iter().copied().map(RelayId).collect(),
        ..ZoneRules::default()
    };
    let rules = Rules {
        zones: vec![zone(&[0], &[]), zone(&[1], &[0])],
        relays: vec![RelayRules::default(); 2],
    };
    let mut desk = Desk::new(rules);
    desk.bid(0, bid(1, &[1], 50));
    desk.bid(10, bid(2, &[0], 50));
    desk.input(20, Input::Stop(PageId(1), EndReason::Operator));
    desk.input(30, Input::Stop(PageId(2), EndReason::Operator));
    let relays: Vec<String> = desk.heard().into_iter().filter(|line| line.contains("relay")).collect();
    assert_eq!(
        relays,
        ["0 relay 0 on", "0 relay 1 on", "20 relay 1 off", "30 relay 0 off"]
    );
}
