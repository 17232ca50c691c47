//! Files as the service's user sees them. Root may read everything, and so would find nothing wrong.

use std::collections::BTreeSet;
use std::fs;
use std::os::unix::fs::{MetadataExt as _, PermissionsExt as _};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use crate::config::{Loaded, site_folder};

/// Bits of one class of a mode.
const READ: u32 = 4;
const PASS: u32 = 1;

/// A user of this machine.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Account {
    pub name: String,
    pub uid: u32,
    /// Of its first group.
    pub group: String,
    /// All of its groups, by number.
    pub gids: BTreeSet<u32>,
}

impl Account {
    /// Asks the system, which may know users from elsewhere than its files. `groups`: those that the service is given beside the user's own.
    /// `None` if there is no such user.
    pub fn of(user: &str, groups: &[String]) -> Option<Self> {
        let id = |what: &str| said("id", &[what, user]);
        let mut gids: BTreeSet<u32> = id("-G")?
            .split_whitespace()
            .filter_map(|gid| gid.parse().ok())
            .collect();
        gids.extend(groups.iter().filter_map(|group| {
            let entry = said("getent", &["group", group])?;
            entry.split(':').nth(2)?.parse::<u32>().ok()
        }));
        Some(Account {
            name: user.to_owned(),
            uid: id("-u")?.parse().ok()?,
            group: id("-gn")?,
            gids,
        })
    }

    /// By owner, group and mode (path_resolution(7)): of the three classes only the first that fits counts.
    fn may(&self, about: &fs::Metadata, wanted: u32) -> bool {
        let class = match (about.uid() == self.uid, self.gids.contains(&about.gid())) {
            (true, _) => 6,
            (false, true) => 3,
            (false, false) => 0,
        };
        self.uid == 0 || (about.permissions().mode() >> class) & wanted == wanted
    }

    /// Whether it can read the file in fact: an access list may allow what the mode does not. Only root can ask; otherwise, no.
    fn reads(&self, path: &Path) -> bool {
        let Some(first) = self.gids.first().filter(|_| is_root()) else {
            return false;
        };
        let gids: Vec<String> = self.gids.iter().map(u32::to_string).collect();
        let tried = Command::new("setpriv")
            .args(["--reuid", &self.uid.to_string(), "--regid", &first.to_string()])
            .args(["--groups", &gids.join(","), "test", "-r"])
            .arg(path)
            .stdin(Stdio::null())
            .stderr(Stdio::null())
            .status();
        tried.is_ok_and(|status| status.success())
    }
}

/// What keeps an account from a file: the file itself, or a folder on the way.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Barrier {
    pub path: PathBuf,
    is_folder: bool,
    owner: u32,
    mode: u32,
    group: String,
    user: String,
    /// A password or a private key stands in it.
    is_secret: bool,
}

impl Barrier {
    pub fn text(&self) -> String {
        let owner = said("getent", &["passwd", &self.owner.to_string()]);
        let owner = owner.and_then(|entry| entry.split(':').next().map(str::to_owned));
        format!(
            "mode {:03o}, owner {}: the service's user, {}, may not {} it",
            self.mode,
            owner.unwrap_or_else(|| self.owner.to_string()),
            self.user,
            if self.is_folder { "look into" } else { "read" }
        )
    }

    pub fn todo(&self) -> String {
        let (path, group) = (self.path.display(), &self.group);
        let is_home = ["/root", "/home"].iter().any(|home| self.path.starts_with(home));
        match (self.is_folder, self.is_secret) {
            (true, _) if is_home => "put the file where the service may read it, such as /etc/hornwire".to_owned(),
            (true, _) => {
                format!("sudo chgrp {group} {path} && sudo chmod 750 {path}, or for everybody: sudo chmod 755 {path}")
            }
            (false, true) => format!("sudo chgrp {group} {path} && sudo chmod 640 {path}"),
            (false, false) => {
                format!("sudo chgrp {group} {path} && sudo chmod 640 {path}, or for everybody: sudo chmod 644 {path}")
            }
        }
    }
}

/// A file that the gateway reads, and whether a password or a private key stands in it.
pub type Needed = (PathBuf, bool);

/// What the gateway itself reads by a config: its files and those that it names. A credential is read by the service manager.
pub fn needed(config: &Path, loaded: &Loaded) -> Vec<Needed> {
    let mut files = vec![(config.to_owned(), false)];
    let folder = site_folder(config);
    if folder.is_dir() {
        files.push((folder, false));
    }
    files.extend(loaded.site.iter().map(|path| (path.clone(), false)));
    let Some(plan) = &loaded.plan else { return files };
    files.extend(plan.secrets_file.iter().map(|path| (path.clone(), true)));
    files.extend(plan.messages.iter().map(|message| (message.file.clone(), false)));
    let handed = std::env::var_os("CREDENTIALS_DIRECTORY").map(PathBuf::from);
    let is_handed = |path: &Path| handed.as_ref().is_some_and(|folder| path.starts_with(folder));
    let tls = plan.tls.all().filter(|path| !is_handed(path));
    files.extend(tls.map(|path| (path.clone(), plan.tls.key.as_ref() == Some(path))));
    files
}

/// Everything that keeps the account from one of the files, each once.
pub fn barriers(files: &[Needed], account: &Account) -> Vec<Barrier> {
    let mut barriers: Vec<Barrier> = Vec::new();
    for (path, is_secret) in files {
        if let Some(barrier) = barrier(path, *is_secret, account)
            && !barriers.iter().any(|known| known.path == barrier.path)
            && !account.reads(path)
        {
            barriers.push(barrier);
        }
    }
    barriers
}

/// The first one on the way. What is not there is for others to tell.
fn barrier(path: &Path, is_secret: bool, account: &Account) -> Option<Barrier> {
    let path = std::path::absolute(path).ok()?;
    // By a symbolic link both ways count.
    let real = fs::canonicalize(&path).ok().filter(|real| *real != path);
    let ways = std::iter::once(path).chain(real);
    ways.filter_map(|way| {
        let mut steps: Vec<&Path> = way.ancestors().collect();
        steps.reverse();
        steps.into_iter().find_map(|step| {
            let about = fs::metadata(step).ok()?;
            let wanted = match (about.is_dir(), step == way) {
                (true, true) => READ | PASS,
                (true, false) => PASS,
                (false, _) => READ,
            };
            (!account.may(&about, wanted)).then(|| Barrier {
                path: step.to_owned(),
                is_folder: about.is_dir(),
                owner: about.uid(),
                mode: about.permissions().mode() & 0o7777,
                group: account.group.clone(),
                user: account.name.clone(),
                is_secret,
            })
        })
    })
    .next()
}

/// Whether this program runs as root (proc_pid_status(5): the second number is the effective one).
pub fn is_root() -> bool {
    let status = fs::read_to_string("/proc/self/status").unwrap_or_default();
    let ids = status.lines().find_map(|line| line.strip_prefix("Uid:"));
    ids.and_then(|ids| ids.split_whitespace().nth(1)) == Some("0")
}

/// The one line that a program says; `None` when it fails.
fn said(program: &str, arguments: &[&str]) -> Option<String> {
    let output = Command::new(program)
        .args(arguments)
        .stdin(Stdio::null())
        .stderr(Stdio::null())
        .output()
        .ok()?;
    let text = String::from_utf8_lossy(&output.stdout).trim().to_owned();
    (output.status.success() && !text.is_empty()).then_some(text)
}
