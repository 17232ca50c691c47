//! `hornwire check` as an installer runs it; exit codes by sysexits.h.

use std::path::Path;
use std::process::{Command, Output};

use hornwire::config;

use super::{Scratch, read, source};

fn hornwire(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_hornwire"))
        .args(arguments)
        .env_remove("CREDENTIALS_DIRECTORY")
        .output()
        .unwrap()
}

fn run(arguments: &[&str]) -> (i32, String, String) {
    let output = hornwire(arguments);
    let text = |o: &[u8]| String::from_utf8(o.to_vec()).unwrap();
    (
        output.status.code().unwrap(),
        text(&output.stdout),
        text(&output.stderr),
    )
}

fn name(path: &Path) -> &str {
    path.to_str().unwrap()
}

fn good(scratch: &Scratch) -> std::path::PathBuf {
    scratch.file(
        "quayside-secrets.toml",
        read(&source("config/quayside-secrets.toml")),
        0o600,
    );
    scratch.file("good.toml", read(&source("config/quayside-yard.toml")), 0o644)
}

/// Computed: +2.5 dBm − 16.99 dB − 1 dB, − 4 dB; +2.5 dBm − 3 dB.
const LINE_LEVELS: &str = "  zone yard: speech at -15.5 dBm, no peak above that of a sine at -0.5 dBm, into 600 ohm
  zone sawmill: speech at -18.5 dBm, no peak above that of a sine at -0.5 dBm, into 600 ohm
";

#[test]
fn a_good_file() {
    let scratch = Scratch::new();
    let good = good(&scratch);
    let (code, out, err) = run(&["check", name(&good)]);
    assert_eq!((code, err.as_str()), (0, ""));
    assert_eq!(
        out,
        format!(
            "{}: no problems. Quayside Timber: 2 zones, 2 extensions, 1 multicast group\n{}",
            good.display(),
            LINE_LEVELS
        )
    );
}

/// Speech at −20 dBFS RMS lies 16.99 dB below a full-scale sine (−3.01 dBFS RMS).
#[test]
fn levels_on_the_line() {
    let scratch = Scratch::new();
    let text = read(&source("config/quayside-simple.toml"));
    let (before, after) = text.split_once("[cards.").unwrap();
    let (head, rest) = after.split_once('\n').unwrap();
    let file = scratch.file(
        "levels.toml",
        format!("{before}[cards.{head}\nfull_scale = \"+4 dBu\"\n{rest}"),
        0o644,
    );
    scratch.file(
        "quayside-secrets.toml",
        read(&source("config/quayside-secrets.toml")),
        0o600,
    );
    let (code, out, err) = run(&["check", name(&file)]);
    assert_eq!(code, 0, "{err}");
    println!("{out}");
    let line = out.lines().nth(1).unwrap();
    let gain = text
        .lines()
        .find_map(|l| l.strip_prefix("gain = \""))
        .and_then(|l| l.split(' ').next());
    let gain: f32 = gain.map_or(0.0, |g| g.parse().unwrap());
    let speech = 4.0 - 16.99 + gain;
    assert!(line.contains(&format!("speech at {speech:+.1} dBm")), "{line}");
    assert!(line.contains("sine at +1.0 dBm"), "{line}");
    assert_eq!(out.lines().count(), 2, "{out}");
}

#[test]
fn a_bad_file_78() {
    let bad = source("tests/config/bad/whole.toml");
    let (code, out, err) = run(&["check", name(&bad)]);
    assert_eq!(code, 78);
    assert!(err.contains("whole.toml:37:11: error: zones.shed.channel\n"), "{err}");
    let count = |word: &str| err.lines().filter(|l| l.contains(&format!(": {word}: "))).count();
    let summary = format!(
        "{}: {} errors, {} warnings\n",
        bad.display(),
        count("error"),
        count("warning")
    );
    assert_eq!(out, summary);
}

