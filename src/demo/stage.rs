//! The scenario and its players: what stands around the gateway, and what they do to it.

use std::net::{IpAddr, Ipv4Addr, SocketAddr, SocketAddrV4, UdpSocket};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

use tokio::time::sleep;

use super::peers::{
    Account, CallEnd, CallReport, CallSettings, Caller, Log, MulticastSender, Opening, PeerError, Registrar,
    RegistrarSettings, SenderSettings,
};
use super::voice::{CLOSING, CRANE, DELIVERY, Speaker};
use crate::config::{self, plan::Plan};
use crate::media::Codec;
use crate::sip::secret::Secret;

/// The gateway; the others have addresses of their own, so that its gate has something to tell apart.
const GATEWAY: Ipv4Addr = Ipv4Addr::LOCALHOST;
const PHONE_SYSTEM: Ipv4Addr = Ipv4Addr::new(127, 0, 0, 2);
const FRONT_OFFICE: Ipv4Addr = Ipv4Addr::new(127, 0, 0, 3);
const MILL: Ipv4Addr = Ipv4Addr::new(127, 0, 0, 4);
const KILN: Ipv4Addr = Ipv4Addr::new(127, 0, 0, 5);
const STRANGER: Ipv4Addr = Ipv4Addr::new(127, 0, 0, 66);
/// Of the block for use inside one site (RFC 2365).
const GROUP: Ipv4Addr = Ipv4Addr::new(239, 255, 10, 1);

/// Extensions of the config with their passwords; invented.
const ACCOUNTS: [(&str, &str, &str); 2] = [
    ("850", "all-page", "resin-harbour-17-adze"),
    ("851", "yard-page", "plank-otter-42-lichen"),
];

const REGISTRATION_PATIENCE: Duration = Duration::from_secs(10);

