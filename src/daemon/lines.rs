//! Line inputs and what is captured for music: one thread for each device, a page for every opening of an input's gate.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use rtrb::Consumer;
use tokio::sync::Notify;

use super::control::Control;
use super::groups::Stream;
use super::pages::Page;
use crate::config::plan::Plan;
use crate::device::capture::{CaptureThread, Ear, OpenSource};
use crate::device::news::DeviceEvent;
use crate::media::{Codec, Format, Linear, Packet, PayloadMap, ReceiverFigures};
use crate::page::{EndReason, Input, PageId};
use crate::report::message::{LineMessage, Message};
use crate::sound::hum::Change;
use crate::sound::tap::{LINE_TYPE, LineHeard, LineTap, MusicTap};

/// Packets of one line input that may wait for the control task: what an opening brings at once (half a second), and a
/// stall as long again.
const LINE_QUEUE: usize = 256;
/// Taken from one line input at one go.
const BATCH: usize = 64;
/// Openings outside the hours are told again after this long.
const TELL_CLOSED: Duration = Duration::from_secs(600);

/// One capture device.
struct Device {
    name: String,
    /// Inputs and music that it carries, for people.
    serves: String,
    thread: CaptureThread,
    /// Since when it runs.
    up: Option<Instant>,
}

/// One line input.
struct Line {
    heard: Consumer<LineHeard>,
    /// Packets that found the queue full, in all and when the stream began.
    dropped: Arc<AtomicU64>,
    dropped_before: u64,
    stream: Stream,
    packets: u64,
    told_closed: Option<Instant>,
}

/// All capture devices and line inputs of the plan.
pub struct Lines {
    devices: Vec<Device>,
    lines: Vec<Line>,
    ready: Arc<Notify>,
}

/// All that listens to one device.
struct Taps {
    channels: usize,
    lines: Vec<LineTap>,
    music: Vec<MusicTap>,
}

impl Ear for Taps {
    fn hear(&mut self, frames: &[f32], at: Instant, now: Instant, gap: bool) {
        for tap in &mut self.lines {
            tap.hear(frames, self.channels, at, now, gap);
        }
        for tap in &mut self.music {
            tap.hear(frames, self.channels, at, gap);
        }
    }

    fn away(&mut self) {
        self.lines.iter_mut().for_each(LineTap::away);
        self.music.iter_mut().for_each(MusicTap::away);
    }
}

impl Lines {
    /// Starts one thread for each device. `music` holds a tap for each music of the plan.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn start(plan: &Plan, sources: Vec<OpenSource>, music: Vec<MusicTap>) -> std::io::Result<Self> {
        let ready = Arc::new(Notify::new());
        let mut taps: Vec<Taps> = plan
            .captures
            .iter()
            .map(|capture| Taps {
                channels: capture.channels,
                lines: Vec::new(),
                music: Vec::new(),
            })
            .collect();
        let mut lines = Vec::new();
        for input in &plan.inputs {
            let (queue, heard) = rtrb::RingBuffer::new(LINE_QUEUE);
            let dropped = Arc::new(AtomicU64::new(0));
            let wake = Arc::clone(&ready);
            let wake = Box::new(move || wake.notify_one());
            taps[input.capture].lines.push(LineTap::new(
                input.channel,
                input.vox,
                queue,
                Arc::clone(&dropped),
                wake,
            ));
            lines.push(Line {
                heard,
                dropped,
                dropped_before: 0,
                stream: Stream::Silent,
                packets: 0,
                told_closed: None,
            });
        }
        for (tap, settings) in music.into_iter().zip(&plan.music) {
            taps[settings.capture].music.push(tap);
        }
        let mut devices = Vec::new();
        for (index, ((capture, open), taps)) in plan.captures.iter().zip(sources).zip(taps).enumerate() {
            let name = capture.input.to_string();
            let thread = CaptureThread::spawn(&name, open, Box::new(taps))?;
            let serves = serves(plan, index);
            devices.push(Device {
                name,
                serves,
                thread,
                up: None,
            });
        }
        Ok(Lines { devices, lines, ready })
    }

    /// Returns when a line input has something.
    pub async fn ready(&self) {
        self.ready.notified().await;
    }

    /// Devices that are down, by name.
    pub fn down(&self) -> impl Iterator<Item = &str> {
        self.devices.iter().filter(|d| d.up.is_none()).map(|d| d.name.as_str())
    }

    /// Every device by name, and whether it works.
    pub fn states(&self) -> impl Iterator<Item = (&str, bool)> {
        self.devices.iter().map(|d| (d.name.as_str(), d.up.is_some()))
    }

    /// The device has run for so long.
    pub fn runs_for(&self, capture: usize, time: Duration, now: Instant) -> bool {
        let up = self.devices[capture].up;
        up.is_some_and(|since| now.saturating_duration_since(since) >= time)
    }

    /// The next change of any device.
    fn event(&mut self) -> Option<(usize, DeviceEvent)> {
        self.devices
            .iter_mut()
            .enumerate()
            .find_map(|(i, device)| Some((i, device.thread.event()?)))
    }

    /// The input's page is over while it still sounds.
    pub fn spend(&mut self, index: usize, page: PageId) {
        let stream = &mut self.lines[index].stream;
        if *stream == Stream::Page(page) {
            *stream = Stream::Spent;
        }
    }

    /// The page is the input's present one.
    pub fn has(&self, index: usize, page: PageId) -> bool {
        self.lines[index].stream == Stream::Page(page)
    }

    /// What came of the stream that is on.
    pub fn reception(&self, index: usize) -> ReceiverFigures {
        let line = &self.lines[index];
        ReceiverFigures {
            packets: line.packets,
            lost: line.dropped.load(Ordering::Relaxed) - line.dropped_before,
            ..ReceiverFigures::default()
        }
    }
}

