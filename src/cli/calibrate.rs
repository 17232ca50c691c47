//! `hornwire calibrate`: measures a card's full scale with a meter, or through a line input; then sets a zone's level.
#![allow(clippy::disallowed_methods)]

use std::io::Write as _;
use std::time::{Duration, Instant};

use clap::Args;
use hornwire::bench::calibrate::{self, FIRST, Found, HZ, Heard, Reading, SECOND};
use hornwire::bench::levels::chain;
use hornwire::bench::levels::quantity::{Level, Unfit};
use hornwire::bench::levels::site;
use hornwire::bench::logbook::{Kind, Outcome, Verdict};
use hornwire::config::edit;
use hornwire::config::plan::{Amplifier, Card, Plan, Zone};
use hornwire::page::ZoneId;
use hornwire::sound::level::{Db, Dbfs, Dbm};
use hornwire::sound::probe;
use serde_json::json;

use super::dialogue::{Dialogue, Halt};
use super::logbook::Logbook;
use super::workbench::{Playing, Through, Workbench};
use super::{Exit, complain};

mod loopback;

/// A tone of calibration ends by itself after this long.
const LONGEST: u32 = 300;
/// A tone is heard after the zone's lead and so long at most; a relay's own times may make it later.
const BEGINS: Duration = Duration::from_secs(30);
const NOISE_SECONDS: u32 = 120;

#[derive(Debug, Args)]
pub struct Calibrate {
    /// The zone whose card and channel are measured; the first of the config if none is named.
    #[arg(value_name = "ZONE")]
    zone: Option<String>,
    /// The meter is on an open line: nothing is connected but the meter.
    #[arg(long)]
    open: bool,
    /// Measure through a line input that is wired to the output, such as "alsa:hw:CARD=Device", in place of a meter.
    #[arg(long, value_name = "DEVICE", conflicts_with = "open")]
    loopback: Option<String>,
    /// Channel of that input, from 1.
    #[arg(long, value_name = "N", default_value_t = 1, requires = "loopback", value_parser = clap::value_parser!(u8).range(1..=32))]
    input_channel: u8,
    /// The level on the line that is a full-scale sine at that input; without it only what needs none is measured.
    #[arg(long, value_name = "LEVEL", requires = "loopback", allow_hyphen_values = true, value_parser = |text: &str| Level::read(text).map_err(|Unfit(hint)| hint))]
    input_full_scale: Option<Level>,
    /// Stands in the logbook.
    #[arg(long, value_name = "NAME", default_value = "")]
    by: String,
    #[command(flatten)]
    through: Through,
}

pub fn run(wanted: &Calibrate) -> Exit {
    match calibrated(wanted) {
        Ok(()) => Exit::Ok,
        Err(Halt::Exit(exit)) => exit,
        Err(Halt::Quit) => {
            complain("ended; what was not stored is not kept");
            Exit::NotNow
        }
    }
}

/// One zone under the meter.
struct Session<'a> {
    wanted: &'a Calibrate,
    bench: Workbench,
    dialogue: Dialogue,
    zone: Zone,
    /// What sounds.
    playing: Option<Playing>,
}

fn calibrated(wanted: &Calibrate) -> Result<(), Halt> {
    // First, so that a signal during the start is not lost.
    let dialogue = Dialogue::new(true, wanted.through.json).map_err(|error| {
        complain(&error.to_string());
        Exit::System
    })?;
    let bench = Workbench::open(&wanted.through)?;
    let plan = &bench.plan;
    let zone = match &wanted.zone {
        None => plan.zones.first(),
        Some(name) => plan.zones.iter().find(|zone| zone.name == *name),
    };
    let Some(zone) = zone.cloned() else {
        let known: Vec<&str> = plan.zones.iter().map(|zone| zone.name.as_str()).collect();
        complain(&format!("there is no such zone; there are {}", known.join(", ")));
        return Err(Exit::Data.into());
    };
    let mut session = Session {
        wanted,
        bench,
        dialogue,
        zone,
        playing: None,
    };
    let done = session.whole();
    session.silence();
    done
}

