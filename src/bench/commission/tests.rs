use serde_json::{Value, json};

use super::*;
use crate::config;

const SITE: &str = r#"
[site]
name = "Quayside Timber"
[cards.amp]
output = "null"
channels = 2
[relays.yard-trigger]
line = "simulated"
[relays.office-mute]
line = "simulated"
lead = "800 ms"
[relays.lamp]
line = "simulated"
shows = "page"
[zones.yard]
card = "amp"
channel = 1
trigger = ["yard-trigger"]
lead = "300 ms"
[zones.office]
card = "amp"
channel = 2
mute = ["office-mute"]
[groups.dispatch]
address = "239.192.0.10:5004"
zones = ["yard", "office"]
[music.radio]
input = "null"
zones = ["yard"]
"#;

fn plan() -> Plan {
    let loaded = config::check_text(SITE, std::path::Path::new("site.toml"), None);
    loaded.plan.unwrap_or_else(|| panic!("{:?}", loaded.problems))
}

const DISPATCH: Speaker = Speaker::Group(0);

fn record() -> Value {
    json!({
        "was_heard": true, "zones": ["yard", "office"], "missed": [], "why": "stream ended", "wait_ms": 820, "zone_wait_ms": 0,
        "level_dbfs": -21.5, "packets": 495, "lost": 5, "lost_percent": 1.0, "jitter_ms": 2.5,
    })
}

fn verdicts(record: &Value) -> Vec<(&'static str, Verdict)> {
    let record = record.as_object().cloned().unwrap_or_default();
    judge(&plan(), DISPATCH, &Past::new(record))
        .iter()
        .map(|judged| (judged.step, judged.verdict))
        .collect()
}

#[test]
fn everything_is_tried_zones_first() {
    let plan = plan();
    let names: Vec<(Kind, &str)> = trials(&plan)
        .iter()
        .map(|trial| (trial.kind(), trial.name(&plan)))
        .collect();
    assert_eq!(
        names,
        [
            (Kind::Zone, "yard"),
            (Kind::Zone, "office"),
            (Kind::Relay, "yard-trigger"),
            (Kind::Relay, "office-mute"),
            (Kind::Relay, "lamp"),
            (Kind::Group, "dispatch"),
            (Kind::Music, "radio"),
        ]
    );
    assert!(purpose(&plan, RelayId(0)).contains("amplifier of yard"));
    assert!(purpose(&plan, RelayId(1)).contains("music in office"));
    assert!(purpose(&plan, RelayId(2)).contains("lamp"));
}

#[test]
fn a_good_page_passes() {
    let good = Verdict::Passed;
    let wanted = [
        ("reach", good),
        ("delay", good),
        ("level", good),
        ("loss", good),
        ("jitter", good),
    ];
    assert_eq!(verdicts(&record()), wanted);
}

/// The longest lead is that of office-mute, 0.8 s; half a second later is late.
#[test]
fn what_is_wrong_is_told() {
    for (key, value, step) in [
        ("wait_ms", json!(1400), "delay"),
        ("level_dbfs", json!(-58.0), "level"),
        ("level_dbfs", json!(-0.5), "level"),
        ("lost_percent", json!(3.2), "loss"),
        ("jitter_ms", json!(80.0), "jitter"),
        ("missed", json!([{ "zone": "office", "cause": "quiet hours" }]), "reach"),
    ] {
        let mut record = record();
        record[key] = value;
        let failed: Vec<&str> = verdicts(&record)
            .iter()
            .filter(|(_, v)| *v == Verdict::Failed)
            .map(|(s, _)| *s)
            .collect();
        assert_eq!(failed, [step]);
    }
    let mut waited = record();
    waited["wait_ms"] = json!(5000);
    waited["zone_wait_ms"] = json!(4100);
    assert!(
        verdicts(&waited).contains(&("delay", Verdict::Passed)),
        "another page was on"
    );
    let refused = json!({ "was_heard": false, "why": "busy", "zones": [], "missed": [] });
    assert_eq!(verdicts(&refused), [("reach", Verdict::Failed)]);
}

#[test]
fn the_tally_goes_by_the_last_outcomes() {
    let plan = plan();
    let outcome = |kind, name: &str, step: &str, verdict| Outcome {
        at: String::new(),
        by: String::new(),
        kind,
        name: name.to_owned(),
        step: step.to_owned(),
        value: None,
        found: String::new(),
        wanted: String::new(),
        verdict,
        note: String::new(),
    };
    let all = [
        outcome(Kind::Zone, "yard", "heard", Verdict::Failed),
        outcome(Kind::Zone, "yard", "heard", Verdict::Passed),
        outcome(Kind::Zone, "yard", "level", Verdict::Passed),
        outcome(Kind::Group, "dispatch", "page", Verdict::Failed),
        outcome(Kind::Relay, "lamp", "operates", Verdict::Skipped),
    ];
    let tally = tally(&plan, &trials(&plan), &all);
    assert_eq!(
        tally.to_string(),
        "7 trials: 1 passed, 1 failed, 1 skipped, 4 not tried"
    );
}
