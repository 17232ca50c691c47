#![allow(clippy::disallowed_methods)]
//! The gates as a whole, and what an attacker gets out of them.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use proptest::prelude::*;

use super::*;
use crate::calendar::{Hours, LocalTime};
use crate::page::{Priority, ZoneId};
use crate::sip::agent::{CallId, ExtensionId, Identity, Incoming};

const PHONE: &str = "192.0.2.7:5060";
const DAY: Duration = Duration::from_secs(86_400);

fn rules() -> Rules {
    Rules {
        networks: None,
        registrar_only: false,
        asserted_only: false,
        allow: Vec::new(),
        deny: Vec::new(),
        hours: Hours::default(),
        codes: Vec::new(),
        code_length: None,
        keypad: Vec::new(),
        no_choice: NoChoice::Zones,
        dial: Vec::new(),
        urgent: Vec::new(),
        zones: vec![ZoneId(0)],
        priority: Priority(50),
    }
}

fn site(rules: Vec<Rules>) -> Site {
    Site {
        rules,
        codes: vec![code_of("gatehouse", "7391"), code_of("kiln", "480162")],
        networks: vec!["192.0.2.0/24".parse().unwrap()],
        trusted: vec!["192.0.2.64/26".parse().unwrap()],
    }
}

fn code_of(name: &str, digits: &str) -> Code {
    Code {
        name: name.to_owned(),
        stored: code::cheap(digits),
        zones: None,
        priority: None,
        hours: Hours::default(),
    }
}

fn incoming(call: u64, user: &str, peer: &str) -> Incoming {
    Incoming {
        call: CallId(call),
        extension: ExtensionId(0),
        caller: user.to_owned(),
        from: Identity {
            user: user.to_owned(),
            host: "pbx.quayside.example".to_owned(),
        },
        asserted: None,
        dialled: "850".to_owned(),
        from_registrar: false,
        trusted: false,
        secure: false,
        urgency: Vec::new(),
        peer: peer.parse().unwrap(),
        local: "192.0.2.1:5060".parse().unwrap(),
        offer: None,
    }
}

fn pattern(text: &str) -> Pattern {
    text.parse().unwrap()
}

/// Everything that the gate asks for, in order; checks are answered as the stored codes say.
fn outputs(gate: &mut Gate, now: Instant) -> Vec<Output> {
    let mut all = Vec::new();
    while let Some(output) = gate.poll_output() {
        if let Output::Check {
            check,
            extension,
            digits,
        } = &output
        {
            let site = gate.site();
            let codes: Vec<&code::Stored> = site.rules[usize::from(extension.0)]
                .codes
                .iter()
                .map(|id| &site.codes[usize::from(id.0)].stored)
                .collect();
            let found = code::find(digits.reveal(), codes);
            gate.checked(*check, found, None, now);
        }
        all.push(output);
    }
    all
}

fn refusal(gate: &mut Gate, incoming: &Incoming, local: Option<LocalTime>) -> Option<Refusal> {
    let now = Instant::now();
    gate.call(incoming, local, now);
    outputs(gate, now).into_iter().find_map(|o| match o {
        Output::Refuse { why, .. } => Some(why),
        _ => None,
    })
}

fn dial(gate: &mut Gate, call: u64, keys: &str, now: Instant) -> Vec<Output> {
    let mut all = Vec::new();
    for key in keys.chars() {
        gate.key(CallId(call), key, now);
        all.extend(outputs(gate, now));
    }
    all
}

fn grant(outputs: &[Output]) -> Option<Grant> {
    outputs.iter().find_map(|o| match o {
        Output::Page { grant, .. } => Some(grant.clone()),
        _ => None,
    })
}

fn sounds(outputs: &[Output]) -> Vec<Sound> {
    outputs
        .iter()
        .filter_map(|o| match o {
            Output::Play { sound, .. } => Some(*sound),
            _ => None,
        })
        .collect()
}

fn end(outputs: &[Output]) -> Option<Failure> {
    outputs.iter().find_map(|o| match o {
        Output::End { why, .. } => Some(*why),
        _ => None,
    })
}

