//! Pages that wait in line, are kept and played later, begin in all zones together, or come too often.

use super::*;
use crate::page::{Begin, MAX_KEEP};

fn on(bid: Bid, busy: Loss, cut: Loss) -> Bid {
    let terms = Terms { busy, cut, ..bid.terms };
    Bid { terms, ..bid }
}

fn within(bid: Bid, limits: Limits) -> Bid {
    Bid { limits, ..bid }
}

const fn seconds(n: u64) -> Duration {
    Duration::from_secs(n)
}

impl Desk {
    fn warned(&mut self) -> Vec<String> {
        self.heard().into_iter().filter(|line| line.contains("warn")).collect()
    }
}

/// The zone is taken: what is said is kept, and played when its source has ended and the zone is free; then the
/// record, which says so.
#[test]
fn a_page_that_finds_its_zone_taken_is_kept_and_played() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, bid(1, &[0], 50));
    desk.packet(10, 1);
    desk.heard();
    desk.bid(1000, chimed(on(bid(2, &[0], 50), Loss::Keep, Loss::End)));
    desk.since(&["300 z0 Speech 1", "300 speak 1 z0", "1000 keep 2"]);
    desk.packet(1020, 2);
    desk.end(2000, 2, EndReason::HungUp);
    desk.since(&["2000 waiting 2"]);
    desk.end(3000, 1, EndReason::HungUp);
    desk.drained(3100, 1);
    desk.since(&[
        "3000 drain 1",
        "3100 z0 Tail",
        "3100 ended 1 HungUp",
        "3100 record 1 HungUp [0]",
        "3100 admitted 2",
        "3100 z0 Seize 2",
        // The amplifier is awake.
        "3100 z0 Chime 2",
        "3100 chime 2 z0",
    ]);
    desk.until(4100);
    desk.since(&["4100 z0 Speech 2", "4100 speak 2 z0"]);
    desk.input(5000, Input::Replayed(PageId(2)));
    desk.drained(5050, 2);
    desk.until(9000);
    desk.since(&[
        "5000 drain 2",
        "5050 z0 Tail",
        "5050 ended 2 HungUp",
        "5050 record 2 HungUp [0] kept",
        "5250 z0 Rest",
        "5250 relay 0 off",
        "5250 relay 2 off",
    ]);
}

/// Who stands beside the loudspeaker speaks first and is heard afterwards, though the zone is free.
#[test]
fn record_first_is_heard_after_the_source_has_ended() {
    let mut desk = Desk::new(two_zones());
    let mut beside = bid(1, &[0], 50);
    beside.terms.afterwards = true;
    desk.bid(0, beside);
    desk.packet(20, 1);
    desk.until(5000);
    desk.since(&["0 keep 1"]);
    desk.end(5000, 1, EndReason::HungUp);
    desk.until(5400);
    desk.since(&[
        "5000 admitted 1",
        "5000 z0 Seize 1",
        "5000 relay 0 on",
        "5000 relay 2 on",
        "5300 z0 Speech 1",
        "5300 speak 1 z0",
    ]);
}

/// A higher page cuts in: the rest is kept. When that is cut too, it goes on where it was.
#[test]
fn the_rest_of_a_page_that_is_cut_is_kept() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, on(bid(1, &[0], 50), Loss::End, Loss::Keep));
    desk.packet(20, 1);
    desk.until(900);
    desk.heard();
    desk.bid(1000, bid(2, &[0], 90));
    desk.since(&[
        "1000 silence 1 z0",
        "1000 keep 1",
        "1000 admitted 2",
        "1000 z0 Seize 2",
        "1000 z0 Speech 2",
        "1000 speak 2 z0",
    ]);
    desk.packet(1020, 2);
    desk.packet(1020, 1);
    desk.end(2000, 1, EndReason::HungUp);
    desk.since(&["2000 waiting 1"]);
    desk.end(3000, 2, EndReason::HungUp);
    desk.drained(3000, 2);
    assert!(desk.heard().contains(&"3000 speak 1 z0".to_owned()));
    desk.bid(4000, bid(3, &[0], 90));
    desk.since(&[
        "4000 silence 1 z0",
        "4000 waiting 1",
        "4000 admitted 3",
        "4000 z0 Seize 3",
        "4000 z0 Speech 3",
        "4000 speak 3 z0",
    ]);
    desk.input(5000, Input::Stop(PageId(3), EndReason::Operator));
    assert!(desk.heard().contains(&"5000 speak 1 z0".to_owned()));
}

/// Nobody waits for ever, live or kept; and the record names the limit.
#[test]
fn waiting_has_a_limit() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, bid(1, &[0], 90));
    let limits = Limits {
        wait: Some(seconds(30)),
        ..Limits::default()
    };
    desk.bid(100, within(on(bid(2, &[0], 50), Loss::Wait, Loss::Wait), limits));
    desk.bid(100, within(on(bid(3, &[0], 50), Loss::Keep, Loss::Keep), limits));
    desk.packet(200, 3);
    desk.end(10_000, 3, EndReason::HungUp);
    desk.heard();
    desk.until(50_000);
    desk.since(&[
        "30100 ended 2 WaitLimit",
        "30100 record 2 WaitLimit []",
        "40000 ended 3 WaitLimit",
        "40000 record 3 WaitLimit [] kept",
    ]);
}

