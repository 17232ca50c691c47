//! The flags of `hornwire levels`, which are the keys of its files too.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};
use hornwire::bench::levels::cable::{Cable, Gauge};
use hornwire::bench::levels::line::Tap;
use hornwire::bench::levels::pad::{self, Kind, Pad};
use hornwire::bench::levels::quantity::{
    self, Celsius, Level, Metres, Ohms, Spl, Unfit, Volts, Watts, read_db, with_unit,
};
use hornwire::sound::level::{Db, Dbfs};

/// `hornwire levels`.
#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct Levels {
    #[command(subcommand)]
    pub what: Option<What>,
    /// The config file; or a file of tables, by its ending .levels. [default: the installed config]
    #[arg(value_name = "FILE")]
    pub file: Option<PathBuf>,
    #[command(flatten)]
    pub form: Form,
}

#[derive(Debug, Clone, Copy, Args)]
pub struct Form {
    /// Print one line of JSON.
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Subcommand)]
pub enum What {
    /// From card to amplifier without a config: levels at each joint, the gain to set.
    #[command(after_help = concat!(
        "Example:\n  hornwire levels chain --full-scale 1.1V --source 47 --transformer \\\n",
        "    --cable \"20 m 0.5 mm2\" --pad \"H 10 dB\" --level \"-10 dBm\" --input 600\n\n",
        "Without a unit, impedances are in ohm. Levels want one: dBm, dBu, dBV or V.\n\n",
        "Exit codes: 0 planned, 64 wrong command line."
    ))]
    Chain {
        #[command(flatten)]
        chain: ChainWish,
        #[command(flatten)]
        form: Form,
    },
    /// A pad's resistors, in E24 and E96, what they come to, its circuit.
    #[command(after_help = concat!(
        "Examples:\n  hornwire levels pad --kind T --loss 10dB --impedance 600\n",
        "  hornwire levels pad --kind minimum-loss --impedance 600 --load 150\n\n",
        "Kinds: L, T, pi, bridged-T for unbalanced lines; U, H, O are the same in both\n",
        "legs, for balanced ones; minimum-loss joins two different impedances.\n\n",
        "Exit codes: 0 found, 64 wrong command line, 65 there is no such pad."
    ))]
    Pad {
        #[command(flatten)]
        pad: PadWish,
        #[command(flatten)]
        form: Form,
    },
    /// A loudspeaker line: load, amplifier, what the cable takes.
    #[command(after_help = concat!(
        "Examples:\n  hornwire levels line --volts 70.7 --taps 12x6W --amplifier 120W \\\n",
        "    --length 100m --gauge \"16 AWG\"\n",
        "  hornwire levels line --ohms 8 --power 30W --length 30m --gauge \"1.5 mm2\"\n\n",
        "Exit codes: 0 reckoned, 64 wrong command line."
    ))]
    Line {
        #[command(flatten)]
        line: LineWish,
        #[command(flatten)]
        form: Form,
    },
    /// Sound at the listener: how loud, whether it is enough, what ears bear.
    #[command(after_help = concat!(
        "Examples:\n  hornwire levels sound --sensitivity 90 --power 10W --distance 4m --ambient 70\n",
        "  hornwire levels sound --sensitivity 98 --power 15W --distance 10m,10m,16m\n\n",
        "Several distances: so many loudspeakers, all heard at once.\n\n",
        "Exit codes: 0 reckoned, 64 wrong command line."
    ))]
    Sound {
        #[command(flatten)]
        sound: SoundWish,
        #[command(flatten)]
        form: Form,
    },
    /// A card's source impedance, from two readings of a meter.
    #[command(after_help = concat!(
        "Example:\n  hornwire levels source --open 1.20V --loaded 1.11V\n\n",
        "Play a steady tone; read the volts at the card's output without a load, then with\n",
        "a resistor of 600 ohm across it.\n\n",
        "Exit codes: 0 reckoned, 64 wrong command line, 65 the readings fit no source."
    ))]
    Source {
        #[command(flatten)]
        source: SourceWish,
        #[command(flatten)]
        form: Form,
    },
    /// One level, impedance or gauge in all its ways of writing.
    #[command(after_help = concat!(
        "Examples:\n  hornwire levels convert \"0 dBm\"\n  hornwire levels convert -- \"-10 dBV\"\n",
        "  hornwire levels convert \"16 AWG\"\n\n",
        "Exit codes: 0 told, 64 wrong command line, 65 it is no such quantity."
    ))]
    Convert {
        /// Such as "0 dBm", "1.2 V", "150 ohm", "16 AWG", "1.5 mm2".
        #[arg(value_name = "QUANTITY", allow_hyphen_values = true)]
        text: String,
        /// Beside 600 ohm, for dBm.
        #[arg(long, value_parser = ohms, allow_hyphen_values = true)]
        impedance: Option<Ohms>,
        #[command(flatten)]
        form: Form,
    },
}

