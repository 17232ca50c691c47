//! The record of a page: who spoke, where, how long, why it ended, and how well it came in.

use std::net::SocketAddr;
use std::time::{Duration, SystemTime};

use super::entry::{Entry, Severity};
use super::message::{from, kind};
use super::time::rfc3339_millis;
use crate::media::{PlayoutFigures, ReceiverFigures};
use crate::page::{EndReason, PageId, PageRecord};
use crate::sound::level::Dbfs;

mod barrier;
mod past;

pub use barrier::{Barrier, Missed};

/// Most zones that the text names; the fields name more.
const MAX_NAMED: usize = 6;

/// One page with all that the journal tells of it.
#[derive(Debug, Clone, PartialEq)]
pub struct PageReport {
    pub record: PageRecord,
    /// Name of the extension or group.
    pub source: String,
    /// Who speaks, as the far end says: a name and number, or an address. Not to be trusted.
    pub caller: String,
    /// Where the signalling, or the stream, came from.
    pub peer: Option<SocketAddr>,
    /// Names of the zones where it was heard.
    pub zones: Vec<String>,
    /// Names of the zones that it was for and where it was not heard.
    pub missed: Vec<Missed>,
    /// What it waited for before it had a zone, or what kept it from one when it last waited.
    pub waited_for: Option<Barrier>,
    /// The page whose bid went before, and its source if it is known.
    pub by: Option<(PageId, String)>,
    /// Wall-clock time of the bid.
    pub began: SystemTime,
    pub codec: Option<&'static str>,
    pub reception: ReceiverFigures,
    /// The crypto suite under which all of it came, or "none".
    pub protection: String,
    /// Packets that were not authentic, and those that had come before (SRTP).
    pub not_authentic: u64,
    pub replayed: u64,
    pub playout: PlayoutFigures,
    /// Loudest short-term level of its speech before the zone's gain.
    pub level: Option<Dbfs>,
    /// Dial-pad keys pressed: how many, never which, since they may be a code.
    pub keys: u32,
}

/// The ending in the words of the journal's text.
pub fn reason_text(reason: EndReason) -> &'static str {
    match reason {
        EndReason::HungUp => "caller hung up",
        EndReason::Cancelled => "cancelled by the caller",
        EndReason::StreamEnded => "stream ended",
        EndReason::Finished => "finished",
        EndReason::NoPackets => "no packets came",
        EndReason::Quiet => "quiet limit",
        EndReason::BusyTone => "busy tone on the line",
        EndReason::PageLimit => "length limit",
        EndReason::NoRoom => "no room to record more",
        EndReason::WaitLimit => "waiting limit",
        EndReason::QuietHours => "quiet hours",
        EndReason::CoolDown => "too soon after the last page",
        EndReason::TooMany => "too many pages in an hour",
        EndReason::Preempted => "higher priority",
        EndReason::Busy => "busy",
        EndReason::Operator => "operator",
        EndReason::DeviceFault => "sound card fault",
        EndReason::Vetoed => "amplifier taken over by another system",
        EndReason::CallLost => "call lost",
        EndReason::Shutdown => "shutdown",
    }
}

/// The ending in the field `END_REASON`: lower case, words joined by hyphens.
pub fn reason_code(reason: EndReason) -> &'static str {
    match reason {
        EndReason::HungUp => "hung-up",
        EndReason::Cancelled => "cancelled",
        EndReason::StreamEnded => "stream-ended",
        EndReason::Finished => "finished",
        EndReason::NoPackets => "no-packets",
        EndReason::Quiet => "quiet",
        EndReason::BusyTone => "busy-tone",
        EndReason::PageLimit => "page-limit",
        EndReason::NoRoom => "no-room",
        EndReason::WaitLimit => "wait-limit",
        EndReason::QuietHours => "quiet-hours",
        EndReason::CoolDown => "cool-down",
        EndReason::TooMany => "too-many",
        EndReason::Preempted => "preempted",
        EndReason::Busy => "busy",
        EndReason::Operator => "operator",
        EndReason::DeviceFault => "device-fault",
        EndReason::Vetoed => "vetoed",
        EndReason::CallLost => "call-lost",
        EndReason::Shutdown => "shutdown",
    }
}

