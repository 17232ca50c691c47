//! The command line, and its help: the manual page and the completions come from it too.

use std::path::PathBuf;

use clap::{Parser, Subcommand};
use hornwire::config;

use super::{calibrate, commission, handover, levels, listen, local, replay, tone, watch, why, wiring};

const EXIT_CODES: &str = "\
Exit codes (sysexits.h):
  0   fine (warnings included)
  64  wrong command line
  65  what was given cannot be: an easy code, a scenario with errors, a pad,
      a level, a reading, a name that nothing has
  66  a file is missing or cannot be read
  69  a socket or a relay line cannot be had
  70  the demonstration, or a step of commissioning, did not go as it should
  71  the system refused a thread or random numbers
  73  a file cannot be made
  75  refused for now: the zones are taken; or ended before it was done
  77  no permission to read a file
  78  errors in a config file";

/// Paging gateway: SIP calls and multicast RTP to the line input of a loudspeaker amplifier.
#[derive(Debug, Parser)]
#[command(name = "hornwire", version, after_help = EXIT_CODES)]
pub struct Arguments {
    #[command(subcommand)]
    pub command: Command,
}

#[derive(Debug, Subcommand)]
pub enum Command {
    /// Run the gateway until SIGTERM or SIGINT.
    #[command(after_help = concat!(
        "Example:\n  hornwire run /etc/hornwire/hornwire.toml\n\n",
        "Messages go to the journal when the service manager started it, else to stderr.\n",
        "At the end every call is hung up, every extension unregistered and every relay\n",
        "at rest. At SIGHUP the config is read again (systemctl reload); in a terminal\n",
        "SIGHUP says that it was closed, and ends the program.\n\n",
        "Exit codes: 0 stopped in order, 66 the config is missing, 69 a socket or a relay\n",
        "line cannot be had, 71 the system refused a thread or random numbers,\n",
        "77 no permission to read the config, 78 errors in it."
    ))]
    Run {
        /// The config file.
        #[arg(default_value = config::DEFAULT_FILE, value_name = "FILE")]
        file: PathBuf,
    },
    /// Show the whole job without hardware: calls, a multicast page, music and relays.
    #[command(after_help = concat!(
        "Example:\n  hornwire demo --out /tmp/quayside\n\n",
        "A phone system, callers and a multicast sender speak SIP and RTP with the\n",
        "gateway over loopback addresses. Only the sound card (a file) and the relays\n",
        "are simulated. It needs no root, and nothing else needs to be installed.\n",
        "It ends with a timeline and the paths of what to listen to.\n\n",
        "Exit codes: 0 all went well, 70 something did not (it is told), 69 no port or\n",
        "address, 73 the directory or a file in it cannot be made."
    ))]
    Demo {
        /// Where the recordings go; made if it is not there.
        #[arg(long, default_value = "hornwire-demo", value_name = "DIR")]
        out: PathBuf,
    },
    /// Let a day's events run against a config in simulated time: who is heard where, and why.
    #[command(after_help = concat!(
        "Examples:\n  hornwire rehearse config/quayside-morning.scenario --svg morning.svg\n",
        "  hornwire rehearse config/quayside-morning.scenario --explain 06:00:12 yard\n\n",
        "The scenario is a small TOML file: calls, streams, contacts, faults, each with\n",
        "its time. Its keys stand at the end of what `hornwire check --keys` prints.\n\n",
        "Nothing is played and no relay moves. Every page has its line; the timeline is a\n",
        "picture for a browser or for paper.\n\n",
        "Exit codes: 0 rehearsed, 64 no such time or zone, 65 errors in the scenario,\n",
        "66 a file is missing, 73 the picture cannot be written, 77 no permission,\n",
        "78 errors in the config."
    ))]
    Rehearse {
        /// The day's events.
        #[arg(value_name = "SCENARIO")]
        scenario: PathBuf,
        /// In place of the config that the scenario names.
        #[arg(long, value_name = "FILE")]
        config: Option<PathBuf>,
        /// Write the timeline there.
        #[arg(long, value_name = "FILE")]
        svg: Option<PathBuf>,
        /// Who was heard then, who was not, and which rule decided.
        #[arg(long, num_args = 2, value_names = ["TIME", "ZONE"], conflicts_with = "svg")]
        explain: Option<Vec<String>>,
    },
    /// Let a packet capture run through the gateway: what it did with what came, as files on a desk.
    #[command(after_help = concat!(
        "Examples:\n",
        "  sudo tcpdump -i any -s 0 -w site.pcap udp\n",
        "  hornwire replay site.pcap --config /etc/hornwire/hornwire.toml --out site\n\n",
        "The same gateway as the service, in simulated time: calls by UDP and multicast\n",
        "groups as they were captured, hours and schedules by the capture's clock. A\n",
        "recording for each zone, the journal's lines, the relays' movements, the\n",
        "timeline as a picture. Nothing is sent, no card plays and no relay moves. The\n",
        "secrets file and TLS files may be missing. Notes at the end tell what was taken\n",
        "for granted.\n\n",
        "Exit codes: 0 replayed, 65 no capture, or none of this gateway, 66 a file is\n",
        "missing, 71 the system refused something, 73 nothing can be written there, 77 no\n",
        "permission, 78 errors in the config."
    ))]
    Replay {
        #[command(flatten)]
        wanted: replay::Wanted,
    },
    /// What the running gateway does: zones, pages, relays, registrations, what is missing.
    #[command(after_help = concat!(
        "Examples:\n  hornwire status\n  hornwire status --json | jq .pages\n\n",
        "Root and the group hornwire may ask: sudo usermod -aG hornwire NAME\n\n",
        "Exit codes: 0 answered, 69 nobody is there, 77 no permission."
    ))]
    Status {
        #[command(flatten)]
        to: local::To,
    },
    /// Watch the running gateway: levels, pages, relays, registrations as they change.
    #[command(after_help = concat!(
        "Examples:\n",
        "  hornwire watch\n",
        "  hornwire watch --plain | tee watched.txt\n",
        "  hornwire watch --json --every 1000 | jq -c '.zones[] | [.zone, .level_dbm]'\n\n",
        "The level is what goes to the zone's line now, RMS, in dBm where the card's\n",
        "full_scale is in the config; # on the meter is that, | the peak. Keys: q, Esc or\n",
        "Ctrl-C end it, a lists everything, arrows scroll. While nobody answers it goes\n",
        "on asking. Without a terminal it prints a line for each change. NO_COLOR=1: no\n",
        "colours.\n\n",
        "Root and the group hornwire may ask: sudo usermod -aG hornwire NAME\n\n",
        "Exit codes: 0 ended by a key or a signal, 71 the terminal fails, 77 no\n",
        "permission."
    ))]
    Watch(watch::Watch),
    /// End a page of the running gateway at once.
    #[command(after_help = concat!(
        "Example:\n  hornwire stop 12\n\n",
        "`hornwire status` and the journal number the pages.\n\n",
        "Exit codes: 0 ended, 65 there is no such page, 69 nobody is there,\n",
        "77 no permission."
    ))]
    Stop {
        /// Its number.
        #[arg(value_name = "PAGE")]
        page: u64,
        #[command(flatten)]
        to: local::To,
    },
    /// Let the running gateway announce a file, a stored message or a bell.
    #[command(after_help = concat!(
        "Examples:\n  hornwire announce closing.wav --zone yard --zone office\n",
        "  hornwire announce --plays bell --times 3 --zone everywhere --priority 70\n\n",
        "A page like any other, by the priority and the rules of [control]. The answer\n",
        "says how it stands: is heard, waits, refused; the journal has its record.\n\n",
        "Exit codes: 0 taken, 65 the file cannot be played, or no such zone or message,\n",
        "66 no such file, 69 nobody is there, 75 refused for now, 77 no permission."
    ))]
    Announce {
        #[command(flatten)]
        what: local::Announcement,
        #[command(flatten)]
        to: local::To,
    },
    /// What happened to a page, and why: from the journal, in plain sentences.
    #[command(after_help = concat!(
        "Examples:\n  hornwire why\n  hornwire why --at 10:32 --zone yard\n  hornwire why --caller 201 --at \"yesterday 16:05\"\n\n",
        "Without --at it tells of the last page; with it, of the page of that minute,\n",
        "or of the nearest one within ten minutes, of calls that were refused then, and\n",
        "of what was missing. Root and the group systemd-journal may read the journal.\n\n",
        "Exit codes: 0 told (also that there is nothing), 64 no such time, 65 the file\n",
        "is no journal, 66 no journal, 77 no permission."
    ))]
    Why {
        #[command(flatten)]
        wanted: why::Wanted,
    },
    /// Look at this machine: has it all that the config wants, and what is to be done about it?
    #[command(after_help = concat!(
        "Examples:\n  sudo hornwire doctor\n  sudo hornwire doctor --listen 130\n\n",
        "Looks at the config and whether the service may read it, the service itself,\n",
        "sound cards and their mixers, relay and contact lines, real-time scheduling,\n",
        "the clock, listening addresses, name service and registrars, multicast groups\n",
        "and who asks for memberships, the journal. A gateway that runs is asked what it\n",
        "misses. It changes nothing, moves no relay, and may be run while the gateway\n",
        "runs. As root it sees more.\n\n",
        "Exit codes: 0 no fault, 66 the config is missing, 69 a fault was found,\n",
        "77 no permission to read the config."
    ))]
    Doctor {
        /// The config file.
        #[arg(default_value = config::DEFAULT_FILE, value_name = "FILE")]
        file: PathBuf,
        /// How many seconds to wait for a query of the network's IGMP querier.
        #[arg(long, value_name = "SECONDS", default_value_t = 5, value_parser = clap::value_parser!(u64).range(0..=600))]
        listen: u64,
        /// Print one line of JSON.
        #[arg(long)]
        json: bool,
    },
    /// Who speaks on multicast groups, how well it arrives, and what the gateway would do with it.
    #[command(after_help = concat!(
        "Examples:\n",
        "  hornwire listen\n",
        "  hornwire listen --group 239.192.0.0/28:5004 --interface eth0 --for 60\n",
        "  sudo hornwire listen --seen --interface eth0\n",
        "  hornwire listen --save heard --payload 97=opus/48000/2 yard.toml\n\n",
        "For each stream: sender, SSRC, codec, packet time and rate, loss and jitter (RFC\n",
        "3550), level (RMS of the last second), and what the gateway would do with it by\n",
        "the config. On a terminal a table; else a line at each beginning and end, and\n",
        "every ten seconds. The gateway may run meanwhile: both hear every packet.\n",
        "Nothing is sent but memberships. --seen joins what others ask for by IGMP;\n",
        "behind a switch with IGMP snooping it may see less than there is. Encrypted\n",
        "streams of groups without a key sound like noise. At most 64 streams at a time,\n",
        "of 256 groups; 256 WAV files (48 kHz, mono, through the jitter buffer) of 2048\n",
        "MB together, about six hours of one stream.\n\n",
        "Exit codes: 0 ended in order, 64 wrong command line, or no groups, 66 the config\n",
        "is missing, 69 a group cannot be joined, 71 the system refused something,\n",
        "73 nothing can be written there, 77 no permission, 78 errors in the config."
    ))]
    Listen {
        #[command(flatten)]
        wanted: listen::Wanted,
    },
    /// The level plan: from the card to the amplifier's input, pads, loudspeaker lines, sound.
    #[command(after_help = concat!(
        "Examples:\n",
        "  hornwire levels /etc/hornwire/hornwire.toml\n",
        "  hornwire levels pad --kind T --loss 10dB --impedance 600\n",
        "  hornwire levels line --volts 70.7 --taps 12x6W --amplifier 120W \\\n",
        "    --length 100m --gauge \"16 AWG\"\n",
        "  hornwire levels sound --sensitivity 90 --power 10W --distance 4m --ambient 70\n",
        "  hornwire levels convert \"0 dBm\"\n\n",
        "With a config it plans each of its [amplifiers.NAME]: the level at each joint,\n",
        "the zone's gain to set, and what to build where it does not fit. A file\n",
        "yard.levels holds tables [chain.NAME], [pad.NAME], [line.NAME], [sound.NAME] and\n",
        "[source.NAME], whose keys are the flags of those commands. Nothing is played or\n",
        "changed.\n\n",
        "Exit codes: 0 planned, 64 wrong command line, 65 nothing to plan, or not so, 66\n",
        "a file is missing, 77 no permission, 78 errors in the config."
    ))]
    Levels(levels::Levels),
    /// Play a test signal in zones: tone, sweep, noise, polarity, or beeps that tell which zone is which.
    #[command(after_help = concat!(
        "Examples:\n",
        "  hornwire tone --zone yard --level \"-30 dBFS\" --seconds 60\n",
        "  hornwire tone noise --zone yard\n",
        "  hornwire tone identify\n\n",
        "Through the running gateway, with relays and lead as for a page; where none\n",
        "runs, through cards and relays of the config. Any page of priority 1 or more\n",
        "takes the zones from it. While a page is on it is refused, unless --over-pages\n",
        "is given. It ends with this command. A tone and noise rise for 1.5 s. Caution:\n",
        "loudspeakers may sound at once and loudly. Warn people, turn the amplifier down,\n",
        "and keep ears away from horns.\n\n",
        "Exit codes: 0 played or ended, 64 wrong command line, 65 no such zone, or too\n",
        "loud, 66 the config is missing, 69 no card or relay to be had, 75 refused for\n",
        "now or cut short by a page, 77 no permission, 78 errors in the config."
    ))]
    Tone(tone::Tone),
    /// Try everything of a config once, in turn: zones, relays, every source, music; measured, and by ear.
    #[command(after_help = concat!(
        "Examples:\n",
        "  sudo hornwire commission --by \"R. Alder\"\n",
        "  hornwire commission --list\n",
        "  sudo hornwire commission --only dispatch --only yard\n\n",
        "Beeps in each zone, each relay for 3 s, then a page from every source: it says\n",
        "what to do, waits for the page, tells what was measured (zones, delay, level,\n",
        "loss, jitter, lead of the relays, return of the music) and asks what only ears\n",
        "can tell. A schedule's sound is played by the gateway. Outcomes go into the\n",
        "logbook beside the config, and hornwire handover puts them into its document. A\n",
        "later run goes on with what has not passed. Sources need the running gateway.\n\n",
        "Exit codes: 0 nothing has failed, 64 wrong command line, 65 nothing has that\n",
        "name, 66 the config is missing, 69 no card or relay to be had, 70 something\n",
        "failed, 73 the logbook cannot be written, 75 ended before, or a page is on, 77\n",
        "no permission, 78 errors in the config."
    ))]
    Commission(commission::Commission),
    /// Measure what a card's full scale is on the line, and set a zone's level by it.
    #[command(after_help = concat!(
        "Examples:\n",
        "  sudo hornwire calibrate yard --by \"R. Alder\"\n",
        "  sudo hornwire calibrate --loopback alsa:hw:CARD=Device \\\n",
        "    --input-full-scale \"2 dBm\"\n\n",
        "Plays a soft tone, asks what the meter reads, asks before the next one is\n",
        "louder; works out full_scale of the card and, where [amplifiers.NAME] says what\n",
        "level the amplifier takes, gain of the zone. Both are written into the config if\n",
        "you agree, and noted in the logbook beside it (FILE.logbook). Readings that no\n",
        "output has or that do not agree are refused, and tones that are too loud for the\n",
        "amplifier's input.\n\n",
        "Exit codes: 0 measured, 64 wrong command line, 65 no such zone, or readings that\n",
        "cannot be, 66 the config is missing, 69 no card or input to be had, 73 nothing\n",
        "can be written there, 75 ended before, or a page is on, 77 no permission, 78\n",
        "errors in the config."
    ))]
    Calibrate(calibrate::Calibrate),
    /// Operate a relay for a while: to find it, and to prove its wiring.
    #[command(after_help = concat!(
        "Examples:\n",
        "  hornwire relay\n",
        "  hornwire relay amp-trigger --for 5\n",
        "  hornwire relay music-mute --for 1 --times 5\n\n",
        "Without a name they are listed. It goes back to rest by itself, in time or with\n",
        "Ctrl-C, also when this command is killed; pages go on as they would. While a\n",
        "page is on it is refused, unless --over-pages is given, and while another system\n",
        "has the amplifier always. Its contacts may switch mains or a loudspeaker line:\n",
        "whoever works there is told first.\n\n",
        "Exit codes: 0 operated, 64 wrong command line, 65 no such relay, 66 the config\n",
        "is missing, 69 no relay line to be had, 75 refused for now, 77 no permission, 78\n",
        "errors in the config."
    ))]
    Relay(tone::Relay),
    /// Put every relay of the config to rest; the service does it after every end.
    #[command(after_help = concat!(
        "Example:\n  hornwire rest-relays /etc/hornwire/hornwire.toml\n\n",
        "For after a gateway that was killed: one that stops in order does it itself.\n",
        "Relays whose own table is right go to rest even if the config has errors\n",
        "elsewhere. While the gateway runs it holds the GPIO lines; then this fails\n",
        "with 69.\n\n",
        "Exit codes: 0 all at rest, 66 the config is missing, 69 a relay line cannot be\n",
        "had, 77 no permission to read the config, 78 errors in it."
    ))]
    RestRelays {
        /// The config file.
        #[arg(default_value = config::DEFAULT_FILE, value_name = "FILE")]
        file: PathBuf,
    },
    /// Make the line of an access code for the secrets file.
    #[command(after_help = concat!(
        "Example:\n  hornwire code gatehouse | sudo tee -a /etc/hornwire/quayside-secrets.toml\n\n",
        "Asks for the code twice without showing it, or reads one line of standard input.\n",
        "The line holds its argon2id hash, from which the code cannot be read. A code has\n",
        "4 to 16 digits; what is guessed first (1234, 7777, a year) is not taken.\n\n",
        "Exit codes: 0 made, 64 wrong command line, 65 too easily guessed or not the same\n",
        "twice, 66 no code came, 71 the system gave no random numbers or memory."
    ))]
    Code {
        /// Whose it is: the name in [codes.NAME].
        #[arg(value_name = "NAME")]
        name: String,
    },
    /// Tell every problem of a config file, each with its line and a hint.
    #[command(after_help = concat!(
        "Example:\n  hornwire check /etc/hornwire/hornwire.toml\n\n",
        "The secrets file that the config names is read too, so check as root or as the\n",
        "user who runs the daemon; as root it also tells which files in /etc/hornwire\n",
        "the service's user may not read. Cards, relay lines, network interfaces and\n",
        "the phone system are not tried: `hornwire doctor` looks at them.\n\n",
        "Exit codes: 0 fine (warnings included), 64 wrong command line, 66 a file is\n",
        "missing, 77 no permission, 78 errors in a config file."
    ))]
    Check {
        /// Config files, and scenarios.
        #[arg(value_name = "FILE", default_value = config::DEFAULT_FILE)]
        files: Vec<PathBuf>,
        /// Print the reference of all keys instead.
        #[arg(long, conflicts_with = "files")]
        keys: bool,
    },
    /// The wiring of a config: terminal table on the terminal, or sheets of A4 as SVG.
    #[command(after_help = concat!(
        "Examples:\n",
        "  hornwire wiring config/quayside-yard.toml | less\n",
        "  hornwire wiring config/quayside-yard.toml -o yard.svg --date 2027-03-02\n\n",
        "Every browser prints SVG: A4 landscape, no margins, black and white. What the\n",
        "config does not say is assumed, and said so on the sheet; [amplifiers.NAME] says\n",
        "more. Check every terminal on site: the sheet knows the config, not your\n",
        "equipment.\n\n",
        "Exit codes: 0 drawn, 64 wrong command line, 66 the config is missing, 73 a sheet\n",
        "cannot be written, 77 no permission, 78 errors in the config."
    ))]
    Wiring {
        #[command(flatten)]
        wishes: wiring::Wishes,
    },
    /// What is handed over: a record sheet for customer and technician, and a page for the wall.
    #[command(after_help = concat!(
        "Examples:\n",
        "  hornwire handover /etc/hornwire/hornwire.toml -o handover\n",
        "  hornwire handover config/quayside-yard.toml --customer \"Quayside Timber\" \\\n",
        "    --installer \"Alder Sound\" --phone \"01632 960 017\"\n\n",
        "Writes handover.md, handover.html, wall.md and wall.html; files of these names\n",
        "in DIR are written over. What was measured and tried comes from the logbook\n",
        "beside the config; what was not tried is listed as such. Passwords, keys and\n",
        "access codes are in none of them.\n\n",
        "Print the HTML from a browser: A4, the margins and the scale of the page itself,\n",
        "black and white is enough. wall.html is one page. There is no PDF output.\n\n",
        "Exit codes: 0 written, 64 wrong command line, 66 the config is missing, or the\n",
        "logbook cannot be read, 73 a file cannot be written, 77 no permission, 78 errors\n",
        "in the config."
    ))]
    Handover {
        #[command(flatten)]
        wishes: handover::Wishes,
    },
    /// Write the manual pages and the completions of the shells; the package is built with it.
    #[command(hide = true)]
    Manual {
        #[arg(value_name = "DIR")]
        directory: PathBuf,
    },
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory as _;

    use super::Arguments;

    /// Lines that are broken by hand are not broken again on a terminal of 80 columns.
    #[test]
    fn help_fits_80_columns() {
        let mut all = vec![Arguments::command()];
        while let Some(command) = all.pop() {
            let help = command.get_after_help().map(ToString::to_string).unwrap_or_default();
            for line in help.lines() {
                assert!(line.chars().count() <= 80, "{}: {line}", command.get_name());
            }
            all.extend(command.get_subcommands().cloned());
        }
    }
}