#[derive(Debug, Clone, Args)]
pub struct ChainWish {
    /// The card's level at a full-scale sine, across 600 ohm.
    #[arg(long, value_name = "LEVEL", value_parser = Level::read, allow_hyphen_values = true)]
    pub full_scale: Option<Level>,
    /// The card's source impedance.
    #[arg(long, value_name = "OHMS", value_parser = ohms, allow_hyphen_values = true)]
    pub source: Option<Ohms>,
    /// The card's noise below full scale.
    #[arg(long, value_name = "DB", value_parser = db, allow_hyphen_values = true)]
    pub noise: Option<Db>,
    /// An isolation transformer, and its loss between 600 ohm and 600 ohm (else 1 dB).
    #[arg(long, value_name = "DB", value_parser = db, num_args = 0..=1, default_missing_value = "1 dB")]
    pub transformer: Option<Db>,
    /// The cable: length and gauge.
    #[arg(long, value_parser = Cable::read, allow_hyphen_values = true)]
    pub cable: Option<Cable>,
    /// The pad before the amplifier: kind and loss.
    #[arg(long, value_parser = Pad::read, allow_hyphen_values = true)]
    pub pad: Option<Pad>,
    /// What the amplifier wants for speech.
    #[arg(long, value_parser = Level::read, default_value = "0 dBm", allow_hyphen_values = true)]
    pub level: Level,
    /// The amplifier's input impedance.
    #[arg(long, value_name = "OHMS", value_parser = ohms, default_value = "600 ohm", allow_hyphen_values = true)]
    pub input: Ohms,
    /// The zone's ceiling.
    #[arg(long, value_name = "DBFS", value_parser = dbfs, default_value = "-3 dBFS", allow_hyphen_values = true)]
    pub ceiling: Dbfs,
}

#[derive(Debug, Clone, Args)]
pub struct PadWish {
    /// L, U, T, H, pi, O, bridged-T or minimum-loss.
    #[arg(long, value_parser = Kind::read)]
    pub kind: Kind,
    /// Its loss; a minimum-loss pad has its own.
    #[arg(long, value_name = "DB", value_parser = pad_loss, allow_hyphen_values = true)]
    pub loss: Option<Db>,
    /// Of the source, and of the load where it is the same.
    #[arg(long, value_name = "OHMS", value_parser = ohms, default_value = "600 ohm", allow_hyphen_values = true)]
    pub impedance: Ohms,
    /// Of the load, where it differs.
    #[arg(long, value_name = "OHMS", value_parser = ohms, allow_hyphen_values = true)]
    pub load: Option<Ohms>,
}

#[derive(Debug, Clone, Args)]
pub struct LineWish {
    /// The line's voltage: 25, 70.7 or 100; from 5 to 250.
    #[arg(long, value_parser = line_volts, required_unless_present = "ohms", requires = "taps", allow_hyphen_values = true)]
    pub volts: Option<Volts>,
    /// Loudspeakers and the power that each is tapped at; several by commas.
    #[arg(long, value_parser = Tap::read, value_delimiter = ',', requires = "volts", allow_hyphen_values = true)]
    pub taps: Vec<Tap>,
    /// In place of a line with taps: the loudspeakers' impedance.
    #[arg(long, value_parser = ohms, conflicts_with_all = ["volts", "taps"], requires = "power", allow_hyphen_values = true)]
    pub ohms: Option<Ohms>,
    /// And the power that goes into it.
    #[arg(long, value_parser = watts, requires = "ohms", allow_hyphen_values = true)]
    pub power: Option<Watts>,
    /// The amplifier's rated power.
    #[arg(long, value_name = "POWER", value_parser = watts, allow_hyphen_values = true)]
    pub amplifier: Option<Watts>,
    /// Of the cable, one way.
    #[arg(long, value_parser = metres, requires = "gauge", allow_hyphen_values = true)]
    pub length: Option<Metres>,
    /// Of each conductor: "16 AWG", "1.5 mm2", "1.5 mm2 class 5".
    #[arg(long, value_parser = Gauge::read, requires = "length", allow_hyphen_values = true)]
    pub gauge: Option<Gauge>,
    /// Of the cable.
    #[arg(long, value_name = "CELSIUS", value_parser = Celsius::read, default_value = "20 C", allow_hyphen_values = true)]
    pub temperature: Celsius,
}

