//! A card whose zones are files: one each, 48 kHz, 16 bits, mono.

use std::fs::File;
use std::io::BufWriter;
use std::path::{Path, PathBuf};
use std::time::Duration;

use hound::{SampleFormat, WavSpec, WavWriter};

use crate::config::plan::Plan;
use crate::device::audio::OpenSink;
use crate::device::news::{DeviceError, Transfer};
use crate::device::sink::Sink;
use crate::sound::RATE;
use crate::sound::quantise::Quantiser;

/// All recordings of a replay together, octets; a WAV file cannot be longer than 4 GiB, and is none of ours longer than half of that.
const MAX_OCTETS: u64 = 4 << 30;

/// How much is recorded of each zone.
pub fn longest(plan: &Plan) -> Duration {
    let each = (MAX_OCTETS / plan.zones.len().max(1) as u64).min(MAX_OCTETS / 2);
    Duration::from_secs(each / 2 / u64::from(RATE))
}

/// Where a zone's output is.
pub fn file_of(folder: &Path, zone: &str) -> PathBuf {
    folder.join(format!("{zone}.wav"))
}

/// Opens what is written for a card.
pub fn opener(plan: &Plan, card: usize, folder: &Path) -> OpenSink {
    let zones = plan.zones.iter().filter(|zone| zone.card == card);
    let zones: Vec<(usize, PathBuf)> = zones.map(|zone| (zone.channel, file_of(folder, &zone.name))).collect();
    let (channels, period) = (plan.cards[card].channels, plan.cards[card].period);
    let most = longest(plan).as_secs() * u64::from(RATE);
    Box::new(move || {
        let spec = WavSpec {
            channels: 1,
            sample_rate: RATE,
            bits_per_sample: 16,
            sample_format: SampleFormat::Int,
        };
        let mut files = Vec::new();
        for (channel, path) in &zones {
            let writer =
                WavWriter::create(path, spec).map_err(|cause| DeviceError::open(path.display().to_string(), cause))?;
            files.push((*channel, writer, Quantiser::new()));
        }
        Ok(Box::new(Zones {
            left: most,
            files,
            channels,
            period,
        }) as Box<dyn Sink>)
    })
}

struct Zones {
    files: Vec<(usize, WavWriter<BufWriter<File>>, Quantiser)>,
    /// Frames that are still written.
    left: u64,
    channels: usize,
    period: usize,
}

impl Sink for Zones {
    fn period(&self) -> usize {
        self.period
    }

    fn channels(&self) -> usize {
        self.channels
    }

    fn write(&mut self, frames: &[f32]) -> Result<Transfer, DeviceError> {
        let frames = match self.left.checked_sub(self.period as u64) {
            Some(left) => {
                self.left = left;
                frames
            }
            None => &[],
        };
        for (channel, writer, quantiser) in &mut self.files {
            for frame in frames.chunks_exact(self.channels) {
                let sample = quantiser.quantise(frame.get(*channel).copied().unwrap_or_default());
                writer
                    .write_sample(sample)
                    .map_err(|cause| DeviceError::lost("the file", cause))?;
            }
        }
        Ok(Transfer::Fine)
    }

    fn delay(&self) -> Duration {
        Duration::ZERO
    }
}
