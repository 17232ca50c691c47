//! Worked values and tables of standards.

use super::cable::{Cable, Gauge, IEC_60228};
use super::chain::{Advice, Setup, plan};
use super::line::{Line, Load, SEVENTY, Tap};
use super::pad::{Kind, Network, Pad, Place, design};
use super::quantity::{Celsius, Level, Metres, Ohms, Spl, Unfit, Volts, Watts, read_db, read_spl, with_unit};
use super::series::Series;
use super::sound::{self, Permitted};
use crate::sound::level::{Db, Dbfs, Dbm, Dbu, Dbv};

mod circuits;
mod told;

fn near(found: f64, wanted: f64, within: f64, what: &str) {
    assert!((found - wanted).abs() <= within, "{what}: {found}, not {wanted}");
}

/// Computed: 0 dBu = √0.6 V; the table of round levels, which public pages on dBu and dBV agree with.
#[test]
fn levels_in_all_their_units() {
    for (volts, dbv, dbu, mw) in [
        (0.3162, -10.0, -7.78, 0.167),
        (0.7746, -2.218, 0.0, 1.0),
        (1.0, 0.0, 2.218, 1.667),
        (1.2277, 1.78, 4.0, 2.512),
        (2.0, 6.02, 8.24, 6.667),
        (2.1, 6.44, 8.66, 7.350),
    ] {
        let v = Volts(volts);
        near(f64::from(v.dbv().0), dbv, 0.006, "dBV");
        near(f64::from(v.dbu().0), dbu, 0.006, "dBu");
        near(v.power(Ohms(600.0)).0 * 1e3, mw, 0.002, "mW");
        near(Dbu(dbu as f32).volts(), volts, volts * 1e-3, "of dBu");
        near(Dbv(dbv as f32).volts(), volts, volts * 1e-3, "of dBV");
        // The kind of decibel that was there before says the same.
        near(f64::from(Dbm::of_volts(volts as f32).0), dbu, 0.006, "dBm");
    }
    // +4 dBu and -10 dBV lie 11.78 dB apart (computed).
    let apart = Level::Dbu(Dbu(4.0)).volts().above(Level::Dbv(Dbv(-10.0)).volts());
    near(f64::from(apart.0), 11.78, 0.01, "apart");
}

/// Computed: 20·log((Zs + ZL)/ZL); matched is 6.02 dB.
#[test]
fn what_a_load_takes() {
    for (source, load, db) in [
        (600.0, 600.0, 6.02),
        (600.0, 6e3, 0.83),
        (600.0, 1e4, 0.51),
        (600.0, 2e4, 0.26),
        (100.0, 600.0, 1.34),
        (150.0, 600.0, 1.94),
        (190.0, 600.0, 2.39),
        (50.0, 600.0, 0.70),
    ] {
        let through = super::two_port::TwoPort::NONE.transfer(Ohms(source), Ohms(load));
        near(-20.0 * through.log10(), db, 0.006, "source-load loss");
    }
}

fn ohms(network: &Network, place: Place) -> f64 {
    network.parts.iter().find(|(p, _)| *p == place).unwrap().1
}

