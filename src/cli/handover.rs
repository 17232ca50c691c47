//! `hornwire handover`: the record sheet and the page for the wall.

use std::fs;
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use clap::Args;
use hornwire::bench::handover::{self, Document, Paper, Particulars, html, markdown};
use hornwire::bench::logbook::Standing;
use hornwire::bench::logbook::{self, Outcome};
use hornwire::bench::wiring::Board;
use hornwire::config;
use hornwire::config::plan::{Plan, Speaker};
use hornwire::page::ZoneId;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde_json::{Value, json};

use super::logbook::Logbook;
use super::wiring::Header;
use super::{Exit, complain};

/// Longest text of a flag, characters: it stands in one cell.
const MAX_TEXT: usize = 80;

#[derive(Debug, Args)]
pub struct Wishes {
    /// The config file.
    #[arg(default_value = config::DEFAULT_FILE, value_name = "CONFIG")]
    config: PathBuf,
    /// Where the documents go; made if it is not there. Files of their names in it are written over.
    #[arg(short, long, value_name = "DIR", default_value = "hornwire-handover")]
    output: PathBuf,
    /// The logbook; else the one beside the config.
    #[arg(long, value_name = "FILE")]
    logbook: Option<PathBuf>,
    /// The day of the hand-over; else today.
    #[arg(long, value_name = "DATE")]
    date: Option<String>,
    /// The customer; what is not told is left blank, to be written in by hand.
    #[arg(long, value_name = "NAME")]
    customer: Option<String>,
    /// Address of the site.
    #[arg(long, value_name = "TEXT")]
    address: Option<String>,
    /// Who installed it, and looks after it.
    #[arg(long, value_name = "NAME")]
    installer: Option<String>,
    /// Telephone number of the installer.
    #[arg(long, value_name = "NUMBER")]
    phone: Option<String>,
    /// Where the board's lines come out; else it is guessed from the lines of the config.
    #[arg(long, value_name = "KIND")]
    header: Option<Header>,
    /// Print what is known as one line of JSON; the documents are written all the same.
    #[arg(long)]
    json: bool,
}

pub fn run(wishes: &Wishes) -> Exit {
    let flags = [
        ("--date", &wishes.date),
        ("--customer", &wishes.customer),
        ("--address", &wishes.address),
        ("--installer", &wishes.installer),
        ("--phone", &wishes.phone),
    ];
    for (flag, text) in flags.iter().filter_map(|(flag, text)| Some((flag, text.as_ref()?))) {
        if text.chars().count() > MAX_TEXT || text.chars().any(char::is_control) || text.trim().is_empty() {
            complain(&format!(
                "{flag} {text:?}: wanted is a text of 1 to {MAX_TEXT} characters on one line; leave the flag out to write it in by hand"
            ));
            return Exit::Usage;
        }
    }
    let (plan, site) = match super::plan_and_site(&wishes.config) {
        Ok(loaded) => loaded,
        Err(exit) => return exit,
    };
    let plan = &plan;
    let (outcomes, unread) = match Logbook::of(wishes.logbook.as_deref(), &wishes.config).read() {
        Ok(book) => book,
        Err(exit) => return exit,
    };
    let given = particulars(wishes, plan, &site, unread);
    let documents = [
        ("handover", handover::record(plan, &outcomes, &given)),
        ("wall", handover::wall(plan, &given)),
    ];
    let written = match write(&wishes.output, &documents) {
        Ok(written) => written,
        Err((path, error)) => {
            complain(&format!("{}: {error}", path.display()));
            return Exit::CannotCreate;
        }
    };
    let text = match wishes.json {
        true => format!("{}\n", as_json(plan, &outcomes, &given, &written)),
        false => written.iter().map(|path| format!("{}\n", path.display())).collect(),
    };
    let _ = io::stdout().write_all(text.as_bytes());
    Exit::Ok
}

