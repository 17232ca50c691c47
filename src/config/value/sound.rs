//! Values that shape the sound.

use toml::Spanned;
use toml::de::DeValue;

use super::super::text::{self, Hint};
use super::{Reader, Value};
use crate::sound::filter::{BUTTERWORTH, Shape};

/// Most filters of one zone.
const MAX_FILTERS: usize = 8;

impl Reader<'_> {
    /// One channel, or two.
    pub(super) fn mix(&mut self, value: &Spanned<DeValue<'_>>, to: i64) -> Option<Value> {
        let Some(list) = value.get_ref().as_array() else {
            return self.integer(value, 1, to).map(|n| Value::Integers(vec![n]));
        };
        let channels: Option<Vec<i64>> = list.iter().map(|entry| self.integer(entry, 1, to)).collect();
        let channels = channels?;
        let hint = match channels.as_slice() {
            [] => "leave the key out for the first two channels",
            [a, b] if a == b => "they are the same: write it once, without brackets",
            [_] | [_, _] => return Some(Value::Integers(channels)),
            _ => "at most two are mixed",
        };
        self.reject(value, hint);
        None
    }

    /// How much softer; without end for "mute".
    pub(super) fn duck(&mut self, value: &Spanned<DeValue<'_>>, from: f32, to: f32) -> Option<Value> {
        if value.get_ref().as_str() == Some("mute") {
            return Some(Value::Decibel(f32::NEG_INFINITY));
        }
        self.parsed(value, |t| {
            let depth = text::decibels(t, "dB")?;
            if (from..=to).contains(&depth) {
                Ok(Value::Decibel(depth))
            } else if depth > 0.0 {
                Err(Hint(format!("softer is a negative number: \"-{depth} dB\"")))
            } else {
                Err(Hint("write \"mute\" for silence".to_owned()))
            }
        })
    }

    pub(super) fn filters(&mut self, value: &Spanned<DeValue<'_>>) -> Option<Value> {
        let list = self.entries(value, filter)?;
        if list.len() > MAX_FILTERS {
            self.reject(value, format!("there are at most {MAX_FILTERS}"));
            return None;
        }
        Some(Value::Filters(list.into_iter().map(|(shape, _)| shape).collect()))
    }
}

/// `high-pass 250 Hz`, `bell 2.5 kHz -4 dB q 1.4`, `low-shelf 200 Hz -6 dB`, `high-shelf 6 kHz 3 dB`.
fn filter(text: &str) -> Result<Shape, Hint> {
    let mut words = text.split_whitespace();
    let shape = words.next().unwrap_or_default();
    let frequency = frequency(&mut words)?;
    let read = match shape {
        "high-pass" => Shape::HighPass {
            frequency,
            q: quality(&mut words)?.unwrap_or(BUTTERWORTH),
        },
        "bell" => Shape::Bell {
            frequency,
            gain: gain(&mut words)?,
            q: quality(&mut words)?.unwrap_or(1.0),
        },
        "low-shelf" => Shape::LowShelf {
            frequency,
            gain: gain(&mut words)?,
        },
        "high-shelf" => Shape::HighShelf {
            frequency,
            gain: gain(&mut words)?,
        },
        _ => {
            return Err(Hint(
                "it begins with high-pass, bell, low-shelf or high-shelf".to_owned(),
            ));
        }
    };
    match words.next() {
        None => Ok(read),
        Some("q") => Err(Hint("a shelf has no q".to_owned())),
        Some(_) if shape == "high-pass" => Err(Hint("a high-pass has a frequency and perhaps a q".to_owned())),
        Some(_) => Err(Hint("after the gain comes q and a number, or nothing".to_owned())),
    }
}

type Words<'a> = std::str::SplitWhitespace<'a>;

fn frequency(words: &mut Words) -> Result<f64, Hint> {
    let number = words.next().and_then(|w| w.parse::<f64>().ok());
    let hertz = match (number, words.next()) {
        (Some(n), Some("Hz")) => n,
        (Some(n), Some("kHz")) => n * 1000.0,
        _ => {
            return Err(Hint(
                "behind the kind comes a frequency, as in \"250 Hz\" or \"2.5 kHz\"".to_owned(),
            ));
        }
    };
    if (20.0..=20_000.0).contains(&hertz) {
        Ok(hertz)
    } else {
        Err(Hint("the frequency is from 20 Hz to 20 kHz".to_owned()))
    }
}

fn gain(words: &mut Words) -> Result<f64, Hint> {
    let (Some(number), Some(unit)) = (words.next(), words.next()) else {
        return Err(Hint("behind the frequency comes the gain, as in \"-4 dB\"".to_owned()));
    };
    let gain = f64::from(text::decibels(&format!("{number} {unit}"), "dB")?);
    if (-24.0..=12.0).contains(&gain) {
        Ok(gain)
    } else {
        Err(Hint("the gain is from -24 dB to 12 dB".to_owned()))
    }
}

fn quality(words: &mut Words) -> Result<Option<f64>, Hint> {
    let mut ahead = words.clone();
    if ahead.next() != Some("q") {
        return Ok(None);
    }
    let q = ahead.next().and_then(|w| w.parse::<f64>().ok());
    *words = ahead;
    match q {
        Some(q) if (0.3..=10.0).contains(&q) => Ok(Some(q)),
        _ => Err(Hint("q is a number from 0.3 to 10".to_owned())),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn filters() {
        let read = |t: &str| filter(t).map_err(|Hint(hint)| hint);
        assert_eq!(
            read("high-pass 250 Hz"),
            Ok(Shape::HighPass {
                frequency: 250.0,
                q: BUTTERWORTH
            })
        );
        assert_eq!(
            read("high-pass 0.3 kHz  q 1"),
            Ok(Shape::HighPass {
                frequency: 300.0,
                q: 1.0
            })
        );
        assert_eq!(
            read("bell 2.5 kHz -4 dB q 1.4"),
            Ok(Shape::Bell {
                frequency: 2500.0,
                gain: -4.0,
                q: 1.4
            })
        );
        assert_eq!(
            read("low-shelf 200 Hz +6 dB"),
            Ok(Shape::LowShelf {
                frequency: 200.0,
                gain: 6.0
            })
        );
        assert_eq!(
            read("high-shelf 6 kHz −3 dB"),
            Ok(Shape::HighShelf {
                frequency: 6000.0,
                gain: -3.0
            })
        );
        for (text, part) in [
            ("", "a frequency"),
            ("low-pass 200 Hz", "begins with"),
            ("bell 2.5 khz -4 dB", "a frequency"),
            ("bell", "a frequency"),
            ("bell 2500 Hz", "the gain"),
            ("bell 2500 Hz -4", "the gain"),
            ("bell 2500 Hz -4 dBFS", "in dB"),
            ("bell 2500 Hz -40 dB", "from -24 dB"),
            ("bell 25 kHz -4 dB", "20 kHz"),
            ("bell 2500 Hz -4 dB q", "from 0.3"),
            ("bell 2500 Hz -4 dB q 99", "from 0.3"),
            ("bell 2500 Hz -4 dB wide", "or nothing"),
            ("low-shelf 200 Hz -4 dB q 2", "no q"),
            ("high-pass 200 Hz -4 dB", "perhaps a q"),
            ("high-pass NaN Hz", "20 kHz"),
        ] {
            let found = read(text).expect_err(text);
            assert!(found.contains(part), "{text}: {found}");
        }
    }
}
