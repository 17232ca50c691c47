//! The same for programs: numbers with their unit in the name.

use hornwire::bench::levels::chain::{Advice, Part, Plan};
use hornwire::bench::levels::line::Line;
use hornwire::bench::levels::pad::{Network, Place};
use hornwire::bench::levels::quantity::{Level, Ohms, Volts};
use hornwire::bench::levels::series::Series;
use hornwire::bench::levels::sound::{self, Permitted};
use hornwire::bench::levels::text::Heard;
use serde_json::{Value, json};

/// To so many places, as decimals and not as the nearest binary fraction.
fn to(places: i32, n: impl Into<f64>) -> f64 {
    let scale = 10f64.powi(places);
    (n.into() * scale).round() / scale
}

fn levels(volts: Volts) -> Value {
    json!({ "v": to(6, volts.0), "dbu": to(2, volts.dbu().0), "dbv": to(2, volts.dbv().0) })
}

pub fn chain(plan: &Plan, title: &str) -> Value {
    let gain = plan.set();
    let joints = plan.joints.iter().map(|joint| {
        let before = match joint.before {
            Part::Card(_) => "card",
            Part::Transformer(..) => "transformer",
            Part::Cable(..) => "cable",
            Part::Pad(_) => "pad",
        };
        json!({
            "behind": before,
            "loss_db": to(2, joint.loss.0),
            "full_scale": levels(joint.full_scale),
            "speech": levels(Plan::speech(joint.full_scale, gain)),
            "loudest_sine": levels(plan.most(joint.full_scale)),
        })
    });
    let advice = match &plan.advice {
        Advice::Fits => json!({ "verdict": "fits" }),
        Advice::Pad { pad, gain } => {
            json!({ "verdict": "too-much", "pad": pad.to_string(), "then_gain_db": to(1, gain.0) })
        }
        Advice::LessPad { pad, gain } => json!({
            "verdict": "too-little",
            "pad": pad.map_or("none".to_owned(), |pad| pad.to_string()),
            "then_gain_db": to(1, gain.0),
        }),
        Advice::TooWeak { missing, full_scale } => json!({
            "verdict": "too-little",
            "missing_db": to(1, missing.0),
            "full_scale_wanted_dbm": to(1, full_scale.0),
        }),
    };
    json!({
        "kind": "chain",
        "name": title,
        "gain_db": to(1, gain.0),
        "measured": plan.setup.full_scale.is_some(),
        "joints": joints.collect::<Vec<_>>(),
        "amplifier_level": levels(plan.setup.level.volts()),
        "amplifier_impedance_ohm": plan.setup.input.0,
        "seen_by_amplifier_ohm": to(1, plan.seen.0),
        "equaliser_boost_db": plan.setup.boost.map(|boost| to(1, boost.0)),
        "peak_room_db": to(1, plan.peak_room(gain).0),
        "speech_to_noise_db": to(0, plan.clear(gain).0),
        "advice": advice,
    })
}

pub fn pad(network: &Network) -> Value {
    let one = |network: &Network| {
        let parts = network.parts.iter().enumerate().map(|(i, (place, ohms))| {
            let place = match place {
                Place::Line => "line",
                Place::Return => "return",
                Place::Across => "across",
                Place::Bridge => "bridge",
            };
            json!({ "name": format!("R{}", i + 1), "place": place, "ohm": to(6, *ohms) })
        });
        let spread = |tolerance: f64| {
            let spread = network.spread(tolerance);
            json!({
                "loss_db": [to(3, spread.loss.0.0), to(3, spread.loss.1.0)],
                "source_sees_ohm": [to(1, spread.input.0.0), to(1, spread.input.1.0)],
            })
        };
        json!({
            "resistors": parts.collect::<Vec<_>>(),
            "loss_db": to(4, network.loss().0),
            "source_sees_ohm": to(1, network.input().0),
            "load_sees_ohm": to(1, network.output().0),
            "one_percent": spread(0.01),
            "five_percent": spread(0.05),
        })
    };
    json!({
        "kind": "pad",
        "pad": network.kind.name(),
        "source_ohm": network.source.0,
        "load_ohm": network.load.0,
        "exact": one(network),
        "e24": one(&network.built(Series::E24)),
        "e96": one(&network.built(Series::E96)),
    })
}

pub fn line(line: &Line) -> Value {
    let run = line.run().map(|run| {
        json!({
            "resistance_ohm": to(4, run.resistance.0),
            "loss_db": to(3, run.loss.0),
            "spread_evenly_loss_db": to(3, run.spread.0),
            "volts": to(3, run.volts.0),
            "power_w": to(3, run.power.0),
            "heat_w": to(3, run.heat.0),
            "longest_for_half_db_m": to(0, run.longest.0.floor()),
        })
    });
    json!({
        "kind": "line",
        "volts": to(3, line.volts().0),
        "power_w": to(3, line.power().0),
        "impedance_ohm": to(3, line.impedance().0),
        "amplifier_w": line.amplifier.map(|power| power.0),
        "amplifier_used": line.share().map(|share| to(4, share)),
        "cable": run,
    })
}

pub fn sound(heard: &Heard) -> Value {
    let (each, all) = heard.levels();
    let hours = |permitted| match permitted {
        Permitted::Hours(hours) => to(4, hours),
        Permitted::Never => 0.0,
    };
    let exposure = heard.exposure(all);
    let levels = each.iter().map(|level| to(2, level.0));
    json!({
        "kind": "sound",
        "each_db": levels.collect::<Vec<_>>(),
        "together_db": to(2, all.0),
        "over_ambient_db": heard.ambient.map(|ambient| to(2, all.0 - ambient.0)),
        "exposure_dba": to(0, exposure.0),
        "niosh_hours": hours(sound::niosh(exposure)),
        "osha_hours": hours(sound::osha(exposure)),
    })
}

pub fn level(level: Level, impedance: Option<Ohms>) -> Value {
    let volts = level.volts();
    let power = |load: Ohms| volts.power(load).0;
    let mut all = levels(volts);
    all["kind"] = json!("level");
    all["w_in_600_ohm"] = json!(power(Ohms(600.0)));
    if let Some(load) = impedance {
        all["ohm"] = json!(load.0);
        all["w_in_it"] = json!(power(load));
    }
    all
}
