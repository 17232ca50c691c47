//! Pads, impedances and levels in words.

use std::fmt::Write as _;

use super::super::cable::Gauge;
use super::super::circuit;
use super::super::pad::{Kind, Network, Place, Spread};
use super::super::quantity::{Celsius, Level, Metres, Ohms, Volts, figures};
use super::super::series::Series;
use super::{db, item, plain};
use crate::sound::level::Db;

/// As it stands on a resistor: 4.7, 470, 4.7k, 10k.
fn printed(ohms: f64) -> String {
    match ohms {
        n if n >= 999_500.0 => format!("{}M", figures(n / 1e6)),
        n if n >= 999.5 => format!("{}k", figures(n / 1e3)),
        n => figures(n),
    }
}

/// Tolerances that resistors are sold with.
const TOLERANCES: [f64; 2] = [0.01, 0.05];

/// A pad: its circuit with E96 values, all values, what they come to.
pub fn pad(network: &Network) -> String {
    let built = [Series::E24, Series::E96].map(|series| network.built(series));
    let [e24, e96] = &built;
    let mut out = format!(
        "{}{} pad, {} dB, {} to {}\n\n",
        network.kind.name()[..1].to_uppercase(),
        &network.kind.name()[1..],
        two(network.loss().0),
        network.source,
        network.load
    );
    let value = |place, ohms| match network.is_wire(place, ohms) {
        true => "wire".to_owned(),
        false => printed(ohms),
    };
    for line in circuit::draw(e96, value) {
        let _ = writeln!(out, "    {line}");
    }
    let _ = writeln!(out, "\n  {:<22}{:>12}{:>16}{:>16}", "", "exact", "E24", "E96");
    for (i, (at, ohms)) in network.parts.iter().enumerate() {
        let place = match at {
            Place::Line if network.kind.is_balanced() => "in line, upper leg",
            Place::Line => "in line",
            Place::Return => "in line, lower leg",
            Place::Across => "across",
            Place::Bridge => "bridge",
        };
        let _ = writeln!(
            out,
            "  {:<22}{:>12}{:>16}{:>16}  ohm",
            format!("R{} {place}", i + 1),
            exact(*ohms),
            value(*at, e24.parts[i].1),
            value(*at, e96.parts[i].1)
        );
    }
    let row = |out: &mut String, name: &str, cells: [String; 3], unit: &str| {
        let [a, b, c] = cells;
        let _ = writeln!(out, "  {name:<22}{a:>12}{b:>16}{c:>16}  {unit}");
    };
    let all = [network, e24, e96];
    row(&mut out, "loss", all.map(|n| two(n.loss().0)), "dB");
    spreads(
        &mut out,
        &all,
        |s| format!("{} to {}", two(s.loss.0.0), two(s.loss.1.0)),
        "dB",
    );
    row(&mut out, "the source sees", all.map(|n| whole(n.input())), "ohm");
    spreads(
        &mut out,
        &all,
        |s| format!("{} to {}", whole(s.input.0), whole(s.input.1)),
        "ohm",
    );
    row(&mut out, "the load sees", all.map(|n| whole(n.output())), "ohm");
    out
}

fn spreads(out: &mut String, all: &[&Network; 3], told: impl Fn(Spread) -> String, unit: &str) {
    for tolerance in TOLERANCES {
        let name = format!("  all off by {} %", tolerance * 100.0);
        let _ = writeln!(
            out,
            "  {name:<22}{:>12}{:>16}{:>16}  {unit}",
            "",
            told(all[1].spread(tolerance)),
            told(all[2].spread(tolerance))
        );
    }
}

/// What to know before it is built.
pub fn pad_notes(network: &Network) -> Vec<String> {
    let mut all = vec![
        format!(
            "Loss is from what a source of {} has to give to what a load of {} gets. The spread is the worst case: every resistor off as far as it \
             may, all against you.",
            network.source, network.load
        ),
        "The circuit shows E96. For line level: metal film, 1 %, 1/4 W.".to_owned(),
    ];
    let balanced = match network.kind {
        Kind::U | Kind::H | Kind::O => None,
        Kind::T | Kind::BridgedT => Some("take an H"),
        Kind::Pi => Some("take an O"),
        Kind::L => Some("take a U"),
        Kind::MinimumLoss => Some("put half of the resistor in line into each leg"),
    };
    let kind = network.kind;
    all.extend(balanced.map(|instead| format!("The {kind} pad unbalances a balanced line: there {instead}.")));
    if network.kind.is_one_sided() {
        all.push(format!(
            "The {kind} pad matches the source alone; the load sees what stands in the table."
        ));
    }
    all
}

