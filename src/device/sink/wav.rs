//! A WAV file, 48 kHz, 16 bits, written in real time.

use std::fs::File;
use std::io::BufWriter;
use std::path::{Path, PathBuf};
use std::time::Duration;

use hound::{SampleFormat, WavSpec, WavWriter};

use super::{DeviceError, Pacer, Sink, Transfer, check_shape};
use crate::sound::RATE;
use crate::sound::quantise::Quantiser;

/// Largest file, octets: a WAV file cannot say more than 4 GiB of itself.
const MAX_FILE: u64 = (1 << 32) - (1 << 20);
/// The header is put right this often, frames (½ s): what a killed process leaves can be read up to there.
const CHECKPOINT: u64 = 24_000;

/// Writes what the card would play. A full file is kept beside the new one as `NAME.1.wav`, in the place of an
/// earlier one, so that no more than two files ever exist.
pub struct WavSink {
    path: PathBuf,
    writer: WavWriter<BufWriter<File>>,
    spec: WavSpec,
    period: usize,
    /// `None`: somebody else keeps the time.
    pacer: Option<Pacer>,
    quantiser: Quantiser,
    /// Frames in this file, and how many of them the header tells of.
    frames: u64,
    told: u64,
    max_frames: u64,
}

impl WavSink {
    /// Creates the file, or empties it. `period` in frames.
    /// # Errors
    /// When the file cannot be created.
    pub fn open(path: &Path, channels: usize, period: usize) -> Result<Self, DeviceError> {
        check_shape(&path.display().to_string(), channels, period)?;
        let spec = WavSpec {
            channels: channels as u16,
            sample_rate: RATE,
            bits_per_sample: 16,
            sample_format: SampleFormat::Int,
        };
        let writer =
            WavWriter::create(path, spec).map_err(|cause| DeviceError::open(path.display().to_string(), cause))?;
        let mut sink = WavSink {
            path: path.to_owned(),
            writer,
            spec,
            period,
            pacer: Some(Pacer::new()),
            quantiser: Quantiser::new(),
            frames: 0,
            told: 0,
            max_frames: MAX_FILE / (2 * channels as u64),
        };
        sink.checkpoint()?;
        Ok(sink)
    }

    /// It takes frames as fast as they come.
    pub fn unpaced(mut self) -> Self {
        self.pacer = None;
        self
    }

    /// The header for what is written so far. Makes room for a period as well, so that writing one does not.
    fn checkpoint(&mut self) -> Result<(), DeviceError> {
        let _ = self.writer.get_i16_writer((self.period * self.channels()) as u32);
        self.writer.flush().map_err(|e| self.lost(&e))?;
        self.told = self.frames;
        Ok(())
    }

    fn lost(&self, cause: &dyn std::fmt::Display) -> DeviceError {
        DeviceError::lost(self.path.display().to_string(), cause)
    }

    fn next_file(&mut self) -> Result<(), DeviceError> {
        self.checkpoint()?;
        let mut kept = self.path.file_stem().unwrap_or_default().to_owned();
        kept.push(".1.wav");
        std::fs::rename(&self.path, self.path.with_file_name(kept)).map_err(|e| self.lost(&e))?;
        self.writer = WavWriter::create(&self.path, self.spec).map_err(|e| self.lost(&e))?;
        self.frames = 0;
        self.checkpoint()
    }
}

impl Sink for WavSink {
    fn period(&self) -> usize {
        self.period
    }

    fn channels(&self) -> usize {
        usize::from(self.spec.channels)
    }

    fn write(&mut self, frames: &[f32]) -> Result<Transfer, DeviceError> {
        let count = frames.len() / self.channels();
        if self.frames + count as u64 > self.max_frames {
            self.next_file()?;
        }
        let samples = &frames[..count * self.channels()];
        let mut writer = self.writer.get_i16_writer(samples.len() as u32);
        for x in samples {
            writer.write_sample(self.quantiser.quantise(*x));
        }
        writer.flush().map_err(|e| self.lost(&e))?;
        self.frames += count as u64;
        if self.frames - self.told >= CHECKPOINT {
            self.checkpoint()?;
        }
        Ok(self.pacer.as_mut().map_or(Transfer::Fine, |pacer| pacer.wait(count)))
    }

