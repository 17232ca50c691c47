//! A desk phone: pjsua2, a real phone stack, with a recording instead of a microphone.

use std::path::{Path, PathBuf};

use super::kamailio::{Kamailio, password};
use super::process::Process;
use super::{CALLER, Lab, python, seconds, sources};

pub struct Phone {
    pub process: Process,
    pub recording: PathBuf,
}

/// How a phone calls.
pub struct Call<'a> {
    pub number: &'a str,
    pub codec: &'a str,
    pub play: &'a Path,
    /// Seconds from the recording's end to its BYE; `None`: it never hangs up.
    pub hang_up_after: Option<f64>,
    pub bind: &'a str,
    pub transport: &'a str,
    /// Host and port that it sends to; the phone system's if `None`.
    pub proxy: Option<String>,
    /// Whose signature it wants under the other end's certificate.
    pub authority: Option<PathBuf>,
    /// Mandatory SRTP.
    pub srtp: bool,
    /// Session timers, 90 s.
    pub timers: bool,
    /// Is silent until it is told to `speak`.
    pub waits: bool,
}

impl<'a> Call<'a> {
    pub fn to(number: &'a str, play: &'a Path) -> Call<'a> {
        Call {
            number,
            codec: "PCMU",
            play,
            hang_up_after: Some(0.3),
            bind: CALLER,
            transport: "udp",
            proxy: None,
            authority: None,
            srtp: false,
            timers: false,
            waits: false,
        }
    }

    pub fn start(&self, lab: &Lab, kamailio: &Kamailio) -> Phone {
        let recording = lab.path(&format!(
            "heard-by-{}-{}.wav",
            self.codec.replace('/', "-"),
            self.number
        ));
        let mut command = python();
        command
            .arg(sources().join("python/phone.py"))
            .args(["--bind", self.bind, "--transport", self.transport])
            .args(["--user", "201", "--password", password("201")])
            .args(["--proxy", &self.proxy.clone().unwrap_or_else(|| kamailio.address())])
            .args(["--call", self.number, "--codec", self.codec])
            .arg("--play")
            .arg(self.play)
            .arg("--record")
            .arg(&recording);
        if self.codec.starts_with("G722") {
            command.args(["--rate", "16000"]);
        }
        if let Some(authority) = &self.authority {
            command.arg("--ca").arg(authority);
        }
        for (wanted, argument) in [(self.srtp, "--srtp"), (self.timers, "--timers"), (self.waits, "--wait")] {
            if wanted {
                command.arg(argument);
            }
        }
        if let Some(after) = self.hang_up_after {
            command.args(["--hang-up-after", &after.to_string()]);
        }
        let process = Process::start("phone", &mut command);
        process.wait(&["READY"], seconds(15.0));
        Phone { process, recording }
    }
}

impl Phone {
    /// The call has been answered; when.
    pub fn wait_answer(&self, limit: f64) -> std::time::Instant {
        self.process.wait(&["STATE CONFIRMED"], seconds(limit)).at
    }

    /// A command that makes it send a request; waits for the 200.
    pub fn say_and_wait(&mut self, command: &str) {
        let mark = self.process.mark();
        self.process.say(command);
        self.process.wait_from(mark, &["MESSAGE SIP/2.0 200"], seconds(5.0));
    }

    /// The call is over and the files are closed.
    pub fn wait_done(&mut self, limit: f64) {
        self.process.wait(&["STATE DISCONNECTED"], seconds(limit));
        self.process.wait(&["DONE"], seconds(5.0));
        self.process.wait_end(seconds(5.0));
    }
}
