//! `hornwire manual`: the manual pages hornwire(1) and hornwire.toml(5), and the completions of the shells, from what
//! `--help` and the key reference come from.

use std::fs::{self, File};
use std::io::{self, Write as _};
use std::path::Path;

use clap::CommandFactory as _;
use clap_complete::{Shell, generate};
use hornwire::config::{self, Block};
use roff::{Inline, Roff, bold, italic, roman};

use super::Exit;
use super::arguments::Arguments;

pub fn run(directory: &Path) -> Exit {
    match write(directory) {
        Ok(()) => Exit::Ok,
        Err(error) => {
            let _ = writeln!(io::stderr(), "hornwire: {}: {error}", directory.display());
            Exit::CannotCreate
        }
    }
}

fn write(directory: &Path) -> io::Result<()> {
    fs::create_dir_all(directory)?;
    let file = |name: &str| File::create(directory.join(name));
    file("hornwire.1")?.write_all(program().as_bytes())?;
    file("hornwire.toml.5")?.write_all(config_file().as_bytes())?;
    for (shell, name) in [
        (Shell::Bash, "hornwire.bash"),
        (Shell::Zsh, "_hornwire"),
        (Shell::Fish, "hornwire.fish"),
    ] {
        let mut text = Vec::new();
        generate(shell, &mut Arguments::command(), "hornwire", &mut text);
        file(name)?.write_all(&text)?;
    }
    Ok(())
}

const FILES: [(&str, &str); 6] = [
    ("/etc/hornwire/hornwire.toml", "The config file: hornwire.toml(5)."),
    (
        "/etc/hornwire/hornwire.toml.d/*.toml",
        "What this board has of its own, beside a config file that many share.",
    ),
    (
        "/etc/hornwire/secrets.toml",
        "Passwords, for `credential = \"secrets\"`: root's alone, handed over by the service manager.",
    ),
    (
        "/run/hornwire/control.sock",
        "The socket of the local command: root's and the group hornwire's.",
    ),
    (
        "/usr/lib/systemd/catalog/hornwire.catalog",
        "What each journal message means, and what to do: `journalctl -x`.",
    ),
    (
        "/usr/share/doc/hornwire/",
        "The guide for boards, the README, examples.",
    ),
];

const CAUTIONS: &str = "Hornwire is not a life-safety system: it is not listed for fire, evacuation or mass notification. Mains, amplifiers \
     and 70 or 100 V loudspeaker lines can injure: work de-energised, and by the local electrical code. Loudspeakers can damage hearing: \
     start low.";

/// hornwire(1).
fn program() -> String {
    let mut command = Arguments::command();
    command.build();
    let mut page = titled("HORNWIRE", "1", "hornwire", &told(command.get_about()));
    page.control("SH", ["SYNOPSIS"]);
    page.text([
        bold("hornwire"),
        roman(" "),
        italic("COMMAND"),
        roman(" [argument ...]"),
    ]);
    page.control("SH", ["DESCRIPTION"]);
    prose(
        &mut page,
        "The gateway runs as the service hornwire.service. It is set up in one config file, hornwire.toml(5), and watched through the \
         journal. The other commands are for whoever installs it and looks after it.",
    );
    page.control("SH", ["COMMANDS"]);
    commands(&mut page, &command, "hornwire");
    page.control("SH", ["EXIT STATUS"]);
    after(&mut page, &told(command.get_after_help()));
    page.control("SH", ["SIGNALS"]);
    prose(&mut page, "To `hornwire run`:");
    item(
        &mut page,
        vec![bold("SIGTERM, SIGINT")],
        "Calls are hung up, extensions unregistered, relays put to rest; then it ends.",
    );
    item(
        &mut page,
        vec![bold("SIGHUP")],
        "The config is read again (systemctl reload). With a terminal: it ends in order.",
    );
    page.control("SH", ["FILES"]);
    for (file, about) in FILES {
        item(&mut page, vec![italic(file)], about);
    }
    page.control("SH", ["CAUTIONS"]);
    prose(&mut page, CAUTIONS);
    page.control("SH", ["SEE ALSO"]);
    prose(
        &mut page,
        "hornwire.toml(5), journalctl(1), systemctl(1), aplay(1), alsamixer(1), gpioinfo(1)",
    );
    page.render()
}

/// The commands of a command, each with its own below it.
fn commands(page: &mut Roff, of: &clap::Command, before: &str) {
    for command in of
        .get_subcommands()
        .filter(|c| !c.is_hide_set() && c.get_name() != "help")
    {
        let name = format!("{before} {}", command.get_name());
        page.control("SS", [name.as_str()]);
        synopsis(page, command, &name);
        prose(page, &sentence(command.get_about()));
        let arguments = command
            .get_arguments()
            .filter(|a| !a.is_hide_set() && a.get_id() != "help");
        for argument in arguments {
            item(page, label(argument), &sentence(argument.get_help()));
            let defaults = argument.get_default_values();
            if let (true, [default]) = (argument.get_action().takes_values(), defaults) {
                page.text([roman("Default: "), bold(default.to_string_lossy()), roman(".")]);
            }
        }
        after(page, &told(command.get_after_help()));
        commands(page, command, &name);
    }
}

