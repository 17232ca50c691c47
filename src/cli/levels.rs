//! `hornwire levels`: the level plan, from the config, from a file of tables, or from flags.

use std::io::Write as _;
use std::path::Path;

use hornwire::bench::levels::chain::{self, Setup};
use hornwire::bench::levels::line::{Line, Load};
use hornwire::bench::levels::pad;
use hornwire::bench::levels::quantity::{Level, Ohms, Unfit};
use hornwire::bench::levels::text::{self, Names};
use hornwire::bench::levels::{cable, site};
use hornwire::config;
use hornwire::config::plan::{Amplifier, Plan, Zone};
use hornwire::page::ZoneId;
use serde_json::{Value, json};

use super::{Exit, complain};
pub use arguments::Levels;
use arguments::{ChainWish, LineWish, SoundWish, What};

mod arguments;
mod figures;
mod file;

/// What one calculation gives: for people, and for programs.
struct Told {
    text: String,
    /// What it rests on.
    notes: Vec<String>,
    /// Where somebody could be hurt.
    cautions: Vec<String>,
    json: Value,
}

impl Told {
    fn plain(text: String, json: Value) -> Self {
        Told {
            text,
            notes: Vec::new(),
            cautions: Vec::new(),
            json,
        }
    }
}

pub fn run(wanted: &Levels) -> Exit {
    let as_json = wanted.form.json;
    let Some(what) = &wanted.what else {
        let path = wanted.file.as_deref().unwrap_or(Path::new(config::DEFAULT_FILE));
        let tables = path.extension().is_some_and(|extension| extension == "levels");
        return match tables {
            true => file::run(path, as_json),
            false => of_config(path, as_json),
        };
    };
    let as_json = match what {
        What::Chain { form, .. }
        | What::Pad { form, .. }
        | What::Line { form, .. }
        | What::Sound { form, .. }
        | What::Source { form, .. }
        | What::Convert { form, .. } => form.json,
    };
    match tell(what, "Level plan") {
        Ok(told) => {
            print(&[told], as_json);
            Exit::Ok
        }
        Err(Unfit(hint)) => {
            complain(&hint);
            Exit::Data
        }
    }
}

fn print(all: &[Told], as_json: bool) {
    let mut out = std::io::stdout().lock();
    if as_json {
        let list: Vec<&Value> = all.iter().map(|told| &told.json).collect();
        let _ = match list.as_slice() {
            [one] => writeln!(out, "{one}"),
            list => writeln!(out, "{}", json!(list)),
        };
        return;
    }
    for (i, told) in all.iter().enumerate() {
        let between = if i > 0 { "\n\n" } else { "" };
        let _ = write!(out, "{between}{}", told.text);
    }
    // Once for all.
    let notes: Vec<String> = all.iter().flat_map(|told| told.notes.clone()).collect();
    let cautions: Vec<String> = all.iter().flat_map(|told| told.cautions.clone()).collect();
    for part in [text::listed("Notes", &notes), text::listed("Cautions", &cautions)] {
        let between = if part.is_empty() { "" } else { "\n" };
        let _ = write!(out, "{between}{part}");
    }
}

/// One calculation.
fn tell(what: &What, title: &str) -> Result<Told, Unfit> {
    Ok(match what {
        What::Chain { chain, .. } => {
            let plan = chain::plan(&setup(chain));
            let names = Names {
                title: title.to_owned(),
                ..Names::default()
            };
            Told {
                text: text::chain(&plan, &names),
                notes: text::granted(&plan, &names),
                cautions: text::chain_cautions(&plan),
                json: figures::chain(&plan, title),
            }
        }
        What::Pad { pad, .. } => {
            let load = pad.load.unwrap_or(pad.impedance);
            let network = pad::design(pad.kind, pad.loss, pad.impedance, load)?;
            Told {
                text: text::pad(&network),
                notes: text::pad_notes(&network),
                cautions: text::pad_cautions(),
                json: figures::pad(&network),
            }
        }
        What::Line { line, .. } => {
            let line = loudspeakers(line)?;
            Told {
                text: text::line(&line),
                notes: text::line_notes(&line),
                cautions: text::line_cautions(&line),
                json: figures::line(&line),
            }
        }
        What::Sound { sound, .. } => {
            let heard = heard(sound);
            Told {
                text: text::sound(&heard),
                notes: text::sound_notes(),
                cautions: text::sound_cautions(&heard),
                json: figures::sound(&heard),
            }
        }
        What::Source { source, .. } => {
            let (open, loaded, load) = (source.open, source.loaded, source.load);
            if loaded.0 >= open.0 {
                return Err(Unfit(format!(
                    "{loaded} across {load} is no less than {open} without: swap the readings, or the source is too low to be measured so"
                )));
            }
            let found = Ohms(load.0 * (open.0 / loaded.0 - 1.0));
            Told::plain(
                text::source(open, loaded, load, found),
                json!({ "kind": "source", "impedance_ohm": found.0 }),
            )
        }
        What::Convert { text, impedance, .. } => convert(text, *impedance)?,
    })
}

