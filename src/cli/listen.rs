//! `hornwire listen`: who speaks on multicast groups.
#![allow(clippy::disallowed_methods)]

use std::collections::BTreeSet;
use std::io::{self, ErrorKind, IsTerminal as _, Write as _};
use std::net::{IpAddr, SocketAddr};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use hornwire::bench::listen::{self, Event, MAX_GROUPS, RangeError, Seen, Settings, Station};
use hornwire::config::plan::Plan;
use hornwire::config::{self, Severity};
use hornwire::device::net::{DatagramSocket, Membership, Sniffer, multicast_socket};
use hornwire::media::Format;
use hornwire::report::text::plural;

use save::Saver;
use show::{Show, Way};

use super::{Exit, complain, exit_of, run};

mod save;
mod show;

/// Between two rounds through the sockets. The kernel stamps what comes, so that no figure depends on it.
const ROUND: Duration = Duration::from_millis(10);
/// Datagrams taken from one socket in a round; the others have their turn.
const MAX_AT_ONCE: usize = 500;
/// The largest datagram that is looked at.
const LARGEST: usize = 4096;

/// What is listened to, and how it is shown.
#[derive(Debug, clap::Args)]
pub struct Wanted {
    /// The config whose groups are listened to, or by which others are judged [default: /etc/hornwire/hornwire.toml].
    #[arg(value_name = "FILE")]
    config: Option<PathBuf>,
    /// A group in place of the config's; ADDRESS/PREFIX:PORT or ADDRESS-ADDRESS:PORT are several.
    #[arg(long, value_name = "ADDRESS:PORT", value_parser = groups)]
    group: Vec<Groups>,
    /// Whatever passes the interface: UDP to any multicast address, and groups that others ask for. For root.
    #[arg(long, requires = "interface")]
    seen: bool,
    /// Where to listen, by name or address; else where the config says, or by the system's route.
    #[arg(long, value_name = "INTERFACE")]
    interface: Option<String>,
    /// What a dynamic payload type is, as in SDP, such as 97=opus/48000/2.
    #[arg(long, value_name = "TYPE=CODEC", value_parser = listen::payload)]
    payload: Vec<(u8, Format)>,
    /// End after so long; else at Ctrl-C.
    #[arg(long = "for", value_name = "SECONDS", value_parser = clap::value_parser!(u64).range(1..=1_000_000))]
    time: Option<u64>,
    /// Write what each stream sounds like as a WAV file there; made if it is not there.
    #[arg(long, value_name = "DIR")]
    save: Option<PathBuf>,
    /// Print a line of JSON for each stream and second.
    #[arg(long)]
    json: bool,
}

/// Of one flag: clap would take a list apart.
#[derive(Debug, Clone)]
struct Groups(Vec<SocketAddr>);

fn groups(text: &str) -> Result<Groups, RangeError> {
    listen::groups(text).map(Groups)
}

/// What is opened.
struct Ears {
    /// With the group that each hears.
    sockets: Vec<(SocketAddr, DatagramSocket)>,
    sniffer: Option<Sniffer>,
    members: Vec<Membership>,
    joined: BTreeSet<IpAddr>,
    interface: Option<String>,
    fragments: u64,
    /// Groups that could not be joined, or for which there was no room.
    unjoined: u64,
}

pub fn run(wanted: &Wanted) -> Exit {
    let outcome = run::drive(listened(wanted));
    match outcome {
        Ok(Ok(())) => Exit::Ok,
        Ok(Err(exit)) => exit,
        Err(error) => {
            complain(&error.to_string());
            Exit::System
        }
    }
}

/// The plan, where there is one; it need not be where groups are named.
fn plan(wanted: &Wanted) -> Result<Option<Plan>, Exit> {
    let file = wanted.config.as_deref().unwrap_or(Path::new(config::DEFAULT_FILE));
    let can_do_without = wanted.config.is_none() && (wanted.seen || !wanted.group.is_empty());
    let loaded = match config::load(file) {
        Ok(loaded) => loaded,
        Err(unreadable) if can_do_without => {
            complain(&format!("{unreadable}; every group counts as \"not in the config\""));
            return Ok(None);
        }
        Err(unreadable) => {
            complain(&format!("{unreadable} (--group names a group without a config)"));
            return Err(exit_of(&unreadable));
        }
    };
    if loaded.plan.is_none() {
        for problem in loaded.problems.iter().filter(|p| p.severity == Severity::Error) {
            let _ = writeln!(io::stderr(), "{problem}\n");
        }
        if !can_do_without {
            return Err(Exit::Config);
        }
        complain("the config has errors; every group counts as \"not in the config\"");
    }
    Ok(loaded.plan)
}