#[test]
fn warnings_do_not_fail_0() {
    let (code, out, err) = run(&["check", name(&source("tests/config/bad/quiet.toml"))]);
    assert_eq!(code, 0);
    assert!(out.contains(": 2 warnings. Quayside Timber: 1 zone\n"), "{out}");
    assert_eq!(err.matches(": warning: ").count(), 2);
}

#[test]
fn a_missing_file_66() {
    let (code, out, err) = run(&["check", "/nonexistent/hornwire.toml"]);
    assert_eq!((code, out.as_str()), (66, ""));
    assert_eq!(err, "hornwire: /nonexistent/hornwire.toml: no such file\n");
    let (code, _, err) = run(&["check", "/"]);
    assert_eq!((code, err.as_str()), (66, "hornwire: /: a directory, not a file\n"));
}

/// A file that may not be read. The superuser may read everything, so the test steps down where it can.
#[test]
fn no_permission_77() {
    use std::os::unix::fs::PermissionsExt as _;
    use std::os::unix::process::CommandExt as _;
    let scratch = Scratch::new();
    let path = scratch.file("closed.toml", "", 0o000);
    std::fs::set_permissions(&scratch.0, std::fs::Permissions::from_mode(0o755)).unwrap();
    let mut command = Command::new(env!("CARGO_BIN_EXE_hornwire"));
    if std::fs::File::open(&path).is_ok() {
        // Another user must reach the program too.
        let copy = scratch.0.join("hornwire");
        // By a process of its own: a test that forks at this moment would hold our descriptor open for writing, and
        // the copy could not be run (ETXTBSY, execve(2)).
        let copied = Command::new("cp")
            .arg(env!("CARGO_BIN_EXE_hornwire"))
            .arg(&copy)
            .status();
        assert!(copied.unwrap().success());
        command = Command::new(copy);
        command.uid(65534).gid(65534);
    }
    let output = command.args(["check", name(&path)]).output().unwrap();
    assert_eq!(output.status.code(), Some(77));
    assert_eq!(
        String::from_utf8_lossy(&output.stderr),
        format!("hornwire: {}: no permission to read it\n", path.display())
    );
}

#[test]
fn several_files_the_worst_counts() {
    let scratch = Scratch::new();
    let good = good(&scratch);
    let bad = source("tests/config/bad/nothing.toml");
    let (code, out, _) = run(&["check", name(&good), "/nonexistent", name(&bad)]);
    assert_eq!(code, 78);
    // One summary each; what more there is to tell of a file is indented.
    assert_eq!(out.lines().filter(|line| !line.starts_with(' ')).count(), 2);
    assert_eq!(run(&["check", name(&good), "/nonexistent"]).0, 66);
}

#[test]
fn wrong_usage_64() {
    for arguments in [
        &["chekc"][..],
        &[],
        &["check", "--keyz"],
        &["check", "--keys", "x.toml"],
    ] {
        let (code, out, err) = run(arguments);
        assert_eq!((code, out.as_str()), (64, ""), "{arguments:?}");
        assert!(err.contains("Usage"), "{err}");
    }
    assert!(run(&["chekc"]).2.contains("'check'"));
}

#[test]
fn help_and_version() {
    let (code, out, err) = run(&["--version"]);
    assert_eq!((code, err.as_str()), (0, ""));
    assert_eq!(out, format!("hornwire {}\n", env!("CARGO_PKG_VERSION")));
    let (code, out, _) = run(&["--help"]);
    assert_eq!(code, 0);
    for exit in ["0 ", "64 ", "66 ", "77 ", "78 "] {
        assert!(
            out.lines().any(|l| l.trim_start().starts_with(exit)),
            "{exit} is not in:\n{out}"
        );
    }
    let (code, out, _) = run(&["check", "--help"]);
    assert!(
        code == 0 && out.contains("Example:\n  hornwire check /etc/hornwire/hornwire.toml"),
        "{out}"
    );
}

