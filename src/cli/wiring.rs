//! `hornwire wiring`.

use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};
use hornwire::bench::wiring::{self, Board, End, Sheet};
use hornwire::config;
use serde_json::{Value, json};

use super::Exit;

/// Longest text that stands in the title block.
const MAX_DATE: usize = 24;

#[derive(Debug, Args)]
pub struct Wishes {
    /// The config file.
    #[arg(default_value = config::DEFAULT_FILE, value_name = "FILE")]
    config: PathBuf,
    /// Draw it as SVG; where it takes several sheets, into NAME-1.svg, NAME-2.svg and so on.
    #[arg(short, long, value_name = "NAME.svg")]
    output: Option<PathBuf>,
    /// Stands in the title block as you write it.
    #[arg(long, value_name = "DATE")]
    date: Option<String>,
    /// Where the board's lines come out; else it is guessed from the lines of the config.
    #[arg(long, value_name = "KIND")]
    header: Option<Header>,
    /// Parts and wires for programs.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum Header {
    /// The 40 pins of a Raspberry Pi.
    #[value(name = "40-pin")]
    FortyPin,
    /// Another one: only chip and line are told.
    Other,
}

impl Header {
    pub fn board(self) -> Board {
        match self {
            Header::FortyPin => Board::FortyPin,
            Header::Other => Board::Other,
        }
    }
}

pub fn run(wishes: &Wishes) -> Exit {
    let date = wishes.date.as_deref().map(str::trim).filter(|date| !date.is_empty());
    if let Some(date) = date.filter(|date| date.chars().count() > MAX_DATE || date.chars().any(char::is_control)) {
        let _ = writeln!(
            io::stderr(),
            "hornwire: --date {date:?} does not fit into the title block: at most {MAX_DATE} characters, such as 2027-03-02"
        );
        return Exit::Usage;
    }
    if let Some(output) = &wishes.output
        && !output
            .extension()
            .is_some_and(|ending| ending.eq_ignore_ascii_case("svg"))
    {
        let _ = writeln!(
            io::stderr(),
            "hornwire: --output {:?}: the sheets are drawn as SVG; wanted a name that ends in .svg. A browser, or rsvg-convert, makes PDF of them",
            output.display().to_string()
        );
        return Exit::Usage;
    }
    let plan = match super::plan(&wishes.config) {
        Ok(loaded) => loaded,
        Err(exit) => return exit,
    };
    let plan = &plan;
    let board = wishes.header.map_or_else(|| Board::guessed(plan), Header::board);
    let sheet = wiring::sheet(plan, board, date);
    let mut drawn = Vec::new();
    if let Some(output) = &wishes.output {
        match write(&sheet, output) {
            Ok(paths) => drawn = paths,
            Err((path, error)) => {
                let _ = writeln!(io::stderr(), "hornwire: {}: {error}", path.display());
                return Exit::CannotCreate;
            }
        }
    }
    let text = match (wishes.json, &wishes.output) {
        (true, _) => format!("{}\n", as_json(&sheet, &drawn)),
        (false, Some(_)) => drawn.iter().map(|path| format!("{}\n", path.display())).collect(),
        (false, None) => sheet.to_string(),
    };
    let _ = io::stdout().write_all(text.as_bytes());
    Exit::Ok
}

/// Where the sheets went.
fn write(sheet: &Sheet, output: &Path) -> Result<Vec<PathBuf>, (PathBuf, io::Error)> {
    let sheets = wiring::draw(sheet);
    let of = sheets.len();
    let mut paths = Vec::new();
    for (i, svg) in sheets.iter().enumerate() {
        let path = if of == 1 {
            output.to_owned()
        } else {
            numbered(output, i + 1)
        };
        std::fs::write(&path, svg).map_err(|error| (path.clone(), error))?;
        paths.push(path);
    }
    Ok(paths)
}

/// `wiring.svg` to `wiring-2.svg`.
fn numbered(path: &Path, n: usize) -> PathBuf {
    let mut name = path.file_stem().unwrap_or_default().to_owned();
    name.push(format!("-{n}"));
    if let Some(extension) = path.extension() {
        name.push(".");
        name.push(extension);
    }
    path.with_file_name(name)
}

fn as_json(sheet: &Sheet, drawn: &[PathBuf]) -> Value {
    let parts = sheet.parts.iter().map(|part| {
        json!({
            "part": part.tag, "kind": part.kind.name(), "name": part.name, "about": part.about, "terminals": part.terminals,
        })
    });
    let end = |end: End| json!({ "part": sheet.part(end.part).tag, "terminal": sheet.terminal(end) });
    let wires = sheet.wires.iter().enumerate().map(|(i, wire)| {
        json!({
            "wire": i + 1, "from": end(wire.from), "to": end(wire.to), "conductor": wire.conductor, "remark": wire.remark,
        })
    });
    json!({
        "site": sheet.site,
        "date": sheet.date,
        "parts": parts.collect::<Vec<_>>(),
        "wires": wires.collect::<Vec<_>>(),
        "at_rest": sheet.states,
        "assumed": sheet.assumed,
        "look": sheet.look,
        "cautions": wiring::CAUTIONS,
        "sheets": drawn.iter().map(|path| path.display().to_string()).collect::<Vec<_>>(),
    })
}