#[test]
fn each_gate_refuses_with_its_reason() {
    let gate = |change: &dyn Fn(&mut Rules)| {
        let mut own = rules();
        change(&mut own);
        Gate::new(site(vec![own]))
    };
    let call = incoming(1, "201", PHONE);
    assert_eq!(refusal(&mut gate(&|_| {}), &call, None), None);

    let narrow = |r: &mut Rules| r.networks = Some(vec!["192.0.2.32/27".parse().unwrap()]);
    assert_eq!(refusal(&mut gate(&narrow), &call, None), Some(Refusal::Network));
    assert_eq!(
        refusal(&mut gate(&narrow), &incoming(1, "201", "192.0.2.33:5060"), None),
        None
    );
    let mut registrar = call.clone();
    (registrar.from_registrar, registrar.trusted) = (true, true);
    assert_eq!(
        refusal(&mut gate(&narrow), &registrar, None),
        None,
        "its registrar always may"
    );

    let only = |r: &mut Rules| r.registrar_only = true;
    assert_eq!(refusal(&mut gate(&only), &call, None), Some(Refusal::NotRegistrar));
    assert_eq!(refusal(&mut gate(&only), &registrar, None), None);

    // In no network: let in by the agent because it is another extension's registrar.
    let mut other = incoming(1, "201", "198.51.100.1:5060");
    other.trusted = true;
    assert_eq!(refusal(&mut gate(&|_| {}), &other, None), None);
    other.trusted = false;
    assert_eq!(refusal(&mut gate(&|_| {}), &other, None), Some(Refusal::Network));

    let asserted = |r: &mut Rules| r.asserted_only = true;
    assert_eq!(refusal(&mut gate(&asserted), &call, None), Some(Refusal::NotAsserted));

    let lists = |r: &mut Rules| {
        r.allow = vec![pattern("2*")];
        r.deny = vec![pattern("209"), pattern("*@*.invalid")];
    };
    assert_eq!(refusal(&mut gate(&lists), &call, None), None);
    assert_eq!(
        refusal(&mut gate(&lists), &incoming(1, "301", PHONE), None),
        Some(Refusal::NotAllowed)
    );
    assert_eq!(
        refusal(&mut gate(&lists), &incoming(1, "209", PHONE), None),
        Some(Refusal::Denied),
        "deny wins"
    );
    assert_eq!(
        refusal(&mut gate(&lists), &incoming(1, "", PHONE), None),
        Some(Refusal::NotAllowed),
        "anonymous"
    );
    let mut says = incoming(1, "301", PHONE);
    says.asserted = Some(Identity {
        user: "201".to_owned(),
        host: "pbx.quayside.example".to_owned(),
    });
    assert_eq!(refusal(&mut gate(&lists), &says, None), None, "asserted, not From");
    (says.from.user, says.asserted.as_mut().unwrap().user) = ("201".to_owned(), "209".to_owned());
    assert_eq!(refusal(&mut gate(&lists), &says, None), Some(Refusal::Denied));

    let hours = |r: &mut Rules| r.hours = Hours(vec!["Mon-Fri 06:00-18:00".parse().unwrap()]);
    let at = |weekday, hour: u16| {
        Some(LocalTime {
            weekday,
            minute: hour * 60,
        })
    };
    assert_eq!(refusal(&mut gate(&hours), &call, at(0, 12)), None);
    assert_eq!(refusal(&mut gate(&hours), &call, at(0, 18)), Some(Refusal::Closed));
    assert_eq!(refusal(&mut gate(&hours), &call, at(6, 12)), Some(Refusal::Closed));
    assert_eq!(refusal(&mut gate(&hours), &call, None), None, "the clock is not set");
    // RFC 3261 §21.4.4, §21.6.2, §21.4.18.
    assert_eq!((Refusal::Denied.status(), Refusal::Closed.status()), (403, 603));
    assert_eq!(Refusal::Locked(Whose::Site).status(), 480);
}