/// hornwire.toml(5).
fn config_file() -> String {
    let mut page = titled(
        "HORNWIRE.TOML",
        "5",
        "hornwire.toml",
        "config file of the paging gateway hornwire(1)",
    );
    let mut blocks = config::blocks().into_iter();
    // What the first part is called, and says of itself, is said here in the page's own way.
    let _ = blocks.by_ref().nth(1);
    page.control("SH", ["DESCRIPTION"]);
    prose(
        &mut page,
        "The config file of hornwire(1), `/etc/hornwire/hornwire.toml` where nothing else is said. It is TOML. `NAME` is a name of your \
         choice: 1 to 32 letters, digits, `-` and `_`. Times have a unit: `ms`, `s`, `min`, `h`. Files `*.toml` in the folder of the \
         same name with `.d` behind it are read after it, by their names: what one board of many has of its own. A key there takes the place \
         of the same key before. `hornwire check` tells every problem of the files, each with its line and a hint.",
    );
    for block in blocks {
        match block {
            Block::Part(name) => drop(page.control("SH", [name.to_uppercase().as_str()])),
            Block::Table(name) => drop(page.control("SS", [name.as_str()])),
            Block::Text(text) => prose(&mut page, &text),
            Block::Item(term, texts) => {
                item(&mut page, inlines(&term), &texts.join(" "));
            }
        }
    }
    page.control("SH", ["FILES"]);
    for (file, about) in &FILES[..3] {
        item(&mut page, vec![italic(*file)], about);
    }
    page.control("SH", ["SEE ALSO"]);
    prose(&mut page, "hornwire(1)");
    page.render()
}

fn titled(title: &str, section: &str, name: &str, about: &str) -> Roff {
    let mut page = Roff::new();
    let version = concat!("hornwire ", env!("CARGO_PKG_VERSION"));
    page.control("TH", [title, section, "", version, ""]);
    page.control("SH", ["NAME"]);
    let about = about.trim_end_matches('.');
    let mut letters = about.chars();
    let first = letters.next().map(|c| c.to_lowercase().to_string()).unwrap_or_default();
    page.text([roman(format!("{name} - {first}{}", letters.as_str()))]);
    page
}

fn told(text: Option<&clap::builder::StyledStr>) -> String {
    text.map(ToString::to_string).unwrap_or_default()
}

/// With the full stop that `--help` leaves out.
fn sentence(text: Option<&clap::builder::StyledStr>) -> String {
    let text = told(text);
    match text.ends_with(char::is_alphanumeric) {
        true => text + ".",
        false => text,
    }
}

/// Words in backquotes become bold.
fn inlines(text: &str) -> Vec<Inline> {
    let parts = text.split('`').enumerate();
    parts
        .filter(|(_, part)| !part.is_empty())
        .map(|(i, part)| if i % 2 == 1 { bold(part) } else { roman(part) })
        .collect()
}

fn prose(page: &mut Roff, text: &str) {
    page.control("PP", []);
    page.text(inlines(text));
}

fn item(page: &mut Roff, label: Vec<Inline>, text: &str) {
    page.control("TP", []);
    page.text(label);
    page.text(inlines(text));
}

fn synopsis(page: &mut Roff, command: &clap::Command, name: &str) {
    let mut line = vec![bold(name)];
    for argument in command
        .get_arguments()
        .filter(|a| !a.is_hide_set() && a.get_id() != "help")
    {
        let (open, close) = if argument.is_required_set() {
            (" ", "")
        } else {
            (" [", "]")
        };
        line.push(roman(open));
        line.extend(label(argument));
        line.push(roman(close));
    }
    page.control("PP", []);
    page.text(line);
}

/// `--zone NAME`, `FILE`.
fn label(argument: &clap::Arg) -> Vec<Inline> {
    let mut label = Vec::new();
    if let Some(long) = argument.get_long() {
        label.push(bold(format!("--{long}")));
    }
    if argument.get_action().takes_values() {
        for name in argument.get_value_names().unwrap_or_default() {
            if !label.is_empty() {
                label.push(roman(" "));
            }
            label.push(italic(name.as_str()));
        }
    }
    label
}

/// Paragraphs; lines that are set in stay lines.
fn after(page: &mut Roff, text: &str) {
    for paragraph in text.split("\n\n") {
        page.control("PP", []);
        let mut verbatim = false;
        for line in paragraph.lines() {
            let set_in = line.starts_with("  ");
            if set_in != verbatim {
                page.control(if set_in { "nf" } else { "fi" }, []);
                verbatim = set_in;
            }
            match set_in {
                true => page.text([roman(line)]),
                false => page.text(inlines(line)),
            };
        }
        if verbatim {
            page.control("fi", []);
        }
    }
}
