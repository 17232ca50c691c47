//! Records of pages that are over: from the switchboard's record and the figures of reception and playout to the journal.

use std::time::Instant;

use super::What;
use super::control::Control;
use crate::media::PlayoutFigures;
use crate::page::{EndReason, PageId, Refusal};
use crate::report::record::{Barrier, Missed, PageReport};

impl Control {
    /// Writes the record of every page that is over and whose figures are in.
    pub(super) fn write_records(&mut self, now: Instant) {
        let done: Vec<PageId> = self
            .pages
            .iter()
            .filter(|(_, p)| p.is_finished(now))
            .map(|(id, _)| *id)
            .collect();
        for id in done {
            let Some(mut page) = self.pages.remove(&id) else {
                continue;
            };
            let Some(record) = page.record.take() else { continue };
            let source = page.origin.name(&self.plan).to_owned();
            self.metrics.ended(&source, record.reason);
            let refused = record.heard_at.is_none()
                && matches!(
                    record.reason,
                    EndReason::Busy | EndReason::QuietHours | EndReason::CoolDown | EndReason::TooMany
                );
            if refused && !page.peer.is_none_or(|peer| self.refusals.admits(peer.ip(), now)) {
                continue;
            }
            let zones = self.zone_names(&record.zones);
            let missed = record.missed.iter().map(|(zone, why)| Missed {
                zone: self.zone_names(&[*zone]).concat(),
                why: why.map(|why| match (why, page.quiet_in(*zone)) {
                    (Refusal::QuietHours, Some(rule)) => Barrier::QuietHours(Some(rule.to_owned())),
                    (why, _) => self.barrier(why),
                }),
            });
            let missed = missed.collect();
            let waited_for = record.waited_for.map(|why| self.barrier(why));
            let by = record.by.map(|by| {
                let source = self.pages.get(&by).map(|page| page.origin.name(&self.plan).to_owned());
                (by, source.unwrap_or_else(|| "another source".to_owned()))
            });
            if let Some(gain) = page.levelled {
                self.talkers.remember(&source, &page.caller, gain);
            }
            let playout = page.playout();
            let report = PageReport {
                source,
                caller: page.caller,
                peer: page.peer,
                zones,
                missed,
                waited_for,
                by,
                began: page.began,
                codec: page.codec,
                reception: page.reception,
                protection: page.protection.to_string(),
                not_authentic: page.opened.not_authentic,
                replayed: page.opened.replayed,
                playout: PlayoutFigures {
                    overflowed: playout.overflowed + page.unqueued,
                    ..playout
                },
                level: page.level,
                keys: page.keys,
                record,
            };
            self.metrics.record(&report);
            self.remember(&report, page.origin.speaker(), now);
            self.write(&report.entry());
            self.moment(What::Over(Box::new(report)));
        }
    }
}