#[test]
fn dialled_numbers_and_urgency_choose_zones_and_priority() {
    let mut own = rules();
    own.dial = vec![
        (
            pattern("8501"),
            Route {
                zones: vec![ZoneId(1)],
                priority: Some(Priority(60)),
            },
        ),
        (
            pattern("85*"),
            Route {
                zones: vec![ZoneId(0), ZoneId(1)],
                priority: None,
            },
        ),
    ];
    own.urgent = vec![
        ("emergency".to_owned(), Priority(95)),
        ("dsn.flash".to_owned(), Priority(55)),
    ];
    let mut gate = Gate::new(site(vec![own]));
    let now = Instant::now();
    let mut granted = |dialled: &str, urgency: &[&str], trusted: bool| {
        let mut call = incoming(1, "201", PHONE);
        call.dialled = dialled.to_owned();
        call.urgency = urgency.iter().map(|u| (*u).to_owned()).collect();
        call.trusted = trusted;
        gate.call(&call, None, now);
        let grant = grant(&outputs(&mut gate, now)).unwrap();
        (grant.zones().to_vec(), grant.priority().0)
    };
    let (yard, sawmill) = (ZoneId(0), ZoneId(1));
    assert_eq!(granted("8501", &[], false), (vec![sawmill], 60));
    assert_eq!(granted("8502", &[], false), (vec![yard, sawmill], 50));
    assert_eq!(granted("900", &[], false), (vec![yard], 50));
    assert_eq!(granted("900", &["dsn.flash", "emergency"], true).1, 95, "the highest");
    assert_eq!(
        granted("900", &["emergency"], false).1,
        50,
        "not from an untrusted peer"
    );
    assert_eq!(granted("8501", &["dsn.flash"], true).1, 60, "only raises");
    assert_eq!(granted("900", &["normal"], true).1, 50);
}

fn with_codes() -> Rules {
    Rules {
        codes: vec![CodeId(0), CodeId(1)],
        ..rules()
    }
}

fn choices() -> Vec<Choice> {
    let choice = |digits: &str, zones: &[u16]| Choice {
        digits: digits.to_owned(),
        route: Route {
            zones: zones.iter().map(|z| ZoneId(*z)).collect(),
            priority: None,
        },
    };
    vec![choice("1", &[0]), choice("12", &[1]), choice("9", &[0, 1])]
}

#[test]
fn the_right_code_opens_and_a_wrong_one_does_not() {
    let mut gate = Gate::new(site(vec![with_codes()]));
    let now = Instant::now();
    gate.call(&incoming(1, "201", PHONE), None, now);
    let begin = outputs(&mut gate, now);
    assert!(begin.contains(&Output::Ask { call: CallId(1) }));
    assert_eq!(sounds(&begin), [Sound::CodePrompt]);
    let wrong = dial(&mut gate, 1, "7392#", now);
    assert_eq!((sounds(&wrong), grant(&wrong)), (vec![Sound::Refused], None));
    let right = dial(&mut gate, 1, "99*7391#", now);
    let grant = grant(&right).expect("* begins anew");
    assert_eq!(grant.code(), Some(CodeId(0)));
    assert_eq!(grant.zones(), [ZoneId(0)]);
    assert!(!gate.is_asking(CallId(1)));
    assert!(dial(&mut gate, 1, "7391#", now).is_empty(), "nothing twice");
    assert_eq!(
        format!("{:?}", Digits::new("7391")),
        "Digits(…)",
        "what is dialled is in no message"
    );
}

#[test]
fn three_wrong_codes_end_the_call() {
    let mut gate = Gate::new(site(vec![with_codes()]));
    let now = Instant::now();
    gate.call(&incoming(1, "201", PHONE), None, now);
    outputs(&mut gate, now);
    for code in ["1111#", "2222#"] {
        assert_eq!(end(&dial(&mut gate, 1, code, now)), None);
    }
    let last = dial(&mut gate, 1, "3333#", now);
    assert_eq!(end(&last), Some(Failure::WrongCode));
    // The journal hears of the end though it has just heard of a wrong code.
    let told = |o: &Output| matches!(o, Output::Tell { what: Told::Refused { status: 403, why }, .. } if *why == "too many wrong codes");
    assert_eq!(last.iter().filter(|o| told(o)).count(), 1, "{last:?}");
}