/// Computed, K = 10^(dB/20), for 600 ohm. The 15 dB π is in a published exercise too, the 10 dB T of 50 ohm, times 12, on a page of tables.
#[test]
fn pads_of_600_ohm() {
    #[rustfmt::skip]
    let table = [
        (3.0, 102.6, 1703.1, 51.3, 3508.8, 211.4, 247.5, 1454.4),
        (6.0, 199.4, 803.2, 99.7, 1805.7, 448.2, 597.2, 602.9),
        (10.0, 311.7, 421.6, 155.8, 1155.0, 853.8, 1297.4, 277.5),
        (12.0, 359.1, 321.7, 179.5, 1002.5, 1119.0, 1788.6, 201.3),
        (15.0, 418.8, 220.4, 209.4, 859.5, 1633.7, 2774.0, 129.8),
        (20.0, 490.9, 121.2, 245.5, 733.3, 2970.0, 5400.0, 66.7),
        (30.0, 563.2, 38.0, 281.6, 639.2, 9477.3, 18373.7, 19.6),
        (40.0, 588.1, 12.0, 294.1, 612.1, 29997.0, 59400.0, 6.1),
    ];
    for (db, t1, t2, h, pi_across, pi_line, bridge, bridged_across) in table {
        let of = |kind| design(kind, Some(Db(db)), Ohms(600.0), Ohms(600.0)).unwrap();
        let (t, pi, b) = (of(Kind::T), of(Kind::Pi), of(Kind::BridgedT));
        let close = |found: f64, wanted: f64| near(found, wanted, 0.06 + wanted * 1e-5, &format!("{db} dB"));
        close(ohms(&t, Place::Line), t1);
        close(ohms(&t, Place::Across), t2);
        close(ohms(&of(Kind::H), Place::Return), h);
        close(ohms(&of(Kind::H), Place::Across), t2);
        close(ohms(&pi, Place::Across), pi_across);
        close(ohms(&pi, Place::Line), pi_line);
        close(ohms(&of(Kind::O), Place::Return), pi_line / 2.0);
        close(ohms(&b, Place::Bridge), bridge);
        close(ohms(&b, Place::Across), bridged_across);
    }
    for (db, line, across, leg) in [
        (6.0, 299.3, 602.9, 149.6),
        (10.0, 410.3, 277.5, 205.1),
        (12.0, 449.3, 201.3, 224.6),
        (20.0, 540.0, 66.7, 270.0),
        (40.0, 594.0, 6.1, 297.0),
    ] {
        let of = |kind| design(kind, Some(Db(db)), Ohms(600.0), Ohms(600.0)).unwrap();
        near(ohms(&of(Kind::L), Place::Line), line, 0.06, "L");
        near(ohms(&of(Kind::L), Place::Across), across, 0.06, "L");
        near(ohms(&of(Kind::U), Place::Return), leg, 0.06, "U");
    }
}

/// A table in an amateur radio handbook, for one impedance of 600 ohm: the other, resistor in line, across, loss in dB.
#[test]
fn minimum_loss_pads() {
    #[rustfmt::skip]
    let table = [
        (500.0, 245.0, 1225.0, 3.8), (400.0, 346.0, 694.0, 5.7), (300.0, 424.0, 425.0, 7.6), (250.0, 458.0, 328.0, 8.7),
        (200.0, 490.0, 245.0, 10.0), (150.0, 520.0, 173.0, 11.4), (100.0, 548.0, 110.0, 13.4), (75.0, 561.0, 80.2, 14.8),
        (50.0, 575.0, 52.2, 16.6), (40.0, 580.0, 41.4, 17.6), (30.0, 585.0, 30.8, 18.9), (25.0, 587.0, 25.6, 19.7),
        (800.0, 400.0, 1200.0, 4.8), (1000.0, 632.0, 949.0, 6.5), (1200.0, 849.0, 849.0, 7.6), (1500.0, 1162.0, 775.0, 9.0),
        (2000.0, 1673.0, 717.0, 10.5), (5000.0, 4690.0, 638.0, 15.0), (10000.0, 9695.0, 619.0, 18.1),
    ];
    for (other, line, across, loss) in table {
        for (source, load) in [(600.0, other), (other, 600.0)] {
            let pad = design(Kind::MinimumLoss, None, Ohms(source), Ohms(load)).unwrap();
            // The handbook reckoned with a slide rule's exactness.
            near(ohms(&pad, Place::Line), line, line * 3e-3, "in line");
            near(ohms(&pad, Place::Across), across, 0.5 + across * 3e-3, "across");
            near(f64::from(pad.loss().0), loss, 0.06, "loss");
            near(pad.input().0, source, 1e-6, "matched");
            near(pad.output().0, load, 1e-6, "matched");
        }
    }
}

fn made(kind: Kind, values: &[f64]) -> Network {
    let mut pad = design(kind, Some(Db(10.0)), Ohms(600.0), Ohms(600.0)).unwrap();
    for ((_, old), new) in pad.parts.iter_mut().zip(values) {
        *old = *new;
    }
    pad
}