/// An ordinary end is information; an end by a rule is worth a look; an end by a fault is a warning or an error.
fn severity(reason: EndReason) -> Severity {
    match reason {
        EndReason::HungUp
        | EndReason::Cancelled
        | EndReason::StreamEnded
        | EndReason::Finished
        | EndReason::Operator => Severity::Info,
        EndReason::Quiet
        | EndReason::BusyTone
        | EndReason::PageLimit
        | EndReason::NoRoom
        | EndReason::WaitLimit
        | EndReason::QuietHours
        | EndReason::CoolDown
        | EndReason::TooMany
        | EndReason::Preempted
        | EndReason::Vetoed
        | EndReason::Busy
        | EndReason::Shutdown => Severity::Notice,
        EndReason::NoPackets | EndReason::CallLost => Severity::Warning,
        EndReason::DeviceFault => Severity::Error,
    }
}

impl PageReport {
    /// From the bid to the opening of speech, or to the end if it was not heard.
    pub fn wait(&self) -> Duration {
        self.record
            .heard_at
            .unwrap_or(self.record.ended_at)
            .saturating_duration_since(self.record.bid_at)
    }

    /// From the bid until it first held a zone, or to the end if it never did.
    pub fn zone_wait(&self) -> Duration {
        self.record
            .admitted_at
            .unwrap_or(self.record.ended_at)
            .saturating_duration_since(self.record.bid_at)
    }

    /// Nobody listened to what it might have sent: it never had a zone, and was not recorded.
    fn was_never_let_in(&self) -> bool {
        self.record.admitted_at.is_none() && !self.record.kept
    }

    /// The tables of quiet hours that barred it from a zone.
    fn quiet_hours(&self) -> Vec<&str> {
        let mut names = Vec::new();
        for missed in &self.missed {
            if let Some(Barrier::QuietHours(Some(name))) = &missed.why
                && !names.contains(&name.as_str())
            {
                names.push(name.as_str());
            }
        }
        names
    }

    /// Lost packets in percent of those expected (RFC 3550 A.3).
    pub fn loss_percent(&self) -> f64 {
        let expected = self.reception.packets.saturating_add(self.reception.lost);
        if expected == 0 {
            0.0
        } else {
            100.0 * self.reception.lost as f64 / expected as f64
        }
    }

    /// The one line that an installer reads.
    pub fn text(&self) -> String {
        let page = self.record.page.0;
        let source = from(&self.source, &self.caller);
        let reason = match &self.by {
            Some((page, by)) => format!("{} (page {} from {by})", reason_text(self.record.reason), page.0),
            None => reason_text(self.record.reason).to_owned(),
        };
        let reason = match (self.record.reason, self.quiet_hours().as_slice()) {
            (EndReason::QuietHours, [_, ..]) => format!("{reason} ({})", self.quiet_hours().join(", ")),
            _ => reason,
        };
        let ReceiverFigures { packets, jitter_ms, .. } = self.reception;
        let not_authentic = match self.not_authentic {
            0 => String::new(),
            1 => "1 packet was not authentic (SRTP)".to_owned(),
            many => format!("{many} packets were not authentic (SRTP)"),
        };
        let quality = match packets {
            0 if self.not_authentic > 0 => format!("; no audio: {not_authentic}"),
            // What we play ourselves comes from nowhere.
            0 if self.peer.is_none() || self.was_never_let_in() => String::new(),
            0 => "; no packets: no audio came in".to_owned(),
            _ => {
                let besides = if not_authentic.is_empty() { "" } else { "; " };
                let loss = self.loss_percent();
                format!("; {packets} packets, {loss:.1} % lost, jitter {jitter_ms:.1} ms{besides}{not_authentic}")
            }
        };
        if self.record.heard_at.is_none() {
            return format!("page {page} from {source} was not heard: {reason}{quality}");
        }
        let zones = match self.zones.as_slice() {
            [zone] => format!("zone {zone}"),
            zones if zones.len() <= MAX_NAMED => format!("zones {}", zones.join(", ")),
            zones => format!(
                "zones {} and {} more",
                zones[..MAX_NAMED].join(", "),
                zones.len() - MAX_NAMED
            ),
        };
        let recorded = if self.record.kept { ", recorded" } else { "" };
        let length = length(&self.record);
        format!("page {page} from {source} to {zones}{recorded}: {length}, ended: {reason}{quality}")
    }

