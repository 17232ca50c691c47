//! Leads, releases, least times and shown states of relays. What an installer expects of them is common practice, no
//! published source.

use super::*;
use crate::page::{Shown, Shows};

fn ms(n: u64) -> Duration {
    Duration::from_millis(n)
}

/// Zone 0: trigger relay 0, mute relay 1. Zone 1: the same mute. Lead 600 ms, release 200 ms.
fn site(relays: Vec<RelayRules>) -> Desk {
    let zone = |trigger: &[u16], mute: &[u16]| ZoneRules {
        trigger: trigger.iter().copied().map(RelayId).collect(),
        mute: mute.iter().copied().map(RelayId).collect(),
        lead: ms(600),
        release: ms(200),
    };
    Desk::new(Rules {
        zones: vec![zone(&[0], &[1]), zone(&[], &[1])],
        relays,
    })
}

fn relays(desk: &mut Desk) -> Vec<String> {
    let heard = desk.heard().into_iter();
    heard
        .filter(|line| line.contains("relay") || line.contains("speak"))
        .collect()
}

/// Where the driver is slow, the amplifier has its whole lead all the same.
#[test]
fn a_lead_counts_from_when_the_relay_was_moved() {
    let mut desk = site(vec![RelayRules::default(); 2]);
    desk.bid(0, bid(1, &[0], 50));
    let (trigger, mute) = (desk.at(170), desk.at(10));
    desk.board.relay_was_moved(RelayId(0), trigger);
    desk.board.relay_was_moved(RelayId(1), mute);
    // What is told late about the past changes nothing.
    desk.board.relay_was_moved(RelayId(0), desk.start);
    desk.packet(200, 1);
    desk.until(2000);
    assert_eq!(relays(&mut desk), ["0 relay 0 on", "0 relay 1 on", "770 speak 1 z0"]);
}

/// The music plays on until just before the speech, and comes back later than the amplifier rests.
#[test]
fn a_fast_relay_waits_for_the_slow_one() {
    let mute = RelayRules {
        lead: Some(ms(50)),
        release: Some(ms(1000)),
        ..RelayRules::default()
    };
    let mut desk = site(vec![RelayRules::default(), mute]);
    desk.bid(0, bid(1, &[0], 50));
    desk.packet(10, 1);
    desk.end(2000, 1, EndReason::HungUp);
    desk.drained(2100, 1);
    desk.until(10_000);
    let expected = [
        "0 relay 0 on",
        "550 relay 1 on",
        "600 speak 1 z0",
        "2300 relay 0 off",
        "3100 relay 1 off",
    ];
    assert_eq!(relays(&mut desk), expected);
    // Called off before the mute has moved: it never does.
    desk.bid(20_000, bid(2, &[0], 50));
    desk.input(20_300, Input::Stop(PageId(2), EndReason::Operator));
    desk.until(30_000);
    assert_eq!(relays(&mut desk), ["20000 relay 0 on", "20500 relay 0 off"]);
}

#[test]
fn quick_pages_do_not_make_an_amplifier_chatter() {
    let trigger = RelayRules {
        min_on: ms(3000),
        min_off: ms(1500),
        ..RelayRules::default()
    };
    let mut desk = site(vec![trigger, RelayRules::default()]);
    desk.bid(0, bid(1, &[0], 50));
    desk.input(700, Input::Stop(PageId(1), EndReason::Operator));
    // While it is still operated, a page need not wait.
    desk.bid(1500, bid(2, &[0], 50));
    desk.until(1500);
    assert_eq!(
        relays(&mut desk),
        [
            "0 relay 0 on",
            "0 relay 1 on",
            "600 speak 1 z0",
            "900 relay 1 off",
            "1500 relay 1 on"
        ]
    );
    desk.input(2200, Input::Stop(PageId(2), EndReason::Operator));
    // At rest since 3000: not before 4500, and then its lead.
    desk.bid(3100, bid(3, &[0], 50));
    desk.until(6000);
    let expected = [
        "2100 speak 2 z0",
        "2400 relay 1 off",
        "3000 relay 0 off",
        "4500 relay 0 on",
        "4500 relay 1 on",
        "5100 speak 3 z0",
    ];
    assert_eq!(relays(&mut desk), expected);
    // Another system takes the amplifier: no least time counts.
    desk.input(6500, Input::Vetoed(ZoneId(0)));
    assert_eq!(relays(&mut desk), ["6500 relay 0 off", "6500 relay 1 off"]);
}

/// A relay that is operated for another zone is waited for no longer than it needs.
#[test]
fn a_shared_relay_that_is_operated_is_ready() {
    let mut desk = site(vec![RelayRules::default(), RelayRules::default()]);
    desk.bid(0, bid(1, &[0], 50));
    desk.bid(400, bid(2, &[1], 50));
    desk.input(1000, Input::Stop(PageId(1), EndReason::Operator));
    desk.until(5000);
    let expected = [
        "0 relay 0 on",
        "0 relay 1 on",
        "600 speak 1 z0",
        "600 speak 2 z1",
        "1200 relay 0 off",
    ];
    assert_eq!(relays(&mut desk), expected);
}

#[test]
fn outputs_show_pages_and_faults() {
    let shows = |what, blinks: Option<u64>| RelayRules {
        shows: Some(Shows {
            what,
            blinks: blinks.map(ms),
        }),
        ..RelayRules::default()
    };
    let mut desk = site(vec![
        RelayRules::default(),
        RelayRules::default(),
        shows(Shown::Page(vec![ZoneId(1)]), Some(1000)),
        shows(Shown::Healthy, None),
        shows(Shown::Fault, None),
    ]);
    desk.until(100);
    assert_eq!(relays(&mut desk), [""; 0], "nobody has said how it is");
    desk.input(200, Input::Health(true));
    desk.bid(1000, bid(1, &[1], 50));
    desk.input(2700, Input::Stop(PageId(1), EndReason::Operator));
    desk.until(4000);
    let expected = [
        "200 relay 3 on",
        "1000 relay 1 on",
        "1000 relay 2 on",
        "1500 relay 2 off",
        "1600 speak 1 z1",
        "2000 relay 2 on",
        "2500 relay 2 off",
        "2900 relay 1 off",
    ];
    assert_eq!(relays(&mut desk), expected);
    desk.input(5000, Input::Health(false));
    assert_eq!(relays(&mut desk), ["5000 relay 4 on", "5000 relay 3 off"]);
    assert!(desk.board.is_at_rest());
    desk.input(6000, Input::Shutdown);
    assert_eq!(relays(&mut desk), ["6000 relay 4 off"]);
}
