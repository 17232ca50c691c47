//! A year of a site in simulated time: pages at random, faults, takeovers, both changes of summer time, a clock that jumps.
#![allow(clippy::disallowed_methods)]

use std::fmt::Write as _;
use std::path::Path;
use std::time::Instant;

use rand::{Rng as _, SeedableRng as _};
use rand_chacha::ChaCha12Rng;

use super::*;
use crate::config::plan::Plan;
use crate::config::{check_text, scenario};
use crate::page::{EndReason, Phase};

const CONFIG: &str = r#"
    [site]
    name = "Quayside Timber"
    time_zone = "Europe/London"
    [sip]
    networks = ["192.0.2.0/24"]
    [cards.main]
    output = "null"
    channels = 2
    [cards.back]
    output = "null"
    channels = 1
    [relays.yard-trigger]
    line = "simulated"
    min_on = "3 s"
    min_off = "500 ms"
    [relays.mute]
    line = "simulated"
    lead = "30 ms"
    release = "1 s"
    [relays.lamp]
    line = "simulated"
    shows = "page"
    blinks = "1 s"
    [zones.yard]
    card = "main"
    channel = 1
    trigger = ["yard-trigger"]
    mute = ["mute"]
    [zones.office]
    card = "main"
    channel = 2
    mute = ["mute"]
    [zones.shed]
    card = "back"
    channel = 1
    [zone_groups.everywhere]
    zones = ["yard", "office", "shed"]
    [extensions.plain]
    user = "801"
    zones = ["yard"]
    [extensions.waits]
    user = "802"
    zones = ["yard", "office"]
    when_busy = "wait"
    pages_per_hour = 6
    [extensions.records]
    user = "803"
    zones = ["everywhere"]
    when_busy = "record"
    begin = "together"
    hours = ["Mon-Sat 06:00-20:00"]
    [extensions.below]
    user = "804"
    zones = ["office", "shed"]
    when_busy = "under"
    priority = 60
    [groups.weighbridge]
    address = "239.255.10.1:5004"
    codec = "pcmu"
    zones = ["yard", "shed"]
    priority = 90
    [contacts.bell]
    line = "file:/run/bell"
    zones = ["yard"]
    priority = 30
    [vetoes.panel]
    line = "file:/run/panel"
    zones = ["yard", "shed"]
    [schedules.night]
    at = ["daily 01:30"]
    zones = ["shed"]
    [schedules.shift]
    at = ["Mon-Fri 06:00", "Mon-Fri 14:00"]
    except = ["12-24 to 01-01"]
    zones = ["everywhere"]
    times = 2
    [quiet_hours.evening]
    hours = ["daily 20:00-06:00"]
    zones = ["yard"]
    up_to = 59
"#;

fn plan() -> Plan {
    let loaded = check_text(CONFIG, Path::new("year.toml"), None);
    assert!(loaded.problems.is_empty(), "{:#?}", loaded.problems);
    loaded.plan.unwrap()
}

/// A scenario of a year, as a file would have it: what fails here can be rehearsed by hand.
fn year(seed: u64, events: u32, jumps: bool) -> String {
    let mut rng = ChaCha12Rng::seed_from_u64(seed);
    let mut text = String::from("begins = \"2027-01-01 00:00\"\n");
    let mean = 365.0 * 86_400.0 / f64::from(events);
    for _ in 0..events {
        // Most come alone, some on each other's heels.
        let wait = if rng.random_bool(0.4) {
            rng.random_range(0.0..20.0)
        } else {
            rng.random_range(0.0..mean * 3.2)
        };
        let _ = writeln!(text, "[[events]]\nat = \"+{wait:.2} s\"");
        let lasts = rng.random_range(0.2..90.0);
        let _ = match rng.random_range(0..12) {
            0..=2 => writeln!(text, "call = \"plain\"\ncaller = \"{}\"", rng.random_range(1..9)),
            3..=4 => writeln!(text, "call = \"waits\"\ncaller = \"{}\"", rng.random_range(1..9)),
            5 => writeln!(text, "call = \"records\"\nsilent_after = \"5 s\""),
            6 => writeln!(text, "call = \"below\"\ncut_off_after = \"20 s\""),
            7..=8 => writeln!(text, "stream = \"weighbridge\""),
            9 => writeln!(text, "close = \"bell\""),
            10 if jumps && rng.random_bool(0.2) => {
                writeln!(text, "set_clock = \"{:02}:30\"", rng.random_range(0..24))
            }
            10 => writeln!(text, "take_over = \"panel\""),
            _ => writeln!(
                text,
                "lose = \"{}\"",
                if rng.random_bool(0.5) { "main" } else { "back" }
            ),
        };
        let _ = writeln!(text, "for = \"{lasts:.1} s\"");
    }
    text
}

