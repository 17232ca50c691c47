//! Many boards: fifty gateways, each in a network of its own behind one bridge with multicast snooping, at one registrar, with
//! one config for all and a file beside it of what is each one's own.
//!
//! The test runs itself anew inside namespaces (process, mount, network). When that copy ends, or its standard input is
//! closed because who started it is gone, the kernel ends every process in there and takes the networks away.

use std::collections::BTreeMap;
use std::io::Read as _;
use std::net::Ipv4Addr;
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use crate::lab::daemon::Record;
use crate::lab::kamailio::{Kamailio, Wish};
use crate::lab::process::{Process, run};
use crate::lab::{Lab, pause, seconds};

mod marks;

use marks::{Spread, Watch, marks, second, send};

const BOARDS: usize = 50;
/// Set for the copy of this test inside the namespaces.
const INSIDE: &str = "HORNWIRE_TEST_FLEET";
/// The registrar's address, and the page's sender.
const CENTRE: &str = "10.77.0.1";
const GROUP: Ipv4Addr = Ipv4Addr::new(239, 77, 0, 1);
const GROUP_PORT: u16 = 5004;
/// What the boards have in `start_spread` when the power comes back.
const SPREAD: f64 = 10.0;
/// The page: phrases of marks, 50 ms of a 1 kHz tone each, a quarter of a second apart; three quarters and soft noise between
/// the phrases. The first page after the power came back has one phrase, the next one three.
const PAGES: [usize; 2] = [1, 3];
const MARKS: usize = 9;
const SPACING: usize = 2000;
const PHRASE: usize = (MARKS + 3) * SPACING;
const PERIOD: f64 = 0.01;

/// $1: this program. `/run` and `/sys` are the namespaces' own, so that nothing of the machine's is named or touched.
const STAGE: &str = r#"
set -eu
mount --make-rprivate /
mount -t tmpfs tmpfs /run
mount -t sysfs sysfs /sys
ip link set lo up
exec "$1" --ignored --exact --nocapture --test-threads=1 fleet::fifty_boards_at_one_registrar
"#;

#[test]
#[ignore = "with peers: needs root, for networks of its own, and what deploy/check installs"]
fn fifty_boards_at_one_registrar() {
    if std::env::var_os(INSIDE).is_some() {
        std::thread::spawn(|| {
            let _ = std::io::stdin().read_to_end(&mut Vec::new());
            std::process::exit(1);
        });
        inside();
        return;
    }
    let _lab = Lab::alone("fleet");
    let mut child = Command::new("unshare")
        .args(["--mount", "--net", "--pid", "--fork", "--kill-child", "--mount-proc"])
        .args(["sh", "-c", STAGE, "sh"])
        .arg(std::env::current_exe().unwrap())
        .env(INSIDE, "1")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("unshare (util-linux)");
    let mut said = String::new();
    child.stdout.take().unwrap().read_to_string(&mut said).unwrap();
    let status = child.wait().unwrap();
    for line in said.lines().filter_map(|l| l.split_once("fleet: ")) {
        println!("{}", line.1);
    }
    assert!(status.success(), "{said}");
}

fn inside() {
    let lab = Lab::new("fleet-inside");
    let began = Instant::now();
    let mut fleet = Fleet::new(&lab);
    tell(
        "made",
        &format!(
            "{BOARDS} networks behind one bridge in {:.1} s",
            began.elapsed().as_secs_f64()
        ),
    );

    // Power for the first time, all boards asking at once: what the spread is there to prevent.
    let (_, at_once) = fleet.power_on("0 s", 40.0);
    at_once.tell("start_spread 0 s");
    // The power fails: boards and registrar end without a word, and come back together.
    fleet.power_off();
    let (registered, spread) = fleet.power_on(&format!("{SPREAD} s"), 60.0);
    spread.tell(&format!("start_spread {SPREAD} s"));
    assert!(registered < SPREAD + 20.0, "all registered after {registered} s");
    assert!(
        spread.last() > SPREAD * 0.5,
        "the wave is over after {} s",
        spread.last()
    );
    assert!(spread.peak() <= 20, "{spread:?}");
    for board in &fleet.boards {
        let contacts = fleet.kamailio.contacts(&board.user);
        assert!(
            contacts.contains(&board.address.to_string()),
            "{}: {contacts}",
            board.user
        );
    }

    let idle = fleet.processor(5.0);
    fleet.tell_memory("at rest");
    tell(
        "processor",
        &format!(
            "at rest {:.2} % of a processor a board, {:.0} % together",
            idle / BOARDS as f64,
            idle
        ),
    );
    fleet.joined();
    let first = fleet.page(PAGES[0]);
    fleet.heard(1, first.sent);
    let page = fleet.page(PAGES[1]);
    fleet.tell_memory("after a page");
    tell(
        "processor",
        &format!(
            "during the page {:.2} % of a processor a board, {:.0} % together",
            page.busy / BOARDS as f64,
            page.busy
        ),
    );
    fleet.heard(2, page.sent);
    fleet.aligned(&page.clocks);
    tell("done", &format!("in {:.1} s", began.elapsed().as_secs_f64()));
}

