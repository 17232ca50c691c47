//! The phone system: Kamailio as registrar with digest and record-routing proxy.

use std::path::Path;
use std::process::Command;

use super::process::{Process, run};
use super::{Lab, PHONE_SYSTEM, free_port, seconds, template};

/// Number and password of every subscriber.
pub const SUBSCRIBERS: &[(&str, &str)] = &[
    ("850", "plank-otter-42"),
    ("851", "resin-harbour-17"),
    ("852", "adze-lichen-3"),
    ("201", "desk-phone-201"),
    ("202", "desk-phone-202"),
];

pub fn password(user: &str) -> &'static str {
    SUBSCRIBERS.iter().find(|(u, _)| *u == user).expect("a subscriber").1
}

/// What a test may want another way.
pub struct Wish {
    /// RFC 8760 name of the digest algorithm.
    pub algorithm: &'static str,
    /// Longest registration granted, seconds.
    pub max_expires: u32,
    /// Life of a nonce, seconds; an older one is answered with `stale=true`.
    pub nonce_expire: u32,
}

impl Default for Wish {
    fn default() -> Self {
        Wish {
            algorithm: "MD5",
            max_expires: 600,
            nonce_expire: 300,
        }
    }
}

pub struct Kamailio {
    pub port: u16,
    dir: std::path::PathBuf,
    process: Process,
}

impl Kamailio {
    pub fn start(lab: &Lab) -> Kamailio {
        Kamailio::start_with(lab, &Wish::default())
    }

    pub fn start_with(lab: &Lab, wish: &Wish) -> Kamailio {
        let dir = lab.path("kamailio");
        std::fs::create_dir_all(dir.join("db")).unwrap();
        let port = free_port();
        // Traps of db_text: `version` must name the table; a row ends without a trailing colon.
        std::fs::write(
            dir.join("db/version"),
            "table_name(string) table_version(int)\nsubscriber:7\n",
        )
        .unwrap();
        let mut table = "id(int,auto) username(string) domain(string) password(string)\n".to_owned();
        for (n, (user, password)) in SUBSCRIBERS.iter().enumerate() {
            table += &format!("{}:{user}:quayside.test:{password}\n", n + 1);
        }
        std::fs::write(dir.join("db/subscriber"), table).unwrap();
        let config = template(
            "kamailio/kamailio.cfg",
            &[
                ("PORT", &port.to_string()),
                ("DIR", dir.to_str().unwrap()),
                ("MODULES", &modules()),
                ("ALGORITHM", wish.algorithm),
                ("NONCE_EXPIRE", &wish.nonce_expire.to_string()),
                ("MAX_EXPIRES", &wish.max_expires.to_string()),
            ],
        );
        std::fs::write(dir.join("kamailio.cfg"), config).unwrap();
        let process = launch(&dir);
        let kamailio = Kamailio { port, dir, process };
        kamailio.wait_up();
        kamailio
    }

    fn wait_up(&self) {
        for _ in 0..100 {
            let up = Command::new("kamcmd")
                .args(["-s", &format!("unix:{}/ctl.sock", self.dir.display()), "core.uptime"])
                .output()
                .is_ok_and(|o| o.status.success() && String::from_utf8_lossy(&o.stdout).contains("uptime"));
            if up {
                return;
            }
            super::pause(0.1);
        }
        panic!("kamailio does not come up:\n{}", self.process.text());
    }

    pub fn log(&self) -> &Process {
        &self.process
    }

    /// The registrar dies as in a power cut, and forgets its registrations.
    pub fn kill(&mut self) {
        self.process.kill();
    }

    /// The same phone system, on the same port, with nobody registered.
    pub fn restart(&mut self) {
        self.process.kill();
        let _ = std::fs::remove_file(self.dir.join("ctl.sock"));
        self.process = launch(&self.dir);
        self.wait_up();
    }

    /// Contacts now registered for a user, in Kamailio's own words.
    pub fn contacts(&self, user: &str) -> String {
        let dump =
            run(Command::new("kamcmd").args(["-s", &format!("unix:{}/ctl.sock", self.dir.display()), "ul.dump"]));
        let mut of_user = false;
        let mut contacts = String::new();
        for line in dump.lines().map(str::trim) {
            if let Some(aor) = line.strip_prefix("AoR:") {
                of_user = aor.trim() == user;
            }
            if of_user && line.starts_with("Address:") {
                contacts += line;
                contacts.push('\n');
            }
        }
        contacts
    }

    /// Waits until a user is registered (or, with `false`, is not).
    pub fn wait_registered(&self, user: &str, registered: bool, limit: f64) {
        let deadline = std::time::Instant::now() + seconds(limit);
        while self.contacts(user).is_empty() == registered {
            assert!(
                std::time::Instant::now() < deadline,
                "{user}: registered is not {registered} within {limit} s; kamailio said:\n{}",
                self.process.text()
            );
            super::pause(0.1);
        }
    }

    /// As an extension's `registrar`.
    pub fn registrar(&self) -> String {
        format!("sip:{}", self.address())
    }

    pub fn address(&self) -> String {
        format!("{PHONE_SYSTEM}:{}", self.port)
    }
}

fn launch(dir: &Path) -> Process {
    let dir_text = dir.to_str().unwrap();
    Process::start(
        "kamailio",
        Command::new("kamailio")
            .args(["-DD", "-E", "-m", "32", "-M", "4", "-Y", dir_text])
            .arg("-f")
            .arg(dir.join("kamailio.cfg")),
    )
}

fn modules() -> String {
    let found = run(Command::new("dpkg").args(["-L", "kamailio"]));
    let registrar = found
        .lines()
        .find(|l| l.ends_with("/modules/registrar.so"))
        .expect("kamailio's modules");
    registrar.trim_end_matches("registrar.so").to_owned()
}