/// As it is packaged: nothing is wrong, and the password is still to be written.
#[test]
fn the_packaged_config_0() {
    let scratch = Scratch::new();
    let file = scratch.file("hornwire.toml", read(&source("deploy/debian/hornwire.toml")), 0o644);
    let secrets = scratch.file("secrets.toml", read(&source("deploy/debian/secrets.toml")), 0o600);
    let (code, out, err) = run(&["check", name(&file)]);
    assert_eq!(code, 0, "{err}");
    assert!(out.contains(": 1 warning. Quayside Timber: 1 zone"), "{out}");
    assert!(
        err.starts_with(&format!("{}:", secrets.display())) && err.contains(": warning: page\n"),
        "{err}"
    );
}

/// Lines that are broken by hand are not broken anew at the usual width.
#[test]
fn help_fits_80_columns() {
    let help = |command: &str, columns: &str| {
        let output = Command::new(env!("CARGO_BIN_EXE_hornwire"))
            .args([command, "--help"])
            .env("COLUMNS", columns)
            .output()
            .unwrap();
        String::from_utf8(output.stdout).unwrap()
    };
    for command in [
        "run",
        "demo",
        "rehearse",
        "status",
        "stop",
        "announce",
        "why",
        "doctor",
        "rest-relays",
        "code",
        "check",
    ] {
        let (usual, wide) = (help(command, "80"), help(command, "200"));
        let by_hand = |text: &str| text[text.find("\nExample").unwrap()..].to_owned();
        assert_eq!(by_hand(&usual), by_hand(&wide), "{command}");
        assert!(usual.lines().all(|line| line.chars().count() <= 80), "{usual}");
    }
}

#[test]
fn an_announcement_of_nothing_names_both_ways_64() {
    let (code, _, err) = run(&["announce", "--zone", "yard"]);
    assert_eq!(code, 64);
    assert!(err.contains("FILE") && err.contains("--plays"), "{err}");
    let (code, _, err) = run(&["announce", "a.wav", "--plays", "bell", "--zone", "yard"]);
    assert_eq!(code, 64, "{err}");
}

#[test]
fn keys() {
    let (code, out, err) = run(&["check", "--keys"]);
    assert_eq!((code, err.as_str()), (0, ""));
    assert_eq!(out, hornwire::config::reference());
}

/// The manual pages tell every command that `--help` tells, and every key.
#[test]
fn manual_pages() {
    let scratch = Scratch::new();
    let directory = scratch.0.join("manual");
    let (code, _, err) = run(&["manual", directory.to_str().unwrap()]);
    assert_eq!((code, err.as_str()), (0, ""));
    let page = |name: &str| std::fs::read_to_string(directory.join(name)).unwrap();
    // In roff a hyphen that is one, and a full stop at a line's beginning, are written with a backslash.
    let plain = |name: &str| {
        let marks = [("\\-", "-"), ("\\&", ""), ("\\fB", ""), ("\\fR", ""), ("\\*(Aq", "'")];
        marks
            .iter()
            .fold(page(name), |text, (mark, meant)| text.replace(mark, meant))
    };
    let program = plain("hornwire.1");
    let (_, help, _) = run(&["--help"]);
    let list = help.split("Commands:\n").nth(1).unwrap().split("\n\n").next().unwrap();
    let commands: Vec<&str> = list
        .lines()
        .filter(|line| line.starts_with("  ") && !line.starts_with("   "))
        .collect();
    assert!(commands.len() > 8, "{help}");
    for command in commands {
        let name = command.split_whitespace().next().unwrap();
        assert!(
            name == "help" || program.contains(&format!(".SS \"hornwire {name}\"")),
            "{name}"
        );
        for completion in ["hornwire.bash", "_hornwire", "hornwire.fish"] {
            assert!(page(completion).contains(name), "{completion}: {name}");
        }
    }
    let keys = plain("hornwire.toml.5");
    for block in hornwire::config::blocks() {
        let wanted = match block {
            hornwire::config::Block::Table(name) => format!(".SS {name}\n"),
            hornwire::config::Block::Item(term, _) => format!(".TP\n{}\n", term.replace('`', "")),
            _ => continue,
        };
        assert!(keys.contains(&wanted), "{wanted}");
    }
}