/// `music yard-music, line input workshop`.
fn serves(plan: &Plan, capture: usize) -> String {
    let inputs = plan.inputs.iter().filter(|i| i.capture == capture);
    let music = plan.music.iter().filter(|m| m.capture == capture);
    let inputs = inputs.map(|i| format!("line input {}", i.name));
    let all: Vec<String> = inputs.chain(music.map(|m| format!("music {}", m.name))).collect();
    all.join(", ")
}

/// What a line input's packets are.
pub fn payload_map() -> PayloadMap {
    let linear = Linear::new(crate::sound::RATE, 1).map(|l| Format::Audio(Codec::L16(l)));
    linear.map_or_else(PayloadMap::new, |format| PayloadMap::new().with(LINE_TYPE, format))
}

impl Control {
    /// Takes what the line inputs have.
    pub(super) fn on_lines(&mut self, now: Instant) {
        for index in 0..self.lines.lines.len() {
            for _ in 0..BATCH {
                match self.lines.lines[index].heard.pop() {
                    Ok(LineHeard::Packet(line)) => {
                        if let Some(packet) = line.packet() {
                            self.on_line_packet(index, &packet, now);
                        }
                    }
                    Ok(LineHeard::Ended) => self.line_ended(index, now),
                    Ok(LineHeard::Hum(change)) => self.line_hums(index, change),
                    Err(_) => break,
                }
            }
            if !self.lines.lines[index].heard.is_empty() {
                self.lines.ready.notify_one();
            }
        }
    }

    fn on_line_packet(&mut self, index: usize, packet: &Packet, now: Instant) {
        if self.lines.lines[index].stream == Stream::Silent {
            self.bid_for_line(index, now);
            self.settle(now);
        }
        self.lines.lines[index].packets += 1;
        let Stream::Page(page) = self.lines.lines[index].stream else {
            return;
        };
        if self.pages.get_mut(&page).is_some_and(|entry| !entry.feed(packet)) {
            self.no_room(page, now);
        }
        self.switchboard.handle(Input::Packet(page), now);
    }

    fn bid_for_line(&mut self, index: usize, now: Instant) {
        let line = &mut self.lines.lines[index];
        line.packets = 0;
        line.dropped_before = line.dropped.load(Ordering::Relaxed);
        if !self.line_hours(index, now) {
            self.lines.lines[index].stream = Stream::Spent;
            return;
        }
        let page = self.new_page();
        let mut entry = Page::of_line(index, &self.plan, self.clock.shows());
        entry.codec = payload_map().audio().map(|(_, codec)| codec.name());
        self.lines.lines[index].stream = Stream::Page(page);
        self.bid(page, entry, now);
    }

    /// Whether the input may speak now.
    fn line_hours(&mut self, index: usize, now: Instant) -> bool {
        if self.plan.inputs[index].hours.0.is_empty() {
            return true;
        }
        let local = self.local_time();
        if local.is_none_or(|at| self.plan.inputs[index].hours.is_open(at)) {
            return true;
        }
        let told = &mut self.lines.lines[index].told_closed;
        if told.is_none_or(|told| now.saturating_duration_since(told) >= TELL_CLOSED) {
            *told = Some(now);
            let input = self.plan.inputs[index].name.clone();
            self.tell(Message::Line(LineMessage::NotHeard { input }));
        }
        false
    }

    fn line_hums(&mut self, index: usize, change: Change) {
        let input = self.plan.inputs[index].name.clone();
        let message = match change {
            Change::Begins(hum) => LineMessage::Hums { input, hum },
            Change::Ends => LineMessage::HumGone { input },
        };
        self.tell(Message::Line(message));
    }

    fn line_ended(&mut self, index: usize, now: Instant) {
        let stream = std::mem::replace(&mut self.lines.lines[index].stream, Stream::Silent);
        if let Stream::Page(page) = stream {
            let reception = self.lines.reception(index);
            if let Some(entry) = self.pages.get_mut(&page) {
                entry.reception = reception;
            }
            self.switchboard
                .handle(Input::SourceEnded(page, EndReason::StreamEnded), now);
            self.settle(now);
        }
    }

    /// Tells what happened to the devices.
    pub(super) fn capture_events(&mut self, now: Instant) {
        while let Some((index, event)) = self.lines.event() {
            let device = &mut self.lines.devices[index];
            let (name, serves) = (device.name.clone(), device.serves.clone());
            let message = match event {
                DeviceEvent::Opened { real_time } => {
                    device.up = Some(now);
                    LineMessage::Opened {
                        device: name,
                        serves,
                        real_time,
                    }
                }
                DeviceEvent::Lost(cause) => {
                    device.up = None;
                    LineMessage::Lost {
                        device: name,
                        serves,
                        cause,
                    }
                }
                DeviceEvent::Xruns(count) => LineMessage::Xruns {
                    device: name,
                    count: count.into(),
                },
            };
            self.tell(Message::Line(message));
            self.settle(now);
        }
    }
}