/// Computed: pads of nearest values between 600 ohm and 600 ohm.
#[test]
fn pads_of_preferred_values() {
    for (across, line, db, seen) in [
        (430.0, 300.0, 9.742, 591.0),
        (422.0, 309.0, 9.957, 597.2),
        (120.0, 510.0, 20.346, 618.3),
        (121.0, 487.0, 19.956, 595.9),
        (806.0, 200.0, 5.999, 601.5),
    ] {
        let pad = made(Kind::T, &[line, across, line]);
        near(f64::from(pad.loss().0), db, 0.001, "loss");
        near(pad.input().0, seen, 0.06, "input");
    }
    // E96 keeps every kind within a tenth of a decibel and 2 % of its impedance.
    for kind in Kind::ALL {
        for db in [3.0, 6.0, 10.0, 15.0, 20.0, 30.0] {
            let load = if kind == Kind::MinimumLoss { 150.0 } else { 600.0 };
            let exact = design(kind, Some(Db(db)), Ohms(600.0), Ohms(load)).unwrap();
            let built = exact.built(Series::E96);
            near(f64::from(built.loss().0), f64::from(exact.loss().0), 0.1, kind.name());
            near(built.input().0 / 600.0, 1.0, 0.02, kind.name());
            assert!(built.parts.iter().all(|(_, r)| is_of(Series::E96, *r)), "{built:?}");
        }
    }
}

fn is_of(series: Series, ohms: f64) -> bool {
    let power = 10f64.powf(ohms.log10().floor());
    series.decade().iter().any(|n| (n * power / ohms - 1.0).abs() < 1e-9)
}

/// Computed: output over the source's open voltage, pads of 600 ohm fed from other sources.
#[test]
fn pads_off_their_impedance() {
    for (db, source, out) in [
        (20.0, 0.0, -20.00),
        (20.0, 100.0, -21.34),
        (20.0, 190.0, -22.39),
        (20.0, 600.0, -26.02),
        (10.0, 0.0, -10.00),
        (10.0, 100.0, -11.34),
        (10.0, 190.0, -12.39),
        (10.0, 600.0, -16.02),
    ] {
        let pad = design(Kind::T, Some(Db(db)), Ohms(600.0), Ohms(600.0)).unwrap();
        let through = pad.two_port().transfer(Ohms(source), Ohms(600.0));
        near(20.0 * through.log10(), out, 0.006, "transfer");
    }
}

#[test]
fn pads_that_cannot_be() {
    let why = |kind, db, source, load| match design(kind, db, Ohms(source), Ohms(load)) {
        Ok(network) => panic!("{network:?}"),
        Err(Unfit(hint)) => hint,
    };
    assert!(why(Kind::T, Some(Db(3.0)), 600.0, 150.0).contains("11.5 dB at least"));
    assert!(why(Kind::T, None, 600.0, 600.0).contains("say its loss"));
    assert!(why(Kind::T, Some(Db(-3.0)), 600.0, 600.0).contains("without a minus"));
    assert!(why(Kind::T, Some(Db(0.1)), 600.0, 600.0).contains("0.5 dB"));
    assert!(why(Kind::Pi, Some(Db(70.0)), 600.0, 600.0).contains("60 dB"));
    assert!(why(Kind::BridgedT, Some(Db(20.0)), 600.0, 150.0).contains("same impedance"));
    assert!(why(Kind::MinimumLoss, None, 600.0, 600.0).contains("the same"));
}

/// IEC 60063, as two public lists of it have them.
#[test]
fn preferred_values_are_complete() {
    #[rustfmt::skip]
    let e24 = [
        10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91,
    ];
    #[rustfmt::skip]
    let e96 = [
        100, 102, 105, 107, 110, 113, 115, 118, 121, 124, 127, 130, 133, 137, 140, 143, 147, 150, 154, 158, 162, 165, 169, 174,
        178, 182, 187, 191, 196, 200, 205, 210, 215, 221, 226, 232, 237, 243, 249, 255, 261, 267, 274, 280, 287, 294, 301, 309,
        316, 324, 332, 340, 348, 357, 365, 374, 383, 392, 402, 412, 422, 432, 442, 453, 464, 475, 487, 499, 511, 523, 536, 549,
        562, 576, 590, 604, 619, 634, 649, 665, 681, 698, 715, 732, 750, 768, 787, 806, 825, 845, 866, 887, 909, 931, 953, 976,
    ];
    let hundredths =
        |series: Series| -> Vec<u32> { series.decade().iter().map(|n| (n * 100.0).round() as u32).collect() };
    assert_eq!(hundredths(Series::E24), e24.map(|n| n * 10));
    assert_eq!(hundredths(Series::E96), e96);
    for (series, ohms, nearest) in [
        (Series::E24, 311.7, 300.0),
        (Series::E24, 421.6, 430.0),
        (Series::E96, 311.7, 309.0),
        (Series::E24, 9.7, 10.0),
        (Series::E24, 0.1, 0.1),
        (Series::E96, 99_900.0, 100_000.0),
        (Series::E96, 976.0, 976.0),
    ] {
        near(series.nearest(ohms), nearest, nearest * 1e-9, "nearest");
    }
}