#[expect(clippy::disallowed_methods, reason = "the day on which it is handed over")]
fn particulars(wishes: &Wishes, plan: &Plan, site: &[PathBuf], unread: usize) -> Particulars {
    let zone = TimeZone::system();
    let day = |moment: Timestamp| zone.to_datetime(moment).date().to_string();
    let files = std::iter::once(&wishes.config).chain(site);
    let changed = files
        .filter_map(|path| fs::metadata(path).and_then(|about| about.modified()).ok())
        .filter_map(|at| Timestamp::try_from(at).ok())
        .max();
    let name = wishes.config.file_name().unwrap_or_default();
    let text = |text: &Option<String>| text.as_deref().map(|text| text.trim().to_owned());
    Particulars {
        date: text(&wishes.date).unwrap_or_else(|| day(Timestamp::now())),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        config: name.to_string_lossy().into_owned(),
        changed: changed.map(day),
        customer: text(&wishes.customer),
        address: text(&wishes.address),
        installer: text(&wishes.installer),
        phone: text(&wishes.phone),
        board: wishes.header.map_or_else(|| Board::guessed(plan), Header::board),
        unread,
    }
}

/// Where they went.
fn write(folder: &Path, documents: &[(&str, Document)]) -> Result<Vec<PathBuf>, (PathBuf, io::Error)> {
    fs::create_dir_all(folder).map_err(|error| (folder.to_owned(), error))?;
    let mut written = Vec::new();
    for (name, document) in documents {
        for (ending, text) in [("html", html(document)), ("md", markdown(document))] {
            let path = folder.join(format!("{name}.{ending}"));
            fs::write(&path, text).map_err(|error| (path.clone(), error))?;
            written.push(path);
        }
    }
    Ok(written)
}

fn as_json(plan: &Plan, outcomes: &[Outcome], given: &Particulars, written: &[PathBuf]) -> Value {
    let zones = |zones: &[ZoneId]| -> Vec<&str> {
        let zone = |id: &ZoneId| plan.zones.get(usize::from(id.0)).map(|zone| zone.name.as_str());
        zones.iter().filter_map(zone).collect()
    };
    let mut ways = handover::calls(plan);
    ways.extend(handover::others(plan));
    let ways = ways
        .iter()
        .map(|way| json!({ "do": way.what, "zones": zones(&way.zones), "code": way.code }));
    let sources = plan
        .speakers()
        .filter(|speaker| *speaker != Speaker::Local)
        .map(|speaker| {
            let paging = speaker.paging(plan);
            json!({ "name": speaker.name(plan), "zones": zones(&paging.zones), "priority": paging.priority.0 })
        });
    let things = handover::things(plan, outcomes);
    let tried = things
        .iter()
        .map(|thing| json!({ "kind": thing.kind.name(), "name": thing.name, "standing": thing.standing.name() }));
    let size = match handover::wall(plan, given).paper {
        Paper::Wall(size) => Some(size),
        Paper::Record => None,
    };
    json!({
        "site": plan.site,
        "date": given.date,
        "version": given.version,
        "config": given.config,
        "config_changed": given.changed,
        "customer": given.customer,
        "address": given.address,
        "installer": given.installer,
        "phone": given.phone,
        "zones": plan.zones.iter().map(|zone| &zone.name).collect::<Vec<_>>(),
        "sources": sources.collect::<Vec<_>>(),
        "ways": ways.collect::<Vec<_>>(),
        "codes": plan.codes.iter().map(|code| &code.name).collect::<Vec<_>>(),
        "tried": tried.collect::<Vec<_>>(),
        "not_tried": things.iter().filter(|thing| thing.standing == Standing::NotTried).count(),
        "outcomes": logbook::latest(outcomes).iter().map(|outcome| outcome.json()).collect::<Vec<_>>(),
        "unread_lines": given.unread,
        "wall_letters_pt": size,
        "written": written.iter().map(|path| path.display().to_string()).collect::<Vec<_>>(),
    })
}