    fn delay(&self) -> Duration {
        Duration::ZERO
    }
}

#[cfg(test)]
mod tests {
    use std::time::Instant;

    use super::*;

    /// A folder of its own, removed at the end.
    struct Folder(PathBuf);

    impl Folder {
        fn new(name: &str) -> Self {
            let path = std::env::temp_dir().join(format!("hornwire-wav-{name}-{}", std::process::id()));
            std::fs::create_dir_all(&path).expect("a folder");
            Folder(path)
        }
    }

    impl Drop for Folder {
        fn drop(&mut self) {
            let _ = std::fs::remove_dir_all(&self.0);
        }
    }

    fn read(path: &Path) -> (WavSpec, Vec<i16>) {
        let mut reader = hound::WavReader::open(path).expect("a WAV file");
        let samples = reader.samples::<i16>().map(|s| s.expect("a sample")).collect();
        (reader.spec(), samples)
    }

    #[test]
    fn writes_in_real_time_and_is_readable_on_the_way() {
        let folder = Folder::new("pace");
        let path = folder.0.join("zone.wav");
        let mut sink = WavSink::open(&path, 2, 480).expect("opens");
        assert_eq!(read(&path).1.len(), 0, "readable from the first moment");
        let start = Instant::now();
        for n in 0..70 {
            let level = (n % 2) as f32 * 0.5;
            let frames: Vec<f32> = (0..480).flat_map(|_| [level, 0.0]).collect();
            sink.write(&frames).expect("writes");
        }
        assert!(start.elapsed() >= Duration::from_millis(699));
        // As a killed process leaves it: nothing of the writer's ending has run.
        let (spec, samples) = read(&path);
        assert_eq!((spec.channels, spec.sample_rate, spec.bits_per_sample), (2, 48_000, 16));
        assert!(samples.len() >= 2 * 24_000, "{}", samples.len());
        drop(sink);
        let (_, samples) = read(&path);
        assert_eq!(samples.len(), 2 * 70 * 480);
        for (n, frame) in samples.chunks(2).enumerate() {
            let want = if (n / 480) % 2 == 1 { 16384 } else { 0 };
            assert!((i32::from(frame[0]) - want).abs() <= 1);
            assert_eq!(frame[1], 0, "digital silence");
        }
    }

    #[test]
    fn a_full_file_is_kept_and_a_new_one_begun() {
        let folder = Folder::new("full");
        let path = folder.0.join("zone.wav");
        let mut sink = WavSink::open(&path, 1, 240).expect("opens");
        sink.max_frames = 1000;
        for n in 1..=10 {
            sink.write(&vec![n as f32 / 16.0; 240]).expect("writes");
        }
        drop(sink);
        let mut names: Vec<_> = std::fs::read_dir(&folder.0)
            .expect("a folder")
            .map(|e| e.expect("an entry").file_name())
            .collect();
        names.sort();
        assert_eq!(names, ["zone.1.wav", "zone.wav"]);
        let (kept, new) = (read(&folder.0.join("zone.1.wav")).1, read(&path).1);
        assert_eq!((kept.len(), new.len()), (960, 480));
        assert!((i32::from(kept[0]) - 5 * 2048).abs() <= 1);
        assert!((i32::from(new[0]) - 9 * 2048).abs() <= 1);
    }

    #[test]
    fn says_what_cannot_be_opened() {
        let error = WavSink::open(Path::new("/nonexistent/zone.wav"), 2, 240)
            .err()
            .expect("an error");
        assert!(
            error.to_string().starts_with("cannot open /nonexistent/zone.wav: "),
            "{error}"
        );
        assert!(WavSink::open(Path::new("/tmp/never.wav"), 0, 240).is_err());
        assert!(WavSink::open(Path::new("/tmp/never.wav"), 2, 0).is_err());
    }

    #[test]
    fn a_full_disk_is_a_lost_device() {
        // Linux's always-full device; writes fail with ENOSPC.
        let Ok(mut sink) = WavSink::open(Path::new("/dev/full"), 1, 24_000) else {
            return;
        };
        let result = (0..4).find_map(|_| sink.write(&[0.1; 24_000]).err());
        assert!(matches!(result, Some(DeviceError::Lost { .. })), "{result:?}");
    }
}