fn rehearsed(plan: &Plan, text: &str) -> Story {
    let (scenario, problems) = scenario::read(text, Path::new("year.scenario"));
    assert!(problems.is_empty(), "{:#?}", problems.first());
    rehearse(plan, &scenario.unwrap(), plan.wall_zone(), Instant::now())
}

/// Every bid has its record, every zone and relay rests, no page outlasted its limit.
fn accounted_for(plan: &Plan, story: &Story) {
    let last = story.views.last().unwrap();
    assert!(
        last.zones
            .iter()
            .all(|(phase, page)| *phase == Phase::Rest && page.is_none()),
        "{last:?}"
    );
    assert!(last.pages.is_empty());
    for (relay, moves) in plan.relays.iter().zip(&story.moves) {
        assert!(moves.last().is_none_or(|(_, operated)| !operated), "{}", relay.name);
        assert!(
            moves
                .windows(2)
                .all(|pair| pair[0].1 != pair[1].1 && pair[0].0 <= pair[1].0)
        );
    }
    for page in &story.pages {
        let record = page
            .record
            .as_ref()
            .unwrap_or_else(|| panic!("page {} has no record", page.page.0));
        let heard = page.heard_at.map(|at| page.ended_at - at).unwrap_or_default();
        assert!(heard.as_secs() < 900, "{page:?}");
        // Played, or reported lost.
        if record.kept && record.zones.is_empty() {
            assert!(record.reason != EndReason::HungUp, "{page:?}");
        }
    }
}

/// Summer time in London in 2027: from 28 March 01:00 to 31 October 01:00 UTC (tz database). 01:30 does not come on the one day and
/// comes twice on the other.
#[test]
fn a_year_is_accounted_for() {
    let plan = plan();
    let began = Instant::now();
    let story = rehearsed(&plan, &year(1, 6000, false));
    accounted_for(&plan, &story);
    let days = story.length.as_secs() / 86_400;
    let rings = story.pages.iter().filter(|page| page.source == "night").count() as u64;
    assert!(rings == days || rings == days + 1, "{rings} nights in {days} days");
    println!(
        "a year: {} pages, {} views, {:?}",
        story.pages.len(),
        story.views.len(),
        began.elapsed()
    );
    let heard = story.pages.iter().filter(|page| page.heard_at.is_some()).count();
    assert!(heard > 2000 && heard < story.pages.len());
}

#[test]
fn a_clock_that_jumps_leaves_nothing_on() {
    let plan = plan();
    let story = rehearsed(&plan, &year(2, 3000, true));
    accounted_for(&plan, &story);
    let rings = |from: usize| {
        story
            .pages
            .iter()
            .filter(|page| page.source == "night")
            .skip(from)
            .count()
    };
    assert!(rings(0) > 200 && rings(0) < 500, "{}", rings(0));
}

/// The same scenario, the same day: nothing depends on when or where it is rehearsed.
#[test]
fn a_rehearsal_can_be_repeated() {
    let plan = plan();
    let text = year(3, 300, true);
    assert_eq!(rehearsed(&plan, &text).to_string(), rehearsed(&plan, &text).to_string());
}
