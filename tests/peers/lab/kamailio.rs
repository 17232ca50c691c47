//! The phone system: Kamailio as registrar with digest and record-routing proxy.

use std::path::Path;
use std::process::Command;

use super::certificates::Authority;
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
    /// Its address on loopback.
    pub host: &'static str,
    /// Sends each call to its contact twice, as two legs of a fork.
    pub fork: bool,
    /// Listens for TLS too, with a certificate for its address and for [`HOST_NAME`].
    pub tls: bool,
    /// Takes RFC 5626 registrations, and asks for a keep-alive within so many seconds (Flow-Timer).
    pub outbound: Option<u32>,
    /// Port that others know already.
    pub port: Option<u16>,
    /// Is not a registrar but an edge proxy before this one (host and port).
    pub edge_to: Option<String>,
    /// Sends calls to where the REGISTER came from, whatever its Contact says.
    pub translation: bool,
    /// Names this place (host and port) as Service-Route to who registers (RFC 3608).
    pub service_route: Option<String>,
}

/// What certificates call the phone system.
pub const HOST_NAME: &str = "pbx.quayside.test";

impl Default for Wish {
    fn default() -> Self {
        Wish {
            algorithm: "MD5",
            max_expires: 600,
            nonce_expire: 300,
            host: PHONE_SYSTEM,
            fork: false,
            tls: false,
            outbound: None,
            port: None,
            edge_to: None,
            translation: false,
            service_route: None,
        }
    }
}

pub struct Kamailio {
    pub port: u16,
    pub tls_port: u16,
    host: &'static str,
    start: Command,
    dir: std::path::PathBuf,
    process: Process,
}

impl Kamailio {
    pub fn start(lab: &Lab) -> Kamailio {
        Kamailio::start_with(lab, &Wish::default())
    }

    pub fn start_with(lab: &Lab, wish: &Wish) -> Kamailio {
        let dir = lab.path(&format!("kamailio-{}", wish.host));
        std::fs::create_dir_all(dir.join("db")).unwrap();
        // Traps of db_text: `version` must name the table; a row ends without a trailing colon.
        std::fs::write(
            dir.join("db/version"),
            "table_name(string) table_version(int)\nsubscriber:7\n",
        )
        .unwrap();
        let mut defines = Vec::new();
        if wish.host == PHONE_SYSTEM {
            defines.push("WITH_IPV6");
        }
        if wish.fork {
            defines.push("WITH_FORK");
        }
        if wish.edge_to.is_some() {
            defines.push("WITH_EDGE");
        }
        if wish.translation {
            defines.push("WITH_TRANSLATION");
        }
        if wish.service_route.is_some() {
            defines.push("WITH_SERVICE_ROUTE");
        }
        if wish.outbound.is_some() {
            defines.push("WITH_OUTBOUND");
        }
        if wish.tls {
            defines.push("WITH_TLS");
            let authority = Authority::of(lab);
            std::fs::copy(authority.certificate(), dir.join("ca.pem")).unwrap();
            authority.issue(
                &[HOST_NAME, wish.host],
                &dir.join("certificate.pem"),
                &dir.join("key.pem"),
            );
        }
        let (port, tls_port) = (wish.port.unwrap_or_else(free_port), free_port());
        let config = template(
            "kamailio/kamailio.cfg",
            &[
                ("HOST", wish.host),
                ("PORT", &port.to_string()),
                ("TLS_PORT", &tls_port.to_string()),
                ("DIR", dir.to_str().unwrap()),
                ("MODULES", &modules()),
                ("ALGORITHM", wish.algorithm),
                ("NONCE_EXPIRE", &wish.nonce_expire.to_string()),
                ("MAX_EXPIRES", &wish.max_expires.to_string()),
                ("EDGE_TO", wish.edge_to.as_deref().unwrap_or_default()),
                ("SERVICE_ROUTE", wish.service_route.as_deref().unwrap_or_default()),
                ("FLOW_TIMER", &wish.outbound.unwrap_or(0).to_string()),
            ],
        );
        std::fs::write(dir.join("kamailio.cfg"), config).unwrap();
        write_subscribers(&dir, SUBSCRIBERS);
        let mut start = lab.command("kamailio");
        start
            .args(["-DD", "-E", "-m", "32", "-M", "4", "-Y", dir.to_str().unwrap()])
            .args(defines.iter().flat_map(|d| ["-A", d]))
            .arg("-f")
            .arg(dir.join("kamailio.cfg"));
        let process = Process::start("kamailio", &mut start);
        let kamailio = Kamailio {
            port,
            tls_port,
            host: wish.host,
            start,
            dir,
            process,
        };
        kamailio.wait_up();
        kamailio
    }

    /// Runs with another password for a user from now on.
    pub fn set_password(&self, user: &str, password: &str) {
        // It looks at the file's age in whole seconds.
        super::pause(1.1);
        let mut list = SUBSCRIBERS.to_vec();
        list.iter_mut().find(|(u, _)| *u == user).expect("a subscriber").1 = password;
        write_subscribers(&self.dir, &list);
    }

    /// Knows these users, and no others, from now on.
    pub fn subscribe(&self, list: &[(String, String)]) {
        // As with a password.
        super::pause(1.1);
        let list: Vec<(&str, &str)> = list.iter().map(|(user, password)| (&**user, &**password)).collect();
        write_subscribers(&self.dir, &list);
    }

    /// Answers every REGISTER with 503 from now on, or no longer.
    pub fn close(&self, closed: bool) {
        self.command(&["pv.shvSet", "closed", "int", if closed { "1" } else { "0" }]);
    }

    /// Starts anew with a certificate for these names.
    pub fn certify(&mut self, lab: &Lab, names: &[&str]) {
        let (certificate, key) = (self.dir.join("certificate.pem"), self.dir.join("key.pem"));
        Authority::of(lab).issue(names, &certificate, &key);
        self.restart();
    }

    fn command(&self, words: &[&str]) -> String {
        let socket = format!("unix:{}/ctl.sock", self.dir.display());
        run(Command::new("kamcmd").args(["-s", &socket]).args(words))
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
        self.process = Process::start("kamailio", &mut self.start);
        self.wait_up();
    }

    /// Contacts now registered for a user, in Kamailio's own words.
    pub fn contacts(&self, user: &str) -> String {
        let dump = self.command(&["ul.dump"]);
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
        format!("{}:{}", self.host, self.port)
    }
}

impl Kamailio {
    /// Host and port where it speaks TLS.
    pub fn tls_address(&self) -> String {
        format!("{}:{}", self.host, self.tls_port)
    }
}

fn write_subscribers(dir: &Path, subscribers: &[(&str, &str)]) {
    let mut table = "id(int,auto) username(string) domain(string) password(string)\n".to_owned();
    for (n, (user, password)) in subscribers.iter().enumerate() {
        table += &format!("{}:{user}:quayside.test:{password}\n", n + 1);
    }
    // In one step: it may be read at any moment.
    let new = dir.join("subscriber.new");
    std::fs::write(&new, table).unwrap();
    std::fs::rename(new, dir.join("db/subscriber")).unwrap();
}

fn modules() -> String {
    let found = run(Command::new("dpkg").args(["-L", "kamailio"]));
    let registrar = found
        .lines()
        .find(|l| l.ends_with("/modules/registrar.so"))
        .expect("kamailio's modules");
    registrar.trim_end_matches("registrar.so").to_owned()
}
