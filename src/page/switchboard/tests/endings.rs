//! How pages end: limits, drains, faults, shutdown, nonsense.

use super::*;
use crate::page::MAX_WAITING;

#[test]
fn a_caller_who_hangs_up_during_the_lead_is_still_heard() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, chimed(bid(1, &[0], 50)));
    desk.packet(20, 1);
    desk.end(200, 1, EndReason::HungUp);
    desk.heard();
    desk.until(1300);
    desk.since(&[
        "300 z0 Chime 1",
        "300 chime 1 z0",
        "1300 z0 Speech 1",
        "1300 speak 1 z0",
        "1300 drain 1",
    ]);
}

#[test]
fn without_a_packet_or_when_cancelled_nothing_is_drained() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, bid(1, &[0], 50));
    desk.end(100, 1, EndReason::HungUp);
    assert!(desk.heard().ends_with(&["100 record 1 HungUp []".to_owned()]));
    desk.bid(1000, bid(2, &[0], 50));
    desk.packet(1010, 2);
    desk.end(1100, 2, EndReason::Cancelled);
    assert!(desk.heard().ends_with(&["1100 record 2 Cancelled []".to_owned()]));
    desk.until(1300);
    assert!(desk.board.is_at_rest());
}

#[test]
fn a_dead_audio_thread_frees_the_zone() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, bid(1, &[0], 50));
    desk.packet(20, 1);
    desk.end(1000, 1, EndReason::HungUp);
    desk.heard();
    desk.until(60_000);
    desk.since(&[
        "21000 silence 1 z0",
        "21000 z0 Tail",
        "21000 ended 1 HungUp",
        "21000 record 1 HungUp [0]",
        "21200 z0 Rest",
        "21200 relay 0 off",
        "21200 relay 2 off",
    ]);
    // The last resort must leave a playout time for all that it may hold.
    assert!(MAX_DRAIN >= crate::media::PlayoutSettings::default().max_hold + Duration::from_secs(3));
}

#[test]
fn the_page_limit_counts_from_the_opening_and_cuts() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, limited(bid(1, &[0], 50), Some(10_000), None, None));
    desk.packet(9000, 1);
    desk.heard();
    // Draining does not lengthen it.
    desk.end(10_290, 1, EndReason::HungUp);
    desk.until(10_300);
    desk.since(&[
        "10290 drain 1",
        "10300 silence 1 z0",
        "10300 z0 Tail",
        "10300 ended 1 PageLimit",
        "10300 record 1 PageLimit [0]",
    ]);
}

#[test]
fn waiting_does_not_use_up_the_page_limit() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, waiting(limited(bid(1, &[0], 50), Some(10_000), None, None)));
    desk.bid(4300, bid(2, &[0], 90)); // heard for 4 s
    desk.input(60_000, Input::Stop(PageId(2), EndReason::Operator));
    desk.heard();
    desk.until(65_999);
    assert_eq!(desk.board.zone(ZoneId(0)), (Phase::Speech, Some(PageId(1))));
    desk.until(66_000);
    assert!(desk.heard().contains(&"66000 record 1 PageLimit [0]".to_owned()));
}

#[test]
fn the_quiet_limit_restarts_with_speech() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, limited(bid(1, &[0], 50), None, Some(5000), None));
    desk.input(3000, Input::Speech(PageId(1)));
    desk.until(7999);
    desk.heard();
    desk.until(8000);
    assert!(desk.heard().contains(&"8000 ended 1 Quiet".to_owned()));
    // Nothing of speech at all: from the opening.
    desk.bid(10_000, limited(bid(2, &[0], 50), None, Some(5000), None));
    desk.until(20_000);
    assert!(desk.heard().contains(&"15300 ended 2 Quiet".to_owned()));
}

#[test]
fn the_packet_limit_counts_from_admission_and_plays_what_is_held() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, limited(chimed(bid(1, &[0], 50)), None, None, Some(800)));
    desk.until(900);
    assert!(desk.heard().contains(&"800 ended 1 NoPackets".to_owned()));
    desk.bid(2000, limited(chimed(bid(2, &[0], 50)), None, None, Some(800)));
    desk.packet(2100, 2);
    desk.heard();
    desk.until(3300);
    desk.drained(3400, 2);
    desk.since(&[
        "2300 z0 Chime 2",
        "2300 chime 2 z0",
        "3300 z0 Speech 2",
        "3300 speak 2 z0",
        "3300 drain 2",
        "3400 z0 Tail",
        "3400 ended 2 NoPackets",
        "3400 record 2 NoPackets [0]",
    ]);
}

