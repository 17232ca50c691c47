//! `hornwire demo`: the stage, the gateway on it, and what came of it.

use std::fmt;
use std::path::{Path, PathBuf};
use std::pin::pin;
use std::time::Duration;

use rand::Rng as _;
use tokio::sync::{mpsc, oneshot};

use super::peers::Log;
use super::recording::{Recordings, take_apart};
use super::{DemoError, Played, Stage, Timeline};
use crate::daemon::{self, Edges, Moment, What};
use crate::device::net::World;
use crate::device::relay::{self, Movement, SimulatedRelays};
use crate::device::service::Service;
use crate::page::{Phase, RelayId};
use crate::report::entry::Entry;
use crate::report::journal::Journal;
use crate::report::message::kind;

/// Moments that may wait; the scenario makes about a hundred in all.
const MAX_MOMENTS: usize = 1024;

/// What a demonstration came to.
#[derive(Debug, Clone)]
pub struct Outcome {
    pub timeline: Timeline,
    pub recordings: Recordings,
    pub config: PathBuf,
    /// The timeline as a file.
    pub story: PathBuf,
    /// What went otherwise than the scenario has it; empty when all is well.
    pub faults: Vec<String>,
}

/// Plays the whole job: takes about half a minute, and leaves its recordings in `directory`.
///
/// # Errors
/// [`DemoError`]: it could not be set up or played.
pub fn run(directory: &Path) -> Result<Outcome, DemoError> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|e| DemoError::Gateway(e.to_string()))?;
    runtime.block_on(show(directory))
}

async fn show(directory: &Path) -> Result<Outcome, DemoError> {
    let stage = Stage::set(directory).await?;
    let plan = &stage.plan;
    let relays = SimulatedRelays::new();
    let bank = relay::open_with(&plan.relays, &relays).map_err(|errors| {
        let texts: Vec<String> = errors.iter().map(ToString::to_string).collect();
        DemoError::Gateway(texts.join("; "))
    })?;
    let (moments, mut seen) = mpsc::channel(MAX_MOMENTS);
    let edges = Edges {
        journal: Box::new(Notebook(stage.log.clone())),
        relays: bank,
        sinks: plan.cards.iter().map(daemon::opener).collect(),
        sources: plan.captures.iter().map(daemon::source_opener).collect(),
        service: Service::from_environment(),
        seed: rand::rng().random(),
        wall: Box::new(jiff::Timestamp::now),
        ledger: None,
        rereads: mpsc::channel(1).1,
        world: World::System,
        moments: Some(moments),
    };
    let (stop, stopped) = oneshot::channel::<()>();
    let mut gateway = pin!(daemon::run(plan.clone(), edges, async {
        let _ = stopped.await;
    }));
    let played = tokio::select! {
        played = stage.play() => played,
        // It runs until it is told to stop; coming here means that it could not start.
        ended = &mut gateway => {
            let why = ended.err().map_or_else(|| "it stopped by itself".to_owned(), |e| e.to_string());
            return Err(DemoError::Gateway(why));
        }
    };
    drop(stop);
    gateway.await.map_err(|e| DemoError::Gateway(e.to_string()))?;
    let played = played?;
    let unregistered = stage.unregistered().await;
    while let Ok(moment) = seen.try_recv() {
        note(&stage, &moment);
    }

    let movements = relays.movements();
    let recordings = take_apart(plan, &stage.files, &movements)?;
    let mut faults = played.faults();
    if !unregistered {
        faults.push("both extensions should be unregistered at the end".to_owned());
    }
    faults.extend(relay_faults(&stage, &relays, &movements));
    faults.extend(sound_faults(&played, &recordings));

    let timeline = Timeline::new(plan, stage.log.notes(), &movements, &recordings);
    let story = stage.files.directory.join("timeline.txt");
    std::fs::write(&story, timeline.to_string()).map_err(|cause| DemoError::File {
        what: "cannot write",
        path: story.clone(),
        cause,
    })?;
    Ok(Outcome {
        timeline,
        recordings,
        config: stage.files.config.clone(),
        story,
        faults,
    })
}

/// Journal entries among the notes; the relays' movements come from the relays themselves.
struct Notebook(Log);

impl Journal for Notebook {
    fn write(&mut self, entry: &Entry) {
        if entry.kind() != kind::RELAY_MOVED {
            self.0.note("journal", entry.text());
        }
    }
}

/// Phases that nobody else tells of: seizing and coming to rest show in the relays.
fn note(stage: &Stage, moment: &Moment) {
    let What::Phase { zone, phase, page } = &moment.what else {
        return;
    };
    let what = match phase {
        Phase::Chime => "chime",
        Phase::Speech => "speech is heard",
        Phase::Tail => "last words",
        Phase::Rest | Phase::Seize => return,
    };
    let name = stage
        .plan
        .zones
        .get(usize::from(zone.0))
        .map_or("?", |z| z.name.as_str());
    let page = page.map(|p| format!(" (page {})", p.0)).unwrap_or_default();
    stage
        .log
        .add(moment.at, &format!("zone {name}"), format!("{what}{page}"));
}

fn relay_faults(stage: &Stage, relays: &SimulatedRelays, movements: &[Movement]) -> Vec<String> {
    let mut faults = Vec::new();
    for (i, relay) in stage.plan.relays.iter().enumerate() {
        let id = RelayId(u16::try_from(i).unwrap_or(u16::MAX));
        if relays.operated(id) {
            faults.push(format!("relay {} should be at rest at the end", relay.name));
        }
        if !movements.iter().any(|m| m.relay == id && m.operated) {
            faults.push(format!("relay {} should have operated", relay.name));
        }
    }
    faults
}

/// Each zone should have sounded for at least half of the time that somebody spoke to it.
fn sound_faults(played: &Played, recordings: &Recordings) -> Vec<String> {
    const PACKET: Duration = Duration::from_millis(20);
    let packets = |n: u64| PACKET * u32::try_from(n).unwrap_or(u32::MAX);
    let delivery = packets(played.delivery.packets_sent);
    let spoken = |zone: &str| match zone {
        "yard" => delivery + packets(played.closing.packets_sent) + packets(played.crane_packets),
        _ => delivery,
    };
    recordings
        .zones
        .iter()
        .filter(|zone| zone.audible() < spoken(&zone.zone) / 2)
        .map(|zone| {
            format!(
                "zone {} should have been audible for most of {:.1} s, but was for {:.1} s",
                zone.zone,
                spoken(&zone.zone).as_secs_f64(),
                zone.audible().as_secs_f64()
            )
        })
        .collect()
}

impl fmt::Display for Outcome {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{}", self.timeline)?;
        writeln!(f, "Listen to (mono WAV; voices and music are synthetic):")?;
        for zone in &self.recordings.zones {
            writeln!(f, "  {}", zone.loudspeaker.display())?;
            writeln!(
                f,
                "      what the {} hears: its music and the pages (loudspeaker simulated)",
                zone.zone
            )?;
            writeln!(f, "  {}", zone.line.display())?;
            writeln!(f, "      the line output of zone {} alone", zone.zone)?;
        }
        writeln!(f, "Read: {}", self.story.display())?;
        writeln!(f, "      {} (the config that was used)", self.config.display())?;
        if self.faults.is_empty() {
            return writeln!(f, "\nEverything went as it should.");
        }
        writeln!(f, "\nThis did not go as it should:")?;
        for fault in &self.faults {
            writeln!(f, "  - {fault}")?;
        }
        Ok(())
    }
}
