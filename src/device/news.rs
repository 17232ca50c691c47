//! What a sound device tells of itself: why it cannot go on, and what its thread reports to the control task.

use std::time::{Duration, Instant};

use rtrb::{Consumer, Producer};

/// Why a sink or source cannot go on; its thread closes it and opens it anew.
#[derive(Debug, thiserror::Error)]
pub enum DeviceError {
    #[error("cannot open {device}: {cause}")]
    Open { device: String, cause: String },
    #[error("{device} stopped: {cause}")]
    Lost { device: String, cause: String },
}

/// What one write or read met.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Transfer {
    Fine,
    /// The device ran dry, or over, and was started again: what an input captured before these frames is lost.
    Xrun,
}

impl DeviceError {
    pub fn open(device: impl Into<String>, cause: impl ToString) -> Self {
        DeviceError::Open {
            device: device.into(),
            cause: cause.to_string(),
        }
    }

    pub fn lost(device: impl Into<String>, cause: impl ToString) -> Self {
        DeviceError::Lost {
            device: device.into(),
            cause: cause.to_string(),
        }
    }
}

/// What happened to a device.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum DeviceEvent {
    /// The device runs. `real_time`: its thread has the system's real-time scheduling.
    Opened { real_time: bool },
    /// The device is gone or could not be opened, and why. Told again only when the cause changes.
    Lost(String),
    /// The device ran dry, or over, so many times in about one second.
    Xruns(u32),
}

/// Events kept for the control task.
const EVENTS: usize = 64;
/// Xruns are told once in this time.
const BURST: Duration = Duration::from_secs(1);

/// A device's events, each told as often as it is worth. Does not allocate but in [`News::lost`].
pub struct News {
    events: Producer<DeviceEvent>,
    /// The cause told last, while the device is away.
    told: Option<String>,
    xruns: u32,
    burst: Option<Instant>,
}

impl News {
    pub fn new() -> (News, Consumer<DeviceEvent>) {
        let (events, read) = rtrb::RingBuffer::new(EVENTS);
        let news = News {
            events,
            told: None,
            xruns: 0,
            burst: None,
        };
        (news, read)
    }

    pub fn opened(&mut self, real_time: bool) {
        self.told = None;
        self.tell(DeviceEvent::Opened { real_time });
    }

    pub fn lost(&mut self, cause: String) {
        if self.told.as_ref() != Some(&cause) {
            self.tell(DeviceEvent::Lost(cause.clone()));
            self.told = Some(cause);
        }
    }

    pub fn xrun(&mut self) {
        self.xruns = self.xruns.saturating_add(1);
    }

    /// The first xrun is told at once, those after it once a second.
    pub fn tell_xruns(&mut self) {
        if self.xruns == 0 || self.burst.is_some_and(|b| b.elapsed() < BURST) {
            return;
        }
        self.burst = Some(Instant::now());
        let count = std::mem::take(&mut self.xruns);
        self.tell(DeviceEvent::Xruns(count));
    }

    fn tell(&mut self, event: DeviceEvent) {
        // A control task that does not read 64 events is past caring for the 65th.
        let _ = self.events.push(event);
    }
}
