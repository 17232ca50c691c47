//! Figures for a monitoring system, in the OpenMetrics text format (OpenMetrics 1.0, of the Prometheus project).
//!
//! Counters grow by what is told and recorded; gauges are set anew for each look. Labels are names of the config, and
//! words of ours: nothing from the network makes a series.

use std::sync::atomic::AtomicU64;
use std::time::SystemTime;

use prometheus_client::encoding::text::encode;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::metrics::histogram::Histogram;
use prometheus_client::metrics::info::Info;
use prometheus_client::registry::{Metric, Registry, Unit};

use super::entry::Severity;
use super::message::{GateMessage, LineMessage, Message};
use super::record::{PageReport, reason_code};
use crate::page::{EndReason, Phase};

/// What [`Metrics::text`] gives.
pub const CONTENT_TYPE: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// Until speech opened, seconds; the first word of a caller who waits longer than two seconds for it is often lost on people.
const WAITS: [f64; 8] = [0.25, 0.5, 1.0, 2.0, 5.0, 15.0, 60.0, 300.0];
/// Interarrival jitter, seconds.
const JITTERS: [f64; 7] = [0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1];

type Labels = Vec<(&'static str, String)>;
type Count = Family<Labels, Counter>;
type Seconds = Family<Labels, Counter<f64, AtomicU64>>;
type Level = Family<Labels, Gauge<f64, AtomicU64>>;
type Number = Family<Labels, Gauge>;
type Spread = Family<Labels, Histogram, fn() -> Histogram>;

/// The figures.
#[derive(Debug)]
pub struct Metrics {
    registry: Registry,
    pages: Count,
    heard: Seconds,
    wait: Spread,
    jitter: Spread,
    level: Level,
    packets: Count,
    lost: Count,
    late: Count,
    concealed: Seconds,
    refused: Count,
    registration_failures: Count,
    xruns: Count,
    input_xruns: Count,
    relay_operations: Count,
    relay_faults: Count,
    overload: Count,
    messages: Count,
    zone_phase: Number,
    zone_open: Number,
    pages_now: Number,
    registered: Number,
    registrars: Number,
    card_up: Number,
    input_up: Number,
    group_joined: Number,
    relay_operated: Number,
    missing: Gauge,
    journal_lost: Counter,
}

/// The names of a plan.
#[derive(Debug, Default)]
pub struct Names<'a> {
    pub sources: Vec<&'a str>,
    pub extensions: Vec<&'a str>,
    pub relays: Vec<&'a str>,
    pub cards: Vec<&'a str>,
    pub inputs: Vec<&'a str>,
}

