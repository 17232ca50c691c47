//! The daemon inside the test's own process, under a clock on the wall that the test sets.

use std::path::PathBuf;
use std::sync::{Arc, Mutex};

use hornwire::config::{self, plan::Plan};
use hornwire::daemon::{self, Edges, Moment};
use hornwire::device::net::World;
use hornwire::device::relay;
use hornwire::device::service::Service;
use hornwire::report::entry::Entry;
use hornwire::report::journal::Journal;
use tokio::sync::mpsc::{self, Receiver};

/// What the journal was told.
#[derive(Clone, Default)]
pub struct Notebook(Arc<Mutex<Vec<String>>>);

impl Notebook {
    pub fn lines(&self) -> Vec<String> {
        self.0.lock().unwrap().clone()
    }
}

impl Journal for Notebook {
    fn write(&mut self, entry: &Entry) {
        self.0.lock().unwrap().push(entry.text().to_owned());
    }
}

/// The plan of a config without problems, in which FOLDER stands for a folder of its own.
pub fn plan(name: &str, text: &str) -> (Plan, PathBuf) {
    let folder = std::env::temp_dir().join(format!("hornwire-{name}-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let text = text.replace("FOLDER", &folder.to_string_lossy());
    let loaded = config::check_text(&text, &folder.join("quayside.toml"), None);
    assert!(loaded.problems.is_empty(), "{:#?}", loaded.problems);
    (loaded.plan.unwrap(), folder)
}

/// What the plan needs, what it will tell, and what will have happened.
pub fn edges(plan: &Plan, wall: impl Fn() -> jiff::Timestamp + 'static) -> (Edges, Notebook, Receiver<Moment>) {
    let notebook = Notebook::default();
    let (moments, seen) = mpsc::channel(10_000);
    let edges = Edges {
        journal: Box::new(notebook.clone()),
        relays: relay::open(&plan.relays).unwrap(),
        sinks: plan.cards.iter().map(daemon::opener).collect(),
        sources: plan.captures.iter().map(daemon::source_opener).collect(),
        service: Service::from_environment(),
        seed: [7; 32],
        wall: Box::new(wall),
        ledger: None,
        rereads: mpsc::channel(1).1,
        world: World::System,
        moments: Some(moments),
    };
    (edges, notebook, seen)
}