/// IEC 60228 by four independent tables; AWG by hyperphysics' table (ASTM B258's law and 1.7241e-8 ohm m agree).
#[test]
fn conductors() {
    let area = |mm2, class| Gauge::Area { mm2, class }.ohms_a_km();
    #[rustfmt::skip]
    let table = [
        (0.5, 36.0, 39.0), (0.75, 24.5, 26.0), (1.0, 18.1, 19.5), (1.5, 12.1, 13.3), (2.5, 7.41, 7.98), (4.0, 4.61, 4.95),
        (6.0, 3.08, 3.30), (10.0, 1.83, 1.91), (16.0, 1.15, 1.21),
    ];
    assert_eq!(IEC_60228, table);
    for (mm2, fixed, flexible) in table {
        assert_eq!(
            [1, 2, 5, 6].map(|class| area(mm2, class)),
            [fixed, fixed, flexible, flexible]
        );
    }
    for (awg, ohms, mm2) in [
        (12, 5.21, 3.31),
        (14, 8.28, 2.08),
        (16, 13.17, 1.31),
        (18, 20.94, 0.823),
        (20, 33.3, 0.518),
        (22, 52.9, 0.326),
        (24, 84.2, 0.205),
    ] {
        near(Gauge::Awg(awg).ohms_a_km(), ohms, ohms * 2e-3, "AWG");
        near(Gauge::Awg(awg).mm2(), mm2, mm2 * 2e-3, "AWG");
    }
    // R = R20·(1 + 0.00393·(T − 20)): from memory; IEC 60228's own factors to 20 °C (1/Kt) agree within 0.3 %.
    let warm = |at| Gauge::Awg(16).loop_resistance(Metres(100.0), Celsius(at)).0 / 2.634;
    for (at, kt) in [(5.0, 1.064), (20.0, 1.0), (40.0, 0.926), (60.0, 0.862)] {
        near(warm(at), 1.0 / kt, 0.003, "warm");
    }
}

fn line(volts: Volts, watts: f64, length: f64, gauge: &str) -> Line {
    Line {
        load: Load::Taps(
            volts,
            vec![Tap {
                count: 1,
                power: Watts(watts),
            }],
        ),
        amplifier: None,
        cable: Some(Cable {
            length: Metres(length),
            gauge: Gauge::read(gauge).unwrap(),
        }),
        at: Celsius(20.0),
    }
}

/// Z = V²/P: 70.7 V from a handbook's page, the rest computed; runs computed.
#[test]
fn loudspeaker_lines() {
    let volts = [Volts(25.0), SEVENTY, Volts(100.0)];
    for (volts, impedances) in volts.into_iter().zip([
        [625.0, 125.0, 62.5, 25.0, 12.5, 6.25],
        [5000.0, 1000.0, 500.0, 200.0, 100.0, 50.0],
        [10000.0, 2000.0, 1000.0, 400.0, 200.0, 100.0],
    ]) {
        for (watts, z) in [1.0, 5.0, 10.0, 25.0, 50.0, 100.0].into_iter().zip(impedances) {
            near(line(volts, watts, 1.0, "1 mm2").impedance().0, z, 1e-6, "impedance");
        }
    }
    for (line, ohms, db, volts, watts) in [
        (
            line(Volts(100.0), 100.0, 100.0, "1.5 mm2 class 1"),
            2.42,
            0.208,
            97.64,
            95.33,
        ),
        (line(SEVENTY, 50.0, 100.0, "16 AWG"), 2.634, 0.226, 68.89, 47.47),
    ] {
        let run = line.run().unwrap();
        near(run.resistance.0, ohms, 0.001, "loop");
        near(f64::from(run.loss.0), db, 0.001, "loss");
        near(run.volts.0, volts, 0.01, "volts");
        near(run.power.0, watts, 0.01, "power");
        // Nothing is lost but in the cable.
        near(
            run.heat.0,
            run.power.0 * run.resistance.0 / line.impedance().0,
            1e-9,
            "heat",
        );
    }
    // The longest runs with 0.5 dB of a 100 ohm line.
    #[rustfmt::skip]
    let runs = [
        ("0.75 mm2 class 5", 114.0), ("1 mm2", 164.0), ("1.5 mm2", 245.0), ("2.5 mm2", 400.0), ("18 AWG", 141.0), ("16 AWG", 225.0),
        ("14 AWG", 358.0), ("12 AWG", 568.0),
    ];
    for (gauge, metres) in runs {
        let longest = line(Volts(100.0), 100.0, 10.0, gauge).run().unwrap().longest.0;
        near(longest, metres, 1.0, gauge);
        let at_that = line(Volts(100.0), 100.0, longest, gauge).run().unwrap();
        near(f64::from(at_that.loss.0), 0.5, 1e-4, gauge);
    }
    let low = Line {
        load: Load::Impedance(Ohms(8.0), Watts(30.0)),
        ..line(Volts(1.0), 1.0, 30.0, "16 AWG")
    };
    near(f64::from(low.run().unwrap().loss.0), 0.818, 0.001, "low impedance");
    // The thinnest that goes does go, and the one thinner does not.
    let (area, awg) = line(Volts(100.0), 100.0, 1.0, "1 mm2").thinnest(Metres(200.0));
    assert_eq!(
        (area.unwrap().to_string(), awg.unwrap().to_string()),
        ("1.5 mm2".to_owned(), "16 AWG".to_owned())
    );
}

