//! Values that describe amplifiers, cables and loudspeakers.

use toml::Spanned;
use toml::de::DeValue;

use super::super::text::Hint;
use super::{Reader, Value};
use crate::bench::levels::cable::Cable;
use crate::bench::levels::line::Tap;
use crate::bench::levels::pad::Pad;
use crate::bench::levels::quantity::{Level, Ohms, Unfit, Watts};

impl From<Unfit> for Hint {
    fn from(Unfit(hint): Unfit) -> Self {
        Hint(hint)
    }
}

impl Reader<'_> {
    pub(super) fn signal(&mut self, value: &Spanned<DeValue<'_>>, from: f32, to: f32) -> Option<Value> {
        self.parsed(value, |t| {
            let level = Level::read(t)?;
            let dbu = level.volts().dbu().0;
            match (from..=to).contains(&dbu) {
                true => Ok(Value::Signal(level)),
                false => Err(Hint(format!("this is {dbu:+.1} dBu"))),
            }
        })
    }

    pub(super) fn impedance(&mut self, value: &Spanned<DeValue<'_>>, from: f64, to: f64) -> Option<Value> {
        self.parsed(value, |t| {
            let ohms = Ohms::read(t)?;
            match ohms.0 {
                n if n < from => Err(Hint(format!("the least is {}", Ohms(from)))),
                n if n > to => Err(Hint(format!("the most is {}", Ohms(to)))),
                _ => Ok(Value::Ohms(ohms)),
            }
        })
    }

    pub(super) fn power(&mut self, value: &Spanned<DeValue<'_>>, to: f64) -> Option<Value> {
        self.parsed(value, |t| match Watts::read(t)? {
            watts if watts.0 > to => Err(Hint(format!("the most is {to} W"))),
            watts => Ok(Value::Watts(watts)),
        })
    }

    pub(super) fn pad(&mut self, value: &Spanned<DeValue<'_>>) -> Option<Value> {
        self.parsed(value, |t| match t {
            "none" => Ok(Value::Pad(None)),
            t => Ok(Value::Pad(Some(Pad::read(t)?))),
        })
    }

    pub(super) fn cable(&mut self, value: &Spanned<DeValue<'_>>) -> Option<Value> {
        self.parsed(value, |t| Ok(Value::Cable(Cable::read(t)?)))
    }

    pub(super) fn taps(&mut self, value: &Spanned<DeValue<'_>>) -> Option<Value> {
        let list = self.entries(value, |t| Ok(Tap::read(t)?))?;
        Some(Value::Taps(list.into_iter().map(|(tap, _)| tap).collect()))
    }
}
