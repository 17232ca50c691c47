//! Relay outputs: GPIO character device, Raspberry Pi, simulated.
//!
//! Rest means de-energised: the music plays and the amplifier idles, as after loss of power. Every relay is put to
//! rest when the board is opened, when it is dropped (a panic that unwinds included) and by [`rest_all`].
//!
//! What a killed process leaves behind: the kernel releases its GPIO lines, and each chip's driver decides whether
//! a released output goes back to an input or keeps its level. A relay may so stay operated. The service unit
//! therefore runs the command behind [`rest_all`] as `ExecStopPost=`, which systemd does after every end of the
//! service, a kill and a watchdog time-out included.

use crate::config::plan::{Relay, RelayLine};
use crate::page::RelayId;

mod gpio;
mod pi;
mod simulated;
#[cfg(test)]
mod tests;

pub use simulated::{MAX_MOVEMENTS, Movement, SimulatedRelays};

/// A relay line could not be claimed or set.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("relay {relay}: {line}: {cause}")]
pub struct RelayError {
    pub relay: String,
    pub line: String,
    pub cause: String,
}

/// All relays of the board. Dropping it puts every relay to rest.
pub trait RelayBank: Send {
    /// # Errors
    /// When the line refuses.
    fn set(&mut self, relay: RelayId, operated: bool) -> Result<(), RelayError>;
    /// Every relay to rest, even when some lines refuse.
    fn rest(&mut self);
    /// Optional relays that could not be had, and why. Setting one of them does nothing.
    fn missing(&self) -> &[RelayError] {
        &[]
    }
}

/// One line that a relay hangs on, whatever drives it. Implementations claim their line at rest.
trait Line: Send {
    fn set(&mut self, operated: bool) -> Result<(), String>;
}

/// Claims every relay's line, at rest. Lines of different kinds mix. The simulated ones are recorded nowhere.
///
/// # Errors
/// One for each line that is missing, busy or not permitted, unless its relay is optional: see
/// [`RelayBank::missing`]. Those that were claimed are at rest and released again.
pub fn open(relays: &[Relay]) -> Result<Box<dyn RelayBank>, Vec<RelayError>> {
    open_with(relays, &SimulatedRelays::default())
}

/// As [`open`], with what moves and faults the simulated lines.
///
/// # Errors
/// As for [`open`].
pub fn open_with(relays: &[Relay], simulated: &SimulatedRelays) -> Result<Box<dyn RelayBank>, Vec<RelayError>> {
    let mut board = Board {
        wired: Vec::with_capacity(relays.len()),
        missing: Vec::new(),
    };
    let mut errors = Vec::new();
    for (index, relay) in relays.iter().enumerate() {
        let line = match claim(index, relay, simulated) {
            Ok(line) => Some(line),
            Err(cause) => {
                let error = RelayError {
                    relay: relay.name.clone(),
                    line: describe(&relay.line),
                    cause,
                };
                if relay.optional {
                    board.missing.push(error);
                } else {
                    errors.push(error);
                }
                None
            }
        };
        board.wired.push(Wired {
            name: relay.name.clone(),
            place: describe(&relay.line),
            line,
        });
    }
    if errors.is_empty() {
        Ok(Box::new(board))
    } else {
        Err(errors)
    }
}

/// Puts every relay to rest and lets go of the lines: what is left to do after a daemon was killed.
///
/// # Errors
/// The lines that refused; the others are at rest all the same. An optional relay that is missing is no error.
pub fn rest_all(relays: &[Relay]) -> Result<(), Vec<RelayError>> {
    open(relays).map(drop)
}

fn claim(index: usize, relay: &Relay, simulated: &SimulatedRelays) -> Result<Box<dyn Line>, String> {
    Ok(match &relay.line {
        RelayLine::Gpio { chip, offset } => Box::new(gpio::GpioLine::claim(chip, *offset, relay.active_low)?),
        RelayLine::Pi { bcm } => Box::new(pi::PiLine::claim(*bcm, relay.active_low)?),
        RelayLine::Simulated => {
            let id = u16::try_from(index).map_err(|_| "too many relays")?;
            Box::new(simulated.line(RelayId(id))?)
        }
    })
}

fn describe(line: &RelayLine) -> String {
    match line {
        RelayLine::Gpio { chip, offset } => format!("{chip} line {offset}"),
        RelayLine::Pi { bcm } => format!("BCM {bcm}"),
        RelayLine::Simulated => "simulated line".to_owned(),
    }
}

struct Wired {
    name: String,
    place: String,
    /// `None`: optional and missing.
    line: Option<Box<dyn Line>>,
}

impl Wired {
    fn set(&mut self, operated: bool) -> Result<(), RelayError> {
        match &mut self.line {
            None => Ok(()),
            Some(line) => line.set(operated).map_err(|cause| RelayError {
                relay: self.name.clone(),
                line: self.place.clone(),
                cause,
            }),
        }
    }
}

struct Board {
    wired: Vec<Wired>,
    missing: Vec<RelayError>,
}

impl RelayBank for Board {
    fn set(&mut self, relay: RelayId, operated: bool) -> Result<(), RelayError> {
        match self.wired.get_mut(usize::from(relay.0)) {
            Some(wired) => wired.set(operated),
            None => Err(RelayError {
                relay: format!("number {}", relay.0),
                line: "no line".to_owned(),
                cause: "there is no such relay".to_owned(),
            }),
        }
    }

    fn rest(&mut self) {
        for wired in &mut self.wired {
            // The next line matters more than why this one refused: `set` has told before.
            let _ = wired.set(false);
        }
    }

    fn missing(&self) -> &[RelayError] {
        &self.missing
    }
}

impl Drop for Board {
    fn drop(&mut self) {
        self.rest();
    }
}