fn tell(what: &str, text: &str) {
    println!("fleet: {what}: {text}");
}

struct Board {
    user: String,
    address: Ipv4Addr,
    network: String,
    folder: PathBuf,
    process: Option<Process>,
}

impl Board {
    fn wav(&self) -> PathBuf {
        self.folder.join("horn.wav")
    }

    fn said(&self) -> &Process {
        self.process.as_ref().expect("it is on")
    }

    fn records(&self) -> Vec<Record> {
        let lines = self.said().lines().into_iter();
        lines
            .filter(|l| l.text.contains(" END_REASON="))
            .map(|l| Record { line: l.text })
            .collect()
    }
}

/// REGISTER requests without credentials, the first of each board, by seconds after the start.
#[derive(Debug)]
struct Wave {
    at: Vec<f64>,
    requests: usize,
}

impl Wave {
    fn seconds(&self) -> BTreeMap<usize, usize> {
        let mut count = BTreeMap::new();
        for at in &self.at {
            *count.entry(*at as usize).or_default() += 1;
        }
        count
    }

    fn peak(&self) -> usize {
        self.seconds().into_values().max().unwrap_or(0)
    }

    fn last(&self) -> f64 {
        self.at.iter().copied().fold(0.0, f64::max)
    }

    fn tell(&self, what: &str) {
        let seconds = self.seconds();
        let row: Vec<String> = (0..=self.last() as usize)
            .map(|s| seconds.get(&s).copied().unwrap_or(0).to_string())
            .collect();
        tell(
            "REGISTER",
            &format!(
                "{what}: boards that begin to ask, by second: {} ({} requests in all)",
                row.join(" "),
                self.requests
            ),
        );
    }
}

/// What a page's watcher found.
struct Page {
    sent: usize,
    busy: f64,
    /// When the first frame of each WAV file left, seconds after an instant common to all.
    clocks: Vec<f64>,
}

struct Fleet {
    boards: Vec<Board>,
    kamailio: Kamailio,
    gate: PathBuf,
}

impl Fleet {
    fn new(lab: &Lab) -> Fleet {
        // By IGMPv2 one board's report keeps the others from reporting, and such a bridge would know half of them.
        let mut links = String::from(
            "link add yard type bridge mcast_snooping 1 mcast_querier 1 mcast_query_use_ifaddr 1 mcast_igmp_version 3\n\
             link set yard up\n",
        );
        links += &format!("addr add {CENTRE}/16 dev yard\nroute add 224.0.0.0/4 dev yard\n");
        let mut boards = Vec::new();
        for n in 1..=BOARDS {
            let folder = lab.path(&format!("board-{n}"));
            std::fs::create_dir_all(&folder).unwrap();
            boards.push(Board {
                user: (8000 + n).to_string(),
                address: Ipv4Addr::new(10, 77, 1, n as u8),
                network: format!("board{n}"),
                folder,
                process: None,
            });
        }
        // One more that has joined nothing: what reaches it has gone everywhere.
        let networks = boards.iter().map(|b| b.network.clone()).chain(["bystander".to_owned()]);
        for network in networks {
            run(Command::new("ip").args(["netns", "add", &network]));
            links += &format!(
                "link add {network} type veth peer name eth0 netns {network}\nlink set {network} master yard up\n"
            );
        }
        batch(&["-batch", "-"], &links);
        let none = Ipv4Addr::new(10, 77, 2, 1);
        let places = boards.iter().map(|b| (b.network.as_str(), b.address));
        for (network, address) in places.chain([("bystander", none)]) {
            batch(
                &["-n", network, "-batch", "-"],
                &format!(
                    "link set lo up\naddr add {address}/16 dev eth0\nlink set eth0 up\nroute add default via {CENTRE}\n"
                ),
            );
        }
        let wish = Wish {
            host: CENTRE,
            port: Some(5060),
            ..Wish::default()
        };
        let kamailio = Kamailio::start_with(lab, &wish);
        let subscribers: Vec<(String, String)> = boards.iter().map(|b| (b.user.clone(), secret(&b.user))).collect();
        kamailio.subscribe(&subscribers);
        let gate = lab.path("gate");
        run(Command::new("mkfifo").arg(&gate));
        Fleet { boards, kamailio, gate }
    }

