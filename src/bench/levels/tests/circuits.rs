//! Every circuit solved a second way, and texts of any kind.

use proptest::prelude::*;

use super::super::cable::{Cable, Gauge};
use super::super::chain::{Advice, Setup, plan};
use super::super::line::Tap;
use super::super::pad::{Kind, Network, Pad, Place, design, least_loss, least_loss_of_l};
use super::super::quantity::{Celsius, Level, Metres, Ohms, Volts, Watts, read_db, read_spl};
use super::super::series::Series;
use super::is_of;
use crate::sound::level::{Db, Dbfs, Dbm, Dbu, Dbv};

/// Node voltages by Kirchhoff's law and Gauss: no chain matrix, no formula of a pad. Nodes: 0 upper input, then each joint of the upper
/// leg; the lower leg's own joints; the return of the source is the reference.
fn solved(network: &Network, source: f64, load: f64) -> (f64, f64) {
    let mut branches: Vec<(usize, usize, f64)> = Vec::new();
    // Node 0 is the reference, at the lower input; 1 the upper input, fed by 1 V behind the source.
    let (mut upper, mut lower, mut nodes) = (1, 0, 2);
    for (place, ohms) in &network.parts {
        match place {
            Place::Line => {
                branches.push((upper, nodes, *ohms));
                upper = nodes;
                nodes += 1;
            }
            Place::Return => {
                branches.push((lower, nodes, *ohms));
                lower = nodes;
                nodes += 1;
            }
            Place::Across => branches.push((upper, lower, *ohms)),
            Place::Bridge => branches.push((1, upper, *ohms)),
        }
    }
    branches.push((upper, lower, load));
    let n = nodes - 1;
    let mut m = vec![vec![0.0; n + 1]; n];
    for (a, b, ohms) in branches.into_iter().chain([(1, 0, source)]) {
        for (this, that) in [(a, b), (b, a)] {
            if this > 0 {
                m[this - 1][this - 1] += 1.0 / ohms;
                if that > 0 {
                    m[this - 1][that - 1] -= 1.0 / ohms;
                }
            }
        }
    }
    // The source as a current into the upper input.
    m[0][n] = 1.0 / source;
    for i in 0..n {
        let best = (i..n).max_by(|a, b| m[*a][i].abs().total_cmp(&m[*b][i].abs())).unwrap();
        m.swap(i, best);
        let pivot = m[i].clone();
        for (_, values) in m.iter_mut().enumerate().filter(|(row, _)| *row != i) {
            let f = values[i] / pivot[i];
            for (value, above) in values.iter_mut().zip(&pivot) {
                *value -= f * above;
            }
        }
    }
    let volts = |node: usize| {
        if node == 0 {
            0.0
        } else {
            m[node - 1][n] / m[node - 1][node - 1]
        }
    };
    let input = volts(1) / ((1.0 - volts(1)) / source);
    (volts(upper) - volts(lower), input)
}

fn setups() -> impl Strategy<Value = Setup> {
    let kinds = prop::sample::select(Kind::ALL[..7].to_vec());
    let pad = (kinds, 1u8..60).prop_map(|(kind, n)| Pad {
        kind,
        loss: Db(f32::from(n)),
    });
    let impedances = (1.0f64..4.0, 1.0f64..5.0);
    (
        0.01f64..10.0,
        impedances,
        prop::option::of(0.0f32..3.0),
        prop::option::of(pad),
        -70.0f32..20.0,
        -40.0f32..0.0,
    )
        .prop_map(|(full, (source, input), transformer, pad, level, ceiling)| Setup {
            full_scale: Some(Volts(full)),
            source: Some(Ohms(10f64.powf(source))),
            noise: None,
            transformer: transformer.map(Db),
            cable: None,
            pad,
            level: Level::Dbu(Dbu(level)),
            input: Ohms(10f64.powf(input)),
            ceiling: Dbfs(ceiling),
            boost: None,
        })
}

