//! A WAV file read over and over at real-time pace: a stand-in for a device, which has no end either.

use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};
use std::time::Duration;

use hound::{SampleFormat, WavReader};

use super::{DeviceError, PERIOD, Source, Transfer, check_shape};
use crate::device::sink::Pacer;
use crate::sound::RATE;

/// Gives a file's audio; after the last frame comes the first again.
pub struct WavSource {
    path: PathBuf,
    reader: WavReader<BufReader<File>>,
    channels: usize,
    pacer: Pacer,
}

impl WavSource {
    /// Opens a file of 48 kHz with `channels` channels: whole numbers of 8 to 32 bits, or 32-bit floating point.
    ///
    /// # Errors
    /// When there is no such file, or it is another kind.
    pub fn open(path: &Path, channels: usize) -> Result<Self, DeviceError> {
        let device = path.display().to_string();
        check_shape(&device, channels)?;
        let fail = |cause: String| DeviceError::open(&device, cause);
        // A pipe or a device would let the open wait for ever.
        let about = std::fs::metadata(path).map_err(|e| fail(e.to_string()))?;
        if !about.is_file() {
            return Err(fail("not a regular file".to_owned()));
        }
        let reader = WavReader::open(path).map_err(|e| fail(e.to_string()))?;
        let spec = reader.spec();
        if spec.sample_rate != RATE {
            return Err(fail(format!(
                "it has {} Hz; {RATE} Hz are needed: convert it with `sox IN -r {RATE} OUT`",
                spec.sample_rate
            )));
        }
        if usize::from(spec.channels) != channels {
            let has = spec.channels;
            return Err(fail(format!("it has {has} channels: write `channels = {has}`")));
        }
        if reader.duration() == 0 {
            return Err(fail("it holds no audio".to_owned()));
        }
        Ok(WavSource {
            path: path.to_owned(),
            reader,
            channels,
            pacer: Pacer::new(),
        })
    }

    /// Fills as much as the file still has; how many samples.
    fn fill(&mut self, out: &mut [f32]) -> Result<usize, hound::Error> {
        let spec = self.reader.spec();
        let mut done = 0;
        match spec.sample_format {
            SampleFormat::Float => {
                for (out, x) in out.iter_mut().zip(self.reader.samples::<f32>()) {
                    let x = x?;
                    *out = if x.is_finite() { x.clamp(-1.0, 1.0) } else { 0.0 };
                    done += 1;
                }
            }
            SampleFormat::Int => {
                let scale = 1.0 / f64::from(1u32 << (spec.bits_per_sample.clamp(1, 32) - 1));
                for (out, x) in out.iter_mut().zip(self.reader.samples::<i32>()) {
                    *out = (f64::from(x?) * scale) as f32;
                    done += 1;
                }
            }
        }
        Ok(done)
    }

    fn lost(&self, cause: &dyn std::fmt::Display) -> DeviceError {
        DeviceError::lost(self.path.display().to_string(), cause)
    }
}

impl Source for WavSource {
    fn period(&self) -> usize {
        PERIOD
    }

    fn channels(&self) -> usize {
        self.channels
    }

    fn read(&mut self, frames: &mut [f32]) -> Result<Transfer, DeviceError> {
        let mut done = 0;
        while done < frames.len() {
            let got = self.fill(&mut frames[done..]).map_err(|e| self.lost(&e))?;
            done += got;
            if done < frames.len() {
                if got == 0 && done == 0 && self.reader.duration() == 0 {
                    return Err(self.lost(&"it holds no audio any more"));
                }
                self.reader.seek(0).map_err(|e| self.lost(&e))?;
            }
        }
        Ok(self.pacer.wait(frames.len() / self.channels))
    }

    fn delay(&self) -> Duration {
        Duration::ZERO
    }
}

#[cfg(test)]
mod tests {
    use std::time::Instant;

    use hound::{WavSpec, WavWriter};

    use super::*;

    fn file(name: &str, spec: WavSpec, frames: usize) -> PathBuf {
        let path = std::env::temp_dir().join(format!("hornwire-source-{name}-{}.wav", std::process::id()));
        let mut writer = WavWriter::create(&path, spec).expect("a file");
        for n in 0..frames * usize::from(spec.channels) {
            match spec.sample_format {
                SampleFormat::Int => writer.write_sample(n as i32 % 100 * 256),
                SampleFormat::Float => writer.write_sample(n as f32 / 1000.0),
            }
            .expect("a sample");
        }
        writer.finalize().expect("a header");
        path
    }

    const fn spec(rate: u32, channels: u16, bits: u16, sample_format: SampleFormat) -> WavSpec {
        WavSpec {
            channels,
            sample_rate: rate,
            bits_per_sample: bits,
            sample_format,
        }
    }

    #[test]
    fn a_file_comes_round_and_round_in_real_time() {
        let path = file("round", spec(48_000, 2, 16, SampleFormat::Int), 700);
        let mut source = WavSource::open(&path, 2).expect("opens");
        let mut frames = vec![0.0; 2 * source.period()];
        let mut all = Vec::new();
        let began = Instant::now();
        for _ in 0..20 {
            assert_eq!(source.read(&mut frames).expect("reads"), Transfer::Fine);
            all.extend_from_slice(&frames);
        }
        assert!(began.elapsed() >= Duration::from_millis(99), "{:?}", began.elapsed());
        for (n, x) in all.iter().enumerate() {
            let want = (n % 1400 % 100 * 256) as f32 / 32_768.0;
            assert!((x - want).abs() < 1e-6, "{n}: {x}, not {want}");
        }
        let _ = std::fs::remove_file(path);
    }

    #[test]
    fn widths_and_what_is_refused() {
        for (n, (kind, bits)) in [
            (SampleFormat::Int, 24),
            (SampleFormat::Int, 32),
            (SampleFormat::Float, 32),
        ]
        .into_iter()
        .enumerate()
        {
            let path = file(&format!("width{n}"), spec(48_000, 1, bits, kind), 240);
            let mut source = WavSource::open(&path, 1).expect("opens");
            let mut frames = vec![0.0; 240];
            source.read(&mut frames).expect("reads");
            let want = match kind {
                SampleFormat::Float => 0.099,
                SampleFormat::Int => (99.0 * 256.0 / f64::from(1u32 << (bits - 1))) as f32,
            };
            assert!((frames[99] - want).abs() < 1e-7, "{bits} bits");
            let _ = std::fs::remove_file(path);
        }
        let refused = |path: &Path, channels| match WavSource::open(path, channels) {
            Err(error) => error.to_string(),
            Ok(_) => panic!("it opened"),
        };
        let slow = file("slow", spec(44_100, 1, 16, SampleFormat::Int), 10);
        assert!(refused(&slow, 1).contains("44100 Hz; 48000 Hz are needed"));
        let mono = file("mono", spec(48_000, 1, 16, SampleFormat::Int), 10);
        assert!(refused(&mono, 2).ends_with("it has 1 channels: write `channels = 1`"));
        let empty = file("empty", spec(48_000, 1, 16, SampleFormat::Int), 0);
        assert!(refused(&empty, 1).ends_with("it holds no audio"));
        assert!(refused(Path::new("/nonexistent/mic.wav"), 1).contains("No such file"));
        assert!(refused(Path::new("/dev/zero"), 1).contains("not a regular file"));
        for path in [slow, mono, empty] {
            let _ = std::fs::remove_file(path);
        }
    }
}