    /// The record as it is written; its fields are named in `systemd/hornwire.catalog`.
    pub fn entry(&self) -> Entry {
        let kind = match self.record.heard_at {
            Some(_) => kind::PAGE_ENDED,
            None => kind::PAGE_NOT_HEARD,
        };
        let severity = severity(self.record.reason).min(kind.severity);
        let (reception, playout) = (&self.reception, &self.playout);
        let entry = Entry::new(kind, self.text())
            .severe(severity)
            .with("PAGE_ID", self.record.page.0)
            .with("SOURCE", &self.source)
            .with("CALLER", &self.caller)
            .with_some("PEER", self.peer)
            .with("PAGE_PRIORITY", self.record.priority.0)
            .with("END_REASON", reason_code(self.record.reason))
            .with_some("BY_PAGE", self.by.as_ref().map(|(page, _)| page.0))
            .with_some("BY_SOURCE", self.by.as_ref().map(|(_, source)| source))
            .with("RECORDED", u8::from(self.record.kept))
            .with("BEGAN", rfc3339_millis(self.began))
            .with("WAIT_MS", self.wait().as_millis())
            .with("ZONE_WAIT_MS", self.zone_wait().as_millis())
            .with_some("ZONE_WAIT_CAUSE", self.waited_for.as_ref().map(Barrier::code))
            .with_some("ZONE_WAIT_PAGE", self.waited_for.as_ref().and_then(Barrier::page))
            .with("DURATION_MS", self.record.heard_for.as_millis())
            .with_some("CODEC", self.codec)
            .with("KEYS", self.keys)
            .with_some("LEVEL_DBFS", self.level.map(|level| format!("{:.1}", level.0)));
        if self.peer.is_none() && reception.packets == 0 {
            return self.with_zones(entry);
        }
        let entry = entry
            .with("MEDIA_SECURITY", &self.protection)
            .with("PACKETS", reception.packets)
            .with("LOST", reception.lost)
            .with("LOST_PERCENT", format_args!("{:.2}", self.loss_percent()))
            .with("JITTER_MS", format_args!("{:.2}", reception.jitter_ms))
            .with("DUPLICATES", reception.duplicates)
            .with("MALFORMED", reception.malformed)
            .with("FOREIGN", reception.foreign)
            .with("NOT_AUTHENTIC", self.not_authentic)
            .with("REPLAYED", self.replayed)
            .with("LATE", playout.late)
            .with("OVERFLOWED", playout.overflowed)
            .with("CONCEALED_MS", playout.concealed_ms)
            .with("SHORTENED_MS", playout.shortened_ms)
            .with("STRETCHED_MS", playout.stretched_ms);
        self.with_zones(entry)
    }

    /// Last, because there may be many.
    fn with_zones(&self, entry: Entry) -> Entry {
        let entry = self.zones.iter().fold(entry, |entry, zone| entry.with("ZONE", zone));
        let entry = self
            .missed
            .iter()
            .fold(entry, |entry, missed| entry.with("MISSED_ZONE", &missed.zone));
        let whys = self
            .missed
            .iter()
            .filter_map(|missed| Some((missed, missed.why.as_ref()?)));
        let entry = whys.fold(entry, |entry, (missed, why)| {
            entry.with("MISSED_CAUSE", format_args!("{}: {}", missed.zone, why.cause()))
        });
        let names = self.quiet_hours();
        names.iter().fold(entry, |entry, name| entry.with("QUIET_HOURS", name))
    }
}