#[derive(Debug, Clone, Args)]
pub struct SoundWish {
    /// The loudspeaker's, dB at 1 W and 1 m.
    #[arg(long, value_name = "DB", value_parser = quantity::read_spl, allow_hyphen_values = true)]
    pub sensitivity: Spl,
    /// That it is tapped at.
    #[arg(long, value_parser = watts, allow_hyphen_values = true)]
    pub power: Watts,
    /// From the listener; several by commas.
    #[arg(long, value_parser = metres, value_delimiter = ',', required = true, allow_hyphen_values = true)]
    pub distance: Vec<Metres>,
    /// The noise there, dBA.
    #[arg(long, value_name = "DB", value_parser = quantity::read_spl, allow_hyphen_values = true)]
    pub ambient: Option<Spl>,
}

#[derive(Debug, Clone, Args)]
pub struct SourceWish {
    /// Read without a load.
    #[arg(long, value_name = "VOLTS", value_parser = volts, allow_hyphen_values = true)]
    pub open: Volts,
    /// Read across the load.
    #[arg(long, value_name = "VOLTS", value_parser = volts, allow_hyphen_values = true)]
    pub loaded: Volts,
    /// The load.
    #[arg(long, value_name = "OHMS", value_parser = ohms, default_value = "600 ohm", allow_hyphen_values = true)]
    pub load: Ohms,
}

/// One table of a file: the same flags, by the kind of table.
#[derive(Debug, Parser)]
#[command(no_binary_name = true, disable_help_flag = true, disable_help_subcommand = true)]
pub struct Table {
    #[command(subcommand)]
    pub what: What,
}

fn ohms(text: &str) -> Result<Ohms, Unfit> {
    Ohms::read(&with_unit(text, "ohm"))
}

fn watts(text: &str) -> Result<Watts, Unfit> {
    Watts::read(&with_unit(text, "W"))
}

fn metres(text: &str) -> Result<Metres, Unfit> {
    Metres::read(&with_unit(text, "m"))
}

fn db(text: &str) -> Result<Db, Unfit> {
    match read_db(&with_unit(text, "dB"))? {
        db if (0.0..=150.0).contains(&db.0) => Ok(db),
        _ => Err(Unfit("write it from 0 dB to 150 dB, without a minus".to_owned())),
    }
}

fn pad_loss(text: &str) -> Result<Db, Unfit> {
    let loss = read_db(&with_unit(text, "dB"))?;
    pad::check_loss(loss).map(|()| loss)
}

fn dbfs(text: &str) -> Result<Dbfs, Unfit> {
    let number = text.trim().trim_end_matches("FS");
    match read_db(&with_unit(number, "dB"))? {
        Db(n) if (-40.0..=0.0).contains(&n) => Ok(Dbfs(n)),
        _ => Err(Unfit("a ceiling is from -40 dBFS to 0 dBFS".to_owned())),
    }
}

fn line_volts(text: &str) -> Result<Volts, Unfit> {
    match volts(text)? {
        volts if (5.0..=250.0).contains(&volts.0) => Ok(volts),
        _ => Err(Unfit(
            "a loudspeaker line has 5 V to 250 V, most of them 25, 70.7 or 100 V".to_owned(),
        )),
    }
}

/// A voltage; levels in dB are taken too.
fn volts(text: &str) -> Result<Volts, Unfit> {
    let volts = Level::read(&with_unit(text, "V"))?.volts();
    match volts.0 {
        v if v <= 1000.0 => Ok(volts),
        _ => Err(Unfit("this is more than any line of the trade carries".to_owned())),
    }
}
