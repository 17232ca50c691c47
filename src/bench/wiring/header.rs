//! The 40-pin header of a Raspberry Pi, and which line of a plan is on which of its pins.
//!
//! Pins as published: Raspberry Pi documentation, "GPIO and the 40-pin header"; the same in Zephyr's devicetree binding
//! `raspberrypi-40pins-header`.

use crate::config::plan::{ContactLine, Plan, RelayLine};

/// What a pin of the header is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pin {
    Volts5,
    Volts3,
    Ground,
    /// The line's number: BCM number, and offset on the header's GPIO chip.
    Line(u8),
}

use Pin::{Ground, Line, Volts3, Volts5};

/// Pins 1 to 40: odd ones in the row away from the board's edge, even ones beside them.
pub const HEADER: [Pin; 40] = [
    Volts3,
    Volts5,
    Line(2),
    Volts5,
    Line(3),
    Ground,
    Line(4),
    Line(14),
    Ground,
    Line(15),
    Line(17),
    Line(18),
    Line(27),
    Ground,
    Line(22),
    Line(23),
    Volts3,
    Line(24),
    Line(10),
    Ground,
    Line(9),
    Line(25),
    Line(11),
    Line(8),
    Ground,
    Line(7),
    Line(0),
    Line(1),
    Line(5),
    Ground,
    Line(6),
    Line(12),
    Line(13),
    Ground,
    Line(19),
    Line(16),
    Line(26),
    Line(20),
    Ground,
    Line(21),
];

impl Pin {
    /// `GPIO 17`, `ground`.
    pub fn name(self) -> String {
        match self {
            Volts5 => "5 V".to_owned(),
            Volts3 => "3.3 V".to_owned(),
            Ground => "ground".to_owned(),
            Line(line) => format!("GPIO {line}"),
        }
    }
}

/// The physical pin, from 1, of a line of the header.
pub(super) fn pin_of(line: u32) -> Option<u8> {
    let at = HEADER
        .iter()
        .position(|pin| matches!(pin, Line(here) if u32::from(*here) == line))?;
    u8::try_from(at + 1).ok()
}

/// Pins of a kind, from 1.
pub(super) fn pins(kind: Pin) -> impl Iterator<Item = u8> {
    (1..=40)
        .zip(HEADER)
        .filter(move |(_, pin)| *pin == kind)
        .map(|(n, _)| n)
}

/// Where the board's lines come out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Board {
    /// The 40-pin header of a Raspberry Pi.
    FortyPin,
    /// Only chip and line are known; the board's own papers say which pin that is.
    Other,
}

/// Chips that are the header's on one Raspberry Pi or another. The kernel numbered that of a Pi 5 as 4 for a while.
const CHIPS: [&str; 5] = [
    "gpiochip0",
    "gpiochip4",
    "pinctrl-bcm2835",
    "pinctrl-bcm2711",
    "pinctrl-rp1",
];

/// A line of the board.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct BoardLine {
    chip: String,
    offset: u32,
}

impl BoardLine {
    /// `None` for a simulated relay.
    pub fn of_relay(line: &RelayLine) -> Option<Self> {
        match line {
            RelayLine::Gpio { chip, offset } => Some(BoardLine::new(chip, *offset)),
            RelayLine::Pi { bcm } => Some(BoardLine::new("gpiochip0", u32::from(*bcm))),
            RelayLine::Simulated => None,
        }
    }

    /// `None` for a file.
    pub fn of_contact(line: &ContactLine) -> Option<Self> {
        match line {
            ContactLine::Gpio { chip, offset } => Some(BoardLine::new(chip, *offset)),
            ContactLine::File(_) => None,
        }
    }

    fn new(chip: &str, offset: u32) -> Self {
        BoardLine {
            chip: chip.strip_prefix("/dev/").unwrap_or(chip).to_owned(),
            offset,
        }
    }

    /// The line's number, where it is one of the header's.
    pub fn on_header(&self) -> Option<u32> {
        let is_header = CHIPS.contains(&self.chip.as_str()) && pin_of(self.offset).is_some();
        is_header.then_some(self.offset)
    }

    /// `gpiochip1 line 5`.
    pub fn name(&self) -> String {
        format!("{} line {}", self.chip, self.offset)
    }
}

impl Board {
    /// A Raspberry Pi unless some line cannot be on its header.
    pub fn guessed(plan: &Plan) -> Self {
        let relays = plan.relays.iter().filter_map(|relay| BoardLine::of_relay(&relay.line));
        let inputs = plan.contacts.iter().map(|contact| &contact.input);
        let inputs = inputs.chain(plan.vetoes.iter().map(|veto| &veto.input));
        let mut lines = relays.chain(inputs.filter_map(|input| BoardLine::of_contact(&input.line)));
        match lines.all(|line| line.on_header().is_some()) {
            true => Board::FortyPin,
            false => Board::Other,
        }
    }
}