impl Session<'_> {
    fn card(&self) -> &Card {
        &self.bench.plan.cards[self.zone.card]
    }

    fn amplifier(&self) -> Option<&Amplifier> {
        amplifier_of(&self.bench.plan, &self.zone)
    }

    fn say(&self, text: &str) {
        self.dialogue.say(&format!("{text}\n"));
    }

    fn whole(&mut self) -> Result<(), Halt> {
        let (card, zone) = (self.card().clone(), self.zone.clone());
        let by = match &self.wanted.loopback {
            Some(device) => format!("through the line input {device}, channel {}", self.wanted.input_channel),
            None => "with a meter".to_owned(),
        };
        self.say(&format!(
            "Calibrate card {}, channel {} (zone {}), {by}.\n\n\
             Caution. Loudspeakers will sound: turn the amplifier down, warn people, keep ears away \
             from horns. The line output is harmless to touch; a loudspeaker line is not: it carries \
             25 to 100 V. Measure at the line output, never there.\n",
            card.name,
            zone.channel + 1,
            zone.name
        ));
        if let Some(full_scale) = card.full_scale {
            self.say(&format!("The config says {:+.1} dBm at full scale.\n", full_scale.0));
        }
        let found = match &self.wanted.loopback {
            Some(_) => loopback::measure(self)?,
            None => Some(self.measure()?),
        };
        let Some(found) = found else { return Ok(()) };
        self.silence();
        // The gain goes with the full scale that stands in the config.
        match (self.keep_full_scale(found, &by)?, card.full_scale) {
            (true, _) => self.programme_level(found.full_scale),
            (false, Some(standing)) => {
                self.say(&format!(
                    "Not kept: the config's full scale of {:+.1} dBm stands, and what follows goes by it.",
                    standing.0
                ));
                self.programme_level(standing)
            }
            (false, None) => {
                self.say("Not kept: without a full scale in the config there is no gain to set.");
                Ok(())
            }
        }
    }

    /// Reads the meter at two tones.
    fn measure(&mut self) -> Result<Found, Halt> {
        let open = match (self.wanted.open, self.card().impedance) {
            (false, _) => None,
            (true, Some(source)) => Some(source),
            (true, None) => {
                complain(&format!(
                    "what an open line's level is across 600 ohm follows from the card's source impedance: set impedance in [cards.{}] \
                     (hornwire levels source finds it), or measure with the line connected",
                    self.card().name
                ));
                return Err(Exit::Data.into());
            }
        };
        self.say(match self.wanted.open {
            true => "Connect a meter (AC volts, or dBm/dBu) across the line output, and nothing else.",
            false => {
                "Connect a meter (AC volts, or dBm/dBu) across the line output, and 600 ohm beside it: a resistor in \
                 place of the line, or the line itself where the amplifier's input has 600 ohm. A bridged input is \
                 nearly an open line."
            }
        });
        if self
            .dialogue
            .pick("Is the amplifier turned down, and the meter connected?", &["yes", "no"])?
            == "no"
        {
            return Err(Halt::Quit);
        }
        let mut readings: Vec<Reading> = Vec::new();
        while let Some(tone) = [FIRST, SECOND].get(readings.len()).copied() {
            if let Some(before) = readings.first() {
                self.agree_to_louder(*before, tone)?;
            }
            self.sound(json!({ "signal": "tone", "hz": HZ }), Some(tone), LONGEST)?;
            self.read_into(&mut readings, tone)?;
        }
        let mut found = calibrate::together(&readings).map_err(|_| Exit::Data)?;
        if let Some(source) = open {
            found.full_scale = calibrate::loaded(found.full_scale, source);
        }
        Ok(found)
    }

    /// Adds a reading that fits those before, or takes the first one away, which may be the wrong one.
    fn read_into(&mut self, readings: &mut Vec<Reading>, tone: Dbfs) -> Result<(), Halt> {
        loop {
            readings.push(self.reading(tone)?);
            let Err(fault) = calibrate::together(readings) else {
                return Ok(());
            };
            readings.pop();
            self.say(&format!("Not taken: {fault}"));
            let answer = match readings.is_empty() {
                true => self.dialogue.choose("Read it again, or stop?", &["again", "stop"])?,
                false => self.dialogue.choose(
                    "Read it again, go back to the first tone, or stop?",
                    &["again", "first", "stop"],
                )?,
            };
            match answer {
                "stop" => return Err(Exit::Data.into()),
                "first" => {
                    readings.clear();
                    return Ok(());
                }
                _ => {}
            }
        }
    }

    fn agree_to_louder(&mut self, before: Reading, tone: Dbfs) -> Result<(), Halt> {
        let full_scale = calibrate::full_scale(before).map_err(|_| Exit::Data)?;
        let expected = full_scale.of_sine(tone);
        let input = self
            .amplifier()
            .map(|amplifier| (amplifier.name.clone(), amplifier.level));
        if let Some((name, level)) = input
            && let Some(above) = calibrate::blasts(full_scale, tone, level)
        {
            self.say(&format!(
                "The next tone would be {:.0} dB above what the input of amplifier {name} is made for. Without it \
                 there is one reading alone: a pad, or the right input, first. hornwire levels plans it.",
                above.0
            ));
            return Err(Exit::Data.into());
        }
        let volts = Level::Dbm(expected).volts();
        self.say(&format!(
            "The next tone is {:.0} dB louder: about {:.0} mV, {:+.1} dBm.",
            tone.0 - before.tone.0,
            volts.0 * 1000.0,
            expected.0
        ));
        match self
            .dialogue
            .pick("Is the amplifier still turned down?", &["yes", "no"])?
        {
            "yes" => Ok(()),
            _ => Err(Halt::Quit),
        }
    }

    fn reading(&mut self, tone: Dbfs) -> Result<Reading, Halt> {
        loop {
            let question = format!(
                "A tone of {HZ} Hz at {:.0} dBFS sounds. What does the meter read (12.3 mV, -36 dBu)?",
                tone.0
            );
            let answer = self.dialogue.ask(&question)?;
            if !self.sounds()? {
                self.say("The tone has ended meanwhile: a page took the zone, or its five minutes were over. It begins again.");
                self.sound(json!({ "signal": "tone", "hz": HZ }), Some(tone), LONGEST)?;
                continue;
            }
            match Level::read(&answer) {
                Ok(read) => return Ok(Reading { tone, read }),
                Err(Unfit(hint)) => self.say(&format!("{answer:?}: {hint}. Ctrl-C ends it.")),
            }
        }
    }

    /// Plays from now on, in place of what sounded before.
    fn sound(&mut self, mut question: serde_json::Value, level: Option<Dbfs>, seconds: u32) -> Result<(), Halt> {
        self.silence();
        question["zones"] = json!([self.zone.name]);
        question["seconds"] = json!(seconds);
        question["over"] = json!(self.wanted.through.over_pages);
        if let Some(level) = level {
            question["level_dbfs"] = json!(level.0);
        }
        let playing = self.bench.play(question)?;
        let page = playing.page;
        self.playing = Some(playing);
        let by = Instant::now() + BEGINS + self.zone.lead;
        while Instant::now() < by {
            if self.dialogue.stops_within(Duration::from_millis(100)) {
                return Err(Halt::Quit);
            }
            let status = self.bench.status()?;
            let Some(page) = status.page(page) else {
                complain("the tone has ended: a page took the zone, or its card is missing");
                return Err(Exit::NotNow.into());
            };
            // A meter shows the whole of it once it has risen.
            if page.is_heard() {
                let risen = Duration::from_secs_f64(probe::RISE + 0.3);
                return match self.dialogue.stops_within(risen) {
                    true => Err(Halt::Quit),
                    false => Ok(()),
                };
            }
        }
        complain("the tone does not begin: what holds the zone? hornwire status tells");
        Err(Exit::NotNow.into())
    }

    /// What was begun last still sounds.
    fn sounds(&self) -> Result<bool, Halt> {
        let status = self.bench.status()?;
        let playing = self.playing.as_ref();
        Ok(playing.is_some_and(|playing| status.page(playing.page).is_some()))
    }

    fn silence(&mut self) {
        self.playing = None;
    }

    /// Into config and logbook, or neither; whether it was.
    fn keep_full_scale(&mut self, found: Found, how: &str) -> Result<bool, Halt> {
        let card = self.card().clone();
        let text = format!("{:+.1} dBm", found.full_scale.0);
        self.say(&format!("\nFull scale of card {}: {text} across 600 ohm.", card.name));
        let note = match found.bend {
            Some(Db(bend)) => format!("{how}; two tones agree within {:.1} dB", bend.abs()),
            None => how.to_owned(),
        };
        let outcome = Outcome {
            value: Some((f64::from(found.full_scale.0), "dBm".to_owned())),
            found: text.clone(),
            note,
            ..Logbook::outcome(Kind::Card, &card.name, "full-scale", Verdict::Measured, &self.wanted.by)
        };
        let is_kept = self.write("cards", &card.name, "full_scale", &text)?;
        if is_kept {
            self.note(&outcome)?;
        }
        Ok(is_kept)
    }

    /// Notes an outcome.
    fn note(&self, outcome: &Outcome) -> Result<(), Halt> {
        Logbook::beside(&self.wanted.through.config).add(outcome)?;
        if self.wanted.through.json {
            let _ = writeln!(std::io::stdout(), "{}", outcome.json());
        }
        Ok(())
    }

    /// Asks whether a key is to be changed, and changes it; whether it was.
    fn write(&mut self, section: &str, name: &str, key: &str, value: &str) -> Result<bool, Halt> {
        let config = self.wanted.through.config.clone();
        let edit = edit::set(&config, section, name, key, value).map_err(|fault| faulty(&fault))?;
        let before = match &edit.before {
            Some(before) => format!(" (now {before})"),
            None => String::new(),
        };
        let question = format!("Write {} into {}{before}?", edit.after, edit.file.display());
        if self.dialogue.choose(&question, &["yes", "no"])? == "no" {
            return Ok(false);
        }
        edit.make(&config).map_err(|fault| faulty(&fault))?;
        self.say(match self.bench.is_own() {
            true => "Written.",
            false => "Written. The gateway takes it up with: sudo systemctl reload hornwire",
        });
        Ok(true)
    }

    /// The gain that the amplifier's input wants; then its volume control, by ear.
    fn programme_level(&mut self, full_scale: Dbm) -> Result<(), Halt> {
        let Some(amplifier) = self.amplifier().cloned() else {
            self.say(&format!(
                "\nWhat level the amplifier's input wants is not known: an [amplifiers.NAME] with zones = [{:?}] and its \
                 level says it, and hornwire levels plans from it. So the zone's gain stays at {:+.1} dB.",
                self.zone.name, self.zone.gain.0
            ));
            return Ok(());
        };
        let (set, arrives) = gain_for(&self.bench.plan, &self.zone, &amplifier, full_scale);
        let wanted = amplifier.level.volts().dbu().0;
        self.say(&format!(
            "\nAmplifier {} takes {wanted:+.1} dBu at its input. With gain {:+.1} dB in zone {} speech comes to it at {arrives:+.1} dBu.",
            amplifier.name, set.0, self.zone.name
        ));
        if arrives < wanted - 1.0 {
            self.say(&format!(
                "That is {:.1} dB too little, and the most that the zone's ceiling leaves: hornwire levels says what is to be done.",
                wanted - arrives
            ));
        }
        let zone = self.zone.name.clone();
        let gain = match self.write("zones", &zone, "gain", &format!("{:.1} dB", set.0))? {
            true => {
                self.note(&Outcome {
                    value: Some((f64::from(set.0), "dB".to_owned())),
                    found: format!("{:+.1} dB", set.0),
                    note: format!(
                        "speech comes to amplifier {} at {arrives:+.1} dBu, which takes {wanted:+.1} dBu",
                        amplifier.name
                    ),
                    ..Logbook::outcome(Kind::Zone, &zone, "gain", Verdict::Measured, &self.wanted.by)
                })?;
                set
            }
            false => self.zone.gain,
        };
        self.volume(Dbfs(probe::as_speech().0 + gain.0), full_scale)
    }

    /// `level`: of the noise, before the zone's equaliser.
    fn volume(&mut self, level: Dbfs, full_scale: Dbm) -> Result<(), Halt> {
        self.say(
            "\nLast the amplifier's volume: turn it down to nothing. Noise with the spectrum and the level of speech \
             plays; turn it up until it is as loud as people are to hear pages. Stand at a distance.",
        );
        if self.dialogue.choose("Play it?", &["yes", "no"])? == "no" {
            return Ok(());
        }
        self.sound(json!({ "signal": "noise" }), Some(level), NOISE_SECONDS)?;
        let answer = self.dialogue.pick("Is it as loud as it should be?", &["yes", "no"])?;
        // As it goes out, equaliser and limiter included.
        let status = self.bench.status()?;
        let level = status.zone(&self.zone.name).and_then(|zone| zone.level);
        let line = level.map(|level| full_scale.of_rms(Dbfs(level.dbfs as f32)).0);
        self.silence();
        self.note(&Outcome {
            value: line.map(|line| ((f64::from(line) * 10.0).round() / 10.0, "dBm".to_owned())),
            found: line.map_or_else(String::new, |line| format!("{line:+.1} dBm on the line")),
            wanted: "as loud as people are to hear pages".to_owned(),
            ..Logbook::outcome(
                Kind::Zone,
                &self.zone.name,
                "level",
                if answer == "yes" {
                    Verdict::Passed
                } else {
                    Verdict::Failed
                },
                &self.wanted.by,
            )
        })?;
        self.say(match answer {
            "yes" => "Mark the position of the control. hornwire commission proves the rest.",
            _ => "hornwire levels looks for what is missing: power, taps, loudspeakers, distance.",
        });
        Ok(())
    }
}