/// Computed by inverse-square law and 10·log of powers.
#[test]
fn sound_at_a_distance() {
    let at = |metres| sound::level(Spl(0.0), Watts(1.0), Metres(metres)).0;
    for (metres, db) in [(2.0, 6.02), (4.0, 12.04), (8.0, 18.06), (10.0, 20.0), (16.0, 24.08)] {
        near(-at(metres), db, 0.006, "distance");
    }
    near(
        sound::level(Spl(90.0), Watts(10.0), Metres(4.0)).0,
        87.96,
        0.006,
        "90 dB, 10 W, 4 m",
    );
    near(
        sound::level(Spl(98.0), Watts(15.0), Metres(10.0)).0,
        89.76,
        0.006,
        "98 dB, 15 W, 10 m",
    );
    let sum = |levels: &[f64]| sound::sum(levels.iter().map(|l| Spl(*l))).0;
    near(sum(&[80.0, 80.0]), 83.01, 0.006, "two");
    near(sum(&[80.0; 4]), 86.02, 0.006, "four");
    near(sum(&[80.0; 10]), 90.0, 0.006, "ten");
    near(sum(&[80.0, 77.0]), 81.76, 0.006, "3 dB apart");
    near(sum(&[80.0, 74.0]), 80.97, 0.006, "6 dB apart");
    near(sum(&[80.0, 70.0]), 80.41, 0.006, "10 dB apart");
    near(sum(&[80.0, 83.0, 86.0]), 88.44, 0.006, "three");
    let needed = sound::power_for(Spl(85.0), Spl(90.0), Metres(6.0));
    near(needed.0, 11.38, 0.006, "70 + 15 dB at 6 m");
}

/// NIOSH's table on CDC's page; OSHA: 29 CFR 1910.95, Table G-16.
#[test]
fn what_ears_bear() {
    let hours = |permitted| match permitted {
        Permitted::Hours(hours) => hours,
        Permitted::Never => 0.0,
    };
    for (level, h) in [
        (85.0, 8.0),
        (88.0, 4.0),
        (91.0, 2.0),
        (94.0, 1.0),
        (97.0, 0.5),
        (100.0, 0.25),
    ] {
        near(hours(sound::niosh(Spl(level))), h, 1e-9, "NIOSH");
    }
    #[rustfmt::skip]
    let osha = [
        (90.0, 8.0), (92.0, 6.0), (95.0, 4.0), (97.0, 3.0), (100.0, 2.0), (102.0, 1.5), (105.0, 1.0), (110.0, 0.5), (115.0, 0.25),
    ];
    for (level, h) in osha {
        // The table rounds what its formula gives: 6.06 h to 6, 1.52 h to 1 1/2.
        near(hours(sound::osha(Spl(level))), h, 0.07, "OSHA");
    }
    assert_eq!(sound::osha(Spl(115.1)), Permitted::Never);
    assert_eq!(sound::niosh(Spl(140.0)), Permitted::Never);
    for (hours, told) in [
        (8.0, "8 h"),
        (6.06, "6 h 3 min"),
        (0.25, "15 min"),
        (0.005, "18 s"),
        (30.0, "all day"),
    ] {
        assert_eq!(Permitted::Hours(hours).to_string(), told);
    }
}