    /// Starts all boards at the same instant. After how many seconds all were registered, and the wave at the registrar.
    fn power_on(&mut self, start_spread: &str, limit: f64) -> (f64, Wave) {
        for board in &mut self.boards {
            let config = board.folder.join("hornwire.toml");
            std::fs::write(&config, SHARED).unwrap();
            let own = board.folder.join("hornwire.toml.d");
            std::fs::create_dir_all(&own).unwrap();
            std::fs::write(own.join("board.toml"), own_file(board, start_spread)).unwrap();
            let secrets = board.folder.join("secrets.toml");
            std::fs::write(&secrets, format!("board = \"{}\"\n", secret(&board.user))).unwrap();
            run(Command::new("chmod").arg("600").arg(secrets));
            let _ = std::fs::remove_file(board.wav());
            // All wait for the same gate to be opened for writing.
            let mut command = Command::new("nsenter");
            command
                .arg(format!("--net=/run/netns/{}", board.network))
                .args(["--", "sh", "-c", "exec 3<\"$0\" 3<&-; exec \"$@\""])
                .arg(&self.gate)
                .args([env!("CARGO_BIN_EXE_hornwire"), "run"])
                .arg(config)
                .env_remove("JOURNAL_STREAM")
                .env_remove("INVOCATION_ID")
                .env_remove("NOTIFY_SOCKET");
            board.process = Some(Process::start(&board.network, &mut command));
        }
        pause(1.0);
        let power = Instant::now();
        drop(std::fs::OpenOptions::new().write(true).open(&self.gate).unwrap());
        let mut registered: f64 = 0.0;
        let mut ready: f64 = 0.0;
        for board in &self.boards {
            let left = || (power + seconds(limit)).saturating_duration_since(Instant::now());
            let after = |line: crate::lab::process::Line| line.at.duration_since(power).as_secs_f64();
            ready = ready.max(after(board.said().wait(&["ready to page"], left())));
            registered = registered.max(after(board.said().wait(&["is registered at"], left())));
        }
        tell(
            "power",
            &format!(
                "start_spread {start_spread}: the last board ready after {ready:.1} s, registered after {registered:.1} s"
            ),
        );
        // The registrar's lines may be read later than the boards'.
        pause(1.0);
        let lines = self.kamailio.log().lines();
        let requests: Vec<_> = lines
            .iter()
            .filter(|l| l.text.contains("lab: request REGISTER"))
            .collect();
        let first = requests.iter().filter(|l| l.text.contains(" credentials= "));
        let wave = Wave {
            at: first
                .map(|l| l.at.saturating_duration_since(power).as_secs_f64())
                .collect(),
            requests: requests.len(),
        };
        assert!(wave.at.len() >= BOARDS, "{wave:?}");
        (registered, wave)
    }

    fn power_off(&mut self) {
        for board in &self.boards {
            board.said().signal("KILL");
        }
        for board in &mut self.boards {
            board.process = None;
        }
        self.kamailio.restart();
        assert_eq!(
            self.kamailio.contacts(&self.boards[0].user),
            "",
            "the registrar has forgotten nobody"
        );
    }

    fn joined(&self) {
        for board in &self.boards {
            board.said().wait(&["listening to group dispatch"], seconds(10.0));
        }
        // Their kernels have told the bridge, twice.
        pause(2.0);
    }

