//! Random sites, callers, keys and clocks: nobody bids without every gate, and each call has one outcome.

use super::*;

#[derive(Debug, Clone)]
enum Step {
    Call {
        user: u8,
        peer: u8,
        weekday: u8,
        hour: u16,
        dialled: u8,
        registrar: bool,
        asserted: bool,
    },
    Key {
        call: u8,
        key: char,
    },
    Wait {
        seconds: u16,
    },
    /// The oldest check is answered.
    Check,
    Fail,
    Gone {
        call: u8,
    },
}

fn step() -> impl Strategy<Value = Step> {
    prop_oneof![
        3 => (0..4u8, 0..3u8, 0..7u8, 0..24u16, 0..3u8, any::<bool>(), any::<bool>()).prop_map(
            |(user, peer, weekday, hour, dialled, registrar, asserted)| Step::Call {
                user, peer, weekday, hour, dialled, registrar, asserted
            }
        ),
        16 => (0..4u8, prop::sample::select("7391#12*9A".chars().collect::<Vec<_>>())).prop_map(
            |(call, key)| Step::Key { call, key }
        ),
        4 => (0..12u16).prop_map(|seconds| Step::Wait { seconds }),
        6 => Just(Step::Check),
        1 => Just(Step::Fail),
        1 => (0..4u8).prop_map(|call| Step::Gone { call }),
    ]
}

fn extension() -> impl Strategy<Value = Rules> {
    let flags = (any::<[bool; 8]>(), prop::option::of(4..6usize));
    flags.prop_map(
        |([only, asserted, allow, deny, hours, codes, keypad, hang_up], length)| Rules {
            registrar_only: only,
            asserted_only: asserted,
            allow: if allow {
                vec![pattern("u0"), pattern("u1")]
            } else {
                vec![]
            },
            deny: if deny { vec![pattern("u1")] } else { vec![] },
            hours: if hours {
                Hours(vec!["Mon-Fri 06:00-18:00".parse().unwrap()])
            } else {
                Hours::default()
            },
            codes: if codes { vec![CodeId(0)] } else { vec![] },
            code_length: length,
            keypad: if keypad { choices() } else { vec![] },
            no_choice: if hang_up { NoChoice::HangUp } else { NoChoice::Zones },
            ..rules()
        },
    )
}

