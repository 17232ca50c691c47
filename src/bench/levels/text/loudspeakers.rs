//! Loudspeaker lines and sound in words.

use std::fmt::Write as _;

use super::super::line::{FULL, Line, Load, SMALL_LOSS};
use super::super::quantity::{Metres, Ohms, Spl, Watts, figures};
use super::super::sound::{self, ENOUGH, GOOD};
use super::{WIDTH, item};
use crate::report::text::fill;

/// Above this, a line's voltage is hazardous to touch (IEC 61140 and others: 50 V AC).
const TOUCH: f64 = 50.0;

/// A loudspeaker line: load, amplifier, cable.
pub fn line(line: &Line) -> String {
    let (volts, power, load) = (line.volts(), line.power(), line.impedance());
    let what = match &line.load {
        Load::Taps(rated, taps) => {
            let list: Vec<String> = taps.iter().map(ToString::to_string).collect();
            format!("{rated} line: {}", list.join(" + "))
        }
        Load::Impedance(ohms, _) => format!("Low impedance: {ohms}, {} at {power}", volts),
    };
    let mut out = String::new();
    fill(&mut out, &what, "", "  ", WIDTH);
    out.push('\n');
    let (amplifier, run) = (
        line.amplifier
            .map_or("[ amplifier ]".to_owned(), |p| format!("[ amplifier {p} ]")),
        line.cable
            .map_or("======".to_owned(), |cable| format!("==[ {cable} ]==")),
    );
    let picture = format!("    {amplifier}{run}+====+====+");
    let load_told = format!("  {power}, {load}");
    // The paragraph below says it too.
    let fits = picture.chars().count() + load_told.chars().count() <= WIDTH;
    let _ = writeln!(out, "{picture}{}\n", if fits { &load_told } else { "" });
    item(&mut out, "Load", &format!("{power} together, {load} for the amplifier"));
    if let (Some(rated), Some(share)) = (line.amplifier, line.share()) {
        let verdict = match share {
            s if s > 1.0 + 1e-9 => "TOO MUCH: tap lower, take some off, or use a larger amplifier".to_owned(),
            s if s > FULL + 1e-9 => format!(
                "it goes, but leave {:.0} % to spare: tap a little lower",
                (1.0 - FULL) * 100.0
            ),
            _ => format!(
                "{} are left up to {:.0} %",
                Watts(rated.0 * FULL - power.0),
                FULL * 100.0
            ),
        };
        item(
            &mut out,
            "Amplifier",
            &format!("{rated}: {:.0} % used; {verdict}", share * 100.0),
        );
        if load.0 * rated.0 < volts.0 * volts.0 * (1.0 - 1e-9) {
            let least = Ohms(volts.0 * volts.0 / rated.0);
            item(&mut out, "", &format!("It wants a load of {least} at least."));
        }
    }
    if let (Some(cable), Some(run)) = (line.cable, line.run()) {
        item(
            &mut out,
            "Cable",
            &format!("{cable}: {} there and back at {}", run.resistance, line.at),
        );
        item(
            &mut out,
            "",
            &format!(
                "all at its far end: {:.2} dB; {} arrive, and {} of {power}; {} heat the cable",
                run.loss.0, run.volts, run.power, run.heat
            ),
        );
        if line.count() > 1 {
            let spread = format!(
                "{} spread evenly along it: {:.2} dB at the last one",
                line.count(),
                run.spread.0
            );
            item(&mut out, "", &spread);
        }
        let long = match run.longest.0 {
            n if n < cable.length.0 => "TOO LONG".to_owned(),
            _ => "fine".to_owned(),
        };
        item(
            &mut out,
            "",
            &format!(
                "{long}: with {} dB the run may be {:.0} m long, all at its end",
                SMALL_LOSS.0,
                run.longest.0.floor()
            ),
        );
        let (area, awg) = line.thinnest(cable.length);
        let names: Vec<String> = [area, awg].iter().flatten().map(ToString::to_string).collect();
        let thin = match names.is_empty() {
            true => "no cable of the trade: use a higher line voltage, or several runs".to_owned(),
            false => names.join(" or "),
        };
        item(
            &mut out,
            "",
            &format!("thinnest for {} with {} dB: {thin}", cable.length, SMALL_LOSS.0),
        );
    }
    out
}