#[test]
fn quantities_are_read_and_written() {
    for (text, told) in [
        ("0 dBm", "0 dBm"),
        ("-10 dBV", "-10 dBV"),
        ("−10dBV", "-10 dBV"),
        ("4 dBu", "+4 dBu"),
        ("1.2 V", "1.2 V"),
        ("775 mV", "0.775 V"),
    ] {
        assert_eq!(Level::read(text).unwrap().to_string(), told);
    }
    for (text, part) in [
        ("", "a number"),
        ("dBm", "a number"),
        ("0", "write the unit"),
        ("0 dB", "no level"),
        ("0 dbm", "as dBm"),
        ("0 dBv", "dBu (0.775 V)"),
        ("-1 V", "above 0"),
        ("0 V", "above 0"),
        ("1,2 V", "not a comma"),
        ("1 mW", "not in watts"),
        ("1.2.3 V", "nine digits"),
        ("1e9 V", "the units"),
        ("0123456789012 V", "nine digits"),
        ("NaN dBm", "a number"),
    ] {
        let Err(Unfit(hint)) = Level::read(text) else {
            panic!("{text}")
        };
        assert!(hint.contains(part), "{text}: {hint}");
    }
    for (text, ohms) in [
        ("600 ohm", 600.0),
        ("10k", 1e4),
        ("10 kohm", 1e4),
        ("4.7 kΩ", 4700.0),
        ("47R", 47.0),
        ("1 M", 1e6),
    ] {
        near(Ohms::read(text).unwrap().0, ohms, 1e-9, text);
    }
    assert!(Ohms::read("600").is_err() && Ohms::read("0 ohm").is_err() && Ohms::read("-5 ohm").is_err());
    assert_eq!(Ohms::read(&with_unit("600", "ohm")), Ok(Ohms(600.0)));
    assert_eq!(with_unit("10k", "ohm"), "10k");
    near(Metres::read("100 ft").unwrap().0, 30.48, 1e-9, "feet");
    assert_eq!(Watts::read("120W"), Ok(Watts(120.0)));
    assert!(Watts::read("120 w").is_err() && Watts::read("120 dB").is_err() && Metres::read("30 W").is_err());
    assert_eq!(read_db("10dB"), Ok(Db(10.0)));
    assert!(read_db("10 dBm").is_err() && read_spl("200 dB").is_err() && Celsius::read("104 F").is_err());
    for (text, told) in [
        ("16 AWG", "16 AWG"),
        ("AWG 16", "16 AWG"),
        ("1.5 mm2", "1.5 mm2"),
        ("1.5mm²", "1.5 mm2"),
        ("1.5 mm2 class 5", "1.5 mm2 class 5"),
    ] {
        assert_eq!(Gauge::read(text).unwrap().to_string(), told);
    }
    for (text, part) in [
        ("0.5 mm", "a diameter"),
        ("16.5 AWG", "whole"),
        ("1.5 mm2 class 3", "1, 2, 5 or 6"),
        ("16", "16 AWG"),
    ] {
        let Err(Unfit(hint)) = Gauge::read(text) else {
            panic!("{text}")
        };
        assert!(hint.contains(part), "{text}: {hint}");
    }
    assert_eq!(Cable::read("20 m 0.5 mm2").unwrap().to_string(), "20 m 0.5 mm2");
    assert_eq!(Cable::read("20m 22 AWG").unwrap().to_string(), "20 m 22 AWG");
    assert!(Cable::read("0.5 mm2").is_err() && Cable::read("20 m").is_err() && Cable::read("20").is_err());
    assert_eq!(Tap::read("12x6W").unwrap().to_string(), "12 x 6 W");
    assert_eq!(Tap::read("6 W").unwrap().count, 1);
    assert!(Tap::read("0 x 6 W").is_err() && Tap::read("6").is_err() && Tap::read("x 6 W").is_err());
    assert_eq!(Pad::read("t 10 dB").unwrap().to_string(), "T 10 dB");
    assert_eq!(Pad::read("π 3 dB").unwrap().to_string(), "pi 3 dB");
    assert!(Pad::read("T").is_err() && Pad::read("T 10").is_err() && Pad::read("minimum-loss 3 dB").is_err());
    for (ohms, told) in [
        (0.79, "0.79 ohm"),
        (52.2, "52.2 ohm"),
        (600.0, "600 ohm"),
        (1234.4, "1234 ohm"),
        (9996.0, "10 kohm"),
        (47_000.0, "47 kohm"),
    ] {
        assert_eq!(Ohms(ohms).to_string(), told);
    }
}

