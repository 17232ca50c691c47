//! What the bench reckons, for people: lines of at most 80 columns.

use std::fmt::Write as _;

use super::chain::{
    Advice, LEAST_GAIN, LINE, PEAK_ROOM, Part, Plan, Setup, USUAL_FULL_SCALE, USUAL_NOISE, USUAL_SOURCE,
};
use super::pad::Kind;
use super::quantity::{Ohms, Volts};
use crate::report::text::fill;
use crate::sound::level::Db;

mod loudspeakers;
mod resistors;

pub use loudspeakers::{Heard, line, line_cautions, line_notes, sound, sound_cautions, sound_notes};
pub use resistors::{conductor, convert, impedance, pad, pad_cautions, pad_notes, source};

/// Widest line.
const WIDTH: usize = 80;
/// The loudest sine so far above speech hurts where speech is loud (our own judgement).
const LOUD: f32 = 26.0;
/// A word before a paragraph.
const TERM: usize = 11;

/// A paragraph behind its word.
fn item(out: &mut String, term: &str, text: &str) {
    let first = format!("  {term:<TERM$} ");
    fill(out, text, &first, &" ".repeat(TERM + 3), WIDTH);
}

/// One digit behind the point, and a sign; no minus before zero.
fn db(n: f32) -> String {
    let rounded = (n * 10.0).round() / 10.0 + 0.0;
    format!("{rounded:+.1}")
}

/// One digit behind the point, without a sign before what is above zero.
fn plain(n: f32) -> String {
    let rounded = (n * 10.0).round() / 10.0 + 0.0;
    format!("{rounded:.1}")
}

/// As in a config file: without a point where none is needed.
fn key_db(gain: Db) -> String {
    format!("{} dB", gain.0 + 0.0)
}

/// Whose chain it is.
#[derive(Debug, Clone, Default)]
pub struct Names {
    /// First line.
    pub title: String,
    /// `[zones.yard]`; empty where there is no config.
    pub zone: String,
    /// `[amplifiers.yard]`; empty where there is no config.
    pub amplifier: String,
    /// `[cards.usb]`; empty where there is no config.
    pub card: String,
    /// The zone's gain as it is.
    pub gain: Option<Db>,
}

/// Paragraphs behind dashes, each once, below a heading; nothing for none.
pub fn listed(heading: &str, paragraphs: &[String]) -> String {
    let mut out = String::new();
    for (i, paragraph) in paragraphs.iter().enumerate() {
        if !paragraphs[..i].contains(paragraph) {
            fill(&mut out, paragraph, "  - ", "    ", WIDTH);
        }
    }
    match out.is_empty() {
        true => out,
        false => format!("{heading}\n{out}"),
    }
}

/// The level plan of one chain: its picture, and what to set. [`granted`] tells what it rests on.
pub fn chain(plan: &Plan, names: &Names) -> String {
    let mut out = String::new();
    fill(&mut out, &names.title, "", "  ", WIDTH);
    out.push('\n');
    picture(&mut out, plan);
    out.push('\n');
    settings(&mut out, plan, names);
    out
}

fn picture(out: &mut String, plan: &Plan) {
    let gain = plan.set();
    let _ = writeln!(out, "{:32}speech, gain {:<12}loudest sine", "", key_db(gain));
    let _ = writeln!(out, "{:34}dBu     dBV       V      dBu       V", "");
    for (i, joint) in plan.joints.iter().enumerate() {
        let takes = match joint.loss.0 {
            loss if loss < 0.05 => "takes nothing".to_owned(),
            loss => format!("takes {} dB", plain(loss)),
        };
        let part = match joint.before {
            Part::Card(source) => format!("card, {source}: its load {takes}"),
            Part::Transformer(_, windings) => format!("transformer, windings {windings}: {takes}"),
            Part::Cable(cable, ohms) => format!("cable, {cable}, {ohms}: {takes}"),
            Part::Pad(pad) => format!("pad, {pad}: {takes}"),
        };
        let _ = writeln!(out, "  [ {part} ]");
        let _ = writeln!(out, "    |");
        let last = i + 1 == plan.joints.len();
        let place = match (last, joint.before) {
            (true, _) => "amplifier's input",
            (_, Part::Card(_)) => "card's output",
            (_, Part::Transformer(..)) => "behind the transformer",
            (_, Part::Cable(..)) => "end of the cable",
            (_, Part::Pad(_)) => "behind the pad",
        };
        let speech = Plan::speech(joint.full_scale, gain);
        let most = plan.most(joint.full_scale);
        let _ = writeln!(
            out,
            "    o  {place:<23}{:>7} {:>7} {:>8}  {:>7} {:>8}",
            db(speech.dbu().0),
            db(speech.dbv().0),
            speech.to_string(),
            db(most.dbu().0),
            most.to_string()
        );
        let _ = writeln!(out, "    |");
    }
    let setup = &plan.setup;
    let _ = writeln!(out, "  [ amplifier, {}: wants speech at {} ]", setup.input, setup.level);
    let _ = writeln!(out, "  dBu is the same number as dBm in 600 ohm.");
}

