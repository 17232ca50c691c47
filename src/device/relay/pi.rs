//! A GPIO of a Raspberry Pi by its BCM number, through the chip's registers.

use rppal::gpio::{Error, Gpio, Level, OutputPin};

use super::Line;

pub(super) struct PiLine {
    pin: OutputPin,
    active_low: bool,
}

impl PiLine {
    /// Claims the pin as an output at rest. The level is written before the pin becomes an output, so the relay does
    /// not twitch.
    pub fn claim(bcm: u8, active_low: bool) -> Result<Self, String> {
        let pin = Gpio::new().and_then(|gpio| gpio.get(bcm)).map_err(|e| explain(&e))?;
        let mut pin = match level(false, active_low) {
            Level::Low => pin.into_output_low(),
            Level::High => pin.into_output_high(),
        };
        // rppal would make the pin an input again when it is dropped. Then the board's pull resistor decides, and on
        // BCM 0 to 8 that is a pull-up, which operates an active-high relay. A driven line stays at rest.
        pin.set_reset_on_drop(false);
        Ok(PiLine { pin, active_low })
    }
}

impl Line for PiLine {
    fn set(&mut self, operated: bool) -> Result<(), String> {
        self.pin.write(level(operated, self.active_low));
        Ok(())
    }
}

fn level(operated: bool, active_low: bool) -> Level {
    Level::from(operated != active_low)
}

fn explain(error: &Error) -> String {
    match error {
        Error::UnknownModel => "this is not a Raspberry Pi that is known here; use a GPIO chip and line".to_owned(),
        Error::PinUsed(_) => "another relay has this number already".to_owned(),
        Error::PinNotAvailable(_) => "the board has no such GPIO".to_owned(),
        Error::PermissionDenied(path) => {
            format!("{path}: not permitted: is the service's user in the group that owns it?")
        }
        other => other.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn at_rest_an_active_low_line_is_high() {
        assert_eq!(level(false, false), Level::Low);
        assert_eq!(level(true, false), Level::High);
        assert_eq!(level(false, true), Level::High);
        assert_eq!(level(true, true), Level::Low);
    }

    #[test]
    fn off_the_pi_it_says_so() {
        if Gpio::new().is_ok() {
            eprintln!("this is a Raspberry Pi: not checked");
            return;
        }
        let cause = PiLine::claim(17, false).err().unwrap();
        assert!(
            cause.contains("not a Raspberry Pi") || cause.contains("not permitted"),
            "{cause}"
        );
    }
}
