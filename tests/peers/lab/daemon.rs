//! The daemon: the built binary with a config of the test's own, its journal read from stderr.

use std::fmt::Write as _;
use std::path::PathBuf;
use std::process::{Command, ExitStatus};
use std::time::Instant;

use super::kamailio::SUBSCRIBERS;
use super::multicast::Group;
use super::process::{Line, Process};
use super::{DAEMON, Lab, free_port, free_ports, seconds};

/// A site with two zones on one card: `yard` (left; trigger and mute) and `sawmill` (right; trigger).
pub struct Site {
    pub port: u16,
    pub rtp: (u16, u16),
    pub wav: PathBuf,
    /// Replaces the WAV file.
    output: Option<String>,
    environment: Vec<(&'static str, String)>,
    sawmill_lead: &'static str,
    listen: Vec<String>,
    networks: Vec<String>,
    secrets: String,
    tables: String,
}

impl Site {
    pub fn new(lab: &Lab) -> Site {
        let port = free_port();
        Site {
            port,
            rtp: free_ports(20),
            wav: lab.path("loudspeakers.wav"),
            output: None,
            environment: Vec::new(),
            sawmill_lead: "300 ms",
            listen: vec![format!("udp:{DAEMON}:{port}"), format!("tcp:{DAEMON}:{port}")],
            networks: Vec::new(),
            secrets: String::new(),
            tables: String::new(),
        }
    }

    /// Plays to an ALSA device instead of a file.
    pub fn alsa(mut self, name: &str, environment: Vec<(&'static str, String)>) -> Site {
        self.output = Some(format!("alsa:{name}"));
        self.environment = environment;
        self
    }

    pub fn sawmill_lead(mut self, lead: &'static str) -> Site {
        self.sawmill_lead = lead;
        self
    }

    /// On every address, instead of one.
    pub fn listen_everywhere(mut self) -> Site {
        self.listen = vec![format!("udp:0.0.0.0:{}", self.port)];
        self
    }

    pub fn listen(mut self, address: String) -> Site {
        self.listen.push(address);
        self
    }

    /// Lets a network call without a registrar.
    pub fn network(mut self, network: &str) -> Site {
        self.networks.push(network.to_owned());
        self
    }

    /// An extension that registers, at several places if they have spaces between them; `more` are further lines of its table.
    pub fn extension(mut self, user: &str, registrar: &str, more: &str) -> Site {
        writeln!(
            self.tables,
            "[extensions.page-{user}]\nuser = \"{user}\"\nregistrar = {}\nsecret = \"of-{user}\"\n{more}\n",
            list_or_one(registrar)
        )
        .unwrap();
        self
    }

    /// A group on the loopback interface.
    pub fn group(mut self, name: &str, group: Group, more: &str) -> Site {
        writeln!(
            self.tables,
            "[groups.{name}]\naddress = \"{}:{}\"\ninterface = \"{DAEMON}\"\n{more}\n",
            group.address, group.port
        )
        .unwrap();
        self
    }

    /// A further line of the secrets file.
    pub fn secret(mut self, name: &str, value: &str) -> Site {
        writeln!(self.secrets, "{name} = '{value}'").unwrap();
        self
    }

    /// Any other table.
    pub fn table(mut self, text: &str) -> Site {
        self.tables += text;
        self.tables.push('\n');
        self
    }

    pub fn start(&self, lab: &Lab) -> Daemon {
        self.start_with_secrets(lab, SUBSCRIBERS)
    }

    pub fn start_with_secrets(&self, lab: &Lab, secrets: &[(&str, &str)]) -> Daemon {
        let list = |items: &[String]| items.iter().map(|i| format!("\"{i}\"")).collect::<Vec<_>>().join(", ");
        let secrets: String = secrets
            .iter()
            .map(|(user, secret)| format!("of-{user} = \"{secret}\"\n"))
            .chain([self.secrets.clone()])
            .collect();
        let file = lab.write("secrets.toml", &secrets);
        super::process::run(Command::new("chmod").arg("600").arg(file));
        let output = self
            .output
            .clone()
            .unwrap_or_else(|| format!("wav:{}", self.wav.display()));
        let config = lab.write(
            "hornwire.toml",
            &format!(
                r#"[site]
name = "Quayside Timber"

[cards.amplifiers]
output = "{output}"
channels = 2

[relays.yard-trigger]
line = "simulated"
[relays.yard-mute]
line = "simulated"
[relays.sawmill-trigger]
line = "simulated"

[zones.yard]
card = "amplifiers"
channel = 1
trigger = ["yard-trigger"]
mute = ["yard-mute"]
lead = "300 ms"
release = "400 ms"
[zones.sawmill]
card = "amplifiers"
channel = 2
trigger = ["sawmill-trigger"]
lead = "{sawmill_lead}"
release = "400 ms"

[secrets]
file = "secrets.toml"

[sip]
listen = [{listen}]
rtp_ports = "{first}-{last}"
networks = [{networks}]
start_spread = "0 s"

{tables}"#,
                listen = list(&self.listen),
                networks = list(&self.networks),
                first = self.rtp.0,
                last = self.rtp.1,
                tables = self.tables,
                sawmill_lead = self.sawmill_lead,
            ),
        );
        let process = Process::start(
            "hornwire",
            lab.command(env!("CARGO_BIN_EXE_hornwire"))
                .arg("run")
                .arg(config)
                .env_remove("JOURNAL_STREAM")
                .env_remove("INVOCATION_ID")
                .env_remove("NOTIFY_SOCKET")
                .envs(self.environment.iter().map(|(k, v)| (*k, v))),
        );
        Daemon {
            process,
            port: self.port,
        }
    }
}

/// `"a"`, or `["a", "b"]`.
fn list_or_one(registrars: &str) -> String {
    match registrars.split_whitespace().collect::<Vec<_>>().as_slice() {
        [one] => format!("{one:?}"),
        several => format!("{several:?}"),
    }
}

pub struct Daemon {
    pub process: Process,
    pub port: u16,
}

/// A relay operation in the journal.
#[derive(Debug, Clone)]
pub struct Relay {
    pub at: Instant,
    pub name: String,
    pub operated: bool,
}

/// A page's record in the journal.
#[derive(Debug, Clone)]
pub struct Record {
    pub line: String,
}

impl Record {
    /// A journal field of the record, without its quotation marks; empty if it is not there.
    pub fn field(&self, name: &str) -> String {
        field(&self.line, name)
    }
}

fn field(line: &str, name: &str) -> String {
    // Fields stand in brackets behind the text: `[NAME=value NAME="a value"]`.
    let found = [format!(" [{name}="), format!(" {name}=")];
    let Some(rest) = found
        .iter()
        .find_map(|f| line.split_once(f.as_str()))
        .map(|(_, rest)| rest)
    else {
        return String::new();
    };
    match rest.strip_prefix('"') {
        Some(quoted) => quoted.split('"').next().unwrap_or_default().to_owned(),
        None => rest.split([' ', ']']).next().unwrap_or_default().to_owned(),
    }
}

impl Daemon {
    pub fn address(&self) -> String {
        format!("{DAEMON}:{}", self.port)
    }

