//! What ALSA's two directions have in common: opening, formats, the library's own words.

use alsa::pcm::{Access, Format, Frames, HwParams, PCM};
use alsa::{Direction, Output, ValueOr};
use std::time::{Duration, Instant};

use super::news::Transfer;

use crate::sound::RATE;

/// Best first: whole numbers of 32 bits and floating point need no dither.
const FORMATS: [Kind; 3] = [Kind::S32, Kind::F32, Kind::S16];

/// How the device has its samples.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    S16,
    S32,
    F32,
}

impl Kind {
    fn format(self) -> Format {
        match self {
            Kind::S16 => Format::s16(),
            Kind::S32 => Format::s32(),
            Kind::F32 => Format::float(),
        }
    }

    pub fn octets(self) -> usize {
        match self {
            Kind::S16 => 2,
            Kind::S32 | Kind::F32 => 4,
        }
    }
}

/// What is wanted of a device at 48 kHz.
#[derive(Debug, Clone, Copy)]
pub struct Shape {
    pub direction: Direction,
    pub channels: usize,
    /// A wish, in frames.
    pub period: usize,
    /// A wish, in frames.
    pub buffer: usize,
}

/// An open device, not started.
pub struct Device {
    pub pcm: PCM,
    pub kind: Kind,
    pub period: usize,
    pub buffer: usize,
}

/// Keeps the library's complaints off stderr on this thread, until the next call; it says them itself otherwise.
pub fn hush_library() {
    let _ = Output::local_error_handler();
}

/// Runs `open`, and adds the library's own words to its error: they say more than its number.
pub fn with_complaints<T>(open: impl FnOnce() -> Result<T, String>) -> Result<T, String> {
    let complaints = Output::local_error_handler().ok();
    open().map_err(|cause| {
        let said = complaints.map(|c| c.borrow().to_string()).unwrap_or_default();
        match said.lines().rfind(|l| !l.trim().is_empty()) {
            Some(line) => format!("{cause} ({})", line.trim()),
            None => cause,
        }
    })
}

/// Why a device cannot be opened, in words for an installer.
pub fn refusal(error: &alsa::Error, direction: Direction) -> String {
    let lister = match direction {
        Direction::Playback => "aplay",
        Direction::Capture => "arecord",
    };
    match error.errno() {
        libc::ENOENT | libc::ENODEV | libc::ENXIO => format!("no such card; `{lister} -L` lists the names"),
        libc::EBUSY => "another program has it".to_owned(),
        libc::EACCES | libc::EPERM => "no permission: the user must be in the group audio".to_owned(),
        _ => error.to_string(),
    }
}

/// Opens a PCM by its ALSA name at 48 kHz, interleaved, never blocking: waiting is done with a limit.
///
/// # Errors
/// Why not, in words for an installer.
pub fn open(name: &str, shape: Shape) -> Result<Device, String> {
    let c_name = std::ffi::CString::new(name).map_err(|_| "the name holds a NUL".to_owned())?;
    let pcm = PCM::open(&c_name, shape.direction, true).map_err(|error| refusal(&error, shape.direction))?;
    let converts = if name.starts_with("hw:") {
        format!("; plug{name} converts")
    } else {
        String::new()
    };
    let channels = shape.channels;
    let kind = {
        let hw = HwParams::any(&pcm).map_err(|e| e.to_string())?;
        hw.set_access(Access::RWInterleaved)
            .map_err(|_| format!("no interleaved access{converts}"))?;
        let kind = FORMATS
            .into_iter()
            .find(|k| hw.test_format(k.format()).is_ok())
            .ok_or_else(|| format!("takes neither S32, FLOAT nor S16 samples{converts}"))?;
        hw.set_format(kind.format()).map_err(|e| e.to_string())?;
        hw.set_channels(channels as u32)
            .map_err(|_| format!("does not take {channels} channels{}{converts}", range(&hw)))?;
        hw.set_rate(RATE, ValueOr::Nearest)
            .map_err(|_| format!("does not take {RATE} Hz{converts}"))?;
        hw.set_period_size_near(shape.period as Frames, ValueOr::Nearest)
            .map_err(|e| e.to_string())?;
        hw.set_buffer_size_near(shape.buffer as Frames)
            .map_err(|e| e.to_string())?;
        pcm.hw_params(&hw).map_err(|e| e.to_string())?;
        kind
    };
    let (buffer, period) = pcm.get_params().map_err(|e| e.to_string())?;
    let (buffer, period) = (buffer as usize, period as usize);
    if period == 0 || buffer < 2 * period {
        return Err(format!(
            "a buffer of {buffer} frames with periods of {period} leaves no time{converts}"
        ));
    }
    Ok(Device {
        pcm,
        kind,
        period,
        buffer,
    })
}

