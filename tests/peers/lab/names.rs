//! Domain names: a small network of its own with a real name server (dnsmasq) at the usual port, so that the daemon finds
//! it where every program does, in /etc/resolv.conf.

use std::ffi::OsStr;
use std::process::Command;

use super::process::Process;
use super::{Lab, seconds};

const NAME_SERVER: &str = "127.0.0.53";

/// Network and mount namespaces, kept by a process that sleeps in them.
pub struct World {
    _server: Option<Process>,
    holder: Process,
}

impl World {
    pub fn new(lab: &Lab, records: &[String]) -> World {
        let resolv = lab.write("resolv.conf", &format!("nameserver {NAME_SERVER}\noptions timeout:2\n"));
        let script = format!(
            "ip link set lo up && mount --bind {} /etc/resolv.conf && echo up && exec sleep 600",
            resolv.display()
        );
        let mut unshare = Command::new("unshare");
        if !root() {
            unshare.arg("--map-root-user");
        }
        let holder = Process::start("namespace", unshare.args(["--mount", "--net", "sh", "-c", &script]));
        holder.wait(&["up"], seconds(5.0));
        let mut world = World { _server: None, holder };
        let mut dnsmasq = world.command("dnsmasq");
        dnsmasq
            .args([
                "--keep-in-foreground",
                "--conf-file=/dev/null",
                "--no-resolv",
                "--no-hosts",
            ])
            .args(["--user=root", "--pid-file=", "--log-queries", "--log-facility=-"])
            .args(["--bind-interfaces", "--local-ttl=2", "--local=/quayside.test/"])
            .arg(format!("--listen-address={NAME_SERVER}"))
            .args(records);
        let server = Process::start("dnsmasq", &mut dnsmasq);
        server.wait(&["started"], seconds(5.0));
        world._server = Some(server);
        world
    }

    pub fn command(&self, program: impl AsRef<OsStr>) -> Command {
        let mut command = Command::new("nsenter");
        command.args(["--target", &self.holder.pid().to_string(), "--mount", "--net", "--root"]);
        if !root() {
            command.args(["--user", "--preserve-credentials"]);
        }
        command.arg("--").arg(program);
        command
    }
}

fn root() -> bool {
    // The owner of our own process folder (proc(5)).
    use std::os::unix::fs::MetadataExt;
    std::fs::metadata("/proc/self").is_ok_and(|m| m.uid() == 0)
}