/// What is kept has the page's limit, and one of its own where there is none; a source that sends nothing has that of packets. In
/// each case the source is ended, and what there is is played.
#[test]
fn keeping_has_limits() {
    let limit = |page, no_packet| Limits {
        page,
        no_packet,
        ..Limits::default()
    };
    for (limits, at, reason) in [
        (limit(Some(seconds(60)), None), 61, EndReason::PageLimit),
        (limit(None, None), 1 + MAX_KEEP.as_secs(), EndReason::PageLimit),
        (limit(None, Some(seconds(5))), 7, EndReason::NoPackets),
    ] {
        let mut desk = Desk::new(two_zones());
        let mut beside = within(bid(1, &[0], 50), limits);
        beside.terms.afterwards = true;
        desk.bid(1000, beside);
        desk.packet(2000, 1);
        desk.heard();
        desk.until(400_000);
        assert_eq!(
            desk.heard()[..2],
            [
                format!("{} enough 1 {reason:?}", at * 1000),
                format!("{} admitted 1", at * 1000)
            ]
        );
    }
}

#[test]
fn a_talker_is_warned_before_the_limit_live_and_kept() {
    let limits = Limits {
        page: Some(seconds(60)),
        warning: seconds(5),
        ..Limits::default()
    };
    let mut desk = Desk::new(two_zones());
    desk.bid(0, within(bid(1, &[0], 50), limits));
    desk.packet(10, 1);
    desk.until(100_000);
    assert_eq!(desk.warned(), ["55300 warn 1"]);
    let mut desk = Desk::new(two_zones());
    let mut beside = within(bid(1, &[0], 50), limits);
    beside.terms.afterwards = true;
    desk.bid(0, beside);
    desk.packet(10, 1);
    desk.until(100_000);
    assert_eq!(desk.warned(), ["55000 warn 1"]);
}

/// A page for both zones waits for the second one; the free one is kept from lower and later bids, not from higher ones.
#[test]
fn a_page_may_begin_in_all_its_zones_together() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, bid(1, &[0], 50));
    desk.packet(10, 1);
    desk.until(900);
    desk.heard();
    let mut both = on(bid(2, &[0, 1], 50), Loss::Wait, Loss::Wait);
    both.terms.begin = Begin::Together;
    desk.bid(1000, both);
    desk.since(&["1000 waiting 2"]);
    desk.bid(1500, bid(3, &[1], 50));
    desk.since(&["1500 refused 3 Busy(PageId(2))", "1500 record 3 Busy []"]);
    desk.bid(1600, bid(4, &[1], 60));
    desk.until(2500);
    desk.input(3000, Input::Stop(PageId(4), EndReason::Operator));
    desk.until(4000);
    desk.heard();
    desk.end(5000, 1, EndReason::HungUp);
    desk.drained(5000, 1);
    desk.until(6000);
    desk.since(&[
        "5000 drain 1",
        "5000 z0 Tail",
        "5000 ended 1 HungUp",
        "5000 record 1 HungUp [0]",
        "5000 admitted 2",
        "5000 z0 Seize 2",
        "5000 z1 Seize 2",
        "5000 relay 1 on",
        "5500 z0 Speech 2",
        "5500 speak 2 z0",
        "5500 z1 Speech 2",
        "5500 speak 2 z1",
    ]);
}

/// An outside system takes the amplifier: silence and relays at rest at once; what waits or is kept is heard when it gives it
/// back, what does not is ended and refused with the reason. A card that fails meanwhile counts by itself.
#[test]
fn a_veto_takes_the_zone_at_once() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, bid(1, &[0], 50));
    desk.packet(10, 1);
    desk.bid(10, on(bid(2, &[1], 50), Loss::Wait, Loss::Wait));
    desk.until(900);
    desk.heard();
    desk.input(1000, Input::Vetoed(ZoneId(0)));
    desk.input(1000, Input::Vetoed(ZoneId(0)));
    desk.since(&[
        "1000 silence 1 z0",
        "1000 z0 Rest",
        "1000 ended 1 Vetoed",
        "1000 record 1 Vetoed [0]",
        "1000 relay 0 off",
    ]);
    desk.bid(2000, bid(3, &[0], 99));
    desk.since(&["2000 refused 3 Vetoed", "2000 record 3 Vetoed []"]);
    desk.input(3000, Input::Vetoed(ZoneId(1)));
    desk.since(&[
        "3000 silence 2 z1",
        "3000 z1 Rest",
        "3000 waiting 2",
        "3000 relay 1 off",
        "3000 relay 2 off",
    ]);
    desk.input(4000, Input::ZoneFailed(ZoneId(1)));
    desk.input(5000, Input::VetoLifted(ZoneId(1)));
    desk.since(&[]);
    desk.input(6000, Input::ZoneBack(ZoneId(1)));
    desk.since(&[
        "6000 admitted 2",
        "6000 z1 Seize 2",
        "6000 relay 1 on",
        "6000 relay 2 on",
    ]);
}