fn kinds() -> impl Strategy<Value = Kind> {
    prop::sample::select(Kind::ALL.to_vec())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    /// Whatever is designed has the loss and the impedances that it was made for, solved without what it was designed by.
    #[test]
    fn every_pad_is_what_it_says(kind in kinds(), db in 0.5f32..60.0, source in 10.0f64..10_000.0, ratio in 0.02f64..50.0, same in any::<bool>()) {
        let load = if same { source } else { source * ratio };
        let Ok(pad) = design(kind, Some(Db(db)), Ohms(source), Ohms(load)) else { return Ok(()) };
        let (out, input) = solved(&pad, source, load);
        let loss = 10.0 * (0.25 / source * load / (out * out)).log10();
        let wanted = if kind == Kind::MinimumLoss { f64::from(least_loss(Ohms(source), Ohms(load)).0) } else { f64::from(db) };
        prop_assert!((loss - wanted).abs() < 1e-3, "{pad:?}: {loss} dB, not {wanted}");
        prop_assert!((input / source - 1.0).abs() < 1e-5, "{pad:?}: {input} ohm, not {source}");
        if !matches!(kind, Kind::L | Kind::U) {
            prop_assert!((pad.output().0 / load - 1.0).abs() < 1e-5, "{pad:?}: the load sees {}", pad.output());
        }
    }

    /// An L exists from 10·log r on, up and down, and a U with it; the nodes agree that it is one (above).
    #[test]
    fn an_l_asks_for_less_than_a_t(db in 0.5f32..60.0, source in 10.0f64..10_000.0, ratio in 0.02f64..50.0) {
        let (source, load) = (Ohms(source), Ohms(source * ratio));
        let least = 10.0 * ratio.log10().abs();
        prop_assume!((f64::from(db) - least).abs() > 1e-3);
        prop_assert!((f64::from(least_loss_of_l(source, load).0) - least).abs() < 1e-3);
        for kind in [Kind::L, Kind::U] {
            prop_assert_eq!(design(kind, Some(Db(db)), source, load).is_ok(), f64::from(db) > least);
        }
    }

    /// The chain matrix says what the nodes say for built pads too, into any source and load; no resistors within the tolerance leave the spread.
    #[test]
    fn built_pads_by_nodes(kind in kinds(), db in 1.0f32..40.0, z in 50.0f64..5000.0, load in 50.0f64..50_000.0, off in prop::array::uniform5(-0.05f64..0.05)) {
        let other = if kind == Kind::MinimumLoss { z * 2.5 } else { z };
        let Ok(pad) = design(kind, Some(Db(db)), Ohms(z), Ohms(other)) else { return Ok(()) };
        for series in [Series::E24, Series::E96] {
            let built = pad.built(series);
            prop_assert!(built.parts.iter().all(|(_, r)| is_of(series, *r)));
            let (out, input) = solved(&built, z, load);
            let circuit = built.two_port();
            prop_assert!((circuit.transfer(Ohms(z), Ohms(load)) / out - 1.0).abs() < 1e-9);
            prop_assert!((circuit.input(Ohms(load)).0 / input - 1.0).abs() < 1e-7);
            let spread = built.spread(0.05);
            let mut some = built.clone();
            for ((_, ohms), off) in some.parts.iter_mut().zip(off) {
                *ohms *= 1.0 + off;
            }
            prop_assert!(spread.loss.0.0 - 1e-4 <= some.loss().0 && some.loss().0 <= spread.loss.1.0 + 1e-4);
            prop_assert!(spread.input.0.0 - 1e-6 <= some.input().0 && some.input().0 <= spread.input.1.0 + 1e-6);
        }
    }

    /// Whoever follows the advice is never sent back to a pad that was there before, and comes to an end; the gain is the one promised.
    #[test]
    fn advice_ends(setup in setups()) {
        let mut setup = setup;
        let mut had = vec![setup.pad];
        while let Advice::Pad { gain, .. } | Advice::LessPad { gain, .. } = plan(&setup).advice {
            let next = match plan(&setup).advice {
                Advice::Pad { pad, .. } => Some(pad),
                Advice::LessPad { pad, .. } => pad,
                _ => None,
            };
            prop_assert!(!had.contains(&next), "{next:?} again: {setup:?}");
            had.push(next);
            setup.pad = next;
            prop_assert!((plan(&setup).set().0 - gain.0.max(-60.0)).abs() < 1e-3, "{gain:?} promised, {:?}", plan(&setup).set());
        }
        prop_assert!(had.len() <= 3, "{had:?}");
    }

    /// Whatever is read does no harm, and what is written is read as the same again.
    #[test]
    fn any_text(text in "\\PC{0,24}") {
        let _ = (Level::read(&text), Ohms::read(&text), Gauge::read(&text), Cable::read(&text), Tap::read(&text), Pad::read(&text));
        let _ = (Watts::read(&text), Metres::read(&text), Celsius::read(&text), read_db(&text), read_spl(&text));
    }

    #[test]
    fn levels_come_back(n in -60.0f32..30.0) {
        let n = (n * 10.0).round() / 10.0;
        for level in [Level::Dbm(Dbm(n)), Level::Dbu(Dbu(n)), Level::Dbv(Dbv(n))] {
            prop_assert_eq!(Level::read(&level.to_string()), Ok(level));
        }
    }
}