/// How things are, for the gauges.
#[derive(Debug, Default)]
pub struct State<'a> {
    /// Name, phase, and whether it can be heard: its card is there, and no other system has it.
    pub zones: Vec<(&'a str, Phase, bool)>,
    /// Heard; waiting or being recorded.
    pub pages: (usize, usize),
    /// Extensions with how many registrars they are registered at, and how many they have.
    pub extensions: Vec<(&'a str, usize, usize)>,
    pub cards: Vec<(&'a str, bool)>,
    pub inputs: Vec<(&'a str, bool)>,
    pub groups: Vec<(&'a str, bool)>,
    pub relays: Vec<(&'a str, bool)>,
    /// How many things of the config are missing.
    pub missing: usize,
    /// Entries that the journal did not take.
    pub journal_lost: u64,
}

fn counted<M: Metric + Clone + Default>(registry: &mut Registry, name: &str, help: &str) -> M {
    let metric = M::default();
    registry.register(name, help, metric.clone());
    metric
}

fn in_unit<M: Metric + Clone>(registry: &mut Registry, name: &str, help: &str, unit: Unit, metric: M) -> M {
    registry.register_with_unit(name, help, unit, metric.clone());
    metric
}

fn waits() -> Histogram {
    Histogram::new(WAITS)
}

fn jitters() -> Histogram {
    Histogram::new(JITTERS)
}

impl Metrics {
    /// `started`: when the program was.
    pub fn new(started: SystemTime) -> Self {
        let mut registry = Registry::with_prefix("hornwire");
        let r = &mut registry;
        let version = vec![("version", env!("CARGO_PKG_VERSION"))];
        r.register("build", "What is running", Info::new(version));
        let start: Gauge = in_unit(
            r,
            "start_time",
            "When the program was started, in Unix time",
            Unit::Seconds,
            Gauge::default(),
        );
        let since = started.duration_since(SystemTime::UNIX_EPOCH).unwrap_or_default();
        start.set(i64::try_from(since.as_secs()).unwrap_or(i64::MAX));
        Metrics {
            pages: counted(
                r,
                "pages",
                "Pages that are over, by source and by END_REASON of their record; those refused too",
            ),
            heard: in_unit(
                r,
                "page_heard",
                "How long pages were heard",
                Unit::Seconds,
                Seconds::default(),
            ),
            wait: in_unit(
                r,
                "page_wait",
                "From the bid to the opening of speech, of pages that were heard",
                Unit::Seconds,
                Spread::new_with_constructor(waits),
            ),
            jitter: in_unit(
                r,
                "page_jitter",
                "Interarrival jitter at the end of each page (RFC 3550 6.4.1)",
                Unit::Seconds,
                Spread::new_with_constructor(jitters),
            ),
            level: counted(
                r,
                "last_page_level_dbfs",
                "Loudest short-term level of the source's last page as it came in, in dBFS RMS",
            ),
            packets: counted(r, "rtp_packets", "RTP packets of pages that are over"),
            lost: counted(
                r,
                "rtp_packets_lost",
                "Of those expected, lost on the way (RFC 3550 A.3)",
            ),
            late: counted(r, "rtp_packets_late", "Of those received, too late to be played"),
            concealed: in_unit(
                r,
                "concealed",
                "Audio made up in place of what did not come",
                Unit::Seconds,
                Seconds::default(),
            ),
            refused: counted(
                r,
                "calls_refused",
                "Calls that did not become a page, by extension and SIP status",
            ),
            registration_failures: counted(
                r,
                "registration_failures",
                "Rounds of registration that failed, as the journal tells them",
            ),
            xruns: counted(r, "card_xruns", "How often the sound card ran dry"),
            input_xruns: counted(r, "input_xruns", "How often the audio input ran over"),
            relay_operations: counted(r, "relay_operations", "How often the relay was operated: relays wear"),
            relay_faults: counted(r, "relay_faults", "How often the relay did not obey"),
            overload: counted(
                r,
                "overload_dropped",
                "What was dropped because there was too much of it",
            ),
            messages: counted(r, "messages", "Journal messages, by severity"),
            zone_phase: counted(r, "zone_phase", "1 for the phase in which the zone is"),
            zone_open: counted(
                r,
                "zone_available",
                "1 while the zone can be heard: its card is there, no other system has taken it",
            ),
            pages_now: counted(
                r,
                "pages_now",
                "Pages that are heard, and those that wait or are recorded",
            ),
            registered: counted(
                r,
                "registered",
                "At how many of its registrars the extension is registered",
            ),
            registrars: counted(r, "registrars", "How many registrars the extension has"),
            card_up: counted(r, "card_up", "1 while the sound card works"),
            input_up: counted(r, "input_up", "1 while the audio input works"),
            group_joined: counted(r, "group_joined", "1 while the multicast group is listened to"),
            relay_operated: counted(r, "relay_operated", "1 while the relay is operated"),
            missing: counted(
                r,
                "missing",
                "How many things of the config are missing; hornwire status names them",
            ),
            journal_lost: counted(
                r,
                "journal_lost",
                "Messages that the journal did not take, since the start",
            ),
            registry,
        }
    }

    /// Makes the series of these, at 0, so that the first of a kind is a change.
    pub fn expect(&self, names: &Names) {
        for source in &names.sources {
            for reason in EndReason::ALL {
                drop(self.pages.get_or_create(&ending(source, reason)));
            }
            let of = labels("source", source);
            for seconds in [&self.heard, &self.concealed] {
                drop(seconds.get_or_create(&of));
            }
            for spread in [&self.wait, &self.jitter] {
                drop(spread.get_or_create(&of));
            }
            for count in [&self.packets, &self.lost, &self.late] {
                drop(count.get_or_create(&of));
            }
        }
        for (label, names, counts) in [
            ("extension", &names.extensions, vec![&self.registration_failures]),
            ("relay", &names.relays, vec![&self.relay_operations, &self.relay_faults]),
            ("card", &names.cards, vec![&self.xruns]),
            ("input", &names.inputs, vec![&self.input_xruns]),
        ] {
            for name in names {
                for count in &counts {
                    drop(count.get_or_create(&labels(label, name)));
                }
            }
        }
        for severity in Severity::ALL {
            drop(self.messages.get_or_create(&labels("severity", severity.name())));
        }
    }

    /// A page is over, whether its record is written or not.
    pub fn ended(&self, source: &str, reason: EndReason) {
        self.pages.get_or_create(&ending(source, reason)).inc();
    }

    /// The figures of a page's record.
    pub fn record(&self, report: &PageReport) {
        let of = labels("source", &report.source);
        if report.record.heard_at.is_some() {
            self.heard
                .get_or_create(&of)
                .inc_by(report.record.heard_for.as_secs_f64());
            self.wait.get_or_create(&of).observe(report.wait().as_secs_f64());
        }
        let (reception, playout) = (&report.reception, &report.playout);
        if reception.packets > 0 {
            self.packets.get_or_create(&of).inc_by(reception.packets);
            self.lost.get_or_create(&of).inc_by(reception.lost);
            self.late.get_or_create(&of).inc_by(playout.late);
            self.concealed
                .get_or_create(&of)
                .inc_by(playout.concealed_ms as f64 / 1000.0);
            self.jitter.get_or_create(&of).observe(reception.jitter_ms / 1000.0);
        }
        if let Some(level) = report.level {
            self.level.get_or_create(&of).set(f64::from(level.0));
        }
    }

    /// Something is told.
    pub fn count(&self, message: &Message) {
        match message {
            Message::CallNotTaken { extension, status, .. }
            | Message::Gate(GateMessage::Refused { extension, status, .. }) => {
                self.refused
                    .get_or_create(&vec![("extension", extension.clone()), ("status", status.to_string())])
                    .inc();
            }
            Message::RegistrationFailed { extension, .. } => {
                self.registration_failures
                    .get_or_create(&labels("extension", extension))
                    .inc();
            }
            Message::Xruns { card, count } => {
                self.xruns.get_or_create(&labels("card", card)).inc_by(*count);
            }
            Message::Line(LineMessage::Xruns { device, count }) => {
                self.input_xruns.get_or_create(&labels("input", device)).inc_by(*count);
            }
            Message::Overload { what, dropped } => {
                self.overload.get_or_create(&labels("what", what)).inc_by(*dropped);
            }
            _ => {}
        }
    }

    /// A relay was to move; whether it did.
    pub fn relay(&self, name: &str, operated: bool, obeys: bool) {
        let of = labels("relay", name);
        if !obeys {
            self.relay_faults.get_or_create(&of).inc();
        } else if operated {
            self.relay_operations.get_or_create(&of).inc();
        }
    }

    /// An entry is written.
    pub fn written(&self, severity: Severity) {
        self.messages.get_or_create(&labels("severity", severity.name())).inc();
    }

    /// The page to be fetched.
    pub fn text(&self, state: &State) -> String {
        self.set(state);
        let mut text = String::new();
        // A String takes everything.
        let _ = encode(&mut text, &self.registry);
        text
    }

    fn set(&self, state: &State) {
        let number = |n: usize| i64::try_from(n).unwrap_or(i64::MAX);
        let gauges = [
            &self.zone_phase,
            &self.zone_open,
            &self.registered,
            &self.registrars,
            &self.card_up,
            &self.input_up,
            &self.group_joined,
            &self.relay_operated,
        ];
        // Names of a former config go.
        gauges.into_iter().for_each(Family::clear);
        for (zone, phase, available) in &state.zones {
            for of in Phase::ALL {
                let labels = vec![("zone", (*zone).to_owned()), ("phase", of.name().to_owned())];
                self.zone_phase.get_or_create(&labels).set(i64::from(of == *phase));
            }
            self.zone_open
                .get_or_create(&labels("zone", zone))
                .set(i64::from(*available));
        }
        let (heard, waiting) = state.pages;
        self.pages_now
            .get_or_create(&labels("state", "heard"))
            .set(number(heard));
        self.pages_now
            .get_or_create(&labels("state", "waiting"))
            .set(number(waiting));
        for (extension, registered, registrars) in &state.extensions {
            let of = labels("extension", extension);
            self.registered.get_or_create(&of).set(number(*registered));
            self.registrars.get_or_create(&of).set(number(*registrars));
        }
        for (gauge, label, which) in [
            (&self.card_up, "card", &state.cards),
            (&self.input_up, "input", &state.inputs),
            (&self.group_joined, "group", &state.groups),
            (&self.relay_operated, "relay", &state.relays),
        ] {
            for (name, is_so) in which {
                gauge.get_or_create(&labels(label, name)).set(i64::from(*is_so));
            }
        }
        self.missing.set(number(state.missing));
        let lost = state.journal_lost.saturating_sub(self.journal_lost.get());
        self.journal_lost.inc_by(lost);
    }
}

fn labels(name: &'static str, value: &str) -> Labels {
    vec![(name, value.to_owned())]
}

fn ending(source: &str, reason: EndReason) -> Labels {
    vec![
        ("source", source.to_owned()),
        ("ending", reason_code(reason).to_owned()),
    ]
}