fn settings(out: &mut String, plan: &Plan, names: &Names) {
    let setup = &plan.setup;
    let set = plan.set();
    let zone = match names.zone.as_str() {
        "" => "for the zone".to_owned(),
        zone => format!("in {zone}"),
    };
    let against = |volts: Volts| match volts.above(setup.level.volts()).0 {
        off if off.abs() < 0.05 => "just what the amplifier wants".to_owned(),
        off if off < 0.0 => format!("{} dB below what the amplifier wants", plain(-off)),
        off => format!("{} dB above what the amplifier wants", plain(off)),
    };
    let arrives = Plan::speech(plan.full_scale(), set);
    let now = match names.gain {
        Some(gain) if (gain.0 - set.0).abs() < 0.05 => " It stands so already.".to_owned(),
        Some(gain) => format!(
            " Now it is {}, and speech arrives {}.",
            key_db(gain),
            against(Plan::speech(plan.full_scale(), gain))
        ),
        None => String::new(),
    };
    item(out, "Set", &format!("gain = \"{}\" {zone}.{now}", key_db(set)));
    let told = format!(
        "With it speech arrives at {} dBu, {arrives}: {}.",
        db(arrives.dbu().0),
        against(arrives)
    );
    item(out, "", &told);
    item(out, verdict(plan), &advice(plan, names));
    let room = plan.peak_room(set).0;
    let most = plan.most(plan.full_scale());
    let over = most.above(setup.level.volts()).0;
    let rest = match over {
        over if over >= 0.0 => format!("{} dB above the amplifier's level", plain(over)),
        over => format!("{} dB below the amplifier's level", plain(-over)),
    };
    let boost = match setup.boost {
        Some(boost) => format!(
            " The zone's equaliser lifts some tones by {} dB, which eats as much of their headroom.",
            plain(boost.0)
        ),
        None => String::new(),
    };
    item(
        out,
        "Headroom",
        &format!(
            "{} dB from the speech's level to the ceiling of {} dBFS; its peaks want {PEAK_ROOM} dB. Nothing louder than a sine of {} dBu, {most}, \
             ever arrives: {rest}.{boost}",
            plain(room),
            setup.ceiling.0,
            db(most.dbu().0)
        ),
    );
    let clear = plan.clear(set).0;
    let heard = match clear {
        c if c >= 50.0 => "not heard",
        c if c >= 40.0 => "heard only in a quiet room",
        _ => "heard in pauses: use a pad and more gain, or another card",
    };
    item(
        out,
        "Noise",
        &format!("of the card, {} dB below speech: {heard}.", clear.round()),
    );
    let matched = match plan.is_bridging {
        true => "bridging, it hardly loads what stands before it",
        false if (setup.input.0 / plan.seen.0 - 1.0).abs() < 0.1 => "matched",
        false => "neither matched nor bridging; the losses above have it in",
    };
    let unbalanced = match setup.pad {
        Some(pad) if setup.transformer.is_some() && !pad.kind.is_balanced() => {
            format!(
                " A {} pad unbalances the line behind the transformer: U, H and O do not.",
                pad.kind
            )
        }
        Some(pad) if setup.is_shorted() => format!(" {}", shorted(pad.kind)),
        _ => String::new(),
    };
    let load = format!("{} on {}: {matched}.{unbalanced}", setup.input, rounded(plan.seen));
    item(out, "Load", &load);
    let tone = plan.full_scale().raised(Db(-20.0));
    item(
        out,
        "Check",
        &format!(
            "A sine that leaves the card 20 dB below full scale reads {tone} ({} dBu) across the amplifier's input.",
            db(tone.dbu().0)
        ),
    );
}

fn verdict(plan: &Plan) -> &'static str {
    match plan.advice {
        Advice::Fits => "Fits",
        Advice::Pad { .. } => "Too much",
        Advice::LessPad { .. } | Advice::TooWeak { .. } => "Too little",
    }
}