impl Ears {
    fn open(wanted: &Wanted, plan: Option<&Plan>) -> Result<Ears, Exit> {
        let unavailable = |error: io::Error| {
            complain(&error.to_string());
            match error.kind() {
                ErrorKind::PermissionDenied => Exit::NoPermission,
                _ => Exit::Unavailable,
            }
        };
        let named: BTreeSet<SocketAddr> = wanted
            .group
            .iter()
            .flat_map(|groups| groups.0.iter().copied())
            .collect();
        if named.len() > MAX_GROUPS {
            complain(&format!(
                "--group: these are {} groups together, at most {MAX_GROUPS} can be watched",
                named.len()
            ));
            return Err(Exit::Usage);
        }
        let interface = wanted.interface.as_deref();
        let mut ears = Ears {
            sockets: Vec::new(),
            sniffer: None,
            members: Vec::new(),
            joined: BTreeSet::new(),
            interface: wanted.interface.clone(),
            fragments: 0,
            unjoined: 0,
        };
        if wanted.seen {
            ears.sniffer = Some(Sniffer::open(interface.unwrap_or_default()).map_err(unavailable)?);
            named.iter().for_each(|group| ears.join(group.ip()));
            return Ok(ears);
        }
        let of_config = plan.into_iter().flat_map(|plan| &plan.groups);
        let of_config = of_config.map(|group| (group.address, group.interface.as_deref()));
        let all: Vec<(SocketAddr, Option<&str>)> = match named.is_empty() {
            true => of_config.collect(),
            false => named
                .iter()
                .map(|group| {
                    let known = of_config.clone().find(|(address, _)| address == group);
                    (*group, known.and_then(|(_, interface)| interface))
                })
                .collect(),
        };
        for (group, own) in all {
            let socket = multicast_socket(group, interface.or(own)).map_err(unavailable)?;
            ears.sockets.push((group, socket));
        }
        if ears.sockets.is_empty() {
            complain("the config has no groups; name one: --group 239.192.0.10:5004, or --seen");
            return Err(Exit::Usage);
        }
        Ok(ears)
    }

    /// Asks the network for a group, once.
    fn join(&mut self, group: IpAddr) {
        if self.joined.contains(&group) {
            return;
        }
        if self.joined.len() >= MAX_GROUPS {
            self.unjoined += 1;
            return;
        }
        self.joined.insert(group);
        match Membership::join(group, self.interface.as_deref()) {
            Ok(member) => self.members.push(member),
            Err(_) => self.unjoined += 1,
        }
    }

    /// Everything that has come.
    fn hear(&mut self, station: &mut Station, buffer: &mut [u8]) -> io::Result<()> {
        for (group, socket) in &self.sockets {
            for _ in 0..MAX_AT_ONCE {
                match socket.try_recv(buffer) {
                    Ok(read) => {
                        let octets = buffer.get_mut(..read.len).unwrap_or_default();
                        station.packet(read.at, read.peer, *group, octets);
                    }
                    Err(error) if is_nothing(&error) => break,
                    Err(error) => return Err(error),
                }
            }
        }
        for _ in 0..MAX_AT_ONCE {
            let Some(sniffer) = &self.sniffer else { break };
            let (len, at) = match sniffer.try_recv(buffer) {
                Ok(read) => read,
                Err(error) if is_nothing(&error) => break,
                Err(error) => return Err(error),
            };
            let packet = buffer.get_mut(..len).unwrap_or_default();
            match listen::look_into(packet) {
                Seen::Udp { from, to, payload } => {
                    station.packet(at, from, to, packet.get_mut(payload).unwrap_or_default());
                }
                Seen::Report(groups) => groups.into_iter().for_each(|group| self.join(group.into())),
                Seen::Fragment => self.fragments += 1,
                Seen::Other => {}
            }
        }
        Ok(())
    }