fn usual() -> Setup {
    Setup {
        full_scale: Some(Volts(1.0)),
        source: Some(Ohms(100.0)),
        noise: None,
        transformer: None,
        cable: None,
        pad: None,
        level: Level::Dbu(Dbu(-20.0)),
        input: Ohms(600.0),
        ceiling: Dbfs(-3.0),
        boost: None,
    }
}

/// Computed by hand: 1 V across 600 ohm is +2.22 dBu; speech lies 16.99 dB below a full-scale sine (−20 dBFS against −3.01).
#[test]
fn the_gain_brings_speech_to_the_amplifier_s_level() {
    let found = plan(&usual());
    near(
        f64::from(found.full_scale().dbu().0),
        2.218,
        0.001,
        "loaded by 600 ohm as measured",
    );
    // −20 − (2.218 − 16.99) = −5.23, to the half below.
    assert_eq!(
        (found.gain, found.set(), &found.advice),
        (Db(-5.5), Db(-5.5), &Advice::Fits)
    );
    near(f64::from(found.peak_room(Db(-5.5)).0), 22.5, 1e-4, "room");
    near(f64::from(found.clear(Db(-5.5)).0), 80.0 - 16.99 - 5.5, 0.01, "noise");
    // Bridging: the open voltage, 700/600 of it, 1.34 dB more.
    let open = plan(&Setup {
        input: Ohms(1e6),
        ..usual()
    });
    near(f64::from(open.full_scale().dbu().0), 2.218 + 1.339, 0.002, "open");
    assert!(open.is_bridging && !found.is_bridging);
    // A transformer takes its loss between 600 ohm and 600 ohm.
    let matched = Setup {
        source: Some(Ohms(600.0)),
        ..usual()
    };
    let with = plan(&Setup {
        transformer: Some(Db(1.0)),
        ..matched.clone()
    });
    let less = plan(&matched).full_scale().above(with.full_scale());
    near(f64::from(less.0), 1.0, 1e-4, "transformer");
    // A 10 dB T between 600 ohm and 600 ohm takes 10 dB, from 100 ohm as much of what arrives before it.
    let padded = plan(&Setup {
        pad: Some(Pad::read("T 10 dB").unwrap()),
        ..usual()
    });
    near(f64::from(padded.full_scale().dbu().0), 2.218 - 10.0, 0.001, "pad");
}

#[test]
fn what_to_do_when_it_does_not_fit() {
    let hot = Setup {
        level: Level::Dbu(Dbu(-40.0)),
        ..usual()
    };
    let Advice::Pad { pad, gain } = plan(&hot).advice else {
        panic!("{:?}", plan(&hot).advice)
    };
    assert_eq!(pad.to_string(), "T 25 dB");
    // With that pad it fits, at that gain.
    let mended = plan(&Setup {
        pad: Some(pad),
        ..hot.clone()
    });
    assert_eq!((mended.advice, mended.gain), (Advice::Fits, gain));
    let balanced = plan(&Setup {
        transformer: Some(Db(1.0)),
        ..hot.clone()
    });
    assert!(matches!(
        balanced.advice,
        Advice::Pad {
            pad: Pad { kind: Kind::H, .. },
            ..
        }
    ));
    let weak = plan(&Setup {
        level: Level::Dbm(Dbm(0.0)),
        ..usual()
    });
    // −0 − (2.218 − 16.99) = 14.77 dB, of which 5 dB leave 12 dB for peaks.
    let Advice::TooWeak { missing, full_scale } = weak.advice else {
        panic!("{:?}", weak.advice)
    };
    near(f64::from(missing.0), 9.77, 0.01, "missing");
    near(f64::from(full_scale.0), 2.218 + 9.77, 0.01, "full scale");
    assert_eq!(weak.set(), Db(5.0));
    let padded = plan(&Setup {
        pad: Some(Pad::read("T 20 dB").unwrap()),
        ..usual()
    });
    assert!(
        matches!(padded.advice, Advice::LessPad { pad: None, .. }),
        "{:?}",
        padded.advice
    );
}
