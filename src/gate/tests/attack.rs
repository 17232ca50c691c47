//! What guessing gets: an attacker with as many lines, identities and addresses as it likes, who knows the rules.

use super::*;

fn caller(user: &str, place: &str, trusted: bool) -> Caller {
    Caller {
        user: user.to_owned(),
        host: "pbx.quayside.example".to_owned(),
        place: place.parse().unwrap(),
        asserted: false,
        trusted,
    }
}

/// Lines that an attacker may use at once.
const LINES: usize = 64;

/// Who the attacker can be.
struct Attacker {
    /// Through the phone system.
    known: bool,
    /// From an address of its own that is let in.
    stranger: bool,
    /// It may call itself what proven callers are called, from where they are.
    proven: usize,
    extensions: usize,
}

/// How many codes are looked at within the time, and when each was. Every attempt is made the moment that the rules allow
/// it, with a fresh identity where that helps: nothing is gained by waiting, since a count falls no faster for it.
fn guesses(lockout: &mut Lockout, attacker: &Attacker, begin: Instant, time: Duration) -> Vec<Duration> {
    let mut at = Vec::new();
    let mut now = begin;
    let mut fresh = 0u64;
    while now - begin < time {
        let mut wait = Duration::MAX;
        // The lines: all codes of one moment are entered before the first is found wrong.
        let mut pending = Vec::new();
        'lines: while pending.len() < LINES {
            for extension in 0..attacker.extensions {
                let mut classes: Vec<Caller> = Vec::new();
                fresh += 1;
                if attacker.known {
                    classes.push(caller(&format!("k{fresh}"), "192.0.2.65", true));
                }
                if attacker.stranger {
                    classes.push(caller(
                        &format!("s{fresh}"),
                        &format!("198.51.100.{}", fresh % 250),
                        false,
                    ));
                }
                for n in 0..attacker.proven {
                    classes.push(caller(&format!("p{n}"), "192.0.2.65", true));
                }
                for who in classes {
                    match lockout.begin(&who, extension, now) {
                        Ok(permit) => {
                            pending.push(permit);
                            at.push(now - begin);
                            continue 'lines;
                        }
                        Err(locked) => wait = wait.min(locked.left),
                    }
                }
            }
            break;
        }
        for permit in pending.drain(..) {
            lockout.wrong(permit, now);
        }
        // As soon as a lock may have lapsed.
        now += if wait == Duration::MAX {
            Duration::from_millis(100)
        } else {
            wait.clamp(Duration::from_millis(100), time)
        };
    }
    at
}

fn prove(lockout: &mut Lockout, callers: usize, now: Instant) {
    for n in 0..callers {
        let permit = lockout
            .begin(&caller(&format!("p{n}"), "192.0.2.65", true), 0, now)
            .unwrap();
        lockout.right(permit, CodeId(0), now);
    }
}

/// Mean time until the right one of `space` codes is among those tried, none tried twice: that of guess
/// `(space + 1) / (codes + 1)` in the mean, with the rate of a year carried on.
fn years(at: &[Duration], time: Duration, space: f64, codes: f64) -> f64 {
    let rate = at.len() as f64 / (time.as_secs_f64() / DAY.as_secs_f64());
    (space + 1.0) / (codes + 1.0) / rate / 365.25
}

const YEAR: Duration = Duration::from_secs(365 * 86_400);

