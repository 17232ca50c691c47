//! A line of a GPIO character device (Linux uAPI v2).

use gpiocdev::Request;
use gpiocdev::line::Value;

use super::Line;
use crate::device::gpio::{CONSUMER, explain, find};

pub(super) struct GpioLine {
    request: Request,
    offset: u32,
}

impl GpioLine {
    /// Claims line `offset` as an output at rest; with `active_low` the level at rest is high. The kernel sets
    /// direction and level in one step, so the relay does not twitch.
    pub fn claim(chip: &str, offset: u32, active_low: bool) -> Result<Self, String> {
        let path = find(chip)?;
        let mut builder = Request::builder();
        builder.on_chip(&path).with_consumer(CONSUMER).with_line(offset);
        if active_low {
            builder.as_active_low();
        } else {
            builder.as_active_high();
        }
        let request = builder
            .as_output(Value::Inactive)
            .request()
            .map_err(|error| explain(&path, offset, &error))?;
        Ok(GpioLine { request, offset })
    }
}

impl Line for GpioLine {
    fn set(&mut self, operated: bool) -> Result<(), String> {
        // "Active" is the operated side: the kernel applies active-low.
        let value = if operated { Value::Active } else { Value::Inactive };
        self.request
            .set_value(self.offset, value)
            .map_err(|error| error.to_string())
    }
}
