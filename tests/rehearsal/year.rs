//! A year of a site in simulated time: pages at random, faults, takeovers, both changes of summer time, a clock that jumps.

use std::path::Path;
use std::time::{Duration, Instant};

use hornwire::config;
use hornwire::config::plan::Plan;
use hornwire::config::scenario::{self, Scenario};
use hornwire::page::{EndReason, Phase};
use hornwire::rehearsal::{Stage, Story, rehearse};
use proptest::prelude::*;
use proptest::strategy::ValueTree as _;
use proptest::test_runner::{RngAlgorithm, TestRng, TestRunner};

use crate::heap;

const CONFIG: &str = "tests/rehearsal/busy.toml";

fn plan() -> Plan {
    let loaded = config::load(&Path::new(env!("CARGO_MANIFEST_DIR")).join(CONFIG)).unwrap();
    assert!(loaded.problems.is_empty(), "{:#?}", loaded.problems);
    loaded.plan.unwrap()
}

/// One event, as a file has it. Some come on each other's heels, most alone.
fn event(longest_wait: f64, jumps: bool) -> impl Strategy<Value = String> {
    let wait = prop_oneof![2 => 0.0..20.0, 3 => 0.0..longest_wait];
    let call =
        |name: &'static str| (1..9u8).prop_map(move |caller| format!("call = \"{name}\"\ncaller = \"{caller}\""));
    let is = |text: &'static str| Just(text.to_owned());
    let lasting = prop_oneof![
        3 => call("plain"),
        2 => call("waits"),
        1 => is("call = \"records\"\nsilent_after = \"5 s\""),
        1 => is("call = \"first\""),
        1 => is("call = \"below\"\ncut_off_after = \"20 s\""),
        2 => is("stream = \"weighbridge\""),
        1 => is("close = \"bell\""),
        1 => is("take_over = \"panel\""),
        1 => prop::sample::select(vec!["main", "back"]).prop_map(|card| format!("lose = \"{card}\"")),
    ];
    let lasting = (lasting, 0.2..90.0).prop_map(|(what, lasts)| format!("{what}\nfor = \"{lasts:.1} s\""));
    let set = (0..24u8).prop_map(|hour| format!("set_clock = \"{hour:02}:30\""));
    let at_once = prop_oneof![
        6 => is("announce = \"triple\"\nzones = [\"everywhere\"]\ntimes = 3"),
        4 => prop::sample::select(vec!["plain", "records", "bell", "local command"])
            .prop_map(|source| format!("stop = \"{source}\"")),
        u32::from(jumps) * 2 => set,
    ];
    (wait, prop_oneof![12 => lasting.boxed(), 1 => at_once.boxed()])
        .prop_map(|(wait, what)| format!("[[events]]\nat = \"+{wait:.2} s\"\n{what}\n"))
}

fn file(events: &[String]) -> String {
    format!(
        "config = \"busy.toml\"\nbegins = \"2027-01-01 00:00\"\n{}",
        events.concat()
    )
}

/// A scenario of a year, always the same.
fn year(seed: u8, events: u32, jumps: bool) -> String {
    let rng = TestRng::from_seed(RngAlgorithm::ChaCha, &[seed; 32]);
    let mut runner = TestRunner::new_with_rng(ProptestConfig::default(), rng);
    let mean = 365.0 * 86_400.0 / f64::from(events);
    let list = prop::collection::vec(event(mean * 3.2, jumps), events as usize);
    file(&list.new_tree(&mut runner).unwrap().current())
}

fn scenario(text: &str) -> Scenario {
    let (scenario, problems) = scenario::read(text, Path::new("year.scenario"));
    assert!(problems.is_empty(), "{:#?}", problems.first());
    scenario.unwrap()
}

fn rehearsed(plan: &Plan, text: &str) -> Story {
    rehearse(plan, &scenario(text), plan.wall_zone(), Instant::now())
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
        // All have the limit of 2 min; what was recorded may take a little longer to play.
        assert!(record.heard_for <= Duration::from_secs(125), "{page:?}");
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
    let rings = story.pages.iter().filter(|page| page.source == "night").count();
    assert!(rings > 200 && rings < 500, "{rings}");
}

/// The same scenario, the same day: nothing depends on when or where it is rehearsed.
#[test]
fn a_rehearsal_can_be_repeated() {
    let plan = plan();
    let text = year(3, 300, true);
    assert_eq!(rehearsed(&plan, &text).to_string(), rehearsed(&plan, &text).to_string());
}

/// What the switchboard, the gates and the calendar keep does not grow: at the end of each month it is what it was after the first.
#[test]
fn a_year_does_not_fill_the_memory() {
    let plan = plan();
    let scenario = scenario(&year(4, 9600, true));
    let (mut stage, length) = Stage::new(&plan, &scenario, plan.wall_zone(), Instant::now());
    let mut held: Vec<isize> = Vec::new();
    for month in 1..=12 {
        stage.until(length * month / 12);
        let mut later = length * month / 12;
        while !stage.is_at_rest() {
            later += Duration::from_secs(10);
            stage.until(later);
        }
        let told = stage.told();
        assert!(told.pages.len() > 500, "{} pages", told.pages.len());
        drop(told);
        held.push(heap::held());
    }
    println!("held at the end of each month, octets: {held:?}");
    let most = held.iter().skip(1).max().unwrap();
    assert!(most - held[0] < 16_384, "{held:?}");
}

/// Some minutes at a site, as a file that can be rehearsed.
struct Day(Vec<String>);

impl std::fmt::Debug for Day {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "a scenario for tests/rehearsal:\n{}", file(&self.0))
    }
}

proptest! {
    // A failure prints the smallest scenario that shows it; the list that its seed would be kept in is not wanted.
    #![proptest_config(ProptestConfig { cases: cases(), failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn days_at_random(day in prop::collection::vec(event(60.0, true), 1..25).prop_map(Day)) {
        let plan = plan();
        let scenario = scenario(&file(&day.0));
        let (mut stage, length) = Stage::new(&plan, &scenario, plan.wall_zone(), Instant::now());
        // Longer than the longest page and the longest wait.
        stage.until(length + Duration::from_secs(3600));
        accounted_for(&plan, &stage.told());
    }
}

/// So many days; `HORNWIRE_CASES` in the environment says another number.
fn cases() -> u32 {
    let asked = std::env::var("HORNWIRE_CASES").ok().and_then(|n| n.parse().ok());
    asked.unwrap_or(500)
}