/// What the test itself knows of a call.
struct Seen {
    /// Its own judgement of the gates that need no dial pad.
    fits: bool,
    /// A right code was said of it.
    right: bool,
    outcomes: u32,
    gone: bool,
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]

    #[test]
    fn no_bid_without_every_gate_and_one_outcome(own in extension(), steps in prop::collection::vec(step(), 1..160)) {
        let mut gate = Gate::new(site(vec![own.clone()]));
        let begun = Instant::now();
        let mut now = begun;
        let mut seen: BTreeMap<CallId, Seen> = BTreeMap::new();
        let mut checks: Vec<(CheckId, String, CallId)> = Vec::new();
        let mut last_key: Option<CallId> = None;
        let mut calls = 0;
        for step in steps {
            match step {
                Step::Call { user, peer, weekday, hour, dialled, registrar, asserted } => {
                    let peer = ["192.0.2.7:5060", "198.51.100.7:5060", "192.0.2.70:5060"][usize::from(peer)];
                    let mut call = incoming(calls, &format!("u{user}"), peer);
                    calls += 1;
                    call.dialled = format!("85{dialled}");
                    (call.from_registrar, call.trusted) = (registrar, registrar);
                    if asserted && registrar {
                        call.asserted = Some(call.from.clone());
                    }
                    let listed = peer.starts_with("192.0.2.");
                    let fits = (registrar || !own.registrar_only && listed)
                        && (!own.asserted_only || asserted && registrar)
                        && (user != 1 || own.deny.is_empty())
                        && (own.allow.is_empty() || user < 2)
                        && (own.hours.0.is_empty() || weekday < 5 && (6..18).contains(&hour));
                    seen.insert(call.call, Seen { fits, right: false, outcomes: 0, gone: false });
                    gate.call(&call, Some(LocalTime { weekday, minute: hour * 60 }), now);
                    last_key = None;
                }
                Step::Key { call, key } => {
                    let call = CallId(calls.saturating_sub(1 + u64::from(call)));
                    last_key = Some(call);
                    gate.key(call, key, now);
                }
                Step::Wait { seconds } => {
                    last_key = None;
                    now += Duration::from_secs(u64::from(seconds));
                    gate.handle_timeout(now);
                }
                Step::Check | Step::Fail if checks.is_empty() => {}
                Step::Check => {
                    let (check, digits, call) = checks.remove(0);
                    let right = digits == "7391";
                    if right && let Some(s) = seen.get_mut(&call) {
                        s.right = true;
                    }
                    gate.checked(check, right.then_some(0), None, now);
                }
                Step::Fail => gate.unchecked(checks.remove(0).0, now),
                Step::Gone { call } => {
                    let call = CallId(calls.saturating_sub(1 + u64::from(call)));
                    gate.gone(call);
                    if let Some(s) = seen.get_mut(&call) {
                        s.gone = true;
                    }
                }
            }
            while let Some(output) = gate.poll_output() {
                match output {
                    Output::Page { call, grant } => {
                        let s = seen.get_mut(&call).unwrap();
                        s.outcomes += 1;
                        prop_assert!(s.fits, "a bid without the gates");
                        prop_assert!(own.codes.is_empty() || s.right, "a bid without the code");
                        prop_assert_eq!(grant.code().is_some(), !own.codes.is_empty());
                        prop_assert!(!grant.zones().is_empty());
                        prop_assert!(!s.gone, "a bid after the end");
                    }
                    Output::Refuse { call, why } => {
                        let s = seen.get_mut(&call).unwrap();
                        s.outcomes += 1;
                        let by_rule = !matches!(why, Refusal::Locked(_) | Refusal::Crowd);
                        prop_assert_eq!(by_rule, !s.fits);
                    }
                    Output::End { call, .. } => {
                        let s = seen.get_mut(&call).unwrap();
                        s.outcomes += 1;
                        prop_assert!(!s.gone);
                    }
                    Output::Check { check, digits, .. } => {
                        // Whose it is, only a key or the latest of the time-outs tells: wrong ones are enough for those.
                        let (call, text) = match last_key {
                            Some(call) => (call, digits.reveal().to_owned()),
                            None => (CallId(u64::MAX), "no".to_owned()),
                        };
                        checks.push((check, text, call));
                    }
                    Output::Ask { .. } | Output::Play { .. } | Output::Tell { .. } => {}
                }
            }
            prop_assert!(seen.values().all(|s| s.outcomes <= 1), "two outcomes");
        }
        // Left alone, everybody who was asked has an outcome in the end.
        now += ENTRY_LIMIT;
        gate.handle_timeout(now);
        while let Some(output) = gate.poll_output() {
            match output {
                Output::End { call, .. } => seen.get_mut(&call).unwrap().outcomes += 1,
                Output::Page { call, .. } => {
                    let s = seen.get_mut(&call).unwrap();
                    s.outcomes += 1;
                    prop_assert!(s.fits && (own.codes.is_empty() || s.right));
                }
                _ => {}
            }
        }
        for _ in 0..3 {
            now += ENTRY_LIMIT;
            gate.handle_timeout(now);
            while let Some(output) = gate.poll_output() {
                if let Output::End { call, .. } | Output::Page { call, .. } = output {
                    seen.get_mut(&call).unwrap().outcomes += 1;
                }
            }
        }
        prop_assert!(seen.values().all(|s| s.outcomes == u32::from(!s.gone) || s.gone && s.outcomes <= 1));
        prop_assert_eq!(gate.poll_timeout(), None);
    }
}