#[test]
fn a_four_digit_code_takes_years() {
    let now = Instant::now();
    let everything = Attacker {
        known: true,
        stranger: true,
        proven: 64,
        extensions: 1,
    };
    for (name, attacker, codes, least) in [
        (
            "one address",
            Attacker {
                known: false,
                stranger: true,
                proven: 0,
                extensions: 1,
            },
            1,
            8.0,
        ),
        (
            "through the phone system",
            Attacker {
                known: true,
                stranger: false,
                proven: 0,
                extensions: 1,
            },
            1,
            8.0,
        ),
        ("everything, 64 proven callers too", everything, 1, 3.0),
        (
            "everything, ten codes",
            Attacker {
                known: true,
                stranger: true,
                proven: 64,
                extensions: 1,
            },
            10,
            3.0,
        ),
        (
            "everything, the code on four extensions",
            Attacker {
                known: true,
                stranger: true,
                proven: 64,
                extensions: 4,
            },
            1,
            2.0,
        ),
    ] {
        let mut lockout = Lockout::new(&vec![codes; attacker.extensions], codes);
        prove(&mut lockout, attacker.proven, now);
        let at = guesses(&mut lockout, &attacker, now, YEAR);
        let took = years(&at, YEAR, 10_000.0, codes as f64);
        let first_day = at.iter().filter(|t| **t < DAY).count();
        println!(
            "{name}: {} guesses in a year, {first_day} on the first day, {took:.1} years",
            at.len()
        );
        assert!(took >= least, "{name}: {took} years");
        assert!(at.len() > 100, "{name}: the attacker of the test does not try");
        // Bursts, ladders and all: even on the first day the chance is small, whoever guesses.
        assert!(first_day * codes <= 600, "{name}: {first_day}");
        assert!(lockout.len() <= MAX_CALLERS);
    }
}

#[test]
fn whoever_had_the_right_code_gets_in_during_an_attack() {
    let now = Instant::now();
    let mut lockout = Lockout::new(&[1], 1);
    prove(&mut lockout, 3, now);
    let attacker = Attacker {
        known: true,
        stranger: true,
        proven: 0,
        extensions: 1,
    };
    guesses(&mut lockout, &attacker, now, 30 * DAY);
    let later = now + 30 * DAY;
    let own = caller("p1", "192.0.2.65", true);
    assert_eq!(lockout.standing(&own), Standing::Proven);
    // With a typing error now and then, too.
    for _ in 0..2 {
        let wrong = lockout.begin(&own, 0, later).unwrap();
        lockout.wrong(wrong, later);
        let right = lockout.begin(&own, 0, later).unwrap();
        lockout.right(right, CodeId(0), later);
    }
    // Somebody new waits for the next opening, which comes.
    let new = caller("newcomer", "192.0.2.65", true);
    let locked = lockout.open(&new, 0, later).unwrap_err();
    assert!(locked.left <= DAY, "{locked:?}");
    let opens = later + locked.left;
    let permit = lockout.begin(&new, 0, opens).unwrap();
    lockout.right(permit, CodeId(0), opens);
    assert_eq!(lockout.standing(&new), Standing::Proven);
    // Strangers by another way do not lock the phone system's callers.
    let mut lockout = Lockout::new(&[1], 1);
    let outside = Attacker {
        known: false,
        stranger: true,
        proven: 0,
        extensions: 1,
    };
    guesses(&mut lockout, &outside, now, 30 * DAY);
    assert!(lockout.open(&new, 0, later).is_ok());
}

/// Who knows one code and wants another: the right one takes nothing of the own count back.
#[test]
fn an_insider_guesses_no_faster_for_knowing_a_code() {
    let now = Instant::now();
    let mut lockout = Lockout::new(&[2], 2);
    prove(&mut lockout, 1, now);
    let own = caller("p0", "192.0.2.65", true);
    let (mut at, mut guesses) = (now, 0);
    while at - now < YEAR {
        match lockout.begin(&own, 0, at) {
            Ok(permit) => {
                lockout.wrong(permit, at);
                guesses += 1;
                if let Ok(permit) = lockout.begin(&own, 0, at) {
                    lockout.right(permit, CodeId(0), at);
                }
                at += Duration::from_secs(1);
            }
            Err(locked) => at += locked.left,
        }
    }
    let took = 5000.5 / f64::from(guesses);
    assert!(took > 5.0, "{guesses} guesses in a year, {took:.1} years");
}

