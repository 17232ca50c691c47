//! Pages that mix below others.

use super::*;

fn below(bid: Bid) -> Bid {
    let terms = Terms {
        busy: Loss::Under,
        cut: Loss::Under,
        ..bid.terms
    };
    Bid { terms, ..bid }
}

/// It is heard below, and at its own level once the zone is its own, without a chime in the midst of its speech.
#[test]
fn a_page_that_finds_its_zone_taken_is_heard_below() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, bid(1, &[0], 50));
    desk.packet(10, 1);
    desk.until(1000);
    desk.heard();
    desk.bid(1000, chimed(below(bid(2, &[0], 50))));
    desk.packet(1010, 2);
    desk.since(&["1000 admitted 2", "1000 speak 2 z0 under"]);
    desk.end(2000, 1, EndReason::HungUp);
    desk.drained(2100, 1);
    desk.since(&[
        "2000 drain 1",
        "2100 z0 Tail",
        "2100 ended 1 HungUp",
        "2100 record 1 HungUp [0]",
        "2100 silence 2 z0",
        "2100 z0 Seize 2",
        "2100 z0 Speech 2",
        "2100 speak 2 z0",
    ]);
    desk.input(3000, Input::Stop(PageId(2), EndReason::Operator));
    desk.since(&[
        "3000 silence 2 z0",
        "3000 z0 Tail",
        "3000 ended 2 Operator",
        "3000 record 2 Operator [0]",
    ]);
}

/// A page that is cut goes on below once the other speaks; its limit counts on, and what it holds at its end plays out.
#[test]
fn a_page_that_is_cut_goes_on_below() {
    let mut desk = Desk::new(two_zones());
    desk.bid(0, limited(below(bid(1, &[0, 1], 50)), Some(5000), None, None));
    desk.packet(10, 1);
    desk.until(1000);
    desk.heard();
    desk.bid(1000, chimed(bid(2, &[0, 1], 90)));
    desk.packet(1010, 2);
    desk.until(2500);
    let heard: Vec<String> = desk.heard().into_iter().filter(|line| !line.contains(" z1")).collect();
    assert_eq!(
        heard,
        [
            "1000 silence 1 z0",
            "1000 waiting 1",
            "1000 admitted 2",
            "1000 z0 Seize 2",
            "1000 z0 Chime 2",
            "1000 chime 2 z0",
            "2000 z0 Speech 2",
            "2000 speak 2 z0",
            "2000 admitted 1",
            "2000 speak 1 z0 under",
        ]
    );
    // Half a second before the cut, four and a half below.
    desk.until(6499);
    assert!(desk.heard().is_empty());
    desk.until(6500);
    desk.since(&[
        "6500 silence 1 z0",
        "6500 silence 1 z1",
        "6500 ended 1 PageLimit",
        "6500 record 1 PageLimit [0, 1]",
    ]);
    desk.bid(7000, below(bid(3, &[0], 10)));
    desk.packet(7010, 3);
    desk.end(8000, 3, EndReason::HungUp);
    desk.input(8050, Input::Stop(PageId(2), EndReason::Operator));
    desk.drained(8100, 3);
    let heard: Vec<String> = desk.heard().into_iter().filter(|line| line.contains(" 3")).collect();
    assert_eq!(
        heard,
        [
            "7000 admitted 3",
            "7000 speak 3 z0 under",
            "8000 drain 3",
            "8100 ended 3 HungUp",
            "8100 record 3 HungUp [0]"
        ]
    );
}
