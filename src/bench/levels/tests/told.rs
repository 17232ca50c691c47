//! What the texts say of what could go wrong.

use super::super::cable::Cable;
use super::super::chain::{Advice, Setup, plan};
use super::super::line::{Line, Load, Tap};
use super::super::pad::{Kind, Pad, design};
use super::super::quantity::{Celsius, Level, Metres, Ohms, Spl, Unfit, Volts, Watts};
use super::super::site;
use super::super::sound::{self, Permitted};
use super::super::text::{self, Heard, Names};
use super::{near, usual};
use crate::bench::examples::shipped;
use crate::sound::filter::Shape;
use crate::sound::level::{Db, Dbfs, Dbu};

#[test]
fn a_pad_in_both_legs_wants_a_line_that_floats() {
    for (kind, instead) in [("U", "as L instead"), ("H", "as T instead"), ("O", "as pi instead")] {
        let told = |transformer| {
            let setup = Setup {
                pad: Some(Pad::read(&format!("{kind} 6 dB")).unwrap()),
                transformer,
                ..usual()
            };
            let text = text::chain(&plan(&setup), &Names::default());
            text.split_whitespace().collect::<Vec<_>>().join(" ")
        };
        let shared = told(None);
        assert!(
            shared.contains("needs a line that floats") && shared.contains(instead),
            "{shared}"
        );
        assert!(!told(Some(Db(1.0))).contains("floats"));
    }
}

/// A ceiling of −12 dBFS leaves −4 dB for the gain: the pad that was found for 0 dB is not asked for again.
#[test]
fn a_low_ceiling_takes_a_smaller_pad() {
    let mut setup = Setup {
        full_scale: Some(Volts(1.8593)),
        source: Some(Ohms(150.0)),
        transformer: Some(Db(0.3)),
        level: Level::Dbu(Dbu(-31.7)),
        ceiling: Dbfs(-12.0),
        ..usual()
    };
    let Advice::Pad { pad, gain } = plan(&setup).advice else {
        panic!("{:?}", plan(&setup).advice)
    };
    assert!(gain.0 <= -4.0, "{gain:?}");
    setup.pad = Some(pad);
    assert_eq!((plan(&setup).advice, plan(&setup).gain), (Advice::Fits, gain));
}

/// Two equal levels are 3.01 dB more (computed): 87 dB of horns in 87 dB of saws are 90.01, told as 91 dBA: 2 h by NIOSH's table.
#[test]
fn ears_bear_the_ambient_too() {
    let heard = |ambient| Heard {
        sensitivity: Spl(87.0),
        power: Watts(1.0),
        distances: vec![Metres(1.0)],
        ambient,
    };
    let loud = heard(Some(Spl(87.0)));
    assert_eq!(loud.exposure(loud.levels().1), Spl(91.0));
    assert_eq!(sound::niosh(Spl(91.0)), Permitted::Hours(2.0));
    let text = text::sound(&loud);
    let row = text
        .lines()
        .find(|line| line.contains("at the listener, with the ambient, 91 dBA"));
    assert!(row.is_some_and(|row| row.contains("2 h")), "{text}");
    assert!(text::sound(&heard(None)).contains("at the listener, 87 dBA"));
}

/// One loudspeaker misses all of it. Of two, each of 200 ohm with 5 ohm before it, the last one misses 1.075625 to 1 (by hand). Of very many
/// it is cosh √(r/z) (the transmission line's equation).
#[test]
fn loudspeakers_along_a_cable() {
    let spread = |taps: &str| {
        let line = Line {
            load: Load::Taps(Volts(100.0), vec![Tap::read(taps).unwrap()]),
            amplifier: None,
            cable: Some(Cable::read("413.2231405 m 1.5 mm2").unwrap()),
            at: Celsius(20.0),
        };
        let run = line.run().unwrap();
        near(run.resistance.0, 10.0, 1e-6, "loop");
        (f64::from(run.spread.0), f64::from(run.loss.0))
    };
    let (one, loss) = spread("100 W");
    near(one, loss, 1e-6, "one");
    near(spread("2 x 50 W").0, 20.0 * 1.075_625_f64.log10(), 1e-5, "two");
    near(
        spread("1000 x 0.1 W").0,
        20.0 * 0.1_f64.sqrt().cosh().log10(),
        1e-3,
        "many",
    );
}

