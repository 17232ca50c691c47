//! `hornwire levels`, from outside: its texts, its exit codes, its files, and its pads against a solver of another make.
#![allow(clippy::disallowed_methods)]

#[path = "../config/stored.rs"]
mod stored;

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use stored::compare;

fn source(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// Exit code, stdout, stderr.
fn run(arguments: &[&str]) -> (i32, String, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_hornwire"))
        .arg("levels")
        .args(arguments)
        .output()
        .unwrap();
    let text = |octets: &[u8]| String::from_utf8(octets.to_vec()).unwrap();
    (
        output.status.code().unwrap(),
        text(&output.stdout),
        text(&output.stderr),
    )
}

/// A directory of its own for one test, removed at the end.
struct Scratch(PathBuf);

impl Scratch {
    fn new(name: &str) -> Self {
        let path = std::env::temp_dir().join(format!("hornwire-levels-{}-{name}", std::process::id()));
        std::fs::create_dir_all(&path).unwrap();
        Scratch(path)
    }

    fn file(&self, name: &str, text: &str) -> String {
        use std::os::unix::fs::PermissionsExt as _;
        let path = self.0.join(name);
        std::fs::write(&path, text).unwrap();
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600)).unwrap();
        path.to_str().unwrap().to_owned()
    }

    /// An example config as it would be installed.
    fn example(&self, name: &str) -> String {
        let read = |name: &str| std::fs::read_to_string(source("config").join(name)).unwrap();
        self.file("quayside-secrets.toml", &read("quayside-secrets.toml"));
        self.file(name, &read(name))
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// What it prints, as it was looked through.
fn stored(name: &str, arguments: &[&str]) {
    let (code, out, err) = run(arguments);
    assert_eq!((code, err.as_str()), (0, ""), "{arguments:?}");
    let wide: Vec<&str> = out.lines().filter(|line| line.chars().count() > 80).collect();
    assert!(wide.is_empty(), "wider than a terminal: {wide:#?}");
    compare(&source("tests/levels").join(format!("{name}.txt")), &out);
}

#[test]
fn the_plan_of_a_config() {
    let scratch = Scratch::new("config");
    stored("config", &[&scratch.example("quayside-yard.toml")]);
}

#[test]
fn chains() {
    stored(
        "chain-fits",
        &[
            "chain",
            "--full-scale",
            "1.1V",
            "--source",
            "47",
            "--cable",
            "100 ft 22 AWG",
            "--level",
            "-20 dBm",
            "--noise",
            "92",
        ],
    );
    stored(
        "chain-too-much",
        &[
            "chain",
            "--full-scale",
            "+8 dBm",
            "--source",
            "150",
            "--transformer",
            "--level",
            "-40 dBm",
        ],
    );
    stored("chain-too-little", &["chain", "--pad", "T 10 dB"]);
    stored(
        "chain-less-pad",
        &[
            "chain",
            "--full-scale",
            "2 V",
            "--source",
            "10",
            "--pad",
            "L 30 dB",
            "--level",
            "-15 dBV",
            "--input",
            "10k",
        ],
    );
}

#[test]
fn pads() {
    for kind in ["L", "U", "T", "H", "pi", "O", "bridged-T"] {
        stored(
            &format!("pad-{kind}"),
            &["pad", "--kind", kind, "--loss", "10dB", "--impedance", "600"],
        );
    }
    stored(
        "pad-minimum-loss",
        &["pad", "--kind", "minimum-loss", "--impedance", "600", "--load", "150"],
    );
    stored(
        "pad-minimum-loss-up",
        &["pad", "--kind", "minimum-loss", "--impedance", "600", "--load", "10k"],
    );
    stored(
        "pad-unequal",
        &[
            "pad",
            "--kind",
            "pi",
            "--loss",
            "20",
            "--impedance",
            "600",
            "--load",
            "150",
        ],
    );
}

#[test]
fn loudspeaker_lines() {
    stored(
        "line",
        &[
            "line",
            "--volts",
            "70.7",
            "--taps",
            "12x6W",
            "--amplifier",
            "120W",
            "--length",
            "100m",
            "--gauge",
            "16 AWG",
        ],
    );
    stored(
        "line-too-much",
        &[
            "line",
            "--volts",
            "100",
            "--taps",
            "30x6W,2x100W",
            "--amplifier",
            "200",
            "--length",
            "800m",
            "--gauge",
            "0.5 mm2 class 5",
            "--temperature",
            "45",
        ],
    );
    stored(
        "line-low",
        &[
            "line", "--ohms", "8", "--power", "30W", "--length", "30m", "--gauge", "16 AWG",
        ],
    );
}

#[test]
fn sound() {
    stored(
        "sound",
        &[
            "sound",
            "--sensitivity",
            "90",
            "--power",
            "10W",
            "--distance",
            "4m",
            "--ambient",
            "70",
        ],
    );
    stored(
        "sound-several",
        &[
            "sound",
            "--sensitivity",
            "98",
            "--power",
            "15W",
            "--distance",
            "10m,10m,16m",
            "--ambient",
            "82",
        ],
    );
}

#[test]
fn conversions() {
    for (name, text) in [
        ("dbm", "0 dBm"),
        ("dbv", "-10 dBV"),
        ("volts", "1.2 V"),
        ("ohm", "10k"),
        ("awg", "16 AWG"),
        ("mm2", "1.5 mm2"),
    ] {
        stored(&format!("convert-{name}"), &["convert", text, "--impedance", "150"]);
    }
    stored("source", &["source", "--open", "1.20V", "--loaded", "1.11V"]);
}

const TABLES: &str = r#"
    [chain.yard]
    full_scale = "1.1 V"
    source = 47
    transformer = true
    level = "-20 dBm"

    [pad.yard]
    kind = "H"
    loss = 3

    [line.yard]
    volts = 100
    taps = ["12 x 6 W", "4 x 1.5 W"]
    amplifier = "100 W"

    [sound.gate]
    sensitivity = 98
    power = "15 W"
    distance = ["10 m", 16]
"#;

#[test]
fn a_file_of_tables() {
    let scratch = Scratch::new("tables");
    stored("tables", &[&scratch.file("yard.levels", TABLES)]);
    let faulty = "[sound.gate]\nsensitivity = 98\npower = '15 W'\ndistance = 10\nambiant = 70\n[foo.x]\n[pad]\nkind = 'T'\n[line.a]\nvolts = true\n[line.b]\ntaps = '1x6W'\nvolts = 'x'\n";
    let (code, out, err) = run(&[&scratch.file("faulty.levels", faulty)]);
    assert_eq!((code, out.as_str()), (65, ""));
    for part in [
        "[sound.gate]: unexpected key 'ambiant'",
        "'ambient'",
        "foo: no such table; there are chain, pad, line, sound, source",
        "pad.kind: a key without a table",
        "faulty.levels:10: [line.a]: `volts`: found true, wanted a text, a number or a list",
        "faulty.levels:13: [line.b]: invalid value 'x'",
        "faulty.levels:5: [sound.gate]: unexpected key 'ambiant'",
        "faulty.levels:6: foo: ",
        "faulty.levels:8: pad.kind: ",
    ] {
        assert!(err.contains(part), "{part}: {err}");
    }
    assert_eq!(run(&[&scratch.file("empty.levels", "")]).0, 65);
    assert_eq!(run(&[&scratch.file("no.levels", "x =")]).0, 65);
    assert_eq!(run(&[&scratch.file("octets.levels", "\u{feff}\u{1}")]).0, 65);
    assert_eq!(run(&["/nonexistent.levels"]).0, 66);
    assert_eq!(run(&[scratch.0.join("").with_extension("").to_str().unwrap()]).0, 66);
}

#[test]
fn exit_codes() {
    let scratch = Scratch::new("codes");
    // A config that tells of no amplifier is told what to write.
    let (code, out, err) = run(&[&scratch.example("quayside-simple.toml")]);
    assert_eq!((code, out.as_str()), (65, ""));
    assert!(err.contains("[amplifiers.yard]"), "{err}");
    assert_eq!(run(&["/nonexistent.toml"]).0, 66);
    assert_eq!(
        run(&[source("tests/config/bad/amplifiers.toml").to_str().unwrap()]).0,
        78
    );
    for (arguments, part) in [
        (&["pad"][..], "--kind"),
        (&["pad", "--kind", "X"], "the kinds are"),
        (&["pad", "--kind", "T", "--loss", "10 V"], "the unit is dB"),
        (&["pad", "--kind", "T", "--loss", "-10 dB"], "without a minus"),
        (
            &["pad", "--kind", "T", "--loss", "10", "--impedance", "600 W"],
            "the units are ohm",
        ),
        (&["line", "--volts", "100"], "--taps"),
        (&["line", "--volts", "400", "--taps", "6W"], "5 V to 250 V"),
        (&["line", "--ohms", "8", "--power", "-10W"], "power is above 0"),
        (&["line", "--volts", "100", "--taps", "12"], "the unit"),
        (
            &["line", "--volts", "100", "--taps", "1x6W", "--length", "5m"],
            "--gauge",
        ),
        (&["chain", "--level", "0"], "write the unit"),
        (&["chain", "--pad", "10 dB T"], "the kinds are"),
        (
            &["sound", "--sensitivity", "90 W", "--power", "1", "--distance", "1"],
            "the units are dB",
        ),
        (&["source", "--open", "1"], "--loaded"),
    ] {
        let (code, out, err) = run(arguments);
        assert_eq!((code, out.as_str()), (64, ""), "{arguments:?}");
        assert!(err.contains(part), "{arguments:?}: {err}");
    }
    for (arguments, part) in [
        (&["pad", "--kind", "T"][..], "say its loss"),
        (&["pad", "--kind", "T", "--loss", "3", "--load", "150"], "at least"),
        (&["source", "--open", "1.1", "--loaded", "1.2"], "swap"),
        (&["convert", "10 dbm"], "dBm"),
        (&["convert", "0.5 mm"], "diameter"),
        (&["convert", "\u{1b}[31m"], "is no level"),
    ] {
        let (code, out, err) = run(arguments);
        assert_eq!((code, out.as_str()), (65, ""), "{arguments:?}");
        assert!(err.contains(part) && !err.contains('\u{1b}'), "{arguments:?}: {err}");
    }
}

#[test]
fn json() {
    let scratch = Scratch::new("json");
    let parse = |arguments: &[&str]| -> serde_json::Value {
        let (code, out, err) = run(arguments);
        assert_eq!((code, err.as_str()), (0, ""));
        assert_eq!(out.lines().count(), 1);
        serde_json::from_str(&out).unwrap()
    };
    let plan = parse(&["--json", &scratch.example("quayside-yard.toml")]);
    assert_eq!(plan[0]["zone"], "yard");
    assert_eq!(plan[0]["gain_db"], -1.0);
    assert_eq!(plan[0]["advice"]["verdict"], "fits");
    assert_eq!(plan[1]["kind"], "line");
    let pad = parse(&["pad", "--kind", "T", "--loss", "10dB", "--json"]);
    assert_eq!(pad["e96"]["resistors"][1]["ohm"], 422.0);
    // Computed: 309 and 422 ohm between 600 ohm and 600 ohm.
    assert!((pad["e96"]["loss_db"].as_f64().unwrap() - 9.957).abs() < 0.001);
    // 70 dB of loudspeaker in 90 dB of noise are 90.04 dB, told and reckoned as 91 dBA: 2 h by NIOSH's table.
    let heard = parse(&[
        "sound",
        "--sensitivity",
        "70",
        "--power",
        "1",
        "--distance",
        "1",
        "--ambient",
        "90",
        "--json",
    ]);
    assert_eq!(
        (&heard["exposure_dba"], &heard["niosh_hours"]),
        (&91.0.into(), &2.0.into())
    );
    for arguments in [
        &["line", "--volts", "100", "--taps", "6W", "--json"][..],
        &[
            "sound",
            "--sensitivity",
            "90",
            "--power",
            "1",
            "--distance",
            "1",
            "--json",
        ],
        &["source", "--open", "1.2", "--loaded", "1.1", "--json"],
        &["convert", "0 dBm", "--json"],
        &["chain", "--json"],
    ] {
        assert!(parse(arguments)["kind"].is_string());
    }
}

/// 240 random pads, exact and built, by a nodal solver in Python with numpy's linear algebra, and the tolerance's corners.
#[test]
#[ignore = "with peers: needs the Python side of the lab (numpy), which deploy/check makes"]
fn pads_by_another_solver() {
    let target = Path::new(env!("CARGO_TARGET_TMPDIR")).parent().unwrap();
    let python = target.join("lab-venv/bin/python");
    assert!(
        python.exists(),
        "{} is missing: run deploy/check once",
        python.display()
    );
    let mut solver = Command::new(python)
        .arg(source("tests/levels/nodal.py"))
        .arg(env!("CARGO_BIN_EXE_hornwire"))
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut said = String::new();
    std::io::Read::read_to_string(&mut solver.stdout.take().unwrap(), &mut said).unwrap();
    let _ = std::io::stdout().write_all(said.as_bytes());
    assert!(solver.wait().unwrap().success());
    assert!(said.contains("240 pads"), "{said}");
}