/// What it rests on.
pub fn line_notes(line: &Line) -> Vec<String> {
    let mut all = vec![
        "Taps up to 80 % of the amplifier, 0.5 dB of cable: common practice, no published source. Resistance of cables: the highest of IEC 60228; AWG by \
         ASTM B258."
            .to_owned(),
    ];
    if line.cable.is_some() && line.count() > 1 {
        all.push(
            "Spread evenly: that many loads, all the same, at equal distances, the first one such a distance from the amplifier, the last at the cable's end."
                .to_owned(),
        );
    }
    all
}

/// Where somebody could be hurt.
pub fn line_cautions(line: &Line) -> Vec<String> {
    let volts = line.volts();
    let mut all = Vec::new();
    if volts.0 > TOUCH {
        all.push(format!(
            "{volts} on the line can injure. Switch the amplifier off before you touch a terminal; insulate every joint."
        ));
    } else {
        all.push("Switch the amplifier off before you touch a terminal.".to_owned());
    }
    all.push(
        "Cable type, its way beside mains and signal, fire rating, and who may run it: your local electrical code decides; where it wants a licensed \
         electrician, use one."
            .to_owned(),
    );
    all.push("Start with the level low: a wrong tap is loud at once.".to_owned());
    all
}

/// One loudspeaker, or several that a listener hears.
#[derive(Debug, Clone, PartialEq)]
pub struct Heard {
    pub sensitivity: Spl,
    pub power: Watts,
    /// Each loudspeaker's distance from the listener.
    pub distances: Vec<Metres>,
    pub ambient: Option<Spl>,
}

impl Heard {
    /// From each, and from all.
    pub fn levels(&self) -> (Vec<Spl>, Spl) {
        let each: Vec<Spl> = self
            .distances
            .iter()
            .map(|d| sound::level(self.sensitivity, self.power, *d))
            .collect();
        let all = sound::sum(each.iter().copied());
        (each, all)
    }

    /// What ears at a place bear beside a level there: the ambient too, rounded up to whole decibels as the hours are told.
    pub fn exposure(&self, level: Spl) -> Spl {
        let all = sound::sum([level].into_iter().chain(self.ambient));
        Spl((all.0 - 1e-9).ceil())
    }

    /// The power of each, for a listener who hears all of them.
    pub fn power_for(&self, wanted: Spl) -> Watts {
        let (_, all) = self.levels();
        Watts(self.power.0 * 10f64.powf((wanted.0 - all.0) / 10.0))
    }
}

const BAR_FROM: f64 = 40.0;
const BAR_TO: f64 = 120.0;
const BAR: usize = 40;

/// A level on a scale from 40 to 120 dB.
fn bar(level: Spl) -> String {
    let part = ((level.0 - BAR_FROM) / (BAR_TO - BAR_FROM)).clamp(0.0, 1.0);
    let full = (part * BAR as f64).round() as usize;
    format!("|{}{}|", "#".repeat(full), ".".repeat(BAR - full))
}