/// The demonstration could not be set up or played.
#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    #[error("{what} {path}: {cause}")]
    File {
        what: &'static str,
        path: PathBuf,
        cause: std::io::Error,
    },
    #[error("{path}: {cause}")]
    Recording { path: PathBuf, cause: hound::Error },
    #[error(transparent)]
    Peer(#[from] PeerError),
    #[error("no free port on {0}: {1}")]
    Port(IpAddr, std::io::Error),
    /// The embedded config is checked by a test; the directory's name may still not fit into it.
    #[error("the demonstration's config does not hold:\n{0}")]
    Config(String),
    #[error("extension {0} did not register within {n} s", n = REGISTRATION_PATIENCE.as_secs())]
    NotRegistered(&'static str),
    #[error("the gateway did not start: {0}")]
    Gateway(String),
}

/// Everything around the gateway, ready before it starts.
pub struct Stage {
    pub plan: Plan,
    pub log: Log,
    pub files: Files,
    registrar: Registrar,
    gateway: SocketAddr,
    group: SocketAddrV4,
}

/// What the demonstration leaves behind.
#[derive(Debug, Clone)]
pub struct Files {
    pub directory: PathBuf,
    pub config: PathBuf,
    /// The card's recording, a channel for each zone.
    pub card: PathBuf,
}

/// How the scenario went, as those outside the gateway saw it.
#[derive(Debug, Clone)]
pub struct Played {
    /// An ordinary page, hung up by the caller.
    pub delivery: CallReport,
    /// A page that the multicast page cuts off.
    pub closing: CallReport,
    /// A call while the multicast page speaks.
    pub busy: CallReport,
    /// A call from an address that is not let in.
    pub stranger: CallReport,
    /// Packets of the multicast page.
    pub crane_packets: u64,
}

impl Stage {
    /// Makes the directory, starts the phone system, writes the config and checks it. Must be called inside a tokio
    /// runtime.
    ///
    /// # Errors
    /// [`DemoError`].
    pub async fn set(directory: &Path) -> Result<Stage, DemoError> {
        let file_error = |what, path: &Path, cause| DemoError::File {
            what,
            path: path.to_owned(),
            cause,
        };
        std::fs::create_dir_all(directory).map_err(|e| file_error("cannot make the directory", directory, e))?;
        let directory = directory
            .canonicalize()
            .map_err(|e| file_error("cannot find the directory", directory, e))?;

        let log = Log::new();
        let settings = RegistrarSettings {
            address: PHONE_SYSTEM.into(),
            realm: "quayside.example".to_owned(),
            accounts: ACCOUNTS
                .iter()
                .map(|(user, _, password)| Account {
                    user: (*user).to_owned(),
                    password: Secret::new(*password),
                })
                .collect(),
            algorithms: vec!["SHA-256", "MD5"],
        };
        let registrar = Registrar::start(settings, log.clone()).await?;

        let gateway = SocketAddr::new(GATEWAY.into(), free_port(GATEWAY)?);
        let group = SocketAddrV4::new(GROUP, free_port(Ipv4Addr::UNSPECIFIED)?);
        // An even first port, and room for a handful of calls.
        let rtp = free_port(GATEWAY)?.clamp(1024, 65_000) & !1;
        let files = Files {
            config: directory.join("hornwire-demo.toml"),
            card: directory.join("card.wav"),
            directory: directory.clone(),
        };
        let secrets = directory.join("secrets.toml");
        let text = fill(&[
            ("GATEWAY", &gateway.to_string()),
            ("RTP_PORTS", &format!("{rtp}-{}", rtp + 39)),
            ("CARD", &toml_text(&files.card)),
            ("SECRETS", &toml_text(&secrets)),
            ("REGISTRAR", &registrar.address().to_string()),
            ("GROUP", &group.to_string()),
            ("INTERFACE", &GATEWAY.to_string()),
        ]);
        let passwords: String = ACCOUNTS
            .iter()
            .map(|(_, name, password)| format!("{name} = \"{password}\"\n"))
            .collect();
        write_private(&secrets, &passwords).map_err(|e| file_error("cannot write", &secrets, e))?;
        std::fs::write(&files.config, &text).map_err(|e| file_error("cannot write", &files.config, e))?;
        let loaded = config::load(&files.config).map_err(|e| DemoError::Config(e.to_string()))?;
        let problems: Vec<String> = loaded.problems.iter().map(ToString::to_string).collect();
        let plan = loaded.plan.ok_or_else(|| DemoError::Config(problems.join("\n")))?;
        Ok(Stage {
            plan,
            log,
            files,
            registrar,
            gateway,
            group,
        })
    }

    /// Plays the scenario against the running gateway, about half a minute.
    ///
    /// # Errors
    /// When the extensions do not register, or a peer's socket fails. What the gateway did otherwise is in
    /// [`Played`].
    pub async fn play(&self) -> Result<Played, DemoError> {
        for (user, _, _) in ACCOUNTS {
            if !self.registrar.wait_for(user, true, REGISTRATION_PATIENCE).await {
                return Err(DemoError::NotRegistered(user));
            }
        }
        // Music alone, for a while.
        sleep(Duration::from_millis(1500)).await;

        // An impatient caller speaks at once: nothing of it may be lost while the amplifier wakes up.
        let delivery = self.call("Front office", "211", FRONT_OFFICE, "850", DELIVERY, Opening::AtOnce);
        let delivery = delivery.await?;
        sleep(Duration::from_millis(2500)).await;

        // Straight at the gateway, past the phone system.
        let stranger = CallSettings {
            proxy: self.gateway,
            target: format!("sip:850@{}", self.gateway),
            patience: Duration::from_secs(1),
            ..self.settings("Stranger", "666", STRANGER, "850", CRANE, Opening::AtOnce)
        };
        let stranger = Caller::new(stranger, self.log.clone()).await?.run().await?;
        sleep(Duration::from_millis(500)).await;

        let polite = Opening::AfterBeep(Duration::from_secs(4));
        let closing = self.call("Mill office", "212", MILL, "851", CLOSING, polite);
        let crane = async {
            sleep(Duration::from_millis(5500)).await;
            let settings = SenderSettings {
                name: "Dispatch".to_owned(),
                group: self.group,
                interface: GATEWAY,
                speech: Speaker::dispatcher().say(CRANE),
            };
            Ok(MulticastSender::new(settings, self.log.clone())?.run().await?)
        };
        let busy = async {
            sleep(Duration::from_millis(8500)).await;
            self.call("Kiln", "213", KILN, "851", DELIVERY, Opening::AtOnce).await
        };
        let (closing, crane_packets, busy): (Result<_, DemoError>, Result<_, DemoError>, Result<_, DemoError>) =
            tokio::join!(closing, crane, busy);
        let (closing, crane_packets, busy) = (closing?, crane_packets?, busy?);
        // The group's idle time, the tail, the music back.
        sleep(Duration::from_millis(4500)).await;
        Ok(Played {
            delivery,
            closing,
            busy,
            stranger,
            crane_packets,
        })
    }

    /// After the gateway has stopped: whether it unregistered both extensions.
    pub async fn unregistered(&self) -> bool {
        for (user, _, _) in ACCOUNTS {
            if !self.registrar.wait_for(user, false, Duration::from_secs(2)).await {
                return false;
            }
        }
        true
    }

    async fn call(
        &self,
        name: &str,
        user: &str,
        from: Ipv4Addr,
        to: &str,
        words: &str,
        opening: Opening,
    ) -> Result<CallReport, DemoError> {
        let settings = self.settings(name, user, from, to, words, opening);
        Ok(Caller::new(settings, self.log.clone()).await?.run().await?)
    }

    fn settings(
        &self,
        name: &str,
        user: &str,
        from: Ipv4Addr,
        to: &str,
        words: &str,
        opening: Opening,
    ) -> CallSettings {
        CallSettings {
            name: name.to_owned(),
            user: user.to_owned(),
            address: from.into(),
            proxy: self.registrar.address(),
            target: format!("sip:{to}@{}", self.registrar.address()),
            codec: Codec::Pcmu,
            speech: Speaker::caller().say(words),
            opening,
            linger: Duration::from_millis(400),
            patience: Duration::from_secs(10),
        }
    }
}

impl Played {
    /// What did not go as the scenario has it, in words; empty when all is well.
    pub fn faults(&self) -> Vec<String> {
        let mut faults = Vec::new();
        let mut expect = |right: bool, what: &str, seen: &CallReport| {
            if !right {
                faults.push(format!("{what}; instead: status {}, {:?}", seen.status, seen.end));
            }
        };
        let Played {
            delivery,
            closing,
            busy,
            stranger,
            ..
        } = self;
        let hung_up = CallEnd::HungUp { answered: true };
        expect(
            delivery.status == 200 && delivery.end == hung_up,
            "the first page should be answered, and end when its caller hangs up",
            delivery,
        );
        let reason_given = matches!(&closing.end, CallEnd::CutOff { reason: Some(reason) } if reason.contains("SIP"));
        expect(
            closing.status == 200 && reason_given,
            "the second page should be cut off by the multicast page, with a Reason",
            closing,
        );
        expect(
            busy.status == 486,
            "a call while the multicast page speaks should be refused as busy (486)",
            busy,
        );
        expect(stranger.status != 200, "a stranger should not be let in", stranger);
        for (which, call) in [("first", delivery), ("second", closing)] {
            if call.beeps.is_empty() {
                faults.push(format!("the {which} caller should hear the go-ahead beep"));
            }
        }
        faults
    }
}

/// Puts the values into the embedded config.
fn fill(values: &[(&str, &str)]) -> String {
    values
        .iter()
        .fold(include_str!("demo.toml").to_owned(), |text, (name, value)| {
            text.replace(&format!("@{name}@"), value)
        })
}

/// A path inside a quoted TOML string.
fn toml_text(path: &Path) -> String {
    path.display().to_string().replace('\\', "\\\\").replace('"', "\\\"")
}

fn write_private(path: &Path, text: &str) -> std::io::Result<()> {
    use std::io::Write as _;
    let mut file = std::fs::OpenOptions::new()
        .write(true)
        .create(true)
        .truncate(true)
        .mode(0o600)
        .open(path)?;
    file.write_all(text.as_bytes())
}

/// A port that is free now. Somebody else may take it before we do; then the gateway says so.
fn free_port(address: Ipv4Addr) -> Result<u16, DemoError> {
    UdpSocket::bind((address, 0))
        .and_then(|socket| socket.local_addr())
        .map(|local| local.port())
        .map_err(|cause| DemoError::Port(address.into(), cause))
}