#[test]
fn a_failed_card_ends_a_call_and_sets_a_stream_back() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, bid(1, &[0], 50));
    desk.bid(0, waiting(bid(2, &[1], 50)));
    desk.until(1000);
    desk.heard();
    desk.input(1000, Input::ZoneFailed(ZoneId(0)));
    desk.input(1000, Input::ZoneFailed(ZoneId(1)));
    desk.bid(1100, bid(3, &[0, 1], 90));
    desk.input(2000, Input::ZoneBack(ZoneId(1)));
    desk.since(&[
        "1000 silence 1 z0",
        "1000 z0 Rest",
        "1000 ended 1 DeviceFault",
        "1000 record 1 DeviceFault [0]",
        "1000 relay 0 off",
        "1000 silence 2 z1",
        "1000 z1 Rest",
        "1000 waiting 2",
        "1000 relay 1 off",
        "1000 relay 2 off",
        "1100 refused 3 DeviceFault",
        "1100 record 3 DeviceFault []",
        "2000 admitted 2",
        "2000 z1 Seize 2",
        "2000 relay 1 on",
        "2000 relay 2 on",
    ]);
}

#[test]
fn a_page_goes_on_in_the_zone_whose_card_works() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, bid(1, &[0, 1], 50));
    desk.until(1000);
    desk.heard();
    desk.input(1000, Input::ZoneFailed(ZoneId(0)));
    desk.since(&["1000 silence 1 z0", "1000 z0 Rest", "1000 relay 0 off"]);
    assert_eq!(desk.board.zone(ZoneId(1)), (Phase::Speech, Some(PageId(1))));
}

#[test]
fn shutdown_rests_every_relay_and_records_every_page() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, bid(1, &[0], 50));
    desk.bid(0, waiting(bid(2, &[0], 40)));
    desk.bid(0, bid(3, &[1], 40));
    desk.input(900, Input::Stop(PageId(3), EndReason::Operator));
    desk.heard();
    desk.input(1000, Input::Shutdown);
    desk.bid(1001, bid(4, &[0], 99));
    desk.input(1002, Input::ZoneBack(ZoneId(0)));
    desk.since(&[
        "1000 silence 1 z0",
        "1000 z0 Tail",
        "1000 ended 1 Shutdown",
        "1000 record 1 Shutdown [0]",
        "1000 ended 2 Shutdown",
        "1000 record 2 Shutdown []",
        "1000 z0 Rest",
        "1000 z1 Rest",
        "1000 relay 0 off",
        "1000 relay 1 off",
        "1000 relay 2 off",
        "1001 refused 4 Shutdown",
        "1001 record 4 Shutdown []",
    ]);
    assert_eq!(desk.board.poll_timeout(), None);
}

#[test]
fn nonsense_is_harmless() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, bid(1, &[], 50));
    desk.bid(0, bid(2, &[9], 50));
    desk.bid(0, waiting(bid(3, &[9], 50)));
    for page in [1, 99] {
        desk.packet(1, page);
        desk.drained(1, page);
        desk.end(1, page, EndReason::HungUp);
        desk.input(1, Input::Speech(PageId(page)));
        desk.input(1, Input::Stop(PageId(page), EndReason::Operator));
    }
    desk.input(1, Input::ZoneFailed(ZoneId(9)));
    desk.input(1, Input::ZoneBack(ZoneId(9)));
    desk.since(&[
        "0 refused 1 DeviceFault",
        "0 record 1 DeviceFault []",
        "0 refused 2 DeviceFault",
        "0 record 2 DeviceFault []",
        "0 refused 3 DeviceFault",
        "0 record 3 DeviceFault []",
    ]);
    // A second bid of a page that is not over changes nothing; unknown and repeated zones fall away.
    desk.bid(10, bid(4, &[0, 9, 0], 50));
    desk.heard();
    desk.bid(20, bid(4, &[0, 1], 90));
    desk.since(&[]);
    assert_eq!(desk.board.pages().count(), 1);
    // Drained is believed only of a page that drains.
    desk.drained(30, 4);
    desk.since(&[]);
    // Time that runs backwards stands still; endless durations do not overflow.
    desk.board.handle_timeout(desk.start);
    desk.bid(
        40,
        limited(bid(5, &[1], 90), Some(u64::MAX), Some(u64::MAX), Some(u64::MAX)),
    );
    assert!(desk.board.poll_timeout().is_some());
}