#[test]
fn time_ends_a_code_and_silence_ends_the_call() {
    let mut gate = Gate::new(site(vec![with_codes()]));
    let now = Instant::now();
    gate.call(&incoming(1, "201", PHONE), None, now);
    dial(&mut gate, 1, "7391", now + Duration::from_secs(1));
    let due = now + Duration::from_secs(1) + NEXT_KEY;
    assert_eq!(gate.poll_timeout(), Some(due));
    gate.handle_timeout(due - Duration::from_millis(1));
    assert!(outputs(&mut gate, due).is_empty());
    gate.handle_timeout(due);
    assert!(grant(&outputs(&mut gate, due)).is_some());

    gate.call(&incoming(2, "201", PHONE), None, now);
    outputs(&mut gate, now);
    gate.handle_timeout(now + FIRST_KEY);
    assert_eq!(end(&outputs(&mut gate, now)), Some(Failure::NoCode));

    // A key now and then does not hold the place for ever.
    gate.call(&incoming(3, "201", PHONE), None, now);
    outputs(&mut gate, now);
    for second in (0..60).step_by(4) {
        let at = now + Duration::from_secs(second);
        gate.handle_timeout(at);
        assert_eq!(end(&dial(&mut gate, 3, "7*", at)), None, "{second}");
    }
    gate.handle_timeout(now + ENTRY_LIMIT);
    assert_eq!(end(&outputs(&mut gate, now)), Some(Failure::TooLong));
    assert_eq!(gate.poll_timeout(), None);
}

#[test]
fn a_code_of_known_length_needs_no_hash_sign() {
    let mut own = with_codes();
    own.codes = vec![CodeId(0)];
    own.code_length = Some(4);
    own.keypad = choices();
    let mut gate = Gate::new(site(vec![own]));
    let now = Instant::now();
    gate.call(&incoming(1, "201", PHONE), None, now);
    outputs(&mut gate, now);
    let opened = dial(&mut gate, 1, "7391#", now);
    assert_eq!(sounds(&opened), [Sound::ZonePrompt], "the # behind it is nothing");
    assert_eq!(
        grant(&dial(&mut gate, 1, "9", now)).unwrap().zones(),
        [ZoneId(0), ZoneId(1)]
    );
}

#[test]
fn digits_choose_zones() {
    let mut own = rules();
    own.keypad = choices();
    let now = Instant::now();
    let fresh = |own: &Rules| {
        let mut gate = Gate::new(site(vec![own.clone()]));
        gate.call(&incoming(1, "201", PHONE), None, now);
        assert_eq!(sounds(&outputs(&mut gate, now)), [Sound::ZonePrompt]);
        gate
    };
    let mut gate = fresh(&own);
    assert_eq!(grant(&dial(&mut gate, 1, "1", now)), None, "12 begins with it");
    assert_eq!(grant(&dial(&mut gate, 1, "#", now)).unwrap().zones(), [ZoneId(0)]);
    assert_eq!(
        grant(&dial(&mut fresh(&own), 1, "12", now)).unwrap().zones(),
        [ZoneId(1)]
    );
    let mut gate = fresh(&own);
    let unknown = dial(&mut gate, 1, "7#", now);
    assert_eq!((sounds(&unknown), grant(&unknown)), (vec![Sound::Refused], None));
    dial(&mut gate, 1, "7#", now);
    assert_eq!(end(&dial(&mut gate, 1, "7#", now)), Some(Failure::WrongChoice));
    // Time-out.
    let mut gate = fresh(&own);
    gate.handle_timeout(now + FIRST_KEY);
    assert_eq!(grant(&outputs(&mut gate, now)).unwrap().zones(), [ZoneId(0)]);
    own.no_choice = NoChoice::HangUp;
    let mut gate = fresh(&own);
    gate.handle_timeout(now + FIRST_KEY);
    assert_eq!(end(&outputs(&mut gate, now)), Some(Failure::NoChoice));
}

#[test]
fn a_codes_own_zones_priority_and_hours_hold() {
    let mut own = with_codes();
    own.keypad = choices();
    let mut site = site(vec![own]);
    site.codes[0].zones = Some(vec![ZoneId(1)]);
    site.codes[0].priority = Some(Priority(80));
    site.codes[1].hours = Hours(vec!["daily 06:00-18:00".parse().unwrap()]);
    let now = Instant::now();
    let mut gate = Gate::new(site);
    gate.call(&incoming(1, "201", PHONE), None, now);
    outputs(&mut gate, now);
    dial(&mut gate, 1, "7391#", now);
    assert_eq!(
        sounds(&dial(&mut gate, 1, "1#", now)),
        [Sound::Refused],
        "not a zone of this code"
    );
    let grant = grant(&dial(&mut gate, 1, "9", now)).unwrap();
    assert_eq!(
        (grant.zones(), grant.priority()),
        ([ZoneId(1)].as_slice(), Priority(80))
    );

    // Out of its hours it is like a wrong one.
    gate.call(&incoming(2, "202", PHONE), None, now);
    outputs(&mut gate, now);
    let night = LocalTime {
        weekday: 0,
        minute: 23 * 60,
    };
    for key in "480162#".chars() {
        gate.key(CallId(2), key, now);
    }
    let Some(Output::Check { check, .. }) = gate.poll_output() else {
        panic!("no check")
    };
    gate.checked(check, Some(1), Some(night), now);
    let heard = outputs(&mut gate, now);
    assert_eq!(sounds(&heard), [Sound::Refused]);
    let told = |o: &Output| matches!(o, Output::Tell { what: Told::CodeClosed { code }, .. } if *code == CodeId(1));
    assert!(heard.iter().any(told), "{heard:?}");
}