    fn page(&mut self, phrases: usize) -> Page {
        let before_page: Vec<u64> = self.boards.iter().map(|b| crossed(&b.network)).collect();
        let bystander = crossed("bystander");
        let before = self.ticks();
        let began = Instant::now();
        let sender = std::thread::spawn(move || send(phrases));
        let mut watch: Vec<Watch> = self.boards.iter().map(|b| Watch::new(b.wav())).collect();
        while !sender.is_finished() {
            for file in &mut watch {
                file.look(began);
            }
            std::thread::sleep(Duration::from_micros(3_700));
        }
        let sent = sender.join().unwrap();
        let busy = self.percent(before, began);
        pause(2.0);
        // What the network had to carry: queries and address resolution go everywhere, the page's packets do not.
        let now = self.boards.iter().map(|b| crossed(&b.network));
        let least = now
            .zip(before_page)
            .map(|(now, before)| now - before)
            .min()
            .expect("boards");
        let bystander = crossed("bystander") - bystander;
        tell(
            "multicast",
            &format!(
                "{sent} packets sent; at least {least} went to each board, {bystander} to one that had not joined"
            ),
        );
        assert!(
            least >= sent as u64 && bystander < sent as u64 / 4,
            "{least} {bystander}"
        );
        Page {
            sent,
            busy,
            clocks: watch.into_iter().map(|w| w.start).collect(),
        }
    }

    /// So many records each, and the last one with every packet.
    fn heard(&self, pages: usize, sent: usize) {
        let mut late = 0;
        let mut concealed = 0;
        let mut xruns = 0;
        for board in &self.boards {
            let limit = Instant::now() + seconds(20.0);
            while board.records().len() < pages {
                assert!(Instant::now() < limit, "{}: {}", board.user, board.said().text());
                pause(0.1);
            }
            let records = board.records();
            assert_eq!(records.len(), pages, "{records:#?}");
            let record = &records[pages - 1];
            assert_eq!(record.field("END_REASON"), "stream-ended", "{record:?}");
            assert_eq!(record.field("PACKETS"), sent.to_string(), "{record:?}");
            assert_eq!(record.field("LOST"), "0", "{record:?}");
            let number = |name| record.field(name).parse::<u64>().unwrap_or(0);
            late += number("LATE");
            concealed += number("CONCEALED_MS");
            xruns += board.said().count(&["ran dry"]);
        }
        tell(
            "heard",
            &format!(
                "page {pages} by all {BOARDS}, no packet lost; late packets {late}, concealed {concealed} ms, xruns {xruns}, all boards together"
            ),
        );
    }

    /// How far apart the same mark leaves the boards.
    fn aligned(&self, clocks: &[f64]) {
        let marks: Vec<Vec<f64>> = self.boards.iter().map(|b| marks(&b.wav())).collect();
        for (board, marks) in self.boards.iter().zip(&marks) {
            assert_eq!(
                marks.len(),
                PAGES.iter().sum::<usize>() * MARKS,
                "{}: {marks:?}",
                board.user
            );
        }
        let at = |mark: usize| {
            marks
                .iter()
                .zip(clocks)
                .map(move |(m, clock)| (clock + m[mark]) * 1000.0)
        };
        let mut phrase = 0;
        let mut worst = Vec::new();
        for (page, phrases) in PAGES.into_iter().enumerate() {
            // All have the first packet at the same moment, and take turns at this machine's processors. What that makes
            // is not the boards': each one's own beginning is by its record, to a millisecond.
            let began = self
                .boards
                .iter()
                .map(|b| second(&b.records()[page].field("BEGAN")) * 1000.0);
            let began: Vec<f64> = began.collect();
            let page = page + 1;
            tell(
                "alignment",
                &format!("page {page} began {}", Spread::of(began.iter().copied())),
            );
            for n in 1..=phrases {
                let mark = phrase * MARKS;
                let most = (mark..mark + MARKS)
                    .map(|mark| Spread::of(at(mark)).whole())
                    .fold(0.0, f64::max);
                let whole = Spread::of(at(mark));
                tell(
                    "alignment",
                    &format!("page {page}, phrase {n}: heard {whole}, at its worst mark {most:.1} ms"),
                );
                if n == 1 {
                    let own = Spread::of(at(mark).zip(&began).map(|(at, began)| at - began));
                    tell(
                        "alignment",
                        &format!("page {page}, phrase {n}, counted from each one's own beginning: {own}"),
                    );
                }
                worst.push(most);
                phrase += 1;
            }
        }
        assert!(
            worst[phrase - 1] < 100.0 && worst.iter().all(|w| *w < 500.0),
            "{worst:?}"
        );
    }