fn advice(plan: &Plan, names: &Names) -> String {
    let (least, most) = plan.setup.gains();
    match &plan.advice {
        Advice::Fits if plan.gain.0 < least.floor() => {
            "The gain is lower than it should be, but no pad of whole decibels brings it nearer.".to_owned()
        }
        Advice::Fits => format!(
            "Gains from {} to {} are good: noise stays low, peaks have their room.",
            (least * 10.0).round() / 10.0,
            key_db(Db((most * 10.0).round() / 10.0))
        ),
        Advice::Pad { pad, gain } => {
            let instead = if plan.setup.pad.is_some() {
                "in place of the one there"
            } else {
                "before the amplifier"
            };
            format!(
                "The card gives far more than the amplifier wants; by gain alone its noise stays and speech goes down. Build a pad, {pad}, {instead} \
                 (hornwire levels pad --kind {} --loss {}dB), then set gain = \"{}\".",
                pad.kind,
                pad.loss.0,
                key_db(*gain)
            )
        }
        Advice::LessPad { pad: Some(pad), gain } => format!(
            "The pad takes too much. Build a {pad} in its place, then set gain = \"{}\".",
            key_db(*gain)
        ),
        Advice::LessPad { pad: None, gain } => format!(
            "The pad takes too much, and none is wanted: take it out, then set gain = \"{}\".",
            key_db(*gain)
        ),
        Advice::TooWeak { missing, full_scale } => {
            let card = match names.card.as_str() {
                "" => "a card".to_owned(),
                card => format!("a card in place of {card}"),
            };
            let pad = if plan.setup.pad.is_some() {
                "Take the pad out; even so "
            } else {
                ""
            };
            let begin = if pad.is_empty() { "Speech" } else { "speech" };
            let short = if missing.0 < 0.05 {
                format!("{pad}{begin} has hardly room for its peaks.")
            } else {
                format!(
                    "{pad}{begin} is {} dB short of room for its peaks at that level.",
                    plain(missing.0)
                )
            };
            format!(
                "{short} Turn the amplifier's input up by as much, or use its more sensitive input (then write its level{}); or {card} with full scale \
                 at {} dBm or more into 600 ohm. More gain would only push speech into the limiter.",
                match names.amplifier.as_str() {
                    "" => String::new(),
                    amplifier => format!(" in {amplifier}"),
                },
                db((full_scale.0 * 10.0).ceil() / 10.0)
            )
        }
    }
}

/// What to know of a pad in both legs of a line that does not float.
pub fn shorted(kind: Kind) -> String {
    format!(
        "The {kind} pad needs a line that floats: without a transformer, where card and amplifier share a ground, its lower leg is shorted and it takes \
         less than planned. Build it as {} instead, or put a transformer in.",
        kind.unbalanced()
    )
}

/// What the plan rests on.
pub fn granted(plan: &Plan, names: &Names) -> Vec<String> {
    let setup = &plan.setup;
    let mut all = Vec::new();
    let card = match names.card.as_str() {
        "" => "the card".to_owned(),
        card => card.to_owned(),
    };
    if setup.full_scale.is_none() {
        all.push(format!(
            "NOT MEASURED: the full scale of {card} is taken as {USUAL_FULL_SCALE} into 600 ohm. Cards give half or twice that: measure it before you \
             build anything."
        ));
    }
    if setup.source.is_none() {
        let doubt = source_doubt(setup);
        let doubt = match doubt.as_str() {
            "0.0" => "here it hardly matters".to_owned(),
            doubt => format!("were it 10 or 200 ohm, the level would be off by {doubt} dB at most"),
        };
        all.push(format!(
            "The source impedance of {card} is taken as {USUAL_SOURCE}: {doubt}. `hornwire levels source` finds it from two readings."
        ));
    }
    all.push(
        "Speech: every talker is brought to -20 dBFS, active level by ITU-T P.56, 17.0 dB below a full-scale sine; then comes the zone's gain."
            .to_owned(),
    );
    all.push(format!(
        "An amplifier's level is meant for speech. If its label means a sine at full output, write {PEAK_ROOM} dB less."
    ));
    if let Some(loss) = setup.transformer {
        all.push(format!(
            "A transformer is 1:1 for {LINE}, and takes {} dB between {LINE} and {LINE}.",
            loss.0
        ));
    }
    if setup.pad.is_some() {
        all.push(format!("A pad is made for {LINE} on both sides."));
    }
    if setup.noise.is_none() {
        all.push(format!("A card's noise is {} dB below its full scale.", USUAL_NOISE.0));
    }
    all.push(format!(
        "{PEAK_ROOM} dB for the peaks of speech, gains from {LEAST_GAIN} dB, what a transformer takes, noise: common practice, no published source."
    ));
    all
}

/// Where somebody could be hurt.
pub fn chain_cautions(plan: &Plan) -> Vec<String> {
    let mut all = vec![
        "Start with the zone's gain 20 dB lower and come up, with nobody near the loudspeakers: a wrong level is loud at once, and can damage hearing."
            .to_owned(),
    ];
    let over = plan
        .most(plan.full_scale())
        .above(Plan::speech(plan.full_scale(), plan.set()))
        .0;
    if over > LOUD {
        all.push(format!(
            "A fault or a tone at the ceiling is {} dB louder than speech: build the pad, or lower the zone's `ceiling`.",
            over.round()
        ));
    }
    all
}

/// How much the level changes at worst when the source impedance is 10 or 200 ohm instead.
fn source_doubt(setup: &Setup) -> String {
    let level = |source: Option<f64>| {
        let plan = super::chain::plan(&Setup {
            source: source.map(Ohms),
            ..setup.clone()
        });
        plan.full_scale()
    };
    let taken: Volts = level(None);
    let off = [10.0, 200.0].map(|ohms| level(Some(ohms)).above(taken).0.abs());
    plain(off[0].max(off[1]))
}

fn rounded(ohms: Ohms) -> Ohms {
    match ohms.0 {
        n if n >= 10.0 => Ohms(n.round()),
        n => Ohms(n),
    }
}