fn setup(chain: &ChainWish) -> Setup {
    Setup {
        full_scale: chain.full_scale.map(Level::volts),
        source: chain.source,
        noise: chain.noise,
        transformer: chain.transformer,
        cable: chain.cable,
        pad: chain.pad,
        level: chain.level,
        input: chain.input,
        ceiling: chain.ceiling,
        boost: None,
    }
}

fn loudspeakers(wanted: &LineWish) -> Result<Line, Unfit> {
    let load = match (wanted.volts, wanted.ohms, wanted.power) {
        (Some(volts), ..) => Load::Taps(volts, wanted.taps.clone()),
        (None, Some(ohms), Some(power)) => Load::Impedance(ohms, power),
        _ => {
            return Err(Unfit(
                "say the line: --volts 70.7 --taps 12x6W, or --ohms 8 --power 30W".to_owned(),
            ));
        }
    };
    let cable = wanted.length.zip(wanted.gauge);
    Ok(Line {
        load,
        amplifier: wanted.amplifier,
        cable: cable.map(|(length, gauge)| cable::Cable { length, gauge }),
        at: wanted.temperature,
    })
}

fn heard(wanted: &SoundWish) -> text::Heard {
    text::Heard {
        sensitivity: wanted.sensitivity,
        power: wanted.power,
        distances: wanted.distance.clone(),
        ambient: wanted.ambient,
    }
}

/// A level, an impedance or a gauge.
fn convert(text: &str, impedance: Option<Ohms>) -> Result<Told, Unfit> {
    if let Ok(level) = Level::read(text) {
        return Ok(Told::plain(
            text::convert(level, impedance),
            figures::level(level, impedance),
        ));
    }
    if let Ok(gauge) = cable::Gauge::read(text) {
        return Ok(Told::plain(
            text::conductor(gauge),
            json!({ "kind": "gauge", "mm2": gauge.mm2(), "ohm_per_km": gauge.ohms_a_km() }),
        ));
    }
    if let Ok(ohms) = Ohms::read(text) {
        return Ok(Told::plain(
            text::impedance(ohms, impedance.unwrap_or(chain::LINE)),
            json!({ "kind": "impedance", "ohm": ohms.0 }),
        ));
    }
    // What it most looks like says what is wrong with it.
    let gauge = text.contains("mm") || text.to_lowercase().contains("awg");
    let hint = match gauge {
        true => cable::Gauge::read(text).err(),
        false => Level::read(text).err(),
    };
    let Unfit(hint) = hint.unwrap_or(Unfit(String::new()));
    let shown: String = text.chars().filter(|c| !c.is_control()).take(40).collect();
    Err(Unfit(format!(
        "\"{shown}\" is no level, impedance or gauge: {hint} (such as \"0 dBm\", \"150 ohm\", \"16 AWG\")"
    )))
}

/// The plan of every amplifier of a config.
fn of_config(path: &Path, as_json: bool) -> Exit {
    let plan = match super::plan(path) {
        Ok(loaded) => loaded,
        Err(exit) => return exit,
    };
    let plan = &plan;
    if plan.amplifiers.is_empty() {
        let zone = plan.zones.first().map_or("yard", |zone| zone.name.as_str());
        complain(&format!(
            "{} tells of no amplifier. Add a table for each, such as\n\n  [amplifiers.{zone}]\n  zones = [\"{zone}\"]\n  level = \"0 dBm\"\n  \
             impedance = \"600 ohm\"\n\n(`hornwire check --keys` lists all its keys), or see `hornwire levels chain --help`.",
            path.display()
        ));
        return Exit::Data;
    }
    let told = plan
        .amplifiers
        .iter()
        .flat_map(|amplifier| of_amplifier(plan, amplifier));
    print(&told.collect::<Vec<_>>(), as_json);
    Exit::Ok
}

/// Its chains, one a zone, then its loudspeakers.
fn of_amplifier(plan: &Plan, amplifier: &Amplifier) -> Vec<Told> {
    let zone = |id: &ZoneId| plan.zones.get(usize::from(id.0));
    let zones = amplifier.zones.iter().filter_map(zone);
    let mut all: Vec<Told> = zones.map(|zone| of_zone(plan, amplifier, zone)).collect();
    if let Some(line) = site::loudspeakers_of(amplifier) {
        let title = format!("Amplifier {}, loudspeakers", amplifier.name);
        let mut json = figures::line(&line);
        json["amplifier"] = json!(amplifier.name);
        all.push(Told {
            text: format!("{title}\n\n{}", text::line(&line)),
            notes: text::line_notes(&line),
            cautions: text::line_cautions(&line),
            json,
        });
    }
    all
}

fn of_zone(plan: &Plan, amplifier: &Amplifier, zone: &Zone) -> Told {
    let (found, names) = site::chain_of(plan, amplifier, zone);
    let title = &names.title;
    let mut json = figures::chain(&found, title);
    json["amplifier"] = json!(amplifier.name);
    json["zone"] = json!(zone.name);
    json["gain_now_db"] = json!(zone.gain.0);
    Told {
        text: text::chain(&found, &names),
        notes: text::granted(&found, &names),
        cautions: text::chain_cautions(&found),
        json,
    }
}