#[test]
fn a_crowd_that_waits_is_bounded_and_keeps_no_urgent_page_out() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, bid(1000, &[0], 90));
    desk.heard();
    let crowd = u64::try_from(MAX_WAITING).unwrap();
    for page in 0..crowd {
        desk.bid(10, waiting(bid(page, &[0], 20)));
    }
    desk.heard();
    // One too many, and the lowest: refused.
    desk.bid(20, waiting(bid(2000, &[0], 20)));
    desk.since(&["20 refused 2000 Busy(PageId(1000))", "20 record 2000 Busy []"]);
    // A better one displaces the last of the crowd.
    desk.bid(30, waiting(bid(2001, &[0], 30)));
    let last = crowd - 1;
    desk.since(&[
        &format!("30 ended {last} Busy"),
        &format!("30 record {last} Busy []"),
        "30 waiting 2001",
    ]);
    desk.bid(40, bid(2002, &[0], 100));
    assert!(desk.heard().contains(&"40 admitted 2002".to_owned()));
}

#[test]
fn status_names_pages_and_their_zones() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, bid(1, &[0, 1], 50));
    desk.bid(10, waiting(bid(2, &[0], 40)));
    desk.until(600);
    let pages: Vec<PageStatus> = desk.board.pages().collect();
    assert_eq!(pages[0].zones, [ZoneId(0), ZoneId(1)]);
    assert_eq!(pages[0].standing, Standing::Speaking);
    assert_eq!(pages[0].heard_at, Some(desk.at(500)));
    assert_eq!((pages[1].page, pages[1].standing), (PageId(2), Standing::Waiting));
    assert!(!desk.board.is_at_rest());
}

/// Two callers who page one after the other, as people do: both are heard, in order, through one seizure of the relays.
#[test]
fn a_call_waits_for_a_page_that_only_plays_out() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, bid(1, &[0], 50));
    desk.packet(20, 1);
    desk.end(5000, 1, EndReason::HungUp);
    desk.heard();
    desk.bid(5100, bid(2, &[0], 50));
    desk.since(&[]);
    desk.bid(5200, bid(3, &[0], 50));
    desk.bid(5300, bid(4, &[0], 49));
    desk.drained(5600, 1);
    desk.until(6000);
    desk.since(&[
        "5300 refused 4 Busy(PageId(1))",
        "5300 record 4 Busy []",
        "5600 z0 Tail",
        "5600 ended 1 HungUp",
        "5600 record 1 HungUp [0]",
        "5600 refused 3 Busy(PageId(2))",
        "5600 record 3 Busy []",
        "5600 admitted 2",
        "5600 z0 Seize 2",
        "5600 z0 Speech 2",
        "5600 speak 2 z0",
    ]);
}

#[test]
fn the_wait_for_a_turn_is_bounded_and_may_be_given_up() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, bid(1, &[0], 50));
    desk.packet(20, 1);
    desk.end(5000, 1, EndReason::HungUp);
    desk.heard();
    desk.bid(5100, bid(2, &[0], 50));
    desk.bid(5200, bid(3, &[0], 50));
    desk.end(5300, 2, EndReason::Cancelled);
    desk.until(8000);
    desk.since(&[
        "5300 ended 2 Cancelled",
        "5300 record 2 Cancelled []",
        "7200 refused 3 Busy(PageId(1))",
        "7200 record 3 Busy []",
    ]);
}

/// A higher page takes the zone meanwhile: busy at once.
#[test]
fn a_turn_is_lost_to_a_higher_page() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, bid(1, &[0], 50));
    desk.packet(20, 1);
    desk.end(5000, 1, EndReason::HungUp);
    desk.bid(5100, bid(2, &[0], 50));
    desk.heard();
    desk.bid(5200, bid(3, &[0], 90));
    assert!(desk.heard().contains(&"5200 refused 2 Busy(PageId(3))".to_owned()));
}

/// Whoever wins a free zone does not count among the crowd that waits for another.
#[test]
fn a_crowd_before_one_zone_keeps_nobody_from_another() {
    let mut desk = Desk::new(two_zones());
    let waits = |page, zone: u16, priority| {
        let mut bid = bid(page, &[zone], priority);
        (bid.terms.busy, bid.terms.cut) = (Loss::Wait, Loss::Wait);
        bid
    };
    desk.bid(0, bid(1, &[0], 90));
    for page in 2..2 + MAX_WAITING as u64 {
        desk.bid(0, waits(page, 0, 50));
    }
    desk.heard();
    desk.bid(100, waits(200, 1, 10));
    let heard = desk.heard();
    assert!(heard.contains(&"100 admitted 200".to_owned()), "{heard:?}");
    assert!(!heard.iter().any(|line| line.contains("refused")), "{heard:?}");
}
