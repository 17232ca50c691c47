//! Random events against the invariants of DEVELOPERS.md. The checks watch the outputs
//! from outside, with a small model of what a site would see: relays, open zones, records.
//!
//! A crash leaves the relays at rest, since their owner drops them, and takes pages and recordings with it; inputs about those go on
//! to come, and change nothing.
#![allow(clippy::disallowed_methods)]

mod exhaustive;
mod site;

use std::collections::{HashMap, HashSet};

use proptest::prelude::*;

use super::*;
use crate::page::{Begin, Limits, Loss, MAX_TURN, MAX_WAITING, PageRecord, RelayRules, Terms, ZoneRules};
use site::Site;

const MAX_DRAIN: Duration = Duration::from_millis(3000);

/// One step of a random run. Pages are named by how many bids ago they came, so that most inputs hit a live one.
#[derive(Debug, Clone)]
enum Step {
    Bid {
        zones: Vec<u16>,
        priority: u8,
        chime: Option<u16>,
        limits: [Option<u16>; 4],
        warning: u16,
        terms: Terms,
    },
    Again(u64),
    Packet(u64),
    Speech(u64),
    SourceEnded(u64, EndReason),
    Drained(u64),
    Replayed(u64),
    Stop(u64),
    /// Quiet hours begin or end.
    Barred(u64, Vec<u16>),
    ZoneFailed(u16),
    ZoneBack(u16),
    Vetoed(u16),
    VetoLifted(u16),
    /// Somebody operates a relay for so many ms.
    Test(u16, u16),
    /// The process dies and is started again: every relay rests, pages and recordings are gone.
    Crash,
    /// The driver sleeps for this long, waking when asked to; or, `lazy`, only at the end.
    Pass {
        ms: u16,
        lazy: bool,
    },
}

fn zone_rules() -> impl Strategy<Value = ZoneRules> {
    let relays = || prop::collection::vec((0..5u16).prop_map(RelayId), 0..3);
    (relays(), relays(), 0..600u64, 0..400u64).prop_map(|(trigger, mute, lead, release)| ZoneRules {
        trigger,
        mute,
        lead: Duration::from_millis(lead),
        release: Duration::from_millis(release),
    })
}

fn rules() -> impl Strategy<Value = Rules> {
    // A zone may name relay 4, which does not exist: it must be ignored.
    let ms = Duration::from_millis;
    let own = prop::option::weighted(0.4, (0..600u64).prop_map(ms));
    let relay = (own.clone(), own, 0..700u64, 0..500u64).prop_map(move |(lead, release, on, off)| RelayRules {
        lead,
        release,
        // Half of them without.
        min_on: ms(on.saturating_sub(350) * 2),
        min_off: ms(off.saturating_sub(250) * 2),
        shows: None,
    });
    let relays = prop::collection::vec(relay, 4..=4);
    (prop::collection::vec(zone_rules(), 1..5), relays).prop_map(|(zones, relays)| Rules { zones, relays })
}

fn terms() -> impl Strategy<Value = Terms> {
    let loss = || prop::sample::select(vec![Loss::End, Loss::Wait, Loss::Keep, Loss::Under]);
    let begin = prop::sample::select(vec![Begin::Each, Begin::Each, Begin::Together]);
    (loss(), loss(), prop::bool::weighted(0.15), begin).prop_map(|(busy, cut, afterwards, begin)| Terms {
        busy,
        cut,
        afterwards,
        begin,
    })
}

fn step() -> impl Strategy<Value = Step> {
    let page = || 0..6u64;
    let limit = || prop::option::weighted(0.4, 0..2500u16);
    let reason = prop::sample::select(vec![
        EndReason::HungUp,
        EndReason::Cancelled,
        EndReason::StreamEnded,
        EndReason::CallLost,
    ]);
    let bid = (
        prop::collection::vec(0..5u16, 0..4),
        0..6u8,
        prop::option::of(0..800u16),
        [limit(), limit(), limit(), limit()],
        0..500u16,
        terms(),
    );
    prop_oneof![
        6 => bid.prop_map(|(zones, priority, chime, limits, warning, terms)| {
            Step::Bid { zones, priority, chime, limits, warning, terms }
        }),
        1 => page().prop_map(Step::Again),
        9 => page().prop_map(Step::Packet),
        2 => page().prop_map(Step::Speech),
        4 => (page(), reason).prop_map(|(page, reason)| Step::SourceEnded(page, reason)),
        4 => page().prop_map(Step::Drained),
        3 => page().prop_map(Step::Replayed),
        1 => page().prop_map(Step::Stop),
        1 => (page(), prop::collection::vec(0..5u16, 0..3)).prop_map(|(page, zones)| Step::Barred(page, zones)),
        1 => (0..5u16).prop_map(Step::ZoneFailed),
        2 => (0..5u16).prop_map(Step::ZoneBack),
        1 => (0..5u16).prop_map(Step::Vetoed),
        2 => (0..5u16).prop_map(Step::VetoLifted),
        1 => (0..5u16, 0..1500u16).prop_map(|(relay, ms)| Step::Test(relay, ms)),
        1 => Just(Step::Crash),
        9 => (0..1500u16, prop::bool::weighted(0.2)).prop_map(|(ms, lazy)| Step::Pass { ms, lazy }),
    ]
}

/// So many random runs of each property; `HORNWIRE_CASES` in the environment says another number.
fn config() -> ProptestConfig {
    let asked = std::env::var("HORNWIRE_CASES").ok().and_then(|n| n.parse().ok());
    ProptestConfig {
        cases: asked.unwrap_or(20_000),
        ..ProptestConfig::default()
    }
}

proptest! {
    #![proptest_config(config())]

    #[test]
    fn invariants_hold_at_every_step(rules in rules(), steps in prop::collection::vec(step(), 1..80)) {
        let mut site = Site::new(rules);
        for step in steps {
            site.run(step);
        }
        site.all_sources_end();
    }

    #[test]
    fn after_shutdown_relays_rest_and_bids_are_refused(
        rules in rules(),
        before in prop::collection::vec(step(), 0..40),
        after in prop::collection::vec(step(), 0..10),
    ) {
        let mut site = Site::new(rules);
        for step in before {
            site.run(step);
        }
        site.shut_down = true;
        site.input(Input::Shutdown);
        for step in after {
            site.run(step);
        }
    }

    /// Without drains and stops from outside, limits alone bring a site to rest.
    #[test]
    fn limits_end_every_page(rules in rules(), steps in prop::collection::vec(step(), 1..40)) {
        let mut site = Site::new(rules);
        for step in steps {
            if let Step::Bid { limits: [Some(_), _, _, Some(_)], .. } | Step::Packet(_) | Step::Pass { .. } = step {
                site.run(step);
            }
        }
        // One after another: each page may wait for all that came before it.
        let each = Duration::from_millis(500 + 600 + 800 + 2500 + 2500 + 2500 + 600 + 700) + MAX_DRAIN;
        site.pass(each * 45, false);
        prop_assert!(site.board.is_at_rest());
        prop_assert!(site.pages.is_empty());
    }
}