    /// "3 groups", "239.192.0.10:5004", "all that passes eth0".
    fn title(&self) -> String {
        match (&self.sniffer, self.sockets.as_slice()) {
            (Some(_), _) => format!("all that passes {}", self.interface.as_deref().unwrap_or_default()),
            (None, [(one, _)]) => one.to_string(),
            (None, many) => plural(many.len(), "group"),
        }
    }
}

fn is_nothing(error: &io::Error) -> bool {
    matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::Interrupted)
}

async fn listened(wanted: &Wanted) -> Result<(), Exit> {
    let plan = plan(wanted)?;
    let mut ears = Ears::open(wanted, plan.as_ref())?;
    let saver = wanted.save.as_deref().map(Saver::new).transpose().map_err(|error| {
        let directory = wanted.save.as_deref().unwrap_or(Path::new(""));
        complain(&format!("{}: {error}", directory.display()));
        Exit::CannotCreate
    })?;
    let system = |error: io::Error| {
        complain(&error.to_string());
        Exit::System
    };
    let way = match (wanted.json, io::stdout().is_terminal()) {
        (true, _) => Way::Json,
        (false, true) => Way::Table,
        (false, false) => Way::Lines,
    };
    let mut session = Session {
        station: Station::new(&Settings {
            plan: plan.as_ref(),
            payloads: wanted.payload.iter().copied().collect(),
            hears: saver.is_some(),
        }),
        show: Show::new(way, format!("Listening to {}", ears.title()), Instant::now()),
        saver,
    };
    let stop = run::stop_signal().map_err(system)?;
    let time = Duration::from_secs(wanted.time.unwrap_or(u64::from(u32::MAX)));
    tokio::pin! {
        let stop = async {
            let _ = tokio::time::timeout(time, stop).await;
        };
    }
    let mut round = tokio::time::interval(ROUND);
    round.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    let mut buffer = vec![0; LARGEST];
    loop {
        tokio::select! {
            biased;
            () = &mut stop => break,
            _ = round.tick() => {}
        }
        ears.hear(&mut session.station, &mut buffer).map_err(system)?;
        session.show.joined = ears.sockets.len() + ears.members.len();
        // Whoever reads us has gone: the files are still closed in order.
        if session.goes_on(Instant::now()).is_err() {
            break;
        }
    }
    ears.hear(&mut session.station, &mut buffer).map_err(system)?;
    session.end(Instant::now());
    if ears.fragments > 0 {
        complain(&format!(
            "{} of larger packets were not put together: without --seen the kernel does it",
            plural(usize::try_from(ears.fragments).unwrap_or(usize::MAX), "fragment")
        ));
    }
    if ears.unjoined > 0 {
        complain(&format!(
            "{} asked for could not be joined",
            plural(usize::try_from(ears.unjoined).unwrap_or(usize::MAX), "group")
        ));
    }
    Ok(())
}

struct Session {
    station: Station,
    show: Show,
    saver: Option<Saver>,
}

impl Session {
    fn goes_on(&mut self, now: Instant) -> io::Result<()> {
        let saver = &mut self.saver;
        self.station.advance(now, &mut |id, number, samples| {
            if let Some(saver) = saver {
                saver.write(id, number, samples);
            }
        });
        self.tell_events()?;
        if self.show.is_due(now) {
            let rows = self.station.look(now);
            self.show.look(now, &rows, &self.station.counts())?;
        }
        Ok(())
    }

    fn tell_events(&mut self) -> io::Result<()> {
        for event in self.station.events() {
            let file = match (&event, &mut self.saver) {
                (Event::Ended(row), Some(saver)) => saver.close(row.number).map(|file| file.display().to_string()),
                _ => None,
            };
            self.show.event(&event, file.as_deref())?;
        }
        if let Some(trouble) = self.saver.as_mut().and_then(Saver::trouble) {
            complain(&trouble);
        }
        Ok(())
    }

    fn end(&mut self, now: Instant) {
        let _ = self.goes_on(now);
        self.show.ends();
        self.station.finish(now);
        let told = self.tell_events();
        if let Some(saver) = &mut self.saver {
            saver.close_all();
        }
        if told.is_ok() {
            let saver = &self.saver;
            let file = |number| Some(saver.as_ref()?.file(number)?.display().to_string());
            let _ = self
                .show
                .end(now, &self.station.totals(), &self.station.counts(), &file);
        }
    }
}
