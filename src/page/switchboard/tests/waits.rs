//! What a record tells of a wait, and of zones that were missed.

use super::*;
use crate::page::PageRecord;

impl Desk {
    /// As [`Desk::input`], for the records that come of it.
    fn records(&mut self, ms: u64, input: Input) -> Vec<PageRecord> {
        self.until(ms);
        self.board.handle(input, self.at(ms));
        let outputs = std::iter::from_fn(|| self.board.poll_output());
        let records = outputs.filter_map(|output| match output {
            Output::Record(record) => Some(record),
            _ => None,
        });
        records.collect()
    }
}

#[test]
fn a_page_that_waits_tells_what_for() {
    let mut desk = Desk::new(two_zones());
    desk.input(0, Input::Bid(bid(1, &[0], 50)));
    desk.input(1000, Input::Bid(waiting(bid(2, &[0], 50))));
    assert_eq!(desk.board.kept_from(PageId(2)), Some(Refusal::Busy(PageId(1))));
    assert_eq!(desk.board.kept_from(PageId(1)), None, "it has its own zone");
    desk.input(3000, Input::Stop(PageId(1), EndReason::Operator));
    let records = desk.records(5000, Input::Stop(PageId(2), EndReason::Operator));
    let record = &records[0];
    assert_eq!(record.waited_for, Some(Refusal::Busy(PageId(1))));
    assert_eq!(record.admitted_at, Some(desk.at(3000)));
    assert_eq!(record.missed, []);
    // No page has the zone: its card is gone, or another system has the amplifier.
    for (page, gone, why) in [
        (3, Input::ZoneFailed(ZoneId(0)), Refusal::DeviceFault),
        (4, Input::Vetoed(ZoneId(0)), Refusal::Vetoed),
    ] {
        let mut desk = Desk::new(two_zones());
        desk.input(6000, gone);
        desk.input(6500, Input::Bid(waiting(bid(page, &[0], 50))));
        assert_eq!(desk.board.kept_from(PageId(page)), Some(why));
        let records = desk.records(7000, Input::Stop(PageId(page), EndReason::WaitLimit));
        let record = &records[0];
        assert_eq!(
            (record.by, record.waited_for, record.admitted_at),
            (None, Some(why), None)
        );
        assert_eq!(record.missed, [(ZoneId(0), Some(why))]);
    }
}

#[test]
fn each_missed_zone_has_its_reason() {
    let mut desk = Desk::new(two_zones());
    let mut quiet = bid(1, &[0, 1], 50);
    quiet.barred = vec![ZoneId(0)];
    desk.input(0, Input::Bid(quiet));
    let records = desk.records(2000, Input::Stop(PageId(1), EndReason::Operator));
    assert_eq!(records[0].missed, [(ZoneId(0), Some(Refusal::QuietHours))]);
    // Held by another; and one that was its own, and not awake yet.
    desk.input(10_000, Input::Bid(bid(2, &[1], 90)));
    desk.input(11_000, Input::Bid(bid(3, &[0, 1], 50)));
    let records = desk.records(11_100, Input::Stop(PageId(3), EndReason::Operator));
    assert_eq!(
        records[0].missed,
        [(ZoneId(0), None), (ZoneId(1), Some(Refusal::Busy(PageId(2))))]
    );
}