/// Where somebody could be hurt.
pub fn pad_cautions() -> Vec<String> {
    vec!["A pad of such resistors is nothing for a loudspeaker line: there it would burn, and the line's voltage can injure.".to_owned()]
}

fn two(n: f32) -> String {
    format!("{:.2}", n + 0.0)
}

fn exact(ohms: f64) -> String {
    match ohms {
        n if n >= 1e4 => format!("{n:.0}"),
        n if n < 0.1 => figures(n),
        n => format!("{n:.1}"),
    }
}

fn whole(ohms: Ohms) -> String {
    match ohms.0 {
        n if n >= 100.0 => format!("{n:.0}"),
        n => format!("{n:.1}"),
    }
}

/// A level in all its ways of writing; dBm in 600 ohm and in another impedance.
pub fn convert(level: Level, other: Option<Ohms>) -> String {
    let volts = level.volts();
    let mut out = format!("{level}\n");
    let three = |n: f32| format!("{:+.2}", (n * 100.0).round() / 100.0 + 0.0);
    let volts_told = format!("{} V", figures_of(volts.0));
    item(
        &mut out,
        "volts",
        &format!(
            "{volts_told} RMS; a sine of it peaks at {}",
            Volts(volts.0 * 2f64.sqrt())
        ),
    );
    item(
        &mut out,
        "dBu",
        &format!("{} dBu (0 dBu is 0.775 V)", three(volts.dbu().0)),
    );
    item(&mut out, "dBV", &format!("{} dBV (0 dBV is 1 V)", three(volts.dbv().0)));
    for load in [Ohms(600.0)].into_iter().chain(other.filter(|o| o.0 != 600.0)) {
        let power = volts.power(load);
        let dbm = 10.0 * (power.0 / 1e-3).log10();
        item(
            &mut out,
            "dBm",
            &format!("{} dBm in {load}: {power}", three(dbm as f32)),
        );
    }
    out
}

/// Four digits that count.
fn figures_of(n: f64) -> String {
    let digits = (3 - n.abs().log10().floor() as i32).max(0) as usize;
    format!("{n:.digits$}")
}

/// A conductor's thickness in the other ways of writing.
pub fn conductor(gauge: Gauge) -> String {
    let mut out = format!("{gauge}\n");
    let mm2 = gauge.mm2();
    let diameter = (mm2 * 4.0 / std::f64::consts::PI).sqrt();
    item(
        &mut out,
        "size",
        &format!("{} mm2, as thick as a wire of {} mm", figures(mm2), figures(diameter)),
    );
    let loops = gauge.loop_resistance(Metres(100.0), Celsius(20.0));
    let each = gauge.ohms_a_km();
    item(
        &mut out,
        "resistance",
        &format!("{} ohm a km at 20 °C; {loops} for 100 m, there and back", figures(each)),
    );
    out
}

/// A source impedance from two readings.
pub fn source(open: Volts, loaded: Volts, load: Ohms, found: Ohms) -> String {
    let mut out = format!("Source impedance: {found}\n");
    item(
        &mut out,
        "from",
        &format!("{open} without a load, {loaded} across {load}"),
    );
    item(&mut out, "loaded", &format!("{} dB less", plain(open.above(loaded).0)));
    item(&mut out, "write", &format!("impedance = \"{found}\" in [cards.NAME]"));
    if (load.0 - 600.0).abs() < 1e-6 {
        let level = loaded.dbu().0;
        item(
            &mut out,
            "",
            &format!(
                "full_scale = \"{} dBm\" too, if the tone was at full scale; at 20 dB below it, \"{} dBm\"",
                db(level),
                db(level + 20.0)
            ),
        );
    }
    let doubt = Ohms(load.0 * (open.0 * 1.01 / loaded.0 - 1.0));
    item(
        &mut out,
        "doubt",
        &format!("A meter that is off by 1 % in one reading makes it {doubt}."),
    );
    out
}

/// An impedance against the line's.
pub fn impedance(ohms: Ohms, line: Ohms) -> String {
    let mut out = format!("{ohms}\n");
    let as_load = Db((20.0 * ((line.0 + ohms.0) / ohms.0).log10()) as f32);
    let as_source = Db((20.0 * ((line.0 + ohms.0) / line.0).log10()) as f32);
    item(
        &mut out,
        "as a load",
        &format!("takes {} dB of a source of {line}", two(as_load.0)),
    );
    item(
        &mut out,
        "as a source",
        &format!("loses {} dB into a load of {line}", two(as_source.0)),
    );
    out
}