    /// Graceful stop, as by the service manager; it must be done within the limit and with exit status 0.
    pub fn stop(&mut self, limit: f64) -> ExitStatus {
        self.process.signal("TERM");
        let status = self.process.wait_end(seconds(limit));
        assert!(
            status.success(),
            "the daemon ended with {status}:\n{}",
            self.process.text()
        );
        self.must_be_at_rest();
        status
    }

    /// Resident memory, octets (proc(5), VmRSS).
    pub fn resident(&self) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.process.pid())).expect("the daemon runs");
        let line = status.lines().find_map(|l| l.strip_prefix("VmRSS:")).expect("VmRSS");
        line.trim()
            .trim_end_matches(" kB")
            .trim()
            .parse::<u64>()
            .expect("a number")
            * 1024
    }

    pub fn wait_ready(&self, limit: f64) {
        self.process.wait(&["ready to page"], seconds(limit));
        self.process.wait(&["sound card amplifiers is open"], seconds(limit));
    }

    /// Every relay operation, in order.
    pub fn relays(&self) -> Vec<Relay> {
        let of = |line: &Line| {
            let name = field(&line.text, "RELAY");
            (!name.is_empty()).then(|| Relay {
                at: line.at,
                name,
                operated: field(&line.text, "RELAY_STATE") == "operated",
            })
        };
        self.process.lines().iter().filter_map(of).collect()
    }

    pub fn wait_relay(&self, name: &str, operated: bool, limit: f64) {
        self.wait(&format!("{name} operated={operated}"), limit, || {
            self.relays().iter().any(|r| r.name == name && r.operated == operated)
        });
    }

    /// Relays whose last word is "operated".
    fn operated(&self) -> Vec<String> {
        let mut operated: Vec<String> = Vec::new();
        for relay in self.relays() {
            operated.retain(|n| *n != relay.name);
            if relay.operated {
                operated.push(relay.name);
            }
        }
        operated
    }

    pub fn wait_rest(&self, limit: f64) {
        self.wait("all relays at rest", limit, || self.operated().is_empty());
    }

    pub fn must_be_at_rest(&self) {
        assert!(
            self.operated().is_empty(),
            "{:?} still operated:\n{}",
            self.operated(),
            self.process.text()
        );
    }

    /// The records of all pages, in order.
    pub fn records(&self) -> Vec<Record> {
        let lines = self.process.lines();
        let records = lines.into_iter().filter(|l| !field(&l.text, "END_REASON").is_empty());
        records.map(|l| Record { line: l.text }).collect()
    }

    pub fn wait_records(&self, count: usize, limit: f64) {
        self.wait(&format!("{count} records"), limit, || self.records().len() >= count);
    }

    /// Lines about registrations that failed, and about those that succeeded after that or at first.
    pub fn registration_failures(&self) -> usize {
        self.process.count(&["cannot register"])
    }

    pub fn registrations(&self) -> usize {
        self.process.count(&["is registered at"])
    }

    /// Warnings and errors.
    pub fn troubles(&self) -> Vec<String> {
        let lines = self.process.lines();
        lines
            .into_iter()
            .map(|l| l.text)
            .filter(|t| t.contains("failed") || t.contains("error"))
            .collect()
    }

    pub fn wait_card_back(&self, from: usize, limit: f64) {
        self.process
            .wait_from(from, &["sound card amplifiers is open"], seconds(limit));
    }

    fn wait(&self, what: &str, limit: f64, done: impl Fn() -> bool) {
        let deadline = Instant::now() + seconds(limit);
        while !done() {
            assert!(
                Instant::now() < deadline,
                "no {what} within {limit} s:\n{}",
                self.process.text()
            );
            super::pause(0.02);
        }
    }
}