/// For how long it was heard, and within which time if it waited in between.
pub fn length(record: &PageRecord) -> String {
    let heard = record.heard_for;
    let span = record.heard_at.map(|at| record.ended_at.saturating_duration_since(at));
    match span.filter(|span| *span > heard + Duration::from_secs(1)) {
        Some(span) => format!("{:.1} s within {:.1} s", heard.as_secs_f64(), span.as_secs_f64()),
        None => format!("{:.1} s", heard.as_secs_f64()),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::disallowed_methods)]

    use super::*;
    use crate::page::{PageId, Priority, SourceId, ZoneId};
    use std::time::{Instant, UNIX_EPOCH};

    fn report() -> PageReport {
        let start = Instant::now();
        let at = |ms| start + Duration::from_millis(ms);
        PageReport {
            record: PageRecord {
                page: PageId(12),
                source: SourceId(0),
                zones: vec![ZoneId(0)],
                wanted: vec![ZoneId(0)],
                priority: Priority(50),
                bid_at: at(0),
                admitted_at: Some(at(0)),
                waited_for: None,
                missed: Vec::new(),
                heard_at: Some(at(1300)),
                heard_for: Duration::from_millis(14_200),
                kept: false,
                ended_at: at(15_500),
                reason: EndReason::HungUp,
                by: None,
            },
            source: "yard".into(),
            caller: "Gate office <201>".into(),
            peer: Some("192.0.2.7:5060".parse().unwrap()),
            zones: vec!["yard".into()],
            missed: Vec::new(),
            waited_for: None,
            by: None,
            began: UNIX_EPOCH + Duration::from_secs(1_795_617_362),
            codec: Some("PCMU"),
            reception: ReceiverFigures {
                packets: 698,
                lost: 2,
                jitter_ms: 2.1,
                ..ReceiverFigures::default()
            },
            protection: "none".into(),
            not_authentic: 0,
            replayed: 0,
            playout: PlayoutFigures::default(),
            level: Some(Dbfs(-18.24)),
            keys: 2,
        }
    }

    #[test]
    fn one_line_for_the_installer() {
        assert_eq!(
            report().text(),
            "page 12 from yard (Gate office <201>) to zone yard: 14.2 s, ended: caller hung up; \
             698 packets, 0.3 % lost, jitter 2.1 ms"
        );
        let mut two = report();
        two.zones.push("office".into());
        two.caller.clear();
        two.record.reason = EndReason::PageLimit;
        two.reception = ReceiverFigures::default();
        assert_eq!(
            two.text(),
            "page 12 from yard to zones yard, office: 14.2 s, ended: length limit; no packets: no audio came in"
        );
    }

    /// A wrong key is no firewall.
    #[test]
    fn packets_under_another_key_are_told() {
        let mut page = report();
        page.not_authentic = 1;
        assert!(
            page.text()
                .ends_with("jitter 2.1 ms; 1 packet was not authentic (SRTP)")
        );
        page.not_authentic = 151;
        page.reception = ReceiverFigures::default();
        let text = page.text();
        assert!(
            text.ends_with("; no audio: 151 packets were not authentic (SRTP)"),
            "{text}"
        );
        let past = page.past(None, None).json();
        assert_eq!(
            (&past["not_authentic"], &past["media_security"]),
            (&151.into(), &"none".into())
        );
    }

    #[test]
    fn many_zones_keep_the_line_readable() {
        let mut all = report();
        all.zones = (1..=80).map(|n| format!("hall-{n}")).collect();
        let expected = "to zones hall-1, hall-2, hall-3, hall-4, hall-5, hall-6 and 74 more: 14.2 s";
        assert!(all.text().contains(expected), "{}", all.text());
        assert!(all.entry().field("STRETCHED_MS").is_some());
    }

    #[test]
    fn a_refused_page_says_so() {
        let mut refused = report();
        (refused.record.heard_at, refused.record.admitted_at) = (None, None);
        refused.record.heard_for = Duration::ZERO;
        refused.record.reason = EndReason::Busy;
        refused.zones.clear();
        refused.reception = ReceiverFigures::default();
        let entry = refused.entry();
        assert_eq!(
            entry.text(),
            "page 12 from yard (Gate office <201>) was not heard: busy"
        );
        assert_eq!(entry.kind(), kind::PAGE_NOT_HEARD);
        assert_eq!(entry.field("ZONE"), None);
        assert_eq!(entry.field("DURATION_MS"), Some("0"));
        assert_eq!(entry.field("WAIT_MS"), Some("15500"));
        // The config had it answered, and nothing came: a firewall.
        refused.record.admitted_at = Some(refused.record.bid_at);
        refused.record.reason = EndReason::HungUp;
        let text = refused.text();
        assert!(
            text.ends_with("was not heard: caller hung up; no packets: no audio came in"),
            "{text}"
        );
    }

    /// Each zone where it was not heard has its reason; a table of quiet hours has its name.
    #[test]
    fn zones_that_were_missed_say_why() {
        let mut page = report();
        let missed = |zone: &str, why| Missed { zone: zone.into(), why };
        page.missed = vec![
            missed("office", Some(Barrier::QuietHours(Some("night".into())))),
            missed("kiln", Some(Barrier::Page(PageId(5), Some("dispatch".into())))),
            missed("shed", Some(Barrier::Card)),
            missed("dock", Some(Barrier::Veto)),
            missed("gate", None),
        ];
        let entry = page.entry();
        let all = |name| {
            entry
                .fields()
                .filter(|(n, _)| *n == name)
                .map(|(_, v)| v)
                .collect::<Vec<_>>()
        };
        assert_eq!(all("MISSED_ZONE"), ["office", "kiln", "shed", "dock", "gate"]);
        assert_eq!(
            all("MISSED_CAUSE"),
            [
                "office: quiet-hours night",
                "kiln: busy 5",
                "shed: device-fault",
                "dock: vetoed"
            ]
        );
        assert_eq!(all("QUIET_HOURS"), ["night"]);
        page.record.reason = EndReason::QuietHours;
        (page.record.heard_at, page.record.admitted_at) = (None, None);
        page.reception = ReceiverFigures::default();
        assert!(
            page.text().ends_with("was not heard: quiet hours (night)"),
            "{}",
            page.text()
        );
    }

    #[test]
    fn the_fields_of_a_record() {
        let mut page = report();
        page.zones.push("office".into());
        let entry = page.entry();
        let fields: Vec<(&str, &str)> = entry.fields().collect();
        assert_eq!(
            fields,
            [
                ("PAGE_ID", "12"),
                ("SOURCE", "yard"),
                ("CALLER", "Gate office <201>"),
                ("PEER", "192.0.2.7:5060"),
                ("PAGE_PRIORITY", "50"),
                ("END_REASON", "hung-up"),
                ("RECORDED", "0"),
                ("BEGAN", "2026-11-25T14:36:02.000Z"),
                ("WAIT_MS", "1300"),
                ("ZONE_WAIT_MS", "0"),
                ("DURATION_MS", "14200"),
                ("CODEC", "PCMU"),
                ("KEYS", "2"),
                ("LEVEL_DBFS", "-18.2"),
                ("MEDIA_SECURITY", "none"),
                ("PACKETS", "698"),
                ("LOST", "2"),
                ("LOST_PERCENT", "0.29"),
                ("JITTER_MS", "2.10"),
                ("DUPLICATES", "0"),
                ("MALFORMED", "0"),
                ("FOREIGN", "0"),
                ("NOT_AUTHENTIC", "0"),
                ("REPLAYED", "0"),
                ("LATE", "0"),
                ("OVERFLOWED", "0"),
                ("CONCEALED_MS", "0"),
                ("SHORTENED_MS", "0"),
                ("STRETCHED_MS", "0"),
                ("ZONE", "yard"),
                ("ZONE", "office"),
            ]
        );
        assert_eq!((entry.kind(), entry.severity()), (kind::PAGE_ENDED, Severity::Info));
    }

    /// A bell comes from nowhere: nothing is said of its packets. One that waited in between says for how long it was heard.
    #[test]
    fn a_sound_of_ours_has_no_reception() {
        let mut bell = report();
        (bell.peer, bell.codec, bell.caller) = (None, None, String::new());
        bell.reception = ReceiverFigures::default();
        bell.record.reason = EndReason::Finished;
        bell.record.heard_for = Duration::from_millis(5200);
        let entry = bell.entry();
        assert_eq!(
            entry.text(),
            "page 12 from yard to zone yard: 5.2 s within 14.2 s, ended: finished"
        );
        assert_eq!(
            (entry.field("PACKETS"), entry.field("DURATION_MS")),
            (None, Some("5200"))
        );
    }

    #[test]
    fn faults_are_more_severe_than_ordinary_ends() {
        let severity = |reason| {
            let mut page = report();
            page.record.reason = reason;
            page.entry().severity()
        };
        assert_eq!(severity(EndReason::StreamEnded), Severity::Info);
        assert_eq!(severity(EndReason::Quiet), Severity::Notice);
        assert_eq!(severity(EndReason::NoPackets), Severity::Warning);
        assert_eq!(severity(EndReason::DeviceFault), Severity::Error);
    }

    #[test]
    fn a_forged_caller_adds_no_line_and_no_field() {
        let mut page = report();
        page.caller = "x\nEND_REASON=operator\n\u{1b}]0;y\u{7}".into();
        let entry = page.entry();
        assert_eq!(entry.text().lines().count(), 1);
        assert_eq!(
            entry.field("CALLER"),
            Some("x END_REASON=operator \u{fffd}]0;y\u{fffd}")
        );
        assert_eq!(entry.fields().filter(|(name, _)| *name == "END_REASON").count(), 1);
    }
}