#[test]
fn feet_come_back_tidy() {
    for (text, told) in [
        ("3000 ft 24 AWG", "914.4 m 24 AWG"),
        ("333 ft 24 AWG", "101.5 m 24 AWG"),
        ("100 ft 22 AWG", "30.48 m 22 AWG"),
        ("5 cm 22 AWG", "0.05 m 22 AWG"),
    ] {
        assert_eq!(Cable::read(text).unwrap().to_string(), told);
    }
}

#[test]
fn what_an_l_cannot() {
    let why = |kind, db, source, load| match design(kind, Some(Db(db)), Ohms(source), Ohms(load)) {
        Ok(network) => panic!("{network:?}"),
        Err(Unfit(hint)) => hint,
    };
    // Computed: 10·log 4 = 6.02 dB, 10·log 133.3 = 21.25 dB.
    assert!(why(Kind::L, 6.0, 600.0, 150.0).contains("an L pad, which matches the source alone, loses 6.1 dB"));
    assert!(why(Kind::U, 21.2, 20_000.0, 150.0).contains("21.3 dB"));
    assert!(why(Kind::T, 8.0, 600.0, 150.0).contains("an L, which matches the source alone, 6.1 dB"));
    let l = design(Kind::L, Some(Db(6.1)), Ohms(600.0), Ohms(150.0)).unwrap();
    near(f64::from(l.loss().0), 6.1, 1e-4, "L");
}

/// A T of 600 to 150 ohm near its least loss has next to nothing in its last arm.
#[test]
fn what_is_hardly_a_resistor_is_wire() {
    let t = design(Kind::T, Some(Db(11.44)), Ohms(600.0), Ohms(150.0)).unwrap();
    assert!(t.parts[2].1 < 0.1, "{t:?}");
    let text = text::pad(&t);
    assert!(text.contains("[R3 wire]"), "{text}");
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
    // Across the line it would be a short.
    let small = design(Kind::T, Some(Db(60.0)), Ohms(10.0), Ohms(10.0)).unwrap();
    assert!(!text::pad(&small).contains("wire"));
}

#[test]
fn a_picture_fits_the_terminal() {
    let line = Line {
        load: Load::Taps(Volts(50.0), vec![Tap::read("16 x 30 W").unwrap()]),
        amplifier: Some(Watts(480.0)),
        cable: Some(Cable::read("37.5 m 0.5 mm2 class 5").unwrap()),
        at: Celsius(20.0),
    };
    let text = text::line(&line);
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
    let names = Names {
        title: format!("Amplifier {0}: zone {0}, channel 1 of card usb", "a".repeat(32)),
        ..Names::default()
    };
    let text = text::chain(&plan(&usual()), &names);
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
}

/// A bell of 6 dB lifts its own frequency by 6 dB; one that only takes away lifts nothing.
#[test]
fn an_equaliser_eats_headroom() {
    let mut config = shipped("quayside-yard.toml");
    let told = |config: &crate::config::plan::Plan| {
        let (found, names) = site::chain_of(config, &config.amplifiers[0], &config.zones[0]);
        (found.setup.boost, text::chain(&found, &names))
    };
    let bell = |gain| Shape::Bell {
        frequency: 1000.0,
        gain,
        q: 1.0,
    };
    config.zones[0].equaliser = vec![bell(6.0)];
    let (boost, text) = told(&config);
    near(f64::from(boost.unwrap().0), 6.0, 0.01, "boost");
    assert!(text.contains("lifts some tones by 6.0 dB"), "{text}");
    config.zones[0].equaliser = vec![bell(-6.0)];
    let (boost, text) = told(&config);
    assert!(boost.is_none() && !text.contains("equaliser"), "{text}");
}