/// Sound at the listener, over the ambient, and what ears bear.
pub fn sound(heard: &Heard) -> String {
    let (each, all) = heard.levels();
    let several = heard.distances.len() > 1;
    let plural = if several { "Loudspeakers" } else { "Loudspeaker" };
    let mut out = format!(
        "{plural} of {} dB (1 W, 1 m), {} W{}\n\n",
        heard.sensitivity.0,
        figures(heard.power.0),
        if several { " each" } else { "" }
    );
    let near = sound::level(heard.sensitivity, heard.power, Metres(1.0));
    let row = |out: &mut String, name: &str, level: Spl| {
        let _ = writeln!(out, "  {name:<21} {:>5.1} dB  {}", level.0, bar(level));
    };
    row(&mut out, "at 1 m", near);
    // Those of one distance stand in one line.
    let mut told: Vec<(Metres, usize)> = Vec::new();
    for distance in &heard.distances {
        match told.iter_mut().find(|(other, _)| other == distance) {
            Some((_, n)) => *n += 1,
            None => told.push((*distance, 1)),
        }
    }
    for (distance, n) in told {
        let level = sound::level(heard.sensitivity, heard.power, distance);
        let each = if n > 1 { format!(", each of {n}") } else { String::new() };
        row(&mut out, &format!("at {} m{each}", distance.to_the_centimetre()), level);
    }
    if each.len() > 1 {
        row(&mut out, "all together", all);
    }
    if let Some(ambient) = heard.ambient {
        row(&mut out, "ambient", ambient);
    }
    let _ = writeln!(out, "  {:32}40        60        80        100       120 dB", "");
    if let Some(ambient) = heard.ambient {
        out.push('\n');
        speech(&mut out, heard, ambient, all);
    }
    ears(&mut out, heard, near, all);
    out
}

fn speech(out: &mut String, heard: &Heard, ambient: Spl, all: Spl) {
    let over = all.0 - ambient.0;
    let verdict = match over {
        o if o < 0.0 => "not understood: it is below the noise",
        o if o < ENOUGH - 0.05 => "NOT ENOUGH",
        o if o < GOOD - 0.05 => "enough",
        o if o <= 20.0 => "good",
        _ => "more than speech needs: tap lower, ears and neighbours gain",
    };
    item(
        out,
        "Speech",
        &format!("{over:.1} dB over the ambient: {verdict}. 10 dB are enough, 15 dB good."),
    );
    let watts = |margin: f64| Watts(heard.power_for(Spl(ambient.0 + margin)).0);
    item(
        out,
        "",
        &format!(
            "10 dB over it take {}, 15 dB {}{}.",
            watts(ENOUGH),
            watts(GOOD),
            match heard.distances.len() {
                1 => "",
                _ => " each",
            }
        ),
    );
}

fn ears(out: &mut String, heard: &Heard, near: Spl, all: Spl) {
    let _ = writeln!(
        out,
        "\n  Hearing: how long a day ears may bear it     NIOSH advice   OSHA limit"
    );
    let ambient = heard.ambient.map_or("", |_| ", with the ambient");
    for (name, level) in [("at the listener", all), ("at 1 m", near)] {
        let level = heard.exposure(level);
        let _ = writeln!(
            out,
            "    {:<43}{:<15}{}",
            format!("{name}{ambient}, {:.0} dBA", level.0),
            sound::niosh(level).to_string(),
            sound::osha(level)
        );
    }
}

/// What it rests on.
pub fn sound_notes() -> Vec<String> {
    vec![
        "Reckoned in the free field: walls and a roof add some dB, wind and obstacles take some. Measure.".to_owned(),
        "By a sine at the tap's full power. The mean level of speech is some 10 dB below that where the amplifier is not to clip its peaks: where the \
         margin is small, tap higher."
            .to_owned(),
        "Hours are for the level rounded up to whole dBA, the ambient included where it is told.".to_owned(),
        "10 to 15 dB over the ambient: handbooks of sound systems and classrooms. Several loudspeakers: their powers add up.".to_owned(),
    ]
}

/// Where somebody could be hurt.
pub fn sound_cautions(heard: &Heard) -> Vec<String> {
    let near = sound::level(heard.sensitivity, heard.power, Metres(1.0));
    let mut all = Vec::new();
    if near.0 >= 85.0 {
        all.push(
            "Loudspeakers can damage hearing: start low, measure, keep people and ladders away while you test, wear hearing protection.".to_owned(),
        );
    }
    all.push(
        "The hours are for the whole day's noise together. Your local occupational-noise rules decide.".to_owned(),
    );
    all
}
