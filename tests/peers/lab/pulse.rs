//! A sound card without hardware: PulseAudio's null sink, clocked in real time and recorded from its monitor.

use std::path::{Path, PathBuf};
use std::process::Command;

use super::process::{Process, run};
use super::{Lab, pause, seconds};

pub struct Pulse {
    dir: PathBuf,
    process: Process,
}

impl Pulse {
    pub fn start(lab: &Lab) -> Pulse {
        Pulse::named(lab, "pulse")
    }

    /// A second server, for another card.
    pub fn named(lab: &Lab, name: &str) -> Pulse {
        let dir = lab.path(name);
        std::fs::create_dir_all(dir.join("run")).unwrap();
        run(Command::new("chmod").arg("700").arg(dir.join("run")));
        let process = launch(&dir);
        let pulse = Pulse { dir, process };
        pulse.wait_up();
        pulse
    }

    /// What a client of this sound server has in its environment.
    pub fn environment(&self) -> Vec<(&'static str, String)> {
        environment(&self.dir)
    }

    fn wait_up(&self) {
        for _ in 0..100 {
            let up = Command::new("pactl").arg("info").envs(self.environment()).output();
            if up.is_ok_and(|o| o.status.success()) {
                return;
            }
            pause(0.1);
        }
        panic!("pulseaudio does not come up:\n{}", self.process.text());
    }

    /// The card is unplugged.
    pub fn kill(&mut self) {
        self.process.kill();
    }

    /// The card is plugged in again.
    pub fn restart(&mut self) {
        self.process.kill();
        let _ = std::fs::remove_file(self.dir.join("socket"));
        self.process = launch(&self.dir);
        self.wait_up();
    }

    /// Plays a file to its sink.
    pub fn play(&self, wav: &Path) -> Process {
        Process::start("paplay", Command::new("paplay").arg(wav).envs(self.environment()))
    }

    /// Gives this server's clients an ALSA device of another server: what that one's sink plays is captured from it.
    pub fn add_capture(&self, name: &str, of: &Pulse) {
        let text = format!(
            "pcm.{name} {{\n type pulse\n server \"unix:{}\"\n device \"lab.monitor\"\n}}\n",
            of.dir.join("socket").display()
        );
        std::fs::write(self.dir.join(".asoundrc"), text).unwrap();
    }

    /// Records what the card plays, from now until the recorder is stopped.
    pub fn record(&self, lab: &Lab, name: &str) -> Recorder {
        let path = lab.path(name);
        let process = Process::start(
            "parec",
            Command::new("parec")
                .args(["-d", "lab.monitor", "--rate=48000", "--channels=2", "--format=s16le"])
                .args(["--file-format=wav", "--latency-msec=20"])
                .arg(&path)
                .envs(self.environment()),
        );
        // It is connected once its file has grown.
        for _ in 0..100 {
            if std::fs::metadata(&path).is_ok_and(|m| m.len() > 10_000) {
                return Recorder { process, path };
            }
            pause(0.1);
        }
        panic!("parec does not record:\n{}", process.text());
    }
}

pub struct Recorder {
    process: Process,
    path: PathBuf,
}

impl Recorder {
    pub fn stop(mut self) -> PathBuf {
        pause(0.5);
        self.process.signal("TERM");
        self.process.wait_end(seconds(5.0));
        self.path
    }
}

fn environment(dir: &std::path::Path) -> Vec<(&'static str, String)> {
    vec![
        ("HOME", dir.display().to_string()),
        ("XDG_RUNTIME_DIR", dir.join("run").display().to_string()),
        ("PULSE_SERVER", format!("unix:{}", dir.join("socket").display())),
    ]
}

fn launch(dir: &std::path::Path) -> Process {
    Process::start(
        "pulseaudio",
        Command::new("pulseaudio")
            .args([
                "-n",
                "--daemonize=no",
                "--exit-idle-time=-1",
                "--use-pid-file=no",
                "--log-target=stderr",
            ])
            .args(["-L", "module-null-sink sink_name=lab rate=48000 channels=2", "-L"])
            .arg(format!(
                "module-native-protocol-unix socket={} auth-anonymous=1",
                dir.join("socket").display()
            ))
            .envs(environment(dir)),
    )
}
