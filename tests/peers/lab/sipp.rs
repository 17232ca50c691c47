//! SIPp: calls message by message, with G.711 speech by its own RTP stream.

use std::path::Path;
use std::process::ExitStatus;

use super::process::Process;
use super::{CALLER, Lab, free_port, seconds, template};

pub struct Sipp {
    pub process: Process,
    messages: std::path::PathBuf,
}

/// How SIPp calls.
pub struct Scenario<'a> {
    /// A file of `tests/peers/sipp/`.
    pub file: &'a str,
    /// Host and port to send to.
    pub to: String,
    pub number: &'a str,
    /// Headerless mu-law file.
    pub speech: &'a Path,
    /// How long it speaks, milliseconds.
    pub length: u32,
    /// Its own address.
    pub bind: &'a str,
    pub tcp: bool,
    /// Status that it expects, for scenarios that are refused.
    pub status: u16,
    /// Further words of the file, and what stands for them.
    pub words: Vec<(&'a str, String)>,
}

impl<'a> Scenario<'a> {
    pub fn new(file: &'a str, to: String, number: &'a str, speech: &'a Path) -> Scenario<'a> {
        Scenario {
            file,
            to,
            number,
            speech,
            length: 3000,
            bind: CALLER,
            tcp: false,
            status: 486,
            words: Vec::new(),
        }
    }

    pub fn start(&self, lab: &Lab) -> Sipp {
        let port = free_port();
        let status = self.status.to_string();
        let mut words = vec![("SPEECH", self.speech.to_str().unwrap()), ("STATUS", status.as_str())];
        words.extend(self.words.iter().map(|(word, value)| (*word, value.as_str())));
        let xml = template(&format!("sipp/{}", self.file), &words);
        let scenario = lab.write(&format!("{port}-{}", self.file), &xml);
        let messages = lab.path(&format!("{port}-messages.log"));
        let mut command = lab.command("sipp");
        command
            .arg(&self.to)
            .arg("-sf")
            .arg(scenario)
            .args(["-s", self.number, "-key", "from", "203", "-m", "1", "-nostdin"])
            .args(["-i", self.bind, "-p", &port.to_string()])
            .args(["-mi", self.bind, "-mp", &free_port().to_string()])
            .args(["-d", &self.length.to_string(), "-timeout", "60s", "-timeout_error"])
            .args(["-recv_timeout", "20000", "-trace_err", "-error_file"])
            .arg(lab.path(&format!("{port}-errors.log")))
            .arg("-trace_msg")
            .arg("-message_file")
            .arg(&messages)
            .env("TERM", "dumb")
            .current_dir(lab.dir());
        if self.tcp {
            command.args(["-t", "t1"]);
        }
        Sipp {
            process: Process::start("sipp", &mut command),
            messages,
        }
    }
}

impl Sipp {
    /// SIPp's own verdict over the scenario: every message as it should be.
    pub fn verdict(&mut self, limit: f64) -> ExitStatus {
        self.process.wait_end(seconds(limit))
    }

    pub fn must_pass(&mut self, limit: f64) {
        let status = self.verdict(limit);
        assert!(status.success(), "sipp: {status}; messages:\n{}", self.messages());
    }

    /// All messages, sent and received.
    pub fn messages(&self) -> String {
        std::fs::read_to_string(&self.messages).unwrap_or_default()
    }

    /// The first message with a description that came in.
    pub fn answer(&self) -> String {
        let messages = self.messages();
        let received = messages.split("message received").skip(1);
        let mut parts = received.map(|m| m.split("message sent").next().unwrap_or_default());
        parts.find(|m| m.contains("m=audio ")).unwrap_or_default().to_owned()
    }
}
