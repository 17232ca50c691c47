//! SIGHUP at the running program: what is taken up at once, what waits, what is refused; and a terminal that is closed.
#![allow(clippy::disallowed_methods)]

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use crate::program::Program;

mod program;

const CONFIG: &str = r#"
    [site]
    name = "Quayside Timber"
    [sip]
    listen = ["udp:ADDRESS:5060", "tcp:ADDRESS:5060"]
    networks = ["127.0.0.0/8"]
    [extensions.page]
    user = "850"
    zones = ["office"]
    [groups.weighbridge]
    address = "239.255.41.10:5004"
    interface = "lo"
    codec = "pcmu"
    zones = ["office"]
    [cards.main]
    output = "null"
    [relays.yard-trigger]
    line = "simulated"
    [relays.lamp]
    line = "simulated"
    shows = "healthy"
    [zones.yard]
    card = "main"
    channel = 1
    trigger = ["yard-trigger"]
    lead = "0 s"
    release = "0 s"
    [zones.office]
    card = "main"
    channel = 2
    lead = "0 s"
    release = "0 s"
    [contacts.night-bell]
    line = "file:FOLDER/bell"
    zones = ["yard"]
    pause = "100 ms"
    [contacts.door]
    line = "file:FOLDER/door"
    zones = ["office"]
    times = 1
    [control]
    socket = "FOLDER/control.sock"
"#;

struct Site {
    program: Program,
    config: String,
    seen: usize,
}

impl Site {
    fn start(name: &str, address: &str) -> Self {
        let folder = program::folder(&format!("reload-{name}"));
        let config = CONFIG
            .replace("FOLDER", &folder.to_string_lossy())
            .replace("ADDRESS", address);
        let program = Program::start(folder, &config);
        program.line("is open");
        program.line("contact door is watched");
        Site {
            program,
            config,
            seen: 0,
        }
    }

    /// Writes the config and asks for it to be read.
    fn reload(&self, config: &str) {
        std::fs::write(self.program.folder.join("quayside.toml"), config).unwrap();
        self.program.signal(libc::SIGHUP);
    }

    /// Waits for a line that comes after those waited for before.
    fn next(&mut self, text: &str) -> String {
        let by = Instant::now() + Duration::from_secs(20);
        loop {
            let lines = self.program.lines();
            if let Some(at) = lines.iter().skip(self.seen).position(|l| l.contains(text)) {
                self.seen += at + 1;
                return lines[self.seen - 1].clone();
            }
            assert!(Instant::now() < by, "no {text:?} after {} in {lines:#?}", self.seen);
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    fn close(&self, contact: &str) {
        std::fs::write(self.program.folder.join(contact), "").unwrap();
    }

    fn open(&self, contact: &str) {
        std::fs::remove_file(self.program.folder.join(contact)).unwrap();
    }
}

#[test]
fn a_page_goes_on_while_the_config_changes_under_it() {
    let mut site = Site::start("pages", "127.0.82.1");
    site.close("bell");
    site.next("page 1 from night-bell");
    // At once: the door rings in the yard from now on, and goes before the bell.
    let config = site.config.replace(
        "zones = [\"office\"]\n    times",
        "zones = [\"yard\"]\n    priority = 90\n    times",
    );
    site.reload(&config);
    site.next("taken up: contacts.door");
    site.reload(&config);
    site.next("nothing differs");
    // Whoever sets the level does so while it is heard.
    let config = config.replacen(
        "trigger = [\"yard-trigger\"]",
        "trigger = [\"yard-trigger\"]\n    gain = \"-6 dB\"",
        1,
    );
    site.reload(&config);
    site.next("taken up: zones.yard");
    // Broken: the one before holds, and every error is told.
    site.reload(&config.replace("lead = \"0 s\"", "lead = \"soon\""));
    site.next("zones.yard.lead");
    site.next("not taken up: 2 errors in it");
    std::fs::remove_file(site.program.folder.join("quayside.toml")).unwrap();
    site.program.signal(libc::SIGHUP);
    site.next("not taken up: ");
    // Lines of a zone wait until nothing is on.
    let slow = config.replace("release = \"0 s\"", "release = \"300 ms\"");
    site.reload(&slow);
    site.next("waits until nothing is on: zones.yard, zones.office");
    site.close("door");
    site.next("contact door closed");
    site.open("door");
    // The new rule for the door holds: it takes the bell's only zone, and gives it back.
    site.next("page 1 from night-bell waits for a zone");
    site.next("page 2 from door to zone yard");
    site.open("bell");
    site.next("page 1 from night-bell to zone yard");
    site.next("taken up: zones.yard, zones.office");
    // An output that showed something serves a zone from now on: it rests first.
    let lamp = slow.replace("shows = \"healthy\"", "min_on = \"1 s\"");
    let lamp = lamp.replace("trigger = [\"yard-trigger\"]", "trigger = [\"yard-trigger\", \"lamp\"]");
    site.reload(&lamp);
    site.next("taken up: relays.lamp, zones.yard");
    let slow = lamp;
    // And with a card that is another one, everything begins anew.
    let anew = slow.replace("output = \"null\"", "output = \"null\"\n    period = \"20 ms\"");
    site.reload(&anew);
    site.next("taken up: cards.main");
    site.next("is open");
    site.next("contact door is watched");
    site.close("door");
    site.next("from door to zone yard");
    // A line that cannot be had: back to what was.
    site.open("door");
    site.reload(&anew.replacen("line = \"simulated\"", "line = \"gpiochip99:1\"", 1));
    site.next("not taken up: ");
    site.next("is open");
    site.next("contact door is watched");
    site.close("door");
    site.next("from door to zone yard");
    site.program.stop();
    let lines = site.program.lines();
    let of = |text: &str| lines.iter().filter(|l| l.contains(text)).count();
    assert_eq!(of("page 1 from night-bell to zone yard"), 1, "{lines:#?}");
    let moves = |state: &str| of(&format!("relay yard-trigger {state}"));
    assert_eq!(moves("operated"), moves("at rest"), "{lines:#?}");
}

/// `script` gives it a terminal, and takes it away when it is killed.
#[test]
fn a_terminal_that_is_closed_ends_it_in_order() {
    let folder = program::folder("reload-terminal");
    let config = folder.join("quayside.toml");
    std::fs::write(
        &config,
        CONFIG
            .replace("FOLDER", &folder.to_string_lossy())
            .replace("ADDRESS", "127.0.82.2"),
    )
    .unwrap();
    let socket = folder.join("control.sock");
    let command = format!(
        "exec env --default-signal=HUP {} run {}",
        env!("CARGO_BIN_EXE_hornwire"),
        config.display()
    );
    let mut terminal = Command::new("script")
        .args(["-qec", &command, "/dev/null"])
        .env_remove("INVOCATION_ID")
        .env_remove("NOTIFY_SOCKET")
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let wait = |there: bool| {
        let by = Instant::now() + Duration::from_secs(20);
        while Path::exists(&socket) != there {
            assert!(
                Instant::now() < by,
                "the socket is {}",
                if there { "not there" } else { "still there" }
            );
            std::thread::sleep(Duration::from_millis(20));
        }
    };
    wait(true);
    terminal.kill().unwrap();
    terminal.wait().unwrap();
    // It takes its socket away when it ends in order.
    wait(false);
    let _ = std::fs::remove_dir_all(folder);
}