#[test]
fn locks_grow_and_fade() {
    let now = Instant::now();
    let mut lockout = Lockout::new(&[1], 1);
    let own = caller("201", "192.0.2.7", false);
    let mut locks = Vec::new();
    let mut at = now;
    for _ in 0..9 {
        let permit = lockout.begin(&own, 0, at).unwrap();
        lockout.wrong(permit, at);
        let left = lockout.open(&own, 0, at).err().map_or(Duration::ZERO, |l| l.left);
        locks.push(left.as_secs());
        at += left;
    }
    assert_eq!(locks[..4], [0, 0, 0, 30]);
    assert!(
        locks.windows(2).skip(3).all(|w| w[1] as f64 > 1.8 * w[0] as f64),
        "{locks:?}"
    );
    // Ten days later nothing is left of it.
    at += 10 * DAY;
    for _ in 0..3 {
        let permit = lockout.begin(&own, 0, at).unwrap();
        lockout.wrong(permit, at);
    }
    assert!(lockout.open(&own, 0, at).is_ok());
}

#[test]
fn whoever_evicts_resets_no_count() {
    let now = Instant::now();
    // No extension and no lock of the site in the way: many sites' worth of codes.
    let mut lockout = Lockout::new(&[1_000_000], 1);
    let bad = caller("bad", "192.0.2.7", false);
    for _ in 0..4 {
        let permit = lockout.begin(&bad, 0, now).unwrap();
        lockout.wrong(permit, now);
    }
    assert!(lockout.open(&bad, 0, now).is_err());
    let mut at = now;
    for n in 0..3 * MAX_CALLERS {
        // Extension and site lock as well; wait for them.
        let other = caller(&format!("x{n}"), "192.0.2.8", false);
        for _ in 0..4 {
            if let Ok(permit) = lockout.begin(&other, 0, at) {
                lockout.wrong(permit, at);
            }
        }
        at += Duration::from_secs(1);
        assert!(lockout.len() <= MAX_CALLERS);
    }
    assert!(lockout.open(&bad, 0, at).is_err(), "still locked");
}

#[test]
fn many_who_know_the_code_all_get_in() {
    let mut lockout = Lockout::new(&[1], 1);
    let mut now = Instant::now();
    prove(&mut lockout, 3 * MAX_PROVEN, now);
    assert!(lockout.len() <= MAX_CALLERS);
    // 40 people, one page each a day, every tenth code mistyped: nobody is ever locked out.
    for day in 0..60u64 {
        now += DAY;
        for n in 0..40u64 {
            now += Duration::from_secs(60);
            let own = caller(&format!("p{n}"), "192.0.2.65", true);
            if (day * 40 + n) % 10 == 0 && day % 4 == 0 {
                let permit = lockout.begin(&own, 0, now).unwrap();
                lockout.wrong(permit, now);
            }
            let permit = lockout
                .begin(&own, 0, now)
                .unwrap_or_else(|l| panic!("day {day}, {n}: {l:?}"));
            lockout.right(permit, CodeId(0), now);
        }
    }
}

