//! Every order of events that two zones and three sources can have, to a depth: all invariants of the random runs hold in
//! all of them, and from each of their ends the site comes to rest.

use super::*;

/// Steps after one another. The number of orders grows sixfold with each.
const DEPTH: usize = 7;

/// One source: what it bids.
fn bid(source: usize, terms: Terms, together: bool) -> Step {
    let (zones, priority, chime) = match source {
        0 => (vec![0], 1, None),
        1 => (vec![0, 1], 1, Some(300)),
        _ => (vec![1], 2, None),
    };
    let begin = if together { Begin::Together } else { Begin::Each };
    Step::Bid {
        zones,
        priority,
        chime,
        limits: [Some(2000), None, Some(900), Some(1500)],
        warning: 0,
        terms: Terms { begin, ..terms },
    }
}

/// What can happen next, with a meaning.
fn steps(site: &Site, terms: Terms, owners: &[(PageId, usize)]) -> Vec<(Option<usize>, Step)> {
    let mut steps = Vec::new();
    for source in 0..3 {
        let live = owners
            .iter()
            .any(|(page, owner)| *owner == source && site.pages.contains_key(page));
        if !live && !site.shut_down {
            steps.push((Some(source), bid(source, terms, source == 1)));
        }
    }
    let mut live: Vec<PageId> = site.pages.keys().copied().collect();
    live.sort();
    for page in live {
        let ago = site.bids - page.0;
        let status = site.board.pages().find(|status| status.page == page);
        steps.push((None, Step::Packet(ago)));
        if !site.pages[&page].source_ended {
            steps.push((None, Step::SourceEnded(ago, EndReason::HungUp)));
        }
        if status.as_ref().is_some_and(|status| status.source_ended.is_some()) {
            steps.push((None, Step::Drained(ago)));
        }
        if status.is_some_and(|status| status.kept.is_some() && status.standing == Standing::Speaking) {
            steps.push((None, Step::Replayed(ago)));
        }
    }
    if let Some(due) = site.board.poll_timeout() {
        let ms = due.saturating_duration_since(site.now).as_millis() as u16;
        steps.push((None, Step::Pass { ms, lazy: false }));
    }
    steps.push((None, Step::ZoneFailed(0)));
    steps.push((None, Step::ZoneBack(0)));
    steps
}

fn search(site: &Site, terms: Terms, owners: &mut Vec<(PageId, usize)>, depth: usize, count: &mut u64) {
    if depth == 0 {
        *count += 1;
        // Not each of them: it is the costly part, and the random runs do it too.
        if count.is_multiple_of(64) {
            site.clone().all_sources_end();
        }
        return;
    }
    for (source, step) in steps(site, terms, owners) {
        let mut next = site.clone();
        next.run(step);
        if let Some(source) = source {
            owners.push((PageId(next.bids), source));
        }
        search(&next, terms, owners, depth - 1, count);
        if source.is_some() {
            owners.pop();
        }
    }
}

#[test]
fn every_order_of_events_of_two_zones_and_three_sources() {
    let ms = Duration::from_millis;
    let zone = |relays: &[u16], lead| ZoneRules {
        trigger: relays.iter().copied().map(RelayId).collect(),
        lead: ms(lead),
        release: ms(100),
        ..ZoneRules::default()
    };
    let rules = Rules {
        zones: vec![zone(&[0, 1], 200), zone(&[1], 0)],
        relays: vec![
            RelayRules {
                min_on: ms(500),
                min_off: ms(300),
                ..RelayRules::default()
            },
            RelayRules {
                lead: Some(ms(50)),
                ..RelayRules::default()
            },
        ],
    };
    let on = |busy, cut| Terms {
        busy,
        cut,
        ..Terms::default()
    };
    for terms in [
        on(Loss::End, Loss::Wait),
        on(Loss::Keep, Loss::Under),
        on(Loss::Under, Loss::Keep),
    ] {
        let mut count = 0;
        search(&Site::new(rules.clone()), terms, &mut Vec::new(), DEPTH, &mut count);
        println!("{count} orders of {DEPTH} events: {terms:?}");
        assert!(count > 100_000);
    }
}