#[test]
fn keys_dialled_ahead_count_after_the_right_code_only() {
    let mut own = with_codes();
    own.keypad = choices();
    let mut gate = Gate::new(site(vec![own]));
    let now = Instant::now();
    for (call, code, found) in [(1, "7391#9", Some(0)), (2, "7392#9", None)] {
        gate.call(&incoming(call, "201", PHONE), None, now);
        while gate.poll_output().is_some() {}
        for key in code.chars() {
            gate.key(CallId(call), key, now);
        }
        let Some(Output::Check { check, .. }) = gate.poll_output() else {
            panic!("no check")
        };
        gate.checked(check, found, None, now);
        assert_eq!(grant(&outputs(&mut gate, now)).is_some(), found.is_some());
    }
}

#[test]
fn callers_at_the_dial_pad_leave_room_for_others() {
    let mut gate = Gate::new(site(vec![with_codes(), rules()]));
    let now = Instant::now();
    // One who is known.
    gate.call(&incoming(1, "201", PHONE), None, now);
    outputs(&mut gate, now);
    assert!(grant(&dial(&mut gate, 1, "7391#", now)).is_some());
    for n in 0..100 {
        gate.call(&incoming(100 + n, &format!("9{n}"), PHONE), None, now);
    }
    let refused = outputs(&mut gate, now)
        .iter()
        .filter(|o| {
            matches!(
                o,
                Output::Refuse {
                    why: Refusal::Crowd,
                    ..
                }
            )
        })
        .count();
    assert_eq!(refused, 100 - MAX_UNPROVEN_ENTRIES);
    gate.call(&incoming(2, "201", PHONE), None, now);
    assert!(outputs(&mut gate, now).contains(&Output::Ask { call: CallId(2) }));
    assert!(grant(&dial(&mut gate, 2, "7391#", now)).is_some());
    let mut other = incoming(3, "901", PHONE);
    other.extension = ExtensionId(1);
    gate.call(&other, None, now);
    assert!(grant(&outputs(&mut gate, now)).is_some(), "an extension without a code");
    for n in 0..100 {
        gate.gone(CallId(100 + n));
    }
    assert_eq!(gate.poll_timeout(), None);
}

#[test]
fn who_hangs_up_at_the_dial_pad_leaves_a_word() {
    let mut gate = Gate::new(site(vec![Rules {
        keypad: choices(),
        ..with_codes()
    }]));
    let now = Instant::now();
    let left = |gate: &mut Gate, call| {
        gate.hung_up(CallId(call), now);
        outputs(gate, now).into_iter().find_map(|o| match o {
            Output::Tell {
                what: Told::Left { before },
                ..
            } => Some(before),
            _ => None,
        })
    };
    gate.call(&incoming(1, "201", PHONE), None, now);
    outputs(&mut gate, now);
    assert_eq!(left(&mut gate, 1), Some("a code was entered"));
    gate.call(&incoming(2, "201", PHONE), None, now);
    outputs(&mut gate, now);
    assert!(grant(&dial(&mut gate, 2, "7391#", now)).is_none());
    assert_eq!(left(&mut gate, 2), Some("a zone was chosen"));
    assert_eq!(left(&mut gate, 2), None, "once");
    gate.call(&incoming(3, "201", PHONE), None, now);
    outputs(&mut gate, now);
    assert!(grant(&dial(&mut gate, 3, "7391#9", now)).is_some());
    assert_eq!(left(&mut gate, 3), None, "its page has a record");
    assert_eq!(gate.poll_timeout(), None);
}

mod attack;
mod property;