/// Who can set the clock on the wall opens hours with it, and nothing else: locks run by the monotonic clock.
#[test]
fn jumps_of_the_wall_clock_open_hours_alone() {
    let at = |weekday, hour: u16| {
        Some(LocalTime {
            weekday,
            minute: hour * 60,
        })
    };
    let wild = [at(0, 12), at(6, 12), None, at(0, 17), at(0, 18), at(0, 12), at(3, 3)];
    let mut own = with_codes();
    own.hours = Hours(vec!["Mon-Fri 06:00-18:00".parse().unwrap()]);
    let mut site = site(vec![own]);
    site.codes[1].hours = Hours(vec!["Mon-Fri 06:00-12:00".parse().unwrap()]);
    let mut gate = Gate::new(site);
    let now = Instant::now();
    // Each call is judged by the time that the clock shows as it comes.
    for (call, (local, why)) in (1..).zip(wild.into_iter().zip([false, true, false, false, true, false, true])) {
        gate.call(&incoming(call, "201", PHONE), local, now);
        let closed = |o: &Output| {
            matches!(
                o,
                Output::Refuse {
                    why: Refusal::Closed,
                    ..
                }
            )
        };
        assert_eq!(outputs(&mut gate, now).iter().any(closed), why, "{local:?}");
        gate.gone(CallId(call));
    }
    // A code by the time at which it is checked, however long the call is there.
    let enter = |gate: &mut Gate, call: u64, user: &str, keys: &str, found, local, now| {
        gate.call(&incoming(call, user, PHONE), at(0, 11), now);
        while gate.poll_output().is_some() {}
        for key in keys.chars() {
            gate.key(CallId(call), key, now);
        }
        let check = std::iter::from_fn(|| gate.poll_output()).find_map(|o| match o {
            Output::Check { check, .. } => Some(check),
            _ => None,
        });
        let check = check?;
        gate.checked(check, found, local, now);
        let opened = grant(&outputs(gate, now)).is_some();
        gate.gone(CallId(call));
        Some(opened)
    };
    assert_eq!(
        enter(&mut gate, 20, "301", "480162#", Some(1), at(0, 11), now),
        Some(true)
    );
    assert_eq!(
        enter(&mut gate, 21, "302", "480162#", Some(1), at(0, 13), now),
        Some(false)
    );
    assert_eq!(enter(&mut gate, 22, "303", "480162#", Some(1), None, now), Some(true));
    assert_eq!(
        enter(&mut gate, 23, "304", "7391#", Some(0), at(6, 3), now),
        Some(true),
        "it came in hours"
    );
    // Wrong until locked; no time of the wall ends the lock, its own does.
    let mut call = 30;
    while enter(&mut gate, call, "305", "0666#", None, at(0, 11), now).is_some() {
        call += 1;
        assert!(call < 40, "never locked");
    }
    for local in wild {
        call += 1;
        gate.call(&incoming(call, "305", PHONE), local, now);
        let refused = outputs(&mut gate, now).into_iter().find_map(|o| match o {
            Output::Refuse { why, .. } => Some(why),
            _ => None,
        });
        assert!(
            matches!(refused, Some(Refusal::Closed | Refusal::Locked(Whose::Caller))),
            "{local:?}: {refused:?}"
        );
        let open = local.is_none_or(|at| at.weekday == 0 && at.minute < 18 * 60);
        assert_eq!(refused == Some(Refusal::Closed), !open, "{local:?}");
    }
    // The first lock (`CALLER` in the lock-out).
    let later = now + Duration::from_secs(30);
    assert_eq!(
        enter(&mut gate, 60, "305", "7391#", Some(0), at(0, 11), later),
        Some(true)
    );
}

/// The whole gate, not only its counts: 64 lines that dial as fast as they can, for a day.
#[test]
fn sixty_four_lines_at_full_speed_get_few_codes_checked() {
    let mut gate = Gate::new(site(vec![with_codes()]));
    let begin = Instant::now();
    let (mut now, mut call, mut checked) = (begin, 0, 0);
    let mut lines: Vec<u64> = Vec::new();
    while now - begin < DAY {
        // A code takes that long to dial.
        now += Duration::from_secs(4);
        while lines.len() < LINES {
            call += 1;
            lines.push(call);
            gate.call(&incoming(call, &format!("x{call}"), PHONE), None, now);
        }
        for line in &lines {
            for key in "0666#".chars() {
                gate.key(CallId(*line), key, now);
            }
        }
        gate.handle_timeout(now);
        let mut asking = lines.clone();
        while let Some(output) = gate.poll_output() {
            match output {
                Output::Check { check, .. } => {
                    checked += 1;
                    gate.checked(check, None, None, now);
                }
                Output::Refuse { call, .. } | Output::End { call, .. } => asking.retain(|c| *c != call.0),
                Output::Page { .. } => panic!("a wrong code opened"),
                _ => {}
            }
        }
        lines = asking;
    }
    assert!((12..40).contains(&checked), "{checked} codes were checked in a day");
}