/// A source rests between its pages, however often it dials; a caller has so many pages an hour, those under way and of other
/// callers apart.
#[test]
fn pages_that_come_too_soon_or_too_often_are_refused() {
    let limits = Limits {
        cool_down: Some(seconds(30)),
        ..Limits::default()
    };
    let mut desk = Desk::new(two_zones());
    let again = |page| within(bid(page, &[0], 50), limits);
    desk.bid(0, again(1));
    desk.bid(100, again(2));
    desk.input(5000, Input::Stop(PageId(1), EndReason::Operator));
    desk.bid(34_999, again(3));
    desk.bid(35_000, again(4));
    let refused = |lines: Vec<String>| -> Vec<String> { lines.into_iter().filter(|l| l.contains("refused")).collect() };
    assert_eq!(
        refused(desk.heard()),
        ["100 refused 2 CoolDown", "34999 refused 3 CoolDown"]
    );

    // Who hangs up before anything is heard has made the relays operate all the same.
    let mut desk = Desk::new(two_zones());
    for page in 1..=3 {
        desk.bid(page * 100, again(page));
        desk.end(page * 100 + 50, page, EndReason::HungUp);
    }
    assert_eq!(
        refused(desk.heard()),
        ["200 refused 2 CoolDown", "300 refused 3 CoolDown"]
    );

    let limits = Limits {
        per_hour: Some(2),
        ..Limits::default()
    };
    let mut desk = Desk::new(two_zones());
    let page = |page: u64, caller| Bid {
        caller,
        ..within(bid(page, &[(page % 2) as u16], 50), limits)
    };
    desk.bid(0, page(1, 7));
    desk.bid(400, page(2, 7));
    desk.bid(500, page(3, 7));
    desk.input(1000, Input::Stop(PageId(1), EndReason::Operator));
    desk.bid(1001, page(5, 7));
    desk.bid(1002, page(7, 8));
    desk.input(1003, Input::Stop(PageId(7), EndReason::Operator));
    // An hour after it won its zone.
    desk.bid(3_599_999, page(9, 7));
    desk.bid(3_600_000, page(11, 7));
    assert_eq!(
        refused(desk.heard()),
        [
            "500 refused 3 TooMany",
            "1001 refused 5 TooMany",
            "3599999 refused 9 TooMany"
        ]
    );
}

/// One zone is back from another system and is still being woken for a recording as the other one is taken from it: it begins anew
/// there, and does not play to nobody.
#[test]
fn a_recording_that_loses_its_only_open_zone_begins_anew_in_the_next() {
    let mut desk = Desk::new(two_zones());
    let mut first = bid(1, &[0, 1], 50);
    first.terms.afterwards = true;
    desk.input(0, Input::Vetoed(ZoneId(1)));
    desk.bid(0, first);
    desk.packet(20, 1);
    desk.end(1000, 1, EndReason::HungUp);
    desk.until(2000);
    desk.input(2000, Input::VetoLifted(ZoneId(1)));
    desk.heard();
    desk.bid(2100, bid(2, &[0], 90));
    let heard = desk.heard();
    let told: Vec<&str> = heard
        .iter()
        .map(String::as_str)
        .filter(|line| line.ends_with(" 1"))
        .collect();
    assert_eq!(told, ["2100 waiting 1", "2100 admitted 1"]);
    desk.until(2600);
    assert!(desk.heard().contains(&"2500 speak 1 z1".to_owned()));
}

/// Quiet hours begin while it waits: it is heard where they leave a zone, and ends where they leave none.
#[test]
fn quiet_hours_count_for_who_waits() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, bid(1, &[0, 1], 90));
    desk.bid(10, on(bid(2, &[0, 1], 50), Loss::Wait, Loss::Wait));
    desk.bid(10, on(bid(3, &[0], 50), Loss::Wait, Loss::Wait));
    desk.heard();
    for page in [1, 2, 3] {
        desk.input(1000, Input::Barred(PageId(page), vec![ZoneId(0)]));
    }
    let ended = |line: &String| line.contains("QuietHours");
    let heard = desk.heard();
    assert!(
        heard.iter().any(ended) && !heard.iter().any(|line| line.contains("admitted")),
        "{heard:?}"
    );
    desk.input(2000, Input::Stop(PageId(1), EndReason::Operator));
    desk.until(3000);
    let heard = desk.heard();
    assert!(heard.contains(&"2000 speak 2 z1".to_owned()), "{heard:?}");
    assert!(!heard.iter().any(|line| line.contains("speak 2 z0")), "{heard:?}");
}