/// A device that takes or gives nothing for this long is stuck.
const STUCK: Duration = Duration::from_secs(1);
/// Just started, it may take longer: a sound server's idle device wakes up in steps of 2 s.
const WAKING: Duration = Duration::from_secs(3);
/// Tries to wake a device after the machine slept, 50 ms apart.
const RESUMES: u32 = 10;
/// Xruns without one period in between; then the device is no use.
const MAX_XRUNS: u32 = 8;

/// How long to wait for a device, and how often to start it anew, while one period goes through.
pub struct Patience {
    direction: Direction,
    running: Duration,
    waking: bool,
    since: Instant,
    xruns: u32,
}

impl Patience {
    /// `period` in frames.
    pub fn new(direction: Direction, period: usize) -> Self {
        Patience {
            direction,
            running: STUCK.max(Duration::from_secs(2 * period as u64) / RATE),
            waking: true,
            since: Instant::now(),
            xruns: 0,
        }
    }

    /// Another period is to go through.
    pub fn begin(&mut self) {
        self.since = Instant::now();
        self.xruns = 0;
    }

    /// Some of it did.
    pub fn moved(&mut self) {
        self.since = Instant::now();
    }

    /// The device runs.
    pub fn awake(&mut self) {
        self.waking = false;
    }

    /// What the period met.
    pub fn outcome(&self) -> Transfer {
        if self.xruns > 0 { Transfer::Xrun } else { Transfer::Fine }
    }

    /// What to do about a transfer that `errno` cut short: wait until the device is ready, or `restart` it. True
    /// when it was started anew.
    ///
    /// # Errors
    /// When the device is gone, stuck, or fails again and again.
    pub fn wait_or_mend(
        &mut self,
        pcm: &PCM,
        errno: i32,
        restart: impl FnOnce() -> Result<(), String>,
    ) -> Result<bool, String> {
        let errno = match errno {
            libc::EAGAIN => match self.wait(pcm)? {
                0 => return Ok(false),
                errno => errno,
            },
            other => other,
        };
        match errno {
            libc::EINTR => return Ok(false),
            libc::ESTRPIPE if resume(pcm) => {}
            // Devices that cannot resume start afresh.
            libc::EPIPE | libc::ESTRPIPE => {
                restart()?;
                self.waking = true;
            }
            other => return Err(std::io::Error::from_raw_os_error(other).to_string()),
        }
        self.xruns += 1;
        if self.xruns > MAX_XRUNS {
            return Err(match self.direction {
                Direction::Playback => "it runs dry again and again".to_owned(),
                Direction::Capture => "it runs over again and again".to_owned(),
            });
        }
        Ok(true)
    }

    /// Waits until the device is ready, at most as long as it may take; 0, or the error number met.
    fn wait(&self, pcm: &PCM) -> Result<i32, String> {
        let most = if self.waking {
            WAKING.max(self.running)
        } else {
            self.running
        };
        let left = most.saturating_sub(self.since.elapsed());
        if left.is_zero() {
            let done = match self.direction {
                Direction::Playback => "taken",
                Direction::Capture => "given",
            };
            return Err(format!("it has {done} nothing for {} ms", most.as_millis()));
        }
        let before = Instant::now();
        match pcm.wait(Some(left.as_millis() as u32 + 1)) {
            // Ready, and yet nothing moved: don't spin.
            Ok(true) if before.elapsed() < Duration::from_micros(100) => {
                std::thread::sleep(Duration::from_millis(1));
                Ok(0)
            }
            Ok(_) => Ok(0),
            Err(e) if e.errno() == libc::EAGAIN => Ok(0),
            Err(e) => Ok(e.errno()),
        }
    }
}

/// Wakes a device after the machine slept, if it can be.
fn resume(pcm: &PCM) -> bool {
    (0..RESUMES).any(|_| match pcm.resume() {
        Err(e) if e.errno() == libc::EAGAIN => {
            std::thread::sleep(Duration::from_millis(50));
            false
        }
        result => result.is_ok(),
    })
}

/// The channels that a card takes, for the message.
fn range(hw: &HwParams) -> String {
    match (hw.get_channels_min(), hw.get_channels_max()) {
        (Ok(min), Ok(max)) if min == max => format!(", only {min}"),
        (Ok(min), Ok(max)) => format!(", only {min} to {max}"),
        _ => String::new(),
    }
}