fn faulty(fault: &edit::Fault) -> Halt {
    complain(&fault.to_string());
    Halt::Exit(match fault {
        edit::Fault::File(_, error) if error.kind() == std::io::ErrorKind::PermissionDenied => Exit::NoPermission,
        edit::Fault::File(..) | edit::Fault::Changed(_) => Exit::CannotCreate,
        edit::Fault::Unreadable(..) | edit::Fault::NoTable(..) | edit::Fault::Refused(_) => Exit::Config,
    })
}

/// The amplifier that the zone feeds.
pub fn amplifier_of<'p>(plan: &'p Plan, zone: &Zone) -> Option<&'p Amplifier> {
    let id = plan.zones.iter().position(|other| other.name == zone.name)?;
    let id = ZoneId(u16::try_from(id).ok()?);
    plan.amplifiers.iter().find(|amplifier| amplifier.zones.contains(&id))
}

/// The gain for a zone, as the config has it, and the level at which speech then comes to the amplifier, dBu: the ceiling may leave less than
/// it takes.
fn gain_for(plan: &Plan, zone: &Zone, amplifier: &Amplifier, full_scale: Dbm) -> (Db, f32) {
    let mut plan = plan.clone();
    plan.cards[zone.card].full_scale = Some(full_scale);
    let chain = site::chain_of(&plan, amplifier, zone).0;
    let set = Db((chain.set().0 * 10.0).round() / 10.0);
    (set, chain::Plan::speech(chain.full_scale(), set).dbu().0)
}

/// For the loop-back: what a line input heard, told.
fn told(heard: &Heard) -> String {
    format!(
        "{:.1} dBFS at the input, everything else {:.0} dB below it",
        heard.tone.0, -heard.rest.0
    )
}