    /// User and system time of all boards, clock ticks (proc(5)).
    fn ticks(&self) -> u64 {
        let of = |board: &Board| -> u64 {
            let stat = std::fs::read_to_string(format!("/proc/{}/stat", board.said().pid())).expect("it runs");
            let (_, rest) = stat.rsplit_once(") ").expect("a name");
            rest.split(' ')
                .skip(11)
                .take(2)
                .map(|n| n.parse::<u64>().expect("ticks"))
                .sum()
        };
        self.boards.iter().map(of).sum()
    }

    /// Per cent of one processor since then; there are 100 ticks a second.
    fn percent(&self, before: u64, since: Instant) -> f64 {
        (self.ticks() - before) as f64 / since.elapsed().as_secs_f64()
    }

    fn processor(&self, time: f64) -> f64 {
        let (before, since) = (self.ticks(), Instant::now());
        pause(time);
        self.percent(before, since)
    }

    fn tell_memory(&self, when: &str) {
        let mut sums = BTreeMap::new();
        for board in &self.boards {
            let path = format!("/proc/{}/smaps_rollup", board.said().pid());
            let rollup = std::fs::read_to_string(path).expect("it runs");
            for name in ["Rss:", "Pss:", "Private_Dirty:"] {
                let line = rollup.lines().find_map(|l| l.strip_prefix(name)).expect("a figure");
                let kib: f64 = line.trim().trim_end_matches(" kB").parse().expect("a number");
                *sums.entry(name).or_insert(0.0) += kib / 1024.0;
            }
        }
        let each = |name| sums[name] / BOARDS as f64;
        tell(
            "memory",
            &format!(
                "{when}, a board: RSS {:.1} MiB, PSS {:.1} MiB, its own {:.1} MiB; PSS of all {:.0} MiB",
                each("Rss:"),
                each("Pss:"),
                each("Private_Dirty:"),
                sums["Pss:"]
            ),
        );
    }
}

/// The config of all boards.
const SHARED: &str = r#"
[site]
name = "Quayside Timber"

[cards.amplifier]
output = "null"
channels = 1

[relays.trigger]
line = "simulated"

[zones.horns]
card = "amplifier"
channel = 1
trigger = ["trigger"]

[defaults.extensions]
registrar = "sip:10.77.0.1"

[extensions.page]
secret = "board"
zones = ["horns"]

[groups.dispatch]
address = "239.77.0.1:5004"
interface = "eth0"
zones = ["horns"]
levelled = false

[secrets]
file = "secrets.toml"
"#;

/// What is the board's own.
fn own_file(board: &Board, start_spread: &str) -> String {
    format!(
        r#"[site]
name = "Quayside Timber, board {user}"
[extensions.page]
user = "{user}"
[cards.amplifier]
output = "wav:{wav}"
[sip]
start_spread = "{start_spread}"
"#,
        user = board.user,
        wav = board.wav().display(),
    )
}

fn secret(user: &str) -> String {
    format!("resin-{user}-adze")
}

/// `ip` with commands on its standard input.
fn batch(arguments: &[&str], commands: &str) {
    use std::io::Write as _;
    let mut ip = Command::new("ip")
        .args(arguments)
        .stdin(Stdio::piped())
        .spawn()
        .expect("ip (iproute2)");
    ip.stdin.take().unwrap().write_all(commands.as_bytes()).unwrap();
    assert!(ip.wait().unwrap().success(), "ip {arguments:?}:\n{commands}");
}

/// Packets that the bridge has sent to that board.
fn crossed(network: &str) -> u64 {
    let path = format!("/sys/class/net/{network}/statistics/tx_packets");
    std::fs::read_to_string(&path)
        .expect(&path)
        .trim()
        .parse()
        .expect("a number")
}
