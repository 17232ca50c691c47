use super::*;
use crate::report::message::kind;
use std::os::unix::net::UnixDatagram;
use std::sync::atomic::AtomicUsize;

/// A directory of its own for a socket; removed at the end.
struct Place(PathBuf);

impl Place {
    fn new() -> Self {
        static COUNT: AtomicUsize = AtomicUsize::new(0);
        let count = COUNT.fetch_add(1, Ordering::Relaxed);
        let path = std::env::temp_dir().join(format!("hornwire-journal-{}-{count}", std::process::id()));
        std::fs::create_dir_all(&path).unwrap();
        Place(path)
    }

    fn socket(&self) -> PathBuf {
        self.0.join("socket")
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

fn entry(number: usize) -> Entry {
    Entry::new(kind::PAGE_BEGAN, format!("page {number}"))
        .with("PAGE_ID", number)
        .with("CALLER", "x\nPRIORITY=0")
}

fn receive(socket: &UnixDatagram) -> Option<String> {
    let mut octets = vec![0; 65_536];
    socket.set_nonblocking(true).unwrap();
    let length = socket.recv(&mut octets).ok()?;
    Some(String::from_utf8(octets[..length].to_vec()).unwrap())
}

/// The simple form of systemd's JOURNAL_NATIVE_PROTOCOL.md: `NAME=value\n`.
#[test]
fn a_datagram_holds_one_line_per_field() {
    let place = Place::new();
    let journald = UnixDatagram::bind(place.socket()).unwrap();
    let mut journal = NativeJournal::new(&place.socket()).unwrap();
    journal.write(&entry(7));
    assert_eq!(
        receive(&journald).unwrap(),
        format!(
            "MESSAGE=page 7\nMESSAGE_ID={}\nPRIORITY=6\nSYSLOG_IDENTIFIER=hornwire\nPAGE_ID=7\nCALLER=x PRIORITY=0\n",
            kind::PAGE_BEGAN.id
        )
    );
    assert_eq!(journal.dropped(), 0);
}

#[test]
fn a_journal_that_does_not_read_blocks_nobody_and_is_told_what_it_lost() {
    let place = Place::new();
    let journald = UnixDatagram::bind(place.socket()).unwrap();
    let mut journal = NativeJournal::new(&place.socket()).unwrap();
    let count = 4000; // more than any queue of datagrams (net.unix.max_dgram_qlen) and the backlog together
    for number in 0..count {
        journal.write(&entry(number));
    }
    let dropped = journal.dropped();
    assert!(dropped > 0, "{dropped}");
    let mut texts = Vec::new();
    loop {
        let before = texts.len();
        texts.extend(std::iter::from_fn(|| receive(&journald)));
        journal.flush();
        if texts.len() == before {
            break;
        }
    }
    // In order, nothing twice, and the loss told.
    let expected: Vec<String> = (0..count - usize::try_from(dropped).unwrap())
        .map(|number| format!("MESSAGE=page {number}\n"))
        .collect();
    assert_eq!(texts.len(), expected.len() + 1);
    assert!(texts.iter().zip(&expected).all(|(text, start)| text.starts_with(start)));
    let last = texts.last().unwrap();
    assert!(
        last.contains(kind::MESSAGES_LOST.id) && last.contains(&format!("COUNT={dropped}\n")),
        "{last}"
    );
}

#[test]
fn entries_wait_for_a_journal_that_restarts() {
    let place = Place::new();
    let mut journal = NativeJournal::new(&place.socket()).unwrap();
    journal.write(&entry(1));
    let journald = UnixDatagram::bind(place.socket()).unwrap();
    journal.flush();
    assert!(receive(&journald).unwrap().starts_with("MESSAGE=page 1\n"));
    drop(journald);
    std::fs::remove_file(place.socket()).unwrap();
    journal.write(&entry(2));
    let journald = UnixDatagram::bind(place.socket()).unwrap();
    drop(journal);
    assert!(receive(&journald).unwrap().starts_with("MESSAGE=page 2\n"));
}

#[test]
fn the_largest_entry_fits_a_datagram() {
    let place = Place::new();
    let journald = UnixDatagram::bind(place.socket()).unwrap();
    let mut journal = NativeJournal::new(&place.socket()).unwrap();
    let wide = "\u{10348}".repeat(5000);
    let entry = (0..100).fold(Entry::new(kind::PAGE_ENDED, &wide), |entry, _| {
        entry.with("ZONE", &wide)
    });
    journal.write(&entry);
    assert_eq!(journal.dropped(), 0);
    let mut octets = vec![0; 1 << 20];
    assert!(journald.recv(&mut octets).unwrap() > 60_000);
}

#[test]
fn text_lines() {
    let at = std::time::UNIX_EPOCH + Duration::from_secs(1_795_617_362);
    let entry = Entry::new(kind::REGISTERED, "extension yard is registered")
        .with("EXTENSION", "yard")
        .with("CALLER", "the \"Gate\"");
    assert_eq!(
        line(&entry, false, at),
        "2026-11-25T14:36:02Z notice: extension yard is registered [EXTENSION=yard CALLER=\"the \\\"Gate\\\"\"]\n"
    );
    // Levels and prefix: sd-daemon(3).
    assert_eq!(line(&Entry::new(kind::CARD_LOST, "x"), true, at), "<3>x\n");
    assert_eq!(
        line(&Entry::new(kind::STREAM_ENDED, "x"), false, at),
        "2026-11-25T14:36:02Z x\n"
    );
    // A text that looks like a prefix stays behind ours.
    assert_eq!(line(&Entry::new(kind::STARTED, "<0>x"), true, at), "<5><0>x\n");
}

/// A stream that takes nothing until it is let go.
struct Stuck {
    gate: mpsc::Receiver<()>,
    lines: mpsc::Sender<String>,
}

impl Write for Stuck {
    fn write(&mut self, octets: &[u8]) -> io::Result<usize> {
        let _ = self.gate.recv();
        let _ = self.lines.send(String::from_utf8_lossy(octets).into_owned());
        Ok(octets.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[test]
fn a_stuck_stream_blocks_nobody() {
    let (open, gate) = mpsc::channel();
    let (lines, written) = mpsc::channel();
    let mut journal = StderrJournal::onto(Stuck { gate, lines }, true);
    for number in 0..MAX_BACKLOG + 100 {
        journal.write(&entry(number));
    }
    // One line may be in the writer's hand beside the backlog.
    assert!((99..=100).contains(&journal.dropped()), "{}", journal.dropped());
    drop(open);
    let first = written.recv().unwrap();
    assert!(first.starts_with("<6>page 0 ["), "{first}");
    for _ in 0..20 {
        written.recv().unwrap();
    }
    let dropped = journal.dropped();
    journal.write(&entry(9999));
    drop(journal);
    let rest: Vec<String> = written.iter().collect();
    // Some may have been told earlier, if the writer took its first line late.
    let counts = rest.iter().filter_map(|line| line.split("COUNT=").nth(1));
    let told: u64 = counts
        .map(|count| count.trim_end_matches("]\n").parse::<u64>().unwrap())
        .sum();
    assert_eq!(told, dropped);
    assert!(rest.last().unwrap().starts_with("<6>page 9999 ["));
}

#[test]
fn the_place_to_write_to() {
    let around = |socket, stderr_is_journal, is_service| {
        decide(Surroundings {
            socket,
            stderr_is_journal,
            is_service,
        })
    };
    assert_eq!(around(true, true, true), Choice::Native);
    assert_eq!(around(true, false, true), Choice::Native);
    assert_eq!(around(true, false, false), Choice::Plain);
    assert_eq!(around(false, true, true), Choice::Prefixed);
    assert_eq!(around(false, false, true), Choice::Plain);
}