/// A reader that goes away, such as `head`, is no reason to panic.
#[test]
fn a_closed_pipe() {
    use std::process::Stdio;
    let mut child = Command::new(env!("CARGO_BIN_EXE_hornwire"))
        .args(["check", "--keys"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let output = child.wait_with_output().unwrap();
    assert_eq!(String::from_utf8_lossy(&output.stderr), "");
}

/// The daemon may have been killed after an edit: a fault elsewhere must not leave a relay operated.
#[test]
fn relays_rest_beside_faults_elsewhere_78() {
    let scratch = Scratch::new();
    let text = "[site]\nname = 'Quayside Timber'\n[cards.usb]\noutput = 'nowhere'\n\
                [relays.yard-trigger]\nline = 'simulated'\n\
                [relays.yard-mute]\nline = 'simulated'\nactive = 'lo'\n\
                [relays.yard-mute-2]\nline = 'simulated'\nactive = 'low'\n\
                [zones.yard]\ncard = 'usb'\nchannel = 1\ntrigger = ['yard-trigger']\nmute = ['yard-mute', 'yard-mute-2']\n";
    let path = scratch.file("edited.toml", text, 0o644);
    let loaded = config::load(&path).unwrap();
    assert!(loaded.plan.is_none());
    // Not yard-mute: at which level it rests is not known.
    let relays: Vec<_> = loaded.relays.iter().map(|r| (r.name.as_str(), r.active_low)).collect();
    assert_eq!(relays, [("yard-trigger", false), ("yard-mute-2", true)]);
    let (code, _, err) = run(&["rest-relays", name(&path)]);
    assert_eq!(code, 78);
    let end = format!(
        "hornwire: {}: 2 errors in the config, 2 relays at rest\n",
        path.display()
    );
    assert!(err.ends_with(&end), "{err}");
    // A line that cannot be read may be a relay's polarity.
    let path = scratch.file("torn.toml", text.replace("'low'", "'low"), 0o644);
    assert_eq!(config::load(&path).unwrap().relays, []);
}

/// systemd (252) hides credentials from `ExecStopPost=`; relays need no passwords.
#[test]
fn relays_rest_without_the_secrets_0() {
    let scratch = Scratch::new();
    let text = "[site]\nname = 'Quayside Timber'\n[secrets]\ncredential = 'secrets'\n[cards.usb]\noutput = 'null'\n\
                [relays.yard-trigger]\nline = 'simulated'\n\
                [zones.yard]\ncard = 'usb'\nchannel = 1\ntrigger = ['yard-trigger']\n\
                [extensions.yard-page]\nuser = '850'\nregistrar = 'sip:pbx.quayside.example'\nsecret = 'yard-page'\n\
                zones = ['yard']\n";
    let path = scratch.file("stopped.toml", text, 0o644);
    assert_eq!(run(&["check", name(&path)]).0, 78, "the daemon itself does want them");
    let (code, out, err) = run(&["rest-relays", name(&path)]);
    assert_eq!((code, out.as_str(), err.as_str()), (0, "", ""));
}

/// Another file altogether: the first lines are told, the others counted.
#[test]
fn a_text_that_is_no_config_78() {
    let (code, out, err) = run(&["check", name(&source("config/REFERENCE.md"))]);
    assert_eq!(code, 78);
    assert_eq!(err.matches(": error\n    found   ").count(), 21, "{err}");
    assert!(err.contains("more problems, not shown"), "{err}");
    assert!(out.ends_with(": 21 errors\n"), "{out}");
}

fn make_code(name: &str, typed: &str) -> (i32, String, String) {
    use std::io::Write as _;
    let mut child = Command::new(env!("CARGO_BIN_EXE_hornwire"))
        .args(["code", name])
        .stdin(std::process::Stdio::piped())
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    // A name that is refused is refused before anything is read.
    let _ = child.stdin.take().unwrap().write_all(typed.as_bytes());
    let output = child.wait_with_output().unwrap();
    let text = |o: &[u8]| String::from_utf8(o.to_vec()).unwrap();
    (
        output.status.code().unwrap(),
        text(&output.stdout),
        text(&output.stderr),
    )
}

#[test]
fn a_code_becomes_a_line_of_the_secrets_file() {
    let (code, out, err) = make_code("gatehouse", "7391\n");
    assert_eq!((code, err.as_str()), (0, ""));
    let stored = out
        .strip_prefix("gatehouse = '")
        .and_then(|t| t.strip_suffix("'\n"))
        .unwrap();
    let stored = hornwire::gate::code::Stored::read(stored).unwrap();
    assert_eq!(hornwire::gate::code::find("7391", [&stored]), Some(0));
    assert!(!out.contains("7391"));
    assert_ne!(out, make_code("gatehouse", "7391\n").1, "another salt each time");
    for (name, typed, code) in [
        ("gatehouse", "1234\n", 65),
        ("gatehouse", "739\n", 65),
        ("gatehouse", "seven\n", 65),
        ("gatehouse", "", 66),
        ("gate house", "7391\n", 64),
    ] {
        let (got, out, err) = make_code(name, typed);
        assert_eq!((got, out.as_str()), (code, ""), "{name} {typed}");
        assert!(
            !err.is_empty() && (typed.is_empty() || !err.contains(typed.trim())),
            "{err}"
        );
    }
}

/// Secrets of a file that is right but for them.
fn with_code(line: &str) -> (i32, String) {
    let scratch = Scratch::new();
    scratch.file("secrets.toml", line, 0o600);
    let config = scratch.file(
        "code.toml",
        "[site]\nname = 'Quayside Timber'\n[secrets]\nfile = 'secrets.toml'\n[cards.usb]\noutput = 'null'\n\
         [zones.yard]\ncard = 'usb'\nchannel = 1\n[sip]\nnetworks = ['192.0.2.0/24']\n[codes.gatehouse]\n\
         secret = 'gatehouse'\n[extensions.yard]\nuser = '850'\nzones = ['yard']\ncodes = ['gatehouse']\n",
        0o644,
    );
    let (code, _, err) = run(&["check", name(&config)]);
    (code, err)
}

#[test]
fn a_code_in_clear_text_is_refused_and_not_shown() {
    for (line, wanted) in [
        ("gatehouse = '7391'", "a code in clear text"),
        ("gatehuose = '7391'", "did you mean \"gatehuose\"?"),
        (
            "gatehouse = '$argon2id$v=19$m=4096,t=3,p=1$cXVheXNpZGVz'",
            "cut or changed",
        ),
        (
            "gatehouse = '$argon2id$v=19$m=1048576,t=3,p=1$cXVheXNpZGVzYWx0$cy6vLh4aZ46lkbd8wdJsKV6McRK4goEBsYx1PD9jII0'",
            "more than",
        ),
    ] {
        let (code, err) = with_code(line);
        assert_eq!(code, 78, "{err}");
        assert!(
            err.contains(wanted) && err.contains("hornwire code") | err.contains("did you mean"),
            "{err}"
        );
        assert!(!err.contains("7391") && !err.contains("$argon2id"), "{err}");
    }
    let line =
        "gatehouse = '$argon2id$v=19$m=4096,t=3,p=1$cXVheXNpZGVzYWx0$cy6vLh4aZ46lkbd8wdJsKV6McRK4goEBsYx1PD9jII0'";
    assert_eq!(with_code(line), (0, String::new()));
}
